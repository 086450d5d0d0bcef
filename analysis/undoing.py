"""What became of an intake that was taken back?

An undo is an intake itself: it closes the rows of the intake that it takes back and writes again
what stood before them, so it can be taken back too.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
from deltalake import DeltaTable

from analysis import commits
from analysis.commits import Entry
from analysis.log_format import INTAKE, LINE, ORIGIN, UNTIL, LogKind, content_schema, stored_schema
from analysis.snapshot import StoreError, same, stored_numbers, taken_back
from analysis.words import many


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
        out = many(self.taken_out, "row")
        text = f"Intake {self.undone} ({self.file}) is taken back: {out} taken out"
        if self.reinstated:
            verb = "stands" if self.reinstated == 1 else "stand"
            text += f", {many(self.reinstated, 'row')} that stood before it {verb} again"
        if self.replaced_since:
            verb = "stays" if self.replaced_since == 1 else "stay"
            since = many(self.replaced_since, "row")
            text += f", {since} that later intakes corrected {verb} as they say"
        return f"{text}. Nothing is lost: feedtally undo {self.intake} brings it back."


def take_back(
    connection: duckdb.DuckDBPyConnection,
    table: DeltaTable,
    intakes: DeltaTable,
    kind: LogKind,
    number: int,
    zone: str,
) -> Undone:
    """Let every row of an intake be what the newest intake says that is not taken back.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the rows of the table as ``all_`` and its name.
    table, intakes : DeltaTable
        The table that the intake went to, and that of intakes.
    kind : LogKind
        Of the table.
    number : int
        Of the intake; may be that of an undo.
    zone : str
        Kept with the undo.

    Raises
    ------
    StoreError
        When it is taken back already, or nothing of it stands any more.
    CommitFailedError
        When another process committed meanwhile; nothing is written then.
    OSError, DeltaError
        When it cannot be written.
    """
    entries = commits.entries(intakes)
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
    connection.execute(f"create temp table coming as from wanted w anti join standing c on {alike}")
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
    entered = commits.enter(
        intakes,
        Entry(kind.name, file, number),
        digest="",
        account={"taken_out": closing, "rows_added": coming},
        zone=zone,
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
    rows = commits.cast(connection.sql(query).to_arrow_reader(commits.BATCH), stored_schema(kind))
    predicate = f"{INTAKE} in ({named}, {entered})"
    commits.write_rows(table, kind, entered, rows, predicate)
    return Undone(number, entered, kind.name, file, closing, coming, later)
