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
from typing import Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analysis.benchmark import Compared, Proof, compare
from analysis.counts import Account
from analysis.filters import Filters
from analysis.log_format import FAULT_KINDS, KINDS
from analysis.rates import Rate, per_10k, pooled, relative_variance, two_digits
from analysis.ratios import benjamini_hochberg, ratio
from analysis.spread import Spread
from analysis.verdicts import Comparison

Standing = Literal["above", "below", "alike", "too few feeds", "no burn-in"]


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
class BinStanding:
    """One bin of a tower in the period, beside its tower at burn-in.

    Attributes
    ----------
    tower, bin : str, int
        Which.
    rate : Rate
        In the period.
    standing : str
        ``above`` or ``below``: worse or better than its burn-in. ``alike``: not shown to differ.
        ``too few feeds``: nor could it be, since so few faults were counted that the range spans
        more than four times from end to end. ``no burn-in``.
    stands_out : bool
        Whether it has more faults than the other bins of its tower together.
    times_others : float or None
        Its rate over theirs; None where that tells nothing.
    above_expected : float
        Faults counted beyond those that the other bins' rate would have given its feeds.
    """

    tower: str
    bin: int
    rate: Rate
    standing: Standing
    stands_out: bool
    times_others: float | None
    above_expected: float


@dataclass(frozen=True)
class TowerStanding:
    """A tower's bins in their order from the top, and the tower at burn-in.

    Attributes
    ----------
    tower : str
        Its name.
    bins : tuple of BinStanding
        From the top of the column down, whichever end they are numbered from.
    now, burn_in : Rate
        Of the whole tower; None where there is no burn-in.
    proof, proved_at : str, datetime
        Name and start of the latest burn-in; empty and None where there is none.
    compared : Comparison or None
        The whole tower against its burn-in; None where there is none.
    """

    tower: str
    bins: tuple[BinStanding, ...]
    now: Rate
    burn_in: Rate | None
    proof: str
    proved_at: dt.datetime | None
    compared: Comparison | None


@dataclass(frozen=True)
class Attention:
    """Something that somebody should look at.

    Attributes
    ----------
    about : str
        ``B, bin 7``, ``Air``, ``Detectors`` and the like.
    sentence : str
        What is the matter, in words.
    evidence : str
        Numbers behind it, and what to do.
    urgent : bool
        Whether it is a fault rate rather than a gap in the log.
    tower, bin : str, int or None
        Where a bin is meant.
    """

    about: str
    sentence: str
    evidence: str
    urgent: bool
    tower: str = ""
    bin: int | None = None


@dataclass(frozen=True)
class Missing:
    """What was not logged, as shares of the feeds of the period.

    Attributes
    ----------
    humidity, stock : float
        Feeds without a humidity reading, without a stock.
    misses_off, doubles_off : float
        Feeds that nothing watched for that kind.
    unplaced_faults : int
        Faults whose bin was not noted.
    """

    humidity: float
    stock: float
    misses_off: float
    doubles_off: float
    unplaced_faults: int


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
            parts.append(f"{len(numbers)} bins of tower {tower}")
            continue
        listed = _and([str(number) for number in numbers])
        parts.append(f"{'bin' if len(numbers) == 1 else 'bins'} {listed} of tower {tower}")
    return _and(parts)


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


@dataclass(frozen=True)
class TowerList:
    """What the tower list says of one tower.

    Attributes
    ----------
    bins : int or None
        How many it has.
    from_top : bool
        Whether they are numbered from the top.
    line : str
        Towers of the same line make one set together; empty: it makes sets alone.
    """

    bins: int | None
    from_top: bool
    line: str


@dataclass(frozen=True)
class Counted:
    """Counts of the log that an overview is made of.

    Attributes
    ----------
    now, past : pyarrow.Table
        By tower, bin and run, in the period and in the one before; see
        `analysis.counts.LogScan.by_run`.
    air : pyarrow.Table
        By humidity band, stock and run, in the period.
    proofs : mapping of str to Proof
        Each tower's latest burn-in.
    spread : mapping of str to mapping of str to Spread
        By kind and tower.
    listed : mapping of str to TowerList
        By tower.
    """

    now: pa.Table
    past: pa.Table
    air: pa.Table
    proofs: Mapping[str, Proof]
    spread: Mapping[str, Mapping[str, Spread]]
    listed: Mapping[str, TowerList]


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

    def of(counts: pa.Table, kind: str) -> Rate:
        return pooled(counts, kind, counted.spread[kind], confidence=confidence)

    names = sorted(
        set(counted.now["of_tower"].to_pylist()) | set(counted.past["of_tower"].to_pylist())
    )
    proofs = {name: counted.proofs[name] for name in names if name in counted.proofs}
    proved = pa.concat_tables([p.counts for p in proofs.values()]) if proofs else None
    looked = {
        kind: _look(kind, names, counted, account, confidence)
        for kind in dict.fromkeys((filters.kind, *_told_apart(filters)))
    }
    towers = tuple(_tower(name, counted, looked[filters.kind]) for name in names)
    missing = _missing(counted)
    return Overview(
        filters=filters,
        before=before,
        account=account,
        account_before=account_before,
        now={kind: of(counted.now, kind) for kind in FAULT_KINDS},
        past={kind: of(counted.past, kind) for kind in FAULT_KINDS},
        burn_in={kind: of(proved, kind) for kind in FAULT_KINDS} if proved is not None else {},
        spoiled_now=_spoiled(filters, counted.now, counted.listed, of(counted.now, "faults")),
        spoiled_past=_spoiled(filters, counted.past, counted.listed, of(counted.past, "faults")),
        towers=towers,
        attention=_attention(filters, towers, looked, missing),
        missing=missing,
    )


