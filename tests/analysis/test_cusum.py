"""Sums that watch for a worse rate: their scores, run lengths, thresholds and false alarms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from analysis import run_lengths as chains
from analysis import thresholds
from analysis.cusum import RATIOS, scores, stepped
from analysis.run_lengths import run_lengths
from analysis.thresholds import run_length_table
from tests.analysis.sums import sums_of

#: Sizes of runs relative to their mean: invented, the largest about six times the smallest.
SPREAD = np.exp((np.arange(8) - 3.5) / 4)
SPREAD /= SPREAD.mean()


@pytest.fixture(scope="module")
def poisson():
    return run_length_table(SPREAD, 0.0)


@pytest.fixture(scope="module")
def clustered():
    return run_length_table(SPREAD, 0.3)


def drawn(rng, means, variance):
    """Draw faults: Poisson, or with a gamma variable of mean 1 for each run."""
    if variance:
        means = means * rng.gamma(1 / variance, variance, np.shape(means))
    return rng.poisson(means)


# Scores


@pytest.mark.parametrize("ratio", RATIOS)
def test_scores_are_logarithms_of_likelihood_ratios(ratio):
    x, m = np.arange(12), np.array([[0.001], [0.4], [7.0]])
    poisson = stats.poisson.logpmf(x, ratio * m) - stats.poisson.logpmf(x, m)
    assert_allclose(scores(x, m, 0.0, ratio), poisson, rtol=1e-9, atol=1e-12)
    for v in (0.01, 0.3, 2.0):
        worse = stats.nbinom.logpmf(x, 1 / v, 1 / (1 + v * ratio * m))
        usual = stats.nbinom.logpmf(x, 1 / v, 1 / (1 + v * m))
        assert_allclose(scores(x, m, v, ratio), worse - usual, rtol=1e-9, atol=1e-11)


def test_scores_of_little_variance_go_over_into_poisson():
    near = scores([0, 3], [2.0, 0.1], 1.1e-7, 2.0)
    assert_allclose(near, scores([0, 3], [2.0, 0.1], 0.0, 2.0), rtol=1e-6)
    assert scores(0, 0.0, 0.3, 2.0) == 0


# Sums


def test_sums_add_scores_and_never_fall_below_nought():
    rng = np.random.default_rng(3)
    m = rng.gamma(2, 0.5, 60)
    x = drawn(rng, 1.3 * m, 0.3)
    path = sums_of(x, m, 0.3, (0.5, 0.0, 2.0))
    for column, (ratio, now) in enumerate(zip(RATIOS, (0.5, 0.0, 2.0), strict=True)):
        for place in range(60):
            g = (1 + 0.3 * ratio * m[place]) / (1 + 0.3 * m[place])
            gained = x[place] * math.log(ratio) - (x[place] + 1 / 0.3) * math.log(g)
            now = max(0.0, now + gained)
            assert path[place, column] == pytest.approx(now, rel=1e-9, abs=1e-9)
    assert path.min() == 0 and path.max() > 1


@given(st.integers(0, 2**32 - 1), st.sampled_from([0.0, 0.3]))
@settings(max_examples=30, derandomize=True, deadline=None)
def test_many_streams_step_as_each_alone(seed, variance):
    rng = np.random.default_rng(seed)
    m = rng.gamma(1, 1, (9, 4)) * (rng.random((9, 4)) > 0.3)
    x = rng.poisson(m)
    state = np.zeros((4, 3))
    for faults, expected in zip(x, m, strict=True):
        gained = scores(faults[:, None], expected[:, None], variance, RATIOS)
        state = stepped(state, gained, expected)
    alone = [sums_of(x[:, k], m[:, k], variance)[-1] for k in range(4)]
    assert_allclose(state, alone, rtol=0, atol=1e-12)


def test_a_run_that_expects_nothing_leaves_sums_as_they_are():
    before = np.array([[0.2, 1.0, 3.0]])
    gained = scores([[4]], [[0.0]], 0.3, RATIOS)
    assert gained.min() > 0
    assert stepped(before, gained, np.zeros(1)).tolist() == before.tolist()


# Run lengths


def test_a_sum_on_a_lattice_has_its_exact_run_length():
    # Hawkins 1992, Communications in Statistics 21:1001: counts of mean 2.4, reference value 3,
    # threshold 10; 548.3622657 by R's surveillance::arlCusum. The reference value of ratio 2 is 3
    # where m / ln 2 = 3. There a sum of 10 signals: 9 is the highest that does not.
    m, step = 3 * math.log(2), math.log(2)
    chances = chains.chances_of(np.array([[2.4]]), 0.0)
    runs = chains.ladder_of(np.array([m]), chances, 2.0, 0.0, step, 12)
    assert_allclose(runs[0, 9], 548.3622657, rtol=1e-9)


def test_small_runs_have_the_run_lengths_of_the_embedded_chain():
    # methods.md, section 4: by a chain embedded at faults, and by simulation.
    found = run_lengths([0.0005], [1], 0.0, 2.0, [3, 5], [1, 2])
    assert_allclose(found, [[68.6, 5.91], [588.6, 11.00]], rtol=1.5e-3)


def test_a_threshold_for_small_runs_is_too_high_for_larger_ones():
    # 200,000 streams, simulated run by run at 3.968, which gives 200 for small runs: 223.0 at 0.1 a
    # run (standard error 0.5) and 426.0 at 1.0 (0.9). There a sum takes few values, and run lengths
    # jump by several per cent between thresholds, which a lattice smooths.
    found = [run_lengths([m], [1], 0.0, 2.0, [3.968], [1])[0, 0] for m in (0.0005, 0.1, 1.0)]
    assert_allclose(found[:2], [200, 223.0], rtol=0.006)
    assert found[2] == pytest.approx(426.0, rel=0.03)


def finely(sizes, variance, ratio, threshold, true, states=1200):
    """Solve the chain on a fine lattice whose moves keep their mean alone: dense, from scipy."""
    step = threshold / (states - 0.5)
    chain = np.zeros((states, states))
    place = np.arange(states)
    for m in sizes:
        for x in range(40):
            mean = true * m
            p = stats.nbinom.pmf(x, 1 / variance, 1 / (1 + variance * mean)) / len(sizes)
            g = math.log((1 + variance * ratio * m) / (1 + variance * m))
            to = place + (x * math.log(ratio) - (x + 1 / variance) * g) / step
            low = np.floor(to).astype(int)
            for point, share in ((low, 1 - (to - low)), (low + 1, to - low)):
                kept = point < states
                np.add.at(chain, (place[kept], np.maximum(point[kept], 0)), p * share[kept])
    return np.linalg.solve(np.eye(states) - chain, np.ones(states))[0] * np.mean(sizes)


@pytest.mark.parametrize(("ratio", "true"), [(1.5, 1.0), (2.0, 0.8), (4.0, 1.3)])
def test_run_lengths_are_those_of_a_fine_lattice(ratio, true):
    sizes = 0.8 * SPREAD[::2]
    found = run_lengths(sizes, np.ones(4), 0.3, ratio, [4.5], [true])[0, 0]
    # What rounding adds to the variance of the fine chain is below 1 %.
    assert found == pytest.approx(finely(sizes, 0.3, ratio, 4.5, true), rel=0.02)


@pytest.mark.parametrize(
    ("variance", "ratio", "size", "threshold", "true"),
    [
        (0.0, 2.0, 0.5, 2.5, 1.0),
        (0.3, 2.0, 1.0, 2.5, 1.0),
        (0.0, 1.5, 1.0, 3.0, 1.5),
        (0.3, 4.0, 0.3, 3.0, 1.0),
        (0.3, 1.5, 6.0, 4.0, 2.0),
    ],
)
def test_run_lengths_are_those_of_a_simulation(variance, ratio, size, threshold, true):
    rng = np.random.default_rng(11)
    weights = np.arange(8, 0, -1)
    sizes = size * SPREAD
    number = 2500
    sums, ended = np.zeros(number), np.zeros(number)
    runs = 0
    while sums.size:
        runs += 1
        m = rng.choice(sizes, sums.size, p=weights / weights.sum())
        sums = np.maximum(sums + scores(drawn(rng, true * m, variance), m, variance, ratio), 0)
        over = sums >= threshold
        ended[np.count_nonzero(ended) :][: over.sum()] = runs
        sums = sums[~over]
    mean = float(weights @ sizes / weights.sum())
    found = run_lengths(sizes, weights, variance, ratio, [threshold], [true])[0, 0]
    error = ended.std() / math.sqrt(number) * mean
    assert found == pytest.approx(ended.mean() * mean, abs=3 * error + 0.01 * found)


def test_run_lengths_that_nobody_waits_for_are_many():
    found = run_lengths([0.5], [1], 0.0, 2.0, [8, 40, 60], [0.5, 1.0])
    assert np.isfinite(found).all() and np.all(np.diff(found, axis=0) >= 0)
    assert found[-1].min() >= 1e10


# The table


@pytest.mark.parametrize("size", [0.05, 0.5, 2.0])
def test_the_table_holds_run_lengths(clustered, size):
    # Between its mean sizes; at its own true ratios and thresholds.
    place, part = thresholds._between(np.log(clustered.sizes + 0.1), np.log(np.array([size]) + 0.1))
    levels = np.searchsorted(clustered.levels, [3.0, 5.0, 8.0])
    true = np.flatnonzero(np.isin(clustered.true_ratios, [1.0, 1.46, 2.1]))
    assert len(true) == 3
    for number, ratio in enumerate(RATIOS):
        logs = clustered.log_lengths[number, place[0] : place[0] + 2][:, true][:, :, levels]
        table = np.exp((1 - part[0]) * logs[0] + part[0] * logs[1]).T
        found = run_lengths(size * SPREAD, np.ones(8), 0.3, ratio, [3, 5, 8], [1, 1.46, 2.1])
        assert_allclose(table, found, rtol=0.05)


def test_until_a_worse_rate_is_noticed_is_the_run_length_of_the_quickest_sum(clustered):
    levels = np.array([[4.3, 5.1, 5.6], [6.2, 6.9, 7.3]])
    found = clustered.until_noticed(levels, [0.4, 2.0], 2.0)
    for row, size in enumerate((0.4, 2.0)):
        each = [
            run_lengths(size * SPREAD, np.ones(8), 0.3, ratio, [level], [2.0])[0, 0]
            for ratio, level in zip(RATIOS, levels[row], strict=True)
        ]
        assert_allclose(found[row], min(each), rtol=0.05)
    with pytest.raises(ValueError, match="true_ratio must be .* not 9"):
        clustered.until_noticed(levels, [0.4, 2.0], 9.0)
    with pytest.raises(ValueError, match="a row per mean size"):
        clustered.until_noticed(levels, [0.4], 2.0)


def test_far_run_lengths_grow_on_as_they_did(poisson):
    # At ratio 2 and 16.5, beyond what the table computes; lattice of its own in `run_lengths`.
    size = poisson.sizes[9]
    true = [1.0, 1.46, 1.8, 2.6]
    columns = [int(np.flatnonzero(poisson.true_ratios == one)[0]) for one in true]
    level = int(np.flatnonzero(poisson.levels == 16.5)[0])
    found = run_lengths(size * SPREAD, np.ones(8), 0.0, 2.0, [16.5], true)[0]
    assert_allclose(np.exp(poisson.log_lengths[1, 9, columns, level]), found, rtol=0.06)


def joint(rng, table, size, chance, expected, squared_cv, streams):
    """Simulate streams in which nothing changes: part of them that alarms, and each sum's part."""
    threshold = table.thresholds(chance, expected, size, squared_cv)[0]
    level = rng.gamma(1 / squared_cv, squared_cv, streams) if squared_cv else np.ones(streams)
    state, alarmed = np.zeros((streams, 3)), np.zeros((streams, 3), bool)
    for _ in range(round(expected / size)):
        m = size * rng.choice(SPREAD, streams)
        came = drawn(rng, level * m, table.variance)
        state = stepped(state, scores(came[:, None], m[:, None], table.variance, RATIOS), m)
        alarmed |= state >= threshold
    return alarmed.any(axis=1).mean(), alarmed.mean(axis=0)


