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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.benchmark import STANDARD
from analysis.burn_ins import PROVED, Attempt, BurnIn
from analysis.counts import Account
from analysis.doubts import Doubt, Judged, doubts_of
from analysis.intervals import lower_bound, upper_bound
from analysis.looks import Looks, Screened, bound_at_look, chance_to_pass, expected_more, looks
from analysis.plans import LEAST_RATE, MOST_RATE, Asked, PlanError, SinglePlan, single_plan
from analysis.plans_before import KeptPlan
from analysis.ran_on import Conditions, Planted, conditions, planted
from analysis.screens import each_risk, failing_counts, seen_ratio
from analysis.sequential import SequentialPlan, sequential_plan
from analysis.site import NO_SITE, Site
from analysis.walks import FloatArray
from analysis.words import listed, one, per_10k, two_digits

Verdict = Literal["pass", "fail", "go on"]

#: Default risks: the producer's of each kind and of all screens together, the consumer's.
KIND_RISK, SCREENS_RISK, CONSUMER_RISK = 0.02, 0.01, 0.10
#: A bad tower has so many times the faults of a good one where nothing else is said.
BAD_TO_GOOD = 10 / 3
#: Confidence of the bounds that say what was proved, one-sided.
CONFIDENCE = 0.95

#: Further looks that are foreseen; shorter runs than that would take are taken for longer ones.
_MOST_LOOKS = 300


def usual_asked(kind: str, site: Site = NO_SITE) -> Asked:
    """Return the rates and risks by which a kind is judged when no plan says otherwise.

    The good rate is the site's stated standard, or else the usual one (common practice, no
    source); the bad one 10/3 of it.

    Raises
    ------
    PlanError
        For a stated standard with which no plan can be made.
    """
    good = float(site.standard.get(kind, STANDARD[kind]))
    # The quotient of two short decimals is meant, not its last binary digit.
    bad = float(f"{good * BAD_TO_GOOD:.12g}")
    if not LEAST_RATE <= good < bad <= MOST_RATE:
        raise PlanError(
            f"the site's standard of {per_10k(good)} {kind} per 10,000 feeds gives no plan; give "
            f"a good and a bad rate, or correct the standard in the site file"
        )
    return Asked(good, bad, KIND_RISK, CONSUMER_RISK)


@dataclass(frozen=True)
class Chosen:
    """The plan by which a kind is judged, and where it comes from.

    Attributes
    ----------
    kind : str
        ``misses`` or ``doubles``.
    plan : SinglePlan or SequentialPlan
        The plan.
    kept : KeptPlan or None
        The one kept for this burn-in.
    followed : bool
        Whether the plan is the kept one.
    before : bool
        Whether that was kept before the burn-in began, and before any of its lines.
    passed_over : int
        How many other plans were kept for it once it had begun.
    """

    kind: str
    plan: SinglePlan | SequentialPlan
    kept: KeptPlan | None
    followed: bool
    before: bool = False
    passed_over: int = 0

    @property
    def method(self) -> str:
        """``single`` or ``sequential``."""
        return "single" if isinstance(self.plan, SinglePlan) else "sequential"

    def sentence(self) -> str:
        """Say by which plan, and whether it was kept before, up to the colon."""
        name = f"By a {self.method} plan of at most {self.plan.feeds:,} feeds"
        if isinstance(self.plan, SinglePlan):
            name = f"By a single plan of {self.plan.feeds:,} feeds and {self.plan.allowed} allowed"
        if self.kept is None:
            return f"{name}, none having been kept"
        if not self.followed:
            return f"{name}, not the one kept"
        when = "before its first run" if self.before else "after it had begun"
        return f"{name}, kept {when}, on {self.kept.kept_wall:%Y-%m-%d at %H:%M}"


