"""Logs and stores that many tests share."""

from __future__ import annotations

import gc
import hashlib
import os
import pickle
import shutil
from collections import OrderedDict
from collections.abc import Callable, Generator, Iterator
from contextlib import suppress
from functools import lru_cache
from itertools import count
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pytest
from _pytest.doctest import DoctestModule
from filelock import FileLock
from hypothesis import settings
from playwright.sync_api import Browser

import data_samples
from analysis import (
    answers,
    conditions_model,
    looks,
    regression,
    run_by_run,
    screens,
    snapshot,
)
from analysis.counts import LogScan
from analysis.engine import Here, Query
from analysis.filters import Filters
from analysis.intake import ParsedLog, read_bytes
from analysis.log_format import KINDS
from analysis.snapshot import Snapshot
from analysis.store import Store

# The same examples each time: a suite that passes here passes on the next machine too. A slow
# machine is no failure.
settings.register_profile("feedtally", derandomize=True, deadline=None)
settings.load_profile("feedtally")


@pytest.hookimpl(wrapper=True)
def pytest_collect_file(
    file_path: Path,
) -> Generator[None, list[pytest.Collector], list[pytest.Collector]]:
    """Look for examples where they are kept: docstrings of `analysis`, and none of tests.

    Else each file is gone through twice.
    """
    found = yield
    return [one for one in found if not isinstance(one, DoctestModule)]


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Look for garbage among what tests make, not among the thousands of tests and their modules.

    Those stay to the end: going through them again and again took a quarter of the time to collect.
    """
    gc.disable()
    try:
        return (yield)
    finally:
        gc.collect()
        gc.freeze()
        gc.enable()
        # Tests make much that is soon gone, and few rings of it.
        gc.set_threshold(50_000, 20, 20)


RUNS_HEADER = "run,started,tower,bin,cycles,misses,doubles"
LINE = "0814,2031-03-14T08:05,A,{},4517,1,0"

#: Numbers as a key: their bytes, and the shape of the array.
Packed = tuple[bytes, tuple[int, ...]]


def run_log(*lines: str, header: str = RUNS_HEADER) -> bytes:
    """Return a log of some lines, as bytes; without any, of three good ones."""
    lines = lines or tuple(LINE.format(number) for number in (1, 2, 3))
    return "\n".join([header, *lines, ""]).encode()


def read(raw: bytes, **options: object) -> ParsedLog:
    return read_bytes(raw, "log.csv", **options)  # type: ignore[arg-type]


def problems(parsed: ParsedLog) -> list[tuple[int, str]]:
    """Return line and column of every problem, in the order of the file."""
    return [(p.line, p.column) for line in parsed.rejected for p in line.problems]


def reasons(parsed: ParsedLog) -> list[str]:
    return [p.reason for line in parsed.rejected for p in line.problems]


def rows(parsed: ParsedLog) -> list[dict[str, object]]:
    """Return the accepted rows by line and bin; unknown columns as a dict."""
    return sorted(map(_plain, parsed.rows.table().to_pylist()), key=_place)


def stored(store: Store, kind: str = "runs", *, past: bool = False) -> list[dict[str, object]]:
    """Return the rows of one table of a store; with ``past``, the replaced ones too."""
    return _tables(store, kind, past=past)[0]


def everything(store: Store) -> str:
    """Return every row that was ever stored, whatever the files hold them in."""
    return repr(_tables(store, *KINDS, past=True))


def _tables(store: Store, *kinds: str, past: bool) -> list[list[dict[str, object]]]:
    found = []
    with store.snapshot().connect() as connection:
        for kind in kinds:
            name = f"all_{kind}" if past else kind
            table: pa.Table = connection.sql(f"select * from {name}").to_arrow_table()
            found.append(sorted(map(_plain, table.to_pylist()), key=repr))
    return found


def _plain(row: dict[str, object]) -> dict[str, object]:
    extra = row.get("extra")
    return {**row, "extra": dict(extra) if extra else {}}  # type: ignore[call-overload]


def _place(row: dict[str, object]) -> tuple[object, ...]:
    return row["file_line"], row.get("bin") or 0


@pytest.fixture(scope="session", autouse=True)
def boundaries_once() -> Iterator[None]:
    """Work out once where a plan's boundaries lie, to which judged burn-ins come again and again.

    They rest on nothing but what is given: a plan, feeds, a count. `tests/analysis/test_looks.py`
    and `test_screens.py` call the functions by their own names, as they are.
    """
    at_ends = lru_cache(256)(looks.looks)

    @lru_cache(1024)
    def failing(feeds: Packed, rate: float, risk: Packed) -> np.ndarray:
        counts = np.asarray(screens.failing_counts(_unpacked(feeds), rate, _unpacked(risk)))
        counts.flags.writeable = False
        return counts

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run_by_run, "bound_at_look", lru_cache(4096)(looks.bound_at_look))
        patch.setattr(
            run_by_run, "looks", lambda plan, feeds, more: at_ends(plan, tuple(feeds), more)
        )
        patch.setattr(
            run_by_run,
            "failing_counts",
            lambda feeds, rate, risk: failing(_packed(feeds), rate, _packed(risk)),
        )
        yield


def _packed(numbers: object) -> Packed:
    array = np.asarray(numbers, float)
    return array.tobytes(), array.shape


def _unpacked(held: Packed) -> np.ndarray:
    return np.frombuffer(held[0]).reshape(held[1])


class Known:
    """What was worked out, by what it rests on; the last so many."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._found: OrderedDict[object, Any] = OrderedDict()

    def get(self, key: object, make: Callable[[], Any]) -> Any:
        found = self._found.get(key)
        if found is None:
            found = self._found[key] = make()
            while len(self._found) > self._most:
                self._found.popitem(last=False)
        return found


