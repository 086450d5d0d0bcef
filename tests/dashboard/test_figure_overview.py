import dataclasses

import plotly.graph_objects as go
import pytest

from analysis.words import PER
from dashboard import theme
from dashboard.figures import overview as figures
from tests.dashboard.results import TOWER_A, TOWER_B, bin_of, overview_of, rate, tower_of


def trace(figure: go.Figure, name: str, axis: str = "x") -> go.Scatter:
    found = [t for t in figure.data if t.name == name and t.xaxis == axis]
    assert len(found) == 1, [t.name for t in figure.data]
    return found[0]


def texts(figure: go.Figure) -> list[str]:
    return [note.text for note in figure.layout.annotations]


def test_points_are_the_rates_in_the_order_of_the_tower() -> None:
    figure = figures.tower_columns(overview_of(TOWER_A, TOWER_B))
    points = trace(figure, "rate B", "x2")
    assert list(points.customdata) == [2, 1]
    assert list(points.y) == [0, 1]
    assert list(points.x) == pytest.approx([1.2, 0.9])
    assert list(figure.layout.yaxis2.ticktext) == ["2", "1"]
    assert list(figure.layout.yaxis.range) == [4.5, -0.5]


def test_the_range_is_the_wide_one_unless_the_plain_is_asked_for() -> None:
    wide = trace(figures.tower_columns(overview_of(TOWER_A)), "range, above")
    plain = trace(figures.tower_columns(overview_of(TOWER_A), plain=True), "range, above")
    bin_ = TOWER_A.bins[1].rate
    assert list(wide.x)[:2] == pytest.approx([bin_.wide_low * PER, bin_.wide_high * PER])
    assert list(plain.x)[:2] == pytest.approx([bin_.low * PER, bin_.high * PER])


def test_bins_that_stand_apart_have_words_as_well_as_a_colour() -> None:
    figure = figures.tower_columns(overview_of(TOWER_A))
    assert "<b>10 times burn-in</b>" in texts(figure)
    assert "0.028 times burn-in" in texts(figure)
    assert trace(figure, "range, above").line.color == theme.LIGHT.warning


def test_too_few_feeds_and_no_burn_in_are_hollow() -> None:
    figure = figures.tower_columns(overview_of(TOWER_A, TOWER_B))
    points = trace(figure, "rate A")
    hollow = {
        number: colour == theme.LIGHT.paper
        for number, colour in zip(points.customdata, points.marker.color, strict=True)
    }
    assert hollow == {1: False, 2: False, 4: False}
    assert set(trace(figure, "rate B", "x2").marker.color) == {theme.LIGHT.paper}


def test_a_range_beyond_the_scale_has_an_arrow() -> None:
    overview = overview_of(TOWER_A)
    end = figures.scale_end(overview)
    figure = figures.tower_columns(overview)
    # Bin 3: one fault in 300 feeds, far beyond what the others need.
    arrow = trace(figure, "range goes on, weak")
    assert list(arrow.y) == [2]
    assert list(arrow.x) == pytest.approx([end * PER])
    assert arrow.marker.symbol == "triangle-right"
    assert max(x for x in trace(figure, "range, weak").x if x is not None) <= end * PER
    assert figures.runs_on(overview)
    sure = [bin_of("B", 1, rate(90, 100_000, 0.9, 1.1), "no burn-in", 0.0)]
    assert not figures.runs_on(overview_of(tower_of("B", sure, None)))


def test_all_towers_share_a_scale_from_nought() -> None:
    figure = figures.tower_columns(overview_of(TOWER_A, TOWER_B))
    assert figure.layout.xaxis.range[0] == 0
    assert figure.layout.xaxis.range == figure.layout.xaxis2.range
    assert figure.layout.xaxis.title.text == "faults per 10,000 feeds"


def test_the_burn_in_is_a_dotted_line_with_its_range() -> None:
    figure = figures.tower_columns(overview_of(TOWER_A, TOWER_B))
    shapes = {shape.name: shape for shape in figure.layout.shapes if shape.name}
    assert set(shapes) == {"burn-in A", "burn-in range A"}
    assert shapes["burn-in A"].x0 == pytest.approx(0.4)
    assert shapes["burn-in A"].line.dash == "dot"
    assert shapes["burn-in range A"].x1 == pytest.approx(1.6)
    assert "1.1 now, no burn-in to compare" in texts(figure)


