"""Which faults followed one another sooner, or later, than chance makes them?

The feeds between one fault and the next, in a chart with a point for each fault (g-chart). When not
to use it stands in `analysis.charts`.

References
----------
Kaminsky FC, Benneyan JC, Davis RD, Burke RJ (1992). Statistical control charts based on a geometric
distribution. Journal of Quality Technology 24:63-69.
Benneyan JC (2001). Number-between g-type statistical quality control charts for monitoring adverse
events. Health Care Management Science 4:305-318.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.charts import (
    CHANCE,
    ROUNDING,
    Account,
    Chart,
    beyond,
    check_chance,
    check_limits,
    check_whole,
    check_width,
    checked_counts,
    checked_row,
)


def feeds_between(faults: ArrayLike, feeds: ArrayLike) -> NDArray[np.int64]:
    """How many good feeds lie between one fault and the next?

    Parameters
    ----------
    faults, feeds : array_like
        Whole numbers, one entry per run, in the order of time.

    Returns
    -------
    int array
        Feeds without a fault between each fault and the next, 0 or more; one fewer than there are
        faults. Each ends in the run ``np.repeat(np.arange(len(faults)), faults)[1:]``.

    Raises
    ------
    ValueError
        As of `p_chart`.

    Notes
    -----
    An approximation: a log says how many faults a run had and not where. They are spread equally
    within the run, a single one in its middle, so that f faults in n feeds are at feed n/2f, 3n/2f
    and so on, rounded up. Faults that followed hard upon one another in one run are thereby set
    apart: points below the low limit of a g-chart come out too seldom.

    The feeds before the first fault and those since the last are no distance between faults, and
    are left out.

    Examples
    --------
    >>> feeds_between([1, 0, 2], [5000, 4000, 8000]).tolist()
    [8499, 3999]
    """
    x, n = checked_counts(faults, feeds)
    count = x.astype(np.int64)
    run = np.repeat(np.arange(count.size), count)
    # Which fault of its run each is, from 0.
    nth = np.arange(run.size) - np.repeat(np.cumsum(count) - count, count)
    whole = n.astype(np.int64)
    before = np.cumsum(whole) - whole
    # n (2 nth + 1) / 2f rounded up, in whole numbers and in two parts, neither of which outgrows
    # 64 bits. The faults of a run are at least one feed apart, so that no two share a feed.
    twice = 2 * count[run]
    parts, rest = np.divmod(whole[run], twice)
    odd = 2 * nth + 1
    place = before[run] + parts * odd - (-(rest * odd) // twice)
    return np.asarray(np.diff(place) - 1, dtype=np.int64)


def g_chart(
    between: ArrayLike,
    *,
    chance: float = CHANCE,
    rate: float | None = None,
    limits: str = "exact",
    width: float = 3.0,
) -> Chart:
    """Which faults followed one another sooner, or later, than chance makes them?

    A point below the low limit says that faults come sooner, and so that the tower was worse; one
    above the high limit that it was better.

    Parameters
    ----------
    between : array_like
        Feeds without a fault between one fault and the next, 0 or more, in the order of time, as
        of `feeds_between`.
    chance : float
        Risk of a point beyond its limits where nothing changed, half of it on each side; above 0,
        below 1. For exact limits.
    rate : float, optional
        Reference, faults per feed, above 0 and at most 1; when absent that of these points.
    limits : str
        ``exact`` or ``three sigma``.
    width : float
        Of the customary limits, in standard deviations, above 0; 3 by custom.

    Returns
    -------
    Chart
        The centre is the mean of the points, or with a reference (1 - rate) / rate.

    Raises
    ------
    ValueError
        Where a number is negative, missing or no whole number, or chance, rate, limits or width
        cannot be.

    Notes
    -----
    With m the mean, feeds between faults are geometric with rate 1/(m + 1) (Kaminsky et al. 1992;
    Benneyan 2001, least value 0). *three sigma*: m plus and minus width sqrt(m (m + 1)); at a width
    of 3 there is never a low limit, and where faults are rare and nothing changed 1.8 % of points
    lie above the high one, since the distribution is skewed. *exact*: by its tails, as `p_chart`
    has it.

    The time since the last fault has no point: a tower that has become good shows late.

    Examples
    --------
    >>> chart = g_chart([9200, 14_100, 3, 22_400, 8000], rate=1e-4)
    >>> chart.low[0], chart.high[0], chart.outside.tolist()
    (np.float64(13.0), np.float64(66073.0), [False, False, True, False, False])
    """
    y = checked_row(between, "feeds between faults")
    check_whole(y, "feeds between faults")
    check_limits(limits)
    check_chance(chance)
    check_width(width)
    if rate is None:
        centre = float(y.mean()) if y.size else math.nan
    elif 0 < rate <= 1:
        centre = (1.0 - rate) / rate
    else:
        raise ValueError(
            f"rate must be faults per feed, above 0 and at most 1, not {rate:g}; leave it out to "
            "take that of the points"
        )
    if limits == "exact":
        least, most = _geometric_limits(centre, 0.5 * chance)
        said = f"exact geometric, {chance:g} of points beyond them at most where nothing changed"
    else:
        half = width * math.sqrt(centre * (centre + 1.0))
        least, most = centre - half, centre + half
        said = f"{width:g} sigma, geometric"
    low, high = np.full(y.size, least), np.full(y.size, most)
    feeds = int(y.sum()) + y.size
    return Chart(
        name="g-chart",
        points=y,
        centre=np.full(y.size, centre),
        low=np.where(low > 0, low, np.nan),
        high=high,
        outside=beyond(y, low, high),
        what="feeds without a fault between one fault and the next",
        limits=said,
        account=Account(y.size, y.size + 1 if y.size else 0, feeds),
    )


def _geometric_limits(mean: float, tail: float) -> tuple[float, float]:
    """Return the least and the largest number between whose own tail is at least that risk."""
    if math.isnan(mean) or mean == 0:
        return 0.0, mean
    good = -math.log1p(1.0 / mean)  # the logarithm of 1 - rate
    # A quotient that is whole but for rounding is that whole number.
    least = math.ceil(math.log1p(-tail) / good * (1.0 - ROUNDING)) - 1.0
    most = math.floor(math.log(tail) / good * (1.0 + ROUNDING))
    return max(0.0, least), float(most)
