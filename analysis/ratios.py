"""How many times as high is one fault rate as another?

Two counts, x1 faults in n1 feeds and x2 faults in n2 feeds, are compared first over second: the
ratio of their rates with an interval and a p-value that agree. A count can also be compared with a
rate that is taken as known. Arrays in, arrays out: one entry per comparison.

The ratio is judged given the sum of both counts: where faults are rare, x1 is then binomial with
the share rho n1 / (rho n1 + n2), whatever the rates themselves, so that an interval of the share is
one of the ratio rho (Przyborowski and Wilenski 1940). Where faults are not rare (one feed in five),
the interval and the p-value are wider and larger than need be; `fisher` says how much.

Faults that come in clusters make two rates differ more than chance alone has it. Each sample then
enters as an effective one, x/phi faults in n/phi feeds (Rao and Scott 1992), so that the variance
of the logarithm of the ratio is phi1/x1 + phi2/x2, but phi has to differ with the end of the
interval. The sum over a few clustered runs falls short of its mean more easily than a Poisson count
of the same spread does: a burn-in of four lucky runs makes an unchanged tower look worse. So the
sample whose upper limit makes an end has phi = 1 + r (1 + 5 min(r, 1)) (x + 2), and the one whose
lower limit makes it phi = 1 + r x, where r is the sample's relative variance
(`analysis.spread.relative_variance_by_group`); the factor 1 + 5 r is what turns the upper limit of
a Poisson count into that of a gamma variable of the same relative variance, at 2.5 %.

What that keeps, by simulation (`python -m tests.slow.comparison` prints the tables): gamma rates,
coefficients of variation of 0, 0.3, 0.5 and 1 between runs, 8, 30 and 300 runs of production
against a burn-in of 4 or 8, of equal or very unequal sizes. Where the ratio is 1 and the variance
is estimated from those runs themselves (`analysis.spread.Spread.allowed`), either end lies on the
wrong side of 1 in at most 2.5 % of logs with up to 2 expected faults a run, as shops have them;
with up to 8 a run in at most 2.5 %, but for 6 cells of 192 at 2.6 to 3.2 % (their standard error is
0.4). The plain interval errs in up to 36 % on either side. Where each of the burn-in's runs holds
twenty times the faults of one of production's, the estimate rests on the burn-in's few runs alone:
*worse* then is false in up to 4.2 %.

References
----------
Przyborowski J, Wilenski H (1940). Homogeneity of results in testing samples from Poisson series.
Biometrika 31:313-323.
Clopper CJ, Pearson ES (1934). The use of confidence or fiducial limits illustrated in the case of
the binomial. Biometrika 26:404-413.
Lancaster HO (1961). Significance tests in discrete distributions. Journal of the American
Statistical Association 56:223-234.
Rao JNK, Scott AJ (1992). A simple method for the analysis of clustered binary data. Biometrics
48:577-585.
Benjamini Y, Hochberg Y (1995). Controlling the false discovery rate. Journal of the Royal
Statistical Society B 57:289-300.
Fisher RA (1935). The Design of Experiments. Oliver and Boyd.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

# scipy.special alone: importing scipy.stats costs nearly a second at every start.
from scipy import special

from analysis import intervals

FloatArray = NDArray[np.float64]
Tails = tuple[FloatArray, FloatArray]

RATIO_METHODS = ("exact", "mid-p")

# How much the spread of few runs widens an upper limit, and the faults beyond those counted at
# which it is taken, so that a count that is small by luck, or none, is widened as well.
_SKEW = 5.0
_BEYOND = 2.0

# Feeds that stand for one expected fault.
_PER_EXPECTED = 1e9


@dataclass(frozen=True)
class RateRatio:
    """The ratio of two rates, first over second, or of a rate to a known one.

    Attributes
    ----------
    ratio : float array
        NaN where nothing tells it (no faults on either side, or no feeds on one); infinite where
        only the second has no fault.
    low, high : float arrays
        Interval; 0 where the first has no fault, infinite where the second has none.
    p_value : float array
        Doubled smaller tail at a ratio of 1, never above 1: at most 1 - confidence exactly where
        the interval leaves 1 out.
    confidence : float
        Of the interval.
    method : str
        One of `RATIO_METHODS`.
    """

    ratio: FloatArray
    low: FloatArray
    high: FloatArray
    p_value: FloatArray
    confidence: float
    method: str


def ratio(
    count: ArrayLike,
    feeds: ArrayLike,
    other_count: ArrayLike,
    other_feeds: ArrayLike,
    *,
    relative_variance: ArrayLike = 0.0,
    other_relative_variance: ArrayLike = 0.0,
    confidence: float = 0.95,
    method: str = "exact",
) -> RateRatio:
    """How many times the rate of the second is the rate of the first?

    Parameters
    ----------
    count, feeds : array_like
        Faults and feeds of the first; whole or effective (fractional) numbers.
    other_count, other_feeds : array_like
        Of the second; all are broadcast against one another.
    relative_variance, other_relative_variance : array_like
        Squared coefficient of variation that clusters give to each count, from
        `analysis.spread.relative_variance_by_group`; 0 where faults fall singly.
    confidence : float
        Of the two-sided interval, half of the risk on each side.
    method : str
        One of `RATIO_METHODS`: *exact* errs with at most the risk asked, *mid-p* on the average.

    Returns
    -------
    RateRatio

    Raises
    ------
    ValueError
        Where a count is negative or exceeds its feeds, a number is missing or infinite, the
        confidence is not between 0 and 1, or the method is unknown.

    Notes
    -----
    The interval of the share x1 / (x1 + x2) by Clopper and Pearson 1934 (*exact*) or Lancaster 1961
    (*mid-p*), as one of the ratio. The p-value is the doubled smaller tail, so that it agrees with
    the interval; a minimum-likelihood p-value need not.

    Examples
    --------
    Ten faults in 20,000 feeds against two in 17,877:

    >>> found = ratio(10, 20_000, 2, 17_877)
    >>> print(f"{found.ratio:.2f} ({found.low:.2f} to {found.high:.2f}), p = {found.p_value:.3f}")
    4.47 (0.95 to 41.95), p = 0.061

    The same, where each count is the sum of eight runs that differ by 100 %:

    >>> wide = ratio(10, 20_000, 2, 17_877, relative_variance=1 / 8, other_relative_variance=1 / 8)
    >>> print(f"{wide.low:.2f} to {wide.high:.2f}")
    0.50 to 77.42
    """
    sample = effective_samples(
        count,
        feeds,
        other_count,
        other_feeds,
        relative_variance=relative_variance,
        other_relative_variance=other_relative_variance,
    )
    intervals.check_method(method, RATIO_METHODS)
    x1, n1 = intervals.check_counts(count, feeds)
    x2, n2 = intervals.check_counts(other_count, other_feeds)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = (x1 / n1) / (x2 / n2)
    low, at_least = _low_end(*sample.low, confidence, method)
    # The upper end is the lower end of the second over the first, turned over.
    a, m, b, k = sample.high
    turned, at_most = _low_end(b, k, a, m, confidence, method)
    with np.errstate(divide="ignore"):
        high = 1.0 / turned
    p = np.minimum(1.0, 2.0 * np.minimum(at_least, at_most))
    return RateRatio(estimate[()], low[()], high[()], p[()], float(confidence), method)


@dataclass(frozen=True)
class EffectiveSamples:
    """What the two ends of an interval are made from: each x1, n1, x2, n2.

    Attributes
    ----------
    low, high : tuple of float array
        Effective faults and feeds of the first, then of the second.
    """

    low: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
    high: tuple[FloatArray, FloatArray, FloatArray, FloatArray]


def effective_samples(
    count: ArrayLike,
    feeds: ArrayLike,
    other_count: ArrayLike,
    other_feeds: ArrayLike,
    *,
    relative_variance: ArrayLike = 0.0,
    other_relative_variance: ArrayLike = 0.0,
) -> EffectiveSamples:
    """From how many feeds would the same faults, fallen singly, say as much?

    Parameters and errors are those of `ratio`.

    Returns
    -------
    EffectiveSamples
        The samples as given where both relative variances are 0.

    Notes
    -----
    x/phi in n/phi, with the two phi that the module's introduction gives.

    Examples
    --------
    >>> sample = effective_samples(20, 1000, 12, 1000, other_relative_variance=0.125)
    >>> [float(round(number, 2)) for number in sample.low]
    [20.0, 1000.0, 3.12, 260.16]
    """
    x1, n1, x2, n2 = np.broadcast_arrays(
        *intervals.check_counts(count, feeds), *intervals.check_counts(other_count, other_feeds)
    )
    r1, r2 = _checked_variance(relative_variance), _checked_variance(other_relative_variance)
    # The lower end of the ratio is the first's lower limit over the second's upper one.
    down1, up2 = _phi_down(x1, r1), _phi_up(x2, r2)
    up1, down2 = _phi_up(x1, r1), _phi_down(x2, r2)
    return EffectiveSamples(
        low=(x1 / down1, n1 / down1, x2 / up2, n2 / up2),
        high=(x1 / up1, n1 / up1, x2 / down2, n2 / down2),
    )


def beside_expected(
    count: ArrayLike,
    expected: ArrayLike,
    other_count: ArrayLike,
    other_expected: ArrayLike,
    *,
    relative_variance: ArrayLike = 0.0,
    other_relative_variance: ArrayLike = 0.0,
    confidence: float = 0.95,
) -> RateRatio:
    """How many times as many faults had the first as the second, each by what was expected of it?

    Parameters
    ----------
    count, other_count : array_like
        Faults, which may be more than were expected.
    expected, other_expected : array_like
        Faults that were to be expected of the same feeds.
    relative_variance, other_relative_variance, confidence
        As in `ratio`.

    Returns
    -------
    RateRatio
        As of `ratio`, with expected faults in the place of feeds.

    Examples
    --------
    Nine where three were expected, beside four where four were:

    >>> found = beside_expected(9, 3.0, 4, 4.0)
    >>> print(f"{found.ratio:.1f} ({found.low:.2f} to {found.high:.1f})")
    3.0 (0.84 to 13.3)
    """
    # A ratio of counts needs feeds that none can exceed; only how these are to each other matters.
    first, second = (_PER_EXPECTED * np.asarray(m, float) for m in (expected, other_expected))
    return ratio(
        count,
        first,
        other_count,
        second,
        relative_variance=relative_variance,
        other_relative_variance=other_relative_variance,
        confidence=confidence,
    )


def against_standard(
    count: ArrayLike,
    feeds: ArrayLike,
    rate: ArrayLike,
    *,
    relative_variance: ArrayLike = 0.0,
    confidence: float = 0.95,
    method: str = "exact",
) -> RateRatio:
    """How many times a known rate is the rate counted?

    Parameters
    ----------
    count, feeds : array_like
        Faults and feeds, whole or effective numbers.
    rate : array_like
        The standard, faults per feed, between 0 and 1; taken as known.
    relative_variance : array_like
        As in `ratio`.
    confidence, method
        As in `ratio`.

    Returns
    -------
    RateRatio
        With NaN for the ratio, an interval from 0 to 1 / rate and a p-value of 1 for no feeds.

    Raises
    ------
    ValueError
        As in `ratio`, and where a standard is not between 0 and 1.

    Notes
    -----
    The binomial interval over the standard; the p-value is the doubled smaller binomial tail.

    Examples
    --------
    Nine misses in 100,000 feeds against a standard of 3 per 100,000:

    >>> found = against_standard(9, 100_000, 3e-5)
    >>> print(f"{found.ratio:.1f} ({found.low:.1f} to {found.high:.1f}), p = {found.p_value:.4f}")
    3.0 (1.4 to 5.7), p = 0.0076
    """
    intervals.check_method(method, RATIO_METHODS)
    known = np.asarray(rate, dtype=np.float64)
    if not np.all((known > 0) & (known < 1)):
        raise ValueError("rate must lie strictly between 0 and 1")
    x, n = intervals.check_counts(count, feeds)
    r = _checked_variance(relative_variance)
    x, n, known, r = np.broadcast_arrays(x, n, known, r)
    down, up = _phi_down(x, r), _phi_up(x, r)
    low = intervals.interval(x / down, n / down, confidence=confidence, method=method)[0]
    high = intervals.interval(x / up, n / up, confidence=confidence, method=method)[1]
    at_least = _binomial_at_least(x / down, n / down, known, method)
    # No more than x faults is as much as n - x or more feeds without one.
    at_most = _binomial_at_least((n - x) / up, n / up, 1.0 - known, method)
    p = np.minimum(1.0, 2.0 * np.minimum(at_least, at_most))
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = x / n / known
    return RateRatio(
        estimate[()], (low / known)[()], (high / known)[()], p[()], float(confidence), method
    )


def fisher(
    count: ArrayLike, feeds: ArrayLike, other_count: ArrayLike, other_feeds: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """How likely are so many faults, or so few, on the first side if both rates are the same?

    For faults that are not rare, where `ratio` promises less than it keeps. For rare ones the two
    agree.

    Parameters
    ----------
    count, feeds, other_count, other_feeds : array_like
        Whole numbers, broadcast against one another.

    Returns
    -------
    at_least, at_most : float arrays
        Probability, given the faults of both sides together, of at least and of at most `count` of
        them on the first. The two-sided p-value is twice the smaller one.

    Raises
    ------
    ValueError
        Where a number is not whole, negative or missing, or a count exceeds its feeds.

    Notes
    -----
    Fisher 1935, by summing the hypergeometric distribution.

    Examples
    --------
    A lady told three cups of four with milk in first, and mistook one:

    >>> at_least, at_most = fisher(3, 4, 1, 4)
    >>> round(float(at_least), 4)
    0.2429
    """
    x1, n1, x2, n2 = np.broadcast_arrays(
        *intervals.check_counts(count, feeds), *intervals.check_counts(other_count, other_feeds)
    )
    if any(np.any(number != np.floor(number)) for number in (x1, n1, x2, n2)):
        raise ValueError("counts and feeds must be whole numbers")
    at_least, at_most = np.ones(x1.shape), np.ones(x1.shape)
    for at in np.ndindex(x1.shape):
        total, m, k = (np.asarray(number[at]) for number in (x1 + x2, n1, n2))
        possible = np.arange(max(0.0, float(total - k)), float(min(total, m)) + 1)
        log_terms = _log_binomial(m, possible) + _log_binomial(k, total - possible)
        terms = np.exp(log_terms - log_terms.max())
        terms /= terms.sum()
        at_least[at] = min(1.0, terms[possible >= x1[at]].sum())
        at_most[at] = min(1.0, terms[possible <= x1[at]].sum())
    return at_least[()], at_most[()]


def benjamini_hochberg(p_values: ArrayLike) -> FloatArray:
    """Which p-value would each be, had not many been looked at together?

    Parameters
    ----------
    p_values : array_like
        Between 0 and 1, one-dimensional; those of one family.

    Returns
    -------
    float array
        Adjusted p-values, in the same order. Calling those of at most q a find makes, on the
        average, at most the share q of all finds a false one (independent, or jointly rising and
        falling, comparisons).

    Raises
    ------
    ValueError
        Where a p-value is missing or not between 0 and 1.

    Notes
    -----
    Benjamini and Hochberg 1995: the i-th smallest of m is multiplied by m/i, and none may exceed a
    larger one's.

    Examples
    --------
    >>> benjamini_hochberg([0.01, 0.5, 0.02]).round(3)
    array([0.03, 0.5 , 0.03])
    """
    p = np.asarray(p_values, dtype=np.float64)
    if p.ndim != 1 or not np.all((p >= 0) & (p <= 1)):
        raise ValueError("p_values must be a list of numbers between 0 and 1, with none missing")
    order = np.argsort(p)
    scaled = p[order] * (p.size / np.arange(1, p.size + 1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum.accumulate(scaled[::-1])[::-1]
    return adjusted


def _checked_variance(relative_variance: ArrayLike) -> FloatArray:
    r = np.asarray(relative_variance, dtype=np.float64)
    if not np.all((r >= 0) & np.isfinite(r)):
        raise ValueError("a relative variance must be 0 or more, with none missing")
    return r


def _phi_down(x: FloatArray, r: FloatArray) -> FloatArray:
    """Dispersion of a sample whose lower limit is wanted."""
    return np.asarray(1.0 + r * x)


def _phi_up(x: FloatArray, r: FloatArray) -> FloatArray:
    """Dispersion of a sample whose upper limit is wanted."""
    return np.asarray(1.0 + r * (1.0 + _SKEW * np.minimum(r, 1.0)) * (x + _BEYOND))


def _low_end(
    x1: FloatArray,
    n1: FloatArray,
    x2: FloatArray,
    n2: FloatArray,
    confidence: float,
    method: str,
) -> Tails:
    """Lower end of the ratio, and the probability of x1 or more faults at a ratio of 1."""
    both = x1 + x2
    share = intervals.interval(x1, both, confidence=confidence, method=method)[0]
    # The other's share by itself: 1 - share would lose all digits where one is nearly all.
    rest = intervals.interval(x2, both, confidence=confidence, method=method)[1]
    fed = (n1 > 0) & (n2 > 0)
    one = np.where(fed, n1, 1.0)
    # Dividing by feeds last: an infinite odds cannot be here, since rest > 0 wherever share < 1,
    # and where all faults are the first's the lower share stays below 1.
    low = np.where(fed, share / rest * (n2 / one), 0.0)
    of_first = np.where(fed, n1 / np.where(fed, n1 + n2, 1.0), 0.5)
    at_least = np.where(fed, _share_at_least(x1, x2, of_first, method), 1.0)
    return low, at_least


def _share_at_least(x1: FloatArray, x2: FloatArray, p: FloatArray, method: str) -> FloatArray:
    """Probability that x1 or more of x1 + x2 fall to the first, whose share is p."""
    return _binomial_at_least(x1, x1 + x2, p, method)


def _binomial_at_least(x: FloatArray, n: FloatArray, p: FloatArray, method: str) -> FloatArray:
    """Probability of x or more in n, continued between whole numbers; half of x's own in mid-P."""
    rest = np.maximum(n - x, 0.0)
    whole = np.where(x > 0, special.betainc(np.where(x > 0, x, 1.0), rest + 1.0, p), 1.0)
    if method != "mid-p":
        return whole
    some = rest > 0
    beyond = np.where(some, special.betainc(x + 1.0, np.where(some, rest, 1.0), p), 0.0)
    return np.asarray(0.5 * (whole + beyond))


def _log_binomial(n: FloatArray, x: FloatArray) -> FloatArray:
    # Not from gamma functions of n, whose difference loses every digit at 10^8 feeds.
    return np.asarray(-np.log(n + 1.0) - special.betaln(n - x + 1.0, x + 1.0), dtype=np.float64)
