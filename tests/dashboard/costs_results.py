"""Costs written by hand, for the overview to show; every number is invented."""

from __future__ import annotations

import dataclasses

from analysis.costs import Beyond, CostsResult
from analysis.pricing import Cost, Share
from analysis.site_costs import Costs
from tests.dashboard.drift_results import ACCOUNT

FIGURES = Costs(
    currency="GBP",
    hour=60,
    stop_minutes=2,
    mend_minutes=1,
    spoiled_set=2,
    spoiled_share=0.1,
    found_later=25,
)


def beyond_of(tower: str, bin: int, faults: float, ordinary: float, sure: float = 12) -> Beyond:
    """Return a bin whose faults cost 3 each, in as many feeds as it feeds in a year."""
    best = faults - ordinary
    return Beyond(
        tower, bin, faults, ordinary, best - sure, best + 12, 1e6, 1e6, 3.0, faults - 8, faults + 9
    )


def cost_of(cost: float, faults: float, later: int = 0, sets: int = 700_000, **of: object) -> Cost:
    """Return a cost whose range is a tenth of it."""
    return Cost(of, faults, later, sets, cost, 0.9 * cost, 1.1 * cost)


def costs_of(*beyond: Beyond, **changes: object) -> CostsResult:
    """Return the costs of a month of two towers."""
    made = CostsResult(
        figures=FIGURES,
        assumed=(),
        total=cost_of(1_680, 535, 3),
        by_tower=(cost_of(900, 300, tower="A"), cost_of(780, 235, 3, tower="=B")),
        by_bin=(cost_of(120, 40, tower="A", bin=2), cost_of(60, 20, tower="=B", bin=None)),
        by_stock=(cost_of(1_680, 535, 3, stock=None),),
        by_kind=(cost_of(880, 293, kind="misses"), cost_of(800, 242, 3, kind="doubles")),
        by_what=(
            cost_of(1_070, 535, what="stops", events=535.0),
            cost_of(492, 535, what="mended sets", events=492.3),
            cost_of(43, 535, what="spoiled sets", events=42.7),
            cost_of(75, 0, 3, what="found later", events=3),
        ),
        by_cause=(),
        make_ready=cost_of(67, 22, sets=9_000),
        beyond=beyond or (beyond_of("A", 2, 40, 12), beyond_of("=B", 1, 20, 14)),
        adjusted=True,
        shares=(Share("A", 40, 460, 0.08, 0.06, 0.11),),
        days=21,
        feeds=6_480_000,
        feeds_found_later=6_480_000,
        kind="faults",
        confidence=0.95,
        account=ACCOUNT,
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]
