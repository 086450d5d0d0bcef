"""How long does a sum run until it alarms, on average?

A Markov chain (Brook and Evans 1972) on a lattice below the threshold, for runs of several sizes
and counts that may cluster. `ladder_of` gives run lengths at all thresholds of a lattice at once,
from which `analysis.thresholds` makes its table. `run_lengths` gives those at any threshold, on a
lattice of its own: no answer asks for one, but published tables, simulations and the table itself
are held against it.

References
----------
Brook and Evans 1972, Biometrika 59:539-549 (run lengths by a Markov chain).
"""

from __future__ import annotations

import math
import warnings

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import LinAlgWarning, lu_factor, solve_triangular
from scipy.special import betainc, gammainc, gammaln

from analysis.cusum import NO_VARIANCE, check_model, terms

FloatArray = NDArray[np.float64]

#: Counts of faults are followed until those left out have less than this chance.
_LEFT_OUT = 1e-12

#: Runs beyond which a run length is no longer computed but drawn out along its threshold: rounding
#: would show, and nobody waits so long.
_MOST_RUNS = 1e11

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
    check_model(variance, ratio)
    check_sizes(m, share)
    if not np.all((levels > 0) & np.isfinite(levels)):
        raise ValueError(f"thresholds must be above 0, not {levels.min():g}")
    if not np.all((true > 0) & np.isfinite(true)):
        raise ValueError(f"true_ratios must be above 0, not {true.min():g}")
    share = share / share.sum()
    chances = chances_of(true[:, None] * m, variance) * share[:, None]
    result = np.empty((len(levels), len(true)))
    for row, level in enumerate(levels):
        step = math.log(ratio) / math.ceil(math.log(ratio) * _STATES / level)
        states = math.ceil(level / step) + 1
        ladder = np.log(ladder_of(m, chances, ratio, variance, step, states))
        at = (np.arange(states) + 0.5) * step
        result[row] = [np.interp(level, at, one) for one in ladder]
    found: FloatArray = np.exp(result) * float(m @ share)
    return found


def ladder_of(
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
    ratio : float
        Rate ratio that the sum watches for.
    variance : float
        Variance between runs.
    step : float
        Distance of lattice points.
    states : int
        Lattice points below the largest threshold.

    Returns
    -------
    array, true ratios x states
    """
    gain, loss = terms(sizes, variance, ratio)
    moves = gain[:, None] * np.arange(chances.shape[2]) - loss[:, None]
    moved = _on_lattice(moves.ravel(), chances.reshape(len(chances), -1), step, states)
    lengths = np.array([_runs_to_alarm(one, states) for one in moved])
    # What is not a number, or falls where it can only rise, has been lost in rounding.
    lost = np.cumsum(~(lengths < _MOST_RUNS) | (lengths < 1.0), axis=1) > 0
    result: FloatArray = np.maximum.accumulate(np.where(lost, _MOST_RUNS, lengths), axis=1)
    return result


def chances_of(means: FloatArray, variance: float) -> FloatArray:
    """Return the chances of 0, 1, 2 ... faults along a new last axis, for each mean.

    Parameters
    ----------
    means : array, of any shape
        Above 0.
    variance : float
        Variance between runs, 0 or more.
    """
    top = float(means.max())
    most = 8
    while _beyond(most, top, variance) > _LEFT_OUT:
        most = int(1.25 * most) + 1
    x = np.arange(most + 1)
    mu = means[..., None]
    if variance < NO_VARIANCE:
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
    if variance < NO_VARIANCE:
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


def check_sizes(sizes: FloatArray, weights: FloatArray) -> None:
    """Raise ValueError for sizes of runs, in expected faults, or weights of them that cannot be."""
    if sizes.ndim != 1 or not len(sizes) or sizes.shape != weights.shape:
        raise ValueError(
            "sizes must be a list of one or more, with a weight for each; got shapes "
            f"{sizes.shape} and {weights.shape}"
        )
    if not np.all((sizes > 0) & np.isfinite(sizes)):
        raise ValueError(f"sizes of runs must be above 0 expected faults, not {sizes.min():g}")
    if not (np.all(weights >= 0) and 0 < weights.sum() < math.inf):
        raise ValueError("weights of sizes must be 0 or more, and one of them above 0")
