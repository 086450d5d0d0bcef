"""Which reports of the whole log can be had from a page, and where are they?

The weekly report and the parts list, each as one HTML file and as PDF. A page shows the link; the
report is made when it is opened, from the answers that the pages show.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Literal

from dash import Dash, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.filters import FilterError, Filters
from analysis.patterns import PatternsError
from analysis.site import SiteError
from analysis.snapshot import StoreError
from dashboard import parts, theme

if TYPE_CHECKING:
    from dashboard.data import Data

PATH = "/reports"

#: What a report can be, and what a browser calls it.
FORMATS = {"html": "text/html", "pdf": "application/pdf"}

Report = Literal["weekly", "parts"]

#: What the links say.
_SAID = {"weekly": "Weekly report", "parts": "Parts list"}


def links(report: Report, week: dt.date | None = None) -> Component:
    """Return a line that leads to a report, to be read or printed.

    Parameters
    ----------
    report : str
        ``weekly`` or ``parts``.
    week : date, optional
        Any day of the week that is meant; the log's last one where absent.
    """
    asked = f"?week={week:%Y-%m-%d}" if week is not None else ""
    return html.P(
        [
            f"{_SAID[report]}, to read or to print: ",
            html.A("open", href=f"{PATH}/{report}.html{asked}", id=f"{report}-report-html"),
            " or ",
            html.A("PDF", href=f"{PATH}/{report}.pdf{asked}", id=f"{report}-report-pdf"),
        ],
        className="certificate save",
        **theme.attributes(data_report=report),
    )


def register(app: Dash, data: Data) -> None:
    """Serve the reports."""
    answers = {"weekly": lambda form: _weekly(data, form), "parts": lambda form: _parts(data, form)}
    for report, answer in answers.items():
        for form in FORMATS:
            app.server.add_url_rule(
                f"{PATH}/{report}.{form}",
                f"report_{report}_{form}",
                answer,
                defaults={"form": form},
            )


def _weekly(data: Data, form: str) -> Response:
    from dashboard.reports import weekly

    asked = request.args.get("week", "").strip()
    try:
        day = dt.date.fromisoformat(asked) if asked else None
    except ValueError:
        return _refused(f"Week is {asked}; write a day of it as year-month-day, like 2031-04-03.")
    try:
        made = data.weekly(day)
    except (FilterError, PatternsError, SiteError, StoreError) as error:
        return _refused(parts.sentence(error))
    content = weekly.html(made) if form == "html" else weekly.pdf(made)
    return _file(content, f"feedtally-week-{made.first.isoformat()}", form)


def _parts(data: Data, form: str) -> Response:
    from dashboard.reports import parts_list

    try:
        made = data.parts(Filters())
    except (FilterError, SiteError, StoreError) as error:
        return _refused(parts.sentence(error))
    content = parts_list.html(made) if form == "html" else parts_list.pdf(made)
    until = f"-{made.until:%Y-%m-%d}" if made.until is not None else ""
    return _file(content, f"feedtally-parts{until}", form)


def _file(content: str | bytes, name: str, form: str) -> Response:
    return Response(
        content,
        mimetype=FORMATS[form],
        headers={"Content-Disposition": f'inline; filename="{name}.{form}"'},
    )


def _refused(why: str) -> Response:
    return Response(f"{why}\n", 400, mimetype="text/plain")
