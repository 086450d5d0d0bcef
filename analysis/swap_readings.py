"""What came of a swap: did the faults go with what was exchanged, or stay with the bin?

What the counts tell is said by `analysis.swap_rule.told`. The suspect is the bin that had more than
was expected of it before; the other, its partner, is expected to have what it had, drawn to what is
ordinary. How far the two are apart is shown by the ratio of their faults, each by what was expected
of it, before and after (`analysis.ratios.beside_expected`). What tells is less plain than that
these two ranges lie on either side of 1, and sooner seen.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

from analysis import ratios
from analysis.service_log import PILES
from analysis.swap_rule import (
    FOLLOWS,
    GONE,
    NOT_YET,
    PART,
    STAYS,
    least_cycles,
    likely_ratio,
    rounded_up,
    told,
)
from analysis.swaps import next_after
from analysis.words import day, many, times_at_least, two_digits

#: Words for what is exchanged: several, and one.
_WORDS = {
    **dict.fromkeys(PILES, ("piles", "paper")),
    "suction feet": ("suction feet", "suction foot"),
    "suction foot": ("suction feet", "suction foot"),
    "brushes": ("brushes", "brush"),
    "brush": ("brushes", "brush"),
}

#: Chances asked for in turn where the log already has the cycles that the last one takes.
_POWERS = (0.8, 0.9)

#: An excess of less than that is planned for as that.
_LEAST_RATIO = 1.25


@dataclass(frozen=True)
class Seen:
    """What was counted at one bin.

    Attributes
    ----------
    feeds, faults, expected : float
        Expected of an ordinary bin, in those feeds.
    relative_variance : float
        Squared coefficient of variation that runs that differ give to the count.
    """

    feeds: float
    faults: float
    expected: float
    relative_variance: float = 0.0


@dataclass(frozen=True)
class Times:
    """How many times as many.

    Attributes
    ----------
    ratio : float
        NaN where nothing tells it.
    low, high : float
        Its 95 % range.
    """

    ratio: float
    low: float
    high: float

    def words(self) -> str:
        """Write ratio and range as a sentence has them."""
        if math.isnan(self.ratio):
            return "no telling how many times"
        if math.isinf(self.ratio):
            return f"at least {times_at_least(self.low)} times"
        if math.isinf(self.high):
            return f"{two_digits(self.ratio)} times ({two_digits(self.low)} or more)"
        return f"{two_digits(self.ratio)} times ({two_digits(self.low)} to {two_digits(self.high)})"


@dataclass(frozen=True)
class SwapReading:
    """What a swap told.

    Attributes
    ----------
    tower : str
        Where it was.
    bins : tuple of int
        The suspect and its partner.
    what, thing : str
        What was exchanged, such as ``piles``, and what one is called, such as ``paper``.
    when : datetime
        Wall time.
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    verdict : str
        ``follows the paper`` (or what else was exchanged), ``stays with the bin``, ``gone``, ``some
        of each`` or ``not yet``.
    before, after : tuple of Seen
        Of suspect and partner.
    ratio_before, ratio_after : Times
        Of the suspect's faults over the partner's, each by what was expected of it.
    more_cycles : int or None
        That are likely to tell, where the verdict is ``not yet``; 0 with any other, None where no
        number will.
    """

    tower: str
    bins: tuple[int, int]
    what: str
    thing: str
    when: dt.datetime
    kind: str
    verdict: str
    before: tuple[Seen, Seen]
    after: tuple[Seen, Seen]
    ratio_before: Times
    ratio_after: Times
    more_cycles: int | None

    def sentence(self) -> str:
        """Say what came of it, on what evidence, and what to do next."""
        suspect, other = self.bins
        kind, cycles = self.kind, max(side.feeds for side in self.after)
        done = (
            f"After the {self.what} of bins {suspect} and {other} of tower {self.tower} were "
            f"exchanged on {day(self.when)}"
        )
        one, two = self.after
        seen = (
            f" For what was expected of each, bin {suspect} had {self.ratio_before.words()} the "
            f"{kind} of bin {other} before and {self.ratio_after.words()} after, with "
            f"{one.faults:,.0f} and {two.faults:,.0f} in "
            f"{many(round(cycles), 'cycle')}."
        )
        if self.verdict.startswith(FOLLOWS):
            return f"{done}, the {kind} went with the {self.thing} to bin {other}.{seen}"
        if self.verdict.startswith(STAYS):
            then = next_after(self.what, kind)
            after = f" Exchange the {then} next." if then else ""
            return f"{done}, the {kind} stayed in bin {suspect}.{seen}{after}"
        if self.verdict == GONE:
            return (
                f"{done}, both bins have no more {kind} than is to be expected: taking things out "
                f"and putting them back cured it, or it was luck.{seen}"
            )
        if self.verdict == PART:
            return (
                f"{done}, some of the {kind} went with the {self.thing} to bin {other} and some "
                f"stayed in bin {suspect}: both have a share in it.{seen}"
            )
        if self.before[0].faults <= self.before[0].expected:
            return (
                f"{done}, nothing can be told: before that neither bin had more {kind} than was to "
                "be expected."
            )
        if self.more_cycles is None:
            return (
                f"{done}, it cannot be told where the {kind} went, and the log has too little from "
                f"before to say how many cycles would tell.{seen}"
            )
        return (
            f"{done}, it cannot be told yet where the {kind} went; log about {self.more_cycles:,} "
            f"more cycles before exchanging anything else.{seen}"
        )


def read_swap(
    tower: str,
    bins: tuple[int, int],
    part: str,
    when: dt.datetime,
    before: tuple[Seen, Seen],
    after: tuple[Seen, Seen],
    *,
    kind: str = "faults",
    between_bins: float = 0.04,
) -> SwapReading:
    """Did the faults go with what was exchanged, or stay with the bin?

    Parameters
    ----------
    tower : str
        Where the swap was.
    bins : tuple of int
        The two bins, in any order.
    part : str
        What was exchanged, as logged.
    when : datetime
        Wall time.
    before, after : tuple of Seen
        Of those bins, in their order.
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    between_bins : float
        Squared coefficient of variation of the rate between ordinary bins of a tower.

    Returns
    -------
    SwapReading
        The suspect, which is the bin that had more than expected before, comes first in it.

    Raises
    ------
    ValueError
        Where both bins are the same, or a number is missing or negative.

    Examples
    --------
    >>> before = (Seen(90_000, 40, 12), Seen(90_000, 11, 12))
    >>> after = (Seen(40_000, 6, 5.5), Seen(40_000, 19, 5.5))
    >>> when = dt.datetime(2032, 3, 5, 9)
    >>> found = read_swap("A", (7, 6), "pile", when, before, after, kind="doubles")
    >>> found.verdict
    'follows the paper'
    >>> print(found.sentence())
    After the piles of bins 7 and 6 of tower A were exchanged on 5 March 2032, the doubles went \
