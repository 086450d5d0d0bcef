"""Where do misses and doubles come from?

Rates over time, by stock, by the air's humidity and by setting, as they were logged or with all
else the same; what changed between two periods, and which settings ran a stock clean. Wiring only:
all numbers come from `analysis.answers`, the four figures are put together in `trends_shown`, and
the parts beside them have modules of their own (`adjusted`, `humidity`, `change`,
`settings_card`), as have the files behind them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dash import Dash, Output, html, no_update
from dash.development.base_component import Component
from flask import Response, request

from analysis.adjusting import AdjustedTrends
from analysis.counts import Account
from analysis.filters import FilterError
from analysis.trends import Split, Trends
from analysis.words import called
from dashboard import filters as shown_filters
from dashboard import parts
from dashboard.data import Data
from dashboard.filters import from_query, parse_query
from dashboard.pages import adjusted, change, humidity, later, settings_card
from dashboard.pages.numbers import marks_csv, numbers_csv
from dashboard.pages.trends_shown import PATH, Shown, setting_shown

NAME = "Trends"

#: Rows of a log from which on the first figure is drawn before the others are asked for, in so many
#: milliseconds.
_LARGE, _LATER = 1_000_000, 200
_LOOKING = "Looking where they come from …"


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
    shown = Shown(trends, whole, query, found)
    return html.Div([*shown.answer(), *_below(data, shown)])


def _below(data: Data, shown: Shown) -> list[Component]:
    trends, query = shown.logged, shown.query
    return [
        change.section(data, trends.filters, shown.whole, query, shown.to),
        settings_card.section(data, trends, query, shown.to),
    ]


def _over_time_first(trends: Trends, whole: Account, query: shown_filters.Query) -> Component:
    """Return the page with its first figure, which asks for all else by itself."""
    if not trends.account.rows:
        return parts.nothing_here(trends.filters, whole, query)
    shown = Shown(trends, whole, query)
    return html.Div(
        [
            *later.asks("trends-rest", shown_filters.written(query), _LATER),
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

    def rest(address: str | None) -> object:
        whole, query = data.whole(), parse_query(address)
        trends = data.trends(from_query(query, whole), parts.last(query, "over"))
        shown = Shown(trends, whole, query)
        return shown.head(), [*shown.splits(), *_below(data, shown)]

    later.when_asked(
        app,
        "trends-rest",
        [Output("trends-head", "children"), Output("trends-rest", "children")],
        rest,
        (no_update, [html.P("This could not be worked out. Open the page again.")]),
        "where faults come from could not be worked out",
    )

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
                told = f"no setting {called(parts.last(query, 'setting'))} was logged here\n"
                return Response(told, 400, mimetype="text/plain")
            kinds = adjusted.of_column(found, split.column) if found else None
            text = numbers_csv(split, kinds)
        ending = parts.file_name(trends.filters, trends.account)
        return parts.csv_answer(text, f"feedtally-{name}{how}-{ending}")

    for name in (*_SPLITS, "done"):
        app.server.add_url_rule(
            f"{PATH}/{name}.csv", f"trends_{name}", numbers, defaults={"name": name}
        )


#: The figures of the page, by the names of the files that hold their numbers.
_SPLITS: dict[str, Callable[[Trends, shown_filters.Query], Split | None]] = {
    "over-time": lambda trends, _: trends.over_time,
    "by-stock": lambda trends, _: trends.by_stock,
    "by-humidity": lambda trends, _: trends.by_humidity,
    "by-setting": setting_shown,
}
