"""Files in, accounts out: what the commands and the pages call."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from analysis import answers, taking_in
from analysis.counts import LogScan
from analysis.filters import FilterError, parse_filters
from analysis.site import machine_zone
from analysis.snapshot import StoreError
from analysis.store import Store
from tests.conftest import LINE, everything, run_log, stored

Write = Callable[..., Path]
TOWERS = "tower,bins\nA,2\n"


class TestAdd:
    def test_a_store_is_made_and_the_account_told(self, tmp_path: Path, write: Write) -> None:
        done = taking_in.add(tmp_path / "store", [write(run_log())])
        (taken,) = done.files
        assert taken.account is not None
        assert (taken.kind, taken.account.added, taken.rejects_file) == ("runs", 3, None)
        assert taken.sentence().endswith(
            "log.csv (run log): 3 lines read = 3 added + 0 corrected + 0 already known "
            "+ 0 rejected. This is intake 1."
        )
        assert done.account is not None
        assert (done.account.rows, done.account.runs, done.account.feeds) == (3, 1, 13551)
        assert done.sentence() == (
            "3 lines read: 3 added, 0 corrected, 0 already known, 0 rejected."
        )

    def test_a_file_that_is_refused_makes_no_store(self, tmp_path: Path, write: Write) -> None:
        done = taking_in.add(tmp_path / "store", [write("no log")])
        assert done.files[0].error
        assert done.account is None
        assert not (tmp_path / "store").exists()

    def test_rejected_lines_go_beside_the_log(self, tmp_path: Path, write: Write) -> None:
        path = write(run_log(LINE.format(1), "0814,bad,A,2,1,0,0"), "monday.csv")
        (taken,) = taking_in.add(tmp_path / "store", [path]).files
        assert taken.rejects_file == str(tmp_path / "monday.rejects.csv")
        assert [(p.line, p.column) for p in taken.problems] == [(3, "started")]
        mended = write(
            (tmp_path / "monday.rejects.csv")
            .read_text("utf-8-sig")
            .replace("bad", "2031-03-14T08:05"),
            "monday.rejects.csv",
        )
        (again,) = taking_in.add(tmp_path / "store", [mended]).files
        assert again.account is not None
        assert (again.account.added, again.account.rejected) == (1, 0)
        assert len(stored(Store(tmp_path / "store"))) == 2

    def test_or_into_the_store_where_they_cannot(
        self, tmp_path: Path, write: Write, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = write(run_log(LINE.format(1), "x"))
        real = Path.open

        def refuse(self: Path, mode: str = "r", **options: object) -> object:
            if self.parent == tmp_path and mode == "w":
                raise PermissionError(13, "Permission denied")
            return real(self, mode, **options)

        monkeypatch.setattr(Path, "open", refuse)
        (taken,) = taking_in.add(tmp_path / "store", [path]).files
        assert taken.rejects_file == str(tmp_path / "store" / "rejects" / "log.rejects.csv")

    def test_nothing_is_stored_where_they_can_be_put_nowhere(
        self, tmp_path: Path, write: Write, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = write(run_log(LINE.format(1), "x"))

        real = Path.open

        def refuse(self: Path, mode: str = "r", **options: object) -> object:
            if self.name.startswith(".feedtally-"):
                raise PermissionError(13, "Permission denied")
            return real(self, mode, **options)

        monkeypatch.setattr(Path, "open", refuse)
        with pytest.raises(StoreError, match="cannot be written .* nothing of it was stored"):
            taking_in.add(tmp_path / "store", [path])
        assert not stored(Store(tmp_path / "store"))

    def test_a_refused_file_does_not_hold_up_the_others(self, tmp_path: Path, write: Write) -> None:
        paths = [
            write(run_log(), "a.csv"),
            write("no log", "b.csv"),
            tmp_path / "missing.csv",
            tmp_path,
            write("stock\nBO90\n", "c.csv"),
        ]
        done = taking_in.add(tmp_path / "store", paths)
        assert [taken.file for taken in done.files] == list(map(str, paths))
        assert [bool(taken.error) for taken in done.files] == [False, True, True, True, False]
        assert done.files[2].error == (
            "it cannot be read (no such file or directory); check the name and the rights"
        )
        assert "is a directory" in done.files[3].error
        assert done.sentence().endswith("; 3 files were refused whole.")

    def test_tower_lists_are_taken_before_the_runs_they_speak_of(
        self, tmp_path: Path, write: Write
    ) -> None:
        paths = [write(run_log(), "a.csv"), write(TOWERS, "b.csv")]
        first, second = taking_in.add(tmp_path / "store", paths).files
        assert first.account is not None and second.account is not None
        assert (first.kind, first.account.rejected, second.kind) == ("runs", 1, "towers")

    def test_a_name_that_is_no_utf_8_can_be_added(self, tmp_path: Path) -> None:
        path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/m\xe4rz.csv"))
        try:
            path.write_bytes(run_log())
        except OSError:
            pytest.skip("no such names on this system")
        (taken,) = taking_in.add(tmp_path / "store", [path]).files
        assert taken.account is not None
        assert taken.account.added == 3


class TestCheck:
    def test_it_tells_what_add_would_do_and_leaves_no_trace(
        self, tmp_path: Path, write: Write
    ) -> None:
        folder = tmp_path / "store"
        taking_in.add(folder, [write(run_log())])
        raw = run_log(LINE.format(1), "0814,2031-03-14T08:05,A,2,4517,9,0", LINE.format(8), "x")
        path = write(raw, "next.csv")
        before, names = everything(Store(folder)), sorted(p.name for p in tmp_path.iterdir())
        checked = taking_in.check(folder, [path])
        assert everything(Store(folder)) == before
        assert sorted(p.name for p in tmp_path.iterdir()) == names
        assert checked.files[0].rejects_file is None
        assert checked.sentence() == (
            "4 lines read: 1 would be added, 1 corrected, 1 already known, 1 rejected."
        )
        added = taking_in.add(folder, [path])
        account = added.files[0].account
        assert account is not None
        assert account.intake == 2
        assert checked.files[0].account == replace(account, intake=None)
        assert checked.files[0].problems == added.files[0].problems

    def test_without_a_store_none_is_made(self, tmp_path: Path, write: Write) -> None:
        one, other = write(run_log()), write(TOWERS, "towers.csv")
        for paths in ([one], [one, other]):
            checked = taking_in.check(tmp_path / "store", paths)
            assert checked.account is None
            assert not (tmp_path / "store").exists()

    def test_several_files_are_told_as_add_would_take_them(
        self, tmp_path: Path, write: Write
    ) -> None:
        folder = tmp_path / "store"
        taking_in.add(folder, [write("tower\nB\n", "b.csv")])
        paths = [
            write(run_log(), "one.csv"),
            write(run_log(LINE.format(1), "0814,2031-03-14T13:00,A,2,1,0,0"), "two.csv"),
            write(TOWERS, "towers.csv"),
            write("no log", "none.csv"),
        ]
        before = everything(Store(folder))
        checked = taking_in.check(folder, paths)
        assert everything(Store(folder)) == before
        assert not list(tmp_path.glob("*.rejects*"))
        added = taking_in.add(folder, paths)
        assert [t.account for t in checked.files] == [
            t.account and replace(t.account, intake=None) for t in added.files
        ]
        assert [t.account and t.account.intake for t in added.files] == [3, None, 2, None]
        assert [t.problems for t in checked.files] == [t.problems for t in added.files]

    def test_a_damaged_store_is_no_mistake_of_the_file(self, tmp_path: Path, write: Write) -> None:
        taking_in.add(tmp_path / "store", [write(run_log())])
        (tmp_path / "store" / "store.json").write_text("{")
        for paths in ([tmp_path / "log.csv"], [tmp_path / "log.csv", write(TOWERS, "t.csv")]):
            with pytest.raises(StoreError, match="damaged"):
                taking_in.check(tmp_path / "store", paths)


def test_the_zone_of_the_machine_has_a_name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", ":Europe/Zurich")
    assert machine_zone() == "Europe/Zurich"
    monkeypatch.delenv("TZ")
    assert machine_zone()


class TestRates:
    def test_they_are_the_sums_of_the_log(self, tmp_path: Path, write: Write) -> None:
        log = run_log("1,2031-03-14T08:05,A,1-2,100,0,0", "2,2031-03-14T09:05,A,1,50,3,1")
        taking_in.add(tmp_path / "store", [write(log)])
        scan = LogScan(Store(tmp_path / "store").snapshot())
        result = answers.rates(scan, ["bin", "bin"], parse_filters(kind="faults"))
        assert result.by == ("bin",)
        found = [(g["bin"], g["runs"], g["feeds"], g["count"]) for g in result.groups.to_pylist()]
        assert found == [(1, 2, 150, 4), (2, 1, 100, 0)]
        assert (result.total.count, result.total.feeds) == (4, 250)
        assert result.account.rows == 3

    def test_an_empty_filter_is_a_sentence(self, tmp_path: Path, write: Write) -> None:
        taking_in.add(tmp_path / "store", [write(run_log())])
        scan = LogScan(Store(tmp_path / "store").snapshot())
        result = answers.rates(scan, ["bin"], parse_filters(where=["tower=Z"]))
        assert result.groups.num_rows == 0
        assert result.sentence() == "No rows of the log are in this filter; widen it."

    def test_mistakes_are_told(self, tmp_path: Path, write: Write) -> None:
        taking_in.add(tmp_path / "store", [write(run_log())])
        scan = LogScan(Store(tmp_path / "store").snapshot())
        with pytest.raises(FilterError):
            answers.rates(scan, ["towr"], parse_filters())
        with pytest.raises(ValueError, match="method"):
            answers.rates(scan, [], parse_filters(), method="best")
