"""How often do ranges of wear and of forecasts hold the truth, and what does borrowing gain?

Fleets of bins are drawn whose parts were fitted at different times: runs of 3,000 to 40,000 feeds,
about 60 to 140 faults in each bin where it does not wear, lives of 2.5 million feeds, levels that
differ by 20 %, and runs of a tower that differ together. Of their parts none wears, one, three, or
all, by 1.05 for every 100,000 feeds; or there are only one, two or three things. Measured are:

- how often the 95 % range of the slope holds the truth, of worn parts and of good ones;
- how wide it is, on the scale of the logarithm, beside that of a bin by its own faults alone;
- how often the 90 % range of the age at twice the faults of a new part, and of the age at twice
  what is to be expected, holds the truth, for a worn part;
- how often a worn part's rise is shown, and how often a good one's;
- what picture of the rise fits best (`analysis.wear_shape`).

    python -m tests.slow.wear --fleets 400 --seed 0

takes about half an hour on one processor.
"""

from __future__ import annotations

import argparse
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.wear import Slopes, slopes
from analysis.wear_forecasts import limit_age
from analysis.wear_shape import shape

Array = NDArray[np.float64]

RATIO = 1.05
LIFE = 2.5e6
SLOPE = math.log(RATIO) / 100_000


class Fleet(NamedTuple):
    """Rows of every bin and run, and what is true of the bins."""

    faults: Array
    expected: Array
    feeds: Array
    age: Array
    when: Array
    thing: NDArray[np.int64]
    run: NDArray[np.int64]
    level: Array
    worn: NDArray[np.bool_]

    def of(self, thing: int) -> tuple[Array, ...]:
        """Return faults, expected, feeds, age and time of one bin's rows."""
        mine = self.thing == thing
        return tuple(values[mine] for values in self[:5])


