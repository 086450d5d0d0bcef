"""What is looked at to tell whether a log can be believed?

Runs, their bins and their stretches, as plain arrays; `analysis.belief_counts` lays them out from
the counts of a scan.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.shifts import shift_day, shift_of
from analysis.spread import between_run_variance

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
#: Text, one entry per run; of any text type of numpy.
TextArray = NDArray[Any]
#: ``datetime64[us]`` or ``datetime64[D]``.
TimeArray = NDArray[np.datetime64]

#: Faults to be expected of a stretch of runs before its zeros are worth a question.
ENOUGH = 5.0


@dataclass(frozen=True, eq=False)
class Runs:
    """What is looked at: one entry per run, in any order.

    Build it from two tables of `analysis.counts.LogScan.by_run`, one by ``tower`` and one by
    ``tower`` and ``bin`` (for the cycles), or any table with one row per run, column by column::

        Runs(
            tower=table["of_tower"].to_pylist(),
            run=table["of_run"].to_pylist(),
            started=table["first"].to_numpy(),
            expected=...,  # feeds watched times the rate that stock, air and settings give
            faults=table["faults"].to_numpy(),
        )

    Attributes
    ----------
    tower, run : array of text
        A run is known by both.
    started : array of datetime64[us]
        Wall time.
    expected : array of float
        Faults to be expected of the feeds that were watched; 0 where nothing was watched, and such
        a run says nothing of faults.
    faults : array of int
        Misses and doubles counted, of the kinds that were watched.
    shift : array of text, optional
        By what name the shift goes; empty where it is not known. By `shift_of` where absent.
    humidity_logged : array of bool, optional
        Whether any of its stretches has a reading.
    expected_without_air : array of float, optional
        As `expected`, but by a model without the air: what the air explains would otherwise be
        missing from the runs with a reading alone. `expected` where absent.
    cycles : array of int, optional
        Cycles of the tower in the run: those of the bin with most.

    Raises
    ------
    ValueError
        Where lengths differ, a start is missing, or a number is negative or missing.
    """

    tower: TextArray
    run: TextArray
    started: TimeArray
    expected: FloatArray
    faults: IntArray
    shift: TextArray | None = None
    humidity_logged: BoolArray | None = None
    expected_without_air: FloatArray | None = None
    cycles: IntArray | None = None

    def __post_init__(self) -> None:
        """Check and convert."""
        _convert(self, "runs")


@dataclass(frozen=True, eq=False)
class Stretches:
    """Cycles as they were written down: one entry per stretch of a run.

    From `LogScan.by_run` by ``tower`` and ``stretch`` and ``bin``, the bin with most cycles taken.

    Attributes
    ----------
    tower, run : array of text
    started : array of datetime64[us]
        Wall time.
    cycles : array of int
    shift : array of text, optional
        As of `Runs`.

    Raises
    ------
    ValueError
        As of `Runs`.
    """

    tower: TextArray
    run: TextArray
    started: TimeArray
    cycles: IntArray
    shift: TextArray | None = None

    def __post_init__(self) -> None:
        """Check and convert."""
        _convert(self, "stretches")


@dataclass(frozen=True, eq=False)
class RunBins:
    """Counts bin by bin: one entry per run and bin.

    From `LogScan.by_run` by ``tower`` and ``bin``: ``of_tower``, ``of_run``, ``bin``, ``feeds``,
    ``misses``, ``doubles``. Faults whose bin was not noted go by bin 0.

    Attributes
    ----------
    tower, run : array of text
    bin, cycles, misses, doubles : array of int
        Over all stretches of the run.
    expected : array of float
        Faults of both kinds to be expected of this run and bin.

    Raises
    ------
    ValueError
        As of `Runs`.
    """

    tower: TextArray
    run: TextArray
    bin: IntArray
    cycles: IntArray
    misses: IntArray
    doubles: IntArray
    expected: FloatArray

    def __post_init__(self) -> None:
        """Check and convert."""
        _convert(self, "bins of runs")


class Log:
    """Runs in order of tower and time, with what follows from them.

    Parameters
    ----------
    runs : Runs
    sites : mapping of str to str
        Site of each tower that has one.
    variance : float or mapping of str to float, optional
        Between-run variance, of all towers or by tower; estimated where absent.
    starts : (int, int, int)
        As of `analysis.shifts.shift_of`.

    Attributes
    ----------
    towers, shifts : list of str
        Names; `tower` and `shift` are places in them.
    size : int
        Number of runs.
    tower, run, started, day, expected, faults, cycles, air, without_air, shift : array
        One entry per run: as of `Runs`, in order; `day` is that on which its shift began, `air`
        whether humidity was logged. `cycles` and `air` are None where they are not known.
    site : list of str
        Of each tower.
    variance, air_variance : float array
        Of each tower, by `expected` and by `without_air`.

    Raises
    ------
    ValueError
        Where starts are not in order within a day, or a variance is negative or missing.
    """

    def __init__(
        self,
        runs: Runs,
        sites: Mapping[str, str],
        variance: Mapping[str, float] | float | None,
        starts: tuple[int, int, int],
    ) -> None:
        tower, self.towers = coded(runs.tower)
        order = np.lexsort((runs.started, tower))
        self.size = int(order.size)
        self.tower = tower[order]
        self.edges = np.searchsorted(self.tower, np.arange(len(self.towers) + 1))
        self.run = runs.run[order]
        self.started = runs.started[order]
        self.day = shift_day(self.started, starts)
        self.expected = runs.expected[order]
        self.faults = runs.faults[order]
        self.cycles = None if runs.cycles is None else runs.cycles[order]
        self.air = None if runs.humidity_logged is None else runs.humidity_logged[order]
        without = runs.expected_without_air
        self.without_air = self.expected if without is None else without[order]
        named = shift_of(self.started, starts) if runs.shift is None else runs.shift[order]
        self.shift, self.shifts = coded(named)
        self.site = [sites.get(name, "") for name in self.towers]
        self.variance = self._variance(variance, self.expected)
        self.air_variance = (
            self.variance if without is None else self._variance(variance, self.without_air)
        )

    def _variance(
        self, given: Mapping[str, float] | float | None, expected: FloatArray
    ) -> FloatArray:
        """Return v of each tower."""
        if given is None:
            # Runs of which nothing is expected say nothing of the spread. With its allowance v is
            # rather too large: that is the side on which the log is believed.
            some = expected > 0
            spreads = between_run_variance(
                self.faults[some], expected[some], self.tower[some], fitted=False
            )
            found = np.array([spread.allowed for spread in spreads], float)
            return np.concatenate((found, np.zeros(len(self.towers) - found.size)))
        if isinstance(given, Mapping):
            absent = [name for name in self.towers if name not in given]
            if absent:
                raise ValueError(f"variance has no entry for tower {absent[0]}; give it one")
            values = np.array([given[name] for name in self.towers], float)
        else:
            values = np.full(len(self.towers), float(given))
        if not np.all((values >= 0) & np.isfinite(values)):
            raise ValueError("variance must be 0 or more, with none missing")
        return values

    def of(self, place: int) -> slice:
        """Return the runs of a tower."""
        return slice(int(self.edges[place]), int(self.edges[place + 1]))


def pieces(keep: BoolArray) -> Iterator[slice]:
    """Yield the stretches of an array in which all is kept."""
    change = np.flatnonzero(np.diff(np.concatenate(([False], keep, [False])).astype(np.int8)))
    for low, high in zip(change[::2].tolist(), change[1::2].tolist(), strict=True):
        yield slice(low, high)


def coded(values: TextArray) -> tuple[IntArray, list[str]]:
    """Return the number of each text and the texts by number; quicker than sorting them all."""
    texts = values.tolist()
    names = sorted(set(texts))
    number = {name: place for place, name in enumerate(names)}
    return np.fromiter(map(number.__getitem__, texts), np.int64, len(texts)), names


def _convert(of: Runs | Stretches | RunBins, what: str) -> None:
    """Bring the columns of an input to their types, and refuse what cannot be counted."""
    size = len(np.asarray(of.tower))
    for name in of.__dataclass_fields__:
        given = getattr(of, name)
        if given is None:
            continue
        if name in ("tower", "run", "shift"):
            column: NDArray[Any] = np.array(
                ["" if text is None else str(text) for text in np.asarray(given).tolist()], object
            )
        elif name == "started":
            column = np.asarray(given, "datetime64[us]")
            if np.isnat(column).any():
                raise ValueError(f"started of {what} must be known; leave out those without")
        elif name == "humidity_logged":
            column = np.asarray(given, bool)
        else:
            numbers = np.asarray(given, float)
            if not np.all(np.isfinite(numbers) & (numbers >= 0)):
                raise ValueError(f"{name} of {what} must be 0 or more, with none missing")
            whole = not name.startswith("expected")
            if whole and np.any(numbers != np.floor(numbers)):
                raise ValueError(f"{name} of {what} must be whole numbers")
            column = np.asarray(given).astype(np.int64) if whole else numbers
        if column.shape != (size,):
            raise ValueError(
                f"{name} of {what} must have one entry for each of the {size:,}, "
                f"not the shape {column.shape}"
            )
        object.__setattr__(of, name, column)
