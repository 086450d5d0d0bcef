import mpmath
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize, stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep
from statsmodels.stats.rates import test_poisson_2indep as poisson_2indep

from analysis import ratios
from analysis.differences import DIFFERENCE_METHODS, difference
from analysis.intervals import interval
from analysis.ratios import (
    RATIO_METHODS,
    against_standard,
    benjamini_hochberg,
    effective_samples,
    fisher,
    ratio,
)
from tests.slow.comparison import clustered_case, difference_coverage

# Newcombe 1998, Statistics in Medicine 17:873-890, Table II: hybrid Wilson (his method 10) and
# Miettinen-Nurminen (his method 5); the first two read in a copy, the others value from memory.
NEWCOMBE = [
    ((56, 70, 48, 80), (0.0524, 0.3339), (0.0528, 0.3382)),
    ((9, 10, 3, 10), (0.1705, 0.8090), (0.1700, 0.8406)),
    ((6, 7, 2, 7), (0.0582, 0.8062), (0.0342, 0.8534)),
    ((5, 56, 0, 29), (-0.0381, 0.1926), (-0.0326, 0.1933)),
]


@pytest.mark.parametrize("counts, newcombe, miettinen", NEWCOMBE)
def test_newcombe_1998_table_2(counts, newcombe, miettinen):
    # Half a unit of the fourth and last printed decimal.
    for method, printed in zip(DIFFERENCE_METHODS, (newcombe, miettinen), strict=True):
        found = difference(*counts, method=method)
        assert_allclose((found.low, found.high), printed, rtol=0, atol=5e-5)


def test_fagerland_2015_tables_5_and_6():
    # Fagerland, Lydersen and Laake 2015 (read in a copy that quotes it): 7 of 34 against 1 of 34,
    # differences at two digits.
    found = difference(7, 34, 1, 34)
    assert_allclose((found.low, found.high), (0.019, 0.34), rtol=0, atol=5e-3)
    assert_allclose(found.low, 0.019, rtol=0, atol=5e-4)
    # Miettinen-Nurminen is printed there as .028 to .34, which is not reproduced: R, below, and the
    # definition, further down, give .0270 to .3453.


def test_proportions_in_r():
    # R's PropCIs, diffscoreci(7, 34, 1, 34) (read in a copy of its output).
    found = difference(7, 34, 1, 34, method="miettinen-nurminen")
    assert_allclose((found.low, found.high), (0.0270416, 0.3452912), rtol=0, atol=5e-8)


def test_poisson_exact_in_r():
    # R's exactci, ?poisson.exact (read): 2 in 17,877 against 10 in 20,000; the central p-value,
    # computed, is not the .04213 of its minimum-likelihood test, whose interval holds 1.
    found = ratio(2, 17_877, 10, 20_000)
    assert_allclose((found.low, found.high), (0.0238374, 1.0499547), rtol=0, atol=5e-8)
    assert_allclose(found.p_value, 0.060556, rtol=0, atol=5e-7)


def test_poisson_test_in_r():
    # R's ?poisson.test, value from memory: 11 in 800 against 21 in 3,011 (there .07967 by minimum
    # likelihood); the central p-value is computed.
    found = ratio(11, 800, 21, 3011)
    assert_allclose(found.ratio, 1.971488, rtol=0, atol=5e-7)
    assert_allclose((found.low, found.high), (0.8584264, 4.2772659), rtol=0, atol=5e-8)
    assert_allclose(found.p_value, 0.1120, rtol=0, atol=5e-5)


def test_lady_tasting_tea():
    # Fisher 1935, Agresti 1990 p. 61 (R's ?fisher.test; value from memory): .2429 and .4857.
    at_least, at_most = fisher(3, 4, 1, 4)
    assert_allclose(at_least, 0.2429, rtol=0, atol=5e-5)
    assert_allclose(2 * min(at_least, at_most), 0.4857, rtol=0, atol=5e-5)
    # Half of all cups is not rare: here the conditional method is wider than need be, 5 of 16.
    assert_allclose(ratio(3, 4, 1, 4).p_value, 2 * 5 / 16, rtol=1e-14)


def test_benjamini_and_hochberg_1995():
    # J. R. Statist. Soc. B 57:289, section 3 (read): 4 of 15 are found at 5 %, Bonferroni finds 3.
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240]
    p += [0.4262, 0.5719, 0.6528, 0.7590, 1.000]
    adjusted = benjamini_hochberg(p)
    assert (adjusted <= 0.05).sum() == 4
    assert_allclose(adjusted, multipletests(p, method="fdr_bh")[1], rtol=1e-14)
    shuffled = np.random.default_rng(1).permutation(15)
    assert_allclose(benjamini_hochberg(np.array(p)[shuffled]), adjusted[shuffled], rtol=1e-14)
    assert benjamini_hochberg([]).size == 0


