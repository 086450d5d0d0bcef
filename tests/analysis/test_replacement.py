"""The best time to replace a part against its closed form, brute force, and parts that wear out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, optimize

from analysis.replacement import FLAT, Interval, best_interval


def test_the_closed_form_of_the_power_law() -> None:
    # Barlow RE, Hunter L (1960). Operations Research 8:90-100, minimal repair with expected
    # failures lambda t^beta: tau = (c_part / (c_fault lambda (beta - 1)))^(1 / beta).
    for shape in (1.2, 2.0, 3.5):
        mean_rate, per = 0.00004, 100_000.0
        scale = mean_rate * per / per**shape
        by_hand = (30 / (0.8 * scale * (shape - 1))) ** (1 / shape)
        found = best_interval(30, 0.8, mean_rate, power=shape)
        assert_allclose(found.feeds, by_hand, rtol=1e-12)
        # At the best interval faults cost 1 / (beta - 1) times what the part does.
        assert_allclose(0.8 * found.expected, 30 / (shape - 1), rtol=1e-12)
        assert_allclose(found.cost_per_10k, 30 * shape / (shape - 1) / by_hand * 10_000, rtol=1e-12)


@pytest.mark.parametrize("ratio", [1.0001, 1.01, 1.05, 1.5, 20.0])
@pytest.mark.parametrize("price", [0.001, 3.0, 800.0])
def test_steady_wear_costs_least_where_a_search_finds_it(ratio: float, price: float) -> None:
    new_rate, slope = 0.00005, math.log(ratio) / 100_000

    def cost(log_tau: float) -> float:
        tau = math.exp(log_tau)
        faults = integrate.quad(lambda t: new_rate * math.exp(slope * t), 0, tau, epsrel=1e-12)[0]
        return (price + faults) / tau

    found = best_interval(price, 1.0, new_rate, ratio=ratio)
    searched = optimize.minimize_scalar(
        cost,
        bounds=(math.log(found.feeds) - 2, math.log(found.feeds) + 1),
        method="bounded",
        options={"xatol": 1e-9},
    )
    # A search for a minimum finds its place to half the digits only.
    assert_allclose(found.feeds, math.exp(searched.x), rtol=2e-5)
    assert_allclose(found.cost_per_10k, 10_000 * searched.fun, rtol=1e-9)
    # The equation itself: tau r(tau) - R(tau) = c_part / c_fault.
    u = slope * found.feeds
    assert_allclose(u * math.exp(u) - math.expm1(u), price * slope / new_rate, rtol=1e-6)
    assert_allclose(cost(math.log(found.low)), (1 + FLAT) * searched.fun, rtol=1e-6)
    assert_allclose(cost(math.log(found.high)), (1 + FLAT) * searched.fun, rtol=1e-6)
    assert found.low < found.feeds < found.high


def test_little_wear_is_replaced_after_the_square_root() -> None:
    # For a slow rise R is new_rate (t + slope t^2 / 2): tau = sqrt(2 c / (new_rate slope)).
    ratio, price = 1 + 1e-9, 1e-6
    slope = math.log1p(1e-9) / 100_000
    found = best_interval(price, 1.0, 0.00005, ratio=ratio)
    assert_allclose(found.feeds, math.sqrt(2 * price / (0.00005 * slope)), rtol=1e-5)


def test_parts_replaced_at_the_interval_cost_what_is_said_and_less_than_at_others() -> None:
    # Invented: 1 fault in 20,000 feeds when new, 10 % more with every 100,000.
    new_rate, slope, part, fault = 0.00005, math.log(1.1) / 100_000, 20.0, 0.5
    found = best_interval(part, fault, new_rate, ratio=1.1)
    rng = np.random.default_rng(31)

    def simulated(interval: float, parts: int = 4000) -> tuple[float, float]:
        # Faults of each part, drawn by thinning: a rate that is highest at the end.
        highest = new_rate * math.exp(slope * interval)
        tried = rng.poisson(highest * interval, parts)
        of = np.repeat(np.arange(parts), tried)
        age = rng.uniform(0, interval, of.size)
        kept = rng.uniform(0, highest, of.size) < new_rate * np.exp(slope * age)
        cost = part + fault * np.bincount(of[kept], minlength=parts)
        per_10k = cost / interval * 10_000
        return float(per_10k.mean()), float(per_10k.std() / math.sqrt(parts))

    at_best, error = simulated(found.feeds)
    assert abs(at_best - found.cost_per_10k) < 4 * error
    for other in (0.5, 2.0):
        cost, wide = simulated(other * found.feeds)
        assert cost - at_best > 4 * math.hypot(wide, error)


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"ratio": 1.0}, "the rate does not rise"),
        ({"ratio": 0.9}, "the rate does not rise"),
        ({"power": 1.0}, "the rate does not rise"),
        ({"power": 0.7}, "the rate does not rise"),
        ({"ratio": 1 + 1e-13}, "it rises too slowly"),
        ({"power": 1 + 1e-13}, "it rises too slowly"),
    ],
)
def test_there_is_no_best_interval_where_nothing_is_gained(
    given: dict[str, float], why: str
) -> None:
    found = best_interval(20, 0.5, 0.00005, **given)
    assert (found.feeds, found.why, found.pays) == (math.inf, why, False)
    assert found.sentence() == f"No interval is best: {why}."
    assert_allclose(found.cost_per_10k, 0.25)


def test_costs_of_nothing() -> None:
    assert best_interval(20, 0, 0.00005, ratio=1.1).why == "a fault costs nothing"
    free = best_interval(0, 0.5, 0.00005, ratio=1.1)
    assert (free.feeds, free.why) == (0, "the part costs nothing")
    assert free.sentence() == "Replace it as often as you like: the part costs nothing."


def test_what_cannot_be_is_said() -> None:
    with pytest.raises(ValueError, match="cost_part must be 0 or more, not -1"):
        best_interval(-1, 0.5, 0.00005, ratio=1.1)
    with pytest.raises(ValueError, match="cost_fault must be 0 or more, not nan"):
        best_interval(1, math.nan, 0.00005, ratio=1.1)
    with pytest.raises(ValueError, match="new_rate must be faults per feed, above 0, not 0"):
        best_interval(1, 0.5, 0, ratio=1.1)
    with pytest.raises(ValueError, match="give either ratio or power"):
        best_interval(1, 0.5, 0.00005)
    with pytest.raises(ValueError, match="give either ratio or power"):
        best_interval(1, 0.5, 0.00005, ratio=1.1, power=2)
    with pytest.raises(ValueError, match="ratio must be above 0, not 0"):
        best_interval(1, 0.5, 0.00005, ratio=0)
    with pytest.raises(ValueError, match="power must be above 0, not inf"):
        best_interval(1, 0.5, 0.00005, power=math.inf)
    with pytest.raises(ValueError, match="per must be above 0, not 0"):
        best_interval(1, 0.5, 0.00005, power=2, per=0)


def test_the_unit_of_age_is_free() -> None:
    feeds = best_interval(20, 0.5, 0.00005, ratio=1.05)
    months: Interval = best_interval(20, 0.5, 0.00005 * 100_000, ratio=1.05, per=1)
    assert_allclose(months.feeds, feeds.feeds / 100_000, rtol=1e-12)
