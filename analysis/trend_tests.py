"""Do events come closer and closer together with age, and how fast?

Simple checks beside the slopes of `analysis.wear`. `laplace` and `military` ask whether the times
of events drift to the end of what was watched; `power_law` says how expected events grow with age;
`laplace_counts` asks the same of faults in runs beside what was expected of them; `own_variance`
says how far age can be told from time at all.

References
----------
Cox DR, Lewis PAW (1966). The Statistical Analysis of Series of Events. Methuen. (Laplace's test.)
Crow LH (1974). Reliability analysis for complex, repairable systems. In: Proschan F, Serfling RJ
(eds), Reliability and Biometry, 379-410. SIAM.
MIL-HDBK-189 (1981). Reliability Growth Management. Department of Defense.
NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.3.4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

# No scipy.stats: importing it costs nearly a second at every start.
from scipy import special

__all__ = [
    "PowerLaw",
    "Trend",
    "laplace",
    "laplace_counts",
    "military",
    "own_variance",
    "power_law",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Rows that are looked at in one pass by `own_variance`.
_AT_ONCE = 20_000


class Trend(NamedTuple):
    """A test for a trend.

    Attributes
    ----------
    statistic : float
        Of Laplace's test standard normal without a trend, above 0 where events come closer
        together; of the other chi-square.
    p : float
        Two-sided p-value.
    """

    statistic: float
    p: float


class PowerLaw(NamedTuple):
    """Expected events up to an age t: scale times t to the power of shape.

    Attributes
    ----------
    shape : float
        Above 1: events come closer together. Likeliest value.
    scale : float
        In events for the unit of age to the power of the shape.
    unbiased : float
        The shape times (events - 1) / events, which is right on average.
    low, high : float
        Range of the shape.
    events : int
        Of all systems.
    """

    shape: float
    scale: float
    unbiased: float
    low: float
    high: float
    events: int


def power_law(
    times: Sequence[ArrayLike], ends: Sequence[float], *, confidence: float = 0.95
) -> PowerLaw:
    """How do expected events grow with age?

    Parameters
    ----------
    times : sequence of array_like, one per system
        Ages at its events.
    ends : sequence of float
        Age up to which each was watched, from 0.
    confidence : float
        Of the range of the shape: exact by chi-square where all were watched as long, given the
        number of events; nearly so otherwise.

    Raises
    ------
    ValueError
        For times outside what was watched, or fewer than two events.

    Notes
    -----
    The likeliest shape b and scale l meet l = N / sum(T^b) and
    b = N / (l sum(T^b ln T) - sum(ln t)), for N events and ends T (Crow 1974).

    Examples
    --------
    >>> found = power_law([[50, 80, 95], [40, 90]], [100, 100])
    >>> round(found.shape, 2), found.events
    (2.51, 5)
    """
    ends_ = np.asarray(ends, dtype=np.float64)
    if len(times) != ends_.size:
        raise ValueError(f"there are {len(times)} systems but {ends_.size} ends")
    systems = [_events(one, float(end)) for one, end in zip(times, ends_, strict=True)]
    events = np.concatenate(systems) if systems else np.zeros(0)
    n = events.size
    if n < 2 or np.all(events == ends_.max(initial=0.0)):
        raise ValueError(f"two events or more are needed to tell a shape, not {n}")
    # In units of the longest watch.
    longest = float(ends_.max())
    t, end = np.log(events / longest), ends_ / longest

    def lacking(log_shape: float) -> float:
        mass = end ** math.exp(log_shape)
        return float(math.exp(-log_shape) + t.mean() - (mass @ np.log(end)) / mass.sum())

    from scipy import optimize  # asked for seldom; the import costs every start

    shape = math.exp(float(optimize.brentq(lacking, -12.0, 12.0, xtol=1e-13)))
    # 2 N b / (likeliest b) is chi-square with 2 N degrees of freedom.
    tail = 0.5 * (1.0 - confidence)
    low, high = (float(special.gammaincinv(n, q)) * shape / n for q in (tail, 1.0 - tail))
    scale = n / float((end**shape).sum()) / longest**shape
    return PowerLaw(shape, scale, shape * (n - 1) / n, low, high, n)


def laplace(times: ArrayLike, end: float | None = None) -> Trend:
    """Do the events of one system come closer together?

    Parameters
    ----------
    times : array_like
        Ages at the events.
    end : float, optional
        Age up to which it was watched; where absent, it was watched up to the last event, which
        then does not count itself.

    Raises
    ------
    ValueError
        For times outside what was watched, or no event to go by.

    Examples
    --------
    >>> round(laplace([50, 80, 95], 100).statistic, 2)
    1.5
    """
    t, watched = _watched(times, end)
    z = (t.mean() - 0.5 * watched) / (watched * math.sqrt(1.0 / (12.0 * t.size)))
    return Trend(float(z), _two_sided(float(z)))


def military(times: ArrayLike, end: float | None = None) -> Trend:
    """Do the events of one system come closer together, as the power law would have it?

    Parameters
    ----------
    times, end
        As of `laplace`.

    Returns
    -------
    Trend
        The statistic 2 sum(ln(end / t)) is chi-square with twice as many degrees of freedom as
        events without a trend; small where they come closer together (MIL-HDBK-189).
    """
    t, watched = _watched(times, end)
    statistic = 2.0 * float(np.log(watched / t).sum())
    below = float(special.gammainc(t.size, 0.5 * statistic))
    return Trend(statistic, min(1.0, 2.0 * min(below, 1.0 - below)))


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
        Rows of unknown age (NaN) are left out.
    thing : array_like of int, optional
        Which bin or tower each row is of, from 0: each has a level of its own.
    dispersion : float
        How much more the sum varies, since runs differ, than if faults fell singly; see
        `analysis.wear.Slopes.dispersion`.

    Returns
    -------
    Trend
        Statistic 0 where ages or faults are none or do not differ.

    Notes
    -----
    Given how many faults a thing had, they fall on its rows as the expected ones do; the statistic
    is the sum of their ages less its mean, over its standard deviation. It is Laplace's test where
    the same is expected at every age (Cox and Lewis 1966).
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
    return Trend(z, _two_sided(z))


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


def _events(times: ArrayLike, end: float) -> FloatArray:
    """Return ages at events; raise ValueError for what cannot be."""
    t = np.asarray(times, dtype=np.float64)
    if not 0 < end < math.inf:
        raise ValueError(f"the end of what was watched must be above 0, not {end:g}")
    bad = np.flatnonzero(~((t > 0) & (t <= end)))
    if bad.size:
        raise ValueError(
            f"an event must lie above 0 and up to the end, {end:g}, not at {t[bad[0]]:g}"
        )
    return t


def _watched(times: ArrayLike, end: float | None) -> tuple[FloatArray, float]:
    """Return the events that count and how long was watched."""
    t = np.sort(np.asarray(times, dtype=np.float64))
    if end is None:
        if t.size < 2:
            raise ValueError("two events or more are needed where the watch ends at the last")
        return _events(t[:-1], float(t[-1])), float(t[-1])
    if not t.size:
        raise ValueError("one event or more is needed to go by")
    return _events(t, float(end)), float(end)


def _two_sided(z: float) -> float:
    return 2.0 * float(special.ndtr(-abs(z)))
