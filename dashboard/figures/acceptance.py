"""Where does a burn-in stand between its two boundaries, and what can a plan tell apart?

The count of a kind of fault is drawn over the cycles that were run, known where runs ended. Above
one boundary the tower fails, below the other it passes; both stand as steps, since a count is
whole. What came after the verdict is drawn lighter: it changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from analysis.plans import SinglePlan
from analysis.run_by_run import KindJudged, Step
from analysis.sequential import SequentialPlan
from analysis.words import PER, many, one, per_10k, two_digits
from dashboard import theme
from dashboard.figures.gathered import STROKES, Gathered

Plan = SinglePlan | SequentialPlan
Points = list[tuple[float, float]]

_LEFT, _HEAD, _FOOT = 56, 16, 56
_HEIGHT, _CURVE = 330, 270

# How far beyond what was run the boundaries are drawn.
_AHEAD = 1.3


def fails_from(plan: Plan) -> Points:
    """Return the corners of the boundary at and above which a tower fails: feeds and faults."""
    if isinstance(plan, SinglePlan):
        return [(0, plan.allowed + 1), (plan.feeds, plan.allowed + 1)]
    corners: Points = []
    begin = 0
    for count, before in enumerate(plan.reject_before):
        end = min(before, plan.feeds)
        if end > begin:
            corners += [(begin, count), (end, count)]
            begin = end
    return corners


def passes_to(plan: Plan, end: float) -> Points:
    """Return the corners of the boundary at and below which a tower passes, drawn up to an end.

    Parameters
    ----------
    plan : SinglePlan or SequentialPlan
        The plan.
    end : float
        Feeds to which the last step is drawn; there is no boundary when the first begins later.
    """
    if isinstance(plan, SinglePlan):
        steps: Points = [(plan.feeds, plan.allowed)]
    else:
        steps = [(at, count) for count, at in enumerate(plan.accept_at) if at is not None]
    found: Points = []
    for place, (begin, count) in enumerate(steps):
        last = steps[place + 1][0] if place + 1 < len(steps) else max(end, plan.feeds)
        if last > begin or place + 1 == len(steps):
            found += [(begin, count), (last, count)]
    return found


def feeds_shown(kind: KindJudged) -> float:
    """Return the feeds at which the figure of a path ends."""
    plan = kind.chosen.plan
    first = passes_to(plan, plan.feeds)
    ahead = kind.feeds + kind.expected_more_feeds
    return max(_AHEAD * ahead, _AHEAD * (first[0][0] if first else plan.feeds))


def own_looks(kind: KindJudged) -> tuple[Step, ...]:
    """Return the run ends at which a kind was looked at: those with feeds of their own."""
    before = 0
    found = []
    for step in kind.steps:
        if step.feeds > before:
            found.append(step)
        before = step.feeds
    return tuple(found)


def path(kind: KindJudged, bins: int) -> go.Figure:
    """Draw the running count of one kind of fault between the boundaries of its plan.

    Parameters
    ----------
    kind : KindJudged
        Against its plan.
    bins : int
        Bins that were run: feeds of one cycle.

    Returns
    -------
    go.Figure
        Traces ``fails``, ``passes``, ``fails at run ends``, ``passes at run ends``, ``count``,
        ``count after the verdict`` and ``verdict``; those without points are left out. The x axis
        is in cycles.
    """
    per = max(bins, 1)
    plan, looks = kind.chosen.plan, own_looks(kind)
    end = feeds_shown(kind)
    fails = _up_to(fails_from(plan), end)
    passes = _up_to(passes_to(plan, end), end)
    tops = [count for _, count in [*fails, *passes]] + [step.count for step in looks]
    top = max(tops, default=1) + 1.5
    figure = Gathered()
    shapes = [
        _region(fails, per, top, theme.LIGHT.warning, 0.08),
        _region(passes, per, -0.5, theme.LIGHT.accent, 0.12),
    ]
    figure.shapes = [shape for shape in shapes if shape]
    for name, points, colour in (
        ("fails", fails, theme.LIGHT.warning),
        ("passes", passes, theme.LIGHT.accent),
    ):
        if points:
            _line(figure, name, points, per, colour, 1.5)
    _run_ends(figure, kind, looks, per)
    _counted(figure, kind, looks, per)
    _words(figure, kind, per, end, top, bool(fails), passes)
    figure.update_layout(
        height=_HEIGHT,
        margin={"l": _LEFT, "r": 16, "t": _HEAD, "b": _FOOT},
        xaxis={
            "range": [0, end / per],
            "title": {"text": f"cycles of {many(bins, 'bin')}"},
            "tickformat": ",d",
            "nticks": 6,
            **STROKES,
        },
        yaxis={
            "range": [-0.5, top],
            "title": {"text": kind.kind},
            "tickformat": "d",
            "nticks": 6,
            "showline": False,
        },
    )
    return figure.made()


def _up_to(points: Points, end: float) -> Points:
    """Cut a boundary off at an end of the axis."""
    found: Points = []
    for x, y in points:
        if x > end:
            if found:
                found.append((end, found[-1][1]))
            break
        found.append((x, y))
    return found


def _region(
    points: Points, per: int, beyond: float, colour: str, weight: float
) -> dict[str, object] | None:
    if not points:
        return None
    corners = [(points[0][0], beyond), *points, (points[-1][0], beyond)]
    drawn = " L".join(f"{x / per:.10g},{y:.10g}" for x, y in corners)
    return {
        "type": "path",
        "path": f"M{drawn} Z",
        "fillcolor": colour,
        "opacity": weight,
        "line": {"width": 0},
        "layer": "below",
    }


def _line(figure: Gathered, name: str, points: Points, per: int, colour: str, width: float) -> None:
    figure.add_scatter(
        name=name,
        x=[x / per for x, _ in points],
        y=[y for _, y in points],
        mode="lines",
        line={"color": colour, "width": width},
        hoverinfo="skip",
    )


def _run_ends(figure: Gathered, kind: KindJudged, looks: Sequence[Step], per: int) -> None:
    """Mark what would have failed and passed where runs ended."""
    for name, colour, own in (
        ("fails at run ends", theme.LIGHT.warning, [(s, s.reject) for s in looks]),
        ("passes at run ends", theme.LIGHT.accent, [(s, s.accept) for s in looks if s.accept >= 0]),
    ):
        if not own:
            continue
        word = "or more fail" if name.startswith("fails") else "or fewer pass"
        figure.add_scatter(
            name=name,
            x=[step.feeds / per for step, _ in own],
            y=[count for _, count in own],
            mode="markers",
            marker={
                "symbol": "line-ew",
                "size": 13,
                "line": {"color": colour, "width": 3},
                "color": colour,
            },
            hovertext=[
                f"At the end of run {theme.label(step.run)}, {_length(step, per)}:<br>"
                f"{count:,} {one(kind.kind, count)} {word}."
                for step, count in own
            ],
            hoverinfo="text",
        )


def _length(step: Step, per: int) -> str:
    return f"{many(round(step.feeds / per), 'cycle')} ({many(step.feeds, 'feed')})"


def _counted(figure: Gathered, kind: KindJudged, looks: Sequence[Step], per: int) -> None:
    """Draw the count, known where runs ended; lighter where the verdict had been reached."""
    until = kind.decided.feeds if kind.decided else kind.feeds
    before = [step for step in looks if step.feeds <= until]
    after = [step for step in looks if step.feeds > until]
    colour = theme.INK_OF_KIND[kind.kind]
    join: Points = [(before[-1].feeds, before[-1].count)] if before else []
    parts = [("count", before, [(0.0, 0.0)], colour, 3.0)]
    if after:
        parts.append(("count after the verdict", after, join, theme.LIGHT.quiet, 1.5))
    for name, steps, start, ink, width in parts:
        points = [*start, *((step.feeds, step.count) for step in steps)]
        figure.add_scatter(
            name=name,
            x=[x / per for x, _ in points],
            y=[y for _, y in points],
            mode="lines+markers",
            line={"color": ink, "width": width},
            marker={
                "symbol": "circle" if kind.kind == "misses" else "square",
                "size": [0] * len(start) + [9] * len(steps),
                "color": theme.LIGHT.paper,
                "line": {"color": ink, "width": 2.5},
            },
            hovertext=[""] * len(start)
            + [
                f"End of run {theme.label(step.run)}: {step.count:,} "
                f"{one(kind.kind, step.count)}<br>in {_length(step, per)}"
                f"{', after the verdict' if name != 'count' else ''}."
                for step in steps
            ],
            hoverinfo="text",
        )
    if kind.decided:
        figure.add_scatter(
            name="verdict",
            x=[kind.decided.feeds / per],
            y=[kind.decided.count],
            mode="markers",
            marker={
                "symbol": "circle-open",
                "size": 22,
                "color": theme.LIGHT.ink,
                "line": {"color": theme.LIGHT.ink, "width": 2},
            },
            hoverinfo="skip",
        )


def _words(
    figure: Gathered,
    kind: KindJudged,
    per: int,
    end: float,
    top: float,
    fails: bool,
    passes: Points,
) -> None:
    def note(text: str, x: float, y: float, colour: str, **more: object) -> None:
        figure.note(text, x=x / per, y=y, font={"size": 13, "color": colour}, **more)

    if fails:
        note(
            "fails up here",
            0.03 * end,
            top - 0.1,
            theme.LIGHT.warning,
            xanchor="left",
            yanchor="top",
        )
    if passes:
        note(
            "passes down here",
            0.99 * end,
            -0.4,
            theme.LIGHT.accent,
            xanchor="right",
            yanchor="bottom",
        )
    if kind.decided:
        at, late = kind.decided, kind.decided.feeds > 0.25 * end
        word = "passed here" if kind.verdict == "pass" else "failed here"
        note(
            f"<b>{word}</b>",
            at.feeds,
            at.count,
            theme.LIGHT.ink,
            xanchor="right" if late else "left",
            yanchor="bottom",
            xshift=-12 if late else 12,
            yshift=6,
        )
        if kind.later[0]:
            note(
                "after the verdict",
                kind.feeds,
                kind.count,
                theme.LIGHT.quiet,
                xanchor="right",
                yanchor="top",
                yshift=-9,
            )


@dataclass(frozen=True)
class Curves:
    """What a plan does at some true rates.

    Attributes
    ----------
    rates : tuple of float
        Faults per feed, rising.
    accept : tuple of float
        Chance to pass.
    feeds : tuple of float
        Expected feeds.
    """

    rates: tuple[float, ...]
    accept: tuple[float, ...]
    feeds: tuple[float, ...]


#: Rates for which a plan's curves are drawn.
_RATES = 80


def curves(plan: Plan) -> Curves:
    """Return a plan's operating characteristic and expected feeds, good and bad rate among them."""
    asked = plan.asked
    good = asked.good if asked else plan.feeds**-1
    bad = asked.bad if asked else 2 * good
    end = min(2 * bad, 0.999)
    grid = (end * n / _RATES for n in range(1, _RATES + 1))
    # A step that is a given rate but for its last binary digit would be the same point twice.
    steps = (r for r in grid if not (math.isclose(r, good) or math.isclose(r, bad)))
    rates = tuple(sorted({good, bad, *steps}))
    return Curves(
        rates,
        tuple(float(chance) for chance in plan.accept(rates)),
        tuple(float(feeds) for feeds in plan.expected_feeds(rates)),
    )


