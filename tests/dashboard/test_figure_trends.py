import datetime as dt

import plotly.graph_objects as go
import pytest

from analysis.trends import Mark
from analysis.words import PER
from dashboard import theme
from dashboard.figures.done import done_rows
from dashboard.figures.trends_by_group import by_group
from dashboard.figures.trends_groups import group_in_words, group_name, runs_on, scale_end
from dashboard.figures.trends_over_time import over_time
from tests.dashboard.trends_results import (
    BRUSH,
    BY_HUMIDITY,
    BY_STOCK,
    VACUUM,
    group_of,
    split_of,
    trends_of,
)


def trace(figure: go.Figure, name: str) -> go.Scatter:
    found = [t for t in figure.data if t.name == name]
    assert len(found) == 1, [t.name for t in figure.data]
    return found[0]


def texts(figure: go.Figure) -> list[str]:
    return [note.text for note in figure.layout.annotations]


def moves(count: int, every: dt.timedelta, what: str = "vacuum 5 to 6") -> list[Mark]:
    first = dt.datetime(2031, 1, 6, 8)
    return [Mark(first + i * every, "B", 7, what, moved=True) for i in range(count)]


def test_points_over_time_are_the_rates_at_the_middle_of_their_time() -> None:
    figure = over_time(trends_of())
    points = trace(figure, "rate, misses")
    assert list(points.x) == ["2031-04-01T12:00", "2031-04-30T12:00"]
    assert list(points.y) == pytest.approx([70 / 110, 0.8])
    assert trace(figure, "rate, doubles").yaxis == "y2"
    assert figure.layout.yaxis.range == figure.layout.yaxis2.range
    assert figure.layout.yaxis.range[0] == 0
    assert list(trace(figure, "feeds").y) == [1_100_000, 100_000]


def test_the_range_is_the_wide_one_unless_the_plain_is_asked_for() -> None:
    wide = trace(over_time(trends_of()), "range, misses, told")
    plain = trace(over_time(trends_of(), plain=True), "range, misses, told")
    p = 70 / 1_100_000
    # As the hand-written rates have it: half and twice themselves, and twice as far off again.
    assert list(wide.y)[:3] == [pytest.approx(p * PER / 4), pytest.approx(p * PER * 4), None]
    assert list(plain.y)[:2] == pytest.approx([p * PER / 2, p * PER * 2])


def test_rows_are_the_groups_in_their_order_with_what_was_not_logged_last() -> None:
    figure = by_group(trends_of(), BY_HUMIDITY)
    assert list(figure.layout.yaxis.ticktext) == ["below 30 %", "70 % and over", "not logged"]
    assert list(figure.layout.yaxis.range) == [2.5, -0.5]
    assert list(trace(figure, "rate, misses").x) == pytest.approx([0.5, 0.3, 0.9])
    assert list(trace(figure, "feeds").x) == pytest.approx([50, 100 / 12, 500 / 12])
    shelves = [shape for shape in figure.layout.shapes if shape.yref == "y"]
    assert shelves[1].line.color == theme.LIGHT.quiet != shelves[0].line.color


def test_few_feeds_are_drawn_weaker() -> None:
    figure = by_group(trends_of(), BY_STOCK)
    points = trace(figure, "rate, misses")
    colours = dict(zip(points.customdata, points.marker.line.color, strict=True))
    assert colours["BO90"] == theme.LIGHT.misses
    assert colours["TI163"] == theme.LIGHT.quiet
    weak, told = (trace(figure, f"range, misses, {way}") for way in ("weak", "told"))
    assert weak.line.width < told.line.width and weak.line.color == theme.LIGHT.quiet
    assert 2 in weak.y and 2 not in told.y
    hover = points.hovertext[list(points.customdata).index("TI163")]
    assert "Few feeds: go by the range." in hover


def test_no_rate_is_said_in_words() -> None:
    figure = by_group(trends_of(), BY_STOCK)
    assert "not watched" in texts(figure)
    assert "2 without a bin, no rate" in texts(figure)
    assert list(trace(figure, "rate, doubles").y) == [0, 1, 2]
    unwatched = trends_of(over_time=split_of("day", group_of("2031-04-01", (3, 10_000), (0, 0))))
    assert "nothing watched for doubles here" in texts(over_time(unwatched))


def test_a_range_beyond_the_scale_has_an_arrow() -> None:
    trends = trends_of()
    end = scale_end(trends, BY_STOCK)
    # GT135 ends the scale, four times its doubles; TI163 has few feeds and runs on.
    assert end == pytest.approx(1.04 * 4 * 30 / 150_000)
    arrow = trace(by_group(trends, BY_STOCK), "range goes on, misses, weak")
    assert list(arrow.x) == pytest.approx([end * PER]) and list(arrow.y) == [2]
    assert runs_on(trends, BY_STOCK)
    assert not runs_on(trends, VACUUM)


def test_each_kind_has_its_mark() -> None:
    figure = by_group(trends_of(), VACUUM)
    ring = trace(figure, "rate, misses")
    assert ring.marker.symbol == "circle" and ring.marker.color == theme.LIGHT.paper
    left, right = (trace(figure, f"tick, doubles, {side}") for side in ("left", "right"))
    assert (left.marker.angle, right.marker.angle) == (-90, 90)
    assert list(left.x) == list(right.x) == list(trace(figure, "rate, doubles").x)
    assert {left.hoverinfo, right.hoverinfo} == {"skip"}


