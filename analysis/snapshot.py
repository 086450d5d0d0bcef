"""What is stored at one moment, for whoever reads it.

A snapshot names the files of each table; they are never changed, so it stays good while others
write. Every file is Parquet: `Snapshot.connect` shows them as DuckDB views.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import unquote

import duckdb
import pyarrow as pa

from analysis.log_format import INTAKE, KINDS, ORIGIN, UNTIL, stored_schema

if TYPE_CHECKING:
    from deltalake import DeltaTable


class StoreError(Exception):
    """The store is missing, damaged or of another format; the message says what to do."""


class DamagedStoreError(StoreError):
    """A store is there, but a part of it is gone or cannot be read."""


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


NO_ROWS = Account(0, 0, 0, None, None)


def merged(accounts: Sequence[Account]) -> Account:
    """Return the evidence of several parts of the log together, of which no row is in two."""
    begun = [account.first for account in accounts if account.first]
    ended = [account.last for account in accounts if account.last]
    return Account(
        rows=sum(account.rows for account in accounts),
        runs=sum(account.runs for account in accounts),
        feeds=sum(account.feeds for account in accounts),
        first=min(begun, default=None),
        last=max(ended, default=None),
    )


@dataclass(frozen=True)
class Snapshot:
    """The files that make up a store at one moment; safe to read while others write.

    Attributes
    ----------
    version : str
        Changes with every change of the store; results may be kept under it.
    files : mapping of str to tuple of str
        Parquet files of each table, that of intakes included.
    intake : int or None
        The last intake that counts, where the store is asked as it stood then; None: all of them.
    totals : Account or None
        Of the whole run log, where they are known without a scan.
    """

    version: str
    files: Mapping[str, tuple[str, ...]]
    intake: int | None = None
    totals: Account | None = None

    def connect(self, towers: Sequence[str] | None = None) -> duckdb.DuckDBPyConnection:
        """Return a DuckDB connection with a view for each table, named as the table is.

        The views hold the rows that stand, without the column ``until``; all rows, past ones
        included, are in ``all_runs`` and so on.

        Parameters
        ----------
        towers : sequence of str, optional
            Rows of the run log of these towers only: one worker's share of a scan.
        """
        connection = connect()
        stands = f"{UNTIL} is null"
        if self.intake is not None:
            stands = f"{INTAKE} <= {self.intake} and ({stands} or {UNTIL} > {self.intake})"
        with reading_store():
            for name, kind in KINDS.items():
                view_all(connection, name, self.files[name], stored_schema(kind))
                share = ""
                if name == "runs" and towers is not None:
                    share = f" and tower in ({', '.join(map(literal, towers)) or 'null'})"
                connection.execute(
                    f"create view {name} as select * exclude ({UNTIL}, {ORIGIN}) from all_{name} "
                    f"where ({stands}){share}"
                )
        return connection


def connect() -> duckdb.DuckDBPyConnection:
    """Return a DuckDB connection in memory, set up so that its sums are right."""
    connection = duckdb.connect()
    # With this step on, DuckDB 2.0 takes the left side of a join onto an empty table for empty as
    # well, and packs its sums into a byte: 10,000 feeds came out as 16.
    connection.execute("set disabled_optimizers = 'statistics_propagation'")
    return connection


@contextmanager
def reading_store() -> Iterator[None]:
    """Turn a file of the store that is gone or damaged into a DamagedStoreError.

    Where it is room to work in that is missing, it is a StoreError.
    """
    try:
        yield
    except (duckdb.IOException, duckdb.InvalidInputException, duckdb.OutOfMemoryException) as error:
        if isinstance(error, duckdb.OutOfMemoryException) or "write" in str(error).lower():
            raise StoreError(
                f"there is no room to work in ({short(error)}); free some memory or disk and run "
                "it again"
            ) from None
        named = re.search(r"[^/\\\s'\"]+[/\\][^/\\\s'\"]+\.parquet", str(error))
        which = f"data file {named[0]}" if named else "a data file"
        raise DamagedStoreError(
            f"{which} of the store is gone or damaged ({short(error)[:60]}...); "
            "feedtally store check says what is lost, and how to read all else"
        ) from None


def view_all(
    connection: duckdb.DuckDBPyConnection, name: str, files: Sequence[str], schema: pa.Schema
) -> None:
    """Create the view ``all_<name>`` over a table's files, past rows included."""
    if files:
        connection.execute(f"create view all_{name} as select * from {rows_of(files)}")
        return
    # A table, since what is registered is not seen by the connection's other cursors.
    connection.register("nothing", schema.empty_table())
    connection.execute(f"create table all_{name} as from nothing")
    connection.unregister("nothing")


def data_files(table: DeltaTable) -> tuple[str, ...]:
    """Return the paths of a table's files; Delta has addresses, in which a blank is ``%20``."""
    return tuple(map(unquote, table.file_uris()))


def rows_of(files: Sequence[str]) -> str:
    """Return what DuckDB reads the rows of Parquet files from, whatever their paths are.

    It takes a star, a question mark and a bracket for patterns, and ``a=b`` for a column.
    """
    listed = ", ".join(literal(re.sub(r"[*?\[]", r"[\g<0>]", path)) for path in files)
    return f"read_parquet([{listed}], hive_partitioning = false)"


def taken_back(undoes: Mapping[int, int], stored: Collection[int]) -> dict[int, int]:
    """Return the intakes that stand no more, each with the undo that took it back.

    Parameters
    ----------
    undoes : mapping of int to int
        By the number of each undo, the intake that it took back.
    stored : collection of int
        Numbers that rows bear. An undo without any was broken off and did nothing.
    """
    found: dict[int, int] = {}
    # An undo comes after what it takes back, so the last one is judged first.
    for number in sorted(undoes, reverse=True):
        if number in stored and number not in found:
            found.setdefault(undoes[number], number)
    return found


def stored_numbers(connection: duckdb.DuckDBPyConnection, names: Sequence[str]) -> set[int]:
    """Return the numbers of intakes that rows of some tables bear, as begun or as ended."""
    parts = (
        f"select distinct {column} from all_{name}" for name in names for column in (INTAKE, UNTIL)
    )
    return {row[0] for row in connection.execute(" union ".join(parts)).fetchall()} - {None}


def literal(text: str) -> str:
    """Return a text as it stands in SQL."""
    return "'" + text.replace("'", "''") + "'"


def quoted(name: str) -> str:
    """Return a column's name as it stands in SQL."""
    return '"' + name.replace('"', '""') + '"'


def same(left: str, right: str, columns: Sequence[str]) -> str:
    """Return the SQL condition that two rows agree in some columns, nothing being like nothing."""
    pairs = (f"{left}.{quoted(c)} is not distinct from {right}.{quoted(c)}" for c in columns)
    return " and ".join(pairs)


def short(error: Exception) -> str:
    """Return the first line of a library's message, without its end, or the system's words."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    # The rest of a message of several lines shows the query, which is no news to the crew.
    first = re.sub(r"\s+", " ", str(error).strip().split("\n", 1)[0]).rstrip(".")
    return first if len(first) <= 160 else first[:157] + "..."


def empty_snapshot() -> Snapshot:
    """Return a store that holds nothing, to check a file against before any store is made."""
    return Snapshot("empty", dict.fromkeys((*KINDS, "intakes"), ()))
