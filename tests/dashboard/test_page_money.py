"""What faults cost, on the overview, said of results written by hand."""

from __future__ import annotations

import csv
import dataclasses
import io

import pytest

from analysis import answers
from analysis.filters import FilterError, Filters
from analysis.site_costs import NO_COSTS
from dashboard import app as shell
from dashboard import filters
from dashboard.data import Data
from dashboard.pages import money as page
from tests.dashboard.costs_results import beyond_of, cost_of, costs_of
from tests.dashboard.results import TOWER_A, WHOLE, overview_of
from tests.dashboard.test_page_overview import made_later, shown


def said(*beyond: object, **changes: object) -> str:
    return shown(page.answer(costs_of(*beyond, **changes), "?tower=A"))  # type: ignore[arg-type]


def test_the_first_line_is_the_total_with_its_range_and_for_sets() -> None:
    # 1,680 in 700,000 sets: 24 per 10,000.
    assert said().startswith(
        "GBP 1,700 in this period (1,500 to 1,800); GBP 24 per 10,000 sets (22 to 26)."
    )


def test_what_is_paid_is_a_table_and_make_ready_stands_apart() -> None:
    text = said()
    assert "what is paidtimesGBPrange" in text
    for row in (
        "stops5351,100960 to 1,200",
        "mended sets492490440 to 540",
        "spoiled sets434339 to 47",
        "doubles found later37568 to 82",
        "apart: in make-ready226760 to 74",
    ):
        assert row in text, row
    assert "make-ready" not in said(make_ready=None)
    assert "make-ready" not in said(make_ready=cost_of(0, 0, sets=0))


def test_bins_beyond_an_ordinary_one_and_how_sure_that_is() -> None:
    text = said(
        beyond_of("A", 2, 40, 12),
        beyond_of("B", 1, 20, 14),
        *(beyond_of("C", number, 13, 12) for number in range(1, 5)),
        beyond_of("D", 1, 10, 12),
    )
    # 28 faults at 3 each in a year; for 10,000 feeds a hundredth of it.
    assert "A, bin 284 (48 to 120)0.84 (0.48 to 1.2)dearer" in text
    assert "B, bin 118 (\N{MINUS SIGN}18 to 54)0.18 (\N{MINUS SIGN}0.18 to 0.54)may be luck" in text
    assert "C, bin 2" in text and "C, bin 3" not in text and "D, bin 1" not in text
    assert "the middle bin of the same tower, on the same paper, in the same air." in text
    assert "whatever it fed" in said(adjusted=False)
    assert "dearer" not in said(beyond_of("D", 1, 10, 12))


def test_figures_that_are_assumed_are_named() -> None:
    assert "usual figures" not in said()
    usual = costs_of(figures=NO_COSTS.or_usual(), assumed=NO_COSTS.assumed)
    text = shown(page.answer(usual, ""))
    assert text.startswith("1,700 in this period")
    assert "At usual figures (common practice, no source), since the site file states none" in text
    assert "Your own stand under [costs] in the site file." in text
    assert "what is paidtimescostrange" in text
    some = said(assumed=("hour", "found_later"))
    assert "an hour of a tower with its crew and a double found later." in some
    assert "Doubles found later are logged for 50 % of feeds" in said(feeds_found_later=3_240_000)


def test_without_sets_it_is_a_sentence() -> None:
    nothing = said(total=cost_of(0, 0, sets=0), days=0)
    assert nothing == "Nothing was fed in this part of the log, so there is no cost to give."


def test_it_is_asked_for_after_the_page_is_there_with_make_ready_apart(
    sample_data: Data, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Filters] = []

    def costs(scan: object, of: Filters, **_: object) -> object:
        if "Z" in of.values("tower"):
            raise FilterError("tower Z is not in the log")
        asked.append(of)
        return costs_of()

    monkeypatch.setattr(answers, "costs", costs)
    monkeypatch.setattr(answers, "conditions", lambda *_, **__: object())
    data = Data(sample_data.folder)
    overview = overview_of(TOWER_A)
    waiting = page.section(overview, WHOLE, None)
    assert "Working out what the faults cost" in shown(waiting)
    assert "overview-money-later" in str(waiting)
    chosen = filters.from_query({}, data.whole())
    assert page.known(data, chosen) is None
    told = made_later(
        data, "overview-cost.children", "overview-money-later.n_intervals", 1, "overview-money-of"
    )
    assert shown(told["overview-cost"]["children"]).startswith("GBP 1,700 in this period")
    # Production is meant without being named, so that set-up is told apart.
    assert chosen.values("purpose") == ("production",) and asked[0].values("purpose") == ()
    found = page.known(data, chosen)
    assert found is not None and "Working out" not in shown(page.section(overview, WHOLE, found))
    trial = chosen.holding("purpose", "trial")
    assert page.asked(trial) == trial

    client = shell.create_app(data).server.test_client()
    answer = client.get("/costs.csv?kind=faults")
    assert "feedtally-costs-faults-" in answer.headers["Content-Disposition"]
    assert answer.text == page.numbers_csv(costs_of())
    for address, why in (("since=soon", "since is soon"), ("tower=Z", "tower Z is not in")):
        answer = client.get(f"/costs.csv?{address}")
        assert answer.status_code == 400 and why in answer.text


def test_an_answer_that_fails_gives_a_sentence(
    sample_data: Data, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("no")

    monkeypatch.setattr(Data, "costs", fails)
    told = made_later(
        Data(sample_data.folder),
        "overview-cost.children",
        "overview-money-later.n_intervals",
        1,
        "overview-money-of",
    )
    assert "could not be worked out" in shown(told["overview-cost"]["children"])
    assert "what the faults cost could not be worked out" in caplog.text


def test_the_numbers_add_up_to_the_total_in_each_way() -> None:
    rows = list(csv.DictReader(io.StringIO(page.numbers_csv(costs_of()))))
    for part in ("paid", "kind", "tower"):
        total = sum(float(row["cost"]) for row in rows if row["part"] == part)
        assert total == pytest.approx(1_680), part
    by_part = {row["part"]: row for row in rows}
    assert by_part["total"]["per_10000_sets"] == "24.0"
    assert by_part["make-ready"]["cost"] == "67"
    assert by_part["tower"]["tower"] == "'=B" and by_part["bin"]["bin"] == ""
    beyond = by_part["beyond an ordinary bin, a year"]
    assert (beyond["tower"], beyond["bin"], beyond["cost"]) == ("'=B", "1", "18.0")
    # 6 more than an ordinary bin in a third of what it feeds in a year: 18 faults of 3 each.
    slow = dataclasses.replace(beyond_of("A", 1, 20, 14), feeds_a_year=3e6)
    told = list(csv.DictReader(io.StringIO(page.numbers_csv(costs_of(slow)))))[-1]
    assert (float(told["faults"]), float(told["cost"])) == (18, 54)
    without = dataclasses.replace(costs_of(), make_ready=None)
    assert "make-ready" not in page.numbers_csv(without)
