"""Did it help? The same bin before and after each service, beside what was to be expected.

A service is judged by how many times the faults there were after it as before it, each beside
what was to be expected of the same feeds on that paper, in that air, at those settings
(`analysis.judged`), with a range that allows for runs that differ beyond chance
(`analysis.ratios`). What is looked at are the runs that began within 91 days on either side, and
none from before or after another service of the same part in that bin: that would be the other
service's doing. Services with no feeds between them are one visit, and do not cut each other off:
what they did is then told of each of them, with the others by its side. A service of a whole
tower, or of every bin of it, compares all bins of that tower together.

A range that holds both the faults as they were and half of them says nothing yet. A range that
leaves out only the half says *did not help*: which is no blame for a part that was changed as
planned, before it had any. Where a hundred services are compared some seem to have helped and some
to have harmed by luck alone, so that the range by itself is not enough: of those that are said to
have made a difference, at most one in twenty did not (Benjamini and Hochberg 1995).

Not for a service that came with another change: new paper, air and settings are allowed for, and
another service on the same visit is named, but nothing tells the two apart. And a bin that was
serviced because it had just been worse than usual by luck is better afterwards whatever was done;
the more days there are before the service, the less of that there is.
"""

from __future__ import annotations

import datetime as dt
import math
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis import ratios
from analysis.judged import Judged
from analysis.service_log import LOOKED, Service
from analysis.words import capital, day, expected_number, listed, many, one, times_range, two_digits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Days that are looked at on either side of a service, at most.
WINDOW_DAYS = 91

#: Where even half the faults can be ruled out, a service did not help.
_A_HELP = 0.5

#: A service so long after the last run is taken to have been done: the runs follow.
LATE = dt.timedelta(days=31)

#: Share of the differences told that may be luck's.
_FALSE = 0.05

