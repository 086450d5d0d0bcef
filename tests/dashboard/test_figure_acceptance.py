import plotly.graph_objects as go
import pytest
from scipy import stats

from analysis.plans import Asked, single_plan
from analysis.sequential import sequential_plan
from analysis.words import PER
from dashboard import theme
from dashboard.data import Data
from dashboard.figures import acceptance as figures

ASKED = Asked(3e-5, 1e-4)


def trace(figure: go.Figure, name: str) -> go.Scatter:
    found = [t for t in figure.data if t.name == name]
    assert len(found) == 1, [t.name for t in figure.data]
    return found[0]


def texts(figure: go.Figure) -> list[str]:
    return [note.text for note in figure.layout.annotations]


def test_the_path_is_the_count_at_run_ends_in_cycles(sample_data: Data) -> None:
    judged = sample_data.judge("C", "C-2")
    figure = figures.path(judged.kinds["misses"], judged.bins_run)
    # As the sample log holds them: 5, 6 and 6 misses in so many feeds of ten bins.
    assert list(trace(figure, "count").x) == [0, 7402, 14590]
    assert list(trace(figure, "count").y) == [0, 5, 6]
    after = trace(figure, "count after the verdict")
    assert (list(after.x), list(after.y)) == ([14590, 21935], [6, 6])
    assert after.line.width < trace(figure, "count").line.width
    assert after.line.color == theme.LIGHT.quiet
    assert list(trace(figure, "verdict").x) == [14590]
    assert {"fails up here", "passes down here", "<b>passed here</b>", "after the verdict"} == set(
        texts(figure)
    )
    hover = trace(figure, "count").hovertext[1]
    assert "7,402 cycles (74,020 feeds)" in hover and "5 misses" in hover


def test_marks_at_run_ends_are_what_was_judged_by(sample_data: Data) -> None:
    kind = sample_data.judge("A").kinds["doubles"]
    figure = figures.path(kind, 10)
    assert list(trace(figure, "fails at run ends").y) == [step.reject for step in kind.steps]
    assert list(trace(figure, "passes at run ends").y) == [
        step.accept for step in kind.steps if step.accept >= 0
    ]


def test_while_it_goes_on_there_is_no_verdict(sample_data: Data) -> None:
    judged = sample_data.judge("B")
    for kind in judged.kinds.values():
        figure = figures.path(kind, judged.bins_run)
        assert {"verdict", "count after the verdict"}.isdisjoint(t.name for t in figure.data)
        # The end that is expected is in sight.
        assert figure.layout.xaxis.range[1] * 10 > kind.feeds + kind.expected_more_feeds


def test_the_boundaries_of_a_single_plan_are_its_corner() -> None:
    plan = single_plan(ASKED)
    # 105,319 feeds and 6 faults: see the binomial test below.
    assert figures.fails_from(plan) == [(0, 7), (105_319, 7)]
    assert figures.passes_to(plan, 200_000) == [(105_319, 6), (200_000, 6)]


def test_the_boundaries_of_a_sequential_plan_decide_as_it_does() -> None:
    plan = sequential_plan(ASKED)
    fails, passes = figures.fails_from(plan), figures.passes_to(plan, plan.feeds)
    for feeds in range(1, plan.feeds, plan.feeds // 97):
        failing = min(c for c, before in enumerate(plan.reject_before) if before > feeds)
        assert failing == next(y for x, y in fails if x > feeds)
        passing = [c for c, at in enumerate(plan.accept_at) if at is not None and at <= feeds]
        drawn = [y for x, y in passes if x <= feeds]
        assert max(passing, default=-1) == max(drawn, default=-1)
    assert [y for _, y in fails] == sorted(y for _, y in fails)


def test_the_chance_to_pass_is_the_binomial_one() -> None:
    plan = single_plan(ASKED)
    figure = figures.chance_to_pass(plan, figures.curves(plan))
    curve = trace(figure, "chance to pass")
    for x, y in list(zip(curve.x, curve.y, strict=True))[::9]:
        assert y == pytest.approx(100 * stats.binom.cdf(6, 105_319, x / PER), rel=1e-9)
    marked = trace(figure, "asked")
    assert list(marked.x) == pytest.approx([0.3, 1.0])
    # True risks of 0.0422 and 0.1000.
    assert list(marked.y) == pytest.approx([95.78, 10.0], abs=0.005)
    assert marked.text[0] == "good: 96 %"


def test_expected_cycles_stand_beside_the_least_there_can_be() -> None:
    plan = sequential_plan(ASKED)
    figure = figures.expected_cycles(plan, figures.curves(plan), 10)
    least, asked = trace(figure, "least of any test"), trace(figure, "asked")
    assert list(least.x) == pytest.approx([0.3, 1.0])
    for bound, expected in zip(least.y, asked.y, strict=True):
        assert bound <= expected <= 1.03 * bound
    single = single_plan(ASKED)
    figure = figures.expected_cycles(single, figures.curves(single), 10)
    assert set(trace(figure, "expected cycles").y) == {10_531.9}
    assert [t.name for t in figure.data] == ["expected cycles", "asked"]
