"""What is carried over to a run that begins now: which bins, which papers, which settings?

Who counts at a tower types as little as can be. What the last run of the tower ended with is put
there for him, but only what mostly stays: bins, stocks and settings. Air is carried over while it
is fresh, and neither lots, nor jobs, nor who was there.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from analysis.log_format import EXTRA
from analysis.site_entry import ASKABLE
from analysis.words import in_rows

#: Bins of a tower of which neither a list nor the log knows how many it has.
USUAL_BINS = 10

#: For how many hours a reading of the air is carried over to another run.
FRESH_HOURS = 4

#: Names of runs that are tried before the last is offered whatever it is.
_NAMES = 100

_AIR = ("humidity_pct", "temperature_c")
_STAYS = ("prepared", "at_end")


@dataclass(frozen=True)
class TowerNow:
    """What a run that begins now on a tower is offered.

    Attributes
    ----------
    tower, site : str
        As the lists or the log name them.
    bins : tuple of int
        From the top of the column down.
    run : str
        The name offered: the one after the last run's; empty where that ends in no number.
    papers : tuple of (tuple of int, str)
        Stocks, each with its bins; the first has none and lies in all others.
    left_empty : tuple of int
        Bins that the last run left empty.
    unwatched : tuple of str
        Kinds of fault for which nothing was watching in any bin.
    values : mapping of str to str
        Settings and what else stays, by column; the air where it is fresh.
    air_at : datetime or None
        When that was read, as far as the log tells: when the first of the runs in a row that have
        it began.
    """

    tower: str
    site: str
    bins: tuple[int, ...]
    run: str
    papers: tuple[tuple[tuple[int, ...], str], ...]
    left_empty: tuple[int, ...]
    unwatched: tuple[str, ...]
    values: Mapping[str, str] = field(hash=False)
    air_at: dt.datetime | None


def towers_now(
    listed: Sequence[Mapping[str, object]], last: Sequence[Mapping[str, object]], now: dt.datetime
) -> tuple[TowerNow, ...]:
    """Return what each tower is offered, in the order of their names.

    Parameters
    ----------
    listed : sequence of mapping
        Rows of the tower list.
    last : sequence of mapping
        Rows of each tower's last run with ``air_since``, as of
        `analysis.counts.LogScan.last_rows`.
    now : datetime
        By the clocks at the towers, without an offset.
    """
    lists = {str(row["tower"]): row for row in listed}
    by_tower: dict[str, list[Mapping[str, object]]] = {name: [] for name in sorted(lists)}
    for row in last:
        by_tower.setdefault(str(row["tower"]), []).append(row)
    return tuple(
        _now(name, lists.get(name, {}), rows, now) for name, rows in sorted(by_tower.items())
    )


def offered_names(towers: Sequence[TowerNow]) -> dict[str, list[str]]:
    """Return by tower the names that may be offered, the first that nobody has used before others.

    A log that is typed late may hold runs with higher numbers than the last one in time.
    """
    found: dict[str, list[str]] = {}
    for one in towers:
        names = found.setdefault(one.tower, [])
        name = one.run
        while name and len(names) < _NAMES:
            names.append(name)
            name = following(name)
    return found


def following(name: str) -> str:
    """Return the run name after one: its number one higher; empty where it ends in none.

    Examples
    --------
    >>> following("0814"), following("B-9"), following("late job")
    ('0815', 'B-10', '')
    """
    match = re.fullmatch(r"(.*?)([0-9]{1,12})", name, re.S)
    return f"{match[1]}{int(match[2]) + 1:0{len(match[2])}d}" if match else ""


def bins_told(bins: Sequence[int]) -> str:
    """Write bins as the log does.

    Examples
    --------
    >>> bins_told([1, 2, 3, 8, 10, 9, 5])
    '1-3 5 8-10'
    """
    rows = in_rows(sorted(bins))
    return " ".join(f"{row[0]}-{row[-1]}" if len(row) > 1 else str(row[0]) for row in rows)


def _now(
    tower: str,
    listed: Mapping[str, object],
    rows: Sequence[Mapping[str, object]],
    now: dt.datetime,
) -> TowerNow:
    # Two runs that began in the same minute: the one that stands last.
    end = max(((str(row["run"]), _whole(row["stretch"])) for row in rows), default=None)
    rows = [row for row in rows if (str(row["run"]), _whole(row["stretch"])) == end]
    number = listed.get("bins")
    highest = max((_whole(row["bin"]) for row in rows), default=0)
    bins = tuple(range(1, (_whole(number) if number else max(USUAL_BINS, highest)) + 1))
    if listed.get("numbered_from") == "bottom":
        bins = bins[::-1]
    fed = [row for row in rows if row["cycles"]]
    # A reading that was carried over from run to run is as old as the first of them.
    begun = rows[0]["air_since"] if rows else None
    values = _values(fed)
    air_at = begun.replace(tzinfo=None) if isinstance(begun, dt.datetime) else None
    if air_at is None or not dt.timedelta(0) <= now - air_at <= dt.timedelta(hours=FRESH_HOURS):
        air_at = None
        values = {name: value for name, value in values.items() if name not in _AIR}
    if not any(name in values for name in _AIR):
        air_at = None
    empty = {_whole(row["bin"]) for row in rows if row["cycles"] == 0}
    return TowerNow(
        tower,
        str(listed.get("site") or ""),
        bins,
        following(str(end[0])) if end else "",
        _papers(fed),
        tuple(one for one in bins if one in empty),
        tuple(kind for kind in ("misses", "doubles") if fed and all(r[kind] is None for r in fed)),
        values,
        air_at,
    )


def _whole(value: object) -> int:
    return int(str(value))


def _papers(fed: Sequence[Mapping[str, object]]) -> tuple[tuple[tuple[int, ...], str], ...]:
    """Return the stock of most bins without them, and the others with theirs."""
    of_stock: dict[str, list[int]] = {}
    for row in fed:
        of_stock.setdefault(str(row["stock"] or ""), []).append(_whole(row["bin"]))
    most = max(of_stock, key=lambda stock: len(of_stock[stock]), default="")
    others = ((tuple(bins), stock) for stock, bins in of_stock.items() if stock not in ("", most))
    return (((), most), *others)


def _values(fed: Sequence[Mapping[str, object]]) -> dict[str, str]:
    """Return what all bins had alike, by column."""
    own = [dict(row[EXTRA]) for row in fed if row.get(EXTRA)]  # type: ignore[call-overload]
    names = [name for name in ASKABLE if name.startswith("set_")]
    names += sorted({name for cells in own for name in cells if name.startswith("set_")})
    found: dict[str, str] = {}
    for name in (*names, *_AIR, *_STAYS):
        cells = {_cell(row, name) for row in fed}
        if len(cells) == 1 and "" not in cells:
            found[name] = cells.pop()
    return found


def _cell(row: Mapping[str, object], name: str) -> str:
    value = row[name] if name in row else dict(row.get(EXTRA) or ()).get(name)  # type: ignore[call-overload]
    return f"{value:g}" if isinstance(value, float) else "" if value is None else str(value)
