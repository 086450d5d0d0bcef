"""At what age are a part's faults too many, and how many has it at an age?

Forecasts from the slopes of `analysis.wear`: what is not known of a thing's slope, and for a limit
that is a rate also of its level, is averaged over, so that their ranges hold it. How often the
ranges held the truth stands in the table of `analysis.wear`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

# No scipy.stats: importing it costs nearly a second at every start.
from scipy import special

from analysis.wear import Slopes
from analysis.wear_evidence import LARGEST

FloatArray = NDArray[np.float64]

#: Confidence of forecasts: of the age at which a limit is passed and of the rate at an age.
FORECAST = 0.90

#: Share of things whose level may be anything (gamma with shape 1), and how many points of a
#: distribution of levels are looked at.
_ODD_LEVEL = 0.1
_LEVEL_POINTS = 41


@dataclass(frozen=True)
class Range:
    """A forecast with its range; an age that is infinite is never reached.

    Attributes
    ----------
    best, low, high : float
        Middle of what is likely, and the ends of its range.
    """

    best: float
    low: float
    high: float


def limit_age(
    found: Slopes,
    thing: int,
    *,
    times: float | None = None,
    rate_over_expected: float | None = None,
    confidence: float = FORECAST,
) -> Range:
    """At what age does the thing have too many faults?

    The age is of the part, whichever it is: for one that was taken out it is the age at which its
    limit was passed.

    Parameters
    ----------
    found : Slopes
        As `slopes` gave them.
    thing : int
        Which thing, from 0.
    times : float, optional
        The limit is so many times the faults that the thing has with a new part; above 1.
    rate_over_expected : float, optional
        The limit is so many times the faults to be expected of an ordinary thing; above 0. What is
        not known of the thing's own level counts too. Give one of the two.
    confidence : float
        Of the range; 90 %.

    Returns
    -------
    Range
        In feeds (or whatever unit ages had); infinite for *never*, 0 where the limit is passed with
        a new part.

    Raises
    ------
    ValueError
        Unless one limit is given and can be, and confidence lies between 0 and 1.
    """
    if (times is None) == (rate_over_expected is None):
        raise ValueError("give one limit: either times or rate_over_expected")
    slope = found.grid
    weight = found.weight[thing]
    if times is not None:
        if not 1 < times < math.inf:
            raise ValueError(f"times must be above 1, not {times:g}")
        return _range(_age_at(math.log(times), slope), weight, confidence)
    assert rate_over_expected is not None
    if not 0 < rate_over_expected < math.inf:
        raise ValueError(f"rate_over_expected must be above 0, not {rate_over_expected:g}")
    level, share = _levels(found, thing)
    ages = _age_at(math.log(rate_over_expected) - np.log(level), slope[:, None])
    return _range(ages.ravel(), (weight[:, None] * share).ravel(), confidence)


def rate_now(found: Slopes, thing: int, age: float, *, confidence: float = FORECAST) -> Range:
    """How many times the faults of an ordinary thing does this one have at an age?

    Parameters
    ----------
    found : Slopes
        As `slopes` gave them.
    thing : int
        Which thing, from 0.
    age : float
        Of its part, in the unit of the ages; 0 or more.
    confidence : float
        Of the range; 90 %.

    Returns
    -------
    Range
        Multiple of what is to be expected of an ordinary thing.

    Raises
    ------
    ValueError
        For an age that is negative or no number, or a confidence outside 0 to 1.
    """
    if not 0 <= age < math.inf:
        raise ValueError(f"age must be 0 or more, not {age:g}")
    level, share = _levels(found, thing)
    rate = level * np.exp(np.minimum(found.grid * age, LARGEST))[:, None]
    return _range(rate.ravel(), (found.weight[thing][:, None] * share).ravel(), confidence)


def _levels(found: Slopes, thing: int) -> tuple[FloatArray, FloatArray]:
    """Return levels that the thing may have at each slope, and how likely each is there.

    Beforehand the level is a gamma distribution about that of all things, for one of ten things a
    wide one; faults at the slope make each another gamma distribution (conjugate).
    """
    count, exposure = found.level_count[thing], found.exposure[thing]
    points = (np.arange(_LEVEL_POINTS) + 0.5) / _LEVEL_POINTS
    levels, shares = [], []
    for shape, chance in ((1 / found.between, 1 - _ODD_LEVEL), (1.0, _ODD_LEVEL)):
        rate = shape / found.level_mean
        after, total = shape + count, rate + exposure
        levels.append(special.gammaincinv(after, points)[None, :] / total[:, None])
        fits = (
            math.log(chance) + shape * math.log(rate) - math.lgamma(shape) + math.lgamma(after)
        ) - after * np.log(total)
        shares.append(fits)
    fit = np.stack(shares, axis=1)
    fit = np.exp(fit - fit.max(axis=1, keepdims=True))
    fit /= fit.sum(axis=1, keepdims=True)
    share = np.repeat(fit / _LEVEL_POINTS, _LEVEL_POINTS, axis=1)
    return np.concatenate(levels, axis=1), share


def _age_at(log_ratio: ArrayLike, slope: FloatArray) -> FloatArray:
    """Return the age at which a rate has grown by a ratio; 0 where it has, infinite for never."""
    log = np.asarray(log_ratio, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        age = np.where(slope > 0, log / slope, np.inf)
    return np.where(log <= 0, 0.0, age)


def _range(values: FloatArray, weight: FloatArray, confidence: float) -> Range:
    """Return the middle and the range of values that are so likely."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, not {confidence:g}")
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order])
    middle = (reached - 0.5 * weight[order]) / reached[-1]
    tail = 0.5 * (1.0 - confidence)
    ends = []
    for share in (0.5, tail, 1.0 - tail):
        place = min(int(np.searchsorted(middle, share)), order.size - 1)
        high = float(values[order[place]])
        low = float(values[order[max(place - 1, 0)]])
        if place == 0 or math.isinf(high):
            ends.append(high)
            continue
        step = middle[place] - middle[place - 1]
        part = (share - middle[place - 1]) / step if step > 0 else 1.0
        ends.append(low + min(max(part, 0.0), 1.0) * (high - low))
    return Range(*ends)
