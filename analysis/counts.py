"""How many feeds, misses and doubles were there, group by group?

The one place that scans the log. Counts are sums, so this is the only step whose cost grows with
the log, and the only one that a bigger engine has to take over when a log outgrows one machine.
Everything after it works on the few numbers that come out of it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import pyarrow as pa

from analysis.filters import HUMIDITY_BANDS, FilterError, Filters, known_columns
from analysis.log_format import DERIVED, EXTRA, KINDS, LARGEST_WHOLE, SETTINGS, Column, Kind
from analysis.store import Snapshot, reading_store
from analysis.values import nearest


@dataclass(frozen=True)
class Account:
    """The evidence that an answer rests on.

    Attributes
    ----------
    rows, runs : int
        Rows of the run log and runs (a job on one tower) they belong to.
    feeds : int
        Feeds asked of all bins.
    first, last : datetime or None
        When the first and the last stretch started; wall time.
    """

    rows: int
    runs: int
    feeds: int
    first: dt.datetime | None
    last: dt.datetime | None


def merged(accounts: Sequence[Account]) -> Account:
    """Return the evidence of several filters together, of which no row is in two."""
    begun = [account.first for account in accounts if account.first]
    ended = [account.last for account in accounts if account.last]
    return Account(
        rows=sum(account.rows for account in accounts),
        runs=sum(account.runs for account in accounts),
        feeds=sum(account.feeds for account in accounts),
        first=min(begun, default=None),
        last=max(ended, default=None),
    )


# Wall time without a zone, so that no session setting can shift it.
_WALL = "make_timestamp(epoch_us(r.started))"
_DERIVED_SQL = {
    "day": f"strftime({_WALL}, '%Y-%m-%d')",
    "week": f"strftime({_WALL}, '%G-W%V')",
    "month": f"strftime({_WALL}, '%Y-%m')",
    "humidity_band": (
        "case when r.humidity_pct is null then 'not logged' when r.humidity_pct < 30 then "
        "'below 30' when r.humidity_pct >= 70 then '70 and over' else "
        "(floor(r.humidity_pct / 10)::int * 10)::varchar || '-' || "
        "(floor(r.humidity_pct / 10)::int * 10 + 9)::varchar end"
    ),
}

#: Columns of a scan that are sums, and so may be summed again.
SUMMED = (
    "rows",
    "feeds",
    "feeds_misses",
    "feeds_doubles",
    "feeds_faults",
    "misses",
    "doubles",
    "faults",
)

#: Words that an answer has beside its groups; a group of the same name could not be told from it.
_TAKEN = frozenset(
    (*SUMMED, "first", "of_tower", "of_run", "runs", "count", "rate", "low", "high")
    + ("dispersion", "wide_low", "wide_high")
)

#: Sums of a scan. A kind that was off has no feeds of that kind, and feeds where either was off
#: say nothing of faults of both kinds together. Faults whose bin was not noted bring no feeds.
_SUMS = """
    count(*)::bigint as rows,
    coalesce(sum(r.cycles), 0)::bigint as feeds,
    coalesce(sum(r.cycles) filter (r.misses is not null), 0)::bigint as feeds_misses,
    coalesce(sum(r.cycles) filter (r.doubles is not null), 0)::bigint as feeds_doubles,
    coalesce(sum(r.cycles) filter (r.misses is not null and r.doubles is not null), 0)::bigint
        as feeds_faults,
    coalesce(sum(r.misses), 0)::bigint as misses,
    coalesce(sum(r.doubles), 0)::bigint as doubles,
    coalesce(sum(r.misses + r.doubles), 0)::bigint as faults,
    min(make_timestamp(epoch_us(r.started))) as first
