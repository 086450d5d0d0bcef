"""How did the week go, what did it cost, did last week's action help, and what is to be done next?

One page for whoever answers for production. Nothing is worked out here that another question has
answered: rates (`analysis.rates`), who is getting worse (`analysis.drift`), what it cost
(`analysis.costs`), spare sheets (`analysis.overs`), parts and services (`analysis.parts`) and
likely causes (`analysis.causes`) are put side by side for one week, from Monday to Sunday, and
told in the words of that week.

A week is set beside the four weeks before it, all together, and beside the burn-ins of its towers.
It is called up or down only where the ranges of the two rates lie apart, which is on the careful
side: a week holds few faults.

A past week is told as it was known at its end. What a line that was added or corrected since then
changes is in it: the log as it stood is asked for by its moment.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from analysis.causes import Causes
from analysis.costs import CostsResult
from analysis.counts import Account
from analysis.drift import Drift
from analysis.overs import Overs
from analysis.parts import PartRow, Parts
from analysis.pricing import Cost
from analysis.rate_change import Change
from analysis.rates import Rate
from analysis.services import ServiceRow
from analysis.streams import Alarm, Stream, expected_faults
from analysis.words import (
    capital,
    day,
    listed,
    many,
    per_10k,
    period,
    ranges,
    times_range,
    two_digits,
)

#: A week is set beside so many before it.
WEEKS_BEFORE = 4

#: So many bins are named in a sentence; of more it is said how many they are.
_FEW = 3

_WEEK = dt.timedelta(days=7)


@dataclass(frozen=True)
class Weekly:
    """What there is to tell of one week.

    Attributes
    ----------
    first : date
        Its Monday.
    account : Account
        Of its production.
    until : datetime or None
        Start of the last stretch of the log, whatever its purpose, up to the end of the week; None
        where there is none.
    weeks : tuple of (date, mapping of str to Rate)
        The week and the four before it by their Mondays, the latest first: rates of misses and of
        doubles.
    before : mapping of str to Rate
        The four weeks before, together.
    burn_in : mapping of str to Rate
        The latest burn-ins of the towers that ran; empty where there is none.
    drift : Drift
        Who was getting worse at the end of the week.
    change : Change or None
        What is behind the change of the rate from the four weeks before; None where that is not
        known.
    costs, costs_before : CostsResult
        Of the week, and of the four before it.
    overs : tuple of Overs
        Of the stocks that were run most in the week, for jobs of their usual size.
    parts : Parts
        Parts and services as of the end of the week.
    causes : tuple of Causes
        Of the streams that are still worse, in their order.
    """

    first: dt.date
    account: Account
    until: dt.datetime | None
    weeks: tuple[tuple[dt.date, Mapping[str, Rate]], ...]
    before: Mapping[str, Rate]
    burn_in: Mapping[str, Rate]
    drift: Drift
    change: Change | None
    costs: CostsResult
    costs_before: CostsResult
    overs: tuple[Overs, ...]
    parts: Parts
    causes: tuple[Causes, ...]

    @property
    def last(self) -> dt.date:
        """Its Sunday."""
        return self.first + _WEEK - dt.timedelta(days=1)

    @property
    def name(self) -> str:
        """``1 to 7 March 2032``."""
        return period(self.first, self.last)

    @property
    def now(self) -> Mapping[str, Rate]:
        """Rates of the week itself, by kind."""
        return self.weeks[0][1]

    @property
    def began(self) -> tuple[tuple[Stream, Alarm], ...]:
        """Streams that were found to be worse in the week."""
        return self._of(lambda alarm: self._within(alarm.alarmed_at))

    @property
    def still(self) -> tuple[tuple[Stream, Alarm], ...]:
        """Streams that were found to be worse before, and are so still; by their earliest alarm."""
        new = {id(stream) for stream, _ in self.began}
        return tuple(
            (stream, stream.alarm)
            for stream in self.drift.worse
            if id(stream) not in new and stream.alarm is not None
        )

    @property
    def ended(self) -> tuple[tuple[Stream, Alarm], ...]:
        """Streams that ended to be worse in the week."""
        return self._of(lambda alarm: alarm.closed_at is not None and self._within(alarm.closed_at))

    def _of(self, wanted: Callable[[Alarm], bool]) -> tuple[tuple[Stream, Alarm], ...]:
        return tuple(
            (stream, alarm)
            for stream in self.drift.monitored
            for alarm in stream.alarms
            if wanted(alarm)
        )

    def _within(self, moment: dt.datetime) -> bool:
        return self.first <= moment.date() <= self.last

    @property
    def services(self) -> tuple[ServiceRow, ...]:
        """What was done in the week and in the one before it, in order of time."""
        since = self.first - _WEEK
        return tuple(row for row in self.parts.services if since <= row.when.date() <= self.last)

    @property
    def last_services(self) -> tuple[ServiceRow, ...]:
        """What was done on the last day on which anything was, up to the end of the week."""
        rows = [row for row in self.parts.services if row.when.date() <= self.last]
        return tuple(row for row in rows if row.when.date() == rows[-1].when.date())

    @property
    def order_until(self) -> dt.date:
        """The Sunday after next: what is to be ordered by then is told."""
        return self.last + _WEEK

    @property
    def orders(self) -> tuple[PartRow, ...]:
        """Parts to be ordered by the end of the next week."""
        return tuple(
            row
            for row in self.parts.order_list()
            if row.order_by is not None and row.order_by <= self.order_until
        )

    def dearest(self, most: int = _FEW) -> tuple[tuple[Cost, Cost | None], ...]:
        """Return the bins that cost most in the week, each with its cost in the weeks before."""
        before = {_place(one): one for one in self.costs_before.by_bin}
        named = [one for one in self.costs.by_bin if one.of["bin"] is not None and one.cost > 0]
        return tuple((one, before.get(_place(one))) for one in named[:most])

    def sentence(self) -> str:
        """Say how the week went: rates, who is worse, and what it cost."""
        if not self.account.rows:
            said = f"Nothing was produced in the week of {self.name}"
            if self.until is None:
                return f"{said}: the log begins later."
            return f"{said}; the log up to then ends on {day(self.until)}."
        said = f"In the week of {self.name} {self._rates()}"
        cost = self.costs.total.per_sets()
        if cost is not None:
            said += f"; faults cost {self.costs.money(cost[0])} per 10,000 sets"
        return f"{said}; {self._worse()}."

    def _rates(self) -> str:
        """Say both rates, and how they stand to those of the weeks before."""
        told = [kind for kind, rate in self.now.items() if rate.rate is not None]
        if not told:
            return "nothing was watching for misses and doubles"
        how = {kind: moved(self.now[kind], self.before[kind]) for kind in told}
        said = [f"{kind} ran at {per_10k(self.now[kind].rate or 0.0)}" for kind in told]
        said[1:] = [one.replace(" ran", "") for one in said[1:]]
        if set(how.values()) == {"unknown"}:
            return (
                f"{listed(said)} per 10,000 feeds (nothing is logged in the four weeks before to "
                "compare with)"
            )
        if not set(how.values()) & {"up", "down"}:
            return f"{listed(said)} per 10,000 feeds, no clear change from the four weeks before"
        for place, kind in enumerate(told):
            if how[kind] in ("up", "down"):
                said[place] += f" ({how[kind]} from {per_10k(self.before[kind].rate or 0.0)})"
            else:
                said[place] += " (no clear change)"
        return f"{listed(said)} per 10,000 feeds, beside the four weeks before"

    def _worse(self) -> str:
        """Say in a few words who began, is still, and ended to be worse."""
        if not self.drift.watched:
            return "who is getting worse is not watched yet"
        said = []
        if self.began:
            said.append(f"{_named(self.began)} began to be worse")
        if self.still:
            verb = "is" if len(_names(self.still)) == 1 else "are"
            said.append(f"{_named(self.still)} {verb} still worse")
        if self.ended:
            verb = "is" if len(_names(self.ended)) == 1 else "are"
            said.append(f"{_named(self.ended)} {verb} no longer")
        return ", ".join(said) if said else "no bin and no tower is getting worse"

    def changes(self) -> tuple[str, ...]:
        """Say of each stream that began, is still, or ended to be worse, by how much, and since."""
        said = [f"New: {self._told(stream, alarm)}" for stream, alarm in self.began]
        said += [f"Still: {self._told(stream, alarm)}" for stream, alarm in self.still]
        for stream, alarm in self.ended:
            assert alarm.closed_at is not None
            said.append(
                f"Over: {stream.name}, worse in {stream.kind} since about {day(alarm.began)}, "
                f"until {day(alarm.closed_at)}: {alarm.closed_by}."
            )
        return tuple(said)

    def _told(self, stream: Stream, alarm: Alarm) -> str:
        since = "getting worse" if alarm.shape == "ramp" else "worse"
        now = "by now " if alarm.shape == "ramp" else ""
        said = (
            f"{stream.name}, {since} in {stream.kind} since about {day(alarm.began)}: {now}"
            f"{two_digits(alarm.ratio)} times what its paper, air and settings explain "
            f"({times_range(alarm.ratio_low, alarm.ratio_high)}), "
            f"{alarm.observed:,} where {expected_faults(alarm.expected)} expected in "
            f"{many(alarm.feeds, 'feed')}"
        )
        if not alarm.confirmed:
            said += "; likely too high until more feeds confirm it"
        return f"{said}."

    def not_watched(self) -> str:
        """Say why nobody can be said to get worse; empty where it can."""
        return "" if self.drift.watched else self.drift.sentence()

    def orders_in_words(self) -> tuple[str, ...]:
        """Say of each part to be ordered by the end of the next week what it is for, and when."""
        return tuple(self._order(row) for row in self.orders)

    def _order(self, row: PartRow) -> str:
        if self.parts.by(row) != "now":
            return f"{capital(row.name)}. {row.due()}"
        # That it is to be ordered now is said once.
        return f"Order now: {row.name}. {row.due().replace(': order now.', '.')}"


def moved(now: Rate, before: Rate) -> str:
    """Say whether a rate went ``up`` or ``down``: where the two ranges lie apart.

    ``no clear change`` otherwise, and ``unknown`` where one of them has no feeds.
    """
    if now.rate is None or before.rate is None:
        return "unknown"
    if now.wide_low > before.wide_high:
        return "up"
    return "down" if now.wide_high < before.wide_low else "no clear change"


def monday(of: dt.date) -> dt.date:
    """Return the Monday of a day's week."""
    return of - dt.timedelta(days=of.weekday())


