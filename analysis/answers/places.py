"""Does the log have the towers, bins, sites and lines that a question names?"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence, Set

from analysis.counts import LogScan
from analysis.filters import FilterError, Filters
from analysis.service_log import Place
from analysis.standing import TowerList
from analysis.words import listed

#: What is said of a log without runs.
NO_RUNS = "the log has no runs yet; add a run log first"

#: Values of a column that are named one by one.
_MOST_NAMES = 40


def listed_towers(scan: LogScan) -> dict[str, TowerList]:
    """Return what the tower list says of each tower."""
    return {
        str(row["tower"]): TowerList(
            bins=row["bins"] if isinstance(row["bins"], int) else None,
            from_top=row["numbered_from"] != "bottom",
            line=str(row["line"] or ""),
        )
        for row in scan.list_rows("towers")
    }


def no_tower(named: str, names: Sequence[str]) -> FilterError:
    """Say that a tower is not in the log, and which are."""
    if not names:
        return FilterError(NO_RUNS)
    return FilterError(f"there is no tower {named} in the log; it has {listed(names)}")


def check_place(scan: LogScan, tower: str, bin: int | None) -> None:
    """Refuse a tower, or a bin of it, that the log does not have.

    Raises
    ------
    analysis.filters.FilterError
        With what it has.
    """
    ran = scan.counts(("tower", "bin"), Filters())
    here = [
        number
        for name, number in zip(ran["tower"].to_pylist(), ran["bin"].to_pylist(), strict=True)
        if name == tower
    ]
    if not here:
        raise no_tower(tower, sorted({str(name) for name in ran["tower"].to_pylist()}))
    numbers = sorted(int(number) for number in here if number is not None)
    if bin is not None and bin not in numbers:
        raise FilterError(
            f"tower {tower} has no bin {bin} in the log; it has "
            f"{listed([str(number) for number in numbers]) if numbers else 'none'}"
        )


def not_known(what: str, name: str, known: Set[str]) -> FilterError:
    """Say that a stock or a tower is not known, and which come nearest."""
    if not known:
        return FilterError(
            f"there is no {what} {name}: the log names none; add a {what} list or a run log"
        )
    near = difflib.get_close_matches(name.upper(), [one.upper() for one in known], 3, 0.5)
    names = [one for one in sorted(known) if one.upper() in near]
    has = f"it has {listed(sorted(known))}"
    if names:
        has = f"the nearest {'is' if len(names) == 1 else 'are'} {listed(names)}"
    return FilterError(f"there is no {what} {name} in the log; {has}")


def check_values(scan: LogScan, filters: Filters) -> None:
    """Refuse a filter's value that no row of the whole log has, of whatever column.

    For questions to which rows without it have no answer: nothing to learn from, nothing to show.

    Raises
    ------
    analysis.filters.FilterError
        With what the log has in that column.
    """
    absent = scan.absent(filters)
    if not absent:
        return
    logged = scan.values(tuple(absent))
    if not scan.account(Filters()).rows:
        raise FilterError(NO_RUNS)
    column, values = next(iter(absent.items()))
    if "" in values:
        raise FilterError(f"the log has no row without {column}; leave that out")
    # A whole number of a column of numbers is written as it is typed.
    names = {name.removesuffix(".0") for name in logged[column] if name is not None}
    raise _no_such(column, values, names)


def _no_such(column: str, values: Sequence[str], names: Set[str]) -> FilterError:
    """Say that a column has no such values, and which it has, or the nearest of many."""
    has = listed(sorted(names, key=lambda n: (len(n), n))) if names else "none"
    if len(names) > _MOST_NAMES:
        near = difflib.get_close_matches(values[0], sorted(names), 3, 0)
        has = f"{len(names):,} others, the nearest {listed(near)}"
    return FilterError(f"there is no {column} {listed(values)} in the log; it has {has}")


def asked_places(scan: LogScan, filters: Filters) -> Callable[[Place], bool]:
    """Return what tells whether a bin, or a tower as a whole, is within a filter.

    Raises
    ------
    analysis.filters.FilterError
        For a column that cannot be, and for a tower, bin, site or line that the log does not have.
    """
    towers = {str(row["tower"]): row for row in scan.list_rows("towers")}
    scan.check_columns([column for column, _ in filters.where])
    ran = scan.values(("tower", "bin"))
    known = {
        "tower": {*map(str, ran["tower"]), *towers},
        "bin": {str(number) for number in ran["bin"] if number is not None},
        "site": {str(row["site"] or "") for row in towers.values()},
        "line": {str(row["line"] or "") for row in towers.values()},
    }
    for column, names in known.items():
        unknown = [value for value in filters.values(column) if value not in names]
        if unknown:
            raise _no_such(column, unknown, names)

    def asked(place: Place) -> bool:
        tower, number = place
        row = towers.get(tower, {})
        names = filters.values("tower")
        if names and tower not in names:
            return False
        for column in ("site", "line"):
            wanted = filters.values(column)
            if wanted and str(row.get(column) or "") not in wanted:
                return False
        bins = filters.values("bin")
        return not bins or (number is not None and str(number) in bins)

    return asked
