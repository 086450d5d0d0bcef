"""What is the fault rate, and how sure are we?

Counts per group and run go in; each group comes out with its rate, an interval that holds if
faults fall singly, and a wider one that holds when they come in clusters, as a damp pallet or a
static afternoon makes them do.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from analysis.counts import Account
from analysis.intervals import interval
from analysis.log_format import FAULT_KINDS
from analysis.spread import (
    RUNS_FOR_SPREAD,
    PearsonDispersion,
    Spread,
    TaroneTest,
    between_run_variance,
    pearson_dispersion,
    relative_variance_by_group,
    tarone_z,
    widened_interval,
    widening,
)
from analysis.sums import RUN_SUMS, SUMMED
from analysis.words import one, per_10k

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Rate:
    """A fault rate and how far it may be off.

    Attributes
    ----------
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    count, feeds, runs : int
        Faults, the feeds that were watched for them, and the runs they fell in.
    rate : float or None
        Faults per feed; None where nothing was fed (or only faults whose bin was not noted).
    low, high : float
        Interval if faults fall singly.
    dispersion : float
        How many times the variance of the count is that of faults falling singly.
    wide_low, wide_high : float
        Interval that allows for clusters; the one to read.
    confidence : float
        Of both intervals.
    method : str
        Of both intervals.
    spread_known : bool
        Whether the log holds enough runs (30) to tell the spread between runs.
    """

    kind: str
    count: int
    feeds: int
    runs: int
    rate: float | None
    low: float
    high: float
    dispersion: float
    wide_low: float
    wide_high: float
    confidence: float = 0.95
    method: str = "exact"
    spread_known: bool = True

    def sentence(self, *, singly: bool = False) -> str:
        """Say the rate in words, per 10,000 feeds; ``singly`` as if faults fell singly."""
        if self.rate is None and self.count:
            return (
                f"{self.count:,} {one(self.kind, self.count)} without a bin noted, so without "
                "feeds to hold against: there is no rate."
            )
        if self.rate is None:
            return f"No feeds were watched for {self.kind} here, so there is no rate."
        low, high = (self.low, self.high) if singly else (self.wide_low, self.wide_high)
        return (
            f"{per_10k(self.rate)} {self.kind} per 10,000 feeds "
            f"({per_10k(low)} to {per_10k(high)}), "
            f"{self.count:,} in {self.feeds:,} {one('feeds', self.feeds)}."
        )


@dataclass(frozen=True)
class RatesResult:
    """Fault rates of groups.

    Attributes
    ----------
    groups : pyarrow.Table
        One row a group, in the order of the groups: the columns of ``by``, ``runs``, ``feeds``,
        ``count``, ``rate`` (null without feeds), ``low``, ``high``, ``dispersion``, ``wide_low``,
        ``wide_high``.
    total : Rate
        Of all groups together.
    by : tuple of str
        What the groups are split by.
    kind, method, confidence
        As asked.
    spread : mapping of str to Spread
        How much runs differ, by tower.
    clustering : mapping of str to Clustering
        Other looks at it, by tower.
    account : analysis.counts.Account
        The rows that were counted.
    """

    groups: pa.Table
    total: Rate
    by: tuple[str, ...]
    kind: str
    method: str
    confidence: float
    spread: Mapping[str, Spread]
    clustering: Mapping[str, Clustering]
    account: Account

    def sentence(self, *, singly: bool = False) -> str:
        """Say the whole in words, and whether the ranges can allow for clusters."""
        if not self.account.rows:
            return "No rows of the log are in this filter; widen it."
        text = self.total.sentence(singly=singly)
        if not self.total.spread_known and not singly:
            text += (
                f" The log has fewer than {RUNS_FOR_SPREAD} runs, so the spread between them is "
                "unknown and the ranges are on the safe side."
            )
        return text


def regroup(counts: pa.Table, by: Sequence[str]) -> pa.Table:
    """Sum counts by run into coarser groups.

    Parameters
    ----------
    counts : pyarrow.Table
        As `analysis.counts.LogScan.by_run` gives them.
    by : sequence of str
        Some of its groups.

    Returns
    -------
    pyarrow.Table
        The same columns with the fewer groups, sorted.
    """
    keys = [*by, "of_tower", "of_run"]
    summed = counts.group_by(keys).aggregate([*((n, "sum") for n in SUMMED), ("first", "min")])
    names = [
        name.removesuffix("_sum") if name != "first_min" else "first"
        for name in summed.column_names
    ]
    return summed.rename_columns(names).sort_by([(key, "ascending") for key in keys])


def summed_runs(counts: pa.Table, by: Sequence[str]) -> pa.Table:
    """Sum counts by run into what `analysis.counts.LogScan.sums` gives, but for first and last.

    Parameters
    ----------
    counts : pyarrow.Table
        As `analysis.counts.LogScan.by_run` gives them.
    by : sequence of str
        Some of its groups.
    """
    runs = regroup(counts, by)
    for kind in FAULT_KINDS:
        feeds = runs[f"feeds_{kind}"]
        watched = pc.or_(pc.greater(feeds, 0), pc.greater(runs[kind], 0))
        runs = runs.append_column(f"runs_{kind}", pc.cast(watched, pa.int64()))
        squares = pc.multiply(pc.cast(feeds, pa.float64()), pc.cast(feeds, pa.float64()))
        runs = runs.append_column(f"squares_{kind}", squares)
    keys, names = [*by, "of_tower"], [*SUMMED, *RUN_SUMS]
    summed = runs.group_by(keys).aggregate([*((n, "sum") for n in names), ("of_run", "count")])
    called = {**{f"{name}_sum": name for name in names}, "of_run_count": "runs"}
    summed = summed.rename_columns([called.get(name, name) for name in summed.column_names])
    return summed.sort_by([(key, "ascending") for key in keys])


def spreads(counts: pa.Table, kind: str, *, confidence: float = 0.95) -> dict[str, Spread]:
    """Say how much the runs of each tower differ beyond chance.

    What is expected of a run is its tower's rate, whatever the groups that are shown: so one log
    has one spread, and a total one range however it is split. Paper and air differ between runs as
    well, so the spread holds what they bring, and ranges of one stock alone are on the safe side.

    Parameters
    ----------
    counts : pyarrow.Table
        Counts by run over the whole log, in any groups; see `analysis.counts.LogScan.by_run`.
    kind : str
        Kind of fault.
    confidence : float
        Of the intervals to be widened.

    Returns
    -------
    dict of str to Spread
        By tower; a tower that nothing watched for this kind is left out.
    """
    runs = _watched_runs(counts, kind)
    found = (
        between_run_variance(runs.faults, runs.expected, runs.tower, confidence=confidence)
        if len(runs.names)
        else ()
    )
    return dict(zip(runs.names, found, strict=True))


@dataclass(frozen=True)
class Clustering:
    """Two further looks at how much the runs of a tower differ; reported, not used.

    Attributes
    ----------
    pearson : PearsonDispersion
        Chi-square per degree of freedom.
    tarone : TaroneTest
        Tarone's 1979 test of one rate for all runs.
    """

    pearson: PearsonDispersion
    tarone: TaroneTest


def clustering(counts: pa.Table, kind: str) -> dict[str, Clustering]:
    """Test, tower by tower, whether runs differ beyond chance; parameters as of `spreads`."""
    runs = _watched_runs(counts, kind)
    return {
        name: Clustering(
            pearson_dispersion(runs.faults[runs.tower == t], runs.expected[runs.tower == t]),
            tarone_z(runs.faults[runs.tower == t], runs.feeds[runs.tower == t]),
        )
        for t, name in enumerate(runs.names)
    }


@dataclass(frozen=True)
class _Runs:
    """One entry per tower and run that was watched; towers by number into their names."""

    names: tuple[str, ...]
    tower: npt.NDArray[np.intp]
    feeds: FloatArray
    faults: FloatArray
    expected: FloatArray


def _watched_runs(counts: pa.Table, kind: str) -> _Runs:
    # Without a group there is one row a run already.
    grouped = counts.num_rows and set(counts.column_names) - {
        *SUMMED,
        "of_tower",
        "of_run",
        "first",
    }
    whole = regroup(counts, ()) if grouped else counts
    # Runs in which nothing was watched for this kind say nothing of it, and faults whose bin was
    # not noted, alone in their run, have no feeds to be held against.
    feeds, faults = _floats(whole[f"feeds_{kind}"]), _floats(whole[kind])
    kept = feeds >= np.maximum(faults, 1)
    towers = whole["of_tower"].filter(pa.array(kept)).combine_chunks().dictionary_encode()
    found = np.array(towers.dictionary.to_pylist(), object).astype(str)
    names, rank = np.unique(found, return_inverse=True)
    tower = rank[towers.indices.to_numpy()] if len(rank) else np.array([], np.intp)
    feeds, faults = feeds[kept], faults[kept]
    fed, seen = np.bincount(tower, feeds), np.bincount(tower, faults)
    rate = np.divide(seen, fed, out=np.zeros(len(names)), where=fed > 0)
    return _Runs(
        tuple(str(name) for name in names),
        tower.astype(np.intp),
        feeds,
        faults,
        rate[tower] * feeds,
    )


def rates(
    counts: pa.Table,
    by: Sequence[str],
    kind: str,
    account: Account,
    spread: Mapping[str, Spread],
    *,
    method: str = "exact",
    confidence: float = 0.95,
) -> RatesResult:
    """Give the rate of each group with its intervals.

    Parameters
    ----------
    counts : pyarrow.Table
        Counts by run, grouped by ``by``; see `analysis.counts.LogScan.by_run`.
    by : sequence of str
        The groups.
    kind : str
        Kind of fault.
    account : analysis.counts.Account
        Of the rows counted; handed on.
    spread : mapping of str to Spread
        By tower, from `spreads` over the whole log.
    method, confidence
        Of the intervals; see `analysis.intervals`.

    Raises
    ------
    ValueError
        For an unknown method or a confidence outside 0 to 1.

    Notes
    -----
    The wide interval is that of the effective sample (Rao and Scott 1992); `analysis.spread` says
    how the dispersion comes about.
    """
    by = tuple(by)
    table = group_rates(counts, by, kind, spread, method=method, confidence=confidence)
    total = pooled(counts, kind, spread, method=method, confidence=confidence)
    return RatesResult(
        groups=table,
        total=total,
        by=by,
        kind=kind,
        method=method,
        confidence=confidence,
        spread=spread,
        clustering=clustering(counts, kind),
        account=account,
    )


def group_rates(
    counts: pa.Table,
    by: Sequence[str],
    kind: str,
    spread: Mapping[str, Spread],
    *,
    method: str = "exact",
    confidence: float = 0.95,
) -> pa.Table:
    """Give the rate of each group with its intervals, and nothing of all of them together.

    Parameters
    ----------
    counts, by, kind, spread, method, confidence
        As of `rates`; the counts may be sums of runs, as of `analysis.counts.LogScan.sums`.

    Returns
    -------
    pyarrow.Table
        As the groups of `RatesResult`.

    Raises
    ------
    ValueError
        As `rates`.
    """
    group = (
        _joint([_codes(counts[name]) for name in by]) if by else np.zeros(counts.num_rows, np.intp)
    )
    # Groups come sorted, so the first row of each tells what it is called.
    order, first = np.unique(group, return_index=True)
    rank = np.empty(len(order), np.intp)
    rank[np.argsort(first)] = np.arange(len(order))
    group = rank[np.searchsorted(order, group)]
    first = np.sort(first)
    of = _Summed.of if "of_run" in counts.column_names else _Summed.of_sums
    summed = of(counts, group, len(first), kind, spread)
    table = {name: counts[name].take(pa.array(first)) for name in by}
    if not by and not counts.num_rows:
        summed = _Summed.nothing()
    low, high = interval(summed.inside, summed.feeds, confidence=confidence, method=method)
    wide_low, wide_high = widened_interval(
        summed.inside, summed.feeds, summed.relative, confidence=confidence, method=method
    )
    phi = widening(summed.inside, summed.relative, confidence=confidence)
    table |= {
        "runs": pa.array(summed.runs),
        "feeds": pa.array(summed.feeds),
        "count": pa.array(summed.count),
        "rate": pa.array(summed.rate, mask=~summed.told),
        "low": pa.array(np.atleast_1d(low)),
        "high": pa.array(np.atleast_1d(high)),
        "dispersion": pa.array(np.atleast_1d(phi)),
        "wide_low": pa.array(np.atleast_1d(wide_low)),
        "wide_high": pa.array(np.atleast_1d(wide_high)),
    }
    return pa.table(table)


def pooled(
    counts: pa.Table,
    kind: str,
    spread: Mapping[str, Spread],
    *,
    method: str = "exact",
    confidence: float = 0.95,
) -> Rate:
    """Give the rate of all rows of some counts together; parameters as of `rates`."""
    whole = regroup(counts, ()) if counts.num_rows else counts
    summed = (
        _Summed.of(whole, np.zeros(whole.num_rows, np.intp), 1, kind, spread)
        if whole.num_rows
        else _Summed.nothing()
    )
    towers = set(whole["of_tower"].to_pylist()) if whole.num_rows else set()
    known = np.array([_known(towers, spread)])
    return _told(summed, kind, known, method=method, confidence=confidence)[0]


def pooled_sums(
    sums: pa.Table,
    kind: str,
    spread: Mapping[str, Spread],
    *,
    method: str = "exact",
    confidence: float = 0.95,
) -> Rate:
    """Give the rate of all towers of some sums together, as `pooled` does from counts by run.

    Parameters
    ----------
    sums : pyarrow.Table
        A row per tower; see `analysis.counts.LogScan.sums`.
    kind, spread, method, confidence
        As of `rates`.
    """
    every = np.zeros(sums.num_rows, np.intp)
    summed = _Summed.of_sums(sums, every, 1, kind, spread)
    known = np.array([_known(sums["of_tower"].to_pylist(), spread)])
    return _told(summed, kind, known, method=method, confidence=confidence)[0]


def rates_of(
    kind: str,
    count: npt.NDArray[np.int64],
    feeds: npt.NDArray[np.int64],
    runs: npt.NDArray[np.int64],
    relative: FloatArray,
    known: npt.NDArray[np.bool_],
    *,
    method: str = "exact",
    confidence: float = 0.95,
) -> list[Rate]:
    """Give the rate of each of many places at once.

    Parameters
    ----------
    kind : str
        Of fault.
    count, feeds, runs : int array, shape (n,)
        Faults, feeds that were watched for them, and runs.
    relative : float array, shape (n,)
        How uncertain clusters make each count; see `analysis.spread.relative_variance_by_group`.
    known : bool array, shape (n,)
        Whether the spread between runs is known.
    method, confidence
        As of `rates`.
    """
    summed = _Summed(count, feeds, runs, relative)
    return _told(summed, kind, known, method=method, confidence=confidence)


def _known(towers: Iterable[str], spread: Mapping[str, Spread]) -> bool:
    return all(spread[tower].known for tower in towers if tower in spread)


def _told(
    summed: _Summed,
    kind: str,
    known: npt.NDArray[np.bool_],
    *,
    method: str,
    confidence: float,
) -> list[Rate]:
    """Give the rate of each group, with its intervals."""
    low, high = interval(summed.inside, summed.feeds, confidence=confidence, method=method)
    wide = widened_interval(
        summed.inside, summed.feeds, summed.relative, confidence=confidence, method=method
    )
    phi = np.atleast_1d(widening(summed.inside, summed.relative, confidence=confidence))
    told, rate = summed.told, summed.rate
    return [
        Rate(
            kind=kind,
            count=int(summed.count[i]),
            feeds=int(summed.feeds[i]),
            runs=int(summed.runs[i]),
            rate=float(rate[i]) if told[i] else None,
            low=float(low[i]),
            high=float(high[i]),
            dispersion=float(phi[i]),
            wide_low=float(wide[0][i]),
            wide_high=float(wide[1][i]),
            confidence=confidence,
            method=method,
            spread_known=bool(known[i]),
        )
        for i in range(len(summed.count))
    ]


def counted(counts: pa.Table, kind: str) -> tuple[int, int]:
    """Give the faults of all rows together and the feeds that were watched for them.

    As those of `pooled`, without the ranges, which take most of its time.
    """
    faults, feeds = counts[kind].to_numpy(), counts[f"feeds_{kind}"].to_numpy()
    return int(faults.sum()), int(feeds.sum())


def relative_variance(
    counts: pa.Table, kind: str, spread: Mapping[str, Spread], *, estimated: bool = False
) -> float:
    """Say how uncertain clusters make the sum of some counts; parameters as of `rates`.

    Parameters
    ----------
    counts, kind, spread
        As in `rates`.
    estimated : bool
        With the spread as it is estimated; otherwise with its allowance for few runs, as ranges
        have it. A plan for more runs takes the estimate: the allowance goes as they come in.

    Returns
    -------
    float
        Squared coefficient of variation, as `analysis.ratios.ratio` takes it; 0 without feeds.
    """
    if not counts.num_rows:
        return 0.0
    whole = regroup(counts, ())
    one = np.zeros(whole.num_rows, np.intp)
    variance = allowed(whole["of_tower"].to_pylist(), spread, estimated=estimated)
    feeds = whole[f"feeds_{kind}"].to_numpy()
    return float(relative_variance_by_group(feeds, one, variance, 1)[0])


@dataclass(frozen=True)
class _Summed:
    """Sums by group, and what the intervals need beside them."""

    count: npt.NDArray[np.int64]
    feeds: npt.NDArray[np.int64]
    runs: npt.NDArray[np.int64]
    relative: FloatArray

    @property
    def told(self) -> npt.NDArray[np.bool_]:
        """Groups that have a rate: something was fed, and no more faults than feeds."""
        told: npt.NDArray[np.bool_] = (self.feeds > 0) & (self.count <= self.feeds)
        return told

    @property
    def rate(self) -> FloatArray:
        return np.divide(self.count, self.feeds, out=np.zeros(len(self.count)), where=self.told)

    @property
    def inside(self) -> npt.NDArray[np.int64]:
        # Faults whose bin was not noted can outnumber the feeds of their group (none): such a
        # group proves nothing, and its interval is that of no feeds.
        return np.where(self.told, self.count, 0) if len(self.count) else self.count

    @classmethod
    def nothing(cls) -> _Summed:
        zero = np.zeros(1, np.int64)
        return cls(zero, zero, zero, np.zeros(1))

    @classmethod
    def of_sums(
        cls,
        sums: pa.Table,
        group: npt.NDArray[np.intp],
        size: int,
        kind: str,
        spread: Mapping[str, Spread],
    ) -> _Summed:
        """As `of`, from sums in which each row holds the runs of one tower."""
        feeds = _whole_sums(group, sums[f"feeds_{kind}"].to_numpy(), size)
        variance = allowed(sums["of_tower"].to_pylist(), spread)
        squares = _floats(sums[f"squares_{kind}"])
        return cls(
            count=_whole_sums(group, sums[kind].to_numpy(), size),
            feeds=feeds,
            runs=_whole_sums(group, sums[f"runs_{kind}"].to_numpy(), size),
            relative=_relative(feeds, group, np.arange(len(squares)), squares, variance),
        )

    @classmethod
    def of(
        cls,
        counts: pa.Table,
        group: npt.NDArray[np.intp],
        size: int,
        kind: str,
        spread: Mapping[str, Spread],
    ) -> _Summed:
        count, feeds = counts[kind].to_numpy(), counts[f"feeds_{kind}"].to_numpy()
        watched = (feeds > 0) | (count > 0)
        # Squares are added up tower by tower first, as a scan does it: the same to the last digit.
        towers = counts["of_tower"].combine_chunks().dictionary_encode()
        names = np.array(towers.dictionary.to_pylist(), object).astype(str)
        order = np.argsort(names)
        rank = np.empty(len(names), np.intp)
        rank[order] = np.arange(len(names))
        tower = rank[towers.indices.to_numpy()] if len(names) else np.array([], np.intp)
        pair, at = np.unique(group * max(len(names), 1) + tower, return_inverse=True)
        fed = feeds.astype(np.float64)
        squares = np.bincount(at, fed * fed, len(pair)).astype(np.float64)
        variance = allowed(names[order].tolist(), spread)
        of_group, which = np.divmod(pair, max(len(names), 1))
        total = _whole_sums(group, feeds, size)
        return cls(
            count=_whole_sums(group, count, size),
            feeds=total,
            runs=np.bincount(group[watched], minlength=size),
            relative=_relative(total, of_group.astype(np.intp), which, squares, variance),
        )


def allowed(
    towers: Sequence[str], spread: Mapping[str, Spread], *, estimated: bool = False
) -> FloatArray:
    """Return the variance between runs of each of some towers; 0 where nothing is known of it.

    Parameters
    ----------
    towers : sequence of str
        Any number of times each.
    spread, estimated
        As of `relative_variance`.
    """
    known = {
        tower: found.variance if estimated else found.allowed for tower, found in spread.items()
    }
    return np.array([known.get(tower, 0.0) for tower in towers], np.float64)


def _relative(
    feeds: npt.NDArray[np.int64],
    group: npt.NDArray[np.intp],
    tower: npt.NDArray[np.intp],
    squares: FloatArray,
    variance: FloatArray,
) -> FloatArray:
    """Return how uncertain clusters make each group, from the squares of each of its towers."""
    fed, size = feeds.astype(np.float64), len(feeds)
    square = np.bincount(group, variance[tower] * squares, size)
    return np.divide(square, fed**2, out=np.zeros(size), where=feeds > 0)


def _whole_sums(
    group: npt.NDArray[np.intp], values: npt.NDArray[np.int64], size: int
) -> npt.NDArray[np.int64]:
    sums = np.zeros(size, np.int64)
    np.add.at(sums, group, values)
    return sums


def _codes(column: pa.ChunkedArray) -> npt.NDArray[np.intp]:
    encoded = column.combine_chunks().dictionary_encode(null_encoding="encode")
    codes: npt.NDArray[np.intp] = encoded.indices.to_numpy(zero_copy_only=False).astype(np.intp)
    return codes


def _joint(codes: Sequence[npt.NDArray[np.intp]]) -> npt.NDArray[np.intp]:
    """Give each combination of several codes its own number, from 0."""
    joint = np.zeros_like(codes[0])
    for code in codes:
        joint = joint * (int(code.max()) + 1 if len(code) else 1) + code
        _, joint = np.unique(joint, return_inverse=True)
    return joint.astype(np.intp)


def _floats(column: pa.ChunkedArray) -> FloatArray:
    values: FloatArray = column.to_numpy().astype(np.float64)
    return values
