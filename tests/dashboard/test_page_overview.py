import csv
import dataclasses
import io
import json
import shutil
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from analysis import answers
from analysis.attention import Attention
from analysis.filters import FilterError
from analysis.intake import read_log
from analysis.store import Store
from dashboard import app as shell
from dashboard import filters, parts
from dashboard.data import Data
from dashboard.pages import needs
from dashboard.pages import overview as page
from dashboard.pages.needs import Known
from tests.dashboard.causes_results import causes_of
from tests.dashboard.costs_results import beyond_of, costs_of
from tests.dashboard.drift_results import RECENT, WORSE, drift_of, stream_of
from tests.dashboard.results import TOWER_A, TOWER_B, WHOLE, overview_of

RUN = (
    "run,started,tower,bin,cycles,misses,doubles,purpose\n"
    "9001,2032-03-06T08:00,A,1-10,5000,0,0,production\n"
)


def shown(component: object) -> str:
    """Return all that a part of a page says, as one text."""
    found: list[str] = []

    def walk(value: object) -> None:
        if isinstance(value, str):
            found.append(value)
        elif isinstance(value, dict):
            walk(value.get("props", {}).get("children"))
        elif isinstance(value, list):
            for one in value:
                walk(one)

    walk(json.loads(json.dumps(component, default=lambda c: c.to_plotly_json())))
    return "".join(found)


def test_an_empty_store_says_how_to_begin(empty_data: Data) -> None:
    assert "Nothing is logged yet." in shown(page.layout(empty_data))
    assert "feedtally add FILE" in shown(page.layout(empty_data))
    assert shell.bar_at(empty_data, "") == []
    name, part, sound = shell.page_at(empty_data, "/", "?tower=B")
    assert name == "Overview" and "Nothing is logged yet." in shown(part) and sound


def test_nothing_in_a_filter_says_what_there_is(sample_data: Data) -> None:
    text = shown(page.layout(sample_data, since=["2031-01-06"], until=["2031-01-06"], tower=["Z"]))
    assert "Nothing was logged in this part of the log." in text
    assert "tower Z" in text and "its last 30 days" in text


def test_the_headline_is_the_answer_in_words(sample_data: Data) -> None:
    asked = filters.from_query({}, sample_data.whole())
    text = shown(page.layout(sample_data))
    assert sample_data.overview(asked).sentence() in text


def test_what_cannot_be_is_said_in_a_sentence(sample_data: Data) -> None:
    with pytest.raises(FilterError):
        page.layout(sample_data, towr=["B"])
    _, part, sound = shell.page_at(sample_data, "/", "?towr=B")
    assert "did you mean tower? Go to" in shown(part) and not sound
    assert shown(shell.bar_at(sample_data, "?since=soon")).startswith("5 February to 5 March 2032")


def test_an_address_without_a_page(sample_data: Data) -> None:
    assert "There is no page at /nowhere" in shown(shell.page_at(sample_data, "/nowhere", "")[1])


def test_links_to_pages_carry_the_filter_and_no_choices_of_a_page() -> None:
    links = shell.navigation(
        "/", "?tower=B&order=evidence&ranges=plain&over=week&setting=set_blast"
    )
    assert {link.href.partition("?")[2] for link in links} == {"tower=B"}
    link = links[0]
    assert link.to_plotly_json()["props"]["aria-current"] == "page"


def test_what_needs_attention_leads_to_its_tower() -> None:
    overview = overview_of(TOWER_A, TOWER_B)
    text = shown(needs.listed(overview, WHOLE, {}, Known()))
    assert "A, bin 2" in text and "See tower A alone" in text
    held = dataclasses.replace(overview, filters=overview.filters.holding("tower", "A"))
    assert "alone" not in shown(needs.listed(held, WHOLE, {}, Known()))


def test_a_bin_that_stands_out_leads_to_what_may_be_behind_it() -> None:
    item = Attention("A, bin 2", "Ten times.", "40 misses", True, "A", 2, "misses")
    overview = overview_of(TOWER_A, attention=(item, dataclasses.replace(item, bin=None)))
    found = needs.listed(overview, WHOLE, {}, Known())
    first, whole = found.children
    assert "See what may be behind it See tower A alone" in shown(first)
    assert "/drift?stream=A.2.misses" in str(first)
    assert "behind it" not in shown(whole)


