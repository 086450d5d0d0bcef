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
  that of normal values (`analysis.ewma.ewma_run_length`), which such counts are far from;
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

What a chart is, and what all of them ask of faults and feeds, stands here. Each chart has a module:
`analysis.rate_charts`, `analysis.gap_charts` and `analysis.ewma`, arrays in and one frozen `Chart`
out.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.log_format import LARGEST_WHOLE
from analysis.words import day

FloatArray = NDArray[np.float64]

#: Risk of a point beyond either limit where nothing changed: what three-sigma limits of normal
#: values have.
CHANCE = 0.0027

#: Beyond this relative difference a point is beyond its limit; less is rounding.
ROUNDING = 1e-12


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


def beyond(points: FloatArray, low: FloatArray, high: FloatArray) -> NDArray[np.bool_]:
    """Tell whether points lie beyond limits by more than rounding; no where there is no limit."""
    slack = ROUNDING * np.maximum(np.abs(low), np.abs(high))
    return np.asarray((points < low - slack) | (points > high + slack))


def rates_of(x: FloatArray, n: FloatArray) -> FloatArray:
    """Return the rate of each entry in faults per feed; NaN where it has no feeds."""
    return np.asarray(np.divide(x, n, out=np.full(n.size, np.nan), where=n > 0))


def account_of(x: FloatArray, n: FloatArray) -> Account:
    """Return what a chart of faults and feeds rests on; an entry without feeds is no point."""
    return Account(int((n > 0).sum()), int(x.sum()), int(n.sum()))


def centre_of(x: FloatArray, n: FloatArray, rate: float | None) -> float:
    """Return the reference rate, or the pooled one; NaN where there are no feeds.

    Raises
    ------
    ValueError
        For a rate that is below 0 or above 1.
    """
    if rate is None:
        return float(x.sum() / n.sum()) if n.sum() > 0 else math.nan
    if not 0 <= rate <= 1:
        raise ValueError(
            f"rate must be faults per feed, from 0 to 1, not {rate:g}; leave it out to take the "
            "pooled one"
        )
    return float(rate)


def checked_counts(faults: ArrayLike, feeds: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return faults and feeds as numbers, one entry each per run, day or week.

    Raises
    ------
    ValueError
        Where lengths differ, a count is negative, missing or no whole number, or faults exceed
        feeds.
    """
    x, n = checked_row(faults, "faults"), checked_row(feeds, "feeds")
    if x.size != n.size:
        raise ValueError(
            f"faults and feeds must have one number each per entry; there are {x.size} of faults "
            f"and {n.size} of feeds"
        )
    check_whole(x, "faults")
    check_whole(n, "feeds")
    if np.any(x > n):
        at = int(np.argmax(x > n))
        raise ValueError(
            f"faults must not exceed feeds; at position {at + 1} there are {x[at]:g} faults in "
            f"{n[at]:g} feeds"
        )
    return x, n


def checked_row(values: ArrayLike, name: str) -> FloatArray:
    """Return values as one row of numbers, or raise ValueError where they are not one row."""
    row = np.asarray(values, dtype=np.float64)
    if row.ndim != 1:
        raise ValueError(f"{name} must be one row of numbers, not of {row.ndim} dimensions")
    return row


def check_whole(values: FloatArray, name: str) -> None:
    """Raise ValueError where a value is negative, missing or no whole number."""
    # Written so that a missing number is refused as well.
    bad = ~((values >= 0) & (values <= LARGEST_WHOLE) & (values == np.floor(values)))
    if np.any(bad):
        at = int(np.argmax(bad))
        raise ValueError(
            f"{name} must be whole numbers from 0 to {LARGEST_WHOLE:,}, with none missing; at "
            f"position {at + 1} there is {values[at]:g}"
        )


def check_limits(limits: str) -> None:
    """Raise ValueError for limits of a kind that is not known."""
    if limits not in ("exact", "three sigma"):
        raise ValueError(f"limits must be exact or three sigma, not {limits}")


def check_chance(chance: float) -> None:
    """Raise ValueError for a risk that cannot be."""
    if not 0 < chance < 1:
        raise ValueError(f"chance must be above 0 and below 1, such as 0.0027, not {chance}")


def check_width(width: float) -> None:
    """Raise ValueError for limits that are not so many standard deviations wide."""
    if not 0 < width < math.inf:
        raise ValueError(f"width must be above 0, such as 3 standard deviations, not {width}")
