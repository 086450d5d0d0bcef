"""``feedtally rates`` against a recount of the sample log by nothing but the csv module."""

from __future__ import annotations

import csv
import datetime as dt
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from analysis.store import Store
from tests.conftest import RUNS_HEADER, read, run_log

Write = Callable[..., Path]


@dataclass(frozen=True)
class Row:
    """One bin of one line of the log, as the format says to read it."""

    line: dict[str, str]
    bin: int | None
    cycles: int
    misses: int | None
    doubles: int | None

    def feeds(self, kind: str) -> int:
        watched = {
            "misses": self.misses is not None,
            "doubles": self.doubles is not None,
            "faults": self.misses is not None and self.doubles is not None,
        }
        return self.cycles if watched[kind] else 0

    def count(self, kind: str) -> int:
        if kind == "faults":
            return 0 if self.misses is None or self.doubles is None else self.misses + self.doubles
        return (self.misses if kind == "misses" else self.doubles) or 0


def bins(text: str) -> list[int | None]:
    if text == "?":
        return [None]
    found: list[int | None] = []
    for token in text.split():
        first, _, last = token.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found


def whole(text: str) -> int | None:
    return None if text.lower() == "off" else int(text)


def read_rows(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return [
            Row(line, b, int(line["cycles"] or 0), whole(line["misses"]), whole(line["doubles"]))
            for line in csv.DictReader(file)
            for b in bins(line["bin"])
        ]


def recount(
    rows: list[Row], kind: str, key: Callable[[Row], Any]
) -> dict[Any, tuple[int, int, int]]:
    """Sum feeds and faults, and count the runs that were watched, group by group."""
    feeds: dict[Any, int] = {}
    count: dict[Any, int] = {}
    by_run: dict[Any, dict[Any, int]] = {}
    for row in rows:
        name, run = key(row), (row.line["tower"], row.line["run"])
        feeds[name] = feeds.get(name, 0) + row.feeds(kind)
        count[name] = count.get(name, 0) + row.count(kind)
        watched = by_run.setdefault(name, {})
        watched[run] = watched.get(run, 0) + row.feeds(kind) + row.count(kind)
    return {
        name: (feeds[name], count[name], sum(1 for n in by_run[name].values() if n))
        for name in feeds
    }


def answered(answer: dict[str, Any], *by: str) -> dict[Any, tuple[int, int, int]]:
    return {
        tuple(group[name] for name in by): (group["feeds"], group["count"], group["runs"])
        for group in answer["groups"]
    }


@pytest.fixture(scope="module")
def log(samples: Path) -> list[Row]:
    return read_rows(samples / "runs.csv")


def tower_and_bin(row: Row) -> tuple[object, ...]:
    return row.line["tower"], row.bin


def moment(row: Row) -> dt.datetime:
    return dt.datetime.fromisoformat(row.line["started"]).replace(tzinfo=None)


@pytest.mark.parametrize("kind", ["misses", "doubles", "faults"])
def test_tower_by_bin_is_the_recount(run, sample_store: Path, log: list[Row], kind: str) -> None:
    said = run("rates", "--by", "tower,bin", "--kind", kind, "--json", "--store", sample_store)
    assert (said.code, said.err) == (0, "")
    assert answered(said.json, "tower", "bin") == recount(log, kind, tower_and_bin)
    assert said.json["kind"] == kind
    for group in said.json["groups"]:
        if group["feeds"] and group["count"] <= group["feeds"]:
            assert group["rate"] == group["count"] / group["feeds"]
            assert group["low"] <= group["rate"] <= group["high"]
        else:
            assert group["rate"] is None
        assert group["wide_low"] <= group["low"] <= group["high"] <= group["wide_high"]


def test_groups_come_in_order(run, sample_store: Path) -> None:
    answer = run("rates", "--by", "tower,bin", "--json", "--store", sample_store).json
    places = [(g["tower"], g["bin"]) for g in answer["groups"] if g["bin"] is not None]
    assert places == sorted(places)


def test_the_account_is_of_all_rows(run, sample_store: Path, log: list[Row]) -> None:
    assert run("rates", "--json", "--store", sample_store).json["account"] == {
        "rows": len(log),
        "runs": len({(row.line["tower"], row.line["run"]) for row in log}),
        "feeds": sum(row.cycles for row in log),
        "from": min(map(moment, log)).isoformat(),
        "to": max(map(moment, log)).isoformat(),
    }


def test_without_groups_it_is_the_whole(run, sample_store: Path, log: list[Row]) -> None:
    answer = run("rates", "--json", "--store", sample_store).json
    assert answered(answer) == recount(log, "faults", lambda row: ())
    assert "faults" == answer["kind"]


def test_the_same_column_twice_is_either_and_others_are_both(
    run, sample_store: Path, log: list[Row]
) -> None:
    where = ["tower=A", "tower=C", "bin=7", "purpose=production"]
    words = [word for text in where for word in ("--where", text)]
    answer = run("rates", "--by", "tower,bin", *words, "--json", "--store", sample_store).json
    kept = [
        row
        for row in log
        if row.line["tower"] in ("A", "C")
        and row.bin == 7
        and row.line["purpose"] in ("", "production")
    ]
    assert kept
    assert answered(answer, "tower", "bin") == recount(kept, "faults", tower_and_bin)


def test_since_and_until_hold_both_whole_days(run, sample_store: Path, log: list[Row]) -> None:
    days = sorted({moment(row).date() for row in log})
    first, last = days[20], days[40]
    words = ["--since", first, "--until", last, "--store", sample_store]
    answer = run("rates", "--by", "day", "--json", *words).json
    kept = [row for row in log if first <= moment(row).date() <= last]
    assert answered(answer, "day") == recount(
        kept, "faults", lambda row: (moment(row).date().isoformat(),)
    )
    assert answer["groups"][0]["day"] == first.isoformat()
    assert answer["groups"][-1]["day"] == last.isoformat()


def test_a_moment_is_a_moment_at_either_end(run, sample_store: Path, log: list[Row]) -> None:
    moments = sorted({moment(row) for row in log})
    first, last = moments[30], moments[60]
    words = ["--since", first.isoformat(), "--until", last.isoformat(), "--store", sample_store]
    answer = run("rates", "--by", "tower", "--json", *words).json
    kept = [row for row in log if first <= moment(row) <= last]
    assert answered(answer, "tower") == recount(kept, "faults", lambda row: (row.line["tower"],))


def test_an_empty_value_is_what_was_not_logged(run, sample_store: Path, log: list[Row]) -> None:
    kept = [row for row in log if not row.line["humidity_pct"]]
    words = ["--where", "humidity_pct=", "--json", "--store", sample_store]
    answer = run("rates", "--by", "tower", *words).json
    assert answered(answer, "tower") == recount(kept, "faults", lambda row: (row.line["tower"],))


def test_a_stock_that_was_not_logged(run, write: Write, tmp_path: Path) -> None:
    path = write(
        run_log(
            "1,2031-03-14T08:05,A,1,100,1,0,",
            "2,2031-03-14T09:05,A,1,300,2,0,BO90",
            "3,2031-03-14T10:05,A,1,500,0,0, ",
            header="run,started,tower,bin,cycles,misses,doubles,stock",
        )
    )
    run("add", path, "--store", tmp_path / "store")
    words = ["--json", "--store", tmp_path / "store"]
    answer = run("rates", "--where", "stock=", *words).json
    assert answered(answer) == {(): (600, 1, 2)}
    answer = run("rates", "--by", "stock", *words).json
    assert answered(answer, "stock") == {("BO90",): (300, 2, 1), (None,): (600, 1, 2)}


def band(row: Row) -> tuple[str]:
    text = row.line["humidity_pct"]
    if not text:
        return ("not logged",)
    reading = float(text)
    for low, high, name in (
        (0, 30, "below 30"),
        (30, 40, "30-39"),
        (40, 50, "40-49"),
        (50, 60, "50-59"),
        (60, 70, "60-69"),
    ):
        if low <= reading < high:
            return (name,)
    return ("70 and over",)


def test_bands_of_humidity_are_the_recount(run, sample_store: Path, log: list[Row]) -> None:
    answer = run("rates", "--by", "humidity_band", "--json", "--store", sample_store).json
    assert answered(answer, "humidity_band") == recount(log, "faults", band)


def test_weeks_and_months_are_the_recount(run, sample_store: Path, log: list[Row]) -> None:
    def week(row: Row) -> tuple[str, str]:
        year, number, _ = moment(row).isocalendar()
        return (f"{year}-W{number:02d}", moment(row).strftime("%Y-%m"))

    words = ["--kind", "misses", "--json", "--store", sample_store]
    answer = run("rates", "--by", "week,month", *words).json
    assert answered(answer, "week", "month") == recount(log, "misses", week)


def test_columns_of_the_stock_list_are_the_recount(
    run, sample_store: Path, samples: Path, log: list[Row]
) -> None:
    with (samples / "stocks.csv").open(encoding="utf-8", newline="") as file:
        printed = {line["stock"]: line["printed_by"] or None for line in csv.DictReader(file)}
    answer = run("rates", "--by", "printed_by", "--json", "--store", sample_store).json
    assert answered(answer, "printed_by") == recount(
        log, "faults", lambda row: (printed.get(row.line["stock"]),)
    )


def test_off_bins_not_noted_and_several_bins_are_counted_as_the_format_says(
    run, write: Write, tmp_path: Path
) -> None:
    path = write(
        run_log(
            "1,2031-03-14T08:05,A,1-3 5,100,0,0",
            "1,2031-03-14T08:05,A,4,100,3,2",
            "1,2031-03-14T08:05,A,?,,4,1",
            "2,2031-03-14T09:05,A,1-2,200,0,off",
            "2,2031-03-14T09:05,A,3,200,off,1",
            "2,2031-03-14T09:05,A,4,0,0,0",
        )
    )
    run("add", path, "--store", tmp_path / "store")
    rows = read_rows(path)
    for kind in ("misses", "doubles", "faults"):
        answer = run(
            "rates", "--by", "bin", "--kind", kind, "--json", "--store", tmp_path / "store"
        ).json
        assert answered(answer, "bin") == recount(rows, kind, lambda row: (row.bin,))
    # Faults of no bin have no feeds, so no rate; of the tower as a whole they count.
    assert answered(answer, "bin")[(None,)] == (0, 5, 1)
    answer = run("rates", "--by", "tower", "--json", "--store", tmp_path / "store").json
    assert answered(answer, "tower") == {("A",): (500, 10, 1)}


@pytest.mark.parametrize("method", ["exact", "wilson", "jeffreys", "mid-p"])
def test_method_and_confidence_are_told_and_used(run, sample_store: Path, method: str) -> None:
    words = ["--method", method, "--store", sample_store, "--json"]
    wide = run("rates", *words).json
    narrow = run("rates", *words, "--confidence", "0.5").json
    assert (wide["method"], wide["confidence"], narrow["confidence"]) == (method, 0.95, 0.5)
    assert wide["groups"][0]["low"] < narrow["groups"][0]["low"]
    assert narrow["groups"][0]["high"] < wide["groups"][0]["high"]


def test_an_empty_filter_is_answered_in_a_sentence(run, sample_store: Path) -> None:
    said = run("rates", "--by", "tower", "--where", "tower=Z", "--json", "--store", sample_store)
    assert said.code == 0
    assert said.json["groups"] == []
    assert said.json["account"] == {"rows": 0, "runs": 0, "feeds": 0, "from": None, "to": None}
    assert said.json["sentence"] == "No rows of the log are in this filter; widen it."


@pytest.mark.parametrize(
    ("where", "told"),
    [
        (("purpose=trial",), "there is no purpose trial in the log; it has set-up and production."),
        (("stock=X", "stock=Y", "bin=1"), "there is no stock X and Y in the log; it has C and AB."),
        (("humidity_pct=41",), "there is no humidity_pct 41 in the log; it has 40."),
        (("purpose=",), "the log has no row without purpose; leave that out."),
        (("tower=A", "purpose=set-up", "humidity_pct=40", "humidity_pct="), ""),
    ],
)
def test_what_the_log_never_had_is_said_beside_the_answer(
    run, store: Store, where: tuple[str, ...], told: str
) -> None:
    lines = ["1,2031-03-14T08:05,A,1,9,0,0,set-up,AB,40", "2,2031-03-15T08:05,A,1,9,0,0,,C,"]
    store.add(read(run_log(*lines, header=f"{RUNS_HEADER},purpose,stock,humidity_pct")))
    words = [word for text in where for word in ("--where", text)]
    said = run("rates", "--by", "tower", "--store", store.folder, *words)
    assert said.code == 0
    assert said.err == (f"feedtally rates: {told}\n" if told else "")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--by", "towr"], "there is no column towr to group or filter by; did you mean tower?"),
        (["--by", "tower,,bin"], "names an empty column; write it as tower,bin"),
        (["--by", "misses"], "misses is itself a part of the answer; group by other columns"),
        (["--where", "tower"], "has no column or no =; write it as bin=7"),
        (["--where", "moon=full"], "there is no column moon"),
        (["--where", "bin=seven"], "bin is seven; write a number"),
        (["--since", "03/04/2031"], "since is 03/04/2031; write a date"),
        (["--since", "2032-01-01", "--until", "2031-01-01"], "exchange them"),
    ],
)
def test_mistakes_are_one_sentence_and_2(
    run, sample_store: Path, words: list[str], told: str
) -> None:
    said = run("rates", *words, "--json", "--store", sample_store)
    assert (said.code, said.out) == (2, "")
    assert told in said.err
    assert said.err.count("\n") == 1


