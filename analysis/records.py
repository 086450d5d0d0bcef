"""Text of a log file to records with their true line numbers, whatever the file looks like.

A record is one line of the log, or several where a quoted field holds line breaks. Files come from
spreadsheets, tablets and other programs, so encodings, delimiters and line endings differ; a
mended file is only useful when the line number given is the one the editor shows, so line numbers
are counted over the bytes themselves and never taken from a parser that skips lines.

The fast way works on blocks of about 4 MB: newlines, quotes and delimiters are found with numpy,
and records with the right number of values go to pyarrow's parser in one piece. A block whose
quotes do not follow the usual rule (RFC 4180) is read by the ``csv`` module instead. No more of a
file than a few blocks is ever held, so its size does not matter.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from analysis.texts import BLOCK_BYTES, NotALogError, Text
from analysis.words import many

LONGEST_HEADER = 100_000
#: A quote that is still open after so many lines was never meant to be one.
LONGEST_RECORD_LINES = 1_000
LONGEST_RECORD_BYTES = 1 << 20
#: A line beyond this is no line of a log, and would have to be held in memory as a whole.
LONGEST_LINE_BYTES = 64 << 20

_QUOTE, _LF, _CR, _SPACE, _NUL = b'"\n\r \0'
_DELIMITERS = (",", ";", "\t")
#: A record of nothing but these and delimiters is an empty line.
_BLANK = ' \t\r\n"'
_LINE_END = re.compile(rb"\r\n?|\n")


@dataclass(frozen=True)
class Header:
    """The first record of a file and where the rest begins.

    Attributes
    ----------
    names : tuple of str
        Lower case, without surrounding blanks or trailing empty names.
    delimiter : str
        Comma, semicolon or tab.
    width : int
        Values in the header line, trailing empty ones included.
    start : int
        Offset of the byte after the header.
    line : int
        Number of the physical line that begins there.
    """

    names: tuple[str, ...]
    delimiter: str
    width: int
    start: int
    line: int


@dataclass
class Broken:
    """A record that has not one value for each name.

    Attributes
    ----------
    line : int
        Of the file, from 1.
    cells : list of str
        As found.
    reason : str
        What is amiss, as a sentence.
    """

    line: int
    cells: list[str]
    reason: str


@dataclass
class Block:
    """Records of one stretch of the file.

    Attributes
    ----------
    columns : list of pyarrow.StringArray
        One per header name, every value as it stood.
    lines : int array
        Physical line on which each record starts, in the order of ``columns``.
    broken : list of Broken
        Records that could not be set beside the header.
    size : int
        Bytes of the text that the block took.
    """

    columns: list[pa.Array]
    lines: npt.NDArray[np.int64]
    broken: list[Broken] = field(default_factory=list)
    size: int = 0

    @property
    def records(self) -> int:
        """Records read, broken ones included."""
        return len(self.lines) + len(self.broken)


class _Window:
    """The part of a text that is being read: from a start of a record to well past a block."""

    def __init__(self, text: Text) -> None:
        self._pieces = text.pieces()
        self._read = 0
        self.data = b""
        self.at_end = False

    def drop(self, size: int) -> None:
        """Let go of what has been read; the next `fill` moves the rest to the front."""
        self._read = size

    def fill(self, size: int) -> bool:
        """Read on until every record that starts within ``size`` bytes can be judged.

        The lines that start there must be whole, and a record that its quotes hold open must
        reach its limit before the window ends, so that a window never shows. False at the end.
        """
        parts: list[bytes | memoryview] = [memoryview(self.data)[self._read :]]
        held = len(self.data) - self._read
        self._read = 0
        while not self.at_end and held < size + 2 * LONGEST_RECORD_BYTES:
            held += self._more(parts)
        self.data = b"".join(parts)
        while not self.at_end:
            found = _LINE_END.search(self.data, min(size, len(self.data)))
            if found and len(self.data) > found.end() + LONGEST_RECORD_BYTES:
                break
            if len(self.data) > size + LONGEST_LINE_BYTES:
                raise NotALogError(
                    f"a line is longer than {LONGEST_LINE_BYTES >> 20} million characters, which "
                    "no line of a log is; export the log again"
                )
            parts = [self.data]
            self._more(parts)
            self.data = b"".join(parts)
        return bool(self.data)

    def _more(self, parts: list[bytes | memoryview]) -> int:
        piece = next(self._pieces, None)
        if piece is None:
            self.at_end = True
            return 0
        parts.append(piece)
        return len(piece)


def _physical_lines(data: bytes, start: int) -> Iterator[tuple[int, int]]:
    """Yield offsets (start, end with its ending) of each physical line from ``start`` on."""
    # Each search stops at the ending found: a file may have no carriage return at all, and a
    # look for one through the rest of it, line by line, would take the square of its size.
    while start < len(data):
        found = _LINE_END.search(data, start)
        end = found.end() if found else len(data)
        yield start, end
        start = end


def _one_record(data: bytes, start: int, delimiter: str) -> tuple[list[str], int, int, str]:
    """Read one record with the csv module.

    Returns its cells, the offset after it, the physical lines it took and, where its quotes are
    wrong, the reason; then the record is its first line alone, cut at the delimiters.
    """
    begin, end = next(_physical_lines(data, start), (start, start))
    if end - begin <= csv.field_size_limit() and _QUOTE not in data[begin:end]:
        return data[begin:end].decode("utf-8").rstrip("\r\n").split(delimiter), end, 1, ""
    taken: list[int] = []
    spent = 0

    def lines() -> Iterator[str]:
        nonlocal spent
        for first, last in _physical_lines(data, start):
            spent += last - first
            if len(taken) >= LONGEST_RECORD_LINES or (taken and spent > LONGEST_RECORD_BYTES):
                return
            taken.append(last)
            yield data[first:last].decode("utf-8")

    try:
        cells = next(csv.reader(lines(), delimiter=delimiter, strict=True), [])
        return cells, taken[-1], len(taken), ""
    except csv.Error as error:
        cells = data[begin:end].decode("utf-8").rstrip("\r\n").split(delimiter)
        if "limit" in str(error):
            reason = f"a value is longer than {csv.field_size_limit():,} characters; shorten it"
        elif "end of data" in str(error):
            reason = 'a quote (") is opened and never closed; close it or take it out'
        else:
            reason = (
                'a quote (") stands inside a quoted value or is closed too early; '
                'write "" for a quote inside quotes'
            )
        return cells, end, 1, reason


def read_header(text: Text, known: frozenset[str]) -> Header:
    """Find the first record that is not empty, its delimiter and its names.

    Parameters
    ----------
    text : Text
        The file.
    known : frozenset of str
        All names of the format; the delimiter that yields most of them is taken.

    Raises
    ------
    NotALogError
        When the first line is far too long to be a header or its quotes are wrong.
    """
    window = _Window(text)
    window.fill(LONGEST_HEADER)
    data = window.data
    start, line = 0, 1
    for begin, end in _physical_lines(data, 0):
        start = begin
        if data[begin:end].strip(b' \t\r\n",;'):
            break
        line += 1
        start = end
    first = next(_physical_lines(data, start), None)
    if first is None:
        raise NotALogError("the file holds no names of columns; export the log again as CSV")
    if first[1] - first[0] > LONGEST_HEADER:
        raise NotALogError(
            f"line {line} is longer than {LONGEST_HEADER:,} characters and no header of a log; "
            "put the names of the columns in the first line"
        )
    best: tuple[int, int, Header] | None = None
    failure = ""
    for delimiter in _DELIMITERS:
        cells, after, lines, reason = _one_record(data, start, delimiter)
        if reason:
            failure = reason
            continue
        names = [cell.strip().lower() for cell in cells]
        while names and not names[-1]:
            names.pop()
        found = len(known.intersection(names))
        header = Header(tuple(names), delimiter, len(cells), after, line + lines)
        rank = (found, len(names))
        if best is None or rank > best[:2]:
            best = (*rank, header)
    if best is None:
        raise NotALogError(f"line {line}, the header: {failure}")
    return best[2]


def blocks(text: Text, header: Header, *, block_bytes: int = BLOCK_BYTES) -> Iterator[Block]:
    """Read the records after the header, a block at a time.

    Parameters
    ----------
    text : Text
        The file.
    header : Header
        As read by `read_header`.
    block_bytes : int
        About how much of the file to take at once.

    Yields
    ------
    Block
        Records in the order of the file. Empty lines, and lines that hold nothing but delimiters,
        are no records.
    """
    window = _Window(text)
    window.fill(header.start)
    window.drop(header.start)
    line = header.line
    while window.fill(block_bytes):
        block, size, line = _fast_block(window.data, window.at_end, line, header, block_bytes) or (
            _slow_block(window.data, line, header, block_bytes)
        )
        window.drop(size)
        block.size = size
        if block.records:
            yield block


def _empty_columns(header: Header) -> list[pa.Array]:
    return [pa.array([], pa.string()) for _ in header.names]


def _fit(cells: list[str], header: Header) -> str:
    """Cut or refuse a record of another width than the header's; return the reason or nothing."""
    wanted = len(header.names)
    while len(cells) > wanted and not cells[-1].strip():
        cells.pop()
    if len(cells) == wanted:
        return ""
    found = len(cells)
    if found > wanted:
        remedy = "quote a value that holds the delimiter, or take the extra values out"
    else:
        remedy = "give every column its value or leave it empty between delimiters"
    return f"{many(found, 'value')} where the header names {wanted}; {remedy}"


