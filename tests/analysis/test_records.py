"""Bytes to records with true line numbers: encodings, delimiters, line endings, quotes, blocks."""

from __future__ import annotations

import csv
import io
import re
import time
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.records import LONGEST_RECORD_LINES, blocks, read_header
from analysis.texts import NotALogError, Text, examine

KNOWN = frozenset({"run", "started", "tower", "bin", "cycles", "misses", "doubles", "note"})


def text_of(data: bytes) -> Text:
    return Text(partial(io.BytesIO, data), "utf-8")


def examined(raw: bytes) -> Text:
    return examine(partial(io.BytesIO, raw))


def records(
    data: bytes, *, block_bytes: int = 4 << 20
) -> tuple[list[tuple[int, list[str]]], list[tuple[int, list[str], str]]]:
    """Return (line, cells) of the records and (line, cells, reason) of the broken ones."""
    text = text_of(data)
    header = read_header(text, KNOWN)
    good: list[tuple[int, list[str]]] = []
    broken: list[tuple[int, list[str], str]] = []
    for block in blocks(text, header, block_bytes=block_bytes):
        columns = [column.to_pylist() for column in block.columns]
        good += zip(block.lines.tolist(), map(list, zip(*columns, strict=True)), strict=True)
        broken += [(b.line, b.cells, b.reason) for b in block.broken]
    return sorted(good), sorted(broken)


def physical_line(data: str, offset: int) -> int:
    """Count line endings before an offset the slow way: what an editor shows, from 1."""
    return 1 + len(re.findall(r"\r\n|\r|\n", data[:offset]))


class TestEncodings:
    text = "run,tower\n0814,Zürich – ½\n"

    @pytest.mark.parametrize(
        ("encoding", "mark", "told"),
        [
            ("utf-8", b"", "utf-8"),
            ("utf-8", b"\xef\xbb\xbf", "utf-8"),
            ("utf-16-le", b"\xff\xfe", "utf-16"),
            ("utf-16-be", b"\xfe\xff", "utf-16"),
            ("cp1252", b"", "windows-1252"),
        ],
    )
    def test_every_encoding_gives_the_same_text(
        self, encoding: str, mark: bytes, told: str
    ) -> None:
        text = examined(mark + self.text.encode(encoding))
        assert b"".join(text.pieces()).decode() == self.text
        assert text.encoding == told

    def test_bytes_without_a_meaning_in_windows_1252_are_kept(self) -> None:
        text = examined(b"run,tower\n\x81\x8d\x8f\x90\x9d,\xe9\n")
        assert b"".join(text.pieces()).decode().splitlines()[1] == "\x81\x8d\x8f\x90\x9d,é"

    @pytest.mark.parametrize("raw", [b"", b"\n", b" \r\n\t\n", b"\xff\xfe", b"\xff\xfe\n\0 \0"])
    def test_a_file_of_nothing_is_refused_as_empty(self, raw: bytes) -> None:
        with pytest.raises(NotALogError, match="empty"):
            examined(raw)

    @pytest.mark.parametrize("mark", [b"\xff\xfe", b"\xfe\xff"])
    def test_broken_utf_16_is_refused(self, mark: bytes) -> None:
        with pytest.raises(NotALogError, match="broken at byte"):
            examined(mark + b"a\0b\0\0\xd8\0")

    @pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
    def test_utf_16_without_its_mark_is_refused(self, encoding: str) -> None:
        with pytest.raises(NotALogError, match="not text"):
            examined(self.text.encode(encoding))


class TestHeader:
    @pytest.mark.parametrize("delimiter", [",", ";", "\t"])
    def test_the_delimiter_is_told_from_the_names(self, delimiter: str) -> None:
        data = delimiter.join(["run", "started", "a,b;c" if delimiter == "\t" else "x"])
        assert read_header(text_of(data.encode()), KNOWN).delimiter == delimiter

    def test_a_name_that_holds_another_delimiter_does_not_mislead(self) -> None:
        header = read_header(text_of(b"run;tower;bin;a,b,c,d,e,f\n"), KNOWN)
        assert header.names == ("run", "tower", "bin", "a,b,c,d,e,f")

    def test_names_lose_case_and_blanks_around_them(self) -> None:
        header = read_header(text_of(b' RUN ,"Tower",\tBin\t\n'), KNOWN)
        assert header.names == ("run", "tower", "bin")

    def test_trailing_delimiters_are_no_names(self) -> None:
        header = read_header(text_of(b"run,tower,,,\n"), KNOWN)
        assert (header.names, header.width) == (("run", "tower"), 5)

    def test_empty_lines_before_the_header_are_passed_over_and_counted(self) -> None:
        header = read_header(text_of(b"\n ,,\r\n\rrun,tower\r\n1,A\n"), KNOWN)
        assert (header.names, header.line) == (("run", "tower"), 5)

    def test_a_line_break_within_a_name_is_counted(self) -> None:
        header = read_header(text_of(b'run,tower,"my\nnote"\n1,A,x\n'), KNOWN)
        assert (header.names[2], header.line) == ("my\nnote", 3)

    def test_a_first_line_beyond_any_header_is_refused(self) -> None:
        with pytest.raises(NotALogError, match="longer than 100,000"):
            read_header(text_of(b"run," + b"," * 100_000), KNOWN)

    def test_wrong_quotes_in_the_header_are_refused(self) -> None:
        with pytest.raises(NotALogError, match="line 1, the header: a quote"):
            read_header(text_of(b'"run,tower\n1,A\n'), KNOWN)


