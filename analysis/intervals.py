"""How far may the true fault rate lie from the one that was counted?

Binomial intervals and bounds for rare faults, and the Poisson interval of a number of faults.
Counts in, limits out, as arrays: one entry per group. Counts and feeds need not be whole numbers,
because a count of clustered faults enters as an effective one, x/phi in n/phi feeds
(`analysis.spread`).

The methods are Clopper-Pearson's exact interval (the default: it never promises more than it
keeps, not even for one fault in a million feeds), Lancaster's mid-P, Wilson's score interval and
Jeffreys' interval.

References
----------
Clopper CJ, Pearson ES (1934). The use of confidence or fiducial limits illustrated in the case of
the binomial. Biometrika 26:404-413.
Wilson EB (1927). Probable inference, the law of succession, and statistical inference. Journal of
the American Statistical Association 22:209-212.
Lancaster HO (1961). Significance tests in discrete distributions. Journal of the American
Statistical Association 56:223-234.
Brown LD, Cai TT, DasGupta A (2001). Interval estimation for a binomial proportion. Statistical
Science 16:101-133.
Garwood F (1936). Fiducial limits for the Poisson distribution. Biometrika 28:437-442.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

# scipy.special alone: importing scipy.stats costs nearly a second at every start.
from scipy import special

from analysis.quantiles import beta_quantile, distinct

FloatArray = NDArray[np.float64]
Limits = tuple[FloatArray, FloatArray]

METHODS = ("exact", "wilson", "jeffreys", "mid-p")

# So many pairs tell whether most of them are repeats.
_SAMPLE = 2000

# Newton's method for mid-P, on logarithms: the relative step at which it ends (its error is then
# the square of that, or what rounding leaves), and the most steps, enough for halving alone.
_CLOSE_ENOUGH = 1e-10
_MOST_STEPS = 100
_SMALLEST = 1e-300


def interval(
    count: ArrayLike, feeds: ArrayLike, *, confidence: float = 0.95, method: str = "exact"
) -> Limits:
    """Between which two rates does the true fault rate lie?

    Parameters
    ----------
    count : array_like
        Faults, one per group; whole or effective (fractional) numbers from 0 to `feeds`.
    feeds : array_like
        Feeds, one per group; broadcast against `count`.
    confidence : float
        Of the two-sided interval, half of the risk on each side.
    method : str
        One of `METHODS`. *exact* covers with at least the confidence asked, whatever the rate; the
        others cover with it on the average only, and are shorter.

    Returns
    -------
    low, high : float arrays
        Faults per feed, in the broadcast shape; two scalars for scalar input. Zero faults give a
        low end of exactly 0, a fault at every feed a high end of exactly 1, and zero feeds, which
        prove nothing, the interval 0 to 1.

    Raises
    ------
    ValueError
        Where a count is negative or exceeds its feeds, a number is missing or infinite, the
        confidence is not between 0 and 1, or the method is unknown.

    Notes
    -----
    *exact*: Clopper and Pearson 1934, by beta quantiles. *wilson*: Wilson 1927, without continuity
    correction. *jeffreys*: quantiles of beta(x + 1/2, n - x + 1/2), with the ends set to 0 and 1
    at no fault and at faults only (Brown, Cai and DasGupta 2001). *mid-p*: Lancaster 1961, half
    of the probability of the count itself in each tail. At effective counts the binomial tails are
    continued as incomplete beta functions.

    Do not read one of these where faults come in clusters: see `analysis.spread`.

    Examples
    --------
    Four doubles in 100,000 feeds, per 10,000 feeds:

    >>> low, high = interval(4, 100_000)
    >>> print(f"{1e4 * low:.3f} to {1e4 * high:.3f}")
    0.109 to 1.024

    None in 5,000 feeds of a bin:

    >>> low, high = interval(0, 5000)
    >>> print(f"{1e4 * low:.3f} to {1e4 * high:.3f}")
    0.000 to 7.375
    """
    tail = 0.5 * (1.0 - _checked_confidence(confidence))
    return _limits(count, feeds, tail, method)


def lower_bound(
    count: ArrayLike, feeds: ArrayLike, *, confidence: float = 0.95, method: str = "exact"
) -> FloatArray:
    """Which rate does the true fault rate surely exceed?

    The one-sided counterpart of `interval`: all of the risk is on this side. Parameters, methods
    and errors are those of `interval`.

    Returns
    -------
    float array
        Faults per feed; 0 where there are no faults or no feeds.

    Examples
    --------
    Twenty of twenty faults put in on purpose were called: the detector's sensitivity is at least

    >>> round(float(lower_bound(20, 20)), 3)
    0.861
    """
    return _limits(count, feeds, 1.0 - _checked_confidence(confidence), method)[0]


def upper_bound(
    count: ArrayLike, feeds: ArrayLike, *, confidence: float = 0.95, method: str = "exact"
) -> FloatArray:
    """Which rate does the true fault rate surely stay below?

    The one-sided counterpart of `interval`: all of the risk is on this side. Parameters, methods
    and errors are those of `interval`.

    Returns
    -------
    float array
        Faults per feed; 1 where there are no feeds or faults only.

    Examples
    --------
    No fault in 50 feeds proves little (the rule of three says 0.06):

    >>> round(float(upper_bound(0, 50)), 4)
    0.0582
    """
    return _limits(count, feeds, 1.0 - _checked_confidence(confidence), method)[1]


def poisson_interval(count: ArrayLike, *, confidence: float = 0.95) -> Limits:
    """Between which two numbers do the expected faults lie, given the faults counted?

    Parameters
    ----------
    count : array_like
        Faults, whole or effective numbers of 0 or more.
    confidence : float
        Of the two-sided interval, half of the risk on each side.

    Returns
    -------
    low, high : float arrays
        Expected faults, not a rate. Zero faults give a low end of exactly 0.

    Raises
    ------
    ValueError
        Where a count is negative, missing or infinite, or the confidence not between 0 and 1.

    Notes
    -----
    Garwood 1936, by gamma quantiles.

    Examples
    --------
    >>> low, high = poisson_interval([0, 4])
    >>> low.round(3), high.round(3)
    (array([0.  , 1.09]), array([ 3.689, 10.242]))
    """
    tail = 0.5 * (1.0 - _checked_confidence(confidence))
    faults = np.asarray(count, dtype=np.float64)
    if not np.all(np.isfinite(faults)) or np.any(faults < 0):
        raise ValueError("count must be a number of faults, 0 or more, with none missing")
    some = faults > 0
    low = np.where(some, special.gammaincinv(np.where(some, faults, 1.0), tail), 0.0)
    high = np.asarray(special.gammainccinv(faults + 1.0, tail), dtype=np.float64)
    return low[()], high[()]


def coverage(
    feeds: float, rate: ArrayLike, *, confidence: float = 0.95, method: str = "exact"
) -> FloatArray:
    """How often does the interval hold the true rate, where that rate is known?

    Exact, by summing the binomial over the counts whose interval holds the rate. The limits grow
    with the count, so these counts are one unbroken range, found by bisection: ten times the feeds
    cost three or four steps more.

    Parameters
    ----------
    feeds : float
        Whole number of feeds, 1 or more.
    rate : array_like
        True rates, faults per feed, strictly between 0 and 1.
    confidence, method
        As in `interval`.

    Returns
    -------
    float array
        Probability, one per rate.

    Raises
    ------
    ValueError
        Where the feeds are not a whole number of 1 or more, a rate is not between 0 and 1, or as
        in `interval`.

    Examples
    --------
    >>> print(f"{coverage(100_000, 3e-5):.3f}, {coverage(100_000, 3e-5, method='wilson'):.3f}")
    0.988, 0.966
    """
    tail = 0.5 * (1.0 - _checked_confidence(confidence))
    if not feeds >= 1 or feeds != np.floor(feeds) or not np.isfinite(feeds):
        raise ValueError(f"feeds must be a whole number of 1 or more, not {feeds}")
    rates = np.asarray(rate, dtype=np.float64)
    if not np.all((rates > 0) & (rates < 1)):
        raise ValueError("rate must lie strictly between 0 and 1")
    p = rates.ravel()

    def too_low(x: FloatArray) -> NDArray[np.bool_]:
        return np.asarray(_limits(x, feeds, tail, method)[1] < p)

    def low_enough(x: FloatArray) -> NDArray[np.bool_]:
        return np.asarray(_limits(x, feeds, tail, method)[0] <= p)

    below = _last_true(too_low, p.size, feeds)
    last = _last_true(low_enough, p.size, feeds)
    covered = _at_most(last, feeds, p) - _at_most(below, feeds, p)
    return np.asarray(covered.reshape(rates.shape))[()]


def _last_true(
    holds: Callable[[FloatArray], NDArray[np.bool_]], size: int, feeds: float
) -> FloatArray:
    """Find the last count for which `holds`, true up to some count, is true; -1 where none is."""
    yes, no = np.full(size, -1.0), np.full(size, feeds + 1.0)
    while np.any(no - yes > 1):
        middle = np.floor(0.5 * (yes + no))
        # Where the search has ended, middle is `yes`, which may be -1: any valid count will do.
        true = np.where(no - yes > 1, holds(np.clip(middle, 0, feeds)), True)
        yes, no = np.where(true, middle, yes), np.where(true, no, middle)
    return yes


def _at_most(count: FloatArray, feeds: float, p: FloatArray) -> FloatArray:
    """Binomial probability of at most `count` faults."""
    inside = np.clip(count, 0, feeds - 1)
    result = special.betaincc(inside + 1, feeds - inside, p)
    return np.where(count < 0, 0.0, np.where(count >= feeds, 1.0, result))


def _limits(count: ArrayLike, feeds: ArrayLike, tail: float, method: str) -> Limits:
    """Limits with probability `tail` beyond each of them, in the broadcast shape."""
    check_method(method, METHODS)
    x, n = check_counts(count, feeds)
    flat_x, flat_n = x.ravel(), n.ravel()
    unproven = flat_n == 0
    if np.any(unproven):
        flat_n = np.where(unproven, 1.0, flat_n)
    if _repeat(flat_x, flat_n):
        some_x, some_n, back = distinct(flat_x, flat_n)
        low, high = (ends[back] for ends in _BY_METHOD[method](some_x, some_n, tail))
    else:
        low, high = _BY_METHOD[method](flat_x, flat_n, tail)
    low[unproven], high[unproven] = 0.0, 1.0
    return low.reshape(x.shape)[()], high.reshape(x.shape)[()]


def check_method(method: str, known: tuple[str, ...]) -> None:
    """Raise ValueError for a method that is not among those that are known."""
    if method not in known:
        raise ValueError(f"method must be one of {', '.join(known)}, not {method!r}")


def _checked_confidence(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, not {confidence}")
    return float(confidence)


def check_counts(count: ArrayLike, feeds: ArrayLike) -> Limits:
    """Refuse counts and feeds that cannot be, and hand them back broadcast as numbers.

    Raises
    ------
    ValueError
        Where one is negative, missing or infinite, or a count exceeds its feeds.
    """
    x = np.asarray(count, dtype=np.float64)
    n = np.asarray(feeds, dtype=np.float64)
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(n))):
        raise ValueError("count and feeds must be finite numbers, with none missing")
    if np.any(x < 0) or np.any(n < 0):
        raise ValueError("count and feeds must not be negative")
    x, n = np.broadcast_arrays(x, n)
    if np.any(x > n):
        worst = np.argmax(x - n)
        raise ValueError(
            "count must not exceed feeds; there are "
            f"{x.ravel()[worst]:g} faults in {n.ravel()[worst]:g} feeds"
        )
    return x, n


def _repeat(x: FloatArray, n: FloatArray) -> bool:
    """Whether most pairs occur more than once, as a spread sample of them tells."""
    # Sorting a million pairs takes a quarter of the time of the limits themselves.
    step = max(1, x.size // _SAMPLE)
    sample = n[::step] + 1j * x[::step]
    return bool(2 * np.unique(sample).size < sample.size)


def _exact(x: FloatArray, n: FloatArray, tail: float) -> Limits:
    """Clopper-Pearson limits for n > 0."""
    # Closed forms at no fault and at faults only; most bins of most runs have no fault, and picking
    # them out would take longer than working out the form for all.
    low, high = np.zeros_like(x), -np.expm1(np.log(tail) / n)
    all_ = x == n
    low[all_], high[all_] = np.exp(np.log(tail) / n[all_]), 1.0
    between = np.flatnonzero((x > 0) & ~all_)
    a, b = x[between], n[between] - x[between]
    low[between] = beta_quantile(a, b + 1, tail, upper=False)
    high[between] = beta_quantile(a + 1, b, tail, upper=True)
    return low, high


def _wilson(x: FloatArray, n: FloatArray, tail: float) -> Limits:
    """Wilson's score limits for n > 0."""
    z = -float(special.ndtri(tail))
    middle = x + 0.5 * z * z
    half = z * np.sqrt(x * (n - x) / n + 0.25 * z * z)
    high = np.where(x == n, 1.0, (middle + half) / (n + z * z))
    if z <= 0:  # a one-sided bound at a confidence of one half or less
        return np.where(x == 0, 0.0, (middle - half) / (n + z * z)), high
    # The product of both roots instead of middle - half, which would cancel at few faults.
    return x * x / n / (middle + half), high


