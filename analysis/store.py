"""The crew's memory: every row ever taken in, which intake wrote it, and which one replaced it.

A store is a folder with one Delta table for each kind of file and one of intakes. A table holds
current and past rows: ``intake`` is the number of the intake that wrote a row, ``until`` the number
of the one that replaced it, null while the row stands. Taking a file in is one commit to one
table, so a file is stored whole or not at all.

Correctness rests on that commit: it is refused when another process has written in between, and
is then worked out anew. The file lock only keeps such races from being common; folders on a
network may not honour it.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
from deltalake import CommitProperties, DeltaTable, Transaction, WriterProperties, write_deltalake
from deltalake.exceptions import CommitFailedError, DeltaError
from filelock import FileLock

from analysis.intake import ParsedLog, Problem
from analysis.log_format import (
    INTAKE,
    KINDS,
    LINE,
    MOST_BINS,
    UNTIL,
    LogKind,
    content_schema,
    stored_schema,
)

#: Version of the store's layout; a store of a newer one is refused.
STORE_FORMAT = 1

BoolArray = npt.NDArray[np.bool_]

_APP = "feedtally"
_MARK = "store.json"
#: What may stand in the folder before the mark is written.
_OWN = {".lock", "rejects", "intakes", *KINDS, _MARK, _MARK + ".part"}
_TRIES = 20
_ZSTD = WriterProperties(compression="ZSTD")

_INTAKES = pa.schema(
    [
        ("intake", pa.int64()),
        ("kind", pa.string()),
        ("file", pa.string()),
        ("sha256", pa.string()),
        ("taken_at", pa.timestamp("us", "UTC")),
        ("account", pa.string()),
    ]
)


class StoreError(Exception):
    """The store is missing, damaged or of another format; the message says what to do."""


class DamagedStoreError(StoreError):
    """A store is there, but a part of it is gone or cannot be read."""


@dataclass(frozen=True)
class Account:
    """What became of the lines of one file.

    ``lines`` = ``added`` + ``corrected`` + ``known`` + ``rejected``, always. ``rows_added`` counts
    rows, of which a line for several bins gives several.
    """

    lines: int
    added: int
    corrected: int
    known: int
    rejected: int
    rows_added: int
    rows_corrected: int


_NEW, _CORRECTED, _KNOWN = 0, 1, 2


@dataclass(frozen=True)
class Snapshot:
    """The files that make up a store at one moment; safe to read while others write.

    Attributes
    ----------
    version : str
        Changes with every change of the store; results may be kept under it.
    files : mapping of str to tuple of str
        Parquet files of each table.
    intake : int or None
        The last intake that counts, where the store is asked as it stood then; None: all of them.
    """

    version: str
    files: Mapping[str, tuple[str, ...]]
    intake: int | None = None

    def connect(self, towers: Sequence[str] | None = None) -> duckdb.DuckDBPyConnection:
        """Return a DuckDB connection with a view for each table, named as the table is.

        The views hold the rows that stand, without the column ``until``; all rows, past ones
        included, are in ``all_runs`` and so on.

        Parameters
        ----------
        towers : sequence of str, optional
            Rows of the run log of these towers only: one worker's share of a scan.
        """
        connection = _connect()
        stands = f"{UNTIL} is null"
        if self.intake is not None:
            stands = f"{INTAKE} <= {self.intake} and ({stands} or {UNTIL} > {self.intake})"
        for name, kind in KINDS.items():
            with reading_store():
                _view(connection, name, self.files[name], kind)
            share = ""
            if name == "runs" and towers is not None:
                share = f" and tower in ({', '.join(map(_literal, towers)) or 'null'})"
            connection.execute(
                f"create view {name} as select * exclude ({UNTIL}) from all_{name} "
                f"where ({stands}){share}"
            )
        return connection


def _connect() -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect()
    # With this step on, DuckDB 2.0 takes the left side of a join onto an empty table for empty as
    # well, and packs its sums into a byte: 10,000 feeds came out as 16.
    connection.execute("set disabled_optimizers = 'statistics_propagation'")
    return connection


@contextmanager
def reading_store() -> Iterator[None]:
    """Turn a file of the store that is gone or damaged into a DamagedStoreError."""
    try:
        yield
    except (duckdb.IOException, duckdb.InvalidInputException) as error:
        raise DamagedStoreError(
            f"a file of the store cannot be read ({_short(error)}); restore the store from a copy"
        ) from None


def _view(
    connection: duckdb.DuckDBPyConnection, name: str, files: Sequence[str], kind: LogKind
) -> None:
    """Create the view ``all_<name>`` over a table's files, past rows included."""
    if files:
        listed = ", ".join("'" + file.replace("'", "''") + "'" for file in files)
        connection.execute(f"create view all_{name} as select * from read_parquet([{listed}])")
    else:
        # A table, since what is registered is not seen by the connection's other cursors.
        connection.register("nothing", stored_schema(kind).empty_table())
        connection.execute(f"create table all_{name} as from nothing")
        connection.unregister("nothing")


