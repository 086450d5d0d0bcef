"""`conditions`: what it says and prints, against a recount of the sample log by the csv module."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import math
import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import data_samples
from analysis.filters import FilterError
from dashboard.commands import UsageError, main
from dashboard.commands.conditions import period, spanned
from tests.commands.conftest import Said

#: Two periods of the sample log, written in two ways.
BEFORE, AFTER = "2031-05-01/2031-06-30", "2031-11..2031-12"


@cache
def lines() -> list[dict[str, str]]:
    with (data_samples.folder() / "runs.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def bins_of(row: dict[str, str]) -> int:
    """Bins that a line stands for."""
    ends = [token.partition("-") for token in row["bin"].split() if token != "?"]
    return sum(int(last or first) - int(first) + 1 for first, _, last in ends)


def production(first: str = "2031-01-01", last: str = "2032-12-31") -> list[dict[str, str]]:
    return [
        row
        for row in lines()
        if row["purpose"] in ("", "production") and first <= row["started"][:10] <= last
    ]


def watched(rows: list[dict[str, str]]) -> tuple[int, int]:
    """Misses in known bins, and the feeds they were watched in."""
    seen = [row for row in rows if row["misses"] != "off" and row["bin"] != "?"]
    return (
        sum(int(row["misses"]) for row in seen),
        sum(int(row["cycles"]) * bins_of(row) for row in seen),
    )


def asked(*words: object) -> Said:
    """Run the command once for tests that look at the same answer."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(["conditions", *map(str, words)])
    return Said(code, out.getvalue(), err.getvalue(), "conditions")


@pytest.fixture(scope="module")
def misses(sample_store: Path) -> Said:
    words = ("--kind", "misses", "--before", BEFORE, "--after", AFTER, "--json")
    return asked("--store", sample_store, *words)


@pytest.fixture(scope="module")
def answer(misses: Said) -> dict[str, Any]:
    assert (misses.code, misses.err) == (0, "")
    return misses.json


@pytest.fixture(scope="module")
def table(sample_store: Path) -> Said:
    words = ("--kind", "misses", "--before", BEFORE, "--after", AFTER)
    return asked("--store", sample_store, *words)


def test_it_rests_on_production_in_known_bins(answer: dict[str, Any]) -> None:
    rows = production()
    assert (answer["count"], answer["feeds"]) == watched(rows)
    unknown = [row for row in rows if row["bin"] == "?" and row["misses"] != "off"]
    assert answer["without_bin"] == sum(int(row["misses"]) for row in unknown)


def test_every_stock_stands_beside_the_one_with_most_feeds(answer: dict[str, Any]) -> None:
    stocks = [e for e in answer["effects"] if e["term"] == "stock"]
    rows = production()
    named = {row["stock"] for row in rows} - {""}
    recount = {name: watched([r for r in rows if r["stock"] == name]) for name in named}
    most = max(recount, key=lambda name: recount[name][1])
    assert {e["base"] for e in stocks} == {most}
    found = {e["level"]: (e["count"], e["feeds"]) for e in stocks if e["level"] in named}
    assert found == {name: both for name, both in recount.items() if name != most}


def test_ranges_hold_their_ratios_and_air_is_told_beside_50_percent(answer: dict[str, Any]) -> None:
    for told in (*answer["effects"], *answer["humidity_curve"], *answer["change"]):
        assert told["low"] <= told["ratio"] <= told["high"]
    papers = {point["printed_by"] for point in answer["humidity_curve"]}
    at_50 = [p for p in answer["humidity_curve"] if p["humidity_pct"] == 50]
    assert {p["printed_by"] for p in at_50} == papers == {"toner", "other"}
    assert all(p["ratio"] == pytest.approx(1, abs=1e-12) for p in at_50)


def test_numbers_have_a_line_each(answer: dict[str, Any]) -> None:
    lines_ = {e["term"]: e for e in answer["effects"] if (e["level"], e["base"]) == (1, 0)}
    assert {"set_vacuum", "set_speed"} <= set(lines_)


