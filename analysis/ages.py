"""How old was each part when a run began, in feeds?

The service log says when a part was fitted, the run log how many feeds followed. The age of a part
in one run of one bin is the feeds of that bin in the runs that began since the part was fitted, up
to the middle of that run: half of its own feeds are counted. Every feed counts, whatever its
purpose.

What the service log says is taken like this:

- *fitted* makes the part new in that bin; without a bin, in every bin of the tower. A service in
  the middle of a run tells from the next run on, since feeds are counted by run.
- *overhauled* renews the part that is named with it. Without one it renews nothing, since the log
  does not say which parts were changed.
- *swapped* leaves the age of the part in that bin unknown until the next fitting, since the log
  does not say where the part came from. Where both stand at one moment, the fitting is the later.
- Nothing else (cleaned, adjusted, inspected, moved) changes an age.

Before the first such entry the age is unknown and not nought: the log began later than the part.

A part of the tower as a whole, such as a pump, ages by the cycles of the tower: of each run the
largest feeds of any bin. A word that is fitted both in bins and in a tower as a whole stands for
two parts. Runs of one tower that began at the same moment are taken in the order of their names.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analysis.words import listed, two_digits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_FITTED, _OVERHAULED, _SWAPPED = "fitted", "overhauled", "swapped"
_EPOCH = dt.datetime(1970, 1, 1)
_MICROSECOND = dt.timedelta(microseconds=1)


@dataclass(frozen=True)
class Ages:
    """The age of every part in every run of every bin.

    Attributes
    ----------
    parts : tuple of str
        Names in lower case, those of bins before those of towers, each in alphabetical order.
    of_tower : tuple of bool
        Of each part, whether it is one of the tower as a whole; its age is then in tower cycles.
    feeds : int array, one per row of the counts
        Feeds of each row.
    ages : float array, parts by rows of the counts
        Feeds (or tower cycles) since the part was fitted, at the middle of the run; NaN where
        that is not known.
    """

    parts: tuple[str, ...]
    of_tower: tuple[bool, ...]
    feeds: IntArray
    ages: FloatArray

    def rows(self, start: int, stop: int) -> Ages:
        """Return the ages of some of the rows."""
        part = self.ages[:, start:stop]
        return Ages(self.parts, self.of_tower, self.feeds[start:stop], part)

    @property
    def unknown(self) -> FloatArray:
        """Share of all feeds at which the age is not known, one per part; NaN without feeds."""
        total = int(self.feeds.sum())
        lost = np.isnan(self.ages) @ self.feeds.astype(np.float64)
        return np.asarray(lost / total if total else np.full(len(self.parts), np.nan))

    def sentence(self) -> str:
        """Say of which parts the age is known, and where it is not, what to log."""
        if not self.parts:
            return (
                "No age is known: the service log has no part that was fitted; log each part with "
                "its bin when it is fitted."
            )
        if not self.feeds.sum():
            return "No age is known: no feeds were logged."
        shares = self.unknown
        known = [self.name(place) for place in np.flatnonzero(shares == 0).tolist()]
        gaps = [
            f"{_percent(float(shares[place]))} of feeds for {self.name(place)}"
            for place in np.flatnonzero(shares > 0).tolist()
        ]
        said = f"Age is known at every feed for {listed(known)}" if known else ""
        if not gaps:
            return f"{said}."
        text = f"{said}, and not known" if known else "Age is not known"
        return (
            f"{text} at {listed(gaps)}: nothing in the service log says when those parts were "
            "fitted."
        )

    def name(self, place: int) -> str:
        """Return what a part is called, those of the tower as a whole by its side."""
        return f"{self.parts[place]} of the tower" if self.of_tower[place] else self.parts[place]


def placed(ages: Ages, fed: pa.Table, counts: pa.Table) -> Ages:
    """How old was each part in the rows of a finer count?

    Parameters
    ----------
    ages : Ages
        Of the rows of `fed`.
    fed : pyarrow.Table
        As given to `ages`.
    counts : pyarrow.Table
        A part of the same log by tower, bin, run and whatever else; with the columns ``of_tower``,
        ``bin`` and ``of_run``, and ``feeds``.

    Returns
    -------
    Ages
        Aligned with the rows of `counts`; unknown where `fed` has no such row.
    """
    if not ages.parts or not counts.num_rows:
        return Ages(
            ages.parts,
            ages.of_tower,
            _whole(counts["feeds"]),
            np.full((len(ages.parts), counts.num_rows), np.nan),
        )
    size = fed.num_rows
    both = [
        pa.chunked_array([*fed[one].cast(kind).chunks, *counts[other].cast(kind).chunks])
        for one, other, kind in (
            ("tower", "of_tower", pa.string()),
            ("bin", "bin", pa.int64()),
            ("of_run", "of_run", pa.string()),
        )
    ]
    key = np.zeros(size + counts.num_rows, dtype=np.int64)
    for column in both:
        coded = pc.dictionary_encode(column.combine_chunks(), null_encoding="encode")
        coded = coded.combine_chunks() if isinstance(coded, pa.ChunkedArray) else coded
        key = key * len(coded.dictionary) + _whole(coded.indices)
    order = np.argsort(key[:size], kind="stable")
    at = np.searchsorted(key[:size], key[size:], sorter=order)
    row = order[np.minimum(at, size - 1)]
    found = np.where(key[row] == key[size:], ages.ages[:, row], np.nan)
    return Ages(ages.parts, ages.of_tower, _whole(counts["feeds"]), found)


@dataclass(frozen=True)
class _Order:
    """Rows of runs, sorted by what ages (a bin or a tower) and by when they began.

    Attributes
    ----------
    rows : int array
        Places of the rows, in that order.
    keys : int array
        What ages and when, as one number that rises in that order.
    before : float array
        Feeds of all earlier rows.
    middle : float array
        Feeds of all earlier rows and half of the row's own.
    starts : int array
        Where each thing that ages begins.
    times : int array
        The different moments of beginning, sorted, in microseconds.
    """

    rows: IntArray
    keys: IntArray
    before: FloatArray
    middle: FloatArray
    starts: IntArray
    times: IntArray


def ages(fed: pa.Table, services: Iterable[Mapping[str, object]]) -> Ages:
    """How old was each part when a run began, in feeds?

    Parameters
    ----------
    fed : pyarrow.Table
        Feeds by tower, bin and run, of all purposes: ``LogScan.by_run(("tower", "bin"),
        Filters())``. Where the bin was not noted, ages of the parts of bins are not known.
    services : iterable of mapping
        Rows of the service log: ``LogScan.list_rows("services")``.

    Returns
    -------
    Ages
        Aligned with the rows of ``fed``; without parts where none was ever fitted.

    Raises
    ------
    ValueError
        Where ``fed`` lacks a column.

    Examples
    --------
    >>> import datetime as dt
    >>> day = [dt.datetime(2031, 3, number) for number in (1, 2, 3)]
    >>> fed = pa.table(
    ...     {"tower": ["A"] * 3, "bin": [1] * 3, "of_run": ["1", "2", "3"], "first": day}
    ...     | {"feeds": [100, 200, 400]}
    ... )
    >>> brush = {"when": day[1], "tower": "A", "bin": 1, "of_tower": False, "part": "Brush"}
    >>> found = ages(fed, [brush | {"action": "fitted"}])
    >>> found.parts, found.ages.tolist()
    (('brush',), [[nan, 100.0, 400.0]])
    >>> print(found.sentence())
    Age is not known at 14 % of feeds for brush: nothing in the service log says when those parts \
