"""Patterns of causes: what the program comes with, a site's own, and what is wrong with a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.patterns import (
    PATTERNS_FILE,
    SWAPS,
    WHEN,
    WITH_AGE,
    Pattern,
    PatternsError,
    known_patterns,
    read_patterns,
)

GOOD = """[[cause]]
name = "sand in the bin"
kind = "misses"
bins = "one"
when = ["since a service"]
why = "sand lifts the foot"
check_first = "look for sand"
"""


def put(folder: Path, text: str) -> Path:
    (folder / PATTERNS_FILE).write_bytes(text.encode())
    return folder


def refused(folder: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(PatternsError) as caught:
        read_patterns(put(folder, text))
    assert str(caught.value).startswith(f"patterns {folder / PATTERNS_FILE}: ")
    return caught.value.problems


class TestKnown:
    def test_what_technicians_know_is_there(self) -> None:
        # The list of design and methods: brush, foot, static, vacuum, pump or filter.
        names = {(one.name, one.kind, one.every_bin) for one in known_patterns()}
        assert {
            ("worn brush", "doubles", False),
            ("leaking suction foot", "misses", False),
            ("static", "doubles", True),
            ("too much vacuum for light stock", "doubles", True),
            ("too little vacuum", "misses", True),
            ("pump or filter", "misses", True),
        } <= names

    def test_each_is_whole(self) -> None:
        for one in known_patterns():
            assert one.why and one.check_first and one.when
            assert not one.check_first.endswith(".")
            assert all(word in WHEN or word.startswith(WITH_AGE) for word in one.when)
            assert one.swap in ("", *SWAPS)

    def test_a_foot_and_a_false_detector_are_one_class(self) -> None:
        (foot,) = (one for one in known_patterns() if one.name == "leaking suction foot")
        assert any("detector" in other for other in foot.same_as)
        assert foot.hands

    def test_static_is_of_toner_or_of_dry_air(self) -> None:
        both = [one for one in known_patterns() if one.name == "static"]
        assert {(one.paper, one.air) for one in both} == {(("toner",), "dry"), ((), "dry")}


class TestOwn:
    def test_without_a_file_those_known_stand(self, tmp_path: Path) -> None:
        assert read_patterns(tmp_path) == known_patterns()
        assert read_patterns(tmp_path / "no folder") == known_patterns()

    def test_a_file_with_nothing_in_it_adds_nothing(self, tmp_path: Path) -> None:
        assert read_patterns(put(tmp_path, "# nothing yet\n")) == known_patterns()

    def test_a_cause_of_a_new_name_is_added_last(self, tmp_path: Path) -> None:
        *known, own = read_patterns(put(tmp_path, GOOD))
        assert tuple(known) == known_patterns()
        assert own == Pattern(
            name="sand in the bin",
            kind="misses",
            every_bin=False,
            when=("since a service",),
            why="sand lifts the foot",
            check_first="look for sand",
        )
        assert own.of_any_run

    def test_all_that_may_be_said_is_read(self, tmp_path: Path) -> None:
        more = (
            'paper = ["light", "coated"]\nair = "damp"\nrun = "a bin left empty"\nweight = 2\n'
            'settings = { set_blast = ["off", "soft"] }\nsame_as = ["dust"]\nswap = "piles"\n'
            "hands = true\n"
        )
        own = read_patterns(put(tmp_path, "\ufeff" + GOOD + more))[-1]
        assert (own.paper, own.air, own.run) == (("light", "coated"), "damp", "a bin left empty")
        assert own.settings == {"set_blast": ("off", "soft")}
        assert (own.weight, own.same_as, own.swap, own.hands) == (2.0, ("dust",), "piles", True)
        assert not own.of_any_run

    def test_one_of_a_known_name_and_kind_takes_its_place(self, tmp_path: Path) -> None:
        text = GOOD.replace("sand in the bin", "static").replace("misses", "doubles")
        found = read_patterns(put(tmp_path, text))
        assert [one.why for one in found if one.name == "static"] == ["sand lifts the foot"]
        # Both that are known under that name have gone.
        assert len(found) == len(known_patterns()) - 1
        # The same name for the other kind is another cause.
        found = read_patterns(put(tmp_path, GOOD.replace("sand in the bin", "static")))
        assert len(found) == len(known_patterns()) + 1


#: A line of `GOOD`, what stands in its place, and what is said of it.
WRONG = [
    (
        "name",
        'name = ""',
        "cause 1: name is no text of one line; write at most 400 letters in quotes",
    ),
    (
        "why",
        'why = "two\\nlines"',
        "cause sand in the bin: why is no text of one line; write at most 400 letters in quotes",
    ),
    ("kind", 'kind = "jams"', "cause sand in the bin: kind is jams; write one of misses, doubles"),
    ("kind", "kind = 3", "cause sand in the bin: kind is 3; write one of misses, doubles"),
    ("bins", 'bins = "some"', "cause sand in the bin: bins is some; write one of one, every"),
    (
        "when",
        'when = "always"',
        'cause sand in the bin: when is no list; write ["one", "another"]',
    ),
    (
        "when",
        "when = []",
        "cause sand in the bin: when is empty; write always where it was always so",
    ),
    (
        "when",
        'when = ["on Mondays"]',
        "cause sand in the bin: when is on Mondays; write one of always, at once, little by "
        "little, since a service, since a setting was moved, or with the age of the PART",
    ),
    ("check_first", "", "cause sand in the bin has no check_first; add it"),
    (
        "why",
        'why = "x"\nwieght = 2',
        "cause sand in the bin has wieght, which is not known; did you mean weight?",
    ),
    (
        "why",
        'why = "x"\nmoon = 2',
        "cause sand in the bin has moon, which is not known; known are name, kind, bins, when, "
        "why, check_first, paper, air, run, settings, weight, family, same_as, swap, hands",
    ),
    (
        "why",
        'why = "x"\npaper = ["tinfoil"]',
        "cause sand in the bin: paper is tinfoil; write one of toner, offset, coated, uncoated, "
        "light, heavy, large, heavy or large, special, one stock",
    ),
    (
        "why",
        'why = "x"\nair = "cold"',
        "cause sand in the bin: air is cold; write one of dry, damp",
    ),
    (
        "why",
        'why = "x"\nrun = "at night"',
        "cause sand in the bin: run is at night; write one of under a heavy cover, a bin left "
        "empty",
    ),
    (
        "why",
        'why = "x"\nswap = "crews"',
        "cause sand in the bin: swap is crews; write one of piles, suction feet, brushes",
    ),
    (
        "why",
        'why = "x"\nsettings = "off"',
        'cause sand in the bin: settings is no table; write { set_bleed_holes = ["0", "closed"] }',
    ),
    (
        "why",
        'why = "x"\nsettings = { blast = ["off"] }',
        "cause sand in the bin: settings has blast, which is no setting; its name begins with set_",
    ),
    (
        "why",
        'why = "x"\nsettings = { set_blast = "off" }',
        'cause sand in the bin: settings.set_blast is no list; write ["one", "another"]',
    ),
    (
        "why",
        'why = "x"\nweight = 0',
        "cause sand in the bin: weight is no number from 0.01 to 100; 1 is usual",
    ),
    (
        "why",
        'why = "x"\nweight = true',
        "cause sand in the bin: weight is no number from 0.01 to 100; 1 is usual",
    ),
    (
        "why",
        'why = "x"\nhands = "yes"',
        "cause sand in the bin: hands is neither true nor false; write one, without quotes",
    ),
]


class TestWrong:
    @pytest.mark.parametrize(("key", "instead", "told"), WRONG)
    def test_each_slip_has_its_sentence(
        self, tmp_path: Path, key: str, instead: str, told: str
    ) -> None:
        lines = [instead if line.startswith(f"{key} =") else line for line in GOOD.splitlines()]
        assert refused(tmp_path, "\n".join(lines)) == (told,)

    def test_every_problem_is_told_and_the_first_in_the_message(self, tmp_path: Path) -> None:
        text = "moon = 1\n" + GOOD.replace("misses", "jams") + GOOD.replace("why", "wy")
        assert refused(tmp_path, text) == (
            "moon is not known; write [[cause]] tables",
            "cause sand in the bin: kind is jams; write one of misses, doubles",
            "cause sand in the bin has wy, which is not known; did you mean why?",
            "cause sand in the bin has no why; add it",
        )
        with pytest.raises(PatternsError, match=r"write \[\[cause\]\] tables \(3 more\)$"):
            read_patterns(tmp_path)

    def test_a_cause_without_a_name_is_told_by_its_place(self, tmp_path: Path) -> None:
        told = refused(tmp_path, GOOD + "[[cause]]\nkind = 'misses'\n")
        assert told[0] == "cause 2 has no name; add it"

    @pytest.mark.parametrize("text", ['cause = "x"', "[cause]\nname = 'x'", "cause = [1]"])
    def test_what_is_no_list_of_tables_is_told(self, tmp_path: Path, text: str) -> None:
        assert refused(tmp_path, text) == ("cause is no list of tables; begin each with [[cause]]",)

    def test_text_that_is_no_toml_is_told(self, tmp_path: Path) -> None:
        (told,) = refused(tmp_path, "[[cause]]\nname = sand")
        assert told == (
            "line 2, column 8 cannot be read (invalid value); put texts in quotation marks, "
            "numbers in none"
        )
        (told,) = refused(tmp_path, "[[cause]\nname = 'sand'")
        assert told.startswith("line 1, column 8 cannot be read (") and "as [[name]]" in told

    def test_a_file_that_cannot_be_read_is_told(self, tmp_path: Path) -> None:
        put(tmp_path, "")
        (tmp_path / PATTERNS_FILE).write_bytes("[[cause]]\nname = 'Stärke'".encode("latin-1"))
        with pytest.raises(PatternsError, match=r"it is not UTF-8; save it as UTF-8$"):
            read_patterns(tmp_path)
        (tmp_path / PATTERNS_FILE).unlink()
        (tmp_path / PATTERNS_FILE).mkdir()
        with pytest.raises(PatternsError, match=r"it cannot be read .*; see to it that you may"):
            read_patterns(tmp_path)

    def test_a_file_that_is_far_too_long_is_told(self, tmp_path: Path) -> None:
        assert refused(tmp_path, "#" * 1_000_001) == (
            "it is larger than 1,000,000 bytes; shorten it",
        )
