"""What do the pages read, and how often?

One reader of a store for all pages and all threads. Answers are kept by the store's version, so a
page opened twice asks once, and rows that another process adds are seen at the next page opened.
"""

from __future__ import annotations

import datetime as dt
import os
import sys
import threading
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from analysis import answers
from analysis.acceptance import Judgement
from analysis.adjusting import AdjustedTrends
from analysis.at_tower import TowerNow, offered_names, towers_now
from analysis.belief import Belief
from analysis.burn_ins import Batch
from analysis.causes import Causes
from analysis.charts import Chart
from analysis.conditions import Conditions
from analysis.conditions_model import ConditionsError
from analysis.costs import CostsResult
from analysis.counts import Account, LogScan
from analysis.drift import Drift
from analysis.explained import Explained
from analysis.export import run_cells
from analysis.filters import Filters
from analysis.history import Intakes, RunHistory, intakes, run_history
from analysis.kept import Kept
from analysis.kept_plans import FOLDER as PLANS
from analysis.kept_plans import kept_plans
from analysis.log_format import KINDS, PURPOSES, SETTINGS
from analysis.overs import Overs
from analysis.overview import Overview
from analysis.parts import PartRow, Parts
from analysis.patterns import PATTERNS_FILE, PatternsError, read_patterns
from analysis.proofs import Proof
from analysis.rate_change import Change
from analysis.set_up import SetUp
from analysis.site import USUAL_BUDGET, Site, read_site
from analysis.store import Store
from analysis.trends import NOT_LOGGED, Mark, Trends, order
from analysis.wear_by_age import WearByAge
from analysis.weekly import Weekly

Key = TypeVar("Key", bound=Hashable)
Answer = TypeVar("Answer")

#: Columns with choices of their own in the filter, beside towers, purposes, stocks and settings.
OFFERED = ("site", "bin", "coating", "printed_by", "humidity_band")

# Answers of drift that are kept: each holds every run of every bin.
_DRIFTS = 6
# Weeks hold an answer of drift each.
_WEEKLIES = 3
#: Characters of drawn pages that are kept: some hundred pages of a few towers, fewer of many.
_DRAWN = 40_000_000

#: Slow questions that are worked out at once, and that wait for their turn. Together they are fewer
#: than the threads of a server: the others answer what is quick. Two fill a machine of two cores,
#: and each is done sooner than if it shared them with more.
SLOW_AT_ONCE, SLOW_WAITING = 2, 45
#: Seconds that a thread goes on while others wait. numpy and DuckDB let go of Python at each call,
#: and wait so long to have it back: beside two busy threads a plan of 0.5 s took 5.8 s with
#: Python's own 5 ms, and takes 1.7 s with this.
TURN = 0.0005

#: What can be asked of an answer that may not be at hand: among which answers, and its key.
_Asked = tuple[Kept[Any, Any], Hashable]


@dataclass(frozen=True)
class Drawn:
    """A page as a browser is sent it.

    Attributes
    ----------
    text : str
        The page.
    lacks : tuple
        What the page asked for and did not find at hand: with any of it, it would be another.
    """

    text: str
    lacks: tuple[_Asked, ...] = ()

    def stands(self) -> bool:
        """Tell whether the page would be drawn again as it is."""
        return not any(key in kept for kept, key in self.lacks)


@dataclass(frozen=True)
class Choices:
    """What a filter can be held to: what there is in the log, and nothing else.

    An empty text stands for rows where nothing was logged.

    Attributes
    ----------
    towers, purposes, stocks : tuple of str
        Values of these columns.
    others : mapping of str to tuple of str
        Values of further columns of which anything was logged, settings last.
    """

    towers: tuple[str, ...]
    purposes: tuple[str, ...]
    stocks: tuple[str, ...]
    others: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True)
