"""Which bins fault more than their tower did at burn-in?

Each tower is drawn as the column of bins that it is: a post with a shelf for each bin, and on the
shelf the bin's rate with its range, over the range of the tower at burn-in. All towers share one
scale that starts at nought, so that lengths can be compared across them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from analysis.filters import Filters
from analysis.overview import Overview
from analysis.rates import Rate
from analysis.standing import BinStanding, TowerStanding
from analysis.words import PER, two_digits
from dashboard import theme
from dashboard.figures.gathered import INK, STROKES, Gathered, axis_key, numbered

#: Towers side by side; further ones go below.
TOWERS_ACROSS = 4

_EVERY = slice(None)

# Heights in pixels: a shelf, the tower's name above the shelves, the scale below them.
_SHELF, _HEAD, _FOOT = 36, 56, 52

_STANDING = {
    "above": "Worse than its burn-in",
    "below": "Better than its burn-in",
    "alike": "Not shown to differ from its burn-in",
    "too few feeds": "Too few feeds to tell it from its burn-in",
    "no burn-in": "Its tower has no burn-in in the log to compare with",
}


@dataclass(frozen=True)
class _Place:
    """Where a tower is drawn: plotly's number of its axes and its part of the sheet."""

    number: int
    left: float
    right: float
    bottom: float
    top: float

    def axis(self, letter: str) -> str:
        return numbered(letter, self.number)


def bounds(rate: Rate, plain: bool) -> tuple[float, float]:
    """Return the range to draw: allowing for clusters, or, plain, as if faults fall singly."""
    return (rate.low, rate.high) if plain else (rate.wide_low, rate.wide_high)


def in_order(tower: TowerStanding, by_evidence: bool) -> tuple[BinStanding, ...]:
    """Return a tower's bins from the top, or those with most faults beyond the others' first."""
    if not by_evidence:
        return tower.bins
    return tuple(sorted(tower.bins, key=lambda b: -b.above_expected))


def pointed_at(bin_: BinStanding) -> bool:
    """Tell whether a bin is to be looked at: worse than burn-in, or than the others."""
    return bin_.stands_out or bin_.standing == "above"


def times_of(bin_: BinStanding, tower: TowerStanding) -> str:
    """Say how a bin stands: ``3.1 times the others``, or its burn-in; empty where alike."""
    if bin_.stands_out and bin_.times_others is not None:
        return f"{two_digits(bin_.times_others)} times the others"
    if bin_.standing not in ("above", "below") or bin_.rate.rate is None:
        return ""
    if tower.burn_in is None or not tower.burn_in.rate:
        return f"{bin_.standing} burn-in"
    return f"{two_digits(bin_.rate.rate / tower.burn_in.rate)} times burn-in"


def scale_end(overview: Overview, plain: bool = False) -> float:
    """Return the rate at which the common scale ends.

    Ranges of bins with too few feeds may be many times as wide as all others; they do not stretch
    the scale, and run on beyond it.
    """
    told: list[float] = []
    weak: list[float] = []
    for tower in overview.towers:
        if tower.burn_in is not None and tower.burn_in.rate is not None:
            told.append(2 * tower.burn_in.rate)
        for bin_ in tower.bins:
            if bin_.rate.rate is None:
                continue
            if pointed_at(bin_) or bin_.standing in ("below", "alike"):
                told.append(bounds(bin_.rate, plain)[1])
            else:
                weak.append(bin_.rate.rate)
                # A range up to 1 is that of no evidence at all.
                weak.append(min(bounds(bin_.rate, plain)[1], 3 * bin_.rate.rate))
    end = max(told, default=0.0) or max(weak, default=0.0)
    return 1.04 * end if end else 1 / PER


def runs_on(overview: Overview, plain: bool = False) -> bool:
    """Tell whether a range goes on beyond the common scale."""
    end = scale_end(overview, plain)
    return any(
        bin_.rate.rate is not None and bounds(bin_.rate, plain)[1] > end
        for tower in overview.towers
        for bin_ in tower.bins
    )


def tower_columns(
    overview: Overview,
    *,
    plain: bool = False,
    by_evidence: bool = False,
    some: slice = _EVERY,
) -> go.Figure:
    """Draw every tower with its bins.

    Parameters
    ----------
    overview : Overview
        What is drawn.
    plain : bool
        Draw the range if faults fall singly, not the one that allows for clusters.
    by_evidence : bool
        Bins with most faults beyond the others' first, not in the order of the tower.
    some : slice
        Which of the towers, on the scale of all of them.

    Returns
    -------
    go.Figure
        For each tower a trace of ranges for each way to draw them, one of points, and one of
        arrows where a range goes on beyond the scale.
    """
    sheet = Gathered()
    end = scale_end(overview, plain)
    towers = overview.towers[some]
    places, height = _places([len(tower.bins) for tower in towers])
    for tower, place in zip(towers, places, strict=True):
        _draw(sheet, overview, tower, place, end, plain, by_evidence)
    sheet.update_layout(height=height, margin={"l": 34, "r": 8, "t": 0, "b": 0})
    return sheet.made()


