"""What was there in each run of each bin of a month, and what was to be expected of it?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.conditions_levels import encoded
from analysis.learnt import Learnt
from analysis.stream_months import KINDS, bin_of_rows, started_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Rows:
    """Rows of a scan, brought to bins of runs.

    Attributes
    ----------
    place : int array, one per row
        Which bin, among those that are known.
    run : int array, one per row
        Which run, in the order of time.
    started : datetime64[us] array, one per row
        When its run began; wall time.
    faults, plain, feeds : float array, kinds x rows
        Counted; expected of an ordinary bin of the tower; asked.
    """

    place: IntArray
    run: IntArray
    started: NDArray[np.datetime64]
    faults: FloatArray
    plain: FloatArray
    feeds: FloatArray


def brought(counts: pa.Table, learnt: Learnt) -> tuple[Rows, tuple[tuple[str, int], ...]]:
    """Bring rows of a scan to one row for each bin of a run; say what paper is not judged."""
    bins = [place for place in learnt.places if place[1] is not None]
    place = bin_of_rows(counts, bins)  # type: ignore[arg-type]
    started = started_of(counts)
    known = place >= 0
    used = np.flatnonzero(known)
    _, tower = encoded(counts["of_tower"])
    runs, of_name = encoded(counts["of_run"])
    key = tower * (len(runs) + 1) + of_name
    _, run = np.unique(key[used], return_inverse=True)
    begun = np.full(int(run.max(initial=-1)) + 1, np.datetime64("NaT"), dtype="datetime64[us]")
    order = np.argsort(started[used])[::-1]
    begun[run[order]] = started[used][order]
    # Runs in order of time; of those that began at once, by tower and name.
    rank = np.empty(begun.size, dtype=np.int64)
    rank[np.argsort(begun, kind="stable")] = np.arange(begun.size)
    run = rank[run]
    number = len(bins)
    cell, at = np.unique(run * max(number, 1) + place[used], return_inverse=True)
    size = cell.size
    faults, plain, feeds = (np.zeros((len(KINDS), size)) for _ in range(3))
    back = np.full(counts.num_rows, -1, dtype=np.int64)
    back[used] = at
    unknown: dict[str, int] = {}
    stock = counts["stock"]
    for k, reference in enumerate(learnt.references):
        if reference is None:
            # Nothing is expected; what there was is told all the same.
            for into, name in ((faults, KINDS[k]), (feeds, f"feeds_{KINDS[k]}")):
                values = counts[name].to_numpy().astype(np.float64)
                into[k] = np.bincount(back[used], values[used], size)
            continue
        found = reference.explained(counts)
        mine = (back[found.rows.kept] >= 0) & found.known
        cells = back[found.rows.kept][mine]
        faults[k] = np.bincount(cells, found.faults[mine], size)
        plain[k] = np.bincount(cells, found.expected[mine], size)
        feeds[k] = np.bincount(cells, found.rows.feeds[mine], size)
        strange = ~found.known
        if strange.any():
            names = stock.take(pa.array(found.rows.kept[strange])).to_pylist()
            fed: dict[str, float] = {}
            for one, many in zip(names, found.rows.feeds[strange].tolist(), strict=True):
                fed[one or ""] = fed.get(one or "", 0.0) + many
            for one, many in fed.items():
                unknown[one] = max(unknown.get(one, 0), int(many))
    rows = Rows(
        place=(cell % max(number, 1)).astype(np.int64),
        run=(cell // max(number, 1)).astype(np.int64),
        started=begun[rank.argsort()][cell // max(number, 1)] if size else begun[:0],
        faults=faults,
        plain=plain,
        feeds=feeds,
    )
    return rows, tuple(sorted(unknown.items()))
