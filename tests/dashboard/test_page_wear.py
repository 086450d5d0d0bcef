"""The parts page, said of results written by hand."""

from __future__ import annotations

import csv
import dataclasses
import io
import math
from collections.abc import Iterator
from typing import Any

import pytest

from analysis import answers
from analysis.filters import FilterError, Filters
from analysis.parts import PartLives, Parts
from analysis.starting_points import CAUTION
from analysis.wear_by_age import WearByAge
from dashboard import app as shell
from dashboard import filters
from dashboard.data import Data
from dashboard.pages import wear as page
from dashboard.pages import wear_lists as lists
from dashboard.pages.wear_names import file_name, key_of
from dashboard.pages.wear_shown import Shown
from tests.dashboard.parts_results import (
    ACCOUNT,
    AT_ONCE,
    PUMP,
    STILL,
    TOO_FEW,
    UNKNOWN,
    WARNING,
    WORN,
    parts_of,
    wear_of,
)
from tests.dashboard.test_page_overview import shown


def told_of(found: Parts, search: str = "") -> Shown:
    query = filters.parse_query(search)
    return Shown(found, filters.from_query(query, ACCOUNT), ACCOUNT, query)


def said(search: str = "", found: Parts | None = None, wear: WearByAge | None = None) -> str:
    """Return what the page says of hand-written parts at an address."""
    told = told_of(parts_of() if found is None else found, search)
    figure = None
    if told.row is not None:
        figure = told.figure(wear_of(told.row) if wear is None else wear)
    return shown(told.answer(figure))


def in_order(text: str, *parts: str) -> bool:
    """Tell whether parts of a text stand in it one after the other."""
    places = [text.find(part) for part in parts]
    return -1 not in places and places == sorted(places)


@pytest.fixture
def faked(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Filters]]:
    """Answer by hand; give the filters that were asked for."""
    asked: list[Filters] = []

    def parts(scan: object, of: Filters, **_: object) -> Parts:
        asked.append(of)
        if "Z" in of.values("tower"):
            raise FilterError("tower Z is not in the log")
        return parts_of()

    monkeypatch.setattr(answers, "parts", parts)
    monkeypatch.setattr(answers, "conditions", lambda *_, **__: None)
    monkeypatch.setattr(answers, "wear_by_age", lambda scan, row, *_, **__: wear_of(row))
    yield asked


def test_an_empty_store_says_how_to_begin(empty_data: Data) -> None:
    assert "Nothing is logged yet." in shown(page.layout(empty_data))


