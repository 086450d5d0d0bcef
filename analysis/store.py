"""The crew's memory: every row ever taken in, which intake wrote it, and which one replaced it.

A store is a folder with one Delta table for each kind of file and one of intakes. A table holds
current and past rows: ``intake`` is the number of the intake that wrote a row, ``until`` the number
of the one that replaced it, null while the row stands. Taking a file in is one commit to one
table, so a file is stored whole or not at all. Taking an intake back is an intake itself: it
closes that intake's rows and writes again what stood before them, so it can be taken back too.

Correctness rests on that commit: it is refused when another process has written in between, and
is then worked out anew. The file lock only keeps such races from being common; folders on a
network may not honour it.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TypeVar

import duckdb
import numpy as np
import pyarrow as pa
from deltalake import CommitProperties, DeltaTable, Transaction, write_deltalake
from deltalake.exceptions import CommitFailedError, DeltaError
from filelock import FileLock, Timeout

from analysis import upkeep
from analysis.comparing import Comparison, FileAccount, compare, row_ids
from analysis.intake import ParsedLog
from analysis.log_format import (
    INTAKE,
    INTAKES_SCHEMA,
    KINDS,
    LINE,
    ORIGIN,
    UNTIL,
    LogKind,
    content_schema,
    stored_schema,
)
from analysis.snapshot import (
    NO_ROWS,
    Account,
    DamagedStoreError,
    Snapshot,
    StoreError,
    connect,
    empty_snapshot,
    literal,
    merged,
    reading_store,
    same,
    short,
    stored_numbers,
    taken_back,
    view_all,
)
from analysis.spool import PREFIX, beside

#: Version of the store's layout; a store of a newer one is refused.
STORE_FORMAT = 2

_APP = "feedtally"
_MARK = "store.json"
#: What may stand in the folder before the mark is written.
_OWN = {".lock", "rejects", "intakes", "site.toml", *KINDS, _MARK, _MARK + ".part"}
_TRIES = 20
#: Rows worked on at once, and handed to the writer at once: it keeps many of the latter in memory
#: (1.1 GB at 131,072 rows, 0.5 GB at 8,192).
_BATCH = 1 << 16
_HANDED = 1 << 13
#: More runs than this are not named one by one when they are rewritten.
_MOST_NAMED = 2_000
#: A disk with fewer bytes left than this is full.
_NO_ROOM = 1 << 20
#: Seconds after which somebody who waits for another writer is told so.
_PATIENCE = 1.0

#: Folder of what can be worked out again, and may be deleted at any time.
_KEPT = "kept"

Rows = Iterable[pa.RecordBatch]
Done = TypeVar("Done")


@dataclass(frozen=True)
class _Entry:
    kind: str
    file: str
    undoes: int | None


@dataclass(frozen=True)
class Undone:
    """What an undo did.

    Attributes
    ----------
    undone : int
        The intake that was taken back.
    intake : int
        The undo's own number, by which it can be taken back in turn.
    kind, file : str
        Of the intake that was taken back.
    taken_out : int
        Rows that stand no more.
    reinstated : int
        Rows that stood before it and stand again.
    replaced_since : int
        Rows of the intake that later ones had corrected, and which those keep.
    """

    undone: int
    intake: int
    kind: str
    file: str
    taken_out: int
    reinstated: int
    replaced_since: int

    def sentence(self) -> str:
        """Say what was taken back, and how to bring it again."""
        out = _many(self.taken_out, "row")
        text = f"Intake {self.undone} ({self.file}) is taken back: {out} taken out"
        if self.reinstated:
            verb = "stands" if self.reinstated == 1 else "stand"
            text += f", {_many(self.reinstated, 'row')} that stood before it {verb} again"
        if self.replaced_since:
            verb = "stays" if self.replaced_since == 1 else "stay"
            since = _many(self.replaced_since, "row")
            text += f", {since} that later intakes corrected {verb} as they say"
        return f"{text}. Nothing is lost: feedtally undo {self.intake} brings it back."


@dataclass(frozen=True)
class Missing:
    """Rows of an intake that the store should hold and does not."""

    intake: int
    file: str
    rows: int


@dataclass(frozen=True)
class Health:
    """What a check of the store found.

    Attributes
    ----------
    rows, past, files, size : int
        Rows that stand, rows that were replaced, data files and their bytes.
    intakes : int
        Files taken in and undos.
    unsummed : int
        Data files of which no checksum was noted; they were read through instead.
    damaged : tuple of Damage
        Data files that are gone or altered.
    set_aside : bool
        Whether the damaged ones were moved out of the tables.
    missing : tuple of Missing
        Intakes of which rows are lost with them.
    lost_before : tuple of Missing
        What was lost with files that were set aside earlier; perhaps added again since.
    problems : tuple of str
        What else is wrong, a sentence each.
    """

    rows: int
    past: int
    files: int
    size: int
    intakes: int
    unsummed: int
    damaged: tuple[upkeep.Damage, ...]
    set_aside: bool
    missing: tuple[Missing, ...]
    lost_before: tuple[Missing, ...]
    problems: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return not (self.damaged or self.missing or self.problems)

    def sentence(self) -> str:
        """Say whether the store is whole."""
        if self.sound:
            how = "each with the checksum it was written with"
            if self.unsummed:
                how = f"{_many(self.unsummed, 'file')} of which had no checksum and can be read"
            return (
                f"The store is whole: {_many(self.rows, 'row')} and {self.past:,} that were "
                f"replaced, from {_many(self.intakes, 'intake')}, in {_many(self.files, 'file')} "
                f"of {self.size / 1e6:,.2f} MB, {how}."
            )
        parts = []
        if self.damaged:
            count = len(self.damaged)
            parts.append(_many(count, "damaged file"))
        if self.missing:
            parts.append(f"{_many(sum(m.rows for m in self.missing), 'row')} missing")
        if self.problems:
            count = len(self.problems)
            parts.append(_many(count, "other problem"))
        done = " The damaged files were set aside; all else can be read." if self.set_aside else ""
        return f"The store is damaged: {', '.join(parts)}.{done}"


def _many(number: int, thing: str) -> str:
    return f"{number:,} {thing}" if number == 1 else f"{number:,} {thing}s"


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
    on_wait : callable, optional
        Called when another process is writing and has to be waited for.

    Raises
    ------
    StoreError
        When there is no store, or one that this version cannot read; a `DamagedStoreError` when
        a part of it is gone.
    """

    def __init__(
        self,
        folder: Path,
        *,
        create: bool = False,
        on_wait: Callable[[], None] | None = None,
    ) -> None:
        self.folder = folder
        self._on_wait = on_wait
        if not is_store(folder):
            if not create:
                raise StoreError(
                    f"there is no store in {folder}; make one with: feedtally add FILE "
                    f"--store {folder}"
                )
            self._create()
        held = self._format()
        if held > STORE_FORMAT:
            raise StoreError(
                f"the store in {folder} has format {held} and this feedtally reads format "
                f"{STORE_FORMAT}; update feedtally"
            )
        if held < STORE_FORMAT:
            self._upgrade()

    def _format(self) -> int:
        mark = self.folder / _MARK
        try:
            held = json.loads(mark.read_text("utf-8"))["format"]
        except (OSError, ValueError, KeyError, TypeError):
            held = None
        if type(held) is not int or held < 1:
            raise DamagedStoreError(
                f"{mark} is damaged, so the store's format is unknown; restore it from a copy"
            )
        return held

    def _upgrade(self) -> None:
        """Bring the store to this format, one named step after the other."""
        with self._lock():
            for number, (name, step) in sorted(_STEPS.items()):
                if number <= self._format():
                    continue
                try:
                    step(self.folder)
                    self._mark({"format": number, "upgraded_by": name})
                except (OSError, DeltaError) as error:
                    raise StoreError(
                        f"the store in {self.folder} cannot be brought to format {number} "
                        f"({name}: {short(error)}); nothing is lost: open it once more as "
                        "somebody who may write to it"
                    ) from None

    def _mark(self, content: Mapping[str, object]) -> None:
        # The mark comes last: a folder that has it is a whole store.
        partial = self.folder / (_MARK + ".part")
        partial.write_text(json.dumps(content) + "\n", "utf-8")
        partial.replace(self.folder / _MARK)

    def _create(self) -> None:
        if self.folder.exists() and not self.folder.is_dir():
            raise StoreError(f"{self.folder} is a file; name a folder for the store")
        if self.folder.is_dir() and any(
            entry.name not in _OWN and not entry.name.startswith(PREFIX)
            for entry in self.folder.iterdir()
        ):
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
                DeltaTable.create(self._path("intakes"), INTAKES_SCHEMA, mode="ignore")
                self._mark({"format": STORE_FORMAT})
        except (OSError, DeltaError) as error:
            raise StoreError(
                f"cannot make a store in {self.folder} ({short(error)}); name a folder that may "
                "be written to"
            ) from None

    def _path(self, name: str) -> str:
        return str(self.folder / name)

    @contextmanager
    def _lock(self) -> Iterator[None]:
        lock = FileLock(self.folder / ".lock")
        try:
            try:
                lock.acquire(timeout=_PATIENCE)
            except Timeout:
                if self._on_wait is not None:
                    self._on_wait()
                lock.acquire()
        except (OSError, NotImplementedError) as error:
            raise StoreError(
                f"the store in {self.folder} cannot be locked ({short(error)}); see that the "
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
                f"({short(error)}); restore it from a copy"
            ) from None

    def snapshot(self, as_of: dt.datetime | None = None) -> Snapshot:
        """Return what is stored now, or what was stored at a moment.

        Parameters
        ----------
        as_of : datetime, optional
            A moment with its zone; later intakes do not count.
        """
        files: dict[str, tuple[str, ...]] = {}
        versions: dict[str, str] = {}
        last = self._last_intake(as_of) if as_of is not None else None
        for name in KINDS:
            table = self._table(name)
            files[name] = tuple(table.file_uris())
            versions[name] = _state(table)
        files["intakes"] = tuple(self._table("intakes").file_uris())
        totals = self._totals(versions["runs"]) if last is None else None
        version = ".".join(versions.values()) + (f" as of {last}" if last is not None else "")
        return Snapshot(version, files, last, totals)

    def _last_intake(self, as_of: dt.datetime | None = None) -> int:
        """Return the number of the last intake, or of the last one up to a moment; 0 for none."""
        table = self._table("intakes")
        if as_of is None:
            return _last_number(table)
        if not table.file_uris():
            return 0
        query = "select max(intake) from read_parquet(?) where epoch_us(taken_at) <= ?"
        moment = int(as_of.timestamp() * 1_000_000)
        with reading_store(), connect() as connection:
            found = connection.execute(query, [table.file_uris(), moment]).fetchall()
        return int(found[0][0] or 0)

    def totals(self) -> Account | None:
        """Return how much the whole run log holds, where that is known without a scan."""
        return self._totals(_state(self._table("runs")))

    def tower_bins(self) -> dict[str, int]:
        """Return the bins of each tower that the tower list names."""
        files = self._table("towers").file_uris()
        if not files:
            return {}
        query = f"""select tower, bins from read_parquet(?)
            where bins is not null and {UNTIL} is null"""
        with reading_store(), connect() as connection:
            return dict(connection.execute(query, [files]).fetchall())

    def add(
        self,
        parsed: ParsedLog,
        before_commit: Callable[[], None] | None = None,
        *,
        zone: str = "",
        stands: Callable[[Snapshot], None] | None = None,
    ) -> FileAccount:
        """Take a parsed file in.

        Parameters
        ----------
        parsed : ParsedLog
            As read by `analysis.intake.read_log`. Lines that clash with what is stored become
            rejected ones.
        before_commit : callable, optional
            Called whenever the account is worked out, before anything is stored; writes the
            rejects file, so that no line is lost whatever fails after it.
        zone : str
            In which times without an offset are taken to be; kept with the intake.
        stands : callable, optional
            Is given what stands in the file's own table when it is written, and raises where it is
            not to be written over that: nobody comes in between.

        Returns
        -------
        FileAccount
            What became of each line.

        Raises
        ------
        StoreError
            When the store cannot be written; it is then as it was.
        """

        def attempt(table: DeltaTable) -> FileAccount:
            files = tuple(table.file_uris())
            name = parsed.kind.name
            there = Snapshot("", {**empty_snapshot().files, name: files})
            if stands is not None:
                stands(there)
            compared = compare(parsed, there)
            if before_commit is not None:
                before_commit()
            if not compared.writes:
                return compared.account
            return replace(compared.account, intake=self._commit(table, parsed, compared, zone))

        return self._change(parsed.kind.name, attempt, f"of {parsed.name} was stored; add it again")

    def undo(self, number: int, *, zone: str = "") -> Undone:
        """Take one intake back: its rows stand no more, and what stood before it stands again.

        Parameters
        ----------
        number : int
            As `add` gave it; may be that of an undo.
        zone : str
            Kept with the undo, which is an intake itself.

        Raises
        ------
        StoreError
            When there is no such intake, nothing of it stands any more, or the store cannot be
            written; it is then as it was.
        """
        entry = self._entry(number)
        kind = _kind(entry.kind)
        work = f"was taken back; run feedtally undo {number} again"

        def attempt(table: DeltaTable) -> Undone:
            upkeep.refuse_damaged(self.folder, kind.name, table)
            with reading_store(), connect() as connection:
                view_all(connection, kind.name, table.file_uris(), stored_schema(kind))
                return self._take_back(connection, table, kind, number, zone)

        return self._change(kind.name, attempt, work)

    def _take_back(
        self,
        connection: duckdb.DuckDBPyConnection,
        table: DeltaTable,
        kind: LogKind,
        number: int,
        zone: str,
    ) -> Undone:
        """Let every row of an intake be what the newest intake says that is not taken back."""
        entries = self._entries()
        undoes = {n: entry.undoes for n, entry in entries.items() if entry.undoes is not None}
        stored = stored_numbers(connection, [kind.name])
        by = taken_back(undoes, stored).get(number)
        if by is not None:
            raise StoreError(
                f"intake {number} is taken back already; feedtally undo {by} brings it back"
            )
        root = number
        while root in undoes:
            root = undoes[root]
        # Counted as if this undo were stored already, under a number after all others.
        new = max(entries) + 1
        out = taken_back({**undoes, new: number}, {*stored, new})
        gone = ", ".join(map(str, sorted(out)))
        key = ", ".join(f'"{column}"' for column in kind.key)
        connection.execute(
            f"""create temp view versions as
            select *, coalesce({ORIGIN}, {INTAKE}) as layer from all_{kind.name}"""
        )
        connection.execute(
            f"create temp table keys as select distinct {key} from versions where layer = {root}"
        )
        affected = f"versions v semi join keys k on {same('v', 'k', kind.key)}"
        connection.execute(
            f"""create temp table wanted as
            select {key}, layer, {INTAKE} as source from {affected}
            where layer not in ({gone})
            qualify row_number() over (partition by {key} order by layer desc, {INTAKE}) = 1"""
        )
        alike = f"{same('c', 'w', kind.key)} and c.layer = w.layer"
        connection.execute(
            f"""create temp table standing as
            select {key}, layer, {INTAKE} from {affected} where {UNTIL} is null"""
        )
        connection.execute(
            f"create temp table closing as from standing c anti join wanted w on {alike}"
        )
        connection.execute(
            f"create temp table coming as from wanted w anti join standing c on {alike}"
        )
        closing, coming, later = connection.execute(
            f"""select (select count(*) from closing), (select count(*) from coming),
            (select count(*) from standing where layer > {root})"""
        ).fetchall()[0]
        if not closing and not coming:
            raise StoreError(
                f"nothing of intake {number} stands any more; see feedtally history for what came "
                "after it"
            )
        file = entries[root].file
        entered = self._enter(
            kind.name, file, "", {"taken_out": closing, "rows_added": coming}, zone, number
        )
        content = ", ".join(f'a."{name}"' for name in (*content_schema(kind).names, LINE))
        # Rows are rewritten with all that came with the same intakes: those can be named.
        numbers = connection.execute(f"select distinct {INTAKE} from closing").fetchall()
        named = ", ".join(str(row[0]) for row in numbers) or "-1"
        query = f"""
            select a.* replace (
                case when a.{UNTIL} is null and exists (
                    select 1 from closing c where {same("a", "c", kind.key)}
                ) then {entered} else a.{UNTIL} end as {UNTIL})
            from all_{kind.name} a where a.{INTAKE} in ({named})
            union all
            select {content}, {entered} as {INTAKE}, null as {UNTIL}, c.layer as {ORIGIN}
            from all_{kind.name} a join coming c
            on {same("a", "c", kind.key)} and a.{INTAKE} = c.source"""
        rows = _cast(connection.sql(query).to_arrow_reader(_BATCH), stored_schema(kind))
        predicate = f"{INTAKE} in ({named}, {entered})"
        self._write(table, kind, entered, rows, predicate)
        return Undone(number, entered, kind.name, file, closing, coming, later)

    def _entries(self) -> dict[int, _Entry]:
        files = self._table("intakes").file_uris()
        if not files:
            return {}
        with reading_store(), connect() as connection:
            found = connection.execute(
                "select intake, kind, file, undoes from read_parquet(?)", [files]
            ).fetchall()
        return {number: _Entry(*rest) for number, *rest in found}

    def _entry(self, number: int) -> _Entry:
        found = self._entries().get(number)
        if found is None:
            raise StoreError(
                f"there is no intake {number}; the last one is {self._last_intake()}: see "
                "feedtally history"
            )
        return found

    def _change(self, name: str, attempt: Callable[[DeltaTable], Done], work: str) -> Done:
        """Change one table, once more from the start when somebody else changed it meanwhile."""
        for _ in range(_TRIES):
            with self._lock():
                # The table is opened before it is looked at, and that very handle commits: a
                # commit of anybody else's in between carries the same mark and is found out then,
                # even where a lock is not honoured.
                table = self._table(name)
                version = table.version()
                try:
                    with _in_a_sentence():
                        done = attempt(table)
                except CommitFailedError:
                    continue
                except (OSError, DeltaError) as error:
                    raise StoreError(
                        f"the store in {self.folder} could not be written "
                        f"({self._reason(error)}); nothing {work}"
                    ) from None
                if table.version() != version:
                    self._tidy(table)
                return done
        raise StoreError(f"others kept writing to the store in {self.folder}; nothing {work}")

    def _reason(self, error: Exception) -> str:
        """Say why a write failed; a full disk shows itself in many words."""
        with contextlib.suppress(OSError):
            if shutil.disk_usage(self.folder).free < _NO_ROOM:
                return "there is no room left on its disk"
        return short(error)

    def _commit(self, table: DeltaTable, parsed: ParsedLog, compared: Comparison, zone: str) -> int:
        kind = parsed.kind
        if compared.touched.num_rows:
            upkeep.refuse_damaged(self.folder, kind.name, table)
        version = _state(table)
        number = self._enter(
            kind.name, parsed.name, parsed.sha256, asdict(compared.account), zone, None
        )
        rows = _new_rows(parsed, compared, number)
        if not compared.touched.num_rows:
            self._write(table, kind, number, rows, None)
            if kind.name == "runs":
                self._count_on(version, _state(table), compared.gained)
            return number
        with reading_store(), connect() as connection:
            view_all(connection, kind.name, table.file_uris(), stored_schema(kind))
            connection.register("touched", compared.touched)
            which = _which(kind, compared.touched)
            replaced = f"exists (select 1 from touched t where {same('a', 't', kind.key)})"
            kept = connection.sql(
                f"""select a.* replace (
                    case when a.{UNTIL} is null and {replaced} then {number} else a.{UNTIL} end
                    as {UNTIL})
                from (select * from all_{kind.name} where {which}) a"""
            ).to_arrow_reader(_BATCH)
            # The new rows are written in the same commit, whatever their run.
            predicate = f"{INTAKE} = {number} or {which}"
            both = _chained(_cast(kept, stored_schema(kind)), rows)
            self._write(table, kind, number, both, predicate)
        return number

    def _write(
        self, table: DeltaTable, kind: LogKind, number: int, rows: Rows, predicate: str | None
    ) -> None:
        """Commit rows under an intake's number, in place of those that a predicate names."""
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
                writer_properties=upkeep.ZSTD,
            )
            return
        write_deltalake(
            table,
            reader,
            mode="overwrite",
            predicate=predicate,
            commit_properties=_marked(number),
            writer_properties=upkeep.ZSTD,
        )

    def _enter(
        self,
        kind: str,
        file: str,
        digest: str,
        account: Mapping[str, object],
        zone: str,
        undoes: int | None,
    ) -> int:
        """Write the intake's own line first: a number without rows does no harm."""
        table = self._table("intakes")
        number = _last_number(table) + 1
        entry = {
            "intake": [number],
            "kind": [kind],
            "file": [file],
            "sha256": [digest],
            "taken_at": [dt.datetime.now(dt.UTC)],
            "account": [json.dumps({k: v for k, v in account.items() if v is not None})],
            "zone": [zone],
            "undoes": [undoes],
        }
        # Marked as well, so that no two processes can take the same number.
        write_deltalake(
            table,
            pa.table(entry, schema=INTAKES_SCHEMA),
            mode="append",
            commit_properties=_marked(number),
            writer_properties=upkeep.ZSTD,
        )
        return number

    def _tables(self) -> dict[str, DeltaTable]:
        return {name: self._table(name) for name in (*KINDS, "intakes")}

    def _tidy(self, changed: DeltaTable) -> None:
        """Merge small files and note checksums; what was stored is stored whether it works or not.

        What is left undone is done after the next intake.
        """
        with contextlib.suppress(OSError, DeltaError, StoreError):
            version, name = _state(changed), Path(changed.table_uri).name
            if upkeep.merge_small(self.folder, name, changed) and name == "runs":
                self._count_on(version, _state(changed), NO_ROWS)
            intakes = self._table("intakes")
            upkeep.merge_small(self.folder, "intakes", intakes)
            upkeep.write_sums(self.folder, {name: changed, "intakes": intakes})

    def keep_totals(self, snapshot: Snapshot, totals: Account) -> None:
        """Keep what the whole run log of a snapshot holds, so that it need not be counted again.

        Where it cannot be kept it is counted again.
        """
        if snapshot.intake is None:
            self._keep(snapshot.version.split(".")[list(KINDS).index("runs")], totals)

    def _keep(self, version: str, totals: Account) -> None:
        content = {
            "runs_version": version,
            **asdict(totals),
            "first": totals.first.isoformat() if totals.first else None,
            "last": totals.last.isoformat() if totals.last else None,
        }
        kept = self.folder / _KEPT / "totals.json"
        with contextlib.suppress(OSError):
            kept.parent.mkdir(exist_ok=True)
            part = kept.with_name(kept.name + ".part")
            part.write_text(json.dumps(content) + "\n", "utf-8")
            part.replace(kept)

    def _totals(self, version: str) -> Account | None:
        try:
            held = json.loads((self.folder / _KEPT / "totals.json").read_text("utf-8"))
            if held.pop("runs_version") != version:
                return None
            for name in ("first", "last"):
                held[name] = dt.datetime.fromisoformat(held[name]) if held[name] else None
            return Account(**held)
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            return None

    def _count_on(self, before: str, after: str, gained: Account) -> None:
        """Keep the totals up to date after an append, where they were known before it."""
        held = self._totals(before)
        if before.startswith("0-"):
            held = NO_ROWS
        if held is not None:
            self._keep(after, merged([held, gained]))

    def backup(self, to: Path) -> Health:
        """Copy the store to a folder that is not there yet, and check the copy.

        Raises
        ------
        StoreError
            When the folder is there, lies within the store, or cannot be written.
        """
        try:
            there = to.exists()
            within = self.folder.resolve() in (to.resolve(), *to.resolve().parents)
        except OSError as error:
            raise StoreError(f"{to} is no name for a folder ({short(error)})") from None
        if there:
            raise StoreError(f"{to} is there already; name a new folder for the copy")
        if within:
            raise StoreError(f"{to} lies within the store; name a folder outside of it")
        part = beside(to)
        try:
            with self._lock():
                upkeep.copy(self.folder, part)
            part.rename(to)
        except OSError as error:
            upkeep.remove(part)
            raise StoreError(
                f"the store cannot be copied to {to} ({short(error)}); name a folder with room "
                "that may be written to"
            ) from None
        return Store(to).check()

    def check(self, *, set_aside: bool = False) -> Health:
        """Say whether the store is whole.

        Parameters
        ----------
        set_aside : bool
            Move damaged data files into the folder ``damaged`` of the store, so that all else
            can be read.

        Raises
        ------
        DamagedStoreError
            When the list of a table's files cannot be read.
        StoreError
            When damaged files cannot be set aside.
        """
        with self._lock() if set_aside else contextlib.nullcontext():
            tables = self._tables()
            sums = upkeep.known_sums(self.folder)
            damaged = [
                found
                for name, table in tables.items()
                for found in upkeep.damage(self.folder, name, table, sums)
            ]
            if damaged and set_aside:
                try:
                    upkeep.set_aside(self.folder, damaged, tables)
                    tables = self._tables()
                    upkeep.write_sums(self.folder, tables)
                except (OSError, DeltaError) as error:
                    raise StoreError(
                        f"the damaged files cannot be set aside ({short(error)}); see that the "
                        "store may be written to"
                    ) from None
        unsummed = sum(
            file not in sums for name, t in tables.items() for file in upkeep.data_files(name, t)
        )
        if unsummed and not damaged:
            # Under the lock and of fresh tables: somebody may be adding at this very moment. A
            # store that cannot be written to is left as it is.
            with contextlib.suppress(OSError, StoreError), self._lock():
                upkeep.write_sums(self.folder, self._tables())
        health = self._examined(tables, damaged, unsummed, set_aside=bool(damaged and set_aside))
        if health.set_aside:
            lost = {one.intake: one.rows for one in health.missing}
            upkeep.note_lost(self.folder, lost)
        return health

    def _examined(
        self,
        tables: Mapping[str, DeltaTable],
        damaged: Sequence[upkeep.Damage],
        unsummed: int,
        *,
        set_aside: bool,
    ) -> Health:
        bad = {found.file for found in damaged}
        sound = {
            name: [
                f"{self.folder / file}"
                for file in upkeep.data_files(name, table)
                if file not in bad
            ]
            for name, table in tables.items()
        }
        with reading_store(), connect() as connection:
            for name, files in sound.items():
                schema = INTAKES_SCHEMA if name == "intakes" else stored_schema(_kind(name))
                view_all(connection, name, files, schema)
            rows, past, found, problems = _counted(connection)
            stored = stored_numbers(connection, list(KINDS))
            listed = connection.execute(
                "select intake, file, account, undoes from all_intakes order by intake"
            ).fetchall()
        missing = []
        lost = upkeep.lost_before(self.folder)
        numbers = set()
        out = taken_back({n: u for n, _, _, u in listed if u is not None}, stored)
        for number, file, account, undoes in listed:
            numbers.add(number)
            if number in out:
                # What is taken back need not be restored.
                continue
            if undoes is not None:
                file = f"the undo of intake {undoes}"
            held = json.loads(account)
            expected = held.get("rows_added", 0) + held.get("rows_corrected", 0)
            gone = expected - found.get(number, 0) - lost.get(number, 0)
            # An intake that was killed before its rows were stored has none of them.
            if gone > 0 and (found.get(number, 0) or bad):
                missing.append(Missing(number, file, gone))
        unknown = sorted(set(found) - numbers)
        if unknown and not any(d.table == "intakes" for d in damaged):
            problems.append(
                f"rows say that they came with intake {unknown[0]}, which the list of intakes does "
                "not name: they can be read, but not taken back"
            )
        files = [path for paths in sound.values() for path in paths]
        return Health(
            rows=rows,
            past=past,
            files=len(files),
            size=sum(Path(path).stat().st_size for path in files),
            intakes=len(listed),
            unsummed=unsummed,
            damaged=tuple(damaged),
            set_aside=set_aside,
            missing=tuple(missing),
            lost_before=tuple(
                Missing(number, file, lost[number]) for number, file, *_ in listed if number in lost
            ),
            problems=tuple(problems),
        )