PAIRS = [
    (10, 20_000, 2, 17_877),
    (0, 5000, 3, 75_000),
    (3, 75_000, 0, 5000),
    (1, 10, 1, 10),
    (40, 10**6, 90, 10**6),
    (200, 10**6, 3, 10**5),
]


@pytest.mark.parametrize("x1, n1, x2, n2", PAIRS)
def test_p_values_against_statsmodels(x1, n1, x2, n2):
    for method, name in zip(RATIO_METHODS, ("exact-cond", "cond-midp"), strict=True):
        # It divides the rates as well, which may be by no fault.
        with np.errstate(divide="ignore"):
            tails = [
                poisson_2indep(x1, n1, x2, n2, method=name, alternative=side).pvalue
                for side in ("larger", "smaller")
            ]
        p = min(1, 2 * min(tails))
        # 1e-9: what its binomial sums keep.
        assert_allclose(ratio(x1, n1, x2, n2, method=method).p_value, p, rtol=1e-9)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
def test_tails_at_the_limits(confidence):
    # The definition: given the sum, binomial with the share rho n1 / (rho n1 + n2).
    x1, n1 = np.array([2, 1, 11, 90, 5]), np.array([17_877, 10**5, 800, 10**6, 10**5])
    x2, n2 = np.array([10, 1, 21, 40, 3]), np.array([20_000, 10**4, 3011, 10**7, 10**8])
    half = (1 - confidence) / 2

    def share(rho):
        return rho * n1 / (rho * n1 + n2)

    found = ratio(x1, n1, x2, n2, confidence=confidence)
    both = x1 + x2
    assert_allclose(stats.binom.sf(x1 - 1, both, share(found.low)), half, rtol=1e-9)
    assert_allclose(stats.binom.cdf(x1, both, share(found.high)), half, rtol=1e-9)
    found = ratio(x1, n1, x2, n2, confidence=confidence, method="mid-p")
    own = 0.5 * stats.binom.pmf(x1, both, share(found.low))
    assert_allclose(stats.binom.sf(x1, both, share(found.low)) + own, half, rtol=1e-9)
    own = 0.5 * stats.binom.pmf(x1, both, share(found.high))
    assert_allclose(stats.binom.cdf(x1 - 1, both, share(found.high)) + own, half, rtol=1e-9)


def _by_mpmath(x1, n1, x2, n2):
    """Ends of the ratio by root finding on sums of binomial terms in 40 digits."""
    with mpmath.workdps(40):
        both = x1 + x2

        def terms(log_ratio, counts):
            odds = mpmath.exp(log_ratio) * n1 / n2
            share = odds / (1 + odds)
            return mpmath.fsum(
                mpmath.binomial(both, k) * share**k * (1 - share) ** (both - k) for k in counts
            )

        tail = mpmath.mpf("0.025")
        start = mpmath.log(mpmath.mpf(x1) * n2 / (mpmath.mpf(n1) * x2))
        low = mpmath.findroot(
            lambda u: mpmath.log(terms(u, range(x1, both + 1)) / tail), (start - 3, start - 1)
        )
        high = mpmath.findroot(
            lambda u: mpmath.log(terms(u, range(x1 + 1)) / tail), (start + 1, start + 3)
        )
        p = 2 * min(terms(mpmath.mpf(0), range(x1, both + 1)), terms(mpmath.mpf(0), range(x1 + 1)))
        return float(mpmath.exp(low)), float(mpmath.exp(high)), float(min(1, p))


@pytest.mark.parametrize(
    "counts", [(3, 10**8, 5, 10**5), (5, 10**5, 3, 10**8), (1, 10**9, 1, 10**9), (30, 10**7, 2, 10)]
)
def test_extremes_in_40_digits(counts):
    found = ratio(*counts)
    # Ten digits, as of a single rate; the quantiles keep eleven.
    assert_allclose((found.low, found.high, found.p_value), _by_mpmath(*counts), rtol=1e-10)


