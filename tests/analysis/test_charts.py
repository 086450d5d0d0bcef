"""Control charts against published ones, hand-worked ones, enumeration, and simulation."""

from __future__ import annotations

import dataclasses
import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from analysis.charts import Account
from analysis.ewma import ewma_chart, ewma_of_faults, ewma_run_length
from analysis.gap_charts import feeds_between, g_chart
from analysis.log_format import LARGEST_WHOLE
from analysis.rate_charts import p_chart, p_prime_chart

#: Wafers, 30 samples of 50 (NIST e-Handbook 6.3.3.2).
WAFERS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22]
WAFERS += [8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]

# ------------------------------------------------------------------------------------- p-chart


def test_the_published_p_chart() -> None:
    chart = p_chart(WAFERS, [50] * 30, limits="three sigma")
    assert chart.name == "p-chart"
    # NIST e-Handbook 6.3.3.2, to the four digits printed.
    assert_allclose(chart.centre, 0.2313, atol=5e-5)
    assert_allclose(chart.low, 0.0524, atol=5e-5)
    assert_allclose(chart.high, 0.4102, atol=5e-5)
    # Samples 15 and 23, as there.
    assert np.flatnonzero(chart.outside).tolist() == [14, 22]
    assert_allclose(chart.points, np.array(WAFERS) / 50)
    assert chart.account == Account(30, 347, 1500)


def test_the_published_p_chart_without_the_samples_that_had_a_cause() -> None:
    kept = [count for place, count in enumerate(WAFERS, 1) if place not in (15, 23)]
    chart = p_chart(kept, [50] * 28, limits="three sigma")
    assert_allclose(chart.centre, 0.2150, atol=5e-5)
    assert_allclose(chart.low, 0.0407, atol=5e-5)
    assert_allclose(chart.high, 0.3893, atol=5e-5)
    # Sample 21, now the 20th, is beyond the new limits (Montgomery, example 7.1).
    assert np.flatnonzero(chart.outside).tolist() == [19]


def exact_tails(n: int, p: Fraction) -> tuple[list[Fraction], list[Fraction]]:
    """Return the chance of so many or fewer, and of so many or more, in fractions."""
    mass = [math.comb(n, x) * p**x * (1 - p) ** (n - x) for x in range(n + 1)]
    return [sum(mass[: x + 1], Fraction(0)) for x in range(n + 1)], [
        sum(mass[x:], Fraction(0)) for x in range(n + 1)
    ]


@pytest.mark.parametrize("chance", [Fraction(27, 10_000), Fraction(1, 4), Fraction(1, 2)])
@pytest.mark.parametrize("rate", [Fraction(1, 50), Fraction(1, 3), Fraction(1, 2), Fraction(9, 10)])
@pytest.mark.parametrize("n", [1, 2, 7, 30])
def test_a_point_is_beyond_exact_limits_where_its_tail_is_below_half_the_chance(
    n: int, rate: Fraction, chance: Fraction
) -> None:
    fewer, more = exact_tails(n, rate)
    x = np.arange(n + 1)
    chart = p_chart(x, np.full(n + 1, n), rate=float(rate), chance=float(chance))
    # No tail here is half the chance but for rounding; those that are would test the rounding.
    sure = [chance / 2 not in (fewer[i], more[i]) for i in x]
    beyond = np.array([min(fewer[i], more[i]) < chance / 2 for i in x])
    assert_array_equal(chart.outside[sure], beyond[sure])
    # And the limits say the same of the points as drawn.
    drawn = (chart.points < chart.low - 1e-12) | (chart.points > chart.high + 1e-12)
    assert_array_equal(chart.outside, drawn)


@pytest.mark.parametrize("chance", [0.0027, 1e-6, 0.2])
@pytest.mark.parametrize("rate", [1e-7, 3e-5, 0.004, 0.3, 0.97])
def test_exact_limits_are_binomial_quantiles(rate: float, chance: float) -> None:
    n = np.array([1, 40, 5000, 5000, 123_457, 40_000_000])
    chart = p_chart(np.zeros(n.size), n, rate=rate, chance=chance)
    low = stats.binom.ppf(chance / 2, n, rate)
    high = stats.binom.isf(chance / 2, n, rate)
    # Counts are whole: anything but rounding would be one count off.
    assert_allclose(np.nan_to_num(chart.low) * n, low, rtol=1e-14, atol=1e-6)
    assert_allclose(np.nan_to_num(chart.high, nan=1.0) * n, high, rtol=1e-14, atol=1e-6)
    assert_array_equal(np.isnan(chart.low), low == 0)
    assert_array_equal(np.isnan(chart.high), high == n)


