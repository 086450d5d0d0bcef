"""Does the excess go with what two bins exchanged, or stay with the bin, and what tells which?

What a swap rests on (`analysis.swaps` plans one, `analysis.swap_readings` reads one). Let the
suspect be expected to have e1 faults after the exchange and its partner e2, if both were ordinary,
and let the excess be rho times. If the excess *stays*, the counts have the means rho e1 and e2; if
it *follows*, e1 and rho e2. Given the total of both, the suspect's count is binomial, with the
share rho e1 / (rho e1 + e2) or e1 / (e1 + rho e2), whatever else the day did to both alike
(Przyborowski and Wilenski 1940). One of the two is told when so extreme a share has a chance of 5 %
at most under the other, and more than that under itself. Where both are ruled out, some of the
excess went and some stayed.

**The ratio is not known.** rho is what the suspect had before over what was expected of it, and a
bin that was picked for its bad luck has less afterwards. So both shares are averaged over what the
count before and the *total* after leave open of rho, from a start that takes every power of it for
alike, from 1 on. An excess that may as well be none then tells nothing. A total so small that an
excess like the one before would leave as little in 5 % at most says that the excess is not what it
was: then what was before no longer counts for rho. If the shares tell nothing by that and neither
bin has more than is to be expected, the excess is *gone*: it was cured by reseating what was taken
out, or it was luck.

**Cycles.** Over a Poisson total, the chance that the right one is told is a sum of binomial ones
(Gail 1974). The cycles are the fewest, in two digits, from which on that chance is at least the
power asked, whichever is the truth, and the chance that the wrong one is told at most 5 %. A count
before that is in the log is taken as it is; one that lies ahead is averaged over. Where runs
differ, faults and expected faults are divided by phi, as in `analysis.trials` (Rao and Scott 1992).

What that keeps, by simulation (ratios of 1.5 to 6, the counts before drawn as well, 1,500 trials
each): planned for a power of 80 %, the right one is told in 78 % or more where faults fall singly,
in 76 % or more where runs differ by a gamma variance of 0.3, and the wrong one in at most 3 %.

Limits: an excess that is *gone* in truth is told as gone in three of ten tests of that length, and
as one of the two in one to three of ten: what was exchanged next then shows nothing, and the ranges
beside the verdict show how little is left. (To tell it as surely as the two from each other takes
twice the faults, by the normal approximation, and mostly more than a shop has.)

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
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

# No scipy.stats: importing it costs nearly a second at every start.
from scipy import special

FloatArray = NDArray[np.float64]

#: By the cycles after: faults and expected faults of the suspect before; whether they lie ahead.
Before = Callable[[float], tuple[float, float, bool]]

#: What an exchange can tell.
STAYS, FOLLOWS, GONE, PART, NOT_YET = "stays", "follows", "gone", "some of each", "not yet"

#: Chance of telling the wrong one, at the most.
RISK = 0.05

#: The largest power that can be asked: the right one is ruled out by chance in up to 5 %, and taken
#: for gone in as many.
MOST_POWER = 0.9

#: Ratios that the excess may have; a larger suspicion stretches the range.
_LARGEST, _STEPS = 16.0, 33

#: Expected faults of both bins beyond which no test is worth its while.
_MOST_FAULTS = 2_000.0

#: Expected faults up to which the saw of whole counts is looked for, and where.
_SMOOTH, _LATER = 64.0, (1.05, 1.1, 1.15, 1.2, 1.3, 1.4, 1.6)


def told(
    counts: tuple[float, float], expected: tuple[float, float], before: tuple[float, float]
) -> str:
    """Where did the excess go, by the counts after an exchange?

    Parameters
    ----------
    counts, expected : tuple of float
        Faults after it of suspect and partner, and what was to be expected if both were ordinary;
        effective numbers where runs differ.
    before : tuple of float
        Faults and expected faults of the suspect before it.

    Returns
    -------
    str
        ``stays``, ``follows``, ``gone``, ``some of each`` or ``not yet``.
    """
    x, y = counts
    if min(expected) <= 0:
        return NOT_YET
    rule = _Rule(before, expected)
    t = np.array([x + y])
    follows, stays, little = rule.weights(t)
    # How likely so large a share is if the excess followed, and so small a one if it stayed.
    not_followed = _or_more(np.array([x]), t, follows, rule.share_follows)[0] <= RISK
    not_stayed = _or_more(np.array([y]), t, stays, 1 - rule.share_stays)[0] <= RISK
    if not_followed != not_stayed:
        return STAYS if not_followed else FOLLOWS
    if not_followed:
        return PART
    if little[0] and all(
        count <= 0 or special.gammainc(count, mean) > RISK
        for count, mean in zip(counts, expected, strict=True)
    ):
        return GONE
    return NOT_YET


@dataclass(frozen=True)
class _Rule:
    """What is told of every total, by the ratio that was before."""

    before: tuple[float, float]
    expected: tuple[float, float]

    @cached_property
    def ratios(self) -> FloatArray:
        return _left_open(self.before)[0]

    @cached_property
    def means(self) -> tuple[FloatArray, FloatArray]:
        """Expected totals where the excess stays and where it follows, one per ratio."""
        first, second = self.expected
        return self.ratios * first + second, first + self.ratios * second

    @property
    def share_stays(self) -> FloatArray:
        return np.asarray(self.ratios * self.expected[0] / self.means[0])

    @property
    def share_follows(self) -> FloatArray:
        return np.asarray(self.expected[0] / self.means[1])

    def weights(self, t: FloatArray) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
        """Weights of the ratios at each total, if it followed and if it stayed; totals too small.

        Arrays of totals by ratios.
        """
        _, own = _left_open(self.before)
        by_before = _normed(own)
        stays, follows = self.means
        each = t[:, None]
        left = [special.gammaincc(each + 1.0, mean) @ by_before for mean in (stays, follows)]
        little = np.maximum(*left) <= RISK
        kept = np.where(little[:, None], 0.0, own)
        return (
            _normed(kept + special.xlogy(each, follows) - follows),
            _normed(kept + special.xlogy(each, stays) - stays),
            little,
        )

    def least_told(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Least count of the suspect that tells *stays*, and of the partner *follows*."""
        follows, stays, _ = self.weights(t)
        suspect = _least(t, follows, self.share_follows)
        partner = _least(t, stays, 1 - self.share_stays)
        # Not where the count rules out what it would tell as well.
        return np.maximum(suspect, t - partner + 1.0), np.maximum(partner, t - suspect + 1.0)


