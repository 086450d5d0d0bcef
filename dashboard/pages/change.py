"""What changed between two periods? A part of the trends page, worked out when it is asked for.

Wiring only: `analysis.rate_change` splits the change into paper, air, settings, wear and the rest.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from dash import Dash, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.counts import Account
from analysis.filters import FilterError, Filters, parse_moment
from analysis.rate_change import Change
from dashboard import filters as shown_filters
from dashboard import parts, theme
from dashboard.data import Data
from dashboard.figures import change as figures
from dashboard.filters import Period, from_query, parse_query
from dashboard.forms import writes_address
from dashboard.pages import sections

#: The section's name, and what it has in the address: two periods, as ``2031-05-01/2031-06-30``.
NAME = "change"
CHOICES = ("before", "after")

#: Where the numbers behind the figure are.
NUMBERS = "/trends/change.csv"

_HEAD = "What changed between two periods?"
_ABOUT = (
    "Splits the change of the rate from the period before to this one, or between any two, into "
    "what the stocks, the air, the settings, the age of parts, the bins and the rest made of it."
)
_FIELDS = {
    "before_since": "Earlier period, from",
    "before_until": "Earlier period, to",
    "after_since": "Later period, from",
    "after_until": "Later period, to",
}


def register(app: Dash, data: Data) -> None:
    """Let the typed periods write the address; serve the numbers behind the figure."""

    def numbers() -> Response:
        query = parse_query(request.query_string.decode())
        try:
            asked = from_query(query, data.whole())
            found = data.change(*periods(asked, query, data.whole()))
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        if found is None or found.ratio is None:
            return Response("there is no change to split here\n", 404, mimetype="text/plain")
        return parts.csv_answer(change_csv(found), f"feedtally-change-{_file_name(found)}")

    app.server.add_url_rule(NUMBERS, "trends_change", numbers)

    def write(query: shown_filters.Query, typed: list[str]) -> str:
        return with_periods(query, data.whole(), typed)

    writes_address(app, "change-show", "change", tuple(_FIELDS), write)


def usual(filters: Filters) -> tuple[Period, Period]:
    """Return the period before that of a filter, of the same length, and that of the filter."""
    since, until = filters.since, filters.until
    if since is None or until is None:
        return (None, None), (since, until)
    moment = dt.timedelta(microseconds=1)
    return (since - (until - since) - moment, since - moment), (since, until)


def periods(
    filters: Filters, query: shown_filters.Query, whole: Account
) -> tuple[Filters, Filters]:
    """Return the two parts of the log that an address sets beside each other.

    Parameters
    ----------
    filters : Filters
        Of the page.
    query : mapping
        The address.
    whole : Account
        Of the whole log.

    Raises
    ------
    analysis.filters.FilterError
        For periods that cannot be read, that overlap, or that are beyond the log.
    """
    found = []
    for name, period in zip(CHOICES, usual(filters), strict=True):
        text = parts.last(query, name)
        found.append(filters.during(*(_read(name, text) if text else period)))
    before, after = found
    if before.since is None or before.until is None or after.since is None:
        raise FilterError("choose two periods to set beside each other")
    if before.until >= after.since:
        raise FilterError(
            "the earlier period must end before the later one begins; type two that do not overlap"
        )
    if whole.first is not None and before.until < whole.first:
        raise FilterError(
            f"the earlier period, {_days(before)}, is over before the log begins on "
            f"{theme.day(whole.first)}; type two periods of the log"
        )
    if whole.last is not None and after.since > whole.last:
        raise FilterError(
            f"the later period begins on {theme.day(after.since)}, after the log ends on "
            f"{theme.day(whole.last)}; type two periods of the log"
        )
    return before, after


def _read(name: str, text: str) -> Period:
    since, sign, until = text.partition("/")
    if not sign:
        raise FilterError(
            f"{name} is {text}; write its first and last day, such as 2031-05-01/2031-06-30"
        )
    called = "the earlier period" if name == "before" else "the later period"
    begins = parse_moment(since, f"the beginning of {called}")
    ends = parse_moment(until, f"the end of {called}", end=True)
    if ends < begins:
        raise FilterError(f"{called} ends before it begins; exchange its two days")
    return begins, ends


def _written(period: Period) -> tuple[str, str]:
    """Write a period as its form and the address have it."""
    since, until = period
    if since is None or until is None:
        return "", ""
    return _moment(since, dt.time.min), _moment(until, dt.time.max)


def _moment(moment: dt.datetime, whole_day: dt.time) -> str:
    return moment.date().isoformat() if moment.time() == whole_day else moment.isoformat()


def with_periods(query: shown_filters.Query, whole: Account, typed: Sequence[str]) -> str:
    """Return an address with two other periods, as typed; the usual ones are left out.

    Periods that cannot be are written as they stand: the page then says what is wrong.
    """
    texts = [text.strip() for text in typed]
    told = {}
    for name, pair, period in zip(
        CHOICES, (texts[:2], texts[2:]), usual(from_query(query, whole)), strict=True
    ):
        usually = tuple(pair) == _written(period)
        told[name] = "" if usually or not any(pair) else "/".join(pair)
    return parts.changed(query, **told)


def section(
    data: Data, filters: Filters, whole: Account, query: shown_filters.Query, to: sections.To
) -> Component:
    """Return the section, which is worked out only where the address asks for it."""

    def shown() -> list[Component]:
        try:
            before, after = periods(filters, query, whole)
            found = data.change(before, after)
        except FilterError as error:
            return [*_form(filters, query, parts.sentence(error))]
        return [*_answer(found, before, after, to), *_form(filters, query, "")]

    return sections.section(query, NAME, _HEAD, _ABOUT, to, shown)


def _form(filters: Filters, query: shown_filters.Query, wrong: str) -> list[Component]:
    texts: list[str] = []
    for name, period in zip(CHOICES, usual(filters), strict=True):
        typed = parts.last(query, name)
        since, _, until = typed.partition("/")
        texts += [since, until] if typed else _written(period)
    fields = [
        parts.field(f"change-{name}", label, text, hint="2031-04-30")
        for (name, label), text in zip(_FIELDS.items(), texts, strict=True)
    ]
    return [
        html.Div(
            [
                html.Div(fields, className="fields"),
                html.P(wrong, id="change-wrong", role="alert", className="warn wrong"),
                html.Div(
                    html.Button(
                        "Set these side by side", id="change-show", className="main", type="button"
                    ),
                    className="press",
                ),
            ],
            className="typing",
        )
    ]


def _answer(
    found: Change | None, before: Filters, after: Filters, to: sections.To
) -> list[Component]:
    kind = after.kind
    if found is None:
        return [
            html.P(
                f"No {kind} are on record in a known bin, so nothing is known of what they depend "
                "on, and a change cannot be split; log more runs.",
                className="told",
            )
        ]
    counted = [
        f"{_days(one)}: {count:,} in {theme.many_feeds(feeds)}"
        + (f", {theme.rate(count / feeds)} per 10,000" if feeds else "")
        for one, count, feeds in zip((before, after), found.counts, found.feeds, strict=True)
    ]
    told: list[Component] = [
        html.P(html.B(found.sentence()), className="told", id="trends-change-said"),
        html.P(f"{kind.capitalize()} in known bins, {'; '.join(counted)}.", className="key"),
    ]
    if found.ratio is None:
        return told
    return [
        *told,
        html.Div([html.Div(_figure(found, to)), _means(found)], className="pairs"),
    ]


def _days(one: Filters) -> str:
    assert one.since is not None and one.until is not None
    return theme.period(one.since, one.until)


def _figure(found: Change, to: sections.To) -> Component:
    head = f"Times the {found.kind} of before, part by part"
    asked = to(show="", stock_card="", setting="", over="", ranges="", rates="")
    key = (
        "Times each other, the parts make the whole. Line: range. Hollow: the range holds 1, so "
        "the part may be nothing. What air, settings and parts do was learnt from the whole log."
    )
    return parts.figured(
        "trends-change-parts",
        [*([parts.mark(found.kind)] if found.kind != "faults" else []), head],
        f"{found.sentence()} {head}",
        figures.change(found),
        f"feedtally-change-{_file_name(found)}",
        key,
        NUMBERS + ("" if asked == "?" else asked),
    )


def _means(found: Change) -> Component:
    number = figures.decimals(found)
    assert found.whole is not None
    rows = [
        _row(
            *figures.PARTS_IN_WORDS[part.part],
            figures.ratio(part.ratio, number),
            figures.spanned(part, number),
        )
        for part in found.parts
    ]
    whole = (
        figures.WHOLE,
        "the later rate over the earlier",
        figures.ratio(found.whole.ratio),
        figures.spanned(found.whole, 2),
    )
    return html.Section(
        [
            html.H3("What each part means", id="trends-change-means"),
            html.Div(
                parts.table(
                    "What is behind the change, part by part",
                    ["part", "what it means", "times", "range"],
                    [*rows, _row(*whole)],
                    words=True,
                ),
                className="wide parts",
            ),
        ],
        **theme.attributes(aria_labelledby="trends-change-means"),
    )


def _row(name: str, means: str, times: str, span: str) -> Component:
    return html.Tr(
        [
            html.Th(name, scope="row", className="name"),
            html.Td(means),
            html.Td(html.B(times), className="number"),
            html.Td(span, className="number"),
        ]
    )


def _file_name(found: Change) -> str:
    days = [
        f"{one.since:%Y-%m-%d}-to-{one.until:%Y-%m-%d}"
        for one in (found.before, found.after)
        if one.since is not None and one.until is not None
    ]
    return "-".join([found.kind, *days])


def change_csv(found: Change) -> str:
    """Write a change as CSV: a line for each part, and the whole, which is their product."""
    assert found.whole is not None
    told = (*found.parts, found.whole)
    rows = ([part.part, part.ratio, part.low, part.high] for part in told)
    return parts.csv_text("part ratio low high".split(), rows)
