"""Is a stream of runs getting worse than expected, and how often would such an alarm be false?

A stream is a sequence of runs, each with its faults and the faults *expected* of it. While nothing
has changed, the faults of a run that expects m have the mean m and the variance m + v m^2
(negative binomial; Poisson where v is 0), v being the variance between runs. Three cumulative sums
of log-likelihood ratios watch for a rate that is 1.5, 2 and 4 times what was expected. A sum never
falls below 0, and an alarm is raised when one of them reaches its threshold: a sum that equals its
threshold alarms (published tables differ in this).

How long a sum runs until it alarms is counted in faults expected, which are the clock of a stream:
sheets of another stock, or more of them, count as what they are expected to bring.

Statistics only: arrays in, arrays out.

References
----------
Page 1954, Biometrika 41:100-115 (the cumulative sum). Lucas 1985, Technometrics 27:129-144 (for
counts). Moustakides 1986, Annals of Statistics 14:1379-1387 (none finds a step sooner on average
for as few false alarms). Steiner, Cook, Farewell and Treasure 2000, Biostatistics 1:441-452
(against what each case was expected to bring). Brook and Evans 1972, Biometrika 59:539-549 (run
lengths by a Markov chain).
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import LinAlgWarning, lu_factor, solve_triangular
from scipy.special import betainc, gammainc, gammaincinv, gammaln, ndtr

FloatArray = NDArray[np.float64]

#: The rate ratios that the three sums of a bank watch for.
RATIOS = (1.5, 2.0, 4.0)

#: How many times as often a bank alarms falsely as each of its sums would alone, where the three
#: alarm equally often. They overlap: three that never alarmed together would give 3, three that
#: always did would give 1. Found by simulation, as in the tests: 1.75 to 2.2 for runs that expect
#: 0.1 to 5 faults of mixed sizes, variances between runs of 0 and 0.3, 50 to 150 faults expected
#: and chances of 0.02 and 0.05.
KAPPA = 2.0

#: Below this, runs differ by chance alone: the chances of counts could not be told from Poisson.
_NO_VARIANCE = 1e-7

#: Counts of faults are followed until those left out have less than this chance.
_LEFT_OUT = 1e-12

#: Runs beyond which a run length is no longer computed but drawn out along its threshold: rounding
#: would show, and nobody waits so long.
_MOST_RUNS = 1e11


def _terms(
    expected: FloatArray, variance: ArrayLike, ratio: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Return what a sum gains with each fault, and what it loses with each run."""
    m, v, rho = np.broadcast_arrays(expected, np.asarray(variance, float), np.asarray(ratio, float))
    none = v < _NO_VARIANCE
    some = np.where(none, 1.0, v)
    # ln of (1 + v rho m) / (1 + v m), kept exact where it is small.
    grown = np.log1p(some * (rho - 1) * m / (1 + some * m))
    gain = np.log(rho) - np.where(none, 0.0, grown)
    return gain, np.where(none, (rho - 1) * m, grown / some)


def scores(
    faults: ArrayLike, expected: ArrayLike, variance: ArrayLike, ratio: ArrayLike
) -> FloatArray:
    """Return how much each run speaks for a worse rate: log-likelihood ratios; broadcasts.

    ``x ln(rho) - (x + 1/v) ln((1 + v rho m) / (1 + v m))``, and ``x ln(rho) - (rho - 1) m`` where
    v is 0, for x faults where m were expected and a rate rho times as high.

    Parameters
    ----------
    faults : array_like
        Faults of each run, 0 or more.
    expected : array_like
        Faults expected of each, 0 or more. Nothing speaks for anything where 0 are expected and
        none came.
    variance : array_like
        Variance between runs, the square of their coefficient of variation; 0 or more.
    ratio : array_like
        Rate ratio that is watched for, above 1.

    Raises
    ------
    ValueError
        For numbers outside these ranges.

    Examples
    --------
    >>> scores([0, 3], 1.0, 0.0, 2.0).round(4).tolist()
    [-1.0, 1.0794]
    """
    x, m = np.asarray(faults, float), np.asarray(expected, float)
    _check_counts(x, m)
    _check_model(variance, ratio)
    gain, loss = _terms(m, variance, ratio)
    result: FloatArray = x * gain - loss
    return result


