"""Which runs are a tower's burn-in, and where did it begin anew?

A burn-in, or proof, is the runs made on purpose to prove a new or overhauled tower. It goes by its
name; burn-in lines without one belong together from one overhaul to the next. What it proves holds
for the tower as it then stood, so a service or a moved setting within it starts it anew: what came
before is an attempt that was abandoned, and only what came after counts. The latest burn-in is the
tower's benchmark.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis import __version__
from analysis.log_format import SETTINGS
from analysis.plans import Asked, SequentialPlan, SinglePlan, sequential_plan, single_plan
from analysis.words import listed

#: Kinds of fault that a burn-in is judged by.
PROVED = ("misses", "doubles")


@dataclass(frozen=True)
class Change:
    """What starts a burn-in anew.

    Attributes
    ----------
    when : datetime
        Wall time.
    what : str
        In words: ``bin 4 brush fitted``, ``bin 3 vacuum moved from 5 to 6``.
    overhaul : bool
        Whether the tower was overhauled: burn-in lines without a name then begin a new burn-in.
    since : datetime or None
        Of a setting: when the last stretch with the old value started. A value that an earlier
        burn-in had is no move within this one.
    """

    when: dt.datetime
    what: str
    overhaul: bool = False
    since: dt.datetime | None = None


def changes_of(
    services: Iterable[Mapping[str, object]], moves: Iterable[Mapping[str, object]]
) -> dict[str, list[Change]]:
    """Gather by tower what starts a burn-in anew.

    Parameters
    ----------
    services : iterable of mapping
        Rows of the service log; an inspection changes nothing.
    moves : iterable of mapping
        Setting moves within burn-in lines, as `analysis.counts.LogScan.setting_moves` has them.
    """
    found: dict[str, list[Change]] = {}
    for row in services:
        when, action = row["when"], str(row["action"])
        if action != "inspected" and isinstance(when, dt.datetime):
            place = "" if row["bin"] is None else f"bin {row['bin']}"
            what = " ".join(filter(None, (place, str(row["part"] or ""), action)))
            change = Change(when.replace(tzinfo=None), what, action == "overhauled")
            found.setdefault(str(row["tower"]), []).append(change)
    for row in moves:
        when, since = row["when"], row["since"]
        assert isinstance(when, dt.datetime) and isinstance(since, dt.datetime)
        name = str(row["setting"]).removeprefix("set_").replace("_", " ")
        what = f"bin {row['bin']} {name} moved from {row['before']} to {row['after']}"
        found.setdefault(str(row["tower"]), []).append(Change(when, what, since=since))
    return {tower: sorted(some, key=lambda c: (c.when, c.what)) for tower, some in found.items()}


@dataclass(frozen=True)
class Proof:
    """One burn-in of a tower.

    Attributes
    ----------
    tower : str
        Its tower.
    name : str
        As logged; empty where it has none.
    begun : datetime
        When its very first stretch started; wall time.
    started, last : datetime
        When the first and the last stretch of its last attempt started. They are all of it, unless
        it was begun anew.
    counts : pyarrow.Table
        That attempt's part of the frame that was searched.
    changes : tuple of Change
        What started it anew, in order of time.
    near : tuple of Change
        What else was done on its days.
    """

    tower: str
    name: str
    begun: dt.datetime
    started: dt.datetime
    last: dt.datetime
    counts: pa.Table
    changes: tuple[Change, ...] = ()
    near: tuple[Change, ...] = ()

    def within(self, counts: pa.Table) -> Proof:
        """Return the same burn-in with those of its rows that are in another frame of counts."""
        rows = [
            row
            for row, (tower, name, begun) in enumerate(
                zip(
                    counts["of_tower"].to_pylist(),
                    counts["proof"].to_pylist(),
                    counts["first"].to_pylist(),
                    strict=True,
                )
            )
            if tower == self.tower
            and (name or "") == self.name
            and self.started <= begun <= self.last
        ]
        return replace(self, counts=counts.take(np.array(rows, np.int64)))


def proofs(counts: pa.Table, changes: Mapping[str, Sequence[Change]]) -> dict[str, list[Proof]]:
    """Find the burn-ins of each tower, in order of time.

    Parameters
    ----------
    counts : pyarrow.Table
        Burn-in counts, as `analysis.counts.LogScan.by_run` gives them with ``proof`` and
        ``stretch`` among the groups.
    changes : mapping of str to sequence of Change
        By tower, in order of time.

    Returns
    -------
    dict of str to list of Proof
        Towers without a burn-in are left out.
    """
    towers = counts["of_tower"].to_pylist()
    names = counts["proof"].to_pylist()
    started = counts["first"].to_pylist()
    groups: dict[tuple[str, str, int], list[int]] = {}
    for row, (tower, name, begin) in enumerate(zip(towers, names, started, strict=True)):
        # Lines without a name belong together between two overhauls.
        past = (c for c in changes.get(tower, ()) if c.overhaul and c.when <= begin)
        groups.setdefault((tower, name or "", 0 if name else sum(1 for _ in past)), []).append(row)
    found: dict[str, list[Proof]] = {}
    for (tower, name, _), rows in groups.items():
        times = [started[row] for row in rows]
        begun, last = min(times), max(times)
        inside = _within(changes.get(tower, ()), begun, last)
        since = max((change.when for change in inside), default=begun)
        kept = [row for row, time in zip(rows, times, strict=True) if time >= since]
        proof = Proof(
            tower=tower,
            name=name,
            begun=begun,
            started=min(started[row] for row in kept),
            last=last,
            counts=counts.take(np.array(kept, np.int64)),
            changes=tuple(inside),
            near=tuple(
                change
                for change in changes.get(tower, ())
                if change not in inside
                and change.since is None
                and begun.date() <= change.when.date() <= last.date() + dt.timedelta(days=1)
            ),
        )
        found.setdefault(tower, []).append(proof)
    for some in found.values():
        # A name that is used again long after is the latest, whatever came in between.
        some.sort(key=lambda proof: (proof.last, proof.begun))
    return found


def _within(changes: Sequence[Change], begun: dt.datetime, last: dt.datetime) -> list[Change]:
    return [
        change
        for change in changes
        if begun < change.when <= last and (change.since is None or change.since >= begun)
    ]


def latest(found: Mapping[str, Sequence[Proof]]) -> dict[str, Proof]:
    """Return each tower's latest burn-in."""
    return {tower: some[-1] for tower, some in found.items()}


