"""What does the air do by itself, and what is behind a change of the rate?

Both are ratios, so both are drawn on a log scale, where twice and half stand as far from 1. The
curve over humidity has a panel for each kind of fault and in it a line for each way to print, told
apart by its dash and by the name at its end; below them stands where the data lie. A change is a
row for each part of the log, with the whole at the bottom.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import plotly.graph_objects as go

from analysis.conditions import Conditions
from analysis.conditions_levels import OTHERS, TONER
from analysis.conditions_told import CurvePoint
from analysis.rate_change import REST, Change, Part
from analysis.words import two_digits
from dashboard import theme

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

#: What the two lines of a panel are called.
PAPERS = {OTHERS: "other paper", TONER: "toner-printed"}
_DASHES = {OTHERS: "solid", TONER: "6px,4px"}

#: Ratios that an axis may name, from few to many.
_TICKS = (
    (0.01, 0.1, 1, 10, 100),
    (0.1, 0.2, 0.5, 1, 2, 5, 10),
    (0.25, 0.5, 1, 2, 4),
    (0.5, 0.6, 0.8, 1, 1.2, 1.5, 2),
    (0.8, 0.9, 1, 1.1, 1.2),
)

# Heights and widths in pixels.
_PANEL, _GAP, _STRIP, _HEAD, _FOOT = 170, 34, 26, 26, 50
_ROW, _NAMES, _NUMBERS = 34, 132, 152
_APART, _OFF_THE_LINE = 17, 12


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
    return f"{ratio(part.low, number)} to {ratio(part.high, number)}"


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
    return theme.listed([f"{percent} % ({kind})" for kind, percent in at.items()])


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
        f"{found.stated_humidity_pct} % ({two_digits(point.low)} to {two_digits(point.high)}),<br>"
        f"all else the same; {theme.feeds(point.feeds)} feeds in such air."
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
    sheet = _Sheet()
    papers = [
        p for p in PAPERS if any(point.printed_by == p for c in found for point in c.humidity_curve)
    ]
    heights = [*[_PANEL] * len(found), *[_STRIP] * len(papers)]
    gaps = [*[_GAP] * len(found), *[6] * (len(papers) - 1)]
    height = sum(heights) + sum(gaps)
    low, high = _ends([p.ratio for c in found for p in c.humidity_curve])
    percents = [point.humidity_pct for c in found for point in c.humidity_curve]
    sheet.layout = {
        "height": _HEAD + height + _FOOT,
        "margin": {"l": 62, "r": 106, "t": _HEAD, "b": _FOOT},
        "xaxis": {
            "range": [min(percents) - 1, max(percents) + 1],
            "anchor": f"y{len(heights)}",
            "title": {"text": "relative humidity, %", "standoff": 6},
            "dtick": 10,
            "showgrid": False,
            "ticks": "outside",
            "ticklen": 4,
            "tickcolor": theme.LIGHT.quiet,
        },
    }
    top = 1.0
    for number, (tall, gap) in enumerate(zip(heights, [*gaps, 0], strict=True), 1):
        bottom = max(0.0, top - tall / height)
        place = {"domain": [bottom, top], "anchor": "x", "showline": False}
        if number <= len(found):
            _panel(sheet, found[number - 1], number, place, (low, high))
        else:
            _strip(sheet, found, papers[number - len(found) - 1], number, place)
        top = bottom - gap / height
    return sheet.figure()


@dataclass
class _Sheet:
    """What is drawn, gathered first: a figure that grows by pieces looks all over each time."""

    traces: list[dict[str, Any]] = field(default_factory=list)
    notes: list[dict[str, Any]] = field(default_factory=list)
    shapes: list[dict[str, Any]] = field(default_factory=list)
    layout: dict[str, Any] = field(default_factory=dict)

    def note(self, **note: Any) -> None:
        quiet = {"size": 13, "color": theme.LIGHT.quiet}
        self.notes.append({"showarrow": False, "font": quiet, **note})

    def figure(self) -> go.Figure:
        drawn = {"annotations": self.notes, "shapes": self.shapes, **self.layout}
        return go.Figure(self.traces, {"template": theme.template(), **drawn})


def _axis(number: int) -> str:
    return "y" if number == 1 else f"y{number}"


def _ends(ratios: Sequence[float]) -> tuple[float, float]:
    """Return the ends of a scale that holds some ratios, with room for their ranges."""
    return min(0.8, min(ratios) / 1.25), max(1.25, 1.3 * max(ratios))


def _ticks(low: float, high: float) -> dict[str, object]:
    """Return a log axis whose marks are ratios as one says them."""
    names = [[v for v in values if low <= v <= high] for values in _TICKS]
    values = next((found for found in names if len(found) >= 3), names[-1])
    return {
        "type": "log",
        "range": [math.log10(low), math.log10(high)],
        "tickvals": values,
        "ticktext": [f"{value:g}" for value in values],
    }


def _panel(
    sheet: _Sheet,
    found: Conditions,
    number: int,
    place: dict[str, Any],
    ends: tuple[float, float],
) -> None:
    y, kind = _axis(number), found.kind
    colour = theme.INK_OF_KIND[kind]
    sheet.layout[y.replace("y", "yaxis")] = {**place, **_ticks(*ends), "showgrid": True}
    sheet.note(
        text=f"<b>{kind}</b>, times those at {found.stated_humidity_pct} %",
        xref="paper",
        yref=f"{y} domain",
        x=0,
        y=1,
        xanchor="left",
        yanchor="bottom",
        yshift=5,
        font={"size": 14, "color": colour},
    )
    sheet.shapes.append(
        {
            "type": "line",
            "xref": "paper",
            "yref": y,
            "x0": 0,
            "x1": 1,
            "y0": 1,
            "y1": 1,
            "layer": "below",
            "line": {"color": theme.LIGHT.ink, "width": 1.5, "dash": "dot"},
            "name": f"at {found.stated_humidity_pct} %",
        }
    )
    last = {}
    for printed in PAPERS:
        points = [p for p in found.humidity_curve if p.printed_by == printed]
        if not points:
            continue
        last[printed] = points[-1]
        at = [p.humidity_pct for p in points]
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        sheet.traces += [
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
    _names_at_the_end(sheet, last, y, ends)


def _names_at_the_end(
    sheet: _Sheet, last: dict[str, CurvePoint], y: str, ends: tuple[float, float]
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
        sheet.note(
            text=PAPERS[printed],
            xref="paper",
            yref=y,
            x=1,
            # A note on a log axis stands at the logarithm.
            y=math.log10(point.ratio),
            yshift=shifts[printed],
            xanchor="left",
            xshift=4,
            font={"size": 13, "color": theme.LIGHT.ink},
            name=f"end, {printed}",
        )


def _strip(
    sheet: _Sheet, found: Sequence[Conditions], printed: str, number: int, place: dict[str, Any]
) -> None:
    """Draw how many feeds there were at each percent."""
    y = _axis(number)
    fed: dict[int, int] = {}
    for one in found:
        for point in one.humidity_curve:
            if point.printed_by == printed:
                fed[point.humidity_pct] = max(point.feeds, fed.get(point.humidity_pct, 0))
    name = PAPERS[printed]
    sheet.traces.append(
        {
            "type": "bar",
            "x": list(fed),
            "y": list(fed.values()),
            "width": 0.8,
            "marker": {"color": theme.LIGHT.quiet, "line": {"width": 0}},
            "hovertext": [
                f"Air of {percent} %, {name}: {theme.feeds(feeds)} feeds"
                for percent, feeds in fed.items()
            ],
            "hoverinfo": "text",
            "name": f"feeds, {printed}",
            "yaxis": y,
        }
    )
    sheet.layout[y.replace("y", "yaxis")] = {
        **place,
        "range": [0, max(fed.values(), default=1) or 1],
        "showticklabels": False,
        "showgrid": False,
    }
    sheet.note(
        text="feeds",
        xref="paper",
        yref=f"{y} domain",
        x=0,
        y=0,
        xanchor="right",
        yanchor="bottom",
        xshift=-8,
    )
    sheet.note(
        text=name,
        xref="paper",
        yref=f"{y} domain",
        x=1,
        y=0,
        xanchor="left",
        yanchor="bottom",
        xshift=4,
    )


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
    sheet = _Sheet()
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
    sheet.traces.append(
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
    sheet.traces.append(
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
        sheet.traces.append(
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
    sheet.traces.append(
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
    sheet.shapes = [
        {
            "type": "line",
            "xref": "x",
            "yref": "paper",
            "x0": 1,
            "x1": 1,
            "y0": 0,
            "y1": 1,
            "layer": "below",
            "line": {"color": theme.LIGHT.ink, "width": 1.5, "dash": "dot"},
            "name": "no change",
        }
    ]
    sheet.shapes += [
        {
            "type": "line",
            "xref": "paper",
            "yref": "y",
            "x0": 0,
            "x1": 1,
            "y0": row + 0.5,
            "y1": row + 0.5,
            "layer": "below",
            # The whole stands below a darker line, as a sum does.
            "line": {
                "color": theme.LIGHT.quiet if row == rows - 1 else theme.LIGHT.rule,
                "width": 1,
            },
        }
        for row in range(rows)
    ]
    told = [f"{ratio(p.ratio, number)} ({spanned(p, number)})" for p in found.parts]
    told.append(f"<b>{ratio(whole.ratio)}</b> ({spanned(whole, 2)})")
    for row, text in enumerate(told):
        sheet.note(
            text=text,
            xref="paper",
            yref="y",
            x=1,
            y=row,
            xanchor="left",
            xshift=10,
            font={"size": 13, "color": theme.LIGHT.ink},
        )
    names = [PARTS_IN_WORDS[part.part][0] for part in found.parts]
    sheet.layout = {
        "height": _ROW * (rows + 1) + 10 + _FOOT,
        "margin": {"l": _NAMES, "r": _NUMBERS, "t": 10, "b": _FOOT},
        "xaxis": {
            **_ticks(low, high),
            "showgrid": False,
            "ticks": "outside",
            "ticklen": 4,
            "tickcolor": theme.LIGHT.quiet,
            "title": {"text": f"times the {found.kind} of before", "standoff": 6},
        },
        "yaxis": {
            "range": [rows + 0.5, -0.5],
            "tickvals": list(range(rows + 1)),
            "ticktext": [*names, f"<b>{WHOLE}</b>"],
            "tickfont": {"color": theme.LIGHT.ink, "size": 14},
            "ticklabelstandoff": 10,
            "showgrid": False,
        },
    }
    return sheet.figure()