def stepped(
    state: ArrayLike, faults: ArrayLike, expected: ArrayLike, variance: float
) -> FloatArray:
    """Return where the sums of many streams stand after one more run of each.

    Parameters
    ----------
    state : array_like, streams x ratios
        Where they stood, one column for each of `RATIOS`.
    faults, expected : array_like, one per stream
        Faults of the run, and faults expected of it. A stream whose run expects 0 stays where it
        is: it was not watched.
    variance : float
        Variance between runs, 0 or more.

    Raises
    ------
    ValueError
        For faults, expected faults or a variance below 0, or a state of another shape.

    Examples
    --------
    >>> stepped([[0, 0, 0], [1, 1, 1]], [2, 0], [0.5, 0.0], 0.0).round(3).tolist()
    [[0.561, 0.886, 1.273], [1.0, 1.0, 1.0]]
    """
    before = np.asarray(state, float)
    x, m = np.asarray(faults, float), np.asarray(expected, float)
    if before.shape != (len(before), len(RATIOS)) or not x.shape == m.shape == before.shape[:1]:
        raise ValueError(
            "state must have one row per stream and one column per ratio, faults and expected one "
            f"entry per stream; got shapes {before.shape}, {x.shape} and {m.shape}"
        )
    gained = scores(x[:, None], m[:, None], variance, RATIOS)
    return np.where(m[:, None] > 0, np.maximum(before + gained, 0.0), before)


def bank(
    faults: ArrayLike, expected: ArrayLike, variance: float, start: ArrayLike = (0.0, 0.0, 0.0)
) -> FloatArray:
    """Return where the sums of one stream stand after each of its runs: runs x ratios.

    Parameters
    ----------
    faults, expected : array_like, one per run, in order
        Faults of each run, and faults expected of it.
    variance : float
        Variance between runs, 0 or more.
    start : array_like, one per ratio
        Where the sums stand before the first run.

    Raises
    ------
    ValueError
        For faults, expected faults or a variance below 0, or where lengths differ.

    Examples
    --------
    >>> bank([1, 0, 2], [0.2, 0.2, 0.2], 0.0)[-1].round(3).tolist()
    [0.916, 1.479, 2.359]
    """
    x, m = np.asarray(faults, float), np.asarray(expected, float)
    now = np.asarray(start, float)
    if x.ndim != 1 or x.shape != m.shape or now.shape != (len(RATIOS),):
        raise ValueError(
            "faults and expected must have one entry per run and start one per ratio; got shapes "
            f"{x.shape}, {m.shape} and {now.shape}"
        )
    gained = scores(x[:, None], m[:, None], variance, RATIOS)
    gained[m == 0] = 0.0
    path = np.empty_like(gained)
    for place, gain in enumerate(gained):
        now = np.maximum(now + gain, 0.0)
        path[place] = now
    return path


def _chances(means: FloatArray, variance: float) -> FloatArray:
    """Return the chances of 0, 1, 2 ... faults along a new last axis, for each mean."""
    top = float(means.max())
    most = 8
    while _beyond(most, top, variance) > _LEFT_OUT:
        most = int(1.25 * most) + 1
    x = np.arange(most + 1)
    mu = means[..., None]
    if variance < _NO_VARIANCE:
        logs = x * np.log(mu) - mu - gammaln(x + 1)
    else:
        shape = 1 / variance
        ways = gammaln(x + shape) - gammaln(shape) - gammaln(x + 1)
        spread = np.log1p(variance * mu)
        logs = ways + x * (np.log(variance * mu) - spread) - shape * spread
    result: FloatArray = np.exp(logs)
    return result