@dataclass(frozen=True)
class KeptPlan:
    """A plan for one kind of fault of a coming burn-in, kept in the store before it begins.

    Attributes
    ----------
    tower, proof, kind : str
        What it is for.
    asked : Asked
        Rates and risks.
    sequential : bool
        Whether it looks on, or runs its feeds.
    max_feeds : int or None
        Most feeds of a sequential plan; None for the usual.
    stock : str
        On which it is to run; empty where that is not said.
    humidity : tuple of (float, float) or None
        In what air, in percent of relative humidity.
    kept_at : datetime
        With its offset.
    kept_wall : datetime
        The same by the clock at the tower, which the log goes by.
    rows_before : int
        Rows of that burn-in in the log by then.
    number : int
        Of the plan in the store; 0 before it is kept.
    version : str
        Of the program.
    """

    tower: str
    proof: str
    kind: str
    asked: Asked
    sequential: bool
    max_feeds: int | None
    stock: str
    humidity: tuple[float, float] | None
    kept_at: dt.datetime
    kept_wall: dt.datetime
    rows_before: int
    number: int = 0
    version: str = __version__

    def plan(self) -> SinglePlan | SequentialPlan:
        """Return the plan itself."""
        if self.sequential:
            return sequential_plan(self.asked, self.max_feeds)
        return single_plan(self.asked)

    def before(self, begun: dt.datetime) -> bool:
        """Tell whether it was kept before a burn-in that began then, and before any of its lines.

        Parameters
        ----------
        begun : datetime
            When the burn-in's first stretch started; wall time.
        """
        return not self.rows_before and self.kept_wall < begun


def chosen(
    plans: Sequence[KeptPlan], tower: str, proof: str, kind: str, begun: dt.datetime
) -> KeptPlan | None:
    """Return the plan that a burn-in is judged by; None where none was kept for it.

    The last that was kept before it began; where all came later, the first of them.
    """
    own = kept_for(plans, tower, proof, kind)
    before = [plan for plan in own if plan.before(begun)]
    return before[-1] if before else own[0] if own else None


def kept_for(plans: Sequence[KeptPlan], tower: str, proof: str, kind: str) -> list[KeptPlan]:
    """Return the plans that were kept for a kind of a burn-in, in order."""
    return [p for p in plans if (p.tower, p.proof, p.kind) == (tower, proof, kind)]


