"""The planted truths as data, with what they made of the log.

For each truth, and for periods chosen to show it, the production feeds of the bins concerned, the
faults logged, the faults expected by the truth given the spread drawn for each run, and the faults
expected had the truth not been planted. The fortnight of zeros stands in its own truth only.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from data_samples import works
from data_samples.draws import exp, log
from data_samples.works import Stock

if TYPE_CHECKING:
    from data_samples.days import Run, Stretch

Applies = Callable[["Run", Stock], bool]


@dataclass(frozen=True)
class Expected:
    """Faults to expect of one bin in one stretch, for one kind.

    Attributes
    ----------
    plain : float
        Were nothing planted.
    static, planted : float
        Rate ratios of static, and of what was planted in this bin.
    """

    plain: float
    static: float
    planted: float

    @property
    def faults(self) -> float:
        """With all that was planted."""
        return self.plain * self.static * self.planted


@dataclass
class Sums:
    """What a period's feeds came to, for one kind."""

    feeds: int = 0
    logged: int = 0
    expected: float = 0.0
    expected_without: float = 0.0


@dataclass
class Period:
    """A span of days, both ends included, over which a truth is shown."""

    name: str
    start: date
    end: date
    applies: Applies = lambda run, stock: True
    kinds: dict[str, Sums] = field(default_factory=dict)
    stock_sums: dict[str, float] = field(default_factory=dict)


@dataclass
class Truth:
    """One planted truth: where it is, what it is, and periods that show it."""

    name: str
    tower: str | None
    bin: int | None
    kinds: tuple[str, ...]
    about: str
    facts: dict[str, Any]
    periods: list[Period]


def _dry(run: Run, stock: Stock) -> bool:
    return _toner(run, stock) and run.air.humidity < works.STATIC_FULL_BELOW


def _not_dry(run: Run, stock: Stock) -> bool:
    return _toner(run, stock) and run.air.humidity >= works.STATIC_NONE_FROM


def _toner(run: Run, stock: Stock) -> bool:
    # Only what a recount of the log can find again: runs whose air was logged.
    return stock.printed_by == "toner" and run.air_logged


def _zero_shift(run: Run, stock: Stock) -> bool:
    return run.shift == works.ZERO_SHIFT


