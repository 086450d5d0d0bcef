"""Pages of large logs: the first figure comes first, and what follows makes the page whole."""

from __future__ import annotations

import json
import re

import pytest
from flask.testing import FlaskClient

from dashboard import app as shell
from dashboard.data import Data
from dashboard.pages import overview, trends


def ids(part: object) -> set[str]:
    text = part if isinstance(part, str) else json.dumps(part, default=_plain)
    return set(re.findall(r'"id": ?"([^"]+)"', text))


def _plain(component: object) -> object:
    return component.to_plotly_json()  # type: ignore[attr-defined]


def asked(client: FlaskClient, outputs: list[str], asks: tuple[str, str], of: str) -> str:
    """Return what a callback answers, as a browser asks it."""
    named = [f"{name}.children" for name in outputs]
    listed = [{"id": name, "property": "children"} for name in outputs]
    several = len(outputs) > 1
    body = {
        "output": f"..{'...'.join(named)}.." if several else named[0],
        "outputs": listed if several else listed[0],
        "inputs": [{"id": asks[0], "property": asks[1], "value": 1}],
        "state": [{"id": of, "property": "data", "value": "?kind=misses"}],
        "changedPropIds": [".".join(asks)],
    }
    answer = client.post("/_dash-update-component", json=body)
    assert answer.status_code == 200
    return answer.get_data(as_text=True)


def test_where_faults_come_from_follows_how_they_ran(
    sample_data: Data, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = ids(shell.page_at(Data(sample_data.folder), "/trends", "?kind=misses")[1])
    monkeypatch.setattr(trends, "_LARGE", 1_000)
    data = Data(sample_data.folder)
    first = ids(shell.page_at(data, "/trends", "?kind=misses")[1])
    assert "trends-over-time-chart" in first and "trends-by-stock-chart" not in first
    client = shell.create_app(data).server.test_client()
    outputs, asks = ["trends-head", "trends-rest"], ("trends-rest-later", "n_intervals")
    rest = ids(asked(client, outputs, asks, "trends-rest-of"))
    assert "trends-by-stock-chart" in whole
    assert whole <= first | rest


def test_the_other_towers_are_drawn_when_they_are_asked_for(
    sample_data: Data, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(overview, "MOST_TOWERS", 2)
    monkeypatch.setattr(overview, "FIRST_TOWERS", 1)
    first = json.dumps(shell.page_at(sample_data, "/", "?kind=misses")[1], default=_plain)
    assert "Draw the other 2 towers, and all in a table" in first
    client = shell.create_app(sample_data).server.test_client()
    asks = ("overview-more-asked", "n_clicks")
    more = asked(client, ["overview-more"], asks, "overview-more-of")
    assert "overview-chart-1" in ids(more)
    assert "Tower B" in more and "Tower C" in more
