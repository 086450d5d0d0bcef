"""What does the trends page say of some trends, as logged or with all else the same?

The four figures of the page with what stands around them, as `trends` puts them together.
"""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go
from dash import dcc, html
from dash.development.base_component import Component

from analysis.adjusting import AdjustedTrends
from analysis.counts import Account
from analysis.trends import TIME_COLUMNS, Split, Trends, time_column
from analysis.words import called, listed, many
from dashboard import filters as shown_filters
from dashboard import parts, theme
from dashboard.figures.done import DoneRow, done_rows
from dashboard.figures.overview import bounds
from dashboard.figures.trends_by_group import by_group
from dashboard.figures.trends_groups import (
    group_name,
    groups_shown,
    heading,
    kinds_shown,
    runs_on,
)
from dashboard.figures.trends_over_time import over_time
from dashboard.filters import to_query
from dashboard.pages import adjusted, change, humidity, settings_card

PATH = "/trends"

#: What the page has in the address beside the filter: of the figures, and of what stands below.
_SECTIONS = ("show", *change.CHOICES, *settings_card.CHOICES)
_CHOICES = ("ranges", "over", "setting", "rates", *_SECTIONS)

_EVERY = {"day": "day by day", "week": "week by week", "month": "month by month"}


def setting_shown(trends: Trends, query: shown_filters.Query) -> Split | None:
    """Return the split by the setting that an address asks for, by the first when it asks none."""
    asked = parts.last(query, "setting")
    if not asked and trends.by_setting:
        return trends.by_setting[0]
    return next((split for split in trends.by_setting if split.column == asked), None)


