"""Filters in, result out: what commands, pages, reports and notebooks call.

The one composition of log, counts and statistics. No number is computed in two places, so a page
and a command that ask the same give the same.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from analysis import rates as statistics
from analysis.benchmark import latest_proofs
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.log_format import FAULT_KINDS
from analysis.overview import Counted, Overview, TowerList
from analysis.overview import overview as make_overview
from analysis.rates import RatesResult
from analysis.spread import Spread


def rates(
    scan: LogScan,
    by: Sequence[str],
    filters: Filters,
    *,
    method: str = "exact",
    confidence: float = 0.95,
) -> RatesResult:
    """Give the fault rate of each group.

    Parameters
    ----------
    scan : LogScan
        The log.
    by : sequence of str
        Columns to group by; none for the whole.
    filters : Filters
        Rows to count, all purposes unless it holds them, and the kind of fault.
    method, confidence
        Of the intervals; see `analysis.intervals`.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    ValueError
        For an unknown method or a confidence outside 0 to 1.
    """
    by = tuple(dict.fromkeys(by))
    counts = scan.by_run(by, filters)
    return statistics.rates(
        counts,
        by,
        filters.kind,
        scan.account(filters),
        spread(scan, by, filters, confidence=confidence),
        method=method,
        confidence=confidence,
    )


def spread(
    scan: LogScan, by: Sequence[str], filters: Filters, *, confidence: float = 0.95
) -> dict[str, Spread]:
    """Say how much runs differ beyond chance, tower by tower, over the whole log.

    Of the filter only kind and purpose are kept: how much runs differ is learnt from all of them,
    since a few weeks of one bin say next to nothing of it.
    """
    groups = statistics.explaining(by)
    counts = scan.by_run(groups, _whole_log(filters))
    return statistics.spreads(counts, groups, filters.kind, confidence=confidence)


def _whole_log(filters: Filters) -> Filters:
    return Filters(kind=filters.kind).holding("purpose", *filters.values("purpose"))


#: What the overview shows when no period is asked for: so many days to the last one logged.
USUAL_DAYS = 30


def overview(scan: LogScan, filters: Filters) -> Overview:
    """Say how the towers are running.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Without a period: the last 30 days up to the last one logged. Without a purpose:
        production.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    if not filters.values("purpose"):
        filters = filters.holding("purpose", "production")
    filters = _with_period(scan, filters)
    assert filters.since is not None and filters.until is not None
    length = filters.until - filters.since
    step = dt.timedelta(microseconds=1)
    before = filters.during(filters.since - length - step, filters.since - step)
    places = ("tower", "bin")
    all_along = scan.by_run(places, _whole_log(filters))
    # A bin is set beside its whole tower at burn-in, so the burn-in is not held to that bin.
    proving = filters.during(None, None).holding("purpose", "burn-in").holding("bin")
    burn_ins = scan.by_run(("tower", "bin", "proof"), proving)
    counted = Counted(
        now=scan.by_run(places, filters),
        past=scan.by_run(places, before),
        air=scan.by_run(("humidity_band", "stock"), filters),
        proofs=latest_proofs(burn_ins, _overhauls(scan)),
        spread={kind: statistics.spreads(all_along, places, kind) for kind in FAULT_KINDS},
        listed=_tower_list(scan),
    )
    return make_overview(filters, before, scan.account(filters), scan.account(before), counted)


def _with_period(scan: LogScan, filters: Filters) -> Filters:
    """Fill in what is missing of the period: the last 30 days, in whole days."""
    if filters.since and filters.until:
        return filters
    span = scan.account(filters)
    last = span.last or dt.datetime(2000, 1, 1)
    until = filters.until or dt.datetime.combine(last.date(), dt.time.max)
    since = filters.since
    if since is None:
        since = dt.datetime.combine(until.date(), dt.time.min)
        since -= dt.timedelta(days=USUAL_DAYS - 1)
    if since > until:
        until = dt.datetime.combine(since.date(), dt.time.max)
    return filters.during(since, until)


def _overhauls(scan: LogScan) -> dict[str, list[dt.datetime]]:
    found: dict[str, list[dt.datetime]] = {}
    for row in scan.list_rows("services"):
        when, tower = row["when"], row["tower"]
        if row["action"] == "overhauled" and isinstance(when, dt.datetime):
            found.setdefault(str(tower), []).append(when.replace(tzinfo=None))
    return found


def _tower_list(scan: LogScan) -> dict[str, TowerList]:
    return {
        str(row["tower"]): TowerList(
            bins=row["bins"] if isinstance(row["bins"], int) else None,
            from_top=row["numbered_from"] != "bottom",
            line=str(row["line"] or ""),
        )
        for row in scan.list_rows("towers")
    }
