"""What is wearing, what do we order, did it help?

What is to be ordered, the soonest first; of one part how its faults go with its age, and what was
in its place before; which services helped; and what cannot be told, with what to log. Wiring only:
all numbers come from `analysis.answers`, over all runs. The first answer after the log has grown
takes a while, so the page is there at once and says that it works.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from functools import partial

from dash import Dash, Input, Output, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.filters import FilterError
from dashboard import filters as shown_filters
from dashboard import parts
from dashboard.data import Data
from dashboard.filters import from_query, parse_query
from dashboard.pages import later
from dashboard.pages import wear_lists as lists
from dashboard.pages.streams import watched
from dashboard.pages.wear_names import checked_name, file_name
from dashboard.pages.wear_shown import PATH, Shown

NAME = "Parts"

_LOG = logging.getLogger(__name__)
_WORKING = (
    "Working it out: the faults of each bin are held against the age of its parts, paper, air and "
    "settings allowed for. The first time after the log has grown this can take half a minute …"
)
_NOT_WORKED_OUT = "This could not be worked out."


def layout(data: Data, /, **query: Sequence[str]) -> Component:
    """Draw the page for an address; where the answer is not there yet, it comes by itself.

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
    checked_name(parts.last(query, "part"))
    if not whole.rows:
        return parts.nothing_logged()
    if data.knows_parts(watched(chosen)):
        return html.Div(answer(data, query), className="drift wear")
    asking = later.page("parts", query, "What is wearing, and what is to be ordered?", _WORKING)
    return html.Div(asking, className="drift wear")


def register(app: Dash, data: Data) -> None:
    """Answer after the page is there; serve the numbers behind it."""
    later.page_when_asked(
        app, "parts", partial(answer, data), "what is wearing could not be worked out"
    )

    @app.callback(Output("parts-ages", "children"), Input("parts-ages-asked", "data"))
    def _(asked: str | None) -> Component:
        try:
            query = parse_query(asked)
            shown = _shown(data, query)
            assert shown.row is not None
            return shown.figure(data.wear_by_age(shown.row, watched(shown.filters)))
        except Exception:
            _LOG.exception("how faults go with the age of a part could not be worked out")
            return html.P(_NOT_WORKED_OUT, className="key")

    def numbers(name: str) -> Response:
        query = parse_query(request.query_string.decode())
        try:
            shown = _shown(data, query)
            if name == "age":
                if shown.row is None:
                    return Response("no part is known here\n", 400, mimetype="text/plain")
                wear = data.wear_by_age(shown.row, watched(shown.filters))
                return parts.csv_answer(lists.ages_csv(shown.row, wear), file_name(shown.row))
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        days = parts.file_name(watched(shown.filters), shown.found.account)
        if name == "services":
            text = lists.services_csv(shown.found.services)
            return parts.csv_answer(text, f"feedtally-services-{days}")
        return parts.csv_answer(lists.parts_csv(shown.found), f"feedtally-parts-{days}")

    for name, path in (
        ("parts", f"{PATH}.csv"),
        ("age", f"{PATH}/age.csv"),
        ("services", f"{PATH}/services.csv"),
    ):
        app.server.add_url_rule(path, f"parts_{name}", numbers, defaults={"name": name})


def answer(data: Data, query: shown_filters.Query) -> list[Component]:
    """Say what is wearing and what to order; this is the slow part.

    Parameters
    ----------
    data : Data
        The store.
    query : mapping
        The address.

    Raises
    ------
    analysis.filters.FilterError
        When the address asks for what cannot be.
    """
    shown = _shown(data, query)
    wear: Component | None = None
    if shown.row is not None and data.knows_wear_by_age(shown.row, watched(shown.filters)):
        wear = shown.figure(data.wear_by_age(shown.row, watched(shown.filters)))
    return shown.answer(wear)


def _shown(data: Data, query: shown_filters.Query) -> Shown:
    whole = data.whole()
    checked_name(parts.last(query, "part"))
    chosen = from_query(query, whole)
    return Shown(data.parts(watched(chosen)), chosen, whole, query)
