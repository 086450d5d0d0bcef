"""What was logged, and where: values, settings and lists, and rows as they stand.

What of a scan is no count. It is asked of a `analysis.counts.LogScan`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence

import pyarrow as pa

from analysis.engine import Query
from analysis.filters import Filters
from analysis.log_format import EXTRA, KINDS, SETTINGS, Kind
from analysis.query_columns import WALL, home, joined, key_of, names_people, of_extra, text_of
from analysis.scans import Scan
from analysis.snapshot import literal, quoted


class Logged(Scan):
    """What one snapshot of a store holds, as it was logged; see `analysis.scans.Scan`."""

    def days(self, filters: Filters) -> dict[dt.date, tuple[str, tuple[str, ...]]]:
        """Say in short what the rows of each day are, so that a change of any of them shows.

        Returns
        -------
        dict of date to (str, tuple of str)
            A fingerprint of the day's rows as they stand, and the stocks that were run.

        Raises
        ------
        FilterError
            For a column or a value that cannot be.
        """
        condition, values, joins = self._condition(filters, ())
        cells = ", ".join(f"r.{quoted(name)}" for name in (*KINDS["runs"].names, EXTRA))
        table = self._ask(
            f"""select {WALL}::date as day, count(*) as number,
            bit_xor(hash({cells})) as mixed, list(distinct r.stock) as stocks
            from runs r {joins} where {condition} group by 1""",
            """select day, sum(number)::bigint as number, bit_xor(mixed) as mixed,
            list_sort(list_distinct(flatten(list(stocks)))) as stocks
            from parts group by 1 order by 1""",
            values,
        )
        return {
            row["day"]: (f"{row['number']} {row['mixed']}", tuple(map(str, row["stocks"])))
            for row in table.to_pylist()
        }

    def values(self, columns: Sequence[str]) -> dict[str, list[str | None]]:
        """Say what was logged in each of some columns, anywhere in the log.

        Parameters
        ----------
        columns : sequence of str
            Of the run, stock or tower lists, a site's own, or derived.

        Returns
        -------
        dict of str to list
            The different values of each column as text, in no order; None where rows have none.

        Raises
        ------
        FilterError
            For a column that cannot be.
        """
        columns = tuple(dict.fromkeys(columns))
        self.check_columns(columns)
        looked = []
        for place, name in enumerate(columns):
            # What a list says of a stock or a tower is looked up once for each of them.
            link = {"s": "stock", "t": "tower"}.get(home(name))
            log = f"(select distinct {link} from runs) r {joined(name)}" if link else "runs r"
            looked.append(
                f"select {place} as place, ({text_of(name, 'key')})::varchar as value "
                f"from (select distinct {key_of(name)} as key from {log})"
            )
        found: dict[str, list[str | None]] = {name: [] for name in columns}
        if looked:
            table = self._ask(" union all ".join(looked), "select distinct * from parts")
            pairs = zip(table["place"].to_pylist(), table["value"].to_pylist(), strict=True)
            for place, value in pairs:
                found[columns[place]].append(value)
        return found

    def absent(self, filters: Filters) -> dict[str, list[str]]:
        """Say which values of a filter no row of the whole log has, by their column.

        Raises
        ------
        FilterError
            For a column or a value that cannot be.
        """
        asked = [(column, value) for column, values in filters.where for value in values]
        looked, held = [], []
        for place, (column, value) in enumerate(asked):
            condition, values, joins = self._condition(Filters().holding(column, value), ())
            looked.append(
                f"(select {place} as place from runs r {joins} where {condition} limit 1)"
            )
            held += values
        found: dict[str, list[str]] = {}
        if looked:
            share = f"select * from ({' union all '.join(looked)})"
            there = {*self._ask(share, "select place from parts", held)["place"].to_pylist()}
            for place, (column, value) in enumerate(asked):
                if place not in there:
                    found.setdefault(column, []).append(value)
        return found

    def list_rows(self, kind: str) -> list[dict[str, object]]:
        """Return all rows of a list: ``stocks``, ``towers`` or ``services``.

        Raises
        ------
        ValueError
            For a list that is none.
        """
        if kind not in ("stocks", "towers", "services"):
            raise ValueError(f"{kind} is no list of the store")
        # Lists are short: no engine is needed for them.
        asked = Query(f"select * from {kind}", "select * from parts order by all")
        rows: list[dict[str, object]] = self._here.ask(asked).to_pylist()
        return rows

    def filled_columns(self, kind: Kind, filters: Filters) -> tuple[list[str], list[str]]:
        """Return the columns of a log that hold anything: the format's, and those it does not name.

        Raises
        ------
        FilterError
            For a column or a value that cannot be; only the run log has filters.
        """
        condition, values, joins = self._condition(filters, ())
        own = self._own_columns(kind)
        names = [(name, f"r.{quoted(name)}") for name in KINDS[kind].names]
        names += [(name, of_extra(name)) for name in own]
        counted = ", ".join(f"count({cell})" for _, cell in names)
        found = self._ask(
            f"select [{counted}] as filled from {kind} r {joins} where {condition}",
            "select filled from parts",
            values,
        )["filled"].to_pylist()
        filled = {
            name for place, (name, _) in enumerate(names) if any(part[place] for part in found)
        }
        format_names = [name for name in KINDS[kind].names if name in filled]
        return format_names, [name for name in own if name in filled]

    def stream(
        self,
        kind: Kind,
        columns: Sequence[str],
        own: Sequence[str],
        filters: Filters,
        *,
        rows_at_once: int = 50_000,
    ) -> Iterator[pa.RecordBatch]:
        """Yield the rows of a log as they are stored, a batch at a time, in no order.

        They pass through this process, whatever the engine: they are no sums.

        Parameters
        ----------
        kind : str
            Which log.
        columns, own : sequence of str
            Stored columns, and columns that the format does not name; the batches have them in
            that order, under no names.
        filters : Filters
            Rows of the run log; no other log has filters.
        rows_at_once : int
            Most rows of a batch.

        Raises
        ------
        FilterError
            For a column or a value that cannot be.
        """
        condition, values, joins = self._condition(filters, ())
        cells = [*(f"r.{quoted(name)}" for name in columns), *map(of_extra, own)]
        named = ", ".join(f"{cell} as cell_{place}" for place, cell in enumerate(cells))
        yield from self._here.stream(
            f"select {named} from {kind} r {joins} where {condition}",
            values,
            rows_at_once=rows_at_once,
        )

    def logged_settings(self, filters: Filters) -> tuple[str, ...]:
        """Return the settings that were logged on any row of a filter.

        Raises
        ------
        FilterError
            For a column or a value that cannot be.
        """
        condition, values, joins = self._condition(filters, ())
        own = tuple(
            name
            for name in self.own_columns()
            if name.startswith("set_") and not names_people(name)
        )
        names = (*SETTINGS, *own)
        counted = ", ".join(f"count({key_of(name)})" for name in names)
        parts = self._ask(
            f"select [{counted}] as logged from runs r {joins} where {condition}",
            "select logged from parts",
            values,
        )["logged"].to_pylist()
        return tuple(name for place, name in enumerate(names) if any(part[place] for part in parts))

    def last_rows(self) -> list[dict[str, object]]:
        """Return the rows with which the last run of each tower ended, columns as they are stored.

        Rows of a bin that was left empty are there too; faults without a bin are not. ``air_since``
        is when the first of the runs in a row began that have the same humidity and temperature.
        """
        air = ("humidity_pct", "temperature_c")
        other = " or ".join(f"r.{name} is distinct from l.{name}" for name in air)
        found = self._ask(
            f"""with begun as (
                select tower, max(started) as started from runs where cycles > 0 group by tower
            ), l as (
                select r.* from runs r join begun using (tower, started) where r.bin is not null
            ), air as (
                select tower, {", ".join(f"any_value({name}) as {name}" for name in air)}
                from l where cycles > 0 group by tower
            ), before as (
                select r.tower, max(r.started) as started from runs r join air l using (tower)
                where r.cycles > 0 and ({other}) group by r.tower
            ), since as (
                select r.tower, min(r.started) as air_since
                from runs r left join before b using (tower)
                where r.cycles > 0 and (b.started is null or r.started > b.started)
                group by r.tower
            )
            select l.*, air_since from l left join since using (tower)""",
            "select * from parts order by tower, run, stretch, bin",
        )
        rows: list[dict[str, object]] = found.to_pylist()
        return rows

    def known_runs(self, asked: Sequence[tuple[str, str]]) -> set[tuple[str, str]]:
        """Return those of some runs, each a tower and a name, that the log holds."""
        if not asked:
            return set()
        pairs = ", ".join("(?, ?)" for _ in asked)
        found = self._ask(
            f"select distinct tower, run from runs where (tower, run) in ({pairs})",
            "select distinct tower, run from parts",
            [text for pair in asked for text in pair],
        )
        return {(row["tower"], row["run"]) for row in found.to_pylist()}

    def setting_moves(self, filters: Filters) -> list[dict[str, object]]:
        """Return when settings of bins were moved, within the rows of a filter.

        Returns
        -------
        list of dict
            ``when`` (start of the first stretch with the new value), ``since`` (start of the last
            one with the old), ``tower``, ``bin``, ``setting``, ``before`` and ``after``, in order
            of time. A move is one away from what the bin last had on the same stock: settings
            follow the paper, and those moves say nothing. A stretch without an entry is passed
            over: not written down is not moved.
        """
        condition, values, joins = self._condition(filters, ())
        settings = self.logged_settings(filters)
        moves = " union all ".join(
            f"""select moved_at as "when", since, tower, bin, {literal(name)} as setting,
                before, after
            from (
                select {WALL} as moved_at, r.tower as tower, r.bin as bin,
                    lag({key_of(name)}) over same_paper as before,
                    lag({WALL}) over same_paper as since,
                    {key_of(name)} as after
                from runs r {joins}
                where {condition} and r.bin is not null and {key_of(name)} is not null
                window same_paper as (partition by r.tower, r.bin, r.stock
                    order by r.started, r.stretch)
            ) where before <> after"""
            for name in settings
        )
        if not moves:
            return []
        rows: list[dict[str, object]] = self._ask(
            moves,
            """select * from parts order by "when", tower, bin, setting, before, after""",
            values * len(settings),
        ).to_pylist()
        return rows
