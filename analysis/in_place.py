"""Which part is in which bin since when, how many feeds has it had, and how fast does it run?

The service log is gone through in the order of time, as `analysis.ages` does: a part is new when it
is *fitted* or *overhauled* by name, of unknown age when it is *swapped*, and what was in its place
before has ended. Its feeds are those of the runs that began since then.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from scipy import special

from analysis.service_log import Service

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: The pace of late is that of so many days, or of as many whole weeks as there are.
PACE_DAYS = 91
_WEEK = 7

_FITTED, _OVERHAULED, _SWAPPED = "fitted", "overhauled", "swapped"


@dataclass(frozen=True)
class InPlace:
    """A part that is in place now.

    Attributes
    ----------
    tower : str
    bin : int or None
        None for a part of the tower as a whole.
    part : str
        In lower case.
    fitted_at : datetime or None
        Wall time; None where the service log does not say.
    swapped : bool
        Whether its age is unknown because it came from another place.
    """

    tower: str
    bin: int | None
    part: str
    fitted_at: dt.datetime | None
    swapped: bool = False


@dataclass(frozen=True)
class TakenOut:
    """A part that was in place from one moment to another.

    Attributes
    ----------
    tower, bin, part
        As of `InPlace`.
    fitted_at, removed_at : datetime
        Wall time.
    reason : str
        Why the next one was fitted: ``planned``, ``worn``, ``broken``, or empty.
    """

    tower: str
    bin: int | None
    part: str
    fitted_at: dt.datetime
    removed_at: dt.datetime
    reason: str


def in_place(
    done: Sequence[Service],
    bins: Mapping[str, Sequence[int]],
    carried: Callable[[str], tuple[Iterable[str], Iterable[str]]],
) -> tuple[list[InPlace], list[TakenOut]]:
    """Which part is where since when, and which were taken out?

    Parameters
    ----------
    done : sequence of Service
        In order of time.
    bins : mapping of str to sequence of int
        Bins by tower; services of others are left out.
    carried : callable
        From a tower to the parts that each of its bins carries, and those of the tower as a whole,
        as the site says.

    Returns
    -------
    list of InPlace, list of TakenOut
        The first by tower, bin (the tower's own last) and part. A part that is carried, or was ever
        serviced where others of its name were fitted, is in place although nothing says since when.
    """
    now: dict[tuple[str, int | None, str], InPlace] = {}
    out: list[TakenOut] = []
    wearing = {(one.of_tower, one.part) for one in done if one.action == _FITTED and one.part}
    for tower, numbers in bins.items():
        of_bins, of_tower = carried(tower)
        for part in of_bins:
            now.update({(tower, n, part): InPlace(tower, n, part, None) for n in numbers})
        for part in of_tower:
            now[tower, None, part] = InPlace(tower, None, part, None)
    # Of entries at one moment the fitting comes last, and stands.
    for service in sorted(done, key=lambda one: (one.when, one.action != _SWAPPED)):
        if (service.of_tower, service.part) not in wearing or service.tower not in bins:
            continue
        if service.of_tower:
            places: list[int | None] = [None]
        elif service.bin is None:
            places = [*bins[service.tower]]
        else:
            places = [n for n in bins[service.tower] if n == service.bin]
        for number in places:
            key = (service.tower, number, service.part)
            before = now.get(key)
            new = service.action in (_FITTED, _OVERHAULED)
            if before is None or new or service.action == _SWAPPED:
                swapped = service.action == _SWAPPED
                now[key] = InPlace(*key, service.when if new else None, swapped)
            if new and before is not None and before.fitted_at is not None:
                out.append(TakenOut(*key, before.fitted_at, service.when, service.reason))
    order = sorted(now, key=lambda key: (key[0], key[1] is None, key[1] or 0, key[2]))
    return [now[key] for key in order], out


@dataclass(frozen=True)
class Pace:
    """How much a bin or a tower runs of late.

    Attributes
    ----------
    per_day : float
        Feeds a day; NaN where it is not known.
    low, high : float
        Its 90 % range.
    """

    per_day: float
    low: float
    high: float


class Feeds:
    """Feeds of every bin, and cycles of every tower, in order of time.

    Parameters
    ----------
    fed : pyarrow.Table
        Feeds by tower, bin and run, of all purposes: `analysis.counts.LogScan.fed`.
    """

    def __init__(self, fed: pa.Table) -> None:
        self._of: dict[tuple[str, int | None], tuple[NDArray[np.datetime64], FloatArray]] = {}
        started = fed["first"].to_numpy().astype("datetime64[us]")
        feeds = fed["feeds"].to_numpy().astype(np.float64)
        towers, tower = _coded(fed["tower"])
        number = np.asarray(pc.fill_null(fed["bin"], 0).to_numpy(), dtype=np.int64)
        # A run began when the first of its bins did, and has as many cycles as the busiest.
        run = _coded(fed["of_run"])[1] * max(len(towers), 1) + tower
        _, first, of_run = np.unique(run, return_index=True, return_inverse=True)
        began = np.full(first.size, np.iinfo(np.int64).max)
        np.minimum.at(began, of_run, started.astype(np.int64))
        cycles = np.zeros(first.size)
        np.maximum.at(cycles, of_run, feeds)
        for place, name in enumerate(towers):
            runs = tower[first] == place
            self._add((name, None), began[runs].astype("datetime64[us]"), cycles[runs])
            for bin in np.unique(number[tower == place]).tolist():
                if bin:
                    rows = (tower == place) & (number == bin)
                    self._add((name, bin), started[rows], feeds[rows])

    def _add(
        self, place: tuple[str, int | None], when: NDArray[np.datetime64], feeds: FloatArray
    ) -> None:
        order = np.argsort(when, kind="stable")
        self._of[place] = (when[order], np.cumsum(feeds[order]))

    @property
    def bins(self) -> dict[str, list[int]]:
        """Bins that ran, by tower, sorted."""
        found: dict[str, list[int]] = {}
        for tower, number in self._of:
            here = found.setdefault(tower, [])
            if number is not None:
                here.append(number)
        return {tower: sorted(numbers) for tower, numbers in sorted(found.items())}

    def between(
        self, tower: str, bin: int | None, since: dt.datetime, until: dt.datetime | None = None
    ) -> float:
        """Return the feeds of runs that began from one moment to before another."""
        if (tower, bin) not in self._of:
            return 0.0
        moments, through = self._of[tower, bin]
        first = int(np.searchsorted(moments, np.datetime64(since)))
        last = len(moments)
        if until is not None:
            last = int(np.searchsorted(moments, np.datetime64(until)))
        return self._sum(through, first, max(first, last))

    @staticmethod
    def _sum(through: FloatArray, first: int, last: int) -> float:
        total = float(through[last - 1]) if last else 0.0
        return total - (float(through[first - 1]) if first else 0.0)

    def when(
        self, tower: str, bin: int | None, since: dt.datetime, feeds: float
    ) -> dt.datetime | None:
        """Return the start of the run in which so many feeds since a moment were passed."""
        if (tower, bin) not in self._of or math.isnan(feeds):
            return None
        moments, through = self._of[tower, bin]
        first = int(np.searchsorted(moments, np.datetime64(since)))
        before = float(through[first - 1]) if first else 0.0
        at = max(first, int(np.searchsorted(through, before + feeds)))
        if at >= len(moments):
            return None
        found = moments[at].astype(object)
        assert isinstance(found, dt.datetime)
        return found

    def pace(self, tower: str, bin: int | None, until: dt.datetime) -> Pace:
        """Return the feeds a day of the last 91 days, with a 90 % range from its weekly totals.

        By Student's t on the logarithm of the mean, so that the low end stays above nought; not
        known for less than two weeks of log.

        References
        ----------
        Student (1908). The probable error of a mean. Biometrika 6:1-25.
        """
        if (tower, bin) not in self._of:
            return Pace(0.0, 0.0, 0.0)
        # Whole days: the last one is the day of the log's end.
        end = np.datetime64(dt.datetime.combine(until.date(), dt.time.min)) + np.timedelta64(1, "D")
        began = min(moments[0] for place, (moments, _) in self._of.items() if place[0] == tower)
        days = min(PACE_DAYS, math.ceil((end - began) / np.timedelta64(1, "D")))
        weeks = days // _WEEK
        if weeks < 2:
            return Pace(math.nan, math.nan, math.nan)
        moments, through = self._of[tower, bin]
        edges = end - np.arange(weeks, -1, -1) * np.timedelta64(_WEEK, "D")
        at = np.searchsorted(moments, edges)
        totals = np.diff(np.where(at > 0, through[np.maximum(at - 1, 0)], 0.0))
        mean = float(totals.mean())
        if mean <= 0:
            return Pace(0.0, 0.0, 0.0)
        error = float(totals.std(ddof=1)) / mean / math.sqrt(weeks)
        wide = math.exp(float(special.stdtrit(weeks - 1, 0.95)) * error)
        return Pace(mean / _WEEK, mean / _WEEK / wide, mean / _WEEK * wide)


def _coded(column: pa.ChunkedArray) -> tuple[list[str], IntArray]:
    """Return the different texts of a column and the place of each row's among them."""
    coded = column.combine_chunks().dictionary_encode()
    names = [str(name) for name in coded.dictionary.to_pylist()]
    return names, np.asarray(coded.indices.to_numpy(zero_copy_only=False), dtype=np.int64)
