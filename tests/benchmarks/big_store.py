"""A store of many rows, as a large works would have after some years, for measuring.

Run as ``python -m tests.benchmarks.big_store FOLDER [ROWS]``. Rows are drawn by numpy, not read
from files, and written through the store's own tables, so that 20 million take minutes and little
memory. The same rows and seed give the same log; a folder that holds it already is used again.
"""

from __future__ import annotations

import datetime as dt
import json
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
from deltalake import CommitProperties, DeltaTable, Transaction, WriterProperties, write_deltalake

from analysis.store import Store
from analysis.store_format import STORE_FORMAT

#: Rows of one intake of the store's long past, and of each of its last days.
CHUNK, DAY = 1_000_000, 5_000
#: How many of the last intakes are small ones, each a file of its own until the next compaction.
DAYS = 10

TOWERS = [f"T{number:02d}" for number in range(1, 61)]
STOCKS = [f"P{number:03d}" for number in range(1, 31)]
COATINGS = ["uncoated", "coated", "silk"]
PRINTED = ["unprinted", "offset", "toner", "inkjet"]
BINS = 10
FIRST_DAY = dt.datetime(2031, 1, 6, 6)
#: So that 10 million rows are six stretches of each tower a day.
YEARS = 8
#: Stretches of a tower's burn-in, its first ones; some 30,000 cycles.
PROOF = 6

_ZSTD = WriterProperties(compression="ZSTD")
_SETTINGS = {
    "set_spring": ["off", "low", "high"],
    "set_foot_rest": ["in", "out"],
    "set_foot_height": ["1", "2", "3"],
    "set_bleed_holes": ["0", "1", "2"],
    "set_vacuum": ["3", "4", "5", "6"],
    "set_blast": ["soft", "middle", "hard"],
    "set_speed": ["2000", "2400", "2800", "3200"],
}


def build(folder: Path, rows: int, seed: int = 7) -> Path:
    """Return a store of about so many rows in a folder: made now, or there already.

    Rows come in whole stretches of ten bins, so a few more than asked for may be stored.
    """
    plan = {"rows": rows, "seed": seed, "format": STORE_FORMAT}
    plan |= {"towers": len(TOWERS), "years": YEARS, "proof": PROOF}
    note = folder / "plan.json"
    store = folder / "store"
    if note.exists() and json.loads(note.read_text("utf-8")) == plan:
        return store
    if note.exists():
        # Made here, but of other rows or in an older layout.
        note.unlink()
        shutil.rmtree(store)
    if store.exists():
        raise SystemExit(f"{store} was not made here, or not finished; name a new folder")
    Store(store, create=True)
    number = 0
    for kind, table in _lists(store):
        number += 1
        _append(store, kind, table, number)
    for table in _runs(rows, seed):
        number += 1
        _append(store, "runs", table, number)
    note.write_text(json.dumps(plan), "utf-8")
    return store


def _append(store: Path, kind: str, table: pa.Table, number: int) -> None:
    """Write one intake: its own line, then its rows."""
    table = _filled(store, kind, {name: table[name] for name in table.column_names}, number)
    account = {"lines": table.num_rows, "added": table.num_rows, "rows_added": table.num_rows}
    entry = {
        "intake": pa.array([number], pa.int64()),
        "kind": pa.array([kind]),
        "file": pa.array([f"{kind}-{number}.csv"]),
        "sha256": pa.array([f"{number:064x}"]),
        "taken_at": pa.array([dt.datetime(2031, 1, 6, tzinfo=dt.UTC) + dt.timedelta(days=number)]),
        "account": pa.array([json.dumps(account)]),
    }
    for name, written in (("intakes", _filled(store, "intakes", entry, number)), (kind, table)):
        write_deltalake(
            str(store / name),
            written,
            mode="append",
            commit_properties=CommitProperties(app_transactions=[Transaction("feedtally", number)]),
            writer_properties=_ZSTD,
        )


def _filled(store: Path, name: str, columns: dict[str, pa.Array], number: int) -> pa.Table:
    """Bring columns into the table's own schema; what is not given is empty."""
    schema = pa.schema(DeltaTable(str(store / name)).schema().to_arrow())
    size = len(next(iter(columns.values())))
    if "file_line" in schema.names:
        columns["file_line"] = pa.array(np.arange(2, size + 2))
        columns["intake"] = pa.array(np.full(size, number, np.int64))
    if "extra" in schema.names:
        none = pa.array([], pa.string())
        columns["extra"] = pa.MapArray.from_arrays(np.zeros(size + 1, np.int32), none, none)
    arrays = [
        columns[field.name].cast(field.type)
        if field.name in columns
        else pa.nulls(size, field.type)
        for field in schema
    ]
    return pa.table(arrays, schema=schema)


