"""Rates with all else the same on the trends page, and the curve over humidity beside them."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from analysis import answers
from analysis.adjusting import AdjustedTrends, Difference
from analysis.conditions import Conditions, CurvePoint
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.store import Store
from dashboard import app as shell
from dashboard import filters, theme
from dashboard.data import Data
from dashboard.figures import conditions as curve_figures
from dashboard.figures import trends as figures
from dashboard.pages import adjusted, humidity
from dashboard.pages import trends as page
from tests.dashboard.results import WHOLE
from tests.dashboard.test_page_overview import shown
from tests.dashboard.test_page_trends import links
from tests.dashboard.trends_results import BY_STOCK, trends_of

#: A part of the log of which one model is enough.
ASKED = "since=2031-10-01&until=2032-02-29&kind=doubles"
SETTING = "set_vacuum"


@pytest.fixture(scope="module")
def scan(sample_store: Path) -> LogScan:
    return LogScan(Store(sample_store).snapshot())


@pytest.fixture(scope="module")
def model(scan: LogScan) -> Conditions:
    return answers.conditions(scan, Filters(kind="doubles"))


@pytest.fixture(scope="module")
def again(scan: LogScan, model: Conditions) -> AdjustedTrends:
    asked = filters.from_query(filters.parse_query(ASKED), scan.account(Filters()))
    return answers.adjusted_trends(scan, asked, {"doubles": model}, setting=SETTING)


def found_of(*reasons: Difference, kind: str = "doubles", **changes: Any) -> AdjustedTrends:
    """Return hand-written trends as if they were adjusted, with what is said of why."""
    learnt = changes.pop("learnt", (kind,))
    conditions = {one: SimpleNamespace(follows_paper=("set_foot_rest",)) for one in learnt}
    return AdjustedTrends(
        trends_of(kind, **changes),
        cast(Any, conditions),
        {(reason.column, kind): reason for reason in reasons},
        ("set_foot_rest", "set_tilt"),
    )


def test_numbers_are_those_of_the_answer(sample_data: Data, again: AdjustedTrends) -> None:
    client = shell.create_app(sample_data).server.test_client()
    trends = again.trends
    for name, split in (
        ("over-time", trends.over_time),
        ("by-stock", trends.by_stock),
        ("by-humidity", trends.by_humidity),
        ("by-setting", trends.by_setting[0]),
    ):
        answer = client.get(f"/trends/{name}.csv?{ASKED}&setting={SETTING}&rates=adjusted")
        assert f"feedtally-{name}-adjusted-doubles-" in answer.headers["Content-Disposition"]
        rows = list(csv.DictReader(io.StringIO(answer.text)))
        told = {r[split.column]: r for r in rows if r["kind"] == "doubles"}
        assert {row["rates"] for row in told.values()} == {"adjusted"}
        assert {row["rates"] for row in rows if row["kind"] != "doubles"} == {"as logged"}
        for group in split.groups:
            rate = group.rates["doubles"]
            row = told[group.name or "not logged"]
            assert (int(row["count"]), int(row["feeds"])) == (rate.count, rate.feeds)
            for number in ("rate", "low", "high", "wide_low", "wide_high"):
                expected = getattr(rate, number)
                if rate.rate is None:
                    assert row[number] == ""
                else:
                    assert float(row[number]) == pytest.approx(expected, rel=1e-9)


def test_adjusting_changes_the_rates_and_not_what_was_counted(sample_data: Data) -> None:
    client = shell.create_app(sample_data).server.test_client()
    both = [
        list(csv.DictReader(io.StringIO(client.get(f"/trends/by-stock.csv?{ASKED}{more}").text)))
        for more in ("", "&rates=adjusted")
    ]
    assert "rates" not in both[0][0]
    told = [{r["stock"]: r for r in rows if r["kind"] == "doubles" and r["rate"]} for rows in both]
    assert set(told[0]) == set(told[1])
    off = []
    for stock, logged in told[0].items():
        same = told[1][stock]
        assert (logged["count"], logged["feeds"]) == (same["count"], same["feeds"])
        off.append(float(same["rate"]) / float(logged["rate"]))
    assert min(off) < 0.9 and max(off) > 1.1


def test_the_page_says_what_the_answer_says(sample_data: Data, again: AdjustedTrends) -> None:
    query = filters.parse_query(f"{ASKED}&setting={SETTING}&rates=adjusted")
    text = shown(page.layout(sample_data, **query))
    said = again.trends.sentence()
    assert text.startswith(f"With all else the same, {said[0].lower()}{said[1:]}")
    assert "not adjusted for one another" not in text
    reason = again.why["stock", "doubles"]
    told = f"has {theme.rate(reason.adjusted)} doubles per 10,000 feeds instead of "
    assert f"Adjusted, stock {reason.name} {told}{theme.rate(reason.logged)}" in text
    assert "Which stocks have more doubles, all else the same?" in text
    assert "doubles of air of 50 % on toner-printed paper" in text


def test_a_plain_page_fits_no_model(sample_data: Data, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("a plain page waits for a model")

    for name in ("conditions", "change", "set_up", "belief", "adjusted_trends"):
        monkeypatch.setattr(Data, name, never)
    text = shown(page.layout(sample_data))
    assert "See the rates with all else the same" in text
    assert "What changed between two periods?" in text and "ran a stock clean?" in text


def test_the_choice_is_in_the_address() -> None:
    asked = filters.parse_query("ranges=plain&over=week")
    told = page._Shown(trends_of(), WHOLE, asked).answer()
    assert links(told, "Rates") == {
        "as logged*": "?ranges=plain&over=week",
        "adjusted for the rest": "?ranges=plain&over=week&rates=adjusted",
    }


@pytest.mark.parametrize(
    ("reason", "told"),
    [
        (
            Difference("stock", "BT100", 4.3e-5, 2.9e-5, "air", 1.45),
            "Adjusted, stock BT100 has 0.29 doubles per 10,000 feeds instead of 0.43: its air "
            "alone made 1.4 times as many.",
        ),
        (
            Difference("stock", "CO300", 9.6e-5, 1.2e-4, "settings", 0.83),
            "Adjusted, stock CO300 has 1.2 doubles per 10,000 feeds instead of 0.96: its settings "
            "alone made 0.83 times as many.",
        ),
        (
            Difference("humidity_band", "30-39", 5.9e-5, 4.6e-5, "mix", 1.2),
            "Adjusted, air of 30 to 39 % relative humidity has 0.46 doubles per 10,000 feeds "
            "instead of 0.59: the stocks that ran there, alone, made 1.2 times as many.",
        ),
        (
            Difference("day", "2031-04-01", 4e-5, 3e-5, "mix", 1.1),
            "Adjusted, 1 April 2031 has 0.30 doubles per 10,000 feeds instead of 0.40: the stocks "
            "that ran then, alone, made 1.1 times as many.",
        ),
        # What works the other way is no reason.
        (
            Difference("set_vacuum", "4", 4e-5, 3e-5, "bins", 0.97),
            "Adjusted, vacuum 4 has 0.30 doubles per 10,000 feeds instead of 0.40.",
        ),
    ],
)
def test_why_they_differ(reason: Difference, told: str) -> None:
    assert adjusted.why(found_of(reason), reason.column, ["doubles"]) == told


def test_what_cannot_be_adjusted_is_said() -> None:
    found = found_of()
    follows = adjusted.why(found, "set_foot_rest", ["doubles"])
    assert follows == (
        "Foot rest follows the paper (every stock has one level), so it cannot be told apart from "
        "it: shown as logged."
    )
    assert "Tilt has one level in the log" in adjusted.why(found, "set_tilt", ["doubles"])
    assert adjusted.why(found, "stock", ["doubles"]) == "Adjusting changes little here."
    nothing = found_of(learnt=())
    assert "Too few doubles are on record" in adjusted.why(nothing, "stock", ["doubles"])
    assert not adjusted.sentence(nothing).startswith("With all else the same")
    assert adjusted.of_column(found, "set_tilt") == ()


def test_hover_tells_the_rate_from_what_was_logged() -> None:
    trends = trends_of()
    said = figures.sentence(trends, BY_STOCK, BY_STOCK.groups[0], "misses", False, ("misses",))
    assert said.startswith("Stock BO90, all else the same: 0.44 misses per 10,000 feeds (")
    assert "<br>logged were 40 in 900,000 feeds and 40 runs." in said
    plain = figures.sentence(trends, BY_STOCK, BY_STOCK.groups[0], "doubles", False, ("misses",))
    assert "all else" not in plain and "logged were" not in plain


# --- the curve --------------------------------------------------------------------------------


def test_the_curve_is_that_of_the_model(sample_data: Data, model: Conditions) -> None:
    client = shell.create_app(sample_data).server.test_client()
    text = client.get("/trends/humidity-curve.csv?kind=doubles").text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == len(model.humidity_curve) > 50
    for row, point in zip(rows, model.humidity_curve, strict=True):
        place = row["kind"], row["printed_by"], int(row["humidity_pct"]), int(row["feeds"])
        assert place == ("doubles", point.printed_by, point.humidity_pct, point.feeds)
        for name in ("ratio", "low", "high"):
            assert float(row[name]) == pytest.approx(getattr(point, name), rel=1e-9)
    bad = client.get("/trends/humidity-curve.csv?kind=jams")
    assert bad.status_code == 400 and "kind is jams" in bad.text


def curve_of(kind: str, *points: CurvePoint) -> Conditions:
    return cast(Any, SimpleNamespace(kind=kind, humidity_curve=points, feeds=2_000_000))


MISSES = curve_of(
    "misses", CurvePoint("other", 30, 0.9, 0.7, 1.2, 500), CurvePoint("other", 50, 1, 1, 1, 900)
)
DOUBLES = curve_of(
    "doubles",
    CurvePoint("other", 30, 1.4, 1.1, 1.8, 500),
    CurvePoint("other", 50, 1, 1, 1, 900),
    CurvePoint("toner", 30, 4.0, 2.5, 6.4, 70),
    CurvePoint("toner", 50, 1, 1, 1, 80),
)


def test_the_title_is_the_finding() -> None:
    text = shown(humidity.section([MISSES, DOUBLES], "faults"))
    assert text.startswith(
        "Air of 30 % goes with 4.0 times the doubles of air of 50 % on toner-printed paper"
    )
    assert "No air is known to change the rate of misses." in text
    assert "whole log's production, 2.00 million feeds" in text
    assert "30 %, toner-printeddoubles4.02.5 to 6.470" in text
    assert "no curve" in shown(humidity.section([], "faults"))


def test_lines_are_told_apart_by_dash_and_name() -> None:
    figure = curve_figures.humidity_curve([MISSES, DOUBLES])
    named = {trace.name: trace for trace in figure.data}
    assert list(named["curve, doubles, toner"].y) == [4.0, 1.0]
    assert named["curve, doubles, toner"].line.dash != named["curve, doubles, other"].line.dash
    assert list(named["feeds, toner"].y) == [70, 80]
    ends = [note.text for note in figure.layout.annotations if (note.name or "").startswith("end")]
    assert sorted(ends) == ["other paper", "other paper", "toner-printed"]
    assert figure.layout.yaxis2.type == "log"
    assert (
        named["curve, doubles, toner"]
        .hovertext[0]
        .startswith(
            "Doubles on toner-printed paper in air of 30 %:<br>4.0 times those in air of 50 % "
        )
    )
