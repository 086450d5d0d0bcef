"""The figures of the drift page, drawn from results written by hand."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import plotly.graph_objects as go
import pytest

from analysis.ewma import ewma_of_faults
from analysis.gap_charts import feeds_between, g_chart
from analysis.rate_charts import p_chart
from analysis.trends import Mark
from dashboard import theme
from dashboard.figures import drift as figures
from dashboard.figures.known_charts import known_chart
from dashboard.figures.time_panel import MOST_POINTS
from tests.dashboard.drift_results import (
    CLEANED,
    LAST,
    MONITORED,
    MOVED,
    OVER,
    PUMP,
    RECENT,
    RECENTLY,
    USUAL,
    WORSE,
    WORST,
    path_of,
    stream_of,
)
from tests.dashboard.test_figure_trends import trace

MARKS = (CLEANED, MOVED, PUMP)


def shapes(figure: go.Figure, name: str) -> list[go.layout.Shape]:
    return [shape for shape in figure.layout.shapes if shape.name == name]


def notes(figure: go.Figure, name: str) -> list[go.layout.Annotation]:
    return [note for note in figure.layout.annotations if note.name == name]


def test_the_line_is_the_running_total_of_faults_above_expected() -> None:
    total = trace(figures.running_total(WORST), "total")
    path = WORST.path
    above: list[float] = []
    for observed, expected, watched in zip(
        path.observed, path.expected, path.monitored, strict=True
    ):
        if watched:
            above.append((above[-1] if above else 0.0) + observed - expected)
    assert list(total.y) == pytest.approx(above, abs=1e-3)
    assert total.x[0] == "2031-01-02T08:00" and total.x[-1] == "2031-05-30T08:00"
    assert total.line.color == theme.LIGHT.doubles
    assert trace(figures.running_total(RECENTLY), "total").line.color == theme.LIGHT.misses


def test_the_grey_is_where_it_stays_95_percent_of_the_time() -> None:
    band = trace(figures.running_total(WORST), "band")
    count = len(band.x) // 2
    # 149 runs of 0.35 expected faults, variance 0.2 between runs, level known to 0.4 percent.
    expected = 0.35 * count
    chance = expected + 0.2 * 0.35**2 * count + 0.004 * expected**2
    assert max(band.y) == pytest.approx(1.96 * np.sqrt(chance), abs=1e-3)
    assert list(band.y[:count]) == [-y for y in band.y[count:][::-1]]
    assert band.fill == "toself" and band.fillcolor == theme.LIGHT.band


def test_the_shade_is_when_it_began() -> None:
    figure = figures.running_total(WORST)
    (began,) = shapes(figure, "began")
    assert (began.x0, began.x1) == ("2031-04-07T08:00", "2031-04-14T08:00")
    assert began.fillcolor == theme.LIGHT.doubles
    (over,) = shapes(figure, "began, over")
    assert (over.x0, over.x1) == ("2031-01-20T08:00", "2031-01-27T08:00")
    (told,) = notes(figure, "began")
    assert told.text == "began here" and told.xanchor == "right"
    assert shapes(figures.running_total(USUAL), "began") == []


def test_of_two_open_alarms_the_first_is_named() -> None:
    figure = figures.running_total(stream_of(alarms=(WORSE, RECENT)))
    assert len(shapes(figure, "began")) == 2
    assert [note.text for note in notes(figure, "began")] == ["began here"]


def test_it_is_marked_where_it_was_noticed() -> None:
    figure = figures.running_total(WORST)
    noticed, total = trace(figure, "noticed"), trace(figure, "total")
    assert list(noticed.x) == ["2031-02-03T08:00", "2031-04-19T08:00"]
    at = list(total.x).index("2031-04-19T08:00")
    assert noticed.y[1] == pytest.approx(total.y[at], abs=1e-3)
    # That which is over is hollow, and has no word.
    assert list(noticed.marker.color) == [theme.LIGHT.paper, theme.LIGHT.ink]
    assert [note.text for note in notes(figure, "noticed")] == ["noticed"]
    assert noticed.hovertext[1].replace("<br>", " ") == (
        "Noticed on 19 April 2031: 3.0 times the doubles expected (2.2 to 4.0) since about "
        "11 April 2031."
    )
    assert noticed.hovertext[0].endswith("Over on 21 February 2031: feet cleaned.")


def test_hover_is_a_sentence() -> None:
    some = np.array([True] * 3)
    path = dataclasses.replace(
        path_of(),
        started=np.array(["2031-04-01T08", "2031-04-02T08", "2031-04-03T08"], "datetime64[us]"),
        observed=np.array([2, 0, 14]),
        feeds=np.array([900, 900, 900]),
        expected=np.array([1.0, 2.4, 1.0]),
        evidence=np.array([0.1, 0.0, 1.2]),
        monitored=some,
    )
    stream = stream_of(path=path)
    told = [h.replace("<br>", " ") for h in trace(figures.running_total(stream), "total").hovertext]
    assert told == [
        "1 April 2031: 1 double more than expected; 2 where 1.0 was expected since 1 April 2031.",
        "2 April 2031: 1.4 doubles fewer than expected; 2 where 3.4 were expected since "
        "1 April 2031.",
        "3 April 2031: 12 doubles more than expected; 16 where 4.4 were expected since "
        "1 April 2031.",
    ]
    even = dataclasses.replace(path, observed=np.array([1, 0, 0]))
    first = trace(figures.running_total(stream_of(path=even)), "total").hovertext[0]
    assert first.startswith("1 April 2031: as many doubles as expected;")


def test_what_was_done_has_lines_and_words_that_do_not_cover_one_another() -> None:
    figure = figures.running_total(WORST, MARKS)
    assert [note.text for note in notes(figure, "done")] == [
        "feet cleaned",
        "vacuum 5 to 6",
        "pump serviced",
    ]
    assert {shape.line.dash for shape in shapes(figure, "done")} == {"dash"}
    assert list(trace(figure, "services").hovertext) == [
        "21 February 2031: feet cleaned, tower B, bin 7",
        "17 April 2031: pump serviced, tower B",
    ]
    assert trace(figure, "settings moved").marker.symbol == "diamond-open"


@pytest.mark.parametrize("days", [1, 4, 9, 20])
def test_words_of_many_marks_keep_clear_of_words_and_lines(days: int) -> None:
    first = dt.datetime(2031, 2, 1, 9)
    marks = [
        Mark(first + dt.timedelta(days=i * days), "B", 7, f"part {i:02d} fitted", moved=False)
        for i in range(12)
        if first + dt.timedelta(days=i * days) < LAST
    ]
    figure = figures.running_total(stream_of(), marks)
    begins, ends = (dt.datetime.fromisoformat(at) for at in figure.layout.xaxis.range)

    def place(at: str) -> float:
        return (dt.datetime.fromisoformat(at) - begins) / (ends - begins) * 600

    boxes = []
    for note in notes(figure, "done"):
        x, wide = place(note.x), 7.2 * len(note.text)
        boxes.append((note.yshift, x - wide if note.xanchor == "right" else x, wide, x))
    assert boxes
    for i, (lane, left, wide, at) in enumerate(boxes):
        for other_lane, other_left, other_wide, other_at in boxes[i + 1 :]:
            if lane == other_lane:
                assert left + wide <= other_left or other_left + other_wide <= left
            if lane < other_lane:
                assert not left < other_at < left + wide
            if other_lane < lane:
                assert not other_left < at < other_left + other_wide


def test_too_many_marks_stand_for_weeks_and_have_no_line() -> None:
    marks = [
        Mark(MONITORED + dt.timedelta(days=2 * i), "B", 7, "vacuum 5 to 6", moved=True)
        for i in range(60)
    ]
    figure = figures.running_total(WORST, marks)
    assert shapes(figure, "done") == [] and notes(figure, "done") == []
    assert "settings moved" in trace(figure, "settings moved").hovertext[3]


def test_the_period_is_the_part_of_the_time_that_is_drawn() -> None:
    period = dt.datetime(2031, 3, 1), dt.datetime(2031, 4, 30, 23)
    whole, part = figures.running_total(WORST), figures.running_total(WORST, MARKS, period)
    total = trace(part, "total")
    assert total.x[0] == "2031-03-01T08:00" and total.x[-1] == "2031-04-30T08:00"
    # The total is still that of all the time watched.
    assert set(total.y) < set(trace(whole, "total").y)
    assert part.layout.xaxis.range[0] == "2031-03-01T00:00:00"
    assert list(trace(part, "services").x) == ["2031-04-17T09:00"]
    none = figures.running_total(WORST, (), (dt.datetime(2032, 1, 1), dt.datetime(2032, 2, 1)))
    assert none.layout.xaxis.range == whole.layout.xaxis.range


def test_evidence_falls_to_nought_after_an_alarm() -> None:
    figure = figures.evidence(WORST, MARKS)
    line = trace(figure, "evidence")
    at = [i for i, x in enumerate(line.x) if x == "2031-04-19T08:00"]
    assert [line.y[i] for i in at] == [104.0, 0.0]
    assert line.hovertext[at[0]] == "19 April 2031: the evidence passed its limit: noticed."
    assert line.hovertext[at[1]].endswith("it starts anew at nought.")
    (limit,) = shapes(figure, "limit")
    assert limit.y0 == limit.y1 == 100
    assert [note.text for note in notes(figure, "limit")] == ["limit"]
    assert "of its limit." in line.hovertext[0]
    # Its marks have no words: they stand above the running total.
    assert notes(figure, "done") == [] and len(shapes(figure, "done")) == 3


def test_a_long_path_is_thinned_and_keeps_its_peaks() -> None:
    stream = stream_of(
        alarms=(OVER, WORSE), path=path_of((OVER, WORSE), every=dt.timedelta(hours=1))
    )
    total, line = (
        trace(figures.running_total(stream), "total"),
        trace(figures.evidence(stream), "evidence"),
    )
    above, _ = stream.path.beyond_expected()
    assert above.size > 3000
    assert len(total.x) <= MOST_POINTS + 2
    assert max(total.y) == pytest.approx(above.max(), abs=1e-3)
    assert min(total.y) == pytest.approx(above.min(), abs=1e-3)
    assert total.y[-1] == pytest.approx(above[-1], abs=1e-3)
    assert list(line.y).count(104.0) == 2


def test_findings_are_sentences() -> None:
    assert figures.finding(WORST) == (
        "Bin 7 of tower B: 29 doubles more than expected since about 11 April 2031"
    )
    assert figures.finding(USUAL).endswith("than expected since 2 January 2031")
    assert figures.evidence_finding(WORST) == "Evidence: it passed its limit on 19 April 2031"
    assert figures.evidence_finding(USUAL) == "Evidence: now 31\u00a0% of what an alarm needs"


def test_a_known_chart_has_centre_limits_and_what_lies_beyond() -> None:
    chart = p_chart([4, 6, 3, 19, 5], [98_000, 104_000, 95_000, 101_000, 99_000], each="day")
    times = [dt.datetime(2031, 4, 1) + dt.timedelta(days=i) for i in range(5)]
    figure = known_chart(chart, times, "misses")
    beyond = trace(figure, "beyond")
    assert list(beyond.x) == ["2031-04-04T00:00"]
    # 19 in 101,000 feeds.
    assert list(beyond.y) == [pytest.approx(1.8812, abs=1e-4)]
    assert list(beyond.hovertext) == ["4 April 2031: 1.9, beyond the limits."]
    assert len(trace(figure, "points").x) == 4
    assert list(trace(figure, "centre").y) == pytest.approx([37 / 497_000 * 10_000] * 5)
    assert [note.text for note in notes(figure, "title")] == [
        "rate of one day, in faults per 10,000 feeds"
    ]
    assert len(trace(figure, "high").y) == 5


def test_a_chart_whose_times_are_not_known_stands_by_number() -> None:
    chart = g_chart(feeds_between([2, 0, 1, 3], [5000, 4000, 8000, 3000]))
    figure = known_chart(chart, None, "doubles")
    assert figure.layout.xaxis.type == "linear"
    assert trace(figure, "points").hovertext[0].startswith("Point 1: ")
    assert list(trace(figure, "points").x) == [1, 2, 3, 4, 5]


def test_a_chart_without_points_says_so() -> None:
    figure = known_chart(ewma_of_faults([0, 0], [0, 0]), None, "doubles")
    assert figure.layout.annotations[0].text == "no points yet"
