"""Where do faults come from: as logged, with all else the same, and in a change of the rate?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from analysis import adjusting, rate_change
from analysis import trends as question
from analysis.adjusting import AdjustedTrends
from analysis.answers.asked import production, with_period
from analysis.answers.between_runs import spread, spreads
from analysis.answers.expected import ages_of
from analysis.answers.services_done import marks_of
from analysis.conditions import Conditions
from analysis.conditions_levels import COLUMNS
from analysis.counts import LogScan, account_of
from analysis.filters import FilterError, Filters
from analysis.log_format import FAULT_KINDS
from analysis.rate_change import Change
from analysis.site import NO_SITE, Site
from analysis.trends import TIME_COLUMNS, Trends, time_column


def trends(
    scan: LogScan,
    filters: Filters,
    *,
    over: str = "",
    site: Site = NO_SITE,
    time_alone: bool = False,
) -> Trends:
    """Say where misses and doubles come from, as logged.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Period and purpose as in `overview`.
    over : str
        Unit of time: ``day``, ``week`` or ``month``; one that suits the period when empty.
    site : Site
        Gives settings their units and the order of their levels.
    time_alone : bool
        Leave out all but the rates over time, which takes a tenth as long.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    filters = with_period(scan, production(filters))
    if over and over not in TIME_COLUMNS:
        raise FilterError(f"over is {over}; write one of {', '.join(TIME_COLUMNS)}")
    settings = () if time_alone else scan.logged_settings(filters)
    unit = over or time_column(filters)
    columns = (unit,) if time_alone else (unit, "stock", "humidity_band", *settings)
    counts = {column: scan.sums((column,), filters) for column in columns}
    counts[""] = scan.sums((), filters)
    return question.trends(
        filters,
        account_of(counts[""]),
        counts,
        settings,
        spreads(scan, filters, FAULT_KINDS),
        marks_of(scan, filters, set(counts[""]["of_tower"].to_pylist())),
        site,
    )


def adjusted_trends(
    scan: LogScan,
    filters: Filters,
    conditions: Mapping[str, Conditions],
    *,
    over: str = "",
    setting: str | None = None,
    site: Site = NO_SITE,
    logged: Trends | None = None,
) -> AdjustedTrends:
    """Say where misses and doubles come from, with all else the same.

    Parameters
    ----------
    scan, filters, over, site
        As of `trends`.
    conditions : mapping of str to Conditions
        By kind of fault, of the whole log: a few weeks would say too little of what to expect.
    setting : str, optional
        The one setting to split by, if any; each of them where None.
    logged : Trends, optional
        What `trends` answers to the same question, where that is at hand.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    logged = logged or trends(scan, filters, over=over, site=site)
    if setting is not None:
        one = tuple(split for split in logged.by_setting if split.column == setting)
        logged = replace(logged, by_setting=one)
    settings = tuple(split.column for split in logged.by_setting)
    # The model may know settings that were not logged in this part: its rows are then without.
    known = [name for found in conditions.values() for name in found.model.settings]
    columns = (*COLUMNS, *dict.fromkeys((*settings, *known)))
    columns += ("humidity_band", logged.over_time.column)
    counts = scan.by_run(columns, logged.filters)
    return adjusting.adjusted_trends(
        logged,
        counts,
        conditions,
        spreads(scan, logged.filters, conditions),
        ages=ages_of(scan, counts),
    )


def change(
    scan: LogScan,
    before: Filters,
    after: Filters,
    conditions: Conditions,
) -> Change:
    """Say what is behind the change of the rate from one part of the log to another.

    Parameters
    ----------
    scan : LogScan
        The log.
    before, after : Filters
        The two periods; production unless they hold a purpose.
    conditions : Conditions
        Of a part of the log that holds both, and of the kind of fault that is meant.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    before, after = production(before), production(after)
    columns = (*COLUMNS, *conditions.model.settings)
    earlier, later = scan.by_run(columns, before), scan.by_run(columns, after)
    found, size = ages_of(scan, earlier, later), earlier.num_rows
    return rate_change.change(
        earlier,
        later,
        conditions,
        (before, after),
        spread(scan, after, conditions.kind),
        ages=(found.rows(0, size), found.rows(size, size + later.num_rows))
        if found
        else (None, None),
    )