def _truths() -> list[Truth]:
    first, last = works.FIRST_DAY, works.LAST_DAY
    brush, tripled, leak = works.WORN_BRUSH, works.TRIPLED, works.LEAKING_FOOT
    return [
        Truth(
            "worn brush",
            brush[0],
            brush[1],
            (brush[2],),
            "The brush wears: doubles rise straight on a log scale with this bin's feeds since the "
            "brush was fitted, and start again at 1 with the new brush, which wears alike.",
            {
                "shape": "ramp",
                "ratio_per_100k_feeds": works.BRUSH_RATIO_PER_100K,
                "part": "brush",
                "replaced": works.BRUSH_REPLACED.isoformat(timespec="minutes"),
            },
            [
                Period("new", first, date(2031, 4, 30)),
                Period("half worn", date(2031, 5, 1), date(2031, 8, 15)),
                Period("worn", date(2031, 8, 16), date(2031, 11, 7)),
                Period("replaced", date(2031, 11, 10), last),
            ],
        ),
        Truth(
            "tripled",
            tripled[0],
            tripled[1],
            (tripled[2],),
            "Doubles triple from one day to the next and stay so; no service of this bin follows.",
            {
                "shape": "step",
                "ratio": works.TRIPLED_RATIO,
                "from": works.TRIPLED_FROM.isoformat(timespec="minutes"),
            },
            [
                Period("before", first, date(2031, 8, 15)),
                Period("after", works.TRIPLED_FROM.date(), last),
            ],
        ),
        Truth(
            "leaking foot",
            leak[0],
            leak[1],
            (leak[2],),
            "A suction foot leaks: misses rise straight on a log scale between two dates and stay; "
            "no service of this bin follows.",
            {
                "shape": "ramp",
                "ratio": works.LEAK_RATIO,
                "from": works.LEAK_FROM.isoformat(timespec="minutes"),
                "full": works.LEAK_FULL.isoformat(timespec="minutes"),
                "part": "suction foot",
            },
            [
                Period("before", first, date(2031, 7, 18)),
                Period("leaking", works.LEAK_FULL.date(), last),
            ],
        ),
        Truth(
            "static",
            None,
            None,
            ("doubles",),
            "Static on toner-printed stock in dry air, on every bin: the whole ratio below one "
            "relative humidity, none from another, straight on a log scale between. Periods count "
            "only runs whose air was logged.",
            {
                "ratio": works.STATIC_RATIO,
                "whole_below_humidity_pct": works.STATIC_FULL_BELOW,
                "none_from_humidity_pct": works.STATIC_NONE_FROM,
                "printed_by": "toner",
            },
            [
                Period("not dry", first, last, _not_dry),
                Period("dry", first, last, _dry),
            ],
        ),
        Truth(
            "job mix",
            works.MIX_TOWER,
            None,
            works.KINDS,
            "More coated and toner-printed work from one day on, whose faults are more: to the eye "
            "a worsening, but none of the tower. Every bin is as it was.",
            {"ratio": 1.0, "from": f"{works.MIX_FROM.isoformat()}T00:00"},
            [
                Period("before", date(2031, 8, 11), date(2031, 10, 10)),
                Period("after", works.MIX_FROM, last),
            ],
        ),
        Truth(
            "zero fortnight",
            works.ZERO_TOWER,
            None,
            works.KINDS,
            "For a fortnight the late shift logged zeros for everything: the faults were there, "
            "the counting was not.",
            {
                "shift": works.ZERO_SHIFT,
                "from": works.ZERO_DAYS[0].isoformat(),
                "to": works.ZERO_DAYS[1].isoformat(),
            },
            [Period("zeros", *works.ZERO_DAYS, _zero_shift)],
        ),
        Truth(
            "overhaul",
            works.OVERHAULED,
            None,
            works.KINDS,
            "The whole tower wears, straight on a log scale from one date to its overhaul, and is "
            "as new afterwards; a second burn-in proves it.",
            {
                "shape": "ramp",
                "ratio": works.WEAR_RATIO,
                "from": works.WEAR_FROM.isoformat(timespec="minutes"),
                "overhauled": works.OVERHAUL.isoformat(timespec="minutes"),
                "proof": "C-2",
            },
            [
                Period("good", first, date(2031, 5, 2)),
                Period("worn", date(2031, 7, 1), date(2031, 8, 1)),
                Period("overhauled", date(2031, 8, 11), date(2031, 10, 10)),
            ],
        ),
    ]


