"""By which kept plan is a burn-in judged?

A plan counts as kept beforehand where it was kept before the burn-in began and before any of its
lines were in the log. `analysis.kept_plans` keeps plans in the store and reads them back.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from analysis import __version__
from analysis.plans import Asked, SinglePlan, single_plan
from analysis.sequential import SequentialPlan, sequential_plan


@dataclass(frozen=True)
class KeptPlan:
    """A plan for one kind of fault of a coming burn-in, kept in the store before it begins.

    Attributes
    ----------
    tower, proof, kind : str
        What it is for.
    asked : Asked
        Rates and risks.
    sequential : bool
        Whether it looks on, or runs its feeds.
    max_feeds : int or None
        Most feeds of a sequential plan; None for the usual.
    stock : str
        On which it is to run; empty where that is not said.
    humidity : tuple of (float, float) or None
        In what air, in percent of relative humidity.
    kept_at : datetime
        With its offset.
    kept_wall : datetime
        The same by the clock at the tower, which the log goes by.
    rows_before : int
        Rows of that burn-in in the log by then.
    number : int
        Of the plan in the store; 0 before it is kept.
    version : str
        Of the program.
    """

    tower: str
    proof: str
    kind: str
    asked: Asked
    sequential: bool
    max_feeds: int | None
    stock: str
    humidity: tuple[float, float] | None
    kept_at: dt.datetime
    kept_wall: dt.datetime
    rows_before: int
    number: int = 0
    version: str = __version__

    def plan(self) -> SinglePlan | SequentialPlan:
        """Return the plan itself."""
        if self.sequential:
            return sequential_plan(self.asked, self.max_feeds)
        return single_plan(self.asked)

    def before(self, begun: dt.datetime) -> bool:
        """Tell whether it was kept before a burn-in that began then, and before any of its lines.

        Parameters
        ----------
        begun : datetime
            When the burn-in's first stretch started; wall time.
        """
        return not self.rows_before and self.kept_wall < begun


def chosen(
    plans: Sequence[KeptPlan], tower: str, proof: str, kind: str, begun: dt.datetime
) -> KeptPlan | None:
    """Return the plan that a burn-in is judged by; None where none was kept for it.

    The last that was kept before it began; where all came later, the first of them.
    """
    own = kept_for(plans, tower, proof, kind)
    before = [plan for plan in own if plan.before(begun)]
    return before[-1] if before else own[0] if own else None


def kept_for(plans: Sequence[KeptPlan], tower: str, proof: str, kind: str) -> list[KeptPlan]:
    """Return the plans that were kept for a kind of a burn-in, in order."""
    return [p for p in plans if (p.tower, p.proof, p.kind) == (tower, proof, kind)]