"""


class LogScan:
    """Counts over one snapshot of a store; holds a connection and no rows.

    Parameters
    ----------
    snapshot : Snapshot
        What is stored.
    """

    def __init__(self, snapshot: Snapshot) -> None:
        self.version = snapshot.version
        self._connection = snapshot.connect()
        self._own: tuple[str, ...] | None = None

    def _sql(self, query: str, parameters: Sequence[object] = ()) -> pa.Table:
        # A cursor of its own for each query: pages ask from several threads.
        with reading_store(), self._connection.cursor() as cursor:
            return cursor.sql(query, params=list(parameters)).to_arrow_table()

    def own_columns(self) -> tuple[str, ...]:
        """Return the run log's columns that the format does not name."""
        if self._own is None:
            found = self._sql(f"select distinct unnest(map_keys({EXTRA})) as name from runs")
            self._own = tuple(sorted(found["name"].to_pylist()))
        return self._own

    def check_columns(self, names: Sequence[str]) -> None:
        """Raise FilterError for a column that neither the format nor the log knows, or operator.

        Nothing compares operators: whoever is judged by his log writes zeros.
        """
        for name in names:
            if name == "operator":
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

    def by_run(self, by: Sequence[str], filters: Filters) -> pa.Table:
        """Count feeds and faults of each group in each run.

        Parameters
        ----------
        by : sequence of str
            Columns to group by, of the run, stock or tower lists, a site's own, or derived.
        filters : Filters
            Rows to count; its kind does not matter here.

        Returns
        -------
        pyarrow.Table
            One row per group and run: the columns of ``by``, ``of_tower`` and ``of_run``,
            ``rows``, ``feeds`` (all), ``feeds_misses``, ``feeds_doubles``, ``feeds_faults`` (those
            watched for that kind), ``misses``, ``doubles`` and ``faults``, and ``first``, when the
            first of its stretches started (wall time). Sorted by group.

        Raises
        ------
        FilterError
            For a column or a value that cannot be.
        """
        by = tuple(dict.fromkeys(by))
        for name in by:
            if name in _TAKEN:
                raise FilterError(f"{name} is itself a part of the answer; group by other columns")
        condition, parameters, joins = self._condition(filters, by)
        groups = "".join(f"{_expression(name)} as {_quoted(name)}, " for name in by)
        numbers = ", ".join(str(i + 1) for i in range(len(by) + 2))
        order = "".join(f"{_in_order(name)}, " for name in by)
        return self._sql(
            f"""select * from (
                select {groups} r.tower as of_tower, r.run as of_run, {_SUMS}
                from runs r {joins} where {condition} group by {numbers}
            ) order by {order} of_tower, of_run""",
            parameters,
        )

    def account(self, filters: Filters) -> Account:
        """Say how much evidence a filter leaves; raises as `by_run`."""
        condition, parameters, joins = self._condition(filters, ())
        table = self._sql(
            f"""select count(*)::bigint as rows, count(distinct (r.tower, r.run))::bigint as runs,
            coalesce(sum(r.cycles), 0)::bigint as feeds,
            min({_WALL}) as first, max({_WALL}) as last
            from runs r {joins} where {condition}""",
            parameters,
        )
        row = table.to_pylist()[0]
        return Account(row["rows"], row["runs"], row["feeds"], row["first"], row["last"])

    def list_rows(self, kind: str) -> list[dict[str, object]]:
        """Return all rows of a list: ``stocks``, ``towers`` or ``services``."""
        if kind not in ("stocks", "towers", "services"):
            raise ValueError(f"{kind} is no list of the store")
        rows: list[dict[str, object]] = self._sql(f"select * from {kind} order by all").to_pylist()
        return rows

    def logged_settings(self, filters: Filters) -> tuple[str, ...]:
        """Return the settings that were logged on any row of a filter; raises as `by_run`."""
        condition, parameters, joins = self._condition(filters, ())
        own = tuple(name for name in self.own_columns() if name.startswith("set_"))
        names = (*SETTINGS, *own)
        counted = ", ".join(f"count({_expression(name)})" for name in names)
        found = self._sql(
            f"select [{counted}] as logged from runs r {joins} where {condition}", parameters
        )["logged"].to_pylist()[0]
        return tuple(name for name, rows in zip(names, found, strict=True) if rows)

    def setting_moves(self, filters: Filters) -> list[dict[str, object]]:
        """Return when settings of bins were moved, within the rows of a filter.

        Returns
        -------
        list of dict
            ``when`` (start of the first stretch with the new value), ``tower``, ``bin``,
            ``setting``, ``before`` and ``after``, in order of time. A move is one away from what
            the bin last had on the same stock: settings follow the paper, and those moves say
            nothing. A stretch without an entry is passed over: not written down is not moved.
        """
        condition, parameters, joins = self._condition(filters, ())
        moves = " union all ".join(
            f"""select moved_at as "when", tower, bin, '{name}' as setting, before, after from (
                select {_WALL} as moved_at, r.tower as tower, r.bin as bin,
                    lag({_expression(name)}) over (partition by r.tower, r.bin, r.stock
                        order by r.started, r.stretch) as before,
                    {_expression(name)} as after
                from runs r {joins}
                where {condition} and r.bin is not null and {_expression(name)} is not null
            ) where before <> after"""
            for name in self.logged_settings(filters)
        )
        if not moves:
            return []
        repeated = parameters * (moves.count(" union all ") + 1)
        query = f"""select * from ({moves}) order by "when", tower, bin, setting"""
        rows: list[dict[str, object]] = self._sql(query, repeated).to_pylist()
        return rows

    def _condition(self, filters: Filters, by: Sequence[str]) -> tuple[str, list[object], str]:
        named = [*by, *(column for column, _ in filters.where)]
        self.check_columns(named)
        joins = ""
        if any(_home(name) == "s" for name in named):
            joins += " left join stocks s on r.stock = s.stock"
        if any(_home(name) == "t" for name in named):
            joins += " left join towers t on r.tower = t.tower"
        clauses = ["true"]
        parameters: list[object] = []
        if filters.since is not None:
            clauses.append(f"{_WALL} >= ?")
            parameters.append(filters.since)
        if filters.until is not None:
            clauses.append(f"{_WALL} <= ?")
            parameters.append(filters.until)
        for column, values in filters.where:
            either = []
            for value in values:
                typed = _typed(column, value)
                if typed is None:
                    either.append(f"{_expression(column)} is null")
                else:
                    either.append(f"{_expression(column)} = ?")
                    parameters.append(typed)
            clauses.append(f"({' or '.join(either)})")
        return " and ".join(clauses), parameters, joins


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _in_order(name: str) -> str:
    """Return what to sort a group by: bands of humidity from dry to damp, all else as it is."""
    if name != "humidity_band":
        return _quoted(name)
    bands = ", ".join(f"'{band}'" for band in HUMIDITY_BANDS)
    return f"list_position([{bands}], {_quoted(name)})"


