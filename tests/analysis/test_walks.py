import math

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from analysis.walks import Check, State, advance, at_most, begin, increments, likely, walk


def feed_by_feed(checks, rate, start=(0, 0)):
    """Follow a test one feed at a time: chance to pass and to fail at each check, by count."""
    at = {check.feeds: check for check in checks}
    going = {start[1]: 1.0}
    passed, failed = [], []
    for feed in range(start[0] + 1, checks[-1].feeds + 1):
        moved = {}
        for count, chance in going.items():
            moved[count] = moved.get(count, 0.0) + chance * (1 - rate)
            moved[count + 1] = moved.get(count + 1, 0.0) + chance * rate
        if feed in at:
            few, many = at[feed].accept, at[feed].reject
            passed.append({count: c for count, c in moved.items() if count <= few})
            failed.append(sum(c for count, c in moved.items() if count >= many))
            moved = {count: c for count, c in moved.items() if few < count < many}
        going = moved
    return passed, failed, sum(going.values())


def summed(count, feeds, rate):
    """Chance of at most so many faults: binomial terms with 40 digits, added up."""
    with mpmath.workdps(40):
        p = mpmath.mpf(rate)
        term = total = (1 - p) ** feeds
        for x in range(count):
            term *= (feeds - x) * p / ((x + 1) * (1 - p))
            total += term
    return float(total)


@st.composite
def some_checks(draw):
    """A few checks with boundaries that need not rise, and a last one that ends the test."""
    feeds = sorted(draw(st.sets(st.integers(1, 60), min_size=1, max_size=8)))
    checks = []
    for number in feeds[:-1]:
        accept = draw(st.integers(-1, 6))
        checks.append(Check(number, accept, draw(st.integers(accept + 1, 12))))
    accept = draw(st.integers(-1, 8))
    return [*checks, Check(feeds[-1], accept, accept + 1)]


@given(some_checks(), st.sampled_from([1e-7, 1e-3, 0.02, 0.1, 0.3, 0.5, 0.9]))
@settings(max_examples=150, derandomize=True, deadline=None)
def test_a_walk_is_what_single_feeds_give(checks, rate):
    found = walk(checks, [rate])
    passed, failed, going = feed_by_feed(checks, rate)
    assert going == 0
    # Checks after a test has ended for certain are not walked.
    number = len(found.feeds)
    assert found.feeds.tolist() == [check.feeds for check in checks[:number]]
    assert all(not one for one in passed[number:]) and not any(failed[number:])
    sums = [sum(one.values()) for one in passed[:number]]
    assert_allclose(found.accepted[:, 0], sums, rtol=0, atol=1e-13)
    assert_allclose(found.rejected[:, 0], failed[:number], rtol=0, atol=1e-13)
    # One that fails counts as many faults as reject.
    faults = sum(count * c for one in passed for count, c in one.items())
    faults += sum(c * check.reject for c, check in zip(failed, checks, strict=True))
    assert_allclose(found.faults[0], faults, rtol=0, atol=1e-12)


def test_each_rate_is_walked_by_itself():
    checks = [Check(20, 0, 3), Check(50, 1, 4), Check(80, 3, 4)]
    rates = [0.01, 0.03, 0.2]
    together = walk(checks, rates)
    for place, rate in enumerate(rates):
        alone = walk(checks, rate)
        assert_allclose(together.accepted[:, place], alone.accepted[:, 0], rtol=0, atol=1e-15)
        assert_allclose(together.rejected[:, place], alone.rejected[:, 0], rtol=0, atol=1e-15)
        assert_allclose(together.faults[place], alone.faults[0], rtol=1e-14)


def test_one_check_is_a_single_plan():
    found = walk([Check(105_319, 6, 7)], [3e-5, 1e-4])
    passes = [summed(6, 105_319, rate) for rate in (3e-5, 1e-4)]
    assert_allclose(found.accepted[0], passes, rtol=1e-13)
    assert_allclose(found.rejected[0], 1 - np.array(passes), rtol=0, atol=1e-13)


