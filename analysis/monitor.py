"""Run through a log in the order of time and raise an alarm where a stream gets worse.

Every month it is learnt anew what to expect (`analysis.reference`), and the runs of that month are
then held against it, one after the other. So what is said of a run never depends on later ones, a
day of new runs costs a day, and what was worked out of earlier months can be kept
(`analysis.kept_months`).

The threshold of each stream is set by the *budget*, the false alarms that a tower has in a year on
which nothing ever changes. All of its bins share it in proportion to what is expected of them, and
each kind of fault of the tower as a whole has as much as a bin has on average. Thresholds allow for
the size of runs, for clusters, for how well a stream's level is known, and for how sure it is what
its present paper and air do (`analysis.cusum`).

What begins a stream anew:

- A service of that bin, whatever was done to it but an inspection. One of all bins, where a part
  was fitted, overhauled, swapped, adjusted or moved. One of a part of the tower begins the tower's
  own stream anew. Cleaning by the calendar is upkeep: it ends an alarm of that bin or tower, but
  takes nothing from the evidence of others, or a shop that cleans every other month would never
  notice what takes longer.
- An alarm. The stream goes on at the level that it now has.
- That its faults are as expected again, by a sum of log-likelihood ratios the other way.

The tower's own stream leaves out bins that are under alarm: it is for what they share.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy import special
from threadpoolctl import threadpool_limits

from analysis.conditions_levels import encoded
from analysis.cusum import RATIOS, RunLengthTable, run_length_table, scores
from analysis.histories import Dated, History, dated
from analysis.histories import moment as _moment
from analysis.log_format import YEARS
from analysis.reference import Reference, learn, levels

__all__ = [
    "ENOUGH_EXPECTED",
    "KINDS",
    "AlarmState",
    "Kept",
    "Learnt",
    "Month",
    "Place",
    "Service",
    "StreamState",
    "date",
    "history",
    "months",
    "watch",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Kinds of fault that have streams.
KINDS = ("misses", "doubles")

#: Months of a tower in which it is learnt what to expect, and months for which the level of a bin
#: is not learnt anew.
LEARNT_MONTHS = 6

#: A tower and its bin, or the tower as a whole.
Place = tuple[str, int | None]

#: Services that change nothing, and those that are upkeep where all bins have them.
_LOOKED, _UPKEEP = "inspected", "cleaned"
#: A tower to which this was done is learnt anew.
_RENEWED = "overhauled"

AS_EXPECTED = "as expected again"

#: A sum for the other way ends an alarm at this: 200 times as likely that all is as expected.
_ENOUGH = math.log(200.0)
#: Rate ratios that it is held against.
_LEAST_WORSE, _MOST_WORSE = 1.5, 4.0

#: Days of work that say how much a stream is used and of what paper.
_YEAR_DAYS, _LATELY_DAYS = 365, 91

#: Streams in which nothing changed, of bins and of towers, alarm so many times as often as
#: thresholds are set for. What is expected of a month is off in ways that its level does not tell,
#: and streams go on from where they stand. Found in simulated fleets (tests/slow/drift.py).
_ALLOWANCES = (1.5, 4.0)

#: A stream that expects next to nothing would alarm at its first fault or its second: no threshold
#: is lower than this, which takes three.
_LEAST_THRESHOLD = 3.5

#: Variances between runs for which thresholds are worked out; what is found is rounded up.
_VARIANCES = (0, 0.1, 0.2, 0.3, 0.45, 0.65, 1.0, 1.5, 2.0)

#: Sizes of runs relative to their mean that stand for all of them, and by how much they may differ.
_SIZES, _MOST_UNEQUAL = 8, 1.4

#: By how much what is expected of a tower in a month is off, before there is a record of it, as a
#: squared coefficient of variation, and for how many months that counts beside the record.
_OFF, _OFF_MONTHS = 0.10**2, 6.0


@dataclass(frozen=True)
class Service:
    """A service as streams know it.

    Attributes
    ----------
    when : datetime
        Wall time.
    tower : str
    bin : int or None
        None: every bin, or a part of the tower.
    of_tower : bool
        Whether it was a part of the tower as a whole.
    part, action : str
    planned : bool
        Whether it was due by the calendar.
    """

    when: dt.datetime
    tower: str
    bin: int | None
    of_tower: bool
    part: str
    action: str
    planned: bool = False

    def begins_anew(self, place: Place) -> bool:
        """Tell whether a stream of that place starts anew with it."""
        tower, number = place
        if tower != self.tower or self.action == _LOOKED:
            return False
        if self.bin is not None:
            return number == self.bin
        if self.of_tower:
            return number is None
        return self.action != _UPKEEP

    @property
    def upkeep(self) -> bool:
        """Whether it is done to good bins as well: evidence from before it counts on."""
        return self.action == _UPKEEP and self.planned

    @property
    def words(self) -> str:
        """Say what was done: ``brush fitted``."""
        return " ".join(word for word in (self.part, self.action) if word)


@dataclass
class AlarmState:
    """An alarm as it stands."""

    alarmed_at: dt.datetime
    #: When it began, as it was told on that day; None where that could not be told.
    at_alarm: Dated | None
    #: The stream's history that it was raised on begins here; None: with the log.
    history_from: dt.datetime | None
    #: Rate ratio against which *as expected again* is held, and the sum for it.
    worse: float
    back: float = 0.0
    #: Since the alarm.
    faults: float = 0.0
    expected: float = 0.0
    #: When it began, once enough has come after it to say so for good, or it is over.
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
    """A stream as it stands after a run."""

    sums: list[float] = field(default_factory=lambda: [0.0] * len(RATIOS))
    #: When it last started anew; None: never.
    anew: dt.datetime | None = None
    #: The level that it has while it is under alarm.
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
        `expected` of this place; `plain` of an ordinary bin of its tower.
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


def months(first: dt.datetime, last: dt.datetime) -> list[dt.datetime]:
    """Return when it is learnt anew: the log's first day, half a year on, then every month.

    Parameters
    ----------
    first, last : datetime
        Of the log.

    Returns
    -------
    list of datetime
        The first is the log's own first day; up to one that is after `last`.
    """
    day = dt.datetime.combine(first.date(), dt.time())
    out = [day]
    number = LEARNT_MONTHS
    while out[-1] <= last:
        out.append(_later(day, number))
        number += 1
    return out


def _later(day: dt.datetime, number: int) -> dt.datetime:
    """Return the same day of a later month, or the 28th where it has none such."""
    year, month = divmod(day.year * 12 + day.month - 1 + number, 12)
    return day.replace(year=year, month=month + 1, day=min(day.day, 28))


def watch(
    counted: Callable[[dt.datetime, dt.datetime], pa.Table],
    first: dt.datetime,
    last: dt.datetime,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    services: Sequence[Service],
    *,
    budget: float = 1.0,
    kept: Kept | None = None,
) -> tuple[list[Month], Learnt]:
    """Run through a log, month by month.

    Parameters
    ----------
    counted : callable
        Gives the counts of rows that start at one moment or later and before another: by run (see
        `analysis.counts.LogScan.by_run`), grouped by `analysis.conditions_levels.COLUMNS` and
        `settings`.
    first, last : datetime
        Of the log.
    stocks : sequence of mapping
        Rows of the stock list.
    settings : sequence of str
        Columns of settings.
    services : sequence of Service
        In any order.
    budget : float
        False alarms a year of a tower on which nothing changes.
    kept : Kept, optional
        Where months that were worked out before are found, and put.

    Returns
    -------
    list of Month, Learnt
        The first month is the time in which it is learnt what to expect; what is known when the
        last begins.
    """
    bounds = months(first, last)
    ordered = sorted(services, key=lambda one: one.when)
    works = _Works(counted, bounds, stocks, settings, ordered, budget)
    keeper = kept or Kept()
    out: list[Month] = []
    learnt: Learnt | None = None
    # Small matrices are solved sooner by one thread than by several that wait for one another.
    with threadpool_limits(1, "blas"):
        for number in range(len(bounds) - 1):
            found = keeper.month(number)
            if found is None:
                # The first months teach what is expected of themselves and of the month after.
                again = learnt if number == 1 else None
                learnt = keeper.learnt(number) or again or works.learn(number, out, keeper)
                found = works.held(number, learnt, out)
                keeper.keep(number, found, learnt)
            else:
                learnt = None
            out.append(found)
        last_one = len(out) - 1
        known = learnt or keeper.learnt(last_one) or works.learn(last_one, out[:-1], keeper)
    return out, known


class Kept:
    """Where months and what was learnt before them are kept; this one keeps nothing."""

    def month(self, number: int) -> Month | None:
        """Return a month that was worked out before, if it still holds."""
        return None

    def learnt(self, number: int) -> Learnt | None:
        """Return what was learnt before a month, if it still holds."""
        return None

    def keep(self, number: int, month: Month, learnt: Learnt) -> None:
        """Keep a month and what was learnt before it."""


@dataclass(frozen=True)
class Learnt:
    """What is known when a month begins, by the runs before it.

    Attributes
    ----------
    references : tuple of Reference or None
        By kind; None where there was no such fault yet.
    places : tuple of Place
        Bins, then towers as a whole.
    begun : tuple of datetime
        When each of them is monitored from.
    level : float array, kinds x places
        Of a bin, times what an ordinary bin of its tower has.
    squared_cv : float array, kinds x places
        How sure what is expected of each is.
    yearly, sizes : float array, kinds x places
        Faults to be expected of each in a year of such work, and in one run.
    thresholds : float array, kinds x places x ratios
        Of the sums of `analysis.cusum`.
    doubling : float array, kinds x places
        Expected faults until twice as many would be noticed, on average.
    variance : float array, kinds x 2
        Between runs, of a bin and of a tower.
    """

    references: tuple[Reference | None, ...]
    places: tuple[Place, ...]
    begun: tuple[dt.datetime, ...]
    level: FloatArray
    squared_cv: FloatArray
    yearly: FloatArray
    sizes: FloatArray
    thresholds: FloatArray
    doubling: FloatArray
    variance: FloatArray

    @property
    def between_bins(self) -> tuple[float, ...]:
        """Squared coefficient of variation of the rate between bins, of each kind."""
        return tuple(one.between_bins if one is not None else 1.0 for one in self.references)


@dataclass(frozen=True)
class _Rows:
    """Rows of a scan, kind by kind, brought to bins of runs."""

    place: IntArray
    run: IntArray
    started: NDArray[np.datetime64]
    faults: FloatArray
    plain: FloatArray
    feeds: FloatArray


class _Works:
    """All towers of a log."""

    def __init__(
        self,
        counted: Callable[[dt.datetime, dt.datetime], pa.Table],
        bounds: Sequence[dt.datetime],
        stocks: Sequence[Mapping[str, object]],
        settings: Sequence[str],
        services: Sequence[Service],
        budget: float,
    ) -> None:
        self._counted, self._bounds = counted, bounds
        self._stocks, self._settings, self._services = stocks, settings, services
        self._budget = budget
        self._scans: dict[int, pa.Table] = {}
        self._references: tuple[Reference | None, ...] = ()

    def _scan(self, number: int) -> pa.Table:
        if number not in self._scans:
            self._scans[number] = self._counted(self._bounds[number], self._bounds[number + 1])
        return self._scans[number]

    def learn(self, number: int, before: Sequence[Month], keeper: Kept) -> Learnt:
        """Learn what to expect of a month by those before it; of the first, by itself."""
        counts = pa.concat_tables([self._scan(at) for at in range(max(number, 1))])
        states = before[-1].states if before else {}
        bins = _bins(counts)
        at = self._bounds[max(number, 1)]
        begun = self._begun(counts)
        towers = sorted({tower for tower, _ in bins})
        places: tuple[Place, ...] = (*bins, *((tower, None) for tower in towers))
        of_tower = np.array([towers.index(tower) for tower, _ in bins], dtype=np.int64)
        shape = (len(KINDS), len(places))
        level, cv = np.ones(shape), np.zeros(shape)
        yearly, sizes = np.zeros(shape), np.ones(shape)
        variance = np.zeros((len(KINDS), 2))
        references: list[Reference | None] = []
        unequal = 0.0
        for k, kind in enumerate(KINDS):
            left_out = _left_out(counts, kind, states, begun)
            large = counts.num_rows > _ROWS_TO_LEARN and number > 1
            if large and not self._references:
                # Of a month that was worked out another time.
                earlier = keeper.learnt(number - 1) or self.learn(number - 1, before[:-1], keeper)
                self._references = earlier.references
            was = self._references[k] if large else None
            found = learn(
                counts,
                kind,
                self._stocks,
                self._settings,
                left_out=left_out if left_out.any() else None,
                strengths=was.strengths if was is not None else None,
            )
            references.append(found)
            if found is None:
                continue
            told = _Told(counts, found, bins, of_tower, left_out)
            old = told.older(at, _months_before(at), begun, self._renewed(at))
            level[k], cv[k], variance[k] = told.levels(old)
            off = _record(before, KINDS[k], variance[k, 1])
            cv[k] += np.maximum(told.not_known(level[k], old, at), off)
            yearly[k], sizes[k] = told.pace(level[k], at)
            unequal = max(unequal, told.unequal_sizes())
        thresholds, doubling = self._thresholds(yearly, sizes, cv, variance, unequal, of_tower)
        self._references = tuple(references)
        return Learnt(
            self._references,
            places,
            tuple(begun[tower] for tower, _ in places),
            level,
            cv,
            yearly,
            sizes,
            thresholds,
            doubling,
            variance,
        )

    def _renewed(self, at: dt.datetime) -> dict[str, dt.datetime]:
        """Return since when towers are as good as new, where that is six months ago or more."""
        return {
            one.tower: one.when
            for one in self._services
            if one.action == _RENEWED and one.bin is None and not one.of_tower
            if one.when <= _months_before(at)
        }

    def _begun(self, counts: pa.Table) -> dict[str, dt.datetime]:
        """Say from when each tower is monitored: from the first learning after six months."""
        firsts = (
            counts.select(["of_tower", "first"]).group_by("of_tower").aggregate([("first", "min")])
        )
        out = {}
        for row in firsts.to_pylist():
            day = dt.datetime.combine(row["first_min"].date(), dt.time())
            whole = _later(day, LEARNT_MONTHS)
            later = [bound for bound in self._bounds[1:] if bound >= whole]
            out[str(row["of_tower"])] = later[0] if later else whole
        return out

    def _thresholds(
        self,
        yearly: FloatArray,
        sizes: FloatArray,
        cv: FloatArray,
        variance: FloatArray,
        unequal: float,
        of_tower: IntArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Share a tower's false alarms out over its streams, and find each one's thresholds."""
        bins = of_tower.size
        towers = yearly.shape[1] - bins
        number = np.bincount(of_tower, minlength=towers)
        total = np.bincount(of_tower, yearly[:, :bins].sum(axis=0), towers)
        shares = np.zeros(yearly.shape)
        whole = np.where(total > 0, total, 1.0)
        each = number / (number + 1.0)
        shares[:, :bins] = yearly[:, :bins] / whole[of_tower] * each[of_tower]
        # As much for what its bins share as for a bin on average.
        active = (yearly[:, bins:] > 0).sum(axis=0)
        shares[:, bins:] = (1 - each) / np.maximum(active, 1)
        allowed = np.full(yearly.shape[1], _ALLOWANCES[0])
        allowed[bins:] = _ALLOWANCES[1]
        chance = -np.expm1(-self._budget / allowed * shares)
        out = np.full((*yearly.shape, len(RATIOS)), np.inf)
        doubling = np.full(yearly.shape, np.inf)
        for k in range(len(KINDS)):
            for column, part in ((0, slice(0, bins)), (1, slice(bins, None))):
                used = np.flatnonzero(yearly[k, part] > 0) + (part.start or 0)
                if used.size:
                    table = _table(unequal, _rounded(variance[k, column]))
                    out[k, used] = table.thresholds(
                        np.clip(chance[k, used], 1e-6, 0.9),
                        yearly[k, used],
                        sizes[k, used],
                        np.minimum(cv[k, used], 1.0),
                    )
                    out[k, used] = np.maximum(out[k, used], _LEAST_THRESHOLD)
                    doubling[k, used] = table.until_noticed(out[k, used], sizes[k, used], 2.0)
        return out, doubling

    # A month held against it.

    def held(self, number: int, learnt: Learnt, before: Sequence[Month]) -> Month:
        """Hold the runs of a month against what is expected of them."""
        counts = self._scan(number)
        since, until = self._bounds[number], self._bounds[number + 1]
        rows, new_paper = _brought(counts, learnt)
        states = _carried(before[-1] if before else None, learnt)
        passage = _Passage(learnt, rows, states, before)
        # What was done before the log began begins a stream too.
        begin = since if before else dt.datetime.min
        done = [one for one in self._services if begin <= one.when < until]
        passage.through(done, monitored=number > 0)
        return passage.month(since, until, new_paper)