def choose(
    kind: str,
    kept: KeptPlan | None = None,
    *,
    rates: tuple[float, float] | None = None,
    single: bool = False,
    site: Site = NO_SITE,
    begun: dt.datetime | None = None,
) -> Chosen:
    """Choose the plan for a kind: what is asked for, else what was kept, else the usual.

    Parameters
    ----------
    kind : str
        ``misses`` or ``doubles``.
    kept : KeptPlan, optional
        Kept for this burn-in.
    rates : (float, float), optional
        A good and a bad rate.
    single : bool
        A single plan, which is judged once its feeds are in.
    site : Site
        May state a standard of its own.
    begun : datetime, optional
        When the burn-in's very first stretch started; wall time.

    Raises
    ------
    PlanError
        For rates that cannot be.
    """
    before = kept is not None and begun is not None and kept.before(begun)
    if kept is not None and rates is None and (not single or not kept.sequential):
        return Chosen(kind, kept.plan(), kept, followed=True, before=before)
    asked = kept.asked if kept is not None else usual_asked(kind, site)
    if rates is not None:
        asked = Asked(*rates, asked.producer_risk, asked.consumer_risk)
    plan = single_plan(asked) if single else sequential_plan(asked)
    return Chosen(kind, plan, kept, followed=False, before=before)


@dataclass(frozen=True)
class Step:
    """Where a kind stood at the end of one run.

    Attributes
    ----------
    run : str
        Its name.
    started : datetime
        When it started; wall time.
    feeds, count : int
        So far.
    accept, reject : int
        At most so many faults passed there, so many or more failed; -1 where none would have.
    """

    run: str
    started: dt.datetime
    feeds: int
    count: int
    accept: int
    reject: int


@dataclass(frozen=True)
class KindJudged:
    """One kind of fault against its plan.

    Attributes
    ----------
    kind : str
        ``misses`` or ``doubles``.
    chosen : Chosen
        Its plan.
    verdict : str
        ``pass``, ``fail`` or ``go on``.
    feeds, count : int
        Of the whole burn-in.
    upper_bound : float
        Below it the true rate is, with 95 % confidence, one-sided and exact, had the feeds been
        fixed beforehand.
    proved_bound : float
        What the test proved where it was decided, or proves by now: the same, but allowing for the
        looks before (`analysis.looks.bound_at_look`).
    decided : Step or None
        Where the verdict was reached.
    steps : tuple of Step
        The end of each run.
    expected_more_feeds : float
        Until it is settled, if the tower is good; 0 once it is.
    producer_risk, consumer_risk : float
        True risks at these looks, and foreseen ones of runs as long as those so far.
    """

    kind: str
    chosen: Chosen
    verdict: Verdict
    feeds: int
    count: int
    upper_bound: float
    proved_bound: float
    decided: Step | None
    steps: tuple[Step, ...]
    expected_more_feeds: float
    producer_risk: float
    consumer_risk: float

    @property
    def asked(self) -> Asked:
        """The rates and risks of its plan."""
        asked = self.chosen.plan.asked
        assert asked is not None
        return asked

    @property
    def later(self) -> tuple[int, int]:
        """Feeds and faults that were counted after the verdict."""
        if self.decided is None:
            return 0, 0
        return self.feeds - self.decided.feeds, self.count - self.decided.count

    def shown(self) -> str:
        """Say what was counted, up to the word for what it does."""
        at = self.decided or self.steps[-1]
        feeds, count = at.feeds, at.count
        proves = "proves" if count == 1 else "prove"
        return f"{count:,} {one(self.kind, count)} in {feeds:,} feeds {proves}"

    def sentence(self) -> str:
        """Say how this kind stands."""
        name = self.kind.capitalize()
        seen = f"{self.count:,} in {self.feeds:,} feeds"
        bound = f"at most {per_10k(self.proved_bound)} per 10,000 feeds with 95 % confidence"
        if self.decided is None:
            more = two_digits(self.expected_more_feeds) if self.expected_more_feeds else "some"
            return f"{name}: {seen}; go on, about {more} more feeds if the tower is good ({bound})."
        at = f"{self.decided.count:,} in {self.decided.feeds:,} feeds"
        word = "passed" if self.verdict == "pass" else "failed"
        text = f"{name}: {word} with {at} ({bound})"
        feeds, count = self.later
        later = f"; {count:,} in {feeds:,} feeds after that" if feeds or count else ""
        return f"{text}{later}."