def test_no_faults_and_no_feeds():
    found = ratio([0, 4, 0, 0, 3], [50, 50, 50, 0, 50], [4, 0, 0, 4, 0], [60, 60, 60, 60, 0])
    assert found.ratio[0] == 0 and found.ratio[1] == np.inf and np.all(np.isnan(found.ratio[2:4]))
    assert np.isnan(found.ratio[4])
    assert found.low[0] == 0 and found.high[1] == np.inf
    # One side without a fault: the whole tail is one power.
    assert_allclose(found.high[0], (0.025**-0.25 - 1) * 60 / 50, rtol=1e-12)
    assert_allclose(found.low[1], 60 / 50 / (0.025**-0.25 - 1), rtol=1e-12)
    assert np.all(found.low[2:] == 0) and np.all(found.high[2:] == np.inf)
    assert np.all(found.p_value[2:] == 1)
    for method in DIFFERENCE_METHODS:
        apart = difference([0, 0, 3], [0, 0, 50], [4, 0, 0], [60, 0, 0], method=method)
        assert np.all(np.isnan(apart.difference))
        assert np.all((apart.low >= -1) & (apart.high <= 1) & (apart.low < apart.high))
        assert (apart.low[1], apart.high[1]) == (-1, 1)


def test_shapes():
    assert np.ndim(ratio(3, 100, 2, 100).low) == np.ndim(difference(3, 100, 2, 100).low) == 0
    assert ratio([[1], [2]], [10, 20, 30], 1, 50).p_value.shape == (2, 3)
    assert difference([], [], [], [], method="miettinen-nurminen").high.shape == (0,)
    assert against_standard([1, 2], 100, 0.01).low.shape == (2,)
    assert fisher([1, 2], 100, 3, 100)[0].shape == (2,)


def test_against_standard():
    x, n, rate = np.array([0, 9, 3, 40]), np.array([5000, 10**5, 10**6, 1000]), 3e-5
    found = against_standard(x, n, rate)
    assert_allclose((found.low * rate, found.high * rate), interval(x, n), rtol=1e-14)
    tails = stats.binom.sf(x - 1, n, rate), stats.binom.cdf(x, n, rate)
    assert_allclose(found.p_value, np.minimum(1, 2 * np.minimum(*tails)), rtol=1e-9)
    found = against_standard(x, n, rate, method="mid-p")
    own = 0.5 * stats.binom.pmf(x, n, rate)
    tails = stats.binom.sf(x, n, rate) + own, stats.binom.cdf(x - 1, n, rate) + own
    assert_allclose(found.p_value, np.minimum(1, 2 * np.minimum(*tails)), rtol=1e-9)
    nothing = against_standard(0, 0, rate)
    assert np.isnan(nothing.ratio) and nothing.p_value == 1
    assert (nothing.low, nothing.high) == (0, 1 / rate)


def test_a_long_burn_in_is_a_standard():
    # The ratio to a rate of 30 million faults is the ratio to that rate, to its own 4 digits.
    long, known = ratio(9, 10**5, 3 * 10**7, 10**12), against_standard(9, 10**5, 3e-5)
    assert_allclose((long.low, long.high), (known.low, known.high), rtol=1e-3)
    assert_allclose(long.p_value, known.p_value, rtol=1e-3)


@pytest.mark.parametrize("counts", [(7, 34, 1, 34), (5, 56, 0, 29), (12, 900, 30, 700)])
def test_miettinen_nurminen_by_its_definition(counts):
    # The likelihood maximised numerically under the difference, and the score equal to z there.
    x1, n1, x2, n2 = counts
    found = difference(*counts, method="miettinen-nurminen")
    z = stats.norm.isf(0.025)
    for end in (float(found.low), float(found.high)):

        def negative(p2, end=end):
            p1 = p2 + end
            return -stats.binom.logpmf(x1, n1, p1) - stats.binom.logpmf(x2, n2, p2)

        bounds = max(0, -end), min(1, 1 - end)
        p2 = optimize.minimize_scalar(
            negative, bounds=bounds, method="bounded", options={"xatol": 1e-12}
        ).x
        p1 = p2 + end
        total = n1 + n2
        variance = (p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2) * total / (total - 1)
        score = (x1 / n1 - x2 / n2 - end) / np.sqrt(variance)
        # A maximum is found to half the digits of the machine.
        assert_allclose(abs(score), z, rtol=1e-6)


def test_newcombe_against_statsmodels():
    for counts in ((12, 900, 30, 700), (1, 50_000, 9, 40_000), (56, 70, 48, 80)):
        printed = confint_proportions_2indep(*counts, compare="diff", method="newcomb")
        found = difference(*counts)
        # Its Wilson limits cancel at few faults; nine digits are what they keep.
        assert_allclose((found.low, found.high), printed, rtol=1e-9)


