"""Which settings ran this stock clean, and which should be tried against each other?

The log holds what was tried: combinations of settings and preparation that this stock ran at, with
their feeds and faults, and levels of each setting on this stock and on paper like it (of the same
weight and coating, as `analysis.conditions` groups it). What a level does on such paper comes from
the model of conditions, partly pooled over kinds of paper, with all else the same; the chance that
each level is the best of those tried is counted over draws from what the model leaves open. A level
that nobody tried is never named. Where evidence is thin, a trial is the answer: two levels in
alternating stretches (`analysis.trials`).

Settings that follow the paper, so that all such stock ran at one level, say nothing of what another
level would do; they are named with that level.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy import special

from analysis.ages import Ages
from analysis.conditions import Conditions, level_name
from analysis.counts import Account
from analysis.filters import FilterError
from analysis.rates import Rate, pooled
from analysis.regression_terms import FloatArray
from analysis.run_sums import regroup
from analysis.spread import Spread
from analysis.starting_points import StartingPoint, starting_points
from analysis.sums import SUMMED
from analysis.trends import FEW_EXPECTED
from analysis.trials import Trial, trial
from analysis.words import chance, listed, per_10k

#: Draws that the chance of being the best is counted over.
DRAWS = 4000

#: A level that is the best with this chance needs no trial.
SETTLED = 0.95

#: The largest ratio that a trial is planned for without being asked, and with which chance it is
#: to show one.
TRIAL_RATIO, TRIAL_POWER = 2.0, 0.8

#: A level that can gain less than this, as the log has it, is not worth a trial, nor is one of more
#: feeds each than a stock has in months.
_WORTH_A_TRIAL, _MOST_TRIAL_FEEDS = 1.15, 5_000_000

#: How far a level may lie off the line through the others before a fault was seen at it, as a
#: standard deviation of the logarithm; where numbers are on a line, each stands for itself as well.
_OFF_THE_LINE = 0.25

#: Combinations that are shown of a stock, those with the most feeds.
MOST_COMBINATIONS = 12


@dataclass(frozen=True)
class Combination:
    """Settings that a stock ran at together.

    Attributes
    ----------
    settings : mapping of str to str or None
        Level by column, ``prepared`` among them; None where it was not logged.
    rate : Rate
        Of the kind asked for.
    counts : mapping of str to int
        Misses and doubles.
    expected : float
        Faults of the kind to be expected of these feeds at average settings, in their air.
    last : datetime
        When such a run last began; wall time.
    verdict : str
        ``clean`` or ``not clean`` where the range of its rate lies below or above what was
        expected, allowing for as many combinations as are looked at; else ``too few feeds to
        tell``.
    """

    settings: Mapping[str, str | None]
    rate: Rate
    counts: Mapping[str, int]
    expected: float
    last: dt.datetime
    verdict: str


@dataclass(frozen=True)
class Level:
    """One level of a setting on this stock and on paper like it.

    Attributes
    ----------
    level : str
        As logged.
    feeds, count : int
        On this stock.
    feeds_like, count_like : int
        On all paper of its kind, this stock included.
    ratio, low, high : float
        Rate ratio to the level that the stock mostly ran at, all else the same.
    best : float or None
        Chance that it has the lowest rate of the levels tried on such paper; None where so few
        feeds were run at it that less than five faults were to be expected, so that a line through
        the other levels would speak for it.
    """

    level: str
    feeds: int
    count: int
    feeds_like: int
    count_like: int
    ratio: float
    low: float
    high: float
    best: float | None


@dataclass(frozen=True)
class Tried:
    """The levels of one setting that were tried on paper of a kind.

    Attributes
    ----------
    setting : str
        The log's column.
    usual : str
        The level that the stock mostly ran at.
    levels : tuple of Level
        The likeliest to be the best first.
    kind : str
        Of the faults that they are judged by.
    among : int
        How many settings are looked at together.
    """

    setting: str
    usual: str
    levels: tuple[Level, ...]
    kind: str = "faults"
    among: int = 1

    @property
    def settled(self) -> bool:
        """Whether one level that this stock ran at is the best beyond doubt.

        With a chance of 95 % or more, and more where several settings are looked at: among eight
        that do not matter, one is 95 % sure every third time.
        """
        first = self.levels[0] if self.levels else None
        needed = 1 - (1 - SETTLED) / self.among
        return first is not None and bool(first.feeds) and (first.best or 0.0) >= needed

    def between(self, first: str, second: str) -> float | None:
        """Return the rate at the second level over that at the first, as the log has it.

        None where it says nothing of one of them.
        """
        ratios = {level.level: level.ratio for level in self.levels if level.best is not None}
        if first not in ratios or second not in ratios:
            return None
        return ratios[second] / ratios[first]

    def sentence(self) -> str:
        """Say which level ran best, and how sure that is."""
        name = called(self.setting)
        if len(self.levels) == 1:
            return f"{name.capitalize()} was only ever {self.levels[0].level} on such paper."
        first = self.levels[0]
        others = [level.level for level in self.levels[1:] if level.best is not None]
        if first.best is None or not others:
            return f"{name.capitalize()}: too few feeds at other levels to tell which is best."
        if first.best < 0.6:
            return (
                f"{name.capitalize()}: which level has fewest {self.kind} cannot be told yet; the "
                f"likeliest is {first.level} ({chance(first.best)} sure, against {listed(others)})."
            )
        how = "is" if self.settled else "may be"
        own = f"{first.feeds:,}" if first.feeds else "no"
        return (
            f"{name.capitalize()} {first.level} {how} best of those tried, with fewest {self.kind} "
            f"({chance(first.best)} sure, against {listed(others)}), on {own} feeds of this stock "
            f"and {first.feeds_like:,} of paper like it."
        )


@dataclass(frozen=True)
class SetUp:
    """What the log says of setting a tower up for one stock: the set-up card.

    Attributes
    ----------
    stock : str
        Its code.
    listed : mapping or None
        Its row of the stock list.
    kind : str
        Of fault that levels are judged by.
    account : Account
        Of the rows of this stock.
    total : Rate
        Of this stock.
    combinations : tuple of Combination
        Those that ran clean first, then by how sure their rate is.
    tried : tuple of Tried
        Settings that were tried at several levels on such paper, preparation among them.
    always : mapping of str to str
        Settings that such paper was only ever run at one level of, and those that follow the paper
        with hardly an exception, with the level of this stock.
    starting : tuple of StartingPoint
        What common practice starts with, labelled so.
    trials : mapping of str to Trial
        By setting: the trial that would settle it, for those that are not settled.
    ran : mapping of str to tuple of str
        Every level that this stock has run at, by setting, those with most feeds first.
    variance : float
        Squared coefficient of variation of the rate between runs, averaged over the towers; trials
        allow for it.
    without : str
        Why nothing is said of levels, where no model could be fitted; otherwise empty.
    """

    stock: str
    listed: Mapping[str, object] | None
    kind: str
    account: Account
    total: Rate
    combinations: tuple[Combination, ...]
    tried: tuple[Tried, ...]
    always: Mapping[str, str]
    starting: tuple[StartingPoint, ...]
    trials: Mapping[str, Trial]
    ran: Mapping[str, tuple[str, ...]]
    variance: float = 0.0
    without: str = ""

    @property
    def next_trial(self) -> tuple[str, Trial] | None:
        """The setting to try next and how: the one that promises most, of those not settled.

        That is the one whose likeliest best level of this stock has the lowest rate beside the
        level that the stock mostly ran at; None where no trial is left.
        """
        promised = {}
        for tried in self.tried:
            own = [level for level in tried.levels if level.feeds and level.best is not None]
            if tried.setting in self.trials and own:
                promised[tried.setting] = own[0].ratio
        if not promised:
            return None
        setting = min(promised, key=lambda name: promised[name])
        return setting, self.trials[setting]

    def sentence(self) -> str:
        """Say what ran clean, or that nothing can be told yet and what to try."""
        if self.total.rate is None:
            return f"Stock {self.stock} has no feeds on record that were watched for {self.kind}."
        usual = per_10k(self.total.rate)
        clean = [c for c in self.combinations if c.verdict == "clean"]
        settled = [tried for tried in self.tried if tried.settled]
        if clean:
            how = settings_words(clean[0].settings)
            rate = clean[0].rate
            assert rate.rate is not None
            return (
                f"Stock {self.stock} ran clean with {how}: {per_10k(rate.rate)} {self.kind} per "
                f"10,000 feeds on {rate.feeds:,} feeds, {usual} on all."
            )
        if settled:
            said = listed([f"{called(t.setting)} {t.levels[0].level}" for t in settled])
            return (
                f"Stock {self.stock} has fewest {self.kind} with {said}; {usual} per 10,000 feeds "
                "on all."
            )
        if self.without:
            return (
                f"Of stock {self.stock} nothing can be told yet, {usual} {self.kind} per 10,000 "
                f"feeds on all: {self.without}."
            )
        return (
            f"No settings stand out for stock {self.stock} yet: {usual} {self.kind} per 10,000 "
            f"feeds on all, whatever was tried."
        )


def called(column: str) -> str:
    """Return what the crew calls a setting: ``foot rest``."""
    return column.removeprefix("set_").replace("_", " ")


def settings_words(settings: Mapping[str, str | None]) -> str:
    """Write settings as a sentence has them, leaving out what was not logged."""
    words = [f"{called(name)} {level}" for name, level in settings.items() if level is not None]
    return listed(words) if words else "nothing logged of its settings"


def set_up(
    stock: str,
    counts: pa.Table,
    kind: str,
    account: Account,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    spread: Mapping[str, Spread],
    conditions: Conditions | str,
    *,
    ages: Ages | None = None,
    seed: int = 20310106,
) -> SetUp:
    """Which settings ran this stock clean, and which should be tried against each other?

    Parameters
    ----------
    stock : str
        Its code.
    counts : pyarrow.Table
        By run, of all stocks, by `analysis.conditions.COLUMNS` and `settings`.
    kind : str
        Of fault that levels are judged by.
    account : Account
        Of the rows of this stock; handed on.
    stocks : sequence of mapping
        Rows of the stock list.
    settings : sequence of str
        Columns of settings that were logged.
    spread : mapping of str to Spread
        By tower.
    conditions : Conditions or str
        The model fitted on `counts`, or why there is none.
    ages : Ages, optional
        Of parts, in the rows of `counts`.
    seed : int
        Of the draws.

    Raises
    ------
    analysis.filters.FilterError
        Where the log has no such stock.
    """
    logged = ("prepared", *settings)
    for column in logged:
        # One name for a number however it was written, as the model has it.
        entries = counts[column].to_pylist()
        names_of = {entry: level_name(entry) for entry in set(entries)}
        place = counts.column_names.index(column)
        cells = pa.array([names_of[entry] for entry in entries], pa.string())
        counts = counts.set_column(place, column, cells)
    names = sorted({str(name) for name in counts["stock"].to_pylist() if name})
    if stock not in names:
        raise FilterError(
            f"stock {stock} is not in this part of the log, which has {listed(names)}"
            if names
            else f"stock {stock} is not in this part of the log, which names no stock"
        )
    here = np.array([name == stock for name in counts["stock"].to_pylist()])
    mine = counts.filter(pa.array(here))
    row = next((row for row in stocks if row["stock"] == stock), None)
    total = pooled(mine, kind, spread)
    empty = SetUp(
        stock=stock,
        listed=row,
        kind=kind,
        account=account,
        total=total,
        combinations=(),
        tried=(),
        always={},
        starting=_starting(row, _beside(counts, here, stocks)),
        trials={},
        ran={name: levels for name in logged if (levels := _levels_run(mine, name, kind))},
        variance=float(np.mean([s.variance for s in spread.values()])) if spread else 0.0,
    )
    if isinstance(conditions, str):
        return replace(empty, without=conditions)
    looked = _Looked(stock, counts, here, conditions, ages, seed)
    found = [looked.tried(column) for column in logged]
    several = [one for one in found if one is not None and len(one.levels) > 1]
    tried = tuple(replace(one, kind=kind, among=len(several)) for one in several)
    always = {one.setting: one.usual for one in found if one is not None and len(one.levels) == 1}
    for column in conditions.follows_paper:
        if ran := empty.ran.get(column):
            always[column] = ran[0]
    rate = total.rate
    trials = {}
    for one in tried:
        # A trial is of levels that this very stock has run at.
        own = [level for level in one.levels if level.feeds and level.best is not None]
        others = [level for level in own if level.level != one.usual]
        if rate and not one.settled and len(own) > len(others) > 0:
            # The likeliest to be best against what the stock is run at, and as much as the log
            # leaves open that it may gain.
            other = others[0]
            if other.low > 1 / _WORTH_A_TRIAL:
                continue
            ratio = max(other.low, 1 / TRIAL_RATIO)
            pair = (one.usual, other.level)
            planned = trial(
                rate,
                ratio,
                variance=empty.variance,
                power=TRIAL_POWER,
                levels=(f"{called(one.setting)} {pair[0]}", f"{called(one.setting)} {pair[1]}"),
                kind=kind,
            )
            if planned.feeds <= _MOST_TRIAL_FEEDS:
                trials[one.setting] = planned
    return replace(
        empty,
        combinations=_combinations(mine, logged, kind, spread, looked),
        tried=tried,
        always=always,
        trials=trials,
    )


def _beside(
    counts: pa.Table, here: NDArray[np.bool_], stocks: Sequence[Mapping[str, object]]
) -> float | None:
    """Return the weight in g/m2 of the paper that mostly runs in the other bins of these runs."""
    tower, run = counts["of_tower"].to_pylist(), counts["of_run"].to_pylist()
    runs = {(tower[i], run[i]) for i in np.flatnonzero(here)}
    feeds, names = counts["feeds"].to_pylist(), counts["stock"].to_pylist()
    fed: dict[str, int] = {}
    for i in np.flatnonzero(~here):
        if names[i] and (tower[i], run[i]) in runs:
            fed[names[i]] = fed.get(names[i], 0) + feeds[i]
    if not fed:
        return None
    most = max(sorted(fed), key=lambda name: fed[name])
    row = next((row for row in stocks if row["stock"] == most), {})
    weight = row.get("grammage_gsm")
    return float(weight) if isinstance(weight, int | float) else None


def _starting(row: Mapping[str, object] | None, beside: float | None) -> tuple[StartingPoint, ...]:
    if row is None:
        return ()

    def number(name: str) -> float | None:
        value = row.get(name)
        return float(value) if isinstance(value, int | float) else None

    def word(name: str) -> str | None:
        value = row.get(name)
        return str(value) if value else None

    return starting_points(
        number("grammage_gsm"),
        word("coating"),
        word("printed_by"),
        number("width_mm"),
        number("height_mm"),
        beside,
    )


def _levels_run(counts: pa.Table, column: str, kind: str) -> tuple[str, ...]:
    fed: dict[str, int] = {}
    pairs = zip(counts[column].to_pylist(), counts[f"feeds_{kind}"].to_pylist(), strict=True)
    for level, feeds in pairs:
        if level is not None and feeds:
            fed[str(level)] = fed.get(str(level), 0) + feeds
    return tuple(sorted(fed, key=lambda level: (-fed[level], level)))


class _Looked:
    """The rows of one stock, and what the model says of settings on paper like it."""

    def __init__(
        self,
        stock: str,
        counts: pa.Table,
        here: NDArray[np.bool_],
        conditions: Conditions,
        ages: Ages | None,
        seed: int,
    ) -> None:
        self.model = conditions.model
        self.rows = self.model.rows(counts, ages)
        self.here = here[self.rows.kept]
        self.seed = seed
        self.z = float(special.ndtri(0.5 * (1 + conditions.confidence)))
        self.kept = np.flatnonzero(here[self.rows.kept])
        settings = sum(
            (
                self.model.effect_of(name, self.rows)
                for name, part in self.model.part_of.items()
                if part == "settings"
            ),
            np.zeros(self.rows.feeds.size),
        )
        expected = self.model.expected(self.rows) * np.exp(-settings)
        # On the scale of what this stock had: its own rate at average settings.
        mine = expected[self.here]
        seen = self.rows.faults[self.here].sum()
        self.expected = mine * (seen / mine.sum()) if mine.sum() > 0 else mine

    def tried(self, column: str) -> Tried | None:
        levels = self.model.levels(column)
        if levels is None:
            return None
        kinds = self.model.kinds_of_paper(self.rows)
        own = kinds[self.here]
        if not own.size:
            return None
        like = kinds == own[0]
        code = self.model.level_codes(column, self.rows)
        count = len(levels)

        def sums(where: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
            return (
                np.bincount(code[where], self.rows.feeds[where], count).astype(np.float64),
                np.bincount(code[where], self.rows.faults[where], count).astype(np.float64),
            )

        feeds, faults = sums(self.here)
        feeds_like, faults_like = sums(like)
        given = [i for i in range(count) if levels[i] is not None and feeds_like[i]]
        if not given:
            return None
        mostly = max(given, key=lambda i: (feeds[i], feeds_like[i]))
        rows = self.model.level_rows(column, int(own[0]), given)
        base = rows[given.index(mostly)]
        logs = (rows - base) @ self.model.fit.coefficients
        whole = float(self.rows.faults[like].sum() / self.rows.feeds[like].sum())
        off = np.zeros(len(given))
        if self.model.on_a_line(column):
            off = 1 / np.sqrt(1 / _OFF_THE_LINE**2 + whole * feeds_like[given])
        usual = np.arange(len(given)) == given.index(mostly)
        apart = np.where(usual, 0.0, off**2 + off[given.index(mostly)] ** 2)
        half = self.z * np.sqrt(self.model.fit.sd(rows - base) ** 2 + apart)
        known = [k for k, i in enumerate(given) if whole * feeds_like[i] >= FEW_EXPECTED]
        best: list[float | None] = [None] * len(given)
        # One level alone is best of nothing.
        if len(known) > 1:
            for k, won in zip(known, self._best(rows[known], off[known]), strict=True):
                best[k] = float(won)
        told = [
            Level(
                str(levels[i]), int(feeds[i]), int(faults[i]), int(feeds_like[i]),
                int(faults_like[i]), float(np.exp(logs[k])), float(np.exp(logs[k] - half[k])),
                float(np.exp(logs[k] + half[k])), best[k],
            )
            for k, i in enumerate(given)
        ]  # fmt: skip
        told.sort(key=lambda level: (-(level.best or 0.0), -level.feeds_like, level.level))
        return Tried(column, str(levels[mostly]), tuple(told))

    def _best(self, rows: FloatArray, off: FloatArray) -> FloatArray:
        """Count how often each level has the lowest rate, over draws from the fit."""
        mean = rows @ self.model.fit.coefficients
        spread = rows @ self.model.fit.covariance @ rows.T + np.diag(off**2)
        values, vectors = np.linalg.eigh(spread)
        # The symmetric root, since others turn with the last digit of what they are roots of.
        root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        draws = np.random.default_rng(self.seed).standard_normal((DRAWS, len(mean)))
        lowest = (mean + draws @ root.T).argmin(axis=1)
        return np.bincount(lowest, minlength=len(mean)) / DRAWS


def _combinations(
    mine: pa.Table,
    logged: Sequence[str],
    kind: str,
    spread: Mapping[str, Spread],
    looked: _Looked,
) -> tuple[Combination, ...]:
    expected = np.zeros(mine.num_rows)
    kept = (mine[f"feeds_{kind}"].to_numpy() > 0) & mine["bin"].is_valid().to_numpy(
        zero_copy_only=False
    )
    expected[kept] = looked.expected
    table = mine.append_column("expected", pa.array(expected))
    fed = table.group_by([*logged]).aggregate([(f"feeds_{kind}", "sum"), ("expected", "sum")])
    fed = fed.sort_by([(f"feeds_{kind}_sum", "descending")]).slice(0, MOST_COMBINATIONS)
    cells = list(zip(*(mine[name].to_pylist() for name in logged), strict=True))
    out = []
    found = [row for row in fed.to_pylist() if row[f"feeds_{kind}_sum"]]
    many = max(len(found), 1)
    for row in found:
        wanted = tuple(row[name] for name in logged)
        part = mine.filter(pa.array([cell == wanted for cell in cells]))
        whole = regroup(part.select(["of_tower", "of_run", "first", *SUMMED]), ())
        rate = pooled(whole, kind, spread)
        # One of a dozen looks clean by luck every third time at 95 % each (Bonferroni).
        strict = pooled(whole, kind, spread, confidence=1 - 0.05 / many)
        usual = row["expected_sum"] / rate.feeds
        out.append(
            Combination(
                settings={
                    name: None if v is None else str(v)
                    for name, v in zip(logged, wanted, strict=True)
                },
                rate=rate,
                counts={one: sum(whole[one].to_pylist()) for one in ("misses", "doubles")},
                expected=row["expected_sum"],
                last=max(whole["first"].to_pylist()),
                verdict=_verdict(strict, usual),
            )
        )
    order = {"clean": 0, "too few feeds to tell": 1, "not clean": 2}
    out.sort(key=lambda c: (order[c.verdict], c.rate.wide_high))
    return tuple(out)


def _verdict(rate: Rate, usual: float) -> str:
    if usual and rate.wide_high < usual:
        return "clean"
    if usual and rate.wide_low > usual:
        return "not clean"
    return "too few feeds to tell"
