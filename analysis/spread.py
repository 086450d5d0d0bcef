"""How much do runs differ beyond chance, and how much wider does that make an interval?

Faults come in clusters: a damp pallet, a static afternoon. The binomial interval of the sum then is
far too narrow, because it takes every feed for a fresh draw. The remedy is the usual one of survey
statistics: count the same faults as if they came from fewer feeds. Counts are first summed to tower
and run; one *between-run variance* per tower and kind, pooled over the log, says how much the rate
differs from run to run; a group's *dispersion* phi follows from it; and the interval is that of
x/phi faults in n/phi feeds.

Sizes of runs enter only through their proportions, so that what a group needs is one number, its
*relative variance*: the squared coefficient of variation that the runs' spread gives to the sum of
the group, v sum(mu^2) / (sum mu)^2. It is 1/8 for eight equal runs with an exponential spread.

Few runs say little of v, and a plug-in interval would cover too seldom. So the variance used for
widening carries an allowance (`Spread.allowed`), and phi one for skewness (`widening`). What that
gives, by simulation (`python -m tests.slow.coverage` prints the tables): with gamma-distributed
rates, coefficients of variation of 0, 0.5 and 1 between runs, 8, 30 and 300 runs of equal or very
unequal size, and 1 to 100 expected faults, the 95 % interval of a whole log holds the true rate in
94.0 to 99.8 % of logs, where the plain one falls to 33 %; a group of two runs or more out of a long
log in 94.5 % or more. Without clusters it is wider than the plain one by 1 to 4 % at 300 runs, by
a tenth (equal sizes) to a quarter at 30, and by a third to twice as much or more at 8.

Limits: a group of a single run is covered in 92 % when runs differ as much as that and it has a
hundred faults, and the more generously the fewer it has; with lognormal rates, whose tail is
longer, coverage falls to 93 % at 8 runs and a hundred faults. Nobody learns the mean of a wide
spread from so few runs.

References
----------
Rao JNK, Scott AJ (1992). A simple method for the analysis of clustered binary data. Biometrics
48:577-585.
Kish L (1965). Survey Sampling. Wiley: effective numbers under unequal weights.
Satterthwaite FE (1946). An approximate distribution of estimates of variance components.
Biometrics Bulletin 2:110-114.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analysis import intervals
from analysis.words import many

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

RUNS_FOR_SPREAD = 30
"""With fewer runs in the log the spread between them counts as unknown."""

# Student's t gets at least so many degrees of freedom: below five runs' worth of information its
# quantile grows without bound, and so would the interval, while the log says nothing of v at all.
_LEAST_DEGREES = 4.0

# The part of the allowance that is due to chance alone stops at a coefficient of variation of 0.4
# between runs: a log with hardly a fault could not rule out any v, but says nothing for it either.
_MOST_NOISE = 0.15


@dataclass(frozen=True)
class Spread:
    """How much the fault rate of one tower differs from run to run, beyond chance.

    Attributes
    ----------
    variance : float
        Squared coefficient of variation v of the runs' rates; 0 where they differ no more than
        chance explains, and where fewer than two runs, or no faults, leave nothing to see.
    allowed : float
        v with its small-sample allowance, at `confidence`: what intervals are widened with.
    runs : int
        Runs in the log, of this tower.
    effective_runs : float
        Runs of equal size that would say as much (Kish); 0 where nothing is expected.
    expected : float
        Expected faults of all runs.
    faults : int
        Faults counted in all runs.
    confidence : float
        Of the intervals that the allowance is made for.
    """

    variance: float
    allowed: float
    runs: int
    effective_runs: float
    expected: float
    faults: int
    confidence: float = 0.95

    @property
    def known(self) -> bool:
        """Whether the log has runs enough (30) to know the spread."""
        return self.runs >= RUNS_FOR_SPREAD

    def sentence(self) -> str:
        """Say it in one plain sentence."""
        runs = many(self.runs, "run")
        if not self.known:
            return (
                f"How much runs differ is unknown: the log has {runs}, and it takes "
                f"{RUNS_FOR_SPREAD}, so the wide interval is on the safe side."
            )
        if self.variance == 0:
            return f"Runs differ no more than chance explains ({runs})."
        percent = 100 * np.sqrt(self.variance)
        return (
            f"Faults come in clusters: from run to run the rate differs by about {percent:.0f} % "
            f"beyond chance ({runs})."
        )


def between_run_variance(
    faults: ArrayLike,
    expected: ArrayLike,
    towers: ArrayLike | None = None,
    *,
    rates: ArrayLike | None = None,
    fitted: bool = True,
    confidence: float = 0.95,
) -> tuple[Spread, ...]:
    """How much does the fault rate differ from run to run beyond chance, tower by tower?

    Parameters
    ----------
    faults : array_like
        Faults, one entry per tower and run (summed over its bins and stretches first).
    expected : array_like
        Expected faults mu of the same runs: feeds times the rate, or the conditions model's.
    towers : array_like of int, optional
        Tower of each entry, 0 to towers - 1; all one tower where absent.
    rates : array_like of int, optional
        Which fitted rate each entry's `expected` rests on, where that is finer than one rate per
        tower (one per stock, say).
    fitted : bool
        Whether those rates were estimated from these very faults; False for a stated rate, a
        benchmark's, or a model with many more runs than terms.
    confidence : float
        Of the intervals to be widened.

    Returns
    -------
    tuple of Spread
        One per tower, in the order of their numbers. No entries give an empty tuple; no faults, or
        a single run, a variance of 0 (with an allowance).

    Raises
    ------
    ValueError
        Where shapes differ, numbers are negative or missing, or the confidence is not between 0
        and 1.

    Notes
    -----
    The moment estimate is v = max(0, sum[(x - mu)^2 - x] / sum mu^2). With mu fitted to the same
    faults both sums are too small: with weights w = mu / sum mu and total M,

        E sum (x - mu)^2 = M (1 - sum w^2) + v M^2 (sum w^2 - 2 sum w^3 + (sum w^2)^2),

    so that these replace sum x and sum mu^2; for R equal runs this is the factor R/(R - 1).

    The allowance is the factor f = (t/z)^2 that Student's t makes of a variance known from
    R_eff - 1 degrees of freedom (Satterthwaite 1946, with Kish's effective number of runs), applied
    to the variance of the log's whole sum, 1 + v c with c = sum mu^2 / sum mu, and expressed in v
    again: f v + min((f - 1)/c, 0.15). Its bounds are explained where they are set.

    Examples
    --------
    >>> spread, = between_run_variance([0, 9, 1, 0, 12, 2, 0, 0], [3.0] * 8)
    >>> round(spread.variance, 2), round(spread.allowed, 2)
    (2.17, 3.32)
    >>> spread.known
    False
    """
    x, mu = checked_runs(faults, expected, "expected")
    z = _z(confidence)
    tower = _index(towers, x.size, "towers")
    count = int(tower.max()) + 1 if tower.size else 0
    rate = tower if rates is None else _index(rates, x.size, "rates")
    # One rate that serves two towers is fitted to both, but is corrected for tower by tower: the
    # correction is then a little too large, which is the safe side.
    _, own = np.unique(
        tower * (int(rate.max()) + 1 if rate.size else 1) + rate, return_inverse=True
    )
    tower_of_own = np.zeros(int(own.max()) + 1 if own.size else 0, dtype=np.intp)
    tower_of_own[own] = tower

    total, squares = _sums(mu, own), _sums(mu**2, own)
    noise, weight = _sums(x, own), squares.copy()
    if fitted:
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(total > 0, squares / total, 0.0)  # M sum w^2
            cubes = np.where(total > 0, _sums(mu**3, own) / total, 0.0)
        noise = total - share
        weight = squares - 2 * cubes + share**2
    excess = _sums(_sums((x - mu) ** 2, own) - noise, tower_of_own, count)
    # For a single run the weight is 0 but for rounding, and nothing is left to estimate from.
    weight = np.where(weight > 1e-9 * squares, weight, 0.0)
    weight = _sums(weight, tower_of_own, count)

    sums, square_sums = _sums(mu, tower, count), _sums(mu**2, tower, count)
    expected_some = square_sums > 0
    nothing = np.zeros(count)
    variance = np.divide(excess, weight, out=nothing.copy(), where=weight > 0).clip(min=0)
    effective = np.divide(sums**2, square_sums, out=nothing.copy(), where=expected_some)
    per_run = np.divide(square_sums, sums, out=nothing.copy(), where=expected_some)
    quantile = special.stdtrit(np.maximum(effective - 1, _LEAST_DEGREES), special.ndtr(z))
    factor = (quantile / z) ** 2
    noise_part = np.full(count, _MOST_NOISE)
    np.divide(factor - 1, per_run, out=noise_part, where=expected_some)
    allowed = factor * variance + np.minimum(noise_part, _MOST_NOISE)
    runs, faults_sum = np.bincount(tower, minlength=count), _sums(x, tower, count)
    return tuple(
        Spread(
            variance=float(variance[t]),
            allowed=float(allowed[t]),
            runs=int(runs[t]),
            effective_runs=float(effective[t]),
            expected=float(sums[t]),
            faults=int(faults_sum[t]),
            confidence=confidence,
        )
        for t in range(count)
    )


def relative_variance_by_group(
    exposure: ArrayLike, group_index: ArrayLike, variance_per_row: ArrayLike, n_groups: int
) -> FloatArray:
    """How uncertain does the spread of runs make the sum of each group?

    Parameters
    ----------
    exposure : array_like
        Expected faults or, where one rate does for the group, feeds: one entry per group, tower
        and run. Only the proportions within a group matter.
    group_index : array_like of int
        Group of each entry, 0 to `n_groups` - 1.
    variance_per_row : array_like
        Between-run variance of each entry's tower: `Spread.allowed` for intervals.
    n_groups : int
        Number of groups.

    Returns
    -------
    float array
        sum(v mu^2) / (sum mu)^2 of each group, the squared coefficient of variation of its sum; 0
        for a group without exposure.

    Examples
    --------
    >>> relative_variance_by_group([500] * 8, [0] * 8, [1.0] * 8, 1)
    array([0.125])
    """
    mu = np.asarray(exposure, dtype=np.float64)
    group = np.asarray(group_index, dtype=np.intp)
    total = np.bincount(group, mu, n_groups)
    square = np.bincount(group, np.asarray(variance_per_row, dtype=np.float64) * mu**2, n_groups)
    return np.divide(square, total**2, out=np.zeros(n_groups), where=total > 0)


def widening(
    count: ArrayLike, relative_variance: ArrayLike, *, confidence: float = 0.95
) -> FloatArray:
    """By which dispersion are faults and feeds of a group divided to widen its interval?

    Parameters
    ----------
    count : array_like
        Faults, one per group.
    relative_variance : array_like
        From `relative_variance_by_group`.
    confidence : float
        Of the two-sided interval.

    Returns
    -------
    float array
        phi, 1 or more; exactly 1 where the relative variance is 0.

    Notes
    -----
    phi = 1 + r (1 + 2 min(r, 1)) (x + z^2/2), which is 1 + v sum(mu^2) / sum(mu) with two
    refinements. The expected faults are taken at x + z^2/2, the middle of the score interval
    (Wilson 1927), so that a group whose clusters were missed by luck, or that has no fault at all,
    is widened as well. And to the sum's relative variance r is added the third cumulant that a
    gamma distribution has with it, 2 r^2 (bounded at r = 1): the sum over few runs is skewed, and
    few faults then go with a small phi, just where the upper limit must hold.

    Examples
    --------
    >>> widening([0, 20], [0.125, 0.125]).round(2)
    array([1.3 , 4.43])
    """
    r = np.asarray(relative_variance, dtype=np.float64)
    x = np.asarray(count, dtype=np.float64)
    return np.asarray(1.0 + r * (1.0 + 2.0 * np.minimum(r, 1.0)) * (x + 0.5 * _z(confidence) ** 2))[
        ()
    ]


def widened_interval(
    count: ArrayLike,
    feeds: ArrayLike,
    relative_variance: ArrayLike,
    *,
    confidence: float = 0.95,
    method: str = "exact",
) -> tuple[FloatArray, FloatArray]:
    """Between which two rates does the true rate lie where faults come in clusters?

    Parameters
    ----------
    count, feeds : array_like
        Faults and feeds, one per group.
    relative_variance : array_like
        From `relative_variance_by_group`, with `Spread.allowed` as the variances.
    confidence, method
        As in `analysis.intervals.interval`.

    Returns
    -------
    low, high : float arrays
        Faults per feed; what zero faults and zero feeds give is as in
        `analysis.intervals.interval`.

    Raises
    ------
    ValueError
        As in `analysis.intervals.interval`, and where a relative variance is negative or missing.

    Notes
    -----
    The interval of x/phi in n/phi feeds, the effective sample (Rao and Scott 1992), with phi from
    `widening`. It describes runs like those in the log; it is not the interval of the rate of these
    very runs, for which clusters do not matter.

    Examples
    --------
    >>> low, high = widened_interval(20, 400_000, 0.125)
    >>> print(f"{1e4 * low:.2f} to {1e4 * high:.2f} per 10,000 feeds")
    0.15 to 1.22 per 10,000 feeds
    """
    r = np.asarray(relative_variance, dtype=np.float64)
    if not np.all(r >= 0):
        raise ValueError("relative_variance must be 0 or more, with none missing")
    x, n = np.asarray(count, dtype=np.float64), np.asarray(feeds, dtype=np.float64)
    # Checked before they are scaled, so that a message names the counts that were given.
    intervals.check_counts(x, n)
    phi = widening(x, r, confidence=confidence)
    return intervals.interval(x / phi, n / phi, confidence=confidence, method=method)


def _z(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, not {confidence}")
    return float(special.ndtri(0.5 * (1 + confidence)))


def _sums(values: FloatArray, index: IndexArray, count: int = 0) -> FloatArray:
    return np.bincount(index, values, count).astype(np.float64)


def _index(values: ArrayLike | None, size: int, name: str) -> IndexArray:
    if values is None:
        return np.zeros(size, dtype=np.intp)
    index = np.asarray(values)
    if index.shape != (size,) or (size and (index.min() < 0 or index.dtype.kind not in "iu")):
        raise ValueError(f"{name} must hold one number from 0 up for each run")
    return index.astype(np.intp)


def checked_runs(faults: ArrayLike, other: ArrayLike, name: str) -> tuple[FloatArray, FloatArray]:
    """Return two numbers of each run as arrays; ValueError where they cannot be.

    Parameters
    ----------
    faults, other : array_like
        One entry per run, 0 or more, none missing.
    name : str
        What the other numbers are, for the message.
    """
    x = np.asarray(faults, dtype=np.float64)
    y = np.asarray(other, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"faults and {name} must hold one number each for each run")
    if not (
        np.all(np.isfinite(x)) and np.all(np.isfinite(y)) and np.all(x >= 0) and np.all(y >= 0)
    ):
        raise ValueError(f"faults and {name} must be 0 or more, with none missing")
    return x, y
