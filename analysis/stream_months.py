"""How does a stream stand after each month, and what was held against what in it?

A stream is one bin, or one tower as a whole, and one kind of fault. `analysis.passage` moves
streams on run by run; a `Month` holds what came of it, and `history` puts a stream's months
together.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.conditions_levels import encoded
from analysis.cusum import RATIOS
from analysis.histories import Dated, History
from analysis.service_log import Place

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Kinds of fault that have streams.
KINDS = ("misses", "doubles")

#: Expected faults after an alarm from which on they say at what level a stream goes on.
ENOUGH_EXPECTED = 10.0


@dataclass
class AlarmState:
    """An alarm as it stands.

    Attributes
    ----------
    alarmed_at : datetime
        When it was raised; wall time.
    at_alarm : Dated or None
        When it began, as it was told on that day; None where that could not be told.
    history_from : datetime or None
        The stream's history that it was raised on begins here; None: with the log.
    worse, back : float
        Rate ratio against which *as expected again* is held, and the sum for it.
    faults, expected : float
        Since the alarm.
    told : Dated or None
        When it began, once enough has come after it to say so for good, or it is over.
    closed_at : datetime or None
        When it ended; None while it is open.
    closed_by : str
        What ended it, in words.
    """

    alarmed_at: dt.datetime
    at_alarm: Dated | None
    history_from: dt.datetime | None
    worse: float
    back: float = 0.0
    faults: float = 0.0
    expected: float = 0.0
    told: Dated | None = None
    closed_at: dt.datetime | None = None
    closed_by: str = ""

    def not_later(self, found: Dated | None) -> Dated | None:
        """Return when it began as it is told later; what raised an alarm began before it."""
        if found is None or found.began > self.alarmed_at:
            return self.at_alarm
        return replace(found, latest=min(found.latest, self.alarmed_at))

    @property
    def began(self) -> dt.datetime:
        """When it began, as far as was known on that day."""
        return self.alarmed_at if self.at_alarm is None else self.at_alarm.began


@dataclass
class StreamState:
    """A stream as it stands after a run.

    Attributes
    ----------
    sums : list of float
        One for each of `analysis.cusum.RATIOS`.
    anew : datetime or None
        When they last started anew; None: never.
    lift : float
        The level that it has while it is under alarm, beside what is expected.
    alarms : list of AlarmState
        In the order in which they were raised.
    """

    sums: list[float] = field(default_factory=lambda: [0.0] * len(RATIOS))
    anew: dt.datetime | None = None
    lift: float = 1.0
    alarms: list[AlarmState] = field(default_factory=list)

    @property
    def under_alarm(self) -> list[AlarmState]:
        """Alarms that are open."""
        return [alarm for alarm in self.alarms if alarm.closed_at is None]


@dataclass(frozen=True)
class Month:
    """What was held against what, from one learning to the next.

    Attributes
    ----------
    since, until : datetime
        First moment, and first of the next.
    places : tuple of Place
        Bins, then towers as a whole.
    place : int array
        Of each row; rows are bins of a run in order of time, then towers of a run.
    started : datetime64[us] array
    faults, expected, plain, feeds, evidence : float array, kinds x rows
        `expected` of this place; `plain` of an ordinary bin of its tower; `evidence` the highest
        sum over its threshold, an alarm from 1 on.
    monitored : bool array
        Of each row.
    new_paper : tuple of (str, int)
        Stocks that nothing was known of, with their feeds.
    states : mapping of (Place, str) to StreamState
        At the end, by place and kind.
    """

    since: dt.datetime
    until: dt.datetime
    places: tuple[Place, ...]
    place: IntArray
    started: NDArray[np.datetime64]
    faults: FloatArray
    expected: FloatArray
    plain: FloatArray
    feeds: FloatArray
    evidence: FloatArray
    monitored: BoolArray
    new_paper: tuple[tuple[str, int], ...]
    states: Mapping[tuple[Place, str], StreamState]


def history(months: Sequence[Month], place: Place, kind: str) -> History:
    """Return the runs of a stream over some months; none where it has none in them."""
    k = KINDS.index(kind)
    found = []
    for month in months:
        if place in month.places:
            mine = np.flatnonzero(month.place == month.places.index(place))
            found.append(
                History(
                    started=month.started[mine],
                    faults=month.faults[k, mine],
                    feeds=month.feeds[k, mine],
                    expected=month.expected[k, mine],
                    plain=month.plain[k, mine],
                    evidence=month.evidence[k, mine],
                    monitored=month.monitored[mine],
                )
            )
    return joined(found)


def joined(parts: Sequence[History]) -> History:
    """Put histories one after another."""
    if not parts:
        none = np.zeros(0)
        never, not_one = np.zeros(0, dtype="datetime64[us]"), np.zeros(0, dtype=bool)
        return History(never, none, none, none, none, none, not_one)
    names = [field.name for field in fields(History)]
    return History(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    )


def bins_of(counts: pa.Table) -> tuple[tuple[str, int], ...]:
    """Return the towers and bins of a scan, sorted."""
    found = counts.select(["of_tower", "bin"]).group_by(["of_tower", "bin"]).aggregate([])
    return tuple(
        sorted(
            (str(row["of_tower"]), int(row["bin"]))
            for row in found.to_pylist()
            if row["bin"] is not None
        )
    )


def bin_of_rows(counts: pa.Table, bins: Sequence[tuple[str, int]]) -> IntArray:
    """Return the place of each row of a scan among the bins; -1 where it is none of them."""
    index = {place: code for code, place in enumerate(bins)}
    names, code = encoded(counts["of_tower"])
    number = counts["bin"].fill_null(0).to_numpy().astype(np.int64)
    most = int(number.max(initial=0)) + 1
    pairs, at = np.unique(code * most + number, return_inverse=True)
    of_pair = [index.get((str(names[p // most]), int(p % most)), -1) for p in pairs.tolist()]
    return np.array(of_pair, dtype=np.int64)[at]


def started_of(counts: pa.Table) -> NDArray[np.datetime64]:
    """Return when each row of a scan began; wall time in microseconds."""
    moments: NDArray[np.datetime64] = counts["first"].to_numpy().astype("datetime64[us]")
    return moments