def _lists(store: Path) -> Iterator[tuple[str, pa.Table]]:
    count = len(STOCKS)
    yield (
        "stocks",
        pa.table(
            {
                "stock": STOCKS,
                "grammage_gsm": [60.0 + 10 * (i % 20) for i in range(count)],
                "coating": [COATINGS[i % 3] for i in range(count)],
                "printed_by": [PRINTED[i % 4] for i in range(count)],
            }
        ),
    )
    yield (
        "towers",
        pa.table(
            {
                "tower": TOWERS,
                "site": ["North hall" if i % 2 else "South hall" for i in range(len(TOWERS))],
                "bins": [BINS] * len(TOWERS),
                "numbered_from": ["top"] * len(TOWERS),
            }
        ),
    )


def _runs(rows: int, seed: int) -> Iterator[pa.Table]:
    """Yield the run log in the order of time, one table an intake."""
    draw = np.random.default_rng(seed)
    stretches = -(-rows // BINS)
    small = min(DAYS, stretches * BINS // DAY // 2)
    ends = list(range(0, stretches - small * DAY // BINS, CHUNK // BINS))[1:]
    ends += [stretches - left * DAY // BINS for left in range(small, -1, -1)]
    begin = 0
    for end in ends:
        if end > begin:
            yield _stretches(draw, np.arange(begin, end), stretches)
        begin = end


def _stretches(draw: np.random.Generator, index: np.ndarray, of: int) -> pa.Table:
    """Draw stretches: three of four are a run of their own, the others follow the tower's last."""
    size = len(index)
    minutes = (index * (YEARS * 365 * 1440 / of)).astype(np.int64) + draw.integers(0, 30, size)
    tower = index % len(TOWERS)
    turn = index // len(TOWERS)
    second = turn % 4 == 3
    run = np.char.add("R", np.char.zfill((turn - second).astype(str), 7))
    # A job runs on one paper; what is set follows the paper, with a few of the crew's own ideas.
    stock = (turn - second + tower * 7) // 3 % len(STOCKS)
    humidity = np.round(50 + 15 * np.sin(minutes / 525_600 * 6.28) + draw.normal(0, 6, size))
    no_air = draw.random(size) < 0.34
    cycles = draw.integers(300, 9000, size)
    proved = turn < PROOF
    purpose = np.where(proved, 1, np.where(draw.random(size) < 0.02, 2, 0))
    start = np.datetime64(FIRST_DAY, "us").astype(np.int64) + minutes * 60_000_000
    length = draw.integers(20, 300, size) * 60_000_000

    rows = np.repeat(np.arange(size), BINS)
    many = len(rows)
    bins = np.tile(np.arange(1, BINS + 1), size)
    wear = 1 + (tower[rows] * 13 + bins * 7) % 10 / 5
    misses = draw.poisson(cycles[rows] * 3e-5 * wear)
    doubles = draw.poisson(cycles[rows] * 1.5e-5 * wear)
    # Now and then a detector is off, and now and then nobody noted the bin of a fault.
    off_misses, off_doubles = (np.repeat(draw.random(size) < 0.02, BINS) for _ in range(2))
    unnoted = draw.random(many) < 0.001

    def words(values: list[str], which: np.ndarray, empty: np.ndarray | None = None) -> pa.Array:
        codes = pa.array(which.astype(np.int32), mask=empty)
        return pa.DictionaryArray.from_arrays(codes, pa.array(values)).cast(pa.string())

    moment = pa.timestamp("us", "UTC")
    columns = {
        "run": pa.array(run).take(pa.array(rows)),
        "stretch": pa.array((1 + second)[rows]),
        "started": pa.array(start[rows]).cast(moment),
        "ended": pa.array((start + length)[rows]).cast(moment),
        "tower": words(TOWERS, tower[rows]),
        "bin": pa.array(bins, mask=unnoted),
        "cycles": pa.array(cycles[rows], mask=unnoted),
        "misses": pa.array(misses, mask=off_misses),
        "doubles": pa.array(doubles, mask=off_doubles),
        "purpose": words(["production", "burn-in", "set-up"], purpose[rows]),
        "proof": words(["when new"], np.zeros(many), ~proved[rows]),
        "stock": words(STOCKS, stock[rows]),
        "lot": words([f"L{i:03d}" for i in range(997)], index[rows] // 11 % 997),
        "humidity_pct": pa.array(humidity[rows], mask=no_air[rows]),
        "temperature_c": pa.array(np.full(many, 21.0), mask=no_air[rows]),
        "prepared": words(["none", "fanned", "blown"], stock[rows] % 3),
        "stops": pa.array(draw.integers(0, 4, size)[rows], mask=bins > 1),
        "operator": words(["K", "L", "M", "N"], (index // 500 % 4)[rows]),
    }
    for place, (name, values) in enumerate(_SETTINGS.items()):
        own_idea = draw.random(size) < 0.05
        which = np.where(own_idea, draw.integers(0, len(values), size), stock + place)
        unlogged = draw.random(size) < 0.1
        columns[name] = words(values, which[rows] % len(values), unlogged[rows])
    return pa.table(columns)


if __name__ == "__main__":
    print(build(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 20_000_000))
