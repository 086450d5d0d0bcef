"""How often is an alarm of `feedtally drift` false, how late is a true one, and is its date right?

Fleets of `tests.fleets` are drawn without any change, and watched as anybody's log is: what is
expected is learnt from six months, anew each month. Every alarm is then false. Into others a change
is put: one bin of each tower, for each kind of fault, has 1.5, 2 or 3 times its faults from some day
of the seventh or eighth month on, or gets worse little by little until it has twice as many a year
later. What is measured:

- false alarms for each tower and monitored year, without and with clusters of faults by run;
- days from a step to its alarm, beside those of the ideal monitor, which is told the true expected
  faults of every run and the true ratio: one CUSUM for that ratio, with as many false alarms as ours
  was measured to have on the bins of the same fleets. No monitor notices a step sooner on average
  for as few (Moustakides 1986). Those that were never noticed count as noticed on the last day, for
  both;
- how often the range of the beginning holds the day of the change, at the alarm and later;
- how many times as many faults there seem to be at the alarm, and later.

    python -m tests.slow.drift --fleets 70 --seed 0

takes about half an hour on two processors.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.counts import Account
from analysis.drift import Alarm, Drift, drift
from analysis.monitor import KINDS, Service, watch
from tests.fleets import Fleet, fleet

Array = NDArray[np.float64]

#: Days of a fleet: half a year, and a year or one and a half after it.
LEARNT, QUIET_DAYS, CHANGED_DAYS = 181, 546, 731
#: A change comes in the two months after those in which it is learnt what to expect.
CHANGE_DAYS = (184, 244)
STEPS = (1.5, 2.0, 3.0)
RAMP = 2.0
SETTINGS = ("set_spring", "set_foot_rest", "set_bleed_holes", "set_vacuum", "set_blast", "set_speed")
#: Bins of three towers, for each kind, that are changed.
CHANGED = {"misses": (2, 5, 8), "doubles": (4, 7, 3)}


def counted(drawn: Fleet) -> pa.Table:
    """Return the production rows of a fleet as a scan gives them, with the true expected faults."""
    runs = drawn.runs
    some = (runs["purpose"] == "production") & (runs["cycles"] > 0)
    text = {name: runs[name][some] for name in ("tower", "stock", "purpose", "prepared", *SETTINGS)}
    columns = {
        name: pa.array([str(v) or None for v in values.tolist()], pa.string())
        for name, values in text.items()
    }
    feeds = pa.array(runs["cycles"][some].astype(np.int64))
    air = {name: runs[name][some].astype(float) for name in ("humidity_pct", "temperature_c")}
    misses, doubles = (runs[kind][some].astype(np.int64) for kind in KINDS)
    return pa.table(
        columns
        | {name: pa.array(v, mask=np.isnan(v)) for name, v in air.items()}
        | {
            "bin": pa.array(runs["bin"][some].astype(np.int64)),
            "of_tower": columns["tower"],
            "of_run": pa.array(runs["run"][some].tolist(), pa.string()),
            "feeds": feeds,
            **{f"feeds_{kind}": feeds for kind in (*KINDS, "faults")},
            "misses": misses,
            "doubles": doubles,
            "faults": misses + doubles,
            "first": pa.array(runs["started"][some].astype("datetime64[us]")),
            **{f"true_{kind}": pa.array(drawn.expected[kind][some]) for kind in KINDS},
        }
    )


@dataclass(frozen=True)
class Change:
    """What was put into one stream: from when on, how many times, and whether at once."""

    tower: str
    bin: int
    kind: str
    when: dt.datetime
    ratio: float
    ramp: bool


def changed(
    counts: pa.Table, rng: np.random.Generator, variance: float, ratio: float, *, ramp: bool
) -> tuple[pa.Table, list[Change]]:
    """Put changes into a fleet: more faults of the streams of `CHANGED`, drawn beside the others."""
    started = counts["first"].to_numpy().astype("datetime64[us]")
    tower = np.array(counts["of_tower"].to_pylist())
    number = counts["bin"].to_numpy()
    run = np.array(counts["of_run"].to_pylist())
    day0 = started.min().astype("datetime64[D]")
    changes = []
    for kind in KINDS:
        more = counts[kind].to_numpy().copy()
        for t, bin_ in enumerate(CHANGED[kind]):
            name = f"T{t + 1}"
            when = day0 + int(rng.integers(*CHANGE_DAYS))
            here = (tower == name) & (number == bin_) & (started >= when)
            years = (started[here] - when).astype("timedelta64[s]").astype(float) / (365 * 86400)
            added = ratio ** np.minimum(years, 1.0) - 1 if ramp else np.full(years.size, ratio - 1)
            spread = np.ones(years.size)
            if variance:
                # The faults that are added come together with a run of their own.
                _, of = np.unique(run[here], return_inverse=True)
                spread = rng.gamma(1 / variance, variance, int(of.max()) + 1)[of]
            more[here] += rng.poisson(counts[f"true_{kind}"].to_numpy()[here] * added * spread)
            moment = when.astype("datetime64[us]").item()
            changes.append(Change(name, bin_, kind, moment, ratio, ramp))
        place = counts.column_names.index(kind)
        counts = counts.set_column(place, kind, pa.array(more))
    return counts, changes


def watched(counts: pa.Table, drawn: Fleet, budget: float = 1.0) -> Drift:
    """Watch a fleet as `answers.drift` does a log."""
    started = counts["first"].to_numpy().astype("datetime64[us]")

    def between(since: dt.datetime, until: dt.datetime) -> pa.Table:
        some = (started >= np.datetime64(since)) & (started < np.datetime64(until))
        return counts.filter(pa.array(some))

    first, last = (moment.item() for moment in (started.min(), started.max()))
    services = [
        Service(when.astype("datetime64[us]").item(), tower, int(number), False, part, action)
        for when, tower, number, part, action in zip(
            *(drawn.services[name] for name in ("when", "tower", "bin", "part", "action")),
            strict=True,
        )
    ]
    stocks = [
        dict(zip(drawn.stocks, row, strict=True))
        for row in zip(*(column.tolist() for column in drawn.stocks.values()), strict=True)
    ]
    months, learnt = watch(between, first, last, stocks, SETTINGS, services, budget=budget)
    account = Account(counts.num_rows, 0, 0, first, last)
    return drift(months, learnt, account, budget=budget)


@dataclass(frozen=True)
class Quiet:
    """A fleet in which nothing changed."""

    tower_years: float
    of_bins: int
    of_towers: int
    #: Runs of every bin: kind, true expected faults and faults, from where it was monitored.
    streams: tuple[tuple[str, Array, Array], ...]


def by_run(counts: pa.Table, tower: str, bin_: int, kind: str, since: dt.datetime) -> tuple:
    """Return start, true expected faults and faults of a bin in each of its runs."""
    started = counts["first"].to_numpy().astype("datetime64[us]")
    here = (np.array(counts["of_tower"].to_pylist()) == tower) & (counts["bin"].to_numpy() == bin_)
    here &= started >= np.datetime64(since)
    names = np.array(counts["of_run"].to_pylist())[here]
    _, first, of = np.unique(names, return_index=True, return_inverse=True)
    true = np.bincount(of, counts[f"true_{kind}"].to_numpy()[here])
    faults = np.bincount(of, counts[kind].to_numpy()[here])
    return started[here][first], true, faults


def quiet(asked: tuple[int, float]) -> Quiet:
    """Draw a fleet without a change and watch it."""
    seed, variance = asked
    drawn = fleet(
        seed, days=QUIET_DAYS, variance=variance, unlogged_moves=False, under_counted=False, wear=1.0
    )
    counts = counted(drawn)
    found = watched(counts, drawn)
    begun = found.first_monitored
    assert begun is not None and found.account.last is not None
    years = (found.account.last - begun).total_seconds() / (365.25 * 86400)
    streams = tuple(
        (s.kind, *by_run(counts, s.tower, s.bin, s.kind, begun)[1:])
        for s in found.monitored
        if s.bin is not None
    )
    return Quiet(
        3 * years,
        sum(len(s.alarms) for s in found.monitored if s.bin is not None),
        sum(len(s.alarms) for s in found.monitored if s.bin is None),
        streams,
    )


def alarms(expected: Array, faults: Array, ratio: float, variance: float, threshold: float) -> list:
    """Return the places at which one CUSUM for a known ratio alarms; it then starts at nought."""
    if variance:
        size = faults + 1 / variance
        gains = faults * np.log(ratio) - size * np.log(
            (1 + variance * ratio * expected) / (1 + variance * expected)
        )
    else:
        gains = faults * np.log(ratio) - (ratio - 1) * expected
    out, total = [], 0.0
    for place, gain in enumerate(gains.tolist()):
        total = max(0.0, total + gain)
        if total >= threshold:
            out.append(place)
            total = 0.0
    return out


def ideal_threshold(found: Sequence[Quiet], ratio: float, variance: float) -> float:
    """Return the threshold at which the ideal monitor has as many false alarms on the bins."""
    wanted = max(sum(one.of_bins for one in found), 1)

    def number(threshold: float) -> int:
        return sum(
            len(alarms(m, x, ratio, variance, threshold)) for one in found for _, m, x in one.streams
        )

    low, high = 1.0, 20.0
    while high - low > 0.01:
        middle = (low + high) / 2
        low, high = (middle, high) if number(middle) > wanted else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True)
class Late:
    """One change: days and expected faults until the ideal monitor and ours noticed it."""

    change: Change
    days: float
    ideal_days: float
    noticed: bool
    ideal_noticed: bool
    at: Alarm | None
    later: Alarm | None


def late(asked: tuple[int, float, float, bool, float]) -> list[Late]:
    """Draw a fleet with changes, watch it, and say how late each is noticed."""
    seed, variance, ratio, ramp, threshold = asked
    drawn = fleet(
        seed,
        days=CHANGED_DAYS,
        variance=variance,
        unlogged_moves=False,
        under_counted=False,
        wear=1.0,
    )
    rng = np.random.default_rng([seed, 7])
    counts, changes = changed(counted(drawn), rng, variance, ratio, ramp=ramp)
    found = watched(counts, drawn)
    last = found.account.last
    assert last is not None and found.first_monitored is not None
    out = []
    for change in changes:
        stream = found.stream(change.tower, change.bin, change.kind)
        assert stream is not None
        true = [a for a in stream.alarms if a.alarmed_at >= change.when]
        alarm = true[0] if true else None
        # An alarm that was open when the change came has found nothing of it yet.
        noticed = alarm.alarmed_at if alarm else last
        started, m, x = by_run(counts, change.tower, change.bin, change.kind, found.first_monitored)
        places = alarms(m, x, ratio, variance, threshold)
        after = [p for p in places if started[p] >= np.datetime64(change.when)]
        ideal = started[after[0]].item() if after else last
        at = None
        if alarm is not None:
            at = at_the_alarm(counts, drawn, stream.tower, stream.bin, stream.kind, alarm)
        out.append(
            Late(
                change,
                (noticed - change.when) / dt.timedelta(days=1),
                (ideal - change.when) / dt.timedelta(days=1),
                alarm is not None,
                bool(after),
                at,
                alarm,
            )
        )
    return out


def at_the_alarm(
    counts: pa.Table, drawn: Fleet, tower: str, bin_: int | None, kind: str, alarm: Alarm
) -> Alarm | None:
    """Return what was said of an alarm on the day it was raised, by a log that ends there."""
    started = counts["first"].to_numpy().astype("datetime64[us]")
    told = watched(counts.filter(pa.array(started <= np.datetime64(alarm.alarmed_at))), drawn)
    stream = told.stream(tower, bin_, kind)
    return stream.alarms[-1] if stream is not None and stream.alarms else None
