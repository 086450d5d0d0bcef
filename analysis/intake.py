"""Is this file a log, and which of its lines can be taken?

A file goes in, accepted rows and rejected lines with their reasons come out; nothing is stored
here. Every record of the file ends up in exactly one of the two, so that the account
(read = accepted + rejected) holds whatever the bytes.
"""

from __future__ import annotations

import io
import os
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
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


@dataclass(frozen=True)
class KnownNames:
    """What a store calls its towers, or its stocks.

    Attributes
    ----------
    listed : tuple of str
        By the list, which knows how they are written.
    logged : tuple of str
        By the run log, the one with most rows first.
    """

    listed: tuple[str, ...] = ()
    logged: tuple[str, ...] = ()


def none_known(named: Collection[str]) -> KnownNames:
    """Return what is known where there is no store: nothing."""
    return KnownNames()


@dataclass(frozen=True)
class Alike:
    """A name that is that of another but for capitals and blanks.

    Attributes
    ----------
    thing : str
        ``tower`` or ``stock``.
    name, known : str
        As the file has it, and the other.
    line : int
        The first on which it stands.
    """

    thing: str
    name: str
    known: str
    line: int

    def sentence(self, *, of_file: bool = True) -> str:
        """Say which two, without the line where what was read is no file that anybody has."""
        line = f" (line {self.line:,})" if of_file else ""
        return (
            f"{self.thing} {self.name}{line} differs from {self.thing} {self.known} in capitals or "
            "blanks only, and is taken for another; write it alike where it is the same"
        )


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
    alike : tuple of Alike
        Towers and stocks that may be others, mistyped; they are among the warnings.
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
    alike: tuple[Alike, ...]
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
    stocks: Callable[[Collection[str]], KnownNames] = none_known,
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
    stocks : callable, optional
        Returns what the store calls its stocks, for those that the file names; called where it
        names any.
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

    return _read(opened, name, tower_bins or {}, stocks, site, scratch or Scratch(), progress)


def read_bytes(
    raw: bytes,
    name: str,
    *,
    tower_bins: Mapping[str, int] | None = None,
    stocks: Callable[[Collection[str]], KnownNames] = none_known,
    site: Site = NO_SITE,
    scratch: Scratch | None = None,
    block_bytes: int = BLOCK_BYTES,
) -> ParsedLog:
    """Read and check the bytes of one file; as `read_log`.

    ``block_bytes`` sets how much is read at once; the result does not depend on it.
    """
    opened = partial(io.BytesIO, raw)
    kept = scratch or Scratch()
    return _read(opened, name, tower_bins or {}, stocks, site, kept, None, block_bytes)


def _read(
    opened: Callable[[], BinaryIO],
    name: str,
    tower_bins: Mapping[str, int],
    stocks: Callable[[Collection[str]], KnownNames],
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
    lines, done = 0, header.start
    named: dict[str, dict[str, int]] = {"tower": {}, "stock": {}}
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
        for thing, first in named.items():
            if thing in part.rows.column_names:
                _first_lines(part.rows, thing, first)
        done += part.size
        if progress is not None:
            progress(min(done, text.size), text.size)
    rows.finish()
    if not lines:
        raise NotALogError(
            f"the file has the header of a {kind.title} but no line after it; "
            "export the log again with its lines"
        )
    alike = _alike("tower", named["tower"], KnownNames(tuple(tower_bins)))
    if named["stock"]:
        alike += _alike("stock", named["stock"], stocks(named["stock"]))
    return ParsedLog(
        name=name,
        sha256=text.sha256,
        kind=kind,
        header=header,
        rows=rows,
        lines=lines,
        rejected=rejected,
        warnings=warnings + [one.sentence() for one in alike],
        alike=tuple(alike),
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


def _first_lines(rows: pa.Table, column: str, first: dict[str, int]) -> None:
    """Note the line on which each name of a column stands first."""
    for name in rows[column].unique().to_pylist():
        if name and name not in first:
            first[name] = rows[LINE][pc.index(rows[column], name).as_py()].as_py()


def _alike(thing: str, named: Mapping[str, int], known: KnownNames) -> list[Alike]:
    """Find the names of a file that are those of others but for capitals and blanks."""

    def bare(name: str) -> str:
        return "".join(name.casefold().split())

    # The list knows how it is written, then the log; else whichever came first.
    order = [*reversed([*named]), *reversed(known.logged), *known.listed]
    meant = {bare(name): name for name in order}
    return [
        Alike(thing, name, meant[bare(name)], line)
        for name, line in named.items()
        if meant[bare(name)] != name and name not in known.listed
    ]


def _encoding_warnings(text: Text) -> list[str]:
    if text.encoding == "windows-1252":
        return ["the file is not UTF-8 and was read as Windows-1252; check accents in names"]
    return []
