"""The site file: what it sets, and every way to be told that it is wrong."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import data_samples
from analysis.log_format import KINDS
from analysis.site import (
    NO_SITE,
    SITE_FILE,
    USUAL_LIMIT_TIMES,
    Setting,
    Site,
    SiteError,
    parse_site,
    read_site,
    read_site_file,
)
from analysis.site_costs import Costs, PartNote, TowerNote
from analysis.values import DATE_FORMS


def problems(text: str) -> list[str]:
    """Return what is said of a wrong file, each held to the form of a plain sentence."""
    with pytest.raises(SiteError) as found:
        parse_site(text, "site.toml")
    for problem in found.value.problems:
        assert "; " in problem, "no remedy"
        assert problem.isprintable()
        assert len(problem) < 300
        assert not problem.endswith(".")
        for piece in ("Error", "None", "<", "object", "{"):
            assert piece not in problem
    assert str(found.value).startswith(f"site file site.toml: {found.value.problems[0]}")
    return list(found.value.problems)


def problem(text: str) -> str:
    (only,) = problems(text)
    return only


class TestTheExample:
    site = read_site_file(data_samples.folder() / SITE_FILE)

    def test_it_sets_what_its_comments_say(self) -> None:
        site = self.site
        assert site is not None
        assert (site.zone, site.date_form) == ("Europe/London", "D/M/Y")
        assert site.headers == {
            "job ticket": "run",
            "counter": "cycles",
            "impressions": "cycles",
            "skips": "misses",
            "two-ups": "doubles",
            "fan angle": "set_fan_angle",
        }
        assert site.settings == {
            "set_vacuum": Setting("mark", ("3", "4", "5", "6", "7", "8")),
            "set_speed": Setting("cycles/h", ()),
            "set_blast": Setting("", ("off", "soft", "full")),
            "set_foot_rest": Setting("", ("in", "out")),
            "set_fan_angle": Setting("°", ("0", "15", "30", "steep")),
        }
        assert site.standard == {"misses": 4e-5, "doubles": 2e-5, "faults": 6e-5}
        assert (site.budget, site.limit_times, site.limits) == (1.0, 2.5, {"doubles": 4e-5})
        assert site.costs == Costs("GBP", 72, 1.5, 1, 1.8, 0.1, 30)
        assert site.parts == {
            "brush": PartNote("doubles", 23, 12, 10),
            "suction foot": PartNote("misses", 14, 10, 15),
            "filter": PartNote("misses", 9.5, 4, 20),
            "pump": PartNote("misses", 1150, 35, 180),
        }
        carried = (("brush", "suction foot"), ("pump", "filter"))
        assert site.towers == {
            "*": TowerNote(*carried, 14, 2800),
            "B": TowerNote(*carried, 13.5, 2700),
        }

    def test_it_names_every_form_of_dates(self) -> None:
        text = (data_samples.folder() / SITE_FILE).read_text("utf-8")
        assert all(f'"{form}"' in text for form in DATE_FORMS)

    def test_every_key_is_explained_above_it(self) -> None:
        lines = (data_samples.folder() / SITE_FILE).read_text("utf-8").splitlines()
        keys = ["zone =", "date_form =", "[headers]", "[settings.set_vacuum]", "[standard]"]
        keys += ["false_alarms_per_tower_year =", "[limits]", "[costs]", "[parts.brush]"]
        for key in (*keys, '[towers."*"]'):
            (at,) = (number for number, line in enumerate(lines) if line.startswith(key))
            assert lines[at - 1].startswith("# ")


class TestReading:
    def test_without_a_file_nothing_is_set(self, tmp_path: Path) -> None:
        assert read_site(tmp_path) == read_site(tmp_path / "none") == NO_SITE == Site()
        assert NO_SITE.fingerprint == ""
        assert NO_SITE.setting("set_vacuum") == Setting()

    def test_an_empty_file_sets_nothing_either(self, tmp_path: Path) -> None:
        (tmp_path / SITE_FILE).write_bytes(b"# nothing yet\n")
        site = read_site(tmp_path)
        assert (site.zone, site.headers, site.settings, site.standard) == ("", {}, {}, {})
        assert (site.budget, site.limits, site.limit_times) == (None, {}, None)
        assert (site.costs, site.parts, site.towers) == (Costs(), {}, {})

    def test_the_fingerprint_is_that_of_the_bytes(self, tmp_path: Path) -> None:
        raw = b'\xef\xbb\xbfzone = "Etc/UTC"\r\n'
        (tmp_path / SITE_FILE).write_bytes(raw)
        site = read_site(tmp_path)
        assert site.zone == "Etc/UTC"
        assert site.fingerprint == hashlib.sha256(raw).hexdigest()

    def test_sites_can_be_told_apart_and_kept_by(self) -> None:
        first, second = (parse_site(f"[standard]\nmisses_per_10k = {n}", "s") for n in (1, 2))
        assert len({first, second, parse_site("[standard]\nmisses_per_10k = 1", "s")}) == 2

    def test_a_folder_in_its_place_is_refused(self, tmp_path: Path) -> None:
        (tmp_path / SITE_FILE).mkdir()
        with pytest.raises(SiteError, match="site.toml: it is a folder; put a text file in its"):
            read_site(tmp_path)

    @pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes on this system")
    def test_a_pipe_is_not_waited_for(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / SITE_FILE)
        with pytest.raises(SiteError, match="it is no file; put a text file in its place"):
            read_site(tmp_path)

    def test_one_that_cannot_be_opened_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(SiteError, match=r"it cannot be read \(.+\); see to it that"):
            read_site(tmp_path / ("x" * 5000))

    def test_the_line_that_is_no_utf_8_is_named(self, tmp_path: Path) -> None:
        (tmp_path / SITE_FILE).write_bytes(b"[headers]\n\"Z\xe4hler\" = 'cycles'\n")
        with pytest.raises(SiteError, match="line 2 is not UTF-8; save the file as UTF-8"):
            read_site(tmp_path)

    def test_a_huge_file_is_not_read(self, tmp_path: Path) -> None:
        (tmp_path / SITE_FILE).write_bytes(b"#" * 1_000_001)
        with pytest.raises(SiteError, match="larger than a site file can be"):
            read_site(tmp_path)

    def test_it_speaks_to_no_store_and_no_log(self) -> None:
        code = "import sys, analysis.site; print(*(m for m in sys.modules if 'analysis' in m))"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
        loaded = {name.partition(".")[2] for name in done.stdout.split()}
        assert "log_format" in loaded
        assert not loaded & {"store", "intake", "records"}


class TestToml:
    @pytest.mark.parametrize(
        ("text", "where", "what", "remedy"),
        [
            ("\nzone = Europe/London", "line 2, column 8", "invalid value", "quotation marks"),
            (
                "[standard]\nmisses_per_10k = 0,3",
                "line 2, column 19",
                "expected newline",
                "a comma in a number",
            ),
            ("zone 'Etc/UTC'\n", "line 1, column 6", "expected '='", "write name = value"),
            ("zone = 'a'\nzone = 'b'", "the end of it", "cannot overwrite a value", "once"),
            ("[a]\n[a]\n", "line 2, column 3", "cannot declare", "each [name] once"),
            ("zone = 'Etc/UTC", "the end of it", "expected", "the mark that it began with"),
            ("[settings\n", "line 1, column 10", "expected ']'", "as [name]"),
            ("[[bins]\n", "line 1, column 7", "expected ']]'", "as [[name]]"),
            ("ask = [1, 2", "the end of it", "unclosed array", "end it with ]"),
            ("[towers]]\n", "line 1, column 9", "expected newline", "a bracket too many"),
            ("= 3\n", "line 1, column 1", "invalid statement", "put right what stands there"),
        ],
    )
    def test_the_place_and_what_mends_it_are_told(
        self, text: str, where: str, what: str, remedy: str
    ) -> None:
        told = problem(text)
        assert told.startswith(f"{where} cannot be read ({what}")
        assert remedy in told.rpartition("); ")[2]

    @pytest.mark.parametrize("text", ["a = " + "[" * 5000, "a = " + "9" * 5000, "\0", "a\nb"])
    def test_what_no_crew_ever_wrote_is_refused_all_the_same(self, text: str) -> None:
        problem(text)

    @given(st.text(alphabet="[]{}=\".,\n#'azone123_-\0é", max_size=40))
    def test_any_text_is_read_or_refused(self, text: str) -> None:
        try:
            assert isinstance(parse_site(text, "site.toml"), Site)
        except SiteError as error:
            assert error.problems


class TestKeys:
    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("zones = 'x'", "zones is not known; did you mean zone?"),
            ("[header]", "header is not known; did you mean headers?"),
            (
                "moon = 1",
                "moon is not known; known are zone, date_form, headers, settings, standard, "
                "false_alarms_per_tower_year, limits, costs, parts, towers, entry",
            ),
            (
                "[settings.set_blast]\nlevel = ['a']",
                "settings.set_blast.level is not known; did you mean levels?",
            ),
            (
                "[standard]\nmiss_per_10k = 1",
                "standard.miss_per_10k is not known; did you mean misses_per_10k?",
            ),
        ],
    )
    def test_an_unknown_one_is_refused_with_the_nearest(self, text: str, told: str) -> None:
        assert problem(text) == told

    @pytest.mark.parametrize(
        "key",
        ["headers", "settings", "standard", "settings.set_blast", "limits", "costs", "parts"]
        + ["parts.brush", "towers", "towers.A"],
    )
    def test_a_table_must_be_one(self, key: str) -> None:
        assert problem(f"{key} = 1") == (
            f"{key} is one value; make it a table, with its keys below [{key}]"
        )

    @pytest.mark.parametrize(
        ("value", "told"),
        [
            ("3", "is 3; write a text in quotation marks"),
            ("true", "is true; write a text in quotation marks"),
            ("2031-04-03", "is 2031-04-03; write a text in quotation marks"),
            ("['a']", "is a list; write a text in quotation marks"),
            ("' '", "is empty; fill it in, or take it out"),
            ('"a\\nb"', "is a?b; write at most 64 letters in a line"),
            (f"'{'x' * 65}'", f"is {'x' * 57}...; write at most 64 letters in a line"),
        ],
    )
    @pytest.mark.parametrize("key", ["zone", "date_form", "settings.set_blast.unit"])
    def test_a_text_must_be_one(self, key: str, value: str, told: str) -> None:
        assert problem(f"{key} = {value}") == f"{key} {told}"

    def test_all_problems_are_told_and_the_message_has_the_first(self) -> None:
        text = "zone = 3\ndate_form = 'DMY'\n[standard]\nmisses_per_10k = 0"
        assert len(problems(text)) == 3
        with pytest.raises(SiteError) as found:
            parse_site(text, "here/site.toml")
        assert str(found.value) == (
            "site file here/site.toml: zone is 3; write a text in quotation marks "
            "(2 more: feedtally site check shows all)"
        )


class TestZone:
    @pytest.mark.parametrize("zone", ["Europe/London", "America/New_York", "Etc/UTC", "UTC"])
    def test_names_that_iana_knows_are_taken(self, zone: str) -> None:
        assert parse_site(f"zone = ' {zone} '", "s").zone == zone

    @pytest.mark.parametrize(
        ("zone", "meant"),
        [
            ("Europe/Londn", "Europe/London"),
            ("europe/london", "Europe/London"),
            ("London", "Europe/London"),
            ("New York", "America/New_York"),
        ],
    )
    def test_the_nearest_is_told(self, zone: str, meant: str) -> None:
        assert problem(f"zone = '{zone}'") == (
            f"zone is {zone}, which is no time zone; did you mean {meant}?"
        )

    @pytest.mark.parametrize("zone", ["Europe", "../x", "/etc/passwd", "Nowhere", "x\\\\y", "."])
    def test_or_else_the_form_of_one(self, zone: str) -> None:
        assert problem(f"zone = '{zone}'").endswith(
            "which is no time zone; write a region and a town, such as Europe/Vienna"
        )


class TestDateForm:
    @pytest.mark.parametrize("form", DATE_FORMS)
    def test_each_form_is_taken(self, form: str) -> None:
        assert parse_site(f"date_form = '{form}'", "s").date_form == form

    @pytest.mark.parametrize(
        ("form", "meant"),
        [("dd/mm/yyyy", "D/M/Y"), ("d.m.y", "D.M.Y"), ("MM-DD-YYYY", "M-D-Y"), ("DMY", "")],
    )
    def test_another_is_refused_with_the_one_that_is_meant(self, form: str, meant: str) -> None:
        told = problem(f"date_form = '{form}'")
        assert told == (
            f"date_form is {form}; write one of D.M.Y, D/M/Y, D-M-Y, M/D/Y, M-D-Y, Y/M/D, Y.M.D, "
            "Y-M-D" + (f"; did you mean {meant}?" if meant else "")
        )


class TestHeaders:
    def test_case_and_blanks_do_not_count_and_two_may_mean_one_name(self) -> None:
        text = "[headers]\n' Zähler Ende ' = ' Cycles'\ncounter = 'cycles'\nTilt = 'set_tilt'"
        assert parse_site(text, "s").headers == {
            "zähler ende": "cycles",
            "counter": "cycles",
            "tilt": "set_tilt",
        }

    @pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
    def test_every_name_of_the_format_can_be_meant(self, kind) -> None:
        text = "[headers]\n" + "\n".join(f"own_{name} = '{name}'" for name in kind.names)
        assert tuple(parse_site(text, "s").headers.values()) == kind.names

    @pytest.mark.parametrize(
        ("line", "told"),
        [
            (
                "Turm = 'towr'",
                "headers.Turm is towr, which is no column of the format; did you mean tower?",
            ),
            (
                "Turm = 'xyz'",
                "headers.Turm is xyz, which is no column of the format; "
                "write a name of the log format",
            ),
            (
                "'Counter 1' = 7",
                'headers."Counter 1" is 7; write a text in quotation marks',
            ),
            (
                "Tower = 'line'",
                "headers.Tower is a name of the format itself; take it out, and rename the column "
                "in your files if it holds something else",
            ),
            (
                "'' = 'line'",
                'headers."" is empty; write the header as it stands in your files',
            ),
            (
                "a = 'run'\n'A ' = 'run'",
                'headers."A " stands twice, since case and blanks do not count; keep one',
            ),
        ],
    )
    def test_what_cannot_be_is_refused(self, line: str, told: str) -> None:
        assert problem(f"[headers]\n{line}") == told


class TestSettings:
    def test_a_setting_of_the_sites_own_may_have_any_name(self) -> None:
        text = "[settings.SET_Tilt]\nunit = '°'\n[settings.set_speed]\nlevels = ['slow', 'fast']"
        assert parse_site(text, "s").settings == {
            "set_tilt": Setting("°"),
            "set_speed": Setting("", ("slow", "fast")),
        }

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("[settings.vacuum]", "settings.vacuum is no setting; did you mean set_vacuum?"),
            (
                "[settings.moon]",
                "settings.moon is no setting; its name begins with set_, as in the log",
            ),
            (
                "[settings.set_a]\n[settings.SET_A]",
                "settings.SET_A stands twice, since case and blanks do not count; keep one",
            ),
            (
                "[settings.set_a]\nlevels = 'low'",
                "settings.set_a.levels is no list; write the levels in order, such as "
                '["low", "high"]',
            ),
            (
                "[settings.set_a]\nlevels = []",
                "settings.set_a.levels is no list; write the levels in order, such as "
                '["low", "high"]',
            ),
            (
                "[settings.set_a]\nlevels = ['1', 2]",
                "settings.set_a.levels number 2 is 2; write a text in quotation marks",
            ),
            (
                "[settings.set_a]\nlevels = ['1', '2', ' 1']",
                "settings.set_a.levels has 1 twice; name each level once",
            ),
        ],
    )
    def test_what_cannot_be_is_refused(self, text: str, told: str) -> None:
        assert problem(text) == told


class TestStandard:
    @pytest.mark.parametrize(
        ("text", "standard"),
        [
            ("misses_per_10k = 0.3", {"misses": 3e-5}),
            ("doubles_per_10k = 1", {"doubles": 1e-4}),
            (
                "misses_per_10k = 0.3\ndoubles_per_10k = 0.15",
                {"misses": 3e-5, "doubles": 1.5e-5, "faults": 4.5e-5},
            ),
            ("misses_per_10k = 9999", {"misses": 0.9999}),
        ],
    )
    def test_it_is_per_feed_and_faults_only_where_both_are_given(
        self, text: str, standard: dict[str, float]
    ) -> None:
        assert parse_site(f"[standard]\n{text}", "s").standard == standard

    @pytest.mark.parametrize(
        "value",
        ["0", "-1", "10000", "nan", "inf", "true", "'0.3'", "'0,3'", "[1]", "0x" + "f" * 5000],
    )
    def test_no_number_of_that_range_is_refused(self, value: str) -> None:
        told = problem(f"[standard]\nmisses_per_10k = {value}")
        assert told.endswith(
            "; write a number from 0.000001 to below 10,000, without quotation marks, and with a "
            "point for the decimals"
        )

    def test_a_fault_in_every_feed_is_no_standard(self) -> None:
        assert problem("[standard]\nmisses_per_10k = 4000\ndoubles_per_10k = 6000") == (
            "standard has as many misses and doubles as feeds; write both per 10,000 feeds"
        )


class TestBudget:
    @pytest.mark.parametrize("value", ["1", "0.25", "52"])
    def test_it_is_taken_as_written(self, value: str) -> None:
        site = parse_site(f"false_alarms_per_tower_year = {value}", "s")
        assert site.budget == float(value)

    @pytest.mark.parametrize("value", ["0", "-1", "52.1", "nan", "inf", "true", "'1'", "[1]"])
    def test_another_is_refused(self, value: str) -> None:
        told = problem(f"false_alarms_per_tower_year = {value}")
        assert told.startswith("false_alarms_per_tower_year is ")
        assert told.endswith(
            "; write a number above 0 and at most 52, without quotation marks, and with a point "
            "for the decimals"
        )

    def test_below_a_table_it_belongs_to_that_and_is_refused(self) -> None:
        told = problem("[standard]\nmisses_per_10k = 1\nfalse_alarms_per_tower_year = 1")
        assert told.startswith("standard.false_alarms_per_tower_year is not known; ")


class TestLimits:
    @pytest.mark.parametrize(
        ("text", "limits", "times"),
        [
            ("misses_per_10k = 1.2", {"misses": 1.2e-4}, None),
            ("times_new = 3", {}, 3.0),
            ("doubles_per_10k = 0.3\ntimes_new = 1.5", {"doubles": 3e-5}, 1.5),
            (
                "misses_per_10k = 0.3\ndoubles_per_10k = 0.15",
                {"misses": 3e-5, "doubles": 1.5e-5, "faults": 4.5e-5},
                None,
            ),
        ],
    )
    def test_rates_are_per_feed_and_times_stand_apart(
        self, text: str, limits: dict[str, float], times: float | None
    ) -> None:
        site = parse_site(f"[limits]\n{text}", "s")
        assert (site.limits, site.limit_times) == (limits, times)
        assert site.standard == {}

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            (
                "times_new = 1",
                "limits.times_new is 1; write a number above 1 and at most 100, without quotation "
                "marks, and with a point for the decimals",
            ),
            (
                "doubles_per_10k = 0",
                "limits.doubles_per_10k is 0; write a number from 0.000001 to below 10,000, "
                "without quotation marks, and with a point for the decimals",
            ),
            ("time_new = 2", "limits.time_new is not known; did you mean times_new?"),
            (
                "misses_per_10k = 4000\ndoubles_per_10k = 6000",
                "limits has as many misses and doubles as feeds; write both per 10,000 feeds",
            ),
        ],
    )
    def test_what_cannot_be_is_refused(self, text: str, told: str) -> None:
        assert problem(f"[limits]\n{text}") == told

    def test_the_usual_one_can_be_written(self) -> None:
        site = parse_site(f"[limits]\ntimes_new = {USUAL_LIMIT_TIMES}", "s")
        assert site.limit_times == USUAL_LIMIT_TIMES == 2


class TestEntry:
    def test_what_is_asked_at_the_tower_stands_in_its_order(self) -> None:
        site = parse_site("[entry]\nask = ['note', 'Set_Vacuum', 'set_fan_angle']", "site.toml")
        assert site.asked == ("note", "set_vacuum", "set_fan_angle")
        assert parse_site("[entry]\nask = []", "site.toml").asked == ()

    def test_without_it_what_most_helps_is_asked(self) -> None:
        assert parse_site("", "site.toml").asked == ("stock", "humidity_pct", "note")
        assert parse_site("[entry]", "site.toml").asked == ("stock", "humidity_pct", "note")

    @pytest.mark.parametrize(
        ("ask", "told"),
        [
            ("3", 'entry.ask is no list; write the columns in it, such as ["stock", "note"]'),
            ("['stock', 'Stock']", "entry.ask has Stock twice; name each column once"),
            ("['cycles']", "entry.ask number 1 is cycles, which is always asked; take it out"),
            ("['purpose']", "entry.ask number 1 is purpose, which is always asked; take it out"),
            (
                "['humidty_pct']",
                "entry.ask number 1 is humidty_pct, which the log page cannot ask for; "
                "did you mean humidity_pct?",
            ),
            ("[1]", "entry.ask number 1 is 1; write a text in quotation marks"),
            ("['set_']", "entry.ask number 1 is set_, which the log page cannot ask for; "),
        ],
    )
    def test_what_cannot_be_asked_is_refused(self, ask: str, told: str) -> None:
        assert problem(f"[entry]\nask = {ask}").startswith(told)
