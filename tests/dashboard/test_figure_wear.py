"""The figures of the parts page, drawn of results written by hand."""

from __future__ import annotations

import dataclasses
import math

import plotly.graph_objects as go
import pytest

from dashboard import theme
from dashboard.figures import services
from dashboard.figures import wear as figures
from tests.dashboard.parts_results import (
    AT_ONCE,
    HELPED,
    NOTHING,
    PLANNED,
    PUMP,
    STILL,
    TOO_FEW,
    UNKNOWN,
    WORN,
    WORSE,
    wear_of,
)


def traces(figure: go.Figure) -> dict[str, go.Scatter]:
    return {trace.name: trace for trace in figure.data}


def notes(figure: go.Figure, name: str) -> list[str]:
    return [note.text for note in figure.layout.annotations if note.name == name]


def test_the_title_is_the_finding() -> None:
    wear = wear_of()
    assert figures.finding(wear, WORN) == (
        "Brush of bin 7 of tower A: by now 1.5 times the doubles of a new one (1.1 to 1.8)"
    )
    assert figures.finding(wear, STILL) == (
        "Brush of bin 3 of tower A: no rise of doubles with its age shows"
    )
    assert figures.finding(wear, AT_ONCE) == (
        "Suction foot of bin 2 of tower A: more misses at once, about 26 March 2031, not with age"
    )
    assert figures.finding(wear, UNKNOWN).endswith("whether it wears cannot be told")


class TestRateByAge:
    figure = figures.rate_by_age(wear_of(), WORN)

    def test_points_are_rates_of_late_and_hover_as_sentences(self) -> None:
        bands = traces(self.figure)["bands"]
        assert list(bands.x) == [125_000, 375_000, 625_000, 875_000]
        # 10 where 10.1 were expected; 0.2 in 10,000 feeds is usual of late.
        assert bands.y[0] == pytest.approx(0.2 * 10 / 10.1, abs=1e-5)
        assert bands.hovertext[0] == (
            "0 to 250,000 feeds old: 10 doubles<br>where 10 were expected in 240,000 feeds:<br>"
            "0.99 times (0.50 to 2.0), which is 0.20 in 10,000 of late."
        )
        assert notes(self.figure, "title") == [
            "<b>doubles</b> per 10,000 feeds, on the paper and in the air of late"
        ]

    def test_few_feeds_look_weaker(self) -> None:
        bands = traces(self.figure)["bands"]
        assert list(bands.marker.color) == [theme.LIGHT.doubles] * 3 + [theme.LIGHT.paper]
        drawn = traces(self.figure)
        assert drawn["ranges, few"].line.width < drawn["ranges"].line.width
        assert drawn["ranges, few"].line.color == theme.LIGHT.quiet
        # Its range goes beyond the scale, which is said.
        assert list(drawn["beyond"].x) == [875_000]

    def test_the_rise_is_solid_as_far_as_it_was_seen(self) -> None:
        drawn = traces(self.figure)
        assert max(drawn["rise"].x) <= 1_000_000 < max(drawn["rise to come"].x)
        assert drawn["rise to come"].line.dash == "dot"
        assert drawn["rise to come"].x[0] == drawn["rise"].x[-1]
        assert drawn["rise"].y[0] == pytest.approx(0.24)

    def test_the_limit_and_the_present_age_are_marked(self) -> None:
        lines = {shape.name: shape for shape in self.figure.layout.shapes}
        assert (lines["limit"].y0, lines["now"].x0) == (pytest.approx(0.4), 823_142)
        assert notes(self.figure, "limit") == ["limit 0.40"]
        assert notes(self.figure, "now") == ["now: 823,000 feeds"]
        passed = traces(self.figure)["limit passed"]
        assert passed.hovertext[0] == (
            "The limit is passed at an age of about 1.17 million feeds<br>(700,000 to never)."
        )
        assert passed.x[0] == 700_000

    def test_what_came_at_once_has_no_rise(self) -> None:
        wear = wear_of(AT_ONCE, limit=math.nan, limit_age=None)
        figure = figures.rate_by_age(wear, AT_ONCE)
        assert {"rise", "rise's range", "limit passed"}.isdisjoint(traces(figure))
        assert [shape.name for shape in figure.layout.shapes] == ["now"]
        assert traces(figure)["bands"].marker.color[0] == theme.LIGHT.misses

    def test_without_a_usual_rate_it_is_multiples(self) -> None:
        figure = figures.rate_by_age(wear_of(usual=math.nan), WORN)
        assert notes(figure, "title") == ["<b>doubles</b> times expected"]
        assert traces(figure)["bands"].y[0] == pytest.approx(0.9901, abs=1e-4)
        assert "of late" not in traces(figure)["bands"].hovertext[0]

    def test_a_tower_ages_in_cycles_and_an_unknown_age_has_no_mark(self) -> None:
        figure = figures.rate_by_age(wear_of(PUMP), PUMP)
        assert figure.layout.xaxis.title.text == "age of the pump, cycles"
        unknown = dataclasses.replace(UNKNOWN, part="<b>")
        figure = figures.rate_by_age(wear_of(unknown, limit_age=None), unknown)
        assert figure.layout.xaxis.title.text == "age of the &lt;b&gt;, feeds"
        assert "now" not in [shape.name for shape in figure.layout.shapes]


class TestHelped:
    rows = (TOO_FEW, WORSE, HELPED, NOTHING)
    figure = services.helped(rows)

    def test_every_service_has_its_name_and_its_verdict_in_words(self) -> None:
        assert notes(self.figure, "name") == [
            "20 May 2031  A, bin 4: brush cleaned",
            "4 Apr 2031  =C, every bin: suction foot cleaned",
            "21 Feb 2031  A, bin 7: brush cleaned",
            "1 Jul 2030  A, every bin: brush fitted",
        ]
        assert notes(self.figure, "verdict") == [
            "too few feeds yet",
            "<b>worse</b>",
            "<b>helped</b>",
            "nothing before it",
        ]

    def test_those_that_cannot_be_told_are_hollow(self) -> None:
        drawn = traces(self.figure)
        assert list(drawn["too few"].marker.color) == [theme.LIGHT.paper]
        assert list(drawn["told"].y) == [1, 2]
        assert list(drawn["told"].marker.color) == [theme.LIGHT.warning, theme.LIGHT.accent]
        # What has no end stops at the edge of the scale.
        assert list(drawn["ranges, few"].x) == [0.2, 8.0, None]
        assert "It helped" in drawn["told"].hovertext[1].replace("it helped", "It helped")

    def test_the_last_ones_that_have_something_to_say_come_first(self) -> None:
        found = services.telling([NOTHING, HELPED, WORSE, TOO_FEW, PLANNED])
        assert found == [TOO_FEW, WORSE, HELPED]
        odd = dataclasses.replace(HELPED, warning="it lies after the log's end")
        looked = dataclasses.replace(HELPED, action="inspected")
        assert services.telling([odd, looked]) == []
