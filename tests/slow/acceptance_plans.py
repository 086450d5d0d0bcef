"""Print what simulated acceptance tests found beside what their plans promise.

Run from the top folder: `python -m tests.slow.acceptance_plans` (half a minute; `--tests N` for
other than 100,000 tests of each). Faults come at geometric gaps and are followed by the plans'
two lists, not by the arithmetic that set them; burn-ins are drawn run by run and bin by bin. It
ends with 1 where a share or a mean is more than four standard errors off, or a risk is above what
was asked.
"""

import argparse
import math
import sys

import numpy as np

from analysis.looks import Screened, chance_to_pass, expected_more, looks
from analysis.plans import Asked, SinglePlan, single_plan
from analysis.screens import each_risk, failing_counts
from analysis.sequential import bound, sequential_plan

# Good and bad rate, both risks, most feeds; without it, those of two single plans.
PLANS = [
    (3e-5, 1e-4, 0.05, 0.10, 300_000),
    (3e-5, 1e-4, 0.05, 0.10, 107_000),
    (3e-5, 1e-4, 0.02, 0.10, None),
    (1.5e-5, 5e-5, 0.02, 0.10, None),
    (1e-7, 5e-7, 0.05, 0.10, None),
    (1e-4, 1.5e-4, 0.05, 0.10, None),
    (0.01, 0.05, 0.05, 0.10, 140),
    (0.1, 0.5, 0.05, 0.10, None),
    (0.3, 0.5, 0.01, 0.30, None),
    (0.02, 0.5, 0.4, 0.001, None),
]

# Good and bad rate, producer's risk, feeds at the ends of runs, feeds of each further run.
LOOKS = [
    (3e-5, 1e-4, 0.02, [12_000, 52_000, 55_000, 80_000, 140_000], 20_000),
    (1.5e-5, 5e-5, 0.02, [75_000, 150_000], 75_000),
    (3e-5, 1e-4, 0.05, [], 1_000),
    (0.01, 0.05, 0.05, [11, 30, 52, 57, 81], 31),
]

# Plans for rates and risks that are drawn.
DRAWN = 60

# A share that is so far off by chance alone comes once in 16,000.
MOST_ERRORS = 4.0


def simulated(plan, rate, *, tests, seed):
    """Whether each drawn test passes, and its feeds, watched feed by feed."""
    rng = np.random.default_rng(seed)
    going = np.ones(tests, bool)
    passed = np.zeros(tests, bool)
    feeds = np.zeros(tests, np.int64)
    came = np.zeros(tests, np.int64)
    for count, passes_at in enumerate(plan.accept_at[:-1]):
        # Feeds at which the next fault comes: the test passes where that is later.
        came += rng.geometric(rate, tests)
        ends = going & (came > passes_at)
        passed |= ends
        feeds[ends] = passes_at
        going &= ~ends
        ends = going & (came < plan.reject_before[count + 1])
        feeds[ends] = came[ends]
        going &= ~ends
    assert not going.any()
    return passed, feeds


def judged(test, rate, *, tests, seed):
    """Whether each drawn test passes, and its feeds, seen at the ends of runs only."""
    rng = np.random.default_rng(seed)
    going = np.ones(tests, bool)
    passed = np.zeros(tests, bool)
    feeds = np.zeros(tests, np.int64)
    count = np.zeros(tests, np.int64)
    before = 0
    for check in test.checks:
        count += rng.binomial(check.feeds - before, rate, tests)
        before = check.feeds
        ends = going & ((count <= check.accept) | (count >= check.reject))
        passed |= ends & (count <= check.accept)
        feeds[ends] = check.feeds
        going &= ~ends
    return passed, feeds


