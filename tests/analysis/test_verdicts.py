import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from analysis.ratios import ratio
from analysis.settling import expected_to_settle, faults_needed, feeds_to_settle
from analysis.verdicts import VERDICTS, Case, compare, verdict
from tests.slow.comparison import exact_shares, false_share, simulated_shares

MISSES = 3e-5


def test_the_four_verdicts():
    low = [1.2, 1.2, 0.6, 0.6, 0.6, 1.0, 1.2]
    high = [2.0, 1.4, 0.9, 1.4, 1.5, 2.0, 1.5]
    expected = ["worse", "as good", "better", "as good", "too few feeds", "too few feeds", "worse"]
    assert verdict(low, high, 0.01).tolist() == expected
    # Among several, better by itself is as good, and worse by itself an open question.
    expected = ["too few feeds", "as good", "as good", "as good"] + ["too few feeds"] * 3
    assert verdict(low, high, 0.06).tolist() == expected
    assert verdict(low, high, 0.01, margin=2.5).tolist()[0] == "as good"


def test_one_burn_in():
    (found,) = compare([Case("Tower B", 93, 10**6, "burn-in", 44, 10**6)])
    alone = ratio(93, 10**6, 44, 10**6)
    assert (found.ratio_low, found.ratio_high, found.p_value) == (
        alone.low,
        alone.high,
        alone.p_value,
    )
    assert found.verdict == "worse" and found.p_adjusted == found.p_value
    assert found.feeds_to_settle == 0
    assert found.sentence().startswith(
        "Tower B feeds 2.1 times the faults of its burn-in (1.5 to 3.1). Worse: 0.93 against 0.44"
    )


def test_one_alone_needs_no_adjusted_p():
    case = Case("T", 17, 10**5, "burn-in", 7, 10**5)
    (alone,) = compare([case], confidence=0.9)
    assert 0.05 < alone.p_value < 0.1 and alone.verdict == "worse"
    both = compare([case, case], confidence=0.9)
    assert [one.verdict for one in both] == ["too few feeds"] * 2
    assert "by itself worse, but of 2 compared" in both[0].sentence()


def test_standard_and_burn_in_are_adjusted_together():
    cases = [
        Case("Tower A", 40, 10**6, "standard", benchmark_rate=MISSES),
        Case("Tower B", 93, 10**6, "burn-in", 44, 10**6),
        Case("Tower C", 10, 10**6, "settled", 44, 10**6),
    ]
    found = compare(cases, kind="misses")
    p = [one.p_value for one in found]
    assert_allclose([one.p_adjusted for one in found], stats.false_discovery_control(p))
    assert [one.benchmark for one in found] == ["standard", "burn-in", "settled"]
    assert_allclose(found[0].ratio, 40 / 30)
    assert found[2].verdict == "better"
    assert "the misses of its settled period" in found[2].sentence()
    assert compare([]) == ()


def test_slightly_higher_inside_the_margin():
    (found,) = compare([Case("Tower A", 1200, 2 * 10**7, "settled", 1000, 2 * 10**7)])
    assert found.verdict == "as good" and found.ratio_low > 1
    assert "slightly higher, inside the margin of 1.5 times" in found.sentence()
    (found,) = compare([Case("Tower A", 1000, 2 * 10**7, "settled", 1000, 2 * 10**7)])
    assert found.verdict == "as good" and "higher" not in found.sentence()


def test_a_burn_in_of_three_faults_settles_nothing():
    for feeds, count in ((60_000, 2), (10**6, 40), (10**9, 40_000)):
        (found,) = compare([Case("Tower B", count, feeds, "burn-in", 3, 75_000)])
        assert found.verdict == "too few feeds"
        assert found.feeds_to_settle is None and found.settling_feeds is None
        assert "no number can settle it: its burn-in holds 3 faults" in found.sentence()
        assert "takes 53 or more" in found.sentence() and found.faults_needed == 53


