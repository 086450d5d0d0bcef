"""How are we running: what changed, what stands out, and what is missing from the log?

Sets the rates of a period beside those of the period before and of each tower's burn-in. A bin is
pointed at for one of two reasons: it is *worse* than its burn-in (`analysis.benchmark`), or it
*stands out* from the other bins of its tower in the same period, which had the same air and nearly
the same work. Both are adjusted for how many bins are looked at, so that a page full of good bins
mostly points at none.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.compute as pc

from analysis.attention import Attention, Missing, attention_list
from analysis.counts import Account
from analysis.filters import Filters
from analysis.log_format import FAULT_KINDS, KINDS, kinds_of
from analysis.rates import Rate, pooled_sums
from analysis.standing import Counted, TowerList, TowerStanding, look_at, tower_standing
from analysis.words import listed, many, per_10k


@dataclass(frozen=True)
class Spoiled:
    """Share of sets with at least one fault; one set per cycle of a tower.

    Attributes
    ----------
    share, low, high : float
        Of sets, as fractions.
    sets : int
        Sets that it rests on.
    """

    share: float
    low: float
    high: float
    sets: int


@dataclass(frozen=True)
class Overview:
    """Everything that the overview page shows.

    Attributes
    ----------
    filters : Filters
        As asked; its period is the one shown.
    before : Filters
        The same question for the period of the same length just before.
    account, account_before : analysis.counts.Account
        Evidence of both periods.
    now, past, burn_in : dict of str to Rate
        By kind of fault (``misses``, ``doubles``, ``faults``); ``burn_in`` sums the latest
        burn-ins of the towers shown and is empty where there is none.
    spoiled_now, spoiled_past : Spoiled or None
        Sets spoiled or mended; None without feeds, and where the filter holds a part of the sets'
        bins only.
    towers : tuple of TowerStanding
        In the order of their names.
    attention : tuple of Attention
        Most faults above burn-in first, gaps of the log after them.
    missing : Missing
        What was not logged.
    """

    filters: Filters
    before: Filters
    account: Account
    account_before: Account
    now: dict[str, Rate]
    past: dict[str, Rate]
    burn_in: dict[str, Rate]
    spoiled_now: Spoiled | None
    spoiled_past: Spoiled | None
    towers: tuple[TowerStanding, ...]
    attention: tuple[Attention, ...]
    missing: Missing

    def sentence(self) -> str:
        """Say in one line how it runs."""
        kind = self.filters.kind
        now, past = self.now[kind], self.past[kind]
        if now.rate is None:
            if not self.account.rows:
                return "Nothing was logged in this period; choose another."
            return f"Nothing was watching for {kind} in this period, so there is no rate."
        text = f"{kind.capitalize()} run at {per_10k(now.rate)} per 10,000 feeds"
        length = _length(self.before)
        if past.rate is None:
            text += f"; nothing is logged from the {length} before to compare with"
        elif now.wide_low > past.wide_high:
            text += f", up from {per_10k(past.rate)} in the {length} before"
        elif now.wide_high < past.wide_low:
            text += f", down from {per_10k(past.rate)} in the {length} before"
        else:
            text += f", no clear change from {per_10k(past.rate)} in the {length} before"
        pointed = dict.fromkeys((a.tower, a.bin) for a in self.attention if a.bin is not None)
        if pointed:
            return f"{text}; look at {_named(list(pointed))}."
        if self.towers:
            return f"{text}; no bin stands out."
        return f"{text}."


def _length(filters: Filters) -> str:
    if filters.since is None or filters.until is None:
        return "time"
    days = round((filters.until - filters.since) / dt.timedelta(days=1))
    return "day" if days <= 1 else f"{days} days"


def _named(bins: Sequence[tuple[str, int]]) -> str:
    """Name bins by tower: ``bins 3 and 7 of tower B and bin 5 of tower C``."""
    by_tower: dict[str, list[int]] = {}
    for tower, number in bins:
        by_tower.setdefault(tower, []).append(number)
    parts = []
    for tower, numbers in by_tower.items():
        numbers.sort()
        if len(numbers) > 3:
            parts.append(f"{many(len(numbers), 'bin')} of tower {tower}")
            continue
        which = listed([str(number) for number in numbers])
        parts.append(f"{'bin' if len(numbers) == 1 else 'bins'} {which} of tower {tower}")
    return listed(parts)


def overview(
    filters: Filters,
    before: Filters,
    account: Account,
    account_before: Account,
    counted: Counted,
    *,
    confidence: float = 0.95,
) -> Overview:
    """Set a period beside the one before and beside burn-in.

    Parameters
    ----------
    filters, before : Filters
        Of the period and of the one before.
    account, account_before : analysis.counts.Account
        Their evidence.
    counted : Counted
        Their counts.
    confidence : float
        Of the ranges.
    """

    def of(sums: pa.Table, kind: str) -> Rate:
        return pooled_sums(sums, kind, counted.spread[kind], confidence=confidence)

    names = sorted(set(counted.bins["of_tower"].to_pylist()))
    now, past = counted.now(whole=True), counted.past(whole=True)
    proved = [name for name in names if name in counted.proofs]
    burnt = counted.proved_of(proved) if proved else None
    looked = {
        # Of towers that are alike in the kind that is shown, it is told what would settle them.
        kind: look_at(kind, names, counted, account, confidence, planned=kind == filters.kind)
        for kind in dict.fromkeys((filters.kind, *kinds_of(filters.kind)))
    }
    towers = tuple(tower_standing(name, counted, looked[filters.kind]) for name in names)
    missing = _missing(counted)
    return Overview(
        filters=filters,
        before=before,
        account=account,
        account_before=account_before,
        now={kind: of(now, kind) for kind in FAULT_KINDS},
        past={kind: of(past, kind) for kind in FAULT_KINDS},
        burn_in={kind: of(burnt, kind) for kind in FAULT_KINDS} if burnt is not None else {},
        spoiled_now=_spoiled(
            filters, now, counted.now(whole=False), counted.listed, of(now, "faults")
        ),
        spoiled_past=_spoiled(
            filters, past, counted.past(whole=False), counted.listed, of(past, "faults")
        ),
        towers=towers,
        attention=attention_list(filters, towers, looked, missing),
        missing=missing,
    )


def _missing(counted: Counted) -> Missing:
    now, bins = counted.now(whole=True), counted.now(whole=False)

    def sum_of(counts: pa.Table, name: str) -> int:
        return int(pc.sum(counts[name]).as_py() or 0)

    feeds = sum_of(now, "feeds")

    def share(part: float) -> float:
        return part / feeds if feeds else 0.0

    unplaced = bins.filter(pc.is_null(bins["bin"]))
    return Missing(
        humidity=share(sum_of(now, "no_humidity")),
        stock=share(sum_of(now, "no_stock")),
        misses_off=share(feeds - sum_of(now, "feeds_misses")),
        doubles_off=share(feeds - sum_of(now, "feeds_doubles")),
        unplaced_faults=sum_of(unplaced, "misses") + sum_of(unplaced, "doubles"),
    )


#: Columns that differ between the bins of a set: held to one of their values, what is left of a
#: set is no set.
_OF_BINS = frozenset(("bin", "lot", "prepared", *KINDS["stocks"].names)) - {"note"}


def _spoiled(
    filters: Filters,
    whole: pa.Table,
    bins: pa.Table,
    listed: Mapping[str, TowerList],
    faults: Rate,
) -> Spoiled | None:
    """Say which share of sets has a fault in any of its bins, across the towers of a line.

    One set per cycle: 1 - prod(1 - q), q being a bin's faults per set. Its range carries that of
    the faults per feed through: every bin's q is moved by the factor by which the ends of that
    range differ from the rate, which is exact for equal bins and needs no normal approximation
    where faults are few.
    """
    if faults.rate is None or not faults.feeds:
        return None
    if any(name in _OF_BINS or name.startswith("set_") for name, _ in filters.where):
        return None
    cycles = dict(zip(whole["of_tower"].to_pylist(), whole["sets"].to_pylist(), strict=True))
    seen: dict[str, list[int]] = {}
    for tower, count in zip(bins["of_tower"].to_pylist(), bins["faults"].to_pylist(), strict=True):
        seen.setdefault(tower, []).append(count)
    lines: dict[str, list[str]] = {}
    for tower in cycles:
        line = listed[tower].line if tower in listed else ""
        lines.setdefault(f"line {line}" if line else f"tower {tower}", []).append(tower)

    def share(factor: float) -> tuple[float, int]:
        spoiled, sets = 0.0, 0
        for towers in lines.values():
            made = max(cycles[tower] for tower in towers)
            clean = 1.0
            for tower in towers:
                for count in seen.get(tower, ()) if cycles[tower] else ():
                    clean *= max(0.0, 1 - factor * count / cycles[tower])
            spoiled += (1 - clean) * made
            sets += made
        return (spoiled / sets if sets else 0.0), sets

    middle, sets = share(1.0)
    if not sets:
        return None
    if not faults.count:
        # Without a fault there is nothing to move: as many bins as a set has feeds may have had
        # one each at the upper end.
        per_set = faults.feeds / sets
        return Spoiled(0.0, 0.0, 1 - (1 - faults.wide_high) ** per_set, sets)
    low, _ = share(faults.wide_low / faults.rate)
    high, _ = share(faults.wide_high / faults.rate)
    return Spoiled(middle, low, high, sets)