@pytest.mark.parametrize(
    ("variance", "size", "chance", "expected", "squared_cv", "streams", "within"),
    [
        (0.0, 1.0, 0.05, 60, 0.0, 20_000, 0.12),
        (0.3, 1.0, 0.05, 100, 0.0, 12_000, 0.12),
        (0.0, 0.2, 0.05, 50, 0.0, 8_000, 0.12),
        # A level that is not known: what is joint differs more.
        (0.3, 1.0, 0.05, 60, 0.1, 12_000, 0.2),
        (0.0, 1.0, 0.05, 60, 0.03, 15_000, 0.2),
    ],
)
def test_streams_alarm_falsely_as_often_as_asked(
    poisson, clustered, variance, size, chance, expected, squared_cv, streams, within
):
    rng = np.random.default_rng(17)
    table = clustered if variance else poisson
    found, _ = joint(rng, table, size, chance, expected, squared_cv, streams)
    # Twice the error of the simulation, and what one constant for the overlap leaves.
    error = 2 * math.sqrt(chance * (1 - chance) / streams)
    assert found == pytest.approx(chance, abs=within * chance + error)


def test_each_sum_alarms_as_often_as_the_others(poisson):
    _, each = joint(np.random.default_rng(5), poisson, 1.0, 0.1, 80, 0.0, 12_000)
    wanted = -math.expm1(math.log1p(-0.1) / thresholds.KAPPA)
    assert_allclose(each, wanted, rtol=0.12)


