"""By how many faults per feed do two rates differ?

Two counts, x1 faults in n1 feeds and x2 faults in n2 feeds, first less second. A verdict is to rest
on the ratio of the rates (`analysis.ratios`), which alone agrees with its p-value.

References
----------
Newcombe RG (1998). Interval estimation for the difference between independent proportions:
comparison of eleven methods. Statistics in Medicine 17:873-890.
Miettinen O, Nurminen M (1985). Comparative analysis of two rates. Statistics in Medicine 4:213-226.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

# scipy.special alone: importing scipy.stats costs nearly a second at every start.
from scipy import special

from analysis import intervals
from analysis.ratios import FloatArray, effective_samples

DIFFERENCE_METHODS = ("newcombe", "miettinen-nurminen")


@dataclass(frozen=True)
class RateDifference:
    """The difference of two rates, first minus second, in faults per feed.

    Attributes
    ----------
    difference : float array
        NaN where one side has no feeds.
    low, high : float arrays
        Interval; -1 to 1 where one side has no feeds and can be anything.
    confidence : float
        Of the interval.
    method : str
        One of `DIFFERENCE_METHODS`.
    """

    difference: FloatArray
    low: FloatArray
    high: FloatArray
    confidence: float
    method: str


def difference(
    count: ArrayLike,
    feeds: ArrayLike,
    other_count: ArrayLike,
    other_feeds: ArrayLike,
    *,
    relative_variance: ArrayLike = 0.0,
    other_relative_variance: ArrayLike = 0.0,
    confidence: float = 0.95,
    method: str = "newcombe",
) -> RateDifference:
    """By how many faults per feed does the first rate exceed the second?

    Parameters
    ----------
    count, feeds, other_count, other_feeds, relative_variance, other_relative_variance, confidence
        As in `analysis.ratios.ratio`.
    method : str
        One of `DIFFERENCE_METHODS`.

    Returns
    -------
    RateDifference

    Raises
    ------
    ValueError
        As in `analysis.ratios.ratio`.

    Notes
    -----
    *newcombe* (the default): Wilson's limits of both rates, combined (Newcombe 1998, method 10); in
    closed form. *miettinen-nurminen*: the score test inverted, with its factor N/(N - 1), N the
    feeds of both (Miettinen and Nurminen 1985). With 0.5 to 10 rare faults expected in the second
    and 1 to 20 times its feeds in the first, 95 % intervals cover in 94.4 to 100 % (*newcombe*) and
    in 91.8 to 99.8 % (*miettinen-nurminen*), and from 5 expected faults on in 95.0 to 96.1 % and in
    94.8 to 95.7 %: the default is the one that falls less short where faults are few. Both
    are approximate: a verdict is to rest on the ratio, which alone agrees with the p-value.

    Examples
    --------
    >>> found = difference(56, 70, 48, 80)
    >>> print(f"{found.difference:.2f} ({found.low:.4f} to {found.high:.4f})")
    0.20 (0.0524 to 0.3339)
    """
    intervals.check_method(method, DIFFERENCE_METHODS)
    sample = effective_samples(
        count,
        feeds,
        other_count,
        other_feeds,
        relative_variance=relative_variance,
        other_relative_variance=other_relative_variance,
    )
    x1, n1 = intervals.check_counts(count, feeds)
    x2, n2 = intervals.check_counts(other_count, other_feeds)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = x1 / n1 - x2 / n2
    one_end = _newcombe_low if method == "newcombe" else _miettinen_nurminen_low
    low = one_end(*sample.low, confidence)
    a, m, b, k = sample.high
    # The upper end is the lower end of the second minus the first, turned round.
    high = -one_end(b, k, a, m, confidence)
    return RateDifference(estimate[()], low[()], high[()], float(confidence), method)


def _newcombe_low(
    x1: FloatArray, n1: FloatArray, x2: FloatArray, n2: FloatArray, confidence: float
) -> FloatArray:
    """Lower end of the difference from Wilson's limits."""
    l1 = intervals.interval(x1, n1, confidence=confidence, method="wilson")[0]
    u2 = intervals.interval(x2, n2, confidence=confidence, method="wilson")[1]
    fed = (n1 > 0) & (n2 > 0)
    p1 = x1 / np.where(n1 > 0, n1, 1.0)
    p2 = x2 / np.where(n2 > 0, n2, 1.0)
    combined = p1 - p2 - np.hypot(p1 - l1, u2 - p2)
    # A side that was never fed may have any rate, and does not vary about an estimate.
    return np.where(fed, combined, l1 - u2)


