"""What is behind a change of the rate between two periods?

With v(S) the logarithm of the mean fitted rate of a period when the effects outside S are held at
their mean over both periods, each part of the log (mix of stocks, air, settings, age, bins) is
given the change of its Shapley value over S: what it adds, averaged over all orders in which the
parts can be let in. The *rest* is the change of faults seen over faults expected. The product of
all is the whole change, exactly. The fitted rate is that of the model of conditions
(`analysis.conditions`).

References
----------
Shapley LS (1953). A value for n-person games. Annals of Mathematics Studies 28:307-317.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pyarrow as pa
from scipy import special

from analysis.ages import Ages
from analysis.conditions import Conditions
from analysis.conditions_levels import Rows
from analysis.conditions_model import PARTS, Model
from analysis.filters import Filters
from analysis.regression_terms import FloatArray
from analysis.spread import Spread

#: The rest of a change: what no part of the model explains.
REST = "rest"

_CALLED = {
    "mix": "other stocks",
    "air": "the air",
    "settings": "settings",
    "age": "older or newer parts",
    "bins": "other bins or towers",
    REST: "what nobody logged",
}

#: A part that changes the rate by less than so many times is not told in a sentence.
_TOLD = 1.02


@dataclass(frozen=True)
class Part:
    """What one part of the log does to the rate from one period to the next.

    Attributes
    ----------
    part : str
        ``mix``, ``air``, ``settings``, ``age``, ``bins`` or ``rest``.
    ratio, low, high : float
        Rate ratio, later over earlier, with its interval.
    """

    part: str
    ratio: float
    low: float
    high: float


@dataclass(frozen=True)
class Change:
    """What is behind the change of the rate between two periods.

    Attributes
    ----------
    kind : str
        Of fault.
    before, after : Filters
        The two parts of the log.
    counts, feeds : tuple of int
        Faults and feeds in known bins, before and after.
    ratio : float or None
        Of the two rates; None where either period has no fault, or no feeds.
    low, high : float or None
        Its range: chance and clusters in both counts.
    parts : tuple of Part
        Their product is the ratio; empty where there is none. Ranges of all but the rest are those
        of the model's effects; that of the rest allows for chance and clusters in both counts.
    confidence : float
        Of the ranges.
    """

    kind: str
    before: Filters
    after: Filters
    counts: tuple[int, int]
    feeds: tuple[int, int]
    ratio: float | None
    parts: tuple[Part, ...]
    confidence: float
    low: float | None = None
    high: float | None = None

    @property
    def whole(self) -> Part | None:
        """The change as a whole, as its parts are told; None where there is none."""
        if self.ratio is None or self.low is None or self.high is None:
            return None
        return Part("whole", self.ratio, self.low, self.high)

    def sentence(self) -> str:
        """Say how the rate changed and what made most of it."""
        whole = self.whole
        if whole is None:
            which = next(
                (
                    word
                    for word, n, x in zip(
                        ("earlier", "later"), self.feeds, self.counts, strict=True
                    )
                    if not n or not x
                ),
                "earlier",
            )
            return (
                f"The {which} period has no {self.kind} on record, so there is no change to split; "
                "choose longer periods."
            )
        said = (
            f"The rate of {self.kind} is {whole.ratio:.2f} times that of the earlier period "
            f"({whole.low:.2f} to {whole.high:.2f})"
        )
        # What made the change, by how sure it is: a part whose range holds 1 may be nothing.
        sure = [
            part
            for part in self.parts
            if (part.low > 1 or part.high < 1) and abs(math.log(part.ratio)) > math.log(_TOLD)
        ]
        sure.sort(key=lambda part: -abs(math.log(part.ratio)))
        told = [f"{_CALLED[part.part]} made {part.ratio:.2f} times of it" for part in sure[:3]]
        rest = next(part for part in self.parts if part.part == REST)
        if rest not in sure and abs(math.log(rest.ratio)) > math.log(_TOLD):
            told.append(
                f"{_CALLED[REST]} may have made {rest.ratio:.2f} times ({rest.low:.2f} to "
                f"{rest.high:.2f})"
            )
        if not sure:
            said += "; no part of the log is sure to have made it"
        return f"{said}: {'; '.join(told)}." if told else f"{said}."


def change(
    before: pa.Table,
    after: pa.Table,
    conditions: Conditions,
    filters: tuple[Filters, Filters],
    spread: Mapping[str, Spread],
    *,
    ages: tuple[Ages | None, Ages | None] = (None, None),
) -> Change:
    """Why did the rate change from one period to another?

    Parameters
    ----------
    before, after : pyarrow.Table
        By run, of each period, by `analysis.conditions_levels.COLUMNS` and the settings.
    conditions : Conditions
        What is to be expected; of a log that holds both periods.
    filters : tuple of Filters
        The two periods; handed on.
    spread : mapping of str to Spread
        By tower: how far runs differ beyond chance.
    ages : tuple of Ages
        Of parts, in the rows of each.
    """
    model, kind = conditions.model, conditions.kind
    sides = [model.rows(table, age) for table, age in zip((before, after), ages, strict=True)]
    faults = tuple(int(rows.faults.sum()) for rows in sides)
    feeds = tuple(int(rows.feeds.sum()) for rows in sides)
    blank = Change(
        kind,
        *filters,
        (faults[0], faults[1]),
        (feeds[0], feeds[1]),
        None,
        (),
        conditions.confidence,
    )
    if not all(faults) or not all(feeds):
        return blank
    shapley = _Shapley(model, sides)
    z = float(special.ndtri(0.5 * (1 + conditions.confidence)))
    parts = []
    gradients = np.array([shapley.gradients[part] for part in PARTS])
    for part, sd in zip(PARTS, model.fit.sd(gradients), strict=True):
        log = shapley.values[part]
        parts.append(_ranged(part, log, z * float(sd)))
    log_rest = math.log(faults[1] / faults[0]) - (
        math.log(shapley.expected[1] / shapley.expected[0])
    )
    # The rest is what was seen over what the model expects: both counts vary, and so does that.
    variance = sum(
        _relative_variance(rows, table, spread)
        for rows, table in ((sides[0], before), (sides[1], after))
    )
    counted = z * math.sqrt(variance)
    variance += float(model.fit.sd(gradients.sum(axis=0)[None])[0]) ** 2
    parts.append(_ranged(REST, log_rest, z * math.sqrt(variance)))
    ratio = faults[1] / feeds[1] / (faults[0] / feeds[0])
    return replace(
        blank,
        ratio=ratio,
        parts=tuple(parts),
        low=ratio * math.exp(-counted),
        high=ratio * math.exp(counted),
    )


def _ranged(part: str, log: float, half: float) -> Part:
    return Part(part, math.exp(log), math.exp(log - half), math.exp(log + half))


def _relative_variance(rows: Rows, table: pa.Table, spread: Mapping[str, Spread]) -> float:
    """Return the variance of the logarithm of a count: chance, and clusters in runs."""
    towers = np.array(table["of_tower"].to_pylist(), dtype=object)[rows.kept]
    fed = np.bincount(rows.run, rows.feeds)
    tower = np.empty(fed.size, dtype=object)
    tower[rows.run] = towers
    v = np.array([spread[one].allowed if one in spread else 0.0 for one in tower])
    return float(1 / rows.faults.sum() + (v * fed**2).sum() / fed.sum() ** 2)


class _Shapley:
    """What each part adds to the log rate from one period to the other.

    With how that depends on each coefficient.
    """

    def __init__(self, model: Model, sides: Sequence[Rows]) -> None:
        effects = [model.effects_of(rows) for rows in sides]
        terms = {
            part: [t.name for t in model.fit.terms if model.part_of[t.name] == part]
            for part in PARTS
        }
        count = len(PARTS)
        self.values = dict.fromkeys(PARTS, 0.0)
        self.gradients: dict[str, FloatArray] = {
            part: np.zeros(model.fit.coefficients.size) for part in PARTS
        }
        for size in range(count + 1):
            for inside in combinations(PARTS, size):
                value, gradient = 0.0, np.zeros(model.fit.coefficients.size)
                named = [name for part in inside for name in terms[part]]
                for sign, rows, effect in zip((-1, 1), sides, effects, strict=True):
                    log = sum((effect[part] for part in inside), np.zeros(rows.feeds.size))
                    weight = rows.feeds * np.exp(log)
                    # Effects outside are the same number in both periods and drop out.
                    value += sign * math.log(weight.sum() / rows.feeds.sum())
                    whole = np.zeros(weight.size, dtype=np.int64)
                    sums = model.gradients(weight / weight.sum(), whole, 1, rows, named)
                    gradient += sign * sums[0]
                for part in PARTS:
                    # How often a part comes right after, or right before, just these others.
                    among = size - (part in inside)
                    share = (
                        math.factorial(among)
                        * math.factorial(count - among - 1)
                        / math.factorial(count)
                    )
                    times = share if part in inside else -share
                    self.values[part] += times * value
                    self.gradients[part] += times * gradient
        self.expected = [float(model.expected(rows).sum()) for rows in sides]
