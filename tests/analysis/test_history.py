"""Corrections, undo and the log as it stood: nothing that was ever stored is lost."""

from __future__ import annotations

import datetime as dt
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.history import intakes, run_history
from analysis.intake import read_bytes
from analysis.snapshot import StoreError
from analysis.store import Store
from tests.conftest import LINE, RUNS_HEADER, read, run_log, stored

FIVE = "0814,2031-03-14T08:05,A,2,4517,5,0"
SIX = "0814,2031-03-14T08:05,A,2,4517,6,0"


def misses(store: Store) -> dict[object, object]:
    return {row["bin"]: row["misses"] for row in stored(store)}


def now() -> dt.datetime:
    # Two intakes may come within one tick of a coarse clock.
    time.sleep(0.005)
    moment = dt.datetime.now(dt.UTC)
    time.sleep(0.005)
    return moment


class TestUndo:
    def test_an_intake_of_new_rows_is_taken_out(self, store: Store) -> None:
        store.add(read(run_log()))
        store.add(read(run_log(LINE.format(4), LINE.format(5))))
        done = store.undo(2)
        assert (done.undone, done.intake, done.file) == (2, 3, "log.csv")
        assert (done.taken_out, done.reinstated, done.replaced_since) == (2, 0, 0)
        assert misses(store) == {1: 1, 2: 1, 3: 1}
        assert done.sentence() == (
            "Intake 2 (log.csv) is taken back: 2 rows taken out. Nothing is lost: feedtally undo 3 "
            "brings it back."
        )

    def test_a_correction_taken_back_brings_what_stood_before(self, store: Store) -> None:
        store.add(read(run_log()))
        store.add(read(run_log(FIVE, LINE.format(4))))
        done = store.undo(2)
        assert (done.taken_out, done.reinstated) == (2, 1)
        assert misses(store) == {1: 1, 2: 1, 3: 1}
        assert len(stored(store, past=True)) == 6

    def test_an_undo_can_be_taken_back_and_that_too(self, store: Store) -> None:
        store.add(read(run_log()))
        store.add(read(run_log(FIVE, LINE.format(4))))
        before, after = {1: 1, 2: 1, 3: 1}, {1: 1, 2: 5, 3: 1, 4: 1}
        number = 2
        for expected in (before, after, before, after):
            number = store.undo(number).intake
            assert misses(store) == expected

    def test_what_later_intakes_corrected_stays_as_they_say(self, store: Store) -> None:
        store.add(read(run_log()))
        store.add(read(run_log(SIX)))
        done = store.undo(1)
        assert (done.taken_out, done.reinstated, done.replaced_since) == (2, 0, 1)
        assert misses(store) == {2: 6}
        assert "1 row that later intakes corrected stays as they say" in done.sentence()

    def test_a_row_that_an_undo_brought_back_goes_with_the_intake_it_came_with(
        self, store: Store
    ) -> None:
        store.add(read(run_log()))
        store.add(read(run_log(FIVE)))
        store.add(read(run_log(SIX)))
        store.undo(3)
        assert misses(store)[2] == 5
        store.undo(2)
        assert misses(store)[2] == 1

    def test_the_file_can_be_added_again_after_it_was_taken_back(self, store: Store) -> None:
        store.add(read(run_log()))
        store.undo(1)
        assert not stored(store)
        assert store.add(read(run_log())).added == 3
        with pytest.raises(StoreError, match="nothing of intake 1 stands any more"):
            store.undo(1)

    def test_lists_and_services_are_taken_back_too(self, store: Store) -> None:
        store.add(read(b"tower,bins\nA,10\n"))
        store.add(read(b"tower,bins\nA,12\nB,8\n"))
        store.add(read(b"when,tower,part,action\n2031-01-01,A,brush,fitted\n"))
        store.undo(2)
        assert [(row["tower"], row["bins"]) for row in stored(store, "towers")] == [("A", 10)]
        store.undo(3)
        assert not stored(store, "services")

    def test_an_intake_that_never_was_is_a_sentence(self, store: Store) -> None:
        with pytest.raises(StoreError, match="there is no intake 1; the last one is 0"):
            store.undo(1)
        store.add(read(run_log()))
        with pytest.raises(StoreError, match="there is no intake 7; the last one is 1"):
            store.undo(7)

    def test_taken_back_twice_is_a_sentence_and_changes_nothing(self, store: Store) -> None:
        store.add(read(run_log()))
        store.undo(1)
        version = store.snapshot().version
        with pytest.raises(StoreError, match="nothing of intake 1 stands any more; see feedtally"):
            store.undo(1)
        assert store.snapshot().version == version


