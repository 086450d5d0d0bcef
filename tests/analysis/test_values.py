"""Text of a column to values: what each type takes, and in what words it refuses the rest."""

from __future__ import annotations

import datetime as dt
import re

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.log_format import KINDS, Column
from analysis.values import bin_list, escape_cell, nearest, read_column, unescape, unescape_cell

RUNS, SERVICES = KINDS["runs"], KINDS["services"]


def value(column: Column, text: str, *, comma: bool = False) -> object:
    """Return the value of one cell; LookupError with the reason where it is refused."""
    read = read_column(column, pa.array([text]), decimal_comma=comma)
    if read.bad[0]:
        raise LookupError(read.reason(text))
    return read.values[column.name][0].as_py()


def reason(column: Column, text: str, *, comma: bool = False) -> str:
    with pytest.raises(LookupError) as found:
        value(column, text, comma=comma)
    return str(found.value.args[0])


class TestKeys:
    @pytest.mark.parametrize("text", ["07", "0814", "x" * 64, "é" * 64, "a b", "12\u2033"])
    def test_a_run_is_text_as_it_stands(self, text: str) -> None:
        assert value(RUNS.column("run"), text) == text

    def test_blanks_around_it_are_no_part_of_it(self) -> None:
        assert value(RUNS.column("run"), "  0814\t") == "0814"

    @pytest.mark.parametrize("text", ["x" * 65, "é" * 65])
    def test_more_than_64_characters_are_too_many(self, text: str) -> None:
        assert reason(RUNS.column("tower"), text) == (
            "tower is longer than 64 characters; use a short name and put the rest in the note"
        )

    @pytest.mark.parametrize("text", ["", "   "])
    def test_every_line_needs_one(self, text: str) -> None:
        assert reason(RUNS.column("run"), text) == "run is empty; every line needs it"


class TestWholeNumbers:
    column = RUNS.column("cycles")

    @pytest.mark.parametrize(
        ("text", "number"),
        [("0", 0), ("7", 7), ("+7", 7), ("007", 7), (" 7 ", 7), ("7.", 7), ("7.0", 7), ("7.00", 7)],
    )
    def test_forms_that_spreadsheets_write_are_taken(self, text: str, number: int) -> None:
        assert value(self.column, text) == number

    def test_the_largest_is_taken_and_the_next_refused(self) -> None:
        assert value(self.column, "999999999999") == 999_999_999_999
        assert "it must be from 0 to 999,999,999,999" in reason(self.column, "1000000000000")

    @pytest.mark.parametrize("text", ["9" * 13, "9" * 30, "9" * 60])
    def test_numbers_beyond_any_machine_are_refused(self, text: str) -> None:
        assert "it must be from 0 to" in reason(self.column, text)

    @pytest.mark.parametrize("text", ["-1", "-0"])
    def test_below_zero_is_refused(self, text: str) -> None:
        assert "below zero" in reason(self.column, text)

    @pytest.mark.parametrize("text", ["4,517", "4 517", "4.517.000", "4'517", "4\u00a0517"])
    def test_a_mark_between_thousands_is_refused_with_the_number_to_write(self, text: str) -> None:
        plain = re.sub(r"\D", "", text)
        assert f"write {plain}, without a mark between thousands" in reason(self.column, text)

    @pytest.mark.parametrize(
        ("text", "comma"), [("4.000", False), ("4.000", True), ("4,000", True)]
    )
    def test_four_thousand_is_never_read_as_four(self, text: str, comma: bool) -> None:
        assert "write 4000, without" in reason(self.column, text, comma=comma)

    @pytest.mark.parametrize("text", ["1.5", "1e3", "0x10", "four", "off", "½", "٣", "1 000x"])
    def test_anything_else_is_no_whole_number(self, text: str) -> None:
        assert f"cycles is {text}; " in reason(self.column, text)

    def test_a_decimal_comma_of_nought_is_taken_where_commas_are_decimal(self) -> None:
        assert value(self.column, "7,0", comma=True) == 7
        assert "cycles is 7,0" in reason(self.column, "7,0")


class TestCounts:
    column = RUNS.column("doubles")

    @pytest.mark.parametrize("text", ["off", "OFF", " Off "])
    def test_off_is_not_watched_and_not_zero(self, text: str) -> None:
        assert value(self.column, text) is None

    def test_an_empty_count_is_not_zero(self) -> None:
        assert reason(self.column, "") == (
            "doubles is empty, and an empty count is not zero; write 0 if none were seen, "
            "or off if nothing was watching for them"
        )

    @pytest.mark.parametrize("text", ["none", "|||", "-", "n/a", "0.5"])
    def test_anything_else_is_refused_with_both_ways_out(self, text: str) -> None:
        assert reason(self.column, text).endswith(
            "write a whole number, or off if nothing was watching for them"
        )