def test_a_table_is_printed_with_a_line_for_each_group(run, sample_store: Path) -> None:
    said = run("rates", "--by", "tower", "--store", sample_store)
    assert (said.code, said.err) == (0, "")
    first, ranges, header, *lines = said.out.splitlines()
    answer = run("rates", "--by", "tower", "--json", "--store", sample_store).json
    assert first == answer["sentence"]
    assert ranges == "Ranges: exact, 95 %, allowing for faults in clusters."
    assert header.split() == ["tower", "faults", "feeds", "runs", "per", "10,000", "range"]
    assert [line.split()[:3] for line in lines] == [
        [g["tower"], f"{g['count']:,}", f"{g['feeds']:,}"] for g in answer["groups"]
    ]


def test_ranges_as_if_faults_fell_singly_are_a_word_away(run, sample_store: Path) -> None:
    words = ("rates", "--by", "tower", "--store", sample_store)
    wide, plain = run(*words).out.splitlines(), run(*words, "--singly").out.splitlines()
    assert plain[1] == "Ranges: exact, 95 %, as if faults fell singly."
    for group, line in zip(run(*words, "--json").json["groups"], plain[3:], strict=True):
        low, high = (float(word) for word in line.split()[-3::2])
        assert low == float(f"{1e4 * group['low']:.2g}") and high == float(
            f"{1e4 * group['high']:.2g}"
        )
    assert wide[3:] != plain[3:]


