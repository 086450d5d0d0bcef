"""What do the pages read, and how often?

One reader of a store for all pages and all threads. Answers are kept by the store's version, so a
page opened twice asks once, and rows that another process adds are seen at the next page opened.
"""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Iterable, Sequence
from pathlib import Path

from analysis import answers
from analysis.acceptance import Judgement
from analysis.adjusting import AdjustedTrends
from analysis.belief import Belief
from analysis.burn_ins import Batch
from analysis.causes import Causes
from analysis.charts import Chart
from analysis.conditions import Conditions
from analysis.conditions_model import ConditionsError
from analysis.costs import CostsResult
from analysis.drift import Drift
from analysis.explained import Explained
from analysis.filters import Filters
from analysis.kept_plans import kept_plans
from analysis.log_format import kinds_of
from analysis.overs import Overs
from analysis.overview import Overview
from analysis.parts import PartRow, Parts
from analysis.patterns import PatternsError, read_patterns
from analysis.rate_change import Change
from analysis.set_up import SetUp
from analysis.site import USUAL_BUDGET
from analysis.trends import Mark, Trends
from analysis.wear_by_age import WearByAge
from analysis.weekly import Weekly
from dashboard.reader import Reader


class Data(Reader):
    """A store as the pages see it; opened as `Reader` opens it, and with what that raises.

    Raises
    ------
    analysis.filters.FilterError
        From every answer to filters, for a column or a value that cannot be.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        # Pages that ask at once wait for one of them, rather than all doing the work.
        self._working = threading.Lock()
        self._wearing = threading.Lock()

    def overview(self, filters: Filters) -> Overview:
        """Answer how it runs."""
        opened = self._opened()
        return opened.overviews.get(filters, lambda: answers.overview(opened.scan, filters))

    def trends(self, filters: Filters, over: str = "") -> Trends:
        """Answer where misses and doubles come from; ``over`` as of `analysis.answers.trends`."""
        opened = self._opened()
        return opened.trends.get(
            (filters, over),
            lambda: answers.trends(opened.scan, filters, over=over, site=opened.site),
        )

    def trends_over_time(self, filters: Filters, over: str = "") -> Trends:
        """Answer how rates went over time and no more: as `trends`, in a tenth of its time."""
        opened = self._opened()
        if (filters, over) in opened.trends:
            return self.trends(filters, over)
        return opened.over_time.get(
            (filters, over),
            lambda: answers.trends(
                opened.scan, filters, over=over, site=opened.site, time_alone=True
            ),
        )

    def knows_trends(self, filters: Filters, over: str = "") -> bool:
        """Tell whether `trends` has its answer."""
        return self._knows(self._opened().trends, (filters, over))

    def conditions(self, kind: str, purposes: Iterable[str] = ()) -> Conditions | None:
        """Return what the whole log says of paper, air and settings.

        Parameters
        ----------
        kind : str
            Of fault.
        purposes : iterable of str
            Purposes to learn from; production where none is named. Rows of a purpose that a model
            has not seen would be taken for production.

        Returns
        -------
        Conditions or None
            None where it holds no such fault to learn from.
        """
        opened = self._opened()
        asked = Filters(kind=kind).holding("purpose", *sorted(set(purposes)) or ("production",))

        def fitted() -> Conditions | None:
            try:
                return answers.conditions(opened.scan, asked)
            except ConditionsError:
                return None

        return self._slowly(opened.conditions, asked, fitted)

    def _models(self, kinds: Iterable[str], purposes: Iterable[str] = ()) -> dict[str, Conditions]:
        found = {kind: self.conditions(kind, purposes) for kind in kinds}
        return {kind: one for kind, one in found.items() if one is not None}

    def adjusted_trends(
        self, filters: Filters, kinds: Sequence[str], over: str = "", setting: str | None = None
    ) -> AdjustedTrends:
        """Answer where misses and doubles come from with all else the same.

        Parameters
        ----------
        filters, over
            As of `trends`.
        kinds : sequence of str
            Kinds of fault that are adjusted.
        setting : str, optional
            The one setting to split by; each where None.
        """
        opened = self._opened()
        return self._slowly(
            opened.adjusted,
            (filters, tuple(kinds), over, setting),
            lambda: answers.adjusted_trends(
                opened.scan,
                filters,
                self._models(kinds, filters.values("purpose")),
                over=over,
                setting=setting,
                site=opened.site,
                logged=self.trends(filters, over),
            ),
        )

    def change(self, before: Filters, after: Filters) -> Change | None:
        """Answer what is behind a change of the rate; None where nothing is known of conditions."""
        opened = self._opened()
        purposes = [p for one in (before, after) for p in one.values("purpose") or ("production",)]
        found = self.conditions(after.kind, purposes)
        if found is None:
            return None
        return self._slowly(
            opened.changes,
            (before, after),
            lambda: answers.change(opened.scan, before, after, found),
        )

    def set_up(self, stock: str, kind: str = "faults") -> SetUp:
        """Answer which settings ran a stock clean, over the whole log.

        Raises
        ------
        analysis.filters.FilterError
            Where the log has no such stock.
        """
        opened = self._opened()
        return self._slowly(
            opened.set_ups,
            (stock, kind),
            lambda: answers.set_up(
                opened.scan, Filters(kind=kind), stock, self.conditions(kind, answers.TRIED)
            ),
        )

    def explained(self, filters: Filters) -> tuple[Explained, ...]:
        """Answer how many of a period's faults each named cause explains.

        Raises
        ------
        analysis.patterns.PatternsError
            While the site's own patterns are wrong.
        """
        opened, patterns = self._opened(), read_patterns(self.folder)
        purposes = filters.values("purpose")

        def asked() -> tuple[Explained, ...]:
            found = self._models(("misses", "doubles"), purposes)
            return tuple(
                answers.explained(opened.scan, filters, patterns=patterns, conditions=found)
            )

        return self._slowly(opened.explained, (filters, patterns), asked)

    def costs(self, filters: Filters, causes: tuple[Explained, ...] = ()) -> CostsResult:
        """Answer what faults cost; ``causes`` as of `analysis.answers.costs`."""
        opened = self._opened()
        return self._slowly(
            opened.costs,
            (filters, causes),
            lambda: answers.costs(
                opened.scan,
                filters,
                site=opened.site,
                causes=causes,
                found=self.conditions(filters.kind, filters.values("purpose")),
            ),
        )

    def overs(
        self,
        stock: str,
        sets: int,
        *,
        tower: str = "",
        bins: int | None = None,
        chance: float = 0.95,
    ) -> Overs:
        """Answer how many spare sheets a job needs; as of `analysis.answers.overs`.

        Raises
        ------
        analysis.filters.FilterError
            For a stock or a tower that nobody knows.
        """
        opened = self._opened()
        return opened.overs.get(
            (stock, sets, tower, bins, chance),
            lambda: answers.overs(
                opened.scan,
                stock,
                sets,
                tower=tower,
                bins=bins,
                chance=chance,
                site=opened.site,
            ),
        )

    def belief(self) -> Belief:
        """Answer what in the whole log is hard to believe."""
        opened = self._opened()
        return self._slowly(
            opened.beliefs,
            None,
            lambda: answers.believe(opened.scan, Filters(), self._models(("misses", "doubles"))),
        )

    def drift(self, filters: Filters) -> Drift:
        """Answer which bins and towers are getting worse, over the whole log.

        Parameters
        ----------
        filters : Filters
            Towers, bins, sites or lines to answer of; and a kind of fault.
        """
        opened = self._opened()
        # Months that were worked through are kept beside the store: they take seconds each.
        kept = self.folder / "kept"
        budget = USUAL_BUDGET if opened.site.budget is None else opened.site.budget

        def asked() -> Drift:
            with self._working:
                return answers.drift(opened.scan, filters, budget=budget, kept=kept)

        return self._slowly(opened.drifts, filters, asked)

    def causes(self, tower: str, bin: int | None, kind: str = "faults") -> Causes | None:
        """Answer what is likely behind the faults of a bin, or of a tower; None without a fault.

        Raises
        ------
        analysis.filters.FilterError
            Where the log has no such tower or bin, or nothing was watching there.
        analysis.patterns.PatternsError
            While the site's own patterns are wrong.
        """
        opened, patterns = self._opened(), read_patterns(self.folder)

        def asked() -> Causes | None:
            found = self._models(kinds_of(kind))
            if not found:
                return None
            return answers.causes(
                opened.scan,
                Filters(kind=kind),
                tower,
                bin,
                patterns=patterns,
                conditions=found,
            )

        return self._slowly(opened.causes, (tower, bin, kind, patterns), asked)

    def knows_causes(self, tower: str, bin: int | None, kind: str) -> bool:
        """Tell whether `causes` has its answer, and would not take seconds to find it."""
        opened = self._opened()
        try:
            patterns = read_patterns(self.folder)
        except PatternsError:
            return False
        return self._knows(opened.causes, (tower, bin, kind, patterns))

    def knows_costs(self, filters: Filters) -> bool:
        """Tell whether `costs` has its answer, and would not take seconds to find it."""
        return self._knows(self._opened().costs, (filters, ()))

    def knows_drift(self, filters: Filters) -> bool:
        """Tell whether `drift` has its answer, and would not take seconds to find it."""
        return self._knows(self._opened().drifts, filters)

    def parts(self, filters: Filters) -> Parts:
        """Answer what is wearing, what is to be ordered and when, and whether services helped.

        Parameters
        ----------
        filters : Filters
            As of `analysis.answers.parts`: each part is judged by what its own wear shows in,
            unless misses or doubles are asked for.
        """
        opened = self._opened()

        def asked() -> Parts:
            found = self._models(("misses", "doubles", "faults"), filters.values("purpose"))
            with self._wearing:
                return answers.parts(opened.scan, filters, site=opened.site, conditions=found)

        return self._slowly(opened.parts, filters, asked)

    def knows_parts(self, filters: Filters) -> bool:
        """Tell whether `parts` has its answer, and would not take seconds to find it."""
        return self._knows(self._opened().parts, filters)

    def wear_by_age(self, row: PartRow, filters: Filters) -> WearByAge | None:
        """Answer how the faults of one place go with the age of its part.

        Parameters
        ----------
        row : PartRow
            The part: one that `parts` tells of.
        filters : Filters
            As `parts` was asked.
        """
        opened = self._opened()
        whole = _of_all_towers(filters)

        def asked() -> WearByAge | None:
            found = self.conditions(row.kind, filters.values("purpose"))
            every = self.parts(whole)
            return answers.wear_by_age(
                opened.scan, row, every, whole, site=opened.site, conditions=found
            )

        return self._slowly(opened.wear_by_age, (*_place(row), whole), asked)

    def knows_wear_by_age(self, row: PartRow, filters: Filters) -> bool:
        """Tell whether `wear_by_age` has its answer, and would not take a second to find it."""
        return self._knows(self._opened().wear_by_age, (*_place(row), _of_all_towers(filters)))

    def setting_marks(self, tower: str, bin: int) -> list[Mark]:
        """Return when which setting of a bin was moved, on the same stock."""
        opened = self._opened()
        return opened.setting_marks.get(
            (tower, bin),
            lambda: answers.setting_marks(opened.scan, tower, bin),
        )

    def known_chart(self, tower: str, bin: int | None, kind: str, chart: str) -> Chart:
        """Return one of the charts that people know of a bin, or of a tower as a whole, by day.

        Raises
        ------
        analysis.filters.FilterError
            For a chart that there is not.
        """
        opened = self._opened()
        asked = Filters(kind=kind).holding("tower", tower)
        if bin is not None:
            asked = asked.holding("bin", str(bin))
        return opened.known_charts.get(
            (asked, chart),
            lambda: answers.known_charts(opened.scan, asked, chart),
        )

    def weekly(self, day: dt.date | None = None) -> Weekly:
        """Answer how a week went, from what the pages show.

        Parameters
        ----------
        day : date, optional
            As of `analysis.answers.weekly`.

        Raises
        ------
        analysis.filters.FilterError
            Where the log is empty, and for a year that no log can have.
        analysis.patterns.PatternsError
            While the site's own patterns are wrong.
        """
        opened, patterns = self._opened(), read_patterns(self.folder)
        first, _ = answers.week_of(opened.scan, day)
        return self._slowly(
            opened.weeklies,
            (first, patterns),
            lambda: answers.weekly(
                opened.scan,
                first,
                site=opened.site,
                patterns=patterns,
                fitted=self.conditions,
                drifted=lambda: self.drift(Filters()),
                parted=lambda: self.parts(Filters()),
            ),
        )

    def judge(
        self,
        tower: str,
        proof: str | None = None,
        rates: tuple[tuple[str, tuple[float, float]], ...] = (),
        *,
        single: bool = False,
    ) -> Judgement:
        """Answer whether a tower passes; ``rates`` as pairs of a kind and its two rates.

        Raises
        ------
        analysis.filters.FilterError
            When the tower or such a burn-in is not in the log.
        analysis.plans.PlanError
            For rates that cannot be.
        """
        opened, kept = self._opened(), kept_plans(self.folder)
        return opened.judgements.get(
            (tower, proof, rates, single, kept),
            lambda: answers.judge(
                opened.scan,
                tower,
                proof=proof,
                kept=kept,
                rates=dict(rates),
                single=single,
                site=opened.site,
            ),
        )

    def judge_batches(
        self,
        tower: str,
        bins: int,
        batches: tuple[Batch, ...],
        begun: dt.datetime,
        rates: tuple[tuple[str, tuple[float, float]], ...] = (),
        *,
        proof: str = "",
        single: bool = False,
    ) -> Judgement:
        """Answer how a burn-in stands whose batches are typed; as `analysis.answers` does.

        Raises
        ------
        analysis.burn_ins.BatchError
            For batches that cannot be.
        analysis.plans.PlanError
            For rates that cannot be.
        """
        opened, kept = self._opened(), kept_plans(self.folder)
        return answers.judge_batches(
            tower,
            bins,
            batches,
            begun,
            kept=kept,
            proof=proof,
            rates=dict(rates),
            single=single,
            site=opened.site,
        )


def _of_all_towers(filters: Filters) -> Filters:
    """Return a filter that holds no place: how a part wears is learnt from all of its name."""
    where = tuple((column, values) for column, values in filters.where if column == "purpose")
    return Filters(None, filters.until, where, filters.kind)


def _place(row: PartRow) -> tuple[object, ...]:
    return row.tower, row.bin, row.part, row.kind
