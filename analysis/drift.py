"""Has a bin got worse, since when, and by how much?

Faults are too rare for a chart of the rate of each run: it would be a row of noughts. What is
watched instead is how many faults there were beside how many were *expected* of the same feeds on
that paper, in that air, at those settings (`analysis.reference`). Every bin is a stream of runs,
once for misses and once for doubles, and so is every tower as a whole, for what its bins share.
`analysis.monitor` runs through them in the order of time and raises an alarm where the evidence
passes a threshold (`analysis.cusum`) that is set so that a tower on which nothing ever changes
has so many false ones a year and no more: the *budget*.

An alarm says when it began, with a range (`analysis.change_point`); whether at once (a *step*) or
little by little (a *ramp*); and how many times the expected faults there were since. It is open
until a service of that bin or tower, or until its faults are as expected again. After an alarm the
stream starts anew at its new level, so that a second change can be told from the first; after a
service it starts anew at the old one.

What the ratio says at the alarm is too high: an alarm is raised when luck adds to the change. It
is told as such until ten more faults were expected after it.

Not for a tower's first six months, in which it is learnt what to expect, nor for what came with a
paper that was never run before: until the next month there is nothing to hold it against.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis import ratios
from analysis.counts import Account
from analysis.histories import History
from analysis.histories import moment as _moment
from analysis.learnt import Learnt
from analysis.passage import date
from analysis.service_log import Place
from analysis.stream_months import ENOUGH_EXPECTED, KINDS, AlarmState, Month, StreamState, history
from analysis.streams import Alarm, Path, Stream
from analysis.trends import Mark
from analysis.words import capital, day, listed

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Drift:
    """Which bins and towers are getting worse.

    Attributes
    ----------
    monitored : tuple of Stream
        Those with an open alarm first, then by how near the evidence is to its threshold.
    kinds : tuple of str
        Kinds of fault that were asked for.
    account : Account
        Of the runs looked at, the months in which it is learnt what to expect among them.
    budget : float
        False alarms that a tower on which nothing changes has in a year.
    first_monitored : datetime or None
        From when on anything is monitored, or will be; None for an empty log.
    new_paper : mapping of str to int, as pairs
        Stocks that were run while nothing was known of them, with those feeds: not judged.
    marks : tuple of Mark
        Services, in order of time; of one bin its setting moves too, where one was asked for.
    """

    monitored: tuple[Stream, ...]
    kinds: tuple[str, ...]
    account: Account
    budget: float
    first_monitored: dt.datetime | None
    new_paper: tuple[tuple[str, int], ...] = ()
    marks: tuple[Mark, ...] = ()

    @property
    def worse(self) -> tuple[Stream, ...]:
        """Streams with an open alarm."""
        return tuple(stream for stream in self.monitored if stream.alarm is not None)

    @property
    def watched(self) -> bool:
        """Whether anything has been monitored yet."""
        return any(stream.monitored_from is not None for stream in self.monitored)

    def stream(self, tower: str, bin: int | None, kind: str) -> Stream | None:
        """Return one stream; None where there is none."""
        wanted = (tower, bin, kind)
        return next((s for s in self.monitored if (s.tower, s.bin, s.kind) == wanted), None)

    def sentence(self) -> str:
        """Say who is getting worse, since when and by how much."""
        worse = self.worse
        if worse:
            said = f"{capital(worse[0].worse())}"
            others = list(dict.fromkeys(stream.name for stream in worse[1:]))
            others = [name for name in others if name != worse[0].name]
            if len(others) > 3:
                return f"{said}; {len(others)} others are worse too."
            if others:
                return f"{said}; {listed(others)} {'is' if len(others) == 1 else 'are'} worse too."
            return f"{said}."
        if not self.monitored:
            return "Nothing was logged here; choose another part of the log."
        unlearnt = [stream for stream in self.monitored if stream.unlearnt]
        if not self.watched and unlearnt:
            kinds = [kind for kind in self.kinds if any(s.kind == kind for s in unlearnt)]
            return (
                f"Nothing can be watched: too few {' and '.join(kinds)} were logged so far to know "
                "what to expect."
            )
        if not self.watched:
            until = f", until {day(self.first_monitored)}" if self.first_monitored else ""
            return (
                "Nothing is watched yet: what to expect is learnt from a tower's first six "
                f"months{until}."
            )
        watched = [stream for stream in self.monitored if stream.monitored_from is not None]
        if all(stream.slow for stream in watched):
            soonest = min(watched, key=lambda stream: stream.doubling_days)
            return f"There are too few feeds to tell who is getting worse: {soonest.needs()}."
        return "No bin and no tower has more faults than its paper, air and settings explain."

    def method(self) -> str:
        """Say how it is done, for those who want to know."""
        return (
            "CUSUM of log-likelihood ratios for 1.5, 2 and 4 times the expected faults, refitted "
            f"every month; {self.budget:g} false {'alarm' if self.budget == 1 else 'alarms'} "
            "a year allowed for each tower"
        )


def sorted_streams(streams: Sequence[Stream]) -> tuple[Stream, ...]:
    """Sort streams: open alarms first, most faults above expected first; then by evidence."""

    def key(stream: Stream) -> tuple[object, ...]:
        alarm = stream.alarm
        beyond = stream.observed - stream.expected if alarm is not None else 0.0
        place = (stream.tower, stream.bin is not None, stream.bin or 0, stream.kind)
        return (alarm is None, -beyond, -stream.evidence, place)

    return tuple(sorted(streams, key=key))


def drift(
    months: Sequence[Month],
    learnt: Learnt,
    account: Account,
    *,
    budget: float,
    kinds: Sequence[str] = KINDS,
    asked: Callable[[Place], bool] = lambda place: True,
    since: dt.datetime | None = None,
    marks: Sequence[Mark] = (),
) -> Drift:
    """Which bins and towers are getting worse?

    Parameters
    ----------
    months, learnt
        As `analysis.monitor.watch` returns them.
    account : Account
        Handed on.
    budget : float
        That they were watched with.
    kinds : sequence of str
        ``misses``, ``doubles`` or both.
    asked : callable
        Which bins and towers are asked for.
    since : datetime, optional
        Alarms that were over before are not told.
    marks : sequence of Mark
        Handed on.
    """
    places = [place for place in learnt.places if asked(place)]
    found = [_stream(months, learnt, place, kind, since) for place in places for kind in kinds]
    begun = [when for place, when in zip(learnt.places, learnt.begun, strict=True) if asked(place)]
    new: dict[str, int] = {}
    for month in months[1:]:
        for stock, feeds in month.new_paper:
            new[stock] = new.get(stock, 0) + feeds
    return Drift(
        monitored=sorted_streams(_with_ratios(found)),
        kinds=tuple(kinds),
        account=account,
        budget=budget,
        first_monitored=min(begun, default=None),
        new_paper=tuple(sorted(new.items())),
        marks=tuple(marks),
    )


def _stream(
    months: Sequence[Month],
    learnt: Learnt,
    place: Place,
    kind: str,
    told_since: dt.datetime | None,
) -> Stream:
    k, p = KINDS.index(kind), learnt.places.index(place)
    of_tower = place[1] is None
    whole = history(months, place, kind)
    state = months[-1].states.get((place, kind), StreamState())
    variance = float(learnt.variance[k, int(of_tower)])
    cv = float(learnt.squared_cv[k, p])
    alarms = []
    for number, alarm in enumerate(state.alarms):
        later = state.alarms[number + 1] if number + 1 < len(state.alarms) else None
        if told_since is None or alarm.closed_at is None or alarm.closed_at >= told_since:
            alarms.append(_alarm(whole, alarm, state, later, learnt, k, p))
    some = whole.monitored & (whole.expected > 0)
    monitored_from = _moment(whole.started[some][0]) if some.any() else None
    opened = next((one for one in alarms if one.open), None)
    since = opened.began if opened is not None else state.anew
    if monitored_from is not None and (since is None or (since < monitored_from and not opened)):
        since = monitored_from
    now = whole.between(since, None)
    observed, expected = float(now.faults.sum()), float(now.expected.sum())
    ratio = (np.nan, np.nan, np.nan)
    if opened is not None and opened.shape == "ramp":
        # What it has reached.
        ratio = (opened.ratio, opened.ratio_low, opened.ratio_high)
    thresholds = learnt.thresholds[k, p]
    sums = np.array(state.sums)
    near = int(np.argmax(sums / thresholds))
    yearly = float(learnt.yearly[k, p])
    days = 365 * float(learnt.doubling[k, p]) / yearly if yearly > 0 else np.inf
    return Stream(
        tower=place[0],
        bin=place[1],
        kind=kind,
        since=since if monitored_from is not None else None,
        observed=round(observed) if monitored_from is not None else 0,
        expected=expected if monitored_from is not None else 0.0,
        feeds=round(float(now.feeds.sum())) if monitored_from is not None else 0,
        ratio=ratio[0],
        ratio_low=ratio[1],
        ratio_high=ratio[2],
        statistic=float(sums[near]),
        threshold=float(thresholds[near]),
        monitored_from=monitored_from,
        alarms=tuple(alarms),
        doubling_days=days,
        path=Path(
            started=whole.started,
            observed=whole.faults.round().astype(np.int64),
            feeds=whole.feeds.round().astype(np.int64),
            expected=whole.expected,
            evidence=whole.evidence,
            monitored=whole.monitored,
            variance=variance,
            squared_cv=cv,
        ),
    )


def _with_ratios(streams: Sequence[Stream]) -> list[Stream]:
    """Give streams their ratios, all at once; but for those whose ratio is what a ramp reached."""
    out = list(streams)
    asked = [
        place for place, s in enumerate(streams) if s.expected > 0 and not np.isfinite(s.ratio)
    ]
    squares = []
    for place in asked:
        path, since = streams[place].path, streams[place].since
        assert since is not None
        later = path.started >= np.datetime64(since)
        squares.append(float((path.expected[later] ** 2).sum()))
    some = [streams[place] for place in asked]
    found = _ratios(
        np.array([s.observed for s in some], dtype=np.float64),
        np.array([s.expected for s in some]),
        np.array([s.path.variance for s in some]) * np.array(squares),
        np.array([s.path.squared_cv for s in some]),
    )
    columns = [column.tolist() for column in found]
    for place, ratio, low, high in zip(asked, *columns, strict=True):
        out[place] = replace(streams[place], ratio=ratio, ratio_low=low, ratio_high=high)
    return out


def _ratio(
    observed: float, expected: FloatArray, variance: float, squared_cv: float
) -> tuple[float, float, float]:
    """Return the same of one stretch of runs, given what was expected of each."""
    found = _ratios(
        np.array([observed]),
        np.array([float(expected.sum())]),
        np.array([variance * float((expected**2).sum())]),
        np.array([squared_cv]),
    )
    ratio, low, high = (float(one[0]) for one in found)
    return ratio, low, high


def _ratios(
    observed: FloatArray, expected: FloatArray, clustered: FloatArray, squared_cv: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how many times as many there were as expected, with 95 % intervals.

    What is expected is known as well as a count of 1 / `squared_cv` faults would tell it;
    `clustered` is what clusters add to the variance of the faults.
    """
    known = 1 / np.maximum(squared_cv, 1e-6)
    found = ratios.beside_expected(
        observed, expected, known, known, relative_variance=clustered / expected**2
    )
    return observed / expected, np.asarray(found.low), np.asarray(found.high)