def test_nothing_is_given_by_operator(run, sample_store: Path) -> None:
    for words in (("--by", "operator"), ("--where", "operator=K")):
        run("rates", *words, "--store", sample_store).refused("not given by operator")


class TestAsOf:
    def test_later_intakes_do_not_count(self, run, write: Write, tmp_path: Path) -> None:
        store = tmp_path / "s"
        run("add", write(run_log()), "--store", store)
        time.sleep(0.01)
        moment = dt.datetime.now().isoformat()
        time.sleep(0.01)
        run("add", write(run_log("0815,2031-03-15T08:05,A,1,1000,0,5")), "--store", store)
        then = run("rates", "--as-of", moment, "--store", store, "--json")
        answer = then.json
        assert (answer["account"]["rows"], answer["groups"][0]["count"]) == (3, 3)
        assert dt.datetime.fromisoformat(answer["as_of"]).replace(tzinfo=None).isoformat() == moment
        assert answer["intake"] == 1
        assert answer["sentence"].startswith(f"As the log stood on {moment}: ")
        now = run("rates", "--store", store, "--json").json
        assert now["account"]["rows"] == 4 and "as_of" not in now

    def test_before_the_first_intake_there_is_nothing(self, run, sample_store: Path) -> None:
        said = run("rates", "--as-of", "2001-01-01", "--store", sample_store)
        assert said.code == 0
        assert said.out.startswith(
            "As the log stood on 2001-01-01: No rows of the log are in this filter"
        )

    @pytest.mark.parametrize(
        ("when", "end"),
        [
            ("2031-04-03", "2031-04-03T23:59:59.999999"),
            ("2031-04-03T08Z", "2031-04-03T08:59:59.999999"),
            ("2031-04-03T08:05Z", "2031-04-03T08:05:59.999999"),
            ("2031-04-03T08:05:30Z", "2031-04-03T08:05:30.999999"),
        ],
    )
    def test_a_moment_lasts_as_long_as_what_was_written(
        self, run, sample_store: Path, when: str, end: str
    ) -> None:
        answer = run("rates", "--as-of", when, "--store", sample_store, "--json").json
        assert answer["as_of"].startswith(end)

    @pytest.mark.parametrize("when", ["tomorrow", "03/04/2031", "2031-13-01"])
    def test_what_is_no_moment_is_a_sentence(self, run, sample_store: Path, when: str) -> None:
        run("rates", "--as-of", when, "--store", sample_store).refused(
            f"--as-of is {when}; write a day or a moment, like 2031-04-03 or 2031-04-03T08:05"
        )


class TestEngine:
    # That Dask says the same, tests/analysis/test_engine.py sees, where its workers are.

    def test_without_it_the_line_that_installs_it_is_said(
        self, run, sample_store: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        # None in place of a module is how Python is told that there is none.
        monkeypatch.setitem(sys.modules, "dask", None)
        run("rates", "--engine", "dask", "--store", sample_store).refused(
            "which is not installed; install it with: pip install 'feedtally[dask]'"
        )

    def test_another_is_refused(self, run, sample_store: Path) -> None:
        run("rates", "--engine", "abacus", "--store", sample_store).refused(
            "--engine is abacus; write one of duckdb, dask"
        )