@dataclass(frozen=True)
class BinJudged:
    """One bin and kind against its screen.

    Attributes
    ----------
    bin : int
        Its number.
    kind : str
        Kind of fault.
    feeds, count : int
        Of the whole burn-in.
    upper_bound : float
        One-sided, exact, 95 %.
    fails_at : int
        Count that fails the tower: where the screens were applied, or, while it goes on, at the
        end of the whole test.
    screened_count : int
        What is held against it.
    seen_ratio : float
        How many times the good rate a bin must have to be failed there with 80 % chance.
    fails_now_at : int
        Count that would fail it were the screens applied now.
    seen_now : float
        How many times the good rate would be seen now.
    stands_out : bool
        Whether it reached the count that fails the tower.
    """

    bin: int
    kind: str
    feeds: int
    count: int
    upper_bound: float
    fails_at: int
    screened_count: int
    seen_ratio: float
    fails_now_at: int
    seen_now: float
    stands_out: bool


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
            f"called: the detector calls at least {100 * self.lower_bound:.0f} % of them, with 95 "
            "% confidence."
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
                f"{k.decided.count:,} {one(k.kind, k.decided.count)} in {k.decided.feeds:,} feeds"
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
                f"{k.decided.count:,} {one(k.kind, k.decided.count)} in {k.decided.feeds:,} feeds"
                for k in self.kinds.values()
                if k.decided
            ]
            text += f" with {listed(at)}; no bin stands out."
        else:
            text = self._go_on()
        if self.doubts:
            number = len(self.doubts)
            text += f" {number} {'doubt' if number == 1 else 'doubts'} to settle."
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
                f"{self.bins_run} {'bin' if self.bins_run == 1 else 'bins'}) will settle "
                f"{kind.kind}"
            )
        return f"{text} {listed(told)}, if the tower is good."

    def proved(self) -> tuple[str, ...]:
        """Say what was proved, whatever the verdict."""
        told = []
        for k in self.kinds.values():
            if k.proved_bound < k.asked.bad:
                told.append(
                    f"{k.kind.capitalize()}: {k.shown()} a rate below {per_10k(k.proved_bound)} "
                    "per 10,000 feeds with 95 % confidence, which is better than the bad rate of "
                    f"{per_10k(k.asked.bad)}."
                )
        return tuple(told)

    def not_proved(self) -> tuple[str, ...]:
        """Say what was not proved."""
        told = []
        for k in self.kinds.values():
            bad = per_10k(k.asked.bad)
            if k.proved_bound >= k.asked.bad:
                told.append(
                    f"{k.kind.capitalize()}: {k.shown()} no more than a rate below "
                    f"{per_10k(k.proved_bound)} per 10,000 feeds; that it is better than the bad "
                    f"rate of {bad} is not proved with 95 % confidence."
                )
            elif k.verdict == "go on":
                told.append(
                    f"{k.kind.capitalize()}: by its plan, the test is not at its end; go on."
                )
        least = {
            kind: min((b.upper_bound for b in self.bins if b.kind == kind), default=1.0)
            for kind in self.kinds
        }
        bounds = listed([f"{per_10k(bound)} for {kind}" for kind, bound in least.items()])
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
        if not told:
            return "No bin has had a feed."
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
    fed = _bins_by_look(attempt, burn_in.listed_bins)
    series = {
        kind: _Series(attempt, kind, chosen[kind], [each_risk(screens_risk, 2 * n) for n in fed])
        for kind in PROVED
    }
    scale = max(s.lengthened() for s in series.values())
    for one_kind in series.values():
        one_kind.foresee(scale)
    width = max(len(s.bin_feeds) for s in series.values())
    for one_kind in series.values():
        one_kind.extend(width)
    end = _ended(series)
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


def _bins_by_look(attempt: Attempt, listed: int | None) -> list[int]:
    """Return how many bins are screened at each look: those of the tower, or those fed by then.

    By what was known there alone, as `_Series.whole`.
    """
    fed = np.cumsum(sum(attempt.feeds[kind] for kind in PROVED), axis=0) > 0
    return [max(int(number), listed or 0, 1) for number in fed.sum(axis=1)]


@dataclass(frozen=True)
class _End:
    """Where a burn-in has come to.

    Attributes
    ----------
    verdict : str
        Of the tower.
    look : int
        The look at which it was reached; the last where it goes on.
    screen : mapping of str to array, one per bin
        Feeds that say how many faults fail a bin: those at the look, or, while it goes on, at the
        end of the whole test.
    screened : bool
        Whether the screens were applied.
    out : mapping of str to array, one per bin
        Bins that reached that count by then.
    """

    verdict: Verdict
    look: int
    screen: Mapping[str, FloatArray]
    screened: bool
    out: Mapping[str, NDArray[np.bool_]]


