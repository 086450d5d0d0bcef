"""How many feeds does a test need that ends as soon as the faults decide it?

A sequential plan looks on as feeds go by and ends as soon as the count leaves a band: Wald's
boundaries (Wald 1947; ISO 8422), on which no plan with the same risks does better in the mean (Wald
and Wolfowitz 1948). It is cut off at the most feeds that can be afforded, and its boundaries are
then set anew, so that the risks it truly has, worked out exactly by `analysis.walks`, do not exceed
those that were asked (`analysis.plans`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from analysis.kept import Kept
from analysis.plans import (
    MOST_FAULTS,
    Asked,
    PlanError,
    SinglePlan,
    check_feeds,
    percent,
    single_plan,
)
from analysis.searches import first_whole, least_place
from analysis.walks import Check, FloatArray, Walk, at_most, more_than, walk
from analysis.words import many, two_digits

#: A sequential plan is cut off at so many single plans when no maximum is given; its mean is then
#: near the least there can be, within 2 % where it waits for more than a few faults.
USUAL_LENGTH = 2
#: Cut off later than at so many, a plan only gets harder to work out: hardly a test gets there.
_LONGEST = 5


@dataclass(frozen=True)
class SequentialPlan:
    """Look on as feeds go by, and end as soon as the count leaves the band.

    Attributes
    ----------
    asked : Asked
        Rates and risks.
    feeds : int
        After so many it has ended for certain.
    accept_at : tuple of int or None
        By the number of faults from 0: it passes when feeds come to this with no more faults;
        None where so many never pass.
    reject_before : tuple of int
        By the number of faults from 0: it fails when so many have come before feeds come to this;
        0 where so many never fail.
    producer_risk, consumer_risk : float
        True ones.
    """

    asked: Asked
    feeds: int
    accept_at: tuple[int | None, ...]
    reject_before: tuple[int, ...]
    producer_risk: float
    consumer_risk: float

    @property
    def allowed(self) -> int:
        """Most faults with which it passes."""
        return len(self.accept_at) - 2

    @cached_property
    def checks(self) -> tuple[Check, ...]:
        """The plan as `analysis.walks.walk` takes it."""
        return checks_of(np.array(self.accept_at[:-1]), np.array(self.reject_before), self.feeds)

    def accept(self, rates: ArrayLike) -> FloatArray:
        """Return the operating characteristic: the chance to pass at each rate, exactly."""
        return self._followed(rates)[0]

    def expected_feeds(self, rates: ArrayLike) -> FloatArray:
        """Return the average sample number at each rate, exactly."""
        return self._followed(rates)[1]

    def _followed(self, rates: ArrayLike) -> tuple[FloatArray, FloatArray]:
        p = np.atleast_1d(np.asarray(rates, float))
        found = walk(self.checks, p)
        # Faults at the end are the rate times the feeds, whatever ends a test (Wald's identity).
        return found.accepted.sum(axis=0), found.faults / p

    def least_expected_feeds(self) -> tuple[float, float]:
        """Return the bound of Wald and Wolfowitz at the good and the bad rate.

        No test with the risks that this one truly has ends sooner in the mean.
        """
        return bound(self.asked.good, self.asked.bad, self.producer_risk, self.consumer_risk)

    def sentence(self) -> str:
        """Say how long it will take and what it proves."""
        good, bad = self.expected_feeds([self.asked.good, self.asked.bad])
        good_rate, bad_rate = self.asked.rates()
        return (
            f"Run until the count leaves the band, {many(self.feeds, 'feed')} at most: "
            f"{two_digits(good)} are expected of a tower at {good_rate} per 10,000 "
            f"feeds and {two_digits(bad)} of one at {bad_rate}. The first fails "
            f"with a chance of {percent(self.producer_risk)}, the second passes with one of "
            f"{percent(self.consumer_risk)}."
        )


def log_ratio(good: float, bad: float) -> float:
    """Return by how much a fault speaks for the bad rate, against no fault.

    The logarithm of the ratio of their odds; rates in faults per feed, strictly between 0 and 1.
    """
    return math.log(bad / good) + math.log1p(-good) - math.log1p(-bad)


def slope(good: float, bad: float) -> float:
    """Return the faults per feed that speak for neither rate: the slope of the boundaries."""
    return (math.log1p(-good) - math.log1p(-bad)) / log_ratio(good, bad)


def bound(good: float, bad: float, producer: float, consumer: float) -> tuple[float, float]:
    """Return the least expected feeds of any test at the two rates (Wald and Wolfowitz 1948).

    Parameters
    ----------
    good, bad : float
        Faults per feed.
    producer, consumer : float
        Risks of the test.

    Returns
    -------
    tuple of (float, float)
        At the good rate, and at the bad one.
    """

    def divergence(p: float, q: float) -> float:
        return p * math.log(p / q) + (1 - p) * (math.log1p(-p) - math.log1p(-q))

    return (
        divergence(producer, 1 - consumer) / divergence(good, bad),
        divergence(consumer, 1 - producer) / divergence(bad, good),
    )


def checks_of(
    accept: FloatArray, reject: FloatArray, feeds: int, upto: int | None = None, after: int = 0
) -> tuple[Check, ...]:
    """Return where a plan has to be looked at, and how, to be watched feed by feed.

    The number of faults that rejects stays the same from one ``reject_before`` to the next, so a
    count that has come to it in between is found at the end.

    Parameters
    ----------
    accept, reject : array, one per number of faults
        As of `SequentialPlan`, without the last of ``accept_at``.
    feeds : int
        Most feeds of the plan.
    upto, after : int, optional
        Watch it up to here only, and from there on.
    """
    ends = np.unique(np.concatenate([accept, reject[reject > 1] - 1]))
    if upto is not None:
        feeds = min(upto, feeds)
        ends = np.append(ends[ends < feeds], feeds)
    ends = ends[(ends > after) & (ends <= feeds)]
    many = np.searchsorted(reject, ends, side="right")
    few = np.searchsorted(accept, ends, side="right") - 1
    return tuple(map(Check, ends.tolist(), few.tolist(), many.tolist()))


@dataclass(frozen=True)
class _Band:
    """Boundaries on trial: Wald's lines ``faults = slope * feeds - a`` and ``+ b``, cut off.

    At the cut, ``limit`` faults pass. Where it is no whole number, the last of them pass only if
    they came late enough: so a plan cut off early can have just the risks asked for.
    """

    asked: Asked
    feeds: int
    a: float
    b: float
    limit: float

    @cached_property
    def accept(self) -> FloatArray:
        counts = np.arange(math.ceil(self.limit) + 1)
        lines = np.ceil((counts + self.a) / slope(self.asked.good, self.asked.bad))
        cut: FloatArray = np.clip(lines, 1, self.feeds).astype(np.int64)
        return cut

    @cached_property
    def reject(self) -> FloatArray:
        counts = np.arange(len(self.accept))
        over = counts - self.b
        lines = np.floor(over / slope(self.asked.good, self.asked.bad)) + 1
        found = np.where(over >= 0, np.minimum(lines, self.accept), 0).astype(np.int64)
        last, early = len(counts) - 1, len(counts) - 1 - self.limit
        if last and early:
            # All of so many faults fall before a moment with about its share to that power.
            found[last] = max(
                found[last], min(int(early ** (1 / last) * self.feeds) + 1, self.feeds)
            )
            found[last] = min(found[last], self.accept[last])
        return np.append(np.maximum.accumulate(found), self.feeds + 1)

    @cached_property
    def ends(self) -> Walk:
        checks = checks_of(self.accept, self.reject, self.feeds)
        return walk(checks, [self.asked.good, self.asked.bad])

    @property
    def risks(self) -> tuple[float, float]:
        return float(self.ends.rejected[:, 0].sum()), float(self.ends.accepted[:, 1].sum())

    @property
    def length(self) -> float:
        """Expected feeds over the least there can be, at the worse of the two rates."""
        asked = self.asked
        least = bound(asked.good, asked.bad, asked.producer_risk, asked.consumer_risk)
        found = self.ends.faults / np.array([asked.good, asked.bad])
        return float(max(found / np.array(least)))

    def plan(self) -> SequentialPlan:
        return SequentialPlan(
            self.asked,
            self.feeds,
            (*self.accept.tolist(), None),
            tuple(self.reject.tolist()),
            *self.risks,
        )


# A page asks for the same plan at every batch, and several pages may ask at once.
_PLANS: Kept[tuple[Asked, int | None], SequentialPlan] = Kept()


def sequential_plan(asked: Asked, max_feeds: int | None = None) -> SequentialPlan:
    """Set a band that keeps both risks within the most feeds that can be afforded.

    Parameters
    ----------
    asked : Asked
        Rates and risks.
    max_feeds : int, optional
        Most feeds of a test; those of two single plans when absent. Beyond five single plans a
        later cut changes nothing, and the plan ends there.

    Raises
    ------
    PlanError
        For a maximum with which no test can keep these risks; the message names the least that
        works. For rates so close that the plan would wait for thousands of faults.
    """
    return _PLANS.get((asked, max_feeds), lambda: _sequential_plan(asked, max_feeds))


def _sequential_plan(asked: Asked, max_feeds: int | None) -> SequentialPlan:
    single = single_plan(asked)
    if single.allowed * USUAL_LENGTH > MOST_FAULTS:
        raise PlanError(
            f"{asked.good:g} and {asked.bad:g} are too close for a sequential plan, which would "
            f"wait for more than {MOST_FAULTS:,} faults; take the single plan, or rates further "
            "apart"
        )
    if max_feeds is None:
        max_feeds = USUAL_LENGTH * single.feeds
    check_feeds(max_feeds)
    longest = _LONGEST if single.allowed * _LONGEST <= MOST_FAULTS else USUAL_LENGTH
    feeds = min(max_feeds, longest * single.feeds)
    found = _best(asked, feeds)
    if found is None:
        refused = f"no sequential plan of at most {many(max_feeds, 'feed')} keeps these risks"
        if single.allowed > _MANY and single.feeds > feeds:
            raise PlanError(f"{refused}; a maximum of {many(single.feeds, 'feed')} works")
        least = _least_maximum(asked, single)
        if least.feeds > feeds:
            raise PlanError(
                f"{refused}; the least maximum that works is {many(least.feeds, 'feed')}"
            )
        found = least
    return found.plan()


def _least_maximum(asked: Asked, single: SinglePlan) -> _Band:
    """Find the band with the least maximum.

    Below it even a single plan that drew lots at its limit would break a risk, and no test of any
    kind does better (Neyman and Pearson 1933). A band that asks of its last faults whether they
    came late can do what the lots would.
    """

    def possible(feeds: int) -> bool:
        low, high = _limits(asked, feeds)
        return low <= high and high >= 0

    start = first_whole(possible, 1)
    step = 1
    feeds = start
    while (band := _best(asked, feeds)) is None:
        if feeds >= single.feeds:
            # The single plan itself, ended at once when it is lost.
            return _Band(asked, single.feeds, math.inf, math.inf, single.allowed)
        start, feeds, step = feeds, min(feeds + step, single.feeds), 2 * step
    while feeds - start > 1:
        middle = (start + feeds) // 2
        found = _best(asked, middle)
        if found is None:
            start = middle
        else:
            feeds, band = middle, found
    return band


def _limits(asked: Asked, feeds: int) -> tuple[float, float]:
    """Return the least and the most faults to allow at the cut, were there no boundaries before.

    A fraction is the chance with which the next fault would pass too.
    """
    good = first_whole(lambda c: more_than(c, feeds, asked.good) <= asked.producer_risk, 0)
    tail = more_than(good, feeds, asked.good)
    just = more_than(good - 1, feeds, asked.good) - tail if good else 1 - tail
    low = good - min((asked.producer_risk - tail) / just, 1.0) if good else 0.0
    more = first_whole(lambda c: float(at_most(c, feeds, asked.bad)) > asked.consumer_risk, 0)
    below = float(at_most(more - 1, feeds, asked.bad))
    exactly = float(at_most(more, feeds, asked.bad)) - below
    return low, more - 1 + (asked.consumer_risk - below) / exactly


#: How far below what was asked a risk may stay, as a share of it: while bands are compared, and of
#: the one that is taken.
_ROUGH, _FINE = 3e-3, 1e-6
#: Limits at the cut that are compared; a plan that waits for many faults takes long to work out,
#: and its cut matters less.
_TRIES, _TRIES_OF_MANY, _MANY = 5, 2, 150
_GOLDEN = (math.sqrt(5) - 1) / 2


def _best(asked: Asked, feeds: int) -> _Band | None:
    """Find the band of the least expected length that is cut off at some feeds; None where none."""
    low, high = _limits(asked, feeds)
    low = max(low, 0.0)
    if low > high:
        return None
    tried: dict[float, _Band | None] = {}
    near = [Wald(asked).a, Wald(asked).b]

    def length(limit: float) -> float:
        if limit not in tried:
            tried[limit] = _settled(asked, feeds, limit, near, _ROUGH)
        band = tried[limit]
        return math.inf if band is None else band.length

    # By golden section: the length falls and rises once.
    left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    for _ in range(_TRIES if high < _MANY else _TRIES_OF_MANY):
        if length(left) <= length(right):
            high, right, left = right, left, right - _GOLDEN * (right - low)
        else:
            low, left, right = left, right, left + _GOLDEN * (high - left)
    if all(band is None for band in tried.values()):
        # Few feeds at large rates make steps so coarse that a gap can be met or missed.
        for whole in range(math.ceil(low), math.floor(high) + 1):
            length(float(whole))
    found = [band for band in tried.values() if band is not None]
    if not found:
        return None
    rough = min(found, key=lambda band: band.length)
    near[:] = rough.a, rough.b
    return _settled(asked, feeds, rough.limit, near, _FINE) or rough


@dataclass(frozen=True)
class Wald:
    """Wald's own distances of the lines, from risks that overlook the cut and the overshoot.

    Attributes
    ----------
    asked : Asked
        Rates and risks.
    """

    asked: Asked

    @property
    def a(self) -> float:
        """Faults by which the line of passing lies below the slope through nought."""
        asked = self.asked
        odds = math.log((1 - asked.producer_risk) / asked.consumer_risk)
        return odds / log_ratio(asked.good, asked.bad)

    @property
    def b(self) -> float:
        """Faults by which the line of failing lies above it."""
        asked = self.asked
        odds = math.log((1 - asked.consumer_risk) / asked.producer_risk)
        return odds / log_ratio(asked.good, asked.bad)


def _settled(
    asked: Asked, feeds: int, limit: float, near: list[float], fine: float
) -> _Band | None:
    """Set the two lines, given the limit at the cut, so that both risks are just kept.

    Each risk falls nearly as the exponential of its line's distance, so its logarithm is followed.
    """
    steep = log_ratio(asked.good, asked.bad)
    top = math.ceil(limit) + 1.0
    # With lines so far out nothing ends before the cut.
    far = slope(asked.good, asked.bad) * feeds + 1
    # Lines are rounded to whole feeds, so a shorter way changes next to nothing.
    step = max(1e-3 * slope(asked.good, asked.bad), 1e-7)
    trials: dict[tuple[float, float], _Band] = {}

    def band(a: float, b: float) -> _Band:
        if (a, b) not in trials:
            trials[a, b] = _Band(asked, feeds, a, b, limit)
        return trials[a, b]

    def failing(a: float) -> float | None:
        found = least_place(
            lambda b: log_excess(band(a, b).risks[0], asked.producer_risk),
            near[1],
            (0.0, top),
            steep,
            (fine, step),
        )
        if found is not None:
            near[1] = found
        return found

    def too_kind(a: float) -> float:
        b = failing(a)
        if b is None:
            return math.inf
        return log_excess(band(a, b).risks[1], asked.consumer_risk)

    a = least_place(too_kind, near[0], (0.0, far), steep, (fine, step))
    if a is None:
        return None
    near[0] = a
    b = failing(a)
    return None if b is None else band(a, b)


def log_excess(risk: float, allowed: float) -> float:
    """Return the logarithm of how many times a risk is what is allowed; of no risk, a far one."""
    return math.log(max(risk, 1e-300) / allowed)
