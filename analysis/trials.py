"""How many feeds each does a trial of two levels need?

A trial sets two levels of one setting against each other, in alternating stretches of equal feeds,
so that paper, air and wear fall on both alike. It is judged by the ratio of the two rates, as
`analysis.ratios.ratio` does: given the faults of both together, and with equal feeds, those of one
level are binomial with a share of 1/2 when nothing differs. A ratio is *shown* when its two-sided
exact interval leaves out 1, on the side of the truth.

**Feeds.** Both counts are taken as Poisson, so that their total is Poisson too, with mean M, and
the chance that the ratio rho is shown is the sum over every total t of the chance of that total and
the chance that a binomial count of t faults with share rho / (1 + rho) reaches the least count that
is beyond the interval (Gail 1974). Given a total, that chance rises and falls like a saw, since
counts are whole; over a Poisson total the teeth are all but gone. The number of feeds is the
smallest whole number for which, and for *every larger one*, the chance is at least the power asked.

**Runs that differ.** Where the rate differs from stretch to stretch with a relative variance v (the
between-run variance of `analysis.spread`), the logarithm of the ratio has the variance
1/m1 + 1/m2 + 2 v / k for m1 and m2 expected faults in k stretches each. That is the Poisson one
times the dispersion

    phi = 1 + v h,    h = 2 / (k/m1 + k/m2),

h being the expected faults per stretch (the harmonic mean of both levels'). The feeds are those
for v = 0 times phi: each count then weighs as x/phi faults in n/phi feeds (Rao and Scott 1992).
With k stretches for each level phi is 1 / (1 - v H / k), where H is what h is over all stretches at
v = 0. It grows without limit as k falls to v H: longer stretches do not mend the spread of few. So
where the length of a stretch is left open there are 2 v H stretches or more for each level, and
spread at most doubles the feeds. Nor are there ever fewer than 30 v, since the sum of fewer is too
skewed.

What that keeps, by simulation (gamma rates, v up to 1, ratios from 1/2 to 5, 20,000 trials each):
where each count is weighed by phi the power is within 0.03 of what is promised, and a false ratio
is shown in at most 4.5 %. The intervals of `analysis.ratios` allow for skewness as well, and show
the ratio of such a trial up to 0.05 less often for ratios up to 2, up to 0.08 less for 5; so does
a variance that is estimated from few runs, with its own allowance (`Spread.allowed`).

When not to use it: where faults are not rare (one feed in five), the exact interval is wider than
need be and so is the trial; and for a change that cannot be put back and forth, such as a new part.

References
----------
Przyborowski J, Wilenski H (1940). Homogeneity of results in testing samples from Poisson series.
Biometrika 31:313-323.
Gail M (1974). Power computations for designing comparative Poisson trials. Biometrics 30:231-237.
Rao JNK, Scott AJ (1992). A simple method for the analysis of clustered binary data. Biometrics
48:577-585.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# No scipy.stats: importing it costs nearly a second at every start.
from scipy import special

from analysis.log_format import LARGEST_WHOLE
from analysis.words import many, two_digits

FloatArray = NDArray[np.float64]

#: Stretches of each level at the least, so that the day does not decide.
LEAST_STRETCHES = 6

#: Stretches of each level for each unit of variance at the least: the sum of fewer is too skewed
#: for what the dispersion says of it.
_FOR_VARIANCE = 30.0

#: Where the length of a stretch is open, runs that differ cost at most so many times the feeds.
_MOST_WIDENING = 2.0

#: Expected faults beyond which no trial is planned: no tower sees so many.
_MOST_FAULTS = 1e7

#: Expected faults in all up to which the saw of whole counts is looked through, and in how many
#: steps; beyond, the chance rises with every feed.
_SMOOTH = 64.0
_STEPS = 200


@dataclass(frozen=True)
class Trial:
    """A trial of two levels that shows a ratio.

    Attributes
    ----------
    rate : float
        Faults per feed at the first level.
    ratio : float
        Of the rates, second level over first, that the trial is to show.
    variance : float
        Between-run variance, relative: 0 where faults fall singly.
    power, confidence : float
        Chance that is asked for; confidence of the two-sided interval.
    feeds_needed : int
        The smallest number of feeds for each level, in stretches of this number.
    feeds : int
        Feeds for each level as planned: what is needed, in whole stretches.
    expected : tuple of float
        Faults expected in those feeds at the first level and at the second.
    stretches : int
        Of both levels together, in turn; even.
    feeds_per_stretch : int
        Feeds of each.
    dispersion : float
        How many times the feeds are needed that would do without spread between runs.
    chance : float
        That the planned feeds show the ratio; at least the power.
    detects : float
        The ratio nearest to 1, on the side of the ratio asked, that the planned feeds show with
        the power asked.
    levels : tuple of str
        What the crew calls the two levels.
    kind : str
        Kind of fault: ``misses``, ``doubles`` or ``faults``.
    """

    rate: float
    ratio: float
    variance: float
    power: float
    confidence: float
    feeds_needed: int
    feeds: int
    expected: tuple[float, float]
    stretches: int
    feeds_per_stretch: int
    dispersion: float
    chance: float
    detects: float
    levels: tuple[str, str]
    kind: str

    def sentence(self) -> str:
        """Say what to run, what that shows, and what it rests on."""
        first, second = self.levels
        times = max(self.ratio, 1 / self.ratio)
        text = (
            f"Run {many(self.stretches, 'stretch', 'stretches')} of about "
            f"{many(self.feeds_per_stretch, 'feed')}, taking "
            f"{first} and {second} in turn: {many(self.feeds, 'feed')} for each, with about "
            f"{two_digits(self.expected[0])} and {two_digits(self.expected[1])} {self.kind} "
            f"expected, are enough to show with {_percent(self.power)} power that one has "
            f"{_times(times)} the {self.kind} of the other."
        )
        seen = max(self.detects, 1 / self.detects)
        if _times(seen) != _times(times):
            text += f" So many feeds show {_times(seen)} as well."
        if self.dispersion >= 1.05:
            text += (
                f" Since runs differ, that is {two_digits(self.dispersion)} times the feeds that "
                "would do otherwise."
            )
        return text


def trial(
    rate: float,
    ratio: float,
    *,
    variance: float = 0.0,
    power: float = 0.8,
    confidence: float = 0.95,
    feeds_per_stretch: int | None = None,
    levels: tuple[str, str] = ("the one level", "the other level"),
    kind: str = "faults",
) -> Trial:
    """How many feeds each does a trial of two levels need?

    Parameters
    ----------
    rate : float
        Faults per feed at the first level, the one in use; above 0, below 1.
    ratio : float
        True ratio, second level over first, that is to be shown; above or below 1.
    variance : float
        Relative variance of the rate between stretches, as of `analysis.spread`; 0 where faults
        fall singly.
    power : float
        Chance to show it; above 0, below 1.
    confidence : float
        Of the two-sided exact interval of the ratio.
    feeds_per_stretch : int, optional
        What one stretch shall be; when absent, the fewest stretches that the spread between runs
        allows, of a number of feeds rounded up to three digits.
    levels : tuple of str
        What the crew calls the two levels, first and second, for the sentence.
    kind : str
        ``misses``, ``doubles`` or ``faults``, for the sentence.

    Returns
    -------
    Trial

    Raises
    ------
    ValueError
        For a rate, ratio, variance, power, confidence or number of feeds that cannot be, and for a
        ratio so near to 1, or a rate so small, that no log holds the feeds.

    Examples
    --------
    >>> spring = ("spring on", "spring off")
    >>> print(trial(0.0006, 2, levels=spring).sentence())
    Run 12 stretches of about 6,920 feeds, taking spring on and spring off in turn: 41,520 feeds \