def _jeffreys(x: FloatArray, n: FloatArray, tail: float) -> Limits:
    """Jeffreys' limits for n > 0."""
    low = beta_quantile(x + 0.5, n - x + 0.5, tail, upper=False)
    high = beta_quantile(x + 0.5, n - x + 0.5, tail, upper=True)
    # Of an effective count of a small part of a fault even the lower quantile lies above the rate.
    low = np.where(x == 0, 0.0, np.minimum(low, x / n))
    return low, np.where(x == n, 1.0, np.maximum(high, x / n))


def _mid_p(x: FloatArray, n: FloatArray, tail: float) -> Limits:
    """Mid-P limits for n > 0."""
    low, high = np.zeros_like(x), np.ones_like(x)
    none, all_ = x == 0, x == n
    # With no fault half of (1 - p)^n equals the tail. A tail above one half (a one-sided bound at
    # a confidence below one half) is not reached: the bound then is the count's own rate.
    doubled = min(1.0, 2 * tail)
    high[none] = -np.expm1(np.log(doubled) / n[none])
    low[all_] = np.exp(np.log(doubled) / n[all_])
    between = ~none & ~all_
    a, b, back = distinct(x[between], n[between] - x[between])
    low[between] = _mid_p_root(a, b, tail, upper=False)[back]
    high[between] = _mid_p_root(a, b, tail, upper=True)[back]
    return low, high


