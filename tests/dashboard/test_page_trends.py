import csv
import io
import json
from collections import Counter
from pathlib import Path

import pytest
from dash.development.base_component import Component
from flask.testing import FlaskClient

from analysis.filters import FilterError
from analysis.log_format import FAULT_KINDS
from dashboard import app as shell
from dashboard import filters
from dashboard.commands import main
from dashboard.data import Data
from dashboard.pages import trends as page
from dashboard.pages.trends_shown import Shown
from tests.dashboard.results import WHOLE
from tests.dashboard.test_filters import part
from tests.dashboard.test_page_overview import shown
from tests.dashboard.trends_results import BRUSH, BY_STOCK, trends_of


def said(search: str = "", **changes: object) -> str:
    """Return what the page says of hand-written trends at an address."""
    kind = filters.parse_query(search).get("kind", ["faults"])[0]
    trends = trends_of(kind, **changes)  # type: ignore[arg-type]
    return shown(Shown(trends, WHOLE, filters.parse_query(search)).answer())


def links(shown: list[Component], group: str) -> dict[str, object]:
    """Return the links of a named group of choices: label and address; the chosen has a star."""
    found = part(shown, group).items()
    return {f"{name}{'*' * ('aria-current' in link)}": link["href"] for name, link in found}


def test_an_empty_store_says_how_to_begin(empty_data: Data) -> None:
    assert "Nothing is logged yet." in shown(page.layout(empty_data))


def test_nothing_in_a_filter_says_what_there_is(sample_data: Data) -> None:
    text = shown(page.layout(sample_data, since=["2031-01-06"], until=["2031-01-06"], tower=["Z"]))
    assert "Nothing was logged in this part of the log." in text and "its last 30 days" in text


def test_the_headline_is_the_answer_and_then_how_it_is_to_be_read(sample_data: Data) -> None:
    asked = filters.from_query({}, sample_data.whole())
    text = shown(page.layout(sample_data))
    assert text.startswith(sample_data.trends(asked).sentence())
    assert "as logged, not adjusted for one another" in text


def test_the_sub_line_has_each_kind_with_its_range() -> None:
    assert (
        "0.65 misses (0.26 to 1.6) and 0.44 doubles (0.18 to 1.1) per 10,000 feeds on all; "
        "1.20 million feeds in 142 runs."
    ) in said()
    plain = "0.65 misses (0.52 to 0.78) per 10,000 feeds on all;"
    assert plain in said("kind=misses&ranges=plain")


def test_what_cannot_be_is_said_in_a_sentence(sample_data: Data) -> None:
    with pytest.raises(FilterError):
        page.layout(sample_data, over=["year"])
    _, told, _ = shell.page_at(sample_data, "/trends", "?over=year")
    assert "Over is year; write one of day, week, month. Go to" in shown(told)


def test_choices_are_in_the_address_and_the_usual_ones_are_not() -> None:
    asked = filters.parse_query("ranges=plain&over=week&setting=set_blast")
    told = Shown(trends_of(), WHOLE, asked).answer()
    rest = "&over=week&setting=set_blast"
    # By day is what suits thirty days.
    assert links(told, "Over time") == {
        "by day*": "?ranges=plain&setting=set_blast",
        "by week": f"?ranges=plain{rest}",
        "by month": "?ranges=plain&over=month&setting=set_blast",
    }
    assert links(told, "Ranges") == {
        "allowing for clusters": f"?{rest[1:]}",
        "as if faults fall singly*": f"?ranges=plain{rest}",
    }
    assert links(told, "Setting") == {
        "vacuum": "?ranges=plain&over=week",
        "blast*": f"?ranges=plain{rest}",
    }


def test_a_setting_that_was_not_logged_here_is_said() -> None:
    assert "Which level of vacuum has more misses and doubles?" in said()
    text = said("setting=set_tilt")
    assert "No setting tilt was logged here; choose one that was." in text
    assert "No setting was logged here." in said(by_setting=())


def test_what_is_not_logged_is_said() -> None:
    text = said()
    assert "Not logged for 42 % of 1,200,000 feeds." in text
    assert "No service was logged in this period." in text
    assert "Moves of settings are marked when one bin of one tower is held." in text
    assert "Grey and thin: few feeds." in text