were fitted.
    """
    lacking = [
        name
        for name in ("tower", "bin", "of_run", "first", "feeds")
        if name not in fed.column_names
    ]
    if lacking:
        raise ValueError(
            f"counts for ages lack {listed(lacking)}; count them by run, by tower and bin"
        )
    done = [row for row in services if _name_of(row)]
    parts = sorted(
        {(bool(row["of_tower"]), _name_of(row)) for row in done if row["action"] == _FITTED}
    )
    feeds = _whole(fed["feeds"])
    found = np.full((len(parts), len(feeds)), np.nan)
    if parts and len(feeds):
        of_bins, of_towers = _by_bin(fed, feeds), _by_tower(fed, feeds)
        for place, part in enumerate(parts):
            mine = [row for row in done if (bool(row["of_tower"]), _name_of(row)) == part]
            found[place] = (of_towers if part[0] else of_bins).ages(mine)
    return Ages(tuple(name for _, name in parts), tuple(whole for whole, _ in parts), feeds, found)


@dataclass(frozen=True)
class _Aging:
    """All things that age in one way, bins or towers.

    Attributes
    ----------
    order : _Order
        Their runs.
    places : dict of str to dict of int or None to int
        By tower and bin (None for the tower as a whole), the number of what ages.
    back : int array or None
        For each row of the counts, the row of ``order`` whose age it has; None where each has
        its own.
    unplaced : bool array or None
        Rows of the counts whose bin was not noted.
    """

    order: _Order
    places: Mapping[str, Mapping[int | None, int]]
    back: IntArray | None
    unplaced: NDArray[np.bool_] | None

    def ages(self, services: Iterable[Mapping[str, object]]) -> FloatArray:
        """Return the age of one part in each row of the counts, from its entries alone."""
        entries = []
        for row in services:
            renewed = row["action"] in (_FITTED, _OVERHAULED)
            if not renewed and row["action"] != _SWAPPED:
                continue
            here = self.places.get(str(row["tower"]), {})
            number = row["bin"]
            asked = [thing for place, thing in here.items() if number is None or place == number]
            entries += [(_moment(row["when"]), renewed, thing) for thing in asked]
        # Of entries at one moment the fitting comes last, and stands.
        entries.sort()
        found = self._since(entries)
        if self.back is not None:
            found = found[self.back]
        if self.unplaced is not None:
            found = np.where(self.unplaced, np.nan, found)
        return found

    def _since(self, entries: list[tuple[int, bool, int]]) -> FloatArray:
        order = self.order
        when, renewed, thing = (
            np.array([entry[column] for entry in entries], dtype=np.int64) for column in range(3)
        )
        # The first run that began at that moment or later; with none, the end of the list or the
        # first run of the next thing, whose own beginning is marked below.
        rank = np.searchsorted(order.times, when)
        key = thing * (len(order.times) + 1) + rank
        at = np.searchsorted(order.keys, key)
        inside = at < np.append(order.starts[1:], len(order.keys))[thing]
        mark = np.full(len(order.keys), -1, dtype=np.int8)
        mark[order.starts] = 0
        # The last of several that fall between two runs stands: numpy assigns in order.
        mark[at[inside]] = renewed[inside]
        last = np.maximum.accumulate(np.where(mark >= 0, np.arange(len(mark)), 0))
        since = np.where(mark[last] == 1, order.middle - order.before[last], np.nan)
        found = np.empty(len(since))
        found[order.rows] = since
        return found


def _by_bin(fed: pa.Table, feeds: IntArray) -> _Aging:
    towers, tower = _coded(fed["tower"])
    unplaced = fed["bin"].is_null().to_numpy()
    numbers = _whole(pc.fill_null(fed["bin"], 0))
    bins, place = np.unique(numbers, return_inverse=True)
    pairs, thing = np.unique(tower * len(bins) + place, return_inverse=True)
    places: dict[str, dict[int | None, int]] = {}
    for number, pair in enumerate(pairs.tolist()):
        here = places.setdefault(towers[pair // len(bins)], {})
        here[int(bins[pair % len(bins)])] = number
    order = _ordered(thing, _moments(fed["first"]), _coded(fed["of_run"])[1], feeds)
    return _Aging(order, places, None, unplaced)


def _by_tower(fed: pa.Table, feeds: IntArray) -> _Aging:
    towers, tower = _coded(fed["tower"])
    names, run = _coded(fed["of_run"])
    pairs, back = np.unique(tower * len(names) + run, return_inverse=True)
    # A run began when the first of its bins did.
    began = np.full(len(pairs), np.iinfo(np.int64).max)
    np.minimum.at(began, back, _moments(fed["first"]))
    cycles = np.zeros(len(pairs), dtype=np.int64)
    np.maximum.at(cycles, back, feeds)
    order = _ordered(pairs // len(names), began, pairs % len(names), cycles)
    places: dict[str, dict[int | None, int]] = {
        name: {None: number} for number, name in enumerate(towers)
    }
    return _Aging(order, places, np.asarray(back, dtype=np.int64), None)


def _ordered(thing: IntArray, began: IntArray, run: IntArray, feeds: IntArray) -> _Order:
    """Sort runs; ``thing`` numbers what ages from nought without a gap, ``run`` breaks ties."""
    times, rank = np.unique(began, return_inverse=True)
    keys = thing * (len(times) + 1) + rank
    rows = np.lexsort((run, keys))
    own = feeds[rows].astype(np.float64)
    # Sums of whole numbers below 2^53 are exact.
    through = np.cumsum(own)
    starts = np.flatnonzero(np.diff(thing[rows], prepend=-1))
    return _Order(rows, keys[rows], through - own, through - 0.5 * own, starts, times)


def _coded(column: pa.ChunkedArray) -> tuple[list[str], IntArray]:
    """Return the different texts of a column, sorted, and the place of each row's among them."""
    coded = column.combine_chunks().dictionary_encode()
    texts = coded.dictionary
    order = np.asarray(pc.sort_indices(texts), dtype=np.int64)
    places = np.empty(len(order), dtype=np.int64)
    places[order] = np.arange(len(order))
    names: list[str] = texts.take(pa.array(order)).to_pylist()
    return names, places[_whole(coded.indices)]


def _whole(column: pa.ChunkedArray | pa.Array) -> IntArray:
    return np.asarray(column.to_numpy(), dtype=np.int64)


def _moments(column: pa.ChunkedArray) -> IntArray:
    return _whole(column.cast(pa.timestamp("us")).cast(pa.int64()))


def _moment(when: object) -> int:
    # Both logs keep wall time: UTC in its type, and nothing to convert.
    assert isinstance(when, dt.datetime)
    return (when.replace(tzinfo=None) - _EPOCH) // _MICROSECOND


def _name_of(row: Mapping[str, object]) -> str:
    return str(row["part"] or "").strip().lower()


def _percent(share: float) -> str:
    return f"{two_digits(100 * share)} %"
