"""Who is getting worse, of a large works: from cold, and after one more day of runs.

Run as ``python -m tests.benchmarks.drift [--rows ROWS] [--small]``. The logs of a fleet of 60
towers over two years are taken in, and `answers.drift` is asked for both kinds, in a process of its
own: first with nothing kept; then, after a day of new runs was added, with what was kept of the
months before; then once more from cold, which must say the same. Times, memory and the ratio of
both are printed.
"""

from __future__ import annotations

import argparse
import csv
import json
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

from analysis import answers, taking_in
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.store import Store
from tests.benchmarks.conditions import TOWERS, _peak, stored

#: What is asked in a process of its own, with nothing kept or with what is there.
_COLD, _KEPT = "cold", "kept"


def asked(store: Path) -> dict[str, object]:
    """Ask who is getting worse; say what it took and, in short, what was said."""
    begin, busy = time.perf_counter(), time.process_time()
    opened = Store(store)
    found = answers.drift(LogScan(opened.snapshot()), Filters(), kept=store / "kept")
    took, worked = time.perf_counter() - begin, time.process_time() - busy
    said = [
        (s.tower, s.bin, s.kind, s.observed, round(s.expected, 6), round(s.statistic, 6))
        + tuple(str(alarm.alarmed_at) for alarm in s.alarms)
        for s in found.monitored
    ]
    return {
        "seconds": took,
        "of processors": worked,
        "megabytes": _peak(),
        "streams": len(found.monitored),
        "alarms": sum(len(s.alarms) for s in found.monitored),
        "rows": found.account.rows,
        "said": sorted(map(repr, said)),
    }


def _in_a_process(store: Path, how: str) -> dict[str, object]:
    if how == _COLD:
        shutil.rmtree(store / "kept" / "drift", ignore_errors=True)
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.drift", "--ask", str(store)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise AssertionError(done.stderr)
    said: dict[str, object] = json.loads(done.stdout)
    print(
        f"{how:5} {said['seconds']:7.2f} s ({said['of processors']:.2f} s of processors), "
        f"{said['megabytes']:,.0f} MB at most: {said['rows']:,} rows, {said['streams']:,} streams, "
        f"{said['alarms']:,} alarms",
        flush=True,
    )
    return said


def one_more_day(runs: Path, to: Path) -> int:
    """Write the runs of the log's last day once more, a day later and under other names."""
    with runs.open(newline="") as file:
        rows = list(csv.DictReader(file))
    last = max(row["started"] for row in rows)[:10]
    again = [dict(row) for row in rows if row["started"].startswith(last)]
    for row in again:
        row["run"] = f"{row['run']}x"
        for name in ("started", "ended"):
            if row[name]:
                later = datetime.fromisoformat(row[name]) + timedelta(days=1)
                row[name] = later.isoformat(timespec="minutes")
    with to.open("w", newline="") as file:
        table = csv.DictWriter(file, list(again[0]))
        table.writeheader()
        table.writerows(again)
    return len(again)


def main(rows: int, towers: int = TOWERS, days: int = 730) -> None:
    """Print what both take, and their ratio."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        store = stored(folder, rows, towers, days)
        cold = _in_a_process(store, _COLD)
        added = one_more_day(folder / "runs.csv", folder / "day.csv")
        taking_in.add(store, [folder / "day.csv"])
        print(f"{added:,} lines of one more day")
        kept = _in_a_process(store, _KEPT)
        again = _in_a_process(store, _COLD)
        if kept["said"] != again["said"]:
            raise AssertionError("what was kept says something else than the whole log")
    before, after = float(str(cold["seconds"])), float(str(kept["seconds"]))
    print(
        f"ratio {after / before:.3f} (a day costs {before / after:.1f} times less than all of it)"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rows", type=int, default=850_000)
    parser.add_argument("--small", action="store_true", help="a few rows, to keep it alive")
    parser.add_argument("--ask", type=Path, metavar="STORE", help=argparse.SUPPRESS)
    words = parser.parse_args()
    if words.ask:
        print(json.dumps(asked(words.ask)))
    elif words.small:
        main(12_000, towers=2, days=250)
    else:
        main(words.rows)