def test_where_nothing_changed_no_more_points_are_beyond_exact_limits_than_their_chance() -> None:
    rng = np.random.default_rng(20)
    feeds = rng.integers(2000, 400_000, 40_000)
    chart = p_chart(rng.binomial(feeds, 3e-5), feeds, rate=3e-5, chance=0.05)
    above, below = chart.points > chart.high, chart.points < chart.low
    # Each side has 0.025 at most, less where counts are few; four standard errors of 0.0008 below
    # it would be seen as well as above.
    assert 0.003 < above.mean() < 0.025
    assert 0.003 < below.mean() < 0.025
    assert_array_equal(chart.outside, above | below)


def test_what_the_text_says_of_rare_faults() -> None:
    feeds, rate = 5000, 1e-5
    chart = p_chart([0, 1, 2], [feeds] * 3, rate=rate)
    assert chart.outside.tolist() == [False, False, True]
    assert np.isnan(chart.low).all()
    wait = 1 / stats.binom.sf(1, feeds, 2 * rate)
    assert round(wait) == 214
    assert (round(wait * feeds * 2 * rate), round(wait * feeds * rate)) == (21, 11)
    assert p_chart([1], [feeds], rate=rate, limits="three sigma").outside.all()
    assert_allclose(stats.binom.sf(0, feeds, rate), 1 / 20, rtol=0.03)
    for expected, once_in in ((1, 53), (5, 183)):
        high = p_chart([0], [100_000], rate=expected / 1e5, limits="three sigma").high[0] * 1e5
        assert round(1 / stats.binom.sf(math.floor(high), 100_000, expected / 1e5)) == once_in
    assert round(1 / stats.norm.sf(3)) == 741

    def beyond(each: float, *faulty: int) -> int:
        x = np.zeros(80)
        x[list(faulty)] = 1
        return int(ewma_of_faults(x, [feeds] * 80, rate=each / feeds).outside.sum())

    assert beyond(0.05, 60) == 0 < beyond(0.05, 60, 61)
    assert beyond(0.04, 60) == 1


def test_runs_without_feeds_have_no_point() -> None:
    for drawn in (p_chart, p_prime_chart):
        chart = drawn([2, 0, 4, 1], [100, 0, 200, 100])
        assert np.isnan(chart.points).tolist() == [False, True, False, False]
        assert np.isnan(chart.high[1]) and not chart.outside[1]
        assert chart.account == Account(3, 7, 400)
        assert_allclose(chart.centre, 7 / 400)
    # A run without feeds is none that two others differ across.
    without = p_prime_chart([2, 4, 1], [100, 200, 100])
    assert p_prime_chart([2, 0, 4, 1], [100, 0, 200, 100]).sigma_z == without.sigma_z


def test_no_fault_at_all() -> None:
    for limits in ("exact", "three sigma"):
        chart = p_chart([0, 0, 0], [500, 1000, 20], limits=limits)
        assert chart.points.tolist() == chart.high.tolist() == [0, 0, 0]
        assert not chart.outside.any()
        assert chart.sentence().startswith("None of 3 points of this p-chart lies beyond")
    prime = p_prime_chart([0, 0, 0], [500, 1000, 20])
    assert math.isnan(prime.sigma_z or 0.0) and not prime.outside.any()
    assert "has 3 points and no limits" in prime.sentence()
    assert ewma_of_faults([0, 0], [10, 20]).points.tolist() == [0, 0]


def test_faults_at_every_feed_and_references_at_the_ends() -> None:
    chart = p_chart([5, 7], [5, 7])
    assert chart.points.tolist() == [1, 1] and not chart.outside.any()
    assert p_chart([0, 1], [5, 5], rate=0).outside.tolist() == [False, True]
    assert p_chart([5, 4], [5, 5], rate=1).outside.tolist() == [False, True]


# -------------------------------------------------------------------------------- p-prime chart


