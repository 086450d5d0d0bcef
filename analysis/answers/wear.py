"""What is wearing, what is to be ordered and when, and did services help?"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis import ordering
from analysis import wear_by_age as question
from analysis.answers.asked import learnt_from, of_streams_alone, production
from analysis.answers.beside import judged
from analysis.answers.places import asked_places, listed_towers
from analysis.conditions import Conditions
from analysis.conditions_model import ConditionsError
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.judged import Judged
from analysis.part_wear import kind_of_part
from analysis.parts import PartRow, Parts
from analysis.service_log import done as done_until
from analysis.site import NO_SITE, Site
from analysis.wear_by_age import WearByAge

FloatArray = NDArray[np.float64]


def parts(
    scan: LogScan,
    filters: Filters,
    *,
    site: Site = NO_SITE,
    conditions: Mapping[str, Conditions] | None = None,
    kind: str | None = None,
) -> Parts:
    """Say what is wearing, what is to be ordered and when, and whether services helped.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Towers, bins, sites and lines that are asked for; up to when the log is looked at, and from
        when on services and parts that were taken out are told; production unless it holds a
        purpose. How parts wear is learnt from all towers. A kind of fault, misses or doubles, is
        then that of all parts.
    site : Site
        Limits, kinds, prices and times of parts, what towers carry and how they are planned.
    conditions : mapping of str to Conditions, optional
        By kind of fault, of the whole log: what is to be expected. Fitted where absent.
    kind : str, optional
        Of fault that all parts are judged by, ``faults`` too; each by what its own wear shows in
        where absent.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    of_streams_alone(filters, "what is wearing", "a part feeds whatever runs")
    if kind is None and filters.kind != "faults":
        kind = filters.kind
    whole = learnt_from(filters)
    asked = asked_places(scan, filters)
    done = done_until(scan.list_rows("services"), filters.until)
    carried = [
        part for tower in site.towers.values() for part in (*tower.parts, *tower.tower_parts)
    ]
    names = dict.fromkeys((*(one.part for one in done), *carried))
    found = {}
    for each in dict.fromkeys(kind_of_part(name, site, kind) for name in names):
        # A kind without a fault on record tells no wear.
        with suppress(ConditionsError):
            known = (conditions or {}).get(each)
            found[each] = _with_air(scan, replace(whole, kind=each), known)
    everything = Filters(until=filters.until)
    return ordering.parts(
        found,
        scan.fed() if filters.until is None else scan.by_run(("tower", "bin"), everything),
        done,
        scan.account(production(filters.during(None, filters.until))),
        site,
        listed_bins={name: row.bins for name, row in listed_towers(scan).items()},
        until=scan.account(everything).last,
        kind=kind,
        asked=asked,
        since=filters.since,
    )


def wear_by_age(
    scan: LogScan,
    row: PartRow,
    every: Parts,
    filters: Filters,
    *,
    site: Site = NO_SITE,
    conditions: Conditions | None = None,
) -> WearByAge | None:
    """Say how the faults of one place go with the age of its part.

    Parameters
    ----------
    scan : LogScan
        The log.
    row : PartRow
        The part: one of ``every``.
    every : Parts
        What `parts` says of all towers, by the same kind of fault.
    filters : Filters
        Up to when the log is looked at, and its purposes; as `parts` was asked.
    site : Site
        Action limits.
    conditions : Conditions, optional
        Of the kind of fault of ``row``; fitted where absent.

    Returns
    -------
    WearByAge or None
        None where there is no fault at a known age to tell it from.
    """
    if every.until is None:
        return None
    try:
        rows, air = _with_air(scan, replace(learnt_from(filters), kind=row.kind), conditions)
    except ConditionsError:
        return None
    return question.wear_by_age(row, every.parts, rows, air, site, every.until)


def _with_air(
    scan: LogScan, filters: Filters, found: Conditions | None
) -> tuple[Judged, FloatArray]:
    """Return judged rows, and the relative humidity of each; NaN where it was not logged."""
    rows, counts = judged(scan, filters, found)
    return rows, counts["humidity_pct"].to_numpy().astype(np.float64)[rows.kept]
