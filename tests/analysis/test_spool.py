"""Files that do not fit in memory: the same answers, by way of the disk."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

import data_samples
from analysis.intake import ParsedLog, read_bytes, read_log
from analysis.spool import Rows, Scratch
from analysis.store import Store
from analysis.texts import NotALogError
from tests.conftest import LINE, everything, problems, rows, run_log, stored


def small(folder: Path) -> Scratch:
    """Return a scratch that holds next to nothing in memory."""
    return Scratch([folder], most_bytes=500, most_lines=2)


def by_disk(raw: bytes, folder: Path, block_bytes: int = 200) -> ParsedLog:
    parsed = read_bytes(raw, "log.csv", scratch=small(folder), block_bytes=block_bytes)
    assert parsed.rows.path is not None
    return parsed


MANY = run_log(
    *(LINE.format(n) for n in range(1, 60)),
    *(LINE.format(n) for n in range(1, 5)),
    "0815,2031-03-14T08:05,A,1-3 7,900,0,0",
    "0816,2031-03-14T08:05,A,1,900,0,0",
    "0816,2031-03-14T08:05,A,1,900,1,0",
    *(f"bad{n},2031-03-14T08:05,A,{n},many,0,0" for n in range(1, 30)),
    "too,few",
)


class TestByWayOfTheDisk:
    def test_rows_and_rejected_lines_are_those_of_a_file_in_memory(self, tmp_path: Path) -> None:
        held, spooled = read_bytes(MANY, "log.csv"), by_disk(MANY, tmp_path)
        assert rows(spooled) == rows(held)
        assert spooled.rows.num_rows == held.rows.num_rows == 69
        assert list(spooled.rejected) == list(held.rejected)
        assert len(spooled.rejected) == 30

    def test_it_is_stored_as_a_file_in_memory_is(self, tmp_path: Path) -> None:
        one, two = (Store(tmp_path / name, create=True) for name in ("one", "two"))
        files = [
            MANY,
            run_log(LINE.format(3).replace(",1,0", ",5,0"), LINE.format(70), LINE.format(4)),
            # A run that is stored with another start, among lines that are good.
            run_log(
                *(LINE.format(n).replace("08:05", "13:00") for n in range(1, 9)), LINE.format(99)
            ),
        ]
        for raw in files:
            held, spooled = read_bytes(raw, "log.csv"), by_disk(raw, tmp_path, 60)
            assert one.add(held) == two.add(spooled)
            assert problems(held) == problems(spooled)
            assert list(held.rejected) == list(spooled.rejected)
            spooled.close()
        assert everything(one) == everything(two)
        assert len(stored(one)) == 59 + 4 + 1 + 1

    def test_what_is_on_disk_is_gone_when_the_file_is_closed(self, tmp_path: Path) -> None:
        parsed = by_disk(MANY, tmp_path)
        assert [path.name[:11] for path in tmp_path.iterdir()] == [".feedtally-"]
        parsed.close()
        assert not list(tmp_path.iterdir())

    def test_nothing_is_put_on_disk_for_a_small_file(self, tmp_path: Path) -> None:
        read_bytes(run_log(), "log.csv", scratch=Scratch([tmp_path]))
        assert not list(tmp_path.iterdir())


class TestScratch:
    def test_the_next_folder_is_taken_where_the_first_is_not_there(self, tmp_path: Path) -> None:
        scratch = Scratch([tmp_path / "none", tmp_path])
        assert scratch.folder().parent == tmp_path
        scratch.close()

    def test_what_a_killed_process_left_is_removed_after_a_day(self, tmp_path: Path) -> None:
        old, new = tmp_path / ".feedtally-old", tmp_path / ".feedtally-new"
        for folder in (old, new):
            folder.mkdir()
            (folder / "rows.parquet").write_text("x")
        os.utime(old, (time.time() - 90_000,) * 2)
        scratch = Scratch([tmp_path])
        scratch.folder()
        assert new.exists()
        assert not old.exists()
        scratch.close()


def test_rows_that_are_dropped_are_counted_out_wherever_they_are(tmp_path: Path) -> None:
    schema = pa.schema([("file_line", pa.int64())])
    for scratch in (Scratch([tmp_path]), Scratch([tmp_path], most_bytes=10)):
        held = Rows(schema, scratch)
        for first in (1, 11):
            held.append(pa.table({"file_line": range(first, first + 10)}, schema=schema))
        held.finish()
        held.drop(np.array([2, 3, 15, 40], np.int64))
        assert held.num_rows == 17
        assert held.table()["file_line"].to_pylist() == [
            n for n in range(1, 21) if n not in (2, 3, 15)
        ]
        scratch.close()


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(run_log(*(LINE.format(n) for n in range(1, 300))))

    def meddle(done: int, size: int) -> None:
        with path.open("ab") as file:
            file.write(b"0815,2031-03-14T08:05,A,1,900,0,0\n")

    parsed = read_log(path, progress=meddle)
    with pytest.raises(NotALogError, match="changed while it was read; add it again"):
        list(parsed.text.pieces())


def test_reading_tells_how_far_it_has_come(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    path = data_samples.folder() / "runs.csv"
    read_log(path, progress=lambda done, size: told.append((done, size)))
    assert told[-1] == (path.stat().st_size,) * 2
    assert told == sorted(told)
