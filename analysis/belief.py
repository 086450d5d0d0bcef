"""Can this log be believed?

All that feedtally says rests on counts that people wrote down. Five things that honest counting
hardly ever does are looked for, by tower, period and shift, and never by who wrote:

- *zeros*: a time in which far more runs have no fault than were expected to have none;
- *round*: cycles that are whole fifties, hundreds or thousands far too often to come off a counter;
- *air*: runs without a humidity reading that have more faults than runs with one;
- *gap*: days without a run on a tower that hardly ever skips such a day;
- *copy*: two runs with the same cycles, misses and doubles in every bin.

A finding is no proof and blames nobody: it names what to ask. Each carries the chance that honest
counting would show as much anywhere in the log, made honest for all the places that were looked at
(Bonferroni), and is only reported where that is below 1 in 1,000.

What is taken for granted is that the expected faults are right, and that runs differ from one
another by the between-run variance of their tower (`analysis.spread`), with its allowance. A tower
that has become better than expected shows more runs without a fault, too, and is to be believed.
Therefore at least half of the runs that should have shown a fault must show none, and it must be
hard to believe still at the highest level for which the runs before and after, the other shifts of
the time, and those runs of the stretch that have faults leave room. A tower that became better at
the very end of the log, with hardly a fault since, cannot be told from one whose faults were left
out: the question is then worth asking.

References
----------
Sum of trials of unequal chances (Poisson-binomial): Hodges JL, Le Cam L (1960). Annals of
Mathematical Statistics 31:737-740; summed here exactly, trial by trial.
Stretch of the highest score: Karlin S, Altschul SF (1990). PNAS 87:2264-2268; found in one pass as
Bentley J (1984). Communications of the ACM 27:865-873 has it.
Faults of the same months: Mantel N, Haenszel W (1959). JNCI 22:719-748, with the variance of
Greenland S, Robins JM (1985). Biometrics 41:55-68, widened for clusters.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analysis.counts import Account
from analysis.spread import between_run_variance
from analysis.words import listed, period, two_digits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
#: Text, one entry per run; of any text type of numpy.
TextArray = NDArray[Any]
#: ``datetime64[us]`` or ``datetime64[D]``.
TimeArray = NDArray[np.datetime64]

#: What is looked for, in the order in which it is told.
KINDS = ("zeros", "round", "air", "gap", "copy")
#: Minutes after midnight at which the early, the late and the night shift begin: common practice,
#: no source.
STARTS = (6 * 60, 14 * 60, 22 * 60)
SHIFTS = ("early", "late", "night")

#: What stands beside findings, whoever reads them.
CAUTION = (
    "None of this proves anything, and the log does not say who counted: ask first. A tower that "
    "became better shows more runs with no fault, too."
)

#: Chance, over all places looked at, below which something is hard to believe.
HARD = 0.001
#: Faults to be expected of a stretch of runs before its zeros are worth a question.
ENOUGH = 5.0
#: Share of the runs that should have shown a fault and show none.
_HIDDEN = 0.5
#: Smallest chance of a run without a fault that is told from nought.
_LEAST = 1e-300
#: What the scan sets against honest counting: with this chance a run is logged without a fault
#: whatever happened. Only the choice of the stretch rests on it, no chance does.
_WHATEVER = 0.8
#: Stretches of a lower score (log likelihood ratio) could not be told from chance in any log.
_WORTH = 5.0

#: Stretches of fewer cycles are often set by hand, and round.
LEAST_CYCLES = 500
#: Share of round stretches from which on it is a habit.
ROUND = 0.25
_ROUND_TO = {1000: "whole thousands", 100: "whole hundreds", 50: "whole fifties"}
#: A coarser step explains what a finer one shows if it holds so much of it.
_EXPLAINS = 0.8

#: The lower end of the ratio must be above this before missing air is worth a question.
WORSE = 1.1
#: Runs with and runs without a reading that a tower needs for it.
_RUNS_FOR_AIR = 20

#: Weeks before and after in which a weekday's habit is read, and the least such days.
_WEEKS, _LEAST_WEEKS = 8, 4
#: Share of a weekday's days on which a tower that usually runs does run.
_USUAL = 0.75
#: Days on which it usually runs that a tower needs before its record says anything.
_DAYS_FOR_GAP = 40
#: A service so many days before the first day without a run explains them.
_SERVICE_DAYS = 3

#: Steps in which cycles tend to be written; each divides the next.
_GRAINS = (1, 10, 50, 100, 500, 1000)
#: Runs within this ratio of cycles say how common such cycles are.
_NEAR = 1.25


@dataclass(frozen=True, eq=False)
class Runs:
    """What is looked at: one entry per run, in any order.

    Build it from two tables of `analysis.counts.LogScan.by_run`, one by ``tower`` and one by
    ``tower`` and ``bin`` (for the cycles), or any table with one row per run, column by column::

        Runs(
            tower=table["of_tower"].to_pylist(),
            run=table["of_run"].to_pylist(),
            started=table["first"].to_numpy(),
            expected=...,  # feeds watched times the rate that stock, air and settings give
            faults=table["faults"].to_numpy(),
        )

    Attributes
    ----------
    tower, run : array of text
        A run is known by both.
    started : array of datetime64[us]
        Wall time.
    expected : array of float
        Faults to be expected of the feeds that were watched; 0 where nothing was watched, and such
        a run says nothing of faults.
    faults : array of int
        Misses and doubles counted, of the kinds that were watched.
    shift : array of text, optional
        By what name the shift goes; empty where it is not known. By `shift_of` where absent.
    humidity_logged : array of bool, optional
        Whether any of its stretches has a reading.
    expected_without_air : array of float, optional
        As `expected`, but by a model without the air: what the air explains would otherwise be
        missing from the runs with a reading alone. `expected` where absent.
    cycles : array of int, optional
        Cycles of the tower in the run: those of the bin with most.

    Raises
    ------
    ValueError
        Where lengths differ, a start is missing, or a number is negative or missing.
    """

    tower: TextArray
    run: TextArray
    started: TimeArray
    expected: FloatArray
    faults: IntArray
    shift: TextArray | None = None
    humidity_logged: BoolArray | None = None
    expected_without_air: FloatArray | None = None
    cycles: IntArray | None = None

    def __post_init__(self) -> None:
        """Check and convert."""
        _convert(self, "runs")


@dataclass(frozen=True, eq=False)
class Stretches:
    """Cycles as they were written down: one entry per stretch of a run.

    From `LogScan.by_run` by ``tower`` and ``stretch`` and ``bin``, the bin with most cycles taken.

    Attributes
    ----------
    tower, run : array of text
    started : array of datetime64[us]
        Wall time.
    cycles : array of int
    shift : array of text, optional
        As of `Runs`.

    Raises
    ------
    ValueError
        As of `Runs`.
    """

    tower: TextArray
    run: TextArray
    started: TimeArray
    cycles: IntArray
    shift: TextArray | None = None

    def __post_init__(self) -> None:
        """Check and convert."""
        _convert(self, "stretches")


@dataclass(frozen=True, eq=False)
class RunBins:
    """Counts bin by bin: one entry per run and bin.

    From `LogScan.by_run` by ``tower`` and ``bin``: ``of_tower``, ``of_run``, ``bin``, ``feeds``,
    ``misses``, ``doubles``. Faults whose bin was not noted go by bin 0.

    Attributes
    ----------
    tower, run : array of text
    bin, cycles, misses, doubles : array of int
        Over all stretches of the run.
    expected : array of float
        Faults of both kinds to be expected of this run and bin.

    Raises
    ------
    ValueError
        As of `Runs`.
    """

    tower: TextArray
    run: TextArray
    bin: IntArray
    cycles: IntArray
    misses: IntArray
    doubles: IntArray
    expected: FloatArray

    def __post_init__(self) -> None:
        """Check and convert."""
        _convert(self, "bins of runs")


@dataclass(frozen=True)
class Finding:
    """One thing in the log that is hard to believe.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    tower : str
    shift : str or None
        None: all shifts.
    first, last : datetime
        Wall time: start of the first and the last run (stretch) it is about; midnight of the first
        and the last day of a gap.
    first_day, last_day : date
        Days of those; a night shift belongs to the day it began on.
    observed, expected : float
        What was counted and what was to be expected. *zeros*: runs without a fault. *round*: round
        stretches. *air*: faults in runs without a reading. *gap*: days without a run. *copy*:
        faults in the run.
    of : int
        *zeros*, *air*, *copy*: runs it is about; *round*: stretches; *gap*: days.
    chance : float or None
        Chance that honest counting would show as much anywhere in the log.
    low, high : float
        *air*: 95 % interval of the ratio; otherwise not a number.
    ratio : float
        *air*: faults over expected faults without a reading against those with one.
    step : int
        *round*: 50, 100 or 1000; otherwise 0.
    missed_cycles : float or None
        *gap*: cycles that the tower would have run at its pace; None where cycles are not known.
    runs : tuple of str
        *copy*: names of the runs, in order of time.
    """

    kind: str
    tower: str
    shift: str | None
    first: dt.datetime
    last: dt.datetime
    first_day: dt.date
    last_day: dt.date
    observed: float
    expected: float
    of: int
    chance: float | None
    ratio: float = math.nan
    low: float = math.nan
    high: float = math.nan
    step: int = 0
    missed_cycles: float | None = None
    runs: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Say what is hard to believe, and what to ask or do."""
        where = f"Tower {self.tower}, "
        if self.shift is not None:
            where += f"{self.shift} shift, "
        where += period(self.first_day, self.last_day)
        chance = "" if self.chance is None else f": {one_in(self.chance)}"
        if self.kind == "zeros":
            return (
                f"{where}: {self.observed:,.0f} of {self.of:,} runs had no fault, where "
                f"{_about(self.expected)} such runs {_were(self.expected)} to be expected{chance}. "
                "Ask how these were counted."
            )
        if self.kind == "round":
            return (
                f"{where}: the cycles of {self.observed:,.0f} of {self.of:,} stretches are "
                f"{_ROUND_TO[self.step]}, where a counter would show {_about(self.expected)}"
                f"{chance}. Write down what the counter says, not the sets ordered."
            )
        if self.kind == "air":
            return (
                f"{where}: runs without a humidity reading had {two_digits(self.ratio)} times "
                f"({two_digits(self.low)} to {two_digits(self.high)}) the faults of runs with one"
                f"{chance}. Ask when the hygrometer is read, and read it before each run."
            )
        if self.kind == "gap":
            days = "1 day" if self.observed == 1 else f"{self.observed:,.0f} days in a row"
            pace = ""
            if self.missed_cycles is not None:
                pace = f" (about {two_digits(self.missed_cycles)} cycles at its pace)"
            return (
                f"{where}: no run on {days} on which it usually runs{pace}{chance}. Ask whether it "
                "stood still; if it ran, log those runs, and if it was worked on, log the service."
            )
        more = ""
        if self.observed:
            faults = "fault" if self.observed == 1 else "faults"
            more = f", with {self.observed:,.0f} {faults} each"
        return (
            f"{where}: runs {listed(self.runs)} have the same cycles, misses and doubles in every "
            f"bin{more}{chance}. Ask whether one was written down twice, and correct the one that "
            "was."
        )


