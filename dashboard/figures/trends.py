"""When do misses and doubles come, on which stock, in which air, at which setting?

Each kind of fault has a panel of its own with its own mark, a hollow ring for a miss and a double
tick for a double, so that two ranges never lie on each other; all panels of a figure share one
scale that starts at nought. Beside or below them stands where the data lie.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from analysis.rates import Rate
from analysis.trends import NOT_LOGGED, Group, Mark, Split, Trends, band_words
from analysis.words import PER
from dashboard import theme
from dashboard.figures.gathered import Gathered
from dashboard.figures.overview import bounds

#: More marks on a time axis than this are put together by day, by week or by month.
MOST_MARKS = 40

_LONGEST_NAME = 18

# Heights in pixels, of the figure over time: what stands above and below, a panel, the gap between
# panels, a row of marks, the feeds.
_HEAD, _FOOT, _PANEL, _GAP, _MARKS, _FEEDS = 30, 46, 150, 38, 26, 40
# And of the others.
_ROW, _ROWS_HEAD, _ROWS_FOOT = 30, 26, 50

# Where the names of panels and rows stand.
_LEFT = 104
# What a name beside a mark is taken to need, so that none is written over the next one.
_WIDTH_OF_LETTER, _LEAST_WIDTH = 7.2, 800


@dataclass(frozen=True)
class Done:
    """What was done in a day, a week or a month.

    Attributes
    ----------
    at : datetime
        Where the mark stands.
    name : str
        The time in words.
    marks : tuple of Mark
        What it stands for, in order.
    told : tuple of str
        The same in words, a line for each kind of act.
    """

    at: dt.datetime
    name: str
    marks: tuple[Mark, ...]
    told: tuple[str, ...]


@dataclass(frozen=True)
class DoneRow:
    """Services, or settings moved, as they stand on the time axis.

    Attributes
    ----------
    moved : bool
        Whether settings were moved; otherwise they are services.
    unit : str
        What one mark stands for: ``day``, ``week`` or ``month``.
    marks : tuple of Done
        In order.
    """

    moved: bool
    unit: str
    marks: tuple[Done, ...]


def kinds_shown(trends: Trends) -> tuple[str, ...]:
    """Return the kinds of fault that have a panel: both, unless one was asked for."""
    kind = trends.filters.kind
    return ("misses", "doubles") if kind == "faults" else (kind,)


def groups_shown(trends: Trends, split: Split) -> tuple[Group, ...]:
    """Return the groups that have a row: those with feeds or faults."""
    return tuple(
        group
        for group in split.groups
        if any(group.rates[kind].feeds or group.rates[kind].count for kind in kinds_shown(trends))
    )


def span_of(unit: str, name: str) -> tuple[dt.datetime, dt.datetime]:
    """Return the first moment of a day, a week or a month, and of the next."""
    if unit == "day":
        first = dt.datetime.fromisoformat(name)
        return first, first + dt.timedelta(days=1)
    if unit == "week":
        year, week = name.split("-W")
        first = dt.datetime.fromisocalendar(int(year), int(week), 1)
        return first, first + dt.timedelta(days=7)
    first = dt.datetime.fromisoformat(f"{name}-01")
    return first, (first + dt.timedelta(days=31)).replace(day=1)


def group_name(column: str, name: str | None) -> str:
    """Name a group in a row or a table: ``April 2031``, ``30 to 39 %``, ``BO90``."""
    if name is None or name == NOT_LOGGED:
        return NOT_LOGGED
    if column in ("day", "week", "month"):
        first, _ = span_of(column, name)
        if column == "month":
            return theme.month(first)
        return theme.day(first) if column == "day" else f"week of {theme.day(first)}"
    if column == "humidity_band":
        return band_words(name).replace(" relative humidity", "")
    return name


def in_unit(name: str, unit: str) -> str:
    """Name a level of a setting with its unit where it is a number: ``5 kPa``, but ``off``."""
    return f"{name} {unit}" if unit and re.fullmatch(r"[+-]?\d+([.,]\d+)?", name) else name


def heading(split: Split) -> str:
    """Name what a split is by, with its unit if it has one: ``stock``, ``vacuum (kPa)``."""
    return f"{theme.called(split.column)}{f' ({split.unit})' if split.unit else ''}"


def group_in_words(column: str, name: str | None, unit: str = "") -> str:
    """Name a group at the beginning of a sentence: ``Stock BO90``, ``Vacuum 5 kPa``."""
    if column in ("day", "week", "month"):
        told = group_name(column, name)
    elif column == "humidity_band":
        band = NOT_LOGGED if name is None else name
        told = band_words(band) if band == NOT_LOGGED else f"air of {band_words(band)}"
    else:
        told = f"{theme.called(column)} {in_unit(group_name(column, name), unit)}"
    return f"{told[:1].upper()}{told[1:]}"


def sentence(
    trends: Trends,
    split: Split,
    group: Group,
    kind: str,
    plain: bool = False,
    adjusted: Collection[str] = (),
) -> str:
    """Say a group's rate, in lines short enough for a label."""
    rate, whole = group.rates[kind], trends.total[kind]
    name = theme.label(group_in_words(split.column, group.name, split.unit))
    # What was counted is as it was, whatever the rate was adjusted for.
    same, logged = (", all else the same", "logged were ") if kind in adjusted else ("", "")
    told = (
        f"{name}{same}: {theme.rate(rate.rate)} {kind} per 10,000 feeds "
        f"({theme.span(*bounds(rate, plain))}),<br>{logged}{rate.count:,} in "
        f"{theme.feeds(rate.feeds)} feeds and {theme.counted(rate.runs, 'run')}."
    )
    if trends.few_feeds(rate):
        told += "<br>Few feeds: go by the range."
    both = group.rates["faults"]
    if trends.filters.kind == "faults" and both.rate is not None:
        span = theme.span(*bounds(both, plain))
        told += f"<br>Both kinds together: {theme.rate(both.rate)} ({span})."
    on_all = f"{theme.rate(whole.rate)} ({theme.span(*bounds(whole, plain))})"
    return f"{told}<br>On all: {on_all}."