def test_with_equal_feeds_a_p_prime_chart_is_that_of_individual_values() -> None:
    # Flow rates of ten batches, NIST e-Handbook 6.3.2.2: centre 50.81, limits 45.8159 and 55.8041
    # (values from memory, confirmed by hand: 50.81 plus and minus 3 x 1.8778 / 1.128). Here they
    # are faults per 100 feeds.
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = p_prime_chart(np.round(np.array(flow) * 10), [1000] * 10)
    assert chart.name == "p-prime chart"
    assert_allclose(100 * chart.centre, 50.81, atol=1e-10)
    # Four digits are printed.
    assert_allclose(100 * chart.high, 55.8041, atol=5e-5)
    assert_allclose(100 * chart.low, 45.8159, atol=5e-5)
    assert not chart.outside.any()


def test_a_p_prime_chart_by_hand() -> None:
    # At a rate of 0.1 the standard deviations are 0.03, 0.015, 0.03, so z is 1, -1, 2; it moves by
    # 2 and 3, 2.5 on the average, and 2.5 / 1.128 = 2.216312.
    chart = p_prime_chart([13, 34, 16], [100, 400, 100], rate=0.1)
    assert chart.sigma_z is not None
    assert_allclose(chart.sigma_z, 2.216312, atol=5e-7)
    assert_allclose(chart.high, [0.299468, 0.199734, 0.299468], atol=5e-7)
    assert_allclose(chart.low, [np.nan, 0.000266, np.nan], atol=5e-7)
    narrow = p_prime_chart([13, 34, 16], [100, 400, 100], rate=0.1, width=0.5)
    # 0.1 + 0.5 x 0.03 x 2.216312 = 0.133245 is below 0.16 alone.
    assert narrow.outside.tolist() == [False, False, True]


def test_a_p_prime_chart_of_runs_that_differ_by_chance_is_a_p_chart() -> None:
    rng = np.random.default_rng(3)
    feeds = rng.integers(40_000, 200_000, 20_000)
    faults = rng.binomial(feeds, 0.002)
    chart = p_prime_chart(faults, feeds)
    plain = p_chart(faults, feeds, limits="three sigma")
    assert chart.sigma_z is not None
    # The mean range of normal values is 1.128379; four standard errors of it, overlapping, are
    # about 0.025.
    assert_allclose(chart.sigma_z, 1, atol=0.025)
    assert_allclose(
        (chart.high - chart.centre) / (plain.high - plain.centre), chart.sigma_z, rtol=1e-9
    )
    assert 0.0015 < chart.outside.mean() < 0.0045


def test_a_p_prime_chart_allows_for_runs_that_differ_beyond_chance() -> None:
    rng = np.random.default_rng(4)
    rate, feeds, spread = 0.01, 1_000_000, 0.05
    rates = rate * (1 + spread * rng.standard_normal(20_000))
    faults = rng.binomial(feeds, rates)
    chart = p_prime_chart(faults, [feeds] * 20_000)
    # The variance of a rate over the binomial one: 1 + (1 - 1/feeds) spread^2 rate^2 feeds / pq.
    true = math.sqrt(1 + spread**2 * rate * feeds / (1 - rate))
    assert chart.sigma_z is not None
    assert_allclose(chart.sigma_z, true, rtol=0.03)
    # 0.0027 of normal values; four standard errors are 0.0015.
    assert abs(chart.outside.mean() - 0.0027) < 0.0015
    assert p_chart(faults, [feeds] * 20_000, limits="three sigma").outside.mean() > 0.5


def test_one_run_alone_gives_a_p_prime_chart_no_limits() -> None:
    chart = p_prime_chart([3], [100])
    assert np.isnan(chart.high).all() and np.isnan(chart.low).all()
    assert chart.sentence().startswith("This p-prime chart has 1 point and no limits")


# -------------------------------------------------------------------------------------- g-chart


def placed(faults: list[int], feeds: list[int]) -> list[int]:
    """Lay a log out feed by feed, the faults of each run spread equally, and count between them."""
    row: list[bool] = []
    for x, n in zip(faults, feeds, strict=True):
        at = {math.ceil(Fraction(n * (2 * nth + 1), 2 * x)) for nth in range(x)}
        assert len(at) == x
        row += [feed in at for feed in range(1, n + 1)]
    assert sum(row) == sum(faults)
    counts, good, begun = [], 0, False
    for fault in row:
        if not fault:
            good += 1
            continue
        if begun:
            counts.append(good)
        good, begun = 0, True
    return counts


