"""Where are cycles whole fifties, hundreds or thousands too often for a counter?

Exact binomial tail at 1 in 50, 100 and 1,000, by tower, shift and month, times groups and steps.
Months in a row make one finding, with the chance of the most telling.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.belief_findings import HARD, ROUND_TO, Finding, date_of, moment_of
from analysis.belief_log import Stretches, coded
from analysis.shifts import shift_day, shift_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Stretches of fewer cycles are often set by hand, and round.
LEAST_CYCLES = 500

#: Share of round stretches from which on it is a habit.
_ROUND = 0.25

#: A coarser step explains what a finer one shows if it holds so much of it.
_EXPLAINS = 0.8


def round_cycles(
    stretches: Stretches, starts: tuple[int, int, int]
) -> tuple[list[Finding], int, int]:
    """Look for times in which cycles are round far too often to come off a counter.

    Returns
    -------
    list of Finding, int, int
        What was found, groups of stretches times steps, and stretches that were looked at.
    """
    keep = stretches.cycles >= LEAST_CYCLES
    looked = int(keep.sum())
    if not looked:
        return [], 0, 0
    cycles, started = stretches.cycles[keep], stretches.started[keep]
    tower, towers = coded(stretches.tower[keep])
    named = shift_of(started, starts) if stretches.shift is None else stretches.shift[keep]
    shift, shifts = coded(named)
    day = shift_day(started, starts)
    month = day.astype("datetime64[M]").astype(np.int64)
    keys, group = np.unique(np.stack((tower, shift, month), axis=1), axis=0, return_inverse=True)
    group = group.reshape(-1)
    size = np.bincount(group)
    looks = len(keys) * len(ROUND_TO)
    counts: dict[int, IntArray] = {}
    chances: dict[int, FloatArray] = {}
    for step in ROUND_TO:
        count = np.bincount(group[cycles % step == 0], minlength=len(keys)).astype(np.int64)
        counts[step] = count
        tail = special.betainc(np.maximum(count, 1), size - count + 1, 1.0 / step)
        chances[step] = np.where(count > 0, np.minimum(tail * looks, 1.0), 1.0)
    flagged = {step: (chances[step] < HARD) & (counts[step] >= _ROUND * size) for step in ROUND_TO}
    chosen = np.zeros(len(keys), np.int64)
    finest = np.zeros(len(keys), np.int64)
    for step in sorted(ROUND_TO):
        # The coarsest step that holds most of what the finest one found shows.
        finest = np.where((finest == 0) & flagged[step], counts[step], finest)
        chosen = np.where(flagged[step] & (counts[step] >= _EXPLAINS * finest), step, chosen)
    findings: list[Finding] = []
    hits = np.flatnonzero(chosen)
    for row in _joined(keys[hits], chosen[hits]):
        places = hits[row]
        step = int(chosen[places[0]])
        inside = np.flatnonzero(np.isin(group, places))
        first, last = inside[started[inside].argmin()], inside[started[inside].argmax()]
        number = int(size[places].sum())
        findings.append(
            Finding(
                kind="round",
                tower=towers[tower[first]],
                shift=shifts[shift[first]] or None,
                first=moment_of(started[first]),
                last=moment_of(started[last]),
                first_day=date_of(day[first]),
                last_day=date_of(day[last]),
                observed=int(counts[step][places].sum()),
                expected=number / step,
                of=number,
                chance=float(chances[step][places].min()),
                step=step,
            )
        )
    return findings, looks, looked


def _joined(keys: IntArray, chosen: IntArray) -> Iterator[slice]:
    """Yield the rows of one tower, shift and step whose months follow one another."""
    low = 0
    for at in range(1, len(keys) + 1):
        if at == len(keys) or not (
            np.array_equal(keys[at, :2], keys[at - 1, :2])
            and keys[at, 2] == keys[at - 1, 2] + 1
            and chosen[at] == chosen[at - 1]
        ):
            yield slice(low, at)
            low = at