def _mid_p_root(a: FloatArray, b: FloatArray, tail: float, *, upper: bool) -> FloatArray:
    """Solve half P(at or beyond the count) + half P(beyond it) = tail for the rate.

    Both halves alone are solved by beta quantiles; the root lies between the two. Newton's method
    on the logarithms of rate and tail, where the curve is nearly straight, and halving wherever a
    step would leave the bracket.
    """
    probability = special.betaincc if upper else special.betainc
    # The lower limit of a small part of a fault can be less than any number the machine holds.
    left = np.log(np.maximum(beta_quantile(a, b + 1, tail, upper=upper), _SMALLEST))
    right = np.log(np.maximum(beta_quantile(a + 1, b, tail, upper=upper), _SMALLEST))
    u = 0.5 * (left + right)
    open_ = np.arange(u.size)
    for _ in range(_MOST_STEPS):
        if not open_.size:
            break
        at, a_, b_ = u[open_], a[open_], b[open_]
        p = np.exp(at)
        value = 0.5 * (probability(a_, b_ + 1, p) + probability(a_ + 1, b_, p))
        density = 0.5 * (
            np.exp(a_ * at + special.xlog1py(b_, -p) - special.betaln(a_, b_ + 1))
            + np.exp((a_ + 1) * at + special.xlog1py(b_ - 1, -p) - special.betaln(a_ + 1, b_))
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.log(value / tail) * value / (-density if upper else density)
        beyond = (value < tail) if upper else (value > tail)
        left[open_] = np.where(beyond, left[open_], at)
        right[open_] = np.where(beyond, at, right[open_])
        new = at - step
        inside = (new >= left[open_]) & (new <= right[open_])
        u[open_] = np.where(inside, new, 0.5 * (left[open_] + right[open_]))
        open_ = open_[np.abs(u[open_] - at) > _CLOSE_ENOUGH]
    return np.exp(u)


_BY_METHOD: dict[str, Callable[[FloatArray, FloatArray, float], Limits]] = {
    "exact": _exact,
    "wilson": _wilson,
    "jeffreys": _jeffreys,
    "mid-p": _mid_p,
}
