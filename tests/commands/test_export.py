"""``feedtally export``: what is written, and what is said of it."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from tests.commands.test_rates import read_rows, recount, tower_and_bin


def table(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8-sig"), newline="")))


def test_counts_are_the_recount_of_the_log(run, sample_store: Path, samples: Path, tmp_path: Path):
    out = tmp_path / "by.csv"
    said = run("export", out, "--by", "tower,bin", "--store", sample_store, "--json")
    assert (said.code, said.err) == (0, "")
    log = read_rows(samples / "runs.csv")
    rows = table(out)
    for kind in ("misses", "doubles", "faults"):
        expected = {
            key: (feeds, count)
            for key, (feeds, count, _) in recount(log, kind, tower_and_bin).items()
        }
        found = {
            (row["tower"], int(row["bin"]) if row["bin"] else None): (
                int(row[f"feeds_{kind}"]),
                int(row[kind]),
            )
            for row in rows
        }
        if kind == "faults":
            # Here faults are those of both kinds as `rates` has them.
            assert {k: f for k, (f, _) in found.items()} == {k: f for k, (f, _) in expected.items()}
        assert found == expected
    answer = said.json
    assert (answer["file"], answer["log"], answer["by"]) == (str(out), None, ["tower", "bin"])
    assert answer["rows"] == len(rows) and answer["columns"] == list(rows[0])
    assert answer["account"]["rows"] == len(log)


def test_the_whole_log_is_written_when_nothing_is_said(run, sample_store: Path, tmp_path: Path):
    out = tmp_path / "log.csv"
    said = run("export", out, "--store", sample_store, "--json").json
    assert (said["log"], said["by"]) == ("runs", [])
    assert said["rows"] == len(table(out)) == said["account"]["rows"]
    again = run("add", out, "--store", tmp_path / "again", "--json").json
    (entry,) = again["files"]
    assert (entry["rows_added"], entry["rejected"]) == (said["rows"], 0)


@pytest.mark.parametrize("log", ["stocks", "services", "towers"])
def test_the_other_logs_too(run, sample_store: Path, tmp_path: Path, log: str):
    said = run("export", tmp_path / "x.parquet", "--log", log, "--store", sample_store)
    assert said.code == 0 and said.out.endswith(f"are in {tmp_path / 'x.parquet'}.\n")


def test_the_log_as_it_stood(run, write_log, tmp_path: Path):
    store = tmp_path / "s"
    write_log("1,2031-03-14T08:05,A,1,5,0,0")
    run("add", tmp_path / "log.csv", "--store", store)
    said = run("export", tmp_path / "a.csv", "--as-of", "2001-01-01", "--store", store, "--json")
    assert (said.json["rows"], said.json["intake"]) == (0, None)
    assert said.json["as_of"].startswith("2001-01-01T23:59:59.999999")
    assert said.json["sentence"].startswith("As the log stood on 2001-01-01: ")
    now = run("export", tmp_path / "b.csv", "--as-of", "2099-01-01T08:00Z", "--store", store)
    assert now.out.startswith("As the log stood on 2099-01-01T08:00Z: 1 row of the run log is in ")


@pytest.fixture
def write_log(tmp_path: Path):
    def write(*lines: str) -> None:
        head = "run,started,tower,bin,cycles,misses,doubles"
        (tmp_path / "log.csv").write_text("\n".join([head, *lines, ""]), "utf-8")

    return write


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("out.xls",), "ends neither in .csv nor in .parquet"),
        (("out.csv", "--by", "tower,,bin"), "--by tower,,bin names an empty column"),
        (("out.csv", "--by", "operator"), "rates are not given by operator"),
        (("out.csv", "--by", "tower", "--log", "runs"), "give one of them"),
        (("out.csv", "--log", "stocks", "--since", "2031-01-01"), "are for the run log"),
        (("out.csv", "--where", "xyzzy=A"), "there is no column xyzzy"),
        (("out.csv", "--as-of", "tomorrow"), "--as-of is tomorrow; write a day or a moment"),
        (("none/out.csv",), "there is no folder"),
    ],
)
def test_wrong_usage_is_one_sentence(
    run, sample_store: Path, tmp_path: Path, monkeypatch, words, complaint
):
    monkeypatch.chdir(tmp_path)
    run("export", *words, "--store", sample_store).refused(complaint)
    assert not list(tmp_path.glob("out*"))


def test_a_file_that_is_there_is_not_written_over(run, sample_store: Path, tmp_path: Path):
    out = tmp_path / "out.csv"
    out.write_text("mine", "utf-8")
    run("export", out, "--by", "tower", "--store", sample_store).refused("add --replace")
    assert out.read_text("utf-8") == "mine"
    done = run("export", out, "--by", "tower", "--replace", "--store", sample_store)
    assert done.out == f"The counts of 3 groups by tower are in {out}.\n"
    assert [row["tower"] for row in table(out)] == ["A", "B", "C"]