class _Opened:
    """One version of store and site file, and answers given from it, the last used at the end."""

    stamp: tuple[object, ...]
    scan: LogScan
    site: Site
    whole: Account
    choices: Choices
    overviews: Kept[Filters, Overview] = field(default_factory=Kept)
    trends: Kept[tuple[Filters, str], Trends] = field(default_factory=Kept)
    over_time: Kept[tuple[Filters, str], Trends] = field(default_factory=Kept)
    conditions: Kept[Filters, Conditions | None] = field(default_factory=Kept)
    adjusted: Kept[tuple[object, ...], AdjustedTrends] = field(default_factory=Kept)
    changes: Kept[tuple[Filters, Filters], Change] = field(default_factory=Kept)
    set_ups: Kept[tuple[str, str], SetUp] = field(default_factory=Kept)
    costs: Kept[tuple[object, ...], CostsResult] = field(default_factory=Kept)
    overs: Kept[tuple[object, ...], Overs] = field(default_factory=Kept)
    beliefs: Kept[None, Belief] = field(default_factory=Kept)
    drifts: Kept[Filters, Drift] = field(default_factory=lambda: Kept(_DRIFTS))
    parts: Kept[Filters, Parts] = field(default_factory=Kept)
    wear_by_age: Kept[tuple[object, ...], WearByAge | None] = field(default_factory=Kept)
    causes: Kept[tuple[object, ...], Causes | None] = field(default_factory=Kept)
    explained: Kept[tuple[object, ...], tuple[Explained, ...]] = field(default_factory=Kept)
    setting_marks: Kept[tuple[str, int], list[Mark]] = field(default_factory=Kept)
    known_charts: Kept[tuple[Filters, str], Chart] = field(default_factory=Kept)
    burn_ins: Kept[None, list[Proof]] = field(default_factory=Kept)
    judgements: Kept[tuple[object, ...], Judgement] = field(default_factory=Kept)
    weeklies: Kept[tuple[object, ...], Weekly] = field(default_factory=lambda: Kept(_WEEKLIES))
    last_rows: Kept[None, list[dict[str, object]]] = field(default_factory=Kept)
    known_runs: Kept[tuple[tuple[str, str], ...], set[tuple[str, str]]] = field(
        default_factory=Kept
    )
    intakes: Kept[None, Intakes] = field(default_factory=Kept)
    drawn: Kept[tuple[object, ...], Drawn] = field(
        default_factory=lambda: Kept(_DRAWN, lambda drawn: len(drawn.text))
    )


