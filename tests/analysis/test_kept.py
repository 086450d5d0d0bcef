"""Answers that are kept: few, worked out once, and a slow one holds up nobody else."""

from __future__ import annotations

import threading

import pytest

from analysis.kept import Kept


def test_the_last_used_are_kept_and_few() -> None:
    kept: Kept[str, object] = Kept(2)
    first = kept.get("a", object)
    kept.get("b", object)
    assert kept.get("a", object) is first
    kept.get("c", object)
    assert kept.get("a", object) is first
    assert "b" not in kept and "c" in kept


def test_who_asks_the_same_at_once_waits_for_one_answer() -> None:
    kept: Kept[str, int] = Kept()
    begun, go = threading.Event(), threading.Event()
    made: list[int] = []

    def make() -> int:
        begun.set()
        assert go.wait(60)
        made.append(1)
        return len(made)

    found: list[int] = []
    threads = [threading.Thread(target=lambda: found.append(kept.get("a", make))) for _ in range(3)]
    for thread in threads:
        thread.start()
    assert begun.wait(60)
    go.set()
    for thread in threads:
        thread.join(60)
    assert found == [1, 1, 1]


def test_a_slow_answer_holds_up_nobody_who_asks_something_else() -> None:
    kept: Kept[str, str] = Kept()
    begun, go = threading.Event(), threading.Event()

    def slow() -> str:
        begun.set()
        assert go.wait(60)
        return "slow"

    thread = threading.Thread(target=lambda: kept.get("slow", slow))
    thread.start()
    assert begun.wait(60)
    assert kept.get("quick", lambda: "quick") == "quick"
    assert "slow" not in kept
    go.set()
    thread.join(60)
    assert "slow" in kept


def test_an_answer_that_failed_is_asked_again() -> None:
    kept: Kept[str, int] = Kept()

    def fails() -> int:
        raise ValueError

    with pytest.raises(ValueError):
        kept.get("a", fails)
    assert kept.get("a", lambda: 7) == 7
