"""`settings`: evidence for a stock against a recount by the csv module; trials; the card."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from reportlab.pdfbase import pdfmetrics

import data_samples
from analysis import answers
from analysis.combinations_run import Combination
from analysis.counts import Account
from analysis.levels_tried import Level, Tried
from analysis.rates import Rate
from analysis.set_up import SetUp
from analysis.starting_points import CAUTION, starting_points
from analysis.trials import trial
from dashboard.commands import main, settings
from dashboard.reports import card
from tests.commands.conftest import Said

STOCK = "CO300"
SETTINGS = (
    "prepared",
    "set_spring",
    "set_foot_rest",
    "set_foot_height",
    "set_bleed_holes",
    "set_vacuum",
    "set_blast",
    "set_speed",
)
#: Millimetres to points.
MM = 72 / 25.4


@cache
def lines() -> list[dict[str, str]]:
    """Return the lines of the sample log that settings evidence of the stock rests on."""
    purposes = ("", "production", "trial", "set-up")
    with (data_samples.folder() / "runs.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["stock"] == STOCK]
    return [row for row in rows if row["purpose"] in purposes]


def bins_of(row: dict[str, str]) -> int:
    """Bins that a line stands for."""
    ends = [token.partition("-") for token in row["bin"].split() if token != "?"]
    return sum(int(last or first) - int(first) + 1 for first, _, last in ends)


def watched(rows: list[dict[str, str]], *kinds: str) -> tuple[int, int]:
    """Faults of some kinds, and the feeds that were watched for all of these."""
    seen = [row for row in rows if all(row[kind] != "off" for kind in kinds)]
    count = sum(int(row[kind]) for row in seen for kind in kinds)
    return count, sum(int(row["cycles"] or 0) * bins_of(row) for row in seen)


def asked(*words: object) -> Said:
    """Run the command once for tests that look at the same answer."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(["settings", *map(str, words)])
    return Said(code, out.getvalue(), err.getvalue(), "settings")


