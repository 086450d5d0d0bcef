"""How many spare sheets a job needs: published and library values, and jobs drawn from a truth."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest
from scipy import optimize, stats

from analysis import answers
from analysis.counts import Account, LogScan
from analysis.filters import FilterError
from analysis.luck import Luck
from analysis.overs import Overs, overs
from analysis.store import Store
from analysis.tower_spreads import spreads
from tests.conftest import read, run_log

NOTHING = Account(0, 0, 0, None, None)


class TestLuck:
    def test_one_bin_alone_is_the_beta_binomial(self) -> None:
        # scipy.stats.betabinom: mean 2.4e-4, correlation so that runs vary by 50 %.
        mean, variance, sets = 2.4e-4, 0.25, 12_000
        rho = variance * mean / (1 - mean)
        a, b = mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho
        luck = Luck.of_runs(mean, variance)
        for spares in (0, 1, 3, 6, 10):
            expected = stats.betabinom.cdf(spares, sets, a, b)
            assert luck.finish(spares, sets, 1) == pytest.approx(expected, abs=2e-6)
        for chance in (0.5, 0.8, 0.95, 0.99):
            assert luck.spares(sets, 1, chance) == stats.betabinom.ppf(chance, sets, a, b)

    def test_it_holds_for_the_rats_of_the_book(self) -> None:
        # Weil 1970 in Williams 1975, Biometrics 31:949: control litters, live pups among born;
        # published mean .898 and theta .021 (a 43.56, b 4.95). Of ten pups 10 live in 44 %.
        # Mean and correlation with all digits are computed by another program.
        mean, rho = 0.897976, 0.020196
        luck = Luck.of_runs(mean, rho * (1 - mean) / mean)
        for most in range(5, 10):
            expected = stats.betabinom.cdf(most, 10, 43.564, 4.9496)
            assert luck.finish(most, 10, 1) == pytest.approx(expected, abs=2e-5)

    def test_bins_that_differ_are_the_negative_binomial(self) -> None:
        luck = Luck.of_runs(1e-4, 0.0, between_bins=0.4)
        for spares in (0, 2, 5):
            # Mean 3, size 2.5.
            expected = stats.nbinom.cdf(spares, 2.5, 2.5 / 5.5)
            assert luck.finish(spares, 30_000, 1) == pytest.approx(expected, rel=1e-9)
            # Nothing shared: five bins are five draws, and their sum has five times the size.
            assert luck.finish(spares, 30_000, 5) == pytest.approx(expected**5, rel=1e-9)
            together = stats.nbinom.cdf(spares, 12.5, 2.5 / 5.5)
            assert luck.finish_together(spares, 30_000, 5) == pytest.approx(together, rel=1e-9)

    def test_bins_of_a_run_share_its_luck(self) -> None:
        rng = np.random.default_rng(7)
        mean, variance, sets, bins = 1.5e-4, 0.5, 10_000, 8
        rate = rng.gamma(1 / variance, variance * mean, 200_000)
        faults = rng.poisson(rate[:, None] * sets, (rate.size, bins))
        luck = Luck.of_runs(mean, variance)
        for spares in (2, 4, 6):
            # Three standard errors of a share in 200,000 are .0034.
            drawn = np.mean(faults.max(axis=1) <= spares)
            assert luck.finish(spares, sets, bins) == pytest.approx(drawn, abs=0.0034)
        for spares in (8, 16, 28):
            drawn = np.mean(faults.sum(axis=1) <= spares)
            assert luck.finish_together(spares, sets, bins) == pytest.approx(drawn, abs=0.0034)
        # Bins that took no notice of one another would need more for all of them.
        alone = luck.finish(4, sets, 1)
        assert luck.finish(4, sets, bins) > alone**bins + 0.05

    def test_a_mean_that_is_not_known_is_a_negative_binomial_too(self) -> None:
        # Gamma shape 3 for 40,000 feeds: 8,000 more have a negative binomial of size 3.
        luck = Luck.of_job(3.0, 40_000, 0.0)
        for spares in (0, 1, 3):
            expected = stats.nbinom.cdf(spares, 3, 40_000 / 48_000)
            assert luck.finish(spares, 8_000, 1) == pytest.approx(expected, abs=2e-4)

    def test_spares_are_the_fewest_that_do(self) -> None:
        luck = Luck.of_runs(3e-4, 0.3, 0.1)
        for bins in (1, 6):
            fewest = luck.spares(40_000, bins, 0.95)
            assert luck.finish(fewest, 40_000, bins) >= 0.95 > luck.finish(fewest - 1, 40_000, bins)

    def test_more_spares_than_sheets_are_always_enough(self) -> None:
        assert Luck.of_runs(0.4, 0.0).finish(3, 3, 1) == 1.0

    def test_a_share_of_the_faults_is_fewer(self) -> None:
        thin = Luck.of_runs(4e-4, 0.0).thinned(0.25)
        expected = stats.binom.ppf(0.95, 50_000, 1e-4)
        assert thin.spares_together(10_000, 5, 0.95) == expected


def drawn_log(
    rng: np.random.Generator,
    rates: Mapping[str, float],
    runs: Mapping[str, int],
    *,
    variance: float,
    bins: int = 4,
    feeds: int = 8_000,
) -> pa.Table:
    """Draw runs of some papers whose bins share the run's luck."""
    rows = []
    for stock, count in runs.items():
        luck = rng.gamma(1 / variance, variance, count)
        faults = rng.poisson(feeds * rates[stock] * luck[:, None], (count, bins))
        rows += [
            (stock, bin + 1, f"{stock}{run}", int(faults[run, bin]))
            for run in range(count)
            for bin in range(bins)
        ]
    stocks, numbers, names, faults = zip(*rows, strict=True)
    size = len(rows)
    fed, nothing = np.full(size, feeds), np.zeros(size, int)
    return pa.table(
        {
            "stock": stocks,
            "bin": numbers,
            "of_tower": ["A"] * size,
            "of_run": names,
            "rows": np.ones(size, int),
            "feeds": fed,
            "feeds_misses": fed,
            "feeds_doubles": fed,
            "feeds_faults": fed,
            "misses": faults,
            "doubles": nothing,
            "faults": faults,
            "first": [dt.datetime(2031, 1, 1)] * size,
        }
    )