class TestLines:
    @pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
    @pytest.mark.parametrize("last", [True, False])
    def test_any_line_ending_ends_a_line(self, ending: str, last: bool) -> None:
        data = ending.join(["run,tower", "1,A", "2,B"]) + (ending if last else "")
        assert records(data.encode())[0] == [(2, ["1", "A"]), (3, ["2", "B"])]

    def test_endings_may_be_mixed(self) -> None:
        data = b"run,tower\r1,A\r\n2,B\n3,C\r\r4,D\n\r5,E"
        good, broken = records(data)
        assert [line for line, _ in good] == [2, 3, 4, 6, 8]
        assert not broken

    def test_a_quoted_line_break_does_not_end_a_line_but_counts_as_one(self) -> None:
        data = b'run,note\n1,"a\nb\r\nc\rd"\n2,x\n'
        assert records(data)[0] == [(2, ["1", "a\nb\r\nc\rd"]), (6, ["2", "x"])]

    def test_empty_lines_are_no_records_but_are_counted(self) -> None:
        data = b'run,tower\n\n \t\n,,\n"",""\n1,A\n\r\n2,B\n\n'
        assert records(data)[0] == [(6, ["1", "A"]), (8, ["2", "B"])]

    def test_characters_that_other_programs_call_line_breaks_are_none(self) -> None:
        data = "run,note\n1,a\x0bb\x0cc\x85d\u2028e\n2,x\n".encode()
        assert records(data)[0] == [(2, ["1", "a\x0bb\x0cc\x85d\u2028e"]), (3, ["2", "x"])]

    @pytest.mark.parametrize("header", ["run,tower", "run,tower,", "run,tower,,,"])
    @pytest.mark.parametrize("line", ["1,A", "1,A,", "1,A,,,,,"])
    def test_trailing_delimiters_are_passed_over(self, header: str, line: str) -> None:
        good, broken = records(f"{header}\n{line}\n2,B\n".encode())
        assert good == [(2, ["1", "A"]), (3, ["2", "B"])]
        assert not broken

    def test_too_many_and_too_few_values_are_told_with_both_numbers(self) -> None:
        good, broken = records(b"run,tower\n1,A\n2\n3,C,x\n")
        assert good == [(2, ["1", "A"])]
        assert [(line, cells) for line, cells, _ in broken] == [(3, ["2"]), (4, ["3", "C", "x"])]
        assert broken[0][2].startswith("1 value where the header names 2; ")
        assert broken[1][2].startswith("3 values where the header names 2; ")


class TestQuotes:
    def test_an_unclosed_quote_breaks_its_own_line_alone(self) -> None:
        good, broken = records(b'run,note\n1,"a\n2,b\n3,c\n')
        assert [line for line, _ in good] == [3, 4]
        assert [(b[0], b[1]) for b in broken] == [(2, ["1", '"a'])]
        assert "never closed" in broken[0][2]

    def test_a_quote_closed_too_early_breaks_its_own_line_alone(self) -> None:
        good, broken = records(b'run,note\n1,"12" board"\n2,b\n')
        assert [line for line, _ in good] == [3]
        assert broken[0][0] == 2
        assert '""' in broken[0][2]

    def test_a_quote_in_the_middle_of_an_unquoted_value_is_a_quote(self) -> None:
        good, broken = records(b'run,note\n1,12" board\n2,5" and 6"\n3,"a""b"\n')
        assert [cells[1] for _, cells in good] == ['12" board', '5" and 6"', 'a"b']
        assert not broken

    def test_a_zero_byte_breaks_its_own_line_alone(self) -> None:
        good, broken = records(b"run,note\n1,a\n2,b\0c\n3,d\n")
        assert [line for line, _ in good] == [2, 4]
        assert [(line, reason) for line, _, reason in broken] == [
            (3, "the line holds a zero byte; type it again")
        ]

    @pytest.mark.parametrize("block_bytes", [50, 4 << 20])
    def test_a_value_of_too_many_lines_is_an_unclosed_quote(self, block_bytes: int) -> None:
        note = "\n".join("x" for _ in range(LONGEST_RECORD_LINES + 1))
        good, broken = records(f'run,note\n1,"{note}"\n2,b\n'.encode(), block_bytes=block_bytes)
        assert [line for line, _ in good] == [LONGEST_RECORD_LINES + 3]
        # Every physical line is there, so that nothing is missing from the rejects file.
        assert [line for line, _, _ in broken] == list(range(2, LONGEST_RECORD_LINES + 3))

    @pytest.mark.parametrize("block_bytes", [50, 4 << 20])
    def test_no_line_of_a_far_too_long_value_is_lost(self, block_bytes: int) -> None:
        note = "\n".join("y" * 50_000 for _ in range(4))
        _, broken = records(f'run,note\n1,"{note}"\n2,b\n'.encode(), block_bytes=block_bytes)
        assert [line for line, _, _ in broken] == [2, 3, 4, 5]

    def test_a_stray_quote_costs_no_look_through_the_whole_file_for_every_line(self) -> None:
        data = b'run,note\n1,"a\n' + b"2,b\n" * 150_000
        begin = time.perf_counter()
        good, broken = records(data)
        assert len(good) == 150_000
        assert len(broken) == 1
        # It took minutes when each line looked for a carriage return through all of the rest.
        assert time.perf_counter() - begin < 60


