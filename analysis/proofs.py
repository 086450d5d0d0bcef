"""Which runs are a tower's burn-in, and where did it begin anew?

A burn-in, or proof, is the runs made on purpose to prove a new or overhauled tower. It goes by its
name; burn-in lines without one belong together from one overhaul to the next. What it proves holds
for the tower as it then stood, so a service or a moved setting within it starts it anew: what came
before is an attempt that was abandoned, and only what came after counts. The latest burn-in is the
tower's benchmark.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from analysis.service_log import Service
from analysis.words import called


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
    services: Iterable[Service], moves: Iterable[Mapping[str, object]]
) -> dict[str, list[Change]]:
    """Gather by tower what starts a burn-in anew.

    Parameters
    ----------
    services : iterable of Service
        Of the service log; neither an inspection nor an exchange of piles changes the tower.
    moves : iterable of mapping
        Setting moves within burn-in lines, as `analysis.counts.LogScan.setting_moves` has them.
    """
    found: dict[str, list[Change]] = {}
    for one in services:
        if one.changed:
            what = one.words if one.bin is None else f"bin {one.bin} {one.words}"
            change = Change(one.when, what, one.action == "overhauled")
            found.setdefault(one.tower, []).append(change)
    for row in moves:
        when, since = row["when"], row["since"]
        assert isinstance(when, dt.datetime) and isinstance(since, dt.datetime)
        name = called(str(row["setting"]))
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