@contextmanager
def _in_a_sentence() -> Iterator[None]:
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


def _counted(
    connection: duckdb.DuckDBPyConnection,
) -> tuple[int, int, dict[int, int], list[str]]:
    """Count rows that stand, past ones, and rows by intake; find keys that stand twice."""
    rows = past = 0
    found: dict[int, int] = {}
    problems = []
    for name, kind in KINDS.items():
        stored = f"all_{name}"
        standing, replaced = connection.execute(
            f"select count(*) filter ({UNTIL} is null), count({UNTIL}) from {stored}"
        ).fetchall()[0]
        rows, past = rows + standing, past + replaced
        for number, count in connection.execute(
            f"select {INTAKE}, count(*) from {stored} group by 1"
        ).fetchall():
            found[number] = found.get(number, 0) + count
        key = ", ".join(f'"{column}"' for column in kind.key)
        twice = connection.execute(
            f"""select count(*) from (
                select 1 from {stored} where {UNTIL} is null group by {key} having count(*) > 1)"""
        ).fetchall()[0][0]
        if twice:
            problems.append(f"{twice:,} rows of the {kind.title} stand more than once")
        early = connection.execute(
            f"select count(*) from {stored} where {UNTIL} <= {INTAKE}"
        ).fetchall()[0][0]
        if early:
            problems.append(f"{early:,} rows of the {kind.title} end before they came")
    return rows, past, found, problems


