"""Where does a count of faults end that is checked against boundaries as feeds go by?

Faults are counted feed by feed; at some numbers of feeds the test ends with few faults, and before
others it ends with many. The chance of every end, and how long it takes, follow exactly by carrying
the distribution of the count of those tests that go on from one check to the next: binomial
increments, nothing drawn at random and nothing approximated (Aroian 1968, Technometrics
10:125-132).

Statistics only: arrays in, arrays out. `analysis.sequential` sets boundaries with it, and
`analysis.looks` judges with it at the ends of runs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, betaincc

FloatArray = NDArray[np.float64]


def at_most(count: ArrayLike, feeds: ArrayLike, rate: ArrayLike) -> FloatArray:
    """Return the chance of at most so many faults in so many feeds at a rate; broadcasts.

    By the incomplete beta function, which keeps its digits at small rates where sums of binomial
    terms would not.

    Parameters
    ----------
    count : array_like
        Whole numbers, -1 or more.
    feeds : array_like
        Whole numbers, 0 or more.
    rate : array_like
        Faults per feed, 0 to 1.
    """
    x, n, p = (np.asarray(value, float) for value in (count, feeds, rate))
    inside = betaincc(np.clip(x, 0, None) + 1, np.clip(n - x, 1, None), p)
    return np.where(x < 0, 0.0, np.where(x >= n, 1.0, inside))


def more_than(count: int, feeds: int, rate: float) -> float:
    """Return the chance of more than so many faults in so many feeds at a rate.

    The far tail itself, and not what is left of the near one, which has no digits where it is
    small.

    Parameters
    ----------
    count, feeds : int
        0 or more.
    rate : float
        Faults per feed, 0 to 1.
    """
    return 0.0 if count >= feeds else float(betainc(count + 1, feeds - count, rate))


class Check(NamedTuple):
    """One check of a test on its way.

    Attributes
    ----------
    feeds : int
        How many feeds there have been.
    accept : int
        The test ends, accepted, with at most so many faults; -1 for none.
    reject : int
        It ends, rejected, with so many or more; above ``accept``.
    """

    feeds: int
    accept: int
    reject: int


@dataclass(frozen=True)
class State:
    """How the tests that go on are spread over counts, for each of some rates.

    Attributes
    ----------
    feeds : int
        How many feeds there have been.
    least : int
        Count of the first column.
    chance : array, rates x counts
        Of going on with that count.
    """

    feeds: int
    least: int
    chance: FloatArray

    @property
    def going_on(self) -> FloatArray:
        """Chance of going on, one per rate."""
        total: FloatArray = self.chance.sum(axis=1)
        return total


def begin(rates: int, feeds: int = 0, count: int = 0) -> State:
    """Return the state of a test that has come so far for certain."""
    return State(feeds, count, np.ones((rates, 1)))


#: A step of more expected faults takes its chances from differences, where a recurrence from the
#: chance of none would be rounded to nought.
_MOST_EXPECTED = 500.0


def increments(feeds: int, rates: FloatArray, most: int) -> FloatArray:
    """Return the chances of 0 to ``most`` faults in so many feeds: rates x counts."""
    expected = feeds * float(rates.max())
    if expected > _MOST_EXPECTED:
        up_to = at_most(np.arange(most + 1), feeds, rates[:, None])
        return np.diff(up_to, axis=1, prepend=0.0)
    number = np.arange(most)
    out = np.empty((len(rates), most + 1))
    with np.errstate(divide="ignore"):
        out[:, 0] = np.exp(feeds * np.log1p(-rates))
        growth = np.maximum(feeds - number, 0) / (number + 1) * (rates / (1 - rates))[:, None]
    out[:, 1:] = out[:, :1] * np.cumprod(growth, axis=1)
    return out


def likely(feeds: int, rates: FloatArray) -> int:
    """Return a count of faults that in so many feeds is passed with a chance below 1e-20."""
    expected = feeds * float(rates.max())
    return min(feeds, int(expected + 12 * math.sqrt(expected) + 25))


def advance(state: State, feeds: int, rates: FloatArray, below: int) -> State:
    """Carry the tests that go on to a number of feeds; those with ``below`` faults or more drop.

    Parameters
    ----------
    state : State
        Where they are.
    feeds : int
        Where they are carried to.
    rates : array
        Faults per feed, below 1; one for each row of the state.
    below : int
        The new state holds counts below it.
    """
    step = feeds - state.feeds
    width = max(below - state.least, 0)
    moved = np.zeros((len(rates), width))
    if width:
        chances = increments(step, rates, min(width - 1, likely(step, rates)))
        for row, (was, more) in enumerate(zip(state.chance, chances, strict=True)):
            summed = np.convolve(was, more)[:width]
            moved[row, : len(summed)] = summed
    return State(feeds, state.least, moved)


@dataclass(frozen=True)
class Walk:
    """The ends of a test, for each of some rates.

    Attributes
    ----------
    feeds : array, one per check
        Where the checks are.
    accepted, rejected : array, checks x rates
        Chance of ending there.
    faults : array, one per rate
        Expected faults at the end, where a test is watched feed by feed: one that is rejected has
        then exactly as many as reject.
    end : State
        The tests that go on after the last check.
    """

    feeds: NDArray[np.int64]
    accepted: FloatArray
    rejected: FloatArray
    faults: FloatArray
    end: State


def walk(checks: Iterable[Check], rates: ArrayLike, start: State | None = None) -> Walk:
    """Follow a test through its checks until none goes on.

    Parameters
    ----------
    checks : iterable of Check
        In the order of their feeds, each later than the one before.
    rates : array_like, one-dimensional
        Faults per feed, above 0 and below 1.
    start : State, optional
        Where the test has come to, a row for each rate; at its beginning when absent.
    """
    p = np.atleast_1d(np.asarray(rates, float))
    state = start or begin(len(p))
    feeds, accepted, rejected = [], [], []
    faults = np.zeros(len(p))
    for check in checks:
        before = state.going_on
        state = advance(state, check.feeds, p, check.reject)
        gone = np.maximum(before - state.going_on, 0.0)
        faults += gone * check.reject
        few = max(0, check.accept - state.least + 1)
        ended = state.chance[:, :few]
        faults += ended @ np.arange(state.least, state.least + ended.shape[1])
        feeds.append(check.feeds)
        rejected.append(gone)
        accepted.append(ended.sum(axis=1))
        state = State(check.feeds, state.least + few, state.chance[:, few:])
        if not state.chance.size:
            break
    return Walk(
        np.array(feeds, np.int64),
        np.array(accepted).reshape(-1, len(p)),
        np.array(rejected).reshape(-1, len(p)),
        faults,
        state,
    )