def test_who_is_getting_worse_heads_the_list_and_leads_to_where_it_is_shown() -> None:
    overview = overview_of(TOWER_A, TOWER_B)
    # Bin 2 of tower A stands out from the others, and has been getting worse too.
    drift = drift_of(
        stream_of("A", 2, "misses", (WORSE,)),
        stream_of("B", None, "doubles", (dataclasses.replace(WORSE, shape="step"),)),
        stream_of("B", 1, "doubles"),
    )
    found = needs.listed(overview, WHOLE, {}, Known(drift))
    items = [shown(item) for item in found.children]
    assert items[0].startswith("!A, bin 2Bin 2 of tower A has been getting worse since about 11")
    assert "Began between 7 and 14 April 2031; 44 misses where 15 were expected" in items[0]
    assert "power off and isolated" in items[0] and "Ten times burn-in." in items[0]
    assert items[1].startswith("!Tower BTower B has been worse since about 11 April 2031")
    assert "What its bins share is likely" in items[1]
    assert sum("A, bin 2" in item for item in items) == 1
    assert "stream=A.2.misses" in str(found) and "stream=B.all.doubles" in str(found)
    assert not any("Tower BNo bin stands out" in item for item in items)


def test_what_was_noticed_after_the_period_is_no_news_of_it() -> None:
    overview = overview_of(TOWER_A)
    later = overview.filters.during(None, RECENT.alarmed_at)
    drift = drift_of(stream_of("A", 2, "misses", (RECENT,)))
    assert "has been worse" not in shown(needs.listed(overview, WHOLE, {}, Known(drift)))
    held = dataclasses.replace(overview, filters=later)
    assert "has been worse" in shown(needs.listed(held, WHOLE, {}, Known(drift)))


def test_who_is_getting_worse_is_asked_for_after_the_page_is_there() -> None:
    overview = overview_of(TOWER_A)
    asking = str(needs.section(overview, WHOLE, {}, "", Known(whole=False)))
    assert "Looking who is getting worse" in asking and "overview-needs-later" in asking
    assert "Looking" not in str(needs.section(overview, WHOLE, {}, "", Known(drift_of())))
    # Of the runs of one stock no stream is made; what stands out in them has its cost.
    held = dataclasses.replace(overview, filters=overview.filters.holding("stock", "BO90"))
    asking = str(needs.section(held, WHOLE, {}, "", Known(whole=False)))
    assert "Looking who" not in asking and "Looking what it costs" in asking


def test_the_dearest_is_first_with_its_cost_and_what_is_likely_behind_it() -> None:
    overview = overview_of(TOWER_A, TOWER_B)
    drift = drift_of(stream_of("B", 7, "doubles", (WORSE,)), stream_of("B", 8, "doubles"))
    costs = {
        "faults": costs_of(beyond_of("A", 2, 40, 12)),
        "doubles": costs_of(beyond_of("B", 7, 44, 20), kind="doubles"),
    }
    causes = {("B", 7, "doubles"): causes_of()}
    found = needs.listed(overview, WHOLE, {}, Known(drift, costs, causes))
    first, second, last = [shown(item) for item in found.children]
    assert first.startswith("!A, bin 2Ten times burn-in. See tower A aloneIts faults cost about ")
    assert "Its faults cost about GBP 84 a year beyond those of an ordinary bin (48 to 120)." in (
        first
    )
    assert "Likely cause: worn brush. See when it began, and whyIts doubles cost about GBP 72" in (
        second
    )
    assert last.startswith("Air")
    # Without costs, who is getting worse stays at the head.
    plain = needs.listed(overview, WHOLE, {}, Known(drift))
    assert shown(plain.children[0]).startswith("!B, bin 7")


def made_later(data: Data, output: str, asked: str, value: object, state: str = "") -> dict:
    """Return what the page is told after it was drawn."""
    names = output.strip(".").split("...")
    outputs = [dict(zip(("id", "property"), name.split("."), strict=True)) for name in names]
    part, what = asked.split(".")
    answer = (
        shell.create_app(data)
        .server.test_client()
        .post(
            "/_dash-update-component",
            json={
                "output": output,
                "outputs": outputs if len(outputs) > 1 else outputs[0],
                "inputs": [{"id": part, "property": what, "value": value}],
                "state": [{"id": state, "property": "data", "value": ""}] if state else [],
                "changedPropIds": [asked],
            },
        )
    )
    assert answer.status_code == 200, answer.text
    return answer.get_json()["response"]


