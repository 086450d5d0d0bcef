"""Where do misses and doubles come from?

Rates over time, by stock, by the air's humidity and by setting, as they were logged or with all
else the same; what changed between two periods, and which settings ran a stock clean. Wiring only:
all numbers come from `analysis.answers`, and the parts beside the four figures have modules of
their own (`adjusted`, `humidity`, `change`, `settings_card`), as have the files behind them.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

import plotly.graph_objects as go
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from flask import Response, request

from analysis.adjusting import AdjustedTrends
from analysis.counts import Account
from analysis.filters import FilterError
from analysis.trends import TIME_COLUMNS, Split, Trends, time_column
from dashboard import filters as shown_filters
from dashboard import parts, theme
from dashboard.data import Data
from dashboard.figures import trends as figures
from dashboard.figures.overview import bounds
from dashboard.filters import from_query, parse_query, to_query
from dashboard.pages import adjusted, change, humidity, settings_card
from dashboard.pages.numbers import marks_csv, numbers_csv

PATH, NAME = "/trends", "Trends"

#: What the page has in the address beside the filter: of the figures, and of what stands below.
_SECTIONS = ("show", *change.CHOICES, *settings_card.CHOICES)
_CHOICES = ("ranges", "over", "setting", "rates", *_SECTIONS)

#: Rows of a log from which on the first figure is drawn before the others are asked for, in so many
#: milliseconds.
_LARGE, _LATER = 1_000_000, 200
_LOOKING = "Looking where they come from …"

_LOG = logging.getLogger(__name__)

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
    over = parts.last(query, "over")
    asked = whole.rows > _LARGE and not adjusted.is_asked(query)
    if asked and not data.knows_trends(chosen, over):
        return _over_time_first(data.trends_over_time(chosen, over), whole, query)
    trends = data.trends(chosen, over)
    if not trends.account.rows:
        return parts.nothing_here(chosen, whole, query)
    found = _adjusted(data, trends, query) if adjusted.is_asked(query) else None
    shown = _Shown(trends, whole, query, found)
    return html.Div([*shown.answer(), *_below(data, shown)])


def _below(data: Data, shown: _Shown) -> list[Component]:
    trends, query = shown.logged, shown.query
    return [
        change.section(data, trends.filters, shown.whole, query, shown.to),
        settings_card.section(data, trends, query, shown.to),
    ]


def _over_time_first(trends: Trends, whole: Account, query: shown_filters.Query) -> Component:
    """Return the page with its first figure, which asks for all else by itself."""
    if not trends.account.rows:
        return parts.nothing_here(trends.filters, whole, query)
    shown = _Shown(trends, whole, query)
    return html.Div(
        [
            dcc.Store(id="trends-rest-of", data=shown_filters.written(query)),
            # Asked for a moment later, so that the first figure is drawn before.
            dcc.Interval(id="trends-rest-later", interval=_LATER, max_intervals=1),
            html.Div(shown.head(), id="trends-head"),
            *shown.over_time(),
            html.Div(html.P(_LOOKING, className="looking"), id="trends-rest"),
        ]
    )


def _adjusted(data: Data, trends: Trends, query: shown_filters.Query) -> AdjustedTrends:
    setting = setting_shown(trends, query)
    over = parts.last(query, "over")
    return adjusted.answer(data, trends, over, setting.column if setting else "")


def register(app: Dash, data: Data) -> None:
    """Serve the numbers behind the figures; let the forms write the address."""
    humidity.register(app, data)
    change.register(app, data)
    settings_card.register(app, data)

    @app.callback(
        Output("trends-head", "children"),
        Output("trends-rest", "children"),
        Input("trends-rest-later", "n_intervals"),
        State("trends-rest-of", "data"),
        prevent_initial_call=True,
    )
    def _(moments: int | None, address: str | None) -> object:
        if not moments:
            return no_update, no_update
        try:
            whole, query = data.whole(), parse_query(address)
            trends = data.trends(from_query(query, whole), parts.last(query, "over"))
            shown = _Shown(trends, whole, query)
            return shown.head(), [*shown.splits(), *_below(data, shown)]
        except Exception:
            # A page that stands must not fall for it; the trace goes to whoever runs the program.
            _LOG.exception("where faults come from could not be worked out")
            return no_update, [html.P("This could not be worked out. Open the page again.")]

    def numbers(name: str) -> Response:
        query = parse_query(request.query_string.decode())
        how = ""
        try:
            trends = data.trends(from_query(query, data.whole()), parts.last(query, "over"))
            found = None
            if adjusted.is_asked(query) and name != "done" and trends.account.rows:
                found, how = _adjusted(data, trends, query), "-adjusted"
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        if name == "done":
            text = marks_csv(trends)
        else:
            split = _SPLITS[name](found.trends if found else trends, query)
            if split is None:
                told = f"no setting {theme.called(parts.last(query, 'setting'))} was logged here\n"
                return Response(told, 400, mimetype="text/plain")
            kinds = adjusted.of_column(found, split.column) if found else None
            text = numbers_csv(split, kinds)
        ending = parts.file_name(trends.filters, trends.account)
        return parts.csv_answer(text, f"feedtally-{name}{how}-{ending}")

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


class _Shown:
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
        self.kinds = figures.kinds_shown(trends)
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
        line = f"{theme.listed(told)} per 10,000 feeds on all" if told else "No rates"
        if off:
            line += f", nothing watched for {theme.listed(off)}"
        line += f"; {theme.feeds(account.feeds)} feeds in {theme.counted(account.runs, 'run')}. "
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
        return theme.listed(list(self.kinds))

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
            f"How have {self._kinds()} run, {_EVERY[unit]}{self._same()}?",
            figures.over_time(trends, plain=self.plain, adjusted=self._adjusted(unit)),
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
            f"Which level of {figures.heading(split)} has more {self._kinds()}"
            f"{self._same(split.column)}?",
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
            figures.by_group(
                self.trends, split, plain=self.plain, adjusted=self._adjusted(split.column)
            ),
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
        same = ", all else the same" if self._adjusted(split.column) else ""
        heads = ["kind", "counted", "feeds", f"per 10,000 feeds{same}", "range"]
        return parts.numbers_table(f"{self._kinds().capitalize()} by {name}", name, heads, rows)
