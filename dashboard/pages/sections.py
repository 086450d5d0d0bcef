"""Which sections of a page are open? Those that take a while are worked out only when asked for.

An address names the open ones in ``show``, with blanks between.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dash import html
from dash.development.base_component import Component

from dashboard import filters, parts, theme

#: Writes the address of the same view with other choices.
To = Callable[..., str]


def is_open(query: filters.Query, name: str) -> bool:
    """Tell whether a section is open."""
    return name in _named(query)


def _named(query: filters.Query) -> list[str]:
    return parts.last(query, "show").split()


def section(
    query: filters.Query,
    name: str,
    head: str,
    about: str,
    to: To,
    shown: Callable[[], Sequence[Component]],
) -> Component:
    """Return a section that is there when its name is in the address, and a line until then.

    Parameters
    ----------
    query : mapping
        The address.
    name : str
        Of the section.
    head : str
        What it asks.
    about : str
        What it would show, said while it is closed.
    to : callable
        Writes the address of the same view with other choices.
    shown : callable
        Makes what is in it; not called while it is closed.
    """
    opened = is_open(query, name)
    others = [one for one in _named(query) if one != name]
    turns = parts.either(
        head.rstrip("?"),
        ("show", to(show=" ".join([*others, name])), opened),
        ("leave out", to(show=" ".join(others)), not opened),
    )
    # Its name is the heading above; it is said again only to those who hear the page read.
    turns.children = list(turns.children)[1:]
    return html.Section(
        [
            html.H2(head, id=f"trends-{name}"),
            html.Div([turns], className="turns"),
            *(shown() if opened else [html.P(about, className="key")]),
        ],
        className="later" if opened else "later closed",
        **theme.attributes(aria_labelledby=f"trends-{name}"),
    )
