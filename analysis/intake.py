"""Is this file a log, and which of its lines can be taken?

A file goes in, accepted rows and rejected lines with their reasons come out; nothing is stored
here. Every record of the file ends up in exactly one of the two, so that the account
(read = accepted + rejected) holds whatever the bytes.
"""

from __future__ import annotations

import io
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analysis.headers import columns_passed_over, known_names, name_columns, own_names, tell_kind
from analysis.line_checks import BlockReader, Problem, ReadBlock, RejectedLine
from analysis.log_format import LINE, LogKind, content_schema
from analysis.records import Block, Header, blocks, read_header
from analysis.site import NO_SITE, Site
from analysis.spool import Lines, Rows, Scratch
from analysis.texts import BLOCK_BYTES, NotALogError, Text, examine

#: Called with the bytes read so far and all there are.
Progress = Callable[[int, int], None]


@dataclass
class ParsedLog:
    """A file read and checked, not yet compared with what is stored.

    Attributes
    ----------
    name, sha256 : str
        The file's name without its folder, and the hash of its bytes.
    kind : LogKind
        Told from the header.
    header : Header
        Names, delimiter and width.
    rows : analysis.spool.Rows
        Accepted rows: the kind's content columns and ``file_line``. A line for several bins gives
        several rows with the same ``file_line``.
    lines : int
        Records read after the header.
    rejected : analysis.spool.Lines of RejectedLine
        In the order of the file.
    warnings : list of str
        What the crew should know though nothing was refused.
    text : Text
        The file, to read a line again should it be refused later.
    scratch : Scratch
        Holds what does not fit in memory.
    """

    name: str
    sha256: str
    kind: LogKind
    header: Header
    rows: Rows
    lines: int
    rejected: Lines[RejectedLine]
    warnings: list[str]
    text: Text
    scratch: Scratch

    def refuse(self, problems: Iterable[Problem]) -> None:
        """Turn accepted lines into rejected ones.

        Parameters
        ----------
        problems : iterable of Problem
            In the order of their lines; each must be an accepted line.

        Raises
        ------
        NotALogError
            When the file is no longer the one that was read.
        """
        gone: list[int] = []
        merged = self.rejected.merge(self._refused(problems, gone))
        if gone:
            self.rejected = merged
            self.rows.drop(np.array(gone, np.int64))

    def _refused(self, problems: Iterable[Problem], gone: list[int]) -> Iterator[RejectedLine]:
        """Read the file once more for the cells of lines that are refused after all."""
        by_line = groupby(problems, key=lambda problem: problem.line)
        wanted = next(by_line, None)
        if wanted is None:
            return
        skip = columns_passed_over(self.header)
        for block in blocks(self.text, self.header):
            order = np.argsort(block.lines)
            lines = block.lines[order]
            while wanted is not None and len(lines) and wanted[0] <= lines[-1]:
                line, wrong = wanted
                index = int(order[np.searchsorted(lines, line)])
                cells = tuple(column[index].as_py() for column in block.columns[skip:])
                gone.append(line)
                yield RejectedLine(line, cells, tuple(wrong))
                wanted = next(by_line, None)
            if wanted is None:
                return

    def close(self) -> None:
        """Let go of what was put on disk."""
        self.scratch.close()


def read_log(
    path: Path,
    *,
    tower_bins: Mapping[str, int] | None = None,
    site: Site = NO_SITE,
    scratch: Scratch | None = None,
    progress: Progress | None = None,
) -> ParsedLog:
    """Read and check one file, of any size.

    Parameters
    ----------
    path : Path
        A CSV file of any of the four kinds.
    tower_bins : mapping of str to int, optional
        Bins of each tower that a tower list names; a bin beyond them is refused.
    site : Site
        The site's own headers and form of dates.
    scratch : Scratch, optional
        Where to put what does not fit in memory.
    progress : callable, optional
        Told how far the reading has come.

    Raises
    ------
    NotALogError
        When the file as a whole is no log.
    OSError
        When it cannot be read.
    """
    # A name that is not UTF-8 can neither be stored nor printed as it is.
    name = os.fsencode(path.name).decode("utf-8", "replace")

    def opened() -> BinaryIO:
        return path.open("rb")

    return _read(opened, name, tower_bins or {}, site, scratch or Scratch(), progress)