@dataclass(frozen=True)
class Belief:
    """Whether a log can be believed.

    Attributes
    ----------
    findings : tuple of Finding
        The least likely first.
    runs, days, stretches : int
        Runs looked at, different days on which they began, and stretches of 500 cycles or more.
    looks : mapping of str to int
        By kind, how many places the chances are corrected for: stretches of runs that could have
        been picked, groups of stretches times steps, towers, days, pairs of runs.
    not_looked : tuple of str
        What could not be looked at, and why; a sentence each.
    account : Account or None
        Evidence; None where the arrays came from no log.
    part : bool
        Whether only findings of a part of the time that was looked at are told.
    """

    findings: tuple[Finding, ...]
    runs: int
    days: int
    stretches: int
    looks: Mapping[str, int] = field(hash=False)
    not_looked: tuple[str, ...]
    account: Account | None = None
    part: bool = False

    def during(self, since: dt.datetime | None, until: dt.datetime | None) -> Belief:
        """Return what of this touches a period; all of the log was looked at all the same."""
        if since is None and until is None:
            return self
        kept = tuple(
            finding
            for finding in self.findings
            if (until is None or finding.first <= until)
            and (since is None or finding.last >= since)
        )
        return replace(self, findings=kept, part=True)

    def sentence(self) -> str:
        """Say whether anything is hard to believe, and the first of it."""
        if not self.runs and not self.stretches and not self.findings:
            return "There is no run to look at: log some, or widen the filter."
        if not self.findings:
            limits = ", as far as it can be looked at" if self.not_looked else ""
            if self.part:
                return (
                    f"Nothing in this time is hard to believe{limits}; the whole log was looked "
                    f"at: {self._looked_at()}."
                )
            return f"Nothing in the log is hard to believe{limits}: {self._looked_at()}."
        number = len(self.findings)
        first = self.findings[0].sentence()
        if number == 1:
            return f"1 thing is hard to believe: {first}"
        return f"{number:,} things are hard to believe; the first: {first}"

    def _looked_at(self) -> str:
        runs = "1 run" if self.runs == 1 else f"{self.runs:,} runs"
        text = f"{runs} on {'1 day' if self.days == 1 else f'{self.days:,} days'}"
        if self.stretches:
            many = "1 stretch" if self.stretches == 1 else f"{self.stretches:,} stretches"
            text += f" and the cycles of {many}"
        return text


