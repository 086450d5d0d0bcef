"""``feedtally site check``, and where units of settings are shown."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Callable
from pathlib import Path

import pypdf
import pytest

import data_samples
from analysis.patterns import PATTERNS_FILE
from dashboard.figures.trends_by_group import by_group
from dashboard.figures.trends_groups import heading
from dashboard.reports.sheet import TallySheet, pdf
from tests.dashboard.test_page_trends import said
from tests.dashboard.trends_results import BLAST, VACUUM, trends_of

Write = Callable[..., Path]
EXAMPLE = data_samples.folder() / "site.toml"
WRONG = b'zone = "Londn"\nmoon = 1\n[standard]\nmisses_per_10k = 0\n'


def test_a_right_file_is_said_in_plain_lines(run) -> None:
    said = run("site", "check", EXAMPLE)
    assert (said.code, said.err) == (0, "")
    assert said.out.splitlines() == [
        f"The site file {EXAMPLE} has no problems.",
        "zone: Europe/London",
        "date_form: D/M/Y, so that 3/4/2031 is 3 April 2031",
        "header job ticket: read as run",
        "header counter: read as cycles",
        "header impressions: read as cycles",
        "header skips: read as misses",
        "header two-ups: read as doubles",
        "header fan angle: read as set_fan_angle",
        "setting set_vacuum: unit mark; levels in this order: 3, 4, 5, 6, 7, 8",
        "setting set_speed: unit cycles/h",
        "setting set_blast: levels in this order: off, soft, full",
        "setting set_foot_rest: levels in this order: in, out",
        "setting set_fan_angle: unit °; levels in this order: 0, 15, 30, steep; "
        "a setting of your own",
        "standard: 0.40 misses, 0.20 doubles and 0.60 faults per 10,000 feeds",
        "false alarms: 1 allowed for each tower and year",
        "limit of misses: 2.5 times as many as with a new part",
        "limit of doubles: 0.40 per 10,000 feeds",
        "limit of faults: 2.5 times as many as with a new part",
        "currency: GBP",
        "cost hour: 72 GBP for an hour of a tower with its crew",
        "cost stop_minutes: 1.5 minutes from a stop until it runs again",
        "cost mend_minutes: 1 minute to mend a set by hand",
        "cost spoiled_set: 1.8 GBP for the paper and the print of a set",
        "cost spoiled_share: 0.1 of the sets it stopped at, where the log does not say",
        "cost found_later: 30 GBP for a double that is found later",
        "part brush: its wear shows in doubles; price 23 GBP; 12 days from order to delivery; "
        "10 minutes to fit",
        "part suction foot: its wear shows in misses; price 14 GBP; 10 days from order to "
        "delivery; 15 minutes to fit",
        "part filter: its wear shows in misses; price 9.5 GBP; 4 days from order to delivery; "
        "20 minutes to fit",
        "part pump: its wear shows in misses; price 1,150 GBP; 35 days from order to delivery; "
        "180 minutes to fit",
        "tower B: each bin has brush, suction foot; as a whole it has pump, filter; "
        "13.5 hours a week; 2,700 cycles an hour",
        "every other tower: each bin has brush, suction foot; as a whole it has pump, filter; "
        "14 hours a week; 2,800 cycles an hour",
        "asked at the tower: stock, lot, humidity_pct, temperature_c, set_spring, set_vacuum, "
        "set_speed, stops, note",
    ]


def test_what_is_not_set_is_said_too(run, write: Write) -> None:
    assert run("site", "check", write(b"", "site.toml")).out.splitlines()[1:] == [
        "zone: not set",
        "date_form: not set; year-month-day alone is read",
        "headers: none of your own",
        "settings: none",
        "standard: the usual one",
        "false alarms: 1 allowed for each tower and year, assumed",
        "limit of misses: 2 times as many as with a new part, assumed",
        "limit of doubles: 2 times as many as with a new part, assumed",
        "limit of faults: 2 times as many as with a new part, assumed",
        "currency: not set",
        "cost hour: 60 for an hour of a tower with its crew, assumed",
        "cost stop_minutes: 2 minutes from a stop until it runs again, assumed",
        "cost mend_minutes: 1 minute to mend a set by hand, assumed",
        "cost spoiled_set: 2 for the paper and the print of a set, assumed",
        "cost spoiled_share: 0.1 of the sets it stopped at, where the log does not say, assumed",
        "cost found_later: 25 for a double that is found later, assumed",
        "parts: none",
        "towers: none",
        "asked at the tower: stock, humidity_pct, note, assumed",
        "What is assumed is common practice, without a source; set your own.",
    ]


def test_limits_that_hold_for_nothing_are_said_so(run, write: Write) -> None:
    text = "[limits]\nmisses_per_10k = 1.2\ndoubles_per_10k = 0.3\n"
    told = run("site", "check", write(text, "site.toml")).out.splitlines()
    assert told[7:11] == [
        "limit of misses: 1.2 per 10,000 feeds",
        "limit of doubles: 0.30 per 10,000 feeds",
        "limit of faults: 1.5 per 10,000 feeds",
        "currency: not set",
    ]
    told = run("site", "check", write(f"{text}times_new = 3", "site.toml")).out.splitlines()
    assert told[10] == "limit times_new: 3; holds for nothing, since both rates are set"


def test_money_is_shown_as_it_was_set(run, write: Write) -> None:
    text = (
        "[costs]\ncurrency = '\u20ac'\nhour = 123456.78\n[parts.brush]\nprice = 1\nlead_days = 1\n"
    )
    told = run("site", "check", write(text, "site.toml")).out.splitlines()
    assert "cost hour: 123,456.78 \u20ac for an hour of a tower with its crew" in told
    # An assumed number has the currency too, so that one that cannot be is seen.
    assert "cost found_later: 25 \u20ac for a double that is found later, assumed" in told
    assert "part brush: price 1 \u20ac; 1 day from order to delivery" in told


def test_a_part_that_is_nearly_one_with_a_table_is_asked_about(run, write: Write) -> None:
    text = (
        "[parts.'suction foot']\n[towers.'*']\nparts = ['suction feet', 'belt']\n"
        "hours_per_week = 1\n[towers.A]"
    )
    told = run("site", "check", write(text, "site.toml")).out.splitlines()
    assert told[-5:-2] == [
        "part suction foot: nothing of it",
        "tower A: nothing of it",
        "every other tower: each bin has suction feet, belt; 1 hour a week; suction feet has no "
        "table of its own, did you mean suction foot?",
    ]
    told = run("site", "check", write("[towers.'*']", "site.toml")).out.splitlines()
    assert "every tower: nothing of it" in told


def test_a_setting_that_is_nearly_a_known_one_is_asked_about(run, write: Write) -> None:
    path = write("[settings.set_vaccum]\nunit = 'kPa'\n[settings.set_tilt]\n", "site.toml")
    told = run("site", "check", path).out.splitlines()
    assert "setting set_vaccum: unit kPa; a setting of your own, did you mean set_vacuum?" in told
    assert "setting set_tilt: neither unit nor levels; a setting of your own" in told


def test_every_problem_of_a_wrong_file_has_its_line(run, write: Write) -> None:
    path = write(WRONG, "site.toml")
    said = run("site", "check", path)
    assert (said.code, said.out) == (2, "")
    start = f"feedtally site: site file {path}: "
    assert said.err.splitlines() == [
        f"{start}zone is Londn, which is no time zone; did you mean Europe/London?",
        f"{start}moon is not known; known are zone, date_form, headers, settings, standard, "
        "false_alarms_per_tower_year, limits, costs, parts, towers, entry.",
        f"{start}standard.misses_per_10k is 0; write a number from 0.000001 to below 10,000, "
        "without quotation marks, and with a point for the decimals.",
    ]
    run("site", "check", write(b"zone = 3", "site.toml")).refused("zone is 3; write a text in")


def test_json_says_the_same(run, write: Write) -> None:
    answer = run("site", "check", EXAMPLE, "--json").json
    assert (answer["file"], answer["present"], answer["problems"]) == (str(EXAMPLE), True, [])
    assert (answer["zone"], answer["date_form"], answer["account"]) == (
        "Europe/London",
        "D/M/Y",
        None,
    )
    assert answer["headers"]["two-ups"] == "doubles"
    assert answer["settings"]["set_blast"] == {"unit": None, "levels": ["off", "soft", "full"]}
    assert answer["settings"]["set_speed"] == {"unit": "cycles/h", "levels": []}
    assert answer["standard"] == {"misses": 4e-5, "doubles": 2e-5, "faults": 6e-5}
    assert answer["false_alarms_per_tower_year"] == 1
    assert answer["limits"] == {"misses": None, "doubles": 4e-5, "faults": None, "times_new": 2.5}
    assert answer["costs"]["spoiled_set"] == 1.8 and answer["costs"]["currency"] == "GBP"
    brush = {"kind": "doubles", "price": 23, "lead_days": 12, "fit_minutes": 10}
    assert answer["parts"]["brush"] == brush
    assert answer["towers"]["B"]["tower_parts"] == ["pump", "filter"]
    assert answer["assumed"] == {}
    said = run("site", "check", write(WRONG, "site.toml"), "--json")
    assert (said.code, said.err, len(said.json["problems"])) == (2, "", 3)
    assert said.json["zone"] is None and said.json["settings"] == {}
    assert said.json["sentence"].endswith("(2 more: feedtally site check shows all).")


def test_json_says_what_is_assumed(run, write: Write) -> None:
    answer = run("site", "check", write("[costs]\nhour = 70", "site.toml"), "--json").json
    assert answer["false_alarms_per_tower_year"] is answer["costs"]["found_later"] is None
    assert answer["assumed"] == {
        "false_alarms_per_tower_year": 1,
        "limits.times_new": 2,
        "costs.stop_minutes": 2,
        "costs.mend_minutes": 1,
        "costs.spoiled_set": 2,
        "costs.spoiled_share": 0.1,
        "costs.found_later": 25,
    }
    both = "[limits]\nmisses_per_10k = 1\ndoubles_per_10k = 1"
    answer = run("site", "check", write(both, "site.toml"), "--json").json
    assert "limits.times_new" not in answer["assumed"]


def test_without_a_file_it_is_that_of_the_store(run, tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    said = run("site", "check", "--store", tmp_path)
    assert (said.code, said.err) == (0, "")
    assert said.out == (
        f"Nothing is set: there is no site file {path}; {EXAMPLE} is an example of one.\n"
    )
    answer = run("site", "check", "--store", tmp_path, "--json").json
    assert (answer["present"], answer["file"], answer["zone"]) == (False, str(path), None)
    path.write_bytes(EXAMPLE.read_bytes())
    assert run("site", "check", "--store", tmp_path, "--json").json["present"] is True


def test_causes_of_the_site_are_counted_and_checked(run, tmp_path: Path) -> None:
    site, path = tmp_path / "site.toml", tmp_path / PATTERNS_FILE
    site.write_bytes(b"")
    own = (
        '[[cause]]\nname = "{}"\nkind = "doubles"\nbins = "one"\nwhen = ["always"]\nwhy = "so"\n'
        'check_first = "look"\n'
    )
    assert run("site", "check", site, "--json").json["causes"] is None
    path.write_text(own.format("sand") + own.format("worn brush"), "utf-8")
    told = run("site", "check", "--store", tmp_path).out.splitlines()
    assert told[-1] == f"causes of your own: 2 in {path}; 1 in the place of known ones"
    answer = run("site", "check", site, "--json").json
    assert answer["causes"] == {"added": 1, "in_place": 1}
    # They are told without a site file too.
    site.unlink()
    path.write_text(own.format("sand"), "utf-8")
    told = run("site", "check", "--store", tmp_path).out.splitlines()
    assert told[0].startswith("Nothing is set: there is no site file")
    assert told[1:] == [f"causes of your own: 1 in {path}"]
    # A wrong file has a line for each problem, after those of the site file.
    path.write_text(own.format("sand").replace("doubles", "jams") + "moon = 1\n", "utf-8")
    site.write_bytes(b"zone = 3")
    said = run("site", "check", site)
    assert (said.code, said.out) == (2, "")
    first, second, third = said.err.splitlines()
    assert first.startswith(f"feedtally site: site file {site}: zone is 3; write a text in")
    start = f"feedtally site: patterns {path}: cause sand"
    assert second.startswith(f"{start} has moon, which is not known; known are name, kind, ")
    assert third == f"{start}: kind is jams; write one of misses, doubles."
    site.unlink()
    answer = run("site", "check", "--store", tmp_path, "--json").json
    assert (answer["present"], answer["causes"], len(answer["problems"])) == (False, None, 2)


def test_nothing_is_made_by_checking(run, tmp_path: Path) -> None:
    assert run("site", "check", "--store", tmp_path / "none").code == 0
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "the following arguments are required: ACTION"),
        (["mend"], "ACTION is mend; write one of check"),
        (["check", "a", "b"], "unrecognized arguments: b"),
        (["check", "nowhere.toml"], "there is no file nowhere.toml; name a site file, or leave it"),
        (["check", "."], "it is a folder; put a text file in its place"),
    ],
)
def test_wrong_usage_is_one_sentence_and_2(run, words: list[str], told: str) -> None:
    run("site", *words).refused(told)


class TestUnits:
    def test_a_figure_has_the_unit_over_its_levels_and_behind_numbers(self) -> None:
        split = dataclasses.replace(VACUUM, unit="kPa")
        figure = by_group(trends_of(), split)
        (unit,) = (note for note in figure.layout.annotations if note.name == "unit")
        assert unit.text == "kPa"
        assert list(figure.layout.yaxis.ticktext) == ["4", "10"]
        (points,) = (trace for trace in figure.data if trace.name == "rate, misses")
        assert points.hovertext[0].startswith("Vacuum 4 kPa: ")
        (feeds,) = (trace for trace in figure.data if trace.name == "feeds")
        assert feeds.hovertext[1].startswith("Vacuum 10 kPa: ")
        assert heading(split) == "vacuum (kPa)"

    def test_the_page_has_it_in_heading_and_table(self) -> None:
        text = said(by_setting=(dataclasses.replace(VACUUM, unit="kPa"),))
        assert "Which level of vacuum (kPa) has more misses and doubles?" in text
        assert "Misses and doubles by vacuum (kPa)" in text

    def test_a_word_has_none_behind_it(self) -> None:
        split = dataclasses.replace(BLAST, unit="bar")
        (points,) = (
            trace for trace in by_group(trends_of(), split).data if trace.name == "rate, misses"
        )
        assert points.hovertext[0].startswith("Blast soft: ")

    def test_without_a_unit_nothing_changes(self) -> None:
        figure = by_group(trends_of(), VACUUM)
        assert not [note for note in figure.layout.annotations if note.name == "unit"]
        assert heading(VACUUM) == "vacuum"

    def test_a_tally_sheet_names_it_where_there_is_room_and_type(self) -> None:
        units = {"set_vacuum": "kPa", "set_speed": "x" * 60, "set_blast": "\u6c34"}
        sheet = TallySheet("A", "", (1, 2), units=units)
        text = pypdf.PdfReader(io.BytesIO(pdf(sheet))).pages[0].extract_text()
        lines = text.splitlines()
        assert {"vacuum, kPa", "speed", "blast"} <= set(lines)