def passed_with_screens(kinds, rates, *, tests, seed):
    """Whether each drawn tower passes: both kinds accepted, and then no bin standing out."""
    rng = np.random.default_rng(seed)
    looks_ = len(kinds[0].feeds)
    accepted = np.zeros((len(kinds), looks_, tests), bool)
    clear = np.ones((looks_, tests), bool)
    for place, (kind, rate) in enumerate(zip(kinds, rates, strict=True)):
        checks = {check.feeds: check for check in kind.test.checks}
        bins = np.zeros((tests, kind.shares.shape[1]), np.int64)
        going = np.ones(tests, bool)
        yes = np.zeros(tests, bool)
        before = 0
        for number, feeds in enumerate(kind.feeds.tolist()):
            more = rng.binomial(feeds - before, rate, tests)
            bins += rng.multinomial(more, kind.shares[number])
            count = bins.sum(axis=1)
            check = checks.get(feeds)
            if check is not None and feeds > before:
                yes |= going & (count <= check.accept)
                going &= (count > check.accept) & (count < check.reject)
            accepted[place, number] = yes
            clear[number] &= np.all(bins < kind.fails_at[number], axis=1)
            before = feeds
    all_accepted = accepted.all(axis=0)
    first = all_accepted.argmax(axis=0)
    each = np.arange(tests)
    return all_accepted[first, each] & clear[first, each]


class Table:
    """Prints rows of what was found and what is promised, and counts those that are off."""

    def __init__(self):
        self.off = 0

    def heading(self, text):
        print(f"\n{text}\n{'':44} {'found':>12} {'promised':>12} {'errors':>7}", flush=True)

    def row(self, name, found, promised, error, most=None):
        """Print a row; with ``most``, what is promised must not be above it."""
        errors = (found - promised) / error if error else 0.0
        off = abs(errors) > MOST_ERRORS or (most is not None and promised > most * (1 + 1e-9))
        self.off += off
        digits = ",.0f" if promised > 10 else ".5f"
        mark = "  off" if off else ""
        print(f"{name:44} {found:12{digits}} {promised:12{digits}} {errors:7.2f}{mark}", flush=True)


def _share_error(chance, tests):
    return math.sqrt(max(chance * (1 - chance), 1 / tests) / tests)


def plans(table, tests):
    """Sequential plans, watched feed by feed, and the single plans of the same rates."""
    for number, (good, bad, producer, consumer, most) in enumerate(PLANS):
        asked = Asked(good, bad, producer, consumer)
        plan = sequential_plan(asked, most)
        until = f"{plan.feeds:,} feeds at most"
        table.heading(f"{good:g} from {bad:g}, risks {producer:g} and {consumer:g}, {until}")
        promised = [1 - plan.accept([good])[0], plan.accept([bad])[0]]
        least = bound(good, bad, *promised)
        for place, (rate, risk) in enumerate(zip((good, bad), (producer, consumer), strict=True)):
            passed, feeds = simulated(plan, rate, tests=tests, seed=2 * number + place)
            share = passed.mean() if place else 1 - passed.mean()
            name = "passes at the bad rate" if place else "fails at the good rate"
            error = _share_error(promised[place], tests)
            table.row(name, share, promised[place], error, risk)
            mean = plan.expected_feeds([rate])[0]
            name = f"mean feeds, {mean / least[place]:.4f} of the bound"
            table.row(name, feeds.mean(), mean, feeds.std() / math.sqrt(tests))
        alone = single_plan(asked)
        rng = np.random.default_rng(number)
        fails = float(np.mean(rng.binomial(alone.feeds, good, tests) > alone.allowed))
        passes = float(np.mean(rng.binomial(alone.feeds, bad, tests) <= alone.allowed))
        name = f"single, {alone.feeds:,} feeds: fails"
        risk = alone.producer_risk
        table.row(name, fails, risk, _share_error(risk, tests), producer)
        risk = alone.consumer_risk
        table.row("single: passes", passes, risk, _share_error(risk, tests), consumer)