@pytest.fixture(scope="module")
def made(sample_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Said:
    path = tmp_path_factory.mktemp("cards") / "card.pdf"
    words = ("--trial", "spring=off,on", "--ratio", "1.5", "--card", path, "--json")
    return asked("--store", sample_store, "--stock", STOCK, *words)


@pytest.fixture(scope="module")
def answer(made: Said) -> dict[str, Any]:
    assert (made.code, made.err) == (0, "")
    return made.json


@pytest.fixture(scope="module")
def table(sample_store: Path) -> Said:
    return asked("--store", sample_store, "--stock", STOCK, "--kind", "doubles")


def test_feeds_and_faults_of_the_stock_are_those_of_the_log(answer: dict[str, Any]) -> None:
    assert (answer["count"], answer["feeds"]) == watched(lines(), "misses", "doubles")
    assert answer["rate"] == answer["count"] / answer["feeds"]
    assert answer["low"] < answer["rate"] < answer["high"]
    whole = sum(int(row["cycles"] or 0) * bins_of(row) for row in lines())
    assert answer["account"]["feeds"] == whole
    assert answer["stock"] == STOCK and answer["kind"] == "faults" and answer["without"] is None


def test_combinations_are_recounted(answer: dict[str, Any]) -> None:
    found = answer["combinations"]
    assert found and {len(c["settings"]) for c in found} == {len(SETTINGS)}
    fed = []
    for told in found:
        wanted = tuple(told["settings"][name] or "" for name in SETTINGS)
        rows = [row for row in lines() if tuple(row[name] for name in SETTINGS) == wanted]
        assert (told["count"], told["feeds"]) == watched(rows, "misses", "doubles")
        assert told["misses"] == watched(rows, "misses")[0]
        assert told["doubles"] == watched(rows, "doubles")[0]
        # A stretch belongs to its run, which began no later.
        assert told["last"] <= max(row["started"] for row in rows) + ":00"
        usual = told["expected"] / told["feeds"]
        # Of a dozen combinations one would look clean by luck: the range shown is not enough.
        if told["verdict"] == "clean":
            assert told["high"] < usual
        if told["verdict"] == "not clean":
            assert told["low"] > usual
        fed.append(told["feeds"])
    # Those with the most feeds: what is not shown had no more.
    every: dict[tuple[str, ...], list[dict[str, str]]] = {}
    for row in lines():
        every.setdefault(tuple(row[name] for name in SETTINGS), []).append(row)
    sums = sorted((watched(rows, "misses", "doubles")[1] for rows in every.values()), reverse=True)
    assert sorted(fed, reverse=True) == sums[: len(fed)]


def test_levels_are_recounted_and_share_the_chance_to_be_best(answer: dict[str, Any]) -> None:
    assert {told["setting"] for told in answer["levels"]} >= {"set_spring", "set_vacuum"}
    for told in answer["levels"]:
        rows = [row for row in lines() if row[told["setting"]] == told["level"]]
        assert (told["count"], told["feeds"]) == watched(rows, "misses", "doubles")
        assert told["feeds_like"] >= told["feeds"] and told["count_like"] >= told["count"]
        assert told["low"] <= told["ratio"] <= told["high"]
    for setting in answer["settings"]:
        levels = [told for told in answer["levels"] if told["setting"] == setting["setting"]]
        chances = [told["best"] for told in levels if told["best"] is not None]
        assert not chances or sum(chances) == pytest.approx(1, abs=1e-9)
        usual = max(levels, key=lambda told: told["feeds"])
        assert setting["usual"] == usual["level"] and usual["ratio"] == 1
    for setting, level in answer["always"].items():
        rows = [row for row in lines() if row[setting] == level]
        assert watched(rows, "misses")[1] > 0.97 * watched(lines(), "misses")[1]


def test_common_practice_is_labelled_and_hands_are_warned(answer: dict[str, Any]) -> None:
    # The spring makes a difference on coated stock, as planted, and the log has settled it.
    assert [point["setting"] for point in answer["starting_points"]] == [
        "set_foot_rest",
        # It mostly runs as the cover of a body of 115 g/m2.
        "set_bleed_holes",
    ]
    assert answer["caution"] == CAUTION


def test_a_trial_that_is_asked_for_is_planned_of_these_two_levels(answer: dict[str, Any]) -> None:
    planned = answer["trial"]
    assert planned["setting"] == "set_spring" and planned["levels"] == ["off", "on"]
    assert (planned["ratio"], planned["power"]) == (1.5, 0.8)
    assert planned["rate"] == answer["rate"]
    assert planned["feeds"] * 2 == planned["stretches"] * planned["feeds_per_stretch"]
    mean = planned["feeds"] * planned["rate"]
    assert planned["expected"] == pytest.approx([mean, 1.5 * mean], rel=1e-12)
    assert planned["sentence"] in answer["sentence"]
    assert "taking spring off and spring on in turn" in planned["sentence"]
    # Those that the log suggests are for the settings that are not settled.
    settled = {told["setting"]: told["settled"] for told in answer["settings"]}
    suggested = [told["setting"] for told in answer["trials"]]
    assert suggested and not any(settled[name] for name in suggested)
    # What the log leaves open that the other level may gain, and no more than twice.
    levels = {(x["setting"], x["level"]): x for x in answer["levels"]}
    for told in answer["trials"]:
        other = levels[told["setting"], told["levels"][1]]
        assert told["ratio"] == max(other["low"], 0.5) and told["power"] == 0.8
    variances = {told["runs_variance"] for told in answer["trials"]}
    assert variances == {planned["runs_variance"]}


def test_the_tables_say_it(table: Said) -> None:
    out = table.out
    assert table.code == 0 and table.err == ""
    count, feeds = watched(lines(), "doubles")
    assert out.splitlines()[1].endswith(f", {count:,} in {feeds:,} feeds.")
    rows = [line.split() for line in out.splitlines()]
    off = [row for row in lines() if row["set_spring"] == "off"]
    count, feeds = watched(off, "doubles")
    assert ["spring", "off", f"{feeds:,}", f"{count:,}"] in [row[:4] for row in rows]
    assert "foot rest in, foot height 3, bleed holes 0" in out
    assert out.count("Common practice, no source: ") == 3
    assert out.endswith(f"{CAUTION}\n")
    # All of it stands under its heads: nothing is cut.
    assert "…" not in out and "doubles expected" in out and "best of those tried" in out


def test_each_trial_is_listed_with_the_ratio_that_it_shows(
    capsys: pytest.CaptureFixture[str],
) -> None:
    settings._print_trials(
        {
            "set_vacuum": trial(1e-4, 0.5, levels=("vacuum 1", "vacuum 2")),
            "set_speed": trial(1e-4, 0.7312345, levels=("speed 1", "speed 2")),
        }
    )
    head, names, *rows = capsys.readouterr().out.strip().splitlines()
    assert "0.5" not in head and "80 % power" in head
    assert names.split()[:5] == ["one", "level", "the", "other", "times"]
    assert [line.split()[4] for line in rows] == ["0.50", "0.73"]


def test_a_level_that_the_stock_never_ran_at_is_refused(run, sample_store: Path) -> None:
    words = ("settings", "--stock", STOCK, "--store", sample_store, "--until", "2031-06-30")
    run(*words, "--trial", "set_foot_rest=in,out").refused(
        "stock CO300 has not run with foot rest out, and a trial is of levels that it has run at: "
        "only in."
    )


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("one_of_the_0=level 1,level 9", "has not run with one of the 0 level 9, and a trial is"),
        ("one_of_the_0=level 8,level 9", "has not run with one of the 0 level 8 and one of the 0"),
        ("one_of_the_0=level 1,level 9", "that it has run at: level 1 and level 2."),
        ("set_always_0=level 1,level 2", "has not run with always 0 level 2, and a trial is of"),
        ("set_moon=full,new", "set_moon is no setting that stock LU60 has run with; it has run"),
        ("one_of_the_0=level 1,level 1", "the two levels of a trial must differ"),
        ("one_of_the_0=level 1,level 2 --ratio=1", "ratio must be above 0 and not 1"),
        ("one_of_the_0=level 1,level 2 --power=80", "power must be below 1"),
    ],
)
def test_what_cannot_be_planned_is_refused_in_one_sentence(
    run, sample_store: Path, monkeypatch: pytest.MonkeyPatch, words: str, told: str
) -> None:
    # Made up, so that the log need not be read again for each.
    monkeypatch.setattr(answers, "set_up", lambda *_: long(3))
    first, *more = words.split(" --")
    ask = ("settings", "--stock", "LU60", "--store", sample_store, "--trial", first)
    run(*ask, *(f"--{option}" for option in more)).refused(told)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "the following arguments are required: --stock"),
        (("--stock", "X", "--trial", "spring"), "spring is no setting with two levels"),
        (("--stock", "X", "--trial", "spring=on"), "write it as set_spring=on,off"),
        (("--stock", "X", "--trial", "spring=on,off,half"), "is no setting with two levels"),
        (("--stock", "X", "--ratio", "2"), "--ratio goes with --trial"),
        (("--stock", "X", "--power", "0.9"), "--power goes with --trial"),
        (("--stock", "X", "--ratio", "two"), "two is no number"),
        (("--stock", "X", "--where", "stock=Y"), "leave --where stock= out"),
        (("--stock", "X", "--card", "card.txt"), "card.txt does not end in .pdf"),
        (("--stock", "X", "--kind", "jams"), "--kind is jams"),
    ],
)
def test_wrong_usage_is_told_before_the_log_is_read(run, tmp_path: Path, words, told) -> None:
    run("settings", *words, "--store", tmp_path / "none").refused(told)


