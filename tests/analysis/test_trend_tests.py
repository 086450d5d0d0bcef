"""Trend tests against published values, scipy, and their definition."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import stats

from analysis.trend_tests import laplace_counts, own_variance

#: Hours of repairs, watched for 1500. NIST/SEMATECH e-Handbook 8.2.3.4; values from memory.
HANDBOOK = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]


def test_the_handbook_s_repairs() -> None:
    # As much expected at every hour; half an hour at each end.
    hours, expected, faults = np.arange(1501), np.ones(1501), np.zeros(1501)
    expected[[0, -1]] = 0.5
    faults[HANDBOOK] = 1
    found = laplace_counts(faults, expected, hours)
    # Computed by two programs.
    assert_allclose(found.statistic, -1.327, atol=5e-4)
    # Laplace's test as books have it: the mean time of events against the middle of the watch.
    z = (np.mean(HANDBOOK) - 750) / (1500 / math.sqrt(12 * len(HANDBOOK)))
    assert_allclose(found.statistic, z, rtol=1e-5)


def test_p_values_are_right_where_there_is_no_trend() -> None:
    rng = np.random.default_rng(1)
    ages = np.arange(100) + 0.5
    drawn = rng.multinomial(8, np.full(100, 0.01), 2000)
    p = np.array([laplace_counts(faults, np.ones(100), ages).p for faults in drawn])
    # Three standard errors of 2000 draws; the statistic is nearly normal from few faults on.
    for level in (0.05, 0.5):
        error = 3 * math.sqrt(level * (1 - level) / 2000)
        assert abs((p < level).mean() - level) < error + 0.005


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
    with pytest.raises(ValueError, match="must be of one length"):
        laplace_counts([1], [1, 2], [1])
