"""Logs and stores that many tests share."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest
from filelock import FileLock
from hypothesis import settings

import data_samples
from analysis import answers
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.intake import ParsedLog, read_bytes
from analysis.log_format import KINDS
from analysis.store import Store

# The same examples each time: a suite that passes here passes on the next machine too. A slow
# machine is no failure.
settings.register_profile("feedtally", derandomize=True, deadline=None)
settings.load_profile("feedtally")

RUNS_HEADER = "run,started,tower,bin,cycles,misses,doubles"
LINE = "0814,2031-03-14T08:05,A,{},4517,1,0"


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
def sample_store(tmp_path_factory: pytest.TempPathFactory, samples: Path) -> Path:
    """Return a store that holds the four sample logs; read it only."""
    folder: Path = tmp_path_factory.mktemp("samples") / "store"
    store = Store(folder, create=True)
    for name in data_samples.FILES:
        store.add(read_bytes((samples / name).read_bytes(), name))
    return folder


@pytest.fixture(scope="session")
def watched_months(tmp_path_factory: pytest.TempPathFactory, sample_store: Path) -> Path:
    """Return a folder of the months that drift has worked through of the samples; copy it.

    From cold they take as long as a whole file of tests, so that the first of the workers to ask
    for them works them out for all.
    """
    folder: Path = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        # A worker's own folder stands in that of the session.
        folder = folder.parent
    months, done = folder / "watched", folder / "watched.done"
    with FileLock(folder / "watched.lock"):
        if not done.exists():
            answers.drift(LogScan(Store(sample_store).snapshot()), Filters(), kept=months)
            done.touch()
    return months