def test_an_unknown_stock_is_told_which_are_known(run, sample_store: Path) -> None:
    said = run("settings", "--stock", "CO301", "--store", sample_store, "--until", "2031-02-01")
    said.refused("stock CO301 is not in this part of the log, which has BO90, ")


def test_a_purpose_that_was_never_logged_is_told_with_those_that_were(
    run, sample_store: Path
) -> None:
    words = ("--stock", "BO90", "--store", sample_store, "--where", "purpose=trial")
    told = "there is no purpose trial in the log; it has set-up, burn-in and production."
    run("settings", *words).refused(told)


@pytest.fixture
def small(run, tmp_path: Path) -> Path:
    """Return a store of one stock that had no fault, with no word of its settings."""
    log, folder = tmp_path / "log.csv", tmp_path / "small"
    rows = [f"{day},2031-05-{day:02d}T08:00,A,1,9000,0,0,X\n" for day in range(1, 25)]
    log.write_text("run,started,tower,bin,cycles,misses,doubles,stock\n" + "".join(rows), "utf-8")
    assert run("add", log, "--store", folder).code == 0
    return folder


def test_a_stock_without_faults_says_why_no_more_is_said(run, small: Path) -> None:
    answer = run("settings", "--stock", "X", "--store", small, "--json").json
    assert (answer["feeds"], answer["count"], answer["rate"]) == (24 * 9000, 0, 0)
    assert answer["combinations"] == answer["levels"] == answer["trials"] == []
    assert answer["without"].startswith("no faults were logged in a known bin here")
    out = run("settings", "--stock", "X", "--store", small).out
    assert "Nothing is known of its settings yet: no faults were logged" in out
    said = run("settings", "--stock", "X", "--store", small, "--trial", "spring=on,off")
    said.refused("stock X has run with; none was logged of it yet")


