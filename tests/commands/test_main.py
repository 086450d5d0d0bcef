"""The program as a whole: help, versions, wrong usage, and where the store is."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from analysis import __version__
from analysis.store import Store
from dashboard.commands import COMMANDS
from tests.conftest import read, run_log

Run = Callable[..., object]
Write = Callable[..., Path]
TOP = Path(__file__).resolve().parents[2]


def process(*words: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """Run the program in a process of its own."""
    kept = {k: v for k, v in os.environ.items() if k not in ("FEEDTALLY_STORE", "PYTHONIOENCODING")}
    return subprocess.run(
        [sys.executable, "-m", "dashboard", *map(os.fsencode, map(str, words))],
        capture_output=True,
        check=False,
        cwd=TOP,
        env={**kept, **environment},
        timeout=120,
    )


def test_without_a_command_the_help_is_shown(run) -> None:
    said = run()
    assert said.code == 0
    assert all(name in said.out for name in COMMANDS)
    # A percent sign in what a command does is shown as it stands.
    assert "95 % of such jobs" in said.out and "%%" not in said.out
    assert run("--help").out == said.out


def test_the_version_is_told(run) -> None:
    assert run("--version").out == f"feedtally {__version__}\n"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_a_help(run, command: str) -> None:
    said = run(command, "--help")
    assert (said.code, said.err) == (0, "")
    assert said.out.startswith(f"usage: feedtally {command}")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["nonsense"], "COMMAND is nonsense; write one of demo, add, "),
        (["add"], "the following arguments are required: FILE"),
        (["check", "--json"], "the following arguments are required: FILE"),
        (["interval", "1"], "the following arguments are required: N"),
        (["interval", "one", "5"], "one is no whole number of 0 or more"),
        (["interval", "-1", "5"], "-1 is no whole number of 0 or more"),
        (["interval", "1", "1.5"], "1.5 is no whole number of 0 or more"),
        (["interval", "0", "9" * 20], "is beyond what is counted"),
        (["interval", "1", "5", "--confidence", "95"], "95 is no share from 0.5 to below 1"),
        (["interval", "1", "5", "--confidence", "nan"], "nan is no share from 0.5 to below 1"),
        (
            ["interval", "1", "5", "--method", "best"],
            "--method is best; write one of exact, wilson, jeffreys, mid-p",
        ),
        (["interval", "5", "1"], "5 faults cannot be in 1 feed; give the faults first"),
        (["rates", "--kind", "jams"], "--kind is jams; write one of misses, doubles, faults"),
        (["rates", "extra"], "unrecognized arguments: extra"),
        (["serve", "--port", "0"], "0 is no port from 1 to 65535"),
        (["serve", "--port", "http"], "http is no port from 1 to 65535"),
    ],
)
def test_wrong_usage_is_one_sentence_and_2(run, words: list[str], told: str) -> None:
    run(*words).refused(told)


@pytest.mark.parametrize("command", ["rates", "serve"])
def test_without_a_store_it_is_told_how_to_make_one(run, tmp_path: Path, command: str) -> None:
    folder = tmp_path / "none"
    run(command, "--store", folder).refused(
        f"there is no store in {folder}; make one with: feedtally add FILE --store {folder}"
    )
    assert not folder.exists()


class TestWhereTheStoreIs:
    def test_in_the_users_data_folder(self, run, write: Write, tmp_path: Path) -> None:
        assert run("add", write(run_log())).code == 0
        assert Store(tmp_path / "data" / "feedtally" / "store").snapshot().files["runs"]

    def test_where_the_environment_says(
        self, run, write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("FEEDTALLY_STORE", str(tmp_path / "named"))
        assert run("add", write(run_log())).code == 0
        assert Store(tmp_path / "named").snapshot().files["runs"]
        assert run("rates", "--json").json["account"]["rows"] == 3

    def test_and_first_of_all_where_the_option_says(
        self, run, write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("FEEDTALLY_STORE", str(tmp_path / "named"))
        assert run("add", write(run_log()), "--store", tmp_path / "other").code == 0
        assert not (tmp_path / "named").exists()
        assert Store(tmp_path / "other").snapshot().files["runs"]

    def test_a_file_is_no_folder_for_it(self, run, write: Write) -> None:
        path = write(run_log())
        run("add", path, "--store", path).refused("is a file; name a folder for the store")
        run("rates", "--store", path).refused("there is no store in")

    def test_a_folder_of_other_things_is_none(self, run, write: Write, tmp_path: Path) -> None:
        path = write(run_log())
        run("add", path, "--store", tmp_path).refused("holds other files and no store")

    def test_a_name_that_no_folder_can_have_is_refused(self, run, write: Write) -> None:
        for words in (["add", write(run_log())], ["check", write(run_log())], ["rates"]):
            run(*words, "--store", "x" * 5000).refused("cannot be looked at")

    def test_a_damaged_one_is_1(self, run, write: Write, tmp_path: Path) -> None:
        folder = tmp_path / "store"
        run("add", write(run_log()), "--store", folder)
        for part in (folder / "runs").glob("*.parquet"):
            part.unlink()
        for words in (["add", write(run_log())], ["check", write(run_log())], ["rates", "--json"]):
            run(*words, "--store", folder).refused("feedtally store check says what", code=1)
        (folder / "store.json").write_text("{")
        run("rates", "--store", folder).refused("is damaged", code=1)

    def test_one_of_a_newer_format_is_2(self, run, write: Write, tmp_path: Path) -> None:
        run("add", write(run_log()), "--store", tmp_path / "store")
        (tmp_path / "store" / "store.json").write_text(json.dumps({"format": 99}))
        run("rates", "--store", tmp_path / "store").refused("update feedtally")


class TestInAProcessOfItsOwn:
    def test_an_answer_is_on_standard_output_alone(self) -> None:
        done = process("interval", 0, 5000, "--json")
        assert (done.returncode, done.stderr) == (0, b"")
        assert json.loads(done.stdout)["feeds"] == 5000

    def test_wrong_usage_is_2(self) -> None:
        done = process("interval", 5, 1)
        assert (done.returncode, done.stdout) == (2, b"")

    def test_any_encoding_of_the_terminal_will_do(self, tmp_path: Path, write: Write) -> None:
        path = write(run_log().replace(b"0814", "märz ½ 🙂".encode()), "märz 🙂.csv")
        to = ["--store", tmp_path / "store"]
        # Words and JSON in each of two encodings; the words of the second are a table.
        for encoding, words in (
            ("ascii", ["add", path, *to]),
            ("ascii", ["add", path, *to, "--json"]),
            ("utf-16", ["add", path, *to, "--json"]),
            ("utf-16", ["rates", "--by", "run", *to]),
        ):
            done = process(*words, PYTHONIOENCODING=encoding)
            assert (done.returncode, done.stderr) == (0, b"")
            if words[-1] == "--json":
                assert json.loads(done.stdout.decode(encoding))["files"][0]["file"] == str(path)

    def test_a_name_that_is_no_utf_8_will_do_too(self, tmp_path: Path) -> None:
        path = os.fsencode(tmp_path) + b"/m\xe4rz.csv"
        try:
            Path(os.fsdecode(path)).write_bytes(run_log() + b"x\n")
        except OSError:
            pytest.skip("no such names on this system")
        for more in ([], ["--json"]):
            done = process("add", os.fsdecode(path), "--store", tmp_path / "store", *more)
            assert (done.returncode, done.stderr) == (1, b"")
        assert json.loads(done.stdout)["files"][0]["known"] == 3

    def test_a_reader_that_has_seen_enough_is_no_trouble(self, sample_store: Path) -> None:
        with subprocess.Popen(
            [sys.executable, "-m", "dashboard", "rates", "--by", "run", "--store", sample_store],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=TOP,
        ) as running:
            assert running.stdout is not None and running.stderr is not None
            running.stdout.readline()
            running.stdout.close()
            assert running.stderr.read() == b""


class TestDemo:
    def test_it_makes_its_own_store_once_and_touches_no_other(
        self, run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from dashboard.commands import serve

        served: list[Path] = []
        monkeypatch.setattr(serve, "serve_folder", lambda folder, port: served.append(folder) or 0)
        monkeypatch.setenv("FEEDTALLY_STORE", str(tmp_path / "own"))
        first = run("demo")
        assert first.code == 0
        assert "Making the sample store" in first.err
        made = sorted(p.name for p in (tmp_path / "data" / "feedtally").iterdir())
        again = run("demo", "--port", "8000")
        assert (again.code, again.err) == (0, "")
        assert served[0] == served[1]
        assert served[0].name.startswith("demo-")
        assert made == [served[0].name]
        assert not (tmp_path / "own").exists()
        assert len(Store(served[0]).tower_bins()) == 3

        (served[0] / "made-from-the-samples.txt").write_text("something else")
        run("demo").refused("is not a sample store of this program's making; move it away")


@pytest.mark.parametrize("words", [("interval", "3", "50000"), ("rates", "--by", "tower")])
def test_a_reader_that_has_gone_is_no_fault(tmp_path: Path, words: tuple[str, ...]) -> None:
    # The first is printed in a few lines, the second as a table.
    store = tmp_path / "store"
    Store(store, create=True).add(read(run_log()))
    # Where each line is written at once, the first one says that nobody reads, and never the table.
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    reads, writes = os.pipe()
    os.close(reads)
    with open(writes, "wb") as gone:
        done = subprocess.run(
            [sys.executable, "-m", "dashboard", *words],
            stdout=gone,
            stderr=subprocess.PIPE,
            check=False,
            cwd=TOP,
            env={**kept, "FEEDTALLY_STORE": os.fsdecode(store)},
            timeout=120,
        )
    assert (done.returncode, done.stderr) == (0, b"")