class TestAsOf:
    def test_the_log_is_read_as_it_stood(self, store: Store) -> None:
        moments = [now()]
        for act in (
            lambda: store.add(read(run_log())),
            lambda: store.add(read(run_log(FIVE, LINE.format(4)))),
            lambda: store.undo(2),
            lambda: store.add(read(run_log(SIX))),
        ):
            act()
            moments.append(now())
        expected = [
            {},
            {1: 1, 2: 1, 3: 1},
            {1: 1, 2: 5, 3: 1, 4: 1},
            {1: 1, 2: 1, 3: 1},
            {1: 1, 2: 6, 3: 1},
        ]
        for moment, counts in zip(moments, expected, strict=True):
            snapshot = store.snapshot(moment)
            with snapshot.connect() as connection:
                assert dict(connection.execute("select bin, misses from runs").fetchall()) == counts
        versions = {store.snapshot(moment).version for moment in moments}
        assert len(versions) == len(moments)


#: What a crew may do: add some bins with a count of misses, or take an intake back.
_ACTS = st.lists(
    st.tuples(st.just("add"), st.sets(st.integers(1, 4), min_size=1), st.integers(0, 3))
    | st.tuples(st.just("undo"), st.integers(1, 8)),
    min_size=1,
    max_size=8,
)


@settings(max_examples=25)
@given(acts=_ACTS)
def test_any_acts_leave_what_a_plain_list_of_them_says(
    tmp_path_factory: pytest.TempPathFactory, acts: list[tuple[object, ...]]
) -> None:
    """Hold the store to a model in plain Python, in which every intake is a layer over the others.

    A layer says for each bin what stood before it and what it says; taking it back lifts it out.
    """
    store = Store(tmp_path_factory.mktemp("acts") / "store", create=True)
    standing: dict[int, tuple[int, int]] = {}
    said: list[dict[int, tuple[tuple[int, int] | None, tuple[int, int] | None]]] = []
    for act in acts:
        if act[0] == "add":
            _, bins, count = act
            done = store.add(
                read(run_log(*(f"1,2031-03-14T08:05,A,{b},90,{count},0" for b in sorted(bins))))
            )
            number = len(said) + 1
            layer = {
                b: (standing.get(b), (count, number))
                for b in bins
                if b not in standing or standing[b][0] != count
            }
            if not layer:
                assert done.intake is None
                continue
        else:
            target = act[1]
            if target > len(said):
                with pytest.raises(StoreError, match="there is no intake"):
                    store.undo(target)
                continue
            # What stands by this intake goes, and what it replaced comes where nothing stands.
            its = {
                b: (held, said[target - 1][b][0])
                for b, held in standing.items()
                if b in said[target - 1] and held == said[target - 1][b][1]
            }
            gone = {
                b: (None, before)
                for b, (before, _) in said[target - 1].items()
                if before is not None and b not in standing
            }
            later = {b: pair for b, pair in standing.items() if pair[1] == target and b not in its}
            its.update(
                {b: (held, said[target - 1].get(b, (None,))[0]) for b, held in later.items()}
            )
            if not its and not gone:
                with pytest.raises(StoreError, match="nothing of intake"):
                    store.undo(target)
                continue
            store.undo(target)
            layer = {**its, **gone}
        said.append(layer)
        for b, (_, after) in layer.items():
            if after is None:
                standing.pop(b, None)
            else:
                standing[b] = after
        assert misses(store) == {b: pair[0] for b, pair in standing.items()}
    assert store.check().sound


