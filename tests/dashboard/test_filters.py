import datetime as dt
import json

import pytest
from dash.development.base_component import Component
from hypothesis import given
from hypothesis import strategies as st

from analysis.counts import Account
from analysis.filters import FilterError, Filters, known_columns
from analysis.intake import read_bytes
from analysis.log_format import FAULT_KINDS, PURPOSES
from analysis.store import Store
from dashboard import filters as f
from dashboard.data import Data
from tests.conftest import run_log

WHOLE = Account(9000, 300, 12_000_000, dt.datetime(2031, 1, 6, 8, 30), dt.datetime(2032, 3, 5, 14))
NOTHING = Account(0, 0, 0, None, None)
PRODUCTION = (("purpose", ("production",)),)

moments = st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2060, 12, 31))
days = moments.map(lambda m: dt.datetime.combine(m.date(), dt.time()))
ends = moments.map(lambda m: dt.datetime.combine(m.date(), dt.time.max))
columns = st.sampled_from(
    [*known_columns(), *f.RESERVED, "Site's own", "set_tilt", "a=b"[:1], "ü&?"]
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


@given(filters(), st.dictionaries(st.sampled_from(f.CHOSEN_BY_PAGES), values))
def test_choices_of_a_page_ride_along(asked: Filters, chosen: dict[str, str]) -> None:
    query = f.parse_query(f.to_query(asked, WHOLE, **chosen))
    assert f.from_query(query, WHOLE) == asked
    assert f.page_choices(query) == {name: value for name, value in chosen.items() if value}


def test_every_column_at_once_comes_back() -> None:
    held = dict.fromkeys((*known_columns(), *f.RESERVED, "set_tilt"), ("x", "y & z"))
    held["purpose"] = ("burn-in", "trial")
    asked = Filters(
        dt.datetime(2031, 4, 1), dt.datetime(2031, 5, 1, 12), tuple(sorted(held.items())), "misses"
    )
    assert f.from_query(f.parse_query(f.to_query(asked, WHOLE)), WHOLE) == asked


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
        (
            "since=2031-04-01&until=2031-04-30&site=Here&coating=coated&printed_by=toner"
            "&set_foot_rest=out&set_vacuum=5&set_vacuum=6&where=order%3D7",
            "1 to 30 April 2031 · all towers · production · all stocks · coating coated · order 7 "
            "· printed by toner · foot rest out · vacuum 5 and 6 · site Here · "
            "both kinds of fault",
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


def part(bar: list[Component], name: str) -> dict[str, dict[str, object]]:
    """Return the links of one part of the form, by what they are called."""
    found: dict[str, dict[str, object]] = {}

    def walk(value: object, inside: bool) -> None:
        if isinstance(value, list):
            for one in value:
                walk(one, inside)
        elif isinstance(value, dict):
            props = value.get("props", {})
            inside = inside or props.get("aria-label") == name
            if inside and value.get("type") == "A":
                found[props["children"]] = props
            walk(props.get("children"), inside)

    walk(json.loads(json.dumps(bar, default=lambda c: c.to_plotly_json())), False)
    return found


@pytest.mark.parametrize(
    ("name", "choices"),
    [
        ("Site", ["Oddlewick print works"]),
        ("Tower", ["A", "B", "C"]),
        ("Bin", [*map(str, range(1, 11)), "not logged"]),
        ("Ran for", ["production", "burn-in", "set-up"]),
        ("Coating", ["coated", "uncoated", "not logged"]),
        ("How printed", ["offset", "toner", "unprinted", "not logged"]),
        (
            "Humidity, %",
            ["below 30", "30-39", "40-49", "50-59", "60-69", "70 and over", "not logged"],
        ),
        ("Setting vacuum", ["3", "4", "5", "6", "7", "8"]),
        ("Setting foot rest", ["in", "out", "not logged"]),
    ],
)
def test_what_there_is_to_choose_from_is_what_was_logged(
    sample_data: Data, name: str, choices: list[str]
) -> None:
    bar = f.filter_bar(f.from_query({}, sample_data.whole()), sample_data, {})
    assert list(part(bar, name)) == ["all", *choices]


def test_every_choice_leads_to_a_filter_that_can_be_answered(sample_data: Data) -> None:
    whole = sample_data.whole()
    asked = f.from_query(f.parse_query("since=start"), whole)
    named = [*f._PARTS.values(), "Tower", "Stock", "Ran for"]
    bar = f.filter_bar(asked, sample_data, {})
    told = 0
    for name in named:
        feeds = []
        for label, link in part(bar, name).items():
            chosen = f.from_query(f.parse_query(str(link["href"])), whole)
            if label != "all":
                assert len(chosen.where) == 2 or name == "Ran for"
                feeds.append(sample_data._opened().scan.account(chosen).feeds)
        told += len(feeds)
        # Each value is there, and together they are all of it.
        if name != "Ran for":
            assert sum(feeds) == sample_data._opened().scan.account(asked).feeds, name
    assert told > 40


def test_a_choice_is_added_to_those_held_and_taken_off_again(sample_data: Data) -> None:
    whole = sample_data.whole()
    query = f.parse_query("set_vacuum=5&ranges=plain&over=week&setting=set_blast")
    bar = f.filter_bar(f.from_query(query, whole), sample_data, query)
    links = part(bar, "Setting vacuum")
    rest = "ranges=plain&over=week&setting=set_blast"
    assert links["6"]["href"] == f"?set_vacuum=5&set_vacuum=6&{rest}"
    assert links["5"]["href"] == links["all"]["href"] == f"?{rest}"
    assert [label for label, link in links.items() if "aria-current" in link] == ["5"]


def test_what_the_form_does_not_offer_can_be_let_go(sample_data: Data) -> None:
    query = f.parse_query("lot=BO90-001&set_tilt=up")
    bar = f.filter_bar(f.from_query(query, sample_data.whole()), sample_data, query)
    assert part(bar, "Lot")["let go"]["href"] == "?set_tilt=up"
    assert part(bar, "Tilt")["let go"]["href"] == "?lot=BO90-001"


def test_a_value_that_is_not_there_can_be_let_go(sample_data: Data) -> None:
    query = f.parse_query("coating=matt")
    bar = f.filter_bar(f.from_query(query, sample_data.whole()), sample_data, query)
    links = part(bar, "Coating")
    assert links["matt"]["href"] == "?" and "aria-current" in links["matt"]


def test_a_log_without_settings_and_lists_offers_none(store: Store) -> None:
    store.add(read_bytes(run_log(), "log.csv"))
    data = Data(store.folder)
    assert not data.choices().others.keys() - {"bin"}
    bar = f.filter_bar(f.from_query({}, data.whole()), data, {})
    assert list(part(bar, "Bin")) == ["all", "1", "2", "3"]
    assert part(bar, "Site") == part(bar, "Coating") == {}
