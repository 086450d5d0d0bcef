"""What would rates be with all else the same, and what is behind a change of the rate?

Two uses of one fitted model of conditions (`analysis.conditions`).

**Adjusted rates** (indirect standardisation). A group of feeds, a stock say, is set beside what was
to be expected of the very same feeds had only that one thing been as it is on average: faults seen
over faults expected, times the rate on all. So a group is still judged by its own faults, and keeps
its own range, widened by what the model does not know of the rest. Over time the age of parts is
what is held at its average, so that wear shows, and so does all that nobody logged.

**What changed** between two periods. With v(S) the logarithm of the mean fitted rate of a period
when the effects outside S are held at their mean over both periods, each part of the log (mix of
stocks, air, settings, age, bins) is given the change of its Shapley value over S: what it adds,
averaged over all orders in which the parts can be let in. The *rest* is the change of faults seen
over faults expected. The product of all is the whole change, exactly.

References
----------
Breslow NE, Day NE (1987). Statistical Methods in Cancer Research, vol. 2. IARC: ch. 2, indirect
standardisation.
Shapley LS (1953). A value for n-person games. Annals of Mathematics Studies 28:307-317.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy import special

from analysis.ages import Ages
from analysis.conditions import PARTS, Conditions, Model, Rows
from analysis.filters import Filters
from analysis.rates import Rate, group_rates
from analysis.regression_terms import FloatArray, IntArray
from analysis.site import NO_SITE, Site
from analysis.spread import Spread
from analysis.trends import TIME_COLUMNS, Group, Split, Trends

#: The rest of a change: what no part of the model explains.
REST = "rest"

_CALLED = {
    "mix": "other stocks",
    "air": "the air",
    "settings": "settings",
    "age": "older or newer parts",
    "bins": "other bins or towers",
    REST: "what nobody logged",
}


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
        One of `analysis.conditions.PARTS`: what makes most of the difference.
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
    site: Site = NO_SITE,
) -> AdjustedTrends:
    """How would each split look with all else the same?

    Parameters
    ----------
    logged : Trends
        The same part of the log as it was logged.
    counts : pyarrow.Table
        By run, of that part, by `analysis.conditions.COLUMNS`, the settings, ``humidity_band`` and
        the unit of time; see `analysis.counts.LogScan.by_run`.
    conditions : mapping of str to Conditions
        By kind of fault.
    spread : mapping of str to mapping of str to Spread
        By kind and tower.
    ages : Ages, optional
        Of parts, in the rows of `counts`.
    site : Site
        Gives settings their units and the order of their levels.
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


#: With fewer faults in a group, nothing is said of why its adjusted rate is another.
_FAULTS_TO_SAY_WHY = 10
#: A rate that the adjusting changes by less than so many times is as good as the same.
_WORTH_SAYING = 1.1


def _wider(rate: float | None, low: float, high: float, more: float) -> tuple[float, float]:
    """Widen a range by what is not known of the expectation, both on the scale of ratios."""
    if not rate:
        return low, min(1.0, high * math.exp(more))
    down = math.hypot(math.log(rate / low), more) if low > 0 else math.inf
    up = math.hypot(math.log(high / rate), more)
    return rate * math.exp(-down), min(1.0, rate * math.exp(up))


@dataclass(frozen=True)
class Part:
    """What one part of the log does to the rate from one period to the next.

    Attributes
    ----------
    part : str
        ``mix``, ``air``, ``settings``, ``age``, ``bins`` or ``rest``.
    ratio, low, high : float
        Rate ratio, later over earlier, with its interval.
    """

    part: str
    ratio: float
    low: float
    high: float


@dataclass(frozen=True)
class Change:
    """What is behind the change of the rate between two periods.

    Attributes
    ----------
    kind : str
        Of fault.
    before, after : Filters
        The two parts of the log.
    counts, feeds : tuple of int
        Faults and feeds in known bins, before and after.
    ratio : float or None
        Of the two rates; None where either period has no fault, or no feeds.
    low, high : float or None
        Its range: chance and clusters in both counts.
    parts : tuple of Part
        Their product is the ratio; empty where there is none. Ranges of all but the rest are those
        of the model's effects; that of the rest allows for chance and clusters in both counts.
    confidence : float
        Of the ranges.
    """

    kind: str
    before: Filters
    after: Filters
    counts: tuple[int, int]
    feeds: tuple[int, int]
    ratio: float | None
    parts: tuple[Part, ...]
    confidence: float
    low: float | None = None
    high: float | None = None

    @property
    def whole(self) -> Part | None:
        """The change as a whole, as its parts are told; None where there is none."""
        if self.ratio is None or self.low is None or self.high is None:
            return None
        return Part("whole", self.ratio, self.low, self.high)

    def sentence(self) -> str:
        """Say how the rate changed and what made most of it."""
        whole = self.whole
        if whole is None:
            which = next(
                (
                    word
                    for word, n, x in zip(
                        ("earlier", "later"), self.feeds, self.counts, strict=True
                    )
                    if not n or not x
                ),
                "earlier",
            )
            return (
                f"The {which} period has no {self.kind} on record, so there is no change to split; "
                "choose longer periods."
            )
        said = (
            f"The rate of {self.kind} is {whole.ratio:.2f} times that of the earlier period "
            f"({whole.low:.2f} to {whole.high:.2f})"
        )
        # What made the change, by how sure it is: a part whose range holds 1 may be nothing.
        sure = [
            part
            for part in self.parts
            if (part.low > 1 or part.high < 1) and abs(math.log(part.ratio)) > math.log(_TOLD)
        ]
        sure.sort(key=lambda part: -abs(math.log(part.ratio)))
        told = [f"{_CALLED[part.part]} made {part.ratio:.2f} times of it" for part in sure[:3]]
        rest = next(part for part in self.parts if part.part == REST)
        if rest not in sure and abs(math.log(rest.ratio)) > math.log(_TOLD):
            told.append(
                f"{_CALLED[REST]} may have made {rest.ratio:.2f} times ({rest.low:.2f} to "
                f"{rest.high:.2f})"
            )
        if not sure:
            said += "; no part of the log is sure to have made it"
        return f"{said}: {'; '.join(told)}." if told else f"{said}."


