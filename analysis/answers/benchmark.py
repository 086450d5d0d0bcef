"""Is each tower and bin as good as its benchmark?"""

from __future__ import annotations

import datetime as dt

from analysis import benchmark as question
from analysis.answers.asked import A_MOMENT, production
from analysis.answers.between_runs import spread
from analysis.answers.places import no_tower
from analysis.answers.proved import latest_proofs
from analysis.benchmark import SETTLED_DAYS, BenchmarkResult, Compared
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.log_format import YEARS
from analysis.proofs import Proof
from analysis.settling import MARGIN
from analysis.site import NO_SITE, Site
from analysis.snapshot import merged
from analysis.words import listed


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
    filters = production(filters)
    proofs = latest_proofs(scan, filters)
    asked = filters.values("tower")
    names = [str(tower) for tower in scan.counts(("tower",), Filters())["tower"].to_pylist()]
    unknown = [tower for tower in asked if tower not in names]
    if unknown:
        raise no_tower(listed(unknown), names)
    periods = [
        _compared_periods(filters, against, tower, proofs.get(tower))
        for tower in names
        if not asked or tower in asked
    ]
    counted = [_compared(scan, *period) for period in periods]
    account = merged([scan.account(now) for _, now, _ in periods])
    return question.compare(
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
    if proof is None or against == "standard":
        return tower, here, None
    after = proof.last + A_MOMENT
    if against == "burn-in":
        then = here.during(proof.started, proof.last).holding("purpose", "burn-in")
        then = then.holding("proof", proof.name)
    else:
        settled = proof.last + dt.timedelta(days=SETTLED_DAYS)
        then = here.during(after, settled)
        after = settled + A_MOMENT
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
