"""How is a rate drawn with its range?

Each kind of fault has a mark of its own, a hollow ring for a miss and a double tick for a double.
On few feeds it is grey and thin; a range that goes on beyond the scale ends in an arrow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.rates import Rate
from analysis.words import PER
from dashboard import theme
from dashboard.figures.gathered import INK, Gathered
from dashboard.figures.overview import bounds


@dataclass(frozen=True)
class Point:
    """A rate and where it stands along its panel.

    Attributes
    ----------
    at : str or int
        Its moment, or its row.
    rate : Rate
        With its ranges.
    few : bool
        Whether it stands on few feeds.
    sentence : str
        What is said of it.
    name : str
        Of its group.
    """

    at: str | int
    rate: Rate
    few: bool
    sentence: str
    name: str


def draw_rates(
    figure: Gathered,
    points: Sequence[Point],
    kind: str,
    x: str,
    y: str,
    end: float,
    plain: bool,
    *,
    upright: bool,
) -> None:
    """Draw rates with their ranges; upright ones stand on a time axis, others lie in rows."""

    def placed(along: list[object], values: list[object]) -> dict[str, object]:
        xs, ys = (along, values) if upright else (values, along)
        return {"x": xs, "y": ys, "xaxis": x, "yaxis": y}

    crowded = len(points) > 60
    for way, colour, width in (
        ("told", theme.INK_OF_KIND[kind], 1.5 if upright else 2.5),
        ("weak", theme.LIGHT.quiet, 1.0),
    ):
        along: list[object] = []
        values: list[object] = []
        beyond: list[object] = []
        for point in points:
            if point.few != (way == "weak"):
                continue
            low, high = bounds(point.rate, plain)
            along += [point.at, point.at, None]
            values += [min(low, end) * PER, min(high, end) * PER, None]
            if high > end:
                beyond.append(point.at)
        if along:
            figure.add_scatter(
                **placed(along, values),
                mode="lines",
                line={"color": colour, "width": width},
                hoverinfo="skip",
                name=f"range, {kind}, {way}",
            )
        if beyond:
            figure.add_scatter(
                **placed(beyond, [end * PER] * len(beyond)),
                mode="markers",
                marker={
                    "symbol": "triangle-up" if upright else "triangle-right",
                    "size": 6 if crowded else 9,
                    "color": colour,
                },
                cliponaxis=False,
                hoverinfo="skip",
                name=f"range goes on, {kind}, {way}",
            )
    # A rate that is itself beyond the scale has an arrow and no dot.
    inside = [p for p in points if p.rate.rate is not None and p.rate.rate <= end]
    strokes = [theme.LIGHT.quiet if p.few else theme.INK_OF_KIND[kind] for p in inside]
    sizes = [(6 if p.few else 7) if crowded else (8 if p.few else 10) for p in inside]
    at: list[object] = [p.at for p in inside]
    rates: list[object] = [(p.rate.rate or 0.0) * PER for p in inside]
    ring = kind == "misses"
    # Filled with paper, so that the range does not strike through the mark; a double tick that
    # stands along its range would become a box by it, and has the range between its strokes.
    filled = ring or not upright
    figure.add_scatter(
        **placed(at, rates),
        mode="markers",
        marker={
            "symbol": "circle" if ring else "square",
            "size": sizes,
            "color": theme.LIGHT.paper,
            "line": {"color": strokes if ring else theme.LIGHT.paper, "width": 2},
            "opacity": 1 if filled else 0,
        },
        cliponaxis=False,
        customdata=[p.name for p in inside],
        hovertext=[p.sentence for p in inside],
        hoverinfo="text",
        name=f"rate, {kind}",
    )
    if not ring:
        # A double tick is two strokes, each a little to its side of the rate.
        for side in (-90, 90):
            figure.add_scatter(
                **placed(at, rates),
                mode="markers",
                marker={
                    "symbol": "line-ew",
                    "angle": side,
                    "standoff": 2 if crowded else 3 if filled else 4,
                    "size": sizes,
                    "line": {"color": strokes, "width": 1.5 if crowded else 2.5},
                    "opacity": 1,
                },
                cliponaxis=False,
                hoverinfo="skip",
                name=f"tick, {kind}, {'left' if side < 0 else 'right'}",
            )


def draw_whole(figure: Gathered, whole: float, kind: str, axis: str) -> None:
    """Draw the rate on all as a dotted line; at the end of a level one stands its number."""
    level = axis.startswith("y")
    figure.rule(
        axis,
        whole * PER,
        over="paper" if level else "y domain",
        line={"color": theme.LIGHT.ink, "width": 1.5, "dash": "dot"},
        layer="below",
        name=f"on all, {kind}",
    )
    if level:
        figure.note(
            f"all: {theme.rate(whole)}",
            xref="paper",
            yref=axis,
            x=1,
            y=whole * PER,
            xanchor="left",
            xshift=6,
            font=INK,
        )
