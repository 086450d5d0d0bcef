"""What is to be expected of a run, by its paper, its air, its settings and the age of its parts?

The model behind `analysis.conditions`: fitted on rows of the log, and asked what it expects of
these or of others.

References
----------
As of `analysis.regression`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.ages import Ages
from analysis.conditions_levels import Layout, Rows, layout_of
from analysis.conditions_terms import terms_of
from analysis.regression import Fit, fit
from analysis.words import one

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: What a change between two periods is split into, and which terms belong to each.
PARTS = ("mix", "air", "settings", "age", "bins")


#: Bins are taken to differ by 10 % at least: from a log in which they happen not to, one that does
#: could not be told from one that got worse.
_LEAST_BETWEEN_BINS = 0.01


class ConditionsError(ValueError):
    """Nothing can be learnt from this part of the log; the message says why."""


@dataclass(frozen=True)
class Model:
    """A fitted model of what is to be expected.

    Attributes
    ----------
    kind : str
        Of fault.
    fit : Fit
        The regression.
    part_of : mapping of str to str
        The part of `PARTS` that each term belongs to.
    layout : Layout
        The levels that it was fitted on.
    """

    kind: str
    fit: Fit
    part_of: Mapping[str, str]
    layout: Layout

    def rows(self, counts: pa.Table, ages: Ages | None = None) -> Rows:
        """Read rows of a scan; see `analysis.conditions.conditions`."""
        return self.layout.rows(counts, self.kind, ages)

    def effects_of(self, rows: Rows) -> dict[str, FloatArray]:
        """Return what each part of `PARTS` adds to the log rate of each row.

        The tower's weeks are left out: what nobody logged is not to be expected.
        """
        out = {part: np.zeros(rows.feeds.size) for part in PARTS}
        for term in self.fit.terms:
            out[self.part_of[term.name]] += self.effect_of(term.name, rows)
        return out

    def effect_of(self, name: str, rows: Rows) -> FloatArray:
        """Return what one term adds to the log rate of each row; unknown levels add nothing."""
        term = next(t for t in self.fit.terms if t.name == name)
        by_level = term.columns @ self.fit.coefficients[self.fit.place(name)]
        codes = rows.codes[name]
        return np.where(codes < 0, 0.0, by_level[np.maximum(codes, 0)])

    def as_other_paper(self, rows: Rows) -> Rows:
        """Return rows as if none of their papers were printed by toner, as far as air goes."""
        codes = rows.codes["air"] % self.layout.humidity.size
        return replace(rows, codes={**rows.codes, "air": codes})

    def expected(self, rows: Rows) -> FloatArray:
        """Return the faults to be expected of each row in an ordinary week."""
        log = self.fit.coefficients[0] + sum(self.effects_of(rows).values())
        return np.asarray(rows.feeds * np.exp(log))

    @property
    def between_bins(self) -> float:
        """Squared coefficient of variation of the rate between bins of a tower, 0.01 or more."""
        # The ridge of bins is the second, after that of towers.
        return max(1 / self.fit.strengths[1], _LEAST_BETWEEN_BINS)

    @property
    def follows_paper(self) -> tuple[str, ...]:
        """Settings that are left to the stocks; see `analysis.conditions.Conditions`."""
        return self.layout.follows

    @property
    def settings(self) -> tuple[str, ...]:
        """Columns of the settings that it has terms of."""
        return tuple(term.name for term in self.fit.terms if term.name.startswith("set_"))

    def levels(self, column: str) -> tuple[str | None, ...] | None:
        """Return the levels of a setting in the order of their codes; None where it is no term."""
        found = [one for one in self.layout.settings if one.column == column]
        return found[0].names if found else None

    def on_a_line(self, column: str) -> bool:
        """Tell whether the levels of a setting are numbers that the rate goes with along a line."""
        return any(s.column == column and s.numbers is not None for s in self.layout.settings)

    def level_codes(self, column: str, rows: Rows) -> IntArray:
        """Return which of its `levels` a setting has in each row."""
        levels = self.levels(column)
        assert levels is not None
        return rows.codes[column] % len(levels)

    def level_rows(self, column: str, kind_of_paper: int, levels: Sequence[int]) -> FloatArray:
        """Return some levels of a setting on a kind of paper, as rows over all coefficients."""
        names = self.levels(column)
        assert names is not None
        term = next(t for t in self.fit.terms if t.name == column)
        at = kind_of_paper * len(names) + np.array(levels)
        return self.fit.effect(column, term.columns[at])[1]

    def kinds_of_paper(self, rows: Rows) -> IntArray:
        """Return the number of the kind of paper in each row: of one weight and coating."""
        stock = rows.codes["stock"]
        return np.where(stock < 0, -1, self.layout.kind_of_paper[np.maximum(stock, 0)])

    def gradients(
        self, weights: FloatArray, group: IntArray, count: int, rows: Rows, terms: Sequence[str]
    ) -> FloatArray:
        """Sum over each group of rows what every coefficient of some terms is times.

        Parameters
        ----------
        weights : float array
            Of each row.
        group : int array
            Of each row, 0 to `count` - 1.
        count : int
            Groups.
        rows : Rows
            Of a scan.
        terms : sequence of str
            Names of terms; coefficients of all others get nought.

        Returns
        -------
        float array
            One row per group, one column per coefficient.
        """
        out = np.zeros((count, self.fit.coefficients.size))
        for term in self.fit.terms:
            if term.name in terms:
                codes, levels = rows.codes[term.name], len(term.columns)
                known = codes >= 0
                key = group[known] * levels + codes[known]
                table = np.bincount(key, weights[known], count * levels).reshape(count, levels)
                out[:, self.fit.place(term.name)] = table @ term.columns
        return out


def fitted(
    counts: pa.Table,
    kind: str,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    *,
    ages: Ages | None = None,
    left_out: BoolArray | None = None,
    clusters: bool = True,
    strengths: Sequence[float] | None = None,
) -> tuple[Model, Rows]:
    """How does the rate depend on paper, air and settings, as a model to build on?

    Parameters
    ----------
    counts, kind, stocks, settings, ages
        As of `analysis.conditions.conditions`.
    left_out : bool array, optional
        Rows of `counts` that nothing is to be learnt from.
    clusters, strengths
        As of `analysis.regression.fit`; strengths that do not fit the terms are learnt anew.

    Returns
    -------
    Model, Rows
        What was fitted, and the rows of `counts` as it sees them, those left out among them.

    Raises
    ------
    ConditionsError
        Where there is no fault, or none in a known bin.
    """
    layout = layout_of(counts, kind, stocks, settings, ages)
    rows = layout.rows(counts, kind, ages)
    used = np.ones(rows.feeds.size, dtype=bool) if left_out is None else ~left_out[rows.kept]
    if not rows.faults[used].sum():
        raise ConditionsError(
            f"no {one(kind, 2)} were logged in a known bin here, so nothing can be said of what "
            "they depend on; log more runs, or ask for a longer period"
        )
    terms = terms_of(layout, rows, stocks)
    ridges = sum(len(term.penalties) for term in terms) + 1
    found = fit(
        rows.faults[used],
        rows.feeds[used],
        terms if left_out is None else [replace(t, codes=t.codes[used]) for t in terms],
        periods=rows.week[used],
        runs=rows.run[used],
        days=rows.day[used],
        clusters=clusters,
        strengths=strengths if strengths is not None and len(strengths) == ridges else None,
    )
    # What a model is kept for needs no rows of the log.
    nothing = np.zeros(0, dtype=np.int64)
    kept = tuple(replace(term, codes=nothing) for term in found.terms)
    found = replace(found, terms=kept, fitted=np.zeros(0))
    return Model(kind, found, {t.name: _part(t.name) for t in terms}, layout), rows


def _part(name: str) -> str:
    if name in ("tower", "bin"):
        return "bins"
    # What a run is for goes with what it runs.
    if name in ("stock", "purpose"):
        return "mix"
    if name in ("air", "temperature_c"):
        return "air"
    return "age" if name.startswith("age ") else "settings"
