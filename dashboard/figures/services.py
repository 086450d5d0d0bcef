"""Did services help?

How many times the faults there were after each service as before it, one line for each.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import plotly.graph_objects as go

from analysis.services import ServiceRow
from dashboard import theme
from dashboard.figures.gathered import STROKES, Gathered, shortened

# Heights and widths in pixels.
_LANE, _NAMES, _WORDS = 27, 346, 142
# Ratios beyond these lie on the edge.
_LEAST, _MOST = 1 / 8, 8.0
_LETTERS = 48


def telling(services: Iterable[ServiceRow]) -> list[ServiceRow]:
    """Return the services that have something to say, the last one first.

    Those that made a difference, and those that should have: parts that were worn or broken.
    """
    rows = [
        row
        for row in services
        if row.changed
        and not row.warning
        and (
            row.verdict in ("helped", "worse")
            or (row.reason in ("worn", "broken") and row.verdict != "nothing before it")
        )
    ]
    return sorted(rows, key=lambda row: row.when, reverse=True)


def helped(services: Sequence[ServiceRow]) -> go.Figure:
    """Draw how many times the faults there were after each service as before it.

    Parameters
    ----------
    services : sequence of ServiceRow
        The first on top.

    Returns
    -------
    go.Figure
        Traces ``ranges`` and ``ranges, few``, ``told`` and ``too few``; each service's name to the
        left and its verdict to the right.
    """
    figure = Gathered()
    for few in (True, False):
        chosen = [
            (i, row)
            for i, row in enumerate(services)
            if _compared(row) and (row.verdict == "too few feeds yet") == few
        ]
        xs: list[float | None] = []
        ys: list[int | None] = []
        for i, row in chosen:
            xs += [_on_scale(row.low), _on_scale(row.high), None]
            ys += [i, i, None]
        if not chosen:
            continue
        ink = theme.LIGHT.quiet if few else theme.LIGHT.ink
        colours = [ink if few else _ink_of(row) for _, row in chosen]
        figure.add_scatter(
            x=xs,
            y=ys,
            mode="lines",
            line={"color": ink, "width": 1.5 if few else 2.5},
            hoverinfo="skip",
            name="ranges, few" if few else "ranges",
        )
        figure.add_scatter(
            x=[_on_scale(row.ratio_after) for _, row in chosen],
            y=[i for i, _ in chosen],
            mode="markers",
            marker={
                "size": 10,
                "color": [theme.LIGHT.paper] * len(chosen) if few else colours,
                "line": {"color": colours, "width": 1.5},
            },
            cliponaxis=False,
            hovertext=[_wrapped(row.sentence()) for _, row in chosen],
            hoverinfo="text",
            name="too few" if few else "told",
        )
    for i, row in enumerate(services):
        figure.note(
            _named(row),
            xref="paper",
            yref="y",
            x=0,
            y=i,
            xanchor="left",
            xshift=-_NAMES,
            font={"size": 14, "color": theme.LIGHT.ink},
            name="name",
        )
        verdict = row.verdict
        ink = _ink_of(row) if verdict != "too few feeds yet" else theme.LIGHT.quiet
        figure.note(
            f"<b>{verdict}</b>" if verdict in ("helped", "worse") else verdict,
            xref="paper",
            yref="y",
            x=1,
            y=i,
            xanchor="left",
            xshift=14,
            font={"size": 14, "color": ink},
            name="verdict",
        )
    before = {"color": theme.LIGHT.ink, "width": 1.2, "dash": "dot"}
    figure.rule("x", 1, line=before, layer="below", name="as before")
    ticks = {1 / 8: "⅛", 1 / 4: "¼", 1 / 2: "½", 1.0: "1", 2.0: "2", 4.0: "4", 8.0: "8"}
    figure.update_layout(
        xaxis={
            "type": "log",
            "range": [math.log10(_LEAST), math.log10(_MOST)],
            "tickvals": list(ticks),
            "ticktext": list(ticks.values()),
            **STROKES,
            "title": {"text": "times the faults of before", "standoff": 6},
        },
        yaxis={"range": [len(services) - 0.5, -0.5], "visible": False},
        height=12 + _LANE * max(len(services), 1) + 52,
        margin={"l": _NAMES, "r": _WORDS, "t": 12, "b": 52},
    )
    return figure.made()


def _compared(row: ServiceRow) -> bool:
    """Tell whether there is a ratio to draw: without a fault before or after there may be none."""
    return math.isfinite(row.ratio_after) and math.isfinite(row.low)


def _ink_of(row: ServiceRow) -> str:
    return {"helped": theme.LIGHT.accent, "worse": theme.LIGHT.warning}.get(
        row.verdict, theme.LIGHT.ink
    )


def _on_scale(ratio: float) -> float:
    return min(max(ratio, _LEAST), _MOST)


def _named(row: ServiceRow) -> str:
    """Name a service in a line: ``6 Aug 2031  A, bin 7: brush fitted``."""
    place = f"tower {row.tower}" if row.of_tower else f"{row.tower}, every bin"
    if row.bin is not None:
        place = f"{row.tower}, bin {row.bin}"
    text = f"{short_day(row)}  {place}: {row.what}"
    return theme.label(shortened(text, _LETTERS))


def short_day(row: ServiceRow) -> str:
    """Write the day of a service where there is little room: ``6 Aug 2031``."""
    number, month, year = theme.day(row.when).split(" ")
    return f"{number} {month[:3]} {year}"


def _wrapped(text: str, letters: int = 64) -> str:
    """Break a sentence into lines for a hover."""
    lines: list[str] = []
    for word in theme.label(text).split(" "):
        if lines and len(lines[-1]) + len(word) < letters:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return "<br>".join(lines)
