"""What do the charts that people know say of these runs?

Four control charts that quality people know: the rate of each run against binomial limits
(p-chart), the same with limits that allow for runs that differ (Laney's p'-chart), the feeds
between faults (g-chart), and a weighted mean that remembers (EWMA chart). They are drawn as the
literature has them, for whoever wants to compare with what he knows.

**Why they see so little here.** Faults are a few in 100,000 feeds, so that a chart of rate per run
is a row of zeros with a fault here and there. Take runs with 0.05 expected faults each, 5,000 feeds
at 1 in 100,000:

- exact limits of a p-chart let one fault pass and no second one. No run can lie below them, so that
  nothing ever shows as better. Where the rate has doubled, a run lies beyond them once in 214 runs
  on the average; by then there were 21 faults where 11 were expected;
- three-sigma limits lie below one fault, so that every run with a fault is beyond them, in the best
  of times one run in 20;
- an EWMA of standardised counts (weight 0.3, limits of 3 sigma) is raised beyond its limits by two
  faults in succeeding runs; at 0.04 expected faults a run by every single fault. Its run length is
  that of normal values (`ewma_run_length`), which such counts are far from;
- a g-chart has a point for each fault and wastes nothing on empty runs, but one point says little:
  three-sigma limits have 1.8 % of points above them in the best of times and none below, ever, and
  with exact limits two faults must fall within 0.00135 of the mean feeds between faults to show.
  Where several fall in one run their places are not known, and a run just going on without a fault
  has no point yet.

**When not to use them.** Not to decide whether a bin is getting worse: none of them knows which
paper was run in which air at which settings, so that a change of job mix looks like a change of the
tower. Not where a chart has its centre and limits from the very runs that are judged, if these are
few: the limits take the centre as known. Not to prove that a tower is good: no point beyond the
limits of a row of zeros proves nothing. A p-chart is fair for whole weeks of a whole line, where
five faults or more are expected of each point; take the p'-chart where weeks differ by more than
chance.

Statistics only: arrays in, one frozen `Chart` out.

References
----------
Laney DB (2002). Improved control charts for attributes. Quality Engineering 14:531-537.
Kaminsky FC, Benneyan JC, Davis RD, Burke RJ (1992). Statistical control charts based on a geometric
distribution. Journal of Quality Technology 24:63-69.
Benneyan JC (2001). Number-between g-type statistical quality control charts for monitoring adverse
events. Health Care Management Science 4:305-318.
Roberts SW (1959). Control chart tests based on geometric moving averages. Technometrics 1:239-250.
Crowder SV (1987). A simple method for studying run-length distributions of exponentially weighted
moving average charts. Technometrics 29:401-407.
Lucas JM, Saccucci MS (1990). Exponentially weighted moving average control schemes: properties and
enhancements. Technometrics 32:1-12.
NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.2 and 6.3.3.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

# No scipy.stats: importing it costs nearly a second at every start.
from scipy import special

from analysis.log_format import LARGEST_WHOLE
from analysis.walks import at_most

__all__ = [
    "Account",
    "Chart",
    "ewma_chart",
    "ewma_of_faults",
    "ewma_run_length",
    "feeds_between",
    "g_chart",
    "p_chart",
    "p_prime_chart",
]

from analysis.words import day

FloatArray = NDArray[np.float64]

#: Risk of a point beyond either limit where nothing changed: what three-sigma limits of normal
#: values have.
_CHANCE = 0.0027

#: Mean range of two normal values, in standard deviations; rounded as the charts have it.
_MEAN_RANGE = 1.128

#: Beyond this relative difference a point is beyond its limit; less is rounding.
_ROUNDING = 1e-12

#: Widest limits whose run length is worked out: beyond, it is no more than rounding makes of it.
_WIDEST = 6.0

#: Smallest weight whose run length is worked out, which the number of nodes grows with.
_LEAST_WEIGHT = 1e-4


@dataclass(frozen=True)
class Account:
    """What a chart rests on.

    Attributes
    ----------
    points : int
        Points plotted; entries without feeds are not.
    faults, feeds : int or None
        In those points. None where a chart was given neither. Of a g-chart, the faults that the
        points lie between, and the feeds after the first of them up to and with the last.
    """

    points: int
    faults: int | None = None
    feeds: int | None = None


@dataclass(frozen=True)
class Chart:
    """A control chart: points, centre and limits.

    Attributes
    ----------
    name : str
        ``p-chart``, ``p-prime chart``, ``g-chart`` or ``EWMA chart``.
    points : float array
        What is plotted, one per entry given; NaN where an entry has no feeds.
    centre : float array
        Centre line, at each point.
    low, high : float arrays
        Limits at each point; NaN where there is none, and where nothing could lie beyond it.
    outside : bool array
        Whether a point lies beyond its limits.
    what : str
        What one point is, with its unit.
    limits : str
        How the limits were set.
    account : Account
        What the chart rests on.
    sigma_z : float or None
        Of a p-prime chart alone: how many times wider than binomial its limits are; NaN where
        nothing tells.
    when : tuple of datetime
        When each point was, where that is known; empty otherwise.
    """

    name: str
    points: FloatArray
    centre: FloatArray
    low: FloatArray
    high: FloatArray
    outside: NDArray[np.bool_]
    what: str
    limits: str
    account: Account
    sigma_z: float | None = None
    when: tuple[dt.datetime, ...] = ()

    def sentence(self) -> str:
        """Say how many points lie beyond the limits, where the first is, and what is not known."""
        number = self.account.points
        if number == 0:
            return f"This {self.name} has no points: there is nothing to draw yet."
        unaware = "such a chart does not know paper, air and settings"
        plural = "points" if number > 1 else "point"
        if np.all(np.isnan(self.low) & np.isnan(self.high)):
            return (
                f"This {self.name} has {number:,} {plural} and no limits, for want of points or of "
                f"faults; {unaware}."
            )
        beyond = int(self.outside.sum())
        if beyond == 0:
            return (
                f"None of {number:,} {plural} of this {self.name} lies beyond the limits; "
                f"{unaware}."
            )
        first = int(np.argmax(self.outside))
        place = f"on {day(self.when[first])}" if self.when else f"at position {first + 1:,}"
        where = place if beyond == 1 else f"the first {place}"
        lie = "lies" if beyond == 1 else "lie"
        return (
            f"{beyond:,} of {number:,} {plural} of this {self.name} {lie} beyond the limits, "
            f"{where}; {unaware}."
        )


def p_chart(
    faults: ArrayLike,
    feeds: ArrayLike,
    *,
    chance: float = _CHANCE,
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
    runs: see the module's text.

    Examples
    --------
    >>> weeks = p_chart([4, 6, 3, 19, 5], [98_000, 104_000, 95_000, 101_000, 99_000], each="week")
    >>> print(weeks.sentence())
    1 of 5 points of this p-chart lies beyond the limits, at position 4; such a chart does not \
know paper, air and settings.
    """
    x, n = _counts(faults, feeds)
    _check_limits(limits)
    _check_chance(chance)
    centre = _centre(x, n, rate)
    points = _rates(x, n)
    if limits == "exact":
        least, most = _binomial_limits(n, centre, 0.5 * chance)
        outside = (n > 0) & ((x < least) | (x > most))
        low, high = _rates(least, n), _rates(most, n)
        said = f"exact binomial, {chance:g} of points beyond them at most where nothing changed"
    else:
        half = 3.0 * _sd_of_rates(n, centre)
        low, high = centre - half, centre + half
        outside = _beyond(points, low, high)
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
        account=_account(x, n),
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
    x, n = _counts(faults, feeds)
    _check_width(width)
    centre = _centre(x, n, rate)
    points = _rates(x, n)
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
        outside=_beyond(points, low, high),
        what=f"rate of one {each}, in faults per feed",
        limits=f"{width:g} sigma, binomial times the spread of succeeding entries",
        account=_account(x, n),
        sigma_z=sigma_z,
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
    x, n = _counts(faults, feeds)
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
    chance: float = _CHANCE,
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
    y = _row(between, "feeds between faults")
    _check_whole(y, "feeds between faults")
    _check_limits(limits)
    _check_chance(chance)
    _check_width(width)
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
        outside=_beyond(y, low, high),
        what="feeds without a fault between one fault and the next",
        limits=said,
        account=Account(y.size, y.size + 1 if y.size else 0, feeds),
    )


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
    x = _row(values, "values")
    if np.any(np.isinf(x)):
        raise ValueError("values must be finite numbers, or NaN where there is none")
    if not math.isfinite(centre):
        raise ValueError(f"centre must be a finite number, not {centre}")
    if not 0 < sd < math.inf:
        raise ValueError(f"sd must be above 0, a standard deviation in the values' unit, not {sd}")
    _check_weight(weight)
    _check_width(width)
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
        outside=_beyond(points, low, high),
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
    more points lie beyond the limits than the run length of normal values says: see the module's
    text. Add runs up to weeks or months that have five expected faults or more.

    Examples
    --------
    >>> chart = ewma_of_faults([9, 12, 8, 22, 25], [100_000] * 5, rate=1e-4)
    >>> chart.points.round(2).tolist(), chart.outside.tolist()
    ([-0.09, 0.12, -0.1, 1.07, 2.17], [False, False, False, False, True])
    """
    x, n = _counts(faults, feeds)
    reference = _centre(x, n, rate)
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
    return Chart(
        name=drawn.name,
        points=drawn.points,
        centre=drawn.centre,
        low=drawn.low,
        high=drawn.high,
        outside=drawn.outside,
        what=drawn.what,
        limits=drawn.limits,
        account=_account(x, n),
    )


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
    _check_width(width)
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


def _geometric_limits(mean: float, tail: float) -> tuple[float, float]:
    """Return the least and the largest number between whose own tail is at least that risk."""
    if math.isnan(mean) or mean == 0:
        return 0.0, mean
    good = -math.log1p(1.0 / mean)  # the logarithm of 1 - rate
    # A quotient that is whole but for rounding is that whole number.
    least = math.ceil(math.log1p(-tail) / good * (1.0 - _ROUNDING)) - 1.0
    most = math.floor(math.log(tail) / good * (1.0 + _ROUNDING))
    return max(0.0, least), float(most)


def _beyond(points: FloatArray, low: FloatArray, high: FloatArray) -> NDArray[np.bool_]:
    """Whether points lie beyond limits by more than rounding; no where there is none."""
    slack = _ROUNDING * np.maximum(np.abs(low), np.abs(high))
    return np.asarray((points < low - slack) | (points > high + slack))


def _rates(x: FloatArray, n: FloatArray) -> FloatArray:
    return np.asarray(np.divide(x, n, out=np.full(n.size, np.nan), where=n > 0))


def _sd_of_rates(n: FloatArray, p: float) -> FloatArray:
    return np.asarray(np.sqrt(_rates(np.full(n.size, p * (1.0 - p)), n)))


def _account(x: FloatArray, n: FloatArray) -> Account:
    return Account(int((n > 0).sum()), int(x.sum()), int(n.sum()))


def _centre(x: FloatArray, n: FloatArray, rate: float | None) -> float:
    """Return the reference rate, or the pooled one; NaN where there are no feeds."""
    if rate is None:
        return float(x.sum() / n.sum()) if n.sum() > 0 else math.nan
    if not 0 <= rate <= 1:
        raise ValueError(
            f"rate must be faults per feed, from 0 to 1, not {rate:g}; leave it out to take the "
            "pooled one"
        )
    return float(rate)


def _counts(faults: ArrayLike, feeds: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Refuse faults and feeds that cannot be, and hand them back as numbers."""
    x, n = _row(faults, "faults"), _row(feeds, "feeds")
    if x.size != n.size:
        raise ValueError(
            f"faults and feeds must have one number each per entry; there are {x.size} of faults "
            f"and {n.size} of feeds"
        )
    _check_whole(x, "faults")
    _check_whole(n, "feeds")
    if np.any(x > n):
        at = int(np.argmax(x > n))
        raise ValueError(
            f"faults must not exceed feeds; at position {at + 1} there are {x[at]:g} faults in "
            f"{n[at]:g} feeds"
        )
    return x, n


