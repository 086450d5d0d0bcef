"""Pictures of a rise against other programs, their definition by hand, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import optimize, stats

from analysis.wear_shape import shape
from tests.slow.wear import fleet, pictures

#: Three systems watched for 200 hours. Crow LH (1974); value from memory.
CROW = [
    [4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2],
    [0.1, 5.6, 18.6, 19.5, 24.2, 26.7, 45.1, 45.8, 75.7, 79.7, 98.6, 120.1, 161.8, 180.6, 190.8],
    [8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8],
]


def gain(faults: np.ndarray, mean: np.ndarray, thing: np.ndarray) -> float:
    """Return the Poisson log-likelihood of means, each thing's scaled to its faults, by scipy."""
    total = 0.0
    for one in np.unique(thing):
        mine = thing == one
        scaled = mean[mine] * faults[mine].sum() / mean[mine].sum()
        total += stats.poisson.logpmf(faults[mine], scaled).sum()
    return float(total)


def two_bins() -> tuple[np.ndarray, ...]:
    drawn = fleet(np.random.default_rng(3), 2, 2, variance=0.0, runs=80)
    return drawn.faults, drawn.expected, drawn.feeds, drawn.age, drawn.thing, drawn.when


def test_steady_wear_is_a_regression_of_statsmodels() -> None:
    x, m, f, a, k, _ = two_bins()
    design = np.column_stack([np.eye(2)[k], (a + f / 2) / 1e5])
    family = sm.families.Poisson()
    fit = sm.GLM(x, design, family=family, offset=np.log(m)).fit()
    none = sm.GLM(x, design[:, :2], family=family, offset=np.log(m)).fit()
    found = shape(x, m, f, a, k)
    assert_allclose(math.log(found.ratio), fit.params[2], rtol=1e-4)
    assert_allclose(found.steady, fit.llf - none.llf, rtol=1e-6)
    assert math.isnan(found.at_once) and math.isnan(found.step)


def test_the_power_law_is_what_a_search_of_scipy_finds() -> None:
    x, m, f, a, k, _ = two_bins()

    def worse(power: float) -> float:
        return -gain(x, m / f * ((a + f) ** power - a**power), k)

    best = optimize.minimize_scalar(worse, bounds=(0.2, 8), method="bounded")
    found = shape(x, m, f, a, k)
    assert_allclose(found.power, best.x, rtol=1e-3)
    assert_allclose(found.power_law, -best.fun - gain(x, m, k), rtol=1e-6)
    # A part that is fitted now begins at an age of 0, of which no logarithm is taken.
    a[0] = 0.0
    assert math.isfinite(shape(x, m, f, a, k).power_law)


def test_the_power_law_of_crow_s_three_systems() -> None:
    ends, faults, thing = [], [], []
    for number, hours in enumerate(CROW):
        # A sliver of time up to each event, and what lies between them.
        edges = np.sort([*hours, *(np.array(hours) - 1e-6), 200.0])
        ends.append(edges)
        faults.append(np.isin(edges, hours).astype(float))
        thing.append(np.full(edges.size, number))
    begin = np.concatenate([[0.0, *edges[:-1]] for edges in ends])
    lasted = np.concatenate(ends) - begin
    found = shape(np.concatenate(faults), lasted, lasted, begin, np.concatenate(thing))
    assert found.count == 36
    assert_allclose(found.power, 0.615, atol=5e-4)
    # The scale that goes with it, and the power that is right on average.
    assert_allclose(36 / (3 * 200**found.power), 0.461, atol=5e-4)
    assert_allclose(found.power * 35 / 36, 0.598, atol=5e-4)


def test_a_change_at_once_that_is_worked_out_by_hand() -> None:
    # 4 faults in each of three runs, then 16 in each of three; ages are back at 0 at the fourth.
    x = np.array([4.0, 4, 4, 16, 16, 16])
    found = shape(x, np.full(6, 4.0), np.ones(6), [0, 1, 2, 0, 1, 2], when=range(6))
    by_moment = []
    for first in range(1, 6):
        before, after = x[:first].mean(), x[first:].mean()
        means = np.where(np.arange(6) < first, before, after)
        by_moment.append((x * np.log(means / 10)).sum())
    assert_allclose(found.step, 4, rtol=1e-6)
    assert found.since == 3
    # Averaged over moments: each weighs what is expected in the runs beside it, and the runs at the
    # ends count wholly for theirs.
    weight = np.array([2, 2, 2, 2, 2])
    assert_allclose(found.at_once, math.log(weight @ np.exp(by_moment) / weight.sum()), rtol=1e-6)
    assert found.steady < 1e-6
    assert found.better == "at once"


