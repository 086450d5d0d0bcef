"""What do a plan's boundaries become when counts are seen at the ends of runs only?

A log has counts per run and no moments of faults, so a test is judged where its runs ended, and
nobody knows beforehand where that will be. The plan says how much of each risk may be spent by the
time so many feeds are in: the chance that, watched feed by feed, it would have failed a good tower
by then, or passed a bad one. At each look as many counts are taken into *pass* and *fail* as that
allows, worked out exactly (error spending: Lan and DeMets 1983, Biometrika 70:659-663; both risks:
Pampallona, Tsiatis and Kim 2001). So neither risk is exceeded, wherever runs end, as long as a run
does not end because of the faults in it; and what is decided at a look depends on no later one.

Statistics only: plain numbers in, frozen results out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from analysis.plans import Asked, SinglePlan
from analysis.searches import least_place
from analysis.sequential import SequentialPlan, checks_of, log_excess
from analysis.walks import Check, FloatArray, State, advance, begin, likely, walk


@dataclass(frozen=True)
class Looks:
    """A plan's boundaries at the ends of runs.

    Attributes
    ----------
    plan : SinglePlan or SequentialPlan
        What they keep to.
    checks : tuple of Check
        One for each look, foreseen ones included: at most ``accept`` faults pass, ``reject`` or
        more fail, anything between goes on.
    seen : int
        How many of them have been.
    """

    plan: SinglePlan | SequentialPlan
    checks: tuple[Check, ...]
    seen: int

    @property
    def risks(self) -> tuple[float, float]:
        """True risks of the producer and the consumer at these looks."""
        asked = _asked(self.plan)
        found = walk(self.checks, [asked.good, asked.bad])
        return float(found.rejected[:, 0].sum()), float(found.accepted[:, 1].sum())


def _asked(plan: SinglePlan | SequentialPlan) -> Asked:
    if plan.asked is None:
        raise ValueError("a plan without a good rate cannot be judged by; give both rates")
    return plan.asked


def looks(plan: SinglePlan | SequentialPlan, feeds: Sequence[int], further: int = 0) -> Looks:
    """Set a plan's boundaries at the ends of runs.

    Parameters
    ----------
    plan : SinglePlan or SequentialPlan
        With its good rate.
    feeds : sequence of int
        Feeds so far at the end of each run, each more than the one before.
    further : int, optional
        Feeds of each further run that is foreseen, until the plan has ended for certain; none
        are foreseen when absent.

    Raises
    ------
    ValueError
        For feeds that do not grow, and a plan without a good rate.
    """
    asked = _asked(plan)
    if np.any(np.diff(feeds, prepend=0) <= 0):
        raise ValueError("feeds so far must grow from look to look")
    last = feeds[-1] if len(feeds) else 0
    spent = _Spent(plan, asked)
    rates = np.array([asked.good, asked.bad])
    state = begin(2)
    used = np.zeros(2)
    checks: list[Check] = []
    for number in _all_looks(feeds, last, further):
        state, used, check = _look(state, used, number, rates, spent.by(number))
        checks.append(check)
        if len(checks) >= len(feeds) and (not further or not state.chance.size):
            break
    return Looks(plan, tuple(checks), len(feeds))


def _all_looks(feeds: Sequence[int], last: int, further: int) -> Iterable[int]:
    yield from feeds
    while further:
        last += further
        yield last


class _Spent:
    """How much of each risk may be spent by the time that so many feeds are in."""

    def __init__(self, plan: SinglePlan | SequentialPlan, asked: Asked) -> None:
        self._whole = np.array([asked.producer_risk, asked.consumer_risk])
        self._plan = plan
        self._rates = np.array([asked.good, asked.bad])
        self._state, self._spent = begin(2), np.zeros(2)

    def by(self, feeds: int) -> FloatArray:
        """Return the most to be spent of the producer's and the consumer's risk.

        To be asked in the order of the feeds.
        """
        if feeds >= self._plan.feeds:
            return self._whole
        if isinstance(self._plan, SinglePlan):
            return np.zeros(2)
        few, many = np.array(self._plan.accept_at[:-1]), np.array(self._plan.reject_before)
        ahead = checks_of(few, many, self._plan.feeds, upto=feeds, after=self._state.feeds)
        found = walk(ahead, self._rates, self._state)
        self._state = found.end
        self._spent = self._spent + [found.rejected[:, 0].sum(), found.accepted[:, 1].sum()]
        most: FloatArray = np.minimum(self._spent, self._whole)
        return most


def _look(
    state: State, used: FloatArray, feeds: int, rates: FloatArray, most: FloatArray
) -> tuple[State, FloatArray, Check]:
    """Take into pass and fail what may be spent at one look."""
    if not state.chance.size:
        # The test has ended for certain; who looks again finds it ended.
        return (
            State(feeds, state.least, state.chance),
            used,
            Check(feeds, state.least - 1, state.least),
        )
    top = state.least + state.chance.shape[1] + likely(feeds - state.feeds, rates)
    moved = advance(state, feeds, rates, top)
    good, bad = moved.chance
    # Chance to fail with each count or more at the good rate, to pass with each or fewer at the
    # bad one; counts are those of the state's columns.
    failing = used[0] + np.append(np.cumsum(good[::-1])[::-1], 0.0)
    passing = used[1] + np.append(0.0, np.cumsum(bad))
    reject = int(np.argmax(failing <= most[0] * (1 + 1e-12)))
    accept = int(np.flatnonzero(passing <= most[1] * (1 + 1e-12))[-1]) - 1
    if accept >= reject - 1:
        # More is known than both risks ask for: the test ends, cut where the risks are in balance.
        cuts = np.arange(reject - 1, accept + 1)
        worse = np.maximum(failing[cuts + 1] / most[0], passing[cuts + 1] / most[1])
        accept = int(cuts[np.argmin(worse)])
        reject = accept + 1
    used = np.array([failing[reject], passing[accept + 1]])
    left = State(feeds, moved.least + accept + 1, moved.chance[:, accept + 1 : reject])
    return left, used, Check(feeds, moved.least + accept, moved.least + reject)


def expected_more(test: Looks, count: int, rate: float) -> float:
    """Return the feeds still expected of a test that goes on, from its last look.

    Parameters
    ----------
    test : Looks
        With looks foreseen until it ends.
    count : int
        Faults at the last look.
    rate : float
        True rate, faults per feed.
    """
    last = test.checks[test.seen - 1].feeds if test.seen else 0
    ahead = test.checks[test.seen :]
    found = walk(ahead, [rate], begin(1, last, count))
    ended = (found.accepted + found.rejected)[:, 0]
    return float(np.sum((found.feeds - last) * ended))


def bound_at_look(test: Looks, look: int, count: int, confidence: float) -> float:
    """Return the rate that a test has proved at a look, which allows for the looks before.

    A test that ends when its count is good has the more chances to look good; the bound for feeds
    fixed beforehand holds less often than it says (in 90 of 100 such tests, not 95, at the bad rate
    of a plan with fifty looks). Here results are ordered by the look at which they came, and at one
    look by the count (stagewise: Jennison and Turnbull 2000, section 8.4): one-sided, exact.

    Parameters
    ----------
    test : Looks
        As judged.
    look : int
        Place among its checks.
    count : int
        Faults by then.
    confidence : float
        Of the bound.

    Returns
    -------
    float
        Faults per feed; 1 where nothing is proved.
    """
    if count >= test.checks[look].feeds:
        return 1.0

    def as_good(rate: float) -> float:
        """Return the chance of being accepted before, or of as few faults at that look."""
        rates = np.array([rate])
        state, before = begin(1), 0.0
        for check in test.checks[:look]:
            moved = advance(state, check.feeds, rates, check.reject)
            few = max(0, check.accept - moved.least + 1)
            before += float(moved.chance[:, :few].sum())
            state = State(check.feeds, moved.least + few, moved.chance[:, few:])
        last = advance(state, test.checks[look].feeds, rates, count + 1)
        return before + float(last.chance.sum())

    def excess(log_rate: float) -> float:
        return log_excess(as_good(math.exp(log_rate)), 1 - confidence)

    # Over the logarithm: chances fall steadily with the rate, and theirs nearly as a line does.
    ends = math.log(1e-12), math.log(1 - 1e-12)
    near = math.log((count + 3) / test.checks[look].feeds)
    found = least_place(excess, near, ends, 3 + math.sqrt(count), (1e-13, 1e-12))
    return 1.0 if found is None else math.exp(found)


@dataclass(frozen=True)
class Screened:
    """The bins of one kind of fault at each look, for the chance that none stands out.

    Attributes
    ----------
    test : Looks
        Of the kind.
    feeds : array, one per look
        Of all bins so far; a look at which a kind has no more feeds than at the one before leaves
        that kind where it was. They may go on after the test has ended.
    shares : array, looks x bins
        Share of each bin in the feeds so far.
    fails_at : array, looks x bins
        Count with which a bin fails the tower.
    """

    test: Looks
    feeds: NDArray[np.int64]
    shares: FloatArray
    fails_at: FloatArray


def chance_to_pass(kinds: Sequence[Screened], rates: Sequence[float]) -> float:
    """Return the chance that a tower passes: every kind accepted, and then no bin standing out.

    The screens are applied once, at the look at which the last kind is accepted. Given a kind's
    count by then, its faults fall on the bins as a multinomial by their shares of the feeds; that
    is exact where the shares stay the same from run to run.

    Parameters
    ----------
    kinds : sequence of Screened
        One for each kind, all with as many looks.
    rates : sequence of float
        True rate of each kind, the same in every bin.
    """
    followed = [_Followed(kind, np.array([rate])) for kind, rate in zip(kinds, rates, strict=True)]
    total = 0.0
    for number in range(len(kinds[0].feeds)):
        now, before = 1.0, 1.0
        for one in followed:
            both = one.look(number)
            now *= both[0]
            before *= both[1]
        total += now - before
        if all(one.ended for one in followed):
            break
    return total


class _Followed:
    """One kind on its way: what goes on, and the count of what was accepted, which runs on."""

    def __init__(self, kind: Screened, rate: FloatArray) -> None:
        self._kind, self._rate = kind, rate
        self._checks = {check.feeds: check for check in kind.test.checks}
        self._state = begin(1)
        self._accepted = State(0, 0, np.zeros((1, 1)))

    @property
    def ended(self) -> bool:
        return not self._state.chance.size

    def look(self, number: int) -> tuple[float, float]:
        """Return the chance of being accepted and clear by a look, and by the one before.

        The second is of those that had been accepted before this look, and are clear at it.
        """
        feeds = int(self._kind.feeds[number])
        check = self._checks.get(feeds)
        rate = self._rate
        old = self._accepted
        top = old.least + old.chance.shape[1] + likely(feeds - old.feeds, rate)
        old = _trimmed(advance(old, feeds, rate, top))
        before = self._clear(number, old)
        now = old
        if check is not None and not self.ended and feeds > self._state.feeds:
            moved = advance(self._state, feeds, rate, check.reject)
            few = max(0, check.accept - moved.least + 1)
            if few:
                now = _together(old, State(feeds, moved.least, moved.chance[:, :few]))
            self._state = State(feeds, moved.least + few, moved.chance[:, few:])
        self._accepted = _trimmed(now)
        return self._clear(number, self._accepted), before

    def _clear(self, number: int, accepted: State) -> float:
        """Return the chance of being accepted with no bin at its limit."""
        chance = accepted.chance[0]
        if not chance.sum():
            return 0.0
        most = accepted.least + len(chance) - 1
        shares, limits = self._kind.shares[number], self._kind.fails_at[number]
        return float(chance @ none_reaches(most, shares, limits, accepted.least))


def _trimmed(state: State) -> State:
    """Return a state without counts that hardly ever come about: they only cost time."""
    kept = np.flatnonzero(state.chance[0] > 1e-15)
    if not kept.size:
        return State(state.feeds, state.least, state.chance[:, :1])
    return State(state.feeds, state.least + int(kept[0]), state.chance[:, kept[0] : kept[-1] + 1])


def _together(one: State, other: State) -> State:
    least = min(one.least, other.least)
    most = max(one.least + one.chance.shape[1], other.least + other.chance.shape[1])
    chance = np.zeros((1, most - least))
    for state in (one, other):
        start = state.least - least
        chance[:, start : start + state.chance.shape[1]] += state.chance
    return State(one.feeds, least, chance)


def none_reaches(most: int, shares: FloatArray, limits: FloatArray, least: int = 0) -> FloatArray:
    """Return the chance that no cell of a multinomial reaches its limit, total by total.

    Exact: cells are independent Poisson counts, given their sum (Levin 1981, Annals of Statistics
    9:1123-1126).

    Parameters
    ----------
    most, least : int
        Largest and smallest total.
    shares : array, one per cell
        Chance of each cell; together 1. Cells without a share are passed over.
    limits : array, one per cell
        Count that a cell must not reach.

    Returns
    -------
    array
        For each total from ``least`` to ``most``.
    """
    middle = (least + most) // 2
    if most > _AT_ONCE and most > 2 * least + 1:
        # From far above, few in all would be too unlikely to have digits.
        few = none_reaches(middle, shares, limits, least)
        return np.append(few, none_reaches(most, shares, limits, middle + 1))
    expected = max(1.0, (least + most) / 2)
    chance = np.ones(1)
    # Bins mostly run alike, and what is the same for many of them is worked out once.
    alike, times = np.unique(np.stack([shares, limits]), axis=1, return_counts=True)
    for share, limit, number in zip(*alike, times.tolist(), strict=True):
        if share <= 0:
            continue
        below = np.arange(min(int(limit) - 1, most) + 1)
        mean = expected * share
        cell = np.exp(below * np.log(mean) - mean - gammaln(below + 1))
        while number:
            if number % 2:
                chance = _convolved(chance, cell)[: most + 1]
            number //= 2
            if number:
                cell = _convolved(cell, cell)[: most + 1]
    whole = np.zeros(most + 1)
    whole[: len(chance)] = chance
    totals = np.arange(least, most + 1)
    at_all = np.exp(totals * np.log(expected) - expected - gammaln(totals + 1))
    # A total too unlikely to have digits: of few, none reaches a limit that counts; of many, some.
    given = np.where(totals < expected, 1.0, 0.0)
    np.divide(whole[least:], at_all, out=given, where=at_all > 1e-280)
    found: FloatArray = np.clip(given, 0.0, 1.0)
    return found


#: Up to so many in all are worked out together.
_AT_ONCE = 400
#: Convolutions of more terms go by way of the frequencies, which loses below 1e-15 of the whole.
_TERMS = 4_000_000


def _convolved(one: FloatArray, other: FloatArray) -> FloatArray:
    if len(one) * len(other) <= _TERMS:
        return np.convolve(one, other)
    size = len(one) + len(other) - 1
    found: FloatArray = np.fft.irfft(np.fft.rfft(one, size) * np.fft.rfft(other, size), size)
    return np.maximum(found, 0.0)
