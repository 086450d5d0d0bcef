"""How long should a part stay in before a new one is cheaper?

A part costs money to replace and, as it wears, makes more faults, each of which costs money too.
Replacing after every tau feeds costs (c_part + c_fault R(tau)) / tau a feed, R(tau) being the
faults of one part from new to tau. That is least where

    tau r(tau) - R(tau) = c_part / c_fault,

r being the rate at that age (Barlow and Hunter 1960). Two ways to wear are known here:

- *steady*: r(t) = r0 exp(b t), the same ratio for every so many feeds. With u = b tau the equation
  reads (u - 1) exp(u - 1) = (b c_part / (c_fault r0) - 1) / e, so u is one more than a Lambert W.
- *power law*: R(t) = lambda t^beta. Then tau^beta = c_part / (c_fault lambda (beta - 1)).

Where the rate does not rise nothing is gained by a new part, and there is no best interval. Costs
are flat around the best: the span that costs at most 5 % more is given beside it.

When not to use it: for a part that breaks at once rather than wearing; see `analysis.lives`.

References
----------
Barlow RE, Hunter L (1960). Optimum preventive maintenance policies. Operations Research 8:90-100.
Corless RM, Gonnet GH, Hare DEG, Jeffrey DJ, Knuth DE (1996). On the Lambert W function. Advances
in Computational Mathematics 5:329-359.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy import special

from analysis.words import PER, two_digits

#: Intervals that cost at most so much more than the best one count as about as good.
FLAT = 0.05

#: An interval beyond this many feeds is no plan: no tower feeds so much.
_NEVER = 1e11

#: Logarithm beyond which a rate is not followed.
_LARGEST = 600.0


@dataclass(frozen=True)
class Interval:
    """After how many feeds a part is best replaced.

    Attributes
    ----------
    feeds : float
        Best interval; infinite where a new part never pays.
    low, high : float
        Shortest and longest interval that costs at most 5 % more than the best (`FLAT`).
    cost_per_10k : float
        Money for parts and faults together in 10,000 feeds at the best interval; where a new part
        never pays, what the faults cost with a new part.
    expected : float
        Faults to be expected of one part in that interval.
    why : str
        In a few words: ``the rate rises``, ``the rate does not rise``, ``a fault costs nothing``,
        ``the part costs nothing``, ``it rises too slowly``.
    """

    feeds: float
    low: float
    high: float
    cost_per_10k: float
    expected: float
    why: str

    @property
    def pays(self) -> bool:
        """Whether there is a best interval."""
        return math.isfinite(self.feeds)

    def sentence(self, currency: str = "") -> str:
        """Say when to replace, or why never; money in the currency, where one is stated."""
        if self.feeds == 0:
            return "Replace it as often as you like: the part costs nothing."
        if not self.pays:
            return f"No interval is best: {self.why}."
        money = f"{currency} {two_digits(self.cost_per_10k)}".strip()
        return (
            f"Replacing it about every {two_digits(self.feeds)} feeds costs least; anything from "
            f"{two_digits(self.low)} to {two_digits(self.high)} feeds costs at most 5 % more. Then "
            f"parts and faults cost {money} in 10,000 feeds, with about "
            f"{two_digits(self.expected)} faults for each part."
        )


def best_interval(
    cost_part: float,
    cost_fault: float,
    new_rate: float,
    *,
    ratio: float | None = None,
    power: float | None = None,
    per: float = 100_000.0,
) -> Interval:
    """How long should a part stay in before a new one is cheaper?

    Parameters
    ----------
    cost_part : float
        Money for the part, for fitting it, and for the tower standing meanwhile; 0 or more.
    cost_fault : float
        Money that one fault costs on average; 0 or more.
    new_rate : float
        Faults per feed with a new part; for a power law, whose rate at the very first feed is none
        or without end, the mean over the first `per` feeds.
    ratio : float, optional
        Steady wear: how many times as many faults for every `per` feeds of age, as
        `analysis.wear.Slopes.ratio`.
    power : float, optional
        Power law: its shape beta, faults up to age t being in proportion to t^beta. Give one of the
        two.
    per : float
        Feeds that `ratio` is for.

    Returns
    -------
    Interval
        With infinite feeds where the rate does not rise (ratio or power of 1 or less), where a
        fault costs nothing, or where it takes more feeds than any tower feeds.

    Raises
    ------
    ValueError
        For a cost or rate that is negative or no number, or unless one of `ratio` and `power` is
        given and above 0.

    Examples
    --------
    A part that costs 20, faults that cost 0.50, 1 fault in 20,000 feeds when new and 5 % more with
    every 100,000:

    >>> found = best_interval(20, 0.5, 0.00005, ratio=1.05)
    >>> print(found.sentence())
    Replacing it about every 1,400,000 feeds costs least; anything from 970,000 to 2,000,000 \