def test_a_change_is_the_product_of_its_parts(answer: dict[str, Any]) -> None:
    count, feeds = watched(production("2031-05-01", "2031-06-30"))
    count_after, feeds_after = watched(production("2031-11-01", "2031-12-31"))
    assert (answer["before"]["count"], answer["before"]["feeds"]) == (count, feeds)
    assert (answer["after"]["count"], answer["after"]["feeds"]) == (count_after, feeds_after)
    whole = (count_after / feeds_after) / (count / feeds)
    assert math.prod(p["ratio"] for p in answer["change"]) == pytest.approx(whole, rel=1e-9)
    assert answer["change_ratio"] == pytest.approx(whole, rel=1e-12)
    assert [p["part"] for p in answer["change"]] == [
        "mix",
        "air",
        "settings",
        "age",
        "bins",
        "rest",
    ]
    assert answer["before"]["from"] == "2031-05-01T00:00:00"
    assert answer["after"]["to"].startswith("2031-12-31T23:59:59")


def test_the_tables_say_what_the_json_does(table: Said, answer: dict[str, Any]) -> None:
    out = table.out
    assert table.code == 0 and table.err == ""
    assert out.splitlines()[0].startswith("The rate of misses is ")
    assert " ".join(out.splitlines()[:2]) == answer["sentence"]
    found = {tuple(line.split()[:2]): line for line in out.splitlines() if line}
    for e in answer["effects"]:
        if e["term"] == "stock":
            line = found["stock", e["level"]].split()
            assert float(line[3]) == pytest.approx(e["ratio"], abs=0.0051)
            assert line[-2:] == [f"{e['feeds']:,}", f"{e['count']:,}"]
    # A slope by the unit could not be read: it is told by a round step.
    speed = next(e for e in answer["effects"] if e["term"] == "set_speed")
    line = found["speed", next(w for t, w in found if t == "speed")].split()
    step = float(line[1].replace(",", ""))
    assert f"{step:g}"[0] in "125" and step >= 100 and int(step) % 100 == 0
    assert float(line[3]) == pytest.approx(speed["ratio"] ** step, abs=0.0051)
    ends = (answer["change_ratio"], answer["change_low"], answer["change_high"])
    ratio, low, _, high = found["the", "whole"].split()[-4:]
    assert [float(x) for x in (ratio, low, high)] == pytest.approx(ends, abs=0.0051)
    assert low < ratio < high


def test_what_is_not_told_is_said(table: Said, answer: dict[str, Any]) -> None:
    out = table.out
    share = answer["not_logged"]["humidity_pct"]
    assert f"Not logged: humidity and temperature for {100 * share:.0f} % of the feeds." in out
    assert answer["follows_paper"] == ["set_foot_rest", "set_foot_height", "set_bleed_holes"]
    assert "Foot rest, foot height and bleed holes follow the paper" in out
    assert f"\n{answer['without_bin']} misses had no bin noted" in out


def test_without_periods_there_is_no_change(run, sample_store: Path) -> None:
    words = ("--where", "tower=A", "--since", "2031-06-01", "--confidence", "0.8", "--json")
    answer = run("conditions", "--store", sample_store, *words).json
    assert answer["change"] is None and answer["before"] is None and answer["confidence"] == 0.8
    mine = [row for row in production("2031-06-01") if row["tower"] == "A" and row["bin"] != "?"]
    both = [row for row in mine if row["misses"] != "off" and row["doubles"] != "off"]
    faults = sum(int(row["misses"]) + int(row["doubles"]) for row in both)
    assert answer["kind"] == "faults" and answer["count"] == faults
    # The same stretches at a lower confidence have narrower ranges than a higher would.
    wide = run("conditions", "--store", sample_store, *words[:4], "--json").json
    for one, other in zip(answer["effects"], wide["effects"], strict=True):
        assert one["ratio"] == other["ratio"]
        assert one["high"] / one["low"] < other["high"] / other["low"]


@pytest.fixture
def small(run, tmp_path: Path) -> Path:
    """Return a store of two months on one stock: faults in the first only."""
    log, folder = tmp_path / "log.csv", tmp_path / "small"
    rows = [f"{d},2031-05-{d:02d}T08:00,A,1,9000,{d % 3},0,X\n" for d in range(1, 25)]
    rows += [f"{d + 50},2031-06-{d:02d}T08:00,A,1,9000,0,0,X\n" for d in range(1, 25)]
    log.write_text("run,started,tower,bin,cycles,misses,doubles,stock\n" + "".join(rows), "utf-8")
    assert run("add", log, "--store", folder).code == 0
    return folder


