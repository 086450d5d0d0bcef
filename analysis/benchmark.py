"""Is each tower, and each bin, as good as its benchmark?

A tower's benchmark is its latest burn-in (`analysis.proofs`), from where it was last begun anew,
and production after it is what is compared; or the benchmark is the settled period, the first two
months of production after the burn-in; or a stated standard. A bin borrows
strength from its tower's burn-in, since its own share of it is mostly too short to say anything
(`analysis.shrinkage`).

The period is fixed beforehand, by the filter: whoever compares every day until something turns up
will find something.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.counts import Account
from analysis.run_sums import summed_runs
from analysis.settling import MARGIN
from analysis.shrinkage import ShrunkBenchmark, shrunk_benchmark
from analysis.site import NO_SITE, Site
from analysis.spread import Spread
from analysis.verdicts import Case, Comparison
from analysis.verdicts import compare as judge
from analysis.words import listed

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: What a rate can be compared with.
AGAINST = ("burn-in", "settled", "standard")

_WORDS = {"burn-in": "burn-in", "settled": "settled period", "standard": "stated standard"}

#: Days of production after a burn-in that make up the settled period.
SETTLED_DAYS = 60

#: Default stated standard, faults per feed: common practice, no source; the site's to change.
STANDARD = {"misses": 3e-5, "doubles": 1.5e-5, "faults": 4.5e-5}


@dataclass(frozen=True)
class Compared:
    """Counts of one tower that are to be compared.

    Attributes
    ----------
    tower : str
        Its name.
    now : pyarrow.Table
        By ``bin`` and run, of the period; see `analysis.counts.LogScan.by_run`. Or a row for the
        tower and one for each bin; see `sides_of`.
    benchmark : pyarrow.Table or None
        The same of its burn-in or settled period; None for a standard, or where it has none.
    only : tuple of int
        Bins that are asked for, without their tower; none for the tower and all of its bins.
    paper : pyarrow.Table
        Feeds of the period by ``stock`` and ``printed_by``.
    benchmark_paper : pyarrow.Table or None
        The same of the benchmark.
    planned : tuple of bool
        Whether to work out how many feeds would settle the tower, and each of its bins.
    """

    tower: str
    now: pa.Table
    benchmark: pa.Table | None
    only: tuple[int, ...]
    paper: pa.Table
    benchmark_paper: pa.Table | None
    planned: tuple[bool, bool] = (True, True)


@dataclass(frozen=True)
class Placed:
    """A comparison and where it was made.

    Attributes
    ----------
    tower : str
        Its tower.
    bin : int or None
        None: the whole tower.
    comparison : Comparison
        The numbers, the verdict and its sentence. A bin's benchmark borrows from its tower's.
    own_count, own_feeds : int or None
        What was counted in the place's own share of the benchmark; None for a standard.
    """

    tower: str
    bin: int | None
    comparison: Comparison
    own_count: int | None
    own_feeds: int | None


@dataclass(frozen=True)
class BenchmarkResult:
    """Every tower and bin against its benchmark.

    Attributes
    ----------
    comparisons : tuple of Placed
        Tower by tower, the whole tower first, then its bins by number.
    against : str
        One of `AGAINST`.
    kind : str
        Kind of fault.
    margin, confidence : float
        Of the verdicts, and of the intervals.
    method : str
        Of the intervals of the ratios.
    notes : tuple of str
        What a reader has to know beside the numbers: other paper, no burn-in.
    account : Account
        The rows of the period.
    """

    comparisons: tuple[Placed, ...]
    against: str
    kind: str
    margin: float
    confidence: float
    method: str
    notes: tuple[str, ...]
    account: Account

    def sentence(self) -> str:
        """Say what is worse and what cannot be told."""
        if not self.comparisons:
            return " ".join(self.notes) or "There is nothing to compare in this filter; widen it."
        against = _WORDS[self.against]
        worse = [placed for placed in self.comparisons if placed.comparison.verdict == "worse"]
        if worse:
            text = f"Worse than {'the' if self.against == 'standard' else 'its'} {against}: "
            text += f"{listed(_named(worse))}."
        else:
            text = f"No tower and no bin is shown to be worse than its {against}."
        for verdict in ("better", "as good", "too few feeds"):
            towers = [
                placed.tower
                for placed in self.comparisons
                if placed.bin is None and placed.comparison.verdict == verdict
            ]
            if towers:
                text += f" {'Tower' if len(towers) == 1 else 'Towers'} {listed(towers)}: {verdict}."
        hopeless = [
            placed
            for placed in self.comparisons
            if placed.bin is None
            and placed.comparison.verdict == "too few feeds"
            and placed.comparison.feeds_to_settle is None
        ]
        if hopeless and self.against == "burn-in":
            text += (
                " The burn-in was too short for any number of feeds to settle it; compare with "
                "the settled period or the stated standard."
            )
        return " ".join((text, *self.notes, *self._caution()))

    def _caution(self) -> tuple[str, ...]:
        """Say what a difference between two times may come from beside the tower."""
        if self.against == "standard" or not any(
            placed.comparison.verdict in ("worse", "better") for placed in self.comparisons
        ):
            return ()
        return (
            "Paper and air are taken as they came in both times, so a difference may be theirs in "
            "part or as a whole.",
        )


#: More bins than this are counted and not named.
_MOST_NAMED = 8


def _named(placed: Sequence[Placed]) -> list[str]:
    names = [_place(one) for one in placed]
    if len(names) <= _MOST_NAMED:
        return names
    return [*names[: _MOST_NAMED - 1], f"{len(names) - _MOST_NAMED + 1} more"]


def _place(placed: Placed) -> str:
    where = f"tower {placed.tower}"
    return where if placed.bin is None else f"{where} bin {placed.bin}"


def compare(
    kind: str,
    against: str,
    counted: Sequence[Compared],
    account: Account,
    spread: Mapping[str, Spread],
    *,
    standard: float | None = None,
    margin: float = MARGIN,
    confidence: float = 0.95,
    method: str = "exact",
    site: Site = NO_SITE,
) -> BenchmarkResult:
    """Compare each tower and each bin with its benchmark, adjusted for how many are compared.

    Parameters
    ----------
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    against : str
        One of `AGAINST`.
    counted : sequence of Compared
        One per tower.
    account : Account
        Of the rows of the period; handed on.
    spread : mapping of str to Spread
        By tower, from `analysis.tower_spreads.spreads`.
    standard : float, optional
        Stated standard in faults per feed, where that is the benchmark; else that of the site
        file, and where it has none for the kind, the usual one.
    margin, confidence, method
        Of the verdicts and intervals; see `analysis.verdicts.compare`.
    site : Site
        May state a standard of its own.

    Raises
    ------
    ValueError
        For a benchmark that is none.
    """
    if against not in AGAINST:
        raise ValueError(f"against must be one of {', '.join(AGAINST)}, not {against!r}")
    stated = site.standard.get(kind, STANDARD[kind]) if standard is None else standard
    places: list[tuple[str, int | None]] = []
    own: list[tuple[int | None, int | None]] = []
    cases: list[Case] = []
    notes: list[str] = []
    for tower in counted:
        if not sum(tower.now["feeds"].to_pylist()):
            when = "" if against == "standard" else f"after its {_WORDS[against]} "
            notes.append(
                f"Nothing that this filter holds is logged of tower {tower.tower} {when}to compare."
            )
            continue
        then = None
        if against == "standard":
            found = _against_standard(tower, kind, stated, spread)
        elif tower.benchmark is None or not tower.benchmark.num_rows:
            notes.append(
                f"Tower {tower.tower} has no {_WORDS[against]} in this filter; compare it with the "
                "stated standard."
            )
            continue
        else:
            then = _Sides.of(tower.benchmark, kind)
            found = _against_counts(tower, then, kind, against, spread)
            notes.extend(_paper_notes(tower, against))
        if tower.only:
            found = [(number, case) for number, case in found if number in tower.only]
        places.extend((tower.tower, number) for number, _ in found)
        own.extend((None, None) if then is None else then.counted(number) for number, _ in found)
        cases.extend(case for _, case in found)
    compared = judge(cases, kind=kind, margin=margin, confidence=confidence, method=method)
    return BenchmarkResult(
        comparisons=tuple(
            Placed(tower, number, comparison, *counted_then)
            for (tower, number), comparison, counted_then in zip(places, compared, own, strict=True)
        ),
        against=against,
        kind=kind,
        margin=margin,
        confidence=confidence,
        method=method,
        notes=tuple(notes),
        account=account,
    )


@dataclass(frozen=True)
class _Sides:
    """One side of the comparisons of a tower: the whole first, then each bin.

    Attributes
    ----------
    bins : tuple of int
        Numbers of the bins.
    count, feeds : int array, shape (1 + bins,)
    squares : float array, shape (1 + bins,)
        Of the feeds of each run, added up.
    """

    bins: tuple[int, ...]
    count: IntArray
    feeds: IntArray
    squares: FloatArray

    @classmethod
    def of(cls, counts: pa.Table, kind: str) -> _Sides:
        """Add up the counts of one tower by run, or take them from its sums of runs."""
        if "of_run" in counts.column_names:
            counts = sides_of(counts)
        # Few rows: to sort them here is quicker than to have them sorted.
        listed = zip(counts["whole"].to_pylist(), counts["bin"].to_pylist(), strict=True)
        found = {
            None if whole else bin_: at
            for at, (whole, bin_) in enumerate(listed)
            if whole or bin_ is not None
        }
        if None not in found:
            return cls((), np.zeros(1, np.int64), np.zeros(1, np.int64), np.zeros(1))
        bins = tuple(sorted(number for number in found if number is not None))
        rows = [found[number] for number in (None, *bins)]
        names = (kind, f"feeds_{kind}", f"squares_{kind}")
        return cls(bins, *(counts[name].to_numpy()[rows] for name in names))

    def place(self, number: int | None) -> int | None:
        """Return where a bin, or the whole, stands; None for a bin that is not there."""
        if number is None:
            return 0
        return 1 + self.bins.index(number) if number in self.bins else None

    def counted(self, number: int | None) -> tuple[int, int]:
        """Return faults and feeds."""
        at = self.place(number)
        return (0, 0) if at is None else (int(self.count[at]), int(self.feeds[at]))

    def varies(self, number: int | None, variance: float) -> float:
        """Return how uncertain clusters make the count, where runs have so much variance."""
        at = self.place(number)
        if at is None or self.feeds[at] <= 0:
            return 0.0
        return float(variance * self.squares[at] / float(self.feeds[at]) ** 2)


def sides_of(counts: pa.Table) -> pa.Table:
    """Sum counts by bin and run of some towers: a row for each tower, and for each of its bins.

    Parameters
    ----------
    counts : pyarrow.Table
        As `analysis.counts.LogScan.by_run` gives them with ``bin`` among the groups.

    Returns
    -------
    pyarrow.Table
        As `analysis.run_sums.summed_runs`, with ``bin`` and ``whole`` (true for a tower).
    """
    bins, whole = summed_runs(counts, ("bin",)), summed_runs(counts, ())
    bins = bins.append_column("whole", pa.array(np.zeros(bins.num_rows, bool)))
    none = pa.nulls(whole.num_rows, counts.schema.field("bin").type)
    whole = whole.append_column("bin", none)
    whole = whole.append_column("whole", pa.array(np.ones(whole.num_rows, bool)))
    return pa.concat_tables([whole, bins.select(whole.column_names)])


def _against_standard(
    tower: Compared, kind: str, standard: float, spread: Mapping[str, Spread]
) -> list[tuple[int | None, Case]]:
    now = _Sides.of(tower.now, kind)
    variance, planning = _variances(tower, spread)
    name = f"Tower {tower.tower}"

    def case(number: int | None) -> Case:
        count, feeds = now.counted(number)
        return Case(
            name if number is None else f"{name} bin {number}",
            count,
            feeds,
            "standard",
            benchmark_rate=standard,
            relative_variance=now.varies(number, variance),
            planning_variance=now.varies(number, planning),
        )

    numbers: list[int | None] = [None, *now.bins]
    return [(number, case(number)) for number in numbers]


@lru_cache(maxsize=4096)
def _shrunk(faults: tuple[int, ...], feeds: tuple[int, ...]) -> ShrunkBenchmark:
    """Fit the bins of a burn-in once: it stays as it was, whatever it is compared with."""
    return shrunk_benchmark(faults, feeds)


def _variances(tower: Compared, spread: Mapping[str, Spread]) -> tuple[float, float]:
    """Return the variance between a tower's runs as ranges allow for it, and as it is estimated."""
    found = spread.get(tower.tower)
    return (found.allowed, found.variance) if found else (0.0, 0.0)


