"""What rates may a job meet, and how many spare sheets are enough?

A job's rate is drawn, and its bins' faults are drawn with it: all bins of a run share its luck. So
the chance that none of them has more faults than spare sheets is not that of one bin to the power
of the bins, but the average of such powers over the rates.

References
----------
Williams DA (1975). The analysis of binary responses from toxicological experiments involving
reproduction and teratogenicity. Biometrics 31:949-952: the beta-binomial distribution.
Greenwood M, Yule GU (1920). An inquiry into the nature of frequency distributions. Journal of the
Royal Statistical Society 83:255-279: the negative binomial, here of bins that differ.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]

#: Points over which the mean rate and the luck of a run are averaged.
_OF_MEAN, _OF_RUN = 16, 40

#: Standard deviations beyond which nothing is left to average.
_FARTHEST = 5.5

#: Steps of probability in which the rates of several are put together.
_STEPS = 500


@dataclass(frozen=True)
class Luck:
    """Rates that a job may meet, each with how likely it is.

    Attributes
    ----------
    rates : float array
        Faults per feed, which all bins of the job share.
    weights : float array
        Their probabilities.
    between_bins : float
        Squared coefficient of variation between its bins, a gamma distribution; 0: none.
    """

    rates: FloatArray
    weights: FloatArray
    between_bins: float = 0.0

    @classmethod
    def of_runs(cls, mean: float, variance: float, between_bins: float = 0.0) -> Luck:
        """Return the rates that runs have as a beta distribution of a known mean has them.

        Parameters
        ----------
        mean : float
            Faults per feed, above 0.
        variance : float
            Squared coefficient of variation between runs; 0 where they are alike.
        between_bins : float
            As of the class.

        Examples
        --------
        One bin, a coefficient of variation of 50 % between runs, 2 faults expected:

        >>> luck = Luck.of_runs(0.0002, 0.25)
        >>> luck.spares(10_000, 1, 0.95)
        5
        """
        return cls(*_of_runs(np.array([mean]), np.ones(1), variance), between_bins)

    @classmethod
    def of_job(cls, shape: float, feeds: float, variance: float, between_bins: float = 0.0) -> Luck:
        """Return the rates that a job may meet where the mean is not known for sure.

        Parameters
        ----------
        shape, feeds : float
            Of the gamma distribution of the mean: as so many faults in so many feeds make it.
        variance, between_bins : float
            As of `of_runs`.
        """
        at, weights = _points(_OF_MEAN)
        means = np.clip(special.gammaincinv(shape, at) / feeds, 1e-12, 0.5)
        return cls(*_of_runs(means, weights, variance), between_bins)

    @classmethod
    def mixed(cls, parts: Sequence[Luck], weights: ArrayLike) -> Luck:
        """Return several of them as one, each as likely as its weight; bins as of the first."""
        likely = np.asarray(weights, dtype=np.float64)
        rates = np.concatenate([one.rates for one in parts])
        every = np.concatenate([w * one.weights for one, w in zip(parts, likely, strict=True)])
        # Thousands of rates say no more than their means in some hundred steps of probability.
        order = np.argsort(rates)
        rates, every = rates[order], every[order]
        step = (np.cumsum(every) / every.sum() * _STEPS).astype(np.intp).clip(max=_STEPS - 1)
        weight = np.bincount(step, every)
        mean = np.bincount(step, every * rates)[weight > 0] / weight[weight > 0]
        return cls(mean, weight[weight > 0] / every.sum(), parts[0].between_bins)

    @property
    def mean(self) -> float:
        """Faults per feed on the average."""
        return float(self.rates @ self.weights)

    def finish(self, spares: int, sets: int, bins: int) -> float:
        """Return the chance that no bin of a job has more faults than spare sheets.

        Parameters
        ----------
        spares : int
            In each bin.
        sets : int
            Of the job.
        bins : int
            That carry the paper.
        """
        each = self._at_most(spares, sets, self.rates, 1)
        return float(each**bins @ self.weights)

    def finish_together(self, spares: int, sets: int, bins: int) -> float:
        """Return the chance that all bins together have no more faults than spare sheets."""
        return float(self._at_most(spares, sets, self.rates, bins) @ self.weights)

    def spares(self, sets: int, bins: int, chance: float) -> int:
        """Return the fewest spare sheets of each bin with which a share of such jobs finish."""
        return _fewest(lambda spares: self.finish(spares, sets, bins) >= chance)

    def spares_together(self, sets: int, bins: int, chance: float) -> int:
        """Return the fewest for all bins, where they are kept as one pile."""
        return _fewest(lambda spares: self.finish_together(spares, sets, bins) >= chance)

    def thinned(self, share: float) -> Luck:
        """Return the same for a share of the faults, each of them as likely to be in it."""
        return replace(self, rates=self.rates * share)

    def _at_most(self, most: int, sets: int, rates: FloatArray, bins: int) -> FloatArray:
        """Return the chance of no more than so many faults in some bins together, by rate."""
        if self.between_bins <= 0:
            feeds = sets * bins
            if most >= feeds:
                return np.ones(rates.size)
            return np.asarray(special.betaincc(most + 1, feeds - most, rates))
        shape = 1 / self.between_bins
        return np.asarray(special.betainc(shape * bins, most + 1, shape / (shape + sets * rates)))


def _fewest(enough: Callable[[int], bool]) -> int:
    if enough(0):
        return 0
    high = 1
    while not enough(high):
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _points(count: int) -> tuple[FloatArray, FloatArray]:
    """Return probabilities at which a quantile function is averaged, and their weights.

    In equal steps of the normal quantile: the trapezoid rule then errs by less than any power of
    the step, since all that is averaged runs out smoothly at both ends.
    """
    at = np.linspace(-_FARTHEST, _FARTHEST, count)
    weights = np.exp(-0.5 * at**2)
    return np.asarray(special.ndtr(at)), weights / weights.sum()


def _of_runs(
    means: FloatArray, weights: FloatArray, variance: float
) -> tuple[FloatArray, FloatArray]:
    """Return rates of runs around some means, with their weights."""
    if variance <= 0:
        return means, weights
    at, own = _points(_OF_RUN)
    # rho of the beta-binomial; a mean too high for so much spread has the most there can be.
    rho = np.minimum(variance * means / (1 - means), 0.999)
    size = (1 - rho) / rho
    rates = special.betaincinv((means * size)[:, None], ((1 - means) * size)[:, None], at[None, :])
    every: FloatArray = np.outer(weights, own).ravel()
    return np.asarray(rates.ravel(), dtype=np.float64), every
