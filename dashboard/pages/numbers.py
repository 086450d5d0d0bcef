"""What is in the files behind the figures of the trends page?"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection

from analysis.log_format import FAULT_KINDS
from analysis.trends import NOT_LOGGED, Split, Trends
from dashboard import parts


def numbers_csv(split: Split, adjusted_kinds: Collection[str] | None = None) -> str:
    """Write a split as CSV: a line for each group and kind, rates as faults per feed.

    Parameters
    ----------
    split : Split
        What is written.
    adjusted_kinds : collection of str, optional
        Kinds of fault whose rates are those with all else the same; a column then says which are.
    """
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    heads = "kind runs feeds count rate low high wide_low wide_high".split()
    table.writerow([split.column, *heads, *([] if adjusted_kinds is None else ["rates"])])
    for group in split.groups:
        for kind in FAULT_KINDS:
            r = group.rates[kind]
            numbers = (r.rate, r.low, r.high, r.wide_low, r.wide_high)
            table.writerow(
                [
                    parts.safe_cell(NOT_LOGGED if group.name is None else group.name),
                    kind,
                    r.runs,
                    r.feeds,
                    r.count,
                    *("" if r.rate is None else number for number in numbers),
                    *_which(kind, adjusted_kinds),
                ]
            )
    return out.getvalue()


def _which(kind: str, adjusted_kinds: Collection[str] | None) -> list[str]:
    if adjusted_kinds is None:
        return []
    return ["adjusted" if kind in adjusted_kinds else "as logged"]


def marks_csv(trends: Trends) -> str:
    """Write what was done as CSV: a line for each service and each move of a setting."""
    rows = (
        [
            mark.when.isoformat(timespec="minutes"),
            parts.safe_cell(mark.tower),
            "" if mark.bin is None else mark.bin,
            parts.safe_cell(mark.what),
            "yes" if mark.moved else "no",
        ]
        for mark in trends.marks
    )
    return parts.csv_text(["when", "tower", "bin", "what", "setting_moved"], rows)