def _places(bins: Sequence[int]) -> tuple[list[_Place], int]:
    """Share the sheet out among towers with so many bins each."""
    across = min(TOWERS_ACROSS, max(1, len(bins)))
    lines = [bins[i : i + across] for i in range(0, len(bins), across)]
    tall = [_HEAD + _SHELF * max(line) + _FOOT for line in lines]
    height = sum(tall) or _HEAD
    gap = 0.22 / across
    wide = (1 - gap * (across - 1)) / across
    places: list[_Place] = []
    used = 0
    for line, whole in zip(lines, tall, strict=True):
        for column, count in enumerate(line):
            top = used + _HEAD
            places.append(
                _Place(
                    len(places) + 1,
                    column * (wide + gap),
                    column * (wide + gap) + wide,
                    1 - (top + _SHELF * count) / height,
                    1 - top / height,
                )
            )
        used += whole
    return places, height


def _draw(
    sheet: Gathered,
    overview: Overview,
    tower: TowerStanding,
    place: _Place,
    end: float,
    plain: bool,
    by_evidence: bool,
) -> None:
    bins = in_order(tower, by_evidence)
    kind = overview.filters.kind
    x, y = place.axis("x"), place.axis("y")
    sheet.update_layout(
        {
            axis_key(x): {
                "domain": [place.left, place.right],
                "anchor": y,
                "range": [0, end * PER],
                "rangemode": "tozero",
                "nticks": 5,
                **STROKES,
                "title": {"text": f"{kind} per 10,000 feeds", "standoff": 6},
            },
            axis_key(y): {
                "domain": [place.bottom, place.top],
                "anchor": x,
                "range": [len(bins) - 0.5, -0.5],
                "tickvals": list(range(len(bins))),
                "ticktext": [str(bin_.bin) for bin_ in bins],
                "showgrid": False,
                "showline": True,
                "linewidth": 2,
                # Room for the mark of a bin without faults, which stands on the post.
                "ticklabelstandoff": 7,
                "tickfont": {"color": theme.LIGHT.ink},
            },
        }
    )
    _shelves(sheet, tower, place, end, plain)
    _heading(sheet, tower, place)
    strokes = {
        "above": (theme.LIGHT.warning, 3.5),
        "told": (theme.INK_OF_KIND[kind], 2.5),
        "weak": (theme.LIGHT.quiet, 1.5),
    }
    for way, (colour, width) in strokes.items():
        _ranges(sheet, bins, place, end, plain, way, colour, width)
    _points(sheet, tower, bins, place, end, plain, {w: c for w, (c, _) in strokes.items()})
    _words(sheet, overview.filters, tower, bins, place)


def _way(bin_: BinStanding) -> str:
    if pointed_at(bin_):
        return "above"
    return "told" if bin_.standing in ("below", "alike") else "weak"


def _shelves(sheet: Gathered, tower: TowerStanding, place: _Place, end: float, plain: bool) -> None:
    x, y = place.axis("x"), place.axis("y")
    if tower.burn_in is not None and tower.burn_in.rate is not None:
        low, high = bounds(tower.burn_in, plain)
        sheet.shapes.append(
            {
                "type": "rect",
                "xref": x,
                "yref": f"{y} domain",
                "y0": 0,
                "y1": 1,
                "layer": "below",
                "x0": min(low, end) * PER,
                "x1": min(high, end) * PER,
                "fillcolor": theme.LIGHT.band,
                "line": {"width": 0},
                "name": f"burn-in range {tower.tower}",
            }
        )
        if tower.burn_in.rate <= end:
            sheet.rule(
                x,
                tower.burn_in.rate * PER,
                over=f"{y} domain",
                line={"color": theme.LIGHT.ink, "width": 1.5, "dash": "dot"},
                layer="below",
                name=f"burn-in {tower.tower}",
            )
    sheet.shelves([theme.LIGHT.rule] * len(tower.bins), axis=y, over=f"{x} domain")


def _heading(sheet: Gathered, tower: TowerStanding, place: _Place) -> None:
    now = f"{theme.rate(tower.now.rate)} now"
    if tower.burn_in is None:
        told = f"{now}, no burn-in to compare"
    else:
        told = f"{now}, {theme.rate(tower.burn_in.rate)} at burn-in"
    at = {
        "xref": "paper",
        "yref": "paper",
        "x": place.left,
        "y": place.top,
        "xanchor": "left",
        "yanchor": "bottom",
    }
    sheet.note(f"<b>Tower {theme.label(tower.tower)}</b>", **at, font={"size": 15}, yshift=23)
    sheet.note(told, **at, yshift=5)


