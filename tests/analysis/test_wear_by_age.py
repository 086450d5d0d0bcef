"""How faults go with the age of a part: published limits, sums by hand, a planted rise."""

from __future__ import annotations

import datetime as dt
import functools
import math

import numpy as np
import pytest

from analysis.counts import Account
from analysis.judged import Judged
from analysis.parts import PartRow
from analysis.site import NO_SITE, Site, parse_site
from analysis.wear_by_age import WearByAge, age_bands, wear_by_age

START, DAYS, PER_DAY, BINS = dt.datetime(2031, 1, 6, 8), 200, 20_000, 5
END = START + dt.timedelta(days=DAYS - 1)
#: Faults expected a day, so many that luck hardly matters.
MEAN = 40.0
#: Bin 1 has so many times the faults with every 100,000 feeds; all bins a new part on these days.
RATIO = 1.05
NEW = {1: (0, 80), 2: (0, 50), 3: (0, 120), 4: (0, 30, 150), 5: (0, 100)}


def bands(
    faults: list[float],
    expected: list[float],
    age: list[float],
    variance: float = 0.0,
    run: list[int] | None = None,
) -> list[tuple[float, float, int, float, float, float]]:
    rows = [np.array(v, dtype=np.float64) for v in (faults, expected, [1000.0] * len(age), age)]
    runs = np.arange(len(age)) if run is None else np.array(run)
    found = age_bands(*rows, runs, variance)
    return [(b.first, b.last, b.count, b.ratio, b.low, b.high) for b in found]


class TestBands:
    def test_ranges_are_those_of_garwood(self) -> None:
        # Garwood (1936), table of 95 % limits: 1.09 to 10.24 for 4 faults, 0 to 3.69 for none.
        assert bands([4.0], [2.0], [7.0]) == [
            (
                0.0,
                10.0,
                4,
                2.0,
                pytest.approx(1.0899 / 2, abs=1e-4),
                pytest.approx(5.1208, abs=1e-3),
            )
        ]
        assert bands([0.0], [1.0], [7.0])[0][3:] == (0.0, 0.0, pytest.approx(3.689, abs=1e-3))

    def test_they_are_of_one_round_width_and_hold_every_fault_once(self) -> None:
        rng = np.random.default_rng(7)
        age = rng.uniform(0, 1_830_000, 400)
        faults = rng.poisson(0.4, 400).astype(float)
        found = bands(faults.tolist(), [0.4] * 400, age.tolist())
        assert [b[0] for b in found] == [200_000.0 * i for i in range(10)]
        for first, last, count, ratio, *_ in found:
            inside = (age >= first) & (age < last)
            assert count == faults[inside].sum()
            assert ratio == pytest.approx(faults[inside].sum() / (0.4 * inside.sum()))

    def test_few_faults_give_few_bands_and_gaps_are_left_out(self) -> None:
        assert len(bands([1.0] * 4, [1.0] * 4, [1e5, 3e5, 6e5, 9e5])) == 1
        assert [b[:2] for b in bands([30.0, 30.0], [30.0, 30.0], [50.0, 950.0])] == [
            (0.0, 100.0),
            (900.0, 1000.0),
        ]
        assert bands([], [], []) == []

    def test_a_new_part_alone_and_an_age_on_an_edge_have_a_band(self) -> None:
        assert bands([1.0], [1.0], [0.0])[0][:3] == (0.0, 1.0, 1)
        assert [b[:3] for b in bands([7.0, 5.0], [6.0, 6.0], [0.0, 100.0])] == [
            (0.0, 100.0, 7),
            (100.0, 200.0, 5),
        ]

    def test_runs_that_differ_widen_the_range(self) -> None:
        alone = bands([20.0] * 4, [20.0] * 4, [5.0] * 4)
        # phi by hand (Rao and Scott 1992, with the allowances of `spread.widening`): four runs of
        # one size and a variance of 0.2 give r = 0.05.
        few = bands([20.0] * 4, [20.0] * 4, [5.0] * 4, 0.2)
        phi = 1 + 0.05 * 1.1 * (80 + 0.5 * 1.959964**2)
        half = (alone[0][5] - alone[0][4]) / (few[0][5] - few[0][4])
        assert half == pytest.approx(1 / math.sqrt(phi), rel=0.05)
        # The same faults in a single run say less still.
        one = bands([20.0] * 4, [20.0] * 4, [5.0] * 4, 0.2, [3, 3, 3, 3])
        assert one[0][4] < few[0][4] < alone[0][4]


def ages() -> np.ndarray:
    """Return the age of each day's part in each bin, in feeds at the middle of the day."""
    found = np.zeros((DAYS, BINS))
    for bin, days in NEW.items():
        for began in days:
            found[began:, bin - 1] = PER_DAY * (np.arange(DAYS - began) + 0.5)
    return found


