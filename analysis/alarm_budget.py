"""Which thresholds keep the false alarms of a tower within its budget?

All bins of a tower share its false alarms of a year in proportion to what is expected of them, and
each kind of fault of the tower as a whole has as much as a bin has on average. Thresholds allow for
the size of runs, for clusters and for how well a stream's level is known (`analysis.thresholds`).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.cusum import RATIOS
from analysis.stream_months import KINDS
from analysis.thresholds import RunLengthTable, run_length_table

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Streams in which nothing changed, of bins and of towers, alarm so many times as often as
#: thresholds are set for. What is expected of a month is off in ways that its level does not tell,
#: and streams go on from where they stand. Found in simulated fleets (tests/slow/drift.py).
_ALLOWANCES = (1.5, 4.0)

#: A stream that expects next to nothing would alarm at its first fault or its second: no threshold
#: is lower than this, which takes three.
_LEAST_THRESHOLD = 3.5

#: Variances between runs for which thresholds are worked out; what is found is rounded up.
_VARIANCES = (0, 0.1, 0.2, 0.3, 0.45, 0.65, 1.0, 1.5, 2.0)

#: Sizes of runs relative to their mean that stand for all of them.
_SIZES = 8


def shared_out(
    budget: float,
    yearly: FloatArray,
    sizes: FloatArray,
    cv: FloatArray,
    variance: FloatArray,
    unequal: float,
    of_tower: IntArray,
) -> tuple[FloatArray, FloatArray]:
    """Share each tower's false alarms out over its streams, and find each one's thresholds.

    Parameters
    ----------
    budget : float
        False alarms a year of a tower on which nothing changes.
    yearly, sizes, cv : float array, kinds x places
        Faults expected in a year and in a run, and the squared coefficient of variation of what is
        known of a level; bins first, then towers as a whole.
    variance : float array, kinds x 2
        Between runs, of a bin and of a tower.
    unequal : float
        Coefficient of variation of the size of runs.
    of_tower : int array, one per bin
        The tower of each.

    Returns
    -------
    thresholds : float array, kinds x places x ratios
        Infinite for a stream of which nothing is expected.
    doubling : float array, kinds x places
        Expected faults until twice as many are noticed, on average.
    """
    bins = of_tower.size
    towers = yearly.shape[1] - bins
    number = np.bincount(of_tower, minlength=towers)
    total = np.bincount(of_tower, yearly[:, :bins].sum(axis=0), towers)
    shares = np.zeros(yearly.shape)
    whole = np.where(total > 0, total, 1.0)
    each = number / (number + 1.0)
    shares[:, :bins] = yearly[:, :bins] / whole[of_tower] * each[of_tower]
    # As much for what its bins share as for a bin on average.
    active = (yearly[:, bins:] > 0).sum(axis=0)
    shares[:, bins:] = (1 - each) / np.maximum(active, 1)
    allowed = np.full(yearly.shape[1], _ALLOWANCES[0])
    allowed[bins:] = _ALLOWANCES[1]
    chance = -np.expm1(-budget / allowed * shares)
    out = np.full((*yearly.shape, len(RATIOS)), np.inf)
    doubling = np.full(yearly.shape, np.inf)
    for k in range(len(KINDS)):
        for column, part in ((0, slice(0, bins)), (1, slice(bins, None))):
            used = np.flatnonzero(yearly[k, part] > 0) + (part.start or 0)
            if used.size:
                table = _table(unequal, _rounded(variance[k, column]))
                out[k, used] = table.thresholds(
                    np.clip(chance[k, used], 1e-6, 0.9),
                    yearly[k, used],
                    sizes[k, used],
                    np.minimum(cv[k, used], 1.0),
                )
                out[k, used] = np.maximum(out[k, used], _LEAST_THRESHOLD)
                doubling[k, used] = table.until_noticed(out[k, used], sizes[k, used], 2.0)
    return out, doubling


def _rounded(variance: float) -> float:
    """Round a variance up to one for which thresholds are worked out."""
    return next((float(v) for v in _VARIANCES if v >= variance - 0.01), float(_VARIANCES[-1]))


@lru_cache(maxsize=64)
def _table(unequal: float, variance: float) -> RunLengthTable:
    """Work out run lengths for runs whose sizes are spread as a gamma distribution is."""
    shape = 1 / max(unequal, 1e-3) ** 2
    sizes = special.gammaincinv(shape, (np.arange(_SIZES) + 0.5) / _SIZES)
    return run_length_table(sizes / sizes.mean(), variance)
