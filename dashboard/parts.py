"""What do pages share in how they are put together: marks, choices, empty states, what is saved."""

from __future__ import annotations

import re
from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component
from flask import Response

from analysis.counts import Account
from analysis.filters import Filters
from dashboard import filters as shown_filters
from dashboard import theme


def mark(kind: str) -> Component:
    """Return the mark of a kind of fault: a hollow ring for a miss, a double tick for a double."""
    return html.Span(className=f"mark {kind}", **theme.attributes(aria_hidden="true"))


def either(name: str, *ways: tuple[str, str, bool]) -> Component:
    """Return ways to show something, each a link, one of which is chosen.

    Parameters
    ----------
    name : str
        What is chosen.
    *ways : (str, str, bool)
        What it is called, where it leads, and whether it is the one shown.
    """
    links: list[Component | str] = []
    for label, href, chosen in ways:
        state = theme.attributes(aria_current="true") if chosen else {}
        links += [
            " / " if links else "",
            html.A(label, href=href, className="inside stay", **state),
        ]
    return html.Span([f"{name}: ", *links], role="group", **theme.attributes(aria_label=name))


def ranges_either(plain: bool, wide_href: str, plain_href: str) -> Component:
    """Return the choice between the two ranges of a rate."""
    return either(
        "Ranges",
        ("allowing for clusters", wide_href, not plain),
        ("as if faults fall singly", plain_href, plain),
    )


def numbers_table(
    caption: str,
    name: str,
    heads: Sequence[str],
    rows: Sequence[Component],
    summary: str = "",
    *,
    words: bool = False,
) -> Component:
    """Return a table of numbers that opens.

    Parameters
    ----------
    caption : str
        What it holds, for those who hear the page read.
    name : str
        Head of its first column.
    heads : sequence of str
        Of the others.
    rows : sequence of Component
        Each a row, its name a head of its own.
    summary : str
        What opens it.
    words : bool
        Whether it holds words, which begin where the head does.
    """
    return html.Details(
        [
            html.Summary(summary or "The numbers in a table"),
            html.Div(
                html.Table(
                    [
                        html.Caption(caption, className="unseen"),
                        html.Thead(
                            html.Tr(
                                [
                                    html.Th(name, scope="col", className="name"),
                                    *(html.Th(head, scope="col") for head in heads),
                                ]
                            )
                        ),
                        html.Tbody(list(rows)),
                    ],
                    className="say small words" if words else "say small",
                ),
                className="wide",
            ),
        ],
        className="numbers",
    )


def save_line(chart: str, numbers: str, *more: Component | str) -> Component:
    """Return the line that saves a figure and the numbers behind it.

    Parameters
    ----------
    chart : str
        Id of the figure; that of the link to the numbers begins alike.
    numbers : str
        Address of the numbers.
    *more : Component or str
        What else can be saved.
    """
    return html.P(
        [
            "Save the figure as ",
            _save(chart, "svg"),
            " or ",
            _save(chart, "png"),
            ", the numbers as ",
            html.A("CSV", href=numbers, id=f"{chart.removesuffix('-chart')}-csv"),
            *more,
        ],
        className="save",
    )


def _save(chart: str, form: str) -> Component:
    return html.Button(
        form.upper(),
        type="button",
        className="word",
        **theme.attributes(data_save=form, data_of=chart),
    )


def csv_answer(text: str, name: str) -> Response:
    """Answer with a CSV file of that name."""
    return Response(
        text,
        mimetype="text/csv",
        headers={"Content-Disposition": f'attachment; filename="{name}.csv"'},
    )


def file_name(filters: Filters, account: Account) -> str:
    """Return how a saved file's name ends: the kind of fault and the days that it covers."""
    first, last = account.first, account.last
    if first is None or last is None:
        return f"{filters.kind}-none"
    return f"{filters.kind}-{first:%Y-%m-%d}-to-{last:%Y-%m-%d}"


def safe_cell(text: str) -> str:
    """Keep a spreadsheet from taking a name for a formula; intake takes the sign off again."""
    return f"'{text}" if re.match(r"'*[=+\-@\t\r]", text) else text


def nothing_logged() -> Component:
    """Say how to begin."""
    return html.Div(
        [
            html.H1("Nothing is logged yet."),
            html.P(
                [
                    "Drop a run log on ",
                    html.A("the log page", href="/log", className="inside"),
                    ", or take it in with ",
                    html.Code("feedtally add FILE"),
                    ". To see the pages with an invented works' log: ",
                    html.Code("feedtally demo"),
                    ".",
                ],
                className="sub",
            ),
        ]
    )


def nothing_here(chosen: Filters, whole: Account, query: shown_filters.Query) -> Component:
    """Say that a filter leaves nothing, and what there is."""
    found: list[Component] = [html.H1("Nothing was logged in this part of the log.")]
    if whole.first is not None and whole.last is not None:
        free = shown_filters.to_query(
            chosen.during(*shown_filters.usual_period(whole)),
            whole,
            **shown_filters.page_choices(query),
        )
        found.append(
            html.P(
                [
                    f"The log runs from {theme.period(whole.first, whole.last)} and holds "
                    f"{theme.counted(whole.runs, 'run')}, none of which is in: "
                    f"{shown_filters.words(chosen, whole)}. See ",
                    html.A("its last 30 days", href=free or "?", className="inside"),
                    " or the ",
                    html.A("usual view", href="?", className="inside"),
                    ".",
                ],
                className="sub",
            )
        )
    return html.Div(found)
