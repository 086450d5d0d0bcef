"""Trend tests against published values, scipy, and their definition."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import optimize, stats

from analysis.trend_tests import laplace, laplace_counts, military, own_variance, power_law

#: A system watched for 1500 hours. NIST/SEMATECH e-Handbook 8.2.3.4; value from memory.
HANDBOOK = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]

#: Three systems watched for 200 hours. Crow LH (1974); value from memory.
CROW = [
    [4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2],
    [0.1, 5.6, 18.6, 19.5, 24.2, 26.7, 45.1, 45.8, 75.7, 79.7, 98.6, 120.1, 161.8, 180.6, 190.8],
    [8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8],
]


def test_the_handbook_s_repairs() -> None:
    # z is computed by two programs; chi-square 37.2 on 20 degrees of freedom, at a level of 98.9 %,
    # is the Handbook's.
    assert_allclose(laplace(HANDBOOK, 1500).statistic, -1.327, atol=5e-4)
    chi_square = military(HANDBOOK, 1500)
    assert_allclose(chi_square.statistic, 37.2, atol=0.05)
    assert_allclose(1 - chi_square.p / 2, 0.989, atol=5e-4)


def test_crow_s_three_systems() -> None:
    found = power_law(CROW, [200, 200, 200])
    assert_allclose([found.shape, found.scale], [0.615, 0.461], atol=5e-4)
    assert_allclose(found.unbiased, 0.598, atol=5e-4)
    assert found.events == 36
    # 2 N b / (likeliest b) is chi-square with 2 N degrees of freedom.
    low, high = stats.chi2.ppf([0.025, 0.975], 72) * found.shape / 72
    assert_allclose([found.low, found.high], [low, high], rtol=1e-10)


def test_systems_watched_for_different_times_by_a_search_of_scipy() -> None:
    ends = [200.0, 150.0, 400.0]
    systems = [np.array([t for t in one if t <= end]) for one, end in zip(CROW, ends, strict=True)]
    events = np.concatenate(systems)

    def worse(at: np.ndarray) -> float:
        shape, scale = np.exp(at)
        log = np.log(scale * shape) + (shape - 1) * np.log(events)
        return float(scale * sum(end**shape for end in ends) - log.sum())

    best = optimize.minimize(worse, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9})
    found = power_law(systems, ends)
    assert_allclose(np.log([found.shape, found.scale]), best.x, atol=1e-4)


def test_a_watch_that_ends_at_the_last_event_leaves_it_out() -> None:
    assert laplace([10, 30, 90]) == laplace([10, 30], 90)
    assert military([10, 30, 90]) == military([10, 30], 90)


def test_p_values_are_right_where_there_is_no_trend() -> None:
    rng = np.random.default_rng(1)
    drawn = rng.uniform(0, 100, (2000, 8))
    for test, exact in ((laplace, False), (military, True)):
        p = np.array([test(times, 100).p for times in drawn])
        # Three standard errors of 2000 draws; Laplace's is nearly normal from few events on.
        for level in (0.05, 0.5):
            error = 3 * math.sqrt(level * (1 - level) / 2000)
            assert abs((p < level).mean() - level) < error + (0 if exact else 0.005)


def test_counts_at_even_ages_give_laplace_s_own_test() -> None:
    # Each event in a cell of its own, as much expected in every cell.
    cells = np.arange(1500) + 0.5
    faults = np.zeros(1500)
    faults[np.array(HANDBOOK) - 1] = 1
    found = laplace_counts(faults, np.ones(1500), cells)
    assert_allclose(found.statistic, laplace(np.array(HANDBOOK) - 0.5, 1500).statistic, rtol=1e-6)


def test_counts_give_the_score_test_of_a_regression() -> None:
    rng = np.random.default_rng(2)
    thing = np.repeat([0, 1, 2], 40)
    age, expected = rng.uniform(0, 1e6, 120), rng.uniform(0.2, 2, 120)
    faults = rng.poisson(expected * np.array([1, 3, 0.5])[thing]).astype(float)
    levels = np.eye(3)[thing]
    fit = sm.GLM(faults, levels, family=sm.families.Poisson(), offset=np.log(expected)).fit()
    score = age @ (faults - fit.mu)
    # Information of the slope with the levels taken out.
    design = np.column_stack([levels, age / 1e6])
    information = np.linalg.inv(design.T @ (design * fit.mu[:, None]))[-1, -1]
    found = laplace_counts(faults, expected, age, thing)
    assert_allclose(found.statistic, score / 1e6 * math.sqrt(information), rtol=1e-7)
    assert_allclose(found.p, 2 * stats.norm.sf(abs(found.statistic)), rtol=1e-9)
    # Runs that differ make it smaller, unknown ages change nothing.
    wider = laplace_counts(
        np.append(faults, 9),
        np.append(expected, 1),
        np.append(age, np.nan),
        np.append(thing, 0),
        dispersion=4,
    )
    assert_allclose(wider.statistic, found.statistic / 2, rtol=1e-9)


def test_nothing_to_go_by_gives_no_trend() -> None:
    assert laplace_counts([], [], []) == (0, 1)
    assert laplace_counts([3, 4], [1, 1], [5, 5]) == (0, 1)


def test_the_share_of_age_that_is_its_own_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(3)
    size = 300
    month, thing = rng.integers(0, 6, size) + 100, rng.integers(0, 5, size)
    air = rng.normal(45, 10, (size, 2))
    age = 0.5 * month + thing * 0.3 + 0.05 * air[:, 0] + rng.normal(0, 1, size)
    weights = rng.uniform(0.1, 2, size)
    air[rng.uniform(size=size) < 0.3, 0] = np.nan
    known = np.isfinite(air[:, 0])
    design = np.column_stack(
        [np.eye(6)[month - 100], np.eye(5)[thing], np.where(known, air[:, 0], 0), known, air[:, 1]]
    )
    root = np.sqrt(weights)
    left = np.linalg.lstsq(design * root[:, None], age * root, rcond=None)[1]
    rest = (
        age * root
        - design
        * root[:, None]
        @ np.linalg.lstsq(design * root[:, None], age * root, rcond=None)[0]
    )
    assert left.size == 0 or left[0] > 0
    whole = weights @ (age - np.average(age, weights=weights)) ** 2
    found = own_variance(age, month, thing, air, weights)
    assert_allclose(found, rest @ rest / whole, rtol=1e-6)
    # Rows of unknown age, or that weigh nothing, say nothing.
    again = own_variance(
        np.append(age, [np.nan, 1e9]),
        np.append(month, [1, 2]),
        np.append(thing, [0, 1]),
        np.vstack([air, [[1, 1], [1, 1]]]),
        np.append(weights, [1, 0]),
    )
    assert_allclose(again, found, rtol=1e-9)


def test_staggered_fittings_tell_age_from_time() -> None:
    month = np.tile(np.arange(24), 4)
    thing = np.repeat(np.arange(4), 24)
    together = month * 1e5
    assert own_variance(together, month, thing) == 0
    staggered = (month + 6 * thing) % 24 * 1e5
    assert own_variance(staggered, month, thing) > 0.5
    assert math.isnan(own_variance([np.nan], [0], [0]))
    assert math.isnan(own_variance([5, 5], [0, 1], [0, 1]))


def test_what_cannot_be_is_said() -> None:
    with pytest.raises(ValueError, match="there are 1 systems but 2 ends"):
        power_law([[1, 2]], [5, 6])
    with pytest.raises(ValueError, match="two events or more"):
        power_law([[1], []], [5, 6])
    with pytest.raises(
        ValueError, match="an event must lie above 0 and up to the end, 5, not at 6"
    ):
        laplace([1, 6], 5)
    with pytest.raises(ValueError, match="the end of what was watched must be above 0, not 0"):
        military([1], 0)
    with pytest.raises(ValueError, match="two events or more are needed where the watch ends"):
        laplace([1])
    with pytest.raises(ValueError, match="one event or more is needed"):
        laplace([], 5)
    with pytest.raises(ValueError, match="must be of one length"):
        laplace_counts([1], [1, 2], [1])
