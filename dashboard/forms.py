"""How does a form write the address?"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dash import Dash, Input, Output, State, no_update

from dashboard.filters import Query, parse_query


def writes_address(
    app: Dash,
    button: str,
    form: str,
    fields: Sequence[str],
    write: Callable[[Query, list[str]], str],
) -> None:
    """Let a form write the address, by its button and by Enter in any of its fields.

    Parameters
    ----------
    app : Dash
        The pages.
    button : str
        Id of the button.
    form : str
        With which the ids of its fields begin.
    fields : sequence of str
        How they go on.
    write : callable
        Gives the new address for the present one and what is typed, field by field.
    """

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Input(button, "n_clicks"),
        *(Input(f"{form}-{name}", "n_submit") for name in fields),
        State("url", "search"),
        *(State(f"{form}-{name}", "value") for name in fields),
        prevent_initial_call=True,
    )
    def _(*given: object) -> object:
        number = 1 + len(fields)
        # A form that has just been drawn also calls, with nothing pressed yet.
        if not any(given[:number]):
            return no_update
        query = parse_query(str(given[number] or ""))
        return write(query, [str(value or "").strip() for value in given[number + 1 :]])