def _ended(series: Mapping[str, _Series]) -> _End:
    """Go through the runs in order, until the tower has failed or passed."""
    every = list(series.values())
    end: _End | None = None
    for look in range(every[0].runs):
        for kind in every:
            kind.look(look)
        if end is not None:
            # A kind that was not settled when the tower failed may yet be.
            continue
        verdicts = {kind.verdict for kind in every}
        passed, failed = verdicts == {"pass"}, "fail" in verdicts
        screen = {
            name: s.bin_feeds[look].astype(float) if passed or failed else s.whole(look, every)
            for name, s in series.items()
        }
        out = {
            name: s.bin_counts[look] >= s.limits(screen[name], look) for name, s in series.items()
        }
        standing = any(some.any() for some in out.values())
        if failed or standing:
            end = _End("fail", look, screen, not failed, out)
        elif passed:
            end = _End("pass", look, screen, True, out)
        else:
            last = _End("go on", look, screen, False, out)
    return end or last


class _Series:
    """One kind of fault from run to run, and as it is foreseen to go on."""

    def __init__(self, attempt: Attempt, kind: str, chosen: Chosen, risks: Sequence[float]) -> None:
        self.attempt, self.kind, self.chosen = attempt, kind, chosen
        # Of one screen, at each look.
        self.risks = np.array(risks)
        self.bin_feeds: NDArray[np.int64] = np.cumsum(attempt.feeds[kind], axis=0)
        self.bin_counts: NDArray[np.int64] = np.cumsum(attempt.counts[kind], axis=0)
        self.counts: NDArray[np.int64] = self.bin_counts.sum(axis=1) + np.cumsum(
            attempt.unplaced[kind]
        )
        self.runs = len(attempt.runs)
        self.verdict: Verdict = "go on"
        self.decided_at: int | None = None

    @property
    def asked(self) -> Asked:
        asked = self.chosen.plan.asked
        assert asked is not None
        return asked

    def _each_run(self) -> NDArray[np.int64]:
        """Return the feeds of each bin in a run as long as those so far."""
        whole = self.attempt.feeds[self.kind]
        if not whole.any():
            # Nothing watched for this kind: a run is as long as it is for the other.
            whole = np.maximum(*(self.attempt.feeds[kind] for kind in PROVED))
        mean: NDArray[np.int64] = np.ceil(whole.mean(axis=0)).astype(np.int64)
        return mean

    def lengthened(self) -> int:
        """Return how many runs have to be taken together lest too many be foreseen."""
        each = int(self._each_run().sum())
        return -(-self.chosen.plan.feeds // (each * _MOST_LOOKS))

    def foresee(self, scale: int) -> None:
        """Set the boundaries at the looks so far and at foreseen ones."""
        self._further = self._each_run() * scale
        feeds = self.bin_feeds.sum(axis=1)
        fresh = np.flatnonzero(np.diff(feeds, prepend=0))
        self.test: Looks = looks(self.chosen.plan, feeds[fresh].tolist(), int(self._further.sum()))
        ahead = len(self.test.checks) - self.test.seen
        self.extend(self.runs + ahead)

    def extend(self, looks_in_all: int) -> None:
        """Let its bins run on to so many looks."""
        more = looks_in_all - len(self.bin_feeds)
        if more > 0:
            ahead = self.bin_feeds[-1] + np.arange(1, more + 1)[:, None] * self._further
            self.bin_feeds = np.vstack([self.bin_feeds, ahead])

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        feeds = self.bin_feeds[: self.runs].sum(axis=1)
        checks = {check.feeds: check for check in self.test.checks}
        found = []
        for place, run in enumerate(self.attempt.runs):
            check = checks.get(int(feeds[place]))
            found.append(
                Step(
                    run=run,
                    started=self.attempt.started[place],
                    feeds=int(feeds[place]),
                    count=int(self.counts[place]),
                    accept=check.accept if check else -1,
                    reject=check.reject if check else int(self.counts[place]) + 1,
                )
            )
        return tuple(found)

    def look(self, place: int) -> None:
        """Decide at the end of a run, unless it is decided; a run without feeds decides nothing."""
        step = self.steps[place]
        if self.verdict != "go on" or (place and step.feeds == self.steps[place - 1].feeds):
            return
        if not step.feeds:
            return
        if step.count >= step.reject:
            self.verdict, self.decided_at = "fail", place
        elif step.count <= step.accept:
            self.verdict, self.decided_at = "pass", place

    def whole(self, look: int, every: Sequence[_Series]) -> FloatArray:
        """Return the feeds of each bin at the end of the whole test, as foreseen at a look.

        From what was known there alone: a verdict must not change with what came later. The test
        ends with the kind that takes longest, and may run over its most feeds by some of a run.
        """
        own: FloatArray = self.bin_feeds[look].astype(float)
        most = max(float(kind.bin_feeds[look].sum()) for kind in every)
        times = 1.0
        for kind in every:
            # Where nothing was watched for a kind yet, it is taken to be from now on.
            feeds = float(kind.bin_feeds[look].sum()) or most
            if feeds:
                longest_run = float(kind.attempt.feeds[kind.kind][: look + 1].sum(axis=1).max())
                times = max(times, (kind.chosen.plan.feeds + 2 * longest_run) / feeds)
        ahead: FloatArray = np.ceil(own * times)
        return ahead

    def limits(self, feeds: ArrayLike, look: int) -> NDArray[np.int64]:
        """Return the count with which each bin fails after so many feeds, screened at a look."""
        return failing_counts(feeds, self.asked.good, self.risks[min(look, self.runs - 1)])

    def judged(self) -> KindJudged:
        steps, last = self.steps, self.steps[-1]
        producer, consumer = self.test.risks
        more = 0.0
        if self.verdict == "go on":
            more = expected_more(self.test, last.count, self.asked.good)
        return KindJudged(
            kind=self.kind,
            chosen=self.chosen,
            verdict=self.verdict,
            feeds=last.feeds,
            count=last.count,
            upper_bound=float(upper_bound(last.count, last.feeds, confidence=CONFIDENCE))
            if last.count <= last.feeds
            else 1.0,
            proved_bound=self._proved(steps),
            decided=None if self.decided_at is None else steps[self.decided_at],
            steps=steps,
            expected_more_feeds=more,
            producer_risk=producer,
            consumer_risk=consumer,
        )

    def _proved(self, steps: Sequence[Step]) -> float:
        """Return what was proved where the kind was decided, or where it stands."""
        at = steps[-1 if self.decided_at is None else self.decided_at]
        places = {check.feeds: place for place, check in enumerate(self.test.checks)}
        if at.feeds not in places:
            return 1.0
        return bound_at_look(self.test, places[at.feeds], at.count, CONFIDENCE)

    def bin(self, number: int, end: _End) -> BinJudged:
        """Return one bin as it stands, with the screen that was applied or will be."""
        last = self.runs - 1
        feeds, count = int(self.bin_feeds[last, number]), int(self.bin_counts[last, number])
        there = float(end.screen[self.kind][number])
        fails_at, now = int(self.limits(there, end.look)), int(self.limits(feeds, last))
        return BinJudged(
            bin=self.attempt.bins[number],
            kind=self.kind,
            feeds=feeds,
            count=count,
            upper_bound=float(upper_bound(count, feeds, confidence=CONFIDENCE)),
            fails_at=fails_at,
            screened_count=int(self.bin_counts[end.look, number]),
            seen_ratio=float(seen_ratio(fails_at, there, self.asked.good)),
            fails_now_at=now,
            seen_now=float(seen_ratio(now, feeds, self.asked.good)),
            stands_out=bool(end.out[self.kind][number]),
        )

    def screened(self) -> Screened:
        feeds: NDArray[np.int64] = self.bin_feeds.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            shares: FloatArray = np.nan_to_num(self.bin_feeds / feeds[:, None])
        ahead = len(self.bin_feeds) - self.runs
        risks = np.append(self.risks, np.repeat(self.risks[-1:], ahead))[:, None]
        limits = failing_counts(self.bin_feeds, self.asked.good, risks).astype(float)
        return Screened(self.test, feeds, shares, limits)
