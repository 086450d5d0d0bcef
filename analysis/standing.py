"""Which bins are to be looked at?

A bin is *worse* than its burn-in (`analysis.benchmark`), or it *stands out* from the other bins of
its tower in the same period, which had the same air and nearly the same work. Both are adjusted for
how many bins are looked at, so that a page full of good bins mostly points at none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analysis.benchmark import Compared, compare
from analysis.counts import Account
from analysis.proofs import Proof
from analysis.rates import Rate, rates_of
from analysis.ratios import benjamini_hochberg, ratio
from analysis.spread import Spread
from analysis.tower_spreads import allowed
from analysis.verdicts import Comparison

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

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
    proof : str
        Name of the latest burn-in; empty where there is none.
    compared : Comparison or None
        The whole tower against its burn-in; None where there is none.
    """

    tower: str
    bins: tuple[BinStanding, ...]
    now: Rate
    burn_in: Rate | None
    proof: str
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
    bins : pyarrow.Table
        Each tower and bin, in the period and in the one before; see `analysis.counts.LogScan.bins`.
    proofs : mapping of str to Proof
        Each tower's latest burn-in.
    proved : pyarrow.Table
        Their counts; see `analysis.benchmark.sides_of`.
    spread : mapping of str to mapping of str to Spread
        By kind and tower.
    listed : mapping of str to TowerList
        By tower.
    """

    bins: pa.Table
    proofs: Mapping[str, Proof]
    proved: pa.Table
    spread: Mapping[str, Mapping[str, Spread]]
    listed: Mapping[str, TowerList]

    def now(self, *, whole: bool) -> pa.Table:
        """Return the sums of the period: of towers, or of their bins."""
        return self._part(False, whole)

    def past(self, *, whole: bool) -> pa.Table:
        """Return the sums of the period before: of towers, or of their bins."""
        return self._part(True, whole)

    def _part(self, before: bool, whole: bool) -> pa.Table:
        of = pc.equal(self.bins["before"], before)
        return self.bins.filter(pc.and_(of, pc.equal(self.bins["whole"], whole)))

    def proved_of(self, names: Sequence[str]) -> pa.Table:
        """Return what some towers had at their burn-ins, each tower as a whole."""
        named = pc.is_in(self.proved["of_tower"], value_set=pa.array(names, pa.string()))
        return self.proved.filter(pc.and_(named, self.proved["whole"]))


@dataclass(frozen=True)
class BinLook:
    """What is known of one bin and kind.

    Attributes
    ----------
    rate : Rate
        Of the bin, in the period.
    compared : Comparison or None
        With its burn-in; None without one.
    stands_out : bool
        Whether it is worse than the other bins of its tower, with all bins looked at.
    others_rate : float or None
        Theirs, in faults per feed; None without feeds.
    times_others, others_low : float or None, float
        Ratio of the bin's rate to theirs, None where nothing tells it, and its lower end.
    """

    rate: Rate
    compared: Comparison | None
    stands_out: bool
    others_rate: float | None
    times_others: float | None
    others_low: float


@dataclass(frozen=True)
class Look:
    """All towers and bins for one kind of fault.

    Attributes
    ----------
    towers, burn_in : mapping of str to Rate
        By tower: in the period, and at its burn-in, where it has one.
    compared : mapping of str to Comparison
        Towers with their burn-ins.
    bins : mapping of (tower, bin) to BinLook
        Each bin.
    """

    towers: Mapping[str, Rate]
    burn_in: Mapping[str, Rate]
    compared: Mapping[str, Comparison]
    bins: Mapping[tuple[str, int], BinLook]


def look_at(
    kind: str,
    names: Sequence[str],
    counted: Counted,
    account: Account,
    confidence: float,
    *,
    planned: bool = True,
) -> Look:
    """Set every bin beside its burn-in and beside the others of its tower.

    ``planned`` is whether towers are to be told how many feeds would settle them.
    """
    spread = counted.spread[kind]
    now, proved = _by_tower(counted.bins.filter(pc.invert(counted.bins["before"]))), {}
    if counted.proofs:
        proved = _by_tower(counted.proved)
    rows = {name: now.get(name, counted.bins.slice(0, 0)) for name in names}
    proofs = [name for name in names if name in counted.proofs]
    cases = [
        Compared(
            name,
            rows[name],
            proved[name],
            only=(),
            paper=rows[name],
            benchmark_paper=None,
            # Whether a bin is pointed at is all that is told of it.
            planned=(planned, False),
        )
        for name in proofs
    ]
    judged = compare(kind, "burn-in", cases, account, spread, confidence=confidence).comparisons
    verdicts = {(placed.tower, placed.bin): placed.comparison for placed in judged}
    places = [(name, number) for name in names for number in _numbers(name, rows[name], counted)]
    here = _Sums.of(counted.now(whole=False), kind, places)
    towers = _Sums.of(counted.now(whole=True), kind, [(name, None) for name in names])
    at = {name: place for place, name in enumerate(names)}
    rest = here.beside(towers, np.array([at[name] for name, _ in places], np.intp))
    variance = allowed([name for name, _ in places], spread)
    rates = here.rates(kind, spread, confidence)
    others = rest.rates(kind, spread, confidence)
    found = ratio(
        [_inside(rate) for rate in rates],
        here.feeds,
        [_inside(rate) for rate in others],
        rest.feeds,
        relative_variance=here.relative(variance),
        other_relative_variance=rest.relative(variance),
        confidence=confidence,
    )
    adjusted = benjamini_hochberg(found.p_value) if places else np.array([])
    low, times = np.atleast_1d(found.low), np.atleast_1d(found.ratio)
    out = (low > 1) & (adjusted <= 1 - confidence)
    burnt = _Sums.of(
        counted.proved_of(proofs) if proofs else counted.bins.slice(0, 0),
        kind,
        [(name, None) for name in proofs],
    )
    return Look(
        towers=dict(zip(names, towers.rates(kind, spread, confidence), strict=True)),
        burn_in=dict(zip(proofs, burnt.rates(kind, spread, confidence), strict=True)),
        compared={tower: c for (tower, number), c in verdicts.items() if number is None},
        bins={
            place: BinLook(
                rate=rates[i],
                compared=verdicts.get(place),
                stands_out=bool(out[i]),
                others_rate=others[i].rate,
                times_others=float(times[i]) if np.isfinite(times[i]) else None,
                others_low=float(low[i]),
            )
            for i, place in enumerate(places)
        },
    )


@dataclass(frozen=True)
class _Sums:
    """Sums over the runs of some places, for one kind of fault; nought where nothing was fed.

    Attributes
    ----------
    towers : tuple of str
        Of each place.
    seen : bool array, shape (n,)
        Whether anything was logged there.
    count, feeds, runs : int array, shape (n,)
    squares : float array, shape (n,)
        Of the feeds of each run, added up.
    beside_tower : float array, shape (n,)
        Feeds of each run times those of its tower, added up.
    """

    towers: tuple[str, ...]
    seen: BoolArray
    count: IntArray
    feeds: IntArray
    runs: IntArray
    squares: FloatArray
    beside_tower: FloatArray

    @classmethod
    def of(cls, table: pa.Table, kind: str, places: Sequence[tuple[str, int | None]]) -> _Sums:
        """Take the sums of some places out of a table."""
        listed = zip(table["of_tower"].to_pylist(), table["bin"].to_pylist(), strict=True)
        rows = {place: row for row, place in enumerate(listed)}
        row = np.array([rows.get(place, -1) for place in places], np.intp)

        def taken(name: str) -> FloatArray:
            if name not in table.column_names or not table.num_rows:
                return np.zeros(len(row))
            values = table[name].to_numpy()
            found: FloatArray = np.where(row >= 0, values[row], values.dtype.type(0))
            return found

        return cls(
            tuple(tower for tower, _ in places),
            row >= 0,
            taken(kind).astype(np.int64),
            taken(f"feeds_{kind}").astype(np.int64),
            taken(f"runs_{kind}").astype(np.int64),
            taken(f"squares_{kind}"),
            taken(f"with_{kind}"),
        )

    def beside(self, towers: _Sums, at: NDArray[np.intp]) -> _Sums:
        """Return the sums of all other bins of each bin's tower, ``at`` being its place there."""
        # Of each run (t - b)^2 = t^2 - 2 t b + b^2; they are whole numbers, so nothing is lost.
        squares = towers.squares[at] - 2 * self.beside_tower + self.squares
        return _Sums(
            self.towers,
            np.ones(len(at), bool),
            towers.count[at] - self.count,
            towers.feeds[at] - self.feeds,
            towers.runs[at],
            np.maximum(squares, 0.0),
            np.zeros(len(at)),
        )

    def relative(self, variance: FloatArray) -> FloatArray:
        """Return how uncertain clusters make each count."""
        fed = self.feeds.astype(np.float64)
        none = np.zeros(len(fed))
        return np.divide(variance * self.squares, fed**2, out=none, where=self.feeds > 0)

    def rates(self, kind: str, spread: Mapping[str, Spread], confidence: float) -> list[Rate]:
        """Give the rate of each place."""
        known = {tower: found.known for tower, found in spread.items()}
        return rates_of(
            kind,
            self.count,
            self.feeds,
            self.runs,
            self.relative(allowed(self.towers, spread)),
            ~self.seen | np.array([known.get(tower, True) for tower in self.towers], bool),
            confidence=confidence,
        )


def _by_tower(table: pa.Table) -> dict[str, pa.Table]:
    """Return the rows of each tower."""
    table = table.sort_by([("of_tower", "ascending")])
    names = table["of_tower"].to_pylist()
    starts = [row for row, name in enumerate(names) if not row or name != names[row - 1]]
    ends = [*starts[1:], len(names)][: len(starts)]
    return {names[a]: table.slice(a, b - a) for a, b in zip(starts, ends, strict=True)}


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
    return bin_.rate.count - (bin_.others_rate or 0.0) * bin_.rate.feeds
