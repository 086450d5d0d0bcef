import csv
from pathlib import Path

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from analysis import intervals
from analysis.intervals import (
    METHODS,
    coverage,
    interval,
    lower_bound,
    poisson_interval,
    upper_bound,
)
from tests.benchmarks.intervals import counts as drawn_counts
from tests.benchmarks.intervals import is_limit

REFERENCE = Path(__file__).parent.parent / "reference"

# Newcombe 1998, Statistics in Medicine 17:857-872, Table I (read in a copy that quotes it).
NEWCOMBE = [
    ("exact", 15, 148, 0.0578, 0.1617),
    ("exact", 0, 20, 0, 0.1684),
    ("exact", 1, 29, 0.0009, 0.1776),
    ("mid-p", 15, 148, 0.0601, 0.1581),
    ("mid-p", 0, 20, 0, 0.1391),
    ("mid-p", 1, 29, 0.0017, 0.1585),
    ("wilson", 15, 148, 0.0624, 0.1605),
    ("wilson", 0, 20, 0, 0.1611),
    ("wilson", 1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize("method, count, feeds, low, high", NEWCOMBE)
def test_newcombe_1998_table_1(method, count, feeds, low, high):
    # Half a unit of the fourth and last printed decimal.
    assert_allclose(interval(count, feeds, method=method), (low, high), rtol=0, atol=5e-5)


def test_nist_handbook_exact_small_sample():
    # NIST/SEMATECH e-Handbook 7.2.4.1, value from memory: 4 in 20, 90 %, .071354 and .401029. The
    # Handbook's upper limit came from an iterative search; the sixth decimal is 8.
    low, high = interval(4, 20, confidence=0.90)
    assert_allclose(low, 0.071354, rtol=0, atol=5e-7)
    assert_allclose(high, 0.401028, rtol=0, atol=5e-7)


def test_nist_handbook_one_sided_wilson():
    # NIST/SEMATECH e-Handbook 7.2.4.1, value from memory: 26 of 200 wafers, z = 1.645.
    assert_allclose(lower_bound(26, 200, method="wilson"), 0.09577, rtol=0, atol=5e-6)


def test_zero_numerators():
    # Hanley and Lippman-Hand 1983, JAMA 249:1743: if nothing goes wrong, is everything all right?
    printed = [0.26, 0.14, 0.095, 0.058, 0.030, 0.0030]
    bounds = upper_bound(0, [10, 20, 30, 50, 100, 1000])
    units = np.array([1, 1, 0.1, 0.1, 0.1, 0.01]) * 1e-2
    assert np.all(np.abs(bounds - printed) <= 0.5 * units)


def test_detector_that_called_all_faults_put_in():
    # Success run: 20 of 20 prove 86 %, 59 of 59 prove 95 %, one-sided (value from memory).
    assert_allclose(lower_bound([20, 59], [20, 59]), [0.861, 0.950], rtol=0, atol=5e-4)


def test_zero_in_5000_by_hand():
    low, high = interval(0, 5000)
    assert low == 0
    # 1 - 0.025^(1/5000) in mpmath, to all digits (computed).
    assert_allclose(high, 0.000737503801108105, rtol=1e-14)
    # Mid-P and the one-sided bound leave 5 % on one side: half of (1 - p)^n is 0.025.
    assert_allclose(interval(0, 5000, method="mid-p")[1], upper_bound(0, 5000), rtol=1e-14)


GARWOOD = [
    (0, 0, 3.689, 3),
    (1, 0.0253, 5.572, 3),
    (2, 0.2422, 7.225, 3),
    (3, 0.6187, 8.767, 3),
    (4, 1.0899, 10.242, 3),
    (5, 1.6235, 11.668, 3),
    (10, 4.795, 18.39, 2),
    (20, 12.217, 30.888, 3),
    (50, 37.11, 65.92, 2),
    (100, 81.36, 121.63, 2),
]


@pytest.mark.parametrize("count, low, high, decimals", GARWOOD)
def test_garwood_1936(count, low, high, decimals):
    # Garwood 1936, Biometrika 28:437; Pearson and Hartley, table 40 (value from memory).
    decimals_low = 4 if count < 10 else 3 if count < 50 else 2
    found = poisson_interval(count)
    assert abs(found[0] - low) <= 0.5 * 10.0**-decimals_low * 1.0001
    assert abs(found[1] - high) <= 0.5 * 10.0**-decimals * 1.0001


def _reference_rows():
    with (REFERENCE / "intervals_mpmath.csv").open(encoding="utf-8") as lines:
        assert next(lines).startswith("# mpmath")
        return list(csv.DictReader(lines))


@pytest.mark.parametrize(
    "row", _reference_rows(), ids=lambda r: "{method} {count}/{feeds}".format(**r)
)
def test_against_sums_in_60_digits(row):
    # Ten digits are promised for one fault in 10^9 feeds; the terms were summed one by one.
    found = interval(int(row["count"]), int(row["feeds"]), method=row["method"])
    assert_allclose(found, (float(row["low"]), float(row["high"])), rtol=5e-11)


@pytest.mark.parametrize(
    "method, name", [("exact", "beta"), ("wilson", "wilson"), ("jeffreys", "jeffreys")]
)
def test_against_statsmodels(method, name):
    x = np.array([0, 1, 2, 5, 9, 10, 3, 40, 0, 7])
    n = np.array([10, 10, 10, 10, 10, 10, 75_000, 10**6, 4000, 10**5])
    low, high = (np.array(ends) for ends in proportion_confint(x, n, 0.05, method=name))
    if method == "jeffreys":
        # The ends that statsmodels leaves at quantiles are set to 0 and 1 here, by definition.
        low, high = np.where(x == 0, 0, low), np.where(x == n, 1, high)
    # Wilson's lower end cancels in statsmodels; 1e-9 is what it keeps.
    assert_allclose(interval(x, n, method=method), (low, high), rtol=1e-9, atol=1e-15)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
def test_tails_at_the_limits(confidence):
    # The definition, by summing binomial terms made from factorials' logarithms.
    from scipy.stats import binom

    x, n = np.array([1, 2, 4, 17, 30]), np.array([900, 40, 7500, 18, 10**5])
    half = (1 - confidence) / 2
    low, high = interval(x, n, confidence=confidence)
    terms = [binom.pmf(np.arange(k + 1), m, p) for k, m, p in zip(x, n, high, strict=True)]
    assert_allclose([t.sum() for t in terms], half, rtol=1e-9)
    terms = [binom.pmf(np.arange(k, m + 1), m, p) for k, m, p in zip(x, n, low, strict=True)]
    assert_allclose([t.sum() for t in terms], half, rtol=1e-9)
    low, high = interval(x, n, confidence=confidence, method="mid-p")
    tails = binom.cdf(x - 1, n, high) + 0.5 * binom.pmf(x, n, high)
    assert_allclose(tails, half, rtol=1e-9)
    tails = binom.sf(x, n, low) + 0.5 * binom.pmf(x, n, low)
    assert_allclose(tails, half, rtol=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_ends(method):
    low, high = interval([0, 7, 0, 0], [7, 7, 10**9, 0], method=method)
    assert low[0] == low[2] == 0 and high[1] == 1
    assert 0 < high[2] < 1e-8
    assert (low[3], high[3]) == (0, 1)
    assert lower_bound(0, 0, method=method) == 0
    assert upper_bound(0, 0, method=method) == 1


@pytest.mark.parametrize("method", METHODS)
def test_shapes(method):
    low, high = interval(3, 100, method=method)
    assert np.ndim(low) == np.ndim(high) == 0
    low, high = interval([[1], [2]], [10, 20, 30], method=method)
    assert low.shape == high.shape == (2, 3)
    assert interval([], [], method=method)[0].shape == (0,)


@pytest.mark.parametrize("method", METHODS)
def test_equal_pairs_evaluated_once_change_nothing(method):
    rng = np.random.default_rng(1)
    x, n = rng.integers(0, 4, 500), rng.choice([0, 50, 4000], 500)
    x = np.minimum(x, n)
    together = np.array(interval(x, n, method=method))
    one_by_one = np.array([interval(a, b, method=method) for a, b in zip(x, n, strict=True)]).T
    assert_allclose(together, one_by_one, rtol=1e-15)


def _pairs_on_both_sides_of_each_branch():
    """Seeded grid: rare, at both edges of the series, even, faults the rule, few, 1000 (scipy)."""
    draw = np.random.default_rng(21)
    pairs = [(1, 10**9), (10, 10**9), (999, 10**9), (1000, 10**9), (999, 9_289_977), (30, 40)]
    pairs += [(x, x + good) for x in (9, 10, 11) for good in (1, 8, 9, 10, 11, 12)]
    for x in (1, 2, 7, 30, 400, 999, 1000, 20_000):
        # 128 and 1/2 feeds per fault are where the series ends and where it starts Newton's method.
        feeds_per_fault = [1.001, 1.3, 1.9, 2, 2.1, 4, 64, 126, 130, 200, 10 ** draw.uniform(3, 6)]
        pairs += [(x, max(x + 1, round(x * each))) for each in feeds_per_fault]
    return np.array(pairs, dtype=float).T


@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.99, 1 - 1e-9])
def test_exact_limits_keep_twelve_digits_on_both_sides_of_each_branch(confidence):
    x, n = _pairs_on_both_sides_of_each_branch()
    # Branches lie by faults and feeds. Each sixth pair at each confidence, from another one on: of
    # the eleven sizes that go with a count of faults, all come up. All sizes at the highest
    # confidence, whose limits are the hardest, stand in the file of limits further down.
    first = {0.5: 0, 0.95: 1, 0.99: 3}.get(confidence, 5)
    x, n = x[first::6], n[first::6]
    ends = interval(x, n, confidence=confidence)
    tail = 0.5 * (1 - confidence)
    for upper, limits in zip((False, True), ends, strict=True):
        for limit, count, feeds in zip(limits, x, n, strict=True):
            assert is_limit(limit, count, feeds, upper=upper, within=1e-12, tail=tail), (
                f"{count:.0f} faults in {feeds:.0f} feeds, upper {upper}: {limit!r}"
            )


def _rows_where_ways_meet():
    with (REFERENCE / "limits_mpmath.csv").open(encoding="utf-8") as lines:
        assert next(lines).startswith("# mpmath")
        return list(csv.DictReader(lines))


@pytest.mark.parametrize("confidence", ["0.5", "0.95", "0.999999999"])
def test_exact_limits_where_the_ways_to_work_them_out_meet(confidence):
    # All at once and one by one, which goes other ways. The quantile's own digits are thirteen.
    rows = [row for row in _rows_where_ways_meet() if row["confidence"] == confidence]
    x, n, low, high = np.array(
        [[float(row[name]) for name in ("count", "feeds", "low", "high")] for row in rows]
    ).T
    together = interval(x, n, confidence=float(confidence))
    assert_allclose(together, (low, high), rtol=1e-13)
    each = [interval(*pair, confidence=float(confidence)) for pair in zip(x, n, strict=True)]
    assert_allclose(np.transpose(each), (low, high), rtol=1e-13)


def test_effective_counts_keep_twelve_digits():
    draw = np.random.default_rng(22)
    x = 2.0 ** draw.uniform(-4, 8, 60)
    n = x * (1 + 10.0 ** draw.uniform(-1, 5, 60))
    ends = interval(x, n, confidence=0.999)
    tail = 0.5 * (1 - 0.999)
    for upper, limits in zip((False, True), ends, strict=True):
        for limit, count, feeds in zip(limits, x, n, strict=True):
            assert limit == 1 or is_limit(
                limit, count, feeds, upper=upper, within=1e-12, tail=tail
            ), (count, feeds, upper, limit)


def test_a_small_lower_limit_of_few_faults_that_are_the_rule_does_not_cancel():
    # As 1 less the other side's limit this kept no digit: the limit is below 10^-10 here.
    low = lower_bound(0.40625, 0.5, confidence=1 - 1e-6)
    assert low < 1e-10
    assert is_limit(low, 0.40625, 0.5, upper=False, within=1e-12, tail=1 - (1 - 1e-6))


@pytest.mark.parametrize("confidence", [0.3, 0.5, 0.8, 0.95])
@pytest.mark.parametrize("pair", [(0, 10), (1, 10), (3, 10), (10, 10), (1, 10**9)])
def test_wilson_bounds_solve_their_equation(pair, confidence):
    # Wilson 1927: (x/n - p)^2 = z^2 p (1 - p) / n, solved at 40 digits. Below one half z is
    # negative, and the lower bound lies above the rate.
    x, n = pair
    with mpmath.workdps(40):
        z = mpmath.sqrt(2) * mpmath.erfinv(2 * mpmath.mpf(confidence) - 1)
        half = z * mpmath.sqrt(mpmath.mpf(x) * (n - x) / n + z * z / 4)
        low, high = ((x + z * z / 2 + side * half) / (n + z * z) for side in (-1, 1))
        # At no fault, and at faults only, the nearer end is the rate itself.
        low, high = float(low) if x else 0.0, float(high) if x < n else 1.0
    assert_allclose(lower_bound(x, n, confidence=confidence, method="wilson"), low, rtol=1e-12)
    assert_allclose(upper_bound(x, n, confidence=confidence, method="wilson"), high, rtol=1e-12)


def test_mid_p_bounds_at_little_confidence_end_at_the_rate():
    # Half of (1 - p)^n is never above one half: at no fault, and at faults only, nothing is left.
    for confidence in (0.3, 0.5):
        assert upper_bound(0, 10, confidence=confidence, method="mid-p") == 0
        assert lower_bound(10, 10, confidence=confidence, method="mid-p") == 1


def test_counts_as_large_as_the_table_of_quantiles_and_larger():
    x = np.array([65_535, 65_536, 65_537, 65_536.5])
    low, high = interval(x, 10**9)
    # Gamma quantiles by scipy.stats: 7 in 100,000 more or less, as many as the feeds are faults.
    assert_allclose(low, stats.gamma.ppf(0.025, x) / 1e9, rtol=1e-4)
    assert_allclose(high, stats.gamma.ppf(0.975, x + 1) / 1e9, rtol=1e-4)
    assert np.all(np.diff(low[[0, 1, 3, 2]]) > 0) and np.all(np.diff(high[[0, 1, 3, 2]]) > 0)


def test_no_fault_and_faults_only_by_their_closed_forms():
    n = np.array([1, 2, 7, 5000, 10**7, 10**9])
    with mpmath.workdps(40):
        edge = [float(mpmath.mpf("0.025") ** (mpmath.mpf(1) / int(each))) for each in n]
        rest = [float(-mpmath.expm1(mpmath.log("0.025") / int(each))) for each in n]
    low, high = interval(np.zeros(6), n)
    assert np.all(low == 0)
    assert_allclose(high, rest, rtol=1e-14)
    low, high = interval(n, n)
    assert np.all(high == 1)
    assert_allclose(low, edge, rtol=1e-14)


@pytest.mark.parametrize("kind", ["of all sizes", "mostly zero", "mostly repeats"])
def test_many_pairs_at_once_are_as_each_alone(kind):
    x, n = drawn_counts(kind, 600)
    x[0], n[0] = 0, 0
    together = np.array(interval(x, n))
    alone = np.array([interval(a, b) for a, b in zip(x, n, strict=True)]).T
    assert np.array_equal(together, alone)
    assert (together[0, 0], together[1, 0]) == (0, 1)


def test_repeats_are_evaluated_once(monkeypatch):
    sizes = []
    exact = intervals._exact

    def counting(x, n, tail):
        sizes.append(x.size)
        return exact(x, n, tail)

    monkeypatch.setitem(intervals._BY_METHOD, "exact", counting)
    interval(np.tile([0, 1, 5], 400), np.tile([900, 4000, 900], 400))
    interval(np.zeros(1200), np.arange(1, 1201))
    assert sizes == [3, 1200]


def test_shapes_are_broadcast_and_kept():
    x, n = np.array([[0], [3], [10]]), np.array([10, 2000])
    low, high = interval(x, n)
    assert low.shape == high.shape == (3, 2)
    assert (low[2, 1], high[2, 1]) == interval(10, 2000)
    assert (low[0, 0], high[2, 0]) == (0, 1)
    low, high = interval(np.array(3), np.array(2000.0))
    assert np.ndim(low) == np.ndim(high) == 0
    assert (low, high) == interval(3, 2000)


@pytest.mark.parametrize("method", METHODS)
def test_one_sided_bounds_are_ends_of_a_wider_interval(method):
    ends = interval([2, 30], [900, 10**6], confidence=0.90, method=method)
    assert_allclose(lower_bound([2, 30], [900, 10**6], method=method), ends[0], rtol=1e-12)
    assert_allclose(upper_bound([2, 30], [900, 10**6], method=method), ends[1], rtol=1e-12)


@pytest.mark.parametrize("method", METHODS)
def test_tiny_effective_counts(method):
    # x/phi can be far below one fault; nothing may overflow, warn or cross.
    x = np.array([1e-6, 1e-3, 0.02, 0.4])
    low, high = interval(x, 1000.0, method=method)
    assert np.all((low <= x / 1000) & (x / 1000 <= high) & (low >= 0))
    assert np.all(np.diff(high) > 0)


@pytest.mark.parametrize(
    "count, feeds, options, message",
    [
        (-1, 10, {}, "must not be negative"),
        (1, -10, {}, "must not be negative"),
        (20, 15, {}, "count must not exceed feeds; there are 20 faults in 15 feeds"),
        (float("nan"), 15, {}, "none missing"),
        ([1, float("nan")], 15, {}, "none missing"),
        (1, [10, float("inf")], {}, "none missing"),
        ([1, -1], 10, {}, "must not be negative"),
        ([1, 20, 16], 15, {}, "there are 20 faults in 15 feeds"),
        (1, float("inf"), {}, "none missing"),
        (1, 10, {"confidence": 0.0}, "confidence must lie between 0 and 1"),
        (1, 10, {"confidence": 1.0}, "confidence must lie between 0 and 1"),
        (1, 10, {"confidence": float("nan")}, "confidence must lie between 0 and 1"),
        (1, 10, {"method": "wald"}, "one of exact, wilson, jeffreys, mid-p"),
    ],
)
def test_refusals(count, feeds, options, message):
    for function in (interval, lower_bound, upper_bound):
        with pytest.raises(ValueError, match=message):
            function(count, feeds, **options)


def test_refusals_of_the_others():
    for count in ([1, -1], [1, float("nan")], [float("inf"), 1]):
        with pytest.raises(ValueError, match="0 or more, with none missing"):
            poisson_interval(count)
    for feeds in (2.5, 0, -1, float("inf"), float("nan")):
        with pytest.raises(ValueError, match="whole number of 1 or more"):
            coverage(feeds, 0.1)
    for rates in ([0.1, 1.0], [0.0, 0.1], 1.5, -0.5):
        with pytest.raises(ValueError, match="strictly between 0 and 1"):
            coverage(10, rates)


def test_numbers_that_are_kept_short_are_reckoned_with_at_full_length():
    # Garwood 1936 by chi-squared quantiles, of a count as a table of single precision holds it.
    low, high = poisson_interval(np.array([4], dtype=np.float32))
    assert_allclose(low, stats.chi2.ppf(0.025, 8) / 2, rtol=1e-12)
    assert_allclose(high, stats.chi2.ppf(0.975, 10) / 2, rtol=1e-12)
    short = np.float32(0.01)
    low, high = interval(np.arange(4), 3)
    holds = (low <= float(short)) & (float(short) <= high)
    expected = stats.binom.pmf(np.arange(4), 3, float(short))[holds].sum()
    assert_allclose(coverage(3, short), expected, rtol=1e-12)
    low, high = interval(np.float32(0), np.float32(3))
    assert_allclose(high, 1 - 0.025 ** (1 / 3), rtol=1e-14)


counts = st.integers(1, 10**7).flatmap(
    lambda n: st.tuples(st.one_of(st.integers(0, min(n, 40)), st.integers(0, n)), st.just(n))
)


@settings(max_examples=60, deadline=None)
@given(counts, st.sampled_from(METHODS), st.floats(0.5, 0.999))
def test_the_interval_holds_the_rate_and_grows_with_confidence(pair, method, confidence):
    x, n = pair
    low, high = interval(x, n, confidence=confidence, method=method)
    assert 0 <= low <= x / n * (1 + 1e-12) and x / n * (1 - 1e-12) <= high <= 1
    wide_low, wide_high = interval(x, n, confidence=0.5 + confidence / 2, method=method)
    assert wide_low <= low * (1 + 1e-12) and high * (1 - 1e-12) <= wide_high


@settings(max_examples=60, deadline=None)
@given(counts, st.sampled_from(METHODS))
def test_more_faults_never_lower_a_bound(pair, method):
    x, n = pair
    more = min(x + 1, n)
    assert upper_bound(more, n, method=method) >= upper_bound(x, n, method=method)
    assert lower_bound(more, n, method=method) >= lower_bound(x, n, method=method)


@settings(max_examples=30, deadline=None)
@given(st.permutations([(0, 100), (3, 5000), (1, 4000), (0, 7), (12, 10**5)]))
def test_order_of_pooling_does_not_matter(pairs):
    x, n = np.array(pairs).T
    assert np.array_equal(interval(x.sum(), n.sum()), interval(16, 109_107))