def chance_to_pass(plan: Plan, shown: Curves) -> go.Figure:
    """Draw the operating characteristic, good and bad rate marked.

    Returns
    -------
    go.Figure
        Traces ``chance to pass`` and ``asked``; rates per 10,000 feeds, chances in percent.
    """
    return _curve(
        plan,
        shown,
        "chance to pass",
        [100 * chance for chance in shown.accept],
        "passes with",
        lambda value: f"{two_digits(value)} %",
        {"title": {"text": "chance to pass, %"}, "range": [0, 104]},
        ["top right", "top right"],
    ).made()


def expected_cycles(plan: Plan, shown: Curves, bins: int) -> go.Figure:
    """Draw the cycles that are expected at each true rate, and the least that any test takes.

    Returns
    -------
    go.Figure
        Traces ``expected cycles``, ``asked`` and, for a sequential plan, ``least of any test``: the
        bound of Wald and Wolfowitz at both rates.
    """
    values = [feeds / bins for feeds in shown.feeds]
    figure = _curve(
        plan,
        shown,
        "expected cycles",
        values,
        "takes, in the mean,",
        lambda value: f"{two_digits(value)} cycles",
        {
            "title": {"text": f"cycles of {many(bins, 'bin')}"},
            "range": [0, 1.12 * max(values)],
            "tickformat": ",d",
        },
        ["bottom right", "top right"],
    )
    if isinstance(plan, SequentialPlan):
        least = [feeds / bins for feeds in plan.least_expected_feeds()]
        rates = (plan.asked.good, plan.asked.bad)
        figure.add_scatter(
            name="least of any test",
            x=[rate * PER for rate in rates],
            y=least,
            mode="markers",
            marker={
                "symbol": "line-ew",
                "size": 22,
                "line": {"color": theme.LIGHT.accent, "width": 3},
            },
            hovertext=[
                f"No test with these risks takes less than<br>{two_digits(cycles)} cycles in "
                f"the mean at {per_10k(rate)} per 10,000 feeds."
                for rate, cycles in zip(rates, least, strict=True)
            ],
            hoverinfo="text",
        )
    return figure.made()


