"""How do a part's faults go with its age?

Of one place: faults in bands of its part's age as points with their ranges, the rise that was
fitted to them with its band, the action limit, and how old the part is now.
"""

from __future__ import annotations

import math

import plotly.graph_objects as go

from analysis.parts import PartRow
from analysis.streams import expected_faults
from analysis.wear_by_age import AgeBand, WearByAge
from analysis.words import PER, one, two_digits
from dashboard import theme
from dashboard.figures.gathered import STROKES, Gathered

#: A point on fewer expected faults than this is drawn hollow and thin.
FEW_EXPECTED = 5.0

# Heights and widths in pixels.
_HEAD, _PANEL, _FOOT, _LEFT, _RIGHT = 56, 300, 58, 56, 96
# The scale ends so many times above the highest point, line or limit; a range may go beyond.
_ROOM = 1.35


def finding(wear: WearByAge, row: PartRow) -> str:
    """Say what the figure shows: ``1.5 times the doubles of a new brush by now (1.2 to 1.8)``."""
    name = f"{row.part[:1].upper()}{row.part[1:]} of {row.where}"
    if row.cannot_tell:
        return f"{name}: whether it wears cannot be told"
    if row.changed_on is not None:
        return f"{name}: more {row.kind} at once, about {theme.day(row.changed_on)}, not with age"
    if not row.wears or not math.isfinite(wear.times_now):
        return f"{name}: no rise of {row.kind} with its age shows"
    return (
        f"{name}: by now {two_digits(wear.times_now)} times the {row.kind} of a new one "
        f"({two_digits(wear.times_low)} to {two_digits(wear.times_high)})"
    )


def rises(row: PartRow) -> bool:
    """Tell whether a rise with age is drawn: not where it cannot be told, nor came at once."""
    return not row.cannot_tell and row.changed_on is None


def rate_by_age(wear: WearByAge, row: PartRow) -> go.Figure:
    """Draw the faults of one place against the age of its part.

    Parameters
    ----------
    wear : WearByAge
        What is drawn.
    row : PartRow
        The same part as the list has it.

    Returns
    -------
    go.Figure
        Traces ``rise's range`` and ``rise`` where one is drawn, ``ranges, few`` and ``ranges``,
        ``beyond`` where a range goes beyond the scale, ``bands``, and ``limit passed``; shapes
        ``limit`` and ``now``. Rates per 10,000 feeds where the usual one is known, else multiples
        of what is expected.
    """
    known = math.isfinite(wear.usual) and wear.usual > 0
    scale = wear.usual * PER if known else 1.0
    what = "per 10,000 feeds, on the paper and in the air of late" if known else "times expected"
    figure = Gathered()
    top = _top(wear, row) * scale
    end = max([row.age_feeds or 0.0, *wear.ages.tolist(), *(band.last for band in wear.bands)])
    end = end or 1.0
    if rises(row):
        _rise(figure, wear, row, scale)
    _points(figure, wear, scale, top)
    figure.title(f"<b>{wear.kind}</b> {what}", left=_LEFT - 4, up=_HEAD - 24)
    if math.isfinite(wear.limit):
        _limit(figure, wear, row, scale, end)
    if row.age_feeds is not None:
        _now(figure, row, end)
    values, names = _ticks(end)
    figure.update_layout(
        xaxis={
            "range": [0, end * 1.02],
            "tickvals": values,
            "ticktext": names,
            **STROKES,
            "title": {"text": f"age of the {theme.label(row.part)}, {wear.unit}", "standoff": 8},
        },
        yaxis={"range": [0, top], "nticks": 6, "showline": False, "tickformat": ",~g"},
        height=_HEAD + _PANEL + _FOOT,
        margin={"l": _LEFT, "r": _RIGHT, "t": _HEAD, "b": _FOOT},
    )
    return figure.made()


def _top(wear: WearByAge, row: PartRow) -> float:
    """Return the end of the scale, as a multiple of what is expected."""
    seen = [band.ratio for band in wear.bands]
    if rises(row):
        seen += wear.fitted.tolist()
    if math.isfinite(wear.limit):
        seen.append(wear.limit)
    return _ROOM * max([*seen, 0.5])


def _rise(figure: Gathered, wear: WearByAge, row: PartRow, scale: float) -> None:
    ages = wear.ages.tolist()
    low, best, high = (
        [round(value * scale, 5) for value in values.tolist()]
        for values in (wear.low, wear.fitted, wear.high)
    )
    figure.add_scatter(
        x=[*ages, *reversed(ages)],
        y=[*high, *reversed(low)],
        mode="lines",
        fill="toself",
        fillcolor=theme.LIGHT.band,
        line={"width": 0, "color": theme.LIGHT.band},
        hoverinfo="skip",
        name="rise's range",
    )
    unit = f"{row.kind} in 10,000 feeds" if scale != 1.0 else f"times the {row.kind} expected"
    seen = max([row.age_feeds or 0.0, *(band.last for band in wear.bands)])
    so_far = [i for i, age in enumerate(ages) if age <= seen]
    ahead = [*so_far[-1:], *range(len(so_far), len(ages))]
    for dash, kept in (("solid", so_far), ("dot", ahead)):
        if len(kept) < 2:
            continue
        figure.add_scatter(
            x=[ages[i] for i in kept],
            y=[best[i] for i in kept],
            mode="lines",
            line={"color": theme.INK_OF_KIND[row.kind], "width": 2.5, "dash": dash},
            hovertext=[
                f"At {_feeds(ages[i])} {wear.unit}: about {two_digits(best[i])} {unit}"
                f"<br>({two_digits(low[i])} to {two_digits(high[i])})."
                for i in kept
            ],
            hoverinfo="text",
            name="rise" if dash == "solid" else "rise to come",
        )


