"""What do pages share in how they are put together?

What an address says; marks, choices, inputs, tables, figures, empty states, and what is saved.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

import plotly.graph_objects as go
from dash import dcc, html
from dash.development.base_component import Component
from flask import Response

from analysis.counts import Account
from analysis.filters import Filters
from analysis.words import many
from dashboard import filters as shown_filters
from dashboard import theme


def last(query: shown_filters.Query, name: str) -> str:
    """Return what an address says last under a name; empty where it says nothing."""
    return (query.get(name) or [""])[-1]


def changed(query: shown_filters.Query, /, **new: str | Sequence[str]) -> str:
    """Return an address with some of it changed; what becomes empty is left out."""
    rest = {name: list(values) for name, values in query.items() if name not in new}
    for name, value in new.items():
        if value:
            rest[name] = [value] if isinstance(value, str) else list(value)
    return shown_filters.written(rest) or "?"


def sentence(told: Exception | str) -> str:
    """Return what an error says, or a part of a sentence, as a whole one."""
    text = str(told)
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?', '!')) else '.'}"


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


def field(name: str, label: str, value: str, *, numeric: bool = False, hint: str = "") -> Component:
    """Return an input with its label.

    Parameters
    ----------
    name : str
        Its id.
    label : str
        What is to be typed.
    value : str
        What stands in it at first.
    numeric : bool
        Whether a telephone is to show digits.
    hint : str
        What stands in it while it is empty.
    """
    return html.Div(
        [
            html.Label(label, htmlFor=name),
            dcc.Input(
                id=name,
                type="text",
                inputMode="numeric" if numeric else "verbatim",
                placeholder=hint,
                autoComplete="off",
                maxLength=400,
                value=value,
            ),
        ],
        className="field",
    )


def table(
    caption: str, heads: Sequence[str], rows: Sequence[Component], *, words: bool = False
) -> Component:
    """Return a table.

    Parameters
    ----------
    caption : str
        What it holds, for those who hear the page read.
    heads : sequence of str
        Of its columns; the first holds names.
    rows : sequence of Component
        Each a row, its name a head of its own.
    words : bool
        Whether it holds words, which begin where the head does.
    """
    first, *others = heads
    return html.Table(
        [
            html.Caption(caption, className="unseen"),
            html.Thead(
                html.Tr(
                    [
                        html.Th(first, scope="col", className="name"),
                        *(html.Th(head, scope="col") for head in others),
                    ]
                )
            ),
            html.Tbody(list(rows)),
        ],
        className="say small words" if words else "say small",
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
                table(caption, [name, *heads], rows, words=words),
                className="wide",
            ),
        ],
        className="numbers",
    )


def figured(
    name: str,
    head: Sequence[Component | str],
    said: str,
    figure: go.Figure,
    file_name: str,
    key: str,
    numbers: str,
    *tables: Component,
) -> Component:
    """Return a section with a figure, its key, its numbers, and the line that saves both.

    Parameters
    ----------
    name : str
        Id of its head; that of the figure ends with ``-chart``.
    head : sequence of Component or str
        What it asks or says.
    said : str
        The same, for those who hear the page read.
    figure : go.Figure
        With its height in pixels.
    file_name : str
        What the saved figure is called.
    key : str
        What its marks mean.
    numbers : str
        Address of the numbers.
    *tables : Component
        What stands between the key and the line.
    """
    return html.Section(
        [
            html.H2(list(head), id=name),
            html.Div(
                dcc.Graph(
                    id=f"{name}-chart",
                    figure=figure,
                    # A figure that follows the width of the window forgets its own height.
                    style={"height": f"{figure.layout.height}px"},
                    config=theme.graph_config(file_name),
                ),
                className="figure",
                role="img",
                **theme.attributes(aria_label=f"{sentence(said)} The numbers are below."),
            ),
            html.P(key, className="key"),
            *tables,
            save_line(f"{name}-chart", numbers),
        ],
        **theme.attributes(aria_labelledby=name),
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


def csv_text(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Write a table as CSV."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(heads)
    table.writerows(rows)
    return out.getvalue()


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


def command_words(command: str) -> list[Component | str]:
    """Return a command whose options do not break at their hyphens where a line ends."""
    found: list[Component | str] = []
    for word in command.split(" "):
        found += [" " if found else "", html.Span(word)]
    return found


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
                    f"{many(whole.runs, 'run')}, none of which is in: "
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
