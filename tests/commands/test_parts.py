"""``feedtally parts``: how an answer is said and printed, from answers made by hand."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path as Folder
from typing import Any

import numpy as np
import pytest

from analysis import answers
from analysis.counts import Account
from analysis.filters import Filters
from analysis.lives import kaplan_meier, weibull
from analysis.parts import PartLives, PartRow, Parts, PastPart, PooledWear
from analysis.services import ServiceRow
from analysis.site import Site
from analysis.store import Store
from tests.conftest import read, run_log

Run = Callable[..., Any]
Ask = Callable[..., Any]

UNTIL = dt.datetime(2032, 3, 5, 14, 49)
ACCOUNT = Account(9, 3, 45_000, dt.datetime(2031, 1, 6, 8), UNTIL)

#: The brush that wears.
WORN = PartRow(
    tower="A",
    bin=7,
    part="brush",
    kind="doubles",
    fitted_at=dt.datetime(2031, 11, 10, 5, 40),
    age_feeds=823_142.0,
    age_days=116.4,
    wear_ratio_per_100k_feeds=1.0443,
    low=1.0105,
    high=1.0707,
    shape="steady",
    lives=2,
    limit_times=2.0,
    rate_now=4.1e-5,
    rate_now_low=3.0e-5,
    rate_now_high=5.3e-5,
    feeds_to_limit=773_000.0,
    feeds_to_limit_low=250_000.0,
    feeds_to_limit_high=4_200_000.0,
    limit_on=dt.date(2032, 6, 29),
    limit_earliest=dt.date(2032, 4, 10),
    limit_latest=dt.date(2033, 12, 6),
    feeds_per_day=6_600.0,
    feeds_per_day_low=5_300.0,
    feeds_per_day_high=8_200.0,
    lead_days=30,
    lead_assumed=True,
    order_by=dt.date(2032, 5, 30),
    replace_why="the site file states no price of it",
    feeds=3_272_405,
    count=144,
    expected=67.0,
)
#: One that does not, whose limit may never come.
FINE = replace(
    WORN,
    bin=3,
    low=0.991,
    high=1.021,
    wear_ratio_per_100k_feeds=1.0057,
    shape="",
    feeds_to_limit=math.inf,
    feeds_to_limit_high=math.inf,
    limit_on=None,
    limit_latest=None,
    order_by=None,
    lead_days=None,
)
UNKNOWN = PartRow(
    tower="B",
    bin=None,
    part="pump",
    kind="misses",
    cannot_tell="its age is unknown, since nothing in the service log says when it was fitted; log "
    "the next one as fitted",
)
PUMP = replace(WORN, bin=9, part="vacuum pump")
AT_ONCE = replace(
    WORN, tower="B", bin=4, changed_on=dt.date(2031, 8, 18), shape="at once", order_by=None
)
HELPED = ServiceRow(
    when=dt.datetime(2031, 11, 10, 5, 40),
    tower="A",
    bin=7,
    part="brush",
    action="fitted",
    reason="worn",
    kind="doubles",
    before_count=56,
    before_expected=15.0,
    before_feeds=763_154,
    after_count=15,
    after_expected=13.7,
    after_feeds=613_969,
    ratio_after=0.297,
    low=0.149,
    high=0.561,
    p_adjusted=0.002,
)
PLANNED = replace(
    HELPED,
    bin=3,
    reason="planned",
    ratio_after=1.0,
    low=0.7,
    high=1.4,
    p_adjusted=0.9,
    before_count=15,
)
NOTHING = replace(PLANNED, before_feeds=0, before_count=0, ratio_after=math.nan, low=math.nan)


def parts(*rows: PartRow, **values: Any) -> Parts:
    given = {"services": (), "past": (), "lives": (), "pooled": (), "warnings": (), **values}
    return Parts(parts=rows, account=ACCOUNT, until=UNTIL, **given)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Folder:
    folder = tmp_path_factory.mktemp("parts") / "store"
    Store(folder, create=True).add(read(run_log()))
    return folder


@pytest.fixture
def asked() -> dict[str, Any]:
    return {}


@pytest.fixture
def ask(run: Run, store: Folder, monkeypatch: pytest.MonkeyPatch, asked: dict[str, Any]) -> Ask:
    """Run the command on an answer made by hand."""

    def call(result: Parts, *words: object) -> Any:
        def answer(scan: object, filters: Filters, *, site: Site, kind: str | None) -> Parts:
            asked.update(filters=filters, site=site, kind=kind)
            return result

        monkeypatch.setattr(answers, "parts", answer)
        said = run("parts", "--store", store, *words)
        assert (said.code, said.err) == (0, "")
        return said

    return call


class TestTheOrderList:
    def test_says_what_to_order_by_when_and_what_that_rests_on(self, ask: Ask) -> None:
        lines = ask(parts(WORN, FINE, services=(HELPED, PLANNED))).out.splitlines()
        assert lines[0] == (
            "Order the brush of bin 7 of tower A by 30 May 2032; of 2 parts in place, 1 shows wear."
        )
        assert lines[2].split() == (
            "order by tower bin part age, feeds kind times per 100,000 feeds limit passed".split()
        )
        assert lines[3].split()[:6] == ["30", "May", "2032", "A", "7", "brush"]
        assert (
            lines[3]
            .rstrip()
            .endswith("1.04 (1.01 to 1.07)  29 June 2032 (10 April 2032 to 6 December 2033)")
        )
        assert lines[5] == (
            "A part is due at 2 times the faults with a new part, as is usual. Where the site file "
            "does not say how long a part takes to come, 30 days are taken."
        )
        assert lines[6].startswith("The site file states no price of them: ")
        assert lines[7].startswith("Before a part is changed: power off and isolated as")
        assert lines[8] == "No wear shows in 1 part; --all lists them."

    def test_one_that_is_due_is_ordered_now(self, ask: Ask) -> None:
        due = replace(WORN, order_by=dt.date(2032, 3, 5), lives=1, same_as=("roller",))
        said = ask(parts(due)).out
        assert said.startswith("Order the brush of bin 7 of tower A now;")
        assert "\nnow " in said
        assert "Look before you order the brush of bin 7 of tower A: no other was in its" in said
        assert "The brush and roller of bin 7 of tower A were fitted on the same days" in said

    def test_many_are_counted(self, ask: Ask) -> None:
        rows = [replace(WORN, bin=number, lives=1) for number in range(1, 7)]
        said = ask(parts(*rows)).out
        assert "bin 2 of tower A by 30 May 2032 and 4 others; of 6 parts in place, 6 show" in said
        assert "the brush of bin 3 of tower A and 3 others: no other was in their place" in said

    def test_a_rate_that_the_site_states_is_named(self, ask: Ask) -> None:
        rate = replace(WORN, limit_times=None, limit_rate=1e-4, lead_assumed=False)
        said = ask(parts(rate)).out
        assert "A part is due at 1.0 doubles in 10,000 feeds.\n" in said

    def test_prices_that_the_site_states_stand_beside_with_their_sum(self, ask: Ask) -> None:
        rows = (replace(WORN, price=23.0), replace(WORN, bin=8, price=9.5), PUMP)
        result = parts(*rows, currency="GBP")
        said = ask(result).out
        lines = said.splitlines()
        assert lines[2].endswith("price, GBP")
        assert [line.split()[-1] for line in lines[3:6]] == ["23", "9.50", "–"]
        assert (
            "2 parts with a price in the site file: GBP 32.50 in all; the price of the vacuum pump "
            'goes under [parts."vacuum pump"] there.\n'
        ) in said
        answer = ask(result, "--json").json
        assert [row["price"] for row in answer["parts"]] == [23.0, 9.5, None]
        told = [answer[key] for key in ("currency", "order_price", "unpriced")]
        assert told == ["GBP", 32.5, ["vacuum pump"]]
        assert "\nIn all 46, at the prices of the site file.\n" in ask(parts(*rows[:1] * 2)).out

    def test_without_a_price_a_line_says_where_it_goes_and_no_column_stands(self, ask: Ask) -> None:
        said = ask(parts(WORN, currency="GBP")).out
        assert said.splitlines()[2].rstrip().endswith("limit passed")
        assert (
            "\nThe site file states no price of them: with price under [parts.brush] there, the "
            "sum stands here.\n"
        ) in said
        assert ask(parts(WORN), "--json").json["order_price"] is None

    def test_what_came_at_once_and_what_cannot_be_told_are_said(self, ask: Ask) -> None:
        confounded = replace(FINE, cannot_tell="its wear and time cannot be told apart")
        rows = (AT_ONCE, confounded, UNKNOWN)
        said = ask(parts(*rows, warnings=("The age of the pump is unknown.",))).out
        assert (
            "Nothing is to be ordered: of 3 parts in place, none shows wear, and of 2 it cannot be "
            "told."
        ) in said
        assert "bin 4 of tower B has more doubles since about 18 August 2031, but at once" in said
        assert "Whether it wears cannot be told of 2 parts; --all lists them." in said
        assert "\nThe age of the pump is unknown.\n" in said
        assert "Before a part is changed" not in said

    def test_all_lists_every_part(self, ask: Ask) -> None:
        said = ask(parts(WORN, FINE, UNKNOWN, AT_ONCE), "--all").out
        rows = [line.split() for line in said.splitlines()]
        assert any(row[:4] == ["A", "3", "brush", "823,142"] and row[-1] == "never" for row in rows)
        assert any(row[:3] == ["B", "all", "pump"] and row[-2:] == ["not", "known"] for row in rows)
        assert "no wear: at once, about 18 August 2031" in said


class TestDidItHelp:
    def test_only_what_has_something_to_say_is_listed(self, ask: Ask) -> None:
        said = ask(parts(WORN, services=(HELPED, PLANNED, NOTHING))).out
        lines = said[said.index("Did it help?") :].splitlines()
        assert lines[2].split() == (
            "10 November 2031 bin 7 of tower A brush fitted helped doubles 0.30 (0.15 to 0.56) "
            "56 (15) 15 (14)".split()
        )
        assert lines[-1] == (
            "Of the other services, 1 made no difference that shows; 1 has nothing before to "
            "compare with. --all lists them."
        )

    def test_a_worn_part_that_was_changed_in_vain_is_listed(self, ask: Ask) -> None:
        vain = replace(PLANNED, reason="worn")
        assert "did not help" in ask(parts(WORN, services=(vain,))).out

    def test_several_on_one_visit_are_said_so(self, ask: Ask) -> None:
        visit = replace(HELPED, together=("overhauled", "pump fitted"))
        said = ask(parts(WORN, services=(visit,))).out
        assert "2 others" in said
        assert "Which of several acts on the same visit made the difference cannot be told." in said

    def test_all_lists_odd_ones_too(self, ask: Ask) -> None:
        odd = replace(NOTHING, warning="dated long after the last run of the log; correct it")
        said = ask(parts(WORN, services=(odd, NOTHING)), "--all").out
        assert "dated long after the last run of the log" in said
        assert "none fed" in said
        assert "nothing before it" in said


class TestJson:
    def test_holds_the_design_s_keys_and_no_number_that_json_has_not(self, ask: Ask) -> None:
        lives = [900_000.0, 1_100_000.0, 1_500_000.0]
        whole = parts(
            WORN,
            FINE,
            UNKNOWN,
            AT_ONCE,
            services=(HELPED, NOTHING, replace(HELPED, high=math.inf)),
            past=(
                PastPart(
                    "A", 7, "brush", "doubles", ACCOUNT.first or UNTIL, UNTIL, 2.6e6, 309.0, "worn"
                ),
            ),
            lives=(
                PartLives("pump", 0, 4, of_tower=True),
                PartLives(
                    "brush",
                    2,
                    1,
                    weibull(lives, np.array([True, True, False])),
                    kaplan_meier(lives, np.array([True, True, False])),
                ),
            ),
            pooled=(PooledWear("brush", "doubles", 1.007, 0.997, 1.018, 30, 0.26),),
            warnings=("The age of the pump is unknown.",),
        )
        answer = ask(whole, "--json").json
        first, fine, unknown, once = answer["parts"]
        assert first["wear_ratio_per_100k_feeds"] == 1.0443
        assert (first["low"], first["high"]) == (1.0105, 1.0707)
        assert first["fitted_at"] == "2031-11-10T05:40:00"
        assert first["age_months"] == pytest.approx(116.4 / 30.4375)
        assert (first["order_by"], first["limit_on"]) == ("2032-05-30", "2032-06-29")
        assert (first["limit"], first["wears"]) == ("to come", True)
        assert (fine["feeds_to_limit"], fine["limit"]) == (None, "never")
        assert (unknown["bin"], unknown["limit"], unknown["age_feeds"]) == (None, "not known", None)
        assert (once["changed_on"], once["wears"]) == ("2031-08-18", False)
        helped, nothing, endless = answer["services"]
        assert (helped["ratio_after"], helped["verdict"]) == (0.297, "helped")
        assert (nothing["ratio_after"], nothing["verdict"]) == (None, "nothing before it")
        assert endless["high"] is None
        assert answer["lives"][1]["lasting"][0]["feeds"] == 900_000
        assert answer["sentence"] == whole.sentence()


class TestWhatIsAsked:
    def test_each_part_by_its_own_kind_unless_one_is_given(
        self, ask: Ask, asked: dict[str, Any]
    ) -> None:
        ask(parts(WORN))
        assert asked["kind"] is None
        assert asked["filters"].kind == "faults"
        ask(parts(WORN), "--kind", "faults", "--where", "tower=A", "--where", "bin=2")
        assert asked["kind"] == "faults"
        assert asked["filters"].values("bin") == ("2",)

    def test_the_site_file_is_read(
        self, run: Run, store: Folder, monkeypatch: pytest.MonkeyPatch, asked: dict[str, Any]
    ) -> None:
        def answer(scan: object, filters: Filters, *, site: Site, kind: str | None) -> Parts:
            asked["site"] = site
            return parts(WORN)

        monkeypatch.setattr(answers, "parts", answer)
        (store / "site.toml").write_text("[parts.brush]\nlead_days = 12\n", "utf-8")
        try:
            assert run("parts", "--store", store).code == 0
        finally:
            (store / "site.toml").unlink()
        assert asked["site"].part("brush").lead_days == 12


def test_a_log_without_services_is_told_what_to_log(run: Run, store: Folder) -> None:
    said = run("parts", "--store", store)
    assert (said.code, said.err) == (0, "")
    assert said.out == (
        "No part is known: log each part with its bin when it is fitted, or name in the site file "
        "what bins carry.\n"
    )
    assert run("parts", "--store", store, "--json").json["parts"] == []


def test_what_cannot_be_asked_is_refused(run: Run, store: Folder) -> None:
    run("parts", "--store", store, "--where", "stock=X").refused("stock cannot be asked of what is")
    run("parts", "--store", store, "--where", "tower=Z").refused("there is no tower Z in the log")
    run("parts", "--store", store / "none").refused("feedtally parts")
