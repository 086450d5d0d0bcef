"""Where have far more runs no fault than were expected to have none?

An honest run has no fault with the chance (1 + v mu)^(-1/v), or exp(-mu) without spread. Run by run
the log likelihood ratio to "no fault whatever happened, in 0.8 of the runs" is added up, and the
stretch with the highest sum taken; the chance that so many of its runs have no fault is the exact
tail of a sum of unequal trials, times the number of all stretches that could have been picked, of
every shift of every tower and of every tower as a whole. Then the rest of the runs is searched
likewise. Where a shift shows it, the tower as a whole is not searched again at that time.

References
----------
Sum of trials of unequal chances (Poisson-binomial): Hodges JL, Le Cam L (1960). Annals of
Mathematical Statistics 31:737-740; summed here exactly, trial by trial.
Stretch of the highest score: Karlin S, Altschul SF (1990). PNAS 87:2264-2268; found in one pass as
Bentley J (1984). Communications of the ACM 27:865-873 has it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analysis.belief_findings import HARD, Finding, Found, date_of, moment_of, towers_named
from analysis.belief_log import ENOUGH, Log, pieces

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Share of the runs that should have shown a fault and show none.
_HIDDEN = 0.5

#: Smallest chance of a run without a fault that is told from nought.
_LEAST = 1e-300

#: What the scan sets against honest counting: with this chance a run is logged without a fault
#: whatever happened. Only the choice of the stretch rests on it, no chance does.
_WHATEVER = 0.8

#: Stretches of a lower score (log likelihood ratio) could not be told from chance in any log.
_WORTH = 5.0


def zeros(log: Log) -> Found:
    """Look for times in which far more runs have no fault than were expected to have none."""
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
        for piece in pieces(~taken):
            found = _scan(log, whole[piece], none, zero, score, looks, False)
            findings += [finding for _, finding in found]
    missing = []
    if little:
        missing.append(
            f"Zero runs of {towers_named(little)}: too few faults are expected for zeros to tell."
        )
    return findings, looks, missing


def _tellable(expected: FloatArray, none: FloatArray, looks: int) -> bool:
    if not expected.size or expected.sum() < ENOUGH:
        return False
    return float(np.log(none).sum()) + math.log(looks) < math.log(HARD)


def _scan(
    log: Log,
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
                first=moment_of(log.started[first]),
                last=moment_of(log.started[last]),
                first_day=date_of(log.day[first]),
                last_day=date_of(log.day[last]),
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


def _level(log: Log, some: IntArray, low: int, high: int) -> float:
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
