"""Has a bin got worse, and when did it begin?

The running total of faults above expected, with the band in which it stays where nothing has
changed; and the evidence that the monitor has gathered, as a share of its limit. What was done to
the tower stands on both as dashed lines.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

import numpy as np
import plotly.graph_objects as go

from analysis.streams import Alarm, Stream, expected_faults
from analysis.trends import Mark
from analysis.words import one, times_range, two_digits
from dashboard import theme
from dashboard.figures.time_panel import (
    FREE,
    LEAST_WIDTH,
    Numbers,
    TimePanel,
    Times,
    moment,
    placed,
    rounded,
    thinned,
    written,
)

Period = tuple[dt.datetime | None, dt.datetime | None]

# Heights of the panels in pixels.
_TOTAL, _EVIDENCE = 300, 170
# Part of the evidence's panel that is left free above the limit, where marks stand there too.
_FREE_ABOVE_LIMIT = 0.3


def finding(stream: Stream) -> str:
    """Say what the running total shows: ``Bin 7 of tower B: 29 doubles more than expected``."""
    total = stream.path.beyond_expected()[0]
    if not total.size:
        return f"{_named(stream)} is not watched yet"
    alarm = stream.alarm
    if alarm is None:
        since = moment(stream.path.started[stream.path.monitored][0])
        return f"{_named(stream)}: {_above(total[-1], stream.kind)} since {theme.day(since)}"
    more = alarm.observed - alarm.expected
    return f"{_named(stream)}: {_above(more, stream.kind)} since about {theme.day(alarm.began)}"


def evidence_finding(stream: Stream) -> str:
    """Say how near its limit the evidence is."""
    alarm = stream.alarm
    if alarm is not None:
        return f"Evidence: it passed its limit on {theme.day(alarm.alarmed_at)}"
    return f"Evidence: now {theme.percent(stream.evidence)} of what an alarm needs"


def shown_period(stream: Stream, period: Period) -> tuple[dt.datetime, dt.datetime]:
    """Return the part of a stream's time that is drawn; all where the period has no run of it.

    Parameters
    ----------
    stream : Stream
        Monitored.
    period : pair of datetime or None
        What is asked for; an open end is the first or the last monitored run.
    """
    times = stream.path.started[stream.path.monitored]
    first, last = moment(times[0]), moment(times[-1])
    since, until = period[0] or first, period[1] or last
    if not ((times >= np.datetime64(since)) & (times <= np.datetime64(until))).any():
        since, until = first, last
    since = max(since, first)
    # A single run has no width.
    until = max(min(until, last), since + dt.timedelta(days=1))
    return since, until


def running_total(
    stream: Stream, marks: Iterable[Mark] = (), period: Period = (None, None)
) -> go.Figure:
    """Draw the faults above expected as a running total, and where it began to grow.

    Parameters
    ----------
    stream : Stream
        Monitored.
    marks : iterable of Mark
        What was done to its tower or bin.
    period : pair of datetime or None
        The part of the time that is drawn; the total is that since the first monitored run.

    Returns
    -------
    go.Figure
        Traces ``band``, ``total``, ``noticed``, and ``services`` and ``settings moved`` where
        there are any; shapes ``began``, ``nought`` and ``done``.
    """
    some = stream.path.monitored
    times = stream.path.started[some]
    total, reach = stream.path.beyond_expected()
    sheet = TimePanel(
        f"<b>{stream.kind}</b> above expected, running total",
        _TOTAL,
        shown_period(stream, period),
        placed(marks, shown_period(stream, period), stream.tower),
    )
    inside = sheet.inside(times)
    kept = thinned(total, inside)
    at = written(times[kept])
    colour = theme.INK_OF_KIND[stream.kind]
    sheet.add_scatter(
        x=[*at, *at[::-1]],
        y=[*rounded(reach[kept]), *rounded(-reach[kept])[::-1]],
        mode="lines",
        fill="toself",
        fillcolor=theme.LIGHT.band,
        line={"width": 0, "color": theme.LIGHT.band},
        hoverinfo="skip",
        name="band",
    )
    observed, expected = (np.cumsum(v[some]) for v in (stream.path.observed, stream.path.expected))
    since = theme.day(moment(times[0]))
    sheet.add_scatter(
        x=at,
        y=rounded(total[kept]),
        mode="lines",
        line={"width": 2.5, "color": colour},
        hovertext=[
            f"{theme.day(moment(times[i]))}: {_above(total[i], stream.kind)};<br>"
            f"{observed[i]:,} where {expected_faults(expected[i])} expected since {since}."
            for i in kept
        ],
        hoverinfo="text",
        name="total",
    )
    low = min(0.0, float(np.min(total[inside])), float(np.min(-reach[inside])))
    high = max(0.0, float(np.max(total[inside])), float(np.max(reach[inside])))
    sheet.scale(low, high)
    sheet.level(0.0, "nought")
    _began(sheet, stream)
    # Above a rising curve to the left, or below it to the right.
    _noticed(sheet, stream, times, total, usual_left=True)
    sheet.note(
        f"{_signed(total[np.flatnonzero(inside)[-1]])} in all",
        xref="x",
        yref="y",
        x=at[-1],
        y=float(total[np.flatnonzero(inside)[-1]]),
        xanchor="left",
        xshift=8,
        font={"size": 14, "color": colour},
        name="at the end",
    )
    return sheet.made()


def evidence(
    stream: Stream, marks: Iterable[Mark] = (), period: Period = (None, None)
) -> go.Figure:
    """Draw how much of its limit the evidence has reached; at an alarm it starts anew at nought.

    Parameters
    ----------
    stream, marks, period
        As of `running_total`.

    Returns
    -------
    go.Figure
        Traces ``evidence`` and ``noticed``; shapes ``limit`` and ``done``.
    """
    some = stream.path.monitored
    times, share = stream.path.started[some], stream.path.evidence[some]
    sheet = TimePanel(
        "<b>evidence</b>, % of its limit",
        _EVIDENCE,
        shown_period(stream, period),
        placed(marks, shown_period(stream, period), stream.tower),
        worded=False,
    )
    inside = sheet.inside(times)
    xs: list[str] = []
    ys: list[float] = []
    told: list[str] = []
    for i in thinned(share, inside):
        at, day = written(times[i : i + 1])[0], theme.day(moment(times[i]))
        alarm = share[i] >= 1
        said = "the evidence passed its limit: noticed" if alarm else _of_its_limit(share[i])
        xs.append(at)
        ys.append(round(100 * float(share[i]), 2))
        told.append(f"{day}: {said}.")
        if alarm:
            # Straight down, so that the new start is seen.
            xs.append(at)
            ys.append(0.0)
            told.append(f"{day}: after the alarm it starts anew at nought.")
    sheet.add_scatter(
        x=xs,
        y=ys,
        mode="lines",
        line={"width": 2, "color": theme.INK_OF_KIND[stream.kind]},
        hovertext=told,
        hoverinfo="text",
        name="evidence",
    )
    # A word stands between the limit and the marks of what was done.
    free = _FREE_ABOVE_LIMIT if sheet.placed else FREE
    sheet.scale(0.0, max(100.0, float(np.max(100 * share[inside]))), free)
    sheet.level(100.0, "limit", dash="dot")
    sheet.beside("limit", 100, name="limit")
    # Right of where it falls to nought, below the line of the limit.
    _noticed(sheet, stream, times, 100 * share, usual_left=False)
    return sheet.made()


def _began(sheet: TimePanel, stream: Stream) -> None:
    """Shade the days on which each open alarm may have begun; say it of the earliest."""
    colour = theme.INK_OF_KIND[stream.kind]
    first = True
    for alarm in stream.alarms:
        # A day has some width at least, or it would not be seen.
        least = (sheet.last - sheet.first) * 0.004
        begins = max(alarm.began_earliest, sheet.first)
        ends = min(max(alarm.began_latest, alarm.began_earliest + least), sheet.last)
        if ends <= begins:
            first = first and not alarm.open
            continue
        sheet.shapes.append(
            {
                "type": "rect",
                "xref": "x",
                "yref": "paper",
                "x0": begins.isoformat(timespec="minutes"),
                "x1": ends.isoformat(timespec="minutes"),
                "y0": 0,
                "y1": 1,
                "line": {"width": 0},
                "fillcolor": colour if alarm.open else theme.LIGHT.quiet,
                "opacity": 0.2 if alarm.open else 0.14,
                "name": "began" if alarm.open else "began, over",
            }
        )
        if alarm.open and first:
            first = False
            left = sheet.side(begins, ends, 90, True)
            at, anchor = (begins, "right") if left else (ends, "left")
            crossed = sheet.struck(begins, -90) if left else sheet.struck(ends, 90)
            if crossed and (ends - begins) / (sheet.last - sheet.first) > 90 / LEAST_WIDTH:
                at, anchor = begins + (ends - begins) / 2, "center"
            sheet.note(
                "began here",
                xref="x",
                yref="paper",
                x=at.isoformat(timespec="minutes"),
                y=1,
                xanchor=anchor,
                yanchor="top",
                xshift={"right": -6, "left": 6, "center": 0}[anchor],
                # Below the marks of what was done.
                yshift=-24 if sheet.placed else -8,
                font={"size": 14, "color": colour},
                name="began",
            )


def _noticed(
    sheet: TimePanel, stream: Stream, times: Times, values: Numbers, *, usual_left: bool
) -> None:
    """Mark where each alarm was raised; one that is over is hollow."""
    spots: list[tuple[str, float, Alarm]] = []
    for alarm in stream.alarms:
        if sheet.first <= alarm.alarmed_at <= sheet.last:
            found = int(np.searchsorted(times, np.datetime64(alarm.alarmed_at, "us")))
            i = min(found, times.size - 1)
            spots.append((written(times[i : i + 1])[0], float(values[i]), alarm))
    if not spots:
        return
    ink = theme.LIGHT.ink
    sheet.add_scatter(
        x=[x for x, _, _ in spots],
        y=[y for _, y, _ in spots],
        mode="markers",
        marker={
            "symbol": "circle",
            "size": 9,
            "color": [ink if alarm.open else theme.LIGHT.paper for _, _, alarm in spots],
            "line": {"color": ink, "width": 1.5},
        },
        cliponaxis=False,
        hovertext=[_noticed_sentence(alarm, stream.kind) for _, _, alarm in spots],
        hoverinfo="text",
        name="noticed",
    )
    for x, y, alarm in spots:
        if alarm.open:
            left = sheet.side(alarm.alarmed_at, alarm.alarmed_at, 66, usual_left)
            sheet.note(
                "noticed",
                xref="x",
                yref="y",
                x=x,
                y=y,
                xanchor="right" if left else "left",
                yanchor="bottom" if left else "top",
                xshift=-8 if left else 8,
                yshift=2 if left else -6,
                font={"size": 14, "color": ink},
                name="noticed",
            )


def _noticed_sentence(alarm: Alarm, kind: str) -> str:
    told = (
        f"Noticed on {theme.day(alarm.alarmed_at)}: {two_digits(alarm.ratio)} times the {kind} "
        f"expected<br>({times_range(alarm.ratio_low, alarm.ratio_high)}) since "
        f"about {theme.day(alarm.began)}."
    )
    if alarm.closed_at is not None:
        told += f"<br>Over on {theme.day(alarm.closed_at)}: {theme.label(alarm.closed_by)}."
    return told


def _of_its_limit(share: float) -> str:
    return f"the evidence is at {theme.percent(float(share))} of its limit"


def _above(number: float, kind: str) -> str:
    """Say how many more or fewer there were: ``12 doubles more than expected``."""
    many = _amount(abs(number))
    if many == "0":
        return f"as many {kind} as expected"
    noun = one(kind, 1) if many == "1" else kind
    return f"{many} {noun} {'more' if number > 0 else 'fewer'} than expected"


def _amount(number: float) -> str:
    return f"{number:,.0f}" if number >= 9.95 else f"{number:.1f}".removesuffix(".0")


def _signed(number: float) -> str:
    many = _amount(abs(float(number)))
    if many == "0":
        return "0"
    return f"{'+' if number > 0 else '−'}{many}"


def _named(stream: Stream) -> str:
    return f"{stream.name[:1].upper()}{stream.name[1:]}"
