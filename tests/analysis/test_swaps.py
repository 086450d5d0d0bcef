"""Swap tests against enumeration by scipy.stats, known critical values, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from analysis import swap_rule
from analysis.swap_readings import Times
from analysis.swap_rule import chances, likely_ratio, told
from analysis.swaps import CAUTION, OtherBin, Swap, next_after, swap_test

BASE = 1.5e-5


def asked(ratio: float = 3.0, **others: object) -> Swap:
    near = [OtherBin(6, BASE, 0.9, cycles_per_day=8_000)]
    return swap_test("A", 7, near, BASE * ratio, ratio, kind="doubles", **others)  # type: ignore[arg-type]


def by_scipy(
    counts: tuple[int, int], expected: tuple[float, float], before: tuple[float, float]
) -> str:
    """Say what counts tell, written anew from what the module's introduction says."""
    x, y = counts
    first, second = expected
    ratios = np.geomspace(1, max(16, 4 * before[0] / before[1]), 33)
    own = stats.poisson.pmf(round(before[0]), before[1] * ratios)
    stays, follows = ratios * first + second, first + ratios * second
    left = [np.average(stats.poisson.cdf(x + y, total), weights=own) for total in (stays, follows)]
    if max(left) <= 0.05:
        own = np.ones_like(own)
    too_large = np.average(
        stats.binom.sf(x - 1, x + y, first / follows),
        weights=own * stats.poisson.pmf(x + y, follows),
    )
    too_small = np.average(
        stats.binom.cdf(x, x + y, ratios * first / stays),
        weights=own * stats.poisson.pmf(x + y, stays),
    )
    if too_large <= 0.05 and too_small <= 0.05:
        return "some of each"
    if too_large <= 0.05 or too_small <= 0.05:
        return "stays" if too_large <= 0.05 else "follows"
    above = min(stats.poisson.sf(x - 1, first), stats.poisson.sf(y - 1, second))
    return "gone" if max(left) <= 0.05 < above else "not yet"


CASES = [((6.0, 6.0), (36, 12.0)), ((3.0, 7.0), (9, 3.0)), ((9.0, 9.0), (15, 10.0))]


@pytest.mark.parametrize(("expected", "before"), CASES)
def test_what_is_told_is_what_the_introduction_says(
    expected: tuple[float, float], before: tuple[float, float]
) -> None:
    seen = set()
    for x in range(1, 40, 4):
        for y in range(0, 40, 5):
            verdict = told((x, y), expected, before)
            assert verdict == by_scipy((x, y), expected, before)
            seen.add(verdict)
    assert {"stays", "follows", "some of each"} <= seen
    for x in range(8):
        assert told((x, 3), expected, before) == by_scipy((x, 3), expected, before)


@pytest.mark.parametrize(("ratio", "expected", "before"), [(3, (1.2, 1.2), (15, 5.0))])
def test_chances_are_sums_over_every_pair_of_counts(
    ratio: float, expected: tuple[float, float], before: tuple[float, float]
) -> None:
    most = 16
    verdicts = np.array(
        [[by_scipy((x, y), expected, before) for y in range(most)] for x in range(most)]
    )
    counts = np.arange(most)
    right, wrong = [], []
    for truth, other, times in (
        ("stays", "follows", (ratio, 1)),
        ("follows", "stays", (1, ratio)),
    ):
        one, two = (
            stats.poisson.pmf(counts, mean * many)
            for mean, many in zip(expected, times, strict=True)
        )
        right.append(one @ (verdicts == truth) @ two)
        wrong.append(one @ (verdicts == other) @ two)
    # What is beyond 15 faults at a bin has a chance of 1e-6.
    np.testing.assert_allclose(
        chances(ratio, expected, before), (min(right), max(wrong)), rtol=1e-5
    )


def test_a_ratio_that_is_known_leaves_the_binomial_test() -> None:
    """Four times, known from 400,000 faults: of 10, a share of 1/5 against one of 4/5."""
    # Binomial tables, n = 10, p = 0.2: P(X >= 4) = 0.1209, P(X >= 5) = 0.0328.
    assert stats.binom.sf([3, 4], 10, 0.2).round(4).tolist() == [0.1209, 0.0328]
    known = (400_000.0, 100_000.0)
    assert told((4, 6), (2, 2), known) == "follows"
    assert told((5, 5), (2, 2), known) == "some of each"
    assert told((6, 4), (2, 2), known) == "stays"
    # Of 4, P(X >= 3) = 0.0272 and P(X >= 2) = 0.1808; of 2 both may be the suspect's.
    assert told((3, 1), (1, 1), known) == "stays"
    assert told((2, 2), (1, 1), known) == "not yet"
    assert told((2, 0), (0.4, 0.4), known) == "stays"
    assert told((1, 0), (0.2, 0.2), known) == "not yet"


def test_ratios_are_taken_closely_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    coarse = [chances(ratio, (ratio, ratio), (20 * ratio, 20)) for ratio in (1.5, 3, 6)]
    monkeypatch.setattr(swap_rule, "_STEPS", 801)
    fine = [chances(ratio, (ratio, ratio), (20 * ratio, 20)) for ratio in (1.5, 3, 6)]
    # One count more or less at one total is the most that may differ.
    np.testing.assert_allclose(coarse, fine, atol=0.015)