def believe(
    runs: Runs,
    *,
    stretches: Stretches | None = None,
    bins: RunBins | None = None,
    every: Runs | None = None,
    services: Sequence[tuple[str, dt.date]] = (),
    sites: Mapping[str, str] | None = None,
    closed: Mapping[str, Sequence[dt.date]] | None = None,
    variance: Mapping[str, float] | float | None = None,
    starts: tuple[int, int, int] = STARTS,
    account: Account | None = None,
) -> Belief:
    """Can this log be believed?

    Parameters
    ----------
    runs : Runs
        For zeros, missing air and gaps.
    stretches : Stretches, optional
        For round cycles.
    bins : RunBins, optional
        For copies.
    every : Runs, optional
        For gaps: all runs of all towers in the time that is looked at, whatever their purpose and
        paper, since a tower that makes ready, is proved or runs another stock does not stand still.
        `runs` where absent.
    services : sequence of (tower, date or datetime)
        Work that may stop a tower for a day or more: fitted, overhauled, moved. Not every cleaning:
        a tower that is cleaned daily would have every gap explained.
    sites : mapping of str to str, optional
        Site of each tower; those not named, or all where absent, make one site.
    closed : mapping of str to dates, optional
        By site (``""`` for towers without one), days on which the works was closed. It is needed
        only for towers that stand alone: otherwise a day on which no other tower of the site ran
        is no gap in any case.
    variance : float or mapping of str to float, optional
        Between-run variance v, of all towers or by tower; estimated from the runs, with its
        allowance, where absent.
    starts : (int, int, int)
        Minutes after midnight at which the early, late and night shift begin; the day begins with
        the early one.
    account : Account, optional
        Of the rows looked at; handed on.

    Returns
    -------
    Belief

    Raises
    ------
    ValueError
        Where starts are not in order within a day, or a variance is negative or missing.

    Notes
    -----
    *Zeros.* An honest run has no fault with the chance (1 + v mu)^(-1/v), or exp(-mu) without
    spread. Run by run the log likelihood ratio to "no fault whatever happened, in 0.8 of the runs"
    is added up, and the stretch with the highest sum taken; the chance that so many of its runs
    have no fault is the exact tail of a sum of unequal trials, times the number of all stretches
    that could have been picked, of every shift of every tower and of every tower as a whole. Then
    the rest of the runs is searched likewise. Where a shift shows it, the tower as a whole is not
    searched again at that time.

    *Round.* Exact binomial tail at 1 in 50, 100 and 1,000, by tower, shift and month, times groups
    and steps. Months in a row make one finding, with the chance of the most telling.

    *Air.* Within tower and month, faults in runs without a reading against what their share of the
    expected faults gives; ratio by Mantel and Haenszel. The variance is the larger of that of
    mu + v mu^2 per run and that which the days themselves show (air is shared by a day); the tail
    is that of a Poisson count with that variance (by its effective size), which is skewed as
    counts are.

    *Gap.* The chance that a row of such days begins, times that with which it goes on, both read
    from the tower's other days under Jeffreys' prior (1946), never below what is usual for that
    weekday; times all days looked at. A tower that has stood still for days in a row before is
    therefore hardly ever asked about, one that never has after three or four days.

    *Copy.* The share of the tower's runs that has such cycles, times the chance of exactly these
    counts, bin by bin (Poisson, and negative binomial in the sum of the run, since a bad run is bad
    in all bins), times all pairs of runs of a tower. That bins of one run differ in cycles is not
    counted as evidence, which is on the safe side.

    Examples
    --------
    Two runs a day for 30 days, 3 faults expected of each, and none in the last ten days:

    >>> started = np.datetime64("2031-05-01T08:00") + np.arange(60) * np.timedelta64(12, "h")
    >>> found = believe(
    ...     Runs(
    ...         tower=["B"] * 60,
    ...         run=[str(number) for number in range(60)],
    ...         started=started,
    ...         expected=[3.0] * 60,
    ...         faults=[3, 2, 4, 3] * 10 + [0] * 20,
    ...     ),
    ...     variance=0.1,
    ... )
    >>> print(found.findings[0].sentence())
    Tower B, 21 to 30 May 2031: 20 of 20 runs had no fault, where 1.5 such runs were to be \
expected: less than 1 in a billion. Ask how these were counted.
    """
    _check_starts(starts)
    log = _Log(runs, sites or {}, variance, starts)
    missing: list[str] = []
    looks = dict.fromkeys(KINDS, 0)
    findings: list[Finding] = []
    looked = 0
    if len(log.towers):
        for kind, part in (("zeros", _zeros), ("air", _air)):
            found, looks[kind], left = part(log)
            findings += found
            missing += left
        whole = log if every is None else _Log(every, sites or {}, 0.0, starts)
        found, looks["gap"], left = _gaps(whole, services, closed or {})
        findings += [gap for gap in found if gap.tower in log.towers]
        missing += left
    if stretches is None:
        missing.append("Round cycles: the cycles of stretches are not at hand.")
    else:
        found, looks["round"], looked = _round(stretches, starts)
        findings += found
        if not looked:
            missing.append(f"Round cycles: no stretch has {LEAST_CYCLES} cycles or more.")
    if bins is None:
        missing.append("Copies of a run: the counts bin by bin are not at hand.")
    else:
        found, looks["copy"] = _copies(bins, log)
        findings += found
    findings.sort(
        key=lambda f: (math.inf if f.chance is None else f.chance, f.tower, f.first, f.kind)
    )
    return Belief(
        findings=tuple(findings),
        runs=log.size,
        days=len(np.unique(log.day)),
        stretches=looked,
        looks=looks,
        not_looked=tuple(missing),
        account=account,
    )


