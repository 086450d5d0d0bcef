import math
import re
from functools import cache

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from analysis import sequential
from analysis.plans import (
    Asked,
    PlanError,
    SinglePlan,
    affordable,
    closest,
    proves,
    single_plan,
    success_run,
)
from analysis.sequential import Wald, bound, log_ratio, sequential_plan, slope
from tests.slow.acceptance_plans import simulated

MISSES = Asked(good=3e-5, bad=1e-4)


@pytest.fixture(scope="module", autouse=True)
def each_band_once():
    """Keep the best band of so many feeds, which follows from these and what is asked alone.

    A maximum that is refused, and the least one it names, are asked for by several calls here, and
    each looks through the same bands; the plans are those that they are without this.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sequential, "_best", cache(sequential._best))
        yield


def smallest(good, bad, producer, consumer, most):
    """Feeds and faults allowed of the shortest single plan: every number of feeds is tried."""
    feeds = np.arange(1, most + 1)
    allowed = stats.binom.ppf(consumer, feeds, bad)
    allowed -= stats.binom.cdf(allowed, feeds, bad) > consumer
    kept = (allowed >= 0) & (stats.binom.sf(allowed, feeds, good) <= producer)
    first = int(np.argmax(kept))
    assert kept[first]
    return int(feeds[first]), int(allowed[first])


def feed_by_feed(plan, rate):
    """Chance to pass, and mean feeds, as the plan's two lists say what to do after each feed."""
    going = {0: 1.0}
    passed = mean = 0.0
    for feed in range(1, plan.feeds + 1):
        moved = {}
        for count, chance in going.items():
            moved[count] = moved.get(count, 0.0) + chance * (1 - rate)
            moved[count + 1] = moved.get(count + 1, 0.0) + chance * rate
        going = {}
        for count, chance in moved.items():
            passes_at = plan.accept_at[count]
            if feed < plan.reject_before[count]:
                mean += feed * chance
            elif passes_at is not None and feed >= passes_at:
                mean += feed * chance
                passed += chance
            else:
                going[count] = chance
    assert not going
    return passed, mean


def in_order(plan):
    """Whether the two boundaries rise and do not cross, and nothing passes before a feed."""
    accept, reject = list(plan.accept_at[:-1]), list(plan.reject_before)
    return (
        accept == sorted(accept)
        and reject == sorted(reject)
        and all(fail <= ok for fail, ok in zip(reject[:-1], accept, strict=True))
        and accept[0] >= 1
        and accept[-1] <= plan.feeds
        and plan.accept_at[-1] is None
        and reject[-1] > plan.feeds
    )


# Single plans ---------------------------------------------------------------------------------

# Exact binomial; computed with scipy.stats by trying every number of feeds.
SINGLE = [
    (3e-5, 1e-4, 0.05, 105_319, 6),
    (0.01, 0.05, 0.05, 132, 3),
    (0.005, 0.02, 0.05, 462, 5),
    # Montgomery, Introduction to Statistical Quality Control, reads n = 89, c = 2 off a nomograph
    # (value from memory); this is the smallest that keeps both risks.
    (0.01, 0.06, 0.05, 110, 3),
    (3e-5, 1e-4, 0.02, 129_945, 8),
    (1.5e-5, 5e-5, 0.02, 259_892, 8),
    (1.5e-5, 5e-5, 0.05, 210_640, 6),
]


@pytest.mark.parametrize("good, bad, producer, feeds, allowed", SINGLE)
def test_known_single_plans(good, bad, producer, feeds, allowed):
    plan = single_plan(Asked(good, bad, producer, 0.10))
    assert (plan.feeds, plan.allowed) == (feeds, allowed)
    assert (plan.feeds, plan.allowed) == smallest(good, bad, producer, 0.10, feeds)
    assert_allclose(plan.producer_risk, stats.binom.sf(allowed, feeds, good), rtol=1e-11)
    assert_allclose(plan.consumer_risk, stats.binom.cdf(allowed, feeds, bad), rtol=1e-11)
    assert plan.kept and plan.producer_risk <= producer and plan.consumer_risk <= 0.10
    assert plan.expected_feeds([good, bad, 0.3]).tolist() == [feeds] * 3