@given(
    x=st.integers(0, 40),
    y=st.integers(0, 40),
    expected=st.floats(0.1, 20),
    faults=st.integers(0, 60),
    before=st.floats(0.5, 30),
)
@settings(max_examples=60, deadline=None)
def test_both_bins_are_treated_alike(
    x: int, y: int, expected: float, faults: int, before: float
) -> None:
    mirrored = {"stays": "follows", "follows": "stays"}
    one = told((x, y), (expected, expected), (faults, before))
    two = told((y, x), (expected, expected), (faults, before))
    assert two == mirrored.get(one, one)


def test_no_excess_before_and_none_after_tells_nothing() -> None:
    assert told((10, 10), (10, 10), (10, 10)) == "not yet"
    assert told((0, 0), (0, 0), (10, 2)) == "not yet"
    assert likely_ratio((100, 100)) < 1.15 < likely_ratio((200, 100)) < 2.1


def simulated(swap: Swap, truth: str, trials: int, run: float, before: int = 0) -> dict[str, float]:
    """Return how often each verdict was reached, the counts before drawn as well."""
    assert swap.cycles is not None
    draw = np.random.default_rng(2031)
    v, cycles, earlier = swap.variance, swap.cycles, max(swap.cycles, before)
    phi = 1 + v * run * stats.hmean([swap.rate, swap.other_rate])
    own = swap.rate / swap.ratio

    def counts(rate: float, long: float) -> np.ndarray:
        runs = round(long / run)
        level = draw.gamma(1 / v, v, (trials, runs)) if v else np.ones((trials, runs))
        return draw.poisson(level * rate * long / runs).sum(axis=1) / phi

    rates = (
        (swap.rate, swap.other_rate)
        if truth == "stays"
        else (own, swap.other_rate * swap.ratio if truth == "follows" else swap.other_rate)
    )
    old = counts(swap.rate, earlier)
    one, two = (counts(rate, cycles) for rate in rates)
    means = (own * cycles / phi, swap.other_rate * cycles / phi)
    found = [
        told((a, b), means, (c, own * earlier / phi)) for a, b, c in zip(one, two, old, strict=True)
    ]
    return {verdict: found.count(verdict) / trials for verdict in set(found)}


@pytest.mark.parametrize(
    ("ratio", "variance", "run", "truth"),
    [(2, 0.0, 5e4, "stays"), (3, 0.0, 2e4, "follows"), (4, 0.3, 3e4, "stays")],
)
def test_power_is_what_was_promised(ratio: float, variance: float, run: float, truth: str) -> None:
    swap = asked(ratio, variance=variance, cycles_per_run=run)
    found = simulated(swap, truth, 700, run)
    # Chance alone: a standard error of 0.015.
    assert found[truth] > swap.power - 0.035
    assert found[truth] == pytest.approx(swap.chance, abs=0.045)
    assert found.get("follows" if truth == "stays" else "stays", 0) <= swap.risk


def test_half_the_cycles_do_not_do() -> None:
    """The simulation can tell: with half the cycles it falls well short."""
    swap = asked(3.0)
    assert swap.cycles is not None
    half = (swap.cycles * BASE / 2,) * 2
    assert chances(3.0, half, (swap.cycles * BASE * 3, swap.cycles * BASE))[0] < 0.6


@pytest.mark.parametrize("before", [0, 2_000_000])
@pytest.mark.parametrize("ratio", [1.6, 3, 8])
def test_cycles_keep_the_power_and_the_risk_from_there_on(ratio: float, before: int) -> None:
    swap = asked(ratio, cycles_before=before)
    assert swap.cycles is not None
    assert swap.chance >= 0.8
    assert swap.wrong <= 0.05
    for more in (1.1, 1.3, 1.7):
        means = (swap.cycles * more * BASE,) * 2
        past = max(swap.cycles * more, before) * BASE
        right, wrong = chances(ratio, means, (past * ratio, past))
        assert right >= 0.8
        assert wrong <= 0.05
    if before:
        fewer = (swap.cycles * 0.8 * BASE,) * 2
        assert chances(ratio, fewer, (before * BASE * ratio, before * BASE))[0] < 0.8


def test_a_larger_excess_and_more_before_take_fewer_cycles() -> None:
    cycles = [asked(ratio).cycles or 0 for ratio in (4, 3, 5)]
    assert cycles[1] > cycles[0] > cycles[2]
    assert (asked(3, cycles_before=5_000_000).cycles or 0) <= cycles[1]
    assert (asked(3, power=0.9).cycles or 0) > cycles[1]
    spread = asked(3, variance=0.5, cycles_per_run=60_000)
    assert (spread.cycles or 0) > cycles[1]
    assert (asked(3, variance=0.5).cycles or 0) > cycles[1]


