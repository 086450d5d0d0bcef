"""Can these be faults of runs, and faults that were expected of them?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def check_amounts(name: str, values: FloatArray, each: str) -> None:
    """Raise ValueError unless all values are 0 or more, with none missing or infinite.

    Parameters
    ----------
    name, each : str
        What they are, and what each is of, such as ``run``: for the message.
    values : float array, one-dimensional
    """
    bad = np.flatnonzero(~((values >= 0) & np.isfinite(values)))
    if bad.size:
        raise ValueError(
            f"{name} must be 0 or more; {each} {bad[0]}, counted from 0, has {values[bad[0]]:g}"
        )


def check_faults(faults: FloatArray, expected: FloatArray, each: str) -> None:
    """Raise ValueError unless both are amounts, and faults came only where some were expected.

    Parameters
    ----------
    faults, expected : float array, one entry per run or row
    each : str
        What an entry is, such as ``run``: for the message.
    """
    check_amounts("faults", faults, each)
    check_amounts("expected", expected, each)
    bad = np.flatnonzero((expected == 0) & (faults > 0))
    if bad.size:
        raise ValueError(
            f"faults need an expected number above 0; {each} {bad[0]}, counted from 0, has "
            f"{faults[bad[0]]:g} where 0 are expected"
        )