def test_a_period_without_faults_cannot_be_split(run, small: Path) -> None:
    words = ("conditions", "--store", small, "--before", "2031-05", "--after", "2031-06")
    answer = run(*words, "--json").json
    assert answer["change"] == [] and answer["change_ratio"] is None
    assert (answer["before"]["count"], answer["after"]["count"]) == (24, 0)
    said = "The later period has no faults on record, so there is no change to split"
    assert answer["sentence"].startswith(said)
    out = run(*words)
    assert out.code == 0 and out.out.startswith(said) and "whole change" not in out.out


@pytest.fixture
def dry(run, tmp_path: Path) -> Path:
    """Return a store of two stocks in air of 20 to 30 % and nowhere else: damper, more faults."""
    log, folder = tmp_path / "dry.csv", tmp_path / "dry"
    rows = [
        f"{n},2031-0{5 + n // 60}-{n % 28 + 1:02d}T{6 + n % 12:02d}:00,A,{n % 4 + 1},9000,"
        f"{(20 + n % 11) // 10 + n % 3},{n % 2},{'XY'[n % 7 // 4]},{20 + n % 11}\n"
        for n in range(120)
    ]
    heads = "run,started,tower,bin,cycles,misses,doubles,stock,humidity_pct\n"
    log.write_text(heads + "".join(rows), "utf-8")
    assert run("add", log, "--store", folder).code == 0
    return folder


def test_dry_air_is_told_beside_the_nearest_to_50_percent(run, dry: Path) -> None:
    out = run("conditions", "--store", dry, "--kind", "misses").out
    assert "all else the same (stocks at 30 % relative humidity):" in out
    assert "Relative humidity, beside the same paper at 30 %:" in out
    assert re.findall(r" 50 %", out.replace("Air of 50 % was never logged", "")) == []
    curve = out.partition("beside the same paper")[2]
    assert re.search(r"^all other +20 ", curve, re.M)
    assert re.search(r"^all other +30 +1 ", curve, re.M)


def test_air_between_tens_has_rows(run, tmp_path: Path) -> None:
    log, folder = tmp_path / "log.csv", tmp_path / "narrow"
    rows = [
        f"{n},2031-05-{n % 28 + 1:02d}T08:00,A,1,9000,{n % 3},0,X,{21 + n % 7}\n"
        for n in range(1, 85)
    ]
    heads = "run,started,tower,bin,cycles,misses,doubles,stock,humidity_pct\n"
    log.write_text(heads + "".join(rows), "utf-8")
    assert run("add", log, "--store", folder).code == 0
    out = run("conditions", "--store", folder).out
    assert "beside the same paper at 27 %:" in out
    assert re.findall(r"^all other +(\d+) ", out, re.M) == ["21", "27"]


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (
            "2029",
            "2035",
            "--before (2029) and --after (2035) are outside the log, which runs from "
            "2031-05-01 to 2031-06-24; choose periods within that",
        ),
        (
            "2031-05",
            "2035",
            "--after (2035) is outside the log, which runs from 2031-05-01 to "
            "2031-06-24; choose a period within that",
        ),
        ("2031-04-01/2031-04-30", "2031-06", "--before (2031-04-01/2031-04-30) is outside the "),
    ],
)
def test_periods_outside_the_log_are_told_where_it_is(
    run, small: Path, before: str, after: str, told: str
) -> None:
    words = ("conditions", "--store", small, "--before", before, "--after", after)
    run(*words).refused(told)
    run(*words, "--json").refused(told)


def test_a_period_that_holds_a_part_of_the_log_is_taken(run, small: Path) -> None:
    words = ("--before", "2031-04/2031-05", "--after", "2031-06/2031-12")
    assert run("conditions", "--store", small, *words).code == 0


def test_a_log_without_faults_teaches_nothing_and_says_so(run, small: Path) -> None:
    said = run("conditions", "--store", small, "--kind", "doubles")
    said.refused("no doubles were logged in a known bin here")


