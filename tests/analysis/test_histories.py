"""When a change began, by a stream's history: what may be as old as the stream, and what is not."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from analysis.histories import Dated, History, dated, moment

FIRST = dt.datetime(2031, 3, 3, 7)
SERVICE = dt.datetime(2031, 3, 1, 5, 40)


def run(number: int) -> dt.datetime:
    return FIRST + dt.timedelta(hours=6 * number)


def made(faults: object, expected: object, plain: object = None, feeds: float = 4000) -> History:
    """Return a history of a run every six hours, the first on 3 March."""
    x = np.asarray(faults, dtype=float)
    m = np.broadcast_to(np.asarray(expected, dtype=float), x.shape)
    return History(
        started=np.array([run(n) for n in range(x.size)], dtype="datetime64[us]"),
        faults=x,
        feeds=np.full(x.size, feeds),
        expected=m,
        plain=m if plain is None else np.broadcast_to(np.asarray(plain, dtype=float), x.shape),
        evidence=np.zeros(x.size),
        monitored=np.ones(x.size, dtype=bool),
    )


def told(history: History, begins: dt.datetime | None = SERVICE, **other: object) -> Dated | None:
    given: dict[str, object] = {
        "of_bin": True,
        "learning": False,
        "after_alarm": False,
        "between_bins": 0.05,
        "squared_cv": 0.01,
        "variance": 0.0,
        "confirmed": 10.0,
    }
    return dated(history, begins, **(given | other))  # type: ignore[arg-type]


def found(history: History, begins: dt.datetime | None = SERVICE, **other: object) -> Dated:
    one = told(history, begins, **other)
    assert one is not None
    return one


def drawn(seed: int, *parts: tuple[int, float], variance: float = 0.0) -> np.ndarray:
    """Draw faults of runs that expect one each, at some ratios in turn."""
    rng = np.random.default_rng(seed)
    ratio = np.concatenate([np.full(number, times) for number, times in parts])
    if variance:
        ratio = ratio * rng.gamma(1 / variance, variance, ratio.size)
    return rng.poisson(ratio)


def test_a_change_after_the_service_is_dated_after_it():
    history = made(drawn(1, (60, 1.0), (30, 4.0)), 1.0)
    one = found(history)
    assert SERVICE < run(20) < one.earliest <= run(60) <= one.latest <= run(80)
    assert one.earliest <= one.began <= one.latest
    assert one.ratio_low < 4 < one.ratio_high and one.shape == "step"


def test_a_change_that_may_be_as_old_as_the_stream_may_have_begun_with_its_service():
    # Three times as many from the first run on.
    one = found(made(drawn(2, (30, 3.0)), 1.0))
    assert one.earliest == SERVICE
    assert one.earliest < one.began


def test_without_a_service_it_may_have_begun_with_the_first_run():
    one = found(made(drawn(2, (30, 3.0)), 1.0), None)
    assert one.earliest == run(0)


@pytest.mark.parametrize("begins", [SERVICE, None])
def test_the_earliest_is_no_service_where_the_runs_speak_against_it(begins):
    one = found(made(drawn(3, (80, 1.0), (30, 5.0)), 1.0), begins)
    assert one.earliest > run(40)


def test_after_an_alarm_the_level_is_free():
    # Twice as many since the alarm, whatever was learnt; four times that from run 60 on.
    history = made(drawn(4, (60, 2.0), (25, 8.0)), 1.0)
    free = found(history, after_alarm=True, squared_cv=1e-4)
    assert free.earliest > run(30) and free.earliest <= run(60) <= free.latest
    assert free.ratio_low < 4 < free.ratio_high
    # By the level that was learnt it was worse from the beginning, or by eight times.
    known = found(history, squared_cv=1e-4)
    assert known.ratio > 1.5 * free.ratio or known.earliest < free.earliest


def test_what_is_counted_is_held_against_what_was_expected_of_this_stream():
    # After an alarm too: how many times as many as were expected, level or not.
    history = made(drawn(4, (60, 2.0), (25, 8.0)), np.linspace(0.8, 1.2, 85), feeds=3210)
    one = found(history, after_alarm=True)
    since = history.started >= np.datetime64(one.began)
    assert one.faults == history.faults[since].sum()
    assert one.feeds == 3210 * since.sum()
    np.testing.assert_allclose(one.expected, np.linspace(0.8, 1.2, 85)[since].sum())


def test_a_level_that_was_learnt_from_the_change_hides_nothing_of_it():
    # Of bin 7 three times as many were expected as of an ordinary bin, having been three times as
    # many ever since run 20: it may always have had as many, or have changed then.
    history = made(drawn(5, (20, 1.0), (60, 3.0)), 3.0, plain=1.0)
    one = found(history, learning=True, between_bins=0.05)
    assert one.earliest <= run(20) <= one.latest and one.ratio_low > 1.3
    # What is told as expected is still that of the stream.
    since = history.started >= np.datetime64(one.began)
    assert one.expected == pytest.approx(3.0 * since.sum())


def test_a_bin_that_was_worse_while_its_level_was_learnt_is_held_against_an_ordinary_one():
    # As many as were learnt to expect, and three times those of an ordinary bin.
    history = made(drawn(9, (60, 3.0)), 3.0, plain=1.0)
    one = found(history, learning=True, between_bins=0.01)
    assert one.ratio_low > 1.8 and one.earliest == SERVICE
    assert one.faults / one.expected == pytest.approx(1, abs=0.25)


def test_of_a_tower_nothing_ordinary_is_known():
    history = made(drawn(5, (20, 1.0), (60, 3.0)), 3.0, plain=1.0)
    one = found(history, learning=True, of_bin=False)
    # At most as many as were expected: there is no more than that to find.
    assert one.ratio < found(history, learning=True, of_bin=True).ratio


@pytest.mark.parametrize("variance", [0.0, 0.4])
@pytest.mark.parametrize("seed", range(6))
def test_ranges_are_in_order(seed, variance):
    rng = np.random.default_rng(100 + seed)
    parts = ((int(rng.integers(5, 50)), 1.0), (int(rng.integers(3, 40)), float(rng.uniform(1, 5))))
    history = made(drawn(seed, *parts, variance=variance), 1.0)
    ways = (
        {},
        {"after_alarm": True},
        {"learning": True},
        {"learning": True, "of_bin": False},
        {"confirmed": 0.0},
    )
    for way in ways:
        one = found(history, variance=variance, **way)
        assert SERVICE <= one.earliest <= one.began <= one.latest <= run(history.faults.size - 1)
        assert 0 <= one.ratio_low <= one.ratio <= one.ratio_high
        assert one.shape in ("step", "ramp")


def test_runs_that_expect_nothing_are_passed_over():
    faults = drawn(8, (60, 1.0), (30, 4.0))
    with_gaps = np.zeros(2 * faults.size)
    with_gaps[::2] = faults
    expected = np.where(np.arange(with_gaps.size) % 2, 0.0, 1.0)
    plain = made(faults, 1.0)
    one, other = found(made(with_gaps, expected)), found(plain)
    place = np.flatnonzero(plain.started == np.datetime64(other.began))[0]
    assert one.began == run(2 * int(place)) and one.ratio == other.ratio


@pytest.mark.parametrize("expected", [[], [1.0], [0.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
def test_of_fewer_than_two_runs_nothing_is_said(expected):
    assert told(made(np.zeros(len(expected)), expected)) is None


def test_a_period_has_both_its_ends():
    history = made(np.arange(8), 1.0)
    assert history.between(run(2), run(5)).faults.tolist() == [2, 3, 4, 5]
    after = history.between(run(2) + dt.timedelta(seconds=1), None)
    assert after.faults.tolist() == [3, 4, 5, 6, 7]
    assert history.between(None, run(3) - dt.timedelta(microseconds=1)).faults.tolist() == [0, 1, 2]
    assert history.between(run(90), None).started.size == 0


def test_a_moment_is_what_it_was():
    when = dt.datetime(2031, 7, 1, 5, 40, 0, 17)
    assert moment(np.datetime64(when)) == when
    assert moment(np.datetime64("2031-07-01T05:40")) == dt.datetime(2031, 7, 1, 5, 40)
