"""Planned trials against enumeration of both counts, statsmodels, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.rates import power_poisson_ratio_2indep

from analysis import ratios
from analysis.trials import LEAST_STRETCHES, trial

RATE = 6e-4


def rejected_by_scipy(most: int, confidence: float) -> np.ndarray:
    """Return, for every pair of counts, whether the second is significantly larger."""
    x1, x2 = np.indices((most, most))
    at_least = stats.binom.sf(x2 - 1, x1 + x2, 0.5)
    at_most = stats.binom.cdf(x2, x1 + x2, 0.5)
    # The doubled smaller tail, so that p and interval agree.
    return (2 * np.minimum(at_least, at_most) <= 1 - confidence) & (x2 > x1)


def rejected_by_interval(most: int, confidence: float) -> np.ndarray:
    x1, x2 = np.indices((most, most))
    return ratios.ratio(x2, 1_000_000, x1, 1_000_000, confidence=confidence).low > 1


def enumerated(feeds: float, rate: float, ratio: float, rejected: np.ndarray) -> float:
    """Sum the chance of every pair of counts that shows the ratio (above 1)."""
    counts = np.arange(len(rejected))
    first = stats.poisson.pmf(counts, feeds * rate)
    second = stats.poisson.pmf(counts, feeds * rate * ratio)
    return float(first @ rejected @ second)


@pytest.mark.parametrize(
    ("ratio", "power", "confidence"),
    [(2, 0.8, 0.95), (3, 0.8, 0.95), (2.5, 0.9, 0.99), (10, 0.8, 0.95), (30, 0.95, 0.9)]
    # Few faults and a wide tail, where the saw is longest.
    + [(4, 0.8, 0.5), (8, 0.9, 0.6), (100, 0.6, 0.5)],
)
def test_feeds_are_the_fewest_that_keep_the_power_from_there_on(
    ratio: float, power: float, confidence: float
) -> None:
    found = trial(RATE, ratio, power=power, confidence=confidence)
    rejected = rejected_by_scipy(240, confidence)
    needed = found.feeds_needed
    assert enumerated(needed - 1, RATE, ratio, rejected) < power
    for feeds in np.linspace(needed, 2 * needed, 24):
        assert enumerated(feeds, RATE, ratio, rejected) >= power - 1e-9
    # Sums of 10^4 terms, and the tail beyond 240 faults.
    np.testing.assert_allclose(
        found.chance, enumerated(found.feeds, RATE, ratio, rejected), rtol=1e-7
    )


@pytest.mark.parametrize("ratio", [1.5, 5])
def test_what_is_planned_for_is_the_interval_of_the_ratio(ratio: float) -> None:
    found = trial(RATE, ratio)
    rejected = rejected_by_interval(240, 0.95)
    chance = enumerated(found.feeds, RATE, ratio, rejected)
    np.testing.assert_allclose(found.chance, chance, rtol=1e-7)


@pytest.mark.parametrize("ratio", [1.1, 1.2, 1.5, 2, 3])
def test_feeds_are_near_those_of_the_normal_approximation(ratio: float) -> None:
    found = trial(RATE, ratio)
    power = power_poisson_ratio_2indep(
        RATE * ratio,
        RATE,
        found.feeds_needed,
        value=1,
        alternative="two-sided",
        method_var="alt",
        return_results=False,
    )
    # Down to a tripling, with 34 faults in all, the approximation and the exact test differ by
    # 0.011 at the most; at fewer faults (a ratio of 5: 0.07) it is no reference.
    assert power == pytest.approx(0.8, abs=0.015)


def test_statsmodels_agrees_on_what_dispersion_does() -> None:
    found = trial(RATE, 1.2, variance=0.05, feeds_per_stretch=20_000)
    power = power_poisson_ratio_2indep(
        RATE * 1.2,
        RATE,
        found.feeds,
        value=1,
        dispersion=found.dispersion,
        alternative="two-sided",
        method_var="alt",
        return_results=False,
    )
    assert found.dispersion > 1.6
    assert found.chance == pytest.approx(power, abs=0.02)


def simulated(ratio: float, variance: float, length: int | None, trials: int) -> tuple[float, ...]:
    """Return how often a planned trial showed the ratio, and its promise."""
    found = trial(RATE, ratio, variance=variance, feeds_per_stretch=length)
    draw = np.random.default_rng(2031)
    each = found.stretches // 2

    def counts(rate: float) -> np.ndarray:
        if not variance:
            return draw.poisson(rate * found.feeds, trials)
        level = draw.gamma(1 / variance, variance, (trials, each))
        return draw.poisson(level * rate * found.feeds_per_stretch).sum(axis=1)

    first, second = counts(RATE), counts(RATE * ratio)
    phi, feeds = found.dispersion, found.feeds
    shown = ratios.ratio(second / phi, feeds / phi, first / phi, feeds / phi)
    often = shown.low > 1 if ratio > 1 else shown.high < 1
    return float(often.mean()), found.chance


@pytest.mark.parametrize(
    ("ratio", "variance", "length"),
    [
        (2, 0, None),
        (2, 0.1, None),
        (2, 0.1, 3_000),
        (0.5, 0.2, None),
        (1.5, 0.3, 5_000),
        (3, 0.3, 3_000),
        (3, 1, None),
    ],
)
def test_power_is_what_was_promised(ratio: float, variance: float, length: int | None) -> None:
    often, promised = simulated(ratio, variance, length, 8_000)
    # Chance alone: a standard error of 0.0045.
    assert abs(often - promised) < 0.03


def test_spread_that_is_left_out_of_the_plan_costs_power() -> None:
    """The simulation can tell: without the dispersion it falls well short."""
    plain, spread = trial(RATE, 2), trial(RATE, 2, variance=0.2)
    assert spread.feeds > 1.8 * plain.feeds
    draw = np.random.default_rng(1)
    level = draw.gamma(5, 0.2, (2, 4_000, 6))
    means = RATE * plain.feeds_per_stretch * np.array([1, 2])[:, None, None]
    first, second = draw.poisson(level * means).sum(axis=2)
    phi = 1 + 0.2 * 4 / 3 * RATE * plain.feeds_per_stretch
    shown = ratios.ratio(second / phi, plain.feeds / phi, first / phi, plain.feeds / phi)
    assert np.mean(shown.low > 1) < 0.7


@settings(max_examples=20)
@given(
    rate=st.floats(1e-6, 1e-2),
    ratio=st.one_of(st.floats(0.1, 0.7), st.floats(1.5, 20)),
    variance=st.floats(0, 1),
    length=st.one_of(st.none(), st.integers(50, 100_000)),
)
def test_the_plan_is_what_the_docstring_says(
    rate: float, ratio: float, variance: float, length: int | None
) -> None:
    found = trial(rate, ratio, variance=variance, feeds_per_stretch=length)
    plain = trial(rate, ratio)
    each = found.stretches // 2
    assert found.stretches == 2 * each
    assert each >= max(LEAST_STRETCHES, 30 * variance)
    assert found.feeds == each * found.feeds_per_stretch
    assert found.feeds >= found.feeds_needed >= plain.feeds_needed
    assert found.expected == pytest.approx((found.feeds * rate, found.feeds * rate * ratio))
    per_stretch = 2 / (each / found.expected[0] + each / found.expected[1])
    assert found.dispersion == pytest.approx(1 + variance * per_stretch)
    # A relative 1e-9 for the roots.
    assert found.chance >= 0.8 - 1e-9
    assert min(1, ratio) <= found.detects <= max(1, ratio)
    if length is None:
        assert found.feeds_needed <= 2 * plain.feeds_needed + 1
        assert found.feeds <= 1.01 * found.feeds_needed + 10 * each
    else:
        assert found.feeds_per_stretch == length
        assert found.feeds_needed == math.ceil(plain.feeds_needed * found.dispersion)


def test_either_level_may_come_first() -> None:
    twice, half = trial(RATE, 2), trial(2 * RATE, 0.5)
    assert twice.feeds_needed == half.feeds_needed
    assert twice.expected == pytest.approx(half.expected[::-1])


def test_more_asked_takes_more_feeds() -> None:
    plain = trial(RATE, 2).feeds_needed
    assert trial(RATE, 1.9).feeds_needed > plain
    assert trial(RATE, 2, power=0.81).feeds_needed > plain
    assert trial(RATE, 2, confidence=0.96).feeds_needed > plain
    # Faults decide: at half the rate it takes twice the feeds.
    assert trial(RATE / 2, 2).feeds_needed == pytest.approx(2 * plain, abs=2)


def test_long_stretches_detect_less_than_was_asked() -> None:
    found = trial(RATE, 2, feeds_per_stretch=20_000)
    assert found.stretches == 12
    rejected = rejected_by_scipy(400, 0.95)
    assert 1 < found.detects < 2
    chance = enumerated(found.feeds, RATE, found.detects, rejected)
    assert chance == pytest.approx(0.8, abs=1e-6)
    assert found.sentence().endswith("So many feeds show 1.5 times as well.")
    assert 1.45 < found.detects < 1.55


def test_sentence_says_what_to_run() -> None:
    assert trial(RATE, 2, levels=("spring on", "spring off"), kind="doubles").sentence() == (
        "Run 12 stretches of about 6,920 feeds, taking spring on and spring off in turn: 41,520 "
        "feeds for each, with about 25 and 50 doubles expected, are enough to show with 80 % power "
        "that one has twice the doubles of the other."
    )
    assert "that one has 1.5 times the faults" in trial(RATE, 1 / 1.5).sentence()
    assert "one has 1.05 times the faults" in trial(RATE, 1.05).sentence()
    assert "one has 1,000 times the faults" in trial(RATE / 10, 1000).sentence()
    said = trial(RATE, 2, variance=0.1).sentence()
    assert said.endswith("Since runs differ, that is 1.9 times the feeds that would do otherwise.")


@pytest.mark.parametrize(
    ("inputs", "said"),
    [
        ({"rate": 0}, "rate must be faults per feed, above 0 and below 1, not 0"),
        ({"rate": math.nan}, "rate must be faults per feed"),
        ({"rate": 1.5}, "rate must be faults per feed"),
        ({"ratio": 1}, "equal rates cannot be told apart"),
        ({"ratio": 0}, "ratio must be above 0"),
        ({"ratio": math.inf}, "ratio must be above 0"),
        ({"rate": 0.6}, "make more than one fault per feed"),
        ({"variance": -0.1}, "variance between runs must be 0 or more"),
        ({"variance": math.nan}, "variance between runs must be 0 or more"),
        ({"confidence": 1}, "confidence must be between 0 and 1"),
        ({"power": 1}, "power must be below 1 and above 0.05"),
        ({"power": 0.05}, "power must be below 1 and above 0.05"),
        ({"feeds_per_stretch": 0}, "feeds_per_stretch must be a whole number, 1 or more, not 0"),
        ({"feeds_per_stretch": 2.5}, "feeds_per_stretch must be a whole number"),
        ({"feeds_per_stretch": math.nan}, "feeds_per_stretch must be a whole number"),
        ({"levels": ("off", "off")}, "the two levels of a trial must differ; both are off"),
        ({"rate": 1e-12}, "takes more feeds than any log holds"),
        ({"rate": 1e-310}, "takes more feeds than any log holds"),
        ({"ratio": 1.0005}, "takes more feeds than any log holds"),
        ({"feeds_per_stretch": 10**12 - 1}, "takes more feeds than any log holds"),
    ],
)
def test_a_trial_that_cannot_be_is_refused(inputs: dict, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        trial(**{"rate": RATE, "ratio": 2.0, **inputs})
