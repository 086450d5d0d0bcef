"""In what way do faults rise with age: steadily, as a power law, or not with age but at once?

Three pictures of the same rows, each beside a rate that does not change:

- *steady*: the rate grows by the same ratio for every feed of age;
- *power law*: expected faults up to age t grow as t^b. Those of a run are the difference between
  its end and its start, so an age of 0 does no harm (Crow 1974);
- *at once*: the rate had one value before a moment of the calendar and another after it, whatever
  the age. Where parts were replaced meanwhile, that is a picture of its own.

Each thing has its own level, which drops out given its faults; slope, power, or moment and ratio
are common to the things that are looked at together. The first two have one number that is fitted,
and what they gain is the highest log-likelihood. The third has two. Its ratio is fitted at each
moment; over the moments likelihoods are *averaged*, each as likely beforehand by the faults that
were expected near it, rather than the highest taken. So having many moments to choose from earns
nothing: that counts the second number (as Raftery and Akman 1986 do for a place). Gains are divided
by how much more faults vary, since runs differ, than if they fell singly.

By simulation (tests/slow/wear.py: one bin with about 100 faults, variance 0.09 between runs, 200
times) the best picture, in percent, was:

===============  ======  ==========  =======  ====================
truth            steady  power law   at once  none
===============  ======  ==========  =======  ====================
steady wear      76      23          0.5      0.5
tripled at once  0       0           100      0
doubled at once  0.5     0.5         84       15
nothing          2       6           5        87
===============  ======  ==========  =======  ====================

Steady and power law are told apart surely only one time in four. Whether there is wear at all is
for the range of `analysis.wear.slopes`, not for this.

References
----------
Crow LH (1974). Reliability analysis for complex, repairable systems. In: Proschan F, Serfling RJ
(eds), Reliability and Biometry, 379-410. SIAM.
Raftery AE, Akman VE (1986). Bayesian analysis of a Poisson process with a change-point. Biometrika
73:85-89.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.beside_expected import check_amounts
from analysis.wear import PER
from analysis.words import many, two_digits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SHAPES = ("steady", "power law", "at once")

#: Gain in log-likelihood from which a rise or fall stands out: the 95 % point of half a chi-square
#: with one degree of freedom.
STANDS_OUT = 1.92

#: Gain over the next best from which a picture is told without the other: twenty times as likely.
SURE = math.log(20.0)

#: Moments that are looked at, spread evenly by expected faults.
_MOMENTS = 200

#: Logarithms between which a ratio, and the slope at the oldest age, are looked for.
_FAR = 6.0
#: Powers that are looked for.
_POWERS = (0.02, 30.0)


@dataclass(frozen=True)
class Shape:
    """Which picture of a rise fits best.

    Attributes
    ----------
    better : str
        ``steady``, ``power law`` or ``at once``, whichever gains most; ``none`` where nothing
        stands out.
    sure : bool
        Whether it is twenty times as likely as the next best, or as no change where none is.
    steady, power_law, at_once : float
        Log-likelihood gained over a rate that does not change; the last is averaged over moments,
        so it may be below 0, and NaN where no times were given.
    ratio : float
        Of the steady rise, for every `per` of age.
    power : float
        Of the power law: faults up to age t are in proportion to t^power; 1 is no rise.
    step : float
        Rate after over before, at the likeliest moment; NaN where no times were given.
    since : float
        Time of the first row after the likeliest moment, as given; NaN where none were.
    count : float
        Faults at known ages.
    per : float
        Feeds that `ratio` is for.
    """

    better: str
    sure: bool
    steady: float
    power_law: float
    at_once: float
    ratio: float
    power: float
    step: float
    since: float
    count: float
    per: float

    def sentence(self) -> str:
        """Say it in plain words."""
        by = f"By {many(round(self.count), 'fault')}"
        if self.better == "none":
            return f"{by} nothing shows that they become more with age."
        gains = {"steady": self.steady, "power law": self.power_law, "at once": self.at_once}
        text = f"{by} the rate changed {self._how(self.better)}"
        if self.sure:
            return f"{text}."
        rest = [name for name in SHAPES if name != self.better and not math.isnan(gains[name])]
        return f"{text} or, less likely, {self._how(max(rest, key=lambda name: gains[name]))}."

    def _how(self, name: str) -> str:
        if name == "steady":
            return f"steadily ({self.ratio:.3g} times for every {self.per:,.0f} feeds)"
        if name == "power law":
            return f"as a power law ({two_digits(self.power)})"
        return f"at once rather than with age ({two_digits(self.step)} times)"


def shape(
    faults: ArrayLike,
    expected: ArrayLike,
    feeds: ArrayLike,
    age: ArrayLike,
    thing: ArrayLike | None = None,
    *,
    when: ArrayLike | None = None,
    run: ArrayLike | None = None,
    variance: float = 0.0,
    per: float = PER,
) -> Shape:
    """In what way do faults rise with age?

    Parameters
    ----------
    faults, expected, feeds : array_like, one per row
        Feeds of the bin (cycles of the tower) are what the part aged meanwhile.
    age : array_like, one per row
        Of the part when the row began; rows where it is NaN are left out.
    thing : array_like of int, optional
        Which bin or tower each row is of, from 0. One where absent. Look at things that wear alike
        together, at one that does not by itself.
    when : array_like, optional
        When each row was, as any number that grows with time, such as days; without it *at once* is
        not looked at.
    run : array_like of int, optional
        Run of each row; each by itself where absent.
    variance : float
        Between runs, relative, as of `analysis.spread`.
    per : float
        Feeds that the ratio is to be for.

    Raises
    ------
    ValueError
        For lengths that differ, or numbers that are negative or missing.

    Examples
    --------
    Invented runs of one bin, 20 faults expected in each; the part is replaced after four:

    >>> age = [0, 100_000, 200_000, 300_000] * 2
    >>> found = shape([20, 25, 30, 40, 18, 26, 33, 38], [20] * 8, [100_000] * 8, age, when=range(8))
    >>> found.better
    'steady'
    """
    rows = _checked(faults, expected, feeds, age, thing, when, run)
    total = float(rows.faults.sum())
    if total == 0:
        return Shape("none", False, 0.0, 0.0, math.nan, 1.0, 1.0, math.nan, math.nan, 0.0, per)
    phi = _dispersion(rows, float(variance))
    longest = float((rows.age + rows.feeds).max())
    slope, steady = _steady(rows, longest)
    power, power_law = _power(rows, longest)
    at_once, step, since = math.nan, math.nan, math.nan
    if when is not None:
        at_once, step, since = _at_once(rows, phi)
    gains = {"steady": steady / phi, "power law": power_law / phi, "at once": at_once}
    ranked = sorted(
        (name for name in SHAPES if not math.isnan(gains[name])), key=lambda name: -gains[name]
    )
    best = ranked[0]
    stands = gains[best] > STANDS_OUT
    return Shape(
        better=best if stands else "none",
        sure=stands and gains[best] - max(gains[ranked[1]], 0.0) > SURE,
        steady=gains["steady"],
        power_law=gains["power law"],
        at_once=at_once,
        ratio=math.exp(slope * per / longest),
        power=power,
        step=step,
        since=since,
        count=total,
        per=per,
    )


class _Rows(NamedTuple):
    """Rows of known age, in the order of time."""

    faults: FloatArray
    expected: FloatArray
    feeds: FloatArray
    age: FloatArray
    thing: IntArray
    when: FloatArray
    run: IntArray


def _gain(rows: _Rows, log_rate: FloatArray) -> float:
    """Return the log-likelihood of a rate over that of one that does not change."""
    count = np.bincount(rows.thing, weights=rows.faults)
    mass = np.bincount(rows.thing, weights=rows.expected)
    top = log_rate.max()
    weighed = np.bincount(rows.thing, weights=rows.expected * np.exp(log_rate - top))
    some = count > 0
    shift = np.log(np.maximum(weighed[some], 1e-300) / mass[some]) + top
    hit = rows.faults > 0
    return float(rows.faults[hit] @ log_rate[hit] - count[some] @ shift)


def _best(function: Callable[[float], float], low: float, high: float) -> tuple[float, float]:
    """Return where a function of one peak is highest, and how high."""
    from scipy import optimize  # asked for seldom; the import costs every start

    found = optimize.minimize_scalar(
        lambda at: -function(at), bounds=(low, high), method="bounded", options={"xatol": 1e-7}
    )
    return float(found.x), max(-float(found.fun), 0.0)


def _steady(rows: _Rows, longest: float) -> tuple[float, float]:
    middle = (rows.age + 0.5 * rows.feeds) / longest
    return _best(lambda slope: _gain(rows, slope * middle), -_FAR, _FAR)


def _power(rows: _Rows, longest: float) -> tuple[float, float]:
    start, end = rows.age / longest, (rows.age + rows.feeds) / longest

    def gain(log_power: float) -> float:
        # Mean of t^(b-1) over the run, but for a factor.
        power = math.exp(log_power)
        mean = np.maximum(end**power - start**power, 1e-300) / np.maximum(end - start, 1e-300)
        return _gain(rows, np.log(mean))

    log_power, best = _best(gain, math.log(_POWERS[0]), math.log(_POWERS[1]))
    return math.exp(log_power), best


def _at_once(rows: _Rows, phi: float) -> tuple[float, float, float]:
    """Return what a change at once gains, averaged over moments, its ratio and its time."""
    things = int(rows.thing.max()) + 1
    count = np.bincount(rows.thing, weights=rows.faults, minlength=things)
    reached = np.cumsum(rows.expected)
    # No moment lies between rows of the same time.
    starts = np.flatnonzero(np.diff(rows.when) > 0) + 1
    if not starts.size:
        return math.nan, math.nan, math.nan
    if starts.size > _MOMENTS:
        marks = np.linspace(reached[starts[0] - 1], reached[starts[-1] - 1], _MOMENTS)
        starts = starts[np.unique(np.searchsorted(reached[starts - 1], marks))]
    before = np.zeros((starts.size, things))
    for thing in range(things):
        mine = np.cumsum(np.where(rows.thing == thing, rows.expected, 0.0))
        before[:, thing] = mine[starts - 1]
    mass = np.bincount(rows.thing, weights=rows.expected, minlength=things)
    after = np.maximum(mass - before, 0.0)
    hits = rows.faults.sum() - np.cumsum(rows.faults)[starts - 1]
    log = np.zeros(starts.size)
    # Newton's steps; the log-likelihood has one peak in the logarithm of the ratio.
    for _ in range(40):
        share = after * np.exp(log)[:, None]
        share = share / np.maximum(share + before, 1e-300)
        slope = hits - share @ count
        bend = np.maximum((share * (1 - share)) @ count, 1e-3)
        log = np.clip(log + np.clip(slope / bend, -1.0, 1.0), -_FAR, _FAR)
    shift = np.log(np.maximum(before + after * np.exp(log)[:, None], 1e-300)) - np.log(
        np.maximum(mass, 1e-300)
    )
    gain = np.maximum(hits * log - shift @ count, 0.0) / phi
    # As likely beforehand by what was expected between a moment and the next.
    edges = np.append(reached[starts - 1], reached[-1])
    weight = np.diff(edges) + np.diff(np.append(0.0, edges[:-1]))
    top = float(gain.max())
    averaged = top + math.log(float(weight @ np.exp(gain - top)) / float(weight.sum()))
    place = int(np.argmax(gain))
    return averaged, math.exp(float(log[place])), float(rows.when[starts[place]])


def _dispersion(rows: _Rows, variance: float) -> float:
    """Return how much more faults vary than if they fell singly."""
    if not 0 <= variance < math.inf:
        raise ValueError(f"variance between runs must be 0 or more, not {variance:g}")
    mass = np.bincount(rows.thing, weights=rows.expected)
    count = np.bincount(rows.thing, weights=rows.faults)
    fitted = rows.expected * (count / np.maximum(mass, 1e-300))[rows.thing]
    by_run = np.bincount(rows.run, weights=fitted)
    return 1.0 + variance * float(by_run @ by_run) / float(fitted.sum())


def _checked(
    faults: ArrayLike,
    expected: ArrayLike,
    feeds: ArrayLike,
    age: ArrayLike,
    thing: ArrayLike | None,
    when: ArrayLike | None,
    run: ArrayLike | None,
) -> _Rows:
    """Return rows of known age in the order of time; raise ValueError for what cannot be."""
    x, m, f, a = (np.asarray(v, dtype=np.float64) for v in (faults, expected, feeds, age))
    k = np.zeros(x.shape, dtype=np.int64) if thing is None else np.asarray(thing, dtype=np.int64)
    t = np.zeros(x.shape) if when is None else np.asarray(when, dtype=np.float64)
    r = np.arange(x.size) if run is None else np.asarray(run, dtype=np.int64)
    if x.ndim != 1 or not x.shape == m.shape == f.shape == a.shape == k.shape == t.shape == r.shape:
        raise ValueError("faults, expected, feeds, age, thing, when and run must be of one length")
    some = ~np.isnan(a) & (m > 0) & (f > 0)
    for name, values in (("faults", x), ("expected", m), ("feeds", f)):
        check_amounts(name, values, "row")
    if np.any(a[some] < 0) or np.any(np.isnan(t[some])):
        raise ValueError("age must be 0 or more, or NaN where unknown; when may not be missing")
    kept = np.flatnonzero(some)
    kept = kept[np.argsort(t[kept], kind="stable")]
    _, number = np.unique(r[kept], return_inverse=True)
    _, which = np.unique(k[kept], return_inverse=True)
    return _Rows(
        x[kept], m[kept], f[kept], a[kept], which.astype(np.int64), t[kept], number.astype(np.int64)
    )
