"""What does a fitted model of conditions say of each level, beside which other, and how surely?

Stocks beside the stock with the most feeds, levels of a setting beside the one that was run most,
numbers by the unit, and the curve over humidity; each a ratio with its interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis.conditions_levels import NOT_LOGGED, OTHERS, TONER, Levels, Rows
from analysis.conditions_model import Model
from analysis.conditions_terms import STATED_HUMIDITY, main_width, stated_at
from analysis.regression_terms import Term

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: What a missing entry is set beside.
_LOGGED = "logged"

#: How many times its half range a log ratio must be off nought to be told first.
_CLEAR = 1.5


@dataclass(frozen=True)
class Effect:
    """What one level does to the rate, all else the same.

    Attributes
    ----------
    term : str
        The log's column.
    level, base : str or float
        What is set beside what; a number that goes with the rate along a line has 1 beside 0.
    ratio, low, high : float
        Rate ratio with its interval.
    feeds, count : int
        Of the level; of all rows with a number, for a line.
    step : float
        For a line, a round number of units near one standard deviation of what was run; otherwise
        0.
    """

    term: str
    level: str | float
    base: str | float
    ratio: float
    low: float
    high: float
    feeds: int
    count: int
    step: float = 0.0

    @property
    def clear(self) -> bool:
        """Whether the interval leaves 1 well out, so that it does so among dozens of effects."""
        return _clear(self.ratio, self.low, self.high)


@dataclass(frozen=True)
class CurvePoint:
    """The rate ratio at one humidity.

    Attributes
    ----------
    printed_by : str
        ``toner``, or ``other`` for all other papers.
    humidity_pct : int
        Relative humidity.
    ratio, low, high : float
        To the same paper where effects are stated, at 50 %; the curve is all of what air does to
        this paper.
    feeds : int
        Logged at this humidity on these papers, rounded to a percent.
    """

    printed_by: str
    humidity_pct: int
    ratio: float
    low: float
    high: float
    feeds: int

    @property
    def clear(self) -> bool:
        """Whether the interval leaves 1 well out; as `Effect.clear`."""
        return _clear(self.ratio, self.low, self.high)


@dataclass(frozen=True)
class Ageing:
    """What the age of a part goes with.

    Attributes
    ----------
    part : str
        As the service log calls it, ``pump of the tower`` for a part of the tower as a whole.
    ratio, low, high : float
        For every 100,000 feeds (cycles, of a part of the tower as a whole).
    known : float
        Share of the feeds at which its age is known.
    """

    part: str
    ratio: float
    low: float
    high: float
    known: float


def _clear(ratio: float, low: float, high: float) -> bool:
    """Tell whether a ratio is off 1 by one and a half times its range, three standard errors."""
    log = math.log(ratio)
    half = math.log(high / ratio) if log < 0 else math.log(ratio / low)
    return abs(log) > _CLEAR * half


class Told:
    """What does a fit say of each level?

    Parameters
    ----------
    model : Model
        Fitted.
    rows : Rows
        That it was fitted on.
    confidence : float
        Of the intervals, between 0 and 1.
    """

    def __init__(self, model: Model, rows: Rows, confidence: float) -> None:
        self.model, self.rows = model, rows
        self.layout = model.layout
        self.z = float(special.ndtri(0.5 * (1 + confidence)))
        self.terms = {term.name: term for term in model.fit.terms}

    def _ends(self, log: float, row: FloatArray) -> tuple[float, float, float]:
        half = self.z * float(self.model.fit.sd(row[None])[0])
        return float(np.exp(log)), float(np.exp(log - half)), float(np.exp(log + half))

    def _ratio(self, name: str, row: FloatArray) -> tuple[float, float, float]:
        """Return the ratio that a row over the columns of a term stands for, with its interval."""
        logs, over = self.model.fit.effect(name, row[None])
        return self._ends(logs[0], over[0])

    def _of_coefficient(self, name: str, place: int) -> tuple[float, float, float]:
        """Return the ratio that one coefficient of a term stands for, with its interval."""
        return self._ratio(name, np.eye(self.terms[name].columns.shape[1])[place])

    def _sums(self, codes: IntArray, count: int) -> tuple[IntArray, IntArray]:
        feeds = np.bincount(codes, self.rows.feeds, count)
        faults = np.bincount(codes, self.rows.faults, count)
        return feeds.round().astype(np.int64), faults.round().astype(np.int64)

    def _beside(
        self,
        name: str,
        rows: FloatArray,
        labels: Sequence[str],
        feeds: IntArray,
        faults: IntArray,
        base: int,
        more: FloatArray | None = None,
    ) -> list[Effect]:
        """Return each level beside the base; `rows` holds the term's columns of each level."""
        logs, over = self.model.fit.effect(name, rows - rows[base])
        if more is not None:
            over = over + more - more[base]
            logs = over @ self.model.fit.coefficients
        order = sorted((i for i in range(len(labels)) if i != base), key=lambda i: -feeds[i])
        return [
            Effect(
                name,
                labels[i],
                labels[base],
                *self._ends(logs[i], over[i]),
                int(feeds[i]),
                int(faults[i]),
            )
            for i in order
            if feeds[i]
        ]

    def effects(self) -> tuple[Effect, ...]:
        """Return stocks, then preparation, settings, temperature and what was not logged."""
        out = self._stocks()
        for levels in self.layout.settings:
            out += self._setting(levels)
        out += self._temperature() + self._air_not_logged()
        return tuple(out)

    def _stocks(self) -> list[Effect]:
        levels = self.layout.stocks
        feeds, faults = self._sums(self.rows.codes["stock"], len(levels.names))
        named = np.where([name is None for name in levels.names], -1, feeds)
        labels = [levels.shown(i) for i in range(len(levels.names))]
        return self._beside(
            "stock",
            self.terms["stock"].columns,
            labels,
            feeds,
            faults,
            int(named.argmax()),
            self._usual_settings(),
        )

    def _usual_settings(self) -> FloatArray:
        """Return how the kind of each stock departs at the level that kind mostly ran at.

        Where kinds of paper take a setting differently, there is no ratio of two stocks that holds
        at all settings. Each is then told as its kind is usually run.
        """
        fit, layout = self.model.fit, self.layout
        out = np.zeros((len(layout.stocks.names), fit.coefficients.size))
        for levels in layout.settings:
            term, count = self.terms[levels.column], len(levels.names)
            codes = self.rows.codes[levels.column]
            fed = np.bincount(codes, self.rows.feeds, len(term.columns)).astype(np.float64)
            fed = fed.reshape(-1, count)
            given = fed * np.array([name is not None for name in levels.names])
            usual = np.where(given.sum(axis=1) > 0, given.argmax(axis=1), fed.argmax(axis=1))
            common = main_width(levels)
            rows = term.columns[layout.kind_of_paper * count + usual[layout.kind_of_paper]]
            place = fit.place(levels.column)
            out[:, place.start + common : place.stop] = rows[:, common:]
        return out

    def _setting(self, levels: Levels) -> list[Effect]:
        term, count = self.terms[levels.column], len(levels.names)
        codes = self.rows.codes[levels.column]
        feeds, faults = self._sums(codes % count, count)
        labels = [levels.shown(i) for i in range(count)]
        given = np.array([name is not None for name in levels.names])
        fed = np.bincount(codes, self.rows.feeds, len(term.columns)).astype(np.float64)
        fed = fed.reshape(-1, count)
        if levels.numbers is not None:
            return self._line(levels, term, feeds, faults, given)
        # Levels that were taken together are no base to set others beside.
        named = given & (np.arange(count) != levels.rest)
        base = int(np.where(named, feeds, -1).argmax())
        if levels.column == "prepared" and "none" in levels.names:
            base = levels.names.index("none")
        rows = np.array([_mixed(term.columns, fed, i, base) for i in range(count)])
        bases = np.array([_mixed(term.columns, fed, i, base, of=base) for i in range(count)])
        return [
            Effect(
                term.name,
                labels[i],
                labels[base],
                *self._ratio(term.name, rows[i] - bases[i]),
                int(feeds[i]),
                int(faults[i]),
            )
            for i in sorted((i for i in range(count) if i != base), key=lambda i: -feeds[i])
            if feeds[i]
        ]

    def _line(
        self,
        levels: Levels,
        term: Term,
        feeds: IntArray,
        faults: IntArray,
        given: BoolArray,
    ) -> list[Effect]:
        number = np.where(given, np.array(levels.numbers), 0.0)
        sd = _standard_deviation(number[given], feeds[given].astype(np.float64))
        out = [
            Effect(
                term.name,
                1,
                0,
                *self._of_coefficient(term.name, 0),
                int(feeds[given].sum()),
                int(faults[given].sum()),
                _round_step(sd),
            )
        ]
        if not given.all():
            empty = int(np.flatnonzero(~given)[0])
            out.append(
                Effect(
                    term.name,
                    NOT_LOGGED,
                    "mean",
                    *self._of_coefficient(term.name, 1),
                    int(feeds[empty]),
                    int(faults[empty]),
                )
            )
        return out

    def _temperature(self) -> list[Effect]:
        term = self.terms.get("temperature_c")
        if term is None:
            return []
        missing = self.layout.temperature.missing(self.rows.codes["temperature_c"])
        readings = self.rows.codes["temperature_c"][~missing].astype(np.float64)
        step = _round_step(_standard_deviation(readings, self.rows.feeds[~missing]))
        ends = self._of_coefficient(term.name, 0)
        out = [Effect(term.name, 1, 0, *ends, *self._fed(~missing), step)]
        if term.columns.shape[1] > 1 and missing.any():
            ends = self._of_coefficient(term.name, 1)
            out.append(Effect(term.name, NOT_LOGGED, _LOGGED, *ends, *self._fed(missing)))
        return out

    def _air_not_logged(self) -> list[Effect]:
        term = self.terms.get("air")
        missing = self.layout.humidity.missing(self.rows.codes["air"])
        if term is None or not missing.any():
            return []
        ends = self._of_coefficient("air", term.penalties[0].columns.stop)
        return [Effect("humidity_pct", NOT_LOGGED, _LOGGED, *ends, *self._fed(missing))]

    def _fed(self, where: BoolArray) -> tuple[int, int]:
        return int(self.rows.feeds[where].sum()), int(self.rows.faults[where].sum())

    def curve(self) -> tuple[CurvePoint, ...]:
        """Return the ratio at each whole percent of humidity that was logged."""
        term, size = self.terms.get("air"), self.layout.humidity.size
        if term is None:
            return ()
        out = []
        feeds, _ = self._sums(self.rows.codes["air"], len(term.columns))
        for block, printed in enumerate((OTHERS, TONER)[: len(term.columns) // size]):
            first = block * size
            logged = np.flatnonzero(feeds[first : first + 101])
            if not logged.size:
                continue
            for percent in range(int(logged.min()), int(logged.max()) + 1):
                ends = self._ratio("air", term.columns[first + percent])
                out.append(CurvePoint(printed, percent, *ends, int(feeds[first + percent])))
        return tuple(out)

    def stated(self) -> int:
        """Return the humidity in percent at which effects are stated."""
        readings, codes = self.layout.humidity, self.rows.codes["air"]
        logged = codes[~readings.missing(codes)] % readings.size
        return stated_at(logged) if logged.size else STATED_HUMIDITY

    def ageing(self) -> tuple[Ageing, ...]:
        """Return what the age of each part goes with, where it is known."""
        out = []
        for part in self.layout.parts:
            name = f"age {part}"
            if name in self.terms:
                known = float(self.rows.feeds[self.rows.codes[name] > 0].sum())
                share = known / float(self.rows.feeds.sum())
                out.append(Ageing(part, *self._of_coefficient(name, 0), share))
        return tuple(out)

    def not_logged(self) -> dict[str, float]:
        """Return the share of the feeds without an entry, by column."""
        rows, layout = self.rows, self.layout
        total = float(rows.feeds.sum())
        missing = {
            "stock": rows.codes["stock"] == _none(layout.stocks),
            "humidity_pct": layout.humidity.missing(rows.codes["air"]),
            "temperature_c": layout.temperature.missing(rows.codes["temperature_c"]),
        }
        for levels in layout.settings:
            missing[levels.column] = rows.codes[levels.column] % len(levels.names) == _none(levels)
        for part in layout.parts:
            missing[f"age of {part}"] = rows.codes[f"age {part}"] == 0
        return {name: float(rows.feeds[where].sum()) / total for name, where in missing.items()}


def _standard_deviation(values: FloatArray, weights: FloatArray) -> float:
    mean = (weights * values).sum() / weights.sum()
    return float(np.sqrt((weights * (values - mean) ** 2).sum() / weights.sum()))


def _round_step(value: float) -> float:
    """Return the number of 1, 2 or 5 times a power of ten that is nearest, by ratio."""
    power = 10.0 ** math.floor(math.log10(value))
    return min((step * power for step in (1, 2, 5, 10)), key=lambda s: abs(math.log(s / value)))


def _none(levels: Levels) -> int:
    return levels.names.index(None) if None in levels.names else -1


def _mixed(columns: FloatArray, fed: FloatArray, level: int, base: int, of: int = -1) -> FloatArray:
    """Return a level's columns, averaged over kinds of paper as they can tell it from the base."""
    both = fed[:, level] + fed[:, base]
    weight = np.divide(fed[:, level] * fed[:, base], both, out=np.zeros(len(fed)), where=both > 0)
    if not weight.sum():
        weight = both
    weight = weight / weight.sum()
    count = fed.shape[1]
    shown = level if of < 0 else of
    return np.asarray(weight @ columns[np.arange(len(fed)) * count + shown])
