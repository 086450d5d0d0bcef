"""Counts of runs, added up into coarser groups.

What a scan counted by group and run serves for every coarser question, without another scan.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from analysis.log_format import FAULT_KINDS
from analysis.sums import RUN_SUMS, SUMMED

FloatArray = npt.NDArray[np.float64]


def regroup(counts: pa.Table, by: Sequence[str]) -> pa.Table:
    """Sum counts by run into coarser groups.

    Parameters
    ----------
    counts : pyarrow.Table
        As `analysis.counts.LogScan.by_run` gives them.
    by : sequence of str
        Some of its groups.

    Returns
    -------
    pyarrow.Table
        The same columns with the fewer groups, sorted.
    """
    keys = [*by, "of_tower", "of_run"]
    summed = counts.group_by(keys).aggregate([*((n, "sum") for n in SUMMED), ("first", "min")])
    names = [
        name.removesuffix("_sum") if name != "first_min" else "first"
        for name in summed.column_names
    ]
    return summed.rename_columns(names).sort_by([(key, "ascending") for key in keys])


def summed_runs(counts: pa.Table, by: Sequence[str]) -> pa.Table:
    """Sum counts by run into what `analysis.counts.LogScan.sums` gives, but for first and last.

    Parameters
    ----------
    counts : pyarrow.Table
        As `analysis.counts.LogScan.by_run` gives them.
    by : sequence of str
        Some of its groups.
    """
    runs = regroup(counts, by)
    for kind in FAULT_KINDS:
        feeds = runs[f"feeds_{kind}"]
        watched = pc.or_(pc.greater(feeds, 0), pc.greater(runs[kind], 0))
        runs = runs.append_column(f"runs_{kind}", pc.cast(watched, pa.int64()))
        squares = pc.multiply(pc.cast(feeds, pa.float64()), pc.cast(feeds, pa.float64()))
        runs = runs.append_column(f"squares_{kind}", squares)
    keys, names = [*by, "of_tower"], [*SUMMED, *RUN_SUMS]
    summed = runs.group_by(keys).aggregate([*((n, "sum") for n in names), ("of_run", "count")])
    called = {**{f"{name}_sum": name for name in names}, "of_run_count": "runs"}
    summed = summed.rename_columns([called.get(name, name) for name in summed.column_names])
    return summed.sort_by([(key, "ascending") for key in keys])


def counted(counts: pa.Table, kind: str) -> tuple[int, int]:
    """Give the faults of all rows together and the feeds that were watched for them.

    As those of `analysis.rates.pooled`, without the ranges, which take most of its time.

    Parameters
    ----------
    counts : pyarrow.Table
        As `analysis.counts.LogScan.by_run` or `analysis.counts.LogScan.counts` gives them.
    kind : str
        Kind of fault.
    """
    faults, feeds = counts[kind].to_numpy(), counts[f"feeds_{kind}"].to_numpy()
    return int(faults.sum()), int(feeds.sum())


def numbered(column: pa.ChunkedArray) -> tuple[list[str], npt.NDArray[np.intp]]:
    """Give each text of a column its number, in the order of the texts.

    Parameters
    ----------
    column : pyarrow.ChunkedArray of str
        None of them missing.

    Returns
    -------
    names : list of str
        Each text once, sorted; none for an empty column.
    number : int array
        For each entry, its place among the names.
    """
    found = column.combine_chunks().dictionary_encode()
    texts = np.array(found.dictionary.to_pylist(), object).astype(str)
    names, rank = np.unique(texts, return_inverse=True)
    number = rank[found.indices.to_numpy()] if len(rank) else np.array([], np.intp)
    return [str(name) for name in names], number.astype(np.intp)


def floats(column: pa.ChunkedArray) -> FloatArray:
    """Return a column of numbers as an array; none of them missing."""
    values: FloatArray = column.to_numpy().astype(np.float64)
    return values