def test_counts_of_nothing():
    cases = [
        Case("T", 0, 5000, "burn-in", 3, 75_000),
        Case("T", 0, 5000, "burn-in", 0, 75_000),
        Case("T", 1, 5000, "burn-in", 0, 75_000),
        Case("T", 0, 0, "burn-in", 3, 75_000),
        Case("T", 1, 10, "burn-in", 0, 0),
        Case("T", 0, 0, "standard", benchmark_rate=MISSES),
        Case("T", 3, 50_000, "burn-in", 1, 75_000),
        Case("T", 3, 50_000, "burn-in", 1.4, 75_000),
    ]
    found = compare(cases, kind="doubles")
    assert all(one.verdict == "too few feeds" for one in found)
    said = [one.sentence() for one in found]
    assert said[0].startswith("T has no double in 5,000 feeds: at most 37 times the doubles of its")
    assert said[1].startswith("Neither T nor its burn-in has a double.")
    assert "holds no double" in said[1]
    assert said[2].startswith("T has 2.0 doubles per 10,000 feeds, and its burn-in had none")
    assert said[3].startswith("T has no feeds to compare.")
    assert said[4].startswith("There are no feeds in its burn-in to compare T with.")
    assert said[5] == "T has no feeds to compare. Too few feeds to say: log about 1,400,000 more."
    assert "holds 1 double," in said[6] and "holds 1.4 doubles," in said[7]
    # Clopper and Pearson give 3 of 4 as 0.1941 to 0.9937, so 1.5 times its odds: 0.36 to 236.
    assert "(0.36 or more). Too few feeds to say" in said[6]
    assert [one.ratio for one in found[:6]] == [0, None, None, None, None, None]
    assert found[3].rate is None and found[4].benchmark_rate is None
    assert found[2].ratio_high == np.inf


def test_no_fault_beside_a_benchmark_that_bounds_nothing_is_not_held_to_it():
    # None of 3 faults is at most 0.7076 of them: 2.42 times the odds of 75,000 feeds in 500, 363.
    (found,) = compare([Case("T", 0, 500, "burn-in", 3, 75_000)], kind="doubles")
    assert found.sentence().startswith(
        "T has no double in 500 feeds, and its burn-in tells too little to hold them to. "
        "Too few feeds to say"
    )


@pytest.mark.parametrize(
    "arguments, message",
    [
        (("T", 1, 10, "elsewhere"), "benchmark must be one of burn-in, settled, standard"),
        (("T", 1, 10, "standard"), "a standard is a rate"),
        (("T", 1, 10, "standard", 1, 10, 0.1), "a standard is a rate"),
        (("T", 1, 10, "burn-in"), "a burn-in benchmark is a count in feeds"),
        (("T", 1, 10, "settled", 1, 10, 0.1), "a settled benchmark is a count in feeds"),
    ],
)
def test_cases_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        Case(*arguments)


def test_refusals():
    with pytest.raises(ValueError, match="20 faults in 15 feeds"):
        compare([Case("T", 20, 15, "burn-in", 1, 10)])
    for function in (compare, lambda cases, margin: feeds_to_settle(0, 0, 9, 10, margin=margin)):
        with pytest.raises(ValueError, match="margin must be above 1"):
            function([Case("T", 1, 15, "burn-in", 1, 10)], margin=1.0)


def _standard_power(expected):
    """Chance of *as good* (or better) at a ratio of 1, and of *worse* at 2, by summing Poisson."""
    counts = np.arange(400)
    low = np.where(counts > 0, stats.gamma.ppf(0.025, np.maximum(counts, 1)), 0)
    high = stats.gamma.isf(0.025, counts + 1)
    good = stats.poisson.cdf(np.searchsorted(high, 1.5 * expected) - 1, expected)
    enough = (low > expected[:, None]) & (high >= 1.5 * expected[:, None])
    return good, stats.poisson.sf(enough.argmax(axis=1) - 1, 2 * expected)


def test_feeds_against_a_standard():
    # Methods: 42 expected faults for as good and 12.5 for worse. The chance goes up in teeth: by
    # exact sums it first reaches 80 % at 40.2 and 11.3 and stays above from 43.2 and 12.4 on.
    grid = np.arange(1, 80, 0.01)
    good, worse = _standard_power(grid)
    first = [grid[(chance >= 0.8).argmax()] for chance in (good, worse)]
    last = [grid[len(grid) - (chance[::-1] < 0.8).argmax()] for chance in (good, worse)]
    assert_allclose(first, (40.15, 11.27), rtol=0, atol=0.02)
    assert_allclose(last, (43.19, 12.37), rtol=0, atol=0.02)
    planned = expected_to_settle()
    # In the middle of the teeth 42 is reproduced, 12.5 is not: that is the end of the last tooth.
    assert_allclose(planned, (41.9, 11.8), rtol=0, atol=0.05)
    # Independently: the exact chances smoothed over a width of several teeth reach 80 % there.
    for chance, width, found in zip((good, worse), (300, 300), planned, strict=True):
        smooth = np.convolve(chance, np.ones(width) / width, "same")
        assert_allclose(grid[(smooth >= 0.8).argmax()], found, rtol=0, atol=0.1)
    feeds, more = feeds_to_settle(0, 0, 0, 0, MISSES)
    assert_allclose((feeds * MISSES, more * MISSES), planned[0], rtol=1e-9)


