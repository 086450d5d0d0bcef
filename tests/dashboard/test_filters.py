import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.counts import Account
from analysis.filters import FilterError, Filters, known_columns
from analysis.log_format import FAULT_KINDS, PURPOSES
from dashboard import filters as f

WHOLE = Account(9000, 300, 12_000_000, dt.datetime(2031, 1, 6, 8, 30), dt.datetime(2032, 3, 5, 14))
NOTHING = Account(0, 0, 0, None, None)
PRODUCTION = (("purpose", ("production",)),)

moments = st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2060, 12, 31))
days = moments.map(lambda m: dt.datetime.combine(m.date(), dt.time()))
ends = moments.map(lambda m: dt.datetime.combine(m.date(), dt.time.max))
columns = st.sampled_from(
    [*known_columns(), "Site's own", "order", "kind", "where", "a=b"[:1], "ü&?"]
)
values = st.text(max_size=12).map(str.strip)


@st.composite
def filters(draw: st.DrawFn) -> Filters:
    since, until = sorted([draw(moments | days), draw(moments | ends)])
    held = draw(st.dictionaries(columns.map(str.lower), st.sets(values, min_size=1), max_size=4))
    held["purpose"] = draw(st.sets(st.sampled_from([*PURPOSES, ""]), min_size=1))
    where = tuple(sorted((column, tuple(sorted(found))) for column, found in held.items()))
    return Filters(since, until, where, draw(st.sampled_from(FAULT_KINDS)))


@given(filters())
def test_an_address_says_the_whole_filter(asked: Filters) -> None:
    written = f.to_query(asked, WHOLE)
    assert f.from_query(f.parse_query(written), WHOLE) == asked


@given(filters(), st.sampled_from(["", "plain"]), st.sampled_from(["", "evidence"]))
def test_choices_of_a_page_ride_along(asked: Filters, ranges: str, order: str) -> None:
    query = f.parse_query(f.to_query(asked, WHOLE, ranges=ranges, order=order))
    assert f.from_query(query, WHOLE) == asked
    held = {name: value for name, value in (("ranges", ranges), ("order", order)) if value}
    assert f.page_choices(query) == held


def test_no_address_is_the_last_thirty_days_in_production() -> None:
    asked = f.from_query({}, WHOLE)
    assert asked.since == dt.datetime(2032, 2, 5)
    assert asked.until == dt.datetime(2032, 3, 5, 23, 59, 59, 999999)
    assert asked.where == PRODUCTION
    assert asked.kind == "faults"
    assert f.to_query(asked, WHOLE) == ""


def test_an_empty_log_has_no_period() -> None:
    asked = f.from_query({}, NOTHING)
    assert (asked.since, asked.until) == (None, None)
    assert f.to_query(asked, NOTHING) == ""


def test_the_whole_log_stays_the_whole_log_when_it_grows() -> None:
    asked = f.from_query(f.parse_query("?since=start"), WHOLE)
    assert (asked.since, asked.until) == f.whole_period(WHOLE)
    assert f.to_query(asked, WHOLE) == "?since=start"


def test_open_ends_are_closed_as_commands_close_them() -> None:
    assert f.from_query(f.parse_query("until=2032-01-30"), WHOLE).since == dt.datetime(2032, 1, 1)
    later = f.from_query(f.parse_query("since=2033-01-01"), WHOLE)
    assert later.until is not None and later.until.date() == dt.date(2033, 1, 1)


def test_any_purpose_means_all_of_them() -> None:
    asked = f.from_query(f.parse_query("purpose=any"), WHOLE)
    assert set(asked.values("purpose")) == {*PURPOSES, ""}
    assert f.to_query(asked, WHOLE) == "?purpose=any"
    assert "all purposes" in f.words(asked, WHOLE)


def test_the_same_column_twice_means_either_value() -> None:
    asked = f.from_query(f.parse_query("?tower=B&tower=A&stock="), WHOLE)
    assert asked.values("tower") == ("A", "B")
    assert asked.values("stock") == ("",)


@pytest.mark.parametrize("search", ["since=soon", "kind=jams", "since=2032-02-02&until=2032-02-01"])
def test_what_cannot_be_is_refused_with_a_sentence(search: str) -> None:
    with pytest.raises(FilterError, match="write|exchange"):
        f.from_query(f.parse_query(search), WHOLE)


@pytest.mark.parametrize(
    ("search", "words"),
    [
        (
            "",
            "5 February to 5 March 2032 · all towers · production · all stocks · "
            "both kinds of fault",
        ),
        (
            "since=start&tower=B&kind=doubles",
            "whole log, 6 January 2031 to 5 March 2032 · tower B · production · all stocks · "
            "doubles",
        ),
        (
            "since=2031-04-01&until=2031-04-30&stock=&stock=BO90&tower=A&tower=C&bin=3&bin=7"
            "&purpose=burn-in&humidity_band=30-39",
            "1 to 30 April 2031 · towers A and C · burn-in · stocks BO90 and not logged · "
            "bins 3 and 7 · humidity 30-39 · both kinds of fault",
        ),
    ],
)
def test_a_filter_in_plain_words(search: str, words: str) -> None:
    assert f.words(f.from_query(f.parse_query(search), WHOLE), WHOLE) == words


def test_typed_dates_change_the_period_and_nothing_else() -> None:
    query = f.parse_query("?tower=B&since=2031-01-01&until=2031-02-01&order=evidence")
    written = f.with_dates(query, WHOLE, "2031-05-01", "2031-05-31")
    assert f.parse_query(written) == {
        "tower": ["B"],
        "order": ["evidence"],
        "since": ["2031-05-01"],
        "until": ["2031-05-31"],
    }
    assert f.with_dates(query, WHOLE, "2032-02-05", "2032-03-05") == "?tower=B&order=evidence"
    assert f.parse_query(f.with_dates({}, WHOLE, "", "2031-05-31")) == {
        "since": ["start"],
        "until": ["2031-05-31"],
    }
