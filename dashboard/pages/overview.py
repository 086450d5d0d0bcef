"""How are we running?

The rates of the period beside those before and at burn-in, what needs attention (`needs`), what
faults cost (`money`), whether the log can be believed (`believed`), and every tower with its bins.
Wiring only: all numbers come from `analysis.answers`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import plotly.graph_objects as go
from dash import Dash, Output, dcc, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.attention import Missing
from analysis.costs import CostsResult
from analysis.counts import Account
from analysis.filters import FilterError, Filters
from analysis.overview import Overview, Spoiled
from analysis.rates import Rate
from analysis.words import listed, many
from dashboard import filters as shown_filters
from dashboard import parts, theme
from dashboard.data import Data
from dashboard.figures import overview as figures
from dashboard.filters import from_query, parse_query, to_query
from dashboard.pages import believed, later, money, needs, reports_links

PATH, NAME = "/", "Overview"

NUMBERS = "/overview.csv"

#: Of more towers than so many the first are drawn with the page, and the others when they are asked
#: for: a browser takes a tenth of a second for each.
MOST_TOWERS, FIRST_TOWERS = 2 * figures.TOWERS_ACROSS, figures.TOWERS_ACROSS

_KIND_NAMES = {"misses": "misses", "doubles": "doubles", "faults": "both"}


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
    overview = data.overview(chosen)
    if not overview.account.rows:
        return parts.nothing_here(chosen, whole, query)
    found, priced = needs.known(data, overview), money.known(data, chosen)
    return html.Div(_answer(overview, whole, query, found, priced))


def chart(
    data: Data, filters: Filters, *, plain: bool = False, by_evidence: bool = False
) -> go.Figure:
    """Answer and draw."""
    return figures.tower_columns(data.overview(filters), plain=plain, by_evidence=by_evidence)


def register(app: Dash, data: Data) -> None:
    """Serve the numbers behind the figure; register the parts that are looked at later."""
    needs.register(app, data)
    money.register(app, data)
    believed.register(app, data)

    def others(address: str | None) -> list[Component]:
        query = parse_query(address)
        overview = data.overview(from_query(query, data.whole()))
        how = "plain" in query.get("ranges", ()), "evidence" in query.get("order", ())
        # A few towers to a figure: the time that plotly takes grows with their square.
        starts = range(FIRST_TOWERS, len(overview.towers), MOST_TOWERS)
        drawn = [
            _columns(f"overview-chart-{a}", overview, *how, slice(a, a + MOST_TOWERS))
            for a in starts
        ]
        return [*drawn, _numbers_table(overview, *how)]

    later.when_asked(
        app,
        "overview-more",
        [Output("overview-more", "children")],
        others,
        [html.P("The other towers could not be drawn. Open the page again.")],
        "the other towers could not be drawn",
        asked=("asked", "n_clicks"),
    )

    def numbers() -> Response:
        try:
            chosen = from_query(parse_query(request.query_string.decode()), data.whole())
            overview = data.overview(chosen)
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        ending = parts.file_name(overview.filters, overview.account)
        return parts.csv_answer(numbers_csv(overview), f"feedtally-bins-{ending}")

    app.server.add_url_rule(NUMBERS, "overview_numbers", numbers)


def numbers_csv(overview: Overview) -> str:
    """Write what the figure shows as CSV: a line for each bin, rates as faults per feed."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(
        "tower bin kind feeds count rate low high wide_low wide_high standing stands_out "
        "times_others above_expected "
        "burn_in_feeds burn_in_count burn_in_rate burn_in_wide_low burn_in_wide_high".split()
    )
    for tower in overview.towers:
        then = tower.burn_in
        burn_in: tuple[object, ...] = ("",) * 5
        if then is not None:
            burn_in = (then.feeds, then.count, then.rate, then.wide_low, then.wide_high)
        for bin_ in tower.bins:
            r = bin_.rate
            table.writerow(
                [
                    parts.safe_cell(bin_.tower),
                    bin_.bin,
                    r.kind,
                    r.feeds,
                    r.count,
                    *("" if r.rate is None else v for v in (r.rate, r.low, r.high)),
                    *("" if r.rate is None else v for v in (r.wide_low, r.wide_high)),
                    bin_.standing,
                    "yes" if bin_.stands_out else "no",
                    "" if bin_.times_others is None else bin_.times_others,
                    bin_.above_expected,
                    *burn_in,
                ]
            )
    return out.getvalue()


def _answer(
    overview: Overview,
    whole: Account,
    query: shown_filters.Query,
    found: needs.Known,
    priced: CostsResult | None,
) -> list[Component]:
    plain = "plain" in query.get("ranges", ())
    by_evidence = "evidence" in query.get("order", ())
    return [
        html.H1(overview.sentence()),
        html.P(_sub_line(overview, plain), className="sub"),
        _rates_table(overview, plain),
        html.Div(
            [
                html.Div(
                    [
                        needs.section(overview, whole, query, _missing(overview), found),
                        believed.section(overview, whole),
                    ]
                ),
                html.Div(
                    [
                        _towers(overview, whole, plain, by_evidence),
                        money.section(overview, whole, priced),
                    ]
                ),
            ],
            className="columns",
        ),
        *([reports_links.links("weekly", overview.account.last)] if overview.account.last else []),
    ]


