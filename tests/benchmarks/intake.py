"""Checking and adding a log against bare parsing and writing of the same file.

Run as ``python -m tests.benchmarks.intake [ROWS]``. Both sides run in this process, one after the
other, warm; the medians and their ratio are printed.
"""

from __future__ import annotations

import random
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import pyarrow.csv
import pyarrow.parquet

from analysis.intake import read_log
from analysis.store import Store

HEADER = (
    "run,stretch,started,ended,tower,bin,cycles,misses,doubles,purpose,stock,lot,humidity_pct,"
    "temperature_c,prepared,set_vacuum,set_speed,stops,operator,note"
)


def write_log(path: Path, rows: int, seed: int = 7) -> None:
    """Write a run log with so many rows: ten bins a run, ten towers, four years."""
    draw = random.Random(seed)
    stocks = ["BO90", "BT80", "LU60", "GO115", "CU250", "CO300"]
    with path.open("w", encoding="utf-8", newline="\n") as out:
        out.write(HEADER + "\n")
        for number in range(rows // 10):
            minute = number * 2 % 600
            day = number // 300
            date = f"20{31 + day // 336 % 60}-{1 + day // 28 % 12:02d}-{1 + day % 28:02d}"
            start = f"{date}T{6 + minute // 60:02d}:{minute % 60:02d}"
            end = f"{date}T{8 + minute // 60:02d}:{minute % 60:02d}"
            tower = "ABCDEFGHIJ"[number % 10]
            humidity = draw.randrange(25, 70) if draw.random() < 0.66 else ""
            cycles = draw.randrange(1500, 9000)
            for bin_number in range(1, 11):
                misses = int(draw.random() < 0.2)
                doubles = int(draw.random() < 0.1)
                note = "pile was damp" if draw.random() < 0.01 else ""
                out.write(
                    f"R{number:06d},1,{start},{end},{tower},{bin_number},{cycles},{misses},"
                    f"{doubles},production,{draw.choice(stocks)},L{number % 997},{humidity},22,"
                    f"fanned,5,2800,{'1' if bin_number == 1 else ''},K,{note}\n"
                )


def bare(path: Path, folder: Path) -> float:
    """Parse and write as the libraries do it, with no check of anything."""
    begin = time.perf_counter()
    table = pyarrow.csv.read_csv(path)
    pyarrow.parquet.write_table(table, folder / "bare.parquet")
    return time.perf_counter() - begin


def ours(path: Path, folder: Path) -> float:
    """Check the file, compare it with a store and add it."""
    shutil.rmtree(folder / "store", ignore_errors=True)
    store = Store(folder / "store", create=True)
    begin = time.perf_counter()
    parsed = read_log(path)
    account = store.add(parsed)
    took = time.perf_counter() - begin
    if account.rows_added != parsed.lines or account.rejected:
        raise AssertionError(f"the log was not taken in whole: {account}")
    return took


def main(rows: int = 1_000_000, rounds: int = 5) -> float:
    """Print both medians and their ratio; return the ratio."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        log = folder / "log.csv"
        write_log(log, rows)
        bare(log, folder)
        ours(log, folder)
        plain = statistics.median(bare(log, folder) for _ in range(rounds))
        whole = statistics.median(ours(log, folder) for _ in range(rounds))
        megabytes = log.stat().st_size / 1e6
    print(f"{rows:,} rows, {megabytes:.0f} MB, median of {rounds}")
    print(f"parse and write alone  {plain:6.2f} s")
    print(f"check and add          {whole:6.2f} s")
    print(f"ratio                  {whole / plain:6.2f}")
    return whole / plain


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
