"""When did misses and doubles come?

A panel for each kind of fault, with a rate for each day, week or month; below them what was done to
the towers, and the feeds. All panels share one scale that starts at nought.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence

import plotly.graph_objects as go

from analysis.trends import Group, Split, Trends
from analysis.words import PER
from dashboard import theme
from dashboard.figures.done import Done, DoneRow, done_rows, done_sentence, span_of
from dashboard.figures.gathered import STROKES, Gathered, axis_key, numbered
from dashboard.figures.rate_panels import Point, draw_rates, draw_whole
from dashboard.figures.trends_groups import (
    group_in_words,
    groups_shown,
    kinds_shown,
    scale_end,
    sentence,
)

# Heights in pixels: what stands above and below, a panel, the gap between panels, a row of marks,
# the feeds.
_HEAD, _FOOT, _PANEL, _GAP, _MARKS, _FEEDS = 30, 46, 150, 38, 26, 40
# Where the names of panels and rows stand.
_LEFT = 104
# What a name beside a mark is taken to need, so that none is written over the next one.
_WIDTH_OF_LETTER, _LEAST_WIDTH = 7.2, 800


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
            "anchor": numbered("y", len(heights)),
            **STROKES,
            **_ticks(split.column, spots.last - spots.first),
        }
    }
    top = 1.0
    for number, tall in enumerate(heights, 1):
        bottom = max(0.0, top - tall / height)
        axes[axis_key(numbered("y", number))] = {"domain": [bottom, top], "anchor": "x"}
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
        """Return where its rate stands."""
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
    y = numbered("y", number)
    split = trends.over_time
    shown = [g for g in split.groups if g.name is not None and g.rates[kind].rate is not None]
    figure.update_layout(
        {
            axis_key(y): {
                "range": [0, end * PER],
                "nticks": 5,
                "rangemode": "tozero",
                "showline": False,
            }
        }
    )
    figure.head(f"<b>{kind}</b> per 10,000 feeds", theme.INK_OF_KIND[kind], over=y, up=6)
    whole = trends.total[kind].rate
    if whole is not None:
        draw_whole(figure, whole, kind, y)
    if not shown:
        figure.note(
            f"nothing watched for {kind} here",
            xref="paper",
            yref=f"{y} domain",
            x=0,
            y=0.5,
            xanchor="left",
            xshift=8,
        )
    points = [
        Point(
            spots.middle(group),
            group.rates[kind],
            trends.few_feeds(group.rates[kind]),
            sentence(trends, split, group, kind, plain, adjusted),
            group.name or "",
        )
        for group in shown
    ]
    draw_rates(figure, points, kind, "x", y, end, plain, upright=True)


def _feeds_over_time(figure: Gathered, trends: Trends, number: int, spots: _Spots) -> None:
    y = numbered("y", number)
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
            f"{group_in_words(spots.unit, g.name)}: {theme.many_feeds(n)}"
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
            axis_key(y): {
                "range": [0, max(most, 1) * 1.05],
                "tickvals": [most] if most else [],
                "ticktext": [theme.feeds(most)],
                "showgrid": False,
            }
        }
    )
    figure.head("<b>feeds</b>", theme.LIGHT.quiet, over=y, up=4)


def _done(figure: Gathered, rows: Sequence[DoneRow], number: int, spots: _Spots) -> None:
    y = numbered("y", number)
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
            hovertext=[done_sentence(done) for done in row.marks],
            hoverinfo="text",
            name="settings moved" if row.moved else "services",
            xaxis="x",
            yaxis=y,
        )
        # A mark of a week or a month is at no one moment.
        for done in row.marks if row.unit == "day" else ():
            figure.rule(
                "x",
                done.at.isoformat(timespec="minutes"),
                ends=(figure.layout[axis_key(y)]["domain"][0], figure.layout["yaxis"]["domain"][1]),
                line={"color": theme.LIGHT.rule, "width": 1},
                layer="below",
                name="done",
            )
        for done, name, left in _named(row, spots):
            figure.note(
                theme.label(name),
                xref="x",
                yref=y,
                x=done.at.isoformat(timespec="minutes"),
                y=level,
                xanchor="right" if left else "left",
                xshift=-9 if left else 9,
            )
    figure.update_layout(
        {
            axis_key(y): {
                "range": [len(rows) - 0.5, -0.5],
                "tickvals": list(range(len(rows))),
                "ticktext": ["settings moved" if row.moved else "services" for row in rows],
                "ticklabelstandoff": 8,
                "showgrid": False,
            }
        }
    )


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
