import argparse
import csv
import datetime as dt
import io
import json
import re
import shlex

import pytest
from flask.testing import FlaskClient
from plotly.utils import PlotlyJSONEncoder
from scipy.stats import binom

from analysis.burn_ins import Batch
from analysis.plans import Asked
from analysis.ran_on import Conditions
from analysis.sequential import sequential_plan
from analysis.store import Store
from dashboard import app as shell
from dashboard import filters
from dashboard.commands import plan as plan_command
from dashboard.data import Data
from dashboard.pages import acceptance as page
from dashboard.pages.acceptance_shown import path_title, told_conditions
from dashboard.pages.judged import judgement
from tests.conftest import read
from tests.dashboard.test_page_overview import shown

NOW = dt.datetime(2031, 3, 14, 8, 5)
TYPED = "typed=B&bins=10&begun=2031-03-14T08:05:00&batch=4000+m3&batch=4000+d7+d7+m%3F"


def said(data: Data, search: str = "") -> str:
    return shown(page.layout(data, **filters.parse_query(search)))


def test_the_latest_burn_in_is_shown_when_none_is_asked_for(sample_data: Data) -> None:
    text = said(sample_data)
    assert text.startswith(sample_data.judge("C", "C-2").sentence())
    assert "tower C, C-2, 8 August 2031tower C, C-1, 8 January 2031" in text
    # No fault in 21,935 feeds proves a rate below 2.9957 in as many: 1.4 per 10,000.
    assert "1021,9351.46no" in text
    assert "None was abandoned." in text and "Ran BO90 (145,330 feeds)" in text


@pytest.mark.parametrize(
    ("search", "tower", "name"),
    [
        ("tower=A", "A", "A-1"),
        ("tower=B&burn_in=B-1", "B", "B-1"),
        ("tower=C&proof=C-1", "C", "C-1"),
    ],
)
def test_the_headline_is_the_verdict(sample_data: Data, search: str, tower: str, name: str) -> None:
    judged = sample_data.judge(tower, name)
    text = said(sample_data, search)
    assert text.startswith(judged.sentence())
    assert judged.screens_see() in text
    for told in (*judged.doubts, *judged.detectors):
        assert (told.text if hasattr(told, "text") else told.sentence()) in text
    for kind in judged.kinds.values():
        assert kind.asked.risks() in text and path_title(kind) in text


def test_a_burn_in_that_is_not_there_is_said_and_the_others_stay(sample_data: Data) -> None:
    text = said(sample_data, "tower=Z")
    assert text.startswith("Tower Z has no burn-in in the log; A, B and C have")
    assert "tower A, A-1" in text and "Plan a burn-in" in text


def test_an_empty_store_can_be_typed_into_and_planned_with(empty_data: Data) -> None:
    text = said(empty_data)
    assert text.startswith("No burn-in is in the log: type one as it runs, or plan one.")
    assert "Add this batch" in text and "It is expected to take" in text
    assert said(empty_data, TYPED).startswith("Go on with tower B: clean enough for misses;")
    name, told, _ = shell.page_at(empty_data, "/acceptance", "")
    assert name == "Acceptance" and "Plan a burn-in" in shown(told)
    assert not shell.filtered("/acceptance")


def test_the_forms_begin_with_the_bins_of_the_tower_list(store: Store) -> None:
    def bins(search: str) -> list[str]:
        fields = page.layout(data, **filters.parse_query(search))
        return [fields[f"acceptance-{name}"].value for name in ("bins", "plan-bins")]

    store.add(read(b"tower,bins\nB,14\nC,14\nD,\n"))
    data = Data(store.folder)
    assert [data.listed_bins(tower) for tower in "BCDE"] == [14, 14, None, None]
    assert bins("tower=B") == ["14", "14"]
    assert bins("tower=D") == ["10", "10"]
    store.add(read(b"tower,bins\nD,14\n"))
    assert bins("tower=E") == bins("") == ["14", "14"]
    store.add(read(b"tower,bins\nD,8\n"))
    assert bins("") == ["10", "10"]
    assert bins("tower=D") == ["8", "8"]
    assert bins("tower=D&typed=B&bins=12&plan_bins=9") == ["12", "9"]


def test_a_typed_burn_in_is_judged_as_its_batches_are(sample_data: Data) -> None:
    batches = (Batch(4000, (3,)), Batch(4000, (None,), (7, 7)))
    judged = sample_data.judge_batches("B", 10, batches, NOW)
    text = said(sample_data, TYPED)
    assert text.startswith(judged.sentence())
    assert "batch 14,0003nonebatch 24,000?7 7" in text
    assert "The bin of 1 miss was not noted" in text


