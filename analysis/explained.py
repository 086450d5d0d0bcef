"""How many of a period's faults does each named cause explain?

Every bin of a tower, and the tower as a whole, is looked at as `analysis.causes` does, over the
whole log; of each cause that is named, the faults beyond expected that it explains are summed over
the period that is asked for. So a cost can be put down to its cause.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.chances import weighed_own, weighed_shared
from analysis.explaining import Evidence
from analysis.patterns import Pattern
from analysis.tower_rows import Rows


@dataclass(frozen=True)
class Explained:
    """Faults of a period that one cause explains.

    Attributes
    ----------
    tower : str
    bin : int or None
        None for what all bins have.
    kind, cause : str
        Of fault; and its name.
    excess, low, high : float
        Faults beyond what would be without it, with a 95 % range.
    """

    tower: str
    bin: int | None
    kind: str
    cause: str
    excess: float
    low: float
    high: float


def explained(
    rows: Rows,
    tower: str,
    kind: str,
    patterns: Sequence[Pattern],
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
) -> list[Explained]:
    """Sum what each named cause of a tower explains in a period.

    Parameters
    ----------
    rows : Rows
        Of the tower, one kind of fault, over the whole log.
    tower, kind : str
    patterns : sequence of Pattern
        Causes that are known.
    since, until : datetime, optional
        The period, both ends included.
    """
    during = np.ones(rows.bin.size, dtype=bool)
    if since is not None:
        during &= rows.started >= np.datetime64(since)
    if until is not None:
        during &= rows.started <= np.datetime64(until)
    known = [pattern for pattern in patterns if pattern.kind == kind]
    shared, rows = weighed_shared(rows, known)
    out = [_summed(one.evidence, during, tower, None, kind) for one in shared if one.named]
    for number in rows.bins:
        own = weighed_own(rows, number, known)
        out += [_summed(one.evidence, during, tower, number, kind) for one in own if one.named]
    return [one for one in out if one.excess > 0]


def _summed(
    evidence: Evidence, during: NDArray[np.bool_], tower: str, number: int | None, kind: str
) -> Explained:
    assert evidence.told is not None
    base, z = evidence.base[during & evidence.used], evidence.told.z[during & evidence.used]
    excess, low, high = (
        float((base * (ratio**z - 1)).sum())
        for ratio in (evidence.ratio, evidence.low, evidence.high)
    )
    return Explained(tower, number, kind, evidence.pattern.name, excess, low, high)
