"""What of the runs of one tower do patterns look at?

The rows of a tower beside what was to be expected of them (`analysis.judged`), with what the stock
list says of their paper, the air, the settings, and what else was in the run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.conditions_levels import encoded, level_name
from analysis.judged import Judged
from analysis.patterns import BIN_EMPTY, ONE_STOCK, PAPER, UNDER_COVER
from analysis.service_log import Service

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Sheets below and from these grammages are light and heavy; papers up to this area are small.
_LIGHT, _HEAVY, _SMALL = 75.0, 200.0, 70_000.0


@dataclass(frozen=True)
class Rows:
    """Rows of one tower, and what patterns look at.

    Attributes
    ----------
    bin : int array
        Number of each row's bin.
    run : int array
    started : datetime64[us] array
    faults, expected : float array
        Expected of that paper, air and settings at an ordinary bin of this tower.
    feeds : float array
    level : float array
        Of each row's bin, as the whole log has it.
    effects : mapping of str to float array
        As of `Judged`.
    ages : mapping of str to float array
        Of each part, by its name in lower case; NaN where unknown.
    paper : mapping of str to bool array
        By the words of `analysis.patterns`, for papers that the stock list describes.
    described : bool array
        Whether the stock list says what paper it is.
    stock : int array
        Place in `stocks`; -1 where none was logged.
    stocks : tuple of str
    humidity : float array
        NaN where not logged.
    settings : mapping of str to (tuple of str, int array)
        Levels of each setting, and which of them each row has; -1 where not logged.
    run_is : mapping of str to bool array
        By the words of `analysis.patterns`.
    variance, between_bins, between_weeks : float
        As of `Judged`, of this tower.
    services : tuple of Service
        Of this tower, in order.
    """

    bin: IntArray
    run: IntArray
    started: NDArray[np.datetime64]
    faults: FloatArray
    expected: FloatArray
    feeds: FloatArray
    level: FloatArray
    effects: Mapping[str, FloatArray]
    ages: Mapping[str, FloatArray]
    paper: Mapping[str, BoolArray]
    described: BoolArray
    stock: IntArray
    stocks: tuple[str, ...]
    humidity: FloatArray
    settings: Mapping[str, tuple[tuple[str, ...], IntArray]]
    run_is: Mapping[str, BoolArray]
    variance: float
    between_bins: float
    between_weeks: float
    services: tuple[Service, ...]

    @property
    def bins(self) -> list[int]:
        """Numbers of the bins, in order."""
        return sorted(set(self.bin.tolist()))


def rows_of(
    tower: str,
    judged: Judged,
    counts: pa.Table,
    stocks: Sequence[Mapping[str, object]],
    services: Sequence[Service],
) -> Rows:
    """Gather the rows of one tower.

    Parameters
    ----------
    tower : str
        Which.
    judged : Judged
        Of one kind of fault; its parts with their ages.
    counts : pyarrow.Table
        The rows of the scan that `Judged.kept` points at.
    stocks : sequence of mapping
        Rows of the stock list.
    services : sequence of Service
        Of all towers, in any order.
    """
    here = np.array([name == tower for name, _ in judged.places], dtype=bool)[judged.place]
    mine = judged.of(here)
    some = counts.take(pa.array(mine.kept))
    number = np.array([bin_ for _, bin_ in mine.places], dtype=np.int64)[mine.place]
    names, stock = encoded(some["stock"])
    listed = {str(row["stock"]): row for row in stocks}
    described = np.array([name is not None and name in listed for name in names], dtype=bool)
    paper = {
        word: np.array([_is(word, listed.get(name or "", {})) for name in names], dtype=bool)[stock]
        for word in PAPER
        if word != ONE_STOCK
    }
    known = [place for place, name in enumerate(names) if name is not None]
    again = np.full(len(names), -1, dtype=np.int64)
    again[known] = np.arange(len(known))
    settings = {}
    for column in some.column_names:
        if column.startswith("set_"):
            entries, at = encoded(some[column])
            levels = [level_name(entry) for entry in entries]
            order = sorted({one for one in levels if one is not None})
            code = np.array([order.index(one) if one is not None else -1 for one in levels])
            settings[column] = (tuple(order), code.astype(np.int64)[at])
    runs = int(mine.run.max(initial=-1)) + 1
    heavy = np.zeros(runs, dtype=bool)
    heavy[mine.run[paper["heavy"]]] = True
    pairs = np.unique(np.stack([mine.run, number]), axis=1)
    fed = np.bincount(pairs[0], minlength=runs)
    return Rows(
        bin=number,
        run=mine.run,
        started=mine.started,
        faults=mine.faults,
        expected=mine.expected,
        feeds=mine.feeds,
        level=mine.level[mine.place],
        effects=mine.effects,
        # A part of the tower as a whole goes before parts of bins of the same name.
        ages={
            part: mine.ages[place]
            for place, part in sorted(enumerate(mine.parts), key=lambda p: mine.of_tower[p[0]])
        },
        paper=paper,
        described=described[stock],
        stock=again[stock],
        stocks=tuple(str(names[place]) for place in known),
        humidity=some["humidity_pct"].to_numpy(zero_copy_only=False).astype(np.float64),
        settings=settings,
        run_is={
            UNDER_COVER: heavy[mine.run] & ~paper["heavy"],
            BIN_EMPTY: (fed < np.unique(number).size)[mine.run],
        },
        variance=float(judged.variance.get(tower, 0.0)),
        between_bins=judged.between_bins,
        between_weeks=judged.between_weeks,
        services=tuple(
            sorted((one for one in services if one.tower == tower), key=lambda one: one.when)
        ),
    )


def _is(word: str, stock: Mapping[str, object]) -> bool:
    grammage, width, height = (stock.get(n) for n in ("grammage_gsm", "width_mm", "height_mm"))
    weight = float(grammage) if isinstance(grammage, int | float) else np.nan
    area = np.nan
    if isinstance(width, int | float) and isinstance(height, int | float):
        area = float(width) * float(height)
    return {
        "toner": stock.get("printed_by") == "toner",
        "offset": stock.get("printed_by") == "offset",
        "coated": stock.get("coating") == "coated",
        "uncoated": stock.get("coating") == "uncoated",
        "light": weight < _LIGHT,
        "heavy": weight >= _HEAVY,
        "large": area > _SMALL,
        "heavy or large": weight >= _HEAVY or area > _SMALL,
        "special": bool(stock.get("special")),
    }[word]
