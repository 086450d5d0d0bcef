"""What faults cost: sums worked out by hand, published limits, and ranges by simulation."""

from __future__ import annotations

import datetime as dt
import math
import shutil
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from scipy import stats

from analysis import answers
from analysis.answers.money import counted as counted_costs
from analysis.costs import Beside, CostsResult
from analysis.costs import costs as price
from analysis.counts import LogScan
from analysis.explained import Explained
from analysis.filters import Filters, parse_filters
from analysis.pricing import Cost, Counted, Pricing, Share, Sums, Worth, pricing
from analysis.site import NO_SITE, Site
from analysis.site_costs import USUAL_COSTS, Costs
from analysis.spread import Spread, between_run_variance
from analysis.store import Store
from tests.conftest import read, run_log

HEADER = (
    "run,stretch,started,tower,bin,cycles,misses,doubles,purpose,stock,found_later,"
    "sets_spoiled,sets_mended,stops"
)
LOG = run_log(
    # Tower A: 6 faults, one double found later; of 5 sets one was spoiled. 9 stops, most of them
    # for other reasons.
    "1,1,2031-03-14T08:00,A,1,10000,2,1,,X,0,1,4,9",
    "1,1,2031-03-14T08:00,A,2,10000,0,3,,Y,1,,,",
    # Tower B: 4 misses; doubles were not watched, and nobody noted what became of the sets.
    "1,1,2031-03-14T08:10,B,1,20000,4,off,,X,,,,",
    # Make-ready, and a burn-in that is not priced.
    "2,1,2031-03-15T08:00,A,1,50,1,0,set-up,X,,,,",
    "3,1,2031-03-16T08:00,A,1,5000,7,7,burn-in,X,,,,",
    header=HEADER,
)
#: A stop costs 6, mending a set 3, a spoiled one 5; a fault of tower A 6 + 0.8 x 3 + 0.2 x 5 = 9.4,
#: one of tower B 6 + 0.5 x 3 + 0.5 x 5 = 10.
FIGURES = Costs("EUR", 90, 4, 2, 5, 0.5, 30)
SITE = Site(costs=FIGURES)


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> LogScan:
    """Return a scan of a log that no test adds to."""
    folder = tmp_path_factory.mktemp("costs") / "store"
    store = Store(Path(shutil.copytree(empty_store, folder)))
    store.add(read(LOG))
    return LogScan(store.snapshot())


def asked(scan: LogScan, *where: str, site: Site = SITE, **more: str) -> CostsResult:
    return _asked(scan, parse_filters(where=where, **more), site.costs)


@lru_cache
def _asked(scan: LogScan, filters: Filters, figures: Costs) -> CostsResult:
    return answers.costs(scan, filters, site=Site(costs=figures))


def money(lines: tuple[Cost, ...], *names: str) -> dict[object, float]:
    return {
        tuple(one.of[name] for name in names) if len(names) > 1 else one.of[names[0]]: one.cost
        for one in lines
    }


