"""Does a tower pass its burn-in?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace

from analysis import acceptance as question
from analysis.acceptance import Judgement
from analysis.answers.places import listed_towers
from analysis.answers.proved import burn_ins
from analysis.burn_ins import PROVED, Batch, BurnIn, burn_in, typed_burn_in
from analysis.chosen_plans import Chosen, choose
from analysis.counts import Account, LogScan
from analysis.filters import FilterError, Filters
from analysis.log_format import KINDS
from analysis.plans_before import KeptPlan, chosen, kept_for
from analysis.proofs import Proof
from analysis.site import NO_SITE, Site
from analysis.words import listed


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
    wanted = _wanted_proof(scan, tower, proof, kept)
    during = Filters().during(wanted.begun, wanted.last).holding("tower", tower)
    lines = during.holding("purpose", "burn-in").holding("proof", wanted.name)
    listed_bins = listed_towers(scan).get(tower)
    burnt = burn_in(wanted, _rows(scan, lines), listed_bins.bins if listed_bins else None)
    last = lines.during(burnt.attempts[-1].started[0], wanted.last)
    plans = _chosen_plans(burnt, kept, rates, single=single, site=site)
    return question.judge(burnt, plans, scan.account(last))


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
    analysis.burn_ins.BatchError
        For batches that cannot be.
    analysis.plans.PlanError
        For rates that cannot be.
    """
    burnt = typed_burn_in(tower, bins, batches, begun, proof)
    plans = _chosen_plans(burnt, kept, rates, single=single, site=site)
    rows = len(burnt.attempts[-1].rows)
    feeds = sum(batch.cycles for batch in batches) * bins
    return question.judge(burnt, plans, Account(rows, len(batches), feeds, begun, burnt.last))


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


def _wanted_proof(scan: LogScan, tower: str, proof: str | None, kept: Sequence[KeptPlan]) -> Proof:
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
            f"purpose burn-in{_waiting(kept, tower, proof)}"
        )
    if proof is None:
        return found[-1]
    named = [one for one in found if one.name == proof]
    if not named:
        names = listed([one.name or "one without a name" for one in found])
        raise FilterError(
            f"tower {tower} has no burn-in {proof or 'without a name'}; it has {names}"
            f"{_waiting(kept, tower, proof)}"
        )
    return named[-1]


def _waiting(kept: Sequence[KeptPlan], tower: str, proof: str | None) -> str:
    """Return words for the plans of burn-ins that are not in the log yet; none for no plan."""
    own = [plan for plan in kept if plan.tower == tower and proof in (None, plan.proof)]
    each = [f"{plan.number} ({plan.kind} of {plan.proof})" for plan in own]
    if not each:
        return ""
    return (
        f"; plans {listed(each)} are kept and wait"
        if len(each) > 1
        else f"; plan {each[0]} is kept and waits"
    )


def _rows(scan: LogScan, filters: Filters) -> list[dict[str, object]]:
    """Return rows of the run log by the format's columns and the site's own."""
    own = scan.own_columns()
    names = (*KINDS["runs"].names, *own)
    return [
        dict(zip(names, cells, strict=True))
        for batch in scan.stream("runs", KINDS["runs"].names, own, filters)
        for cells in zip(*(column.to_pylist() for column in batch.columns), strict=True)
    ]