def needed(counts: pa.Table, stock: str = "X", sets: int = 10_000, **more: object) -> Overs:
    paper = {"X": "coated and toner", "V": "coated and toner", "W": "silk"}
    options = {"paper": paper, **more}
    return overs(stock, sets, counts, NOTHING, spreads(counts, "faults"), **options)  # type: ignore[arg-type]


class TestJobsDrawnFromATruth:
    #: Mean faults per feed, and how runs vary: 71 % beyond chance.
    RATE, VARIANCE, SETS, BINS = 1.2e-4, 0.5, 15_000, 4

    def chances(self, logs: int, runs: int, **more: float) -> tuple[list[float], list[int]]:
        """Return which share of true jobs would finish with the spares, log by log."""
        rng = np.random.default_rng(20310106)
        truth = Luck.of_runs(self.RATE, self.VARIANCE)
        share, spares = [], []
        for _ in range(logs):
            log = drawn_log(rng, {"X": self.RATE}, {"X": runs}, variance=self.VARIANCE)
            found = needed(log, sets=self.SETS)
            assert found.bins == self.BINS
            spares.append(found.each)
            share.append(truth.finish(found.each, self.SETS, self.BINS))
        return share, spares

    def test_the_truth_itself_is_right(self) -> None:
        # By draws, and not by the code that is tested.
        rng = np.random.default_rng(3)
        rate = rng.gamma(1 / self.VARIANCE, self.VARIANCE * self.RATE, 100_000)
        worst = rng.poisson(self.SETS * rate[:, None], (rate.size, self.BINS)).max(axis=1)
        truth = Luck.of_runs(self.RATE, self.VARIANCE)
        assert truth.spares(self.SETS, self.BINS, 0.95) == np.quantile(worst, 0.95)

    def test_a_large_log_asks_for_what_is_needed_and_hardly_more(self) -> None:
        share, spares = self.chances(8, 500)
        assert min(share) >= 0.94
        assert np.mean(share) >= 0.95
        truth = Luck.of_runs(self.RATE, self.VARIANCE).spares(self.SETS, self.BINS, 0.95)
        assert max(spares) <= truth + 1

    def test_a_small_log_lets_as_many_finish(self) -> None:
        share, _ = self.chances(40, 30)
        assert np.mean(share) >= 0.95


