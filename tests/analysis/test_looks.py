import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from analysis.looks import (
    Screened,
    bound_at_look,
    chance_to_pass,
    expected_more,
    looks,
    none_reaches,
)
from analysis.plans import Asked, single_plan, success_run
from analysis.screens import each_risk, failing_counts
from analysis.sequential import sequential_plan
from tests.slow.acceptance_plans import judged, passed_with_screens

SMALL = Asked(0.02, 0.1)
ALONE = single_plan(SMALL)
BAND = sequential_plan(SMALL)
MISSES = sequential_plan(Asked(3e-5, 1e-4, 0.02), 300_000)


def at_run_ends(checks, rate, start=(0, 0)):
    """Chance to fail and to pass at each check, and of going on: binomial counts, run by run."""
    feeds, going = start[0], {start[1]: 1.0}
    failed, passed = [], []
    for check in checks:
        moved = {}
        step = check.feeds - feeds
        chances = stats.binom.pmf(np.arange(step + 1), step, rate) if step else [1.0]
        for count, chance in going.items():
            for more, share in enumerate(chances):
                if share > 1e-25:
                    moved[count + more] = moved.get(count + more, 0.0) + chance * share
        failed.append(sum(c for count, c in moved.items() if count >= check.reject))
        passed.append(sum(c for count, c in moved.items() if count <= check.accept))
        going = {x: c for x, c in moved.items() if check.accept < x < check.reject}
        feeds = check.feeds
    return np.array(failed), np.array(passed), going


def spent_feed_by_feed(plan, rate):
    """Chance to have failed, and to have passed, by each feed of a plan that is watched."""
    going = {0: 1.0}
    failed, passed = np.zeros(plan.feeds + 1), np.zeros(plan.feeds + 1)
    for feed in range(1, plan.feeds + 1):
        moved = {}
        for count, chance in going.items():
            moved[count] = moved.get(count, 0.0) + chance * (1 - rate)
            moved[count + 1] = moved.get(count + 1, 0.0) + chance * rate
        going = {}
        failed[feed], passed[feed] = failed[feed - 1], passed[feed - 1]
        for count, chance in moved.items():
            if feed < plan.reject_before[count]:
                failed[feed] += chance
            elif plan.accept_at[count] is not None and feed >= plan.accept_at[count]:
                passed[feed] += chance
            else:
                going[count] = chance
    return failed, passed


FAILED, _ = spent_feed_by_feed(BAND, SMALL.good)
_, PASSED = spent_feed_by_feed(BAND, SMALL.bad)


def run_sizes(most):
    return st.lists(st.integers(1, most), min_size=1, max_size=12)


@given(run_sizes(60))
@settings(max_examples=60, derandomize=True, deadline=None)
def test_risks_are_never_exceeded_wherever_runs_end(sizes):
    feeds = np.cumsum(sizes).tolist()
    for plan in (ALONE, BAND):
        test = looks(plan, feeds, further=23)
        failed, _, going = at_run_ends(test.checks, SMALL.good)
        _, passed, _ = at_run_ends(test.checks, SMALL.bad)
        assert_allclose(test.risks, (failed.sum(), passed.sum()), rtol=1e-9, atol=1e-14)
        assert failed.sum() <= 0.05 * (1 + 1e-9) and passed.sum() <= 0.10 * (1 + 1e-9)
        # Looks are foreseen until every test has ended.
        assert sum(going.values()) < 1e-15
        assert [check.feeds for check in test.checks[: len(feeds)]] == feeds
        assert test.seen == len(feeds)