def _kind(name: str) -> LogKind:
    return KINDS[name]  # type: ignore[index]


def _state(table: DeltaTable) -> str:
    """Name what a table holds: a number alone may be another's after a copy was put back."""
    files = sorted(Path(uri).name for uri in table.file_uris())
    digest = hashlib.sha256("".join(files).encode()).hexdigest()
    return f"{table.version()}-{digest[:16]}"


def _last_number(intakes: DeltaTable) -> int:
    """Return the number of the last intake, from the table's own log; 0 for none."""
    largest = pa.table(intakes.get_add_actions(flatten=True))
    held = largest["max.intake"].to_pylist() if "max.intake" in largest.column_names else []
    # The mark of the last commit knows it even where the list itself was damaged.
    numbers = [intakes.transaction_version(_APP) or 0, *(n for n in held if n is not None)]
    return int(max(numbers))


def _marked(number: int) -> CommitProperties:
    return CommitProperties(app_transactions=[Transaction(_APP, number)])


def _new_rows(parsed: ParsedLog, compared: Comparison, number: int) -> Rows:
    schema = stored_schema(parsed.kind)
    for table in parsed.rows.tables():
        for batch in table.to_batches(max_chunksize=_BATCH):
            part = pa.Table.from_batches([batch])
            if len(compared.known):
                part = part.filter(pa.array(~np.isin(row_ids(part), compared.known)))
            size = part.num_rows
            part = part.append_column(schema.field(INTAKE), pa.array([number] * size, pa.int64()))
            for name in (UNTIL, ORIGIN):
                part = part.append_column(schema.field(name), pa.nulls(size, pa.int64()))
            yield from part.cast(schema).to_batches(max_chunksize=_HANDED)


