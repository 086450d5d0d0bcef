"""Which runs have the same cycles, misses and doubles in every bin?

The share of the tower's runs that has such cycles, times the chance of exactly these counts, bin by
bin (Poisson, and negative binomial in the sum of the run, since a bad run is bad in all bins),
times all pairs of runs of a tower. That bins of one run differ in cycles is not counted as
evidence, which is on the safe side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.belief_findings import HARD, Finding, date_of, moment_of
from analysis.belief_log import Log, RunBins, coded

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Steps in which cycles tend to be written; each divides the next.
_GRAINS = (1, 10, 50, 100, 500, 1000)

#: Runs within this ratio of cycles say how common such cycles are.
_NEAR = 1.25


def copies(bins: RunBins, log: Log) -> tuple[list[Finding], int]:
    """Look for runs that may have been written down twice.

    Returns
    -------
    list of Finding, int
        What was found, and pairs of runs of a tower.
    """
    # An empty bin is the same whether it was written down or not.
    keep = (bins.cycles > 0) | (bins.misses > 0) | (bins.doubles > 0)
    tower, towers = coded(bins.tower[keep])
    run, names = coded(bins.run[keep])
    if not tower.size:
        return [], 0
    numbers = np.stack([part[keep] for part in (bins.bin, bins.cycles, bins.misses, bins.doubles)])
    key = tower * len(names) + run
    order = np.argsort(key, kind="stable")
    key, numbers, mu = key[order], numbers[:, order], bins.expected[keep][order]
    edge = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1])))
    ends = np.append(edge[1:], key.size)
    of_run, own = key[edge], key[edge] // len(names)
    per_tower = np.bincount(own, minlength=len(towers))
    looks = int((per_tower * (per_tower - 1) // 2).sum())
    # Runs with the same bins and numbers have the same mark, in whatever order they stand.
    mark = np.add.reduceat(_mixed(numbers), edge)
    _, alike = np.unique(np.stack((own.astype(np.uint64), mark)), axis=1, return_inverse=True)
    alike = alike.reshape(-1)
    twice = np.flatnonzero(np.bincount(alike)[alike] > 1)
    if not twice.size:
        return [], looks
    cycles = np.maximum.reduceat(numbers[1], edge)
    count = np.bincount(own, np.add.reduceat(numbers[2], edge), len(towers))
    all_faults = count + np.bincount(own, np.add.reduceat(numbers[3], edge), len(towers))
    share = (count + 0.5) / (all_faults + 1.0)
    by_name = dict(zip(log.towers, log.variance.tolist(), strict=True))
    begun: dict[tuple[str, str], int] = {}
    findings: list[Finding] = []
    groups: dict[int, list[int]] = {}
    for place in twice.tolist():
        groups.setdefault(int(alike[place]), []).append(place)
    ordered: dict[int, IntArray] = {}
    for members in groups.values():
        of = int(own[members[0]])
        # The likeliest of them speaks for all.
        counts = max(
            _log_chance(
                numbers[2:, edge[m] : ends[m]],
                mu[edge[m] : ends[m]],
                float(share[of]),
                by_name.get(towers[of], 0.0),
            )
            for m in members
        )
        # No cycles are rarer than this; most runs without a fault need not be looked at further.
        rarest = -math.log(per_tower[of] * max(float(cycles[members[0]]), 1.0))
        if counts + rarest + math.log(looks) >= math.log(HARD):
            continue
        if of not in ordered:
            ordered[of] = cycles[own == of]
        agree = _agree(int(cycles[members[0]]), ordered[of])
        chance = min(1.0, math.exp(counts) * agree * looks)
        if chance >= HARD or not _same(numbers, [(edge[m], ends[m]) for m in members]):
            continue
        if not begun:
            keys = zip((log.towers[t] for t in log.tower), log.run.tolist(), strict=True)
            begun = {pair: at for at, pair in enumerate(keys)}
        found = [(begun.get((towers[of], names[of_run[m] % len(names)])), m) for m in members]
        known = sorted((at, m) for at, m in found if at is not None)
        if len(known) < 2:
            # Runs that are not among those looked at have no time.
            continue
        first, last = known[0][0], known[-1][0]
        one = known[0][1]
        findings.append(
            Finding(
                kind="copy",
                tower=towers[of],
                shift=None,
                first=moment_of(log.started[first]),
                last=moment_of(log.started[last]),
                first_day=date_of(log.day[first]),
                last_day=date_of(log.day[last]),
                observed=int(numbers[2:, edge[one] : ends[one]].sum()),
                expected=float(mu[edge[one] : ends[one]].sum()),
                of=len(known),
                chance=chance,
                runs=tuple(str(log.run[at]) for at, _ in known),
            )
        )
    return findings, looks


def _mixed(numbers: IntArray) -> NDArray[np.uint64]:
    """Return 64 mixed bits for each column (the finaliser of Steele et al. 2014, splitmix64)."""
    mixed = np.zeros(numbers.shape[1], np.uint64)
    for row in numbers.astype(np.uint64):
        mixed = (mixed ^ row) + np.uint64(0x9E3779B97F4A7C15)
        mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        mixed = mixed ^ (mixed >> np.uint64(31))
    return mixed


def _same(numbers: IntArray, spans: Sequence[tuple[int, int]]) -> bool:
    """Whether runs hold the same numbers indeed, not only the same mark."""
    rows = [numbers[:, low:high] for low, high in spans]
    rows = [row[:, np.lexsort(row)] for row in rows]
    return all(np.array_equal(rows[0], row) for row in rows[1:])


def _log_chance(counts: IntArray, mu: FloatArray, share: float, v: float) -> float:
    """Return the log of the chance of exactly these misses and doubles in these bins.

    Poisson in each bin; the sum of the run negative binomial where runs differ, since a bad run is
    bad in all its bins. Bins of which nothing is expected say nothing.
    """
    some = mu > 0
    cells = np.stack((mu[some] * share, mu[some] * (1 - share)))
    x = counts[:, some].astype(float)
    m, total = float(cells.sum()), float(x.sum())
    if m <= 0:
        return 0.0
    split = float((x * np.log(cells / m) - special.gammaln(x + 1)).sum())
    if v <= 0:
        return total * math.log(m) - m + split
    k = 1 / v
    rising = float(special.gammaln(total + k) - special.gammaln(k))
    return rising + split - k * math.log1p(v * m) + total * math.log(v * m / (1 + v * m))


def _agree(cycles: int, all_cycles: IntArray) -> float:
    """Return the chance that one more run of a tower has just these cycles.

    Runs near it say how common such a number is; round numbers are set beside round ones. Where the
    number itself comes up again and again, that counts.
    """
    grain = max(step for step in _GRAINS if cycles % step == 0)
    coarser = _GRAINS[_GRAINS.index(grain) + 1] if grain < _GRAINS[-1] else 0
    low, high = math.floor(cycles / _NEAR), math.ceil(cycles * _NEAR)
    kind = all_cycles % grain == 0
    possible = high // grain - (low - 1) // grain
    if coarser:
        kind &= all_cycles % coarser != 0
        possible -= high // coarser - (low - 1) // coarser
    near = int((kind & (all_cycles >= low) & (all_cycles <= high)).sum())
    smooth = (near + 1) / (all_cycles.size * max(possible, 1))
    again = int((all_cycles == cycles).sum()) - 2
    return min(1.0, max(smooth, again / max(all_cycles.size - 2, 1)))
