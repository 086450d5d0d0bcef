"""The invented print works: towers, stocks, jobs, air, settings, services and planted truths.

Everything that is *true* of the works stands here; what its crew wrote down is drawn from it in
``make_samples``. All rate ratios are against a reference: stock ``BO90``, 50 % relative humidity,
vacuum at mark 5, 2800 cycles an hour, paper loaded as it came (``none``), spring released.
"""

from dataclasses import dataclass
from datetime import date, datetime

from data_samples.draws import exp, log

SITE = "Oddlewick print works"

# Jobs and air are drawn from one seed and faults from another. Ordinary fourteen months: with many
# another seed of faults, luck hides or doubles one of the truths.
SEED = 20310444
FAULT_SEED = 23030069
FIRST_DAY = date(2031, 1, 6)
LAST_DAY = date(2032, 3, 5)
TOWERS = ("A", "B", "C")
BINS = range(1, 11)
KINDS = ("misses", "doubles")

BASE_RATES = {"misses": 3.0e-5, "doubles": 1.5e-5}
"""Faults per feed at the reference, on a tower just set up."""

SET_UP_RATIO = 6.0
BETWEEN_RUN_SHAPE = 11
"""Shape of the gamma spread between runs, one draw per run and kind: a CV of 0.30."""

SHIFTS = {"early": (6, 14), "late": (14, 22)}
"""Hours of the day between which each shift works."""

HUMIDITY_MISSING = 0.34
"""Chance that a run's humidity and temperature were not logged."""

SHUT = (
    *(date(2031, 4, d) for d in (11, 14)),
    *(date(2031, 5, d) for d in (1, 22)),
    date(2031, 8, 25),
    *(date(2031, 12, d) for d in (24, 25, 26, 29, 30, 31)),
    *(date(2032, 1, d) for d in (1, 2)),
)


@dataclass(frozen=True)
class Stock:
    """One paper: how the stock list describes it, and its true rate ratios."""

    code: str
    description: str
    grammage: int
    caliper: int
    coating: str
    printed_by: str
    sides: int
    width: int
    height: int
    grain: str
    special: str
    misses: float
    doubles: float


_U, _C = "uncoated", "coated"
_A4, _WIDE, _TAB = (210, 297, "long"), (320, 450, "short"), (225, 297, "long")
STOCKS = {
    stock.code: stock
    for stock in (
        Stock("LU60", "light body, offset", 60, 78, _U, "offset", 2, *_A4, "", 1.2, 2.4),
        Stock("BU80", "plain body, blank", 80, 104, _U, "unprinted", 0, *_A4, "", 0.9, 0.9),
        Stock("BO90", "body, offset", 90, 115, _U, "offset", 2, *_A4, "", 1.0, 1.0),
        Stock("BT80", "body, toner", 80, 104, _U, "toner", 2, *_A4, "", 1.1, 1.6),
        Stock("BT100", "body, toner", 100, 125, _U, "toner", 2, *_A4, "", 1.1, 1.4),
        Stock("GO115", "gloss, offset", 115, 90, _C, "offset", 2, *_WIDE, "", 1.7, 1.3),
        Stock("GT135", "gloss, toner", 135, 108, _C, "toner", 2, *_WIDE, "", 2.2, 2.0),
        Stock("TI163", "tabs, index", 163, 190, _U, "offset", 1, *_TAB, "tabbed", 2.2, 1.2),
        Stock("CU250", "cover", 250, 300, _U, "offset", 1, *_A4, "", 1.8, 0.7),
        Stock("CT250", "cover, toner", 250, 235, _C, "toner", 2, *_WIDE, "", 2.6, 1.5),
        Stock("CO300", "heavy cover", 300, 290, _C, "offset", 1, *_WIDE, "scored", 3.0, 0.8),
    )
}
BY_BASIS_WEIGHT = {"TI163": (90, "index")}
"""Stocks that the list gives in pounds of a basis grade instead of in g/m2."""


@dataclass(frozen=True)
class JobKind:
    """A kind of job: its body stock, what stands in other bins, how often each mix has it."""

    body: str
    cover: str
    tabs: bool
    sizes: tuple[int, ...]
    usual: int
    heavy: int


