"""Filters in, result out: what commands, pages, reports and notebooks call.

The one composition of log, counts and statistics. No number is computed in two places, so a page
and a command that ask the same give the same.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analysis import rates as statistics
from analysis.acceptance import Chosen, Judgement, choose
from analysis.acceptance import judge as judge_burn_in
from analysis.adjusting import AdjustedTrends, Change
from analysis.adjusting import adjusted_trends as make_adjusted_trends
from analysis.adjusting import change as make_change
from analysis.ages import Ages, ages, placed
from analysis.belief import Belief
from analysis.belief import believe as make_belief
from analysis.belief_counts import read_counts, read_every_run, read_stretches
from analysis.benchmark import SETTLED_DAYS, BenchmarkResult, Compared
from analysis.benchmark import compare as compare_with_benchmark
from analysis.charts import (
    Chart,
    ewma_of_faults,
    feeds_between,
    g_chart,
    p_chart,
    p_prime_chart,
)
from analysis.conditions import COLUMNS as CONDITION_COLUMNS
from analysis.conditions import Conditions, ConditionsError
from analysis.conditions import conditions as make_conditions
from analysis.counts import Account, LogScan
from analysis.drift import Drift
from analysis.drift import drift as make_drift
from analysis.filters import FilterError, Filters
from analysis.judged import Judged
from analysis.judged import judged as make_judged
from analysis.kept_months import DayOfLog, KeptMonths
from analysis.log_format import FAULT_KINDS, KINDS, YEARS
from analysis.monitor import Place, Service, months, watch
from analysis.overview import Overview
from analysis.overview import overview as make_overview
from analysis.proofs import (
    PROVED,
    Batch,
    BurnIn,
    KeptPlan,
    Proof,
    burn_in,
    changes_of,
    chosen,
    kept_for,
    latest,
    proofs,
    typed_burn_in,
)
from analysis.rates import RatesResult
from analysis.set_up import SetUp
from analysis.set_up import set_up as make_set_up
from analysis.site import NO_SITE, Site
from analysis.snapshot import merged
from analysis.spread import Spread
from analysis.standing import Counted, TowerList
from analysis.trends import TIME_COLUMNS, Mark, Trends, time_column
from analysis.trends import trends as make_trends
from analysis.verdicts import MARGIN
from analysis.words import listed

FloatArray = NDArray[np.float64]


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
        spread(scan, filters, filters.kind, confidence=confidence),
        method=method,
        confidence=confidence,
    )


def spread(
    scan: LogScan, filters: Filters, kind: str, *, confidence: float = 0.95
) -> dict[str, Spread]:
    """Say how much runs differ beyond chance, tower by tower, over the whole log.

    Of the filter only the purpose is kept: how much runs differ is learnt from all of them, since
    a few weeks of one bin say next to nothing of it.
    """
    return spreads(scan, filters, (kind,), confidence=confidence)[kind]


def spreads(
    scan: LogScan, filters: Filters, kinds: Iterable[str], *, confidence: float = 0.95
) -> dict[str, dict[str, Spread]]:
    """Say the same of several kinds of fault, from one scan; as `spread`."""
    whole = scan.by_run((), _whole_log(filters))
    return {kind: statistics.spreads(whole, kind, confidence=confidence) for kind in kinds}


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
    filters = _production(filters)
    filters = _with_period(scan, filters)
    assert filters.since is not None and filters.until is not None
    length = filters.until - filters.since
    step = dt.timedelta(microseconds=1)
    before = filters.during(filters.since - length - step, filters.since - step)
    places = ("tower", "bin")
    counted = Counted(
        now=scan.by_run(places, filters),
        past=scan.by_run(places, before),
        air=scan.by_run(("humidity_band", "stock"), filters),
        proofs={t: p for t, p in _latest_proofs(scan, filters).items() if p.counts.num_rows},
        spread=spreads(scan, filters, FAULT_KINDS),
        listed=_tower_list(scan),
    )
    return make_overview(filters, before, scan.account(filters), scan.account(before), counted)


def _with_period(scan: LogScan, filters: Filters) -> Filters:
    """Fill in what is missing of the period: the last 30 days, in whole days."""
    if filters.since and filters.until:
        return filters
    # The last day of the whole log: "last month" is the same for a tower that stood still.
    last = scan.account(Filters()).last or dt.datetime(2000, 1, 1)
    until = filters.until or dt.datetime.combine(last.date(), dt.time.max)
    since = filters.since
    if since is None:
        since = dt.datetime.combine(until.date(), dt.time.min)
        since -= dt.timedelta(days=USUAL_DAYS - 1)
    if since > until:
        until = dt.datetime.combine(since.date(), dt.time.max)
    return filters.during(since, until)


def _tower_list(scan: LogScan) -> dict[str, TowerList]:
    return {
        str(row["tower"]): TowerList(
            bins=row["bins"] if isinstance(row["bins"], int) else None,
            from_top=row["numbered_from"] != "bottom",
            line=str(row["line"] or ""),
        )
        for row in scan.list_rows("towers")
    }


def trends(scan: LogScan, filters: Filters, *, over: str = "", site: Site = NO_SITE) -> Trends:
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

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    filters = _production(filters)
    filters = _with_period(scan, filters)
    if over and over not in TIME_COLUMNS:
        raise FilterError(f"over is {over}; write one of {', '.join(TIME_COLUMNS)}")
    settings = scan.logged_settings(filters)
    columns = (over or time_column(filters), "stock", "humidity_band", *settings)
    counts = {column: scan.by_run((column,), filters) for column in columns}
    return make_trends(
        filters,
        scan.account(filters),
        counts,
        settings,
        spreads(scan, filters, FAULT_KINDS),
        _marks(scan, filters, set(counts["stock"]["of_tower"].to_pylist())),
        site,
    )


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
    analysis.conditions.ConditionsError
        Where nothing can be learnt.
    """
    filters = _production(filters)
    settings = scan.logged_settings(filters)
    counts = scan.by_run((*CONDITION_COLUMNS, *settings), filters)
    return make_conditions(
        counts,
        filters.kind,
        scan.account(filters),
        scan.list_rows("stocks"),
        settings,
        ages=_ages(scan, counts),
        confidence=confidence,
    )


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
    analysis.conditions.ConditionsError
        Where nothing can be learnt.
    """
    filters = _production(filters)
    if found is None:
        found = conditions(scan, filters)
    known = [t.name for t in found.model.fit.terms if t.name.startswith("set_")]
    counts = scan.by_run((*CONDITION_COLUMNS, *known), filters)
    runs = spread(scan, filters, filters.kind)
    return make_judged(counts, found, runs, _ages(scan, counts)), counts


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
    filters = _production(filters.during(None, None))
    models = _models(scan, filters) if conditions is None else conditions
    settings = [t.name for c in models.values() for t in c.model.fit.terms]
    columns = dict.fromkeys(name for name in settings if name.startswith("set_"))
    counts = scan.by_run((*CONDITION_COLUMNS, *columns), filters)
    towers = scan.list_rows("towers")
    runs, bins = read_counts(counts, models, _ages(scan, counts))
    return make_belief(
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


def _models(scan: LogScan, filters: Filters) -> dict[str, Conditions]:
    found = {}
    for kind in PROVED:
        # A kind without a fault on record is not expected to have any.
        with suppress(ConditionsError):
            asked = Filters(filters.since, filters.until, filters.where, kind)
            found[kind] = conditions(scan, asked)
    return found


#: Purposes that settings evidence rests on beside production.
TRIED = ("production", "trial", "set-up")


def set_up(
    scan: LogScan, filters: Filters, stock: str, conditions: Conditions | None = None
) -> SetUp:
    """Say which settings ran a stock clean, and which should be tried against each other.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Rows to learn from, of all stocks: production, trials and make-ready unless it holds a
        purpose; and the kind of fault that levels are judged by.
    stock : str
        Its code.
    conditions : Conditions, optional
        Of those rows; fitted where absent.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be, and where the log has no such stock.
    """
    filters = filters.holding("stock")
    if not filters.values("purpose"):
        filters = filters.holding("purpose", *TRIED)
    settings = scan.logged_settings(filters)
    counts = scan.by_run((*CONDITION_COLUMNS, *settings), filters)
    stocks = scan.list_rows("stocks")
    found = _ages(scan, counts)
    fitted: Conditions | str | None = conditions
    if fitted is None:
        try:
            fitted = make_conditions(
                counts, filters.kind, scan.account(filters), stocks, settings, ages=found
            )
        except ConditionsError as error:
            fitted = str(error)
    return make_set_up(
        stock,
        counts,
        filters.kind,
        scan.account(filters.holding("stock", stock)),
        stocks,
        settings,
        spread(scan, filters, filters.kind),
        fitted,
        ages=found,
    )


#: False alarms that a tower has in a year on which nothing changes, where nobody says otherwise.
BUDGET = 1.0

#: What streams can be held to: a stock or a setting comes and goes within a stream.
_OF_STREAMS = ("tower", "bin", "site", "line", "purpose")


def drift(
    scan: LogScan, filters: Filters, *, budget: float = BUDGET, kept: Path | None = None
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
    held = [column for column, _ in filters.where if column not in _OF_STREAMS]
    if held:
        raise FilterError(
            f"{listed(held)} cannot be asked of who is getting worse, since all runs of a bin are "
            f"watched together; ask for {listed(_OF_STREAMS)} or a period"
        )
    whole = Filters(until=filters.until).holding(
        "purpose", *(filters.values("purpose") or ("production",))
    )
    everything = scan.account(whole)
    kinds = tuple(PROVED) if filters.kind == "faults" else (filters.kind,)
    asked = _asked_places(scan, filters)
    account = scan.account(_production(filters.during(None, filters.until)))
    if everything.first is None or everything.last is None:
        return Drift((), kinds, account, budget, None)
    settings = scan.logged_settings(whole)
    stocks = scan.list_rows("stocks")
    services = [
        Service(
            row["when"].replace(tzinfo=None),
            str(row["tower"]),
            row["bin"] if isinstance(row["bin"], int) else None,
            bool(row["of_tower"]),
            str(row["part"] or ""),
            str(row["action"]),
            row["reason"] == "planned",
        )
        for row in scan.list_rows("services")
        if isinstance(row["when"], dt.datetime)
        and (filters.until is None or row["when"].replace(tzinfo=None) <= filters.until)
    ]
    step = dt.timedelta(microseconds=1)

    def counted(since: dt.datetime, until: dt.datetime) -> pa.Table:
        last = until - step
        if whole.until is not None:
            last = min(last, whole.until)
        columns = (*CONDITION_COLUMNS, *settings)
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
    return make_drift(
        worked,
        learnt,
        account,
        budget=budget,
        kinds=kinds,
        asked=asked,
        since=filters.since,
        marks=_marks(scan, Filters(until=filters.until), towers),
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


def _asked_places(scan: LogScan, filters: Filters) -> Callable[[Place], bool]:
    """Return what tells whether a bin, or a tower as a whole, is within a filter."""
    listed_towers = {str(row["tower"]): row for row in scan.list_rows("towers")}
    scan.check_columns([column for column, _ in filters.where])
    ran = scan.values(("tower", "bin"))
    known = {
        "tower": {*map(str, ran["tower"]), *listed_towers},
        "bin": {str(number) for number in ran["bin"] if number is not None},
        "site": {str(row["site"] or "") for row in listed_towers.values()},
        "line": {str(row["line"] or "") for row in listed_towers.values()},
    }
    for column, names in known.items():
        unknown = [value for value in filters.values(column) if value not in names]
        if unknown:
            raise FilterError(
                f"there is no {column} {listed(unknown)} in the log; it has "
                f"{listed(sorted(names, key=lambda n: (len(n), n))) if names else 'none'}"
            )

    def asked(place: Place) -> bool:
        tower, number = place
        row = listed_towers.get(tower, {})
        names = filters.values("tower")
        if names and tower not in names:
            return False
        for column in ("site", "line"):
            wanted = filters.values(column)
            if wanted and str(row.get(column) or "") not in wanted:
                return False
        bins = filters.values("bin")
        return not bins or (number is not None and str(number) in bins)

    return asked


def setting_marks(scan: LogScan, tower: str, bin: int) -> list[Mark]:
    """Return the setting moves of one bin, in order of time."""
    held = Filters().holding("tower", tower).holding("bin", str(bin))
    return [mark for mark in _marks(scan, held, {tower}) if mark.moved]


#: The charts that people know, by the word that they are asked for with.
CHARTS = ("p", "p-prime", "g", "ewma")


def known_charts(scan: LogScan, filters: Filters, chart: str, *, over: str | None = None) -> Chart:
    """Draw one of the charts that people know for the runs of a filter.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Its rows and its kind of fault; production unless it holds a purpose.
    chart : str
        One of `CHARTS`.
    over : str, optional
        What a point stands for: ``day`` where absent, ``week``, ``month`` or ``run``. The g-chart
        has one for each gap between faults, and takes none.

    Raises
    ------
    analysis.filters.FilterError
        For a column, a value or a chart that cannot be.
    """
    if chart not in CHARTS or over not in (*TIME_COLUMNS, "run", None):
        raise FilterError(
            f"there is no chart {chart} by {over}; write one of {', '.join(CHARTS)} by "
            f"{', '.join(TIME_COLUMNS)} or run"
        )
    if chart == "g" and over is not None:
        raise FilterError(
            f"a g-chart has a point for each fault and none for each {over}; leave that out"
        )
    over = "run" if chart == "g" else over or "day"
    counts = scan.by_run(() if over == "run" else (over,), _production(filters))
    faults, feeds, when = _in_order(counts, filters.kind, over)
    if chart == "g":
        # A point for each fault but the first, at the run that it was in.
        at = np.repeat(np.arange(faults.size), faults.astype(np.int64))[1:]
        found = g_chart(feeds_between(faults, feeds))
        return replace(found, when=tuple(when[place] for place in at.tolist()))
    if chart == "p":
        found = p_chart(faults, feeds, each=over)
    elif chart == "p-prime":
        found = p_prime_chart(faults, feeds, each=over)
    else:
        found = ewma_of_faults(faults, feeds)
    return replace(found, when=when)


def _in_order(
    counts: pa.Table, kind: str, over: str
) -> tuple[FloatArray, FloatArray, tuple[dt.datetime, ...]]:
    """Return faults and feeds of each run, day, week or month in order of time, and its begin."""
    # A fault whose bin was not noted has no feeds of its own.
    some = counts.filter(pc.greater(counts[f"feeds_{kind}"], 0))
    by = ["of_tower", "of_run"] if over == "run" else [over]
    names = [kind, f"feeds_{kind}"]
    summed = some.group_by(by).aggregate([*((name, "sum") for name in names), ("first", "min")])
    summed = summed.sort_by([("first_min", "ascending"), *((name, "ascending") for name in by)])
    faults, feeds = (summed[f"{name}_sum"].to_numpy().astype(np.float64) for name in names)
    return faults, feeds, tuple(summed["first_min"].to_pylist())


def _production(filters: Filters) -> Filters:
    if filters.values("purpose"):
        return filters
    return filters.holding("purpose", "production")


def _ages(scan: LogScan, *counts: pa.Table) -> Ages | None:
    """Return how old parts were in the rows of some counts, one after another."""
    services = scan.list_rows("services")
    if not services:
        return None
    fed = scan.fed()
    places = pa.concat_tables([t.select(["of_tower", "bin", "of_run", "feeds"]) for t in counts])
    return placed(ages(fed, services), fed, places)


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
    known = [
        t.name for c in conditions.values() for t in c.model.fit.terms if t.name.startswith("set_")
    ]
    columns = (*CONDITION_COLUMNS, *dict.fromkeys((*settings, *known)))
    columns += ("humidity_band", logged.over_time.column)
    counts = scan.by_run(columns, logged.filters)
    return make_adjusted_trends(
        logged,
        counts,
        conditions,
        spreads(scan, logged.filters, conditions),
        ages=_ages(scan, counts),
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
    before, after = _production(before), _production(after)
    known = [t.name for t in conditions.model.fit.terms if t.name.startswith("set_")]
    columns = (*CONDITION_COLUMNS, *known)
    earlier, later = scan.by_run(columns, before), scan.by_run(columns, after)
    found, size = _ages(scan, earlier, later), earlier.num_rows
    return make_change(
        earlier,
        later,
        conditions,
        (before, after),
        spread(scan, after, conditions.kind),
        ages=(found.rows(0, size), found.rows(size, size + later.num_rows))
        if found
        else (None, None),
    )


def _marks(scan: LogScan, filters: Filters, ran: Set[str]) -> list[Mark]:
    """Gather what was done in the period to the towers that ran in a filter, and to its bins.

    Settings are moved for every other stock, so their moves are shown for one bin at a time only.
    """
    towers, bins = filters.values("tower"), filters.values("bin")
    marks = []
    for row in scan.list_rows("services"):
        when, number = row["when"], row["bin"]
        assert isinstance(when, dt.datetime)
        when = when.replace(tzinfo=None)
        if (filters.since and when < filters.since) or (filters.until and when > filters.until):
            continue
        # By what ran and not by name: a filter may hold a site or a line.
        if row["tower"] not in ran or row["action"] == "inspected":
            continue
        if bins and number is not None and str(number) not in bins:
            continue
        what = " ".join(str(word) for word in (row["part"], row["action"]) if word)
        placed = number if isinstance(number, int) else None
        marks.append(Mark(when, str(row["tower"]), placed, what, moved=False))
    if len(towers) == 1 and len(bins) == 1:
        for row in scan.setting_moves(filters):
            name = str(row["setting"]).removeprefix("set_").replace("_", " ")
            when, number = row["when"], row["bin"]
            assert isinstance(when, dt.datetime) and isinstance(number, int)
            what = f"{name} {row['before']} to {row['after']}"
            marks.append(Mark(when, str(row["tower"]), number, what, moved=True))
    return sorted(marks, key=lambda mark: (mark.when, mark.tower, mark.bin or 0, mark.what))


def compare(
    scan: LogScan,
    filters: Filters,
    *,
    against: str = "burn-in",
    standard: float | None = None,
    margin: float = MARGIN,
    confidence: float = 0.95,
    method: str = "exact",
    site: Site = NO_SITE,
) -> BenchmarkResult:
    """Say which towers and bins are worse than their benchmark, which better, which as good.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        What is compared: production after each tower's latest burn-in (after its settled period,
        where that is the benchmark), and within the filter's period where it has one.
    against : str
        ``burn-in``, ``settled`` (the first 60 days of production after it) or ``standard``.
    standard : float, optional
        Faults per feed; that of the site, or else the usual one, where none is given.
    margin, confidence, method
        See `analysis.verdicts.compare`.
    site : Site
        May state a standard of its own.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    ValueError
        For a margin, confidence or method that cannot be.
    """
    filters = _production(filters)
    proofs = _latest_proofs(scan, filters)
    asked = filters.values("tower")
    names = [str(tower) for tower in scan.counts(("tower",), Filters())["tower"].to_pylist()]
    unknown = [tower for tower in asked if tower not in names]
    if unknown:
        raise FilterError(
            f"there is no tower {listed(unknown)} in the log; it has {listed(names)}"
            if names
            else "the log has no runs yet; add a run log first"
        )
    periods = [
        _compared_periods(filters, against, tower, proofs.get(tower))
        for tower in names
        if not asked or tower in asked
    ]
    counted = [_compared(scan, *period) for period in periods]
    account = merged([scan.account(now) for _, now, _ in periods])
    return compare_with_benchmark(
        filters.kind,
        against,
        counted,
        account,
        spread(scan, filters, filters.kind, confidence=confidence),
        standard=standard,
        margin=margin,
        confidence=confidence,
        method=method,
        site=site,
    )


def _compared_periods(
    filters: Filters, against: str, tower: str, proof: Proof | None
) -> tuple[str, Filters, Filters | None]:
    """Return a tower with the filters of its period and, where it has one, of its benchmark."""
    here = filters.holding("tower", tower)
    step = dt.timedelta(microseconds=1)
    if proof is None or against == "standard":
        return tower, here, None
    after = proof.last + step
    if against == "burn-in":
        then = here.during(proof.started, proof.last).holding("purpose", "burn-in")
        then = then.holding("proof", proof.name)
    else:
        settled = proof.last + dt.timedelta(days=SETTLED_DAYS)
        then = here.during(after, settled)
        after = settled + step
    since = max(after, filters.since) if filters.since else after
    if filters.until and filters.until < since:
        # All that was asked for lies before the benchmark: a moment before the log is left.
        never = dt.datetime(YEARS[0] - 1, 1, 1)
        return tower, here.during(never, never), then
    return tower, here.during(since, filters.until), then


def _compared(scan: LogScan, tower: str, now: Filters, then: Filters | None) -> Compared:
    paper = ("stock", "printed_by")
    # Bins borrow strength from all of their tower's burn-in, so that is not held to a bin.
    then = then.holding("bin") if then else None
    return Compared(
        tower=tower,
        now=scan.by_run(("bin",), now),
        benchmark=scan.by_run(("bin",), then) if then else None,
        only=tuple(int(number) for number in now.values("bin") if number.isdecimal()),
        paper=scan.by_run(paper, now),
        benchmark_paper=scan.by_run(paper, then) if then else None,
    )


def _latest_proofs(scan: LogScan, filters: Filters) -> dict[str, Proof]:
    """Find each tower's latest burn-in, and count the part of it that lies within a filter.

    Which one is the latest does not depend on the filter: a stock that the last burn-in did not
    run makes no older one the benchmark. A bin is set beside its whole tower at burn-in, so the
    burn-in is not held to a bin, nor to the filter's period.
    """
    found = _proofs(scan, Filters(kind=filters.kind))
    held = filters.during(None, None).holding("purpose", "burn-in").holding("bin")
    counts = scan.by_run(_PROOF_PLACES, held)
    return {tower: proof.within(counts) for tower, proof in latest(found).items()}


def burn_ins(scan: LogScan, tower: str = "") -> list[Proof]:
    """Return the burn-ins in the log, tower by tower in order of time; of one tower where named."""
    held = Filters().holding("tower", tower) if tower else Filters()
    found = _proofs(scan, held)
    return [proof for name in sorted(found) for proof in found[name]]


def judge(
    scan: LogScan,
    tower: str,
    *,
    proof: str | None = None,
    kept: Sequence[KeptPlan] = (),
    rates: Mapping[str, tuple[float, float]] | None = None,
    single: bool = False,
    site: Site = NO_SITE,
) -> Judgement:
    """Say whether a tower passes its burn-in.

    Parameters
    ----------
    scan : LogScan
        The log.
    tower : str
        Which.
    proof : str, optional
        The burn-in's name, empty for lines without one; the latest when absent.
    kept : sequence of KeptPlan
        The plans that were kept in the store.
    rates : mapping of str to (float, float), optional
        Good and bad rate by kind, instead of those kept or the usual.
    single : bool
        By single plans.
    site : Site
        May state a standard of its own, which is then the good rate.

    Raises
    ------
    analysis.filters.FilterError
        When the tower or such a burn-in is not in the log.
    analysis.plans.PlanError
        For rates that cannot be.
    """
    wanted = _wanted_proof(scan, tower, proof)
    during = Filters().during(wanted.begun, wanted.last).holding("tower", tower)
    lines = during.holding("purpose", "burn-in").holding("proof", wanted.name)
    listed_bins = _tower_list(scan).get(tower)
    burnt = burn_in(wanted, _rows(scan, lines), listed_bins.bins if listed_bins else None)
    last = lines.during(burnt.attempts[-1].started[0], wanted.last)
    plans = _chosen_plans(burnt, kept, rates, single=single, site=site)
    return judge_burn_in(burnt, plans, scan.account(last))


def judge_batches(
    tower: str,
    bins: int,
    batches: Sequence[Batch],
    begun: dt.datetime,
    *,
    kept: Sequence[KeptPlan] = (),
    proof: str = "",
    rates: Mapping[str, tuple[float, float]] | None = None,
    single: bool = False,
    site: Site = NO_SITE,
) -> Judgement:
    """Say how a burn-in stands whose counts are typed as its batches finish.

    Parameters
    ----------
    tower, proof : str
        Of the tower and the burn-in.
    bins : int
        How many bins the tower has.
    batches : sequence of Batch
        In order.
    begun : datetime
        When it began; wall time.
    kept, rates, single, site
        As of `judge`.

    Raises
    ------
    analysis.proofs.BatchError
        For batches that cannot be.
    analysis.plans.PlanError
        For rates that cannot be.
    """
    burnt = typed_burn_in(tower, bins, batches, begun, proof)
    plans = _chosen_plans(burnt, kept, rates, single=single, site=site)
    rows = len(burnt.attempts[-1].rows)
    feeds = sum(batch.cycles for batch in batches) * bins
    return judge_burn_in(burnt, plans, Account(rows, len(batches), feeds, begun, burnt.last))


def _chosen_plans(
    burnt: BurnIn,
    kept: Sequence[KeptPlan],
    rates: Mapping[str, tuple[float, float]] | None,
    *,
    single: bool,
    site: Site,
) -> dict[str, Chosen]:
    plans = {}
    for kind in PROVED:
        found = choose(
            kind,
            chosen(kept, burnt.tower, burnt.name, kind, burnt.begun),
            rates=(rates or {}).get(kind),
            single=single,
            site=site,
            begun=burnt.begun,
        )
        own = kept_for(kept, burnt.tower, burnt.name, kind)
        after = sum(not plan.before(burnt.begun) for plan in own if plan != found.kept)
        plans[kind] = replace(found, passed_over=after)
    return plans


def _wanted_proof(scan: LogScan, tower: str, proof: str | None) -> Proof:
    found = burn_ins(scan, tower)
    if not found:
        towers = sorted({one.tower for one in burn_ins(scan)})
        which = (
            f"; {listed(towers)} have"
            if len(towers) > 1
            else f"; {towers[0]} has"
            if towers
            else ""
        )
        raise FilterError(
            f"tower {tower} has no burn-in in the log{which}; log the runs that prove it with "
            "purpose burn-in"
        )
    if proof is None:
        return found[-1]
    named = [one for one in found if one.name == proof]
    if not named:
        names = listed([one.name or "one without a name" for one in found])
        raise FilterError(
            f"tower {tower} has no burn-in {proof or 'without a name'}; it has {names}"
        )
    return named[-1]


def _rows(scan: LogScan, filters: Filters) -> list[dict[str, object]]:
    """Return rows of the run log by the format's columns and the site's own."""
    own = scan.own_columns()
    names = (*KINDS["runs"].names, *own)
    return [
        dict(zip(names, cells, strict=True))
        for batch in scan.stream("runs", KINDS["runs"].names, own, filters)
        for cells in zip(*(column.to_pylist() for column in batch.columns), strict=True)
    ]


_PROOF_PLACES = ("tower", "bin", "proof", "stretch")


def _proofs(scan: LogScan, filters: Filters) -> dict[str, list[Proof]]:
    """Find the burn-ins in a part of the log, tower by tower."""
    every = filters.holding("purpose", "burn-in")
    counts = scan.by_run(_PROOF_PLACES, every)
    if not counts.num_rows:
        return {}
    changes = changes_of(scan.list_rows("services"), scan.setting_moves(every))
    return proofs(counts, changes)
