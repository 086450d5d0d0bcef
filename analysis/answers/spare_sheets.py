"""How many spare sheets does a job need?"""

from __future__ import annotations

import pyarrow.compute as pc

from analysis import overs as question
from analysis.answers.asked import EVERYTHING, production
from analysis.answers.between_runs import spread
from analysis.answers.places import check_values, listed_towers, not_known
from analysis.counts import LogScan
from analysis.filters import FilterError, Filters
from analysis.overs import Overs
from analysis.site import NO_SITE, Site
from analysis.words import listed


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
        For a column or a value that cannot be or is not there, and for a stock or a tower that
        nobody knows.
    """
    listed_stocks = scan.list_rows("stocks")
    ran = scan.values(("stock", "tower"))
    known = {*(name for name in ran["stock"] if name), *(str(r["stock"]) for r in listed_stocks)}
    if stock not in known:
        raise not_known("stock", stock, known)
    towers = {*map(str, ran["tower"]), *listed_towers(scan)}
    if tower and tower not in towers:
        raise not_known("tower", tower, towers)
    held = filters.holding("stock").holding("tower", *([tower] if tower else []))
    held = Filters(held.since, held.until, held.where)
    made = production(held)
    counts = scan.by_run(("stock", "bin"), made)
    if not pc.sum(counts["feeds_faults"]).as_py():
        check_values(scan, held)
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
    return question.overs(
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