# What spreadsheets and crews write: words, numbers, delimiters, quotes and line breaks.
cells = st.text(alphabet="ab0 ,;\t\"'\n\r.-é", max_size=6)
needed = st.text(alphabet="ab1é", min_size=1, max_size=4)


@st.composite
def tables(draw: st.DrawFn) -> list[list[str]]:
    width = draw(st.integers(2, 5))
    row = st.tuples(needed, *[cells] * (width - 1)).map(list)
    return draw(st.lists(row, min_size=1, max_size=12))


@settings(max_examples=180, derandomize=True, deadline=None)
@given(
    table=tables(),
    delimiter=st.sampled_from([",", ";", "\t"]),
    ending=st.sampled_from(["\n", "\r\n", "\r"]),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    last=st.booleans(),
    blanks=st.lists(st.integers(0, 2), min_size=12, max_size=12),
    block_bytes=st.sampled_from([1, 2, 3, 7, 16, 33, 100, 5000, 1 << 20]),
)
def test_a_csv_writers_file_reads_as_the_csv_module_reads_it(
    table: list[list[str]],
    delimiter: str,
    ending: str,
    quoting: int,
    last: bool,
    blanks: list[int],
    block_bytes: int,
) -> None:
    header = ["run", "tower", "bin", "cycles", "misses"][: len(table[0])]
    text = delimiter.join(header) + ending
    expected = []
    for row, empty_lines in zip(table, blanks, strict=False):
        text += ending * empty_lines
        out = io.StringIO()
        # The module quotes only what is in its own line ending, so that is put in afterwards.
        csv.writer(out, delimiter=delimiter, lineterminator="\r\n", quoting=quoting).writerow(row)
        written = out.getvalue()[:-2] + ending
        parsed = list(csv.reader(io.StringIO(written, newline=""), delimiter=delimiter))
        assert parsed == [row]
        expected.append((physical_line(text, len(text)), row))
        text += written
    if not last:
        text = text[: -len(ending)]
    good, broken = records(text.encode(), block_bytes=block_bytes)
    assert not broken
    assert good == expected


@settings(max_examples=180, derandomize=True, deadline=None)
@given(
    body=st.text(alphabet='a1,, ;"\n\r\t\xa0é\0', max_size=120),
    block_bytes=st.integers(1, 60),
)
def test_no_byte_is_lost_or_counted_twice_however_broken_a_file_is(
    body: str, block_bytes: int
) -> None:
    data = "run,tower,bin\n" + body
    good, broken = records(data.encode(), block_bytes=block_bytes)
    lines = [line for line, *_ in [*good, *broken]]
    assert len(lines) == len(set(lines))
    assert all(2 <= line <= physical_line(data, len(data)) for line in lines)
    whole = "".join(cell for _, cells, *_ in [*good, *broken] for cell in cells)
    for character in "a1é\0":
        assert whole.count(character) == body.count(character)


@settings(max_examples=60, derandomize=True, deadline=None)
@given(
    rows=st.lists(st.lists(cells, min_size=1, max_size=4), min_size=1, max_size=30),
    block_bytes=st.integers(1, 400),
    ending=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_the_size_of_a_block_does_not_matter(
    rows: list[list[str]], block_bytes: int, ending: str
) -> None:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator=ending)
    writer.writerow(["run", "tower", "note"])
    writer.writerows(rows)
    data = out.getvalue().encode()
    assert records(data, block_bytes=block_bytes) == records(data)


def test_line_numbers_stay_64_bit() -> None:
    text = text_of(b"run,tower\n1,A\n")
    block = next(blocks(text, read_header(text, KNOWN)))
    assert block.lines.dtype == np.int64


@pytest.mark.parametrize("block_bytes", [1, 4 << 20])
def test_a_mark_within_a_file_is_kept_with_its_record(block_bytes: int) -> None:
    good, broken = records(b"tower\n\xef\xbb\xbf\n\xef\xbb\xbfA\nB\n", block_bytes=block_bytes)
    assert good == [(2, ["\ufeff"]), (3, ["\ufeffA"]), (4, ["B"])]
    assert broken == []


def test_a_mark_before_a_broken_byte_is_no_part_of_the_first_name() -> None:
    text = examined(b"\xef\xbb\xbfrun,tower\n0814,Z\xfcrich\n")
    assert text.encoding == "windows-1252"
    assert b"".join(text.pieces()).decode() == "run,tower\n0814,Z\u00fcrich\n"
