"""Likely causes and the swap on the drift page, said of results written by hand."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import io
import itertools
from collections.abc import Iterator

import pytest

from analysis import answers
from analysis.causes import Causes
from analysis.cautions import HANDS, HELP
from analysis.conditions_model import ConditionsError
from analysis.filters import FilterError
from analysis.patterns import PATTERNS_FILE, PatternsError
from analysis.swaps import CAUTION
from dashboard import app as shell
from dashboard.data import Data
from dashboard.pages import causes as page
from tests.dashboard.causes_results import (
    CANNOT,
    LUCK,
    READ,
    STATIC,
    SWAP,
    UNLIKELY,
    cause_of,
    causes_of,
)
from tests.dashboard.drift_results import OVER, WORST, stream_of
from tests.dashboard.test_page_overview import shown


def said(*causes: object, **changes: object) -> str:
    return shown(page.answer(causes_of(*causes, **changes)))  # type: ignore[arg-type]


@pytest.fixture
def faked(sample_data: Data, monkeypatch: pytest.MonkeyPatch) -> Iterator[Data]:
    """Answer by hand, of the sample store."""

    def causes(scan: object, of: object, tower: str, bin: int | None, **_: object) -> Causes:
        if tower == "Z":
            raise FilterError("there is no tower Z in the log; it has A, B and C")
        if tower == "Y":
            raise RuntimeError("no")
        return causes_of(tower=tower, bin=bin)

    monkeypatch.setattr(answers, "causes", causes)
    monkeypatch.setattr(answers, "conditions", lambda *_, **__: object())
    yield Data(sample_data.folder)


def test_the_first_line_says_what_is_likely_and_what_it_rests_on() -> None:
    assert said().startswith(
        "Likely: worn brush; static adds to it.In all that was logged, 61 doubles where 32 would "
        "be usual in 213,000 feeds."
    )
    assert said(LUCK, cause_of(named=False, score=0.2)).startswith(
        "Nothing needs to be done yet: bad luck is the likeliest."
    )
    assert said(CANNOT, cause_of(named=False, score=0.4), LUCK).startswith(
        "These counts cannot tell; a swap would."
    )


def test_each_cause_has_its_chance_in_a_word_a_number_and_a_bar() -> None:
    text = said()
    assert "Worn brushlikely89 in 100" in text
    assert "Staticadds to it12 in 100" in text
    assert "Bad luckpossible6 in 100" in text
    assert "over 99 in 100" in said(cause_of(score=0.996))
    bar = page._chance(cause_of(score=0.89))[0]
    assert bar.children.style == {"width": "89%"}
    assert bar.to_plotly_json()["props"]["aria-hidden"] == "true"


def test_what_is_hardly_possible_is_left_out_and_cannot_tell_is_no_cause() -> None:
    assert "separating air0" not in said() and "Too little separating air" not in said()
    assert "Too little separating air" in said(
        dataclasses.replace(UNLIKELY, score=0.021, chance=0.021)
    )
    assert "Cannot tell" not in said(CANNOT, LUCK)


def test_a_cause_says_what_is_seen_what_comes_first_and_what_looks_the_same() -> None:
    text = said()
    assert "Seen3.0 times the doubles (2.2 to 4.0) since about 11 April 2031; it is worn." in text
    assert "FirstLook at the brush of that bin beside a new one." in text
    told = "OrFoot set too low; separating air blocked. Counts alone cannot tell them apart."
    assert told in text
    assert "SoNothing needs to be done yet: go on logging." in text


def test_what_speaks_for_and_against_is_a_table_with_ratios_and_ranges() -> None:
    table = page._contrasts(cause_of(), opened=True)[0].children
    rows = [shown(row) for row in table.children[2].children]
    assert rows == [
        "Bin 7 against the other bins of tower B since 11 April 2031for: more3.1 (2.2 to 4.3)"
        "44 where 14 doubles in 65,000 feeds",
        "Toner-printed paper against the restfor: alike0.94 (0.51 to 1.6)"
        "16 where 17 doubles in 24,000 feeds",
        "With an old brush against a newer oneagainst: no more1.1 (0.70 to 1.4)"
        "21 where 20 doubles in 40,000 feeds",
    ]
    # Where the other side has no fault, there is no ratio but a least one.
    assert "–\N{NO-BREAK SPACE}" not in said()
    assert "for: more– (1.4 or more)6 where 1.2" in said()
    folded = page._contrasts(STATIC, opened=False)[0]
    assert folded.className == "numbers"
    assert page._contrasts(dataclasses.replace(STATIC, supports=()), opened=False) == []


def test_the_help_is_said_and_what_could_not_be_looked_at() -> None:
    text = said()
    assert HELP in text
    assert "What could not be looked at (1)Too much vacuum for light stock: set_bleed" in text
    assert "They stand by" not in text
    assert "could not be looked at" not in said(cause_of(), LUCK, lacking=())


def test_where_it_is_not_by_chance_the_order_is_said() -> None:
    # Bars that grow down the list would be taken for a slip.
    text = said(cause_of(score=0.64), dataclasses.replace(STATIC, score=0.3, chance=0.995))
    assert "They stand by what they are likely to explain: likely causes first" in text


def test_what_is_over_is_said_to_be() -> None:
    over = dt.datetime(2031, 8, 4)
    first = said(cause_of(over=over), STATIC)
    assert first.startswith("Likely until 4 August 2031: worn brush; static adds to it.")
    assert "Worn brushwas likely89 in 100" in first
    then = said(cause_of(), dataclasses.replace(STATIC, over=over))
    assert then.startswith("Likely: worn brush; static added to it until 4 August 2031.")
    assert "Staticadded to it12 in 100" in then


def test_the_swap_that_would_tell_has_its_cycles_days_and_outcomes() -> None:
    text = shown(page._swap(causes_of()))
    assert text == (
        "The swap that would tell: piles of bins 7 and 8WhenA look does not tell."
        "Run9,000 cycles exchanged, about 4 days at the recent pace."
        "They goThe doubles go with the paper to bin 8: it is the paper."
        "They stayThe doubles stay in bin 7: it is the bin; then exchange the brushes."
        "Bin 8The nearest bin with the same paper that is ordinary itself, with 0.98 times what is "
        "to be expected."
        "How sureSo many cycles tell which in 80 of 100 swaps, and tell the wrong one in 5 at most."
        "Log itIn the service log, with the part paper and the action swapped, a line for each of "
        "the two bins at the same time."
    )
    first = dataclasses.replace(SWAP, more_before=2_100, days=None)
    text = shown(page._swap(causes_of(CANNOT, swap=first)))
    assert "BeforeLog 2,100 more cycles as things are.Run9,000 cycles exchanged.They go" in text
    assert "A look does not tell" not in text


def test_where_no_swap_would_tell_it_says_why() -> None:
    none = dataclasses.replace(SWAP, other_bin=None, cycles=None, why="no other bin runs it")
    assert shown(page._swap(causes_of(swap=none))) == "No swap would tellNo other bin runs it."
    for causes, bin_, told in (
        ((cause_of(),), None, "A fault of a whole tower has no ordinary bin beside it"),
        ((LUCK,), 7, "nothing is likely to be the matter with this bin"),
        ((STATIC,), 7, "all bins of the tower have what is likely behind it"),
        ((cause_of(),), 7, "Should it come back and a look not tell, exchange the brushes."),
    ):
        assert told in shown(page._swap(causes_of(*causes, swap=None, bin=bin_)))


def test_what_logged_swaps_have_told_is_listed_last_one_first() -> None:
    earlier = dataclasses.replace(
        READ,
        when=READ.when.replace(month=4),
        what="brushes",
        thing="brush",
        verdict="not yet",
        more_cycles=3_000,
    )
    text = shown(page._readings([earlier, READ]))
    assert text.startswith(
        "Swaps that were logged12 May 2031Piles of bins 7 and 8: stays with the bin.Bin 7 had 3.1 "
        "times (1.7 to 6.2) the doubles of bin 8 before, 3.7 times (0.90 to 21) after; 7 and 2 in "
        "9,400 cycles.12 April 2031Brushes of bins 7 and 8: not told yet; log about 3,000 more"
    )
    never = dataclasses.replace(earlier, more_cycles=None)
    assert "nothing can be told" in shown(page._readings([never]))
    assert page._readings([]) == []


def test_the_caution_is_said_once_and_is_the_widest() -> None:
    assert said().count("Caution") == 1 and CAUTION in said()
    assert HANDS in said(swap=None)
    hands_off = said(STATIC, swap=None)
    assert f"{HANDS} Change one thing at a time and log it." in hands_off


def test_while_it_is_looked_for_it_says_so_and_what_to_mind() -> None:
    text = shown(page.of_stream(WORST, None))
    assert text.startswith("What is likely behind the doubles of bin 7 of tower B?Looking what is")
    assert HANDS in text
    known = page.of_stream(WORST, causes_of())
    assert "Looking" not in shown(known) and "drift-causes-of" not in str(known)


def test_where_it_is_over_the_causes_are_said_to_be_of_the_time_before() -> None:
    over = stream_of(alarms=(OVER,))
    assert (
        "It is over since 21 February 2031 (feet cleaned). The causes are of all that was logged"
    ) in shown(page.of_stream(over, causes_of()))
    assert "It is over" not in shown(page.of_stream(WORST, causes_of()))


def later(data: Data, named: str) -> str:
    """Return what the section is told after the page is there."""
    client = shell.create_app(data).server.test_client()
    outputs = [{"id": name, "property": "children"} for name in ("drift-cause", "drift-cause-said")]
    answer = client.post(
        "/_dash-update-component",
        json={
            "output": "..drift-cause.children...drift-cause-said.children..",
            "outputs": outputs,
            "inputs": [{"id": "drift-causes-of", "property": "data", "value": named}],
            "changedPropIds": ["drift-causes-of.data"],
        },
    )
    told = answer.get_json()["response"]
    text = shown(told["drift-cause"]["children"])
    assert text.startswith(shown(told["drift-cause-said"]["children"]))
    return text


def test_it_is_told_later_and_known_from_then_on(faked: Data) -> None:
    assert page.known(faked, WORST) is None
    assert later(faked, "B.7.doubles").startswith("Likely: worn brush")
    found = page.known(faked, WORST)
    assert found is not None and faked.causes("B", 7, "doubles") is found


def test_what_cannot_be_looked_at_is_a_sentence_with_the_caution(
    faked: Data, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    assert later(faked, "Z.7.doubles").startswith("There is no tower Z in the log; it has A, B")
    assert "the reason is printed where feedtally was started" in later(faked, "Y.7.doubles")
    assert "causes could not be worked out" in caplog.text

    def none(*_: object, **__: object) -> None:
        raise ConditionsError("no fault")

    monkeypatch.setattr(answers, "conditions", none)
    told = later(Data(faked.folder), "B.7.doubles")
    assert told.startswith("No such fault was logged in production") and HANDS in told


def test_patterns_that_are_wrong_are_said(faked: Data, monkeypatch: pytest.MonkeyPatch) -> None:
    def wrong(folder: object) -> None:
        raise PatternsError(PATTERNS_FILE, ["pattern 2 has no name"])

    monkeypatch.setattr("dashboard.data.read_patterns", wrong)
    assert page.known(faked, WORST) is None
    assert "pattern 2 has no name" in later(faked, "B.7.doubles")


def test_the_numbers_are_a_line_for_each_contrast(faked: Data) -> None:
    client = shell.create_app(faked).server.test_client()
    answer = client.get("/drift/causes.csv?stream=B.7.doubles")
    named = answer.headers["Content-Disposition"]
    assert "feedtally-drift-tower-B-bin-7-doubles-causes.csv" in named
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    by_rank = {k: list(g) for k, g in itertools.groupby(rows, lambda row: row["rank"])}
    assert [len(rows) for rows in by_rank.values()] == [3, 2, 1, 3]
    first = rows[0]
    assert (first["cause"], first["score"], first["speaks"]) == ("worn brush", "0.89", "for")
    assert (first["times"], first["times_low"], first["counted"]) == ("3.1", "2.2", "44")
    # No formula, and no number where there is no end.
    odd = by_rank["2"][1]
    assert (odd["contrast"], odd["times"], odd["times_high"]) == (
        "'=light paper against the rest",
        "",
        "",
    )
    for address, told in (("", "no stream is named"), ("?stream=B7", "stream is B7; write tower")):
        answer = client.get(f"/drift/causes.csv{address}")
        assert answer.status_code == 400 and told in answer.text


def test_no_word_of_who_ran_it_and_none_of_statistics() -> None:
    text = said().lower()
    for word in ("operator", "posterior", "p-value", "bayes", "likelihood"):
        assert word not in text