def scale_end(trends: Trends, split: Split, plain: bool = False) -> float:
    """Return the rate at which all panels of a split end.

    Ranges on few feeds do not stretch the scale and run on beyond it, unless most of them are so.
    """
    told: list[float] = []
    weak: list[float] = []
    least = 0.0
    for kind in kinds_shown(trends):
        whole = trends.total[kind].rate or 0.0
        least = max(least, 1.5 * whole)
        for group in split.groups:
            rate = group.rates[kind]
            if rate.rate is None:
                continue
            if trends.few_feeds(rate):
                # A range up to 1 is that of no evidence at all.
                weak.append(min(bounds(rate, plain)[1], max(1.5 * rate.rate, 3 * whole)))
            else:
                told.append(bounds(rate, plain)[1])
    shown = told if len(told) >= len(weak) else [*told, *weak]
    end = max(least, max(shown, default=0.0))
    return 1.04 * end if end else 1 / PER


def runs_on(trends: Trends, split: Split, plain: bool = False) -> bool:
    """Tell whether a range goes on beyond the scale."""
    end = scale_end(trends, split, plain)
    return any(
        group.rates[kind].rate is not None and bounds(group.rates[kind], plain)[1] > end
        for group in split.groups
        for kind in kinds_shown(trends)
    )


