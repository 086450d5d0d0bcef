"""What do all pages share: the shell, the list of pages, and the way from an address to a page.

Pages are listed here and not found by Dash: its registry is one for the whole process, so two
stores could not be served side by side, as tests do. The state of a page is its address; there is
one `dcc.Location`, and the page is drawn anew whenever that changes.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from urllib.parse import urlsplit

from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from dash.development.base_component import Component
from flask import Response, g, request

from analysis.filters import FilterError
from analysis.plans import PlanError
from analysis.site import SiteError
from analysis.snapshot import StoreError
from dashboard import access, filters, parts, sign_in, theme
from dashboard.data import Data
from dashboard.lane import BusyError
from dashboard.pages import acceptance, drift, log, overview, reports_links, trends, wear

#: The pages there are, in the order of the line at the top. Each is a module with ``PATH``,
#: ``NAME``, ``layout(data, **query)`` and ``register(app, data)``. ``FILTERED`` is false for one
#: that shows no part of the log; ``OWN_CHOICES`` is what it alone has in the address.
PAGES: tuple[ModuleType, ...] = (overview, trends, drift, wear, acceptance, log)

_LOG = logging.getLogger(__name__)

#: Where a browser asks for a page, and of which parts it is.
_ASKED_AT = "/_dash-update-component"
_PAGE = (("page", "children"), ("filter", "children"), ("nav", "children"), ("drawn", "data"))
_PAGE_PARTS = [{"id": name, "property": of} for name, of in _PAGE]
#: Characters of an address after the question mark; a page of a longer one is not kept.
_LONGEST = 2_000

# The mark beside the page's title in the browser: a ring and a double tick.
_ICON = (
    "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'%3E"
    "%3Crect width='16' height='16' fill='%23fbf9f4'/%3E%3Ccircle cx='5' cy='8' r='3' fill='none' "
    "stroke='%232f5d9b' stroke-width='1.8'/%3E%3Cpath d='M11 4v8M14 4v8' stroke='%23a64b14' "
    "stroke-width='1.8'/%3E%3C/svg%3E"
)

# The scheme is chosen before anything is drawn, so that a dark page does not flash light.
_INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" href="ICON">
<style>STYLES</style>
{%css%}
<script src="/assets/scheme.js"></script>
</head>
<body>
<noscript>These pages need JavaScript, from this machine only; switch it on for them.</noscript>
{%app_entry%}
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""


class _Pages(Dash):
    """Pages without a script in them: the one that Dash writes there is a file here."""

    def interpolate_index(self, **given: str) -> str:  # type: ignore[override]
        start = '<script id="_dash-renderer" src="/assets/start.js"></script>'
        given["renderer"] = start
        return str(super().interpolate_index(**given))  # type: ignore[no-untyped-call]


def create_app(data: Data) -> Dash:
    """Make the pages of a store.

    Parameters
    ----------
    data : Data
        The store.

    Returns
    -------
    dash.Dash
        Its ``server`` is the Flask application.
    """
    app = _Pages(
        "feedtally",
        assets_folder=str(Path(__file__).with_name("assets")),
        # In their places already, see above.
        assets_ignore="scheme|start",
        pages_folder="",
        use_pages=False,
        include_pages_meta=False,
        serve_locally=True,
        compress=True,
        title="feedtally",
        update_title=None,  # type: ignore[arg-type]
        index_string=_INDEX.replace("ICON", _ICON).replace("STYLES", theme.stylesheet()),
        # A page's parts are not there while another page is shown.
        suppress_callback_exceptions=True,
        add_log_handler=False,
        enable_mcp=False,
        websocket_callbacks=False,
    )
    app.layout = _shell
    filters.register(app, data)
    for page in PAGES:
        page.register(app, data)
    reports_links.register(app, data)

    @app.callback(
        *(Output(*part) for part in _PAGE),
        Input("url", "pathname"),
        Input("url", "search"),
    )
    def _(
        pathname: str | None, search: str | None
    ) -> tuple[Component, list[Component], list[Component], dict[str, str]]:
        name, shown, sound = page_at(data, pathname, search)
        drawn = {"title": f"{name} · feedtally", "address": f"{pathname}{search}"}
        bar = bar_at(data, search) if filtered(pathname) else []
        g.feedtally_sound = sound and bool(bar or not filtered(pathname))
        return shown, bar, navigation(pathname, search), drawn

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("feedtally", "drawn"), Input("drawn", "data")
    )
    _keep_pages(app, data)
    return app


def _keep_pages(app: Dash, data: Data) -> None:
    """Answer who asks for a page with what was sent before, where it would be the same again.

    To draw a page's figures, and to write them as a browser reads them, takes a tenth of a second
    and more, when all that they show has long been worked out.
    """
    view: Callable[[], Response] = app.server.view_functions[_ASKED_AT]

    def answer() -> Response:
        asked = _page_asked(request.get_json(silent=True))
        if asked is None:
            return view()
        who = access.visitor()

        def draw() -> str:
            response = view()
            # What is wrong may be right the next time.
            if not g.pop("feedtally_sound", False):
                raise _NotKeptError(response)
            return response.get_data(as_text=True)

        try:
            text = data.drawn((who.role if who else "", *asked), draw)
        except _NotKeptError as error:
            return error.response
        except (StoreError, SiteError):
            # The page says what is wrong.
            return view()
        return Response(text, mimetype="application/json")

    app.server.view_functions[_ASKED_AT] = answer


class _NotKeptError(Exception):
    """A page that is sent and not kept."""

    def __init__(self, response: Response) -> None:
        super().__init__()
        self.response = response


def _page_asked(body: object) -> tuple[str, str] | None:
    """Return the address of the page that a request asks for, if it is one that can be kept."""
    if not isinstance(body, dict) or body.get("outputs") != _PAGE_PARTS:
        return None
    try:
        asked = {one["property"]: (one["id"], one["value"]) for one in body["inputs"]}
        (at, path), (of, search) = asked["pathname"], asked["search"]
    except (KeyError, TypeError, ValueError):
        return None
    if (at, of) != ("url", "url") or not (isinstance(path, str) and isinstance(search, str)):
        return None
    # The log page shows what is being counted, which is no part of the store.
    paths = [page.PATH for page in PAGES if page is not log]
    return (path, search) if path in paths and len(search) <= _LONGEST else None


def _shell() -> Component:
    return html.Div(
        [
            dcc.Location(id="url", refresh=False),
            dcc.Store(id="drawn"),
            html.A("Skip to the answer", href="#page", className="skip"),
            html.Header(
                [
                    html.Div(
                        [
                            html.Span("feedtally", className="brand"),
                            html.Nav(id="nav", **theme.attributes(aria_label="Pages")),
                            _schemes(),
                            *_signed_in(),
                        ],
                        className="top",
                    ),
                    # In the shell, so that it stays open while one choice after another is made.
                    html.Details(id="filter"),
                ]
            ),
            # Of a large log the first page after it has grown takes seconds.
            html.Main(html.P("Reading the log …", className="looking"), id="page", tabIndex="-1"),
        ]
    )


def _signed_in() -> list[Component]:
    """Return who has signed in, and the way out; nothing where nobody need."""
    name = access.user_name()
    if not name:
        return []
    out = html.Button(
        "sign out", type="submit", name="form", value=sign_in.form_token(), className="word"
    )
    return [
        html.Form([html.Span(name), " · ", out], action=sign_in.OUT, method="post", className="who")
    ]


def _schemes() -> Component:
    return html.Div(
        [
            html.Button(
                name,
                type="button",
                title=f"Colours: {told}",
                **theme.attributes(data_choose_scheme=scheme, aria_pressed="false"),
            )
            for scheme, name, told in (
                ("light", "light", "ink on paper"),
                ("dark", "dark", "light on dark"),
                ("system", "as the system", "as this machine is set"),
            )
        ],
        className="schemes",
        role="group",
        **theme.attributes(aria_label="Colours"),
    )


def navigation(pathname: str | None, search: str | None) -> list[Component]:
    """Return the links to all pages; they carry the filter along, but no page's own choices."""
    query = filters.parse_query(search)
    own = (name for page in PAGES for name in getattr(page, "OWN_CHOICES", ()))
    for name in (*filters.CHOSEN_BY_PAGES, *own):
        query.pop(name, None)
    carried = filters.written(query)
    return [
        html.A(
            page.NAME,
            href=page.PATH + carried,
            className="inside",
            **(theme.attributes(aria_current="page") if page.PATH == pathname else {}),
        )
        for page in PAGES
    ]


