"""Trends written by hand, for the page and its figures to draw."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Sequence

from analysis.counts import Account
from analysis.filters import Filters
from analysis.trends import NOT_LOGGED, Group, Mark, Split, Trends
from tests.dashboard.results import SINCE, UNTIL, rate


def group_of(name: str | None, misses: tuple[int, int], doubles: tuple[int, int]) -> Group:
    """Return a group with so many misses and doubles in so many feeds."""
    both = misses[0] + doubles[0], min(misses[1], doubles[1])
    counts = {"misses": misses, "doubles": doubles, "faults": both}
    return Group(name, {kind: rate(*counted, kind=kind) for kind, counted in counts.items()})


def split_of(column: str, *groups: Group) -> Split:
    fed = {group.name: group.rates["misses"].feeds for group in groups}
    feeds = sum(fed.values())
    empty = fed.get(None, 0) + fed.get(NOT_LOGGED, 0)
    return Split(column, groups, feeds, empty / feeds if feeds else 0.0)


BY_STOCK = split_of(
    "stock",
    group_of("BO90", (40, 900_000), (20, 900_000)),
    group_of("=GT<135>", (30, 200_000), (30, 150_000)),
    group_of("TI163", (3, 10_000), (0, 10_000)),
    group_of("LU60", (5, 90_000), (0, 0)),
    group_of(None, (2, 0), (1, 0)),
)
BY_HUMIDITY = split_of(
    "humidity_band",
    group_of("below 30", (30, 600_000), (40, 550_000)),
    group_of("70 and over", (3, 100_000), (2, 100_000)),
    group_of(NOT_LOGGED, (45, 500_000), (9, 500_000)),
)
VACUUM = split_of(
    "set_vacuum",
    group_of("4", (20, 600_000), (20, 600_000)),
    group_of("10", (58, 600_000), (31, 550_000)),
)
BLAST = split_of("set_blast", group_of("soft", (78, 1_200_000), (51, 1_150_000)))
BY_DAY = split_of(
    "day",
    group_of("2031-04-01", (70, 1_100_000), (40, 1_050_000)),
    group_of("2031-04-30", (8, 100_000), (11, 100_000)),
)

BRUSH = Mark(dt.datetime(2031, 4, 3, 10), "A", 4, "brush fitted", moved=False)


def trends_of(kind: str = "faults", marks: Sequence[Mark] = (), **changes: object) -> Trends:
    made = Trends(
        filters=Filters(SINCE, UNTIL, (("purpose", ("production",)),), kind),
        account=Account(800, 142, 1_200_000, SINCE, UNTIL),
        total={
            "misses": rate(78, 1_200_000, 0.8, 1.2, "misses"),
            "doubles": rate(51, 1_160_000, 0.8, 1.2, "doubles"),
            "faults": rate(129, 1_160_000, 0.8, 1.2, "faults"),
        },
        over_time=BY_DAY,
        by_stock=BY_STOCK,
        by_humidity=BY_HUMIDITY,
        by_setting=(VACUUM, BLAST),
        marks=tuple(marks),
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]