@pytest.mark.parametrize(
    ("search", "told"),
    [
        ("typed=B&bins=10&begun=2031-03-14&batch=500+x3", "A batch has x3"),
        ("typed=B&bins=10&begun=soon&batch=500", "Begun is soon"),
        ("typed=B&bins=10&begun=9999-12-31T23:59&batch=5&batch=5", "Begun is 9999-12-31T23:59"),
        ("typed=B&bins=10&begun=2031-03-14&batch=500+m12", "Batch 1 has a fault in bin 12"),
    ],
)
def test_a_wrong_batch_in_the_address_is_said_beside_the_form(
    sample_data: Data, search: str, told: str
) -> None:
    text = said(sample_data, search)
    assert text.startswith("One of the batches cannot be.")
    assert told in text and "take the last one back" in text and "batch 1" in text


def test_a_plan_is_said_in_cycles_and_hours(empty_data: Data) -> None:
    text = said(empty_data, "plan_how=single&plan_pace=2800&plan_producer=5")
    # 105,319 feeds with at most 6 faults: 10,532 cycles of ten bins, 3.76 hours.
    assert "It takes 11,000 cycles of 10 bins, 3.8 hours." in text
    assert "Run 105,319 feeds; pass with at most 6 faults." in text
    # The rule of three: no fault proves a rate below 3 in the feeds (here 2.9957),
    # 0.2844 in 10,000; less than 0.29 is not proved.
    assert "0 misses: below 0.29; " in text
    assert (
        "feedtally plan --kind misses --good 3e-05 --bad 0.0001 --producer-risk 0.05 "
        "--consumer-risk 0.1 --save NAME --tower TOWER"
    ) in text
    text = said(empty_data, "plan_cycles=30,000")
    assert "--sequential --max-feeds 300000 --save" in text
    assert sequential_plan(Asked(3e-5, 1e-4, 0.02), 300_000).sentence() in text


@pytest.mark.parametrize(
    ("good", "bad", "rates"),
    [
        # A step of the curve is 0.3 too, but for its last binary digit.
        ("0.3", "0.5", ["0.30", "0.50"]),
        ("1", "1.04", ["1.00", "1.04"]),
    ],
)
def test_no_two_lines_of_the_plans_table_read_alike(
    empty_data: Data, good: str, bad: str, rates: list[str]
) -> None:
    search = f"plan_how=single&plan_good={good}&plan_bad={bad}&plan_producer=20"
    drawn = json.dumps(
        page.layout(empty_data, **filters.parse_query(search)), cls=PlotlyJSONEncoder
    )
    lines = re.findall(r'"children": "([^"]+)", "className": "name", "scope": "row"', drawn)
    assert len(set(lines)) == len(lines) == 12
    assert set(rates) <= set(lines)


def test_the_usual_plan_leaves_the_other_kind_and_the_bins_their_share(empty_data: Data) -> None:
    # 2 % of each kind and 1 % of the screens are the 5 % of a tower. The least number of faults
    # for which a bad tower passes with at most 10 % and a good one fails with at most 2 %.
    for allowed in range(30):
        low, high = 0, 10_000_000
        while high - low > 1:
            feeds = (low + high) // 2
            low, high = (low, feeds) if binom.cdf(allowed, feeds, 1e-4) <= 0.1 else (feeds, high)
        if binom.sf(allowed, high, 3e-5) <= 0.02:
            break
    text = said(empty_data, "plan_how=single")
    assert f"Run {high:,} feeds; pass with at most {allowed} faults." in text
    assert "--producer-risk 0.02 --consumer-risk 0.1 --save" in text
    assert "share the 5 % of a tower: 2 % for each kind." in text


@pytest.mark.parametrize(
    ("search", "kept"),
    [
        ("", {"sequential": True, "max_feeds": None, "tower": "TOWER"}),
        ("plan_how=single&tower=Two+Sides", {"sequential": False, "tower": "Two Sides"}),
        ("plan_cycles=30,000&plan_bins=12", {"sequential": True, "max_feeds": 360_000}),
        ("plan_kind=doubles&plan_producer=1.2345678", {"producer_risk": 0.012345678}),
        ("plan_good=0.2&plan_bad=0.9&plan_consumer=5", {"good": 2e-5, "consumer_risk": 0.05}),
        ("typed=-3&bins=10", {"tower": "-3"}),
        ("typed=O'Dell%2C+left", {"tower": "O'Dell, left"}),
        ("typed=+", {"tower": "TOWER"}),
    ],
)
def test_the_command_that_is_shown_is_one_that_plan_takes(
    empty_data: Data, search: str, kept: dict[str, object]
) -> None:
    found = re.search(r"feedtally plan .*?(?=\.(?: Or |With which rate))", said(empty_data, search))
    assert found
    program, command, *words = shlex.split(found[0])
    assert (program, command) == ("feedtally", "plan")
    parser = argparse.ArgumentParser(exit_on_error=False)
    plan_command.configure(parser)
    options = parser.parse_args(words)
    plan_command._check(options)
    asked = filters.parse_query(search)
    assert options.kind == asked.get("plan_kind", ["misses"])[-1]
    assert options.save == "NAME" and options.allowed is None
    usual = {"producer_risk": 0.02, "consumer_risk": 0.1}
    assert vars(options).items() >= (usual | kept).items()


