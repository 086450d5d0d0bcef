"""Did it help: windows, visits and sums by hand; ranges by scipy; luck among many, simulated."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from analysis.counts import Account
from analysis.judged import Judged
from analysis.service_log import Service, done, logged
from analysis.services import ServiceRow, services

START = dt.datetime(2031, 1, 6, 8)
BINS = {"A": [1, 2, 3]}
#: tower, bin, days after the start, feeds, faults, expected.
Run = tuple[str, int, float, float, float, float]


def judged(runs: Sequence[Run], *, variance: float = 0.0, kind: str = "doubles") -> Judged:
    """Return rows made by hand; runs of a tower that begin at one moment are one run."""
    places = tuple(sorted({(tower, number) for tower, number, *_ in runs}))
    index = {place: number for number, place in enumerate(places)}
    begins = {one: n for n, one in enumerate(sorted({(run[0], run[2]) for run in runs}))}
    started = [np.datetime64(START + dt.timedelta(days=days), "us") for _, _, days, *_ in runs]
    size = len(runs)
    return Judged(
        kind=kind,
        places=places,
        place=np.array([index[tower, number] for tower, number, *_ in runs]),
        run=np.array([begins[tower, days] for tower, _, days, *_ in runs]),
        started=np.array(started),
        feeds=np.array([float(run[3]) for run in runs]),
        faults=np.array([float(run[4]) for run in runs]),
        expected=np.array([float(run[5]) for run in runs]),
        level=np.ones(len(places)),
        between_bins=0.04,
        between_weeks=0.0,
        variance={tower: variance for tower, _ in places},
        parts=(),
        of_tower=(),
        effects={},
        ages=np.zeros((0, size)),
        kept=np.arange(size),
        account=Account(size, len(begins), 0, START, START),
    )


def act(days: float, bin: int | None = 1, **values: object) -> Service:
    given = {"of_tower": False, "part": "brush", "action": "fitted", "reason": "worn", **values}
    return Service(START + dt.timedelta(days=days), "A", bin, **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("part", "action", "anew"),
    [
        ("pile", "swapped", False),
        (" Paper", "swapped", False),
        ("brush", "swapped", True),
        ("brush", "inspected", False),
        ("", "adjusted", True),
    ],
)
def test_what_is_watched_begins_anew_when_something_was_done_to_the_bin(
    part: str, action: str, anew: bool
) -> None:
    assert act(3, part=part, action=action).begins_anew(("A", 1)) is anew


def told(acts: Sequence[Service], rows: Judged, until: float = 400) -> tuple[ServiceRow, ...]:
    kinds = {"doubles": rows}
    return services(acts, kinds, lambda _: "doubles", BINS, START + dt.timedelta(days=until))


def weekly(
    before: float, after: float, weeks: int = 26, bin: int = 1, expected: float = 2.0
) -> list[Run]:
    """Return a run a week, with some faults each in the first half and others in the second."""
    half = weeks // 2
    return [
        ("A", bin, 7.0 * week, 50_000, before if week < half else after, expected)
        for week in range(weeks)
    ]


class TestWhatIsCompared:
    def test_ninety_one_days_on_either_side_of_the_same_bin(self) -> None:
        runs = [
            ("A", 1, 8.9, 1_000, 50, 1),
            ("A", 1, 9.0, 1_000, 3, 2),
            ("A", 1, 99.9, 1_000, 4, 2),
            ("A", 1, 100.0, 1_000, 1, 3),
            ("A", 1, 190.9, 1_000, 2, 3),
            ("A", 1, 191.0, 1_000, 50, 1),
            ("A", 2, 100.0, 1_000, 50, 1),
        ]
        (row,) = told([act(100)], judged(runs))
        assert (row.before_count, row.before_expected, row.before_feeds) == (7, 4, 2_000)
        assert (row.after_count, row.after_expected, row.after_feeds) == (3, 6, 2_000)
        assert row.ratio_after == pytest.approx((3 / 6) / (7 / 4))

    def test_another_service_of_the_part_cuts_it_off_and_no_other_does(self) -> None:
        runs = [("A", 1, float(day), 1_000, 1, 1) for day in range(50, 150)]
        others = [
            act(90),
            act(120, action="cleaned"),
            act(95, 2),
            act(96, part="suction foot"),
            act(97, action="inspected"),
        ]
        row = next(r for r in told([act(100), *others], judged(runs)) if r.when.day == 16)
        assert row.when == START + dt.timedelta(days=100)
        assert (row.before_count, row.after_count) == (10, 20)

    def test_an_overhaul_without_a_part_cuts_off_all(self) -> None:
        runs = [("A", 1, float(day), 1_000, 1, 1) for day in range(50, 150)]
        acts = [act(100), act(110, None, part="", action="overhauled")]
        assert told(acts, judged(runs))[0].after_count == 10

    def test_services_with_nothing_fed_between_are_one_visit(self) -> None:
        acts = [
            act(89, None, part="", action="overhauled"),
            act(90, None),
            act(90, None, part="suction foot"),
        ]
        rows = told(acts, judged(weekly(8, 2, 26)))
        assert [row.before_count for row in rows] == [8 * 13] * 3
        assert rows[1].together == ("overhauled", "suction foot fitted")
        assert rows[1].verdict == "helped"
        assert "on the same visit: overhauled and suction foot fitted" in rows[1].sentence()

    def test_every_bin_is_compared_together_by_its_own_level(self) -> None:
        # Bin 2 has ten times the faults of bin 1 at all times, and feeds only afterwards.
        runs = [("A", 1, 50.0, 1_000, 10, 10), ("A", 1, 120.0, 1_000, 10, 10)]
        runs.append(("A", 2, 120.0, 1_000, 100, 10))
        rows = replace(judged(runs), level=np.array([1.0, 10.0]))
        (row,) = told([act(100, None)], rows)
        assert (row.before_count, row.after_count) == (10, 110)
        assert row.after_expected == 10 + 100
        assert row.ratio_after == pytest.approx(1.0)

    def test_a_kind_that_was_never_logged_is_not_compared(self) -> None:
        (row,) = services([act(100)], {}, lambda _: "misses", BINS, None)
        assert math.isnan(row.ratio_after)
        assert row.verdict == "nothing before it"


class TestTheRange:
    def test_is_the_exact_conditional_one_by_scipy(self) -> None:
        # 26 faults where 20 were expected, then 9 where 25 were: the share of those after is
        # binomial, and its Clopper-Pearson limits are those of the ratio.
        runs = [("A", 1, 50.0, 1_000, 26, 20), ("A", 1, 120.0, 1_000, 9, 25)]
        (row,) = told([act(100)], judged(runs))
        limits = stats.binomtest(9, 35).proportion_ci(0.95, "exact")
        low, high = (end / (1 - end) * 20 / 25 for end in (limits.low, limits.high))
        assert (row.low, row.high) == pytest.approx((low, high), rel=1e-9)

    def test_runs_that_differ_widen_it_all_bins_of_a_run_together(self) -> None:
        one = [run for bin in (1, 2) for run in weekly(6, 3, bin=bin)]
        narrow = told([act(91, None)], judged(one))[0]
        wide = told([act(91, None)], judged(one, variance=0.4))[0]
        assert wide.ratio_after == narrow.ratio_after
        assert wide.low < narrow.low < narrow.high < wide.high
        # Two bins of one run share what was drawn for it: they say less than two runs.
        apart = [(t, b, day + 0.1 * b, *rest) for t, b, day, *rest in one]
        shared = told([act(91, None)], judged(apart, variance=0.4))[0]  # type: ignore[arg-type]
        assert wide.low < shared.low < shared.high < wide.high

    @pytest.mark.parametrize("side", ["before", "after"])
    def test_one_long_run_on_either_side_says_little(self, side: str) -> None:
        # 80 days of single runs beside one run with as many feeds, which had one draw for all.
        many = [("A", 1, float(day), 1_000, 1, 1) for day in range(10, 90)]
        single = [("A", 1, 92.0, 80_000, 80, 80)]
        if side == "before":
            many = [(*run[:2], run[2] + 85, *run[3:]) for run in many]
            single = [("A", 1, 88.0, 80_000, 80, 80)]
        runs: list[Run] = sorted([*many, *single], key=lambda run: run[2])
        plain = told([act(90)], judged(runs))[0]
        wide = told([act(90)], judged(runs, variance=0.4))[0]
        # The single run alone has a coefficient of variation of 0.63: a factor of 3 or so.
        assert wide.high > 2 * plain.high
        assert wide.low < plain.low / 2

    def test_without_a_fault_before_it_there_is_no_upper_end(self) -> None:
        runs = [("A", 1, 50.0, 1_000, 0, 3), ("A", 1, 120.0, 1_000, 2, 3)]
        (row,) = told([act(100)], judged(runs))
        assert math.isnan(row.ratio_after)
        assert row.high == math.inf
        assert row.verdict == "too few feeds yet"
        more = told([act(100)], judged([runs[0], ("A", 1, 120.0, 1_000, 9, 3)]))[0]
        assert more.verdict == "worse"
        assert "0 doubles in 1,000 feeds before it" in more.sentence()
        assert "nan" not in more.sentence()


class TestTheVerdict:
    @pytest.mark.parametrize(
        ("before", "after", "verdict"),
        [
            (10, 3, "helped"),
            (3, 10, "worse"),
            (10, 9.9, "did not help"),
            (0.5, 0.4, "too few feeds yet"),
        ],
    )
    def test_by_the_range(self, before: float, after: float, verdict: str) -> None:
        weeks = [(t, b, d, f, round(x), e) for t, b, d, f, x, e in weekly(before, after)]
        assert told([act(91)], judged(weeks))[0].verdict == verdict

    def test_nothing_on_one_side(self) -> None:
        rows = judged(weekly(5, 5))
        assert told([act(-1)], rows)[0].verdict == "nothing before it"
        late = told([act(200)], rows)[0]
        assert late.verdict == "too few feeds yet"

    def test_is_adjusted_for_the_number_of_services_as_statsmodels_does(self) -> None:
        runs: list[Run] = []
        for bin, after in ((1, 1), (2, 4), (3, 3)):
            runs += weekly(5, after, bin=bin)
        acts = [act(91, bin) for bin in (1, 2, 3)]
        rows = told([*acts, act(50, 1, action="inspected")], judged(runs))
        alone = [told([one], judged(runs))[0].p_adjusted for one in acts]
        expected = multipletests(alone, method="fdr_bh")[1]
        found = [row.p_adjusted for row in rows if row.action == "fitted"]
        assert found == pytest.approx(list(expected), rel=1e-12)

    def test_luck_among_many_seldom_passes_for_help(self) -> None:
        # 300 bins on which nothing changes, runs that differ by 60 %; seeded.
        random = np.random.default_rng(20310106)
        rate = random.gamma(1 / 0.36, 0.36, size=(300, 26))
        faults = random.poisson(3.0 * rate)
        runs: list[Run] = [
            ("A", bin + 1, 7.0 * week + bin * 1e-3, 50_000, float(faults[bin, week]), 3.0)
            for bin in range(300)
            for week in range(26)
        ]
        bins = {"A": list(range(1, 301))}
        rows = services(
            [act(91, bin) for bin in bins["A"]],
            {"doubles": judged(runs, variance=0.36)},
            lambda _: "doubles",
            bins,
            START + dt.timedelta(days=190),
        )
        outside = sum(not row.low <= 1 <= row.high for row in rows)
        # A 95 % range errs in at most 15 of 300, and by chance up to 3 standard errors more.
        assert outside <= 15 + 3 * math.sqrt(300 * 0.05 * 0.95)
        assert sum(row.verdict in ("helped", "worse") for row in rows) <= 1


class TestWhatIsOdd:
    rows = judged(weekly(5, 5))

    def test_a_date_after_the_log_a_tower_and_a_bin_that_are_not_there(self) -> None:
        until = 26 * 7
        acts = [
            act(until + 1),
            act(until + 366),
            act(91, 4),
            replace(act(91), tower="Z"),
        ]
        soon, late, bin, tower = told(acts, self.rows, until)
        assert soon.warning.startswith("dated after the last run of the log (7 July 2031); ")
        assert "left out" in late.warning
        assert "tower A has no bin 4 in the run log or the tower list" in bin.warning
        assert "tower Z is neither in the run log nor in the tower list" in tower.warning
        for row in (soon, late, bin, tower):
            assert math.isnan(row.ratio_after)
            assert row.warning in row.sentence()

    def test_an_inspection_is_told_as_one(self) -> None:
        row = told([act(91, action="inspected")], judged(weekly(8, 2)))[0]
        assert not row.changed
        assert "nothing was changed" in row.sentence()


def test_sentences_are_plain_and_hold_the_evidence() -> None:
    (row,) = told([act(91)], judged(weekly(10, 3)))
    assert row.sentence() == (
        "Bin 1 of tower A, 7 April 2031, brush fitted: it helped: 0.30 times the doubles "
        "(0.20 to 0.43), 130 doubles in 650,000 feeds before it, where 26 would be usual, and 39 "
        "in 650,000 after it, where 26 would be."
    )
    every = replace(row, bin=None, before_feeds=0)
    assert every.sentence() == (
        "Every bin of tower A, 7 April 2031, brush fitted: nothing to compare, since no production "
        "was logged before it."
    )
    assert replace(row, bin=None, of_tower=True).where == "tower A"


def test_lines_of_the_log_are_read_in_order_of_time() -> None:
    line = {
        "when": START.replace(tzinfo=dt.UTC),
        "tower": "A",
        "bin": None,
        "of_tower": True,
        "part": " Pump ",
        "action": "fitted",
        "reason": None,
    }
    earlier = line | {"when": START - dt.timedelta(days=1), "part": None, "action": "overhauled"}
    first, second = done([line, earlier])
    assert (first.part, first.action) == ("", "overhauled")
    assert second == Service(START, "A", None, True, "pump", "fitted", "")
    assert done([line, earlier], START - dt.timedelta(hours=1)) == [first]
    # As they stand, where what was done is told in the crew's own words.
    assert [one.part for one in logged([line, earlier])] == [" Pump ", ""]