@functools.cache
def judged() -> Judged:
    age = ages()
    mean = np.full(age.shape, MEAN)
    mean[:, 0] *= RATIO ** (age[:, 0] / 100_000)
    faults = np.random.default_rng(31).poisson(mean)
    run, place = np.indices(age.shape)
    started = np.array([np.datetime64(START + dt.timedelta(days=n), "us") for n in range(DAYS)])
    return Judged(
        kind="doubles",
        places=tuple(("A", bin) for bin in NEW),
        place=place.ravel(),
        run=run.ravel(),
        started=started[run.ravel()],
        feeds=np.full(faults.size, float(PER_DAY)),
        faults=faults.ravel().astype(np.float64),
        expected=np.full(faults.size, MEAN),
        level=np.ones(BINS),
        between_bins=0.04,
        between_weeks=0.0,
        variance={"A": 0.0},
        parts=("brush",),
        of_tower=(False,),
        effects={},
        ages=age.ravel()[None, :],
        kept=np.arange(faults.size),
        account=Account(faults.size, DAYS, 0, START, END),
    )


def row(bin: int, **changes: object) -> PartRow:
    age = ages()[-1, bin - 1] + PER_DAY / 2
    made = {"fitted_at": START, "age_feeds": float(age), "low": 1.01, **changes}
    return PartRow(tower="A", bin=bin, part="brush", kind="doubles", **made)  # type: ignore[arg-type]


def found_of(bin: int, site: Site = NO_SITE, **changes: object) -> WearByAge:
    rows = judged()
    one = row(bin, **changes)
    every = [one, *(row(other) for other in NEW if other != bin)]
    found = wear_by_age(one, every, rows, np.full(rows.place.size, 45.0), site, END)
    assert found is not None
    return found


class TestPlantedRise:
    def test_the_rise_is_the_one_that_was_planted(self) -> None:
        found = found_of(1)
        truth = RATIO ** (found.ages / 100_000)
        assert np.all((found.low < truth) & (truth < found.high))
        assert found.fitted == pytest.approx(truth, rel=0.05)
        # Of 120 days' feeds.
        assert found.times_low < RATIO**24 < found.times_high
        assert found.times_now == pytest.approx(RATIO**24, rel=0.05)
        assert found.usual == pytest.approx(MEAN / PER_DAY)
        assert "times the doubles of a new brush by now" in found.sentence()

    def test_bands_lie_about_the_rise_and_hold_all_feeds(self) -> None:
        found = found_of(1)
        for band in found.bands:
            truth = RATIO ** ((band.first + band.last) / 2 / 100_000)
            assert band.low * 0.9 < truth < band.high * 1.1
        assert found.feeds == DAYS * PER_DAY
        assert found.count == judged().faults.reshape(DAYS, BINS)[:, 0].sum()

    def test_the_rise_is_followed_to_a_limit_that_is_near_and_no_further(self) -> None:
        near = parse_site("[limits]\ntimes_new = 4", "site.toml")
        found = found_of(1, near)
        at = math.log(4) / math.log(RATIO) * 100_000
        assert found.limit_age is not None
        assert found.limit_age.best == pytest.approx(at, rel=0.05)
        assert found.ages[-1] == pytest.approx(found.limit_age.best)
        assert found.limit == pytest.approx(4.0, rel=0.05)
        far = parse_site("[limits]\ntimes_new = 40", "site.toml")
        assert found_of(1, far).ages[-1] == 2_400_000

    def test_a_limit_that_is_a_rate_is_a_multiple_of_what_is_usual(self) -> None:
        site = parse_site("[limits]\ndoubles_per_10k = 30", "site.toml")
        assert found_of(1, site).limit == pytest.approx(30 / 20, rel=1e-6)

    def test_a_bin_without_wear_shows_none(self) -> None:
        found = found_of(2)
        assert found.times_low < 1 < found.times_high
        assert found.fitted == pytest.approx(np.ones(found.ages.size), rel=0.06)

    def test_what_came_at_once_passes_no_limit_with_age(self) -> None:
        found = found_of(1, changed_on=dt.date(2031, 5, 1))
        assert math.isnan(found.limit) and found.limit_age is None

    def test_an_unknown_age_has_no_times_now(self) -> None:
        found = found_of(1, age_feeds=None, cannot_tell="its age is unknown")
        assert math.isnan(found.times_now)
        assert found.sentence() == "How its doubles go with its age is not known."


def test_without_a_fault_at_a_known_age_there_is_nothing_to_tell() -> None:
    rows = judged()
    one = row(1)
    air = np.full(rows.place.size, 45.0)
    nothing = rows.of(np.zeros(rows.place.size, dtype=bool))
    assert wear_by_age(one, [one], nothing, air[:0], NO_SITE, END) is None
