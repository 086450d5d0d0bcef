"""How does one bin or tower stand, by what was expected of its runs?

The alarms of a stream, its runs, and what is said of them; `analysis.drift` works them out.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stream_months import ENOUGH_EXPECTED
from analysis.words import capital, day, expected_number, many, one, period, two_digits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: A stream is slow that would need longer than this to show a doubling.
_LONG_DAYS = 365


@dataclass(frozen=True)
class Alarm:
    """One time that a stream got worse.

    Attributes
    ----------
    alarmed_at : datetime
        Start of the run that raised it; wall time, as all times.
    began, began_earliest, began_latest : datetime
        Start of the first run that was worse, and its 95 % range.
    shape : str
        ``step`` or ``ramp``, whichever is likelier.
    ratio, ratio_low, ratio_high : float
        Faults to those expected since it began, with a 95 % interval; of a ramp, what it has
        reached.
    observed, expected, feeds : int, float, int
        Since it began, up to the end of the alarm or of the log.
    expected_after : float
        Expected faults after the alarm was raised, of the same.
    closed_at : datetime or None
        When it ended.
    closed_by : str
        What ended it: a service in words, or ``as expected again``; empty while it is open.
    """

    alarmed_at: dt.datetime
    began: dt.datetime
    began_earliest: dt.datetime
    began_latest: dt.datetime
    shape: str
    ratio: float
    ratio_low: float
    ratio_high: float
    observed: int
    expected: float
    feeds: int
    expected_after: float
    closed_at: dt.datetime | None = None
    closed_by: str = ""

    @property
    def open(self) -> bool:
        """Whether nothing has ended it."""
        return self.closed_at is None

    @property
    def confirmed(self) -> bool:
        """Whether enough came after it for the ratio not to be luck's."""
        return self.expected_after >= ENOUGH_EXPECTED


@dataclass(frozen=True)
class Path:
    """The runs of a stream, in order.

    Attributes
    ----------
    started : datetime64[us] array
        Start of each run; wall time.
    observed, feeds : int array
        Faults and feeds.
    expected : float array
        Faults to be expected of them.
    evidence : float array
        How much of its threshold the evidence had reached after the run; an alarm at 1, after
        which it starts at nought again.
    monitored : bool array
        Whether the run was held against what is expected: not in the first months.
    variance : float
        Squared coefficient of variation of the rate between runs.
    squared_cv : float
        Squared coefficient of variation of what is expected: how well the stream's level is known.
    """

    started: NDArray[np.datetime64]
    observed: IntArray
    feeds: IntArray
    expected: FloatArray
    evidence: FloatArray
    monitored: NDArray[np.bool_]
    variance: float
    squared_cv: float

    def beyond_expected(self) -> tuple[FloatArray, FloatArray]:
        """Return the running total of faults above expected from the first monitored run.

        And how far from nought it stays in 95 of 100 cases at each run, if nothing has changed.
        """
        some = self.monitored
        total = np.cumsum((self.observed - self.expected)[some])
        expected = self.expected[some]
        chance = np.cumsum(expected + self.variance * expected**2)
        known = self.squared_cv * np.cumsum(expected) ** 2
        return total, 1.96 * np.sqrt(chance + known)


