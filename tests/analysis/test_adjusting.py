"""Rates with all else the same, and what is behind a change, against hand-made and known ones."""

from __future__ import annotations

import csv
import datetime as dt
import itertools
import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from analysis import answers
from analysis.adjusting import AdjustedTrends
from analysis.conditions import Conditions
from analysis.conditions_model import PARTS
from analysis.counts import LogScan
from analysis.filters import Filters, parse_filters
from analysis.rate_change import REST, Change, change
from analysis.store import Store
from analysis.trends import Split, Trends
from tests.analysis.test_conditions import fitted, table


@pytest.fixture(scope="module")
def scan(sample_store: Path) -> LogScan:
    return LogScan(Store(sample_store).snapshot())


@pytest.fixture(scope="module")
def models(scan: LogScan) -> dict[str, Conditions]:
    return {k: answers.conditions(scan, Filters(kind=k)) for k in ("misses", "doubles")}


#: Tower C before and after its work became heavier, when nothing happened to the tower itself.
BEFORE = parse_filters(since="2031-08-11", until="2031-10-12", kind="doubles", where=["tower=C"])
AFTER = parse_filters(since="2031-10-13", until="2032-03-05", kind="doubles", where=["tower=C"])


@pytest.fixture(scope="module")
def found(scan: LogScan, models: Mapping[str, Conditions]) -> Change:
    return answers.change(scan, BEFORE, AFTER, models["doubles"])


class TestChange:
    def test_the_whole_is_the_ratio_of_the_rates_in_the_log(
        self, found: Change, samples: Path
    ) -> None:
        counts, feeds = [0, 0], [0, 0]
        with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
            for line in csv.DictReader(file):
                if line["tower"] != "C" or line["purpose"] != "production":
                    continue
                at = dt.datetime.fromisoformat(line["started"])
                for side, period in enumerate((BEFORE, AFTER)):
                    assert period.since is not None and period.until is not None
                    inside = period.since <= at <= period.until
                    if inside and line["doubles"] != "off" and line["bin"] != "?":
                        bins = sum(
                            int(token.partition("-")[2] or token) - int(token.partition("-")[0]) + 1
                            for token in line["bin"].split()
                        )
                        counts[side] += int(line["doubles"])
                        feeds[side] += int(line["cycles"]) * bins
        assert found.counts == tuple(counts)
        assert found.feeds == tuple(feeds)
        ratio = counts[1] / feeds[1] / (counts[0] / feeds[0])
        assert found.ratio == pytest.approx(ratio, rel=1e-12)
        assert math.prod(part.ratio for part in found.parts) == pytest.approx(ratio, rel=1e-9)

    def test_its_parts_are_those_of_the_log_and_the_rest(self, found: Change) -> None:
        assert tuple(part.part for part in found.parts) == (*PARTS, REST)
        assert all(part.low <= part.ratio <= part.high for part in found.parts)

    def test_the_mix_and_the_winter_made_it_and_the_tower_did_not(self, found: Change) -> None:
        # Planted: more coated and toner-printed work, dry air in winter, nothing of the tower.
        parts = {part.part: part for part in found.parts}
        assert parts["mix"].low > 1.0
        assert parts["air"].low > 1.0
        assert parts["rest"].low < 1.0 < parts["rest"].high
        assert "the air made" in found.sentence()
        assert "other stocks made" in found.sentence()

    def test_a_period_without_a_fault_is_told(
        self, scan: LogScan, models: Mapping[str, Conditions]
    ) -> None:
        quiet = AFTER.during(dt.datetime(2030, 1, 1), dt.datetime(2030, 1, 2))
        found = answers.change(scan, quiet, AFTER, models["doubles"])
        assert found.ratio is None and found.parts == ()
        assert found.sentence().startswith("The earlier period has no doubles on record")
        other = answers.change(scan, AFTER, quiet, models["doubles"])
        assert other.sentence().startswith("The later period has no doubles on record")


