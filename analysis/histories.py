"""When did a stream's faults begin to be more than expected, by its whole history?

What stands between the log of a stream, month by month, and `analysis.change_point`: which runs to
look at, and what is known of the stream's level before the change. A history begins where the
stream last started anew. Where that lies in the time in which its level was learnt, the level may
hold a part of the change already: then no more is taken as known of it than of any bin of its
tower, and the change may have begun at any time since the log did.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.change_point import change_point

FloatArray = NDArray[np.float64]

#: Squared coefficient of variation of a tower's level before anything is known of it.
_BETWEEN_TOWERS = 0.02

#: From fewer expected faults before a change it cannot be told that there was a time before it.
_TOO_FEW = 2.0


@dataclass(frozen=True)
class History:
    """The runs of a stream, one array entry each, in order of time.

    Attributes
    ----------
    started : datetime64[us] array
        When the run began; wall time.
    faults, feeds : float array
    expected : float array
        Faults expected of this stream.
    plain : float array
        Faults expected of an ordinary bin of its tower.
    evidence : float array
        Highest of the stream's sums over their thresholds, after the run; an alarm from 1 on.
    monitored : bool array
        Whether the run was held against what was expected of it.
    """

    started: NDArray[np.datetime64]
    faults: FloatArray
    feeds: FloatArray
    expected: FloatArray
    plain: FloatArray
    evidence: FloatArray
    monitored: NDArray[np.bool_]

    def between(self, since: dt.datetime | None, until: dt.datetime | None) -> History:
        """Return the runs that began at one moment or later, and up to another, it included."""
        some = np.ones(self.started.size, dtype=bool)
        if since is not None:
            some &= self.started >= np.datetime64(since)
        if until is not None:
            some &= self.started <= np.datetime64(until)
        return History(**{name: getattr(self, name)[some] for name in self.__dataclass_fields__})


@dataclass(frozen=True)
class Dated:
    """When a change began.

    Attributes
    ----------
    began, earliest, latest : datetime
        Start of the first run that was worse, and of the first and last that may have been it.
    shape : str
        ``step`` or ``ramp``.
    ratio, ratio_low, ratio_high : float
        To the level before; of a ramp, what it has reached.
    faults, expected, feeds : float
        Since it began; expected of this stream.
    """

    began: dt.datetime
    earliest: dt.datetime
    latest: dt.datetime
    shape: str
    ratio: float
    ratio_low: float
    ratio_high: float
    faults: float
    expected: float
    feeds: float


def dated(
    history: History,
    begins: dt.datetime | None,
    *,
    of_bin: bool,
    learning: bool,
    after_alarm: bool,
    between_bins: float,
    squared_cv: float,
    variance: float,
    confirmed: float,
) -> Dated | None:
    """Say when a change began that raised an alarm.

    Parameters
    ----------
    history : History
        From where the stream started anew, up to the alarm or later.
    begins : datetime, optional
        When it started anew: a change that may have begun with the first run may have begun then.
    of_bin : bool
        Whether it is a bin's stream and not a tower's.
    learning : bool
        Whether it started anew while its level was being learnt.
    after_alarm : bool
        Whether it started anew with an alarm, so that its level is not what was learnt.
    between_bins, squared_cv : float
        Squared coefficients of variation: of the rate between the bins of a tower, and of what is
        known of this stream's level.
    variance : float
        Between runs.
    confirmed : float
        Faults expected since the alarm.

    Returns
    -------
    Dated or None
        None where there are fewer than two runs of which anything was expected.
    """
    some = history.expected > 0
    if some.sum() < 2:
        return None
    expected = history.plain[some] if learning and of_bin else history.expected[some]
    shape: float | None = 1 / max(squared_cv, 1e-4)
    if after_alarm:
        shape = None
    elif learning:
        shape = 1 / max(between_bins if of_bin else _BETWEEN_TOWERS, 1e-4)
    found = change_point(
        history.faults[some],
        expected,
        variance=variance,
        level_shape=shape,
        confirmed=confirmed,
    )
    started = history.started[some]
    since = slice(found.place, None)
    earliest = moment(started[found.earliest])
    if found.earliest <= 1 or float(expected[: found.earliest].sum()) < _TOO_FEW:
        # So few faults say nothing: it may be as old as the stream.
        earliest = begins or moment(started[0])
    return Dated(
        began=moment(started[found.place]),
        earliest=earliest,
        latest=moment(started[found.latest]),
        shape=found.shape,
        ratio=found.ratio,
        ratio_low=found.ratio_low,
        ratio_high=found.ratio_high,
        faults=float(history.faults[some][since].sum()),
        expected=float(history.expected[some][since].sum()),
        feeds=float(history.feeds[some][since].sum()),
    )


def moment(when: np.datetime64) -> dt.datetime:
    """Return a numpy moment as Python's."""
    found = when.astype("datetime64[us]").item()
    assert isinstance(found, dt.datetime)
    return found