def _slow_block(data: bytes, line: int, header: Header, block_bytes: int) -> tuple[Block, int, int]:
    rows: list[list[str]] = []
    lines: list[int] = []
    broken: list[Broken] = []
    position = 0
    stop = min(len(data), block_bytes)
    while position < stop:
        cells, position, took, reason = _one_record(data, position, header.delimiter)
        at, line = line, line + took
        if not reason and not "".join(cells).strip(_BLANK):
            continue
        reason = reason or _fit(cells, header) or ("" if "\0" not in "".join(cells) else _ZERO)
        if reason:
            broken.append(Broken(at, cells, reason))
        else:
            rows.append(cells)
            lines.append(at)
    columns = (
        [pa.array(column, pa.string()) for column in zip(*rows, strict=True)]
        if rows
        else _empty_columns(header)
    )
    return Block(columns, np.array(lines, np.int64), broken), position, line


_ZERO = "the line holds a zero byte; type it again"


def _fast_block(
    data: bytes, whole: bool, line: int, header: Header, block_bytes: int
) -> tuple[Block, int, int] | None:
    """Read a block by counting bytes; ``whole`` says that the data reach the end of the file.

    None where its quotes do not follow the rule, or where a record is so long that an unclosed
    quote may have made it.
    """
    chunk = np.frombuffer(data, np.uint8, min(block_bytes, len(data)))
    at_end = whole and len(chunk) == len(data)
    delimiter = ord(header.delimiter)
    newline = chunk == _LF
    carriage = chunk == _CR
    if carriage.any():
        # A carriage return ends a line unless a line feed follows; one at the very end of the
        # block is left for the next block to judge.
        alone = carriage.copy()
        alone[:-1] &= ~newline[1:]
        alone[-1] &= at_end
        newline |= alone
    quote = chunk == _QUOTE
    outside = np.ones(len(chunk), bool)
    ends_mask = newline
    delimiters = chunk == delimiter
    if quote.any():
        inside = np.bitwise_and(np.cumsum(quote, dtype=np.int32), 1).astype(bool)
        outside = ~inside
        ends_mask = newline & outside
        delimiters &= outside
    ends = np.flatnonzero(ends_mask)
    if at_end:
        size = len(chunk)
        if not len(ends) or ends[-1] != size - 1:
            if not outside[-1]:
                return None
            ends = np.append(ends, size)
    elif not len(ends):
        return None
    size = min(int(ends[-1]) + 1, len(chunk))
    if quote.any():
        opening = np.flatnonzero(quote[:size] & ~outside[:size])
        closing = np.flatnonzero(quote[:size] & outside[:size])
        before = chunk[opening[opening > 0] - 1]
        after = chunk[closing[closing < size - 1] + 1]
        starts_right = (before == delimiter) | (before == _QUOTE) | (before == _LF)
        starts_right |= before == _CR
        ends_right = (after == delimiter) | (after == _QUOTE) | (after == _LF) | (after == _CR)
        if not (starts_right.all() and ends_right.all()):
            return None
    starts = np.concatenate(([0], ends[:-1] + 1))
    newlines = np.flatnonzero(newline[:size])
    before_start = np.searchsorted(newlines, starts)
    lines_taken = 1 + np.searchsorted(newlines, ends) - before_start
    if np.max(ends - starts) > csv.field_size_limit() or np.max(lines_taken) > LONGEST_RECORD_LINES:
        return None
    lines = line + before_start
    next_line = line + len(newlines) + int(len(newlines) == 0 or newlines[-1] != size - 1)

    # Everything that is neither blank nor a delimiter, summed up to each byte, tells empty lines;
    # as _BLANK.
    solid = ~(delimiters | (chunk == _SPACE) | (chunk == 9) | newline | carriage | quote)
    totals = np.concatenate(([0], np.cumsum(solid, dtype=np.int32)))
    blank = totals[ends] == totals[starts]
    places = np.flatnonzero(delimiters[:size])
    width = 1 + np.searchsorted(places, ends) - np.searchsorted(places, starts)
    suspect = np.zeros(len(ends), bool)
    if not chunk[:size].all():
        zeros = np.flatnonzero(chunk[:size] == _NUL)
        suspect[np.searchsorted(ends, zeros)] = True
    ordinary = ~blank & ~suspect
    widths, tally = np.unique(width[ordinary], return_counts=True)
    usual = int(widths[tally.argmax()]) if len(widths) else len(header.names)
    wide = usual if len(header.names) <= usual <= header.width + 1 else len(header.names)
    good = ordinary & (width == wide)

    columns, lines_kept, broken = _parse(data, starts, ends, good, lines, wide, header)
    repaired: list[list[str]] = []
    repaired_lines: list[int] = []
    for index in np.flatnonzero(~good & ~blank):
        cells, _, _, reason = _one_record(data, int(starts[index]), header.delimiter)
        reason = reason or _fit(cells, header)
        if not reason and "\0" in "".join(cells):
            reason = _ZERO
        if reason:
            broken.append(Broken(int(lines[index]), cells, reason))
        else:
            repaired.append(cells)
            repaired_lines.append(int(lines[index]))
    if repaired:
        extra = zip(*repaired, strict=True)
        columns = [
            pa.concat_arrays([column, pa.array(more, pa.string())])
            for column, more in zip(columns, extra, strict=True)
        ]
        lines_kept = np.concatenate((lines_kept, np.array(repaired_lines, np.int64)))
    return Block(columns, lines_kept, broken), size, next_line


