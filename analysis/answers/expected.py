"""What do paper, air and settings do, and what is therefore to be expected?"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace

import pyarrow as pa

from analysis import conditions as question
from analysis.ages import Ages, ages, placed
from analysis.answers.asked import production
from analysis.conditions import Conditions
from analysis.conditions_levels import COLUMNS
from analysis.conditions_model import ConditionsError
from analysis.counts import LogScan
from analysis.filters import Filters


def conditions(scan: LogScan, filters: Filters, *, confidence: float = 0.95) -> Conditions:
    """Say what paper, air and settings do to the rate of a kind of fault, each by itself.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Rows to learn from: production unless it holds a purpose, and the kind of fault.
    confidence : float
        Of the intervals.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    analysis.conditions_model.ConditionsError
        Where nothing can be learnt.
    """
    filters = production(filters)
    settings = scan.logged_settings(filters)
    counts = scan.by_run((*COLUMNS, *settings), filters)
    return question.conditions(
        counts,
        filters.kind,
        scan.account(filters),
        scan.list_rows("stocks"),
        settings,
        ages=ages_of(scan, counts),
        confidence=confidence,
    )


def expected_by_kind(
    scan: LogScan,
    filters: Filters,
    kinds: Iterable[str],
    known: Callable[[str], Conditions | None] | None = None,
) -> dict[str, Conditions]:
    """Say what is to be expected, by kind of fault; without the kinds of which none was logged.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        As of `conditions`, but for its kind.
    kinds : iterable of str
        Of fault.
    known : callable, optional
        Gives that of a kind where it is at hand.
    """
    found: dict[str, Conditions] = {}
    for kind in kinds:
        with suppress(ConditionsError):
            one = known(kind) if known else conditions(scan, replace(filters, kind=kind))
            if one is not None:
                found[kind] = one
    return found


def ages_of(scan: LogScan, *counts: pa.Table) -> Ages | None:
    """Return how old parts were in the rows of some counts, one after another."""
    services = scan.list_rows("services")
    if not services:
        return None
    fed = scan.fed()
    places = pa.concat_tables([t.select(["of_tower", "bin", "of_run", "feeds"]) for t in counts])
    return placed(ages(fed, services), fed, places)
