"""What was the air in which a run ran, where somebody read it off and where nobody did?

Readings of the air, relative humidity in percent or temperature in degrees Celsius, as levels of
the model of conditions (`analysis.conditions`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Readings:
    """Readings of the air, rounded to whole numbers, and what they were in each week.

    The air that nobody read off was still there, dry in winter. Taken as one level for the whole
    year, rows without a reading would carry the seasons into whatever else goes with them, and
    would hide a part of what air does; so each is taken to have had the air that was read off
    in its week, by whoever did, and there is a level for *not logged* besides.

    Attributes
    ----------
    low, high : int
        Smallest and largest reading there can be.
    weeks : int array
        Weeks of the log, in order.
    shares : float array
        A row for each week and one for a week that is not in the log; of the feeds with a reading,
        the share at each. Of the weeks beside it where a week has none, else of the whole log.
    """

    low: int
    high: int
    weeks: IntArray
    shares: FloatArray

    @property
    def values(self) -> int:
        """Number of different readings."""
        return self.high - self.low + 1

    @property
    def size(self) -> int:
        """Number of levels: readings, then weeks without one."""
        return self.values + len(self.shares)

    def codes(self, readings: FloatArray, week: IntArray) -> IntArray:
        """Return the level of each row, by its reading (NaN for none) and its week."""
        missing = np.isnan(readings)
        whole = np.floor(np.where(missing, self.low, readings) + 0.5)
        at = np.searchsorted(self.weeks, week)
        known = self.weeks[np.minimum(at, len(self.weeks) - 1)] == week
        of_week = self.values + np.where(known, at, len(self.weeks))
        return np.where(missing, of_week, np.clip(whole, self.low, self.high) - self.low).astype(
            np.int64
        )

    def missing(self, codes: IntArray) -> BoolArray:
        """Tell which rows had no reading; codes may be of toner-printed papers or not."""
        return np.asarray(codes % self.size >= self.values)

    def over(self, columns: FloatArray) -> FloatArray:
        """Return the columns of all levels, given those of the readings."""
        return np.vstack([columns, self.shares @ columns])

    @property
    def logged(self) -> FloatArray:
        """Return whether each level has no reading, as a column."""
        return (np.arange(self.size) >= self.values).astype(np.float64)[:, None]


def readings(
    values: FloatArray, week: IntArray, feeds: FloatArray, low: int, high: int
) -> Readings:
    """Learn what the air was in each week from what was read off.

    Parameters
    ----------
    values : float array
        Reading of each row; NaN for none.
    week : int array
        Week of each row, in any numbers that follow one another as weeks do.
    feeds : float array
        Of each row.
    low, high : int
        Smallest and largest reading there can be, in the unit of `values`; what is beyond them is
        taken to be at them.
    """
    weeks, at = np.unique(week, return_inverse=True)
    count = high - low + 1
    some = ~np.isnan(values)
    whole = np.clip(np.floor(values[some] + 0.5), low, high).astype(np.int64) - low
    fed = np.bincount(at[some] * count + whole, feeds[some], len(weeks) * count)
    fed = fed.reshape(len(weeks), count)
    around = fed.copy()
    for step in (-1, 1):
        other = np.searchsorted(weeks, weeks + step)
        there = weeks[np.minimum(other, len(weeks) - 1)] == weeks + step
        # The weeks beside it speak for a week in which nobody read anything.
        there &= fed.sum(axis=1) == 0
        around[there] += fed[other[there]]
    whole_log = fed.sum(axis=0) if some.any() else np.ones(count)
    around[around.sum(axis=1) == 0] = whole_log
    around = np.vstack([around, whole_log])
    return Readings(low, high, weeks, around / around.sum(axis=1, keepdims=True))