class Shown:
    """What the page says of some trends, as logged or with all else the same."""

    def __init__(
        self,
        trends: Trends,
        whole: Account,
        query: shown_filters.Query,
        found: AdjustedTrends | None = None,
    ) -> None:
        self.whole, self.query, self.found = whole, query, found
        self.logged = trends
        self.trends = found.trends if found else trends
        self.plain = "plain" in query.get("ranges", ())
        self.kinds = kinds_shown(trends)
        self.chosen = {
            name: value
            for name, value in shown_filters.page_choices(query).items()
            if name in _CHOICES
        }

    def to(self, **chosen: str) -> str:
        """Return the address of the same view with other choices."""
        return to_query(self.trends.filters, self.whole, **{**self.chosen, **chosen}) or "?"

    def answer(self) -> list[Component]:
        """Return all figures."""
        return [*self.head(), *self.over_time(), *self.splits()]

    def head(self) -> list[Component]:
        """Return what all of it says."""
        return [
            html.H1(adjusted.sentence(self.found) if self.found else self.trends.sentence()),
            html.P(self._sub_line(), className="sub"),
        ]

    def over_time(self) -> list[Component]:
        """Return the first figure, and the turn to how its rates are taken."""
        is_adjusted = self.found is not None
        turns = parts.either(
            "Rates",
            ("as logged", self.to(rates=""), not is_adjusted),
            ("adjusted for the rest", self.to(rates="adjusted"), is_adjusted),
        )
        return [html.Div(turns, className="turns which"), self._over_time()]

    def splits(self) -> list[Component]:
        """Return the other figures."""
        by_stock = self._split("by-stock", self.trends.by_stock, self._heading("Which stocks"))
        by_air = self._split("by-humidity", self.trends.by_humidity, self._heading("Which air"))
        by_setting = self._by_setting()
        pairs: list[tuple[Component, Component]] = [(by_stock, html.Div([by_air, by_setting]))]
        if self.found is not None:
            learnt = [c for kind, c in self.found.conditions.items() if kind in self.kinds]
            curve = humidity.section(learnt, self.trends.filters.kind)
            pairs = [(by_stock, by_setting), (by_air, curve)]
        return [
            *(html.Div([html.Div(one) for one in pair], className="pairs") for pair in pairs),
        ]

    def _sub_line(self) -> list[Component | str]:
        told, off = [], []
        for kind in self.kinds:
            rate = self.trends.total[kind]
            if rate.rate is None:
                off.append(kind)
            else:
                span = theme.span(*bounds(rate, self.plain))
                told.append(f"{theme.rate(rate.rate)} {kind} ({span})")
        account = self.trends.account
        line = f"{listed(told)} per 10,000 feeds on all" if told else "No rates"
        if off:
            line += f", nothing watched for {listed(off)}"
        line += f"; {theme.many_feeds(account.feeds)} in {many(account.runs, 'run')}. "
        if self.found is not None:
            return [f"{line}{adjusted.HOW} {adjusted.not_learnt(self.found, self.kinds)}".strip()]
        return [
            f"{line}All as logged, not adjusted for one another: a stock that was run only in "
            "winter carries the winter's dry air with it. ",
            html.A(
                "See the rates with all else the same",
                href=self.to(rates="adjusted"),
                className="inside",
            ),
            ".",
        ]

    def _kinds(self) -> str:
        return listed(list(self.kinds))

    def _heading(self, what: str) -> str:
        verb = "have" if what.endswith("s") else "has"
        return f"{what} {verb} more {self._kinds()}{self._same()}?"

    def _same(self, column: str = "") -> str:
        """Say in a heading that all else is held the same, where it is."""
        if self.found is None or not any(k in self._adjusted(column) for k in self.kinds):
            return ""
        return ", all else the same"

    def _adjusted(self, column: str) -> tuple[str, ...]:
        return adjusted.of_column(self.found, column) if self.found else ()

    def _over_time(self) -> Component:
        trends = self.trends
        unit, usual = trends.over_time.column, time_column(trends.filters)
        rows = done_rows(trends.marks)
        turns = [
            parts.either(
                "Over time",
                *(
                    (f"by {name}", self.to(over="" if name == usual else name), name == unit)
                    for name in TIME_COLUMNS
                ),
            ),
            parts.ranges_either(self.plain, self.to(ranges=""), self.to(ranges="plain")),
        ]
        done: list[Component] = []
        more: list[Component | str] = []
        if trends.marks:
            done = [
                parts.numbers_table(
                    "What was done to the towers, in order",
                    "when",
                    ["what"],
                    [
                        html.Tr(
                            [
                                html.Th(mark.name, scope="row", className="name"),
                                html.Td("; ".join(mark.told)),
                            ]
                        )
                        for row in rows
                        for mark in row.marks
                    ],
                    "What was done, in a table",
                    words=True,
                )
            ]
            link = html.A("CSV", href=self._numbers("done"), id="trends-done-csv")
            more = [", what was done as ", link]
        return self._section(
            "over-time",
            f"How have {self._kinds()} run, {_EVERY[unit]}{self._same()}?",
            over_time(trends, plain=self.plain, adjusted=self._adjusted(unit)),
            trends.over_time,
            self._key(trends.over_time) + self._key_to_done(rows),
            turns=turns,
            tables=done,
            more=more,
        )

    def _key_to_done(self, rows: Sequence[DoneRow]) -> str:
        told = ""
        for row in rows:
            mark = "Diamond" if row.moved else "Triangle"
            what = "settings moved on the same stock" if row.moved else "services"
            if row.unit == "day":
                told += f" {mark}: {what}, a mark for each day."
            else:
                days = len({m.when.date() for done in row.marks for m in done.marks})
                told += (
                    f" {mark}: {what}; done on {many(days, 'day')}, too many for a mark each, so "
                    f"one stands for each {row.unit}."
                )
        if not rows:
            told = " No service was logged in this period."
        f = self.trends.filters
        if len(f.values("tower")) != 1 or len(f.values("bin")) != 1:
            told += " Moves of settings are marked when one bin of one tower is held."
        elif all(not row.moved for row in rows):
            told += " No setting of this bin was moved."
        return told

    def _by_setting(self) -> Component:
        split = setting_shown(self.trends, self.query)
        # Of the adjusted ones there is that which is shown alone.
        logged = [one.column for one in self.logged.by_setting]
        if not logged:
            return self._sentence_alone(
                f"Which settings have more {self._kinds()}?", "No setting was logged here."
            )
        turns = [
            parts.either(
                "Setting",
                *(
                    (
                        called(column),
                        self.to(setting="" if column == logged[0] else column),
                        split is not None and column == split.column,
                    )
                    for column in logged
                ),
            )
        ]
        if split is None:
            asked = called(parts.last(self.query, "setting"))
            return self._sentence_alone(
                f"Which settings have more {self._kinds()}?",
                f"No setting {asked} was logged here; choose one that was.",
                turns,
            )
        return self._split(
            "by-setting",
            split,
            f"Which level of {heading(split)} has more {self._kinds()}{self._same(split.column)}?",
            turns=turns,
            caution=""
            if self._adjusted(split.column)
            else " Settings follow the paper: a level that only a heavy cover is run at has "
            "that cover's faults.",
        )

    def _sentence_alone(self, head: str, told: str, turns: Sequence[Component] = ()) -> Component:
        return html.Section(
            [
                html.H2(head, id="trends-by-setting"),
                html.Div(list(turns), className="turns"),
                html.P(told),
            ],
            **theme.attributes(aria_labelledby="trends-by-setting"),
        )

    def _split(
        self,
        name: str,
        split: Split,
        head: str,
        *,
        turns: Sequence[Component] = (),
        caution: str = "",
    ) -> Component:
        return self._section(
            name,
            head,
            by_group(self.trends, split, plain=self.plain, adjusted=self._adjusted(split.column)),
            split,
            f"{split.sentence()} {self._key(split)}{caution}",
            turns=turns,
        )

    def _section(
        self,
        name: str,
        head: str,
        figure: go.Figure,
        split: Split,
        key: str,
        *,
        turns: Sequence[Component] = (),
        tables: Sequence[Component] = (),
        more: Sequence[Component | str] = (),
    ) -> Component:
        trends = self.trends
        ending = parts.file_name(trends.filters, trends.account)
        chart = f"trends-{name}-chart"
        marks = [parts.mark(self.kinds[0])] if len(self.kinds) == 1 else []
        return html.Section(
            [
                html.H2([*marks, head], id=f"trends-{name}"),
                *([html.Div(list(turns), className="turns")] if turns else []),
                html.Div(
                    dcc.Graph(
                        id=chart,
                        figure=figure,
                        # A figure that follows the width of the window forgets its own height.
                        style={"height": f"{figure.layout.height}px"},
                        config=theme.graph_config(f"feedtally-{name}-{ending}"),
                    ),
                    className="figure",
                    role="img",
                    **theme.attributes(aria_label=f"{head} The numbers are in the table below."),
                ),
                *self._why(name, split),
                html.P(key, className="key"),
                self._table(split),
                *tables,
                parts.save_line(chart, self._numbers(name), *more),
            ],
            **theme.attributes(aria_labelledby=f"trends-{name}"),
        )

    def _why(self, name: str, split: Split) -> list[Component]:
        if self.found is None:
            return []
        told = adjusted.why(self.found, split.column, self.kinds)
        return [html.P(told, className="why", id=f"trends-{name}-why")]

    def _numbers(self, name: str) -> str:
        asked = self.to(ranges="", **dict.fromkeys(_SECTIONS, ""))
        return f"{PATH}/{name}.csv{'' if asked == '?' else asked}"

    def _key(self, split: Split) -> str:
        marks = {"misses": "ring: misses", "doubles": "double tick: doubles"}
        told = "; ".join(marks[kind] for kind in self.kinds).capitalize()
        told += ". Line: range, "
        told += "as if faults fall singly" if self.plain else "allowing for faults in clusters"
        told += ". Dotted: the rate on all."
        rates = [group.rates[kind] for group in split.groups for kind in self.kinds]
        if any(rate.rate is not None and self.trends.few_feeds(rate) for rate in rates):
            told += " Grey and thin: few feeds."
        if runs_on(self.trends, split, self.plain):
            told += " Arrow: the range goes on beyond the scale."
        return told

    def _table(self, split: Split) -> Component:
        trends = self.trends
        rows = []
        for group in groups_shown(trends, split):
            # What the first line of the page says is of both kinds together.
            for kind in dict.fromkeys((*self.kinds, trends.filters.kind)):
                r = group.rates[kind]
                span = "–" if r.rate is None else theme.span(*bounds(r, self.plain))
                rows.append(
                    html.Tr(
                        [
                            html.Th(
                                group_name(split.column, group.name),
                                scope="row",
                                className="name",
                            ),
                            html.Td("both" if kind == "faults" else kind, className=kind),
                            html.Td(f"{r.count:,}"),
                            html.Td(f"{r.feeds:,}"),
                            html.Td(theme.rate(r.rate)),
                            html.Td(span),
                        ]
                    )
                )
        name = heading(split)
        same = ", all else the same" if self._adjusted(split.column) else ""
        heads = ["kind", "counted", "feeds", f"per 10,000 feeds{same}", "range"]
        return parts.numbers_table(f"{self._kinds().capitalize()} by {name}", name, heads, rows)