class TestWhatToOrder:
    def test_the_first_line_is_the_answer_and_the_list_comes_next(self) -> None:
        text = said()
        assert text.startswith(
            "Order the pump of tower =C now and the brush of bin 7 of tower A by 18 June 2031; of "
            "5 parts in place, 2 show wear, and of 1 it cannot be told.By 12.0 million feeds in "
            "300 runs up to 30 May 2031, whatever the period above; each part by what its wear "
            "shows in, paper, air and settings allowed for."
        )
        assert in_order(text, "What to order, soonest first", "This part", "Did it help?")

    def test_a_row_says_what_a_planner_needs(self) -> None:
        text = said()
        assert (
            "Brush, bin 7 of tower A18 Jun 2031doubles823,142 (8.9)4.7\u00a0% more (1.3 to "
            "7.2\u00a0%)350,000 (now to 1.1 million)30 Jun 2031 (12 Apr 2031 to 6 Dec 2031)"
            "1.1 million"
        ) in text
        # What is over its limit, and what nobody lives to see.
        assert (
            "Pump, tower =Cnowmisses1.72 million cycles (8.9)0.8\u00a0% more (0.2 to "
            "1.7\u00a0%)passed2 May 2031 (12 Apr 2031 to over 10 years)never"
        ) in text

    def test_the_list_says_what_it_rests_on_and_when_to_think_twice(self) -> None:
        text = said()
        assert "A part is due at 2 times the faults with a new part, as is usual." in text
        assert "does not say how long a part takes to come, 30 days are taken." in text
        assert (
            "Look before you order the pump of tower =C: no other was in its place before" in text
        )
        assert (
            "The filter and pump of tower =C were fitted on the same days, so which of them wears "
            "cannot be told."
        ) in text
        rate = dataclasses.replace(WORN, limit_rate=4e-5, limit_times=None)
        assert "A part is due at 0.40 doubles in 10,000 feeds. Ranges" in said(
            found=parts_of(rate), wear=wear_of()
        )

    def test_prices_that_are_known_stand_beside_with_their_sum(self) -> None:
        assert "price under [parts.brush] and [parts.pump] there" in said()
        priced = dataclasses.replace(WORN, price=23.0)
        found = parts_of(PUMP, priced, dataclasses.replace(priced, bin=8), currency="GBP")
        text = said(found=found)
        assert "limit passed about (range)price, GBPbest interval" in text
        assert (
            "2 parts with a price in the site file: GBP 46 in all; the price of the pump goes "
            "under [parts.pump] there."
        ) in text
        rows = list(csv.DictReader(io.StringIO(lists.parts_csv(found))))
        assert [(row["price"], row["currency"]) for row in rows] == [
            ("", "GBP"), ("23.0", "GBP"), ("23.0", "GBP"),
        ]  # fmt: skip

    def test_there_is_a_box_to_tick_on_paper_and_the_caution(self) -> None:
        text = said()
        assert "best interval, feedsorderedPump, tower =C" in text
        assert text.count(CAUTION) == 2

    def test_without_anything_to_order_there_is_no_list(self) -> None:
        text = said(found=parts_of(STILL, UNKNOWN))
        assert text.startswith("Nothing is to be ordered: of 2 parts in place, ")
        assert "soonest first" not in text
        assert "Brush of bin 3 of tower A: no rise of doubles with its age shows" in text

    def test_where_nothing_can_be_told_it_says_so_and_what_to_log(self) -> None:
        lives = (PartLives("brush", 0, 0),)
        text = said(found=parts_of(UNKNOWN, past=(), services=(), lives=lives))
        assert "Whether any of them wears cannot be told yet; below is what to log." in text
        assert WARNING in text
        # No figure of nothing, and no lives of none.
        assert "Before it is changed" not in text and "How long they last" not in text

    def test_without_a_part_it_says_what_to_log(self) -> None:
        nothing = parts_of(parts=(), services=(), past=(), lives=(), pooled=(), warnings=())
        text = said(found=nothing)
        assert text.startswith("No part is known: log each part with its bin")
        assert "The other parts" not in text and "Did it help?" not in text


