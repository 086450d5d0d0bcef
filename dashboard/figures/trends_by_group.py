"""On which stock, in which air, at which setting do misses and doubles come?

A row for each group with a panel for each kind of fault, so that two ranges never lie on each
other; beside them stands where the data lie. All panels share one scale that starts at nought.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import plotly.graph_objects as go

from analysis.trends import NOT_LOGGED, Group, Split, Trends
from analysis.words import PER
from dashboard import theme
from dashboard.figures.gathered import STROKES, Gathered, axis_key, numbered, shortened
from dashboard.figures.rate_panels import Point, draw_rates, draw_whole
from dashboard.figures.trends_groups import (
    group_in_words,
    group_name,
    groups_shown,
    kinds_shown,
    scale_end,
    sentence,
)

_LONGEST_NAME = 18

# Heights in pixels: a row, what stands above and below them.
_ROW, _HEAD, _FOOT = 30, 26, 50


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
    unit = shortened(split.unit, _LONGEST_NAME)
    names = [shortened(group_name(split.column, group.name), _LONGEST_NAME) for group in groups]
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
        height=_HEAD + _ROW * len(groups) + _FOOT,
        margin={
            "l": 26 + 8 * max((len(name) for name in (*names, unit)), default=4),
            "r": 46,
            "t": _HEAD,
            "b": _FOOT,
        },
    )
    _rules(figure, groups)
    if split.unit:
        # Above the levels, which stand without it.
        figure.note(
            theme.label(unit),
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


def _rules(figure: Gathered, groups: Sequence[Group]) -> None:
    """Draw the shelves; what was not logged stands below a darker one."""
    following = [group.name for group in groups[1:]] + [""]
    figure.shelves(
        theme.LIGHT.quiet if name is None or name == NOT_LOGGED else theme.LIGHT.rule
        for name in following[: len(groups)]
    )


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
    x = numbered("x", number)
    figure.update_layout(
        {
            axis_key(x): {
                "domain": list(domain),
                "anchor": "y",
                "range": [0, end * PER],
                "rangemode": "tozero",
                "nticks": 5,
                **STROKES,
                "title": {"text": "per 10,000 feeds", "standoff": 6},
            }
        }
    )
    whole = trends.total[kind].rate
    told = f"<b>{kind}</b>"
    if whole is not None:
        draw_whole(figure, whole, kind, x)
        told += f", all: {theme.rate(whole)}"
    figure.head(told, theme.INK_OF_KIND[kind], x=domain[0])
    points = []
    for row, group in enumerate(groups_shown(trends, split)):
        rate = group.rates[kind]
        if rate.rate is None:
            words = f"{rate.count:,} without a bin, no rate" if rate.count else "not watched"
            figure.note(
                words,
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
        points.append(Point(row, rate, few, said, group.name or ""))
    draw_rates(figure, points, kind, x, "y", end, plain, upright=False)


def _feeds_of_groups(
    figure: Gathered, trends: Trends, split: Split, number: int, domain: tuple[float, float]
) -> None:
    x = numbered("x", number)
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
            f"{theme.many_feeds(n)}, {theme.percent(share)} of all"
            for g, n, share in zip(groups, fed, shares, strict=True)
        ],
        hoverinfo="text",
        name="feeds",
        xaxis=x,
        yaxis="y",
    )
    figure.update_layout(
        {
            axis_key(x): {
                "domain": list(domain),
                "anchor": "y",
                "range": [0, 100 * max(shares, default=0) or 1],
                "showgrid": False,
                "showticklabels": False,
                "title": {"text": "% of feeds", "standoff": 6},
            }
        }
    )
    figure.head("<b>feeds</b>", theme.LIGHT.quiet, x=domain[0])
