"""How many feeds does it take to settle a comparison?

Feeds are planned for the larger of two needs: a chance of 80 % of *as good* (or *better*) if the
true ratio is 1, and of *worse* if it is 2 (`analysis.verdicts` says what these are). Counts being
whole, the chance of a verdict rises with the feeds in the manner of a saw, and it is its middle
that is meant: the mean of the chances just before and just after a tooth. Against a known standard
that takes 41.9 and 11.8 expected faults; for 80 % at every tooth from there on, 43.2 and 12.4, and
the first tooth to reach 80 % does so at 40.2 and 11.3.

Against a burn-in, its true rate is as uncertain as its faults leave it (gamma with shape x + 1/2,
Jeffreys' prior), and production may have that rate or twice that. A burn-in with too few faults
then leaves the verdict open however long production runs: of 53 faults and 16 on, respectively, 80
% can be reached. (Planned before the burn-in is run, so that its count is uncertain as well, that
is 58 and 13 expected faults at the first whole number that reaches 80 %.)
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analysis import intervals, ratios
from analysis.searches import first_whole

FloatArray = NDArray[np.float64]

#: Ratio below which a higher rate still is as good, where no other is asked for.
MARGIN = 1.5

# The chance of a verdict that feeds are planned for, and the ratio at which *worse* must show.
_CHANCE = 0.8
_TWICE = 2.0

# Faults beyond which more of them settle nothing: no tower sees so many.
_MOST_FAULTS = 1e7

# Sections that are looked at together, and how often: as close as 48 halvings.
_SECTIONS, _ROUNDS = 16, 12


def feeds_to_settle(
    count: ArrayLike,
    feeds: ArrayLike,
    benchmark_count: ArrayLike,
    benchmark_feeds: ArrayLike,
    benchmark_rate: ArrayLike = np.nan,
    *,
    relative_variance: ArrayLike = 0.0,
    benchmark_relative_variance: ArrayLike = 0.0,
    margin: float = MARGIN,
    confidence: float = 0.95,
) -> tuple[FloatArray, FloatArray]:
    """How many feeds does it take to settle a comparison, and how many more than there are?

    Parameters
    ----------
    count, feeds : array_like
        Faults and feeds so far; 0 and 0 where a period is to be planned. One-dimensional.
    benchmark_count, benchmark_feeds : array_like
        Of the burn-in or settled period; not looked at where there is a standard.
    benchmark_rate : array_like
        The standard, in faults per feed; NaN where the benchmark is a count in feeds.
    relative_variance, benchmark_relative_variance, margin, confidence
        As in `analysis.verdicts.compare`.

    Returns
    -------
    planned, more : float arrays
        Feeds of a whole period, and those still needed; NaN where no number can settle it.

    Raises
    ------
    ValueError
        Where the margin is not above 1, or the confidence not between 0 and 1.

    Notes
    -----
    The module says what is planned for. Still needed are the planned feeds less
    those there are. Where they are in and the verdict is open all the same (one time in five, or
    because the ratio lies between 1 and 2), it is the number from which on the chance is 80 % with
    the faults counted so far, for *as good* if the ratio is 1 from here on and for *worse* if it is
    2 from here on. Clusters multiply feeds by the dispersion of the period so far, and make the
    burn-in hold fewer faults.

    Examples
    --------
    Against a standard of 3 misses per 100,000 feeds, with 200,000 feeds in:

    >>> planned, more = feeds_to_settle([6], [200_000], [0], [0], [3e-5])
    >>> round(planned.item(), -4), round(more.item(), -4)
    (1400000.0, 1200000.0)
    """
    check_margin(margin)
    x1, n1, x2, n2, rate, r1, r2 = (
        np.atleast_1d(np.asarray(number, dtype=np.float64))
        for number in np.broadcast_arrays(
            count,
            feeds,
            benchmark_count,
            benchmark_feeds,
            benchmark_rate,
            relative_variance,
            benchmark_relative_variance,
        )
    )
    known = ~np.isnan(rate)
    tail = 0.5 * (1.0 - confidence)
    # A standard is a burn-in without end: only the faults over its rate count.
    sample = ratios.effective_samples(
        x1,
        n1,
        np.where(known, 0.0, x2),
        np.where(known, 0.0, n2),
        relative_variance=r1,
        other_relative_variance=r2,
    )
    settled = np.ones(x1.size, dtype=np.bool_)
    planned, more = np.zeros(x1.size), np.full(x1.size, -np.inf)
    # *As good* is a matter of the upper end of the ratio, *worse* one of the lower.
    for (a, m, held, fed), chance_of, limit in (
        (sample.high, _as_good, _as_good_at_last),
        (sample.low, _worse, _worse_at_last),
    ):
        # Exposure is counted in expected faults of a standard, or in the burn-in's own feeds.
        with np.errstate(divide="ignore", invalid="ignore"):
            unit = np.where(known, 1.0 / rate, fed)
            so_far = np.where(unit > 0, m / unit, 0.0)
        phi = np.where(m > 0, n1 / np.where(m > 0, m, 1.0), 1.0)
        settled &= known | (limit(held, margin, tail) >= _CHANCE)
        rows = np.flatnonzero(settled)
        scale, nothing = (phi * unit)[rows], np.zeros(rows.size)
        whole = scale * chance_of(nothing, nothing, held[rows], known[rows], margin, tail)
        planned[rows] = np.maximum(planned[rows], whole)
        from_here = chance_of(a[rows], so_far[rows], held[rows], known[rows], margin, tail)
        more[rows] = np.maximum(more[rows], scale * (from_here - so_far[rows]))
    planned[~settled] = np.nan
    missing = planned - n1
    return planned, np.where(missing <= 0, more, missing)


def expected_to_settle(*, margin: float = MARGIN, confidence: float = 0.95) -> tuple[float, float]:
    """How many faults must a known standard let expect for *as good*, and for *worse*?

    Parameters
    ----------
    margin, confidence
        As in `analysis.verdicts.compare`.

    Returns
    -------
    as_good, worse : float
        Faults expected at the standard: with *as good* if the ratio is 1 and with *worse* if it is
        2 the chance is 80 %.

    Examples
    --------
    >>> as_good, worse = expected_to_settle()
    >>> round(as_good, 1), round(worse, 1)
    (41.9, 11.8)
    """
    check_margin(margin)
    zero, known, tail = np.zeros(1), np.ones(1, dtype=np.bool_), 0.5 * (1.0 - confidence)
    return (
        float(_as_good(zero, zero, zero, known, margin, tail)[0]),
        float(_worse(zero, zero, zero, known, margin, tail)[0]),
    )


def faults_needed(*, margin: float = MARGIN, confidence: float = 0.95) -> int:
    """How many faults must a burn-in hold for any number of feeds to settle a comparison?

    Parameters
    ----------
    margin, confidence
        As in `analysis.verdicts.compare`.

    Returns
    -------
    int
        The least with which both chances can be 80 %.

    Examples
    --------
    >>> faults_needed(), faults_needed(margin=2)
    (53, 20)
    """
    check_margin(margin)
    tail = 0.5 * (1.0 - confidence)

    def enough(held: int) -> bool:
        faults = np.array([float(held)])
        both = (_as_good_at_last(faults, margin, tail), _worse_at_last(faults, margin, tail))
        return bool(min(both) >= _CHANCE)

    return first_whole(enough, 1)


def _as_good_at_last(held: FloatArray, margin: float, tail: float) -> FloatArray:
    """Chance of *as good* at a ratio of 1, with production without end beside so many faults."""
    some = np.where(held > 0, held, 1.0)
    limit = special.gammainc(some + 0.5, margin * special.gammaincinv(some, tail))
    return np.where(held > 0, limit, 0.0)


def _worse_at_last(held: FloatArray, margin: float, tail: float) -> FloatArray:
    """Chance of *worse* at a ratio of 2, with production without end beside so many faults."""
    del margin  # as in `_worse`
    return np.asarray(
        special.gammaincc(held + 0.5, special.gammainccinv(held + 1.0, tail) / _TWICE)
    )


def _as_good(
    a: FloatArray,
    so_far: FloatArray,
    held: FloatArray,
    known: NDArray[np.bool_],
    margin: float,
    tail: float,
) -> FloatArray:
    """Exposure at which *as good* has its chance if the ratio is 1 from here on.

    `a` faults are in so far, in the exposure `so_far`; the benchmark holds `held` faults, or is
    known.
    """

    def exposure(total: FloatArray) -> FloatArray:
        # At this exposure `total` faults bring the upper end of the ratio to the margin.
        own = special.gammainccinv(total + 1.0, tail)
        upper = intervals.interval(total, total + held, confidence=1 - 2 * tail)[1]
        rest = intervals.interval(held, total + held, confidence=1 - 2 * tail)[0]
        odds = upper / np.where(known, 1.0, rest)
        return np.asarray(np.where(known, own, odds) / margin)

    def chance(more: FloatArray, length: FloatArray) -> FloatArray:
        return np.asarray(1.0 - _more_faults(more, length, held, known))

    return _least_exposure(a, so_far, exposure, chance)


def _worse(
    a: FloatArray,
    so_far: FloatArray,
    held: FloatArray,
    known: NDArray[np.bool_],
    margin: float,
    tail: float,
) -> FloatArray:
    """Exposure at which *worse* has its chance if the ratio is 2 from here on; as `_as_good`.

    Worse in the sense that the lower end of the ratio is above 1. That its upper end then is at the
    margin or above goes without saying where the margin is 1.5; beside a larger one a ratio of 2
    may come out as good in the end.
    """
    del margin

    def exposure(total: FloatArray) -> FloatArray:
        # At this exposure `total` faults bring the lower end of the ratio to 1.
        own = special.gammaincinv(total, tail)
        lower = intervals.interval(total, total + held, confidence=1 - 2 * tail)[0]
        rest = intervals.interval(held, total + held, confidence=1 - 2 * tail)[1]
        return np.asarray(np.where(known, own, lower / rest))

    def chance(more: FloatArray, length: FloatArray) -> FloatArray:
        return _more_faults(more, _TWICE * length, held, known)

    return _least_exposure(a, so_far, exposure, chance)


def _more_faults(
    more: FloatArray, length: FloatArray, held: FloatArray, known: NDArray[np.bool_]
) -> FloatArray:
    """Chance of `more` faults or more in a length of exposure, half of `more` itself left out.

    That is the middle of a tooth for either verdict. Poisson with the mean `length` against a
    standard. Against a burn-in the mean is `length` times a gamma variable of shape held + 1/2,
    which makes the faults negative binomial.
    """
    poisson = special.gammainc(more, length) + special.gammainc(more + 1.0, length)
    shape, share = held + 0.5, length / (1.0 + length)
    mixed = special.betainc(more, shape, share) + special.betainc(more + 1.0, shape, share)
    return np.asarray(0.5 * np.where(known, poisson, mixed))


def _least_exposure(
    a: FloatArray,
    so_far: FloatArray,
    exposure: Callable[[FloatArray], FloatArray],
    chance: Callable[[FloatArray, FloatArray], FloatArray],
) -> FloatArray:
    """Exposure at which the chance of the verdict reaches 80 %; NaN where it does not."""

    def enough(log_more: FloatArray) -> NDArray[np.bool_]:
        more = np.exp(log_more)
        length = exposure(a + more) - so_far
        # An exposure that is past already is none to plan for.
        return np.asarray((length > 0) & (chance(more, np.maximum(length, 0.0)) >= _CHANCE))

    # Over the logarithm of the faults still to come: exposure and chance rise with them. To try
    # many places at once takes no longer than one.
    left, right = np.full(a.size, np.log(1e-3)), np.full(a.size, np.log(_MOST_FAULTS))
    reached = enough(right)
    inside = np.arange(1, _SECTIONS)[:, None] / _SECTIONS
    for _ in range(_ROUNDS):
        places = np.vstack([left, left + (right - left) * inside, right])
        yes = enough(places[1:-1])
        # The end of the first section at whose end it is reached.
        end = np.where(yes.any(axis=0), yes.argmax(axis=0), _SECTIONS - 1) + 1
        left, right = (np.take_along_axis(places, at[None], 0)[0] for at in (end - 1, end))
    return np.where(reached, exposure(a + np.exp(right)), np.nan)


def check_margin(margin: float) -> None:
    """Raise ValueError for a margin that is not above 1."""
    if not (margin > 1 and np.isfinite(margin)):
        raise ValueError(f"margin must be above 1, not {margin}")