@dataclass(frozen=True)
class Attempt:
    """A part of a burn-in within which nothing was changed, stretch by stretch.

    Attributes
    ----------
    runs : tuple of str
        The run of each stretch, in order of time. A run with several stretches stands several
        times, perhaps with others in between: what is logged later moves nothing before it.
    started : tuple of datetime
        When each of them started; wall time.
    bins : tuple of int
        Bins that any line names, by number.
    feeds, counts : mapping of str to array, stretches x bins
        By kind of fault: feeds that were watched for it, and faults.
    unplaced : mapping of str to array, one per stretch
        Faults whose bin was not noted.
    unwatched : mapping of str to int
        Feeds that nothing watched for that kind.
    rows : tuple of mapping
        Its lines as stored.
    ended_by : Change or None
        What made it end and the next begin; None for the last.
    """

    runs: tuple[str, ...]
    started: tuple[dt.datetime, ...]
    bins: tuple[int, ...]
    feeds: Mapping[str, NDArray[np.int64]]
    counts: Mapping[str, NDArray[np.int64]]
    unplaced: Mapping[str, NDArray[np.int64]]
    unwatched: Mapping[str, int]
    rows: tuple[Mapping[str, object], ...]
    ended_by: Change | None = None

    @property
    def run_count(self) -> int:
        """How many runs, whatever their stretches."""
        return len(set(self.runs))

    def total_feeds(self, kind: str) -> int:
        """Return the feeds that were watched for a kind."""
        return int(self.feeds[kind].sum())

    def total(self, kind: str) -> int:
        """Return the faults of a kind, those without a bin included."""
        return int(self.counts[kind].sum() + self.unplaced[kind].sum())


@dataclass(frozen=True)
class BurnIn:
    """A burn-in with all its lines.

    Attributes
    ----------
    tower, name : str
        Its tower, and its name as logged; empty where it has none.
    begun, last : datetime
        When its very first and its last stretch started; wall time.
    attempts : tuple of Attempt
        In order of time; the last is what counts.
    listed_bins : int or None
        How many bins the tower has by the tower list.
    near : tuple of Change
        What was done on its days and started nothing anew.
    fingerprint : str
        SHA-256, in hexadecimal, of all of its lines.
    """

    tower: str
    name: str
    begun: dt.datetime
    last: dt.datetime
    attempts: tuple[Attempt, ...]
    listed_bins: int | None
    near: tuple[Change, ...]
    fingerprint: str


def burn_in(
    proof: Proof, rows: Iterable[Mapping[str, object]], listed_bins: int | None = None
) -> BurnIn:
    """Put the lines of a burn-in in order, attempt by attempt and run by run.

    Parameters
    ----------
    proof : Proof
        Which burn-in.
    rows : iterable of mapping
        Its rows by the columns of the log format, as stored, the site's own columns among them.
    listed_bins : int, optional
        How many bins the tower has by the tower list.
    """
    ordered = sorted(rows, key=_order)
    parts: list[list[Mapping[str, object]]] = [[]]
    closing: list[Change | None] = []
    ahead = list(proof.changes)
    for row in ordered:
        passed = [change for change in ahead if change.when <= _start(row)]
        ahead = ahead[len(passed) :]
        if passed and parts[-1]:
            parts.append([])
            closing.append(passed[-1])
        parts[-1].append(row)
    closing.append(None)
    return BurnIn(
        tower=proof.tower,
        name=proof.name,
        begun=proof.begun,
        last=proof.last,
        attempts=tuple(_attempt(p, c) for p, c in zip(parts, closing, strict=True) if p),
        listed_bins=listed_bins,
        near=proof.near,
        fingerprint=fingerprint(ordered),
    )


class BatchError(ValueError):
    """A typed batch that cannot be; the message says what to mend."""


@dataclass(frozen=True)
class Batch:
    """What was counted in a part of a burn-in, as it is typed at the tower.

    Attributes
    ----------
    cycles : int
        Of the tower.
    misses, doubles : tuple of (int or None)
        The bin of each fault; None where it was not noted.
    """

    cycles: int
    misses: tuple[int | None, ...] = ()
    doubles: tuple[int | None, ...] = ()


