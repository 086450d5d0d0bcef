"""What is known of each stream when a month begins, by the runs before it?

What paper, air and settings do is learnt anew each month (`analysis.reference`), and so are the
levels of bins, the spread between runs, how sure all that is, and what that makes of thresholds
(`analysis.alarm_budget`). Runs under alarm are left out.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.alarm_budget import shared_out
from analysis.log_format import YEARS
from analysis.reference import Reference, learn, levels
from analysis.service_log import Place
from analysis.stream_months import KINDS, Month, StreamState, bin_of_rows, bins_of, started_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Months of a tower in which it is learnt what to expect, and months for which the level of a bin
#: is not learnt anew.
LEARNT_MONTHS = 6

#: Days of work that say how much a stream is used and of what paper.
_YEAR_DAYS, _LATELY_DAYS = 365, 91

#: By how much what is expected of a tower in a month is off, before there is a record of it, as a
#: squared coefficient of variation, and for how many months that counts beside the record.
_OFF, _OFF_MONTHS = 0.10**2, 6.0

#: What is expected of a month is never taken to be known better.
_LEAST_OFF = 0.03**2

#: By how much sizes of runs may differ at most, as a coefficient of variation.
_MOST_UNEQUAL = 1.4


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


def learn_month(
    counts: pa.Table,
    at: dt.datetime,
    before: Sequence[Month],
    begun: Mapping[str, dt.datetime],
    renewed: Mapping[str, dt.datetime],
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    budget: float,
    *,
    like: Sequence[Reference | None] | None = None,
) -> Learnt:
    """Learn what to expect of the runs of a month.

    Parameters
    ----------
    counts : pyarrow.Table
        Rows of a scan by run, up to the month; of the first month, its own.
    at : datetime
        Where it is learnt: the month's first moment, of the first month the next one's.
    before : sequence of Month
        All earlier ones.
    begun : mapping of str to datetime
        From when each tower is monitored.
    renewed : mapping of str to datetime
        Since when towers are as good as new, where they are.
    stocks : sequence of mapping
        Rows of the stock list.
    settings : sequence of str
        Columns of settings.
    budget : float
        False alarms a year of a tower on which nothing changes.
    like : sequence of Reference or None, optional
        Of an earlier month, by kind: the strengths of its ridges are taken over.
    """
    states = before[-1].states if before else {}
    bins = bins_of(counts)
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
        was = like[k] if like is not None else None
        found = learn(
            counts,
            kind,
            stocks,
            settings,
            left_out=left_out if left_out.any() else None,
            strengths=was.strengths if was is not None else None,
        )
        references.append(found)
        if found is None:
            continue
        told = _Told(counts, found, bins, of_tower, left_out)
        old = told.older(at, months_before(at), begun, renewed)
        level[k], cv[k], variance[k] = told.levels(old)
        off = _record(before, kind, variance[k, 1])
        cv[k] += np.maximum(told.not_known(level[k], old, at), off)
        yearly[k], sizes[k] = told.pace(level[k], at)
        unequal = max(unequal, told.unequal_sizes())
    thresholds, doubling = shared_out(budget, yearly, sizes, cv, variance, unequal, of_tower)
    return Learnt(
        tuple(references),
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
        self._place = bin_of_rows(counts, bins)[kept]
        self._started = started_of(counts)[kept]
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
        """Tell which rows the levels of bins are learnt from.

        Those before `at` while a tower is in its first months, from then on those `before` a day;
        of a renewed tower since then.
        """
        starts, ends = [], []
        for tower in self._names:
            new = renewed.get(tower)
            # After an overhaul the first six months, as when the log began.
            learnt = begun[tower] if new is None else later(new, LEARNT_MONTHS)
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
        tower_of_run = np.zeros(total.size, dtype=np.int64)
        tower_of_run[of_run] = towers
        squares = np.bincount(tower_of_run, whole**2, self._towers)
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
        """Return the coefficient of variation of the size of runs, in fifths: 0, 0.2, 0.4 …"""
        total = _sums(self._run, self._expected)
        total = total[total > 0]
        if total.size < 2:
            return 0.0
        return min(math.ceil(5 * float(total.std() / total.mean()) - 0.25) / 5, _MOST_UNEQUAL)


def _left_out(
    counts: pa.Table,
    kind: str,
    states: Mapping[tuple[Place, str], StreamState],
    begun: Mapping[str, dt.datetime],
) -> BoolArray:
    """Tell which rows belong to a bin under alarm, or to any bin of a tower under alarm.

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
    started = started_of(counts)
    bins = bins_of(counts)
    code = bin_of_rows(counts, bins)
    for (tower, number), start, closed in spans:
        here = [place for place, (t, n) in enumerate(bins) if t == tower and number in (None, n)]
        during = started >= np.datetime64(start)
        if closed is not None:
            during &= started < np.datetime64(closed)
        out |= during & np.isin(code, here)
    return out


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


def months_before(at: dt.datetime) -> dt.datetime:
    """Return the day from which on the level of a bin is not learnt anew."""
    return later(dt.datetime.combine(at.date(), dt.time()), -LEARNT_MONTHS)


def later(day: dt.datetime, number: int) -> dt.datetime:
    """Return the same day of a later month; of the 29th and later, which not all have, the 28th."""
    year, month = divmod(day.year * 12 + day.month - 1 + number, 12)
    return day.replace(year=year, month=month + 1, day=min(day.day, 28))


def _sums(codes: IntArray, weights: FloatArray, count: int = 0) -> FloatArray:
    return np.bincount(codes, weights, count).astype(np.float64, copy=False)


def _variance(faults: FloatArray, expected: FloatArray) -> float:
    """Estimate the squared coefficient of variation of rates between runs, by moments."""
    squares = float((expected**2).sum())
    if squares <= 0:
        return 0.0
    return max(0.0, float(((faults - expected) ** 2 - faults).sum()) / squares)
