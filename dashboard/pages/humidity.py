"""What does the air do by itself? A part of the trends page, beside the bands of humidity.

Wiring only: the curve is that of `analysis.conditions`, learnt from the whole log.
"""

from __future__ import annotations

from collections.abc import Sequence

from dash import Dash, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.conditions import Conditions
from analysis.conditions_levels import TONER
from analysis.conditions_told import CurvePoint
from analysis.filters import FilterError
from analysis.log_format import FAULT_KINDS, kinds_of
from analysis.words import times_range, two_digits
from dashboard import parts, theme
from dashboard.data import Data
from dashboard.figures import humidity as figures
from dashboard.filters import parse_query

#: Where the numbers behind the curve are.
NUMBERS = "/trends/humidity-curve.csv"

#: The table has a row for every so many percent, and for both ends; the file has them all.
_EVERY = 5


def register(app: Dash, data: Data) -> None:
    """Serve the numbers behind the curve."""

    def numbers() -> Response:
        kind = parts.last(parse_query(request.query_string.decode()), "kind") or "faults"
        try:
            if kind not in FAULT_KINDS:
                raise FilterError(f"kind is {kind}; write one of {', '.join(FAULT_KINDS)}")
            found = [data.conditions(one) for one in kinds_of(kind)]
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        text = curve_csv([one for one in found if one is not None])
        return parts.csv_answer(text, f"feedtally-humidity-curve-{kind}")

    app.server.add_url_rule(NUMBERS, "trends_humidity_curve", numbers)


def curve_csv(found: Sequence[Conditions]) -> str:
    """Write curves as CSV: a line for each kind, way to print and percent."""
    rows = (
        [one.kind, p.printed_by, p.humidity_pct, p.ratio, p.low, p.high, p.feeds]
        for one in found
        for p in one.humidity_curve
    )
    return parts.csv_text("kind printed_by humidity_pct ratio low high feeds".split(), rows)


def section(found: Sequence[Conditions], kind: str) -> Component:
    """Return the curve of each kind of fault with what it shows in words.

    Parameters
    ----------
    found : sequence of Conditions
        Of the kinds shown.
    kind : str
        Asked for.
    """
    found = [one for one in found if one.humidity_curve]
    if not found:
        return html.Section(
            [
                html.H2("What does the air do by itself?", id="trends-humidity-curve"),
                html.P("No humidity was logged with faults to learn from, so there is no curve."),
            ],
            **theme.attributes(aria_labelledby="trends-humidity-curve"),
        )
    ordered = sorted(found, key=figures.how_clear, reverse=True)
    head, *others = [figures.air_in_words(one) for one in ordered]
    told = " ".join(f"{text}." for text in others)
    first = ordered[0]
    has_toner = any(p.printed_by == TONER for one in found for p in one.humidity_curve)
    toner = " Dashed: toner-printed paper." if has_toner else ""
    key = (
        f"{told} Line: times the rate in air of {figures.stated(found)}, all else the same; "
        f"area: its range. Dotted: that rate.{toner} Bars: feeds at each percent."
        f" Learnt from the whole log's production, {theme.many_feeds(first.feeds)}, "
        "whatever part of it is shown."
    ).strip()
    return parts.figured(
        "trends-humidity-curve",
        [*([parts.mark(kind)] if kind != "faults" else []), head],
        head,
        figures.humidity_curve(found),
        f"feedtally-humidity-curve-{kind}",
        key,
        NUMBERS + ("" if kind == "faults" else f"?kind={kind}"),
        _table(found),
    )


def _in_table(found: Conditions) -> list[CurvePoint]:
    """Return the points that the table has a row for: some, however narrow the air was."""
    shown = []
    for printed in figures.PAPERS:
        own = [p for p in found.humidity_curve if p.printed_by == printed]
        always = {found.stated_humidity_pct, *(p.humidity_pct for p in (*own[:1], *own[-1:]))}
        shown += [p for p in own if p.humidity_pct % _EVERY == 0 or p.humidity_pct in always]
    return shown


def _table(found: Sequence[Conditions]) -> Component:
    stated = figures.stated(found)
    rows = [
        html.Tr(
            [
                html.Th(
                    f"{p.humidity_pct} %, {figures.PAPERS[p.printed_by]}",
                    scope="row",
                    className="name",
                ),
                html.Td(one.kind, className=one.kind),
                html.Td(two_digits(p.ratio)),
                html.Td(times_range(p.low, p.high)),
                html.Td(f"{p.feeds:,}"),
            ]
        )
        for one in found
        for p in _in_table(one)
    ]
    return parts.numbers_table(
        f"Ratio to air of {stated}, by relative humidity",
        "air",
        ["kind", f"times that at {stated}", "range", "feeds in just such air"],
        rows,
        f"The numbers at every {_EVERY} %, and at both ends, in a table",
    )