with the paper to bin 6. For what was expected of each, bin 7 had 3.6 times (1.8 to 7.9) the \
doubles of bin 6 before and 0.32 times (0.10 to 0.82) after, with 6 and 19 in 40,000 cycles.
    """
    if bins[0] == bins[1]:
        raise ValueError(f"a swap is between two bins; both are bin {bins[0]}")
    for side in (*before, *after):
        numbers = (side.feeds, side.faults, side.expected, side.relative_variance)
        if not all(0 <= number < math.inf for number in numbers):
            raise ValueError("feeds, faults and expected faults must be 0 or more, none missing")
    # Ordinary bins differ as much as so many expected faults leave open.
    known = 1 / between_bins if between_bins > 0 else math.inf
    if _drawn(before[1], known) > _drawn(before[0], known):
        bins, before, after = (bins[1], bins[0]), (before[1], before[0]), (after[1], after[0])
    what, thing = exchanged(part)
    first, second = after
    level = _drawn(before[1], known)
    # One dispersion for both, as that of the logarithm of their ratio: see analysis.trials.
    spread = first.relative_variance + second.relative_variance
    counted = [max(side.faults, side.expected) for side in after]
    phi = 1.0 + (spread / sum(1 / one for one in counted) if min(counted) > 0 else 0.0)
    own = 1.0 + before[0].relative_variance * max(before[0].faults, before[0].expected)
    suspect = (before[0].faults / own, before[0].expected / own)
    expected = (first.expected / phi, second.expected * level / phi)
    excess = before[0].faults > before[0].expected
    verdict = NOT_YET
    if excess:
        verdict = told((first.faults / phi, second.faults / phi), expected, suspect)
    more: int | None = 0
    if verdict == NOT_YET:
        more = _more(before, after, level, phi, suspect) if excess else None
    said = {FOLLOWS: f"follows the {thing}", STAYS: "stays with the bin"}.get(verdict, verdict)
    return SwapReading(
        tower=tower,
        bins=(int(bins[0]), int(bins[1])),
        what=what,
        thing=thing,
        when=when,
        kind=kind,
        verdict=said,
        before=before,
        after=after,
        ratio_before=_times(*before),
        ratio_after=_times(*after),
        more_cycles=more,
    )


def _more(
    before: tuple[Seen, Seen],
    after: tuple[Seen, Seen],
    level: float,
    phi: float,
    suspect: tuple[float, float],
) -> int | None:
    """Return how many more cycles are likely to tell; None where no number is."""
    done = max(side.feeds for side in after)
    sides = [
        (new if new.feeds and new.expected else old) for new, old in zip(after, before, strict=True)
    ]
    if not all(side.feeds and side.expected for side in sides):
        return None
    rates = (sides[0].expected / sides[0].feeds, sides[1].expected * level / sides[1].feeds)
    ratio = max(_LEAST_RATIO, likely_ratio(suspect))
    for power in _POWERS:
        cycles = least_cycles(rates, ratio, lambda _: (*suspect, False), lambda _: phi, power)
        if cycles is not None and cycles > done:
            return rounded_up(cycles - done)
    return None


def _times(suspect: Seen, other: Seen) -> Times:
    if min(suspect.expected, other.expected) <= 0:
        return Times(math.nan, 0.0, math.inf)
    found = ratios.beside_expected(
        suspect.faults,
        suspect.expected,
        other.faults,
        other.expected,
        relative_variance=suspect.relative_variance,
        other_relative_variance=other.relative_variance,
    )
    return Times(float(found.ratio), float(found.low), float(found.high))


def _drawn(seen: Seen, known: float) -> float:
    """Return a bin's faults over the expected ones, drawn to what is ordinary."""
    if math.isinf(known):
        return 1.0
    return (seen.faults + known) / (seen.expected + known)


def exchanged(part: str) -> tuple[str, str]:
    """Name what was exchanged, by the part that was logged: several of it, and one.

    Examples
    --------
    >>> exchanged("Lift"), exchanged("hose")
    (('piles', 'paper'), ('hoses', 'hose'))
    """
    name = part.strip().lower()
    return _WORDS.get(name, (f"{name}s", name))