class TestSumsByHand:
    def test_the_total_and_each_way_to_split_it(self, scan: LogScan) -> None:
        result = asked(scan)
        assert (result.total.faults, result.total.found_later) == (10, 1)
        # 6 x 9.4 + 4 x 10 + 30.
        assert result.total.cost == pytest.approx(126.4, rel=1e-12)
        assert money(result.by_tower, "tower") == pytest.approx({"A": 86.4, "B": 40})
        assert money(result.by_bin, "tower", "bin") == pytest.approx(
            {("A", 1): 28.2, ("A", 2): 58.2, ("B", 1): 40}
        )
        assert money(result.by_stock, "stock") == pytest.approx({"X": 68.2, "Y": 58.2})
        assert money(result.by_kind, "kind") == pytest.approx({"misses": 58.8, "doubles": 67.6})
        assert money(result.by_what, "what") == pytest.approx(
            {"stops": 60, "mended sets": 20.4, "spoiled sets": 16, "found later": 30}
        )
        events = {one.of["what"]: one.of["events"] for one in result.by_what}
        # Of tower A's 6 sets a fifth is spoiled, of tower B's 4 a half.
        assert events == pytest.approx(
            {"stops": 10, "mended sets": 6.8, "spoiled sets": 3.2, "found later": 1}
        )
        for lines in (result.by_tower, result.by_bin, result.by_stock, result.by_kind):
            assert math.fsum(one.cost for one in lines) == pytest.approx(126.4, rel=1e-12)
            assert list(lines) == sorted(lines, key=lambda one: -one.cost)

    def test_make_ready_stands_apart_and_a_burn_in_is_not_priced(self, scan: LogScan) -> None:
        ready = asked(scan).make_ready
        assert ready is not None
        # Nobody noted what became of that set, so the site's share holds: 6 + 1.5 + 2.5.
        assert (ready.faults, ready.sets) == (1, 50)
        assert ready.cost == pytest.approx(10)
        held = asked(scan, "purpose=set-up")
        assert held.make_ready is None
        assert held.total.cost == pytest.approx(10)

    def test_one_kind_alone(self, scan: LogScan) -> None:
        assert asked(scan, kind="misses").total.cost == pytest.approx(58.8)
        doubles = asked(scan, kind="doubles")
        assert doubles.total.cost == pytest.approx(67.6)
        assert [one.of["kind"] for one in doubles.by_kind] == ["doubles"]

    def test_a_kind_that_nothing_watched_for_has_no_cost(self, scan: LogScan) -> None:
        result = asked(scan, "tower=B")
        assert money(result.by_kind, "kind") == pytest.approx({"misses": 40})
        assert result.unwatched == ("doubles",)
        assert result.sentence().startswith("Misses cost EUR 40 a working day (")
        assert result.logged() == "Nothing was watching for doubles, so they are not in it."
        assert asked(scan, "tower=B", kind="doubles").sentence() == (
            "Nothing was watching for doubles in this part of the log, so there is no cost to give."
        )
        assert asked(scan).unwatched == ()
        assert asked(scan).sentence().startswith("Misses and doubles cost EUR ")

    def test_no_miss_where_doubles_were_not_watched_has_a_range(self, store: Store) -> None:
        store.add(read(run_log("1,1,2031-03-14T08:00,A,1,10000,0,off,,X,,0,0,", header=HEADER)))
        total = asked(LogScan(store.snapshot())).total
        # None in 10,000 holds 3.689 at most (Garwood 1936), each a stop and half a set of each.
        assert (total.cost, total.low) == (0, 0)
        assert total.high == pytest.approx(10 * stats.chi2.ppf(0.975, 2) / 2, rel=1e-6)

    def test_a_set_is_a_cycle_of_its_tower(self, scan: LogScan) -> None:
        result = asked(scan)
        assert result.total.sets == 30_000
        assert {one.of["tower"]: one.sets for one in result.by_tower} == {"A": 10_000, "B": 20_000}
        assert {one.of["stock"]: one.sets for one in result.by_stock} == {"X": 30_000, "Y": 10_000}
        each = result.by_tower[0].per_sets()
        assert each is not None
        assert each[0] == pytest.approx(86.4)
        assert result.days == 1

    def test_towers_of_a_line_make_one_set_together(self, store: Store) -> None:
        store.add(read(LOG))
        store.add(read(b"tower,site,bins,line\nA,Mill,2,long\nB,Mill,1,long\n"))
        result = asked(LogScan(store.snapshot()))
        # On that day tower B ran most: 20,000 sets, of which A fed a part.
        assert result.total.sets == 20_000
        assert {one.of["tower"]: one.sets for one in result.by_tower} == {"A": 10_000, "B": 20_000}

    def test_stops_for_other_reasons_cost_nothing(self, store: Store) -> None:
        row = "{},1,2031-03-14T08:00,A,1,10000,1,0,,X,0,,,{}"
        store.add(read(run_log(row.format(1, 40), header=HEADER)))
        assert asked(LogScan(store.snapshot())).total.cost == pytest.approx(10)

    def test_a_bin_that_was_not_noted_still_costs(self, store: Store) -> None:
        lines = ("1,1,2031-03-14T08:00,A,1,10000,1,0,,X,,,,", "1,1,2031-03-14T08:00,A,?,,2,0,,,,,,")
        store.add(read(run_log(*lines, header=HEADER)))
        result = asked(LogScan(store.snapshot()))
        assert result.total.cost == pytest.approx(30)
        assert money(result.by_bin, "bin") == pytest.approx({1: 10, None: 20})
        assert {one.of["bin"]: one.per_sets() is None for one in result.by_bin}[None]


