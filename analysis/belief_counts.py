"""What does a scan hold that `analysis.belief` looks at: runs, their bins, their stretches?

Counts by run come in with the models of conditions that say what was to be expected of them; arrays
go out, one entry per run, per run and bin, and per stretch.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analysis.ages import Ages
from analysis.belief_log import RunBins, Runs, Stretches
from analysis.conditions import Conditions
from analysis.regression_terms import FloatArray, IntArray


def read_counts(
    counts: pa.Table, conditions: Mapping[str, Conditions], ages: Ages | None = None
) -> tuple[Runs, RunBins]:
    """Lay out runs, and their bins, with what was to be expected of them.

    Parameters
    ----------
    counts : pyarrow.Table
        By run, by `analysis.conditions_levels.COLUMNS` and the settings of the models.
    conditions : mapping of str to Conditions
        Of misses and of doubles. Of a kind that is missing nothing is expected.
    ages : Ages, optional
        Of parts, in the rows of `counts`.
    """
    expected = np.zeros(counts.num_rows)
    without_air = np.zeros(counts.num_rows)
    for found in conditions.values():
        rows = found.model.rows(counts, ages)
        air = found.model.effects_of(rows)["air"]
        mean = found.model.expected(rows)
        expected[rows.kept] += mean
        without_air[rows.kept] += mean * np.exp(-air)
    tower, run = counts["of_tower"].to_pylist(), counts["of_run"].to_pylist()
    first, of_run = _numbered(counts, ("of_tower", "of_run"))
    bin_first, of_bin = _numbered(counts, ("of_tower", "of_run", "bin"))
    number = pc.fill_null(counts["bin"], 0).to_numpy().astype(np.int64)
    feeds = _summed(of_bin, counts["feeds"])
    runs_of_bins = of_run[bin_first]
    cycles = np.zeros(len(first), dtype=np.int64)
    np.maximum.at(cycles, runs_of_bins, feeds)
    started = np.full(len(first), np.datetime64("9999-12-31", "us"))
    np.minimum.at(started, of_run, counts["first"].to_numpy().astype("datetime64[us]"))
    logged = np.zeros(len(first), dtype=bool)
    logged[of_run[counts["humidity_pct"].is_valid().to_numpy()]] = True
    # A fault whose bin was not noted was counted all the same.
    faults = _summed(of_run, counts["misses"]) + _summed(of_run, counts["doubles"])
    return (
        Runs(
            tower=np.array([tower[row] for row in first]),
            run=np.array([run[row] for row in first]),
            started=started,
            expected=_sums(of_run, expected),
            faults=faults,
            humidity_logged=logged,
            expected_without_air=_sums(of_run, without_air),
            cycles=cycles,
        ),
        RunBins(
            tower=np.array([tower[row] for row in bin_first]),
            run=np.array([run[row] for row in bin_first]),
            bin=number[bin_first],
            cycles=feeds,
            misses=_summed(of_bin, counts["misses"]),
            doubles=_summed(of_bin, counts["doubles"]),
            expected=_sums(of_bin, expected),
        ),
    )


def read_stretches(counts: pa.Table) -> Stretches:
    """Lay out stretches with their cycles, from counts by run, ``stretch`` and ``bin``."""
    first, of_stretch = _numbered(counts, ("of_tower", "of_run", "stretch"))
    cycles = np.zeros(len(first), dtype=np.int64)
    np.maximum.at(cycles, of_stretch, counts["feeds"].to_numpy())
    tower, run = counts["of_tower"].to_pylist(), counts["of_run"].to_pylist()
    return Stretches(
        tower=np.array([tower[row] for row in first]),
        run=np.array([run[row] for row in first]),
        started=counts["first"].to_numpy().astype("datetime64[us]")[first],
        cycles=cycles,
    )


def read_every_run(counts: pa.Table) -> Runs:
    """Lay out runs with their cycles and nothing else, from counts by run and ``bin``."""
    first, of_run = _numbered(counts, ("of_tower", "of_run"))
    cycles = np.zeros(len(first), dtype=np.int64)
    np.maximum.at(cycles, of_run, counts["feeds"].to_numpy())
    started = np.full(len(first), np.datetime64("9999-12-31", "us"))
    np.minimum.at(started, of_run, counts["first"].to_numpy().astype("datetime64[us]"))
    tower, run = counts["of_tower"].to_pylist(), counts["of_run"].to_pylist()
    return Runs(
        tower=np.array([tower[row] for row in first]),
        run=np.array([run[row] for row in first]),
        started=started,
        expected=np.zeros(len(first)),
        faults=np.zeros(len(first), dtype=np.int64),
        cycles=cycles,
    )


def _numbered(counts: pa.Table, columns: tuple[str, ...]) -> tuple[IntArray, IntArray]:
    """Return a first row of each combination of some columns, and each row's combination."""
    key = np.zeros(counts.num_rows, dtype=np.int64)
    for name in columns:
        coded = counts[name].combine_chunks().dictionary_encode(null_encoding="encode")
        codes = coded.indices.to_numpy(zero_copy_only=False).astype(np.int64)
        _, key = np.unique(key * max(len(coded.dictionary), 1) + codes, return_inverse=True)
    _, first, number = np.unique(key, return_index=True, return_inverse=True)
    return first.astype(np.int64), number.astype(np.int64)


def _summed(codes: IntArray, column: pa.ChunkedArray) -> IntArray:
    return np.rint(np.bincount(codes, column.to_numpy())).astype(np.int64)


def _sums(codes: IntArray, values: FloatArray) -> FloatArray:
    return np.bincount(codes, values).astype(np.float64)