@dataclass(frozen=True)
class Comparison:
    """A parsed file set against what is stored.

    Attributes
    ----------
    account : Account
        What becomes of each line.
    new_rows : pyarrow.Table
        Rows to write: new ones and corrections.
    touched : pyarrow.Table
        Keys of the stored rows that the corrections replace.
    """

    account: Account
    new_rows: pa.Table
    touched: pa.Table


def is_store(folder: Path) -> bool:
    """Tell whether a folder holds a store; StoreError where the folder cannot be looked at."""
    try:
        return (folder / _MARK).exists()
    except OSError as error:
        raise StoreError(
            f"the folder of the store cannot be looked at ({error.strerror or error}); name "
            "another --store"
        ) from None


class Store:
    """A folder of run, stock, service and tower logs.

    Parameters
    ----------
    folder : Path
        Where the store is.
    create : bool
        Make it when it is not there; otherwise that is a `StoreError`.

    Raises
    ------
    StoreError
        When there is no store, or one that this version cannot read; a `DamagedStoreError` when
        a part of it is gone.
    """

    def __init__(self, folder: Path, *, create: bool = False) -> None:
        self.folder = folder
        mark = folder / _MARK
        if not is_store(folder):
            if not create:
                raise StoreError(
                    f"there is no store in {folder}; make one with: feedtally add FILE "
                    f"--store {folder}"
                )
            self._create()
        try:
            held = json.loads(mark.read_text("utf-8"))["format"]
        except (OSError, ValueError, KeyError, TypeError):
            raise DamagedStoreError(
                f"{mark} is damaged, so the store's format is unknown; restore it from a copy"
            ) from None
        if held != STORE_FORMAT:
            raise StoreError(
                f"the store in {folder} has format {held} and this feedtally reads format "
                f"{STORE_FORMAT}; update feedtally"
            )

    def _create(self) -> None:
        if self.folder.exists() and not self.folder.is_dir():
            raise StoreError(f"{self.folder} is a file; name a folder for the store")
        if self.folder.is_dir() and any(entry.name not in _OWN for entry in self.folder.iterdir()):
            raise StoreError(
                f"{self.folder} holds other files and no store; name an empty or a new folder"
            )
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with self._lock():
                if is_store(self.folder):
                    return
                for name, kind in KINDS.items():
                    DeltaTable.create(self._path(name), stored_schema(kind), mode="ignore")
                DeltaTable.create(self._path("intakes"), _INTAKES, mode="ignore")
                # The mark comes last: a folder that has it is a whole store.
                partial = self.folder / (_MARK + ".part")
                partial.write_text(json.dumps({"format": STORE_FORMAT}) + "\n", "utf-8")
                partial.replace(self.folder / _MARK)
        except (OSError, DeltaError) as error:
            raise StoreError(
                f"cannot make a store in {self.folder} ({_short(error)}); name a folder that may "
                "be written to"
            ) from None

    def _path(self, name: str) -> str:
        return str(self.folder / name)

    @contextmanager
    def _lock(self) -> Iterator[None]:
        lock = FileLock(self.folder / ".lock")
        try:
            lock.acquire()
        except (OSError, NotImplementedError) as error:
            raise StoreError(
                f"the store in {self.folder} cannot be locked ({_short(error)}); see that the "
                "folder may be written to"
            ) from None
        try:
            yield
        finally:
            lock.release()

    def _table(self, name: str) -> DeltaTable:
        try:
            return DeltaTable(self._path(name))
        except (OSError, DeltaError) as error:
            raise DamagedStoreError(
                f"the table {name} of the store in {self.folder} cannot be read "
                f"({_short(error)}); restore it from a copy"
            ) from None

    def snapshot(self, as_of: dt.datetime | None = None) -> Snapshot:
        """Return what is stored now, or what was stored at a moment.

        Parameters
        ----------
        as_of : datetime, optional
            A moment with its zone; later intakes do not count.
        """
        files: dict[str, tuple[str, ...]] = {}
        versions: list[str] = []
        last = self._last_intake(as_of) if as_of is not None else None
        for name in KINDS:
            table = self._table(name)
            files[name] = tuple(table.file_uris())
            versions.append(str(table.version()))
        if last is not None:
            versions.append(f"as-of-{last}")
        return Snapshot(".".join(versions), files, last)

    def _last_intake(self, as_of: dt.datetime | None = None) -> int:
        """Return the number of the last intake, or of the last one up to a moment; 0 for none."""
        files = self._table("intakes").file_uris()
        if not files:
            return 0
        query = "select max(intake) from read_parquet(?)"
        values: list[object] = [files]
        if as_of is not None:
            query += " where epoch_us(taken_at) <= ?"
            values.append(int(as_of.timestamp() * 1_000_000))
        with reading_store(), _connect() as connection:
            return int(connection.execute(query, values).fetchall()[0][0] or 0)

    def tower_bins(self) -> dict[str, int]:
        """Return the bins of each tower that the tower list names."""
        with reading_store(), self.snapshot().connect() as connection:
            rows = connection.execute(
                "select tower, bins from towers where bins is not null"
            ).fetchall()
        return dict(rows)

    def preview(self, parsed: ParsedLog) -> Account:
        """Say what `add` would do with a parsed file; refuses lines in it, stores nothing."""
        return compare(parsed, self.snapshot()).account

    def add(self, parsed: ParsedLog, before_commit: Callable[[], None] | None = None) -> Account:
        """Take a parsed file in.

        Parameters
        ----------
        parsed : ParsedLog
            As read by `analysis.intake.read_log`. Lines that clash with what is stored become
            rejected ones.
        before_commit : callable, optional
            Called whenever the account is worked out, before anything is stored; writes the
            rejects file, so that no line is lost whatever fails after it.

        Returns
        -------
        Account
            What became of each line.

        Raises
        ------
        StoreError
            When the store cannot be written; it is then as it was.
        """
        for _ in range(_TRIES):
            with self._lock():
                # The table is opened before it is compared with, and that very handle commits: a
                # commit of anybody else's in between carries the same mark and is found out then,
                # even where a lock is not honoured.
                table = self._table(parsed.kind.name)
                stored = {**empty_snapshot().files, parsed.kind.name: tuple(table.file_uris())}
                compared = compare(parsed, Snapshot("", stored))
                if before_commit is not None:
                    before_commit()
                if not compared.new_rows.num_rows:
                    return compared.account
                try:
                    self._commit(table, parsed, compared)
                    return compared.account
                except CommitFailedError:
                    # Somebody wrote in between: what is known, new or corrected may have changed.
                    continue
                except (OSError, DeltaError) as error:
                    raise StoreError(
                        f"the store in {self.folder} could not be written ({_short(error)}); "
                        "nothing of this file was stored"
                    ) from None
        raise StoreError(
            f"others kept writing to the store in {self.folder}; nothing of {parsed.name} was "
            "stored; add it again"
        )

    def _commit(self, table: DeltaTable, parsed: ParsedLog, compared: Comparison) -> None:
        number = self._next_intake(parsed, compared.account)
        # A fresh handle does not refuse a number that was committed before, so ask.
        if (table.transaction_version(_APP) or 0) >= number:
            raise CommitFailedError("a later intake was committed")
        marked = CommitProperties(app_transactions=[Transaction(_APP, number)])
        rows = _written(compared.new_rows, parsed.kind, number)
        if not compared.touched.num_rows:
            write_deltalake(
                table,
                rows,
                mode="append",
                commit_properties=marked,
                writer_properties=_ZSTD,
            )
            return
        kept, predicate = self._rewrite(table, parsed.kind, compared, number)
        write_deltalake(
            table,
            pa.concat_tables([kept, rows]),
            mode="overwrite",
            predicate=predicate,
            commit_properties=marked,
            writer_properties=_ZSTD,
        )

    def _next_intake(self, parsed: ParsedLog, account: Account) -> int:
        """Write the intake's own line first: a number without rows does no harm."""
        table = self._table("intakes")
        number = self._last_intake() + 1
        entry = {
            "intake": [number],
            "kind": [parsed.kind.name],
            "file": [parsed.name],
            "sha256": [parsed.sha256],
            "taken_at": [dt.datetime.now(dt.UTC)],
            "account": [json.dumps(account.__dict__)],
        }
        # Marked as well, so that no two processes can take the same number.
        write_deltalake(
            table,
            pa.table(entry, schema=_INTAKES),
            mode="append",
            commit_properties=CommitProperties(app_transactions=[Transaction(_APP, number)]),
            writer_properties=_ZSTD,
        )
        return number

    def _rewrite(
        self, table: DeltaTable, kind: LogKind, compared: Comparison, number: int
    ) -> tuple[pa.Table, str | None]:
        """Return rows to write back with the replaced ones closed, and the rows they stand for.

        Runs are rewritten whole: all rows, past and current, of each run with a correction. The
        lists are small and are rewritten as a whole.
        """
        with reading_store(), _connect() as connection:
            _view(connection, kind.name, table.file_uris(), kind)
            connection.register("touched", compared.touched)
            where, predicate = "", None
            if kind.name == "runs":
                runs = compared.touched.select(["tower", "run"]).group_by(["tower", "run"])
                by_tower: dict[str, list[str]] = {}
                for pair in runs.aggregate([]).to_pylist():
                    by_tower.setdefault(pair["tower"], []).append(_literal(pair["run"]))
                predicate = " or ".join(
                    f"(tower = {_literal(tower)} and run in ({', '.join(sorted(names))}))"
                    for tower, names in sorted(by_tower.items())
                )
                where = f"where {predicate}"
                # The new rows of this file are written in the same commit, whatever their run.
                predicate = f"intake = {number} or {predicate}"
            replaced = f"exists (select 1 from touched t where {_same('a', 't', kind.key)})"
            query = f"""
                select a.* replace (
                    case when a.{UNTIL} is null and {replaced} then {number} else a.{UNTIL} end
                    as {UNTIL})
                from (select * from all_{kind.name} {where}) a
            """
            kept = connection.sql(query).to_arrow_table().cast(stored_schema(kind))
        return kept, predicate