def _miettinen_nurminen_low(
    x1: FloatArray, n1: FloatArray, x2: FloatArray, n2: FloatArray, confidence: float
) -> FloatArray:
    """Lower end of the difference by the score test."""
    from scipy.optimize import elementwise  # asked for seldom; the import costs every start

    z = float(special.ndtri(0.5 * (1.0 + confidence)))
    l1 = intervals.interval(x1, n1, confidence=confidence, method="wilson")[0]
    u2 = intervals.interval(x2, n2, confidence=confidence, method="wilson")[1]
    low = np.asarray(l1 - u2)
    # Effective samples of less than two feeds have no factor N/(N - 1), and prove nothing.
    fed = (n1 > 0) & (n2 > 0) & (n1 + n2 > 1)
    a, m, b, k = x1[fed], n1[fed], x2[fed], n2[fed]
    estimate = a / m - b / k

    def beyond(
        delta: FloatArray, a: FloatArray, m: FloatArray, b: FloatArray, k: FloatArray
    ) -> FloatArray:
        p2 = _constrained(delta, a, m, b, k)
        p1 = np.clip(p2 + delta, 0.0, 1.0)
        variance = (p1 * (1 - p1) / m + p2 * (1 - p2) / k) * (m + k) / (m + k - 1)
        gap = a / m - b / k - delta
        with np.errstate(divide="ignore", invalid="ignore"):
            statistic = gap / np.sqrt(variance)
        # At the ends both rates are 0 or 1 and nothing varies: any gap is beyond every limit.
        none = np.where(gap > 0, np.inf, 0.0)
        return np.where(variance > 0, statistic, none) - z

    start = np.full(estimate.shape, -1.0)
    far = beyond(start, a, m, b, k) > 0
    found = elementwise.find_root(
        beyond,
        (np.where(far, start, estimate), estimate),
        args=(a, m, b, k),
        tolerances={"xrtol": 1e-13, "xatol": 1e-300},
    )
    low[fed] = np.where(far, found.x, -1.0)
    return low


def _constrained(
    delta: FloatArray, a: FloatArray, m: FloatArray, b: FloatArray, k: FloatArray
) -> FloatArray:
    """Second rate of the likeliest pair whose difference is delta.

    The root of the score, which falls from one end of the possible rates to the other; by Newton's
    method, and halving wherever a step would leave the bracket. (The closed form by arc cosine
    keeps no digit of a rate of 10^-8.)
    """
    left, right = np.maximum(0.0, -delta), np.minimum(1.0, 1.0 - delta)
    # Small rates are reached from the pooled one; it is always inside after clipping.
    p = np.clip((a + b) / (m + k), left, right)
    p = np.where((p > left) & (p < right), p, 0.5 * (left + right))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for _ in range(200):
            q = p + delta
            # A count of 0 has no term, not even where its rate is 0.
            up = _over(a, q) + _over(b, p)
            down = _over(m - a, 1 - q) + _over(k - b, 1 - p)
            slope = _over(a, q * q) + _over(b, p * p)
            slope += _over(m - a, (1 - q) ** 2) + _over(k - b, (1 - p) ** 2)
            score = up - down
            left, right = np.where(score > 0, p, left), np.where(score > 0, right, p)
            new = p + score / slope
            # Small rates are halved by ratio, not by difference: the bracket may span many powers.
            middle = np.where(left > 0, np.sqrt(left * right), 0.5 * (left + right))
            inside = np.isfinite(new) & (new > left) & (new < right)
            new = np.where(inside, new, middle)
            if np.all(np.abs(new - p) <= 1e-15 * p):
                break
            p = new
    return p


def _over(number: FloatArray, by: FloatArray) -> FloatArray:
    return np.where(number > 0, number / by, 0.0)