def read_bytes(
    raw: bytes,
    name: str,
    *,
    tower_bins: Mapping[str, int] | None = None,
    site: Site = NO_SITE,
    scratch: Scratch | None = None,
    block_bytes: int = BLOCK_BYTES,
) -> ParsedLog:
    """Read and check the bytes of one file; as `read_log`.

    ``block_bytes`` sets how much is read at once; the result does not depend on it.
    """
    opened = partial(io.BytesIO, raw)
    return _read(opened, name, tower_bins or {}, site, scratch or Scratch(), None, block_bytes)


def _read(
    opened: Callable[[], BinaryIO],
    name: str,
    tower_bins: Mapping[str, int],
    site: Site,
    scratch: Scratch,
    progress: Progress | None,
    block_bytes: int = BLOCK_BYTES,
) -> ParsedLog:
    text = examine(opened)
    header = read_header(text, known_names(site))
    skip = columns_passed_over(header)
    names = own_names(header.names[skip:], site)
    kind = tell_kind(names)
    warnings = _encoding_warnings(text) + name_columns(names, kind)
    rows = Rows(content_schema(kind).append(pa.field(LINE, pa.int64())), scratch)
    rejected: Lines[RejectedLine] = Lines(scratch)
    towers: set[str] = set()
    lines, done = 0, header.start
    reader = BlockReader(kind, names, header.delimiter != ",", tower_bins, site.date_form)

    def read(block: Block) -> ReadBlock:
        block.columns = block.columns[skip:]
        for broken in block.broken:
            broken.cells = broken.cells[skip:]
        return reader.read(block)

    for part in _ahead(read, blocks(text, header, block_bytes=block_bytes)):
        lines += part.records
        for line in part.rejected:
            rejected.append(line)
        rows.append(part.rows)
        if kind.name in ("runs", "services"):
            towers.update(pc.unique(part.rows["tower"]).to_pylist())
        done += part.size
        if progress is not None:
            progress(min(done, text.size), text.size)
    rows.finish()
    warnings += _tower_warnings(towers, tower_bins)
    if not lines:
        raise NotALogError(
            f"the file has the header of a {kind.title} but no line after it; "
            "export the log again with its lines"
        )
    return ParsedLog(
        name=name,
        sha256=text.sha256,
        kind=kind,
        header=header,
        rows=rows,
        lines=lines,
        rejected=rejected,
        warnings=warnings,
        text=text,
        scratch=scratch,
    )


def _ahead(work: Callable[[Block], ReadBlock], cut: Iterator[Block]) -> Iterator[ReadBlock]:
    """Check blocks on another thread while the next ones are cut, in order, a few at a time.

    Cutting and checking spend their time in numpy and pyarrow, which let other threads run.
    """
    pending: deque[Future[ReadBlock]] = deque()
    with ThreadPoolExecutor(max_workers=2) as pool:
        for block in cut:
            pending.append(pool.submit(work, block))
            if len(pending) > 4:
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()


def _tower_warnings(towers: set[str], listed: Mapping[str, int]) -> list[str]:
    """Name towers that the list has in other letters, capital or small: they would be new ones."""
    meant = {tower.casefold(): tower for tower in listed}
    return [
        f"tower {tower} is not in the tower list, which has {meant[tower.casefold()]}; if that is "
        f"meant, write {meant[tower.casefold()]}"
        for tower in sorted(towers - set(listed))
        if tower.casefold() in meant
    ]


def _encoding_warnings(text: Text) -> list[str]:
    if text.encoding == "windows-1252":
        return ["the file is not UTF-8 and was read as Windows-1252; check accents in names"]
    return []