_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True)
class ServiceRow:
    """One service, and how many faults there were before and after it beside those expected.

    Attributes
    ----------
    when : datetime
        Wall time.
    tower : str
    bin : int or None
        None for every bin, or the tower as a whole: all its bins are then compared together.
    part : str
        In lower case; may be empty.
    action : str
        ``fitted``, ``cleaned``, ``overhauled`` and so on, as logged.
    reason : str
        ``planned``, ``worn`` or ``broken``; empty where it was not logged.
    kind : str
        ``misses``, ``doubles`` or ``faults``: what is compared.
    before_count, before_expected, before_feeds : int, float, int
        Faults, faults to be expected, and feeds in the days before it.
    after_count, after_expected, after_feeds : int, float, int
        In the days after it.
    ratio_after, low, high : float
        How many times the faults after it as before it, paper, air and settings allowed for, with
        a 95 % range; NaN where there is nothing to compare, and a high end may be infinite.
    p_adjusted : float
        How easily luck would make such a difference among so many services; NaN where there is
        nothing to compare.
    of_tower : bool
        Whether it was done to the tower as a whole.
    together : tuple of str
        What else was done there on the same visit, in words.
    warning : str
        What is odd about it, in words, such as a date after the log's end; empty where nothing is.
    """

    when: dt.datetime
    tower: str
    bin: int | None
    part: str
    action: str
    reason: str
    kind: str
    before_count: int = 0
    before_expected: float = 0.0
    before_feeds: int = 0
    after_count: int = 0
    after_expected: float = 0.0
    after_feeds: int = 0
    ratio_after: float = math.nan
    low: float = math.nan
    high: float = math.nan
    p_adjusted: float = math.nan
    of_tower: bool = False
    together: tuple[str, ...] = ()
    warning: str = ""

    @property
    def where(self) -> str:
        """``bin 7 of tower A``, ``every bin of tower A`` or ``tower A``."""
        if self.bin is not None:
            return f"bin {self.bin} of tower {self.tower}"
        return f"tower {self.tower}" if self.of_tower else f"every bin of tower {self.tower}"

    @property
    def what(self) -> str:
        """``brush fitted``."""
        return " ".join(word for word in (self.part, self.action) if word)

    @property
    def changed(self) -> bool:
        """Whether anything was done but to look."""
        return self.action != LOOKED

    @property
    def verdict(self) -> str:
        """Whether it helped.

        ``helped``, ``did not help``, ``worse``, ``too few feeds yet`` or ``nothing before it``.
        """
        if not self.before_feeds or self.before_expected <= 0:
            return "nothing before it"
        if not self.after_feeds or not self.low <= self.high:
            return "too few feeds yet"
        if not self.by_luck:
            if self.high < 1:
                return "helped"
            if self.low > 1:
                return "worse"
        return "did not help" if self.low > _A_HELP else "too few feeds yet"

    @property
    def by_luck(self) -> bool:
        """Whether so many services were compared that luck makes such a difference in some."""
        return self.p_adjusted > _FALSE

    def sentence(self) -> str:
        """Say whether it helped, by how much, and by what evidence."""
        head = f"{capital(self.where)}, {day(self.when)}, {self.what}: "
        if self.warning:
            return f"{head}{self.warning}."
        verdict = self.verdict
        if verdict == "nothing before it":
            return f"{head}nothing to compare, since no production was logged before it."
        if not self.after_feeds:
            return f"{head}nothing to compare yet, since no production was logged after it."
        if verdict == "too few feeds yet":
            luck = self.by_luck and not self.low <= 1 <= self.high
            why = ", since among so many services luck makes some differ as much" if luck else ""
            return f"{head}too few feeds to tell{why}: {self.counted()}."
        if not self.changed:
            said = "nothing was changed; "
        else:
            said = {"helped": "it helped: ", "worse": "it was worse afterwards: "}.get(
                verdict, "it made no difference that shows: "
            )
        said += f"{self._times()}{self.counted()}"
        if self.together and verdict in ("helped", "worse"):
            others = listed(self.together)
            said += f"; on the same visit: {others}, and which of them did it cannot be told"
        return f"{head}{said}."

    def _times(self) -> str:
        """Say how many times the faults there were; nothing where there were none before."""
        if not math.isfinite(self.ratio_after):
            return ""
        return (
            f"{two_digits(self.ratio_after)} times the {self.kind} "
            f"({times_range(self.low, self.high)}), "
        )

    def counted(self) -> str:
        """Say how many there were before and after, and how many were expected."""
        before, after = self.before_count, self.after_count
        return (
            f"{before:,} {one(self.kind, before)} in {many(self.before_feeds, 'feed')} before it, "
            f"where {expected_number(self.before_expected)} would be usual, and {after:,} in "
            f"{self.after_feeds:,} after it, where {expected_number(self.after_expected)} would be"
        )


def by_verdict(rows: Sequence[ServiceRow]) -> list[str]:
    """Count services by what can be said of them; those that changed nothing are left out."""
    words = {
        "too few feeds yet": ("has", "have", "too few feeds to tell"),
        "did not help": ("made", "made", "no difference that shows"),
        "worse": ("was", "were", "followed by more faults"),
        "helped": ("was", "were", "followed by fewer faults"),
        "nothing before it": ("has", "have", "nothing before to compare with"),
    }
    found = Counter(row.verdict for row in rows if not row.warning and row.changed)
    return [
        f"{many(found[verdict], single, several)} {what}"
        for verdict, (single, several, what) in words.items()
        if found[verdict]
    ]


