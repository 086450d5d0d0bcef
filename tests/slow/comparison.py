"""Print how often comparisons with a benchmark err and find, over grids of simulated logs.

Run from the top folder: `python -m tests.slow.comparison` (about four minutes). Counts are drawn
and judged as the program does it: interval and p-value from `analysis.ratios`, verdicts from
`analysis.verdicts`, one between-run variance per log from `analysis.spread`, bins' benchmarks from
`analysis.shrinkage`. Exact chances are sums over both Poisson counts.
"""

import itertools

import numpy as np
from scipy import stats

from analysis.differences import difference
from analysis.ratios import benjamini_hochberg, ratio
from analysis.shrinkage import shrunk_benchmark
from analysis.spread import between_run_variance, relative_variance_by_group
from analysis.verdicts import VERDICTS, verdict

FEEDS_PER_FAULT = 20_000.0

# Expected faults of the burn-in, and production's feeds over the burn-in's.
SINGLE_CASES = [(5, 1), (5, 10), (30, 1), (30, 3), (60, 3), (100, 1), (100, 10)]


def _counts_with_mass(mean):
    """Counts that a Poisson variable takes but for one in 10^10."""
    return np.arange(stats.poisson.ppf(1e-10, mean), stats.poisson.isf(1e-10, mean) + 1)


def exact_shares(burn_in, times, planted):
    """Chance of each verdict, one comparison alone."""
    mean = burn_in * times * planted
    x1, x2 = _counts_with_mass(mean), _counts_with_mass(burn_in)
    weight = np.outer(stats.poisson.pmf(x1, mean), stats.poisson.pmf(x2, burn_in))
    feeds = burn_in * FEEDS_PER_FAULT
    found = ratio(x1[:, None], feeds * times, x2, feeds)
    verdicts = verdict(found.low, found.high, found.p_value)
    return {name: float(weight[verdicts == name].sum()) for name in VERDICTS}


def simulated_shares(burn_in, times, planted, *, comparisons, seed):
    """Share of each verdict among simulated comparisons, each alone."""
    rng = np.random.default_rng(seed)
    feeds = burn_in * FEEDS_PER_FAULT
    x1 = rng.poisson(burn_in * times * planted, comparisons)
    x2 = rng.poisson(burn_in, comparisons)
    found = ratio(x1, feeds * times, x2, feeds)
    verdicts = verdict(found.low, found.high, found.p_value)
    return {name: float(np.mean(verdicts == name)) for name in VERDICTS}


def false_share(planted, *, families, seed, burn_in=30.0, times=3.0, towers=0):
    """Mean share of false finds, its standard error, and the share of planted changes found.

    `planted` are the true ratios of the comparisons of one family. With `towers` they share as many
    burn-ins, as the bins of a tower share the whole tower's.
    """
    rng = np.random.default_rng(seed)
    planted = np.asarray(planted, dtype=float)
    feeds = burn_in * FEEDS_PER_FAULT
    shares, hits = [], []
    for _ in range(families):
        x1 = rng.poisson(burn_in * times * planted)
        x2 = rng.poisson(burn_in, towers or planted.size)
        x2 = np.resize(x2, planted.size)
        found = ratio(x1, feeds * times, x2, feeds)
        verdicts = verdict(found.low, found.high, benjamini_hochberg(found.p_value))
        worse, better = verdicts == "worse", verdicts == "better"
        false = (worse & (planted <= 1)) | (better & (planted >= 1))
        shares.append(false.sum() / max(1, (worse | better).sum()))
        right = (worse & (planted > 1)) | (better & (planted < 1))
        hits.append(right.sum() / max(1, (planted != 1).sum()))
    return float(np.mean(shares)), float(np.std(shares) / np.sqrt(families)), float(np.mean(hits))


def _draw(rng, logs, runs, expected, variation, unequal):
    """Shares of the feeds, and faults, of each run of each log."""
    share = np.exp(rng.normal(0.0, 1.0, (logs, runs))) if unequal else np.ones((logs, runs))
    share /= share.sum(axis=1, keepdims=True)
    level = np.ones((logs, runs))
    if variation:
        level = rng.gamma(1 / variation**2, variation**2, (logs, runs))
    return share, rng.poisson(expected * share * level)


def clustered_case(
    runs,
    burn_in_runs,
    expected,
    burn_in_expected,
    variation,
    *,
    logs,
    seed,
    unequal=False,
    plain=False,
    true_variance=False,
):
    """How often an unchanged tower's interval lies above 1, and below it, where runs differ."""
    rng = np.random.default_rng(seed)
    own, x1 = _draw(rng, logs, runs, expected, variation, unequal)
    other, x2 = _draw(rng, logs, burn_in_runs, burn_in_expected, variation, unequal)
    sums = x1.sum(axis=1), x2.sum(axis=1)
    size = runs + burn_in_runs
    log = np.repeat(np.arange(logs), size)
    if plain or true_variance:
        allowed = np.full(logs, variation**2 if true_variance else 0.0)
    else:
        fitted = np.concatenate([own * sums[0][:, None], other * sums[1][:, None]], axis=1)
        period = np.tile(np.repeat([0, 1], [runs, burn_in_runs]), logs)
        spreads = between_run_variance(
            np.concatenate([x1, x2], axis=1).ravel(), fitted.ravel(), log, rates=period
        )
        allowed = np.array([spread.allowed for spread in spreads])
    relative = [
        relative_variance_by_group(
            share.ravel(),
            np.repeat(np.arange(logs), share.shape[1]),
            np.repeat(allowed, share.shape[1]),
            logs,
        )
        for share in (own, other)
    ]
    found = ratio(
        sums[0],
        expected * FEEDS_PER_FAULT,
        sums[1],
        burn_in_expected * FEEDS_PER_FAULT,
        relative_variance=relative[0],
        other_relative_variance=relative[1],
    )
    return float(np.mean(found.low > 1)), float(np.mean(found.high < 1))