def test_fisher_against_scipy():
    for x1, n1, x2, n2 in ((7, 34, 1, 34), (3, 10**5, 5, 10**4), (0, 20, 6, 30), (20, 20, 3, 9)):
        table = [[x1, n1 - x1], [x2, n2 - x2]]
        expected = [stats.fisher_exact(table, side).pvalue for side in ("greater", "less")]
        assert_allclose(fisher(x1, n1, x2, n2), expected, rtol=1e-9)
    # For rare faults both conditions are the same.
    tails = fisher(3, 10**8, 5, 10**8)
    assert_allclose(2 * min(tails), ratio(3, 10**8, 5, 10**8).p_value, rtol=1e-6)


def test_effective_samples():
    plain = effective_samples(3, 100, 5, 200)
    assert plain.low == plain.high == (3, 100, 5, 200)
    wide = effective_samples(20, 1000, 12, 1000, relative_variance=0.1, other_relative_variance=0.2)
    # phi = 1 + r x where a lower limit is wanted, 1 + r (1 + 5 r) (x + 2) where an upper one.
    assert_allclose(wide.low, (20 / 3, 1000 / 3, 12 / 6.6, 1000 / 6.6), rtol=1e-14)
    assert_allclose(wide.high, (20 / 4.3, 1000 / 4.3, 12 / 3.4, 1000 / 3.4), rtol=1e-14)


@pytest.mark.parametrize(
    "counts, options, message",
    [
        ((-1, 10, 1, 10), {}, "must not be negative"),
        ((1, 10, 20, 15), {}, "count must not exceed feeds; there are 20 faults in 15 feeds"),
        ((1, 10, np.nan, 15), {}, "none missing"),
        ((1, 10, 1, 10), {"confidence": 1.0}, "confidence must lie between 0 and 1"),
        ((1, 10, 1, 10), {"method": "wald"}, "method must be one of"),
        ((1, 10, 1, 10), {"relative_variance": -1}, "relative variance must be 0 or more"),
        ((1, 10, 1, 10), {"other_relative_variance": np.nan}, "relative variance must be"),
    ],
)
def test_refusals(counts, options, message):
    for function in (ratio, difference):
        with pytest.raises(ValueError, match=message):
            function(*counts, **options)


def test_refusals_of_the_others():
    with pytest.raises(ValueError, match="whole numbers"):
        fisher(1.5, 10, 1, 10)
    with pytest.raises(ValueError, match="rate must lie strictly between 0 and 1"):
        against_standard(1, 10, 0.0)
    with pytest.raises(ValueError, match="exact, mid-p, not 'wilson'"):
        against_standard(1, 10, 0.1, method="wilson")
    with pytest.raises(ValueError, match="between 0 and 1"):
        benjamini_hochberg([0.1, np.nan])


samples = st.integers(1, 10**7).flatmap(
    lambda n: st.tuples(st.one_of(st.integers(0, min(n, 12)), st.integers(0, n)), st.just(n))
)
variances = st.one_of(st.just(0.0), st.floats(0.001, 2))


@settings(max_examples=60, deadline=None)
@given(samples, samples, st.sampled_from(RATIO_METHODS), variances, variances)
def test_turning_the_samples_round_turns_the_ratio_over(first, second, method, r1, r2):
    options = {"method": method, "relative_variance": r1, "other_relative_variance": r2}
    there = ratio(*first, *second, **options)
    options |= {"relative_variance": r2, "other_relative_variance": r1}
    back = ratio(*second, *first, **options)
    with np.errstate(divide="ignore"):
        assert_allclose((1 / back.high, 1 / back.low), (there.low, there.high), rtol=1e-12)
    assert_allclose(back.p_value, there.p_value, rtol=1e-9)
    low = difference(*first, *second, relative_variance=r1, other_relative_variance=r2)
    high = difference(*second, *first, relative_variance=r2, other_relative_variance=r1)
    assert_allclose((low.low, low.high), (-high.high, -high.low), rtol=1e-12)


@settings(max_examples=80, deadline=None)
@given(
    samples,
    samples,
    st.sampled_from(RATIO_METHODS),
    variances,
    variances,
    st.sampled_from([0.5, 0.8, 0.95, 0.99]),
)
def test_p_and_interval_agree(first, second, method, r1, r2, confidence):
    found = ratio(
        *first,
        *second,
        method=method,
        confidence=confidence,
        relative_variance=r1,
        other_relative_variance=r2,
    )
    # Exactly at the limit either may win by rounding.
    assume(abs(found.p_value - (1 - confidence)) > 1e-9)
    outside = not found.low <= 1 <= found.high
    assert (found.p_value <= 1 - confidence) == outside