def _ranges(
    sheet: Gathered,
    bins: Sequence[BinStanding],
    place: _Place,
    end: float,
    plain: bool,
    way: str,
    colour: str,
    width: float,
) -> None:
    xs: list[float | None] = []
    ys: list[int | None] = []
    beyond: list[int] = []
    for row, bin_ in enumerate(bins):
        if bin_.rate.rate is None or _way(bin_) != way:
            continue
        low, high = bounds(bin_.rate, plain)
        xs += [min(low, end) * PER, min(high, end) * PER, None]
        ys += [row, row, None]
        if high > end:
            beyond.append(row)
    axes = {"xaxis": place.axis("x"), "yaxis": place.axis("y"), "hoverinfo": "skip"}
    if xs:
        line = {"color": colour, "width": width}
        named = {"name": f"range, {way}", **axes}
        sheet.add_scatter(x=xs, y=ys, mode="lines", line=line, **named)
    if beyond:
        sheet.add_scatter(
            x=[end * PER] * len(beyond),
            y=beyond,
            mode="markers",
            marker={"symbol": "triangle-right", "size": 11, "color": colour},
            cliponaxis=False,
            name=f"range goes on, {way}",
            **axes,
        )


def _points(
    sheet: Gathered,
    tower: TowerStanding,
    bins: Sequence[BinStanding],
    place: _Place,
    end: float,
    plain: bool,
    colours: dict[str, str],
) -> None:
    # A rate that is itself beyond the scale has an arrow and no point.
    shown = [
        (row, bin_)
        for row, bin_ in enumerate(bins)
        if bin_.rate.rate is not None and bin_.rate.rate <= end
    ]
    strokes = [colours[_way(bin_)] for _, bin_ in shown]
    fills = [
        theme.LIGHT.paper if _way(bin_) == "weak" else stroke
        for (_, bin_), stroke in zip(shown, strokes, strict=True)
    ]
    sheet.add_scatter(
        x=[(bin_.rate.rate or 0) * PER for _, bin_ in shown],
        y=[row for row, _ in shown],
        mode="markers",
        # Hollow ones are filled with paper, so that the range does not strike through them.
        marker={
            "size": 10,
            "color": fills,
            "line": {"color": strokes, "width": 1.8},
            "opacity": 1,
        },
        cliponaxis=False,
        customdata=[bin_.bin for _, bin_ in shown],
        hovertext=[bin_sentence(bin_, tower, plain) for _, bin_ in shown],
        hoverinfo="text",
        name=f"rate {tower.tower}",
        xaxis=place.axis("x"),
        yaxis=place.axis("y"),
    )


def bin_sentence(bin_: BinStanding, tower: TowerStanding, plain: bool) -> str:
    """Say a bin's rate and how it stands, in lines short enough for a label."""
    rate = bin_.rate
    standing = _STANDING[bin_.standing]
    if tower.burn_in is not None and tower.burn_in.rate is not None:
        at_burn_in = theme.span(*bounds(tower.burn_in, plain))
        standing += f", {theme.rate(tower.burn_in.rate)} ({at_burn_in})"
    if bin_.stands_out and bin_.times_others is not None:
        standing += f".<br>{two_digits(bin_.times_others)} times the other bins of its tower"
    return (
        f"Bin {bin_.bin} of tower {theme.label(bin_.tower)}: {theme.rate(rate.rate)} {rate.kind} "
        f"per 10,000 feeds ({theme.span(*bounds(rate, plain))}),<br>"
        f"{rate.count:,} in {theme.many_feeds(rate.feeds)}.<br>{standing}."
    )


def _words(
    sheet: Gathered,
    filters: Filters,
    tower: TowerStanding,
    bins: Sequence[BinStanding],
    place: _Place,
) -> None:
    asked = filters.values("bin")
    for row, bin_ in enumerate(bins):
        told = times_of(bin_, tower)
        if bin_.rate.rate is None:
            told = "left out" if asked and str(bin_.bin) not in asked else "nothing fed"
        if not told:
            continue
        at = {"xref": f"{place.axis('x')} domain", "yref": place.axis("y"), "y": row}
        if bin_.rate.rate is None:
            sheet.note(told, **at, x=0, xanchor="left", xshift=8, yanchor="middle")
            continue
        font = INK
        if pointed_at(bin_):
            told, font = f"<b>{told}</b>", {**INK, "color": theme.LIGHT.warning}
        sheet.note(told, **at, x=1, xanchor="right", yanchor="bottom", yshift=5, font=font)