def chances(
    ratio: float, expected: tuple[float, float], before: tuple[float, float]
) -> tuple[float, float]:
    """How likely is the right one told, and the wrong one, whichever of the two is the truth?

    Parameters
    ----------
    ratio : float
        The true excess.
    expected : tuple of float
        Faults after the exchange, of suspect and partner, if both were ordinary.
    before : tuple of float
        Faults and expected faults of the suspect before it.

    Returns
    -------
    right, wrong : float
        The smaller chance of the right one, and the larger of the wrong one.

    Examples
    --------
    >>> right, wrong = chances(3, (8, 8), (60, 20))
    >>> round(right, 2), wrong < 0.02
    (0.97, True)
    """
    first, second = expected
    rule = _Rule(before, expected)
    most = max(ratio * first + second, first + ratio * second)
    fewest = min(ratio * first + second, first + ratio * second)
    start = max(0.0, math.floor(fewest - 6.0 * math.sqrt(fewest)))
    t = np.arange(start, math.ceil(most + 6.0 * math.sqrt(most)) + 12.0)
    suspect, partner = rule.least_told(t)
    right, wrong = [], []
    for mine, theirs in ((ratio * first, second), (first, ratio * second)):
        total, share = mine + theirs, mine / (mine + theirs)
        weight = np.exp(special.xlogy(t, total) - total - special.gammaln(t + 1.0))
        stays = float(weight @ _tail(suspect, t, share))
        follows = float(weight @ _tail(partner, t, 1 - share))
        right.append(stays if mine > first else follows)
        wrong.append(follows if mine > first else stays)
    return min(right), max(wrong)


