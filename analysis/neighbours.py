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

__all__ = ["beside_others", "own_trouble"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: A bin has a trouble of its own where some quarter of a year is as unlikely as this by chance and
#: by how bins differ.
_UNLIKELY = 1e-5
_WEEKS = 13
#: What others had is taken from so many weeks before and after.
_BESIDE = 2
#: How much weeks of a tower usually differ, as a squared coefficient of variation.
_USUAL = 0.03


def beside_others(judged: Judged) -> FloatArray:
    """Return how many times the usual faults the other bins of a tower had about that week.

    Parameters
    ----------
    judged : Judged
        Of the whole log.

    Returns
    -------
    float array, one per row
        Drawn to 1 as far as the others have few faults; bins with a trouble of their own are left
        out of what the others had.
    """
    trouble = own_trouble(judged)
    expected = judged.expected * judged.level[judged.place]
    week = _weeks(judged)
    count = int(week.max(initial=0)) + 1
    out = np.ones(judged.place.size)
    tower = _towers(judged)
    about = np.ones(2 * _BESIDE + 1)
    for number in range(int(tower.max(initial=-1)) + 1):
        of_tower = tower[judged.place] == number
        calm = of_tower & ~trouble[judged.place]
        x, e = (np.bincount(week[calm], v[calm], count) for v in (judged.faults, expected))
        for place in np.flatnonzero(tower == number):
            mine = judged.place == place
            others_x, others_e = x.copy(), e.copy()
            if not trouble[place]:
                others_x -= np.bincount(week[mine], judged.faults[mine], count)
                others_e -= np.bincount(week[mine], expected[mine], count)
            near = [np.convolve(v, about, "same") for v in (others_x, others_e)]
            factor = (near[0] + 1 / _USUAL) / (near[1] + 1 / _USUAL)
            out[mine] = factor[week[mine]]
    return out


def own_trouble(judged: Judged) -> BoolArray:
    """Tell which places had far more faults in some quarter than the others of their tower.

    Returns
    -------
    bool array, one per place
    """
    quarter = _weeks(judged) // _WEEKS
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


def _weeks(judged: Judged) -> NDArray[np.int64]:
    week = judged.started.astype("datetime64[W]").astype(np.int64)
    return np.asarray(week - week.min(initial=week[0] if week.size else 0), dtype=np.int64)


def _towers(judged: Judged) -> NDArray[np.int64]:
    names = sorted({tower for tower, _ in judged.places})
    return np.array([names.index(tower) for tower, _ in judged.places], dtype=np.int64)
