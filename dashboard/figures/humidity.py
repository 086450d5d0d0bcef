"""What does the air do by itself?

The curve over humidity has a panel for each kind of fault and in it a line for each way to print,
told apart by its dash and by the name at its end; below them stands where the data lie.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from analysis.conditions import Conditions
from analysis.conditions_levels import OTHERS, TONER
from analysis.conditions_told import CurvePoint
from analysis.words import listed, times_range, two_digits
from dashboard import theme
from dashboard.figures.gathered import INK, STROKES, Gathered, axis_key, numbered
from dashboard.figures.ratio_axis import ratio_axis

#: What the two lines of a panel are called.
PAPERS = {OTHERS: "other paper", TONER: "toner-printed"}
_DASHES = {OTHERS: "solid", TONER: "6px,4px"}

# Heights in pixels: a panel, the gap below it, a strip of bars, what stands above and below.
_PANEL, _GAP, _STRIP, _HEAD, _FOOT = 170, 34, 26, 26, 50
# How far names at the end are apart, and from the dotted line.
_APART, _OFF_THE_LINE = 17, 12


def clearest(found: Conditions) -> CurvePoint | None:
    """Return where on its curves the air does most for certain; None where nothing is certain.

    As where the nearer end of the range is farthest from 1.
    """
    sure = [p for p in found.humidity_curve if p.low > 1 or p.high < 1]
    return max(sure, key=lambda p: max(p.low, 1 / p.high), default=None)


def how_clear(found: Conditions) -> float:
    """Return how far from 1 the nearer end of the clearest range is; 0 where nothing is certain."""
    point = clearest(found)
    return 0.0 if point is None else max(point.low, 1 / point.high)


def stated(found: Sequence[Conditions]) -> str:
    """Say in which air the rate is taken as 1: for each kind of fault where that differs."""
    at = {one.kind: one.stated_humidity_pct for one in found}
    if len(set(at.values())) == 1:
        return f"{min(at.values())} %"
    return listed([f"{percent} % ({kind})" for kind, percent in at.items()])


def air_in_words(found: Conditions) -> str:
    """Say what the air does most: a sentence without its full stop."""
    point = clearest(found)
    if point is None:
        return f"No air is known to change the rate of {found.kind}"
    # The model holds a curve for toner-printed paper only where the log has such paper.
    both = any(p.printed_by == TONER for p in found.humidity_curve)
    paper = f" on {PAPERS[point.printed_by]}" if both else ""
    paper += " paper" if both and point.printed_by == TONER else ""
    return (
        f"Air of {point.humidity_pct} % goes with {two_digits(point.ratio)} times the "
        f"{found.kind} of air of {found.stated_humidity_pct} %{paper}"
    )


def point_sentence(point: CurvePoint, found: Conditions) -> str:
    """Say what one humidity does, in lines short enough for a label."""
    kind, name = found.kind, PAPERS[point.printed_by]
    return (
        f"{kind.capitalize()} on {name}{' paper' if point.printed_by == TONER else ''} in air of "
        f"{point.humidity_pct} %:<br>{two_digits(point.ratio)} times those in air of "
        f"{found.stated_humidity_pct} % ({times_range(point.low, point.high)}),<br>"
        f"all else the same; {theme.many_feeds(point.feeds)} in such air."
    )


def humidity_curve(found: Sequence[Conditions]) -> go.Figure:
    """Draw what the humidity does to each kind of fault, all else the same.

    Parameters
    ----------
    found : sequence of Conditions
        One for each kind, each with a curve.

    Returns
    -------
    go.Figure
        For each kind and way to print a trace ``range, KIND, PAPER`` and one ``curve, KIND,
        PAPER``; for each way to print one ``feeds, PAPER`` below.
    """
    figure = Gathered()
    papers = [
        p for p in PAPERS if any(point.printed_by == p for c in found for point in c.humidity_curve)
    ]
    heights = [*[_PANEL] * len(found), *[_STRIP] * len(papers)]
    gaps = [*[_GAP] * len(found), *[6] * (len(papers) - 1)]
    height = sum(heights) + sum(gaps)
    low, high = _ends([p.ratio for c in found for p in c.humidity_curve])
    percents = [point.humidity_pct for c in found for point in c.humidity_curve]
    figure.update_layout(
        height=_HEAD + height + _FOOT,
        margin={"l": 62, "r": 106, "t": _HEAD, "b": _FOOT},
        xaxis={
            "range": [min(percents) - 1, max(percents) + 1],
            "anchor": numbered("y", len(heights)),
            "title": {"text": "relative humidity, %", "standoff": 6},
            "dtick": 10,
            **STROKES,
        },
    )
    top = 1.0
    for number, (tall, gap) in enumerate(zip(heights, [*gaps, 0], strict=True), 1):
        bottom = max(0.0, top - tall / height)
        place = {"domain": [bottom, top], "anchor": "x", "showline": False}
        if number <= len(found):
            _panel(figure, found[number - 1], number, place, (low, high))
        else:
            _strip(figure, found, papers[number - len(found) - 1], number, place)
        top = bottom - gap / height
    return figure.made()


def _ends(ratios: Sequence[float]) -> tuple[float, float]:
    """Return the ends of a scale that holds some ratios, with room for their ranges."""
    return min(0.8, min(ratios) / 1.25), max(1.25, 1.3 * max(ratios))


def _panel(
    figure: Gathered,
    found: Conditions,
    number: int,
    place: dict[str, Any],
    ends: tuple[float, float],
) -> None:
    y, kind = numbered("y", number), found.kind
    colour = theme.INK_OF_KIND[kind]
    figure.layout[axis_key(y)] = {**place, **ratio_axis(*ends), "showgrid": True}
    stated_at = f"at {found.stated_humidity_pct} %"
    figure.head(f"<b>{kind}</b>, times those {stated_at}", colour, over=y)
    ones = {"color": theme.LIGHT.ink, "width": 1.5, "dash": "dot"}
    figure.rule(y, 1, line=ones, layer="below", name=stated_at)
    last = {}
    for printed in PAPERS:
        points = [p for p in found.humidity_curve if p.printed_by == printed]
        if not points:
            continue
        last[printed] = points[-1]
        at = [p.humidity_pct for p in points]
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        figure.traces += [
            {
                "type": "scatter",
                "x": [*at, *at[::-1]],
                "y": [
                    min(max(v, ends[0]), ends[1])
                    for v in (*(p.high for p in points), *(p.low for p in points[::-1]))
                ],
                "fill": "toself",
                "fillcolor": f"rgba({red}, {green}, {blue}, 0.14)",
                "mode": "lines",
                "line": {"width": 0, "color": colour},
                "hoverinfo": "skip",
                "name": f"range, {kind}, {printed}",
                "yaxis": y,
            },
            {
                "type": "scatter",
                "x": at,
                "y": [p.ratio for p in points],
                "mode": "lines",
                "line": {"color": colour, "width": 2.5, "dash": _DASHES[printed]},
                "hovertext": [point_sentence(p, found) for p in points],
                "hoverinfo": "text",
                "name": f"curve, {kind}, {printed}",
                "yaxis": y,
            },
        ]
    _names_at_the_end(figure, last, y, ends)


def _names_at_the_end(
    figure: Gathered, last: dict[str, CurvePoint], y: str, ends: tuple[float, float]
) -> None:
    """Write what each line is at its end, a little apart where two end together.

    None stands at the dotted line, which would seem to be named by it.
    """
    per_pixel = math.log(ends[1] / ends[0]) / _PANEL
    true = {printed: math.log(point.ratio) / per_pixel for printed, point in last.items()}
    shifts: dict[str, float] = {}
    for side in (1, -1):
        taken = 0.0
        # From the dotted line outwards.
        for printed in sorted(true, key=lambda name: abs(true[name])):
            if (true[printed] >= 0) == (side > 0):
                free = taken + _APART if taken else _OFF_THE_LINE
                taken = max(abs(true[printed]), free)
                shifts[printed] = side * taken - true[printed]
    for printed, point in last.items():
        figure.note(
            PAPERS[printed],
            xref="paper",
            yref=y,
            x=1,
            # A note on a log axis stands at the logarithm.
            y=math.log10(point.ratio),
            yshift=shifts[printed],
            xanchor="left",
            xshift=4,
            font=INK,
            name=f"end, {printed}",
        )


def _strip(
    figure: Gathered, found: Sequence[Conditions], printed: str, number: int, place: dict[str, Any]
) -> None:
    """Draw how many feeds there were at each percent."""
    y = numbered("y", number)
    fed: dict[int, int] = {}
    for one in found:
        for point in one.humidity_curve:
            if point.printed_by == printed:
                fed[point.humidity_pct] = max(point.feeds, fed.get(point.humidity_pct, 0))
    name = PAPERS[printed]
    figure.traces.append(
        {
            "type": "bar",
            "x": list(fed),
            "y": list(fed.values()),
            "width": 0.8,
            "marker": {"color": theme.LIGHT.quiet, "line": {"width": 0}},
            "hovertext": [
                f"Air of {percent} %, {name}: {theme.many_feeds(feeds)}"
                for percent, feeds in fed.items()
            ],
            "hoverinfo": "text",
            "name": f"feeds, {printed}",
            "yaxis": y,
        }
    )
    figure.layout[axis_key(y)] = {
        **place,
        "range": [0, max(fed.values(), default=1) or 1],
        "showticklabels": False,
        "showgrid": False,
    }
    figure.note(
        "feeds",
        xref="paper",
        yref=f"{y} domain",
        x=0,
        y=0,
        xanchor="right",
        yanchor="bottom",
        xshift=-8,
    )
    figure.note(
        name,
        xref="paper",
        yref=f"{y} domain",
        x=1,
        y=0,
        xanchor="left",
        yanchor="bottom",
        xshift=4,
    )
