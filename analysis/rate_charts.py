"""Which runs, days or weeks have a rate beyond what chance makes of a common one?

The rate of each entry against binomial limits (p-chart), and the same with limits that allow for
entries that differ (Laney's p'-chart). When not to use them stands in `analysis.charts`. A p-chart
is fair for whole weeks of a whole line, where five faults or more are expected of each point; take
the p'-chart where weeks differ by more than chance.

References
----------
Laney DB (2002). Improved control charts for attributes. Quality Engineering 14:531-537.
NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.3.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

# No scipy.stats: importing it costs nearly a second at every start.
from scipy import special

from analysis.charts import (
    CHANCE,
    Chart,
    account_of,
    beyond,
    centre_of,
    check_chance,
    check_limits,
    check_width,
    checked_counts,
    rates_of,
)
from analysis.walks import at_most

FloatArray = NDArray[np.float64]

#: Mean range of two normal values, in standard deviations; rounded as the charts have it.
_MEAN_RANGE = 1.128


def p_chart(
    faults: ArrayLike,
    feeds: ArrayLike,
    *,
    chance: float = CHANCE,
    rate: float | None = None,
    limits: str = "exact",
    each: str = "run",
) -> Chart:
    """Which runs have a rate beyond what chance alone makes of a common one?

    Parameters
    ----------
    faults, feeds : array_like
        Whole numbers, one entry per run, day or week, in the order of time.
    chance : float
        Risk of a point beyond its limits where nothing changed, half of it on each side; above 0,
        below 1. For exact limits.
    rate : float, optional
        Reference, faults per feed from 0 to 1; when absent the pooled rate of these entries.
    limits : str
        ``exact`` or ``three sigma``.
    each : str
        What one entry is, for `Chart.what`.

    Returns
    -------
    Chart
        Without a point where an entry has no feeds.

    Raises
    ------
    ValueError
        Where lengths differ, a count is negative, missing or no whole number, faults exceed feeds,
        or chance, rate or limits cannot be.

    Notes
    -----
    *exact*: the low limit is the least count of which so many or fewer have at least half the
    chance, the high one the largest of which so many or more have, both over the feeds. So a point
    is beyond exactly where its own binomial tail is below half the chance, and the risk is never
    above the chance but mostly far below it: counts are whole. *three sigma*: the rate plus and
    minus 3 sqrt(rate (1 - rate) / feeds), as books have it. With one expected fault in 100,000
    feeds one point in 53 lies above that where nothing changed, with five one in 183, where normal
    values have one in 741.

    Do not use it where faults come in clusters (`p_prime_chart`), nor to judge a bin by single
    runs: see `analysis.charts`.

    Examples
    --------
    >>> weeks = p_chart([4, 6, 3, 19, 5], [98_000, 104_000, 95_000, 101_000, 99_000], each="week")
    >>> print(weeks.sentence())
    1 of 5 points of this p-chart lies beyond the limits, at position 4; such a chart does not \