@given(st.lists(st.integers(0, 30).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))))
@settings(max_examples=60, derandomize=True, deadline=None)
def test_feeds_between_faults_are_what_a_log_laid_out_gives(runs: list[tuple[int, int]]) -> None:
    faults, feeds = [x for x, _ in runs], [n for _, n in runs]
    between = feeds_between(faults, feeds)
    assert between.tolist() == placed(faults, feeds)
    assert between.size == max(0, sum(faults) - 1)


def test_feeds_between_by_hand() -> None:
    # A fault in the middle of the first run, at feed 3; two in the third, at its feeds 2 and 6,
    # which are 11 and 15 of all.
    assert feeds_between([1, 0, 2], [5, 4, 8]).tolist() == [7, 3]
    assert feeds_between([1], [5]).size == feeds_between([], []).size == 0
    assert feeds_between([4], [4]).tolist() == [0, 0, 0]
    # Sizes no array of feeds would hold.
    many = LARGEST_WHOLE
    assert feeds_between([1, 1], [many, many]).tolist() == [many - 1]
    ten = feeds_between([10], [many])
    assert_allclose(ten, many / 10, rtol=1e-6)


def test_the_run_in_which_a_point_ends_is_as_told() -> None:
    faults = [1, 0, 2, 1]
    assert np.repeat(np.arange(4), faults)[1:].tolist() == [2, 2, 3]
    assert feeds_between(faults, [10, 10, 10, 10]).size == 3


def test_a_g_chart_by_hand() -> None:
    # Mean 3, and 3 + 3 sqrt(3 x 4) = 13.392305; 3 - 10.39 is no limit (Benneyan 2001, formula).
    chart = g_chart([0, 5, 2, 1, 0, 14, 0, 2], limits="three sigma")
    assert chart.name == "g-chart"
    assert_allclose(chart.centre, 3)
    assert_allclose(chart.high, 13.392305, atol=5e-7)
    assert np.isnan(chart.low).all()
    assert np.flatnonzero(chart.outside).tolist() == [5]
    # 8 points lie between 9 faults; 24 good feeds and 8 that end in a fault.
    assert chart.account == Account(8, 9, 32)
    two = g_chart([0, 5, 2, 1, 0, 14, 0, 2], limits="three sigma", width=0.5)
    assert_allclose(two.high, 3 + math.sqrt(3), rtol=1e-12)
    assert_allclose(two.low, 3 - math.sqrt(3), rtol=1e-12)


@pytest.mark.parametrize("chance", [Fraction(27, 10_000), Fraction(1, 5), Fraction(1, 4)])
@pytest.mark.parametrize("rate", [Fraction(1, 2), Fraction(1, 7), Fraction(1, 300)])
def test_a_point_is_beyond_exact_geometric_limits_where_its_tail_is_small(
    rate: Fraction, chance: Fraction
) -> None:
    y = np.arange(2500 if rate < Fraction(1, 100) else 60)
    chart = g_chart(y, rate=float(rate), chance=float(chance))
    good = 1 - rate
    # So many or more have the chance good^y, so many or fewer 1 - good^(y + 1): here exactly.
    power = [Fraction(1)]
    for _ in range(y.size + 1):
        # Rounded far below what decides, so that fractions stay short.
        power.append(Fraction(round(power[-1] * good * 2**400), 2**400))
    beyond = [min(power[i], 1 - power[i + 1]) < chance / 2 for i in y]
    assert chart.outside.tolist() == beyond
    assert any(beyond)
    assert_allclose(chart.centre, float((1 - rate) / rate), rtol=1e-12)


def test_limits_of_a_g_chart_where_faults_are_rare() -> None:
    # By scipy's geometric distribution, which counts the fault as well.
    chart = g_chart([5000], rate=1e-4)
    assert chart.low[0] == stats.geom.ppf(0.00135, 1e-4) - 1
    assert chart.high[0] == stats.geom.isf(0.00135, 1e-4) - 1
    # The module's text: 1.8 % above three-sigma limits (e^-4 of an exponential), none below.
    custom = g_chart([5000], rate=1e-4, limits="three sigma")
    assert_allclose(stats.geom.sf(math.floor(custom.high[0]) + 1, 1e-4), math.exp(-4), rtol=1e-3)
    assert np.isnan(custom.low[0])
    assert_allclose(chart.low[0] / chart.centre[0], 0.00135, rtol=0.05)


