"""How fast does a part wear?

Each *thing* that carries the part (a bin, or a tower) has faults in proportion to what paper, air
and settings led to expect, to a level of its own, and to exp(b age): the same ratio for every
100,000 feeds. The age falls back to 0 when a new part is fitted; the level is one over all lives,
so it is told by what the same bin did with parts of other ages.

**Own evidence.** Given how many faults a thing had in all, its level drops out: faults fall on its
rows in proportion to expected x exp(b age). That conditional likelihood cannot mistake a bin that
is bad at every age for a worn one. Where runs differ by a relative variance v, it is divided by
phi = 1 + v times the sum over runs of (expected x (age - mean age))^2 over the sum of the same
without runs: how much more the slope varies than under Poisson counts, as Rao and Scott (1992) do
for a rate. Runs of a tower share their day, so the ranges of what is common are widened by the phi
of all things together.

**Borrowing.** Most things wear alike and a few wear quite differently: a new kind of brush is one
question for all bins, one worn brush is another. So the slope of a thing is the common one plus a
departure that is small for most (normal, its width estimated) and, for a share of them that is
estimated too, anything (normal, wide: as a typical age's faults 4.5 times, up or down). Such a
mixture draws ordinary things to the common slope and lets go of one that is far off; a normal
distribution alone would draw that one too (Mitchell and Beauchamp 1988). Common slope, width and
share are averaged over a grid, no likeliest values are put in (Carlin and Louis 2000), so ranges
hold what is not known about them. The grid is in units of a typical age, the 90th percentile, and
is closer where some thing's evidence is sharp.

By simulation (tests/slow/wear.py: 60 to 140 faults in each bin, truly 1.05 where it wears, variance
0.09 between runs; 100 fleets, of few bins 200) the ranges held the truth so often, in percent, and
were so wide, high over low for 100,000 feeds (a good bin by itself: 1.059):

=================== ================  ===============  ======  =================  =================
bins (worn of them) worn              good             common  age at twice new   at twice expected
=================== ================  ===============  ======  =================  =================
30 (1)              94 (1.046)        100 (1.037)      99      86                 91
30 (3)              95 (1.047)        99 (1.038)       98      87                 88
30 (30)             99 (1.026)        -                97      99                 91
30 (0)              -                 100 (1.036)      98      -                  -
3 (1)               94 (1.046)        92 (1.057)       98      90                 90
2 (1)               94 (1.046)        93 (1.059)       100     85                 86
1 (1)               97 (1.044)        -                100     92                 90
=================== ================  ===============  ======  =================  =================

Forecasts (`analysis.wear_forecasts`), in the last two columns, have 90 % ranges. With variance 0.4
a worn one among thirty was held in 92 %.

When not to use it: where age and time rise together everywhere, since a slope on age is then as
well one on time (`analysis.trend_tests.own_variance` says how far); and for what changed at once
(`analysis.wear_shape`).

References
----------
Rao JNK, Scott AJ (1992). A simple method for the analysis of clustered binary data. Biometrics
48:577-585.
Mitchell TJ, Beauchamp JJ (1988). Bayesian variable selection in linear regression. Journal of the
American Statistical Association 83:1023-1032.
Carlin BP, Louis TA (2000). Bayes and Empirical Bayes Methods for Data Analysis. Chapman and Hall,
second edition.
Andersen EB (1970). Asymptotic properties of conditional maximum-likelihood estimators. Journal of
the Royal Statistical Society B 32:283-301.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.wear_evidence import Evidence, checked_rows, typical_age
from analysis.words import many, two_digits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Slopes are given as rate ratios for every so many feeds of age.
PER = 100_000.0

# In units of a typical age: a slope of 1 is 2.7 times the faults at that age.

#: What the common slope may be beforehand: normal with mean 0 and this standard deviation.
_COMMON = 1.5
#: Standard deviations of small departures that are looked at, each as likely beforehand.
_WIDTHS = (0.0, 0.05, 0.1, 0.2, 0.4)
#: Standard deviation of the departures of those that are unlike the others.
_UNLIKE = 1.5
#: Shares of things that are unlike the others, each as likely beforehand. Fewer are not looked at:
#: by simulation, with shares of 0.05 to 0.35 ranges let slip one worn brush among thirty in 13 %,
#: with 0.15 to 0.6 in 7 to 10 %, with these in 6 %.
_SHARES = (0.35, 0.6)


@dataclass(frozen=True)
class Slopes:
    """How fast each thing wears.

    Attributes
    ----------
    ratio, low, high : float array, one per thing
        Rate ratio for every `per` of age; middle of what is likely, and its range.
    pooled, pooled_low, pooled_high : float
        The same of an ordinary thing: the common slope.
    departs : float array, one per thing
        Chance that it wears unlike the others; small where there are too few to say.
    feeds, count, expected : float array, one per thing
        Evidence: rows of known age only. Feeds are NaN where none were given.
    dispersion : float array, one per thing
        How much more the slope varies, since runs differ, than if faults fell singly.
    confidence : float
        Of the ranges.
    per : float
        Feeds that ratios are for.
    grid : float array, one per point
        For `analysis.wear_forecasts`: slopes, for every feed.
    weight, exposure : float array, things x points
        How likely each slope is for each thing, and the faults to be expected with it at a level
        of 1, as the level knows them.
    level_count : float array, one per thing
        Faults, as the level knows them.
    level_mean, between : float
        Mean of a level beforehand, and its squared coefficient of variation.
    """

    ratio: FloatArray
    low: FloatArray
    high: FloatArray
    pooled: float
    pooled_low: float
    pooled_high: float
    departs: FloatArray
    feeds: FloatArray
    count: FloatArray
    expected: FloatArray
    dispersion: FloatArray
    confidence: float
    per: float
    grid: FloatArray = field(repr=False)
    weight: FloatArray = field(repr=False)
    exposure: FloatArray = field(repr=False)
    level_count: FloatArray = field(repr=False)
    level_mean: float = field(repr=False)
    between: float = field(repr=False)

    def sentence(self, thing: int) -> str:
        """Say how fast one thing wears."""
        ratio, low, high = self.ratio[thing], self.low[thing], self.high[thing]
        said = f"{_ratio(ratio)} times ({_ratio(low)} to {_ratio(high)})"
        if low > 1:
            how = "Its faults rise with age"
        elif high < 1:
            how = "Its faults fall with age"
        else:
            how = "That its faults rise with age is not shown"
        text = f"{how}: {said} for every {self.per:,.0f} feeds"
        return f"{text}, by {many(round(self.count[thing]), 'fault')} at known ages."


def slopes(
    faults: ArrayLike,
    expected: ArrayLike,
    age: ArrayLike,
    thing: ArrayLike,
    things: int,
    *,
    feeds: ArrayLike | None = None,
    run: ArrayLike | None = None,
    variance: ArrayLike = 0.0,
    between: float = 0.04,
    confidence: float = 0.95,
    per: float = PER,
) -> Slopes:
    """How fast does each thing wear, drawn to the others as far as they are alike?

    Parameters
    ----------
    faults, expected : array_like, one per row
        Faults, and those to be expected of an ordinary thing, its level and its age left out.
    age : array_like, one per row
        Since the part was fitted, in feeds (or any other unit; then give `per` in it). Rows where
        it is NaN are left out.
    thing : array_like of int, one per row
        Which thing the row is of, from 0.
    things : int
        How many there are. One without rows takes its slope from the others.
    feeds : array_like, one per row, optional
        For the account of evidence.
    run : array_like of int, one per row, optional
        Run of each row, no number for two runs; each row by itself where absent.
    variance : float or array_like, one per thing
        Between runs, relative, as of `analysis.spread`; 0 for Poisson counts.
    between : float
        Squared coefficient of variation of the level between things; for forecasts of rates.
    confidence : float
        Of the ranges.
    per : float
        Feeds that ratios are to be for.

    Returns
    -------
    Slopes

    Raises
    ------
    ValueError
        For lengths that differ, numbers that are negative or missing, faults where none are
        expected, things that are not numbered from 0, or a setting that cannot be.

    Examples
    --------
    Two invented bins with 100 faults each; those of the second came late:

    >>> age = [100_000, 400_000, 700_000, 1_000_000] * 2
    >>> found = slopes([25, 25, 25, 25, 10, 15, 25, 50], [25] * 8, age, [0] * 4 + [1] * 4, 2)
    >>> found.ratio.round(2)
    array([1.01, 1.2 ])
    >>> print(found.sentence(1))
    Its faults rise with age: 1.2 times (1.1 to 1.3) for every 100,000 feeds, by 100 faults at \
