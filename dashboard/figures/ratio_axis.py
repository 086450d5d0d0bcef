"""How does an axis show ratios?

On a log scale, where twice and half stand as far from 1.
"""

from __future__ import annotations

import math

#: Ratios that an axis may name, from few to many.
_TICKS = (
    (0.01, 0.1, 1, 10, 100),
    (0.1, 0.2, 0.5, 1, 2, 5, 10),
    (0.25, 0.5, 1, 2, 4),
    (0.5, 0.6, 0.8, 1, 1.2, 1.5, 2),
    (0.8, 0.9, 1, 1.1, 1.2),
)


def ratio_axis(low: float, high: float) -> dict[str, object]:
    """Return a log axis whose marks are ratios as one says them."""
    names = [[v for v in values if low <= v <= high] for values in _TICKS]
    values = next((found for found in names if len(found) >= 3), names[-1])
    return {
        "type": "log",
        "range": [math.log10(low), math.log10(high)],
        "tickvals": values,
        "ticktext": [f"{value:g}" for value in values],
    }
