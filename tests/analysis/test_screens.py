import itertools
import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize, stats

from analysis.screens import (
    crowding,
    each_risk,
    failing_counts,
    failing_counts_at,
    or_more,
    seen_ratio,
)


def all_ways(total, cells):
    """All counts of so many cells with a sum."""
    for bars in itertools.combinations(range(total + cells - 1), cells - 1):
        edges = (-1, *bars, total + cells - 1)
        yield [b - a - 1 for a, b in itertools.pairwise(edges)]


def test_each_risk_is_sidaks():
    # Sidak 1967: together the screens have the risk, when each is independent of the others.
    for risk, number in ((0.05, 20), (0.01, 20), (0.3, 3), (1e-9, 7)):
        assert_allclose(
            -math.expm1(number * math.log1p(-each_risk(risk, number))), risk, rtol=1e-12
        )
    assert_allclose(each_risk(0.05, 20), 1 - 0.95 ** (1 / 20), rtol=1e-13)
    assert each_risk(0.05, 1) == pytest.approx(0.05, rel=1e-14)


@pytest.mark.parametrize("rate", [1e-7, 3e-5, 0.01, 0.5])
@pytest.mark.parametrize("feeds", [1, 10, 7_500, 10**6])
def test_or_more_against_scipy(rate, feeds):
    top = int(feeds * rate + 8 * math.sqrt(feeds * rate)) + 3
    counts = np.unique(np.linspace(0, min(top, feeds), 9).astype(int))
    exact = stats.binom.sf(counts - 1, feeds, rate)
    assert_allclose(or_more(counts, feeds, rate), exact, rtol=1e-9)


def test_or_more_at_the_edges():
    assert or_more([-1, 0, 1, 5, 6], [5, 0, 0, 5, 5], 0.1).tolist()[:3] == [1, 1, 0]
    assert_allclose(or_more([5, 6], 5, 0.1), [1e-5, 0], rtol=1e-12)


def test_what_a_screen_sees_in_a_customary_burn_in():
    # 7,500 cycles, 5 % over 20 screens: three faults, and 80 % only at 19 and at 38 times the good
    # rate (computed when the method was laid down).
    risk = each_risk(0.05, 20)
    for rate, times in ((3e-5, 19), (1.5e-5, 38)):
        assert failing_counts(7_500, rate, risk) == 3
        assert round(float(seen_ratio(3, 7_500, rate))) == times


@pytest.mark.parametrize("rate", [1e-7, 1.5e-5, 3e-5, 1e-3, 0.05])
@pytest.mark.parametrize("risk", [1e-6, 5e-4, 0.0026, 0.05, 0.4])
def test_failing_counts_are_the_least(rate, risk):
    feeds = np.array([1, 2, 50, 1_000, 7_500, 40_000])
    counts = failing_counts(feeds, rate, risk)
    assert np.all(stats.binom.sf(counts - 1, feeds, rate) <= risk)
    # One fault fewer comes too often; with one fault there is none fewer that could fail.
    fewer = stats.binom.sf(counts - 2, feeds, rate)
    assert np.all((fewer > risk) | (counts == 1))
    assert failing_counts(0, rate, risk) == 1


@pytest.mark.parametrize("rate", [1e-7, 1.5e-5, 3e-5, 0.01])
@pytest.mark.parametrize("count, feeds", [(1, 100), (2, 7_500), (3, 7_500), (5, 40_000), (8, 8)])
def test_seen_ratio_by_root_finding(rate, count, feeds):
    needed = optimize.brentq(
        lambda p: stats.binom.sf(count - 1, feeds, p) - 0.8, 1e-9, 1 - 1e-9, xtol=1e-15, rtol=1e-13
    )
    assert_allclose(seen_ratio(count, feeds, rate), needed / rate, rtol=1e-8)