def drawn_plans(table, tests):
    """Sequential plans for rates and risks drawn from all that can be asked."""
    rng = np.random.default_rng(7)
    table.heading(f"Plans for {DRAWN} drawn rates and risks, {tests // 5:,} tests of each")
    found, most, number = [], [0.0, 0.0], 0
    while number < DRAWN:
        good = 10 ** rng.uniform(-7, math.log10(0.4))
        bad = min(0.5, good * 10 ** rng.uniform(math.log10(1.5), 2))
        producer, consumer = 10 ** rng.uniform(-2, math.log10(0.45), 2)
        asked = Asked(good, bad, producer, consumer)
        plan = sequential_plan(asked, int(rng.uniform(1.1, 3) * single_plan(asked).feeds) + 1)
        number += 1
        for place, (rate, risk) in enumerate(zip((good, bad), (producer, consumer), strict=True)):
            passed, _ = simulated(plan, rate, tests=tests // 5, seed=1000 + number)
            promised = float(plan.accept([rate])[0])
            found.append((passed.mean() - promised) / _share_error(promised, tests // 5))
            most[place] = max(most[place], (promised if place else 1 - promised) / risk)
    # Were all promises true, these errors would have a mean square of one.
    spread = math.sqrt(2 / len(found))
    table.row("mean square of errors", float(np.mean(np.square(found))), 1.0, spread)
    table.row("largest producer's risk over the asked", most[0], most[0], 0.0, 1.0)
    table.row("largest consumer's risk over the asked", most[1], most[1], 0.0, 1.0)


def at_run_ends(table, tests):
    """Plans judged at the ends of runs."""
    for number, (good, bad, producer, feeds, further) in enumerate(LOOKS):
        asked = Asked(good, bad, producer)
        for plan in (sequential_plan(asked), single_plan(asked)):
            kind = "single" if isinstance(plan, SinglePlan) else "sequential"
            test = looks(plan, feeds, further)
            table.heading(f"{good:g} from {bad:g}, {kind}, {len(test.checks)} looks")
            none = looks(plan, [], further)
            for place, rate in enumerate((good, bad)):
                passed, _ = judged(test, rate, tests=tests, seed=50 + number)
                share = passed.mean() if place else 1 - passed.mean()
                name = "passes at the bad rate" if place else "fails at the good rate"
                risk = test.risks[place]
                error = _share_error(risk, tests)
                table.row(name, share, risk, error, (producer, 0.10)[place])
                _, ended = judged(none, rate, tests=tests, seed=70 + number)
                mean = expected_more(none, 0, rate)
                error = ended.std() / math.sqrt(tests)
                table.row("mean feeds, runs all as long as further", ended.mean(), mean, error)


def with_screens(table, tests):
    """Whole towers of ten bins: misses, doubles and the screens of their bins."""
    rates = ((3e-5, 1e-4), (1.5e-5, 5e-5))
    for name, shares in (
        ("ten equal bins", np.full(10, 0.1)),
        ("ten unequal bins", np.arange(1, 11) / 55),
    ):
        feeds = 25_000 * np.arange(1, 25)
        kinds = []
        for good, bad in rates:
            test = looks(sequential_plan(Asked(good, bad, 0.02)), feeds.tolist())
            fails = failing_counts(feeds[:, None] * shares, good, each_risk(0.01, 20))
            kinds.append(Screened(test, feeds, np.tile(shares, (len(feeds), 1)), fails))
        table.heading(f"Tower of {name}, runs of 25,000 feeds, screens at 1 %")
        for which, case, most in (
            ("fails, both kinds good", (3e-5, 1.5e-5), 0.05),
            ("passes, misses bad", (1e-4, 1.5e-5), 0.10),
            ("passes, doubles bad", (3e-5, 5e-5), 0.10),
        ):
            chance = chance_to_pass(kinds, case)
            found = passed_with_screens(kinds, case, tests=tests, seed=90).mean()
            good = which.startswith("fails")
            found, chance = (1 - found, 1 - chance) if good else (found, chance)
            table.row(which, found, chance, _share_error(chance, tests), most)


def main(arguments=None):
    """Print the tables; 1 where anything is off."""
    parser = argparse.ArgumentParser(prog="python -m tests.slow.acceptance_plans")
    parser.add_argument("--tests", type=int, default=100_000, help="simulated tests of each plan")
    tests = parser.parse_args(arguments).tests
    table = Table()
    plans(table, tests)
    drawn_plans(table, tests)
    at_run_ends(table, tests)
    with_screens(table, tests)
    print(f"\n{table.off or 'None'} off.")
    return 1 if table.off else 0


if __name__ == "__main__":
    sys.exit(main())