def _sub_line(overview: Overview, plain: bool) -> str:
    kind = overview.filters.kind
    now, past = overview.now[kind], overview.past.get(kind)
    account = overview.account
    line = "No feeds were watched"
    if now.rate is not None:
        line = (
            f"{theme.rate(now.rate)} {kind} per 10,000 feeds "
            f"({theme.span(*figures.bounds(now, plain))})"
        )
    if past is not None and past.rate is not None:
        line += (
            f" against {theme.rate(past.rate)} "
            f"({theme.span(*figures.bounds(past, plain))}) in the period before"
        )
    return f"{line}; {theme.many_feeds(account.feeds)} in {many(account.runs, 'run')}."


def _rates_table(overview: Overview, plain: bool) -> Component:
    heads = ["this period", "range", "counted", "period before", "at burn-in"]
    rows = [_rate_row(kind, overview, plain) for kind in ("misses", "doubles", "faults")]
    if overview.spoiled_now is not None:
        rows.append(_spoiled_row(overview.spoiled_now, overview.spoiled_past))
    kept, watched = overview.now["faults"].feeds, max(rate.feeds for rate in overview.now.values())
    left_out = html.P(
        f"Both: without the {theme.many_feeds(watched - kept)} on which nothing watched for one "
        "of the kinds.",
        className="key",
    )
    return html.Div(
        [
            _rates(heads, rows),
            *([left_out] if kept < watched else []),
        ]
    )


def _rates(heads: list[str], rows: list[Component]) -> Component:
    return html.Div(
        html.Table(
            [
                html.Caption(
                    "Faults per 10,000 feeds, and sets with a fault in them",
                    className="unseen",
                ),
                html.Thead(
                    html.Tr(
                        [
                            html.Th("per 10,000 feeds", scope="col", className="name"),
                            *(html.Th(head, scope="col") for head in heads),
                        ]
                    )
                ),
                html.Tbody(rows),
            ],
            className="say",
        ),
        className="wide",
    )


def _rate_row(kind: str, overview: Overview, plain: bool) -> Component:
    now = overview.now.get(kind)
    name: list[Component | str] = [
        *([parts.mark(kind)] if kind != "faults" else []),
        _KIND_NAMES[kind],
    ]
    cells = [_with_range(rates.get(kind), plain) for rates in (overview.past, overview.burn_in)]
    shown = "shown" if overview.filters.kind == kind else ""
    if now is None or now.rate is None:
        own = [html.Td("–"), html.Td("not watched"), html.Td("")]
    else:
        own = [
            html.Td(html.B(theme.rate(now.rate))),
            html.Td(theme.span(*figures.bounds(now, plain))),
            html.Td(f"{now.count:,} in {theme.feeds(now.feeds)}"),
        ]
    return html.Tr(
        [html.Th(name, scope="row", className=f"name {kind}"), *own, *cells],
        className=shown,
        id=f"overview-{kind}",
    )


def _with_range(rate: Rate | None, plain: bool) -> Component:
    if rate is None or rate.rate is None:
        return html.Td("–")
    low_high = theme.span(*figures.bounds(rate, plain))
    return html.Td([theme.rate(rate.rate), html.Small(f" ({low_high})")])


def _spoiled_row(now: Spoiled, past: Spoiled | None) -> Component:
    before: Component = html.Td("–")
    if past is not None:
        low_high = f" ({_percents(past)})"
        before = html.Td([theme.percent(past.share), html.Small(low_high)])
    return html.Tr(
        [
            html.Th("sets with a fault", scope="row", className="name"),
            html.Td(html.B(theme.percent(now.share))),
            html.Td(_percents(now)),
            html.Td(f"of {theme.feeds(now.sets)} {'set' if now.sets == 1 else 'sets'}"),
            before,
            html.Td(""),
        ],
        id="overview-spoiled",
    )


def _percents(spoiled: Spoiled) -> str:
    low, high = theme.percent(spoiled.low), theme.percent(spoiled.high)
    return f"{low.removesuffix(chr(0xA0) + '%')} to {high}"


