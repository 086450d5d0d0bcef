"""What is a figure made of, before it is made?

Plotly looks over all of a figure whenever it is changed. So traces and layout are gathered here,
and the figure is made of them at once, in half the time.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import plotly.graph_objects as go

from dashboard import theme


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
