"""What wears, and what to order when: planted wear, the sample's truths, counts by hand."""

from __future__ import annotations

import csv
import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from analysis import answers, ordering
from analysis.counts import Account, LogScan
from analysis.filters import FilterError, Filters
from analysis.in_place import Feeds, InPlace, TakenOut, in_place
from analysis.judged import Judged
from analysis.ordering import parts
from analysis.part_wear import kind_of_part
from analysis.parts import PartLives, PartRow, Parts, PastPart, PooledWear
from analysis.replacement import best_interval
from analysis.service_log import Service
from analysis.site import NO_SITE, Site, parse_site
from analysis.store import Store
from data_samples import works
from tests.conftest import read, run_log

START = dt.datetime(2031, 1, 6, 8)
#: A tower that feeds 20,000 a day in every bin, for 200 days.
DAYS, PER_DAY = 200, 20_000
END = START + dt.timedelta(days=DAYS - 1)


def day(number: float) -> dt.datetime:
    return START + dt.timedelta(days=number)


def act(number: float, bin: int | None, part: str = "brush", **values: Any) -> Service:
    given = {"tower": "A", "of_tower": False, "action": "fitted", "reason": "planned", **values}
    # Before the runs of that day.
    return Service(when=day(number) - dt.timedelta(hours=1), bin=bin, part=part, **given)


def fed(bins: int = 6, days: Sequence[int] = range(DAYS)) -> pa.Table:
    return pa.table(
        {
            "tower": ["A"] * (bins * len(days)),
            "bin": [bin for _ in days for bin in range(1, bins + 1)],
            "of_run": [str(number) for number in days for _ in range(bins)],
            "first": [day(number) for number in days for _ in range(bins)],
            "feeds": [PER_DAY] * (bins * len(days)),
        }
    )


@dataclass(frozen=True)
class Works:
    """A tower on which bin 1 wears by `ratio` with every 100,000 feeds, drawn with a seed."""

    acts: tuple[Service, ...]
    ratio: float = 1.10
    bins: int = 6
    rate: float = 1e-4
    step: tuple[int, float] = (DAYS, 1.0)

    def judged(self) -> Judged:
        shape = (DAYS, self.bins)
        ages = np.full(shape, np.nan)
        for one in self.acts:
            if one.part == "brush" and one.action == "fitted":
                began = max(0, math.ceil((one.when - START) / dt.timedelta(days=1)))
                new = PER_DAY * (np.arange(DAYS - began) + 0.5)
                some = slice(None) if one.bin is None else slice(one.bin - 1, one.bin)
                ages[began:, some] = new[:, None]
        expected = np.full(shape, PER_DAY * self.rate)
        mean = expected.copy()
        mean[:, 0] *= self.ratio ** (np.nan_to_num(ages[:, 0]) / 100_000)
        mean[self.step[0] :, 1] *= self.step[1]
        faults = np.random.default_rng(2031).poisson(mean)
        run, place = np.indices(shape)
        started = np.array([np.datetime64(day(number), "us") for number in range(DAYS)])
        return Judged(
            kind="doubles",
            places=tuple(("A", bin) for bin in range(1, self.bins + 1)),
            place=place.ravel(),
            run=run.ravel(),
            started=started[run.ravel()],
            feeds=np.full(faults.size, float(PER_DAY)),
            faults=faults.ravel().astype(np.float64),
            expected=expected.ravel(),
            level=np.ones(self.bins),
            between_bins=0.04,
            between_weeks=0.0,
            variance={"A": 0.0},
            parts=("brush", "pump"),
            of_tower=(False, True),
            effects={},
            ages=np.stack([ages.ravel(), PER_DAY * (run.ravel() + 0.5)]),
            kept=np.arange(faults.size),
            account=Account(faults.size, DAYS, 0, START, END),
        )

    def parts(self, site: Site = NO_SITE, kind: str | None = "doubles", **options: Any) -> Parts:
        rows = self.judged()
        return parts(
            {"doubles": (rows, np.full(rows.place.size, 45.0))},
            fed(self.bins),
            sorted(self.acts, key=lambda one: one.when),
            rows.account,
            site,
            listed_bins={"A": self.bins},
            until=END,
            kind=kind,
            **options,
        )


