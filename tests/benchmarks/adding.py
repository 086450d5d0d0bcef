"""Adding a day's rows to a small and to a large store: does the command slow down as a log grows?

Run as ``python -m tests.benchmarks.adding [ROWS ...]`` (100,000, 1,000,000 and 20,000,000 when
absent). The whole command is timed, from its start to its exit, on each store in turn; the medians
and their ratios to the smallest store are printed.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.big_store import BINS, TOWERS, build

NEW_ROWS = 1_000


def day(path: Path, number: int) -> Path:
    """Write a log of new rows, of runs that no store has."""
    lines = ["run,started,tower,bin,cycles,misses,doubles,stock,humidity_pct"]
    for run in range(NEW_ROWS // BINS):
        tower = TOWERS[run % len(TOWERS)]
        start = f"2040-01-{1 + number % 28:02d}T{6 + run % 12:02d}:{run % 60:02d}"
        lines += [
            f"new-{number}-{run},{start},{tower},{b},4180,{int(run % 7 == b)},0,P001,{40 + b}"
            for b in range(1, BINS + 1)
        ]
    path.write_text("\n".join([*lines, ""]), "utf-8")
    return path


def timed(log: Path, store: Path) -> float:
    """Run the command and return its seconds."""
    command = [sys.executable, "-m", "dashboard", "add", str(log), "--store", str(store)]
    begin = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    took = time.perf_counter() - begin
    if f"= {NEW_ROWS:,} added" not in done.stdout:
        raise AssertionError(done.stdout + done.stderr)
    return took


def main(sizes: tuple[int, ...] = (100_000, 1_000_000, 20_000_000), rounds: int = 9) -> float:
    """Print the median of each store; return the ratio of the largest to the smallest."""
    kept = Path(tempfile.gettempdir())
    with tempfile.TemporaryDirectory() as scratch:
        here = Path(scratch)
        stores = {}
        for size in sizes:
            made = build(kept / f"feedtally-big-{size}", size)
            stores[size] = Path(shutil.copytree(made, here / str(size)))
        times: dict[int, list[float]] = {size: [] for size in sizes}
        # The first round is not counted: the store has not yet counted what it holds.
        for number in range(rounds + 1):
            for size, store in stores.items():
                took = timed(day(here / "day.csv", number), store)
                if number:
                    times[size].append(took)
    medians = {size: statistics.median(found) for size, found in times.items()}
    print(f"whole command adding {NEW_ROWS:,} new rows, median of {rounds}")
    for size, median in medians.items():
        print(f"{size:>12,} rows  {median:6.2f} s   ratio {median / medians[sizes[0]]:5.2f}")
    return medians[sizes[-1]] / medians[sizes[0]]


if __name__ == "__main__":
    sizes = tuple(int(word) for word in sys.argv[1:])
    main(*([sizes] if sizes else []))