class TestWhatIsSaid:
    def test_with_all_figures_stated_none_is_assumed(self, scan: LogScan) -> None:
        result = asked(scan)
        assert result.assumed == ()
        assert result.sentence().startswith("Misses and doubles cost EUR 130 a working day ("), (
            result.sentence()
        )
        assert "EUR 42 per 10,000 sets" in result.sentence()
        assert "usual figures" not in result.sentence()

    def test_usual_figures_are_named_as_such(self, scan: LogScan) -> None:
        result = asked(scan, site=NO_SITE)
        assert len(result.assumed) == 6
        assert result.figures == USUAL_COSTS
        assert result.sentence().endswith(
            "At usual figures (common practice, no source), since the site file states none; money "
            "is such that an hour of a tower with its crew costs 60."
        )
        # 6 x (2 + 0.8 + 0.2 x 2) + 4 x (2 + 0.9 + 0.2) + 25.
        assert result.total.cost == pytest.approx(6 * 3.2 + 4 * 3.1 + 25)

    def test_some_stated_the_others_are_listed(self, scan: LogScan) -> None:
        site = Site(costs=Costs(hour=90, stop_minutes=4, spoiled_set=5, spoiled_share=0.5))
        said = asked(scan, site=site).sentence()
        assert "does not state: the minutes to mend a set and a double found later." in said

    def test_what_is_not_logged_is_said(self, scan: LogScan) -> None:
        # Lines of 20,000 of 40,000 feeds say how many doubles were found later.
        assert asked(scan).logged().startswith("Doubles found later are logged for 50 % of feeds")
        assert asked(scan, "tower=A").logged() == ""
        # Of tower B nothing watched for doubles, which says as much of those found later.
        assert asked(scan, "tower=B").logged().startswith("Nothing was watching for doubles")
        silent = replace(asked(scan), feeds_found_later=0)
        assert silent.logged().startswith("Doubles found later are not logged")

    def test_nothing_in_the_filter_is_said(self, scan: LogScan) -> None:
        assert asked(scan, "tower=Z").sentence() == (
            "No rows of the log are in this filter; widen it."
        )


