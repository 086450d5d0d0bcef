"""What is to be expected of a run: levels of bins by a known posterior, and what papers do."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from scipy import integrate, stats

from analysis.monitor import months
from analysis.reference import Reference, Spread, learn, levels
from tests.analysis.test_monitor import FIRST, made

ALONE = np.zeros(1, dtype=np.int64)


# Levels of bins.


def test_levels_are_the_mean_of_a_gamma_posterior():
    faults, expected = np.array([2.0, 30.0, 0.0, 8.0]), np.array([6.0, 18.0, 5.0, 11.0])
    found = levels(
        faults, expected, np.ones(4), np.zeros(4, dtype=np.int64), between_bins=0.09, variance=0.0
    )
    center = 40 / 40
    for x, m, level, squared_cv in zip(
        faults, expected, found.level, found.squared_cv, strict=True
    ):
        told = stats.gamma(1 / 0.09 + x, scale=1 / (1 / 0.09 / center + m))
        np.testing.assert_allclose(level, told.mean())
        np.testing.assert_allclose(squared_cv, told.var() / told.mean() ** 2)


def test_the_posterior_is_that_of_a_prior_around_the_ratio_of_the_tower():
    # By quadrature: gamma prior times the chance of the count.
    faults, expected, between = np.array([3.0, 21.0]), np.array([4.0, 6.0]), 0.2
    center = 24 / 10
    found = levels(
        faults, expected, np.ones(2), np.zeros(2, dtype=np.int64), between_bins=between, variance=0
    )
    prior = stats.gamma(1 / between, scale=center * between)
    for place in range(2):

        def weight(level, power, place=place):
            chance = stats.poisson.pmf(faults[place], level * expected[place])
            return level**power * prior.pdf(level) * chance

        whole, mean, square = (integrate.quad(weight, 0, 30, args=(n,))[0] for n in range(3))
        np.testing.assert_allclose(found.level[place], mean / whole, rtol=1e-6)
        cv = (square / whole) / (mean / whole) ** 2 - 1
        np.testing.assert_allclose(found.squared_cv[place], cv, rtol=1e-5)


def test_bins_that_are_alike_have_the_level_of_their_tower():
    faults, expected = np.array([1.0, 9.0, 4.0, 0.0]), np.array([5.0, 5.0, 1.0, 1.0])
    tower = np.array([0, 0, 1, 1])
    alike = levels(faults, expected, np.ones(4), tower, between_bins=1e-6, variance=0.0)
    np.testing.assert_allclose(alike.level, [1.0, 1.0, 2.0, 2.0], rtol=1e-4)
    apart = levels(faults[:2], expected[:2], np.ones(2), tower[:2], between_bins=1e6, variance=0.0)
    np.testing.assert_allclose(apart.level, faults[:2] / expected[:2], rtol=1e-4)


def test_a_bin_without_runs_has_the_level_of_its_tower_and_is_as_sure_as_any_bin():
    found = levels(
        np.array([12.0, 0.0]),
        np.array([6.0, 0.0]),
        np.array([1.0, 0.0]),
        np.zeros(2, dtype=np.int64),
        between_bins=0.04,
        variance=0.3,
    )
    np.testing.assert_allclose([found.level[1], found.squared_cv[1]], [2.0, 0.04])


def test_faults_that_come_together_count_for_less():
    # Rao and Scott 1992: a count is worth itself over its design effect, 1 + v sum(m^2) / sum(m).
    faults, expected, squares = np.array([30.0, 10.0]), np.array([20.0, 20.0]), np.array([40.0, 2])
    both = np.zeros(2, dtype=np.int64)
    singly = levels(faults, expected, squares, both, between_bins=0.1, variance=0.0)
    found = levels(faults, expected, squares, both, between_bins=0.1, variance=0.5)
    for place, effect in enumerate((1 + 0.5 * 40 / 20, 1 + 0.5 * 2 / 20)):
        told = stats.gamma(10 + faults[place] / effect, scale=1 / (10 + expected[place] / effect))
        np.testing.assert_allclose(found.level[place], told.mean())
        np.testing.assert_allclose(found.squared_cv[place], told.var() / told.mean() ** 2)
    assert (abs(found.level - 1) < abs(singly.level - 1)).all()
    assert (found.squared_cv > singly.squared_cv).all()


@pytest.mark.parametrize(("faults", "watched"), [(0, False), (2, False), (3, True)])
def test_nothing_is_expected_of_a_tower_with_hardly_a_fault(faults: int, watched: bool) -> None:
    x, m = np.array([float(faults), 0.0, 9.0]), np.array([20.0, 20.0, 20.0])
    tower = np.array([0, 0, 1])
    found = levels(x, m, m, tower, between_bins=0.1, variance=0.0)
    assert (found.level[:2] > 0).tolist() == [watched, watched]
    assert found.level[2] > 0 and np.isfinite(found.squared_cv).all()


def test_nothing_is_learnt_from_a_handful_of_faults() -> None:
    counts = pa.table({"misses": [10, 9], "doubles": [0, 0]})
    assert learn(counts, "misses", [], []) is None
    assert learn(counts, "doubles", [], []) is None


def test_no_bins_are_no_levels():
    none = np.zeros(0)
    found = levels(none, none, none, np.zeros(0, dtype=np.int64), between_bins=0.1, variance=0.0)
    assert found.level.size == found.squared_cv.size == 0


# What papers do.

MANY = {"S1": 1.0, "S2": 3.0}


@pytest.fixture(scope="module")
def two_papers() -> pa.Table:
    """Half a year of three bins, the second with twice the faults; two papers, one three times."""
    return made(
        5,
        days=180,
        bins=3,
        second=lambda day: np.full(day.size, 0.4),
        ratio=lambda rows: np.where(rows.second, 3.0, 1.0) * np.where(rows.bin == 2, 2.0, 1.0),
    )


@pytest.fixture(scope="module")
def learnt(two_papers: pa.Table) -> Reference:
    found = learn(two_papers, "misses", [], [])
    assert found is not None
    return found


def test_what_is_expected_of_an_ordinary_bin_times_the_bins_own_effect_is_the_models(
    learnt, two_papers
):
    told = learnt.explained(two_papers)
    rows = learnt.model.rows(two_papers)
    product = told.expected * np.exp(learnt.model.effect_of("bin", rows))
    np.testing.assert_allclose(product, learnt.model.expected(rows))
    np.testing.assert_array_equal(told.faults, two_papers["misses"].to_numpy())
    assert told.known.all()


def test_papers_have_the_ratio_that_their_faults_have(learnt, two_papers):
    told = learnt.explained(two_papers)
    stock = np.array(two_papers["stock"].to_pylist())
    first, second = (told.expected[stock == name].mean() for name in ("S1", "S2"))
    faults = two_papers["misses"].to_numpy()
    logged = faults[stock == "S2"].mean() / faults[stock == "S1"].mean()
    # A ridge draws both to one another, by little where there are hundreds of faults.
    np.testing.assert_allclose(second / first, logged, rtol=0.04)
    # Bins are taken as alike: the one with twice the faults has no more to expect.
    number = two_papers["bin"].to_numpy()
    means = [told.expected[number == b].mean() for b in (1, 2, 3)]
    np.testing.assert_allclose(means, means[0])


def test_bins_that_differ_are_told_to_differ(learnt):
    # Ratios of 1, 2 and 1: a squared coefficient of variation of about 0.1.
    assert 0.03 < learnt.between_bins < 0.5
    alike = learn(made(6, days=100, bins=3), "misses", [], [])
    assert alike is not None and alike.between_bins == 0.01


def test_paper_that_was_never_run_is_told(learnt, two_papers):
    other = pa.array(["S1", "S3", "S2"] * (two_papers.num_rows // 3))
    place = two_papers.column_names.index("stock")
    told = learnt.explained(two_papers.set_column(place, "stock", other))
    np.testing.assert_array_equal(told.known, np.array(other.to_pylist()) != "S3")


def mixed(learnt: Reference, table: pa.Table, now: np.ndarray, then: np.ndarray) -> float:
    """Return how sure some rows are to others, as one group."""
    rows = learnt.explained(table).rows
    weights = learnt.explained(table).expected
    spread = learnt.spread(rows, weights, np.where(then, 0, -1), 1)
    return float(learnt.squared_cv(rows, weights, np.where(now, 0, -1), 1, spread)[0])


def test_the_same_paper_as_before_leaves_nothing_unsure(learnt, two_papers):
    stock = np.array(two_papers["stock"].to_pylist())
    one = stock == "S1"
    half = np.arange(one.size) < one.size // 2
    np.testing.assert_allclose(mixed(learnt, two_papers, one & half, one & ~half), 0, atol=1e-12)
    everything = np.ones(one.size, dtype=bool)
    np.testing.assert_allclose(mixed(learnt, two_papers, everything, everything), 0, atol=1e-12)


def test_another_paper_is_as_unsure_as_the_faults_of_both_are_few(learnt, two_papers):
    stock = np.array(two_papers["stock"].to_pylist())
    faults = two_papers["misses"].to_numpy()
    found = mixed(learnt, two_papers, stock == "S2", stock == "S1")
    # Squared coefficient of variation of a ratio of two counts, by the delta method.
    ratio = 1 / faults[stock == "S1"].sum() + 1 / faults[stock == "S2"].sum()
    np.testing.assert_allclose(found, ratio, rtol=0.15)
    # Half of it that paper: a quarter as unsure, but for the weights.
    some = (stock == "S2") | (np.arange(stock.size) % 2 == 0)
    assert 0 < mixed(learnt, two_papers, some, stock == "S1") < 0.8 * found


def test_a_group_without_rows_is_no_less_sure(learnt, two_papers):
    rows = learnt.explained(two_papers)
    group = np.where(np.arange(rows.faults.size) < 90, 0, -1)
    then = learnt.spread(rows.rows, rows.expected, group, 3)
    np.testing.assert_array_equal(then.known.ravel(), [True, False, False])
    found = learnt.squared_cv(rows.rows, rows.expected, np.where(group == 0, 2, -1), 3, then)
    np.testing.assert_array_equal(found, [0.0, 0.0, 0.0])
    assert isinstance(then, Spread) and np.isfinite(then.mean).all()


def test_rows_left_out_do_not_change_what_is_learnt(two_papers, learnt):
    left_out = two_papers["bin"].to_numpy() == 3
    place = two_papers.column_names.index("misses")
    faults = two_papers["misses"].to_numpy()
    worse = two_papers.set_column(place, "misses", pa.array(np.where(left_out, faults * 9, faults)))
    found, other = (
        learn(table, "misses", [], [], left_out=left_out) for table in (two_papers, worse)
    )
    assert found is not None and other is not None
    np.testing.assert_array_equal(found.model.fit.coefficients, other.model.fit.coefficients)
    assert found.strengths == other.strengths and found.between_bins == other.between_bins
    # And they did: with them, something else is learnt.
    counted = learn(worse, "misses", [], [])
    assert counted is not None
    coefficients = counted.model.fit.coefficients
    assert abs(coefficients - found.model.fit.coefficients).max() > 0.3


def test_known_strengths_are_kept(two_papers, learnt):
    asked = tuple(2.5 * strength for strength in learnt.strengths)
    found = learn(two_papers, "misses", [], [], strengths=asked)
    assert found is not None and found.strengths == asked


def test_of_a_kind_without_faults_nothing_is_learnt(two_papers):
    assert learn(two_papers, "doubles", [], []) is None
    everything = np.ones(two_papers.num_rows, dtype=bool)
    assert learn(two_papers, "misses", [], [], left_out=everything) is None


def test_the_log_of_these_tests_is_half_a_year(two_papers):
    last = two_papers["first"].to_numpy().max().astype("datetime64[us]").item()
    assert len(months(FIRST, last)) == 2
