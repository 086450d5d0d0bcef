"""Is a folder a store, and of which format? One of an older format is brought up to this one.

A small file in the folder, its mark, says so, and is written last: a folder that has it is a whole
store. An older format is brought up in named steps, one after the other, each of which may be run
again where it was broken off.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from pathlib import Path

import pyarrow as pa
from deltalake import DeltaTable, write_deltalake
from deltalake.exceptions import DeltaError

from analysis.commits import BATCH, cast
from analysis.log_format import INTAKES_SCHEMA, KINDS, stored_schema
from analysis.snapshot import DamagedStoreError, StoreError, connect, data_files, short, view_all
from analysis.upkeep import ZSTD

#: Version of the store's layout; a store of a newer one is refused.
STORE_FORMAT = 2

_NO_ADDRESS = re.compile(r"[%\[\]^|\\]")

#: Name of the file that marks a store.
MARK = "store.json"


def check_place(folder: Path) -> None:
    """Refuse a folder in which no table can be.

    Raises
    ------
    StoreError
        Where its path has a letter that the tables' library takes for part of an address.
    """
    found = _NO_ADDRESS.search(folder.absolute().as_posix())
    if found:
        raise StoreError(
            f"no store can be in {folder}, since its path has a {found[0]}; name a folder without "
            "any of % [ ] ^ | and \\ in its path"
        )


def is_store(folder: Path) -> bool:
    """Tell whether a folder holds a store; StoreError where the folder cannot be looked at."""
    try:
        return (folder / MARK).exists()
    except OSError as error:
        raise StoreError(
            f"the folder of the store cannot be looked at ({error.strerror or error}); name "
            "another --store"
        ) from None


def format_of(folder: Path) -> int:
    """Return the format of a store; DamagedStoreError where its mark does not say."""
    mark = folder / MARK
    try:
        held = json.loads(mark.read_text("utf-8"))["format"]
    except (OSError, ValueError, KeyError, TypeError):
        held = None
    if type(held) is not int or held < 1:
        raise DamagedStoreError(
            f"{mark} is damaged, so the store's format is unknown; restore it from a copy"
        )
    return held


def write_mark(folder: Path, content: Mapping[str, object]) -> None:
    """Mark a folder as a store, whatever mark it had; OSError where it cannot be written."""
    partial = folder / (MARK + ".part")
    partial.write_text(json.dumps(content) + "\n", "utf-8")
    partial.replace(folder / MARK)


def upgrade(folder: Path) -> None:
    """Bring a store to this format, one named step after the other; call it under its lock.

    Raises
    ------
    StoreError
        When a step cannot be done; nothing is lost, and it is done at the next opening.
    """
    for number, (name, step) in sorted(_STEPS.items()):
        if number <= format_of(folder):
            continue
        try:
            step(folder)
            write_mark(folder, {"format": number, "upgraded_by": name})
        except (OSError, DeltaError) as error:
            raise StoreError(
                f"the store in {folder} cannot be brought to format {number} "
                f"({name}: {short(error)}); nothing is lost: open it once more as "
                "somebody who may write to it"
            ) from None


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
            view_all(connection, name, data_files(table), old)
            rows = connection.sql(f"select *{added} from all_{name}").to_arrow_reader(BATCH)
            write_deltalake(
                table,
                pa.RecordBatchReader.from_batches(schema, cast(rows, schema)),
                mode="overwrite",
                schema_mode="overwrite",
                writer_properties=ZSTD,
            )


#: What each format changed, by its number: what the step is called, and the step, given the folder.
_STEPS: Mapping[int, tuple[str, Callable[[Path], None]]] = {
    2: ("say where rows came from", _say_where_rows_came_from)
}
