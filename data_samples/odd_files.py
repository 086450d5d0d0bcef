"""Small files that are odd but good, and files that are bad on purpose, one fault each.

Each stands beside what is to be expected of it: the kind of file, whether it is refused as a
whole, the lines read and rejected, and the line (counted as an editor shows it, the header being
line 1) and column of each problem.
"""

import codecs
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Values = Mapping[str, str]

_RUN = {
    "run": "0814",
    "started": "2031-03-14T08:05",
    "ended": "2031-03-14T09:40",
    "tower": "A",
    "bin": "1",
    "cycles": "4517",
    "misses": "1",
    "doubles": "0",
}
_STOCK = {"stock": "BO90", "description": "body, offset"}
_SERVICE = {
    "when": "2031-03-14T05:40",
    "tower": "A",
    "bin": "1",
    "part": "brush",
    "action": "fitted",
}
_TOWER = {"tower": "A", "bins": "10"}


@dataclass(frozen=True)
class Sample:
    """One small file and what to expect of it.

    Attributes
    ----------
    content : bytes
        The file.
    kind : str, optional
        The kind of file; none where the file as a whole is refused.
    read : int
        Records after the header.
    problems : sequence of (line, column)
        One for each rejected line.
    more : mapping
        Further expectations, for some files: ``after`` (files to be added before it), ``known``
        (lines that say nothing new), ``rows`` (rows that the good lines give), ``unknown_columns``
        (with the nearest known name), ``encoding``.
    """

    content: bytes
    kind: str | None
    read: int = 0
    problems: Sequence[tuple[int, str]] = ()
    more: Mapping[str, Any] = field(default_factory=dict)


def _table(lines: Sequence[Values], delimiter: str = ",") -> str:
    """Write lines under the columns that any of them has, in the order met."""
    columns = list(dict.fromkeys(column for line in lines for column in line))
    rows = [columns] + [[line.get(column, "") for column in columns] for line in lines]
    return "".join(
        delimiter.join(f'"{cell}"' if delimiter in cell or "\n" in cell else cell for cell in row)
        + "\n"
        for row in rows
    )


def _three(base: Values, place: str, names: Sequence[str], **changes: str) -> str:
    """Write a good line, one with `changes`, and another good line, apart by column `place`."""
    lines = [{**base, place: name} for name in names]
    lines[1] = {**lines[1], **changes}
    return _table(lines)


def _bad_run(column: str, **changes: str) -> Sample:
    text = _three(_RUN, "bin", ("1", "2", "3"), **changes)
    return Sample(text.encode(), "runs", 3, [(3, column)])


def _bad_stock(column: str, **changes: str) -> Sample:
    text = _three(_STOCK, "stock", ("BO90", "BU80", "CO300"), **changes)
    return Sample(text.encode(), "stocks", 3, [(3, column)])


def _bad_service(column: str, **changes: str) -> Sample:
    text = _three(_SERVICE, "bin", ("1", "2", "3"), **changes)
    return Sample(text.encode(), "services", 3, [(3, column)])


def _bad_tower(column: str, **changes: str) -> Sample:
    text = _three(_TOWER, "tower", ("A", "B", "C"), **changes)
    return Sample(text.encode(), "towers", 3, [(3, column)])


def _refused(content: bytes | str) -> Sample:
    return Sample(content.encode() if isinstance(content, str) else content, None)


_GOOD = _table([{**_RUN, "bin": bin_} for bin_ in ("1", "2", "3")])
_HEADER, _FIRST, _SECOND, _THIRD = _GOOD.splitlines(keepends=True)

# One grey dot, as an image program saves it.
_PICTURE = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108000000003a7e9b55"
    "0000000d494441547801010200fdff008000820081c36e25e00000000049454e44ae426082"
)


def _without(column: str) -> str:
    lines = [{key: value for key, value in _RUN.items() if key != column}] * 2
    return _table(lines)


