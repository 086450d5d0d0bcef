"""What became of a run: its rows as they stand, what replaced what, and mending it.

A stored run is never overwritten: what is mended is a correction, taken in as every other is, and
what it replaces stays in the history. Who opens a run to mend it and finds that somebody else was
quicker is told so, and sees the newer rows.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from flask import Response, jsonify, request

from analysis import taking_in
from analysis.entry import EntryError, mended
from analysis.history import Change, Entry, Intakes
from analysis.log_format import KINDS
from analysis.site import Site, SiteError
from analysis.snapshot import StoreError
from analysis.taking_in import ChangedMeanwhileError, Upload
from analysis.values import unescape_cell
from analysis.words import called, listed, many
from dashboard import access, filters, theme
from dashboard.data import Data
from dashboard.pages.counting import foreign, named, reasons, typed_as
from dashboard.parts import numbers_table, table
from dashboard.parts import sentence as as_sentence

#: What of the address names the run that is looked at.
CHOICES = ("of_tower", "of_run")

RUN, TAKE_BACK = "/log/run", "/log/take-back"

#: Intakes that are listed; feedtally history lists all of them.
_LISTED = 10

#: Columns that are shown of a run where it has anything in them.
_SHOWN = ("cycles", "misses", "doubles", "stock", "humidity_pct", "note")

#: What is mended most, in this order; then all else that the run holds.
_MENDED = ("cycles", "misses", "doubles", "stock", "lot", "humidity_pct", "temperature_c", "note")


#: The section that says that there is no such run.
_NO_RUN = "log-no-run"


def looked(found: Component | None = None) -> Component:
    """Return the place of a run that was looked up; it is on the page whether one was or not."""
    return html.Div(found, id="log-looked")


def run_section(data: Data, tower: str, run: str) -> Component:
    """Return what became of a run."""
    names, rows = data.run_cells(tower, run)
    found = data.run_history(tower, run)
    head = html.H1(found.sentence(), id="log-run")
    back = _back()
    if not rows and not found.rows:
        return html.Section([head, back], id=_NO_RUN, **theme.attributes(aria_labelledby="log-run"))
    parts: list[Component] = [head, back]
    if rows:
        parts.append(_standing(names, rows))
        if access.allowed("log"):
            parts.append(_mend(tower, run))
    else:
        parts.append(html.P("Nothing of it stands: it was taken back.", className="sub"))
    return html.Section(
        [*parts, _changes(found.rows, data.site())],
        id="log-run-shown",
        **theme.attributes(aria_labelledby="log-run"),
    )


def _back() -> Component:
    return html.P(
        [html.A("Back to counting", href="/log", className="inside"), "."], className="sub"
    )


def _asked_anew() -> Component:
    head = html.H1("Which run is to be looked at?", id="log-run")
    return html.Section([head, _back()], **theme.attributes(aria_labelledby="log-run"))


def _standing(names: tuple[str, ...], rows: list[list[str]]) -> Component:
    """Return the rows as they stand, each stretch under a line of its own."""
    cells = [dict(zip(names, map(unescape_cell, row), strict=True)) for row in rows]
    columns = [name for name in _SHOWN if any(row[name] for row in cells)]
    several = len({row["stretch"] for row in cells}) > 1
    body: list[Component] = []
    before = ""
    for row in cells:
        if row["stretch"] != before:
            before = row["stretch"]
            body.append(_stretch(row, len(columns), several))
        at = "bin not noted" if row["bin"] == "?" else f"bin {row['bin']}"
        shown = [html.Td(_shown(name, row[name])) for name in columns]
        body.append(html.Tr([html.Th(at, scope="row", className="name"), *shown]))
    heads = ["bin", *(called(name.removesuffix("_pct")) for name in columns)]
    stands = table("The run as it stands", heads, body)
    return html.Div(stands, className="wide", id="log-run-stands")


def _stretch(row: Mapping[str, str], columns: int, several: bool) -> Component:
    began = f"{row['started'].replace('T', ' ')}"
    said = [f"Stretch {row['stretch']}" if several else "One stretch", f"from {began}"]
    said += [f"to {row['ended'].replace('T', ' ')}"] if row["ended"] else []
    what = row["purpose"] or "production"
    told = html.Span(f"{' '.join(said)}: {what}")
    return html.Tr(html.Th(told, scope="rowgroup", colSpan=columns + 1, className="name"))


def _shown(name: str, cell: str) -> str:
    return f"{int(cell):,}" if name in ("cycles", "misses", "doubles") and cell.isdigit() else cell


def _mend(tower: str, run: str) -> Component:
    return html.Div(
        html.Button(
            "Mend this run",
            type="button",
            className="main",
            **theme.attributes(data_mend="open"),
        ),
        id="log-mend",
        key=f"mend-{tower}-{run}",
        **theme.attributes(data_run=RUN, data_of_tower=tower, data_of_run=run),
    )


def _changes(rows: tuple[Any, ...], site: Site) -> Component:
    """Return all that happened to the rows of a run, those of one moment together."""
    told_of: dict[tuple[object, ...], list[str]] = {}
    kept: dict[tuple[object, ...], Change] = {}
    for row in rows:
        for change in row.changes:
            changed = tuple(change.changed.items())
            key = (change.intake, change.what, changed)
            at = "bin not noted" if row.bin is None else f"bin {row.bin}"
            told_of.setdefault(key, []).append(at if row.stretch == 1 else f"{row.stretch}: {at}")
            kept[key] = change
    body = [
        html.Tr(
            [
                _when(site, change.taken_at),
                html.Td(change.what),
                html.Td(many(len(told_of[key]), "row")),
                html.Td(_told(change, told_of[key])),
                html.Td(change.file),
            ]
        )
        for key, change in sorted(kept.items(), key=lambda pair: pair[1].intake)
    ]
    return numbers_table(
        "What became of the run",
        "when",
        ["what", "rows", "what changed", "from"],
        body,
        "Its history",
        words=True,
    )


def _when(site: Site, moment: dt.datetime) -> Component:
    return html.Th(f"{site.wall(moment):%Y-%m-%d %H:%M}", scope="row", className="name")


def _told(change: Change, bins: list[str]) -> str:
    if not change.changed:
        return ""
    moved = "; ".join(
        f"{called(name)} {before or 'empty'} to {after or 'empty'}"
        for name, (before, after) in change.changed.items()
    )
    # Which bins, where a reader can take them in.
    return f"{listed(bins)}: {moved}" if len(bins) <= 3 else moved


def look_section(data: Data, tower: str, run: str) -> Component:
    """Return where a stored run is looked up, and what was taken in of late."""
    towers = [{"label": name, "value": name} for name in data.choices().towers]
    return html.Section(
        [
            html.H2("A stored run", id="log-look"),
            html.Div(
                [
                    html.Div(
                        [
                            html.Label("tower", htmlFor="log-of-tower"),
                            dcc.Input(
                                id="log-of-tower",
                                type="text",
                                list="log-towers",
                                value=tower,
                                autoComplete="off",
                                maxLength=64,
                            ),
                            html.Datalist(
                                [html.Option(value=one["value"]) for one in towers], id="log-towers"
                            ),
                        ],
                        className="field",
                    ),
                    html.Div(
                        [
                            html.Label("run", htmlFor="log-of-run"),
                            dcc.Input(
                                id="log-of-run",
                                type="text",
                                value=run,
                                autoComplete="off",
                                maxLength=64,
                            ),
                        ],
                        className="field",
                    ),
                    html.Button("Look at it", id="log-look-at", type="button", className="main"),
                ],
                className="typing press",
            ),
            html.P(
                "To see its counts and who replaced which when, and to mend it. Nothing is lost: "
                "what is mended is a correction, and the older counts stay in the history.",
                className="note",
            ),
            html.P(id="log-look-told", role="alert", className="warn"),
            _taken_in(data.intakes(), data.site()),
        ],
        **theme.attributes(aria_labelledby="log-look"),
    )


def _taken_in(found: Intakes, site: Site) -> Component:
    may_manage = access.allowed("manage")
    body = [
        html.Tr(
            [
                _when(site, entry.taken_at),
                html.Td(f"intake {entry.intake}"),
                html.Td(_what(entry)),
                html.Td(_outcome(entry)),
                html.Td(_take_back(entry) if may_manage else ""),
            ]
        )
        for entry in found.entries[:_LISTED]
    ]
    if not body:
        return html.P("Nothing was taken in yet.", className="note")
    return html.Div(
        numbers_table(
            "What was taken in of late",
            "when",
            ["number", "what", "lines", "" if not may_manage else "take back"],
            body,
            "What was taken in of late",
            words=True,
        ),
        id="log-intakes",
        **theme.attributes(data_take_back=TAKE_BACK),
    )


def _what(entry: Entry) -> str:
    if entry.undoes is not None:
        return f"intake {entry.undoes} taken back"
    kind = KINDS[entry.kind].title if entry.kind in KINDS else entry.kind  # type: ignore[index]
    return f"{entry.file} ({kind})"


def _outcome(entry: Entry) -> str:
    if entry.undoes is not None:
        again = entry.account.get("rows_added", 0)
        return f"{many(entry.account.get('taken_out', 0), 'row')} out, {again:,} again"
    said = [
        f"{entry.account.get(name, 0):,} {name}"
        for name in ("added", "corrected", "rejected")
        if entry.account.get(name, 0)
    ]
    if entry.undone_by is not None:
        said.append(f"taken back by intake {entry.undone_by}")
    elif not entry.stored:
        said = ["nothing stored"]
    return ", ".join(said)


def _take_back(entry: Entry) -> Component | str:
    if entry.undone_by is not None or not entry.stored:
        return ""
    return html.Button(
        "Take back",
        type="button",
        className="word",
        **theme.attributes(
            data_take_back=str(entry.intake), aria_label=f"Take back intake {entry.intake}"
        ),
    )


def look_up(
    data: Data, tower: str, run: str, search: str, shown: object
) -> tuple[object, object, object]:
    """Return where a run is looked at, or what is amiss with what was typed.

    Parameters
    ----------
    tower, run : str
        As they were typed.
    search : str
        The address's.
    shown : object
        What stands where a run is shown, as the browser sends it.

    Returns
    -------
    tuple
        The address's search, what is said beside the button, and what stands where a run is shown;
        each may stay.
    """
    if not tower or not run:
        # One answer at a time: that another run was not there says nothing of this.
        old = isinstance(shown, dict) and shown.get("props", {}).get("id") == _NO_RUN
        return no_update, "Name the tower and the run.", _asked_anew() if old else no_update
    query = filters.parse_query(search)
    query.pop("files", None)
    query["of_tower"], query["of_run"] = [tower], [run]
    written = filters.written(query)
    # An address that stays draws nothing anew.
    same = written == filters.written(filters.parse_query(search))
    return written, "", run_section(data, tower, run) if same else no_update


def register(app: Dash, data: Data) -> None:
    """Look runs up, mend them, take intakes back."""

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Output("log-look-told", "children"),
        Output("log-looked", "children"),
        Input("log-look-at", "n_clicks"),
        Input("log-of-run", "n_submit"),
        State("log-of-tower", "value"),
        State("log-of-run", "value"),
        State("url", "search"),
        State("log-looked", "children"),
        prevent_initial_call=True,
    )
    def _(
        clicks: int | None,
        sent: int | None,
        tower: str | None,
        run: str | None,
        search: str | None,
        shown: object,
    ) -> object:
        if not clicks and not sent:
            return no_update, no_update, no_update
        return look_up(data, (tower or "").strip(), (run or "").strip(), search or "", shown)

    def rows() -> Response:
        access.require("log")
        try:
            return jsonify(_rows(data, request.args.get("tower", ""), request.args.get("run", "")))
        except (StoreError, SiteError) as error:
            return _problems(str(error))

    def mend() -> Response:
        access.require("log")
        refused = foreign()
        if refused:
            return refused
        try:
            return _mended(data)
        except EntryError as error:
            return _problems(*error.problems)
        except ChangedMeanwhileError as error:
            return _problems(f"{error}; look at it once more, then mend it")
        except (StoreError, SiteError) as error:
            return _problems(str(error))

    def take_back(number: int) -> Response:
        access.require("manage")
        refused = foreign()
        if refused:
            return refused
        try:
            done, _ = taking_in.undo(data.folder, number)
            return jsonify(told=done.sentence())
        except (StoreError, SiteError) as error:
            return _problems(str(error))

    server = app.server
    server.add_url_rule(RUN, "log_run", rows)
    server.add_url_rule(RUN, "log_mend", mend, methods=["POST"])
    server.add_url_rule(f"{TAKE_BACK}/<int:number>", "log_take_back", take_back, methods=["POST"])


def _problems(*found: str) -> Response:
    return jsonify(problems=[as_sentence(one) for one in found])


def _rows(data: Data, tower: str, run: str) -> dict[str, Any]:
    """Return a run for its form: what can be mended, and the mark of what stands."""
    names, rows = data.run_cells(tower, run)
    filled = [name for place, name in enumerate(names) if any(row[place] for row in rows)]
    asked = data.site().asked
    fixed = ("run", "tower", "stretch", "bin", "started")
    first = [name for name in _MENDED if name in filled or name in (*asked, *_MENDED[:3])]
    rest = [name for name in filled if name not in first and name not in fixed]
    columns = [*first, *rest]
    return {
        "stood": taking_in.mark_of_cells(rows),
        "columns": [{"name": name, "label": typed_as(name)} for name in columns],
        "rows": [
            {
                "at": _at(names, row),
                "cells": [unescape_cell(row[names.index(name)]) for name in columns],
            }
            for row in rows
        ],
    }


def _at(names: tuple[str, ...], row: list[str]) -> str:
    stretch, bin_ = row[names.index("stretch")], row[names.index("bin")]
    at = "bin not noted" if bin_ == "?" else f"bin {bin_}"
    return at if stretch == "1" else f"stretch {stretch}, {at}"


def _mended(data: Data) -> Response:
    body = request.get_json(silent=True)
    keys = ("tower", "run", "stood", "changes")
    if not isinstance(body, dict) or not all(key in body for key in keys):
        raise EntryError(["what came mends no run; open the log page again"])
    tower, run, stood = (str(body[key]) for key in keys[:3])
    changes = body["changes"]
    if not isinstance(changes, list) or not all(isinstance(one, dict) for one in changes):
        raise EntryError(["what came mends no run; open the log page again"])
    names, rows = data.run_cells(tower, run)
    if taking_in.mark_of_cells(rows) != stood:
        raise ChangedMeanwhileError(tower, run)
    raw = mended(names, rows, changes)
    upload = Upload(named(run, "mended run"), raw)
    done = taking_in.enter(data.folder, upload, tower=tower, run=run, stood=stood)
    if done.account is None:
        raise EntryError(reasons(done))
    corrected = many(done.account.rows_corrected, "row")
    told = f"{corrected} of run {run} of tower {tower} corrected; what stood is in its history."
    return jsonify(told=" ".join([told, *map(as_sentence, done.warnings)]))