known ages.
    """
    rows = checked_rows(faults, expected, age, thing, things, feeds, run)
    v = np.broadcast_to(np.asarray(variance, dtype=np.float64), (things,))
    _check_settings(v, between, confidence, per)
    scale = typical_age(rows)
    z = Evidence(rows, scale, v, between)
    grid = z.grid()
    exposure = z.exposure(grid)
    own = z.own(grid, exposure)
    posterior = _posterior(grid, own, float(z.widening))
    tail = 0.5 * (1.0 - confidence)
    quantiles = np.array([0.5, tail, 1.0 - tail])
    each = _times(
        per / scale * np.array([_quantiles(grid, p, quantiles) for p in posterior.weight])
    )
    common = _times(per / scale * _quantiles(grid, posterior.common, quantiles))
    middle = float(_quantiles(grid, posterior.common, np.array([0.5]))[0])
    at_middle = z.exposure(np.array([middle]))[:, 0]
    total = float(at_middle.sum())
    return Slopes(
        ratio=each[:, 0],
        low=each[:, 1],
        high=each[:, 2],
        pooled=float(common[0]),
        pooled_low=float(common[1]),
        pooled_high=float(common[2]),
        departs=posterior.departs,
        feeds=z.total(rows.feeds),
        count=z.count,
        expected=z.total(rows.expected),
        dispersion=z.dispersion,
        confidence=confidence,
        per=per,
        grid=grid / scale,
        weight=posterior.weight,
        exposure=exposure / z.level_dispersion[:, None],
        level_count=z.count / z.level_dispersion,
        level_mean=float(z.count.sum()) / total if z.count.sum() > 0 and total > 0 else 1.0,
        between=between,
    )


class _Posterior(NamedTuple):
    """How likely each slope of the grid is: of each thing, and of the common one."""

    weight: FloatArray
    common: FloatArray
    departs: FloatArray


def _posterior(grid: FloatArray, own: FloatArray, widening: float) -> _Posterior:
    """Average over common slope, width of small departures and share of large ones."""
    length = np.gradient(grid)
    distance = grid[None, :] - grid[:, None]
    unlike = _kernel(distance, _UNLIKE, length)
    likelihood = np.exp(own)
    far = likelihood @ unlike.T
    before = -0.5 * (grid / _COMMON) ** 2 + np.log(length)
    kernels = [_kernel(distance, width, length) for width in _WIDTHS]
    near = [likelihood @ kernel.T for kernel in kernels]
    log = np.empty((len(_WIDTHS), len(_SHARES), grid.size))
    for w, n in enumerate(near):
        for s, share in enumerate(_SHARES):
            mixed = np.log(np.maximum((1 - share) * n + share * far, 1e-300))
            log[w, s] = before + mixed.sum(axis=0) / widening
    chance = np.exp(log - log.max())
    chance /= chance.sum()
    weight = np.zeros(own.shape)
    departs = np.zeros(own.shape[0])
    for w, (n, kernel) in enumerate(zip(near, kernels, strict=True)):
        for s, share in enumerate(_SHARES):
            mixed = np.maximum((1 - share) * n + share * far, 1e-300)
            each = chance[w, s] / mixed
            weight += likelihood * ((1 - share) * (each @ kernel) + share * (each @ unlike))
            departs += (each * share * far).sum(axis=1)
    weight /= weight.sum(axis=1, keepdims=True)
    return _Posterior(weight, chance.sum(axis=(0, 1)), np.clip(departs, 0.0, 1.0))


def _kernel(distance: FloatArray, width: float, length: FloatArray) -> FloatArray:
    """Return how a slope is spread about each common one; each row adds up to 1."""
    if width == 0:
        return np.eye(length.size)
    value = np.exp(-0.5 * (distance / width) ** 2) * length
    return np.asarray(value / value.sum(axis=1, keepdims=True))


def _quantiles(grid: FloatArray, weight: FloatArray, shares: FloatArray) -> FloatArray:
    """Return slopes below which the shares of the weight lie."""
    edges = np.concatenate([grid[:1], 0.5 * (grid[1:] + grid[:-1]), grid[-1:]])
    reached = np.concatenate([[0.0], np.cumsum(weight)])
    return np.asarray(np.interp(shares, reached / reached[-1], edges))


def _check_settings(variance: FloatArray, between: float, confidence: float, per: float) -> None:
    """Raise ValueError for what cannot be."""
    if not np.all((variance >= 0) & np.isfinite(variance)):
        raise ValueError("variance between runs must be 0 or more")
    if not 0 < between < math.inf:
        raise ValueError(f"between must be above 0, not {between:g}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, not {confidence:g}")
    if not 0 < per < math.inf:
        raise ValueError(f"per must be above 0, not {per:g}")


def _times(log_ratio: FloatArray) -> FloatArray:
    """Return ratios; where the oldest part is younger than `per` they may be beyond any number."""
    with np.errstate(over="ignore"):
        return np.asarray(np.exp(log_ratio))


def _ratio(value: float) -> str:
    """Write a ratio near to 1 with the digits that tell it from 1."""
    if 0.9 < value < 1.1:
        return f"{value:.3f}"
    if value > 1000:
        return "over 1,000"
    return two_digits(value) if value > 0.001 else "below 0.001"