BAD: dict[str, Sample] = {
    # Refused as a whole.
    "empty_file.csv": _refused(b""),
    "only_blank_lines.csv": _refused("\n\n  \n"),
    "header_only.csv": _refused(_HEADER),
    "no_header.csv": _refused(_FIRST + _SECOND),
    "not_a_log.csv": _refused("name,street,town\nbindery,Long Row 3,Oddlewick\n"),
    "no_cycles_column.csv": _refused(_without("cycles")),
    "no_run_column.csv": _refused(_without("run")),
    "no_started_column.csv": _refused(_without("started")),
    "no_doubles_column.csv": _refused(_without("doubles")),
    "no_action_column.csv": _refused("when,tower,bin,part\n2031-03-14T05:40,A,1,brush\n"),
    "column_twice.csv": _refused(_HEADER.strip() + ",misses\n" + _FIRST.strip() + ",1\n"),
    "picture.csv": _refused(_PICTURE),
    "zero_bytes.csv": _refused(bytes(64)),
    "utf16_without_mark.csv": _refused(_GOOD.encode("utf-16-le")),
    "utf16_cut_short.csv": _refused(codecs.BOM_UTF16_LE + _GOOD.encode("utf-16-le")[:-1]),
    # Names.
    "run_empty.csv": _bad_run("run", run=""),
    "run_too_long.csv": _bad_run("run", run="0814-" + "x" * 60),
    "tower_empty.csv": _bad_run("tower", tower=""),
    "tower_too_long.csv": _bad_run("tower", tower="A" * 65),
    "stretch_text.csv": _bad_run("stretch", stretch="second"),
    "stretch_zero.csv": _bad_run("stretch", stretch="0"),
    # Times.
    "started_empty.csv": _bad_run("started", started=""),
    "started_ambiguous.csv": _bad_run("started", started="03/04/2031 08:05"),
    "started_date_only.csv": _bad_run("started", started="2031-03-14"),
    "started_time_only.csv": _bad_run("started", started="08:05"),
    "started_words.csv": _bad_run("started", started="Friday morning"),
    "started_no_such_day.csv": _bad_run("started", started="2031-02-30T08:05"),
    "started_no_such_hour.csv": _bad_run("started", started="2031-03-14T25:05"),
    "started_year_out_of_range.csv": _bad_run("started", started="0031-03-14T08:05"),
    "ended_ambiguous.csv": _bad_run("ended", ended="03/04/2031 09:40"),
    "ended_before_started.csv": _bad_run("ended", ended="2031-03-14T07:40"),
    # Bins.
    "bin_empty.csv": _bad_run("bin", bin=""),
    "bin_zero.csv": _bad_run("bin", bin="0"),
    "bin_negative.csv": _bad_run("bin", bin="-2"),
    "bin_text.csv": _bad_run("bin", bin="top"),
    "bin_fraction.csv": _bad_run("bin", bin="2.5"),
    "bin_above_the_towers.csv": Sample(
        _three(_RUN, "bin", ("1", "11", "3")).encode(),
        "runs",
        3,
        [(3, "bin")],
        {"after": ["../towers.csv"]},
    ),
    "bins_with_counts.csv": _bad_run("misses", bin="4-6 8", misses="1"),
    "bins_with_found_later.csv": _bad_run("found_later", bin="4-6 8", misses="0", found_later="1"),
    "bins_overlapping.csv": _bad_run("bin", bin="4-6 6", misses="0"),
    "bins_backwards.csv": _bad_run("bin", bin="6-4", misses="0"),
    "bins_with_comma.csv": _bad_run("bin", bin="4,5", misses="0"),
    "bin_not_noted_with_cycles.csv": _bad_run("cycles", bin="?"),
    # Counts.
    "cycles_empty.csv": _bad_run("cycles", cycles=""),
    "cycles_off.csv": _bad_run("cycles", cycles="off"),
    "cycles_negative.csv": _bad_run("cycles", cycles="-4517"),
    "cycles_fraction.csv": _bad_run("cycles", cycles="4517.5"),
    "cycles_with_unit.csv": _bad_run("cycles", cycles="4517 cycles"),
    "cycles_thousands_mark.csv": _bad_run("cycles", cycles="4,517"),
    "cycles_too_large.csv": _bad_run("cycles", cycles="45170000000000000000"),
    "misses_empty.csv": _bad_run("misses", misses=""),
    "misses_negative.csv": _bad_run("misses", misses="-1"),
    "misses_fraction.csv": _bad_run("misses", misses="0.5"),
    "misses_text.csv": _bad_run("misses", misses="none"),
    "doubles_empty.csv": _bad_run("doubles", doubles=""),
    "doubles_tally_marks.csv": _bad_run("doubles", doubles="III"),
    "faults_above_cycles.csv": _bad_run("misses", cycles="40", misses="25", doubles="16"),
    "found_later_text.csv": _bad_run("found_later", found_later="some"),
    "false_calls_negative.csv": _bad_run("false_calls", false_calls="-1"),
    "stops_fraction.csv": _bad_run("stops", stops="1.5"),
    "planted_text.csv": _bad_run("planted_doubles", planted_doubles="a few"),
    "called_more_misses_than_planted.csv": _bad_run(
        "called_misses", purpose="burn-in", planted_misses="6", called_misses="7"
    ),
    "called_more_doubles_than_planted.csv": _bad_run(
        "called_doubles", purpose="burn-in", planted_doubles="6", called_doubles="7"
    ),
    # Words and air.
    "purpose_unknown.csv": _bad_run("purpose", purpose="makeready"),
    "prepared_unknown.csv": _bad_run("prepared", prepared="shaken"),
    "humidity_too_high.csv": _bad_run("humidity_pct", humidity_pct="120"),
    "humidity_negative.csv": _bad_run("humidity_pct", humidity_pct="-4"),
    "humidity_text.csv": _bad_run("humidity_pct", humidity_pct="dry"),
    "humidity_with_sign.csv": _bad_run("humidity_pct", humidity_pct="45 %"),
    "humidity_decimal_comma.csv": _bad_run("humidity_pct", humidity_pct="45,5"),
    "temperature_too_high.csv": _bad_run("temperature_c", temperature_c="99"),
    "temperature_too_low.csv": _bad_run("temperature_c", temperature_c="-40"),
    # The make of a line.
    "too_many_values.csv": Sample(
        (_HEADER + _FIRST + _SECOND.strip() + ",9\n" + _THIRD).encode(), "runs", 3, [(3, "")]
    ),
    "too_few_values.csv": Sample(
        (_HEADER + _FIRST + "0814,2031-03-14T08:05\n" + _THIRD).encode(), "runs", 3, [(3, "")]
    ),
    "quote_not_closed.csv": Sample(
        (_HEADER + _FIRST + _SECOND + '"' + _THIRD).encode(), "runs", 3, [(4, "")]
    ),
    "several_faults_in_a_line.csv": Sample(
        _three(_RUN, "bin", ("1", "0", "3"), misses="", humidity_pct="120").encode(),
        "runs",
        3,
        [(3, "bin"), (3, "misses"), (3, "humidity_pct")],
    ),
    "bad_line_after_line_break.csv": Sample(
        _table(
            [
                {**_RUN, "note": "first line,\nsecond line"},
                {**_RUN, "bin": "2", "cycles": ""},
                {**_RUN, "bin": "3"},
            ]
        ).encode(),
        "runs",
        3,
        [(4, "cycles")],
    ),
    # The same row.
    "same_row_other_counts.csv": Sample(
        _table([_RUN, {**_RUN, "bin": "2"}, {**_RUN, "misses": "2"}]).encode(),
        "runs",
        3,
        [(2, "run"), (4, "run")],
    ),
    "same_row_other_start.csv": Sample(
        _table(
            [_RUN, {**_RUN, "bin": "2"}, {**_RUN, "started": "2031-03-14T10:05", "ended": ""}]
        ).encode(),
        "runs",
        3,
        [(2, "run"), (4, "run")],
    ),
    "same_row_in_a_bin_list.csv": Sample(
        _table([{**_RUN, "bin": "4-6", "misses": "0"}, _RUN, {**_RUN, "bin": "5"}]).encode(),
        "runs",
        3,
        [(2, "run"), (4, "run")],
    ),
    "second_stretch_1.csv": Sample(_GOOD.encode(), "runs", 3),
    "second_stretch_2.csv": Sample(
        _table(
            [
                {**_RUN, "bin": "2", "started": "2031-03-14T13:10", "ended": "2031-03-14T14:30"},
                {**_RUN, "bin": "4"},
            ]
        ).encode(),
        "runs",
        2,
        [(2, "started")],
        {"after": ["second_stretch_1.csv"]},
    ),
    # Stock list.
    "stock_empty.csv": _bad_stock("stock", stock=""),
    "stock_printed_by_unknown.csv": _bad_stock("printed_by", printed_by="hand"),
    "stock_grammage_text.csv": _bad_stock("grammage_gsm", grammage_gsm="heavy"),
    "stock_grammage_with_unit.csv": _bad_stock("grammage_gsm", grammage_gsm="90 g/m2"),
    "stock_grammage_negative.csv": _bad_stock("grammage_gsm", grammage_gsm="-90"),
    "stock_caliper_text.csv": _bad_stock("caliper_um", caliper_um="thick"),
    "stock_weight_without_grade.csv": _bad_stock("basis_grade", basis_weight_lb="80"),
    "stock_grade_without_weight.csv": _bad_stock("basis_weight_lb", basis_grade="cover"),
    "stock_grade_unknown.csv": _bad_stock("basis_grade", basis_weight_lb="80", basis_grade="gloss"),
    "stock_sides_unknown.csv": _bad_stock("sides", sides="3"),
    "stock_sides_text.csv": _bad_stock("sides", sides="both"),
    "stock_width_text.csv": _bad_stock("width_mm", width_mm="wide"),
    "stock_grain_unknown.csv": _bad_stock("grain", grain="across"),
    # Service log.
    "service_when_ambiguous.csv": _bad_service("when", when="03/04/2031"),
    "service_when_empty.csv": _bad_service("when", when=""),
    "service_tower_empty.csv": _bad_service("tower", tower=""),
    "service_action_empty.csv": _bad_service("action", action=""),
    "service_action_unknown.csv": _bad_service("action", action="hammered"),
    "service_part_empty.csv": _bad_service("part", part=""),
    "service_bin_text.csv": _bad_service("bin", bin="all"),
    "service_bin_zero.csv": _bad_service("bin", bin="0"),
    "service_reason_unknown.csv": _bad_service("reason", reason="fancy"),
    "service_quantity_text.csv": _bad_service("quantity", quantity="a pair"),
    # Tower list.
    "tower_list_tower_empty.csv": _bad_tower("tower", tower=""),
    "tower_list_bins_text.csv": _bad_tower("bins", bins="ten"),
    "tower_list_bins_zero.csv": _bad_tower("bins", bins="0"),
    "tower_list_numbered_from_unknown.csv": _bad_tower("numbered_from", numbered_from="left"),
    "tower_list_place_text.csv": _bad_tower("place_in_line", place_in_line="first"),
    "tower_list_feet_text.csv": _bad_tower("suction_feet_per_bin", suction_feet_per_bin="two"),
    "tower_list_commissioned_ambiguous.csv": _bad_tower("commissioned", commissioned="03/04/2031"),
}