def typed_burn_in(
    tower: str, bins: int, batches: Sequence[Batch], begun: dt.datetime, name: str = ""
) -> BurnIn:
    """Make a burn-in of batches as they are typed, each of them a run.

    Parameters
    ----------
    tower, name : str
        Of the tower and the burn-in.
    bins : int
        How many bins the tower has; each feeds in every cycle.
    batches : sequence of Batch
        In order.
    begun : datetime
        When the first began; wall time.

    Raises
    ------
    BatchError
        For no batch, no cycles, a bin that the tower has not, and more faults of a bin than
        cycles.
    """
    if not batches:
        raise BatchError("no batch was typed; type its cycles and the bins that faulted")
    rows: list[dict[str, object]] = []
    for number, batch in enumerate(batches, 1):
        if batch.cycles < 1:
            raise BatchError(f"batch {number} has no cycles; type what the counter says")
        lines = {place: [0, 0] for place in range(1, bins + 1)}
        lost = [0, 0]
        for which, faults in enumerate((batch.misses, batch.doubles)):
            for place in faults:
                if place is None:
                    lost[which] += 1
                elif place in lines:
                    lines[place][which] += 1
                else:
                    raise BatchError(
                        f"batch {number} has a fault in bin {place}; the tower has {bins} bins"
                    )
        for place, counted in lines.items():
            if sum(counted) > batch.cycles:
                raise BatchError(
                    f"batch {number} has {sum(counted)} faults of bin {place} in {batch.cycles} "
                    "cycles; correct whichever is wrong"
                )
        cells: list[tuple[int | None, int | None, list[int]]] = [
            (place, batch.cycles, counted) for place, counted in lines.items()
        ]
        if any(lost):
            cells.append((None, None, lost))
        rows += [
            {
                "run": f"batch {number}",
                "stretch": 1,
                # Only their order counts.
                "started": begun + dt.timedelta(minutes=number - 1),
                "tower": tower,
                "bin": place,
                "cycles": cycles,
                "misses": counted[0],
                "doubles": counted[1],
            }
            for place, cycles, counted in cells
        ]
    last = begun + dt.timedelta(minutes=len(batches) - 1)
    nothing = pa.table({"first": pa.array([], pa.timestamp("us"))})
    return burn_in(Proof(tower, name, begun, begun, last, nothing), rows, bins)


def _start(row: Mapping[str, object]) -> dt.datetime:
    started = row["started"]
    assert isinstance(started, dt.datetime)
    return started.replace(tzinfo=None)


def _order(row: Mapping[str, object]) -> tuple[object, ...]:
    number = row["bin"]
    return (_start(row), str(row["run"]), row["stretch"] or 1, number is None, number or 0)


def _stretch(row: Mapping[str, object]) -> tuple[str, object]:
    return str(row["run"]), row["stretch"] or 1


def _attempt(rows: Sequence[Mapping[str, object]], ended_by: Change | None) -> Attempt:
    runs: dict[tuple[str, object], dt.datetime] = {}
    for row in rows:
        runs.setdefault(_stretch(row), _start(row))
    place = {stretch: number for number, stretch in enumerate(runs)}
    bins = sorted({int(str(row["bin"])) for row in rows if row["bin"] is not None})
    column = {number: place for place, number in enumerate(bins)}
    feeds = {kind: np.zeros((len(runs), len(bins)), np.int64) for kind in PROVED}
    counts = {kind: np.zeros((len(runs), len(bins)), np.int64) for kind in PROVED}
    unplaced = {kind: np.zeros(len(runs), np.int64) for kind in PROVED}
    unwatched = dict.fromkeys(PROVED, 0)
    for row in rows:
        at, number = place[_stretch(row)], row["bin"]
        cycles = int(str(row["cycles"] or 0))
        for kind in PROVED:
            count = row[kind]
            if count is None:
                unwatched[kind] += cycles
            elif number is None:
                unplaced[kind][at] += int(str(count))
            else:
                feeds[kind][at, column[int(str(number))]] += cycles
                counts[kind][at, column[int(str(number))]] += int(str(count))
    return Attempt(
        runs=tuple(run for run, _ in runs),
        started=tuple(runs.values()),
        bins=tuple(bins),
        feeds=feeds,
        counts=counts,
        unplaced=unplaced,
        unwatched=unwatched,
        rows=tuple(rows),
        ended_by=ended_by,
    )