class Data:
    """A store as the pages see it.

    Parameters
    ----------
    folder : Path
        The store.

    Raises
    ------
    analysis.snapshot.StoreError
        When there is no store, or one that cannot be read.
    analysis.site.SiteError
        From every answer, while the site file is wrong.
    """

    def __init__(self, folder: Path) -> None:
        self._store = Store(folder)
        sys.setswitchinterval(TURN)
        self._opening = threading.Lock()
        self._lane = _Lane()
        self._working = threading.Lock()
        self._wearing = threading.Lock()
        self._held: _Opened | None = None
        self._noted = threading.local()

    @property
    def folder(self) -> Path:
        """Where the store is."""
        return self._store.folder

    def _opened(self) -> _Opened:
        stamp, held = self._stamp(), self._held
        if held is not None and stamp == held.stamp:
            return held
        # One opens a new version. Others go on with the last one meanwhile; where there is none,
        # they wait for it.
        if not self._opening.acquire(blocking=held is None):
            assert held is not None
            return held
        try:
            held = self._held
            if held is None or stamp != held.stamp:
                held = self._held = self._open(stamp)
            return held
        finally:
            self._opening.release()

    def _stamp(self) -> tuple[object, ...]:
        """Return what changes with every change of store or site file, read at no cost.

        Each commit to a table is a file with a higher number; to open the tables takes far longer.
        """
        try:
            last = tuple(
                # Checkpoints stand beside the commits, and after them in the order of names.
                max((n for n in os.listdir(log) if n.endswith(".json")), default="")
                for log in (self.folder / name / "_delta_log" for name in (*KINDS, "intakes"))
            )
        except OSError:
            # Whatever the matter is, the store says it in words.
            self._store.snapshot()
            raise
        return last, read_site(self.folder)

    def _open(self, stamp: tuple[object, ...]) -> _Opened:
        snapshot, site = self._store.snapshot(), read_site(self.folder)
        held = self._held
        if held is not None and (held.scan.version, held.site) == (snapshot.version, site):
            return replace(held, stamp=stamp)
        scan = LogScan(snapshot)
        return _Opened(stamp, scan, site, scan.account(Filters()), _choices(scan, site))

    def drawn(self, asked: tuple[object, ...], draw: Callable[[], str]) -> str:
        """Return a page as it is sent, drawn now where it is not kept.

        Parameters
        ----------
        asked : tuple
            All that the page depends on beside the store's folder: its address, and who asks.
        draw : callable
            Draws it, from this reader alone and without a look at the clock. What it raises is
            raised, and nothing is kept.

        Raises
        ------
        analysis.snapshot.StoreError, analysis.site.SiteError
            As from every answer.
        """
        opened, key = self._opened(), (*asked, self._beside())

        def made() -> Drawn:
            lacks: list[_Asked] = []
            self._noted.lacks = lacks
            try:
                return Drawn(draw(), tuple(lacks))
            finally:
                del self._noted.lacks

        drawn = opened.drawn.get(key, made)
        if not drawn.stands():
            opened.drawn.forget(key)
            drawn = opened.drawn.get(key, made)
        return drawn.text

    def _beside(self) -> tuple[object, ...]:
        """Return what changes with kept plans and a site's own patterns, without reading them."""
        plans = self.folder / PLANS
        looked = [self.folder / PATTERNS_FILE]
        with suppress(OSError):
            looked += sorted(plans.iterdir())
        found: list[object] = []
        for path in looked:
            with suppress(OSError):
                told = path.stat()
                found.append((path.name, told.st_mtime_ns, told.st_size))
        return tuple(found)

    def _knows(self, kept: Kept[Key, Answer], key: Key) -> bool:
        """Tell whether an answer is at hand; note it for the page that is being drawn if not."""
        if key in kept:
            return True
        lacks = getattr(self._noted, "lacks", None)
        if lacks is not None:
            lacks.append((kept, key))
        return False

    def whole(self) -> Account:
        """Return the evidence of the whole log: how many rows, from when to when."""
        return self._opened().whole

    def choices(self) -> Choices:
        """Return what of the log a filter can be held to."""
        return self._opened().choices

    def site(self) -> Site:
        """Return what the site has a say in."""
        return self._opened().site

    def stocks(self) -> list[dict[str, object]]:
        """Return the stock list."""
        return self._opened().scan.list_rows("stocks")

    def towers_now(self, now: dt.datetime) -> tuple[TowerNow, ...]:
        """Answer what a run that begins now on each tower is offered."""
        opened = self._opened()
        last = opened.last_rows.get(None, opened.scan.last_rows)
        towers = towers_now(opened.scan.list_rows("towers"), last, now)
        names = offered_names(towers)
        asked = tuple((tower, name) for tower, several in names.items() for name in several)
        known = opened.known_runs.get(asked, lambda: opened.scan.known_runs(asked))
        return tuple(
            replace(one, run=next((n for n in names[one.tower] if (one.tower, n) not in known), ""))
            for one in towers
        )

    def run_history(self, tower: str, run: str) -> RunHistory:
        """Answer what became of a run."""
        return run_history(self._store.snapshot(), tower, run)

    def run_cells(self, tower: str, run: str) -> tuple[tuple[str, ...], list[list[str]]]:
        """Return the rows of a run as `analysis.export.run_cells` does."""
        return run_cells(LogScan(self._store.snapshot()), tower, run)

    def intakes(self) -> Intakes:
        """Answer what was taken in, the last first."""
        opened = self._opened()
        return opened.intakes.get(None, lambda: intakes(self._store.snapshot()))

    def _slowly(self, kept: Kept[Key, Answer], key: Key, make: Callable[[], Answer]) -> Answer:
        """Answer what may take seconds or minutes, a few of such questions at a time."""
        if key in kept:
            return kept.get(key, make)
        with self._lane.entered():
            return kept.get(key, make)

    def overview(self, filters: Filters) -> Overview:
        """Answer how it runs.

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
        """
        opened = self._opened()
        return opened.overviews.get(filters, lambda: answers.overview(opened.scan, filters))

    def trends(self, filters: Filters, over: str = "") -> Trends:
        """Answer where misses and doubles come from; ``over`` as of `analysis.answers.trends`.

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
        """
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

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
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
        """Answer what is behind a change of the rate; None where nothing is known of conditions.

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
        """
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
        analysis.filters.FilterError
            For a column or a value that cannot be.
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
        """Answer what faults cost; ``causes`` as of `analysis.answers.costs`.

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
        """
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

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
        """
        opened = self._opened()
        # Months that were worked through are kept beside the store: they take seconds each.
        kept = self.folder / "kept"
        budget = USUAL_BUDGET if opened.site.budget is None else opened.site.budget

        def asked() -> Drift:
            # Pages that ask at once wait for one of them, rather than all doing the work.
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
        kinds = ("misses", "doubles") if kind == "faults" else (kind,)

        def asked() -> Causes | None:
            found = self._models(kinds)
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
        opened = self._opened()
        return self._knows(opened.costs, (filters, ()))

    def knows_drift(self, filters: Filters) -> bool:
        """Tell whether `drift` has its answer, and would not take seconds to find it."""
        opened = self._opened()
        return self._knows(opened.drifts, filters)

    def parts(self, filters: Filters) -> Parts:
        """Answer what is wearing, what is to be ordered and when, and whether services helped.

        Parameters
        ----------
        filters : Filters
            As of `analysis.answers.parts`: each part is judged by what its own wear shows in,
            unless misses or doubles are asked for.

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
        """
        opened = self._opened()

        def asked() -> Parts:
            found = self._models(("misses", "doubles", "faults"), filters.values("purpose"))
            # Pages that ask at once wait for one of them, rather than all doing the work.
            with self._wearing:
                return answers.parts(opened.scan, filters, site=opened.site, conditions=found)

        return self._slowly(opened.parts, filters, asked)

    def knows_parts(self, filters: Filters) -> bool:
        """Tell whether `parts` has its answer, and would not take seconds to find it."""
        opened = self._opened()
        return self._knows(opened.parts, filters)

    def wear_by_age(self, row: PartRow, filters: Filters) -> WearByAge | None:
        """Answer how the faults of one place go with the age of its part.

        Parameters
        ----------
        row : PartRow
            The part: one that `parts` tells of.
        filters : Filters
            As `parts` was asked.

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
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
        opened = self._opened()
        return self._knows(opened.wear_by_age, (*_place(row), _of_all_towers(filters)))

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

    def burn_ins(self) -> list[Proof]:
        """Return the burn-ins in the log, tower by tower in order of time."""
        opened = self._opened()
        return opened.burn_ins.get(None, lambda: answers.burn_ins(opened.scan))

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


