"""What was there in each run of each bin, beside what was to be expected of it?

The rows that questions about parts, services and causes look at: how many faults there were, and
how many there would have been on that paper, in that air, at those settings, by all that the log
says of them (`analysis.conditions`). What a bin has of its own, how old its parts were, and what
went on in some week of a tower are not in what is expected: that is what is asked about.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.ages import Ages
from analysis.conditions import Conditions
from analysis.conditions_levels import Rows
from analysis.conditions_model import Model
from analysis.counts import Account
from analysis.spread import Spread

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Judged:
    """Rows of a scan beside what was to be expected of them; one kind of fault.

    Attributes
    ----------
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    places : tuple of (str, int)
        Towers and their bins, sorted.
    place : int array
        Of each row, its place in `places`.
    run : int array
        Of each row, the number of its run (of one tower), from 0.
    started : datetime64[us] array
        When that run began; wall time.
    feeds, faults : float array
        Watched for that kind, in a known bin.
    expected : float array
        Faults to be expected of an ordinary bin of the same tower: paper, air and settings; neither
        the bin's own level, nor the age of parts, nor the week.
    level : float array
        Of each place: how many times the faults of an ordinary bin of its tower it has, by the
        whole log, drawn to 1 as far as it has few.
    between_bins, between_weeks : float
        Squared coefficient of variation of the rate between bins of a tower, and of what went on
        in some weeks of a tower and was not logged.
    variance : mapping of str to float
        By tower, squared coefficient of variation of the rate between runs.
    parts : tuple of str
        Parts whose age is known somewhere; see `analysis.ages.Ages`.
    of_tower : tuple of bool
        Of each part, whether it is one of the tower as a whole.
    effects : mapping of str to float array
        What each thing adds to the log of what is expected, by the log's column: ``air`` is all
        of what air does, ``static`` the part of it that only toner-printed paper has.
    ages : float array, parts by rows
        Feeds of the bin (cycles of the tower) since the part was fitted; NaN where unknown.
    kept : int array
        Which rows of the scan these are.
    account : Account
        Of the rows asked for.
    """

    kind: str
    places: tuple[tuple[str, int], ...]
    place: IntArray
    run: IntArray
    started: NDArray[np.datetime64]
    feeds: FloatArray
    faults: FloatArray
    expected: FloatArray
    level: FloatArray
    between_bins: float
    between_weeks: float
    variance: Mapping[str, float]
    parts: tuple[str, ...]
    of_tower: tuple[bool, ...]
    effects: Mapping[str, FloatArray]
    ages: FloatArray
    kept: IntArray
    account: Account

    def of(self, some: BoolArray) -> Judged:
        """Return some of the rows; places stay as they are."""
        return replace(
            self,
            place=self.place[some],
            run=self.run[some],
            started=self.started[some],
            feeds=self.feeds[some],
            faults=self.faults[some],
            expected=self.expected[some],
            effects={name: effect[some] for name, effect in self.effects.items()},
            ages=self.ages[:, some],
            kept=self.kept[some],
        )


def judged(
    counts: pa.Table,
    conditions: Conditions,
    spread: Mapping[str, Spread],
    ages: Ages | None = None,
) -> Judged:
    """Set rows of a scan beside what was to be expected of them.

    Parameters
    ----------
    counts : pyarrow.Table
        By run, grouped by the columns that `conditions` was fitted on; see
        `analysis.counts.LogScan.by_run`.
    conditions : Conditions
        Of a log that holds these rows.
    spread : mapping of str to Spread
        By tower, how much runs differ beyond chance.
    ages : Ages, optional
        Of parts, in the rows of `counts`.
    """
    model = conditions.model
    rows = model.rows(counts, ages)
    parts = model.effects_of(rows)
    log = model.fit.coefficients[0] + parts["mix"] + parts["air"] + parts["settings"]
    log = log + model.effect_of("tower", rows)
    towers = counts["of_tower"].to_pylist()
    bins = counts["bin"].to_pylist()
    here = [(str(towers[row]), int(bins[row])) for row in rows.kept.tolist()]
    places = tuple(sorted(set(here)))
    index = {place: number for number, place in enumerate(places)}
    place = np.array([index[one] for one in here], dtype=np.int64)
    bin_effect = np.zeros(len(places))
    bin_effect[place] = model.effect_of("bin", rows)
    started = counts["first"].to_numpy().astype("datetime64[us]")[rows.kept]
    return Judged(
        kind=conditions.kind,
        places=places,
        place=place,
        run=rows.run,
        started=_run_starts(started, rows),
        feeds=rows.feeds,
        faults=rows.faults,
        expected=rows.feeds * np.exp(log),
        level=np.exp(bin_effect),
        between_bins=model.between_bins,
        between_weeks=1 / model.fit.strengths[-1],
        variance={tower: one.variance for tower, one in spread.items()},
        parts=ages.parts if ages else (),
        of_tower=ages.of_tower if ages else (),
        effects=_effects(model, rows),
        ages=ages.ages[:, rows.kept] if ages else np.zeros((0, rows.kept.size)),
        kept=rows.kept,
        account=conditions.account,
    )


def _effects(model: Model, rows: Rows) -> dict[str, FloatArray]:
    asked = [t.name for t in model.fit.terms if t.name in ("air", "stock", "prepared")]
    asked += [t.name for t in model.fit.terms if t.name.startswith("set_")]
    found = {name: model.effect_of(name, rows) for name in asked}
    if "air" in found:
        found["static"] = found["air"] - model.effect_of("air", model.as_other_paper(rows))
    return found


def _run_starts(started: NDArray[np.datetime64], rows: Rows) -> NDArray[np.datetime64]:
    """Return when the run of each row began: a later stretch belongs to its run."""
    count = int(rows.run.max(initial=-1)) + 1
    first = np.full(count, np.iinfo(np.int64).max)
    np.minimum.at(first, rows.run, started.astype(np.int64))
    return np.asarray(first[rows.run].astype("datetime64[us]"))