_NOTED = [{**_RUN, "bin": bin_, "note": note} for bin_, note in (("1", "déjà vu"), ("2", ""))]
_AIR = [{**_RUN, "bin": bin_, "humidity_pct": "45,5"} for bin_ in ("1", "2", "3")]


def _good_runs(text: str | bytes, read: int = 3, **more: Any) -> Sample:
    return Sample(text.encode() if isinstance(text, str) else text, "runs", read, (), more)


ODD: dict[str, Sample] = {
    # How the bytes are put.
    "utf8_with_mark.csv": _good_runs(codecs.BOM_UTF8 + _GOOD.encode(), encoding="utf-8"),
    "utf16_little.csv": _good_runs(
        codecs.BOM_UTF16_LE + _table(_NOTED).encode("utf-16-le"), 2, encoding="utf-16"
    ),
    "utf16_big.csv": _good_runs(
        codecs.BOM_UTF16_BE + _table(_NOTED).encode("utf-16-be"), 2, encoding="utf-16"
    ),
    "windows_1252.csv": _good_runs(_table(_NOTED).encode("cp1252"), 2, encoding="windows-1252"),
    "semicolons_decimal_comma.csv": _good_runs(_table(_AIR, ";")),
    "semicolons_decimal_point.csv": _good_runs(_table(_AIR, ";").replace("45,5", "45.5")),
    "tabs.csv": _good_runs(_table(_AIR, "\t")),
    "line_endings_cr.csv": _good_runs(_GOOD.replace("\n", "\r")),
    "line_endings_crlf.csv": _good_runs(_GOOD.replace("\n", "\r\n")),
    "line_endings_mixed.csv": _good_runs(
        _HEADER + _FIRST.replace("\n", "\r\n") + _SECOND.replace("\n", "\r") + _THIRD
    ),
    "no_last_line_ending.csv": _good_runs(_GOOD.rstrip("\n")),
    "empty_lines_between.csv": _good_runs(
        _HEADER + _FIRST + "\n\n" + _SECOND + ",,,,,,,\n" + _THIRD
    ),
    "trailing_delimiters.csv": _good_runs(_GOOD.replace("\n", ",\n")),
    "line_break_in_note.csv": _good_runs(
        _table([{**_RUN, "note": "first line,\nsecond line"}, {**_RUN, "bin": "2"}]), 2
    ),
    # How the header is put.
    "header_in_capitals.csv": _good_runs(
        ", ".join(name.upper() for name in _HEADER.strip().split(",")) + "\n" + _FIRST, 1
    ),
    "columns_in_another_order.csv": _good_runs(
        _table([dict(reversed({**_RUN, "bin": bin_}.items())) for bin_ in ("1", "2", "3")])
    ),
    "misspelt_column.csv": _good_runs(
        _table([{**_RUN, "humidty_pct": "45"}]),
        1,
        unknown_columns={"humidty_pct": "humidity_pct"},
    ),
    "unknown_columns.csv": _good_runs(
        _table([{**_RUN, "moon": "full", "set_side_guides": "2"}]), 1, unknown_columns={"moon": ""}
    ),
    # How the values are put.
    "blank_for_t.csv": _good_runs(_GOOD.replace("T0", " 0")),
    "seconds_and_offset.csv": _good_runs(
        _GOOD.replace("T08:05", "T08:05:30+01:00").replace("T09:40", "T09:40:00+01:00")
    ),
    "clock_set_back.csv": _good_runs(
        _table([{**_RUN, "started": "2031-10-26T02:40+02:00", "ended": "2031-10-26T02:10+01:00"}]),
        1,
    ),
    "ended_left_out.csv": _good_runs(_table([{**_RUN, "ended": ""}]), 1),
    "run_with_leading_zero.csv": _good_runs(
        _table([{**_RUN, "run": "07"}, {**_RUN, "run": "7"}]), 2, rows=2
    ),
    "several_bins.csv": _good_runs(
        _table([{**_RUN, "bin": "1-6 8-10", "misses": "0"}, {**_RUN, "bin": "7"}]), 2, rows=10
    ),
    "bin_not_noted.csv": _good_runs(
        _table(
            [
                {**_RUN, "bin": "1-10", "misses": "0"},
                {**_RUN, "bin": "?", "cycles": "", "misses": "0", "doubles": "1"},
            ]
        ),
        2,
        rows=11,
    ),
    "doubles_off.csv": _good_runs(_GOOD.replace(",0\n", ",off\n")),
    "bin_left_empty.csv": _good_runs(
        _table([_RUN, {**_RUN, "bin": "2", "cycles": "0", "misses": "0"}]), 2
    ),
    "every_feed_a_fault.csv": _good_runs(
        _table([{**_RUN, "cycles": "40", "misses": "25", "doubles": "15"}]), 1
    ),
    "edges_of_the_air.csv": _good_runs(
        _table(
            [
                {**_RUN, "humidity_pct": "0", "temperature_c": "-20"},
                {**_RUN, "bin": "2", "humidity_pct": "100", "temperature_c": "60"},
            ]
        ),
        2,
    ),
    "same_line_twice.csv": _good_runs(_HEADER + _FIRST + _SECOND + _FIRST, known=1, rows=2),
    # The other kinds.
    "stock_coating_of_the_sites_own.csv": Sample(
        _table([{**_STOCK, "coating": "sealed", "special": "laid"}]).encode(), "stocks", 1
    ),
    "service_of_the_tower.csv": Sample(
        _table(
            [
                {**_SERVICE, "bin": "tower", "part": "pump"},
                {**_SERVICE, "bin": "", "part": "", "action": "overhauled"},
                {**_SERVICE, "bin": "", "part": "", "action": "moved"},
            ]
        ).encode(),
        "services",
        3,
    ),
    "tower_alone.csv": Sample(b"tower\nA\nB\n", "towers", 2),
}


def write(to: Path, files: Mapping[str, Sample]) -> None:
    """Write `files` and an ``expected.json`` into the folder `to`."""
    to.mkdir(parents=True, exist_ok=True)
    expected = {}
    for name, sample in files.items():
        (to / name).write_bytes(sample.content)
        expected[name] = {
            "kind": sample.kind,
            "refused": sample.kind is None,
            "read": sample.read,
            "rejected": len({line for line, _ in sample.problems}),
            "problems": [{"line": line, "column": column} for line, column in sample.problems],
            **sample.more,
        }
    (to / "expected.json").write_bytes((json.dumps(expected, indent=2) + "\n").encode())
