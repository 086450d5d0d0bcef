"""Paper, air and settings taken apart: by planted truths, by a hand-made fit, and at the edges."""

from __future__ import annotations

import csv
import datetime as dt
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from analysis import answers
from analysis.conditions import Conditions, conditions
from analysis.conditions_levels import COLUMNS, NOT_LOGGED, OTHERS, TONER
from analysis.conditions_model import ConditionsError
from analysis.conditions_told import Effect
from analysis.counts import Account, LogScan
from analysis.filters import FilterError, Filters
from analysis.store import Store
from analysis.sums import SUMMED

KINDS = ("misses", "doubles")
NO_ACCOUNT = Account(0, 0, 0, None, None)


@pytest.fixture(scope="module")
def scan(sample_store: Path) -> LogScan:
    return LogScan(Store(sample_store).snapshot())


@pytest.fixture(scope="module")
def found(scan: LogScan) -> dict[str, Conditions]:
    return {kind: answers.conditions(scan, Filters(kind=kind)) for kind in KINDS}


@pytest.fixture(scope="module")
def truth(samples: Path) -> dict[str, Any]:
    told: dict[str, Any] = json.loads((samples / "truths.json").read_text("utf-8"))
    return told


@pytest.fixture(scope="module")
def lines(samples: Path) -> list[dict[str, str]]:
    """Return the production lines of the sample log with one bin each, by the csv module."""
    out = []
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        for line in csv.DictReader(file):
            if line["purpose"] == "production" and line["bin"] != "?":
                for token in line["bin"].split():
                    first, _, last = token.partition("-")
                    for number in range(int(first), int(last or first) + 1):
                        out.append({**line, "bin": str(number)})
    return out


def one(effects: Iterable[Effect], term: str, level: object = 1) -> Effect:
    (effect,) = (e for e in effects if e.term == term and str(e.level) == str(level))
    return effect


def held(effect: Effect, ratio: float) -> bool:
    return effect.low <= ratio <= effect.high


