"""How are we running?"""

from __future__ import annotations

import pyarrow as pa

from analysis import overview as question
from analysis.answers.asked import A_MOMENT, production, with_period
from analysis.answers.between_runs import spreads
from analysis.answers.places import listed_towers
from analysis.answers.proved import latest_proofs
from analysis.benchmark import sides_of
from analysis.counts import LogScan, account_of
from analysis.filters import Filters
from analysis.log_format import FAULT_KINDS
from analysis.overview import Overview
from analysis.proofs import Proof
from analysis.standing import Counted


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
    filters = with_period(scan, production(filters))
    assert filters.since is not None and filters.until is not None
    length = filters.until - filters.since
    before = filters.during(filters.since - length - A_MOMENT, filters.since - A_MOMENT)
    bins = scan.bins(filters.during(before.since, filters.until), filters.since)
    every = filters.during(None, None).holding("tower").holding("bin")
    proofs, proved = scan.kept.get(
        ("proved", *sorted(every.where)), lambda: _proved(scan, Filters(where=every.where))
    )
    counted = Counted(
        bins=bins,
        proofs=proofs,
        proved=proved,
        spread=spreads(scan, filters, FAULT_KINDS),
        listed=scan.kept.get(("tower list",), lambda: listed_towers(scan)),
    )
    now, past = counted.now(whole=True), counted.past(whole=True)
    return question.overview(filters, before, account_of(now), account_of(past), counted)


def _proved(scan: LogScan, filters: Filters) -> tuple[dict[str, Proof], pa.Table]:
    """Find each tower's latest burn-in within a filter, with its counts."""
    found = {t: p for t, p in latest_proofs(scan, filters).items() if p.counts.num_rows}
    counts = [proof.counts for proof in found.values()]
    return found, sides_of(pa.concat_tables(counts)) if counts else pa.table({})
