"""How do rows get into a table, and under which number?

Every intake has a line of its own, written first, and a number; its rows, and those that it
replaces, are one commit that carries the number as well. So no two processes take the same number,
and a commit that another has overtaken is refused.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
from deltalake import CommitProperties, DeltaTable, Transaction, write_deltalake
from deltalake.exceptions import CommitFailedError, DeltaError

from analysis.comparing import Comparison, row_ids
from analysis.intake import ParsedLog
from analysis.log_format import INTAKE, INTAKES_SCHEMA, ORIGIN, UNTIL, LogKind, stored_schema
from analysis.snapshot import connect, data_files, literal, reading_store, rows_of, same
from analysis.upkeep import ZSTD

_APP = "feedtally"
#: Rows worked on at once, and handed to the writer at once: it keeps many of the latter in memory
#: (1.1 GB at 131,072 rows, 0.5 GB at 8,192).
BATCH = 1 << 16
_HANDED = 1 << 13
#: More runs than this are not named one by one when they are rewritten.
_MOST_NAMED = 2_000

Rows = Iterable[pa.RecordBatch]


@dataclass(frozen=True)
class Entry:
    """The line of an intake.

    Attributes
    ----------
    kind, file : str
        Of the log, and the name of its file.
    undoes : int or None
        The intake that it takes back, where it is an undo.
    """

    kind: str
    file: str
    undoes: int | None


def state_of(table: DeltaTable) -> str:
    """Name what a table holds: a number alone may be another's after a copy was put back."""
    files = sorted(Path(uri).name for uri in table.file_uris())
    digest = hashlib.sha256("".join(files).encode()).hexdigest()
    return f"{table.version()}-{digest[:16]}"


def last_number(intakes: DeltaTable) -> int:
    """Return the number of the last intake, from the table's own log; 0 for none."""
    largest = pa.table(intakes.get_add_actions(flatten=True))
    held = largest["max.intake"].to_pylist() if "max.intake" in largest.column_names else []
    # The mark of the last commit knows it even where the list itself was damaged.
    numbers = [intakes.transaction_version(_APP) or 0, *(n for n in held if n is not None)]
    return int(max(numbers))


def entries(intakes: DeltaTable) -> dict[int, Entry]:
    """Return the lines of all intakes by their numbers."""
    files = data_files(intakes)
    if not files:
        return {}
    with reading_store(), connect() as connection:
        found = connection.execute(
            f"select intake, kind, file, undoes from {rows_of(files)}"
        ).fetchall()
    return {number: Entry(*rest) for number, *rest in found}


def _marked(number: int) -> CommitProperties:
    return CommitProperties(app_transactions=[Transaction(_APP, number)])


def enter(
    intakes: DeltaTable,
    entry: Entry,
    *,
    digest: str,
    account: Mapping[str, object],
    zone: str,
) -> int:
    """Write an intake's own line, and return its number; a number without rows does no harm.

    Parameters
    ----------
    intakes : DeltaTable
        The table of intakes.
    entry : Entry
        What it is.
    digest : str
        SHA-256 of the file, in hexadecimal; nothing for an undo.
    account : mapping of str to number
        What became of its lines; what is None is left out.
    zone : str
        In which times without an offset were taken to be.

    Raises
    ------
    CommitFailedError
        When another process took the number meanwhile.
    OSError, DeltaError
        When it cannot be written.
    """
    number = last_number(intakes) + 1
    line = {
        "intake": [number],
        "kind": [entry.kind],
        "file": [entry.file],
        "sha256": [digest],
        "taken_at": [dt.datetime.now(dt.UTC)],
        "account": [json.dumps({k: v for k, v in account.items() if v is not None})],
        "zone": [zone],
        "undoes": [entry.undoes],
    }
    # Marked as well, so that no two processes can take the same number.
    write_deltalake(
        intakes,
        pa.table(line, schema=INTAKES_SCHEMA),
        mode="append",
        commit_properties=_marked(number),
        writer_properties=ZSTD,
    )
    return number


