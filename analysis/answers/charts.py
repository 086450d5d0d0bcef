"""What do the charts that people know say of some runs?"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from analysis.answers.asked import production
from analysis.charts import Chart
from analysis.counts import LogScan
from analysis.ewma import ewma_of_faults
from analysis.filters import FilterError, Filters
from analysis.gap_charts import feeds_between, g_chart
from analysis.rate_charts import p_chart, p_prime_chart
from analysis.trends import TIME_COLUMNS

FloatArray = NDArray[np.float64]

#: The charts that people know, by the word that they are asked for with.
CHARTS = ("p", "p-prime", "g", "ewma")


def known_charts(scan: LogScan, filters: Filters, chart: str, *, over: str | None = None) -> Chart:
    """Draw one of the charts that people know for the runs of a filter.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Its rows and its kind of fault; production unless it holds a purpose.
    chart : str
        One of `CHARTS`.
    over : str, optional
        What a point stands for: ``day`` where absent, ``week``, ``month`` or ``run``. The g-chart
        has one for each gap between faults, and takes none.

    Raises
    ------
    analysis.filters.FilterError
        For a column, a value or a chart that cannot be.
    """
    if chart not in CHARTS or over not in (*TIME_COLUMNS, "run", None):
        raise FilterError(
            f"there is no chart {chart} by {over}; write one of {', '.join(CHARTS)} by "
            f"{', '.join(TIME_COLUMNS)} or run"
        )
    if chart == "g" and over is not None:
        raise FilterError(
            f"a g-chart has a point for each fault and none for each {over}; leave that out"
        )
    over = "run" if chart == "g" else over or "day"
    counts = scan.by_run(() if over == "run" else (over,), production(filters))
    faults, feeds, when = _in_order(counts, filters.kind, over)
    if chart == "g":
        # A point for each fault but the first, at the run that it was in.
        at = np.repeat(np.arange(faults.size), faults.astype(np.int64))[1:]
        found = g_chart(feeds_between(faults, feeds))
        return replace(found, when=tuple(when[place] for place in at.tolist()))
    if chart == "p":
        found = p_chart(faults, feeds, each=over)
    elif chart == "p-prime":
        found = p_prime_chart(faults, feeds, each=over)
    else:
        found = ewma_of_faults(faults, feeds)
    return replace(found, when=when)


def _in_order(
    counts: pa.Table, kind: str, over: str
) -> tuple[FloatArray, FloatArray, tuple[dt.datetime, ...]]:
    """Return faults and feeds of each run, day, week or month in order of time, and its begin."""
    # A fault whose bin was not noted has no feeds of its own.
    some = counts.filter(pc.greater(counts[f"feeds_{kind}"], 0))
    by = ["of_tower", "of_run"] if over == "run" else [over]
    names = [kind, f"feeds_{kind}"]
    summed = some.group_by(by).aggregate([*((name, "sum") for name in names), ("first", "min")])
    summed = summed.sort_by([("first_min", "ascending"), *((name, "ascending") for name in by)])
    faults, feeds = (summed[f"{name}_sum"].to_numpy().astype(np.float64) for name in names)
    return faults, feeds, tuple(summed["first_min"].to_pylist())
