"""Exact intervals against statsmodels' of the same counts, for speed and for digits.

Run as ``python -m tests.benchmarks.intervals [SIZE]``. Both sides run in this process, one after
the other, warm; the medians and their ratio are printed for each kind of counts. Where both sides
differ by more than 1e-12 of a limit, mpmath must show ours right, in a sample that holds the worst.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import mpmath
import numpy as np
from statsmodels.stats.proportion import proportion_confint

from analysis.intervals import interval

AGREE = 1e-12
SETTLED = 30
TAIL = 0.025


def beta_tail(a: float, b: float, p: float, *, upper: bool) -> mpmath.mpf:
    """Beta probability above or below a rate, to 40 digits.

    By the series of positive terms p^a (1-p)^b / (a B(a, b)) * sum of (a+b)_k / (a+1)_k p^k
    (Abramowitz and Stegun 26.5.4 and 15.3.3), from the nearer side of 0 and 1.
    """
    with mpmath.workdps(50):
        left, a_, b_, p_ = not upper, mpmath.mpf(a), mpmath.mpf(b), mpmath.mpf(p)
        if p_ > 0.5:
            left, a_, b_, p_ = upper, b_, a_, 1 - p_
        term = total = mpmath.mpf(1)
        k = 0
        while term > total * mpmath.mpf(10) ** -45:
            term *= (a_ + b_ + k) / (a_ + 1 + k) * p_
            total += term
            k += 1
        logs = mpmath.loggamma(a_ + b_) - mpmath.loggamma(a_ + 1) - mpmath.loggamma(b_)
        below = total * mpmath.exp(logs + a_ * mpmath.log(p_) + b_ * mpmath.log1p(-p_))
        return below if left else 1 - below


def is_limit(
    limit: float, x: float, n: float, *, upper: bool, within: float, tail: float = TAIL
) -> bool:
    """Whether the true Clopper-Pearson limit of 0 < x < n lies within that part of `limit`."""
    a, b = (x + 1, n - x) if upper else (x, n - x + 1)
    with mpmath.workdps(50):
        ends = [mpmath.mpf(limit) * (1 + sign * mpmath.mpf(within)) for sign in (-1, 1)]
        tails = [beta_tail(a, b, min(end, mpmath.mpf(1)), upper=upper) for end in ends]
        return bool(min(tails) < tail < max(tails))


def counts(kind: str, size: int, seed: int = 7) -> tuple[np.ndarray, np.ndarray]:
    """Draw counts and feeds: of all sizes, mostly zero, or mostly repeats of few pairs."""
    draw = np.random.default_rng(seed)
    feeds = np.floor(10 ** draw.uniform(3, 7, size))
    rate = 10 ** draw.uniform(-6, -3, size)
    # A tenth are not rare, as fault rates in trials and sensitivities of detectors.
    often = draw.random(size) < 0.1
    rate[often] = 10 ** draw.uniform(-3, -0.05, int(often.sum()))
    faults = np.minimum(draw.poisson(feeds * rate), feeds).astype(float)
    if kind == "mostly zero":
        faults[draw.random(size) < 0.9] = 0
    if kind == "mostly repeats":
        repeats = draw.random(size) < 0.9
        which = draw.integers(0, 40, int(repeats.sum()))
        faults[repeats], feeds[repeats] = faults[which], feeds[which]
    return faults, feeds


def theirs(x: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Take the limits from statsmodels."""
    return proportion_confint(x, n, 2 * TAIL, method="beta")


def took(function: Callable[..., object], x: np.ndarray, n: np.ndarray) -> float:
    """Return the seconds that one call takes."""
    begin = time.perf_counter()
    function(x, n)
    return time.perf_counter() - begin


def settle(x: np.ndarray, n: np.ndarray) -> None:
    """Print the largest difference of both sides; refuse one that mpmath decides against ours."""
    for upper, found, other in zip((False, True), interval(x, n), theirs(x, n), strict=True):
        difference = np.abs(found - other) / np.where(found > 0, found, 1)
        agreed = difference <= AGREE
        apart = np.flatnonzero(~agreed)
        worst = apart[np.argsort(difference[apart])[::-1]]
        draw = np.random.default_rng(11)
        sample = np.unique([*worst[: SETTLED // 2], *draw.permutation(worst)[: SETTLED // 2]])
        name = "upper" if upper else "lower"
        print(f"  {name}: {difference[agreed].max():.1e} apart at most in {agreed.sum():,} pairs")
        if not apart.size:
            continue
        for i in sample.astype(int):
            pair = f"{x[i]:.0f} faults in {n[i]:.0f} feeds"
            if x[i] == 0:
                # Without a fault the limit is 1 - tail^(1/n).
                with mpmath.workdps(50):
                    true = -mpmath.expm1(mpmath.log(TAIL) / mpmath.mpf(n[i]))
                    right = abs(found[i] / true - 1) < AGREE
            else:
                right = is_limit(found[i], x[i], n[i], upper=upper, within=AGREE)
            if not right:
                raise AssertionError(f"the {name} limit of {pair} is wrong: {found[i]!r}")
        print(
            f"    and in {apart.size:,} pairs further, {difference[worst[0]]:.1e} at worst "
            f"({x[worst[0]]:.0f} faults in {n[worst[0]]:.0f} feeds);\n"
            f"    mpmath finds ours right to {AGREE:g} in all {sample.size} of a sample with the "
            "worst"
        )


def main(size: int = 1_000_000, rounds: int = 5) -> dict[str, float]:
    """Print medians, ratio and differences for each kind of counts; return the ratios."""
    ratios = {}
    for kind in ("of all sizes", "mostly zero", "mostly repeats"):
        x, n = counts(kind, size)
        took(theirs, x, n)
        took(interval, x, n)
        turns = [(took(theirs, x, n), took(interval, x, n)) for _ in range(rounds)]
        other, own = (statistics.median(side) for side in zip(*turns, strict=True))
        ratios[kind] = own / other
        print(f"{size:,} pairs {kind}, median of {rounds}")
        print(f"  statsmodels   {other:7.3f} s")
        print(f"  interval      {own:7.3f} s")
        print(f"  ratio         {own / other:7.3f}   ({other / own:.1f} times as fast)")
        settle(x, n)
    return ratios


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
