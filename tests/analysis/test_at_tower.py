"""What is carried over to a run that begins now."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import pytest

from analysis.at_tower import bins_told, following, offered_names, towers_now

NOW = dt.datetime(2031, 3, 14, 10, 0)
BLANK = dict.fromkeys(
    ("stock", "lot", "humidity_pct", "temperature_c", "prepared", "at_end", "set_vacuum")
)


def row(bin: int, cycles: int = 4000, **cells: object) -> dict[str, Any]:
    return {
        **BLANK,
        "tower": "B",
        "run": "0814",
        "stretch": 1,
        "started": dt.datetime(2031, 3, 14, 8, 5, tzinfo=dt.UTC),
        "bin": bin,
        "cycles": cycles,
        "misses": 0,
        "doubles": 0,
        "air_since": dt.datetime(2031, 3, 14, 8, 5, tzinfo=dt.UTC),
        "extra": [],
        **cells,
    }


def now(rows: list[dict[str, Any]], listed: list[Mapping[str, object]] | None = None) -> Any:
    (found,) = towers_now(listed or [], rows, NOW)
    return found


def test_a_tower_of_the_list_that_never_ran_has_its_bins_alone() -> None:
    found = now([], [{"tower": "B", "bins": 4, "site": "hall", "numbered_from": "bottom"}])
    assert (found.tower, found.site, found.bins) == ("B", "hall", (4, 3, 2, 1))
    assert (found.run, found.papers, dict(found.values)) == ("", (((), ""),), {})


def test_a_tower_that_no_list_knows_has_ten_bins_or_as_many_as_ran() -> None:
    assert now([row(1)]).bins == tuple(range(1, 11))
    assert now([row(12)]).bins == tuple(range(1, 13))


def test_the_paper_of_most_bins_is_the_body_and_the_others_are_named() -> None:
    rows = [row(1, stock="CO300"), *(row(b, stock="BO90", lot="P7") for b in (2, 3, 4))]
    assert now([*rows, row(5, 0)]).papers == (((), "BO90"), ((1,), "CO300"))
    assert now([*rows, row(5, 0)]).left_empty == (5,)


def test_a_setting_that_all_bins_had_alike_is_carried_and_no_other() -> None:
    rows = [row(1, set_vacuum="5", at_end="stacker"), row(2, set_vacuum="5", at_end="stacker")]
    assert dict(now(rows).values) == {"set_vacuum": "5", "at_end": "stacker"}
    rows[1]["set_vacuum"] = "6"
    assert dict(now(rows).values) == {"at_end": "stacker"}
    own = [row(b, extra=[("set_fan_angle", "15"), ("weight", "9")]) for b in (1, 2)]
    assert dict(now(own).values) == {"set_fan_angle": "15"}


def test_a_bin_that_was_left_empty_has_no_say() -> None:
    found = now([row(1, set_vacuum="5"), row(2, 0, set_vacuum="9")])
    assert dict(found.values) == {"set_vacuum": "5"}


@pytest.mark.parametrize(
    ("hours", "fresh"), [(0, True), (4, True), (4.1, False), (30, False), (-1, False)]
)
def test_air_is_carried_while_it_is_fresh(hours: float, fresh: bool) -> None:
    began = (NOW - dt.timedelta(hours=hours)).replace(tzinfo=dt.UTC)
    found = now([row(b, humidity_pct=38.5, air_since=began) for b in (1, 2)])
    assert (found.values.get("humidity_pct") == "38.5") is fresh
    assert (found.air_at == began.replace(tzinfo=None)) is fresh


def test_what_was_not_watched_for_is_carried_too() -> None:
    rows = [row(1, doubles=None), row(2, doubles=None), row(3, 0)]
    assert now(rows).unwatched == ("doubles",)
    assert now([*rows, row(4)]).unwatched == ()
    assert now([], [{"tower": "B"}]).unwatched == ()


def test_neither_lots_nor_jobs_nor_who_was_there_are_carried() -> None:
    found = now([row(1, lot="P7", job="J1", operator="M", note="x")])
    assert not {"lot", "job", "operator", "note"} & set(found.values)


def test_of_two_runs_that_began_together_the_last_one_counts() -> None:
    rows = [row(1, stock="A"), row(1, run="0815", stock="B"), row(1, run="0815", stretch=2)]
    found = now(rows)
    assert (found.run, found.papers) == ("0816", (((), ""),))


def test_towers_stand_in_the_order_of_their_names() -> None:
    found = towers_now([{"tower": "C", "bins": 2}, {"tower": "A", "bins": 2}], [row(1)], NOW)
    assert [one.tower for one in found] == ["A", "B", "C"]


@pytest.mark.parametrize(
    ("name", "after"),
    [("9", "10"), ("099", "100"), ("J-2 x7", "J-2 x8"), ("", ""), ("x", ""), ("7b", "")],
)
def test_the_name_after_a_name(name: str, after: str) -> None:
    assert following(name) == after


def test_names_are_offered_one_after_the_other() -> None:
    names = offered_names([now([row(1)]), now([], [{"tower": "B", "bins": 2}])])
    assert names["B"][:3] == ["0815", "0816", "0817"] and len(names["B"]) == 100
    assert offered_names([now([row(1, run="late")])]) == {"B": []}


def test_bins_are_told_as_the_log_does() -> None:
    assert bins_told([]) == "" and bins_told([4]) == "4" and bins_told([2, 1, 9]) == "1-2 9"
