"""Random numbers that are the same on every machine.

Only ``random.Random(seed).random()`` is drawn on, whose stream for a whole-number seed is
promised never to change. Exponentials and logarithms are worked out here by plain arithmetic,
because the last bit of ``math.exp`` and ``math.log`` differs between systems.
"""

import random
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")

_LN2 = 0.6931471805599453


def exp(x: float) -> float:
    """Give e to the power `x` (moderate `x`) by its series, in plain arithmetic."""
    term = total = 1.0
    size = abs(x)
    k = 0
    while term > 1e-18 * total:
        k += 1
        term *= size / k
        total += term
    return total if x >= 0 else 1.0 / total


def log(x: float) -> float:
    """Give the natural logarithm of a positive `x` by its series, in plain arithmetic."""
    twos = 0
    while x < 0.75:
        x *= 2.0
        twos -= 1
    while x > 1.5:
        x *= 0.5
        twos += 1
    z = (x - 1.0) / (x + 1.0)
    total = 0.0
    power = z
    # |z| is at most 0.2, so the terms left out are below 1e-18.
    for k in range(1, 26, 2):
        total += power / k
        power *= z * z
    return 2.0 * total + twos * _LN2


class Draws:
    """A stream of draws.

    Parameters
    ----------
    seed : int
        The same seed gives the same draws.
    """

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)

    def chance(self, probability: float) -> bool:
        """Draw yes or no."""
        return self._random.random() < probability

    def whole(self, low: int, high: int) -> int:
        """Draw a whole number from `low` to `high`, both included, all alike."""
        return low + int(self._random.random() * (high - low + 1))

    def pick(self, options: Sequence[T], weights: Sequence[int] | None = None) -> T:
        """Draw one of `options`, all alike or by whole-number `weights`."""
        if weights is None:
            return options[self.whole(0, len(options) - 1)]
        mark = self.whole(1, sum(weights))
        for option, weight in zip(options, weights, strict=True):
            mark -= weight
            if mark <= 0:
                return option
        raise ValueError("weights must be whole numbers, one for each option, and not all 0")

    def gauss(self) -> float:
        """Draw from (very nearly) the standard normal: twelve uniforms less six."""
        # Added up one by one: what sum() does with fractions has changed.
        total = -6.0
        for _ in range(12):
            total += self._random.random()
        return total

    def gamma(self, shape: int) -> float:
        """Draw from the gamma distribution of mean 1 and a whole-number `shape`."""
        product = 1.0
        for _ in range(shape):
            product *= 1.0 - self._random.random()
        return -log(product) / shape

    def poisson(self, mean: float) -> int:
        """Draw a Poisson count by inversion; one uniform for each count."""
        left = self._random.random()
        count = 0
        probability = exp(-mean)
        # Past 1000 the probabilities are zero in any case met here; the bound ends the loop.
        while left >= probability and count < 1000:
            left -= probability
            count += 1
            probability *= mean / count
        return count
