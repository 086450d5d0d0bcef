"""Drift written by hand, for the page and its figures to draw; every number is invented."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Sequence

import numpy as np

from analysis.counts import Account
from analysis.drift import Drift, sorted_streams
from analysis.streams import Alarm, Path, Stream
from analysis.trends import Mark

#: The log begins here; what is monitored half a year later.
FIRST = dt.datetime(2030, 7, 1, 8)
MONITORED = dt.datetime(2031, 1, 2, 8)
LAST = dt.datetime(2031, 5, 30, 8)
ACCOUNT = Account(9000, 300, 12_000_000, FIRST, LAST)

WORSE = Alarm(
    alarmed_at=dt.datetime(2031, 4, 19, 8),
    began=dt.datetime(2031, 4, 11, 8),
    began_earliest=dt.datetime(2031, 4, 7, 8),
    began_latest=dt.datetime(2031, 4, 14, 8),
    shape="ramp",
    ratio=3.0,
    ratio_low=2.2,
    ratio_high=4.0,
    observed=44,
    expected=15.0,
    feeds=65_000,
    expected_after=13.0,
)
RECENT = dataclasses.replace(
    WORSE,
    alarmed_at=dt.datetime(2031, 5, 20, 8),
    began=dt.datetime(2031, 5, 9, 8),
    began_earliest=dt.datetime(2031, 4, 28, 8),
    began_latest=dt.datetime(2031, 5, 15, 8),
    shape="step",
    ratio=2.4,
    ratio_low=1.4,
    ratio_high=3.9,
    observed=15,
    expected=6.2,
    feeds=41_000,
    expected_after=3.1,
)
OVER = dataclasses.replace(
    WORSE,
    alarmed_at=dt.datetime(2031, 2, 3, 8),
    began=dt.datetime(2031, 1, 24, 8),
    began_earliest=dt.datetime(2031, 1, 20, 8),
    began_latest=dt.datetime(2031, 1, 27, 8),
    shape="step",
    ratio=2.1,
    ratio_low=1.2,
    ratio_high=3.3,
    observed=17,
    expected=8.0,
    feeds=30_000,
    expected_after=4.0,
    closed_at=dt.datetime(2031, 2, 21, 14),
    closed_by="feet cleaned",
)

CLEANED = Mark(dt.datetime(2031, 2, 21, 14), "B", 7, "feet cleaned", moved=False)
PUMP = Mark(dt.datetime(2031, 4, 17, 9), "B", None, "pump serviced", moved=False)
MOVED = Mark(dt.datetime(2031, 3, 12, 10), "B", 7, "vacuum 5 to 6", moved=True)
ELSEWHERE = Mark(dt.datetime(2031, 4, 20, 10), "B", 2, "brush fitted", moved=False)


def path_of(
    alarms: Sequence[Alarm] = (),
    *,
    every: dt.timedelta = dt.timedelta(days=1),
    expected: float = 0.35,
    seed: int = 4,
    monitored: bool = True,
) -> Path:
    """Return a path of chance faults, with as many times more in an alarm as it says."""
    started = np.arange(np.datetime64(FIRST), np.datetime64(LAST + every), np.timedelta64(every))
    watched = (started >= np.datetime64(MONITORED)) & monitored
    means = np.full(started.size, expected)
    for alarm in alarms:
        ends = alarm.closed_at or LAST
        during = (started >= np.datetime64(alarm.began)) & (started <= np.datetime64(ends))
        means[during] *= alarm.ratio
    observed = np.random.default_rng(seed).poisson(means)
    share = np.zeros(started.size)
    reached = 0.0
    noticed = {np.datetime64(alarm.alarmed_at, "us") for alarm in alarms}
    for i in np.flatnonzero(watched):
        reached = min(max(0.0, reached + 0.16 * (observed[i] - 1.5 * expected)), 0.96)
        share[i] = 1.04 if started[i] in noticed else reached
        reached = 0.0 if started[i] in noticed else reached
    return Path(
        started=started,
        observed=observed.astype(np.int64),
        feeds=np.full(started.size, 1_480),
        expected=np.full(started.size, expected),
        evidence=share,
        monitored=watched,
        variance=0.2,
        squared_cv=0.004,
    )


def stream_of(
    tower: str = "B",
    bin: int | None = 7,
    kind: str = "doubles",
    alarms: Sequence[Alarm] = (),
    **changes: object,
) -> Stream:
    """Return a stream; without an open alarm it has what is expected."""
    current = next((alarm for alarm in alarms if alarm.open), None)
    made = Stream(
        tower=tower,
        bin=bin,
        kind=kind,
        since=current.began if current else MONITORED,
        observed=current.observed if current else 52,
        expected=current.expected if current else 50.4,
        feeds=current.feeds if current else 213_000,
        ratio=current.observed / current.expected if current else 1.03,
        ratio_low=current.ratio_low if current else 0.77,
        ratio_high=current.ratio_high if current else 1.4,
        statistic=1.6,
        threshold=5.2,
        monitored_from=MONITORED,
        alarms=tuple(alarms),
        doubling_days=48.0,
        path=path_of(alarms),
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


WORST = stream_of(alarms=(OVER, WORSE))
RECENTLY = stream_of("A", 3, "misses", (RECENT,))
USUAL = stream_of("A", 2, "doubles")
SLOW = stream_of("C", 9, "doubles", doubling_days=1100.0, observed=1, expected=1.2, feeds=9_000)
NOT_YET = stream_of(
    "=D",
    1,
    "doubles",
    since=None,
    observed=0,
    expected=0.0,
    feeds=0,
    ratio=float("nan"),
    ratio_low=float("nan"),
    ratio_high=float("nan"),
    statistic=0.0,
    monitored_from=None,
    path=path_of(monitored=False),
)
WHOLE_TOWER = stream_of("B", None, "doubles", statistic=4.1)


def drift_of(*streams: Stream, **changes: object) -> Drift:
    """Return a drift of some streams; of one worse, one usual, one slow and one new when none."""
    made = Drift(
        monitored=sorted_streams(streams or (WORST, RECENTLY, USUAL, SLOW, NOT_YET, WHOLE_TOWER)),
        kinds=("misses", "doubles"),
        account=ACCOUNT,
        budget=1.0,
        first_monitored=MONITORED,
        new_paper=(("BO70", 12_400), ("=NEW<1>", 3_000)),
        marks=(CLEANED, PUMP, ELSEWHERE),
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


def many_streams() -> Drift:
    """Return the drift of two towers of ten bins, as a works has."""
    streams = [WORST, RECENTLY, SLOW, NOT_YET, WHOLE_TOWER]
    taken = {(s.tower, s.bin, s.kind) for s in streams}
    for tower in ("A", "B"):
        for number in range(1, 11):
            for kind in ("misses", "doubles"):
                if (tower, number, kind) not in taken:
                    share = (number * 7 + len(kind) * 3) % 10 / 2.1
                    streams.append(stream_of(tower, number, kind, statistic=share))
    return drift_of(*streams)