def test_seen_ratio_where_no_rate_would_do():
    assert seen_ratio([1, 3, 3], [0, 2, 3], 1e-3)[:2].tolist() == [np.inf, np.inf]
    assert_allclose(seen_ratio([3], [3], 1e-3), [0.8 ** (1 / 3) / 1e-3], rtol=1e-12)


def test_three_of_three_in_one_of_ten():
    place, chance = crowding([0, 0, 0, 0, 3, 0, 0, 0, 0, 0], [0.1] * 10)
    # Ten bins, each with .1^3.
    assert place == 4 and chance == pytest.approx(10 * 0.1**3, rel=1e-12)
    # Two of two: the second falls where the first did.
    assert crowding([2, 0, 0, 0], [0.25] * 4) == (0, pytest.approx(0.25, rel=1e-12))
    assert crowding([0, 1, 0, 0], [0.25] * 4)[1] == pytest.approx(1, rel=1e-12)


def test_crowding_of_none():
    place, chance = crowding([0, 0, 0], [0.2, 0.3, 0.5])
    assert chance == 1.0 and place in (0, 1, 2)


@pytest.mark.parametrize("counts", [[2, 0, 0], [1, 1, 2], [4, 0, 1], [6, 1, 0, 1], [3, 2, 2, 2, 0]])
def test_crowding_by_enumeration_of_equal_cells(counts):
    # With equal shares it is the multinomial maximum.
    cells, total = len(counts), sum(counts)
    share = [1 / cells] * cells
    ways = all_ways(total, cells)
    exact = sum(stats.multinomial.pmf(way, total, share) for way in ways if max(way) >= max(counts))
    place, chance = crowding(counts, share)
    assert place == int(np.argmax(counts))
    assert chance == pytest.approx(exact, rel=1e-10)


@pytest.mark.parametrize(
    "counts", [[2, 0, 0], [1, 1, 2], [0, 1, 4], [5, 1, 0], [3, 3, 3], [0, 0, 7]]
)
@pytest.mark.parametrize("share", [[0.2, 0.3, 0.5], [0.05, 0.05, 0.9], [0.6, 0.4, 0.0]])
def test_crowding_by_enumeration_of_unequal_cells(counts, share):
    if any(x and not q for x, q in zip(counts, share, strict=True)):
        counts = [*counts[:2], 0]
    total = sum(counts)
    if not total:
        return

    def least(way):
        return min(stats.binom.sf(np.array(way) - 1, total, share))

    seen = least(counts)
    exact = sum(
        stats.multinomial.pmf(way, total, share)
        for way in all_ways(total, 3)
        if least(way) <= seen * (1 + 1e-9)
    )
    place, chance = crowding(counts, share)
    tails = stats.binom.sf(np.array(counts) - 1, total, share)
    assert tails[place] == pytest.approx(seen, rel=1e-9)
    assert chance == pytest.approx(exact, rel=1e-9, abs=1e-14)


@pytest.mark.parametrize("total", [1, 5, 40, 400])
def test_failing_counts_of_cells(total):
    share = np.array([0.05, 0.15, 0.8])
    counts = failing_counts_at(total, share, 0.01)
    assert np.all(stats.binom.sf(counts - 1, total, share) <= 0.01)
    assert np.all((stats.binom.sf(counts - 2, total, share) > 0.01) | (counts == 1))


def test_crowding_of_many_faults_by_simulation():
    rng = np.random.default_rng(2)
    share = np.array([0.02, 0.08, 0.2, 0.3, 0.4])
    counts = [6, 9, 20, 30, 35]
    _, chance = crowding(counts, share)
    drawn = rng.multinomial(100, share, 50_000)
    tails = stats.binom.sf(drawn - 1, 100, share).min(axis=1)
    seen = stats.binom.sf(np.array(counts) - 1, 100, share).min()
    found = float(np.mean(tails <= seen * (1 + 1e-9)))
    assert abs(found - chance) <= 3 * math.sqrt(chance * (1 - chance) / 50_000)