def test_where_nothing_changed_a_g_chart_keeps_its_chance() -> None:
    rng = np.random.default_rng(5)
    between = rng.geometric(0.002, 60_000) - 1
    chart = g_chart(between, chance=0.05)
    # 0.025 on each side, less by what whole numbers leave out; standard error 0.0006.
    assert 0.02 < (between < chart.low).mean() < 0.0275
    assert 0.02 < (between > chart.high).mean() < 0.0275


def test_a_g_chart_of_faults_only() -> None:
    chart = g_chart([0, 0, 0])
    assert chart.high.tolist() == [0, 0, 0] and not chart.outside.any()
    assert g_chart([0, 1], rate=1).outside.tolist() == [False, True]


# ----------------------------------------------------------------------------------- EWMA chart


#: NIST e-Handbook 6.3.2.4: values about 50 with a standard deviation of 2.0539, weight 0.3.
VALUES = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
VALUES += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
MEANS = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
MEANS += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]


def test_the_published_ewma_chart() -> None:
    chart = ewma_chart(VALUES, 50, 2.0539, weight=0.3, limits="asymptotic")
    assert chart.name == "EWMA chart"
    # Two digits are printed.
    assert_allclose(chart.points, MEANS, atol=0.00501)
    # 52.5884 and 47.4115, the latter cut off and not rounded there.
    assert_allclose(chart.high, 52.5884, atol=5e-5)
    assert_allclose(chart.low, 47.4115, atol=1e-4)
    assert not chart.outside.any()
    assert chart.account == Account(20)


@pytest.mark.parametrize("weight", [0.05, 0.3, 1.0])
def test_exact_limits_are_those_of_the_weights_of_the_values(weight: float) -> None:
    rng = np.random.default_rng(6)
    values = rng.normal(3, 2, 40)
    chart = ewma_chart(values, 3, 2, weight=weight, width=2.7)
    for i in (0, 1, 7, 39):
        # The mean as a sum over all values; those before the first count as the centre.
        shares = weight * (1 - weight) ** np.arange(i, -1, -1)
        assert_allclose(chart.points[i] - 3, shares @ (values[: i + 1] - 3), atol=1e-12)
        assert_allclose(chart.high[i] - 3, 2.7 * 2 * math.sqrt(shares @ shares), rtol=1e-12)
        assert_allclose(3 - chart.low[i], 2.7 * 2 * math.sqrt(shares @ shares), rtol=1e-12)


def test_a_missing_value_leaves_the_mean_as_it_was() -> None:
    whole = ewma_chart([1.0, 4.0, 2.0], 0, 1)
    gap = ewma_chart([1.0, np.nan, 4.0, 2.0], 0, 1)
    there = [0, 2, 3]
    assert_array_equal(gap.points[there], whole.points)
    assert_array_equal(gap.high[there], whole.high)
    assert np.isnan(gap.points[1]) and np.isnan(gap.high[1]) and not gap.outside[1]
    assert gap.account.points == 3


def test_standardised_counts() -> None:
    # 4, 1, 0, 9 expected: z is 1, -1, none, 2 and the means with weight 0.5 are 0.5, -0.25, 0.875.
    chart = ewma_of_faults([6, 0, 0, 15], [400, 100, 0, 900], rate=0.01, weight=0.5)
    assert_allclose(chart.points, [0.5, -0.25, np.nan, 0.875], rtol=1e-12)
    assert chart.account == Account(3, 21, 1400)
    # Without a reference the rate is pooled: 21 in 1400.
    pooled = ewma_of_faults([6, 0, 0, 15], [400, 100, 0, 900], weight=1.0)
    expected = np.array([6, 1.5, 13.5])
    z = (np.array([6, 0, 15]) - expected) / np.sqrt(expected)
    assert_allclose(pooled.points[[0, 1, 3]], z, rtol=1e-12, atol=1e-15)


#: Lucas and Saccucci 1990, Table 3: shifts 0.25, 0.5, 0.75, 1, 1.5, 2. A cell that is None is
#: printed otherwise than it comes out in the last digit by every route known (48.2 for 48.29).
SHIFTS = [0.25, 0.5, 0.75, 1.0, 1.5, 2.0]
TABLE = {
    (0.4, 3.054): [224, 71.2, 28.4, 14.3, 5.9, 3.5],
    (0.25, 2.998): [170, None, 20.1, 11.1, 5.5, 3.6],
    (0.2, 2.962): [150, 41.8, 18.2, 10.5, 5.5, 3.7],
    (0.1, 2.814): [106, 31.3, 15.9, 10.3, 6.1, 4.4],
    (0.05, 2.615): [None, 28.8, 16.4, 11.4, 7.1, 5.2],
}