class TestMeasurements:
    humidity, temperature = RUNS.column("humidity_pct"), RUNS.column("temperature_c")

    @pytest.mark.parametrize(
        ("text", "number"), [("0", 0), ("100", 100), ("45.5", 45.5), (".5", 0.5), ("45.", 45)]
    )
    def test_both_ends_of_the_range_are_taken(self, text: str, number: float) -> None:
        assert value(self.humidity, text) == number

    @pytest.mark.parametrize("text", ["-20", "60", "+21.5", "-0.5"])
    def test_temperatures_may_have_a_sign(self, text: str) -> None:
        assert value(self.temperature, text) == float(text)

    @pytest.mark.parametrize("text", ["-20.1", "60.1", "1" * 25, "9" * 40])
    def test_beyond_the_range_is_refused_with_the_range(self, text: str) -> None:
        assert reason(self.temperature, text).endswith("from -20 to 60")

    def test_not_measured_is_nothing(self) -> None:
        assert value(self.humidity, "  ") is None

    def test_a_decimal_comma_is_taken_only_where_commas_do_not_delimit(self) -> None:
        assert value(self.humidity, "45,5", comma=True) == 45.5
        assert value(self.humidity, "45.5", comma=True) == 45.5
        assert "write 45.5" in reason(self.humidity, "45,5")

    @pytest.mark.parametrize("text", ["45 %", "45%", "nan", "inf", "damp", "4,5,6", "1e1", "--5"])
    def test_units_and_words_are_refused(self, text: str) -> None:
        assert "write a number without its unit, or leave it empty" in reason(self.humidity, text)


class TestMoments:
    column = RUNS.column("started")

    @pytest.mark.parametrize(
        ("text", "moment"),
        [
            ("2031-03-14T08:05", dt.datetime(2031, 3, 14, 8, 5)),
            ("2031-03-14 08:05", dt.datetime(2031, 3, 14, 8, 5)),
            ("2031-03-14t08:05:59", dt.datetime(2031, 3, 14, 8, 5, 59)),
            ("2031-03-14T08:05:59.25", dt.datetime(2031, 3, 14, 8, 5, 59, 250_000)),
            ("2031-03-14T08:05:59,123456789", dt.datetime(2031, 3, 14, 8, 5, 59, 123_456)),
            ("2032-02-29T00:00", dt.datetime(2032, 2, 29)),
            ("1980-01-01T00:00", dt.datetime(1980, 1, 1)),
            ("2099-12-31T23:59:59", dt.datetime(2099, 12, 31, 23, 59, 59)),
        ],
    )
    def test_the_wall_clock_is_kept_as_it_was(self, text: str, moment: dt.datetime) -> None:
        found = value(self.column, text)
        assert isinstance(found, dt.datetime)
        assert found.replace(tzinfo=None) == moment

    @pytest.mark.parametrize(
        ("zone", "minutes"),
        [("", None), ("Z", 0), ("+01:00", 60), (" +0530", 330), ("-03:30", -210), ("+18:00", 1080)],
    )
    def test_an_offset_is_kept_beside_it_and_shifts_nothing(
        self, zone: str, minutes: int | None
    ) -> None:
        text = "2031-03-14T08:05" + zone
        read = read_column(self.column, pa.array([text]), decimal_comma=False)
        assert not read.bad[0]
        assert read.values["started_offset_min"][0].as_py() == minutes
        assert read.values["started"][0].as_py().replace(tzinfo=None) == dt.datetime(
            2031, 3, 14, 8, 5
        )

    @pytest.mark.parametrize("text", ["03/04/2031", "3.4.2031 08:05", "03-04-31", "1/2/2031T08:05"])
    def test_day_and_month_in_an_unknown_order_are_ambiguous(self, text: str) -> None:
        assert reason(self.column, text) == (
            f"started is {text}, which is ambiguous: nobody can tell day from month; "
            "write year-month-day, like 2031-04-03T08:05"
        )

    def test_a_date_alone_lacks_its_time(self) -> None:
        assert "without a time of day" in reason(self.column, "2031-03-14")

    def test_a_date_alone_will_do_where_the_format_says_so(self) -> None:
        found = value(SERVICES.column("when"), "2031-03-14")
        assert isinstance(found, dt.datetime)
        assert found.replace(tzinfo=None) == dt.datetime(2031, 3, 14)

    @pytest.mark.parametrize(
        "text",
        [
            "2031-02-29T08:05",
            "2031-13-01T08:05",
            "2031-00-01T08:05",
            "2031-01-00T08:05",
            "2031-04-31T08:05",
            "2031-03-14T24:00",
            "2031-03-14T08:60",
            "2031-03-14T08:05:60",
            "2031-03-14T08:05+19:00",
            "2031-03-14T08:05+01:75",
        ],
    )
    def test_what_no_calendar_or_clock_shows_is_refused(self, text: str) -> None:
        assert "which no calendar or clock shows" in reason(self.column, text)

    @pytest.mark.parametrize("text", ["1979-12-31T23:59", "2100-01-01T00:00", "9999-12-31T23:59"])
    def test_years_beyond_the_range_are_refused(self, text: str) -> None:
        assert "the year must be from 1980 to 2099" in reason(self.column, text)

    @pytest.mark.parametrize("text", ["08:05", "yesterday", "20310314T0805", "2031-3-14T8:05"])
    def test_anything_else_is_told_the_form(self, text: str) -> None:
        assert reason(self.column, text) == (
            f"started is {text}; write year-month-day and time, like 2031-04-03T08:05"
        )

    @settings(max_examples=200, derandomize=True, deadline=None)
    @given(st.datetimes(dt.datetime(1980, 1, 1), dt.datetime(2099, 12, 31, 23, 59, 59)))
    def test_every_moment_of_the_range_comes_back(self, moment: dt.datetime) -> None:
        found = value(self.column, moment.isoformat())
        assert isinstance(found, dt.datetime)
        assert found.replace(tzinfo=None) == moment


