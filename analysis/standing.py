"""Which bins are to be looked at?

A bin is *worse* than its burn-in (`analysis.benchmark`), or it *stands out* from the other bins of
its tower in the same period, which had the same air and nearly the same work. Both are adjusted for
how many bins are looked at, so that a page full of good bins mostly points at none.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analysis.benchmark import Compared, compare
from analysis.counts import Account
from analysis.proofs import Proof
from analysis.rates import Rate, pooled, relative_variance
from analysis.ratios import benjamini_hochberg, ratio
from analysis.spread import Spread
from analysis.verdicts import Comparison

Standing = Literal["above", "below", "alike", "too few feeds", "no burn-in"]


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


@dataclass(frozen=True)
class BinLook:
    """What is known of one bin and kind: its rate, and how it stands."""

    rate: Rate
    compared: Comparison | None
    stands_out: bool
    others: Rate
    times_others: float | None
    others_low: float


@dataclass(frozen=True)
class Look:
    """All towers and bins for one kind of fault."""

    towers: Mapping[str, Rate]
    burn_in: Mapping[str, Rate]
    compared: Mapping[str, Comparison]
    bins: Mapping[tuple[str, int], BinLook]


def look_at(
    kind: str, names: Sequence[str], counted: Counted, account: Account, confidence: float
) -> Look:
    """Set every bin beside its burn-in and beside the others of its tower."""
    spread = counted.spread[kind]

    def of(counts: pa.Table) -> Rate:
        return pooled(counts, kind, spread, confidence=confidence)

    rows = {name: rows_of(counted.now, name) for name in names}
    proofs = {name: counted.proofs[name] for name in names if name in counted.proofs}
    cases = [
        Compared(name, rows[name], proof.counts, only=(), paper=rows[name], benchmark_paper=None)
        for name, proof in proofs.items()
    ]
    judged = compare(kind, "burn-in", cases, account, spread, confidence=confidence).comparisons
    verdicts = {(placed.tower, placed.bin): placed.comparison for placed in judged}
    places = [(name, number) for name in names for number in _numbers(name, rows[name], counted)]
    here = [rows_of(rows[name], name, number) for name, number in places]
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
    return Look(
        towers={name: of(rows[name]) for name in names},
        burn_in={name: of(proof.counts) for name, proof in proofs.items()},
        compared={tower: c for (tower, number), c in verdicts.items() if number is None},
        bins={
            place: BinLook(
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


def tower_standing(name: str, counted: Counted, look: Look) -> TowerStanding:
    """Say how a tower and its bins stand, from what was found by `look_at`."""
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


def _standing(tower: str, number: int, bin_: BinLook) -> BinStanding:
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
        above_expected=beyond_others(bin_),
    )


def beyond_others(bin_: BinLook) -> float:
    """Return the faults beyond those that the other bins' rate would have given its feeds."""
    return bin_.rate.count - (bin_.others.rate or 0.0) * bin_.rate.feeds


def rows_of(counts: pa.Table, tower: str, bin_number: int | None = None) -> pa.Table:
    """Return the counts of a tower, or of one of its bins."""
    mask = pc.equal(counts["of_tower"], tower)
    if bin_number is not None:
        mask = pc.and_(mask, pc.fill_null(pc.equal(counts["bin"], bin_number), False))
    return counts.filter(mask)
