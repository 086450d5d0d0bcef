"""How a stream stands, and how one and all of them say so, of streams made by hand."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from analysis.counts import Account
from analysis.drift import Drift, sorted_streams
from analysis.streams import Alarm, Path, Stream, expected_faults, long_time, range_in_words

WHEN = dt.datetime(2031, 4, 7, 6, 30)


def alarm(**other: object) -> Alarm:
    given: dict[str, object] = {
        "alarmed_at": WHEN + dt.timedelta(days=20),
        "began": WHEN,
        "began_earliest": WHEN - dt.timedelta(days=3),
        "began_latest": WHEN + dt.timedelta(days=7),
        "shape": "step",
        "ratio": 3.14,
        "ratio_low": 1.9,
        "ratio_high": 4.6,
        "observed": 47,
        "expected": 15.0,
        "feeds": 612_340,
        "expected_after": 11.0,
    }
    return Alarm(**(given | other))  # type: ignore[arg-type]


def runs(monitored: list[bool], feeds: list[int]) -> Path:
    """Return runs without a fault, of which none was expected."""
    none = np.zeros(len(feeds))
    return Path(
        none.astype("datetime64[us]"), none.astype(int), np.array(feeds, int), none, none,
        np.array(monitored, bool), 0.0, 0.01,
    )  # fmt: skip


def stream(**other: object) -> Stream:
    given: dict[str, object] = {
        "tower": "B",
        "bin": 7,
        "kind": "doubles",
        "since": WHEN,
        "observed": 12,
        "expected": 14.6,
        "feeds": 812_345,
        "ratio": 0.82,
        "ratio_low": 0.4,
        "ratio_high": 1.4,
        "statistic": 2.0,
        "threshold": 6.0,
        "monitored_from": WHEN,
        "alarms": (),
        "doubling_days": 60.0,
        "path": runs([], []),
    }
    return Stream(**(given | other))  # type: ignore[arg-type]


OVER = alarm(closed_at=WHEN + dt.timedelta(days=33), closed_by="brush fitted")
LATER, LATER_STILL = dt.datetime(2031, 6, 1), dt.datetime(2031, 8, 2)
EXPLAIN = "that its paper, air and settings explain"


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (
            {},
            f"Bin 7 of tower B has the doubles {EXPLAIN}: 12 doubles where 15 were expected in "
            "812,345 feeds since 7 April 2031.",
        ),
        (
            {"observed": 1, "expected": 1.0, "bin": None, "kind": "misses"},
            f"Tower B has the misses {EXPLAIN}: 1 miss where 1.0 was expected in 812,345 feeds "
            "since 7 April 2031.",
        ),
        (
            {"alarms": (alarm(),)},
            f"Bin 7 of tower B has been worse since about 7 April 2031: 3.1 times the doubles "
            f"{EXPLAIN}.",
        ),
        (
            {"alarms": (alarm(shape="ramp"),)},
            "Bin 7 of tower B has been getting worse since about 7 April 2031: now 3.1 times the "
            f"doubles {EXPLAIN}.",
        ),
        (
            {"alarms": (alarm(closed_at=WHEN + dt.timedelta(days=33), closed_by="brush fitted"),)},
            f"Bin 7 of tower B has the doubles {EXPLAIN}: 12 doubles where 15 were expected in "
            "812,345 feeds since 7 April 2031; it was worse from about 7 April 2031 until "
            "10 May 2031.",
        ),
        (
            {"monitored_from": None, "since": None},
            "Bin 7 of tower B is not watched yet: what to expect of its doubles is learnt from its "
            "first six months.",
        ),
        (
            {"doubling_days": 1200.0},
            "Bin 7 of tower B has too few feeds to tell: as much as it runs, twice the doubles "
            "would be noticed after about 3 years.",
        ),
        (
            {"doubling_days": float("inf")},
            "Bin 7 of tower B has too few feeds to tell: it has run too little for anybody to "
            "notice twice the doubles.",
        ),
        (
            {"ratio_high": 0.97},
            "Bin 7 of tower B has fewer doubles than its paper, air and settings explain: 12 "
            "doubles where 15 were expected in 812,345 feeds since 7 April 2031.",
        ),
        (
            # As many as were expected are not fewer.
            {"ratio_high": 1.0},
            f"Bin 7 of tower B has the doubles {EXPLAIN}: 12 doubles where 15 were expected in "
            "812,345 feeds since 7 April 2031.",
        ),
        (
            {"alarms": (OVER, replace(OVER, began=LATER, closed_at=LATER + dt.timedelta(days=9)))},
            f"Bin 7 of tower B has the doubles {EXPLAIN}: 12 doubles where 15 were expected in "
            "812,345 feeds since 7 April 2031; it was worse from about 1 June 2031 until "
            "10 June 2031.",
        ),
        (
            {"alarms": (OVER, alarm(began=LATER), alarm(began=LATER_STILL, ratio=9.04))},
            f"Bin 7 of tower B has been worse since about 1 June 2031: 3.1 times the doubles "
            f"{EXPLAIN}, and 9.0 times since about 2 August 2031.",
        ),
        (
            {"monitored_from": None, "path": runs([False, True], [0, 0])},
            "Bin 7 of tower B cannot be watched for doubles: nothing was watching for them.",
        ),
        (
            {"monitored_from": None, "path": runs([False, True], [5000, 0])},
            "Bin 7 of tower B cannot be watched for doubles: too few doubles were logged so far to "
            "know what to expect.",
        ),
    ],
)
def test_a_stream_says_itself(other, said):
    assert stream(**other).sentence() == said


def test_a_stream_is_slow_where_a_doubling_takes_more_than_a_year():
    days = (364.0, 365.0, 365.5, float("inf"))
    assert [stream(doubling_days=one).slow for one in days] == [False, False, True, True]


def test_evidence_is_a_share_of_its_threshold():
    assert stream(statistic=2.0, threshold=8.0).evidence == 0.25
    assert stream(statistic=0.25, threshold=0.5).evidence == 0.5
    # Nothing to reach, as where a stream never ran.
    assert stream(statistic=2.0, threshold=0.0).evidence == 0.0


def answer(*streams: Stream, budget: float = 1.0, first: dt.datetime | None = WHEN) -> Drift:
    account = Account(1, 1, 1, WHEN, WHEN)
    return Drift(sorted_streams(streams), ("misses", "doubles"), account, budget, first)


def test_three_others_are_named():
    worse = [stream(bin=n, observed=90 - n, alarms=(alarm(),)) for n in (2, 3, 4, 5)]
    assert answer(*worse).sentence() == (
        f"Bin 2 of tower B has been worse since about 7 April 2031: 3.1 times the doubles {EXPLAIN}"
        "; bin 3 of tower B, bin 4 of tower B and bin 5 of tower B are worse too."
    )


def test_what_cannot_be_watched_is_told_by_its_kinds():
    never = {"monitored_from": None, "path": runs([True], [5000])}
    both = [stream(kind=kind, **never) for kind in ("doubles", "misses")]
    assert answer(*both).sentence() == (
        "Nothing can be watched: too few misses and doubles were logged so far to know what to "
        "expect."
    )
    young = stream(kind="misses", monitored_from=None)
    assert answer(both[0], young).sentence() == (
        "Nothing can be watched: too few doubles were logged so far to know what to expect."
    )
    # Something is watched, and that it is well is what there is to say.
    assert answer(both[0], stream(kind="misses")).sentence().startswith("No bin and no tower has")


def test_what_is_not_watched_yet_is_told_until_when_where_that_is_known():
    young = stream(monitored_from=None)
    begin = "Nothing is watched yet: what to expect is learnt from a tower's first six months"
    assert answer(young).sentence() == f"{begin}, until 7 April 2031."
    assert answer(young, first=None).sentence() == f"{begin}."
    assert answer().sentence() == "Nothing was logged here; choose another part of the log."


def test_too_few_feeds_are_told_by_the_stream_that_needs_the_least():
    slow = [stream(bin=n, doubling_days=days) for n, days in ((1, 4000.0), (2, 1200.0))]
    assert answer(*slow).sentence() == (
        "There are too few feeds to tell who is getting worse: as much as it runs, twice the "
        "doubles would be noticed after about 3 years."
    )
    assert answer(*slow, stream()).sentence().startswith("No bin and no tower has more faults")


def test_the_method_names_its_budget():
    assert answer(budget=1.0).method().endswith("; 1 false alarm a year allowed for each tower")
    assert answer(budget=0.5).method().endswith("; 0.5 false alarms a year allowed for each tower")
    assert "CUSUM of log-likelihood ratios for 1.5, 2 and 4 times" in answer().method()


def test_streams_are_sorted_by_alarm_then_evidence_then_place():
    worst = stream(bin=9, observed=90, expected=20.0, statistic=0.0, alarms=(alarm(),))
    # More faults, and fewer beyond what was expected.
    bad = stream(bin=8, observed=95, expected=40.0, statistic=5.0, alarms=(alarm(),))
    near = stream(bin=5, statistic=5.0)
    # Of equal evidence: the tower as a whole, then its bins by number, then the kinds by name.
    rest = [
        stream(bin=number, kind=kind, observed=number or 0, tower=tower)
        for tower, number, kind in (
            *(("A", 12, "doubles"), ("B", None, "misses"), ("B", 2, "misses")),
            *(("B", 10, "doubles"), ("B", 10, "misses")),
        )
    ]
    wanted = (worst, bad, near, *rest)
    assert sorted_streams(wanted[::-1]) == wanted


def test_the_worst_is_said_and_the_others_are_named():
    worst = stream(bin=2, observed=90, alarms=(alarm(),))
    others = [stream(bin=number, observed=40, alarms=(alarm(),)) for number in (3, 4, 5, 6)]
    begin = (
        f"Bin 2 of tower B has been worse since about 7 April 2031: 3.1 times the doubles {EXPLAIN}"
    )
    assert answer(worst, stream()).sentence() == f"{begin}."
    assert answer(others[0], worst).sentence() == f"{begin}; bin 3 of tower B is worse too."
    assert answer(*others[:2], worst).sentence() == (
        f"{begin}; bin 3 of tower B and bin 4 of tower B are worse too."
    )
    assert answer(*others, worst).sentence() == f"{begin}; 4 others are worse too."
    # The same bin by the other kind of fault is no other.
    both = replace(worst, kind="misses", observed=20)
    assert answer(both, worst).sentence() == f"{begin}."
    assert answer(stream()).sentence() == (
        "No bin and no tower has more faults than its paper, air and settings explain."
    )


def test_the_days_between_which_it_began_are_said():
    assert range_in_words(alarm()) == "Began between 4 and 14 April 2031"
    only = alarm(began_earliest=WHEN, began_latest=WHEN + dt.timedelta(hours=3))
    assert range_in_words(only) == "Began on 7 April 2031"
    assert range_in_words(alarm(began_latest=dt.datetime(2032, 1, 2))) == (
        "Began between 4 April 2031 and 2 January 2032"
    )


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (14.6, "15 were"),
        (9.96, "10 were"),
        (1.24, "1.2 were"),
        (1.0, "1.0 was"),
        (1234.4, "1,234 were"),
    ],
)
def test_expected_faults_are_said_in_two_digits(number, said):
    assert expected_faults(number) == said


def test_long_times_are_said_in_units_that_suit_them():
    days = (40, 59, 60, 61, 400, 729, 730, 400_000)
    assert [long_time(number) for number in days] == [
        *("40 days", "59 days", "2 months", "2 months", "13 months", "24 months", "2 years"),
        "1,096 years",
    ]


def test_an_alarm_is_confirmed_by_ten_more_expected_faults():
    assert alarm(expected_after=10.0).confirmed and not alarm(expected_after=9.9).confirmed
    assert alarm().open and not alarm(closed_at=WHEN).open


def test_faults_beyond_expected_are_added_up_from_the_first_watched_run():
    path = Path(
        started=np.array(["2031-07-01", "2031-07-02", "2031-07-03"], dtype="datetime64[us]"),
        observed=np.array([50, 3, 0]),
        feeds=np.array([10, 10, 10]),
        expected=np.array([1.0, 1.0, 2.0]),
        evidence=np.zeros(3),
        monitored=np.array([False, True, True]),
        variance=0.5,
        squared_cv=0.04,
    )
    total, band = path.beyond_expected()
    assert total.tolist() == [2.0, 0.0]
    # Chance of negative binomial counts, and of the level.
    wanted = [1.96 * (1 + 0.5 + 0.04) ** 0.5, 1.96 * (1 + 0.5 + 2 + 0.5 * 4 + 0.04 * 9) ** 0.5]
    np.testing.assert_allclose(band, wanted)