class TestWhatItRestsOn:
    def rng(self) -> np.random.Generator:
        return np.random.default_rng(11)

    def test_with_faults_enough_its_own_runs(self) -> None:
        log = drawn_log(self.rng(), {"X": 1e-4}, {"X": 60}, variance=0.2)
        found = needed(log)
        assert found.rests_on == "its own runs"
        assert found.low < found.rate < found.high
        assert (found.runs, found.feeds) == (60, 60 * 4 * 8_000)

    def test_the_spread_of_its_runs_is_that_of_the_beta_binomial(self) -> None:
        log = drawn_log(self.rng(), {"X": 4e-4}, {"X": 60}, variance=0.3, bins=2)
        by_run = log.group_by("of_run").aggregate([("faults", "sum"), ("feeds", "sum")])
        faults, feeds = (by_run[f"{name}_sum"].to_numpy() for name in ("faults", "feeds"))

        def unlikely(point: np.ndarray) -> float:
            mean, size = np.exp(point)
            return -float(
                stats.betabinom.logpmf(faults, feeds, mean * size, (1 - mean) * size).sum()
            )

        best = optimize.minimize(unlikely, [-8, 9], method="Nelder-Mead", options={"xatol": 1e-3})
        mean, size = np.exp(best.x)
        variance = (1 - mean) / mean / (size + 1)
        found = needed(log)
        # The one is the likeliest, the other a mean over the likely ones, which is a little more.
        assert variance < found.variance < 1.25 * variance
        assert found.rate == pytest.approx(mean, rel=0.01)

    def test_with_few_those_of_papers_like_it(self) -> None:
        rates = {"X": 1e-4, "V": 2e-4, "W": 1e-5}
        log = drawn_log(self.rng(), rates, {"X": 2, "V": 60, "W": 60}, variance=0.2)
        found = needed(log)
        assert found.rests_on == (
            "its own runs and those of other papers like it (coated and toner)"
        )
        # One other paper says little of how much papers differ: between its own and that.
        own = found.count / found.feeds
        assert min(own, 2e-4) * 0.8 < found.rate < max(own, 2e-4) * 1.2

    def test_a_paper_that_never_ran_is_as_the_others(self) -> None:
        log = drawn_log(self.rng(), {"V": 2e-4, "W": 1e-4}, {"V": 80, "W": 80}, variance=0.2)
        found = needed(log, "new")
        assert found.rests_on == "those of all other papers"
        assert (found.count, found.feeds, found.bins) == (0, 0, 1)
        assert found.low < 1e-4 < found.high
        # Less is known of it, so it needs more than a paper that ran.
        assert found.each > needed(log, "V", bins=1).each

    def test_one_paper_alone_with_few_faults(self) -> None:
        log = drawn_log(self.rng(), {"X": 5e-5}, {"X": 5}, variance=0.2)
        found = needed(log)
        assert found.rests_on == "its own runs"
        assert found.each >= 1

    def test_no_fault_at_all_still_asks_for_spares(self) -> None:
        log = drawn_log(self.rng(), {"X": 0.0}, {"X": 5}, variance=0.2)
        assert needed(log, sets=100_000).each >= 1
        assert "0 faults in 160,000 feeds of 5 runs" in needed(log).evidence()

    @pytest.mark.parametrize(
        "wrong", [{"sets": 0}, {"bins": 0}, {"chance": 1.0}, {"chance": 0.0}], ids=str
    )
    def test_what_cannot_be_is_refused(self, wrong: dict[str, int]) -> None:
        log = drawn_log(self.rng(), {"X": 1e-4}, {"X": 3}, variance=0.2)
        with pytest.raises(ValueError, match="must"):
            needed(log, **wrong)  # type: ignore[arg-type]