def _rows(counts: pa.Table, tower: str, bin_number: int | None = None) -> pa.Table:
    mask = pc.equal(counts["of_tower"], tower)
    if bin_number is not None:
        mask = pc.and_(mask, pc.fill_null(pc.equal(counts["bin"], bin_number), False))
    return counts.filter(mask)


def _told_apart(filters: Filters) -> tuple[str, ...]:
    """Return the kinds that the attention list looks at: misses and doubles have other causes."""
    return ("misses", "doubles") if filters.kind == "faults" else (filters.kind,)


@dataclass(frozen=True)
class _Bin:
    """What is known of one bin and kind: its rate, and how it stands."""

    rate: Rate
    compared: Comparison | None
    stands_out: bool
    others: Rate
    times_others: float | None
    others_low: float


@dataclass(frozen=True)
class _Look:
    """All towers and bins for one kind of fault."""

    towers: Mapping[str, Rate]
    burn_in: Mapping[str, Rate]
    compared: Mapping[str, Comparison]
    bins: Mapping[tuple[str, int], _Bin]


def _look(
    kind: str, names: Sequence[str], counted: Counted, account: Account, confidence: float
) -> _Look:
    """Set every bin beside its burn-in and beside the others of its tower."""
    spread = counted.spread[kind]

    def of(counts: pa.Table) -> Rate:
        return pooled(counts, kind, spread, confidence=confidence)

    rows = {name: _rows(counted.now, name) for name in names}
    proofs = {name: counted.proofs[name] for name in names if name in counted.proofs}
    cases = [
        Compared(name, rows[name], proof.counts, only=(), paper=rows[name], benchmark_paper=None)
        for name, proof in proofs.items()
    ]
    judged = compare(kind, "burn-in", cases, account, spread, confidence=confidence).comparisons
    verdicts = {(placed.tower, placed.bin): placed.comparison for placed in judged}
    places = [(name, number) for name in names for number in _numbers(name, rows[name], counted)]
    here = [_rows(rows[name], name, number) for name, number in places]
    rest = [
        rows[name].filter(pc.invert(pc.fill_null(pc.equal(rows[name]["bin"], number), False)))
        for name, number in places
    ]
    rates, others = [of(counts) for counts in here], [of(counts) for counts in rest]
    found = ratio(
        [_inside(rate) for rate in rates],
        [rate.feeds for rate in rates],
        [_inside(rate) for rate in others],
        [rate.feeds for rate in others],
        relative_variance=[relative_variance(counts, kind, spread) for counts in here],
        other_relative_variance=[relative_variance(counts, kind, spread) for counts in rest],
        confidence=confidence,
    )
    adjusted = benjamini_hochberg(found.p_value) if places else np.array([])
    out = (np.atleast_1d(found.low) > 1) & (adjusted <= 1 - confidence)
    times = np.atleast_1d(found.ratio)
    return _Look(
        towers={name: of(rows[name]) for name in names},
        burn_in={name: of(proof.counts) for name, proof in proofs.items()},
        compared={tower: c for (tower, number), c in verdicts.items() if number is None},
        bins={
            place: _Bin(
                rate=rates[i],
                compared=verdicts.get(place),
                stands_out=bool(out[i]),
                others=others[i],
                times_others=float(times[i]) if np.isfinite(times[i]) else None,
                others_low=float(np.atleast_1d(found.low)[i]),
            )
            for i, place in enumerate(places)
        },
    )


def _inside(rate: Rate) -> int:
    """Return faults as a ratio takes them: none where there are no feeds to hold them against."""
    return rate.count if rate.rate is not None else 0