def test_the_log_as_it_stood(run, small: Path) -> None:
    words = ("conditions", "--store", small, "--as-of")
    answer = run(*words, "2099-01-01", "--json").json
    assert answer["intake"] == 1 and answer["sentence"].startswith("As the log stood on 2099-01-01")
    run(*words, "2001-01-01").refused("no faults were logged")


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2031-05-01/2031-06-30", "2031-05-01T00:00:00", "2031-06-30T23:59:59.999999"),
        ("2031-05-01..2031-06-30", "2031-05-01T00:00:00", "2031-06-30T23:59:59.999999"),
        ("2031-05", "2031-05-01T00:00:00", "2031-05-31T23:59:59.999999"),
        ("2032-02", "2032-02-01T00:00:00", "2032-02-29T23:59:59.999999"),
        ("2031", "2031-01-01T00:00:00", "2031-12-31T23:59:59.999999"),
        ("2031-05/2031", "2031-05-01T00:00:00", "2031-12-31T23:59:59.999999"),
        ("2031-05-07", "2031-05-07T00:00:00", "2031-05-07T23:59:59.999999"),
        (
            " 2031-05-07T06:00 / 2031-05-07T14:00 ",
            "2031-05-07T06:00:00",
            "2031-05-07T14:00:59.999999",
        ),
    ],
)
def test_periods_hold_both_of_their_ends(text: str, first: str, last: str) -> None:
    ends = dt.datetime.fromisoformat(first), dt.datetime.fromisoformat(last)
    assert period(text, "--before") == ends


@pytest.mark.parametrize(
    "text",
    [
        "",
        "May",
        "/2031-05",
        "2031-05/",
        "2031-13",
        "2031-02-30",
        "0000",
        "2031-W18",
        "20310501",
        "2031-05-01/P1M",
        "2031-05/2031-06/2031-07",
    ],
)
def test_what_is_no_period_is_told_how_to_write_one(text: str) -> None:
    with pytest.raises(UsageError, match="--after is .*; write a period as first and last day"):
        period(text, "--after")


def test_a_period_that_runs_backwards_or_has_an_offset_is_refused() -> None:
    with pytest.raises(UsageError, match="ends before it begins"):
        period("2031-06/2031-05", "--before")
    with pytest.raises(FilterError, match="leave the offset out"):
        period("2031-05-01T08:00+02:00/2031-06", "--before")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--before", "2031-05"), "--before alone makes no change to look at"),
        (("--after", "2031-05"), "give the other period with --before"),
        (("--before", "2031-07", "--after", "2031-05"), "is later than --after (2031-05); exch"),
        (("--before", "2031", "--after", "2031-05"), "share some time"),
        (("--before", "2031-05", "--after", "June"), "--after is June; write a period"),
        (
            ("--before", "2031-05", "--after", "2031-06", "--since", "2031-05-02"),
            "--since leaves out a part of the two periods",
        ),
        (
            ("--before", "2031-05", "--after", "2031-06", "--until", "2031-06-29"),
            "--until leaves out a part of the two periods",
        ),
        (("--confidence", "95"), "95 is no share from 0.5 to below 1"),
        (("--kind", "jams"), "--kind is jams; write one of misses, doubles, faults"),
        (("--where", "towr=A"), "did you mean tower?"),
        (
            ("--where", "purpose=trial"),
            "there is no purpose trial in the log; it has set-up, burn-in and production.",
        ),
    ],
)
def test_wrong_usage_is_one_sentence(run, sample_store: Path, words, told: str) -> None:
    run("conditions", "--store", sample_store, *words).refused(told)


def test_without_a_store_it_is_told_how_to_make_one(run, tmp_path: Path) -> None:
    run("conditions", "--store", tmp_path / "none").refused("there is no store in")


@pytest.mark.parametrize(
    ("ratio", "low", "high", "said"),
    [
        (1.6, 1.1, 2.4, ("1.60", "1.10 to 2.40")),
        # With more decimals where two would say that there is nothing.
        (0.998, 0.953, 1.039, ("0.998", "0.953 to 1.039")),
        # An upper end of a hundred times tells nobody anything, here as in every other answer.
        (84.0, 0.22, 47_000.0, ("84", "0.22 or more")),
        (2.0, 0.0, math.inf, ("2.00", "any number")),
    ],
)
def test_ranges_are_written_as_in_all_answers(
    ratio: float, low: float, high: float, said: tuple[str, str]
) -> None:
    assert spanned(ratio, low, high) == said
