"""What is behind a change of the rate?

A row for each part of the log, as a ratio, with the whole at the bottom.
"""

from __future__ import annotations

import math

import plotly.graph_objects as go

from analysis.rate_change import REST, Change, Part
from analysis.words import times_range, two_digits
from dashboard import theme
from dashboard.figures.gathered import STROKES, Gathered
from dashboard.figures.ratio_axis import ratio_axis

#: What a change is made of, and what each part of it means.
PARTS_IN_WORDS = {
    "mix": ("Stocks", "other stocks ran than before, or more of one and less of another"),
    "air": ("Air", "humidity and temperature were others"),
    "settings": ("Settings", "settings, or how the paper was prepared, were others"),
    "age": ("Age of parts", "the parts were older, or newer"),
    "bins": ("Bins and towers", "other bins and towers did the feeding"),
    REST: ("The rest", "what nobody logged, what changed in a bin, or chance"),
}
WHOLE = "All together"

# Heights and widths in pixels: a row, what stands above and below, names and numbers beside them.
_ROW, _HEAD, _FOOT, _NAMES, _NUMBERS = 34, 10, 50, 132, 152


def ratio(value: float, decimals: int = 2) -> str:
    """Write a ratio with so many decimals; with two significant digits where it is far from 1."""
    return f"{value:.{decimals}f}" if 0.1 <= value < 10 else two_digits(value)


def decimals(change: Change) -> int:
    """Return with how many decimals the parts of a change are shown.

    As many as it takes for the product of what is shown to be the whole that is shown.
    """
    if change.ratio is None:
        return 2
    for number in range(2, 8):
        shown = math.prod(_read(ratio(part.ratio, number)) for part in change.parts)
        if ratio(shown) == ratio(change.ratio):
            return number
    return 8


def _read(text: str) -> float:
    return float(text.replace(",", ""))


def spanned(part: Part, number: int) -> str:
    """Write the range of a part."""
    return times_range(part.low, part.high, lambda value: ratio(value, number))


def sure(part: Part) -> bool:
    """Tell whether the range of a part leaves 1 out."""
    return part.low > 1 or part.high < 1


def part_sentence(part: Part, kind: str, number: int) -> str:
    """Say what one part of the log did, in lines short enough for a label."""
    name, means = PARTS_IN_WORDS[part.part]
    told = (
        f"{name}: {ratio(part.ratio, number)} times the {kind} ({spanned(part, number)});<br>"
        f"{means}."
    )
    return told if sure(part) else f"{told}<br>May be nothing: the range holds 1."


def change(found: Change) -> go.Figure:
    """Draw what is behind a change, part by part, and the whole of it at the bottom.

    Parameters
    ----------
    found : Change
        With parts.

    Returns
    -------
    go.Figure
        Traces ``ranges``, ``range of the whole``, ``sure``, ``may be nothing`` and ``whole``; rows
        from the top.
    """
    whole = found.whole
    assert whole is not None
    figure = Gathered()
    number, rows = decimals(found), len(found.parts)
    colour = theme.INK_OF_KIND[found.kind]
    low = min(part.low for part in (*found.parts, whole))
    high = max(part.high for part in (*found.parts, whole))
    # A range without an end would leave no room for the others.
    low, high = max(low, 0.02) / 1.06, min(high, 50.0) * 1.06
    low, high = min(low, 0.8), max(high, 1.25)
    ends: list[object] = []
    along: list[object] = []
    for row, part in enumerate(found.parts):
        ends += [max(part.low, low), min(part.high, high), None]
        along += [row, row, None]
    figure.traces.append(
        {
            "type": "scatter",
            "x": ends,
            "y": along,
            "mode": "lines",
            "line": {"color": colour, "width": 2.5},
            "hoverinfo": "skip",
            "name": "ranges",
        }
    )
    figure.traces.append(
        {
            "type": "scatter",
            "x": [max(whole.low, low), min(whole.high, high)],
            "y": [rows, rows],
            "mode": "lines",
            "line": {"color": theme.LIGHT.ink, "width": 2.5},
            "hoverinfo": "skip",
            "name": "range of the whole",
        }
    )
    for name, is_sure in (("sure", True), ("may be nothing", False)):
        shown = [(row, p) for row, p in enumerate(found.parts) if sure(p) == is_sure]
        figure.traces.append(
            {
                "type": "scatter",
                "x": [p.ratio for _, p in shown],
                "y": [row for row, _ in shown],
                "mode": "markers",
                "marker": {
                    "symbol": "circle",
                    "size": 11,
                    "color": colour if is_sure else theme.LIGHT.paper,
                    "line": {"color": colour, "width": 2},
                    "opacity": 1,
                },
                "hovertext": [part_sentence(p, found.kind, number) for _, p in shown],
                "hoverinfo": "text",
                "name": name,
            }
        )
    figure.traces.append(
        {
            "type": "scatter",
            "x": [whole.ratio],
            "y": [rows],
            "mode": "markers",
            "marker": {"symbol": "diamond", "size": 13, "color": theme.LIGHT.ink, "opacity": 1},
            "hovertext": [
                f"{WHOLE}: {ratio(whole.ratio)} times the {found.kind} of before "
                f"({spanned(whole, 2)})."
            ],
            "hoverinfo": "text",
            "name": "whole",
        }
    )
    ones = {"color": theme.LIGHT.ink, "width": 1.5, "dash": "dot"}
    figure.rule("x", 1, line=ones, layer="below", name="no change")
    # The whole stands below a darker line, as a sum does.
    figure.shelves([*[theme.LIGHT.rule] * (rows - 1), theme.LIGHT.quiet])
    told = [f"{ratio(p.ratio, number)} ({spanned(p, number)})" for p in found.parts]
    told.append(f"<b>{ratio(whole.ratio)}</b> ({spanned(whole, 2)})")
    for row, text in enumerate(told):
        figure.beside(text, row, right=10)
    names = [PARTS_IN_WORDS[part.part][0] for part in found.parts]
    figure.update_layout(
        height=_HEAD + _ROW * (rows + 1) + _FOOT,
        margin={"l": _NAMES, "r": _NUMBERS, "t": _HEAD, "b": _FOOT},
        xaxis={
            **ratio_axis(low, high),
            **STROKES,
            "title": {"text": f"times the {found.kind} of before", "standoff": 6},
        },
        yaxis={
            "range": [rows + 0.5, -0.5],
            "tickvals": list(range(rows + 1)),
            "ticktext": [*names, f"<b>{WHOLE}</b>"],
            "tickfont": {"color": theme.LIGHT.ink, "size": 14},
            "ticklabelstandoff": 10,
            "showgrid": False,
        },
    )
    return figure.made()
