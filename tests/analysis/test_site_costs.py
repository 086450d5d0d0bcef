"""What the site file says of costs, parts and towers, and how it is told that it is wrong."""

from __future__ import annotations

import dataclasses

import pytest

from analysis.site import NO_SITE, parse_site
from analysis.site_costs import USUAL_COSTS, Costs, PartNote, TowerNote
from tests.analysis.test_site import problem, problems

#: What each number can be, as it is told.
MONEY = (
    "a number from 0 to 1,000,000,000, without quotation marks, and with a point for the decimals"
)
MINUTES = "a number from 0 to 1,440, without quotation marks, and with a point for the decimals"


class TestCosts:
    def test_each_key_is_the_field_of_its_name(self) -> None:
        values = {
            "hour": 70,
            "stop_minutes": 1.5,
            "mend_minutes": 0,
            "spoiled_set": 0.8,
            "spoiled_share": 1,
            "found_later": 1_000_000_000,
        }
        lines = "\n".join(f"{key} = {value}" for key, value in values.items())
        costs = parse_site(f"[costs]\ncurrency = ' EUR '\n{lines}", "s").costs
        assert dataclasses.asdict(costs) == {"currency": "EUR", **values}
        assert costs.assumed == ()
        assert costs.or_usual() == costs

    def test_what_is_not_stated_is_named_and_filled(self) -> None:
        costs = parse_site("[costs]\nhour = 90\nspoiled_share = 0", "s").costs
        assert costs == Costs(hour=90, spoiled_share=0)
        assert costs.assumed == ("stop_minutes", "mend_minutes", "spoiled_set", "found_later")
        # Stated noughts are kept.
        assert costs.or_usual() == Costs("", 90, 2, 1, 2, 0, 25)
        assert costs.or_usual().assumed == ()

    def test_without_any_all_is_common_practice(self) -> None:
        assert NO_SITE.costs == Costs()
        assert NO_SITE.costs.or_usual() == USUAL_COSTS == Costs("", 60, 2, 1, 2, 0.1, 25)
        assert len(NO_SITE.costs.assumed) == 6

    @pytest.mark.parametrize("key", ["hour", "spoiled_set", "found_later"])
    @pytest.mark.parametrize(
        ("value", "shown"),
        [("-1", "-1"), ("1e10", "10000000000.0"), ("nan", "nan"), ("true", "true")]
        + [("'7'", "7"), ("[7]", "a list"), ("0x" + "f" * 90, "a number of very many digits")],
    )
    def test_money_that_cannot_be_is_refused(self, key: str, value: str, shown: str) -> None:
        assert problem(f"[costs]\n{key} = {value}") == f"costs.{key} is {shown}; write {MONEY}"

    @pytest.mark.parametrize("key", ["stop_minutes", "mend_minutes"])
    @pytest.mark.parametrize("value", ["-0.1", "1440.5", "inf"])
    def test_minutes_beyond_a_day_are_refused(self, key: str, value: str) -> None:
        assert problem(f"[costs]\n{key} = {value}") == f"costs.{key} is {value}; write {MINUTES}"

    @pytest.mark.parametrize("value", ["10", "1.01", "-0.1", "'0.1'"])
    def test_a_share_in_percent_is_refused(self, value: str) -> None:
        told = value.strip("'")
        assert problem(f"[costs]\nspoiled_share = {value}") == (
            f"costs.spoiled_share is {told}; write a number from 0 to 1, such as 0.1 for one in ten"
        )

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            (
                "currency = 'Dollars and cents'",
                "costs.currency is Dollars and cents; write at most 12 letters, such as EUR",
            ),
            ("currency = 1", "costs.currency is 1; write a text in quotation marks"),
            ("spoilt_share = 0.1", "costs.spoilt_share is not known; did you mean spoiled_share?"),
        ],
    )
    def test_what_else_cannot_be_is_refused(self, text: str, told: str) -> None:
        assert problem(f"[costs]\n{text}") == told


