"""How do files get in? They are dropped on the log page, shown line by line, then taken in.

Between the two they wait on the server (`dashboard.waiting`). Wiring only: `analysis.taking_in`
does the checking, and does for a dropped file what it does for one that the command is given.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from flask import Response, jsonify, request, send_file
from werkzeug.datastructures import FileStorage
from werkzeug.exceptions import RequestEntityTooLarge

from analysis.log_format import KINDS
from analysis.rejects import rejects_name
from analysis.site import SiteError
from analysis.snapshot import StoreError
from analysis.taking_in import Taken, Upload
from analysis.words import many
from dashboard import access, filters, theme
from dashboard.data import Data
from dashboard.parts import sentence as as_sentence
from dashboard.waiting import MOST_AT_ONCE, MOST_FILES, MOST_OF_A_FILE, Batch, Shown, Stood, Waiting

CHECK, REJECTS = "/log/check", "/log/rejects"

#: Largest body of a request with files: what stands between them in it comes on top.
LARGEST_REQUEST = MOST_AT_ONCE + 100_000

#: A page from elsewhere cannot send this without asking first, which it is refused.
HEADER = ("X-Feedtally", "log")

#: Cells of a line that are shown as they stood.
MOST_CELLS = 60


def section(token: str) -> Component:
    """Return the place where files are dropped, and what is found in those that wait.

    Parameters
    ----------
    token : str
        Of files that wait; empty where none do.
    """
    return html.Div(
        [
            dcc.Store(id="log-token", data=token),
            # Filled in when something has been done, for those who do not see the page.
            html.Div(id="log-said", role="status", className="unseen"),
            html.Div(None if token else _begin(), id="log-top"),
            html.P(id="log-working", role="status", className="working"),
            html.P(id="log-refused", role="alert", className="warn"),
        ],
        id="log-files",
        **theme.attributes(
            data_check=CHECK,
            data_most_of_a_file=str(MOST_OF_A_FILE),
            data_most_at_once=str(MOST_AT_ONCE),
            data_most_files=str(MOST_FILES),
        ),
    )


def register(app: Dash, data: Data) -> None:
    """Take files, show what is in them, take them in; hand out what was rejected."""
    waiting = Waiting(data.folder)
    _serve(app, data, waiting)

    @app.callback(
        Output("log-top", "children"),
        Output("log-said", "children"),
        Input("log-token", "data"),
    )
    def _(token: str | None) -> object:
        if not token:
            return no_update, no_update
        return top(token, waiting.get(token))

    @app.callback(
        Output("log-top", "children", allow_duplicate=True),
        Output("log-said", "children", allow_duplicate=True),
        Input("log-take", "n_clicks"),
        State("log-token", "data"),
        prevent_initial_call=True,
    )
    def _(clicks: int | None, token: str) -> object:
        # Buttons that have just been drawn also call, with nothing pressed yet.
        if not clicks:
            return no_update, no_update
        access.require("log")
        try:
            return top(token, waiting.take(token))
        except (StoreError, SiteError) as error:
            return top(token, waiting.get(token), trouble=str(error))

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Input("log-put-away", "n_clicks"),
        State("log-token", "data"),
        State("url", "search"),
        prevent_initial_call=True,
    )
    def _(clicks: int | None, token: str, search: str | None) -> object:
        if not clicks:
            return no_update
        access.require("log")
        waiting.put_away(token)
        return _without_files(search)

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("feedtally", "said"), Input("log-said", "children")
    )


def _without_files(search: str | None) -> str:
    query = filters.parse_query(search)
    query.pop("files", None)
    return filters.written(query)


def _serve(app: Dash, data: Data, waiting: Waiting) -> None:
    def check() -> Response:
        access.require("log")
        name, value = HEADER
        if request.headers.get(name) != value:
            return _told("Files are taken from the log page alone.", 403)
        # Counted while it is read, whatever the request says of itself.
        request.max_content_length = LARGEST_REQUEST
        try:
            files = request.files.getlist("files")
        except RequestEntityTooLarge:
            return _told(_TOO_MUCH, 413)
        try:
            return checked(files)
        finally:
            # Large ones lie in files of the system's own.
            for file in files:
                file.close()

    def checked(files: Sequence[FileStorage]) -> Response:
        if not files:
            return _told("No file came with that; choose one or more.", 400)

        def read() -> list[Upload]:
            found = [Upload(f.filename or "", f.stream.read(MOST_OF_A_FILE + 1)) for f in files]
            if len(found) > MOST_FILES or any(len(u.raw) > MOST_OF_A_FILE for u in found):
                raise RequestEntityTooLarge
            return found

        try:
            return jsonify(files=waiting.check(read))
        except RequestEntityTooLarge:
            return _told(_TOO_MUCH, 413)
        except (StoreError, SiteError) as error:
            return _told(as_sentence(str(error)), 409)

    def rejects(token: str, number: int) -> Response:
        batch = waiting.get(token)
        if batch is None or not batch.stored or not 0 <= number < len(batch.shown):
            return _told(f"These lines are no longer at hand; look in {_kept(data)}.", 404)
        taken = batch.shown[number].taken
        try:
            # The path is the store's own; the name that the file came with is a label only.
            content = Path(taken.rejects_file or "").read_bytes()
        except OSError:
            return _told(f"These lines are no longer in {_kept(data)}.", 404)
        return send_file(
            io.BytesIO(content),
            mimetype="text/csv",
            as_attachment=True,
            download_name=rejects_name(taken.file),
        )

    server = app.server
    server.add_url_rule(CHECK, "log_check", check, methods=["POST"])
    server.add_url_rule(f"{REJECTS}/<token>/<int:number>", "log_rejects", rejects)


_TOO_MUCH = (
    f"That is more than this page takes: {MOST_OF_A_FILE // 10**6} MB in a file, "
    f"{MOST_AT_ONCE // 10**6} MB and {MOST_FILES} files at once. Use feedtally add FILE."
)


def _told(text: str, status: int) -> Response:
    return Response(f"{text}\n", status, mimetype="text/plain")


def _kept(data: Data) -> Path:
    return data.folder / "rejects"


def top(token: str, batch: Batch | None, *, trouble: str = "") -> tuple[list[Component], str]:
    """Return the upper part of the page for files that wait, and its first line.

    Parameters
    ----------
    token : str
        Of the files.
    batch : Batch or None
        The files; None when they are no longer held.
    trouble : str
        Why they could not be taken in.
    """
    if batch is None:
        head = "These files are no longer waiting here."
        told = (
            "They were put away, or waited for more than two hours. What was taken in of them "
            "stays in the log; what was not can be dropped again."
        )
        return [html.H1(head), html.P(told, className="sub"), _drop()], head
    head = "The store could not take them in." if trouble else headline(batch)
    parts: list[Component] = [html.H1(head)]
    if trouble:
        parts.append(html.P(as_sentence(trouble), className="warn"))
    parts.append(html.P(_next(batch), className="sub"))
    if not batch.stored:
        parts.append(_buttons(batch))
    parts += [_file(token, number, one, batch.stored) for number, one in enumerate(batch.shown)]
    if any(one.taken.kind in ("runs", "services") for one in batch.shown):
        zone = f"Times without an offset are taken to be in the zone {batch.zone}."
        parts.append(html.P(zone, className="key"))
    if batch.stored:
        parts.append(_drop("Drop the mended lines here, or other files:"))
    return parts, head


def headline(batch: Batch) -> str:
    """Say what was found in files, or what became of them, in one line."""
    refused = [one for one in batch.shown if one.taken.account is None]
    mend = batch.lines("rejected")
    lines, to_mend = many(batch.to_take, "line"), many(mend, "line")
    refusals = f"{many(len(refused), 'file')} refused"
    if batch.stored:
        told = [f"{lines} {'is' if batch.to_take == 1 else 'are'} taken in"]
        if not batch.to_take:
            told = ["Nothing was new"]
        told += [f"{to_mend} to mend"] if mend else []
        told += [refusals] if refused else []
        return f"{'; '.join(told)}."
    if len(refused) == len(batch.shown):
        return f"Nothing can be taken from {'this file' if len(refused) == 1 else 'these files'}."
    if not batch.to_take:
        if mend:
            return f"Nothing new can be taken in: {to_mend} to mend."
        return "Every line is already known; there is nothing to take in."
    found = [f"{lines} can be taken in"]
    if mend:
        found.append(f"{to_mend} to mend")
    if refused:
        found.append(refusals)
    return f"{', '.join(found) if len(found) > 1 else found[0] + ', all good'}."


def _next(batch: Batch) -> list[Component | str]:
    if batch.stored:
        return [
            "Every page shows them from now on: ",
            html.A("how are we running?", href="/", className="inside"),
        ]
    if not batch.to_take:
        if not batch.lines("rejected") and any(one.taken.account for one in batch.shown):
            return ["What these files say is in the store, word for word."]
        return ["Mend the files and drop them again; nothing was stored."]
    if batch.lines("rejected"):
        return [
            "Nothing is taken yet. Take in what is good and mend the rest afterwards: those lines "
            "are handed back, each with its reason. Or mend the file first and drop it again."
        ]
    return ["Nothing is taken yet."]


def _buttons(batch: Batch) -> Component:
    take = html.Button("Take these in", id="log-take", type="button", className="main")
    away = html.Button("Put away", id="log-put-away", type="button", className="word")
    other = html.Button("Choose other files", type="button", className="word choose")
    return html.Div([*([take] if batch.to_take else []), away, other], className="press")


def _begin() -> list[Component]:
    return [
        html.H2("Or drop its log", id="log-drop"),
        html.P(
            "CSV files of any kind: run log, stock list, service log, tower list; several at "
            f"once, {MOST_OF_A_FILE // 10**6} MB a file. What is in them is shown first, and "
            "nothing is taken before you say so.",
            className="sub",
        ),
        _drop(),
    ]


def _drop(told: str = "Drop files here, or") -> Component:
    return html.Div(
        [
            html.Span(told, className="told"),
            html.Button("Choose files", type="button", className="main choose"),
        ],
        className="drop",
    )


def _file(token: str, number: int, one: Shown, stored: bool) -> Component:
    taken = one.taken
    parts: list[Component] = [
        html.H2(
            [taken.file, html.Span(f" {KINDS[taken.kind].title}") if taken.account else ""],  # type: ignore[index]
            id=f"log-file-{number}",
        )
    ]
    if taken.account is None:
        parts.append(html.P(as_sentence(taken.error), className="warn"))
    else:
        parts.append(html.P(_account(taken, stored), className="account"))
    parts += [html.P(as_sentence(warning), className="note") for warning in taken.warnings]
    if taken.rejects_file:
        parts.append(_handed_back(token, number, taken))
    if taken.problems:
        parts.append(_to_mend(one))
    return html.Section(
        parts, className="file", **theme.attributes(aria_labelledby=f"log-file-{number}")
    )


def _account(taken: Taken, stored: bool) -> list[Component | str]:
    a = taken.account
    assert a is not None
    told: list[Component | str] = [
        html.B(f"{a.lines:,}"),
        " lines read = " if a.lines != 1 else " line read = ",
    ]
    words = ("added", "corrected") if stored else ("to add", "to correct")
    for count, word in (
        (a.added, words[0]),
        (a.corrected, words[1]),
        (a.known, "already known"),
        (a.rejected, "to mend"),
    ):
        told += [" + " if len(told) > 2 else "", html.B(f"{count:,}"), f" {word}"]
    if a.rows_added + a.rows_corrected > a.added + a.corrected:
        rows = many(a.rows_added + a.rows_corrected, "row")
        told.append(f"; {rows}, since a line may stand for several bins")
    return [*told, "."]


def _handed_back(token: str, number: int, taken: Taken) -> Component:
    assert taken.account is not None
    lines = many(taken.account.rejected, "line")
    return html.P(
        [
            html.A(f"Get the {lines} to mend", href=f"{REJECTS}/{token}/{number}", download=""),
            " as they stood, each with its reason. Mend them in that file and drop it here. "
            "They are kept in ",
            html.Code(taken.rejects_file),
            ".",
        ],
        className="note",
    )


def _to_mend(one: Shown) -> Component:
    rest = one.problems - len(one.taken.problems)
    told: dict[int, list[str]] = {}
    for problem in one.taken.problems:
        named = problem.reason.startswith(problem.column)
        reason = problem.reason if named else f"{problem.column}: {problem.reason}"
        told.setdefault(problem.line, []).append(reason)
    items = [
        html.Li(
            [
                html.Span(f"line {line:,}", className="about"),
                html.Div(
                    [
                        *(html.Div(_ended(reason)) for reason in reasons),
                        *([_stood(one.lines[line])] if line in one.lines else []),
                    ]
                ),
            ]
        )
        for line, reasons in told.items()
    ]
    more = f"And {many(rest, 'more problem', 'more problems')}, not shown here."
    return html.Div(
        [
            html.Ol(items, className="attention mend"),
            *([html.P(more, className="note")] if rest else []),
        ]
    )


def _ended(text: str) -> str:
    """End a sentence that begins with the name of a column, which stays as it is."""
    return text if text.endswith((".", "?", "!")) else f"{text}."


def _stood(line: Stood) -> Component:
    """Write a line as it stood, what will not do marked."""
    told: list[Component | str] = []
    for index, cell in enumerate(line.cells[:MOST_CELLS]):
        told.append(line.delimiter if index else "")
        # Nothing where something has to stand is marked too.
        told.append(html.B(cell or 4 * "\u00a0") if index in line.wrong else cell)
    if len(line.cells) > MOST_CELLS:
        told.append(" …")
    return html.Small(told, className="stood")
