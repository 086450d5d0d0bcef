"""Is this file a log, and which of its lines can be taken?

A file goes in, accepted rows and rejected lines with their reasons come out; nothing is stored
here. Every record of the file ends up in exactly one of the two, so that the account
(read = accepted + rejected) holds whatever the bytes.
"""

from __future__ import annotations

import csv
import filecmp
import io
import os
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import BinaryIO, TextIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from analysis.log_format import (
    EXTRA,
    KINDS,
    LINE,
    MOST_COLUMNS,
    PARTLESS_ACTIONS,
    LogKind,
    content_schema,
)
from analysis.papers import agree, grammage
from analysis.records import (
    BLOCK_BYTES,
    Block,
    Header,
    NotALogError,
    Text,
    blocks,
    examine,
    read_header,
)
from analysis.site import NO_SITE, Site
from analysis.spool import Lines, Rows, Scratch, beside
from analysis.values import Read, escape_cell, nearest, read_column, unescape, unescape_cell

BoolArray = npt.NDArray[np.bool_]
_Refuse = Callable[[BoolArray, str, "str | Callable[[int], str]"], None]

#: Called with the bytes read so far and all there are.
Progress = Callable[[int, int], None]

#: What a rejects file has before the columns of the log it came from.
REJECT_COLUMNS = ("line", "column", "reason")


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with a line, and what to do.

    Attributes
    ----------
    line : int
        Number of the physical line in the file, the first being 1.
    column : str
        The log's column, or nothing where the line as a whole will not do.
    reason : str
        One sentence with the remedy.
    """

    line: int
    column: str
    reason: str


@dataclass(frozen=True, slots=True)
class RejectedLine:
    """A line that was not taken: its cells as they stood, and its problems."""

    line: int
    cells: tuple[str, ...]
    problems: tuple[Problem, ...]


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
        skip = _skipped(self.header)
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


def _skipped(header: Header) -> int:
    """Return how many columns of a mended rejects file say what was wrong and are passed over."""
    return len(REJECT_COLUMNS) if header.names[: len(REJECT_COLUMNS)] == REJECT_COLUMNS else 0


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
    skip = _skipped(header)
    names = own_names(header.names[skip:], site)
    kind = tell_kind(names)
    warnings = _encoding_warnings(text) + _name_columns(names, kind)
    rows = Rows(content_schema(kind).append(pa.field(LINE, pa.int64())), scratch)
    rejected: Lines[RejectedLine] = Lines(scratch)
    lines, done = 0, header.start
    reader = _BlockReader(kind, names, header.delimiter != ",", tower_bins, site.date_form)

    def read(block: Block) -> _ReadBlock:
        block.columns = block.columns[skip:]
        for broken in block.broken:
            broken.cells = broken.cells[skip:]
        return reader.read(block)

    for part in _ahead(read, blocks(text, header, block_bytes=block_bytes)):
        lines += part.records
        for line in part.rejected:
            rejected.append(line)
        rows.append(part.rows)
        done += part.size
        if progress is not None:
            progress(min(done, text.size), text.size)
    rows.finish()
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


@dataclass(frozen=True)
class _ReadBlock:
    """A block checked: records and bytes read, accepted rows, rejected lines in their order."""

    records: int
    size: int
    rows: pa.Table
    rejected: list[RejectedLine]


def _ahead(work: Callable[[Block], _ReadBlock], cut: Iterator[Block]) -> Iterator[_ReadBlock]:
    """Check blocks on another thread while the next ones are cut, in order, a few at a time.

    Cutting and checking spend their time in numpy and pyarrow, which let other threads run.
    """
    pending: deque[Future[_ReadBlock]] = deque()
    with ThreadPoolExecutor(max_workers=2) as pool:
        for block in cut:
            pending.append(pool.submit(work, block))
            if len(pending) > 4:
                yield pending.popleft().result()
        while pending:
            yield pending.popleft().result()


def _encoding_warnings(text: Text) -> list[str]:
    if text.encoding == "windows-1252":
        return ["the file is not UTF-8 and was read as Windows-1252; check accents in names"]
    return []


def known_names(site: Site) -> frozenset[str]:
    """Return every name that may stand in a header: the format's and the site's own."""
    return frozenset(name for kind in KINDS.values() for name in kind.names) | set(site.headers)


def own_names(headers: Sequence[str], site: Site) -> list[str]:
    """Return the format's names for a file's headers, as far as it has them."""
    names = [unescape_cell(name) for name in headers]
    return [site.headers.get(name, name) for name in names]


def tell_kind(names: Sequence[str]) -> LogKind:
    """Tell which kind of log a header belongs to.

    Parameters
    ----------
    names : sequence of str
        Header names in lower case.

    Raises
    ------
    NotALogError
        When no kind has all its needed columns, or a name stands twice; the sentence says which
        column is missing.
    """
    if len(names) > MOST_COLUMNS:
        raise NotALogError(
            f"the header names {len(names):,} columns, more than a log has ({MOST_COLUMNS}); "
            "export the log's own columns only"
        )
    given = set(names)

    def score(kind: LogKind) -> tuple[int, int]:
        return len(given.intersection(kind.names)), len(given.intersection(kind.needed))

    ranked = sorted(KINDS.values(), key=score, reverse=True)
    complete = [kind for kind in ranked if given.issuperset(kind.needed)]
    likeliest = ranked[0]
    if complete and score(complete[0])[0] == score(likeliest)[0]:
        twice = sorted(name for name, count in Counter(names).items() if name and count > 1)
        if twice:
            raise NotALogError(
                f"the header names {', '.join(twice)} twice; give each column a name of its own"
            )
        return complete[0]
    if score(likeliest)[0] < 2:
        raise NotALogError(
            "the first line does not name the columns of a log; take out any lines above the names "
            f"(a run log needs {', '.join(KINDS['runs'].needed)})"
        )
    missing = [name for name in likeliest.needed if name not in given]
    raise NotALogError(
        f"the header looks like that of a {likeliest.title} but has no column "
        f"{' or '.join(missing)}; add it, or rename the column that holds it"
    )


def _name_columns(names: list[str], kind: LogKind) -> list[str]:
    """Name the nameless columns in place; say which columns the format does not know."""
    warnings: list[str] = []
    for index, name in enumerate(names):
        if not name:
            names[index] = f"column_{index + 1}"
            while names.count(names[index]) > 1:
                names[index] += "_"
            warnings.append(f"column {index + 1} has no name; it is kept as {names[index]}")
        elif name not in kind.names:
            meant = nearest(name, frozenset(kind.names) - frozenset(names))
            hint = f"; did you mean {meant}?" if meant else ""
            if not (name.startswith("set_") and kind.name == "runs"):
                warnings.append(
                    f"column {name} is not in the format of a {kind.title}; "
                    f"it is kept as it stands{hint}"
                )
            elif meant:
                warnings.append(f"column {name} is kept as a setting of your own{hint}")
    return warnings


class _BlockReader:
    """Checks blocks of one file; knows nothing of other blocks."""

    def __init__(
        self,
        kind: LogKind,
        names: Sequence[str],
        decimal_comma: bool,
        tower_bins: Mapping[str, int],
        date_form: str,
    ) -> None:
        self.kind = kind
        self.names = names
        self.decimal_comma = decimal_comma
        self.tower_bins = tower_bins
        self.date_form = date_form
        self.schema = content_schema(kind)

    def read(self, block: Block) -> _ReadBlock:
        """Check one block; safe to call from several threads."""
        size = len(block.lines)
        columns: dict[str, pa.Array] = {}
        problems: dict[int, list[Problem]] = {}

        def refuse(where: BoolArray, name: str, reason: str | Callable[[int], str]) -> None:
            for index in np.flatnonzero(where).tolist():
                why = reason if isinstance(reason, str) else reason(index)
                problem = Problem(int(block.lines[index]), name, why)
                problems.setdefault(index, []).append(problem)

        texts = dict(zip(self.names, block.columns, strict=True))
        reads: dict[str, Read] = {}
        for column in self.kind.columns:
            if column.name in texts:
                text = texts[column.name]
                reads[column.name] = read_column(
                    column, text, decimal_comma=self.decimal_comma, date_form=self.date_form
                )
                columns.update(reads[column.name].values)
        self._exempt(reads, columns)
        for name, read in reads.items():
            refuse(read.bad, name, partial(_explain, read, texts[name]))
        own = {name: text for name, text in texts.items() if name not in self.kind.names}
        columns[EXTRA] = _extra_columns(own, size)
        if self.kind.name == "runs":
            self._check_runs(columns, reads, size, refuse)
        if self.kind.name == "stocks":
            self._check_weights(columns, reads, size, refuse)
        self._check_bins(columns, reads, refuse)
        accepted = np.ones(size, bool)
        accepted[list(problems)] = False
        rejected = [
            RejectedLine(
                int(block.lines[index]),
                tuple(column[index].as_py() for column in block.columns),
                tuple(found),
            )
            for index, found in problems.items()
        ]
        for broken in block.broken:
            problem = Problem(broken.line, "", broken.reason)
            rejected.append(RejectedLine(broken.line, tuple(broken.cells), (problem,)))
        rejected.sort(key=lambda line: line.line)
        rows = self._rows(columns, block.lines, np.flatnonzero(accepted))
        return _ReadBlock(block.records, block.size, rows, rejected)

    def _rows(
        self, columns: dict[str, pa.Array], lines: npt.NDArray[np.int64], kept: npt.NDArray[np.intp]
    ) -> pa.Table:
        size = len(lines)
        for name in self.schema.names:
            if name not in columns:
                columns[name] = pa.nulls(size, self.schema.field(name).type)
        if self.kind.name == "runs":
            columns["stretch"] = pc.fill_null(columns["stretch"], 1)
            columns["purpose"] = pc.fill_null(columns["purpose"], "production")
        if self.kind.name == "towers":
            columns["numbered_from"] = pc.fill_null(columns["numbered_from"], "top")
        bins = columns.get("bin")
        first = np.ones(len(kept), bool)
        if bins is not None and pa.types.is_list(bins.type):
            # One line for several bins is as many rows; what counts for the whole stretch stays
            # on the first of them, or sums would count it once a bin.
            lists = bins.take(pa.array(kept))
            count = np.maximum(pc.fill_null(pc.list_value_length(lists), 0).to_numpy(), 1)
            flat = pa.array(np.zeros(0), pa.int32()) if not len(lists) else pc.list_flatten(lists)
            filled = np.repeat(
                pc.greater(pc.list_value_length(lists), 0).to_numpy(zero_copy_only=False), count
            )
            positions = np.cumsum(filled) - 1
            numbers = flat.take(pa.array(positions, pa.int64(), mask=~filled))
            first = np.repeat(np.ones(len(kept), bool), count)
            first[1:] = np.diff(np.repeat(np.arange(len(kept)), count)) > 0
            kept = np.repeat(kept, count)
        table = {}
        take = pa.array(kept)
        for schema_field in self.schema:
            name = schema_field.name
            if name == "bin" and bins is not None and pa.types.is_list(bins.type):
                table[name] = numbers
                continue
            values = columns[name].take(take)
            if not first.all() and self._of_stretch(name):
                values = pc.if_else(pa.array(first), values, pa.scalar(None, values.type))
            table[name] = values.cast(schema_field.type)
        table[LINE] = pa.array(lines[kept])
        return pa.table(table, schema=self.schema.append(pa.field(LINE, pa.int64())))

    def _of_stretch(self, name: str) -> bool:
        return name in self.kind.names and self.kind.column(name).of_stretch

    def _exempt(self, reads: dict[str, Read], columns: dict[str, pa.Array]) -> None:
        """Let the two needed columns be empty that another column's word leaves nothing for."""
        if self.kind.name == "services":
            whole = _flags(pc.is_in(columns["action"], pa.array(PARTLESS_ACTIONS)))
            reads["part"].bad[reads["part"].empty & whole] = False
        if self.kind.name == "runs":
            cycles = reads["cycles"]
            cycles.bad[cycles.empty & self._unnoted(columns, reads)] = False

    def _unnoted(self, columns: dict[str, pa.Array], reads: dict[str, Read]) -> BoolArray:
        """Rows whose bin was not noted: an empty list of bins."""
        return _flags(pc.equal(pc.list_value_length(columns["bin"]), 0)) & ~reads["bin"].bad

    def _check_bins(
        self, columns: dict[str, pa.Array], reads: dict[str, Read], refuse: _Refuse
    ) -> None:
        """Refuse bins that the tower list says the tower has not."""
        if "bin" not in columns or "tower" not in columns:
            return
        bins = columns["bin"]
        if pa.types.is_list(bins.type):
            highest = np.zeros(len(bins), np.int64)
            numbers = pc.list_flatten(bins).to_numpy()
            np.maximum.at(highest, pc.list_parent_indices(bins).to_numpy(), numbers)
            bins = pa.array(highest)
        for tower, most in self.tower_bins.items():
            beyond = _flags(pc.and_(pc.equal(columns["tower"], tower), pc.greater(bins, most)))
            refuse(
                beyond & ~reads["bin"].bad,
                "bin",
                f"tower {tower} has {most} bins by the tower list; correct the bin here, "
                "or the tower list if it is out of date",
            )

    def _check_weights(
        self, columns: dict[str, pa.Array], reads: dict[str, Read], size: int, refuse: _Refuse
    ) -> None:
        """Refuse weights that say nothing or disagree; give every other paper its grammage."""

        def filled(name: str) -> BoolArray:
            return ~reads[name].empty if name in reads else np.zeros(size, bool)

        weight, grade = filled("basis_weight_lb"), filled("basis_grade")
        refuse(
            weight & ~grade,
            "basis_grade",
            "basis_weight_lb says nothing without its basis_grade; write bond, text, cover, "
            "index, tag or bristol",
        )
        refuse(
            grade & ~weight,
            "basis_weight_lb",
            "basis_grade stands without a basis_weight_lb; write the weight, or leave both empty",
        )
        if "basis_weight_lb" not in columns or "basis_grade" not in columns:
            return
        pounds, grades = columns["basis_weight_lb"], columns["basis_grade"]
        both = _flags(pc.and_(pc.is_valid(pounds), pc.is_valid(grades)))
        weights = np.where(both, pc.fill_null(pounds, np.nan).to_numpy(), np.nan)
        names = np.asarray(pc.fill_null(grades, "").to_pylist(), np.str_)
        weighed = grammage(weights, names)
        given = columns.get("grammage_gsm", pa.nulls(size, pa.float64()))
        known = pc.fill_null(given, np.nan).to_numpy()
        refuse(
            ~agree(known, weights, names),
            "grammage_gsm",
            lambda i: (
                f"grammage_gsm is {known[i]:g} but {weights[i]:g} lb {names[i]} is "
                f"{weighed[i]:.0f}; correct whichever is wrong, or leave one out"
            ),
        )
        # Kept beside the pounds, so that all papers can be set side by side.
        columns["grammage_gsm"] = pc.coalesce(given, pa.array(weighed.round(1), mask=~both))

    def _check_runs(
        self, columns: dict[str, pa.Array], reads: dict[str, Read], size: int, refuse: _Refuse
    ) -> None:
        def number(name: str) -> npt.NDArray[np.int64]:
            if name not in columns:
                return np.zeros(size, np.int64)
            values: npt.NDArray[np.int64] = pc.fill_null(columns[name], 0).to_numpy()
            return values

        def good(*names: str) -> BoolArray:
            mask = np.ones(size, bool)
            for name in names:
                if name in reads:
                    mask &= ~reads[name].bad
            return mask

        unnoted = self._unnoted(columns, reads)
        refuse(
            unnoted & ~reads["cycles"].empty,
            "cycles",
            "bin is ?, so cycles must be empty; give the bins' cycles on lines of their own",
        )
        misses, doubles, cycles = number("misses"), number("doubles"), number("cycles")
        readable = good("misses", "doubles", "cycles", "bin") & ~unnoted
        refuse(
            readable & (misses + doubles > cycles),
            "misses",
            lambda i: (
                f"{misses[i]} misses and {doubles[i]} doubles are more than {cycles[i]} cycles; "
                "correct whichever is wrong"
            ),
        )
        several = _flags(pc.greater(pc.list_value_length(columns["bin"]), 1)) & good("bin")
        for column in self.kind.columns:
            if column.of_fault and column.name in columns:
                refuse(
                    several & good(column.name) & (number(column.name) > 0),
                    column.name,
                    f"{column.name} is not 0 on a line for several bins; "
                    "give the bin that had them a line of its own",
                )
        for fault in ("misses", "doubles"):
            if f"called_{fault}" in columns:
                refuse(
                    good(f"called_{fault}", f"planted_{fault}")
                    & (number(f"called_{fault}") > number(f"planted_{fault}")),
                    f"called_{fault}",
                    f"called_{fault} is above planted_{fault}; correct whichever is wrong",
                )
        if "ended" in columns:
            refuse(
                good("started", "ended") & self._ends_before(columns),
                "ended",
                "ended is before started; correct it, or give both their offset if the clock was "
                "set back between",
            )

    def _ends_before(self, columns: dict[str, pa.Array]) -> BoolArray:
        started = pc.cast(columns["started"], pa.int64())
        ended = pc.cast(columns["ended"], pa.int64())
        shift = pc.subtract(
            pc.cast(columns["ended_offset_min"], pa.int64()),
            pc.cast(columns["started_offset_min"], pa.int64()),
        )
        minutes = pc.multiply(pc.fill_null(shift, 0), 60_000_000)
        early = pc.less(pc.subtract(ended, minutes), started)
        return _flags(early)