def test_true_risks_of_the_plan_for_misses():
    plan = single_plan(MISSES)
    assert round(plan.producer_risk, 4) == 0.0422 and round(plan.consumer_risk, 4) == 0.1000
    assert plan.sentence() == (
        "Run 105,319 feeds; pass with at most 6 faults. A tower at 0.30 per 10,000 feeds then "
        "fails with a chance of 4.22 %, and one at 1.0 passes with one of 10 %."
    )


def test_two_single_plans_and_screens_on_one_tower():
    # Two plans at 0.05 pass a good tower with 91.7 %; two at 0.02 with 96.3 %, and with at least
    # 95 % where screens fail one in a hundred besides.
    usual = [single_plan(Asked(good, bad)) for good, bad in ((3e-5, 1e-4), (1.5e-5, 5e-5))]
    strict = [single_plan(Asked(good, bad, 0.02)) for good, bad in ((3e-5, 1e-4), (1.5e-5, 5e-5))]
    chance = np.prod([1 - plan.producer_risk for plan in usual])
    assert round(100 * chance, 1) == 91.7
    chance = np.prod([1 - plan.producer_risk for plan in strict])
    assert round(100 * chance, 1) == 96.3 and 0.99 * chance >= 0.95


def test_nomograph_plan_of_montgomery_breaks_the_producers_risk():
    # n = 89, c = 2 (value from memory): exactly .9397 and .0919, so not .95 as asked.
    plan = affordable(Asked(0.01, 0.06), 89)[2]
    assert_allclose(plan.accept([0.01, 0.06]), [0.9397, 0.0919], rtol=0, atol=5e-5)
    assert not plan.kept
    assert_allclose(
        single_plan(Asked(0.01, 0.06)).accept([0.01, 0.06]), [0.97496, 0.09803], atol=5e-6
    )


@pytest.mark.parametrize("producer, consumer", [(0.05, 0.10), (0.01, 0.01), (0.3, 0.4)])
@pytest.mark.parametrize(
    "good, bad",
    [
        (0.001, 0.01),
        (0.002, 0.5),
        (0.01, 0.02),
        (0.05, 0.2),
        (0.1, 0.15),
        (0.1, 0.5),
        (0.3, 0.4),
        (0.4, 0.5),
    ],
)
def test_single_plans_are_the_smallest(good, bad, producer, consumer):
    plan = single_plan(Asked(good, bad, producer, consumer))
    found = smallest(good, bad, producer, consumer, plan.feeds)
    assert (plan.feeds, plan.allowed) == found


@pytest.mark.parametrize(
    "good, bad, producer, consumer",
    [
        (0.27521128142491674, 0.32783752118689996, 0.1799176003407638, 0.08172874708248085),
        (0.4372822373393411, 0.47463477883723443, 0.19563988439168117, 0.0872365531190553),
        (0.25419123299693197, 0.2682394298725642, 0.08041202475619041, 0.16769210045180544),
        (0.38210809001052336, 0.45648892623582027, 0.08819400270067022, 0.2880787968093571),
    ],
)
def test_single_plans_of_many_faults_at_coarse_rates_are_the_smallest(
    good, bad, producer, consumer
):
    # Here a plan with fewer faults can fit though one with more does not, by whole feeds.
    plan = single_plan(Asked(good, bad, producer, consumer))
    found = smallest(good, bad, producer, consumer, plan.feeds)
    assert (plan.feeds, plan.allowed) == found


@given(st.floats(0.02, 0.5), st.floats(0.1, 0.95), st.floats(0.005, 0.49), st.floats(0.005, 0.49))
@settings(max_examples=80, derandomize=True, deadline=None)
def test_single_plans_by_brute_force(bad, share, producer, consumer):
    plan = single_plan(Asked(bad * share, bad, producer, consumer))
    assume(plan.feeds <= 20_000)
    found = smallest(bad * share, bad, producer, consumer, plan.feeds)
    assert (plan.feeds, plan.allowed) == found


