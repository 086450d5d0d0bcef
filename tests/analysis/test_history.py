"""Corrections, undo and the log as it stood: nothing that was ever stored is lost."""

from __future__ import annotations

import datetime as dt
import shutil
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
        with pytest.raises(StoreError, match="intake 1 is taken back already; feedtally undo 2"):
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
        with pytest.raises(
            StoreError, match="intake 1 is taken back already; feedtally undo 2 brings it back"
        ):
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
    min_size=3,
    max_size=8,
)


@settings(max_examples=8)
@given(acts=_ACTS)
def test_any_acts_leave_what_a_plain_list_of_them_says(
    tmp_path_factory: pytest.TempPathFactory, empty_store: Path, acts: list[tuple[object, ...]]
) -> None:
    """Hold the store to a model in plain Python, in which every intake is a layer over the others.

    What stands of a bin is what the newest layer says that is not taken back.
    """
    folder = tmp_path_factory.mktemp("acts") / "store"
    store = Store(Path(shutil.copytree(empty_store, folder)))
    layers: dict[int, dict[int, int]] = {}
    undoes: dict[int, int] = {}

    def undone(number: int) -> bool:
        return any(target == number and not undone(undo) for undo, target in undoes.items())

    def standing() -> dict[int, tuple[int, int]]:
        found: dict[int, tuple[int, int]] = {}
        for number in sorted(layers):
            if not undone(number):
                found.update({b: (count, number) for b, count in layers[number].items()})
        return found

    for act in acts:
        before, number = standing(), len(layers) + len(undoes) + 1
        if act[0] == "add":
            _, bins, count = act
            lines = (f"1,2031-03-14T08:05,A,{b},90,{count},0" for b in sorted(bins))
            done = store.add(read(run_log(*lines)))
            said = {b: count for b in bins if b not in before or before[b][0] != count}
            assert done.intake == (number if said else None)
            if said:
                layers[number] = said
        else:
            target = act[1]
            undoes[number] = target
            if target >= number:
                words = "there is no intake"
            elif any(t == target and not undone(u) for u, t in undoes.items() if u != number):
                words = "is taken back already"
            else:
                words = "nothing of intake" if standing() == before else ""
            if words:
                del undoes[number]
                with pytest.raises(StoreError, match=words):
                    store.undo(target)
            else:
                assert store.undo(target).intake == number
        assert misses(store) == {b: count for b, (count, _) in standing().items()}
    assert store.check().sound


def test_what_was_taken_back_does_not_stand_again_under_what_corrected_it(store: Store) -> None:
    store.add(read(run_log()))
    store.add(read(run_log(FIVE)))
    store.undo(1)
    assert misses(store) == {2: 5}
    store.undo(2)
    assert misses(store) == {}
    store.undo(3)
    assert misses(store) == {1: 1, 2: 1, 3: 1}


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

    def test_a_change_of_the_last_digit_is_told(self, store: Store) -> None:
        header = RUNS_HEADER + ",humidity_pct"
        for air in ("45.12345", "45.12346"):
            store.add(read(run_log(f"{LINE.format(1)},{air}", header=header)))
        (row,) = run_history(store.snapshot(), "A", "0814").rows
        assert row.changes[1].changed == {"humidity_pct": ("45.12345", "45.12346")}

    def test_a_run_that_never_was_is_a_sentence(self, store: Store) -> None:
        found = run_history(store.snapshot(), "A", "none")
        assert found.rows == ()
        assert found.sentence() == "There is no run none of tower A in the log."

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
        assert all(entry.stored for entry in told.entries)
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


def test_an_undo_that_was_itself_taken_back_holds_nothing_back(store: Store) -> None:
    store.add(read(run_log()))
    store.undo(1)
    store.undo(2)
    told = {entry.intake: entry.undone_by for entry in intakes(store.snapshot()).entries}
    assert told == {1: None, 2: 3, 3: None}


def test_an_intake_that_was_broken_off_is_said_to_have_stored_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*arguments: object, **options: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("analysis.commits.write_rows", broken)
        with pytest.raises(StoreError, match="nothing of log.csv was stored"):
            store.add(read(run_log()))
    store.add(read(run_log()))
    assert [(e.intake, e.stored) for e in intakes(store.snapshot()).entries] == [
        (2, True),
        (1, False),
    ]
