"""How long must a test run, and what does it then prove?

A plan is for one kind of fault. It is set by two rates and two risks: a tower at the good rate is
to pass, and fails with at most the producer's risk; one at the bad rate is to fail, and passes with
at most the consumer's. A single plan runs its feeds and allows so many faults (the operating
characteristic of ISO 2859-1, here with the exact binomial); `analysis.sequential` has plans that
look on as feeds go by.

Faults are taken to fall singly, each feed alike. Faults in clusters make every plan less sure than
it says; `analysis.doubts` looks for them in the counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc

from analysis.intervals import upper_bound
from analysis.searches import first_whole
from analysis.walks import FloatArray, at_most, more_than
from analysis.words import many, per_10k, told_apart

#: Rates and feeds that a plan can be made for.
LEAST_RATE, MOST_RATE = 1e-7, 0.5
MOST_FEEDS = 10**9

#: Risks when none are asked for.
PRODUCER_RISK, CONSUMER_RISK = 0.05, 0.10
#: A plan that waits for more faults than this is too close a call to be worked out.
MOST_FAULTS = 4_000


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

    def rates(self) -> tuple[str, str]:
        """Say the good rate and the bad one per 10,000 feeds, so that they do not read alike."""
        good, bad = told_apart((self.good, self.bad))
        return good, bad

    def risks(self) -> str:
        """Say what is asked, in a clause."""
        good, bad = self.rates()
        return (
            f"a tower at {good} per 10,000 feeds passes with at least "
            f"{percent(1 - self.producer_risk)}, one at {bad} fails with at least "
            f"{percent(1 - self.consumer_risk)}"
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


def percent(share: float) -> str:
    """Write a risk or a chance in percent, with three digits at most."""
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
    """Say what 0, 1, 2, 3 faults in so many feeds would prove.

    Parameters
    ----------
    feeds : int
        Of the whole test, 1 or more.
    most : int
        Most faults to tell of; never more than there are feeds.
    """
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
        text = f"Run {many(self.feeds, 'feed')}; pass with {few}. "
        if self.asked is not None and self.producer_risk is not None:
            good, bad = self.asked.rates()
            return (
                f"{text}A tower at {good} per 10,000 feeds then fails with "
                f"a chance of {percent(self.producer_risk)}, and one at {bad} "
                f"passes with one of {percent(self.consumer_risk)}."
            )
        return (
            f"{text}A tower at {per_10k(self.bad)} per 10,000 feeds then passes with a chance of "
            f"{percent(self.consumer_risk)}."
        )


def _faults(number: int) -> str:
    return many(number, "fault")


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
    fails = more_than(allowed, feeds, asked.good)
    return SinglePlan(asked, feeds, allowed, asked.bad, fails, float(passes[1]))


def _least_feeds(allowed: int, bad: float, risk: float) -> int:
    """Return the fewest feeds with which a bad tower passes with at most a risk."""
    return first_whole(lambda feeds: float(at_most(allowed, feeds, bad)) <= risk, allowed + 1)


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
    check_feeds(feeds)
    plans: list[SinglePlan] = []
    for allowed in range(MOST_FAULTS):
        if allowed >= feeds:
            break
        plans.append(_single(asked, feeds, allowed))
        enough = float(plans[-1].producer_risk or 0) <= asked.producer_risk
        if allowed >= 3 and enough:
            break
    return tuple(plans)


def check_feeds(feeds: int) -> None:
    """Raise PlanError for feeds that are no length of a test."""
    if not 1 <= feeds <= MOST_FEEDS:
        raise PlanError(f"{many(feeds, 'feed')} is no length of a test; write 1 to {MOST_FEEDS:,}")


def closest(plans: Sequence[SinglePlan]) -> SinglePlan:
    """Return the plan whose risks come nearest to those asked, by the worse of the two.

    Parameters
    ----------
    plans : sequence of SinglePlan
        One at least, each with a good rate, as `affordable` gives them.
    """

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
    if not 0 <= allowed <= MOST_FAULTS:
        raise PlanError(f"{allowed} faults allowed; write a whole number from 0 to {MOST_FAULTS:,}")
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
