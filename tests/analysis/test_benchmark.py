"""Which runs are a tower's latest burn-in."""

import datetime as dt

import pyarrow as pa

from analysis.benchmark import latest_proofs


def day(number):
    return dt.datetime(2031, 1, 1) + dt.timedelta(days=number)


def counts(rows):
    return pa.table(
        {
            "proof": pa.array([row[1] for row in rows], pa.string()),
            "of_tower": [row[0] for row in rows],
            "of_run": [str(i) for i in range(len(rows))],
            "first": pa.array([day(row[2]) for row in rows], pa.timestamp("us")),
        }
    )


def test_the_latest_named_burn_in_is_taken_with_all_its_runs():
    found = latest_proofs(
        counts([("A", "A-1", 1), ("A", "A-2", 200), ("A", "A-2", 201), ("B", "B-1", 5)]), {}
    )
    assert {t: (p.name, p.started, p.counts.num_rows) for t, p in found.items()} == {
        "A": ("A-2", day(200), 2),
        "B": ("B-1", day(5), 1),
    }


def test_lines_without_a_name_belong_together_between_overhauls():
    rows = [("A", None, 1), ("A", None, 2), ("A", None, 150), ("A", None, 151)]
    found = latest_proofs(counts(rows), {"A": [day(100)]})["A"]
    assert (found.name, found.started, found.counts.num_rows) == ("", day(150), 2)
    assert latest_proofs(counts(rows), {})["A"].counts.num_rows == 4


def test_an_overhaul_without_a_burn_in_after_it_leaves_the_older_one():
    found = latest_proofs(counts([("A", None, 1)]), {"A": [day(100)]})
    assert found["A"].started == day(1)


def test_a_name_holds_across_an_overhaul():
    rows = [("A", "A-1", 99), ("A", "A-1", 101)]
    assert latest_proofs(counts(rows), {"A": [day(100)]})["A"].counts.num_rows == 2


def test_no_burn_in_is_no_entry():
    assert latest_proofs(counts([]), {}) == {}
