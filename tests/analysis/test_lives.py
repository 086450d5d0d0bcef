"""Lives of parts against published ones, statsmodels, scipy, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize, stats
from statsmodels.duration.survfunc import SurvfuncRight

from analysis.lives import kaplan_meier, weibull

#: Twenty units on test for 500 hours. NIST/SEMATECH e-Handbook 8.4.1.2; value from memory.
HANDBOOK = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10
ENDED = [True] * 10 + [False] * 10


def drawn(rng: np.random.Generator, shape: float, scale: float, parts: int) -> tuple:
    """Return lives with a third or so censored at times of their own."""
    lives, watched = scale * rng.weibull(shape, parts), scale * rng.uniform(0.2, 2.5, parts)
    return np.minimum(lives, watched), lives <= watched


def log_likelihood(t: np.ndarray, d: np.ndarray, shape: float, scale: float) -> float:
    ended = stats.weibull_min.logpdf(t[d], shape, scale=scale).sum()
    return float(ended + stats.weibull_min.logsf(t[~d], shape, scale=scale).sum())


def test_the_handbook_s_twenty_units() -> None:
    found = weibull(HANDBOOK, ENDED)
    assert_allclose(found.shape, 1.7208, atol=5e-5)
    # The Handbook prints 606.5280; by two programs it is 606.5276.
    assert_allclose(found.scale, 606.5280, atol=5e-4)
    assert_allclose(found.log_likelihood, -75.135, atol=5e-4)
    assert (found.ended, found.censored) == (10, 10)


@pytest.mark.parametrize("seed", range(6))
def test_weibull_is_the_maximum_that_scipy_finds_with_its_profile(seed: int) -> None:
    rng = np.random.default_rng(seed)
    unit = [1.0, 1e7][seed % 2]
    t, d = drawn(rng, [0.7, 1.0, 3.0][seed % 3], 2.0 * unit, 25)
    found = weibull(t, d)
    assert_allclose(found.log_likelihood, log_likelihood(t, d, found.shape, found.scale), rtol=1e-9)

    def worse(at: np.ndarray) -> float:
        return -log_likelihood(t, d, math.exp(at[0]), unit * math.exp(at[1]))

    best = optimize.minimize(worse, [0.0, 0.5], method="Nelder-Mead", options={"fatol": 1e-12})
    assert_allclose(found.log_likelihood, -best.fun, atol=1e-7)
    drop = stats.chi2.ppf(0.95, 1) / 2
    for shape in (found.shape_low, found.shape_high):
        fitted = optimize.minimize_scalar(
            lambda s, b=shape: worse(np.array([math.log(b), s])), bounds=(-4, 6), method="bounded"
        )
        assert_allclose(-fitted.fun, found.log_likelihood - drop, atol=1e-5)
    for scale in (found.scale_low, found.scale_high):
        fitted = optimize.minimize_scalar(
            lambda b, s=scale: worse(np.array([b, math.log(s / unit)])),
            bounds=(-3, 4),
            method="bounded",
        )
        assert_allclose(-fitted.fun, found.log_likelihood - drop, atol=1e-5)


def test_ranges_of_shape_and_scale_hold_the_truth() -> None:
    rng = np.random.default_rng(4)
    held = []
    for _ in range(80):
        t, d = drawn(rng, 2.0, 3e6, 20)
        found = weibull(t, d)
        held.append(
            (
                found.shape_low <= 2 <= found.shape_high,
                found.scale_low <= 3e6 <= found.scale_high,
            )
        )
    # 95 % within three standard errors of 80 draws.
    assert np.all(np.abs(np.mean(held, axis=0) - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 80))


def test_shares_and_sentence() -> None:
    found = weibull(HANDBOOK, ENDED)
    # Closed form: scale (-ln share)^(1 / shape).
    assert_allclose(found.outlasted_by(math.exp(-1)), found.scale, rtol=1e-12)
    assert_allclose(
        stats.weibull_min.sf(found.outlasted_by(0.9), found.shape, scale=found.scale), 0.9
    )
    assert found.sentence("hours") == (
        "Half of them last about 490 hours or longer, nine of ten 160; whether they wear out "
        "cannot be told yet (shape 1.7, 0.91 to 2.9). Of 20 lives 10 ended for cause."
    )
    rng = np.random.default_rng(1)
    worn, young = drawn(rng, 4.0, 1e6, 40), drawn(rng, 0.5, 1e6, 40)
    assert "they wear out" in weibull(*worn).sentence()
    assert "they fail mostly when new" in weibull(*young).sentence()


def test_kaplan_and_meier_s_own_example() -> None:
    # Kaplan EL, Meier P (1958). JASA 53:457-481; value from memory.
    found = kaplan_meier([0.8, 1.0, 2.7, 3.1, 5.4, 7.0, 9.2, 12.1], [1, 0, 0, 1, 1, 0, 1, 0])
    assert found.times.tolist() == [0.8, 3.1, 5.4, 9.2]
    assert_allclose(found.surviving, [0.875, 0.700, 0.525, 0.2625], rtol=1e-12)
    assert found.at_risk.tolist() == [8, 5, 4, 2]
    assert (found.ended.sum(), found.censored) == (4, 4)
    assert found.outlasted_by(0.5) == 9.2
    assert found.outlasted_by(0.7) == 3.1
    assert found.outlasted_by(0.2) == math.inf
    assert found.sentence("months") == (
        "Half of them last 9.2 months or longer. Of 8 lives 4 ended for cause."
    )


def test_kaplan_meier_is_that_of_statsmodels_ties_and_all() -> None:
    rng = np.random.default_rng(8)
    t, d = drawn(rng, 1.5, 10.0, 60)
    t = np.ceil(t)
    found = kaplan_meier(t, d)
    other = SurvfuncRight(t, d.astype(int))
    assert found.times.tolist() == list(other.surv_times)
    assert_allclose(found.surviving, other.surv_prob, rtol=1e-12)
    assert found.at_risk.tolist() == list(other.n_risk)
    # Limits by hand from their standard errors, on the scale of log(-log).
    some = other.surv_prob > 0
    log = np.log(other.surv_prob[some])
    wide = 1.959963984540054 * other.surv_prob_se[some] / other.surv_prob[some] / np.abs(log)
    assert_allclose(found.low[some], np.exp(log * np.exp(wide)), rtol=1e-9)
    assert_allclose(found.high[some], np.exp(log * np.exp(-wide)), rtol=1e-9)


def test_where_none_is_left_and_where_none_has_ended() -> None:
    gone = kaplan_meier([1, 2, 2], [1, 1, 1])
    assert_allclose(gone.surviving, [2 / 3, 0], atol=1e-15)
    assert gone.low[-1] == 0 and math.isnan(gone.high[-1])
    none = kaplan_meier([5, 6], [0, 0])
    assert none.times.size == 0 and none.outlasted_by(0.5) == math.inf
    assert none.sentence() == "None has ended for cause yet. Of 2 lives 0 ended for cause."
    few = kaplan_meier([5e6, 6e6, 7e6], [1, 0, 0])
    assert few.sentence() == (
        "More than half of them last longer than 5,000,000 feeds. Of 3 lives 1 ended for cause."
    )


@pytest.mark.parametrize("lives", [weibull, kaplan_meier])
def test_what_cannot_be_is_said(lives) -> None:
    with pytest.raises(ValueError, match="times and ended must be of one length"):
        lives([1, 2], [True])
    with pytest.raises(ValueError, match="no part was given"):
        lives([], [])
    with pytest.raises(ValueError, match="ages must be above 0; part 1, counted from 0, has 0"):
        lives([1, 0], [True, True])
    with pytest.raises(ValueError, match="confidence must lie between 0 and 1"):
        lives([1, 2], [True, True], confidence=95)


def test_one_life_tells_no_shape() -> None:
    for times, ended in (([5, 6], [True, False]), ([5, 5], [True, True])):
        with pytest.raises(ValueError, match="two lives or more that ended for cause"):
            weibull(times, ended)
    with pytest.raises(ValueError, match="share must be above 0 and below 1"):
        weibull([1, 2, 3], [True] * 3).outlasted_by(1)
    with pytest.raises(ValueError, match="share must be above 0 and below 1"):
        kaplan_meier([1, 2, 3], [True] * 3).outlasted_by(0)
