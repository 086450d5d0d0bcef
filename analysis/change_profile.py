"""How well does a change of each shape explain a stream's faults, at each place?

The machinery below `analysis.change_point`, whose docstring says what it does: the log-likelihood
of runs whose rate rises at once or little by little, its highest value for each place and length,
and what each costs beforehand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

#: Over how many expected faults a ramp may rise before it stays; or else up to the last run.
LENGTHS = (4.0, 8.0, 16.0, 32.0, 64.0)

#: What a ramp costs in log-likelihood. Beforehand a step counts as likely as all ramps together, a
#: ramp up to the last run as likely as all that have ended, and these as likely as each other. A
#: ramp is told only where it beats the step by more. With the six lengths as likely as each other a
#: slow ramp was held in less than 92 % by ranges as long.
RAMP_COST = math.log(2.0)
ENDED_COST = math.log(2.0 * len(LENGTHS))

#: Beforehand, a change to four times as high a ratio counts half as likely: a weight of the ratio
#: to minus this. By chance a few faults close together, as they raise an alarm, look like a high
#: ratio. Of 0, 0.25, 0.5, 0.75 and 1 this gave about the narrowest ranges. A ratio above 100 costs
#: no more than one of 100: where no fault came before it has no end.
RATIO_COST = 0.5
_COSTLIEST = math.log(100.0)

#: Numbers in one matrix of candidates by runs: what a processor's cache holds.
_AT_ONCE = 150_000

#: Faults that are added at each end, so that a level without any fault has a likeliest value.
_NEXT_TO_NONE = 1e-9

#: Logarithm of a ratio at which the search ends, and how many steps it may take.
_FAR = 30.0
_ROUNDS = 80


@dataclass(frozen=True)
class Runs:
    """The runs of a stream, in order.

    Attributes
    ----------
    x, m, t : float array, one per run
        Faults, those expected, and where the run lies on the axis along which a ramp rises.
    variance : float
        Between runs; 0 for Poisson counts.
    prior : float
        Shape of the gamma distribution of the level before the change; 0 for none.
    upward : bool
        Whether only a rate that rose is looked for.
    """

    x: FloatArray
    m: FloatArray
    t: FloatArray
    variance: float
    prior: float
    upward: bool

    @property
    def expected_before(self) -> FloatArray:
        """Expected faults before each run."""
        return np.asarray(np.cumsum(self.m) - self.m)

    @property
    def unit(self) -> float:
        """How far on the axis of ramps one fault is expected, on average."""
        expected = float(self.m[1:].sum())
        return float(self.t[-1] - self.t[0]) / expected if expected > 0 else 0.0

    def left(self, places: IndexArray) -> FloatArray:
        """Return how long a ramp is that begins at each place and rises up to the last run."""
        return np.asarray(self.t[-1] - self.t[places - 1])

    def rise(self, length: float, places: IndexArray) -> FloatArray:
        """Return the share of the log ratio that each run has: places x runs.

        The last run before the place has 0. One that lies the length later on the axis has 1, and
        so have all after it. A length of 0 is a step; no ramp rises beyond the last run.
        """
        changed = np.arange(self.x.size) >= places[:, None]
        if length == 0:
            return changed.astype(np.float64)
        begin = self.t[places - 1][:, None]
        length_here = np.minimum(length, self.left(places))[:, None]
        whole = length_here > 0
        share = np.minimum((self.t - begin) / np.where(whole, length_here, 1.0), 1.0)
        return np.where(changed, np.where(whole, share, 1.0), 0.0)

    def log_likelihood(self, log_level: FloatArray, log_rate: FloatArray) -> FloatArray:
        """Return the log-likelihood of rows of runs, but for a constant; the level's prior with it.

        ``log_rate`` is that of every run against what was expected, level and ratio together.
        """
        mean = self.m * np.exp(log_rate)
        if self.variance > 0:
            size = self.x + 1.0 / self.variance
            lost = np.log1p(self.variance * mean) @ size
        else:
            lost = mean.sum(axis=-1)
        prior = self.prior * (log_level - np.exp(log_level))
        return np.asarray(log_rate @ self.x - lost + prior)

    def level_given(self, log_ratio: FloatArray) -> FloatArray:
        """Return the likeliest log level of rows of runs whose log ratios are known."""
        mean = self.m * np.exp(log_ratio)
        total = self.prior + self.x.sum() + _NEXT_TO_NONE
        level = np.log(total / (self.prior + mean.sum(axis=-1) + _NEXT_TO_NONE))
        if self.variance == 0:
            return np.asarray(level)
        for _ in range(_ROUNDS):
            now = mean * np.exp(level)[..., None]
            below = 1.0 + self.variance * now
            penalty = (self.prior + _NEXT_TO_NONE) * np.exp(level)
            slope = ((self.x - now) / below).sum(axis=-1) + self.prior + _NEXT_TO_NONE - penalty
            bend = (now * (1.0 + self.variance * self.x) / below**2).sum(axis=-1) + penalty
            step = np.clip(slope / bend, -1.0, 1.0)
            level = level + step
            if np.all(np.abs(step) < 1e-9):
                break
        return np.asarray(level)

    def given(self, log_ratio: FloatArray) -> FloatArray:
        """Return the log-likelihood of rows of runs whose log ratios are known, at their level."""
        level = self.level_given(log_ratio)
        return self.log_likelihood(level, level[..., None] + log_ratio)


class Best(NamedTuple):
    """What explains the faults best at each place: arrays of a row for each shape.

    ``value`` is its log-likelihood against no change, less what the shape costs; ``log_ratio`` and
    ``length`` (on the axis of ramps, 0 for a step) are those of the likeliest change there.
    ``log_weight`` is the logarithm of the likelihoods of all lengths, each with what it and its
    ratio cost, added up; minus infinity where no length has a change that is likelier than none.
    """

    value: FloatArray
    log_ratio: FloatArray
    length: FloatArray
    log_weight: FloatArray

    def joined(self, other: Best, order: IndexArray) -> Best:
        """Return both, their places in the order given."""
        return Best(
            *(np.concatenate(both, axis=1)[:, order] for both in zip(self, other, strict=True))
        )


def best_changes(runs: Runs, kinds: Sequence[str], places: IndexArray) -> Best:
    """Find the likeliest change of each shape at each place.

    Parameters
    ----------
    runs : Runs
    kinds : sequence of str
        ``step``, ``ramp`` or both.
    places : int array
        First changed runs to look at, rising, from 1 on.
    """
    best = Best(*np.zeros((4, len(kinds), places.size)))
    for row, kind in enumerate(kinds):
        if kind == "step" and runs.variance == 0:
            found = _poisson_steps(runs, places)
        elif kind == "step":
            found = _searched(runs, [(0.0, 0.0)], places)
        else:
            # Where all lies at one place on the axis, none can end before the last run.
            lengths = reversed(LENGTHS) if runs.unit > 0 else ()
            ended = [(one * runs.unit, ENDED_COST) for one in lengths]
            found = _searched(runs, [(math.inf, RAMP_COST), *ended], places)
        for into, one in zip(best, found, strict=True):
            into[row] = one
    return best


def _searched(runs: Runs, lengths: Sequence[tuple[float, float]], places: IndexArray) -> Best:
    """Find the likeliest of some lengths, each with its cost, at each place."""
    same = np.zeros((1, runs.x.size))
    nothing = float(runs.given(same)[0])
    level = float(runs.level_given(same)[0])
    unchanged = runs.m * np.exp(level)
    gap = (runs.x - unchanged) / (1.0 + runs.variance * unchanged)
    best = Best(*np.zeros((4, places.size)))
    best.log_weight[:] = -math.inf
    left = runs.left(places)
    rows = max(1, _AT_ONCE // runs.x.size)
    for first in range(0, places.size, rows):
        # Each length is searched from where the one before it was highest: they differ little.
        ends = np.full((2, min(rows, places.size - first)), level)
        for one, cost in lengths:
            # A ramp that is longer than what is left is the one up to the last run.
            here = first + np.flatnonzero((left[first : first + rows] > one) | math.isinf(one))
            if one == 0:
                here = np.arange(first, first + ends.shape[1])
            rise = runs.rise(one, places[here])
            if runs.upward:
                # The likelihood has one peak: where it falls from a ratio of 1 on, none is better.
                worth = rise @ gap > 0
                here, rise = here[worth], rise[worth]
            if not here.size:
                continue
            highest, found = _highest(runs, rise, ends[:, here - first])
            found_ratio = found[1] - found[0]
            # From far out it would take long to come back.
            ends[:, here - first] = np.where(np.abs(found_ratio) < 0.3 * _FAR, found, level)
            _keep(
                runs, best, here, highest - nothing, found_ratio, np.minimum(one, left[here]), cost
            )
    return best


def _keep(
    runs: Runs,
    best: Best,
    here: IndexArray,
    gained: FloatArray,
    log_ratio: FloatArray,
    length: FloatArray,
    cost: float,
) -> None:
    """Take changes of one length into what is best at their places."""
    counts = gained > 0
    if runs.upward:
        counts &= log_ratio > 0
    ratio_cost = RATIO_COST * np.minimum(np.abs(log_ratio), _COSTLIEST)
    weight = np.where(counts, gained - cost - ratio_cost, -math.inf)
    best.log_weight[here] = np.logaddexp(best.log_weight[here], weight)
    better = counts & (gained - cost > best.value[here])
    at = here[better]
    best.value[at] = gained[better] - cost
    best.log_ratio[at] = log_ratio[better]
    best.length[at] = length[better]


def _poisson_steps(runs: Runs, places: IndexArray) -> Best:
    """Find the likeliest step at each place: faults over expected faults on each side."""
    sums = np.cumsum([runs.x, runs.m], axis=1)
    before, expected_before = sums[:, places - 1] + runs.prior
    # Sums of what is left, since differences of large sums would not come to exactly 0.
    left = np.cumsum([runs.x[::-1], runs.m[::-1]], axis=1)[:, ::-1]
    after, expected_after = left[:, places]

    def highest(x: FloatArray, m: FloatArray) -> FloatArray:
        rate = x / np.where(m > 0, m, 1.0)
        return np.asarray(special.xlogy(x, rate))

    value = highest(before, expected_before) + highest(after, expected_after)
    value -= highest(runs.prior + sums[0, -1:], runs.prior + sums[1, -1:])
    logs = np.log(after + _NEXT_TO_NONE) - np.log(expected_after + _NEXT_TO_NONE)
    logs -= np.log(before + _NEXT_TO_NONE) - np.log(expected_before + _NEXT_TO_NONE)
    best = Best(*np.zeros((4, places.size)))
    best.log_weight[:] = -math.inf
    _keep(runs, best, np.arange(places.size), value, logs, np.zeros(places.size), 0.0)
    return best


def _highest(runs: Runs, rise: FloatArray, begin: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Highest log-likelihood of rows of rises, and the log levels before and at the end there.

    ``begin`` is where the search begins: two levels x rows.

    Newton steps for the logarithms of the level before and at the end. In them the log-likelihood
    is concave, and a step of at most 1 cannot run away where few faults bend it little.
    """
    x, m, v = runs.x, runs.m, runs.variance
    ends = begin.copy()
    active = np.arange(rise.shape[0])
    up = rise
    pulls = np.array([runs.prior + _NEXT_TO_NONE, _NEXT_TO_NONE])[:, None]
    for _ in range(_ROUNDS):
        start, end = ends[:, active]
        mean = m * np.exp(start[:, None] + (end - start)[:, None] * up)
        if v > 0:
            below = 1.0 + v * mean
            gap = (x - mean) / below
            weight = mean * (1.0 + v * x) / (below * below)
        else:
            gap, weight = x - mean, mean
        pull = pulls * np.exp(ends[:, active])
        rising = np.einsum("ij,ij->i", gap, up)
        slope = np.stack([gap.sum(axis=1) - rising, rising]) + pulls - pull
        late = weight * up
        early = weight - late
        both = np.einsum("ij,ij->i", early, up)
        bend_0 = early.sum(axis=1) - both + pull[0]
        bend_1 = np.einsum("ij,ij->i", late, up) + pull[1]
        whole = bend_0 * bend_1 - both**2
        step = np.stack([bend_1 * slope[0] - both * slope[1], bend_0 * slope[1] - both * slope[0]])
        step /= whole
        step /= np.maximum(np.abs(step).max(axis=0), 1.0)
        ends[:, active] += step
        # The error left is about the square of the step, and the likelihood's the square of that.
        going = np.abs(step).max(axis=0) > 1e-4
        # A level that sinks for want of any fault need not be followed for ever.
        going &= np.abs(ends[1, active] - ends[0, active]) < _FAR
        if not going.any():
            break
        if going.sum() < 0.7 * active.size:
            active, up = active[going], up[going]
    difference = ends[1] - ends[0]
    value = runs.log_likelihood(ends[0], ends[0][:, None] + difference[:, None] * rise)
    return value, ends
