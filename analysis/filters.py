"""Which part of the log is asked about.

One value that commands, pages and reports pass on, so that the same question is the same question
everywhere.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.log_format import DERIVED, FAULT_KINDS, KINDS

#: Bands of relative humidity, in percent, and what a run without a reading falls in.
HUMIDITY_BANDS = (
    "below 30",
    "30-39",
    "40-49",
    "50-59",
    "60-69",
    "70 and over",
    "not logged",
)


class FilterError(ValueError):
    """A filter that cannot be; the message says what to write."""


@dataclass(frozen=True)
class Filters:
    """A part of the run log.

    Attributes
    ----------
    since, until : datetime, optional
        First and last moment a stretch may have started, both included; wall time without a zone.
    where : tuple of (column, values)
        Rows whose column is one of the values, for every column named. An empty value means that
        nothing was logged.
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    """

    since: dt.datetime | None = None
    until: dt.datetime | None = None
    where: tuple[tuple[str, tuple[str, ...]], ...] = ()
    kind: str = "faults"

    def __post_init__(self) -> None:
        """Refuse a kind that is none and a period that runs backwards."""
        if self.kind not in FAULT_KINDS:
            raise FilterError(f"kind is {self.kind}; write one of {', '.join(FAULT_KINDS)}")
        if self.since and self.until and self.until < self.since:
            raise FilterError(
                f"until ({self.until:%Y-%m-%dT%H:%M}) is before since "
                f"({self.since:%Y-%m-%dT%H:%M}); exchange them"
            )

    def values(self, column: str) -> tuple[str, ...]:
        """Return the values that a column is held to; none where it is not."""
        return dict(self.where).get(column, ())

    def holding(self, column: str, *values: str) -> Filters:
        """Return the same filter with a column held to some values, or, given none, set free."""
        kept = tuple(pair for pair in self.where if pair[0] != column)
        where = (*kept, (column, values)) if values else kept
        return Filters(self.since, self.until, where, self.kind)

    def during(self, since: dt.datetime | None, until: dt.datetime | None) -> Filters:
        """Return the same filter for another period."""
        return Filters(since, until, self.where, self.kind)


def parse_filters(
    *,
    since: str = "",
    until: str = "",
    where: Sequence[str] = (),
    kind: str = "faults",
) -> Filters:
    """Read filters as they are written on a command line or in an address.

    Parameters
    ----------
    since, until : str
        A date or a date and time, ISO 8601; a bare date as ``until`` is its whole day.
    where : sequence of str
        Each ``COLUMN=VALUE``, split at the first ``=``; the same column twice means either value.
    kind : str
        Kind of fault.

    Raises
    ------
    FilterError
        When one of them cannot be read.
    """
    held: dict[str, list[str]] = {}
    for text in where:
        column, sign, value = text.partition("=")
        column = column.strip().lower()
        if not sign or not column:
            raise FilterError(f"{text or 'a filter'} has no column or no =; write it as bin=7")
        held.setdefault(column, []).append(value.strip())
    return Filters(
        parse_moment(since, "since") if since else None,
        parse_moment(until, "until", end=True) if until else None,
        tuple((column, tuple(dict.fromkeys(values))) for column, values in held.items()),
        kind,
    )


def parse_moment(text: str, name: str, *, end: bool = False) -> dt.datetime:
    """Read a date or a date and time; as an end, it lasts as long as it was given exactly.

    A bare date ends with its day, an hour with its last minute, and a time without seconds with its
    minute. Wall time is meant, so an offset is refused.

    Raises
    ------
    FilterError
        When it cannot be read, or has an offset.
    """
    text = text.strip()
    try:
        try:
            day = dt.date.fromisoformat(text)
            return dt.datetime.combine(day, dt.time.max if end else dt.time.min)
        except ValueError:
            moment = dt.datetime.fromisoformat(text)
    except ValueError:
        raise FilterError(
            f"{name} is {text}; write a date or a date and time, like 2031-04-03 or "
            "2031-04-03T08:05"
        ) from None
    if moment.tzinfo is not None:
        raise FilterError(
            f"{name} is {text}; leave the offset out, since the log is asked by the clock on the "
            "wall"
        )
    short = re.search(r"[^\d:.,]\d{2}(:?\d{2})?$", text)
    if not end or short is None:
        return moment
    minute = moment.minute if short[1] else 59
    return moment.replace(minute=minute, second=59, microsecond=999999)


def known_columns() -> tuple[str, ...]:
    """Return every column that groups and filters may name beside a site's own."""
    names = [*KINDS["runs"].names, *KINDS["stocks"].names, *KINDS["towers"].names, *DERIVED]
    return tuple(dict.fromkeys(names))