def _cast(batches: Iterable[pa.RecordBatch], schema: pa.Schema) -> Rows:
    for batch in batches:
        yield from pa.Table.from_batches([batch]).cast(schema).to_batches(max_chunksize=_HANDED)


def _chained(*parts: Rows) -> Rows:
    for part in parts:
        yield from part


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


def _say_where_rows_came_from(folder: Path) -> None:
    """Add ``origin`` to the rows, and ``zone`` and ``undoes`` to the intakes."""
    schemas = [*((name, stored_schema(kind)) for name, kind in KINDS.items())]
    for name, schema in (*schemas, ("intakes", INTAKES_SCHEMA)):
        table = DeltaTable(str(folder / name))
        held = {field.name for field in table.schema().fields}
        if held >= set(schema.names):
            # This table was done before the step was broken off.
            continue
        added = "".join(
            f", null::{'varchar' if field.type == pa.string() else 'bigint'} as {field.name}"
            for field in schema
            if field.name not in held
        )
        with connect() as connection:
            old = pa.schema([field for field in schema if field.name in held])
            view_all(connection, name, table.file_uris(), old)
            rows = connection.sql(f"select *{added} from all_{name}").to_arrow_reader(_BATCH)
            write_deltalake(
                table,
                pa.RecordBatchReader.from_batches(schema, _cast(rows, schema)),
                mode="overwrite",
                schema_mode="overwrite",
                writer_properties=upkeep.ZSTD,
            )


#: What each format changed, by its number; a store is brought up step by step. A step may be run
#: again where it was broken off.
_STEPS: Mapping[int, tuple[str, Callable[[Path], None]]] = {
    2: ("say where rows came from", _say_where_rows_came_from)
}