def _alarm(
    whole: History,
    alarm: AlarmState,
    state: StreamState,
    later: AlarmState | None,
    learnt: Learnt,
    k: int,
    p: int,
) -> Alarm:
    """Tell an alarm by all that came up to its end, or to the next one of the same stream."""
    until = alarm.closed_at
    if later is not None and (until is None or later.alarmed_at < until):
        until = later.alarmed_at
    part = whole.between(alarm.history_from, until)
    variance = float(learnt.variance[k, int(learnt.places[p][1] is None)])
    cv = float(learnt.squared_cv[k, p])
    found = alarm.told or alarm.not_later(
        date(part, alarm.history_from, state, learnt, k, p, alarm.expected)
    )
    began = found.began if found is not None else alarm.alarmed_at
    since = part.between(began, None)
    expected = float(since.expected.sum())
    ratio = (np.nan, 0.0, np.inf)
    if expected > 0:
        ratio = _ratio(float(since.faults.sum()), since.expected, variance, cv)
    if found is not None and found.shape == "ramp":
        # What it has reached: by what came after the alarm, where that is enough to say.
        lately = part.between(alarm.alarmed_at, None)
        ratio = (found.ratio, found.ratio_low, found.ratio_high)
        if alarm.expected >= ENOUGH_EXPECTED:
            ratio = _ratio(float(lately.faults.sum()), lately.expected, variance, cv)
    return Alarm(
        alarmed_at=alarm.alarmed_at,
        began=began,
        began_earliest=found.earliest if found is not None else began,
        began_latest=found.latest if found is not None else began,
        shape=found.shape if found is not None else "step",
        ratio=ratio[0],
        ratio_low=ratio[1],
        ratio_high=ratio[2],
        observed=round(float(since.faults.sum())),
        expected=expected,
        feeds=round(float(since.feeds.sum())),
        expected_after=alarm.expected,
        closed_at=alarm.closed_at,
        closed_by=alarm.closed_by,
    )
