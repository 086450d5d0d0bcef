"""What is new in a file, what corrects a stored row, what is known already, and what clashes?

A file that has been read is set against what is stored, in the database that also reads the
store, so that neither has to fit in memory.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import duckdb
import numpy as np
import numpy.typing as npt
import pyarrow as pa

from analysis.intake import ParsedLog
from analysis.line_checks import Problem
from analysis.log_format import LINE, MOST_BINS, UNTIL, LogKind, content_schema, stored_schema
from analysis.snapshot import (
    NO_ROWS,
    Account,
    Snapshot,
    connect,
    literal,
    quoted,
    reading_store,
    rows_of,
    same,
    view_all,
)

IntArray = npt.NDArray[np.int64]

#: Memory that the comparison of a file that went to disk may take, beyond which it works on disk.
_MEMORY = "200MB"


@dataclass(frozen=True)
class FileAccount:
    """What became of the lines of one file.

    Attributes
    ----------
    lines : int
        ``added`` + ``corrected`` + ``known`` + ``rejected``, always.
    added, corrected, known, rejected : int
        Lines by what became of them.
    rows_added, rows_corrected : int
        Rows stored of them; a line for several bins gives several.
    intake : int or None
        The number under which they are stored, by which they can be taken back; None where nothing
        was stored.
    """

    lines: int
    added: int
    corrected: int
    known: int
    rejected: int
    rows_added: int
    rows_corrected: int
    intake: int | None = None


@dataclass(frozen=True)
class Comparison:
    """A parsed file set against what is stored.

    Attributes
    ----------
    account : Account
        What becomes of each line.
    known : int array
        Rows of the file that are not to be written, as numbered by `row_ids`, sorted.
    touched : pyarrow.Table
        Keys of the stored rows that the corrections replace.
    gained : Account
        What the new rows bring to a run log; only to be counted where there is no correction.
    """

    account: FileAccount
    known: IntArray
    touched: pa.Table
    gained: Account

    @property
    def writes(self) -> int:
        """Rows to write: new ones and corrections."""
        return self.account.rows_added + self.account.rows_corrected


def row_ids(rows: pa.Table) -> IntArray:
    """Return a number for each row that stays the same when other lines are taken out."""
    lines: IntArray = rows[LINE].to_numpy()
    if "bin" not in rows.column_names:
        return lines
    bins = rows["bin"].fill_null(0).to_numpy().astype(np.int64)
    ids: IntArray = lines * (MOST_BINS + 1) + bins
    return ids


def compare(parsed: ParsedLog, snapshot: Snapshot) -> Comparison:
    """Set a parsed file against what is stored.

    Lines that clash with each other or with stored rows are turned into rejected lines of
    ``parsed``; the rest is new, a correction, or already known.

    Parameters
    ----------
    parsed : ParsedLog
        Changed in place where lines clash.
    snapshot : Snapshot
        What is stored; only the file's own table is looked at.

    Raises
    ------
    analysis.texts.NotALogError
        When lines clash and the file has changed since it was read.
    """
    kind = parsed.kind
    with reading_store(), connect() as connection:
        if parsed.rows.path is not None:
            scratch = literal(os.fspath(parsed.scratch.folder()))
            connection.execute(f"set temp_directory = {scratch}")
            connection.execute(f"set memory_limit = '{_MEMORY}'")
            connection.execute("set preserve_insertion_order = false")
        view_all(connection, kind.name, snapshot.files[kind.name], stored_schema(kind))
        _offer(connection, parsed)
        refused = _refuse(connection, parsed, _find_repeats(connection, kind))
        if snapshot.files[kind.name]:
            _find_stored(connection, kind)
            if _refuse(connection, parsed, _other_starts(connection, kind)):
                refused = True
                connection.execute("delete from met where other_start")
        else:
            connection.execute("create temp table near as select * from offered limit 0")
            connection.execute("create temp table met (row_ bigint, line_ bigint, same boolean)")
        if refused:
            # A copy of a row whose line was refused is a copy no more.
            _find_repeats(connection, kind)
        connection.execute(
            """create temp table states as
            select row_, line_, false as corrected from copies
            union all select row_, line_, not same from met anti join copies using (row_)"""
        )
        return _accounted(connection, parsed)


def _one(connection: duckdb.DuckDBPyConnection, query: str) -> tuple[int, ...]:
    # All of a result is fetched always: a connection with rows still to come does nothing else.
    found: tuple[int, ...] = connection.execute(query).fetchall()[0]
    return found


def _offer(connection: duckdb.DuckDBPyConnection, parsed: ParsedLog) -> None:
    """Show the accepted rows as ``offered``, each with its number ``row_``."""
    if parsed.rows.path is None:
        connection.register("accepted", parsed.rows.table())
        source = "accepted"
    else:
        source = rows_of([os.fspath(parsed.rows.path)])
    has_bin = "bin" in parsed.rows.schema.names
    number = f"{LINE} * {MOST_BINS + 1} + coalesce(bin, 0)" if has_bin else LINE
    without = ""
    if parsed.rows.path is not None and len(parsed.rows.gone):
        connection.register("gone", pa.table({LINE: parsed.rows.gone}))
        without = f"where {LINE} not in (select {LINE} from gone)"
    connection.execute(
        f"create or replace temp view offered as select *, {number} as row_ from {source} {without}"
    )


def _refuse(
    connection: duckdb.DuckDBPyConnection, parsed: ParsedLog, problems: Iterator[Problem]
) -> bool:
    """Refuse lines of the file and show it without them; tell whether there were any."""
    before = len(parsed.rejected)
    parsed.refuse(problems)
    if len(parsed.rejected) == before:
        return False
    _offer(connection, parsed)
    return True


def _listed(columns: Sequence[str], table: str = "") -> str:
    return ", ".join((f"{table}." if table else "") + quoted(c) for c in columns)


def _find_repeats(connection: duckdb.DuckDBPyConnection, kind: LogKind) -> Iterator[Problem]:
    """Find rows that stand more than once in the file.

    Fills ``copies`` with later copies of the same content; returns the problems of lines whose
    content differs.
    """
    key = _listed(kind.key)
    # Numbers are grouped in half the time that texts are; two keys of one number are told apart
    # in the next step.
    connection.execute(
        f"""create or replace temp table repeated as
        select hash({key}) as number from offered group by 1 having count(*) > 1"""
    )
    connection.execute(
        f"""create or replace temp table held as
        select *, dense_rank() over (order by {key}) as place from offered
        where hash({key}) in (select number from repeated)"""
    )
    content = _listed(content_schema(kind).names)
    connection.execute(
        f"""create or replace temp table versions as
        select place, {LINE} as line_, row_,
            row_number() over (partition by place, {content} order by row_) as copy,
            count(*) over (partition by place, {content}) as alike,
            count(*) over (partition by place) as of_key
        from held"""
    )
    connection.execute(
        """create or replace temp table copies as
        select row_, line_ from versions where alike = of_key and copy > 1"""
    )
    if not _one(connection, "select count(*) from versions where alike < of_key")[0]:
        return iter(())
    connection.execute(
        """create or replace temp table clashing as
        select place, line_ from versions where alike < of_key group by all"""
    )
    return _clashes(connection, kind)


def _clashes(connection: duckdb.DuckDBPyConnection, kind: LogKind) -> Iterator[Problem]:
    column = kind.key[0] if kind.name != "runs" else "run"
    found = connection.sql(
        """with shown as (
            select place, list(line_ order by line_)[:5] as first, count(*) as all_
            from clashing group by place)
        select line_, first, all_ from clashing join shown using (place) order by line_, place"""
    ).to_arrow_reader(10_000)
    for batch in found:
        for line, first, count in zip(*(c.to_pylist() for c in batch.columns), strict=True):
            shown = ", ".join(map(str, first))
            more = f" and {count - len(first)} more" if count > len(first) else ""
            yield Problem(
                line,
                column,
                f"lines {shown}{more} are for the same {_called(kind)} but differ; "
                f"keep the right one{_second_stretch(kind)}",
            )


def _called(kind: LogKind) -> str:
    if kind.name == "services":
        return "service"
    return ", ".join(kind.key[:-1]) + f" and {kind.key[-1]}" if len(kind.key) > 1 else kind.key[0]


def _second_stretch(kind: LogKind) -> str:
    return ", or give a second stretch its number" if kind.name == "runs" else ""


def _find_stored(connection: duckdb.DuckDBPyConnection, kind: LogKind) -> None:
    """Fill ``near`` with stored rows of the same runs, and ``met`` with offered rows among them."""
    current = f"(select * from all_{kind.name} where {UNTIL} is null)"
    near = ("tower", "run") if kind.name == "runs" else kind.key
    # Few columns are read first: most files hold no run that is stored, and then this is all.
    connection.execute(
        f"""create temp table near as select {_listed(kind.key, "e")} from {current} e
        semi join (select distinct {_listed(near)} from offered) o on {same("e", "o", near)}"""
    )
    connection.execute(
        f"""create temp table met_rows as select o.row_ from offered o
        semi join near e on {same("o", "e", kind.key)}"""
    )
    content = [name for name in content_schema(kind).names if name not in kind.key]
    runs = kind.name == "runs"
    connection.execute(
        f"""create temp table met as
        select o.row_, o.{LINE} as line_, {same("o", "e", content)} as same,
            {"o.started <> e.started" if runs else "false"} as other_start,
            {"make_timestamp(epoch_us(e.started))" if runs else "null"} as started_
        from (select * from offered semi join met_rows using (row_)) o
        join {current} e on {same("o", "e", kind.key)}"""
        if _one(connection, "select count(*) from met_rows")[0]
        else """create temp table met
        (row_ bigint, line_ bigint, same boolean, other_start boolean, started_ timestamp)"""
    )


def _other_starts(connection: duckdb.DuckDBPyConnection, kind: LogKind) -> Iterator[Problem]:
    found = connection.sql(
        """select line_, strftime(first(started_ order by row_), '%Y-%m-%dT%H:%M')
        from met where other_start group by line_ order by line_"""
        if kind.name == "runs"
        else "select line_, '' from met where false"
    ).to_arrow_reader(10_000)
    for batch in found:
        for line, started in zip(*(c.to_pylist() for c in batch.columns), strict=True):
            yield Problem(
                line,
                "started",
                f"this run, stretch and bin are stored with started {started}; "
                "a second stretch? give it stretch 2",
            )


def _accounted(connection: duckdb.DuckDBPyConnection, parsed: ParsedLog) -> Comparison:
    kind = parsed.kind
    # A line for several bins is corrected where any of its rows is, and known where all are.
    corrected, known = _one(
        connection,
        f"""with met_lines as (
            select line_, count(*) as rows, bool_or(corrected) as corrected from states group by 1
        ), whole as (
            select {LINE} as line_, count(*) as rows from offered
            where {LINE} in (select line_ from met_lines) group by 1
        )
        select count(*) filter (m.corrected),
            count(*) filter (not m.corrected and m.rows = w.rows)
        from met_lines m join whole w using (line_)""",
    )
    states, rows_corrected = _one(
        connection, "select count(*), count(*) filter (corrected) from states"
    )
    rejected = len(parsed.rejected)
    account = FileAccount(
        lines=parsed.lines,
        added=parsed.lines - rejected - corrected - known,
        corrected=corrected,
        known=known,
        rejected=rejected,
        rows_added=parsed.rows.num_rows - states,
        rows_corrected=rows_corrected,
    )
    written = account.rows_added + rows_corrected
    ids = "select row_ from states where not corrected order by row_"
    keys = f"""select {_listed(kind.key)} from offered
        where row_ in (select row_ from states where corrected)"""
    return Comparison(
        account,
        connection.sql(ids).to_arrow_table()["row_"].to_numpy()
        if written
        else np.array([], np.int64),
        connection.sql(keys).to_arrow_table(),
        _gained(connection, kind),
    )


def _gained(connection: duckdb.DuckDBPyConnection, kind: LogKind) -> Account:
    """Count what the new rows of a run log bring."""
    if kind.name != "runs":
        return NO_ROWS
    wall = "make_timestamp(epoch_us(started))"
    rows, feeds, first, last = connection.execute(
        f"""select count(*), coalesce(sum(cycles), 0)::bigint, min({wall}), max({wall})
        from offered anti join states using (row_)"""
    ).fetchall()[0]
    (runs,) = _one(
        connection,
        """select count(*) from (
            select distinct tower, run from offered anti join states using (row_)
            except select tower, run from near)""",
    )
    return Account(rows, runs, feeds, first, last)
