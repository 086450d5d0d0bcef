"""How much do the runs of each tower differ beyond chance?

Tables of counts in, `analysis.spread` and `analysis.dispersion` on them, tower by tower.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from analysis.dispersion import PearsonDispersion, TaroneTest, pearson_dispersion, tarone_z
from analysis.run_sums import FloatArray, floats, numbered, regroup
from analysis.spread import Spread, between_run_variance, relative_variance_by_group
from analysis.sums import SUMMED


def spreads(counts: pa.Table, kind: str, *, confidence: float = 0.95) -> dict[str, Spread]:
    """Say how much the runs of each tower differ beyond chance.

    What is expected of a run is its tower's rate, whatever the groups that are shown: so one log
    has one spread, and a total one range however it is split. Paper and air differ between runs as
    well, so the spread holds what they bring, and ranges of one stock alone are on the safe side.

    Parameters
    ----------
    counts : pyarrow.Table
        Counts by run over the whole log, in any groups; see `analysis.counts.LogScan.by_run`.
    kind : str
        Kind of fault.
    confidence : float
        Of the intervals to be widened.

    Returns
    -------
    dict of str to Spread
        By tower; a tower that nothing watched for this kind is left out.
    """
    runs = _watched_runs(counts, kind)
    found = (
        between_run_variance(runs.faults, runs.expected, runs.tower, confidence=confidence)
        if len(runs.names)
        else ()
    )
    return dict(zip(runs.names, found, strict=True))


@dataclass(frozen=True)
class Clustering:
    """Two further looks at how much the runs of a tower differ; reported, not used.

    Attributes
    ----------
    pearson : PearsonDispersion
        Chi-square per degree of freedom.
    tarone : TaroneTest
        Tarone's 1979 test of one rate for all runs.
    """

    pearson: PearsonDispersion
    tarone: TaroneTest


def clustering(counts: pa.Table, kind: str) -> dict[str, Clustering]:
    """Test, tower by tower, whether runs differ beyond chance; parameters as of `spreads`."""
    runs = _watched_runs(counts, kind)
    return {
        name: Clustering(
            pearson_dispersion(runs.faults[runs.tower == t], runs.expected[runs.tower == t]),
            tarone_z(runs.faults[runs.tower == t], runs.feeds[runs.tower == t]),
        )
        for t, name in enumerate(runs.names)
    }


@dataclass(frozen=True)
class _Runs:
    """One entry per tower and run that was watched; towers by number into their names."""

    names: tuple[str, ...]
    tower: npt.NDArray[np.intp]
    feeds: FloatArray
    faults: FloatArray
    expected: FloatArray


def _watched_runs(counts: pa.Table, kind: str) -> _Runs:
    # Without a group there is one row a run already.
    grouped = counts.num_rows and set(counts.column_names) - {
        *SUMMED,
        "of_tower",
        "of_run",
        "first",
    }
    whole = regroup(counts, ()) if grouped else counts
    # Runs in which nothing was watched for this kind say nothing of it, and faults whose bin was
    # not noted, alone in their run, have no feeds to be held against.
    feeds, faults = floats(whole[f"feeds_{kind}"]), floats(whole[kind])
    kept = feeds >= np.maximum(faults, 1)
    names, tower = numbered(whole["of_tower"].filter(pa.array(kept)))
    feeds, faults = feeds[kept], faults[kept]
    fed, seen = np.bincount(tower, feeds), np.bincount(tower, faults)
    rate = np.divide(seen, fed, out=np.zeros(len(names)), where=fed > 0)
    return _Runs(
        tuple(names),
        tower,
        feeds,
        faults,
        rate[tower] * feeds,
    )


def relative_variance(
    counts: pa.Table, kind: str, spread: Mapping[str, Spread], *, estimated: bool = False
) -> float:
    """Say how uncertain clusters make the sum of some counts.

    Parameters
    ----------
    counts, kind, spread
        As in `analysis.rates.rates`.
    estimated : bool
        With the spread as it is estimated; otherwise with its allowance for few runs, as ranges
        have it. A plan for more runs takes the estimate: the allowance goes as they come in.

    Returns
    -------
    float
        Squared coefficient of variation, as `analysis.ratios.ratio` takes it; 0 without feeds.
    """
    if not counts.num_rows:
        return 0.0
    whole = regroup(counts, ())
    one = np.zeros(whole.num_rows, np.intp)
    variance = allowed(whole["of_tower"].to_pylist(), spread, estimated=estimated)
    feeds = whole[f"feeds_{kind}"].to_numpy()
    return float(relative_variance_by_group(feeds, one, variance, 1)[0])


def allowed(
    towers: Sequence[str], spread: Mapping[str, Spread], *, estimated: bool = False
) -> FloatArray:
    """Return the variance between runs of each of some towers; 0 where nothing is known of it.

    Parameters
    ----------
    towers : sequence of str
        Any number of times each.
    spread, estimated
        As of `relative_variance`.
    """
    known = {
        tower: found.variance if estimated else found.allowed for tower, found in spread.items()
    }
    return np.array([known.get(tower, 0.0) for tower in towers], np.float64)