def test_thresholds_rise_with_what_is_asked_of_them(clustered):
    by_chance = clustered.thresholds([0.2, 0.05, 0.01, 0.001], 80, 0.5)
    by_expected = clustered.thresholds(0.05, [5, 20, 80, 400, 5000], 0.5)
    by_doubt = clustered.thresholds(0.05, 80, 0.5, [0.0, 0.0005, 0.01, 0.05, 0.2])
    for rising in (by_chance, by_expected, by_doubt):
        assert np.all(np.diff(rising, axis=0) > 0)


def test_thresholds_of_many_streams_are_those_of_each_alone(poisson):
    rng = np.random.default_rng(2)
    chance, expected = rng.uniform(0.005, 0.1, 2500), rng.uniform(20, 300, 2500)
    size, doubt = rng.uniform(0.001, 40, 2500), rng.uniform(0, 0.3, 2500)
    together = poisson.thresholds(chance, expected, size, doubt)
    for place in (0, 1023, 1024, 2499):
        alone = poisson.thresholds(*(one[place] for one in (chance, expected, size, doubt)))
        assert_allclose(together[place], alone[0], rtol=1e-5)
    assert together.min() >= 0.5 and together.max() <= 100


def test_streams_of_next_to_nothing_and_of_very_much_have_thresholds(poisson):
    found = poisson.thresholds([0.5, 1e-9], [1e-6, 1e9], [1e-6, 1e3], [0, 1])
    assert found[0].tolist() == [0.5, 0.5, 0.5]
    assert np.isfinite(found).all() and found[1].min() > 20


