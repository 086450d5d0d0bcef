"""How long must I run, and does it pass?

A burn-in of the log, or one that is typed as it runs, between the boundaries of its plan; what it
proves; and a plan for the next one. All of it stands in the address, so a reload at the tower loses
nothing that was added. Wiring only: `analysis.answers` judges what the address asks for
(`judged`), `acceptance_shown` says it, and the plan's part of the page is in `planner`.
"""

from __future__ import annotations

from collections.abc import Sequence

from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component
from flask import Response, request

from analysis.acceptance import Judgement
from analysis.burn_ins import BatchError
from analysis.filters import FilterError
from analysis.plans import PlanError
from analysis.site import read_site
from dashboard import filters, parts
from dashboard.batches import TYPED, with_batch
from dashboard.data import Data
from dashboard.pages import planner
from dashboard.pages.acceptance_shown import OWN_CHOICES as OWN_CHOICES
from dashboard.pages.acceptance_shown import PATH, Shown, file_name
from dashboard.pages.judged import judgement, path_csv

NAME = "Acceptance"

#: A burn-in is shown, and no part of the log that a filter could choose.
FILTERED = False

_FORMS = {"html": "text/html", "pdf": "application/pdf"}


def layout(data: Data, /, **query: Sequence[str]) -> Component:
    """Draw the page for an address.

    Parameters
    ----------
    data : Data
        The store, which may be empty.
    **query : sequence of str
        The address: ``tower`` and ``burn_in`` name a burn-in of the log; ``typed`` is the tower of
        one that is typed, with ``bins``, ``begun`` and a ``batch`` for each batch, such as
        ``500 m3 d7 d7``; ``plan_...`` is what is asked of a plan.
    """
    return html.Div(Shown(data, query).answer(), className="acceptance")


def register(app: Dash, data: Data) -> None:
    """Let the forms write the address; serve the numbers and the certificate."""
    _serve(app, data)
    planner.register(app, data)

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Output("acceptance-wrong", "children"),
        Input("acceptance-add", "n_clicks"),
        *(Input(f"acceptance-{name}", "n_submit") for name in ("cycles", "misses", "doubles")),
        State("url", "search"),
        *(State(f"acceptance-{name}", "value") for name in TYPED),
        prevent_initial_call=True,
    )
    def _(*given: object) -> object:
        pressed, search, values = given[:4], given[4], given[5:]
        # A form that has just been drawn also calls, with nothing pressed yet.
        if not any(pressed):
            return no_update, no_update
        try:
            query = filters.parse_query(str(search or ""))
            typed = {n: str(v or "").strip() for n, v in zip(TYPED, values, strict=True)}
            now = read_site(data.folder).now().replace(tzinfo=None)
            return with_batch(query, typed, now, data.listed_bins(typed["tower"])), ""
        except BatchError as error:
            return no_update, parts.sentence(error)


def _serve(app: Dash, data: Data) -> None:
    def judged(query: filters.Query) -> Judgement | Response:
        try:
            found = judgement(data, query)
        except (FilterError, PlanError, BatchError) as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        if found is None:
            return Response("there is no burn-in here\n", 404, mimetype="text/plain")
        return found

    def numbers() -> Response:
        found = judged(filters.parse_query(request.query_string.decode()))
        if isinstance(found, Response):
            return found
        return parts.csv_answer(path_csv(found), f"feedtally-path-{file_name(found)}")

    def certificate(form: str) -> Response:
        from dashboard.reports import certificate

        found = judged(filters.parse_query(request.query_string.decode()))
        if isinstance(found, Response):
            return found
        content = certificate.html(found) if form == "html" else certificate.pdf(found)
        name = f"feedtally-certificate-{file_name(found)}.{form}"
        return Response(
            content,
            mimetype=_FORMS[form],
            headers={"Content-Disposition": f'inline; filename="{name}"'},
        )

    server = app.server
    server.add_url_rule(f"{PATH}/path.csv", "acceptance_path", numbers)
    for form in _FORMS:
        server.add_url_rule(
            f"{PATH}/certificate.{form}",
            f"acceptance_certificate_{form}",
            certificate,
            defaults={"form": form},
        )
