"""What does each run say for a worse rate, and where do the sums of it stand?

A stream is a sequence of runs, each with its faults and the faults *expected* of it. While nothing
has changed, the faults of a run that expects m have the mean m and the variance m + v m^2
(negative binomial; Poisson where v is 0), v being the variance between runs. Three cumulative sums
of log-likelihood ratios watch for a rate that is 1.5, 2 and 4 times what was expected. A sum never
falls below 0, and an alarm is raised when one of them reaches its threshold: a sum that equals its
threshold alarms (published tables differ in this).

How long a sum runs until it alarms (`analysis.run_lengths`) is counted in faults expected, which
are the clock of a stream: sheets of another stock, or more of them, count as what they are expected
to bring. Thresholds follow from how often an alarm may be false (`analysis.thresholds`).

Statistics only: arrays in, arrays out.

References
----------
Page 1954, Biometrika 41:100-115 (the cumulative sum). Lucas 1985, Technometrics 27:129-144 (for
counts). Moustakides 1986, Annals of Statistics 14:1379-1387 (none finds a step sooner on average
for as few false alarms). Steiner, Cook, Farewell and Treasure 2000, Biostatistics 1:441-452
(against what each case was expected to bring).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

#: The rate ratios that the three sums of a stream watch for.
RATIOS = (1.5, 2.0, 4.0)

#: Below this, runs differ by chance alone: the chances of counts could not be told from Poisson.
NO_VARIANCE = 1e-7


def terms(
    expected: FloatArray, variance: ArrayLike, ratio: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return what a sum gains with each fault, and what it loses with each run; broadcasts.

    Parameters
    ----------
    expected : array
        Faults expected of each run, 0 or more.
    variance, ratio : array_like
        As of `scores`.
    """
    m, v, rho = np.broadcast_arrays(expected, np.asarray(variance, float), np.asarray(ratio, float))
    none = v < NO_VARIANCE
    some = np.where(none, 1.0, v)
    # ln of (1 + v rho m) / (1 + v m), kept exact where it is small.
    grown = np.log1p(some * (rho - 1) * m / (1 + some * m))
    gain = np.log(rho) - np.where(none, 0.0, grown)
    return gain, np.where(none, (rho - 1) * m, grown / some)


def scores(
    faults: ArrayLike, expected: ArrayLike, variance: ArrayLike, ratio: ArrayLike
) -> FloatArray:
    """Return how much each run speaks for a worse rate: log-likelihood ratios; broadcasts.

    ``x ln(rho) - (x + 1/v) ln((1 + v rho m) / (1 + v m))``, and ``x ln(rho) - (rho - 1) m`` where
    v is 0, for x faults where m were expected and a rate rho times as high.

    Parameters
    ----------
    faults : array_like
        Faults of each run, 0 or more.
    expected : array_like
        Faults expected of each, 0 or more. Nothing speaks for anything where 0 are expected and
        none came.
    variance : array_like
        Variance between runs, the square of their coefficient of variation; 0 or more.
    ratio : array_like
        Rate ratio that is watched for, above 1.

    Raises
    ------
    ValueError
        For numbers outside these ranges.

    Examples
    --------
    >>> scores([0, 3], 1.0, 0.0, 2.0).round(4).tolist()
    [-1.0, 1.0794]
    """
    x, m = np.asarray(faults, float), np.asarray(expected, float)
    _check_counts(x, m)
    check_model(variance, ratio)
    gain, loss = terms(m, variance, ratio)
    result: FloatArray = x * gain - loss
    return result


def stepped(sums: FloatArray, gained: FloatArray, expected: FloatArray) -> FloatArray:
    """Return where sums stand after one more run of each stream.

    Parameters
    ----------
    sums : float array, any shape with ratios last
        Where they stood: a number for each of `RATIOS`, of each stream.
    gained : float array, of the same shape
        What the run speaks for each ratio, as `scores` gives it.
    expected : float array, that shape without ratios
        Faults expected of the run. A stream whose run expects 0 stays where it is: it was not
        watched.

    Examples
    --------
    >>> gained = scores([[2], [0]], [[0.5], [0.0]], 0.0, RATIOS)
    >>> stepped(np.array([[0, 0, 0], [1, 1, 1]]), gained, np.array([0.5, 0])).round(3).tolist()
    [[0.561, 0.886, 1.273], [1.0, 1.0, 1.0]]
    """
    return np.where((expected > 0)[..., None], np.maximum(sums + gained, 0.0), sums)


def check_model(variance: ArrayLike, ratio: ArrayLike) -> None:
    """Raise ValueError for a variance between runs or a ratio watched for that cannot be."""
    v, rho = np.asarray(variance, float), np.asarray(ratio, float)
    if not np.all((v >= 0) & np.isfinite(v)):
        raise ValueError(f"variance between runs must be 0 or more, not {v.min():g}")
    if not np.all((rho > 1) & np.isfinite(rho)):
        raise ValueError(f"ratio that is watched for must be above 1, not {rho.min():g}")


def _check_counts(faults: FloatArray, expected: FloatArray) -> None:
    """Refuse faults and expected faults that cannot be."""
    if not np.all((faults >= 0) & np.isfinite(faults)):
        raise ValueError(f"faults must be 0 or more, not {faults.min():g}")
    if not np.all((expected >= 0) & np.isfinite(expected)):
        raise ValueError(f"expected faults must be 0 or more, not {expected.min():g}")
