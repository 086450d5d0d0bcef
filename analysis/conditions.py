"""What do paper, air and settings do to the fault rate, each by itself?

Damp summers, winter jobs on toner-printed stock, the spring that is only on for heavy covers: in a
log everything comes with something else, and a rate split by one thing carries the others with it.
One regression takes them apart. The log rate of a row is a sum of what its tower and bin, its
stock, the air, its settings, the paper's preparation and the age of its parts do;
`analysis.regression` fits it. What was not logged is a level of its own: no row is left out for an
empty cell.

- *Stocks* differ by what kind of paper they are (grammage, coating, how printed, size), and each by
  something of its own that is shrunk to nothing where it has few faults. Ratios are against the
  stock with the most feeds, at 50 % relative humidity.
- *Air*: a smooth curve over relative humidity for all papers, and one more for toner-printed ones,
  each 1 at 50 %; temperature by the degree.
- *Settings*: a ratio for each level, or one for each unit where levels are numbers. Papers of
  different kinds may take a setting differently, and levels off a line may depart from it, as far
  as the log shows that they do.
- *Age* of each part that was ever fitted: a slope for every 100,000 feeds.
- What nobody logged, such as a setting moved for a fortnight, is taken up by the weeks of each
  tower.

Assumptions: effects multiply; what was not logged does not depend on the faults themselves (see
`analysis.belief` where it might). Effects are what goes with a setting in this log, and not what
moving it would do: a trial tells that.

References
----------
As of `analysis.regression` and `analysis.conditions_terms`.
ISO 187: 23 degrees Celsius and 50 % relative humidity for conditioning and testing paper, where
effects are stated.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.compute as pc

from analysis.ages import Ages
from analysis.conditions_levels import NOT_LOGGED, OTHERS, TONER
from analysis.conditions_model import Model, fitted
from analysis.conditions_terms import STATED_HUMIDITY
from analysis.conditions_told import Ageing, CurvePoint, Effect, Told
from analysis.counts import Account
from analysis.words import called, times_range, two_digits

#: A ratio nearer to 1 than this, up or down, is not worth a sentence however sure it is.
_WORTH_A_SENTENCE = 1.05


@dataclass(frozen=True)
class Conditions:
    """What paper, air and settings do to the rate of one kind of fault.

    Attributes
    ----------
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    account : Account
        Evidence that was asked for.
    feeds, count : int
        Watched for that kind in a known bin: what the model rests on.
    without_bin : int
        Faults whose bin was not noted; there are no feeds to set beside them.
    effects : tuple of Effect
        Stocks, then preparation, settings, temperature and what was not logged.
    humidity_curve : tuple of CurvePoint
        Whole percents over what was logged; empty where nothing was.
    stated_humidity_pct : int
        At which all effects are stated: 50, or the nearest that was logged.
    ageing : tuple of Ageing
        One for each part that was ever fitted.
    not_logged : mapping of str to float
        Share of the feeds without an entry, by column.
    follows_paper : tuple of str
        Settings that every stock has one level of, or nearly so: what they do cannot be told from
        what the paper does, and stands with the stock.
    confidence : float
        Of the intervals.
    model : Model
        What was fitted, for questions that build on it.
    """

    kind: str
    account: Account
    feeds: int
    count: int
    without_bin: int
    effects: tuple[Effect, ...]
    humidity_curve: tuple[CurvePoint, ...]
    stated_humidity_pct: int
    ageing: tuple[Ageing, ...]
    not_logged: Mapping[str, float]
    follows_paper: tuple[str, ...]
    confidence: float
    model: Model

    def facts(self) -> tuple[str, ...]:
        """Say what is known beyond doubt, each with all else the same, the clearest first."""
        air = [self._air(printed) for printed in (TONER, OTHERS)]
        return (*filter(None, air), *(_said(effect, self.kind) for effect in self._clearest()))

    def sentence(self) -> str:
        """Say what matters most, and how much was not logged."""
        first = "; ".join(self.facts()[:3])
        said = (
            f"{first[0].upper()}{first[1:]}; each with all else the same."
            if first
            else f"No stock, air or setting is known to change the rate of {self.kind} yet."
        )
        if self.humidity_curve and self.stated_humidity_pct != STATED_HUMIDITY:
            said += (
                f" Air of {STATED_HUMIDITY} % was never logged, so all is told at "
                f"{self.stated_humidity_pct} %."
            )
        share = self.not_logged.get("humidity_pct", 0.0)
        if share >= 0.005:
            said += f" Humidity was not logged for {100 * share:.0f} % of the feeds."
        if not self.model.fit.converged:
            said += (
                " The fit did not come to its end: take none of these numbers as known, and ask "
                "again of a longer period or of fewer settings."
            )
        return said

    def _clearest(self) -> list[Effect]:
        clear = [
            e
            for e in self.effects
            if e.clear and NOT_LOGGED not in (e.level, e.base) and e.term != "purpose"
            if abs(math.log(e.ratio) * (e.step or 1)) > math.log(_WORTH_A_SENTENCE)
        ]
        return sorted(clear, key=lambda e: -max(math.log(e.low), -math.log(e.high)))

    def _air(self, printed: str) -> str:
        """Say at which humidity such paper has most faults beyond doubt, or fewest."""
        points = [
            point
            for point in self.humidity_curve
            if point.printed_by == printed and point.clear
            if abs(math.log(point.ratio)) > math.log(_WORTH_A_SENTENCE)
        ]
        if not points:
            return ""
        most = max(points, key=lambda p: max(math.log(p.low), -math.log(p.high)))
        paper = "toner-printed paper" if printed == TONER else "paper not printed by toner"
        return (
            f"in air of {most.humidity_pct} % {paper} has {two_digits(most.ratio)} times the "
            f"{self.kind} of air of {self.stated_humidity_pct} % "
            f"({times_range(most.low, most.high)})"
        )


def _said(effect: Effect, kind: str) -> str:
    power = effect.step or 1.0
    ratio, low, high = (one**power for one in (effect.ratio, effect.low, effect.high))
    span = f"{two_digits(ratio)} times the {kind}"
    ends = f"({times_range(low, high)})"
    if effect.term == "stock":
        return f"stock {effect.level} has {span} of {effect.base} {ends}"
    name = called(effect.term)
    if effect.step:
        if effect.term == "temperature_c":
            return f"every {effect.step:g} °C more go with {span} {ends}"
        return f"{name} up by {effect.step:g} goes with {span} {ends}"
    return f"{name} {effect.level} goes with {span} of {effect.base} {ends}"


def conditions(
    counts: pa.Table,
    kind: str,
    account: Account,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    *,
    ages: Ages | None = None,
    confidence: float = 0.95,
) -> Conditions:
    """How do paper, air and settings change the fault rate, each by itself?

    Parameters
    ----------
    counts : pyarrow.Table
        By run; see `analysis.counts.LogScan.by_run`. Grouped by `COLUMNS` and `settings`, and by
        whatever else.
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    account : Account
        Of the rows counted; handed on.
    stocks : sequence of mapping
        Rows of the stock list: what kind of paper each stock is.
    settings : sequence of str
        Columns of settings that were logged.
    ages : Ages, optional
        Of parts, in the rows of `counts`.
    confidence : float
        Of the intervals.

    Raises
    ------
    ConditionsError
        Where there is no fault, or none in a known bin.
    """
    model, rows = fitted(counts, kind, stocks, settings, ages=ages)
    told = Told(model, rows, confidence)
    return Conditions(
        kind=kind,
        account=account,
        feeds=int(rows.feeds.sum()),
        count=int(rows.faults.sum()),
        without_bin=int(pc.sum(counts[kind]).as_py() or 0) - int(rows.faults.sum()),
        effects=told.effects(),
        humidity_curve=told.curve(),
        stated_humidity_pct=told.stated(),
        ageing=told.ageing(),
        not_logged=told.not_logged(),
        follows_paper=model.follows_paper,
        confidence=confidence,
        model=model,
    )
