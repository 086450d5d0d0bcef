"""Which runs are a burn-in, and where it begins anew."""

import datetime as dt
from dataclasses import replace

import pyarrow as pa
import pytest

from analysis.burn_ins import Batch, BatchError, burn_in, fingerprint, typed_burn_in
from analysis.plans import Asked
from analysis.plans_before import KeptPlan, chosen
from analysis.proofs import Change, changes_of, latest, proofs
from analysis.ran_on import conditions, planted
from analysis.service_log import Service


def day(number, hour=0):
    return dt.datetime(2031, 1, 1) + dt.timedelta(days=number, hours=hour)


def counts(rows):
    return pa.table(
        {
            "proof": pa.array([row[1] for row in rows], pa.string()),
            "of_tower": [row[0] for row in rows],
            "of_run": [str(i) for i in range(len(rows))],
            "first": pa.array([day(row[2]) for row in rows], pa.timestamp("us")),
        }
    )


def overhauled(number):
    return Change(day(number), "overhauled", overhaul=True)


def test_the_latest_named_burn_in_is_taken_with_all_its_runs():
    rows = [("A", "A-1", 1), ("A", "A-2", 200), ("A", "A-2", 201), ("B", "B-1", 5)]
    found = latest(proofs(counts(rows), {}))
    assert {t: (p.name, p.started, p.counts.num_rows) for t, p in found.items()} == {
        "A": ("A-2", day(200), 2),
        "B": ("B-1", day(5), 1),
    }


def test_burn_ins_stand_in_order_of_time():
    rows = [("A", "A-2", 200), ("A", "A-1", 1)]
    assert [p.name for p in proofs(counts(rows), {})["A"]] == ["A-1", "A-2"]


def test_lines_without_a_name_belong_together_between_overhauls():
    rows = [("A", None, 1), ("A", None, 2), ("A", None, 150), ("A", None, 151)]
    found = latest(proofs(counts(rows), {"A": [overhauled(100)]}))["A"]
    assert (found.name, found.started, found.counts.num_rows) == ("", day(150), 2)
    assert latest(proofs(counts(rows), {}))["A"].counts.num_rows == 4


def test_an_overhaul_without_a_burn_in_after_it_leaves_the_older_one():
    found = latest(proofs(counts([("A", None, 1)]), {"A": [overhauled(100)]}))
    assert found["A"].started == day(1)


def test_an_overhaul_within_a_named_burn_in_starts_it_anew():
    rows = [("A", "A-1", 99), ("A", "A-1", 101)]
    found = latest(proofs(counts(rows), {"A": [overhauled(100)]}))["A"]
    assert (found.begun, found.started, found.counts.num_rows) == (day(99), day(101), 1)
    assert [change.what for change in found.changes] == ["overhauled"]


def test_a_name_that_is_used_again_is_the_latest():
    rows = [("A", "A-1", 1), ("A", "A-2", 30), ("A", "A-1", 150)]
    found = latest(proofs(counts(rows), {"A": [overhauled(100)]}))["A"]
    assert (found.name, found.started) == ("A-1", day(150))


def test_what_was_done_on_its_days_is_near_it():
    rows = [("A", "A-1", 5), ("A", "A-1", 8)]
    changes = [Change(day(n), f"bin {n} brush fitted") for n in (4, 5, 6, 8, 9, 10)]
    found = latest(proofs(counts(rows), {"A": changes}))["A"]
    assert [c.what for c in found.changes] == ["bin 6 brush fitted", "bin 8 brush fitted"]
    assert [c.what for c in found.near] == ["bin 5 brush fitted", "bin 9 brush fitted"]


def test_what_was_done_before_or_after_changes_nothing():
    rows = [("A", "A-1", 5), ("A", "A-1", 8)]
    changes = {"A": [Change(day(5), "bin 1 brush fitted"), Change(day(9), "bin 1 brush fitted")]}
    found = latest(proofs(counts(rows), changes))["A"]
    assert (found.started, found.changes) == (day(5), ())


