"""Damage is found and named, all else stays readable, and small files do not pile up."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import threading
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet
import pytest
from deltalake import DeltaTable, write_deltalake
from filelock import FileLock

from analysis import upkeep
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.intake import read_bytes
from analysis.log_format import INTAKES_SCHEMA, KINDS
from analysis.snapshot import DamagedStoreError, StoreError
from analysis.store import Store
from analysis.store_format import STORE_FORMAT
from tests.conftest import LINE, everything, read, run_log, stored


def three_files(store: Store) -> list[Path]:
    """Add three files and return the data file of each."""
    found: list[Path] = []
    for number, name in enumerate(("monday.csv", "tuesday.csv", "wednesday.csv")):
        lines = (f"{number},2031-03-14T08:05,A,{b},90,{number},0" for b in (1, 2, 3))
        store.add(read_bytes(run_log(*lines), name))
        now = set((store.folder / "runs").glob("*.parquet")) - set(found)
        found += now
    return found


class TestDamage:
    def test_a_sound_store_is_said_to_be_whole(self, store: Store) -> None:
        files = three_files(store)
        health = store.check()
        assert health.sound
        assert (health.rows, health.past, health.intakes, health.files) == (9, 0, 3, 6)
        assert health.sentence().startswith(
            "The store is whole: 9 rows and 0 that were replaced, from 3 intakes, in 6 files of 0."
        )
        assert health.size > sum(file.stat().st_size for file in files)

    @pytest.mark.parametrize("how", ["one bit", "cut short", "gone", "emptied"])
    def test_a_damaged_file_is_named_and_so_are_the_rows_that_are_lost(
        self, store: Store, how: str
    ) -> None:
        victim = three_files(store)[1]
        content = bytearray(victim.read_bytes())
        content[len(content) // 2] ^= 1
        if how == "gone":
            victim.unlink()
        else:
            victim.write_bytes({"one bit": content, "cut short": content[:-9]}.get(how, b""))
        health = store.check()
        assert [d.file for d in health.damaged] == [f"runs/{victim.name}"]
        assert health.damaged[0].reason == (
            "it is gone" if how == "gone" else "its checksum is another"
        )
        assert [(m.intake, m.file, m.rows) for m in health.missing] == [(2, "tuesday.csv", 3)]
        assert health.sentence() == "The store is damaged: 1 damaged file, 3 rows missing."
        assert not health.sound

    def test_set_aside_all_else_is_read_and_the_file_can_be_added_again(self, store: Store) -> None:
        victim = three_files(store)[1]
        content = victim.read_bytes()
        victim.write_bytes(content[:100])
        with pytest.raises(DamagedStoreError, match=f"runs/{victim.name} of the store is gone or"):
            LogScan(store.snapshot()).account(Filters().holding("bin", "1"))
        health = store.check(set_aside=True)
        assert health.set_aside
        assert "all else can be read" in health.sentence()
        assert not victim.exists()
        assert (store.folder / "damaged" / "runs" / victim.name).read_bytes() == content[:100]
        assert sorted(row["run"] for row in stored(store)) == ["0"] * 3 + ["2"] * 3
        again = store.check()
        assert again.sound
        assert [(m.intake, m.rows) for m in health.missing] == [(2, 3)]
        assert again.lost_before == health.missing
        lines = (f"1,2031-03-14T08:05,A,{b},90,1,0" for b in (1, 2, 3))
        assert store.add(read(run_log(*lines))).added == 3
        assert len(stored(store)) == 9

    def test_a_file_that_has_no_checksum_yet_is_read_through(self, store: Store) -> None:
        victim = three_files(store)[1]
        (store.folder / upkeep.SUMS).unlink()
        content = bytearray(victim.read_bytes())
        content[200:260] = bytes(60)
        victim.write_bytes(content)
        (damage,) = store.check().damaged
        assert damage.file == f"runs/{victim.name}"
        assert damage.reason.startswith("it cannot be read")

    def test_checksums_are_those_that_other_tools_check(self, store: Store) -> None:
        three_files(store)
        sums = (store.folder / "SHA256SUMS").read_text().splitlines()
        assert len(sums) == 6
        for line in sums:
            digest, name = line.split("  ")
            assert hashlib.sha256((store.folder / name).read_bytes()).hexdigest() == digest
        if shutil.which("sha256sum"):
            subprocess.run(
                ["sha256sum", "--check", "--quiet", "SHA256SUMS"], cwd=store.folder, check=True
            )

    def test_a_row_that_stands_twice_is_found(self, store: Store) -> None:
        store.add(read(run_log()))
        table = DeltaTable(str(store.folder / "runs"))
        write_deltalake(table, table.to_pyarrow_table(), mode="append")
        problems = store.check().problems
        assert problems == ("3 rows of the run log stand more than once",)

    def test_rows_of_no_intake_are_found(self, store: Store) -> None:
        store.add(read(run_log()))
        shutil.rmtree(store.folder / "intakes")
        DeltaTable.create(str(store.folder / "intakes"), INTAKES_SCHEMA)
        (problem,) = store.check().problems
        assert "came with intake 1, which the list of intakes does not name" in problem


class TestBackup:
    def test_a_copy_holds_the_same_and_is_a_store(self, store: Store, tmp_path: Path) -> None:
        three_files(store)
        store.undo(2)
        (store.folder / "site.toml").write_text('zone = "Europe/Vienna"\n')
        health = store.backup(tmp_path / "copy")
        assert health.sound
        copy = Store(tmp_path / "copy")
        assert everything(copy) == everything(store)
        assert copy.undo(4).reinstated == 3
        assert (copy.folder / "site.toml").read_text() == 'zone = "Europe/Vienna"\n'

    def test_a_damaged_store_is_copied_and_said_to_be_damaged(
        self, store: Store, tmp_path: Path
    ) -> None:
        three_files(store)[1].write_bytes(b"x")
        assert len(store.backup(tmp_path / "copy").damaged) == 1

    def test_nothing_is_written_over_and_no_copy_lies_within(
        self, store: Store, tmp_path: Path
    ) -> None:
        (tmp_path / "there").mkdir()
        with pytest.raises(StoreError, match="is there already; name a new folder"):
            store.backup(tmp_path / "there")
        with pytest.raises(StoreError, match="lies within the store"):
            store.backup(store.folder / "copy")
        with pytest.raises(StoreError, match="cannot be copied to .*; name a folder with room"):
            (tmp_path / "file").write_text("x")
            store.backup(tmp_path / "file" / "copy")


@pytest.fixture
def merged_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have files merged when there are few; the policy's own number is tested by itself."""
    monkeypatch.setattr(upkeep, "MERGE_FILES", 8)


