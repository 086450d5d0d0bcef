"""How often do simulated towers pass their burn-in, beside the exact chance?

Good towers, towers at the bad rate of one kind, and towers of which faults come in clusters, judged
as `feedtally judge` judges them, all screens included, to the end of each burn-in. For the first
two the share that passes must be within three standard errors of the exact chance; clusters have no
exact chance, and their share is printed to show what they do.

    python -m tests.slow.acceptance_towers --tests 2000
"""

from __future__ import annotations

import argparse
import datetime as dt
import math

import numpy as np

from analysis.acceptance import Judgement, judge
from analysis.burn_ins import PROVED, Batch, typed_burn_in
from analysis.chosen_plans import Chosen, choose
from analysis.counts import Account

GOOD = {"misses": 3e-5, "doubles": 1.5e-5}
BAD = {"misses": 1e-4, "doubles": 5e-5}
BINS = 10
_BEGUN = dt.datetime(2031, 1, 1)


def simulated(
    draw: np.random.Generator, rates: dict[str, float], cycles: int, clustered: float
) -> list[Batch]:
    """Return runs enough to settle any burn-in; with a variance, each run has a rate of its own."""
    batches = []
    for _ in range(math.ceil(1_600_000 / (cycles * BINS))):
        faults = {}
        for kind, rate in rates.items():
            own = draw.gamma(1 / clustered, clustered) if clustered else 1.0
            counts = draw.binomial(cycles, rate * own, BINS)
            faults[kind] = tuple(int(place) + 1 for place in np.repeat(np.arange(BINS), counts))
        batches.append(Batch(cycles, **faults))
    return batches


def judged(batches: list[Batch], plans: dict[str, Chosen]) -> Judgement:
    """Judge typed batches."""
    return judge(typed_burn_in("A", BINS, batches, _BEGUN), plans, Account(0, 0, 0, None, None))


def main() -> int:
    """Print shares beside chances; 1 where one is off by more than three standard errors."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=2000)
    tests = parser.parse_args().tests
    draw = np.random.default_rng(20310114)
    off = 0
    print(f"{tests} burn-ins each; passed / exact / standard errors apart; never settled")
    for cycles in (2_500, 7_500, 26_000):
        for single in (False, True):
            plans = {kind: choose(kind, single=single) for kind in PROVED}
            for name, rates in (
                ("good", GOOD),
                ("bad misses", {**GOOD, "misses": BAD["misses"]}),
                ("bad doubles", {**GOOD, "doubles": BAD["doubles"]}),
            ):
                found = [judged(simulated(draw, rates, cycles, 0), plans) for _ in range(tests)]
                passed = sum(j.verdict == "pass" for j in found) / tests
                left = sum(j.verdict == "go on" for j in found)
                bad = name.partition(" ")[2]
                exact = found[0].pass_at_bad[bad] if bad else 1 - found[0].producer_risk
                apart = (passed - exact) / math.sqrt(exact * (1 - exact) / tests)
                kept = exact <= 0.10 if bad else exact >= 0.95
                wrong = abs(apart) > 3 or left > 0 or not kept
                off += wrong
                plan = "single" if single else "sequential"
                print(
                    f"{cycles:6} cycles a run, {plan:10} {name:12} {passed:.4f} / {exact:.4f} / "
                    f"{apart:+.2f}; {left}{'  OFF' if wrong else ''}",
                    flush=True,
                )
    plans = {kind: choose(kind) for kind in PROVED}
    for variance in (0.1, 0.3, 1.0):
        found = [judged(simulated(draw, GOOD, 2_500, variance), plans) for _ in range(tests)]
        passed = sum(j.verdict == "pass" for j in found) / tests
        print(f"good, clusters of variance {variance}: {passed:.4f} pass")
    print("None off." if not off else f"{off} off.")
    return 1 if off else 0


if __name__ == "__main__":
    raise SystemExit(main())