def _explain(read: Read, texts: pa.Array, index: int) -> str:
    return read.reason(texts[index].as_py())


def _flags(mask: pa.Array) -> BoolArray:
    result: BoolArray = pc.fill_null(mask, False).to_numpy(zero_copy_only=False)
    return result


def _extra_columns(texts: Mapping[str, pa.Array], size: int) -> pa.Array:
    """Keep columns that the format does not name, word for word; empty cells are left out."""
    kind = pa.map_(pa.string(), pa.string())
    names = sorted(texts)
    if not names or not size:
        offsets = pa.array(np.zeros(size + 1, np.int32))
        return pa.MapArray.from_arrays(
            offsets, pa.array([], pa.string()), pa.array([], pa.string())
        )
    values = [unescape(texts[name]) for name in names]
    filled = np.column_stack(
        [pc.not_equal(value, "").to_numpy(zero_copy_only=False) for value in values]
    )
    rows, which = np.nonzero(filled)
    offsets = np.concatenate(([0], np.cumsum(filled.sum(axis=1)))).astype(np.int32)
    keys = pa.array(names, pa.string()).take(pa.array(which))
    items = pa.concat_arrays(values).take(pa.array(which * size + rows))
    return pa.MapArray.from_arrays(pa.array(offsets), keys, items).cast(kind)


