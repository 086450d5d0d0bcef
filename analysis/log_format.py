"""What may stand in a log file: the four kinds of file, their columns, types and ranges.

This is the public contract that crews and their spreadsheets write to. Columns may be added
here, never renamed. Everything that reads, stores, groups by or prints a column asks this module,
so that a column is described in one place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import pyarrow as pa

Kind = Literal["runs", "stocks", "services", "towers"]
ValueType = Literal["key", "text", "whole", "number", "moment", "bins", "bin", "count", "choice"]

#: Longest text that may name a run or a tower.
KEY_LENGTH = 64

#: Largest whole number taken: sums of a million such counts still fit 64 bits.
LARGEST_WHOLE = 10**12 - 1

#: Years taken in dates; anything else is a slip of the pen, and open formats differ outside them.
YEARS = (1980, 2099)

#: A bin beyond this is a slip of the pen; a line for several bins stands for no more rows.
MOST_BINS = 500

#: A header with more names than this is no log.
MOST_COLUMNS = 400


@dataclass(frozen=True)
class Column:
    """One column of a log file.

    Attributes
    ----------
    name : str
        As it stands in the header, in lower case.
    type : str
        ``key`` (needed short text), ``text``, ``whole``, ``number``, ``moment`` (date and time),
        ``bins`` (a bin, several, or ``?``), ``bin`` (a number or ``tower``), ``count`` (whole, or
        ``off``) or ``choice``.
    needed : bool
        Whether every file and every line must have it.
    low, high : float
        Smallest and largest value, both allowed.
    choices : tuple of str
        The words allowed in a ``choice``.
    of_stretch : bool
        A count of the whole stretch, given on any one of its lines.
    of_fault : bool
        A count that belongs to one bin; on a line for several bins it must be nought.
    date_alone : bool
        A moment that may be given as a date without a time of day.
    """

    name: str
    type: ValueType
    needed: bool = False
    low: float = 0
    high: float = LARGEST_WHOLE
    choices: tuple[str, ...] = ()
    of_stretch: bool = False
    of_fault: bool = False
    date_alone: bool = False


@dataclass(frozen=True)
class LogKind:
    """One of the four kinds of file.

    Attributes
    ----------
    name : str
        ``runs``, ``stocks``, ``services`` or ``towers``; also the name of its table.
    title : str
        What the crew calls it.
    columns : tuple of Column
        In the order of the format.
    key : tuple of str
        The columns that a row is known by; for the service log all but the note.
    """

    name: Kind
    title: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]

    @property
    def needed(self) -> tuple[str, ...]:
        """Names of the columns that every file of this kind must have."""
        return tuple(column.name for column in self.columns if column.needed)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all columns, in the order of the format."""
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        """Return the column of that name; KeyError where there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


PURPOSES = ("production", "burn-in", "set-up", "trial")

#: Settings every tower of this make-up has; a site's own ``set_`` columns are kept beside them.
SETTINGS = (
    "set_spring",
    "set_foot_rest",
    "set_foot_height",
    "set_feet_open",
    "set_bleed_holes",
    "set_vacuum",
    "set_blast",
    "set_blower",
    "set_detector",
    "set_speed",
)

_RUNS = LogKind(
    "runs",
    "run log",
    (
        Column("run", "key", needed=True),
        Column("stretch", "whole", low=1, high=2**31 - 1),
        Column("started", "moment", needed=True),
        Column("ended", "moment"),
        Column("tower", "key", needed=True),
        Column("bin", "bins", needed=True, low=1, high=MOST_BINS),
        Column("cycles", "whole", needed=True),
        Column("misses", "count", needed=True, of_fault=True),
        Column("doubles", "count", needed=True, of_fault=True),
        Column("purpose", "choice", choices=PURPOSES),
        Column("proof", "text"),
        Column("stock", "text"),
        Column("lot", "text"),
        Column("humidity_pct", "number", low=0, high=100),
        Column("temperature_c", "number", low=-20, high=60),
        Column("prepared", "choice", choices=("none", "fanned", "blown")),
        *(Column(name, "text") for name in SETTINGS),
        Column("found_later", "whole", of_fault=True),
        Column("false_calls", "whole", of_fault=True),
        Column("planted_misses", "whole", of_fault=True),
        Column("planted_doubles", "whole", of_fault=True),
        Column("called_misses", "whole", of_fault=True),
        Column("called_doubles", "whole", of_fault=True),
        Column("stops", "whole", of_stretch=True),
        Column("jams", "whole", of_stretch=True),
        Column("refills", "whole", of_stretch=True),
        Column("sets_spoiled", "whole", of_stretch=True),
        Column("sets_mended", "whole", of_stretch=True),
        Column("at_end", "text"),
        Column("operator", "text"),
        Column("job", "text"),
        Column("note", "text"),
    ),
    key=("tower", "run", "stretch", "bin"),
)

_STOCKS = LogKind(
    "stocks",
    "stock list",
    (
        Column("stock", "key", needed=True),
        Column("description", "text"),
        Column("grammage_gsm", "number", low=1, high=2000),
        Column("basis_weight_lb", "number", low=1, high=1000),
        Column(
            "basis_grade",
            "choice",
            choices=("bond", "text", "cover", "index", "tag", "bristol"),
        ),
        Column("caliper_um", "number", low=1, high=5000),
        Column("coating", "text"),
        Column(
            "printed_by",
            "choice",
            choices=("unprinted", "offset", "toner", "inkjet", "liquid-toner"),
        ),
        Column("sides", "whole", low=0, high=2),
        Column("width_mm", "number", low=1, high=5000),
        Column("height_mm", "number", low=1, high=5000),
        Column("grain", "choice", choices=("long", "short")),
        Column("special", "text"),
    ),
    key=("stock",),
)

_SERVICES = LogKind(
    "services",
    "service log",
    (
        Column("when", "moment", needed=True, date_alone=True),
        Column("tower", "key", needed=True),
        Column("bin", "bin", low=1, high=MOST_BINS),
        Column("part", "text", needed=True),
        Column(
            "action",
            "choice",
            needed=True,
            choices=(
                "fitted",
                "cleaned",
                "adjusted",
                "inspected",
                "swapped",
                "overhauled",
                "moved",
            ),
        ),
        Column("reason", "choice", choices=("planned", "worn", "broken")),
        Column("quantity", "whole"),
        Column("operator", "text"),
        Column("note", "text"),
    ),
    key=(
        "when",
        "when_offset_min",
        "tower",
        "bin",
        "of_tower",
        "part",
        "action",
        "reason",
        "quantity",
        "operator",
        "extra",
    ),
)

_TOWERS = LogKind(
    "towers",
    "tower list",
    (
        Column("tower", "key", needed=True),
        Column("site", "text"),
        Column("bins", "whole", low=1, high=MOST_BINS),
        Column("numbered_from", "choice", choices=("top", "bottom")),
        Column("line", "text"),
        Column("place_in_line", "whole", low=1, high=9999),
        Column("suction_feet_per_bin", "whole", low=1, high=99),
        Column("commissioned", "moment", date_alone=True),
        Column("note", "text"),
    ),
    key=("tower",),
)

#: The four kinds of file, by name.
KINDS: Mapping[Kind, LogKind] = {k.name: k for k in (_RUNS, _STOCKS, _SERVICES, _TOWERS)}

#: Actions of the service log that may stand without a part.
PARTLESS_ACTIONS = ("overhauled", "moved")

#: Units that a group of runs may be split by beside the log's own columns.
DERIVED = ("day", "week", "month", "humidity_band")

#: Kinds of fault a rate can be asked for: those that are counted, and both of them together.
FAULT_KINDS = ("misses", "doubles", "faults")


def kinds_of(kind: str) -> tuple[str, ...]:
    """Return the kinds that are counted for one that is asked for: both for ``faults``."""
    return FAULT_KINDS[:2] if kind == FAULT_KINDS[-1] else (kind,)


#: Columns that every stored row carries beside those of its file: the columns of the file that the
#: format does not name, the line it stood on, the intake that wrote it, the one that replaced it
#: (null while it stands) and, where an undo brought a row back, the intake it first came with.
EXTRA, LINE, INTAKE, UNTIL, ORIGIN = "extra", "file_line", "intake", "until", "origin"

_STORED_TYPES: Mapping[ValueType, pa.DataType] = {
    "key": pa.string(),
    "text": pa.string(),
    "choice": pa.string(),
    "whole": pa.int64(),
    "count": pa.int64(),
    "number": pa.float64(),
    "moment": pa.timestamp("us", "UTC"),
    "bins": pa.int32(),
    "bin": pa.int32(),
}


def content_schema(kind: LogKind) -> pa.Schema:
    """Return the stored columns that make up a row's content.

    A moment is kept as the wall clock showed it, in a column typed UTC that is never converted
    (a type without a zone is one that fewer readers of the open format know), with the offset
    that was logged, in minutes, beside it. A count that is null was not watched for.
    """
    fields: list[pa.Field] = []
    for column in kind.columns:
        fields.append(pa.field(column.name, _STORED_TYPES[column.type]))
        if column.type == "moment":
            fields.append(pa.field(f"{column.name}_offset_min", pa.int16()))
        if column.type == "bin":
            fields.append(pa.field("of_tower", pa.bool_()))
    fields.append(pa.field(EXTRA, pa.map_(pa.string(), pa.string())))
    return pa.schema(fields)


def stored_schema(kind: LogKind) -> pa.Schema:
    """Return all columns of a kind's table, in their order."""
    added = (LINE, INTAKE, UNTIL, ORIGIN)
    return pa.schema([*content_schema(kind), *(pa.field(name, pa.int64()) for name in added)])


#: Columns of the table of intakes: number, kind of file, its name and hash, when it was taken in
#: (UTC), the account of its lines as JSON, the zone its times without an offset were taken to be
#: in, and the intake that it took back, where it is an undo.
INTAKES_SCHEMA = pa.schema(
    [
        ("intake", pa.int64()),
        ("kind", pa.string()),
        ("file", pa.string()),
        ("sha256", pa.string()),
        ("taken_at", pa.timestamp("us", "UTC")),
        ("account", pa.string()),
        ("zone", pa.string()),
        ("undoes", pa.int64()),
    ]
)