def test_a_setting_that_an_earlier_burn_in_had_was_not_moved_within_this_one():
    rows = [("A", "A-2", 205), ("A", "A-2", 208)]
    moved = [Change(day(207), "bin 1 vacuum moved from 5 to 6", since=day(3))]
    assert latest(proofs(counts(rows), {"A": moved}))["A"].changes == ()
    moved = [Change(day(207), "bin 1 vacuum moved from 5 to 6", since=day(205))]
    assert latest(proofs(counts(rows), {"A": moved}))["A"].started == day(208)


def test_no_burn_in_is_no_entry():
    assert proofs(counts([]), {}) == {}


def test_services_and_moves_in_words_without_inspections():
    found = changes_of(
        [
            Service(day(1), "A", 4, False, "brush", "fitted"),
            Service(day(1), "A", 4, False, "brush", "inspected"),
            Service(day(1), "A", None, False, "", "overhauled"),
        ],
        [
            {
                "tower": "A",
                "bin": 3,
                "setting": "set_foot_rest",
                "when": day(2),
                "since": day(1),
                "before": "in",
                "after": "out",
            }
        ],
    )["A"]
    assert [(c.what, c.overhaul) for c in found] == [
        ("bin 4 brush fitted", False),
        ("overhauled", True),
        ("bin 3 foot rest moved from in to out", False),
    ]


def test_piles_that_were_exchanged_start_no_burn_in_anew():
    # Nothing is done to the bins by it: the tower stands as it stood.
    swapped = [Service(day(3), "A", number, False, "Paper", "swapped") for number in (6, 7)]
    assert changes_of(swapped, []) == {}
    feet = [replace(one, part="suction foot") for one in swapped]
    assert [change.what for change in changes_of(feet, [])["A"]] == [
        "bin 6 suction foot swapped",
        "bin 7 suction foot swapped",
    ]


def line(run, at, number, cycles=1000, misses=0, doubles=0, **more):
    return {
        "run": run,
        "stretch": 1,
        "started": at,
        "tower": "A",
        "bin": number,
        "cycles": cycles,
        "misses": misses,
        "doubles": doubles,
        **more,
    }


def the_proof(rows, changes=()):
    found = pa.table(
        {
            "proof": pa.array(["A-1"] * len(rows), pa.string()),
            "of_tower": ["A"] * len(rows),
            "of_run": [row["run"] for row in rows],
            "first": pa.array([row["started"] for row in rows], pa.timestamp("us")),
        }
    )
    return latest(proofs(found, {"A": list(changes)}))["A"]


ROWS = [
    line("1", day(1), 1, misses=2),
    line("1", day(1), 2),
    line("2", day(2), 1, cycles=500, misses=None, doubles=1),
    line("2", day(2), 2, cycles=500, doubles=None),
    line("3", day(3), 1),
    line("3", day(3), 2, misses=1),
    line("3", day(3), None, cycles=None, misses=0, doubles=2),
]


def test_feeds_that_nothing_watched_count_for_the_other_kind_only():
    attempt = burn_in(the_proof(ROWS), ROWS).attempts[-1]
    assert attempt.runs == ("1", "2", "3")
    assert attempt.feeds["misses"].tolist() == [[1000, 1000], [0, 500], [1000, 1000]]
    assert attempt.feeds["doubles"].tolist() == [[1000, 1000], [500, 0], [1000, 1000]]
    assert attempt.unwatched == {"misses": 500, "doubles": 500}
    assert (attempt.total("misses"), attempt.total("doubles")) == (3, 3)
    assert attempt.unplaced["doubles"].tolist() == [0, 0, 2]


def test_attempts_are_parted_where_something_was_changed():
    changes = [Change(day(2, 6), "bin 2 brush cleaned"), Change(day(2, 7), "bin 2 foot fitted")]
    found = burn_in(the_proof(ROWS, changes), ROWS)
    assert [a.runs for a in found.attempts] == [("1", "2"), ("3",)]
    assert [a.ended_by.what if a.ended_by else None for a in found.attempts] == [
        "bin 2 foot fitted",
        None,
    ]
    assert [a.total("misses") for a in found.attempts] == [2, 1]


