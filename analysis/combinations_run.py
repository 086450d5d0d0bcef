"""Which settings did a stock run at together, and did it run clean with them?"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from analysis.rates import Rate, pooled
from analysis.regression_terms import FloatArray
from analysis.run_sums import regroup
from analysis.spread import Spread
from analysis.sums import SUMMED

#: Combinations that are shown of a stock, those with the most feeds.
MOST_COMBINATIONS = 12


@dataclass(frozen=True)
class Combination:
    """Settings that a stock ran at together.

    Attributes
    ----------
    settings : mapping of str to str or None
        Level by column, ``prepared`` among them; None where it was not logged.
    rate : Rate
        Of the kind asked for.
    counts : mapping of str to int
        Misses and doubles.
    expected : float
        Faults of the kind to be expected of these feeds at average settings, in their air.
    last : datetime
        When such a run last began; wall time.
    verdict : str
        ``clean`` or ``not clean`` where the range of its rate lies below or above what was
        expected, allowing for as many combinations as are looked at; else ``too few feeds to
        tell``.
    """

    settings: Mapping[str, str | None]
    rate: Rate
    counts: Mapping[str, int]
    expected: float
    last: dt.datetime
    verdict: str


def combinations(
    mine: pa.Table,
    logged: Sequence[str],
    kind: str,
    spread: Mapping[str, Spread],
    expected: FloatArray,
) -> tuple[Combination, ...]:
    """Say which settings a stock ran at together, and which of them ran clean.

    Parameters
    ----------
    mine : pyarrow.Table
        By run, of the stock.
    logged : sequence of str
        Columns of settings, ``prepared`` among them.
    kind : str
        Of fault.
    spread : mapping of str to Spread
        By tower.
    expected : float array
        Of each row with feeds watched for that kind in a known bin, in order: faults to be expected
        at average settings.

    Returns
    -------
    tuple of Combination
        Those that ran clean first, then by how sure their rate is.
    """
    of_rows = np.zeros(mine.num_rows)
    kept = (mine[f"feeds_{kind}"].to_numpy() > 0) & mine["bin"].is_valid().to_numpy(
        zero_copy_only=False
    )
    of_rows[kept] = expected
    table = mine.append_column("expected", pa.array(of_rows))
    fed = table.group_by([*logged]).aggregate([(f"feeds_{kind}", "sum"), ("expected", "sum")])
    fed = fed.sort_by([(f"feeds_{kind}_sum", "descending")]).slice(0, MOST_COMBINATIONS)
    cells = list(zip(*(mine[name].to_pylist() for name in logged), strict=True))
    out = []
    found = [row for row in fed.to_pylist() if row[f"feeds_{kind}_sum"]]
    many = max(len(found), 1)
    for row in found:
        wanted = tuple(row[name] for name in logged)
        part = mine.filter(pa.array([cell == wanted for cell in cells]))
        whole = regroup(part.select(["of_tower", "of_run", "first", *SUMMED]), ())
        rate = pooled(whole, kind, spread)
        # One of a dozen looks clean by luck every third time at 95 % each (Bonferroni).
        strict = pooled(whole, kind, spread, confidence=1 - 0.05 / many)
        usual = row["expected_sum"] / rate.feeds
        out.append(
            Combination(
                settings={
                    name: None if v is None else str(v)
                    for name, v in zip(logged, wanted, strict=True)
                },
                rate=rate,
                counts={one: sum(whole[one].to_pylist()) for one in ("misses", "doubles")},
                expected=row["expected_sum"],
                last=max(whole["first"].to_pylist()),
                verdict=_verdict(strict, usual),
            )
        )
    order = {"clean": 0, "too few feeds to tell": 1, "not clean": 2}
    out.sort(key=lambda c: (order[c.verdict], c.rate.wide_high))
    return tuple(out)


def _verdict(rate: Rate, usual: float) -> str:
    if usual and rate.wide_high < usual:
        return "clean"
    if usual and rate.wide_low > usual:
        return "not clean"
    return "too few feeds to tell"