class Tally:
    """Adds up what each truth made of the log, stretch by stretch."""

    def __init__(self) -> None:
        self._truths = _truths()
        self._totals: dict[str, int] = {"lines_of_bins": 0, "feeds": 0, "misses": 0, "doubles": 0}

    def add(
        self,
        run: Run,
        stretch: Stretch,
        bin_: int,
        stock: Stock,
        expected: Mapping[str, Expected],
        counts: Mapping[str, int],
        *,
        off: bool,
        zeros: bool,
    ) -> None:
        """Add one bin of one stretch.

        Parameters
        ----------
        run, stretch, bin_, stock
            Which.
        expected : mapping of kind to Expected
            Faults expected.
        counts : mapping of kind to int
            Faults logged.
        off : bool
            Nothing watched for doubles.
        zeros : bool
            The line belongs to the fortnight of zeros.
        """
        self._totals["lines_of_bins"] += 1
        self._totals["feeds"] += stretch.cycles
        for kind in works.KINDS:
            if kind == "misses" or not off:
                self._totals[kind] += counts[kind]
        if stretch.purpose != "production":
            return
        for truth, period in self._of(run, stretch, bin_, stock):
            if zeros != (truth.name == "zero fortnight"):
                continue
            for kind in truth.kinds:
                if off and kind == "doubles":
                    continue
                sums = period.kinds.setdefault(kind, Sums())
                sums.feeds += stretch.cycles
                sums.logged += counts[kind]
                here = expected[kind]
                sums.expected += here.faults
                own = here.static if truth.name == "static" else here.planted
                sums.expected_without += here.faults / own
                ratio = stock.misses if kind == "misses" else stock.doubles
                so_far = period.stock_sums.get(kind, 0.0)
                period.stock_sums[kind] = so_far + stretch.cycles * ratio

    def brush_replaced(self, feeds: int) -> None:
        """Note with how many feeds the worn brush was replaced."""
        worn = next(truth for truth in self._truths if truth.name == "worn brush")
        ratio = exp(feeds / 100_000 * log(works.BRUSH_RATIO_PER_100K))
        worn.facts["feeds_when_replaced"] = feeds
        worn.facts["ratio_when_replaced"] = round(ratio, 3)

    def forget(self, run: Run, stretch: Stretch, bin_: int, kind: str) -> None:
        """Take off one fault whose bin was not noted after all (the totals keep it)."""
        if stretch.purpose != "production":
            return
        for truth, period in self._of(run, stretch, bin_, run.stocks[bin_]):
            if kind in truth.kinds and truth.name != "zero fortnight":
                period.kinds[kind].logged -= 1

    def _of(
        self, run: Run, stretch: Stretch, bin_: int, stock: Stock
    ) -> list[tuple[Truth, Period]]:
        day = stretch.started.date()
        return [
            (truth, period)
            for truth in self._truths
            if truth.tower in (None, run.tower) and truth.bin in (None, bin_)
            for period in truth.periods
            if period.start <= day <= period.end and period.applies(run, stock)
        ]

    def truths(self) -> dict[str, Any]:
        """Give everything that is true of the works, ready for JSON."""
        return {
            "about": "What was planted in the sample log of an invented works. All ratios are "
            "rate ratios against the reference. Times are wall-clock times.",
            "seed": works.SEED,
            "fault_seed": works.FAULT_SEED,
            "site": works.SITE,
            "from": works.FIRST_DAY.isoformat(),
            "to": works.LAST_DAY.isoformat(),
            "totals": self._totals,
            "reference": {
                "stock": "BO90",
                "humidity_pct": 50,
                "prepared": "none",
                "set_spring": "off",
                "set_vacuum": 5,
                "set_speed": 2800,
            },
            "base_rates": works.BASE_RATES,
            "set_up_ratio": works.SET_UP_RATIO,
            "between_run_shape": works.BETWEEN_RUN_SHAPE,
            "between_run_cv": round(works.BETWEEN_RUN_SHAPE**-0.5, 4),
            "shifts": {
                name: {"from": f"{first:02}:00", "to": f"{last:02}:00"}
                for name, (first, last) in works.SHIFTS.items()
            },
            "humidity_missing": works.HUMIDITY_MISSING,
            "stocks": {
                stock.code: {"misses": stock.misses, "doubles": stock.doubles}
                for stock in works.STOCKS.values()
            },
            "bins": works.BIN_RATIOS,
            "humidity": {
                kind: {
                    str(pct): round(works.humidity_ratio(kind, pct), 4) for pct in range(20, 79, 2)
                }
                for kind in works.KINDS
            },
            "settings": {
                "set_vacuum": {"per": 1, **works.VACUUM_RATIO},
                "set_speed": {"per": 400, **works.SPEED_RATIO},
                "prepared": works.PREPARED_RATIO,
                "set_spring_on_with_coated_stock_of_115_gsm_and_more": (
                    works.SPRING_ON_COATED_RATIO
                ),
                "without_effect": [
                    "set_foot_rest",
                    "set_foot_height",
                    "set_bleed_holes",
                    "set_blast",
                ],
            },
            "truths": [_truth_as_data(truth) for truth in self._truths],
            "services_without_effect": [
                {"when": row[0], "tower": row[1], "bin": int(row[2]), "part": row[3]}
                for row in works.services()
                if row[4] == "fitted"
                and row[2].isdigit()
                and row[0] > "2031-02"
                and (row[1], int(row[2])) != works.WORN_BRUSH[:2]
            ],
        }


def _truth_as_data(truth: Truth) -> dict[str, Any]:
    periods = []
    for period in truth.periods:
        kinds = {}
        for kind, sums in period.kinds.items():
            kinds[kind] = {
                "feeds": sums.feeds,
                "logged": sums.logged,
                "expected": round(sums.expected, 2),
                "expected_without": round(sums.expected_without, 2),
                "mean_stock_ratio": round(period.stock_sums[kind] / sums.feeds, 4),
            }
        periods.append(
            {
                "name": period.name,
                "from": period.start.isoformat(),
                "to": period.end.isoformat(),
                "kinds": kinds,
            }
        )
    return {
        "name": truth.name,
        "tower": truth.tower,
        "bin": truth.bin,
        "kinds": list(truth.kinds),
        "about": truth.about,
        **truth.facts,
        "periods": periods,
    }
