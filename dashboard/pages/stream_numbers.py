"""What are the numbers behind the Drift page, in tables and as CSV?"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

import numpy as np
from dash import html
from dash.development.base_component import Component

from analysis.charts import Chart
from analysis.drift import Drift
from analysis.streams import Stream
from analysis.words import PER, expected_number, two_digits
from dashboard import parts, theme
from dashboard.pages.streams import state

#: Points of a chart of the literature that its table holds; all are in the file.
MOST_POINTS = 60


def months_table(stream: Stream) -> Component:
    """Return a table of a stream's watched months, which opens: total and evidence at their ends.

    Parameters
    ----------
    stream : Stream
        Monitored.
    """
    path = stream.path
    total, reach = path.beyond_expected()
    some = path.monitored
    observed, expected, evidence = path.observed[some], path.expected[some], path.evidence[some]
    months = path.started[some].astype("datetime64[M]")
    rows = []
    for month in np.unique(months):
        own = np.flatnonzero(months == month)
        last = own[-1]
        cells = (
            f"{int(observed[own].sum()):,}",
            expected_number(float(expected[own].sum())),
            f"{total[last]:+,.1f}".replace("-", "−"),
            f"{reach[last]:,.1f}",
            theme.percent(float(evidence[own].max())),
            theme.percent(float(evidence[last])),
        )
        name = theme.month(month.astype("datetime64[D]").item())
        rows.append(html.Tr([html.Th(name, scope="row", className="name"), *map(html.Td, cells)]))
    heads = (
        f"{stream.kind} counted",
        "expected",
        "above expected, running total",
        "stays within, ±",
        "most evidence, % of limit",
        "evidence at its end, %",
    )
    return parts.numbers_table(
        f"The {stream.kind} of {stream.name} month by month",
        "month",
        heads,
        rows,
        "The numbers month by month, in a table",
    )


def points_table(chart: Chart, times: Sequence[dt.datetime] | None) -> Component:
    """Return a table of the last points of a chart of the literature, which opens."""
    first = max(chart.points.size - MOST_POINTS, 0)
    scale = PER if "per feed" in chart.what else 1

    def cell(value: float) -> str:
        return two_digits(value * scale) if math.isfinite(value) else "–"

    rows = [
        html.Tr(
            [
                html.Th(
                    f"{i + 1:,}" if times is None else theme.day(times[i]),
                    scope="row",
                    className="name",
                ),
                *(
                    html.Td(cell(float(of[i])))
                    for of in (chart.points, chart.centre, chart.low, chart.high)
                ),
                html.Td("yes" if chart.outside[i] else "no"),
            ]
        )
        for i in range(first, chart.points.size)
    ]
    return parts.numbers_table(
        f"Points of the {chart.name}",
        "point" if times is None else "day",
        ("point", "centre", "lower limit", "upper limit", "beyond the limits"),
        rows,
        f"The last {len(rows)} points in a table" if first else "The numbers in a table",
    )


def streams_csv(drift: Drift) -> str:
    """Write what is watched as CSV: a line for each bin or tower and kind, worst first."""

    def row(stream: Stream) -> list[object]:
        alarm = stream.alarm
        began: list[object] = [""] * 5
        ratios = (stream.ratio, stream.ratio_low, stream.ratio_high)
        if alarm is not None:
            moments = (alarm.began, alarm.began_earliest, alarm.began_latest, alarm.alarmed_at)
            began = [*map(_when, moments), alarm.shape]
            ratios = (alarm.ratio, alarm.ratio_low, alarm.ratio_high)
        return [
            parts.safe_cell(stream.tower),
            "all" if stream.bin is None else stream.bin,
            stream.kind,
            state(stream),
            _when(stream.since),
            *began,
            *("" if stream.since is None else v for v in (stream.observed, stream.expected)),
            "" if stream.since is None else stream.feeds,
            *map(number, (*ratios, stream.evidence, stream.statistic, stream.threshold)),
            _when(stream.monitored_from),
            number(stream.doubling_days),
        ]

    heads = (
        "tower bin kind state since began began_earliest began_latest noticed shape counted "
        "expected feeds times_expected times_low times_high evidence_share statistic threshold "
        "watched_from days_until_twice_is_noticed"
    )
    return parts.csv_text(heads.split(), map(row, drift.monitored))


def runs_csv(stream: Stream) -> str:
    """Write a stream's runs as CSV, with the running total and the evidence of the watched ones."""
    path = stream.path
    total, reach = path.beyond_expected()
    place = np.cumsum(path.monitored) - 1
    started = path.started.astype("datetime64[us]").tolist()

    def row(i: int) -> list[object]:
        of_watched: list[object] = [""] * 3
        if path.monitored[i]:
            at = place[i]
            of_watched = [float(v) for v in (total[at], reach[at], path.evidence[i])]
        return [
            parts.safe_cell(stream.tower),
            "all" if stream.bin is None else stream.bin,
            stream.kind,
            _when(started[i]),
            int(path.feeds[i]),
            int(path.observed[i]),
            float(path.expected[i]),
            "yes" if path.monitored[i] else "no",
            *of_watched,
        ]

    heads = (
        "tower bin kind started feeds counted expected watched above_expected_running_total "
        "stays_within evidence_share"
    )
    return parts.csv_text(heads.split(), map(row, range(path.started.size)))


def chart_csv(chart: Chart, times: Sequence[dt.datetime] | None) -> str:
    """Write the points of a chart of the literature as CSV, with the day of each if known."""
    rows = (
        [
            "" if times is None else times[i].date().isoformat(),
            *(number(float(v[i])) for v in (chart.points, chart.centre, chart.low, chart.high)),
            "yes" if chart.outside[i] else "no",
        ]
        for i in range(chart.points.size)
    )
    return parts.csv_text(["day", "point", "centre", "low", "high", "beyond_limits"], rows)


def _when(moment: dt.datetime | None) -> str:
    return "" if moment is None else moment.isoformat(timespec="minutes")


def number(value: float) -> float | str:
    """Return a number as a cell holds it: empty where there is none, or no end."""
    return value if math.isfinite(value) else ""
