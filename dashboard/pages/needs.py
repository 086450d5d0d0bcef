"""What needs attention? A part of the overview.

Who is getting worse, which bins stand out, and what the log does not say; what each costs, and what
is likely behind it. Some of it takes seconds to work out after the log has grown, so the list is
there without and is made anew twice: when it is known who is getting worse, and when it is known
what that costs and why. Wiring only: `analysis.attention` makes the list.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from dash import Dash, Input, Output, dcc, html, no_update
from dash.development.base_component import Component

from analysis.attention import Attention, with_causes, with_costs, with_drift
from analysis.causes import Causes
from analysis.costs import CostsResult
from analysis.counts import Account
from analysis.drift import Drift
from analysis.filters import FilterError, Filters
from analysis.overview import Overview
from analysis.patterns import PatternsError
from dashboard import filters as shown_filters
from dashboard import theme
from dashboard.data import Data
from dashboard.filters import from_query, page_choices, parse_query, to_query
from dashboard.pages import later, money, streams
from dashboard.parts import sentence as as_sentence

_LOG = logging.getLogger(__name__)

#: Milliseconds before it is asked for.
_LATER = 300
_LOOKING = "Looking who is getting worse …"
_PRICING = "Looking what it costs and what is likely behind it …"

#: With a filter that holds more, the list is of those runs, and bins are watched by all of theirs.
_FOLLOWED = (*streams.FOLLOWED, "purpose")
#: Items that are shown while the list is still being made.
_FIRST = 12
#: Causes are looked for of so many that are getting worse: each may take two seconds.
_MOST_CAUSES = 5

#: By tower, bin and kind.
Place = tuple[str, int | None, str]


@dataclass(frozen=True)
class Known:
    """What is known for the list beside the overview.

    Attributes
    ----------
    drift : Drift, optional
        Who is getting worse; None where that is not known yet, or is no question of the filter.
    costs : mapping of str to CostsResult
        By kind of fault.
    causes : mapping of Place to Causes
        Of those who are getting worse.
    whole : bool
        Whether nothing of it is still to be worked out.
    """

    drift: Drift | None = None
    costs: dict[str, CostsResult] = field(default_factory=dict)
    causes: dict[Place, Causes] = field(default_factory=dict)
    whole: bool = True


def _followed(chosen: Filters) -> bool:
    return all(column in _FOLLOWED for column, _ in chosen.where) and chosen.values("purpose") in (
        (),
        ("production",),
    )


def known(data: Data, overview: Overview, *, drift: bool = False, rest: bool = False) -> Known:
    """Return what is known for the list.

    Parameters
    ----------
    data : Data
        The store.
    overview : Overview
        As shown.
    drift, rest : bool
        Whether to work out who is getting worse, and what it costs and why, where that is not at
        hand.
    """
    chosen, found, whole = overview.filters, None, True
    if _followed(chosen):
        followed = streams.watched(chosen)
        if drift or data.knows_drift(followed):
            found = data.drift(followed)
        else:
            whole = False
    items = _items(overview, found)
    kinds = dict.fromkeys(item.kind or "faults" for item in items if item.urgent)
    priced = {kind: money.asked(replace(chosen, kind=kind)) for kind in kinds}
    costs: dict[str, CostsResult] = {}
    # With the costs of some alone the list would be in no order.
    if rest or all(data.knows_costs(one) for one in priced.values()):
        costs = {kind: data.costs(one) for kind, one in priced.items()}
    else:
        whole = False
    places = [(item.tower, item.bin, item.kind) for item in items if item.drifts]
    causes: dict[Place, Causes] = {}
    for place in places[:_MOST_CAUSES]:
        if rest or data.knows_causes(*place):
            one = _causes(data, place)
            if one is not None:
                causes[place] = one
        else:
            whole = False
    return Known(found, costs, causes, whole)


def _causes(data: Data, place: Place) -> Causes | None:
    try:
        return data.causes(*place)
    except (FilterError, PatternsError):
        # The list is worth having without; the Drift page says what is the matter.
        return None


def _items(overview: Overview, drift: Drift | None) -> Sequence[Attention]:
    if drift is None:
        return overview.attention
    return with_drift(overview.attention, overview.filters, drift)


def section(
    overview: Overview,
    whole: Account,
    query: shown_filters.Query,
    missing: str,
    found: Known,
) -> Component:
    """Return the section; it asks by itself for what is not known yet.

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
    found : Known
        What is at hand.
    """
    asks: list[Component] = []
    looking: list[Component] = []
    if not found.whole:
        asks = [
            *later.asks("overview-needs", shown_filters.written(query), _LATER),
            # Asked for when the first has come.
            dcc.Store(id="overview-needs-then"),
        ]
        unknown = found.drift is None and _followed(overview.filters)
        looking = [html.P(_LOOKING if unknown else _PRICING, className="looking")]
    return html.Section(
        [
            html.H2("Needs attention, dearest first", id="overview-needs"),
            *asks,
            html.Div(
                [*looking, listed(overview, whole, query, found, _FIRST if looking else None)],
                id="overview-attention",
                **theme.attributes(aria_live="polite"),
            ),
            html.P(missing, className="key", id="overview-missing"),
        ],
        **theme.attributes(aria_labelledby="overview-needs"),
    )


def register(app: Dash, data: Data) -> None:
    """Make the list anew a moment after the section has come into the page, and once more."""

    def made(address: str | None, *, rest: bool) -> tuple[list[Component], bool]:
        whole, query = data.whole(), parse_query(address)
        overview = data.overview(from_query(query, whole))
        found = known(data, overview, drift=True, rest=rest)
        looking = [] if found.whole else [html.P(_PRICING, className="looking")]
        return [*looking, listed(overview, whole, query, found)], found.whole

    def first(address: str | None) -> object:
        shown, done = made(address, rest=False)
        return shown, no_update if done else address or "?"

    told = "Who is getting worse could not be worked out. Open the page again."
    later.when_asked(
        app,
        "overview-needs",
        [Output("overview-attention", "children"), Output("overview-needs-then", "data")],
        first,
        ([html.P(told)], no_update),
        "who is getting worse could not be worked out",
    )

    @app.callback(
        Output("overview-attention", "children", allow_duplicate=True),
        Input("overview-needs-then", "data"),
        prevent_initial_call=True,
    )
    def _(address: str | None) -> object:
        if not address:
            return no_update
        try:
            return made(address, rest=True)[0]
        except Exception:
            # A page that stands must not fall for it; the trace goes to whoever runs the program.
            _LOG.exception("what it costs could not be worked out")
            shown, _ = made(address, rest=False)
            told = "What it costs could not be worked out. Open the page again."
            return [html.P(told), shown[-1]]


def listed(
    overview: Overview,
    whole: Account,
    query: shown_filters.Query,
    found: Known,
    most: int | None = None,
) -> Component:
    """Return the list: who is getting worse at its head, or what costs most where that is known."""
    items = with_causes(_items(overview, found.drift), found.causes)
    if found.costs:
        items = with_costs(items, found.costs)
    if items:
        return html.Ol(
            [_item(item, overview, whole, query) for item in items[:most]], className="attention"
        )
    return html.P("Nothing stands out, and nothing is missing that would hide it.")


def _item(
    item: Attention, overview: Overview, whole: Account, query: shown_filters.Query
) -> Component:
    about = (
        [html.Span("!", className="alarm", **theme.attributes(aria_hidden="true"))]
        if item.urgent
        else []
    )
    likely: list[Component | str] = [" ", html.B(item.likely)] if item.likely else []
    link = _link(item, overview, whole, query)
    small = [html.Small(as_sentence(text)) for text in (item.costs, item.evidence) if text]
    return html.Li(
        [
            html.Span([*about, item.about], className="about warn" if item.urgent else "about"),
            html.Div([html.Span([item.sentence, *likely, *link]), *small]),
        ]
    )


def _link(
    item: Attention, overview: Overview, whole: Account, query: shown_filters.Query
) -> list[Component | str]:
    """Return a link to where more is said of an item."""
    if not item.tower:
        return []
    why: list[Component | str] = []
    if item.drifts or (item.bin is not None and item.kind in ("misses", "doubles")):
        place = streams.named(item.tower, item.bin, item.kind)
        target = streams.PATH + to_query(overview.filters, whole, stream=place)
        told = "See when it began, and why" if item.drifts else "See what may be behind it"
        why = [" ", html.A(told, href=target, className="inside")]
    if item.drifts:
        return why
    # The whole tower, not the bin alone: a bin is judged beside the others of its tower.
    only = overview.filters.holding("tower", item.tower)
    # On the view that holds just this, a link to it would lead nowhere.
    if only.values("tower") == overview.filters.values("tower"):
        return why
    target = to_query(only, whole, **page_choices(query))
    label = f"See tower {item.tower} alone"
    return [*why, " ", html.A(label, href=target or "?", className="inside")]
