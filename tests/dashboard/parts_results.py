"""Parts written by hand, for the page and its figures to draw; every number is invented."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math

import numpy as np

from analysis.counts import Account
from analysis.parts import PartLives, PartRow, Parts, PastPart, PooledWear
from analysis.services import ServiceRow
from analysis.wear_by_age import AgeBand, WearByAge
from analysis.wear_forecasts import Range

FIRST = dt.datetime(2030, 7, 1, 8)
LAST = dt.datetime(2031, 5, 30, 8)
ACCOUNT = Account(9000, 300, 12_000_000, FIRST, LAST)

#: A brush that wears: to be ordered in June.
WORN = PartRow(
    tower="A",
    bin=7,
    part="brush",
    kind="doubles",
    fitted_at=dt.datetime(2030, 9, 1, 7),
    age_feeds=823_142.0,
    age_days=271.0,
    wear_ratio_per_100k_feeds=1.047,
    low=1.013,
    high=1.072,
    shape="steady",
    lives=2,
    limit_times=2.0,
    rate_now=3.9e-5,
    rate_now_low=2.9e-5,
    rate_now_high=4.8e-5,
    feeds_to_limit=350_000.0,
    feeds_to_limit_low=0.0,
    feeds_to_limit_high=1_140_000.0,
    limit_on=dt.date(2031, 6, 30),
    limit_earliest=dt.date(2031, 4, 12),
    limit_latest=dt.date(2031, 12, 6),
    feeds_per_day=11_000.0,
    lead_days=12,
    order_by=dt.date(2031, 6, 18),
    replace_every_feeds=1_139_360.0,
    replace_why="Replacing it about every 1,100,000 feeds costs least.",
    feeds=3_272_405,
    count=144,
    expected=67.0,
)
#: A part of the whole tower that is over its limit, and was fitted with another.
PUMP = dataclasses.replace(
    WORN,
    tower="=C",
    bin=None,
    part="pump",
    kind="misses",
    age_feeds=1_718_791.0,
    wear_ratio_per_100k_feeds=1.008,
    low=1.002,
    high=1.017,
    lives=1,
    same_as=("filter",),
    feeds_to_limit=0.0,
    feeds_to_limit_high=0.0,
    limit_on=dt.date(2031, 5, 2),
    limit_latest=dt.date(2051, 4, 18),
    lead_days=30,
    lead_assumed=True,
    order_by=dt.date(2031, 4, 2),
    replace_every_feeds=math.inf,
    replace_why="Letting it wear costs least.",
    count=1_485,
)
AT_ONCE = dataclasses.replace(
    WORN,
    bin=2,
    part="suction foot",
    kind="misses",
    changed_on=dt.date(2031, 3, 26),
    shape="at once",
    limit_times=None,
    order_by=None,
    feeds_to_limit=None,
    limit_on=None,
    replace_every_feeds=None,
    replace_why="its faults came at once, which is no wear",
)
STILL = dataclasses.replace(
    WORN,
    bin=3,
    wear_ratio_per_100k_feeds=1.01,
    low=0.992,
    high=1.021,
    order_by=None,
    limit_on=None,
    replace_every_feeds=None,
    replace_why="its rate does not rise as far as can be told",
    count=7,
)
UNKNOWN = PartRow(
    tower="B",
    bin=1,
    part="brush",
    kind="doubles",
    cannot_tell="its age is unknown, since nothing in the service log says when it was fitted; "
    "log the next one as fitted",
)

HELPED = ServiceRow(
    when=dt.datetime(2031, 2, 21, 14),
    tower="A",
    bin=7,
    part="brush",
    action="cleaned",
    reason="worn",
    kind="doubles",
    before_count=40,
    before_expected=15.0,
    before_feeds=310_000,
    after_count=12,
    after_expected=14.0,
    after_feeds=300_000,
    ratio_after=0.32,
    low=0.16,
    high=0.61,
    p_adjusted=0.004,
)
WORSE = dataclasses.replace(
    HELPED,
    when=dt.datetime(2031, 4, 4, 14),
    tower="=C",
    bin=None,
    part="suction foot",
    reason="planned",
    kind="misses",
    ratio_after=1.8,
    low=1.2,
    high=2.7,
    together=("filter cleaned",),
)
TOO_FEW = dataclasses.replace(
    HELPED, when=dt.datetime(2031, 5, 20, 9), bin=4, ratio_after=0.9, low=0.2, high=math.inf
)
PLANNED = dataclasses.replace(TOO_FEW, bin=5, reason="planned")
NOTHING = dataclasses.replace(
    HELPED,
    when=dt.datetime(2030, 7, 1, 7),
    bin=None,
    action="fitted",
    before_feeds=0,
    before_count=0,
    before_expected=0.0,
    ratio_after=math.nan,
    low=math.nan,
    high=math.nan,
    reason="",
)

OLD = PastPart(
    tower="A",
    bin=7,
    part="brush",
    kind="doubles",
    fitted_at=dt.datetime(2030, 7, 1, 7),
    removed_at=dt.datetime(2030, 9, 1, 7),
    feeds=1_300_000.0,
    days=62.0,
    reason="worn",
    limit_on=dt.date(2030, 8, 20),
    limit_earliest=dt.date(2030, 8, 2),
)

WARNING = "Service log, 3 July 2031, brush fitted, bin 9 of tower A: it lies after the log's end."


def parts_of(*rows: PartRow, **changes: object) -> Parts:
    """Return parts of some rows; of one of each sort when none."""
    made = Parts(
        parts=rows or (PUMP, WORN, AT_ONCE, STILL, UNKNOWN),
        services=(NOTHING, HELPED, WORSE, TOO_FEW, PLANNED),
        past=(OLD,),
        lives=(PartLives("brush", 0, 31), PartLives("pump", 1, 2, of_tower=True)),
        pooled=(
            PooledWear("brush", "doubles", 1.006, 0.996, 1.017, 30, 0.8),
            PooledWear("pump", "misses", 1.008, 0.99, 1.045, 3, 0.7, of_tower=True),
        ),
        warnings=(WARNING,),
        account=ACCOUNT,
        until=LAST,
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


def _band(number: int, count: int, expected: float, high: float | None = None) -> AgeBand:
    ratio = count / expected
    return AgeBand(
        first=250_000.0 * number,
        last=250_000.0 * (number + 1),
        count=count,
        expected=expected,
        feeds=240_000,
        ratio=ratio,
        low=0.5 * ratio,
        high=2.0 * ratio if high is None else high,
    )


def wear_of(row: PartRow = WORN, **changes: object) -> WearByAge:
    """Return how the faults of a part go with its age; the oldest band says little."""
    ages = np.linspace(0.0, 1_170_000.0, 27)
    fitted = 1.2 * 1.047 ** (ages / 100_000)
    made = WearByAge(
        tower=row.tower,
        bin=row.bin,
        part=row.part,
        kind=row.kind,
        bands=(
            _band(0, 10, 10.1),
            _band(1, 14, 10.0),
            _band(2, 27, 11.4, 3.1),
            _band(3, 6, 2.5, 9.0),
        ),
        ages=ages,
        fitted=fitted,
        low=0.8 * fitted,
        high=1.3 * fitted,
        usual=2.0e-5,
        limit=2.0,
        limit_age=Range(1_170_000.0, 700_000.0, math.inf),
        times_now=1.46,
        times_low=1.11,
        times_high=1.77,
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]
