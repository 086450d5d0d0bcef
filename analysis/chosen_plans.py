"""By which plan is a kind of fault judged?

By what is asked for, else by what was kept before the burn-in, else by the usual plan: twice in a
hundred a good tower fails it for that kind, and a tower with 10/3 of a good one's faults passes it
in at most one of ten.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from analysis.benchmark import STANDARD
from analysis.plans import LEAST_RATE, MOST_RATE, Asked, PlanError, SinglePlan, single_plan
from analysis.plans_before import KeptPlan
from analysis.sequential import SequentialPlan, sequential_plan
from analysis.site import NO_SITE, Site
from analysis.words import many, per_10k

#: Default risks of each kind: the producer's and the consumer's.
KIND_RISK, CONSUMER_RISK = 0.02, 0.10
#: A bad tower has so many times the faults of a good one where nothing else is said.
BAD_TO_GOOD = 10 / 3


def usual_asked(kind: str, site: Site = NO_SITE) -> Asked:
    """Return the rates and risks by which a kind is judged when no plan says otherwise.

    The good rate is the site's stated standard, or else the usual one (common practice, no
    source); the bad one 10/3 of it.

    Raises
    ------
    PlanError
        For a stated standard with which no plan can be made.
    """
    good = float(site.standard.get(kind, STANDARD[kind]))
    # The quotient of two short decimals is meant, not its last binary digit.
    bad = float(f"{good * BAD_TO_GOOD:.12g}")
    if not LEAST_RATE <= good < bad <= MOST_RATE:
        raise PlanError(
            f"the site's standard of {per_10k(good)} {kind} per 10,000 feeds gives no plan; give "
            f"a good and a bad rate, or correct the standard in the site file"
        )
    return Asked(good, bad, KIND_RISK, CONSUMER_RISK)


@dataclass(frozen=True)
class Chosen:
    """The plan by which a kind is judged, and where it comes from.

    Attributes
    ----------
    kind : str
        ``misses`` or ``doubles``.
    plan : SinglePlan or SequentialPlan
        The plan.
    kept : KeptPlan or None
        The one kept for this burn-in.
    followed : bool
        Whether the plan is the kept one.
    before : bool
        Whether that was kept before the burn-in began, and before any of its lines.
    passed_over : int
        How many other plans were kept for it once it had begun.
    """

    kind: str
    plan: SinglePlan | SequentialPlan
    kept: KeptPlan | None
    followed: bool
    before: bool
    passed_over: int = 0

    @property
    def method(self) -> str:
        """``single`` or ``sequential``."""
        return "single" if isinstance(self.plan, SinglePlan) else "sequential"

    def sentence(self) -> str:
        """Say by which plan, and whether it was kept before, up to the colon."""
        name = f"By a {self.method} plan of at most {many(self.plan.feeds, 'feed')}"
        if isinstance(self.plan, SinglePlan):
            feeds = many(self.plan.feeds, "feed")
            name = f"By a single plan of {feeds} and {self.plan.allowed} allowed"
        if self.kept is None:
            return f"{name}, none having been kept"
        if not self.followed:
            return f"{name}, not the one kept"
        when = "before its first run" if self.before else "after it had begun"
        return f"{name}, kept {when}, on {self.kept.kept_wall:%Y-%m-%d at %H:%M}"


def choose(
    kind: str,
    kept: KeptPlan | None = None,
    *,
    rates: tuple[float, float] | None = None,
    single: bool = False,
    site: Site = NO_SITE,
    begun: dt.datetime | None = None,
) -> Chosen:
    """Choose the plan for a kind: what is asked for, else what was kept, else the usual.

    Parameters
    ----------
    kind : str
        ``misses`` or ``doubles``.
    kept : KeptPlan, optional
        Kept for this burn-in.
    rates : (float, float), optional
        A good and a bad rate.
    single : bool
        A single plan, which is judged once its feeds are in.
    site : Site
        May state a standard of its own.
    begun : datetime, optional
        When the burn-in's very first stretch started; wall time.

    Raises
    ------
    PlanError
        For rates that cannot be.
    """
    before = kept is not None and begun is not None and kept.before(begun)
    if kept is not None and rates is None and (not single or not kept.sequential):
        return Chosen(kind, kept.plan(), kept, followed=True, before=before)
    asked = kept.asked if kept is not None else usual_asked(kind, site)
    if rates is not None:
        asked = Asked(*rates, asked.producer_risk, asked.consumer_risk)
    plan = single_plan(asked) if single else sequential_plan(asked)
    return Chosen(kind, plan, kept, followed=False, before=before)