def _numbers(name: str, rows: pa.Table, counted: Counted) -> list[int]:
    """Return a tower's bins from the top down, those of the tower list or those that were seen."""
    listed = counted.listed.get(name, TowerList(None, True, ""))
    seen = [number for number in rows["bin"].to_pylist() if number is not None]
    numbers = list(range(1, (listed.bins or max(seen, default=0)) + 1))
    return numbers if listed.from_top else numbers[::-1]


def _tower(name: str, counted: Counted, look: _Look) -> TowerStanding:
    proof = counted.proofs.get(name)
    return TowerStanding(
        tower=name,
        bins=tuple(
            _standing(tower, number, bin_)
            for (tower, number), bin_ in look.bins.items()
            if tower == name
        ),
        now=look.towers[name],
        burn_in=look.burn_in.get(name),
        proof=proof.name if proof else "",
        proved_at=proof.started if proof else None,
        compared=look.compared.get(name),
    )


#: A range whose ends lie further apart than this many times tells little.
_WIDE = 4.0


def _standing(tower: str, number: int, bin_: _Bin) -> BinStanding:
    rate = bin_.rate
    standing: Standing
    if bin_.compared is None or bin_.compared.benchmark_rate is None:
        standing = "no burn-in"
    elif bin_.compared.verdict in ("worse", "better"):
        standing = "above" if bin_.compared.verdict == "worse" else "below"
    elif rate.wide_high > _WIDE * rate.wide_low:
        standing = "too few feeds"
    else:
        standing = "alike"
    return BinStanding(
        tower=tower,
        bin=number,
        rate=rate,
        standing=standing,
        stands_out=bin_.stands_out,
        times_others=bin_.times_others,
        above_expected=_above(bin_),
    )


def _above(bin_: _Bin) -> float:
    return bin_.rate.count - (bin_.others.rate or 0.0) * bin_.rate.feeds


def _missing(counted: Counted) -> Missing:
    feeds = sum(counted.air["feeds"].to_pylist())

    def share(part: float) -> float:
        return part / feeds if feeds else 0.0

    def sum_of(counts: pa.Table, name: str) -> int:
        return int(pc.sum(counts[name]).as_py() or 0)

    unplaced = counted.now.filter(pc.is_null(counted.now["bin"]))
    dry = counted.air.filter(pc.equal(counted.air["humidity_band"], "not logged"))
    plain = counted.air.filter(pc.is_null(counted.air["stock"]))
    return Missing(
        humidity=share(sum_of(dry, "feeds")),
        stock=share(sum_of(plain, "feeds")),
        misses_off=share(feeds - sum_of(counted.air, "feeds_misses")),
        doubles_off=share(feeds - sum_of(counted.air, "feeds_doubles")),
        unplaced_faults=sum_of(unplaced, "misses") + sum_of(unplaced, "doubles"),
    )


#: Columns that differ between the bins of a set: held to one of their values, what is left of a
#: set is no set.
_OF_BINS = frozenset(("bin", "lot", "prepared", *KINDS["stocks"].names)) - {"note"}