def write_rows(
    table: DeltaTable, kind: LogKind, number: int, rows: Rows, predicate: str | None
) -> None:
    """Commit rows under an intake's number, in place of those that a predicate names.

    Parameters
    ----------
    table : DeltaTable
        The handle that was read: a commit of anybody else's since then is found out.
    kind : LogKind
        Of the table.
    number : int
        As `enter` gave it.
    rows : iterable of pyarrow.RecordBatch
        By the schema of the kind.
    predicate : str or None
        None: nothing is replaced.

    Raises
    ------
    CommitFailedError
        When another process committed meanwhile; nothing is written then.
    OSError, DeltaError
        When it cannot be written.
    """
    # A fresh handle does not refuse a number that was committed before, so ask.
    if (table.transaction_version(_APP) or 0) >= number:
        raise CommitFailedError("a later intake was committed")
    reader = pa.RecordBatchReader.from_batches(stored_schema(kind), rows)
    if predicate is None:
        write_deltalake(
            table,
            reader,
            mode="append",
            commit_properties=_marked(number),
            writer_properties=ZSTD,
        )
        return
    write_deltalake(
        table,
        reader,
        mode="overwrite",
        predicate=predicate,
        commit_properties=_marked(number),
        writer_properties=ZSTD,
    )


def new_rows(parsed: ParsedLog, compared: Comparison, number: int) -> Rows:
    """Yield the rows of a file that are not known yet, as a table holds them."""
    schema = stored_schema(parsed.kind)
    for table in parsed.rows.tables():
        for batch in table.to_batches(max_chunksize=BATCH):
            part = pa.Table.from_batches([batch])
            if len(compared.known):
                part = part.filter(pa.array(~np.isin(row_ids(part), compared.known)))
            size = part.num_rows
            part = part.append_column(schema.field(INTAKE), pa.array([number] * size, pa.int64()))
            for name in (UNTIL, ORIGIN):
                part = part.append_column(schema.field(name), pa.nulls(size, pa.int64()))
            yield from part.cast(schema).to_batches(max_chunksize=_HANDED)


def cast(batches: Rows, schema: pa.Schema) -> Rows:
    """Yield rows by a schema, in batches as the writer takes them."""
    for batch in batches:
        yield from pa.Table.from_batches([batch]).cast(schema).to_batches(max_chunksize=_HANDED)


def kept_rows(
    connection: duckdb.DuckDBPyConnection, kind: LogKind, touched: pa.Table, number: int
) -> tuple[Rows, str]:
    """Return what is written again when rows are replaced, and what names all of that.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the rows of the table as ``all_`` and its name.
    kind : LogKind
        Of the table.
    touched : pyarrow.Table
        Keys of the rows that are replaced: these come back closed, what stands beside them as it
        stood.
    number : int
        Of the intake that replaces them.
    """
    connection.register("touched", touched)
    which = _which(kind, touched)
    replaced = f"exists (select 1 from touched t where {same('a', 't', kind.key)})"
    kept = connection.sql(
        f"""select a.* replace (
            case when a.{UNTIL} is null and {replaced} then {number} else a.{UNTIL} end
            as {UNTIL})
        from (select * from all_{kind.name} where {which}) a"""
    ).to_arrow_reader(BATCH)
    # The new rows are written in the same commit, whatever their run.
    return cast(kept, stored_schema(kind)), f"{INTAKE} = {number} or {which}"


def _which(kind: LogKind, touched: pa.Table) -> str:
    """Return what names the rows that are rewritten: whole runs, or the whole of a list."""
    if kind.name != "runs":
        return "true"
    pairs = touched.select(["tower", "run"]).group_by(["tower", "run"]).aggregate([]).to_pylist()
    by_tower: dict[str, list[str]] = {}
    for pair in pairs:
        by_tower.setdefault(pair["tower"], []).append(literal(pair["run"]))
    if len(pairs) > _MOST_NAMED:
        return f"tower in ({', '.join(map(literal, sorted(by_tower)))})"
    return " or ".join(
        f"(tower = {literal(tower)} and run in ({', '.join(sorted(names))}))"
        for tower, names in sorted(by_tower.items())
    )


@contextmanager
def in_a_sentence() -> Iterator[None]:
    """Hold back what a library's threads print when a write fails, which we say in a sentence."""
    try:
        said = tempfile.TemporaryFile()
        kept = os.dup(2)
    except OSError:
        # No standard error at all, as in a program without a terminal, or nowhere to hold it.
        yield
        return
    with said:
        os.dup2(said.fileno(), 2)
        failed = False
        try:
            yield
        except (OSError, DeltaError):
            failed = True
            raise
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            said.seek(0)
            if not failed:
                with contextlib.suppress(OSError):
                    os.write(2, said.read())
