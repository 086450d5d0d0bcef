"""Text of a column to values: what each type takes, and in what words it refuses the rest."""

from __future__ import annotations

import datetime as dt
import re

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.log_format import KINDS, Column
from analysis.values import (
    DATE_FORMS,
    bin_list,
    escape_cell,
    nearest,
    read_column,
    unescape,
    unescape_cell,
)

RUNS, SERVICES = KINDS["runs"], KINDS["services"]


def value(column: Column, text: str, *, comma: bool = False, form: str = "") -> object:
    """Return the value of one cell; LookupError with the reason where it is refused."""
    read = read_column(column, pa.array([text]), decimal_comma=comma, date_form=form)
    if read.bad[0]:
        raise LookupError(read.reason(text))
    return read.values[column.name][0].as_py()


def reason(column: Column, text: str, *, comma: bool = False, form: str = "") -> str:
    with pytest.raises(LookupError) as found:
        value(column, text, comma=comma, form=form)
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
            "write year-month-day, like 2031-04-03T08:05, or name the form of your dates in the "
            "site file (date_form)"
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


def moment(text: str, form: str, column: Column = TestMoments.column) -> dt.datetime:
    found = value(column, text, form=form)
    assert isinstance(found, dt.datetime)
    return found.replace(tzinfo=None)


class TestFormsOfDates:
    column, alone = RUNS.column("started"), SERVICES.column("when")

    @pytest.mark.parametrize(
        ("form", "text"),
        [
            ("D.M.Y", "3.4.2031 8:05"),
            ("D.M.Y", "03.04.2031 08:05"),
            ("D/M/Y", "3/4/2031 08:05"),
            ("D/M/Y", "03/4/2031T08:05"),
            ("D-M-Y", "3-4-2031 8:05"),
            ("M/D/Y", "4/3/2031 8:05"),
            ("M/D/Y", "4/3/2031, 8:05 AM"),
            ("M-D-Y", "04-03-2031 08:05"),
            ("Y/M/D", "2031/4/3 8:05"),
            ("Y.M.D", "2031.04.03 8:05"),
            ("Y-M-D", "2031-4-3 8:05"),
        ],
    )
    def test_a_form_says_which_is_the_day(self, form: str, text: str) -> None:
        assert moment(text, form) == dt.datetime(2031, 4, 3, 8, 5)

    @pytest.mark.parametrize("form", DATE_FORMS)
    def test_year_month_day_is_always_taken(self, form: str) -> None:
        for text in ("2031-04-03T08:05", "2031-04-03 08:05:30.5+02:00"):
            assert moment(text, form) == moment(text, "")
        assert moment("2031-04-03", form, self.alone) == dt.datetime(2031, 4, 3)

    @pytest.mark.parametrize(
        ("clock", "hour", "minute"),
        [
            ("12:00 AM", 0, 0),
            ("12:30 AM", 0, 30),
            ("1:00 AM", 1, 0),
            ("11:59 AM", 11, 59),
            ("12:00 PM", 12, 0),
            ("12:30 PM", 12, 30),
            ("1:00 PM", 13, 0),
            ("11:59 PM", 23, 59),
            ("8:05am", 8, 5),
            ("08:05 p.m.", 20, 5),
            ("8:05\u202fPM", 20, 5),
            ("0:05", 0, 5),
            ("20:05", 20, 5),
        ],
    )
    def test_clocks_of_twelve_and_of_twenty_four_hours(
        self, clock: str, hour: int, minute: int
    ) -> None:
        assert moment(f"4/3/2031 {clock}", "M/D/Y") == dt.datetime(2031, 4, 3, hour, minute)

    def test_seconds_parts_of_them_and_an_offset_are_kept(self) -> None:
        text = "3.4.2031 08:05:30,25 +05:30"
        assert moment(text, "D.M.Y") == dt.datetime(2031, 4, 3, 8, 5, 30, 250_000)
        read = read_column(self.column, pa.array([text]), decimal_comma=True, date_form="D.M.Y")
        assert read.values["started_offset_min"].to_pylist() == [330]

    @pytest.mark.parametrize(
        "text",
        [
            "31.2.2031 08:05",
            "31.2.2031",
            "3.14.2031 08:05",
            "0.4.2031 08:05",
            "3.4.2031 24:00",
            "3.4.2031 8:60",
            "3.4.2031 13:05 PM",
            "3.4.2031 0:05 AM",
            "3.4.2031 99:05 AM",
        ],
    )
    def test_what_no_calendar_or_clock_shows_is_refused(self, text: str) -> None:
        assert reason(self.column, text, form="D.M.Y") == (
            f"started is {text}, which no calendar or clock shows, read as D.M.Y; correct it"
        )

    def test_a_date_alone_lacks_its_time_except_where_the_format_says_so(self) -> None:
        assert reason(self.column, "3/4/2031", form="D/M/Y") == (
            "started is 3/4/2031, without a time of day; "
            "write it like 03/04/2031 08:05 or 2031-04-03T08:05"
        )
        assert moment("3/4/2031", "D/M/Y", self.alone) == dt.datetime(2031, 4, 3)

    @pytest.mark.parametrize("text", ["3.4.31 08:05", "03.04.31", "3/4/31 8:05"])
    def test_a_year_of_two_digits_is_refused(self, text: str) -> None:
        assert reason(self.column, text, form="D.M.Y") == (
            f"started is {text}, with two digits for the year; write all four, "
            "like 03.04.2031 08:05"
        )

    @pytest.mark.parametrize(
        "text", ["3/4/2031 8:05", "3.4/2031 8:05", "2031.4.3 8:05", "3.4.2031 8:5", "yesterday"]
    )
    def test_other_forms_are_told_the_one_that_the_site_names(self, text: str) -> None:
        assert reason(self.column, text, form="D.M.Y") == (
            f"started is {text}, which is not of the form D.M.Y that the site file names; "
            "write it like 03.04.2031 08:05, or year-month-day, like 2031-04-03T08:05"
        )

    def test_years_beyond_the_range_are_refused(self) -> None:
        told = reason(self.column, "3/4/1979 8:05", form="D/M/Y")
        assert told.endswith("the year must be from 1980 to 2099")

    def test_good_and_bad_stand_in_one_column(self) -> None:
        texts = ["3.4.2031 8:05", "2031-04-03T08:05", "", "31.2.2031 8:05", "x", "3.4.2031 8:05"]
        read = read_column(self.column, pa.array(texts), decimal_comma=False, date_form="D.M.Y")
        assert read.bad.tolist() == [False, False, True, True, True, False]
        assert read.values["started"].null_count == 3

    def test_a_form_that_is_none_is_refused(self) -> None:
        with pytest.raises(ValueError, match=r"date_form must be one of D\.M\.Y, .*, not 'DMY'"):
            value(self.column, "3.4.2031 8:05", form="DMY")

    @pytest.mark.parametrize("form", DATE_FORMS)
    @settings(max_examples=50, derandomize=True, deadline=None)
    @given(when=st.datetimes(dt.datetime(1980, 1, 1), dt.datetime(2099, 12, 31)))
    def test_every_moment_comes_back_by_either_clock(self, form: str, when: dt.datetime) -> None:
        when = when.replace(microsecond=0)
        order = form.replace("D", "%d").replace("M", "%m").replace("Y", "%Y")
        assert moment(when.strftime(f"{order} %H:%M:%S"), form) == when
        half = "AM" if when.hour < 12 else "PM"
        assert moment(when.strftime(f"{order} %I:%M:%S {half}"), form) == when


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
