"""What was done to towers and bins, and when were settings moved?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Set

from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.trends import Mark
from analysis.words import called


def service_rows(scan: LogScan, until: dt.datetime | None) -> list[dict[str, object]]:
    """Return rows of the service log up to some moment."""
    return [
        row
        for row in scan.list_rows("services")
        if until is None
        or (isinstance(row["when"], dt.datetime) and row["when"].replace(tzinfo=None) <= until)
    ]


def marks_of(scan: LogScan, filters: Filters, ran: Set[str]) -> list[Mark]:
    """Gather what was done in the period to the towers that ran in a filter, and to its bins.

    Settings are moved for every other stock, so their moves are shown for one bin at a time only.
    """
    towers, bins = filters.values("tower"), filters.values("bin")
    marks = []
    for row in scan.list_rows("services"):
        when, number = row["when"], row["bin"]
        assert isinstance(when, dt.datetime)
        when = when.replace(tzinfo=None)
        if (filters.since and when < filters.since) or (filters.until and when > filters.until):
            continue
        # By what ran and not by name: a filter may hold a site or a line.
        if row["tower"] not in ran or row["action"] == "inspected":
            continue
        if bins and number is not None and str(number) not in bins:
            continue
        what = " ".join(str(word) for word in (row["part"], row["action"]) if word)
        placed = number if isinstance(number, int) else None
        marks.append(Mark(when, str(row["tower"]), placed, what, moved=False))
    if len(towers) == 1 and len(bins) == 1:
        for row in scan.setting_moves(filters):
            when, number = row["when"], row["bin"]
            assert isinstance(when, dt.datetime) and isinstance(number, int)
            what = f"{called(str(row['setting']))} {row['before']} to {row['after']}"
            marks.append(Mark(when, str(row["tower"]), number, what, moved=True))
    return sorted(marks, key=lambda mark: (mark.when, mark.tower, mark.bin or 0, mark.what))


def setting_marks(scan: LogScan, tower: str, bin: int) -> list[Mark]:
    """Return the setting moves of one bin, in order of time."""
    held = Filters().holding("tower", tower).holding("bin", str(bin))
    return [mark for mark in marks_of(scan, held, {tower}) if mark.moved]