def filtered(pathname: str | None) -> bool:
    """Tell whether the page at an address shows a part of the log, which a filter can choose."""
    path = urlsplit(pathname or "/").path
    return all(getattr(page, "FILTERED", True) for page in PAGES if page.PATH == path)


def bar_at(data: Data, search: str | None) -> list[Component]:
    """Return the filter of an address, the usual one where it cannot be; none without a log."""
    query = filters.parse_query(search)
    try:
        whole = data.whole()
        if not whole.rows:
            return []
        try:
            chosen = filters.from_query(query, whole)
        except FilterError:
            chosen = filters.from_query({}, whole)
        return filters.filter_bar(chosen, data, query)
    except Exception:
        # Whatever is the matter, the page says it.
        return []


def page_at(data: Data, pathname: str | None, search: str | None) -> tuple[str, Component, bool]:
    """Return a page's name, the page at an address, and whether it is no word of what is wrong."""
    path = urlsplit(pathname or "/").path
    for page in PAGES:
        if page.PATH == path:
            break
    else:
        told = _sentence(f"There is no page at {path}.", "Go to", "/", "the overview")
        return "Nothing here", told, False
    try:
        return page.NAME, page.layout(data, **filters.parse_query(search)), True
    except (FilterError, PlanError) as error:
        told = _sentence(
            "This address asks for what cannot be shown.",
            f"{parts.sentence(error)} Go to the",
            "?",
            "usual view",
        )
    except StoreError as error:
        told = _sentence(
            "The store cannot be read.",
            f"{parts.sentence(error)} Then open this page again.",
        )
    except SiteError as error:
        told = _sentence(
            "The site file has a mistake.",
            f"{parts.sentence(error)} Then open this page again.",
        )
    except BusyError as error:
        told = _sentence("This takes its turn.", parts.sentence(error))
    except Exception:
        # A blank page would say nothing; the trace goes to whoever runs the program.
        _LOG.exception("the page %s could not be made", path)
        told = _sentence(
            "This page could not be made.",
            "The reason is printed where feedtally was started. Go to the",
            "?",
            "usual view",
        )
    return page.NAME, told, False


def _sentence(head: str, told: str, href: str = "", label: str = "") -> Component:
    end: list[Component | str] = (
        [html.A(label, href=href, className="inside"), "."] if label else []
    )
    return html.Div([html.H1(head), html.P([told + " ", *end], className="sub")])