def test_the_list_is_made_anew_twice(sample_data: Data, monkeypatch: pytest.MonkeyPatch) -> None:
    data = Data(sample_data.folder)
    drift = drift_of(stream_of("B", 7, "doubles", (WORSE,)))
    monkeypatch.setattr(answers, "drift", lambda *_, **__: drift)
    monkeypatch.setattr(answers, "conditions", lambda *_, **__: object())
    monkeypatch.setattr(answers, "causes", lambda *_, **__: causes_of())
    monkeypatch.setattr(
        answers, "costs", lambda scan, of, **_: costs_of(beyond_of("B", 7, 44, 20), kind=of.kind)
    )
    both = "..overview-attention.children...overview-needs-then.data.."
    told = made_later(data, both, "overview-needs-later.n_intervals", 1, "overview-needs-of")
    text = shown(told["overview-attention"]["children"])
    assert text.startswith("Looking what it costs and what is likely behind it")
    assert "Bin 7 of tower B has been getting worse" in text and "Likely cause" not in text
    assert told["overview-needs-then"]["data"]
    whole = data.whole()
    overview = data.overview(filters.from_query({}, whole))
    assert not needs.known(data, overview).whole
    then = needs.known(data, overview, drift=True, rest=True)
    assert then.whole and set(then.causes) == {("B", 7, "doubles")} and "doubles" in then.costs
    # From then on it is at hand, and asks for nothing.
    assert needs.known(data, overview).whole
    assert "Looking" not in shown(
        needs.section(overview, whole, {}, "", needs.known(data, overview))
    )


def test_who_asks_for_the_same_at_once_waits_for_one_of_them(
    sample_data: Data, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, asked = Data(sample_data.folder), []
    whole = data.whole()

    def slow(scan: object, of: object) -> object:
        asked.append(of)
        time.sleep(0.2)
        return overview_of(TOWER_A)

    monkeypatch.setattr(answers, "overview", slow)
    of = filters.from_query({}, whole)
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(data.overview, [of] * 4))
    assert len(asked) == 1 and all(one is found[0] for one in found)

    def fails(scan: object, of: object) -> None:
        raise FilterError("no")

    monkeypatch.setattr(answers, "overview", fails)
    for _ in range(2):
        with pytest.raises(FilterError):
            data.overview(of.during(None, None))


def test_gaps_that_the_list_names_are_not_told_twice() -> None:
    told = page._missing(overview_of(TOWER_A))
    assert "humidity" not in told
    assert "Nothing watched for doubles on 1.3\u00a0% of feeds." in told
    assert "3 faults without a bin" in told
    assert "Nothing is missing" not in told


def test_numbers_behind_the_figure() -> None:
    rows = list(csv.DictReader(io.StringIO(page.numbers_csv(overview_of(TOWER_A, TOWER_B)))))
    assert [(row["tower"], row["bin"]) for row in rows][-2:] == [("B", "2"), ("B", "1")]
    assert rows[1]["count"] == "40" and float(rows[1]["rate"]) == 4e-4
    assert rows[1]["standing"] == "above" and rows[1]["burn_in_count"] == "8"
    # Nothing fed: no rate, no range.
    assert rows[4]["feeds"] == "0" and rows[4]["rate"] == rows[4]["wide_high"] == ""
    assert rows[5]["burn_in_rate"] == ""


@pytest.mark.parametrize("name", ["=1+1", "-A", "@A", "+A", "'=A"])
def test_a_name_is_no_formula_in_a_spreadsheet(name: str) -> None:
    assert parts.safe_cell(name) == f"'{name}"
    assert parts.safe_cell("A-1") == "A-1"


def test_rows_that_another_process_adds_are_seen(sample_store: Path, tmp_path: Path) -> None:
    folder = tmp_path / "store"
    shutil.copytree(sample_store, folder)
    data = Data(folder)
    before = data.whole()
    assert data.overview(filters.from_query({}, before)) is data.overview(
        filters.from_query({}, before)
    )
    more = tmp_path / "more.csv"
    more.write_text(RUN, "utf-8")
    Store(folder).add(read_log(more, tower_bins=Store(folder).tower_bins()))
    after = data.whole()
    assert after.runs == before.runs + 1 and after.feeds == before.feeds + 50_000
    assert "6 February to 6 March 2032" in shown(shell.bar_at(data, ""))


def test_two_stores_can_be_served_side_by_side(sample_data: Data, empty_data: Data) -> None:
    apps = [shell.create_app(data) for data in (sample_data, empty_data)]
    answers = [app.server.test_client().get("/overview.csv").data for app in apps]
    assert answers[0] != answers[1]
    bad = apps[0].server.test_client().get("/overview.csv?since=soon")
    assert bad.status_code == 400 and b"since is soon" in bad.data