def test_oc_percentiles_of_code_letter_j():
    # MIL-STD-105E Table X-J-1, AQL 1.0, single sampling n = 80, c = 2 (values from memory): per
    # cent faulty at which the chance to pass is so much.
    plan = SinglePlan(None, 80, 2, 0.05, None, 0.0)
    passing = np.array([0.99, 0.95, 0.90, 0.75, 0.50, 0.25, 0.10, 0.05, 0.01])
    printed = np.array([0.550, 1.03, 1.38, 2.16, 3.33, 4.84, 6.52, 7.66, 10.1])
    half = np.array([0.0005, *[0.005] * 7, 0.05])
    # Exactly it is 1.3855, which stands in the table as 1.38.
    half[2] = 0.006
    assert np.all(plan.accept((printed - half) / 100) >= passing)
    assert np.all(plan.accept((printed + half) / 100) <= passing)


def test_oc_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook 6.2.3.2, plan (52, 3), values from memory. At .04 and .05 the exact
    # binomial is .8460 and .7383 where .845 and .739 are printed, so these two to a unit more.
    printed = [0.998, 0.980, 0.930, 0.845, 0.739, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115]
    off = np.full(12, 0.0005)
    off[3:5] = 0.0015
    plan = SinglePlan(None, 52, 3, 0.1, None, 0.0)
    assert np.all(np.abs(plan.accept(np.arange(1, 13) / 100) - printed) <= off)


# Cameron 1952, Industrial Quality Control 9:37 (values from memory): mean faults with which a plan
# passes with .95 and with .10, and their ratio, by the faults allowed.
CAMERON = [
    (0, 0.051, 2.303, 44.89),
    (1, 0.355, 3.890, 10.95),
    (2, 0.818, 5.322, 6.51),
    (3, 1.366, 6.681, 4.89),
    (4, 1.970, 7.994, 4.06),
]


@pytest.mark.parametrize("allowed, at_good, at_bad, ratio", CAMERON)
def test_cameron_1952(allowed, at_good, at_bad, ratio):
    # So many feeds at such rates are Poisson for all that is printed.
    plan = SinglePlan(None, 10**9, allowed, 1e-8, None, 0.0)
    for mean, passing in ((at_good, 0.95), (at_bad, 0.10)):
        low, high = plan.accept([(mean - 0.0005) / 10**9, (mean + 0.0005) / 10**9])
        assert low >= passing >= high
    # A ratio of rates a little above the tabled one is told with so many allowed, one below is not.
    assert single_plan(Asked(1e-7, 1e-7 * (ratio + 0.01))).allowed == allowed
    assert single_plan(Asked(1e-7, 1e-7 * (ratio - 0.01))).allowed == allowed + 1
    feeds = single_plan(Asked(1e-7, 1e-7 * (ratio + 0.01))).feeds
    assert_allclose(feeds * 1e-7 * (ratio + 0.01), at_bad, rtol=0, atol=6e-4)


@pytest.mark.parametrize(
    "reliability, confidence, feeds",
    [
        (0.90, 0.90, 22),
        (0.95, 0.90, 45),
        (0.99, 0.90, 230),
        (0.90, 0.95, 29),
        (0.95, 0.95, 59),
        (0.99, 0.95, 299),
        (0.99, 0.99, 459),
        (0.999, 0.90, 2302),
        (0.999, 0.95, 2995),
    ],
)
def test_success_run_tables(reliability, confidence, feeds):
    # Tables of reliability handbooks (MIL-HDBK-338; Lipson and Sheth), values from memory.
    plan = success_run(1 - reliability, 1 - confidence)
    assert (plan.feeds, plan.allowed) == (feeds, 0)
    assert_allclose(plan.consumer_risk, reliability**feeds, rtol=1e-12)
    assert plan.kept and plan.asked is None and plan.producer_risk is None