class TestBeyondAnOrdinaryBin:
    BINS = (
        Beside("A", 1, 10, 10, 100_000, 400_000),
        Beside("A", 2, 12, 10, 100_000, 400_000),
        Beside("A", 3, 30, 10, 100_000, 200_000),
    )

    def result(self, scan: LogScan, *bins: Beside, kind: str = "faults") -> CostsResult:
        filters = parse_filters(where=["purpose=production"])
        counted = counted_costs(scan, filters)
        return price(
            counted, FIGURES, {}, scan.account(filters), kind=kind, beside=bins or self.BINS
        )

    def test_a_bin_is_set_beside_the_middle_one(self, scan: LogScan) -> None:
        result = self.result(scan)
        worst = next(one for one in result.beyond if one.bin == 3)
        # The middle bin has 1.2 times what is expected, so 12 of the 30 are ordinary; 18 faults at
        # 9.4 in 100,000 sets.
        assert worst.ordinary == pytest.approx(12)
        assert worst.per_sets()[0] == pytest.approx(16.92)
        # In a year at its recent pace it feeds twice that.
        assert worst.a_year()[0] == pytest.approx(338.4)
        assert worst.low > 0
        assert "bin 3 of tower A costs most: EUR 17 per 10,000 sets beyond" in result.sentence()

    def test_what_half_the_faults_or_a_benchmark_would_save(self, scan: LogScan) -> None:
        worst = next(one for one in self.result(scan).beyond if one.bin == 3)
        # 30 faults in 100,000 feeds are 60 in a year's 200,000, at 9.4.
        assert worst.saving(times=0.5)[0] == pytest.approx(30 * 9.4)
        # A rate of 1e-4 has 10 in 100,000 and leaves 40 a year to save.
        assert worst.saving(rate=1e-4)[0] == pytest.approx(40 * 9.4)
        assert worst.saving() == worst.a_year()
        low, high = worst.saving(times=0.5)[1:]
        # Garwood 1936: 30 faults are a sample of 20.241 to 42.827.
        assert (low, high) == pytest.approx((20.241 * 9.4, 42.827 * 9.4), rel=1e-4)
        with pytest.raises(ValueError, match="not both"):
            worst.saving(times=0.5, rate=1e-4)
        with pytest.raises(ValueError, match="0 or more"):
            worst.saving(times=-1)

    def test_a_bin_that_hardly_fed_is_not_the_middle(self, scan: LogScan) -> None:
        small = Beside("A", 4, 0, 0.1, 1_000, 0)
        beyond = {one.bin: one for one in self.result(scan, *self.BINS, small).beyond}
        assert beyond[3].ordinary == pytest.approx(12)

    def test_no_bin_is_blamed_for_luck(self, scan: LogScan) -> None:
        bins = [Beside("A", n, count, 10, 1e5, 1e5) for n, count in ((1, 8), (2, 10), (3, 14))]
        result = self.result(scan, *bins)
        assert "no bin surely costs more than an ordinary one" in result.sentence()


def test_causes_and_what_none_explains_are_the_total(scan: LogScan) -> None:
    filters = parse_filters(where=["purpose=production"])
    counted = counted_costs(scan, filters)
    causes = (
        Explained("A", 2, "doubles", "worn brush", 2.0, 1.0, 3.0),
        Explained("B", None, "misses", "filter", 3.0, 1.0, 4.0),
    )
    result = price(counted, FIGURES, {}, scan.account(filters), causes=causes)
    found = {one.of["cause"]: one for one in result.by_cause}
    assert found["worn brush"].cost == pytest.approx(18.8)
    assert found["worn brush"].per_sets() == pytest.approx((18.8, 9.4, 28.2))
    # The tower as a whole made 20,000 sets.
    assert found["filter"].per_sets() == pytest.approx((15, 5, 20))
    assert found[""].cost == pytest.approx(126.4 - 18.8 - 30)
    assert found[""].low < found[""].cost < found[""].high


