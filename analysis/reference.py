"""What faults are to be expected of a run, by all that was logged before it?

Two things are learnt, each from the runs that say most of it.

- *What paper, air and settings do* is learnt from every earlier run of all towers
  (`analysis.conditions`), anew each month. One bin that gets worse hardly changes it.
- *The level of each bin* is learnt from older runs only: from the first six months of its tower,
  later from all but the last six; of a tower that was overhauled, from its runs since then, once
  there are six months of them. A level that followed the last runs would follow the change too,
  and a slow or small one would never be seen; one that were never learnt anew would stay wrong
  where its first months were few. Levels of bins that ran little are drawn to those of the others
  (gamma-Poisson, as `analysis.shrinkage`).

Runs from when an alarm's change began, until it is over, are left out of both (but for a tower's
first six months). The age of parts is
not part of what is expected: it is held at what it was on average when the level was learnt, so
that wear shows. Nor are the weeks of a tower, which are what nobody logged.

Paper that was never run before is not held against anything until the next month.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analysis.conditions_levels import Rows
from analysis.conditions_model import ConditionsError, Model, fitted

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Reference:
    """What paper, air and settings do to one kind of fault, by the runs up to some day.

    Attributes
    ----------
    model : Model
        Of the conditions.
    strengths : tuple of float
        Of its ridges, for the next month's.
    between_bins : float
        Squared coefficient of variation of the rate between the bins of a tower.
    """

    model: Model
    strengths: tuple[float, ...]
    between_bins: float

    def explained(self, counts: pa.Table) -> Explained:
        """Say what is to be expected of each row of a scan, for an ordinary bin of its tower."""
        rows = self.model.rows(counts)
        parts = self.model.effects_of(rows)
        log = self.model.fit.coefficients[0] + sum(parts.values())
        log = log - self.model.effect_of("bin", rows)
        return Explained(
            rows=rows,
            faults=rows.faults,
            expected=rows.feeds * np.exp(log),
            known=rows.codes["stock"] >= 0,
        )

    def squared_cv(
        self, now: Rows, weights: FloatArray, group: IntArray, count: int, then: Spread
    ) -> FloatArray:
        """Say how sure it is what a group of rows has to those on which its level rests.

        Only what differs between both matters: what the same paper does in the same air is in the
        level already.

        Parameters
        ----------
        now : Rows
            Of a scan.
        weights : float array
            Expected faults of each row.
        group : int array
            Of each row, 0 to `count` - 1; -1 for rows of none.
        count : int
            Groups.
        then : Spread
            As `spread` of the rows of the level.

        Returns
        -------
        float array
            Squared coefficient of variation, one per group.
        """
        here = self.spread(now, weights, group, count)
        apart = np.where(here.known & then.known, here.mean - then.mean, 0.0)
        covariance = self.model.fit.singly
        return np.asarray(np.maximum(((apart @ covariance) * apart).sum(axis=1), 0.0))

    def spread(self, rows: Rows, weights: FloatArray, group: IntArray, count: int) -> Spread:
        """Return what every coefficient is times, on average over the rows of each group."""
        used = group >= 0
        terms = [term.name for term in self.model.fit.terms if term.name != "bin"]
        some = _some(rows, used)
        sums = self.model.gradients(weights[used], group[used], count, some, terms)
        total = np.bincount(group[used], weights[used], count)
        known = (total > 0)[:, None]
        return Spread(sums / np.where(known, total[:, None], 1.0), known)


@dataclass(frozen=True)
class Spread:
    """What every coefficient is times, on average over the rows of each group.

    Attributes
    ----------
    mean : float array
        One row per group, one column per coefficient.
    known : bool array
        Whether a group has rows, as a column.
    """

    mean: FloatArray
    known: BoolArray


@dataclass(frozen=True)
class Explained:
    """What is to be expected of rows of a scan, bins taken as alike.

    Attributes
    ----------
    rows : Rows
        As the model sees them; `Rows.kept` says which rows of the scan these are.
    faults, expected : float array
        Of each.
    known : bool array
        Whether its paper was ever run before.
    """

    rows: Rows
    faults: FloatArray
    expected: FloatArray
    known: BoolArray


def learn(
    counts: pa.Table,
    kind: str,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    *,
    left_out: BoolArray | None = None,
    strengths: Sequence[float] | None = None,
) -> Reference | None:
    """Learn what paper, air and settings do, by the runs so far.

    Parameters
    ----------
    counts, kind, stocks, settings
        As of `analysis.conditions.conditions`.
    left_out : bool array, optional
        Rows that nothing is to be learnt from: of streams under alarm.
    strengths : sequence of float, optional
        Of the ridges, of an earlier month; learnt anew where the terms are others now.

    Returns
    -------
    Reference or None
        None where there were too few such faults to say anything.
    """
    if int(pc.sum(counts[kind]).as_py() or 0) < _LEAST_FAULTS:
        return None
    try:
        model, _ = fitted(
            counts,
            kind,
            stocks,
            settings,
            left_out=left_out,
            clusters=False,
            strengths=strengths,
        )
    except ConditionsError:
        return None
    return Reference(model, model.fit.strengths, model.between_bins)


#: From fewer faults of all towers nothing is learnt: a detector that was just switched on would
#: call every bin hundreds of times worse.
_LEAST_FAULTS = 20
#: Nor of a tower that had fewer than these.
_LEAST_OF_TOWER = 3


@dataclass(frozen=True)
class Levels:
    """The level of each bin of each tower, one per bin.

    Attributes
    ----------
    level : float array
        Times what is expected of an ordinary bin of its tower.
    squared_cv : float array
        How sure that is.
    """

    level: FloatArray
    squared_cv: FloatArray


def levels(
    faults: FloatArray,
    expected: FloatArray,
    squares: FloatArray,
    tower: IntArray,
    *,
    between_bins: float,
    variance: float,
) -> Levels:
    """Estimate the level of each bin by its older runs.

    Parameters
    ----------
    faults, expected : float array
        One per bin: in the runs that its level is learnt from.
    squares : float array
        One per bin: sum of the squared expected faults of each of those runs.
    tower : int array
        Of each bin, from 0.
    between_bins : float
        Squared coefficient of variation of the rate between the bins of a tower.
    variance : float
        Squared coefficient of variation of the rate of a bin between runs.

    Returns
    -------
    Levels
        A bin without runs has the level of its tower; those of a tower with hardly a fault have
        the level 0: of them nothing is expected.

    Notes
    -----
    Mean of the gamma distribution that a Poisson count of so many effective faults leaves of a
    gamma prior around the tower's ratio, with a shape of 1 over `between_bins`; clusters make
    counts worth less (effective sample size, Rao and Scott 1992).
    """
    count = int(tower.max(initial=-1)) + 1
    of_tower = np.bincount(tower, faults, count), np.bincount(tower, expected, count)
    ratio = np.divide(*of_tower, out=np.ones(count), where=of_tower[1] > 0)
    # Nothing was watching, or far too little ran: no bin of it is held against a guess.
    ratio = np.where((of_tower[1] > 0) & (of_tower[0] < _LEAST_OF_TOWER), 0.0, ratio)
    shape = 1 / max(between_bins, 1e-6)
    clustered = 1 + variance * np.divide(
        squares, expected, out=np.zeros_like(expected), where=expected > 0
    )
    x, m = faults / clustered, expected / clustered
    center = ratio[tower]
    some = center > 0
    level = np.where(some, (shape + x) / (shape / np.where(some, center, 1.0) + m), 0.0)
    return Levels(level, 1 / (shape + x))


def _some(rows: Rows, used: BoolArray) -> Rows:
    return Rows(
        faults=rows.faults[used],
        feeds=rows.feeds[used],
        kept=rows.kept[used],
        codes={name: codes[used] for name, codes in rows.codes.items()},
        run=rows.run[used],
        day=rows.day[used],
        week=rows.week[used],
    )
