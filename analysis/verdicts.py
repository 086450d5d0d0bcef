"""Is it as good as at burn-in, or worse, or can that not be said yet?

Counts are compared with their benchmarks, and each comes out with one of four verdicts. With the
interval of the ratio of both rates and a margin m (1.5 by default):

- *better*: the upper end is below 1;
- *as good*: the upper end is below m otherwise (the sentence says so where the lower end is above
  1: slightly higher, inside the margin);
- *worse*: the lower end is above 1 and the upper end m or more;
- *too few feeds*: else.

Where several are compared, *better* and *worse* also need an adjusted p-value of 0.05 or less
(Benjamini and Hochberg 1995): at most one find in twenty is then a false one, on the average. What
would have been *better* by itself is then *as good*, and what would have been *worse* is *too few
feeds*. Verdicts are for a period fixed beforehand; looking again and again finds something sooner
or later.

How many feeds an open comparison still needs is planned by `analysis.settling`.

References
----------
Benjamini Y, Hochberg Y (1995). Controlling the false discovery rate. Journal of the Royal
Statistical Society B 57:289-300.
Blackwelder WC (1982). "Proving the null hypothesis" in clinical trials. Controlled Clinical Trials
3:345-353: the margin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import ratios
from analysis.settling import MARGIN, check_margin, faults_needed, feeds_to_settle
from analysis.words import (
    NO_UPPER_END,
    many,
    per_10k,
    times_at_least,
    times_at_most,
    times_range,
    two_digits,
)

FloatArray = NDArray[np.float64]

VERDICTS = ("worse", "better", "as good", "too few feeds")

#: What a rate may be compared with, and how a sentence calls it.
BENCHMARKS = {
    "burn-in": "its burn-in",
    "settled": "its settled period",
    "standard": "the stated standard",
}

#: Most of several finds that may be false ones, on the average.
FALSE_SHARE = 0.05


@dataclass(frozen=True)
class Case:
    """A count and what it is to be compared with.

    Attributes
    ----------
    subject : str
        As the sentence shall name it: ``Tower B``, ``Tower B bin 7``.
    count, feeds : int
        Faults and feeds of the period.
    benchmark : str
        One of `BENCHMARKS`.
    benchmark_count, benchmark_feeds : float, optional
        Of a burn-in or settled period; not whole where a bin borrows strength
        (`analysis.shrinkage`).
    benchmark_rate : float, optional
        The stated standard, in faults per feed; for a standard alone.
    relative_variance, benchmark_relative_variance : float
        Squared coefficient of variation that clusters give to each count, from
        `analysis.spread.relative_variance_by_group`.
    borrowed_from : str
        Where the benchmark is not the subject's own alone but borrows from its tower's
        (`analysis.shrinkage`): that tower, for the sentence.
    planning_variance : float, optional
        The relative variance of the period without its allowance for few runs: feeds still needed
        come in more runs, and the allowance goes as they do. That of the interval where absent.
    planned : bool
        Whether to work out how many feeds would settle it, which takes longer than all else.
    """

    subject: str
    count: int
    feeds: int
    benchmark: str = "burn-in"
    benchmark_count: float | None = None
    benchmark_feeds: float | None = None
    benchmark_rate: float | None = None
    relative_variance: float = 0.0
    benchmark_relative_variance: float = 0.0
    planning_variance: float | None = None
    borrowed_from: str = ""
    planned: bool = True

    def __post_init__(self) -> None:
        """Refuse what cannot be compared."""
        if self.benchmark not in BENCHMARKS:
            known = ", ".join(BENCHMARKS)
            raise ValueError(f"benchmark must be one of {known}, not {self.benchmark!r}")
        counted = self.benchmark_count is not None and self.benchmark_feeds is not None
        stated = self.benchmark_rate is not None
        if self.benchmark == "standard":
            if not stated or counted:
                raise ValueError(f"{self.subject}: a standard is a rate, without a count or feeds")
        elif stated or not counted:
            raise ValueError(
                f"{self.subject}: a {self.benchmark} benchmark is a count in feeds, without a rate"
            )


@dataclass(frozen=True)
class Comparison:
    """How a rate compares with its benchmark.

    Attributes
    ----------
    subject, count, feeds, benchmark, benchmark_count, benchmark_feeds
        As in `Case`.
    rate, benchmark_rate : float or None
        Faults per feed; None without feeds.
    ratio : float or None
        Of the rates; None where nothing tells it, or the benchmark alone has no fault.
    ratio_low, ratio_high : float
        Interval; the upper end is infinite where the benchmark has no fault.
    p_value, p_adjusted : float
        Doubled smaller tail; and adjusted for all that were compared together.
    compared : int
        How many that were.
    verdict : str
        One of `VERDICTS`.
    feeds_to_settle : int or None
        Feeds still needed, beyond those of the period; 0 where the verdict is settled, None where
        no number can settle it.
    settling_feeds : int or None
        Feeds of a whole period that settle it in four cases of five, from its first feed on; None
        where no number can.
    faults_needed : int or None
        Faults its benchmark must hold for any number of feeds to settle it; None for a standard,
        and where runs like those of the benchmark differ too much for any number of faults.
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    margin, confidence : float
        Of the verdict, and of the interval.
    method : str
        Of the interval.
    borrowed_from : str
        As in `Case`.
    """

    subject: str
    count: int
    feeds: int
    rate: float | None
    benchmark: str
    benchmark_count: float | None
    benchmark_feeds: float | None
    benchmark_rate: float | None
    ratio: float | None
    ratio_low: float
    ratio_high: float
    p_value: float
    p_adjusted: float
    compared: int
    verdict: str
    feeds_to_settle: int | None
    settling_feeds: int | None
    faults_needed: int | None
    kind: str = "faults"
    margin: float = MARGIN
    confidence: float = 0.95
    method: str = "exact"
    borrowed_from: str = ""

    def sentence(self) -> str:
        """Say it in the shop's words, and what to do next where it is open."""
        return f"{self._said()} {self._judged()}"

    def _said(self) -> str:
        against = self._against()
        if self.rate is None:
            return f"{self.subject} has no feeds to compare."
        if self.benchmark_rate is None:
            return f"There are no feeds in {against} to compare {self.subject} with."
        if self.benchmark_rate == 0:
            if self.count == 0:
                return (
                    f"Neither {self.subject} nor {against} has a {_ONE.get(self.kind, self.kind)}."
                )
            return (
                f"{self.subject} has {per_10k(self.rate)} {self.kind} per 10,000 feeds, and "
                f"{against} had none: at least {times_at_least(self.ratio_low)} times as many."
            )
        if self.count == 0:
            none = f"{self.subject} has {self._no()} in {many(self.feeds, 'feed')}"
            if self.ratio_high >= NO_UPPER_END:
                return f"{none}, and {against} tells too little to hold them to."
            most = times_at_most(self.ratio_high)
            return f"{none}: at most {most} times the {self.kind} of {against}."
        times = two_digits(self.ratio if self.ratio is not None else 0.0)
        return (
            f"{self.subject} feeds {times} times the {self.kind} of {against} "
            f"({times_range(self.ratio_low, self.ratio_high)})."
        )

    def _against(self) -> str:
        words = BENCHMARKS[self.benchmark]
        if not self.borrowed_from:
            return words
        return f"its share of the {words.removeprefix('its ')} of {self.borrowed_from}"

    def _judged(self) -> str:
        if self.verdict == "too few feeds":
            return self._open()
        text = self.verdict.capitalize()
        if self.verdict == "as good" and self.ratio_low > 1:
            text += f", slightly higher, inside the margin of {self.margin:g} times"
        elif self.verdict == "as good":
            text += f" within the margin of {self.margin:g} times"
        assert self.rate is not None and self.benchmark_rate is not None
        return (
            f"{text}: {per_10k(self.rate)} against {per_10k(self.benchmark_rate)} per 10,000 feeds."
        )

    def _open(self) -> str:
        text = "Too few feeds to say"
        # The interval alone would have called it worse.
        if self.ratio_low > 1 and self.compared > 1:
            text += f" (by itself worse, but of {self.compared} compared one may be so by chance)"
        if self.feeds_to_settle is not None:
            return f"{text}: log about {two_digits(float(self.feeds_to_settle))} more."
        if not self.benchmark_feeds:
            return f"{text}, and no number can settle it."
        held = self.benchmark_count or 0.0
        faults = (
            f"{two_digits(held) if held % 1 else f'{held:,.0f}'} {self.kind}"
            if held and held != 1
            else f"1 {_ONE.get(self.kind, self.kind)}"
            if held
            else self._no()
        )
        other = "the settled period or " if self.benchmark == "burn-in" else ""
        takes = (
            f"and it takes {self.faults_needed} or more"
            if self.faults_needed is not None
            else "in too few runs for how much runs may differ"
        )
        return (
            f"{text}, and no number can settle it: {self._against()} holds {faults}, "
            f"{takes}. Compare with {other}the stated standard."
        )

    def _no(self) -> str:
        return f"no {_ONE.get(self.kind, self.kind)}"


