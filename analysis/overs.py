"""How many spare sheets does this job need?

A job of so many sets needs as many sheets in each of its bins, and some more, since sheets are lost
to faults. How many faults a job meets is chance three times over: the rate of its paper is known
from so many feeds only; runs have their luck, which all bins of a run share (a damp pallet, a
static afternoon); and faults fall by chance within it. The spares given here let a stated share of
such jobs finish: in none of the bins that carry the paper are there more faults than spare sheets.

Each fault is taken to cost a sheet of its bin. That is on the safe side where sets are mended: a
miss, mended, costs none. A set that is spoiled whole takes a sheet of every bin: how many of them
to reckon with is said beside.

References
----------
Aitchison J, Dunsmore IR (1975). Statistical Prediction Analysis. Cambridge University Press: a
prediction is averaged over what the data leave open.
Williams DA (1975). The analysis of binary responses from toxicological experiments involving
reproduction and teratogenicity. Biometrics 31:949-952: the beta-binomial distribution.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from scipy import special

from analysis.counts import Account
from analysis.luck import Luck
from analysis.run_sums import regroup
from analysis.shrinkage import shrunk_benchmark
from analysis.spread import RUNS_FOR_SPREAD, Spread
from analysis.words import many, one, per_10k

FloatArray = NDArray[np.float64]

#: A paper with so many faults, in so many runs, is judged by its own runs alone.
FAULTS_ENOUGH = 30

#: Between-run variation beyond this is taken as this: one bad run in a handful looks like more.
_MOST_VARIATION = 1.5

#: Coefficients of variation between runs that are averaged over.
_OF_VARIATION = 24


@dataclass(frozen=True)
class MakeReady:
    """What set-up takes of each bin before the job begins.

    Attributes
    ----------
    runs : int
        With set-up logged, on this paper.
    median, high : float
        Cycles, and so sheets of each bin, in half of the runs and in 95 % of them.
    """

    runs: int
    median: float
    high: float


@dataclass(frozen=True)
class Overs:
    """The spare sheets of a job.

    Attributes
    ----------
    stock : str
        Its code.
    sets : int
        Of the job.
    tower : str
        Where it runs; empty: on any.
    bins : int
        That carry the stock.
    chance : float
        Share of such jobs that is to finish.
    each : int
        Spare sheets of each bin with which they do: none of the bins runs out.
    finish : float
        Share that does, with these.
    single : int
        Spare sheets with which the same share of jobs finish as far as one bin goes.
    together : int
        Spare sheets for all bins, kept as one pile.
    spoiled : int
        Sets spoiled whole that no more than the rest of such jobs exceed; each takes a sheet of
        every bin.
    spoiled_share : float
        Of stopped sets, that this rests on.
    rate, low, high : float
        Mean faults per feed of such jobs, and the range in which it lies.
    variance : float
        Squared coefficient of variation between runs.
    between_bins : float
        And between bins.
    count, feeds, runs : int
        Faults of this stock, in what was fed of it.
    rests_on : str
        What the rate rests on, in words.
    make_ready : MakeReady or None
        None where no set-up of this stock is logged.
    account : analysis.counts.Account
        The rows it was learnt from.
    """

    stock: str
    sets: int
    tower: str
    bins: int
    chance: float
    each: int
    finish: float
    single: int
    together: int
    spoiled: int
    spoiled_share: float
    rate: float
    low: float
    high: float
    variance: float
    between_bins: float
    count: int
    feeds: int
    runs: int
    rests_on: str
    make_ready: MakeReady | None
    account: Account

    def sentence(self) -> str:
        """Say how many spare sheets are needed."""
        share = f"{100 * self.chance:.4g} %"
        where = f" on tower {self.tower}" if self.tower else ""
        job = f"{many(self.sets, 'set')} of {self.stock}{where}"
        if not self.each:
            bins = "one bin" if self.bins == 1 else f"{self.bins} bins"
            return (
                f"For {job} in {bins}: no spare sheet is needed for {share} of such jobs to finish."
            )
        if self.bins == 1:
            return (
                f"For {job} in one bin: {_sheets(self.each)}, so that {share} of such jobs finish."
            )
        return (
            f"For {job} in {many(self.bins, 'bin')}: {_sheets(self.each)} in each bin, "
            f"{self.each * self.bins:,} in all, so that {share} of such jobs finish; "
            f"kept as one pile, {self.together:,} do for all of them."
        )

    def evidence(self) -> str:
        """Say what that rests on."""
        seen = (
            f"{self.count:,} {one('faults', self.count)} in {self.feeds:,} "
            f"{one('feeds', self.feeds)} of {many(self.runs, 'run')}"
        )
        spread = 100 * float(np.sqrt(self.variance))
        return (
            f"{per_10k(self.rate)} faults per 10,000 feeds ({per_10k(self.low)} to "
            f"{per_10k(self.high)}), by {self.rests_on}: {seen}; from run to run they differ by "
            f"about {spread:.0f} % beyond chance."
        )

    def apart(self) -> str:
        """Say what comes on top: make-ready, and sets that are spoiled whole."""
        share = f"{100 * self.chance:.4g} %"
        whole = "set" if self.spoiled <= 1 else "sets"
        text = (
            f"Sets that are spoiled whole take one more sheet of every bin: {share} of such jobs "
            f"have {f'at most {self.spoiled:,}' if self.spoiled else 'no'} such {whole}."
        )
        if self.make_ready is None:
            return f"{text} Make-ready comes on top; none is logged on {self.stock}."
        runs = many(self.make_ready.runs, "run")
        return (
            f"{text} Make-ready comes on top: "
            f"{many(round(self.make_ready.median), 'sheet')} of each bin in half of the runs, up "
            f"to {self.make_ready.high:.0f} in 95 % ({runs})."
        )


def _sheets(count: int) -> str:
    return many(count, "spare sheet")


def overs(
    stock: str,
    sets: int,
    counts: pa.Table,
    account: Account,
    spread: Mapping[str, Spread],
    *,
    paper: Mapping[str, str],
    tower: str = "",
    bins: int | None = None,
    chance: float = 0.95,
    spoiled_share: float = 0.1,
    set_up: pa.Table | None = None,
) -> Overs:
    """Say how many spare sheets a job needs.

    Parameters
    ----------
    stock : str
        Its paper.
    sets : int
        Of the job, 1 or more.
    counts : pyarrow.Table
        By stock, bin and run, of all stocks where such jobs run; see
        `analysis.counts.LogScan.by_run`.
    account : analysis.counts.Account
        Of these rows; handed on.
    spread : mapping of str to Spread
        By tower, how much runs differ.
    paper : mapping of str to str
        What kind of paper a stock is, in words.
    tower : str
        Where it runs; handed on.
    bins : int, optional
        That carry the stock; as many as mostly do, where absent.
    chance : float
        Share of such jobs that is to finish, above 0 and below 1.
    spoiled_share : float
        Of stopped sets.
    set_up : pyarrow.Table, optional
        Of the same stock, by bin and run, in set-up.

    Raises
    ------
    ValueError
        For sets or bins below 1, a chance that is none, and where nothing was fed at all.

    Notes
    -----
    Faults of a run, over all bins that carry the stock, are beta-binomial in the feeds of these
    bins; within a run, bins differ as a gamma distribution has it. With 30 faults or more in 30
    runs, mean and between-run variance are those of the stock's own runs: the prediction is
    averaged over the variances by their likelihood, and over the mean as a gamma distribution has
    it that stands for as many faults as the runs are worth, and half a fault. With fewer, the mean
    is drawn to those of the other stocks of its kind, or of all (`analysis.shrinkage`), and the
    variance is that of all runs. By simulation 95 % or more of jobs finish
    (`tests/analysis/test_overs.py`).
    """
    if sets < 1 or (bins is not None and bins < 1):
        raise ValueError("sets and bins must be 1 or more")
    if not 0 < chance < 1:
        raise ValueError(f"chance must lie between 0 and 1, not {chance}")
    counts = counts.filter(pc.greater(counts["feeds_faults"], 0))
    if not counts.num_rows:
        raise ValueError("there are no feeds to learn from")
    mine = counts.filter(pc.fill_null(pc.equal(counts["stock"], stock), False))
    faults, feeds = _runs(mine)
    luck, mean, variance, rests_on = _luck(stock, counts, faults, feeds, spread, paper)
    bins = bins or _usual_bins(mine)
    each = luck.spares(sets, bins, chance)
    low, high = special.gammaincinv(mean[0], [0.025, 0.975]) / mean[1]
    return Overs(
        stock=stock,
        sets=sets,
        tower=tower,
        bins=bins,
        chance=chance,
        each=each,
        finish=luck.finish(each, sets, bins),
        single=luck.spares(sets, 1, chance),
        together=luck.spares_together(sets, bins, chance),
        spoiled=luck.thinned(spoiled_share).spares_together(sets, bins, chance),
        spoiled_share=spoiled_share,
        rate=luck.mean,
        low=float(low),
        high=float(high),
        variance=variance,
        between_bins=luck.between_bins,
        count=int(faults.sum()),
        feeds=int(feeds.sum()),
        runs=faults.size,
        rests_on=rests_on,
        make_ready=_make_ready(set_up),
        account=account,
    )


def _runs(counts: pa.Table) -> tuple[FloatArray, FloatArray]:
    """Return faults and feeds of each run, over all bins."""
    if not counts.num_rows:
        return np.zeros(0), np.zeros(0)
    runs = regroup(counts, ())
    return runs["faults"].to_numpy().astype(float), runs["feeds_faults"].to_numpy().astype(float)


def _luck(
    stock: str,
    counts: pa.Table,
    faults: FloatArray,
    feeds: FloatArray,
    spread: Mapping[str, Spread],
    paper: Mapping[str, str],
) -> tuple[Luck, tuple[float, float], float, str]:
    """Return what rates a job may meet; shape and feeds of the mean's gamma; variance; why."""
    if faults.size >= RUNS_FOR_SPREAD and faults.sum() >= FAULTS_ENOUGH:
        of_stock = counts.filter(pc.fill_null(pc.equal(counts["stock"], stock), False))
        between = _between_bins(of_stock)
        variances, means, likely = _variances(faults, feeds)
        parts = [
            Luck.of_job(*mean, variance, between)
            for mean, variance in zip(means, variances, strict=True)
        ]
        variance = float(np.dot(likely, variances))
        return (
            Luck.mixed(parts, likely),
            _mean_of(faults, feeds, variance),
            variance,
            ("its own runs"),
        )
    runs = [one for one in spread.values() if one.expected > 0]
    total = sum(one.expected for one in runs)
    variance = sum(one.allowed * one.expected for one in runs) / total if total else 0.0
    variance = min(variance, _MOST_VARIATION**2)
    mean, rests_on = _borrowed(stock, counts, paper, variance)
    return Luck.of_job(*mean, variance, _between_bins(counts)), mean, variance, rests_on


