"""How does the crew take its log, or the counts of it, elsewhere?

A log leaves as it came: a CSV file in the log format, which any feedtally takes in again with no
row changed, or a Parquet file with the columns typed as they are stored. Rows pass through a batch
at a time, so that the length of the log does not matter.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analysis.counts import Account, LogScan
from analysis.filters import Filters
from analysis.log_format import EXTRA, KINDS, MOST_BINS, Column, Kind, content_schema
from analysis.spool import beside
from analysis.values import escape_cell
from analysis.words import many

#: What a file's name ends in says what it is.
FORMATS = (".csv", ".parquet")

# The words of `escape_cell` for a whole column; digits of any script, as Python has them.
_RUN_BY_SPREADSHEETS = r"^'*[=+\-@\t\r]"
_NUMBER = r"^[+-]?(?:\p{Nd}+[.,]?\p{Nd}*|[.,]\p{Nd}+)\n?$"
_TO_QUOTE = r'[",\r\n]'
#: Tells spreadsheets that the text is UTF-8.
_MARK = b"\xef\xbb\xbf"

_Write = Callable[[Path], int]


class ExportError(Exception):
    """The file cannot be written; the message says what to do."""


@dataclass(frozen=True)
class Exported:
    """What was written.

    Attributes
    ----------
    file : Path
        Where it is.
    log : str
        The log that was written row by row; empty where counts were.
    by : tuple of str
        What the counts are grouped by; empty where a log was written.
    rows : int
        Rows of the file, without its header.
    columns : tuple of str
        Names of its columns, in order.
    account : Account
        The evidence in the filter; of the run log, whatever was written.
    """

    file: Path
    log: str
    by: tuple[str, ...]
    rows: int
    columns: tuple[str, ...]
    account: Account

    def sentence(self) -> str:
        """Say what was written, and where."""
        rows = many(self.rows, "row")
        if not self.log:
            groups = many(self.rows, "group")
            of = f" by {', '.join(self.by)}" if self.by else ""
            return f"The counts of {groups}{of} are in {self.file}."
        if not self.rows:
            return f"No rows of the {KINDS[self.log].title} were to write; {self.file} has none."  # type: ignore[index]
        are = "is" if self.rows == 1 else "are"
        return f"{rows} of the {KINDS[self.log].title} {are} in {self.file}."  # type: ignore[index]


def export_counts(
    scan: LogScan, path: Path, by: Sequence[str], filters: Filters, *, replace: bool = False
) -> Exported:
    """Write feeds, misses and doubles of each group to a file.

    Parameters
    ----------
    scan : LogScan
        The log.
    path : Path
        A file whose name ends in one of `FORMATS`.
    by : sequence of str
        Columns to group by; see `analysis.counts.LogScan.counts`.
    filters : Filters
        Rows to count.
    replace : bool
        Write over a file that is there.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    ExportError
        When the file cannot be written; then there is none, or the one that was there.
    """
    check_path(path, replace=replace)
    table = scan.counts(by, filters)
    account = scan.account(filters)

    def write(part: Path) -> int:
        if path.suffix.lower() == ".csv":
            texts = ([_plain(column) for column in b.columns] for b in table.to_batches())
            _write_csv(part, table.column_names, texts)
        else:
            pq.write_table(table, part, compression="zstd")
        return int(table.num_rows)

    rows = _whole_or_not_at_all(path, write)
    names = tuple(dict.fromkeys(by))
    return Exported(path, "", names, rows, tuple(table.column_names), account)


def export_log(
    scan: LogScan, path: Path, log: Kind, filters: Filters, *, replace: bool = False
) -> Exported:
    """Write one of the four logs to a file, row by row.

    A CSV file is in the log format: taken in again, it gives the same rows. It has the needed
    columns and those in which anything stands. A Parquet file has all columns of the format, typed
    as they are stored, and then the others as text.

    Parameters
    ----------
    scan, path, replace
        As of `export_counts`.
    log : str
        ``runs``, ``stocks``, ``services`` or ``towers``.
    filters : Filters
        Rows of the run log; no other log has filters.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    ExportError
        As `export_counts`.
    """
    check_path(path, replace=replace)
    account = scan.account(filters)
    filled, own = scan.filled_columns(log, filters)
    if path.suffix.lower() == ".csv":
        columns = [c for c in KINDS[log].columns if c.needed or c.name in filled]
        if log == "services":
            # A part of the tower as a whole has no bin, and yet something in that column.
            columns = [c for c in KINDS[log].columns if c in columns or c.name == "bin"]
        names = [*(column.name for column in columns), *own]
        stored = [name for column in columns for name in _stored(column)]

        def write(part: Path) -> int:
            batches = scan.stream(log, stored, own, filters)
            return _write_csv(part, names, (_cells(columns, batch) for batch in batches))

    else:
        schema = _parquet_schema(log, own)
        names = schema.names
        stored = names[: len(names) - len(own)]

        def write(part: Path) -> int:
            return _write_parquet(part, schema, scan.stream(log, stored, own, filters))

    rows = _whole_or_not_at_all(path, write)
    return Exported(path, log, (), rows, tuple(names), account)


def run_cells(scan: LogScan, tower: str, run: str) -> tuple[tuple[str, ...], list[list[str]]]:
    """Return the rows of one run as cells of the log format: what a CSV file of it would hold.

    Parameters
    ----------
    scan : LogScan
        The log.
    tower, run : str
        Which run.

    Returns
    -------
    names : tuple of str
        All columns of the format, then those it does not name.
    rows : list of list of str
        By stretch and bin; empty where the log has no such run. Cells are escaped as in a file.
    """
    columns = KINDS["runs"].columns
    stored = [name for column in columns for name in _stored(column)]
    asked = Filters().holding("tower", tower).holding("run", run)
    found: list[tuple[list[str], dict[str, str]]] = []
    for batch in scan.stream("runs", [*stored, EXTRA], (), asked):
        alone = pa.RecordBatch.from_arrays(batch.columns[:-1], names=stored)
        cells = [column.to_pylist() for column in _cells(columns, alone)]
        rest = batch.columns[-1].to_pylist()
        for row, others in zip(zip(*cells, strict=True), rest, strict=True):
            found.append(([cell or "" for cell in row], dict(others)))
    own = sorted({name for _, others in found for name in others})
    rows = [[*row, *(escape_cell(others.get(name) or "") for name in own)] for row, others in found]
    names = (*(column.name for column in columns), *own)
    stretch, bin_ = names.index("stretch"), names.index("bin")

    def place(row: list[str]) -> tuple[int, int]:
        # A fault whose bin was not noted stands after all bins.
        return int(row[stretch]), int(row[bin_]) if row[bin_].isdigit() else MOST_BINS + 1

    return names, sorted(rows, key=place)


def check_path(path: Path, *, replace: bool) -> None:
    """Raise ExportError for a file that is not to be written, before anything is scanned."""
    if path.suffix.lower() not in FORMATS:
        raise ExportError(f"{path} ends neither in .csv nor in .parquet; name a file that does")
    try:
        folder, there = path.is_dir(), path.exists()
    except OSError as error:
        raise ExportError(f"{path} is no name for a file ({error.strerror or error})") from None
    if folder:
        raise ExportError(f"{path} is a folder; name a file in it")
    if there and not replace:
        raise ExportError(f"{path} is there already; name another file, or add --replace")
    if not path.absolute().parent.is_dir():
        raise ExportError(f"there is no folder {path.absolute().parent}; make it first")


def _whole_or_not_at_all(path: Path, write: _Write) -> int:
    """Write beside a file and put it in its place when all of it is there."""
    part = beside(path)
    try:
        with _removed_on_failure(part):
            rows = write(part)
            part.replace(path)
        return rows
    except OSError as error:
        raise ExportError(
            f"{path} cannot be written ({error.strerror or error}); see that there is room and "
            "that you may write there, or name another file"
        ) from None


@contextmanager
def _removed_on_failure(part: Path) -> Iterator[None]:
    try:
        yield
    except BaseException:
        # What cannot be taken away must not hide why it is there.
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def _write_csv(part: Path, names: Sequence[str], batches: Iterable[Sequence[pa.Array]]) -> int:
    """Write columns of texts, null for an empty cell; return the rows."""
    rows = 0
    with part.open("wb") as out:
        header = [pa.array([escape_cell(name)], pa.large_string()) for name in names]
        out.write(_MARK + _lines(header))
        for cells in batches:
            if len(cells[0]):
                out.write(_lines(cells))
                rows += len(cells[0])
        out.flush()
        os.fsync(out.fileno())
    return rows


def _lines(cells: Sequence[pa.Array]) -> bytes:
    quoted = [_quoted(column) for column in cells]
    lines = pc.binary_join_element_wise(
        *quoted, pa.scalar(",", pa.large_string()), null_handling="replace", null_replacement=""
    )
    whole = pa.LargeListArray.from_arrays(pa.array([0, len(lines)], pa.int64()), lines)
    joined: str = pc.binary_join(whole, pa.scalar("\n", pa.large_string()))[0].as_py()
    return (joined + "\n").encode()


def _quoted(cells: pa.Array) -> pa.Array:
    """Put cells in quotes that hold a delimiter, a quote or a line break."""
    mask = pc.match_substring_regex(cells, _TO_QUOTE)
    if not pc.any(mask).as_py():
        return cells
    doubled = pc.replace_substring(cells, '"', '""')
    quote = pa.scalar('"', pa.large_string())
    inside = pc.binary_join_element_wise(quote, doubled, quote, pa.scalar("", pa.large_string()))
    return pc.if_else(mask, inside, cells)


def _escaped(texts: pa.Array) -> pa.Array:
    """Do for a column what `analysis.values.escape_cell` does for a cell."""
    texts = texts.cast(pa.large_string())
    run = pc.and_not(
        pc.match_substring_regex(texts, _RUN_BY_SPREADSHEETS),
        pc.match_substring_regex(texts, _NUMBER),
    )
    if not pc.any(run).as_py():
        return texts
    mark = pa.scalar("'", pa.large_string())
    return pc.if_else(
        run,
        pc.binary_join_element_wise(mark, texts, pa.scalar("", pa.large_string())),
        texts,
    )


def _plain(values: pa.Array) -> pa.Array:
    """Write values of any type as cells."""
    if pa.types.is_floating(values.type):
        return _decimal(values)
    if pa.types.is_string(values.type) or pa.types.is_large_string(values.type):
        return _escaped(values)
    return values.cast(pa.large_string())


def _decimal(values: pa.Array) -> pa.Array:
    """Write numbers with all of their digits and no exponent, which the format does not know."""
    texts = values.cast(pa.large_string())
    if not pc.any(pc.match_substring(texts, "e")).as_py():
        return texts
    written = [
        None if value is None else np.format_float_positional(value, trim="-")
        for value in values.to_pylist()
    ]
    return pa.array(written, pa.large_string())


def _stored(column: Column) -> list[str]:
    """Return the stored columns that a column of the format is written from."""
    if column.type == "moment":
        return [column.name, f"{column.name}_offset_min"]
    return [column.name, "of_tower"] if column.type == "bin" else [column.name]


def _cells(columns: Sequence[Column], batch: pa.RecordBatch) -> list[pa.Array]:
    """Write a batch of stored columns, then columns of text, as cells of the format."""
    taken = iter(batch.columns)
    cells = []
    for column in columns:
        values = [next(taken) for _ in _stored(column)]
        if column.type == "moment":
            cells.append(_moment(*values))
        elif column.type == "bin":
            whole = pc.fill_null(values[1], False)
            cells.append(pc.if_else(whole, "tower", values[0].cast(pa.large_string())))
        else:
            cell = _plain(values[0])
            absent = {"count": "off", "bins": "?"}.get(column.type)
            # Only a needed count can be off; another one that is empty was not written down.
            if absent and column.needed:
                cell = pc.fill_null(cell, absent)
            cells.append(cell)
    return [*cells, *map(_plain, taken)]


def _moment(moments: pa.Array, offsets: pa.Array) -> pa.Array:
    """Write wall time with seconds only where there are any, and the offset that was logged."""
    # As a number first: the zone of the type is none of the log's, and would have to be known.
    texts = moments.cast(pa.int64()).cast(pa.timestamp("us")).cast(pa.large_string())
    day = pc.utf8_slice_codeunits(texts, 0, 10)
    clock = pc.utf8_slice_codeunits(texts, 11)
    clock = pc.replace_substring_regex(clock, r"(:00)?\.0+$", "")
    clock = pc.replace_substring_regex(clock, r"(\.\d*[1-9])0+$", r"\1")
    clock = pc.replace_substring_regex(clock, r"^(\d\d)$", r"\1:00")
    coded = offsets.dictionary_encode()
    zones = [_zone(minutes) for minutes in coded.dictionary.to_pylist()]
    zone = pc.fill_null(pa.array(zones, pa.large_string()).take(coded.indices), "")
    text = pa.scalar("T", pa.large_string())
    whole = pc.binary_join_element_wise(day, clock, text)
    return pc.binary_join_element_wise(whole, zone, pa.scalar("", pa.large_string()))


def _zone(minutes: int) -> str:
    hours, rest = divmod(abs(minutes), 60)
    return f"{'-' if minutes < 0 else '+'}{hours:02d}:{rest:02d}"


def _parquet_schema(log: Kind, own: Sequence[str]) -> pa.Schema:
    fields = [field for field in content_schema(KINDS[log]) if field.name != EXTRA]
    names = {field.name for field in fields}
    for name in own:
        # A site's own column may be named as one that stands beside a column of the format.
        while name in names:
            name += "_"
        names.add(name)
        fields.append(pa.field(name, pa.string()))
    return pa.schema(fields)


def _write_parquet(part: Path, schema: pa.Schema, batches: Iterable[pa.RecordBatch]) -> int:
    rows = 0
    with pq.ParquetWriter(part, schema, compression="zstd") as writer:
        for batch in batches:
            columns = [
                column.cast(field.type) for column, field in zip(batch.columns, schema, strict=True)
            ]
            writer.write_batch(pa.record_batch(columns, schema=schema))
            rows += batch.num_rows
    return rows