def over_time(trends: Trends, *, plain: bool = False, adjusted: Collection[str] = ()) -> go.Figure:
    """Draw the rates of each day, week or month, what was done, and the feeds.

    Parameters
    ----------
    trends : Trends
        What is drawn.
    plain : bool
        Draw the range if faults fall singly, not the one that allows for clusters.
    adjusted : collection of str
        Kinds of fault whose rates are those with all else the same.

    Returns
    -------
    go.Figure
        For each kind of fault a trace of ranges for each way to draw them and one of points; one
        for each row of marks; one of feeds.
    """
    figure = Gathered()
    kinds, split = kinds_shown(trends), trends.over_time
    done = done_rows(trends.marks)
    heights = [*[_PANEL] * len(kinds), *([_MARKS * len(done)] if done else []), _FEEDS]
    height = sum(heights) + _GAP * (len(heights) - 1)
    spots = _Spots(split, trends)
    axes: dict[str, object] = {
        "xaxis": {
            "range": [spots.first.isoformat(), spots.last.isoformat()],
            "type": "date",
            "anchor": f"y{len(heights)}" if len(heights) > 1 else "y",
            "showgrid": False,
            "ticks": "outside",
            "ticklen": 4,
            "tickcolor": theme.LIGHT.quiet,
            **_ticks(split.column, spots.last - spots.first),
        }
    }
    top = 1.0
    for number, tall in enumerate(heights, 1):
        bottom = max(0.0, top - tall / height)
        axes[f"yaxis{'' if number == 1 else number}"] = {"domain": [bottom, top], "anchor": "x"}
        top = bottom - _GAP / height
    figure.update_layout(axes)
    end = scale_end(trends, split, plain)
    for number, kind in enumerate(kinds, 1):
        _panel_over_time(figure, trends, kind, number, spots, end, plain, adjusted)
    if done:
        _done(figure, done, len(kinds) + 1, spots)
    _feeds_over_time(figure, trends, len(heights), spots)
    figure.update_layout(
        height=_HEAD + height + _FOOT, margin={"l": _LEFT, "r": 62, "t": _HEAD, "b": _FOOT}
    )
    return figure.made()


def _ticks(unit: str, period: dt.timedelta) -> dict[str, object]:
    """Return how a time axis is labelled; the name of a month or a day stands in its middle."""
    in_the_middle: dict[str, object] = {"ticklabelmode": "period"}
    if unit == "month":
        often = {"dtick": "M1"} if period <= dt.timedelta(days=550) else {}
        return {"tickformat": "%b\n%Y", **in_the_middle, **often}
    if unit == "day" and period <= dt.timedelta(days=14):
        in_the_middle["dtick"] = dt.timedelta(days=1) / dt.timedelta(milliseconds=1)
        return {"tickformat": "%-d %b\n%Y", **in_the_middle}
    return {"tickformat": "%-d %b\n%Y"}


class _Spots:
    """Where the groups of a split over time stand on its axis."""

    def __init__(self, split: Split, trends: Trends) -> None:
        self.unit = split.column
        spans = [span_of(self.unit, g.name) for g in split.groups if g.name is not None]
        since, until = trends.filters.since, trends.filters.until
        self.first = since or min((first for first, _ in spans), default=dt.datetime(2000, 1, 1))
        self.last = until or max((last for _, last in spans), default=dt.datetime(2000, 1, 2))

    def span(self, group: Group) -> tuple[dt.datetime, dt.datetime]:
        """Return that part of a group's time which lies in the period."""
        assert group.name is not None
        first, last = span_of(self.unit, group.name)
        return max(first, self.first), min(last, self.last)

    def middle(self, group: Group) -> str:
        first, last = self.span(group)
        return (first + (last - first) / 2).isoformat(timespec="minutes")


def _panel_over_time(
    figure: Gathered,
    trends: Trends,
    kind: str,
    number: int,
    spots: _Spots,
    end: float,
    plain: bool,
    adjusted: Collection[str],
) -> None:
    y = "y" if number == 1 else f"y{number}"
    split = trends.over_time
    shown = [g for g in split.groups if g.name is not None and g.rates[kind].rate is not None]
    figure.update_layout(
        {
            y.replace("y", "yaxis"): {
                "range": [0, end * PER],
                "nticks": 5,
                "rangemode": "tozero",
                "showline": False,
            }
        }
    )
    _add_note(
        figure,
        text=f"<b>{kind}</b> per 10,000 feeds",
        xref="paper",
        yref=f"{y} domain",
        x=0,
        y=1,
        xanchor="left",
        yanchor="bottom",
        yshift=6,
        font={"size": 14, "color": theme.INK_OF_KIND[kind]},
    )
    whole = trends.total[kind].rate
    if whole is not None:
        _add_whole(figure, whole, kind, y, across=True)
    if not shown:
        _add_note(
            figure,
            text=f"nothing watched for {kind} here",
            xref="paper",
            yref=f"{y} domain",
            x=0,
            y=0.5,
            xanchor="left",
            xshift=8,
        )
    points = [
        _Point(
            spots.middle(group),
            group.rates[kind],
            trends.few_feeds(group.rates[kind]),
            sentence(trends, split, group, kind, plain, adjusted),
            group.name or "",
        )
        for group in shown
    ]
    _draw_rates(figure, points, kind, "x", y, end, plain, upright=True)


