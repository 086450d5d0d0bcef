"""What is a figure made of, before it is made?

Plotly looks over all of a figure whenever it is changed. So traces and layout are gathered here,
and the figure is made of them at once, in half the time.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import plotly.graph_objects as go

from dashboard import theme

#: An axis without a grid, with strokes at its numbers.
STROKES: dict[str, Any] = {
    "showgrid": False,
    "ticks": "outside",
    "ticklen": 4,
    "tickcolor": theme.LIGHT.quiet,
}

#: Beside a heading or an axis, type of that size and colour.
QUIET: dict[str, Any] = {"size": 13, "color": theme.LIGHT.quiet}
INK: dict[str, Any] = {"size": 13, "color": theme.LIGHT.ink}


def axis_key(axis: str) -> str:
    """Return the layout's name of an axis: ``xaxis2`` for the ``x2`` that a trace speaks of."""
    return f"{axis[0]}axis{axis[1:]}"


def numbered(letter: str, number: int) -> str:
    """Return what a trace calls an axis: ``x`` for the first, ``x2`` for the second."""
    return letter if number == 1 else f"{letter}{number}"


def shortened(text: str, letters: int) -> str:
    """Return a text of at most so many letters; of a longer one the beginning."""
    return text if len(text) <= letters else f"{text[: letters - 1]}…"


class Gathered:
    """Traces, shapes, notes and layout of a figure to be made.

    Attributes
    ----------
    traces : list of dict
        In the order in which they are drawn.
    shapes, notes : list of dict
        As of plotly's layout, whose word for notes is annotations.
    layout : dict
        All else of it.
    """

    def __init__(self) -> None:
        self.traces: list[dict[str, Any]] = []
        self.shapes: list[dict[str, Any]] = []
        self.notes: list[dict[str, Any]] = []
        self.layout: dict[str, Any] = {}

    def add_scatter(self, **given: object) -> None:
        """Add points or lines."""
        self.traces.append({"type": "scatter", **given})

    def add_bar(self, **given: object) -> None:
        """Add bars."""
        self.traces.append({"type": "bar", **given})

    def note(self, text: str, **given: object) -> None:
        """Write words into the figure, small and quiet unless said otherwise."""
        self.notes.append({"text": text, "showarrow": False, "font": QUIET, **given})

    def head(self, text: str, colour: str, *, over: str = "y", x: float = 0, up: int = 5) -> None:
        """Write what a panel shows above its left end."""
        self.note(
            text,
            xref="paper",
            yref=f"{over} domain",
            x=x,
            y=1,
            xanchor="left",
            yanchor="bottom",
            yshift=up,
            font={"size": 14, "color": colour},
        )

    def beside(
        self,
        text: str,
        at: float,
        *,
        right: int = 8,
        font: Mapping[str, Any] = INK,
        **given: object,
    ) -> None:
        """Write words right of a panel at a value of its y axis, so many pixels away."""
        self.note(
            text,
            xref="paper",
            yref="y",
            x=1,
            y=at,
            xanchor="left",
            xshift=right,
            font=font,
            **given,
        )

    def title(self, text: str, *, left: int, up: int) -> None:
        """Write what a figure of one panel shows above it, so many pixels left of it and up."""
        self.note(
            text,
            xref="paper",
            yref="paper",
            x=0,
            y=1,
            xanchor="left",
            yanchor="bottom",
            xshift=-left,
            yshift=up,
            font={"size": 14, "color": theme.LIGHT.quiet},
            name="title",
        )

    def rule(
        self,
        axis: str,
        at: object,
        *,
        over: str = "paper",
        ends: tuple[float, float] = (0, 1),
        line: Mapping[str, object],
        **given: object,
    ) -> None:
        """Draw a straight line across a panel.

        Parameters
        ----------
        axis : str
            On which the line has its place, such as ``x`` or ``y2``.
        at : float or str
            Its place there.
        over : str
            What it goes across: ``paper``, or the domain of the other axis.
        ends : pair of float
            From where to where.
        line : mapping
            Its colour, width and dash.
        **given
            What else plotly's shape is to have.
        """
        own, other = (axis[0], "y" if axis[0] == "x" else "x")
        self.shapes.append(
            {
                "type": "line",
                f"{own}ref": axis,
                f"{own}0": at,
                f"{own}1": at,
                f"{other}ref": over,
                f"{other}0": ends[0],
                f"{other}1": ends[1],
                "line": dict(line),
                **given,
            }
        )

    def shelves(self, colours: Iterable[str], *, axis: str = "y", over: str = "paper") -> None:
        """Draw a thin line below each row, in its colour."""
        for row, colour in enumerate(colours):
            line = {"color": colour, "width": 1}
            self.rule(axis, row + 0.5, over=over, line=line, layer="below")

    def update_layout(self, given: Mapping[str, object] | None = None, **more: object) -> None:
        """Add to the layout; what one of its parts holds already stays, unless it is given anew."""
        for name, value in {**(given or {}), **more}.items():
            held = self.layout.get(name)
            if isinstance(held, dict) and isinstance(value, dict):
                self.layout[name] = {**held, **value}
            else:
                self.layout[name] = value

    def made(self) -> go.Figure:
        """Return the figure, checked by plotly."""
        layout = {"template": theme.template(), **self.layout}
        if self.shapes:
            layout["shapes"] = self.shapes
        if self.notes:
            layout["annotations"] = self.notes
        return go.Figure(data=self.traces, layout=layout)
