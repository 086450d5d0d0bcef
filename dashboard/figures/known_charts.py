"""What do the control charts say that people know?

The classical charts as the literature has them, for those who know them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from analysis.charts import Chart
from analysis.words import PER, two_digits
from dashboard import theme
from dashboard.figures.gathered import Gathered
from dashboard.figures.time_panel import TimePanel, rounded, thinned

# Height of the panel in pixels.
_PANEL = 220


def known_chart(chart: Chart, times: Sequence[dt.datetime] | None, kind: str) -> go.Figure:
    """Draw a classical chart as the literature has it: points, centre and limits.

    Parameters
    ----------
    chart : Chart
        As `analysis.rate_charts`, `gap_charts` and `ewma` make it.
    times : sequence of datetime or None
        When each of its points was; None where that is not known, and they stand by number.
    kind : str
        Of fault, for the colour.

    Returns
    -------
    go.Figure
        Traces ``centre``, ``low`` and ``high``; ``points``, and ``beyond`` where any lies beyond
        its limits.
    """
    there = ~np.isnan(chart.points)
    if not there.any():
        return _no_points()
    # Rates are read per 10,000 feeds everywhere.
    scale = PER if "per feed" in chart.what else 1
    spots: list[str] | list[int] = list(range(1, chart.points.size + 1))
    names = [f"Point {number:,}" for number in spots]
    if times is not None:
        spots = [at.isoformat(timespec="minutes") for at in times]
        names = [theme.day(at) for at in times]
    first, last = (int(i) for i in np.flatnonzero(there)[[0, -1]])
    sheet = TimePanel(_unit(chart), _PANEL, _days(times, first, last))
    kept = np.union1d(thinned(chart.points, there), np.flatnonzero(chart.outside & there))
    for name, line, dash in (
        ("centre", chart.centre, "solid"),
        ("low", chart.low, "dot"),
        ("high", chart.high, "dot"),
    ):
        if not np.isnan(line[kept]).all():
            sheet.add_scatter(
                x=[spots[i] for i in kept],
                y=[None if np.isnan(v) else float(v) * scale for v in line[kept]],
                mode="lines",
                line={"width": 1.2, "color": theme.LIGHT.ink, "dash": dash, "shape": "hvh"},
                hoverinfo="skip",
                name=name,
            )
    colour = theme.INK_OF_KIND[kind]
    for name, which, mark in (
        ("points", ~chart.outside, {"size": 5, "color": colour}),
        ("beyond", chart.outside, {"size": 10, "color": theme.LIGHT.warning, "symbol": "diamond"}),
    ):
        chosen = kept[which[kept]]
        if chosen.size:
            end = ", beyond the limits" if name == "beyond" else ""
            sheet.add_scatter(
                x=[spots[i] for i in chosen],
                y=rounded(chart.points[chosen] * scale, 6),
                mode="markers",
                marker=mark,
                cliponaxis=False,
                hovertext=[
                    f"{names[i]}: {two_digits(float(chart.points[i]) * scale)}{end}."
                    for i in chosen
                ],
                hoverinfo="text",
                name=name,
            )
    ends = np.concatenate([v[there & ~np.isnan(v)] for v in (chart.points, chart.low, chart.high)])
    sheet.scale(min(0.0, float(ends.min()) * scale), float(ends.max()) * scale)
    _name_lines(sheet, chart, int(kept[-1]), scale)
    figure = sheet.made()
    if times is None:
        by_number = {"type": "linear", "range": [first, last + 2], "tickformat": ",d"}
        figure.update_layout(xaxis=by_number)
    return figure


def _days(
    times: Sequence[dt.datetime] | None, first: int, last: int
) -> tuple[dt.datetime, dt.datetime]:
    if times is None:
        # Replaced by numbers.
        return dt.datetime.min, dt.datetime.max
    return times[first], max(times[last], times[first] + dt.timedelta(days=1))


def _unit(chart: Chart) -> str:
    return theme.label(chart.what.replace("faults per feed", "faults per 10,000 feeds"))


def _name_lines(sheet: TimePanel, chart: Chart, last: int, scale: float) -> None:
    """Name centre and limits at their right ends, unless one would stand on the other."""
    taken: list[float] = []
    for text, line in (("centre", chart.centre), ("limit", chart.high), ("limit", chart.low)):
        at = float(line[last]) * scale
        apart = 0.07 * (sheet.range[1] - sheet.range[0])
        if not np.isnan(at) and all(abs(at - other) > apart for other in taken):
            taken.append(at)
            sheet.beside(text, at, name=text)


def _no_points() -> go.Figure:
    figure = Gathered()
    figure.note("no points yet", font={"size": 14, "color": theme.LIGHT.quiet})
    figure.update_layout(height=80, xaxis={"visible": False}, yaxis={"visible": False})
    return figure.made()
