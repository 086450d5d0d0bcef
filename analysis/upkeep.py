"""Is the store whole, and is it in good order? Checksums, copies, and merging of small files.

``SHA256SUMS`` in the store's folder names the checksum of every data file in the form that
``sha256sum --check`` reads, so that a damaged file can be found without feedtally too.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet
from deltalake import DeltaTable, WriterProperties

from analysis.snapshot import DamagedStoreError

#: Name of the file of checksums.
SUMS = "SHA256SUMS"
#: Where damaged files are put.
DAMAGED = "damaged"
_LOST = "lost.json"

ZSTD = WriterProperties(compression="ZSTD", max_row_group_size=1 << 18)

#: Policy of merging: each intake leaves a small file, and many of them make reading slow. When
#: there are so many files below one of these sizes (bytes), they are merged into files of about
#: that size. Files that have it are not touched again, so the work does not grow with the store.
MERGE_FILES = 32
MERGE_SIZES = (1 << 20, 32 << 20)
#: Files that a merge has replaced are kept for a week, for whoever still reads them.
KEEP_HOURS = 7 * 24


@dataclass(frozen=True)
class Damage:
    """A data file that is gone, or whose bytes are not those that were written.

    Attributes
    ----------
    file : str
        Within the store's folder.
    table : str
        Whose rows it holds.
    reason : str
        What is wrong with it.
    """

    file: str
    table: str
    reason: str


def data_files(name: str, table: DeltaTable) -> list[str]:
    """Return the data files of a table as they stand in ``SHA256SUMS``: within the store."""
    return sorted(f"{name}/{Path(uri).name}" for uri in table.file_uris())


def checksum(path: Path) -> str:
    """Return the SHA-256 of a file; OSError where it cannot be read."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def known_sums(folder: Path) -> dict[str, str]:
    """Return the checksum of each data file, as far as they were written down."""
    try:
        text = (folder / SUMS).read_text("utf-8")
    except FileNotFoundError:
        return {}
    pairs = (line.partition("  ") for line in text.splitlines())
    return {name: digest for digest, sep, name in pairs if sep}


def write_sums(folder: Path, tables: Mapping[str, DeltaTable]) -> None:
    """Write down the checksums of files that have none yet, and forget those of files gone.

    Call it under the store's lock; what is noted of other tables stays. OSError where it cannot
    be written.
    """
    known = known_sums(folder)
    live = [file for name, table in tables.items() for file in data_files(name, table)]
    # A file that cannot be read has no checksum, and is found damaged by that.
    sums = {file: digest for file, digest in known.items() if file.split("/")[0] not in tables}
    for name in live:
        with contextlib.suppress(FileNotFoundError):
            sums[name] = known.get(name) or checksum(folder / name)
    if sums == known:
        return
    part = folder / f"{SUMS}.part"
    part.write_text(
        "".join(f"{digest}  {name}\n" for name, digest in sorted(sums.items())), "utf-8"
    )
    part.replace(folder / SUMS)


def damage(folder: Path, name: str, table: DeltaTable, sums: Mapping[str, str]) -> list[Damage]:
    """Find the damaged files of a table."""
    found = []
    for file in data_files(name, table):
        reason = _what_is_wrong(folder / file, sums.get(file))
        if reason:
            found.append(Damage(file, name, reason))
    return found


def _what_is_wrong(path: Path, digest: str | None) -> str:
    try:
        if digest is not None:
            return "" if checksum(path) == digest else "its checksum is another"
        # Written by a process that was killed before it could note the checksum: reading all of
        # it is the next best proof.
        with pyarrow.parquet.ParquetFile(path) as file:
            for _ in file.iter_batches():
                pass
    except FileNotFoundError:
        return "it is gone"
    except (OSError, pa.ArrowException) as error:
        return f"it cannot be read ({str(error).splitlines()[0][:100]})"
    return ""


def set_aside(folder: Path, found: Iterable[Damage], tables: Mapping[str, DeltaTable]) -> None:
    """Move damaged files out of the tables, into the folder ``damaged``; OSError if it cannot be.

    What is left of the tables can be read; the files that the lost rows came from can be added
    again.
    """
    names = set()
    for one in found:
        names.add(one.table)
        source = folder / one.file
        target = folder / DAMAGED / one.file
        target.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(FileNotFoundError):
            source.replace(target)
    for name in sorted(names):
        tables[name].repair()


def note_lost(folder: Path, rows: Mapping[int, int]) -> None:
    """Note how many rows of which intakes went with the files that were set aside."""
    held = lost_before(folder)
    for intake, count in rows.items():
        held[intake] = held.get(intake, 0) + count
    part = folder / DAMAGED / f"{_LOST}.part"
    part.write_text(json.dumps(held) + "\n", "utf-8")
    part.replace(folder / DAMAGED / _LOST)


def lost_before(folder: Path) -> dict[int, int]:
    """Return rows lost by intake, as `note_lost` noted them."""
    try:
        held = json.loads((folder / DAMAGED / _LOST).read_text("utf-8"))
        return {int(intake): int(rows) for intake, rows in held.items()}
    except (OSError, ValueError, AttributeError):
        return {}


def refuse_damaged(folder: Path, name: str, table: DeltaTable) -> None:
    """Raise DamagedStoreError where a table has a damaged file.

    Before rows are written again: what is damaged would get a checksum of its own then, and never
    be found.
    """
    found = damage(folder, name, table, known_sums(folder))
    if found:
        raise DamagedStoreError(
            f"data file {found[0].file} of the store is damaged ({found[0].reason}), so nothing "
            "was written; feedtally store check says what is lost, and how to read all else"
        )


def merge_small(folder: Path, name: str, table: DeltaTable) -> bool:
    """Merge the small files of a table when there are many; tell whether there were.

    DeltaError, OSError or DamagedStoreError where that cannot be done; the table is then as it
    was.
    """
    sizes = pa.table(table.get_add_actions())["size_bytes"].to_pylist()
    for most in MERGE_SIZES:
        if sum(size < most for size in sizes) >= MERGE_FILES:
            refuse_damaged(folder, name, table)
            table.optimize.compact(target_size=most, max_concurrent_tasks=1, writer_properties=ZSTD)
            # With the files of writers that were killed.
            table.vacuum(retention_hours=KEEP_HOURS, dry_run=False, full=True)
            return True
    return False


def copy(folder: Path, to: Path) -> None:
    """Copy a store's folder, without locks and what unfinished intakes have there."""
    shutil.copytree(
        folder, to, ignore=shutil.ignore_patterns(".lock", ".feedtally-*", "*.part", "kept")
    )


def remove(folder: Path) -> None:
    """Remove what is left of a copy that failed."""
    shutil.rmtree(folder, ignore_errors=True)
