"""Do faults come closer together as a part ages, and can age be told from time at all?

Simple checks beside the slopes of `analysis.wear`: `laplace_counts` asks whether the faults of
runs, beside what was expected of them, drift to the greater ages; `own_variance` says how far age
can be told from time at all.

References
----------
Cox DR, Lewis PAW (1966). The Statistical Analysis of Series of Events. Methuen. (Laplace's test.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

# No scipy.stats: importing it costs nearly a second at every start.
from scipy import special

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Rows that are looked at in one pass by `own_variance`.
_AT_ONCE = 20_000


class Trend(NamedTuple):
    """A test for a trend.

    Attributes
    ----------
    statistic : float
        Standard normal without a trend, above 0 where faults come closer together.
    p : float
        Two-sided p-value.
    """

    statistic: float
    p: float


def laplace_counts(
    faults: ArrayLike,
    expected: ArrayLike,
    age: ArrayLike,
    thing: ArrayLike | None = None,
    *,
    dispersion: float = 1.0,
) -> Trend:
    """Do faults become more, against what was expected, as a part ages?

    Parameters
    ----------
    faults, expected, age : array_like, one per row
        Age in feeds or any other unit. Rows of unknown age (NaN) are left out.
    thing : array_like of int, optional
        Which bin or tower each row is of, from 0: each has a level of its own.
    dispersion : float
        How much more the sum varies, since runs differ, than if faults fell singly; see
        `analysis.wear.Slopes.dispersion`.

    Returns
    -------
    Trend
        Statistic 0 where ages or faults are none or do not differ.

    Raises
    ------
    ValueError
        For lengths that differ.

    Notes
    -----
    Given how many faults a thing had, they fall on its rows as the expected ones do; the statistic
    is the sum of their ages less its mean, over its standard deviation. It is Laplace's test where
    the same is expected at every age (Cox and Lewis 1966).

    Examples
    --------
    One invented bin, whose faults came late:

    >>> round(laplace_counts([1, 2, 3, 6], [3, 3, 3, 3], [1, 2, 3, 4]).statistic, 2)
    2.07
    """
    x, m, a = (np.asarray(values, dtype=np.float64) for values in (faults, expected, age))
    k = np.zeros(x.shape, dtype=np.int64) if thing is None else np.asarray(thing, dtype=np.int64)
    if not x.shape == m.shape == a.shape == k.shape:
        raise ValueError("faults, expected, age and thing must be of one length")
    some = ~np.isnan(a) & (m > 0)
    x, m, a, k = x[some], m[some], a[some], k[some]
    count, mass = np.bincount(k, weights=x), np.bincount(k, weights=m)
    mass = np.where(mass > 0, mass, 1.0)
    off = a - (np.bincount(k, weights=m * a) / mass)[k]
    variance = float((count * np.bincount(k, weights=m * off**2) / mass).sum()) * dispersion
    z = float(x @ off) / math.sqrt(variance) if variance > 0 else 0.0
    return Trend(z, 2.0 * float(special.ndtr(-abs(z))))


def own_variance(
    age: ArrayLike,
    month: ArrayLike,
    thing: ArrayLike,
    air: ArrayLike | None = None,
    weights: ArrayLike | None = None,
) -> float:
    """How much of the differences in age is its own, and not that of month, thing or air?

    Below 0.1 wear and time cannot be told apart.

    Parameters
    ----------
    age : array_like, one per row
        Rows of unknown age (NaN) are left out.
    month, thing : array_like of int, one per row
        Numbers of the calendar month and of the bin or tower.
    air : array_like, rows or rows by columns, optional
        Humidity, temperature; NaN where nobody looked, which then counts as a level of its own.
    weights : array_like, one per row, optional
        Expected faults: how much each row says.

    Returns
    -------
    float
        From 0 to 1: variance of age left after month, thing and air, over its variance; NaN where
        no age is known or all are the same.

    Examples
    --------
    One bin whose part grows old month by month; two bins whose parts were fitted at other times:

    >>> own_variance([1, 2, 3, 4], [0, 1, 2, 3], [0, 0, 0, 0])
    0.0
    >>> round(own_variance([1, 2, 3, 4, 3, 4, 1, 2], [0, 1, 2, 3] * 2, [0] * 4 + [1] * 4), 2)
    0.8
    """
    a = np.asarray(age, dtype=np.float64)
    w = np.ones(a.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    some = np.flatnonzero(~np.isnan(a) & (w > 0))
    a, w = a[some], w[some]
    columns = [np.unique(np.asarray(one)[some], return_inverse=True)[1] for one in (month, thing)]
    numbers = np.zeros((a.size, 0))
    if air is not None:
        read = np.asarray(air, dtype=np.float64)
        numbers = _centred((read[:, None] if read.ndim == 1 else read)[some], w)
    if not a.size:
        return math.nan
    off = a - (w @ a) / w.sum()
    whole = float(w @ off**2)
    if whole <= 1e-20 * float(w @ a**2):
        return math.nan
    off /= math.sqrt(whole / w.sum())
    left = float(_left(off, [c.astype(np.int64) for c in columns], numbers, w)) / w.sum()
    return float(np.clip(left, 0.0, 1.0)) if left > 1e-9 else 0.0


def _left(
    value: FloatArray, levels: Sequence[IntArray], numbers: FloatArray, weights: FloatArray
) -> float:
    """Return the weighted sum of squares left after least squares on levels and numbers."""
    widths = [int(one.max()) + 1 for one in levels]
    size = sum(widths) + numbers.shape[1]
    gram, right = np.zeros((size, size)), np.zeros(size)
    for begin in range(0, value.size, _AT_ONCE):
        part = slice(begin, begin + _AT_ONCE)
        design = np.zeros((value[part].size, size))
        start = 0
        for one, width in zip(levels, widths, strict=True):
            design[np.arange(design.shape[0]), start + one[part]] = 1.0
            start += width
        design[:, start:] = numbers[part]
        weighed = design * weights[part, None]
        gram += design.T @ weighed
        right += weighed.T @ value[part]
    fitted = np.linalg.lstsq(gram, right, rcond=1e-10)[0]
    return float(weights @ value**2 - right @ fitted)


def _centred(air: FloatArray, weights: FloatArray) -> FloatArray:
    """Return columns of air in units of their spread, and whether each is unknown."""
    out = []
    for column in air.T:
        known = ~np.isnan(column)
        w = weights * known
        if not w.sum() > 0:
            continue
        off = np.where(known, column - (w @ np.where(known, column, 0.0)) / w.sum(), 0.0)
        spread = math.sqrt(float(w @ off**2) / w.sum())
        out.append(off / spread if spread > 0 else off)
        out.append((~known).astype(np.float64))
    return np.array(out).T.reshape(air.shape[0], len(out))
