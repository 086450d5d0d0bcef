"""What do the pages read, and how often?

One reader of a store for all pages and all threads. Answers are kept by the store's version, so a
page opened twice asks once, and rows that another process adds are seen at the next page opened.
"""

from __future__ import annotations

import datetime as dt
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from analysis import answers
from analysis.acceptance import Judgement
from analysis.adjusting import AdjustedTrends, Change
from analysis.belief import Belief
from analysis.charts import Chart
from analysis.conditions import Conditions, ConditionsError
from analysis.counts import Account, LogScan
from analysis.drift import Drift
from analysis.filters import Filters
from analysis.kept_plans import kept_plans
from analysis.log_format import PURPOSES, SETTINGS
from analysis.overview import Overview
from analysis.proofs import Batch, Proof
from analysis.set_up import SetUp
from analysis.site import Site, read_site
from analysis.store import Store
from analysis.trends import NOT_LOGGED, Mark, Trends, order

Key = TypeVar("Key")
Answer = TypeVar("Answer")


#: Columns with choices of their own in the filter, beside towers, purposes, stocks and settings.
OFFERED = ("site", "bin", "coating", "printed_by", "humidity_band")

# Answers of drift that are kept: each holds every run of every bin.
_DRIFTS = 6


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

    scan: LogScan
    site: Site
    whole: Account
    choices: Choices
    overviews: OrderedDict[Filters, Overview] = field(default_factory=OrderedDict)
    trends: OrderedDict[tuple[Filters, str], Trends] = field(default_factory=OrderedDict)
    conditions: OrderedDict[Filters, Conditions | None] = field(default_factory=OrderedDict)
    adjusted: OrderedDict[tuple[object, ...], AdjustedTrends] = field(default_factory=OrderedDict)
    changes: OrderedDict[tuple[Filters, Filters], Change] = field(default_factory=OrderedDict)
    set_ups: OrderedDict[tuple[str, str], SetUp] = field(default_factory=OrderedDict)
    beliefs: OrderedDict[None, Belief] = field(default_factory=OrderedDict)
    drifts: OrderedDict[Filters, Drift] = field(default_factory=OrderedDict)
    setting_marks: OrderedDict[tuple[str, int], list[Mark]] = field(default_factory=OrderedDict)
    known_charts: OrderedDict[tuple[Filters, str], Chart] = field(default_factory=OrderedDict)
    burn_ins: OrderedDict[None, list[Proof]] = field(default_factory=OrderedDict)
    judgements: OrderedDict[tuple[object, ...], Judgement] = field(default_factory=OrderedDict)


class Data:
    """A store as the pages see it.

    Parameters
    ----------
    folder : Path
        The store.
    keep : int
        Answers kept for one version of it.

    Raises
    ------
    analysis.snapshot.StoreError
        When there is no store, or one that cannot be read.
    analysis.site.SiteError
        From every answer, while the site file is wrong.
    """

    def __init__(self, folder: Path, *, keep: int = 64) -> None:
        self._store = Store(folder)
        self._keep = keep
        self._lock = threading.Lock()
        self._working = threading.Lock()
        self._held: _Opened | None = None

    @property
    def folder(self) -> Path:
        """Where the store is."""
        return self._store.folder

    def _opened(self) -> _Opened:
        snapshot = self._store.snapshot()
        site = read_site(self.folder)
        with self._lock:
            # Held while it is opened, so that several pages do not each scan a new version.
            held = self._held
            if held is None or (held.scan.version, held.site) != (snapshot.version, site):
                scan = LogScan(snapshot)
                held = _Opened(scan, site, scan.account(Filters()), _choices(scan, site))
                self._held = held
            return held

    def whole(self) -> Account:
        """Return the evidence of the whole log: how many rows, from when to when."""
        return self._opened().whole

    def choices(self) -> Choices:
        """Return what of the log a filter can be held to."""
        return self._opened().choices

    def overview(self, filters: Filters) -> Overview:
        """Answer how it runs.

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
        """
        opened = self._opened()
        return self._kept(opened.overviews, filters, lambda: answers.overview(opened.scan, filters))

    def trends(self, filters: Filters, over: str = "") -> Trends:
        """Answer where misses and doubles come from; ``over`` as of `analysis.answers.trends`.

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
        """
        opened = self._opened()
        return self._kept(
            opened.trends,
            (filters, over),
            lambda: answers.trends(opened.scan, filters, over=over, site=opened.site),
        )

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

        return self._kept(opened.conditions, asked, fitted)

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
        return self._kept(
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
        return self._kept(
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
        return self._kept(
            opened.set_ups,
            (stock, kind),
            lambda: answers.set_up(
                opened.scan, Filters(kind=kind), stock, self.conditions(kind, answers.TRIED)
            ),
        )

    def belief(self) -> Belief:
        """Answer what in the whole log is hard to believe."""
        opened = self._opened()
        return self._kept(
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
        # Pages that ask at once wait for one of them, rather than all doing the work.
        with self._working:
            return self._kept(
                opened.drifts,
                filters,
                lambda: answers.drift(opened.scan, filters, kept=kept),
                _DRIFTS,
            )

    def knows_drift(self, filters: Filters) -> bool:
        """Tell whether `drift` has its answer, and would not take seconds to find it."""
        opened = self._opened()
        with self._lock:
            return filters in opened.drifts

    def setting_marks(self, tower: str, bin: int) -> list[Mark]:
        """Return when which setting of a bin was moved, on the same stock."""
        opened = self._opened()
        return self._kept(
            opened.setting_marks,
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
        return self._kept(
            opened.known_charts,
            (asked, chart),
            lambda: answers.known_charts(opened.scan, asked, chart),
        )

    def burn_ins(self) -> list[Proof]:
        """Return the burn-ins in the log, tower by tower in order of time."""
        opened = self._opened()
        return self._kept(opened.burn_ins, None, lambda: answers.burn_ins(opened.scan))

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
        return self._kept(
            opened.judgements,
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
        analysis.proofs.BatchError
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

    def _kept(
        self,
        kept: OrderedDict[Key, Answer],
        key: Key,
        make: Callable[[], Answer],
        most: int | None = None,
    ) -> Answer:
        with self._lock:
            if key in kept:
                kept.move_to_end(key)
                return kept[key]
        # Two threads that ask the same at once both work it out; they get the same.
        result = make()
        with self._lock:
            kept[key] = result
            while len(kept) > (self._keep if most is None else most):
                kept.popitem(last=False)
        return result


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