@pytest.fixture(scope="session", autouse=True)
def fits_once() -> Iterator[None]:
    """Fit the same rows by the same terms once, whichever test or question they come from.

    A fit rests on nothing but what is given, and on how much is taken as large.
    `tests/analysis/test_regression.py` calls the function by its own name, as it is.
    """
    known = Known(48)

    def fit(*given: object, **more: object) -> regression.Fit:
        rests_on = pickle.dumps((given, more, regression._ROWS_TO_LEARN), protocol=5)
        key = hashlib.sha256(rests_on).digest()
        found: regression.Fit = known.get(key, lambda: regression.fit(*given, **more))  # type: ignore[arg-type]
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(conditions_model, "fit", fit)
        yield


class Connection:
    """A connection to a database of its own in memory, in an instance of DuckDB that others use.

    Whoever sets up how DuckDB is to go about it has an instance of his own, since that is for all.
    """

    _numbers = count()

    def __init__(self, start: Callable[[], duckdb.DuckDBPyConnection], shared: Any) -> None:
        self._start, self._shared = start, shared
        self._name = f"own{next(self._numbers)}"
        self._open = shared.cursor()
        self._open.execute(f"attach ':memory:' as {self._name}; use {self._name}")

    def cursor(self) -> Any:
        if not self._name:
            return self._open.cursor()
        cursor = self._shared.cursor()
        cursor.execute(f"use {self._name}")
        return cursor

    def execute(self, sql: str, *values: object) -> Any:
        if sql.startswith("set ") and self._name:
            self.close()
            self._open = self._start()
        return self._open.execute(sql, *values)

    def close(self) -> None:
        if self._name:
            self._open.execute(f"use memory; detach {self._name}")
            self._name = ""
        self._open.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._open, name)

    def __enter__(self) -> Connection:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def __del__(self) -> None:
        with suppress(duckdb.Error):
            self.close()


@pytest.fixture(scope="session", autouse=True)
def duckdb_started_once() -> Iterator[None]:
    """Start DuckDB once and not for each question, which takes longer than most of them do."""
    start = snapshot.connect
    shared = start()
    # What was read of a file that a test then spoils is read again.
    shared.execute("set enable_external_file_cache = false")
    with pytest.MonkeyPatch.context() as patch:
        for name in ("snapshot", "store", "commits", "health", "store_format", "comparing"):
            patch.setattr(f"analysis.{name}.connect", lambda: Connection(start, shared))
        yield


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with nothing in it; copy it, since that takes less time than making one."""
    folder: Path = tmp_path_factory.mktemp("empty") / "store"
    Store(folder, create=True)
    return folder


@pytest.fixture
def store(tmp_path: Path, empty_store: Path) -> Store:
    return Store(Path(shutil.copytree(empty_store, tmp_path / "store")))


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write a file into the test's folder and return its path."""

    def put(raw: bytes | str, name: str = "log.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(raw.encode() if isinstance(raw, str) else raw)
        return path

    return put


@pytest.fixture(scope="session")
def samples() -> Path:
    return data_samples.folder()


@pytest.fixture(scope="session")
def sample_store(tmp_path_factory: pytest.TempPathFactory, samples: Path) -> Iterator[Path]:
    """Return a store that holds the four sample logs; read it only."""

    def make(folder: Path) -> None:
        store = Store(folder, create=True)
        for name in data_samples.FILES:
            store.add(read_bytes((samples / name).read_bytes(), name))

    folder: Path = tmp_path_factory.mktemp("samples") / "store"
    shutil.copytree(_made_once(tmp_path_factory, "sampled", make), folder)
    with pytest.MonkeyPatch.context() as patch:
        _scanned_once(patch, folder)
        yield folder


def _scanned_once(patch: pytest.MonkeyPatch, folder: Path) -> None:
    """Open a store that nobody changes once, and ask it the same once; others as ever."""
    opened, ask = Here.__init__, Here.ask
    connections, answered = Known(8), Known(96)

    def open_(here: Here, snapshot: Snapshot) -> None:
        files = snapshot.files["runs"]
        if not (files and Path(files[0]).is_relative_to(folder)):
            opened(here, snapshot)
            return
        key = snapshot.intake, repr(sorted(snapshot.files.items()))
        here._connection = connections.get(key, snapshot.connect)
        here.known_as = key  # type: ignore[attr-defined]

    def asked(here: Here, query: Query) -> pa.Table:
        key = getattr(here, "known_as", None)
        return (
            answered.get((key, repr(query)), lambda: ask(here, query)) if key else ask(here, query)
        )

    patch.setattr(Here, "__init__", open_)
    patch.setattr(Here, "ask", asked)


@pytest.fixture(scope="session")
def watched_months(tmp_path_factory: pytest.TempPathFactory, sample_store: Path) -> Path:
    """Return a folder of the months that drift has worked through of the samples; copy it.

    From cold they take as long as a whole file of tests.
    """

    def make(folder: Path) -> None:
        answers.drift(LogScan(Store(sample_store).snapshot()), Filters(), kept=folder)

    return _made_once(tmp_path_factory, "watched", make)


def _made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """Return a folder that the first of the workers to ask for it makes for all."""
    top: Path = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        # A worker's own folder stands in that of the session.
        top = top.parent
    folder, done = top / name, top / f"{name}.done"
    with FileLock(top / f"{name}.lock"):
        if not done.exists():
            make(folder)
            done.touch()
    return folder


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Give the one browser of a process, wherever its pages are looked at."""
    from tests.browser.conftest import launched

    yield from launched()