def test_faults_watched_feed_by_feed_keep_walds_identity():
    # Wald 1947: the mean of the faults is the rate times the mean of the feeds.
    rate = 0.07
    checks = [Check(n, n // 20 - 2, n // 20 + 3) for n in range(1, 200)] + [Check(200, 11, 12)]
    found = walk(checks, [rate])
    mean = found.feeds @ (found.accepted + found.rejected)[:, 0]
    assert_allclose(found.faults[0], rate * mean, rtol=1e-12)


def test_a_walk_goes_on_from_where_a_test_has_come_to():
    checks = [Check(30, 1, 5), Check(45, 3, 4)]
    found = walk(checks, [0.1], begin(1, 12, 2))
    passed, failed, _ = feed_by_feed(checks, 0.1, start=(12, 2))
    sums = [sum(one.values()) for one in passed]
    assert_allclose(found.accepted[:, 0], sums, rtol=0, atol=1e-14)
    assert_allclose(found.rejected[:, 0], failed, rtol=0, atol=1e-14)


def test_a_walk_in_two_parts_is_the_whole_walk():
    rates = np.array([0.02, 0.1])
    first = advance(begin(2), 25, rates, 4)
    cut = State(25, 1, first.chance[:, 1:])
    rest = walk([Check(70, 3, 4)], rates, cut)
    whole = walk([Check(25, 0, 4), Check(70, 3, 4)], rates)
    assert_allclose(rest.accepted[0], whole.accepted[1], rtol=1e-14)
    assert_allclose(rest.rejected[0], whole.rejected[1], rtol=1e-13)


@pytest.mark.parametrize("rate", [1e-7, 3e-5, 0.01, 0.3, 0.5])
@pytest.mark.parametrize("feeds", [1, 7, 1000, 10**6])
def test_at_most_against_scipy(rate, feeds):
    middle = rate * feeds
    spread = math.sqrt(middle) + 1
    counts = np.unique(np.clip(np.round(middle + spread * np.arange(-6, 7)), 0, feeds))
    assert_allclose(at_most(counts, feeds, rate), stats.binom.cdf(counts, feeds, rate), rtol=1e-9)


@pytest.mark.parametrize(
    "feeds, rate, counts",
    [
        (10**9, 1e-7, [0, 10, 33, 34, 60, 100, 150]),
        (10**9, 3e-8, [0, 5, 10, 40]),
        (10**9, 1e-6, [700, 800, 1100]),
        (10**9, 3e-5, [29_000, 30_500]),
        (10**6, 1e-7, [0, 3]),
        (10**6, 1e-4, [40, 130]),
        (10, 0.5, [0, 2, 9]),
    ],
)
def test_at_most_by_summing_with_many_digits(feeds, rate, counts):
    # The distribution function of scipy.stats itself is off by 5e-8 at some of these.
    exact = [summed(count, feeds, rate) for count in counts]
    assert_allclose(at_most(counts, feeds, rate), exact, rtol=5e-11)


@pytest.mark.parametrize("below", [40_000, 90_000])
def test_at_most_in_the_middle_of_a_thousand_million_feeds(below):
    # Terms from the largest down, each from the one before: nothing of the incomplete beta.
    feeds, count = 10**9, 5 * 10**8 - below
    with mpmath.workdps(40):
        n, x, half = mpmath.mpf(feeds), mpmath.mpf(count), mpmath.log(2)
        top = mpmath.exp(
            mpmath.loggamma(n + 1) - mpmath.loggamma(x + 1) - mpmath.loggamma(n - x + 1) - n * half
        )
    down = count - np.arange(200_000.0)
    sums = 1 + np.cumprod(down / (feeds - down + 1)).sum()
    assert_allclose(float(at_most(count, feeds, 0.5)), float(top) * sums, rtol=1e-9)


def test_at_most_at_the_edges():
    assert at_most(-1, [0, 5, 10**9], 0.1).tolist() == [0, 0, 0]
    assert at_most([0, 5, 6], [0, 5, 5], 0.4).tolist() == [1, 1, 1]
    assert at_most([0, 3], 10, 0.0).tolist() == [1, 1]
    assert at_most([0, 9, 10], 10, 1.0).tolist() == [0, 0, 1]
    assert at_most(np.zeros((3, 1)), 5, np.full(2, 0.1)).shape == (3, 2)


@pytest.mark.parametrize("feeds, rate", [(1, 0.3), (50, 0.5), (300, 0.01), (10**6, 3e-5)])
def test_increments_are_binomial(feeds, rate):
    most = min(feeds, 60) + 3
    exact = stats.binom.pmf(np.arange(most + 1), feeds, rate)
    assert_allclose(increments(feeds, np.array([rate]), most)[0], exact, rtol=1e-11, atol=1e-300)


def test_increments_of_many_expected_faults_are_binomial():
    # Above 500 expected faults they come from differences, which keep no digits of far tails.
    exact = stats.binom.pmf(np.arange(2001), 2 * 10**6, 6e-4)
    found = increments(2 * 10**6, np.array([6e-4, 1e-6]), 2000)
    assert_allclose(found[0], exact, rtol=0, atol=1e-15)
    assert_allclose(found[1], stats.binom.pmf(np.arange(2001), 2 * 10**6, 1e-6), atol=1e-15)


@pytest.mark.parametrize("rate", [1e-7, 3e-5, 1e-3, 0.1, 0.5])
@pytest.mark.parametrize("feeds", [1, 30, 1000, 10**6, 10**9])
def test_hardly_a_test_has_more_than_is_likely(feeds, rate):
    most = likely(feeds, np.array([rate]))
    assert most <= feeds and stats.binom.sf(most, feeds, rate) < 1e-20


def test_advance_drops_those_with_too_many():
    moved = advance(begin(1, 0, 2), 10, np.array([0.2]), 5)
    assert (moved.feeds, moved.least) == (10, 2)
    assert_allclose(moved.chance[0], stats.binom.pmf([0, 1, 2], 10, 0.2), rtol=1e-13)
    assert_allclose(moved.going_on, stats.binom.cdf(2, 10, 0.2), rtol=1e-13)
    nothing = advance(begin(1, 0, 2), 10, np.array([0.2]), 2)
    assert nothing.chance.shape == (1, 0) and nothing.going_on.tolist() == [0]
