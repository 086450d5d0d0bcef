"""What does each thing by itself say of how fast its part wears?

The machinery below `analysis.wear`, whose docstring says what it does: rows of known age, the
conditional likelihood of a slope for each thing, how much wider it is since runs differ, and the
grid of slopes on which all are looked at. Slopes here are in units of a typical age.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.beside_expected import check_faults

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Slopes that are looked at: up to 400 times the faults at a typical age.
FURTHEST = 6.0
#: Widest and closest spacing of the grid.
_WIDEST, _CLOSEST = 0.08, 1e-4
#: Rows beyond which those of a thing with nearly the same age are added up, and in how many steps
#: of a typical age: that moves no logarithm of a rate by more than 1e-4.
_MANY_ROWS = 50_000
_AGE_STEPS = 200

#: Logarithm beyond which a rate is not followed.
LARGEST = 600.0


class Rows(NamedTuple):
    """Rows of known age, in the order of things.

    Attributes
    ----------
    faults, expected, feeds : float array, one per row
        Counted; to be expected without wear; asked. Feeds are NaN where none were given.
    age : float array, one per row
        Feeds since the part was fitted.
    thing, run : int array, one per row
        Which bin or tower it is of, from 0, and which run.
    things : int
        How many bins or towers there are.
    """

    faults: FloatArray
    expected: FloatArray
    age: FloatArray
    feeds: FloatArray
    thing: IntArray
    run: IntArray
    things: int


class Evidence:
    """What each thing says of its slope, in units of a typical age."""

    def __init__(self, rows: Rows, scale: float, variance: FloatArray, between: float) -> None:
        self.rows = rows
        self.age = rows.age / scale
        self.count = self.total(rows.faults)
        self._moment = self.total(rows.faults * self.age)
        self._cells = _cells(rows, self.age)
        expected = self.total(rows.expected)
        self.peak, self.error = self._peaks()
        level = (self.count + 1 / between) / (expected + 1 / between)
        self.dispersion, self.level_dispersion, self.widening = self._dispersions(variance, level)
        self.error = self.error * np.sqrt(self.dispersion)

    def total(self, values: FloatArray) -> FloatArray:
        """Add up the rows of each thing."""
        added = np.bincount(self.rows.thing, weights=values, minlength=self.rows.things)
        return added.astype(np.float64, copy=False)

    def grid(self) -> FloatArray:
        """Return slopes to look at: closer together where some evidence is sharp."""
        # All together may be sharper than any.
        return _grid(*_with_all(self.peak, self.error))

    def exposure(self, grid: FloatArray) -> FloatArray:
        """Return the faults to be expected of each thing at each slope, at a level of 1."""
        expected, age, first, present = self._cells
        out = np.zeros((self.rows.things, grid.size))
        if present.size:
            for number, slope in enumerate(grid.tolist()):
                values = expected * np.exp(np.clip(slope * age, -LARGEST, LARGEST))
                out[present, number] = np.add.reduceat(values, first)
        return out

    def own(self, grid: FloatArray, exposure: FloatArray) -> FloatArray:
        """Return the log-likelihood of each thing at each slope, its highest being 0."""
        some = self.count > 0
        out = np.zeros(exposure.shape)
        log = np.log(exposure[some])
        value = self._moment[some, None] * grid - self.count[some, None] * log
        out[some] = value / self.dispersion[some, None]
        return np.asarray(out - out.max(axis=1, keepdims=True))

    def _peaks(self) -> tuple[FloatArray, FloatArray]:
        """Return each thing's likeliest slope and its standard error; infinite where none."""
        z = np.zeros(self.rows.things)
        thing, age, expected = self.rows.thing, self.age, self.rows.expected
        information = np.zeros(z.shape)
        for _ in range(30):
            weight = expected * np.exp(np.clip(z[thing] * age, -LARGEST, LARGEST))
            total = np.maximum(self.total(weight), 1e-300)
            mean = self.total(weight * age) / total
            spread = self.total(weight * (age - mean[thing]) ** 2) / total
            information = self.count * spread
            score = self._moment - self.count * mean
            step = np.where(information > 1e-9, score / np.maximum(information, 1e-9), 0.0)
            z = np.clip(z + np.clip(step, -0.5, 0.5), -FURTHEST, FURTHEST)
        with np.errstate(divide="ignore"):
            return z, np.where(information > 1e-9, 1 / np.sqrt(information), np.inf)

    def _dispersions(
        self, variance: FloatArray, level: FloatArray
    ) -> tuple[FloatArray, FloatArray, np.float64]:
        """Return phi of each slope, of each level, and what more there is of all together."""
        rows = self.rows
        if not rows.thing.size or not np.any(variance > 0):
            return np.ones(rows.things), np.ones(rows.things), np.float64(1.0)
        # A slope that is hardly known would put all the weight on the oldest rows.
        z = np.where(self.error < 0.5, self.peak, 0.0)
        # At the faults there were: a level in which the age is not yet allowed for.
        fitted = rows.expected * np.exp(np.clip(z[rows.thing] * self.age, -LARGEST, LARGEST))
        fitted *= (level * self.total(rows.expected) / np.maximum(self.total(fitted), 1e-300))[
            rows.thing
        ]
        total = np.maximum(self.total(fitted), 1e-300)
        off = self.age - (self.total(fitted * self.age) / total)[rows.thing]
        plain = self.total(fitted * off**2)
        pair, of_pair = np.unique(rows.run * rows.things + rows.thing, return_inverse=True)
        of_thing = pair % rows.things
        shift = np.bincount(of_pair, weights=fitted * off)
        mass = np.bincount(of_pair, weights=fitted)
        by_thing = np.bincount(of_thing, weights=shift**2, minlength=rows.things)
        slope = 1 + variance * by_thing / np.where(plain > 0, plain, np.inf)
        masses = np.bincount(of_thing, weights=mass**2, minlength=rows.things)
        level_phi = 1 + variance * masses / total
        everywhere = plain.sum()
        if everywhere <= 0:
            return slope, level_phi, np.float64(1.0)
        _, of_run = np.unique(rows.run, return_inverse=True)
        v = np.sqrt(variance)[rows.thing]
        together = 1 + (np.bincount(of_run, weights=v * fitted * off) ** 2).sum() / everywhere
        apart = 1 + (variance * by_thing).sum() / everywhere
        return slope, level_phi, max(np.float64(1.0), together / apart)


