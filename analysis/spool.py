"""What has been read of a file: in memory while it is little, on disk beyond.

A log of several gigabytes holds more rows than a shop's machine has memory for, and none of them
may be stored before all of them have been looked at. They wait in a folder of their own, which is
gone when the file has been taken in.
"""

from __future__ import annotations

import contextlib
import heapq
import itertools
import pickle
import secrets
import shutil
import tempfile
import time
import weakref
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Generic, Protocol, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet

from analysis.log_format import LINE

IntArray = npt.NDArray[np.int64]

#: Rows beyond these bytes go to disk: a million rows of a usual log stay in memory.
MOST_BYTES = 320 << 20
#: Rejected lines beyond these go to disk.
MOST_LINES = 20_000
#: Rows read from disk at once.
_BATCH = 1 << 16

#: Names of what is not finished begin with this.
PREFIX = ".feedtally-"
#: A folder that a killed process left is nobody's after a day.
_LEFT_SECONDS = 24 * 3600


class Scratch:
    """A folder for what does not fit in memory; made when it is first needed.

    Parameters
    ----------
    places : sequence of Path
        Folders to make it in: the first that is there and can be written to, else the system's
        own. That one may itself be kept in memory, so a folder on disk is better.
    most_bytes, most_lines : int
        Rows and lines that are held in memory.
    """

    def __init__(
        self,
        places: Sequence[Path] = (),
        *,
        most_bytes: int = MOST_BYTES,
        most_lines: int = MOST_LINES,
    ) -> None:
        self.most_bytes = most_bytes
        self.most_lines = most_lines
        self._places = places
        self._made: Path | None = None
        self._remove: Callable[[], object] = lambda: None

    def folder(self) -> Path:
        """Return the folder; OSError where none can be made."""
        if self._made is None:
            for place in (*self._places, None):
                try:
                    made = Path(tempfile.mkdtemp(prefix=PREFIX, dir=place))
                except OSError:
                    if place is None:
                        raise
                    continue
                self._made = made
                # At the end of the program too, whoever forgets to close.
                self._remove = weakref.finalize(self, partial(shutil.rmtree, made, True))
                _clear(made.parent)
                break
        assert self._made is not None
        return self._made

    def close(self) -> None:
        """Remove the folder and all that is in it."""
        self._remove()
        self._made = None


def beside(path: Path) -> Path:
    """Return a name of nobody's in a path's own folder, to write to before it takes its place."""
    return path.with_name(f"{PREFIX}{secrets.token_hex(8)}")


def _clear(place: Path) -> None:
    """Remove what killed processes have left behind."""
    for left in place.glob(f"{PREFIX}*/"):
        with contextlib.suppress(OSError):
            if time.time() - left.stat().st_mtime > _LEFT_SECONDS:
                shutil.rmtree(left, ignore_errors=True)


class Rows:
    """Accepted rows of one file, in its order.

    Parameters
    ----------
    schema : pyarrow.Schema
        Of the rows; it has a column ``file_line``.
    scratch : Scratch
        Where they go when they are many.
    """

    def __init__(self, schema: pa.Schema, scratch: Scratch) -> None:
        self.schema = schema
        self.num_rows = 0
        #: File that holds the rows; None while they are in memory.
        self.path: Path | None = None
        #: Lines whose rows do not count any more, sorted.
        self.gone: IntArray = np.array([], np.int64)
        self._scratch = scratch
        self._held: list[pa.Table] = []
        self._bytes = 0
        self._writer: pyarrow.parquet.ParquetWriter | None = None

    def append(self, table: pa.Table) -> None:
        """Add rows; OSError where the disk is full."""
        self.num_rows += table.num_rows
        if self._writer is None:
            self._held.append(table)
            self._bytes += table.nbytes
            if self._bytes <= self._scratch.most_bytes:
                return
            self.path = self._scratch.folder() / "rows.parquet"
            self._writer = pyarrow.parquet.ParquetWriter(
                self.path, self.schema, compression="lz4", write_statistics=False
            )
            waiting, self._held = self._held, []
            for held in waiting:
                self._writer.write_table(held)
            return
        self._writer.write_table(table)

    def finish(self) -> None:
        """Say that there are no more rows; they can be read from now on."""
        if self._writer is not None:
            self._writer.close()

    def drop(self, lines: IntArray) -> None:
        """Leave out the rows of some lines from now on."""
        self.num_rows -= sum(
            int(np.isin(table[LINE].to_numpy(), lines).sum()) for table in self.tables([LINE])
        )
        self.gone = np.union1d(self.gone, lines)

    def tables(self, columns: Sequence[str] | None = None) -> Iterator[pa.Table]:
        """Yield the rows, a part at a time."""
        if self.path is None:
            whole: Iterable[pa.Table] = self._held
        else:
            whole = self._from_disk()
        for table in whole:
            if len(self.gone):
                table = table.filter(pa.array(~np.isin(table[LINE].to_numpy(), self.gone)))
            yield table if columns is None else table.select(list(columns))

    def _from_disk(self) -> Iterator[pa.Table]:
        with pyarrow.parquet.ParquetFile(self.path) as file:
            for batch in file.iter_batches(batch_size=_BATCH):
                yield pa.Table.from_batches([batch])

    def table(self) -> pa.Table:
        """Return all rows at once; for files that fit in memory."""
        parts = list(self.tables())
        return pa.concat_tables(parts) if parts else self.schema.empty_table()


class _Numbered(Protocol):
    @property
    def line(self) -> int: ...


Line = TypeVar("Line", bound=_Numbered)


class Lines(Generic[Line]):
    """Things known by the line of a file they stand on, in order of it.

    Parameters
    ----------
    scratch : Scratch
        Where they go when they are many.
    """

    def __init__(self, scratch: Scratch) -> None:
        self._scratch = scratch
        self._held: list[Line] = []
        self._count = 0
        self._path: Path | None = None

    def __len__(self) -> int:
        """Return how many there are."""
        return self._count

    def __iter__(self) -> Iterator[Line]:
        """Go through them in order."""
        if self._path is not None:
            with self._path.open("rb") as file:
                while True:
                    try:
                        # Written by this very object, into a folder that is its user's alone.
                        yield from pickle.load(file)
                    except EOFError:
                        break
        yield from self._held

    def append(self, line: Line) -> None:
        """Add one that stands after all others; OSError where the disk is full."""
        self._held.append(line)
        self._count += 1
        if len(self._held) > self._scratch.most_lines:
            if self._path is None:
                number = next(_numbers)
                self._path = self._scratch.folder() / f"lines-{number}.pickle"
            with self._path.open("ab") as file:
                pickle.dump(self._held, file)
            self._held = []

    def merge(self, more: Iterable[Line]) -> Lines[Line]:
        """Return these and others, which are in order of their lines too."""
        merged: Lines[Line] = Lines(self._scratch)
        for line in heapq.merge(self, more, key=lambda line: line.line):
            merged.append(line)
        return merged


_numbers = itertools.count(1)
