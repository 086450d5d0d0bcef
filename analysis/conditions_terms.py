"""What may paper, air, settings and age add to the rate, and how far before a log is looked at?

The terms of the regression behind `analysis.conditions`: tower and bin, stock, curves over the
air, levels or lines of settings, and the age of parts, each with the ridges that hold it back.

References
----------
Eilers PHC, Marx BD (1996). Flexible smoothing with B-splines and penalties. Statistical Science
11:89-121.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.air_readings import Readings
from analysis.conditions_levels import AGE_STEP, Layout, Levels, Rows, paper_traits
from analysis.regression_terms import Penalty, Term, levels_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Where effects are stated (ISO 187).
STATED_HUMIDITY, STATED_TEMPERATURE = 50, 23

# Standard deviations of log ratios before a log is looked at. Wide enough to be overruled by a few
# dozen faults: a ratio of seven is two of them for a level of a setting.
_LEVEL_SD, _KIND_OF_PAPER_SD, _TOWER_SD, _NOT_LOGGED_SD = 1.0, 0.5, 1.0, 0.7

# Of what goes with one standard deviation of a number.
_SLOPE_SD = 0.7

# What a stock may at least be off its kind, and the curve of air rise or fall over 5 %: estimated
# from a log in which most are alike, either would shrink the one that is not.
_LEAST_STOCK_SD, _LEAST_STEP_SD = 0.6, 0.15

#: Numbers with more different values than this are on a line and nothing else.
_MOST_LEVELS = 12
#: The curve over the air has a knot every so many percent.
_KNOTS_APART = 5
#: Effects of age are for every so many feeds.
_PER_AGE = 100_000


def terms_of(layout: Layout, rows: Rows, stocks: Sequence[Mapping[str, object]]) -> list[Term]:
    """Lay out all that the rate may depend on, as terms of a regression.

    Parameters
    ----------
    layout : Layout
        The levels there are.
    rows : Rows
        Of the log, read by it.
    stocks : sequence of mapping
        Rows of the stock list.
    """
    terms = [
        levels_of("tower", rows.codes["tower"], len(layout.towers), 1 / _TOWER_SD**2),
        levels_of("bin", rows.codes["bin"], len(layout.places), None, fine=True),
        _stock_term(layout, rows.codes["stock"], stocks),
    ]
    air = _air_term(rows.codes["air"], layout.humidity)
    warm = _temperature_term(layout, rows)
    terms += [term for term in (air, warm) if term is not None]
    terms += [_setting_term(layout, levels, rows) for levels in layout.settings]
    for part, fine in zip(layout.parts, layout.fine, strict=True):
        age = _age_term(part, rows, fine=fine)
        terms += [age] if age is not None else []
    return terms


def _stock_term(layout: Layout, codes: IntArray, stocks: Sequence[Mapping[str, object]]) -> Term:
    listed = {str(row["stock"]): row for row in stocks}
    kinds = [paper_traits(listed.get(name or "")) for name in layout.stocks.names]
    columns = []
    for number in range(4):
        words = sorted({kind[number] for kind in kinds})
        if len(words) > 1:
            columns += [[float(kind[number] == word) for kind in kinds] for word in words]
    count = len(kinds)
    of_kind = np.array(columns).T.reshape(count, len(columns))
    width = of_kind.shape[1]
    ridges = [Penalty(slice(width, width + count), np.eye(count), least_sd=_LEAST_STOCK_SD)]
    if width:
        ridges.insert(0, Penalty(slice(0, width), np.eye(width), 1 / _KIND_OF_PAPER_SD**2))
    return Term("stock", codes, np.hstack([of_kind, np.eye(count)]), tuple(ridges))


def _air_term(codes: IntArray, readings: Readings) -> Term | None:
    """Return the curves over humidity: all papers', toner's own, and both for *not logged*."""
    found = np.unique(codes)
    logged = found[~readings.missing(found)] % readings.size
    if not logged.size:
        return None
    low = int(logged.min()) // _KNOTS_APART * _KNOTS_APART
    high = -(-int(logged.max()) // _KNOTS_APART) * _KNOTS_APART
    high = max(high, low + _KNOTS_APART)
    stated = np.array([float(stated_at(logged))])
    curve = _spline(np.arange(101.0), low, high) - _spline(stated, low, high)
    own = np.hstack([readings.over(curve), readings.logged])
    width = curve.shape[1]
    steps = np.diff(np.eye(width), axis=0)
    # The curve does not change when all of its coefficients do by the same: the little that is
    # added holds them in place.
    smooth = steps.T @ steps + 1e-3 * np.eye(width)
    ridges: list[Penalty] = []
    toner = bool(np.any(found >= readings.size))
    for first in (0, width + 1) if toner else (0,):
        ridges += [
            Penalty(slice(first, first + width), smooth, least_sd=_LEAST_STEP_SD),
            Penalty(slice(first + width, first + width + 1), np.eye(1), 1 / _NOT_LOGGED_SD**2),
        ]
    columns = np.block([[own, np.zeros_like(own)], [own, own]]) if toner else own
    return Term("air", codes, columns, tuple(ridges))


def stated_at(logged: IntArray) -> int:
    """Return the humidity at which effects are stated: 50 %, or the nearest that was logged."""
    return int(np.clip(STATED_HUMIDITY, logged.min(), logged.max()))


def _spline(at: FloatArray, low: int, high: int) -> FloatArray:
    """Return quadratic B-splines with knots every few percent; flat beyond both ends."""
    t = (np.clip(at, low, high) - low) / _KNOTS_APART
    pieces = (high - low) // _KNOTS_APART
    place = np.minimum(t.astype(np.int64), pieces - 1)
    part = t - place
    out = np.zeros((at.size, pieces + 2))
    row = np.arange(at.size)
    out[row, place] = (1 - part) ** 2 / 2
    out[row, place + 1] = 0.5 + part * (1 - part)
    out[row, place + 2] = part**2 / 2
    return out


def _temperature_term(layout: Layout, rows: Rows) -> Term | None:
    readings, codes = layout.temperature, rows.codes["temperature_c"]
    missing = readings.missing(codes)
    logged = codes[~missing]
    if not logged.size or logged.min() == logged.max():
        return None
    degrees = np.arange(readings.low, readings.high + 1.0)[:, None] - STATED_TEMPERATURE
    columns = np.hstack([readings.over(degrees), readings.logged])
    ridges: tuple[Penalty, ...] = (
        Penalty(slice(0, 1), np.eye(1), float(logged.std()) ** 2 / _SLOPE_SD**2),
        Penalty(slice(1, 2), np.eye(1), 1 / _NOT_LOGGED_SD**2),
    )
    apart = layout.humidity.missing(rows.codes["air"]) != missing
    if float(rows.feeds[apart].sum()) < 0.01 * rows.feeds.sum():
        # Both are read off together: what goes with no reading is told once, with the humidity.
        columns, ridges = columns[:, :1], ridges[:1]
    return Term("temperature_c", codes, columns, ridges)


def _setting_term(layout: Layout, levels: Levels, rows: Rows) -> Term:
    """Return what a setting does, and how far kinds of paper depart from it."""
    codes = rows.codes[levels.column]
    count = len(levels.names)
    kinds = int(layout.kind_of_paper.max()) + 1
    departs = np.eye(kinds * count)
    if levels.numbers is None:
        ridges = [Penalty(slice(0, count), np.eye(count), 1 / _LEVEL_SD**2)]
        main = np.tile(np.eye(count), (kinds, 1))
    else:
        number = np.array(levels.numbers)
        missing = np.isnan(number)
        fed = np.bincount(codes % count, rows.feeds, count) * ~missing
        number = np.where(missing, 0.0, number)
        mean = float(fed @ number / fed.sum())
        sd = float(np.sqrt(fed @ (number - mean) ** 2 / fed.sum()))
        slope = np.where(missing, 0.0, number - mean)
        few = (~missing).sum() <= _MOST_LEVELS
        bends = np.eye(count)[:, ~missing] if few and (~missing).sum() > 2 else np.zeros((count, 0))
        empty = np.eye(count)[:, missing]
        main = np.tile(np.hstack([slope[:, None], empty, bends]), (kinds, 1))
        ridges = [Penalty(slice(0, 1), np.eye(1), max(sd, 1e-9) ** 2 / _SLOPE_SD**2)]
        at = 1
        if empty.shape[1]:
            ridges.append(Penalty(slice(1, 2), np.eye(1), 1 / _NOT_LOGGED_SD**2))
            at = 2
        if bends.shape[1]:
            ridges.append(Penalty(slice(at, at + bends.shape[1]), np.eye(bends.shape[1])))
        if not few:
            departs = np.zeros((kinds * count, kinds))
            for kind in range(kinds):
                departs[kind * count : (kind + 1) * count, kind] = slope / max(sd, 1e-9)
    used = np.zeros(kinds * count, dtype=bool)
    used[np.unique(codes)] = True
    departs = departs[:, np.any(departs[used] != 0, axis=0)] if kinds > 1 else departs[:, :0]
    width = main.shape[1]
    if departs.shape[1]:
        ridges.append(Penalty(slice(width, width + departs.shape[1]), np.eye(departs.shape[1])))
    return Term(levels.column, codes, np.hstack([main, departs]), tuple(ridges))


def main_width(levels: Levels) -> int:
    """Return how many columns of a setting's term are the same for all papers."""
    if levels.numbers is None:
        return len(levels.names)
    missing = sum(name is None for name in levels.names)
    given = len(levels.names) - missing
    return 1 + missing + (given if 2 < given <= _MOST_LEVELS else 0)


def _age_term(part: str, rows: Rows, *, fine: bool) -> Term | None:
    codes = rows.codes[f"age {part}"]
    known = codes > 0
    if not known.any():
        return None
    steps = int(codes.max()) + 1
    columns = np.zeros((steps, 2))
    columns[0, 1] = 1
    columns[1:, 0] = (np.arange(steps - 1) + 0.5) * AGE_STEP / _PER_AGE
    sd = max(float(columns[codes[known], 0].std()), 1e-3)
    ridges = (
        Penalty(slice(0, 1), np.eye(1), sd**2 / _SLOPE_SD**2),
        Penalty(slice(1, 2), np.eye(1), 1 / _NOT_LOGGED_SD**2),
    )
    return Term(f"age {part}", codes, columns, ridges, fine=fine)
