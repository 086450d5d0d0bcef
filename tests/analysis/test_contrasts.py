"""What speaks for a cause, and what against it: ratios counted by hand, ranges by another route."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from analysis.contrasts import Contrast, against_neighbours, for_and_against, said
from analysis.explaining import Evidence, every_bin, one_bin
from analysis.tower_rows import Rows
from tests.analysis.one_tower import pattern, service, tower

SINCE = {"when": ("since a service",)}


def of_bin(rows: Rows, **values: Any) -> Evidence:
    (found,) = one_bin(rows, 1, [pattern(**values)])
    return found


def of_every(rows: Rows, **values: Any) -> Evidence:
    (found,) = every_bin(rows, [pattern(every_bin=True, **values)])
    return found


def told(rows: Rows, evidence: Evidence, bin: int | None = 1) -> tuple[dict[str, Contrast], ...]:
    """Return contrasts for and against, by what is set beside what."""
    both = for_and_against(rows, evidence, "A", bin)
    return tuple({one.contrast: one for one in side} for side in both)


def with_faults(rows: Rows, number: float, where: Any) -> Rows:
    return replace(rows, faults=np.where(where, number, rows.faults))


def exact(x1: float, e1: float, x2: float, e2: float) -> tuple[float, float]:
    """Return the 95 % range of a rate ratio, by Clopper's and Pearson's range of a share."""
    low = float(stats.beta.ppf(0.025, x1, x2 + 1)) if x1 else 0.0
    high = float(stats.beta.ppf(0.975, x1 + 1, x2)) if x2 else 1.0
    ends = [share / (1 - share) * e2 / e1 if share < 1 else math.inf for share in (low, high)]
    return ends[0], ends[1]


class TestAgainstNeighbours:
    def test_it_is_the_ratio_of_counts_over_what_was_expected(self) -> None:
        # By hand: 3 faults in each of 60 runs where 1 is expected, beside 180 where 180 are.
        rows = with_faults(tower(), 3.0, tower().bin == 1)
        found = against_neighbours(rows, "A", 1)
        assert found is not None
        assert found.contrast == "bin 1 against the other bins of tower A"
        assert (found.ratio, found.count, found.feeds) == (3.0, 180, 600_000)
        assert found.expected == pytest.approx(60)
        low, high = exact(180, 60, 180, 180)
        assert (found.low, found.high) == pytest.approx((low, high), rel=1e-5)

    def test_runs_that_differ_make_its_range_wider(self) -> None:
        rows = with_faults(tower(variance=0.5), 3.0, tower().bin == 1)
        wide, narrow = (
            against_neighbours(rows, "A", 1),
            against_neighbours(replace(rows, variance=0.0), "A", 1),
        )
        assert wide is not None and narrow is not None
        assert wide.ratio == narrow.ratio
        assert wide.low < narrow.low and wide.high > narrow.high

    def test_without_a_fault_among_the_neighbours_it_is_at_least_so_many_times(self) -> None:
        rows = with_faults(tower(runs=6, bins=2), 0.0, tower(runs=6, bins=2).bin == 2)
        found = against_neighbours(rows, "A", 1)
        assert found is not None
        low, _ = exact(6, 6, 0, 6)
        assert (found.ratio, found.high) == (math.inf, math.inf)
        assert found.low == pytest.approx(low, rel=1e-5)
        # 0.025 to the power of 1/6, as a share: 0.5407 to 0.4593, 1.177 times.
        assert found.sentence() == (
            "bin 1 against the other bins of tower A: at least 1.1 times (6 beside none)"
        )

    def test_where_nothing_is_expected_or_seen_there_is_none(self) -> None:
        rows = tower(runs=6)
        assert against_neighbours(replace(rows, faults=rows.faults * 0), "A", 1) is None
        assert against_neighbours(replace(rows, expected=rows.expected * 0.1), "A", 1) is None


class TestForAndAgainst:
    def test_a_bin_that_rose_on_every_paper_has_all_for_it(self) -> None:
        rows = tower(services=(service(30),))
        rows = with_faults(rows, 3.0, (rows.bin == 1) & (rows.run >= 30))
        evidence = of_bin(rows, **SINCE)
        supports, against = told(rows, evidence)
        assert not against
        assert list(supports) == [
            "bin 1 against the other bins of tower A since 5 February 2031",
            "since 5 February 2031 against before",
            "toner-printed paper against the rest",
            "heavy (from 200 g/m2) or large (above A4) paper against the rest",
        ]
        beside, before, toner, heavy = supports.values()
        # 90 where 30 are expected; its neighbours had 90 of 90, itself 30 of 30 before.
        assert (beside.count, before.count) == (90, 90)
        assert (beside.ratio, before.ratio) == (pytest.approx(3.0), pytest.approx(3.0))
        assert (beside.expected, before.expected) == (pytest.approx(30), pytest.approx(30))
        assert (beside.low, beside.high) == pytest.approx(exact(90, 30, 90, 90), rel=1e-5)
        assert (before.low, before.high) == pytest.approx(exact(90, 30, 30, 30), rel=1e-5)
        # Ten runs of each paper before, ten after: 10 and 30 beside 20 and 60 of the others.
        assert (toner.count, heavy.count) == (40, 40)
        assert (toner.ratio, heavy.ratio) == (pytest.approx(1.0), pytest.approx(1.0))

    def test_a_bin_that_did_not_rise_has_it_against(self) -> None:
        rows = tower(runs=200, services=(service(100),))
        supports, against = told(rows, of_bin(rows, **SINCE))
        title = "bin 1 against the other bins of tower A since 16 April 2031"
        assert list(against) == [title, "since 16 April 2031 against before"]
        assert against[title].ratio == pytest.approx(1.0)
        assert "toner-printed paper against the rest" in supports

    def test_a_rise_on_one_paper_speaks_against_what_shows_on_all(self) -> None:
        rows = tower(runs=120, services=(service(60),))
        hit = (rows.bin == 1) & (rows.run >= 60) & rows.paper["toner"]
        supports, against = told(with_faults(rows, 6.0, hit), of_bin(rows, **SINCE))
        assert "toner-printed paper against the rest" in against
        assert "bin 1 against the other bins of tower A since 7 March 2031" in supports

    def test_air_that_came_with_the_trouble_is_not_against_it(self) -> None:
        # Dry in three of four runs since bin 1 rose, and in one of four before.
        rows = tower(runs=120, services=(service(60),))
        later = rows.run >= 60
        dry = (rows.run % 4 == 0) != later
        rows = replace(rows, humidity=np.where(dry, 30.0, 50.0))
        rows = with_faults(rows, 3.0, (rows.bin == 1) & later)
        evidence = of_bin(rows, **SINCE)
        supports, against = told(rows, evidence)
        assert not against
        # Of bin 1, by hand: dry 15 runs before and 45 after, damp 45 before and 15 after.
        ratio = (
            (15 + 45 * 3) / (45 + 15 * 3) * (45 + 15 * evidence.ratio) / (15 + 45 * evidence.ratio)
        )
        assert supports["dry air (below 40 %) against other air"].ratio == pytest.approx(ratio)
        assert ratio == pytest.approx(1.0, abs=0.1)

    def test_what_says_next_to_nothing_is_left_out(self) -> None:
        rows = tower(runs=9, services=(service(5),))
        supports, against = told(rows, of_bin(rows, **SINCE))
        # Four beside five: a range from 0.2 to 4 and more.
        assert "since 11 January 2031 against before" not in {**supports, **against}

    def test_age_sets_old_beside_new(self) -> None:
        rows = tower(runs=100)
        rows = replace(rows, ages={"brush": rows.run * 1000.0})
        rows = with_faults(rows, 4.0, (rows.bin == 1) & (rows.run >= 60))
        evidence = of_bin(rows, when=("with the age of the brush",))
        assert evidence.told is not None
        z = evidence.told.z[rows.bin == 1]
        old, new = z >= 0.5, z <= 0.34
        own = rows.faults[rows.bin == 1]
        supports, _ = told(rows, evidence)
        found = supports["with an old brush against a newer one"]
        assert found.count == own[old].sum()
        assert found.ratio == pytest.approx(own[old].mean() / own[new].mean())

    def test_a_pattern_of_paper_and_air_is_set_beside_the_same_paper_otherwise(self) -> None:
        rows = tower(runs=90)
        dry = rows.run % 2 == 0
        hit = dry & rows.paper["toner"]
        rows = with_faults(replace(rows, humidity=np.where(dry, 30.0, 50.0)), 3.0, hit)
        supports, against = told(rows, of_every(rows, paper=("toner",), air="dry"), None)
        (title,) = supports
        assert title == (
            "toner-printed paper in dry air against the same toner-printed paper otherwise"
        )
        assert not against
        toner = rows.paper["toner"]
        assert supports[title].count == 3 * (toner & dry).sum()
        assert supports[title].ratio == pytest.approx(3.0)

    def test_a_pattern_that_the_log_cannot_show_has_none(self) -> None:
        rows = tower()
        assert told(rows, of_bin(rows, paper=("light",))) == ({}, {})


class TestSaid:
    def test_a_service_is_named_with_its_day(self) -> None:
        rows = tower(services=(service(30),))
        rows = with_faults(rows, 3.0, (rows.bin == 1) & (rows.run >= 30))
        evidence = replace(of_bin(rows, **SINCE), ratio=2.84, low=1.9, high=4.1)
        assert said(evidence, "doubles") == (
            "2.8 times the doubles (1.9 to 4.1) since brush adjusted on 5 February 2031; it rattles"
        )

    def test_each_way_has_its_words(self) -> None:
        rows = tower(runs=90, services=(service(60, action="fitted"),))
        rows = replace(rows, ages={"brush": rows.run * 1000.0})
        rise = (rows.bin == 1) & (rows.run >= 30) & (rows.run < 60)
        rows = with_faults(rows, 5.0, rise)
        begun = said(of_bin(rows, when=("at once",)), "doubles")
        assert " times the doubles (" in begun and ") since about " in begun
        assert begun.endswith(" until 7 March 2031; it rattles")
        slow = said(of_bin(rows, when=("little by little",)), "doubles")
        assert "coming little by little since about " in slow
        old = said(of_bin(rows, when=("with the age of the brush",)), "doubles")
        assert old.endswith(") at the greatest age of the brush; it rattles")
        assert said(of_bin(rows, paper=("toner",)), "doubles").endswith(
            ") where it is at work; it rattles"
        )
        stock = of_every(rows, when=("at once",), paper=("one stock",))
        assert stock.told is not None
        assert f" on {stock.told.words} since about " in said(stock, "doubles")

    def test_what_cannot_be_looked_for_is_said_so(self) -> None:
        assert said(of_bin(tower(), paper=("light",)), "doubles") == (
            "it cannot be looked for, since no paper that is light was run"
        )
