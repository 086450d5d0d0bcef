"""Invented fleets: the same again from the same seed, taken in whole, and true to what they say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from analysis import taking_in
from tests.fleets import KINDS, RARE, RARE_SHARES, RATES, Fleet, fleet

FILES = ("runs.csv", "stocks.csv", "towers.csv", "services.csv")


def written(of: Fleet, folder: Path) -> dict[str, bytes]:
    folder.mkdir()
    of.write(folder)
    return {name: (folder / name).read_bytes() for name in FILES}


@pytest.fixture(scope="module")
def usual() -> Fleet:
    return fleet(1)


@pytest.fixture(scope="module")
def plain() -> Fleet:
    """Return a fleet without clusters or anything unlogged, with 100 times the faults."""
    return fleet(
        2,
        towers=8,
        humidity_missing=0,
        variance=0,
        unlogged_moves=False,
        under_counted=False,
        rates={kind: 100 * rate for kind, rate in RATES.items()},
    )


def test_the_same_seed_writes_the_same_bytes(tmp_path: Path) -> None:
    first, again, other = (
        written(fleet(seed, days=60), tmp_path / str(place)) for place, seed in enumerate((5, 5, 6))
    )
    assert first == again
    assert all(first[name] != other[name] for name in ("runs.csv", "services.csv"))


def test_every_line_is_taken_in(usual: Fleet, tmp_path: Path) -> None:
    written(usual, tmp_path / "logs")
    said = taking_in.check(tmp_path / "store", [tmp_path / "logs" / name for name in FILES])
    assert [file.kind for file in said.files] == ["runs", "stocks", "towers", "services"]
    for file, table in zip(
        said.files, (usual.runs, usual.stocks, usual.towers, usual.services), strict=True
    ):
        assert file.account is not None, file.error
        assert file.account.added == file.account.lines == len(next(iter(table.values())))
        assert (file.problems, file.warnings) == ((), ())


def test_the_log_has_the_shape_that_was_asked_for(usual: Fleet) -> None:
    runs = usual.runs
    feeds = runs["cycles"]
    assert 25_000 < feeds.size < 40_000
    per_run = np.unique(np.char.add(runs["tower"].astype(str), runs["run"].astype(str))).size
    assert 2.0 < per_run / (3 * (214 + 43 / 3)) < 2.4  # weekdays, and Saturdays as a third
    for paper, share in zip(RARE, RARE_SHARES, strict=True):
        got = feeds[runs["stock"] == paper.code].sum() / feeds.sum()
        assert share / 2 < got < share * 2
    assert 0.001 < feeds[runs["set_blast"] == "none"].sum() / feeds.sum() < 0.006
    half = runs["set_foot_rest"] == "half"
    assert half.any() and runs["misses"][half].sum() + runs["doubles"][half].sum() == 0
    assert 0.35 < np.isnan(runs["humidity_pct"]).mean() < 0.45
    for tower in ("T1", "T2", "T3"):
        here = (runs["tower"] == tower) & (runs["bin"] == 1)
        assert (runs["started"][here][1:] >= runs["ended"][here][:-1]).all()
        assert (runs["proof"][here] == f"{tower}-1").sum() == 1


def test_the_most_used_stock_is_the_base(usual: Fleet) -> None:
    feeds = {
        code: usual.runs["cycles"][usual.runs["stock"] == code].sum()
        for code in usual.truth.stock["misses"]
    }
    base = max(feeds, key=feeds.__getitem__)
    assert [usual.truth.stock[kind][base] for kind in KINDS] == [1.0, 1.0]


@pytest.mark.parametrize(("kind", "ratio"), [("misses", 1.4), ("doubles", 0.8)])
def test_a_crude_ratio_of_the_spring_is_near_the_truth(
    plain: Fleet, kind: str, ratio: float
) -> None:
    # Within one stock, where the spring is set by chance; what else differs evens out.
    rate = {}
    for level in ("on", "off"):
        rows = (plain.runs["stock"] == "UO90") & (plain.runs["set_spring"] == level)
        rate[level] = plain.runs[kind][rows].sum() / plain.runs["cycles"][rows].sum()
    # Some 1,700 runs with the spring on, 700 off; logs of their rates scatter by about 0.35.
    assert_allclose(rate["on"] / rate["off"], ratio, rtol=0.06)


def test_static_shows_on_toner_alone(plain: Fleet) -> None:
    runs = plain.runs
    dry, usual_air = runs["humidity_pct"] <= 32, np.abs(runs["humidity_pct"] - 50) <= 3
    for codes, at_28 in ((("UT80", "CT135"), 2.5), (("UO90", "UO60"), 1.0)):
        of = np.isin(runs["stock"], codes)
        dry_rate, usual_rate = (
            runs["doubles"][of & air].sum() / runs["cycles"][of & air].sum()
            for air in (dry, usual_air)
        )
        # At the 28 % that such runs have about: what all paper has, by hand, times the toner's.
        assert_allclose(dry_rate / usual_rate, at_28 * np.exp(0.0004 * 22**2), rtol=0.2)


def test_the_air_s_truth_by_hand(usual: Fleet) -> None:
    air = usual.truth.humidity
    h = np.array([20, 38, 50, 70])
    general = np.exp(0.0004 * np.array([30**2, 12**2, 0, 0]))
    assert_allclose(air("doubles", "inkjet", h), general)
    # The logistic curve is half of its way at its centre.
    toner = np.array([2.5, 2.5**0.5, 1, 1])
    assert_allclose(air("doubles", "toner", h), general * toner, rtol=0.003)
    assert air("doubles", "toner", 50) == 1
    for printed_by in ("toner", "offset"):
        assert_allclose(air("misses", printed_by, h), [1, 1, 1, np.exp(0.2)])


@pytest.mark.parametrize("kind", KINDS)
def test_faults_come_as_often_as_expected(plain: Fleet, usual: Fleet, kind: str) -> None:
    count, expected = plain.runs[kind].sum(), plain.expected[kind].sum()
    assert abs(count - expected) < 4 * np.sqrt(expected)
    # In clusters, a run's faults vary by 0.3 of the square of what is expected of them besides.
    count, expected = usual.runs[kind], usual.expected[kind]
    run = np.unique(
        np.char.add(usual.runs["tower"].astype(str), usual.runs["run"].astype(str)),
        return_inverse=True,
    )[1]
    x, mu = np.bincount(run, count), np.bincount(run, expected)
    assert abs(count.sum() - mu.sum()) < 4 * np.sqrt((mu + 0.3 * mu**2).sum())
    assert 0.15 < ((x - mu) ** 2 - x).sum() / (mu**2).sum() < 0.45


def test_what_was_not_logged_is_there(usual: Fleet) -> None:
    runs, truth = usual.runs, usual.truth
    assert len(truth.moves) == 9 and len(truth.under_counted) == 3
    for move in truth.moves:
        assert 14 <= (move.last - move.first).astype(int) + 1 <= 35
        assert 0.6 <= move.ratio <= 1.7
    day = runs["started"].astype("datetime64[D]")
    count = expected = full = 0.0
    for tower, first, last in truth.under_counted:
        assert (first.astype(object).weekday(), last.astype(object).weekday()) == (0, 5)
        here = (runs["tower"] == tower) & (day >= first) & (day <= last)
        for kind in KINDS:
            count += runs[kind][here].sum()
            expected += usual.expected[kind][here].sum()
            full += usual.expected[kind][here].sum() / 0.3
    assert abs(count - expected) < 4 * np.sqrt(expected) < full - expected


def test_the_worn_bin_gets_worse_and_its_brush_stays_in(plain: Fleet) -> None:
    tower, bin_, part, kind, ratio = plain.truth.worn
    runs, services = plain.runs, plain.services
    mine = (services["tower"] == tower) & (services["bin"] == bin_) & (services["part"] == part)
    assert mine.sum() == 1
    worn = (runs["tower"] == tower) & (runs["bin"] == bin_)
    others = (runs["tower"] == tower) & (runs["bin"] != bin_)
    feeds = np.cumsum(runs["cycles"][worn])
    half = runs["started"][worn][np.searchsorted(feeds, feeds[-1] / 2)]
    late = runs["started"] >= half

    def change(rows: np.ndarray) -> float:
        early, after = rows & ~late, rows & late
        faults, feeds = runs[kind], runs["cycles"]
        return float(
            faults[after].sum() / feeds[after].sum() / (faults[early].sum() / feeds[early].sum())
        )

    # From the middle of one half to that of the other is half of all feeds.
    assert_allclose(change(worn) / change(others), ratio ** (feeds[-1] / 2 / 1e5), rtol=0.15)


def test_a_third_of_the_parts_is_replaced_one_by_one(usual: Fleet) -> None:
    when = usual.services["when"]
    assert (when < usual.runs["started"].min()).sum() == 60
    later = when[when > usual.runs["started"].min()]
    assert later.size == 20 and np.unique(later).size > 15


@pytest.mark.parametrize(
    "wrong", [{"bins": 4}, {"days": 27}, {"runs_per_day": 5}, {"variance": -1}]
)
def test_a_fleet_that_cannot_be_is_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="must be|needs"):
        fleet(1, **wrong)  # type: ignore[arg-type]
