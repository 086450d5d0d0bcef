"""Run through a log in the order of time and raise an alarm where a stream gets worse.

Every month it is learnt anew what to expect (`analysis.reference`), and the runs of that month are
then held against it, one after the other. So what is said of a run never depends on later ones, a
day of new runs costs a day, and what was worked out of earlier months can be kept
(`analysis.kept_months`). What is known when a month begins stands in `analysis.learnt`, and
`analysis.passage` goes through it run by run.

The threshold of each stream is set by the *budget*, the false alarms that a tower has in a year on
which nothing ever changes. All of its bins share it in proportion to what is expected of them, and
each kind of fault of the tower as a whole has as much as a bin has on average. Thresholds allow for
the size of runs, for clusters, for how well a stream's level is known, and for how sure it is what
its present paper and air do (`analysis.thresholds`).

What begins a stream anew:

- A service of that bin, whatever was done to it but an inspection; an exchange of piles is none, as
  nothing is done to the bin. One of all bins, where a part
  was fitted, overhauled, swapped, adjusted or moved. One of a part of the tower begins the tower's
  own stream anew. Cleaning by the calendar is upkeep: it ends an alarm of that bin or tower, but
  takes nothing from the evidence of others, or a shop that cleans every other month would never
  notice what takes longer.
- An alarm. The stream goes on at the level that it now has.
- That its faults are as expected again, by a sum of log-likelihood ratios the other way.

The tower's own stream leaves out bins that are under alarm: it is for what they share.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence

import pyarrow as pa
from threadpoolctl import threadpool_limits

from analysis.learnt import LEARNT_MONTHS, Learnt, later, learn_month, months_before
from analysis.month_rows import brought
from analysis.passage import Passage, carried
from analysis.reference import Reference
from analysis.service_log import Service
from analysis.stream_months import Month

#: A tower to which this was done is learnt anew.
_RENEWED = "overhauled"


def months(first: dt.datetime, last: dt.datetime) -> list[dt.datetime]:
    """Return when it is learnt anew: the log's first day, half a year on, then every month.

    Parameters
    ----------
    first, last : datetime
        Of the log.

    Returns
    -------
    list of datetime
        The first is the log's own first day; up to one that is after `last`.
    """
    day = dt.datetime.combine(first.date(), dt.time())
    out = [day]
    number = LEARNT_MONTHS
    while out[-1] <= last:
        out.append(later(day, number))
        number += 1
    return out


def watch(
    counted: Callable[[dt.datetime, dt.datetime], pa.Table],
    first: dt.datetime,
    last: dt.datetime,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    services: Sequence[Service],
    *,
    budget: float = 1.0,
    kept: MonthKeeper | None = None,
) -> tuple[list[Month], Learnt]:
    """Run through a log, month by month.

    Parameters
    ----------
    counted : callable
        Gives the counts of rows that start at one moment or later and before another: by run (see
        `analysis.counts.LogScan.by_run`), grouped by `analysis.conditions_levels.COLUMNS` and
        `settings`.
    first, last : datetime
        Of the log.
    stocks : sequence of mapping
        Rows of the stock list.
    settings : sequence of str
        Columns of settings.
    services : sequence of Service
        In any order.
    budget : float
        False alarms a year of a tower on which nothing changes.
    kept : MonthKeeper, optional
        Where months that were worked out before are found, and put.

    Returns
    -------
    list of Month, Learnt
        The first month is the time in which it is learnt what to expect; what is known when the
        last begins.
    """
    bounds = months(first, last)
    ordered = sorted(services, key=lambda one: one.when)
    works = _Works(counted, bounds, stocks, settings, ordered, budget)
    keeper = kept or MonthKeeper()
    out: list[Month] = []
    learnt: Learnt | None = None
    # Small matrices are solved sooner by one thread than by several that wait for one another.
    with threadpool_limits(1, "blas"):
        for number in range(len(bounds) - 1):
            found = keeper.month(number)
            if found is None:
                # The first months teach what is expected of themselves and of the month after.
                again = learnt if number == 1 else None
                learnt = keeper.learnt(number) or again or works.learn(number, out, keeper)
                found = works.held(number, learnt, out)
                keeper.keep(number, found, learnt)
            else:
                learnt = None
            out.append(found)
        last_one = len(out) - 1
        known = learnt or keeper.learnt(last_one) or works.learn(last_one, out[:-1], keeper)
    return out, known


class MonthKeeper:
    """Where months and what was learnt before them are kept; this one keeps nothing."""

    def month(self, number: int) -> Month | None:
        """Return a month that was worked out before, if it still holds."""
        return None

    def learnt(self, number: int) -> Learnt | None:
        """Return what was learnt before a month, if it still holds."""
        return None

    def keep(self, number: int, month: Month, learnt: Learnt) -> None:
        """Keep a month and what was learnt before it."""


#: With more rows of counts the strengths of ridges are those of the month before.
_ROWS_TO_LEARN = 60_000


class _Works:
    """All towers of a log."""

    def __init__(
        self,
        counted: Callable[[dt.datetime, dt.datetime], pa.Table],
        bounds: Sequence[dt.datetime],
        stocks: Sequence[Mapping[str, object]],
        settings: Sequence[str],
        services: Sequence[Service],
        budget: float,
    ) -> None:
        self._counted, self._bounds = counted, bounds
        self._stocks, self._settings, self._services = stocks, settings, services
        self._budget = budget
        self._scans: dict[int, pa.Table] = {}
        self._references: tuple[Reference | None, ...] = ()

    def _scan(self, number: int) -> pa.Table:
        if number not in self._scans:
            self._scans[number] = self._counted(self._bounds[number], self._bounds[number + 1])
        return self._scans[number]

    def learn(self, number: int, before: Sequence[Month], keeper: MonthKeeper) -> Learnt:
        """Learn what to expect of a month by those before it; of the first, by itself."""
        counts = pa.concat_tables([self._scan(at) for at in range(max(number, 1))])
        at = self._bounds[max(number, 1)]
        large = counts.num_rows > _ROWS_TO_LEARN and number > 1
        if large and not self._references:
            # Of a month that was worked out another time.
            earlier = keeper.learnt(number - 1) or self.learn(number - 1, before[:-1], keeper)
            self._references = earlier.references
        found = learn_month(
            counts,
            at,
            before,
            self._begun(counts),
            self._renewed(at),
            self._stocks,
            self._settings,
            self._budget,
            like=self._references if large else None,
        )
        self._references = found.references
        return found

    def _renewed(self, at: dt.datetime) -> dict[str, dt.datetime]:
        """Return since when towers are as good as new, where that is six months ago or more."""
        return {
            one.tower: one.when
            for one in self._services
            if one.action == _RENEWED and one.bin is None and not one.of_tower
            if one.when <= months_before(at)
        }

    def _begun(self, counts: pa.Table) -> dict[str, dt.datetime]:
        """Say from when each tower is monitored: from the first learning after six months."""
        firsts = (
            counts.select(["of_tower", "first"]).group_by("of_tower").aggregate([("first", "min")])
        )
        out = {}
        for row in firsts.to_pylist():
            day = dt.datetime.combine(row["first_min"].date(), dt.time())
            whole = later(day, LEARNT_MONTHS)
            bounds = [bound for bound in self._bounds[1:] if bound >= whole]
            out[str(row["of_tower"])] = bounds[0] if bounds else whole
        return out

    # A month held against it.

    def held(self, number: int, learnt: Learnt, before: Sequence[Month]) -> Month:
        """Hold the runs of a month against what is expected of them."""
        counts = self._scan(number)
        since, until = self._bounds[number], self._bounds[number + 1]
        rows, new_paper = brought(counts, learnt)
        states = carried(before[-1] if before else None, learnt)
        passage = Passage(learnt, rows, states, before)
        # What was done before the log began begins a stream too.
        begin = since if before else dt.datetime.min
        done = [one for one in self._services if begin <= one.when < until]
        passage.through(done, monitored=number > 0)
        return passage.month(since, until, new_paper)