def _row(values: ArrayLike, name: str) -> FloatArray:
    row = np.asarray(values, dtype=np.float64)
    if row.ndim != 1:
        raise ValueError(f"{name} must be one row of numbers, not of {row.ndim} dimensions")
    return row


def _check_whole(values: FloatArray, name: str) -> None:
    # Written so that a missing number is refused as well.
    bad = ~((values >= 0) & (values <= LARGEST_WHOLE) & (values == np.floor(values)))
    if np.any(bad):
        at = int(np.argmax(bad))
        raise ValueError(
            f"{name} must be whole numbers from 0 to {LARGEST_WHOLE:,}, with none missing; at "
            f"position {at + 1} there is {values[at]:g}"
        )


def _check_limits(limits: str) -> None:
    if limits not in ("exact", "three sigma"):
        raise ValueError(f"limits must be exact or three sigma, not {limits}")


def _check_chance(chance: float) -> None:
    if not 0 < chance < 1:
        raise ValueError(f"chance must be above 0 and below 1, such as 0.0027, not {chance}")


def _check_width(width: float) -> None:
    if not 0 < width < math.inf:
        raise ValueError(f"width must be above 0, such as 3 standard deviations, not {width}")


def _check_weight(weight: float) -> None:
    if not 0 < weight <= 1:
        raise ValueError(f"weight must be above 0 and at most 1, such as 0.3, not {weight}")