def _beyond(count: int, mean: float, variance: float) -> float:
    """Return the chance of more faults than ``count``."""
    if variance < _NO_VARIANCE:
        return float(gammainc(count + 1, mean))
    return float(betainc(count + 1, 1 / variance, variance * mean / (1 + variance * mean)))


def _on_lattice(moves: FloatArray, chances: FloatArray, step: float, states: int) -> FloatArray:
    """Return how sums move on a lattice: chance of each move, for each true ratio.

    A move that falls between lattice points is shared out over the next one above and two below so
    that its mean and its variance are kept; where only the mean is kept, small runs gain so much
    variance from rounding that their run lengths come out far too short. One of the three shares is
    negative, which does no harm to a set of equations. It lies below, or a sum near its threshold
    would alarm without a fault.

    Parameters
    ----------
    moves : array, one per size and count
        What the sum gains.
    chances : array, true ratios x sizes and counts
        How likely each is.
    step : float
        Distance of lattice points.
    states : int
        Lattice points below the largest threshold.

    Returns
    -------
    array, true ratios x 2 states + 1
        Chance of moving by -states to states points. Longer moves down are gathered in the first
        column; longer moves up are left out, since they alarm from anywhere.
    """
    exact = moves / step
    below = np.floor(exact)
    rest = exact - below
    width = 2 * states + 1
    result = np.zeros((len(chances), width))
    rows = np.arange(len(chances))[:, None] * width
    for offset, share in (
        (1, rest * (rest + 1) / 2),
        (0, 1 - rest * rest),
        (-1, rest * (rest - 1) / 2),
    ):
        place = np.maximum(below + offset, -states).astype(np.int64) + states
        kept = place < width
        flat = (rows + place[kept]).ravel()
        weight = (chances[:, kept] * share[kept]).ravel()
        result += np.bincount(flat, weight, len(chances) * width).reshape(result.shape)
    return result


def _runs_to_alarm(moved: FloatArray, states: int) -> FloatArray:
    """Return the average number of runs from 0 until a sum reaches lattice point 1, 2, ... states.

    The chain below a threshold is the leading part of the chain below a higher one. So is its
    triangular factorisation, as long as no rows are exchanged, and one factorisation gives the run
    lengths of all thresholds: with I - Q = U' L', L z = (1, 0, 0, ...) and U' y = 1, it is the sum
    of z y over the states below the threshold. Rows are weighted by falling powers of 4, so that
    the library does not exchange them; the weights are exact, and drop out of z y. Infinite where
    a run length is lost in rounding.
    """
    place = np.arange(states)
    chain = moved[place[None, :] - place[:, None] + states]
    # All that would fall to 0 or below stays at 0.
    chain[:, 0] = np.cumsum(moved)[states - place]
    weighted = (np.eye(states) - chain) * np.ldexp(1.0, -2 * place)
    with warnings.catch_warnings():
        # A pivot of 0 is met below.
        warnings.simplefilter("ignore", LinAlgWarning)
        factors, order = lu_factor(weighted.T, overwrite_a=True, check_finite=False)
    # Where nearly no sum ever gets so far, nothing but rounding is left of a pivot.
    sound = (order == place) & (np.diag(factors) > 0)
    number = states if sound.all() else int(np.argmin(sound))
    if number == 0:
        # A sum that as good as never leaves 0.
        return np.full(states, math.inf)
    factors = factors[:number, :number]
    first = np.zeros(number)
    first[0] = 1.0
    z = solve_triangular(factors, first, lower=True, unit_diagonal=True, check_finite=False)
    y = solve_triangular(factors, np.ones(number), trans="T", check_finite=False)
    result = np.full(states, math.inf)
    result[:number] = np.cumsum(z * y)
    if number < states and not result[number - 1] > _MOST_RUNS:
        raise ArithmeticError("a run length was lost before it was too long to matter")
    return result


