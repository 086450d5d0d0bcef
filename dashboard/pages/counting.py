"""How is a run counted at the tower, as it goes?

The page counts in the browser (`assets/counting.js` and the scripts that it names), since the
connection at a tower comes and goes: what is typed is kept on the device at once, and here as soon
as it can be. This module tells those scripts what to offer, keeps drafts, and stores a run that is
over.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from dash import Dash, html
from dash.development.base_component import Component
from flask import Response, jsonify, request

from analysis import drafts, taking_in
from analysis.at_tower import FRESH_HOURS, bins_told
from analysis.drafts import Draft, DraftError, OvertakenError
from analysis.entry import CountedRun, EntryError, read_draft, run_log
from analysis.log_format import KINDS, PURPOSES
from analysis.site import Site, SiteError
from analysis.snapshot import StoreError
from analysis.taking_in import ChangedMeanwhileError, Taken, Upload
from analysis.words import called
from dashboard import access, theme
from dashboard.data import Data
from dashboard.parts import sentence as as_sentence

OFFER, DRAFTS = "/log/offer", "/log/drafts"

#: A page from elsewhere cannot send this without asking first, which it is refused.
HEADER = ("X-Feedtally", "log")

#: What columns are called on the page, where that is not their name with blanks.
_CALLED = {
    "humidity_pct": "humidity, %",
    "temperature_c": "temperature, °C",
    "prepared": "paper prepared before loading",
    "sets_spoiled": "sets spoiled",
    "sets_mended": "sets mended",
    "at_end": "at the end of the line",
}


def section(data: Data) -> Component:
    """Return the section in which a run is counted; its script fills it."""
    return html.Section(
        [
            html.H1("Count a run as it goes, or drop the log of one that is over.", id="log-head"),
            html.P(
                "What you type is kept on this device at once, and in the store's folder as soon "
                "as it can be sent. Nothing is in the log before you store the run.",
                className="sub",
            ),
            # The script's own from here on. The key keeps React from making another part of the
            # page out of it.
            html.Div(
                id="log-count",
                key="log-count",
                **theme.attributes(
                    data_offer=OFFER,
                    data_drafts=DRAFTS,
                    # Of another store nothing is offered, though it was served at this address.
                    data_store=hashlib.sha256(str(data.folder).encode()).hexdigest()[:12],
                ),
            ),
        ],
        id="log-counting",
        **theme.attributes(aria_labelledby="log-head"),
    )


def register(app: Dash, data: Data) -> None:
    """Tell what to offer; keep drafts; store a run.

    What cannot be done as asked is an answer like another, in words; only requests that do not come
    from the page are refused.
    """

    def offer() -> Response:
        access.require("log")
        try:
            return jsonify(offered(data))
        except (StoreError, SiteError) as error:
            return jsonify(problems=[as_sentence(error)])

    def one(name: str) -> Response:
        access.require("log")
        try:
            if request.method == "GET":
                kept = drafts.draft(data.folder, name)
                return jsonify(kept=_kept(kept) if kept else None)
            refused = foreign()
            if refused:
                return refused
            if request.method == "DELETE":
                drafts.put_away(data.folder, name)
                return jsonify({})
            if request.method != "PUT":
                return Response(status=204)
            revision, content = _sent()
            return jsonify(kept=_kept(drafts.save(data.folder, name, revision, content)))
        except OvertakenError as error:
            return jsonify(overtaken=_kept(error.kept))
        except (DraftError, StoreError) as error:
            return jsonify(problems=[as_sentence(error)])

    def store(name: str) -> Response:
        access.require("log")
        refused = foreign()
        if refused:
            return refused
        try:
            revision, content = _sent()
            counted = read_draft(content)
            done = drafts.store_once(
                data.folder, name, revision, content, lambda: _store(data, counted)
            )
            return jsonify(stored=done.stored, content=done.content)
        except OvertakenError as error:
            return jsonify(overtaken=_kept(error.kept))
        except EntryError as error:
            return jsonify(problems=[as_sentence(one) for one in error.problems])
        except (DraftError, StoreError, SiteError) as error:
            return jsonify(problems=[as_sentence(error)])

    server = app.server
    server.add_url_rule(OFFER, "log_offer", offer)
    server.add_url_rule(f"{DRAFTS}/<name>", "log_draft", one, methods=["GET", "PUT", "DELETE"])
    server.add_url_rule(f"{DRAFTS}/<name>/store", "log_store", store, methods=["POST"])


def foreign() -> Response | None:
    """Refuse what does not come from the log page; None for what does."""
    name, value = HEADER
    if request.headers.get(name) == value:
        return None
    return told("counts are taken from the log page alone", 403)


def told(text: str, status: int) -> Response:
    """Answer with one sentence."""
    return Response(f"{as_sentence(text)}\n", status, mimetype="text/plain")


def offered(data: Data) -> dict[str, Any]:
    """Return what the page offers to who counts, for its script.

    Raises
    ------
    analysis.snapshot.StoreError
        When the store cannot be read.
    analysis.site.SiteError
        While the site file is wrong.
    """
    site = data.site()
    choices = data.choices()
    # Local time without an offset, as the clocks at the towers show it.
    now = site.now().replace(tzinfo=None)
    return {
        "now": now.isoformat(timespec="seconds"),
        "fresh_hours": FRESH_HOURS,
        "asked": [_field(name, site, choices.others.get(name, ())) for name in site.asked],
        "purposes": list(PURPOSES),
        "stocks": [
            {"code": str(row["stock"]), "told": str(row["description"] or "")}
            for row in data.stocks()
        ],
        "towers": [
            {
                "tower": one.tower,
                "site": one.site,
                "bins": list(one.bins),
                "run": one.run,
                "papers": [[bins_told(bins), stock, ""] for bins, stock in one.papers],
                "empty": bins_told(one.left_empty),
                "values": dict(one.values),
                "off": list(one.unwatched),
                "air_at": one.air_at.isoformat(timespec="minutes") if one.air_at else None,
            }
            for one in data.towers_now(now)
        ],
        "drafts": [_kept(draft) for draft in drafts.drafts(data.folder)],
        "away": [_kept(draft) for draft in drafts.drafts(data.folder, away=True)],
    }


def typed_as(name: str) -> str:
    """Return what a column is called where it is typed."""
    return _CALLED.get(name, called(name))


def _field(name: str, site: Site, logged: tuple[str, ...]) -> dict[str, Any]:
    """Return how the page asks for a column."""
    said = site.setting(name)
    known = {column.name: column for column in KINDS["runs"].columns}
    column = known.get(name)
    label = typed_as(name)
    levels = [*said.levels, *(v for v in logged if v and v not in said.levels)]
    if name.startswith("set_"):
        kind, choices = "text", levels
    else:
        assert column is not None
        kind, choices = column.type, list(column.choices)
    return {
        "name": name,
        "label": f"{label}, {said.unit}" if said.unit else label,
        "numeric": kind in ("number", "whole"),
        # Only these may stand there; others are offered.
        "only": kind == "choice",
        "choices": choices,
        "of_stretch": column is not None and column.of_stretch,
    }


def _sent() -> tuple[int, Mapping[str, object]]:
    body = request.get_json(silent=True)
    if (
        not isinstance(body, dict)
        or type(body.get("revision")) is not int
        or not isinstance(body.get("content"), dict)
    ):
        raise DraftError("what came is no draft of a run; open the log page again")
    return body["revision"], body["content"]


def _kept(draft: Draft) -> dict[str, Any]:
    return {
        "name": draft.name,
        "revision": draft.revision,
        "content": draft.content,
        "stored": draft.stored,
        "away": draft.away,
    }


def _store(data: Data, counted: CountedRun) -> str:
    """Store a run, and return what to say of that."""
    notes: list[str] = []
    upload = Upload(named(counted.run, "run"), run_log(counted))
    try:
        done = taking_in.enter(
            data.folder,
            upload,
            tower=counted.tower,
            run=counted.run,
            stood=taking_in.NO_RUN,
        )
    except ChangedMeanwhileError:
        # Perhaps it was stored from here, and broken off before that was noted.
        if not _word_for_word(data, upload):
            raise EntryError(
                [
                    f"the log has a run {counted.run} of tower {counted.tower} already, with other "
                    "counts; give this one another name, or mend that one below"
                ]
            ) from None
    else:
        if done.account is None:
            raise EntryError(reasons(done))
        notes = [as_sentence(warning) for warning in done.warnings]
    told = f"{counted.sentence()[:-1]}; it is stored, and every page shows it from now on."
    return " ".join([told, *notes])


def reasons(refused: Taken) -> list[str]:
    """Return why lines of a run will not do, each reason once, in the words of the page."""
    found = []
    for problem in refused.problems:
        word = called(problem.column.removesuffix("_pct").removesuffix("_c"))
        named = problem.column and problem.reason.startswith(f"{problem.column} ")
        found.append(word + problem.reason[len(problem.column) :] if named else problem.reason)
    return list(dict.fromkeys(found)) or [refused.error]


def _word_for_word(data: Data, upload: Upload) -> bool:
    account = taking_in.check(data.folder, [upload]).files[0].account
    return account is not None and account.known == account.lines


def named(run: str, what: str) -> str:
    """Return what the history calls rows that were typed on the log page."""
    # As a name of a file, which has no strokes.
    return f"log page ({what} {run.replace('/', '-')})".replace("\\", "-")