def _against_counts(
    tower: Compared, then: _Sides, kind: str, against: str, spread: Mapping[str, Spread]
) -> list[tuple[int | None, Case]]:
    name = f"Tower {tower.tower}"
    now = _Sides.of(tower.now, kind)
    variance, planning = _variances(tower, spread)
    whole_then, then_varies = then.counted(None), then.varies(None, variance)
    whole = Case(
        name,
        *now.counted(None),
        against,
        benchmark_count=whole_then[0],
        benchmark_feeds=whole_then[1],
        relative_variance=now.varies(None, variance),
        planning_variance=now.varies(None, planning),
        benchmark_relative_variance=then_varies,
        planned=tower.planned[0],
    )
    found: list[tuple[int | None, Case]] = [(None, whole)]
    numbers = sorted({*now.bins, *then.bins})
    parts = [then.counted(number) for number in numbers]
    if not any(feeds for _, feeds in parts):
        return found
    shrunk = _shrunk(tuple(min(part) for part in parts), tuple(feeds for _, feeds in parts))
    for i, number in enumerate(numbers):
        case = Case(
            f"{name} bin {number}",
            *now.counted(number),
            against,
            benchmark_count=float(shrunk.effective_faults[i]),
            benchmark_feeds=float(shrunk.effective_feeds[i]),
            relative_variance=now.varies(number, variance),
            planning_variance=now.varies(number, planning),
            benchmark_relative_variance=then_varies,
            borrowed_from=f"tower {tower.tower}",
            planned=tower.planned[1],
        )
        found.append((number, case))
    return found