#: A part that changes the rate by less than so many times is not told in a sentence.
_TOLD = 1.02


def change(
    before: pa.Table,
    after: pa.Table,
    conditions: Conditions,
    filters: tuple[Filters, Filters],
    spread: Mapping[str, Spread],
    *,
    ages: tuple[Ages | None, Ages | None] = (None, None),
) -> Change:
    """Why did the rate change from one period to another?

    Parameters
    ----------
    before, after : pyarrow.Table
        By run, of each period, by `analysis.conditions.COLUMNS` and the settings.
    conditions : Conditions
        What is to be expected; of a log that holds both periods.
    filters : tuple of Filters
        The two periods; handed on.
    spread : mapping of str to Spread
        By tower: how far runs differ beyond chance.
    ages : tuple of Ages
        Of parts, in the rows of each.
    """
    model, kind = conditions.model, conditions.kind
    sides = [model.rows(table, age) for table, age in zip((before, after), ages, strict=True)]
    faults = tuple(int(rows.faults.sum()) for rows in sides)
    feeds = tuple(int(rows.feeds.sum()) for rows in sides)
    blank = Change(
        kind,
        *filters,
        (faults[0], faults[1]),
        (feeds[0], feeds[1]),
        None,
        (),
        conditions.confidence,
    )
    if not all(faults) or not all(feeds):
        return blank
    shapley = _Shapley(model, sides)
    z = float(special.ndtri(0.5 * (1 + conditions.confidence)))
    parts = []
    gradients = np.array([shapley.gradients[part] for part in PARTS])
    for part, sd in zip(PARTS, model.fit.sd(gradients), strict=True):
        log = shapley.values[part]
        parts.append(_ranged(part, log, z * float(sd)))
    log_rest = math.log(faults[1] / faults[0]) - (
        math.log(shapley.expected[1] / shapley.expected[0])
    )
    # The rest is what was seen over what the model expects: both counts vary, and so does that.
    variance = sum(
        _relative_variance(rows, table, kind, spread)
        for rows, table in ((sides[0], before), (sides[1], after))
    )
    counted = z * math.sqrt(variance)
    variance += float(model.fit.sd(gradients.sum(axis=0)[None])[0]) ** 2
    parts.append(_ranged(REST, log_rest, z * math.sqrt(variance)))
    ratio = faults[1] / feeds[1] / (faults[0] / feeds[0])
    return replace(
        blank,
        ratio=ratio,
        parts=tuple(parts),
        low=ratio * math.exp(-counted),
        high=ratio * math.exp(counted),
    )


def _ranged(part: str, log: float, half: float) -> Part:
    return Part(part, math.exp(log), math.exp(log - half), math.exp(log + half))


def _relative_variance(
    rows: Rows, table: pa.Table, kind: str, spread: Mapping[str, Spread]
) -> float:
    """Return the variance of the logarithm of a count: chance, and clusters in runs."""
    towers = np.array(table["of_tower"].to_pylist(), dtype=object)[rows.kept]
    fed = np.bincount(rows.run, rows.feeds)
    tower = np.empty(fed.size, dtype=object)
    tower[rows.run] = towers
    v = np.array([spread[one].allowed if one in spread else 0.0 for one in tower])
    return float(1 / rows.faults.sum() + (v * fed**2).sum() / fed.sum() ** 2)


class _Shapley:
    """What each part adds to the log rate from one period to the other.

    With how that depends on each coefficient.
    """

    def __init__(self, model: Model, sides: Sequence[Rows]) -> None:
        effects = [model.effects_of(rows) for rows in sides]
        terms = {
            part: [t.name for t in model.fit.terms if model.part_of[t.name] == part]
            for part in PARTS
        }
        count = len(PARTS)
        self.values = dict.fromkeys(PARTS, 0.0)
        self.gradients: dict[str, NDArray[np.float64]] = {
            part: np.zeros(model.fit.coefficients.size) for part in PARTS
        }
        for size in range(count + 1):
            for inside in combinations(PARTS, size):
                value, gradient = 0.0, np.zeros(model.fit.coefficients.size)
                named = [name for part in inside for name in terms[part]]
                for sign, rows, effect in zip((-1, 1), sides, effects, strict=True):
                    log = sum((effect[part] for part in inside), np.zeros(rows.feeds.size))
                    weight = rows.feeds * np.exp(log)
                    # Effects outside are the same number in both periods and drop out.
                    value += sign * math.log(weight.sum() / rows.feeds.sum())
                    whole = np.zeros(weight.size, dtype=np.int64)
                    sums = model.gradients(weight / weight.sum(), whole, 1, rows, named)
                    gradient += sign * sums[0]
                for part in PARTS:
                    # How often a part comes right after, or right before, just these others.
                    among = size - (part in inside)
                    share = (
                        math.factorial(among)
                        * math.factorial(count - among - 1)
                        / math.factorial(count)
                    )
                    times = share if part in inside else -share
                    self.values[part] += times * value
                    self.gradients[part] += times * gradient
        self.expected = [float(model.expected(rows).sum()) for rows in sides]
