"""Where do misses and doubles come from?

Rates over time, by stock, by the air's humidity and by setting, as they were logged. Wiring only:
all numbers come from `analysis.answers`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence

import plotly.graph_objects as go
from dash import Dash, dcc, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.counts import Account
from analysis.filters import FilterError
from analysis.log_format import FAULT_KINDS
from analysis.trends import NOT_LOGGED, TIME_COLUMNS, Split, Trends, time_column
from dashboard import filters as shown_filters
from dashboard import parts, theme
from dashboard.data import Data
from dashboard.figures import trends as figures
from dashboard.figures.overview import bounds
from dashboard.filters import from_query, parse_query, to_query

PATH, NAME = "/trends", "Trends"

_EVERY = {"day": "day by day", "week": "week by week", "month": "month by month"}


def layout(data: Data, /, **query: Sequence[str]) -> Component:
    """Draw the page for an address.

    Parameters
    ----------
    data : Data
        The store.
    **query : sequence of str
        The address, as `dashboard.filters.parse_query` reads it.

    Raises
    ------
    analysis.filters.FilterError
        When the address asks for what cannot be.
    """
    whole = data.whole()
    chosen = from_query(query, whole)
    if not whole.rows:
        return parts.nothing_logged()
    trends = data.trends(chosen, parts.last(query, "over"))
    if not trends.account.rows:
        return parts.nothing_here(chosen, whole, query)
    return html.Div(_Shown(trends, whole, query).answer())


def register(app: Dash, data: Data) -> None:
    """Serve the numbers behind the figures."""

    def numbers(name: str) -> Response:
        query = parse_query(request.query_string.decode())
        try:
            trends = data.trends(from_query(query, data.whole()), parts.last(query, "over"))
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        if name == "done":
            text = marks_csv(trends)
        else:
            split = _SPLITS[name](trends, query)
            if split is None:
                told = f"no setting {theme.called(parts.last(query, 'setting'))} was logged here\n"
                return Response(told, 400, mimetype="text/plain")
            text = numbers_csv(split)
        ending = parts.file_name(trends.filters, trends.account)
        return parts.csv_answer(text, f"feedtally-{name}-{ending}")

    for name in (*_SPLITS, "done"):
        app.server.add_url_rule(
            f"{PATH}/{name}.csv", f"trends_{name}", numbers, defaults={"name": name}
        )


def setting_shown(trends: Trends, query: shown_filters.Query) -> Split | None:
    """Return the split by the setting that an address asks for, by the first when it asks none."""
    asked = parts.last(query, "setting")
    if not asked and trends.by_setting:
        return trends.by_setting[0]
    return next((split for split in trends.by_setting if split.column == asked), None)


#: The figures of the page, by the names of the files that hold their numbers.
_SPLITS: dict[str, Callable[[Trends, shown_filters.Query], Split | None]] = {
    "over-time": lambda trends, _: trends.over_time,
    "by-stock": lambda trends, _: trends.by_stock,
    "by-humidity": lambda trends, _: trends.by_humidity,
    "by-setting": setting_shown,
}


def numbers_csv(split: Split) -> str:
    """Write a split as CSV: a line for each group and kind, rates as faults per feed."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(
        [split.column, *"kind runs feeds count rate low high wide_low wide_high".split()]
    )
    for group in split.groups:
        for kind in FAULT_KINDS:
            r = group.rates[kind]
            numbers = (r.rate, r.low, r.high, r.wide_low, r.wide_high)
            table.writerow(
                [
                    parts.safe_cell(NOT_LOGGED if group.name is None else group.name),
                    kind,
                    r.runs,
                    r.feeds,
                    r.count,
                    *("" if r.rate is None else number for number in numbers),
                ]
            )
    return out.getvalue()


