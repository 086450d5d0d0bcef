"""Does this tower pass its burn-in, and what did that prove?

A tower is judged by a plan for each kind of fault, looked at where its runs ended, and by a screen
of each bin. It fails when either kind fails or a bin does; it passes when both kinds have passed,
an accepted kind staying accepted, and the screens, applied once at that moment, are clear;
otherwise it goes on. The producer's risk is the tower's: by default 0.02 for each kind and 0.01 for
all screens. The consumer's holds for each kind by itself. A verdict is the one that was reached
when it was reached; what was counted later stands beside it.

A bin that has already reached the count that would fail it at the end of the whole test fails at
once: it could not be clear when the screens are applied.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.burn_ins import PROVED, Attempt, BurnIn
from analysis.chosen_plans import Chosen
from analysis.counts import Account
from analysis.doubts import Doubt, Judged, doubts_of
from analysis.intervals import lower_bound
from analysis.looks import Screened, chance_to_pass
from analysis.plans import PlanError
from analysis.ran_on import Conditions, Planted, conditions, planted
from analysis.run_by_run import (
    CONFIDENCE,
    BinJudged,
    KindJudged,
    Series,
    Verdict,
    bins_by_look,
    ended,
)
from analysis.screens import each_risk
from analysis.words import (
    at_most_per_10k,
    bound_apart,
    listed,
    many,
    one,
    two_digits,
)

#: Default risk of all screens together, the producer's.
SCREENS_RISK = 0.01


@dataclass(frozen=True)
class Detector:
    """What faults put in on purpose prove of the detector.

    Attributes
    ----------
    planted : Planted
        How many were put in and called.
    lower_bound : float or None
        It calls at least this share of such faults, with 95 % confidence, one-sided and exact;
        None where none were put in.
    """

    planted: Planted
    lower_bound: float | None

    def sentence(self) -> str:
        """Say what was put in, what was called, and what that proves."""
        kind = self.planted.kind
        if self.lower_bound is None:
            return f"No {kind} were put in on purpose: what the detector lets by is not known."
        return (
            f"{self.planted.called:,} of {self.planted.planted:,} {kind} put in on purpose were "
            f"called: the detector calls at least {math.floor(100 * self.lower_bound)} % of them, "
            "with 95 % confidence."
        )


def detector(found: Planted) -> Detector:
    """Say what faults put in on purpose prove of the detector.

    Examples
    --------
    >>> print(round(detector(Planted("doubles", 20, 20)).lower_bound, 3))
    0.861
    """
    if not found.planted:
        return Detector(found, None)
    bound = float(lower_bound(found.called, found.planted, confidence=CONFIDENCE))
    return Detector(found, bound)


@dataclass(frozen=True)
class Judgement:
    """A tower's burn-in, judged.

    Attributes
    ----------
    burn_in : BurnIn
        With its abandoned attempts.
    verdict : str
        ``pass``, ``fail`` or ``go on``.
    decided_run, decided_at : str and datetime, or None
        The run at whose end it was reached, and when that run started (wall time).
    kinds : mapping of str to KindJudged
        ``misses`` and ``doubles``.
    bins : tuple of BinJudged
        Bin by bin, misses first.
    screened : bool
        Whether the screens were applied.
    screens_risk : float
        Chance that a good tower is failed by any screen, when they are applied, at most.
    tests : mapping of str to Screened
        Each kind's looks with its bins, foreseen ones included: what the tower's risks are worked
        out from.
    detectors : tuple of Detector
        One for each kind.
    conditions : Conditions
        Of the attempt that counts.
    account : Account
        The rows of the attempt that counts.
    """

    burn_in: BurnIn
    verdict: Verdict
    decided_run: str | None
    decided_at: dt.datetime | None
    kinds: Mapping[str, KindJudged]
    bins: tuple[BinJudged, ...]
    screened: bool
    screens_risk: float
    tests: Mapping[str, Screened]
    detectors: tuple[Detector, ...]
    conditions: Conditions
    account: Account

    @property
    def attempt(self) -> Attempt:
        """The attempt that counts."""
        return self.burn_in.attempts[-1]

    @cached_property
    def producer_risk(self) -> float:
        """The tower's true one: the chance that a tower at both good rates does not pass."""
        good = [kind.asked.good for kind in self.kinds.values()]
        return 1 - chance_to_pass(list(self.tests.values()), good)

    @cached_property
    def pass_at_bad(self) -> Mapping[str, float]:
        """Chance to pass of a tower at the bad rate of each kind in turn, good otherwise."""
        found = {}
        for bad in self.kinds:
            rates = [k.asked.bad if k.kind == bad else k.asked.good for k in self.kinds.values()]
            found[bad] = chance_to_pass(list(self.tests.values()), rates)
        return found

    @property
    def bins_run(self) -> int:
        """How many bins had feeds."""
        return len({b.bin for b in self.bins if b.feeds})

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """What speaks against taking the verdict as it stands."""
        judged = Judged(
            burn_in=self.burn_in,
            bins=tuple((b.bin, b.kind, b.count, b.fails_at, b.fails_now_at) for b in self.bins),
            good={kind: k.asked.good for kind, k in self.kinds.items()},
            later={kind: k.later for kind, k in self.kinds.items()},
            kept={kind: (k.chosen.kept, k.chosen.followed) for kind, k in self.kinds.items()},
            passed_over={kind: k.chosen.passed_over for kind, k in self.kinds.items()},
            lower_bounds={d.planted.kind: d.lower_bound for d in self.detectors},
            conditions=self.conditions,
        )
        return doubts_of(judged)

    @cached_property
    def name(self) -> str:
        """The burn-in in words."""
        called = f" {self.burn_in.name}" if self.burn_in.name else ""
        return f"burn-in{called} of tower {self.burn_in.tower}"

    def sentence(self) -> str:
        """Say whether the tower passes, and why or how much more it takes."""
        tower = self.burn_in.tower
        if self.verdict == "fail":
            why = [
                f"{k.decided.count:,} {one(k.kind, k.decided.count)} in "
                f"{many(k.decided.feeds, 'feed')}"
                for k in self.kinds.values()
                if k.verdict == "fail" and k.decided
            ]
            why += [
                f"bin {b.bin} with {b.screened_count:,} {one(b.kind, b.screened_count)}"
                for b in self.bins
                if b.stands_out
            ]
            text = f"Tower {tower} fails its burn-in: {listed(why)}."
        elif self.verdict == "pass":
            text = f"Tower {tower} passes its burn-in"
            at = [
                f"{k.decided.count:,} {one(k.kind, k.decided.count)} in "
                f"{many(k.decided.feeds, 'feed')}"
                for k in self.kinds.values()
                if k.decided
            ]
            text += f" with {listed(at)}; no bin stands out."
        else:
            text = self._go_on()
        if self.doubts:
            number = len(self.doubts)
            text += f" {many(number, 'doubt')} to settle."
        return text

    def _go_on(self) -> str:
        clean = [k.kind for k in self.kinds.values() if k.verdict == "pass"]
        waiting = [k for k in self.kinds.values() if k.verdict == "go on"]
        text = f"Go on with tower {self.burn_in.tower}:"
        if clean:
            text += f" clean enough for {listed(clean)};"
        told = []
        for kind in waiting:
            feeds = kind.expected_more_feeds
            cycles = feeds / max(self.bins_run, 1)
            told.append(
                f"about {two_digits(feeds)} more feeds ({two_digits(cycles)} cycles of "
                f"{many(self.bins_run, 'bin')}) will settle "
                f"{kind.kind}"
            )
        return f"{text} {listed(told)}, if the tower is good."

    def proved(self) -> tuple[str, ...]:
        """Say what was proved, whatever the verdict."""
        told = []
        for k in self.kinds.values():
            if k.proved_bound < k.asked.bad:
                bound, bad = bound_apart(k.proved_bound, k.asked.bad)
                told.append(
                    f"{k.kind.capitalize()}: {k.shown()} a rate below {bound} "
                    "per 10,000 feeds with 95 % confidence, which is better than the bad rate of "
                    f"{bad}."
                )
        return tuple(told)

    def not_proved(self) -> tuple[str, ...]:
        """Say what was not proved."""
        told = []
        for k in self.kinds.values():
            bound, bad = bound_apart(k.proved_bound, k.asked.bad)
            if k.proved_bound >= k.asked.bad:
                told.append(
                    f"{k.kind.capitalize()}: {k.shown()} no more than a rate below "
                    f"{bound} per 10,000 feeds; that it is better than the bad "
                    f"rate of {bad} is not proved with 95 % confidence."
                )
            elif k.verdict == "go on":
                told.append(
                    f"{k.kind.capitalize()}: by its plan, the test is not at its end; go on."
                )
        least = {
            kind: min(b.upper_bound for b in self.bins if b.kind == kind) for kind in self.kinds
        }
        bounds = listed([f"{at_most_per_10k(bound)} for {kind}" for kind, bound in least.items()])
        told.append(
            "No bin is proved by itself: at best, its own feeds prove a rate per 10,000 feeds "
            f"below {bounds}."
        )
        told.append(self.screens_see())
        return tuple(told)

    def screens_see(self) -> str:
        """Say what the screens of the bins can see, and the remedy."""
        told = []
        for kind in self.kinds:
            own = [b for b in self.bins if b.kind == kind and b.feeds]
            if own:
                b = min(own, key=lambda b: b.seen_ratio)
                told.append(
                    f"{b.fails_at:,} {one(kind, b.fails_at)} (seen with 80 % chance in a bin "
                    f"{_times(b.seen_ratio)} the good rate)"
                )
        when = "At the end of the test a bin" if self.verdict == "go on" else "A bin"
        return (
            f"{when} fails the tower at {listed(told)}. Lesser faults of one bin are seen only "
            "with extra cycles on this bin alone."
        )