@given(run_sizes(50))
@settings(max_examples=60, derandomize=True, deadline=None)
def test_no_more_is_spent_than_by_the_plan_watched_feed_by_feed(sizes):
    feeds = np.cumsum(sizes).tolist()
    test = looks(BAND, feeds)
    failed, _, _ = at_run_ends(test.checks, SMALL.good)
    _, passed, _ = at_run_ends(test.checks, SMALL.bad)
    until = np.minimum(feeds, BAND.feeds)
    fail_most = np.where(np.array(feeds) >= BAND.feeds, 0.05, FAILED[until])
    pass_most = np.where(np.array(feeds) >= BAND.feeds, 0.10, PASSED[until])
    assert np.all(np.cumsum(failed) <= fail_most * (1 + 1e-9) + 1e-15)
    assert np.all(np.cumsum(passed) <= pass_most * (1 + 1e-9) + 1e-15)
    # And as much as can be: while the test goes on, one count more would be too much.
    for number, check in enumerate(test.checks):
        if check.accept >= check.reject - 1:
            break
        before = test.checks[:number]
        kinder = [*before, check._replace(accept=check.accept + 1)]
        stricter = [*before, check._replace(reject=check.reject - 1)]
        more_failed = at_run_ends(stricter, SMALL.good)[0].sum()
        more_passed = at_run_ends(kinder, SMALL.bad)[1].sum()
        assert more_failed > fail_most[number] * (1 - 1e-9)
        assert more_passed > pass_most[number] * (1 - 1e-9)


@given(st.lists(st.integers(1_000, 90_000), min_size=1, max_size=15))
@settings(max_examples=25, derandomize=True, deadline=None)
def test_risks_are_never_exceeded_at_rates_of_good_towers(sizes):
    feeds = np.cumsum(sizes).tolist()
    test = looks(MISSES, feeds, further=25_000)
    producer, consumer = test.risks
    assert producer <= 0.02 * (1 + 1e-9) and consumer <= 0.10 * (1 + 1e-9)
    assert test.checks[-1].accept == test.checks[-1].reject - 1


@given(run_sizes(60), st.integers(1, 12), st.lists(st.integers(1, 60), max_size=4))
@settings(max_examples=50, derandomize=True, deadline=None)
def test_what_is_decided_at_a_look_depends_on_no_later_one(sizes, number, others):
    feeds = np.cumsum(sizes).tolist()
    number = min(number, len(feeds))
    other = [*feeds[:number], *(feeds[number - 1] + np.cumsum(others)).tolist()]
    for plan in (ALONE, BAND):
        first = looks(plan, feeds[:number]).checks
        assert first == looks(plan, feeds).checks[:number]
        assert first == looks(plan, other).checks[:number]
        assert first == looks(plan, feeds[:number], further=17).checks[:number]