def _spoiled(
    filters: Filters, counts: pa.Table, listed: Mapping[str, TowerList], faults: Rate
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
    rows = counts.select(["of_tower", "of_run", "bin", "feeds_faults", "faults"]).to_pylist()
    longest: dict[tuple[str, str], int] = {}
    seen: dict[tuple[str, int | None], int] = {}
    for row in rows:
        run = (row["of_tower"], row["of_run"])
        longest[run] = max(longest.get(run, 0), row["feeds_faults"])
        place = (row["of_tower"], row["bin"])
        seen[place] = seen.get(place, 0) + row["faults"]
    cycles: dict[str, int] = {}
    for (tower, _), length in longest.items():
        cycles[tower] = cycles.get(tower, 0) + length
    lines: dict[str, list[str]] = {}
    for tower in cycles:
        line = listed[tower].line if tower in listed else ""
        lines.setdefault(f"line {line}" if line else f"tower {tower}", []).append(tower)

    def share(factor: float) -> tuple[float, int]:
        spoiled, sets = 0.0, 0
        for towers in lines.values():
            made = max(cycles[tower] for tower in towers)
            clean = 1.0
            for (tower, _), count in seen.items():
                if tower in towers and cycles[tower]:
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


def _attention(
    filters: Filters,
    towers: Sequence[TowerStanding],
    looked: Mapping[str, _Look],
    missing: Missing,
) -> tuple[Attention, ...]:
    """List what to look at, most faults beyond the other bins' first, then gaps of the log."""
    found: list[tuple[float, Attention]] = []
    pointed: set[str] = set()
    for kind in _told_apart(filters):
        look = looked[kind]
        for tower, compared in look.compared.items():
            if compared.verdict == "worse":
                pointed.add(tower)
                found.append((_more_than_burn_in(compared), _tower_attention(tower, compared)))
        for (tower, number), bin_ in look.bins.items():
            worse = bin_.compared is not None and bin_.compared.verdict == "worse"
            if bin_.stands_out or worse:
                pointed.add(tower)
                found.append((_above(bin_), _bin_attention(tower, number, bin_)))
    found.sort(key=lambda pair: -pair[0])
    items = [attention for _, attention in found]
    items += [
        Attention(
            f"Tower {standing.tower}",
            "No bin stands out from the others.",
            standing.compared.sentence(),
            urgent=False,
            tower=standing.tower,
        )
        for standing in towers
        if standing.tower not in pointed and standing.compared and standing.now.rate is not None
    ]
    unproved = [standing.tower for standing in towers if standing.burn_in is None]
    if unproved:
        items.append(_unproved(unproved, filters))
    return (*items, *_gaps(missing))


def _more_than_burn_in(compared: Comparison) -> float:
    return compared.count - (compared.benchmark_rate or 0.0) * compared.feeds


def _tower_attention(tower: str, compared: Comparison) -> Attention:
    return Attention(
        about=f"Tower {tower}",
        sentence=compared.sentence(),
        evidence=(
            f"about {two_digits(_more_than_burn_in(compared))} more {compared.kind} than at "
            "burn-in; what its bins share is likely: paper, air, vacuum, filters"
        ),
        urgent=True,
        tower=tower,
    )


def _unproved(towers: Sequence[str], filters: Filters) -> Attention:
    named = f"{'tower' if len(towers) == 1 else 'towers'} {_and(towers)}"
    if any(name not in ("tower", "bin", "purpose") for name, _ in filters.where):
        # What else is held, a stock say, holds the burn-in too: like is set beside like.
        return Attention(
            "Burn-in",
            f"No burn-in of {named} is within this filter, so there is nothing to set these bins "
            "beside.",
            "let the filter go to see them beside the whole burn-in",
            urgent=False,
        )
    return Attention(
        "Burn-in",
        f"No burn-in is logged for {named}, so there is nothing to set these bins beside.",
        "log one with purpose burn-in",
        urgent=False,
    )


def _bin_attention(tower: str, number: int, bin_: _Bin) -> Attention:
    rate, others = bin_.rate, bin_.others
    text = f"{rate.kind.capitalize()} at {per_10k(rate.rate or 0.0)} per 10,000 feeds "
    text += f"({per_10k(rate.wide_low)} to {per_10k(rate.wide_high)})"
    if others.rate is not None:
        text += f" against {per_10k(others.rate)} in the other bins"
    if bin_.stands_out and bin_.times_others is not None:
        text += f", at least {two_digits(bin_.others_low)} times theirs"
    if bin_.compared is not None and bin_.compared.verdict == "worse":
        text += f"; worse than its burn-in ({per_10k(bin_.compared.benchmark_rate or 0.0)})"
    return Attention(
        about=f"{tower}, bin {number}",
        sentence=f"{text}.",
        evidence=(
            f"about {two_digits(max(_above(bin_), 0.0))} more {rate.kind} than the other bins "
            f"had, in {rate.feeds:,} feeds; look at this bin and its paper first, power off and "
            "isolated"
        ),
        urgent=True,
        tower=tower,
        bin=number,
    )


#: Gaps smaller than this share of the feeds are not worth a line.
_SMALL_GAP = 0.05


def _gaps(missing: Missing) -> list[Attention]:
    gaps = []
    if missing.humidity > _SMALL_GAP:
        gaps.append(
            Attention(
                "Air",
                f"{100 * missing.humidity:.0f} % of feeds have no humidity logged.",
                "what dry air does is less certain for it; read the hygrometer at the tower",
                urgent=False,
            )
        )
    for kind, share in (("misses", missing.misses_off), ("doubles", missing.doubles_off)):
        if share > _SMALL_GAP / 5:
            gaps.append(
                Attention(
                    "Detectors",
                    f"Nothing watched for {kind} on {_percent(share)} of feeds.",
                    f"those feeds are left out of the rate of {kind}",
                    urgent=False,
                )
            )
    if missing.stock > _SMALL_GAP:
        gaps.append(
            Attention(
                "Paper",
                f"{100 * missing.stock:.0f} % of feeds have no stock logged.",
                "write the code of the stock list",
                urgent=False,
            )
        )
    if missing.unplaced_faults:
        count = missing.unplaced_faults
        gaps.append(
            Attention(
                "Bins",
                f"{count} {'fault has' if count == 1 else 'faults have'} no bin noted.",
                "they count for the tower, and for no bin",
                urgent=False,
            )
        )
    return gaps


def _percent(share: float) -> str:
    return f"{two_digits(100 * share)} %"