_ONE = {"misses": "miss", "doubles": "double", "faults": "fault"}


def compare(
    cases: Sequence[Case],
    *,
    kind: str = "faults",
    margin: float = MARGIN,
    confidence: float = 0.95,
    method: str = "exact",
) -> tuple[Comparison, ...]:
    """Which are worse than their benchmarks, which better, which as good?

    Parameters
    ----------
    cases : sequence of Case
        All that are compared together, and adjusted for one another.
    kind : str
        Kind of fault, for the sentences.
    margin : float
        Ratio below which a higher rate still is as good; above 1.
    confidence, method
        Of the interval of the ratio; see `analysis.ratios.ratio`.

    Returns
    -------
    tuple of Comparison
        In the order of the cases; none for none.

    Raises
    ------
    ValueError
        Where a count exceeds its feeds, a number is negative or missing, the margin is not above 1,
        or as in `analysis.ratios.ratio`.

    Notes
    -----
    Planned feeds leave out that several are compared: a *worse* among many takes more.

    Examples
    --------
    >>> tower, bin_7 = compare(
    ...     [
    ...         Case("Tower B", 93, 1_000_000, "burn-in", 44, 1_000_000),
    ...         Case("Tower B bin 7", 4, 60_000, "burn-in", 3, 75_000),
    ...     ]
    ... )
    >>> print(tower.sentence())
    Tower B feeds 2.1 times the faults of its burn-in (1.5 to 3.1). Worse: 0.93 against 0.44 per \
10,000 feeds.
    >>> print(bin_7.sentence())
    Tower B bin 7 feeds 1.7 times the faults of its burn-in (0.28 to 11). Too few feeds to say, \
and no number can settle it: its burn-in holds 3 faults, and it takes 53 or more. Compare with the \
settled period or the stated standard.
    """
    check_margin(margin)
    if not cases:
        return ()
    known = np.array([case.benchmark == "standard" for case in cases])
    x1, n1 = _column(cases, "count"), _column(cases, "feeds")
    x2, n2 = _column(cases, "benchmark_count"), _column(cases, "benchmark_feeds")
    rate, r1 = _column(cases, "benchmark_rate"), _column(cases, "relative_variance")
    r2 = _column(cases, "benchmark_relative_variance")
    planning = np.array(
        [
            case.relative_variance if case.planning_variance is None else case.planning_variance
            for case in cases
        ]
    )
    estimate, low, high, p = (np.empty(len(cases)) for _ in range(4))
    for rows in (known, ~known):
        if not rows.any():
            continue
        found = (
            ratios.against_standard(
                x1[rows],
                n1[rows],
                rate[rows],
                relative_variance=r1[rows],
                confidence=confidence,
                method=method,
            )
            if rows is known
            else ratios.ratio(
                x1[rows],
                n1[rows],
                x2[rows],
                n2[rows],
                relative_variance=r1[rows],
                other_relative_variance=r2[rows],
                confidence=confidence,
                method=method,
            )
        )
        estimate[rows], low[rows], high[rows] = found.ratio, found.low, found.high
        p[rows] = found.p_value
    adjusted = ratios.benjamini_hochberg(p)
    # The interval of a single one settles it, at whatever confidence.
    verdicts = verdict(low, high, adjusted if len(cases) > 1 else 0.0, margin=margin)
    open_ = verdicts == "too few feeds"
    asked = np.array([case.planned for case in cases])
    planned, more = (np.full(len(cases), np.nan) for _ in range(2))
    if asked.any():
        planned[asked], more[asked] = feeds_to_settle(
            x1[asked],
            n1[asked],
            x2[asked],
            n2[asked],
            np.where(known, rate, np.nan)[asked],
            relative_variance=planning[asked],
            benchmark_relative_variance=r2[asked],
            margin=margin,
            confidence=confidence,
        )
    # x faults of clustered runs say as much as x / (1 + r x), which never exceeds 1 / r.
    needed = faults_needed(margin=margin, confidence=confidence)
    rest = 1.0 - needed * r2
    held_needed = np.divide(needed, rest, out=np.full(rest.shape, np.nan), where=rest > 0)
    told = (n1 > 0) & (known | (n2 > 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        benchmark_rate = np.where(known, rate, x2 / n2)
    return tuple(
        Comparison(
            subject=case.subject,
            count=case.count,
            feeds=case.feeds,
            rate=case.count / case.feeds if case.feeds else None,
            benchmark=case.benchmark,
            benchmark_count=case.benchmark_count,
            benchmark_feeds=case.benchmark_feeds,
            benchmark_rate=float(benchmark_rate[i]) if known[i] or n2[i] > 0 else None,
            ratio=float(estimate[i]) if told[i] and np.isfinite(estimate[i]) else None,
            ratio_low=float(low[i]),
            ratio_high=float(high[i]),
            p_value=float(p[i]),
            p_adjusted=float(adjusted[i]),
            compared=len(cases),
            verdict=str(verdicts[i]),
            feeds_to_settle=_whole(more[i]) if open_[i] else 0,
            settling_feeds=_whole(planned[i]),
            faults_needed=None if known[i] else _whole(held_needed[i]),
            kind=kind,
            margin=margin,
            confidence=confidence,
            method=method,
            borrowed_from=case.borrowed_from,
        )
        for i, case in enumerate(cases)
    )


def verdict(
    low: ArrayLike, high: ArrayLike, p_adjusted: ArrayLike, *, margin: float = MARGIN
) -> NDArray[np.str_]:
    """Which of the four verdicts does an interval give?

    Parameters
    ----------
    low, high : array_like
        Interval of the ratio to the benchmark.
    p_adjusted : array_like
        Adjusted for all that are compared together; 0 where there is no other.
    margin : float
        As in `compare`.

    Returns
    -------
    str array
        Some of `VERDICTS`.

    Raises
    ------
    ValueError
        Where the margin is not above 1.

    Examples
    --------
    >>> verdict([1.1, 1.1, 0.7, 0.7], [2.0, 1.4, 0.9, 1.6], 0.01).tolist()
    ['worse', 'as good', 'better', 'too few feeds']
    """
    check_margin(margin)
    lower, upper, p = (np.asarray(end, dtype=np.float64) for end in (low, high, p_adjusted))
    found = p <= FALSE_SHARE
    return np.select(
        [(upper < 1) & found, upper < margin, (lower > 1) & found],
        ["better", "as good", "worse"],
        "too few feeds",
    )


def _column(cases: Sequence[Case], name: str) -> FloatArray:
    values = [getattr(case, name) for case in cases]
    return np.array([0.0 if value is None else float(value) for value in values])


def _whole(feeds: float) -> int | None:
    return int(np.ceil(feeds)) if np.isfinite(feeds) else None
