"""How long must a test run, and what does it then prove?

A plan is for one kind of fault. It is set by two rates and two risks: a tower at the good rate is
to pass, and fails with at most the producer's risk; one at the bad rate is to fail, and passes with
at most the consumer's. A single plan runs its feeds and allows so many faults (the operating
characteristic of ISO 2859-1, here with the exact binomial). A sequential plan looks on as feeds go
by and ends as soon as the count leaves a band: Wald's boundaries (Wald 1947; ISO 8422), on which no
plan with the same risks does better in the mean (Wald and Wolfowitz 1948). It is cut off at the
most feeds that can be afforded, and its boundaries are then set anew, so that the risks it truly
has, worked out exactly by `analysis.walks`, do not exceed those that were asked.

Faults are taken to fall singly, each feed alike. Faults in clusters make every plan less sure than
it says; `analysis.doubts` looks for them in the counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc

from analysis.intervals import upper_bound
from analysis.kept import Kept
from analysis.walks import Check, FloatArray, Walk, at_most, walk
from analysis.words import per_10k, two_digits

#: Rates and feeds that a plan can be made for.
LEAST_RATE, MOST_RATE = 1e-7, 0.5
MOST_FEEDS = 10**9

#: Risks when none are asked for.
PRODUCER_RISK, CONSUMER_RISK = 0.05, 0.10

#: A sequential plan is cut off at so many single plans when no maximum is given; its mean is then
#: near the least there can be, within 2 % where it waits for more than a few faults.
USUAL_LENGTH = 2
#: Cut off later than at so many, a plan only gets harder to work out: hardly a test gets there.
_LONGEST = 5
#: A plan that waits for more faults than this is too close a call to be worked out.
_MOST_FAULTS = 4_000


class PlanError(ValueError):
    """A plan that cannot be; the message says what to ask for instead."""


@dataclass(frozen=True)
class Asked:
    """What is asked of a plan.

    Attributes
    ----------
    good, bad : float
        Faults per feed.
    producer_risk : float
        Most chance that a tower at the good rate fails.
    consumer_risk : float
        Most chance that a tower at the bad rate passes.

    Raises
    ------
    PlanError
        For a bad rate that is not above the good one, rates outside 1e-7 to 0.5, and risks that
        are not above 0 and below 0.5.
    """

    good: float
    bad: float
    producer_risk: float = PRODUCER_RISK
    consumer_risk: float = CONSUMER_RISK

    def __post_init__(self) -> None:
        """Refuse what no plan can keep."""
        _check_rate("good", self.good)
        _check_rate("bad", self.bad)
        if self.bad <= self.good:
            raise PlanError(
                f"the bad rate ({self.bad:g}) is not above the good one ({self.good:g}); write the "
                "good rate first and a larger bad one"
            )
        _check_risk("producer's", self.producer_risk)
        _check_risk("consumer's", self.consumer_risk)

    def risks(self) -> str:
        """Say what is asked, in a clause."""
        return (
            f"a tower at {per_10k(self.good)} per 10,000 feeds passes with at least "
            f"{_percent(1 - self.producer_risk)}, one at {per_10k(self.bad)} fails with at least "
            f"{_percent(1 - self.consumer_risk)}"
        )


def _check_rate(name: str, rate: float) -> None:
    if not LEAST_RATE <= rate <= MOST_RATE:
        raise PlanError(
            f"the {name} rate is {rate:g}; write faults per feed from {LEAST_RATE:g} to "
            f"{MOST_RATE:g}, such as 3e-5"
        )


def _check_risk(name: str, risk: float) -> None:
    if not 0 < risk < 0.5:
        raise PlanError(
            f"the {name} risk is {risk:g}; write a chance above 0 and below 0.5, such as 0.05"
        )


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"


@dataclass(frozen=True)
class Proves:
    """What a number of faults would prove, were a test run to its end.

    Attributes
    ----------
    count : int
        Faults.
    upper_bound : float
        The true rate is below it with 95 % confidence, one-sided and exact.
    """

    count: int
    upper_bound: float


def proves(feeds: int, most: int = 3) -> tuple[Proves, ...]:
    """Say what 0, 1, 2, 3 faults in so many feeds would prove."""
    counts = np.arange(min(most, feeds) + 1)
    bounds = upper_bound(counts, feeds)
    return tuple(Proves(int(c), float(b)) for c, b in zip(counts, bounds, strict=True))


@dataclass(frozen=True)
class SinglePlan:
    """Run the feeds, and pass with at most the faults allowed.

    Attributes
    ----------
    asked : Asked or None
        What was asked; None for a plan of a bad rate alone.
    feeds : int
        Of the whole test.
    allowed : int
        Most faults with which it passes.
    bad : float
        Faults per feed.
    producer_risk : float or None
        True risk at the good rate; None without one.
    consumer_risk : float
        True risk at the bad rate.
    """

    asked: Asked | None
    feeds: int
    allowed: int
    bad: float
    producer_risk: float | None
    consumer_risk: float

    def accept(self, rates: ArrayLike) -> FloatArray:
        """Return the operating characteristic: the chance to pass at each rate."""
        return at_most(self.allowed, self.feeds, rates)

    def expected_feeds(self, rates: ArrayLike) -> FloatArray:
        """Return the feeds of a test: always the same."""
        return np.full(np.shape(rates), float(self.feeds))

    @property
    def kept(self) -> bool:
        """Whether both of the risks asked for are kept."""
        if self.asked is None or self.producer_risk is None:
            return True
        return (
            self.producer_risk <= self.asked.producer_risk
            and self.consumer_risk <= self.asked.consumer_risk
        )

    def sentence(self) -> str:
        """Say how long to run and what that proves."""
        few = f"at most {_faults(self.allowed)}" if self.allowed else "no fault at all"
        text = f"Run {self.feeds:,} feeds; pass with {few}. "
        if self.asked is not None and self.producer_risk is not None:
            return (
                f"{text}A tower at {per_10k(self.asked.good)} per 10,000 feeds then fails with "
                f"a chance of {_percent(self.producer_risk)}, and one at {per_10k(self.bad)} "
                f"passes with one of {_percent(self.consumer_risk)}."
            )
        return (
            f"{text}A tower at {per_10k(self.bad)} per 10,000 feeds then passes with a chance of "
            f"{_percent(self.consumer_risk)}."
        )


def _faults(number: int) -> str:
    return f"{number:,} {'fault' if number == 1 else 'faults'}"


def single_plan(asked: Asked) -> SinglePlan:
    """Find the shortest test that runs its feeds and keeps both risks.

    Parameters
    ----------
    asked : Asked
        Rates and risks.

    Raises
    ------
    PlanError
        When it would be longer than 10^9 feeds.

    Examples
    --------
    >>> plan = single_plan(Asked(good=3e-5, bad=1e-4))
    >>> plan.feeds, plan.allowed
    (105319, 6)
    """
    high = 1
    while not _fits(asked, [high])[0]:
        if _least_feeds(high, asked.bad, asked.consumer_risk) > MOST_FEEDS:
            raise _too_long(asked)
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _fits(asked, [middle])[0] else (middle, high)
    # But for the rounding to whole feeds, plans fit from some number of faults allowed on. Between
    # two numbers the room grows by the difference of the feeds that a fault takes, so a rounding of
    # a few feeds may let a smaller number fit.
    window = math.ceil(6 / (1 / asked.good - 1 / asked.bad)) + 1
    tried = np.arange(max(0, high - window), high + 1)
    allowed = int(tried[np.argmax(_fits(asked, tried))])
    feeds = _least_feeds(allowed, asked.bad, asked.consumer_risk)
    if feeds > MOST_FEEDS:
        raise _too_long(asked)
    return _single(asked, feeds, allowed)


def _fits(asked: Asked, allowed: ArrayLike) -> NDArray[np.bool_]:
    """Tell with which numbers of faults allowed some number of feeds keeps both risks."""
    count = np.asarray(allowed, np.int64)
    least = count + 1
    step = np.ones_like(least)
    while np.any(more := at_most(count, least + step, asked.bad) > asked.consumer_risk):
        least, step = least + more * step, np.where(more, 2 * step, step)
    low, high = least, least + step
    # The first number after the last that is known to be too small; or that first one itself.
    high = np.where(at_most(count, count + 1, asked.bad) <= asked.consumer_risk, count + 1, high)
    while np.any(open_ := high - low > 1):
        middle = np.where(open_, (low + high) // 2, high)
        kept = at_most(count, middle, asked.bad) <= asked.consumer_risk
        high, low = np.where(kept, middle, high), np.where(kept, low, middle)
    fails = betainc(count + 1, np.maximum(high - count, 1), asked.good)
    return np.asarray(fails <= asked.producer_risk)


def _too_long(asked: Asked) -> PlanError:
    return PlanError(
        f"no test of {MOST_FEEDS:,} feeds or less tells {asked.good:g} from {asked.bad:g} with "
        "these risks; take rates further apart or larger risks"
    )


def _single(asked: Asked, feeds: int, allowed: int) -> SinglePlan:
    passes = at_most(allowed, feeds, [asked.good, asked.bad])
    # The far tail itself, and not what is left of one, which has no digits where it is small.
    fails = _more_than(allowed, feeds, asked.good)
    return SinglePlan(asked, feeds, allowed, asked.bad, fails, float(passes[1]))


def _more_than(count: int, feeds: int, rate: float) -> float:
    return 0.0 if count >= feeds else float(betainc(count + 1, feeds - count, rate))


def _least_feeds(allowed: int, bad: float, risk: float) -> int:
    """Return the fewest feeds with which a bad tower passes with at most a risk."""
    return _first(lambda feeds: float(at_most(allowed, feeds, bad)) <= risk, allowed + 1)


def _most_feeds(allowed: int, good: float, risk: float) -> int:
    """Return the most feeds with which a good tower fails with at most a risk."""
    return _first(lambda feeds: _more_than(allowed, feeds, good) > risk, allowed + 1) - 1


def _first(holds: Callable[[int], bool], start: int) -> int:
    """Return the first whole number from ``start`` on for which something holds, and stays."""
    if holds(start):
        return start
    step = 1
    while not holds(start + step):
        start += step
        step *= 2
    low, high = start, start + step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def affordable(asked: Asked, feeds: int) -> tuple[SinglePlan, ...]:
    """Say what can be proved with the feeds that can be afforded.

    Parameters
    ----------
    asked : Asked
        Rates, and the risks one would like.
    feeds : int
        What can be afforded, 1 to 10^9.

    Returns
    -------
    tuple of SinglePlan
        One for each number of faults allowed, 0 to 3 at least and until the producer's risk is
        kept, each with its true risks.

    Raises
    ------
    PlanError
        For feeds that cannot be.
    """
    _check_feeds(feeds)
    plans: list[SinglePlan] = []
    for allowed in range(_MOST_FAULTS):
        if allowed >= feeds:
            break
        plans.append(_single(asked, feeds, allowed))
        enough = float(plans[-1].producer_risk or 0) <= asked.producer_risk
        if allowed >= 3 and enough:
            break
    return tuple(plans)


def _check_feeds(feeds: int) -> None:
    if not 1 <= feeds <= MOST_FEEDS:
        raise PlanError(f"{feeds:,} feeds is no length of a test; write 1 to {MOST_FEEDS:,}")


def closest(plans: Sequence[SinglePlan]) -> SinglePlan:
    """Return the plan whose risks come nearest to those asked, by the worse of the two."""

    def excess(plan: SinglePlan) -> float:
        asked = plan.asked
        assert asked is not None and plan.producer_risk is not None
        return max(
            plan.producer_risk / asked.producer_risk, plan.consumer_risk / asked.consumer_risk
        )

    return min(plans, key=excess)


def success_run(
    bad: float,
    consumer_risk: float = CONSUMER_RISK,
    *,
    allowed: int = 0,
    good: float | None = None,
) -> SinglePlan:
    """Find how many feeds with so few faults prove that a rate is below a bad one.

    With no fault allowed it is the success run of reliability tables: n = ln(risk) / ln(1 - bad).

    Parameters
    ----------
    bad : float
        Faults per feed.
    consumer_risk : float
        Most chance that a tower at the bad rate passes; 1 less it is the confidence.
    allowed : int
        Faults with which it still passes.
    good : float, optional
        A good rate, below the bad one, of which the producer's risk is then told.

    Raises
    ------
    PlanError
        For a rate, risk or number that cannot be, and where it would take more than 10^9 feeds.

    Examples
    --------
    >>> success_run(0.05, 0.05).feeds
    59
    """
    _check_rate("bad", bad)
    _check_risk("consumer's", consumer_risk)
    if not 0 <= allowed <= _MOST_FAULTS:
        raise PlanError(
            f"{allowed} faults allowed; write a whole number from 0 to {_MOST_FAULTS:,}"
        )
    feeds = _least_feeds(allowed, bad, consumer_risk)
    if feeds > MOST_FEEDS:
        raise PlanError(
            f"it would take more than {MOST_FEEDS:,} feeds; take a larger bad rate or risk"
        )
    passes = float(at_most(allowed, feeds, bad))
    if good is None:
        return SinglePlan(None, feeds, allowed, bad, None, passes)
    # No producer's risk was asked for; the usual one stands in, and is not kept to.
    return _single(Asked(good, bad, consumer_risk=consumer_risk), feeds, allowed)


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
        return (
            f"Run until the count leaves the band, {self.feeds:,} feeds at most: "
            f"{two_digits(good)} are expected of a tower at {per_10k(self.asked.good)} per 10,000 "
            f"feeds and {two_digits(bad)} of one at {per_10k(self.asked.bad)}. The first fails "
            f"with a chance of {_percent(self.producer_risk)}, the second passes with one of "
            f"{_percent(self.consumer_risk)}."
        )


def log_ratio(good: float, bad: float) -> float:
    """Return by how much a fault speaks for the bad rate, against no fault."""
    return math.log(bad / good) + math.log1p(-good) - math.log1p(-bad)


def slope(good: float, bad: float) -> float:
    """Return the faults per feed that speak for neither rate: the slope of the boundaries."""
    return (math.log1p(-good) - math.log1p(-bad)) / log_ratio(good, bad)


def bound(good: float, bad: float, producer: float, consumer: float) -> tuple[float, float]:
    """Return the least expected feeds of any test at the two rates (Wald and Wolfowitz 1948)."""

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
    if single.allowed * USUAL_LENGTH > _MOST_FAULTS:
        raise PlanError(
            f"{asked.good:g} and {asked.bad:g} are too close for a sequential plan, which would "
            f"wait for more than {_MOST_FAULTS:,} faults; take the single plan, or rates further "
            "apart"
        )
    if max_feeds is None:
        max_feeds = USUAL_LENGTH * single.feeds
    _check_feeds(max_feeds)
    longest = _LONGEST if single.allowed * _LONGEST <= _MOST_FAULTS else USUAL_LENGTH
    feeds = min(max_feeds, longest * single.feeds)
    found = _best(asked, feeds)
    if found is None:
        refused = f"no sequential plan of at most {max_feeds:,} feeds keeps these risks"
        if single.allowed > _MANY and single.feeds > feeds:
            raise PlanError(f"{refused}; a maximum of {single.feeds:,} feeds works")
        least = _least_maximum(asked, single)
        if least.feeds > feeds:
            raise PlanError(f"{refused}; the least maximum that works is {least.feeds:,} feeds")
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

    start = _first(possible, 1)
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
    good = _first(lambda c: _more_than(c, feeds, asked.good) <= asked.producer_risk, 0)
    tail = _more_than(good, feeds, asked.good)
    just = _more_than(good - 1, feeds, asked.good) - tail if good else 1 - tail
    low = good - min((asked.producer_risk - tail) / just, 1.0) if good else 0.0
    more = _first(lambda c: float(at_most(c, feeds, asked.bad)) > asked.consumer_risk, 0)
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
    """Wald's own distances of the lines, from risks that overlook the cut and the overshoot."""

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
        found = _least(
            lambda b: _log_excess(band(a, b).risks[0], asked.producer_risk),
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
        return _log_excess(band(a, b).risks[1], asked.consumer_risk)

    a = _least(too_kind, near[0], (0.0, far), steep, (fine, step))
    if a is None:
        return None
    near[0] = a
    b = failing(a)
    return None if b is None else band(a, b)


def _log_excess(risk: float, allowed: float) -> float:
    return math.log(max(risk, 1e-300) / allowed)


def _least(
    excess: Callable[[float], float],
    guess: float,
    inside: tuple[float, float],
    steep: float,
    until: tuple[float, float],
) -> float | None:
    """Return the least place where an excess that falls with it is nought or less; None if none.

    Regula falsi in the Illinois form, begun with a step of the slope that is to be expected. What
    is returned has always been tried, and never exceeds. ``until`` has how little it may stay below
    nought, and how close to the least place is close enough.
    """
    low, high = inside
    fine, near = until
    if excess(high) > 0:
        return None
    guess = min(max(guess, low), high)
    at_guess = excess(guess)
    at_low = at_high = math.nan
    for _ in range(60):
        if at_guess > 0:
            low, at_low = guess, at_guess
            if not math.isnan(at_high):
                break
            nxt = guess + 1.1 * min(at_guess, 50.0) / steep + 1e-6
            if nxt >= high:
                at_high = excess(high)
                break
        else:
            high, at_high = guess, at_guess
            if not math.isnan(at_low) or guess <= inside[0] or at_guess > -fine:
                break
            nxt = max(guess + 1.1 * max(at_guess, -50.0) / steep - 1e-6, inside[0])
        guess, at_guess = nxt, excess(nxt)
    if math.isnan(at_low):
        return high
    side = 0
    for _ in range(60):
        if high - low < near or -fine < at_high <= 0:
            break
        if math.isfinite(at_low) and math.isfinite(at_high):
            middle = (low * at_high - high * at_low) / (at_high - at_low)
        else:
            middle = (low + high) / 2
        if not low < middle < high:
            middle = (low + high) / 2
        found = excess(middle)
        if found > 0:
            low, at_low = middle, found
            at_high = at_high / 2 if side > 0 else at_high
            side = 1
        else:
            high, at_high = middle, found
            at_low = at_low / 2 if side < 0 else at_low
            side = -1
    return high
