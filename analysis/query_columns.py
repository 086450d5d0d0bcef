"""What is a column of the log called in a query, and what are its values compared with?

In a query ``r`` is the run log, and ``s`` and ``t`` are the lists of stocks and towers, which are
joined where one of their columns is asked for.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence

from analysis.filters import HUMIDITY_BANDS, FilterError, Filters
from analysis.log_format import DERIVED, EXTRA, KINDS, LARGEST_WHOLE, Column, Kind
from analysis.snapshot import literal, quoted

# Wall time without a zone, so that no session setting can shift it.
WALL = "make_timestamp(epoch_us(r.started))"

#: Derived columns as rows are grouped by them: numbers, dates and moments, in the order of what
#: they stand for. Writing them out costs more than all else, so that is left to the few groups.
DERIVED_KEY = {
    "day": f"{WALL}::date",
    "week": f"date_trunc('week', {WALL})",
    "month": f"date_trunc('month', {WALL})",
    # Which of HUMIDITY_BANDS, counted from nought.
    "humidity_band": (
        f"case when r.humidity_pct is null then {len(HUMIDITY_BANDS) - 1}::tinyint else "
        "greatest(2, least(7, floor(r.humidity_pct / 10)::tinyint)) - 2 end"
    ),
}
_BANDS = ", ".join(f"'{band}'" for band in HUMIDITY_BANDS)
_DERIVED_TEXT = {
    "day": "strftime({}, '%Y-%m-%d')",
    "week": "strftime({}, '%G-W%V')",
    "month": "strftime({}, '%Y-%m')",
    "humidity_band": f"[{_BANDS}][{{}} + 1]",
}


def names_people(column: str) -> bool:
    """Tell whether a column says who ran the tower: nothing is ever compared by that."""
    return column == "operator" or bool(_PEOPLE.search(column))


# In a site's own columns: set_operator, crew_leader. A word alone, so that set_namely is none.
_PEOPLE = re.compile(r"(^|_)(operator|operators|crew|person|people|who|initials|staff)(_|$)")


def home(name: str) -> str:
    """Tell whose column it is: run log (r), stock list (s), tower list (t), derived or own (x)."""
    if name in DERIVED:
        return "x"
    letters: dict[Kind, str] = {"runs": "r", "stocks": "s", "towers": "t"}
    return next((letter for kind, letter in letters.items() if name in KINDS[kind].names), "x")


def _column(name: str) -> Column | None:
    kinds: tuple[Kind, ...] = ("runs", "stocks", "towers")
    return next((KINDS[kind].column(name) for kind in kinds if name in KINDS[kind].names), None)


def joined(name: str) -> str:
    """Return how a list is joined that a column belongs to; nothing for the run log's own."""
    joins = {
        "s": "left join stocks s on r.stock = s.stock",
        "t": "left join towers t on r.tower = t.tower",
    }
    return joins.get(home(name), "")


def of_extra(name: str) -> str:
    """Return the cell of a column that the format does not name."""
    return f"r.{EXTRA}[{literal(name)}]"


def key_of(name: str) -> str:
    """Return what rows are grouped by for a column: quick to work out, in the column's order."""
    if name in DERIVED:
        return DERIVED_KEY[name]
    letter = home(name)
    if letter == "x":
        return of_extra(name)
    place = f"{letter}.{quoted(name)}"
    if _is_moment(name):
        return f"date_trunc('second', make_timestamp(epoch_us({place})))"
    return place


def keyed(keys: Mapping[str, str]) -> list[str]:
    """Return what rows are grouped by, each under the name that a mapping to columns gives it."""
    return [f"{key_of(name)} as {key}" for key, name in keys.items()]


def text_of(name: str, key: str) -> str:
    """Return how a key of a column is shown: as text where it stands for something else."""
    if name in DERIVED:
        return _DERIVED_TEXT[name].format(key)
    return f"strftime({key}, '%Y-%m-%dT%H:%M:%S')" if _is_moment(name) else key


def _shown(name: str) -> str:
    """Return a column as a filter's value is compared with it."""
    return text_of(name, key_of(name))


def _is_moment(name: str) -> bool:
    column = _column(name)
    return column is not None and column.type == "moment"


def terms_of(filters: Filters, by: Sequence[str]) -> tuple[str, list[object], str]:
    """Return the condition of a filter, the values for its places, and what has to be joined.

    Parameters
    ----------
    filters : Filters
        Rows that are asked for.
    by : sequence of str
        Columns that the query names beside those of the filter.

    Raises
    ------
    FilterError
        For a value that its column cannot have.
    """
    named = [*by, *(column for column, _ in filters.where)]
    joins = " ".join(dict.fromkeys(filter(None, map(joined, named))))
    clauses = ["true"]
    values: list[object] = []
    # The column as it is stored, so that files of other times are passed over.
    if filters.since is not None:
        clauses.append("r.started >= ?")
        values.append(filters.since.replace(tzinfo=dt.UTC))
    if filters.until is not None:
        clauses.append("r.started <= ?")
        values.append(filters.until.replace(tzinfo=dt.UTC))
    for column, wanted in filters.where:
        either = []
        for value in wanted:
            typed = _typed(column, value)
            if typed is None:
                either.append(f"{_shown(column)} is null")
            else:
                either.append(f"{_shown(column)} = ?")
                values.append(typed)
        clauses.append(f"({' or '.join(either)})")
    return " and ".join(clauses), values, joins


def _typed(name: str, value: str) -> str | int | float | None:
    """Turn a filter's value into the column's type; None means not logged."""
    column = _column(name)
    if name == "humidity_band":
        value = value or "not logged"
        if value not in HUMIDITY_BANDS:
            raise FilterError(f"humidity_band is {value}; write one of {', '.join(HUMIDITY_BANDS)}")
        return value
    if value == "":
        return None
    if column is None or column.type in ("key", "text"):
        return value
    if column.type == "choice":
        if value.lower() not in column.choices:
            raise FilterError(f"{name} is {value}; write one of {', '.join(column.choices)}")
        return value.lower()
    if (column.type == "count" and value.lower() == "off") or (name == "bin" and value == "?"):
        return None
    if column.type == "moment":
        try:
            return dt.datetime.fromisoformat(value).strftime("%Y-%m-%dT%H:%M:%S")
        except ValueError:
            raise FilterError(f"{name} is {value}; write it like 2031-04-03T08:05") from None
    try:
        if column.type == "number":
            return float(value)
        # Nothing beyond it is ever stored, and larger ones do not fit the query.
        return max(-LARGEST_WHOLE - 1, min(int(value), LARGEST_WHOLE + 1))
    except ValueError:
        raise FilterError(f"{name} is {value}; write a number, or nothing for not logged") from None
