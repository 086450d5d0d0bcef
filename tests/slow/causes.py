"""How often is the right cause named first, and how often a false one?

Fleets of `tests.fleets` are drawn without any trouble, and one trouble is put into a tower of each:
faults of the rows that it would have hit are drawn again as often as it says. What is asked at the
log's end is what `feedtally causes` would answer. Told are, for each kind of trouble with a ratio
of 3 or more and 80 faults or more in its stream, how often the right cause comes first and among
the first three; and of smaller ratios, of troubles that no cause stands for, of two at once and of
faults that were logged in a wrong bin, how often a cause is named that is not there. Streams
without any trouble say how often *bad luck* or *cannot tell* comes first.

    python -m tests.slow.causes --fleets 20 --seed 0

takes about half an hour on two processors; `--only worn-brush,static` does some.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.ages import ages, placed
from analysis.causes import BAD_LUCK, CANNOT_TELL, Causes, causes
from analysis.conditions import conditions
from analysis.counts import Account
from analysis.judged import judged
from analysis.patterns import known_patterns
from analysis.service_log import Service
from analysis.sums import SUMMED
from analysis.tower_rows import rows_of
from analysis.tower_spreads import spreads
from tests import fleets
from tests.fleets import Fleet, fleet
from tests.slow.drift import SETTINGS, counted

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

DAYS = 450
TOWER = "T2"
RATIO, SMALL = 3.2, 1.6
VARIANCE = 0.1


@dataclass(frozen=True)
class Stream:
    """Rows of a fleet as a trouble is put into them."""

    table: pa.Table
    services: list[dict[str, object]]
    rng: np.random.Generator

    def text(self, name: str) -> NDArray[np.object_]:
        return np.array([v or "" for v in self.table[name].to_pylist()], dtype=object)

    @property
    def started(self) -> NDArray[np.datetime64]:
        return np.asarray(self.table["first"].to_numpy().astype("datetime64[us]"))

    def here(self, bin_: int | None) -> Flags:
        mine = self.text("of_tower") == TOWER
        return mine if bin_ is None else mine & (self.table["bin"].to_numpy() == bin_)

    def paper(self, test: Callable[[fleets.Paper], bool]) -> Flags:
        codes = [paper.code for paper in fleets.PAPERS if test(paper)]
        return np.isin(self.text("stock"), codes)

    def day(self, low: float, high: float) -> np.datetime64:
        first = self.started.min()
        return first + np.timedelta64(int(self.rng.uniform(low, high) * DAYS), "D")

    def more(self, kind: str, ratio: Array) -> Stream:
        """Draw the faults that so many times as many as are truly expected add."""
        true = self.table[f"true_{kind}"].to_numpy()
        _, run = np.unique(self.text("of_run") + self.text("of_tower"), return_inverse=True)
        luck = self.rng.gamma(1 / VARIANCE, VARIANCE, int(run.max()) + 1)[run]
        added = self.rng.poisson(true * (ratio - 1) * luck)
        return self.with_column(kind, self.table[kind].to_numpy() + added)

    def with_column(self, name: str, values: object) -> Stream:
        place = self.table.column_names.index(name)
        return replace(self, table=self.table.set_column(place, name, pa.array(values)))


Planted = Callable[[Stream, int, float], Stream]


@dataclass(frozen=True)
class Trouble:
    """One kind of trouble.

    Attributes
    ----------
    kind : str
    names : tuple of str
        Causes that are right.
    bins : str
        ``one``: it is asked of a bin; ``every``: of the tower.
    plant : callable
        Puts it into rows: stream, bin, ratio.
    clear : bool
        Whether the right cause is to be named.
    ratio : float
    static : float
        Ratio of static in the fleet; 1 for none.
    """

    kind: str
    names: tuple[str, ...]
    bins: str
    plant: Planted
    clear: bool = True
    ratio: float = RATIO
    static: float = 1.0
    moves: bool = False


def _aged(stream: Stream, bin_: int, part: str, per: float) -> Array:
    """Return how old a part of a bin is in each row, as a share of `per` feeds."""
    done = [r for r in stream.services if r["tower"] == TOWER and r["bin"] == bin_]
    done = [r for r in done if r["part"] == part]
    fed = stream.table["feeds"].to_numpy().astype(float)
    here = stream.here(bin_)
    order = np.argsort(stream.started[here], kind="stable")
    out = np.zeros(here.size)
    rows = np.flatnonzero(here)[order]
    age = 0.0
    events = sorted(np.datetime64(r["when"]) for r in done)  # type: ignore[call-overload]
    for row in rows:
        while events and events[0] <= stream.started[row]:
            events.pop(0)
            age = 0.0
        out[row] = (age + fed[row] / 2) / per
        age += fed[row]
    return out


def _kept(stream: Stream, bin_: int, part: str) -> Stream:
    """Leave out the replacements of a part, so that it wears to the end of the log."""
    services = [
        r
        for r in stream.services
        if not (r["tower"] == TOWER and r["bin"] == bin_ and r["part"] == part)
        or r["when"] == min(s["when"] for s in stream.services)  # type: ignore[type-var]
    ]
    return replace(stream, services=services)


def _worn(part: str, kind: str) -> Planted:
    def plant(stream: Stream, bin_: int, ratio: float) -> Stream:
        stream = _kept(stream, bin_, part)
        share = _aged(stream, bin_, part, 1.0)
        # As much at the end as asked on average over the last third.
        share = share / share.max()
        return stream.more(kind, np.where(stream.here(bin_), (1.25 * ratio) ** share, 1.0))

    return plant


def _at_once(kind: str, bins: str, paper: Callable[[fleets.Paper], bool] | None = None) -> Planted:
    def plant(stream: Stream, bin_: int, ratio: float) -> Stream:
        hit = stream.here(bin_ if bins == "one" else None) & (
            stream.started >= stream.day(0.4, 0.7)
        )
        if paper is not None:
            hit &= stream.paper(paper)
        return stream.more(kind, np.where(hit, ratio, 1.0))

    return plant


def _little_by_little(kind: str, bins: str) -> Planted:
    def plant(stream: Stream, bin_: int, ratio: float) -> Stream:
        passed = (stream.started - stream.day(0.3, 0.6)) / np.timedelta64(1, "D")
        share = np.clip(passed / stream.rng.uniform(60, 120), 0, 1)
        hit = stream.here(bin_ if bins == "one" else None)
        return stream.more(kind, np.where(hit, ratio**share, 1.0))

    return plant


def _pump(stream: Stream, bin_: int, ratio: float) -> Stream:
    first = min(r["when"] for r in stream.services)  # type: ignore[type-var]
    fitted = [
        {"when": first, "tower": name, "bin": None, "of_tower": True, "part": part}
        | {"action": "fitted", "reason": "planned"}
        for name in ("T1", TOWER, "T3")
        for part in ("pump", "filter")
    ]
    stream = replace(stream, services=[*stream.services, *fitted])
    passed = (stream.started - stream.started.min()) / np.timedelta64(1, "D")
    return stream.more(
        "misses", np.where(stream.here(None), (1.25 * ratio) ** (passed / DAYS), 1.0)
    )


def _serviced(stream: Stream, bin_: int, ratio: float) -> Stream:
    when = stream.day(0.4, 0.7)
    done = {"when": when.astype("datetime64[us]").item(), "tower": TOWER, "bin": bin_}
    done |= {"of_tower": False, "part": "suction foot", "action": "adjusted", "reason": ""}
    stream = replace(stream, services=[*stream.services, done])
    return stream.more("misses", np.where(stream.here(bin_) & (stream.started >= when), ratio, 1.0))


def _moved(stream: Stream, bin_: int, ratio: float) -> Stream:
    hit = stream.here(bin_) & (stream.started >= stream.day(0.4, 0.7))
    stream = stream.with_column(
        "set_foot_rest", np.where(hit, "far in", stream.text("set_foot_rest"))
    )
    return stream.more("doubles", np.where(hit, ratio, 1.0))


def _too_much(stream: Stream, bin_: int, ratio: float) -> Stream:
    light = stream.here(None) & stream.paper(lambda p: p.grammage < 75)
    runs = stream.text("of_run")
    closed = light & np.array([hash(f"{run} closed") % 2 == 0 for run in runs])
    stream = stream.with_column(
        "set_bleed_holes", np.where(closed, "0", stream.text("set_bleed_holes"))
    )
    covered = set(runs[stream.here(None) & stream.paper(lambda p: p.grammage >= 200)])
    under = np.array([run in covered for run in runs])
    hit = light & under & (stream.text("set_bleed_holes") == "0")
    return stream.more("doubles", np.where(hit, ratio, 1.0))


def _left_open(stream: Stream, bin_: int, ratio: float) -> Stream:
    runs, at = np.unique(stream.text("of_run") + stream.text("of_tower"), return_inverse=True)
    pairs = np.unique(np.stack([at, stream.table["bin"].to_numpy()]), axis=1)
    fed = np.bincount(pairs[0], minlength=runs.size)
    hit = stream.here(None) & (fed[at] < 10)
    return stream.more("misses", np.where(hit, ratio, 1.0))


def _nothing(stream: Stream, bin_: int, ratio: float) -> Stream:
    return stream


def _wrong_bin(stream: Stream, bin_: int, ratio: float) -> Stream:
    """Put most faults of a worn brush down to the bin beside it, in the runs of one crew."""
    worn = _worn("brush", "doubles")(stream, bin_, ratio)
    table = worn.table
    doubles = table["doubles"].to_numpy().copy()
    number, tower, run = table["bin"].to_numpy(), worn.text("of_tower"), worn.text("of_run")
    stock = worn.text("stock")
    beside = {
        (r, s): row
        for row, (r, s) in enumerate(zip(run, stock, strict=True))
        if tower[row] == TOWER and number[row] == bin_ + 1
    }
    for row in np.flatnonzero(worn.here(bin_)):
        other = beside.get((run[row], stock[row]))
        if other is not None and hash(f"{run[row]} wrong") % 2 == 0:
            doubles[other] += doubles[row]
            doubles[row] = 0
    return worn.with_column("doubles", doubles)


def _both(*plants: Planted) -> Planted:
    def plant(stream: Stream, bin_: int, ratio: float) -> Stream:
        for one in plants:
            stream = one(stream, bin_, ratio)
        return stream

    return plant


HEAVY = "too little vacuum"
SHARED = "something that all bins share was moved or broke"
OUT, LEAK, BRUSH = "brush or foot out of place", "leaking suction foot", "worn brush"
PUMP, MOVED, SERVICED = (
    "pump or filter",
    "a setting that was moved",
    "what was done at the last service",
)


def _heavy(paper: fleets.Paper) -> bool:
    return paper.grammage >= 200 or paper.width * paper.height > 70_000


TROUBLES: dict[str, Trouble] = {
    "worn-brush": Trouble("doubles", (BRUSH,), "one", _worn("brush", "doubles")),
    "out-of-place": Trouble("doubles", (OUT,), "one", _at_once("doubles", "one")),
    "leaking-foot": Trouble("misses", (LEAK,), "one", _little_by_little("misses", "one")),
    "worn-foot": Trouble("misses", (LEAK,), "one", _worn("suction foot", "misses")),
    "service": Trouble("misses", (SERVICED,), "one", _serviced),
    "moved-setting": Trouble("doubles", (MOVED,), "one", _moved),
    "static": Trouble("doubles", ("static",), "every", _nothing, static=3.5),
    "too-much-vacuum": Trouble(
        "doubles", ("too much vacuum for light stock",), "every", _too_much, ratio=3.5
    ),
    "too-little-vacuum": Trouble("misses", (HEAVY,), "every", _at_once("misses", "every", _heavy)),
    "pump": Trouble("misses", (PUMP,), "every", _pump),
    "shared-at-once": Trouble("misses", (SHARED,), "every", _at_once("misses", "every")),
    "bin-left-open": Trouble("misses", ("a bin left open",), "every", _left_open),
    "this-paper": Trouble(
        "doubles",
        ("this paper",),
        "every",
        _at_once("doubles", "every", lambda p: p.code == "UO90"),
    ),
    # From here on it is enough that no false cause is named.
    "small-brush": Trouble(
        "doubles", (BRUSH,), "one", _worn("brush", "doubles"), clear=False, ratio=SMALL
    ),
    "small-foot": Trouble(
        "misses", (LEAK,), "one", _little_by_little("misses", "one"), clear=False, ratio=SMALL
    ),
    "small-step": Trouble(
        "doubles", (OUT,), "one", _at_once("doubles", "one"), clear=False, ratio=SMALL
    ),
    "unlogged-moves": Trouble("misses", (), "one", _nothing, clear=False, moves=True),
    "unlogged-moves-tower": Trouble(
        "misses", (SHARED,), "every", _nothing, clear=False, moves=True
    ),
    "unlogged-step": Trouble(
        "misses", (SHARED,), "every", _at_once("misses", "every"), clear=False, ratio=1.7
    ),
    "brush-and-static": Trouble(
        *("doubles", (BRUSH, "static"), "one", _worn("brush", "doubles")), clear=False, static=3.5
    ),
    "foot-and-pump": Trouble(
        *("misses", (LEAK, PUMP), "one", _both(_pump, _at_once("misses", "one"))), clear=False
    ),
    "wrong-bin": Trouble("doubles", (BRUSH, OUT), "one", _wrong_bin, clear=False),
    "beside-wrong-bin": Trouble("doubles", (), "beside", _wrong_bin, clear=False),
}


@dataclass(frozen=True)
class Answer:
    """What was answered of one stream."""

    trouble: str
    seed: int
    count: int
    ranked: tuple[str, ...]
    scores: tuple[float, ...]
    quiet: tuple[tuple[str, int | None, str], ...]


def answered(name: str, seed: int) -> Answer:
    """Draw a fleet, put a trouble into it, and ask."""
    trouble = TROUBLES[name]
    rng = np.random.default_rng((seed, sorted(TROUBLES).index(name)))
    fleets._STATIC_RATIO = trouble.static  # type: ignore[misc]
    drawn = fleet(
        seed * 1000 + sorted(TROUBLES).index(name),
        days=DAYS,
        wear=1.0,
        variance=VARIANCE,
        unlogged_moves=trouble.moves,
        under_counted=False,
    )
    services = _services(drawn)
    stream = Stream(counted(drawn), services, rng)
    bin_ = int(rng.integers(2, 10))
    stream = trouble.plant(stream, bin_, trouble.ratio)
    asked = {"one": bin_, "every": None, "beside": bin_ + 1}[trouble.bins]
    found = asked_of(stream, drawn, trouble.kind, asked)
    quiet = []
    for tower, number in (("T1", 3), ("T3", 8), ("T1", None), ("T3", None)):
        if trouble.static > 1 or (number is None and trouble.moves):
            continue
        other = asked_of(stream, drawn, trouble.kind, number, tower)
        quiet.append((tower, number, other.first.cause))
    return Answer(
        name,
        seed,
        found.observed,
        tuple(c.cause for c in found.causes),
        tuple(c.score for c in found.causes),
        tuple(quiet),
    )


_HELD: dict[int, object] = {}


def asked_of(
    stream: Stream, drawn: Fleet, kind: str, bin_: int | None, tower: str = TOWER
) -> Causes:
    """Answer for one stream as the program does."""
    key = id(stream.table)
    if key not in _HELD:
        _HELD.clear()
        account = Account(stream.table.num_rows, 0, 0, None, None)
        stocks = [
            {"stock": p.code, "grammage_gsm": p.grammage, "coating": p.coating}
            | {"printed_by": p.printed_by, "width_mm": p.width, "height_mm": p.height}
            for p in fleets.PAPERS
        ]
        table = stream.table
        fed = pa.table({"tower": table["of_tower"]} | {n: table[n] for n in table.column_names})
        fed = fed.group_by(["tower", "bin", "of_run"]).aggregate(
            [("feeds", "sum"), ("first", "min")]
        )
        fed = fed.rename_columns(["tower", "bin", "of_run", "feeds", "first"])
        old = placed(ages(fed, stream.services), fed, table)
        found = conditions(table, kind, account, stocks, SETTINGS, ages=old)
        whole = table.append_column("rows", pa.array(np.ones(table.num_rows, dtype=np.int64)))
        runs = whole.group_by(["of_tower", "of_run"]).aggregate(
            [*((n, "sum") for n in SUMMED), ("first", "min")]
        )
        runs = runs.rename_columns(["of_tower", "of_run", *SUMMED, "first"])
        ready = judged(table, found, spreads(runs, kind), old)
        done = [
            Service(
                *(r["when"], r["tower"], r["bin"], r["of_tower"], r["part"], r["action"])  # type: ignore[arg-type]
            )
            for r in stream.services
        ]
        _HELD[key] = (table, ready, stocks, done, account)
    table, ready, stocks, done, account = _HELD[key]  # type: ignore[misc]
    rows = rows_of(tower, ready, table, stocks, done)
    return causes(rows, tower, bin_, kind, known_patterns(), account)


def _services(drawn: Fleet) -> list[dict[str, object]]:
    columns = {name: values.tolist() for name, values in drawn.services.items()}
    return [
        dict(zip(columns, cells, strict=True)) | {"of_tower": False}
        for cells in zip(*columns.values(), strict=True)
    ]


def _class(names: Sequence[str]) -> set[str]:
    """Return causes and those of their families, which only a look tells apart."""
    families = {p.family for p in known_patterns() if p.name in names and p.family}
    return {*names, *(p.name for p in known_patterns() if p.family in families)}


def report(found: Sequence[Answer]) -> None:
    """Print what came of each trouble."""
    luck = (BAD_LUCK, CANNOT_TELL)
    for name, trouble in TROUBLES.items():
        mine = [a for a in found if a.trouble == name]
        if not mine:
            continue
        some = [a for a in mine if a.count >= 80] if trouble.clear else mine
        right = _class(trouble.names)
        first = sum(a.ranked[0] in right for a in some)
        exact = sum(a.ranked[0] in trouble.names for a in some)
        three = sum(any(c in right for c in a.ranked[:3]) for a in some)
        false = sum(a.ranked[0] not in (*right, *luck) for a in some)
        other = sorted({a.ranked[0] for a in some} - right)
        middle = np.median([a.count for a in mine])
        print(
            f"{name:22} {len(some):3} of {len(mine):3}: right class first {first:3} (by name "
            f"{exact:3}), among three {three:3}, false {false:3}; faults {middle:.0f}; {other}",
            flush=True,
        )
    quiet = [one for a in found for one in a.quiet]
    calm = sum(cause in luck for _, _, cause in quiet)
    wrong = sorted({cause for _, _, cause in quiet} - set(luck))
    print(f"no cause: bad luck or cannot tell first {calm} of {len(quiet)}; {wrong}")
    towers = [cause for _, number, cause in quiet if number is None]
    print(f"  of towers: {sum(c in luck for c in towers)} of {len(towers)}")


def _one(job: tuple[str, int]) -> Answer:
    return answered(*job)


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw, ask and report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--fleets", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    options = parser.parse_args(arguments)
    names = options.only.split(",") if options.only else list(TROUBLES)
    jobs = [(name, options.seed + n) for name in names for n in range(options.fleets)]
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("PYTHONHASHSEED", "0")
    with ProcessPoolExecutor(options.workers, get_context("spawn")) as pool:
        found = list(pool.map(_one, jobs))
    report(found)
    return 0


if __name__ == "__main__":
    sys.exit(main())
