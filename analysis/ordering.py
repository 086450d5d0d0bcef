"""From counts and the service log to what is wearing and what is to be ordered: `analysis.parts`.

The rate of a bin rises by the same ratio with every 100,000 feeds of a part's age
(`analysis.wear`). The action limit is a rate that the site states, held against what is to be
expected on the paper and in the air of the last 91 days, or else so many times what the bin has
with a new part. Feeds until it is passed become days by the bin's own pace of the last 91 days, or
by the site's planned hours and pace. The range of the days joins those of both as Zou and Donner
(2008) do, on the scale of logarithms, where they are a sum.

References
----------
Zou GY, Donner A (2008). Construction of confidence limits about effect measures: a general
approach. Statistics in Medicine 27:1693-1702.
Barlow RE, Hunter L (1960). Optimum preventive maintenance policies. Operations Research 8:90-100.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.counts import Account
from analysis.in_place import Feeds, InPlace, Pace, TakenOut, in_place
from analysis.judged import Judged
from analysis.lives import kaplan_meier, weibull
from analysis.part_wear import PartWear, action_limit, kind_of_part, part_wear
from analysis.parts import PartLives, PartRow, Parts, PastPart
from analysis.replacement import best_interval
from analysis.service_log import Place, Service
from analysis.services import LATE, ServiceRow, services
from analysis.site import Site
from analysis.wear_forecasts import Range, rate_now
from analysis.words import day, listed, many

FloatArray = NDArray[np.float64]

#: Days that a part takes to come, where the site does not say: common practice, no source.
LEAD_DAYS = 30

#: Later than this is no date that anybody plans for.
_LAST_DAY = 36_525


def parts(
    judged: Mapping[str, tuple[Judged, FloatArray]],
    fed: pa.Table,
    done: Sequence[Service],
    account: Account,
    site: Site,
    *,
    listed_bins: Mapping[str, int | None],
    until: dt.datetime | None,
    kind: str | None = None,
    asked: Callable[[Place], bool] = lambda place: True,
    since: dt.datetime | None = None,
) -> Parts:
    """Find what is wearing, what is to be ordered and when, and whether services helped.

    Parameters
    ----------
    judged : mapping of str to (Judged, float array)
        By kind of fault, with the relative humidity of each row (NaN where it was not logged). A
        kind of which none were logged has no entry.
    fed : pyarrow.Table
        Feeds by tower, bin and run, of all purposes: `analysis.counts.LogScan.fed`.
    done : sequence of Service
        The service log in order of time.
    account : Account
        Handed on.
    site : Site
        Limits, kinds, prices and times of parts, what towers carry and how they are planned.
    listed_bins : mapping of str to int or None
        Bins of the towers of the tower list.
    until : datetime or None
        The end of the log; None where it is empty.
    kind : str, optional
        Of fault that all parts are judged by; each by its own where absent.
    asked : callable
        Which bins and towers are told of. All are learnt from.
    since : datetime, optional
        Services and parts that were over before are not told.
    """
    feeds = Feeds(fed)
    bins = {tower: list(numbers) for tower, numbers in feeds.bins.items()}
    for tower, count in listed_bins.items():
        here = bins.get(tower, [])
        bins[tower] = sorted({*here, *range(1, (count or 0) + 1)})
    told = [one for one in done if until is not None and one.when <= until + LATE]
    now, out = in_place(told, bins, lambda t: (site.tower(t).parts, site.tower(t).tower_parts))

    def kind_of(part: str) -> str:
        return kind_of_part(part, site, kind)

    wear: dict[tuple[bool, str], PartWear] = {}
    for one in now:
        key = (one.bin is None, one.part)
        if key not in wear:
            places = [(n.tower, n.bin) for n in now if (n.bin is None, n.part) == key]
            wear[key] = part_wear(key, kind_of(one.part), judged, places, until)
    out = [one for one in out if feeds.between(one.tower, one.bin, one.fitted_at, one.removed_at)]
    lived: dict[tuple[str, int | None, str], int] = {}
    for old in out:
        lived[old.tower, old.bin, old.part] = lived.get((old.tower, old.bin, old.part), 0) + 1
    alike = _alike(now, out, kind_of)
    rows = [
        replace(
            _row(one, wear[one.bin is None, one.part], feeds, site, until, lived),
            same_as=alike.get((one.tower, one.bin, one.part), ()),
        )
        for one in now
        if asked((one.tower, one.bin))
    ]
    every = services(done, {k: j for k, (j, _) in judged.items()}, kind_of, bins, until)
    acts = tuple(
        row
        for row in every
        if (asked((row.tower, row.bin)) or row.tower not in bins)
        and (since is None or row.when >= since)
    )
    past = tuple(
        _past(one, wear[one.bin is None, one.part], feeds, site)
        for one in out
        if asked((one.tower, one.bin)) and (since is None or one.removed_at >= since)
    )
    unknown = tuple(_unknown(rows, bins))
    return Parts(
        parts=tuple(sorted(rows, key=_soonest)),
        services=acts,
        past=past,
        lives=tuple(_lives(key, now, out, feeds) for key in wear),
        pooled=tuple(one.pooled() for one in wear.values()),
        warnings=(
            *_odd(acts),
            *_misnamed(acts, site),
            *unknown,
            *(one.pooled().sentence() for one in wear.values() if not one.pooled().apart),
        ),
        account=account,
        until=until,
        currency=site.costs.currency,
        unknown_ages=unknown,
    )


def _alike(
    now: Sequence[InPlace], out: Sequence[TakenOut], kind_of: Callable[[str], str]
) -> dict[tuple[str, int | None, str], tuple[str, ...]]:
    """Return which parts of a place were fitted on the same days and show in the same faults."""
    days: dict[tuple[str, int | None, str], set[dt.date]] = {}
    placed: list[InPlace | TakenOut] = [*now, *out]
    for one in placed:
        here = days.setdefault((one.tower, one.bin, one.part), set())
        if one.fitted_at is not None:
            here.add(one.fitted_at.date())
    found: dict[tuple[object, ...], list[str]] = {}
    for (tower, bin, part), fitted in days.items():
        if fitted:
            key = (tower, bin, kind_of(part), frozenset(fitted))
            found.setdefault(key, []).append(part)
    return {
        (tower, bin, part): tuple(
            other
            for other in found.get((tower, bin, kind_of(part), frozenset(fitted)), [])
            if other != part
        )
        for (tower, bin, part), fitted in days.items()
    }


def _odd(rows: Sequence[ServiceRow]) -> list[str]:
    """Say which lines of the service log are odd; many of one sort in one sentence."""
    found: dict[str, list[ServiceRow]] = {}
    for row in rows:
        if row.warning:
            found.setdefault(row.warning, []).append(row)
    said = []
    for warning, odd in found.items():
        first = odd[0]
        head = f"{day(first.when)}, {first.what}, {first.where}"
        if len(odd) > 1:
            head = f"{many(len(odd), 'line')} from {day(min(row.when for row in odd))} on"
        said.append(f"Service log, {head}: {warning}.")
    return said


def _misnamed(rows: Sequence[ServiceRow], site: Site) -> list[str]:
    """Say which names of the service log look like another name of a part of the site file.

    Such a part would age by itself, and the one that was meant would seem to be in still.
    """
    found: dict[tuple[str, tuple[str, ...]], int] = {}
    for row in rows:
        key = (row.part, site.parts_like(row.part, row.tower) if row.part else ())
        found[key] = found.get(key, 0) + 1
    return [
        f"Service log, {part} ({many(count, 'line')}): the site file has "
        "no such part, so that it is taken for one of its own; correct the name if "
        f"{' or '.join(meant)} is meant."
        for (part, meant), count in sorted(found.items())
        if meant
    ]


def _soonest(row: PartRow) -> tuple[object, ...]:
    never = dt.date.max
    place = (row.tower, row.bin is None, row.bin or 0, row.part)
    return (row.order_by or never, not row.wears, row.limit_on or never, place)


def _unknown(rows: Iterable[PartRow], every: Mapping[str, Sequence[int]]) -> list[str]:
    """Say which parts are of unknown age, and what to log."""
    found: dict[tuple[str, str, bool], list[int]] = {}
    for row in rows:
        if row.fitted_at is None:
            bins = found.setdefault((row.tower, row.part, row.bin is None), [])
            bins += [row.bin] if row.bin is not None else []
    said = []
    for (tower, part, of_tower), bins in sorted(found.items()):
        where = f"tower {tower}"
        if not of_tower:
            numbers = listed([str(number) for number in sorted(bins)])
            where = f"bin{'s' if len(bins) > 1 else ''} {numbers} of tower {tower}"
            if len(bins) == len(every[tower]) > 1:
                where = f"every bin of tower {tower}"
        said.append(
            f"The age of the {part} of {where} is unknown, since nothing in the service log says "
            f"when it was fitted; log the next one as fitted"
            f"{', with bin tower' if of_tower else ', with its bin'}."
        )
    return said


# One part. ----------------------------------------------------------------------------------------


def _row(
    one: InPlace,
    wear: PartWear,
    feeds: Feeds,
    site: Site,
    until: dt.datetime | None,
    lived: Mapping[tuple[str, int | None, str], int],
) -> PartRow:
    """Say of one part in place how it wears and when it is to be ordered."""
    place = (one.tower, one.bin)
    thing = wear.things[place]
    price = site.part(one.part).price
    row = PartRow(tower=one.tower, bin=one.bin, part=one.part, kind=wear.kind, price=price)
    pace = Pace(math.nan, math.nan, math.nan)
    if until is not None:
        pace = _pace(one, feeds, site, until)
        row = replace(
            row,
            feeds_per_day=pace.per_day,
            feeds_per_day_low=pace.low,
            feeds_per_day_high=pace.high,
        )
    found = wear.slopes
    if found is not None:
        row = replace(
            row,
            wear_ratio_per_100k_feeds=float(found.ratio[thing]),
            low=float(found.low[thing]),
            high=float(found.high[thing]),
            feeds=round(float(np.nan_to_num(found.feeds[thing]))),
            count=round(float(found.count[thing])),
            expected=float(found.expected[thing]),
        )
    if one.fitted_at is None or until is None:
        why = (
            "it came from another place, so its age is unknown; log the next new one as fitted"
            if one.swapped
            else "its age is unknown, since nothing in the service log says when it was fitted; "
            "log the next one as fitted"
        )
        return replace(row, cannot_tell=why)
    age = feeds.between(*place, one.fitted_at)
    row = replace(
        row,
        fitted_at=one.fitted_at,
        age_feeds=age,
        age_days=max(0.0, (until - one.fitted_at) / dt.timedelta(days=1)),
        lives=lived.get((*place, one.part), 0) + (age > 0),
        cannot_tell=wear.cannot_tell_of(thing),
    )
    if found is None or not found.count.sum() > 0:
        return row
    base = float(wear.base[thing])
    if base > 0:
        rate = rate_now(found, thing, age)
        row = replace(
            row,
            rate_now=rate.best * base,
            rate_now_low=rate.low * base,
            rate_now_high=rate.high * base,
        )
    if row.cannot_tell:
        return row
    how, changed = wear.shapes.get(thing, ("", None))
    row = replace(row, shape=how, changed_on=changed)
    if changed is not None:
        # What came at once says nothing of when the next limit is passed.
        return replace(row, replace_why="its faults came at once, which is no wear")
    row = _with_limit(row, one, action_limit(wear, thing, site), feeds, pace, site, until)
    return _with_interval(row, wear, thing, site)


def _with_limit(
    row: PartRow,
    one: InPlace,
    limit: tuple[float | None, float | None, Range | None],
    feeds: Feeds,
    pace: Pace,
    site: Site,
    until: dt.datetime,
) -> PartRow:
    """Say when it passes its limit, and when to order."""
    rate, times, at = limit
    row = replace(row, limit_rate=rate, limit_times=times)
    if at is None or row.age_feeds is None or one.fitted_at is None:
        return row
    age, place = row.age_feeds, (one.tower, one.bin)
    best, low, high = (float(max(0.0, end - age)) for end in (at.best, at.low, at.high))

    def on(end: float, days: float) -> dt.date | None:
        if end <= age:
            passed = feeds.when(*place, one.fitted_at or until, max(end, 1.0))
            return passed.date() if passed is not None else until.date()
        return _later(until, days)

    row = replace(
        row,
        feeds_to_limit=best,
        feeds_to_limit_low=low,
        feeds_to_limit_high=high,
        limit_on=on(at.best, _days(best, pace.per_day)),
        limit_earliest=on(at.low, _joined(best, low, pace.per_day, pace.high)),
        limit_latest=on(at.high, _joined(best, high, pace.per_day, pace.low)),
    )
    if not row.wears or row.limit_on is None:
        return row
    stated = site.part(one.part).lead_days
    lead = LEAD_DAYS if stated is None else stated
    return replace(
        row,
        lead_days=lead,
        lead_assumed=stated is None,
        order_by=row.limit_on - dt.timedelta(days=lead),
    )


def _days(feeds: float, per_day: float) -> float:
    return feeds / per_day if per_day > 0 else math.inf


def _joined(best: float, end: float, per_day: float, other: float) -> float:
    """Return an end of the range of days, from those of feeds and of feeds a day.

    On the scale of logarithms, where days are a difference: each adds the square of its distance.
    """
    if not (best > 0 and end > 0 and per_day > 0 and other > 0) or math.isinf(best + end):
        # With nothing left to run by the middle of what is likely, only feeds are in doubt.
        return _days(end, other)
    away = math.hypot(math.log(end / best), math.log(other / per_day))
    return best / per_day * math.exp(math.copysign(away, end - best))


def _later(until: dt.datetime, days: float) -> dt.date | None:
    """Return the day so many days on; none where nobody plans for it."""
    if not days <= _LAST_DAY:
        return None
    return until.date() + dt.timedelta(days=math.floor(days))


def _pace(one: InPlace, feeds: Feeds, site: Site, until: dt.datetime) -> Pace:
    """Return the feeds a day to come: as planned where the site says so, else as of late."""
    late = feeds.pace(one.tower, one.bin, until)
    note = site.tower(one.tower)
    if note.hours_per_week is None or note.cycles_per_hour is None:
        return late
    planned = note.hours_per_week * note.cycles_per_hour / 7
    if one.bin is not None:
        # A bin is not used in every job.
        whole = feeds.pace(one.tower, None, until).per_day
        planned *= late.per_day / whole if whole > 0 else 1.0
    return Pace(planned, planned, planned)


def _with_interval(row: PartRow, wear: PartWear, thing: int, site: Site) -> PartRow:
    """Say after how many feeds a new one costs least."""
    note, costs = site.part(row.part), site.costs.or_usual()
    if not row.wears:
        return replace(row, replace_why="its rate does not rise as far as can be told")
    if note.price is None:
        return replace(row, replace_why="the site file states no price of it")
    base = float(wear.base[thing])
    if not base > 0 or wear.slopes is None:
        return replace(row, replace_why="it did not run, so its faults of late are not known")
    hour = float(costs.hour or 0.0)
    share = float(costs.spoiled_share or 0.0)
    minutes = float(costs.stop_minutes or 0.0) + (1 - share) * float(costs.mend_minutes or 0.0)
    found = best_interval(
        note.price + hour * float(note.fit_minutes or 0.0) / 60,
        hour * minutes / 60 + share * float(costs.spoiled_set or 0.0),
        rate_now(wear.slopes, thing, 0.0).best * base,
        ratio=row.wear_ratio_per_100k_feeds,
    )
    why = found.sentence(site.costs.currency)
    if site.costs.assumed:
        why += " Of the costs of a fault, some are only what is usual."
    return replace(row, replace_every_feeds=float(found.feeds), replace_why=why)


# Parts that were taken out, and how long they last. -----------------------------------------------


def _past(one: TakenOut, wear: PartWear, feeds: Feeds, site: Site) -> PastPart:
    """Say of a part that was taken out when it had passed its limit."""
    row = PastPart(
        tower=one.tower,
        bin=one.bin,
        part=one.part,
        kind=wear.kind,
        fitted_at=one.fitted_at,
        removed_at=one.removed_at,
        feeds=feeds.between(one.tower, one.bin, one.fitted_at, one.removed_at),
        days=(one.removed_at - one.fitted_at) / dt.timedelta(days=1),
        reason=one.reason,
    )
    thing = wear.things.get((one.tower, one.bin))
    if thing is None or wear.slopes is None or not wear.slopes.low[thing] > 1:
        return row
    if wear.cannot_tell_of(thing):
        return row
    if wear.shapes.get(thing, ("", None))[1] is not None:
        return row
    at = action_limit(wear, thing, site)[2]
    if at is None:
        return row

    def on(end: float) -> dt.date | None:
        when = feeds.when(one.tower, one.bin, one.fitted_at, max(float(end), 1.0))
        return when.date() if when is not None and when < one.removed_at else None

    return replace(row, limit_on=on(at.best), limit_earliest=on(at.low), limit_latest=on(at.high))


def _lives(
    key: tuple[bool, str], now: Sequence[InPlace], out: Sequence[TakenOut], feeds: Feeds
) -> PartLives:
    """Say how long parts of a name last: those taken out for cause, and those that lasted on."""
    of_tower, part = key
    times, ended = [], []
    for old in out:
        if (old.bin is None, old.part) == key:
            times.append(feeds.between(old.tower, old.bin, old.fitted_at, old.removed_at))
            ended.append(old.reason in ("worn", "broken"))
    for one in now:
        if (one.bin is None, one.part) == key and one.fitted_at is not None:
            times.append(feeds.between(one.tower, one.bin, one.fitted_at))
            ended.append(False)
    lasted = [(time, end) for time, end in zip(times, ended, strict=True) if time > 0]
    times, ended = [time for time, _ in lasted], [end for _, end in lasted]
    # A shape needs lives that ended at different ages.
    different = len({time for time, end in lasted if end}) > 1
    return PartLives(
        part=part,
        ended=sum(ended),
        censored=len(ended) - sum(ended),
        weibull=weibull(times, ended) if different else None,
        kaplan_meier=kaplan_meier(times, ended) if any(ended) else None,
        of_tower=of_tower,
    )
