"""Is a swap worth while for this bin, and with which neighbour?"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.swap_advice import LATELY_DAYS, swap_for
from analysis.swap_readings import Seen, SwapReading, read_swap
from analysis.tower_rows import Rows
from tests.analysis.one_tower import day, tower

RUNS = 200


def raised(where: Any, number: float = 4.0, **values: Any) -> Rows:
    # The same paper in all bins, so that any two can be exchanged.
    rows = tower(RUNS, **values)
    rows = replace(rows, stock=rows.stock * 0)
    return replace(rows, faults=np.where(where(rows), number, rows.faults))


def test_a_bin_with_four_times_the_faults_is_swapped_with_the_nearest() -> None:
    found = swap_for(raised(lambda r: r.bin == 2), "A", 2, "doubles", None)
    assert found is not None
    assert (found.what, found.then, found.kind) == ("piles", "brushes", "doubles")
    assert found.other_bin in (1, 3)
    # The last 91 days, a run a day: 364 where 91 are usual. One fault steadies each side.
    assert found.ratio == pytest.approx(365 / 92)
    assert found.rate == pytest.approx(365 / 92 * 91 / (91 * 10_000))
    assert found.cycles_before == LATELY_DAYS * 10_000
    assert found.cycles is not None and found.days is not None
    # Each bin feeds 10,000 a day.
    assert found.days == pytest.approx((found.cycles + found.more_before) / 10_000)


def test_where_the_piles_have_told_that_it_is_the_bin_its_part_is_next() -> None:
    rows, last = raised(lambda r: r.bin == 2), day(RUNS)
    few, many, usual = Seen(90_000, 10, 12), Seen(90_000, 40, 12), Seen(40_000, 6, 5.5)
    when = last - dt.timedelta(days=20)

    def next_one(moment: dt.datetime, after: tuple[Seen, Seen], kind: str = "doubles") -> str:
        read = read_swap("A", (2, 3), "paper", moment, (many, few), after, kind=kind)
        found = swap_for(rows, "A", 2, "doubles", None, (read,))
        assert found is not None
        return found.what

    stayed = (Seen(40_000, 19, 5.5), usual)
    assert next_one(when, stayed) == "brushes"
    # What went with the paper, what is of the other kind, and what was long ago say nothing of it.
    assert next_one(when, stayed[::-1]) == "piles"
    assert next_one(when, stayed, "misses") == "piles"
    assert next_one(last - dt.timedelta(days=120), stayed) == "piles"


@pytest.mark.parametrize(("kind", "part"), [("doubles", "brush"), ("misses", "suction foot")])
def test_what_stayed_when_each_was_exchanged_is_not_exchanged_again(kind: str, part: str) -> None:
    rows, last = raised(lambda r: r.bin == 2), day(RUNS)
    few, many, usual = Seen(90_000, 10, 12), Seen(90_000, 40, 12), Seen(40_000, 6, 5.5)
    stayed = (Seen(40_000, 19, 5.5), usual)

    def told(part: str, days: float) -> SwapReading:
        when = last - dt.timedelta(days=days)
        return read_swap("A", (2, 3), part, when, (many, few), stayed, kind=kind)

    found = swap_for(rows, "A", 2, kind, None, (told("paper", 40), told(part, 20)))
    assert found is not None
    assert (found.other_bin, found.cycles, found.then) == (None, None, "")
    things = {"brush": "brushes", "suction foot": "suction feet"}[part]
    assert found.sentence() == (
        f"No swap test for bin 2 of tower A: the {kind} stayed in it when the piles and {things} "
        "were exchanged, so that it is something else in this bin."
    )
    # The part alone says nothing of the paper.
    alone = swap_for(rows, "A", 2, kind, None, (told(part, 20),))
    assert alone is not None and alone.what == "piles" and alone.cycles is not None


def test_where_it_began_is_what_counts() -> None:
    since = np.datetime64(day(RUNS - 30))
    rows = raised(lambda r: (r.bin == 2) & (r.run >= RUNS - 30))
    found = swap_for(rows, "A", 2, "doubles", since)
    assert found is not None
    assert found.cycles_before == 30 * 10_000
    assert found.ratio == pytest.approx(121 / 31)


def test_what_all_have_of_late_is_taken_out() -> None:
    rows = raised(lambda r: r.bin > 0, 4.0)
    assert swap_for(rows, "A", 2, "doubles", None) is None
    rows = replace(rows, faults=np.where(rows.bin == 2, 12.0, rows.faults))
    found = swap_for(rows, "A", 2, "doubles", None)
    assert found is not None and found.ratio == pytest.approx(3.0, rel=0.01)


def test_none_for_a_bin_that_is_well_again() -> None:
    rows = raised(lambda r: (r.bin == 2) & (r.run < RUNS - LATELY_DAYS))
    assert swap_for(rows, "A", 2, "doubles", None) is None


def test_none_for_a_bin_that_stands_empty_of_late() -> None:
    rows = raised(lambda r: r.bin == 2)
    gone = (rows.bin == 2) & (rows.run >= RUNS - LATELY_DAYS)
    rows = replace(
        rows,
        feeds=np.where(gone, 0, rows.feeds),
        expected=np.where(gone, 0, rows.expected),
        faults=np.where(gone, 0, rows.faults),
    )
    assert swap_for(rows, "A", 2, "doubles", None) is None


def test_a_neighbour_that_is_no_better_is_passed_over() -> None:
    rows = raised(lambda r: (r.bin == 2) | (r.bin == 1), bins=12)
    rows = replace(rows, faults=np.where(rows.bin == 3, 3.0, rows.faults))
    found = swap_for(rows, "A", 2, "doubles", None)
    assert found is not None and found.other_bin == 4


def test_without_a_bin_on_the_same_paper_it_says_so() -> None:
    rows = raised(lambda r: r.bin == 2)
    # Bin 2 alone ran cover.
    rows = replace(rows, stock=np.where(rows.bin == 2, 2, 0))
    found = swap_for(rows, "A", 2, "doubles", None)
    assert found is not None and found.other_bin is None and found.cycles is None
    assert "no other bin of tower A runs the same paper" in found.sentence()
