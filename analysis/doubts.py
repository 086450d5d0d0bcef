"""What speaks against taking a verdict as it stands?

Every plan takes faults to fall singly and alike, watched by a detector that sees them, on the paper
and in the air that were agreed. Where the log says otherwise, or does not say, the verdict carries
a doubt: a sentence each, with its exact probability where chance could explain it. A doubt fails
nobody; it is there to be settled.

Gathering in a bin or a run is weighed by the multinomial maximum (`analysis.screens`). Gathering in
time has no table for such counts: given how many faults there were, they are dealt out to the runs
by their feeds at random, up to 20,000 times with a fixed seed, and how lumpy and how late they then
fall is compared with what was logged (a permutation test: Fisher 1935).
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.burn_ins import PROVED, BurnIn
from analysis.plans_before import KeptPlan
from analysis.ran_on import Conditions
from analysis.screens import crowding, or_more
from analysis.walks import FloatArray
from analysis.words import listed, many, one, per_10k, two_digits

#: Chance below which a gathering is doubted.
DOUBTED = 0.05
#: A detector that may let by more than this share of faults is doubted.
BLIND = 0.2
#: A bin with fewer than this share of the feeds of the most is said to have had few.
_FEW = 0.5
#: Faults are dealt out so many times at most, and so many of them in all.
_DRAWS, _DEALT, _SEED = 20_000, 400_000, 1935


@dataclass(frozen=True)
class Doubt:
    """One thing that speaks against a verdict.

    Attributes
    ----------
    about : str
        ``plan``, ``attempts``, ``services``, ``detector``, ``off``, ``bin``, ``run``, ``time``,
        ``stock``, ``air``, ``bins``, ``place`` or ``later``.
    text : str
        A sentence, with what would settle it.
    chance : float or None
        How likely chance alone would do as much; None where that is not the question.
    """

    about: str
    text: str
    chance: float | None = None


@dataclass(frozen=True)
class Judged:
    """What doubts are looked for in.

    Attributes
    ----------
    burn_in : BurnIn
        With its attempts.
    bins : tuple of (bin, kind, count, fails_at, fails_now_at)
        Each bin and kind with what would fail it.
    good : mapping of str to float
        Good rate of each kind.
    later : mapping of str to (feeds, count)
        What was counted after a kind's verdict.
    kept : mapping of str to (KeptPlan or None, bool)
        The plan kept for each kind, and whether the verdict goes by it.
    passed_over : mapping of str to int
        How many plans were kept for each kind once the burn-in had begun, and do not count.
    lower_bounds : mapping of str to float or None
        Least share of planted faults that is called.
    conditions : Conditions
        Of the attempt.
    """

    burn_in: BurnIn
    bins: tuple[tuple[int, str, int, int, int], ...]
    good: Mapping[str, float]
    later: Mapping[str, tuple[int, int]]
    kept: Mapping[str, tuple[KeptPlan | None, bool]]
    passed_over: Mapping[str, int]
    lower_bounds: Mapping[str, float | None]
    conditions: Conditions


def doubts_of(judged: Judged) -> tuple[Doubt, ...]:
    """Find what speaks against a verdict.

    Parameters
    ----------
    judged : Judged
        The burn-in and what it was judged by.
    """
    return (
        *_of_plans(judged),
        *_of_attempts(judged),
        *_of_services(judged),
        *_of_detectors(judged),
        *_of_bins(judged),
        *_of_runs(judged),
        *_of_conditions(judged),
        *_of_later(judged),
    )


def _of_plans(judged: Judged) -> list[Doubt]:
    found = []
    none = [kind for kind, (kept, _) in judged.kept.items() if kept is None]
    if none:
        which = "" if len(none) == len(judged.kept) else f" for {listed(none)}"
        found.append(
            Doubt(
                "plan",
                f"No plan was kept{which} before this burn-in: nothing shows that the rates and "
                "risks were chosen before the counts were known.",
            )
        )
    for kind, (kept, followed) in judged.kept.items():
        if kept is None:
            continue
        if not kept.before(judged.burn_in.begun):
            found.append(
                Doubt(
                    "plan",
                    f"The plan for {kind} was kept on {kept.kept_wall:%Y-%m-%d at %H:%M}, after "
                    "this burn-in had begun.",
                )
            )
        if not followed:
            found.append(
                Doubt("plan", f"{kind.capitalize()} are judged by another plan than the one kept.")
            )
    for kind, number in judged.passed_over.items():
        if number:
            found.append(
                Doubt(
                    "plan",
                    f"{many(number, 'more plan was', 'more plans were')} kept for {kind} after "
                    "this burn-in had begun, and "
                    f"{'does' if number == 1 else 'do'} not count.",
                )
            )
    return found


def _of_attempts(judged: Judged) -> list[Doubt]:
    before = judged.burn_in.attempts[:-1]
    if not before:
        return []
    counts = [
        " and ".join(f"{a.total(kind):,} {one(kind, a.total(kind))}" for kind in PROVED)
        + f", ended by: {a.ended_by.what if a.ended_by else ''}"
        for a in before
    ]
    times = f"{len(before) + 1} attempts"
    return [
        Doubt(
            "attempts",
            f"This burn-in took {times}, and each gives a bad tower another chance to pass; before "
            f"the last: {'; '.join(counts)}.",
        )
    ]


def _of_services(judged: Judged) -> list[Doubt]:
    """Doubt what was done while a stretch ran, and what is dated by a day of the burn-in alone."""
    attempt = judged.burn_in.attempts[-1]
    spans = [
        (_wall(row["started"]), _wall(row.get("ended"))) for row in attempt.rows if row["started"]
    ]
    days = {begun.date() for begun, _ in spans if begun}
    found = []
    for change in judged.burn_in.near:
        within = any(b and e and b < change.when < e for b, e in spans)
        by_day = change.when.time() == dt.time.min and change.when.date() in days
        if within or by_day:
            when = "while it ran" if within else "on a day on which it ran, with no time of day"
            found.append(
                Doubt(
                    "services",
                    f"A service was logged {when}: {change.what}, {change.when:%Y-%m-%d %H:%M}; "
                    "what was counted before it may not hold for the tower as it now stands.",
                )
            )
    return found


def _wall(value: object) -> dt.datetime | None:
    return value.replace(tzinfo=None) if isinstance(value, dt.datetime) else None


def _of_detectors(judged: Judged) -> list[Doubt]:
    found = []
    unchecked = [kind for kind in PROVED if judged.lower_bounds.get(kind) is None]
    if unchecked:
        found.append(
            Doubt(
                "detector",
                f"The detector was not checked for {listed(unchecked)}: put some in on purpose and "
                "log how many it calls; 20 of 20 prove that it calls 86 %, 59 of 59 that it calls "
                "95 %.",
            )
        )
    for kind, bound in judged.lower_bounds.items():
        if bound is not None and bound < 1 - BLIND:
            found.append(
                Doubt(
                    "detector",
                    f"The detector is proved to call {100 * bound:.0f} % of {kind} and no more, so "
                    f"the true rate may be {two_digits(1 / bound)} times the one counted: put more "
                    "in on purpose, or mend it and begin anew."
                    if bound > 0
                    else f"The detector called none of the {kind} put in on purpose: nothing is "
                    "proved of them.",
                )
            )
    attempt = judged.burn_in.attempts[-1]
    for kind in PROVED:
        if attempt.unwatched[kind]:
            whole = attempt.unwatched[kind] + attempt.total_feeds(kind)
            found.append(
                Doubt(
                    "off",
                    f"Nothing watched for {kind} in {attempt.unwatched[kind]:,} of {whole:,} "
                    "feeds, which therefore do not count.",
                )
            )
    return found


def _of_bins(judged: Judged) -> list[Doubt]:
    attempt = judged.burn_in.attempts[-1]
    found = []
    for kind in PROVED:
        own = [entry for entry in judged.bins if entry[1] == kind]
        counts = np.array([entry[2] for entry in own])
        feeds = attempt.feeds[kind].sum(axis=0)
        total = int(counts.sum())
        if not total:
            continue
        place, chance = crowding(counts, feeds / feeds.sum())
        number, _, count, *_ = own[place]
        short = [entry for entry in own if entry[2] and entry[2] in (entry[3] - 1, entry[4] - 1)]
        if chance <= DOUBTED:
            found.append(
                Doubt("bin", _crowded(count, total, kind, f"bin {number}", chance), chance)
            )
        elif short:
            # No chance stands beside it: that is of the fullest bin, which may be another.
            bins = [str(entry[0]) for entry in short]
            where = f"bin {bins[0]}" if len(bins) == 1 else f"any of the bins {listed(bins)}"
            found.append(Doubt("bin", f"One more {one(kind, 1)} in {where} would fail that bin."))
    return found + _of_feeds(judged)


def _crowded(count: int, total: int, kind: str, where: str, chance: float) -> str:
    return (
        f"{count:,} of {total:,} {kind} fell in {where}: chance would put as many in "
        f"one place with a probability of {_chance(chance)}."
    )


def _chance(chance: float) -> str:
    return "less than 0.0001" if chance < 1e-4 else two_digits(chance)


def _of_feeds(judged: Judged) -> list[Doubt]:
    """Doubt bins that had few feeds or none, and faults whose bin was not noted."""
    attempt = judged.burn_in.attempts[-1]
    feeds = {
        number: int(max(attempt.feeds[kind][:, column].sum() for kind in PROVED))
        for column, number in enumerate(attempt.bins)
    }
    most = max(feeds.values(), default=0)
    every = range(1, (judged.burn_in.listed_bins or 0) + 1)
    none = sorted({n for n in every if not feeds.get(n)} | {n for n, f in feeds.items() if not f})
    few = [number for number, own in feeds.items() if 0 < own < _FEW * most]
    found = []
    if none:
        found.append(
            Doubt("bins", f"{_bins(none)} had no feeds: nothing is proved of {_them(none)}.")
        )
    if few:
        found.append(
            Doubt(
                "bins",
                f"{_bins(few)} had less than half of the feeds of others: little is proved of "
                f"{_them(few)}.",
            )
        )
    for kind in PROVED:
        lost = int(attempt.unplaced[kind].sum())
        if lost:
            found.append(
                Doubt(
                    "place",
                    f"The bin of {lost:,} {one(kind, lost)} was not noted: the bins are judged "
                    f"without {_them([0] * lost)}.",
                )
            )
    return found


def _bins(numbers: list[int]) -> str:
    word = "Bin" if len(numbers) == 1 else "Bins"
    return f"{word} {listed([str(number) for number in numbers])}"


def _them(some: list[int]) -> str:
    return "it" if len(some) == 1 else "them"


def _of_runs(judged: Judged) -> list[Doubt]:
    """Doubt faults that gather in one run or in time."""
    attempt = judged.burn_in.attempts[-1]
    found = []
    for kind in PROVED:
        counts = attempt.counts[kind].sum(axis=1) + attempt.unplaced[kind]
        feeds = attempt.feeds[kind].sum(axis=1)
        # Faults whose bin was not noted may be all that a run's lines hold.
        counts, feeds = counts[feeds > 0], feeds[feeds > 0]
        runs = [
            run for run, f in zip(attempt.runs, attempt.feeds[kind].sum(axis=1), strict=True) if f
        ]
        total = int(counts.sum())
        if total < 2 or len(runs) < 2:
            continue
        place, chance = crowding(counts, feeds / feeds.sum())
        if chance <= DOUBTED:
            text = _crowded(int(counts[place]), total, kind, f"run {runs[place]}", chance)
            found.append(Doubt("run", text, chance))
        lumpy, late = in_time(counts, feeds)
        if lumpy <= DOUBTED and chance > DOUBTED:
            found.append(
                Doubt(
                    "time",
                    f"{kind.capitalize()} come in lumps from run to run (chance {_chance(lumpy)}): "
                    "plans take them to fall singly, and prove less where they do not.",
                    lumpy,
                )
            )
        if late <= DOUBTED:
            found.append(
                Doubt(
                    "time",
                    f"{kind.capitalize()} grow more frequent from the first run to the last "
                    f"(chance {_chance(late)}): run on, and see whether that stops.",
                    late,
                )
            )
    return found


def in_time(counts: FloatArray, feeds: FloatArray) -> tuple[float, float]:
    """Say how likely chance would make faults as lumpy, and as late.

    Parameters
    ----------
    counts : array of int, one per run
        Faults, in order of time.
    feeds : array of int, one per run
        Above 0.

    Returns
    -------
    (float, float)
        Chance of as large a Pearson dispersion over runs, and of as late a mean position of the
        faults among the feeds, given how many there were. Drawn with a fixed seed.
    """
    x, n = np.asarray(counts, float), np.asarray(feeds, float)
    total = int(x.sum())
    share = n / n.sum()
    middle = np.cumsum(share) - share / 2
    edges = np.cumsum(share)[:-1]
    draw = random.Random(_SEED)
    draws = max(1_000, min(_DRAWS, _DEALT // max(total, 1), 10 * _DEALT // len(x)))
    cells = np.searchsorted(edges, [draw.random() for _ in range(draws * total)], side="right")
    cells += np.repeat(np.arange(draws) * len(x), total)
    dealt = np.bincount(cells, minlength=draws * len(x)).reshape(draws, len(x)).astype(float)
    expected = total * share

    def dispersion(some: FloatArray) -> FloatArray:
        found: FloatArray = ((some - expected) ** 2 / expected).sum(axis=-1)
        return found

    # The draws and the log itself together: no chance is ever nought.
    lumpy = np.sum(dispersion(dealt) >= dispersion(x) * (1 - 1e-9))
    late = np.sum(dealt @ middle >= (x @ middle) * (1 - 1e-9))
    return float(lumpy + 1) / (draws + 1), float(late + 1) / (draws + 1)


def _of_conditions(judged: Judged) -> list[Doubt]:
    """Doubt stock and air other than the plan says."""
    found = []
    ran = judged.conditions
    plans = {kept for kept, _ in judged.kept.values() if kept is not None}
    for stock in sorted({plan.stock for plan in plans if plan.stock}):
        other = [name for name, feeds in ran.stocks if name not in ("", stock) and feeds]
        other += ["stock not logged" for name, feeds in ran.stocks if not name and feeds]
        if other:
            found.append(
                Doubt("stock", f"The plan says stock {stock}; it ran {listed(other)} too.")
            )
    for air in sorted({plan.humidity for plan in plans if plan.humidity}):
        low, high = air
        if ran.humidity is None:
            found.append(
                Doubt("air", f"The plan says {low:g} to {high:g} % humidity; none was logged.")
            )
            continue
        if ran.humidity[0] < low or ran.humidity[1] > high:
            found.append(
                Doubt(
                    "air",
                    f"The plan says {low:g} to {high:g} % humidity; it was {ran.humidity[0]:g} to "
                    f"{ran.humidity[1]:g} %.",
                )
            )
        if ran.no_humidity:
            found.append(
                Doubt(
                    "air",
                    f"The plan says {low:g} to {high:g} % humidity; it was not logged for "
                    f"{100 * ran.no_humidity:.0f} % of the feeds.",
                )
            )
    return found


def _of_later(judged: Judged) -> list[Doubt]:
    """Doubt a verdict after which more faults came than a good tower would show."""
    found = []
    for kind, (feeds, count) in judged.later.items():
        if not count:
            continue
        if not feeds:
            found.append(
                Doubt(
                    "later",
                    f"After the verdict on {kind}, {many(count, 'was', 'were')} "
                    "logged without feeds: see in which run they came.",
                )
            )
            continue
        chance = float(or_more(count, feeds, judged.good[kind]))
        if chance <= DOUBTED:
            found.append(
                Doubt(
                    "later",
                    f"After the verdict on {kind}, {count:,} came in {many(feeds, 'feed')}, "
                    f"{per_10k(count / feeds)} per 10,000: a good tower would show as many with a "
                    f"probability of {_chance(chance)}.",
                    chance,
                )
            )
    return found