# What is refused


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: scores(-1, 1.0, 0.0, 2.0), "faults must be 0 or more, not -1"),
        (lambda: scores(1, -0.5, 0.0, 2.0), "expected faults must be 0 or more, not -0.5"),
        (lambda: scores(1, 1.0, -0.1, 2.0), "variance between runs must be 0 or more, not -0.1"),
        (lambda: scores(1, 1.0, 0.0, 1.0), "must be above 1, not 1"),
        (lambda: scores(1, math.nan, 0.0, 2.0), "expected faults must be 0 or more, not nan"),
        (lambda: run_lengths([0.0], [1], 0.0, 2.0, [3], [1]), "above 0 expected faults, not 0"),
        (lambda: run_lengths([1.0], [1, 2], 0.0, 2.0, [3], [1]), "a weight for each"),
        (lambda: run_lengths([1.0], [0], 0.0, 2.0, [3], [1]), "one of them above 0"),
        (lambda: run_lengths([1.0], [1], 0.0, 2.0, [0], [1]), "thresholds must be above 0, not 0"),
        (lambda: run_lengths([1.0], [1], 0.0, 2.0, [3], [0]), "true_ratios must be above 0"),
        (lambda: run_length_table([], 0.0), "one or more"),
        (lambda: run_length_table([1.0], math.inf), "variance between runs"),
    ],
)
def test_what_cannot_be_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ((0.0, 50, 1, 0), "chance of a false alarm"),
        ((1.0, 50, 1, 0), "chance of a false alarm"),
        ((0.1, 0, 1, 0), "expected faults must be above 0, not 0"),
        ((0.1, 50, 0, 0), "mean size of runs must be above 0, not 0"),
        ((0.1, 50, 1, -0.1), "squared_cv"),
    ],
)
def test_thresholds_that_cannot_be_are_refused(poisson, asked, message):
    with pytest.raises(ValueError, match=message):
        poisson.thresholds(*asked)