def fingerprint(rows: Iterable[Mapping[str, object]]) -> str:
    """Return one number for some lines of the log: SHA-256, in hexadecimal.

    It stays the same wherever and in whatever order the lines were taken in, and changes with any
    cell of any of them.

    Parameters
    ----------
    rows : iterable of mapping
        Cells by column; empty ones do not count.
    """
    digest = hashlib.sha256()
    for row in sorted(rows, key=_order):
        cells = {name: _cell(value) for name, value in row.items() if value is not None}
        text = json.dumps(cells, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
        digest.update(text.encode() + b"\n")
    return digest.hexdigest()


def _cell(value: object) -> object:
    return value.replace(tzinfo=None).isoformat() if isinstance(value, dt.datetime) else value


@dataclass(frozen=True)
class Conditions:
    """On what, in what air and with what a burn-in ran, where it was logged.

    Attributes
    ----------
    stocks : tuple of (str, int)
        Each stock with its feeds, most first; an empty name where none was logged.
    lots : tuple of (str, int)
        Each lot with the runs that it fed: how often the same paper was run again.
    humidity, temperature : tuple of (float, float) or None
        Least and most.
    no_humidity : float
        Share of the feeds without a reading of the humidity.
    prepared, at_end : tuple of str
        What was done to the paper; what stood at the end of the line.
    settings : tuple of (str, tuple of str)
        Each setting that was logged with its values, ``set_speed`` among them.
    """

    stocks: tuple[tuple[str, int], ...]
    lots: tuple[tuple[str, int], ...]
    humidity: tuple[float, float] | None
    no_humidity: float
    temperature: tuple[float, float] | None
    prepared: tuple[str, ...]
    at_end: tuple[str, ...]
    settings: tuple[tuple[str, tuple[str, ...]], ...]

    def sentence(self) -> str:
        """Say on what, in what air and with what it ran."""
        stocks = [name or "stock not logged" for name, _ in self.stocks]
        parts = [f"Ran {listed(stocks)}" if stocks else "Ran nothing"]
        if self.prepared:
            parts.append(f"paper: {listed(self.prepared)}")
        if self.lots:
            again = [
                f"lot {lot} in {runs} {'run' if runs == 1 else 'runs'}" for lot, runs in self.lots
            ]
            parts.append(listed(again))
        parts.append(f"humidity {between(self.humidity, '%')}")
        parts.append(f"temperature {between(self.temperature, '°C')}")
        parts += [
            f"{name.removeprefix('set_').replace('_', ' ')} {listed(values)}"
            for name, values in self.settings
        ]
        parts.append(
            f"at the end of the line: {listed(self.at_end) if self.at_end else 'not logged'}"
        )
        return f"{'; '.join(parts)}."


def between(span: tuple[float, float] | None, unit: str) -> str:
    """Write least and most with their unit; say that nothing was logged where there is none."""
    if span is None:
        return "not logged"
    low, high = span
    return f"{low:g} {unit}" if low == high else f"{low:g} to {high:g} {unit}"


def conditions(attempt: Attempt) -> Conditions:
    """Say on what, in what air and with what an attempt ran."""
    rows = attempt.rows
    stocks: dict[str, int] = {}
    lots: dict[str, set[str]] = {}
    dry = 0
    for row in rows:
        cycles = int(str(row["cycles"] or 0))
        stock = str(row.get("stock") or "")
        stocks[stock] = stocks.get(stock, 0) + cycles
        if row.get("lot"):
            lots.setdefault(str(row["lot"]), set()).add(str(row["run"]))
        dry += cycles if row.get("humidity_pct") is None else 0
    feeds = sum(stocks.values())
    own = sorted({n for row in rows for n in row if n.startswith("set_")} - set(SETTINGS))
    settings = [(name, _values(rows, name)) for name in (*SETTINGS, *own)]
    return Conditions(
        stocks=tuple(sorted(stocks.items(), key=lambda pair: (-pair[1], pair[0]))),
        lots=tuple(sorted((lot, len(runs)) for lot, runs in lots.items())),
        humidity=_span(rows, "humidity_pct"),
        no_humidity=dry / feeds if feeds else 0.0,
        temperature=_span(rows, "temperature_c"),
        prepared=_values(rows, "prepared"),
        at_end=_values(rows, "at_end"),
        settings=tuple((name, values) for name, values in settings if values),
    )


def _span(rows: Sequence[Mapping[str, object]], name: str) -> tuple[float, float] | None:
    found = [float(str(row[name])) for row in rows if row.get(name) is not None]
    return (min(found), max(found)) if found else None


def _values(rows: Sequence[Mapping[str, object]], name: str) -> tuple[str, ...]:
    found = {str(row[name]) for row in rows if row.get(name) is not None}
    return tuple(sorted(found, key=lambda text: (len(text), text)))


@dataclass(frozen=True)
class Planted:
    """Faults put in on purpose, to see whether the detector calls them.

    Attributes
    ----------
    kind : str
        ``misses`` or ``doubles``.
    planted, called : int
        How many were put in, and how many of them were called.
    """

    kind: str
    planted: int
    called: int


def planted(attempt: Attempt) -> tuple[Planted, ...]:
    """Count the faults put in on purpose in an attempt; one entry for each kind."""
    return tuple(
        Planted(
            kind,
            sum(int(str(row.get(f"planted_{kind}") or 0)) for row in attempt.rows),
            sum(int(str(row.get(f"called_{kind}") or 0)) for row in attempt.rows),
        )
        for kind in PROVED
    )
