"""Print how often widened intervals hold the true rate, over a grid of simulated logs.

Run from the top folder: `python -m tests.slow.coverage` (about two minutes). Every log is drawn,
judged and widened as the program does it: expected faults from its own rate, one between-run
variance per log, the interval from `widened_interval`.
"""

import itertools

import numpy as np

from analysis.intervals import interval
from analysis.spread import between_run_variance, relative_variance_by_group, widened_interval

FEEDS_PER_FAULT = 20_000.0

# Runs, expected faults of the whole log, coefficient of variation between runs, unequal sizes.
WHOLE_CASES = [
    *itertools.product((8, 30, 300), (3, 20, 100), (0.0, 0.5, 1.0), (False,)),
    *itertools.product((8, 30), (3, 20, 100), (0.0, 0.5, 1.0), (True,)),
    *itertools.product((300,), (20,), (0.0, 1.0), (True,)),
    (8, 6, 1.0, False),
]

# Runs of the group, its expected faults, its rate over the log's, coefficient of variation, unequal
# sizes; the log has 300 runs.
GROUP_CASES = [
    (3, 20, 1.0, 1.0, False),
    (3, 20, 3.0, 0.5, True),
    (8, 3, 1 / 3, 1.0, False),
    (8, 20, 1.0, 0.0, True),
    (8, 100, 1.0, 1.0, False),
]

# Runs of the log, expected faults of one bin of ten, coefficient of variation, unequal sizes.
BIN_CASES = [
    (8, 3, 1.0, False),
    (8, 20, 1.0, False),
    (30, 3, 0.5, True),
    (30, 20, 1.0, True),
]


def _draw(rng, logs, runs, expected, variation, unequal, skew="gamma"):
    """Shares of the feeds, and faults, of each run of each log."""
    share = np.exp(rng.normal(0.0, 1.0, (logs, runs))) if unequal else np.ones((logs, runs))
    share /= share.sum(axis=1, keepdims=True)
    level = np.ones((logs, runs))
    if variation and skew == "gamma":
        level = rng.gamma(1 / variation**2, variation**2, (logs, runs))
    elif variation:
        sigma = np.sqrt(np.log1p(variation**2))
        level = np.exp(rng.normal(-0.5 * sigma**2, sigma, (logs, runs)))
    return share, rng.poisson(expected * share * level)


def _allowed(share, faults):
    """Between-run variances for widening, one per log: each log is a tower of its own."""
    logs, runs = share.shape
    expected = share * faults.sum(axis=1, keepdims=True)
    log = np.repeat(np.arange(logs), runs)
    spreads = between_run_variance(faults.ravel(), expected.ravel(), log)
    return np.array([spread.allowed for spread in spreads])


def _relative(share, allowed):
    logs, runs = share.shape
    log = np.repeat(np.arange(logs), runs)
    return relative_variance_by_group(share.ravel(), log, np.repeat(allowed, runs), logs)


def _score(count, expected, relative):
    """Coverage of the widened interval and its mean width over the plain one's."""
    feeds = expected * FEEDS_PER_FAULT
    low, high = widened_interval(count, feeds, relative)
    plain_low, plain_high = interval(count, feeds)
    rate = 1 / FEEDS_PER_FAULT
    covered = float(np.mean((low <= rate) & (rate <= high)))
    return covered, float(np.mean(high - low) / np.mean(plain_high - plain_low))


def whole_case(runs, expected, variation, unequal, *, logs, seed, plain=False, skew="gamma"):
    """Coverage and width ratio for the rate of a whole log."""
    rng = np.random.default_rng(seed)
    share, faults = _draw(rng, logs, runs, expected, variation, unequal, skew)
    relative = np.zeros(logs) if plain else _relative(share, _allowed(share, faults))
    return _score(faults.sum(axis=1), expected, relative)


