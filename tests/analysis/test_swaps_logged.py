"""Readings of swaps against scipy.stats, and swaps found in invented logs."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from scipy import stats

from analysis.counts import Account
from analysis.judged import Judged
from analysis.swap_readings import Seen, SwapReading, exchanged, read_swap
from analysis.swaps_logged import swaps_in_log

START = dt.datetime(2031, 3, 3, 8)
SWAPPED = START + dt.timedelta(days=40)
CYCLES = 5_000
BEFORE = (Seen(90_000, 40, 12), Seen(90_000, 11, 12))


def read(
    after: tuple[Seen, Seen], before: tuple[Seen, Seen] = BEFORE, **others: object
) -> SwapReading:
    given = {"kind": "doubles"} | others
    return read_swap("A", (7, 6), "pile", SWAPPED, before, after, **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("counts", "verdict", "said"),
    [
        ((6, 19), "follows the paper", "the doubles went with the paper to bin 6."),
        ((19, 6), "stays with the bin", "the doubles stayed in bin 7."),
        ((6, 5), "gone", "taking things out and putting them back cured it, or it was luck."),
        ((21, 22), "some of each", "both have a share in it."),
    ],
)
def test_each_verdict_is_said(counts: tuple[int, int], verdict: str, said: str) -> None:
    found = read((Seen(40_000, counts[0], 5.5), Seen(40_000, counts[1], 5.5)))
    assert found.verdict == verdict
    assert said in found.sentence()
    assert "After the piles of bins 7 and 6 of tower A were exchanged on 12 April 2031" in (
        found.sentence()
    )
    assert f"with {counts[0]} and {counts[1]} in 40,000 cycles" in found.sentence()


def test_what_stays_is_followed_by_the_next_exchange() -> None:
    after = (Seen(40_000, 19, 5.5), Seen(40_000, 6, 5.5))
    assert read(after).sentence().endswith("Exchange the brushes next.")
    assert read(after, kind="misses").sentence().endswith("Exchange the suction feet next.")
    feet = read_swap("A", (7, 6), "suction foot", SWAPPED, BEFORE, after[::-1], kind="misses")
    assert feet.verdict == "follows the suction foot"
    assert "the misses went with the suction foot to bin 6" in feet.sentence()
    kept = read_swap("A", (7, 6), "brush", SWAPPED, BEFORE, after, kind="doubles")
    assert kept.verdict == "stays with the bin"
    assert not kept.sentence().endswith("next.")


def test_ratios_have_the_exact_range_of_two_counts() -> None:
    found = read((Seen(40_000, 6, 5), Seen(40_000, 19, 5)))
    # Given the sum, the share of the first; as odds, since both were expected to have as many.
    share = stats.binomtest(6, 25).proportion_ci(0.95)
    odds = [share.low / (1 - share.low), share.high / (1 - share.high)]
    np.testing.assert_allclose([found.ratio_after.low, found.ratio_after.high], odds, rtol=1e-9)
    assert found.ratio_after.ratio == pytest.approx(6 / 19)
    assert found.ratio_before.ratio == pytest.approx(40 / 11)


def test_the_bin_with_the_excess_is_the_suspect_whatever_the_order() -> None:
    after = (Seen(40_000, 6, 5.5), Seen(40_000, 19, 5.5))
    turned = read_swap("A", (6, 7), "pile", SWAPPED, BEFORE[::-1], after[::-1], kind="doubles")
    assert turned == read(after)
    assert turned.bins == (7, 6)


def test_a_partner_with_a_level_of_its_own_is_allowed_for() -> None:
    """What it had before is expected of it after: no excess has come to it."""
    before = (Seen(900_000, 400, 120), Seen(900_000, 240, 120))
    after = (Seen(40_000, 6, 6), Seen(40_000, 13, 6))
    assert read(after, (before[0], Seen(900_000, 120, 120))).verdict == "follows the paper"
    assert read(after, before).verdict != "follows the paper"


def test_not_yet_says_how_many_more_cycles() -> None:
    none = read((Seen(0, 0, 0), Seen(0, 0, 0)))
    assert none.verdict == "not yet"
    assert none.more_cycles is not None
    assert math.isnan(none.ratio_after.ratio)
    some = read((Seen(10_000, 3, 1.3), Seen(10_000, 2, 1.3)))
    assert some.verdict == "not yet"
    assert 0 < (some.more_cycles or 0) < none.more_cycles
    assert (
        f"it cannot be told yet where the doubles went; log about {some.more_cycles:,} more cycles "
        "before exchanging anything else." in some.sentence()
    )


def test_without_an_excess_before_nothing_can_move() -> None:
    level = (Seen(90_000, 11, 12), Seen(90_000, 10, 12))
    found = read((Seen(40_000, 20, 5), Seen(40_000, 2, 5)), level)
    assert (found.verdict, found.more_cycles) == ("not yet", None)
    assert "before that neither bin had more doubles than was to be expected" in found.sentence()


def test_runs_that_differ_make_a_verdict_slower() -> None:
    assert read((Seen(40_000, 5, 5), Seen(40_000, 13, 5))).verdict == "follows the paper"
    wide = (Seen(40_000, 5, 5, 0.5), Seen(40_000, 13, 5, 0.5))
    assert read(wide).verdict == "not yet"


@pytest.mark.parametrize(
    ("bins", "faults", "said"),
    [((7, 7), 1.0, "a swap is between two bins"), ((7, 6), -1.0, "must be 0 or more")],
)
def test_what_cannot_be_is_refused(bins: tuple[int, int], faults: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        read_swap("A", bins, "pile", SWAPPED, BEFORE, (Seen(1, faults, 1), Seen(1, 1, 1)))


def test_words_for_parts() -> None:
    assert {exchanged(word) for word in ("Pile", " paper", "lift", "piles")} == {("piles", "paper")}
    assert exchanged("suction foot") == exchanged("Suction feet")


# --- swaps in a log -----------------------------------------------------------------------------


def log(
    faults: Mapping[tuple[int, str], float], days: int = 80, bins: Sequence[int] = (5, 6, 7)
) -> Judged:
    """Make a log of tower A: a run a day at eight, two expected faults for each bin and run.

    ``faults`` has those of every run by bin and by ``before`` or ``after`` the swap.
    """
    rows = [(bin, day) for day in range(days) for bin in bins]
    started = [START + dt.timedelta(days=day) for _, day in rows]
    count = len(rows)
    return Judged(
        kind="doubles",
        places=tuple(("A", bin) for bin in bins),
        place=np.array([bins.index(bin) for bin, _ in rows]),
        run=np.array([day for _, day in rows]),
        started=np.array(started, dtype="datetime64[us]"),
        feeds=np.full(count, float(CYCLES)),
        faults=np.array(
            [
                faults.get((bin, "before" if when < SWAPPED else "after"), 2.0)
                for (bin, _), when in zip(rows, started, strict=True)
            ]
        ),
        expected=np.full(count, 2.0),
        level=np.ones(len(bins)),
        between_bins=0.04,
        between_weeks=0.01,
        variance={"A": 0.1},
        parts=(),
        of_tower=(),
        effects={},
        ages=np.zeros((0, count)),
        kept=np.arange(count),
        account=Account(rows=count, runs=days, feeds=count * CYCLES, first=None, last=None),
    )


FOLLOWED = {(7, "before"): 8.0, (6, "after"): 8.0}


def service(
    days: float, bin: int | None, part: str = "pile", **others: object
) -> dict[str, object]:
    return {
        "when": (START + dt.timedelta(days=days)).replace(tzinfo=dt.timezone.utc),  # noqa: UP017
        "tower": "A",
        "bin": bin,
        "of_tower": False,
        "part": part,
        "action": "swapped",
    } | others


MINUTE = 1 / 1440


def test_two_entries_within_ten_minutes_are_a_swap() -> None:
    found = swaps_in_log([service(40, 7), service(40 + 9 * MINUTE, 6, "lift")], log(FOLLOWED))
    (reading,) = found.readings
    assert (reading.bins, reading.what, reading.kind) == ((7, 6), "piles", "doubles")
    assert reading.verdict == "follows the paper"
    # 40 runs before. The run that began with the first entry was under way at the second.
    assert [side.feeds for side in reading.before] == [41 * CYCLES] * 2
    assert [side.feeds for side in reading.after] == [39 * CYCLES] * 2
    assert reading.after[1].faults == 39 * 8
    assert not found.doubts
    assert found.of("A", 6) == found.readings
    assert found.of("A", 5) == ()


def test_what_stays_is_told_too() -> None:
    stayed = {(7, "before"): 8.0, (7, "after"): 8.0}
    pair = [service(39.9, 6, "brush"), service(39.9, 7, "brush")]
    (reading,) = swaps_in_log(pair, log(stayed)).readings
    assert (reading.what, reading.verdict) == ("brushes", "stays with the bin")
    # Forty runs of two expected faults: v / 40.
    assert reading.before[0].relative_variance == pytest.approx(0.1 / 40)


def test_entries_that_make_no_pair_are_doubts() -> None:
    late = swaps_in_log([service(40, 7), service(40 + 11 * MINUTE, 6)], log(FOLLOWED))
    assert not late.readings
    assert len(late.doubts) == 2
    assert "names bin 7, where a swap is between two" in late.doubts[0]
    other = swaps_in_log([service(40, 7), service(40, 6, "brush")], log(FOLLOWED))
    assert not other.readings
    three = swaps_in_log([service(40, bin) for bin in (5, 6, 7)], log(FOLLOWED))
    assert "names bins 5, 6 and 7" in three.doubts[0]
    unknown = swaps_in_log([service(40, 7), service(40, 9)], log(FOLLOWED))
    assert "the run log has no feeds of one of them" in unknown.doubts[0]


def test_two_swaps_in_a_few_minutes_are_told_apart_by_their_moments() -> None:
    rows = [service(40, 7), service(40, 6), service(40 + MINUTE, 4), service(40 + MINUTE, 5)]
    found = swaps_in_log(rows, log(FOLLOWED, bins=(4, 5, 6, 7)))
    assert {reading.bins for reading in found.readings} >= {(7, 6)}
    assert len(found.readings) == 2


def test_services_of_either_bin_bound_before_and_after() -> None:
    pair = [service(39.9, 7), service(39.9, 6)]
    rows = [
        service(30, 6, "brush", action="cleaned"),
        service(35, 7, "brush", action="inspected"),
        service(36, None, "brush", action="cleaned"),
        service(37, 5, "brush", action="fitted"),
        service(38, None, "pump", action="fitted", of_tower=True),
        service(60, 7, "brush", action="fitted"),
    ]
    (reading,) = swaps_in_log(pair + rows, log(FOLLOWED)).readings
    assert reading.before[0].feeds == 10 * CYCLES
    assert reading.after[0].feeds == 20 * CYCLES


def test_before_is_91_days_at_most() -> None:
    pair = [service(99.9, 7), service(99.9, 6)]
    (reading,) = swaps_in_log(pair, log(FOLLOWED, days=120)).readings
    assert reading.before[0].feeds == 91 * CYCLES


def test_exchanging_back_ends_it_and_is_a_swap_of_its_own() -> None:
    rows = [service(day, bin) for day in (39.9, 50.9) for bin in (6, 7)]
    first, second = swaps_in_log(rows, log(FOLLOWED)).readings
    assert first.after[0].feeds == second.before[0].feeds == 11 * CYCLES
    assert first.verdict == "follows the paper"
    # The invented excess stayed in bin 6 when the piles came back.
    assert (second.bins, second.verdict) == ((6, 7), "stays with the bin")


def test_something_else_done_at_the_time_is_a_doubt() -> None:
    rows = [service(39.9, 7), service(39.9, 6), service(39.9, 7, "brush", action="cleaned")]
    found = swaps_in_log(rows, log(FOLLOWED))
    assert len(found.readings) == 1
    assert "brush of bin 7 was cleaned then as well, which may be what helped" in found.doubts[0]


def lots(
    days: int, of: Mapping[int, Sequence[tuple[int, str]]], stretches: Sequence[int] = ()
) -> list[dict[str, object]]:
    """Make the lots of bins, each from a day on; some runs have a second stretch at noon.

    A change on such a day comes with the second stretch.
    """
    rows = []
    for day in range(days):
        for part in (0, 1) if day in stretches else (0,):
            for bin, changes in of.items():
                in_now = [
                    lot
                    for since, lot in changes
                    if day > since or (day == since and (part or day not in stretches))
                ]
                when = START + dt.timedelta(days=day, hours=4 * part)
                rows.append(
                    {
                        "tower": "A",
                        "bin": bin,
                        "run": f"{day:04}",
                        "started": when,
                        "lot": in_now[-1],
                    }
                )
    return rows


def test_lots_that_changed_places_are_a_swap() -> None:
    rows = lots(80, {5: [(-1, "K")], 6: [(-1, "L"), (40, "M")], 7: [(-1, "M"), (40, "L")]})
    found = swaps_in_log([], log(FOLLOWED), rows)
    (reading,) = found.readings
    assert (reading.bins, reading.what, reading.when) == ((7, 6), "piles", SWAPPED)
    assert reading.verdict == "follows the paper"
    assert [side.feeds for side in (reading.before[0], reading.after[0])] == [40 * CYCLES] * 2


def test_only_the_exchanged_lots_count_and_no_run_that_was_under_way() -> None:
    rows = lots(
        80,
        {6: [(-1, "L"), (40, "M")], 7: [(-1, "J"), (25, "M"), (40, "L"), (60, "N")]},
        stretches=(25, 40, 60),
    )
    (reading,) = swaps_in_log([], log(FOLLOWED), rows).readings
    # Days 26 to 39, and 41 to 59: those of a change have both.
    assert reading.before[0].feeds == 14 * CYCLES
    assert reading.after[0].feeds == 19 * CYCLES


def test_a_new_make_up_of_the_job_is_no_swap() -> None:
    turned = {5: [(-1, "K"), (40, "M")], 6: [(-1, "L"), (40, "K")], 7: [(-1, "M"), (40, "L")]}
    assert not swaps_in_log([], log(FOLLOWED), lots(80, turned)).readings
    new = {6: [(-1, "L"), (40, "M")], 7: [(-1, "M"), (40, "N")]}
    assert not swaps_in_log([], log(FOLLOWED), lots(80, new)).readings
    two = {
        bin: [(-1, "K" if bin < 6 else "L"), (40, "L" if bin < 6 else "K")] for bin in range(4, 8)
    }
    assert not swaps_in_log([], log(FOLLOWED, bins=(4, 5, 6, 7)), lots(80, two)).readings


def test_another_paper_in_the_place_of_a_cover_is_no_swap() -> None:
    rows = lots(80, {6: [(-1, "L"), (40, "M")], 7: [(-1, "M"), (40, "L")]})
    alike = [row | {"stock": "BO90"} for row in rows]
    assert len(swaps_in_log([], log(FOLLOWED), alike).readings) == 1
    cover = [row | {"stock": "CC250" if row["lot"] == "L" else "BO90"} for row in rows]
    assert not swaps_in_log([], log(FOLLOWED), cover).readings


def test_a_swap_that_both_logs_show_is_one() -> None:
    rows = lots(80, {6: [(-1, "L"), (40, "M")], 7: [(-1, "M"), (40, "L")]})
    found = swaps_in_log([service(39.9, 7), service(39.9, 6)], log(FOLLOWED), rows)
    assert len(found.readings) == 1


def test_nothing_in_the_log_is_no_swap() -> None:
    found = swaps_in_log([service(40, 7, "brush", action="fitted")], log(FOLLOWED))
    assert (found.readings, found.doubts) == ((), ())
