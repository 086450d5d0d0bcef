"""Which shift was it, and to which day does a run belong?"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: ``datetime64[us]`` or ``datetime64[D]``.
TimeArray = NDArray[np.datetime64]

#: Minutes after midnight at which the early, the late and the night shift begin: common practice,
#: no source.
STARTS = (6 * 60, 14 * 60, 22 * 60)
SHIFTS = ("early", "late", "night")


def shift_of(started: ArrayLike, starts: tuple[int, int, int] = STARTS) -> NDArray[np.str_]:
    """Which shift was it: early, late or night?

    Parameters
    ----------
    started : array_like of datetime64
        Wall time.
    starts : (int, int, int)
        Minutes after midnight at which the three begin: by default 06:00, 14:00 and 22:00 (common
        practice, no source).

    Raises
    ------
    ValueError
        Where starts are not in order within a day.

    Examples
    --------
    >>> times = ["2031-05-05T05:59", "2031-05-05T06:00", "2031-05-05T21:59", "2031-05-05T22:00"]
    >>> shift_of(np.array(times, "datetime64[us]")).tolist()
    ['night', 'early', 'late', 'night']
    """
    _check_starts(starts)
    when = np.asarray(started, "datetime64[us]")
    minutes = (when - when.astype("datetime64[D]")) // np.timedelta64(1, "m")
    # Before the early shift it is place -1: the night that began on the day before.
    place = np.searchsorted(np.array(starts), minutes.astype(np.int64), side="right") - 1
    names: NDArray[np.str_] = np.array(SHIFTS)[place]
    return names


def shift_day(started: ArrayLike, starts: tuple[int, int, int] = STARTS) -> TimeArray:
    """To which day does a run belong, if a night shift belongs to the day it began on?

    Parameters
    ----------
    started, starts
        As of `shift_of`.

    Returns
    -------
    array of datetime64[D]

    Raises
    ------
    ValueError
        As `shift_of`.

    Examples
    --------
    >>> print(shift_day(np.array("2031-05-06T02:30", "datetime64[us]")))
    2031-05-05
    """
    _check_starts(starts)
    when = np.asarray(started, "datetime64[us]")
    return (when - np.timedelta64(starts[0], "m")).astype("datetime64[D]")


def _check_starts(starts: tuple[int, int, int]) -> None:
    if len(starts) != 3 or not 0 <= starts[0] < starts[1] < starts[2] < 24 * 60:
        raise ValueError(
            "starts must be three times of a day in order, in minutes after midnight: early, "
            f"late, night; not {starts}"
        )
