"""Which settings ran a stock clean? A part of the trends page, worked out when it is asked for.

Wiring only: `analysis.set_up` answers, over the whole log, and `dashboard.reports.card` prints it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from dash import Dash, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.combinations_run import Combination
from analysis.filters import FilterError
from analysis.levels_tried import UNKNOWN_PAPER, Level, Tried
from analysis.log_format import FAULT_KINDS
from analysis.set_up import SetUp
from analysis.site import read_site
from analysis.starting_points import CAUTION
from analysis.trends import Trends
from analysis.words import called, chance, listed, many, settings_words, times_range, two_digits
from dashboard import filters, parts, theme
from dashboard.data import Data
from dashboard.filters import parse_query
from dashboard.pages import sections

#: The section's name, and what it has in the address.
NAME = "settings"
CHOICES = ("stock_card",)

#: Where the card to print is.
CARD = "/trends/set-up-card.pdf"

_HEAD = "Which settings ran a stock clean?"
_ABOUT = (
    "What one stock ran at in the whole log and how clean it ran, which level of each setting did "
    "best, where to start and what to try next; with a card to print for the tower."
)
_VERDICTS = {"not clean": "warn"}


def register(app: Dash, data: Data) -> None:
    """Serve the card."""

    def card() -> Response:
        from dashboard.reports import card

        query = parse_query(request.query_string.decode())
        kind = parts.last(query, "kind") or "faults"
        try:
            if kind not in FAULT_KINDS:
                raise FilterError(f"kind is {kind}; write one of {', '.join(FAULT_KINDS)}")
            made = _made(data, parts.last(query, "stock"), kind)
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        content = card.pdf(made, read_site(data.folder).now().date())
        return Response(
            content,
            mimetype="application/pdf",
            headers={"Content-Disposition": f'inline; filename="{file_name(made.stock)}"'},
        )

    app.server.add_url_rule(CARD, "trends_set_up_card", card)


def _made(data: Data, stock: str, kind: str) -> SetUp:
    stocks = [name for name in data.choices().stocks if name]
    if stock not in stocks:
        raise FilterError(f"stock {stock} is not in the log; it has {listed(stocks)}")
    return data.set_up(stock, kind)


def file_name(stock: str) -> str:
    """Return a name for a stock's card that every file system takes, whatever the stock's name."""
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", stock).strip(".-_")
    return f"feedtally-set-up-card-{safe[:48] or 'stock'}.pdf"


def section(data: Data, trends: Trends, query: filters.Query, to: sections.To) -> Component:
    """Return the section, which is worked out only where the address asks for it."""
    kind = trends.filters.kind

    def shown() -> list[Component]:
        stocks = [stock for stock in data.choices().stocks if stock]
        stock = parts.last(query, "stock_card") or usual_stock(trends)
        if not stock:
            return [html.P("No stock was logged here, so none can be looked at; log the paper.")]
        most = usual_stock(trends)
        turns = parts.either(
            "Stock",
            *(
                (name, to(stock_card="" if name == most else name), name == stock)
                for name in stocks
            ),
        )
        told: list[Component] = [html.Div(turns, className="turns")]
        try:
            made = _made(data, stock, kind)
        except FilterError as error:
            return [*told, html.P(parts.sentence(error))]
        return [*told, *_answer(made)]

    return sections.section(query, NAME, _HEAD, _ABOUT, to, shown)


def usual_stock(trends: Trends) -> str:
    """Return the stock with the most feeds in a part of the log; empty where none was logged."""
    kind = trends.filters.kind
    fed = {g.name: g.rates[kind].feeds for g in trends.by_stock.groups if g.name}
    return max(fed, key=lambda name: fed[name], default="")


def _answer(made: SetUp) -> list[Component]:
    query = {"stock": [made.stock], **({"kind": [made.kind]} if made.kind != "faults" else {})}
    card = html.A("its set-up card to print", href=CARD + filters.written(query), id="trends-card")
    first, last = made.account.first, made.account.last
    told: list[Component] = [
        html.P(html.B(made.sentence()), className="told", id="trends-settings-said"),
        html.P(
            [
                f"From the whole log, {theme.period(first, last)}: " if first and last else "",
                f"{theme.many_feeds(made.account.feeds)} of stock {made.stock} in "
                f"{many(made.account.runs, 'run')}. Open ",
                card,
                " (PDF).",
            ],
            className="key",
        ),
    ]
    if made.without:
        told.append(html.P(parts.sentence(made.without)))
    if made.combinations:
        told.append(_combinations(made))
    below = [*([_levels(made)] if made.tried else []), _advice(made)]
    return [*told, html.Div([html.Div(one) for one in below], className="pairs")]


def _combinations(made: SetUp) -> Component:
    # Here, since what draws the card takes a while to load.
    from dashboard.reports.card import shared_settings

    shared = shared_settings(made.combinations)
    rows = [_ran(one, shared) for one in made.combinations]
    told = "Settings that it ran at together, those with the most feeds."
    if shared:
        told += f" All of these with {settings_words(shared)}."
    told += " Clean: surely fewer than such feeds have at average settings; not clean: more."
    heads = ["it ran with", "feeds", "misses", "doubles", f"{made.kind} per 10,000 feeds"]
    return html.Section(
        [
            html.H3("How did it run, and with what?", id="trends-combinations"),
            html.Div(
                parts.table(
                    f"How stock {made.stock} ran at each combination of settings",
                    [*heads, "range", "so it is"],
                    rows,
                ),
                className="wide settings-ran",
            ),
            html.P(told, className="key"),
        ],
        **theme.attributes(aria_labelledby="trends-combinations"),
    )


def _ran(one: Combination, shared: Mapping[str, str]) -> Component:
    own = {name: level for name, level in one.settings.items() if name not in shared}
    rate = one.rate
    return html.Tr(
        [
            html.Th(settings_words(own) if own else "just these", scope="row", className="name"),
            html.Td(f"{rate.feeds:,}"),
            html.Td(f"{one.counts['misses']:,}", className="misses"),
            html.Td(f"{one.counts['doubles']:,}", className="doubles"),
            html.Td(theme.rate(rate.rate)),
            html.Td("–" if rate.rate is None else theme.span(rate.wide_low, rate.wide_high)),
            html.Td(one.verdict, className=_VERDICTS.get(one.verdict, "")),
        ]
    )


def _levels(made: SetUp) -> Component:
    rows = [_level(tried, level) for tried in made.tried for level in tried.levels]
    like = UNKNOWN_PAPER if made.mixed else "paper of its weight and coating"
    heads = ["level", "feeds, this stock", "feeds, paper like it", "times the usual", "range"]
    return html.Section(
        [
            html.H3("Which level of each setting did best?", id="trends-levels"),
            html.Div(
                parts.table(
                    f"Levels that stock {made.stock} and paper like it were run at",
                    [*heads, "best"],
                    rows,
                ),
                className="wide settings-ran",
            ),
            html.P(
                f"Times the {made.kind} of the level that it mostly ran at, all else the same, on "
                f"{like}. Best: how likely it is the best of those tried; "
                "a dash where there are too few feeds to say. What goes with a level is not yet "
                "what moving it would do: a trial tells that.",
                className="key",
            ),
        ],
        **theme.attributes(aria_labelledby="trends-levels"),
    )


def _level(tried: Tried, level: Level) -> Component:
    usual = level.level == tried.usual
    times, span = two_digits(level.ratio), times_range(level.low, level.high)
    return html.Tr(
        [
            html.Th(f"{called(tried.setting)} {level.level}", scope="row", className="name"),
            html.Td(f"{level.feeds:,}"),
            html.Td(f"{level.feeds_like:,}"),
            html.Td("the usual" if usual else times),
            html.Td("" if usual else span),
            html.Td("–" if level.best is None else chance(level.best).replace(" %", "\u00a0%")),
        ]
    )


def _advice(made: SetUp) -> Component:
    items: list[tuple[str, str, bool]] = []
    for tried in made.tried:
        items.append((called(tried.setting).capitalize(), tried.sentence(), False))
    if made.always:
        always = listed([f"{called(name)} {level}" for name, level in made.always.items()])
        items.append(
            (
                "Always",
                f"Always, or nearly, run at {always}: the log cannot tell what others would do.",
                False,
            )
        )
    items += [("To start", point.sentence(), False) for point in made.starting]
    first, *others = trials_in_order(made) or [""]
    if first:
        items.append(("To try", first, False))
    items.append(("Caution", CAUTION, True))
    more = [
        html.Details(
            [
                html.Summary("Trials of other settings"),
                *(html.P(text, className="key") for text in others),
            ],
            className="numbers",
        )
    ]
    return html.Section(
        [
            html.H3("What to set, and what to try next?", id="trends-advice"),
            html.Ol(
                [
                    html.Li(
                        [
                            html.Span(about, className="about warn" if warn else "about"),
                            html.Div(text),
                        ]
                    )
                    for about, text, warn in items
                ],
                className="attention",
            ),
            *(more if others else []),
        ],
        **theme.attributes(aria_labelledby="trends-advice"),
    )


def trials_in_order(made: SetUp) -> list[str]:
    """Say each trial that would settle a setting; the one that the card names comes first."""
    found = made.next_trial
    first = [found[0]] if found else []
    names = [*first, *(name for name in made.trials if name not in first)]
    return [f"{called(name).capitalize()}: {made.trials[name].sentence()}" for name in names]