class TestMerging:
    @pytest.mark.usefixtures("merged_soon")
    def test_many_small_intakes_leave_few_files_and_all_rows(self, store: Store) -> None:
        for number in range(upkeep.MERGE_FILES + 8):
            store.add(read(run_log(f"{number},2031-03-14T08:05,A,1,90,{number % 3},0")))
        files = store.snapshot().files
        assert len(files["runs"]) < upkeep.MERGE_FILES
        assert len(files["intakes"]) < upkeep.MERGE_FILES
        assert sorted(int(str(row["run"])) for row in stored(store)) == list(
            range(upkeep.MERGE_FILES + 8)
        )
        health = store.check()
        assert health.sound
        assert health.files == sum(map(len, files.values()))
        assert store.undo(5).taken_out == 1

    def test_files_up_to_the_policys_count_are_left_as_they_are(self, tmp_path: Path) -> None:
        schema = pa.schema([("n", pa.int64())])
        path = str(tmp_path / "table")
        assert upkeep.MERGE_FILES == 32
        for _ in range(upkeep.MERGE_FILES - 1):
            write_deltalake(path, pa.table({"n": [1]}, schema=schema), mode="append")
        table = DeltaTable(path)
        assert not upkeep.merge_small(tmp_path, "table", table)
        write_deltalake(table, pa.table({"n": [1]}, schema=schema), mode="append")
        assert upkeep.merge_small(tmp_path, "table", table)
        assert len(table.file_uris()) == 1
        assert not upkeep.merge_small(tmp_path, "table", table)

    @pytest.mark.usefixtures("merged_soon")
    def test_whoever_reads_an_older_snapshot_can_go_on(self, store: Store) -> None:
        store.add(read(run_log()))
        old = store.snapshot()
        for number in range(upkeep.MERGE_FILES):
            store.add(read(run_log(f"{number},2031-03-14T08:05,A,1,90,0,0")))
        assert not set(old.files["runs"]) & set(store.snapshot().files["runs"])
        with old.connect() as connection:
            assert connection.execute("select count(*) from runs").fetchall() == [(3,)]