def bins_case(faults, variation, times, planted, *, towers, seed, bins=10):
    """Share of bins whose interval against the shrunken burn-in lies above 1, and below it."""
    rng = np.random.default_rng(seed)
    feeds = faults / bins * FEEDS_PER_FAULT
    above, below = [], []
    for _ in range(towers):
        level = rng.gamma(1 / variation**2, variation**2, bins) if variation else np.ones(bins)
        x2 = rng.poisson(faults / bins * level)
        x1 = rng.poisson(faults / bins * level * times * planted)
        held = shrunk_benchmark(x2, np.full(bins, feeds))
        found = ratio(x1, feeds * times, held.effective_faults, held.effective_feeds)
        above.append(np.mean(found.low > 1))
        below.append(np.mean(found.high < 1))
    return float(np.mean(above)), float(np.mean(below))


def difference_coverage(burn_in, times, method, planted=1.0):
    """Coverage of the interval of the difference, exact."""
    mean = burn_in * times * planted
    x1, x2 = _counts_with_mass(mean), _counts_with_mass(burn_in)
    weight = np.outer(stats.poisson.pmf(x1, mean), stats.poisson.pmf(x2, burn_in))
    feeds = 1e5
    found = difference(x1[:, None], feeds * times, x2, feeds, method=method)
    true = mean / (feeds * times) - burn_in / feeds
    return float(weight[(found.low <= true) & (true <= found.high)].sum())


def _percent(share):
    return f"{100 * share:5.1f}"


def main():
    """Print all tables."""
    print("One comparison alone, 2,000 simulated: per cent simulated and exact")
    print("burn-in  times  ratio" + "".join(f"  {name:>13}" for name in VERDICTS))
    for (burn_in, times), planted in itertools.product(SINGLE_CASES, (0.5, 1, 2, 3)):
        found = simulated_shares(burn_in, times, planted, comparisons=2000, seed=burn_in)
        exact = exact_shares(burn_in, times, planted)
        columns = "".join(f"  {_percent(found[n])} ({_percent(exact[n])})" for n in VERDICTS)
        print(f"{burn_in:7d}  {times:5d}  {planted:5.1f}{columns}", flush=True)

    print("\nSixty at once, 2,000 families: share of false finds, planted ones found (per cent)")
    for shared, name in ((0, "own burn-ins"), (6, "burn-ins of six towers")):
        for changed, value in ((0, 1.0), (6, 2.0), (6, 3.0), (6, 0.5), (30, 2.0)):
            planted = np.r_[np.full(changed, value), np.ones(60 - changed)]
            false, error, hits = false_share(planted, families=2000, seed=changed, towers=shared)
            print(
                f"{name:>22}: {changed:2d} of 60 at {value:g}: false {100 * false:.2f} "
                f"(s.e. {100 * error:.2f}), found {100 * hits:.1f}",
                flush=True,
            )

    print("\nClustered counts, nothing changed: per cent worse/better")
    print("sizes    runs  burn-in  faults  burn-in   cv  plain        variance known  estimated")
    periods = itertools.product((8, 30, 300), (4, 8))
    sizes = ((0.5, 0.5), (2, 2), (1, 5), (8, 8), (1, 20))
    for unequal, (runs, burn_in_runs), (per_run, per_burn_in), variation in itertools.product(
        (False, True), list(periods), sizes, (0.0, 0.3, 0.5, 1.0)
    ):
        logs = {8: 10_000, 30: 5_000, 300: 1_500}[runs]
        case = (runs, burn_in_runs, per_run * runs, per_burn_in * burn_in_runs, variation)
        cells = []
        for options in ({"plain": True}, {"true_variance": True}, {}):
            worse, better = clustered_case(*case, logs=logs, seed=7, unequal=unequal, **options)
            cells.append(f"{_percent(worse)}/{_percent(better)}")
        print(
            f"{'unequal' if unequal else 'equal':>7}  {runs:4d}  {burn_in_runs:7d}  "
            f"{case[2]:6.0f}  {case[3]:7.0f}  {variation:3.1f}  {'  '.join(cells)}",
            flush=True,
        )

    print("\nTen bins held to a shrunken burn-in: per cent above/below 1, and tripled bins found")
    for faults, variation, times in itertools.product(
        (3, 6, 20, 60), (0.0, 0.3, 0.5, 1.0), (2, 20)
    ):
        above, below = bins_case(faults, variation, times, 1.0, towers=600, seed=3)
        hits, _ = bins_case(faults, variation, times, 3.0, towers=300, seed=4)
        print(
            f"{faults:3d} faults, cv {variation:.1f}, {times:2d} times the feeds: "
            f"{_percent(above)}/{_percent(below)}  {_percent(hits)}",
            flush=True,
        )

    print("\nCoverage of the difference (per cent): newcombe, miettinen-nurminen")
    for times, burn_in, planted in itertools.product((1, 4, 20), (0.5, 1, 2, 5, 10), (1, 2)):
        cells = [
            _percent(difference_coverage(burn_in, times, method, planted))
            for method in ("newcombe", "miettinen-nurminen")
        ]
        print(f"{burn_in:4.1f} expected, {times:2d} times, ratio {planted}: {'  '.join(cells)}")


if __name__ == "__main__":
    main()
