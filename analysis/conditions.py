"""What do paper, air and settings do to the fault rate, each by itself?

Damp summers, winter jobs on toner-printed stock, the spring that is only on for heavy covers: in a
log everything comes with something else, and a rate split by one thing carries the others with it.
One regression takes them apart. The log rate of a row is a sum of what its tower and bin, its
stock, the air, its settings, the paper's preparation and the age of its parts do;
`analysis.regression` fits it. What was not logged is a level of its own: no row is left out for an
empty cell.

- *Stocks* differ by what kind of paper they are (grammage, coating, how printed, size), and each by
  something of its own that is shrunk to nothing where it has few faults. Ratios are against the
  stock with the most feeds, at 50 % relative humidity.
- *Air*: a smooth curve over relative humidity for all papers, and one more for toner-printed ones,
  each 1 at 50 %; temperature by the degree.
- *Settings*: a ratio for each level, or one for each unit where levels are numbers. Papers of
  different kinds may take a setting differently, and levels off a line may depart from it, as far
  as the log shows that they do.
- *Age* of each part that was ever fitted: a slope for every 100,000 feeds.
- What nobody logged, such as a setting moved for a fortnight, is taken up by the weeks of each
  tower.

Assumptions: effects multiply; what was not logged does not depend on the faults themselves (see
`analysis.belief` where it might). Effects are what goes with a setting in this log, and not what
moving it would do: a trial tells that.

References
----------
As of `analysis.regression`. ISO 187: 23 degrees Celsius and 50 % relative humidity for conditioning
and testing paper, where effects are stated.
Eilers PHC, Marx BD (1996). Flexible smoothing with B-splines and penalties. Statistical Science
11:89-121.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from scipy import special

from analysis.ages import Ages
from analysis.counts import Account
from analysis.filters import HUMIDITY_BANDS
from analysis.regression import Fit, fit
from analysis.regression_terms import Penalty, Term, levels_of
from analysis.words import one, two_digits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Where effects are stated (ISO 187).
STATED_HUMIDITY, STATED_TEMPERATURE = 50, 23

NOT_LOGGED = HUMIDITY_BANDS[-1]
LOGGED = "logged"

#: Columns of the run log that the model uses, beside settings. The purpose matters where several
#: are asked for: make-ready has faults of its own.
COLUMNS = ("tower", "bin", "stock", "humidity_pct", "temperature_c", "purpose", "prepared")

#: Stands for toner-printed papers and for all others among the humidity curves.
TONER, OTHERS = "toner", "other"

#: What a change between two periods is split into, and which terms belong to each.
PARTS = ("mix", "air", "settings", "age", "bins")

# Standard deviations of log ratios before a log is looked at. Wide enough to be overruled by a few
# dozen faults: a ratio of seven is two of them for a level of a setting.
_LEVEL_SD, _KIND_OF_PAPER_SD, _TOWER_SD, _NOT_LOGGED_SD = 1.0, 0.5, 1.0, 0.7
# Of what goes with one standard deviation of a number.
_SLOPE_SD = 0.7

# What a stock may at least be off its kind, and the curve of air rise or fall over 5 %: estimated
# from a log in which most are alike, either would shrink the one that is not.
_LEAST_STOCK_SD, _LEAST_STEP_SD = 0.6, 0.15

#: Numbers with more different values than this are on a line and nothing else, and of more
#: different words those with the fewest feeds are taken together.
_MOST_LEVELS, _MOST_WORDS = 12, 24

#: What levels of a setting are called that are taken together.
OTHER_LEVELS = "all others"

#: Readings beyond these, in degrees Celsius, do not pass intake.
_TEMPERATURES = (-20, 60)

#: A setting of whose variation less than this share lies within stocks follows the paper: it is
#: left to the stocks, for what it does could only be told apart by the odd slip of the pen.
_FOLLOWING = 0.02

_KNOTS_APART = 5
_AGE_STEP = 10_000
_PER_AGE = 100_000


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


def _clear(ratio: float, low: float, high: float) -> bool:
    """Tell whether a ratio is off 1 by one and a half times its range, three standard errors."""
    log = math.log(ratio)
    half = math.log(high / ratio) if log < 0 else math.log(ratio / low)
    return abs(log) > _CLEAR * half


#: How many times its half range a log ratio must be off nought to be told first.
_CLEAR = 1.5
#: A ratio nearer to 1 than this, up or down, is not worth a sentence however sure it is.
_WORTH_A_SENTENCE = 1.05


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


@dataclass(frozen=True)
class Conditions:
    """What paper, air and settings do to the rate of one kind of fault.

    Attributes
    ----------
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    account : Account
        Evidence that was asked for.
    feeds, count : int
        Watched for that kind in a known bin: what the model rests on.
    without_bin : int
        Faults whose bin was not noted; there are no feeds to set beside them.
    effects : tuple of Effect
        Stocks, then preparation, settings, temperature and what was not logged.
    humidity_curve : tuple of CurvePoint
        Whole percents over what was logged; empty where nothing was.
    stated_humidity_pct : int
        At which all effects are stated: 50, or the nearest that was logged.
    ageing : tuple of Ageing
        One for each part that was ever fitted.
    not_logged : mapping of str to float
        Share of the feeds without an entry, by column.
    follows_paper : tuple of str
        Settings that every stock has one level of, or nearly so: what they do cannot be told from
        what the paper does, and stands with the stock.
    confidence : float
        Of the intervals.
    model : Model
        What was fitted, for `expected` and for questions that build on it.
    """

    kind: str
    account: Account
    feeds: int
    count: int
    without_bin: int
    effects: tuple[Effect, ...]
    humidity_curve: tuple[CurvePoint, ...]
    stated_humidity_pct: int
    ageing: tuple[Ageing, ...]
    not_logged: Mapping[str, float]
    follows_paper: tuple[str, ...]
    confidence: float
    model: Model

    def facts(self) -> tuple[str, ...]:
        """Say what is known beyond doubt, each with all else the same, the clearest first."""
        air = [self._air(printed) for printed in (TONER, OTHERS)]
        return (*filter(None, air), *(_said(effect, self.kind) for effect in self._clearest()))

    def sentence(self) -> str:
        """Say what matters most, and how much was not logged."""
        first = "; ".join(self.facts()[:3])
        said = (
            f"{first[0].upper()}{first[1:]}; each with all else the same."
            if first
            else f"No stock, air or setting is known to change the rate of {self.kind} yet."
        )
        if self.humidity_curve and self.stated_humidity_pct != STATED_HUMIDITY:
            said += (
                f" Air of {STATED_HUMIDITY} % was never logged, so all is told at "
                f"{self.stated_humidity_pct} %."
            )
        share = self.not_logged.get("humidity_pct", 0.0)
        if share >= 0.005:
            said += f" Humidity was not logged for {100 * share:.0f} % of the feeds."
        return said

    def _clearest(self) -> list[Effect]:
        clear = [
            e
            for e in self.effects
            if e.clear and NOT_LOGGED not in (e.level, e.base) and e.term != "purpose"
            if abs(math.log(e.ratio) * (e.step or 1)) > math.log(_WORTH_A_SENTENCE)
        ]
        return sorted(clear, key=lambda e: -max(math.log(e.low), -math.log(e.high)))

    def _air(self, printed: str) -> str:
        """Say at which humidity such paper has most faults beyond doubt, or fewest."""
        points = [
            point
            for point in self.humidity_curve
            if point.printed_by == printed and _clear(point.ratio, point.low, point.high)
            if abs(math.log(point.ratio)) > math.log(_WORTH_A_SENTENCE)
        ]
        if not points:
            return ""
        most = max(points, key=lambda p: max(math.log(p.low), -math.log(p.high)))
        paper = "toner-printed paper" if printed == TONER else "paper not printed by toner"
        return (
            f"in air of {most.humidity_pct} % {paper} has {two_digits(most.ratio)} times the "
            f"{self.kind} of air of {self.stated_humidity_pct} % ({two_digits(most.low)} to "
            f"{two_digits(most.high)})"
        )


def _said(effect: Effect, kind: str) -> str:
    power = effect.step or 1.0
    ratio, low, high = (one**power for one in (effect.ratio, effect.low, effect.high))
    span = f"{two_digits(ratio)} times the {kind}"
    ends = f"({two_digits(low)} to {two_digits(high)})"
    if effect.term == "stock":
        return f"stock {effect.level} has {span} of {effect.base} {ends}"
    name = effect.term.removeprefix("set_").replace("_", " ")
    if effect.step:
        if effect.term == "temperature_c":
            return f"every {effect.step:g} °C more go with {span} {ends}"
        return f"{name} up by {effect.step:g} goes with {span} {ends}"
    return f"{name} {effect.level} goes with {span} of {effect.base} {ends}"


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
class Model:
    """A fitted model of what is to be expected.

    Attributes
    ----------
    kind : str
        Of fault.
    fit : Fit
        The regression.
    part_of : mapping of str to str
        The part of `PARTS` that each term belongs to.
    """

    kind: str
    fit: Fit
    part_of: Mapping[str, str]
    _layout: Layout

    def rows(self, counts: pa.Table, ages: Ages | None = None) -> Rows:
        """Read rows of a scan; see `conditions`."""
        return self._layout.rows(counts, self.kind, ages)

    def effects_of(self, rows: Rows) -> dict[str, FloatArray]:
        """Return what each part of `PARTS` adds to the log rate of each row.

        The tower's weeks are left out: what nobody logged is not to be expected.
        """
        out = {part: np.zeros(rows.feeds.size) for part in PARTS}
        for term in self.fit.terms:
            out[self.part_of[term.name]] += self.effect_of(term.name, rows)
        return out

    def effect_of(self, name: str, rows: Rows) -> FloatArray:
        """Return what one term adds to the log rate of each row; unknown levels add nothing."""
        term = next(t for t in self.fit.terms if t.name == name)
        by_level = term.columns @ self.fit.coefficients[self.fit.place(name)]
        codes = rows.codes[name]
        return np.where(codes < 0, 0.0, by_level[np.maximum(codes, 0)])

    def as_other_paper(self, rows: Rows) -> Rows:
        """Return rows as if none of their papers were printed by toner, as far as air goes."""
        codes = rows.codes["air"] % self._layout.humidity.size
        return replace(rows, codes={**rows.codes, "air": codes})

    def expected(self, rows: Rows) -> FloatArray:
        """Return the faults to be expected of each row in an ordinary week."""
        log = self.fit.coefficients[0] + sum(self.effects_of(rows).values())
        return np.asarray(rows.feeds * np.exp(log))

    @property
    def follows_paper(self) -> tuple[str, ...]:
        """Settings that are left to the stocks; see `Conditions`."""
        return self._layout.follows

    def levels(self, column: str) -> tuple[str | None, ...] | None:
        """Return the levels of a setting in the order of their codes; None where it is no term."""
        found = [one for one in self._layout.settings if one.column == column]
        return found[0].names if found else None

    def on_a_line(self, column: str) -> bool:
        """Tell whether the levels of a setting are numbers that the rate goes with along a line."""
        return any(s.column == column and s.numbers is not None for s in self._layout.settings)

    def level_codes(self, column: str, rows: Rows) -> IntArray:
        """Return which of its `levels` a setting has in each row."""
        levels = self.levels(column)
        assert levels is not None
        return rows.codes[column] % len(levels)

    def level_rows(self, column: str, kind_of_paper: int, levels: Sequence[int]) -> FloatArray:
        """Return some levels of a setting on a kind of paper, as rows over all coefficients."""
        names = self.levels(column)
        assert names is not None
        term = next(t for t in self.fit.terms if t.name == column)
        at = kind_of_paper * len(names) + np.array(levels)
        return self.fit.effect(column, term.columns[at])[1]

    def kinds_of_paper(self, rows: Rows) -> IntArray:
        """Return the number of the kind of paper in each row: of one weight and coating."""
        stock = rows.codes["stock"]
        return np.where(stock < 0, -1, self._layout.kind_of_paper[np.maximum(stock, 0)])

    def gradients(
        self, weights: FloatArray, group: IntArray, count: int, rows: Rows, terms: Sequence[str]
    ) -> FloatArray:
        """Sum over each group of rows what every coefficient of some terms is times.

        Parameters
        ----------
        weights : float array
            Of each row.
        group : int array
            Of each row, 0 to `count` - 1.
        count : int
            Groups.
        rows : Rows
            Of a scan.
        terms : sequence of str
            Names of terms; coefficients of all others get nought.

        Returns
        -------
        float array
            One row per group, one column per coefficient.
        """
        out = np.zeros((count, self.fit.coefficients.size))
        for term in self.fit.terms:
            if term.name in terms:
                codes, levels = rows.codes[term.name], len(term.columns)
                known = codes >= 0
                key = group[known] * levels + codes[known]
                table = np.bincount(key, weights[known], count * levels).reshape(count, levels)
                out[:, self.fit.place(term.name)] = table @ term.columns
        return out


@dataclass(frozen=True)
class Readings:
    """Readings of the air, rounded to whole numbers, and what they were in each week.

    The air that nobody read off was still there, dry in winter. Taken as one level for the whole
    year, rows without a reading would carry the seasons into whatever else goes with them, and
    would hide a part of what air does; so each is taken to have had the air that was read off
    in its week, by whoever did, and there is a level for *not logged* besides.

    Attributes
    ----------
    low, high : int
        Smallest and largest reading there can be.
    weeks : int array
        Weeks of the log, in order.
    shares : float array
        A row for each week and one for a week that is not in the log; of the feeds with a reading,
        the share at each. Of the weeks beside it where a week has none, else of the whole log.
    """

    low: int
    high: int
    weeks: IntArray
    shares: FloatArray

    @property
    def values(self) -> int:
        """Number of different readings."""
        return self.high - self.low + 1

    @property
    def size(self) -> int:
        """Number of levels: readings, then weeks without one."""
        return self.values + len(self.shares)

    def codes(self, readings: FloatArray, week: IntArray) -> IntArray:
        """Return the level of each row, by its reading (NaN for none) and its week."""
        missing = np.isnan(readings)
        whole = np.floor(np.where(missing, self.low, readings) + 0.5)
        at = np.searchsorted(self.weeks, week)
        known = self.weeks[np.minimum(at, len(self.weeks) - 1)] == week
        of_week = self.values + np.where(known, at, len(self.weeks))
        return np.where(missing, of_week, np.clip(whole, self.low, self.high) - self.low).astype(
            np.int64
        )

    def missing(self, codes: IntArray) -> NDArray[np.bool_]:
        """Tell which rows had no reading; codes may be of toner-printed papers or not."""
        return np.asarray(codes % self.size >= self.values)

    def over(self, columns: FloatArray) -> FloatArray:
        """Return the columns of all levels, given those of the readings."""
        return np.vstack([columns, self.shares @ columns])

    @property
    def logged(self) -> FloatArray:
        """Return whether each level has no reading, as a column."""
        return (np.arange(self.size) >= self.values).astype(np.float64)[:, None]


def _readings(
    values: FloatArray, week: IntArray, feeds: FloatArray, low: int, high: int
) -> Readings:
    weeks, at = np.unique(week, return_inverse=True)
    count = high - low + 1
    some = ~np.isnan(values)
    whole = np.clip(np.floor(values[some] + 0.5), low, high).astype(np.int64) - low
    fed = np.bincount(at[some] * count + whole, feeds[some], len(weeks) * count)
    fed = fed.reshape(len(weeks), count)
    around = fed.copy()
    for step in (-1, 1):
        other = np.searchsorted(weeks, weeks + step)
        there = weeks[np.minimum(other, len(weeks) - 1)] == weeks + step
        # The weeks beside it speak for a week in which nobody read anything.
        there &= fed.sum(axis=1) == 0
        around[there] += fed[other[there]]
    whole_log = fed.sum(axis=0) if some.any() else np.ones(count)
    around[around.sum(axis=1) == 0] = whole_log
    around = np.vstack([around, whole_log])
    return Readings(low, high, weeks, around / around.sum(axis=1, keepdims=True))


@dataclass(frozen=True)
class Layout:
    """The levels that a model was fitted on, in the order of their codes."""

    places: tuple[tuple[str, int], ...]
    towers: tuple[str, ...]
    stocks: Levels
    toner: NDArray[np.bool_]
    kind_of_paper: IntArray
    settings: tuple[Levels, ...]
    follows: tuple[str, ...]
    humidity: Readings
    temperature: Readings
    parts: tuple[str, ...]
    fine: tuple[bool, ...]

    def rows(self, counts: pa.Table, kind: str, ages: Ages | None) -> Rows:
        """Read rows of a scan; see `Model.rows`."""
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
    steps = np.floor(np.where(unknown, 0.0, age) / _AGE_STEP).astype(np.int64)
    return np.where(unknown, 0, np.minimum(steps, _MOST_STEPS - 1) + 1)


#: Ages beyond so many steps (20 million feeds) count as that.
_MOST_STEPS = 2000


def conditions(
    counts: pa.Table,
    kind: str,
    account: Account,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    *,
    ages: Ages | None = None,
    confidence: float = 0.95,
) -> Conditions:
    """How do paper, air and settings change the fault rate, each by itself?

    Parameters
    ----------
    counts : pyarrow.Table
        By run; see `analysis.counts.LogScan.by_run`. Grouped by `COLUMNS` and `settings`, and by
        whatever else.
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    account : Account
        Of the rows counted; handed on.
    stocks : sequence of mapping
        Rows of the stock list: what kind of paper each stock is.
    settings : sequence of str
        Columns of settings that were logged.
    ages : Ages, optional
        Of parts, in the rows of `counts`.
    confidence : float
        Of the intervals.

    Raises
    ------
    ConditionsError
        Where there is no fault, or none in a known bin.
    """
    model, rows = fitted(counts, kind, stocks, settings, ages=ages)
    told = _Told(model, rows, confidence)
    return Conditions(
        kind=kind,
        account=account,
        feeds=int(rows.feeds.sum()),
        count=int(rows.faults.sum()),
        without_bin=int(pc.sum(counts[kind]).as_py() or 0) - int(rows.faults.sum()),
        effects=told.effects(),
        humidity_curve=told.curve(),
        stated_humidity_pct=told.stated(),
        ageing=told.ageing(),
        not_logged=told.not_logged(),
        follows_paper=model.follows_paper,
        confidence=confidence,
        model=model,
    )


def fitted(
    counts: pa.Table,
    kind: str,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    *,
    ages: Ages | None = None,
    left_out: NDArray[np.bool_] | None = None,
    clusters: bool = True,
    strengths: Sequence[float] | None = None,
) -> tuple[Model, Rows]:
    """How does the rate depend on paper, air and settings, as a model to build on?

    Parameters
    ----------
    counts, kind, stocks, settings, ages
        As of `conditions`.
    left_out : bool array, optional
        Rows of `counts` that nothing is to be learnt from.
    clusters, strengths
        As of `analysis.regression.fit`; strengths that do not fit the terms are learnt anew.

    Returns
    -------
    Model, Rows
        What was fitted, and the rows of `counts` as it sees them, those left out among them.

    Raises
    ------
    ConditionsError
        As `conditions`.
    """
    layout = _layout(counts, kind, stocks, settings, ages)
    rows = layout.rows(counts, kind, ages)
    used = np.ones(rows.feeds.size, dtype=bool) if left_out is None else ~left_out[rows.kept]
    if not rows.faults[used].sum():
        raise ConditionsError(
            f"no {one(kind, 2)} were logged in a known bin here, so nothing can be said of what "
            "they depend on; log more runs, or ask for a longer period"
        )
    terms = _terms(layout, rows, stocks)
    ridges = sum(len(term.penalties) for term in terms) + 1
    found = fit(
        rows.faults[used],
        rows.feeds[used],
        terms if left_out is None else [replace(t, codes=t.codes[used]) for t in terms],
        periods=rows.week[used],
        runs=rows.run[used],
        days=rows.day[used],
        clusters=clusters,
        strengths=strengths if strengths is not None and len(strengths) == ridges else None,
    )
    # What a model is kept for needs no rows of the log.
    nothing = np.zeros(0, dtype=np.int64)
    kept = tuple(replace(term, codes=nothing) for term in found.terms)
    found = replace(found, terms=kept, fitted=np.zeros(0))
    return Model(kind, found, {t.name: _part(t.name) for t in terms}, layout), rows


class ConditionsError(ValueError):
    """Nothing can be learnt from this part of the log; the message says why."""


def _part(name: str) -> str:
    if name in ("tower", "bin"):
        return "bins"
    # What a run is for goes with what it runs.
    if name in ("stock", "purpose"):
        return "mix"
    if name in ("air", "temperature_c"):
        return "air"
    return "age" if name.startswith("age ") else "settings"


def _layout(
    counts: pa.Table,
    kind: str,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    ages: Ages | None,
) -> Layout:
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
    kinds = [_kind_of_paper(listed.get(name or "")) for name in named.names]
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
        humidity=_readings(_numbers(some["humidity_pct"]), week, feeds, 0, 100),
        temperature=_readings(_numbers(some["temperature_c"]), week, feeds, *_TEMPERATURES),
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
    names += [OTHER_LEVELS, *([None] if None in fed else [])]
    return Levels(column, tuple(names), None, names.index(OTHER_LEVELS))


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


_NUMBER = re.compile(r"[-+]?\d+(\.\d+)?")


def _in_order(name: str) -> tuple[int, float, str]:
    return (0, float(name), "") if _NUMBER.fullmatch(name) else (1, 0.0, name)


def _kind_of_paper(stock: Mapping[str, object] | None) -> tuple[str, str]:
    """Return what papers are alike in that take settings alike: weight and coating."""
    if stock is None:
        return ("", "")
    return (_weight(stock), str(stock.get("coating") or ""))


#: Where papers of one weight end and those of the next begin, in g/m2. The weight from which coated
#: stock runs without the spring, about 80 pounds of text, is one; common practice, no source.
_WEIGHTS = ((75, "light"), (118, "body"), (200, "heavy"), (float("inf"), "cover"))

#: Sheets up to this many square millimetres, A4 and letter with tabs among them, are small.
_SMALL = 70_000


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


def _terms(layout: Layout, rows: Rows, stocks: Sequence[Mapping[str, object]]) -> list[Term]:
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
    kinds = []
    for name in layout.stocks.names:
        row = listed.get(name or "")
        if row is None:
            kinds.append(("", "", "", ""))
        else:
            kinds.append(
                (
                    _weight(row),
                    str(row.get("coating") or ""),
                    str(row.get("printed_by") or ""),
                    _size(row),
                )
            )
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


def _age_term(part: str, rows: Rows, *, fine: bool) -> Term | None:
    codes = rows.codes[f"age {part}"]
    known = codes > 0
    if not known.any():
        return None
    steps = int(codes.max()) + 1
    columns = np.zeros((steps, 2))
    columns[0, 1] = 1
    columns[1:, 0] = (np.arange(steps - 1) + 0.5) * _AGE_STEP / _PER_AGE
    sd = max(float(columns[codes[known], 0].std()), 1e-3)
    ridges = (
        Penalty(slice(0, 1), np.eye(1), sd**2 / _SLOPE_SD**2),
        Penalty(slice(1, 2), np.eye(1), 1 / _NOT_LOGGED_SD**2),
    )
    return Term(f"age {part}", codes, columns, ridges, fine=fine)


class _Told:
    """What a fit says of each level."""

    def __init__(self, model: Model, rows: Rows, confidence: float) -> None:
        self.model, self.rows = model, rows
        self.layout = model._layout
        self.z = float(special.ndtri(0.5 * (1 + confidence)))
        self.terms = {term.name: term for term in model.fit.terms}

    def _ends(self, log: float, row: FloatArray) -> tuple[float, float, float]:
        half = self.z * float(self.model.fit.sd(row[None])[0])
        return float(np.exp(log)), float(np.exp(log - half)), float(np.exp(log + half))

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
            common = _main_width(levels)
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
        out = []
        for i in sorted((i for i in range(count) if i != base), key=lambda i: -feeds[i]):
            if feeds[i]:
                logs, over = self.model.fit.effect(term.name, (rows[i] - bases[i])[None])
                out.append(
                    Effect(
                        term.name,
                        labels[i],
                        labels[base],
                        *self._ends(logs[0], over[0]),
                        int(feeds[i]),
                        int(faults[i]),
                    )
                )
        return out

    def _line(
        self,
        levels: Levels,
        term: Term,
        feeds: IntArray,
        faults: IntArray,
        given: NDArray[np.bool_],
    ) -> list[Effect]:
        row = np.zeros((1, term.columns.shape[1]))
        row[0, 0] = 1.0
        logs, over = self.model.fit.effect(term.name, row)
        number = np.where(given, np.array(levels.numbers), 0.0)
        sd = _standard_deviation(number[given], feeds[given].astype(np.float64))
        out = [
            Effect(
                term.name,
                1,
                0,
                *self._ends(logs[0], over[0]),
                int(feeds[given].sum()),
                int(faults[given].sum()),
                _round_step(sd),
            )
        ]
        if not given.all():
            row = np.zeros((1, term.columns.shape[1]))
            row[0, 1] = 1.0
            logs, over = self.model.fit.effect(term.name, row)
            empty = int(np.flatnonzero(~given)[0])
            out.append(
                Effect(
                    term.name,
                    NOT_LOGGED,
                    "mean",
                    *self._ends(logs[0], over[0]),
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
        effects = np.eye(term.columns.shape[1])
        logs, over = self.model.fit.effect(term.name, effects)
        readings = self.rows.codes["temperature_c"][~missing].astype(np.float64)
        step = _round_step(_standard_deviation(readings, self.rows.feeds[~missing]))
        ends = self._ends(logs[0], over[0])
        out = [Effect(term.name, 1, 0, *ends, *self._of(~missing), step)]
        if len(effects) > 1 and missing.any():
            ends = self._ends(logs[1], over[1])
            out.append(Effect(term.name, NOT_LOGGED, LOGGED, *ends, *self._of(missing)))
        return out

    def _air_not_logged(self) -> list[Effect]:
        term = self.terms.get("air")
        missing = self.layout.humidity.missing(self.rows.codes["air"])
        if term is None or not missing.any():
            return []
        row = np.zeros((1, term.columns.shape[1]))
        row[0, term.penalties[0].columns.stop] = 1
        logs, over = self.model.fit.effect("air", row)
        ends = self._ends(logs[0], over[0])
        return [Effect("humidity_pct", NOT_LOGGED, LOGGED, *ends, *self._of(missing))]

    def _of(self, where: NDArray[np.bool_]) -> tuple[int, int]:
        return int(self.rows.feeds[where].sum()), int(self.rows.faults[where].sum())

    def curve(self) -> tuple[CurvePoint, ...]:
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
                logs, over = self.model.fit.effect("air", term.columns[first + percent][None])
                ends = self._ends(logs[0], over[0])
                out.append(CurvePoint(printed, percent, *ends, int(feeds[first + percent])))
        return tuple(out)

    def stated(self) -> int:
        readings, codes = self.layout.humidity, self.rows.codes["air"]
        logged = codes[~readings.missing(codes)] % readings.size
        return stated_at(logged) if logged.size else STATED_HUMIDITY

    def ageing(self) -> tuple[Ageing, ...]:
        out = []
        for part in self.layout.parts:
            name = f"age {part}"
            if name in self.terms:
                logs, over = self.model.fit.effect(name, np.array([[1.0, 0.0]]))
                known = float(self.rows.feeds[self.rows.codes[name] > 0].sum())
                share = known / float(self.rows.feeds.sum())
                out.append(Ageing(part, *self._ends(logs[0], over[0]), share))
        return tuple(out)

    def not_logged(self) -> dict[str, float]:
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


def _main_width(levels: Levels) -> int:
    """Return how many columns of a setting's term are the same for all papers."""
    if levels.numbers is None:
        return len(levels.names)
    missing = sum(name is None for name in levels.names)
    given = len(levels.names) - missing
    return 1 + missing + (given if 2 < given <= _MOST_LEVELS else 0)


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