class TestBins:
    column = RUNS.column("bin")

    @pytest.mark.parametrize(
        ("text", "bins"),
        [
            ("7", [7]),
            ("07", [7]),
            ("500", [500]),
            ("1-6 8-10", [1, 2, 3, 4, 5, 6, 8, 9, 10]),
            ("3  1", [3, 1]),
            ("4-4", [4]),
            ("?", []),
        ],
    )
    def test_a_bin_several_or_one_not_noted(self, text: str, bins: list[int]) -> None:
        assert value(self.column, text) == bins

    @pytest.mark.parametrize(
        "text",
        ["0", "-1", "501", "1.5", "7a", "6-1", "1-6 6", "1,2", "1-", "??", "? 1", "1 - 6", "0-3"],
    )
    def test_other_forms_are_refused(self, text: str) -> None:
        assert f"bin is {text}; write its number (1 to 500)" in reason(self.column, text)

    def test_a_list_of_bins_reads_the_same_alone(self) -> None:
        assert bin_list("1-3 5", self.column) == [1, 2, 3, 5]
        assert bin_list("", self.column) is None
        assert bin_list("٣", self.column) is None

    @pytest.mark.parametrize(
        ("text", "number", "whole"),
        [("7", 7, False), ("", None, False), ("tower", None, True), (" Tower ", None, True)],
    )
    def test_a_service_is_of_a_bin_every_bin_or_the_tower(
        self, text: str, number: int | None, whole: bool
    ) -> None:
        read = read_column(SERVICES.column("bin"), pa.array([text]), decimal_comma=False)
        assert not read.bad[0]
        assert read.values["bin"][0].as_py() == number
        assert read.values["of_tower"][0].as_py() is whole

    @pytest.mark.parametrize("text", ["0", "1-3", "all", "?"])
    def test_other_bins_of_a_service_are_refused(self, text: str) -> None:
        assert "tower for a part of the tower, or nothing for all" in reason(
            SERVICES.column("bin"), text
        )


class TestChoices:
    column = RUNS.column("purpose")

    @pytest.mark.parametrize("text", ["burn-in", "Burn-In", " BURN-IN "])
    def test_case_and_blanks_do_not_matter(self, text: str) -> None:
        assert value(self.column, text) == "burn-in"

    def test_the_words_to_choose_from_are_told_with_the_likeliest(self) -> None:
        assert reason(self.column, "burnin") == (
            "purpose is burnin; write one of production, burn-in, set-up, trial; "
            "did you mean burn-in?"
        )

    def test_a_long_text_is_shown_cut(self) -> None:
        assert len(reason(self.column, "x" * 100_000)) < 200


class TestApostrophes:
    dangerous = ["=1+1", "@SUM(A1)", "+cmd", "-cmd", "\t=1", "\r=1", "'=1", "''=1", "-", "+1-2"]

    @pytest.mark.parametrize("cell", dangerous)
    def test_what_a_spreadsheet_would_run_gets_one_apostrophe_more(self, cell: str) -> None:
        assert escape_cell(cell) == "'" + cell
        assert unescape_cell(escape_cell(cell)) == cell
        assert unescape(pa.array([escape_cell(cell)])).to_pylist() == [cell]

    @pytest.mark.parametrize("cell", ["-5", "+5", "-5.5", "-5,5", "'tis", "a=1", "", " =1", "''"])
    def test_numbers_and_other_text_stay_as_they_are(self, cell: str) -> None:
        assert escape_cell(cell) == cell
        assert unescape_cell(cell) == cell

    @settings(max_examples=200, derandomize=True, deadline=None)
    @given(st.text(alphabet="'=+-@\t\r\n 1a,.", max_size=6))
    def test_out_and_in_again_changes_nothing(self, cell: str) -> None:
        safe = escape_cell(cell)
        assert unescape_cell(safe) == cell or safe == cell and unescape_cell(cell) != cell
        assert unescape(pa.array([safe])).to_pylist() == [unescape_cell(safe)]
        assert not re.match(r"[=@\t\r]|[+-](?![\d.,])", safe)


def test_the_nearest_name_is_one_that_could_be_meant() -> None:
    assert nearest("humidty_pct", RUNS.names) == "humidity_pct"
    assert nearest("moon", RUNS.names) == ""
