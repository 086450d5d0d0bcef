"""What may a rate depend on, and how are sums over the rows of a log made?

Every thing that the rate may depend on is a *term*: it has a few different levels, each row is at
one of them, and a small table says what each level adds to each coefficient (a one for its own,
where levels have one each; a spline's values, where the level is a number on a curve). So a row
costs one small number per term however many coefficients there are, and all sums that a fit needs
are sums over pairs of levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


# An estimated standard deviation of coefficients lies between these: below the lower one they are
# as good as equal, and a log ratio of more than the upper one is not learnt but a runaway.
LEAST_SD, MOST_SD = 0.02, 1.0


@dataclass(frozen=True)
class Penalty:
    """A ridge on some coefficients of a term.

    Attributes
    ----------
    columns : slice
        Which of the term's coefficients.
    matrix : float array
        Square and of full rank: ``strength * b' matrix b / 2`` is taken from the log-likelihood.
        The identity shrinks to nothing with a standard deviation of 1 / sqrt(strength).
    strength : float or None
        None: estimated.
    least_sd : float
        An estimated strength is at most 1 over its square. Where it matters that no coefficient is
        shrunk much too far for being unlike the others, this is what it is granted beforehand.
    """

    columns: slice
    matrix: FloatArray
    strength: float | None = None
    least_sd: float = LEAST_SD


@dataclass(frozen=True)
class Term:
    """One thing that the rate may depend on.

    Attributes
    ----------
    name : str
        Of the term.
    codes : int array
        The level of each row, from 0.
    columns : float array
        One row per level, one column per coefficient: what the level adds to the log rate for each
        unit of the coefficient.
    penalties : tuple of Penalty
        On columns that do not overlap. Columns without one are free.
    fine : bool
        Whether the levels differ between rows that are otherwise alike, as those of bins do. Rows
        are summed over all terms that are not; it changes what a fit costs and nothing else.
    """

    name: str
    codes: IntArray
    columns: FloatArray
    penalties: tuple[Penalty, ...] = ()
    fine: bool = False


def levels_of(
    name: str, codes: IntArray, count: int, strength: float | None, *, fine: bool = False
) -> Term:
    """Return a term with a coefficient of its own for each level, all under one ridge.

    Parameters
    ----------
    name : str
        Of the term.
    codes : int array
        Level of each row, 0 to `count` - 1.
    count : int
        Levels.
    strength : float or None
        Of the ridge; None: estimated.
    fine : bool
        See `Term`.
    """
    ridge = Penalty(slice(0, count), np.eye(count), strength)
    return Term(name, codes, np.eye(count), (ridge,), fine)


def summed(codes: IntArray, weights: FloatArray, count: int = 0) -> FloatArray:
    """Return the weights added up by code; at least so many sums as `count` says."""
    return np.bincount(codes, weights, count).astype(np.float64, copy=False)


def renumbered(codes: IntArray) -> IntArray:
    """Return codes that leave no number out, from 0, in the order of those given."""
    return np.unique(codes, return_inverse=True)[1].astype(np.int64)


class Design:
    """The rows, as sums over them are made.

    Rows that differ in no coarse term are one *cell*; only sums that a fine term is in go over the
    rows themselves.

    Parameters
    ----------
    feeds, faults : float array
        One entry per row; feeds above 0.
    terms : sequence of Term
        With a code for every row; the free intercept is put before them.
    periods : int array or None
        Period of each row, from 0 without a gap.
    """

    def __init__(
        self, feeds: FloatArray, faults: FloatArray, terms: Sequence[Term], periods: IntArray | None
    ) -> None:
        self.feeds, self.faults = feeds, faults
        size = feeds.size
        level = np.zeros(size, dtype=np.int64)
        self.given = tuple(terms)
        self.terms = (Term("", level, np.ones((1, 1))), *terms)
        self.periods = periods
        self.n_periods = int(periods.max()) + 1 if periods is not None else 0
        coarse = [t.codes for t in self.terms if not t.fine]
        if periods is not None:
            coarse.append(periods)
        self.cell, firsts = _cells(coarse, size)
        self._of_cell = [None if t.fine else t.codes[firsts] for t in self.terms]
        self.period_of_cell = None if periods is None else periods[firsts]
        widths = [t.columns.shape[1] for t in self.terms]
        ends = np.cumsum(widths)
        self.places = [slice(int(e - w), int(e)) for e, w in zip(ends, widths, strict=True)]
        self.width = int(ends[-1])
        self.ridges = [
            (slice(place.start + r.columns.start, place.start + r.columns.stop), r)
            for term, place in zip(self.terms, self.places, strict=True)
            for r in term.penalties
        ]
        self._in_period: dict[int, NDArray[np.bool_]] = {}
        self.identity = [
            t.columns.shape[0] == t.columns.shape[1]
            and np.array_equal(t.columns, np.eye(len(t.columns)))
            for t in self.terms
        ]

    def levels_of_periods(self, i: int, rows: IntArray) -> IntArray:
        """Return the levels of a term in the periods of some rows; all, where it has few."""
        levels = len(self.terms[i].columns)
        if levels <= 64 or self.periods is None:
            return np.arange(levels)
        if i not in self._in_period:
            key = self.periods * levels + self.terms[i].codes
            table = np.zeros(self.n_periods * levels, dtype=bool)
            table[key] = True
            self._in_period[i] = table.reshape(self.n_periods, levels)
        of_rows = np.unique(self.periods[rows])
        return np.flatnonzero(self._in_period[i][of_rows].any(axis=0))

    def linear(self, b: FloatArray, u: FloatArray) -> FloatArray:
        """Return the log ratio of each row."""
        in_cells = np.zeros(int(self.cell.max()) + 1)
        fine = np.zeros(self.feeds.size)
        for term, place, codes in zip(self.terms, self.places, self._of_cell, strict=True):
            by_level = term.columns @ b[place]
            if codes is None:
                fine += by_level[term.codes]
            else:
                in_cells += by_level[codes]
        if self.period_of_cell is not None:
            in_cells += u[self.period_of_cell]
        return fine + in_cells[self.cell]

    def sums(self, weights: FloatArray, *, absolute: bool = False) -> FloatArray:
        """Return X' weights, or |X|' weights."""
        in_cells = summed(self.cell, weights)
        out = np.empty(self.width)
        for term, place, codes in zip(self.terms, self.places, self._of_cell, strict=True):
            columns = np.abs(term.columns) if absolute else term.columns
            by_level = (
                summed(term.codes, weights, len(columns))
                if codes is None
                else summed(codes, in_cells, len(columns))
            )
            out[place] = columns.T @ by_level
        return out

    def period_sums(self, weights: FloatArray) -> FloatArray:
        """Return the weights added up by period; nothing where there are no periods."""
        if self.periods is None:
            return np.zeros(0)
        return summed(self.periods, weights, self.n_periods)

    def products(self, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return X' W X, and the periods' own columns' product with W X, a row for each period."""
        in_cells = summed(self.cell, weights)
        whole = np.empty((self.width, self.width))
        across = np.empty((self.n_periods, self.width))
        for i, one in enumerate(self.terms):
            levels = len(one.columns)
            coarse = self._of_cell[i]
            own = (
                summed(one.codes, weights, levels)
                if coarse is None
                else summed(coarse, in_cells, levels)
            )
            whole[self.places[i], self.places[i]] = one.columns.T @ (own[:, None] * one.columns)
            for j in range(i):
                other = self.terms[j]
                table = self._crossed(i, j, weights, in_cells)
                block = self._left(i, table)
                block = block if self.identity[j] else block @ other.columns
                whole[self.places[i], self.places[j]] = block
                whole[self.places[j], self.places[i]] = block.T
            if self.periods is not None and self.period_of_cell is not None:
                if coarse is None:
                    key = one.codes * self.n_periods + self.periods
                    table = summed(key, weights, levels * self.n_periods)
                else:
                    key = coarse * self.n_periods + self.period_of_cell
                    table = summed(key, in_cells, levels * self.n_periods)
                across[:, self.places[i]] = self._left(i, table.reshape(levels, self.n_periods)).T
        return whole, across

    def _left(self, i: int, table: FloatArray) -> FloatArray:
        return table if self.identity[i] else self.terms[i].columns.T @ table

    def _crossed(self, i: int, j: int, weights: FloatArray, in_cells: FloatArray) -> FloatArray:
        one, other = self.terms[i], self.terms[j]
        size = len(one.columns), len(other.columns)
        a, b = self._of_cell[i], self._of_cell[j]
        if a is None or b is None:
            # Only a sum over a fine term has to go over the rows.
            key, added = one.codes * size[1] + other.codes, weights
        else:
            key, added = a * size[1] + b, in_cells
        return summed(key, added, size[0] * size[1]).reshape(size)

    def ridge(self, strengths: FloatArray) -> FloatArray:
        """Return the matrix of all ridges but the periods'."""
        out = np.zeros((self.width, self.width))
        for (place, ridge), strength in zip(self.ridges, strengths, strict=False):
            out[place, place] = strength * ridge.matrix
        return out


def _cells(codes: Sequence[IntArray], size: int) -> tuple[IntArray, IntArray]:
    """Give rows that have all codes in common one number; return it, and a first row of each."""
    cell = np.zeros(size, dtype=np.int64)
    count = 1
    for code in codes:
        levels = int(code.max()) + 1
        if count * levels >= 2**62:
            _, cell = np.unique(cell, return_inverse=True)
            count = int(cell.max()) + 1
        cell = cell * levels + code
        count *= levels
    _, firsts, cell = np.unique(cell, return_index=True, return_inverse=True)
    return cell.astype(np.int64), firsts
