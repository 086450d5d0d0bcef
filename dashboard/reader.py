"""What does the log hold, and when is it read anew?

A store is opened once for all pages and all threads, and again when it has changed. What was
answered and drawn is kept with the version that it was made from.
"""

from __future__ import annotations

import datetime as dt
import os
import sys
import threading
from collections.abc import Callable, Hashable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from analysis import answers
from analysis.at_tower import USUAL_BINS, TowerNow, offered_names, towers_now
from analysis.counts import Account, LogScan
from analysis.export import run_cells
from analysis.filters import Filters
from analysis.history import Intakes, RunHistory, intakes, run_history
from analysis.kept import Kept
from analysis.kept_plans import FOLDER as PLANS
from analysis.log_format import KINDS
from analysis.patterns import PATTERNS_FILE
from analysis.proofs import Proof
from analysis.site import Site, read_site
from analysis.store import Store
from dashboard.lane import Lane
from dashboard.opened import Asked, Choices, Drawn, Opened, offered

Key = TypeVar("Key", bound=Hashable)
Answer = TypeVar("Answer")

#: Seconds that a thread goes on while others wait. numpy and DuckDB let go of Python at each call,
#: and wait so long to have it back: beside two busy threads a plan of 0.5 s took 5.8 s with
#: Python's own 5 ms, and takes 1.7 s with this.
TURN = 0.0005


class Reader:
    """A store, opened, with what the log holds as it stands.

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
        self._lane = Lane()
        self._held: Opened | None = None
        self._noted = threading.local()

    @property
    def folder(self) -> Path:
        """Where the store is."""
        return self._store.folder

    def _opened(self) -> Opened:
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

    def _open(self, stamp: tuple[object, ...]) -> Opened:
        snapshot, site = self._store.snapshot(), read_site(self.folder)
        held = self._held
        if held is not None and (held.scan.version, held.site) == (snapshot.version, site):
            return replace(held, stamp=stamp)
        scan = LogScan(snapshot)
        return Opened(stamp, scan, site, scan.account(Filters()), offered(scan, site))

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
            lacks: list[Asked] = []
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

    def listed_bins(self, tower: str) -> int | None:
        """Return how many bins a tower has by the tower list; None where that does not say."""
        return self._listed_bins().get(tower)

    def usual_bins(self, tower: str) -> int:
        """Return how many bins to begin with: the tower's, or those that every listed one has."""
        every = set(self._listed_bins().values())
        of_all = every.pop() if len(every) == 1 else None
        return self.listed_bins(tower) or of_all or USUAL_BINS

    def _listed_bins(self) -> dict[str, int | None]:
        rows = self._opened().scan.list_rows("towers")
        bins = ((str(row["tower"]), row["bins"]) for row in rows)
        return {tower: one if isinstance(one, int) else None for tower, one in bins}

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

    def burn_ins(self) -> list[Proof]:
        """Return the burn-ins in the log, tower by tower in order of time."""
        opened = self._opened()
        return opened.burn_ins.get(None, lambda: answers.burn_ins(opened.scan))