@pytest.mark.parametrize("kind", ["misses", "doubles"])
def test_one_kind_has_the_figure_to_itself(kind: str) -> None:
    for figure in (
        over_time(trends_of(kind)),
        by_group(trends_of(kind), BY_STOCK),
    ):
        drawn = {t.name.split(", ")[1] for t in figure.data if ", " in t.name}
        assert drawn == {kind}


def test_the_rate_on_all_is_a_dotted_line() -> None:
    figure = over_time(trends_of())
    lines = {shape.name: shape for shape in figure.layout.shapes}
    assert lines["on all, misses"].y0 == pytest.approx(0.65)
    assert lines["on all, misses"].line.dash == "dot"
    assert "all: 0.65" in texts(figure)


def test_hover_is_a_sentence() -> None:
    hover = trace(by_group(trends_of(), VACUUM), "rate, misses").hovertext[1]
    assert hover.replace("<br>", " ") == (
        "Vacuum 10: 0.97 misses per 10,000 feeds (0.24 to 3.9), 58 in 600,000 feeds and 40 runs. "
        "Both kinds together: 1.6 (0.40 to 6.5). On all: 0.65 (0.26 to 1.6)."
    )
    alone = trace(by_group(trends_of("misses"), VACUUM), "rate, misses").hovertext[1]
    assert "Both" not in alone


@pytest.mark.parametrize(
    ("column", "name", "told", "words"),
    [
        ("month", "2031-04", "April 2031", "April 2031"),
        ("week", "2031-W14", "week of 31 March 2031", "Week of 31 March 2031"),
        ("day", "2031-04-03", "3 April 2031", "3 April 2031"),
        ("humidity_band", "30-39", "30 to 39 %", "Air of 30 to 39 % relative humidity"),
        ("humidity_band", "not logged", "not logged", "Humidity not logged"),
        ("stock", None, "not logged", "Stock not logged"),
        ("set_foot_rest", "out", "out", "Foot rest out"),
    ],
)
def test_names_of_groups(column: str, name: str | None, told: str, words: str) -> None:
    assert group_name(column, name) == told
    assert group_in_words(column, name) == words


def test_what_was_done_is_a_mark_on_the_axis() -> None:
    figure = over_time(trends_of(marks=[BRUSH]))
    services = trace(figure, "services")
    assert list(services.x) == ["2031-04-03T10:00"]
    assert services.hovertext[0] == "3 April 2031: brush fitted, tower A, bin 4"
    assert "brush fitted, bin 4" in texts(figure)
    assert [s.x0 for s in figure.layout.shapes if s.name == "done"] == ["2031-04-03T10:00"]
    assert not [t for t in over_time(trends_of()).data if t.name == "services"]


def test_one_day_is_one_mark() -> None:
    when = dt.datetime(2031, 4, 3, 10)
    fitted = [Mark(when, "C", n, "brush fitted", moved=False) for n in (1, 2, 3, 5, 8, 9)]
    (row,) = done_rows([*fitted, Mark(when, "C", None, "filter cleaned", moved=False)])
    (done,) = row.marks
    assert done.told == (
        "brush fitted, tower C, bins 1 to 3, 5, 8 and 9",
        "filter cleaned, tower C",
    )


@pytest.mark.parametrize(
    ("count", "every", "unit", "marks"),
    [
        (40, dt.timedelta(days=1), "day", 40),
        (41, dt.timedelta(days=1), "week", 6),
        (300, dt.timedelta(days=1), "month", 11),
        (400, dt.timedelta(hours=1), "day", 17),
    ],
)
def test_too_many_marks_are_put_together(
    count: int, every: dt.timedelta, unit: str, marks: int
) -> None:
    (row,) = done_rows(moves(count, every))
    assert (row.unit, len(row.marks)) == (unit, marks)
    assert sum(len(done.marks) for done in row.marks) == count
    if unit != "day":
        shown = trace(over_time(trends_of(marks=moves(count, every))), "settings moved")
        assert f"{len(row.marks[1].marks)} settings moved" in shown.hovertext[1]


def test_services_stay_single_however_often_settings_are_moved() -> None:
    rows = done_rows([BRUSH, *moves(300, dt.timedelta(days=1))])
    assert [(row.moved, row.unit) for row in rows] == [(False, "day"), (True, "month")]


def test_names_beside_marks_never_lie_on_each_other() -> None:
    marks = [
        Mark(dt.datetime(2031, 4, day, 10), "A", None, "filter cleaned", moved=False)
        for day in (2, 3, 12, 29, 30)
    ]
    figure = over_time(trends_of(marks=marks))
    named = [note for note in figure.layout.annotations if note.text == "filter cleaned"]
    assert [(note.x[:10], note.xanchor) for note in named] == [
        ("2031-04-03", "left"),
        ("2031-04-12", "left"),
        ("2031-04-29", "right"),
    ]


def test_names_of_the_log_are_shown_as_they_stand() -> None:
    figure = by_group(trends_of(), BY_STOCK)
    assert "=GT&lt;135&gt;" in figure.layout.yaxis.ticktext
    assert not any("<135" in text for text in trace(figure, "rate, misses").hovertext)
    long = split_of("stock", group_of("x" * 60, (9, 900_000), (9, 900_000)))
    (name,) = by_group(trends_of(), long).layout.yaxis.ticktext
    assert len(name) == 18 and name.endswith("…")


def test_nothing_at_all_can_be_drawn() -> None:
    empty = split_of("day")
    figure = over_time(trends_of(over_time=empty))
    assert figure.layout.yaxis.range[1] > 0
    assert by_group(trends_of(), split_of("stock")).layout.height > 0
