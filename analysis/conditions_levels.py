"""How do rows of the log become levels of the model of conditions?

Each thing that the rate may depend on (`analysis.conditions`) is at one of a few levels in each
row: a stock, a reading of the air, a level of a setting, a step of a part's age. What was not
logged is a level of its own.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analysis.ages import Ages
from analysis.air_readings import Readings, readings
from analysis.filters import HUMIDITY_BANDS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: What the level of an empty entry is called.
NOT_LOGGED = HUMIDITY_BANDS[-1]

#: Columns of the run log that the model uses, beside settings. The purpose matters where several
#: are asked for: make-ready has faults of its own.
COLUMNS = ("tower", "bin", "stock", "humidity_pct", "temperature_c", "purpose", "prepared")

#: Stands for toner-printed papers and for all others among the humidity curves.
TONER, OTHERS = "toner", "other"

#: Of more different words than this those with the fewest feeds are taken together.
_MOST_WORDS = 24

#: What levels of a setting are called that are taken together.
_OTHER_LEVELS = "all others"

#: Readings beyond these, in degrees Celsius, do not pass intake.
_TEMPERATURES = (-20, 60)

#: A setting of whose variation less than this share lies within stocks follows the paper: it is
#: left to the stocks, for what it does could only be told apart by the odd slip of the pen.
_FOLLOWING = 0.02

#: Ages of parts go by steps of so many feeds; beyond so many steps they count as that.
AGE_STEP = 10_000
_MOST_STEPS = 2000

#: Where papers of one weight end and those of the next begin, in g/m2. The weight from which coated
#: stock runs without the spring, about 80 pounds of text, is one; common practice, no source.
_WEIGHTS = ((75, "light"), (118, "body"), (200, "heavy"), (float("inf"), "cover"))

#: Sheets up to this many square millimetres, A4 and letter with tabs among them, are small.
_SMALL = 70_000

_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?")


@dataclass(frozen=True)
class Levels:
    """How one column of the log becomes a term.

    Attributes
    ----------
    column : str
        Of the log.
    names : tuple of str or None
        Different entries as text, in their order; None is *not logged*.
    numbers : tuple of float, optional
        Of each entry, where they all are numbers (NaN for *not logged*).
    rest : int
        Place of the level that entries go to which are not named: of many words, those with few
        feeds are one level. -1 where there is none.
    """

    column: str
    names: tuple[str | None, ...]
    numbers: tuple[float, ...] | None
    rest: int = -1

    def shown(self, place: int) -> str:
        """Return what a level is called."""
        name = self.names[place]
        return NOT_LOGGED if name is None else name


@dataclass(frozen=True)
class Rows:
    """Rows of the log as the model sees them.

    Attributes
    ----------
    faults, feeds : float array
        Of the kind that is asked for.
    kept : int array
        Which rows of the counts these are: those with feeds watched for that kind in a known bin.
    codes : mapping of str to int array
        Level of each row by term; -1 for one that the model does not know.
    run, day : int array
        Run and day (of the tower) of each row, from 0.
    week : int array
        Tower and week of each row, from 0.
    """

    faults: FloatArray
    feeds: FloatArray
    kept: IntArray
    codes: Mapping[str, IntArray]
    run: IntArray
    day: IntArray
    week: IntArray


@dataclass(frozen=True)
class Layout:
    """The levels that a model was fitted on, in the order of their codes.

    Attributes
    ----------
    places : tuple of (str, int)
        Towers and their bins.
    towers : tuple of str
    stocks : Levels
    toner : bool array
        Of each stock, whether it is printed by toner.
    kind_of_paper : int array
        Of each stock, a number from 0: papers of one weight and coating have the same.
    settings : tuple of Levels
        Of what a run is for, of preparation and of each setting, where there are two or more.
    follows : tuple of str
        Columns that are left to the stocks, since every stock has one level or nearly so.
    humidity, temperature : Readings
        Percent; degrees Celsius.
    parts : tuple of str
        Whose age is known somewhere.
    fine : tuple of bool
        Of each part, whether it is one of a bin and not of the tower as a whole.
    """

    places: tuple[tuple[str, int], ...]
    towers: tuple[str, ...]
    stocks: Levels
    toner: BoolArray
    kind_of_paper: IntArray
    settings: tuple[Levels, ...]
    follows: tuple[str, ...]
    humidity: Readings
    temperature: Readings
    parts: tuple[str, ...]
    fine: tuple[bool, ...]

    def rows(self, counts: pa.Table, kind: str, ages: Ages | None) -> Rows:
        """Read rows of a scan; see `analysis.conditions_model.Model.rows`."""
        some = pc.and_(pc.greater(counts[f"feeds_{kind}"], 0), pc.is_valid(counts["bin"]))
        kept = np.flatnonzero(some.to_numpy(zero_copy_only=False))
        counts = counts.take(pa.array(kept))
        tower_names, tower_at = encoded(counts["of_tower"])
        towers = _placed(tower_names, self.towers)[tower_at]
        number = counts["bin"].to_numpy()
        index = {place: code for code, place in enumerate(self.places)}
        most = int(number.max(initial=0)) + 1
        pairs, at = np.unique(tower_at * most + number, return_inverse=True)
        of_pair = [index.get((tower_names[p // most], int(p % most)), -1) for p in pairs]
        codes: dict[str, IntArray] = {
            "tower": towers,
            "bin": np.array(of_pair, dtype=np.int64)[at],
        }
        stock = self._coded(self.stocks, counts["stock"])
        codes["stock"] = stock
        tower_run = _numbered(tower_at, encoded(counts["of_run"])[1])
        # A run belongs to the day on which it began, all of it.
        first = _began(counts, tower_run)
        calendar = _week(first)
        humidity = _numbers(counts["humidity_pct"])
        toner = np.where(stock >= 0, self.toner[np.maximum(stock, 0)], False)
        codes["air"] = self.humidity.codes(humidity, calendar) + self.humidity.size * toner
        warm = _numbers(counts["temperature_c"])
        codes["temperature_c"] = self.temperature.codes(warm, calendar)
        paper = np.where(stock >= 0, self.kind_of_paper[np.maximum(stock, 0)], -1)
        for levels in self.settings:
            code = self._coded(levels, counts[levels.column])
            known = (code >= 0) & (paper >= 0)
            codes[levels.column] = np.where(known, paper * len(levels.names) + code, -1)
        for number, part in enumerate(self.parts):
            codes[f"age {part}"] = _age_codes(ages, number, kept)
        day = _numbered(tower_at, first)
        week = _numbered(tower_at, calendar)
        return Rows(
            faults=counts[kind].to_numpy().astype(np.float64),
            feeds=counts[f"feeds_{kind}"].to_numpy().astype(np.float64),
            kept=kept,
            codes=codes,
            run=tower_run,
            day=day,
            week=week,
        )

    def _coded(self, levels: Levels, column: pa.ChunkedArray) -> IntArray:
        names, at = encoded(column)
        if levels is not self.stocks:
            names = [level_name(name) for name in names]
        placed = _placed(names, levels.names)
        if levels.rest >= 0:
            placed = np.where(placed < 0, levels.rest, placed)
        return placed[at]


def layout_of(
    counts: pa.Table,
    kind: str,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    ages: Ages | None,
) -> Layout:
    """Which levels does a scan hold that a model can be fitted on?

    Parameters
    ----------
    counts, kind, stocks, settings, ages
        As of `analysis.conditions.conditions`.
    """
    some = counts.filter(
        pc.and_(pc.greater(counts[f"feeds_{kind}"], 0), pc.is_valid(counts["bin"]))
    )
    places = sorted(
        (str(row["of_tower"]), int(row["bin"]))
        for row in some.select(["of_tower", "bin"])
        .group_by(["of_tower", "bin"])
        .aggregate([])
        .to_pylist()
    )
    listed = {str(row["stock"]): row for row in stocks}
    named = _stock_levels(some["stock"])
    # Papers are alike in how they take settings that are of one weight and coating.
    kinds = [paper_traits(listed.get(name or ""))[:2] for name in named.names]
    order = sorted(set(kinds))
    feeds = _numbers(some[f"feeds_{kind}"])
    logged = [_levels(column, some[column], feeds) for column in ("purpose", "prepared", *settings)]
    tower_run = _numbered(encoded(some["of_tower"])[1], encoded(some["of_run"])[1])
    week = _week(_began(some, tower_run))
    follows = tuple(
        levels.column
        for levels in logged
        if len(levels.names) > 1 and _follows(some["stock"], some[levels.column], feeds)
    )
    return Layout(
        places=tuple(places),
        towers=tuple(sorted({tower for tower, _ in places})),
        stocks=named,
        toner=np.array(
            [listed.get(name or "", {}).get("printed_by") == TONER for name in named.names]
        ),
        kind_of_paper=np.array([order.index(kind) for kind in kinds], dtype=np.int64),
        settings=tuple(
            levels for levels in logged if len(levels.names) > 1 and levels.column not in follows
        ),
        follows=follows,
        humidity=readings(_numbers(some["humidity_pct"]), week, feeds, 0, 100),
        temperature=readings(_numbers(some["temperature_c"]), week, feeds, *_TEMPERATURES),
        parts=tuple(ages.name(place) for place in range(len(ages.parts))) if ages else (),
        fine=tuple(not whole for whole in ages.of_tower) if ages else (),
    )


def _follows(stock: pa.ChunkedArray, setting: pa.ChunkedArray, feeds: FloatArray) -> bool:
    """Tell whether a setting hardly varies on one stock, though it does between stocks."""
    stocks, of_stock = encoded(stock)
    entries, at = encoded(setting)
    names = [level_name(name) for name in entries]
    level = _placed(names, list(dict.fromkeys(names)))[at]
    fed = np.bincount(of_stock * len(names) + level, feeds, len(stocks) * len(names))
    fed = fed.reshape(len(stocks), len(names))
    share = fed.sum(axis=0) / fed.sum()
    inside = np.divide(fed, fed.sum(axis=1, keepdims=True), where=fed > 0, out=np.ones_like(fed))
    within = float((fed * (1 - inside)).sum())
    return within < _FOLLOWING * float(fed.sum()) * float((share * (1 - share)).sum())


def _stock_levels(values: pa.ChunkedArray) -> Levels:
    names = sorted(set(encoded(values)[0]), key=lambda name: (name is None, name or ""))
    return Levels("stock", tuple(names), None)


def _levels(column: str, values: pa.ChunkedArray, feeds: FloatArray) -> Levels:
    found, at = encoded(values)
    fed: dict[str | None, float] = {}
    for name, fed_at in zip(found, np.bincount(at, feeds, len(found)), strict=True):
        fed[level_name(name)] = fed.get(level_name(name), 0.0) + float(fed_at)
    order = sorted(fed, key=lambda name: (name is None, _in_order(name or "")))
    given = [name for name in order if name is not None]
    if len(given) > 1 and all(_NUMBER.fullmatch(name) for name in given):
        numbers = tuple(float("nan") if name is None else float(name) for name in order)
        return Levels(column, tuple(order), numbers)
    if len(given) <= _MOST_WORDS:
        return Levels(column, tuple(order), None)
    kept = set(sorted(given, key=lambda name: (-fed[name], name))[: _MOST_WORDS - 1])
    names: list[str | None] = [name for name in given if name in kept]
    names += [_OTHER_LEVELS, *([None] if None in fed else [])]
    return Levels(column, tuple(names), None, names.index(_OTHER_LEVELS))


def level_name(entry: str | None) -> str | None:
    """Return a level as it is told: one name for a number however it was written.

    An entry that says that nothing was logged is no level.
    """
    if entry is None or entry.strip().lower() in ("", NOT_LOGGED):
        return None
    if _NUMBER.fullmatch(entry):
        number = float(entry)
        return str(int(number)) if number == int(number) else repr(number)
    return entry


def _in_order(name: str) -> tuple[int, float, str]:
    return (0, float(name), "") if _NUMBER.fullmatch(name) else (1, 0.0, name)


def paper_traits(stock: Mapping[str, object] | None) -> tuple[str, str, str, str]:
    """Say what kind of paper a stock is: its weight, coating, how it is printed, and its size.

    Parameters
    ----------
    stock : mapping or None
        Its row of the stock list; None where it is not listed.

    Returns
    -------
    tuple of str
        A word each; empty for what is not known.
    """
    if stock is None:
        return ("", "", "", "")
    coating, printed_by = str(stock.get("coating") or ""), str(stock.get("printed_by") or "")
    return (_weight(stock), coating, printed_by, _size(stock))


def _weight(stock: Mapping[str, object]) -> str:
    grammage = stock.get("grammage_gsm")
    if not isinstance(grammage, int | float):
        return ""
    return next(name for limit, name in _WEIGHTS if grammage < limit)


def _size(stock: Mapping[str, object]) -> str:
    width, height = stock.get("width_mm"), stock.get("height_mm")
    if not isinstance(width, int | float) or not isinstance(height, int | float):
        return ""
    return "small" if width * height <= _SMALL else "large"


def _numbers(column: pa.ChunkedArray) -> FloatArray:
    return np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)


def _days(counts: pa.Table) -> IntArray:
    """Return the day on which each row began, counted from 1970."""
    days: IntArray = counts["first"].to_numpy().astype("datetime64[D]").astype(np.int64)
    return days


def _began(counts: pa.Table, run: IntArray) -> IntArray:
    """Return the day on which the run of each row began, counted from 1970."""
    day = _days(counts)
    first = np.full(int(run.max(initial=-1)) + 1, np.iinfo(np.int64).max)
    np.minimum.at(first, run, day)
    return np.asarray(first[run])


def _week(day: IntArray) -> IntArray:
    # Day 0 was a Thursday; weeks begin on Monday.
    return np.asarray((day + 3) // 7)


def encoded(column: pa.ChunkedArray) -> tuple[list[str | None], IntArray]:
    """Return the different entries of a column as text, and which of them each row has."""
    whole = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    coded = pc.dictionary_encode(whole, null_encoding="encode")
    coded = coded.combine_chunks() if isinstance(coded, pa.ChunkedArray) else coded
    names = [
        None if name is None or name == "" else str(name) for name in coded.dictionary.to_pylist()
    ]
    return names, coded.indices.to_numpy(zero_copy_only=False).astype(np.int64)


def _placed(names: Sequence[str | None], known: Sequence[str | None]) -> IntArray:
    index = {name: code for code, name in enumerate(known)}
    return np.array([index.get(name, -1) for name in names], dtype=np.int64)


def _numbered(*codes: IntArray) -> IntArray:
    """Return a number from 0 for each combination of several codes, in their order."""
    key = codes[0]
    for code in codes[1:]:
        low = int(code.min(initial=0))
        key = key * (int(code.max(initial=0)) - low + 1) + (code - low)
    return np.unique(key, return_inverse=True)[1].astype(np.int64)


def _age_codes(ages: Ages | None, part: int, kept: IntArray) -> IntArray:
    """Return ages in steps of 10,000 feeds; 0 is unknown."""
    if ages is None:
        return np.zeros(kept.size, dtype=np.int64)
    age = ages.ages[part][kept]
    unknown = np.isnan(age)
    steps = np.floor(np.where(unknown, 0.0, age) / AGE_STEP).astype(np.int64)
    return np.where(unknown, 0, np.minimum(steps, _MOST_STEPS - 1) + 1)