def by_permutations(
    conditions: Conditions, before: list[dict[str, object]], after: list[dict[str, object]]
) -> dict[str, float]:
    """Let the parts in one after another, in every order, and average what each adds."""
    model = conditions.model
    sides = [model.rows(table(rows, "set_blast")) for rows in (before, after)]
    effects = [model.effects_of(rows) for rows in sides]

    def value(inside: tuple[str, ...]) -> float:
        means = []
        for rows, effect in zip(sides, effects, strict=True):
            log = np.zeros(rows.feeds.size)
            for part in inside:
                log += effect[part]
            means.append(math.log(float(rows.feeds @ np.exp(log)) / float(rows.feeds.sum())))
        return means[1] - means[0]

    added = dict.fromkeys(PARTS, 0.0)
    orders = list(itertools.permutations(PARTS))
    for order in orders:
        for place, part in enumerate(order):
            added[part] += value(order[: place + 1]) - value(order[:place])
    return {part: math.exp(total / len(orders)) for part, total in added.items()}


class TestShapley:
    rng = np.random.default_rng(11)

    @classmethod
    def rows(cls, share: float, dry: float, soft: float, size: int) -> list[dict[str, object]]:
        out = []
        for _ in range(size):
            stock = "Q" if cls.rng.random() < share else "P"
            air = 30.0 if cls.rng.random() < dry else 50.0
            blast = "soft" if cls.rng.random() < soft else "full"
            mean = 20.0 * (3.0 if stock == "Q" else 1.0) * (1.5 if air == 30.0 else 1.0)
            mean *= 0.7 if blast == "soft" else 1.0
            count = int(cls.rng.poisson(mean))
            out.append(
                {
                    "stock": stock,
                    "humidity_pct": air,
                    "set_blast": blast,
                    "feeds": 10**5,
                    "misses": count,
                }
            )
        return out

    def test_each_part_is_what_it_adds_over_all_orders(self) -> None:
        before, after = self.rows(0.2, 0.3, 0.6, 300), self.rows(0.6, 0.8, 0.2, 300)
        model = fitted(before + after, "set_blast")
        found = change(
            table(before, "set_blast"),
            table(after, "set_blast"),
            model,
            (Filters(), Filters()),
            {},
        )
        told = {part.part: part.ratio for part in found.parts}
        for part, ratio in by_permutations(model, before, after).items():
            assert told[part] == pytest.approx(ratio, rel=1e-9)

    def test_ranges_hold_what_was_planted(self) -> None:
        # Parts that do not go together have what they make of the mean rate, each by itself.
        held = {"mix": 0, "air": 0, "settings": 0, REST: 0}
        truths = {
            "mix": (1 + 2 * 0.6) / (1 + 2 * 0.2),
            "air": (1 + 0.5 * 0.8) / (1 + 0.5 * 0.3),
            "settings": (1 - 0.3 * 0.2) / (1 - 0.3 * 0.6),
            REST: 1.0,
        }
        fleets = 40
        for _ in range(fleets):
            before, after = self.rows(0.2, 0.3, 0.6, 250), self.rows(0.6, 0.8, 0.2, 250)
            found = change(
                table(before, "set_blast"),
                table(after, "set_blast"),
                fitted(before + after, "set_blast"),
                (Filters(), Filters()),
                {},
            )
            for part in found.parts:
                if part.part in held:
                    # The shares themselves are drawn: about as much again as the fit leaves open.
                    slack = 1.08 if part.part != REST else 1.0
                    held[part.part] += part.low / slack <= truths[part.part] <= part.high * slack
        assert min(held.values()) >= 35, held


@pytest.fixture(scope="module")
def asked() -> Filters:
    return parse_filters(since="2031-01-06", until="2032-03-05", kind="doubles")


@pytest.fixture(scope="module")
def both(
    scan: LogScan, models: Mapping[str, Conditions], asked: Filters
) -> tuple[Trends, AdjustedTrends]:
    adjusted = answers.adjusted_trends(scan, asked, models, setting="set_spring")
    return answers.trends(scan, asked), adjusted


