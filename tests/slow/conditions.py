"""How often do the ranges of `feedtally conditions` hold what is true of simulated works?

Fleets of `tests.fleets` are written as logs, taken in by the program and asked what paper, air and
settings do; each effect that is found is held against the truth that the fleet was drawn from. An
effect is *judged* where it has a fault in at least half of the fleets: its 95 % ranges are to hold
the truth in 90 to 99 % of them, unless chance explains what is missing, and all of the judged
together in 93 to 97 %.

    python -m tests.slow.conditions --fleets 200 --seed 0

takes about ten minutes on two processors.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from scipy.special import ndtri
from scipy.stats import binom

from analysis import answers, taking_in
from analysis.conditions import Conditions
from analysis.conditions_levels import NOT_LOGGED, TONER
from analysis.conditions_told import Effect
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.store import Store
from tests.fleets import KINDS, Fleet, Truth, fleet

FILES = ("towers.csv", "stocks.csv", "services.csv", "runs.csv")
CONFIDENCE = 0.95

#: Coverage that one effect is to have, and all together.
EACH, TOGETHER = (0.90, 0.99), (0.93, 0.97)

#: What is outside has to be so with less than this chance, both ends together.
CHANCE = 0.001

#: Humidities at which the curve is judged, and from where on a reading is evidence for it.
JUDGED_AT = (30, 65)


@dataclass(frozen=True)
class Found:
    """One effect in one fleet, beside its truth.

    Attributes
    ----------
    kind : str
        Of fault.
    effect : str
        What is set beside what.
    faults : int
        What it rests on; of air, faults at such humidities or beyond.
    off, error : float
        Estimate less truth, as log ratios; its standard error.
    holds : bool
        Whether the range holds the truth.
    judged : bool
        Whether it is an effect to judge, and not a point of the curve for information.
    """

    kind: str
    effect: str
    faults: int
    off: float
    error: float
    holds: bool
    judged: bool = True


@dataclass(frozen=True)
class Checked:
    """What one fleet told: its effects, and the kinds whose fit did not converge."""

    seed: int
    found: tuple[Found, ...]
    not_converged: tuple[str, ...]


@dataclass(frozen=True)
class Line:
    """One effect over all fleets."""

    kind: str
    effect: str
    fleets: int
    faults: float
    bias: float
    sd: float
    error: float
    held: int
    judged: bool

    @property
    def coverage(self) -> float:
        return self.held / self.fleets

    @property
    def outside(self) -> bool:
        """Whether its coverage is beyond `EACH` and chance does not explain it (exact binomial)."""
        too_low = binom.cdf(self.held, self.fleets, EACH[0]) < CHANCE / 2
        too_high = binom.sf(self.held - 1, self.fleets, EACH[1]) < CHANCE / 2
        return bool(self.judged and (too_low or too_high))


def checked(seed: int) -> Checked:
    """Draw a fleet, take its logs in as anybody would, and hold every effect against its truth."""
    drawn = fleet(seed)
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        drawn.write(here)
        taking_in.add(here / "store", [here / name for name in FILES])
        scan = LogScan(Store(here / "store").snapshot())
        told = {
            kind: answers.conditions(scan, Filters(kind=kind), confidence=CONFIDENCE)
            for kind in KINDS
        }
    found: list[Found] = []
    for kind, result in told.items():
        found += _effects(kind, result, drawn.truth)
        found += _air(kind, result, drawn)
    failed = tuple(kind for kind in KINDS if not told[kind].model.fit.converged)
    return Checked(seed, tuple(found), failed)


def _effects(kind: str, result: Conditions, truth: Truth) -> Iterable[Found]:
    for effect in result.effects:
        if NOT_LOGGED in (effect.level, effect.base):
            continue
        level, base, low, high = effect.level, effect.base, effect.low, effect.high
        ratio = effect.ratio
        if level == truth.base.get(effect.term):
            # Where the other level has more feeds, the same comparison comes the other way round.
            level, base = base, level
            ratio, low, high = 1 / ratio, 1 / high, 1 / low
        true = _true(truth, kind, effect)
        if level != effect.level:
            true = 1 / true
        name = effect.term.removeprefix("set_").replace("_", " ")
        pair = "one more" if effect.base == 0 and effect.level == 1 else f"{level} / {base}"
        yield _found(kind, f"{name} {pair}", effect.count, ratio, low, high, true)


def _true(truth: Truth, kind: str, effect: Effect) -> float:
    """Return the true ratio of an effect's level to its base."""
    if effect.term == "temperature_c":
        return truth.temperature[kind]
    levels: Mapping[str, float] | float
    if effect.term == "stock":
        levels = truth.stock[kind]
    elif effect.term == "prepared":
        levels = truth.prepared[kind]
    else:
        levels = truth.setting[kind][effect.term]
    if not isinstance(levels, Mapping):
        return levels
    if effect.base == 0 and effect.level == 1:
        # Levels that are numbers: one more changes the rate as the first two differ.
        first, second = list(levels.values())[:2]
        return second / first
    return levels[str(effect.level)] / levels[str(effect.base)]