JOBS = (
    JobKind("BU80", "", False, (6, 8, 10), 16, 2),
    JobKind("BO90", "", False, (8, 10), 22, 3),
    JobKind("BO90", "CU250", False, (8, 10, 10), 22, 3),
    JobKind("LU60", "CU250", False, (8, 10), 12, 2),
    JobKind("GO115", "CO300", False, (6, 8, 10), 9, 26),
    JobKind("BT80", "", False, (8, 10), 8, 6),
    JobKind("BT100", "CT250", False, (10,), 6, 16),
    JobKind("GT135", "CO300", False, (8, 10), 2, 34),
    JobKind("BO90", "CO300", True, (10,), 7, 8),
)

BIN_RATIOS = {
    "A": {
        "misses": (1.05, 1.00, 0.90, 1.10, 0.95, 1.00, 0.85, 1.15, 1.00, 1.10),
        "doubles": (0.90, 1.00, 1.10, 0.95, 1.05, 1.15, 1.30, 0.90, 1.00, 0.95),
    },
    "B": {
        "misses": (1.20, 1.05, 1.10, 1.00, 1.15, 0.95, 1.25, 1.00, 1.10, 1.30),
        "doubles": (1.10, 1.00, 1.20, 1.05, 0.95, 1.25, 1.00, 1.15, 1.10, 1.00),
    },
    "C": {
        "misses": (1.00, 0.95, 1.10, 1.05, 0.90, 1.00, 1.10, 1.00, 1.15, 0.95),
        "doubles": (1.00, 1.10, 0.90, 1.05, 1.00, 0.95, 1.15, 1.00, 0.90, 1.05),
    },
}
"""Rate ratio of each bin, from bin 1 on, with new parts."""

# The planted truths. Each has a tower, bin and kind of its own.
WORN_BRUSH = ("A", 7, "doubles")
BRUSH_RATIO_PER_100K = 1.05
BRUSH_REPLACED = datetime(2031, 11, 10, 5, 40)

TRIPLED = ("B", 4, "doubles")
TRIPLED_FROM = datetime(2031, 8, 18)
TRIPLED_RATIO = 3.0

LEAKING_FOOT = ("A", 2, "misses")
LEAK_FROM = datetime(2031, 7, 21)
LEAK_FULL = datetime(2031, 9, 19)
LEAK_RATIO = 3.5

STATIC_RATIO = 2.5
STATIC_FULL_BELOW, STATIC_NONE_FROM = 35, 40

MIX_TOWER = "C"
MIX_FROM = date(2031, 10, 13)

ZERO_TOWER, ZERO_SHIFT = "B", "late"
ZERO_DAYS = (date(2031, 5, 5), date(2031, 5, 16))

OVERHAULED = "C"
WEAR_FROM = datetime(2031, 5, 5)
OVERHAUL = datetime(2031, 8, 4, 8, 0)
OVERHAUL_DAYS = (date(2031, 8, 4), date(2031, 8, 8))
WEAR_RATIO = 2.6

VACUUM_RATIO = {"misses": 0.90, "doubles": 1.10}
"""For each mark above 5."""
SPEED_RATIO = {"misses": 1.06, "doubles": 1.0}
"""For each 400 cycles an hour above 2800."""
PREPARED_RATIO = {
    "misses": {"none": 1.0, "fanned": 1.0, "blown": 1.0},
    "doubles": {"none": 1.0, "fanned": 0.80, "blown": 0.72},
}
SPRING_ON_COATED_RATIO = {"misses": 1.5, "doubles": 1.0}
"""Auxiliary spring on, on coated stock of 115 g/m2 and more."""


@dataclass(frozen=True)
class BurnIn:
    """One run of a burn-in."""

    tower: str
    started: datetime
    cycles: int
    proof: str
    stock: str
    planted: int
    """Misses, and as many doubles, put in on purpose in each bin."""
    not_called: int
    """Planted doubles of the last bin that the detector let pass."""


