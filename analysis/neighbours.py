"""What did the other bins of the tower do meanwhile, and which bin has a trouble of its own?

All bins of a tower share air, vacuum and crew, and what nobody logged. So one bin is held against
what the others had beyond expected about the same week; and what all of them have is not told from
the one that has a trouble of its own.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.judged import Judged

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Weeks differ as those of four weeks each do; so many before and after speak for a week.
_WEEKS, _BESIDE = 4, 1

#: A bin has a trouble of its own where some quarter of a year is as unlikely as this by chance and
#: by how bins differ.
_UNLIKELY, _QUARTER = 1e-5, 13


def about_week(
    started: NDArray[np.datetime64],
    run: IntArray,
    faults: FloatArray,
    expected: FloatArray,
    others: BoolArray,
    *,
    variance: float,
    between: float,
) -> FloatArray:
    """How many times the expected faults did other rows have about each row's week?

    Parameters
    ----------
    started, run, faults, expected : array, one per row
        Of one tower: when the run began, its number, and its faults beside what was expected.
    others : bool array
        Rows that are to tell.
    variance, between : float
        Squared coefficient of variation of the rate between runs, and between weeks at least.

    Returns
    -------
    float array, one per row
        By that week and those beside it, drawn to what the others had on the whole as far as weeks
        differ no more than chance and clusters explain.
    """
    week = _weeks(started)
    count = int(week.max(initial=0)) + 1
    observed = np.bincount(week[others], faults[others], count)
    usual = np.bincount(week[others], expected[others], count)
    if usual.sum() <= 0:
        return np.ones(started.size)
    _, of_run = np.unique(run[others], return_inverse=True)
    by_run = np.bincount(of_run, expected[others])
    clusters = 1 + variance * float((by_run**2).sum()) / float(usual.sum())
    # As if one more had come where one was due: neighbours without a fault still expect some.
    common = (float(observed.sum()) + 1) / (float(usual.sum()) + 1)
    months = np.arange(count) // _WEEKS
    seen, due = np.bincount(months, observed), np.bincount(months, usual * common)
    found = float(((seen - due) ** 2 - clusters * seen).sum() / max(float((due**2).sum()), 1e-9))
    shape = clusters / max(found, between, 1e-3)
    about = np.ones(2 * _BESIDE + 1)
    near = np.convolve(observed, about, "same"), np.convolve(usual, about, "same")
    return np.asarray(((near[0] + shape * common) / (near[1] + shape))[week])


def beside_others(judged: Judged) -> FloatArray:
    """Return how many times the usual faults the other bins of a tower had about that week.

    Parameters
    ----------
    judged : Judged
        Of the whole log.

    Returns
    -------
    float array, one per row
        As of `about_week`; bins with a trouble of their own do not tell.
    """
    trouble = own_trouble(judged)
    expected = judged.expected * judged.level[judged.place]
    out = np.ones(judged.place.size)
    tower = _towers(judged)
    for number, name in enumerate(sorted({tower for tower, _ in judged.places})):
        rows = np.flatnonzero(tower[judged.place] == number)
        place = judged.place[rows]
        calm = ~trouble[place]
        for one in np.unique(place):
            mine = place == one
            factor = about_week(
                judged.started[rows],
                judged.run[rows],
                judged.faults[rows],
                expected[rows],
                calm & ~mine,
                variance=judged.variance.get(name, 0.0),
                between=judged.between_weeks,
            )
            out[rows[mine]] = factor[mine]
    return out


def own_trouble(judged: Judged) -> BoolArray:
    """Tell which places had far more faults in some quarter than the others of their tower.

    Returns
    -------
    bool array, one per place
    """
    quarter = _weeks(judged.started) // _QUARTER
    count = int(quarter.max(initial=0)) + 1
    tower = _towers(judged)
    out = np.zeros(len(judged.places), dtype=bool)
    for number in range(int(tower.max(initial=-1)) + 1):
        places = np.flatnonzero(tower == number)
        x, e = (
            np.array(
                [
                    np.bincount(quarter[judged.place == p], v[judged.place == p], count)
                    for p in places
                ]
            )
            for v in (judged.faults, judged.expected)
        )
        common = (x.sum(axis=0) - x + 1) / (e.sum(axis=0) - e + 1)
        mean = np.maximum(e * common, 1e-9)
        # Gamma-Poisson: bins differ, and count what they count.
        shape = 1 / judged.between_bins
        tail = special.betainc(np.maximum(x, 1e-9), shape, mean / (mean + shape))
        out[places] = (np.where(x > 0, tail, 1.0) < _UNLIKELY).any(axis=1)
    return out


def _weeks(started: NDArray[np.datetime64]) -> IntArray:
    """Return the number of each row's week, from that of the first."""
    week = started.astype("datetime64[W]").astype(np.int64)
    return np.asarray(week - (week.min() if week.size else 0), dtype=np.int64)


def _towers(judged: Judged) -> IntArray:
    names = sorted({tower for tower, _ in judged.places})
    return np.array([names.index(tower) for tower, _ in judged.places], dtype=np.int64)
