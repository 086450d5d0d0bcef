"""Results written by hand, for pages and figures to draw."""

import dataclasses
import datetime as dt
from collections.abc import Sequence

from analysis.attention import Attention, Missing
from analysis.counts import Account
from analysis.filters import Filters
from analysis.overview import Overview, Spoiled
from analysis.rates import Rate
from analysis.standing import BinStanding, Standing, TowerStanding

SINCE = dt.datetime(2031, 4, 1)
UNTIL = dt.datetime(2031, 4, 30, 23, 59, 59, 999999)
WHOLE = Account(9000, 300, 12_000_000, dt.datetime(2031, 1, 6, 8, 30), dt.datetime(2031, 4, 30, 14))


def rate(count: int, feeds: int, low: float = 0.5, high: float = 2.0, kind: str = "faults") -> Rate:
    """Return a rate whose ranges are so many times itself; the wide one twice as far off."""
    if not feeds:
        return Rate(kind, count, 0, 0, None, 0.0, 1.0, 1.0, 0.0, 1.0)
    p = count / feeds
    return Rate(kind, count, feeds, 40, p, p * low, p * high, 1.5, p * low / 2, p * high * 2)


def bin_of(
    tower: str,
    number: int,
    of: Rate,
    standing: Standing,
    above: float,
    times_others: float | None = None,
) -> BinStanding:
    """Return a bin's standing; one with ``times_others`` stands out from the others."""
    out = times_others is not None
    return BinStanding(tower, number, of, standing, out, times_others, above)


BURN_IN = rate(8, 200_000)


def tower_of(
    name: str, bins: Sequence[BinStanding], burn_in: Rate | None = BURN_IN
) -> TowerStanding:
    feeds = sum(b.rate.feeds for b in bins)
    now = rate(sum(b.rate.count for b in bins), feeds)
    name_of = "first" if burn_in else ""
    return TowerStanding(name, tuple(bins), now, burn_in, name_of, None)


TOWER_A = tower_of(
    "A",
    [
        bin_of("A", 1, rate(10, 100_000), "alike", 6.0),
        bin_of("A", 2, rate(40, 100_000, 0.8, 1.2), "above", 36.0),
        bin_of("A", 3, rate(1, 300, 0.1, 5.0), "too few feeds", 1.0),
        bin_of("A", 4, rate(1, 900_000, 0.1, 1.5), "below", -35.0),
        bin_of("A", 5, rate(0, 0), "too few feeds", 0.0),
    ],
)
#: Numbered from the bottom, and never proved.
TOWER_B = tower_of(
    "B",
    [
        bin_of("B", 2, rate(12, 100_000), "no burn-in", 0.0),
        bin_of("B", 1, rate(9, 100_000), "no burn-in", 0.0),
    ],
    burn_in=None,
)


def overview_of(*towers: TowerStanding, kind: str = "faults", **changes: object) -> Overview:
    filters = Filters(SINCE, UNTIL, (("purpose", ("production",)),), kind)
    before = filters.during(SINCE - dt.timedelta(days=30), SINCE - dt.timedelta(microseconds=1))
    kinds = ("misses", "doubles", "faults")
    made = Overview(
        filters=filters,
        before=before,
        account=Account(800, 142, 1_210_000, SINCE, UNTIL),
        account_before=Account(700, 130, 1_100_000, before.since, before.until),
        now={k: rate(200, 1_210_000, kind=k) for k in kinds},
        past={k: rate(150, 1_100_000, kind=k) for k in kinds},
        burn_in={k: rate(8, 200_000, kind=k) for k in kinds},
        spoiled_now=Spoiled(0.0026, 0.0024, 0.0029, 121_000),
        spoiled_past=None,
        towers=towers,
        attention=(
            Attention("A, bin 2", "Ten times burn-in.", "40 faults", True, "A", 2),
            Attention("Air", "Humidity is often missing.", "read it", False),
        ),
        missing=Missing(0.36, 0.0, 0.0, 0.013, 3),
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]