@pytest.mark.parametrize("bad", [1e-7, 1.5e-7, 1e-6, 3e-5, 0.01, 0.5])
@pytest.mark.parametrize("allowed", [0, 1, 5])
def test_success_run_with_some_faults_allowed(bad, allowed):
    plan = success_run(bad, 0.05, allowed=allowed)
    assert stats.binom.cdf(allowed, plan.feeds, bad) <= 0.05 * (1 + 1e-7)
    assert stats.binom.cdf(allowed, plan.feeds - 1, bad) > 0.05 * (1 - 1e-7)
    few = f"at most {allowed} " if allowed else "no fault at all"
    assert plan.sentence().startswith(f"Run {plan.feeds:,} feeds; pass with {few}")


@pytest.mark.parametrize(
    "bad, risk, allowed, says",
    [
        (0.6, 0.1, 0, "the bad rate is 0.6"),
        (1.5, 0.1, 0, "the bad rate is 1.5"),
        (1e-8, 0.1, 0, "the bad rate is 1e-08"),
        (0.1, 0.5, 0, "the consumer's risk is 0.5"),
        (0.1, 0.1, -1, "-1 faults allowed"),
        (0.1, 0.1, 4001, "4001 faults allowed"),
        (1e-7, 0.1, 200, "more than 1,000,000,000 feeds"),
    ],
)
def test_success_run_refuses(bad, risk, allowed, says):
    with pytest.raises(PlanError, match=says):
        success_run(bad, risk, allowed=allowed)


def test_what_can_be_proved_with_the_feeds_one_can_afford():
    plans = affordable(MISSES, 75_000)
    assert [plan.allowed for plan in plans] == list(range(6))
    counts = np.arange(6)
    good = stats.binom.sf(counts, 75_000, 3e-5)
    bad = stats.binom.cdf(counts, 75_000, 1e-4)
    assert_allclose([plan.producer_risk for plan in plans], good, rtol=1e-9)
    assert_allclose([plan.consumer_risk for plan in plans], bad, rtol=1e-9)
    assert not any(plan.kept for plan in plans) and plans[-1].producer_risk <= 0.05
    worse = np.maximum(good / 0.05, bad / 0.10)
    assert closest(plans).allowed == int(np.argmin(worse))
    # With plenty, zero to three are still said; with less than that there are no more than feeds.
    assert [plan.allowed for plan in affordable(Asked(0.001, 0.5), 40)] == [0, 1, 2, 3]
    assert [plan.allowed for plan in affordable(Asked(0.1, 0.5), 2)] == [0, 1]


def test_what_so_many_faults_prove():
    found = proves(75_000)
    assert [one.count for one in found] == [0, 1, 2, 3]
    exact = [stats.beta.ppf(0.95, x + 1, 75_000 - x) for x in range(4)]
    assert_allclose([one.upper_bound for one in found], exact, rtol=1e-9)
    # Rule of three (Hanley and Lippman-Hand 1983).
    assert_allclose(found[0].upper_bound, 3 / 75_000, rtol=2e-3)
    assert [one.count for one in proves(2)] == [0, 1, 2] and proves(2)[2].upper_bound == 1


@pytest.mark.parametrize("feeds", [0, -5, 10**9 + 1])
def test_lengths_that_cannot_be(feeds):
    with pytest.raises(PlanError, match="write 1 to 1,000,000,000"):
        affordable(MISSES, feeds)
    with pytest.raises(PlanError, match="write 1 to 1,000,000,000"):
        sequential_plan(MISSES, feeds)


