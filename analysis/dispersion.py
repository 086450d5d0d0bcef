"""Do runs differ more than chance explains?

Two looks at it that are reported beside the spread that ranges allow for (`analysis.spread`), and
not used.

References
----------
Tarone RE (1979). Testing the goodness of fit of the binomial distribution. Biometrika 66:585-590.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis import intervals
from analysis.spread import FloatArray, checked_runs
from analysis.words import many

EXPECTED_FOR_PEARSON = 5.0
"""Expected faults per run below which Pearson's dispersion is reported but not used."""


@dataclass(frozen=True)
class PearsonDispersion:
    """Pearson's chi-square per degree of freedom, as a measure of clustering.

    Attributes
    ----------
    value : float
        1 where runs differ as chance has it; NaN where no run is left to judge by.
    degrees : int
        Degrees of freedom.
    expected_per_run : float
        Mean expected faults of a run.
    """

    value: float
    degrees: int
    expected_per_run: float

    @property
    def usable(self) -> bool:
        """Whether runs have faults enough (5 expected) for it to be used and not only reported."""
        return self.degrees > 0 and self.expected_per_run >= EXPECTED_FOR_PEARSON

    def sentence(self) -> str:
        """Say it in one plain sentence."""
        if self.degrees < 1:
            return "There are too few runs to say how much they differ."
        text = f"Runs differ {self.value:.2f} times as much as chance alone has it"
        if self.usable:
            return text + "."
        return text + f"; with {self.expected_per_run:.2g} expected faults a run this is a guess."


def pearson_dispersion(
    faults: ArrayLike, expected: ArrayLike, *, fitted: int = 1
) -> PearsonDispersion:
    """How much do runs differ, by Pearson's chi-square over its degrees of freedom?

    Parameters
    ----------
    faults, expected : array_like
        One entry per tower and run. Runs where nothing is expected are left out.
    fitted : int
        Number of rates fitted to these faults.

    Returns
    -------
    PearsonDispersion
        Do not use it below 5 expected faults per run: the chi-square then is mostly made of single
        faults in tiny runs.

    Raises
    ------
    ValueError
        Where shapes differ, or numbers are negative or missing.

    Examples
    --------
    >>> pearson_dispersion([4, 6, 8, 2], [5, 5, 5, 5]).value
    1.3333333333333333
    """
    x, mu = checked_runs(faults, expected, "expected")
    some = mu > 0
    degrees = int(some.sum()) - fitted
    if degrees < 1:
        return PearsonDispersion(
            float("nan"), max(degrees, 0), float(mu.mean()) if mu.size else 0.0
        )
    value = float(((x[some] - mu[some]) ** 2 / mu[some]).sum() / degrees)
    return PearsonDispersion(value, degrees, float(mu[some].mean()))


@dataclass(frozen=True)
class TaroneTest:
    """Whether runs differ more than one binomial rate for all of them explains.

    Attributes
    ----------
    z : float
        Standard normal where there is one rate for all runs; NaN where nothing can be said.
    p_value : float
        Of the one-sided test against clustering.
    runs, faults, feeds : int
        What it rests on.
    """

    z: float
    p_value: float
    runs: int
    faults: int
    feeds: int

    def sentence(self) -> str:
        """Say it in one plain sentence."""
        if np.isnan(self.z):
            faults = many(self.faults, "fault")
            return f"{faults} in {many(self.runs, 'run')} cannot show whether runs differ."
        differ = "differ more than" if self.p_value <= 0.05 else "need not differ by more than"
        return f"Runs {differ} chance explains (p = {self.p_value:.2g}, {many(self.runs, 'run')})."


def tarone_z(faults: ArrayLike, feeds: ArrayLike) -> TaroneTest:
    """Do runs differ more than one rate for all of them explains?

    Parameters
    ----------
    faults, feeds : array_like
        One entry per run. Runs without feeds are left out.

    Returns
    -------
    TaroneTest
        With NaN for z and p where there is no fault, nothing but faults, or no run of two feeds.

    Raises
    ------
    ValueError
        Where shapes differ, numbers are negative or missing, or faults exceed feeds.

    Notes
    -----
    Tarone 1979: Z = (S - sum n) / sqrt(2 sum n(n - 1)) with S = sum (x - n p)^2 / (p q), the score
    test of no extra variation against the beta-binomial. The normal approximation is poor where the
    log holds a handful of faults only.

    Examples
    --------
    >>> tarone_z([0, 4, 1, 0, 5, 2, 0, 0], [50_000] * 8).sentence()
    'Runs differ more than chance explains (p = 0.0038, 8 runs).'
    """
    x, n = _checked_faults_and_feeds(faults, feeds)
    sums = {"runs": int(x.size), "faults": int(x.sum()), "feeds": int(n.sum())}
    pairs = 2 * float((n * (n - 1)).sum())
    if pairs <= 0 or not 0 < x.sum() < n.sum():
        return TaroneTest(float("nan"), float("nan"), **sums)
    p = x.sum() / n.sum()
    excess = float(((x - n * p) ** 2 / (p * (1 - p)) - n).sum())
    z = excess / np.sqrt(pairs)
    return TaroneTest(float(z), float(special.ndtr(-z)), **sums)


def _checked_faults_and_feeds(faults: ArrayLike, feeds: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, n = checked_runs(faults, feeds, "feeds")
    intervals.check_counts(x, n)
    return x[n > 0], n[n > 0]