def _curve(
    plan: Plan,
    shown: Curves,
    name: str,
    values: list[float],
    verb: str,
    told: Callable[[float], str],
    axis: dict[str, object],
    places: list[str],
) -> Gathered:
    figure = Gathered()
    figure.add_scatter(
        name=name,
        x=[rate * PER for rate in shown.rates],
        y=values,
        mode="lines",
        line={"color": theme.LIGHT.ink, "width": 2.5},
        hovertext=[
            f"A tower at {per_10k(rate)} per 10,000 feeds<br>{verb} {told(value)}."
            for rate, value in zip(shown.rates, values, strict=True)
        ],
        hoverinfo="text",
    )
    asked = plan.asked
    if asked is not None:
        marked = [
            (rate, values[shown.rates.index(rate)], word)
            for rate, word in ((asked.good, "good"), (asked.bad, "bad"))
        ]
        figure.add_scatter(
            name="asked",
            x=[rate * PER for rate, _, _ in marked],
            y=[value for _, value, _ in marked],
            mode="markers+text",
            text=[f"{word}: {told(value)}" for _, value, word in marked],
            # Beside the curve and not across it.
            textposition=places,
            textfont={"size": 13, "color": theme.LIGHT.ink},
            marker={
                "symbol": "circle",
                "size": 10,
                "color": theme.LIGHT.paper,
                "line": {"color": theme.LIGHT.ink, "width": 2.5},
            },
            hoverinfo="skip",
            cliponaxis=False,
        )
    figure.update_layout(
        height=_CURVE,
        margin={"l": 66, "r": 20, "t": 22, "b": _FOOT},
        xaxis={
            "range": [0, shown.rates[-1] * PER],
            "title": {"text": "true rate, faults per 10,000 feeds"},
            "nticks": 6,
            **STROKES,
        },
        yaxis={"nticks": 5, "showline": False, **axis},
    )
    return figure
