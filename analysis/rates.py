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

from analysis.counts import Account
from analysis.intervals import interval
from analysis.run_sums import FloatArray, floats, numbered, regroup
from analysis.spread import RUNS_FOR_SPREAD, Spread, widened_interval, widening
from analysis.tower_spreads import Clustering, allowed, clustering
from analysis.words import listed, one, per_10k

# More towers than these are counted and not named.
_NAMED = 6


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
        few = [
            tower
            for tower in self.clustering
            if tower in self.spread and not self.spread[tower].known
        ]
        if few and not singly:
            # One new tower says nothing of the others, which may have run for years.
            whose = f"tower {few[0]}" if len(few) == 1 else f"each of {_towers(few)}"
            text += (
                f" The log has fewer than {RUNS_FOR_SPREAD} runs of {whose}, so the spread between "
                "them is unknown and ranges with them are on the safe side."
            )
        return text


def _towers(names: Sequence[str]) -> str:
    return f"{len(names)} towers" if len(names) > _NAMED else f"towers {listed(names)}"


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
    ranges = summed.ranges(method=method, confidence=confidence)
    table |= {
        "runs": pa.array(summed.runs),
        "feeds": pa.array(summed.feeds),
        "count": pa.array(summed.count),
        "rate": pa.array(summed.rate, mask=~summed.told),
        **{name: pa.array(numbers) for name, numbers in ranges.items()},
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
    known = np.array([spread_known(towers, spread)])
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
    known = np.array([spread_known(sums["of_tower"].to_pylist(), spread)])
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


def spread_known(towers: Iterable[str], spread: Mapping[str, Spread]) -> bool:
    """Tell whether it is known of all towers how much their runs differ."""
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
    ranges = summed.ranges(method=method, confidence=confidence)
    told, rate = summed.told, summed.rate
    return [
        Rate(
            kind=kind,
            count=int(summed.count[i]),
            feeds=int(summed.feeds[i]),
            runs=int(summed.runs[i]),
            rate=float(rate[i]) if told[i] else None,
            **{name: float(numbers[i]) for name, numbers in ranges.items()},
            confidence=confidence,
            method=method,
            spread_known=bool(known[i]),
        )
        for i in range(len(summed.count))
    ]


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

    def ranges(self, *, method: str, confidence: float) -> dict[str, FloatArray]:
        """Return the ends of both intervals and the dispersion, by what a `Rate` calls them."""
        low, high = interval(self.inside, self.feeds, method=method, confidence=confidence)
        wide_low, wide_high = widened_interval(
            self.inside, self.feeds, self.relative, method=method, confidence=confidence
        )
        return {
            "low": low,
            "high": high,
            "dispersion": widening(self.inside, self.relative, confidence=confidence),
            "wide_low": wide_low,
            "wide_high": wide_high,
        }

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
        squares = floats(sums[f"squares_{kind}"])
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
        names, tower = numbered(counts["of_tower"])
        pair, at = np.unique(group * max(len(names), 1) + tower, return_inverse=True)
        fed = feeds.astype(np.float64)
        squares = np.bincount(at, fed * fed, len(pair)).astype(np.float64)
        variance = allowed(names, spread)
        of_group, which = np.divmod(pair, max(len(names), 1))
        total = _whole_sums(group, feeds, size)
        return cls(
            count=_whole_sums(group, count, size),
            feeds=total,
            runs=np.bincount(group[watched], minlength=size),
            relative=_relative(total, of_group, which, squares, variance),
        )


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