def test_a_change_at_once_in_several_bins_is_a_search_of_scipy() -> None:
    x, m, f, a, k, t = two_bins()
    t = np.round(t / t.max() * 9)
    best = -math.inf
    for moment in range(1, 10):
        late = t >= moment
        fit = optimize.minimize_scalar(
            lambda log, late=late: -gain(x, m * np.exp(log * late), k),
            bounds=(-6, 6),
            method="bounded",
        )
        if -fit.fun > best:
            best, at, step = -fit.fun, moment, math.exp(fit.x)
    found = shape(x, m, f, a, k, when=t)
    assert found.since == at
    assert_allclose(found.step, step, rtol=1e-4)
    assert found.at_once <= best - gain(x, m, k)


def test_clusters_divide_what_is_gained() -> None:
    x, m, f, a, k, t = two_bins()
    run = np.tile(np.arange(80), 2)
    found = shape(x, m, f, a, k, when=t, run=run)
    wide = shape(x, m, f, a, k, when=t, run=run, variance=0.5)
    level = np.array([x[k == one].sum() / m[k == one].sum() for one in (0, 1)])
    fitted = np.bincount(run, weights=m * level[k])
    phi = 1 + 0.5 * (fitted**2).sum() / fitted.sum()
    assert_allclose(wide.steady, found.steady / phi, rtol=1e-9)
    assert_allclose(wide.power_law, found.power_law / phi, rtol=1e-9)
    assert wide.at_once < found.at_once


def test_what_changed_at_once_is_told_from_what_wears() -> None:
    rng = np.random.default_rng(21)
    # What tests/slow/wear.py finds at length, within three errors of so few draws.
    at_once = pictures(rng, 40, worn=False, step=3.0)
    assert at_once.get("at once", 0) > 0.9
    assert at_once.get("steady, sure", 0) + at_once.get("power law, sure", 0) < 0.15
    steady = pictures(rng, 40, worn=True)
    assert steady.get("at once, sure", 0) < 0.1
    assert steady.get("steady", 0) + steady.get("power law", 0) > 0.9
    nothing = pictures(rng, 40, worn=False)
    assert nothing.get("none", 0) > 0.7


def test_sentences() -> None:
    age = np.arange(12) * 1e5
    flat = shape([5] * 12, [5] * 12, [1e5] * 12, age, when=range(12))
    assert (flat.better, flat.sure) == ("none", False)
    assert flat.sentence() == "By 60 faults nothing shows that they become more with age."
    rises = shape(np.round(20 * np.exp(0.15 * np.arange(12))), [20] * 12, [1e5] * 12, age)
    assert rises.sentence().startswith("By 622 faults the rate changed steadily (1.16 times for")
    stepped = shape(
        [20] * 8 + [80] * 8, [20] * 16, [1e5] * 16, np.tile(np.arange(4) * 1e5, 4), when=range(16)
    )
    assert stepped.sure
    assert stepped.sentence() == (
        "By 800 faults the rate changed at once rather than with age (4.0 times)."
    )
    none = shape([], [], [], [])
    assert none.better == "none" and none.count == 0


def test_what_cannot_be_is_said() -> None:
    with pytest.raises(ValueError, match="must be of one length"):
        shape([1], [1], [1], [1, 2])
    with pytest.raises(ValueError, match="faults must be 0 or more; row 0, counted from 0, has -1"):
        shape([-1], [1], [1], [1])
    with pytest.raises(ValueError, match="age must be 0 or more"):
        shape([1], [1], [1], [-1])
    with pytest.raises(ValueError, match="variance between runs must be 0 or more, not -1"):
        shape([1, 2], [1, 1], [1, 1], [1, 2], variance=-1)
