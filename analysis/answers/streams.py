"""Which bins and towers are getting worse?"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from analysis import drift as question
from analysis.answers.asked import A_MOMENT, learnt_from, of_streams_alone, production
from analysis.answers.places import asked_places
from analysis.answers.services_done import marks_of
from analysis.conditions_levels import COLUMNS
from analysis.counts import LogScan
from analysis.drift import Drift
from analysis.filters import FilterError, Filters
from analysis.kept_months import DayOfLog, KeptMonths
from analysis.log_format import kinds_of
from analysis.monitor import months, watch
from analysis.service_log import logged
from analysis.site import USUAL_BUDGET


def drift(
    scan: LogScan, filters: Filters, *, budget: float = USUAL_BUDGET, kept: Path | None = None
) -> Drift:
    """Say which bins and towers are getting worse.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Towers, bins, sites and lines whose streams are asked for; the kind of fault; up to when
        the log is looked at, and from when on alarms that are over are told; production unless it
        holds a purpose. What to expect is learnt from all towers and from the log's beginning.
    budget : float
        False alarms a year that are allowed for each tower.
    kept : Path, optional
        The store's folder for what can be worked out again: months that were worked through are
        found and put there. Only for the log as it stands now.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    if not budget > 0:
        raise FilterError(
            f"budget is {budget:g}; allow a tower some false alarms a year, such as 1"
        )
    of_streams_alone(filters, "who is getting worse", "all runs of a bin are watched together")
    whole = learnt_from(filters)
    everything = scan.account(whole)
    kinds = kinds_of(filters.kind)
    asked = asked_places(scan, filters)
    account = scan.account(production(filters.during(None, filters.until)))
    if everything.first is None or everything.last is None:
        return Drift((), kinds, account, budget, None)
    settings = scan.logged_settings(whole)
    stocks = scan.list_rows("stocks")
    services = logged(scan.list_rows("services"), filters.until)

    def counted(since: dt.datetime, until: dt.datetime) -> pa.Table:
        last = until - A_MOMENT
        if whole.until is not None:
            last = min(last, whole.until)
        columns = (*COLUMNS, *settings)
        return _from_the_start(
            scan.by_run(columns, whole.during(since, last)),
            # A run may have begun with make-ready, on the day before at the earliest.
            scan.by_run((), Filters().during(since - dt.timedelta(days=1), last)),
        )

    keeper = None
    if kept is not None and scan.intake is None and filters.until is None:
        keeper = KeptMonths(
            kept / "drift",
            months(everything.first, everything.last),
            # Of all purposes: a run begins with its make-ready.
            {day: DayOfLog(*told) for day, told in scan.days(Filters()).items()},
            stocks,
            services,
            (*whole.values("purpose"), repr(budget)),
        )
    worked, learnt = watch(
        counted,
        everything.first,
        everything.last,
        stocks,
        settings,
        services,
        budget=budget,
        kept=keeper,
    )
    if keeper is not None:
        keeper.tidy()
    towers = {place[0] for place in learnt.places if asked(place)}
    return question.drift(
        worked,
        learnt,
        account,
        budget=budget,
        kinds=kinds,
        asked=asked,
        since=filters.since,
        marks=marks_of(scan, Filters(until=filters.until), towers),
    )


def _from_the_start(counts: pa.Table, runs: pa.Table) -> pa.Table:
    """Return counts with the start of each run in place of that of its counted stretches."""
    keys = ["of_tower", "of_run"]
    starts = runs.select([*keys, "first"]).rename_columns([*keys, "start"])
    joined = counts.join(starts, keys, join_type="left outer")
    start = pc.min_element_wise(joined["first"], joined["start"])
    place = joined.column_names.index("first")
    # In an order that does not depend on how the join was made.
    by = [(name, "ascending") for name in ("first", *keys, "bin", "stock")]
    return joined.set_column(place, "first", start).drop_columns(["start"]).sort_by(by)
