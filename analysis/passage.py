"""How does a month go by, run by run: who raises an alarm, and what ends it?

Sums of every stream step on with each run (`analysis.cusum`); services begin streams anew as
`analysis.monitor` says. The tower's own stream leaves out bins that are under alarm.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.cusum import RATIOS, scores, stepped
from analysis.histories import Dated, History, dated, moment
from analysis.learnt import Learnt
from analysis.month_rows import Rows
from analysis.service_log import Place, Service
from analysis.stream_months import (
    ENOUGH_EXPECTED,
    KINDS,
    AlarmState,
    Month,
    StreamState,
    history,
    joined,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

AS_EXPECTED = "as expected again"

#: A sum for the other way ends an alarm at this: 200 times as likely that all is as expected.
_ENOUGH = math.log(200.0)

#: Rate ratios that it is held against.
_LEAST_WORSE, _MOST_WORSE = 1.5, 4.0

#: The level of a stream under alarm is taken to be at most so many times what is expected.
_MOST_LIFT = 20.0


def carried(before: Month | None, learnt: Learnt) -> dict[tuple[Place, str], StreamState]:
    """Hand the states of streams on to the next month, with what is now known of their levels."""
    out: dict[tuple[Place, str], StreamState] = {}
    for place in learnt.places:
        for kind in KINDS:
            was = before.states.get((place, kind)) if before is not None else None
            if was is None:
                out[place, kind] = StreamState()
                continue
            state = StreamState(
                list(was.sums),
                was.anew,
                was.lift,
                [replace(alarm) for alarm in was.alarms],
            )
            alarms = state.under_alarm
            if alarms and alarms[-1].expected >= ENOUGH_EXPECTED:
                last = alarms[-1]
                state.lift = max(1.0, last.faults / last.expected)
                last.worse = float(np.clip(0.7 * state.lift, _LEAST_WORSE, _MOST_WORSE))
            out[place, kind] = state
    return out


class Passage:
    """A month, run by run.

    Parameters
    ----------
    learnt : Learnt
        What is known when it begins.
    rows : Rows
        Bins of its runs, in order of time.
    states : mapping of (Place, str) to StreamState
        As `carried` hands them on; they are moved on.
    before : sequence of Month
        All earlier ones.
    """

    def __init__(
        self,
        learnt: Learnt,
        rows: Rows,
        states: Mapping[tuple[Place, str], StreamState],
        before: Sequence[Month],
    ) -> None:
        self._learnt, self._rows, self._states = learnt, rows, dict(states)
        self._before = before
        places = learnt.places
        self._bins = sum(number is not None for _, number in places)
        towers = [tower for tower, number in places if number is None]
        self._of_tower = np.array(
            [towers.index(tower) for tower, number in places if number is not None], dtype=np.int64
        )
        self._begun = np.array([np.datetime64(one) for one in learnt.begun], dtype="datetime64[us]")
        self._expected = rows.plain * learnt.level[:, rows.place]
        shape = (len(KINDS), len(places))
        self._sums = np.zeros((*shape, len(RATIOS)))
        self._lift = np.ones(shape)
        self._alarms = np.zeros(shape, dtype=bool)
        for k, kind in enumerate(KINDS):
            for p, place in enumerate(places):
                self._load(k, p, self._states[place, kind])
        # Runs: where each begins among the rows, and its tower.
        starts = np.flatnonzero(np.diff(rows.run, prepend=-1))
        self._starts, self._ends = starts, np.append(starts, rows.run.size)[1:]
        self._tower = self._of_tower[rows.place[starts]]
        self._when = rows.started[starts]
        count = starts.size
        self._evidence = np.zeros((len(KINDS), rows.run.size))
        # Of each run of a tower: faults, those expected, those of ordinary bins, feeds.
        self._of_towers = np.zeros((4, len(KINDS), count))
        self._near_towers = np.zeros((len(KINDS), count))
        self._monitored = np.zeros(count, dtype=bool)

    def _load(self, k: int, p: int, state: StreamState) -> None:
        self._sums[k, p] = state.sums
        self._lift[k, p] = state.lift
        self._alarms[k, p] = bool(state.under_alarm)

    def through(self, services: Sequence[Service], *, monitored: bool) -> None:
        """Run through all of its runs and services in the order of time.

        Parameters
        ----------
        services : sequence of Service
            Of the month, in order of time.
        monitored : bool
            Whether anything is held against what is expected: not in the first month.
        """
        rows = self._rows
        bins = self._scores(rows.faults, self._expected, 0)
        summed = [
            np.add.reduceat(a, self._starts, axis=1) if self._starts.size else a
            for a in (rows.faults, self._expected, rows.plain, rows.feeds)
        ]
        towers = self._scores(summed[0], summed[1], 1)
        waiting = list(services)
        thresholds = self._learnt.thresholds
        for number, (start, end) in enumerate(zip(self._starts, self._ends, strict=True)):
            when = self._when[number]
            while waiting and np.datetime64(waiting[0].when) <= when:
                self._serve(waiting.pop(0), number - 1 if number else None)
            tower = int(self._tower[number])
            place = rows.place[start:end]
            whole = self._bins + tower
            watched = monitored and bool(when >= self._begun[whole])
            self._monitored[number] = watched
            self._of_towers[:, :, number] = [one[:, number] for one in summed]
            if not watched:
                continue
            gained, of_tower = bins[:, start:end], towers[:, number]
            alarmed = self._alarms[:, place]
            if alarmed.any() or self._alarms[:, whole].any():
                gained, of_tower = self._gained(number, int(start), int(end), whole, alarmed)
            now = stepped(self._sums[:, place], gained, self._expected[:, start:end])
            self._sums[:, place] = now
            near = (now / thresholds[:, place]).max(axis=2)
            self._evidence[:, start:end] = near
            total = stepped(self._sums[:, whole], of_tower, self._of_towers[1, :, number])
            self._sums[:, whole] = total
            near_tower = (self._sums[:, whole] / thresholds[:, whole]).max(axis=1)
            self._near_towers[:, number] = near_tower
            if (near >= 1).any():
                for k, row in zip(*np.nonzero(near >= 1), strict=True):
                    self._raise(int(k), int(place[row]), number)
            for k in np.flatnonzero(near_tower >= 1):
                self._raise(int(k), whole, number)
        for service in waiting:
            self._serve(service, self._starts.size - 1 if self._starts.size else None)

    def _scores(self, faults: FloatArray, expected: FloatArray, column: int) -> FloatArray:
        """Return what sums of each kind gain with each run, of bins (0) or of towers (1)."""
        variance = self._learnt.variance[:, column]
        return np.stack(
            [
                scores(x[:, None], m[:, None], v, RATIOS)
                for x, m, v in zip(faults, expected, variance, strict=True)
            ]
        )

    def _gained(
        self, number: int, start: int, end: int, whole: int, alarmed: BoolArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return what sums gain with a run some of whose streams are under alarm."""
        rows, variance = self._rows, self._learnt.variance
        place = rows.place[start:end]
        faults, expected = rows.faults[:, start:end], self._expected[:, start:end]
        gained = self._scores(faults, expected * self._lift[:, place], 0)
        of_tower = np.zeros((len(KINDS), len(RATIOS)))
        for k in range(len(KINDS)):
            # Bins under alarm are not what their tower's bins share.
            free = ~alarmed[k]
            x, m = float(faults[k][free].sum()), float(expected[k][free].sum())
            self._of_towers[0, k, number], self._of_towers[1, k, number] = x, m
            self._of_towers[2, k, number] = float(rows.plain[k, start:end][free].sum())
            self._of_towers[3, k, number] = float(rows.feeds[k, start:end][free].sum())
            of_tower[k] = scores(x, m * self._lift[k, whole], variance[k, 1], np.array(RATIOS))
            for row in np.flatnonzero(alarmed[k] & (expected[k] > 0)):
                self._after(
                    k, int(place[row]), float(faults[k, row]), float(expected[k, row]), number
                )
            if self._alarms[k, whole] and m > 0:
                self._after(k, whole, x, m, number)
        return gained, of_tower

    def _after(self, k: int, p: int, faults: float, expected: float, number: int) -> None:
        """Take note of a run after an alarm; end the alarm where all is as expected again."""
        state = self._state(k, p)
        variance = float(self._learnt.variance[k, 1 if p >= self._bins else 0])
        for alarm in state.under_alarm:
            alarm.faults += faults
            alarm.expected += expected
            worse = float(scores(faults, expected, variance, alarm.worse))
            alarm.back = max(0.0, alarm.back - worse)
            if alarm.told is None and alarm.expected >= ENOUGH_EXPECTED:
                # What comes later says little of when it began, and may be another change.
                alarm.told = self._told(k, p, number, alarm)
        if state.under_alarm[-1].back >= _ENOUGH:
            self._end(k, p, moment(self._when[number]), AS_EXPECTED, number)

    def _state(self, k: int, p: int) -> StreamState:
        return self._states[self._learnt.places[p], KINDS[k]]

    def _end(self, k: int, p: int, when: dt.datetime, by: str, number: int | None) -> None:
        state = self._state(k, p)
        for alarm in state.under_alarm:
            if alarm.told is None and number is not None:
                alarm.told = self._told(k, p, number, alarm)
            alarm.closed_at, alarm.closed_by = when, by
        self._anew(k, p, when)

    def _anew(self, k: int, p: int, when: dt.datetime) -> None:
        state = self._state(k, p)
        state.anew, state.lift = when, 1.0
        state.sums = [0.0] * len(RATIOS)
        self._load(k, p, state)

    def _serve(self, service: Service, number: int | None) -> None:
        """Begin streams anew with a service, which came after a run of this month if any."""
        for p, place in enumerate(self._learnt.places):
            if service.begins_anew(place):
                for k in range(len(KINDS)):
                    if self._alarms[k, p] or not service.upkeep:
                        self._end(k, p, service.when, service.words, number)

    def _raise(self, k: int, p: int, number: int) -> None:
        """Raise an alarm: find when it began, and go on from the level since then."""
        state = self._state(k, p)
        when = moment(self._when[number])
        found = self._dated(k, p, number, state.anew, 0.0)
        low, ratio = (1.0, 1.0) if found is None else (found.ratio_low, found.ratio)
        lifted = state.lift if state.under_alarm else 1.0
        state.alarms.append(
            AlarmState(
                alarmed_at=when,
                at_alarm=found,
                history_from=state.anew,
                worse=float(np.clip(low, _LEAST_WORSE, _MOST_WORSE)),
            )
        )
        state.anew = when
        state.lift = lifted * float(np.clip(ratio, 1.0, _MOST_LIFT))
        state.sums = [0.0] * len(RATIOS)
        self._load(k, p, state)

    def _told(self, k: int, p: int, number: int, alarm: AlarmState) -> Dated | None:
        found = self._dated(k, p, number, alarm.history_from, alarm.expected)
        return alarm.not_later(found)

    def _dated(
        self, k: int, p: int, number: int, begins: dt.datetime | None, after: float
    ) -> Dated | None:
        """Say when a change began, by the runs up to one of this month, it included."""
        history = self._history(k, p, number).between(begins, None)
        return date(history, begins, self._state(k, p), self._learnt, k, p, after)

    def _history(self, k: int, p: int, number: int) -> History:
        """Return the runs of a stream up to one of this month, it included."""
        stop = int(self._ends[number])
        if p < self._bins:
            rows = self._rows
            mine = np.flatnonzero(rows.place[:stop] == p)
            now = History(
                started=rows.started[mine],
                faults=rows.faults[k, mine],
                feeds=rows.feeds[k, mine],
                expected=self._expected[k, mine],
                plain=rows.plain[k, mine],
                evidence=self._evidence[k, mine],
                monitored=self._monitored[rows.run[mine] - int(rows.run[0])],
            )
        else:
            mine = np.flatnonzero(self._tower[: number + 1] == p - self._bins)
            faults, expected, plain, feeds = (self._of_towers[at, k, mine] for at in range(4))
            now = History(
                started=self._when[mine],
                faults=faults,
                feeds=feeds,
                expected=expected,
                plain=plain,
                evidence=self._near_towers[k, mine],
                monitored=self._monitored[mine],
            )
        past = history(self._before, self._learnt.places[p], KINDS[k])
        return joined([past, now])

    def month(
        self, since: dt.datetime, until: dt.datetime, new_paper: tuple[tuple[str, int], ...]
    ) -> Month:
        """Return all that was held against what, bins first and towers as a whole after them."""
        rows, learnt = self._rows, self._learnt
        for k, kind in enumerate(KINDS):
            for p, place in enumerate(learnt.places):
                self._states[place, kind].sums = self._sums[k, p].tolist()
        faults, expected, plain, feeds = self._of_towers
        of_run = rows.run - (int(rows.run[0]) if rows.run.size else 0)
        return Month(
            since=since,
            until=until,
            places=learnt.places,
            place=np.concatenate([rows.place, self._bins + self._tower]),
            started=np.concatenate([rows.started, self._when]),
            faults=np.hstack([rows.faults, faults]),
            expected=np.hstack([self._expected, expected]),
            plain=np.hstack([rows.plain, plain]),
            feeds=np.hstack([rows.feeds, feeds]),
            evidence=np.hstack([self._evidence, self._near_towers]),
            monitored=np.concatenate([self._monitored[of_run], self._monitored]),
            new_paper=new_paper,
            states=self._states,
        )


def date(
    history: History,
    begins: dt.datetime | None,
    state: StreamState,
    learnt: Learnt,
    k: int,
    p: int,
    after: float,
) -> Dated | None:
    """Say when a change began that raised an alarm.

    Parameters
    ----------
    history : History
        Runs of the stream from where it started anew, up to the alarm or later.
    begins : datetime, optional
        When that was.
    state : StreamState
        Of the stream.
    learnt : Learnt
        What is known of it.
    k, p : int
        Number of the kind, and of the place in `learnt`.
    after : float
        Faults expected since the alarm.
    """
    of_tower = learnt.places[p][1] is None
    return dated(
        history,
        begins,
        of_bin=not of_tower,
        learning=begins is None or begins < learnt.begun[p],
        after_alarm=any(alarm.alarmed_at == begins for alarm in state.alarms),
        between_bins=learnt.between_bins[k],
        squared_cv=float(learnt.squared_cv[k, p]),
        variance=float(learnt.variance[k, int(of_tower)]),
        confirmed=after,
    )