def _ladder(
    sizes: FloatArray,
    chances: FloatArray,
    ratio: float,
    variance: float,
    step: float,
    states: int,
) -> FloatArray:
    """Return run lengths, in runs, at thresholds half a step below lattice points 1, 2, ... states.

    Half a step below, because sums fall anywhere between lattice points, and half of what is
    rounded up to a threshold had not reached it.

    Parameters
    ----------
    sizes : array
        Faults expected of runs.
    chances : array, true ratios x sizes x counts
        Of runs with that many faults.
    ratio, variance, step, states
        As elsewhere here.

    Returns
    -------
    array, true ratios x states
    """
    gain, loss = _terms(sizes, variance, ratio)
    moves = gain[:, None] * np.arange(chances.shape[2]) - loss[:, None]
    moved = _on_lattice(moves.ravel(), chances.reshape(len(chances), -1), step, states)
    lengths = np.array([_runs_to_alarm(one, states) for one in moved])
    # What is not a number, or falls where it can only rise, has been lost in rounding.
    lost = np.cumsum(~(lengths < _MOST_RUNS) | (lengths < 1.0), axis=1) > 0
    result: FloatArray = np.maximum.accumulate(np.where(lost, _MOST_RUNS, lengths), axis=1)
    return result


#: Most lattice points below a threshold: more would exhaust the powers that weight them.
_STATES = 200


def run_lengths(
    sizes: ArrayLike,
    weights: ArrayLike,
    variance: float,
    ratio: float,
    thresholds: ArrayLike,
    true_ratios: ArrayLike,
) -> FloatArray:
    """Return how long one sum runs from 0 until it alarms, on average: thresholds x true ratios.

    In faults that were expected: the average number of runs times the mean of their sizes. A Markov
    chain (Brook and Evans 1972) on a lattice of 200 points below each threshold, its steps whole
    parts of ln(ratio); moves keep their mean and variance. Within 1 % of values on a finer
    lattice in most cases, and within 3 % up to 100,000 faults. Where all runs are of one size and
    bring many faults, a sum takes few values, run lengths jump from one threshold to the next, and
    what is given is smoothed over a lattice step. Above 10^11 runs it is only said that it is so
    many.

    Parameters
    ----------
    sizes : array_like, one-dimensional
        Faults expected of runs, above 0.
    weights : array_like, one for each size
        How often each comes; they need not add up to 1.
    variance : float
        Variance between runs, 0 or more: of the model that scores runs and of the runs that come.
    ratio : float
        Rate ratio that the sum watches for, above 1.
    thresholds : array_like, one-dimensional
        Above 0. A sum that equals its threshold alarms.
    true_ratios : array_like, one-dimensional
        True rate over the expected one, above 0: 1 gives the time between false alarms, more the
        time until a worse rate is noticed.

    Raises
    ------
    ValueError
        For numbers outside these ranges.

    Examples
    --------
    >>> run_lengths([0.001], [1], 0.0, 2.0, [3, 5], [1, 2]).round(1).tolist()
    [[68.7, 5.9], [588.3, 11.0]]
    """
    m, share = np.atleast_1d(np.asarray(sizes, float)), np.atleast_1d(np.asarray(weights, float))
    levels = np.atleast_1d(np.asarray(thresholds, float))
    true = np.atleast_1d(np.asarray(true_ratios, float))
    _check_model(variance, ratio)
    _check_sizes(m, share)
    if not np.all((levels > 0) & np.isfinite(levels)):
        raise ValueError(f"thresholds must be above 0, not {levels.min():g}")
    if not np.all((true > 0) & np.isfinite(true)):
        raise ValueError(f"true_ratios must be above 0, not {true.min():g}")
    share = share / share.sum()
    chances = _chances(true[:, None] * m, variance) * share[:, None]
    result = np.empty((len(levels), len(true)))
    for row, level in enumerate(levels):
        step = math.log(ratio) / math.ceil(math.log(ratio) * _STATES / level)
        states = math.ceil(level / step) + 1
        ladder = np.log(_ladder(m, chances, ratio, variance, step, states))
        at = (np.arange(states) + 0.5) * step
        result[row] = [np.interp(level, at, one) for one in ladder]
    found: FloatArray = np.exp(result) * float(m @ share)
    return found


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

