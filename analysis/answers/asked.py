"""Which rows of the log does a question mean, and which is its answer learnt from?"""

from __future__ import annotations

import datetime as dt

from analysis.counts import LogScan
from analysis.filters import FilterError, Filters
from analysis.words import listed

#: The whole log.
EVERYTHING = Filters()

#: What the overview shows when no period is asked for: so many days to the last one logged.
USUAL_DAYS = 30

#: The log's times are whole microseconds: so much lies between the end of a period and the next.
A_MOMENT = dt.timedelta(microseconds=1)

#: What streams can be held to: a stock or a setting comes and goes within a stream.
_OF_STREAMS = ("tower", "bin", "site", "line", "purpose")


def production(filters: Filters) -> Filters:
    """Return a filter that holds production, unless it holds a purpose already."""
    if filters.values("purpose"):
        return filters
    return filters.holding("purpose", "production")


def whole_log(filters: Filters) -> Filters:
    """Return the filter of the whole log with the purposes and the kind of another."""
    return Filters(kind=filters.kind).holding("purpose", *filters.values("purpose"))


def learnt_from(filters: Filters) -> Filters:
    """Return the filter of all that is learnt from, to answer for the streams of another.

    All towers from the log's beginning to the end of the period, in production unless the other
    holds a purpose.
    """
    return whole_log(production(filters)).during(None, filters.until)


def of_streams_alone(filters: Filters, what: str, why: str) -> None:
    """Refuse a filter that holds more than streams can be held to.

    Parameters
    ----------
    filters : Filters
        That was asked with.
    what, why : str
        What is asked of the rows, and why it can be asked of whole streams alone; for the message.

    Raises
    ------
    analysis.filters.FilterError
        Where it holds a column that comes and goes within a stream.
    """
    held = [column for column, _ in filters.where if column not in _OF_STREAMS]
    if held:
        raise FilterError(
            f"{listed(held)} cannot be asked of {what}, since {why}; ask for {listed(_OF_STREAMS)} "
            "or a period"
        )


def with_period(scan: LogScan, filters: Filters) -> Filters:
    """Fill in what is missing of the period: the last 30 days, in whole days."""
    if filters.since and filters.until:
        return filters
    # The last day of the whole log: "last month" is the same for a tower that stood still.
    last = scan.account(Filters()).last or dt.datetime(2000, 1, 1)
    until = filters.until or dt.datetime.combine(last.date(), dt.time.max)
    since = filters.since
    if since is None:
        since = dt.datetime.combine(until.date(), dt.time.min)
        since -= dt.timedelta(days=USUAL_DAYS - 1)
    if since > until:
        until = dt.datetime.combine(since.date(), dt.time.max)
    return filters.during(since, until)
