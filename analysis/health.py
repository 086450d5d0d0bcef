"""Is the store whole, and what is missing from it?

What its tables hold is set against what its list of intakes says was stored.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
from deltalake import DeltaTable

from analysis import upkeep
from analysis.log_format import INTAKE, INTAKES_SCHEMA, KINDS, UNTIL, stored_schema
from analysis.snapshot import connect, reading_store, stored_numbers, taken_back, view_all
from analysis.words import many


@dataclass(frozen=True)
class Missing:
    """Rows of an intake that the store should hold and does not.

    Attributes
    ----------
    intake : int
        Its number.
    file : str
        The file that it took in, which brings them again.
    rows : int
        How many there are.
    """

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
                how = f"{many(self.unsummed, 'file')} of which had no checksum and can be read"
            return (
                f"The store is whole: {many(self.rows, 'row')} and {self.past:,} that were "
                f"replaced, from {many(self.intakes, 'intake')}, in {many(self.files, 'file')} "
                f"of {self.size / 1e6:,.2f} MB, {how}."
            )
        parts = []
        if self.damaged:
            count = len(self.damaged)
            parts.append(many(count, "damaged file"))
        if self.missing:
            parts.append(f"{many(sum(m.rows for m in self.missing), 'row')} missing")
        if self.problems:
            count = len(self.problems)
            parts.append(many(count, "other problem"))
        done = " The damaged files were set aside; all else can be read." if self.set_aside else ""
        return f"The store is damaged: {', '.join(parts)}.{done}"


def examined(
    folder: Path,
    tables: Mapping[str, DeltaTable],
    damaged: Sequence[upkeep.Damage],
    unsummed: int,
    *,
    set_aside: bool,
) -> Health:
    """Say how the tables of a store are, but for data files that are damaged.

    Parameters
    ----------
    folder : Path
        The store.
    tables : mapping of str to DeltaTable
        Of each kind of log, and ``intakes``.
    damaged : sequence of upkeep.Damage
        Files that are passed over.
    unsummed : int
        Data files of which no checksum was noted.
    set_aside : bool
        Whether the damaged ones were moved out of the tables.

    Raises
    ------
    DamagedStoreError
        When a data file cannot be read that is not among the damaged ones.
    """
    bad = {found.file for found in damaged}
    sound = {
        name: [f"{folder / file}" for file in upkeep.data_files(name, table) if file not in bad]
        for name, table in tables.items()
    }
    with reading_store(), connect() as connection:
        for name, files in sound.items():
            schema = INTAKES_SCHEMA if name == "intakes" else stored_schema(KINDS[name])  # type: ignore[index]
            view_all(connection, name, files, schema)
        rows, past, found, problems = _counted(connection)
        stored = stored_numbers(connection, list(KINDS))
        listed = connection.execute(
            "select intake, file, account, undoes from all_intakes order by intake"
        ).fetchall()
    missing = []
    lost = upkeep.lost_before(folder)
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
            # A number of keys, of each of which there are several rows.
            stand = "stands" if twice == 1 else "stand"
            problems.append(f"{many(twice, 'row')} of the {kind.title} {stand} more than once")
        early = connection.execute(
            f"select count(*) from {stored} where {UNTIL} <= {INTAKE}"
        ).fetchall()[0][0]
        if early:
            end = "ends before it" if early == 1 else "end before they"
            problems.append(f"{many(early, 'row')} of the {kind.title} {end} came")
    return rows, past, found, problems