@pytest.mark.parametrize(
    "given_, says",
    [
        ((1e-4, 3e-5), "the bad rate .3e-05. is not above the good one"),
        ((1e-4, 1e-4), "is not above the good one"),
        ((1e-8, 1e-4), "the good rate is 1e-08"),
        ((0.1, 0.6), "the bad rate is 0.6"),
        ((math.nan, 0.5), "the good rate is nan"),
        ((3e-5, 1e-4, 0.5), "the producer's risk is 0.5"),
        ((3e-5, 1e-4, 0.0), "the producer's risk is 0"),
        ((3e-5, 1e-4, 0.05, 0.6), "the consumer's risk is 0.6"),
        ((3e-5, 1e-4, 0.05, -0.1), "the consumer's risk is -0.1"),
    ],
)
def test_what_cannot_be_asked(given_, says):
    with pytest.raises(PlanError, match=says):
        Asked(*given_)


def test_rates_too_close():
    with pytest.raises(PlanError, match="no test of 1,000,000,000 feeds or less tells 1e-07"):
        single_plan(Asked(1e-7, 1.2e-7))
    with pytest.raises(PlanError, match="too close for a sequential plan"):
        sequential_plan(Asked(0.49, 0.5))


def test_the_asked_in_words():
    assert MISSES.risks() == (
        "a tower at 0.30 per 10,000 feeds passes with at least 95 %, one at 1.0 fails with at "
        "least 90 %"
    )


# Wald's boundaries ----------------------------------------------------------------------------


def test_walds_item_by_item_plan_in_the_nist_handbook():
    # NIST/SEMATECH e-Handbook 6.2.6, values from memory: p1 .01, p2 .10, alpha .05, beta .10 give
    # -.939 + .0397 n and 1.205 + .0397 n.
    asked = Asked(0.01, 0.10, 0.05, 0.10)
    wald = Wald(asked)
    assert_allclose([wald.a, wald.b], [0.939, 1.205], rtol=0, atol=5e-4)
    assert_allclose(slope(0.01, 0.10), 0.0397, rtol=0, atol=5e-5)
    assert_allclose([wald.a, wald.b, slope(0.01, 0.10)], [0.93886, 1.20538, 0.0397474], rtol=1e-5)
    # The table, rounded from the exact coefficients (computed): fails with 2 up to 19 feeds and
    # with 3 from 20 on, passes with none from 24 and with one from 49.
    feeds = np.arange(1, 50)
    reject = np.ceil(wald.b + slope(0.01, 0.10) * feeds)
    accept = np.floor(slope(0.01, 0.10) * feeds - wald.a)
    assert set(reject[1:19]) == {2} and reject[19] == 3
    assert int(feeds[accept >= 0][0]) == 24 and int(feeds[accept >= 1][0]) == 49


@pytest.mark.parametrize("good, bad", [(1e-7, 1e-6), (3e-5, 1e-4), (0.01, 0.1), (0.3, 0.5)])
def test_log_ratio_and_slope_by_likelihoods(good, bad):
    fault = math.log(bad) - math.log(good)
    none = math.log1p(-bad) - math.log1p(-good)
    assert_allclose(log_ratio(good, bad), fault - none, rtol=1e-12)
    assert_allclose(slope(good, bad), -none / (fault - none), rtol=1e-12)
    assert good < slope(good, bad) < bad


def test_bound_is_divergence_of_ends_over_divergence_of_one_feed():
    good, bad, producer, consumer = 0.01, 0.05, 0.05, 0.10
    at_good = stats.entropy([producer, 1 - producer], [1 - consumer, consumer])
    at_bad = stats.entropy([consumer, 1 - consumer], [1 - producer, producer])
    found = bound(good, bad, producer, consumer)
    one = stats.entropy([good, 1 - good], [bad, 1 - bad])
    other = stats.entropy([bad, 1 - bad], [good, 1 - good])
    assert_allclose(found, [at_good / one, at_bad / other], rtol=1e-10)


# Sequential plans -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def for_misses():
    return sequential_plan(MISSES, 300_000)


