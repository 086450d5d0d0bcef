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
import shutil
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from itertools import chain
from pathlib import Path
from typing import TypeVar

from deltalake import DeltaTable
from deltalake.exceptions import CommitFailedError, DeltaError
from filelock import FileLock, Timeout

from analysis import commits, upkeep
from analysis.commits import Entry, last_number, state_of
from analysis.comparing import Comparison, FileAccount, compare
from analysis.health import Health, examined
from analysis.intake import KnownNames, ParsedLog
from analysis.kept_totals import count_on, keep_totals, kept_totals
from analysis.log_format import INTAKES_SCHEMA, KINDS, UNTIL, LogKind, stored_schema
from analysis.snapshot import (
    NO_ROWS,
    Account,
    DamagedStoreError,
    Snapshot,
    StoreError,
    connect,
    data_files,
    empty_snapshot,
    reading_store,
    rows_of,
    short,
    view_all,
)
from analysis.spool import PREFIX, beside
from analysis.store_format import (
    MARK,
    STORE_FORMAT,
    check_place,
    format_of,
    is_store,
    upgrade,
    write_mark,
)
from analysis.undoing import Undone, take_back

#: What may stand in the folder before the mark is written.
_OWN = {".lock", "rejects", "intakes", "site.toml", *KINDS, MARK, MARK + ".part"}
_TRIES = 20
#: A disk with fewer bytes left than this is full.
_NO_ROOM = 1 << 20
#: Seconds after which somebody who waits for another writer is told so.
_PATIENCE = 1.0

Done = TypeVar("Done")


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
        When there is no store, or one that this version cannot read, or no store can be there; a
        `DamagedStoreError` when a part of it is gone.
    """

    def __init__(
        self,
        folder: Path,
        *,
        create: bool = False,
        on_wait: Callable[[], None] | None = None,
    ) -> None:
        check_place(folder)
        self.folder = folder
        self._on_wait = on_wait
        if not is_store(folder):
            if not create:
                raise StoreError(
                    f"there is no store in {folder}; make one with: feedtally add FILE "
                    f"--store {folder}"
                )
            self._create()
        held = format_of(folder)
        if held > STORE_FORMAT:
            raise StoreError(
                f"the store in {folder} has format {held} and this feedtally reads format "
                f"{STORE_FORMAT}; update feedtally"
            )
        if held < STORE_FORMAT:
            with self._lock():
                upgrade(folder)

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
                write_mark(self.folder, {"format": STORE_FORMAT})
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
        # Of the two the second is what filelock raises on a system without locks.
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
            files[name] = data_files(table)
            versions[name] = state_of(table)
        files["intakes"] = data_files(self._table("intakes"))
        totals = kept_totals(self.folder, versions["runs"]) if last is None else None
        version = ".".join(versions.values()) + (f" as of {last}" if last is not None else "")
        return Snapshot(version, files, last, totals)

    def _last_intake(self, as_of: dt.datetime | None = None) -> int:
        """Return the number of the last intake, or of the last one up to a moment; 0 for none."""
        table = self._table("intakes")
        if as_of is None:
            return last_number(table)
        files = data_files(table)
        if not files:
            return 0
        query = f"select max(intake) from {rows_of(files)} where epoch_us(taken_at) <= ?"
        moment = int(as_of.timestamp() * 1_000_000)
        with reading_store(), connect() as connection:
            found = connection.execute(query, [moment]).fetchall()
        return int(found[0][0] or 0)

    def totals(self) -> Account | None:
        """Return how much the whole run log holds, where that is known without a scan."""
        return kept_totals(self.folder, state_of(self._table("runs")))

    def tower_bins(self) -> dict[str, int]:
        """Return the bins of each tower that the tower list names."""
        files = data_files(self._table("towers"))
        if not files:
            return {}
        query = f"""select tower, bins from {rows_of(files)}
            where bins is not null and {UNTIL} is null"""
        with reading_store(), connect() as connection:
            return dict(connection.execute(query).fetchall())

    def known_stocks(self, named: Collection[str]) -> KnownNames:
        """Return what the stock list and the run log call the stocks.

        Parameters
        ----------
        named : collection of str
            As a file names them. Where the list has each of them the log is not read, which would
            take the longer the more it holds.
        """
        found: list[tuple[str, ...]] = []
        with reading_store(), connect() as connection:
            for name in ("stocks", "runs"):
                if found and set(named) <= {*found[0]}:
                    break
                files = data_files(self._table(name))
                query = f"""select stock from {rows_of(files)}
                    where {UNTIL} is null and stock is not null
                    group by stock order by count(*) desc, stock"""
                rows = connection.execute(query).fetchall() if files else []
                found.append(tuple(row[0] for row in rows))
        return KnownNames(*found)

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
            files = data_files(table)
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
                view_all(connection, kind.name, data_files(table), stored_schema(kind))
                intakes = self._table("intakes")
                return take_back(connection, table, intakes, kind, number, zone)

        return self._change(kind.name, attempt, work)

    def _entry(self, number: int) -> Entry:
        found = commits.entries(self._table("intakes")).get(number)
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
                    with commits.in_a_sentence():
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
        version = state_of(table)
        number = commits.enter(
            self._table("intakes"),
            Entry(kind.name, parsed.name, None),
            digest=parsed.sha256,
            account=asdict(compared.account),
            zone=zone,
        )
        rows = commits.new_rows(parsed, compared, number)
        if not compared.touched.num_rows:
            commits.write_rows(table, kind, number, rows, None)
            if kind.name == "runs":
                count_on(self.folder, version, state_of(table), compared.gained)
            return number
        with reading_store(), connect() as connection:
            view_all(connection, kind.name, data_files(table), stored_schema(kind))
            kept, predicate = commits.kept_rows(connection, kind, compared.touched, number)
            commits.write_rows(table, kind, number, chain(kept, rows), predicate)
        return number

    def _tables(self) -> dict[str, DeltaTable]:
        return {name: self._table(name) for name in (*KINDS, "intakes")}

    def _tidy(self, changed: DeltaTable) -> None:
        """Merge small files and note checksums; what was stored is stored whether it works or not.

        What is left undone is done after the next intake.
        """
        with contextlib.suppress(OSError, DeltaError, StoreError):
            version, name = state_of(changed), Path(changed.table_uri).name
            if upkeep.merge_small(self.folder, name, changed) and name == "runs":
                count_on(self.folder, version, state_of(changed), NO_ROWS)
            intakes = self._table("intakes")
            upkeep.merge_small(self.folder, "intakes", intakes)
            upkeep.write_sums(self.folder, {name: changed, "intakes": intakes})

    def keep_totals(self, snapshot: Snapshot, totals: Account) -> None:
        """Keep what the whole run log of a snapshot holds, so that it need not be counted again.

        Where it cannot be kept it is counted again.
        """
        if snapshot.intake is None:
            keep_totals(self.folder, snapshot.version.split(".")[list(KINDS).index("runs")], totals)

    def backup(self, to: Path) -> Health:
        """Copy the store to a folder that is not there yet, and check the copy.

        Raises
        ------
        StoreError
            When the folder is there, lies within the store, cannot be written or can hold no
            store.
        """
        check_place(to)
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
        health = examined(
            self.folder, tables, damaged, unsummed, set_aside=bool(damaged and set_aside)
        )
        if health.set_aside:
            lost = {one.intake: one.rows for one in health.missing}
            upkeep.note_lost(self.folder, lost)
        return health


def _kind(name: str) -> LogKind:
    return KINDS[name]  # type: ignore[index]