def write_rejects(parsed: ParsedLog, out: TextIO) -> None:
    """Write a rejects file: each rejected line as it stood, after what is wrong.

    The three columns stand before the log's own, so that a line with too many or too few values
    is shown just as it was. Mended, the file can be added as it is: intake passes the three over.
    Cells that a spreadsheet would run are escaped by an apostrophe, which intake takes off; one
    that has its apostrophe already keeps just that.
    """
    # This ending makes the writer quote a cell that holds either of its two characters.
    writer = csv.writer(out, delimiter=parsed.header.delimiter, lineterminator="\r\n")
    names = parsed.header.names[_skipped(parsed.header) :]
    writer.writerow([*REJECT_COLUMNS, *map(_safe, names)])
    for line in parsed.rejected:
        columns = "; ".join(dict.fromkeys(p.column for p in line.problems if p.column))
        reasons = " | ".join(dict.fromkeys(p.reason for p in line.problems))
        cells = map(_safe, line.cells)
        writer.writerow([line.line, columns, reasons, *cells])


def _safe(cell: str) -> str:
    return escape_cell(unescape_cell(cell))


def rejects_name(name: str, number: int = 1) -> str:
    """Return the name of the rejects file of a log, the second one numbered 2 and so on."""
    stem = name[:-4] if name.lower().endswith((".csv", ".tsv", ".txt")) else name
    return f"{stem}.rejects.csv" if number == 1 else f"{stem}.rejects-{number}.csv"