def _cells(rows: Rows, age: FloatArray) -> tuple[FloatArray, FloatArray, IntArray, IntArray]:
    """Return expected faults and ages, where each thing's begin, and which things there are."""
    expected, thing = rows.expected, rows.thing
    if thing.size > _MANY_ROWS:
        step = np.floor(age * _AGE_STEPS).astype(np.int64)
        pair = thing * (int(step.max()) + 1) + step
        pairs, of_pair = np.unique(pair, return_inverse=True)
        thing = pairs // (int(step.max()) + 1)
        mass = np.bincount(of_pair, weights=expected).astype(np.float64, copy=False)
        age = np.bincount(of_pair, weights=expected * age) / np.maximum(mass, 1e-300)
        expected = mass
    present, first = np.unique(thing, return_index=True)
    return expected, age, first.astype(np.int64), present.astype(np.int64)


def typical_age(rows: Rows) -> float:
    """Return the age below which nine of ten expected faults fall, each thing counting alike."""
    if not rows.age.size:
        return 1.0
    total = np.bincount(rows.thing, weights=rows.expected)
    order = np.argsort(rows.age, kind="stable")
    reached = np.cumsum((rows.expected / total[rows.thing])[order])
    # What is reached to the last digits but one is reached.
    place = int(np.searchsorted(reached, 0.9 * reached[-1] * (1 - 1e-12)))
    found = float(rows.age[order][min(place, order.size - 1)])
    return found if found > 0 else max(float(rows.age.max()), 1.0)


def _with_all(peak: FloatArray, error: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Put the slope of all together beside those of each; without those that say nothing."""
    some = np.isfinite(error)
    if not np.any(some):
        return np.zeros(0), np.zeros(0)
    weight = error[some] ** -2
    return (
        np.append(peak[some], (weight @ peak[some]) / weight.sum()),
        np.append(error[some], weight.sum() ** -0.5),
    )


def _grid(peak: FloatArray, error: FloatArray) -> FloatArray:
    """Return slopes to look at: closer together where some evidence is sharp."""
    points = [-FURTHEST]
    while points[-1] < FURTHEST:
        here = points[-1]
        step = _WIDEST
        if peak.size:
            step = float(np.min(np.maximum(error, np.abs(here - peak) / 4.0))) / 3.0
        points.append(here + min(max(step, _CLOSEST), _WIDEST))
    return np.array(points)


def checked_rows(
    faults: ArrayLike,
    expected: ArrayLike,
    age: ArrayLike,
    thing: ArrayLike,
    things: int,
    feeds: ArrayLike | None,
    run: ArrayLike | None,
) -> Rows:
    """Return rows of known age in the order of things; raise ValueError for what cannot be."""
    x, m, a = (np.asarray(values, dtype=np.float64) for values in (faults, expected, age))
    k = np.asarray(thing, dtype=np.int64)
    f = np.full(x.shape, np.nan) if feeds is None else np.asarray(feeds, dtype=np.float64)
    r = np.arange(x.size) if run is None else np.asarray(run, dtype=np.int64)
    if x.ndim != 1 or not x.shape == m.shape == a.shape == k.shape == f.shape == r.shape:
        raise ValueError("faults, expected, age, thing, feeds and run must be of one length")
    if k.size and not 0 <= int(k.min()) <= int(k.max()) < things:
        raise ValueError(f"things must be numbered from 0 to {things - 1}, as there are {things}")
    check_faults(x, m, "row")
    bad = np.flatnonzero((a < 0) | np.isinf(a))
    if bad.size:
        raise ValueError(
            f"age must be 0 or more, or NaN where unknown; row {bad[0]}, counted from 0, has "
            f"{a[bad[0]]:g}"
        )
    # Rows that expect nothing say nothing.
    kept = np.flatnonzero(~np.isnan(a) & (m > 0))
    kept = kept[np.argsort(k[kept], kind="stable")]
    _, number = np.unique(r[kept], return_inverse=True)
    return Rows(x[kept], m[kept], a[kept], f[kept], k[kept], number.astype(np.int64), things)
