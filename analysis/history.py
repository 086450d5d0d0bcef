"""What became of a run: who wrote which counts when, and what replaced them?

Reads the past rows of the store beside those that stand. Nothing is ever deleted, so every answer
that was given can be understood later.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import pyarrow as pa

from analysis.log_format import EXTRA, INTAKE, INTAKES_SCHEMA, KINDS, LINE, ORIGIN, UNTIL
from analysis.snapshot import (
    Snapshot,
    reading_store,
    stored_numbers,
    taken_back,
    view_all,
)
from analysis.words import listed, many


@dataclass(frozen=True)
class Entry:
    """One intake: a file that was taken in, or an undo.

    Attributes
    ----------
    intake : int
        Its number, by which it can be taken back.
    taken_at : datetime
        When, with its zone (UTC).
    kind, file : str
        Kind of file and its name; of an undo those of the intake that it took back.
    account : mapping of str to int
        ``lines``, ``added``, ``corrected``, ``known``, ``rejected``, ``rows_added`` and
        ``rows_corrected``; of an undo ``taken_out`` and ``rows_added``, the rows it brought again.
    zone : str
        Zone in which times without an offset were taken to be; empty where it was not kept.
    undoes : int or None
        The intake it took back, where it is an undo.
    undone_by : int or None
        The undo that holds it taken back; None while it stands.
    stored : bool
        False where it was broken off before anything of it was stored.
    """

    intake: int
    taken_at: dt.datetime
    kind: str
    file: str
    account: Mapping[str, int]
    zone: str
    undoes: int | None
    undone_by: int | None
    stored: bool


@dataclass(frozen=True)
class Change:
    """One thing that happened to a row.

    Attributes
    ----------
    intake : int
        Which intake did it.
    taken_at : datetime
        When, with its zone (UTC).
    file, line : str, int or None
        Where its content stood; of a row that was taken out those of the undone intake.
    what : str
        ``added``, ``corrected``, ``taken out`` or ``reinstated``.
    changed : mapping of str to (before, after)
        Values that differ from those before, as text; nothing as an empty text.
    misses, doubles, cycles : int or None
        Its counts from then on; None where they were not watched for, or it was taken out.
    """

    intake: int
    taken_at: dt.datetime
    file: str
    line: int | None
    what: str
    changed: Mapping[str, tuple[str, str]]
    misses: int | None
    doubles: int | None
    cycles: int | None


@dataclass(frozen=True)
class RowHistory:
    """All that happened to one row of a run.

    Attributes
    ----------
    stretch : int
        Of the run.
    bin : int or None
        None for faults whose bin was not noted.
    changes : tuple of Change
        In order of time.
    """

    stretch: int
    bin: int | None
    changes: tuple[Change, ...]


@dataclass(frozen=True)
class RunHistory:
    """All that happened to a run.

    Attributes
    ----------
    tower, run : str
        Which.
    rows : tuple of RowHistory
        One for each stretch and bin, in their order.
    """

    tower: str
    run: str
    rows: tuple[RowHistory, ...]

    def sentence(self) -> str:
        """Say how often the run was corrected, and from which files."""
        changes = [change for row in self.rows for change in row.changes]
        later = [change for change in changes if change.what != "added"]
        if not changes:
            return f"There is no run {self.run} of tower {self.tower} in the log."
        rows = many(len(self.rows), "row")
        files = listed([*dict.fromkeys(change.file for change in changes)])
        if not later:
            return f"Run {self.run} of tower {self.tower}: {rows} from {files}, never changed."
        times = many(len(later), "change")
        return f"Run {self.run} of tower {self.tower}: {rows} and {times} since, from {files}."


@dataclass(frozen=True)
class Intakes:
    """Every intake.

    Attributes
    ----------
    entries : tuple of Entry
        The last one first.
    """

    entries: tuple[Entry, ...]

    def sentence(self) -> str:
        """Say how many there are and which was the last."""
        if not self.entries:
            return "Nothing was taken in."
        last, count = self.entries[0], len(self.entries)
        what = f"the undo of intake {last.undoes}" if last.undoes is not None else last.file
        return f"{many(count, 'intake')}, the last one {what}."


def intakes(snapshot: Snapshot) -> Intakes:
    """Return every intake that a snapshot counts."""
    with reading_store(), snapshot.connect() as connection:
        view_all(connection, "intakes", snapshot.files["intakes"], INTAKES_SCHEMA)
        rows = connection.sql("select * from all_intakes order by intake").to_arrow_table()
        stored = stored_numbers(connection, list(KINDS))
    found = [
        row
        for row in rows.to_pylist()
        if snapshot.intake is None or row["intake"] <= snapshot.intake
    ]
    undoes = {row["intake"]: row["undoes"] for row in found if row["undoes"] is not None}
    undone = taken_back(undoes, stored)
    return Intakes(
        tuple(
            Entry(
                row["intake"],
                row["taken_at"],
                row["kind"],
                row["file"],
                json.loads(row["account"]),
                row["zone"] or "",
                row["undoes"],
                undone.get(row["intake"]),
                row["intake"] in stored,
            )
            for row in reversed(found)
        )
    )


def run_history(snapshot: Snapshot, tower: str, run: str) -> RunHistory:
    """Return all that happened to a run.

    Parameters
    ----------
    snapshot : Snapshot
        What is stored; of an earlier moment it shows what had happened by then.
    tower, run : str
        Which run.
    """
    entries = {entry.intake: entry for entry in intakes(snapshot).entries}
    with reading_store(), snapshot.connect() as connection:
        rows: pa.Table = connection.sql(
            "select * from all_runs where tower = ? and run = ? order by stretch, bin, intake",
            params=[tower, run],
        ).to_arrow_table()
    by_key: dict[tuple[int, int | None], list[Mapping[str, object]]] = {}
    for row in rows.to_pylist():
        if row[INTAKE] in entries:
            by_key.setdefault((row["stretch"], row["bin"]), []).append(row)
    return RunHistory(
        tower,
        run,
        tuple(RowHistory(*key, tuple(_changes(found, entries))) for key, found in by_key.items()),
    )


def _changes(
    versions: Sequence[Mapping[str, object]], entries: Mapping[int, Entry]
) -> Iterator[Change]:
    """Tell the versions of one row as what happened, in order of time."""
    before: Mapping[str, object] | None = None
    for place, row in enumerate(versions):
        entry = entries[_number(row[INTAKE])]
        origin = entries.get(_number(row[ORIGIN])) if row[ORIGIN] is not None else entry
        what = "reinstated" if row[ORIGIN] is not None else "corrected" if before else "added"
        yield Change(
            entry.intake,
            entry.taken_at,
            (origin or entry).file,
            _number(row[LINE]),
            what,
            _differences(before, row) if before else {},
            *(_count(row[name]) for name in ("misses", "doubles", "cycles")),
        )
        ended = row[UNTIL]
        following = versions[place + 1][INTAKE] if place + 1 < len(versions) else None
        before = row
        # One that replaced it says so itself.
        if ended is not None and ended != following and _number(ended) in entries:
            undo = entries[_number(ended)]
            yield Change(
                undo.intake, undo.taken_at, undo.file, None, "taken out", {}, None, None, None
            )
            before = None


def _number(value: object) -> int:
    assert isinstance(value, int)
    return value


def _count(value: object) -> int | None:
    return None if value is None else _number(value)


def _differences(
    before: Mapping[str, object], after: Mapping[str, object]
) -> dict[str, tuple[str, str]]:
    def cells(row: Mapping[str, object]) -> dict[str, str]:
        own = row[EXTRA]
        named = {name: row[name] for name in KINDS["runs"].names}
        assert isinstance(own, list)
        return {name: _shown(value) for name, value in {**named, **dict(own)}.items()}

    old, new = cells(before), cells(after)
    names = dict.fromkeys((*old, *new))
    return {
        name: (old.get(name, ""), new.get(name, ""))
        for name in names
        if old.get(name, "") != new.get(name, "")
    }


def _shown(value: object) -> str:
    if isinstance(value, dt.datetime):
        return value.replace(tzinfo=None).isoformat(timespec="minutes")
    return "" if value is None else f"{value:.12g}" if isinstance(value, float) else str(value)
