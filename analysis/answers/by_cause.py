"""How many of a period's faults does each named cause explain?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from analysis import explained as question
from analysis.answers.asked import production, whole_log
from analysis.answers.beside import judged
from analysis.conditions import Conditions
from analysis.conditions_model import ConditionsError
from analysis.counts import LogScan
from analysis.explained import Explained
from analysis.filters import Filters
from analysis.log_format import kinds_of
from analysis.patterns import Pattern, known_patterns
from analysis.service_log import logged
from analysis.tower_rows import rows_of


def explained(
    scan: LogScan,
    filters: Filters,
    *,
    patterns: Sequence[Pattern] | None = None,
    conditions: Mapping[str, Conditions] | None = None,
) -> list[Explained]:
    """Say how many of a period's faults each named cause explains, tower by tower.

    Parameters
    ----------
    scan, patterns, conditions
        As of `causes`; conditions of the whole log.
    filters : Filters
        Towers, kind of fault and period; causes are looked for over the whole log. Nothing is
        explained of a part of the log that holds more, such as a stock.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    filters = production(filters)
    if any(column not in ("tower", "purpose") for column, _ in filters.where):
        return []
    kinds = kinds_of(filters.kind)
    whole = whole_log(filters)
    services, stocks = logged(scan.list_rows("services")), scan.list_rows("stocks")
    known = known_patterns() if patterns is None else patterns
    asked = filters.values("tower")
    out = []
    for kind in kinds:
        try:
            rows, counts = judged(scan, replace(whole, kind=kind), (conditions or {}).get(kind))
        except ConditionsError:
            continue
        for tower in sorted({name for name, _ in rows.places}):
            if not asked or tower in asked:
                mine = rows_of(tower, rows, counts, stocks, services)
                out += question.explained(mine, tower, kind, known, filters.since, filters.until)
    return out
