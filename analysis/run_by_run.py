"""What had been reached where each run of a burn-in ended?

Each kind of fault is looked at by its plan where a run ended, and each bin is held against the
count that fails it: at the end of the whole test as it was foreseen there, or, once both kinds are
settled, by its own feeds so far. What a run is judged by was known where it ended, so that no
later run changes a verdict.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.burn_ins import PROVED, Attempt
from analysis.chosen_plans import Chosen
from analysis.intervals import upper_bound
from analysis.looks import Looks, Screened, bound_at_look, expected_more, looks
from analysis.plans import Asked
from analysis.screens import failing_counts, seen_ratio
from analysis.walks import FloatArray
from analysis.words import at_most_per_10k, many, one, two_digits

Verdict = Literal["pass", "fail", "go on"]

#: Confidence of the bounds that say what was proved, one-sided.
CONFIDENCE = 0.95

#: Further looks that are foreseen; shorter runs than that would take are taken for longer ones.
_MOST_LOOKS = 300


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
        return f"{count:,} {one(self.kind, count)} in {many(feeds, 'feed')} {proves}"

    def sentence(self) -> str:
        """Say how this kind stands."""
        name = self.kind.capitalize()
        seen = f"{self.count:,} in {many(self.feeds, 'feed')}"
        most = at_most_per_10k(self.proved_bound)
        bound = f"at most {most} per 10,000 feeds with 95 % confidence"
        if self.decided is None:
            more = two_digits(self.expected_more_feeds) if self.expected_more_feeds else "some"
            return f"{name}: {seen}; go on, about {more} more feeds if the tower is good ({bound})."
        at = f"{self.decided.count:,} in {many(self.decided.feeds, 'feed')}"
        word = "passed" if self.verdict == "pass" else "failed"
        text = f"{name}: {word} with {at} ({bound})"
        feeds, count = self.later
        later = f"; {count:,} in {many(feeds, 'feed')} after that" if feeds or count else ""
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


def bins_by_look(attempt: Attempt, listed: int | None) -> list[int]:
    """Return how many bins are screened at each look: those of the tower, or those fed by then.

    By what was known there alone, as `Series.whole`.
    """
    fed = np.cumsum(sum(attempt.feeds[kind] for kind in PROVED), axis=0) > 0
    return [max(int(number), listed or 0, 1) for number in fed.sum(axis=1)]


@dataclass(frozen=True)
class End:
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


def ended(series: Mapping[str, Series]) -> End:
    """Go through the runs in order, until the tower has failed or passed."""
    every = list(series.values())
    end: End | None = None
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
            end = End("fail", look, screen, not failed, out)
        elif passed:
            end = End("pass", look, screen, True, out)
        else:
            last = End("go on", look, screen, False, out)
    return end or last


class Series:
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
        """The rates and risks of its plan."""
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
        runs = np.arange(1, looks_in_all - len(self.bin_feeds) + 1)
        ahead = self.bin_feeds[-1] + runs[:, None] * self._further
        self.bin_feeds = np.vstack([self.bin_feeds, ahead])

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """The end of each run."""
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

    def whole(self, look: int, every: Sequence[Series]) -> FloatArray:
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
        return failing_counts(feeds, self.asked.good, self.risks[look])

    def judged(self) -> KindJudged:
        """Return the kind as it stands after all runs."""
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

    def bin(self, number: int, end: End) -> BinJudged:
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
        """Return its looks with its bins, foreseen ones included."""
        feeds: NDArray[np.int64] = self.bin_feeds.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            shares: FloatArray = np.nan_to_num(self.bin_feeds / feeds[:, None])
        ahead = len(self.bin_feeds) - self.runs
        risks = np.append(self.risks, np.repeat(self.risks[-1:], ahead))[:, None]
        limits = failing_counts(self.bin_feeds, self.asked.good, risks).astype(float)
        return Screened(self.test, feeds, shares, limits)