@dataclass(frozen=True)
class _Point:
    """A rate and where it stands along its panel."""

    at: str | int
    rate: Rate
    few: bool
    sentence: str
    name: str


def _draw_rates(
    figure: Gathered,
    points: Sequence[_Point],
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


def _add_whole(figure: Gathered, whole: float, kind: str, axis: str, *, across: bool) -> None:
    """Draw the rate on all as a dotted line, with the number at its end."""
    along, over = ("x", "y") if across else ("y", "x")
    figure.shapes.append(
        {
            "type": "line",
            f"{along}ref": "paper" if across else "y domain",
            f"{over}ref": axis,
            f"{along}0": 0,
            f"{along}1": 1,
            f"{over}0": whole * PER,
            f"{over}1": whole * PER,
            "layer": "below",
            "line": {"color": theme.LIGHT.ink, "width": 1.5, "dash": "dot"},
            "name": f"on all, {kind}",
        }
    )
    if across:
        _add_note(
            figure,
            text=f"all: {theme.rate(whole)}",
            xref="paper",
            yref=axis,
            x=1,
            y=whole * PER,
            xanchor="left",
            xshift=6,
            font={"size": 13, "color": theme.LIGHT.ink},
        )


def _add_note(figure: Gathered, **note: object) -> None:
    quiet = {"size": 13, "color": theme.LIGHT.quiet}
    figure.notes.append({"showarrow": False, "font": quiet, **note})


def _feeds_over_time(figure: Gathered, trends: Trends, number: int, spots: _Spots) -> None:
    y = f"y{number}"
    groups = [g for g in groups_shown(trends, trends.over_time) if g.name is not None]
    fed = [max(g.rates[kind].feeds for kind in kinds_shown(trends)) for g in groups]
    widths = []
    for group in groups:
        first, last = spots.span(group)
        widths.append((last - first) / dt.timedelta(milliseconds=1) * 0.8)
    figure.add_bar(
        x=[spots.middle(group) for group in groups],
        y=fed,
        width=widths,
        marker={"color": theme.LIGHT.band, "line": {"color": theme.LIGHT.quiet, "width": 1}},
        hovertext=[
            f"{group_in_words(spots.unit, g.name)}: {theme.feeds(n)} feeds"
            for g, n in zip(groups, fed, strict=True)
        ],
        hoverinfo="text",
        name="feeds",
        xaxis="x",
        yaxis=y,
    )
    most = max(fed, default=0)
    figure.update_layout(
        {
            y.replace("y", "yaxis"): {
                "range": [0, max(most, 1) * 1.05],
                "tickvals": [most] if most else [],
                "ticktext": [theme.feeds(most)],
                "showgrid": False,
            }
        }
    )
    _add_note(
        figure,
        text="<b>feeds</b>",
        xref="paper",
        yref=f"{y} domain",
        x=0,
        y=1,
        xanchor="left",
        yanchor="bottom",
        yshift=4,
        font={"size": 14, "color": theme.LIGHT.quiet},
    )


def done_rows(marks: Iterable[Mark]) -> tuple[DoneRow, ...]:
    """Put what was done into rows of marks: services, and settings moved.

    What was done on one day is one mark. Where more than `MOST_MARKS` are left, a mark stands for
    a week, or for a month.
    """
    marks = tuple(marks)
    rows = []
    for moved in (False, True):
        own = [mark for mark in marks if mark.moved == moved]
        if not own:
            continue
        for unit in ("day", "week", "month"):
            gathered: dict[str, list[Mark]] = {}
            for mark in own:
                gathered.setdefault(_unit_name(unit, mark.when), []).append(mark)
            if len(gathered) <= MOST_MARKS:
                break
        done = [_made(unit, name, found, moved) for name, found in gathered.items()]
        rows.append(DoneRow(moved, unit, tuple(done)))
    return tuple(rows)


def _unit_name(unit: str, when: dt.datetime) -> str:
    if unit == "day":
        return when.date().isoformat()
    if unit == "week":
        year, week, _ = when.isocalendar()
        return f"{year:04d}-W{week:02d}"
    return f"{when:%Y-%m}"


def _made(unit: str, name: str, marks: Sequence[Mark], moved: bool) -> Done:
    first, last = span_of(unit, name)
    at = marks[0].when if unit == "day" else first + (last - first) / 2
    told: list[str] = []
    if unit == "day":
        acts: dict[tuple[str, str], list[int | None]] = {}
        for mark in marks:
            acts.setdefault((mark.tower, mark.what), []).append(mark.bin)
        told = [f"{what}, {place(tower, bins)}" for (tower, what), bins in acts.items()]
    elif moved:
        told = [theme.counted(len(marks), "setting moved", "settings moved")]
    else:
        counts = Counter(mark.what for mark in marks)
        told = [f"{what}: {theme.counted(number, 'time')}" for what, number in counts.items()]
    return Done(at, group_name(unit, name), tuple(marks), tuple(told))


def place(tower: str, bins: Sequence[int | None]) -> str:
    """Name a tower and bins of it: ``tower C, bins 1 to 10``."""
    numbers = sorted({number for number in bins if number is not None})
    if not numbers:
        return f"tower {tower}"
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts = [
        part
        for run in runs
        for part in ([f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(n) for n in run])
    ]
    return f"tower {tower}, {'bin' if len(numbers) == 1 else 'bins'} {theme.listed(parts)}"


def _done(figure: Gathered, rows: Sequence[DoneRow], number: int, spots: _Spots) -> None:
    y = f"y{number}"
    shapes: list[dict[str, object]] = []
    for level, row in enumerate(rows):
        figure.add_scatter(
            x=[done.at.isoformat(timespec="minutes") for done in row.marks],
            y=[level] * len(row.marks),
            mode="markers",
            marker={
                "symbol": "diamond-open" if row.moved else "triangle-up",
                "size": 10,
                "color": theme.LIGHT.ink,
                "line": {"color": theme.LIGHT.ink, "width": 1.5},
            },
            cliponaxis=False,
            hovertext=[_done_sentence(done) for done in row.marks],
            hoverinfo="text",
            name="settings moved" if row.moved else "services",
            xaxis="x",
            yaxis=y,
        )
        shapes += [
            {
                "type": "line",
                "xref": "x",
                "yref": "paper",
                "x0": done.at.isoformat(timespec="minutes"),
                "x1": done.at.isoformat(timespec="minutes"),
                "y0": figure.layout[y.replace("y", "yaxis")]["domain"][0],
                "y1": figure.layout["yaxis"]["domain"][1],
                "layer": "below",
                "line": {"color": theme.LIGHT.rule, "width": 1},
                "name": "done",
            }
            # A mark of a week or a month is at no one moment.
            for done in (row.marks if row.unit == "day" else ())
        ]
        for done, name, left in _named(row, spots):
            _add_note(
                figure,
                text=theme.label(name),
                xref="x",
                yref=y,
                x=done.at.isoformat(timespec="minutes"),
                y=level,
                xanchor="right" if left else "left",
                xshift=-9 if left else 9,
            )
    figure.shapes += shapes
    figure.update_layout(
        {
            y.replace("y", "yaxis"): {
                "range": [len(rows) - 0.5, -0.5],
                "tickvals": list(range(len(rows))),
                "ticktext": ["settings moved" if row.moved else "services" for row in rows],
                "ticklabelstandoff": 8,
                "showgrid": False,
            }
        }
    )


def _done_sentence(done: Done) -> str:
    lines = [theme.label(line) for line in done.told]
    if len(lines) > 8:
        lines = [*lines[:7], f"and {len(lines) - 7} more"]
    return f"{done.name}: " + ",<br>".join(lines)


def _named(row: DoneRow, spots: _Spots) -> list[tuple[Done, str, bool]]:
    """Return the marks that have room for a name, the name, and whether it stands to the left."""
    if row.unit != "day":
        return []
    whole = spots.last - spots.first
    places = [(done.at - spots.first) / whole * _LEAST_WIDTH for done in row.marks]
    towers = {mark.tower for done in row.marks for mark in done.marks}
    named = []
    taken = 0.0
    for index, done in enumerate(row.marks):
        if len(done.told) != 1:
            continue
        name = done.told[0]
        if len(towers) == 1:
            name = name.replace(f", tower {done.marks[0].tower}", "", 1)
        wide = len(name) * _WIDTH_OF_LETTER + 18
        following = places[index + 1] - 8 if index + 1 < len(places) else _LEAST_WIDTH + 40
        before = max(taken, places[index - 1] + 8 if index else 0.0)
        if places[index] + wide <= following:
            named.append((done, name, False))
            taken = places[index] + wide
        elif places[index] - wide >= before:
            named.append((done, name, True))
    return named


def by_group(
    trends: Trends, split: Split, *, plain: bool = False, adjusted: Collection[str] = ()
) -> go.Figure:
    """Draw the rates of stocks, humidity bands or levels of a setting, one below the other.

    Parameters
    ----------
    trends : Trends
        What the split is of.
    split : Split
        What is drawn.
    plain : bool
        Draw the range if faults fall singly, not the one that allows for clusters.
    adjusted : collection of str
        Kinds of fault whose rates are those with all else the same.

    Returns
    -------
    go.Figure
        For each kind of fault the traces of `over_time`, lying; and one of the share of feeds.
    """
    figure = Gathered()
    kinds, groups = kinds_shown(trends), groups_shown(trends, split)
    end = scale_end(trends, split, plain)
    names = [_short(group_name(split.column, group.name)) for group in groups]
    figure.update_layout(
        yaxis={
            "range": [len(groups) - 0.5, -0.5],
            "tickvals": list(range(len(groups))),
            "ticktext": [theme.label(name) for name in names],
            "showgrid": False,
            "tickfont": {"color": theme.LIGHT.ink, "size": 14},
            # Room for the mark of a group without faults, which stands on the line.
            "ticklabelstandoff": 12,
            "anchor": "x",
        },
        height=_ROWS_HEAD + _ROW * len(groups) + _ROWS_FOOT,
        margin={
            "l": 26 + 8 * max((len(name) for name in (*names, _short(split.unit))), default=4),
            "r": 46,
            "t": _ROWS_HEAD,
            "b": _ROWS_FOOT,
        },
    )
    _rules(figure, groups)
    if split.unit:
        # Above the levels, which stand without it.
        _add_note(
            figure,
            text=theme.label(_short(split.unit)),
            xref="paper",
            yref="y domain",
            x=0,
            y=1,
            xanchor="right",
            xshift=-12,
            yanchor="bottom",
            yshift=5,
            name="unit",
        )
    gap, feeds_wide = 0.05, 0.2
    wide = (1 - feeds_wide - gap * len(kinds)) / len(kinds)
    for number, kind in enumerate(kinds):
        left = number * (wide + gap)
        across = left, left + wide
        _panel_of_groups(figure, trends, split, kind, number + 1, across, end, plain, adjusted)
    _feeds_of_groups(figure, trends, split, len(kinds) + 1, (1 - feeds_wide, 1))
    return figure.made()


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"


def _rules(figure: Gathered, groups: Sequence[Group]) -> None:
    """Draw the shelves; what was not logged stands below a darker one."""
    shapes = []
    for row in range(len(groups)):
        following = groups[row + 1].name if row + 1 < len(groups) else ""
        apart = following is None or following == NOT_LOGGED
        shapes.append(
            {
                "type": "line",
                "xref": "paper",
                "yref": "y",
                "x0": 0,
                "x1": 1,
                "y0": row + 0.5,
                "y1": row + 0.5,
                "layer": "below",
                "line": {"color": theme.LIGHT.quiet if apart else theme.LIGHT.rule, "width": 1},
            }
        )
    figure.shapes += shapes


def _panel_of_groups(
    figure: Gathered,
    trends: Trends,
    split: Split,
    kind: str,
    number: int,
    domain: tuple[float, float],
    end: float,
    plain: bool,
    adjusted: Collection[str],
) -> None:
    x = "x" if number == 1 else f"x{number}"
    figure.update_layout(
        {
            x.replace("x", "xaxis"): {
                "domain": list(domain),
                "anchor": "y",
                "range": [0, end * PER],
                "rangemode": "tozero",
                "nticks": 5,
                "showgrid": False,
                "ticks": "outside",
                "ticklen": 4,
                "tickcolor": theme.LIGHT.quiet,
                "title": {"text": "per 10,000 feeds", "standoff": 6},
            }
        }
    )
    whole = trends.total[kind].rate
    told = f"<b>{kind}</b>"
    if whole is not None:
        _add_whole(figure, whole, kind, x, across=False)
        told += f", all: {theme.rate(whole)}"
    _add_note(
        figure,
        text=told,
        xref="paper",
        yref="y domain",
        x=domain[0],
        y=1,
        xanchor="left",
        yanchor="bottom",
        yshift=5,
        font={"size": 14, "color": theme.INK_OF_KIND[kind]},
    )
    points = []
    for row, group in enumerate(groups_shown(trends, split)):
        rate = group.rates[kind]
        if rate.rate is None:
            words = f"{rate.count:,} without a bin, no rate" if rate.count else "not watched"
            _add_note(
                figure,
                text=words,
                xref="paper",
                yref="y",
                x=domain[0],
                y=row,
                xanchor="left",
                xshift=4,
                bgcolor=theme.LIGHT.paper,
            )
            continue
        few = trends.few_feeds(rate)
        said = sentence(trends, split, group, kind, plain, adjusted)
        points.append(_Point(row, rate, few, said, group.name or ""))
    _draw_rates(figure, points, kind, x, "y", end, plain, upright=False)


def _feeds_of_groups(
    figure: Gathered, trends: Trends, split: Split, number: int, domain: tuple[float, float]
) -> None:
    x = f"x{number}"
    groups = groups_shown(trends, split)
    fed = [max(g.rates[kind].feeds for kind in kinds_shown(trends)) for g in groups]
    shares = [number / split.feeds if split.feeds else 0.0 for number in fed]
    figure.add_bar(
        x=[100 * share if share else None for share in shares],
        y=list(range(len(groups))),
        width=0.5,
        orientation="h",
        marker={"color": theme.LIGHT.band, "line": {"color": theme.LIGHT.quiet, "width": 1}},
        text=[theme.percent(share) if share else "none" for share in shares],
        textposition="outside",
        constraintext="none",
        textfont={"size": 13, "color": theme.LIGHT.quiet},
        cliponaxis=False,
        hovertext=[
            f"{theme.label(group_in_words(split.column, g.name, split.unit))}: "
            f"{theme.feeds(n)} feeds, "
            f"{theme.percent(share)} of all"
            for g, n, share in zip(groups, fed, shares, strict=True)
        ],
        hoverinfo="text",
        name="feeds",
        xaxis=x,
        yaxis="y",
    )
    figure.update_layout(
        {
            x.replace("x", "xaxis"): {
                "domain": list(domain),
                "anchor": "y",
                "range": [0, 100 * max(shares, default=0) or 1],
                "showgrid": False,
                "showticklabels": False,
                "title": {"text": "% of feeds", "standoff": 6},
            }
        }
    )
    _add_note(
        figure,
        text="<b>feeds</b>",
        xref="paper",
        yref="y domain",
        x=domain[0],
        y=1,
        xanchor="left",
        yanchor="bottom",
        yshift=5,
        font={"size": 14, "color": theme.LIGHT.quiet},
    )