def _home(name: str) -> str:
    """Tell whose column it is: run log (r), stock list (s), tower list (t), derived or own (x)."""
    if name in DERIVED:
        return "x"
    letters: dict[Kind, str] = {"runs": "r", "stocks": "s", "towers": "t"}
    return next((letter for kind, letter in letters.items() if name in KINDS[kind].names), "x")


def _column(name: str) -> Column | None:
    kinds: tuple[Kind, ...] = ("runs", "stocks", "towers")
    return next((KINDS[kind].column(name) for kind in kinds if name in KINDS[kind].names), None)


def _expression(name: str) -> str:
    if name in DERIVED:
        return _DERIVED_SQL[name]
    home = _home(name)
    if home == "x":
        key = name.replace("'", "''")
        return f"r.{EXTRA}['{key}']"
    column = _column(name)
    quoted = f"{home}.{_quoted(name)}"
    if column is not None and column.type == "moment":
        return f"strftime(make_timestamp(epoch_us({quoted})), '%Y-%m-%dT%H:%M:%S')"
    return quoted


def _typed(name: str, value: str) -> str | int | float | None:
    """Turn a filter's value into the column's type; None means not logged."""
    column = _column(name)
    if name == "humidity_band":
        value = value or "not logged"
        if value not in HUMIDITY_BANDS:
            raise FilterError(f"humidity_band is {value}; write one of {', '.join(HUMIDITY_BANDS)}")
        return value
    if value == "":
        return None
    if column is None or column.type in ("key", "text"):
        return value
    if column.type == "choice":
        if value.lower() not in column.choices:
            raise FilterError(f"{name} is {value}; write one of {', '.join(column.choices)}")
        return value.lower()
    if (column.type == "count" and value.lower() == "off") or (name == "bin" and value == "?"):
        return None
    if column.type == "moment":
        try:
            return dt.datetime.fromisoformat(value).strftime("%Y-%m-%dT%H:%M:%S")
        except ValueError:
            raise FilterError(f"{name} is {value}; write it like 2031-04-03T08:05") from None
    try:
        if column.type == "number":
            return float(value)
        # Nothing beyond it is ever stored, and larger ones do not fit the query.
        return max(-LARGEST_WHOLE - 1, min(int(value), LARGEST_WHOLE + 1))
    except ValueError:
        raise FilterError(f"{name} is {value}; write a number, or nothing for not logged") from None