def _burn_in_power(held, expected, times):
    """Chances as above against a burn-in of `held` faults, by summing over its true rate."""
    # The gamma distribution of the burn-in's true expected faults, in equally likely slices.
    rates = stats.gamma.ppf((np.arange(400) + 0.5) / 400, held + 0.5)
    counts = np.arange(int(expected * 4) + 60)
    found = ratio(counts, 1e6 * times, held, 1e6)
    good = stats.poisson.pmf(counts, times * rates[:, None]).mean(axis=0)
    worse = stats.poisson.pmf(counts, 2 * times * rates[:, None]).mean(axis=0)
    return (
        good[found.high < 1.5].sum(),
        worse[(found.low > 1) & (found.high >= 1.5)].sum(),
    )


@pytest.mark.parametrize("held", [80, 120, 500])
def test_feeds_against_a_burn_in(held):
    planned, more = feeds_to_settle(0, 0, held, 10**6)
    assert_allclose(planned, more)
    times = planned.item() / 10**6
    # Half a tooth either way, and what 400 slices of the rate keep.
    nearby = [
        _burn_in_power(held, held * times * k, times * k) for k in (0.98, 0.99, 1, 1.01, 1.02)
    ]
    good, worse = np.mean(nearby, axis=0)
    assert_allclose(min(good, worse), 0.8, rtol=0, atol=0.012)
    assert worse >= 0.79 and good >= 0.79


def test_burn_ins_too_short_to_settle_anything():
    # Methods: 58 and 13 expected faults of the burn-in however long production runs. That is before
    # it is run, with its count still uncertain: the first whole numbers to reach 80 % by sums over
    # its count, when production tells its rate exactly.
    counts = np.arange(1, 400)
    low, high = stats.gamma.ppf(0.025, counts), stats.gamma.isf(0.025, counts + 1)
    expected = np.arange(1, 100)
    good = [stats.poisson.pmf(counts, m)[m / low < 1.5].sum() for m in expected]
    worse = [stats.poisson.pmf(counts, m)[2 * m / high > 1].sum() for m in expected]
    assert [expected[np.argmax(np.array(chance) >= 0.8)] for chance in (good, worse)] == [58, 13]
    # Once it is run its count is known and its rate is not: 53 faults, and 16 for worse alone.
    good = stats.gamma.cdf(1.5 * low, counts + 0.5)
    worse = stats.gamma.sf(high / 2, counts + 0.5)
    assert [counts[(chance >= 0.8).argmax()] for chance in (good, worse)] == [53, 16]
    assert faults_needed() == 53
    planned, _ = feeds_to_settle(0, 0, [3, 52, 54, 80, 1000], 10**6)
    assert np.isnan(planned).tolist() == [True, True, False, False, False]
    assert np.all(np.diff(planned[2:]) < 0)


def test_feeds_still_needed():
    planned, more = feeds_to_settle([6, 60], [200_000, 2_000_000], 0, 0, MISSES)
    assert_allclose(planned[0] - more[0], 200_000)
    # Twice the faults of what may be as good: with those counted, it takes longer.
    _, late = feeds_to_settle([75, 85], 1_500_000, 0, 0, MISSES)
    assert 0 < late[0] < late[1]
    # From there on 80 %: the faults still to come are Poisson, the verdict that of all of them.
    total = (1_500_000 + late[0]) * MISSES
    to_come = np.arange(300)
    settled = stats.gamma.isf(0.025, 75 + to_come + 1) < 1.5 * total
    chances = stats.poisson.pmf(to_come, late[0] * MISSES)
    assert abs(chances[settled].sum() - 0.8) < 0.03


def test_clusters_take_more_feeds():
    plain, _ = feeds_to_settle(20, 500_000, 0, 0, MISSES)
    wide, _ = feeds_to_settle(20, 500_000, 0, 0, MISSES, relative_variance=0.05)
    # phi = 1 + r (1 + 5 r) (x + 2) for the upper end, which as good is a matter of.
    assert_allclose(wide / plain, 1 + 0.05 * 1.25 * 22)
    # Sixty faults of four runs that differ by 100 % say as much as four.
    cases = [Case("T", 75, 10**6, "burn-in", 60, 10**6, benchmark_relative_variance=0.25)]
    (found,) = compare(cases)
    assert found.feeds_to_settle is None and found.faults_needed is None
    assert "holds 60 faults, in too few runs for how much runs may differ" in found.sentence()
    cases = [Case("T", 75, 10**6, "burn-in", 60, 10**6, benchmark_relative_variance=0.005)]
    (found,) = compare(cases)
    assert found.feeds_to_settle is None and found.faults_needed == 73