def _air(kind: str, result: Conditions, drawn: Fleet) -> Iterable[Found]:
    runs = drawn.runs
    printed = dict(zip(drawn.stocks["stock"], drawn.stocks["printed_by"], strict=True))
    toner = np.array([printed.get(stock) == TONER for stock in runs["stock"]])
    production, h = runs["purpose"] == "production", runs["humidity_pct"]
    for point in result.humidity_curve:
        at = point.humidity_pct
        if at % 5 or at == 50:
            continue
        paper = TONER if point.printed_by == TONER else "offset"
        true = float(drawn.truth.humidity(kind, paper, at))
        beyond = (h <= at) if at < 50 else (h >= at)
        there = production & beyond & (toner == (point.printed_by == TONER))
        faults = int(runs[kind][there].sum())
        name = f"air {point.printed_by} {at} / 50"
        low, high = point.low, point.high
        yield _found(kind, name, faults, point.ratio, low, high, true, judged=at in JUDGED_AT)


def _found(
    kind: str,
    effect: str,
    faults: int,
    ratio: float,
    low: float,
    high: float,
    true: float,
    *,
    judged: bool = True,
) -> Found:
    error = float(np.log(high / low) / 2 / ndtri(0.5 * (1 + CONFIDENCE)))
    off = float(np.log(ratio / true))
    return Found(kind, effect, faults, off, error, low <= true <= high, judged)


def lines(fleets: Sequence[Checked]) -> list[Line]:
    """Put the fleets together, an effect a line; `Line.judged` as this module says."""
    by_effect: dict[tuple[str, str], list[Found]] = defaultdict(list)
    for one in fleets:
        for found in one.found:
            by_effect[found.kind, found.effect].append(found)
    out = []
    for (kind, effect), all_found in sorted(by_effect.items()):
        off = np.array([found.off for found in all_found])
        enough = 2 * sum(found.faults > 0 for found in all_found) >= len(fleets)
        out.append(
            Line(
                kind=kind,
                effect=effect,
                fleets=len(all_found),
                faults=float(np.mean([found.faults for found in all_found])),
                bias=float(off.mean()),
                sd=float(off.std(ddof=1)) if off.size > 1 else float("nan"),
                error=float(np.mean([found.error for found in all_found])),
                held=sum(found.holds for found in all_found),
                judged=enough and all_found[0].judged,
            )
        )
    return out


def pooled(of: Sequence[Line]) -> float:
    """Return the share of all judged ranges that hold the truth."""
    judged = [line for line in of if line.judged]
    return sum(line.held for line in judged) / sum(line.fleets for line in judged)


def _table(of: Iterable[Line], *, judging: bool = True) -> None:
    print(f"{'':34}{'kind':8} fleets faults    bias      sd mean se  held")
    for line in of:
        # A cycle an hour more does little; four digits would all be zeros.
        scale = 400 if line.effect == "speed one more" else 1
        name = "speed 400 more" if scale > 1 else line.effect
        said = "  OUTSIDE" if line.outside else "" if line.judged else "  (not judged)"
        said = said if judging else ""
        print(
            f"{name:34}{line.kind:8} {line.fleets:6} {line.faults:6.0f} {scale * line.bias:+7.3f} "
            f"{scale * line.sd:7.3f} {scale * line.error:7.3f} {100 * line.coverage:5.1f}{said}"
        )


def report(fleets: Sequence[Checked]) -> bool:
    """Print the tables; return whether everything is as it should be."""
    found = lines(fleets)
    curve = [line for line in found if line.effect.startswith("air")]
    judged = [line for line in found if line not in curve or line.judged]
    print(f"{len(fleets)} fleets; log ratios, and per cent of the ranges that hold the truth")
    _table(judged)
    print("\nThe whole curve")
    _table(curve, judging=False)
    outside = [line for line in judged if line.outside]
    together = pooled(found)
    failed = [f"{one.seed} ({', '.join(one.not_converged)})" for one in fleets if one.not_converged]
    print(f"\npooled over what is judged: {100 * together:.2f} %")
    for kind in KINDS:
        print(f"  {kind}: {100 * pooled([line for line in found if line.kind == kind]):.2f} %")
    print(f"effects outside {100 * EACH[0]:.0f} to {100 * EACH[1]:.0f} %: {len(outside)}")
    print(f"did not converge: {', '.join(failed) or 'none'}")
    return not outside and not failed and TOGETHER[0] <= together <= TOGETHER[1]


def main() -> int:
    """Print coverage of every effect; 1 where an effect, or all together, is outside."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--fleets", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0, help="of the first fleet")
    asked = parser.parse_args()
    seeds = range(asked.seed, asked.seed + asked.fleets)
    # Read by the workers, which start anew, as they import numpy.
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    done: list[Checked] = []
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for one in pool.map(checked, seeds):
            done.append(one)
            print(f"\r{len(done)} of {asked.fleets}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return 0 if report(done) else 1


if __name__ == "__main__":
    raise SystemExit(main())
