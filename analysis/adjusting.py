"""What would rates be with all else the same?

By indirect standardisation. A group of feeds, a stock say, is set beside what was to be expected of
the very same feeds had only that one thing been as it is on average: faults seen over faults
expected, times the rate on all. So a group is still judged by its own faults, and keeps its own
range, widened by what the model does not know of the rest. Over time the age of parts is what is
held at its average, so that wear shows, and so does all that nobody logged. What is to be
expected is what the model of conditions says (`analysis.conditions`).

References
----------
Breslow NE, Day NE (1987). Statistical Methods in Cancer Research, vol. 2. IARC: ch. 2, indirect
standardisation.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from scipy import special

from analysis.ages import Ages
from analysis.conditions import Conditions
from analysis.conditions_model import PARTS, Model
from analysis.rates import Rate, group_rates
from analysis.regression_terms import FloatArray, IntArray
from analysis.spread import Spread
from analysis.trends import TIME_COLUMNS, Group, Split, Trends

#: With fewer faults in a group, nothing is said of why its adjusted rate is another.
_FAULTS_TO_SAY_WHY = 10

#: A rate that the adjusting changes by less than so many times is as good as the same.
_WORTH_SAYING = 1.1


@dataclass(frozen=True)
class Difference:
    """Why the adjusted rate of a group is not the one that was logged.

    Attributes
    ----------
    column, name : str
        The group.
    logged, adjusted : float
        Faults per feed.
    part : str
        One of `analysis.conditions_model.PARTS`: what makes most of the difference.
    ratio : float
        What that part alone makes of the group's rate, against the average.
    """

    column: str
    name: str
    logged: float
    adjusted: float
    part: str
    ratio: float


@dataclass(frozen=True)
class AdjustedTrends:
    """Rates split by one thing at a time, with all else the same.

    Attributes
    ----------
    trends : Trends
        As logged but for the rates and ranges of its splits. Feeds and faults are those logged.
    conditions : mapping of str to Conditions
        By kind of fault: what was adjusted by. A kind that is missing here stands as logged, since
        nothing could be learnt of it.
    why : mapping of (str, str) to Difference
        By column and kind of fault, the group whose rate the adjusting changes most.
    as_logged : tuple of str
        Settings whose split stands as logged: they follow the paper, or had one level only, so
        that nothing can be told of them by themselves.
    """

    trends: Trends
    conditions: Mapping[str, Conditions]
    why: Mapping[tuple[str, str], Difference]
    as_logged: tuple[str, ...] = ()


def adjusted_trends(
    logged: Trends,
    counts: pa.Table,
    conditions: Mapping[str, Conditions],
    spread: Mapping[str, Mapping[str, Spread]],
    *,
    ages: Ages | None = None,
) -> AdjustedTrends:
    """How would each split look with all else the same?

    Parameters
    ----------
    logged : Trends
        The same part of the log as it was logged.
    counts : pyarrow.Table
        By run, of that part, by `analysis.conditions_levels.COLUMNS`, the settings,
        ``humidity_band`` and the unit of time; see `analysis.counts.LogScan.by_run`.
    conditions : mapping of str to Conditions
        By kind of fault.
    spread : mapping of str to mapping of str to Spread
        By kind and tower.
    ages : Ages, optional
        Of parts, in the rows of `counts`.
    """
    looked = {kind: _Looked(found.model, counts, ages) for kind, found in conditions.items()}
    columns = (logged.over_time, logged.by_stock, logged.by_humidity, *logged.by_setting)
    names = {split.column: _names(counts[split.column]) for split in columns}
    why: dict[tuple[str, str], Difference] = {}
    known = {term.name for found in conditions.values() for term in found.model.fit.terms}
    alone = tuple(s.column for s in logged.by_setting if s.column not in known)

    def again(split: Split) -> Split:
        column = split.column
        if column in alone:
            return split
        groups = {group.name: dict(group.rates) for group in split.groups}
        for kind, found in looked.items():
            named = names[column]
            adjusted = found.rates(counts, split, named, spread[kind])
            for group, rate in adjusted.items():
                groups[group][kind] = rate
            if (reason := found.why(split, groups, named)) is not None:
                why[column, kind] = reason
        return replace(
            split, groups=tuple(Group(group.name, groups[group.name]) for group in split.groups)
        )

    trends = replace(
        logged,
        over_time=again(logged.over_time),
        by_stock=again(logged.by_stock),
        by_humidity=again(logged.by_humidity),
        by_setting=tuple(again(split) for split in logged.by_setting),
    )
    return AdjustedTrends(trends, conditions, why, alone)


@dataclass(frozen=True)
class _Names:
    """What the groups of a column are called, and which of them each row of the counts is in."""

    labels: tuple[str | None, ...]
    codes: IntArray


def _names(column: pa.ChunkedArray) -> _Names:
    coded = column.combine_chunks().dictionary_encode(null_encoding="encode")
    labels = [None if name is None else str(name) for name in coded.dictionary.to_pylist()]
    return _Names(tuple(labels), coded.indices.to_numpy(zero_copy_only=False).astype(np.int64))


class _Looked:
    """Rows of one kind of fault, and what the model says of each of them."""

    def __init__(self, model: Model, counts: pa.Table, ages: Ages | None) -> None:
        self.kind, self.model = model.kind, model
        self.rows = model.rows(counts, ages)
        self.terms = {t.name: model.effect_of(t.name, self.rows) for t in model.fit.terms}
        self.log = sum(self.terms.values(), np.zeros(self.rows.feeds.size))
        fed = self.rows.feeds
        # Without a fault, and without a feed, there is nothing to adjust.
        self.told = bool(self.rows.faults.sum())
        whole = max(fed.sum(), 1.0)
        self.means = {name: (fed * one).sum() / whole for name, one in self.terms.items()}

    def _own(self, column: str) -> list[str]:
        """Return the terms that are what a split is by."""
        if column in TIME_COLUMNS:
            return [name for name in self.terms if self.model.part_of[name] == "age"]
        name = "air" if column == "humidity_band" else column
        return [name] if name in self.terms else []

    def expected(self, own: Sequence[str]) -> FloatArray:
        """Return expected faults with some terms at their mean, on the scale of what was seen."""
        off = sum((self.terms[name] for name in own), np.zeros(self.log.size))
        expected = self.rows.feeds * np.exp(self.log - off)
        return np.asarray(expected * (self.rows.faults.sum() / expected.sum()))

    def rates(
        self,
        counts: pa.Table,
        split: Split,
        names: _Names,
        spread: Mapping[str, Spread],
    ) -> dict[str | None, Rate]:
        """Return the adjusted rate of each group of a split that had feeds."""
        rows, kind, column = self.rows, self.kind, split.column
        if not self.told:
            return {}
        own = self._own(column)
        expected = self.expected(own)
        # The feeds that would give so many faults at the rate on all.
        equivalent = expected * rows.feeds.sum() / rows.faults.sum()
        taken = counts.take(pa.array(rows.kept))
        keys = [column, "of_tower", "of_run"]
        given = pa.table(
            {name: taken[name] for name in keys}
            | {"feeds": pa.array(equivalent), "faults": pa.array(rows.faults)}
        )
        summed = given.group_by(keys).aggregate([("feeds", "sum"), ("faults", "sum")])
        summed = summed.sort_by([(name, "ascending") for name in keys])
        faults = np.rint(summed["faults_sum"].to_numpy()).astype(np.int64)
        # A run may have been so little exposed that rounding leaves fewer feeds than its faults.
        whole = np.maximum(np.rint(summed["feeds_sum"].to_numpy()).astype(np.int64), faults)
        by_run = summed.select(keys).append_column(f"feeds_{kind}", pa.array(whole))
        by_run = by_run.append_column(kind, pa.array(faults))
        found = group_rates(by_run, (column,), kind, spread)
        unsure = self._unsure(names, expected, own)
        logged = {group.name: group.rates[kind] for group in split.groups}
        out: dict[str | None, Rate] = {}
        for group in found.to_pylist():
            called = None if group[column] is None else str(group[column])
            was = logged[called]
            z = float(special.ndtri(0.5 * (1 + was.confidence)))
            low, high = group["low"], group["high"]
            wide = _wider(group["rate"], group["wide_low"], group["wide_high"], z * unsure[called])
            # Faults whose bin was not noted are in what was logged and cannot be adjusted.
            out[called] = replace(
                was, rate=group["rate"], low=low, high=high, wide_low=wide[0], wide_high=wide[1]
            )
        return out

    def _unsure(
        self, names: _Names, expected: FloatArray, own: Sequence[str]
    ) -> dict[str | None, float]:
        """Return how unsure the logarithm of what is expected of each group is."""
        others = [name for name in self.terms if name not in own]
        group, count = names.codes[self.rows.kept], len(names.labels)
        sums = self.model.gradients(expected, group, count, self.rows, others)
        fed = np.bincount(group, expected, count)
        some = fed > 0
        rows = sums[some] / fed[some, None] - sums.sum(axis=0) / fed.sum()
        labels = [label for label, there in zip(names.labels, some, strict=True) if there]
        return dict(zip(labels, map(float, self.model.fit.sd(rows)), strict=True))

    def why(
        self, split: Split, groups: Mapping[str | None, Mapping[str, Rate]], names: _Names
    ) -> Difference | None:
        """Say which group the adjusting changes most, and which part of the log is behind it."""
        kind, column = self.kind, split.column
        best: tuple[float, str, float, float] | None = None
        for group in split.groups:
            before, after = group.rates[kind].rate, groups[group.name][kind].rate
            # Of groups with next to no faults any difference is a matter of chance.
            if not before or not after or group.rates[kind].count < _FAULTS_TO_SAY_WHY:
                continue
            off = abs(math.log(after / before))
            if group.name is not None and (best is None or off > best[0]):
                best = off, group.name, before, after
        if best is None or best[0] < math.log(_WORTH_SAYING):
            return None
        _, name, before, after = best
        here = names.codes[self.rows.kept] == names.labels.index(name)
        own = set(self._own(column))
        parts = dict.fromkeys(PARTS, 0.0)
        fed = self.rows.feeds[here]
        for term, effect in self.terms.items():
            if term not in own:
                mean = float((fed * effect[here]).sum() / fed.sum())
                parts[self.model.part_of[term]] += mean - float(self.means[term])
        up = before > after
        part = max(parts, key=lambda one: parts[one] if up else -parts[one])
        return Difference(column, name, before, after, part, math.exp(parts[part]))


def _wider(rate: float | None, low: float, high: float, more: float) -> tuple[float, float]:
    """Widen a range by what is not known of the expectation, both on the scale of ratios."""
    if not rate:
        return low, min(1.0, high * math.exp(more))
    down = math.hypot(math.log(rate / low), more) if low > 0 else math.inf
    up = math.hypot(math.log(high / rate), more)
    return rate * math.exp(-down), min(1.0, rate * math.exp(up))
