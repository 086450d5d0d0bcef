"""Have runs without a humidity reading more faults than runs with one?

Within tower and month, faults in runs without a reading against what their share of the expected
faults gives; ratio by Mantel and Haenszel. The variance is the larger of that of mu + v mu^2 per
run and that which the days themselves show (air is shared by a day); the tail is that of a Poisson
count with that variance (by its effective size), which is skewed as counts are.

References
----------
Faults of the same months: Mantel N, Haenszel W (1959). JNCI 22:719-748, with the variance of
Greenland S, Robins JM (1985). Biometrics 41:55-68, widened for clusters.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.belief_findings import HARD, Finding, Found, date_of, moment_of, towers_named
from analysis.belief_log import Log

FloatArray = NDArray[np.float64]

#: The lower end of the ratio must be above this before missing air is worth a question.
WORSE = 1.1

#: Runs with and runs without a reading that a tower needs for it.
_RUNS_FOR_AIR = 20


def missing_air(log: Log) -> Found:
    """Look for towers whose runs without a humidity reading have more faults than the others."""
    if log.air is None:
        return [], 0, ["Missing air: whether the humidity was logged is not at hand."]
    able: list[int] = []
    few: list[int] = []
    for place in range(len(log.towers)):
        own = log.of(place)
        some = log.without_air[own] > 0
        logged = int(log.air[own][some].sum())
        # Where the air is always or hardly ever logged there is nothing to choose.
        enough = min(logged, int(some.sum()) - logged) >= _RUNS_FOR_AIR
        (able if enough else few).append(place)
    findings: list[Finding] = []
    for place in able:
        found = _air_of(log, place, len(able))
        if found is not None:
            findings.append(found)
    missing = []
    if few:
        missing.append(
            f"Missing air of {towers_named([log.towers[place] for place in few])}: fewer than "
            f"{_RUNS_FOR_AIR} runs with, or without, a humidity reading."
        )
    return findings, len(able), missing


def _air_of(log: Log, place: int, looks: int) -> Finding | None:
    assert log.air is not None
    own = log.of(place)
    keep = own.start + np.flatnonzero(log.without_air[own] > 0)
    x, mu = log.faults[keep].astype(float), log.without_air[keep]
    bare = ~log.air[keep]
    day = log.day[keep]
    _, month = np.unique(day.astype("datetime64[M]"), return_inverse=True)
    _, of_day = np.unique(day, return_inverse=True)
    v = float(log.air_variance[place])

    def per_month(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(month, values), float)

    unread, read = per_month(mu * bare), per_month(mu * ~bare)
    total = per_month(x)
    both = unread + read
    # Each run's weight in the sum that is nought where a reading makes no difference.
    weight = np.where(bare, (read / both)[month], -(unread / both)[month])
    more = float((weight * x)[bare].sum())
    less = float(-(weight * x)[~bare].sum())
    if more <= 0 or less <= 0:
        return None
    ratio = more / less

    def deviation(at: float) -> tuple[float, float]:
        """Return the sum at a ratio and its variance: by the spread, or by days if larger."""
        level = total / (at * unread + read)
        fitted = level[month] * mu * np.where(bare, at, 1.0)
        w = np.where(bare, weight, at * weight)
        by_spread = float((w**2 * (fitted + v * fitted**2)).sum())
        by_day = float((np.bincount(of_day, w * (x - fitted)) ** 2).sum())
        return float((w * x).sum()), max(by_spread, by_day)

    error = math.sqrt(deviation(ratio)[1]) / more
    reach = float(special.ndtri(0.975)) * error
    low, high = ratio * math.exp(-reach), ratio * math.exp(reach)
    beyond, spread = deviation(1.0)
    expected = float((total * unread / both).sum())
    # A count with that variance is one of so many fewer faults, each worth so many.
    worth = spread / expected
    chance = float(special.gammainc((expected + beyond) / worth, expected / worth))
    chance = min(1.0, chance * looks)
    if beyond <= 0 or low <= WORSE or chance >= HARD:
        return None
    first, last = int(keep[0]), int(keep[-1])
    return Finding(
        kind="air",
        tower=log.towers[place],
        shift=None,
        first=moment_of(log.started[first]),
        last=moment_of(log.started[last]),
        first_day=date_of(log.day[first]),
        last_day=date_of(log.day[last]),
        observed=int(x[bare].sum()),
        expected=expected,
        of=int(bare.sum()),
        chance=chance,
        ratio=ratio,
        low=low,
        high=high,
    )
