"""What do the faults cost? A part of the overview, looked at after the page is there.

What was paid in the period, for what, and which bins cost more than an ordinary one of their tower.
It takes seconds the first time, so the page says that it works it out and is told later. Wiring
only: `analysis.costs` prices.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from dash import Dash, Output, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.costs import Beyond, CostsResult
from analysis.counts import Account
from analysis.filters import FilterError, Filters
from analysis.overview import Overview
from analysis.pricing import PER_SETS, Cost
from analysis.words import two_digits
from dashboard import parts, theme
from dashboard.data import Data
from dashboard.filters import from_query, parse_query, to_query
from dashboard.pages import later

NUMBERS = "/costs.csv"

#: Milliseconds before it is asked for.
_LATER = 400
_LOOKING = "Working out what the faults cost …"

#: Bins beyond an ordinary one that are shown.
_FEW = 4


def asked(chosen: Filters) -> Filters:
    """Return what is asked of costs: without a purpose, they tell make-ready apart."""
    return chosen.holding("purpose") if chosen.values("purpose") == ("production",) else chosen


def known(data: Data, chosen: Filters) -> CostsResult | None:
    """Return what the faults cost where that is at hand."""
    return data.costs(asked(chosen)) if data.knows_costs(asked(chosen)) else None


def section(overview: Overview, whole: Account, priced: CostsResult | None) -> Component:
    """Return the section; without an answer it asks for one by itself.

    Parameters
    ----------
    overview : Overview
        As shown.
    whole : Account
        Of the whole log.
    priced : CostsResult, optional
        Where it is at hand.
    """
    address = to_query(overview.filters, whole)
    asks: list[Component] = []
    if priced is None:
        asks = later.asks("overview-money", address, _LATER)
    shown = [html.P(_LOOKING, className="looking")] if priced is None else answer(priced, address)
    return html.Section(
        [
            html.H2("What faults cost", id="overview-money"),
            *asks,
            html.Div(shown, id="overview-cost", **theme.attributes(aria_live="polite")),
        ],
        className="money",
        **theme.attributes(aria_labelledby="overview-money"),
    )


def register(app: Dash, data: Data) -> None:
    """Work it out a moment after the section has come into the page; serve the numbers."""

    def made(address: str | None) -> list[Component]:
        chosen = from_query(parse_query(address), data.whole())
        return answer(data.costs(asked(chosen)), address or "")

    later.when_asked(
        app,
        "overview-money",
        [Output("overview-cost", "children")],
        made,
        [html.P("This could not be worked out. Open the page again.")],
        "what the faults cost could not be worked out",
    )

    def numbers() -> Response:
        try:
            chosen = from_query(parse_query(request.query_string.decode()), data.whole())
            priced = data.costs(asked(chosen))
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        ending = parts.file_name(chosen, priced.account)
        return parts.csv_answer(numbers_csv(priced), f"feedtally-costs-{ending}")

    app.server.add_url_rule(NUMBERS, "costs_numbers", numbers)


def answer(priced: CostsResult, address: str) -> list[Component]:
    """Say what the faults of the period cost.

    Parameters
    ----------
    priced : CostsResult
        Of the period.
    address : str
        Of the same filter, for the numbers.
    """
    each = priced.total.per_sets()
    if each is None or not priced.days:
        return [html.P(priced.sentence())]
    total = priced.total
    return [
        html.P(
            [
                html.B(priced.money(total.cost)),
                f" in this period ({_span(priced, total.low, total.high)}); ",
                html.B(priced.money(each[0])),
                f" per {PER_SETS:,} sets ({_span(priced, *each[1:])}).",
            ],
            className="told",
        ),
        html.Div(
            [html.Div(_paid(priced), className="wide"), *_dearest(priced)], className="tables"
        ),
        *_what_is_ordinary(priced),
        *(html.P(text, className="key") for text in _notes(priced)),
        html.P(
            [
                "Save the numbers as ",
                html.A("CSV", href=f"{NUMBERS}{address}", id="overview-costs-csv"),
            ],
            className="save",
        ),
    ]


def _paid(priced: CostsResult) -> Component:
    rows = [
        html.Tr(
            [
                html.Th(_what(line), scope="row", className="name"),
                html.Td(f"{line.of['events']:,.0f}"),
                html.Td(two_digits(line.cost)),
                html.Td(html.Small(_span(priced, line.low, line.high))),
            ]
        )
        for line in priced.by_what
    ]
    ready = priced.make_ready
    if ready is not None and ready.sets:
        rows.append(
            html.Tr(
                [
                    html.Th("apart: in make-ready", scope="row", className="name"),
                    html.Td(f"{ready.faults + ready.found_later:,.0f}"),
                    html.Td(two_digits(ready.cost)),
                    html.Td(html.Small(_span(priced, ready.low, ready.high))),
                ],
                id="overview-make-ready",
            )
        )
    heads = ["what is paid", "times", _cost_head(priced), "range"]
    return parts.table("What is paid for faults in this period", heads, rows)


def _span(priced: CostsResult, low: float, high: float) -> str:
    return priced.span(low, high).replace("-", "\N{MINUS SIGN}")


def _what(line: Cost) -> str:
    what = str(line.of["what"])
    return "doubles found later" if what == "found later" else what


def _cost_head(priced: CostsResult) -> str:
    return priced.figures.currency or "cost"


def _dearest(priced: CostsResult) -> list[Component]:
    """Show the bins that cost most beyond an ordinary one, and how sure that is."""
    some = [one for one in priced.beyond if one.faults > one.ordinary][:_FEW]
    if not some:
        return []
    currency = f", {priced.figures.currency}" if priced.figures.currency else ""
    heads = ["beyond ordinary", f"a year{currency}", f"per {PER_SETS:,} sets", "so it is"]
    return [
        html.Div(
            parts.table(
                "Bins that cost more than an ordinary one of their tower",
                heads,
                [_bin_row(priced, one) for one in some],
            ),
            className="wide",
        ),
    ]


def _what_is_ordinary(priced: CostsResult) -> list[Component]:
    if not priced.beyond:
        return []
    which = "on the same paper, in the same air" if priced.adjusted else "whatever it fed"
    told = (
        f"Beyond ordinary: beyond the middle bin of the same tower, {which}. A year: as much as it "
        "fed in the last three months, at this period's rate."
    )
    return [html.P(told, className="key")]


def _bin_row(priced: CostsResult, one: Beyond) -> Component:
    year, each = one.a_year(), one.per_sets()
    sure = one.low > 0
    best = html.B(two_digits(year[0])) if sure else two_digits(year[0])
    return html.Tr(
        [
            html.Th(f"{one.tower}, bin {one.bin}", scope="row", className="name"),
            html.Td([best, html.Small(f" ({_span(priced, *year[1:])})")]),
            html.Td([two_digits(each[0]), html.Small(f" ({_span(priced, *each[1:])})")]),
            html.Td("dearer" if sure else "may be luck", className="word warn" if sure else "word"),
        ]
    )


def _notes(priced: CostsResult) -> Sequence[str]:
    """Say what is assumed, and what is not in it."""
    usual = priced.usual_figures()
    own = " Your own stand under [costs] in the site file." if usual else ""
    return [text for text in (f"{usual}{own}", priced.logged()) if text]


def numbers_csv(priced: CostsResult) -> str:
    """Write costs as CSV: the total, its parts, make-ready, and bins beyond an ordinary one."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    names = ("tower", "bin", "stock", "kind", "what")
    table.writerow(
        [
            *("part", *names, "currency", "events", "faults", "found_later", "sets"),
            *("cost", "low", "high", "per_10000_sets", "per_10000_sets_low", "per_10000_sets_high"),
        ]
    )

    def row(part: str, one: Cost) -> list[object]:
        each = one.per_sets() or ("", "", "")
        of = [one.of.get(name) for name in names]
        return [
            part,
            *("" if v is None else parts.safe_cell(v) if isinstance(v, str) else v for v in of),
            parts.safe_cell(priced.figures.currency),
            one.of.get("events", ""),
            one.faults,
            one.found_later,
            one.sets,
            *(one.cost, one.low, one.high, *each),
        ]

    groups: list[tuple[str, Sequence[Cost]]] = [
        ("total", [priced.total]),
        ("paid", priced.by_what),
        ("kind", priced.by_kind),
        ("tower", priced.by_tower),
        ("bin", priced.by_bin),
        ("stock", priced.by_stock),
        ("make-ready", [priced.make_ready] if priced.make_ready is not None else []),
    ]
    for part, lines in groups:
        table.writerows(row(part, one) for one in lines)
    for one in priced.beyond:
        # Of a year, as the cost in the same line is.
        years = one.feeds_a_year / one.feeds if one.feeds else 0.0
        table.writerow(
            [
                "beyond an ordinary bin, a year",
                *(parts.safe_cell(one.tower), one.bin, "", "", ""),
                parts.safe_cell(priced.figures.currency),
                *("", (one.faults - one.ordinary) * years, "", ""),
                *one.a_year(),
                *one.per_sets(),
            ]
        )
    return out.getvalue()