def _mean_of(faults: FloatArray, feeds: FloatArray, variance: float) -> tuple[float, float]:
    """Return shape and feeds of the gamma distribution of a mean rate, by some runs.

    A run says as much of the mean as its own faults and what all share of their luck let it: the
    likeliest mean of the negative binomial, and its information as a number of faults.
    """
    mean = float(faults.sum() / feeds.sum())
    for _ in range(100 if mean else 0):
        weight = 1 / (1 + variance * mean * feeds)
        new = float(weight @ faults / (weight @ feeds))
        close = abs(new - mean) <= 1e-10 * mean
        mean = new
        if close:
            break
    if not mean:
        return 0.5, float(feeds.sum())
    shape = float((mean * feeds / (1 + variance * mean * feeds)).sum())
    # Half a fault more, as Jeffreys has it: chance is as likely to have hidden some.
    return shape + 0.5, shape / mean


def _variances(
    faults: FloatArray, feeds: FloatArray
) -> tuple[list[float], list[tuple[float, float]], FloatArray]:
    """Return variances between runs, with the mean that goes with each and how likely it is.

    By the likelihood of the negative binomial: at rates like these that of the beta-binomial is the
    same, and takes longer.
    """
    variations = _MOST_VARIATION * (np.arange(_OF_VARIATION) + 0.5) / _OF_VARIATION
    variances = (variations**2).tolist()
    means = [_mean_of(faults, feeds, variance) for variance in variances]
    logs = []
    for variance, (shape, fed) in zip(variances, means, strict=True):
        size, expected = 1 / variance, (shape - 0.5) / fed * feeds
        log = special.gammaln(size + faults) - special.gammaln(size)
        log += special.xlogy(faults, expected / (size + expected))
        logs.append(float((log - size * np.log1p(expected / size)).sum()))
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    some = np.flatnonzero(weights > 1e-4)
    return [variances[n] for n in some], [means[n] for n in some], weights[some]


