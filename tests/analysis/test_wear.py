"""Slopes of wear against a regression of another program, brute force, and simulated fleets."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from analysis import wear, wear_evidence
from analysis.wear import slopes
from analysis.wear_forecasts import Range, limit_age, rate_now
from tests.slow.wear import RATIO, SLOPE, fleet, simulate, wear_of


def rows(
    rng: np.random.Generator, slope: list[float], faults: float, runs: int = 60
) -> tuple[np.ndarray, ...]:
    """Return faults, expected, age and thing; slopes are per feed, parts live a million feeds."""
    things = len(slope)
    age = rng.uniform(0, 1e6, (things, runs))
    expected = rng.uniform(0.5, 1.5, (things, runs)) * faults / runs
    count = rng.poisson(expected * np.exp(np.array(slope)[:, None] * age))
    thing = np.repeat(np.arange(things), runs)
    return count.ravel().astype(float), expected.ravel(), age.ravel(), thing


# One thing by itself. -----------------------------------------------------------------------------


def test_with_many_faults_it_is_the_slope_of_a_regression_of_statsmodels() -> None:
    x, m, a, k = rows(np.random.default_rng(1), [8e-7, -5e-7], 20_000)
    found = slopes(x, m, a, k, 2)
    for thing in (0, 1):
        mine = k == thing
        fit = sm.GLM(
            x[mine],
            sm.add_constant(a[mine] / 1e5),
            family=sm.families.Poisson(),
            offset=np.log(m[mine]),
        ).fit()
        # What is known beforehand moves it by hundredths of its error where there is so much.
        assert abs(math.log(found.ratio[thing]) - fit.params[1]) < 0.05 * fit.bse[1]
        wide = math.log(found.high[thing] / found.low[thing])
        assert_allclose(wide, 2 * 1.959964 * fit.bse[1], rtol=0.02)


def test_a_level_of_its_own_is_no_wear() -> None:
    x, m, a, k = rows(np.random.default_rng(2), [0.0, 0.0, 0.0], 100)
    found = slopes(x, m, a, k, 3)
    # One bin has ten times the faults at any age, which is the same as a tenth expected.
    other = slopes(x, np.where(k == 1, m / 10, m), a, k, 3)
    for name in ("ratio", "low", "high", "pooled", "departs"):
        assert_allclose(getattr(other, name), getattr(found, name), rtol=1e-9)
    # A bin whose part has always had the same age says nothing of a slope.
    flat = slopes(x, m, np.where(k == 1, 5e5, a), k, 3)
    none = slopes(x[k != 1], m[k != 1], a[k != 1], k[k != 1], 3)
    assert_allclose(flat.ratio, none.ratio, rtol=1e-3)


def test_runs_that_differ_widen_ranges_as_their_variance_says() -> None:
    # Ten rows in each of 12 runs, each run at one age.
    rng = np.random.default_rng(3)
    run = np.repeat(np.arange(12), 10)
    age = rng.uniform(0, 1e6, 12)[run]
    expected = np.full(120, 20.0)
    scores = []
    mean = age.mean()
    variance = 0.2
    for _ in range(3000):
        x = rng.poisson(expected * rng.gamma(1 / variance, variance, 12)[run])
        scores.append(x @ (age - mean))
    poisson = 20 * ((age - mean) ** 2).sum()
    found = slopes(expected, expected, age, np.zeros(120, int), 1, run=run, variance=variance)
    # Standard error of a variance of 3000 draws is 2.6 %, a little more for gamma rates.
    assert_allclose(found.dispersion, np.var(scores) / poisson, rtol=0.08)
    alone = slopes(expected, expected, age, np.zeros(120, int), 1)
    wider = math.log(found.high[0] / found.low[0]) / math.log(alone.high[0] / alone.low[0])
    assert_allclose(wider, math.sqrt(found.dispersion[0]), rtol=0.1)


# Drawing things to one another. -------------------------------------------------------------------


def by_brute_force(x, m, a, k, things: int) -> np.ndarray:
    """Return mean slopes of things and the middle of the common one, per typical age.

    The model as the docstring has it, on an even grid of 0.05, one loop for each of its parts.
    """
    grid = np.arange(-6, 6.025, 0.05)
    log = np.zeros((things, grid.size))
    for thing in range(things):
        mine = k == thing
        for g, z in enumerate(grid):
            share = m[mine] * np.exp(z * a[mine])
            log[thing, g] = (x[mine] * np.log(share / share.sum())).sum()
    like = np.exp(log - log.max(axis=1, keepdims=True))
    wide = stats.norm.pdf(grid[None, :], grid[:, None], wear._UNLIKE)
    wide /= wide.sum(axis=1, keepdims=True)
    means, common = np.zeros(things), np.zeros(grid.size)
    before = stats.norm.pdf(grid, 0, wear._COMMON)
    for width in wear._WIDTHS:
        near = np.eye(grid.size)
        if width:
            near = stats.norm.pdf(grid[None, :], grid[:, None], width)
            near /= near.sum(axis=1, keepdims=True)
        for share in wear._SHARES:
            for j in range(grid.size):
                prior = (1 - share) * near[j] + share * wide[j]
                mass = like @ prior
                weight = before[j] * mass.prod()
                common[j] += weight
                means += weight * (like * prior) @ grid / mass
    middle = np.interp(0.5, (np.cumsum(common) - 0.5 * common) / common.sum(), grid)
    return np.append(means / common.sum(), middle)


def test_averages_over_what_is_not_known_are_those_of_brute_force() -> None:
    x, m, a, k = rows(np.random.default_rng(7), [0.0, 0.0, 2.5e-6], 60, runs=12)
    scale = wear_evidence.typical_age(wear_evidence.checked_rows(x, m, a, k, 3, None, None))
    found = slopes(x, m, a, k, 3)
    means = found.weight @ found.grid * scale
    brute = by_brute_force(x, m, a / scale, k, 3)
    assert_allclose(means, brute[:3], atol=0.004)
    assert_allclose(math.log(found.pooled) * scale / 1e5, brute[3], atol=0.004)


def test_the_typical_age_is_that_below_which_nine_tenths_of_expected_faults_fall() -> None:
    age = np.arange(1, 101.0)
    read = wear_evidence.checked_rows(age * 0, age * 0 + 2, age, age.astype(int) * 0, 1, None, None)
    assert wear_evidence.typical_age(read) == 90


def test_one_worn_brush_among_thirty_keeps_its_slope_and_the_others_gain() -> None:
    drawn = fleet(np.random.default_rng(5), 30, 1, runs=120)
    found = wear_of(drawn, 0.09)
    assert found.low[0] < RATIO < found.high[0]
    assert found.low[0] > 1 and found.departs[0] > 0.5
    assert np.mean(found.departs[1:] < 0.5) > 0.9
    assert found.sentence(0).startswith("Its faults rise with age: ")
    held, narrower = 0, []
    for thing in range(1, 30):
        mine = drawn.thing == thing
        alone = slopes(
            drawn.faults[mine],
            drawn.expected[mine],
            drawn.age[mine],
            drawn.thing[mine] * 0,
            1,
            run=drawn.run[mine],
            variance=0.09,
        )
        held += found.low[thing] <= 1 <= found.high[thing]
        narrower.append(
            math.log(found.high[thing] / found.low[thing]) / math.log(alone.high[0] / alone.low[0])
        )
    assert held >= 28
    # By simulation (tests/slow/wear.py) ranges of good bins are about 0.6 of those alone.
    assert np.median(narrower) < 0.8


def test_what_all_have_in_common_is_found() -> None:
    drawn = fleet(np.random.default_rng(6), 30, 30, runs=100)
    found = wear_of(drawn, 0.09)
    assert found.pooled_low <= RATIO <= found.pooled_high
    assert 1.04 < found.pooled_low and found.pooled_high < 1.06
    assert np.mean(found.departs < 0.5) > 0.9
    # A bin without a row has what the others have, and its range is no narrower than theirs.
    more = slopes(drawn.faults, drawn.expected, drawn.age, drawn.thing, 31, variance=0.09)
    assert_allclose(more.ratio[30], more.pooled, rtol=0.002)
    wide = np.log(more.high / more.low)
    assert wide[30] > wide[:30].max()
    assert (more.count[30], more.expected[30]) == (0, 0)


#: Fleets, bins, worn ones; what the ranges are to hold by tests/slow/wear.py at length.
@pytest.mark.parametrize(("fleets", "bins", "worn"), [(25, 30, 1), (12, 10, 10), (40, 1, 1)])
def test_ranges_hold_the_truth_in_simulated_fleets(fleets: int, bins: int, worn: int) -> None:
    found = simulate(np.random.default_rng(11), fleets, bins, worn, runs=60)
    held = found.held[found.worn]
    # Ranges of one fleet's bins are not independent, so fleets are what is counted.
    error = math.sqrt(0.95 * 0.05 / fleets)
    assert held.mean() > 0.95 - 3 * error
    assert found.pooled.mean() > 0.95 - 3 * error
    if worn < bins:
        assert found.held[~found.worn].mean() > 0.95
    # Forecasts are of 90 %.
    error = math.sqrt(0.9 * 0.1 / fleets)
    assert found.times.mean() > 0.9 - 3 * error
    assert found.limit.mean() > 0.9 - 3 * error


# What is read. ------------------------------------------------------------------------------------


def test_ages_that_are_not_known_are_left_out_and_the_order_is_free() -> None:
    rng = np.random.default_rng(9)
    x, m, a, k = rows(rng, [1e-6, 0.0], 80)
    run = rng.integers(0, 30, x.size)
    found = slopes(x, m, a, k, 2, run=run, variance=0.2, feeds=m * 1e4)
    mixed = rng.permutation(x.size)
    other = slopes(
        np.append(x[mixed], [900, 0]),
        np.append(m[mixed], [3, 0]),
        np.append(a[mixed], [np.nan, 5]),
        np.append(k[mixed], [0, 1]),
        2,
        run=np.append(run[mixed], [500, 501]),
        variance=[0.2, 0.2],
        feeds=np.append(m[mixed] * 1e4, [7, 7]),
    )
    for name in ("ratio", "low", "high", "pooled", "count", "expected", "feeds", "dispersion"):
        assert_allclose(getattr(other, name), getattr(found, name), rtol=1e-9)
    assert_allclose(found.count, np.bincount(k, weights=x))
    assert_allclose(found.feeds, np.bincount(k, weights=m * 1e4))


@pytest.mark.parametrize("unit", [1e-5, 1e-2, 30.0])
def test_the_unit_of_age_is_free(unit: float) -> None:
    x, m, a, k = rows(np.random.default_rng(9), [1e-6, 0.0, 0.0], 80)
    found = slopes(x, m, a, k, 3)
    other = slopes(x, m, a * unit, k, 3, per=1e5 * unit)
    assert_allclose(other.ratio, found.ratio, rtol=1e-9)
    assert_allclose(other.high, found.high, rtol=1e-9)
    assert_allclose(limit_age(other, 0, times=2).best, unit * limit_age(found, 0, times=2).best)


def test_many_rows_of_nearly_the_same_age_may_be_added_up(monkeypatch: pytest.MonkeyPatch) -> None:
    x, m, a, k = rows(np.random.default_rng(10), [1e-6, 0.0], 400, runs=2000)
    found = slopes(x, m, a, k, 2)
    monkeypatch.setattr(wear_evidence, "_MANY_ROWS", 100)
    other = slopes(x, m, a, k, 2)
    assert_allclose(np.log(other.ratio), np.log(found.ratio), atol=1e-5)
    assert_allclose(np.log(other.low), np.log(found.low), atol=1e-5)
    assert_allclose(other.exposure, found.exposure, rtol=2e-3)


def test_nothing_at_all_says_nothing() -> None:
    found = slopes([], [], [], [], 2)
    assert np.all(found.low < 0.5) and np.all(found.high > 2)
    assert_allclose(found.ratio, 1, rtol=1e-6)
    assert found.sentence(0).startswith("That its faults rise with age is not shown: ")
    clean = slopes([0, 0], [1, 1], [0, 1e6], [0, 0], 1)
    assert clean.low[0] < 1 < clean.high[0]
    assert_array_equal(slopes([1, 2], [1, 1], [0, 0], [0, 0], 1).count, [3])


# Forecasts. ---------------------------------------------------------------------------------------


def test_forecasts_where_everything_is_known() -> None:
    # A slope and a level of 1.3 that 2 million faults tell.
    age = np.linspace(0, 1e6, 50)
    expected = np.full(50, 40_000.0)
    found = slopes(1.3 * expected * np.exp(SLOPE * age), expected, age, np.zeros(50, int), 1)
    assert_allclose(found.ratio, RATIO, rtol=1e-4)
    for times in (1.1, 2.0, 10.0):
        there = limit_age(found, 0, times=times)
        assert_allclose(there.best, math.log(times) / SLOPE, rtol=2e-3)
        assert there.low < there.best < there.high < 1.02 * there.low
    over = limit_age(found, 0, rate_over_expected=2.6)
    assert_allclose(over.best, math.log(2) / SLOPE, rtol=2e-3)
    assert over.low < over.best < over.high < 1.05 * over.low
    for at in (0.0, 5e5, 3e6):
        rate = rate_now(found, 0, at)
        assert_allclose(rate.best, 1.3 * math.exp(SLOPE * at), rtol=3e-3)
        assert rate.low < rate.best < rate.high < 1.1 * rate.low
    # With a new part it has 1.3 times what is expected already.
    assert limit_age(found, 0, rate_over_expected=1.2) == Range(0, 0, 0)
    falls = slopes(expected * np.exp(-SLOPE * age), expected, age, np.zeros(50, int), 1)
    assert limit_age(falls, 0, times=2) == Range(math.inf, math.inf, math.inf)
    assert limit_age(falls, 0, rate_over_expected=2).low == math.inf


def test_where_no_wear_is_shown_the_latest_is_never() -> None:
    x, m, a, k = rows(np.random.default_rng(12), [0.0] * 5, 100)
    found = slopes(x, m, a, k, 5)
    for limit in ({"times": 2.0}, {"rate_over_expected": 2.0}):
        there = limit_age(found, 1, **limit)
        assert there.high == math.inf and there.low > 1e6
        # More sure is wider.
        wider = limit_age(found, 1, **limit, confidence=0.99)
        assert wider.low < there.low and wider.best == there.best


def test_a_level_with_few_faults_is_drawn_to_that_of_all() -> None:
    # No wear anywhere; a bin of 4 faults where 10 are expected, among ones that are as expected.
    # Its part was new all the while, so that no slope comes in.
    things, runs = 12, 20
    age = np.tile(np.linspace(0, 1e6, runs), things)
    expected = np.full(things * runs, 20.0)
    faults = expected.copy()
    expected[:runs], faults[:runs], age[:runs] = 0.5, 0.2, 0.0
    found = slopes(faults, expected, age, np.repeat(np.arange(things), runs), things, between=0.04)
    rate = rate_now(found, 0, 0.0)
    # Levels beforehand: nine tenths gamma with shape 25, a tenth with shape 1, all with mean 1; by
    # scipy, how well each explains 4 faults of 10, and what it is afterwards.
    shapes, shares = np.array([25.0, 1.0]), np.array([0.9, 0.1])
    shares *= stats.nbinom.pmf(4, shapes, shapes / (shapes + 10))
    shares /= shares.sum()

    def below(level: float) -> float:
        return float(shares @ stats.gamma.cdf(level, shapes + 4, scale=1 / (shapes + 10)))

    assert_allclose(
        [below(q) for q in (rate.low, rate.best, rate.high)], [0.05, 0.5, 0.95], atol=0.02
    )
    assert rate.low < 0.65 and rate.high > 0.9
    # Many faults speak for themselves, were the level ever so odd.
    faults[runs : 2 * runs] *= 8
    odd = slopes(faults, expected, age, np.repeat(np.arange(things), runs), things, between=0.04)
    assert_allclose(rate_now(odd, 1, 5e5).best, 8, rtol=0.03)


def test_what_cannot_be_is_said() -> None:
    with pytest.raises(ValueError, match="must be of one length"):
        slopes([1], [1, 2], [0], [0], 1)
    with pytest.raises(ValueError, match="things must be numbered from 0 to 0, as there are 1"):
        slopes([1], [1], [0], [1], 1)
    with pytest.raises(ValueError, match="faults must be 0 or more; row 1, counted from 0, has -2"):
        slopes([1, -2], [1, 1], [0, 0], [0, 0], 1)
    with pytest.raises(ValueError, match="expected must be 0 or more; row 0, counted from 0"):
        slopes([1], [math.nan], [0], [0], 1)
    with pytest.raises(ValueError, match="age must be 0 or more, or NaN where unknown; row 0"):
        slopes([1], [1], [-5], [0], 1)
    with pytest.raises(ValueError, match="faults need an expected number above 0; row 0"):
        slopes([1], [0], [5], [0], 1)
    for wrong, said in (
        ({"variance": -1}, "variance between runs must be 0 or more"),
        ({"between": 0}, "between must be above 0, not 0"),
        ({"confidence": 95}, "confidence must lie between 0 and 1, not 95"),
        ({"per": 0}, "per must be above 0, not 0"),
    ):
        with pytest.raises(ValueError, match=said):
            slopes([1], [1], [5], [0], 1, **wrong)
    found = slopes([1, 2], [1, 1], [5, 9], [0, 0], 1)
    with pytest.raises(ValueError, match="give one limit"):
        limit_age(found, 0)
    with pytest.raises(ValueError, match="give one limit"):
        limit_age(found, 0, times=2, rate_over_expected=2)
    with pytest.raises(ValueError, match="times must be above 1, not 1"):
        limit_age(found, 0, times=1)
    with pytest.raises(ValueError, match="rate_over_expected must be above 0, not 0"):
        limit_age(found, 0, rate_over_expected=0)
    with pytest.raises(ValueError, match="confidence must lie between 0 and 1"):
        limit_age(found, 0, times=2, confidence=1)
    with pytest.raises(ValueError, match="age must be 0 or more, not -1"):
        rate_now(found, 0, -1)
