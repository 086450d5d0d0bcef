"""How much do runs differ beyond chance?"""

from __future__ import annotations

from collections.abc import Iterable

from analysis import tower_spreads as question
from analysis.answers.asked import EVERYTHING
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.log_format import FAULT_KINDS
from analysis.spread import Spread


def spread(
    scan: LogScan, filters: Filters, kind: str, *, confidence: float = 0.95
) -> dict[str, Spread]:
    """Say how much runs differ beyond chance, tower by tower, over the whole log.

    Of the filter only the purpose is kept: how much runs differ is learnt from all of them, since
    a few weeks of one bin say next to nothing of it.
    """
    return spreads(scan, filters, (kind,), confidence=confidence)[kind]


def spreads(
    scan: LogScan, filters: Filters, kinds: Iterable[str], *, confidence: float = 0.95
) -> dict[str, dict[str, Spread]]:
    """Say the same of several kinds of fault, from one scan that is kept; as `spread`."""
    asked = EVERYTHING.holding("purpose", *sorted(filters.values("purpose")))
    kinds = tuple(kinds)

    def made() -> dict[str, dict[str, Spread]]:
        whole = scan.by_run((), asked)
        return {kind: question.spreads(whole, kind, confidence=confidence) for kind in kinds}

    every: dict[str, dict[str, Spread]]
    for some in (FAULT_KINDS, kinds):
        if (key := ("spreads", asked, some, confidence)) in scan.kept or some == kinds:
            every = scan.kept.get(key, made)
            break
    return {kind: every[kind] for kind in kinds}
