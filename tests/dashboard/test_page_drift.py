"""The drift page, said of results written by hand."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest

from analysis import answers
from analysis.cautions import HANDS
from analysis.charts import Chart
from analysis.drift import Drift
from analysis.filters import FilterError, Filters
from analysis.gap_charts import feeds_between, g_chart
from analysis.rate_charts import p_chart
from analysis.streams import Stream
from analysis.trends import Mark
from dashboard import app as shell
from dashboard import filters
from dashboard.data import Data
from dashboard.pages import drift as page
from dashboard.pages import stream_list
from dashboard.pages.stream_numbers import runs_csv, streams_csv
from dashboard.pages.stream_past import done
from dashboard.pages.streams import called, file_name, key_of, marks_of, stream_asked, stream_named
from tests.dashboard.drift_results import (
    ACCOUNT,
    CLEANED,
    ELSEWHERE,
    MOVED,
    NOT_YET,
    PUMP,
    RECENT,
    RECENTLY,
    SLOW,
    USUAL,
    WHOLE_TOWER,
    WORSE,
    WORST,
    drift_of,
    many_streams,
    stream_of,
)
from tests.dashboard.test_page_overview import shown
from tests.dashboard.test_page_trends import links


def told_of(
    drift: Drift, search: str = "", moved: Sequence[Mark] = (), known: Chart | None = None
) -> page._Shown:
    query = filters.parse_query(search)
    chosen = filters.from_query(query, ACCOUNT)
    stream = stream_asked(drift, query)
    assert stream is not None
    chart = (known, None) if known is not None else None
    return page._Shown(drift, stream, chosen, ACCOUNT, query, moved, chart)


def said(search: str = "", *streams: Stream, **changes: object) -> str:
    """Return what the page says of hand-written drift at an address."""
    return shown(told_of(drift_of(*streams, **changes), search).answer())


@pytest.fixture
def faked(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Filters]]:
    """Answer by hand; give the filters that were asked for."""
    asked: list[Filters] = []
    made = drift_of()

    def drift(scan: object, of: Filters, **_: object) -> Drift:
        asked.append(of)
        if "Z" in of.values("tower"):
            raise FilterError("tower Z is not in the log")
        return made

    def known(scan: object, of: Filters, chart: str) -> Chart:
        path = WORST.path
        when = path.started.astype("datetime64[us]")
        if chart == "g":
            found = g_chart(feeds_between(path.observed, path.feeds))
            return replace(found, when=tuple(when.repeat(path.observed)[1:].tolist()))
        found = p_chart(path.observed, path.feeds, each="day")
        return replace(found, when=tuple(when.tolist()))

    monkeypatch.setattr(answers, "drift", drift)
    monkeypatch.setattr(answers, "setting_marks", lambda scan, t, b: [MOVED])
    monkeypatch.setattr(answers, "known_charts", known)
    yield asked


def test_an_empty_store_says_how_to_begin(empty_data: Data) -> None:
    assert "Nothing is logged yet." in shown(page.layout(empty_data))


def test_the_headline_is_the_answer_and_below_it_what_it_rests_on() -> None:
    text = said()
    assert text.startswith(
        "Bin 7 of tower B has been getting worse since about 11 April 2031: now 3.0 times the "
        "doubles that its paper, air and settings explain; bin 3 of tower A is worse too."
        "Began between 7 and 14 April 2031; ratio by now 2.2 to 4.0; 44 doubles where 15 were "
        "expected in 65,000 feeds; noticed on 19 April 2031."
    )


def test_a_chosen_stream_has_the_headline_to_itself() -> None:
    text = said("stream=A.3.misses")
    assert text.startswith(
        "Bin 3 of tower A has been worse since about 9 May 2031: 2.4 times the misses that its "
        "paper, air and settings explain.Began between 28 April and 15 May 2031; ratio since then "
        "1.4 to 3.9; 15 misses where 6.2 were expected in 41,000 feeds; noticed on 20 May 2031."
    )


def test_a_ratio_that_luck_made_is_told_so_until_more_was_expected() -> None:
    told = "is likely too high: an alarm comes when luck adds to the change."
    assert f"The ratio of 2.4 {told}" in said("stream=A.3.misses")
    assert "Trust it once 10 more misses were expected after it was noticed; so far 3.1 were." in (
        said("stream=A.3.misses")
    )
    assert told not in said()


def test_where_nothing_is_worse_the_headline_says_so_and_what_is_nearest() -> None:
    text = said("", USUAL, SLOW)
    assert text.startswith(
        "No bin and no tower has more faults than its paper, air and settings explain."
        "Nearest to an alarm: the doubles of bin 2 of tower A, with 1.0 times what was expected "
        "(0.77 to 1.4); evidence now at 31\u00a0% of what an alarm needs; 52 doubles where 50 were "
        "expected in 213,000 feeds since 2 January 2031."
    )
    text = said("stream=A.2.doubles", USUAL, SLOW)
    assert text.startswith("Bin 2 of tower A has the doubles that its paper, air and settings")
    assert "; as much as it runs, twice the doubles would be noticed after about 48 days." in text
    # A slow one says in its headline what it needs, and nowhere twice.
    assert said("stream=C.9.doubles").count("twice the doubles") == 1


def test_before_anything_is_watched_there_is_no_figure() -> None:
    text = said("", NOT_YET)
    assert text.startswith("Nothing is watched yet: what to expect is learnt from a tower's first")
    assert "six months, here until 2 January 2031." in text
    assert "running total" not in text and "of its limit" not in text


def test_nothing_in_a_filter_is_said(sample_data: Data, monkeypatch: pytest.MonkeyPatch) -> None:
    empty = dataclasses.replace(drift_of(), monitored=())
    monkeypatch.setattr(answers, "drift", lambda scan, of, **_: empty)
    text = shown(page.answer(Data(sample_data.folder), {"bin": ["99"]}))
    assert text == "Nothing was logged here; choose another part of the log."


def test_each_row_of_the_list_is_told_in_numbers_and_a_word() -> None:
    text = said()
    for row in (
        "Bin 7 of tower B, doublesdoubles11 April 2031 (7 to 14 April 2031)now 3.0 (2.2 to 4.0)"
        "44 where 15limit passedworse",
        "Bin 3 of tower A, missesmisses9 May 2031 (28 April to 15 May 2031)2.4 (1.4 to 3.9)"
        "15 where 6.2limit passedworse",
        "Tower B as a whole, doublesdoubles2 January 20311.0 (0.77 to 1.4)52 where 5079\u00a0%"
        "being watched",
        "1 where 1.231\u00a0%too few feeds",
        "Bin 1 of tower =D, doublesdoubles––––not yet watched",
    ):
        assert row in text, row


def test_rows_are_links_that_choose_the_stream_and_keep_the_rest() -> None:
    drift = many_streams()
    found = told_of(drift, "kind=faults&show=all&chart=g&tower=B")
    rows = links(found._list().section().children, "Shown")
    assert rows == {
        "first 12": "?tower=B&chart=g",
        "all 43*": "?tower=B&show=all&chart=g",
    }
    named = {
        key_of(stream): found._list().row(stream).children[0].children for stream in drift.monitored
    }
    assert named["B.all.doubles"].href == "?tower=B&show=all&chart=g&stream=B.all.doubles"
    # The first one is what is shown anyway.
    assert named["B.7.doubles"].href == "?tower=B&show=all&chart=g"
    assert "stream=%3DD.1.doubles" in named["=D.1.doubles"].href


def test_a_long_list_is_cut_but_holds_what_the_page_speaks_of() -> None:
    drift = many_streams()
    rows = told_of(drift)._list().section().children[2].children.children[2].children
    assert len(rows) == stream_list.MOST_ROWS
    last = drift.monitored[-1]
    text = shown(told_of(drift, f"stream={key_of(last)}")._list().section())
    assert called(last) in text
    every = told_of(drift, "show=all")._list().section().children[2].children.children[2].children
    assert len(every) == 43


@pytest.mark.parametrize("stream", [WORST, WHOLE_TOWER, NOT_YET, stream_of("a.b.7", 3)])
def test_the_name_of_a_stream_is_read_back(stream: Stream) -> None:
    assert stream_named(key_of(stream)) == (stream.tower, stream.bin, stream.kind)


@pytest.mark.parametrize(
    "text", ["B", "B.7", "B.7.faults", ".7.doubles", "B.x.doubles", "7.misses"]
)
def test_a_name_that_is_none_is_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(FilterError, match=r"write tower, bin \(or all\) and kind, like B.7.doub"):
        stream_named(text)


def test_a_wrong_address_says_what_to_write(sample_data: Data, faked: list[Filters]) -> None:
    for search, told in (
        ("?stream=B7", "Stream is B7; write tower, bin (or all) and kind, like B.7.doubles."),
        ("?chart=c", "Chart is c; write one of p, p-prime, g, ewma."),
    ):
        assert told in shown(shell.page_at(sample_data, "/drift", search)[1])
    assert faked == []


def test_a_stream_outside_the_filter_gives_way_and_it_is_said() -> None:
    text = said("stream=Q.2.misses&tower=B")
    assert text.startswith("Bin 7 of tower B has been getting worse")
    assert (
        "The misses of bin 2 of tower Q are not in this part of the log; shown is what comes first."
        in text
    )


def test_what_was_done_since_it_began_is_listed() -> None:
    told = told_of(drift_of(), "", [MOVED])
    assert [mark.what for mark in told.marks] == ["feet cleaned", "vacuum 5 to 6", "pump serviced"]
    assert (
        shown(done(told.stream, told.marks))
        == "What was done since it began17 April 2031pump serviced, tower B"
    )
    alone = told_of(drift_of(marks=(CLEANED,)))
    assert "No service, no setting moved, as far as it was logged." in shown(
        done(alone.stream, alone.marks)
    )
    moves = [dataclasses.replace(MOVED, when=WORSE.began + dt.timedelta(hours=i)) for i in range(9)]
    moved = told_of(drift_of(), "", moves)
    many = shown(done(moved.stream, moved.marks))
    assert many == (
        "What was done since it began17 April 2031pump serviced, tower BSettings were moved 9 "
        "times on the same stock; the marks on the figure tell which."
    )
    whole = told_of(drift_of(), "stream=B.all.doubles")
    assert shown(done(whole.stream, whole.marks)).startswith("What was done since 2 January 2031")
    assert "brush fitted, bin 2" in shown(done(whole.stream, whole.marks))


def test_marks_of_other_bins_and_towers_are_not_shown() -> None:
    other = Mark(dt.datetime(2031, 4, 1), "A", None, "pump serviced", moved=False)
    assert marks_of(WORST, [PUMP, ELSEWHERE, other], [MOVED]) == [MOVED, PUMP]
    assert marks_of(WHOLE_TOWER, [ELSEWHERE, PUMP, other]) == [PUMP, ELSEWHERE]


def test_earlier_times_that_are_over_are_told() -> None:
    assert (
        "When it was worse before24 January 20312.1 times the doubles expected (1.2 to 3.3, likely "
        "too high) for about 28 days, until 21 February 2031: feet cleaned."
    ) in said()
    assert "worse before" not in said("stream=A.2.doubles")
    again = said("", stream_of(alarms=(WORSE, RECENT)))
    assert "Worse again since about 9 May 2031: 2.4 times (1.4 to 3.9)" in again


def test_the_caution_stands_before_anybody_looks_into_a_bin() -> None:
    # Before it is known what is likely behind it, too.
    for text in (said(), said("stream=A.2.doubles"), said("stream=B.all.doubles")):
        assert "Looking what is likely behind it" in text and HANDS in text


def test_what_is_not_judged_is_said() -> None:
    text = said()
    assert (
        "Too earlyThe doubles of bin 1 of tower =D: what to expect is learnt from a tower's first "
        "six months."
    ) in text
    assert (
        "SlowThe doubles of bin 9 of tower C: as much as they run, twice as many would be "
        "noticed after about 3 years."
    ) in text
    assert "12,400 feeds of BO70 and 3,000 feeds of =NEW<1>" in text
    slow = [dataclasses.replace(SLOW, bin=number) for number in range(1, 7)]
    never = dataclasses.replace(SLOW, bin=None, doubling_days=math.inf)
    assert (
        "The doubles of 6 bins and 1 tower: as much as they run, twice as many would be noticed "
        "after about 3 years, or never."
    ) in said("", WORST, *slow, never)
    assert "not judged" not in said("", WORST, new_paper=())


def test_what_the_page_cannot_follow_is_said() -> None:
    told = "This page looks at all production runs of a bin, whatever else the page is held to"
    assert told not in said("tower=B&bin=7&site=Oddlewick&kind=doubles")
    assert f"{told} (stock)." in said("stock=BO90&tower=B")
    assert f"{told} (purpose and foot rest)." in said("set_foot_rest=high&purpose=trial")


def test_the_period_only_chooses_what_part_of_the_time_is_drawn() -> None:
    assert told_of(drift_of()).period == (None, None)
    moves = [
        dataclasses.replace(MOVED, when=dt.datetime(2031, 1, 3) + dt.timedelta(days=2 * i))
        for i in range(60)
    ]
    told = shown(told_of(drift_of(), "", moves).answer())
    assert "So many moves that one mark stands for each week." in told
    assert "The whole time that it is watched; the period above can show a part." in said()
    held = told_of(drift_of(), "since=2031-03-01&until=2031-04-30")
    assert held.period[0] == dt.datetime(2031, 3, 1)
    assert "Only the period chosen above is shown; all runs are judged." in shown(held.answer())


def test_classical_charts_are_closed_until_one_is_chosen() -> None:
    closed = told_of(drift_of())._charts()[0]
    assert closed.to_plotly_json()["props"]["open"] is False
    chart = p_chart(WORST.path.observed, WORST.path.feeds, each="day")
    opened = told_of(drift_of(), "chart=p", known=chart)._charts()
    assert opened[0].to_plotly_json()["props"]["open"] is True
    assert chart.sentence() in shown(opened)
    assert "p-chart of the doubles of bin 7 of tower B" in shown(opened)
    assert links(opened, "Chart") == {
        "none": "?",
        "p*": "?chart=p",
        "p′": "?chart=p-prime",
        "g": "?chart=g",
        "EWMA": "?chart=ewma",
    }


def later(data: Data, address: str) -> str:
    """Return what the page is told after it was drawn; its first line is also said aloud."""
    client = shell.create_app(data).server.test_client()
    parts = [("drift-answer", "children"), ("drift-said", "children")]
    answer = client.post(
        "/_dash-update-component",
        json={
            "output": "..drift-answer.children...drift-said.children..",
            "outputs": [{"id": name, "property": what} for name, what in parts],
            "inputs": [{"id": "drift-asked", "property": "data", "value": address}],
            "changedPropIds": ["drift-asked.data"],
        },
    )
    told = answer.get_json()["response"]
    text = shown(told["drift-answer"]["children"])
    assert text.startswith(told["drift-said"]["children"])
    return text


def test_the_page_opens_at_once_and_is_told_later(sample_data: Data, faked: list[Filters]) -> None:
    data = Data(sample_data.folder)
    text = shown(page.layout(data))
    assert text.startswith("Has a bin got worse?Working it out:")
    assert faked == []
    assert later(data, "?tower=B&stock=BO90&kind=doubles").startswith(
        "Bin 7 of tower B has been getting"
    )
    # All runs of what is watched, whatever the filter holds beside it.
    assert faked == [Filters(None, None, (("tower", ("B",)),), "doubles")]
    # Once it is known, the page is whole from the beginning.
    assert shown(page.layout(data, tower=["B"], kind=["doubles"])).startswith("Bin 7 of tower B")
    assert len(faked) == 1
    assert "This address asks for what cannot be shown.Tower Z is not in the log." in later(
        data, "?tower=Z"
    )


def test_an_answer_that_fails_gives_a_sentence(
    sample_data: Data, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("no")

    data = Data(sample_data.folder)
    monkeypatch.setattr(Data, "drift", fails)
    text = later(data, "")
    assert "The reason is printed where feedtally was started." in text
    assert "drift could not be worked out" in caplog.text


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_numbers_of_what_is_watched() -> None:
    rows = rows_of(streams_csv(drift_of()))
    assert [row["state"] for row in rows] == [
        "worse",
        "worse",
        "being watched",
        "being watched",
        "too few feeds",
        "not yet watched",
    ]
    first, last = rows[0], rows[-1]
    assert (first["tower"], first["bin"], first["kind"]) == ("B", "7", "doubles")
    assert (first["counted"], first["expected"], first["feeds"]) == ("44", "15.0", "65000")
    assert (first["times_expected"], first["times_low"], first["times_high"]) == (
        "3.0",
        "2.2",
        "4.0",
    )
    assert (first["began"], first["noticed"]) == ("2031-04-11T08:00", "2031-04-19T08:00")
    assert (last["tower"], last["counted"], last["times_expected"]) == ("'=D", "", "")
    assert rows[2]["bin"] == "all" and rows[2]["began"] == ""


def test_numbers_of_the_runs_of_a_stream() -> None:
    rows = rows_of(runs_csv(WORST))
    assert len(rows) == WORST.path.started.size
    assert rows[0]["watched"] == "no" and rows[0]["above_expected_running_total"] == ""
    some = [row for row in rows if row["watched"] == "yes"]
    assert some[0]["started"] == "2031-01-02T08:00"
    above = sum(int(row["counted"]) - float(row["expected"]) for row in some)
    assert float(some[-1]["above_expected_running_total"]) == pytest.approx(above)


def test_files_are_served_under_safe_names(sample_data: Data, faked: list[Filters]) -> None:
    client = shell.create_app(Data(sample_data.folder)).server.test_client()
    answer = client.get("/drift/streams.csv?kind=doubles")
    assert (
        "feedtally-drift-doubles-2030-07-01-to-2031-05-30.csv"
        in (answer.headers["Content-Disposition"])
    )
    assert len(rows_of(answer.text)) == 6
    answer = client.get("/drift/runs.csv?stream=A.3.misses")
    assert "feedtally-drift-tower-A-bin-3-misses-runs.csv" in answer.headers["Content-Disposition"]
    assert rows_of(answer.text)[0]["tower"] == "A"
    answer = client.get("/drift/chart.csv?chart=p")
    assert rows_of(answer.text)[0]["day"] == "2030-07-01"
    answer = client.get("/drift/chart.csv?chart=g")
    assert rows_of(answer.text)[0]["day"] >= "2030-07-01"
    for address, told in (
        ("runs.csv?stream=B", "stream is B; write tower, bin (or all) and kind"),
        ("chart.csv", "no chart is asked for; write chart=p"),
        ("streams.csv?since=soon", "since is soon"),
        ("streams.csv?tower=Z", "tower Z is not in the log"),
    ):
        answer = client.get(f"/drift/{address}")
        assert answer.status_code == 400 and told in answer.text
    assert file_name(NOT_YET) == "feedtally-drift-tower-D-bin-1-doubles"
    assert file_name(stream_of("=/", None)) == "feedtally-drift-tower-x-whole-doubles"


def test_answers_are_kept(sample_data: Data, faked: list[Filters]) -> None:
    data = Data(sample_data.folder)
    asked = Filters(kind="misses")
    assert not data.knows_drift(asked)
    assert data.drift(asked) is data.drift(asked)
    assert data.knows_drift(asked) and len(faked) == 1
    assert data.known_chart("B", 7, "doubles", "p") is data.known_chart("B", 7, "doubles", "p")


def test_the_page_stands_between_trends_and_parts() -> None:
    assert [one.NAME for one in shell.PAGES] == [
        "Overview",
        "Trends",
        "Drift",
        "Parts",
        "Acceptance",
        "Log",
    ]
    # What one page has in the address is no other page's.
    hrefs = [
        link.href for link in shell.navigation("/drift", "?tower=B&stream=B.7.doubles&chart=p")
    ]
    assert hrefs[0] == "/?tower=B" and hrefs[2] == "/drift?tower=B"


def test_no_word_of_who_ran_it() -> None:
    assert "operator" not in said().lower()
    assert RECENTLY.alarm is RECENT