def test_nothing_fed_is_said_and_so_is_a_bin_left_out() -> None:
    overview = overview_of(TOWER_A)
    assert "nothing fed" in texts(figures.tower_columns(overview))
    held = dataclasses.replace(overview, filters=overview.filters.holding("bin", "2"))
    assert "left out" in texts(figures.tower_columns(held))


def test_order_by_evidence_puts_most_above_burn_in_first() -> None:
    figure = figures.tower_columns(overview_of(TOWER_A), by_evidence=True)
    assert list(figure.layout.yaxis.ticktext) == ["2", "1", "3", "5", "4"]


def test_hover_is_a_sentence() -> None:
    hover = trace(figures.tower_columns(overview_of(TOWER_A)), "rate A").hovertext[1]
    assert hover.replace("<br>", " ") == (
        "Bin 2 of tower A: 4.0 faults per 10,000 feeds (1.6 to 9.6), 40 in 100,000 feeds. "
        "Worse than its burn-in, 0.40 (0.10 to 1.6)."
    )


@pytest.mark.parametrize("kind", ["misses", "doubles"])
def test_one_kind_is_drawn_in_its_colour(kind: str) -> None:
    figure = figures.tower_columns(overview_of(TOWER_A, kind=kind))
    assert trace(figure, "range, told").line.color == theme.LIGHT.roles()[kind]


def test_many_towers_go_below_each_other_and_overlap_nowhere() -> None:
    towers = [dataclasses.replace(TOWER_A, tower=f"T{i}") for i in range(9)]
    figure = figures.tower_columns(overview_of(*towers))
    boxes = []
    for i in range(1, 10):
        suffix = "" if i == 1 else str(i)
        x = figure.layout[f"xaxis{suffix}"].domain
        y = figure.layout[f"yaxis{suffix}"].domain
        assert 0 <= x[0] < x[1] <= 1 + 1e-9
        assert -1e-9 <= y[0] < y[1] <= 1
        boxes.append((*x, *y))
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            apart = one[1] < other[0] or other[1] < one[0] or one[3] < other[2] or other[3] < one[2]
            assert apart


def test_no_towers_and_no_faults_can_be_drawn() -> None:
    assert not figures.tower_columns(overview_of()).data
    still = tower_of("A", [bin_of("A", 1, rate(0, 5000), "too few feeds", 0.0)], rate(0, 9000))
    assert figures.tower_columns(overview_of(still)).layout.xaxis.range[1] > 0


def test_a_burn_in_without_faults_gives_words_instead_of_a_ratio() -> None:
    above = bin_of("A", 1, rate(9, 10_000), "above", 9.0)
    tower = tower_of("A", [above], rate(0, 9000))
    assert figures.times_of(above, tower) == "above burn-in"


def test_names_of_the_log_are_shown_as_they_stand() -> None:
    named = dataclasses.replace(TOWER_A, tower="<a href='x'>A</a>")
    figure = figures.tower_columns(overview_of(named))
    assert not any("<a" in text for text in texts(figure))


def test_a_bin_that_stands_out_is_marked_with_how_many_times_the_others() -> None:
    bins = [
        bin_of("A", 1, rate(10, 100_000), "alike", 0.0),
        bin_of("A", 2, rate(31, 100_000), "alike", 21.0, 3.1),
    ]
    tower = tower_of("A", bins)
    assert figures.times_of(bins[1], tower) == "3.1 times the others"
    assert figures.pointed_at(bins[1]) and not figures.pointed_at(bins[0])
    figure = figures.tower_columns(overview_of(tower))
    assert trace(figure, "range, above").line.color == theme.LIGHT.warning
    assert any("3.1 times the others" in note.text for note in figure.layout.annotations)
    assert "3.1 times the other bins" in figures.bin_sentence(bins[1], tower, False)