class TestTotals:
    def test_what_is_kept_is_what_a_scan_counts(self, store: Store) -> None:
        acts = [
            run_log(),
            run_log(
                LINE.format(4), "0815,2031-03-20T08:05,B,?,,2,1", "0815,2030-01-01T00:00,C,1,7,0,0"
            ),
            run_log("0814,2031-03-14T08:05,A,2,9000,5,0"),
            run_log("0816,2031-03-21T08:05,A,1-3,10,0,0"),
        ]
        for raw in acts:
            store.add(read(raw))
            snapshot = store.snapshot()
            kept = snapshot.totals
            with snapshot.connect() as connection:
                counted = connection.execute(
                    """select count(*), count(distinct (tower, run)), sum(cycles)::bigint,
                    min(started at time zone 'UTC'), max(started at time zone 'UTC') from runs"""
                ).fetchall()[0]
            if kept is not None:
                assert (kept.rows, kept.runs, kept.feeds, kept.first, kept.last) == counted
                account = LogScan(snapshot).account(Filters())
                assert (account.rows, account.runs, account.feeds) == counted[:3]
        # Counted on after appends, and counted anew after a correction.
        assert store.snapshot().totals is None

    def test_an_append_counts_on_from_what_was_kept(self, store: Store) -> None:
        store.add(read(run_log()))
        store.add(read(run_log(LINE.format(4), "0815,2031-03-20T08:05,A,1,90,0,0")))
        totals = store.snapshot().totals
        assert totals is not None
        assert (totals.rows, totals.runs, totals.feeds) == (5, 2, 4 * 4517 + 90)
        shutil.rmtree(store.folder / "kept")
        assert store.snapshot().totals is None

    @pytest.mark.parametrize("content", ["", "[]", "{}", '{"runs_version": "1", "rows": 1}'])
    def test_a_broken_note_of_them_is_passed_over(self, store: Store, content: str) -> None:
        store.add(read(run_log()))
        (store.folder / "kept" / "totals.json").write_text(content)
        assert store.snapshot().totals is None


def _as_format_1(folder: Path) -> None:
    """Turn a store into what the first format was: without zone, undoes and origin."""
    for name, added in (*((kind, ["origin"]) for kind in KINDS), ("intakes", ["zone", "undoes"])):
        table = DeltaTable(str(folder / name))
        rows = table.to_pyarrow_table().drop_columns(added)
        write_deltalake(table, rows, mode="overwrite", schema_mode="overwrite")
    (folder / "store.json").write_text('{"format": 1}\n')
    shutil.rmtree(folder / "kept", ignore_errors=True)