class RejectsFile:
    """Where the rejected lines of one file go; an older rejects file is never written over.

    Parameters
    ----------
    name : str
        Name of the log.
    folders : sequence of Path
        Where to write: the first that can be written to is taken.
    """

    def __init__(self, name: str, folders: Sequence[Path]) -> None:
        self.name = name
        self.folders = folders
        self.path: Path | None = None
        self._made = False

    def write(self, parsed: ParsedLog) -> None:
        """Write the rejected lines, in full and at once; nothing where there are none.

        Raises
        ------
        OSError
            When none of the folders can be written to.
        """
        if not len(parsed.rejected):
            return
        if self.path is not None and self._made:
            self._written(self.path, parsed).replace(self.path)
            return
        problem: OSError | None = None
        for folder in self.folders:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                self.path = self._place(folder, parsed)
                return
            except OSError as error:
                problem = error
        raise problem or OSError("no folder for rejected lines")

    def _place(self, folder: Path, parsed: ParsedLog) -> Path:
        partial = self._written(folder / rejects_name(self.name), parsed)
        number = 1
        while True:
            path = folder / rejects_name(self.name, number)
            if not path.exists():
                partial.replace(path)
                self._made = True
                return path
            if filecmp.cmp(path, partial, shallow=False):
                partial.unlink()
                return path
            number += 1

    def _written(self, path: Path, parsed: ParsedLog) -> Path:
        """Write the lines beside where they go, so that what has the name is whole."""
        partial = beside(path)
        try:
            # The mark at the start tells spreadsheets that the text is UTF-8.
            with partial.open("w", encoding="utf-8-sig", errors="replace", newline="") as out:
                write_rejects(parsed, out)
        except OSError:
            partial.unlink(missing_ok=True)
            raise
        return partial