def marks_csv(trends: Trends) -> str:
    """Write what was done as CSV: a line for each service and each move of a setting."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(["when", "tower", "bin", "what", "setting_moved"])
    for mark in trends.marks:
        when = mark.when.isoformat(timespec="minutes")
        number = "" if mark.bin is None else mark.bin
        moved = "yes" if mark.moved else "no"
        table.writerow(
            [when, parts.safe_cell(mark.tower), number, parts.safe_cell(mark.what), moved]
        )
    return out.getvalue()


class _Shown:
    """What the page says of some trends."""

    def __init__(self, trends: Trends, whole: Account, query: shown_filters.Query) -> None:
        self.trends, self.whole, self.query = trends, whole, query
        self.plain = "plain" in query.get("ranges", ())
        self.kinds = figures.kinds_shown(trends)
        self.chosen = {
            name: value
            for name, value in shown_filters.page_choices(query).items()
            if name in ("ranges", "over", "setting")
        }

    def to(self, **chosen: str) -> str:
        return to_query(self.trends.filters, self.whole, **{**self.chosen, **chosen}) or "?"

    def answer(self) -> list[Component]:
        return [
            html.H1(self.trends.sentence()),
            html.P(self._sub_line(), className="sub"),
            self._over_time(),
            html.Div(
                [
                    self._split("by-stock", self.trends.by_stock, self._heading("Which stocks")),
                    html.Div(
                        [
                            self._split(
                                "by-humidity", self.trends.by_humidity, self._heading("Which air")
                            ),
                            self._by_setting(),
                        ]
                    ),
                ],
                className="pairs",
            ),
        ]

    def _sub_line(self) -> str:
        told, off = [], []
        for kind in self.kinds:
            rate = self.trends.total[kind]
            if rate.rate is None:
                off.append(kind)
            else:
                span = theme.span(*bounds(rate, self.plain))
                told.append(f"{theme.rate(rate.rate)} {kind} ({span})")
        account = self.trends.account
        line = f"{theme.listed(told)} per 10,000 feeds on all" if told else "No rates"
        if off:
            line += f", nothing watched for {theme.listed(off)}"
        return (
            f"{line}; {theme.feeds(account.feeds)} feeds in {theme.counted(account.runs, 'run')}. "
            "All as logged, not adjusted for one another: a stock that was run only in winter "
            "carries the winter's dry air with it."
        )

    def _kinds(self) -> str:
        return theme.listed(list(self.kinds))

    def _heading(self, what: str) -> str:
        verb = "have" if what.endswith("s") else "has"
        return f"{what} {verb} more {self._kinds()}?"

    def _over_time(self) -> Component:
        trends = self.trends
        unit, usual = trends.over_time.column, time_column(trends.filters)
        rows = figures.done_rows(trends.marks)
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
            f"How have {self._kinds()} run, {_EVERY[unit]}?",
            figures.over_time(trends, plain=self.plain),
            trends.over_time,
            self._key(trends.over_time) + self._key_to_done(rows),
            turns=turns,
            tables=done,
            more=more,
        )

    def _key_to_done(self, rows: Sequence[figures.DoneRow]) -> str:
        told = ""
        for row in rows:
            mark = "Diamond" if row.moved else "Triangle"
            what = "settings moved on the same stock" if row.moved else "services"
            if row.unit == "day":
                told += f" {mark}: {what}, a mark for each day."
            else:
                days = len({m.when.date() for done in row.marks for m in done.marks})
                told += (
                    f" {mark}: {what}; done on {days:,} days, too many for a mark each, so one "
                    f"stands for each {row.unit}."
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
        logged = [one.column for one in self.trends.by_setting]
        if not logged:
            return self._sentence_alone(
                f"Which settings have more {self._kinds()}?", "No setting was logged here."
            )
        turns = [
            parts.either(
                "Setting",
                *(
                    (
                        theme.called(column),
                        self.to(setting="" if column == logged[0] else column),
                        split is not None and column == split.column,
                    )
                    for column in logged
                ),
            )
        ]
        if split is None:
            asked = theme.called(parts.last(self.query, "setting"))
            return self._sentence_alone(
                f"Which settings have more {self._kinds()}?",
                f"No setting {asked} was logged here; choose one that was.",
                turns,
            )
        return self._split(
            "by-setting",
            split,
            f"Which level of {figures.heading(split)} has more {self._kinds()}?",
            turns=turns,
            caution=" Settings follow the paper: a level that only a heavy cover is run at has "
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
            figures.by_group(self.trends, split, plain=self.plain),
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
                html.P(key, className="key"),
                self._table(split),
                *tables,
                parts.save_line(chart, self._numbers(name), *more),
            ],
            **theme.attributes(aria_labelledby=f"trends-{name}"),
        )

    def _numbers(self, name: str) -> str:
        asked = self.to(ranges="")
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
        if figures.runs_on(self.trends, split, self.plain):
            told += " Arrow: the range goes on beyond the scale."
        return told

    def _table(self, split: Split) -> Component:
        trends = self.trends
        rows = []
        for group in figures.groups_shown(trends, split):
            # What the first line of the page says is of both kinds together.
            for kind in dict.fromkeys((*self.kinds, trends.filters.kind)):
                r = group.rates[kind]
                span = "–" if r.rate is None else theme.span(*bounds(r, self.plain))
                rows.append(
                    html.Tr(
                        [
                            html.Th(
                                figures.group_name(split.column, group.name),
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
        name = figures.heading(split)
        heads = ["kind", "counted", "feeds", "per 10,000 feeds", "range"]
        return parts.numbers_table(f"{self._kinds().capitalize()} by {name}", name, heads, rows)
