"""What needs attention? A part of the overview.

Who is getting worse, which bins stand out, and what the log does not say. The first takes seconds
to work out after the log has grown, so the list is there without it and is made anew when it is
known. Wiring only: `analysis.attention` makes the list.
"""

from __future__ import annotations

import logging

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from analysis.attention import Attention, with_drift
from analysis.counts import Account
from analysis.drift import Drift
from analysis.filters import Filters
from analysis.overview import Overview
from dashboard import filters as shown_filters
from dashboard import theme
from dashboard.data import Data
from dashboard.filters import from_query, page_choices, parse_query, to_query
from dashboard.pages import drift as drift_page

_LOG = logging.getLogger(__name__)

#: Milliseconds before it is asked for.
_LATER = 300
_LOOKING = "Looking who is getting worse …"

#: With a filter that holds more, the list is of those runs, and bins are watched by all of theirs.
_FOLLOWED = (*drift_page.FOLLOWED, "purpose")


def _followed(chosen: Filters) -> bool:
    return all(column in _FOLLOWED for column, _ in chosen.where) and chosen.values("purpose") in (
        (),
        ("production",),
    )


def known(data: Data, chosen: Filters) -> Drift | None:
    """Return who is getting worse where that is at hand."""
    asked = drift_page.watched(chosen)
    if not _followed(chosen) or not data.knows_drift(asked):
        return None
    return data.drift(asked)


def section(
    overview: Overview,
    whole: Account,
    query: shown_filters.Query,
    missing: str,
    drift: Drift | None,
) -> Component:
    """Return the section; without a drift it asks for one by itself.

    Parameters
    ----------
    overview : Overview
        As shown.
    whole : Account
        Of the whole log.
    query : mapping
        The address.
    missing : str
        Which gaps of the log the list does not name.
    drift : Drift, optional
        Who is getting worse, where that is known.
    """
    asks: list[Component] = []
    if drift is None and _followed(overview.filters):
        asks = [
            dcc.Store(id="overview-needs-of", data=shown_filters.written(query)),
            # Asked for a moment later, so that the page and its figure are drawn first.
            dcc.Interval(id="overview-needs-later", interval=_LATER, max_intervals=1),
        ]
    return html.Section(
        [
            html.H2("Needs attention, worst first", id="overview-needs"),
            *asks,
            html.Div(
                [
                    *([html.P(_LOOKING, className="looking")] if asks else []),
                    listed(overview, whole, query, drift),
                ],
                id="overview-attention",
                **theme.attributes(aria_live="polite"),
            ),
            html.P(missing, className="key", id="overview-missing"),
        ],
        **theme.attributes(aria_labelledby="overview-needs"),
    )


def register(app: Dash, data: Data) -> None:
    """Make the list anew a moment after the section has come into the page."""

    @app.callback(
        Output("overview-attention", "children"),
        Input("overview-needs-later", "n_intervals"),
        State("overview-needs-of", "data"),
        prevent_initial_call=True,
    )
    def _(moments: int | None, address: str | None) -> object:
        if not moments:
            return no_update
        try:
            whole, query = data.whole(), parse_query(address)
            chosen = from_query(query, whole)
            drift = data.drift(drift_page.watched(chosen))
            return [listed(data.overview(chosen), whole, query, drift)]
        except Exception:
            # A page that stands must not fall for it; the trace goes to whoever runs the program.
            _LOG.exception("who is getting worse could not be worked out")
            return [html.P("Who is getting worse could not be worked out. Open the page again.")]


def listed(
    overview: Overview, whole: Account, query: shown_filters.Query, drift: Drift | None
) -> Component:
    """Return the list, with who is getting worse at its head where that is known."""
    found = overview.attention
    if drift is not None:
        found = with_drift(found, overview.filters, drift)
    items = [_item(item, overview, whole, query) for item in found]
    if items:
        return html.Ol(items, className="attention")
    return html.P("Nothing stands out, and nothing is missing that would hide it.")


def _item(
    item: Attention, overview: Overview, whole: Account, query: shown_filters.Query
) -> Component:
    about = (
        [html.Span("!", className="alarm", **theme.attributes(aria_hidden="true"))]
        if item.urgent
        else []
    )
    link = _link(item, overview, whole, query)
    return html.Li(
        [
            html.Span([*about, item.about], className="about warn" if item.urgent else "about"),
            html.Div([html.Span([item.sentence, *link]), html.Small(item.evidence)]),
        ]
    )


def _link(
    item: Attention, overview: Overview, whole: Account, query: shown_filters.Query
) -> list[Component | str]:
    """Return a link to where more is said of an item."""
    if not item.tower:
        return []
    if item.kind:
        place = drift_page.named(item.tower, item.bin, item.kind)
        target = drift_page.PATH + to_query(overview.filters, whole, stream=place)
        return [" ", html.A("See when it began", href=target, className="inside")]
    # The whole tower, not the bin alone: a bin is judged beside the others of its tower.
    only = overview.filters.holding("tower", item.tower)
    # On the view that holds just this, a link to it would lead nowhere.
    if only.values("tower") == overview.filters.values("tower"):
        return []
    target = to_query(only, whole, **page_choices(query))
    label = f"See tower {item.tower} alone"
    return [" ", html.A(label, href=target or "?", className="inside")]