@pytest.mark.parametrize("rates", [(3e-5, 1e-4), (0.01, 0.05), (0.2, 0.4)])
def test_a_single_plan_at_its_own_end_is_itself(rates):
    plan = single_plan(Asked(*rates))
    (only,) = looks(plan, [plan.feeds]).checks
    assert only == (plan.feeds, plan.allowed, plan.allowed + 1)
    # Nothing is decided before it, so looks before it change nothing.
    test = looks(plan, [plan.feeds // 3, plan.feeds // 2, plan.feeds - 1, plan.feeds])
    assert test.checks[-1] == only
    for check in test.checks[:-1]:
        assert check.accept == -1
        assert stats.binom.sf(check.reject - 1, check.feeds, rates[0]) < 1e-20
    assert_allclose(test.risks, (plan.producer_risk, plan.consumer_risk), rtol=1e-9)


def test_a_single_plan_that_ran_on_is_judged_with_what_is_known_then():
    plan = single_plan(SMALL)
    (only,) = looks(plan, [2 * plan.feeds]).checks
    ratio = [
        max(
            stats.binom.sf(c, 2 * plan.feeds, 0.02) / 0.05,
            stats.binom.cdf(c, 2 * plan.feeds, 0.1) / 0.10,
        )
        for c in range(30)
    ]
    assert only.accept == int(np.argmin(ratio)) and only.reject == only.accept + 1


def test_every_feed_a_look_is_nearly_the_plan_itself():
    # Seen after each feed, as much is known as the plan knows.
    test = looks(BAND, list(range(1, BAND.feeds + 1)))
    assert_allclose(test.risks, (BAND.producer_risk, BAND.consumer_risk), rtol=2e-2)
    for check in test.checks[:-1]:
        few = sum(at <= check.feeds for at in BAND.accept_at[:-1]) - 1
        assert check.accept in (few, few - 1, few + 1)


def test_who_looks_again_after_the_end_finds_it_ended():
    far = [5 * ALONE.feeds, 6 * ALONE.feeds]
    test = looks(ALONE, far)
    assert test.checks[1].accept == test.checks[1].reject - 1
    assert_allclose(test.risks, looks(ALONE, far[:1]).risks, rtol=1e-12)


def test_no_run_yet():
    assert looks(BAND, []).checks == () and looks(BAND, []).seen == 0
    test = looks(BAND, [], further=30)
    assert test.seen == 0 and test.checks[0].feeds == 30
    assert test.checks == looks(BAND, [30], further=30).checks


def test_a_plan_without_a_good_rate_cannot_be_judged_by():
    with pytest.raises(ValueError, match="give both rates"):
        looks(success_run(0.05), [100])


@pytest.mark.parametrize("plan", [ALONE, BAND])
@pytest.mark.parametrize("rate", [SMALL.good, SMALL.bad])
def test_judged_at_run_ends_by_simulation(plan, rate):
    test = looks(plan, [11, 30, 52, 57, 81, 120], further=31)
    passed, _ = judged(test, rate, tests=20_000, seed=3)
    producer, consumer = test.risks
    chance = 1 - producer if rate == SMALL.good else consumer
    assert abs(passed.mean() - chance) <= 3 * math.sqrt(chance * (1 - chance) / 20_000)


@pytest.mark.parametrize("rate", [3e-5, 1e-4])
def test_judged_at_uneven_run_ends_by_simulation(rate):
    feeds = np.cumsum([12_000, 40_000, 3_000, 25_000, 60_000]).tolist()
    test = looks(MISSES, feeds, further=20_000)
    passed, ended = judged(test, rate, tests=20_000, seed=4)
    producer, consumer = test.risks
    chance = 1 - producer if rate == 3e-5 else consumer
    assert abs(passed.mean() - chance) <= 3 * math.sqrt(chance * (1 - chance) / 20_000)
    none = looks(MISSES, [], further=20_000)
    passed, ended = judged(none, rate, tests=20_000, seed=6)
    mean = expected_more(none, 0, rate)
    assert abs(ended.mean() - mean) <= 3 * ended.std() / math.sqrt(20_000)


@pytest.mark.parametrize("plan", [ALONE, BAND])
@pytest.mark.parametrize("rate", [0.01, 0.02, 0.05, 0.1])
def test_feeds_still_expected_run_by_run(plan, rate):
    test = looks(plan, [13, 28, 40], further=19)
    last = test.checks[2]
    for count in range(max(last.accept + 1, 0), min(last.reject, 8)):
        failed, passed, _ = at_run_ends(test.checks[3:], rate, start=(40, count))
        ahead = np.array([check.feeds - 40 for check in test.checks[3:]])
        exact = float(ahead @ (failed + passed))
        assert expected_more(test, count, rate) == pytest.approx(exact, rel=1e-9)


# No cell reaches its limit --------------------------------------------------------------------


def all_ways(total, cells):
    """All counts of so many cells with a sum."""
    for bars in itertools.combinations(range(total + cells - 1), cells - 1):
        edges = (-1, *bars, total + cells - 1)
        yield [b - a - 1 for a, b in itertools.pairwise(edges)]


@given(
    st.lists(st.integers(0, 5), min_size=2, max_size=4),
    st.lists(st.integers(1, 6), min_size=4, max_size=4),
    st.integers(0, 8),
)
@settings(max_examples=60, derandomize=True, deadline=None)
def test_none_reaches_by_enumeration(weights, limits, most):
    assume(sum(weights) > 0)
    share = np.array(weights) / sum(weights)
    limit = np.array(limits[: len(share)])
    found = none_reaches(most, share, limit)
    for total in range(most + 1):
        exact = sum(
            stats.multinomial.pmf(way, total, share)
            for way in all_ways(total, len(share))
            # A cell without a share is never reached.
            if all(x < top for x, top in zip(way, limit, strict=True))
        )
        assert found[total] == pytest.approx(exact, rel=1e-9, abs=1e-13)


def test_three_of_three_in_one_of_ten():
    found = none_reaches(3, np.full(10, 0.1), np.full(10, 3))
    assert_allclose(1 - found, [0, 0, 0, 0.01], rtol=0, atol=1e-14)
    # Two of so many in one of 365: the birthdays of 23 (value from memory: .4927 that none share).
    birthdays = none_reaches(23, np.full(365, 1 / 365), np.full(365, 2))
    assert round(float(birthdays[23]), 4) == 0.4927


def test_none_reaches_with_many_faults():
    # Two cells are one binomial count: digits last to hundreds of faults.
    share, limits = np.array([0.3, 0.7]), np.array([80, 190])
    found = none_reaches(250, share, limits)
    for total in (0, 79, 100, 200, 250):
        exact = stats.binom.cdf(79, total, 0.3) - stats.binom.cdf(total - 190, total, 0.3)
        assert found[total] == pytest.approx(exact, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("total", [1_000, 1_600, 4_000])
def test_none_reaches_with_thousands_of_faults(total):
    share = np.array([0.3, 0.7])
    limits = np.array([int(0.31 * total), int(0.72 * total)])
    found = none_reaches(total, share, limits)
    totals = np.arange(total + 1)
    exact = stats.binom.cdf(limits[0] - 1, totals, 0.3)
    exact -= stats.binom.cdf(totals - limits[1], totals, 0.3)
    assert_allclose(found, exact, rtol=0, atol=1e-10)


# Both kinds and the screens -------------------------------------------------------------------

KINDS = ((0.002, 0.008), (0.001, 0.004))


def tower(sizes, shares, off=()):
    """Two kinds with looks at the ends of runs; the second is not watched for in some."""
    out = []
    for number, (good, bad) in enumerate(KINDS):
        plan = sequential_plan(Asked(good, bad, 0.02))
        seen = [0 if number and run in off else size for run, size in enumerate(sizes)]
        feeds = np.cumsum(seen)
        places = sorted({int(x) for x in feeds if x})
        fails = failing_counts(feeds[:, None] * shares, good, each_risk(0.2, 2 * len(shares)))
        shared = np.tile(shares, (len(feeds), 1))
        out.append(Screened(looks(plan, places), feeds, shared, fails))
    return out


@pytest.mark.parametrize("rates", [(0.002, 0.001), (0.008, 0.001), (0.002, 0.004)])
@pytest.mark.parametrize(
    "shares, off",
    [
        (np.full(10, 0.1), ()),
        (np.array([0.04, 0.06, 0.1, 0.2, 0.3, 0.3]), (0, 3, 4)),
    ],
)
def test_chance_to_pass_by_simulation(rates, shares, off):
    kinds = tower([700, 300, 500, 900, 400, 600, 800, 1_000] + 5 * [700], shares, off)
    chance = chance_to_pass(kinds, rates)
    found = passed_with_screens(kinds, rates, tests=20_000, seed=8)
    assert abs(found.mean() - chance) <= 3 * math.sqrt(chance * (1 - chance) / 20_000)


def test_chance_to_pass_without_screens_is_that_of_the_plans():
    kinds = tower(10 * [600], np.full(10, 0.1))
    never = [
        Screened(kind.test, kind.feeds, kind.shares, np.full_like(kind.fails_at, 10**6))
        for kind in kinds
    ]
    alone = [
        at_run_ends(kind.test.checks, rate)[1].sum()
        for kind, rate in zip(kinds, (0.002, 0.001), strict=True)
    ]
    assert chance_to_pass(never, (0.002, 0.001)) == pytest.approx(math.prod(alone), rel=1e-9)
    # A screen that fails at the first fault lets pass only who has none at the end.
    assert chance_to_pass(kinds, (0.002, 0.001)) < math.prod(alone)


def test_the_bound_at_a_look_by_enumeration():
    """Every path of counts over three small looks, at the bound: as good as seen in 5 of 100."""
    plan = sequential_plan(Asked(0.02, 0.2), 60)
    test = looks(plan, [10, 20, 30], 10)
    for look, count in ((0, 0), (1, 1), (2, 2), (2, 0)):
        bound = bound_at_look(test, look, count, 0.95)
        good = 0.0
        for path in itertools.product(range(11), repeat=look + 1):
            chance, total, ended = 1.0, 0, False
            for place, more in enumerate(path):
                chance *= stats.binom.pmf(more, 10, bound)
                total += more
                check = test.checks[place]
                if place < look and (total <= check.accept or total >= check.reject):
                    # What comes after the end does not count: take one path for all of them.
                    ended = True
                    if total <= check.accept and not any(path[place + 1 :]):
                        good += chance
                    break
            if not ended and total <= count:
                good += chance
        assert good == pytest.approx(0.05, rel=1e-8)
