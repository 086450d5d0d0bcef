"""What is behind the faults of a bin or a tower, what to check first, and which swap would tell?

A help to the technician and no verdict. Every cause that technicians know is a pattern
(`analysis.patterns`); `analysis.explaining` says how much likelier the faults are with it than
without. Together with how common each is beforehand that makes a chance for each cause, and one
for *bad luck*: that nothing is the matter. Beforehand bad luck has 70 in 100, and the causes share
the rest by their weights.

- A cause is *named* where bad luck has less than 10 in 100 and it has 60 or more, together with
  those of its family: causes that differ only in how they come, and that the same look finds. Where
  none is and bad luck is likelier than not, that comes first. Where neither is so, nobody can tell
  by these counts: *cannot tell* comes first, and a swap would tell.
- Of one bin, causes that are its own are weighed against its neighbours in the same weeks, so that
  what all bins have is no cause in one. What all bins of its tower have is weighed by itself, and
  counts for the bin by the faults that it explains there.
- Where a bin beside it, or the one as far from the other end, has too many as well, faults of one
  may be logged as the other's: nobody can tell.
- Several causes may be at work. Each is set beside the faults beyond expected that it explains, and
  those named stand in the order of what they are likely to explain: these faults times the chance.

Each cause comes with its contrasts, rate ratios that speak for it and against it. Causes that show
by the same pattern are one (`Cause.same_as`), also one that a site adds: only a look or a swap
tells them apart.

References
----------
Patterns: common practice, no source. Chances: as of `analysis.explaining`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.cautions import CAREFUL, HANDS
from analysis.chances import Weighed, bin_beside, weighed_own, weighed_shared
from analysis.contrasts import Contrast, against_neighbours, for_and_against, said
from analysis.counts import Account
from analysis.explaining import Evidence
from analysis.patterns import WITH_AGE, Pattern, one_class
from analysis.swap_readings import SwapReading
from analysis.swaps import EXCHANGED, Swap
from analysis.tower_rows import Rows
from analysis.words import capital, day, either, listed, many, one, two_digits

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BAD_LUCK, CANNOT_TELL = "bad luck", "cannot tell"
#: What is done first where the counts cannot tell, until an exchange of piles has told.
EXCHANGE_PILES = "exchange the piles of two bins and log it: that tells the paper from the bin"

#: One of its family is told beside it from this chance on.
_KIN = 0.05
#: A cause that all bins have must explain so much of a bin's faults to be named for it.
_WORTH = 0.05


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
        Whether it is likelier than all else, bad luck among it.
    shared : bool
        Whether all bins of the tower have it.
    swap : str
        What to exchange if a look does not tell; empty where that would not help.
    since : datetime64 or None
        When it began, where it began at some moment.
    over : datetime or None
        When somebody's work ended it, or a new part took the place of the worn one.
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
    over: dt.datetime | None = None

    def sentence(self) -> str:
        """Say what it is, how likely, and what to check first."""
        said = f"{capital(self.cause)} ({_chance(self.chance)}): {self.said}."
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
        Ranked: those named, by what they are likely to explain; or else bad luck or *cannot tell*
        first.
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
        """Causes that are named."""
        return tuple(cause for cause in self.causes if cause.named)

    def with_swaps(self, swap: Swap | None, read: tuple[SwapReading, ...]) -> Causes:
        """Return the same with the exchange that would tell, and what logged ones have told.

        Nobody is sent for an exchange of piles that has told already.
        """
        found = replace(self, swap=swap, swaps_read=read)
        if swap is None or swap.what == "piles":
            return found
        first = f"look at what is in that bin, since {swap.why}"
        if swap.cycles is not None:
            first = (
                f"exchange the {swap.what} of two bins and log it: that tells the "
                f"{EXCHANGED[swap.what]} from the rest of the bin"
            )
        thing = "" if swap.cycles is None else swap.what
        return replace(
            found,
            causes=tuple(
                replace(one_, check_first=first, swap=thing)
                if one_.check_first == EXCHANGE_PILES
                else one_
                for one_ in self.causes
            ),
        )

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
                f"{capital(first.check_first)}."
            )
        if first.cause == CANNOT_TELL:
            return (
                f"These counts cannot tell what is behind {whose} ({self.counted()}): "
                f"{first.said}. {capital(first.check_first)}."
            )
        also = f" {capital(self.also())}." if self.also() else ""
        verb = "is" if first.over is None else "was"
        # Of what is over nothing is to be done: what is still at work comes first.
        due = next((cause for cause in self.named if cause.over is None), first)
        begin = "First" if due is first else f"First, since {due.cause} is still at work"
        return (
            f"{capital(first.cause)} {verb} likely behind {whose}: {first.said}.{also} {begin}: "
            f"{due.check_first}."
        )

    def also(self) -> str:
        """Say what else is named, and until when what is over; empty where nothing is."""
        rest = self.named[1:]
        now = [cause.cause for cause in rest if cause.over is None]
        said = [f"{listed(now)} {'adds' if len(now) == 1 else 'add'} to it"] if now else []
        said += [
            f"{cause.cause} added to it until {day(cause.over)}"
            for cause in rest
            if cause.over is not None
        ]
        return "; ".join(said)

    def counted(self) -> str:
        """Say how many faults there were where so many would be usual.

        Of a bin, the bins beside it say what is usual; of a whole tower, only what paper, air and
        settings do in all of the log.
        """
        said = (
            f"{self.observed:,} {one(self.kind, self.observed)} where {two_digits(self.expected)} "
            f"would be usual in {many(self.feeds, 'feed')}"
        )
        if self.bin is not None:
            return said
        return f"{said} by paper, air and settings alone, whatever the age of its parts"


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
    known = one_class([pattern for pattern in patterns if pattern.kind == kind])
    shared, rows = weighed_shared(rows, known)
    own = weighed_own(rows, bin, known) if bin is not None else []
    looked = [w for w in (*own, *shared) if not w.evidence.lacking]
    told = [_told(rows, one_, looked, mine, tower, bin, kind) for one_ in looked]
    observed, expected = float(rows.faults[mine].sum()), _usual(rows, mine, bin)
    lucky = None if bin is None else against_neighbours(rows, tower, bin)
    beside = bin_beside(rows, bin, known) if bin is not None and any(w.named for w in own) else None
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
    rows: Rows,
    weighed: Weighed,
    looked: Sequence[Weighed],
    mine: BoolArray,
    tower: str,
    bin: int | None,
    kind: str,
) -> Cause:
    evidence, pattern = weighed.evidence, weighed.evidence.pattern
    kin = tuple(
        one_.evidence.pattern.name
        for one_ in looked
        if one_ is not weighed and one_.family == weighed.family and one_.chance >= _KIN
    )
    supports, against = for_and_against(rows, evidence, tower, bin)
    excess = float(evidence.excess[mine].sum()) if weighed.chance > 0.01 else 0.0
    over = _over(rows, evidence, bin)
    return Cause(
        cause=pattern.name,
        kind=kind,
        chance=weighed.chance,
        score=weighed.chance,
        supports=supports,
        against=against,
        excess=excess,
        said=said(evidence, kind),
        over=over,
        same_as=(*kin, *weighed.alike),
        check_first=(
            pattern.check_first
            if over is None
            else f"nothing any more, as it seems to be over since {day(over)}; see that it stays so"
        ),
        caution=HANDS if pattern.hands else CAREFUL,
        named=weighed.named,
        shared=pattern.every_bin,
        swap=pattern.swap,
        since=evidence.told.since if evidence.told is not None else None,
    )


def _over(rows: Rows, evidence: Evidence, bin: int | None) -> dt.datetime | None:
    """Return when it ended, if a service or a new part ended it."""
    told = evidence.told
    if told is None:
        return None
    if told.until is not None:
        ended = told.until.astype("datetime64[us]").item()
        assert isinstance(ended, dt.datetime)
        return ended
    if not told.when.startswith(WITH_AGE):
        return None
    part = told.when.removeprefix(WITH_AGE).strip().lower()
    fitted = [
        one_.when
        for one_ in rows.services
        if one_.action in ("fitted", "overhauled")
        and one_.part.strip().lower() == part
        and (one_.of_tower or bin is None or one_.bin in (bin, None))
    ]
    mine = evidence.used & (rows.started == rows.started[evidence.used].max())
    # A part as good as new is not the one that had worn.
    if not fitted or float(told.z[mine].max()) > _AS_NEW:
        return None
    return max(fitted)


#: How far along the greatest age a part is at most that took the place of a worn one.
_AS_NEW = 0.5


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
        caution=CAREFUL,
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
            else EXCHANGE_PILES
            if beside is None
            else "see that the bins are counted from the right end, and that faults of bin "
            f"{beside} are logged there"
        ),
        caution=HANDS,
        swap="" if whole else "piles",
    )
    return (cannot, *sorted([*out, bad_luck], key=lambda c: -c.score))


def _chance(score: float) -> str:
    if score > 0.99:
        return "over 99 in 100"
    return "below 1 in 100" if score < 0.01 else f"{100 * score:.0f} in 100"
