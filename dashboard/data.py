"""What do the pages read, and how often?

One reader of a store for all pages and all threads. Answers are kept by the store's version, so a
page opened twice asks once, and rows that another process adds are seen at the next page opened.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path

from analysis import answers
from analysis.counts import Account, LogScan
from analysis.filters import Filters
from analysis.log_format import PURPOSES
from analysis.overview import Overview
from analysis.store import Store


@dataclass(frozen=True)
class Choices:
    """What a filter can be held to; an empty text stands for rows where nothing was logged."""

    towers: tuple[str, ...]
    purposes: tuple[str, ...]
    stocks: tuple[str, ...]


@dataclass(frozen=True)
class _Opened:
    """One version of the store, and the answers given from it so far, the last used at the end."""

    scan: LogScan
    whole: Account
    choices: Choices
    overviews: OrderedDict[Filters, Overview] = field(default_factory=OrderedDict)


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
    analysis.store.StoreError
        When there is no store, or one that cannot be read.
    """

    def __init__(self, folder: Path, *, keep: int = 64) -> None:
        self._store = Store(folder)
        self._keep = keep
        self._lock = threading.Lock()
        self._held: _Opened | None = None

    def _opened(self) -> _Opened:
        snapshot = self._store.snapshot()
        with self._lock:
            # Held while it is opened, so that several pages do not each scan a new version.
            if self._held is None or self._held.scan.version != snapshot.version:
                scan = LogScan(snapshot)
                self._held = _Opened(scan, scan.account(Filters()), _choices(scan))
            return self._held

    def whole(self) -> Account:
        """Return the evidence of the whole log: how many rows, from when to when."""
        return self._opened().whole

    def choices(self) -> Choices:
        """Return the towers, purposes and stocks of the log."""
        return self._opened().choices

    def overview(self, filters: Filters) -> Overview:
        """Answer how it runs.

        Raises
        ------
        analysis.filters.FilterError
            For a column or a value that cannot be.
        """
        opened = self._opened()
        with self._lock:
            if filters in opened.overviews:
                opened.overviews.move_to_end(filters)
                return opened.overviews[filters]
        # Two threads that ask the same at once both work it out; they get the same.
        result = answers.overview(opened.scan, filters)
        with self._lock:
            opened.overviews[filters] = result
            while len(opened.overviews) > self._keep:
                opened.overviews.popitem(last=False)
        return result


def _choices(scan: LogScan) -> Choices:
    def logged(column: str) -> list[str]:
        return [
            value or "" for value in scan.by_run([column], Filters())[column].unique().to_pylist()
        ]

    towers = {str(row["tower"]) for row in scan.list_rows("towers")} | set(logged("tower"))
    purposes = logged("purpose")
    return Choices(
        tuple(sorted(towers)),
        tuple(p for p in (*PURPOSES, "") if p in purposes),
        # Rows without a stock come last: the list is read for a name.
        tuple(sorted(logged("stock"), key=lambda stock: (not stock, stock))),
    )
