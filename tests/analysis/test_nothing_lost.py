"""The trials of `tests.slow.nothing_lost` in small: killed, crowded, full, and fed rubbish."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from tests.slow.fuzzing import Made, Maker, Tally, fuzz, records
from tests.slow.nothing_lost import disk, kills, limited, writers


def nothing_lost(tally: Tally) -> None:
    assert not tally.faults, "\n".join(tally.faults[:5])
    assert tally.offered == tally.stored + tally.rejected
    assert (tally.twice, tally.missing) == (0, 0)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL on this system")
def test_killed_at_any_moment_a_file_is_stored_whole_or_not_at_all(tmp_path: Path) -> None:
    tally = kills(tmp_path, 6, seed=5, most_rows=1000)
    nothing_lost(tally)
    assert tally.notes["kills"] == 6
    assert tally.notes["inside the commit"] > 0
    assert tally.notes["left all"] + tally.notes["left none"] == 6
    assert tally.rejected > 0


def test_two_writers_at_once_lose_nothing_and_store_nothing_twice(tmp_path: Path) -> None:
    tally = writers(tmp_path, 2, 5, seed=3)
    nothing_lost(tally)
    assert tally.notes["files"] == 10
    assert tally.rejected > 0


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files here")
def test_where_a_file_cannot_grow_the_store_is_as_it_was_and_says_so(tmp_path: Path) -> None:
    tally = limited(tmp_path, (0, 1500, 40_000))
    nothing_lost(tally)
    assert tally.notes["failed"] >= 6


def test_on_a_full_disk_the_store_is_as_it_was_and_goes_on_once_there_is_room(
    capfd: pytest.CaptureFixture[str],
) -> None:
    code = disk(6)
    said = capfd.readouterr()
    if code == 2:
        pytest.skip(said.out.strip())
    assert code == 0, said.out + said.err
    last = said.out.splitlines()[-1]
    counts = re.search(r"offered ([\d,]+) = stored ([\d,]+) \+ rejected ([\d,]+); (.*)", last)
    assert counts
    offered, stored, rejected = (int(counts[i].replace(",", "")) for i in (1, 2, 3))
    assert offered == stored + rejected
    assert counts[4] == "twice 0; missing 0"


def test_of_forty_good_and_spoilt_files_every_line_is_accounted_for(tmp_path: Path) -> None:
    tally = fuzz(tmp_path, 40, seed=2, look=8, again=8)
    nothing_lost(tally)
    assert tally.notes["files"] == 40
    assert tally.notes["added again"] >= 3
    # Most files can be counted by a second reader; a few are refused as a whole.
    assert tally.notes["counted"] > 24
    assert 0 < tally.notes["refused whole"] < 8


def test_the_same_seed_makes_the_same_files() -> None:
    one, other = Maker(4), Maker(4)
    assert [one.make() for _ in range(30)] == [other.make() for _ in range(30)]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (b"stock\nBO90\n\n  \nBT80", [(2, ["BO90"]), (5, ["BT80"])]),
        (b'stock\r"BO\r90"\rBT80\r', [(2, ["BO\r90"]), (4, ["BT80"])]),
        (b'stock\n"BO90\nBT80\n', None),
        (b"stocks\nBO90\n", None),
        (b"stock\nM\xfcller \x81\n", [(2, ["Müller \x81"])]),
    ],
)
def test_records_are_counted_by_rule_or_not_at_all(
    text: bytes, found: list[tuple[int, list[str]]] | None
) -> None:
    assert records(Made(text, "stocks", "stock", ",", True)) == found


def test_a_lost_row_a_row_too_many_and_a_changed_row_are_each_found() -> None:
    key, row = ("A", "0814", 1, 3), (0, 4517, 1, 0, "")
    for found, missing in (
        ({}, 1),
        ({key: row, ("B", *key[1:]): row}, 0),
        ({key: (*row[:4], "x")}, 0),
    ):
        tally = Tally()
        tally.compare(found, {key: row}, "here")
        assert tally.missing == missing
        assert len(tally.faults) == 1
        assert not tally.good
    assert not Tally(offered=3, stored=1, rejected=1).good
    assert Tally(offered=3, stored=1, rejected=2).good
