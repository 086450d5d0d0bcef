"""What is a scan asked of, and of which rows?

One snapshot of a store and what runs the queries over it. What the log holds is asked by
`analysis.logged`, and what it comes to by `analysis.counts`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pyarrow as pa

from analysis.engine import Engine, Here, Query
from analysis.filters import FilterError, Filters, known_columns
from analysis.kept import Kept
from analysis.log_format import EXTRA, Kind
from analysis.query_columns import names_people, terms_of
from analysis.snapshot import Snapshot
from analysis.values import nearest


class Scan:
    """Queries over one snapshot of a store; holds a connection, and no rows but those it keeps.

    Parameters
    ----------
    snapshot : Snapshot
        What is stored.
    engine : Engine, optional
        What runs the scans, opened on that snapshot; DuckDB in this process when absent. Whatever
        runs them, they give the same.

    Attributes
    ----------
    version : str
        Changes with every change of what is scanned; results may be kept under it.
    intake : int or None
        The last intake that counts, where the log is asked as it stood at a moment.
    """

    def __init__(self, snapshot: Snapshot, engine: Engine | None = None) -> None:
        self.version = snapshot.version
        self.intake = snapshot.intake
        self._totals = snapshot.totals
        self._here = Here(snapshot)
        self._engine = engine or self._here
        self._own: tuple[str, ...] | None = None
        #: What is worked out of the whole log, and asked again and again: by any name.
        self.kept: Kept[tuple[object, ...], Any] = Kept()

    def _ask(self, share: str, whole: str, values: Sequence[object] = ()) -> pa.Table:
        return self._engine.ask(Query(share, whole, tuple(values)))

    def own_columns(self) -> tuple[str, ...]:
        """Return the run log's columns that the format does not name."""
        if self._own is None:
            self._own = self._own_columns("runs")
        return self._own

    def _own_columns(self, kind: Kind) -> tuple[str, ...]:
        found = self._ask(
            f"select distinct unnest(map_keys({EXTRA})) as name from {kind}",
            "select distinct name from parts",
        )
        return tuple(sorted(found["name"].to_pylist()))

    def check_columns(self, names: Sequence[str]) -> None:
        """Raise FilterError for a column that neither the format nor the log knows, or operator.

        Nothing compares operators: whoever is judged by his log writes zeros.
        """
        for name in names:
            if names_people(name):
                raise FilterError(
                    "rates are not given by operator, since whoever is judged by his log writes "
                    "zeros; group by tower, day or stock"
                )
            if name in known_columns() or name in self.own_columns():
                continue
            words = frozenset(known_columns()) | frozenset(self.own_columns())
            meant = nearest(name, words, 0.6)
            hint = f"did you mean {meant}?" if meant else "write one such as tower, stock or month"
            raise FilterError(f"there is no column {name} to group or filter by; {hint}")

    def _condition(self, filters: Filters, by: Sequence[str]) -> tuple[str, list[object], str]:
        """Return the terms of `terms_of`, of columns that are known."""
        self.check_columns([*by, *(column for column, _ in filters.where)])
        return terms_of(filters, by)