def services_in_words(rows: Iterable[ServiceRow]) -> tuple[str, ...]:
    """Say whether services helped; those that were alike on one day in one sentence."""
    groups: dict[tuple[object, ...], list[ServiceRow]] = {}
    for row in rows:
        key = (row.when.date(), row.tower, row.what, row.kind, row.warning, row.bin is None)
        groups.setdefault(key, []).append(row)
    return tuple(
        group[0].sentence() if len(group) == 1 else _together(group) for group in groups.values()
    )


def _together(rows: Sequence[ServiceRow]) -> str:
    first = rows[0]
    bins = sorted({row.bin for row in rows if row.bin is not None})
    head = f"{_bins(bins)} of tower {first.tower}" if bins else f"Tower {first.tower}"
    head = f"{capital(head)}, {day(first.when)}, {first.what}"
    if first.warning:
        return f"{head}: {first.warning}."
    said = []
    for verdict, words in _VERDICTS.items():
        here = sorted({row.bin for row in rows if row.verdict == verdict and row.bin is not None})
        if len(here) == len(bins):
            return f"{head}, by {first.kind}: {words}."
        if here:
            said.append(f"{words} in {_bins(here)}")
    return f"{head}, by {first.kind}: {'; '.join(said)}." if said else f"{head}."


#: What a service has come to, in the order in which it is told.
_VERDICTS = {
    "helped": "it helped",
    "worse": "it was worse afterwards",
    "did not help": "it made no difference that shows",
    "too few feeds yet": "too few feeds to tell yet",
    "nothing before it": "nothing was logged before it to compare with",
}


def _bins(numbers: Sequence[int]) -> str:
    """Name bins: ``bin 7``, ``bins 1 to 10``, ``bins 1, 3 to 6 and 9``."""
    if len(numbers) == 1:
        return f"bin {numbers[0]}"
    return f"bins {listed(ranges(numbers))}"


def _place(one: Cost) -> tuple[object, object]:
    return one.of["tower"], one.of["bin"]


def _names(found: Sequence[tuple[Stream, Alarm]]) -> list[str]:
    return list(dict.fromkeys(stream.name for stream, _ in found))


def _named(found: Sequence[tuple[Stream, Alarm]]) -> str:
    names = _names(found)
    return listed(names) if len(names) <= _FEW else f"{len(names)} bins or towers"
