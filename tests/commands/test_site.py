"""``feedtally site check``, and where units of settings are shown."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Callable
from pathlib import Path

import pypdf
import pytest

import data_samples
from dashboard.figures import trends as figures
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
    ]


def test_what_is_not_set_is_said_too(run, write: Write) -> None:
    assert run("site", "check", write(b"", "site.toml")).out.splitlines()[1:] == [
        "zone: not set",
        "date_form: not set; year-month-day alone is read",
        "headers: none of your own",
        "settings: none",
        "standard: the usual one",
    ]


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
        f"{start}moon is not known; known are zone, date_form, headers, settings, standard.",
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
    said = run("site", "check", write(WRONG, "site.toml"), "--json")
    assert (said.code, said.err, len(said.json["problems"])) == (2, "", 3)
    assert said.json["zone"] is None and said.json["settings"] == {}
    assert said.json["sentence"].endswith("(2 more: feedtally site check shows all).")


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
        figure = figures.by_group(trends_of(), split)
        (unit,) = (note for note in figure.layout.annotations if note.name == "unit")
        assert unit.text == "kPa"
        assert list(figure.layout.yaxis.ticktext) == ["4", "10"]
        (points,) = (trace for trace in figure.data if trace.name == "rate, misses")
        assert points.hovertext[0].startswith("Vacuum 4 kPa: ")
        (feeds,) = (trace for trace in figure.data if trace.name == "feeds")
        assert feeds.hovertext[1].startswith("Vacuum 10 kPa: ")
        assert figures.heading(split) == "vacuum (kPa)"

    def test_the_page_has_it_in_heading_and_table(self) -> None:
        text = said(by_setting=(dataclasses.replace(VACUUM, unit="kPa"),))
        assert "Which level of vacuum (kPa) has more misses and doubles?" in text
        assert "Misses and doubles by vacuum (kPa)" in text

    def test_a_word_has_none_behind_it(self) -> None:
        split = dataclasses.replace(BLAST, unit="bar")
        (points,) = (
            trace
            for trace in figures.by_group(trends_of(), split).data
            if trace.name == "rate, misses"
        )
        assert points.hovertext[0].startswith("Blast soft: ")

    def test_without_a_unit_nothing_changes(self) -> None:
        figure = figures.by_group(trends_of(), VACUUM)
        assert not [note for note in figure.layout.annotations if note.name == "unit"]
        assert figures.heading(VACUUM) == "vacuum"

    def test_a_tally_sheet_names_it_where_there_is_room_and_type(self) -> None:
        units = {"set_vacuum": "kPa", "set_speed": "x" * 60, "set_blast": "\u6c34"}
        sheet = TallySheet("A", "", (1, 2), units=units)
        text = pypdf.PdfReader(io.BytesIO(pdf(sheet))).pages[0].extract_text()
        lines = text.splitlines()
        assert {"vacuum, kPa", "speed", "blast"} <= set(lines)