def _towers(overview: Overview, whole: Account, plain: bool, by_evidence: bool) -> Component:
    kind = overview.filters.kind
    ranges, order = "plain" if plain else "", "evidence" if by_evidence else ""

    def to(ranges: str, order: str) -> str:
        return to_query(overview.filters, whole, ranges=ranges, order=order) or "?"

    numbers = to_query(overview.filters, whole)
    more: list[Component] = []
    shown = len(overview.towers)
    if shown > MOST_TOWERS:
        shown = FIRST_TOWERS
        others = f"Draw the other {many(len(overview.towers) - shown, 'tower')}, and all in a table"
        more = [
            dcc.Store(id="overview-more-of", data=to(ranges, order)),
            html.Div(
                html.Button(others, id="overview-more-asked", type="button"), id="overview-more"
            ),
        ]
    else:
        more = [_numbers_table(overview, plain, by_evidence)]
    return html.Section(
        [
            html.H2(
                [
                    *([parts.mark(kind)] if kind != "faults" else []),
                    f"Which bins have more {kind} than the others of their tower?",
                ],
                id="overview-towers",
            ),
            html.Div(
                [
                    parts.either(
                        "Bins",
                        ("as they stand in the tower", to(ranges, ""), not by_evidence),
                        ("most beyond the others first", to(ranges, "evidence"), by_evidence),
                    ),
                    parts.ranges_either(plain, to("", order), to("plain", order)),
                ],
                className="turns",
            ),
            _columns("overview-chart", overview, plain, by_evidence, slice(shown)),
            html.P(_key_to_figure(overview, plain), className="key"),
            *more,
            parts.save_line("overview-chart", NUMBERS + numbers),
        ],
        **theme.attributes(aria_labelledby="overview-towers"),
    )


def _columns(
    name: str, overview: Overview, plain: bool, by_evidence: bool, some: slice
) -> Component:
    """Return some of the towers, drawn."""
    figure = figures.tower_columns(overview, plain=plain, by_evidence=by_evidence, some=some)
    return html.Div(
        dcc.Graph(
            id=name,
            figure=figure,
            # A figure that follows the width of the window forgets its own height.
            style={"height": f"{figure.layout.height}px"},
            config=theme.graph_config(
                f"feedtally-{parts.file_name(overview.filters, overview.account)}"
            ),
        ),
        # One tower alone would be stretched beyond what a rate needs.
        className="figure one" if len(overview.towers) == 1 else "figure",
        role="img",
        **theme.attributes(aria_label=f"{overview.sentence()} The numbers are in the table below."),
    )


def _key_to_figure(overview: Overview, plain: bool) -> str:
    told = "Dot: rate in the period. Line: its range, "
    told += "as if faults fall singly" if plain else "allowing for faults that come in clusters"
    told += "."
    standings = {bin_.standing for tower in overview.towers for bin_ in tower.bins}
    if any(tower.burn_in is not None for tower in overview.towers):
        told += " Dotted line and band: the tower at burn-in and its range."
    if "too few feeds" in standings:
        told += " Hollow: too few feeds to tell."
    if "no burn-in" in standings:
        told += " Hollow where there is no burn-in to compare with."
    if plain:
        told += " Whether a bin stands out is judged by the wider ranges all the same."
    if figures.runs_on(overview, plain):
        told += " Arrow: the range goes on beyond the scale."
    return told


def _numbers_table(overview: Overview, plain: bool, by_evidence: bool) -> Component:
    rows = []
    for tower in overview.towers:
        for bin_ in figures.in_order(tower, by_evidence):
            r = bin_.rate
            low_high = "–" if r.rate is None else theme.span(*figures.bounds(r, plain))
            rows.append(
                html.Tr(
                    [
                        html.Th(f"{bin_.tower}, bin {bin_.bin}", scope="row", className="name"),
                        html.Td(f"{r.count:,}"),
                        html.Td(f"{r.feeds:,}"),
                        html.Td(theme.rate(r.rate)),
                        html.Td(low_high),
                        html.Td(
                            figures.times_of(bin_, tower) or bin_.standing,
                            className="standing " + ("warn" if figures.pointed_at(bin_) else ""),
                        ),
                    ]
                )
            )
    kind = overview.filters.kind
    heads = (kind, "feeds", "per 10,000 feeds", "range", "beside the others, and burn-in")
    return parts.numbers_table(f"{kind.capitalize()} of each bin", "tower and bin", heads, rows)


def _missing(overview: Overview) -> str:
    """Say which gaps the list above does not name."""
    missing, named = overview.missing, {item.about for item in overview.attention}
    gaps = [
        f"{name} on {theme.percent(share)} of feeds"
        for name, share, about in (
            ("humidity", missing.humidity, "Air"),
            ("stock", missing.stock, "Paper"),
        )
        if share > 0 and about not in named
    ]
    told = [f"Not logged: {listed(gaps)}."] if gaps else []
    for name, share in (("misses", missing.misses_off), ("doubles", missing.doubles_off)):
        if share > 0 and "Detectors" not in named:
            told.append(f"Nothing watched for {name} on {theme.percent(share)} of feeds.")
    if missing.unplaced_faults and "Bins" not in named:
        told.append(
            f"{many(missing.unplaced_faults, 'fault')} without a bin: counted in the "
            "tower, in none of its bins."
        )
    now = overview.now.get(overview.filters.kind)
    if now is not None and not now.spread_known:
        told.append(
            "A tower has fewer than 30 runs: how far its faults come in clusters is not known yet."
        )
    if not told and missing == Missing(0, 0, 0, 0, 0):
        return "Nothing is missing: humidity and stock were logged on every feed, all were watched."
    return " ".join(told)
