"""At which thresholds do the sums of a stream alarm falsely as seldom as is asked?

Run lengths (`analysis.run_lengths`) of the three sums, tabled once for each way in which the sizes
of runs are spread, and looked up between: for many streams at once, each with its own expected
faults, size of runs and doubt about its level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, ndtr

from analysis.cusum import RATIOS, check_model, terms
from analysis.run_lengths import chances_of, check_sizes, ladder_of

FloatArray = NDArray[np.float64]

#: How many times as often the three sums of a stream alarm falsely as each would alone, where they
#: alarm equally often. They overlap: three that never alarmed together would give 3, three that
#: always did would give 1. Found by simulation, as in the tests: 1.75 to 2.2 for runs that expect
#: 0.1 to 5 faults of mixed sizes, variances between runs of 0 and 0.3, 50 to 150 faults expected
#: and chances of 0.02 and 0.05.
KAPPA = 2.0

#: Lattice steps of the table are so large a part of ln(ratio), for each of `RATIOS`.
_PARTS = (8, 11, 20)

#: Mean sizes of the table are even in the logarithm of what lies above minus this, where run
#: lengths are nearly straight; the least of them is so small that less makes no difference.
_SIZE_OFFSET = 0.1
_SIZES = np.geomspace(0.003 + _SIZE_OFFSET, 30 + _SIZE_OFFSET, 18) - _SIZE_OFFSET

#: True ratios of the table: closest where run lengths turn from long to short.
_TRUE = np.array(
    [0.4, 0.6, 0.75, 0.85, 0.92, 1, 1.07, 1.14, 1.21, 1.28, 1.36, 1.46, 1.6, 1.8, 2.1, 2.6, 3.2]
    + [4.2]
)

#: Thresholds of the table up to which run lengths are computed, and those beyond.
_NEAR = np.arange(0.5, 12.01, 0.5)
_FAR = np.array([13, 14.5, 16.5, 19, 22, 26, 32, 40, 52, 70, 100.0])
_LEVELS = np.concatenate([_NEAR, _FAR])

#: A climb is counted from this threshold: lower down, sums come and go. Found by simulation.
_FOOT = int(np.searchsorted(_LEVELS, 2.5))

#: Where what is not known of a stream's level is weighed: at even steps of a normal score. Rules of
#: higher order fail here: the chance of an alarm rises from 0 to 1 within a small part of its
#: range. Levels well below 1 hardly alarm and count as the lowest of these.
_SCORES = np.arange(-1.0, 3.6, 0.5)
_WEIGHTS = np.diff(ndtr(np.concatenate([[-np.inf], _SCORES[:-1] + 0.25, [np.inf]])))

#: A sum without drift that chance lifts takes this mean, squared, over variance to climb: the first
#: passage of a Brownian motion that is reflected at 0.
_LEAST_STEADY = 1.5

_ROOT = math.sqrt(2 * math.pi)

#: Coefficients of variation of a level that are tabled.
_CVS = np.linspace(0.03, 1.0, 41)


def _levels_of_truth() -> FloatArray:
    """Return true ratios at the quadrature's points: rows as `_CVS`, gamma with the mean 1."""
    shape = 1 / _CVS[:, None] ** 2
    result: FloatArray = gammaincinv(shape, ndtr(_SCORES)) / shape
    return result


_TRUTHS = _levels_of_truth()