def services(
    done: Sequence[Service],
    judged: Mapping[str, Judged],
    kind_of: Callable[[str], str],
    bins: Mapping[str, Sequence[int]],
    until: dt.datetime | None,
    *,
    confidence: float = 0.95,
) -> tuple[ServiceRow, ...]:
    """Did each service help?

    Parameters
    ----------
    done : sequence of Service
        In order of time: all of the log, since one cuts off what is looked at of another.
    judged : mapping of str to Judged
        By kind of fault; a kind without an entry is not compared.
    kind_of : callable
        The kind of fault that a part's services are judged by.
    bins : mapping of str to sequence of int
        Bins by tower, of the run log and the tower list.
    until : datetime, optional
        The end of the log; None where it is empty.
    confidence : float
        Of the ranges.

    Returns
    -------
    tuple of ServiceRow
        One for each of `done`, in its order.

    References
    ----------
    Przyborowski J, Wilenski H (1940). Homogeneity of results in testing samples from Poisson
    series. Biometrika 31:313-323. (The ratio of two counts; see `analysis.ratios`.)
    Benjamini Y, Hochberg Y (1995). Controlling the false discovery rate. Journal of the Royal
    Statistical Society B 57:289-300.
    """
    runs = {kind: _Runs(one) for kind, one in judged.items()}
    rows, sides = [], []
    window = dt.timedelta(days=WINDOW_DAYS)
    acts: dict[str, list[Service]] = {}
    for service in sorted(done, key=_when):
        if service.changed:
            acts.setdefault(service.tower, []).append(service)
    for service in done:
        kind = kind_of(service.part)
        warning = _warning(service, bins, until)
        before = after = _NOTHING
        together: tuple[str, ...] = ()
        if kind in runs and not warning:
            near = acts.get(service.tower, [])
            low_at = bisect_left(near, service.when - window, key=_when)
            high_at = bisect_right(near, service.when + window, key=_when)
            others = [other for other in near[low_at:high_at] if other is not service]
            before, after, together = _sides(service, others, runs[kind], bins)
        sides.append((before, after))
        rows.append((service, kind, warning, together))
    low, high, adjusted = _ratios(sides, [one.changed for one in done], confidence)
    return tuple(
        ServiceRow(
            when=service.when,
            tower=service.tower,
            bin=service.bin,
            part=service.part,
            action=service.action,
            reason=service.reason,
            kind=kind,
            before_count=round(before.count),
            before_expected=before.expected,
            before_feeds=round(before.feeds),
            after_count=round(after.count),
            after_expected=after.expected,
            after_feeds=round(after.feeds),
            ratio_after=_ratio(before, after),
            low=float(low[place]),
            high=float(high[place]),
            p_adjusted=float(adjusted[place]),
            of_tower=service.of_tower,
            together=together,
            warning=warning,
        )
        for place, ((service, kind, warning, together), (before, after)) in enumerate(
            zip(rows, sides, strict=True)
        )
    )


def _warning(service: Service, bins: Mapping[str, Sequence[int]], until: dt.datetime | None) -> str:
    """Say what cannot be of a service; nothing where all is well."""
    here = bins.get(service.tower)
    if here is None:
        return (
            f"tower {service.tower} is neither in the run log nor in the tower list; correct the "
            "tower in the service log, or add its runs"
        )
    if service.bin is not None and service.bin not in here:
        return (
            f"tower {service.tower} has no bin {service.bin} in the run log or the tower list; "
            "correct the bin in the service log, or add its runs"
        )
    if until is None or service.when <= until:
        return ""
    if service.when - until <= LATE:
        return (
            f"dated after the last run of the log ({day(until)}); whether it helped can be told "
            "once the runs after it are added"
        )
    return (
        f"dated long after the last run of the log ({day(until)}), and so left out; correct the "
        "date, or add the runs up to then"
    )


@dataclass(frozen=True)
class _Side:
    """What was counted on one side of a service."""

    count: float
    expected: float
    feeds: float
    #: Squared coefficient of variation that the spread between runs gives to the count.
    relative_variance: float


#: Before and after any moment of a log.
_FIRST, _LAST = np.datetime64("0001-01-01", "us"), np.datetime64("9999-12-31", "us")

_NOTHING = _Side(0.0, 0.0, 0.0, 0.0)