def test_sequential_plan_for_misses(for_misses):
    plan = for_misses
    assert plan.feeds <= 300_000 and in_order(plan)
    assert plan.producer_risk <= 0.05 and plan.consumer_risk <= 0.10
    passes = plan.accept([3e-5, 1e-4])
    assert_allclose(passes, [1 - plan.producer_risk, plan.consumer_risk], rtol=1e-12)
    mean = plan.expected_feeds([3e-5, 1e-4])
    least = bound(3e-5, 1e-4, 1 - passes[0], passes[1])
    assert np.all(mean >= least) and np.all(mean <= 1.03 * np.array(least))
    assert plan.least_expected_feeds() == pytest.approx(least, rel=1e-9)
    # Hardly anything of the risks asked for is left unused.
    assert plan.producer_risk > 0.0499 and plan.consumer_risk > 0.0999
    assert plan.sentence().startswith(
        "Run until the count leaves the band, 300,000 feeds at most: 59,000 are expected of a "
        "tower at 0.30 per 10,000 feeds and 48,000 of one at 1.0."
    )


@pytest.mark.parametrize("rate", [3e-5, 1e-4])
def test_sequential_plan_for_misses_by_simulation(for_misses, rate):
    passed, feeds = simulated(for_misses, rate, tests=100_000, seed=5)
    chance = float(for_misses.accept([rate])[0])
    assert abs(passed.mean() - chance) <= 3 * math.sqrt(chance * (1 - chance) / 100_000)
    mean = float(for_misses.expected_feeds([rate])[0])
    assert abs(feeds.mean() - mean) <= 3 * feeds.std() / math.sqrt(100_000)


@pytest.mark.parametrize(
    "good, bad, producer, consumer, most",
    [
        (0.1, 0.5, 0.05, 0.10, None),
        (0.1, 0.5, 0.05, 0.10, 12),
        (0.2, 0.4, 0.05, 0.10, 50),
        (0.3, 0.5, 0.2, 0.2, 40),
        (0.01, 0.05, 0.05, 0.10, None),
        (0.01, 0.06, 0.02, 0.05, 300),
        (0.001, 0.5, 0.4, 0.45, None),
        (0.02, 0.3, 0.001, 0.3, None),
        (0.1, 0.5, 0.49, 0.49, None),
        (0.4, 0.5, 0.3, 0.3, 80),
    ],
)
def test_sequential_plans_feed_by_feed(good, bad, producer, consumer, most):
    plan = sequential_plan(Asked(good, bad, producer, consumer), most)
    assert in_order(plan)
    for rate in (good / 10, good, math.sqrt(good * bad), bad, 0.9):
        passed, mean = feed_by_feed(plan, rate)
        assert_allclose(plan.accept([rate])[0], passed, rtol=0, atol=1e-12)
        # Feeds are faults over the rate, and each of hundreds of chances has 16 decimals.
        assert_allclose(plan.expected_feeds([rate])[0], mean, rtol=1e-12, atol=1e-14 / rate)
    assert 1 - feed_by_feed(plan, good)[0] <= producer
    assert feed_by_feed(plan, bad)[0] <= consumer


def lotted(good, bad, producer, consumer, feeds):
    """Whether any test of so many feeds keeps both risks, with lots drawn at its limit.

    Neyman and Pearson 1933: no test at all of so many feeds has more power.
    """
    allowed = int(stats.binom.isf(producer, feeds, good))
    while stats.binom.sf(allowed, feeds, good) > producer:
        allowed += 1
    left = producer - stats.binom.sf(allowed, feeds, good)
    share = left / stats.binom.pmf(allowed, feeds, good)
    fails = stats.binom.sf(allowed, feeds, bad) + share * stats.binom.pmf(allowed, feeds, bad)
    return fails >= 1 - consumer


def least_named(refused):
    return int(
        re.search(r"least maximum that works is ([\d,]+) feeds$", refused)[1].replace(",", "")
    )


def test_the_least_maximum_for_misses():
    # Below it not even lots drawn at the limit would help.
    too_few = 103_131
    assert not lotted(3e-5, 1e-4, 0.05, 0.10, too_few)
    assert lotted(3e-5, 1e-4, 0.05, 0.10, too_few + 1)
    with pytest.raises(PlanError, match="no sequential plan of at most 103,131 feeds") as refused:
        sequential_plan(MISSES, too_few)
    least = least_named(str(refused.value))
    assert too_few < least <= 1.001 * too_few
    passes = sequential_plan(MISSES, least).accept([3e-5, 1e-4])
    assert passes[0] >= 0.95 and passes[1] <= 0.10


