"""What is said of rates with all else the same? A part of the trends page.

The words only: `analysis.adjusting` works the rates out and says why they differ.
"""

from __future__ import annotations

from collections.abc import Sequence

from analysis.adjusting import AdjustedTrends, Difference
from analysis.trends import NOT_LOGGED, TIME_COLUMNS, Trends
from analysis.words import called, listed, two_digits
from dashboard import filters, parts, theme
from dashboard.data import Data
from dashboard.figures.humidity import air_in_words, clearest, how_clear
from dashboard.figures.trends_groups import group_in_words, kinds_shown

#: What makes a group's rate differ from that of its like, as the crew says it.
_MADE_BY = {
    "mix": "the stocks that ran there, alone,",
    "air": "its air alone",
    "settings": "its settings alone",
    "age": "the age of its parts, alone,",
    "bins": "its bins or towers alone",
}

HOW = (
    "Adjusted: the faults of each group are set beside those to be expected of the very same "
    "feeds, had only that one thing been ordinary; so a stock that was run only in winter no "
    "longer carries the winter's dry air with it. Over time wear shows, and so does what nobody "
    "logged."
)


_SAME = "With all else the same"


def is_asked(query: filters.Query) -> bool:
    """Tell whether an address asks for rates with all else the same."""
    return parts.last(query, "rates") == "adjusted"


def kinds(trends: Trends) -> tuple[str, ...]:
    """Return the kinds of fault that a page of trends speaks of."""
    return tuple(dict.fromkeys((*kinds_shown(trends), trends.filters.kind)))


def answer(data: Data, trends: Trends, over: str, setting: str) -> AdjustedTrends:
    """Return the same trends with all else the same; of the settings one alone."""
    return data.adjusted_trends(trends.filters, kinds(trends), over, setting)


def of_column(found: AdjustedTrends, column: str) -> tuple[str, ...]:
    """Return the kinds of fault whose rates by a column are adjusted."""
    return () if column in found.as_logged else tuple(found.conditions)


def sentence(found: AdjustedTrends) -> str:
    """Say where most faults come from, if anywhere, with all else the same.

    Of this part of the log, where a stock or an air stands out in it; else what the whole log is
    sure of, since the figures are adjusted by that and the curve over humidity shows it.
    """
    trends, kind = found.trends, found.trends.filters.kind
    said, whole = trends.sentence(), trends.total[kind]
    if kind not in found.conditions or whole.rate is None:
        return said
    if _stands_out(trends):
        return f"{_SAME}, {_lower(said)}"
    facts = found.conditions[kind].facts()[:3]
    if facts:
        return f"{_SAME}, over the whole log: {'; '.join(facts)}."
    curves = [found.conditions[one] for one in kinds(trends) if one in found.conditions]
    air = [one for one in curves if clearest(one) is not None]
    if air:
        first = max(air, key=how_clear)
        return f"{_SAME}, over the whole log: {_lower(air_in_words(first))}."
    return (
        f"{_SAME}, no stock and no air surely has more {kind} than all together, which have "
        f"{theme.rate(whole.rate)} per 10,000 feeds."
    )


def _stands_out(trends: Trends) -> bool:
    """Tell whether a stock or an air is surely above the rate on all, as its figure shows."""
    kind = trends.filters.kind
    return any(
        rate.rate is not None and rate.wide_low > trends.total[kind].wide_high
        for split in (trends.by_stock, trends.by_humidity)
        for group in split.groups
        if group.name not in (None, NOT_LOGGED)
        for rate in (group.rates[kind],)
    )


def _lower(text: str) -> str:
    return f"{text[:1].lower()}{text[1:]}"


def not_learnt(found: AdjustedTrends, shown: Sequence[str]) -> str:
    """Say which kinds of fault stand as logged; empty where none does."""
    alone = [kind for kind in shown if kind not in found.conditions]
    if not alone:
        return ""
    return f"Too few {listed(alone)} are on record to learn from: shown as logged."


def why(found: AdjustedTrends, column: str, shown: Sequence[str]) -> str:
    """Say why the adjusted rates of a split are not those that were logged."""
    if column in found.as_logged:
        return _not_adjusted(found, column)
    told = [
        _difference(found.why[column, kind], kind) for kind in shown if (column, kind) in found.why
    ]
    if told:
        return " ".join(told)
    if not any(kind in found.conditions for kind in shown):
        return not_learnt(found, shown)
    return "Adjusting changes little here."


def _not_adjusted(found: AdjustedTrends, column: str) -> str:
    name = called(column).capitalize()
    if any(column in one.follows_paper for one in found.conditions.values()):
        return (
            f"{name} follows the paper (every stock has one level), so it cannot be told apart "
            "from it: shown as logged."
        )
    if not found.conditions:
        return "No fault is on record to learn from: shown as logged."
    return f"{name} has one level in the log, with nothing to set it beside: shown as logged."


def _difference(found: Difference, kind: str) -> str:
    name = group_in_words(found.column, found.name)
    if found.column not in TIME_COLUMNS or found.column == "week":
        name = f"{name[:1].lower()}{name[1:]}"
    told = (
        f"Adjusted, {name} has {theme.rate(found.adjusted)} {kind} per 10,000 feeds instead of "
        f"{theme.rate(found.logged)}"
    )
    # What works against the difference is no reason for it.
    if (found.ratio > 1) != (found.logged > found.adjusted):
        return f"{told}."
    made = _MADE_BY[found.part]
    if found.part == "mix" and found.column == "stock":
        made = "what it ran for"
    elif found.part == "mix" and found.column in TIME_COLUMNS:
        made = "the stocks that ran then, alone,"
    return f"{told}: {made} made {two_digits(found.ratio)} times as many."