for each, with about 25 and 50 faults expected, are enough to show with 80 % power that one has \
twice the faults of the other.
    """
    asked = _Asked(float(rate), float(ratio), float(variance), float(power), float(confidence))
    asked.check()
    if levels[0] == levels[1]:
        raise ValueError(f"the two levels of a trial must differ; both are {levels[0]}")
    if feeds_per_stretch is not None:
        whole = feeds_per_stretch == np.floor(feeds_per_stretch)
        if not (whole and 1 <= feeds_per_stretch <= LARGEST_WHOLE):
            raise ValueError(
                f"feeds_per_stretch must be a whole number, 1 or more, not {feeds_per_stretch}"
            )
    bare = asked.feeds_without_spread()
    least = max(LEAST_STRETCHES, math.ceil(_FOR_VARIANCE * asked.variance))
    if feeds_per_stretch is None:
        # v H of the module's docstring.
        spread = asked.variance * asked.faults_per_feed() * bare
        each = max(least, math.ceil(_MOST_WIDENING / (_MOST_WIDENING - 1) * spread))
        needed = math.ceil(bare / (1.0 - spread / each))
        length = _rounded_up(math.ceil(needed / each))
    else:
        length = int(feeds_per_stretch)
        needed = math.ceil(bare * asked.dispersion(length))
        each = max(least, math.ceil(needed / length))
    feeds = each * length
    if feeds > LARGEST_WHOLE:
        raise ValueError(_too_many(asked))
    return Trial(
        rate=asked.rate,
        ratio=asked.ratio,
        variance=asked.variance,
        power=asked.power,
        confidence=asked.confidence,
        feeds_needed=needed,
        feeds=feeds,
        expected=(feeds * asked.rate, feeds * asked.rate * asked.ratio),
        stretches=2 * each,
        feeds_per_stretch=length,
        dispersion=asked.dispersion(length),
        chance=asked.chance(feeds, length),
        detects=_detects(asked, feeds, length),
        levels=levels,
        kind=kind,
    )


@dataclass(frozen=True)
class _Asked:
    """What a trial is to show, and how surely."""

    rate: float
    ratio: float
    variance: float
    power: float
    confidence: float

    def check(self) -> None:
        """Raise ValueError for what cannot be."""
        if not 0 < self.rate < 1:
            raise ValueError(
                f"rate must be faults per feed, above 0 and below 1, not {self.rate:g}"
            )
        if not (0 < self.ratio < math.inf) or self.ratio == 1:
            raise ValueError(
                f"ratio must be above 0 and not 1, since equal rates cannot be told apart; it is "
                f"{self.ratio:g}"
            )
        if not self.rate * self.ratio < 1:
            raise ValueError(
                f"a rate of {self.rate:g} and a ratio of {self.ratio:g} make more than one fault "
                "per feed; give a smaller rate or ratio"
            )
        if not 0 <= self.variance < math.inf:
            raise ValueError(f"variance between runs must be 0 or more, not {self.variance:g}")
        if not 0 < self.confidence < 1:
            raise ValueError(
                f"confidence must be between 0 and 1, such as 0.95, not {self.confidence:g}"
            )
        if not 1 - self.confidence < self.power < 1:
            raise ValueError(
                f"power must be below 1 and above {1 - self.confidence:.2g}, which is what chance "
                f"gives at a confidence of {self.confidence:g}; it is {self.power:g}"
            )

    @property
    def tail(self) -> float:
        """Risk on each side of the interval."""
        return 0.5 * (1.0 - self.confidence)

    def faults_per_feed(self, ratio: float | None = None) -> float:
        """Harmonic mean of both rates."""
        rho = self.ratio if ratio is None else ratio
        return 2.0 * self.rate * rho / (1.0 + rho)

    def dispersion(self, length: float, ratio: float | None = None) -> float:
        """How much more both counts vary than Poisson ones, in stretches of so many feeds."""
        return 1.0 + self.variance * self.faults_per_feed(ratio) * length

    def chance(self, feeds: float, length: float, ratio: float | None = None) -> float:
        """Return the chance that a ratio is shown by so many feeds for each level."""
        rho = self.ratio if ratio is None else ratio
        total = feeds * self.rate * (1.0 + rho) / self.dispersion(length, rho)
        return _shown(total, max(rho, 1.0) / (1.0 + rho), self.tail)

    def feeds_without_spread(self) -> int:
        """Return the smallest number of feeds for each level where faults fall singly."""
        share = max(self.ratio, 1.0) / (1.0 + self.ratio)
        total = _least_total(share, self.power, self.tail)
        feeds = total / (self.rate * (1.0 + self.ratio))
        if not feeds <= LARGEST_WHOLE:
            raise ValueError(_too_many(self))
        return max(1, math.ceil(feeds))


def _too_many(asked: _Asked) -> str:
    return (
        f"a ratio of {asked.ratio:g} at a rate of {asked.rate:g} takes more feeds than any log "
        "holds; ask for a ratio further from 1, or less power"
    )


def _least_total(share: float, power: float, tail: float) -> float:
    """Return the expected faults of both levels from which on the chance is at least a power.

    Infinite beyond what any tower sees.
    """
    high = 1.0
    while _shown(high, share, tail) < power:
        high *= 2.0
        if high > _MOST_FAULTS:
            return math.inf
    low = 0.5 * high
    if high <= _SMOOTH:
        # A tooth may fall short once more after the first that is long enough.
        steps = np.linspace(0.0, 2.0 * high, _STEPS + 1)
        short = [_shown(step, share, tail) < power for step in steps]
        last = int(np.flatnonzero(short)[-1])
        low, high = float(steps[last]), float(steps[last + 1])
    return _root(lambda total: _shown(total, share, tail) - power, low, high)


def _shown(total: float, share: float, tail: float) -> float:
    """Return the chance that the level with the share of so many expected faults shows it."""
    if total <= 0:
        return 0.0
    reach = 9.0 * math.sqrt(total)
    t = np.arange(max(0.0, math.floor(total - reach)), math.ceil(total + reach) + 40.0)
    weights = np.exp(special.xlogy(t, total) - total - special.gammaln(t + 1.0))
    return min(1.0, float(weights @ _or_more(_least_beyond(t, tail), t, share)))


def _least_beyond(t: FloatArray, tail: float) -> FloatArray:
    """Return the least of t faults that a share of 1/2 reaches with at most the risk of a tail.

    One more than t where not even t will do.
    """
    # Near the normal limit at once, then a step at a time.
    count = np.ceil(0.5 * (t - special.ndtri(tail) * np.sqrt(t)))
    count = np.clip(count, 0.0, t + 1.0)
    while np.any(short := _or_more(count, t, 0.5) > tail):
        count = count + short
    while np.any(far := (count > 0) & (_or_more(count - 1.0, t, 0.5) <= tail)):
        count = count - far
    return count


def _or_more(count: FloatArray, t: FloatArray, share: float) -> FloatArray:
    """Return the chance of so many or more of t faults at the level with that share."""
    inside = special.betainc(np.maximum(count, 1.0), np.maximum(t - count, 0.0) + 1.0, share)
    return np.where(count <= 0, 1.0, np.where(count > t, 0.0, inside))


def _detects(asked: _Asked, feeds: int, length: int) -> float:
    """Return the ratio nearest to 1 that is shown with the power asked."""

    def lacking(log_ratio: float) -> float:
        return asked.chance(feeds, length, math.exp(log_ratio)) - asked.power

    end = math.log(asked.ratio)
    if lacking(end) <= 0:
        return asked.ratio
    return math.exp(_root(lacking, 0.0, end))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    from scipy import optimize  # asked for seldom; the import costs every start

    found: float = optimize.brentq(function, low, high, xtol=1e-12, rtol=1e-12)
    return found


def _rounded_up(feeds: int) -> int:
    """Round up to three digits, which a counter is watched for more easily."""
    step = int(10 ** max(0, len(str(feeds)) - 3))
    return -(-feeds // step) * step


def _times(ratio: float) -> str:
    if ratio >= 99.5:
        return f"{ratio:,.0f} times"
    said = f"{ratio:.2g}" if ratio >= 1.095 else f"{ratio:.3g}"
    return {"2": "twice", "3": "three times"}.get(said, f"{said} times")


def _percent(share: float) -> str:
    return f"{100 * share:.6g} %"