#: With more rows of counts the strengths of ridges are those of the month before.
_ROWS_TO_LEARN = 60_000


def _months_before(at: dt.datetime) -> dt.datetime:
    return _later(dt.datetime.combine(at.date(), dt.time()), -LEARNT_MONTHS)


def _rounded(variance: float) -> float:
    """Round a variance up to one for which thresholds are worked out."""
    return next((float(v) for v in _VARIANCES if v >= variance - 0.01), float(_VARIANCES[-1]))


@lru_cache(maxsize=64)
def _table(unequal: float, variance: float) -> RunLengthTable:
    """Work out run lengths for runs whose sizes are spread as a gamma distribution is."""
    shape = 1 / max(unequal, 1e-3) ** 2
    sizes = special.gammaincinv(shape, (np.arange(_SIZES) + 0.5) / _SIZES)
    return run_length_table(sizes / sizes.mean(), variance)


def _bins(counts: pa.Table) -> tuple[tuple[str, int], ...]:
    found = counts.select(["of_tower", "bin"]).group_by(["of_tower", "bin"]).aggregate([])
    return tuple(
        sorted(
            (str(row["of_tower"]), int(row["bin"]))
            for row in found.to_pylist()
            if row["bin"] is not None
        )
    )


def _coded(counts: pa.Table, bins: Sequence[tuple[str, int]]) -> IntArray:
    """Return the place of each row of a scan among the bins; -1 where it is none of them."""
    index = {place: code for code, place in enumerate(bins)}
    names, code = encoded(counts["of_tower"])
    number = counts["bin"].fill_null(0).to_numpy().astype(np.int64)
    most = int(number.max(initial=0)) + 1
    pairs, at = np.unique(code * most + number, return_inverse=True)
    of_pair = [index.get((str(names[p // most]), int(p % most)), -1) for p in pairs.tolist()]
    return np.array(of_pair, dtype=np.int64)[at]


def _started(counts: pa.Table) -> NDArray[np.datetime64]:
    moments: NDArray[np.datetime64] = counts["first"].to_numpy().astype("datetime64[us]")
    return moments


def _left_out(
    counts: pa.Table,
    kind: str,
    states: Mapping[tuple[Place, str], StreamState],
    begun: Mapping[str, dt.datetime],
) -> BoolArray:
    """Tell which rows belong to a stream under alarm; to a tower's, if to any of its bins.

    Not those of a tower's first months: something has to say what to expect of it.
    """
    out = np.zeros(counts.num_rows, dtype=bool)
    spans: list[tuple[Place, dt.datetime, dt.datetime | None]] = [
        (place, max(alarm.began, begun.get(place[0], alarm.began)), alarm.closed_at)
        for (place, of), state in states.items()
        if of == kind
        for alarm in state.alarms
    ]
    if not spans:
        return out
    started = _started(counts)
    bins = _bins(counts)
    code = _coded(counts, bins)
    for (tower, number), start, closed in spans:
        here = [place for place, (t, n) in enumerate(bins) if t == tower and number in (None, n)]
        during = started >= np.datetime64(start)
        if closed is not None:
            during &= started < np.datetime64(closed)
        out |= during & np.isin(code, here)
    return out


class _Told:
    """What a reference says of the runs that it rests on."""

    def __init__(
        self,
        counts: pa.Table,
        reference: Reference,
        bins: Sequence[tuple[str, int]],
        of_tower: IntArray,
        left_out: BoolArray,
    ) -> None:
        self._reference, self._of_tower = reference, of_tower
        self._bins = len(bins)
        self._towers = int(of_tower.max(initial=-1)) + 1
        self._names = sorted({tower for tower, _ in bins})
        found = reference.explained(counts)
        self._rows = found.rows
        kept = found.rows.kept
        self._place = _coded(counts, bins)[kept]
        self._started = _started(counts)[kept]
        self._faults, self._expected = found.faults, found.expected
        self._left_out = left_out[kept]
        self._run = found.rows.run

    def older(
        self,
        at: dt.datetime,
        before: dt.datetime,
        begun: Mapping[str, dt.datetime],
        renewed: Mapping[str, dt.datetime],
    ) -> BoolArray:
        """Tell which rows the levels of bins are learnt from."""
        starts, ends = [], []
        for tower in self._names:
            new = renewed.get(tower)
            # After an overhaul the first six months, as when the log began.
            learnt = begun[tower] if new is None else _later(new, LEARNT_MONTHS)
            starts.append(np.datetime64(new or dt.datetime(YEARS[0], 1, 1)))
            ends.append(np.datetime64(max(min(at, learnt), before)))
        tower_of = self._of_tower[self._place]
        inside = self._started >= np.array(starts, dtype="datetime64[us]")[tower_of]
        inside &= self._started < np.array(ends, dtype="datetime64[us]")[tower_of]
        return np.asarray(inside & ~self._left_out)

    def levels(self, old: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return level and squared coefficient of variation of each place, and the variances."""
        place, run = self._place[old], self._run[old]
        bin_run = np.unique(place * (int(run.max(initial=0)) + 1) + run, return_inverse=True)[1]
        count = int(bin_run.max(initial=-1)) + 1
        x, m = (_sums(bin_run, one[old], count) for one in (self._faults, self._expected))
        where = np.zeros(count, dtype=np.int64)
        where[bin_run] = place
        of_run = np.zeros(count, dtype=np.int64)
        of_run[bin_run] = run
        of_bin, expected, squared = (_sums(where, w, self._bins) for w in (x, m, m**2))
        # Twice: levels need the variance between runs, and that needs levels.
        variances = (0.0, 0.0)
        for _ in range(2):
            found = levels(
                of_bin,
                expected,
                squared,
                self._of_tower,
                between_bins=self._reference.between_bins,
                variance=variances[0],
            )
            here = m * found.level[where]
            total, whole = _sums(of_run, x), _sums(of_run, here)
            of_tower = _variance(total, whole)
            variances = (max(_variance(x, here), of_tower), of_tower)
        towers = self._of_tower[where]
        known = np.bincount(towers, here, self._towers)
        squares = np.zeros(self._towers)
        tower_of_run = np.zeros(total.size, dtype=np.int64)
        tower_of_run[of_run] = towers
        squares += np.bincount(tower_of_run, whole**2, self._towers)
        with np.errstate(divide="ignore", invalid="ignore"):
            cv = (1 + variances[1] * squares / known) / known
        level = np.concatenate([found.level, np.ones(self._towers)])
        of_towers = np.where(known > 0, np.minimum(cv, 1.0), 1.0)
        return level, np.concatenate([found.squared_cv, of_towers]), np.array(variances)

    def not_known(self, level: FloatArray, old: BoolArray, at: dt.datetime) -> FloatArray:
        """Return how unsure it is what the papers and the air of late do to each place."""
        lately = self._started >= np.datetime64(at - dt.timedelta(days=_LATELY_DAYS))
        weights = self._expected * level[self._place]
        out = []
        for group, count in (
            (self._place, self._bins),
            (self._of_tower[self._place], self._towers),
        ):
            then = self._reference.spread(self._rows, weights, np.where(old, group, -1), count)
            now = np.where(lately, group, -1)
            out.append(self._reference.squared_cv(self._rows, weights, now, count, then))
        return np.concatenate(out)

    def pace(self, level: FloatArray, at: dt.datetime) -> tuple[FloatArray, FloatArray]:
        """Return the faults expected of each place in a year of such work, and in a run."""
        begin = np.datetime64(at - dt.timedelta(days=_YEAR_DAYS))
        used = self._started >= begin
        place, run = self._place[used], self._run[used]
        weights = self._expected[used] * level[place]
        firsts = np.full(self._towers, np.datetime64(at), dtype="datetime64[us]")
        np.minimum.at(firsts, self._of_tower[place], self._started[used])
        days = (np.datetime64(at) - firsts).astype("timedelta64[s]").astype(np.float64) / 86_400
        year = _YEAR_DAYS / np.maximum(days, 1.0)
        most = int(run.max(initial=0)) + 1
        yearly, sizes = [], []
        for group, tower in (
            (place, self._of_tower),
            (self._of_tower[place], np.arange(self._towers)),
        ):
            count = tower.size
            total = np.bincount(group, weights, count)
            runs = np.unique(group * most + run) // most
            number = np.bincount(runs, minlength=count)
            yearly.append(total * year[tower])
            sizes.append(np.where(number > 0, total / np.maximum(number, 1), 1.0))
        return np.concatenate(yearly), np.concatenate(sizes)

    def unequal_sizes(self) -> float:
        """Return the coefficient of variation of the size of runs, rounded up to fifths."""
        total = _sums(self._run, self._expected)
        total = total[total > 0]
        if total.size < 2:
            return 0.0
        return min(math.ceil(5 * float(total.std() / total.mean()) - 0.25) / 5, _MOST_UNEQUAL)


def _record(before: Sequence[Month], kind: str, variance: float) -> float:
    """Say by how much what was expected of towers in earlier months was off, beyond chance.

    A squared coefficient of variation. Each month of a tower counts by how much it says; one that
    is far off, as while a pump wears out, counts as if it were off by two and a half of its
    standard deviations.
    """
    k = KINDS.index(kind)
    total, weight = _OFF_MONTHS * _OFF, _OFF_MONTHS
    for month in before[1:]:
        whole = np.array([number is None for _, number in month.places])
        mine = whole[month.place] & month.monitored
        place, m = month.place[mine], month.expected[k, mine]
        count = len(month.places)
        x, e = _sums(place, month.faults[k, mine], count), _sums(place, m, count)
        some = e > 0
        chance = (1 + variance * _sums(place, m**2, count)[some] / e[some]) / e[some]
        off = np.minimum((x[some] / e[some] - 1) ** 2, 6.25 * (chance + _OFF)) - chance
        says = (_OFF / (_OFF + chance)) ** 2
        total += float((says * off).sum())
        weight += float(says.sum())
    return max(total / weight, _LEAST_OFF)


#: What is expected of a month is never taken to be known better.
_LEAST_OFF = 0.03**2


def _sums(codes: IntArray, weights: FloatArray, count: int = 0) -> FloatArray:
    return np.bincount(codes, weights, count).astype(np.float64, copy=False)


def _variance(faults: FloatArray, expected: FloatArray) -> float:
    """Estimate the squared coefficient of variation of rates between runs, by moments."""
    squares = float((expected**2).sum())
    if squares <= 0:
        return 0.0
    return max(0.0, float(((faults - expected) ** 2 - faults).sum()) / squares)


def _brought(counts: pa.Table, learnt: Learnt) -> tuple[_Rows, tuple[tuple[str, int], ...]]:
    """Bring rows of a scan to one row for each bin of a run; say what paper is not judged."""
    bins = [place for place in learnt.places if place[1] is not None]
    place = _coded(counts, bins)  # type: ignore[arg-type]
    started = _started(counts)
    known = place >= 0
    used = np.flatnonzero(known)
    _, tower = encoded(counts["of_tower"])
    runs, of_name = encoded(counts["of_run"])
    key = tower * (len(runs) + 1) + of_name
    _, run = np.unique(key[used], return_inverse=True)
    begun = np.full(int(run.max(initial=-1)) + 1, np.datetime64("NaT"), dtype="datetime64[us]")
    order = np.argsort(started[used])[::-1]
    begun[run[order]] = started[used][order]
    # Runs in order of time; of those that began at once, by tower and name.
    rank = np.empty(begun.size, dtype=np.int64)
    rank[np.argsort(begun, kind="stable")] = np.arange(begun.size)
    run = rank[run]
    number = len(bins)
    cell, at = np.unique(run * max(number, 1) + place[used], return_inverse=True)
    size = cell.size
    faults, plain, feeds = (np.zeros((len(KINDS), size)) for _ in range(3))
    back = np.full(counts.num_rows, -1, dtype=np.int64)
    back[used] = at
    unknown: dict[str, int] = {}
    stock = counts["stock"]
    for k, reference in enumerate(learnt.references):
        if reference is None:
            # Nothing is expected; what there was is told all the same.
            for into, name in ((faults, KINDS[k]), (feeds, f"feeds_{KINDS[k]}")):
                values = counts[name].to_numpy().astype(np.float64)
                into[k] = np.bincount(back[used], values[used], size)
            continue
        found = reference.explained(counts)
        mine = (back[found.rows.kept] >= 0) & found.known
        cells = back[found.rows.kept][mine]
        faults[k] = np.bincount(cells, found.faults[mine], size)
        plain[k] = np.bincount(cells, found.expected[mine], size)
        feeds[k] = np.bincount(cells, found.rows.feeds[mine], size)
        strange = ~found.known
        if strange.any():
            names = stock.take(pa.array(found.rows.kept[strange])).to_pylist()
            fed: dict[str, float] = {}
            for one, many in zip(names, found.rows.feeds[strange].tolist(), strict=True):
                fed[one or ""] = fed.get(one or "", 0.0) + many
            for one, many in fed.items():
                unknown[one] = max(unknown.get(one, 0), int(many))
    rows = _Rows(
        place=(cell % max(number, 1)).astype(np.int64),
        run=(cell // max(number, 1)).astype(np.int64),
        started=begun[rank.argsort()][cell // max(number, 1)] if size else begun[:0],
        faults=faults,
        plain=plain,
        feeds=feeds,
    )
    return rows, tuple(sorted(unknown.items()))


def _carried(before: Month | None, learnt: Learnt) -> dict[tuple[Place, str], StreamState]:
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


#: Expected faults after an alarm from which on they say at what level a stream goes on.
ENOUGH_EXPECTED = 10.0


class _Passage:
    """A month, run by run."""

    def __init__(
        self,
        learnt: Learnt,
        rows: _Rows,
        states: Mapping[tuple[Place, str], StreamState],
        before: Sequence[Month],
    ) -> None:
        self._learnt, self._rows, self._states = learnt, rows, dict(states)
        self._before = before
        places = learnt.places
        self._bins = sum(number is not None for _, number in places)
        towers = [tower for tower, number in places if number is None]
        self._towers = towers
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
        self._of_towers = np.zeros((4, len(KINDS), count))
        self._near_towers = np.zeros((len(KINDS), count))
        self._monitored = np.zeros(count, dtype=bool)

    def _load(self, k: int, p: int, state: StreamState) -> None:
        self._sums[k, p] = state.sums
        self._lift[k, p] = state.lift
        self._alarms[k, p] = bool(state.under_alarm)

    def through(self, services: Sequence[Service], *, monitored: bool) -> None:
        """Run through all of its runs and services in the order of time."""
        rows, variance = self._rows, self._learnt.variance
        bins = np.stack(
            [
                scores(rows.faults[k][:, None], self._expected[k][:, None], variance[k, 0], RATIOS)
                for k in range(len(KINDS))
            ]
        )
        summed = [
            np.add.reduceat(a, self._starts, axis=1) if self._starts.size else a
            for a in (rows.faults, self._expected, rows.plain, rows.feeds)
        ]
        towers = np.stack(
            [
                scores(summed[0][k][:, None], summed[1][k][:, None], variance[k, 1], RATIOS)
                for k in range(len(KINDS))
            ]
        )
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
            fed = self._expected[:, start:end] > 0
            now = np.maximum(self._sums[:, place] + gained, 0.0)
            now = np.where(fed[..., None], now, self._sums[:, place])
            self._sums[:, place] = now
            near = (now / thresholds[:, place]).max(axis=2)
            self._evidence[:, start:end] = near
            if self._of_towers[1, :, number].any():
                total = np.maximum(self._sums[:, whole] + of_tower, 0.0)
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

    def _gained(
        self, number: int, start: int, end: int, whole: int, alarmed: BoolArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return what sums gain with a run some of whose streams are under alarm."""
        rows, variance = self._rows, self._learnt.variance
        place = rows.place[start:end]
        faults, expected = rows.faults[:, start:end], self._expected[:, start:end]
        gained = np.zeros((*faults.shape, len(RATIOS)))
        of_tower = np.zeros((len(KINDS), len(RATIOS)))
        for k in range(len(KINDS)):
            level = expected[k] * self._lift[k, place]
            gained[k] = scores(faults[k][:, None], level[:, None], variance[k, 0], RATIOS)
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
            self._end(k, p, _moment(self._when[number]), AS_EXPECTED, number)

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
        when = _moment(self._when[number])
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
            now = _history(
                rows.started[mine],
                *(a[k, mine] for a in (rows.faults, rows.feeds, self._expected, rows.plain)),
                self._evidence[k, mine],
                self._monitored[rows.run[mine] - int(rows.run[0])],
            )
        else:
            mine = np.flatnonzero(self._tower[: number + 1] == p - self._bins)
            faults, expected, plain, feeds = (self._of_towers[at, k, mine] for at in range(4))
            now = _history(
                self._when[mine],
                faults,
                feeds,
                expected,
                plain,
                self._near_towers[k, mine],
                self._monitored[mine],
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


def history(months: Sequence[Month], place: Place, kind: str) -> History:
    """Return the runs of a stream over some months."""
    k = KINDS.index(kind)
    found = []
    for month in months:
        if place in month.places:
            mine = np.flatnonzero(month.place == month.places.index(place))
            found.append(
                _history(
                    month.started[mine],
                    *(a[k, mine] for a in (month.faults, month.feeds, month.expected, month.plain)),
                    month.evidence[k, mine],
                    month.monitored[mine],
                )
            )
    return joined(found)


def joined(parts: Sequence[History]) -> History:
    """Put histories one after another."""
    if not parts:
        none = np.zeros(0)
        return _history(np.zeros(0, dtype="datetime64[us]"), *[none] * 5, np.zeros(0, dtype=bool))
    return History(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in _FIELDS}
    )


_FIELDS = ("started", "faults", "feeds", "expected", "plain", "evidence", "monitored")


def _history(*arrays: NDArray[Any]) -> History:
    return History(**dict(zip(_FIELDS, arrays, strict=True)))


#: The level of a stream under alarm is taken to be at most so many times what is expected.
_MOST_LIFT = 20.0