@pytest.mark.parametrize(("weight", "width"), list(TABLE))
def test_published_run_lengths(weight: float, width: float) -> None:
    # Made for one false alarm in 500; the widths are rounded to three digits.
    assert_allclose(ewma_run_length(weight, width), 500, rtol=0.005)
    for shift, printed in zip(SHIFTS, TABLE[weight, width], strict=True):
        if printed is not None:
            # Half a unit of the last digit printed, and as much again for those authors' rounding.
            unit = 1 if printed > 100 else 0.1
            assert abs(ewma_run_length(weight, width, shift) - printed) < 0.6 * unit


def by_markov_chain(weight: float, width: float, shift: float, states: int) -> float:
    """Return the run length with the range inside the limits cut into states (Brook and Evans)."""
    limit = width * math.sqrt(weight / (2 - weight))
    half = limit / states
    middle = -limit + half * (2 * np.arange(states) + 1)
    reach = (middle - (1 - weight) * middle[:, None]) / weight - shift
    moves = stats.norm.cdf(reach + half / weight) - stats.norm.cdf(reach - half / weight)
    lengths = np.linalg.solve(np.eye(states) - moves, np.ones(states))
    return float(lengths[states // 2])


@pytest.mark.parametrize(
    ("weight", "width", "shift"),
    [(0.25, 2.998, 0), (0.05, 2.615, 0.25), (0.3, 3, -0.7), (0.03, 2.4, 0.5), (0.9, 2, 1)],
)
def test_run_lengths_by_a_markov_chain(weight: float, width: float, shift: float) -> None:
    # Its error falls with the square of the states: so their limit from two of them.
    coarse, fine = (by_markov_chain(weight, width, shift, states) for states in (101, 303))
    limit = fine + (fine - coarse) / 8
    assert_allclose(ewma_run_length(weight, width, shift), limit, rtol=1e-4)


def test_a_weight_of_one_is_a_chart_of_single_values() -> None:
    # 370.4 (Shewhart): a geometric wait for a value beyond three sigma.
    assert_allclose(ewma_run_length(1, 3), 1 / (2 * stats.norm.sf(3)), rtol=1e-10)
    beyond = stats.norm.sf(2.0) + stats.norm.cdf(-4.0)
    assert_allclose(ewma_run_length(1, 3, 1), 1 / beyond, rtol=1e-10)


def test_a_chart_runs_as_long_as_is_said() -> None:
    rng = np.random.default_rng(7)
    waits = []
    for values in rng.normal(1, 1, (2500, 100)):
        outside = ewma_chart(values, 0, 1, weight=0.25, width=2.998, limits="asymptotic").outside
        assert outside.any()
        waits.append(int(np.argmax(outside)) + 1)
    # 11.1 (Lucas and Saccucci 1990, Table 3); four standard errors of the mean.
    assert abs(np.mean(waits) - 11.1) < 4 * np.std(waits) / 50


# -------------------------------------------------------------------------------- what is said


def test_sentences() -> None:
    unaware = "such a chart does not know paper, air and settings."
    wafers = p_chart(WAFERS, [50] * 30, limits="three sigma")
    assert wafers.sentence() == (
        f"2 of 30 points of this p-chart lie beyond the limits, the first at position 15; {unaware}"
    )
    one = g_chart([9200, 14_100, 3], rate=1e-4)
    assert one.sentence() == (
        f"1 of 3 points of this g-chart lies beyond the limits, at position 3; {unaware}"
    )
    none = ewma_chart(VALUES, 50, 2.0539)
    assert none.sentence() == (
        f"None of 20 points of this EWMA chart lies beyond the limits; {unaware}"
    )


def test_nothing_to_draw() -> None:
    charts = [
        p_chart([], []),
        p_chart([], [], limits="three sigma"),
        p_prime_chart([], []),
        g_chart([]),
        g_chart([], limits="three sigma"),
        ewma_chart([], 0, 1),
        ewma_of_faults([], []),
        p_chart([0, 0], [0, 0]),
        p_prime_chart([0], [0]),
        ewma_of_faults([0], [0]),
    ]
    for chart in charts:
        assert not chart.outside.any() and chart.account.points == 0
        assert chart.sentence() == (
            f"This {chart.name} has no points: there is nothing to draw yet."
        )


def test_all_of_a_chart_has_one_length_and_is_frozen() -> None:
    counts: tuple[Any, Any] = ([1, 0, 3], [100, 0, 300])
    charts = [drawn(*counts) for drawn in (p_chart, p_prime_chart, ewma_of_faults)]
    for chart in [*charts, g_chart([4, 9, 2]), ewma_chart([1, 2, 3], 0, 1)]:
        for row in (chart.points, chart.centre, chart.low, chart.high):
            assert row.shape == (3,) and row.dtype == np.float64
        assert chart.outside.shape == (3,) and chart.outside.dtype == np.bool_
        assert chart.what and chart.limits
        with pytest.raises(dataclasses.FrozenInstanceError):
            chart.name = "another"  # type: ignore[misc]
    assert p_chart([1], [9], each="week").what == "rate of one week, in faults per feed"


@pytest.mark.parametrize("drawn", [p_chart, p_prime_chart, feeds_between, ewma_of_faults])
@pytest.mark.parametrize(
    ("faults", "feeds", "said"),
    [
        ([1, 2], [10], "there are 2 of faults and 1 of feeds"),
        ([1, -2], [10, 10], "faults must be whole numbers.* at position 2 there is -2"),
        ([1, 2], [-10, 10], "feeds must be whole numbers.* at position 1 there is -10"),
        ([1, 20], [10, 15], "at position 2 there are 20 faults in 15 feeds"),
        ([1, 1.5], [10, 15], "faults must be whole numbers.* at position 2 there is 1.5"),
        ([np.nan, 1], [10, 15], "faults must be whole numbers.* at position 1 there is nan"),
        ([1, 1], [10, 1e300], "feeds must be whole numbers.* at position 2 there is 1e"),
        ([1, 1], [10, np.inf], "feeds must be whole numbers.* at position 2 there is inf"),
        ([[1]], [[10]], "faults must be one row of numbers"),
    ],
)
def test_counts_that_cannot_be(drawn: Any, faults: Any, feeds: Any, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        drawn(faults, feeds)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: p_chart([1], [9], rate=1.5), "rate must be faults per feed, from 0 to 1"),
        (lambda: p_chart([1], [9], rate=math.nan), "rate must be faults per feed, from 0 to 1"),
        (lambda: p_chart([1], [9], chance=0), "chance must be above 0 and below 1"),
        (lambda: p_chart([1], [9], limits="sigma"), "limits must be exact or three sigma"),
        (lambda: p_prime_chart([1], [9], width=0), "width must be above 0"),
        (lambda: g_chart([3, -1]), "at position 2 there is -1"),
        (lambda: g_chart([3, 0.5]), "feeds between faults must be whole numbers"),
        (lambda: g_chart([3], rate=0), "above 0 and at most 1, not 0"),
        (lambda: g_chart([3], chance=1), "chance must be above 0 and below 1"),
        (lambda: g_chart([3], limits="asymptotic"), "limits must be exact or three sigma"),
        (lambda: ewma_chart([np.inf], 0, 1), "values must be finite"),
        (lambda: ewma_chart([1], math.nan, 1), "centre must be a finite number"),
        (lambda: ewma_chart([1], 0, 0), "sd must be above 0"),
        (lambda: ewma_chart([1], 0, 1, weight=0), "weight must be above 0 and at most 1"),
        (lambda: ewma_chart([1], 0, 1, width=-3), "width must be above 0"),
        (lambda: ewma_chart([1], 0, 1, limits="three sigma"), "limits must be exact or asymptotic"),
        (lambda: ewma_of_faults([1], [9], rate=0), "at a reference rate of 0"),
        (lambda: ewma_run_length(1.1, 3), "weight must be above 0 and at most 1"),
        (lambda: ewma_run_length(1e-6, 3), "weight must be at least 0.0001"),
        (lambda: ewma_run_length(0.3, 9), "width must be at most 6"),
        (lambda: ewma_run_length(0.3, 3, math.inf), "shift must be a finite number"),
    ],
)
def test_what_cannot_be_is_refused(call: Any, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        call()
