"""Is it as good as at burn-in, and if that cannot be said yet, how many feeds will tell?

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

Feeds to settle are planned for the larger of two needs: a chance of 80 % of *as good* (or *better*)
if the true ratio is 1, and of *worse* if it is 2. Counts being whole, the chance of a verdict rises
with the feeds in the manner of a saw, and it is its middle that is meant: the mean of the chances
just before and just after a tooth. Against a known standard that takes 41.9 and 11.8 expected
faults; for 80 % at every tooth from there on, 43.2 and 12.4, and the first tooth to reach 80 % does
so at 40.2 and 11.3.

Against a burn-in, its true rate is as uncertain as its faults leave it (gamma with shape x + 1/2,
Jeffreys' prior), and production may have that rate or twice that. A burn-in with too few faults
then leaves the verdict open however long production runs: of 53 faults and 16 on, respectively, 80
% can be reached. (Planned before the burn-in is run, so that its count is uncertain as well, that
is 58 and 13 expected faults at the first whole number that reaches 80 %.)

References
----------
Benjamini Y, Hochberg Y (1995). Controlling the false discovery rate. Journal of the Royal
Statistical Society B 57:289-300.
Blackwelder WC (1982). "Proving the null hypothesis" in clinical trials. Controlled Clinical Trials
3:345-353: the margin.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analysis import intervals, ratios
from analysis.words import per_10k, two_digits

__all__ = [
    "BENCHMARKS",
    "VERDICTS",
    "Case",
    "Comparison",
    "compare",
    "expected_to_settle",
    "faults_needed",
    "feeds_to_settle",
    "verdict",
]

FloatArray = NDArray[np.float64]

VERDICTS = ("worse", "better", "as good", "too few feeds")

#: What a rate may be compared with, and how a sentence calls it.
BENCHMARKS = {
    "burn-in": "its burn-in",
    "settled": "its settled period",
    "standard": "the stated standard",
}

MARGIN = 1.5
FALSE_SHARE = 0.05

# The chance of a verdict that feeds are planned for, and the ratio at which *worse* must show.
_CHANCE = 0.8
_TWICE = 2.0

# Faults beyond which more of them settle nothing: no tower sees so many.
_MOST_FAULTS = 1e7

# Sections that are looked at together, and how often: as close as 48 halvings.
_SECTIONS, _ROUNDS = 16, 12


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
                f"{against} had none: at least {two_digits(self.ratio_low)} times as many."
            )
        high = two_digits(self.ratio_high)
        if self.count == 0:
            return (
                f"{self.subject} has {self._no()} in {self.feeds:,} feeds: at most {high} times "
                f"the {self.kind} of {against}."
            )
        times = two_digits(self.ratio if self.ratio is not None else 0.0)
        return (
            f"{self.subject} feeds {times} times the {self.kind} of {against} "
            f"({two_digits(self.ratio_low)} to {high})."
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
    _check_margin(margin)
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
    _check_margin(margin)
    lower, upper, p = (np.asarray(end, dtype=np.float64) for end in (low, high, p_adjusted))
    found = p <= FALSE_SHARE
    return np.select(
        [(upper < 1) & found, upper < margin, (lower > 1) & found],
        ["better", "as good", "worse"],
        "too few feeds",
    )


def feeds_to_settle(
    count: ArrayLike,
    feeds: ArrayLike,
    benchmark_count: ArrayLike,
    benchmark_feeds: ArrayLike,
    benchmark_rate: ArrayLike = np.nan,
    *,
    relative_variance: ArrayLike = 0.0,
    benchmark_relative_variance: ArrayLike = 0.0,
    margin: float = MARGIN,
    confidence: float = 0.95,
) -> tuple[FloatArray, FloatArray]:
    """How many feeds does it take to settle a comparison, and how many more than there are?

    Parameters
    ----------
    count, feeds : array_like
        Faults and feeds so far; 0 and 0 where a period is to be planned. One-dimensional.
    benchmark_count, benchmark_feeds : array_like
        Of the burn-in or settled period; not looked at where there is a standard.
    benchmark_rate : array_like
        The standard, in faults per feed; NaN where the benchmark is a count in feeds.
    relative_variance, benchmark_relative_variance, margin, confidence
        As in `compare`.

    Returns
    -------
    planned, more : float arrays
        Feeds of a whole period, and those still needed; NaN where no number can settle it.

    Raises
    ------
    ValueError
        Where the margin is not above 1, or the confidence not between 0 and 1.

    Notes
    -----
    The module's introduction says what is planned for. Still needed are the planned feeds less
    those there are. Where they are in and the verdict is open all the same (one time in five, or
    because the ratio lies between 1 and 2), it is the number from which on the chance is 80 % with
    the faults counted so far, for *as good* if the ratio is 1 from here on and for *worse* if it is
    2 from here on. Clusters multiply feeds by the dispersion of the period so far, and make the
    burn-in hold fewer faults.

    Examples
    --------
    Against a standard of 3 misses per 100,000 feeds, with 200,000 feeds in:

    >>> planned, more = feeds_to_settle([6], [200_000], [0], [0], [3e-5])
    >>> round(planned.item(), -4), round(more.item(), -4)
    (1400000.0, 1200000.0)
    """
    _check_margin(margin)
    x1, n1, x2, n2, rate, r1, r2 = (
        np.atleast_1d(np.asarray(number, dtype=np.float64))
        for number in np.broadcast_arrays(
            count,
            feeds,
            benchmark_count,
            benchmark_feeds,
            benchmark_rate,
            relative_variance,
            benchmark_relative_variance,
        )
    )
    known = ~np.isnan(rate)
    tail = 0.5 * (1.0 - confidence)
    # A standard is a burn-in without end: only the faults over its rate count.
    sample = ratios.effective_samples(
        x1,
        n1,
        np.where(known, 0.0, x2),
        np.where(known, 0.0, n2),
        relative_variance=r1,
        other_relative_variance=r2,
    )
    settled = np.ones(x1.size, dtype=np.bool_)
    planned, more = np.zeros(x1.size), np.full(x1.size, -np.inf)
    # *As good* is a matter of the upper end of the ratio, *worse* one of the lower.
    for (a, m, held, fed), chance_of, limit in (
        (sample.high, _as_good, _as_good_at_last),
        (sample.low, _worse, _worse_at_last),
    ):
        # Exposure is counted in expected faults of a standard, or in the burn-in's own feeds.
        with np.errstate(divide="ignore", invalid="ignore"):
            unit = np.where(known, 1.0 / rate, fed)
            so_far = np.where(unit > 0, m / unit, 0.0)
        phi = np.where(m > 0, n1 / np.where(m > 0, m, 1.0), 1.0)
        settled &= known | (limit(held, margin, tail) >= _CHANCE)
        rows = np.flatnonzero(settled)
        scale, nothing = (phi * unit)[rows], np.zeros(rows.size)
        whole = scale * chance_of(nothing, nothing, held[rows], known[rows], margin, tail)
        planned[rows] = np.maximum(planned[rows], whole)
        from_here = chance_of(a[rows], so_far[rows], held[rows], known[rows], margin, tail)
        more[rows] = np.maximum(more[rows], scale * (from_here - so_far[rows]))
    planned[~settled] = np.nan
    missing = planned - n1
    return planned, np.where(missing <= 0, more, missing)


def expected_to_settle(*, margin: float = MARGIN, confidence: float = 0.95) -> tuple[float, float]:
    """How many faults must a known standard let expect for *as good*, and for *worse*?

    Parameters
    ----------
    margin, confidence
        As in `compare`.

    Returns
    -------
    as_good, worse : float
        Faults expected at the standard: with *as good* if the ratio is 1 and with *worse* if it is
        2 the chance is 80 %.

    Examples
    --------
    >>> as_good, worse = expected_to_settle()
    >>> round(as_good, 1), round(worse, 1)
    (41.9, 11.8)
    """
    _check_margin(margin)
    zero, known, tail = np.zeros(1), np.ones(1, dtype=np.bool_), 0.5 * (1.0 - confidence)
    return (
        float(_as_good(zero, zero, zero, known, margin, tail)[0]),
        float(_worse(zero, zero, zero, known, margin, tail)[0]),
    )


def faults_needed(*, margin: float = MARGIN, confidence: float = 0.95) -> int:
    """How many faults must a burn-in hold for any number of feeds to settle a comparison?

    Parameters
    ----------
    margin, confidence
        As in `compare`.

    Returns
    -------
    int
        The least with which both chances can be 80 %.

    Examples
    --------
    >>> faults_needed(), faults_needed(margin=2)
    (53, 20)
    """
    _check_margin(margin)
    tail = 0.5 * (1.0 - confidence)

    def enough(held: int) -> bool:
        faults = np.array([float(held)])
        both = (_as_good_at_last(faults, margin, tail), _worse_at_last(faults, margin, tail))
        return bool(min(both) >= _CHANCE)

    none, most = 0, 1
    while not enough(most):
        none, most = most, 2 * most
    while most - none > 1:
        middle = (none + most) // 2
        none, most = (none, middle) if enough(middle) else (middle, most)
    return most


def _as_good_at_last(held: FloatArray, margin: float, tail: float) -> FloatArray:
    """Chance of *as good* at a ratio of 1, with production without end beside so many faults."""
    some = np.where(held > 0, held, 1.0)
    limit = special.gammainc(some + 0.5, margin * special.gammaincinv(some, tail))
    return np.where(held > 0, limit, 0.0)


def _worse_at_last(held: FloatArray, margin: float, tail: float) -> FloatArray:
    """Chance of *worse* at a ratio of 2, with production without end beside so many faults."""
    del margin  # as in `_worse`
    return np.asarray(
        special.gammaincc(held + 0.5, special.gammainccinv(held + 1.0, tail) / _TWICE)
    )


def _as_good(
    a: FloatArray,
    so_far: FloatArray,
    held: FloatArray,
    known: NDArray[np.bool_],
    margin: float,
    tail: float,
) -> FloatArray:
    """Exposure at which *as good* has its chance if the ratio is 1 from here on.

    `a` faults are in so far, in the exposure `so_far`; the benchmark holds `held` faults, or is
    known.
    """

    def exposure(total: FloatArray) -> FloatArray:
        # At this exposure `total` faults bring the upper end of the ratio to the margin.
        own = special.gammainccinv(total + 1.0, tail)
        upper = intervals.interval(total, total + held, confidence=1 - 2 * tail)[1]
        rest = intervals.interval(held, total + held, confidence=1 - 2 * tail)[0]
        odds = upper / np.where(known, 1.0, rest)
        return np.asarray(np.where(known, own, odds) / margin)

    def chance(more: FloatArray, length: FloatArray) -> FloatArray:
        return np.asarray(1.0 - _more_faults(more, length, held, known))

    return _least_exposure(a, so_far, exposure, chance)


def _worse(
    a: FloatArray,
    so_far: FloatArray,
    held: FloatArray,
    known: NDArray[np.bool_],
    margin: float,
    tail: float,
) -> FloatArray:
    """Exposure at which *worse* has its chance if the ratio is 2 from here on; as `_as_good`.

    Worse in the sense that the lower end of the ratio is above 1. That its upper end then is at the
    margin or above goes without saying where the margin is 1.5; beside a larger one a ratio of 2
    may come out as good in the end.
    """
    del margin

    def exposure(total: FloatArray) -> FloatArray:
        # At this exposure `total` faults bring the lower end of the ratio to 1.
        own = special.gammaincinv(total, tail)
        lower = intervals.interval(total, total + held, confidence=1 - 2 * tail)[0]
        rest = intervals.interval(held, total + held, confidence=1 - 2 * tail)[1]
        return np.asarray(np.where(known, own, lower / rest))

    def chance(more: FloatArray, length: FloatArray) -> FloatArray:
        return _more_faults(more, _TWICE * length, held, known)

    return _least_exposure(a, so_far, exposure, chance)


def _more_faults(
    more: FloatArray, length: FloatArray, held: FloatArray, known: NDArray[np.bool_]
) -> FloatArray:
    """Chance of `more` faults or more in a length of exposure, half of `more` itself left out.

    That is the middle of a tooth for either verdict. Poisson with the mean `length` against a
    standard. Against a burn-in the mean is `length` times a gamma variable of shape held + 1/2,
    which makes the faults negative binomial.
    """
    poisson = special.gammainc(more, length) + special.gammainc(more + 1.0, length)
    shape, share = held + 0.5, length / (1.0 + length)
    mixed = special.betainc(more, shape, share) + special.betainc(more + 1.0, shape, share)
    return np.asarray(0.5 * np.where(known, poisson, mixed))


def _least_exposure(
    a: FloatArray,
    so_far: FloatArray,
    exposure: Callable[[FloatArray], FloatArray],
    chance: Callable[[FloatArray, FloatArray], FloatArray],
) -> FloatArray:
    """Exposure at which the chance of the verdict reaches 80 %; NaN where it does not."""

    def enough(log_more: FloatArray) -> NDArray[np.bool_]:
        more = np.exp(log_more)
        length = exposure(a + more) - so_far
        # An exposure that is past already is none to plan for.
        return np.asarray((length > 0) & (chance(more, np.maximum(length, 0.0)) >= _CHANCE))

    # Over the logarithm of the faults still to come: exposure and chance rise with them. To try
    # many places at once takes no longer than one.
    left, right = np.full(a.size, np.log(1e-3)), np.full(a.size, np.log(_MOST_FAULTS))
    reached = enough(right)
    inside = np.arange(1, _SECTIONS)[:, None] / _SECTIONS
    for _ in range(_ROUNDS):
        places = np.vstack([left, left + (right - left) * inside, right])
        yes = enough(places[1:-1])
        # The end of the first section at whose end it is reached.
        end = np.where(yes.any(axis=0), yes.argmax(axis=0), _SECTIONS - 1) + 1
        left, right = (np.take_along_axis(places, at[None], 0)[0] for at in (end - 1, end))
    return np.where(reached, exposure(a + np.exp(right)), np.nan)


def _check_margin(margin: float) -> None:
    if not (margin > 1 and np.isfinite(margin)):
        raise ValueError(f"margin must be above 1, not {margin}")


def _column(cases: Sequence[Case], name: str) -> FloatArray:
    values = [getattr(case, name) for case in cases]
    return np.array([0.0 if value is None else float(value) for value in values])


def _whole(feeds: float) -> int | None:
    return int(np.ceil(feeds)) if np.isfinite(feeds) else None
