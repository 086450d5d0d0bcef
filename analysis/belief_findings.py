"""What is hard to believe in a log, and how is it said?"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.words import listed, many, period, two_digits

#: What is looked for, in the order in which it is told.
KINDS = ("zeros", "round", "air", "gap", "copy")

#: Chance, over all places looked at, below which something is hard to believe.
HARD = 0.001

#: What stands beside findings, whoever reads them.
CAUTION = (
    "None of this proves anything, and the log does not say who counted: ask first. A tower that "
    "became better shows more runs with no fault, too."
)
#: How round cycles are called, by their step.
ROUND_TO = {1000: "whole thousands", 100: "whole hundreds", 50: "whole fifties"}


@dataclass(frozen=True)
class Finding:
    """One thing in the log that is hard to believe.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    tower : str
    shift : str or None
        None: all shifts.
    first, last : datetime
        Wall time: start of the first and the last run (stretch) it is about; midnight of the first
        and the last day of a gap.
    first_day, last_day : date
        Days of those; a night shift belongs to the day it began on.
    observed, expected : float
        What was counted and what was to be expected. *zeros*: runs without a fault. *round*: round
        stretches. *air*: faults in runs without a reading. *gap*: days without a run. *copy*:
        faults in the run.
    of : int
        *zeros*, *air*, *copy*: runs it is about; *round*: stretches; *gap*: days.
    chance : float or None
        Chance that honest counting would show as much anywhere in the log.
    low, high : float
        *air*: 95 % interval of the ratio; otherwise not a number.
    ratio : float
        *air*: faults over expected faults without a reading against those with one.
    step : int
        *round*: 50, 100 or 1000; otherwise 0.
    missed_cycles : float or None
        *gap*: cycles that the tower would have run at its pace; None where cycles are not known.
    runs : tuple of str
        *copy*: names of the runs, in order of time.
    """

    kind: str
    tower: str
    shift: str | None
    first: dt.datetime
    last: dt.datetime
    first_day: dt.date
    last_day: dt.date
    observed: float
    expected: float
    of: int
    chance: float | None
    ratio: float = math.nan
    low: float = math.nan
    high: float = math.nan
    step: int = 0
    missed_cycles: float | None = None
    runs: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Say what is hard to believe, and what to ask or do."""
        where = f"Tower {self.tower}, "
        if self.shift is not None:
            where += f"{self.shift} shift, "
        where += period(self.first_day, self.last_day)
        chance = "" if self.chance is None else f": {one_in(self.chance)}"
        if self.kind == "zeros":
            return (
                f"{where}: {self.observed:,.0f} of {many(self.of, 'run')} had no fault, where "
                f"{_about(self.expected)} such runs {_were(self.expected)} to be expected{chance}. "
                "Ask how these were counted."
            )
        if self.kind == "round":
            return (
                f"{where}: the cycles of {self.observed:,.0f} of "
                f"{many(self.of, 'stretch', 'stretches')} are {ROUND_TO[self.step]}, where a "
                f"counter would show {_about(self.expected)}"
                f"{chance}. Write down what the counter says, not the sets ordered."
            )
        if self.kind == "air":
            return (
                f"{where}: runs without a humidity reading had {two_digits(self.ratio)} times "
                f"({two_digits(self.low)} to {two_digits(self.high)}) the faults of runs with one"
                f"{chance}. Ask when the hygrometer is read, and read it before each run."
            )
        if self.kind == "gap":
            days = many(round(self.observed), "day", "days in a row")
            pace = ""
            if self.missed_cycles is not None:
                pace = f" (about {two_digits(self.missed_cycles)} cycles at its pace)"
            return (
                f"{where}: no run on {days} on which it usually runs{pace}{chance}. Ask whether it "
                "stood still; if it ran, log those runs, and if it was worked on, log the service."
            )
        more = ""
        if self.observed:
            more = f", with {many(round(self.observed), 'fault')} each"
        return (
            f"{where}: runs {listed(self.runs)} have the same cycles, misses and doubles in every "
            f"bin{more}{chance}. Ask whether one was written down twice, and correct the one that "
            "was."
        )


#: What was found of a kind, how many places were looked at, and what could not be looked at.
Found = tuple[list[Finding], int, list[str]]


def one_in(chance: float) -> str:
    """Write a chance as ``1 in 60,000``, with two significant digits.

    Examples
    --------
    >>> one_in(1 / 61_234), one_in(3e-12)
    ('1 in 61,000', 'less than 1 in a billion')
    """
    if chance < 1e-9:
        return "less than 1 in a billion"
    return f"1 in {two_digits(1 / chance)}"


def _about(number: float) -> str:
    """Write an expected number; below ten with two digits."""
    return f"{number:,.0f}" if number >= 9.95 else two_digits(number)


def _were(number: float) -> str:
    return "was" if _about(number) == "1.0" else "were"


def towers_named(towers: Sequence[str]) -> str:
    """Name towers in a sentence: ``tower A``, ``towers A and B``."""
    return f"{'tower' if len(towers) == 1 else 'towers'} {listed(towers)}"


def moment_of(when: np.datetime64) -> dt.datetime:
    """Return a moment of an array as `datetime` has it."""
    moment = when.astype("datetime64[us]").item()
    assert isinstance(moment, dt.datetime)
    return moment


def date_of(day: np.datetime64) -> dt.date:
    """Return the day of a moment of an array."""
    return moment_of(day).date()
