"""Rows beside what was to be expected of them: does it add up, and are they the right rows?"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from analysis import answers
from analysis.answers.expected import ages_of
from analysis.conditions import Conditions
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.judged import Judged
from analysis.store import Store


@pytest.fixture(scope="module")
def scan(sample_store: Path) -> LogScan:
    return LogScan(Store(sample_store).snapshot())


@pytest.fixture(scope="module")
def model(scan: LogScan) -> Conditions:
    return answers.conditions(scan, Filters(kind="doubles"))


@pytest.fixture(scope="module")
def asked(scan: LogScan, model: Conditions) -> tuple[Judged, pa.Table]:
    return answers.judged(scan, Filters(kind="doubles"), model)


@pytest.fixture(scope="module")
def judged(asked: tuple[Judged, pa.Table]) -> Judged:
    return asked[0]


@pytest.fixture(scope="module")
def kept(asked: tuple[Judged, pa.Table]) -> pa.Table:
    return asked[1].take(pa.array(asked[0].kept))


def test_every_fault_in_a_known_bin_is_there(judged: Judged, kept: pa.Table) -> None:
    assert judged.faults.sum() == sum(kept["doubles"].to_pylist())
    assert judged.feeds.sum() == sum(kept["feeds_doubles"].to_pylist())
    assert not np.isnan(judged.expected).any() and (judged.expected >= 0).all()


def test_places_are_those_of_the_rows(judged: Judged, kept: pa.Table) -> None:
    here = [judged.places[place] for place in judged.place.tolist()]
    towers, bins = kept["of_tower"].to_pylist(), kept["bin"].to_pylist()
    assert here == list(zip(towers, bins, strict=True))
    assert judged.places == tuple(sorted({(name, bin) for name in "ABC" for bin in range(1, 11)}))


def test_with_level_and_age_it_is_what_conditions_expect(
    scan: LogScan, judged: Judged, model: Conditions, asked: tuple[Judged, pa.Table]
) -> None:
    ages = ages_of(scan, asked[1])
    rows = model.model.rows(asked[1], ages)
    age = model.model.effects_of(rows)["age"]
    own = judged.expected * judged.level[judged.place] * np.exp(age)
    np.testing.assert_allclose(own, model.model.expected(rows), rtol=1e-9)


def test_with_the_week_too_it_solves_the_regression(
    scan: LogScan, judged: Judged, model: Conditions, asked: tuple[Judged, pa.Table]
) -> None:
    # The score equations of a ridge Poisson regression: what was fitted adds up to the log, and
    # each bin's level is what it has beyond that, over the strength of the ridge.
    ages = ages_of(scan, asked[1])
    rows, fit = model.model.rows(asked[1], ages), model.model.fit
    age = model.model.effects_of(rows)["age"]
    fitted = judged.expected * judged.level[judged.place] * np.exp(age + fit.periods[rows.week])
    assert fitted.sum() == pytest.approx(judged.faults.sum(), rel=1e-6)
    beyond = np.bincount(judged.place, judged.faults - fitted)
    assert np.log(judged.level) == pytest.approx(beyond * judged.between_bins, abs=1e-4)
    assert np.abs(np.log(judged.level)).max() > 0.1
    assert judged.between_weeks > 0 and set(judged.variance) == set("ABC")


def test_what_one_thing_does_is_part_of_what_is_expected(judged: Judged, kept: pa.Table) -> None:
    assert {"air", "static", "stock"} <= set(judged.effects)
    # Static is of toner-printed paper alone, and of dry air most (planted: 2.5 times below 35 %).
    static = judged.effects["static"]
    stocks = np.array([str(one) for one in kept["stock"].to_pylist()])
    humidity = kept["humidity_pct"].to_numpy(zero_copy_only=False).astype(float)
    printed = np.isin(stocks, ["BT80", "BT100", "GT135", "CT250"])
    assert not static[~printed].any()
    assert static[printed & (humidity < 32)].mean() > np.log(1.8)
    assert abs(static[printed & (humidity > 48) & (humidity < 52)]).max() < np.log(1.1)


def test_ages_are_those_of_the_rows(judged: Judged) -> None:
    # Planted: the brush of bin 7 of tower A was new on 10 November 2031.
    brush = judged.ages[judged.parts.index("brush")]
    mine = judged.place == judged.places.index(("A", 7))
    fitted = np.datetime64("2031-11-10T00:00")
    before, after = mine & (judged.started < fitted), mine & (judged.started >= fitted)
    order = np.argsort(judged.started[after], kind="stable")
    first = judged.run[after][order][0]
    assert brush[mine & (judged.run == first)].max() < 0.05 * np.nanmax(brush[before])
    # Age is what the bin has fed: it rises by the feeds of runs between, set-up among them.
    some = brush[after][order]
    assert (np.diff(some[np.r_[True, np.diff(judged.run[after][order]) != 0]]) > 0).all()
    assert some[-1] > 0.8 * judged.feeds[after].sum()
    assert not any(judged.of_tower[judged.parts.index(part)] for part in ("brush", "suction foot"))


def test_a_later_stretch_begins_with_its_run(judged: Judged) -> None:
    for run in np.unique(judged.run)[:50]:
        assert np.unique(judged.started[judged.run == run]).size == 1


def test_some_of_the_rows_keep_their_places(judged: Judged) -> None:
    some = judged.place == 3
    few = judged.of(some)
    assert few.places == judged.places and (few.place == 3).all()
    assert few.ages.shape == (len(judged.parts), some.sum())
    np.testing.assert_array_equal(few.expected, judged.expected[some])
    np.testing.assert_array_equal(few.effects["air"], judged.effects["air"][some])
    np.testing.assert_array_equal(few.kept, judged.kept[some])