class TestOnePart:
    def test_one_that_is_asked_for_comes_first(self) -> None:
        text = said("part=A.7.brush")
        assert text.startswith(
            "The brush of bin 7 of tower A wears: order it by 18 June 2031.The brush of bin 7 of "
            "tower A wears: 4.7 % more doubles with every 100,000 feeds (1.3 to 7.2 % more)"
        )
        assert in_order(text, "by now 1.5 times the doubles of a new one", "What to order")

    @pytest.mark.parametrize(
        ("search", "begins"),
        [
            ("part=%3DC.tower.pump", "The pump of tower =C wears: order it now."),
            ("part=A.3.brush", "The brush of bin 3 of tower A shows no wear."),
            ("part=B.1.brush", "The brush of bin 1 of tower B: whether it wears cannot be told."),
            (
                "part=A.2.suction+foot",
                "The suction foot of bin 2 of tower A: more misses since about 26 March 2031, at "
                "once, which is no wear.",
            ),
        ],
    )
    def test_the_headline_is_its_own(self, search: str, begins: str) -> None:
        assert said(search).startswith(begins)

    def test_what_was_in_its_place_and_whether_services_helped_there(self) -> None:
        text = said("part=A.7.brush")
        assert (
            "In its place before1 September 2030Lasted 1,300,000 feeds, from 1 July 2030 until 1 "
            "September 2030, as worn; it had passed its limit about 20 August 2030 (2 August 2030 "
            "to after it was taken out)."
        ) in text
        assert "21 February 2031Brush cleaned: it helped: 0.32 times the doubles" in text
        # One of every bin is told so; those of other bins and parts are not.
        assert "1 July 2030Brush fitted in every bin: nothing to compare" in text
        here = text.partition("Did it help here?")[2].partition("This part")[0]
        assert "bin 4" not in here and "suction foot" not in here

    def test_it_leads_to_the_drift_page(self) -> None:
        link = told_of(parts_of(), "part=A.7.brush&tower=A")._next(WORN)
        assert "/drift?tower=A&stream=A.7.doubles" in str(link)

    def test_without_a_fault_at_a_known_age_it_says_why_there_is_no_figure(self) -> None:
        told = told_of(parts_of(), "part=B.1.brush")
        text = shown(told.figure(None))
        assert "its rate against its age cannot be drawn" in text
        assert "its age is unknown, since nothing in the service log says" in text

    def test_one_that_is_not_there_is_said_so(self) -> None:
        text = said("part=A.9.brush")
        assert "A.9.brush is no part that is in place in this part of the log" in text
        assert text.startswith("Order the pump of tower =C now")

    def test_a_name_that_cannot_be_read_is_refused(self, sample_data: Data) -> None:
        with pytest.raises(FilterError, match=r"write tower, bin \(or tower\) and part, like A.7"):
            page.layout(sample_data, part=["brush"])

    def test_names_are_read_back(self) -> None:
        assert key_of(PUMP) == "=C.tower.pump"
        assert key_of(AT_ONCE) == "A.2.suction foot"
        assert file_name(PUMP) == "feedtally-wear-tower-C-tower-pump"


class TestTheOthers:
    def test_those_without_wear_are_counted_with_a_link_to_all(self) -> None:
        text = said()
        assert "No wear shows in 1 part." in text
        assert "All parts in place" not in text
        assert "The suction foot of bin 2 of tower A has more misses since about 26 March" in text
        assert "Whether it wears cannot be told of 1 part." in text
        assert WARNING in text
        every = said("show=all")
        assert every.count("Brush, bin 3 of tower A") == 1
        assert "none shows (−0.8 to 2.1\u00a0%)" in every and "rose at once" in every
        assert "Brush, bin 1 of tower B–doublesnot knowncannot be told––" in every

    def test_how_long_they_last_is_said_by_part(self) -> None:
        text = said()
        assert (
            "Brush0.6 % more doubles with every 100,000 feeds (0.4 % fewer to 1.7 % more) in an "
            "ordinary one of 30 bins. None of 31 was taken out"
        ) in text

    def test_what_the_filter_holds_is_followed_or_said_not_to_be(self) -> None:
        text = said("stock=BO70&kind=misses")
        assert "All parts are judged by misses here, since the filter asks for them." in text
        held = "This page looks at all production runs, whatever else the page is held to"
        assert f"{held} (stock)." in text
        assert held not in said("tower=A")


class TestServices:
    def test_those_that_can_be_told_are_counted_and_all_are_in_the_table(self) -> None:
        text = said()
        assert "Did it help? Of 2 services that can be told, 1 did; after 1 it was worse" in text
        assert (
            "Of the other services, 1 has too few feeds to tell; 1 has nothing before to compare"
            in text
        )
        assert "All 5 services in a table" in text
        assert "21 Feb 2031brush cleaned, bin 7 of tower Ahelpeddoubles0.32 (0.16 to 0.61)" in text
        assert "0.90 (0.20 or more)" in text and "filter cleaned" in text

    def test_where_none_has_anything_to_say_there_is_no_figure(self) -> None:
        planned = dataclasses.replace(TOO_FEW, reason="planned")
        text = said(found=parts_of(services=(planned,)))
        assert "Did it help? Of no service can it be told yet" in text
        assert "It in a table" in text and "times the faults of before" not in text


