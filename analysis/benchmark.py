"""Which runs are a tower's burn-in?

A burn-in, or proof, is the runs made on purpose to prove a new or overhauled tower. It goes by its
name; burn-in lines without one belong together from one overhaul to the next. The latest is the
tower's benchmark.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa


@dataclass(frozen=True)
class Proof:
    """A tower's latest burn-in.

    Attributes
    ----------
    tower : str
        Its tower.
    name : str
        As logged; empty where it has none.
    started : datetime
        When its first run started; wall time.
    counts : pyarrow.Table
        Its part of the frame that was searched.
    """

    tower: str
    name: str
    started: dt.datetime
    counts: pa.Table


def latest_proofs(
    counts: pa.Table, overhauls: Mapping[str, Sequence[dt.datetime]]
) -> dict[str, Proof]:
    """Find each tower's latest burn-in.

    Parameters
    ----------
    counts : pyarrow.Table
        Burn-in counts by run, as `analysis.counts.LogScan.by_run` gives them with ``proof`` among
        the groups.
    overhauls : mapping of str to sequence of datetime
        When each tower was overhauled, in wall time.

    Returns
    -------
    dict of str to Proof
        Towers without a burn-in are left out.
    """
    towers = counts["of_tower"].to_pylist()
    names = counts["proof"].to_pylist()
    started = counts["first"].to_pylist()
    groups: dict[tuple[str, str, int], list[int]] = {}
    for row, (tower, name, begin) in enumerate(zip(towers, names, started, strict=True)):
        # Lines without a name belong together between two overhauls.
        epoch = 0 if name else sum(when <= begin for when in overhauls.get(tower, ()))
        groups.setdefault((tower, name or "", epoch), []).append(row)
    latest: dict[str, Proof] = {}
    for (tower, name, _), rows in groups.items():
        begin = min(started[row] for row in rows)
        if tower not in latest or begin > latest[tower].started:
            latest[tower] = Proof(tower, name, begin, counts.take(np.array(rows)))
    return latest
