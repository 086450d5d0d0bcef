"""How is asked for what takes a while, once its page is there?

A page asks by itself and says that it works. It must not fall for what it asks: where that cannot
be worked out, the page says so, and the trace goes to whoever runs the program.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from analysis.filters import FilterError
from dashboard import parts
from dashboard.filters import Query, parse_query, written

_LOG = logging.getLogger(__name__)


def asks(name: str, address: str, after: int) -> list[Component]:
    """Return what asks for a part of a page by itself.

    Parameters
    ----------
    name : str
        Of the part, as `when_asked` has it.
    address : str
        What is asked about.
    after : int
        Milliseconds before it is asked for, so that what is at hand is drawn first.
    """
    return [
        dcc.Store(id=f"{name}-of", data=address),
        dcc.Interval(id=f"{name}-later", interval=after, max_intervals=1),
    ]


def when_asked(
    app: Dash,
    name: str,
    outputs: Sequence[Output],
    make: Callable[[str | None], object],
    failed: object,
    what: str,
    *,
    asked: tuple[str, str] = ("later", "n_intervals"),
) -> None:
    """Work a part of a page out when it is asked for.

    Parameters
    ----------
    app : Dash
        The pages.
    name : str
        Of the part; the address that is asked about stands under it.
    outputs : sequence of Output
        Where the answer goes.
    make : callable
        Gives it for an address.
    failed : object
        What is shown where it could not be made.
    what : str
        What could not be, for the trace.
    asked : (str, str)
        How the name of what asks ends, and its count.
    """
    ending, count = asked

    @app.callback(
        *outputs,
        Input(f"{name}-{ending}", count),
        State(f"{name}-of", "data"),
        prevent_initial_call=True,
    )
    def _(times: int | None, address: str | None) -> object:
        # What has just been drawn also calls, with nothing asked yet.
        if not times:
            return no_update if len(outputs) == 1 else (no_update,) * len(outputs)
        try:
            return make(address)
        except Exception:
            _LOG.exception(what)
            return failed


def page(name: str, query: Query, head: str, working: str) -> list[Component]:
    """Return a page that asks for its answer by itself.

    Parameters
    ----------
    name : str
        With which its ids begin.
    query : mapping
        The address.
    head : str
        What is asked.
    working : str
        What is said meanwhile.
    """
    return [
        dcc.Store(id=f"{name}-asked", data=written(query)),
        html.Div([html.H1(head), html.P(working, className="sub looking")], id=f"{name}-answer"),
        # The first line alone is said to those who hear the page, when it comes.
        html.P(working, id=f"{name}-said", className="unseen", role="status"),
    ]


def page_when_asked(
    app: Dash, name: str, answer: Callable[[Query], list[Component]], what: str
) -> None:
    """Answer a page of `page` once it is there.

    Parameters
    ----------
    app : Dash
        The pages.
    name : str
        With which its ids begin.
    answer : callable
        Gives what it shows for an address, its first line first.
    what : str
        What could not be worked out, for the trace.
    """

    @app.callback(
        Output(f"{name}-answer", "children"),
        Output(f"{name}-said", "children"),
        Input(f"{name}-asked", "data"),
    )
    def _(asked: str | None) -> tuple[list[Component], object]:
        try:
            found = answer(parse_query(asked))
        except FilterError as error:
            found = _trouble("This address asks for what cannot be shown.", parts.sentence(error))
        except Exception:
            _LOG.exception(what)
            found = _trouble(
                "This could not be worked out.",
                "The reason is printed where feedtally was started. Open the page again.",
            )
        return found, found[0].children


def _trouble(head: str, told: str) -> list[Component]:
    usual = html.A("usual view", href="?", className="inside")
    return [html.H1(head), html.P([f"{told} Go to the ", usual, "."], className="sub")]
