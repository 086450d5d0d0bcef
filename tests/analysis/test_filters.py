"""Which part of the log is meant, as it is written on a command line."""

from __future__ import annotations

import datetime as dt

import pytest

from analysis.filters import FilterError, Filters, known_columns, parse_filters, parse_moment


def test_nothing_given_is_the_whole_log() -> None:
    assert parse_filters() == Filters() == Filters(None, None, (), "faults")


class TestPeriods:
    @pytest.mark.parametrize("day", ["2031-04-03", " 2031-04-03 ", "20310403"])
    def test_a_bare_date_is_its_whole_day(self, day: str) -> None:
        filters = parse_filters(since=day, until=day)
        assert filters.since == dt.datetime(2031, 4, 3)
        assert filters.until == dt.datetime(2031, 4, 3, 23, 59, 59, 999_999)

    @pytest.mark.parametrize("moment", ["2031-04-03T08:05:30", "2031-04-03 08:05:30.00"])
    def test_a_moment_is_that_moment_at_either_end(self, moment: str) -> None:
        filters = parse_filters(since=moment, until=moment)
        assert filters.since == filters.until == dt.datetime(2031, 4, 3, 8, 5, 30)

    @pytest.mark.parametrize("moment", ["2031-04-03T08:05", "2031-04-03 08:05", "20310403T0805"])
    def test_a_minute_is_in_to_its_last_second(self, moment: str) -> None:
        filters = parse_filters(since=moment, until=moment)
        assert filters.since == dt.datetime(2031, 4, 3, 8, 5)
        assert filters.until == dt.datetime(2031, 4, 3, 8, 5, 59, 999_999)

    @pytest.mark.parametrize("moment", ["2031-04-03T08", "2031-04-03 08", "20310403T08"])
    def test_an_hour_is_in_to_its_last_minute(self, moment: str) -> None:
        filters = parse_filters(since=moment, until=moment)
        assert filters.since == dt.datetime(2031, 4, 3, 8)
        assert filters.until == dt.datetime(2031, 4, 3, 8, 59, 59, 999_999)

    def test_midnight_is_no_whole_day(self) -> None:
        end = parse_moment("2031-04-03T00:00:00", "until", end=True)
        assert end == dt.datetime(2031, 4, 3)

    def test_an_offset_is_refused(self) -> None:
        with pytest.raises(FilterError, match="leave the offset out"):
            parse_moment("2031-04-03T08:05+02:00", "since")

    @pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31"])
    def test_the_ends_of_the_calendar_are_days_too(self, day: str) -> None:
        assert parse_moment(day, "until", end=True).date().isoformat() == day

    @pytest.mark.parametrize("text", ["03/04/2031", "yesterday", "2031-02-30", "08:05", "2031"])
    def test_anything_else_is_told_the_form(self, text: str) -> None:
        with pytest.raises(FilterError, match=f"since is {text}; write a date or a date and time"):
            parse_filters(since=text)

    def test_a_period_that_runs_backwards_is_refused(self) -> None:
        with pytest.raises(FilterError, match="is before since .* exchange them"):
            parse_filters(since="2031-04-04", until="2031-04-03")


class TestWhere:
    def test_the_same_column_twice_is_either_and_others_are_both(self) -> None:
        filters = parse_filters(where=["tower=A", "bin=7", "tower=B", "tower=A"])
        assert filters.where == (("tower", ("A", "B")), ("bin", ("7",)))

    def test_it_is_split_at_the_first_equals_sign(self) -> None:
        assert parse_filters(where=["note=a=b"]).values("note") == ("a=b",)

    def test_case_and_blanks_of_a_column_do_not_matter(self) -> None:
        assert parse_filters(where=[" Tower = A "]).where == (("tower", ("A",)),)

    def test_an_empty_value_is_kept_for_not_logged(self) -> None:
        assert parse_filters(where=["stock="]).values("stock") == ("",)

    @pytest.mark.parametrize("text", ["tower", "=A", "", " = "])
    def test_without_a_column_or_a_sign_it_is_refused(self, text: str) -> None:
        with pytest.raises(FilterError, match="has no column or no =; write it as bin=7"):
            parse_filters(where=[text])


def test_a_kind_of_fault_that_is_none_is_refused() -> None:
    with pytest.raises(FilterError, match="write one of misses, doubles, faults"):
        parse_filters(kind="jams")


def test_a_column_can_be_held_and_set_free() -> None:
    filters = Filters(kind="misses").holding("tower", "A").holding("bin", "7")
    assert filters.holding("tower", "B").values("tower") == ("B",)
    assert filters.holding("tower").where == (("bin", ("7",)),)
    assert filters.holding("tower").kind == "misses"
    assert filters.values("stock") == ()


def test_the_period_can_be_changed_alone() -> None:
    since = dt.datetime(2031, 4, 3)
    filters = Filters(where=(("bin", ("7",)),), kind="doubles").during(since, None)
    assert filters == Filters(since, None, (("bin", ("7",)),), "doubles")


def test_columns_of_all_lists_are_known_once() -> None:
    names = known_columns()
    assert len(names) == len(set(names))
    assert {"tower", "stock", "coating", "site", "set_speed", "week", "humidity_band"} <= set(names)
    assert not {"when", "part", "action", "extra"} & set(names)