def fleet(
    rng: np.random.Generator,
    bins: int,
    worn: int,
    *,
    variance: float = 0.09,
    runs: int = 300,
    step: float = 1.0,
) -> Fleet:
    """Draw one; towers have ten bins, and the first bins wear.

    With a `step` the first bin does not wear but changes at once, somewhere in the middle half.
    """
    rows: list[list[Array]] = [[] for _ in range(7)]
    level = np.exp(rng.normal(0, 0.2, bins))
    for tower in range(-(-bins // 10)):
        feeds = rng.uniform(3e3, 4e4, runs)
        # A tower's year or so: one to three lives of a part.
        feeds *= rng.uniform(3e6, 8e6) / feeds.sum()
        by_run = rng.gamma(1 / variance, variance, runs) if variance else np.ones(runs)
        when = np.cumsum(feeds) - feeds
        for place in range(10 * tower, min(bins, 10 * tower + 10)):
            expected = feeds / feeds.sum() * rng.uniform(60, 140)
            age = (rng.uniform(0, LIFE) + when) % LIFE
            rate = level[place] * by_run
            if step != 1.0 and place == 0:
                rate = rate * np.where(when > rng.uniform(0.25, 0.75) * when[-1], step, 1.0)
            elif place < worn:
                # The part ages within a run too.
                rate = rate * np.exp(SLOPE * (age + 0.5 * feeds))
            values = (
                rng.poisson(expected * rate),
                expected,
                feeds,
                age,
                when,
                np.full(runs, place),
                tower * runs + np.arange(runs),
            )
            for column, value in zip(rows, values, strict=True):
                column.append(value)
    x, m, f, a, t, k, r = (np.concatenate(column) for column in rows)
    return Fleet(x.astype(float), m, f, a, t, k, r, level, np.arange(bins) < worn)


def wear_of(drawn: Fleet, variance: float) -> Slopes:
    """Return the slopes found in a fleet; a run's age is that of its middle."""
    return slopes(
        drawn.faults,
        drawn.expected,
        drawn.age + 0.5 * drawn.feeds,
        drawn.thing,
        drawn.level.size,
        feeds=drawn.feeds,
        run=drawn.run,
        variance=variance,
    )


class Held(NamedTuple):
    """Of each bin of some fleets: truths held, widths, and whether a rise was shown."""

    worn: NDArray[np.bool_]
    held: NDArray[np.bool_]
    too_low: NDArray[np.bool_]
    width: Array
    shown: NDArray[np.bool_]
    times: NDArray[np.bool_]
    limit: NDArray[np.bool_]
    pooled: NDArray[np.bool_]


def simulate(
    rng: np.random.Generator,
    fleets: int,
    bins: int,
    worn: int,
    *,
    variance: float = 0.09,
    runs: int = 300,
) -> Held:
    """Return what was held in so many fleets; of forecasts and the pool one for each fleet."""
    rows: list[tuple[Array, ...]] = []
    times, limits, pooled = [], [], []
    for _ in range(fleets):
        drawn = fleet(rng, bins, worn, variance=variance, runs=runs)
        found = wear_of(drawn, variance)
        truth = np.where(drawn.worn, RATIO, 1.0)
        rows.append(
            (
                drawn.worn,
                (found.low <= truth) & (truth <= found.high),
                found.high < truth,
                np.log(found.high / found.low),
                found.low > 1,
            )
        )
        common = RATIO if worn == bins else 1.0
        pooled.append(found.pooled_low <= common <= found.pooled_high)
        if worn:
            age = limit_age(found, 0, times=2.0)
            times.append(age.low <= math.log(2) / SLOPE <= age.high)
            age = limit_age(found, 0, rate_over_expected=2.0)
            limits.append(age.low <= max(0.0, math.log(2 / drawn.level[0]) / SLOPE) <= age.high)
    columns = (np.concatenate(column) for column in zip(*rows, strict=True))
    return Held(*columns, *(np.array(one, dtype=bool) for one in (times, limits, pooled)))


def pictures(
    rng: np.random.Generator, fleets: int, *, worn: bool, step: float = 1.0, variance: float = 0.09
) -> dict[str, float]:
    """Return how often each picture fits best a bin by itself, and how often it is sure."""
    told: dict[str, float] = {}
    for _ in range(fleets):
        drawn = fleet(rng, 1, int(worn), variance=variance, step=step)
        x, m, f, a, t = drawn.of(0)
        found = shape(x, m, f, a, when=t, variance=variance)
        for word in (found.better, *((f"{found.better}, sure",) if found.sure else ())):
            told[word] = told.get(word, 0.0) + 1 / fleets
    return told


def main() -> None:
    """Print what was found."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fleets", type=int, default=400)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    print(
        "bins worn  var  | worn: held too-low width shown | good: held width shown | pool  2x  lim"
    )
    for bins, worn in (
        (30, 1),
        (30, 3),
        (30, 30),
        (30, 0),
        (10, 1),
        (1, 1),
        (2, 1),
        (3, 1),
        (3, 3),
    ):
        for variance in (0.0, 0.09, 0.4):
            found = simulate(rng, asked.fleets, bins, worn, variance=variance)
            w, g = found.worn, ~found.worn

            def mean(values: NDArray[np.generic], some: NDArray[np.bool_] | None = None) -> str:
                chosen = values if some is None else values[some]
                return f"{chosen.astype(float).mean():.3f}" if chosen.size else "  -  "

            print(
                f"{bins:4d} {worn:4d} {variance:4.2f}  | {mean(found.held, w)} "
                f"{mean(found.too_low, w)} {mean(found.width, w)} {mean(found.shown, w)} | "
                f"{mean(found.held, g)} {mean(found.width, g)} {mean(found.shown, g)} | "
                f"{mean(found.pooled)} {mean(found.times)} {mean(found.limit)}",
                flush=True,
            )
    for name, worn_, step in (
        ("nothing", False, 1.0),
        ("steady wear", True, 1.0),
        ("tripled at once", False, 3.0),
        ("doubled at once", False, 2.0),
    ):
        told = pictures(rng, asked.fleets, worn=worn_, step=step)
        print(f"{name}: " + ", ".join(f"{k} {v:.3f}" for k, v in sorted(told.items())), flush=True)


if __name__ == "__main__":
    main()
