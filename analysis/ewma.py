"""Has a mean that remembers the latest entries moved from its centre?

Exponentially weighted moving averages: of any values, and of faults beside those that their feeds
made expect (EWMA charts); and how long such a chart runs until a false alarm, or until it shows a
shift, where values are normal. When not to use them stands in `analysis.charts`.

References
----------
Roberts SW (1959). Control chart tests based on geometric moving averages. Technometrics 1:239-250.
Crowder SV (1987). A simple method for studying run-length distributions of exponentially weighted
moving average charts. Technometrics 29:401-407.
Lucas JM, Saccucci MS (1990). Exponentially weighted moving average control schemes: properties and
enhancements. Technometrics 32:1-12.
NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

# No scipy.stats: importing it costs nearly a second at every start.
from scipy import special

from analysis.charts import (
    Account,
    Chart,
    account_of,
    beyond,
    centre_of,
    check_width,
    checked_counts,
    checked_row,
)

FloatArray = NDArray[np.float64]

#: Widest limits whose run length is worked out: beyond, it is no more than rounding makes of it.
_WIDEST = 6.0

#: Smallest weight whose run length is worked out, which the number of nodes grows with.
_LEAST_WEIGHT = 1e-4


def ewma_chart(
    values: ArrayLike,
    centre: float,
    sd: float,
    *,
    weight: float = 0.3,
    width: float = 3.0,
    limits: str = "exact",
    what: str = "weighted mean of this value and those before it, in the unit of the values",
) -> Chart:
    """Has a mean of the latest values moved from its centre?

    Parameters
    ----------
    values : array_like
        In the order of time, in any unit; NaN where there is none, which leaves the mean as it was.
    centre : float
        What they vary about, and where the weighted mean starts.
    sd : float
        Standard deviation of a single value, above 0.
    weight : float
        Of the latest value (lambda), above 0, at most 1; the smaller, the longer it remembers.
    width : float
        Of the limits, in standard deviations of the weighted mean, above 0.
    limits : str
        ``exact``, narrower at the first points as the weighted mean is, or ``asymptotic``, the
        same at all.
    what : str
        What one point is, with its unit, for `Chart.what`.

    Returns
    -------
    Chart

    Raises
    ------
    ValueError
        For values that are infinite, or a centre, sd, weight, width or limits that cannot be.

    Notes
    -----
    With e_0 the centre, e_i = weight x_i + (1 - weight) e_(i-1), whose variance after i values is
    sd^2 weight / (2 - weight) times 1 - (1 - weight)^(2i), which is 1 for asymptotic limits
    (Roberts 1959). `ewma_run_length` says how long such a chart runs where values are normal and
    independent.

    Examples
    --------
    >>> chart = ewma_chart([52.0, 47.0, 53.0], 50, 2.0539, limits="asymptotic")
    >>> chart.points.round(2).tolist(), float(chart.high[0].round(4))
    ([50.6, 49.52, 50.56], 52.5884)
    """
    x = checked_row(values, "values")
    if np.any(np.isinf(x)):
        raise ValueError("values must be finite numbers, or NaN where there is none")
    if not math.isfinite(centre):
        raise ValueError(f"centre must be a finite number, not {centre}")
    if not 0 < sd < math.inf:
        raise ValueError(f"sd must be above 0, a standard deviation in the values' unit, not {sd}")
    _check_weight(weight)
    check_width(width)
    if limits not in ("exact", "asymptotic"):
        raise ValueError(f"limits must be exact or asymptotic, not {limits}")
    there = ~np.isnan(x)
    points = np.full(x.size, np.nan)
    mean = float(centre)
    for place in np.flatnonzero(there):
        mean = weight * float(x[place]) + (1.0 - weight) * mean
        points[place] = mean
    variance = np.full(x.size, weight / (2.0 - weight))
    if limits == "exact":
        variance *= 1.0 - (1.0 - weight) ** (2.0 * np.cumsum(there))
    half = np.where(there, width * sd * np.sqrt(variance), np.nan)
    low, high = centre - half, centre + half
    return Chart(
        name="EWMA chart",
        points=points,
        centre=np.full(x.size, float(centre)),
        low=low,
        high=high,
        outside=beyond(points, low, high),
        what=what,
        limits=f"{width:g} sigma, {limits}, weight {weight:g}",
        account=Account(int(there.sum())),
    )


def ewma_of_faults(
    faults: ArrayLike,
    feeds: ArrayLike,
    *,
    rate: float | None = None,
    weight: float = 0.3,
    width: float = 3.0,
    limits: str = "exact",
) -> Chart:
    """Have the latest runs together had more, or fewer, faults than their feeds made expect?

    Parameters
    ----------
    faults, feeds : array_like
        Whole numbers, one entry per run, day or week, in the order of time.
    rate : float, optional
        Reference, faults per feed from 0 to 1; when absent the pooled rate of these entries.
    weight, width, limits
        As of `ewma_chart`.

    Returns
    -------
    Chart
        Of (faults - feeds rate) / sqrt(feeds rate). An entry without feeds has no point and leaves
        the mean as it was; where there is no fault at all, all points are 0.

    Raises
    ------
    ValueError
        As of `p_chart` and `ewma_chart`, and for faults where the reference rate is 0.

    Notes
    -----
    Standardised counts are far from normal where few faults are expected of an entry, and then many
    more points lie beyond the limits than the run length of normal values says: see
    `analysis.charts`. Add runs up to weeks or months that have five expected faults or more.

    Examples
    --------
    >>> chart = ewma_of_faults([9, 12, 8, 22, 25], [100_000] * 5, rate=1e-4)
    >>> chart.points.round(2).tolist(), chart.outside.tolist()
    ([-0.09, 0.12, -0.1, 1.07, 2.17], [False, False, False, False, True])
    """
    x, n = checked_counts(faults, feeds)
    reference = centre_of(x, n, rate)
    if reference == 0 and x.sum() > 0:
        raise ValueError(
            "at a reference rate of 0 no fault is ever expected, yet there are faults; give a rate "
            "above 0, or none to take the pooled one"
        )
    expected = n * reference
    z = np.where(n > 0, 0.0, np.nan)
    some = expected > 0
    z[some] = (x[some] - expected[some]) / np.sqrt(expected[some])
    drawn = ewma_chart(
        z,
        0.0,
        1.0,
        weight=weight,
        width=width,
        limits=limits,
        what="weighted mean of this entry and those before it, of faults beyond those expected, in "
        "standard deviations of one entry",
    )
    return replace(drawn, account=account_of(x, n))


def ewma_run_length(weight: float, width: float, shift: float = 0.0) -> float:
    """After how many values does an EWMA chart have a point beyond its limits, on the average?

    Parameters
    ----------
    weight, width : float
        As of `ewma_chart`; a weight of at least 0.0001 and a width of at most 6.
    shift : float
        Of the mean from the centre, in standard deviations of a single value, from the first value
        on; 0 for the run length to a false alarm.

    Returns
    -------
    float
        For independent normal values and asymptotic limits. Exact limits, narrower at first, make
        it shorter.

    Raises
    ------
    ValueError
        For a weight, width or shift that cannot be.

    Notes
    -----
    From a weighted mean at u the run length is L(u) = 1 + the integral of L(y) over the next mean y
    inside the limits times its density, solved at the nodes of a Gauss-Legendre rule (Crowder
    1987).

    Examples
    --------
    Once in about 500 values where nothing changed, after 11 where the mean has moved by one
    standard deviation (Lucas and Saccucci 1990):

    >>> print(f"{ewma_run_length(0.25, 2.998):.0f} {ewma_run_length(0.25, 2.998, 1.0):.1f}")
    500 11.1
    """
    _check_weight(weight)
    check_width(width)
    if weight < _LEAST_WEIGHT:
        raise ValueError(f"weight must be at least {_LEAST_WEIGHT:g} for a run length")
    if width > _WIDEST:
        raise ValueError(f"width must be at most {_WIDEST:g} for a run length, not {width:g}")
    if not math.isfinite(shift):
        raise ValueError(f"shift must be a finite number of standard deviations, not {shift}")
    limit = width * math.sqrt(weight / (2.0 - weight))
    # The density is as wide as the weight: some nodes for each of its widths.
    nodes, shares = special.roots_legendre(40 + math.ceil(6.0 * limit / weight))
    mean, shares = limit * nodes, limit * shares

    def density(start: FloatArray) -> FloatArray:
        """Return the density of the next mean at each node, from each start."""
        value = (mean - (1.0 - weight) * start[:, None]) / weight - shift
        return np.asarray(np.exp(-0.5 * value**2) / (weight * math.sqrt(2.0 * math.pi)))

    lengths = np.linalg.solve(np.eye(mean.size) - density(mean) * shares, np.ones(mean.size))
    return 1.0 + float((density(np.zeros(1)) * shares @ lengths)[0])


def _check_weight(weight: float) -> None:
    if not 0 < weight <= 1:
        raise ValueError(f"weight must be above 0 and at most 1, such as 0.3, not {weight}")