def test_the_fingerprint_knows_every_cell_and_no_order():
    whole = fingerprint(ROWS)
    assert len(whole) == 64
    assert fingerprint(ROWS[::-1]) == whole
    assert fingerprint([{**row, "note": None} for row in ROWS]) == whole
    for row in range(len(ROWS)):
        for name in ("cycles", "misses", "run", "note"):
            other = [dict(one) for one in ROWS]
            other[row][name] = "7" if name in ("run", "note") else 7
            assert fingerprint(other) != whole


def test_what_was_planted_and_called():
    rows = [
        line("1", day(1), 1, planted_doubles=10, called_doubles=9),
        line("1", day(1), 2, planted_doubles=5, called_doubles=5),
    ]
    misses, doubles = planted(burn_in(the_proof(rows), rows).attempts[-1])
    assert (misses.planted, doubles.planted, doubles.called) == (0, 15, 14)


def test_conditions_say_what_was_logged():
    rows = [
        line("1", day(1), 1, stock="BO90", lot="P1", humidity_pct=40.0, set_speed=2800),
        line("2", day(2), 1, stock="BO90", lot="P1", humidity_pct=55.0, set_speed=2800),
        line("3", day(3), 1, cycles=2000, stock=None, lot="P2", at_end="stacker"),
    ]
    found = conditions(burn_in(the_proof(rows), rows).attempts[-1])
    assert found.stocks == (("", 2000), ("BO90", 2000))
    assert found.lots == (("P1", 2), ("P2", 1))
    assert (found.humidity, found.no_humidity, found.temperature) == ((40, 55), 0.5, None)
    assert (found.at_end, found.settings) == (("stacker",), (("set_speed", ("2800",)),))


BEGUN = day(10)


def test_typed_batches_are_runs():
    found = typed_burn_in("A", 3, [Batch(100, (1, 1), (3,)), Batch(50, (None,))], BEGUN)
    attempt = found.attempts[-1]
    assert attempt.feeds["misses"].tolist() == [[100] * 3, [50] * 3]
    assert attempt.counts["misses"].tolist() == [[2, 0, 0], [0, 0, 0]]
    assert attempt.counts["doubles"].tolist() == [[0, 0, 1], [0, 0, 0]]
    assert attempt.unplaced["misses"].tolist() == [0, 1]


@pytest.mark.parametrize(
    ("batches", "told"),
    [
        ([], "no batch was typed"),
        ([Batch(0)], "batch 1 has no cycles"),
        ([Batch(5), Batch(5, (4,))], "batch 2 has a fault in bin 4; the tower has 3 bins"),
        ([Batch(2, (1, 1), (1,))], "batch 1 has 3 faults of bin 1 in 2 cycles"),
    ],
)
def test_batches_that_cannot_be(batches, told):
    with pytest.raises(BatchError, match=told):
        typed_burn_in("A", 3, batches, BEGUN)


def kept(number, wall, rows_before=0, kind="misses", **more):
    return KeptPlan(
        tower="A",
        proof="A-1",
        kind=kind,
        asked=Asked(3e-5, 1e-4),
        sequential=True,
        max_feeds=None,
        **{"stock": "", "humidity": None, **more},
        kept_at=wall.replace(tzinfo=dt.UTC),
        kept_wall=wall,
        rows_before=rows_before,
        number=number,
    )


def test_the_last_plan_kept_before_is_the_one():
    plans = [kept(1, day(1)), kept(2, day(2)), kept(3, day(12)), kept(4, day(3), rows_before=2)]
    assert chosen(plans, "A", "A-1", "misses", BEGUN).number == 2
    assert chosen(plans[2:], "A", "A-1", "misses", BEGUN).number == 3
    assert chosen(plans, "A", "A-1", "doubles", BEGUN) is None
    assert chosen(plans, "A", "A-2", "misses", BEGUN) is None
