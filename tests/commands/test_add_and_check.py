"""``feedtally add`` and ``feedtally check``: accounts, rejects, refusals, exit codes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from analysis.store import Store
from tests.conftest import LINE, RUNS_HEADER, run_log, stored

Write = Callable[..., Path]
BAD = run_log(LINE.format(1), "0814,bad,A,2,1,0,0", "0814,2031-03-14T08:05,A,3,1,,2")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "store"


def test_a_good_log_is_added(run, write: Write, folder: Path) -> None:
    path = write(run_log())
    said = run("add", path, "--store", folder)
    assert (said.code, said.err) == (0, "")
    assert said.out.splitlines()[0] == (
        f"{path} (run log): 3 lines read = 3 added + 0 corrected + 0 already known + 0 rejected. "
        "This is intake 1."
    )
    assert "Times without an offset are taken to be in the zone" in said.out
    assert len(stored(Store(folder))) == 3


def test_a_stock_in_other_capitals_is_stored_and_told(run, write: Write, folder: Path) -> None:
    head = f"{RUNS_HEADER},stock"
    run("add", write(run_log(f"{LINE.format(1)},NT70", header=head)), "--store", folder)
    path = write(run_log(f"{LINE.format(2)},nt70", header=head), "tuesday.csv")
    for command in ("check", "add"):
        said = run(command, path, "--store", folder)
        assert said.code == 0
        assert "  note: stock nt70 (line 2) differs from stock NT70 in capitals" in said.out
    assert len(stored(Store(folder))) == 2


def test_the_json_of_add_has_every_count(run, write: Write, folder: Path, tmp_path: Path) -> None:
    run("add", write(run_log(LINE.format(8), LINE.format(9))), "--store", folder)
    path = write(
        run_log(
            LINE.format(8) + ",",
            "0814,2031-03-14T08:05,A,9,4517,2,0,",
            "0815,2031-03-15T08:05,A,1-6,4517,0,0,",
            "0815,2031-03-15T08:05,A,7,,0,0,x",
            header=RUNS_HEADER + ",moon",
        ),
        "tuesday.csv",
    )
    said = run("add", path, "--store", folder, "--json")
    assert (said.code, said.err) == (1, "")
    assert said.json["files"] == [
        {
            "file": str(path),
            "kind": "runs",
            "read": 4,
            "added": 1,
            "corrected": 1,
            "known": 1,
            "rejected": 1,
            "rows_added": 6,
            "rows_corrected": 1,
            "intake": 2,
            "rejects_file": str(tmp_path / "tuesday.rejects.csv"),
            "warnings": ["column moon is not in the format of a run log; it is kept as it stands"],
            "problems": [
                {
                    "line": 5,
                    "column": "cycles",
                    "reason": "cycles is empty; write the feeds asked of this bin, "
                    "0 if it was left empty",
                }
            ],
        }
    ]
    assert said.json["account"] == {
        "rows": 8,
        "runs": 2,
        "feeds": 8 * 4517,
        "from": "2031-03-14T08:05:00",
        "to": "2031-03-15T08:05:00",
    }


def test_rejected_lines_are_told_with_line_reason_and_where_they_are(
    run, write: Write, folder: Path, tmp_path: Path
) -> None:
    said = run("add", write(BAD), "--store", folder)
    assert said.code == 1
    assert "  line 3: started is bad; " in said.out
    assert "  line 4: doubles" not in said.out
    assert "  line 4: misses is empty, and an empty count is not zero; " in said.out
    assert str(tmp_path / "log.rejects.csv") in said.out
    assert (tmp_path / "log.rejects.csv").read_text("utf-8-sig").count("\n") == 3


def test_a_long_list_of_problems_is_cut_on_a_terminal_and_whole_in_json(
    run, write: Write, folder: Path
) -> None:
    path = write(run_log(*["x"] * 50))
    assert "  and 30 more." in run("add", path, "--store", folder).out
    assert len(run("check", path, "--store", folder, "--json").json["files"][0]["problems"]) == 50


def test_check_reports_what_add_would_do(run, write: Write, folder: Path, tmp_path: Path) -> None:
    path = write(BAD)
    checked = run("check", path, "--store", folder, "--json")
    assert (checked.code, checked.err) == (1, "")
    assert not folder.exists()
    assert not (tmp_path / "log.rejects.csv").exists()
    added = run("add", path, "--store", folder, "--json")
    told, done = checked.json["files"][0], added.json["files"][0]
    assert done.pop("rejects_file")
    assert told.pop("rejects_file") is None
    assert (told.pop("intake"), done.pop("intake")) == (None, 1)
    assert told == done
    assert checked.json["account"] is None
    assert run("check", path, "--store", folder, "--json").json["files"][0]["known"] == 1


@pytest.mark.parametrize("command", ["add", "check"])
class TestRefusedFiles:
    @pytest.mark.parametrize("more", [[], ["--json"]])
    def test_one_alone_is_a_sentence_and_2(
        self, run, write: Write, folder: Path, command: str, more: list[str]
    ) -> None:
        said = run(command, write("no log", "notes.csv"), "--store", folder, *more)
        said.refused("notes.csv: the first line does not name the columns of a log; ")
        assert not folder.exists()

    @pytest.mark.parametrize(
        ("name", "told"),
        [
            ("missing.csv", "it cannot be read (no such file or directory); check the name"),
            ("", "it cannot be read (is a directory)"),
            ("x" * 5000, "it cannot be read (file name too long)"),
        ],
    )
    def test_one_that_cannot_be_read_is_a_sentence(
        self, run, tmp_path: Path, folder: Path, command: str, name: str, told: str
    ) -> None:
        run(command, tmp_path / name, "--store", folder).refused(told)

    def test_of_several_the_others_are_taken(
        self, run, write: Write, folder: Path, command: str
    ) -> None:
        paths = [
            write(run_log(), "a.csv"),
            write("no log", "b.csv"),
            write("stock\nBO90\n", "c.csv"),
        ]
        said = run(command, *paths, "--store", folder, "--json")
        assert (said.code, said.err) == (2, "")
        files = said.json["files"]
        assert [entry["file"] for entry in files] == list(map(str, paths))
        assert [entry.get("error", "")[:14] for entry in files] == ["", "the first line", ""]
        assert [entry["added"] for entry in files] == [3, 0, 1]
        assert said.json["sentence"].endswith("1 file was refused whole.")
        assert folder.exists() == (command == "add")
        said = run(command, *paths, "--store", folder)
        assert said.code == 2
        assert "b.csv: the first line" in said.out

    def test_all_of_several_may_be_refused(
        self, run, write: Write, folder: Path, command: str
    ) -> None:
        paths = [write("no log", "a.csv"), write("", "b.csv")]
        said = run(command, *paths, "--store", folder, "--json")
        assert said.code == 2
        assert all(entry["error"] for entry in said.json["files"])
        assert said.json["account"] is None


def test_a_file_named_twice_is_taken_once(run, write: Write, folder: Path) -> None:
    path = write(run_log())
    assert len(run("add", path, path, "--store", folder, "--json").json["files"]) == 1


def test_a_file_may_be_named_as_a_command_is(run, write: Write, folder: Path) -> None:
    path = write(run_log(), "rates")
    assert run("add", path, "--store", folder).code == 0


def test_a_list_alone_makes_a_store(run, write: Write, folder: Path) -> None:
    said = run("add", write("tower,bins\nA,10\n"), "--store", folder, "--json")
    assert said.code == 0
    assert said.json["account"] == {"rows": 0, "runs": 0, "feeds": 0, "from": None, "to": None}


def test_the_samples_are_all_taken(run, samples: Path, folder: Path) -> None:
    paths = [samples / name for name in ("runs.csv", "services.csv", "stocks.csv", "towers.csv")]
    said = run("add", *paths, "--store", folder, "--json")
    assert (said.code, said.err) == (0, "")
    assert [entry["kind"] for entry in said.json["files"]] == [
        "runs",
        "services",
        "stocks",
        "towers",
    ]
    assert all(entry["warnings"] == [] for entry in said.json["files"])
