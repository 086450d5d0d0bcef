"""What came of the swaps in the log: did the faults go with the paper, or stay with the bin?

A swap is in the log in one of two ways. The service log has it as two entries of one tower, with
the action *swapped* and the same part, on two bins within ten minutes (`pile`, `paper` and `lift`
all mean the piles). Or the run log shows that piles were exchanged: from one stretch of the tower
to the next, exactly two bins have changed lots with each other, of the same stock where stocks are
given with them.

*Before* is since the last service of either bin, 91 days at most; *after* is until the next one, so
that exchanging things back ends it. Where lots are logged, both end as well where another lot than
the exchanged one came into either bin. An inspection is no service, nor is a cleaning of all bins
by the calendar. A run that was under way when things were exchanged is left out where its stretches
show that; otherwise it counts as before, as ages have it (`analysis.ages`).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.judged import Judged
from analysis.swap_readings import Seen, SwapReading, exchanged, read_swap
from analysis.words import day, listed

BoolArray = NDArray[np.bool_]

#: Entries of one swap are within so much of each other.
_TOGETHER = dt.timedelta(minutes=10)

#: What was before is looked at for so long.
_BEFORE = dt.timedelta(days=91)

#: A swap of piles that both logs show is one within so much.
_SAME = dt.timedelta(days=1)


@dataclass(frozen=True)
class SwapsInLog:
    """The swaps that a log shows.

    Attributes
    ----------
    readings : tuple of SwapReading
        In the order of time.
    doubts : tuple of str
        Entries that make no swap, and swaps beside which something else was done.
    """

    readings: tuple[SwapReading, ...]
    doubts: tuple[str, ...]

    def of(self, tower: str, bin: int) -> tuple[SwapReading, ...]:
        """Return those that a bin had part in."""
        return tuple(one for one in self.readings if one.tower == tower and bin in one.bins)


def swaps_in_log(
    services: Iterable[Mapping[str, object]],
    judged: Judged,
    lots: Iterable[Mapping[str, object]] = (),
) -> SwapsInLog:
    """Which swaps does the log show, and what did each tell?

    Parameters
    ----------
    services : iterable of mapping
        Rows of the service log: ``LogScan.list_rows("services")``.
    judged : Judged
        Rows of the run log beside what was to be expected; of one kind of fault.
    lots : iterable of mapping
        Of every stretch and bin: ``tower``, ``bin``, ``run``, ``lot``, when the stretch
        ``started``, and ``stock`` where that was asked for.

    Returns
    -------
    SwapsInLog
        One reading for each swap of two bins that `judged` holds.
    """
    done = sorted(
        (row for row in services if isinstance(row["when"], dt.datetime)),
        key=lambda row: _wall(row["when"]),
    )
    stretches = _stretches(lots)
    logged, doubts = _logged(done)
    shown = [
        swap
        for tower, history in stretches.items()
        for swap in _shown(tower, history)
        if not any(_alike(swap, other) for other in logged)
    ]
    readings = []
    places = {place: number for number, place in enumerate(judged.places)}
    for swap in sorted((*logged, *shown), key=lambda one: (one.when, one.tower, one.bins)):
        if not all((swap.tower, bin) in places for bin in swap.bins):
            doubts.append(f"{swap.words()}: the run log has no feeds of one of them")
            continue
        since, until, beside = _between_services(swap, done)
        if beside:
            doubts.append(f"{swap.words()}: {beside}, which may be what helped")
        history = stretches.get(swap.tower, [])
        if swap.what == "piles":
            since, until = _same_lots(swap, history, since, until)
        left_out = _under_way(history, (since, swap.when, until))
        sides = [_seen(judged, swap, bin, places, since, until, left_out) for bin in swap.bins]
        readings.append(
            read_swap(
                swap.tower,
                swap.bins,
                swap.part,
                swap.when,
                (sides[0][0], sides[1][0]),
                (sides[0][1], sides[1][1]),
                kind=judged.kind,
                between_bins=judged.between_bins,
            )
        )
    return SwapsInLog(tuple(readings), tuple(doubts))


@dataclass(frozen=True)
class _Found:
    """A swap that the log shows."""

    tower: str
    bins: tuple[int, int]
    part: str
    when: dt.datetime

    @property
    def what(self) -> str:
        return exchanged(self.part)[0]

    def words(self) -> str:
        return (
            f"the {self.what} of bins {self.bins[0]} and {self.bins[1]} of tower {self.tower}, "
            f"exchanged on {day(self.when)}"
        )


#: One stretch of a tower: when it began, of which run, and the stock and lot of each bin.
_Stretch = tuple[dt.datetime, str, dict[int, tuple[str, str]]]


def _logged(done: Sequence[Mapping[str, object]]) -> tuple[list[_Found], list[str]]:
    """Pair the entries of the service log, and say which make no pair."""
    entries: dict[tuple[str, str], list[tuple[dt.datetime, int, str]]] = {}
    for row in done:
        if row["action"] == "swapped" and row["bin"] is not None and row["part"]:
            part = str(row["part"]).strip().lower()
            key = (str(row["tower"]), exchanged(part)[0])
            entries.setdefault(key, []).append((_wall(row["when"]), int(str(row["bin"])), part))
    found: list[_Found] = []
    doubts: list[str] = []
    for (tower, what), rows in entries.items():
        together: list[list[tuple[dt.datetime, int, str]]] = []
        for entry in rows:
            if together and entry[0] - together[-1][0][0] <= _TOGETHER:
                together[-1].append(entry)
            else:
                together.append([entry])
        for group in together:
            moments = sorted({entry[0] for entry in group})
            pairs = [group]
            if len({entry[1] for entry in group}) > 2:
                # Several swaps in a few minutes are told apart where each has its own moment.
                pairs = [[one for one in group if one[0] == moment] for moment in moments]
            for pair in pairs:
                bins = sorted({entry[1] for entry in pair})
                if len(bins) == 2:
                    found.append(_Found(tower, (bins[0], bins[1]), pair[0][2], pair[-1][0]))
                    continue
                named = listed([str(bin) for bin in bins])
                doubts.append(
                    f"{what} of tower {tower} swapped on {day(pair[0][0])}: the service log names "
                    f"bin{'s' if len(bins) > 1 else ''} {named}, where a swap is between two; log "
                    "both bins of a swap at one moment"
                )
    return found, doubts


def _stretches(lots: Iterable[Mapping[str, object]]) -> dict[str, list[_Stretch]]:
    """Return the stretches of each tower, in the order of time."""
    found: dict[str, dict[tuple[dt.datetime, str], dict[int, tuple[str, str]]]] = {}
    for row in lots:
        if row["bin"] is None or not isinstance(row["started"], dt.datetime):
            continue
        key = (_wall(row["started"]), str(row["run"]))
        here = found.setdefault(str(row["tower"]), {}).setdefault(key, {})
        if row["lot"]:
            here[int(str(row["bin"]))] = (str(row.get("stock") or ""), str(row["lot"]))
    return {
        tower: [(when, run, bins) for (when, run), bins in sorted(by.items(), key=lambda x: x[0])]
        for tower, by in found.items()
    }


def _shown(tower: str, history: Sequence[_Stretch]) -> list[_Found]:
    """Return the swaps of piles that lots show."""
    found = []
    for (_, _, old), (when, _, new) in zip(history[:-1], history[1:], strict=True):
        moved = sorted(bin for bin in old.keys() & new.keys() if old[bin] != new[bin])
        # More than two, or another lot among them, is a new make-up of the job and no swap.
        if len(moved) == 2:
            one, two = moved
            # A cover that the next job has in another bin is no swap of the same paper.
            same = old[one][0] == old[two][0]
            if same and (old[one], old[two]) == (new[two], new[one]):
                found.append(_Found(tower, (one, two), "pile", when))
    return found


def _alike(swap: _Found, other: _Found) -> bool:
    same = (swap.tower, swap.bins, swap.what) == (other.tower, other.bins, other.what)
    return same and abs(swap.when - other.when) <= _SAME


def _between_services(
    swap: _Found, done: Sequence[Mapping[str, object]]
) -> tuple[dt.datetime, dt.datetime, str]:
    """Return since when and until when nothing else was done to the bins, and what was with it."""
    since, until, beside = swap.when - _BEFORE, dt.datetime.max, []
    for row in done:
        of_both = row["bin"] is None
        if row["tower"] != swap.tower or row["of_tower"] or row["action"] == "inspected":
            continue
        if of_both and row["action"] == "cleaned":
            continue
        if not of_both and int(str(row["bin"])) not in swap.bins:
            continue
        when, part = _wall(row["when"]), str(row["part"] or "").strip().lower()
        if abs(when - swap.when) > _TOGETHER:
            since = max(since, when) if when < swap.when else since
            until = min(until, when) if when > swap.when else until
        elif row["action"] != "swapped" or exchanged(part)[0] != swap.what:
            where = "every bin" if of_both else f"bin {row['bin']}"
            beside.append(f"{part or 'something'} of {where} was {row['action']} then as well")
    return since, until, listed(beside) if beside else ""


def _same_lots(
    swap: _Found, history: Sequence[_Stretch], since: dt.datetime, until: dt.datetime
) -> tuple[dt.datetime, dt.datetime]:
    """Narrow the time down to that with the exchanged lots in the bins, where lots are logged."""
    earlier = [stretch for stretch in history if since <= stretch[0] < swap.when]
    later = [stretch for stretch in history if swap.when <= stretch[0] < until]
    for bin in swap.bins:
        lot = next((bins[bin] for _, _, bins in reversed(earlier) if bin in bins), None)
        for place, (_, _, bins) in reversed(list(enumerate(earlier))):
            if lot is not None and bins.get(bin, lot) != lot:
                # Another lot was in up to here: what counts begins with the next stretch.
                since = max(since, earlier[place + 1][0])
                break
        lot = next((bins[bin] for _, _, bins in later if bin in bins), None)
        for when, _, bins in later:
            if lot is not None and bins.get(bin, lot) != lot:
                until = min(until, when)
                break
    return since, until


def _under_way(history: Sequence[_Stretch], edges: Sequence[dt.datetime]) -> set[dt.datetime]:
    """Return the starts of runs whose stretches stand on both sides of an edge."""
    runs: dict[str, list[dt.datetime]] = {}
    for when, run, _ in history:
        runs.setdefault(run, []).append(when)
    return {
        moments[0]
        for moments in runs.values()
        if any(moments[0] < edge <= moments[-1] for edge in edges)
    }


def _seen(
    judged: Judged,
    swap: _Found,
    bin: int,
    places: Mapping[tuple[str, int], int],
    since: dt.datetime,
    until: dt.datetime,
    left_out: set[dt.datetime],
) -> tuple[Seen, Seen]:
    """Return what was counted at a bin before and after."""
    started = judged.started
    here = judged.place == places[swap.tower, bin]
    if left_out:
        out = np.array(sorted(left_out), dtype="datetime64[us]")
        here = here & ~np.isin(started, out)
    edge = np.datetime64(swap.when, "us")
    variance = judged.variance.get(swap.tower, 0.0)
    old = here & (started >= np.datetime64(since, "us")) & (started < edge)
    new = here & (started >= edge) & (started < np.datetime64(until, "us"))
    return _summed(judged, old, variance), _summed(judged, new, variance)


def _summed(judged: Judged, some: BoolArray, variance: float) -> Seen:
    expected = judged.expected[some]
    total = float(expected.sum())
    _, run = np.unique(judged.run[some], return_inverse=True)
    squares = float((np.bincount(run, weights=expected) ** 2).sum()) if run.size else 0.0
    return Seen(
        feeds=float(judged.feeds[some].sum()),
        faults=float(judged.faults[some].sum()),
        expected=total,
        relative_variance=variance * squares / total**2 if total > 0 else 0.0,
    )


def _wall(when: object) -> dt.datetime:
    # Both logs keep wall time: UTC in its type, and nothing to convert.
    assert isinstance(when, dt.datetime)
    return when.replace(tzinfo=None)