@pytest.mark.parametrize(
    "good, bad, too_few",
    [
        (1e-6, 1e-5, 1),
        (0.01, 0.05, 100),
        (0.1, 0.5, 5),
        (0.2, 0.5, 12),
        (0.05, 0.2, 30),
    ],
)
def test_a_maximum_too_small_is_refused_with_the_least_that_works(good, bad, too_few):
    asked = Asked(good, bad)
    with pytest.raises(PlanError, match="the least maximum that works is") as refused:
        sequential_plan(asked, too_few)
    assert f"no sequential plan of at most {too_few:,} feed" in str(refused.value)
    least = least_named(str(refused.value))
    plan = sequential_plan(asked, least)
    assert plan.feeds == least and in_order(plan)
    passes = plan.accept([good, bad])
    assert passes[0] >= 0.95 and passes[1] <= 0.10
    with pytest.raises(PlanError, match=f"works is {least:,} feeds"):
        sequential_plan(asked, least - 1)
    # Not even with lots would a test do that is shorter by one in a hundred; and the single plan
    # always does.
    assert not lotted(good, bad, 0.05, 0.10, int(0.99 * least) - 1)
    assert least <= single_plan(asked).feeds


@pytest.mark.parametrize("good, bad", [(3e-5, 1e-4), (1e-4, 1e-3)])
def test_a_larger_maximum_does_not_lengthen_a_test(good, bad):
    asked = Asked(good, bad)
    single = single_plan(asked).feeds
    worse = []
    for times in (1.02, 1.6, 5):
        plan = sequential_plan(asked, int(times * single))
        mean = plan.expected_feeds([good, bad])
        worse.append(float(max(mean / np.array(bound(good, bad, 0.05, 0.10)))))
    # Whole feeds and faults leave three in a thousand.
    assert all(later <= 1.003 * earlier for earlier, later in zip(worse, worse[1:], strict=False))
    # A cut beyond five single plans changes nothing.
    assert plan == sequential_plan(asked, 50 * single)
    assert sequential_plan(asked) == sequential_plan(asked, 2 * single)


RATES = [(0.1, 0.5), (0.2, 0.5), (0.01, 0.2), (1e-3, 0.5), (0.02, 0.1)]
RATES += [(1e-7, 1e-6), (3e-5, 3e-4), (1e-5, 1e-3), (1e-7, 0.5)]


@given(st.sampled_from(RATES), st.floats(0.03, 0.49), st.floats(0.03, 0.49), st.floats(0.6, 4))
@settings(max_examples=18, derandomize=True, deadline=None)
def test_risks_are_never_exceeded(rates, producer, consumer, times):
    asked = Asked(*rates, producer, consumer)
    most = max(1, int(times * single_plan(asked).feeds))
    try:
        plan = sequential_plan(asked, most)
    except PlanError as refused:
        least = least_named(str(refused))
        assert least > most
        most = least
        plan = sequential_plan(asked, least)
    assert plan.feeds <= most and in_order(plan)
    assert plan.producer_risk <= producer and plan.consumer_risk <= consumer
    if plan.feeds <= 300:
        assert 1 - feed_by_feed(plan, rates[0])[0] <= producer * (1 + 1e-9)
        assert feed_by_feed(plan, rates[1])[0] <= consumer * (1 + 1e-9)
    good, bad = rates
    passes = plan.accept(np.geomspace(good / 3, min(3 * bad, 0.9), 40))
    assert np.all(np.diff(passes) <= 1e-12) and passes.max() <= 1 + 1e-12
    mean = plan.expected_feeds([good, bad])
    assert np.all(mean >= np.array(plan.least_expected_feeds()) * (1 - 1e-9))
    assert np.all(mean <= plan.feeds * (1 + 1e-9))
