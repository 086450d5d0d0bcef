"""Can the log be believed? A part of the overview, looked at after the page is there.

It takes a few seconds the first time, so the page says that it looks and is told later. Wiring
only: `analysis.belief` looks, over the whole log, and never by who wrote it.
"""

from __future__ import annotations

from collections.abc import Collection

from dash import Dash, Output, html
from dash.development.base_component import Component

from analysis.belief import Belief
from analysis.belief_findings import CAUTION as ASK_FIRST
from analysis.belief_findings import Finding
from analysis.counts import Account
from analysis.filters import Filters
from analysis.overview import Overview
from analysis.words import called, listed, many
from dashboard import filters as shown_filters
from dashboard import theme
from dashboard.data import Data
from dashboard.filters import from_query, parse_query, to_query
from dashboard.pages import later

#: Milliseconds before it is asked for.
_LATER = 500
_LOOKING = "Looking whether the log can be believed …"
#: A filter by these is a filter of towers and days, or leaves what is looked at as it is.
_FOLLOWED = ("site", "tower", "purpose")
_KINDS = {
    "zeros": "No faults",
    "round": "Round cycles",
    "air": "Air",
    "gap": "No runs",
    "copy": "Twice",
}


def section(overview: Overview, whole: Account) -> Component:
    """Return the section as it is before anything was looked at; it then asks by itself."""
    address = to_query(overview.filters, whole)
    return html.Section(
        [
            html.H2("Can the log be believed?", id="overview-belief"),
            *later.asks("overview-belief", address, _LATER),
            html.Div(
                html.P(_LOOKING, className="looking"),
                id="overview-believed",
                **theme.attributes(aria_live="polite"),
            ),
        ],
        **theme.attributes(aria_labelledby="overview-belief"),
    )


def register(app: Dash, data: Data) -> None:
    """Look a moment after the section has come into the page."""

    def made(address: str | None) -> list[Component]:
        whole = data.whole()
        chosen = from_query(parse_query(address), whole)
        return answer(data.belief(), chosen, whole, _towers(data, chosen))

    later.when_asked(
        app,
        "overview-belief",
        [Output("overview-believed", "children")],
        made,
        [html.P("This could not be looked at. Open the page again.")],
        "whether the log can be believed could not be looked at",
    )


def _towers(data: Data, chosen: Filters) -> Collection[str] | None:
    """Return the towers that a filter holds; None where it holds none in particular."""
    if chosen.values("tower"):
        # One that is named and did not run is asked about too.
        return chosen.values("tower")
    if chosen.values("site"):
        return {tower.tower for tower in data.overview(chosen).towers}
    return None


def touches(finding: Finding, chosen: Filters, towers: Collection[str] | None) -> bool:
    """Tell whether a finding is about the period and the towers of a filter."""
    if towers is not None and finding.tower not in towers:
        return False
    since, until = chosen.since, chosen.until
    return (until is None or finding.first_day <= until.date()) and (
        since is None or finding.last_day >= since.date()
    )


def answer(
    belief: Belief, chosen: Filters, whole: Account, towers: Collection[str] | None
) -> list[Component]:
    """Say what in this part of the log is hard to believe, and that there is more elsewhere.

    Parameters
    ----------
    belief : Belief
        Of the whole log.
    chosen : Filters
        What the page shows.
    whole : Account
        Of the whole log.
    towers : collection of str, optional
        Those that the page shows; all where None.
    """
    here = [finding for finding in belief.findings if touches(finding, chosen, towers)]
    elsewhere = len(belief.findings) - len(here)
    told: list[Component] = []
    if not belief.findings:
        told.append(html.P(belief.sentence()))
    elif here:
        told.append(html.Ol([_item(finding) for finding in here], className="attention"))
        told.append(html.P(ASK_FIRST, className="key"))
    if elsewhere:
        told.append(_elsewhere(elsewhere, bool(here), chosen, whole))
    notes = [*_not_followed(chosen), *belief.not_looked]
    return [*told, *(html.P(text, className="key") for text in notes)]


def _not_followed(chosen: Filters) -> list[str]:
    """Say that towers are looked at whole, where the page holds more than towers and days."""
    held = [called(column) for column, _ in chosen.where if column not in _FOLLOWED]
    if not held:
        return []
    return [f"This part looks at whole towers, whatever else the page is held to ({listed(held)})."]


def _item(finding: Finding) -> Component:
    return html.Li(
        [html.Span(_KINDS[finding.kind], className="about"), html.Div(finding.sentence())]
    )


def _elsewhere(number: int, here: bool, chosen: Filters, whole: Account) -> Component:
    every = chosen.during(*shown_filters.whole_period(whole)).holding("tower").holding("site")
    link = html.A("See the whole log", href=to_query(every, whole) or "?", className="inside")
    things = many(number, "thing")
    verb = "is" if number == 1 else "are"
    if here:
        return html.P([f"{things} more {verb} hard to believe in the rest of it. ", link, "."])
    return html.P(
        [
            f"Nothing in this part of the log is hard to believe; {things} in the rest of it "
            f"{verb}. ",
            link,
            ".",
        ]
    )
