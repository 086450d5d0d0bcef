"""Which lines of a block can be taken, and what is wrong with the others?

Each cell is read by its column's type first (`analysis.values`); then the cells of a line are held
against one another, by the kind of log that it belongs to.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from analysis.log_format import EXTRA, LINE, PARTLESS_ACTIONS, LogKind, content_schema
from analysis.papers import agree, grammage
from analysis.records import Block
from analysis.values import Read, read_column, unescape
from analysis.words import many

BoolArray = npt.NDArray[np.bool_]
_Refuse = Callable[[BoolArray, str, "str | Callable[[int], str]"], None]


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
    """A line that was not taken.

    Attributes
    ----------
    line : int
        Number of the physical line on which it starts.
    cells : tuple of str
        As they stood.
    problems : tuple of Problem
        One at least.
    """

    line: int
    cells: tuple[str, ...]
    problems: tuple[Problem, ...]


@dataclass(frozen=True)
class ReadBlock:
    """A block checked.

    Attributes
    ----------
    records, size : int
        Records and bytes read.
    rows : pyarrow.Table
        Accepted rows: the kind's content columns and ``file_line``.
    rejected : list of RejectedLine
        In the order of their lines.
    """

    records: int
    size: int
    rows: pa.Table
    rejected: list[RejectedLine]


class BlockReader:
    """Checks blocks of one file; knows nothing of other blocks.

    Parameters
    ----------
    kind : LogKind
        Of the file.
    names : sequence of str
        Of its columns, in their order, as the format has them.
    decimal_comma : bool
        Whether numbers may have a comma for their point.
    tower_bins : mapping of str to int
        Bins of each tower that a tower list names.
    date_form : str
        The site's form of dates.
    """

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

    def read(self, block: Block) -> ReadBlock:
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
        return ReadBlock(block.records, block.size, rows, rejected)

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
                f"tower {tower} has {many(most, 'bin')} by the tower list; correct the bin here, "
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
                f"{many(misses[i], 'miss', 'misses')} and {many(doubles[i], 'double')} are more "
                f"than {many(cycles[i], 'cycle')}; "
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