BURN_INS = (
    BurnIn("A", datetime(2031, 1, 6, 8, 30), 7204, "A-1", "BO90", 6, 0),
    BurnIn("A", datetime(2031, 1, 7, 7, 15), 7311, "A-1", "BO90", 0, 0),
    BurnIn("A", datetime(2031, 1, 8, 7, 5), 7120, "A-1", "BO90", 0, 0),
    BurnIn("B", datetime(2031, 1, 6, 9, 10), 4012, "B-1", "BU80", 2, 1),
    BurnIn("B", datetime(2031, 1, 7, 8, 20), 4155, "B-1", "BO90", 0, 0),
    BurnIn("C", datetime(2031, 1, 7, 9, 30), 3790, "C-1", "BU80", 2, 0),
    BurnIn("C", datetime(2031, 1, 8, 8, 10), 3836, "C-1", "BU80", 0, 0),
    BurnIn("C", datetime(2031, 8, 7, 7, 30), 7402, "C-2", "BU80", 6, 0),
    BurnIn("C", datetime(2031, 8, 7, 14, 25), 7188, "C-2", "BO90", 0, 0),
    BurnIn("C", datetime(2031, 8, 8, 7, 10), 7345, "C-2", "BO90", 0, 0),
)
PRODUCTION_FROM = {"A": date(2031, 1, 9), "B": date(2031, 1, 8), "C": date(2031, 1, 9)}

_HUMIDITY_BY_MONTH = (29, 28, 33, 40, 48, 56, 62, 63, 55, 46, 37, 31)


def season_humidity(day: date) -> float:
    """Give the usual relative humidity beside the towers on `day`, in percent."""
    # Straight lines between the middles of the months.
    month = day.month - 1
    share = (day.day - 15) / 30.5
    other = (month + (1 if share >= 0 else -1)) % 12
    here, there = _HUMIDITY_BY_MONTH[month], _HUMIDITY_BY_MONTH[other]
    return here + abs(share) * (there - here)


def humidity_ratio(kind: str, humidity_pct: int) -> float:
    """Give the rate ratio of the air for stock that is not printed by toner; 1 at 50 %."""
    off = humidity_pct - 50
    if kind == "doubles":
        return exp(0.0003 * off * off) if off < 0 else 1.0
    return exp(0.009 * off) if off > 0 else 1.0


def static_ratio(kind: str, stock: Stock, humidity_pct: int) -> float:
    """Give what static adds on toner-printed stock in dry air; 1 elsewhere."""
    if kind != "doubles" or stock.printed_by != "toner" or humidity_pct >= STATIC_NONE_FROM:
        return 1.0
    span = STATIC_NONE_FROM - STATIC_FULL_BELOW
    share = min(1.0, (STATIC_NONE_FROM - humidity_pct) / span)
    return exp(share * log(STATIC_RATIO))


def rising(when: datetime, start: datetime, full: datetime, ratio: float) -> float:
    """Give a rate ratio that rises from 1 at `start` to `ratio` at `full`, straight on a log scale.

    It stays at `ratio` after `full`.
    """
    if when <= start:
        return 1.0
    passed = (when - start).total_seconds() / (full - start).total_seconds()
    return exp(min(1.0, passed) * log(ratio))


def planted_ratio(tower: str, bin_: int, kind: str, when: datetime, brush_feeds: int) -> float:
    """Give the rate ratio of what was planted in this bin (static and jobs apart).

    Parameters
    ----------
    tower, bin_, kind
        Which stream.
    when : datetime
        Start of the stretch.
    brush_feeds : int
        Feeds of this bin since its brush was fitted.
    """
    stream = (tower, bin_, kind)
    if stream == WORN_BRUSH:
        return exp(brush_feeds / 100_000 * log(BRUSH_RATIO_PER_100K))
    if stream == TRIPLED:
        return TRIPLED_RATIO if when >= TRIPLED_FROM else 1.0
    if stream == LEAKING_FOOT:
        return rising(when, LEAK_FROM, LEAK_FULL, LEAK_RATIO)
    if tower == OVERHAULED and when < OVERHAUL:
        return rising(when, WEAR_FROM, OVERHAUL, WEAR_RATIO)
    return 1.0


def in_zero_fortnight(tower: str, shift: str, day: date) -> bool:
    """Say whether that shift logged nothing but zeros on that day."""
    return (tower, shift) == (ZERO_TOWER, ZERO_SHIFT) and ZERO_DAYS[0] <= day <= ZERO_DAYS[1]


@dataclass(frozen=True)
class Settings:
    """The settings of one stretch that hold for the whole tower."""

    vacuum: int
    blast: str
    speed: int


