"""What was done to the towers, as marks on a time axis?

Services, and settings that were moved on the same stock. Where there are many, a mark stands for
all that was done in a day, a week or a month.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from analysis.trends import Mark
from analysis.words import listed, many, ranges
from dashboard import theme

#: More marks on a time axis than this are put together by day, by week or by month.
MOST_MARKS = 40

# More acts than this are not all told beside a mark.
_MOST_TOLD = 8


@dataclass(frozen=True)
class Done:
    """What was done in a day, a week or a month.

    Attributes
    ----------
    at : datetime
        Where the mark stands.
    name : str
        The time in words.
    marks : tuple of Mark
        What it stands for, in order.
    told : tuple of str
        The same in words, a line for each kind of act.
    """

    at: dt.datetime
    name: str
    marks: tuple[Mark, ...]
    told: tuple[str, ...]


@dataclass(frozen=True)
class DoneRow:
    """Services, or settings moved, as they stand on the time axis.

    Attributes
    ----------
    moved : bool
        Whether settings were moved; otherwise they are services.
    unit : str
        What one mark stands for: ``day``, ``week`` or ``month``.
    marks : tuple of Done
        In order.
    """

    moved: bool
    unit: str
    marks: tuple[Done, ...]


def span_of(unit: str, name: str) -> tuple[dt.datetime, dt.datetime]:
    """Return the first moment of a day, a week or a month, and of the next."""
    if unit == "day":
        first = dt.datetime.fromisoformat(name)
        return first, first + dt.timedelta(days=1)
    if unit == "week":
        year, week = name.split("-W")
        first = dt.datetime.fromisocalendar(int(year), int(week), 1)
        return first, first + dt.timedelta(days=7)
    first = dt.datetime.fromisoformat(f"{name}-01")
    return first, (first + dt.timedelta(days=31)).replace(day=1)


def time_name(unit: str, name: str) -> str:
    """Name a day, a week or a month: ``3 April 2031``, ``week of 31 March 2031``."""
    first, _ = span_of(unit, name)
    if unit == "month":
        return theme.month(first)
    return theme.day(first) if unit == "day" else f"week of {theme.day(first)}"


def done_rows(marks: Iterable[Mark]) -> tuple[DoneRow, ...]:
    """Put what was done into rows of marks: services, and settings moved.

    What was done on one day is one mark. Where more than `MOST_MARKS` are left, a mark stands for
    a week, or for a month.
    """
    marks = tuple(marks)
    rows = []
    for moved in (False, True):
        own = [mark for mark in marks if mark.moved == moved]
        if not own:
            continue
        for unit in ("day", "week", "month"):
            gathered: dict[str, list[Mark]] = {}
            for mark in own:
                gathered.setdefault(_unit_name(unit, mark.when), []).append(mark)
            if len(gathered) <= MOST_MARKS:
                break
        done = [_made(unit, name, found, moved) for name, found in gathered.items()]
        rows.append(DoneRow(moved, unit, tuple(done)))
    return tuple(rows)


def _unit_name(unit: str, when: dt.datetime) -> str:
    if unit == "day":
        return when.date().isoformat()
    if unit == "week":
        year, week, _ = when.isocalendar()
        return f"{year:04d}-W{week:02d}"
    return f"{when:%Y-%m}"


def _made(unit: str, name: str, marks: Sequence[Mark], moved: bool) -> Done:
    first, last = span_of(unit, name)
    at = marks[0].when if unit == "day" else first + (last - first) / 2
    told: list[str] = []
    if unit == "day":
        acts: dict[tuple[str, str], list[int | None]] = {}
        for mark in marks:
            acts.setdefault((mark.tower, mark.what), []).append(mark.bin)
        told = [f"{what}, {place(tower, bins)}" for (tower, what), bins in acts.items()]
    elif moved:
        told = [many(len(marks), "setting moved", "settings moved")]
    else:
        counts = Counter(mark.what for mark in marks)
        told = [f"{what}: {many(number, 'time')}" for what, number in counts.items()]
    return Done(at, time_name(unit, name), tuple(marks), tuple(told))


def place(tower: str, bins: Sequence[int | None]) -> str:
    """Name a tower and bins of it: ``tower C, bins 1 to 10``."""
    numbers = sorted({number for number in bins if number is not None})
    if not numbers:
        return f"tower {tower}"
    bins_ = "bin" if len(numbers) == 1 else "bins"
    return f"tower {tower}, {bins_} {listed(ranges(numbers))}"


def done_sentence(done: Done) -> str:
    """Say what was done at a mark, in lines short enough for a label."""
    lines = [theme.label(line) for line in done.told]
    if len(lines) > _MOST_TOLD:
        told = _MOST_TOLD - 1
        lines = [*lines[:told], f"and {len(lines) - told} more"]
    return f"{done.name}: " + ",<br>".join(lines)