class TestSampleLog:
    """The invented works, whose truths were planted before the model was thought of."""

    @pytest.mark.parametrize("kind", KINDS)
    def test_each_stock_comes_out_with_its_truth_inside(
        self, found: dict[str, Conditions], truth: dict[str, Any], kind: str
    ) -> None:
        told = [e for e in found[kind].effects if e.term == "stock"]
        assert {e.base for e in told} == {"BO90"}
        assert len(told) == len(truth["stocks"]) - 1
        for effect in told:
            planted = truth["stocks"][effect.level][kind] / truth["stocks"]["BO90"][kind]
            assert held(effect, planted), effect

    @pytest.mark.parametrize("kind", KINDS)
    def test_so_do_preparation_and_settings(
        self, found: dict[str, Conditions], truth: dict[str, Any], kind: str
    ) -> None:
        from data_samples import works

        for level in ("fanned", "blown"):
            effect = one(found[kind].effects, "prepared", level)
            assert effect.base == "none"
            assert held(effect, works.PREPARED_RATIO[kind][level]), effect
        speed = one(found[kind].effects, "set_speed")
        assert held(speed, works.SPEED_RATIO[kind] ** (1 / 400)), speed
        vacuum = one(found[kind].effects, "set_vacuum")
        assert held(vacuum, works.VACUUM_RATIO[kind]), vacuum
        blast = one(found[kind].effects, "set_blast", "soft")
        assert held(blast, 1.0)

    def test_static_is_seen_on_toner_and_not_on_other_paper(
        self, found: dict[str, Conditions]
    ) -> None:
        from data_samples import works

        toner = next(s for s in works.STOCKS.values() if s.printed_by == "toner")
        for kind in KINDS:
            for point in found[kind].humidity_curve:
                if point.humidity_pct not in (30, 60):
                    continue
                planted = works.humidity_ratio(kind, point.humidity_pct)
                if point.printed_by == TONER:
                    planted *= works.static_ratio(kind, toner, point.humidity_pct)
                assert point.low <= planted <= point.high, (kind, point)
        dry = {p.printed_by: p for p in found["doubles"].humidity_curve if p.humidity_pct == 30}
        assert dry[TONER].low > 1.5
        assert dry[TONER].low > dry[OTHERS].high
        assert "toner-printed" in found["doubles"].sentence()

    @pytest.mark.parametrize("kind", KINDS)
    def test_all_is_stated_at_fifty_percent(self, found: dict[str, Conditions], kind: str) -> None:
        at = [p for p in found[kind].humidity_curve if p.humidity_pct == 50]
        assert [p.printed_by for p in at] == [OTHERS, TONER]
        assert all(p.low == p.ratio == p.high == 1.0 for p in at)

    def test_spring_departs_on_heavy_coated_paper_only(
        self, found: dict[str, Conditions], scan: LogScan
    ) -> None:
        # Planted: on, coated stock of 115 g/m2 and more has 1.5 times the misses, other stock 1.
        shown = {
            stock: answers.set_up(scan, Filters(kind="misses"), stock)
            for stock in ("GT135", "BO90")
        }
        ratios = {}
        for stock, card in shown.items():
            (spring,) = (tried for tried in card.tried if tried.setting == "set_spring")
            level = {level.level: level for level in spring.levels}
            sign = 1 if spring.usual == "off" else -1
            other = level["on" if spring.usual == "off" else "off"]
            ratios[stock] = other.ratio**sign
        assert ratios["GT135"] > 1.15 > ratios["BO90"] > 0.85

    @pytest.mark.parametrize("kind", KINDS)
    def test_no_row_is_dropped_for_an_empty_cell(
        self, found: dict[str, Conditions], lines: list[dict[str, str]], kind: str
    ) -> None:
        watched = [line for line in lines if line[kind] != "off"]
        assert found[kind].feeds == sum(int(line["cycles"]) for line in watched)
        assert found[kind].count == sum(int(line[kind]) for line in watched)
        empty = sum(int(line["cycles"]) for line in watched if not line["humidity_pct"])
        assert found[kind].not_logged["humidity_pct"] == pytest.approx(empty / found[kind].feeds)
        assert one(found[kind].effects, "humidity_pct", NOT_LOGGED).feeds == empty

    @pytest.mark.parametrize("kind", KINDS)
    def test_feeds_and_faults_of_stocks_and_levels_are_those_of_the_log(
        self, found: dict[str, Conditions], lines: list[dict[str, str]], kind: str
    ) -> None:
        for column in ("stock", "prepared", "set_spring"):
            for effect in found[kind].effects:
                if effect.term == column:
                    rows = [
                        line
                        for line in lines
                        if line[kind] != "off" and line[column] == str(effect.level)
                    ]
                    assert effect.feeds == sum(int(line["cycles"]) for line in rows)
                    assert effect.count == sum(int(line[kind]) for line in rows)

    @pytest.mark.parametrize("kind", KINDS)
    def test_settings_that_follow_the_paper_are_named_and_not_told_apart(
        self, found: dict[str, Conditions], kind: str
    ) -> None:
        follow = {"set_foot_rest", "set_foot_height", "set_bleed_holes"}
        assert set(found[kind].follows_paper) == follow
        assert not follow & {effect.term for effect in found[kind].effects}

    @pytest.mark.parametrize("kind", KINDS)
    def test_the_fit_is_at_its_top(self, found: dict[str, Conditions], kind: str) -> None:
        fit = found[kind].model.fit
        assert fit.converged
        assert fit.score < 1e-8

    def test_a_fit_that_did_not_come_to_its_end_is_told(self, found: dict[str, Conditions]) -> None:
        told = found["misses"]
        assert "did not come to its end" not in told.sentence()
        fit = replace(told.model.fit, converged=False)
        failed = replace(told, model=replace(told.model, fit=fit))
        assert failed.sentence().endswith(
            "The fit did not come to its end: take none of these numbers as known, and ask again "
            "of a longer period or of fewer settings."
        )

    @pytest.mark.parametrize("kind", KINDS)
    def test_stocks_with_thirty_faults_have_rows(
        self, found: dict[str, Conditions], lines: list[dict[str, str]], kind: str
    ) -> None:
        faults: dict[str, int] = {}
        for line in lines:
            if line[kind] != "off":
                faults[line["stock"]] = faults.get(line["stock"], 0) + int(line[kind])
        often = {stock for stock, count in faults.items() if stock and count >= 30}
        assert often - {"BO90"} <= {str(e.level) for e in found[kind].effects if e.term == "stock"}

    def test_the_age_of_each_part_is_told(self, found: dict[str, Conditions]) -> None:
        parts = {ageing.part: ageing for ageing in found["doubles"].ageing}
        assert {"brush", "suction foot", "pump of the tower"} <= set(parts)
        # One brush of thirty wears, by 5 % for 100,000 feeds: the pooled slope lies between.
        assert 1.0 < parts["brush"].ratio < 1.05
        assert parts["brush"].known == 1.0