def settings_ratio(
    kind: str, settings: Settings, stock: Stock, spring: str, prepared: str
) -> float:
    """Give the rate ratio of the settings and of how the paper was prepared."""
    ratio = exp((settings.vacuum - 5) * log(VACUUM_RATIO[kind]))
    ratio *= exp((settings.speed - 2800) / 400 * log(SPEED_RATIO[kind]))
    ratio *= PREPARED_RATIO[kind][prepared]
    if spring == "on" and stock.coating == "coated" and stock.grammage >= 115:
        ratio *= SPRING_ON_COATED_RATIO[kind]
    return ratio


def services() -> list[list[str]]:
    """Give the service log's rows, in order of time.

    No service touches a bin with a planted truth between the truth's start and its end, so that
    nothing but the truth explains what its counts do.
    """
    rows: list[tuple[str, str, str, str, str, str, str, str, str]] = []

    def add(when: str, tower: str, bin_: str, part: str, action: str, *more: str) -> None:
        reason, quantity, operator, note = (*more, "", "", "", "")[:4]
        rows.append((when, tower, bin_, part, action, reason, quantity, operator, note))

    for tower, day in (("A", "2031-01-05"), ("B", "2031-01-05"), ("C", "2031-01-06")):
        for number in BINS:
            add(f"{day}T10:00", tower, str(number), "brush", "fitted", "planned", "1")
            add(f"{day}T10:00", tower, str(number), "suction foot", "fitted", "planned", "2")
        add(f"{day}T15:00", tower, "tower", "filter", "fitted", "planned", "1")
        add(f"{day}T15:00", tower, "tower", "pump", "fitted", "planned", "1")

    for month in (3, 5, 7):
        add(f"2031-{month:02}-03T05:30", "A", "", "suction foot", "cleaned", "planned", "", "K")
        add(f"2031-{month:02}-04T05:30", "B", "", "suction foot", "cleaned", "planned", "", "M")
        add(f"2031-{month:02}-05T05:30", "C", "", "suction foot", "cleaned", "planned", "", "K")
    for when in ("2031-09-02", "2031-11-04", "2032-01-06"):
        for tower, left_out in (("A", (2, 7)), ("B", (4,))):
            for number in BINS:
                if number not in left_out:
                    add(f"{when}T05:30", tower, str(number), "suction foot", "cleaned", "planned")
        add(f"{when}T13:45", "C", "", "suction foot", "cleaned", "planned", "", "M")
    for when in ("2031-04-07", "2031-07-07", "2031-10-06", "2032-01-05"):
        for tower in TOWERS:
            add(f"{when}T05:45", tower, "tower", "filter", "cleaned", "planned", "", "R")

    # New parts that changed nothing: what *did it help* must say "no" to.
    add("2031-06-02T05:40", "A", "5", "brush", "fitted", "planned", "1", "R")
    add("2031-06-10T05:40", "B", "8", "brush", "fitted", "planned", "1", "R")
    add("2031-09-08T05:40", "B", "1", "suction foot", "fitted", "worn", "2", "M", "edges hard")
    add("2031-12-01T05:40", "C", "3", "brush", "fitted", "planned", "1", "K")
    add("2031-10-27T14:00", "A", "9", "brush", "inspected", "", "", "T", "looks good, left in")
    add(
        "2031-11-07T13:50", "A", "7", "brush", "inspected", "", "", "K", "bristles short, order one"
    )

    replaced = BRUSH_REPLACED.isoformat(timespec="minutes")
    add(replaced, "A", "7", "brush", "fitted", "worn", "1", "R", "old one worn on one side")

    overhaul = OVERHAUL.isoformat(timespec="minutes")
    add("2031-07-21T05:45", "C", "tower", "pump", "inspected", "", "", "R", "vacuum low, noisy")
    add(overhaul, "C", "", "", "overhauled", "worn", "", "", "strip down, all feet and brushes")
    add("2031-08-06T15:00", "C", "", "brush", "fitted", "planned", "1")
    add("2031-08-06T15:00", "C", "", "suction foot", "fitted", "planned", "2")
    add("2031-08-06T16:00", "C", "tower", "filter", "fitted", "planned", "1")
    add("2031-08-06T16:00", "C", "tower", "pump", "fitted", "worn", "1")
    return [list(row) for row in sorted(rows, key=lambda row: row[0])]
