"""How do I get my counts in?

Counted at the tower as the run goes, or as files that are dropped on the page; and what became of
a run that was stored. Each is a section with a module of its own; here they are put together.
"""

from __future__ import annotations

import io
from collections.abc import Sequence

from dash import Dash, html
from dash.development.base_component import Component
from flask import Response, request, send_file

from analysis.counts import LogScan
from analysis.site import SiteError, read_site
from analysis.snapshot import StoreError
from analysis.store import Store
from dashboard import access, filters, theme
from dashboard.data import Data
from dashboard.pages import counting, log_files, run_shown
from dashboard.parts import last
from dashboard.parts import sentence as as_sentence
from dashboard.reports import sheet

PATH, NAME = "/log", "Log"

#: The filter says which part of the log is shown, and here none is.
FILTERED = False

#: The address holds which files are waiting, and which run is looked at; no other page has a use
#: for those.
OWN_CHOICES = ("files", *run_shown.CHOICES)

SHEET = "/log/sheet.pdf"


def layout(data: Data, /, **query: Sequence[str]) -> Component:
    """Draw the page for an address.

    Parameters
    ----------
    data : Data
        The store.
    **query : sequence of str
        The address; ``files`` is the token of files that wait, ``of_tower`` and ``of_run`` name
        a run that is looked at.
    """
    token, tower, run = (last(query, name) for name in OWN_CHOICES)
    may_log = access.allowed("log")
    parts: list[Component] = []
    if tower and run:
        parts.append(run_shown.looked(run_shown.run_section(data, tower, run)))
    elif may_log:
        # Files that wait are looked at first; nobody counts meanwhile.
        parts += [] if token else [counting.section(data)]
        parts.append(log_files.section(token))
    else:
        parts.append(_may_read())
    if not (tower and run):
        parts.append(run_shown.looked())
    if not token:
        parts.append(run_shown.look_section(data, tower, run))
    more = [_on_paper(data), _where(data), _what_to_count(), _what_a_file_holds()]
    return html.Div(
        [*parts, html.Div(more, className="about-logs")],
        id="log-page",
    )


def register(app: Dash, data: Data) -> None:
    """Take counts and files in, show and mend what is stored, hand out tally sheets."""
    counting.register(app, data)
    log_files.register(app, data)
    run_shown.register(app, data)

    def tally_sheet() -> Response:
        try:
            scan = LogScan(Store(data.folder).snapshot())
            made = sheet.sheet_of(scan, request.args.get("tower", ""), site=read_site(data.folder))
        except sheet.UnknownTowerError as error:
            return _told(str(error), 404)
        except (StoreError, SiteError) as error:
            return _told(str(error), 409)
        return send_file(
            io.BytesIO(sheet.pdf(made)),
            mimetype="application/pdf",
            as_attachment=True,
            download_name=sheet.file_name(made.tower),
        )

    app.server.add_url_rule(SHEET, "log_sheet", tally_sheet)


def _told(text: str, status: int) -> Response:
    return Response(f"{as_sentence(text)}\n", status, mimetype="text/plain")


def _may_read() -> Component:
    return html.Section(
        [
            html.H1("You may look at the log here, and add nothing to it.", id="log-head"),
            html.P(
                "Whoever looks after feedtally can give you the role log.",
                className="sub",
            ),
        ],
        **theme.attributes(aria_labelledby="log-head"),
    )


def _section(name: str, title: str, *parts: Component) -> Component:
    return html.Section(
        [html.H2(title, id=f"log-{name}"), *parts],
        **theme.attributes(aria_labelledby=f"log-{name}"),
    )


def _on_paper(data: Data) -> Component:
    links: list[Component | str] = []
    for tower in data.choices().towers:
        href = SHEET + filters.written({"tower": [tower]})
        links.append(html.Li(html.A(f"tower {tower}", href=href, download="")))
    if not links:
        return _section(
            "paper",
            "On paper first",
            html.P("When a tower list or a run log is taken in, each tower has its sheet here."),
        )
    return _section(
        "paper",
        "On paper first",
        html.P("A tally sheet to print, A5, two to a sheet of A4, with a row for each bin."),
        html.Ul(links, className="plain"),
    )


def _what_to_count() -> Component:
    return _section(
        "rules",
        "What to count",
        *(html.P([html.B(word), f" {told}"]) for word, told in sheet.WHAT_TO_COUNT),
    )


_EXAMPLE = """run,started,tower,bin,cycles,misses,doubles
814,2031-03-14T08:05,B,1-6 8-10,4180,0,0
814,2031-03-14T08:05,B,7,4180,1,3"""


def _what_a_file_holds() -> Component:
    return _section(
        "file",
        "What a run log holds",
        html.P("A line for each bin and each stretch of a run in which nothing was changed:"),
        html.Pre(_EXAMPLE),
        html.P(
            "These seven columns are needed. More of them, for paper, air and settings, help to "
            "tell those from wear."
        ),
    )


def _where(data: Data) -> Component:
    # Who has signed in from elsewhere has no use for folders of this machine.
    here = not access.user_name()
    place = [" ", html.Code(str(data.folder))] if here else [" of whoever looks after feedtally"]
    command = f"feedtally add FILE --store {data.folder}" if here else "feedtally add FILE"
    return _section(
        "where",
        "Where it goes",
        html.P(["The log is in the folder", *place, " and nowhere else."]),
        html.P(
            [
                "Bigger files: ",
                html.Code(command),
                " takes any size and says the same as this page.",
            ]
        ),
    )