class TestFormats:
    def test_a_store_of_the_first_format_is_brought_up_and_loses_nothing(
        self, store: Store
    ) -> None:
        store.add(read_bytes(run_log(), "monday.csv"))
        store.add(read_bytes(run_log("0814,2031-03-14T08:05,A,2,4517,5,0"), "mended.csv"))
        store.add(read(b"tower,bins\nA,10\n"))
        before = everything(store)
        _as_format_1(store.folder)
        raised = Store(store.folder)
        assert everything(raised) == before
        held = json.loads((store.folder / "store.json").read_text())
        assert held == {"format": STORE_FORMAT, "upgraded_by": "say where rows came from"}
        assert raised.undo(2).reinstated == 1
        assert raised.check().sound

    def test_an_upgrade_that_was_broken_off_is_finished(self, store: Store) -> None:
        store.add(read(run_log()))
        before = everything(store)
        _as_format_1(store.folder)
        Store(store.folder)
        (store.folder / "store.json").write_text('{"format": 1}\n')
        assert everything(Store(store.folder)) == before

    def test_a_store_that_cannot_be_written_is_not_brought_up(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        _as_format_1(store.folder)

        def full(*arguments: object, **options: object) -> None:
            raise OSError(30, "Read-only file system")

        monkeypatch.setattr("analysis.store_format.write_deltalake", full)
        with pytest.raises(StoreError, match="cannot be brought to format 2 .*nothing is lost"):
            Store(store.folder)
        assert json.loads((store.folder / "store.json").read_text()) == {"format": 1}


def test_whoever_waits_for_another_writer_is_told_so(store: Store) -> None:
    told = threading.Event()
    waiting = Store(store.folder, on_wait=told.set)
    lock = FileLock(store.folder / ".lock")
    with lock:
        thread = threading.Thread(target=waiting.add, args=(read(run_log()),))
        thread.start()
        assert told.wait(30)
        assert not stored(store)
    thread.join(60)
    assert len(stored(store)) == 3
    told.clear()
    waiting.add(read(run_log(LINE.format(9))))
    assert not told.is_set()


def test_a_correction_does_not_give_damage_a_checksum_of_its_own(store: Store) -> None:
    store.add(read(run_log()))
    (victim,) = (store.folder / "runs").glob("*.parquet")
    content = bytearray(victim.read_bytes())
    content[len(content) // 3] ^= 1
    victim.write_bytes(content)
    for act in (
        lambda: store.add(read(run_log(LINE.format(2).replace(",1,0", ",9,0")))),
        lambda: store.undo(1),
    ):
        with pytest.raises(DamagedStoreError, match="damaged .*so nothing was written"):
            act()
    assert [d.file for d in store.check().damaged] == [f"runs/{victim.name}"]


def test_totals_of_a_copy_that_was_put_back_are_not_those_of_another(
    store: Store, tmp_path: Path
) -> None:
    store.add(read(run_log()))
    store.backup(tmp_path / "copy")
    store.add(read(run_log(*(LINE.format(n) for n in range(4, 11)))))
    kept = (store.folder / "kept" / "totals.json").read_text()
    shutil.rmtree(store.folder)
    shutil.copytree(tmp_path / "copy", store.folder)
    again = Store(store.folder)
    again.add(read(run_log(LINE.format(20))))
    (again.folder / "kept").mkdir(exist_ok=True)
    (again.folder / "kept" / "totals.json").write_text(kept)
    assert again.snapshot().totals is None


def test_a_copy_leaves_a_folder_of_somebody_else_alone(store: Store, tmp_path: Path) -> None:
    own = tmp_path / "copy.part"
    own.mkdir()
    (own / "photo.jpg").write_text("x")
    store.backup(tmp_path / "copy")
    assert (own / "photo.jpg").read_text() == "x"
    with pytest.raises(StoreError, match="is no name for a folder"):
        store.backup(tmp_path / ("x" * 5000))


def test_files_without_a_checksum_are_said_to_have_none(store: Store) -> None:
    three_files(store)
    (store.folder / upkeep.SUMS).unlink()
    assert "6 files of which had no checksum and can be read" in store.check().sentence()
    assert "each with the checksum it was written with" in store.check().sentence()
