"""A run that was counted at the tower: what its lines say, and what is refused."""

from __future__ import annotations

import copy
import csv
import io
from typing import Any

import pytest

from analysis.entry import EntryError, mended, read_draft, run_log

DRAFT: dict[str, Any] = {
    "tower": "B",
    "bins": [4, 3, 2, 1],
    "fields": {
        "run": "814",
        "stretches": "2",
        "1.started": "2031-03-14T08:05",
        "1.ended": "2031-03-14T09:30",
        "1.to": "4 180",
        "1.papers": [["", "BO90", ""], ["1", "CO300", "P7"]],
        "1.humidity_pct": "38,5",
        "1.stops": "3",
        "2.started": "2031-03-14T09:30",
        "2.from": "4180",
        "2.to": "6000",
        "2.empty": "3-4",
        "2.off": ["misses"],
        "2.purpose": "burn-in",
        "2.proof": "B-2",
        "2.set_fan_angle": "15",
        "2.note": '=1+1, "so"',
    },
    "faults": {
        "a": {"stretch": 1, "bin": 2, "kind": "doubles", "at": "2031-03-14T08:10:00"},
        "b": {"stretch": 1, "bin": 2, "kind": "doubles", "at": "2031-03-14T08:11:00"},
        "c": {"stretch": 1, "bin": None, "kind": "misses", "at": "2031-03-14T08:12:00"},
        "d": {"stretch": 1, "bin": 1, "kind": "misses", "undone": True},
        "e": {"stretch": 2, "bin": 1, "kind": "doubles"},
    },
}


def draft(**fields: object) -> dict[str, Any]:
    made = copy.deepcopy(DRAFT)
    for name, value in fields.items():
        made["fields"][name.removeprefix("_").replace("__", ".")] = value
    return made


def lines(raw: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(raw.decode())))


def refusal(asked: dict[str, Any]) -> str:
    with pytest.raises(EntryError) as told:
        read_draft(asked)
    return str(told.value)


class TestLines:
    rows = lines(run_log(read_draft(DRAFT)))

    def column(self, name: str) -> list[str]:
        return [row[name] for row in self.rows]

    def test_there_is_one_for_each_bin_and_stretch_and_for_bins_that_were_not_noted(self) -> None:
        assert self.column("bin") == ["1", "2", "3", "4", "?", "1", "2", "3", "4"]
        assert self.column("stretch") == ["1"] * 5 + ["2"] * 4
        assert {row["run"] for row in self.rows} == {"814"}
        assert {row["tower"] for row in self.rows} == {"B"}

    def test_cycles_are_what_the_counter_moved_by(self) -> None:
        assert self.column("cycles") == [*["4180"] * 4, "", "1820", "1820", "0", "0"]

    def test_a_fault_is_counted_where_it_was_seen_unless_it_was_taken_back(self) -> None:
        assert self.column("misses") == ["0", "0", "0", "0", "1", "off", "off", "off", "off"]
        assert self.column("doubles") == ["0", "2", "0", "0", "0", "1", "0", "0", "0"]

    def test_paper_lies_in_the_bins_that_are_named_and_the_other_in_the_rest(self) -> None:
        assert self.column("stock")[:5] == ["CO300", "BO90", "BO90", "BO90", ""]
        assert self.column("lot")[:5] == ["P7", "", "", "", ""]

    def test_air_is_of_every_bin_and_stops_are_told_once(self) -> None:
        assert self.column("humidity_pct") == ["38.5"] * 5 + [""] * 4
        assert self.column("stops") == ["3"] + [""] * 8

    def test_the_sites_own_settings_and_what_a_spreadsheet_would_run(self) -> None:
        assert self.column("set_fan_angle") == [""] * 5 + ["15"] * 4
        assert self.column("note")[-1] == '\'=1+1, "so"'

    def test_a_burn_in_is_named_and_production_is_not(self) -> None:
        assert self.column("purpose") == ["production"] * 5 + ["burn-in"] * 4
        assert self.column("proof") == [""] * 5 + ["B-2"] * 4
        other = lines(run_log(read_draft(draft(_2__purpose="trial"))))
        assert other[-1]["proof"] == ""

    def test_half_a_letter_does_not_stop_it(self) -> None:
        cut = draft(_1__note="lamp \ud83d")
        assert lines(run_log(read_draft(cut)))[0]["note"] == "lamp ?"

    def test_it_says_itself(self) -> None:
        told = read_draft(DRAFT).sentence()
        assert told == "Run 814 of tower B: 6,000 cycles in 2 stretches, 1 miss and 3 doubles."
        unwatched = draft(_1__off=["misses", "doubles"], _2__off=["misses", "doubles"])
        unwatched["faults"] = {}
        assert read_draft(unwatched).sentence().endswith("nothing was watched.")