def test_what_was_done_has_a_table() -> None:
    text = said(marks=[BRUSH])
    assert "3 April 2031brush fitted, tower A, bin 4" in text
    assert "Triangle: services, a mark for each day." in text
    rows = list(csv.DictReader(io.StringIO(page.marks_csv(trends_of(marks=[BRUSH])))))
    assert rows == [
        {
            "when": "2031-04-03T10:00",
            "tower": "A",
            "bin": "4",
            "what": "brush fitted",
            "setting_moved": "no",
        }
    ]


def test_numbers_behind_a_figure() -> None:
    rows = list(csv.DictReader(io.StringIO(page.numbers_csv(BY_STOCK))))
    assert [row["stock"] for row in rows[::3]] == [
        "BO90",
        "'=GT<135>",
        "TI163",
        "LU60",
        "not logged",
    ]
    assert {row["kind"] for row in rows} == set(FAULT_KINDS)
    assert rows[0]["count"] == "40" and float(rows[0]["rate"]) == 40 / 900_000
    # Not watched, or a fault without a bin: no rate, no range.
    assert rows[10]["feeds"] == "0" and rows[10]["rate"] == rows[10]["wide_high"] == ""
    assert (rows[12]["count"], rows[12]["rate"]) == ("2", "")


def test_the_table_holds_both_kinds_together_where_the_headline_speaks_of_them() -> None:
    assert "BO90misses40900,0000.440.11 to 1.8BO90doubles20900,0000.22" in said()
    assert "BO90both60900,000" in said()
    assert "both" not in said("kind=doubles")


@pytest.mark.parametrize("kind", FAULT_KINDS)
def test_the_command_gives_the_same_numbers(
    sample_client: FlaskClient,
    sample_store: Path,
    capsys: pytest.CaptureFixture[str],
    kind: str,
) -> None:
    search = (
        f"since=2031-04-01&until=2031-06-30&coating=coated&site=Oddlewick+print+works&kind={kind}"
    )
    where = ["coating=coated", "site=Oddlewick print works", "purpose=production"]
    for name, column in (
        ("over-time", "week"),
        ("by-stock", "stock"),
        ("by-humidity", "humidity_band"),
        ("by-setting", "set_vacuum"),
    ):
        answer = sample_client.get(f"/trends/{name}.csv?{search}&setting=set_vacuum")
        rows = [r for r in csv.DictReader(io.StringIO(answer.text)) if r["kind"] == kind]
        asked = ["rates", "--by", column, "--json", "--kind", kind, "--store", str(sample_store)]
        asked += ["--since", "2031-04-01", "--until", "2031-06-30"]
        assert main([*asked, *(f"--where={one}" for one in where)]) == 0
        told = {
            str(g[column] or "not logged"): g for g in json.loads(capsys.readouterr().out)["groups"]
        }
        assert {row[column] for row in rows} == set(told)
        for row in rows:
            group = told[row[column]]
            assert (int(row["count"]), int(row["feeds"])) == (group["count"], group["feeds"])
            for number in ("rate", "low", "high", "wide_low", "wide_high"):
                assert row[number] == ("" if group["rate"] is None else str(group[number])), row


def test_stocks_are_as_recounted(sample_client: FlaskClient, samples: Path) -> None:
    counted: Counter[tuple[str, str]] = Counter()
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            # Lines that stand for several bins have no faults; the others are one bin each.
            if row["purpose"] == "production":
                for kind in ("misses", "doubles"):
                    counted[row["stock"] or "not logged", kind] += int(
                        row[kind].replace("off", "0")
                    )
    answer = sample_client.get("/trends/by-stock.csv?since=start")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    told = {(r["stock"], r["kind"]): int(r["count"]) for r in rows if r["kind"] != "faults"}
    assert told == dict(counted)


def test_a_wrong_address_of_numbers_is_refused_with_a_sentence(sample_client: FlaskClient) -> None:
    bad = sample_client.get("/trends/by-stock.csv?since=soon")
    assert bad.status_code == 400 and b"since is soon" in bad.data
    bad = sample_client.get("/trends/by-setting.csv?setting=set_tilt")
    assert bad.status_code == 400 and bad.text == "no setting tilt was logged here\n"


def test_answers_are_kept(sample_data: Data) -> None:
    asked = filters.from_query({}, sample_data.whole())
    assert sample_data.trends(asked) is sample_data.trends(asked)
    assert sample_data.trends(asked, "week").over_time.column == "week"
