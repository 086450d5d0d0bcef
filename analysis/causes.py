"""What is behind the faults of a bin or a tower, what to check first, and which swap would tell?

A help to the technician and no verdict. Every cause that technicians know is a pattern
(`analysis.patterns`); `analysis.explaining` says how much likelier the faults are with it than
without. Together with how common each is beforehand that makes a chance for each cause, and one
for *bad luck*: that nothing is the matter. Beforehand bad luck has 70 in 100, and the causes share
the rest by their weights.

- A cause is *named* where its chance is 75 in 100 or more. Where none is and bad luck is likelier
  than not, that comes first. Where neither is so, nobody can tell by these counts: *cannot tell*
  comes first, and a swap would tell.
- Of one bin, causes that are its own are weighed against its neighbours in the same weeks, so that
  what all bins have is no cause in one. What all bins of its tower have is weighed by itself, and
  counts for the bin by the faults that it explains there.
- Where a bin beside it, or the one as far from the other end, has too many as well, faults of one
  may be logged as the other's: nobody can tell.
- Several causes may be at work. Each is set beside the faults beyond expected that it explains.

Each cause comes with its contrasts, rate ratios that speak for it and against it. Causes that show
by the same pattern are one (`Cause.same_as`): only a look or a swap tells them apart.

References
----------
Patterns: common practice, no source. Chances: as of `analysis.explaining`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.contrasts import Contrast, against_neighbours, either, for_and_against, said
from analysis.counts import Account
from analysis.explaining import Evidence, every_bin, one_bin
from analysis.patterns import Pattern
from analysis.swap_readings import SwapReading
from analysis.swaps import Swap
from analysis.tower_rows import Rows
from analysis.words import listed, one, two_digits

__all__ = [
    "BAD_LUCK",
    "CANNOT_TELL",
    "Cause",
    "Causes",
    "Contrast",
    "Weighed",
    "causes",
    "together",
    "weighed_own",
    "weighed_shared",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BAD_LUCK, CANNOT_TELL = "bad luck", "cannot tell"

#: Chance beforehand that nothing is the matter.
LUCK = 0.7
#: Chance from which on a cause is named.
NAMED = 0.75
#: A cause that all bins have must explain so much of a bin's faults to be named for it.
_WORTH = 0.05
#: After a cause of all bins is named, it is looked for others, so many times.
_MOST_SHARED = 3

HELP = (
    "This is a help to whoever looks into the tower, worked out from counts alone; it is no "
    "verdict on a part, and never says that a machine is safe to open."
)
HANDS = (
    "Before hands go in: switch off and isolate the tower as its maker and the local rules "
    "require, let vacuum and air vent, and keep clear of moving bins; electrical and pressure work "
    "is for people licensed for it."
)
_CAREFUL = (
    "Change one thing at a time and log it; keep hands out of a running tower, and follow the "
    "machine's maker and the local rules."
)


@dataclass(frozen=True)
class Cause:
    """One possible cause.

    Attributes
    ----------
    cause : str
        Its name; `BAD_LUCK` or `CANNOT_TELL` among them.
    kind : str
        ``misses`` or ``doubles``.
    chance : float
        That it is at work, 0 to 1.
    score : float
        By which it is ranked: its chance times its share of what is to be explained.
    supports, against : tuple of Contrast
        What speaks for it and against it.
    excess : float
        Faults beyond expected that it would explain.
    said : str
        Since when, how many times, and what happens, in words.
    same_as : tuple of str
        What shows by the same pattern.
    check_first, caution : str
        What to look at first; and what to mind.
    named : bool
        Whether its chance is 75 in 100 or more.
    shared : bool
        Whether all bins of the tower have it.
    swap : str
        What to exchange if a look does not tell; empty where that would not help.
    since : datetime64 or None
        When it began, where it began at some moment.
    """

    cause: str
    kind: str
    chance: float
    score: float
    supports: tuple[Contrast, ...]
    against: tuple[Contrast, ...]
    excess: float
    said: str
    same_as: tuple[str, ...]
    check_first: str
    caution: str
    named: bool
    shared: bool = False
    swap: str = ""
    since: np.datetime64 | None = None

    def sentence(self) -> str:
        """Say what it is, how likely, and what to check first."""
        said = f"{_capital(self.cause)} ({_chance(self.chance)}): {self.said}."
        if self.same_as:
            said += f" By counts alone it cannot be told from {either(self.same_as)}."
        return f"{said} First: {self.check_first}."


@dataclass(frozen=True)
class Causes:
    """What may be behind the faults of a bin, or of a tower as a whole.

    Attributes
    ----------
    tower : str
    bin : int or None
        None for the tower as a whole.
    kind : str
        ``misses``, ``doubles`` or ``faults``: both.
    causes : tuple of Cause
        Ranked: those named, by what they explain; or else bad luck or *cannot tell* first.
    observed, feeds : int
        Of the bin, or of the tower.
    expected : float
        On its paper, in its air, at its settings, beside its neighbours.
    account : Account
    lacking : tuple of str
        What could not be looked at, and why.
    swap : Swap, optional
        The exchange of piles that would tell the paper from the bin.
    swaps_read : tuple of SwapReading
        What exchanges that were logged have told.
    troubled : tuple of int
        Of a tower as a whole, bins that have far more than the others: each has a cause of its own.
    """

    tower: str
    bin: int | None
    kind: str
    causes: tuple[Cause, ...]
    observed: int
    feeds: int
    expected: float
    account: Account
    lacking: tuple[str, ...] = ()
    swap: Swap | None = None
    swaps_read: tuple[SwapReading, ...] = ()
    troubled: tuple[int, ...] = ()

    @property
    def name(self) -> str:
        """``bin 7 of tower B``, or ``tower B``."""
        return (
            f"tower {self.tower}" if self.bin is None else f"bin {self.bin} of tower {self.tower}"
        )

    @property
    def first(self) -> Cause:
        """The one that is ranked first."""
        return self.causes[0]

    @property
    def named(self) -> tuple[Cause, ...]:
        """Causes whose chance is 75 in 100 or more."""
        return tuple(cause for cause in self.causes if cause.named)

    def sentence(self) -> str:
        """Say what is likely behind it, and what to do first."""
        return f"{self._sentence()}{self._troubled()}"

    def _troubled(self) -> str:
        if not self.troubled:
            return ""
        bins = listed([str(number) for number in self.troubled])
        if len(self.troubled) == 1:
            return f" Bin {bins} has far more than the others: ask for it by itself."
        return f" Bins {bins} have far more than the others: ask for each by itself."

    def _sentence(self) -> str:
        first = self.first
        whose = f"the {self.kind} of {self.name}"
        if first.cause == BAD_LUCK:
            return (
                f"Nothing yet: bad luck is likely behind {whose} ({self.counted()}). "
                f"{_capital(first.check_first)}."
            )
        if first.cause == CANNOT_TELL:
            return (
                f"These counts cannot tell what is behind {whose} ({self.counted()}): "
                f"{first.said}. {_capital(first.check_first)}."
            )
        more = [cause.cause for cause in self.named[1:]]
        also = ""
        if more:
            also = f" {_capital(listed(more))} {'adds' if len(more) == 1 else 'add'} to it."
        return (
            f"{_capital(first.cause)} is likely behind {whose}: {first.said}.{also} First: "
            f"{first.check_first}."
        )

    def counted(self) -> str:
        """Say how many faults there were where so many would be usual."""
        return (
            f"{self.observed:,} {one(self.kind, self.observed)} where {two_digits(self.expected)} "
            f"would be usual in {self.feeds:,} feeds"
        )


def causes(
    rows: Rows,
    tower: str,
    bin: int | None,
    kind: str,
    patterns: Sequence[Pattern],
    account: Account,
) -> Causes:
    """Rank what may be behind the faults of one kind.

    Parameters
    ----------
    rows : Rows
        Of the tower; see `analysis.tower_rows.rows_of`.
    tower, bin, kind
        Whose; the tower as a whole where there is no bin.
    patterns : sequence of Pattern
        Causes that are known.
    account : Account
        Handed on.

    Raises
    ------
    ValueError
        Where the tower has no such bin in the rows.
    """
    mine = np.ones(rows.bin.size, dtype=bool) if bin is None else rows.bin == bin
    if not mine.any():
        raise ValueError(f"bin {bin} of tower {tower} has no feeds that were watched for {kind}")
    known = [pattern for pattern in patterns if pattern.kind == kind]
    shared, rows = weighed_shared(rows, known)
    own = weighed_own(rows, bin, known) if bin is not None else []
    looked = [w for w in (*own, *shared) if not w.evidence.lacking]
    told = [_told(rows, one_, mine, tower, bin, kind) for one_ in looked]
    observed, expected = float(rows.faults[mine].sum()), _usual(rows, mine, bin)
    lucky = None if bin is None else against_neighbours(rows, tower, bin)
    beside = _beside(rows, bin, known) if bin is not None and any(w.named for w in own) else None
    if beside is not None:
        told = [replace(c, named=c.named and c.shared) for c in told]
    ranked = _ranked(told, bin is None, observed, expected, lucky, kind, beside)
    lacking = {
        f"{w.evidence.pattern.name}: {w.evidence.lacking}"
        for w in (*own, *shared)
        if w.evidence.lacking
    }
    return Causes(
        tower=tower,
        bin=bin,
        kind=kind,
        causes=ranked,
        observed=round(observed),
        feeds=round(float(rows.feeds[mine].sum())),
        expected=expected,
        account=account,
        lacking=tuple(sorted(lacking)),
    )


def together(found: Sequence[Causes]) -> Causes:
    """Join what is said of misses and of doubles of one place.

    Named causes come first, those that explain most first; bad luck leads only where it does for
    both kinds.
    """
    if len(found) == 1:
        return found[0]
    named = [c for one_ in found for c in one_.causes if c.named]
    named.sort(key=lambda c: -c.excess)
    rest = [c for one_ in found for c in one_.causes if not c.named]
    leads = [one_.first.cause for one_ in found]
    lead = CANNOT_TELL if CANNOT_TELL in leads else BAD_LUCK
    first = [c for c in rest if c.cause == lead][:1] if not named else []
    rest = [c for c in rest if c.cause not in (BAD_LUCK, CANNOT_TELL)]
    luck = [c for one_ in found for c in one_.causes if c.cause == BAD_LUCK and c not in first]
    luck = sorted(luck, key=lambda c: -c.score)[:1]
    rest.sort(key=lambda c: -c.score)
    ranked = (*named, *first, *sorted([*rest, *luck], key=lambda c: -c.score))
    return replace(
        found[0],
        kind="faults",
        causes=ranked,
        # The swap is for what comes first.
        swap=next((one_.swap for one_ in found if one_.kind == ranked[0].kind), None),
        observed=sum(one_.observed for one_ in found),
        feeds=max(one_.feeds for one_ in found),
        expected=sum(one_.expected for one_ in found),
        lacking=tuple(sorted({text for one_ in found for text in one_.lacking})),
        swaps_read=tuple(reading for one_ in found for reading in one_.swaps_read),
        troubled=tuple(sorted({number for one_ in found for number in one_.troubled})),
    )


@dataclass(frozen=True)
class Weighed:
    """A cause with its chance: patterns of one name are one cause, told by the likeliest.

    Attributes
    ----------
    evidence : Evidence
        Of the likeliest pattern.
    chance : float
        Of them all.
    """

    evidence: Evidence
    chance: float

    @property
    def named(self) -> bool:
        """Whether the chance is 75 in 100 or more."""
        return self.chance >= NAMED


def _with_chances(found: Sequence[Evidence]) -> list[Weighed]:
    # What the log cannot show is no rival of what it can.
    weights = np.array([0.0 if one_.lacking else one_.pattern.weight for one_ in found])
    if not weights.any():
        return [Weighed(one_, 0.0) for one_ in found]
    weights = weights * ((1 - LUCK) / weights.sum())
    factors = np.array([one_.log_factor for one_ in found])
    top = max(0.0, float(factors.max()))
    parts = weights * np.exp(factors - top)
    chance = parts / (parts.sum() + LUCK * np.exp(-top))
    by_name: dict[str, list[int]] = {}
    for place, one_ in enumerate(found):
        by_name.setdefault(one_.pattern.name, []).append(place)
    out = []
    for places in by_name.values():
        best = max(places, key=lambda place: (found[place].told is not None, chance[place]))
        out.append(Weighed(found[best], float(chance[places].sum())))
    return out


def _beside(rows: Rows, bin: int, patterns: Sequence[Pattern]) -> int | None:
    """Return a bin with too many as well whose faults may be taken for this one's, if there is.

    The bin next to it, or the one as far from the other end. Two such bins with a trouble of their
    own are rarer than a slip of the pen.
    """
    bins = rows.bins
    for other in (bin - 1, bin + 1, bins[0] + bins[-1] - bin):
        if other in bins and other != bin:
            own = weighed_own(rows, other, patterns)
            if sum(one_.chance for one_ in own) >= 0.5:
                return other
    return None


def weighed_own(rows: Rows, bin: int, patterns: Sequence[Pattern]) -> list[Weighed]:
    """Weigh causes of one bin.

    Parameters
    ----------
    rows : Rows
        As `weighed_shared` hands them back.
    bin : int
    patterns : sequence of Pattern
        Of this kind of fault; those of every bin are passed over.
    """
    return _with_chances(one_bin(rows, bin, [p for p in patterns if not p.every_bin]))


def weighed_shared(rows: Rows, patterns: Sequence[Pattern]) -> tuple[list[Weighed], Rows]:
    """Weigh causes of all bins, one after another: what one explains, no other need explain.

    Parameters
    ----------
    rows : Rows
        Of a tower.
    patterns : sequence of Pattern
        Of this kind of fault; those of one bin are passed over.

    Returns
    -------
    list of Weighed, Rows
        Those named first; and the rows with what these explain in what is expected.
    """
    left = [pattern for pattern in patterns if pattern.every_bin]
    named: list[Weighed] = []
    for _ in range(_MOST_SHARED):
        found = _with_chances(every_bin(rows, left))
        best = max(found, key=lambda w: w.chance, default=None)
        if best is None or not best.named:
            break
        named.append(best)
        told = best.evidence.told
        assert told is not None
        if not (best.evidence.pattern.air or best.evidence.pattern.settings):
            # Where paper, air and settings do it, what is expected holds it already.
            factor = np.where(best.evidence.used, best.evidence.ratio**told.z, 1.0)
            rows = replace(rows, expected=rows.expected * factor)
        left = [p for p in left if p.name != best.evidence.pattern.name]
    else:
        found = _with_chances(every_bin(rows, left))
    rest = [w for w in found if w not in named]
    return [*named, *rest], rows


def _usual(rows: Rows, mine: BoolArray, bin: int | None) -> float:
    """Return the faults that an ordinary bin beside it would have had."""
    if bin is None:
        return float((rows.expected * rows.level).sum())
    usual = float(rows.expected[mine].sum())
    others = ~mine
    beside = float((rows.expected * rows.level)[others].sum())
    # As if one more had come where one was due: neighbours without a fault still expect some.
    return usual * (float(rows.faults[others].sum()) + 1) / (beside + 1)


def _told(
    rows: Rows, weighed: Weighed, mine: BoolArray, tower: str, bin: int | None, kind: str
) -> Cause:
    evidence, pattern = weighed.evidence, weighed.evidence.pattern
    supports, against = for_and_against(rows, evidence, tower, bin)
    excess = float(evidence.excess[mine].sum()) if weighed.chance > 0.01 else 0.0
    return Cause(
        cause=pattern.name,
        kind=kind,
        chance=weighed.chance,
        score=weighed.chance,
        supports=supports,
        against=against,
        excess=excess,
        said=said(evidence, kind),
        same_as=pattern.same_as,
        check_first=pattern.check_first,
        caution=HANDS if pattern.hands else _CAREFUL,
        named=weighed.named,
        shared=pattern.every_bin,
        swap=pattern.swap,
        since=evidence.told.since if evidence.told is not None else None,
    )


def _ranked(
    told: Sequence[Cause],
    whole: bool,
    observed: float,
    expected: float,
    lucky: Contrast | None,
    kind: str,
    beside: int | None,
) -> tuple[Cause, ...]:
    """Rank causes: named ones by what they explain, or bad luck or *cannot tell* first."""
    # What all bins have is named for one of them where it explains enough of its faults.
    shares = {id(c): c.excess / max(observed, 1.0) if c.shared and not whole else 1.0 for c in told}
    worth = [c for c in told if c.named and shares[id(c)] >= _WORTH]
    explained = sum(c.excess for c in worth)
    out, luck = [], 1.0 - sum(c.score for c in told if not c.shared)
    for cause in told:
        if cause in worth:
            luck = min(luck, 1 - cause.score)
            share = cause.excess / explained if explained > 0 else 1.0
            out.append(replace(cause, score=cause.score * share))
        elif cause.shared:
            share = min(1.0, shares[id(cause)] / _WORTH)
            luck *= 1 - (cause.score * share if not cause.named else 0.0)
            out.append(replace(cause, score=cause.score * shares[id(cause)], named=False))
        else:
            out.append(cause)
    in_favour = lucky is not None and lucky.low <= 1
    bad_luck = Cause(
        cause=BAD_LUCK,
        kind=kind,
        chance=luck,
        score=luck,
        supports=(lucky,) if lucky is not None and in_favour else (),
        against=(lucky,) if lucky is not None and not in_favour else (),
        excess=0.0,
        said="as many come about by chance on such paper, in such air, at such settings",
        same_as=(),
        check_first="nothing needs to be done yet: go on logging and look again in a few weeks",
        caution=_CAREFUL,
        named=False,
    )
    out.sort(key=lambda c: (-c.score, c.cause))
    if worth:
        return tuple(sorted([*out, bad_luck], key=lambda c: (not c.named, -c.score)))
    if luck >= 0.5 and beside is None:
        return (bad_luck, *out)
    likeliest = max((c.score for c in out), default=0.0)
    unsure = max(1 - max(likeliest, luck), likeliest)
    cannot = Cause(
        supports=(),
        against=(),
        excess=0.0,
        same_as=(),
        named=False,
        cause=CANNOT_TELL,
        kind=kind,
        chance=unsure,
        score=unsure,
        said=(
            f"{two_digits(observed)} where {two_digits(expected)} would be usual fit more than one "
            "cause, or too little of it"
            if beside is None
            else f"bin {beside} has too many as well, and faults of one of the two may be logged "
            "as the other's"
        ),
        check_first=(
            "look at what all bins share, vacuum, filters and air, and go on logging"
            if whole
            else "exchange the piles of two bins and log it: that tells the paper from the bin"
            if beside is None
            else "see that the bins are counted from the right end, and that faults of bin "
            f"{beside} are logged there"
        ),
        caution=HANDS,
        swap="" if whole else "piles",
    )
    return (cannot, *sorted([*out, bad_luck], key=lambda c: -c.score))


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _chance(score: float) -> str:
    if score > 0.99:
        return "over 99 in 100"
    return "below 1 in 100" if score < 0.01 else f"{100 * score:.0f} in 100"
