"""What was counted in a burn-in, attempt by attempt and stretch by stretch?

The lines of a burn-in (`analysis.proofs` says which these are), as stored or as typed at the tower,
put in order and added up.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.proofs import Change, Proof
from analysis.words import many

#: Kinds of fault that a burn-in is judged by.
PROVED = ("misses", "doubles")


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
                        f"batch {number} has a fault in bin {place}; the tower has "
                        f"{many(bins, 'bin')}"
                    )
        for place, counted in lines.items():
            if sum(counted) > batch.cycles:
                raise BatchError(
                    f"batch {number} has {many(sum(counted), 'fault')} of bin {place} in "
                    f"{many(batch.cycles, 'cycle')}; correct whichever is wrong"
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