@settings(max_examples=60, deadline=None)
@given(samples, samples, st.sampled_from(RATIO_METHODS), variances)
def test_more_faults_in_the_first_never_lower_an_end(first, second, method, r1):
    (x, n), options = first, {"method": method, "relative_variance": r1}
    few, more = ratio(x, n, *second, **options), ratio(min(x + 1, n), n, *second, **options)
    assert more.low >= few.low * (1 - 1e-12) and more.high >= few.high * (1 - 1e-12)
    assert few.low <= more.high


@settings(max_examples=60, deadline=None)
@given(samples, samples, st.integers(2, 1000), st.sampled_from(RATIO_METHODS))
def test_only_the_proportion_of_feeds_matters(first, second, times, method):
    (x1, n1), (x2, n2) = first, second
    once = ratio(x1, n1, x2, n2, method=method)
    scaled = ratio(x1, times * n1, x2, times * n2, method=method)
    assert_allclose((scaled.low, scaled.high), (once.low, once.high), rtol=1e-12)
    assert_allclose(scaled.p_value, once.p_value, rtol=1e-9)


@settings(max_examples=60, deadline=None)
@given(samples, samples, st.floats(0.01, 1))
def test_clusters_widen(first, second, r):
    plain = ratio(*first, *second)
    wide = ratio(*first, *second, relative_variance=r, other_relative_variance=r)
    assert wide.low <= plain.low * (1 + 1e-12) and wide.high >= plain.high * (1 - 1e-12)
    assert wide.p_value >= plain.p_value * (1 - 1e-12)


@settings(max_examples=12, deadline=None)
@given(st.lists(st.tuples(samples, samples), min_size=4, max_size=20))
def test_the_difference_lies_inside_its_interval(pairs):
    columns = np.transpose([(*first, *second) for first, second in pairs])
    for method in DIFFERENCE_METHODS:
        found = difference(*columns, method=method)
        assert found.low.shape == found.high.shape == (len(pairs),)
        assert np.all((found.low >= -1) & (found.low <= found.difference + 1e-12))
        assert np.all((found.difference - 1e-12 <= found.high) & (found.high <= 1))


@pytest.mark.parametrize(
    "runs, burn_in_runs, expected, burn_in_expected, variation",
    [
        (8, 4, 16, 8, 0.0),
        (8, 4, 16, 8, 1.0),
        (8, 8, 64, 64, 0.3),
        (30, 4, 60, 8, 1.0),
        (30, 8, 60, 16, 0.5),
        (300, 4, 600, 8, 1.0),
    ],
)
def test_false_verdicts_of_clustered_counts(
    runs, burn_in_runs, expected, burn_in_expected, variation
):
    # Simulated, nothing changed: either end errs in at most 2.5 %, within 3 standard errors. The
    # variance between runs is estimated from the same runs, as the program does it.
    logs = 3000 if runs < 300 else 600
    worse, better = clustered_case(
        runs, burn_in_runs, expected, burn_in_expected, variation, logs=logs, seed=runs
    )
    allowed = 0.025 + 3 * np.sqrt(0.025 * 0.975 / logs)
    assert worse <= allowed and better <= allowed


@pytest.mark.parametrize(
    ("count", "expected", "other", "other_expected"),
    [(9, 3.0, 4, 4.0), (5, 0.2, 0, 0.7), (0, 2.5, 7, 1.5), (3, 1e-7, 2, 2e-7)],
)
def test_faults_beside_expected_ones_may_be_more_than_these(count, expected, other, other_expected):
    # Given the sum, binomial with the share of what was expected; its limits by scipy's own test.
    found = ratios.beside_expected(count, expected, other, other_expected)
    share = stats.binomtest(count, count + other).proportion_ci(0.95, "exact")
    low, high = (
        p / (1 - p) * other_expected / expected if p < 1 else np.inf
        for p in (share.low, share.high)
    )
    # 1e-9: what the quantiles of scipy's test keep.
    assert_allclose((found.low, found.high), (low, high), rtol=1e-9)


def test_plain_intervals_of_clustered_counts_err():
    # What the widening is for: a quarter of unchanged towers called worse or better.
    worse, better = clustered_case(30, 4, 240, 32, 1.0, logs=2000, seed=1, plain=True)
    assert worse > 0.15 and better > 0.12


def test_coverage_of_the_difference():
    # Exact, by summing over both Poisson counts: both near 95 % from 5 expected faults on.
    for method in DIFFERENCE_METHODS:
        for times in (1, 4):
            assert 0.945 <= difference_coverage(5, times, method) <= 0.965
    assert difference_coverage(0.5, 4, "newcombe") > 0.93
    assert difference_coverage(0.5, 4, "miettinen-nurminen") < 0.93
