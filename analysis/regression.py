"""How does a rate depend on many things at once, each known by its level?

Faults of a row are Poisson with mean feeds times exp(sum of the effects of its levels). Every thing
that the rate may depend on is a *term*: it has a few different levels, each row is at one of them,
and a small table says what each level adds to each coefficient (a one for its own, where levels
have one each; a spline's values, where the level is a number on a curve). So a row costs one small
number per term however many coefficients there are, and all sums that a fit needs are sums over
pairs of levels.

Coefficients are held back by ridges (penalties), each with a strength that is either stated or
estimated from the log (empirical Bayes): a term whose levels differ no more than chance explains is
shrunk to nothing, and nothing explodes where a level has no fault. One term of many levels, the
*periods*, is always shrunk and never reported: it takes up what went on for a while and was not
logged, so that it is not put down to what was.

The fit is Newton's, and its end is checked: the score is below 1e-8 of its scale, or the fit says
that it did not converge. Uncertainty allows for three things: chance (Poisson); ridges (a shrunk
coefficient may be off by as much as they suppose it may, which for curves is the interval of Wahba
and Nychka); and clusters (faults of one run, and of one day, come together). For the last, two
estimates are made, and for each number the larger is taken: the sandwich of the clusters' own
scores (Liang and Zeger), which supposes nothing but says too little where few runs carry a number;
and what a spread of rates between runs and between days would give, estimated over the whole log
by moments.

References
----------
McCullagh P, Nelder JA (1989). Generalized Linear Models, 2nd ed. Chapman and Hall: 6.2, 6.3.
Wood SN, Fasiolo M (2017). A generalized Fellner-Schall method for smoothing parameter optimization
with application to Tweedie location, scale and shape models. Biometrics 73:1071-1081.
Breslow NE, Clayton DG (1993). Approximate inference in generalized linear mixed models. Journal of
the American Statistical Association 88:9-25.
Liang KY, Zeger SL (1986). Longitudinal data analysis using generalized linear models. Biometrika
73:13-22.
Wahba G (1983). Bayesian confidence intervals for the cross-validated smoothing spline. Journal of
the Royal Statistical Society B 45:133-150.
Nychka D (1988). Bayesian confidence intervals for smoothing splines. Journal of the American
Statistical Association 83:1134-1143.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg
from threadpoolctl import threadpool_limits

__all__ = ["Fit", "Penalty", "Term", "fit", "levels_of"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: The score at the solution is below this share of its scale.
TOLERANCE = 1e-8

# An estimated standard deviation of coefficients lies between these: below the lower one they are
# as good as equal, and a log ratio of more than the upper one is not learnt but a runaway.
_LEAST_SD, _MOST_SD = 0.02, 1.0

_MOST_STEPS = 60


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
    least_sd: float = _LEAST_SD


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


@dataclass(frozen=True)
class Fit:
    """A fitted regression.

    Attributes
    ----------
    terms : tuple of Term
        As given.
    coefficients : float array
        Of all terms, one after another; the free intercept is the first.
    covariance : float array
        Of the coefficients, square; see the module for what it allows for. Use `sd`.
    singly : float array
        The same as if faults fell singly: chance and ridges only.
    scores : float array
        The covariance by the clusters' own scores.
    periods : float array
        Effect of each period on the log rate.
    strengths : tuple of float
        Of each ridge, in the order of terms and their penalties; the periods' last.
    fitted : float array
        Expected faults of each row, periods included.
    variance_runs, variance_days : float
        Squared coefficient of variation of the rate between runs of a day, and between days.
    score : float
        Largest component of the penalised score at the solution, as a share of its scale, the
        number of faults that belong to that coefficient plus what its ridge takes.
    log_likelihood : float
        Poisson, without the penalties and without the factorials.
    steps : int
        Newton steps taken.
    converged : bool
        Whether the score is below `TOLERANCE`.
    """

    terms: tuple[Term, ...]
    coefficients: FloatArray
    covariance: FloatArray
    singly: FloatArray
    scores: FloatArray
    periods: FloatArray
    strengths: tuple[float, ...]
    fitted: FloatArray
    variance_runs: float
    variance_days: float
    score: float
    log_likelihood: float
    steps: int
    converged: bool

    def place(self, name: str) -> slice:
        """Return where a term's coefficients stand; KeyError where there is no such term."""
        first = 1
        for term in self.terms:
            width = term.columns.shape[1]
            if term.name == name:
                return slice(first, first + width)
            first += width
        raise KeyError(name)

    def effect(self, name: str, levels: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return contrasts of one term and their rows over all coefficients.

        Parameters
        ----------
        name : str
            Of the term.
        levels : float array
            One row per contrast, one column per coefficient of the term.

        Returns
        -------
        float array, float array
            The log ratios, and the contrasts over all coefficients, for `sd`.
        """
        place = self.place(name)
        rows = np.zeros((len(levels), len(self.coefficients)))
        rows[:, place] = levels
        return levels @ self.coefficients[place], rows

    def sd(self, rows: FloatArray) -> FloatArray:
        """Return the standard errors of contrasts, one per row over all coefficients."""
        used = np.flatnonzero(rows.any(axis=0))
        some, at = rows[:, used], np.ix_(used, used)
        by_model = ((some @ self.covariance[at]) * some).sum(axis=1)
        by_scores = ((some @ self.scores[at]) * some).sum(axis=1)
        # Of a contrast that is nought rounding may leave less than that.
        return np.asarray(np.sqrt(np.maximum(np.maximum(by_model, by_scores), 0.0)))


def fit(
    faults: FloatArray,
    feeds: FloatArray,
    terms: Sequence[Term],
    *,
    periods: IntArray | None = None,
    runs: IntArray | None = None,
    days: IntArray | None = None,
    clusters: bool = True,
    strengths: Sequence[float] | None = None,
) -> Fit:
    """How does the rate depend on several things at once?

    Parameters
    ----------
    faults, feeds : float array
        One entry per row; feeds above 0.
    terms : sequence of Term
        What it may depend on, each with a code for every row. There is a free intercept beside.
    periods : int array, optional
        Period of each row, from 0: what is common to its rows and to no term.
    runs, days : int array, optional
        Run and day of each row, from 0, in which faults come together. A run lies in one day and a
        day in one period. Each row is one of its own where absent.
    clusters : bool
        Whether uncertainty allows for clusters. Without, which takes a fraction of the time, all
        covariances are those of faults that fall singly, and no variance between runs is told.
    strengths : sequence of float, optional
        Of each ridge, as `Fit.strengths` has them, where they are known: nothing is then learnt.

    Returns
    -------
    Fit

    Raises
    ------
    ValueError
        Where shapes differ, feeds are not above 0, there is no fault, days lie in two periods, or
        strengths are not one for each ridge.
    """
    x = np.asarray(faults, dtype=np.float64)
    n = np.asarray(feeds, dtype=np.float64)
    if x.ndim != 1 or x.shape != n.shape or any(t.codes.shape != x.shape for t in terms):
        raise ValueError("faults, feeds and the codes of every term must hold one number each")
    if not (np.all(np.isfinite(n)) and np.all(n > 0) and np.all(x >= 0)):
        raise ValueError("feeds must be above 0 and faults 0 or more")
    if not x.sum() > 0:
        raise ValueError("there is no fault to learn from; log more feeds")
    rows = np.arange(x.size)
    run = rows if runs is None else _renumbered(runs)
    day = run if days is None else _renumbered(days)
    period = np.zeros(x.size, dtype=np.int64) if periods is None else _renumbered(periods)
    for inner, outer, what in (
        (run, day, "a run lies in two days"),
        (day, period, "a day lies in two periods"),
    ):
        first = np.zeros(int(inner.max()) + 1, dtype=np.int64)
        first[inner] = outer
        if np.any(first[inner] != outer):
            raise ValueError(f"{what}; number them so that each lies in one")
    design = _Design(n, x, terms, period if periods is not None else None)
    # Matrices of a few hundred columns are solved sooner by one thread than by several that wait
    # for one another, and by far where something else runs beside.
    with threadpool_limits(1, "blas"):
        sooner = None
        if strengths is not None:
            sooner = _known(design, strengths)
        elif periods is not None and x.size > _ROWS_TO_LEARN:
            # Every so many weeks of a large works say how far its bins, papers and weeks differ.
            every = -(-x.size // _ROWS_TO_LEARN)
            some = period % every == 0
            if x[some].sum() > 0:
                part = [replace(term, codes=term.codes[some]) for term in terms]
                sooner = _climbed(_Design(n[some], x[some], part, _renumbered(period[some])))
        at = _climbed(design, sooner)
        return _finished(design, at, run, day) if clusters else _singly(design, at)


def _known(design: _Design, strengths: Sequence[float]) -> _Climb:
    """Return where a climb starts whose ridges are known."""
    ridges = len(design.ridges) + (design.periods is not None)
    if len(strengths) != ridges:
        raise ValueError(f"there are {ridges} ridges and {len(strengths)} strengths; give one each")
    given = np.array([*strengths, *([] if design.periods is not None else [1.0])])
    b = np.zeros(design.width)
    b[0] = np.log(design.faults.sum() / design.feeds.sum())
    return _valued(design, b, np.zeros(design.n_periods), given)


#: Strengths of ridges are learnt from about so many rows where there are more.
_ROWS_TO_LEARN = 120_000


def _summed(codes: IntArray, weights: FloatArray, count: int = 0) -> FloatArray:
    return np.bincount(codes, weights, count).astype(np.float64, copy=False)


def _renumbered(codes: IntArray) -> IntArray:
    return np.unique(codes, return_inverse=True)[1].astype(np.int64)


class _Design:
    """The rows, as sums over them are made.

    Rows that differ in no coarse term are one *cell*; only sums that a fine term is in go over the
    rows themselves.
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
        in_cells = _summed(self.cell, weights)
        out = np.empty(self.width)
        for term, place, codes in zip(self.terms, self.places, self._of_cell, strict=True):
            columns = np.abs(term.columns) if absolute else term.columns
            by_level = (
                _summed(term.codes, weights, len(columns))
                if codes is None
                else _summed(codes, in_cells, len(columns))
            )
            out[place] = columns.T @ by_level
        return out

    def period_sums(self, weights: FloatArray) -> FloatArray:
        if self.periods is None:
            return np.zeros(0)
        return _summed(self.periods, weights, self.n_periods)

    def products(self, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return X' W X, and the periods' own columns' product with W X, a row for each period."""
        in_cells = _summed(self.cell, weights)
        whole = np.empty((self.width, self.width))
        across = np.empty((self.n_periods, self.width))
        for i, one in enumerate(self.terms):
            levels = len(one.columns)
            coarse = self._of_cell[i]
            own = (
                _summed(one.codes, weights, levels)
                if coarse is None
                else _summed(coarse, in_cells, levels)
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
                    table = _summed(key, weights, levels * self.n_periods)
                else:
                    key = coarse * self.n_periods + self.period_of_cell
                    table = _summed(key, in_cells, levels * self.n_periods)
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
        return _summed(key, added, size[0] * size[1]).reshape(size)

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


@dataclass
class _Climb:
    """Where a climb stands."""

    b: FloatArray
    u: FloatArray
    strengths: FloatArray
    mu: FloatArray
    value: float
    steps: int = 0
    score: float = np.inf


def _climbed(design: _Design, sooner: _Climb | None = None) -> _Climb:
    """Climb to the penalised maximum, learning the strengths of the ridges on the way.

    From where a part of the rows led, if that is given, and with the strengths learnt there.
    """
    stated = [r.strength for _, r in design.ridges]
    estimated = np.array([s is None for s in stated] + [True] * (design.periods is not None))
    strengths = np.array([1 / 0.3**2 if s is None else s for s in stated] + [1 / 0.05**2])
    strengths = strengths[: estimated.size] if sooner is None else sooner.strengths
    b = np.zeros(design.width)
    b[0] = np.log(design.faults.sum() / design.feeds.sum())
    b = b if sooner is None else sooner.b
    at = _valued(design, b, np.zeros(design.n_periods), strengths)
    learning = bool(estimated.any()) and sooner is None
    slope: _Slope | None = None
    while at.steps < _MOST_STEPS and (learning or at.score >= TOLERANCE):
        at.steps += 1
        residual = design.faults - at.mu
        g, gu = design.sums(residual), design.period_sums(residual)
        if slope is None:
            products = (*design.products(at.mu), design.period_sums(at.mu))
            slope = _Slope(design, products, at.strengths)
        step, step_u = slope.step(g, gu, at)
        moved = 0.0
        if learning:
            given = slope.strengths(estimated, at.b + step, at.u + step_u)
            slope = _Slope(design, products, given)
            step, step_u = slope.step(g, gu, at)
            learnt = slope.strengths(estimated, at.b + step, at.u + step_u)
            moved = float(np.abs(np.log(learnt / at.strengths)).max(initial=0.0))
            # The step was made for these, and is taken with them.
            at = _valued(design, at.b, at.u, given, steps=at.steps, score=at.score)
        was = at.score
        at = _stepped(design, at, step, step_u)
        if learning:
            at = _valued(design, at.b, at.u, learnt, steps=at.steps)
            learning = moved >= 0.05 and at.steps < 25
            slope = None
        at.score = _score(design, at)
        if not learning and slope is not None and at.score > 0.1 * was:
            # Near the top the slopes hardly change, and the last ones serve for several steps.
            slope = None
    return at


class _Slope:
    """How the score changes with the coefficients, at one place and with some strengths."""

    def __init__(
        self,
        design: _Design,
        products: tuple[FloatArray, FloatArray, FloatArray],
        strengths: FloatArray,
    ) -> None:
        self._design, self._given = design, strengths
        whole, self._across, own = products
        self._ridge = design.ridge(strengths)
        self._lam = float(strengths[-1]) if design.n_periods else 0.0
        self._held = own + self._lam
        # The periods have nothing to do with one another, and come out first.
        folded = _folded(self._across, 1 / self._held)
        self._factor = linalg.cho_factor(whole + self._ridge - folded, lower=True)

    def step(self, g: FloatArray, gu: FloatArray, at: _Climb) -> tuple[FloatArray, FloatArray]:
        """Return the step to where the score is nought, were the slopes the same all the way."""
        g = g - self._ridge @ at.b
        gu = gu - self._lam * at.u
        step = linalg.cho_solve(self._factor, g - (gu / self._held) @ self._across)
        return step, (gu - self._across @ step) / self._held

    def strengths(self, estimated: NDArray[np.bool_], b: FloatArray, u: FloatArray) -> FloatArray:
        """Make the next guess at the strengths of the ridges (Wood and Fasiolo)."""
        design, given = self._design, self._given
        inverse = _inverse(self._factor)
        out = given.copy()
        for k, (place, ridge) in enumerate(design.ridges):
            if estimated[k]:
                trace = float((inverse[place, place] * ridge.matrix).sum())
                size = float(b[place] @ ridge.matrix @ b[place])
                out[k] = _bounded(len(ridge.matrix) - given[k] * trace, size, ridge.least_sd)
        if design.n_periods:
            folded = _folded(self._across, 1 / self._held**2)
            trace = float((1 / self._held).sum() + (inverse * folded).sum())
            out[-1] = _bounded(design.n_periods - given[-1] * trace, float(u @ u), _LEAST_SD)
        return out


def _valued(
    design: _Design,
    b: FloatArray,
    u: FloatArray,
    strengths: FloatArray,
    *,
    steps: int = 0,
    score: float = np.inf,
) -> _Climb:
    eta = design.linear(b, u)
    # A step may be far too long at first: it is then as bad as can be, and is cut.
    with np.errstate(over="ignore", invalid="ignore"):
        mu = design.feeds * np.exp(eta)
        value = float((design.faults * eta).sum() - mu.sum())
    value = value if np.isfinite(value) else -np.inf
    for (place, ridge), strength in zip(design.ridges, strengths, strict=False):
        value -= 0.5 * strength * float(b[place] @ ridge.matrix @ b[place])
    if design.n_periods:
        value -= 0.5 * float(strengths[-1] * (u @ u))
    return _Climb(b, u, strengths, mu, value, steps, score)


def _stepped(design: _Design, at: _Climb, step: FloatArray, step_u: FloatArray) -> _Climb:
    """Take a Newton step, or as much of it as goes uphill."""
    part = 1.0
    while True:
        now = _valued(design, at.b + part * step, at.u + part * step_u, at.strengths)
        # Near the top a step gains less than rounding makes of the sum.
        if now.value >= at.value - 1e-9 * abs(at.value) or part < 1e-6:
            now.steps = at.steps
            return now
        part /= 2


def _inverse(factor: tuple[FloatArray, bool]) -> FloatArray:
    """Return the inverse of a matrix by its lower factor, in a third of what solving takes."""
    lower, failed = linalg.lapack.dpotri(factor[0], lower=1)
    if failed:
        raise linalg.LinAlgError("two coefficients cannot be told apart and nothing holds them")
    lower = np.tril(lower)
    return np.asarray(lower + np.tril(lower, -1).T)


def _folded(across: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the sum over periods of the weighted squares of their columns.

    The periods of a tower have nothing to do with the bins of another, so that of a few periods at
    a time most rows are nought.
    """
    out = np.zeros((across.shape[1], across.shape[1]))
    for start in range(0, len(across), _PERIODS_AT_ONCE):
        part = across[start : start + _PERIODS_AT_ONCE]
        used = np.flatnonzero(part.any(axis=0))
        some = part[:, used] * np.sqrt(weights[start : start + _PERIODS_AT_ONCE, None])
        out[np.ix_(used, used)] += some.T @ some
    return out


_PERIODS_AT_ONCE = 64


def _bounded(free: float, size: float, least_sd: float) -> float:
    return float(np.clip(max(free, 1e-9) / max(size, 1e-12), 1 / _MOST_SD**2, 1 / least_sd**2))


def _score(design: _Design, at: _Climb) -> float:
    ridge = design.ridge(at.strengths)
    lam = float(at.strengths[-1]) if design.n_periods else 0.0
    residual = design.faults - at.mu
    g = design.sums(residual) - ridge @ at.b
    gu = design.period_sums(residual) - lam * at.u
    larger = np.maximum(
        design.sums(design.faults, absolute=True), design.sums(at.mu, absolute=True)
    )
    # What a ridge takes of one coefficient may cancel between its neighbours.
    scale = larger + np.abs(ridge) @ np.abs(at.b)
    scale_u = np.maximum(design.period_sums(design.faults), design.period_sums(at.mu))
    scale_u = scale_u + np.abs(lam * at.u)
    worst = float(np.max(np.abs(g) / np.maximum(scale, 1e-300)))
    return max(worst, float(np.max(np.abs(gu) / np.maximum(scale_u, 1e-300), initial=0.0)))


def _slopes(
    design: _Design, at: _Climb
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, float]:
    """Return the inverse of the slopes at the top, and what of the periods went into it."""
    whole, across = design.products(at.mu)
    lam = float(at.strengths[-1]) if design.n_periods else 0.0
    held = design.period_sums(at.mu) + lam
    ridge = design.ridge(at.strengths)
    factor = linalg.cho_factor(whole + ridge - _folded(across, 1 / held), lower=True)
    return _inverse(factor), across, held, ridge, lam


def _singly(design: _Design, at: _Climb) -> Fit:
    """Hand on a fit whose uncertainty is that of faults that fall singly."""
    inverse, *_ = _slopes(design, at)
    return _made(design, at, (inverse, inverse, inverse), (0.0, 0.0))


def _finished(design: _Design, at: _Climb, run: IntArray, day: IntArray) -> Fit:
    """Work out how sure the coefficients are."""
    inverse, across, held, ridge, lam = _slopes(design, at)
    residual = design.faults - at.mu

    scaled = across / held[:, None]
    by_run = _Clusters(design, run, scaled, held)
    by_day = _Clusters(design, day, scaled, held)
    m_run, taken = by_run.squares(at.mu, inverse)
    m_scores, _ = by_day.squares(residual, None)
    v_run, v_day = _between(design.faults, at.mu, run, day, taken)
    between = v_run * m_run
    if v_day:
        between += v_day * by_day.squares(at.mu, None)[0]
    prior = ridge + lam * _folded(across, 1 / held**2)
    groups = by_day.count
    m_scores *= groups / max(groups - 1, 1)
    covariance = inverse + inverse @ between @ inverse
    scores = inverse @ (m_scores + prior) @ inverse
    return _made(design, at, (covariance, inverse, scores), (v_run, v_day))


def _made(
    design: _Design,
    at: _Climb,
    covariances: tuple[FloatArray, FloatArray, FloatArray],
    variances: tuple[float, float],
) -> Fit:
    eta = np.log(at.mu / design.feeds)
    ridges = len(design.ridges) + (design.periods is not None)
    return Fit(
        terms=design.given,
        coefficients=at.b,
        covariance=covariances[0],
        singly=covariances[1],
        scores=covariances[2],
        periods=at.u,
        strengths=tuple(map(float, at.strengths[:ridges])),
        fitted=at.mu,
        variance_runs=variances[0],
        variance_days=variances[1],
        score=at.score,
        log_likelihood=float(design.faults @ eta - at.mu.sum()),
        steps=at.steps,
        converged=at.score < TOLERANCE,
    )


class _Clusters:
    """Sums over the rows of each cluster, a few clusters at a time."""

    _AT_ONCE = 1500

    def __init__(
        self, design: _Design, cluster: IntArray, scaled: FloatArray, held: FloatArray
    ) -> None:
        self._design, self._scaled, self._held = design, scaled, held
        self.count = int(cluster.max()) + 1
        self._order = np.argsort(cluster, kind="stable")
        self._cluster = cluster[self._order]
        self._ends = np.searchsorted(self._cluster, np.arange(0, self.count, self._AT_ONCE))

    def squares(
        self, weights: FloatArray, inverse: FloatArray | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return the sum of squares of X' weights over clusters, net of what their period takes.

        With an inverse also what each cluster's sum varies by as the fit is uncertain.
        """
        design = self._design
        out = np.zeros((design.width, design.width))
        taken = []
        for start in range(0, self.count, self._AT_ONCE):
            k = start // self._AT_ONCE
            stop = self._ends[k + 1] if k + 1 < len(self._ends) else len(self._order)
            rows = self._order[self._ends[k] : stop]
            local = self._cluster[self._ends[k] : stop] - start
            count = min(self._AT_ONCE, self.count - start)
            # The clusters of a few towers touch those towers' bins alone.
            used, some = self._sums(rows, local, count, weights[rows])
            own = np.zeros(count)
            if design.periods is not None:
                period = np.zeros(count, dtype=np.int64)
                period[local] = design.periods[rows]
                total = np.bincount(local, weights[rows], count)
                some -= total[:, None] * self._scaled[np.ix_(period, used)]
                own = total**2 / self._held[period]
            at = np.ix_(used, used)
            out[at] += some.T @ some
            if inverse is not None:
                taken.append(((some @ inverse[at]) * some).sum(axis=1) + own)
        return out, np.concatenate(taken) if taken else np.zeros(0)

    def _sums(
        self, rows: IntArray, local: IntArray, count: int, weights: FloatArray
    ) -> tuple[IntArray, FloatArray]:
        """Sum over the rows of each cluster; return which coefficients that concerns, and sums."""
        design = self._design
        used: list[IntArray] = []
        sums: list[FloatArray] = []
        for i, (term, place) in enumerate(zip(design.terms, design.places, strict=True)):
            # Other rows of the same period may be at other levels, and what the period takes of
            # these rows concerns their coefficients too.
            levels = design.levels_of_periods(i, rows)
            here = np.zeros(len(term.columns), dtype=np.int64)
            here[levels] = np.arange(levels.size)
            key = local * levels.size + here[term.codes[rows]]
            table = _summed(key, weights, count * levels.size).reshape(count, levels.size)
            if design.identity[i]:
                used.append(place.start + levels)
                sums.append(table)
            else:
                used.append(np.arange(place.start, place.stop))
                sums.append(table @ term.columns[levels])
        return np.concatenate(used), np.hstack(sums)


def _between(
    faults: FloatArray, mu: FloatArray, run: IntArray, day: IntArray, taken: FloatArray
) -> tuple[float, float]:
    """Estimate the variance of the rate between runs of a day and between days, by moments.

    A fit follows its faults, and so makes the squares too small by `taken`.
    """
    x_run, mu_run = _summed(run, faults), _summed(run, mu)
    off = x_run - mu_run
    both = (off**2 - x_run + taken).sum() / (mu_run**2).sum()
    day_of_run = np.zeros(len(x_run), dtype=np.int64)
    day_of_run[run] = day
    pairs = (_summed(day_of_run, mu_run) ** 2).sum() - (mu_run**2).sum()
    of_day = 0.0
    if pairs > 1e-9 * (mu_run**2).sum():
        of_day = float(((_summed(day_of_run, off) ** 2).sum() - (off**2).sum()) / pairs)
    of_day = max(0.0, of_day)
    return max(0.0, float(both) - of_day), of_day