def test_what_the_log_has_of_before_is_counted() -> None:
    none, some, enough = (asked(cycles_before=number) for number in (0, 100_000, 400_000))
    assert none.more_before == none.cycles
    assert some.more_before == (some.cycles or 0) - 100_000
    assert enough.more_before == 0
    assert enough.days == pytest.approx((enough.cycles or 0) / 8_000)
    assert none.days == pytest.approx(2 * (none.cycles or 0) / 8_000)
    assert none.sentence().startswith(f"Log {none.cycles:,} more cycles as things are; then ")


def test_the_slower_bin_sets_the_pace() -> None:
    swap = asked(cycles_before=400_000, cycles_per_day=2_000)
    assert swap.days == pytest.approx((swap.cycles or 0) / 2_000)


def test_the_sentence_says_what_each_outcome_means_and_the_order_of_work() -> None:
    swap = asked(cycles_before=400_000)
    said = swap.sentence()
    assert said.startswith(
        f"Exchange the piles of bins 7 and 6 of tower A and run {swap.cycles:,} cycles; if the "
        "doubles go with the paper to bin 6, it is the paper; if they stay in bin 7, it is the "
        "bin: then exchange the brushes."
    )
    assert "with 80 % power" in said
    assert "tell the wrong one in 5 % at most" in said
    assert "Stop the tower, switch it off and isolate it, let vacuum and air vent" in said
    assert swap.caution == CAUTION
    for word in ("isolate", "maker", "local rules", "vent", "moving bins", "licensed"):
        assert word in CAUTION


def test_after_the_piles_come_feet_for_misses_and_brushes_for_doubles() -> None:
    assert next_after("piles", "misses") == "suction feet"
    assert next_after("piles", "doubles") == "brushes"
    assert next_after("brushes", "doubles") == ""
    said = asked(what="brushes", cycles_before=400_000).sentence()
    assert "go with the brush to bin 6, it is the brush" in said
    assert "it is something else in the bin. (" in said


def test_the_partner_is_the_nearest_ordinary_bin_with_the_same_paper() -> None:
    bins = [
        OtherBin(7, BASE, 1.0),  # itself
        OtherBin(8, BASE, 2.2),  # not ordinary
        OtherBin(6, BASE, 1.0, same_paper=False),
        OtherBin(9, BASE, 1.0, cycles_per_day=0.0),  # empty
        OtherBin(5, BASE, 1.4),
        OtherBin(4, BASE, 1.0),
    ]
    swap = swap_test("A", 7, bins, 3 * BASE, 3.0)
    assert swap.other_bin == 5
    assert "bin 5 is the nearest bin with the same paper that is ordinary itself" in swap.why
    # As near, and nearer to what is to be expected.
    assert swap_test("A", 7, [*bins, OtherBin(9, BASE, 0.9)], 3 * BASE, 3.0).other_bin == 9


def test_without_a_partner_it_says_why() -> None:
    none = swap_test("A", 7, [OtherBin(6, BASE, 1, same_paper=False)], 3 * BASE, 3.0)
    assert (none.other_bin, none.cycles, none.days) == (None, None, None)
    assert none.sentence() == (
        "No swap test for bin 7 of tower A: no other bin of tower A runs the same paper; load it "
        "in one nearby."
    )
    odd = swap_test("A", 7, [OtherBin(6, BASE, 2.0)], 3 * BASE, 3.0)
    assert "is ordinary itself" in odd.sentence()
    assert swap_test("A", 7, [], 3 * BASE, 3.0).other_bin is None


def test_too_small_an_excess_has_no_number_of_cycles() -> None:
    swap = asked(1.05, cycles_before=10**8)
    assert swap.cycles is None
    assert math.isnan(swap.chance)
    assert swap.sentence().endswith("times is too little to tell by a swap in any useful time.")


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"rate": 0.0}, "rate must be faults per feed"),
        ({"ratio": 1.0}, "ratio must be above 1"),
        ({"kind": "jams"}, "kind must be one of"),
        ({"what": "hoses"}, "what must be one of"),
        ({"variance": -0.1}, "variance between runs must be 0 or more"),
        ({"cycles_per_run": 0.0}, "cycles_per_run must be above 0"),
        ({"cycles_before": -1}, "cycles_before must be 0 or more"),
        ({"power": 0.99}, "power must be above 0.05 and at most 0.9"),
        ({"bins": [OtherBin(6, 0.0)]}, "bin 6 needs a rate above 0"),
    ],
)
def test_what_cannot_be_is_refused(changed: dict[str, object], said: str) -> None:
    given = {"bins": [OtherBin(6, BASE)], "rate": 3 * BASE, "ratio": 3.0} | changed
    with pytest.raises(ValueError, match=said):
        swap_test("A", 7, **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("times", "said"),
    [
        (Times(math.nan, math.nan, math.nan), "no telling how many times"),
        (Times(math.inf, 2.04, math.inf), "at least 2.0 times"),
        (Times(3.0, 1.31, math.inf), "3.0 times (1.3 or more)"),
        (Times(3.0, 1.5, 7.0), "3.0 times (1.5 to 7.0)"),
    ],
)
def test_how_many_times_is_said_as_far_as_it_is_known(times, said):
    assert times.words() == said