feeds costs at most 5 % more. Then parts and faults cost 0.50 in 10,000 feeds, with about 100 \
faults for each part.
    """
    for name, value in (("cost_part", cost_part), ("cost_fault", cost_fault)):
        if not 0 <= value < math.inf:
            raise ValueError(f"{name} must be 0 or more, not {value:g}")
    if not 0 < new_rate < math.inf:
        raise ValueError(f"new_rate must be faults per feed, above 0, not {new_rate:g}")
    if not 0 < per < math.inf:
        raise ValueError(f"per must be above 0, not {per:g}")
    if (ratio is None) == (power is None):
        raise ValueError("say how the rate rises: give either ratio or power")
    given = ratio if ratio is not None else power
    assert given is not None
    if not 0 < given < math.inf:
        raise ValueError(f"{'power' if ratio is None else 'ratio'} must be above 0, not {given:g}")
    wear: _Steady | _Power
    if ratio is not None:
        wear = _Steady(new_rate, math.log(ratio) / per)
    else:
        wear = _Power(new_rate * per ** (1.0 - given), given)
    never = "the rate does not rise" if given <= 1 else ""
    if cost_fault == 0:
        never = never or "a fault costs nothing"
    if not never and cost_part == 0:
        # Every new part is free and better: as often as one likes.
        return Interval(
            0.0,
            0.0,
            0.0,
            cost_fault * wear.rate(0.0) * PER,
            0.0,
            "the part costs nothing",
        )
    feeds = math.inf if never else wear.best(cost_part / cost_fault)
    if not feeds <= _NEVER:
        return Interval(
            feeds=math.inf,
            low=math.inf,
            high=math.inf,
            cost_per_10k=cost_fault * new_rate * PER,
            expected=math.inf,
            why=never or "it rises too slowly",
        )

    def cost(tau: float) -> float:
        return (cost_part + cost_fault * wear.faults(tau)) / tau

    least = cost(feeds)
    return Interval(
        feeds=feeds,
        low=_flat_end(cost, feeds, least, 0.5),
        high=_flat_end(cost, feeds, least, 2.0),
        cost_per_10k=least * PER,
        expected=wear.faults(feeds),
        why="the rate rises",
    )


@dataclass(frozen=True)
class _Steady:
    """A rate that grows by the same ratio for every feed."""

    new_rate: float
    slope: float

    def rate(self, age: float) -> float:
        return self.new_rate * math.exp(min(self.slope * age, _LARGEST))

    def faults(self, age: float) -> float:
        return self.new_rate * math.expm1(min(self.slope * age, _LARGEST)) / self.slope

    def best(self, price: float) -> float:
        """Return the best interval where a part costs as much as so many faults."""
        q = self.slope * price / self.new_rate
        # Both ends of u exp(u) - exp(u) + 1 = q: near 0 it is u^2/2 + u^3/3, where the Lambert W
        # loses its digits.
        u = math.sqrt(2 * q) if q < 1e-4 else 1 + float(special.lambertw((q - 1) / math.e).real)
        for _ in range(4):
            value = u * math.exp(u) - math.expm1(u) if u > 1e-2 else _series(u)
            u -= (value - q) / (u * math.exp(u))
        return u / self.slope


def _series(u: float) -> float:
    """Return u exp(u) - exp(u) + 1 for a small u: the sum of (n - 1) u^n / n! from n = 2 on."""
    return sum((n - 1) * u**n / math.factorial(n) for n in range(2, 10))


@dataclass(frozen=True)
class _Power:
    """Faults in proportion to a power of age."""

    scale: float
    shape: float

    def rate(self, age: float) -> float:
        return float(self.scale * self.shape * age ** (self.shape - 1.0))

    def faults(self, age: float) -> float:
        return float(self.scale * age**self.shape)

    def best(self, price: float) -> float:
        """Return the best interval where a part costs as much as so many faults."""
        log = math.log(price / (self.scale * (self.shape - 1.0))) / self.shape
        return math.exp(log) if log < _LARGEST else math.inf


def _flat_end(cost: Callable[[float], float], best: float, least: float, direction: float) -> float:
    """Return the interval, shorter or longer than the best, that costs as much more as is flat."""
    inside, outside = best, best * direction
    while cost(outside) < (1.0 + FLAT) * least:
        inside, outside = outside, outside * direction
        if not 1e-9 * best < outside < 1e9 * best:
            return 0.0 if direction < 1 else math.inf
    for _ in range(60):
        middle = 0.5 * (inside + outside)
        if cost(middle) < (1.0 + FLAT) * least:
            inside = middle
        else:
            outside = middle
    return 0.5 * (inside + outside)
