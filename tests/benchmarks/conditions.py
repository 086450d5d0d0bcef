"""What paper, air and settings do, of a large works: time and memory, and a formula GLM beside it.

Run as ``python -m tests.benchmarks.conditions [--rows ROWS] [--small]``. The logs of a fleet of 60
towers over two years are taken in; `answers.conditions` is then asked once for each kind, each time
in a process of its own, so that time and memory are those of somebody who asks the first time. Rows
are lines of the log; the regression rests on bins of production runs, about half of them.

Beside it stands the formula interface of statsmodels, on as many rows as it finishes in reasonable
time: levels of bins, stocks and settings, splines over humidity. Both sides have the same table of
counts and run in this process, one after the other, warm, on one thread of linear algebra; medians
and their ratio are printed, and how far apart both see an effect that neither shrinks by much. Ours
does more: a term for each week of each tower, strengths of ridges, clusters.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analysis import answers, taking_in
from analysis.conditions import Conditions, conditions
from analysis.conditions_levels import COLUMNS
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.store import Store
from tests.fleets import KINDS, fleet

if TYPE_CHECKING:
    import pandas as pd

FILES = ("towers.csv", "stocks.csv", "services.csv", "runs.csv")
TOWERS, DAYS = 60, 730

#: Lines of the log on which both sides are compared: the same towers and bins, as many weeks as a
#: formula finishes in reasonable time. Humidity is always logged there, since a formula leaves out
#: rows without it.
BOTH, BOTH_DAYS = 32_000, 28

#: Lines of a run of ten bins, and days of the week that are worked, as a share.
_LINES_A_RUN, _WORKED = 21.0, (5 + 1 / 3) / 7


def stored(
    folder: Path, rows: int, towers: int, days: int = DAYS, *, humidity_missing: float = 0.4
) -> Path:
    """Draw a fleet with about so many lines of the log, and take its logs into a store."""
    often = rows / (_LINES_A_RUN * towers * days * _WORKED)
    drawn = fleet(
        7, towers=towers, days=days, runs_per_day=often, humidity_missing=humidity_missing
    )
    drawn.write(folder)
    begin = time.perf_counter()
    taking_in.add(folder / "store", [folder / name for name in FILES])
    lines = len(drawn.runs["run"])
    print(f"{lines:,} lines of {towers} towers taken in, {time.perf_counter() - begin:.1f} s")
    return folder / "store"


def _peak() -> float:
    """Return the most memory that this program has had, in megabytes."""
    status = Path("/proc/self/status")
    if status.exists():
        # What Linux says otherwise holds that of the process which started this one.
        (line,) = (line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) * 1024 / 1e6
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6


def asked(store: Path, kind: str) -> dict[str, float]:
    """Ask for one kind, and say what it took."""
    before, begin, busy = _peak(), time.perf_counter(), time.process_time()
    scan = LogScan(Store(store).snapshot())
    found = answers.conditions(scan, Filters(kind=kind))
    took, worked = time.perf_counter() - begin, time.process_time() - busy
    most = _peak()
    fit = found.model.fit
    if not fit.converged:
        raise AssertionError(f"the fit of {kind} did not converge: {fit.score}")
    return {
        "seconds": took,
        "of processors": worked,
        "megabytes": most,
        "before": before,
        "rows": _used(_counted(scan, kind), kind).num_rows,
        "faults": found.count,
        "coefficients": fit.coefficients.size,
        "periods": fit.periods.size,
        "steps": fit.steps,
    }


def _in_a_process(store: Path, kind: str) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.conditions", "--ask", str(store), kind],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise AssertionError(done.stderr)
    said: dict[str, float] = json.loads(done.stdout)
    return said


def _counted(scan: LogScan, kind: str) -> pa.Table:
    """Return the counts that the answer is made of."""
    filters = Filters(kind=kind).holding("purpose", "production")
    return scan.by_run((*COLUMNS, *scan.logged_settings(filters)), filters)


def _used(counts: pa.Table, kind: str) -> pa.Table:
    """Return the rows that ours rests on."""
    return counts.filter(
        pc.and_(pc.greater(counts[f"feeds_{kind}"], 0), pc.is_valid(counts["bin"]))
    )


def _frame(counts: pa.Table, stocks: list[dict[str, object]], kind: str) -> pd.DataFrame:
    """Return the rows that ours rests on, as a formula wants them."""
    frame = _used(counts, kind).to_pandas()
    printed = {row["stock"]: row["printed_by"] for row in stocks}
    frame["place"] = frame["of_tower"] + " " + frame["bin"].astype(str)
    frame["toner"] = (frame["stock"].map(printed) == "toner").astype(float)
    named = [name for name in frame if name.startswith("set_") or name == "prepared"]
    frame[named] = frame[named].fillna("not logged").replace("", "not logged")
    return frame


def _formula(frame: pd.DataFrame, kind: str) -> str:
    terms = ["C(place)", "C(stock)", "bs(humidity_pct, df=6)", "bs(humidity_pct, df=6):toner"]
    terms += ["temperature_c"]
    terms += [f"C({name})" for name in frame if name.startswith("set_") or name == "prepared"]
    return f"{kind} ~ {' + '.join(terms)}"


def _timed(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def beside(rows: int, towers: int, rounds: int, kind: str = "misses") -> float:
    """Print medians of both sides on the same rows; return theirs over ours."""
    import statsmodels.api as sm
    import statsmodels.formula.api as smf
    from threadpoolctl import threadpool_limits

    with tempfile.TemporaryDirectory() as scratch:
        store = stored(Path(scratch), rows, towers, BOTH_DAYS, humidity_missing=0)
        scan = LogScan(Store(store).snapshot())
        filters = Filters(kind=kind).holding("purpose", "production")
        settings, counts = scan.logged_settings(filters), _counted(scan, kind)
        stocks, account = scan.list_rows("stocks"), scan.account(filters)
    frame = _frame(counts, stocks, kind)
    formula, offset = _formula(frame, kind), np.log(frame[f"feeds_{kind}"].to_numpy())

    def ours() -> Conditions:
        return conditions(counts, kind, account, stocks, settings)

    def theirs() -> object:
        # One thread, as ours has: several wait for one another, and tenfold on a busy machine.
        with warnings.catch_warnings(), threadpool_limits(1, "blas"):
            # A level without a fault runs away, which it says.
            warnings.simplefilter("ignore")
            family = sm.families.Poisson()
            return smf.glm(formula, frame, family=family, offset=offset).fit()

    found, other = ours(), theirs()
    (spring,) = (e for e in found.effects if e.term == "set_spring" and e.level in ("on", "off"))
    mine = float(np.log(spring.ratio)) * (1 if spring.base == "off" else -1)
    params = other.params  # type: ignore[attr-defined]
    base = params.get("C(set_spring)[T.off]", 0.0)
    its = float(params["C(set_spring)[T.on]"] - base)
    error = float(np.log(spring.high / spring.low) / 2 / 1.96)
    if abs(mine - its) > error:
        raise AssertionError(f"the spring's ratio is {np.exp(mine)}, statsmodels' {np.exp(its)}")
    turns = [(_timed(ours), _timed(theirs)) for _ in range(rounds)]
    own, its_time = (statistics.median(side) for side in zip(*turns, strict=True))
    width = len(params)
    fit = found.model.fit
    print(f"{len(frame):,} rows of {towers} towers, {kind}, median of {rounds}")
    print(f"  statsmodels   {its_time:7.2f} s   {width} coefficients")
    print(
        f"  conditions    {own:7.2f} s   {fit.coefficients.size} coefficients and "
        f"{fit.periods.size} weeks of a tower"
    )
    print(f"  ratio         {own / its_time:7.3f}   ({its_time / own:.1f} times as fast)")
    print(
        f"  spring on over off: {np.exp(mine):.3f}, statsmodels {np.exp(its):.3f}, apart "
        f"{abs(mine - its) / error:.2f} standard errors"
    )
    return float(its_time / own)


def main(rows: int = 850_000, towers: int = TOWERS, both: int = BOTH, rounds: int = 1) -> None:
    """Print time and memory of each kind, then both sides on the same rows."""
    with tempfile.TemporaryDirectory() as scratch:
        store = stored(Path(scratch), rows, towers)
        for kind in KINDS:
            took = _in_a_process(store, kind)
            print(
                f"{kind:8} {took['seconds']:6.2f} s ({took['of processors']:.2f} s of processors), "
                f"{took['megabytes']:,.0f} MB at most ({took['before']:,.0f} MB before): "
                f"{took['rows']:,} rows, {took['faults']:,} faults, {took['coefficients']:,} "
                f"coefficients, {took['periods']:,} weeks of a tower, {took['steps']} steps",
                flush=True,
            )
    beside(both, towers, rounds)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rows", type=int, default=850_000)
    parser.add_argument("--small", action="store_true", help="a few rows, to keep it alive")
    parser.add_argument("--ask", nargs=2, metavar=("STORE", "KIND"), help=argparse.SUPPRESS)
    words = parser.parse_args()
    if words.ask:
        print(json.dumps(asked(Path(words.ask[0]), words.ask[1])))
    elif words.small:
        main(20_000, towers=3, both=4_000, rounds=1)
    else:
        main(words.rows)