class TestAdjustedRates:
    @staticmethod
    def rate(split: Split, name: str) -> tuple[float, float, float]:
        rate = next(g for g in split.groups if g.name == name).rates["doubles"]
        assert rate.rate is not None
        return rate.rate, rate.wide_low, rate.wide_high

    def test_toner_printed_stock_is_less_bad_in_the_same_air(
        self, both: tuple[Trends, AdjustedTrends]
    ) -> None:
        logged, adjusted = both
        for stock in ("BT80", "BT100", "GT135"):
            was, now = (
                self.rate(trends.by_stock, stock)[0] for trends in (logged, adjusted.trends)
            )
            assert now < 0.85 * was
        why = adjusted.why["stock", "doubles"]
        assert (why.part, why.ratio > 1.2) == ("air", True)
        assert why.logged == self.rate(logged.by_stock, why.name)[0]
        assert why.adjusted == self.rate(adjusted.trends.by_stock, why.name)[0]

    def test_ratios_of_stocks_are_those_of_the_model(
        self, both: tuple[Trends, AdjustedTrends], models: Mapping[str, Conditions]
    ) -> None:
        # On the same kind of paper, where settings do the same, the two are one number, but for
        # the tower's weeks, which are not adjusted for.
        _, adjusted = both
        effect = next(e for e in models["doubles"].effects if e.level == "BU80")
        ratio = (
            self.rate(adjusted.trends.by_stock, "BU80")[0]
            / self.rate(adjusted.trends.by_stock, "BO90")[0]
        )
        assert ratio == pytest.approx(effect.ratio, rel=0.05)

    def test_adjusting_widens_ranges_and_leaves_counts_alone(
        self, both: tuple[Trends, AdjustedTrends]
    ) -> None:
        logged, adjusted = both
        for was, now in zip(logged.by_stock.groups, adjusted.trends.by_stock.groups, strict=True):
            a, b = was.rates["doubles"], now.rates["doubles"]
            assert (a.count, a.feeds, a.runs) == (b.count, b.feeds, b.runs)
            if a.rate and b.rate:
                assert b.wide_high / b.rate > 0.999 * a.wide_high / a.rate

    def test_all_of_it_has_the_rate_on_all(self, both: tuple[Trends, AdjustedTrends]) -> None:
        # Feeds weighted by what was expected of them: faults seen add up to faults expected.
        logged, adjusted = both
        whole = logged.total["doubles"].rate
        assert whole is not None
        for split in (adjusted.trends.by_stock, adjusted.trends.over_time):
            rates = [g.rates["doubles"] for g in split.groups]
            equivalent = sum(r.count / r.rate for r in rates if r.rate)
            assert sum(r.count for r in rates if r.rate) / equivalent == pytest.approx(
                whole, rel=0.01
            )

    def test_only_the_setting_that_is_asked_for_is_split_by(
        self, both: tuple[Trends, AdjustedTrends]
    ) -> None:
        _, adjusted = both
        assert [split.column for split in adjusted.trends.by_setting] == ["set_spring"]

    def test_a_setting_that_follows_the_paper_stands_as_logged(
        self, scan: LogScan, models: Mapping[str, Conditions], asked: Filters
    ) -> None:
        adjusted = answers.adjusted_trends(scan, asked, models, setting="set_foot_rest")
        assert adjusted.as_logged == ("set_foot_rest",)
        (was,) = (s for s in answers.trends(scan, asked).by_setting if s.column == "set_foot_rest")
        assert adjusted.trends.by_setting == (was,)

    def test_wear_shows_over_time(self, scan: LogScan, models: Mapping[str, Conditions]) -> None:
        # Planted: the brush of tower A, bin 7, wears to about three times by November 2031.
        asked = parse_filters(
            since="2031-02-01",
            until="2031-10-31",
            kind="doubles",
            where=["tower=A", "bin=7"],
        )
        adjusted = answers.adjusted_trends(scan, asked, models, over="month", setting="")
        groups = adjusted.trends.over_time.groups
        first = sum(g.rates["doubles"].rate or 0.0 for g in groups[:3])
        last = sum(g.rates["doubles"].rate or 0.0 for g in groups[-3:])
        assert last > 1.3 * first

    def test_a_filter_with_no_rows_has_no_rates(
        self, scan: LogScan, models: Mapping[str, Conditions]
    ) -> None:
        asked = parse_filters(since="2030-01-01", until="2030-01-31", kind="doubles")
        adjusted = answers.adjusted_trends(scan, asked, models)
        assert adjusted.trends.by_stock.groups == ()
        assert adjusted.why == {}
