"""How did the week go, and what is to be done next?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from analysis.answers.asked import A_MOMENT, EVERYTHING
from analysis.answers.behind import causes
from analysis.answers.between_runs import spreads
from analysis.answers.expected import expected_by_kind
from analysis.answers.money import costs
from analysis.answers.places import NO_RUNS
from analysis.answers.proved import latest_proofs
from analysis.answers.spare_sheets import overs
from analysis.answers.splits import change
from analysis.answers.streams import drift
from analysis.answers.wear import parts
from analysis.burn_ins import PROVED
from analysis.conditions import Conditions
from analysis.counts import LogScan
from analysis.drift import Drift
from analysis.filters import FilterError, Filters
from analysis.in_place import PACE_DAYS
from analysis.log_format import FAULT_KINDS, YEARS
from analysis.parts import Parts
from analysis.patterns import Pattern
from analysis.rates import Rate, pooled
from analysis.site import NO_SITE, USUAL_BUDGET, Site
from analysis.weekly import WEEKS_BEFORE, Weekly, monday

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
        raise FilterError(NO_RUNS)
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
    earlier = week.during(begin - dt.timedelta(days=7 * WEEKS_BEFORE), begin - A_MOMENT)
    so_far = EVERYTHING if latest else Filters(until=end)
    found = expected_by_kind(scan, so_far, FAULT_KINDS, fitted if latest else None)
    budget = USUAL_BUDGET if site.budget is None else site.budget
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


def _weekly_rates(
    scan: LogScan, week: Filters, earlier: Filters
) -> tuple[
    tuple[tuple[dt.date, dict[str, Rate]], ...],
    dict[str, Rate],
    dict[str, Rate],
]:
    """Return rates of a week and of those before it, of these together, and of the burn-ins."""
    spread = spreads(scan, week, PROVED)

    def of(counts: pa.Table) -> dict[str, Rate]:
        return {kind: pooled(counts, kind, spread[kind]) for kind in PROVED}

    assert week.since is not None and earlier.since is not None
    seven = dt.timedelta(days=7)
    begins = [week.since - number * seven for number in range(WEEKS_BEFORE + 1)]
    last = dt.timedelta(days=7, microseconds=-1)
    counts = [scan.by_run((), week.during(begin, begin + last)) for begin in begins]
    # The towers of the week and of the one before it: those of the overview of these days.
    ran = {tower for table in counts[:2] for tower in table["of_tower"].to_pylist()}
    burnt = [
        proof.counts
        for tower, proof in latest_proofs(scan, week).items()
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
