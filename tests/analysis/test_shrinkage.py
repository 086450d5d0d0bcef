import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, optimize, stats

from analysis.shrinkage import shrunk_benchmark
from tests.slow.comparison import bins_case

# Gaver and O'Muircheartaigh 1987, Technometrics 29:1: pumps, thousands of hours.
FAILURES = np.array([5, 1, 5, 14, 3, 19, 1, 1, 4, 22])
HOURS = np.array([94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48])


def test_pumps():
    # George, Makov and Smith 1993: shape .82 and rate 1.26 by maximum likelihood of the marginal,
    # value from memory; more digits and the means computed by another program.
    pumps = shrunk_benchmark(FAILURES, HOURS)
    assert_allclose((pumps.shape, pumps.prior_feeds), (0.82, 1.26), rtol=0, atol=5e-3)
    assert_allclose((pumps.shape, pumps.prior_feeds), (0.822269, 1.258954), rtol=0, atol=1e-6)
    means = [0.0609, 0.1073, 0.0908, 0.1167, 0.5881, 0.6062, 0.7899, 0.7899, 1.4374, 1.9441]
    assert_allclose(pumps.rates, means, rtol=0, atol=5e-5)
    raw = [0.053, 0.064, 0.080, 0.111, 0.573, 0.604, 0.954, 0.954, 1.91, 2.10]
    units = np.array([1e-3] * 8 + [1e-2] * 2)
    assert np.all(np.abs(pumps.faults / pumps.feeds - raw) <= 0.5 * units)


def _negative(point, x, n):
    # The marginal as scipy's negative binomial.
    shape, rate = np.exp(point)
    return -stats.nbinom.logpmf(x, shape, rate / (rate + n)).sum()


def test_maximum_against_scipy():
    best = optimize.minimize(
        _negative,
        [0.0, 0.0],
        args=(FAILURES, HOURS),
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-12},
    )
    pumps = shrunk_benchmark(FAILURES, HOURS)
    # A maximum is found to half the digits of the machine.
    assert_allclose((pumps.shape, pumps.prior_feeds), np.exp(best.x), rtol=1e-6)
    assert_allclose(pumps.log_likelihood, -best.fun, rtol=1e-12)


def test_accidents():
    # Greenwood and Yule 1920: 647 women, one negative binomial; k = .865116 by maximum likelihood
    # (computed by another program).
    accidents = np.repeat([0, 1, 2, 3, 4, 5], [447, 132, 42, 21, 3, 2])
    fit = shrunk_benchmark(accidents, np.ones(647))
    assert_allclose(fit.shape, 0.865116, rtol=0, atol=1e-6)
    assert_allclose(fit.mean, accidents.mean(), rtol=1e-10)


def test_posterior_mean_by_integration():
    pumps = shrunk_benchmark(FAILURES, HOURS)
    prior = stats.gamma(pumps.shape, scale=1 / pumps.prior_feeds)
    for x, n, rate in zip(FAILURES[:3], HOURS[:3], pumps.rates[:3], strict=True):

        def weight(value, power=0, x=x, n=n):
            return value**power * stats.poisson.pmf(x, n * value) * prior.pdf(value)

        top = integrate.quad(weight, 0, 2, args=(1,), epsabs=0, points=[rate])[0]
        whole = integrate.quad(weight, 0, 2, epsabs=0, points=[rate])[0]
        # 1e-7: what adaptive integration beside a pole at 0 keeps.
        assert_allclose(top / whole, rate, rtol=1e-7)


def test_bins_that_do_not_differ():
    alike = shrunk_benchmark([4] * 10, [75_000] * 10)
    assert alike.shape == np.inf and alike.prior_feeds == np.inf
    assert_allclose(alike.rates, 4 / 75_000, rtol=1e-12)
    assert "no more than chance" in alike.sentence()
    # Held to less than the tower's whole burn-in, since they may differ after all, and to more than
    # their own.
    assert np.all((alike.effective_faults < 40) & (alike.effective_faults > 8))
    assert_allclose(alike.effective_faults / alike.effective_feeds, alike.rates, rtol=1e-12)


def test_no_faults_no_feeds_one_bin():
    nothing = shrunk_benchmark([0, 0], [50, 70])
    assert np.all(nothing.rates == 0) and np.all(nothing.effective_feeds == 120)
    assert nothing.sentence().startswith("No fault in the burn-in of 2 bins")
    unfed = shrunk_benchmark([3, 1, 9, 0], [100, 100, 100, 0])
    assert_allclose(unfed.rates[3], unfed.mean, rtol=1e-12)
    assert unfed.effective_feeds[3] < unfed.effective_feeds[1]
    alone = shrunk_benchmark([3], [100])
    assert_allclose(alone.rates, 0.03, rtol=1e-12)


@pytest.mark.parametrize(
    "faults, feeds, message",
    [
        ([1, 2], [10], "one number each"),
        ([-1], [10], "0 or more"),
        ([np.nan], [10], "none missing"),
        ([1, 1], [10, 0], "faults need feeds"),
        ([0], [0], "faults need feeds"),
    ],
)
def test_refusals(faults, feeds, message):
    with pytest.raises(ValueError, match=message):
        shrunk_benchmark(faults, feeds)


bins = st.lists(
    st.tuples(st.integers(0, 30), st.integers(1000, 10**6)), min_size=2, max_size=10
).filter(lambda rows: any(x for x, _ in rows))


@settings(max_examples=40, deadline=None)
@given(bins)
def test_each_rate_lies_between_its_own_and_the_mean(rows):
    x, n = np.array(rows, dtype=float).T
    held = shrunk_benchmark(x, n)
    own = x / n
    least, most = np.minimum(own, held.mean), np.maximum(own, held.mean)
    assert np.all((held.rates >= least * (1 - 1e-9)) & (held.rates <= most * (1 + 1e-9)))
    assert np.all((held.effective_feeds > 0) & np.isfinite(held.effective_feeds))
    assert "bins" in held.sentence()


@settings(max_examples=20, deadline=None)
@given(bins)
def test_the_unit_of_feeds_does_not_matter(rows):
    x, n = np.array(rows, dtype=float).T
    feeds, thousands = shrunk_benchmark(x, n), shrunk_benchmark(x, n / 1000)
    # A maximum is found to half the digits of the machine, less where it is flat.
    assert_allclose(thousands.rates, feeds.rates * 1000, rtol=1e-4)
    assert_allclose(thousands.effective_faults, feeds.effective_faults, rtol=1e-3)


@pytest.mark.parametrize("faults, variation", [(6, 0.0), (20, 0.5), (60, 0.5)])
def test_unchanged_bins_are_not_called_worse(faults, variation):
    # Simulated; bins of one tower share their burn-in, so the tower is the unit of the error.
    towers = 300
    above, below = bins_case(faults, variation, 2, 1.0, towers=towers, seed=1)
    allowed = 0.025 + 3 * np.sqrt(0.025 * 0.975 / towers)
    assert above <= allowed and below <= allowed


def test_borrowing_finds_what_a_bin_alone_cannot():
    # Six faults in the whole burn-in: a bin's own 0 or 1 proves nothing, however long it runs.
    found, _ = bins_case(6, 0.0, 20, 3.0, towers=100, seed=2)
    assert found > 0.15
