"""What is the fault rate, and how sure are we?"""

from __future__ import annotations

from collections.abc import Sequence

from analysis import rates as question
from analysis.answers.between_runs import spread
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.rates import RatesResult


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
    return question.rates(
        counts,
        by,
        filters.kind,
        scan.account(filters),
        spread(scan, filters, filters.kind, confidence=confidence),
        method=method,
        confidence=confidence,
    )
