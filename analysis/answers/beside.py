"""What was there in each run of each bin, beside what was to be expected of it?"""

from __future__ import annotations

import pyarrow as pa

from analysis import judged as question
from analysis.answers.asked import production
from analysis.answers.between_runs import spread
from analysis.answers.expected import ages_of, conditions
from analysis.conditions import Conditions
from analysis.conditions_levels import COLUMNS
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.judged import Judged


def judged(
    scan: LogScan, filters: Filters, found: Conditions | None = None
) -> tuple[Judged, pa.Table]:
    """Set every run of every bin beside what was to be expected of it.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Rows and kind of fault: production unless it holds a purpose.
    found : Conditions, optional
        Of a part of the log that holds those rows, and of that kind; fitted on them where absent.

    Returns
    -------
    Judged, pyarrow.Table
        And the rows of the scan that `Judged.kept` points at.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    analysis.conditions_model.ConditionsError
        Where nothing can be learnt.
    """
    filters = production(filters)
    if found is None:
        found = conditions(scan, filters)
    counts = scan.by_run((*COLUMNS, *found.model.settings), filters)
    runs = spread(scan, filters, filters.kind)
    return question.judged(counts, found, runs, ages_of(scan, counts)), counts
