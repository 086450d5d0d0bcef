"""What is behind the faults of a bin or a tower, and what is to be checked first?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from analysis import causes as question
from analysis.answers.asked import production
from analysis.answers.beside import judged
from analysis.answers.expected import conditions
from analysis.answers.places import check_place
from analysis.answers.services_done import service_rows
from analysis.causes import Causes
from analysis.causes_together import together
from analysis.conditions import Conditions
from analysis.conditions_model import ConditionsError
from analysis.counts import LogScan
from analysis.filters import FilterError, Filters
from analysis.log_format import kinds_of
from analysis.neighbours import own_trouble
from analysis.patterns import Pattern, known_patterns
from analysis.service_log import logged
from analysis.swap_advice import swap_for
from analysis.swaps_logged import swaps_in_log
from analysis.tower_rows import rows_of


def causes(
    scan: LogScan,
    filters: Filters,
    tower: str,
    bin: int | None = None,
    *,
    patterns: Sequence[Pattern] | None = None,
    conditions: Mapping[str, Conditions] | None = None,
) -> Causes:
    """Say what is likely behind the faults of a bin, or of a tower as a whole.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Up to when, and from when on, the log is looked at; the kind of fault; production unless it
        holds a purpose.
    tower, bin
        Whose faults; the tower as a whole without a bin.
    patterns : sequence of Pattern, optional
        Causes that are known; those that the program comes with where absent.
    conditions : mapping of str to Conditions, optional
        By kind, of a part of the log that holds those rows; fitted where absent, on all runs up
        to the end of the period.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be, and where the log has no such tower or bin.
    analysis.conditions_model.ConditionsError
        Where no fault was logged.
    """
    kinds = kinds_of(filters.kind)
    check_place(scan, tower, bin)
    services, stocks = logged(scan.list_rows("services"), filters.until), scan.list_rows("stocks")
    known = known_patterns() if patterns is None else patterns
    account = scan.account(production(_of_place(filters, tower, bin)))
    found: list[Causes] = []
    lacking: list[ConditionsError] = []
    lots = _lots(scan, filters, tower) if bin is not None else []
    for kind in kinds:
        asked = replace(filters, kind=kind)
        try:
            rows, counts = judged(scan, asked, (conditions or {}).get(kind) or _learnt(scan, asked))
        except ConditionsError as error:
            lacking.append(error)
            continue
        mine = rows_of(tower, rows, counts, stocks, services)
        if not (mine.bin == bin).any() and (bin is not None or not mine.bin.size):
            continue
        one = question.causes(mine, tower, bin, kind, known, account)
        if bin is None:
            places = zip(rows.places, own_trouble(rows).tolist(), strict=True)
            bins = tuple(number for (name, number), bad in places if bad and name == tower)
            one = replace(one, troubled=bins)
        else:
            swaps = swaps_in_log(service_rows(scan, filters.until), rows, lots)
            worth = one.first.cause != question.BAD_LUCK and not one.first.shared
            read = swaps.of(tower, bin)
            swap = swap_for(mine, tower, bin, kind, one.first.since, read) if worth else None
            one = one.with_swaps(swap, read)
        found.append(one)
    if not found and len(lacking) == len(kinds):
        if len(kinds) == 1:
            raise lacking[0]
        raise ConditionsError(
            "no misses and no doubles were logged in a known bin here, so there is nothing to find "
            "a cause for; log more runs, or ask for a longer period"
        )
    if not found:
        raise FilterError(
            f"nothing was watching for {filters.kind} there in that time; ask for another bin, "
            "kind or period"
        )
    return together(found)


def _learnt(scan: LogScan, filters: Filters) -> Conditions:
    """Learn what paper, air, settings and age do from the start of the log on.

    In a few weeks parts hardly age, so that what age does cannot be told from the rate of all bins.
    """
    return conditions(scan, replace(filters, since=None))


def _of_place(filters: Filters, tower: str, bin: int | None) -> Filters:
    held = filters.holding("tower", tower)
    return held if bin is None else held.holding("bin", str(bin))


def _lots(scan: LogScan, filters: Filters, tower: str) -> list[dict[str, object]]:
    """Return which lot of which stock was in which bin in each stretch of a tower."""
    held = production(filters).holding("tower", tower)
    counts = scan.by_run(("bin", "stretch", "stock", "lot"), held)
    names = ("of_tower", "bin", "of_run", "stock", "lot", "first")
    columns = (counts[name].to_pylist() for name in names)
    keys = ("tower", "bin", "run", "stock", "lot", "started")
    return [dict(zip(keys, cells, strict=True)) for cells in zip(*columns, strict=True)]
