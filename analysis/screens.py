"""Does a bin stand out from what a good tower would show, or hold more than its share?

A screen asks of each bin by itself whether its count is more than chance would give at the good
rate, with one risk for all bins and both kinds together (Sidak 1967). On so few faults it sees only
bins that are many times worse, and says how many. Faults that gather in one place without reaching
a screen are weighed by the multinomial maximum.

Statistics only: arrays in, arrays out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, betaincinv

from analysis.looks import none_reaches
from analysis.walks import FloatArray

#: Chance with which the printed ratio is seen.
POWER = 0.8


def each_risk(risk: float, number: int) -> float:
    """Return the risk of each of some independent screens that together have a risk."""
    return -float(np.expm1(np.log1p(-risk) / number))


def or_more(count: ArrayLike, feeds: ArrayLike, rate: ArrayLike) -> FloatArray:
    """Return the chance of so many faults or more in so many feeds at a rate; broadcasts."""
    x, n, p = (np.asarray(value, float) for value in (count, feeds, rate))
    inside = betainc(np.clip(x, 1, None), np.clip(n - x, 0, None) + 1, p)
    return np.where(x <= 0, 1.0, np.where(x > n, 0.0, inside))


def failing_counts(feeds: ArrayLike, rate: float, risk: ArrayLike) -> NDArray[np.int64]:
    """Return the least count that a good bin reaches with at most a risk.

    Parameters
    ----------
    feeds : array_like
        Of each bin; with none, the count is 1, which it cannot reach.
    rate : float
        Good rate, faults per feed.
    risk : array_like
        Of each screen, below a half; broadcasts with the feeds.
    """
    n = np.asarray(feeds, float)
    # As many as are expected come too often for any risk below a half.
    counts = np.maximum(np.floor(n * rate), 1).astype(np.int64)
    while np.any(short := or_more(counts, n, rate) > np.asarray(risk)):
        counts += short
    return counts


def seen_ratio(count: ArrayLike, feeds: ArrayLike, rate: float) -> FloatArray:
    """Return how many times the good rate a bin must have to be failed with 80 % chance.

    Infinite where no rate would do, since the bin had fewer feeds than that.
    """
    x, n = np.asarray(count, float), np.asarray(feeds, float)
    with np.errstate(invalid="ignore"):
        needed = betaincinv(x, np.clip(n - x, 0, None) + 1, POWER)
    return np.where(x > n, np.inf, needed / rate)


def crowding(counts: ArrayLike, shares: ArrayLike) -> tuple[int, float]:
    """Say which cell holds most beyond its share, and how likely any would, were it chance.

    Parameters
    ----------
    counts : array_like of int
        Faults in each cell, a bin or a run.
    shares : array_like
        Share of each in the feeds; together 1.

    Returns
    -------
    (int, float)
        Place of that cell, and the exact chance, given the total, that some cell is as far beyond
        its share: that of the multinomial maximum where shares are equal.

    Examples
    --------
    >>> place, chance = crowding([0, 3, 0, 0, 0, 0, 0, 0, 0, 0], [0.1] * 10)
    >>> place, round(chance, 4)
    (1, 0.01)
    """
    x, q = np.asarray(counts, np.int64), np.asarray(shares, float)
    total = int(x.sum())
    tails = or_more(x, total, q)
    place = int(np.argmin(tails))
    if total == 0:
        return place, 1.0
    # Equal shares give equal tails but for the last digit.
    least = float(tails[place]) * (1 + 1e-9)
    limits = failing_counts_at(total, q, least)
    return place, float(1 - none_reaches(total, q, limits)[total])


def failing_counts_at(total: int, shares: FloatArray, tail: float) -> FloatArray:
    """Return the least count of each cell that is reached with at most a chance; broadcasts."""
    counts = np.ones(shares.shape)
    while np.any(short := or_more(counts, total, shares) > tail):
        counts += short
    return counts
