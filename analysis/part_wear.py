"""How fast does one part wear, in every bin or tower that carries it?

Rows of runs (`analysis.judged`) are set out by the thing that carries the part: a bin, or a tower,
whose bins are added up run by run, each by its own level. `analysis.wear` says how fast each wears,
`analysis.wear_shape` whether its faults rose with age or at once, and `analysis.trend_tests`
whether ages differ enough from the calendar to tell.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.in_place import PACE_DAYS
from analysis.judged import Judged
from analysis.neighbours import beside_others, own_trouble
from analysis.parts import PooledWear
from analysis.service_log import Place
from analysis.site import USUAL_LIMIT_TIMES, Site
from analysis.trend_tests import Trend, laplace_counts, own_variance
from analysis.wear import Slopes, slopes
from analysis.wear_forecasts import Range, limit_age
from analysis.wear_shape import shape

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: What a part's wear shows in, by a word of its name: common practice, no source.
_KIND_OF_WORD = {
    "brush": "doubles",
    "brushes": "doubles",
    "foot": "misses",
    "feet": "misses",
    "pump": "misses",
    "filter": "misses",
    "hose": "misses",
    "hoses": "misses",
}


def kind_of_part(part: str, site: Site, kind: str | None = None) -> str:
    """In which kind of fault does a part's wear show?

    Parameters
    ----------
    part : str
        Its name.
    site : Site
        May say so; else what is usual, and both kinds for a name that says nothing.
    kind : str, optional
        Of all parts alike, where it is asked for.
    """
    if kind:
        return kind
    words = (_KIND_OF_WORD.get(word) for word in part.lower().split())
    return site.part(part).kind or next((found for found in words if found), "faults")


@dataclass(frozen=True)
class PartWear:
    """One part, in all things that carry it.

    Attributes
    ----------
    part, kind : str
        Its name in lower case, and the kind of fault that its wear shows in.
    of_tower : bool
        Whether it is one of towers as a whole.
    things : mapping of (str, int or None) to int
        The number of each bin or tower that carries it, from 0.
    slopes : Slopes or None
        How fast it wears in each; None where no age is known.
    own_variance : float
        Share of the variance of age that is not month's, bin's or air's.
    base : float array, one per thing
        Expected faults per feed on the paper and in the air of the last 91 days; NaN where it
        never ran.
    shapes : mapping of int to (str, date or None)
        Of things whose faults rise: how, and when they did so at once, where that is far likelier.
    alike : frozenset of int
        Bins whose faults rise no more than those of the other bins of their tower.
    trend : Trend or None
        Laplace's test over all of them.
    """

    part: str
    kind: str
    of_tower: bool
    things: Mapping[Place, int]
    slopes: Slopes | None
    own_variance: float
    base: FloatArray
    shapes: Mapping[int, tuple[str, dt.date | None]]
    alike: frozenset[int] = frozenset()
    trend: Trend | None = None

    @property
    def cannot_tell(self) -> str:
        """Why its wear cannot be told anywhere, in words; empty where it can."""
        if self.slopes is None or not self.slopes.count.sum() > 0:
            return f"there are no {self.kind} at a known age to tell its wear from"
        if not self.pooled().apart:
            return (
                "its wear and time cannot be told apart, since such parts were fitted at the same "
                "times; fit them at different times"
            )
        return ""

    def cannot_tell_of(self, thing: int) -> str:
        """Why the wear in one thing cannot be told, in words; empty where it can."""
        if self.cannot_tell or thing not in self.alike:
            return self.cannot_tell
        return (
            "all bins of its tower got worse together, so what they share may have worn as well; "
            "look at pump and filter first"
        )

    def pooled(self) -> PooledWear:
        """Return how it wears in an ordinary one of them."""
        found = self.slopes
        some = found is not None and found.count.sum() > 0
        return PooledWear(
            part=self.part,
            kind=self.kind,
            ratio=found.pooled if found is not None and some else math.nan,
            low=found.pooled_low if found is not None and some else math.nan,
            high=found.pooled_high if found is not None and some else math.nan,
            things=int((found.expected > 0).sum()) if found is not None else 0,
            own_variance=self.own_variance,
            of_tower=self.of_tower,
            trend=self.trend.statistic if self.trend is not None and some else math.nan,
            trend_p=self.trend.p if self.trend is not None and some else math.nan,
        )


@dataclass(frozen=True)
class PartRows:
    """Rows of runs of the things that carry a part; of towers all bins of a run are one row.

    Attributes
    ----------
    faults, expected, feeds : float array
        As of `analysis.judged.Judged`.
    aged : float array
        What the part aged meanwhile: feeds of the bin, cycles of the tower.
    age : float array
        At the middle of the run; NaN where it is not known.
    thing, run : int array
        Numbers of the bin or tower, and of the run.
    started : datetime64[us] array
        When the run began.
    air : float array
        Relative humidity; NaN where it was not logged.
    """

    faults: FloatArray
    expected: FloatArray
    feeds: FloatArray
    aged: FloatArray
    age: FloatArray
    thing: IntArray
    run: IntArray
    started: NDArray[np.datetime64]
    air: FloatArray

    def of(self, some: BoolArray) -> PartRows:
        """Return some of the rows."""
        return PartRows(*(getattr(self, name)[some] for name in self.__dataclass_fields__))


def part_wear(
    key: tuple[bool, str],
    kind: str,
    judged: Mapping[str, tuple[Judged, FloatArray]],
    places: Sequence[Place],
    until: dt.datetime | None,
) -> PartWear:
    """Find how fast a part wears in each bin or tower that carries it.

    Parameters
    ----------
    key : (bool, str)
        Whether it is a part of towers as a whole, and its name.
    kind : str
        Of fault that its wear shows in.
    judged : mapping of str to (Judged, float array)
        By kind of fault, with the relative humidity of each row.
    places : sequence of (str, int or None)
        Bins or towers that carry it.
    until : datetime or None
        The end of the log; None where it is empty.

    Returns
    -------
    PartWear
        Without slopes where the kind was not judged, or no age is known.
    """
    of_tower, part = key
    nothing = np.full(len(places), np.nan)
    things = {place: number for number, place in enumerate(places)}
    if kind not in judged or until is None:
        return PartWear(part, kind, of_tower, things, None, math.nan, nothing, {})
    one, air = judged[kind]
    rows = part_rows(one, air, part, things, of_tower=of_tower)
    base = _base(rows, things, until)
    if not (~np.isnan(rows.age)).any():
        return PartWear(part, kind, of_tower, things, None, math.nan, base, {})
    variance = np.array([one.variance.get(tower, 0.0) for tower, _ in places])

    def worn(some: PartRows) -> Slopes:
        return slopes(
            some.faults,
            some.expected,
            some.age,
            some.thing,
            len(places),
            feeds=some.feeds,
            run=some.run,
            variance=variance,
            **({} if of_tower else {"between": one.between_bins}),
        )

    found = worn(rows)
    month = rows.started.astype("datetime64[M]").astype(np.int64)
    share = own_variance(rows.age, month, rows.thing, rows.air, rows.expected)
    rising = np.flatnonzero(found.low > 1).tolist()
    shapes = {thing: _shape(rows, thing, float(variance[thing])) for thing in rising}
    alike: frozenset[int] = frozenset()
    if rising and not of_tower and not found.pooled_low > 1:
        beside = part_rows(one, air, part, things, of_tower=False, factor=beside_others(one))
        apart = worn(beside)
        alike = frozenset(thing for thing in rising if not apart.low[thing] > 1)
    weights = np.nan_to_num(found.expected)
    wide = float(np.average(found.dispersion, weights=weights)) if weights.any() else 1.0
    trend = laplace_counts(rows.faults, rows.expected, rows.age, rows.thing, dispersion=wide)
    return PartWear(part, kind, of_tower, things, found, share, base, shapes, alike, trend)


def _shape(rows: PartRows, thing: int, variance: float) -> tuple[str, dt.date | None]:
    """Say how the faults of a thing rise, and when, if at once is far likelier than with age."""
    mine = rows.of((rows.thing == thing) & ~np.isnan(rows.age))
    first = mine.started.min()
    found = shape(
        mine.faults,
        mine.expected,
        mine.aged,
        # Ages are those at the middle of a run.
        np.maximum(mine.age - 0.5 * mine.aged, 0.0),
        when=(mine.started - first) / np.timedelta64(1, "D"),
        run=mine.run,
        variance=variance,
    )
    if found.better != "at once" or not found.sure or not found.step > 1:
        return ("" if found.better == "none" else found.better), None
    changed = (
        (first + np.timedelta64(math.floor(found.since * 86_400), "s"))
        .astype("datetime64[D]")
        .astype(object)
    )
    assert isinstance(changed, dt.date)
    return found.better, changed


def _age_row(judged: Judged, part: str, of_tower: bool) -> FloatArray:
    for number, name in enumerate(judged.parts):
        if name == part and judged.of_tower[number] == of_tower:
            return np.asarray(judged.ages[number])
    return np.full(judged.place.size, np.nan)


def part_rows(
    judged: Judged,
    air: FloatArray,
    part: str,
    things: Mapping[Place, int],
    *,
    of_tower: bool,
    factor: FloatArray | None = None,
) -> PartRows:
    """Set out the rows of the bins, or of the towers, that carry a part.

    Parameters
    ----------
    judged : Judged
        Of the kind of fault that its wear shows in.
    air : float array
        Relative humidity of each row of it.
    part : str
        In lower case.
    things : mapping of (str, int or None) to int
        Which bins (or towers, with None), numbered; rows of others are left out.
    of_tower : bool
        Whether it is a part of towers as a whole. Bins with a trouble of their own are then left
        out: it would be put down to what all bins share.
    factor : float array, optional
        What is expected of each row is times this.
    """
    if factor is not None:
        judged = replace(judged, expected=judged.expected * factor)
    return (_of_towers if of_tower else _of_bins)(judged, air, part, things)


def _of_bins(judged: Judged, air: FloatArray, part: str, things: Mapping[Place, int]) -> PartRows:
    number = np.array([things.get(place, -1) for place in judged.places], dtype=np.int64)
    thing = number[judged.place]
    some = (thing >= 0) & (judged.expected > 0)
    return PartRows(
        faults=judged.faults,
        expected=judged.expected,
        feeds=judged.feeds,
        aged=judged.feeds,
        age=_age_row(judged, part, of_tower=False),
        thing=thing,
        run=judged.run,
        started=judged.started,
        air=air,
    ).of(some)


def _of_towers(judged: Judged, air: FloatArray, part: str, things: Mapping[Place, int]) -> PartRows:
    """Add up all bins of a run, each by its own level."""
    number = np.array([things.get((tower, None), -1) for tower, _ in judged.places], np.int64)
    thing = number[judged.place]
    some = (thing >= 0) & (judged.expected > 0) & ~own_trouble(judged)[judged.place]
    _, first, run = np.unique(judged.run[some], return_index=True, return_inverse=True)
    expected = judged.expected * judged.level[judged.place]
    # A run has as many cycles as the busiest of its bins has feeds.
    cycles = np.zeros(first.size)
    np.maximum.at(cycles, run, judged.feeds[some])

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(run, weights=values[some], minlength=first.size), np.float64)

    return PartRows(
        faults=total(judged.faults),
        expected=total(expected),
        feeds=total(judged.feeds),
        aged=cycles,
        age=_age_row(judged, part, of_tower=True)[some][first],
        thing=thing[some][first],
        run=np.arange(first.size),
        started=judged.started[some][first],
        air=air[some][first],
    )


def _base(rows: PartRows, things: Mapping[Place, int], until: dt.datetime) -> FloatArray:
    """Return expected faults per feed of late, of each thing; its tower's where it did not run."""
    late = rows.started > np.datetime64(until) - np.timedelta64(PACE_DAYS, "D")
    found = np.full(len(things), np.nan)
    towers = np.array([tower for tower, _ in things])
    for (tower, _), number in things.items():
        mine, near = rows.thing == number, np.flatnonzero(towers == tower)
        for some in (mine & late, np.isin(rows.thing, near) & late, mine):
            if rows.feeds[some].sum() > 0:
                found[number] = rows.expected[some].sum() / rows.feeds[some].sum()
                break
    return found


def action_limit(
    wear: PartWear, thing: int, site: Site
) -> tuple[float | None, float | None, Range | None]:
    """Say what the action limit is, and at what age it is passed.

    Parameters
    ----------
    wear : PartWear
        Whose slopes are known.
    thing : int
        Which bin or tower.
    site : Site
        May state a rate, or so many times that with a new part; else the latter as is usual.

    Returns
    -------
    rate, times : float or None
        Faults per feed, or so many times those with a new part: one of the two.
    age : Range or None
        None where it never ran, so that a rate says nothing.
    """
    assert wear.slopes is not None
    rate = site.limits.get(wear.kind)
    if rate is not None:
        base = float(wear.base[thing])
        if not base > 0:
            return rate, None, None
        return rate, None, limit_age(wear.slopes, thing, rate_over_expected=rate / base)
    times = site.limit_times or USUAL_LIMIT_TIMES
    return None, times, limit_age(wear.slopes, thing, times=times)
