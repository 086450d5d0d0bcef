"""What is known of one version of a store?

What a filter can be held to, and the answers and pages that were made from it.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import Any

from analysis.acceptance import Judgement
from analysis.adjusting import AdjustedTrends
from analysis.belief import Belief
from analysis.causes import Causes
from analysis.charts import Chart
from analysis.conditions import Conditions
from analysis.costs import CostsResult
from analysis.counts import Account, LogScan
from analysis.drift import Drift
from analysis.explained import Explained
from analysis.filters import Filters
from analysis.history import Intakes
from analysis.kept import Kept
from analysis.log_format import PURPOSES, SETTINGS
from analysis.overs import Overs
from analysis.overview import Overview
from analysis.parts import Parts
from analysis.proofs import Proof
from analysis.rate_change import Change
from analysis.set_up import SetUp
from analysis.site import Site
from analysis.trends import NOT_LOGGED, Mark, Trends, order
from analysis.wear_by_age import WearByAge
from analysis.weekly import Weekly

#: Columns with choices of their own in the filter, beside towers, purposes, stocks and settings.
OFFERED = ("site", "bin", "coating", "printed_by", "humidity_band")

# Answers of drift that are kept: each holds every run of every bin.
_DRIFTS = 6
# Weeks hold an answer of drift each.
_WEEKLIES = 3
#: Characters of drawn pages that are kept: some hundred pages of a few towers, fewer of many.
_DRAWN = 40_000_000

#: What can be asked of an answer that may not be at hand: among which answers, and its key.
Asked = tuple[Kept[Any, Any], Hashable]


@dataclass(frozen=True)
class Drawn:
    """A page as a browser is sent it.

    Attributes
    ----------
    text : str
        The page.
    lacks : tuple
        What the page asked for and did not find at hand: with any of it, it would be another.
    """

    text: str
    lacks: tuple[Asked, ...] = ()

    def stands(self) -> bool:
        """Tell whether the page would be drawn again as it is."""
        return not any(key in kept for kept, key in self.lacks)


@dataclass(frozen=True)
class Choices:
    """What a filter can be held to: what there is in the log, and nothing else.

    An empty text stands for rows where nothing was logged.

    Attributes
    ----------
    towers, purposes, stocks : tuple of str
        Values of these columns.
    others : mapping of str to tuple of str
        Values of further columns of which anything was logged, settings last.
    """

    towers: tuple[str, ...]
    purposes: tuple[str, ...]
    stocks: tuple[str, ...]
    others: Mapping[str, tuple[str, ...]]


def offered(scan: LogScan, site: Site) -> Choices:
    """Return what a filter can be held to, each column in the order in which it is read."""
    settings = [*SETTINGS, *(name for name in scan.own_columns() if name.startswith("set_"))]
    found = scan.values(["tower", "purpose", "stock", *OFFERED, *settings])

    def logged(column: str) -> list[str]:
        levels = site.setting(column).levels
        return sorted((v or "" for v in found[column]), key=lambda v: order(column, v, levels))

    towers = {str(row["tower"]) for row in scan.list_rows("towers")} | set(logged("tower"))
    purposes = logged("purpose")
    others = {c: tuple(logged(c)) for c in (*OFFERED, *settings)}
    return Choices(
        tuple(sorted(towers)),
        tuple(p for p in (*PURPOSES, "") if p in purposes),
        tuple(logged("stock")),
        {c: values for c, values in others.items() if any(v and v != NOT_LOGGED for v in values)},
    )


@dataclass(frozen=True)
class Opened:
    """One version of store and site file, and answers given from it.

    Attributes
    ----------
    stamp : tuple
        What changes with every change of either.
    scan : LogScan
        The log.
    site : Site
        What the site has a say in.
    whole : Account
        Evidence of the whole log.
    choices : Choices
        What a filter can be held to.
    drawn : Kept
        Pages as they were sent, by all that they depend on.

    All others are answers of `dashboard.data.Data` by what was asked, under the names of its
    methods.
    """

    stamp: tuple[object, ...]
    scan: LogScan
    site: Site
    whole: Account
    choices: Choices
    overviews: Kept[Filters, Overview] = field(default_factory=Kept)
    trends: Kept[tuple[Filters, str], Trends] = field(default_factory=Kept)
    over_time: Kept[tuple[Filters, str], Trends] = field(default_factory=Kept)
    conditions: Kept[Filters, Conditions | None] = field(default_factory=Kept)
    adjusted: Kept[tuple[object, ...], AdjustedTrends] = field(default_factory=Kept)
    changes: Kept[tuple[Filters, Filters], Change] = field(default_factory=Kept)
    set_ups: Kept[tuple[str, str], SetUp] = field(default_factory=Kept)
    costs: Kept[tuple[object, ...], CostsResult] = field(default_factory=Kept)
    overs: Kept[tuple[object, ...], Overs] = field(default_factory=Kept)
    beliefs: Kept[None, Belief] = field(default_factory=Kept)
    drifts: Kept[Filters, Drift] = field(default_factory=lambda: Kept(_DRIFTS))
    parts: Kept[Filters, Parts] = field(default_factory=Kept)
    wear_by_age: Kept[tuple[object, ...], WearByAge | None] = field(default_factory=Kept)
    causes: Kept[tuple[object, ...], Causes | None] = field(default_factory=Kept)
    explained: Kept[tuple[object, ...], tuple[Explained, ...]] = field(default_factory=Kept)
    setting_marks: Kept[tuple[str, int], list[Mark]] = field(default_factory=Kept)
    known_charts: Kept[tuple[Filters, str], Chart] = field(default_factory=Kept)
    burn_ins: Kept[None, list[Proof]] = field(default_factory=Kept)
    judgements: Kept[tuple[object, ...], Judgement] = field(default_factory=Kept)
    weeklies: Kept[tuple[object, ...], Weekly] = field(default_factory=lambda: Kept(_WEEKLIES))
    last_rows: Kept[None, list[dict[str, object]]] = field(default_factory=Kept)
    known_runs: Kept[tuple[tuple[str, str], ...], set[tuple[str, str]]] = field(
        default_factory=Kept
    )
    intakes: Kept[None, Intakes] = field(default_factory=Kept)
    drawn: Kept[tuple[object, ...], Drawn] = field(
        default_factory=lambda: Kept(_DRAWN, lambda drawn: len(drawn.text))
    )