class TestTheCard:
    def test_it_is_one_page_of_a5_that_says_what_the_answer_says(
        self, answer: dict[str, Any]
    ) -> None:
        content = Path(answer["file"]).read_bytes()
        assert f"Its card is in {answer['file']}." in answer["sentence"]
        text = words(content)
        assert f"Stock {STOCK} set-up card Heavy cover: 300 g/m²" in text
        for heading in ("Ran clean", "Settings", card.PRACTICE, "What to try next", CAUTION):
            assert heading in text
        count, feeds = watched(lines(), "misses", "doubles")
        assert f", {count:,} in {feeds:,} feeds." in text
        clean = [c for c in answer["combinations"] if c["verdict"] == "clean"]
        assert (card.NONE_CLEAN in text) == (not clean)
        for told in clean[:3]:
            assert f" in {told['feeds']:,} feeds, where " in text
        for told in answer["settings"]:
            best = max(
                (level for level in answer["levels"] if level["setting"] == told["setting"]),
                key=lambda level: level["best"] or 0,
            )
            name = told["setting"].removeprefix("set_")
            assert f"{name} {told['usual']} {best['level']} " in text
            assert f"{best['feeds']:,} {best['feeds_like']:,}" in text
        assert any(told["sentence"] in text for told in answer["trials"])
        for point in answer["starting_points"]:
            assert f"{point['what']}, since {point['why']}." in text
        runs = len({(row["tower"], row["run"]) for row in lines()})
        assert f"from {runs} runs and {answer['account']['feeds']:,} feeds of this stock" in text
        assert "logged 8 January 2031 to 5 March 2032" in text

    def test_a_card_is_written_again_but_nothing_else_is_lost(
        self, run, small: Path, tmp_path: Path
    ) -> None:
        path = tmp_path / "card.pdf"
        ask = ("settings", "--stock", "X", "--store", small, "--card")
        said = run(*ask, path)
        assert said.code == 0 and f"Its card is in {path}." in said.out
        first = path.read_bytes()
        assert "no faults were logged in a known bin" in words(first)
        assert card.NOTHING_TO_TRY in words(first) and "stock list" in words(first)
        assert run(*ask, path).code == 0 and path.read_bytes() == first
        path.write_bytes(b"run,started\n")
        run(*ask, path).refused("card.pdf is there already and no PDF")
        assert path.read_bytes() == b"run,started\n"
        run(*ask, tmp_path / "none" / "card.pdf").refused("cannot be written")
        (tmp_path / "folder.pdf").mkdir()
        run(*ask, tmp_path / "folder.pdf").refused("cannot be written")

    def test_the_log_as_it_stood_stands_on_it(self, run, small: Path, tmp_path: Path) -> None:
        path = tmp_path / "card.pdf"
        ask = ("settings", "--stock", "X", "--store", small, "--card", path)
        assert run(*ask, "--as-of", "2099-01-01").code == 0
        assert "from the log as it stood on 2099-01-01: 24 runs" in words(path.read_bytes())

    def test_it_is_the_same_for_the_same_day(self) -> None:
        made, day = long(), dt.date(2032, 4, 1)
        assert card.pdf(made, day) == card.pdf(made, day)
        assert "Printed on 1 April 2032" in words(card.pdf(made, day))

    @pytest.mark.parametrize("settings", [1, 8, 30])
    @pytest.mark.parametrize("longest", [False, True])
    def test_the_longest_texts_have_room_on_one_page(self, settings: int, longest: bool) -> None:
        content = card.pdf(
            long(settings, longest=longest), dt.date(2032, 12, 31), as_of="2032-12-30T23:59:59"
        )
        spots = placed(content)
        heights = [y for _, y, _ in spots]
        # Lines follow one another down the page and none runs into the foot or off the paper.
        assert heights == sorted(heights, reverse=True) and min(heights) >= 20
        steps = [a - b for a, b in zip(heights, heights[1:], strict=False) if a != b]
        assert min(steps) >= 9
        assert max(x + width for x, _, width in spots) <= 148 * MM - 20
        text = words(content)
        for heading in ("Ran clean", "Settings", card.PRACTICE, "What to try next", CAUTION):
            assert heading in text
        assert "are enough to show" in text and "Printed on 31 December 2032" in text

    def test_what_did_not_run_clean_is_said_with_what_all_share(self) -> None:
        text = words(card.pdf(long(3), dt.date(2032, 4, 1)))
        assert "Did not run clean" in text
        assert text.count("where 17 were to be expected; last on 9 March 2032.") == 5
        assert "All of these with one of the 0 level 0." in text

    def test_the_trial_that_promises_most_comes_next(self) -> None:
        made = long(3)
        rate = made.total.rate
        assert rate
        trials = {
            name: trial(rate, 2, levels=(f"{name} a", f"{name} b"))
            for name in ("set_a", "set_b", "set_c")
        }
        tried = tuple(
            Tried(
                name,
                "u",
                (
                    Level(f"{name}1", 10, 1, 10, 1, ratio, ratio / 2, 2.0, 0.6),
                    Level("u", 10, 1, 10, 1, 1.0, 1.0, 1.0, 0.4),
                ),
            )
            for name, ratio in (("set_a", 1.0), ("set_b", 0.7), ("set_d", 0.1), ("set_c", 0.9))
        )
        found = replace(made, tried=tried, trials=trials).next_trial
        assert found is not None and found[0] == "set_b"
        assert replace(made, tried=tried, trials={}).next_trial is None

    def test_letters_that_its_type_lacks_are_said(self) -> None:
        made = long(2)
        assert card.can_write(made)
        other = replace(made, stock="Ж1")
        assert not card.can_write(other)
        text = words(card.pdf(other, dt.date(2032, 4, 1)))
        assert "Stock ?1" in text and "Ж" not in text