@dataclass(frozen=True, eq=False)
class RunLengthTable:
    """How long sums run, at mean sizes, true ratios and thresholds: for setting thresholds fast.

    Made by `run_length_table`.

    Attributes
    ----------
    relative_sizes : array
        How runs' expected faults are spread; mean 1.
    variance : float
        Variance between runs.
    sizes : array
        Mean faults expected of a run.
    true_ratios : array
        True rate over the expected one.
    levels : array
        Thresholds.
    log_lengths : array, ratios x sizes x true ratios x levels
        Logarithm of the average run length from 0, in expected faults.
    log_parts : array, ratios x sizes x true ratios x levels x 2
        Logarithms of the two parts of that: how long the climb takes that ends in an alarm, and how
        long it takes until that climb begins.
    steadiness : array, ratios x sizes x true ratios
        Squared mean over variance of a climb, per expected fault that it takes (Wald's for a sum
        that drifts).
    """

    relative_sizes: FloatArray
    variance: float
    sizes: FloatArray
    true_ratios: FloatArray
    levels: FloatArray
    log_lengths: FloatArray
    log_parts: FloatArray
    steadiness: FloatArray

    def thresholds(
        self,
        chance: ArrayLike,
        expected: ArrayLike,
        mean_size: ArrayLike,
        squared_cv: ArrayLike = 0.0,
    ) -> FloatArray:
        """Return the thresholds at which a stream alarms falsely with a given chance.

        That is the chance that any of the three sums of a stream in which nothing changes reaches
        its threshold while so many faults are expected of it. Each sum alone alarms equally
        often; together they alarm `KAPPA` times as often. What a stream's level truly is, relative
        to what is expected of it, is a gamma variable of mean 1, over which the chance is
        averaged: the less is known of a level, the higher the thresholds. The sums begin at 0, and
        a climb to a threshold takes its time, in which there is no alarm yet.

        In simulations of runs that expect 0.1 to 1 fault each, streams alarmed 0.86 to 1.08 times
        as often as asked where their level was known, 0.94 to 1.17 times where it was not, and
        0.86 to 1.16 times where runs expect 5. A stream that goes on from where it stands can alarm
        at once: for a rate over many years, ask for a chance over all of them.

        Parameters
        ----------
        chance : array_like
            Chance of a false alarm, above 0 and below 1. Arguments broadcast to one number for
            each stream.
        expected : array_like
            Faults that are expected meanwhile, above 0.
        mean_size : array_like
            Mean of the faults expected of a run, above 0; taken as 30 where it is more.
        squared_cv : array_like
            Squared coefficient of variation of what is known of the level, 0 to 1.

        Returns
        -------
        array, streams x ratios
            Between 0.5 and 100: with very few faults expected the chance is less than asked even
            at 0.5.

        Raises
        ------
        ValueError
            For numbers outside these ranges.
        """
        p, e, m, c = np.broadcast_arrays(
            *(np.atleast_1d(np.asarray(one, float)) for one in (chance, expected, mean_size)),
            np.asarray(squared_cv, float),
        )
        _check_asked(p, e, m, c)
        result = np.empty((len(p), len(RATIOS)))
        # In blocks that stay in the processor's memory.
        for start in range(0, len(p), 1024):
            part = slice(start, start + 1024)
            result[part] = self._solved(p[part], e[part], m[part], c[part])
        return result

    def until_noticed(
        self, thresholds: ArrayLike, mean_size: ArrayLike, true_ratio: float
    ) -> FloatArray:
        """Return how many expected faults go by until a worse rate is noticed, on average.

        By the sum that is quickest on average; the three together are a little quicker.

        Parameters
        ----------
        thresholds : array_like, streams x ratios
            As `thresholds` gives them.
        mean_size : array_like, one per stream
            Mean of the faults expected of a run, above 0.
        true_ratio : float
            True rate over the expected one, within those of the table.

        Raises
        ------
        ValueError
            Where shapes differ, or for a true ratio outside the table.
        """
        levels = np.asarray(thresholds, float)
        size = np.asarray(mean_size, float)
        if levels.shape != (size.size, len(RATIOS)):
            raise ValueError("thresholds must have a row per mean size and a column per ratio")
        if not self.true_ratios[0] <= true_ratio <= self.true_ratios[-1]:
            raise ValueError(
                f"true_ratio must be {self.true_ratios[0]:g} to {self.true_ratios[-1]:g}, "
                f"not {true_ratio:g}"
            )
        row, up = _between(np.log(self.sizes + _SIZE_OFFSET), np.log(size + _SIZE_OFFSET))
        column, right = _between(np.log(self.true_ratios), np.log(np.full(1, true_ratio)))
        lengths = np.empty(levels.shape)
        for number, table in enumerate(self.log_lengths):
            of_ratio = (1 - right) * table[:, column[0]] + right * table[:, column[0] + 1]
            place, part = _between(self.levels, levels[:, number])
            at = (1 - up)[:, None] * of_ratio[row] + up[:, None] * of_ratio[row + 1]
            each = np.arange(size.size)
            lengths[:, number] = (1 - part) * at[each, place] + part * at[each, place + 1]
        return np.asarray(np.exp(lengths.min(axis=1)))

    def _solved(
        self, chance: FloatArray, expected: FloatArray, size: FloatArray, cv2: FloatArray
    ) -> FloatArray:
        """Find thresholds of a block of streams by halving, then along one interval."""
        truths, weights = _weighed(cv2)
        row, up = _between(np.log(self.sizes + _SIZE_OFFSET), np.log(size + _SIZE_OFFSET))
        column, right = _between(np.log(self.true_ratios), np.log(truths))
        row, up = row[:, None], up[:, None]
        count = len(self.levels)
        corner = (row * len(self.true_ratios) + column) * count
        # Single precision is plenty for chances, and twice as fast.
        up, right = up.astype(np.float32), right.astype(np.float32)
        shares = ((1 - up) * (1 - right), (1 - up) * right, up * (1 - right), up * right)
        offsets = (0, count, len(self.true_ratios) * count, (len(self.true_ratios) + 1) * count)
        clock = expected[:, None].astype(np.float32)

        def passed(
            flat: NDArray[np.complex64], steady: NDArray[np.float32], level: NDArray[np.int64]
        ) -> FloatArray:
            at = corner + level[:, None]
            logs = shares[0] * flat.take(at)
            for share, offset in zip(shares[1:], offsets[1:], strict=True):
                logs += share * flat.take(at + offset)
            climb, until = np.exp(logs.real), np.exp(logs.imag)
            # A climb is over in time with the chance `over`, and then leaves so much of the time
            # on average for it to have begun in.
            spread = climb / np.sqrt(np.maximum(_LEAST_STEADY, steady * climb))
            early = np.maximum((clock - climb) / spread, -5.0)
            over = ndtr(early)
            left = spread * (early + np.exp(-early * early / 2) / (_ROOT * over))
            alarmed: FloatArray = (over * -np.expm1(-KAPPA * left / until)) @ weights
            return alarmed

        result = np.empty((len(chance), len(RATIOS)))
        for number, parts in enumerate(self.log_parts):
            # Both logarithms as one complex number: they are looked up together.
            flat = parts.view(np.complex128).ravel().astype(np.complex64)
            steadiness = self.steadiness[number].ravel().astype(np.float32)
            steady = np.zeros(corner.shape, np.float32)
            for share, offset in zip(shares, offsets, strict=True):
                steady += share * steadiness.take((corner + offset) // count)
            low = np.zeros(len(chance), np.int64)
            high = np.full(len(chance), count - 1, np.int64)
            for _ in range(math.ceil(math.log2(count - 1))):
                middle = (low + high) // 2
                more = passed(flat, steady, middle) > chance
                low, high = np.where(more, middle, low), np.where(more, high, middle)
            low = np.minimum(low, count - 2)
            ends = [np.log(-np.log1p(-_inside(passed(flat, steady, low + k)))) for k in (0, 1)]
            wanted = np.log(-np.log1p(-chance))
            fall = np.maximum(ends[0] - ends[1], 1e-12)
            part = np.clip((ends[0] - wanted) / fall, 0.0, 1.0)
            result[:, number] = self.levels[low] + part * (self.levels[low + 1] - self.levels[low])
        return result


def _inside(chance: FloatArray) -> FloatArray:
    """Keep chances so far from 0 and 1 that their logarithms are numbers."""
    return np.clip(chance, 1e-300, 1 - 1e-15)


def _weighed(cv2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return true ratios to average over, streams x points, and the weight of each point."""
    if not np.any(cv2 > 0):
        return np.ones((len(cv2), 1)), np.ones(1)
    place, right = _between(_CVS, np.sqrt(cv2))
    truths = (1 - right)[:, None] * _TRUTHS[place] + right[:, None] * _TRUTHS[place + 1]
    # Below the first of the table, shrink towards 1, which no variation leaves.
    least = np.minimum(np.sqrt(cv2) / _CVS[0], 1.0)[:, None]
    return 1 + least * (truths - 1), _WEIGHTS


def _between(grid: FloatArray, at: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Return the last grid point not above each value, and how far towards the next it lies."""
    place = np.clip(np.searchsorted(grid, at, side="right") - 1, 0, len(grid) - 2)
    part = np.clip((at - grid[place]) / (grid[place + 1] - grid[place]), 0.0, 1.0)
    return place, part


def run_length_table(relative_sizes: ArrayLike, variance: float) -> RunLengthTable:
    """Return how long sums run where runs' sizes are spread in one way, at any mean size.

    Takes about a second or two. Computed for thresholds up to 12; beyond, run lengths go on as they
    grew last, by a fixed factor per unit of threshold for what they gain.

    Parameters
    ----------
    relative_sizes : array_like, one-dimensional
        Representative sizes of runs relative to their mean, equally frequent, above 0: eight
        quantiles, say. They are scaled to the mean 1.
    variance : float
        Variance between runs, 0 or more.

    Raises
    ------
    ValueError
        For sizes that are not above 0 or a variance below 0.
    """
    relative = np.atleast_1d(np.asarray(relative_sizes, float))
    check_model(variance, RATIOS[0])
    check_sizes(relative, np.ones(len(relative)))
    relative = relative / relative.mean()
    result = np.empty((len(RATIOS), len(_SIZES), len(_TRUE), len(_LEVELS)))
    for place, size in enumerate(_SIZES):
        sizes = size * relative
        chances = chances_of(_TRUE[:, None] * sizes, variance) / len(relative)
        for number, (ratio, parts) in enumerate(zip(RATIOS, _PARTS, strict=True)):
            step = math.log(ratio) / parts
            states = math.ceil(_NEAR[-1] / step) + 1
            ladder = np.log(ladder_of(sizes, chances, ratio, variance, step, states))
            at = (np.arange(states) + 0.5) * step
            near = np.array([np.interp(_NEAR, at, one) for one in ladder])
            result[number, place] = np.concatenate([near, _drawn_out(near)], axis=1)
            result[number, place] += math.log(size)
    split, steadiness = _parts(result, relative, variance)
    return RunLengthTable(
        relative, float(variance), _SIZES, _TRUE, _LEVELS, result, split, steadiness
    )


def _drawn_out(near: FloatArray) -> FloatArray:
    """Return logarithms of run lengths at `_FAR`, from those at `_NEAR`: a row per true ratio.

    What run lengths gain per unit of threshold grows by a fixed factor, which is 1 where sums climb
    of themselves and e or so where only chance lifts them.
    """
    span = 2
    last, middle, first = (np.exp(near[:, -1 - k * span]) for k in range(3))
    gained = np.maximum(last - middle, 1e-9 * last)
    growth = np.log(np.maximum(gained / np.maximum(middle - first, 1e-9 * last), 1.0 + 1e-6))
    units = (_FAR - _NEAR[-1])[None, :]
    # No more than e^60 times: the rest is never waited for.
    rise = np.exp(growth)[:, None] * np.expm1(np.minimum(growth[:, None] * units, 60.0))
    result: FloatArray = np.log(last[:, None] + gained[:, None] * rise / np.expm1(growth)[:, None])
    return result


def _parts(
    lengths: FloatArray, relative: FloatArray, variance: float
) -> tuple[FloatArray, FloatArray]:
    """Return how long a climb takes and until it begins (logarithms), and how steady it is.

    Sums that chance alone lifts to a threshold rise as if the rate were worse: at a true ratio of
    1 as if it were the ratio watched for, since that is what a log-likelihood ratio compares; at
    the true ratio where a sum keeps its level just as it is; in between, straight in logarithms.
    Where the true rate lifts sums of itself, it is that rate.
    """
    result = np.empty((*lengths.shape, 2))
    steadiness = np.empty(lengths.shape[:-1])
    logs = np.log(_TRUE)
    for number, ratio in enumerate(RATIOS):
        for place, size in enumerate(_SIZES):
            here = lengths[number, place]
            sizes = size * relative
            gain, loss = terms(sizes, variance, ratio)
            level = math.log(loss.sum() / (sizes * gain).sum())
            lifted = math.log(ratio) + logs * (1 - math.log(ratio) / level)
            risen = np.where(logs < level, lifted, logs)
            column, right = _between(logs, risen)
            came = np.exp(risen)[:, None] * sizes
            drift = (came * gain - loss).sum(axis=1)
            scatter = ((came + variance * came**2) * gain**2).sum(axis=1)
            steadiness[number, place] = drift**2 / scatter / sizes.sum()
            rising = np.exp((1 - right)[:, None] * here[column] + right[:, None] * here[column + 1])
            whole = np.exp(here)
            climb = np.clip(rising - rising[:, [_FOOT]], 1e-3 * size, 0.999 * whole)
            result[number, place] = np.log(np.stack([climb, whole - climb], axis=-1))
    return result, steadiness


def _check_asked(
    chance: FloatArray, expected: FloatArray, size: FloatArray, cv2: FloatArray
) -> None:
    """Refuse what no threshold could be found for."""
    if not np.all((chance > 0) & (chance < 1)):
        raise ValueError("chance of a false alarm must lie between 0 and 1, both left out")
    if not np.all((expected > 0) & np.isfinite(expected)):
        raise ValueError(f"expected faults must be above 0, not {expected.min():g}")
    if not np.all((size > 0) & np.isfinite(size)):
        raise ValueError(f"mean size of runs must be above 0, not {size.min():g}")
    if not np.all((cv2 >= 0) & (cv2 <= 1)):
        raise ValueError("squared_cv of a stream's level must lie between 0 and 1")
