"""At which rate lies so much beta probability beyond it?

Where faults are rare the inverse that scipy has keeps few digits, and a million pairs of counts and
feeds take long. The limits of `analysis.intervals` rest on this one instead.

References
----------
Wise ME (1950). The incomplete beta function as a contour integral and a quickly converging series
for its inverse. Biometrika 37:208-218.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# scipy.special alone: importing scipy.stats costs nearly a second at every start.
from scipy import special

FloatArray = NDArray[np.float64]

# Below this many pairs sorting them to find equal ones costs more than it saves.
_WORTH_SORTING = 32
# Whole counts below this share one quantile each; larger ones seldom recur.
_TABLE = 65_536

# Wise's series, by the largest of count, gamma quantile and 1 over its size (about the feeds): what
# two terms leave out is 2e-3 of that to the sixth power. Up to 1/128 that is less than rounding; up
# to 2 it starts Newton's method within a few hundredths of the root.
_RARE = 1 / 128
_START = 2

# From this count on, with as many faults as good feeds, no lower limit is below 1/100, even at the
# highest confidence that differs from 1.
_MANY = 10

# In scipy 1.17 betaincc takes 5 to 20 times as long as betainc. From this tail on the difference
# of betainc from 1 will do: the rate keeps 13 digits and more (mpmath).
_NOT_SMALL = 1e-3

# Newton's method on logarithms: the relative error of the rate at which it ends, and the most steps
# that it takes.
_NO_MORE = 1e-15
_MOST_STEPS = 100


def distinct(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Distinct pairs and the way back: logs repeat the same few pairs of count and feeds."""
    if a.size < _WORTH_SORTING:
        return a, b, np.arange(a.size)
    # One complex number per pair sorts far faster than np.unique over rows.
    pairs, back = np.unique(b + 1j * a, return_inverse=True)
    return pairs.imag, pairs.real, back


def beta_quantile(a: FloatArray, b: FloatArray, tail: float, *, upper: bool) -> FloatArray:
    """Rate with beta probability `tail` above it (upper) or below it.

    Where faults are rare the beta quantile is the gamma quantile of `a` alone, stretched by a short
    series in faults per feed. Counts recur where pairs of counts and feeds do not, so one gamma
    quantile for each distinct count serves a million pairs. That takes a fifth of the time of a
    beta quantile per pair, and keeps 14 digits where the inverse of scipy 1.17 keeps from eight
    (10 faults in 10^9 feeds) to none (1000 faults in 10^9 feeds).
    """
    p = np.empty_like(a)
    # Where faults are the rule, the rate of what is not a fault, from the other side. Not at a few
    # counts: their lower limit can be so small that it would cancel against 1.
    mirrored = a > np.maximum(b, _MANY)
    if np.any(mirrored):
        kept = ~mirrored
        p[kept] = beta_quantile(a[kept], b[kept], tail, upper=upper)
        p[mirrored] = 1 - beta_quantile(b[mirrored], a[mirrored], tail, upper=not upper)
        return p
    size = b + 0.5 * (a - 1)
    q = np.full_like(a, np.inf)
    few = a <= _START * size
    q[few] = _gamma_quantile(a[few], tail, upper=upper)
    largest = np.maximum(np.maximum(a, q), 1)
    near = largest <= _START * size
    p[near] = _wise(a[near], q[near], size[near])
    p[~near] = (special.betainccinv if upper else special.betaincinv)(a[~near], b[~near], tail)
    rest = np.flatnonzero(largest > _RARE * size)
    some_a, some_b, back = distinct(a[rest], b[rest])
    start = np.empty_like(some_a)
    start[back] = p[rest]
    p[rest] = _newton(some_a, some_b, start, tail, upper=upper)[back]
    return p


def _gamma_quantile(a: FloatArray, tail: float, *, upper: bool) -> FloatArray:
    """Gamma quantile, worked out once for each of the smaller counts, which recur."""
    inverse = special.gammainccinv if upper else special.gammaincinv
    whole = np.minimum(a, _TABLE).astype(np.int64)
    listed = (whole < _TABLE) & (whole == a)
    # A table instead of sorting, which would take as long as the quantiles themselves.
    seen = np.flatnonzero(np.bincount(whole[listed]))
    table = np.zeros(_TABLE)
    table[seen] = inverse(seen.astype(np.float64), tail)
    q = np.empty_like(a)
    q[listed] = table[whole[listed]]
    q[~listed] = inverse(a[~listed], tail)
    return q


def _wise(a: FloatArray, q: FloatArray, size: FloatArray) -> FloatArray:
    """Beta quantile from the gamma quantile `q` (Wise 1950), with `size` = b + (a - 1) / 2.

    With p = 1 - exp(-u) the beta density is a gamma density of `size` * u times
    (sinh(u/2) / (u/2))^(a - 1), which for rare faults is close to 1. The series solves that for u
    in powers of 1 / size^2. It is exact at a = 1. Both terms were derived anew, in fractions.
    """
    e, c, g = 1 / size, (a - 1) / size, q / size
    first = c + g + 2 * e
    second = (
        c * (c * (23 * c + 33 * g + 92 * e) + 18 * g * g + 66 * g * e + 68 * e * e)
        - 2 * g * (g * (g + 4 * e) + 12 * e * e)
        - 48 * e * e * e
    )
    return np.asarray(-np.expm1(-g * (1 + c * (first / 24 + second / 5760))))


def _newton(a: FloatArray, b: FloatArray, p: FloatArray, tail: float, *, upper: bool) -> FloatArray:
    """Improve `p` to the rate with beta probability `tail` above it (upper) or below it.

    Newton's method, with Halley's correction, on logarithms of rate and probability: the curve is
    concave there, so that any start leads to the root.
    """
    p = p.copy()
    open_ = np.flatnonzero((p > 0) & (p < 1))
    for _ in range(_MOST_STEPS):
        if not open_.size:
            break
        at, a_, b_ = p[open_], a[open_], b[open_]
        with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
            value = _probability(a_, b_, at, tail, upper=upper)
            slope = np.exp(a_ * np.log(at) + special.xlog1py(b_ - 1, -at) - special.betaln(a_, b_))
            gap = np.log(value / tail)
            step = gap * value / (-slope if upper else slope)
            # Halley's correction saves most second rounds: the bend costs nothing beside the value.
            bend = a_ - (b_ - 1) * at / (1 - at) - gap / step
            step /= 1 - np.clip(0.5 * step * bend, -0.5, 0.5)
            # From the flat side a step goes too far; a bounded one comes nearer all the same.
            new = at * np.exp(-np.clip(step, -0.5, 0.5))
        # Next to a rate of 0 or 1 there is no slope to follow, and the start is right as it is; nor
        # is there a step to divide by where it is the root already.
        usable = (new > 0) & (new < 1)
        p[open_[usable]] = new[usable]
        # About the relative error after a step of third order, gap over step being the slope.
        open_ = open_[usable & (np.abs(step * gap * gap) > _NO_MORE)]
    return p


def _probability(
    a: FloatArray, b: FloatArray, p: FloatArray, tail: float, *, upper: bool
) -> FloatArray:
    """Beta probability above (upper) or below `p`, where it is to be compared with `tail`."""
    if not upper:
        return np.asarray(special.betainc(a, b, p), dtype=np.float64)
    if tail < _NOT_SMALL:
        return np.asarray(special.betaincc(a, b, p), dtype=np.float64)
    return np.asarray(1 - special.betainc(a, b, p), dtype=np.float64)
