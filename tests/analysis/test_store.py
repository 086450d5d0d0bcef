"""What is kept, corrected and refused against what is stored, and what becomes of it in trouble."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from deltalake import DeltaTable, Transaction, write_deltalake
from deltalake.exceptions import CommitFailedError

from analysis.comparing import FileAccount, compare
from analysis.intake import KnownNames, read_bytes
from analysis.log_format import KINDS, stored_schema
from analysis.rejects import RejectsFile
from analysis.snapshot import StoreError, empty_snapshot
from analysis.store import Store
from analysis.store_format import STORE_FORMAT
from tests.conftest import (
    LINE,
    RUNS_HEADER,
    everything,
    problems,
    read,
    reasons,
    run_log,
    stored,
)

Write = Callable[..., Path]


def account(store: Store, raw: bytes) -> tuple[int, int, int, int, int, int]:
    """Add a log; return lines, added, corrected, known, rejected and rows added."""
    a = store.add(read(raw))
    assert a.lines == a.added + a.corrected + a.known + a.rejected
    return a.lines, a.added, a.corrected, a.known, a.rejected, a.rows_added


def counts(store: Store) -> dict[tuple[object, object], tuple[object, ...]]:
    """Return run and bin to misses and doubles of the current rows."""
    return {(r["run"], r["bin"]): (r["misses"], r["doubles"]) for r in stored(store)}


class TestWhatBecomesOfALine:
    def test_new_lines_are_added_and_the_same_again_are_known(self, store: Store) -> None:
        assert account(store, run_log()) == (3, 3, 0, 0, 0, 3)
        before = everything(store)
        version = store.snapshot().version
        assert account(store, run_log()) == (3, 0, 0, 3, 0, 0)
        assert everything(store) == before
        assert store.snapshot().version == version

    def test_the_same_rows_in_other_words_are_known(self, store: Store) -> None:
        store.add(read(run_log("0814,2031-03-14T08:05,A,1-3,4517,0,0")))
        other = run_log(
            "0814;1;2031-03-14 08:05:00;A; 3 ;4517.0;0;0;Production",
            "0814;1;2031-03-14 08:05:00;A;01;4517;+0;0;",
            header="RUN;stretch;started;tower;bin;cycles;misses;doubles;purpose",
        )
        assert account(store, other) == (2, 0, 0, 2, 0, 0)

    def test_the_same_key_and_start_with_other_content_is_a_correction(self, store: Store) -> None:
        store.add(read(run_log()))
        assert account(store, run_log("0814,2031-03-14T08:05,A,2,4517,5,0", LINE.format(1))) == (
            (2, 0, 1, 1, 0, 0)
        )
        assert counts(store) == {("0814", 1): (1, 0), ("0814", 2): (5, 0), ("0814", 3): (1, 0)}

    def test_the_older_row_stays_with_the_files_that_wrote_and_replaced_it(
        self, store: Store
    ) -> None:
        store.add(read_bytes(run_log(), "monday.csv"))
        store.add(read_bytes(run_log("0814,2031-03-14T08:05,A,2,4517,5,0"), "mended.csv"))
        store.add(read_bytes(run_log("0814,2031-03-14T08:05,A,2,4517,6,0"), "again.csv"))
        past = [
            (r["misses"], r["intake"], r["until"])
            for r in stored(store, past=True)
            if r["bin"] == 2
        ]
        assert sorted(past, key=str) == [(1, 1, 2), (5, 2, 3), (6, 3, None)]
        intakes = DeltaTable(str(store.folder / "intakes")).to_pyarrow_table().to_pylist()
        names = {r["intake"]: r["file"] for r in intakes}
        assert names == {1: "monday.csv", 2: "mended.csv", 3: "again.csv"}
        assert all(r["taken_at"] and len(r["sha256"]) == 64 for r in intakes)
        assert json.loads(intakes[0]["account"])["lines"] >= 1

    def test_a_note_or_an_unknown_column_changed_is_a_correction_too(self, store: Store) -> None:
        header = RUNS_HEADER + ",note,moon"
        store.add(read(run_log(LINE.format(1) + ",damp,full", header=header)))
        assert account(store, run_log(LINE.format(1) + ",dry,full", header=header))[2] == 1
        assert account(store, run_log(LINE.format(1) + ",dry,new", header=header))[2] == 1
        assert stored(store)[0]["extra"] == {"moon": "new"}

    def test_unknown_columns_may_stand_in_another_order(self, store: Store) -> None:
        store.add(read(run_log(LINE.format(1) + ",1,2", header=RUNS_HEADER + ",zeta,alpha")))
        again = run_log(LINE.format(1) + ",2,1", header=RUNS_HEADER + ",alpha,zeta")
        assert account(store, again)[3] == 1

    def test_the_same_key_with_another_start_is_rejected(self, store: Store) -> None:
        store.add(read(run_log()))
        before = everything(store)
        parsed = read(run_log("0814,2031-03-14T13:00,A,2,100,0,0", LINE.format(4)))
        result = store.add(parsed)
        assert (result.added, result.rejected) == (1, 1)
        assert problems(parsed) == [(2, "started")]
        assert reasons(parsed) == [
            "this run, stretch and bin are stored with started 2031-03-14T08:05; "
            "a second stretch? give it stretch 2"
        ]
        assert next(iter(parsed.rejected)).cells == (
            "0814",
            "2031-03-14T13:00",
            "A",
            "2",
            "100",
            "0",
            "0",
        )
        assert counts(store)[("0814", 2)] == (1, 0)
        assert everything(store) != before

    def test_given_stretch_2_it_is_taken(self, store: Store) -> None:
        store.add(read(run_log()))
        second = run_log(
            "0814,2,2031-03-14T13:00,A,2,100,0,0", header="run,stretch," + RUNS_HEADER[4:]
        )
        assert account(store, second) == (1, 1, 0, 0, 0, 1)

    def test_the_same_run_of_another_tower_is_another_run(self, store: Store) -> None:
        store.add(read(run_log()))
        assert account(store, run_log().replace(b",A,", b",B,"))[1] == 3

    def test_two_lines_of_one_file_that_differ_are_both_rejected(self, store: Store) -> None:
        parsed = read(run_log(LINE.format(1), "0814,2031-03-14T08:05,A,1,4517,2,0", LINE.format(2)))
        result = store.add(parsed)
        assert (result.added, result.rejected) == (1, 2)
        assert problems(parsed) == [(2, "run"), (3, "run")]
        assert reasons(parsed)[0] == (
            "lines 2, 3 are for the same tower, run, stretch and bin but differ; "
            "keep the right one, or give a second stretch its number"
        )

    def test_two_lines_of_one_file_that_differ_in_start_are_both_rejected(
        self, store: Store
    ) -> None:
        parsed = read(run_log(LINE.format(1), LINE.format(1).replace("08:05", "13:00")))
        assert store.add(parsed).rejected == 2
        assert not stored(store)

    def test_the_same_line_twice_in_a_file_is_added_once(self, store: Store) -> None:
        raw = run_log(LINE.format(1), LINE.format(2), LINE.format(1))
        assert account(store, raw) == (3, 2, 0, 1, 0, 2)
        assert account(store, raw) == (3, 0, 0, 3, 0, 0)

    def test_a_correction_twice_in_a_file_is_one(self, store: Store) -> None:
        store.add(read(run_log()))
        mended = "0814,2031-03-14T08:05,A,2,4517,5,0"
        assert account(store, run_log(mended, mended)) == (2, 0, 1, 1, 0, 0)
        assert len(stored(store)) == 3

    def test_a_line_of_several_bins_is_one_line_and_its_rows_each_have_their_fate(
        self, store: Store
    ) -> None:
        assert account(store, run_log("1,2031-03-14T08:05,A,2-3,10,0,0")) == (1, 1, 0, 0, 0, 2)
        assert account(store, run_log("1,2031-03-14T08:05,A,1-4,10,0,0")) == (1, 1, 0, 0, 0, 2)
        assert account(store, run_log("1,2031-03-14T08:05,A,1-5,11,0,0")) == (1, 0, 1, 0, 0, 1)
        assert account(store, run_log("1,2031-03-14T08:05,A,5,11,0,0")) == (1, 0, 0, 1, 0, 0)
        assert sorted(r["cycles"] for r in stored(store)) == [11] * 5

    def test_a_row_is_not_lost_when_the_line_it_is_a_copy_of_is_rejected(
        self, store: Store
    ) -> None:
        parsed = read(
            run_log(
                "1,2031-03-14T08:05,A,1-3,10,0,0",
                "1,2031-03-14T08:05,A,3,10,0,0",
                "1,2031-03-14T08:05,A,1,10,1,0",
            )
        )
        result = store.add(parsed)
        assert [line for line, _ in problems(parsed)] == [2, 4]
        assert (result.added, result.known) == (1, 0)
        assert list(counts(store)) == [("1", 3)]

    def test_nor_when_that_line_is_rejected_for_what_is_stored(self, store: Store) -> None:
        store.add(read(run_log("1,2031-03-14T13:00,A,1,10,0,0")))
        raw = run_log("1,2031-03-14T08:05,A,1-3,10,0,0", "1,2031-03-14T08:05,A,3,10,0,0")
        assert account(store, raw) == (2, 1, 0, 0, 1, 1)
        assert set(counts(store)) == {("1", 1), ("1", 3)}

    def test_faults_whose_bin_was_not_noted_have_one_row_a_stretch(self, store: Store) -> None:
        raw = run_log("1,2031-03-14T08:05,A,?,,1,0", "1,2031-03-14T08:05,A,1-2,10,0,0")
        assert account(store, raw) == (2, 2, 0, 0, 0, 3)
        assert account(store, raw) == (2, 0, 0, 2, 0, 0)
        assert account(store, run_log("1,2031-03-14T08:05,A,?,,2,0"))[2] == 1

    def test_new_and_corrected_rows_of_other_runs_go_in_together(self, store: Store) -> None:
        store.add(read(run_log()))
        raw = run_log(
            "0814,2031-03-14T08:05,A,1,4517,9,0", "0900,2031-03-15T08:05,C,1,5,0,0", LINE.format(7)
        )
        assert account(store, raw) == (3, 2, 1, 0, 0, 2)
        assert len(stored(store)) == 5

    def test_names_of_any_characters_can_be_corrected(self, store: Store) -> None:
        names = ("o'hara", 'a"b', "tür 5%", "'; drop table runs; --", "a\\'b", "🙂_%", "x\ny", "\\")
        names += ("null",)
        lines = []
        for name in names:
            quoted = '"' + name.replace('"', '""') + '"'
            lines.append(f"{quoted},2031-03-14T08:05,{quoted},1,10,{{}},0")
        others = (LINE.format(b) for b in (1, 2))
        store.add(read(run_log(*(line.format(0) for line in lines), *others)))
        assert account(store, run_log(*(line.format(1) for line in lines)))[2] == len(names)
        current = {(r["run"], r["tower"], r["bin"]): r["misses"] for r in stored(store)}
        assert current == {(name, name, 1): 1 for name in names} | {
            ("0814", "A", 1): 1,
            ("0814", "A", 2): 1,
        }
        assert len(stored(store, past=True)) == 2 * len(names) + 2


class TestLists:
    def test_a_later_entry_corrects_the_earlier(self, store: Store) -> None:
        store.add(read(b"tower,bins\nA,10\nB,10\n"))
        assert account(store, b"tower,bins\nA,12\nC,8\n") == (2, 1, 1, 0, 0, 1)
        assert store.tower_bins() == {"A": 12, "B": 10, "C": 8}
        assert len(stored(store, "towers", past=True)) == 4

    def test_a_tower_without_bins_holds_no_bin_back(self, store: Store) -> None:
        store.add(read(b"tower,site\nA,Mill\n"))
        assert store.tower_bins() == {}

    def test_a_stock_is_corrected_likewise(self, store: Store) -> None:
        store.add(read(b"stock,grammage_gsm\nBO90,90\n"))
        assert account(store, b"stock,grammage_gsm\nBO90,91\n")[2] == 1
        assert account(store, b"stock,grammage_gsm\nBO90,91.0\n")[3] == 1

    def test_known_stocks_are_those_of_the_list_and_of_the_log(self, store: Store) -> None:
        assert store.known_stocks(["a"]) == KnownNames()
        store.add(read(b"stock,grammage_gsm\nNT70,70\n"))
        lines = [f"{LINE.format(bin_)},{stock}" for bin_, stock in ((1, "a"), (2, "b"), (3, "b"))]
        store.add(read(run_log(*lines, header=f"{RUNS_HEADER},stock")))
        assert store.known_stocks(["A"]) == KnownNames(("NT70",), ("b", "a"))
        # The log, which may be large, is not read for what the list has.
        assert store.known_stocks(["NT70"]) == KnownNames(("NT70",))

    def test_an_entry_twice_with_other_content_is_rejected_twice(self, store: Store) -> None:
        parsed = read(b"tower,bins\nA,10\nA,12\n")
        assert store.add(parsed).rejected == 2
        assert problems(parsed) == [(2, "tower"), (3, "tower")]
        assert reasons(parsed)[0] == (
            "lines 2, 3 are for the same tower but differ; keep the right one"
        )

    def test_services_are_known_by_all_but_their_note(self, store: Store) -> None:
        header = "when,tower,bin,part,action,reason,quantity,operator,note\n"
        line = "2031-03-14,A,7,brush,fitted,planned,1,K,\n"
        store.add(read((header + line).encode()))
        assert account(store, (header + line).encode())[3] == 1
        noted = line.replace("K,", "K,squeaks")
        assert account(store, (header + noted).encode())[2] == 1
        for other in (
            line.replace("03-14", "03-15"),
            line.replace("A,", "B,"),
            line.replace("7", "8"),
            line.replace(",7,", ",,"),
            line.replace(",7,", ",tower,"),
            line.replace("brush", "foot"),
            line.replace("fitted", "cleaned"),
            line.replace("planned", "worn"),
            line.replace(",1,", ",2,"),
            line.replace("K,", "L,"),
        ):
            assert account(store, (header + other).encode())[1] == 1, other
        assert len(stored(store, "services")) == 11

    def test_the_kinds_do_not_mix(self, store: Store) -> None:
        for raw in (
            run_log(),
            b"tower\nA\n",
            b"stock\nB\n",
            b"when,tower,part,action\n2031-01-01,A,x,fitted\n",
        ):
            assert account(store, raw)[1] >= 1
        assert [len(stored(store, kind)) for kind in KINDS] == [3, 1, 1, 1]


class TestPreview:
    def test_it_says_what_add_would_do_and_stores_nothing(self, store: Store) -> None:
        store.add(read(run_log()))
        raw = run_log(LINE.format(1), "0814,2031-03-14T08:05,A,2,4517,5,0", LINE.format(9), "x")
        before, version = everything(store), store.snapshot().version
        told = compare(read(raw), store.snapshot()).account
        assert everything(store) == before
        assert store.snapshot().version == version
        assert told == replace(store.add(read(raw)), intake=None)
        assert told == FileAccount(4, 1, 1, 1, 1, 1, 1)

    def test_without_a_store_everything_is_new(self) -> None:
        assert compare(read(run_log()), empty_snapshot()).account == FileAccount(
            3, 3, 0, 0, 0, 3, 0
        )


class TestRejectsBeforeTheCommit:
    def test_nothing_is_stored_when_the_rejects_cannot_be_kept(self, store: Store) -> None:
        def fail() -> None:
            raise StoreError("no room")

        with pytest.raises(StoreError, match="no room"):
            store.add(read(run_log(LINE.format(1), "x")), fail)
        assert not stored(store)

    def test_lines_that_clash_with_the_store_are_among_them(
        self, store: Store, tmp_path: Path
    ) -> None:
        store.add(read(run_log()))
        parsed = read(run_log("0814,2031-03-14T13:00,A,2,100,0,0"))
        file = RejectsFile("log.csv", [tmp_path])
        store.add(parsed, lambda: file.write(parsed))
        assert file.path is not None
        assert "0814,2031-03-14T13:00,A,2,100,0,0" in file.path.read_text("utf-8-sig")


class TestOtherWriters:
    @pytest.mark.parametrize(
        ("theirs", "account_of_ours", "misses"),
        [
            # The same rows: ours are known by then, and stored once.
            (run_log(), (0, 0, 3, 0), 3),
            # Other counts of the same rows: ours correct them.
            (
                run_log(*(LINE.format(b).replace(",1,0", ",2,0") for b in (1, 2, 3))),
                (0, 3, 0, 0),
                3,
            ),
            # Other rows: both are new.
            (run_log(*(LINE.format(b) for b in (4, 5))), (3, 0, 0, 0), 5),
        ],
    )
    @pytest.mark.parametrize("corrects", [False, True])
    def test_without_a_lock_an_add_is_worked_out_anew_when_somebody_wrote_in_between(
        self,
        store: Store,
        monkeypatch: pytest.MonkeyPatch,
        theirs: bytes,
        account_of_ours: tuple[int, ...],
        misses: int,
        corrects: bool,
    ) -> None:
        if corrects:
            # A run that stands already, so that ours rewrites it instead of only adding.
            store.add(read(run_log("0815,2031-03-14T08:05,A,1,4517,9,0")))
        ours = [LINE.format(number) for number in (1, 2, 3)]
        ours += ["0815,2031-03-14T08:05,A,1,4517,7,0"] if corrects else []
        monkeypatch.setattr(Store, "_lock", lambda self: contextlib.nullcontext())
        meddled: list[int] = []

        def meddle() -> None:
            if not meddled:
                meddled.append(1)
                Store(store.folder).add(read(theirs))

        done = store.add(read(run_log(*ours)), meddle)
        added, corrected, known, rejected = account_of_ours
        assert (done.added, done.corrected) == (added, corrected + corrects)
        assert (done.known, done.rejected) == (known, rejected)
        rows = stored(store)
        assert len({(r["run"], r["bin"]) for r in rows}) == len(rows)
        assert sum(r["misses"] for r in rows) == misses + 7 * corrects

    def test_others_that_never_stop_writing_end_in_a_sentence(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def commit(*arguments: object) -> None:
            raise CommitFailedError("a later commit")

        monkeypatch.setattr(Store, "_commit", commit)
        monkeypatch.setattr("analysis.store._TRIES", 4)
        with pytest.raises(StoreError, match="nothing of log.csv was stored; add it again"):
            store.add(read(run_log()))

    def test_an_intake_number_that_was_used_is_not_used_again(self, store: Store) -> None:
        store.add(read(run_log()))
        table = DeltaTable(str(store.folder / "runs"))
        assert table.transaction_version("feedtally") == 1
        empty = stored_schema(KINDS["runs"]).empty_table()
        from deltalake import CommitProperties

        # As if a program that does not see our intakes had marked the table with a later number.
        later = CommitProperties(app_transactions=[Transaction("feedtally", 3)])
        write_deltalake(table, empty, mode="append", commit_properties=later)
        assert account(store, run_log(LINE.format(5)))[1] == 1
        numbers = {r["intake"] for r in stored(store)}
        assert numbers == {1, 4}

    def test_a_snapshot_does_not_change_while_others_write(self, store: Store) -> None:
        store.add(read(run_log()))
        snapshot = store.snapshot()
        store.add(read(run_log("0814,2031-03-14T08:05,A,2,4517,5,0", LINE.format(4))))
        with snapshot.connect() as connection:
            found = connection.execute("select count(*), sum(misses) from runs").fetchall()
        assert found == [(3, 3)]
        assert snapshot.version != store.snapshot().version

    def test_two_processes_at_once_both_succeed(self, tmp_path: Path) -> None:
        folder = tmp_path / "store"
        files = []
        for number in range(4):
            raw = run_log(*(f"{number},2031-03-14T08:05,A,{b},10,0,0" for b in range(1, 201)))
            files.append(tmp_path / f"{number}.csv")
            files[-1].write_bytes(raw)
        pairs = [files[:2], files[2:]]
        # They also race to make the store.
        processes = [
            subprocess.Popen(
                [sys.executable, "-m", "dashboard", "add", *map(str, pair), "--store", str(folder)],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            for pair in pairs
        ]
        for process in processes:
            _, errors = process.communicate(timeout=120)
            assert (process.returncode, errors) == (0, "")
        rows = stored(Store(folder))
        assert len(rows) == 800
        assert len({r["intake"] for r in rows}) == 4


class TestTrouble:
    def test_no_store_is_told_how_to_make_one(self, tmp_path: Path) -> None:
        with pytest.raises(StoreError, match="make one with: feedtally add FILE --store"):
            Store(tmp_path / "none")
        assert not (tmp_path / "none").exists()

    @pytest.mark.parametrize("held", [STORE_FORMAT + 1, 99])
    def test_a_store_of_a_newer_format_is_refused(self, store: Store, held: int) -> None:
        (store.folder / "store.json").write_text(json.dumps({"format": held}))
        with pytest.raises(StoreError, match=f"has format {held} .*; update feedtally"):
            Store(store.folder)

    @pytest.mark.parametrize(
        "content",
        ["", "{", "[]", "{}", "7", "\x80"]
        + [json.dumps({"format": held}) for held in (0, -1, "2", None, [2], True, 1.5)],
    )
    def test_a_damaged_mark_is_refused(self, store: Store, content: str) -> None:
        (store.folder / "store.json").write_bytes(content.encode("latin-1"))
        with pytest.raises(StoreError, match="damaged.*restore it from a copy"):
            Store(store.folder, create=True)

    def test_a_file_in_place_of_the_folder_is_refused(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("x")
        with pytest.raises(StoreError, match="is a file; name a folder"):
            Store(tmp_path / "file", create=True)
        with pytest.raises(StoreError, match="cannot make a store in .*; name a folder that may"):
            Store(tmp_path / "file" / "store", create=True)

    def test_a_folder_of_other_things_is_left_alone(self, tmp_path: Path) -> None:
        (tmp_path / "photo.jpg").write_text("x")
        with pytest.raises(StoreError, match="holds other files and no store"):
            Store(tmp_path, create=True)
        assert [p.name for p in tmp_path.iterdir()] == ["photo.jpg"]

    @pytest.mark.parametrize("left", [[".lock"], ["runs"], ["store.json.part"], ["rejects"]])
    def test_a_store_that_was_broken_off_in_the_making_is_made(
        self, tmp_path: Path, left: list[str]
    ) -> None:
        folder = tmp_path / "store"
        folder.mkdir()
        for name in left:
            (folder / name).write_text("") if "." in name else (folder / name).mkdir()
        assert account(Store(folder, create=True), run_log())[1] == 3

    def test_a_name_that_no_folder_can_have_is_refused(self, tmp_path: Path) -> None:
        for create in (True, False):
            with pytest.raises(StoreError, match="cannot be looked at .*; name another"):
                Store(tmp_path / ("x" * 5000), create=create)

    def test_a_lock_that_cannot_be_had_is_a_sentence(self, store: Store) -> None:
        (store.folder / ".lock").unlink(missing_ok=True)
        (store.folder / ".lock").mkdir()
        with pytest.raises(StoreError, match="cannot be locked .* may be written to"):
            store.add(read(run_log()))

    def test_a_lost_table_is_a_sentence(self, store: Store) -> None:
        (store.folder / "runs").rename(store.folder.parent / "away")
        with pytest.raises(StoreError, match="the table runs .* cannot be read .* from a copy"):
            store.snapshot()

    @pytest.mark.parametrize("damage", ["gone", "cut", "empty"])
    def test_a_lost_or_damaged_file_is_a_sentence(self, store: Store, damage: str) -> None:
        store.add(read(run_log()))
        (part,) = (store.folder / "runs").glob("*.parquet")
        content = part.read_bytes()
        part.unlink()
        if damage != "gone":
            part.write_bytes(content[: len(content) // 2] if damage == "cut" else b"")
        with pytest.raises(StoreError, match="data file runs/part-.* is gone or damaged"):
            store.add(read(run_log()))

    def test_a_table_that_cannot_be_written_leaves_the_store_as_it_was(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def full(*arguments: object, **options: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("analysis.commits.write_deltalake", full)
        with pytest.raises(StoreError, match="No space left on device.*nothing of log.csv was"):
            store.add(read(run_log()))
        assert not stored(store)


def test_services_that_differ_in_offset_or_in_an_own_column_are_two(tmp_path):
    store = Store(tmp_path / "store", create=True)
    header = "when,tower,bin,part,action,bay"
    first = read(f"{header}\n2031-03-14T08:05,A,3,brush,fitted,\n".encode())
    assert store.add(first).added == 1
    others = f"{header}\n2031-03-14T08:05+01:00,A,3,brush,fitted,\n"
    others += "2031-03-14T08:05,A,3,brush,fitted,west\n2031-03-14T08:05,A,3,brush,fitted,\n"
    account = store.add(read(others.encode()))
    assert (account.added, account.corrected, account.known) == (2, 0, 1)
    noted = read(f"{header},note\n2031-03-14T08:05,A,3,brush,fitted,west,new one\n".encode())
    account = store.add(noted)
    assert (account.added, account.corrected) == (0, 1)
    assert store.add(noted).known == 1
