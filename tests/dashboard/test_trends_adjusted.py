"""Rates with all else the same on the trends page, and the curve over humidity beside them."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from flask.testing import FlaskClient

from analysis import answers
from analysis.adjusting import AdjustedTrends, Difference
from analysis.conditions import Conditions
from analysis.conditions_told import CurvePoint
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.store import Store
from dashboard import filters, theme
from dashboard.data import Data
from dashboard.figures.humidity import humidity_curve
from dashboard.figures.trends_groups import sentence
from dashboard.pages import adjusted, humidity
from dashboard.pages import trends as page
from dashboard.pages.trends_shown import Shown
from tests.dashboard.results import WHOLE
from tests.dashboard.test_page_overview import shown
from tests.dashboard.test_page_trends import links
from tests.dashboard.trends_results import BLAST, BY_STOCK, trends_of

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


def test_numbers_are_those_of_the_answer(sample_client: FlaskClient, again: AdjustedTrends) -> None:
    trends = again.trends
    for name, split in (
        ("over-time", trends.over_time),
        ("by-stock", trends.by_stock),
        ("by-humidity", trends.by_humidity),
        ("by-setting", trends.by_setting[0]),
    ):
        answer = sample_client.get(f"/trends/{name}.csv?{ASKED}&setting={SETTING}&rates=adjusted")
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


def test_adjusting_changes_the_rates_and_not_what_was_counted(sample_client: FlaskClient) -> None:
    both = [
        list(
            csv.DictReader(
                io.StringIO(sample_client.get(f"/trends/by-stock.csv?{ASKED}{more}").text)
            )
        )
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
    # One stock is surely above all in this part of the log, and that is told first.
    said = again.trends.sentence()
    assert said.startswith("Doubles are most frequent on stock ")
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
    told = Shown(trends_of(), WHOLE, asked).answer()
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


def quiet_of(facts: tuple[str, ...], *points: CurvePoint) -> AdjustedTrends:
    """Return adjusted trends in which nothing stands out, and what the whole log would say."""
    made = found_of(by_stock=BLAST, by_humidity=BLAST, by_setting=())
    model = SimpleNamespace(
        kind="doubles", humidity_curve=points, stated_humidity_pct=44, facts=lambda: facts
    )
    return replace(made, conditions=cast(Any, {"doubles": model}))


def test_the_headline_does_not_deny_what_the_figures_show() -> None:
    clear = ("stock CO300 has 3.4 times the doubles of BO90 (2.5 to 4.7)",)
    assert adjusted.sentence(quiet_of(clear)) == (
        "With all else the same, over the whole log: stock CO300 has 3.4 times the doubles of BO90 "
        "(2.5 to 4.7)."
    )
    # Less sure, but the curve below has it for a title.
    curve = CurvePoint("other", 30, 1.4, 1.1, 1.8, 500)
    assert adjusted.sentence(quiet_of((), curve)) == (
        "With all else the same, over the whole log: air of 30 % goes with 1.4 times the doubles "
        "of air of 44 %."
    )
    unsure = CurvePoint("other", 30, 1.4, 0.9, 1.8, 500)
    assert adjusted.sentence(quiet_of((), unsure)) == (
        "With all else the same, no stock and no air surely has more doubles than all together, "
        "which have 0.44 per 10,000 feeds."
    )


def test_the_days_shown_first_have_a_headline_of_the_whole_log(sample_data: Data) -> None:
    found = sample_data.conditions("faults")
    assert found is not None
    text = shown(page.layout(sample_data, **filters.parse_query("rates=adjusted")))
    # What the model is surest of, by its numbers: ranges three standard errors off 1.
    clear = max(
        (e for e in found.effects if e.term == "stock" and e.level is not None),
        key=lambda e: e.low,
    )
    assert clear.low > 1.5
    head = text.partition(" on all")[0].partition(".5 misses")[0][:400]
    assert head.startswith("With all else the same, over the whole log: in air of ")
    assert f"stock {clear.level} has " in head and "No stock and no air" not in text


def test_hover_tells_the_rate_from_what_was_logged() -> None:
    trends = trends_of()
    said = sentence(trends, BY_STOCK, BY_STOCK.groups[0], "misses", False, ("misses",))
    assert said.startswith("Stock BO90, all else the same: 0.44 misses per 10,000 feeds (")
    assert "<br>logged were 40 in 900,000 feeds and 40 runs." in said
    plain = sentence(trends, BY_STOCK, BY_STOCK.groups[0], "doubles", False, ("misses",))
    assert "all else" not in plain and "logged were" not in plain


# --- the curve --------------------------------------------------------------------------------


def test_the_curve_is_that_of_the_model(sample_client: FlaskClient, model: Conditions) -> None:
    text = sample_client.get("/trends/humidity-curve.csv?kind=doubles").text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == len(model.humidity_curve) > 50
    for row, point in zip(rows, model.humidity_curve, strict=True):
        place = row["kind"], row["printed_by"], int(row["humidity_pct"]), int(row["feeds"])
        assert place == ("doubles", point.printed_by, point.humidity_pct, point.feeds)
        for name in ("ratio", "low", "high"):
            assert float(row[name]) == pytest.approx(getattr(point, name), rel=1e-9)
    bad = sample_client.get("/trends/humidity-curve.csv?kind=jams")
    assert bad.status_code == 400 and "kind is jams" in bad.text


def curve_of(kind: str, *points: CurvePoint, stated: int = 50) -> Conditions:
    found = SimpleNamespace(
        kind=kind, humidity_curve=points, feeds=2_000_000, stated_humidity_pct=stated
    )
    return cast(Any, found)


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
    figure = humidity_curve([MISSES, DOUBLES])
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


#: Where the air was never near 50 %: the rate is told beside that of the dampest that there was.
DRY = curve_of(
    "doubles",
    CurvePoint("other", 21, 1.4, 1.1, 1.8, 500),
    CurvePoint("other", 23, 1.2, 0.9, 1.4, 300),
    CurvePoint("other", 24, 1, 1, 1, 900),
    stated=24,
)


def test_dry_air_is_told_beside_dry_air() -> None:
    text = shown(humidity.section([DRY], "doubles"))
    assert text.startswith("Air of 21 % goes with 1.4 times the doubles of air of 24 %")
    assert "Line: times the rate in air of 24 %" in text and "times that at 24 %" in text
    assert "50 %" not in text and "toner" not in text
    figure = str(humidity_curve([DRY]).to_dict())
    assert "times those at 24 %" in figure and "times those in air of 24 %" in figure
    assert "50 %" not in figure
    # Kinds were not always watched together, so each may have air of its own.
    both = curve_of("misses", *MISSES.humidity_curve), DRY
    assert "in air of 50 % (misses) and 24 % (doubles)," in shown(humidity.section(both, "faults"))


def test_narrow_air_has_rows_in_the_table() -> None:
    text = shown(humidity._table([DRY]))
    assert "21 %, other paperdoubles1.41.1 to 1.8500" in text
    assert "24 %, other paper" in text and "23 %, other paper" not in text


def test_no_name_stands_at_the_dotted_line() -> None:
    for ratios in ((1.0, 1.0), (1.02, 0.98), (1.01, 1.03), (0.97, 0.99), (1.0, 1.6), (3.0, 3.1)):
        papers = zip(("other", "toner"), ratios, strict=True)
        found = curve_of("doubles", *(CurvePoint(p, 60, r, r, r, 9) for p, r in papers))
        figure = humidity_curve([found])
        low, high = figure.layout.yaxis.range
        span = figure.layout.yaxis.domain[1] - figure.layout.yaxis.domain[0]
        margin = figure.layout.margin
        tall = (figure.layout.height - margin.t - margin.b) * span
        names = [n for n in figure.layout.annotations if (n.name or "").startswith("end")]
        at = sorted(n.y * tall / (high - low) + n.yshift for n in names)
        assert len(at) == 2 and at[1] - at[0] >= 16.9
        assert min(map(abs, at)) >= 11.9
