"""What do some faults in some feeds prove, and how do two such counts compare?

Two counts on their own, without a log: faults are taken to fall singly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.differences import difference
from analysis.intervals import interval, lower_bound, upper_bound
from analysis.ratios import ratio
from analysis.words import (
    PER,
    at_least,
    at_most_per_10k,
    one,
    per_10k,
    times_at_least,
    times_range,
    two_digits,
)


@dataclass(frozen=True)
class Proven:
    """What some faults in some feeds prove on their own.

    Attributes
    ----------
    count, feeds : int
        As given.
    rate : float or None
        Faults per feed; None for no feeds.
    low, high : float
        Two-sided interval.
    lower_bound, upper_bound : float
        One-sided, each at the same confidence.
    confidence : float
        Of each.
    method : str
        Of each.
    """

    count: int
    feeds: int
    rate: float | None
    low: float
    high: float
    lower_bound: float
    upper_bound: float
    confidence: float
    method: str

    def sentence(self) -> str:
        """Say what is proved in words, per 10,000 feeds."""
        share = f"{100 * self.confidence:g} %"
        if self.rate is None:
            return "No feeds prove nothing: the rate may be anything."
        if self.count == 0:
            return (
                f"No fault in {self.feeds:,} {one('feeds', self.feeds)}: with {share} confidence "
                "the true rate is below "
                f"{at_most_per_10k(self.upper_bound)} per 10,000 feeds (two-sided range 0 to "
                f"{per_10k(self.high)})."
            )
        return (
            f"{self.count:,} {one('faults', self.count)} in {self.feeds:,} "
            f"{one('feeds', self.feeds)}: "
            f"{per_10k(self.rate)} per 10,000 feeds ({per_10k(self.low)} to {per_10k(self.high)}, "
            f"{share} range); one-sided, at least {at_least(self.lower_bound * PER)} or at most "
            f"{at_most_per_10k(self.upper_bound)}. Faults that come in clusters prove less."
        )


def prove(count: int, feeds: int, *, method: str = "exact", confidence: float = 0.95) -> Proven:
    """Say what X faults in N feeds prove.

    Parameters
    ----------
    count, feeds : int
        Faults, and the feeds they were counted in.
    method, confidence
        Of the intervals; see `analysis.intervals`.

    Raises
    ------
    ValueError
        For more faults than feeds, an unknown method or a confidence outside 0 to 1.

    Examples
    --------
    >>> print(prove(0, 5000).sentence())
    No fault in 5,000 feeds: with 95 % confidence the true rate is below 6.0 per 10,000 feeds \
(two-sided range 0 to 7.4).
    """
    low, high = interval(count, feeds, confidence=confidence, method=method)
    return Proven(
        count=count,
        feeds=feeds,
        rate=count / feeds if feeds else None,
        low=float(low),
        high=float(high),
        lower_bound=float(lower_bound(count, feeds, confidence=confidence, method=method)),
        upper_bound=float(upper_bound(count, feeds, confidence=confidence, method=method)),
        confidence=confidence,
        method=method,
    )


@dataclass(frozen=True)
class Versus:
    """How two counts compare, first over second and first minus second.

    Attributes
    ----------
    first, second : Proven
        Each on its own.
    ratio : float or None
        Of the rates; None where nothing tells it, or the second alone has no fault.
    ratio_low, ratio_high : float
        Interval; the upper end is infinite where the second has no fault.
    p_value : float
        Doubled smaller tail of the conditional test, so that it agrees with the ratio's interval.
    difference : float or None
        Of the rates, per feed; None where one side has no feeds.
    difference_low, difference_high : float
        Interval.
    ratio_method, difference_method : str
        Of the intervals.
    """

    first: Proven
    second: Proven
    ratio: float | None
    ratio_low: float
    ratio_high: float
    p_value: float
    difference: float | None
    difference_low: float
    difference_high: float
    ratio_method: str
    difference_method: str

    def sentence(self) -> str:
        """Say how the first compares with the second."""
        if self.ratio is None:
            if not (self.first.feeds and self.second.feeds):
                return "One side has no feeds, so nothing can be compared."
            if not self.first.count:
                return "Neither side has a fault, so nothing tells them apart."
            return (
                f"The second has no fault: the first has at least {times_at_least(self.ratio_low)} "
                f"times its rate ({100 * self.first.confidence:g} % range)."
            )
        span = times_range(self.ratio_low, self.ratio_high)
        text = (
            f"The first has {two_digits(self.ratio)} times the rate of the second "
            f"({span}, {100 * self.first.confidence:g} % range)"
        )
        if self.ratio_low > 1:
            return f"{text}: it is worse."
        if self.ratio_high < 1:
            return f"{text}: it is better."
        return f"{text}: too few feeds to tell them apart."


def compare_counts(
    count: int,
    feeds: int,
    other_count: int,
    other_feeds: int,
    *,
    method: str = "exact",
    ratio_method: str = "exact",
    difference_method: str = "newcombe",
    confidence: float = 0.95,
) -> Versus:
    """Say how X faults in N feeds compare with other X faults in other N feeds.

    Parameters
    ----------
    count, feeds, other_count, other_feeds : int
        First and second.
    method, confidence
        Of each one's own intervals; see `prove`.
    ratio_method, difference_method : str
        See `analysis.ratios.ratio` and `analysis.differences.difference`.

    Raises
    ------
    ValueError
        For more faults than feeds, an unknown method or a confidence outside 0 to 1.

    Examples
    --------
    >>> print(compare_counts(7, 34, 1, 34).sentence())
    The first has 7.0 times the rate of the second (0.90 or more, 95 % range): too few feeds to \
tell them apart.
    """
    found = ratio(
        count, feeds, other_count, other_feeds, confidence=confidence, method=ratio_method
    )
    apart = difference(
        count, feeds, other_count, other_feeds, confidence=confidence, method=difference_method
    )
    return Versus(
        first=prove(count, feeds, method=method, confidence=confidence),
        second=prove(other_count, other_feeds, method=method, confidence=confidence),
        ratio=float(found.ratio) if np.isfinite(found.ratio) else None,
        ratio_low=float(found.low),
        ratio_high=float(found.high),
        p_value=float(found.p_value),
        difference=float(apart.difference) if np.isfinite(apart.difference) else None,
        difference_low=float(apart.low),
        difference_high=float(apart.high),
        ratio_method=ratio_method,
        difference_method=difference_method,
    )