def _points(figure: Gathered, wear: WearByAge, scale: float, top: float) -> None:
    colour = theme.INK_OF_KIND[wear.kind]
    for few in (True, False):
        bands = [band for band in wear.bands if (band.expected < FEW_EXPECTED) == few]
        xs: list[float | None] = []
        ys: list[float | None] = []
        for band in bands:
            xs += [_middle(band), _middle(band), None]
            ys += [band.low * scale, min(band.high * scale, top), None]
        if bands:
            figure.add_scatter(
                x=xs,
                y=ys,
                mode="lines",
                line={"color": theme.LIGHT.quiet if few else colour, "width": 1.2 if few else 2},
                hoverinfo="skip",
                name="ranges, few" if few else "ranges",
            )
    beyond = [band for band in wear.bands if band.high * scale > top]
    if beyond:
        figure.add_scatter(
            x=[_middle(band) for band in beyond],
            y=[top] * len(beyond),
            mode="markers",
            marker={"symbol": "triangle-up", "size": 8, "color": theme.LIGHT.quiet},
            cliponaxis=False,
            hoverinfo="skip",
            name="beyond",
        )
    if wear.bands:
        few_of = [band.expected < FEW_EXPECTED for band in wear.bands]
        figure.add_scatter(
            x=[_middle(band) for band in wear.bands],
            y=[round(band.ratio * scale, 5) for band in wear.bands],
            mode="markers",
            marker={
                "size": 10,
                "color": [theme.LIGHT.paper if few else colour for few in few_of],
                "line": {
                    "color": [theme.LIGHT.quiet if few else colour for few in few_of],
                    "width": 1.8,
                },
            },
            cliponaxis=False,
            hovertext=[_band_sentence(wear, band, scale) for band in wear.bands],
            hoverinfo="text",
            name="bands",
        )


def _band_sentence(wear: WearByAge, band: AgeBand, scale: float) -> str:
    told = (
        f"{_feeds(band.first)} to {_feeds(band.last)} {wear.unit} old: {band.count:,} "
        f"{one(wear.kind, band.count)}<br>where {expected_faults(band.expected)} expected in "
        f"{theme.many_feeds(band.feeds)}:<br>{two_digits(band.ratio)} times "
        f"({two_digits(band.low)} to {two_digits(band.high)})"
    )
    if scale != 1.0:
        told += f", which is {two_digits(band.ratio * scale)} in 10,000 of late"
    return f"{told}."


def _limit(figure: Gathered, wear: WearByAge, row: PartRow, scale: float, end: float) -> None:
    at = wear.limit * scale
    line = {"color": theme.LIGHT.warning, "width": 1.5, "dash": "dash"}
    figure.rule("y", at, line=line, name="limit")
    figure.beside(
        f"limit {two_digits(at)}",
        at,
        font={"size": 14, "color": theme.LIGHT.warning},
        name="limit",
    )
    age = wear.limit_age
    if age is None or not row.wears or not age.best <= end:
        return
    until = "never" if math.isinf(age.high) else _feeds(age.high)
    figure.add_scatter(
        x=[age.low, min(age.high, end * 1.02), None, age.best],
        y=[at, at, None, at],
        mode="lines+markers",
        line={"color": theme.LIGHT.warning, "width": 4},
        marker={
            "symbol": "diamond",
            "size": [0, 0, 0, 11],
            # Marks of several sizes are drawn half clear otherwise.
            "opacity": 1,
            "color": theme.LIGHT.warning,
            "line": {"width": 0},
        },
        hovertext=[
            f"The limit is passed at an age of about {_feeds(age.best)} {wear.unit}"
            f"<br>({_feeds(age.low)} to {until})."
        ]
        * 4,
        hoverinfo="text",
        name="limit passed",
    )


def _now(figure: Gathered, row: PartRow, end: float) -> None:
    assert row.age_feeds is not None
    line = {"color": theme.LIGHT.ink, "width": 1.5}
    figure.rule("x", row.age_feeds, ends=(0, 1 + 8 / _PANEL), line=line, name="now")
    left = row.age_feeds > 0.7 * end
    figure.note(
        f"now: {_feeds(row.age_feeds)} {row.unit}",
        xref="x",
        yref="paper",
        x=row.age_feeds,
        y=1,
        xanchor="right" if left else "left",
        yanchor="bottom",
        xshift=3 if left else -3,
        yshift=8,
        font={"size": 14, "color": theme.LIGHT.ink},
        name="now",
    )


def _ticks(end: float) -> tuple[list[float], list[str]]:
    ten = 10.0 ** math.floor(math.log10(end / 5))
    step = next(s * ten for s in (1.0, 2.0, 2.5, 5.0, 10.0) if s * ten >= end / 6)
    values = [i * step for i in range(math.floor(end * 1.02 / step) + 1)]
    return values, [_feeds(value) for value in values]


def _feeds(number: float) -> str:
    """Write an age: ``0``, ``250,000``, ``1.5 million``."""
    if number < 999_500:
        return f"{float(f'{number:.3g}'):,.0f}"
    return f"{number / 1e6:.3g} million"


def _middle(band: AgeBand) -> float:
    return 0.5 * (band.first + band.last)
