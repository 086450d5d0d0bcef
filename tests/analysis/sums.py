"""Where the sums of a stream stand after each of its runs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.cusum import RATIOS, scores, stepped

FloatArray = NDArray[np.float64]


def sums_of(
    faults: FloatArray,
    expected: FloatArray,
    variance: float,
    start: Sequence[float] = (0.0, 0.0, 0.0),
) -> FloatArray:
    """Step one stream run by run; give its sums, runs x ratios."""
    gained = scores(faults[:, None], expected[:, None], variance, RATIOS)
    now, path = np.array(start), np.zeros_like(gained)
    for place in range(len(gained)):
        now = stepped(now[None], gained[place][None], expected[[place]])[0]
        path[place] = now
    return path