#: Brushes fitted at times of their own, that of the bin which wears three times.
STAGGERED = (
    *(act(0, bin) for bin in range(1, 7)),
    act(60, 1, reason="worn"),
    act(140, 1, reason="worn"),
    act(40, 3),
    act(90, 4),
    act(150, 5),
)
SITE = parse_site(
    "[parts.brush]\nprice = 14\nlead_days = 12\nfit_minutes = 15\n[costs]\nhour = 60", "site.toml"
)


def bin_one(found: Parts, part: str = "brush") -> PartRow:
    return next(row for row in found.parts if row.bin == 1 and row.part == part)


@pytest.fixture(scope="module")
def found() -> Parts:
    return Works(STAGGERED).parts(SITE)


class TestPlantedWear:
    def test_the_range_holds_it_and_others_show_none(self, found: Parts) -> None:
        row = bin_one(found)
        assert row.low < 1.10 < row.high
        assert row.wears
        assert [other.bin for other in found.parts if other.wears] == [1]
        assert (row.age_feeds, row.lives) == (60 * PER_DAY, 3)
        assert row.count == sum(Works(STAGGERED).judged().faults.reshape(DAYS, 6)[:, 0])

    def test_the_limit_is_passed_where_arithmetic_says(self, found: Parts) -> None:
        # Twice the faults after ln 2 / ln 1.10 x 100,000 = 727,254 feeds: 36 days ago.
        assert 100_000 * math.log(2) / math.log(1.10) == pytest.approx(727_254, rel=1e-6)
        row = bin_one(found)
        assert row.feeds_to_limit == 0
        true = (day(140) + dt.timedelta(days=727_254 // PER_DAY)).date()
        assert row.limit_earliest and row.limit_latest
        assert row.limit_earliest <= true <= row.limit_latest
        assert "order now" in row.sentence()

    def test_one_that_is_not_due_yet_by_its_pace(self) -> None:
        new = Works((*STAGGERED, act(190, 1, reason="worn"))).parts(SITE)
        row = bin_one(new)
        assert row.age_feeds == 10 * PER_DAY
        assert row.feeds_to_limit is not None and row.limit_on is not None
        assert row.feeds_per_day == PER_DAY
        low, high = row.feeds_to_limit_low, row.feeds_to_limit_high
        assert low is not None and high is not None
        assert low < 727_254 - 10 * PER_DAY < high
        assert row.limit_on == END.date() + dt.timedelta(days=int(row.feeds_to_limit / PER_DAY))
        # A pace that never changed adds nothing to the range of the feeds.
        assert row.limit_latest == END.date() + dt.timedelta(days=int(high / PER_DAY + 1e-6))
        assert row.order_by == row.limit_on - dt.timedelta(days=12)
        assert not row.lead_assumed
        usual = bin_one(Works((*STAGGERED, act(190, 1))).parts())
        assert (usual.lead_days, usual.lead_assumed) == (30, True)
        assert usual.order_by == row.limit_on - dt.timedelta(days=30)

    def test_a_stated_limit_is_held_against_the_paper_and_air_of_late(self) -> None:
        # 1e-4 doubles a feed are expected; 3e-4 are passed at ln 3 / ln 1.10 x 100,000 feeds.
        site = parse_site("[limits]\ndoubles_per_10k = 3", "site.toml")
        row = bin_one(Works((*STAGGERED, act(190, 1))).parts(site))
        assert row.limit_rate == pytest.approx(3e-4)
        assert row.limit_times is None
        low, high = row.feeds_to_limit_low, row.feeds_to_limit_high
        assert low is not None and high is not None
        assert low < 1e5 * math.log(3) / math.log(1.10) - 10 * PER_DAY < high
        assert "3.0 doubles in 10,000 feeds" in row.sentence()
        assert row.rate_now_low < 1e-4 * 1.10**2 < row.rate_now_high

    def test_planned_hours_and_pace_go_before_those_of_late(self) -> None:
        site = parse_site("[towers.A]\nhours_per_week = 70\ncycles_per_hour = 1000", "site.toml")
        row = bin_one(Works(STAGGERED).parts(site))
        assert (row.feeds_per_day, row.feeds_per_day_low) == (10_000, 10_000)

    def test_costs_of_part_and_fault_go_into_the_best_interval(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        asked: list[tuple[float, ...]] = []

        def heard(*values: float, **options: float) -> Any:
            asked.append(values)
            return best_interval(*values, **options)

        monkeypatch.setattr("analysis.ordering.best_interval", heard)
        row = bin_one(Works(STAGGERED).parts(SITE))
        part, fault, new_rate = asked[0]
        # 14 for the brush and a quarter of an hour at 60; a stop of 2 minutes, nine of ten mended
        # in a minute, one of ten spoiled at 2.
        assert part == pytest.approx(14 + 15)
        assert fault == pytest.approx(2 + 0.9 * 1 + 0.1 * 2)
        assert new_rate == pytest.approx(1e-4, rel=0.3)
        # By going through all intervals.
        tau = np.arange(1, 400) * 5_000.0
        slope = math.log(row.wear_ratio_per_100k_feeds) / 1e5
        cost = (part + fault * new_rate * np.expm1(slope * tau) / slope) / tau
        assert row.replace_every_feeds == pytest.approx(tau[np.argmin(cost)], abs=5_000)
        assert "costs least" in row.replace_why
        # 29 for the part and 3.1 for each fault come to the same whichever money it is, which is
        # named where the site names it.
        assert re.search(r"parts and faults cost \d", row.replace_why)
        here = replace(SITE, costs=replace(SITE.costs, currency="EUR"))
        told = bin_one(Works(STAGGERED).parts(here)).replace_why
        assert re.search(r"parts and faults cost EUR \d", told)
        assert told.replace("EUR ", "") == row.replace_why

    def test_without_a_price_there_is_no_interval_and_it_is_said_why(self) -> None:
        row = bin_one(Works(STAGGERED).parts())
        assert row.replace_every_feeds is None
        assert "no price" in row.replace_why

    def test_the_price_and_the_currency_are_the_site_s(self) -> None:
        site = replace(SITE, costs=replace(SITE.costs, currency="EUR"))
        found = Works(STAGGERED).parts(site)
        assert (bin_one(found).price, found.currency) == (14, "EUR")

    def test_parts_that_were_taken_out_had_passed_it_too(self, found: Parts) -> None:
        first, second = (one for one in found.past if one.bin == 1)
        assert (first.removed_at, first.reason) == (day(60) - dt.timedelta(hours=1), "worn")
        assert (first.feeds, second.feeds) == (60 * PER_DAY, 80 * PER_DAY)
        assert second.limit_earliest and second.limit_on
        true = (day(60) + dt.timedelta(days=727_254 // PER_DAY)).date()
        assert second.limit_earliest <= true <= (second.limit_latest or second.removed_at.date())
        assert "as worn; it had passed its limit about" in second.sentence()

    def test_lives_are_those_ended_for_cause_and_the_rest(self, found: Parts) -> None:
        (lives,) = found.lives
        # Two of bin 1 were worn; three others were changed as planned, and six are in.
        assert (lives.ended, lives.censored) == (2, 3 + 6)
        assert lives.kaplan_meier is not None
        # Kaplan and Meier by hand: at 60 days of life 9 of 11 are left (of 40 and of 50 days it is
        # only known that they were not all); at 80 days 7, as another one is 60 days old now.
        assert lives.kaplan_meier.surviving.tolist() == pytest.approx([8 / 9, 8 / 9 * 6 / 7])


class TestWhatCannotBeTold:
    def test_parts_of_one_age_everywhere_are_not_told_from_time(self) -> None:
        found = Works(tuple(act(0, bin) for bin in range(1, 7)), ratio=1.02).parts()
        assert found.pooled[0].own_variance < 0.1
        for row in found.parts:
            assert "cannot be told apart" in row.cannot_tell
            assert math.isfinite(row.wear_ratio_per_100k_feeds)
            assert (row.limit_on, row.feeds_to_limit, row.order_by) == (None, None, None)
            assert not row.wears
        assert any("fit them at different times" in text for text in found.warnings)

    def test_a_rise_at_once_is_no_wear(self) -> None:
        # Bin 2's brush was never changed; its doubles are four times as many from day 120.
        found = Works(STAGGERED, step=(120, 4.0)).parts()
        row = next(row for row in found.parts if row.bin == 2)
        assert row.shape == "at once"
        assert row.changed_on is not None
        assert abs((row.changed_on - day(120).date()).days) <= 10
        assert not row.wears
        assert (row.order_by, row.limit_on, row.feeds_to_limit) == (None, None, None)
        assert "damage or another cause rather than wear" in row.sentence()

    def test_a_part_without_an_entry_is_of_unknown_age_and_not_new(self) -> None:
        site = parse_site(
            '[towers."*"]\nparts = ["brush", "hose"]\ntower_parts = ["pump"]', "site.toml"
        )
        found = Works(STAGGERED[:-1]).parts(site)
        hose = bin_one(found, "hose")
        assert (hose.fitted_at, hose.age_feeds, hose.order_by) == (None, None, None)
        assert "its age is unknown" in hose.sentence()
        assert bin_one(found).fitted_at is not None
        assert [row.bin for row in found.parts if row.part == "pump"] == [None]
        told = [text for text in found.warnings if text.startswith("The age of")]
        assert told == [
            "The age of the hose of every bin of tower A is unknown, since nothing in the service "
            "log says when it was fitted; log the next one as fitted, with its bin.",
            "The age of the pump of tower A is unknown, since nothing in the service log says when "
            "it was fitted; log the next one as fitted, with bin tower.",
        ]
        assert list(found.unknown_ages) == told

    def test_a_part_from_another_place_is_of_unknown_age(self) -> None:
        found = Works((*STAGGERED, act(195, 6, action="swapped"))).parts()
        row = next(row for row in found.parts if row.bin == 6)
        assert row.fitted_at is None
        assert "came from another place" in row.cannot_tell

    def test_a_kind_without_a_fault_on_record_tells_nothing(self) -> None:
        found = Works(STAGGERED).parts(kind="misses")
        assert {row.cannot_tell for row in found.parts} == {
            "there are no misses at a known age to tell its wear from"
        }
        assert math.isnan(bin_one(found).wear_ratio_per_100k_feeds)

    def test_services_that_cannot_be_are_warned_of(self) -> None:
        odd = (act(DAYS + 400, 1), act(DAYS + 401, 2), act(20, 9), act(20, 1, tower="Z"))
        found = Works((*STAGGERED, *odd)).parts()
        texts = "\n".join(found.warnings)
        assert "Service log, 2 lines from 28 August 2032 on: dated long after" in texts
        assert "tower A has no bin 9" in texts
        assert "tower Z is neither in the run log nor in the tower list" in texts
        # One long after the last run changes nothing; one soon after it is taken as done.
        assert bin_one(found).age_feeds == 60 * PER_DAY
        soon = bin_one(Works((*STAGGERED, act(DAYS + 2, 1))).parts())
        assert soon.age_feeds == 0
        assert soon.fitted_at is not None


def test_wear_of_a_part_of_the_tower_is_on_cycles_and_all_its_bins() -> None:
    pump = act(0, None, "pump", of_tower=True)
    works_ = Works((*STAGGERED, pump), ratio=1.0)
    row = next(row for row in works_.parts().parts if row.part == "pump")
    assert row.bin is None
    assert row.age_feeds == DAYS * PER_DAY
    assert row.count == works_.judged().faults.sum()
    assert row.feeds == DAYS * PER_DAY * 6
    assert row.expected == pytest.approx(DAYS * PER_DAY * 6 * 1e-4)


def test_parts_fitted_together_cannot_be_told_from_each_other() -> None:
    feet = tuple(replace(one, part="roller") for one in STAGGERED)
    found = Works((*STAGGERED, *feet)).parts()
    assert bin_one(found).same_as == ("roller",)
    apart = Works((*STAGGERED, *feet[:-5])).parts()
    assert bin_one(apart).same_as == ()


class TestPartsThatTheSiteFileDoesNotName:
    """Where the site file says what bins carry, a name near to one is told."""

    CARRIED = '[towers."*"]\nparts = ["brush", "suction foot"]\n[parts.pump]\nprice = 9'

    def said(self, text: str, *names: str) -> list[str]:
        acts = (*STAGGERED, *(act(20 + place, 2, part=name) for place, name in enumerate(names)))
        found = Works(acts).parts(parse_site(text, "site.toml"))
        return [warning for warning in found.warnings if "no such part" in warning]

    def test_a_slip_and_a_short_name_are_told_with_what_was_meant(self) -> None:
        assert self.said(self.CARRIED, "foot", "pumps", "foot") == [
            "Service log, foot (2 lines): the site file has no such part, so that it is taken for "
            "one of its own; correct the name if suction foot is meant.",
            "Service log, pumps (1 line): the site file has no such part, so that it is taken for "
            "one of its own; correct the name if pump is meant.",
        ]

    def test_a_short_name_of_several_names_them_all(self) -> None:
        text = '[towers."*"]\nparts = ["upper brush", "lower brush"]'
        assert [one.partition("correct")[2] for one in self.said(text)] == [
            " the name if lower brush or upper brush is meant."
        ]

    def test_what_is_named_and_what_is_like_none_is_not_told(self) -> None:
        assert self.said(self.CARRIED, "suction foot", "pump", "separator finger") == []

    def test_without_such_a_list_nobody_can_tell(self) -> None:
        assert self.said("", "foot", "suction foot") == []


class TestOrder:
    def test_the_soonest_first(self, found: Parts) -> None:
        assert found.parts[0].order_by is not None
        assert [row.bin for row in found.order_list()] == [1]
        assert found.sentence() == (
            "Order the brush of bin 1 of tower A now; of 6 parts in place, 1 shows wear."
        )

    def test_up_to_so_many_days_ahead(self) -> None:
        base = PartRow("A", 1, "brush", "doubles", low=1.1)
        rows = [
            replace(base, bin=n, order_by=END.date() + dt.timedelta(days=n * 50)) for n in (3, 1, 2)
        ]
        found = Parts(tuple(rows), (), (), (), (), (), Account(1, 1, 1, START, END), END)
        assert [row.bin for row in found.order_list(100)] == [1, 2]
        assert [row.bin for row in found.order_list()] == [1, 2, 3]
        assert found.sentence().startswith("Order the brush of bin 1 of tower A by 12 September")
        later = replace(found, parts=(rows[0],))
        assert later.sentence().startswith("Nothing is to be ordered within 91 days; the brush")

    def test_with_nothing_at_all(self) -> None:
        nothing = Parts((), (), (), (), (), (), Account(0, 0, 0, None, None), None)
        assert nothing.order_list(30) == ()
        assert "log each part with its bin" in nothing.sentence()


def test_the_range_of_days_joins_those_of_feeds_and_pace() -> None:
    # Of independent lognormal feeds and pace the 90 % range of their ratio is known exactly; and by
    # drawing them.
    z, feeds, pace = 1.6449, 0.3, 0.2
    high = ordering._joined(1000.0, 1000.0 * math.exp(z * feeds), 10.0, 10.0 / math.exp(z * pace))
    low = ordering._joined(1000.0, 1000.0 / math.exp(z * feeds), 10.0, 10.0 * math.exp(z * pace))
    random = np.random.default_rng(7)
    drawn = np.exp(random.normal(0, feeds, 200_000) - random.normal(0, pace, 200_000)) * 100
    assert (low, high) == pytest.approx(tuple(np.quantile(drawn, [0.05, 0.95])), rel=0.01)
    assert ordering._joined(1000.0, math.inf, 10.0, 8.0) == math.inf


@pytest.mark.parametrize(
    ("part", "kind"),
    [
        ("Brush", "doubles"),
        ("suction foot", "misses"),
        ("feet", "misses"),
        ("pump", "misses"),
        ("air filter", "misses"),
        ("hose", "misses"),
        ("side guide", "faults"),
        ("", "faults"),
    ],
)
def test_what_wear_shows_in_by_common_practice(part: str, kind: str) -> None:
    assert kind_of_part(part, NO_SITE) == kind
    assert kind_of_part(part, NO_SITE, "misses") == "misses"


def test_the_site_says_otherwise() -> None:
    site = parse_site('[parts."Brush"]\nkind = "misses"', "site.toml")
    assert kind_of_part("brush", site) == "misses"


class TestInPlace:
    bins = {"A": [1, 2]}

    def test_by_hand(self) -> None:
        acts = [
            act(0, None),
            act(10, 1, reason="broken"),
            act(20, 2, action="overhauled", reason="worn"),
            act(30, 1, action="swapped"),
            act(40, 1),
            act(50, 1, action="cleaned"),
            act(5, 9),
        ]
        now, out = in_place(sorted(acts, key=lambda one: one.when), self.bins, lambda _: ((), ()))
        hour = dt.timedelta(hours=1)
        assert now == [
            InPlace("A", 1, "brush", day(40) - hour),
            InPlace("A", 2, "brush", day(20) - hour),
        ]
        assert out == [
            TakenOut("A", 1, "brush", day(0) - hour, day(10) - hour, "broken"),
            TakenOut("A", 2, "brush", day(0) - hour, day(20) - hour, "worn"),
        ]

    def test_the_pace_and_its_range_from_weekly_totals(self) -> None:
        # 13 weeks of 7 runs; every other week only 3 of them. Student's t at 0.95 with 12 degrees
        # of freedom is 1.782 (Fisher and Yates, Statistical Tables).
        days = [n for n in range(13 * 7) if (n // 7) % 2 == 0 or n % 7 < 3]
        pace = Feeds(fed(1, days)).pace("A", 1, day(90))
        weeks = np.array([140_000.0 if n % 2 == 0 else 60_000.0 for n in range(13)])
        assert pace.per_day == pytest.approx(weeks.mean() / 7)
        wide = math.exp(1.782 * weeks.std(ddof=1) / weeks.mean() / math.sqrt(13))
        assert pace.high == pytest.approx(pace.per_day * wide, rel=1e-3)
        assert pace.low == pytest.approx(pace.per_day / wide, rel=1e-3)

    def test_little_log_and_no_feeds_of_late(self) -> None:
        assert math.isnan(Feeds(fed(1, range(5))).pace("A", 1, day(4)).per_day)
        assert Feeds(fed(1, range(5))).pace("A", 1, day(200)).per_day == 0
        assert Feeds(fed(1)).pace("A", 7, END).per_day == 0

    def test_two_weeks_are_fourteen_days_at_whatever_hour_the_first_run_began(self) -> None:
        for hour in (0, 8):
            runs = fed(1, range(14))
            first = [when.replace(hour=hour) for when in runs["first"].to_pylist()]
            feeds = Feeds(runs.set_column(3, "first", pa.array(first)))
            assert math.isnan(feeds.pace("A", 1, day(12)).per_day)
            assert feeds.pace("A", 1, day(13)).per_day == PER_DAY

    def test_when_so_many_feeds_had_passed(self) -> None:
        feeds = Feeds(fed(2))
        assert feeds.when("A", 1, day(10), 3.5 * PER_DAY) == day(13)
        assert feeds.when("A", None, day(10), 0.5) == day(10)
        assert feeds.when("A", 1, day(190), 11 * PER_DAY) is None
        assert feeds.between("A", 1, day(10), day(12)) == 2 * PER_DAY
        assert feeds.bins == {"A": [1, 2]}


# The sample log, whose truths are known.


@pytest.fixture(scope="module")
def sample(sample_store: Path) -> Parts:
    return answers.parts(LogScan(Store(sample_store).snapshot()), Filters(), kind="doubles")


def brush_of_a7(sample: Parts) -> PartRow:
    return next(row for row in sample.parts if (row.tower, row.bin, row.part) == ("A", 7, "brush"))


def test_the_worn_brush_of_the_sample_is_found(sample: Parts, samples: Path) -> None:
    row = brush_of_a7(sample)
    assert row.low < works.BRUSH_RATIO_PER_100K < row.high
    assert row.wears
    assert row.order_by is not None
    others = [r for r in sample.parts if r.part == "brush" and r.wears and r.bin != 7]
    assert not others
    # The feeds of the bin by the csv module, in the order of when runs began.
    limit = 100_000 * math.log(2) / math.log(works.BRUSH_RATIO_PER_100K)
    fitted, gone = dt.datetime(2031, 1, 5, 10), dt.datetime(2031, 11, 10, 5, 40)
    began: dict[str, dt.datetime] = {}
    counted: dict[str, int] = {}
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        for line in csv.DictReader(file):
            if line["tower"] != "A" or not line["bin"]:
                continue
            when = dt.datetime.fromisoformat(line["started"])
            run = line["run"]
            if 7 in _bins(line["bin"]):
                began[run] = min(began.get(run, when), when)
                counted[run] = counted.get(run, 0) + int(line["cycles"])
    total, true = 0, None
    for run in sorted(began, key=began.__getitem__):
        if began[run] >= fitted and true is None:
            total += counted[run]
            true = began[run].date() if total >= limit else None
    past = next(p for p in sample.past if (p.tower, p.bin, p.part) == ("A", 7, "brush"))
    assert true is not None
    assert past.feeds == sum(counted[run] for run in began if fitted <= began[run] < gone)
    assert past.limit_earliest is not None
    assert past.limit_earliest <= true <= (past.limit_latest or past.removed_at.date())
    assert row.age_feeds == sum(counted[run] for run in began if began[run] >= gone)


def _bins(text: str) -> set[int]:
    found: set[int] = set()
    for token in text.split():
        if token != "?":
            first, _, last = token.partition("-")
            found |= set(range(int(first), int(last or first) + 1))
    return found


def test_what_else_of_the_sample_wears_is_what_its_tower_shared(sample_store: Path) -> None:
    found = answers.parts(LogScan(Store(sample_store).snapshot()), Filters())
    wearing = {(row.tower, row.bin, row.part) for row in found.parts if row.wears}
    # Tower C got worse as a whole before its overhaul; bin 2 of tower A is no wear of its pump.
    assert wearing == {("A", 7, "brush"), ("C", None, "pump"), ("C", None, "filter")}


def test_the_new_brush_of_the_sample_helped(sample: Parts) -> None:
    row = next(
        s
        for s in sample.services
        if (s.tower, s.bin, s.part, s.when.month) == ("A", 7, "brush", 11) and s.changed
    )
    assert row.verdict == "helped"
    assert row.high < 0.6
    overhaul = next(s for s in sample.services if s.action == "overhauled")
    assert overhaul.verdict == "helped"


def test_of_one_bin_only_its_own_is_told(sample_store: Path) -> None:
    scan = LogScan(Store(sample_store).snapshot())
    with pytest.raises(FilterError, match="stock cannot be asked of what is wearing"):
        answers.parts(scan, Filters().holding("stock", "BO90"))
    with pytest.raises(FilterError, match="there is no tower Z"):
        answers.parts(scan, Filters().holding("tower", "Z"))


def test_a_log_without_services_and_one_without_runs(store: Store) -> None:
    scan = LogScan(store.snapshot())
    assert answers.parts(scan, Filters()).parts == ()
    store.add(read(run_log()))
    found = answers.parts(LogScan(store.snapshot()), Filters())
    assert (found.parts, found.services) == ((), ())
    assert "No part is known" in found.sentence()


def test_services_after_the_period_asked_for_are_left_out(store: Store) -> None:
    store.add(read(run_log()))
    lines = [f"2031-03-{number}T08:00,A,1,brush,fitted,planned" for number in (10, 14, 20)]
    header = "when,tower,bin,part,action,reason"
    store.add(read("\n".join([header, *lines, ""]).encode()))
    scan = LogScan(store.snapshot())
    # The run began on 14 March at 8:05; nothing is known of brushes by so few feeds.
    found = answers.parts(scan, Filters())
    assert [row.when.day for row in found.services] == [10, 14, 20]
    assert "dated after the last run" in found.services[-1].warning
    (row,) = found.parts
    assert (row.age_feeds, row.fitted_at) == (0, dt.datetime(2031, 3, 20, 8))
    early = answers.parts(scan, Filters(until=dt.datetime(2031, 3, 15)))
    assert [one.when.day for one in early.services] == [10, 14]
    assert early.parts[0].age_feeds == 4517
    since = Filters(since=dt.datetime(2031, 3, 12), until=dt.datetime(2031, 3, 15))
    assert [one.when.day for one in answers.parts(scan, since).services] == [14]


def test_sentences_say_plainly_what_is_not_known() -> None:
    pooled = PooledWear("brush", "doubles", math.nan, math.nan, math.nan, 0, math.nan)
    assert pooled.sentence() == "Brush: there are no doubles at a known age to tell wear from."
    lives = PartLives("pump", 0, 3, of_tower=True)
    assert lives.sentence().startswith("Pump of the tower: none of 3 was taken out because it was")
    past = PastPart("A", None, "pump", "misses", START, END, 40_000.0, 199.0)
    assert past.sentence() == (
        "The pump of tower A lasted 40,000 cycles, from 6 January 2031 until 24 July 2031."
    )
    row = PartRow("A", 1, "brush", "doubles", wear_ratio_per_100k_feeds=1.0, low=0.99, high=1.01)
    row = replace(row, limit_rate=1e-4, feeds_to_limit=0.0, count=4, feeds=10_000)
    assert row.sentence() == (
        "The brush of bin 1 of tower A shows no wear: 1.0 % fewer to 1.0 % more doubles with every "
        "100,000 feeds, by 4 doubles in 10,000 feeds; it is over the limit of 1.0 doubles in "
        "10,000 feeds all the same, so look for what else it may be."
    )


def test_what_is_not_known_of_a_limit_is_said() -> None:
    row = PartRow("A", 1, "brush", "doubles", limit_times=2.0)
    assert row.due() == (
        "When it passes its limit (2 times its doubles with a new part) is not known."
    )
    assert replace(row, feeds_to_limit=math.inf).due() == (
        "It never passes its limit (2 times its doubles with a new part)."
    )
    some = replace(row, feeds_to_limit=250_000.0, feeds_to_limit_low=0.0)
    assert some.due() == (
        "It passes its limit (2 times its doubles with a new part) in about 250,000 feeds (now "
        "already to never)."
    )
    assert replace(row, limit_times=None).limit == ""
