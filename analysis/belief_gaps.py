"""On which days was no run logged though the tower hardly ever skips such a day?

The chance that a row of such days begins, times that with which it goes on, both read from the
tower's other days under Jeffreys' prior (1946), never below what is usual for that weekday; times
all days looked at. A tower that has stood still for days in a row before is therefore hardly ever
asked about, one that never has after three or four days.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.belief_findings import HARD, Finding, Found, date_of, moment_of, towers_named
from analysis.belief_log import Log, pieces

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Weeks before and after in which a weekday's habit is read, and the least such days.
_WEEKS, _LEAST_WEEKS = 8, 4

#: Share of a weekday's days on which a tower that usually runs does run.
_USUAL = 0.75

#: Days on which it usually runs that a tower needs before its record says anything.
_DAYS_FOR_GAP = 40

#: A service so many days before the first day without a run explains them.
_SERVICE_DAYS = 3


@dataclass(frozen=True)
class _Habit:
    """On which days a tower usually runs, and which of them it skipped."""

    place: int
    began: int
    usual: BoolArray
    ran: BoolArray
    rows: tuple[tuple[int, ...], ...]


def gaps(
    log: Log,
    services: Sequence[tuple[str, dt.date]],
    closed: Mapping[str, Sequence[dt.date]],
    asked: Collection[str],
) -> Found:
    """Look for days without a run on towers that hardly ever skip such a day.

    Parameters
    ----------
    log : Log
        All runs, whatever their purpose.
    services : sequence of (tower, date or datetime)
        Work that explains days without a run.
    closed : mapping of str to dates
        By site, days on which the works was closed.
    asked : collection of str
        Towers of which anything is told. All are looked at, since the others show which days were
        holidays, and how many looks a finding is one of.
    """
    number = log.day.astype(np.int64)
    start = int(number.min())
    length = int(number.max()) - start + 1
    in_site: dict[str, IntArray] = {}
    days_of = []
    for place in range(len(log.towers)):
        days = np.unique(number[log.of(place)]) - start
        days_of.append(days)
        in_site.setdefault(log.site[place], np.zeros(length, np.int64))[days] += 1
    anywhere = np.zeros(length, bool)
    anywhere[np.unique(number) - start] = True
    serviced: dict[str, list[int]] = {}
    for tower, when in services:
        day = when.date() if isinstance(when, dt.datetime) else when
        serviced.setdefault(tower, []).append(_day_number(day) - start)
    habits: list[_Habit] = []
    few: list[str] = []
    for place, days in enumerate(days_of):
        low, high = int(days[0]), int(days[-1]) + 1
        ran = np.zeros(high - low, bool)
        ran[days - low] = True
        site = log.site[place]
        if log.site.count(site) > 1:
            runs_here = in_site[site][low:high] - ran > 0
        elif len(log.towers) > 1:
            # It stands alone at its site: a day without a run anywhere was a holiday.
            runs_here = anywhere[low:high].copy()
        else:
            runs_here = np.ones(high - low, bool)
        for day in closed.get(site, ()):
            at = _day_number(day) - start - low
            if 0 <= at < runs_here.size:
                runs_here[at] = False
        habit = _habit(place, start + low, ran, runs_here, serviced.get(log.towers[place], ()), low)
        if int(habit.usual.sum()) < _DAYS_FOR_GAP:
            few.append(log.towers[place])
        else:
            habits.append(habit)
    looks = sum(int(habit.usual.sum()) for habit in habits)
    told = [habit for habit in habits if log.towers[habit.place] in asked]
    findings = [finding for habit in told for finding in _rows(log, habit, looks)]
    few = [tower for tower in few if tower in asked]
    missing = []
    if few:
        usually = "it usually runs" if len(few) == 1 else "they usually run"
        missing.append(
            f"Days without a run of {towers_named(few)}: fewer than {_DAYS_FOR_GAP} days on which "
            f"{usually}."
        )
    return findings, looks, missing


def _habit(
    place: int, began: int, ran: BoolArray, open_: BoolArray, serviced: Sequence[int], low: int
) -> _Habit:
    kept, such = np.zeros(ran.size, np.int64), np.zeros(ran.size, np.int64)
    for week in range(1, _WEEKS + 1):
        away = 7 * week
        if away >= ran.size:
            break
        for here, there in (
            (slice(away, None), slice(None, -away)),
            (slice(None, -away), slice(away, None)),
        ):
            such[here] += open_[there]
            kept[here] += open_[there] & ran[there]
    usual = open_ & (such >= _LEAST_WEEKS) & (kept >= _USUAL * such)
    rows = []
    work = np.array(sorted(serviced), np.int64) - low
    for row in _missing_rows(usual, ran):
        # Work just before, in or right after such days is why the tower stood still.
        if np.any((work >= row[0] - _SERVICE_DAYS) & (work <= row[-1] + 1)):
            usual[list(row)] = False
        else:
            rows.append(row)
    return _Habit(place, began, usual, ran, tuple(rows))


def _missing_rows(usual: BoolArray, ran: BoolArray) -> list[tuple[int, ...]]:
    """Return the rows of usual days without a run; a run on any day ends a row."""
    days = np.flatnonzero(usual | ran)
    return [tuple(days[piece].tolist()) for piece in pieces(~ran[days])]


def _rows(log: Log, habit: _Habit, looks: int) -> Iterator[Finding]:
    weekday = (habit.began + np.arange(habit.usual.size)) % 7
    skipped = habit.usual & ~habit.ran
    usual_of = np.bincount(weekday[habit.usual], minlength=7)
    skipped_of = np.bincount(weekday[skipped], minlength=7)
    days, gone = int(habit.usual.sum()), int(skipped.sum())
    going_on = gone - len(habit.rows)
    for row in habit.rows:
        size = len(row)
        # All is read from the other days. A row begins on a day that does not follow another of it.
        begins = (len(habit.rows) - 1 + 0.5) / (days - gone + len(habit.rows) - 1 + 1)
        goes_on = _goes_on(going_on - (size - 1), gone - size, size - 1, begins)
        of_row = np.bincount(weekday[list(row)], minlength=7)
        by_weekday = (skipped_of - of_row + begins) / (usual_of - of_row + 1)
        each = by_weekday[weekday[list(row)]]
        each = np.minimum(np.maximum(each, [begins, *goes_on]), 1.0)
        chance = min(1.0, math.exp(float(np.log(each).sum())) * looks)
        if chance >= HARD:
            continue
        first, last = habit.began + row[0], habit.began + row[-1]
        begun, ended = (np.datetime64(day, "D") for day in (first, last))
        yield Finding(
            kind="gap",
            tower=log.towers[habit.place],
            shift=None,
            first=moment_of(begun),
            last=moment_of(ended),
            first_day=date_of(begun),
            last_day=date_of(ended),
            observed=size,
            expected=float(each[0] * size),
            of=size,
            chance=chance,
            missed_cycles=_missed(log, habit.place, first, last, size),
        )


def _goes_on(went_on: int, after: int, more: int, begins: float) -> list[float]:
    """Return the chances that a row of days without a run goes on, day after day.

    Of so many days that followed one without a run, so many were without one too. Where none was,
    a tower has no habit of standing still, and one day is as likely as another. Where some were,
    how long it stands still is a guess from a few rows, and the longer a row the better the guess
    (predictive chances under Jeffreys' prior).
    """
    if not went_on:
        return [begins] * more
    return [max(begins, (went_on + 0.5 + day) / (after + 1 + day)) for day in range(more)]


def _missed(log: Log, place: int, first: int, last: int, days: int) -> float | None:
    """Return the cycles of so many days at the tower's pace in the weeks around."""
    if log.cycles is None:
        return None
    own = log.of(place)
    day = log.day[own].astype(np.int64)
    near = (day >= first - 7 * _WEEKS) & (day <= last + 7 * _WEEKS)
    ran = np.unique(day[near]).size
    return float(log.cycles[own][near].sum()) / ran * days if ran else None


def _day_number(day: dt.date) -> int:
    return day.toordinal() - dt.date(1970, 1, 1).toordinal()