class TestServed:
    def test_it_is_there_at_once_and_the_answer_follows(
        self, sample_data: Data, faked: list[Filters]
    ) -> None:
        data = Data(sample_data.folder)
        text = shown(page.layout(data))
        assert text.startswith("What is wearing, and what is to be ordered?Working it out:")
        assert faked == []
        first = shown(page.answer(data, {}))
        assert first.startswith("Order the pump") and "Working out how its faults go" in first
        # The second time it is known at once, but for the figure.
        assert shown(page.layout(data)).startswith("Order the pump of tower =C now")
        data.wear_by_age(PUMP, Filters())
        assert "Working" not in shown(page.layout(data))

    def test_places_are_followed_and_periods_are_not(
        self, sample_data: Data, faked: list[Filters]
    ) -> None:
        data = Data(sample_data.folder)
        query = filters.parse_query("tower=A&stock=BO70&since=start")
        page.answer(data, query)
        assert faked == [Filters(where=(("tower", ("A",)),))]

    def test_numbers_are_served(self, sample_data: Data, faked: list[Filters]) -> None:
        client = shell.create_app(Data(sample_data.folder)).server.test_client()
        found = client.get("/parts.csv")
        assert found.headers["Content-Disposition"] == (
            'attachment; filename="feedtally-parts-faults-2030-07-01-to-2031-05-30.csv"'
        )
        rows = list(csv.DictReader(io.StringIO(found.get_data(as_text=True))))
        assert [row["part"] for row in rows][:2] == ["pump", "brush"]
        services = client.get("/parts/services.csv").get_data(as_text=True)
        assert len(list(csv.DictReader(io.StringIO(services)))) == 5
        ages = client.get("/parts/age.csv?part=A.7.brush").get_data(as_text=True)
        assert [row["count"] for row in csv.DictReader(io.StringIO(ages))] == [
            "10",
            "14",
            "27",
            "6",
        ]
        refused = client.get("/parts.csv?tower=Z")
        assert (refused.status_code, refused.get_data(as_text=True)) == (
            400,
            "tower Z is not in the log\n",
        )
        assert client.get("/parts/age.csv?part=brush").status_code == 400

    def test_it_stands_after_drift(self) -> None:
        names = [one.NAME for one in shell.PAGES]
        assert names.index("Parts") == names.index("Drift") + 1
        assert "part" not in str(shell.navigation("/parts", "?part=A.7.brush&tower=A")[1])


def read(text: str) -> list[dict[str, Any]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_numbers_that_are_none_are_left_empty_and_names_are_no_formulas() -> None:
    rows = read(lists.parts_csv(parts_of()))
    pump, worn, at_once, _, unknown = rows
    assert (pump["tower"], pump["bin"], pump["order_by"]) == ("'=C", "tower", "2031-04-02")
    assert (pump["replace_every_feeds"], pump["feeds_to_limit"]) == ("never", "0.0")
    assert (worn["wears"], float(worn["wear_low"])) == ("yes", 1.013)
    assert (at_once["wears"], at_once["feeds_to_limit"]) == ("no", "")
    assert (unknown["age_feeds"], unknown["wear_ratio_per_100k_feeds"]) == ("", "")
    assert worn["in_words"] == WORN.sentence()
    services = read(lists.services_csv(parts_of().services))
    assert services[0]["verdict"] == "nothing before it" and services[0]["times_after"] == ""
    assert services[3]["times_high"] == ""
    assert [row["bin"] for row in services] == ["all", "7", "all", "4", "5"]
    assert read(lists.ages_csv(UNKNOWN, None)) == []


@pytest.mark.parametrize(
    ("ratio", "written"),
    [
        (1.047, "4.7\u00a0%"),
        (0.992, "−0.8\u00a0%"),
        (0.99999, "0.0\u00a0%"),
        (1.25, "25\u00a0%"),
        (math.inf, "any"),
    ],
)
def test_wear_is_written_in_percent(ratio: float, written: str) -> None:
    assert lists.percent(ratio) == written
