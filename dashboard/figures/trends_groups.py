"""What are the groups of trends called, what is said of one, and on which scale do they stand?

A group is a stock, a band of humidity, a level of a setting, or a day, a week or a month.
"""

from __future__ import annotations

import re
from collections.abc import Collection

from analysis.log_format import kinds_of
from analysis.trends import NOT_LOGGED, TIME_COLUMNS, Group, Split, Trends, band_words
from analysis.words import PER, called, many
from dashboard import theme
from dashboard.figures.done import time_name
from dashboard.figures.overview import bounds


def kinds_shown(trends: Trends) -> tuple[str, ...]:
    """Return the kinds of fault that have a panel: both, unless one was asked for."""
    return kinds_of(trends.filters.kind)


def groups_shown(trends: Trends, split: Split) -> tuple[Group, ...]:
    """Return the groups that have a row: those with feeds or faults."""
    return tuple(
        group
        for group in split.groups
        if any(group.rates[kind].feeds or group.rates[kind].count for kind in kinds_shown(trends))
    )


def group_name(column: str, name: str | None) -> str:
    """Name a group in a row or a table: ``April 2031``, ``30 to 39 %``, ``BO90``."""
    if name is None or name == NOT_LOGGED:
        return NOT_LOGGED
    if column in TIME_COLUMNS:
        return time_name(column, name)
    if column == "humidity_band":
        return band_words(name).replace(" relative humidity", "")
    return name


def in_unit(name: str, unit: str) -> str:
    """Name a level of a setting with its unit where it is a number: ``5 kPa``, but ``off``."""
    return f"{name} {unit}" if unit and re.fullmatch(r"[+-]?\d+([.,]\d+)?", name) else name


def heading(split: Split) -> str:
    """Name what a split is by, with its unit if it has one: ``stock``, ``vacuum (kPa)``."""
    return f"{called(split.column)}{f' ({split.unit})' if split.unit else ''}"


def group_in_words(column: str, name: str | None, unit: str = "") -> str:
    """Name a group at the beginning of a sentence: ``Stock BO90``, ``Vacuum 5 kPa``."""
    if column in TIME_COLUMNS:
        told = group_name(column, name)
    elif column == "humidity_band":
        band = NOT_LOGGED if name is None else name
        told = band_words(band) if band == NOT_LOGGED else f"air of {band_words(band)}"
    else:
        told = f"{called(column)} {in_unit(group_name(column, name), unit)}"
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
        f"{theme.many_feeds(rate.feeds)} and {many(rate.runs, 'run')}."
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
