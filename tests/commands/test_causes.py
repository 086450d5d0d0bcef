"""``feedtally causes``: how an answer is said and printed, and what is refused."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis import answers
from analysis.causes import BAD_LUCK, CANNOT_TELL, Cause, Causes
from analysis.cautions import HANDS, HELP
from analysis.conditions_model import ConditionsError
from analysis.contrasts import Contrast
from analysis.counts import Account
from analysis.filters import FilterError
from analysis.patterns import PATTERNS_FILE, known_patterns
from analysis.store import Store
from analysis.swap_readings import Seen, read_swap
from analysis.swaps import OtherBin, swap_test
from tests.commands.test_rates import read_rows
from tests.conftest import read, run_log

Run = Callable[..., Any]
Ask = Callable[..., Any]

ACCOUNT = Account(9, 3, 45_000, dt.datetime(2031, 1, 6, 8), dt.datetime(2031, 6, 30, 14))
MIND = "Change one thing at a time."

BESIDE = Contrast("bin 7 against the other bins of tower A", 3.12, 2.31, 4.04, 78, 25.2, 2_000_000)
OLD = Contrast("with an old brush against a newer one", math.inf, 2.2, math.inf, 12, 1.4, 90_000)
TONER = Contrast("toner-printed paper against the rest", 0.82, 0.48, 1.31, 24, 29.3, 600_000)
LIGHT = Contrast("light paper (below 75 g/m2) against the rest", 1.2, 0.75, 1.84, 43, 36.9, 70_000)
DRY = Contrast("dry air (below 40 %) against other air", 2.04, 1.42, 3.1, 33, 16.0, 80_000)


def cause(name: str, score: float, **values: Any) -> Cause:
    given: dict[str, Any] = {
        "kind": "doubles",
        "supports": (),
        "against": (),
        "excess": 0.0,
        "said": f"3.8 times the doubles since {name}",
        "same_as": (),
        "check_first": f"look for {name}",
        "caution": MIND,
        "named": False,
        **values,
    }
    return Cause(cause=name, score=score, chance=score, **given)


BRUSH = cause(
    "worn brush",
    0.961,
    supports=(BESIDE, OLD, TONER, LIGHT),
    excess=53.4,
    named=True,
    caution=HANDS,
    since=np.datetime64("2031-04-10T08:00:00.000000"),
)
PLACE = cause("out of place", 0.041, against=(DRY,), same_as=("air blocked", "guides too loose"))
LUCK = cause(
    BAD_LUCK, 0.031, said="as many come about by chance", check_first="nothing", against=(BESIDE,)
)
RARE = cause("sand", 0.004)
FOUND = Causes(
    "A", 7, "doubles", (BRUSH, PLACE, LUCK, RARE), 78, 2_000_000, 25.2, ACCOUNT, ("foot: no age",)
)
SWAP = swap_test(
    "A", 7, [OtherBin(6, 0.0002, 0.9)], 0.0006, 3.0, kind="doubles", cycles_before=60_000
)
READ = read_swap(
    *("A", (7, 6), "pile", dt.datetime(2031, 3, 5, 9)),
    (Seen(90_000, 40, 12), Seen(90_000, 11, 12)),
    (Seen(40_000, 19, 5.5), Seen(40_000, 6, 5.5)),
    kind="doubles",
)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("causes") / "store"
    Store(folder, create=True).add(read(run_log()))
    return folder


@pytest.fixture
def ask(run: Run, store: Path, monkeypatch: pytest.MonkeyPatch) -> Ask:
    """Run the command on an answer made by hand."""

    def call(result: Causes, *words: object) -> Any:
        monkeypatch.setattr(answers, "causes", lambda *given, **named: result)
        said = run("causes", "--store", store, "--tower", "A", *words)
        assert (said.code, said.err) == (0, "")
        return said

    return call


class TestPrinted:
    def test_causes_worth_telling_have_a_few_lines_each(self, ask: Ask) -> None:
        assert ask(FOUND).out.splitlines() == [
            FOUND.sentence(),
            "",
            "1. Worn brush: 96 in 100, about 53 doubles too many.",
            "   For: bin 7 against the other bins of tower A: 3.1 times (2.3 to 4.0; 78 where 25 "
            "would be usual).",
            "   For: with an old brush against a newer one: at least 2.2 times (12 beside none).",
            "   For: no difference with toner-printed paper and light paper (below 75 g/m2).",
            "",
            "2. Out of place: 4 in 100.",
            "   3.8 times the doubles since out of place.",
            "   Against: dry air (below 40 %) against other air: 2.0 times (1.4 to 3.1; 33 where "
            "16 would be usual).",
            "   Looks the same in counts: air blocked or guides too loose.",
            "   First: look for out of place.",
            "",
            "3. Bad luck: 3 in 100.",
            "   As many come about by chance.",
            "   Against: bin 7 against the other bins of tower A: 3.1 times (2.3 to 4.0; 78 where "
            "25 would be usual).",
            "   First: nothing.",
            "",
            "Not looked at: foot (no age).",
            "Below 2 in 100: 1 more; --all lists it.",
            "",
            HANDS,
            MIND,
            HELP,
        ]

    def test_the_rest_is_listed_when_asked_for(self, ask: Ask) -> None:
        lines = ask(FOUND, "--all").out.splitlines()
        assert "4. Sand: below 1 in 100." in lines
        assert not any("--all" in line for line in lines)

    def test_bad_luck_is_told_of_its_kind_where_both_are_asked_about(self, ask: Ask) -> None:
        lucky = replace(
            LUCK, score=0.97, chance=0.97, supports=(replace(BESIDE, low=0.8),), against=()
        )
        said = ask(replace(FOUND, kind="faults", causes=(lucky, PLACE))).out
        assert said.startswith("Nothing yet: bad luck is likely behind the faults of bin 7")
        assert "1. Bad luck behind the doubles: 97 in 100.\n" in said
        # How it compares is said in numbers.
        assert "   For: bin 7 against the other bins of tower A: 3.1 times (0.80 to 4.0;" in said

    def test_what_cannot_be_told_says_what_to_do(self, ask: Ask) -> None:
        unsure = cause(CANNOT_TELL, 0.6, said="78 fit more than one", check_first="exchange piles")
        result = replace(FOUND, causes=(unsure, PLACE))
        lines = ask(result).out.splitlines()
        assert lines[0] == result.sentence()
        assert lines[2] == "1. Cannot tell: 60 in 100."
        assert not any(line.startswith("   First: exchange piles") for line in lines)

    def test_the_caution_about_hands_comes_first(self, ask: Ask) -> None:
        lines = ask(replace(FOUND, causes=(LUCK, BRUSH))).out.splitlines()
        assert lines[-3:] == [HANDS, MIND, HELP]

    def test_swaps_come_after_the_causes(self, ask: Ask) -> None:
        lines = ask(replace(FOUND, swap=SWAP, swaps_read=(READ,))).out.splitlines()
        place = lines.index(READ.sentence())
        assert lines[place - 1] == ""
        assert lines[place + 1] == SWAP.sentence()
        assert lines[place + 2] == (
            "Log it in the service log, with the part paper and the action swapped, a line for "
            "each of the two bins at the same time."
        )
        assert lines[place + 1].startswith("Exchange the piles of bins 7 and 6 of tower A and run ")

    def test_with_nothing_more_to_say_there_is_no_gap(self, ask: Ask) -> None:
        lines = ask(replace(FOUND, causes=(BRUSH,), lacking=())).out.splitlines()
        assert lines[-3:] == ["", HANDS, HELP]
        assert lines[-4].startswith("   For: no difference with")


class TestJson:
    def test_it_holds_what_the_design_says(self, ask: Ask) -> None:
        answer = ask(replace(FOUND, swap=SWAP, swaps_read=(READ,)), "--json").json
        assert (answer["tower"], answer["bin"], answer["kind"]) == ("A", 7, "doubles")
        assert (answer["observed"], answer["expected"], answer["feeds"]) == (78, 25.2, 2_000_000)
        assert (answer["help"], answer["lacking"]) == (HELP, ["foot: no age"])
        assert answer["sentence"] == FOUND.sentence()
        brush, place, *_ = answer["causes"]
        assert len(answer["causes"]) == 4
        assert (brush["cause"], brush["score"], brush["named"]) == ("worn brush", 0.961, True)
        assert (brush["since"], brush["excess"]) == ("2031-04-10T08:00:00", 53.4)
        assert (brush["check_first"], brush["caution"]) == ("look for worn brush", HANDS)
        assert brush["for"][0] == {
            "contrast": BESIDE.contrast,
            "ratio": 3.12,
            "low": 2.31,
            "high": 4.04,
            "count": 78,
            "expected": 25.2,
            "feeds": 2_000_000,
        }
        # Beside no fault at all it has no number, but a lower end.
        assert (brush["for"][1]["ratio"], brush["for"][1]["low"]) == (None, 2.2)
        assert place["against"][0]["contrast"] == DRY.contrast
        assert place["same_as"] == ["air blocked", "guides too loose"]
        assert place["since"] is None

    def test_the_swap_says_what_with_which_bin_and_how_long(self, ask: Ask) -> None:
        swap = ask(replace(FOUND, swap=SWAP), "--json").json["swap_test"]
        assert (swap["what"], swap["bin"], swap["other_bin"]) == ("piles", 7, 6)
        assert (swap["cycles"], swap["power"]) == (SWAP.cycles, 0.8)
        assert (swap["sentence"], swap["then"]) == (SWAP.sentence(), "brushes")
        assert ask(FOUND, "--json").json["swap_test"] is None
        alone = swap_test("A", 7, [], 0.0006, 3.0)
        swap = ask(replace(FOUND, swap=alone), "--json").json["swap_test"]
        assert (swap["other_bin"], swap["cycles"]) == (None, None)

    def test_swaps_that_were_logged_are_read(self, ask: Ask) -> None:
        (read_,) = ask(replace(FOUND, swaps_read=(READ,)), "--json").json["swaps_read"]
        assert (read_["bins"], read_["what"], read_["verdict"]) == (
            [7, 6],
            "piles",
            "stays with the bin",
        )
        assert read_["before"]["ratio"] == pytest.approx(40 / 11)

    def test_a_tower_as_a_whole_has_no_bin(self, ask: Ask) -> None:
        answer = ask(replace(FOUND, bin=None), "--json").json
        assert answer["bin"] is None


class TestWhatIsAsked:
    def test_all_of_it_is_handed_on(
        self, run: Run, store: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        asked: list[Any] = []

        def answer(scan: object, filters: Any, tower: str, bin: int | None, **named: Any) -> Causes:
            asked.append((filters, tower, bin, named["patterns"]))
            return FOUND

        monkeypatch.setattr(answers, "causes", answer)
        words = ("--tower", "A", "--bin", "7", "--kind", "misses", "--until", "2031-05-31")
        assert run("causes", "--store", store, *words).code == 0
        assert run("causes", "--store", store, "--tower", "B").code == 0
        (filters, *rest), (both, *other) = asked
        assert rest == ["A", 7, known_patterns()] and other[:2] == ["B", None]
        assert (filters.kind, filters.until.date()) == ("misses", dt.date(2031, 5, 31))
        assert (filters.since, filters.where, both.kind) == (None, (), "faults")

    def test_causes_of_the_site_are_among_them(
        self, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        folder = tmp_path / "store"
        Store(folder, create=True).add(read(run_log()))
        own = '[[cause]]\nname = "sand"\nkind = "misses"\nbins = "one"\nwhen = ["always"]\n'
        path = folder / PATTERNS_FILE
        path.write_text(own + 'why = "it lifts"\ncheck_first = "look"\n', "utf-8")
        names: list[str] = []

        def answer(*given: object, patterns: Any) -> Causes:
            names.extend(one.name for one in patterns)
            return FOUND

        monkeypatch.setattr(answers, "causes", answer)
        assert run("causes", "--store", folder, "--tower", "A").code == 0
        assert names[-1] == "sand" and "worn brush" in names
        path.write_text(own, "utf-8")
        run("causes", "--store", folder, "--tower", "A").refused(
            f"patterns {path}: cause sand has no why; add it (1 more"
        )

    def test_a_log_without_a_fault_is_refused_in_a_sentence(
        self, run: Run, store: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for error in (ConditionsError("no double was logged; log more"), FilterError("no tower")):

            def answer(*given: object, error: Exception = error, **named: object) -> Causes:
                raise error

            monkeypatch.setattr(answers, "causes", answer)
            run("causes", "--store", store, "--tower", "A").refused(str(error))

    def test_a_log_of_zeros_names_both_kinds_that_are_lacking(
        self, run: Run, write: Callable[..., Path], tmp_path: Path
    ) -> None:
        folder = tmp_path / "zeros"
        lines = [f"{n},2031-03-1{n}T08:00,A,{bin},1000,0,0" for n in (1, 2) for bin in (1, 2)]
        log = write(run_log(*lines, header="run,started,tower,bin,cycles,misses,doubles"))
        run("add", log, "--store", folder)
        for place in ((), ("--bin", 1)):
            said = run("causes", "--store", folder, "--tower", "A", *place)
            said.refused("no misses and no doubles were logged in a known bin here")
        said = run("causes", "--store", folder, "--tower", "A", "--kind", "misses")
        said.refused("no misses were logged in a known bin here")

    def test_without_a_store_it_is_told_how_to_make_one(self, run: Run, tmp_path: Path) -> None:
        said = run("causes", "--tower", "A", "--store", tmp_path / "none")
        said.refused("make one with: feedtally add FILE")

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            ((), "the following arguments are required: --tower"),
            (("--tower", "A", "--bin", "x"), "--bin: x is no bin; write its number, such as 7"),
            (("--tower", "A", "--bin", "0"), "--bin: 0 is no bin; write its number, such as 7"),
            (("--tower", "A", "--kind", "jams"), "--kind is jams; write one of misses, doubles"),
            (("--tower", "A", "--since", "soon"), "soon"),
            (("--tower", "A", "--where", "bin=1"), "unrecognized arguments: --where"),
        ],
    )
    def test_wrong_usage_is_one_sentence_and_2(
        self, run: Run, store: Path, words: tuple[str, ...], told: str
    ) -> None:
        run("causes", "--store", store, *words).refused(told)


def test_the_samples_worn_brush_is_told_to_the_end(run: Run, sample_store: Path) -> None:
    words = ("--tower", "A", "--bin", "7", "--kind", "doubles")
    answer = run("causes", "--store", sample_store, *words, "--json").json
    assert answer["causes"][0]["cause"] == "worn brush"
    assert answer["account"]["feeds"] >= answer["feeds"] > 0


def test_a_short_period_is_set_beside_what_the_whole_log_teaches(
    run: Run, samples: Path, sample_store: Path
) -> None:
    """In July nothing happened to tower A as a whole, and its parts aged by a tenth only."""
    words = ("--tower", "A", "--kind", "doubles", "--since", "2031-07-01", "--until", "2031-07-31")
    answer = run("causes", "--store", sample_store, *words, "--json").json
    rows = [
        row
        for row in read_rows(samples / "runs.csv")
        if row.line["tower"] == "A"
        and row.line["purpose"] in ("", "production")
        and row.doubles is not None
    ]
    july = [row for row in rows if row.line["started"].startswith("2031-07")]
    assert answer["observed"] == sum(row.doubles or 0 for row in july)
    # By nothing but the tower's own rate over the whole log, which paper and air hardly change.
    feeds = sum(row.feeds("doubles") for row in july)
    rate = sum(row.doubles or 0 for row in rows) / sum(row.feeds("doubles") for row in rows)
    assert answer["expected"] == pytest.approx(feeds * rate, rel=0.3)
    assert answer["causes"][0]["cause"] == BAD_LUCK