@dataclass(frozen=True)
class Stream:
    """One bin, or one tower as a whole, and one kind of fault.

    Attributes
    ----------
    tower : str
    bin : int or None
        None for the tower as a whole.
    kind : str
        ``misses`` or ``doubles``.
    since : datetime or None
        From when on the next numbers are: from where the earliest open alarm began; without one,
        from where the stream last started anew. None where it is not monitored yet.
    observed, expected, feeds : int, float, int
        Faults, faults to be expected, and feeds, since then.
    ratio, ratio_low, ratio_high : float
        Observed to expected with its 95 % interval; NaN where nothing was expected.
    statistic, threshold : float
        Of that of the charts of the monitor which is nearest to its threshold.
    monitored_from : datetime or None
        When its first run was held against what is expected; None before.
    alarms : tuple of Alarm
        Every one, in order.
    doubling_days : float
        Days of ordinary work after which twice the faults would be noticed, on average; infinite
        where it never ran.
    path : Path
        Its runs.
    """

    tower: str
    bin: int | None
    kind: str
    since: dt.datetime | None
    observed: int
    expected: float
    feeds: int
    ratio: float
    ratio_low: float
    ratio_high: float
    statistic: float
    threshold: float
    monitored_from: dt.datetime | None
    alarms: tuple[Alarm, ...]
    doubling_days: float
    path: Path

    @property
    def alarm(self) -> Alarm | None:
        """The earliest open alarm."""
        return next((alarm for alarm in self.alarms if alarm.open), None)

    @property
    def evidence(self) -> float:
        """How much of its threshold the evidence has reached."""
        return self.statistic / self.threshold if self.threshold > 0 else 0.0

    @property
    def name(self) -> str:
        """``bin 7 of tower B``, or ``tower B``."""
        if self.bin is None:
            return f"tower {self.tower}"
        return f"bin {self.bin} of tower {self.tower}"

    @property
    def slow(self) -> bool:
        """Whether even a doubling would take more than a year to be noticed."""
        return self.doubling_days > _LONG_DAYS

    @property
    def unlearnt(self) -> bool:
        """Whether its first six months are over and nothing says what to expect all the same."""
        return self.monitored_from is None and bool(self.path.monitored.any())

    def _unlearnt(self) -> str:
        if not self.path.feeds.any():
            return "nothing was watching for them"
        return f"too few {self.kind} were logged so far to know what to expect"

    def sentence(self) -> str:
        """Say whether it is getting worse, since when, and by how much."""
        alarm = self.alarm
        if alarm is not None:
            return f"{capital(self.worse())}."
        if self.unlearnt:
            return f"{capital(self.name)} cannot be watched for {self.kind}: {self._unlearnt()}."
        if self.monitored_from is None:
            return (
                f"{capital(self.name)} is not watched yet: what to expect of its {self.kind} is "
                "learnt from its first six months."
            )
        if self.slow:
            return f"{capital(self.name)} has too few feeds to tell: {self.needs()}."
        fewer = "fewer {} than" if self.ratio_high < 1 else "the {} that"
        said = (
            f"{capital(self.name)} has {fewer.format(self.kind)} its paper, air and settings "
            f"explain: {self.counted()}"
        )
        last = self.alarms[-1] if self.alarms else None
        if last is not None and last.closed_at is not None:
            said += f"; it was worse from about {day(last.began)} until {day(last.closed_at)}"
        return f"{said}."

    def worse(self) -> str:
        """Say since when it is getting worse and by how much; it must have an open alarm."""
        alarm = self.alarm
        assert alarm is not None
        verb = "has been getting worse" if alarm.shape == "ramp" else "has been worse"
        times = f"{two_digits(alarm.ratio)} times the {self.kind}"
        if alarm.shape == "ramp":
            times = f"now {times}"
        said = (
            f"{self.name} {verb} since about {day(alarm.began)}: {times} that its paper, air and "
            "settings explain"
        )
        last = [one for one in self.alarms if one.open][-1]
        if last is not alarm:
            said += f", and {two_digits(last.ratio)} times since about {day(last.began)}"
        return said

    def counted(self) -> str:
        """Say how many faults there were where so many were expected, since when."""
        assert self.since is not None
        return (
            f"{self.observed:,} {one(self.kind, self.observed)} where "
            f"{expected_faults(self.expected)} expected in {many(self.feeds, 'feed')} since "
            f"{day(self.since)}"
        )

    def needs(self) -> str:
        """Say how long twice the faults would go unnoticed."""
        if not np.isfinite(self.doubling_days):
            return f"it has run too little for anybody to notice twice the {self.kind}"
        return (
            f"as much as it runs, twice the {self.kind} would be noticed after about "
            f"{long_time(self.doubling_days)}"
        )


def range_in_words(alarm: Alarm) -> str:
    """Say between which days it began: ``Began between 7 and 14 April 2031``."""
    first, last = alarm.began_earliest.date(), alarm.began_latest.date()
    if first == last:
        return f"Began on {day(first)}"
    return f"Began between {period(first, last).replace(' to ', ' and ')}"


def expected_faults(number: float) -> str:
    """Say how many faults were expected: ``15 were``, ``1.2 were``."""
    shown = expected_number(number)
    return f"{shown} {'was' if shown in ('1', '1.0') else 'were'}"


def unnoticed(slow: Sequence[Stream]) -> str:
    """Say how long twice the faults would go unnoticed, from the soonest to the latest."""
    days = sorted(stream.doubling_days for stream in slow)
    some = [long_time(value) for value in days if np.isfinite(value)]
    if not some:
        return "so little has run that twice as many would not be noticed"
    said = "as much as they run, twice as many would be noticed after about "
    said += some[0] if some[0] == some[-1] else f"{some[0]} to {some[-1]}"
    return said if len(some) == len(days) else f"{said}, or never"


def long_time(days: float) -> str:
    """Say a long time: ``40 days``, ``5 months``, ``3 years``."""
    if days < 60:
        return many(round(days), "day")
    if days < 2 * 365:
        return f"{days / 30.4:.0f} months"
    return f"{days / 365:,.0f} years"