class _Runs:
    """Rows of one kind, bin by bin in order of time."""

    def __init__(self, judged: Judged) -> None:
        order = np.lexsort((judged.started, judged.place))
        self.judged = judged
        self.rows = order
        self.started = judged.started[order]
        places = len(judged.places)
        self.bounds = np.searchsorted(judged.place[order], np.arange(places + 1))
        self.index = {place: number for number, place in enumerate(judged.places)}

    def between(self, tower: str, bin: int, since: np.datetime64, until: np.datetime64) -> IntArray:
        """Return the rows of a bin whose runs began from one moment to before another."""
        place = self.index.get((tower, bin))
        if place is None:
            return np.zeros(0, dtype=np.int64)
        start, stop = self.bounds[place : place + 2].tolist()
        first, last = np.searchsorted(self.started[start:stop], [since, until]).tolist()
        return self.rows[start + first : start + last]

    def around(
        self, tower: str, bin: int, when: np.datetime64
    ) -> tuple[np.datetime64, np.datetime64]:
        """Return when the last run of a bin before a moment began, and the first from then on."""
        place = self.index.get((tower, bin))
        if place is None:
            return _FIRST, _LAST
        start, stop = self.bounds[place : place + 2].tolist()
        at = start + int(np.searchsorted(self.started[start:stop], when))
        return (
            self.started[at - 1] if at > start else _FIRST,
            self.started[at] if at < stop else _LAST,
        )

    def side(self, parts: Sequence[IntArray], tower: str) -> _Side:
        """Add up rows of some bins of a tower."""
        rows = np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
        if not rows.size:
            return _NOTHING
        judged = self.judged
        expected = judged.expected[rows]
        if len(parts) > 1:
            # Bins that differ may not count for much on one side and for little on the other.
            expected = expected * judged.level[judged.place[rows]]
        total = float(expected.sum())
        # What is drawn for a run is shared by its bins.
        _, run = np.unique(judged.run[rows], return_inverse=True)
        by_run = np.bincount(run, weights=expected)
        spread = judged.variance.get(tower, 0.0) * float((by_run**2).sum())
        return _Side(
            float(judged.faults[rows].sum()),
            total,
            float(judged.feeds[rows].sum()),
            spread / total**2 if total > 0 else 0.0,
        )


def _when(service: Service) -> dt.datetime:
    return service.when


def _sides(
    service: Service, others: Sequence[Service], runs: _Runs, bins: Mapping[str, Sequence[int]]
) -> tuple[_Side, _Side, tuple[str, ...]]:
    """Return what was counted before and after a service, and what came with it.

    Others are those of its tower that changed anything within the days that are looked at.
    """
    when = np.datetime64(service.when)
    window = WINDOW_DAYS * _DAY
    before, after = [], []
    together: dict[str, None] = {}
    moments = [np.datetime64(other.when) for other in others]
    for bin in [service.bin] if service.bin is not None else bins[service.tower]:
        first, last = when - window, when + window
        begun, begins = runs.around(service.tower, bin, when)
        for other, at in zip(others, moments, strict=True):
            if other.bin is not None and other.bin != bin:
                continue
            if begun < at <= begins:
                # One visit; a whole tower's service is not told beside those of its single bins.
                if other.bin == service.bin and service.changed:
                    together[other.words] = None
            elif _same(service, other):
                first, last = (max(first, at), last) if at < when else (first, min(last, at))
        before.append(runs.between(service.tower, bin, first, when))
        after.append(runs.between(service.tower, bin, when, last))
    return (
        runs.side(before, service.tower),
        runs.side(after, service.tower),
        tuple(name for name in together if name != service.words),
    )


def _same(service: Service, other: Service) -> bool:
    """Whether another service was of the same part; an overhaul without one is of all."""
    if other.action == "overhauled" and not other.part:
        return True
    return other.part == service.part and other.of_tower == service.of_tower


def _ratio(before: _Side, after: _Side) -> float:
    if before.count <= 0 or before.expected <= 0 or after.expected <= 0:
        return math.nan
    return (after.count / after.expected) / (before.count / before.expected)


def _ratios(
    sides: Sequence[tuple[_Side, _Side]], changed: Sequence[bool], confidence: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the range of how many times the faults there were after as before, and its p-value.

    That is adjusted for how many services were compared; those that only looked are none.
    """
    low, high, adjusted = np.full((3, len(sides)), np.nan)
    asked = [
        place
        for place, (before, after) in enumerate(sides)
        if before.expected > 0 and after.expected > 0
    ]
    if asked:
        before, after = ([sides[place][side] for place in asked] for side in (0, 1))
        found = ratios.beside_expected(
            [one.count for one in after],
            [one.expected for one in after],
            [one.count for one in before],
            [one.expected for one in before],
            relative_variance=[one.relative_variance for one in after],
            other_relative_variance=[one.relative_variance for one in before],
            confidence=confidence,
        )
        low[asked], high[asked] = found.low, found.high
        acts = np.array(asked)[np.array(changed)[asked]]
        adjusted[asked] = found.p_value
        adjusted[acts] = ratios.benjamini_hochberg(adjusted[acts])
    return low, high, adjusted
