"""A store works in any folder that it can be made in, whatever the folder is called."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from analysis import engine
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.history import run_history
from analysis.snapshot import StoreError
from analysis.store import Store
from tests.conftest import LINE, read, run_log

#: What Windows has in names too, and what only others have.
NAMES = ["Türme (neu), a=b's {1} #2 & 日本 ~"]
if os.name != "nt":
    NAMES.append('per *? "day" <1>: x')


@pytest.mark.parametrize("name", NAMES)
def test_all_that_is_done_with_a_store_is_done_there(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name / "store"
    store = Store(folder, create=True)
    store.add(read(b"tower,bins\nA,3\n"))
    store.add(read(b"stock,grammage\nBO90,90\n"))
    store.add(read(run_log(LINE.format(1), LINE.format(2), LINE.format(3))))
    assert store.tower_bins() == {"A": 3}
    assert store.known_stocks(["x"]).listed == ("BO90",)
    # A correction reads, compares and writes again; an undo does so too.
    corrected = LINE.format(2).replace("4517,1,", "4517,7,")
    assert corrected != LINE.format(2)
    assert store.add(read(run_log(corrected))).corrected == 1
    snapshot = Store(folder).snapshot()
    assert LogScan(snapshot).account(Filters()).rows == 3
    with engine.opened("duckdb", snapshot) as opened:
        assert set(LogScan(snapshot, opened).values(["misses"])["misses"]) == {"1", "7"}
    assert len(run_history(snapshot, "A", "0814").rows) == 3
    assert store.undo(4).reinstated == 1
    assert LogScan(store.snapshot()).values(["misses"])["misses"] == ["1"]
    copy = store.backup(tmp_path / name / "copy")
    assert (copy.rows, copy.damaged) == (3 + 2, ())
    assert store.check().damaged == ()


@pytest.mark.parametrize("letter", ["%", "[", "]", "^"])
def test_where_no_store_can_be_that_is_said(tmp_path: Path, letter: str) -> None:
    folder = tmp_path / f"a{letter}20b"
    with pytest.raises(StoreError, match="no store can be in .*, since its path has a "):
        Store(folder, create=True)
    assert not folder.exists()
    with pytest.raises(StoreError, match="no store can be in "):
        Store(tmp_path / "good", create=True).backup(folder)
    assert not folder.exists()
