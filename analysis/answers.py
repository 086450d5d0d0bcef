"""Filters in, result out: what commands, pages, reports and notebooks call.

The one composition of log, counts and statistics. No number is computed in two places, so a page
and a command that ask the same give the same.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analysis import rates as statistics
from analysis.acceptance import Judgement
from analysis.acceptance import judge as judge_burn_in
from analysis.adjusting import AdjustedTrends, Change
from analysis.adjusting import adjusted_trends as make_adjusted_trends
from analysis.adjusting import change as make_change
from analysis.ages import Ages, ages, placed
from analysis.belief import Belief
from analysis.belief import believe as make_belief
from analysis.belief_counts import read_counts, read_every_run, read_stretches
from analysis.benchmark import SETTLED_DAYS, BenchmarkResult, Compared, sides_of
from analysis.benchmark import compare as compare_with_benchmark
from analysis.causes import BAD_LUCK, Causes, together
from analysis.causes import causes as make_causes
from analysis.charts import (
    Chart,
    ewma_of_faults,
    feeds_between,
    g_chart,
    p_chart,
    p_prime_chart,
)
from analysis.chosen_plans import Chosen, choose
from analysis.conditions import COLUMNS as CONDITION_COLUMNS
from analysis.conditions import Conditions, ConditionsError
from analysis.conditions import conditions as make_conditions
from analysis.costs import Beside, CostsResult
from analysis.costs import Counted as Costed
from analysis.costs import costs as price
from analysis.counts import Account, LogScan, account_of
from analysis.drift import Drift
from analysis.drift import drift as make_drift
from analysis.explained import Explained
from analysis.explained import explained as explain
from analysis.filters import FilterError, Filters
from analysis.judged import Judged
from analysis.judged import judged as make_judged
from analysis.kept_months import DayOfLog, KeptMonths
from analysis.log_format import FAULT_KINDS, KINDS, YEARS
from analysis.monitor import Place, Service, months, watch
from analysis.neighbours import own_trouble
from analysis.ordering import kind_of_part
from analysis.ordering import parts as make_parts
from analysis.overs import Overs
from analysis.overs import overs as make_overs
from analysis.overview import Overview
from analysis.overview import overview as make_overview
from analysis.parts import PartRow, Parts
from analysis.patterns import Pattern, known_patterns
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
from analysis.services import done as services_done
from analysis.set_up import SetUp
from analysis.set_up import set_up as make_set_up
from analysis.site import NO_SITE, Site
from analysis.snapshot import merged
from analysis.spread import Spread
from analysis.standing import Counted, TowerList
from analysis.swap_advice import swap_for
from analysis.swaps_logged import swaps_in_log
from analysis.tower_rows import rows_of
from analysis.trends import TIME_COLUMNS, Mark, Trends, time_column
from analysis.trends import trends as make_trends
from analysis.verdicts import MARGIN
from analysis.wear_by_age import WearByAge
from analysis.wear_by_age import wear_by_age as make_wear_by_age
from analysis.weekly import WEEKS_BEFORE, Weekly, monday
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
    """Say the same of several kinds of fault, from one scan that is kept; as `spread`."""
    asked = _whole_log(Filters()).holding("purpose", *sorted(filters.values("purpose")))
    kinds = tuple(kinds)

    def made() -> dict[str, dict[str, Spread]]:
        whole = scan.by_run((), asked)
        return {kind: statistics.spreads(whole, kind, confidence=confidence) for kind in kinds}

    every: dict[str, dict[str, Spread]]
    for some in (FAULT_KINDS, kinds):
        if (key := ("spreads", asked, some, confidence)) in scan.kept or some == kinds:
            every = scan.kept.get(key, made)
            break
    return {kind: every[kind] for kind in kinds}


def _whole_log(filters: Filters) -> Filters:
    return Filters(kind=filters.kind).holding("purpose", *filters.values("purpose"))


#: The whole log.
EVERYTHING = Filters()

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
        listed=scan.kept.get(("tower list",), lambda: _tower_list(scan)),
    )
    now, past = counted.now(whole=True), counted.past(whole=True)
    return make_overview(filters, before, account_of(now), account_of(past), counted)


def _proved(scan: LogScan, filters: Filters) -> tuple[dict[str, Proof], pa.Table]:
    """Find each tower's latest burn-in within a filter, with its counts."""
    found = {t: p for t, p in _latest_proofs(scan, filters).items() if p.counts.num_rows}
    counts = [proof.counts for proof in found.values()]
    return found, sides_of(pa.concat_tables(counts)) if counts else pa.table({})


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
    filters = _production(filters)
    filters = _with_period(scan, filters)
    if over and over not in TIME_COLUMNS:
        raise FilterError(f"over is {over}; write one of {', '.join(TIME_COLUMNS)}")
    settings = () if time_alone else scan.logged_settings(filters)
    unit = over or time_column(filters)
    columns = (unit,) if time_alone else (unit, "stock", "humidity_band", *settings)
    counts = {column: scan.sums((column,), filters) for column in columns}
    counts[""] = scan.sums((), filters)
    return make_trends(
        filters,
        account_of(counts[""]),
        counts,
        settings,
        spreads(scan, filters, FAULT_KINDS),
        _marks(scan, filters, set(counts[""]["of_tower"].to_pylist())),
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


#: What is the recent pace: that of so many days to the last one logged.
PACE_DAYS = 91


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
    filters = _production(filters)
    beside, adjusted = _beside(scan, filters, found)
    return price(
        _counted_costs(scan, filters),
        site.costs,
        spread(scan, filters, filters.kind, confidence=confidence),
        scan.account(filters),
        kind=filters.kind,
        make_ready=_counted_costs(scan, ready) if ready else None,
        beside=beside,
        adjusted=adjusted,
        causes=causes,
        confidence=confidence,
    )


def _counted_costs(scan: LogScan, filters: Filters) -> Costed:
    places = ("tower", "bin", "stock")
    return Costed(
        counts=scan.by_run(places, filters),
        events=scan.events(places, filters),
        stopped=scan.events(("tower",), filters),
        sets={
            "tower": scan.sets(("tower",), filters),
            "bin": scan.sets(("tower", "bin"), filters),
            "stock": scan.sets(("stock",), filters),
        },
        lines={name: row.line for name, row in _tower_list(scan).items() if row.line},
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
            whole = Filters(kind=filters.kind).holding("purpose", *filters.values("purpose"))
            found = conditions(scan, whole)
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


def overs(
    scan: LogScan,
    stock: str,
    sets: int,
    *,
    tower: str = "",
    bins: int | None = None,
    chance: float = 0.95,
    filters: Filters = EVERYTHING,
    site: Site = NO_SITE,
) -> Overs:
    """Say how many spare sheets a job needs.

    Parameters
    ----------
    scan : LogScan
        The log.
    stock : str
        Its paper.
    sets : int
        Of the job.
    tower : str
        That it runs on; any, where empty.
    bins : int, optional
        That carry the paper; as many as mostly do, where absent.
    chance : float
        Share of such jobs that is to finish.
    filters : Filters
        Rows to learn from, of all stocks: production unless it holds a purpose.
    site : Site
        States how many stopped sets are spoiled, for where the log does not.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be, and for a stock or a tower that nobody knows.
    """
    listed_stocks = scan.list_rows("stocks")
    ran = scan.values(("stock", "tower"))
    known = {*(name for name in ran["stock"] if name), *(str(r["stock"]) for r in listed_stocks)}
    if stock not in known:
        raise FilterError(_unknown("stock", stock, known))
    towers = {*map(str, ran["tower"]), *_tower_list(scan)}
    if tower and tower not in towers:
        raise FilterError(_unknown("tower", tower, towers))
    held = filters.holding("stock").holding("tower", *([tower] if tower else []))
    held = Filters(held.since, held.until, held.where)
    made = _production(held)
    counts = scan.by_run(("stock", "bin"), made)
    if not pc.sum(counts["feeds_faults"]).as_py():
        where = f" of tower {tower}" if tower else ""
        raise FilterError(
            f"this part of the log{where} has no feeds of production to learn from; widen it, or "
            "add a run log"
        )
    stopped = scan.events((), made).to_pylist()
    spoiled, mended = (
        sum(row[name] for row in stopped) for name in ("sets_spoiled", "sets_mended")
    )
    stated = site.costs.or_usual().spoiled_share or 0.0
    ready = held.holding("purpose", "set-up").holding("stock", stock)
    return make_overs(
        stock,
        sets,
        counts,
        scan.account(made),
        spread(scan, made, "faults"),
        paper={
            str(row["stock"]): listed([str(row[n]) for n in ("coating", "printed_by") if row[n]])
            for row in listed_stocks
            if row["coating"] or row["printed_by"]
        },
        tower=tower,
        bins=bins,
        chance=chance,
        spoiled_share=spoiled / (spoiled + mended) if spoiled + mended else stated,
        set_up=scan.by_run(("bin",), ready),
    )


def _unknown(what: str, name: str, known: Set[str]) -> str:
    """Say that a name is not known, and which come nearest."""
    if not known:
        return f"there is no {what} {name}: the log names none; add a {what} list or a run log"
    near = difflib.get_close_matches(name.upper(), [one.upper() for one in known], 3, 0.5)
    names = [one for one in sorted(known) if one.upper() in near]
    if names:
        verb = "is" if len(names) == 1 else "are"
        return f"there is no {what} {name} in the log; the nearest {verb} {listed(names)}"
    return f"there is no {what} {name} in the log; it has {listed(sorted(known))}"


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
    services = _services(scan, filters.until)
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


def parts(
    scan: LogScan,
    filters: Filters,
    *,
    site: Site = NO_SITE,
    conditions: Mapping[str, Conditions] | None = None,
    kind: str | None = None,
) -> Parts:
    """Say what is wearing, what is to be ordered and when, and whether services helped.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Towers, bins, sites and lines that are asked for; up to when the log is looked at, and from
        when on services and parts that were taken out are told; production unless it holds a
        purpose. How parts wear is learnt from all towers. A kind of fault, misses or doubles, is
        then that of all parts.
    site : Site
        Limits, kinds, prices and times of parts, what towers carry and how they are planned.
    conditions : mapping of str to Conditions, optional
        By kind of fault, of the whole log: what is to be expected. Fitted where absent.
    kind : str, optional
        Of fault that all parts are judged by, ``faults`` too; each by what its own wear shows in
        where absent.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    held = [column for column, _ in filters.where if column not in _OF_STREAMS]
    if held:
        raise FilterError(
            f"{listed(held)} cannot be asked of what is wearing, since a part feeds whatever runs; "
            f"ask for {listed(_OF_STREAMS)} or a period"
        )
    if kind is None and filters.kind != "faults":
        kind = filters.kind
    whole = Filters(until=filters.until).holding(
        "purpose", *(filters.values("purpose") or ("production",))
    )
    asked = _asked_places(scan, filters)
    done = services_done(scan.list_rows("services"), filters.until)
    carried = [
        part for tower in site.towers.values() for part in (*tower.parts, *tower.tower_parts)
    ]
    names = dict.fromkeys((*(one.part for one in done), *carried))
    found = {}
    for each in dict.fromkeys(kind_of_part(name, site, kind) for name in names):
        # A kind without a fault on record tells no wear.
        with suppress(ConditionsError):
            known = (conditions or {}).get(each)
            rows, counts = judged(scan, Filters(whole.since, whole.until, whole.where, each), known)
            air = counts["humidity_pct"].to_numpy().astype(np.float64)[rows.kept]
            found[each] = (rows, air)
    everything = Filters(until=filters.until)
    return make_parts(
        found,
        scan.fed() if filters.until is None else scan.by_run(("tower", "bin"), everything),
        done,
        scan.account(_production(filters.during(None, filters.until))),
        site,
        listed_bins={name: row.bins for name, row in _tower_list(scan).items()},
        until=scan.account(everything).last,
        kind=kind,
        asked=asked,
        since=filters.since,
    )


def wear_by_age(
    scan: LogScan,
    row: PartRow,
    every: Parts,
    filters: Filters,
    *,
    site: Site = NO_SITE,
    conditions: Conditions | None = None,
) -> WearByAge | None:
    """Say how the faults of one place go with the age of its part.

    Parameters
    ----------
    scan : LogScan
        The log.
    row : PartRow
        The part: one of ``every``.
    every : Parts
        What `parts` says of all towers, by the same kind of fault.
    filters : Filters
        Up to when the log is looked at, and its purposes; as `parts` was asked.
    site : Site
        Action limits.
    conditions : Conditions, optional
        Of the kind of fault of ``row``; fitted where absent.

    Returns
    -------
    WearByAge or None
        None where there is no fault at a known age to tell it from.
    """
    if every.until is None:
        return None
    asked = Filters(until=filters.until, kind=row.kind).holding(
        "purpose", *(filters.values("purpose") or ("production",))
    )
    try:
        rows, counts = judged(scan, asked, conditions)
    except ConditionsError:
        return None
    air = counts["humidity_pct"].to_numpy().astype(np.float64)[rows.kept]
    return make_wear_by_age(row, every.parts, rows, air, site, every.until)


def _services(scan: LogScan, until: dt.datetime | None) -> list[Service]:
    """Return what was done to towers and bins up to some moment."""
    return [
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
        and (until is None or row["when"].replace(tzinfo=None) <= until)
    ]


def causes(
    scan: LogScan,
    filters: Filters,
    tower: str,
    bin: int | None = None,
    *,
    patterns: Sequence[Pattern] | None = None,
    conditions: Mapping[str, Conditions] | None = None,
) -> Causes:
    """Say what is likely behind the faults of a bin, or of a tower as a whole.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Up to when, and from when on, the log is looked at; the kind of fault; production unless it
        holds a purpose.
    tower, bin
        Whose faults; the tower as a whole without a bin.
    patterns : sequence of Pattern, optional
        Causes that are known; those that the program comes with where absent.
    conditions : mapping of str to Conditions, optional
        By kind, of a part of the log that holds those rows; fitted where absent, on all runs up
        to the end of the period.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be, and where the log has no such tower or bin.
    analysis.conditions.ConditionsError
        Where no fault was logged.
    """
    kinds = tuple(PROVED) if filters.kind == "faults" else (filters.kind,)
    _check_place(scan, tower, bin)
    services, stocks = _services(scan, filters.until), scan.list_rows("stocks")
    known = known_patterns() if patterns is None else patterns
    account = scan.account(_production(_of_place(filters, tower, bin)))
    found: list[Causes] = []
    lacking: list[ConditionsError] = []
    lots = _lots(scan, filters, tower) if bin is not None else []
    for kind in kinds:
        asked = replace(filters, kind=kind)
        try:
            rows, counts = judged(scan, asked, (conditions or {}).get(kind) or _learnt(scan, asked))
        except ConditionsError as error:
            lacking.append(error)
            continue
        mine = rows_of(tower, rows, counts, stocks, services)
        if not (mine.bin == bin).any() and (bin is not None or not mine.bin.size):
            continue
        one = make_causes(mine, tower, bin, kind, known, account)
        if bin is None:
            places = zip(rows.places, own_trouble(rows).tolist(), strict=True)
            bins = tuple(number for (name, number), bad in places if bad and name == tower)
            one = replace(one, troubled=bins)
        else:
            swaps = swaps_in_log(_logged_services(scan, filters.until), rows, lots)
            worth = one.first.cause != BAD_LUCK and not one.first.shared
            swap = swap_for(mine, tower, bin, kind, one.first.since) if worth else None
            one = replace(one, swap=swap, swaps_read=swaps.of(tower, bin))
        found.append(one)
    if not found and len(lacking) == len(kinds):
        if len(kinds) == 1:
            raise lacking[0]
        raise ConditionsError(
            "no misses and no doubles were logged in a known bin here, so there is nothing to find "
            "a cause for; log more runs, or ask for a longer period"
        )
    if not found:
        raise FilterError(
            f"nothing was watching for {filters.kind} there in that time; ask for another bin, "
            "kind or period"
        )
    return together(found)


def _learnt(scan: LogScan, filters: Filters) -> Conditions:
    """Learn what paper, air, settings and age do from the start of the log on.

    In a few weeks parts hardly age, so that what age does cannot be told from the rate of all bins.
    """
    return conditions(scan, replace(filters, since=None))


def explained(
    scan: LogScan,
    filters: Filters,
    *,
    patterns: Sequence[Pattern] | None = None,
    conditions: Mapping[str, Conditions] | None = None,
) -> list[Explained]:
    """Say how many of a period's faults each named cause explains, tower by tower.

    Parameters
    ----------
    scan, patterns, conditions
        As of `causes`; conditions of the whole log.
    filters : Filters
        Towers, kind of fault and period; causes are looked for over the whole log. Nothing is
        explained of a part of the log that holds more, such as a stock.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    filters = _production(filters)
    if any(column not in ("tower", "purpose") for column, _ in filters.where):
        return []
    kinds = tuple(PROVED) if filters.kind == "faults" else (filters.kind,)
    whole = Filters().holding("purpose", *filters.values("purpose"))
    services, stocks = _services(scan, None), scan.list_rows("stocks")
    known = known_patterns() if patterns is None else patterns
    asked = filters.values("tower")
    out = []
    for kind in kinds:
        try:
            rows, counts = judged(scan, replace(whole, kind=kind), (conditions or {}).get(kind))
        except ConditionsError:
            continue
        for tower in sorted({name for name, _ in rows.places}):
            if not asked or tower in asked:
                mine = rows_of(tower, rows, counts, stocks, services)
                out += explain(mine, tower, kind, known, filters.since, filters.until)
    return out


def _check_place(scan: LogScan, tower: str, bin: int | None) -> None:
    ran = scan.counts(("tower", "bin"), Filters())
    here = [
        number
        for name, number in zip(ran["tower"].to_pylist(), ran["bin"].to_pylist(), strict=True)
        if name == tower
    ]
    if not here:
        names = sorted({str(name) for name in ran["tower"].to_pylist()})
        raise FilterError(
            f"there is no tower {tower} in the log; it has {listed(names)}"
            if names
            else "the log has no runs yet; add a run log first"
        )
    numbers = sorted(int(number) for number in here if number is not None)
    if bin is not None and bin not in numbers:
        raise FilterError(
            f"tower {tower} has no bin {bin} in the log; it has "
            f"{listed([str(number) for number in numbers]) if numbers else 'none'}"
        )


def _of_place(filters: Filters, tower: str, bin: int | None) -> Filters:
    held = filters.holding("tower", tower)
    return held if bin is None else held.holding("bin", str(bin))


def _logged_services(scan: LogScan, until: dt.datetime | None) -> list[dict[str, object]]:
    return [
        row
        for row in scan.list_rows("services")
        if until is None
        or (isinstance(row["when"], dt.datetime) and row["when"].replace(tzinfo=None) <= until)
    ]


def _lots(scan: LogScan, filters: Filters, tower: str) -> list[dict[str, object]]:
    """Return which lot of which stock was in which bin in each stretch of a tower."""
    held = _production(filters).holding("tower", tower)
    counts = scan.by_run(("bin", "stretch", "stock", "lot"), held)
    names = ("of_tower", "bin", "of_run", "stock", "lot", "first")
    columns = (counts[name].to_pylist() for name in names)
    keys = ("tower", "bin", "run", "stock", "lot", "started")
    return [dict(zip(keys, cells, strict=True)) for cells in zip(*columns, strict=True)]


#: So many of the stocks that were run most in a week are told how many spare sheets they need.
_MOST_RUN = 3


def week_of(scan: LogScan, day: dt.date | None = None) -> tuple[dt.date, bool]:
    """Return the Monday of a week of the log, and whether nothing was logged after that week.

    Parameters
    ----------
    scan : LogScan
        The log.
    day : date, optional
        Any of the week; the last one logged where absent.

    Raises
    ------
    analysis.filters.FilterError
        Where the log is empty, and for a year that no log can have.
    """
    last = scan.account(EVERYTHING).last
    if last is None:
        raise FilterError("the log has no runs yet; add a run log first")
    day = last.date() if day is None else day
    if not YEARS[0] <= day.year <= YEARS[1]:
        raise FilterError(
            f"the week of {day.isoformat()} is in no year that a log can have; write a day from "
            f"{YEARS[0]} to {YEARS[1]}"
        )
    first = monday(day)
    return first, last.date() <= first + dt.timedelta(days=6)


def weekly(
    scan: LogScan,
    day: dt.date | None = None,
    *,
    site: Site = NO_SITE,
    kept: Path | None = None,
    patterns: Sequence[Pattern] | None = None,
    fitted: Callable[[str], Conditions | None] | None = None,
    drifted: Callable[[], Drift] | None = None,
    parted: Callable[[], Parts] | None = None,
) -> Weekly:
    """Say how a week went, what it cost, whether last week's action helped, and what is next.

    Parameters
    ----------
    scan : LogScan
        The log.
    day : date, optional
        Any of the week, which begins on a Monday; that of the last day logged where absent.
    site : Site
        States limits, costs, parts and the budget of false alarms.
    kept : Path, optional
        As of `drift`; used where nothing was logged after the week.
    patterns : sequence of Pattern, optional
        As of `causes`.
    fitted, drifted, parted : callable, optional
        Give what is to be expected by kind of fault, who is getting worse, and parts, of the whole
        log in production, where these are at hand; asked where nothing was logged after the week.
        A past week is told as it was known at its end.

    Raises
    ------
    analysis.filters.FilterError
        Where the log is empty, and for a year that no log can have.
    """
    first, latest = week_of(scan, day)
    begin = dt.datetime.combine(first, dt.time.min)
    end = dt.datetime.combine(first + dt.timedelta(days=6), dt.time.max)
    week = EVERYTHING.during(begin, end).holding("purpose", "production")
    step = dt.timedelta(microseconds=1)
    earlier = week.during(begin - dt.timedelta(days=7 * WEEKS_BEFORE), begin - step)
    so_far = EVERYTHING if latest else Filters(until=end)
    found = _fitted(scan, so_far, fitted if latest else None)
    budget = BUDGET if site.budget is None else site.budget
    if latest and drifted is not None:
        drift_now = drifted()
    else:
        drift_now = drift(scan, so_far, budget=budget, kept=kept)
    if latest and parted is not None:
        parts_now = parted()
    else:
        parts_now = parts(scan, so_far, site=site, conditions=found)
    split = None
    if "faults" in found:
        split = change(scan, earlier, week, found["faults"])
    weeks, before, burn_in = _weekly_rates(scan, week, earlier)
    whole = found.get("faults")
    return Weekly(
        first=first,
        account=scan.account(week),
        until=scan.account(Filters(until=end)).last,
        weeks=weeks,
        before=before,
        burn_in=burn_in,
        drift=drift_now,
        change=split if split is not None and split.ratio is not None else None,
        costs=costs(scan, week.holding("purpose"), site=site, found=whole),
        costs_before=costs(scan, earlier.holding("purpose"), site=site, found=whole),
        overs=tuple(
            overs(scan, stock, sets, filters=so_far, site=site)
            for stock, sets in _usual_jobs(scan, week)
        ),
        parts=parts_now,
        causes=tuple(
            causes(
                scan,
                replace(so_far, kind=stream.kind),
                stream.tower,
                stream.bin,
                patterns=patterns,
                conditions=found,
            )
            for stream in drift_now.worse
        ),
    )


def _fitted(
    scan: LogScan, filters: Filters, fitted: Callable[[str], Conditions | None] | None
) -> dict[str, Conditions]:
    """Return what is to be expected, by kind of fault; none of a kind of which none is logged."""
    found: dict[str, Conditions] = {}
    for kind in FAULT_KINDS:
        with suppress(ConditionsError):
            asked = replace(filters, kind=kind)
            one = conditions(scan, asked) if fitted is None else fitted(kind)
            if one is not None:
                found[kind] = one
    return found


def _weekly_rates(
    scan: LogScan, week: Filters, earlier: Filters
) -> tuple[
    tuple[tuple[dt.date, dict[str, statistics.Rate]], ...],
    dict[str, statistics.Rate],
    dict[str, statistics.Rate],
]:
    """Return rates of a week and of those before it, of these together, and of the burn-ins."""
    spread = spreads(scan, week, PROVED)

    def of(counts: pa.Table) -> dict[str, statistics.Rate]:
        return {kind: statistics.pooled(counts, kind, spread[kind]) for kind in PROVED}

    assert week.since is not None and earlier.since is not None
    seven = dt.timedelta(days=7)
    begins = [week.since - number * seven for number in range(WEEKS_BEFORE + 1)]
    last = dt.timedelta(days=7, microseconds=-1)
    counts = [scan.by_run((), week.during(begin, begin + last)) for begin in begins]
    # The towers of the week and of the one before it: those of the overview of these days.
    ran = {tower for table in counts[:2] for tower in table["of_tower"].to_pylist()}
    burnt = [
        proof.counts
        for tower, proof in _latest_proofs(scan, week).items()
        if tower in ran and proof.counts.num_rows
    ]
    weeks = tuple((begin.date(), of(table)) for begin, table in zip(begins, counts, strict=True))
    return weeks, of(scan.by_run((), earlier)), of(pa.concat_tables(burnt)) if burnt else {}


def _usual_jobs(scan: LogScan, week: Filters) -> list[tuple[str, int]]:
    """Return the stocks that were run most in a week, each with the usual size of its jobs.

    That is the middle one of the last 91 days, in sets, to two digits.
    """
    assert week.until is not None
    fed = scan.counts(("stock",), week).to_pylist()
    fed = [row for row in fed if row["stock"] and row["feeds_faults"]]
    fed.sort(key=lambda row: (-row["feeds"], row["stock"]))
    most = [str(row["stock"]) for row in fed[:_MOST_RUN]]
    if not most:
        return []
    since = week.until - dt.timedelta(days=PACE_DAYS)
    recent = week.during(since, week.until).holding("stock", *most)
    # A job has as many sets as the bin that fed most.
    runs = scan.by_run(("stock", "bin"), recent)
    longest = runs.group_by(["stock", "of_tower", "of_run"]).aggregate([("feeds", "max")])
    names, sets = longest["stock"].to_pylist(), longest["feeds_max"].to_numpy()
    jobs = []
    for stock in most:
        here = [size for name, size in zip(names, sets.tolist(), strict=True) if name == stock]
        middle = float(np.median([size for size in here if size > 0]))
        jobs.append((stock, max(1, int(float(f"{middle:.1e}")))))
    return jobs


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
    found = scan.kept.get(("proofs",), lambda: _proofs(scan, Filters()))
    held = filters.during(None, None).holding("purpose", "burn-in").holding("bin")
    counts = scan.by_run(_PROOF_PLACES, held)
    return {
        tower: proof.within(counts.filter(pc.equal(counts["of_tower"], tower)))
        for tower, proof in latest(found).items()
    }


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