#: Feeds on other paper than the benchmark's, as a share, that are worth a word.
_OTHER_PAPER = 0.1
#: Change of the share of a stock between the settled period and now that is worth a word, and how
#: many stocks are named.
_OTHER_SHARE, _FEW_STOCKS = 0.1, 3


def _paper_notes(tower: Compared, against: str) -> list[str]:
    """Say where the benchmark ran other paper than the period: like is compared with like."""
    if tower.benchmark_paper is None:
        return []
    now, then = _shares(tower.paper, "stock"), _shares(tower.benchmark_paper, "stock")
    words = f"the {_WORDS[against]} of tower {tower.tower}"
    part = "part of the difference may be the paper's"
    if not then:
        return [f"No paper is logged for {words}: {part}."]
    blank = _shares(tower.benchmark_paper, "printed_by").get("unprinted", 0.0)
    blank_now = _shares(tower.paper, "printed_by").get("unprinted", 0.0)
    if blank > 0.5 and blank_now < 0.5:
        return [f"T{words[1:]} ran mostly blank paper and production mostly printed: {part}."]
    known = sum(now.values())
    same = sum(share for stock, share in now.items() if stock in then)
    if known and same < 1 - _OTHER_PAPER:
        return [
            f"Only {100 * same:.0f} % of the feeds of tower {tower.tower} are on a paper that its "
            f"{_WORDS[against]} ran: {part}."
        ]
    # A burn-in runs what it is proved on; the settled period ran what was ordered, as now.
    return _mix_note(tower, now, then) if against == "settled" and now else []


def _mix_note(tower: Compared, now: dict[str, float], then: dict[str, float]) -> list[str]:
    """Say which stocks have another share of the feeds than in the settled period."""
    change = {stock: now.get(stock, 0.0) - then.get(stock, 0.0) for stock in {*now, *then}}
    most = sorted(change, key=lambda stock: (-abs(change[stock]), stock))[:_FEW_STOCKS]
    told = [
        f"{stock} {100 * then.get(stock, 0.0):.0f} % then and {100 * now.get(stock, 0.0):.0f} % now"
        for stock in most
        if abs(change[stock]) >= _OTHER_SHARE
    ]
    if not told:
        return []
    return [
        f"Tower {tower.tower} runs another mix of stocks than in its settled period, by feeds: "
        f"{listed(told)}."
    ]


def _shares(counts: pa.Table, column: str) -> dict[str, float]:
    sums: dict[str, int] = {}
    names, feeds = counts[column].to_pylist(), counts["feeds"].to_pylist()
    for name, fed in zip(names, feeds, strict=True):
        if name is not None:
            sums[name] = sums.get(name, 0) + fed
    total = sum(sums.values())
    return {name: fed / total for name, fed in sums.items()} if total else {}