class BusyError(Exception):
    """Too many slow questions are being asked already; the message says what to do."""


class _Lane:
    """Where slow questions are worked out, a few at a time.

    All of a server's threads would otherwise wait for them, or take one another's time, while
    somebody else asks what takes no time.
    """

    def __init__(self) -> None:
        self._free = threading.BoundedSemaphore(SLOW_AT_ONCE)
        self._lock = threading.Lock()
        self._inside = 0
        self._mine = threading.local()

    @contextmanager
    def entered(self) -> Iterator[None]:
        """Wait for a place; who has one already goes on.

        Raises
        ------
        BusyError
            Where too many wait.
        """
        if getattr(self._mine, "inside", False):
            yield
            return
        with self._lock:
            if self._inside >= SLOW_AT_ONCE + SLOW_WAITING:
                raise BusyError(
                    "others are asking for what takes long; open the page again in a minute"
                )
            self._inside += 1
        try:
            with self._free:
                self._mine.inside = True
                try:
                    yield
                finally:
                    self._mine.inside = False
        finally:
            with self._lock:
                self._inside -= 1


def _of_all_towers(filters: Filters) -> Filters:
    """Return a filter that holds no place: how a part wears is learnt from all of its name."""
    where = tuple((column, values) for column, values in filters.where if column == "purpose")
    return Filters(None, filters.until, where, filters.kind)


def _place(row: PartRow) -> tuple[object, ...]:
    return row.tower, row.bin, row.part, row.kind


def _choices(scan: LogScan, site: Site) -> Choices:
    settings = [*SETTINGS, *(name for name in scan.own_columns() if name.startswith("set_"))]
    found = scan.values(["tower", "purpose", "stock", *OFFERED, *settings])

    def logged(column: str) -> list[str]:
        levels = site.setting(column).levels
        return sorted((v or "" for v in found[column]), key=lambda v: order(column, v, levels))

    towers = {str(row["tower"]) for row in scan.list_rows("towers")} | set(logged("tower"))
    purposes = logged("purpose")
    others = {c: tuple(logged(c)) for c in (*OFFERED, *settings)}
    return Choices(
        tuple(sorted(towers)),
        tuple(p for p in (*PURPOSES, "") if p in purposes),
        tuple(logged("stock")),
        {c: values for c, values in others.items() if any(v and v != NOT_LOGGED for v in values)},
    )
