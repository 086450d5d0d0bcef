"""Can the log be believed, as the overview says it."""

from __future__ import annotations

import datetime as dt

import pytest

from analysis.belief import Belief
from analysis.belief_findings import CAUTION, Finding
from analysis.filters import Filters
from dashboard import app as shell
from dashboard.data import Data
from dashboard.pages import believed
from dashboard.pages import overview as page
from tests.dashboard.results import SINCE, UNTIL, WHOLE
from tests.dashboard.test_page_overview import shown

NO_AIR = "No run has a humidity reading, so missing air could not be looked at."


def finding(tower: str, first: dt.date, last: dt.date, kind: str = "gap") -> Finding:
    begins, ends = (dt.datetime.combine(day, dt.time()) for day in (first, last))
    return Finding(kind, tower, None, begins, ends, first, last, 4, 0, 4, 1e-5)


HERE = finding("A", dt.date(2031, 3, 28), dt.date(2031, 4, 1))
LATER = finding("B", dt.date(2031, 6, 1), dt.date(2031, 6, 4))
APRIL = Filters(SINCE, UNTIL, (("purpose", ("production",)),))


def belief_of(*found: Finding) -> Belief:
    return Belief(tuple(found), 300, 90, 280, {}, (NO_AIR,))


def said(*found: Finding, towers: set[str] | None = None) -> str:
    return shown(believed.answer(belief_of(*found), APRIL, WHOLE, towers))


def test_what_touches_the_period_is_said_and_the_rest_counted() -> None:
    text = said(HERE, LATER)
    assert HERE.sentence() in text and LATER.sentence() not in text
    assert "1 thing more is hard to believe in the rest of it. See the whole log." in text
    assert NO_AIR in text


def test_other_towers_are_the_rest() -> None:
    text = said(HERE, LATER, towers={"B"})
    assert HERE.sentence() not in text
    assert (
        "Nothing in this part of the log is hard to believe; 2 things in the rest of it are."
        in text
    )
    assert HERE.sentence() in said(HERE, towers={"A", "B"})


def test_nothing_is_said_in_a_sentence() -> None:
    text = said()
    assert text.startswith("Nothing in the log is hard to believe, as far as it can be looked at")
    assert "See the whole log" not in text


@pytest.mark.parametrize(
    ("since", "until", "touched"),
    [("03-01", "03-28", True), ("04-01", "04-01", True), ("04-02", "04-30", False)],
)
def test_a_day_in_common_is_enough(since: str, until: str, touched: bool) -> None:
    first, last = (dt.datetime.fromisoformat(f"2031-{day}") for day in (since, until))
    assert believed.touches(HERE, Filters(first, last), None) == touched


def test_what_is_found_is_no_proof() -> None:
    assert CAUTION.startswith("None of this proves anything")
    assert CAUTION in said(HERE)
    assert CAUTION not in said(LATER) and CAUTION not in said()


def test_a_filter_that_a_tower_cannot_follow_is_named() -> None:
    held = APRIL.holding("tower", "A").holding("site", "")
    told = "This part looks at whole towers, whatever else the page is held to"
    assert told not in shown(believed.answer(belief_of(HERE), held, WHOLE, {"A"}))
    held = held.holding("stock", "BO90").holding("set_foot_rest", "high").holding("bin", "3")
    for found in ((HERE,), (LATER,), ()):
        text = shown(believed.answer(belief_of(*found), held, WHOLE, {"A"}))
        assert f"{told} (stock, foot rest and bin)." in text


def test_the_link_lets_go_of_towers_and_period() -> None:
    held = APRIL.holding("tower", "B")
    told = str(believed.answer(belief_of(HERE), held, WHOLE, {"B"})[0])
    assert "?since=start" in told.replace("'", "") and "tower=B" not in told


def test_the_page_does_not_wait_for_it(sample_data: Data, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(_: Data) -> None:
        raise AssertionError("the page waits for it")

    monkeypatch.setattr(Data, "belief", never)
    text = shown(page.layout(sample_data))
    assert "Can the log be believed?Looking whether the log can be believed …" in text


def asked_later(data: Data, address: str) -> str:
    """Return what the page is told a moment after it was drawn."""
    client = shell.create_app(data).server.test_client()
    answer = client.post(
        "/_dash-update-component",
        json={
            "output": "overview-believed.children",
            "outputs": {"id": "overview-believed", "property": "children"},
            "inputs": [{"id": "overview-belief-later", "property": "n_intervals", "value": 1}],
            "state": [{"id": "overview-belief-of", "property": "data", "value": address}],
            "changedPropIds": ["overview-belief-later.n_intervals"],
        },
    )
    return shown(answer.get_json()["response"]["overview-believed"]["children"])


def test_the_fortnight_of_zeros_is_found_in_its_month(sample_data: Data) -> None:
    found = sample_data.belief().findings
    assert [(one.kind, one.tower) for one in found] == [("zeros", "B")]
    may = asked_later(sample_data, "?since=2031-05-01&until=2031-05-31")
    assert found[0].sentence() in may
    other = asked_later(sample_data, "?since=2031-05-01&until=2031-05-31&tower=A")
    assert "1 thing in the rest of it is." in other