def words(content: bytes) -> str:
    """Return the text of the one page, its lines joined."""
    (page,) = PdfReader(io.BytesIO(content)).pages
    assert [round(float(side) / MM) for side in page.mediabox[2:]] == [148, 210]
    return " ".join(page.extract_text().split())


def placed(content: bytes) -> list[tuple[float, float, float]]:
    """Return where each piece of text stands on the page, and how wide it is."""
    (page,) = PdfReader(io.BytesIO(content)).pages
    found = []

    def see(text: str, _: object, at: list[float], font: dict[str, str], size: float) -> None:
        if text.strip():
            bold = "Bold" in font["/BaseFont"]
            name = "Public Sans Bold" if bold else "Public Sans"
            found.append((at[4], at[5], pdfmetrics.stringWidth(text.strip(), name, size)))

    page.extract_text(visitor_text=see)
    return found


def long(settings: int = 8, *, longest: bool = False) -> SetUp:
    """Make up a stock with as much to say as there can be."""
    names = [f"set_one_of_the_{i}" + "_wide" * 9 * longest for i in range(settings)]
    level = "level {}" + " of many words" * 3 * longest

    def rate(count: int, feeds: int) -> Rate:
        at = count / feeds
        return Rate("faults", count, feeds, 99, at, at / 2, at * 2, 1.5, at / 2, at * 2)

    def combination(number: int, count: int) -> Combination:
        # The first setting is the same in all.
        chosen = {name: level.format(number if i else 0) for i, name in enumerate(names)}
        feeds = 1_234_567
        return Combination(
            settings=chosen,
            rate=rate(count, feeds),
            counts={"misses": count - 1, "doubles": 1},
            expected=17.2,
            last=dt.datetime(2032, 3, 9, 8),
            verdict="clean" if count < 17 else "not clean",
        )

    tried = tuple(
        Tried(
            name,
            level.format(1),
            tuple(
                Level(level.format(i), 12_345_678, 99, 123_456_789, 999, 1.0, 0.5, 2.0, 0.5)
                for i in (1, 2)
            ),
        )
        for name in names
    )
    two = (f"{names[0][4:]} {level.format(1)}", f"{names[0][4:]} {level.format(2)}")
    return SetUp(
        stock="W" * 64 if longest else "LU60",
        listed={
            "stock": "LU60",
            "description": "W" * 64 + " light paper of many words" * 9 if longest else "light",
            "grammage_gsm": 60.0,
            "caliper_um": 78.0,
            "coating": "uncoated",
            "printed_by": "toner",
            "width_mm": 210.0,
            "height_mm": 297.0,
            "grain": "long",
            "special": "punched",
        },
        kind="faults",
        account=Account(
            99_999, 9_999, 9_876_543_210, dt.datetime(2031, 9, 28), dt.datetime(2032, 12, 31)
        ),
        total=rate(1000, 12_345_678),
        combinations=(
            *(combination(i, 3) for i in range(4)),
            *(combination(i, 99) for i in range(4)),
        ),
        tried=tried,
        always={f"set_always_{i}": level.format(1) for i in range(min(settings, 4))},
        starting=starting_points(60, "uncoated", "toner", 210, 297, 250),
        trials={names[0]: trial(1e-4, 2, variance=0.3, levels=two)},
        ran={name: (level.format(1), level.format(2)) for name in names}
        | {f"set_always_{i}": (level.format(1),) for i in range(min(settings, 4))},
        variance=0.3,
    )