class TestHistory:
    def test_a_run_tells_who_wrote_which_counts_when(self, store: Store) -> None:
        store.add(read_bytes(run_log(), "monday.csv"))
        store.add(read_bytes(run_log(FIVE), "mended.csv"))
        store.undo(2)
        found = run_history(store.snapshot(), "A", "0814")
        assert [row.bin for row in found.rows] == [1, 2, 3]
        added, mended, back = found.rows[1].changes
        assert (added.what, added.file, added.line, added.misses) == ("added", "monday.csv", 3, 1)
        assert (mended.what, mended.file, mended.line) == ("corrected", "mended.csv", 2)
        assert mended.changed == {"misses": ("1", "5")}
        assert (back.what, back.file, back.line, back.misses) == ("reinstated", "monday.csv", 3, 1)
        assert [c.intake for c in found.rows[1].changes] == [1, 2, 3]
        assert added.taken_at <= mended.taken_at <= back.taken_at
        assert found.sentence() == (
            "Run 0814 of tower A: 3 rows and 2 changes since, from monday.csv and mended.csv."
        )

    def test_a_row_taken_out_says_by_which_undo(self, store: Store) -> None:
        store.add(read(run_log(LINE.format(1))))
        store.undo(1)
        store.add(read(run_log(LINE.format(1))))
        (row,) = run_history(store.snapshot(), "A", "0814").rows
        assert [(c.what, c.intake) for c in row.changes] == [
            ("added", 1),
            ("taken out", 2),
            ("added", 3),
        ]

    def test_any_column_that_changed_is_told(self, store: Store) -> None:
        header = RUNS_HEADER + ",ended,humidity_pct,stock,moon"
        store.add(read(run_log(LINE.format(1) + ",2031-03-14T09:00,45.5,BO90,full", header=header)))
        store.add(read(run_log(LINE.format(1) + ",2031-03-14T09:30,,BO90,new", header=header)))
        (row,) = run_history(store.snapshot(), "A", "0814").rows
        assert row.changes[1].changed == {
            "ended": ("2031-03-14T09:00", "2031-03-14T09:30"),
            "humidity_pct": ("45.5", ""),
            "moon": ("full", "new"),
        }

    def test_a_run_that_never_was_is_a_sentence(self, store: Store) -> None:
        found = run_history(store.snapshot(), "A", "none")
        assert found.rows == ()
        assert found.sentence() == "There is no run none of tower A in the log, now or earlier."

    def test_intakes_are_told_last_first_with_what_took_them_back(self, store: Store) -> None:
        store.add(read_bytes(run_log(), "monday.csv"), zone="Europe/Vienna")
        store.add(read_bytes(b"tower\nA\n", "towers.csv"))
        moment = now()
        store.undo(1)
        told = intakes(store.snapshot())
        assert [(e.intake, e.kind, e.file, e.undoes, e.undone_by) for e in told.entries] == [
            (3, "runs", "monday.csv", 1, None),
            (2, "towers", "towers.csv", None, None),
            (1, "runs", "monday.csv", None, 3),
        ]
        assert told.entries[2].zone == "Europe/Vienna"
        assert told.entries[2].account["added"] == 3
        assert told.sentence() == "3 intakes, the last one the undo of intake 1."
        earlier = intakes(store.snapshot(moment))
        assert [(e.intake, e.undone_by) for e in earlier.entries] == [(2, None), (1, None)]
        assert run_history(store.snapshot(moment), "A", "0814").rows[0].changes[-1].what == "added"


def test_a_history_of_many_runs_is_read_for_one(store: Store, tmp_path: Path) -> None:
    lines = [f"{n},2031-03-14T08:05,{t},1,90,0,0" for n in range(30) for t in "AB"]
    store.add(read(run_log(*lines)))
    assert len(run_history(store.snapshot(), "B", "7").rows) == 1