know paper, air and settings.
    """
    x, n = checked_counts(faults, feeds)
    check_limits(limits)
    check_chance(chance)
    centre = centre_of(x, n, rate)
    points = rates_of(x, n)
    if limits == "exact":
        least, most = _binomial_limits(n, centre, 0.5 * chance)
        outside = (n > 0) & ((x < least) | (x > most))
        low, high = rates_of(least, n), rates_of(most, n)
        said = f"exact binomial, {chance:g} of points beyond them at most where nothing changed"
    else:
        half = 3.0 * _sd_of_rates(n, centre)
        low, high = centre - half, centre + half
        outside = beyond(points, low, high)
        said = "three sigma, binomial"
    return Chart(
        name="p-chart",
        points=points,
        centre=np.full(x.size, centre),
        low=np.where(low > 0, low, np.nan),
        high=np.where(high < 1, high, np.nan),
        outside=outside,
        what=f"rate of one {each}, in faults per feed",
        limits=said,
        account=account_of(x, n),
    )


def p_prime_chart(
    faults: ArrayLike,
    feeds: ArrayLike,
    *,
    rate: float | None = None,
    width: float = 3.0,
    each: str = "run",
) -> Chart:
    """Which runs have a rate beyond what is usual from one run to the next?

    Parameters
    ----------
    faults, feeds : array_like
        Whole numbers, one entry per run, day or week, in the order of time.
    rate : float, optional
        Reference, faults per feed from 0 to 1; when absent the pooled rate of these entries.
    width : float
        Limits in standard deviations, above 0; 3 by custom.
    each : str
        What one entry is, for `Chart.what`.

    Returns
    -------
    Chart
        With `Chart.sigma_z`. There are no limits where fewer than two entries have feeds, or where
        the rate is 0 or 1.

    Raises
    ------
    ValueError
        As of `p_chart`, and for a width that is not above 0.

    Notes
    -----
    Laney 2002: z = (rate of the run - centre) / sqrt(centre (1 - centre) / feeds), sigma_z the mean
    absolute difference of succeeding z over 1.128, and limits at centre plus and minus width times
    sigma_z times that square root. Where runs differ no more than chance explains, sigma_z is about
    1 and this is a three-sigma p-chart; it may be below 1. With equal feeds it is the chart of
    individual values and moving ranges of the rates.

    Differences of succeeding runs are what makes it wide, so it is blind to what differs from one
    run to the next anyway, and a slow creep widens it little. Do not use it where most runs have no
    fault: z is then no normal value, and 1.128 not the mean of its range.

    Examples
    --------
    >>> chart = p_prime_chart([13, 34, 16], [100, 400, 100], rate=0.1)
    >>> round(chart.sigma_z, 4), chart.high.round(4).tolist()
    (2.2163, [0.2995, 0.1997, 0.2995])
    """
    x, n = checked_counts(faults, feeds)
    check_width(width)
    centre = centre_of(x, n, rate)
    points = rates_of(x, n)
    sd = _sd_of_rates(n, centre)
    sigma_z = math.nan
    ran = n > 0
    if ran.sum() > 1 and 0 < centre < 1:
        z = (points[ran] - centre) / sd[ran]
        sigma_z = float(np.abs(np.diff(z)).mean() / _MEAN_RANGE)
    half = width * sigma_z * sd
    low, high = centre - half, centre + half
    return Chart(
        name="p-prime chart",
        points=points,
        centre=np.full(x.size, centre),
        low=np.where(low > 0, low, np.nan),
        high=np.where(high < 1, high, np.nan),
        outside=beyond(points, low, high),
        what=f"rate of one {each}, in faults per feed",
        limits=f"{width:g} sigma, binomial times the spread of succeeding entries",
        account=account_of(x, n),
        sigma_z=sigma_z,
    )


def _binomial_limits(n: FloatArray, p: float, tail: float) -> tuple[FloatArray, FloatArray]:
    """Return the least and the largest count whose own tail is at least that risk."""
    if n.size == 0 or math.isnan(p):
        return np.zeros(n.size), n
    sizes, back = np.unique(n, return_inverse=True)
    expected = sizes * p
    # Bernstein: so far from the mean a tail is below the risk.
    log = -math.log(tail)
    reach = log / 3.0 + np.sqrt(log * log / 9.0 + 2.0 * expected * (1.0 - p) * log)
    # A median lies next to the mean, and no tail from it on is below the risk.
    least = np.zeros(sizes.size)
    some = (1.0 - p) ** sizes < tail  # elsewhere a run without a fault is nothing unusual
    least[some] = _first(
        lambda count: at_most(count, sizes[some], p) >= tail,
        np.clip(np.floor(expected - reach) - 1.0, 0.0, sizes)[some],
        np.clip(np.ceil(expected), 0.0, sizes)[some],
    )
    most = _first(
        lambda count: _at_least(count + 1.0, sizes, p) < tail,
        np.clip(np.floor(expected), 0.0, sizes),
        np.clip(np.ceil(expected + reach) + 1.0, 0.0, sizes),
    )
    return least[back], most[back]


def _first(
    holds: Callable[[FloatArray], NDArray[np.bool_]], low: FloatArray, high: FloatArray
) -> FloatArray:
    """Return the least whole number for which a condition holds that holds from there to high."""
    while np.any(low < high):
        middle = np.floor(0.5 * (low + high))
        enough = holds(middle)
        high = np.where(enough, middle, high)
        low = np.where(enough, low, np.minimum(middle + 1.0, high))
    return high


def _at_least(count: FloatArray, n: FloatArray, p: float) -> FloatArray:
    """Return the chance of at least so many faults; 0 for more than there are feeds."""
    inside = special.betainc(np.clip(count, 1.0, None), np.clip(n - count, 0.0, None) + 1.0, p)
    return np.asarray(np.where(count <= 0, 1.0, np.where(count > n, 0.0, inside)))


def _sd_of_rates(n: FloatArray, p: float) -> FloatArray:
    return np.asarray(np.sqrt(rates_of(np.full(n.size, p * (1.0 - p)), n)))