def _written(rows: pa.Table, kind: LogKind, number: int) -> pa.Table:
    size = rows.num_rows
    schema = stored_schema(kind)
    rows = rows.append_column(schema.field(INTAKE), pa.array([number] * size, pa.int64()))
    return rows.append_column(schema.field(UNTIL), pa.nulls(size, pa.int64())).cast(schema)


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _q(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _short(error: Exception) -> str:
    # The rest of a message of several lines shows the query, which is no news to the crew.
    first = re.sub(r"\s+", " ", str(error).strip().split("\n", 1)[0]).rstrip(".")
    return first if len(first) <= 160 else first[:157] + "..."


def empty_snapshot() -> Snapshot:
    """Return a store that holds nothing, to check a file against before any store is made."""
    return Snapshot("empty", {name: () for name in KINDS})


def compare(parsed: ParsedLog, snapshot: Snapshot) -> Comparison:
    """Set a parsed file against what is stored.

    Lines that clash with each other or with stored rows are turned into rejected lines of
    ``parsed``; the rest is new, a correction, or already known.

    Parameters
    ----------
    parsed : ParsedLog
        Changed in place where lines clash.
    snapshot : Snapshot
        What is stored.
    """
    kind = parsed.kind
    with reading_store(), _connect() as connection:
        copies, clashes = _repeats(connection, parsed)
        refused = bool(clashes)
        parsed.refuse(clashes)
        state = np.full(parsed.rows.num_rows, _NEW, np.int8)
        if parsed.rows.num_rows and snapshot.files[kind.name]:
            _view(connection, kind.name, snapshot.files[kind.name], kind)
            state, clashes = _stored(connection, parsed)
            if clashes:
                refused = True
                state = state[~np.isin(parsed.rows[LINE].to_numpy(), sorted(clashes))]
                parsed.refuse(clashes)
        if refused:
            # A copy of a row whose line was refused is a copy no more.
            copies, _ = _repeats(connection, parsed)
        state[np.isin(_row_ids(parsed.rows), copies)] = _KNOWN
    lines = parsed.rows[LINE].to_numpy()
    _, first = np.unique(lines, return_inverse=True)
    accepted = int(first.max()) + 1 if len(first) else 0

    def lines_with(which: int) -> BoolArray:
        return np.bincount(first[state == which], minlength=accepted) > 0

    corrected = lines_with(_CORRECTED)
    added = lines_with(_NEW) & ~corrected
    account = Account(
        lines=parsed.lines,
        added=int(added.sum()),
        corrected=int(corrected.sum()),
        known=accepted - int(added.sum()) - int(corrected.sum()),
        rejected=len(parsed.rejected),
        rows_added=int((state == _NEW).sum()),
        rows_corrected=int((state == _CORRECTED).sum()),
    )
    touched = parsed.rows.select(list(kind.key)).filter(pa.array(state == _CORRECTED))
    # Most files are new as a whole, and filtering all of their columns would cost a second a
    # million rows.
    known = state == _KNOWN
    new_rows = parsed.rows.filter(pa.array(~known)) if known.any() else parsed.rows
    return Comparison(account, new_rows, touched)


def _row_ids(rows: pa.Table) -> npt.NDArray[np.int64]:
    """Return a number for each row that stays the same when other lines are taken out."""
    lines: npt.NDArray[np.int64] = rows[LINE].to_numpy()
    if "bin" not in rows.column_names:
        return lines
    bins = pc.fill_null(rows["bin"], 0).to_numpy().astype(np.int64)
    ids: npt.NDArray[np.int64] = lines * (MOST_BINS + 1) + bins
    return ids


def _offer(connection: duckdb.DuckDBPyConnection, parsed: ParsedLog) -> None:
    connection.register(
        "offered", parsed.rows.append_column("row_", pa.array(_row_ids(parsed.rows)))
    )


def _count(connection: duckdb.DuckDBPyConnection, table: str) -> int:
    # All of a result is fetched always: a connection with rows still to come does nothing else.
    return int(connection.execute(f"select count(*) from {table}").fetchall()[0][0])


def _same(left: str, right: str, columns: Sequence[str]) -> str:
    return " and ".join(f"{left}.{_q(c)} is not distinct from {right}.{_q(c)}" for c in columns)


def _listed(columns: Sequence[str], table: str = "") -> str:
    return ", ".join((f"{table}." if table else "") + _q(c) for c in columns)


def _repeats(
    connection: duckdb.DuckDBPyConnection, parsed: ParsedLog
) -> tuple[npt.NDArray[np.int64], dict[int, list[Problem]]]:
    """Find rows that stand more than once in the file.

    Returns the row numbers of later copies with the same content, and the problems of lines whose
    content differs.
    """
    kind = parsed.kind
    none = np.array([], np.int64)
    _offer(connection, parsed)
    connection.execute(
        f"create or replace temp table repeated as select {_listed(kind.key)} from offered "
        f"group by all having count(*) > 1"
    )
    if not _count(connection, "repeated"):
        return none, {}
    content = content_schema(kind).names
    joined = f"offered o join repeated r on {_same('o', 'r', kind.key)}"
    versions = connection.execute(
        f"""
        with held as (select {_listed(content, "o")}, o.{LINE}, o.row_ from {joined}),
        content as (
            select {_listed(kind.key)}, list({LINE}) as lines, list(row_) as rows
            from (select * from held order by {LINE}) group by {_listed(content)}
        )
        select list(lines), list(rows) from content group by {_listed(kind.key)}
        """
    ).fetchall()
    copies: list[int] = []
    problems: dict[int, list[Problem]] = {}
    for lines, rows in versions:
        if len(lines) == 1:
            copies.extend(sorted(rows[0])[1:])
            continue
        clashing = sorted({line for version in lines for line in version})
        shown = ", ".join(str(line) for line in clashing[:5])
        more = f" and {len(clashing) - 5} more" if len(clashing) > 5 else ""
        for line in clashing:
            problem = Problem(
                line,
                kind.key[0] if kind.name != "runs" else "run",
                f"lines {shown}{more} are for the same {_called(kind)} but differ; "
                f"keep the right one{_second_stretch(kind)}",
            )
            problems.setdefault(line, []).append(problem)
    return np.array(copies, np.int64), problems


def _called(kind: LogKind) -> str:
    if kind.name == "services":
        return "service"
    return ", ".join(kind.key[:-1]) + f" and {kind.key[-1]}" if len(kind.key) > 1 else kind.key[0]


def _second_stretch(kind: LogKind) -> str:
    return ", or give a second stretch its number" if kind.name == "runs" else ""


def _stored(
    connection: duckdb.DuckDBPyConnection, parsed: ParsedLog
) -> tuple[npt.NDArray[np.int8], dict[int, list[Problem]]]:
    """Tell for each offered row whether it is new, a correction or known; find other starts."""
    kind = parsed.kind
    state = np.full(parsed.rows.num_rows, _NEW, np.int8)
    _offer(connection, parsed)
    current = f"(select * from all_{kind.name} where {UNTIL} is null)"
    # Keys alone are read first: most files hold none that is stored, and then this is all.
    connection.execute(
        f"create or replace temp table met as select o.row_ from offered o "
        f"semi join {current} e on {_same('o', 'e', kind.key)}"
    )
    if not _count(connection, "met"):
        return state, {}
    content = [name for name in content_schema(kind).names if name not in kind.key]
    started = "o.started <> e.started" if kind.name == "runs" else "false"
    matches = connection.sql(
        f"""
        select o.row_, o.{LINE} as line_, {started} as other_start,
            {_same("o", "e", content)} as same,
            {
            "strftime(make_timestamp(epoch_us(e.started)), '%Y-%m-%dT%H:%M')"
            if kind.name == "runs"
            else "''"
        } as start_
        from (select * from offered semi join met using (row_)) o
        join {current} e on {_same("o", "e", kind.key)}
        """
    ).to_arrow_table()
    ids = _row_ids(parsed.rows)
    order = np.argsort(ids)
    places = order[np.searchsorted(ids, matches["row_"].to_numpy(), sorter=order)]
    same = matches["same"].to_numpy(zero_copy_only=False) if matches.num_rows else np.zeros(0, bool)
    state[places] = np.where(same, _KNOWN, _CORRECTED)
    problems: dict[int, list[Problem]] = {}
    for row in matches.filter(matches["other_start"]).to_pylist():
        problems[row["line_"]] = [
            Problem(
                row["line_"],
                "started",
                f"this run, stretch and bin are stored with started {row['start_']}; "
                "a second stretch? give it stretch 2",
            )
        ]
    return state, problems
