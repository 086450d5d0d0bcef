"""A small invented log of some weeks, as plain rows and as a store; every number is made up."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.counts import LogScan
from analysis.intake import read_bytes
from analysis.store import Store

#: A Monday; the log's last week begins six weeks later.
FIRST = dt.date(2031, 6, 2)
WEEKS = 7
LATEST = FIRST + dt.timedelta(days=7 * (WEEKS - 1))


@dataclass(frozen=True)
class Row:
    """A line of the run log: one bin of one stretch."""

    run: str
    started: dt.datetime
    tower: str
    bin: int
    cycles: int
    misses: int
    doubles: int
    stock: str
    purpose: str
    proof: str = ""


def rows(*, faults: bool = True, proof: bool = True, weeks: int = WEEKS) -> list[Row]:
    """Return a log of two towers of three bins, with a burn-in of tower A before it."""
    random = np.random.default_rng(20310602)
    made: list[Row] = []

    def run(day: dt.date, hour: int, tower: str, stock: str, purpose: str = "production") -> None:
        started = dt.datetime.combine(day, dt.time(hour, 15))
        cycles = int(random.integers(3_000, 6_000))
        for number in (1, 2, 3):
            misses, doubles = random.poisson([3e-4 * cycles, 2e-4 * cycles]).tolist()
            made.append(
                Row(
                    f"{len(made) + 1:04d}",
                    started,
                    tower,
                    number,
                    cycles,
                    misses if faults else 0,
                    doubles if faults else 0,
                    stock,
                    purpose,
                    "A-1" if purpose == "burn-in" else "",
                )
            )
        for place in (-2, -1):
            made[place] = Row(made[-3].run, *list(vars(made[place]).values())[1:])

    if proof:
        run(FIRST - dt.timedelta(days=5), 8, "A", "BO90", "burn-in")
        run(FIRST - dt.timedelta(days=4), 8, "A", "BO90", "burn-in")
    for week in range(weeks):
        for day in range(5):
            when = FIRST + dt.timedelta(days=7 * week + day)
            run(when, 7, "A", "BO90")
            run(when, 7, "B", "GO115" if day % 2 else "BO90")
            if day == 4:
                # The last minute of Friday and a Sunday night belong to the same week.
                run(when + dt.timedelta(days=2), 23, "A", "LU60", "production")
                run(when, 15, "B", "GO115", "set-up")
    return made


def run_log(lines: list[Row]) -> bytes:
    """Return rows as a run log."""
    names = ("run", "started", "tower", "bin", "cycles", "misses", "doubles", "stock", "purpose")
    text = [",".join((*names, "proof"))]
    for row in lines:
        cells = [getattr(row, name) for name in names]
        cells[1] = f"{row.started:%Y-%m-%dT%H:%M}"
        text.append(",".join([*map(str, cells), row.proof]))
    return "\n".join([*text, ""]).encode()


SERVICES = (
    "when,tower,bin,part,action,reason\n"
    "2031-06-01T08:00,A,1,brush,fitted,planned\n"
    "2031-06-01T08:00,A,2,brush,fitted,planned\n"
    "2031-07-09T06:00,A,1,brush,fitted,worn\n"
    "2031-07-09T06:05,A,2,brush,fitted,worn\n"
    "2031-07-15T06:00,B,3,suction foot,cleaned,\n"
)


def store_of(folder: Path, lines: list[Row], services: str = "") -> LogScan:
    """Put rows, and perhaps services, into a store and open it."""
    store = Store(folder, create=True)
    if lines:
        store.add(read_bytes(run_log(lines), "runs.csv"))
    if services:
        store.add(read_bytes(services.encode(), "services.csv"))
    return LogScan(store.snapshot())
