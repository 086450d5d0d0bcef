"""What do the faults cost?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np

from analysis import costs as question
from analysis.answers.asked import production, whole_log
from analysis.answers.beside import judged
from analysis.answers.between_runs import spread
from analysis.answers.expected import conditions
from analysis.answers.places import listed_towers
from analysis.conditions import Conditions
from analysis.conditions_model import ConditionsError
from analysis.costs import Beside, CostsResult
from analysis.counts import LogScan
from analysis.explained import Explained
from analysis.filters import Filters
from analysis.in_place import PACE_DAYS
from analysis.pricing import Counted
from analysis.site import NO_SITE, Site


def costs(
    scan: LogScan,
    filters: Filters,
    *,
    site: Site = NO_SITE,
    causes: Sequence[Explained] = (),
    found: Conditions | None = None,
    confidence: float = 0.95,
) -> CostsResult:
    """Say what faults cost.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Rows and kind of fault: production unless it holds a purpose; set-up in the same rows is
        then priced apart.
    site : Site
        States the figures.
    causes : sequence of Explained
        What explains how many of these faults, where that is known.
    found : Conditions, optional
        Of a part of the log that holds those rows, and of that kind; fitted where absent.
    confidence : float
        Of the ranges.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    ready = None if filters.values("purpose") else filters.holding("purpose", "set-up")
    filters = production(filters)
    beside, adjusted = _beside(scan, filters, found)
    return question.costs(
        counted(scan, filters),
        site.costs,
        spread(scan, filters, filters.kind, confidence=confidence),
        scan.account(filters),
        kind=filters.kind,
        make_ready=counted(scan, ready) if ready else None,
        beside=beside,
        adjusted=adjusted,
        causes=causes,
        confidence=confidence,
    )


def counted(scan: LogScan, filters: Filters) -> Counted:
    """Count what is priced: faults, stops, and the sets that were made meanwhile."""
    places = ("tower", "bin", "stock")
    return Counted(
        counts=scan.by_run(places, filters),
        events=scan.events(places, filters),
        stopped=scan.events(("tower",), filters),
        sets={
            "tower": scan.sets(("tower",), filters),
            "bin": scan.sets(("tower", "bin"), filters),
            "stock": scan.sets(("stock",), filters),
        },
        lines={name: row.line for name, row in listed_towers(scan).items() if row.line},
    )


def _beside(scan: LogScan, filters: Filters, found: Conditions | None) -> tuple[list[Beside], bool]:
    """Set each bin beside what was to be expected, by paper, air and settings where they tell."""
    account = scan.account(filters)
    if account.first is None or account.last is None:
        return [], False
    span = max(1, (account.last.date() - account.first.date()).days + 1)
    days = min(span, PACE_DAYS)
    since = dt.datetime.combine(account.last.date(), dt.time.min) - dt.timedelta(days=days - 1)
    recent = scan.counts(("tower", "bin"), filters.during(since, filters.until))
    pace = {
        (row["tower"], row["bin"]): row["feeds"] * 365 / days
        for row in recent.to_pylist()
        if row["bin"] is not None
    }
    try:
        if found is None:
            # What paper and air do is learnt from all towers and times.
            found = conditions(scan, whole_log(filters))
        looked, _ = judged(scan, filters, found)
    except ConditionsError:
        return [
            Beside(
                str(row["tower"]),
                int(row["bin"]),
                row[filters.kind],
                row[f"feeds_{filters.kind}"],
                row[f"feeds_{filters.kind}"],
                pace.get((row["tower"], row["bin"]), 0.0),
            )
            for row in scan.counts(("tower", "bin"), filters).to_pylist()
            if row["bin"] is not None
        ], False
    size = len(looked.places)
    faults, expected, feeds = (
        np.bincount(looked.place, values, size).tolist()
        for values in (looked.faults, looked.expected, looked.feeds)
    )
    return [
        Beside(tower, bin, faults[at], expected[at], feeds[at], pace.get((tower, bin), 0.0))
        for at, (tower, bin) in enumerate(looked.places)
    ], True
