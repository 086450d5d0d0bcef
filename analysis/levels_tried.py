"""Which level of a setting is best on a stock and on paper like it, of those that were tried?

What a level does comes from the model of conditions (`analysis.conditions`), with all else the
same; the chance that it is the best of those tried is counted over draws from what the model leaves
open. A level that nobody tried is never named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy import special

from analysis.ages import Ages
from analysis.conditions import Conditions
from analysis.regression_terms import FloatArray
from analysis.trends import FEW_EXPECTED
from analysis.words import called, chance, listed

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Draws that the chance of being the best is counted over.
DRAWS = 4000

#: A level that is the best with this chance needs no trial.
SETTLED = 0.95

#: How far a level may lie off the line through the others before a fault was seen at it, as a
#: standard deviation of the logarithm; where numbers are on a line, each stands for itself as well.
_OFF_THE_LINE = 0.25

#: What stands for paper like a stock of which neither weight nor coating is listed.
UNKNOWN_PAPER = "all paper of unknown weight and coating, which may not be like it"


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
    mixed : bool
        Whether all that is known of such paper is that no list tells its weight and coating, so
        that other papers in it may be quite unlike the stock.
    """

    setting: str
    usual: str
    levels: tuple[Level, ...]
    kind: str = "faults"
    among: int = 1
    mixed: bool = False

    @property
    def settled(self) -> bool:
        """Whether one level that this stock ran at is the best beyond doubt.

        With a chance of 95 % or more, and more where several settings are looked at: among eight
        that do not matter, one is 95 % sure every third time. Never from papers that may be unlike
        it.
        """
        first = self.levels[0] if self.levels else None
        needed = 1 - (1 - SETTLED) / self.among
        if first is None or self.mixed:
            return False
        return bool(first.feeds) and (first.best or 0.0) >= needed

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
            f"and {first.feeds_like:,} of {UNKNOWN_PAPER if self.mixed else 'paper like it'}."
        )


class StockRows:
    """The rows of one stock, and what the model says of settings on paper like it.

    Parameters
    ----------
    counts : pyarrow.Table
        By run, of all stocks; as of `analysis.set_up.set_up`.
    here : bool array
        Which of these rows are of the stock.
    conditions : Conditions
        Fitted on them.
    ages : Ages or None
        Of parts, in the rows of `counts`.
    seed : int
        Of the draws.

    Attributes
    ----------
    expected : float array
        Of each row of the stock that the model looks at, in order: faults to be expected at average
        settings, on the scale of what the stock had.
    """

    def __init__(
        self,
        counts: pa.Table,
        here: BoolArray,
        conditions: Conditions,
        ages: Ages | None,
        seed: int,
    ) -> None:
        self.model = conditions.model
        self.rows = self.model.rows(counts, ages)
        self.here = here[self.rows.kept]
        self.seed = seed
        self.z = float(special.ndtri(0.5 * (1 + conditions.confidence)))
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
        """Say what is known of the levels of a setting; None where such paper tells nothing."""
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

        def sums(where: BoolArray) -> tuple[FloatArray, FloatArray]:
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
