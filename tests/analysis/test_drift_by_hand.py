"""Who is getting worse in months of a few runs, all of whose numbers were set by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from analysis.counts import Account
from analysis.drift import Drift, drift
from analysis.histories import Dated
from analysis.learnt import Learnt
from analysis.ratios import ratio
from analysis.service_log import Place
from analysis.stream_months import AlarmState, Month, StreamState
from analysis.streams import Alarm, Stream

FIRST, LEARNT, END = (dt.datetime(2031, month, 1) for month in (1, 7, 8))
ONE, TOWER, OTHER = ("A", 1), ("A", None), ("B", 1)
PLACES: tuple[Place, ...] = (ONE, OTHER, TOWER)
ACCOUNT = Account(1, 1, 1, FIRST, END)


def at(day: int) -> dt.datetime:
    """Return the start of the run of a day; the first month that is watched begins with day 0."""
    return LEARNT + dt.timedelta(days=day)


#: Runs of bin 1 of tower A by day: misses, misses expected, feeds. Those before day 0 are learnt
#: from; on day 0 a paper was run of which nothing was known.
RUNS = {
    -3: (2, 1.0, 900),
    -2: (0, 2.0, 900),
    0: (5, 0.0, 700),
    1: (3, 2.0, 1000),
    2: (1, 4.0, 1000),
    3: (9, 3.0, 1000),
    4: (7, 2.0, 1000),
    5: (8, 2.5, 1100),
    6: (6, 1.5, 1200),
    7: (4, 6.0, 1300),
}


def months(
    states: Mapping[tuple[Place, str], StreamState] | None = None,
    runs: Mapping[int, tuple[int, float, int]] = RUNS,
    place: Place = ONE,
) -> list[Month]:
    """Return what was learnt from and a month that was watched: one place has runs, and misses."""
    found = []
    for monitored, (since, until) in enumerate(((FIRST, LEARNT), (LEARNT, END))):
        mine = {day: run for day, run in runs.items() if (day >= 0) == bool(monitored)}
        faults, expected, feeds = np.array([*mine.values()], float).reshape(-1, 3).T
        zero = np.zeros(len(mine))
        found.append(
            Month(
                since=since,
                until=until,
                places=PLACES,
                place=np.full(len(mine), PLACES.index(place)),
                started=np.array([at(day) for day in mine], dtype="datetime64[us]"),
                faults=np.array([faults, zero]),
                expected=np.array([expected, zero]),
                plain=np.array([expected, zero]),
                feeds=np.array([feeds, zero]),
                evidence=np.array([faults / 10, zero]),
                monitored=np.full(len(mine), bool(monitored)),
                new_paper=(),
                states=states or {},
            )
        )
    return found


def learnt(**other: object) -> Learnt:
    ones = np.ones((2, 3))
    given: dict[str, object] = {
        "references": (None, None),
        "places": PLACES,
        "begun": (LEARNT, at(40), LEARNT),
        "level": ones,
        "squared_cv": np.array([[0.04, 0.05, 0.06], [0.07, 0.08, 0.09]]),
        "yearly": 40 * ones,
        "sizes": ones,
        "thresholds": np.array([[[6.0, 2.5, 8.0]] * 3] * 2),
        "doubling": 12 * ones,
        "variance": np.array([[0.1, 0.4], [0.2, 0.8]]),
    }
    return Learnt(**(given | other))  # type: ignore[arg-type]


def found(*given: Month, known: Learnt | None = None, **other: object) -> Drift:
    return drift(given, known or learnt(), ACCOUNT, budget=2.0, **other)  # type: ignore[arg-type]


def stream(place: Place = ONE, kind: str = "misses", **state: object) -> Stream:
    """Return a stream of one place with runs, as it stands by its state."""
    states = {(place, kind): StreamState(**state)}  # type: ignore[arg-type]
    one = found(*months(states, place=place)).stream(*place, kind)
    assert one is not None
    return one


def alarm_state(day: int, **other: object) -> AlarmState:
    told = Dated(at(3), at(2), at(4), "step", 3.0, 1.5, 5.0, 9.0, 3.0, 1000.0)
    given: dict[str, object] = {
        "alarmed_at": at(day),
        "at_alarm": None,
        "history_from": None,
        "worse": 2.0,
        "told": told,
        "expected": 3.0,
    }
    return AlarmState(**(given | other))  # type: ignore[arg-type]


def check_ratio(
    one: Stream | Alarm, days: Sequence[int], variance: float = 0.1, squared_cv: float = 0.04
) -> None:
    """Check faults to those expected, on some days, with the interval of a ratio of two counts.

    What is expected is known as a count of 1 / `squared_cv` faults would tell it. Clusters add the
    variance times the squares of what each run expects.
    """
    faults, expected, _ = np.array([RUNS[day] for day in days]).T
    total, known = expected.sum(), 1 / squared_cv
    other = ratio(
        *(faults.sum(), 1e6 * total, known, 1e6 * known),
        relative_variance=variance * (expected**2).sum() / total**2,
    )
    assert one.ratio == pytest.approx(faults.sum() / total)
    assert (one.ratio_low, one.ratio_high) == pytest.approx((other.low, other.high), rel=1e-4)


def test_a_stream_is_told_from_where_something_was_expected_of_it():
    one = stream(sums=[3.0, 2.0, 1.0])
    assert (one.tower, one.bin, one.kind) == ("A", 1, "misses")
    assert (one.since, one.monitored_from) == (at(1), at(1))
    assert (one.observed, one.expected, one.feeds) == (38, 21.0, 7600)
    check_ratio(one, range(1, 8))
    # 2 of 2.5 is nearer than 3 of 6.
    assert (one.statistic, one.threshold) == (2.0, 2.5)
    # Twelve expected faults at forty a year.
    assert one.doubling_days == pytest.approx(109.5)
    path = one.path
    assert path.started.tolist() == [at(day) for day in RUNS]
    assert path.observed.tolist() == [run[0] for run in RUNS.values()]
    assert path.expected.tolist() == [run[1] for run in RUNS.values()]
    assert path.feeds.tolist() == [run[2] for run in RUNS.values()]
    assert path.evidence.tolist() == [run[0] / 10 for run in RUNS.values()]
    assert path.monitored.tolist() == [False] * 2 + [True] * 8


def test_a_tower_has_the_variance_and_the_level_of_a_tower():
    one = stream(TOWER)
    assert (one.tower, one.bin) == ("A", None)
    assert (one.path.variance, one.path.squared_cv) == (0.4, 0.06)
    check_ratio(one, range(1, 8), variance=0.4, squared_cv=0.06)
    of_bin = stream(ONE)
    assert (of_bin.path.variance, of_bin.path.squared_cv) == (0.1, 0.04)
    doubles = found(*months()).stream("B", 1, "doubles")
    assert (doubles.path.variance, doubles.path.squared_cv) == (0.2, 0.08)


def test_of_a_stream_that_is_not_watched_yet_nothing_is_told():
    young = {day: run for day, run in RUNS.items() if day <= 0}
    one = found(*months(runs=young)).stream("A", 1, "misses")
    assert (one.since, one.monitored_from) == (None, None)
    assert (one.observed, one.expected, one.feeds) == (0, 0.0, 0)
    assert np.isnan([one.ratio, one.ratio_low, one.ratio_high]).all()
    assert (one.statistic, one.alarms) == (0.0, ())


def test_a_stream_that_hardly_runs_would_take_ever_longer():
    yearly = np.array([[0.5, 0.0, 40.0]] * 2)
    known = learnt(yearly=yearly, doubling=np.ones((2, 3)))
    days = [
        found(*months(), known=known).stream(*place, "misses").doubling_days for place in PLACES
    ]
    assert days == [730.0, np.inf, 365 / 40]


def test_little_that_was_expected_gives_a_ratio_too():
    runs = {-1: (1, 1.0, 900), 1: (2, 0.25, 1000), 2: (0, 0.25, 1000)}
    one = found(*months(runs=runs)).stream("A", 1, "misses")
    assert (one.expected, one.ratio) == (0.5, 4.0)
    told = replace(alarm_state(2).told, began=at(1))
    states = {(ONE, "misses"): StreamState(alarms=[alarm_state(2, told=told)])}
    one = found(*months(states, runs)).stream("A", 1, "misses")
    assert (one.alarms[0].expected, one.alarms[0].ratio) == (0.5, 4.0)


def test_a_stream_begins_anew_where_its_state_says_so():
    assert (stream(anew=at(5)).since, stream(anew=at(5)).observed) == (at(5), 18)
    # Not where it was still being learnt from.
    assert (stream(anew=at(-3)).since, stream(anew=at(-3)).observed) == (at(1), 38)


def test_an_alarm_is_told_by_the_runs_since_it_began():
    one = stream(alarms=[alarm_state(5)])
    (alarm,) = one.alarms
    assert (alarm.alarmed_at, alarm.began) == (at(5), at(3))
    assert (alarm.began_earliest, alarm.began_latest, alarm.shape) == (at(2), at(4), "step")
    assert (alarm.observed, alarm.expected, alarm.feeds) == (34, 15.0, 5600)
    assert (alarm.expected_after, alarm.closed_at, alarm.closed_by) == (3.0, None, "")
    check_ratio(alarm, range(3, 8))
    assert (one.since, one.observed) == (at(3), 34)
    check_ratio(one, range(3, 8))
    tower = stream(TOWER, alarms=[alarm_state(5)])
    check_ratio(tower.alarms[0], range(3, 8), variance=0.4, squared_cv=0.06)


def test_an_open_alarm_that_began_before_it_was_watched_is_told_from_there():
    told = replace(alarm_state(5).told, began=at(-2))
    one = stream(alarms=[alarm_state(5, told=told)])
    assert (one.since, one.observed, one.monitored_from) == (at(-2), 43, at(1))


def test_an_alarm_that_is_over_is_told_up_to_its_end():
    over = alarm_state(5, closed_at=at(6), closed_by="brush fitted")
    one = stream(alarms=[over], anew=at(6))
    (alarm,) = one.alarms
    assert (alarm.observed, alarm.expected, alarm.feeds) == (30, 9.0, 4300)
    assert (alarm.closed_at, alarm.closed_by) == (at(6), "brush fitted")
    check_ratio(alarm, range(3, 7))
    assert (one.since, one.observed) == (at(6), 10)


@pytest.mark.parametrize(
    ("closed", "observed"),
    # To the next alarm on day 6, or to its own end before that.
    [(None, 30), (at(7), 30), (at(5), 24)],
)
def test_of_two_alarms_the_first_is_told_up_to_the_next(closed, observed):
    told = replace(alarm_state(6).told, began=at(5))
    one = stream(alarms=[alarm_state(4, closed_at=closed), alarm_state(6, told=told)])
    first, second = one.alarms
    assert (first.observed, second.observed) == (observed, 18)


def test_of_three_alarms_each_is_told_up_to_the_next():
    told = alarm_state(5).told
    days = ((4, 3), (5, 5), (7, 6))
    states = [alarm_state(day, told=replace(told, began=at(began))) for day, began in days]
    assert [alarm.observed for alarm in stream(alarms=states).alarms] == [24, 18, 10]


def test_a_ramp_is_told_by_what_it_has_reached():
    told = replace(alarm_state(5).told, shape="ramp", ratio=4.0, ratio_low=2.0, ratio_high=7.0)
    one = stream(alarms=[alarm_state(5, told=told, expected=9.9)])
    (alarm,) = one.alarms
    assert (alarm.shape, alarm.ratio, alarm.ratio_low, alarm.ratio_high) == ("ramp", 4.0, 2.0, 7.0)
    assert (one.ratio, one.ratio_low, one.ratio_high) == (4.0, 2.0, 7.0)
    assert (alarm.observed, alarm.expected) == (34, 15.0)
    # By what came after the alarm, once ten faults were expected of that.
    one = stream(alarms=[alarm_state(5, told=told, expected=10.0)])
    check_ratio(one.alarms[0], range(5, 8))
    check_ratio(one, range(5, 8))
    # One that is over says nothing of how it stands now.
    one = stream(alarms=[alarm_state(5, told=told, closed_at=at(5))], anew=at(6))
    check_ratio(one, (6, 7))


def test_an_alarm_that_cannot_be_dated_began_when_it_was_raised():
    """Its history begins after the last run: there is nothing to date it by."""
    one = stream(alarms=[alarm_state(5, told=None, history_from=at(20))])
    (alarm,) = one.alarms
    assert (alarm.began, alarm.began_earliest, alarm.began_latest) == (at(5),) * 3
    assert (alarm.shape, alarm.observed, alarm.expected) == ("step", 0, 0.0)
    assert np.isnan(alarm.ratio) and (alarm.ratio_low, alarm.ratio_high) == (0.0, np.inf)


def test_alarms_that_were_over_before_a_moment_are_not_told():
    states = {
        (ONE, "misses"): StreamState(alarms=[alarm_state(5, closed_at=at(6)), alarm_state(7)])
    }
    for since, number in ((None, 2), (at(6), 2), (at(7), 1)):
        one = found(*months(states), since=since).stream("A", 1, "misses")
        assert len(one.alarms) == number


def test_new_paper_is_added_up_over_the_months_that_are_watched():
    before, watched = months()
    papers = [
        replace(before, new_paper=(("S9", 1),)),
        replace(watched, new_paper=(("S2", 100), ("S1", 50))),
        replace(watched, new_paper=(("S2", 30),)),
    ]
    assert found(*papers).new_paper == (("S1", 50), ("S2", 130))


def test_what_was_asked_for_is_told_and_no_more():
    whole = found(*months())
    assert len(whole.monitored) == 6
    assert (whole.kinds, whole.budget, whole.account) == (("misses", "doubles"), 2.0, ACCOUNT)
    assert (whole.first_monitored, whole.marks) == (LEARNT, ())
    part = found(*months(), asked=lambda place: place == OTHER, kinds=["doubles"])
    assert [(one.tower, one.bin, one.kind) for one in part.monitored] == [("B", 1, "doubles")]
    assert (part.first_monitored, part.kinds) == (at(40), ("doubles",))
    nothing = found(*months(), asked=lambda place: False)
    assert (nothing.monitored, nothing.first_monitored) == ((), None)