class TestRefused:
    @pytest.mark.parametrize(
        ("asked", "told"),
        [
            (draft(run=""), "the run has no name; type its number"),
            (draft(_1__started=""), "stretch 1: it has no beginning; type when it started"),
            (draft(_1__to=""), "stretch 1: the counter was not typed"),
            (draft(_2__to="6000.5"), "stretch 2: the counter is no whole number"),
            (draft(_2__to="4000"), "the counter shows 4,000, less than the 4,180 at its start"),
            (draft(_1__empty="9"), "stretch 1: the bins left empty are '9'"),
            (draft(_1__empty="2"), "bin 2 was left empty and has a double; mend one of the two"),
            (draft(_1__off=["doubles"]), "bin 2 has a double though nothing was watching for it"),
            (draft(_1__purpose="rest"), "it cannot have run for rest; choose production"),
            (draft(_1__papers=[["", "A", ""], ["", "B", ""]]), "B lies in no bin; write in which"),
            (
                draft(_1__papers=[["", "A", ""], ["1-2", "B", ""], ["2", "C", ""]]),
                "bin 2 has two papers; leave it to one of them",
            ),
            (draft(_1__papers=[["", "A", ""], ["7", "B", ""]]), "the bins of B are '7'"),
            (draft(stretches="0"), "this is more than one run holds"),
            (draft(stretches="9999"), "this is more than one run holds"),
            ({**DRAFT, "tower": " "}, "the run has no tower"),
            ({**DRAFT, "bins": [0]}, "the tower has no bins"),
            ({**DRAFT, "faults": {"a": {"stretch": 3, "bin": 1, "kind": "misses"}}}, "of no str"),
            ({**DRAFT, "faults": {"a": {"stretch": 1, "bin": 5, "kind": "misses"}}}, "is in bin 5"),
            ({**DRAFT, "faults": {"a": {"stretch": 1, "bin": 1, "kind": "jams"}}}, "of no stretch"),
            ({**DRAFT, "faults": {"a": {"stretch": 1, "bin": 1, "kind": ["misses"]}}}, "of no str"),
            ({**DRAFT, "faults": {"a": {"stretch": 1, "bin": True, "kind": "misses"}}}, "bin True"),
            ({**DRAFT, "faults": {"a": "x"}}, "a fault cannot be read"),
            ({"fields": {}}, "this is no draft of a run"),
        ],
    )
    def test_it_is_told_where_and_what_to_do(self, asked: dict[str, Any], told: str) -> None:
        found = refusal(asked)
        assert told.replace("for it", "for doubles") in found

    def test_all_that_is_amiss_is_told_at_once(self) -> None:
        found = refusal(draft(run="", _1__to="", _2__started=""))
        assert found.count(";") >= 3 and "stretch 1" in found and "stretch 2" in found

    def test_a_single_stretch_is_not_numbered(self) -> None:
        one = draft(stretches="1", _1__to="")
        del one["faults"]["e"]
        assert refusal(one).startswith("the counter was not typed")


NAMES = ("run", "stretch", "started", "tower", "bin", "cycles", "misses", "doubles", "note")
ROWS = [
    ["814", "1", "2031-03-14T08:05", "B", "1", "4180", "0", "off", ""],
    ["814", "1", "2031-03-14T08:05", "B", "2", "4180", "1", "off", "'=x"],
]


class TestMended:
    def test_only_rows_that_were_changed_are_written_and_whole(self) -> None:
        raw = mended(NAMES, ROWS, [{"row": 1, "column": "misses", "value": " 3 "}])
        assert lines(raw) == [dict(zip(NAMES, [*ROWS[1][:6], "3", "off", "'=x"], strict=True))]

    def test_a_text_that_a_spreadsheet_would_run_is_kept_from_it(self) -> None:
        (row,) = lines(mended(NAMES, ROWS, [{"row": 0, "column": "note", "value": "=y"}]))
        assert row["note"] == "'=y"

    @pytest.mark.parametrize(
        "change",
        [
            {"row": 0, "column": "misses", "value": "0"},
            # Shown without the sign that keeps a spreadsheet from it.
            {"row": 1, "column": "note", "value": "=x"},
        ],
    )
    def test_what_is_as_it_was_is_no_change(self, change: dict[str, object]) -> None:
        with pytest.raises(EntryError, match="nothing was changed"):
            mended(NAMES, ROWS, [change])

    @pytest.mark.parametrize(
        "change",
        [
            {"row": 2, "column": "misses", "value": "1"},
            {"row": -1, "column": "misses", "value": "1"},
            {"row": "0", "column": "misses", "value": "1"},
            {"row": 0, "column": "run", "value": "815"},
            {"row": 0, "column": "bin", "value": "3"},
            {"row": 0, "column": "started", "value": "2031-03-15T08:05"},
            {"row": 0, "column": "intake", "value": "1"},
            {"row": 0, "column": "misses", "value": 1},
            {"row": 0, "column": "note", "value": "x" * 2001},
            {},
        ],
    )
    def test_what_a_row_is_known_by_stays(self, change: dict[str, object]) -> None:
        with pytest.raises(EntryError, match="cannot be mended here"):
            mended(NAMES, ROWS, [change])
