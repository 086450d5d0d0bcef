"""A page that was drawn is sent again as it was, for as long as it would be drawn the same."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest
from dash import html
from flask.testing import FlaskClient

from analysis import answers
from analysis.filters import FilterError, Filters
from analysis.intake import read_bytes
from analysis.kept import Kept
from analysis.site import SITE_FILE
from analysis.store import Store
from dashboard import access
from dashboard.app import create_app
from dashboard.data import Data
from dashboard.pages import log, trends
from tests.conftest import run_log

PARTS = (("page", "children"), ("filter", "children"), ("nav", "children"), ("drawn", "data"))


@pytest.fixture
def data(store: Store) -> Data:
    store.add(read_bytes(run_log(), "log.csv"))
    return Data(store.folder)


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Let the page of where faults come from tell how often it was drawn; return each time."""
    times: list[str] = []

    def layout(data: Data, /, **query: object) -> object:
        times.append(str(len(times) + 1))
        return html.P(f"drawn for the time {len(times)}")

    monkeypatch.setattr(trends, "layout", layout)
    return times


@pytest.fixture
def client(data: Data) -> FlaskClient:
    made: FlaskClient = create_app(data).server.test_client()
    # Dash sets itself up at its first request.
    made.get("/")
    return made


def page(client: FlaskClient, path: str = "/trends", search: str = "") -> str:
    """Ask for a page as a browser does, and return what is shown of it."""
    inputs = [
        {"id": "url", "property": name, "value": value}
        for name, value in (("pathname", path), ("search", search))
    ]
    answer = client.post(
        "/_dash-update-component",
        json={
            "output": f"..{'...'.join(f'{name}.{of}' for name, of in PARTS)}..",
            "outputs": [{"id": name, "property": of} for name, of in PARTS],
            "inputs": inputs,
            "changedPropIds": ["url.pathname"],
        },
    )
    assert answer.status_code == 200
    assert answer.mimetype == "application/json"
    return json.dumps(json.loads(answer.get_data())["response"]["page"])


def test_a_page_is_drawn_once_for_an_address(client: FlaskClient, drawn: list[str]) -> None:
    assert "drawn for the time 1" in page(client)
    assert "drawn for the time 1" in page(client)
    assert "drawn for the time 2" in page(client, search="?tower=A")
    assert "drawn for the time 1" in page(client)
    assert len(drawn) == 2


def test_a_page_is_drawn_anew_after_the_store_has_grown(
    client: FlaskClient, store: Store, drawn: list[str]
) -> None:
    page(client)
    store.add(read_bytes(run_log("0815,2031-03-15T08:05,A,1,4517,1,0"), "more.csv"))
    assert "drawn for the time 2" in page(client)


@pytest.mark.parametrize("name", [SITE_FILE, "patterns.toml", "plans/1.json"])
def test_a_page_is_drawn_anew_after_a_file_beside_it_has_changed(
    client: FlaskClient, store: Store, drawn: list[str], name: str
) -> None:
    page(client)
    path = Path(store.folder, name)
    path.parent.mkdir(exist_ok=True)
    path.write_text('zone = "Europe/Vienna"\n', encoding="utf-8")
    assert "drawn for the time 2" in page(client)
    assert "drawn for the time 2" in page(client)


def test_a_page_is_drawn_for_each_role(
    client: FlaskClient, drawn: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def asks(role: str) -> str:
        monkeypatch.setattr(access, "visitor", lambda: access.Visitor("somebody", role))
        return page(client)

    assert "drawn for the time 1" in asks("read")
    assert "drawn for the time 2" in asks("manage")
    assert "drawn for the time 1" in asks("read")


def test_what_is_wrong_is_not_kept(client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    def wrong(data: Data, /, **query: object) -> object:
        raise FilterError("there is no such tower")

    monkeypatch.setattr(trends, "layout", wrong)
    assert "asks for what cannot be shown" in page(client)
    monkeypatch.setattr(trends, "layout", lambda data, **query: html.P("as it should be"))
    assert "as it should be" in page(client)


def test_no_page_is_kept_while_the_site_file_is_wrong(
    client: FlaskClient, store: Store, drawn: list[str]
) -> None:
    page(client)
    Path(store.folder, SITE_FILE).write_text("zone = 3\n", encoding="utf-8")
    assert "drawn for the time 2" in page(client)
    assert "drawn for the time 3" in page(client)


def test_the_log_page_is_never_kept(client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    told = iter(("first", "second"))
    monkeypatch.setattr(log, "layout", lambda data, **query: html.P(next(told)))
    assert "first" in page(client, "/log")
    assert "second" in page(client, "/log")


def test_a_page_is_drawn_anew_when_what_it_lacked_is_known(
    data: Data, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def layout(data: Data, /, **query: object) -> object:
        return html.P("known" if data.knows_drift(Filters()) else "looking")

    monkeypatch.setattr(trends, "layout", layout)
    monkeypatch.setattr(answers, "drift", lambda *asked, **how: SimpleNamespace())
    assert "looking" in page(client)
    assert "looking" in page(client)
    data.drift(Filters())
    assert "known" in page(client)


def test_a_request_for_other_parts_is_no_page(client: FlaskClient, drawn: list[str]) -> None:
    page(client)
    answer = client.post(
        "/_dash-update-component",
        json={
            "output": "..page.children...filter.children...nav.children...drawn.data..",
            "outputs": [{"id": "other", "property": "children"}],
            "inputs": [
                {"id": "url", "property": "pathname", "value": "/trends"},
                {"id": "url", "property": "search", "value": ""},
            ],
            "changedPropIds": ["url.pathname"],
        },
    )
    assert b"drawn for the time 1" not in answer.get_data()
    assert "drawn for the time 1" in page(client)


def test_weights_bound_what_is_kept() -> None:

    kept: Kept[str, str] = Kept(10, len)
    for name in ("four", "more", "five5"):
        kept.get(name, lambda name=name: name)  # type: ignore[misc]
    assert "four" not in kept and "more" in kept and "five5" in kept
    kept.get("eleven long", lambda: "eleven long")
    assert "eleven long" not in kept and "more" in kept
    kept.forget("more")
    kept.get("fifth", lambda: "fifth")
    assert "five5" in kept and "fifth" in kept
