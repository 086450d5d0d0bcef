"""A store's files say the same to programs that know nothing of feedtally."""

from __future__ import annotations

import csv
from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pytest
from deltalake import DeltaTable

import data_samples

SUMS = ["cycles", "misses", "doubles"]


@pytest.fixture(scope="module")
def expected() -> dict[str, tuple[int, ...]]:
    """Add the sample file up, tower by tower, as its format says; no code under test."""
    sums: dict[str, list[int]] = {}
    with (data_samples.folder() / "runs.csv").open(encoding="utf-8", newline="") as file:
        for line in csv.DictReader(file):
            bins = 0
            for token in line["bin"].replace("?", "").split():
                first, _, last = token.partition("-")
                bins += int(last or first) - int(first) + 1
            held = sums.setdefault(line["tower"], [0, 0, 0])
            held[0] += int(line["cycles"] or 0) * bins
            for place, kind in enumerate(("misses", "doubles"), 1):
                held[place] += 0 if line[kind] == "off" else int(line[kind])
    return {tower: tuple(held) for tower, held in sums.items()}


@pytest.fixture
def files(sample_store: Path) -> list[str]:
    return DeltaTable(str(sample_store / "runs")).file_uris()


def test_duckdb_reads_them(files: list[str], expected: dict[str, tuple[int, ...]]) -> None:
    rows = duckdb.execute(
        "select tower, sum(cycles), sum(misses), sum(doubles) from read_parquet(?) "
        "where until is null group by tower",
        [files],
    ).fetchall()
    assert {tower: tuple(map(int, sums)) for tower, *sums in rows} == expected


def test_pandas_reads_them(files: list[str], expected: dict[str, tuple[int, ...]]) -> None:
    log = pd.concat(pd.read_parquet(file) for file in files)
    sums = log[log["until"].isna()].groupby("tower")[SUMS].sum()
    assert {
        str(t): tuple(map(int, row)) for t, row in zip(sums.index, sums.to_numpy(), strict=True)
    } == expected


def test_polars_reads_them(files: list[str], expected: dict[str, tuple[int, ...]]) -> None:
    log = pl.scan_parquet(files).filter(pl.col("until").is_null())
    sums = log.group_by("tower").agg(pl.col(SUMS).sum()).collect()
    assert {row["tower"]: tuple(row[name] for name in SUMS) for row in sums.to_dicts()} == expected


def test_polars_reads_the_table_by_its_name(
    sample_store: Path, expected: dict[str, tuple[int, ...]]
) -> None:
    log = pl.read_delta(str(sample_store / "runs")).filter(pl.col("until").is_null())
    sums = log.group_by("tower").agg(pl.col(SUMS).sum())
    assert {row["tower"]: tuple(row[name] for name in SUMS) for row in sums.to_dicts()} == expected