def _parse(
    data: bytes,
    starts: npt.NDArray[np.int64],
    ends: npt.NDArray[np.int64],
    good: npt.NDArray[np.bool_],
    lines: npt.NDArray[np.int64],
    wide: int,
    header: Header,
) -> tuple[list[pa.Array], npt.NDArray[np.int64], list[Broken]]:
    """Parse the good records of a block in one piece."""
    if not good.any():
        return _empty_columns(header), np.array([], np.int64), []
    if good.all():
        piece = data[: int(ends[-1]) + 1]
    else:
        # Join the runs of good records, so that the parser meets no other.
        edges = np.flatnonzero(np.diff(np.concatenate(([False], good, [False])).astype(np.int8)))
        pieces = [data[int(starts[a]) : int(ends[b - 1])] for a, b in edges.reshape(-1, 2)]
        piece = b"\n".join(pieces)
    if piece.startswith(codecs.BOM_UTF8):
        # The parser takes one off, as if the file began here; files that were joined have them.
        piece = codecs.BOM_UTF8 + piece
    table = pa.csv.read_csv(
        io.BytesIO(piece),
        read_options=pa.csv.ReadOptions(
            column_names=[str(i) for i in range(wide)],
            use_threads=False,
            block_size=max(len(piece) + 1, 1 << 16),
        ),
        parse_options=pa.csv.ParseOptions(
            delimiter=header.delimiter, newlines_in_values=True, ignore_empty_lines=True
        ),
        convert_options=pa.csv.ConvertOptions(
            column_types={str(i): pa.string() for i in range(wide)},
            strings_can_be_null=False,
            check_utf8=False,
        ),
    )
    kept = lines[good]
    if table.num_rows != len(kept):
        raise AssertionError("the parser and the line count disagree")
    columns = [column.combine_chunks() for column in table.columns]
    columns = [c.chunk(0) if isinstance(c, pa.ChunkedArray) else c for c in columns]
    names = len(header.names)
    broken: list[Broken] = []
    if wide > names:
        full = np.zeros(len(kept), bool)
        for column in columns[names:]:
            filled = pc.greater(pc.utf8_length(pc.utf8_trim_whitespace(column)), 0)
            full |= filled.to_numpy(zero_copy_only=False)
        for index in np.flatnonzero(full):
            cells = [column[int(index)].as_py() for column in columns]
            broken.append(Broken(int(kept[index]), cells, _fit(list(cells), header)))
        keep = pa.array(~full)
        columns, kept = [column.filter(keep) for column in columns[:names]], kept[~full]
    return columns, kept, broken