def _times(ratio: float) -> str:
    return f"{two_digits(ratio)} times" if np.isfinite(ratio) else "at no multiple of"


def judge(
    burn_in: BurnIn,
    chosen: Mapping[str, Chosen],
    account: Account,
    *,
    screens_risk: float = SCREENS_RISK,
) -> Judgement:
    """Judge a burn-in.

    Parameters
    ----------
    burn_in : BurnIn
        Its last attempt counts.
    chosen : mapping of str to Chosen
        The plan of each kind.
    account : Account
        The rows of that attempt.
    screens_risk : float
        Most chance that any screen fails a good tower.

    Raises
    ------
    PlanError
        When the burn-in has no feeds at all.
    """
    attempt = burn_in.attempts[-1]
    if not any(attempt.total_feeds(kind) for kind in PROVED):
        raise PlanError(
            f"the burn-in of tower {burn_in.tower} has no feeds that anything watched; log its "
            "cycles first"
        )
    fed = bins_by_look(attempt, burn_in.listed_bins)
    series = {
        kind: Series(attempt, kind, chosen[kind], [each_risk(screens_risk, 2 * n) for n in fed])
        for kind in PROVED
    }
    scale = max(s.lengthened() for s in series.values())
    for one_kind in series.values():
        one_kind.foresee(scale)
    width = max(len(s.bin_feeds) for s in series.values())
    for one_kind in series.values():
        one_kind.extend(width)
    end = ended(series)
    kinds = {kind: s.judged() for kind, s in series.items()}
    bins = tuple(s.bin(number, end) for number in range(len(attempt.bins)) for s in series.values())
    return Judgement(
        burn_in=burn_in,
        verdict=end.verdict,
        decided_run=None if end.verdict == "go on" else attempt.runs[end.look],
        decided_at=None if end.verdict == "go on" else attempt.started[end.look],
        kinds=kinds,
        bins=bins,
        screened=end.screened,
        screens_risk=screens_risk,
        tests={kind: s.screened() for kind, s in series.items()},
        detectors=tuple(map(detector, planted(attempt))),
        conditions=conditions(attempt),
        account=account,
    )
