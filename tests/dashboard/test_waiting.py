"""A slow question of one reader does not keep another from an answer."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from analysis import answers
from analysis.filters import Filters
from analysis.intake import read_bytes
from analysis.store import Store
from dashboard.data import Data
from dashboard.lane import SLOW_AT_ONCE, SLOW_WAITING, BusyError
from dashboard.server import THREADS
from tests.conftest import run_log


class Held:
    """A slow answer that comes when it is told to."""

    def __init__(self) -> None:
        self.begun = threading.Semaphore(0)
        self.go = threading.Event()

    def __call__(self, *asked: object, **how: object) -> str:
        self.begun.release()
        assert self.go.wait(60)
        return "answered"


@pytest.fixture
def data(store: Store) -> Data:
    store.add(read_bytes(run_log(), "log.csv"))
    return Data(store.folder)


def started(ask: Callable[[], object]) -> threading.Thread:
    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    return thread


def test_others_are_answered_while_drift_is_worked_out(
    data: Data, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = Held()
    monkeypatch.setattr(answers, "drift", slow)
    thread = started(lambda: data.drift(Filters()))
    assert slow.begun.acquire(timeout=60)
    assert data.overview(Filters()).account.rows == 3
    assert data.trends(Filters()).account.rows == 3
    assert not data.knows_drift(Filters())
    slow.go.set()
    thread.join(60)
    assert data.knows_drift(Filters())


def test_others_see_the_last_version_while_a_new_one_is_opened(
    data: Data, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert data.whole().rows == 3
    store.add(read_bytes(run_log("0815,2031-03-15T08:05,A,1,4517,1,0"), "more.csv"))
    slow, opens = Held(), data._open

    def held(stamp: tuple[object, ...]) -> object:
        slow()
        return opens(stamp)

    monkeypatch.setattr(data, "_open", held)
    thread = started(data.whole)
    assert slow.begun.acquire(timeout=60)
    assert data.whole().rows == 3
    slow.go.set()
    thread.join(60)
    assert data.whole().rows == 4


def test_slow_questions_leave_threads_to_the_quick_ones(
    data: Data, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert SLOW_AT_ONCE + SLOW_WAITING < THREADS
    slow = Held()
    monkeypatch.setattr(answers, "set_up", slow)
    monkeypatch.setattr(data, "conditions", lambda *asked: None)
    asked = threading.Semaphore(0)

    def ask(number: int) -> None:
        asked.release()
        data.set_up(f"stock {number}")

    threads = [started(lambda n=n: ask(n)) for n in range(SLOW_AT_ONCE)]  # type: ignore[misc]
    for _ in threads:
        assert slow.begun.acquire(timeout=60)
    # So many more may wait; with the places of all of them taken, one more is told to come again.
    monkeypatch.setattr(data._lane, "_inside", SLOW_AT_ONCE + SLOW_WAITING)
    with pytest.raises(BusyError, match="open the page again"):
        data.set_up("one too many")
    assert data.overview(Filters()).account.rows == 3
    slow.go.set()
    for thread in threads:
        thread.join(60)


def test_a_folder_is_read_anew_after_a_commit(data: Data, store: Store) -> None:
    before = data._stamp()
    assert data._stamp() == before
    store.add(read_bytes(run_log("0815,2031-03-15T08:05,A,1,4517,1,0"), "more.csv"))
    assert data._stamp() != before
