"""Text of a column to typed values, and a reason in words for each value that will not do.

Every function here works on a whole column at once. A column is read through its distinct values
(a log repeats its towers, times and counts over and over), so the cost follows the number of
different values, not of rows.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from analysis.log_format import KEY_LENGTH, YEARS, Column

BoolArray = npt.NDArray[np.bool_]
MOMENT_TYPE = pa.timestamp("us", "UTC")

_MOMENT = (
    r"^(?P<y>\d{4})-(?P<mo>\d{2})-(?P<d>\d{2})"
    r"(?:[Tt ](?P<h>\d{2}):(?P<mi>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d{1,6})\d*)?)?"
    r"[ ]?(?P<z>[Zz]|[+-]\d{2}:?\d{2})?)?$"
)
#: Forms of dates that a site file may name, beside year-month-day in two digits each, which is
#: always taken: the order of day, month and year and the mark between them.
DATE_FORMS = ("D.M.Y", "D/M/Y", "D-M-Y", "M/D/Y", "M-D-Y", "Y/M/D", "Y.M.D", "Y-M-D")

_PARTS = {"D": r"(?P<d>\d{1,2})", "M": r"(?P<mo>\d{1,2})", "Y": r"(?P<y>\d{4})"}
# Spreadsheets and browsers put a narrow blank before AM, and some a comma behind the date.
_CLOCK = (
    r"(?:(?:[Tt]|,?[ \x{a0}\x{202f}]+)(?P<h>\d{1,2}):(?P<mi>\d{2})(?P<s>(?::\d{2}(?:[.,]\d+)?)?)"
    r"[ \x{a0}\x{202f}]?(?P<ap>(?:[AaPp]\.?[Mm]\.?)?)[ ]?(?P<z>(?:[Zz]|[+-]\d{2}:?\d{2})?))?$"
)
_WHOLE = r"^\+?\d+$"
#: Three noughts after a mark may be thousands: 4.000 is four to some and four thousand to others.
_POINT = r"\.(?:0{0,2}|0{4,})$"
_POINT_OR_COMMA = r"[.,](?:0{0,2}|0{4,})$"
_NUMBER = r"^[+-]?(?:\d+\.?\d*|\.\d+)$"
_ESCAPED = r"^'('*[=+\-@\t\r])"


@dataclass(frozen=True)
class Read:
    """A column read: values by row, and which rows will not do.

    Attributes
    ----------
    values : dict of str to pyarrow.Array
        Stored columns that this column gives (a moment gives two), one value a row.
    bad : bool array
        Rows whose value is refused.
    empty : bool array
        Rows with nothing in the cell.
    reason : callable
        From a refused row's text to one sentence.
    """

    values: dict[str, pa.Array]
    bad: BoolArray
    empty: BoolArray
    reason: Callable[[str], str]


def unescape(texts: pa.Array) -> pa.Array:
    """Take off the one apostrophe with which exports keep a spreadsheet from running a cell."""
    return pc.replace_substring_regex(texts, _ESCAPED, r"\1")


def escape_cell(cell: str) -> str:
    """Put an apostrophe before a cell that a spreadsheet would run; numbers stay as they are.

    `unescape_cell` takes it off again, so that a round trip changes nothing.
    """
    if re.match(r"^'*[=+\-@\t\r]", cell) and not re.match(_NUMBER, cell.replace(",", ".")):
        return "'" + cell
    return cell


def unescape_cell(cell: str) -> str:
    """Take off the apostrophe of one cell, as `unescape` does for a column."""
    return re.sub(_ESCAPED, r"\1", cell)


def nearest(word: str, words: tuple[str, ...] | frozenset[str], cutoff: float = 0.75) -> str:
    """Return the likeliest meant of some words, or nothing."""
    found = difflib.get_close_matches(word.lower(), sorted(words), n=1, cutoff=cutoff)
    return found[0] if found else ""


def read_column(
    column: Column, texts: pa.Array, *, decimal_comma: bool, date_form: str = ""
) -> Read:
    """Read one column of the format.

    Parameters
    ----------
    column : Column
        What the column may hold.
    texts : pyarrow.StringArray
        One text a row, as it stood in the file.
    decimal_comma : bool
        Whether ``45,5`` is a number here (where the delimiter is no comma).
    date_form : str
        One of `DATE_FORMS`, as the site file names it: dates in that form are taken too, with a
        clock of 24 or of 12 hours. Empty: year-month-day alone is taken.

    Returns
    -------
    Read
        Values and refusals; an empty cell is null and, where the column is needed, refused.

    Raises
    ------
    ValueError
        For a form of dates that is none.
    """
    if date_form and date_form not in DATE_FORMS:
        raise ValueError(f"date_form must be one of {', '.join(DATE_FORMS)}, not {date_form!r}")
    encoded = texts.dictionary_encode()
    distinct = pc.utf8_trim_whitespace(unescape(encoded.dictionary))
    indices = encoded.indices
    empty = _mask(pc.equal(distinct, ""))
    if column.type == "moment":
        values, bad, reason = _moment(column, distinct, empty, date_form)
    else:
        values, bad, reason = _READERS[column.type](column, distinct, empty, decimal_comma)
    if column.needed:
        bad = bad | empty
    rows = indices.to_numpy()

    def explain(text: str) -> str:
        shown = unescape_cell(text).strip()
        if not shown:
            return _empty_reason(column)
        return reason(shown if len(shown) <= 60 else shown[:57] + "...")

    taken = {name: array.take(indices) for name, array in values.items()}
    return Read(taken, bad[rows], empty[rows], explain)


def _mask(mask: pa.Array) -> BoolArray:
    result: BoolArray = pc.fill_null(mask, False).to_numpy(zero_copy_only=False)
    return result


def _empty_reason(column: Column) -> str:
    if column.type == "count":
        return (
            f"{column.name} is empty, and an empty count is not zero; write 0 if none were seen, "
            "or off if nothing was watching for them"
        )
    if column.name == "part":
        return "part is empty; only overhauled and moved may stand without a part"
    if column.name == "cycles":
        return "cycles is empty; write the feeds asked of this bin, 0 if it was left empty"
    return f"{column.name} is empty; every line needs it"


_Result = tuple[dict[str, pa.Array], BoolArray, Callable[[str], str]]


def _null_where(values: pa.Array, drop: BoolArray) -> pa.Array:
    return pc.if_else(pa.array(drop), pa.scalar(None, values.type), values)


def _text(column: Column, texts: pa.Array, empty: BoolArray, comma: bool) -> _Result:
    return {column.name: _null_where(texts, empty)}, np.zeros(len(texts), bool), str


def _key(column: Column, texts: pa.Array, empty: BoolArray, comma: bool) -> _Result:
    bad = _mask(pc.greater(pc.utf8_length(texts), KEY_LENGTH))

    def reason(text: str) -> str:
        return (
            f"{column.name} is longer than {KEY_LENGTH} characters; "
            "use a short name and put the rest in the note"
        )

    return {column.name: _null_where(texts, empty)}, bad, reason


def _whole_numbers(texts: pa.Array, comma: bool) -> tuple[pa.Array, BoolArray]:
    """Return whole numbers, null where the text is none or too large to keep."""
    plain = pc.replace_substring_regex(texts, _POINT_OR_COMMA if comma else _POINT, "")
    fits = _mask(
        pc.and_(pc.match_substring_regex(plain, _WHOLE), pc.less_equal(pc.utf8_length(plain), 13))
    )
    # The cast takes no plus sign.
    numbers = pc.utf8_ltrim(_null_where(plain, ~fits), "+").cast(pa.int64())
    return numbers, fits


def _within(numbers: pa.Array, low: float, high: float) -> BoolArray:
    return _mask(pc.and_(pc.greater_equal(numbers, low), pc.less_equal(numbers, high)))


def _whole(column: Column, texts: pa.Array, empty: BoolArray, comma: bool) -> _Result:
    numbers, _ = _whole_numbers(texts, comma)
    good = _within(numbers, column.low, column.high) | empty
    return {column.name: _null_where(numbers, ~good)}, ~good, _whole_reason(column)


def _whole_reason(column: Column, words: str = "") -> Callable[[str], str]:
    def reason(text: str) -> str:
        if re.fullmatch(r"\d{1,3}([ ,.'\u00a0\u202f]\d{3})+", text):
            plain = re.sub(r"\D", "", text)
            return f"{column.name} is {text}; write {plain}, without a mark between thousands"
        if re.fullmatch(r"-\d+", text):
            return f"{column.name} is {text}, below zero; write how many there were"
        if re.fullmatch(r"\+?\d+([.,]0*)?", text):
            low, high = f"{column.low:,.0f}", f"{column.high:,.0f}"
            return f"{column.name} is {text}; it must be from {low} to {high}"
        return f"{column.name} is {text}; write a whole number{words}"

    return reason


def _count(column: Column, texts: pa.Array, empty: BoolArray, comma: bool) -> _Result:
    off = _mask(pc.equal(pc.utf8_lower(texts), "off"))
    numbers, _ = _whole_numbers(texts, comma)
    good = _within(numbers, column.low, column.high) | off
    values = {column.name: _null_where(numbers, ~good | off)}
    return values, ~good, _whole_reason(column, ", or off if nothing was watching for them")


def _number(column: Column, texts: pa.Array, empty: BoolArray, comma: bool) -> _Result:
    plain = pc.replace_substring(texts, ",", ".") if comma else texts
    # A number of more digits than a measurement has is a slip, and would not fit.
    fits = _mask(
        pc.and_(pc.match_substring_regex(plain, _NUMBER), pc.less(pc.utf8_length(plain), 30))
    )
    numbers = _null_where(plain, ~fits).cast(pa.float64())
    good = _within(numbers, column.low, column.high) | empty

    def reason(text: str) -> str:
        if not comma and re.fullmatch(r"[+-]?\d+,\d+", text):
            point = text.replace(",", ".")
            return f"{column.name} is {text}; in a file with commas between values write {point}"
        if re.match(_NUMBER, text.replace(",", ".")):
            return f"{column.name} is {text}; it must be from {column.low:g} to {column.high:g}"
        return f"{column.name} is {text}; write a number without its unit, or leave it empty"

    return {column.name: _null_where(numbers, ~good)}, ~good, reason


def _choice(column: Column, texts: pa.Array, empty: BoolArray, comma: bool) -> _Result:
    lower = pc.utf8_lower(texts)
    good = _mask(pc.is_in(lower, pa.array(column.choices))) | empty

    def reason(text: str) -> str:
        meant = nearest(text, column.choices, 0.6)
        hint = f"; did you mean {meant}?" if meant else ""
        return f"{column.name} is {text}; write one of {', '.join(column.choices)}{hint}"

    return {column.name: _null_where(lower, empty | ~good)}, ~good, reason


def _integers(texts: pa.Array) -> npt.NDArray[np.int64]:
    result: npt.NDArray[np.int64] = (
        pc.if_else(pc.equal(pc.fill_null(texts, ""), ""), "0", texts).cast(pa.int64()).to_numpy()
    )
    return result


def _pattern(form: str) -> str:
    """Return the expression of a date in a form, with its time of day if it has one."""
    first, mark, second, _, third = tuple(form)
    return f"^{re.escape(mark).join(_PARTS[part] for part in (first, second, third))}{_CLOCK}"


def _as_iso(texts: pa.Array, form: str) -> pa.Array:
    """Write moments of a form as year-month-day; other texts stay as they are.

    An hour that no clock of 12 hours shows becomes one that no clock at all shows.
    """
    parts = pc.extract_regex(texts, _pattern(form))
    field = {name: pc.struct_field(parts, name) for name in ("y", "mo", "d", "h", "mi", "s", "z")}
    half = pc.utf8_lower(pc.utf8_slice_codeunits(pc.struct_field(parts, "ap"), 0, 1))
    number = pc.if_else(pc.equal(field["h"], ""), "0", field["h"]).cast(pa.int64())
    twelve = pc.and_(pc.greater_equal(number, 1), pc.less_equal(number, 12))
    of_half = pc.if_else(pc.equal(number, 12), 0, number)
    hour = pc.case_when(
        pc.make_struct(pc.equal(half, ""), pc.invert(twelve), pc.equal(half, "p")),
        number,
        99,
        pc.add(of_half, 12),
        of_half,
    )
    day = pc.binary_join_element_wise(
        field["y"], pc.utf8_lpad(field["mo"], 2, "0"), pc.utf8_lpad(field["d"], 2, "0"), "-"
    )
    shown = pc.utf8_lpad(hour.cast(pa.string()), 2, "0")
    clock = pc.binary_join_element_wise("T", shown, ":", field["mi"], field["s"], field["z"], "")
    timed = pc.not_equal(field["h"], "")
    return pc.coalesce(pc.binary_join_element_wise(day, pc.if_else(timed, clock, ""), ""), texts)


def _moment(column: Column, texts: pa.Array, empty: BoolArray, form: str) -> _Result:
    texts = _as_iso(texts, form) if form else texts
    matched = _mask(pc.match_substring_regex(texts, _MOMENT))
    # A text that is no date at all stands in as a good one, so that the sums below run on all.
    parts = pc.extract_regex(pc.if_else(pa.array(matched), texts, "2000-01-01T00:00"), _MOMENT)
    field = {name: pc.struct_field(parts, name) for name in ("y", "mo", "d", "h", "mi", "s", "f")}
    year, month, day, hour, minute, second = (
        _integers(field[name]) for name in ("y", "mo", "d", "h", "mi", "s")
    )
    micro = _integers(pc.utf8_rpad(field["f"], 6, "0"))
    timed = _mask(pc.not_equal(field["h"], ""))
    months = (year - 1970) * 12 + np.clip(month, 1, 12) - 1
    first = months.astype("datetime64[M]")
    days = first.astype("datetime64[D]").astype(np.int64) + day - 1
    length = (first + np.timedelta64(1, "M")).astype("datetime64[D]") - first.astype(
        "datetime64[D]"
    )
    good = matched & (year >= YEARS[0]) & (year <= YEARS[1]) & (month >= 1) & (month <= 12)
    good &= (day >= 1) & (day <= length.astype(np.int64))
    good &= (hour <= 23) & (minute <= 59) & (second <= 59)
    if not column.date_alone:
        good &= timed
    moments = ((days * 24 + hour) * 60 + minute) * 60 + second
    micros = pa.array(moments * 1_000_000 + micro).cast(MOMENT_TYPE)

    zone = pc.fill_null(pc.struct_field(parts, "z"), "")
    given = _mask(pc.not_equal(zone, ""))
    digits = pc.replace_substring_regex(zone, r"[^0-9]", "")
    clock = _integers(digits)
    offset = clock // 100 * 60 + clock % 100
    offset = np.where(_mask(pc.starts_with(zone, "-")), -offset, offset)
    good &= ~given | ((np.abs(offset) <= 18 * 60) & (clock % 100 < 60))
    offsets = pa.array(offset.astype(np.int16), mask=~(given & good))
    values = {
        column.name: _null_where(micros, ~good),
        f"{column.name}_offset_min": offsets,
    }
    return values, ~good & ~empty, _moment_reason(column, form)


def _on_calendar(match: re.Match[str]) -> bool:
    try:
        dt.date(int(match["y"]), int(match["mo"]), int(match["d"]))
    except ValueError:
        return False
    return True


def _moment_reason(column: Column, form: str) -> Callable[[str], str]:
    example = "2031-04-03"
    own = form.replace("D", "03").replace("M", "04").replace("Y", "2031")
    if not column.date_alone:
        example, own = f"{example}T08:05", f"{own} 08:05"
    written = f"year-month-day, like {example}"

    def reason(text: str) -> str:
        iso = _as_iso(pa.array([text], pa.string()), form)[0].as_py() if form else text
        match = re.match(_MOMENT, iso)
        if match and not YEARS[0] <= int(match["y"]) <= YEARS[1]:
            return f"{column.name} is {text}; the year must be from {YEARS[0]} to {YEARS[1]}"
        if match and match["h"] is None and not column.date_alone and _on_calendar(match):
            write = f"{own} or {example}" if form else example
            return f"{column.name} is {text}, without a time of day; write it like {write}"
        if match:
            read = f", read as {form}" if iso != text else ""
            return f"{column.name} is {text}, which no calendar or clock shows{read}; correct it"
        date = re.match(r"^\d{1,2}([./-])\d{1,2}\1(\d{2,4})(?!\d)", text)
        if form and date and len(date[2]) == 2 and not form.startswith("Y"):
            return (
                f"{column.name} is {text}, with two digits for the year; write all four, like {own}"
            )
        if form:
            return (
                f"{column.name} is {text}, which is not of the form {form} that the site file "
                f"names; write it like {own}, or {written}"
            )
        if re.match(r"^\d{1,2}[./-]\d{1,2}[./-]\d{2,4}", text):
            return (
                f"{column.name} is {text}, which is ambiguous: nobody can tell day from month; "
                f"write {written}, or name the form of your dates in the site file (date_form)"
            )
        return f"{column.name} is {text}; write year-month-day and time, like {example}"

    return reason


def bin_list(text: str, column: Column) -> list[int] | None:
    """Read bins such as ``7`` or ``1-6 8-10``; None where the text is no list of bins.

    Bins that are named twice, run backwards or lie outside the column's range are refused too.
    """
    bins: list[int] = []
    for token in text.split():
        match = re.fullmatch(r"([0-9]{1,6})(?:-([0-9]{1,6}))?", token)
        if not match:
            return None
        first = int(match[1])
        last = int(match[2] or first)
        if first < column.low or last > column.high or first > last:
            return None
        bins.extend(range(first, last + 1))
    return bins if bins and len(set(bins)) == len(bins) else None


def _bins(column: Column, texts: pa.Array, empty: BoolArray, comma: bool) -> _Result:
    """Read run-log bins: lists of int32, an empty list for ``?``."""
    numbers, _ = _whole_numbers(texts, False)
    single = _within(numbers, column.low, column.high)
    unknown = _mask(pc.equal(texts, "?"))
    lists: list[list[int] | None] = [[n] for n in numbers.to_pylist()]
    bad = ~(single | unknown) & ~empty
    for index in np.flatnonzero(~single):
        read = [] if unknown[index] else bin_list(texts[int(index)].as_py(), column)
        lists[int(index)] = read
        bad[index] = read is None and not empty[index]

    def reason(text: str) -> str:
        return (
            f"bin is {text}; write its number (1 to {column.high:.0f}), several as 1-6 8-10 with "
            "none twice, or ? if a fault's bin was not noted"
        )

    return {"bin": pa.array(lists, pa.list_(pa.int32()))}, bad, reason


def _bin(column: Column, texts: pa.Array, empty: BoolArray, comma: bool) -> _Result:
    """Read a service log's bin: a number, none for every bin, or the tower as a whole."""
    numbers, _ = _whole_numbers(texts, False)
    whole = _mask(pc.equal(pc.utf8_lower(texts), "tower"))
    good = _within(numbers, column.low, column.high)

    def reason(text: str) -> str:
        return f"bin is {text}; write its number, tower for a part of the tower, or nothing for all"

    values = {
        "bin": _null_where(numbers, ~good).cast(pa.int32()),
        "of_tower": pa.array(whole),
    }
    return values, ~(good | whole | empty), reason


_READERS: dict[str, Callable[[Column, pa.Array, BoolArray, bool], _Result]] = {
    "key": _key,
    "text": _text,
    "whole": _whole,
    "number": _number,
    "bins": _bins,
    "bin": _bin,
    "count": _count,
    "choice": _choice,
}
