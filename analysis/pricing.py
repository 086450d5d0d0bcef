"""What are counts of faults worth in money, and how sure is that?

The arithmetic behind `analysis.costs`: what a stop, a set and a double found later are worth, sums
over the runs and towers of a group, and the range of a sum of counts that are not worth the same.

References
----------
Rao JNK, Scott AJ (1992). A simple method for the analysis of clustered binary data. Biometrics
48:577-585: counts are divided by what clusters multiply their variance with.
Fay MP, Feuer EJ (1997). Confidence intervals for directly standardized rates: a method based on the
gamma distribution. Statistics in Medicine 16:791-801: a weighted sum of counts as a multiple of one
count with the same mean and variance.
Zou GY, Donner A (2008). Construction of confidence limits about effect measures: a general
approach. Statistics in Medicine 27:1693-1702: limits of a sum from the limits of its terms.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pyarrow as pa
import pyarrow.compute as pc
from scipy import special

from analysis.intervals import poisson_interval
from analysis.log_format import kinds_of
from analysis.run_sums import regroup
from analysis.site_costs import Costs
from analysis.spread import Spread, widening

#: Costs are shown for so many sets.
PER_SETS = 10_000

#: Kinds of fault that are priced apart.
KINDS = ("misses", "doubles")


@dataclass(frozen=True)
class Counted:
    """Counts of a part of the log that is priced; all of them with the same filter.

    Attributes
    ----------
    counts : pyarrow.Table
        By tower, bin, stock and run; see `analysis.counts.LogScan.by_run`.
    events : pyarrow.Table
        By tower, bin and stock; see `analysis.counts.LogScan.events`.
    stopped : pyarrow.Table
        The same by tower alone: counts of stretches do not add up over bins.
    sets : mapping of str to pyarrow.Table
        By ``tower``, by ``bin`` (tower and bin) and by ``stock``; see
        `analysis.counts.LogScan.sets`.
    lines : mapping of str to str
        Name of its line by tower, where it has one: its towers make one set together.
    """

    counts: pa.Table
    events: pa.Table
    stopped: pa.Table
    sets: Mapping[str, pa.Table]
    lines: Mapping[str, str]


@dataclass(frozen=True)
class Share:
    """How many of the sets at which a tower stopped were spoiled.

    Attributes
    ----------
    tower : str
        Which.
    spoiled, mended : int
        Sets, as logged.
    share, low, high : float
        Of the stopped sets; without any logged, as the site states it, and no range.
    """

    tower: str
    spoiled: int
    mended: int
    share: float
    low: float
    high: float

    @property
    def logged(self) -> bool:
        """Whether it is the log that says so."""
        return self.spoiled + self.mended > 0


@dataclass(frozen=True)
class Cost:
    """What faults of one part of the log cost.

    Attributes
    ----------
    of : mapping of str to object
        Which part: ``tower``, ``bin``, ``stock``, ``kind``, ``cause`` or ``what`` is paid.
    faults : float
        Misses and doubles; a whole number but for causes.
    found_later : int
        Doubles found later.
    sets : int
        That the part had a sheet in.
    cost, low, high : float
        Money, with its range.
    """

    of: Mapping[str, object]
    faults: float
    found_later: int
    sets: int
    cost: float
    low: float
    high: float

    def per_sets(self) -> tuple[float, float, float] | None:
        """Return cost and range for every 10,000 sets; None where there are none."""
        if not self.sets:
            return None
        each = PER_SETS / self.sets
        return each * self.cost, each * self.low, each * self.high


@dataclass(frozen=True)
class Worth:
    """Money for a stop, a set mended, a set spoiled, and a double found later."""

    stop: float = 0.0
    mended: float = 0.0
    spoiled: float = 0.0
    later: float = 0.0


@dataclass
class Sums:
    """Counts of one line of an answer, and how much its runs differ.

    Attributes
    ----------
    faults : dict of str to int
        By tower.
    feeds, squares : float
        Feeds, and the squares of runs' feeds, each times how much runs of their tower differ.
    found_later : int
        Doubles that were found after the run.
    """

    faults: dict[str, int]
    feeds: float = 0.0
    squares: float = 0.0
    found_later: int = 0

    @property
    def relative(self) -> float:
        """Squared coefficient of variation that clusters give to the sum."""
        return self.squares / self.feeds**2 if self.feeds else 0.0


@dataclass(frozen=True)
class Pricing:
    """What turns counts into money.

    Attributes
    ----------
    worth : Worth
        Money for each.
    shares : mapping of str to Share
        By tower; one without its own has `stated`.
    stated : float
        Share of stopped sets that are spoiled, where the log does not say.
    spread : mapping of str to Spread
        By tower, how much runs differ.
    kind : str
        Of fault.
    confidence : float
        Of the ranges.
    """

    worth: Worth
    shares: Mapping[str, Share]
    stated: float
    spread: Mapping[str, Spread]
    kind: str
    confidence: float

    @property
    def kinds(self) -> tuple[str, ...]:
        """Return the kinds that are priced."""
        return kinds_of(self.kind)

    def share(self, tower: str) -> Share:
        """Return how many stopped sets of a tower are spoiled."""
        return self.shares.get(tower, Share(tower, 0, 0, *(self.stated,) * 3))

    def fault(self, tower: str) -> float:
        """Return what a fault of a tower costs: a stop, and a set that is mended or spoiled."""
        share = self.share(tower).share
        return self.worth.stop + (1 - share) * self.worth.mended + share * self.worth.spoiled

    def lines(self, counted: Counted, by: Sequence[str]) -> tuple[Cost, ...]:
        """Price each group of some columns, the dearest first."""
        sums = self.sums(counted, by)
        name = by[-1] if by else "tower"
        sets = _sets(counted.sets[name], by, counted.lines)
        found = [
            self.cost(dict(zip(by, key, strict=True)), one, sets.get(key, 0))
            for key, one in sums.items()
        ]
        if not by and not found:
            found = [Cost({}, 0, 0, 0, 0.0, 0.0, 0.0)]
        return tuple(sorted(found, key=dearest_first))

    def by_kind(self, counted: Counted) -> tuple[Cost, ...]:
        """Price each kind of fault that was watched; those found later are doubles."""
        sets = _sets(counted.sets["tower"], (), counted.lines).get((), 0)
        found = []
        for kind in self.kinds:
            sums = self.sums(counted, (), kind).get(())
            if sums is not None and (sums.feeds or sums.found_later or any(sums.faults.values())):
                found.append(self.cost({"kind": kind}, sums, sets))
        return tuple(sorted(found, key=dearest_first))

    def by_what(self, counted: Counted) -> tuple[Cost, ...]:
        """Price what is paid for, in the order of the work."""
        sums = self.sums(counted, ()).get(())
        sets = _sets(counted.sets["tower"], (), counted.lines).get((), 0)
        if sums is None:
            return ()
        found = []
        for what, name in _PAID:
            later = name == "later"
            if later and "doubles" not in self.kinds:
                continue
            alone = replace(self, worth=Worth(**{name: getattr(self.worth, name)}))
            # What is paid for a double found later is no stop, nor the other way round.
            paid = replace(
                sums,
                faults={} if later else sums.faults,
                found_later=sums.found_later if later else 0,
            )
            found.append(alone.cost({"what": what, "events": self._events(name, sums)}, paid, sets))
        return tuple(found)

    def _events(self, name: str, sums: Sums) -> float:
        """Return how many stops there were, or sets, or doubles found later."""
        if name == "later":
            return sums.found_later
        events = []
        for tower, count in sums.faults.items():
            spoiled = self.share(tower).share
            part = {"stop": 1.0, "mended": 1 - spoiled, "spoiled": spoiled}[name]
            events.append(part * count)
        return math.fsum(events)

    def sums(
        self, counted: Counted, by: Sequence[str], kind: str = ""
    ) -> dict[tuple[object, ...], Sums]:
        """Sum counts over the runs and towers of each group; of one kind where it is named."""
        kinds = (kind,) if kind else self.kinds
        runs = regroup(counted.counts, by) if counted.counts.num_rows else counted.counts
        # Faults of a kind are priced wherever it was watched, whether the other was or not.
        feeds = pc.max_element_wise(*(runs[f"feeds_{name}"] for name in kinds)).cast(pa.float64())
        watched, runs = "watched", runs.append_column("watched", feeds)
        # The spread of runs counts by the squares of what they fed.
        runs = runs.append_column("squared", pc.multiply(feeds, feeds))
        columns = [*kinds, watched, "squared"]
        table = runs.group_by([*by, "of_tower"]).aggregate([(name, "sum") for name in columns])
        found: dict[tuple[object, ...], Sums] = {}
        for row in table.to_pylist():
            one = found.setdefault(tuple(row[name] for name in by), Sums({}))
            tower = str(row["of_tower"])
            faults = sum(row[f"{name}_sum"] for name in kinds)
            one.faults[tower] = one.faults.get(tower, 0) + faults
            one.feeds += row[f"{watched}_sum"]
            allowed = self.spread[tower].allowed if tower in self.spread else 0.0
            one.squares += allowed * row["squared_sum"]
        if "doubles" in kinds:
            for row in counted.events.to_pylist():
                key = tuple(row[name] for name in by)
                if key in found:
                    found[key].found_later += row["found_later"]
        return found

    def cost(self, of: Mapping[str, object], sums: Sums, sets: int) -> Cost:
        """Price the counts of one line, with their range."""
        priced = [(self.fault(tower), count) for tower, count in sums.faults.items()]
        if sums.found_later:
            priced.append((self.worth.later, sums.found_later))
        cost = math.fsum(each * count for each, count in priced)
        chance = math.fsum(each**2 * count for each, count in priced)
        # Where there is no fault, the range is that of the dearest that there might have been.
        unit = chance / cost if cost > 0 else max((each for each, _ in priced), default=0.0)
        low, high = (unit * one for one in self.limits(cost / unit if unit else 0.0, sums.relative))
        if not sums.feeds and not cost:
            high = 0.0
        down, up = self._share_range(sums)
        return Cost(
            of,
            sum(sums.faults.values()),
            sums.found_later,
            sets,
            cost,
            max(0.0, cost - math.hypot(cost - low, down)),
            cost + math.hypot(high - cost, up),
        )

    def limits(self, count: float, relative: float) -> tuple[float, float]:
        """Return the range of what a count is a sample of, where clusters are as given."""
        phi = float(widening(count, relative, confidence=self.confidence))
        low, high = poisson_interval(count / phi, confidence=self.confidence)
        return phi * float(low), phi * float(high)

    def _share_range(self, sums: Sums) -> tuple[float, float]:
        """Return by how much money the share of spoiled sets may make a cost too high, too low."""
        more = self.worth.spoiled - self.worth.mended
        down, up = [], []
        for tower, count in sums.faults.items():
            share = self.share(tower)
            ends = [more * count * (end - share.share) for end in (share.low, share.high)]
            down.append(min(ends))
            up.append(max(ends))
        return math.hypot(*down), math.hypot(*up)


#: What is paid for, and what it is called in `Worth`.
_PAID = (
    ("stops", "stop"),
    ("mended sets", "mended"),
    ("spoiled sets", "spoiled"),
    ("found later", "later"),
)


def dearest_first(one: Cost) -> tuple[float, str]:
    """Return what costs are sorted by."""
    return -one.cost, str(list(one.of.values()))


def _sets(
    table: pa.Table, by: Sequence[str], lines: Mapping[str, str]
) -> dict[tuple[object, ...], int]:
    """Sum the sets of each group.

    Towers of a line make one together: on a day it made as many as the one of them that ran most.
    """
    alone: dict[tuple[object, ...], int] = defaultdict(int)
    together: dict[tuple[tuple[object, ...], str, dt.date], dict[str, int]] = {}
    for row in table.to_pylist():
        key, tower = tuple(row[name] for name in by), str(row["of_tower"])
        # Of one tower it is the cycles of that tower.
        if tower not in lines or "tower" in by:
            alone[key] += row["sets"]
            continue
        day = together.setdefault((key, lines[tower], row["of_day"]), defaultdict(int))
        day[tower] += row["sets"]
    for (key, _, _), towers in together.items():
        alone[key] += max(towers.values())
    return dict(alone)


def pricing(
    counted: Counted, figures: Costs, spread: Mapping[str, Spread], kind: str, confidence: float
) -> Pricing:
    """Return what turns counts of a part of the log into money.

    Parameters
    ----------
    counted : Counted
        It says how many of the stopped sets were spoiled.
    figures : analysis.site_costs.Costs
        With every number in it.
    spread, kind, confidence
        As of `Pricing`.
    """
    hour = figures.hour or 0.0
    stated = figures.spoiled_share or 0.0
    return Pricing(
        Worth(
            hour * (figures.stop_minutes or 0.0) / 60,
            hour * (figures.mend_minutes or 0.0) / 60,
            figures.spoiled_set or 0.0,
            figures.found_later or 0.0,
        ),
        {str(row["tower"]): _share(row, stated, confidence) for row in counted.stopped.to_pylist()},
        stated,
        spread,
        kind,
        confidence,
    )


def _share(row: Mapping[str, object], stated: float, confidence: float) -> Share:
    tower, spoiled, mended = (row[name] for name in ("tower", "sets_spoiled", "sets_mended"))
    assert isinstance(spoiled, int) and isinstance(mended, int)
    if not spoiled + mended:
        return Share(str(tower), 0, 0, stated, stated, stated)
    tail = 0.5 * (1 - confidence)
    low, high = special.betaincinv(spoiled + 0.5, mended + 0.5, [tail, 1 - tail])
    share = spoiled / (spoiled + mended)
    # Of all or none of a few sets the share itself lies outside: half a set was added to each.
    return Share(
        str(tower), spoiled, mended, share, min(share, float(low)), max(share, float(high))
    )
