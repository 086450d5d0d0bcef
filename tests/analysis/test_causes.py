"""Which cause comes first: what was planted in the samples, and towers made by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis import answers
from analysis.causes import BAD_LUCK, CANNOT_TELL, Cause, Causes, causes
from analysis.causes_together import order, together
from analysis.cautions import HANDS
from analysis.chances import LUCK, NAMED
from analysis.conditions import Conditions
from analysis.counts import Account, LogScan
from analysis.filters import FilterError, Filters, parse_filters
from analysis.patterns import Pattern, known_patterns
from analysis.store import Store
from analysis.swap_advice import swap_for
from analysis.swaps import OtherBin, swap_test
from analysis.tower_rows import Rows
from tests.analysis.one_tower import pattern, service, tower

ACCOUNT = Account(0, 0, 0, None, None)
LUCKY = (BAD_LUCK, CANNOT_TELL)

Asked = Callable[..., Causes]


@pytest.fixture(scope="module")
def scan(sample_store: Path) -> LogScan:
    return LogScan(Store(sample_store).snapshot())


@pytest.fixture(scope="module")
def models(scan: LogScan) -> dict[str, Conditions]:
    return {k: answers.conditions(scan, Filters(kind=k)) for k in ("misses", "doubles")}


@pytest.fixture(scope="module")
def ask(scan: LogScan, models: Mapping[str, Conditions]) -> Asked:
    """Answer for the samples; each question once."""
    known: dict[Any, Causes] = {}

    def asked(tower: str, bin: int | None, kind: str) -> Causes:
        place = (tower, bin, kind)
        if place not in known:
            known[place] = answers.causes(scan, Filters(kind=kind), tower, bin, conditions=models)
        return known[place]

    return asked


class TestSamples:
    """What was planted stands in `data_samples/README.md`."""

    def test_the_worn_brush_is_found(self, ask: Asked) -> None:
        found = ask("A", 7, "doubles")
        assert found.first.cause == "worn brush" and found.first.named
        titles = [one.contrast for one in found.first.supports]
        assert "with an old brush against a newer one" in titles
        assert "bin 7 against the other bins of tower A" in titles
        assert not found.first.against
        assert found.first.caution == HANDS
        # It was replaced: what is over is told so.
        assert found.first.over == dt.datetime(2031, 11, 10, 5, 40)
        assert found.sentence().startswith("Worn brush was likely behind the doubles of bin 7 of ")

    def test_the_leaking_foot_is_found_and_when_it_began(self, ask: Asked) -> None:
        found = ask("A", 2, "misses")
        assert found.first.cause == "leaking suction foot" and found.first.named
        # It rose from 21 July to three and a half times on 19 September 2031.
        since = found.first.since
        assert np.datetime64("2031-07-07") < since < np.datetime64("2031-09-20")
        assert "detector of that bin calling falsely" in found.first.same_as
        # The foot still leaks: a swap of piles would tell it from the paper.
        assert found.swap is not None and found.swap.cycles
        assert (found.swap.bin, found.swap.then) == (2, "suction feet")

    def test_the_tripling_without_a_service_is_out_of_place(self, ask: Asked) -> None:
        found = ask("B", 4, "doubles")
        assert found.first.cause == "brush or foot out of place" and found.first.named
        # Three times from 18 August 2031 on.
        since = found.first.since
        assert np.datetime64("2031-08-04") < since < np.datetime64("2031-09-15")
        assert found.first.supports[0].low < 3.0
        brush = next(cause for cause in found.causes if cause.cause == "worn brush")
        assert not brush.named

    def test_static_is_named_for_towers_and_nothing_for_a_change_of_mix(self, ask: Asked) -> None:
        for name in "ABC":
            assert [one.cause for one in ask(name, None, "doubles").named] == ["static"]
        # What tower C had of misses until its overhaul on 4 August 2031 is all that may be named.
        for one in ask("C", None, "misses").named:
            assert " until 4 August 2031" in one.said or "age of" in one.said

    def test_nothing_but_static_is_named_for_what_came_with_the_mix(
        self, scan: LogScan, models: Mapping[str, Conditions]
    ) -> None:
        # From the overhaul on nothing happened to tower C; in October its work became heavier.
        since = parse_filters(since="2031-08-11").since
        for kind, named in (("misses", []), ("doubles", ["static"])):
            found = answers.causes(scan, Filters(since=since, kind=kind), "C", conditions=models)
            assert [one.cause for one in found.named] == named

    def test_static_is_named_for_bins_that_run_toner_most(self, ask: Asked, scan: LogScan) -> None:
        toner = {row["stock"] for row in scan.list_rows("stocks") if row["printed_by"] == "toner"}
        rows = scan.counts(("tower", "bin", "stock"), parse_filters(where=["tower=C"]))
        fed: dict[int, float] = {}
        for row in rows.to_pylist():
            if row["bin"] is not None and row["stock"] in toner:
                fed[row["bin"]] = fed.get(row["bin"], 0) + row["feeds"]
        most = sorted(fed, key=lambda bin: -fed[bin])[:2]
        for bin in most:
            found = ask("C", bin, "doubles")
            assert found.first.cause == "static" and found.first.shared

    @pytest.mark.parametrize("kind", ["misses", "doubles"])
    def test_a_quiet_bin_has_bad_luck(self, ask: Asked, kind: str) -> None:
        found = ask("A", 3, kind)
        assert found.first.cause == BAD_LUCK
        assert found.first.score > 0.8
        assert found.swap is None
        assert found.sentence().startswith(f"Nothing yet: bad luck is likely behind the {kind} of")

    def test_every_chance_is_one(self, ask: Asked) -> None:
        for place in (("A", 7, "doubles"), ("A", 2, "misses"), ("A", 3, "doubles")):
            found = ask(*place)
            assert all(0 <= one.score <= 1 for one in found.causes)
            own = sum(one.score for one in found.causes if not one.shared)
            assert own == pytest.approx(1, abs=0.05)

    def test_both_kinds_are_told_together(self, ask: Asked) -> None:
        both = together([ask("A", 2, "misses"), ask("A", 2, "doubles")])
        assert (both.kind, both.first.cause) == ("faults", "leaking suction foot")
        assert both.observed == sum(ask("A", 2, k).observed for k in ("misses", "doubles"))
        # That nothing is the matter with its doubles is told beside it.
        (luck,) = (one for one in both.causes if one.cause == BAD_LUCK)
        assert (luck.kind, luck.score > 0.5) == ("doubles", True)
        assert both.swap == ask("A", 2, "misses").swap

    def test_the_swap_is_of_the_kind_that_comes_first(self, ask: Asked) -> None:
        doubles = ask("B", 4, "doubles")
        both = together([ask("B", 4, "misses"), doubles])
        assert both.first.kind == "doubles"
        assert both.swap is doubles.swap is not None

    def test_places_that_are_not_there_are_refused(self, scan: LogScan) -> None:
        with pytest.raises(FilterError, match="there is no tower Q in the log; it has A, B and C"):
            answers.causes(scan, Filters(), "Q")
        with pytest.raises(FilterError, match="tower A has no bin 11 in the log; it has 1, 2, 3"):
            answers.causes(scan, Filters(), "A", 11)


def of(
    rows: Rows, bin: int | None = 1, patterns: tuple[Pattern, ...] = (), **values: Any
) -> Causes:
    return causes(rows, "A", bin, "doubles", patterns or known_patterns(), ACCOUNT, **values)


def raised(rows: Rows, number: float, where: Any) -> Rows:
    return replace(rows, faults=np.where(where, number, rows.faults))


#: Two causes that tell nothing apart but how common they are.
STEP = pattern(name="a step", when=("since a service",))
TWIN = pattern(name="a twin", when=("since a service",), weight=3.0)
ALL = pattern(name="the pump", every_bin=True, when=("at once",))


class TestChances:
    def test_without_evidence_they_are_those_beforehand(self) -> None:
        # Next to nothing is expected after the service, so that it can have changed nothing.
        rows = tower(services=(service(59),))
        last = (rows.bin == 1) & (rows.run == 59)
        rows = replace(rows, expected=np.where(last, 1e-4, 1.0), faults=np.where(last, 0, 1.0))
        # On offset paper, as what came after the service was: it tells nothing apart.
        found = of(rows, patterns=(STEP, replace(TWIN, paper=("offset",))))
        by_name = {one.cause: one for one in found.causes}
        assert found.first.cause == BAD_LUCK
        assert by_name[BAD_LUCK].score == pytest.approx(LUCK, abs=1e-3)
        assert by_name["a twin"].score == pytest.approx(3 * by_name["a step"].score)
        assert sum(one.score for one in found.causes) == pytest.approx(1)

    def test_odds_are_those_beforehand_times_the_evidence(self) -> None:
        from analysis.explaining import one_bin

        rows = tower(services=(service(30),))
        rows = raised(rows, 2.0, (rows.bin == 1) & (rows.run >= 30))
        found = of(rows, patterns=(STEP,))
        (evidence,) = one_bin(rows, 1, [STEP])
        odds = (1 - LUCK) / LUCK * np.exp(evidence.log_factor)
        by_name = {one.cause: one.score for one in found.causes}
        assert by_name["a step"] / by_name[BAD_LUCK] == pytest.approx(odds)

    def test_patterns_that_are_the_same_are_one_line(self) -> None:
        rows = tower(services=(service(30),))
        rows = raised(rows, 3.0, (rows.bin == 1) & (rows.run >= 30))
        twin = replace(TWIN, weight=1.0, check_first="oil it", same_as=("a third",), hands=True)
        found = of(rows, patterns=(STEP, twin))
        assert [one.cause for one in found.causes] == ["a step", BAD_LUCK]
        first = found.first
        assert first.named and first.caution == HANDS
        assert first.same_as == ("a twin", "a third")
        assert first.check_first == "turn it; or, for a twin, oil it"
        # Two that are as common come about twice as often as one.
        once, twice = (of(rows, patterns=p).first.chance for p in ((STEP,), (STEP, twin)))
        assert twice == pytest.approx(once)
        aside = pattern(name="aside", paper=("heavy",))
        both = of(rows, patterns=(STEP, twin, aside)).first.chance
        alone = of(rows, patterns=(replace(STEP, weight=2.0), aside)).first.chance
        assert both == pytest.approx(alone)

    @pytest.mark.parametrize("paper", [("toner",), (), ("offset",)])
    def test_dry_air_is_no_cause_twice(self, paper: tuple[str, ...]) -> None:
        # The model has learnt what dry air does; a site has a cause of its own that is about it.
        rows = tower(120)
        dry = rows.run % 2 == 0
        effect = np.where(dry, np.log(3.0), 0.0)
        many = np.where(dry, 3.0, 1.0)
        rows = replace(
            rows,
            humidity=np.where(dry, 30.0, 50.0),
            expected=many,
            faults=many,
            effects={"air": effect, "static": effect},
        )
        own = pattern(name="dust", every_bin=True, air="dry", paper=paper)
        found = of(rows, None, patterns=(*known_patterns(), own))
        assert [one.cause for one in found.named] == ["static"]
        assert sum(one.excess for one in found.named) == pytest.approx(4 * 60 * 2, rel=0.7)
        beside = [one.chance for one in found.causes if one.cause == "dust"]
        assert not beside or beside[0] < 0.3

    def test_two_patterns_that_look_alike_leave_it_open(self) -> None:
        rows = tower(services=(service(30),))
        rows = raised(rows, 3.0, (rows.bin == 1) & (rows.run >= 30))
        assert of(rows, patterns=(STEP,)).first.named
        # Half of it is what no age is known for, so that as much is left for the other half.
        alike = replace(TWIN, weight=2.0, when=("since a service", "with the age of the brush"))
        found = of(rows, patterns=(STEP, alike))
        assert found.first.cause == CANNOT_TELL
        assert {one.cause for one in found.causes[1:3]} == {"a step", "a twin"}
        assert not found.named
        assert found.first.check_first.startswith("exchange the piles of two bins and log it")
        # Where piles have told, nobody is sent for them again; and so on with what follows them.
        bins = [OtherBin(2, 1e-4, cycles_per_day=5_000)]
        plans = {"kind": "doubles", "what": "brushes", "cycles_before": 60_000}
        brushes = swap_test("A", 1, bins, 4e-4, 4.0, **plans)  # type: ignore[arg-type]
        assert found.with_swaps(brushes, ()).first.check_first == (
            "exchange the brushes of two bins and log it: that tells the brush from the rest of "
            "the bin"
        )
        none = replace(brushes, other_bin=None, cycles=None, why="the doubles stayed in it")
        told = found.with_swaps(none, ()).first
        assert told.check_first == "look at what is in that bin, since the doubles stayed in it"
        assert told.swap == ""
        assert found.with_swaps(None, ()).causes == found.causes
        assert found.sentence().startswith(
            "These counts cannot tell what is behind the doubles of bin 1 of tower A (120 doubles "
            "where 60 would be usual in 600,000 feeds)"
        )

    def test_patterns_of_one_name_are_one_cause(self) -> None:
        rows = tower(services=(service(30),))
        rows = raised(rows, 3.0, (rows.bin == 1) & (rows.run >= 30))
        again = replace(STEP, when=("at once",))
        found = of(rows, patterns=(STEP, again))
        assert [one.cause for one in found.causes] == ["a step", BAD_LUCK]
        assert found.first.score > NAMED

    def test_without_a_known_age_nothing_is_said_of_it(self) -> None:
        rows = tower()
        rows = raised(rows, 3.0, (rows.bin == 1) & (rows.run >= 30))
        found = of(rows)
        assert "worn brush" not in [one.cause for one in found.causes]
        assert "worn brush: the age of the brush is not known" in found.lacking
        assert "what was done at the last service: no service of it is in the log" in found.lacking
        assert found.first.cause == "brush or foot out of place"
        assert not any("age of" in one.said for one in found.causes)

    def test_a_bin_whose_neighbours_had_none_is_no_bad_luck(self) -> None:
        rows = tower()
        found = of(raised(rows, 0.0, rows.bin != 1))
        assert found.first.cause == "brush or foot out of place" and found.first.named
        # 60 expected, and neighbours with none where 180 were: one where 181 are due.
        assert (found.observed, found.expected) == (60, pytest.approx(60 / 181))

    def test_what_is_usual_for_a_whole_tower_leaves_out_the_age_of_its_parts(self) -> None:
        rows = tower()
        # Everything older and with a quarter more: nothing that a named cause would explain.
        rows = replace(rows, faults=rows.faults * 1.25)
        told = of(rows, None, patterns=(STEP, ALL)).counted()
        assert told == (
            "300 doubles where 240 would be usual in 2,400,000 feeds by paper, air and settings "
            "alone, whatever the age of its parts"
        )
        assert of(rows, 1, patterns=(STEP, ALL)).counted().endswith(" feeds")

    def test_the_other_kind_is_left_out(self) -> None:
        rows = tower(services=(service(30),))
        found = of(rows, patterns=(STEP, replace(TWIN, kind="misses")))
        assert {one.cause for one in found.causes} == {"a step", BAD_LUCK}


class TestRanking:
    def test_what_all_bins_have_is_named_for_each_and_is_no_cause_of_one(self) -> None:
        rows = tower(services=(service(30),))
        rows = raised(rows, 3.0, rows.run >= 30)
        found = of(rows, patterns=(STEP, ALL))
        assert [one.cause for one in found.named] == ["the pump"]
        assert found.first.shared
        whole = of(rows, None, patterns=(STEP, ALL))
        assert [one.cause for one in whole.named] == ["the pump"]
        assert whole.named[0].excess == pytest.approx(4 * found.named[0].excess)

    def test_of_two_at_once_the_one_that_explains_more_comes_first(self) -> None:
        rows = tower(runs=120, services=(service(90),))
        rows = raised(rows, 3.0, rows.run >= 60)
        rows = raised(rows, 12.0, (rows.bin == 1) & (rows.run >= 90))
        found = of(rows, patterns=(STEP, ALL))
        assert [one.cause for one in found.named] == ["a step", "the pump"]
        assert found.named[0].excess > found.named[1].excess
        assert sum(one.score for one in found.named) <= 1
        assert "The pump adds to it." in found.sentence()
        # Beside its neighbours in the same weeks it had 270 more, by hand: 12 where 3 are usual.
        assert found.named[0].excess == pytest.approx(270, rel=0.15)

    def test_the_first_says_what_to_do(self) -> None:
        rows = tower(services=(service(30),))
        rows = raised(rows, 3.0, (rows.bin == 1) & (rows.run >= 30))
        found = of(rows, patterns=(replace(STEP, same_as=("dust", "rust"), hands=True),))
        assert found.sentence().endswith("; it rattles. First: turn it.")
        said = found.first.sentence()
        assert "By counts alone it cannot be told from dust or rust." in said
        assert found.first.caution == HANDS
        assert found.expected == pytest.approx(60)
        assert found.observed == 120

    def test_nothing_of_a_bin_that_never_ran(self) -> None:
        with pytest.raises(ValueError, match="bin 9 of tower A has no feeds that were watched for"):
            of(tower(), 9)


def cause(name: str, kind: str, score: float, **values: Any) -> Cause:
    named = score >= NAMED and name not in LUCKY
    given: dict[str, Any] = {"excess": 0.0, "named": named, "said": "so", **values}
    return Cause(
        cause=name,
        kind=kind,
        score=score,
        chance=score,
        supports=(),
        against=(),
        same_as=(),
        check_first="look",
        caution="mind",
        **given,
    )


def answer(kind: str, *found: Cause) -> Causes:
    return Causes("A", 1, kind, found, 10, 1_000, 8.0, ACCOUNT)


class TestTogether:
    def test_one_alone_stays_as_it_is(self) -> None:
        alone = answer("misses", cause(BAD_LUCK, "misses", 0.9))
        assert together([alone]) is alone

    def names(self, *found: Causes) -> list[tuple[str, str]]:
        return [(one.cause, one.kind) for one in together(found).causes]

    def test_bad_luck_leads_where_it_does_for_both(self) -> None:
        misses = answer("misses", cause(BAD_LUCK, "misses", 0.9), cause("foot", "misses", 0.1))
        doubles = answer("doubles", cause(BAD_LUCK, "doubles", 0.7), cause("brush", "doubles", 0.3))
        assert self.names(misses, doubles) == [
            (BAD_LUCK, "misses"),
            (BAD_LUCK, "doubles"),
            ("brush", "doubles"),
            ("foot", "misses"),
        ]
        both = together([misses, doubles])
        assert (both.observed, both.feeds, both.expected) == (20, 1_000, 16.0)

    def test_what_cannot_be_told_leads_before_bad_luck(self) -> None:
        misses = answer("misses", cause(BAD_LUCK, "misses", 0.9))
        doubles = answer("doubles", cause(CANNOT_TELL, "doubles", 0.6))
        assert self.names(misses, doubles)[0] == (CANNOT_TELL, "doubles")

    def test_named_ones_lead_by_what_they_explain(self) -> None:
        misses = answer("misses", cause("foot", "misses", 0.85, excess=90.0))
        doubles = answer(
            "doubles",
            cause("brush", "doubles", 0.95, excess=20.0),
            cause(BAD_LUCK, "doubles", 0.05),
        )
        assert self.names(misses, doubles) == [
            ("foot", "misses"),
            ("brush", "doubles"),
            (BAD_LUCK, "doubles"),
        ]

    def test_a_doubtful_one_does_not_lead_by_what_it_might_explain(self) -> None:
        # 0.64 times 170 is 109, less than the 129 of 0.99 times 130.
        misses = answer("misses", cause("pump", "misses", 0.64, excess=170.0))
        doubles = answer("doubles", cause("static", "doubles", 0.99, excess=130.0))
        assert self.names(misses, doubles) == [("static", "doubles"), ("pump", "misses")]

    def test_what_is_over_is_not_what_to_do_first(self) -> None:
        over = replace(
            cause("pump", "misses", 0.9, excess=170.0),
            over=dt.datetime(2031, 8, 4),
            check_first="nothing any more",
        )
        static = replace(
            cause("static", "doubles", 0.99, excess=130.0), check_first="raise the humidity"
        )
        said = together([answer("misses", over), answer("doubles", static)]).sentence()
        assert said.startswith("Pump was likely behind the faults of bin 1 of tower A")
        assert said.endswith(
            "Static adds to it. First, since static is still at work: raise the humidity."
        )
        lesser = replace(over, excess=20.0)
        said = together([answer("misses", lesser), answer("doubles", static)]).sentence()
        assert "Pump added to it until 4 August 2031. First: raise the humidity." in said

    def test_the_order_is_told_where_it_is_not_by_chance(self) -> None:
        doubtful, sure = cause("a", "misses", 0.64), cause("b", "doubles", 0.99)
        assert order([sure, doubtful]) == ""
        assert order([doubtful, sure]).startswith("They stand by what they are likely to explain")

    def test_bad_luck_is_told_of_the_kind_that_it_is_likelier_for(self) -> None:
        misses = answer("misses", cause("foot", "misses", 0.98), cause(BAD_LUCK, "misses", 0.02))
        doubles = answer("doubles", cause(BAD_LUCK, "doubles", 0.9))
        assert self.names(misses, doubles) == [("foot", "misses"), (BAD_LUCK, "doubles")]

    def test_the_swap_is_that_of_the_first(self) -> None:
        rows = tower(runs=400)
        swap = swap_for(raised(rows, 4.0, rows.bin == 1), "A", 1, "doubles", None)
        assert swap is not None
        misses = answer("misses", cause(BAD_LUCK, "misses", 0.9))
        doubles = replace(answer("doubles", cause("brush", "doubles", 0.9)), swap=swap)
        assert together([misses, doubles]).swap is swap
        lesser = replace(misses, causes=(cause("foot", "misses", 0.9, excess=5.0),))
        assert together([lesser, doubles]).swap is None
