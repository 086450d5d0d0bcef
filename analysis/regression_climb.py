"""At which coefficients is a penalised likelihood highest, and how strong are its ridges?

By Newton's method; the strengths of ridges are learnt on the way (Wood and Fasiolo). See
`analysis.regression`.

References
----------
Wood SN, Fasiolo M (2017). A generalized Fellner-Schall method for smoothing parameter optimization
with application to Tweedie location, scale and shape models. Biometrics 73:1071-1081.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from analysis.regression_terms import LEAST_SD, MOST_SD, Design, FloatArray

#: The score at the solution is below this share of its scale.
TOLERANCE = 1e-8

_MOST_STEPS = 60


@dataclass
class Climb:
    """Where a climb stands.

    Attributes
    ----------
    b, u : float array
        Coefficients of all terms, and effects of the periods, both on the log rate.
    strengths : float array
        Of each ridge, the periods' last.
    mu : float array
        Expected faults of each row.
    value : float
        The penalised log-likelihood.
    steps : int
        Steps taken.
    score : float
        Largest component of the penalised score, as a share of its scale.
    """

    b: FloatArray
    u: FloatArray
    strengths: FloatArray
    mu: FloatArray
    value: float
    steps: int = 0
    score: float = np.inf


def climbed(design: Design, sooner: Climb | None = None) -> Climb:
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
    at = valued(design, b, np.zeros(design.n_periods), strengths)
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
            at = valued(design, at.b, at.u, given, steps=at.steps, score=at.score)
        was = at.score
        at = _stepped(design, at, step, step_u)
        if learning:
            at = valued(design, at.b, at.u, learnt, steps=at.steps)
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
        design: Design,
        products: tuple[FloatArray, FloatArray, FloatArray],
        strengths: FloatArray,
    ) -> None:
        self._design, self._given = design, strengths
        whole, self._across, own = products
        self._ridge = design.ridge(strengths)
        self._lam = float(strengths[-1]) if design.n_periods else 0.0
        self._held = own + self._lam
        # The periods have nothing to do with one another, and come out first.
        folded = folded_over(self._across, 1 / self._held)
        self._factor = linalg.cho_factor(whole + self._ridge - folded, lower=True)

    def step(self, g: FloatArray, gu: FloatArray, at: Climb) -> tuple[FloatArray, FloatArray]:
        """Return the step to where the score is nought, were the slopes the same all the way."""
        g = g - self._ridge @ at.b
        gu = gu - self._lam * at.u
        step = linalg.cho_solve(self._factor, g - (gu / self._held) @ self._across)
        return step, (gu - self._across @ step) / self._held

    def strengths(self, estimated: NDArray[np.bool_], b: FloatArray, u: FloatArray) -> FloatArray:
        """Make the next guess at the strengths of the ridges (Wood and Fasiolo)."""
        design, given = self._design, self._given
        inverse = inverse_of(self._factor)
        out = given.copy()
        for k, (place, ridge) in enumerate(design.ridges):
            if estimated[k]:
                trace = float((inverse[place, place] * ridge.matrix).sum())
                size = float(b[place] @ ridge.matrix @ b[place])
                out[k] = _bounded(len(ridge.matrix) - given[k] * trace, size, ridge.least_sd)
        if design.n_periods:
            folded = folded_over(self._across, 1 / self._held**2)
            trace = float((1 / self._held).sum() + (inverse * folded).sum())
            out[-1] = _bounded(design.n_periods - given[-1] * trace, float(u @ u), LEAST_SD)
        return out


def valued(
    design: Design,
    b: FloatArray,
    u: FloatArray,
    strengths: FloatArray,
    *,
    steps: int = 0,
    score: float = np.inf,
) -> Climb:
    """Return what a climb stands at with some coefficients and strengths."""
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
    return Climb(b, u, strengths, mu, value, steps, score)


def _stepped(design: Design, at: Climb, step: FloatArray, step_u: FloatArray) -> Climb:
    """Take a Newton step, or as much of it as goes uphill."""
    part = 1.0
    while True:
        now = valued(design, at.b + part * step, at.u + part * step_u, at.strengths)
        # Near the top a step gains less than rounding makes of the sum.
        if now.value >= at.value - 1e-9 * abs(at.value) or part < 1e-6:
            now.steps = at.steps
            return now
        part /= 2


def inverse_of(factor: tuple[FloatArray, bool]) -> FloatArray:
    """Return the inverse of a matrix by its lower factor, in a third of what solving takes.

    Raises
    ------
    numpy.linalg.LinAlgError
        Where it has none.
    """
    lower, failed = linalg.lapack.dpotri(factor[0], lower=1)
    if failed:
        raise linalg.LinAlgError("two coefficients cannot be told apart and nothing holds them")
    lower = np.tril(lower)
    return np.asarray(lower + np.tril(lower, -1).T)


def folded_over(across: FloatArray, weights: FloatArray) -> FloatArray:
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
    return float(np.clip(max(free, 1e-9) / max(size, 1e-12), 1 / MOST_SD**2, 1 / least_sd**2))


def _score(design: Design, at: Climb) -> float:
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
