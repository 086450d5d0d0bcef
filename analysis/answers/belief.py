"""Can this log be believed?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from analysis import belief as question
from analysis.answers.asked import production
from analysis.answers.expected import ages_of, expected_by_kind
from analysis.belief import Belief
from analysis.belief_counts import read_counts, read_every_run, read_stretches
from analysis.burn_ins import PROVED
from analysis.conditions import Conditions
from analysis.conditions_levels import COLUMNS
from analysis.counts import LogScan
from analysis.filters import Filters


def believe(
    scan: LogScan, filters: Filters, conditions: Mapping[str, Conditions] | None = None
) -> Belief:
    """Say what in the log is hard to believe.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Rows to look at: production unless it holds a purpose. Of its period all is looked at, and
        what touches it told. Its kind does not matter.
    conditions : mapping of str to Conditions, optional
        Of misses and of doubles: what is to be expected. Fitted on those rows where absent.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    # A month is judged with the whole log in view: by itself it says little of what is usual.
    since, until = filters.since, filters.until
    filters = production(filters.during(None, None))
    models = expected_by_kind(scan, filters, PROVED) if conditions is None else conditions
    columns = dict.fromkeys(name for found in models.values() for name in found.model.settings)
    counts = scan.by_run((*COLUMNS, *columns), filters)
    towers = scan.list_rows("towers")
    runs, bins = read_counts(counts, models, ages_of(scan, counts))
    return question.believe(
        runs,
        bins=bins,
        stretches=read_stretches(scan.by_run(("stretch", "bin"), filters)),
        every=read_every_run(scan.by_run(("bin",), Filters())),
        services=[
            (str(row["tower"]), row["when"])
            for row in scan.list_rows("services")
            if row["action"] in ("fitted", "overhauled", "moved")
            and isinstance(row["when"], dt.datetime)
        ],
        sites={str(row["tower"]): str(row["site"] or "") for row in towers},
        account=scan.account(filters.during(since, until)),
    ).during(since, until)
