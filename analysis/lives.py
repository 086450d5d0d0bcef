"""How long do parts of a kind last?

Lives that ended for cause (worn, broken) count as lives; those that have not ended yet, or ended
for another reason (planned, another part's work), are known only to be longer: *censored*. Two
pictures of them: `kaplan_meier`, which supposes nothing about how lives are spread, and `weibull`,
which says by its shape whether parts wear out (above 1), fail at any age alike (1) or mostly young
(below 1).

References
----------
Kaplan EL, Meier P (1958). Nonparametric estimation from incomplete observations. Journal of the
American Statistical Association 53:457-481.
Greenwood M (1926). The natural duration of cancer. Reports on Public Health and Medical Subjects
33, London.
Kalbfleisch JD, Prentice RL (1980). The Statistical Analysis of Failure Time Data. Wiley. (Limits on
the scale of log(-log), which stay between 0 and 1.)
Lawless JF (2003). Statistical Models and Methods for Lifetime Data. Wiley, second edition.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analysis.words import two_digits

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Weibull:
    """Lives as a Weibull distribution has them: a share exp(-(t / scale)^shape) lasts beyond t.

    Attributes
    ----------
    shape, shape_low, shape_high : float
        Above 1: parts wear out. With its profile likelihood interval.
    scale, scale_low, scale_high : float
        Life that 37 % outlast, in the unit of the lives, with its profile likelihood interval.
    log_likelihood : float
        At the likeliest shape and scale.
    ended, censored : int
        Lives that ended for cause; lives known only to be longer.
    confidence : float
        Of the intervals, each by itself.
    """

    shape: float
    shape_low: float
    shape_high: float
    scale: float
    scale_low: float
    scale_high: float
    log_likelihood: float
    ended: int
    censored: int
    confidence: float

    def outlasted_by(self, share: float) -> float:
        """Return the age that this share of parts outlasts: 0.5 for the middle one, 0.9 for most.

        Raises
        ------
        ValueError
            For a share that is not above 0 and below 1.
        """
        if not 0 < share < 1:
            raise ValueError(f"share must be above 0 and below 1, not {share:g}")
        return float(self.scale * (-math.log(share)) ** (1 / self.shape))

    def sentence(self, unit: str = "feeds") -> str:
        """Say how long half of them last and whether they wear out."""
        if self.shape_low > 1:
            how = "they wear out"
        elif self.shape_high < 1:
            how = "they fail mostly when new"
        else:
            how = "whether they wear out cannot be told yet"
        return (
            f"Half of them last about {two_digits(self.outlasted_by(0.5))} {unit} or longer, nine "
            f"of ten {two_digits(self.outlasted_by(0.9))}; {how} (shape {two_digits(self.shape)}, "
            f"{two_digits(self.shape_low)} to {two_digits(self.shape_high)}). Of "
            f"{self.ended + self.censored} lives {self.ended} ended for cause."
        )


@dataclass(frozen=True)
class KaplanMeier:
    """Share of parts that outlasts each age.

    Attributes
    ----------
    times : float array
        Ages at which a life ended, rising.
    surviving, low, high : float array
        Share that lasts beyond each, with limits by Greenwood's variance on the scale of log(-log);
        where none is left the upper limit is NaN.
    at_risk, ended : int array
        Parts that came to that age; lives that ended at it.
    censored : int
        Lives known only to be longer.
    confidence : float
        Of the limits, at one age.
    """

    times: FloatArray
    surviving: FloatArray
    low: FloatArray
    high: FloatArray
    at_risk: NDArray[np.int64]
    ended: NDArray[np.int64]
    censored: int
    confidence: float

    def outlasted_by(self, share: float) -> float:
        """Return the first age beyond which at most this share lasts; infinite when none is.

        Raises
        ------
        ValueError
            For a share that does not lie between 0 and 1.
        """
        if not 0 < share < 1:
            raise ValueError(f"share must be above 0 and below 1, not {share:g}")
        # A share that is met to the last digit but one counts as met.
        reached = np.flatnonzero(self.surviving <= share * (1 + 1e-12))
        return float(self.times[reached[0]]) if reached.size else math.inf

    def sentence(self, unit: str = "feeds") -> str:
        """Say how long half of them last, as far as is known."""
        ended = int(self.ended.sum())
        lives = f"Of {ended + self.censored} lives {ended} ended for cause."
        half = self.outlasted_by(0.5)
        if math.isfinite(half):
            return f"Half of them last {two_digits(half)} {unit} or longer. {lives}"
        if not ended:
            return f"None has ended for cause yet. {lives}"
        return (
            f"More than half of them last longer than {two_digits(float(self.times[-1]))} {unit}. "
            f"{lives}"
        )


def weibull(times: ArrayLike, ended: ArrayLike, *, confidence: float = 0.95) -> Weibull:
    """How long do such parts last, and do they wear out?

    Parameters
    ----------
    times : array_like, one per part
        Age when the life ended or was last known to go on; above 0; any unit.
    ended : array_like of bool
        Whether it ended for cause; otherwise it is known only to be longer.
    confidence : float
        Of the intervals.

    Raises
    ------
    ValueError
        For ages that are not above 0, lengths that differ, or fewer than two lives that ended for
        cause at different ages, which no shape can be told from.
    """
    t, d = _checked(times, ended, confidence)
    if np.unique(t[d]).size < 2:
        raise ValueError(
            "two lives or more that ended for cause, at different ages, are needed to tell a shape"
        )
    # In units of a typical life, so that powers stay small.
    typical = float(np.exp(np.log(t[d]).mean()))
    log = np.log(t / typical)
    count = int(d.sum())

    def scaled(shape: float) -> float:
        """Return the logarithm of the likeliest scale to the power of a shape."""
        top = float((shape * log).max())
        return top + math.log(float(np.exp(shape * log - top).sum()) / count)

    def fits(shape: float, of_scale: float) -> float:
        """Return the log-likelihood at a shape and a logarithm of scale, in units of typical."""
        return float(
            count * (math.log(shape) - shape * of_scale)
            + (shape - 1) * log[d].sum()
            - np.exp(np.minimum(shape * (log - of_scale), 600.0)).sum()
        )

    def by_shape(log_shape: float) -> float:
        shape = math.exp(log_shape)
        return fits(shape, scaled(shape) / shape)

    def score(log_shape: float) -> float:
        shape = math.exp(log_shape)
        weight = np.exp(shape * log - (shape * log).max())
        return float(1 / shape + log[d].mean() - (weight @ log) / weight.sum())

    from scipy import optimize  # asked for seldom; the import costs every start

    best = float(optimize.brentq(score, *_bracket(score), xtol=1e-13))
    shape = math.exp(best)
    of_scale = scaled(shape) / shape
    top = fits(shape, of_scale)
    drop = 0.5 * float(special.ndtri(0.5 + 0.5 * confidence)) ** 2

    def by_scale(value: float) -> float:
        """Return the highest log-likelihood over all shapes at a logarithm of scale."""
        found = optimize.minimize_scalar(
            lambda b: -fits(math.exp(b), value),
            bounds=(best - 4, best + 4),
            method="bounded",
            options={"xatol": 1e-6},
        )
        return -float(found.fun)

    def end(profile: Callable[[float], float], start: float, step: float) -> float:
        far = start + step
        while profile(far) > top - drop:
            far += step
            if abs(far - start) > 60:
                return math.copysign(math.inf, step)
        return float(optimize.brentq(lambda v: profile(v) - top + drop, start, far, xtol=1e-8))

    step = 1 / math.sqrt(count)
    return Weibull(
        shape=shape,
        shape_low=math.exp(end(by_shape, best, -step)),
        shape_high=math.exp(end(by_shape, best, step)),
        scale=typical * math.exp(of_scale),
        scale_low=typical * math.exp(end(by_scale, of_scale, -step / shape)),
        scale_high=typical * math.exp(end(by_scale, of_scale, step / shape)),
        log_likelihood=top - count * math.log(typical),
        ended=count,
        censored=int(t.size - count),
        confidence=confidence,
    )


def kaplan_meier(times: ArrayLike, ended: ArrayLike, *, confidence: float = 0.95) -> KaplanMeier:
    """How large a share of such parts lasts beyond each age?

    Parameters
    ----------
    times : array_like, one per part
        Age when the life ended or was last known to go on; above 0; any unit.
    ended : array_like of bool
        Whether it ended for cause. A life that is censored at an age at which another ended is
        taken to have been at risk there.
    confidence : float
        Of the limits.

    Raises
    ------
    ValueError
        For ages that are not above 0, lengths that differ, or no part at all.
    """
    t, d = _checked(times, ended, confidence)
    at = np.unique(t[d])
    at_risk = np.array([(t >= one).sum() for one in at], dtype=np.int64)
    dead = np.array([((t == one) & d).sum() for one in at], dtype=np.int64)
    surviving: FloatArray = np.cumprod(1 - dead / at_risk, dtype=np.float64)
    left = (at_risk - dead).astype(np.float64)
    # Where all have ended, nothing is left to vary.
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(dead / (at_risk * left))
        wide = float(special.ndtri(0.5 + 0.5 * confidence)) * np.sqrt(greenwood)
        wide = wide / np.abs(np.log(surviving))
        low, high = surviving ** np.exp(wide), surviving ** np.exp(-wide)
    none = surviving == 0
    return KaplanMeier(
        times=at,
        surviving=surviving,
        low=np.where(none, 0.0, low),
        high=np.where(none, np.nan, high),
        at_risk=at_risk,
        ended=dead,
        censored=int(t.size - d.sum()),
        confidence=confidence,
    )


def _bracket(score: Callable[[float], float]) -> tuple[float, float]:
    """Return logarithms of shapes with the likeliest between them."""
    low, high = -1.0, 1.0
    while score(low) < 0:
        low -= 1.0
    while score(high) > 0 and high < 12:
        high += 1.0
    return low, high


def _checked(times: ArrayLike, ended: ArrayLike, confidence: float) -> tuple[FloatArray, BoolArray]:
    """Return ages and which lives ended; raise ValueError for what cannot be."""
    t = np.asarray(times, dtype=np.float64)
    d = np.asarray(ended, dtype=np.bool_)
    if t.ndim != 1 or t.shape != d.shape:
        raise ValueError("times and ended must be of one length")
    if not t.size:
        raise ValueError("no part was given; give the age of one at least")
    bad = np.flatnonzero(~((t > 0) & np.isfinite(t)))
    if bad.size:
        raise ValueError(f"ages must be above 0; part {bad[0]}, counted from 0, has {t[bad[0]]:g}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, not {confidence:g}")
    return t, d