def table(rows: Iterable[Mapping[str, object]], *more: str) -> pa.Table:
    """Return counts by run as a scan gives them; what a row does not name is not logged."""
    names = (*COLUMNS, *more)
    filled: list[dict[str, object]] = []
    for number, row in enumerate(rows):
        first = dt.datetime(2031, 1, 6, 8) + dt.timedelta(hours=6 * number)
        whole: dict[str, object] = dict.fromkeys(names)
        whole |= {"tower": "A", "bin": 1, "of_run": str(number), "first": first, "feeds": 1000}
        whole |= dict.fromkeys(SUMMED, 0) | {"feeds": 1000} | row
        whole["of_tower"] = whole["tower"]
        for kind in ("misses", "doubles", "faults"):
            whole.setdefault(f"feeds_{kind}", 0)
            whole[f"feeds_{kind}"] = row.get(f"feeds_{kind}", whole["feeds"])
        filled.append(whole)
    schema = pa.schema(
        [
            *(
                (n, _TYPES.get(n, pa.string()))
                for n in dict.fromkeys((*names, "of_tower", "of_run"))
            ),
            *((n, pa.int64()) for n in SUMMED),
            ("first", pa.timestamp("us")),
        ]
    )
    return pa.Table.from_pylist(filled, schema=schema)


_TYPES = {"bin": pa.int32(), "humidity_pct": pa.float64(), "temperature_c": pa.float64()}


def fitted(
    rows: Iterable[Mapping[str, object]], *settings: str, kind: str = "misses"
) -> Conditions:
    return conditions(table(rows, *settings), kind, NO_ACCOUNT, [], settings)