def group_case(runs, expected, ratio, variation, unequal, *, logs, seed, runs_of_log=300):
    """Coverage and width ratio for a group of few runs, the variance being that of a long log."""
    rng = np.random.default_rng(seed)
    of_log = expected / ratio / runs * runs_of_log
    share, faults = _draw(rng, logs, runs_of_log, of_log, variation, unequal)
    allowed = _allowed(share, faults)
    share, faults = _draw(rng, logs, runs, expected, variation, unequal)
    return _score(faults.sum(axis=1), expected, _relative(share, allowed))


def bin_case(runs, expected, variation, unequal, *, logs, seed, bins=10):
    """Coverage and width ratio for one bin of a tower whose bins share the luck of each run."""
    rng = np.random.default_rng(seed)
    share = np.exp(rng.normal(0.0, 1.0, (logs, runs))) if unequal else np.ones((logs, runs))
    share /= share.sum(axis=1, keepdims=True)
    level = np.ones((logs, runs))
    if variation:
        level = rng.gamma(1 / variation**2, variation**2, (logs, runs))
    own = rng.poisson(expected * share * level)
    rest = rng.poisson((bins - 1) * expected * share * level)
    return _score(own.sum(axis=1), expected, _relative(share, _allowed(share, own + rest)))


def main():
    """Print both tables."""
    print(
        "Whole log: coverage of the plain and of the widened 95 % interval, mean width over plain"
    )
    print(f"{'spread':>9} {'sizes':>8} {'runs':>5} {'faults':>7} {'cv':>4}  plain  wide   width")
    for skew, unequal in itertools.product(("gamma", "lognormal"), (False, True)):
        for runs, expected in itertools.product((8, 30, 300), (1, 3, 6, 10, 20, 50, 100)):
            for variation in (0.0, 0.5, 1.0):
                logs = {8: 40_000, 30: 20_000, 300: 4_000}[runs]
                options = {"logs": logs, "seed": runs + expected, "skew": skew}
                plain, _ = whole_case(runs, expected, variation, unequal, plain=True, **options)
                wide, width = whole_case(runs, expected, variation, unequal, **options)
                sizes = "unequal" if unequal else "equal"
                row = f"{skew:>9} {sizes:>8} {runs:5d} {expected:7d} {variation:4.1f}"
                print(f"{row}  {100 * plain:5.1f}  {100 * wide:5.1f}  {width:5.2f}", flush=True)
    print("\nGroup of few runs in a log of 300 runs, gamma spread")
    print(f"{'sizes':>8} {'runs':>5} {'faults':>7} {'ratio':>6} {'cv':>4}  wide   width")
    cases = itertools.product((False, True), (1, 2, 3, 8), (3, 20, 100), (1 / 3, 1, 3), (0.5, 1.0))
    for unequal, runs, expected, ratio, variation in cases:
        wide, width = group_case(
            runs, expected, ratio, variation, unequal, logs=2_000, seed=runs + expected
        )
        sizes = "unequal" if unequal else "equal"
        row = f"{sizes:>8} {runs:5d} {expected:7d} {ratio:6.2f} {variation:4.1f}"
        print(f"{row}  {100 * wide:5.1f}  {width:5.2f}", flush=True)
    print("\nOne bin of ten that share the luck of each run, gamma spread")
    print(f"{'sizes':>8} {'runs':>5} {'faults':>7} {'cv':>4}  wide   width")
    cases = itertools.product((False, True), (8, 30, 300), (0.3, 3, 20), (0.0, 0.5, 1.0))
    for unequal, runs, expected, variation in cases:
        logs = 20_000 if runs < 300 else 4_000
        wide, width = bin_case(runs, expected, variation, unequal, logs=logs, seed=runs)
        sizes = "unequal" if unequal else "equal"
        row = f"{sizes:>8} {runs:5d} {expected:7.1f} {variation:4.1f}"
        print(f"{row}  {100 * wide:5.1f}  {width:5.2f}", flush=True)


if __name__ == "__main__":
    main()