#: Where what is not known of a stream's level is weighed: at even steps of a normal score. Rules of
#: higher order fail here: the chance of an alarm rises from 0 to 1 within a small part of its
#: range. Levels well below 1 hardly alarm and count as the lowest of these.
_SCORES = np.arange(-1.0, 3.6, 0.5)
_WEIGHTS = np.diff(ndtr(np.concatenate([[-np.inf], _SCORES[:-1] + 0.25, [np.inf]])))

#: A sum without drift that chance lifts takes this mean, squared, over variance to climb: the first
#: passage of a Brownian motion that is reflected at 0.
_LEAST_STEADY = 1.5

_ROOT = math.sqrt(2 * math.pi)

#: Squared coefficients of variation of a level that are tabled, even in their roots.
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
        at once:
        for a rate over many years, ask for a chance over all of them.

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
    _check_model(variance, RATIOS[0])
    _check_sizes(relative, np.ones(len(relative)))
    relative = relative / relative.mean()
    result = np.empty((len(RATIOS), len(_SIZES), len(_TRUE), len(_LEVELS)))
    for place, size in enumerate(_SIZES):
        sizes = size * relative
        chances = _chances(_TRUE[:, None] * sizes, variance) / len(relative)
        for number, (ratio, parts) in enumerate(zip(RATIOS, _PARTS, strict=True)):
            step = math.log(ratio) / parts
            states = math.ceil(_NEAR[-1] / step) + 1
            ladder = np.log(_ladder(sizes, chances, ratio, variance, step, states))
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


#: A climb is counted from this threshold: lower down, sums come and go. Found by simulation.
_FOOT = int(np.searchsorted(_LEVELS, 2.5))


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
            gain, loss = _terms(sizes, variance, ratio)
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


def _check_model(variance: ArrayLike, ratio: ArrayLike) -> None:
    """Refuse a variance or a ratio that cannot be."""
    v, rho = np.asarray(variance, float), np.asarray(ratio, float)
    if not np.all((v >= 0) & np.isfinite(v)):
        raise ValueError(f"variance between runs must be 0 or more, not {v.min():g}")
    if not np.all((rho > 1) & np.isfinite(rho)):
        raise ValueError(f"ratio that is watched for must be above 1, not {rho.min():g}")


def _check_counts(faults: FloatArray, expected: FloatArray) -> None:
    """Refuse faults and expected faults that cannot be."""
    if not np.all((faults >= 0) & np.isfinite(faults)):
        raise ValueError(f"faults must be 0 or more, not {faults.min():g}")
    if not np.all((expected >= 0) & np.isfinite(expected)):
        raise ValueError(f"expected faults must be 0 or more, not {expected.min():g}")


def _check_sizes(sizes: FloatArray, weights: FloatArray) -> None:
    """Refuse sizes of runs that cannot be."""
    if sizes.ndim != 1 or not len(sizes) or sizes.shape != weights.shape:
        raise ValueError(
            "sizes must be a list of one or more, with a weight for each; got shapes "
            f"{sizes.shape} and {weights.shape}"
        )
    if not np.all((sizes > 0) & np.isfinite(sizes)):
        raise ValueError(f"sizes of runs must be above 0 expected faults, not {sizes.min():g}")
    if not (np.all(weights >= 0) and 0 < weights.sum() < math.inf):
        raise ValueError("weights of sizes must be 0 or more, and one of them above 0")


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
