"""Sums of runs against a recount with plain loops, and kept sums against asked ones."""

from __future__ import annotations

import datetime as dt
import random
from collections import defaultdict

import pyarrow as pa
import pytest

from analysis.counts import LogScan, account_of
from analysis.filters import Filters, parse_filters
from analysis.intake import read_bytes
from analysis.log_format import FAULT_KINDS
from analysis.run_sums import summed_runs
from analysis.store import Store

HEADER = "run,stretch,started,tower,bin,cycles,misses,doubles,stock,humidity_pct"
MIDDLE = dt.datetime(2031, 3, 11)

#: tower, run, day, bin (None: not noted), cycles, misses, doubles (None: off), stock, humidity.
Row = tuple[str, str, int, int | None, int, int | None, int | None, str, str]


def drawn() -> list[Row]:
    draw = random.Random(15)
    rows: list[Row] = []
    for tower in "AB":
        for run in range(12):
            for stretch in (1, 2):
                day = run + 1 + (stretch - 1) * draw.randrange(2)
                off = draw.random() < 0.2
                stock, air = draw.choice(["P1", "P2", ""]), draw.choice(["45", ""])
                for number in (1, 2, 3):
                    if draw.random() < 0.1:
                        continue
                    cycles = draw.randrange(100, 9000)
                    misses = None if off else draw.randrange(3)
                    place = (tower, f"{run}/{stretch}", day, number)
                    rows.append((*place, cycles, misses, draw.randrange(2), stock, air))
    return rows


ROWS = drawn()


@pytest.fixture
def scan(store: Store) -> LogScan:
    lines = [
        f"{run.partition('/')[0]},{run.partition('/')[2]},2031-03-{day:02}T08:05,{tower},{number},"
        f"{cycles},{'off' if misses is None else misses},{doubles},{stock},{air}"
        for tower, run, day, number, cycles, misses, doubles, stock, air in ROWS
    ]
    parsed = read_bytes("\n".join([HEADER, *lines, ""]).encode(), "log.csv")
    assert not parsed.rejected
    store.add(parsed)
    return LogScan(store.snapshot())


def feeds_of(row: Row, kind: str) -> int:
    watched = {"misses": row[5:6], "doubles": row[6:7], "faults": row[5:7]}[kind]
    return 0 if None in watched else row[4]


def by_hand(kind: str, group: int | None, rows: list[Row]) -> dict[tuple[object, str], list[int]]:
    """Feeds, squares and runs by group and tower."""
    fed: dict[tuple[object, str], dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for row in rows:
        key = (None if group is None else row[group] or None, row[0])
        fed[key][row[1].partition("/")[0]] += feeds_of(row, kind)
    return {
        key: [
            sum(runs.values()),
            sum(feeds**2 for feeds in runs.values()),
            sum(feeds > 0 for feeds in runs.values()),
        ]
        for key, runs in fed.items()
    }


@pytest.mark.parametrize("kind", FAULT_KINDS)
@pytest.mark.parametrize(("by", "at"), [((), None), (("bin",), 3), (("stock",), 7)])
def test_sums_are_those_of_a_recount(
    scan: LogScan, kind: str, by: tuple[str, ...], at: int | None
) -> None:
    found = scan.sums(by, Filters())
    told = {
        (row[by[0]] if by else None, row["of_tower"]): [
            row[f"feeds_{kind}"],
            row[f"squares_{kind}"],
            # Runs that had a fault and no feeds watched for it are none here.
            row[f"runs_{kind}"],
        ]
        for row in found.to_pylist()
    }
    assert told == by_hand(kind, at, ROWS)


def test_counts_by_run_add_up_to_the_same(scan: LogScan) -> None:
    asked = scan.sums(("stock",), Filters())
    added = summed_runs(scan.by_run(("stock",), Filters()), ("stock",))
    assert asked.select(added.column_names).cast(added.schema).equals(added)
    assert account_of(scan.sums((), Filters())) == scan.account(Filters())


@pytest.mark.parametrize("kind", FAULT_KINDS)
def test_a_bin_stands_beside_the_others_in_each_period(scan: LogScan, kind: str) -> None:
    table = scan.bins(Filters(), MIDDLE).to_pylist()
    for before in (True, False):
        rows = [row for row in ROWS if (row[2] < MIDDLE.day) == before]
        now = {(row["of_tower"], row["bin"]): row for row in table if row["before"] == before}
        for (tower, number), row in now.items():
            here = [r for r in rows if r[0] == tower and number in (None, r[3])]
            others = [r for r in rows if r[0] == tower and r[3] != number]
            assert row["whole"] == (number is None)
            assert row[f"feeds_{kind}"] == sum(feeds_of(r, kind) for r in here)
            if number is not None:
                whole = now[tower, None]
                squares = whole[f"squares_{kind}"] - 2 * row[f"with_{kind}"]
                squares += row[f"squares_{kind}"]
                by_run = by_hand(kind, None, others)
                assert squares == by_run[None, tower][1]
            else:
                longest: dict[str, dict[int | None, int]] = defaultdict(lambda: defaultdict(int))
                for r in here:
                    longest[r[1].partition("/")[0]][r[3]] += feeds_of(r, "faults")
                assert row["sets"] == sum(max(bins.values()) for bins in longest.values())
                assert row["no_humidity"] == sum(r[4] for r in here if not r[8])
                assert row["no_stock"] == sum(r[4] for r in here if not r[7])


def test_a_tower_out_of_kept_sums_is_as_it_is_asked_alone(scan: LogScan, store: Store) -> None:
    held = parse_filters(where=["tower=B", "stock=P1"])
    fresh = LogScan(store.snapshot())
    alone: list[pa.Table] = [fresh.sums(("bin",), held), fresh.bins(held, MIDDLE)]
    every = held.holding("tower")
    scan.sums(("bin",), every), scan.bins(every, MIDDLE)
    asked = scan.sums(("bin",), held), scan.bins(held, MIDDLE)
    for one, other in zip(alone, asked, strict=True):
        assert one.num_rows and one.to_pylist() == other.to_pylist()