class TestParts:
    def test_each_key_is_the_field_of_its_name(self) -> None:
        text = "kind = 'misses'\nprice = 14\nlead_days = 10\nfit_minutes = 12.5"
        site = parse_site(f'[parts."Suction  foot "]\n{text}\n[parts.brush]', "s")
        assert site.parts == {
            "suction foot": PartNote("misses", 14, 10, 12.5),
            "brush": PartNote(),
        }

    @pytest.mark.parametrize("name", ["suction foot", "SUCTION FOOT", " Suction  Foot"])
    def test_letters_in_another_case_are_the_same_part(self, name: str) -> None:
        site = parse_site('[parts."Suction Foot"]\nprice = 14', "s")
        assert site.part(name) == PartNote(price=14)

    def test_of_another_nothing_is_said(self) -> None:
        assert NO_SITE.part("brush") == PartNote("", None, None, None)

    @pytest.mark.parametrize("kind", ["misses", "doubles", "faults"])
    def test_each_kind_of_fault_is_taken(self, kind: str) -> None:
        assert parse_site(f"[parts.brush]\nkind = '{kind}'", "s").part("brush").kind == kind

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("kind = 'jams'", "parts.brush.kind is jams; write one of misses, doubles, faults"),
            ("kind = 1", "parts.brush.kind is 1; write a text in quotation marks"),
            ("price = -1", f"parts.brush.price is -1; write {MONEY}"),
            ("fit_minutes = 1441", f"parts.brush.fit_minutes is 1441; write {MINUTES}"),
            ("cost = 3", "parts.brush.cost is not known; known are kind, price, lead_days, fit_mi"),
            ("lead_day = 3", "parts.brush.lead_day is not known; did you mean lead_days?"),
            ("[parts.BRUSH]", "parts.BRUSH stands twice, since case and blanks do not count; keep"),
            (
                "[parts.' ']",
                'parts." " is empty; write the part\'s name as it stands in the service log',
            ),
            (f"[parts.{'x' * 65}]", f"parts.{'x' * 57}... is {'x' * 57}...; write at most 64 lett"),
        ],
    )
    def test_what_cannot_be_is_refused(self, text: str, told: str) -> None:
        assert problem(f"[parts.brush]\n{text}").startswith(told)

    @pytest.mark.parametrize("value", ["-1", "1001", "2.5", "'10'", "true"])
    def test_days_are_whole(self, value: str) -> None:
        told = value.strip("'")
        assert problem(f"[parts.brush]\nlead_days = {value}") == (
            f"parts.brush.lead_days is {told}; write a whole number from 0 to 1,000, without "
            "quotation marks"
        )


class TestTowers:
    EVERY = '[towers."*"]\nparts = ["Brush", "suction  foot"]\nhours_per_week = 80\n'

    def test_each_key_is_the_field_of_its_name(self) -> None:
        text = "parts = ['brush']\ntower_parts = ['Pump', 'filter']\nhours_per_week = 37.5\n"
        site = parse_site(f"[towers.A]\n{text}cycles_per_hour = 2800", "s")
        assert site.tower("A") == TowerNote(("brush",), ("pump", "filter"), 37.5, 2800)

    def test_one_table_holds_for_all_that_have_none(self) -> None:
        site = parse_site(f"{self.EVERY}[towers.B]\ncycles_per_hour = 3000\n[towers.C]", "s")
        assert site.tower("A") == TowerNote(("brush", "suction foot"), (), 80, None)
        assert site.tower("B") == TowerNote((), (), None, 3000)
        assert site.tower("C") == TowerNote()

    def test_without_it_nothing_is_said_of_the_others(self) -> None:
        site = parse_site("[towers.A]\nparts = []\nhours_per_week = 168", "s")
        assert site.tower("B") == NO_SITE.tower("B") == TowerNote()
        # Towers go by their names as logged.
        assert site.tower("a") == TowerNote()

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            (
                "parts = 'brush'",
                'towers.A.parts is no list; write the parts in it, such as ["brush"]',
            ),
            ("tower_parts = [3]", "towers.A.tower_parts number 1 is 3; write a text in quotation"),
            (
                "parts = ['brush', ' BRUSH ']",
                "towers.A.parts has BRUSH twice; name each part once",
            ),
            (
                "parts = ['filter']\ntower_parts = ['pump', 'Filter']",
                "towers.A has filter in parts and in tower_parts; keep it in one, or give one of "
                "the two another name",
            ),
            ("hours_per_week = 0", "towers.A.hours_per_week is 0; write a number above 0 and at m"),
            ("hours_per_week = 169", "towers.A.hours_per_week is 169; write a number above 0 and"),
            ("cycles_per_hour = 0", "towers.A.cycles_per_hour is 0; write a number above 0 and at"),
            ("cycle_per_hour = 9", "towers.A.cycle_per_hour is not known; did you mean cycles_per"),
            ("[towers.'A ']", 'towers."A " stands twice, since blanks do not count; keep one'),
            (
                "[towers.'']",
                'towers."" is empty; write the tower\'s name as logged, or * for every other tower',
            ),
        ],
    )
    def test_what_cannot_be_is_refused(self, text: str, told: str) -> None:
        assert problem(f"[towers.A]\n{text}").startswith(told)


def test_the_problems_of_all_tables_are_told_at_once() -> None:
    text = (
        "false_alarms_per_tower_year = 0\n[limits]\ntimes_new = 0\n[costs]\nhour = -1\n"
        "mend_minutes = -1\n[parts.brush]\nkind = 'x'\n[towers.A]\nparts = ['a', 'a']"
    )
    assert [told.partition(" ")[0] for told in problems(text)] == [
        "false_alarms_per_tower_year",
        "limits.times_new",
        "costs.hour",
        "costs.mend_minutes",
        "parts.brush.kind",
        "towers.A.parts",
    ]