class TestByHand:
    def test_two_stocks_with_many_faults_have_the_ratio_of_their_rates(self) -> None:
        # With so many faults the ridges weigh next to nothing.
        rows = [
            {"stock": "P", "feeds": 10**7, "misses": 20_000},
            {"stock": "Q", "feeds": 2 * 10**6, "misses": 12_000},
        ] * 40
        effect = one(fitted(rows).effects, "stock", "Q")
        assert effect.base == "P"
        assert effect.ratio == pytest.approx(3.0, rel=1e-3)
        assert (effect.feeds, effect.count) == (80 * 10**6, 480_000)

    def test_a_number_is_a_line_and_a_word_a_level(self) -> None:
        rows = [
            {"set_vacuum": str(mark), "set_blast": word, "feeds": 10**7, "misses": count}
            for mark, word, count in (
                (4, "soft", 8000),
                (5, "soft", 10_000),
                (4, "full", 16_000),
                (5, "full", 20_000),
            )
        ] * 20
        found = fitted(rows, "set_vacuum", "set_blast")
        slope = one(found.effects, "set_vacuum")
        assert (slope.level, slope.base) == (1, 0)
        assert slope.ratio == pytest.approx(1.25, rel=2e-3)
        blast = [e for e in found.effects if e.term == "set_blast"]
        assert len(blast) == 1
        assert {blast[0].level, blast[0].base} == {"soft", "full"}
        ratio = blast[0].ratio if blast[0].level == "full" else 1 / blast[0].ratio
        assert ratio == pytest.approx(2.0, rel=2e-3)

    def test_what_was_not_logged_is_a_level_beside_the_others(self) -> None:
        rows = [
            {"set_blast": None, "feeds": 10**7, "misses": 30_000},
            {"set_blast": "soft", "feeds": 2 * 10**7, "misses": 20_000},
        ] * 30
        found = fitted(rows, "set_blast")
        effect = one(found.effects, "set_blast", NOT_LOGGED)
        assert effect.base == "soft"
        assert effect.ratio == pytest.approx(3.0, rel=2e-3)
        assert found.not_logged["set_blast"] == pytest.approx(1 / 3)

    def test_a_level_with_no_fault_does_not_explode(self) -> None:
        rows: list[dict[str, object]] = [
            {"set_blast": "soft", "feeds": 10**6, "misses": 100},
            {"set_blast": "full", "feeds": 10**4, "misses": 0},
        ]
        effect = one(fitted(rows * 10, "set_blast").effects, "set_blast", "full")
        # Ten misses were to be expected of it: the ratio is low, and surely below 1.
        assert 0.005 < effect.low < effect.ratio < 0.3
        assert effect.high < 1.0

    def test_few_feeds_leave_a_rare_stock_by_the_others(self) -> None:
        rows: list[dict[str, object]] = [{"stock": "P", "feeds": 10**6, "misses": 100}] * 30
        rows += [{"stock": "Q", "feeds": 10**3, "misses": 1}]
        effect = one(fitted(rows).effects, "stock", "Q")
        # Its own rate is ten times that of the other, on a tenth of an expected miss.
        assert 1.0 < effect.ratio < 5.0
        assert effect.low < 1.0 < effect.high

    def test_humidity_of_a_flat_log_is_flat(self) -> None:
        rows = [
            {"humidity_pct": float(air), "feeds": 10**7, "misses": 1000} for air in range(25, 71)
        ]
        curve = fitted(rows * 3).humidity_curve
        assert {p.printed_by for p in curve} == {OTHERS}
        assert [p.humidity_pct for p in curve] == list(range(25, 71))
        assert all(abs(math.log(p.ratio)) < 1e-6 for p in curve)

    def test_the_curve_follows_the_air(self) -> None:
        def rate(air: int) -> float:
            return 1e-4 * math.exp(0.03 * max(0, 45 - air))

        # Each humidity in many weeks, so that no week can be taken for its air.
        airs = np.random.default_rng(5).permutation(np.repeat(np.arange(20, 75), 20))
        rows = [
            {"humidity_pct": float(a), "feeds": 10**7, "misses": round(1e7 * rate(a))} for a in airs
        ]
        for point in fitted(rows).humidity_curve:
            assert point.ratio == pytest.approx(rate(point.humidity_pct) / rate(50), rel=0.03)

    def test_rows_without_a_reading_have_the_air_of_their_week(self) -> None:
        # Dry weeks have three times the misses; a third of the rows have no reading. Were those
        # taken as one level, the weeks' own effects would hide a part of what the air does.
        rng = np.random.default_rng(7)
        rows = []
        for number in range(1500):
            air = 30 if (number // 28) % 2 else 50
            count = rng.poisson(20.0 * (3.0 if air == 30 else 1.0))
            read = None if rng.random() < 1 / 3 else float(air)
            rows.append({"humidity_pct": read, "feeds": 10**5, "misses": int(count)})
        found = fitted(rows)
        dry = next(p for p in found.humidity_curve if p.humidity_pct == 30)
        assert dry.ratio == pytest.approx(3.0, rel=0.08)
        unread = one(found.effects, "humidity_pct", NOT_LOGGED)
        assert unread.low < 1.0 < unread.high

    def test_an_effect_is_not_put_down_to_what_goes_with_it(self) -> None:
        # Stock Q runs mostly in dry air, which has twice the misses; by itself it is as P.
        rng = np.random.default_rng(3)
        rows = []
        for number in range(1200):
            dry = number % 2 == 0
            stock = "Q" if rng.random() < (0.8 if dry else 0.2) else "P"
            count = rng.poisson(15.0 * (2.0 if dry else 1.0))
            air = 30.0 if dry else 50.0
            rows.append({"stock": stock, "humidity_pct": air, "feeds": 10**5, "misses": int(count)})
        plain = {
            name: sum(int(str(r["misses"])) for r in rows if r["stock"] == name)
            / sum(1 for r in rows if r["stock"] == name)
            for name in "PQ"
        }
        assert plain["Q"] / plain["P"] > 1.4
        stock = next(e for e in fitted(rows).effects if e.term == "stock")
        assert stock.low < 1.0 < stock.high
        assert stock.ratio == pytest.approx(1.0, abs=0.06)


class TestEdges:
    def test_without_a_fault_nothing_is_learnt(self) -> None:
        with pytest.raises(ConditionsError, match="no misses were logged in a known bin"):
            fitted([{"stock": "P"}] * 3)

    def test_without_a_row_neither(self) -> None:
        with pytest.raises(ConditionsError, match="ask for a longer period"):
            fitted([])

    def test_one_row_is_enough_to_be_honest_about(self) -> None:
        found = fitted([{"stock": "P", "misses": 1}])
        assert found.effects == ()
        assert found.humidity_curve == ()
        assert found.sentence().startswith("No stock, air or setting is known to change the rate")

    def test_faults_without_a_bin_are_told_and_not_used(self) -> None:
        rows: list[dict[str, object]] = [{"misses": 5}] * 4
        rows += [{"bin": None, "feeds": 0, "misses": 2}]
        found = fitted(rows)
        assert (found.count, found.without_bin) == (20, 2)

    def test_kinds_that_were_off_are_left_out_of_that_kind_alone(self) -> None:
        rows: list[dict[str, object]] = [{"misses": 5, "doubles": 2}] * 4
        rows += [{"misses": 3, "doubles": 0, "feeds_doubles": 0}] * 2
        assert fitted(rows).feeds == 6000
        assert fitted(rows, kind="doubles").feeds == 4000

    def test_rows_of_unknown_levels_are_expected_by_the_rest(self) -> None:
        rows: list[dict[str, object]] = [{"stock": "P", "feeds": 10**6, "misses": 100}] * 30
        model = fitted(rows).model
        seen = model.expected(model.rows(table(rows)))
        other = [{**row, "stock": "new", "tower": "Z"} for row in rows]
        unseen = model.expected(model.rows(table(other)))
        assert seen.sum() == pytest.approx(3000, rel=1e-6)
        assert unseen.sum() == pytest.approx(3000, rel=0.2)

    @pytest.mark.parametrize("confidence", [0.8, 0.99])
    def test_more_confidence_is_a_wider_range(
        self, scan: LogScan, found: dict[str, Conditions], confidence: float
    ) -> None:
        other = answers.conditions(scan, Filters(kind="doubles"), confidence=confidence)
        for a, b in zip(found["doubles"].effects, other.effects, strict=True):
            assert a.ratio == b.ratio
            wider = math.log(b.high / b.low) > math.log(a.high / a.low)
            assert wider == (confidence > 0.95)

    def test_make_ready_has_faults_of_its_own_where_it_is_asked_for(self, scan: LogScan) -> None:
        # Planted: six times the faults of production.
        asked = Filters(kind="faults").holding("purpose", "production", "set-up")
        effect = one(answers.conditions(scan, asked).effects, "purpose", "set-up")
        assert effect.base == "production"
        assert held(effect, 6.0)

    def test_a_run_over_midnight_belongs_to_the_day_it_began_on(self) -> None:
        rows: list[dict[str, object]] = []
        for number in range(6):
            late = dt.datetime(2031, 1, 12, 23, 30) + dt.timedelta(days=number)
            for minutes, bin_ in ((0, 1), (90, 1), (90, 2)):
                first = late + dt.timedelta(minutes=minutes)
                rows.append({"of_run": f"n{number}", "first": first, "bin": bin_, "misses": 3})
        model = fitted(rows).model
        laid = model.rows(table(rows))
        assert len(set(laid.run.tolist())) == 6
        assert len(set(zip(laid.run.tolist(), laid.day.tolist(), strict=True))) == 6
        # Sunday night's run goes on into Monday, and is the old week's.
        assert len(set(laid.week.tolist())) == 2

    def test_a_number_is_one_level_however_it_was_written(self) -> None:
        rows: list[dict[str, object]] = [
            {"set_vacuum": mark, "feeds": 10**6, "misses": count}
            for mark, count in (("5", 50), ("5.0", 50), ("6", 100), ("06", 100))
        ]
        effects = fitted(rows * 20, "set_vacuum").effects
        assert [(e.level, e.base) for e in effects] == [(1, 0)]
        assert effects[0].ratio == pytest.approx(2.0, rel=0.02)

    def test_one_number_alone_is_no_line(self) -> None:
        rows: list[dict[str, object]] = [{"set_vacuum": "5", "misses": 5}, {"misses": 5}]
        found = fitted(rows * 20, "set_vacuum")
        effect = one(found.effects, "set_vacuum", NOT_LOGGED)
        assert effect.base == "5"
        assert 0 < effect.low < effect.ratio < effect.high < math.inf

    def test_a_typed_not_logged_is_not_logged(self) -> None:
        rows: list[dict[str, object]] = [
            {"set_blast": word, "misses": 5} for word in ("soft", "full", "Not logged", " ")
        ]
        found = fitted(rows * 20, "set_blast")
        assert found.not_logged["set_blast"] == pytest.approx(0.5)

    def test_air_that_never_was_near_fifty_is_told_where_it_was(self) -> None:
        rng = np.random.default_rng(9)
        rows = [
            {
                "humidity_pct": float(air),
                "feeds": 10**6,
                "misses": int(rng.poisson(200 * math.exp(0.05 * (30 - air)))),
            }
            for air in rng.integers(20, 31, 600)
        ]
        found = fitted(rows)
        assert found.stated_humidity_pct == 30
        curve = {p.humidity_pct: p for p in found.humidity_curve}
        assert curve[30].low == curve[30].high == 1.0
        assert curve[20].ratio == pytest.approx(math.exp(0.5), rel=0.1)
        assert "Air of 50 % was never logged, so all is told at 30 %." in found.sentence()
        assert "of air of 50 %" not in found.sentence()

    def test_many_words_are_one_level_but_for_the_commonest(self) -> None:
        rows: list[dict[str, object]] = [
            {"set_note": f"word {number}", "feeds": 1000 + number, "misses": 3}
            for number in range(200)
        ]
        told = [e for e in fitted(rows * 2, "set_note").effects if e.term == "set_note"]
        assert len(told) == 23
        rest = one(told, "set_note", "all others")
        assert rest.feeds > 10 * max(e.feeds for e in told if e is not rest)

    @pytest.mark.parametrize("slope", [1.0, 1.3, 1.8])
    def test_the_age_of_a_part_is_not_shrunk_away(self, slope: float) -> None:
        from analysis.ages import Ages

        rng = np.random.default_rng(21)
        size = 3000
        age = rng.uniform(0, 600_000, size)
        rows = [
            {"bin": 1 + i % 8, "feeds": 10**5, "misses": int(rng.poisson(0.4 * slope ** (a / 1e5)))}
            for i, a in enumerate(age)
        ]
        counts = table(rows)
        feeds = np.full(size, 10**5)
        ages = Ages(("brush",), (False,), feeds, age[None])
        found = conditions(counts, "misses", NO_ACCOUNT, [], (), ages=ages)
        (brush,) = found.ageing
        assert brush.low <= slope <= brush.high
        assert brush.ratio == pytest.approx(slope, rel=0.06)

    def test_settings_that_name_people_are_none(self, tmp_path: Path) -> None:
        from analysis.intake import read_bytes

        header = "run,started,tower,bin,cycles,misses,doubles,set_operator,set_blast,crew_leader"
        lines = [
            f"{i},2031-03-{1 + i % 28:02}T08:0{i % 9},A,1,5000,{i % 3},0,{'AB'[i % 2]},soft,A"
            for i in range(60)
        ]
        store = Store(tmp_path / "store", create=True)
        store.add(read_bytes("\n".join([header, *lines, ""]).encode(), "log.csv"))
        scan = LogScan(store.snapshot())
        assert scan.logged_settings(Filters()) == ("set_blast",)
        told = answers.conditions(scan, Filters(kind="misses"))
        assert not [e for e in told.effects if "operator" in e.term]
        for column in ("operator", "set_operator", "crew_leader"):
            with pytest.raises(FilterError, match="not given by operator"):
                scan.by_run((column,), Filters())