def least_cycles(
    rates: tuple[float, float],
    ratio: float,
    before: Before,
    phi: Callable[[float], float],
    power: float,
    least: float = 1.0,
) -> int | None:
    """How many exchanged cycles tell the right one with so much power?

    Parameters
    ----------
    rates : tuple of float
        Faults per feed of suspect and partner, were both ordinary.
    ratio : float
        The true excess; above 1.
    before : callable
        By the cycles after the exchange: faults and expected faults of the suspect before it, and
        whether they are yet to be counted.
    phi : callable
        Dispersion by cycles.
    power : float
        Chance that the right one is told.
    least : float
        Cycles that there are in any case.

    Returns
    -------
    int or None
        In two digits, rounded up; None beyond 2,000 expected faults.
    """

    def enough(cycles: float, *, averaged: bool = False) -> bool:
        right, wrong = planned(rates, ratio, cycles, before, phi, averaged=averaged)
        return right >= power and wrong <= RISK

    per_cycle = max(ratio * rates[0] + rates[1], rates[0] + ratio * rates[1])
    high = 2.0 / per_cycle
    while not enough(high):
        high *= 2.0
        if high * per_cycle > _MOST_FAULTS:
            return None
    low, fine = 0.5 * high, 1.05 if high * per_cycle <= _SMOOTH else 1.02
    while high > fine * low:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if enough(middle) else (middle, high)
    if high * per_cycle <= _SMOOTH:
        # Counts are whole: a chance may fall short once more after the first that is enough.
        short = [more for more in _LATER if not enough(more * high)]
        high *= max(short, default=1.0) * (1.05 if short else 1.0)
    cycles = rounded_up(max(high, least))
    while not enough(cycles, averaged=True):
        cycles = rounded_up(1.02 * cycles)
        if cycles * per_cycle > 2.0 * _MOST_FAULTS:
            return None
    return cycles


def planned(
    rates: tuple[float, float],
    ratio: float,
    cycles: float,
    before: Before,
    phi: Callable[[float], float],
    *,
    averaged: bool = True,
) -> tuple[float, float]:
    """Return the chances of so many cycles, over what may be counted before if that lies ahead."""
    wide = phi(cycles)
    means = (cycles * rates[0] / wide, cycles * rates[1] / wide)
    count, expected, ahead = before(cycles)
    if not (averaged and ahead):
        return chances(ratio, means, (count, expected))
    # The square root of a Poisson count is all but normal, with a deviation of 1/2.
    z, weights = np.polynomial.hermite_e.hermegauss(3)
    counts = np.maximum(0.0, math.sqrt(count) + 0.5 * z) ** 2
    each = np.array([chances(ratio, means, (float(one), expected)) for one in counts])
    right, wrong = weights @ each / weights.sum()
    return float(right), float(wrong)


def likely_ratio(before: tuple[float, float]) -> float:
    """How many times what is expected is the excess likely to be, by the count before it?

    The geometric mean of what faults and expected faults leave open, from 1 on.

    Examples
    --------
    >>> round(likely_ratio((60, 20)), 1), round(likely_ratio((3, 1)), 1)
    (3.0, 2.8)
    """
    ratios, log_weights = _left_open(before)
    return math.exp(float(_normed(log_weights) @ np.log(ratios)))


def _left_open(before: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Return the ratios that the excess may have, and the log-likelihood of each."""
    count, expected = before
    seen = count / expected if expected > 0 else 1.0
    ratios = np.exp(np.linspace(0.0, math.log(max(_LARGEST, 4.0 * seen)), _STEPS))
    return ratios, np.asarray(count * np.log(ratios) - expected * ratios)


def _or_more(x: FloatArray, t: FloatArray, weights: FloatArray, share: FloatArray) -> FloatArray:
    """Return the chance of x or more of t, its share weighed over ratios."""
    each = _tail(x[:, None], t[:, None], share[None, :])
    return np.asarray((weights * each).sum(axis=1))


def _tail(x: FloatArray, t: FloatArray, share: FloatArray | float) -> FloatArray:
    """Return the chance of x or more of t; continued between whole numbers."""
    inside = special.betainc(np.maximum(x, 1e-9), np.maximum(t - x, 0.0) + 1.0, share)
    return np.where(x <= 0, 1.0, np.where(x > t, 0.0, inside))


def _least(t: FloatArray, weights: FloatArray, share: FloatArray) -> FloatArray:
    """Return the least count of t that has a chance of the risk at most; t + 1 where none has."""
    low, high = np.zeros_like(t), t + 1.0
    while np.any(open_ := high - low > 1):
        middle = np.floor(0.5 * (low + high))
        rare = _or_more(middle, t, weights, share) <= RISK
        high = np.where(open_ & rare, middle, high)
        low = np.where(open_ & ~rare, middle, low)
    return high


def _normed(log_weights: FloatArray) -> FloatArray:
    weights = np.exp(log_weights - log_weights.max(axis=-1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=-1, keepdims=True))


def rounded_up(cycles: float) -> int:
    """Round up to two digits, which a counter is watched for more easily."""
    whole = math.ceil(cycles)
    step = int(10 ** max(0, len(str(whole)) - 2))
    return -(-whole // step) * step