class TestRanges:
    def test_alike_counts_have_the_limits_of_a_count(self) -> None:
        stops = Pricing(Worth(stop=4.0), {}, 0.0, {}, "faults", 0.95)
        line = stops.cost({}, _sums({"A": 10}), 1000)
        # Garwood 1936: 10 faults are a sample of 4.795 to 18.390.
        limits = stats.chi2.ppf([0.025, 0.975], [20, 22]) / 2
        assert (line.low, line.high) == pytest.approx(4 * limits, rel=1e-9)
        assert limits == pytest.approx((4.795, 18.390), abs=5e-4)

    def test_no_fault_at_all_has_an_upper_end(self) -> None:
        stops = Pricing(Worth(stop=4.0), {}, 0.0, {}, "faults", 0.95)
        line = stops.cost({}, _sums({"A": 0}), 1000)
        assert (line.cost, line.low) == (0, 0)
        assert line.high == pytest.approx(4 * -math.log(0.025))

    def test_the_share_of_spoiled_sets_adds_to_the_range(self) -> None:
        # Of 10 sets 2: by Jeffreys' interval 0.044 to 0.504 (here by scipy.stats).
        low, high = stats.beta.ppf([0.025, 0.975], 2.5, 8.5)
        share = Share("A", 2, 8, 0.2, low, high)
        worth = Worth(spoiled=100.0)
        sure = Pricing(worth, {"A": Share("A", 2, 8, 0.2, 0.2, 0.2)}, 0.0, {}, "faults", 0.95)
        unsure = Pricing(worth, {"A": share}, 0.0, {}, "faults", 0.95)
        narrow, wide = (one.cost({}, _sums({"A": 400}), 1) for one in (sure, unsure))
        assert narrow.cost == wide.cost == pytest.approx(8000)
        up = math.hypot(narrow.high - 8000, 400 * 100 * (high - 0.2))
        assert wide.high == pytest.approx(8000 + up)
        down = math.hypot(8000 - narrow.low, 400 * 100 * (0.2 - low))
        assert wide.low == pytest.approx(8000 - down)

    @pytest.mark.parametrize("variation", [0.0, 0.6])
    def test_they_hold_the_true_cost_in_95_of_100_logs(self, variation: float) -> None:
        rng = np.random.default_rng(20310314)
        figures = Costs("", 60, 2, 1, 12, 0.1, 40)
        runs, feeds, rate, later, spoiled = 80, 20_000, 5e-5, 3e-6, 0.15
        truth = runs * feeds * (rate * (2 + (1 - spoiled) + spoiled * 12) + later * 40)
        held, widths = 0, []
        for _ in range(250):
            luck = _gamma(rng, variation, runs)
            faults = rng.poisson(feeds * rate * luck)
            found = int(rng.poisson(feeds * later * luck).sum())
            bad = int(rng.binomial(faults.sum(), spoiled))
            counted = _counted(faults, feeds, found, bad, int(faults.sum()) - bad)
            mean = np.full(runs, faults.mean())
            spread = between_run_variance(faults, mean)[0]
            line = _total(counted, figures, {"A": spread})
            held += line.low <= truth <= line.high
            widths.append((line.high - line.low) / truth)
        # Three standard errors of a share of .95 in 250 are .041.
        assert held / 250 > 0.91
        # As wide as chance alone makes it, and a half more: of the weighted sum of the counts.
        each = [2 + 0.85 + 0.15 * 12, 40]
        means = np.array([runs * feeds * rate, runs * feeds * later])
        variance = (np.square(each) * means).sum() + (truth * variation) ** 2 / runs
        variance += (means[0] * 11) ** 2 * 0.15 * 0.85 / means[0]
        ideal = 2 * 1.96 * math.sqrt(variance) / truth
        assert np.mean(widths) < 1.5 * ideal


def _sums(faults: dict[str, int]) -> Sums:
    return Sums(dict(faults), feeds=1e6)


def _gamma(rng: np.random.Generator, variation: float, size: int) -> np.ndarray:
    return rng.gamma(variation**-2, variation**2, size) if variation else np.ones(size)


def _counted(
    faults: np.ndarray, feeds: int, found_later: int, spoiled: int, mended: int
) -> Counted:
    size = len(faults)
    fed, none = np.full(size, feeds), np.zeros(size, int)
    table = {
        "tower": ["A"] * size,
        "bin": np.ones(size, int),
        "stock": ["X"] * size,
        "of_tower": ["A"] * size,
        "of_run": [str(n) for n in range(size)],
        "rows": np.ones(size, int),
        "feeds": fed,
        "feeds_misses": fed,
        "feeds_doubles": fed,
        "feeds_faults": fed,
        "misses": faults,
        "doubles": none,
        "faults": faults,
        "first": [dt.datetime(2031, 1, 1)] * size,
    }
    day = {"of_tower": ["A"], "of_day": [dt.date(2031, 1, 1)], "sets": [size * feeds]}
    events = {"tower": ["A"], "bin": [1], "stock": ["X"], "found_later": [found_later]}
    return Counted(
        counts=pa.table(table),
        events=pa.table(events),
        stopped=pa.table({"tower": ["A"], "sets_spoiled": [spoiled], "sets_mended": [mended]}),
        sets={
            "tower": pa.table({"tower": ["A"], **day}),
            "bin": pa.table({"tower": ["A"], "bin": [1], **day}),
            "stock": pa.table({"stock": ["X"], **day}),
        },
        lines={},
    )


def _total(counted: Counted, figures: Costs, spread: dict[str, Spread]) -> Cost:
    return pricing(counted, figures, spread, "faults", 0.95).lines(counted, ())[0]