def test_conditions_read_like_the_sentence_of_the_commands() -> None:
    full = Conditions(
        stocks=(("BO90", 900), ("", 100)),
        lots=(("L1", 3),),
        humidity=(45.0, 55.5),
        no_humidity=0.25,
        temperature=(20.0, 20.0),
        prepared=("fanned",),
        at_end=("stitcher", "folder"),
        settings=(("set_speed", ("2800", "2900")), ("set_foot_rest", ("30",))),
    )
    bare = Conditions((("", 10),), (), None, 1.0, None, (), (), ())
    for ran in (full, bare):
        told = re.sub(r" \([\d,]+ feeds\)", "", " ".join(told_conditions(ran))).lower()
        for part in ran.sentence().removesuffix(".").lower().split("; "):
            assert part in told
    assert "Humidity 45 to 55.5 %, not logged on 25\xa0% of the feeds." in told_conditions(full)


@pytest.mark.parametrize(
    ("search", "told"),
    [
        ("plan_bad=0.2", "The bad rate (2e-05) is not above the good one (3e-05)"),
        ("plan_good=few", "The good rate is few; type a number such as 0.3"),
        # A comma that parts no thousands is a decimal point to many: 0,3 is not 3.
        ("plan_good=0,3", "The good rate is 0,3; type a number such as 0.3"),
        ("plan_bad=1,50", "The bad rate is 1,50; type a number such as 1"),
        ("plan_producer=60", "The producer's risk is 0.6; write a chance above 0 and below 0.5"),
        ("plan_good=0.01&plan_bad=0.1&plan_cycles=100", "the least maximum that works is"),
        ("plan_bins=1.5", "The number of bins is 1.5"),
        ("plan_pace=nan", "The pace is nan"),
    ],
)
def test_a_plan_that_cannot_be_is_said_beside_the_form(
    sample_data: Data, search: str, told: str
) -> None:
    text = said(sample_data, search)
    assert text.startswith(sample_data.judge("C", "C-2").sentence())
    assert told in text and "Show this plan" in text


def test_a_burn_in_can_be_judged_by_other_rates(sample_data: Data) -> None:
    text = said(sample_data, "tower=A&rates=misses,3e-05,0.0002")
    judged = sample_data.judge("A", None, (("misses", (3e-5, 2e-4)),))
    assert text.startswith(judged.sentence()) and "back to the rates of its plan" in text
    assert said(sample_data, "rates=misses").startswith("Rates is misses; write a kind")


def test_the_numbers_behind_the_figures(sample_client: FlaskClient) -> None:
    answer = sample_client.get("/acceptance/path.csv?tower=C&proof=C-2")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [(r["run"], r["feeds"], r["count"]) for r in rows if r["kind"] == "misses"] == [
        ("0305", "74020", "5"),
        ("0306", "145900", "6"),
        ("0307", "219350", "6"),
    ]
    assert [r["after_the_verdict"] for r in rows] == ["no", "no", "yes", "no", "no", "no"]
    answer = sample_client.get("/acceptance/plan.csv?plan_how=single&plan_producer=5")
    plan = list(csv.DictReader(io.StringIO(answer.text)))
    at_bad = next(r for r in plan if float(r["rate"]) == 1e-4)
    assert float(at_bad["chance_to_pass"]) == pytest.approx(0.1, abs=5e-5)
    assert at_bad["expected_feeds"] == "105319.0"
    assert sample_client.get("/acceptance/path.csv?tower=Z").status_code == 400
    assert sample_client.get("/acceptance/plan.csv?plan_bad=x").status_code == 400
    assert sample_client.get("/acceptance/path.csv?typed=B").status_code == 404


@pytest.mark.parametrize("asked", ["tower=C&proof=C-2", "tower=B&proof=B-1", TYPED])
def test_the_certificate_is_of_the_same_burn_in(
    sample_data: Data, asked: str, sample_client: FlaskClient
) -> None:
    judged = judgement(sample_data, filters.parse_query(asked))
    assert judged is not None
    paper = sample_client.get(f"/acceptance/certificate.html?{asked}")
    assert paper.status_code == 200 and paper.mimetype == "text/html"
    assert judged.burn_in.fingerprint[:4] in paper.text
    paper = sample_client.get(f"/acceptance/certificate.pdf?{asked}")
    assert paper.mimetype == "application/pdf" and paper.data.startswith(b"%PDF")


def test_other_pages_do_not_carry_its_choices() -> None:
    links = shell.navigation("/acceptance", f"?{TYPED}&tower=B&plan_good=0.2&rates=misses,1,2")
    assert {link.href for link in links} == {
        f"{path}?tower=B" for path in ("/", "/trends", "/drift", "/parts", "/acceptance", "/log")
    }
