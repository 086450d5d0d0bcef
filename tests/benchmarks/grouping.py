"""Grouped counts of a long log against DuckDB itself on the same files, and against pandas.

Run as ``python -m tests.benchmarks.grouping [ROWS]``. DuckDB is given the least that answers: sums
of cycles, misses and doubles by the cheapest keys, nothing written out as text. All three have to
agree to the last count. Medians of rounds in which the sides take turns are printed, and how many
times as long each takes as the other: by the clock, which a busy machine upsets, and of processors.
The store is kept in the machine's folder for scratch files and used again.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.counts import LogScan
from analysis.filters import HUMIDITY_BANDS, Filters
from analysis.store import Store
from tests.benchmarks.big_store import build

SUMS = ("cycles", "misses", "doubles")
Table = dict[tuple[object, ...], tuple[int, ...]]


@dataclass(frozen=True)
class Grouping:
    """One grouping, as each side is asked for it."""

    by: tuple[str, ...]
    columns: tuple[str, ...]
    keys: str


GROUPINGS = (
    Grouping(
        ("tower", "bin", "month"),
        ("tower", "bin", "started"),
        # The month of a moment typed UTC would be that of the session's zone, and take longer.
        "tower, bin, date_trunc('month', make_timestamp(epoch_us(started)))",
    ),
    Grouping(
        ("stock", "humidity_band"),
        ("stock", "humidity_pct"),
        "stock, case when humidity_pct is null then 6 "
        "else greatest(2, least(7, floor(humidity_pct / 10)::tinyint)) - 2 end",
    ),
    Grouping(("set_vacuum", "stock"), ("set_vacuum", "stock"), "set_vacuum, stock"),
)


def ours(scan: LogScan, grouping: Grouping) -> pa.Table:
    """Count as every command and page does."""
    return scan.counts(grouping.by, Filters())


def bare(connection: duckdb.DuckDBPyConnection, grouping: Grouping) -> pa.Table:
    """Sum with DuckDB alone."""
    places = ", ".join(str(place + 1) for place in range(len(grouping.by)))
    return connection.sql(
        f"select {grouping.keys}, sum(cycles), sum(misses), sum(doubles) from log "
        f"where until is null group by {places}"
    ).to_arrow_table()


def with_pandas(files: tuple[str, ...], grouping: Grouping) -> pd.DataFrame:
    """Read the columns needed and sum with pandas."""
    names = [*dict.fromkeys([*grouping.columns, *SUMS, "until"])]
    frame = pq.ParquetDataset([*files]).read(columns=names).to_pandas()
    frame = frame[frame["until"].isna()]
    if "started" in names:
        frame["started"] = frame["started"].dt.tz_localize(None).dt.to_period("M")
    if "humidity_pct" in names:
        edges = [-1, 30, 40, 50, 60, 70, 101]
        bands = pd.cut(frame["humidity_pct"], edges, right=False).cat.codes
        # The code of no band is -1, which is the last of the bands.
        frame["humidity_pct"] = bands % len(HUMIDITY_BANDS)
    return frame.groupby([*grouping.columns], dropna=False)[[*SUMS]].sum().reset_index()


def _key(name: str, value: object) -> object:
    """Bring a key of any side to the form that ours has."""
    if value is None or value != value:
        return None
    if name == "month":
        return str(value)[:7]
    if name == "humidity_band" and not isinstance(value, str):
        return HUMIDITY_BANDS[int(str(value))]
    return int(str(value).removesuffix(".0")) if name == "bin" else value


def _table(grouping: Grouping, rows: list[list[object]]) -> Table:
    count = len(grouping.by)
    return {
        tuple(map(_key, grouping.by, row[:count])): tuple(int(v or 0) for v in row[count:])  # type: ignore[call-overload]
        for row in rows
    }


def _columns(table: pa.Table) -> list[list[object]]:
    return [list(row) for row in zip(*(c.to_pylist() for c in table.columns), strict=True)]


def agree(grouping: Grouping, scan: pa.Table, duck: pa.Table, frame: pd.DataFrame) -> None:
    """Raise where the three sides differ by a single count."""
    names = [*grouping.by, "feeds", "misses", "doubles"]
    found = _table(grouping, _columns(scan.select(names)))
    if found != _table(grouping, _columns(duck)):
        raise AssertionError(f"DuckDB counts {grouping.by} otherwise")
    if found != _table(grouping, frame.to_numpy(object).tolist()):
        raise AssertionError(f"pandas counts {grouping.by} otherwise")


def _timed(work: Callable[[], object]) -> tuple[float, float]:
    """Return how long some work took: by the clock, and of the processors."""
    begin, busy = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - begin, time.process_time() - busy


def main(rows: int = 20_000_000, rounds: int = 7, folder: Path | None = None) -> float:
    """Print the medians of each grouping; return the worst ratio of ours to DuckDB's."""
    folder = folder or Path(tempfile.gettempdir()) / f"feedtally-big-{rows}"
    snapshot = Store(build(folder, rows)).snapshot()
    files = snapshot.files["runs"]
    connection = duckdb.connect()
    listed = ", ".join(f"'{file}'" for file in files)
    connection.execute(f"create view log as select * from read_parquet([{listed}])")
    scan = LogScan(snapshot)
    print(f"{rows:,} rows in {len(files)} files, median of {rounds}")
    worst = 0.0
    for grouping in GROUPINGS:
        agree(
            grouping,
            ours(scan, grouping),
            bare(connection, grouping),
            with_pandas(files, grouping),
        )
        times: dict[str, list[tuple[float, float]]] = {"ours": [], "bare": []}
        for number in range(rounds):
            sides: list[tuple[str, Callable[[], object]]] = [
                ("ours", partial(ours, scan, grouping)),
                ("bare", partial(bare, connection, grouping)),
            ]
            for name, work in sides if number % 2 else sides[::-1]:
                times[name].append(_timed(work))
        framed = [_timed(partial(with_pandas, files, grouping)) for _ in range(min(rounds, 3))]
        scanned, alone, frame = (
            [statistics.median(side) for side in zip(*taken, strict=True)]
            for taken in (times["ours"], times["bare"], framed)
        )
        worst = max(worst, scanned[0] / alone[0])
        print(
            f"{', '.join(grouping.by):22} ours {scanned[0]:6.3f} s, DuckDB {alone[0]:6.3f} s, "
            f"pandas {frame[0]:6.2f} s; ours/DuckDB {scanned[0] / alone[0]:5.2f} "
            f"(of processors {scanned[1] / alone[1]:5.2f}), pandas/ours "
            f"{frame[0] / scanned[0]:5.1f}"
        )
    return worst


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