def _between_bins(counts: pa.Table) -> float:
    """Return the squared coefficient of variation between bins of one tower."""
    noted = counts.filter(pc.is_valid(counts["bin"]))
    if not noted.num_rows:
        return 0.0
    table = noted.group_by(["of_tower", "bin"]).aggregate(
        [("faults", "sum"), ("feeds_faults", "sum")]
    )
    faults, feeds = (table[f"{n}_sum"].to_numpy().astype(float) for n in ("faults", "feeds_faults"))
    if faults.size < 2 or not faults.sum():
        return 0.0
    shape = shrunk_benchmark(faults, feeds).shape
    return 0.0 if np.isinf(shape) else min(1 / shape, _MOST_VARIATION**2)


def _borrowed(
    stock: str, counts: pa.Table, paper: Mapping[str, str], variance: float
) -> tuple[tuple[float, float], str]:
    """Return the mean of a stock with few faults, drawn to those of stocks like it; and by what."""
    named = counts.filter(pc.is_valid(counts["stock"]))
    runs = regroup(named, ("stock",)) if named.num_rows else named
    names = np.array(runs["stock"].to_pylist(), object)
    faults = runs["faults"].to_numpy().astype(float)
    feeds = runs["feeds_faults"].to_numpy().astype(float)
    others = [name for name in sorted(set(names)) if name != stock]
    alike = [name for name in others if stock in paper and paper.get(name) == paper[stock]]
    words = f"its own runs and those of other papers like it ({paper.get(stock, '')})"
    if faults[np.isin(names, alike)].sum() < FAULTS_ENOUGH:
        alike, words = others, "its own runs and those of all other papers"
    own = names == stock
    if faults[np.isin(names, alike)].sum() == 0:
        every = own if own.any() else np.ones(names.size, bool)
        if not every.any():
            return _mean_of(*_runs(counts), variance), "all runs, since no stock is named"
        return _mean_of(faults[every], feeds[every], variance), "its own runs"
    # Clusters make each stock's faults say less, as they do for a rate.
    sums = []
    for name in (stock, *alike):
        here = names == name
        if here.any():
            shape, fed = _mean_of(faults[here], feeds[here], variance)
            sums.append((shape - 0.5, fed))
        else:
            sums.append((0.0, 0.0))
    shrunk = shrunk_benchmark(*np.array(sums).T)
    if not own.any():
        words = words.replace("its own runs and ", "")
    return (float(shrunk.effective_faults[0]), float(shrunk.effective_feeds[0])), words


def _usual_bins(counts: pa.Table) -> int:
    """Return how many bins of a run mostly carry the stock; 1 where it has not run."""
    noted = counts.filter(pc.is_valid(counts["bin"])) if counts.num_rows else counts
    if not noted.num_rows:
        return 1
    table = noted.group_by(["of_tower", "of_run"]).aggregate([("bin", "count_distinct")])
    return int(np.median(table["bin_count_distinct"].to_numpy()))


def _make_ready(set_up: pa.Table | None) -> MakeReady | None:
    if set_up is None or not set_up.num_rows:
        return None
    table = set_up.group_by(["of_tower", "of_run"]).aggregate([("feeds", "max")])
    cycles = table["feeds_max"].to_numpy()
    cycles = cycles[cycles > 0]
    if not cycles.size:
        return None
    return MakeReady(cycles.size, *np.quantile(cycles, [0.5, 0.95]).tolist())