def shift_of(started: ArrayLike, starts: tuple[int, int, int] = STARTS) -> NDArray[np.str_]:
    """Which shift was it: early, late or night?

    Parameters
    ----------
    started : array_like of datetime64
        Wall time.
    starts : (int, int, int)
        Minutes after midnight at which the three begin: by default 06:00, 14:00 and 22:00 (common
        practice, no source).

    Raises
    ------
    ValueError
        Where starts are not in order within a day.

    Examples
    --------
    >>> times = ["2031-05-05T05:59", "2031-05-05T06:00", "2031-05-05T21:59", "2031-05-05T22:00"]
    >>> shift_of(np.array(times, "datetime64[us]")).tolist()
    ['night', 'early', 'late', 'night']
    """
    _check_starts(starts)
    when = np.asarray(started, "datetime64[us]")
    minutes = (when - when.astype("datetime64[D]")) // np.timedelta64(1, "m")
    # Before the early shift it is place -1: the night that began on the day before.
    place = np.searchsorted(np.array(starts), minutes.astype(np.int64), side="right") - 1
    names: NDArray[np.str_] = np.array(SHIFTS)[place]
    return names


def shift_day(started: ArrayLike, starts: tuple[int, int, int] = STARTS) -> TimeArray:
    """To which day does a run belong, if a night shift belongs to the day it began on?

    Parameters
    ----------
    started, starts
        As of `shift_of`.

    Returns
    -------
    array of datetime64[D]

    Raises
    ------
    ValueError
        As `shift_of`.

    Examples
    --------
    >>> print(shift_day(np.array("2031-05-06T02:30", "datetime64[us]")))
    2031-05-05
    """
    _check_starts(starts)
    when = np.asarray(started, "datetime64[us]")
    return (when - np.timedelta64(starts[0], "m")).astype("datetime64[D]")


def no_fault(expected: ArrayLike, variance: ArrayLike = 0.0) -> FloatArray:
    """How likely is a run without a fault, if it is counted honestly?

    Parameters
    ----------
    expected : array_like
        Expected faults mu of each run, 0 or more.
    variance : array_like
        Between-run variance v; broadcasts. 0: Poisson.

    Returns
    -------
    float array
        (1 + v mu)^(-1/v), the negative binomial's chance of none; exp(-mu) at v = 0; 1 at mu = 0.

    Examples
    --------
    >>> no_fault([0, 1, 2], 0.5).round(4)
    array([1.    , 0.4444, 0.25  ])
    """
    mu, v = np.broadcast_arrays(np.asarray(expected, float), np.asarray(variance, float))
    some = v > 0
    spread = np.where(some, v, 1.0)
    found = np.exp(-np.where(some, np.log1p(v * mu) / spread, mu))
    # Never nought: its logarithm is asked for.
    return np.asarray(np.maximum(found, _LEAST))


def at_least(count: int, chances: ArrayLike) -> float:
    """How likely do at least so many of some unequal trials succeed?

    Parameters
    ----------
    count : int
        0 or less gives 1, more than there are trials 0.
    chances : array_like
        Chance of each trial.

    Notes
    -----
    Exact (Poisson-binomial): trial by trial, adding positive terms only, so that small tails keep
    their digits. Takes as many steps as there are trials, each over no more numbers than successes
    or failures that matter.

    Examples
    --------
    >>> round(at_least(2, [0.5, 0.2, 0.1]), 4)
    0.15
    """
    p = np.asarray(chances, float)
    if count <= 0:
        return 1.0
    if count > p.size:
        return 0.0
    failures = p.size - count
    if count <= failures:
        # Fewer successes to keep count of; whatever reaches the count stays there.
        state, reached = np.zeros(count), 0.0
        state[0] = 1.0
        for chance in p.tolist():
            reached += state[-1] * chance
            up = state[:-1] * chance
            state *= 1.0 - chance
            state[1:] += up
        return float(reached)
    state = np.zeros(failures + 1)
    state[0] = 1.0
    for chance in p.tolist():
        up = state[:-1] * (1.0 - chance)
        state *= chance
        state[1:] += up
    return float(state.sum())


def one_in(chance: float) -> str:
    """Write a chance as ``1 in 60,000``, with two significant digits.

    Examples
    --------
    >>> one_in(1 / 61_234), one_in(3e-12)
    ('1 in 61,000', 'less than 1 in a billion')
    """
    if chance < 1e-9:
        return "less than 1 in a billion"
    return f"1 in {two_digits(1 / chance)}"


# What all parts ask of the runs


class _Log:
    """Runs in order of tower and time, with what follows from them."""

    def __init__(
        self,
        runs: Runs,
        sites: Mapping[str, str],
        variance: Mapping[str, float] | float | None,
        starts: tuple[int, int, int],
    ) -> None:
        tower, self.towers = _codes(runs.tower)
        order = np.lexsort((runs.started, tower))
        self.size = int(order.size)
        self.tower = tower[order]
        self.edges = np.searchsorted(self.tower, np.arange(len(self.towers) + 1))
        self.run = runs.run[order]
        self.started = runs.started[order]
        self.day = shift_day(self.started, starts)
        self.expected = runs.expected[order]
        self.faults = runs.faults[order]
        self.cycles = None if runs.cycles is None else runs.cycles[order]
        self.air = None if runs.humidity_logged is None else runs.humidity_logged[order]
        without = runs.expected_without_air
        self.without_air = self.expected if without is None else without[order]
        named = shift_of(self.started, starts) if runs.shift is None else runs.shift[order]
        self.shift, self.shifts = _codes(named)
        self.site = [sites.get(name, "") for name in self.towers]
        self.variance = self._variance(variance, self.expected)
        self.air_variance = (
            self.variance if without is None else self._variance(variance, self.without_air)
        )

    def _variance(
        self, given: Mapping[str, float] | float | None, expected: FloatArray
    ) -> FloatArray:
        """Return v of each tower."""
        if given is None:
            # Runs of which nothing is expected say nothing of the spread. With its allowance v is
            # rather too large: that is the side on which the log is believed.
            some = expected > 0
            spreads = between_run_variance(
                self.faults[some], expected[some], self.tower[some], fitted=False
            )
            found = np.array([spread.allowed for spread in spreads], float)
            return np.concatenate((found, np.zeros(len(self.towers) - found.size)))
        if isinstance(given, Mapping):
            absent = [name for name in self.towers if name not in given]
            if absent:
                raise ValueError(f"variance has no entry for tower {absent[0]}; give it one")
            values = np.array([given[name] for name in self.towers], float)
        else:
            values = np.full(len(self.towers), float(given))
        if not np.all((values >= 0) & np.isfinite(values)):
            raise ValueError("variance must be 0 or more, with none missing")
        return values

    def of(self, place: int) -> slice:
        return slice(int(self.edges[place]), int(self.edges[place + 1]))