CASES = st.tuples(
    st.integers(0, 60), st.integers(100, 10**6), st.integers(0, 90), st.integers(100, 10**6)
)


# A call takes a third of a second, for one case or for many: so few examples, with many in most.
@settings(max_examples=10, deadline=None)
@given(
    st.lists(CASES, min_size=12, max_size=40) | st.lists(CASES, min_size=1, max_size=3),
    st.floats(1.05, 3),
)
def test_verdicts_follow_from_what_is_shown(rows, margin):
    cases = [Case(f"T{i}", *row[:2], "burn-in", *row[2:]) for i, row in enumerate(rows)]
    for one in compare(cases, margin=margin):
        assert one.verdict in VERDICTS
        assert (one.feeds_to_settle == 0) >= (one.verdict != "too few feeds")
        assert one.p_adjusted >= one.p_value
        if one.verdict == "worse":
            assert one.ratio_low > 1 and one.ratio_high >= margin and one.p_adjusted <= 0.05
        if one.verdict == "better":
            assert one.ratio_high < 1 and one.p_adjusted <= 0.05
        if one.verdict == "as good":
            assert one.ratio_high < margin
        if one.verdict == "too few feeds":
            assert one.ratio_high >= margin
            assert one.feeds_to_settle is None or one.feeds_to_settle > 0
        assert one.sentence().startswith(("T", "Neither T")) and one.sentence().endswith(".")
        assert not any(word in one.sentence() for word in ("nan", "None", "inf ", "p ="))


@settings(max_examples=10, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(54, 2000), st.integers(1, 400)), min_size=12, max_size=40, unique=True
    ),
    st.floats(1.1, 2),
)
def test_a_longer_burn_in_never_takes_more_feeds(burn_ins, margin):
    # At the same rate; and where a number can settle it with fewer faults, it can with more.
    held, more = np.transpose(burn_ins)
    both = np.array([held, held + more]).ravel()
    short, long = feeds_to_settle(0, 0, both, 1e4 * both, margin=margin)[0].reshape(2, -1)
    assert np.all(np.isnan(short) | (long <= short * (1 + 1e-9)))


@pytest.mark.parametrize("planted", [0.5, 1, 2, 3])
@pytest.mark.parametrize("burn_in, times", [(30, 3), (100, 10)])
def test_planted_ratios_are_found_as_often_as_they_can_be(burn_in, times, planted):
    # 2,000 simulated comparisons beside the exact chances, and wrong in at most 2.5 % each.
    comparisons = 2000
    found = simulated_shares(burn_in, times, planted, comparisons=comparisons, seed=burn_in)
    exact = exact_shares(burn_in, times, planted)
    for name in VERDICTS:
        error = np.sqrt(max(exact[name] * (1 - exact[name]), 1e-4) / comparisons)
        assert abs(found[name] - exact[name]) <= 3 * error
    if planted <= 1:
        assert exact["worse"] <= 0.025
    if planted >= 1:
        assert exact["better"] <= 0.025


def test_exact_chances_against_the_fast_ones():
    # The simulations go through ratio and verdict; compare must say the same, one by one and, as
    # `false_share` has them, many at once.
    rng = np.random.default_rng(5)
    x1, x2 = rng.poisson(90, 60), rng.poisson(30, 60)
    cases = [
        Case("T", int(a), 1_800_000, "burn-in", int(b), 600_000)
        for a, b in zip(x1, x2, strict=True)
    ]
    fast = ratio(x1, 1_800_000, x2, 600_000)
    alone = verdict(fast.low, fast.high, fast.p_value)
    assert len(set(alone[:10].tolist())) > 1
    for case, said in zip(cases[:10], alone, strict=False):
        (found,) = compare([case])
        assert found.verdict == str(said)
    together = verdict(fast.low, fast.high, stats.false_discovery_control(fast.p_value))
    assert [found.verdict for found in compare(cases)] == together.tolist()


@pytest.mark.parametrize("changed, planted, towers", [(0, 1.0, 0), (6, 3.0, 0), (6, 2.0, 6)])
def test_sixty_at_once(changed, planted, towers):
    # The mean share of false finds is at most the 5 % asked, within 3 standard errors.
    ratios = np.r_[np.full(changed, planted), np.ones(60 - changed)]
    share, error, _ = false_share(ratios, families=300, seed=changed, towers=towers)
    assert share <= 0.05 + 3 * error
