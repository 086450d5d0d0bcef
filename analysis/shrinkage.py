"""What rate is a bin to be held to whose own burn-in is too short to say?

A bin's share of a customary burn-in holds mostly no fault at all. The bins of a tower are alike,
though: their rates are taken to differ as a gamma distribution has it, fitted to all of them
together, and each bin's rate is then a mean of its own and the tower's, weighted by what each says
(empirical Bayes; the negative binomial of Greenwood and Yule). So a bin borrows strength from its
tower where its own burn-in has few faults and keeps to its own where it has many.

References
----------
Greenwood M, Yule GU (1920). An inquiry into the nature of frequency distributions. Journal of the
Royal Statistical Society 83:255-279.
Gaver DP, O'Muircheartaigh IG (1987). Robust empirical Bayes analyses of event rates. Technometrics
29:1-15.
Morris CN (1983). Parametric empirical Bayes inference: theory and applications. Journal of the
American Statistical Association 78:47-55.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analysis.words import many

FloatArray = NDArray[np.float64]

# Logarithms of the shapes searched: from bins of which one has all the faults to a coefficient of
# variation of half a percent, beyond which the likelihood no longer tells the shape from infinity.
_SHAPES = np.arange(-8.0, 10.75, 0.25)

# Coefficients of variation between bins over which their uncertainty is averaged, all as likely
# beforehand: bins mostly differ by less than their rate, and more by a bad one than 150 % is rare.
_VARIATIONS = 1.5 * (np.arange(24) + 0.5) / 24


@dataclass(frozen=True)
class ShrunkBenchmark:
    """Rates of bins that borrow strength from one another.

    Attributes
    ----------
    faults, feeds : float array
        As given, one per bin.
    shape : float
        Of the gamma distribution of the bins' rates, 1 over the squared coefficient of variation
        between bins; infinite where they differ no more than chance explains.
    mean : float
        Its mean, faults per feed.
    rates : float array
        Each bin's rate, between its own and the mean.
    effective_faults, effective_feeds : float array
        A burn-in that says as much of the bin: their quotient is its rate. They stand for the bin's
        burn-in in `analysis.ratios.ratio`.
    log_likelihood : float
        At the maximum.
    """

    faults: FloatArray
    feeds: FloatArray
    shape: float
    mean: float
    rates: FloatArray
    effective_faults: FloatArray
    effective_feeds: FloatArray
    log_likelihood: float

    @property
    def prior_feeds(self) -> float:
        """Feeds that the tower's mean counts for beside a bin's own (the gamma's rate)."""
        return self.shape / self.mean if self.mean > 0 else float("inf")

    def sentence(self) -> str:
        """Say it in one plain sentence."""
        bins = many(self.faults.size, "bin")
        if self.mean == 0:
            return f"No fault in the burn-in of {bins}: there is no rate to hold them to."
        rate = f"{1e4 * self.mean:.2g} per 10,000 feeds"
        if np.isinf(self.shape):
            return f"The {bins} differ no more than chance explains: each is held to {rate}."
        percent = 100 / np.sqrt(self.shape)
        return (
            f"The rates of the {bins} differ by about {percent:.0f} % around {rate}: each bin is "
            "held to a rate between its own and that."
        )


def shrunk_benchmark(faults: ArrayLike, feeds: ArrayLike) -> ShrunkBenchmark:
    """Which rate is each bin to be held to, judging by its own burn-in and its tower's?

    Parameters
    ----------
    faults, feeds : array_like
        Of the burn-in, one entry per bin of one tower. Feeds may be in any unit of exposure. A bin
        without feeds gets the tower's mean.

    Returns
    -------
    ShrunkBenchmark
        With rates of 0, and all feeds as effective ones, where there is no fault at all.

    Raises
    ------
    ValueError
        Where shapes differ, a number is negative or missing, faults are in no feeds, or there are
        no feeds at all.

    Notes
    -----
    Gamma shape a and mean m by maximum likelihood of the marginal negative binomial. With b = a/m
    the rate of a bin is E = (a + x)/(b + n). Effective feeds are E over the variance of the bin's
    true rate: E/(b + n) of the gamma posterior plus (dE/dm)^2 times the variance of the fitted mean
    (Morris 1983), averaged over the coefficients of variation between bins from 0 to 1.5 by their
    likelihood. Taking the fitted shape as known is not good enough: ten bins with a handful of
    faults mostly seem not to differ at all, and a bin that always was worse than the rest would be
    called worse than its burn-in.

    By simulation (`python -m tests.slow.comparison`), ten bins with 3 to 60 faults together, gamma
    rates with coefficients of variation of 0 to 1 between bins, nothing changed: an exact 95 %
    interval of the ratio to the shrunken benchmark lies above 1 in at most 1.9 % of bins with twice
    the burn-in's feeds and in at most 2.6 % with twenty times as many (6 % with the shape taken as
    known), and below 1 in at most 2.4 % with twice the feeds and 4.4 % with twenty times as many. A
    tripled rate is then found in 17 % of bins where 3 faults are in the whole burn-in (in none by
    the bin's own) and, if bins do not differ, in 88 % where 20 are (in 35 %).

    Do not use it for bins that stand apart (another stock, another feeder), and not to excuse a bin
    that its own burn-in shows to be bad.

    Examples
    --------
    Pumps of a power plant, in thousands of hours (Gaver and O'Muircheartaigh 1987):

    >>> failures = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
    >>> hours = [94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48]
    >>> pumps = shrunk_benchmark(failures, hours)
    >>> round(pumps.shape, 2), round(pumps.prior_feeds, 2)
    (0.82, 1.26)
    """
    x, n = np.asarray(faults, dtype=np.float64), np.asarray(feeds, dtype=np.float64)
    if x.ndim != 1 or x.shape != n.shape:
        raise ValueError("faults and feeds must hold one number each for each bin")
    if not (
        np.all(np.isfinite(x)) and np.all(np.isfinite(n)) and np.all(x >= 0) and np.all(n >= 0)
    ):
        raise ValueError("faults and feeds must be 0 or more, with none missing")
    if not n.sum() > 0 or np.any(x[n == 0] > 0):
        raise ValueError("faults need feeds to have happened in")
    if x.sum() == 0:
        nothing = np.zeros(x.size)
        return ShrunkBenchmark(
            x, n, float("inf"), 0.0, nothing, nothing, np.full(x.size, n.sum()), 0.0
        )
    shape, mean, value = _fit(x, n)
    rates = np.full(x.size, mean) if np.isinf(shape) else _means(x, n, shape, mean)
    effective = rates / _variance(x, n, rates)
    return ShrunkBenchmark(x, n, shape, mean, rates, rates * effective, effective, value)


def _means(x: FloatArray, n: FloatArray, shape: float, mean: float) -> FloatArray:
    """Each bin's rate for a shape and a mean."""
    return np.asarray((shape + x) / (shape / mean + n))


def _variance(x: FloatArray, n: FloatArray, about: FloatArray) -> FloatArray:
    """Variance of each bin's true rate about the one it is held to, over the shapes possible."""
    weights, variances = [], []
    for variation in _VARIATIONS:
        shape = float(variation**-2)
        mean = _mean_given(x, n, shape)
        prior = shape / mean
        rates = _means(x, n, shape, mean)
        slope = rates / (prior + n) * shape / mean**2
        information = float((n / mean / (1.0 + n * mean / shape)).sum())
        weights.append(_log_likelihood(x, n, shape, mean))
        variances.append(rates / (prior + n) + slope**2 / information + (rates - about) ** 2)
    weight = np.exp(np.array(weights) - max(weights))
    return np.asarray(weight @ np.array(variances) / weight.sum())


def _fit(x: FloatArray, n: FloatArray) -> tuple[float, float, float]:
    """Shape, mean and log-likelihood at the maximum."""
    from scipy import optimize  # a fit is asked for seldom; the import costs every start

    def negative(log_shape: float) -> float:
        shape = float(np.exp(log_shape))
        return -_log_likelihood(x, n, shape, _mean_given(x, n, shape))

    values = [negative(point) for point in _SHAPES]
    at = int(np.argmin(values))
    mean = float(x.sum() / n.sum())
    plain = float((special.xlogy(x, n * mean) - n * mean - special.gammaln(x + 1)).sum())
    best = optimize.minimize_scalar(
        negative,
        bounds=(_SHAPES[max(at - 1, 0)], _SHAPES[min(at + 1, _SHAPES.size - 1)]),
        method="bounded",
        options={"xatol": 1e-9},
    )
    # A gain below what rounding makes of the sums is none: the flat end was found.
    if -best.fun <= plain + 1e-7 or at == _SHAPES.size - 1:
        return float("inf"), mean, plain
    shape = float(np.exp(best.x))
    return shape, _mean_given(x, n, shape), float(-best.fun)


def _mean_given(x: FloatArray, n: FloatArray, shape: float) -> float:
    """Likeliest mean for a shape: the root of sum (x - n m) / (1 + n m / shape)."""
    mean = float(x.sum() / n.sum())
    for _ in range(200):
        weight = 1.0 / (1.0 + n * mean / shape)
        # Scoring as a ratio of weighted sums: it stays positive and cannot overshoot.
        new = float((weight * x).sum() / (weight * n).sum())
        if abs(new - mean) <= 1e-14 * mean:
            return new
        mean = new
    return mean


def _log_likelihood(x: FloatArray, n: FloatArray, shape: float, mean: float) -> float:
    expected = n * mean
    terms = special.gammaln(shape + x) - special.gammaln(shape) - special.gammaln(x + 1)
    terms -= shape * np.log1p(expected / shape)
    terms += special.xlogy(x, expected / (shape + expected))
    return float(terms.sum())