_Found = tuple[list[Finding], int, list[str]]


# Zeros


def _zeros(log: _Log) -> _Found:
    none = no_fault(log.expected, log.variance[log.tower])
    zero = log.faults == 0
    score = np.where(zero, np.log(_WHATEVER / none + 1 - _WHATEVER), math.log(1 - _WHATEVER))
    units: list[tuple[int, list[IntArray], IntArray]] = []
    looks = 0
    for place in range(len(log.towers)):
        own = log.of(place)
        every = own.start + np.flatnonzero(log.expected[own] > 0)
        by_shift = [every[log.shift[every] == code] for code in np.unique(log.shift[every])]
        by_shift = [some for some in by_shift if log.shifts[log.shift[some[0]]]]
        # Where all runs are of one shift the tower as a whole is looked at already.
        of_one = len(by_shift) == 1 and by_shift[0].size == every.size
        whole = every[:0] if of_one else every
        units.append((place, by_shift, whole))
        looks += sum(some.size * (some.size + 1) // 2 for some in (*by_shift, whole))
    findings: list[Finding] = []
    little: list[str] = []
    for place, by_shift, whole in units:
        parts = [*by_shift, whole]
        # Could it have been found, had all its runs been without a fault?
        if not any(_tellable(log.expected[some], none[some], looks) for some in parts):
            little.append(log.towers[place])
            continue
        spans: list[tuple[np.datetime64, np.datetime64]] = []
        for some in by_shift:
            for part, finding in _scan(log, some, none, zero, score, looks, True):
                findings.append(finding)
                spans.append((log.started[part[0]], log.started[part[-1]]))
        taken = np.zeros(whole.size, bool)
        when = log.started[whole]
        for begun, ended in spans:
            taken |= (when >= begun) & (when <= ended)
        for piece in _pieces(~taken):
            found = _scan(log, whole[piece], none, zero, score, looks, False)
            findings += [finding for _, finding in found]
    missing = []
    if little:
        missing.append(
            f"Zero runs of {_named(little)}: too few faults are expected for zeros to tell."
        )
    return findings, looks, missing


def _tellable(expected: FloatArray, none: FloatArray, looks: int) -> bool:
    if not expected.size or expected.sum() < ENOUGH:
        return False
    return float(np.log(none).sum()) + math.log(looks) < math.log(HARD)


def _scan(
    log: _Log,
    some: IntArray,
    none: FloatArray,
    zero: BoolArray,
    score: FloatArray,
    looks: int,
    by_shift: bool,
) -> Iterator[tuple[IntArray, Finding]]:
    """Yield the stretches that stand out among some runs in order of time, and what is found."""
    for low, high in _segments(score[some]):
        part = some[low:high]
        if log.expected[part].sum() < ENOUGH:
            continue
        count, chance = _hidden(zero[part], none[part], looks)
        if chance >= HARD:
            continue
        level = _level(log, some, low, high)
        if level < 1:
            lower = no_fault(level * log.expected[part], log.variance[log.tower[part]])
            if _hidden(zero[part], lower, looks)[1] >= HARD:
                continue
        first, last = int(part[0]), int(part[-1])
        yield (
            part,
            Finding(
                kind="zeros",
                tower=log.towers[log.tower[first]],
                shift=log.shifts[log.shift[first]] if by_shift else None,
                first=_moment(log.started[first]),
                last=_moment(log.started[last]),
                first_day=_date(log.day[first]),
                last_day=_date(log.day[last]),
                observed=count,
                expected=float(none[part].sum()),
                of=int(part.size),
                chance=chance,
            ),
        )


def _hidden(zero: BoolArray, none: FloatArray, looks: int) -> tuple[int, float]:
    """Return how many runs have no fault, and its chance; 1 where too few of them are beyond it."""
    count, expected = int(zero.sum()), float(none.sum())
    if count - expected < _HIDDEN * (zero.size - expected):
        return count, 1.0
    return count, min(1.0, at_least(count, none) * looks)


def _level(log: _Log, some: IntArray, low: int, high: int) -> float:
    """Return the highest level, as a share of what is expected, that all around leaves room for.

    Four witnesses, each with its upper limit: as many runs before and after, the tower's other
    shifts of the same time, and the runs of the stretch itself that have faults. A tower that is
    better than expected is so in all of them; where faults are left out, in none.
    """
    part, size = some[low:high], high - low
    own = log.of(int(log.tower[part[0]]))
    began, ended = log.started[part[0]], log.started[part[-1]]
    beside = (log.started[own] >= began) & (log.started[own] <= ended)
    # Where a tower is looked at as a whole all runs of that time are in the stretch.
    beside &= (log.shift[own] != log.shift[part[0]]) & (log.expected[own] > 0)
    others = own.start + np.flatnonzero(beside)
    witnesses = [some[max(low - size, 0) : low], some[high : high + size]]
    if np.all(log.shift[part] == log.shift[part[0]]):
        witnesses.append(others)
    v = float(log.variance[log.tower[part[0]]])
    levels = [
        _most(log.faults[runs], log.expected[runs], v)
        for runs in witnesses
        if log.expected[runs].sum() >= ENOUGH
    ]
    with_faults = part[log.faults[part] > 0]
    return min([1.0, *levels, _most_if_any(log.faults[with_faults], log.expected[with_faults], v)])


def _most(faults: IntArray, expected: FloatArray, v: float) -> float:
    """Return the upper limit of a level (one-sided 97.5 %), allowing for clusters."""
    total = float(expected.sum())
    worth = 1 + v * float((expected**2).sum()) / total
    return float(special.gammaincinv(float(faults.sum()) / worth + 1, 0.975)) * worth / total


def _most_if_any(faults: IntArray, expected: FloatArray, v: float) -> float:
    """Return the upper limit of a level from runs that have faults, given that they have some."""
    counted = float(faults.sum())

    def too_few(level: float) -> bool:
        m = level * expected
        seen = 1 - no_fault(m, v)
        mean = m / seen
        spread = float(((m + (1 + v) * m**2) / seen - mean**2).sum())
        return counted < float(mean.sum()) - 1.96 * math.sqrt(max(spread, 0.0))

    if not faults.size or not too_few(1.0):
        return 1.0
    low, high = 1e-6, 1.0
    for _ in range(20):
        middle = (low + high) / 2
        low, high = (low, middle) if too_few(middle) else (middle, high)
    return high


def _segments(score: FloatArray) -> Iterator[tuple[int, int]]:
    """Yield the stretches of highest sum, the highest first, then those of the rest."""
    open_ = [(0, score.size)]
    while open_:
        low, high = open_.pop()
        if high <= low:
            continue
        total = np.concatenate(([0.0], np.cumsum(score[low:high])))
        gain = total[1:] - np.minimum.accumulate(total[:-1])
        end = int(gain.argmax())
        if gain[end] < _WORTH:
            continue
        start = int(total[: end + 1].argmin())
        yield low + start, low + end + 1
        open_ += [(low, low + start), (low + end + 1, high)]


def _pieces(keep: BoolArray) -> Iterator[slice]:
    """Yield the stretches of an array in which all is kept."""
    change = np.flatnonzero(np.diff(np.concatenate(([False], keep, [False])).astype(np.int8)))
    for low, high in zip(change[::2].tolist(), change[1::2].tolist(), strict=True):
        yield slice(low, high)


# Round cycles


def _round(stretches: Stretches, starts: tuple[int, int, int]) -> tuple[list[Finding], int, int]:
    keep = stretches.cycles >= LEAST_CYCLES
    looked = int(keep.sum())
    if not looked:
        return [], 0, 0
    cycles, started = stretches.cycles[keep], stretches.started[keep]
    tower, towers = _codes(stretches.tower[keep])
    named = shift_of(started, starts) if stretches.shift is None else stretches.shift[keep]
    shift, shifts = _codes(named)
    day = shift_day(started, starts)
    month = day.astype("datetime64[M]").astype(np.int64)
    keys, group = np.unique(np.stack((tower, shift, month), axis=1), axis=0, return_inverse=True)
    group = group.reshape(-1)
    size = np.bincount(group)
    looks = len(keys) * len(_ROUND_TO)
    counts: dict[int, IntArray] = {}
    chances: dict[int, FloatArray] = {}
    for step in _ROUND_TO:
        count = np.bincount(group[cycles % step == 0], minlength=len(keys)).astype(np.int64)
        counts[step] = count
        tail = special.betainc(np.maximum(count, 1), size - count + 1, 1.0 / step)
        chances[step] = np.where(count > 0, np.minimum(tail * looks, 1.0), 1.0)
    flagged = {step: (chances[step] < HARD) & (counts[step] >= ROUND * size) for step in _ROUND_TO}
    chosen = np.zeros(len(keys), np.int64)
    finest = np.zeros(len(keys), np.int64)
    for step in sorted(_ROUND_TO):
        # The coarsest step that holds most of what the finest one found shows.
        finest = np.where((finest == 0) & flagged[step], counts[step], finest)
        chosen = np.where(flagged[step] & (counts[step] >= _EXPLAINS * finest), step, chosen)
    findings: list[Finding] = []
    hits = np.flatnonzero(chosen)
    for row in _joined(keys[hits], chosen[hits]):
        places = hits[row]
        step = int(chosen[places[0]])
        inside = np.flatnonzero(np.isin(group, places))
        first, last = inside[started[inside].argmin()], inside[started[inside].argmax()]
        number = int(size[places].sum())
        findings.append(
            Finding(
                kind="round",
                tower=towers[tower[first]],
                shift=shifts[shift[first]] or None,
                first=_moment(started[first]),
                last=_moment(started[last]),
                first_day=_date(day[first]),
                last_day=_date(day[last]),
                observed=int(counts[step][places].sum()),
                expected=number / step,
                of=number,
                chance=float(chances[step][places].min()),
                step=step,
            )
        )
    return findings, looks, looked


def _joined(keys: IntArray, chosen: IntArray) -> Iterator[slice]:
    """Yield the rows of one tower, shift and step whose months follow one another."""
    low = 0
    for at in range(1, len(keys) + 1):
        if at == len(keys) or not (
            np.array_equal(keys[at, :2], keys[at - 1, :2])
            and keys[at, 2] == keys[at - 1, 2] + 1
            and chosen[at] == chosen[at - 1]
        ):
            yield slice(low, at)
            low = at


# Air that was not logged


def _air(log: _Log) -> _Found:
    if log.air is None:
        return [], 0, ["Missing air: whether the humidity was logged is not at hand."]
    able: list[int] = []
    few: list[int] = []
    for place in range(len(log.towers)):
        own = log.of(place)
        some = log.without_air[own] > 0
        logged = int(log.air[own][some].sum())
        # Where the air is always or hardly ever logged there is nothing to choose.
        enough = min(logged, int(some.sum()) - logged) >= _RUNS_FOR_AIR
        (able if enough else few).append(place)
    findings: list[Finding] = []
    for place in able:
        found = _air_of(log, place, len(able))
        if found is not None:
            findings.append(found)
    missing = []
    if few:
        missing.append(
            f"Missing air of {_named([log.towers[place] for place in few])}: fewer than "
            f"{_RUNS_FOR_AIR} runs with, or without, a humidity reading."
        )
    return findings, len(able), missing


def _air_of(log: _Log, place: int, looks: int) -> Finding | None:
    assert log.air is not None
    own = log.of(place)
    keep = own.start + np.flatnonzero(log.without_air[own] > 0)
    x, mu = log.faults[keep].astype(float), log.without_air[keep]
    bare = ~log.air[keep]
    day = log.day[keep]
    _, month = np.unique(day.astype("datetime64[M]"), return_inverse=True)
    _, of_day = np.unique(day, return_inverse=True)
    v = float(log.air_variance[place])

    def per_month(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(month, values), float)

    unread, read = per_month(mu * bare), per_month(mu * ~bare)
    total = per_month(x)
    both = unread + read
    # Each run's weight in the sum that is nought where a reading makes no difference.
    weight = np.where(bare, (read / both)[month], -(unread / both)[month])
    more = float((weight * x)[bare].sum())
    less = float(-(weight * x)[~bare].sum())
    if more <= 0 or less <= 0:
        return None
    ratio = more / less

    def deviation(at: float) -> tuple[float, float]:
        """Return the sum at a ratio and its variance: by the spread, or by days if larger."""
        level = total / (at * unread + read)
        fitted = level[month] * mu * np.where(bare, at, 1.0)
        w = np.where(bare, weight, at * weight)
        by_spread = float((w**2 * (fitted + v * fitted**2)).sum())
        by_day = float((np.bincount(of_day, w * (x - fitted)) ** 2).sum())
        return float((w * x).sum()), max(by_spread, by_day)

    error = math.sqrt(deviation(ratio)[1]) / more
    reach = float(special.ndtri(0.975)) * error
    low, high = ratio * math.exp(-reach), ratio * math.exp(reach)
    beyond, spread = deviation(1.0)
    expected = float((total * unread / both).sum())
    # A count with that variance is one of so many fewer faults, each worth so many.
    worth = spread / expected
    chance = float(special.gammainc((expected + beyond) / worth, expected / worth))
    chance = min(1.0, chance * looks)
    if beyond <= 0 or low <= WORSE or chance >= HARD:
        return None
    first, last = int(keep[0]), int(keep[-1])
    return Finding(
        kind="air",
        tower=log.towers[place],
        shift=None,
        first=_moment(log.started[first]),
        last=_moment(log.started[last]),
        first_day=_date(log.day[first]),
        last_day=_date(log.day[last]),
        observed=int(x[bare].sum()),
        expected=expected,
        of=int(bare.sum()),
        chance=chance,
        ratio=ratio,
        low=low,
        high=high,
    )


# Days with no log


@dataclass(frozen=True)
class _Habit:
    """On which days a tower usually runs, and which of them it skipped."""

    place: int
    began: int
    usual: BoolArray
    ran: BoolArray
    rows: tuple[tuple[int, ...], ...]


def _gaps(
    log: _Log, services: Sequence[tuple[str, dt.date]], closed: Mapping[str, Sequence[dt.date]]
) -> _Found:
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
    findings = [finding for habit in habits for finding in _rows(log, habit, looks)]
    missing = []
    if few:
        missing.append(
            f"Days without a run of {_named(few)}: fewer than {_DAYS_FOR_GAP} days on which it "
            "usually runs."
            if len(few) == 1
            else f"Days without a run of {_named(few)}: fewer than {_DAYS_FOR_GAP} days on which "
            "they usually run."
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
    return [tuple(days[piece].tolist()) for piece in _pieces(~ran[days])]


def _rows(log: _Log, habit: _Habit, looks: int) -> Iterator[Finding]:
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
            first=_moment(begun),
            last=_moment(ended),
            first_day=_date(begun),
            last_day=_date(ended),
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


def _missed(log: _Log, place: int, first: int, last: int, days: int) -> float | None:
    """Return the cycles of so many days at the tower's pace in the weeks around."""
    if log.cycles is None:
        return None
    own = log.of(place)
    day = log.day[own].astype(np.int64)
    near = (day >= first - 7 * _WEEKS) & (day <= last + 7 * _WEEKS)
    ran = np.unique(day[near]).size
    return float(log.cycles[own][near].sum()) / ran * days if ran else None


# Copies of a run


def _copies(bins: RunBins, log: _Log) -> tuple[list[Finding], int]:
    # An empty bin is the same whether it was written down or not.
    keep = (bins.cycles > 0) | (bins.misses > 0) | (bins.doubles > 0)
    tower, towers = _codes(bins.tower[keep])
    run, names = _codes(bins.run[keep])
    if not tower.size:
        return [], 0
    numbers = np.stack([part[keep] for part in (bins.bin, bins.cycles, bins.misses, bins.doubles)])
    key = tower * len(names) + run
    order = np.argsort(key, kind="stable")
    key, numbers, mu = key[order], numbers[:, order], bins.expected[keep][order]
    edge = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1])))
    ends = np.append(edge[1:], key.size)
    of_run, own = key[edge], key[edge] // len(names)
    per_tower = np.bincount(own, minlength=len(towers))
    looks = int((per_tower * (per_tower - 1) // 2).sum())
    # Runs with the same bins and numbers have the same mark, in whatever order they stand.
    mark = np.add.reduceat(_mixed(numbers), edge)
    _, alike = np.unique(np.stack((own.astype(np.uint64), mark)), axis=1, return_inverse=True)
    alike = alike.reshape(-1)
    twice = np.flatnonzero(np.bincount(alike)[alike] > 1)
    if not twice.size:
        return [], looks
    cycles = np.maximum.reduceat(numbers[1], edge)
    count = np.bincount(own, np.add.reduceat(numbers[2], edge), len(towers))
    all_faults = count + np.bincount(own, np.add.reduceat(numbers[3], edge), len(towers))
    share = (count + 0.5) / (all_faults + 1.0)
    by_name = dict(zip(log.towers, log.variance.tolist(), strict=True))
    begun: dict[tuple[str, str], int] = {}
    findings: list[Finding] = []
    groups: dict[int, list[int]] = {}
    for place in twice.tolist():
        groups.setdefault(int(alike[place]), []).append(place)
    ordered: dict[int, IntArray] = {}
    for members in groups.values():
        of = int(own[members[0]])
        # The likeliest of them speaks for all.
        counts = max(
            _log_chance(
                numbers[2:, edge[m] : ends[m]],
                mu[edge[m] : ends[m]],
                float(share[of]),
                by_name.get(towers[of], 0.0),
            )
            for m in members
        )
        # No cycles are rarer than this; most runs without a fault need not be looked at further.
        rarest = -math.log(per_tower[of] * max(float(cycles[members[0]]), 1.0))
        if counts + rarest + math.log(looks) >= math.log(HARD):
            continue
        if of not in ordered:
            ordered[of] = cycles[own == of]
        agree = _agree(int(cycles[members[0]]), ordered[of])
        chance = min(1.0, math.exp(counts) * agree * looks)
        if chance >= HARD or not _same(numbers, [(edge[m], ends[m]) for m in members]):
            continue
        if not begun:
            keys = zip((log.towers[t] for t in log.tower), log.run.tolist(), strict=True)
            begun = {pair: at for at, pair in enumerate(keys)}
        found = [(begun.get((towers[of], names[of_run[m] % len(names)])), m) for m in members]
        known = sorted((at, m) for at, m in found if at is not None)
        if len(known) < 2:
            # Runs that are not among those looked at have no time.
            continue
        first, last = known[0][0], known[-1][0]
        one = known[0][1]
        findings.append(
            Finding(
                kind="copy",
                tower=towers[of],
                shift=None,
                first=_moment(log.started[first]),
                last=_moment(log.started[last]),
                first_day=_date(log.day[first]),
                last_day=_date(log.day[last]),
                observed=int(numbers[2:, edge[one] : ends[one]].sum()),
                expected=float(mu[edge[one] : ends[one]].sum()),
                of=len(known),
                chance=chance,
                runs=tuple(str(log.run[at]) for at, _ in known),
            )
        )
    return findings, looks


def _mixed(numbers: IntArray) -> NDArray[np.uint64]:
    """Return 64 mixed bits for each column (the finaliser of Steele et al. 2014, splitmix64)."""
    mixed = np.zeros(numbers.shape[1], np.uint64)
    for row in numbers.astype(np.uint64):
        mixed = (mixed ^ row) + np.uint64(0x9E3779B97F4A7C15)
        mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        mixed = mixed ^ (mixed >> np.uint64(31))
    return mixed


def _same(numbers: IntArray, spans: Sequence[tuple[int, int]]) -> bool:
    """Whether runs hold the same numbers indeed, not only the same mark."""
    rows = [numbers[:, low:high] for low, high in spans]
    rows = [row[:, np.lexsort(row)] for row in rows]
    return all(np.array_equal(rows[0], row) for row in rows[1:])


def _log_chance(counts: IntArray, mu: FloatArray, share: float, v: float) -> float:
    """Return the log of the chance of exactly these misses and doubles in these bins.

    Poisson in each bin; the sum of the run negative binomial where runs differ, since a bad run is
    bad in all its bins. Bins of which nothing is expected say nothing.
    """
    some = mu > 0
    cells = np.stack((mu[some] * share, mu[some] * (1 - share)))
    x = counts[:, some].astype(float)
    m, total = float(cells.sum()), float(x.sum())
    if m <= 0:
        return 0.0
    split = float((x * np.log(cells / m) - special.gammaln(x + 1)).sum())
    if v <= 0:
        return total * math.log(m) - m + split
    k = 1 / v
    rising = float(special.gammaln(total + k) - special.gammaln(k))
    return rising + split - k * math.log1p(v * m) + total * math.log(v * m / (1 + v * m))


def _agree(cycles: int, all_cycles: IntArray) -> float:
    """Return the chance that one more run of a tower has just these cycles.

    Runs near it say how common such a number is; round numbers are set beside round ones. Where the
    number itself comes up again and again, that counts.
    """
    grain = max(step for step in _GRAINS if cycles % step == 0)
    coarser = _GRAINS[_GRAINS.index(grain) + 1] if grain < _GRAINS[-1] else 0
    low, high = math.floor(cycles / _NEAR), math.ceil(cycles * _NEAR)
    kind = all_cycles % grain == 0
    possible = high // grain - (low - 1) // grain
    if coarser:
        kind &= all_cycles % coarser != 0
        possible -= high // coarser - (low - 1) // coarser
    near = int((kind & (all_cycles >= low) & (all_cycles <= high)).sum())
    smooth = (near + 1) / (all_cycles.size * max(possible, 1))
    again = int((all_cycles == cycles).sum()) - 2
    return min(1.0, max(smooth, again / max(all_cycles.size - 2, 1)))


# Small help


def _codes(values: TextArray) -> tuple[IntArray, list[str]]:
    """Return the number of each text and the texts by number; quicker than sorting them all."""
    texts = values.tolist()
    names = sorted(set(texts))
    number = {name: place for place, name in enumerate(names)}
    return np.fromiter(map(number.__getitem__, texts), np.int64, len(texts)), names


def _convert(of: Runs | Stretches | RunBins, what: str) -> None:
    """Bring the columns of an input to their types, and refuse what cannot be counted."""
    size = len(np.asarray(of.tower))
    for name in of.__dataclass_fields__:
        given = getattr(of, name)
        if given is None:
            continue
        if name in ("tower", "run", "shift"):
            column: NDArray[Any] = np.array(
                ["" if text is None else str(text) for text in np.asarray(given).tolist()], object
            )
        elif name == "started":
            column = np.asarray(given, "datetime64[us]")
            if np.isnat(column).any():
                raise ValueError(f"started of {what} must be known; leave out those without")
        elif name == "humidity_logged":
            column = np.asarray(given, bool)
        else:
            numbers = np.asarray(given, float)
            if not np.all(np.isfinite(numbers) & (numbers >= 0)):
                raise ValueError(f"{name} of {what} must be 0 or more, with none missing")
            whole = not name.startswith("expected")
            if whole and np.any(numbers != np.floor(numbers)):
                raise ValueError(f"{name} of {what} must be whole numbers")
            column = np.asarray(given).astype(np.int64) if whole else numbers
        if column.shape != (size,):
            raise ValueError(
                f"{name} of {what} must have one entry for each of the {size:,}, "
                f"not the shape {column.shape}"
            )
        object.__setattr__(of, name, column)


def _check_starts(starts: tuple[int, int, int]) -> None:
    if len(starts) != 3 or not 0 <= starts[0] < starts[1] < starts[2] < 24 * 60:
        raise ValueError(
            "starts must be three times of a day in order, in minutes after midnight: early, "
            f"late, night; not {starts}"
        )


def _moment(when: np.datetime64) -> dt.datetime:
    moment = when.astype("datetime64[us]").item()
    assert isinstance(moment, dt.datetime)
    return moment


def _date(day: np.datetime64) -> dt.date:
    return _moment(day).date()


def _day_number(day: dt.date) -> int:
    return day.toordinal() - dt.date(1970, 1, 1).toordinal()


def _about(number: float) -> str:
    """Write an expected number; below ten with two digits."""
    return f"{number:,.0f}" if number >= 9.95 else two_digits(number)


def _were(number: float) -> str:
    return "was" if _about(number) == "1.0" else "were"


def _named(towers: Sequence[str]) -> str:
    return f"{'tower' if len(towers) == 1 else 'towers'} {listed(towers)}"
