"""How does a rate depend on many things at once, each known by its level?

Faults of a row are Poisson with mean feeds times exp(sum of the effects of its levels). Every thing
that the rate may depend on is a *term* of a few levels (`analysis.regression_terms`).

Coefficients are held back by ridges (penalties), each with a strength that is either stated or
estimated from the log (empirical Bayes): a term whose levels differ no more than chance explains is
shrunk to nothing, and nothing explodes where a level has no fault. One term of many levels, the
*periods*, is always shrunk and never reported: it takes up what went on for a while and was not
logged, so that it is not put down to what was.

The fit is Newton's (`analysis.regression_climb`), and its end is checked: the score is below 1e-8
of its scale, or the fit says that it did not converge. Uncertainty allows for three things: chance
(Poisson); ridges (a shrunk coefficient may be off by as much as they suppose it may, which for
curves is the interval of Wahba and Nychka); and clusters (faults of one run, and of one day, come
together). For the last, two estimates are made, and for each number the larger is taken: the
sandwich of the clusters' own scores (Liang and Zeger), which supposes nothing but says too little
where few runs carry a number; and what a spread of rates between runs and between days would give,
estimated over the whole log by moments (`analysis.regression_clusters`).

References
----------
McCullagh P, Nelder JA (1989). Generalized Linear Models, 2nd ed. Chapman and Hall: 6.2, 6.3.
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
from scipy import linalg
from threadpoolctl import threadpool_limits

from analysis.regression_climb import TOLERANCE, Climb, climbed, folded_over, inverse_of, valued
from analysis.regression_clusters import Clusters, between_clusters
from analysis.regression_terms import Design, FloatArray, IntArray, Term, renumbered


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
    run = rows if runs is None else renumbered(runs)
    day = run if days is None else renumbered(days)
    period = np.zeros(x.size, dtype=np.int64) if periods is None else renumbered(periods)
    for inner, outer, what in (
        (run, day, "a run lies in two days"),
        (day, period, "a day lies in two periods"),
    ):
        first = np.zeros(int(inner.max()) + 1, dtype=np.int64)
        first[inner] = outer
        if np.any(first[inner] != outer):
            raise ValueError(f"{what}; number them so that each lies in one")
    design = Design(n, x, terms, period if periods is not None else None)
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
                sooner = climbed(Design(n[some], x[some], part, renumbered(period[some])))
        at = climbed(design, sooner)
        return _finished(design, at, run, day) if clusters else _singly(design, at)


def _known(design: Design, strengths: Sequence[float]) -> Climb:
    """Return where a climb starts whose ridges are known."""
    ridges = len(design.ridges) + (design.periods is not None)
    if len(strengths) != ridges:
        raise ValueError(f"there are {ridges} ridges and {len(strengths)} strengths; give one each")
    given = np.array([*strengths, *([] if design.periods is not None else [1.0])])
    b = np.zeros(design.width)
    b[0] = np.log(design.faults.sum() / design.feeds.sum())
    return valued(design, b, np.zeros(design.n_periods), given)


#: Strengths of ridges are learnt from about so many rows where there are more.
_ROWS_TO_LEARN = 120_000


def _slopes(
    design: Design, at: Climb
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, float]:
    """Return the inverse of the slopes at the top, and what of the periods went into it."""
    whole, across = design.products(at.mu)
    lam = float(at.strengths[-1]) if design.n_periods else 0.0
    held = design.period_sums(at.mu) + lam
    ridge = design.ridge(at.strengths)
    factor = linalg.cho_factor(whole + ridge - folded_over(across, 1 / held), lower=True)
    return inverse_of(factor), across, held, ridge, lam


def _singly(design: Design, at: Climb) -> Fit:
    """Hand on a fit whose uncertainty is that of faults that fall singly."""
    inverse, *_ = _slopes(design, at)
    return _made(design, at, (inverse, inverse, inverse), (0.0, 0.0))


def _finished(design: Design, at: Climb, run: IntArray, day: IntArray) -> Fit:
    """Work out how sure the coefficients are."""
    inverse, across, held, ridge, lam = _slopes(design, at)
    residual = design.faults - at.mu

    scaled = across / held[:, None]
    by_run = Clusters(design, run, scaled, held)
    by_day = Clusters(design, day, scaled, held)
    m_run, taken = by_run.squares(at.mu, inverse)
    m_scores, _ = by_day.squares(residual, None)
    v_run, v_day = between_clusters(design.faults, at.mu, run, day, taken)
    between = v_run * m_run
    if v_day:
        between += v_day * by_day.squares(at.mu, None)[0]
    prior = ridge + lam * folded_over(across, 1 / held**2)
    groups = by_day.count
    m_scores *= groups / max(groups - 1, 1)
    covariance = inverse + inverse @ between @ inverse
    scores = inverse @ (m_scores + prior) @ inverse
    return _made(design, at, (covariance, inverse, scores), (v_run, v_day))


def _made(
    design: Design,
    at: Climb,
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
