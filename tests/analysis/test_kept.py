"""Answers that are kept: few, worked out once, and a slow one holds up nobody else."""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import SimpleNamespace

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


class _Watched:
    """A lock that tells when somebody has to wait for it."""

    def __init__(self, waiting: threading.Semaphore) -> None:
        self._lock, self._waiting = threading.Lock(), waiting

    def __enter__(self) -> None:
        if not self._lock.acquire(blocking=False):
            self._waiting.release()
            self._lock.acquire()

    def __exit__(self, *error: object) -> None:
        self._lock.release()


def test_who_asks_after_a_failure_waits_for_who_tries_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    waiting = threading.Semaphore(0)
    watched = SimpleNamespace(Lock=lambda: _Watched(waiting))
    monkeypatch.setattr("analysis.kept.threading", watched)
    kept: Kept[str, str] = Kept(3)
    failing, fail, trying, go = (threading.Event() for _ in range(4))
    found: list[str] = []

    def fails() -> str:
        failing.set()
        assert fail.wait(60)
        raise ValueError

    def tries() -> str:
        trying.set()
        assert go.wait(60)
        return "tried again"

    def refused() -> None:
        with pytest.raises(ValueError):
            kept.get("a", fails)

    def ask(make: Callable[[], str]) -> threading.Thread:
        thread = threading.Thread(target=lambda: found.append(kept.get("a", make)))
        thread.start()
        return thread

    first = threading.Thread(target=refused)
    first.start()
    assert failing.wait(60)
    second = ask(tries)
    assert waiting.acquire(timeout=60)
    fail.set()
    first.join(60)
    assert trying.wait(60)
    third = ask(lambda: "made twice")
    assert waiting.acquire(timeout=10)
    go.set()
    for thread in (second, third):
        thread.join(60)
    assert found == ["tried again", "tried again"]
    for other in ("b", "c"):
        kept.get(other, str)
    assert all(key in kept for key in ("a", "b", "c"))