HEADER = (
    "run,stretch,started,tower,bin,cycles,misses,doubles,purpose,stock,sets_spoiled,sets_mended"
)


def small_log() -> bytes:
    lines = [
        f"{run},2,2031-03-{run:02d}T08:00,A,{bin},9000,{int(bin == 1)},0,,BO90,"
        + ("1,3" if bin == 1 else ",")
        for run in range(1, 12)
        for bin in (1, 2, 3)
    ]
    # Make-ready of 40 to 50 cycles in eleven runs; of all bins, so that a bin's count is the run's.
    lines += [
        f"{run},1,2031-03-{run:02d}T07:00,A,{bin},{39 + run},0,0,set-up,BO90,,"
        for run in range(1, 12)
        for bin in (1, 2, 3)
    ]
    return run_log(*lines, header=HEADER)


class TestFromALog:
    @pytest.fixture
    def scan(self, store: Store) -> LogScan:
        store.add(read(small_log()))
        store.add(read(b"stock,coating,printed_by\nBO90,uncoated,offset\nBO100,silk,toner\n"))
        return LogScan(store.snapshot())

    def test_make_ready_and_spoiled_sets_stand_apart(self, scan: LogScan) -> None:
        found = answers.overs(scan, "BO90", 5_000)
        assert (found.bins, found.count, found.runs) == (3, 11, 11)
        ready = found.make_ready
        assert ready is not None
        # Of 40, 41 ... 50 the middle is 45, and 95 % lie below 49.5.
        assert (ready.runs, ready.median, ready.high) == (11, 45, 49.5)
        # Of each run's four stopped sets one.
        assert found.spoiled_share == 0.25
        assert "in 3 bins" in found.sentence()
        none = replace(found, sets=1, each=0, together=0)
        assert none.sentence() == (
            "For 1 set of BO90 in 3 bins: no spare sheet is needed for 95 % of such jobs to finish."
        )
        assert "45 sheets of each bin in half of the runs" in found.apart()

    def test_a_listed_paper_that_never_ran_is_answered(self, scan: LogScan) -> None:
        found = answers.overs(scan, "BO100", 5_000, bins=2)
        assert (found.feeds, found.bins) == (0, 2)
        assert found.make_ready is None
        assert "none is logged on BO100" in found.apart()

    def test_a_paper_that_nobody_knows_is_refused_with_the_nearest(self, scan: LogScan) -> None:
        with pytest.raises(FilterError, match="no stock bo9 in the log; the nearest are BO100 and"):
            answers.overs(scan, "bo9", 5_000)
        with pytest.raises(FilterError, match="no stock zzz in the log; it has BO100 and BO90"):
            answers.overs(scan, "zzz", 5_000)
        with pytest.raises(FilterError, match="no tower Z in the log; it has A"):
            answers.overs(scan, "BO90", 5_000, tower="Z")

    def test_a_log_without_production_is_refused(self, store: Store) -> None:
        store.add(read(run_log("1,1,2031-03-01T08:00,A,1,9,0,0,set-up,BO90,,", header=HEADER)))
        with pytest.raises(FilterError, match="no feeds of production to learn from"):
            answers.overs(LogScan(store.snapshot()), "BO90", 5_000)
