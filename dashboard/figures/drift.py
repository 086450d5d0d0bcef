"""Has a bin got worse, and when did it begin?

The running total of faults above expected, with the band in which it stays where nothing has
changed; the evidence that the monitor has gathered, as a share of its limit; and, for those who
know them, the classical charts. What was done to the tower stands on all of them as dashed lines.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from analysis.charts import Chart
from analysis.streams import Alarm, Stream, expected_faults
from analysis.trends import Mark
from analysis.words import PER, one, two_digits
from dashboard import theme
from dashboard.figures.trends import Done, done_rows

#: A curve of more points than this is thinned; its peaks and its ends stay.
MOST_POINTS = 1500

Period = tuple[dt.datetime | None, dt.datetime | None]
Times = NDArray[np.datetime64]
Indices = NDArray[np.int64]
Numbers = NDArray[np.float64]

# Heights in pixels: what the axis counts, a line of words, a panel, the dates.
_TITLE, _LANE, _FOOT = 26, 20, 48
_PANEL = {"total": 300, "evidence": 170, "known": 220}
_LEFT, _RIGHT = 56, 78
# What words beside a line are taken to need in the narrowest window, so that none is written over
# the next ones.
_WIDTH_OF_LETTER, _LEAST_WIDTH, _LANES = 7.2, 600, 4
# Part of the panel's height that is left free above the curve, for words.
_FREE = 0.18
_FREE_ABOVE_LIMIT = 0.3
_MOST_LETTERS = 34
# More moves of settings than this have no lines: they would be a fence before the curve.
_MOST_MOVES = 12


@dataclass(frozen=True)
class _Placed:
    """What was done on a day, and where its words stand: a lane above the panel, or none."""

    done: Done
    moved: bool
    words: str = ""
    lane: int | None = None
    to_the_left: bool = False


def finding(stream: Stream) -> str:
    """Say what the running total shows: ``Bin 7 of tower B: 29 doubles more than expected``."""
    total = stream.path.beyond_expected()[0]
    if not total.size:
        return f"{_named(stream)} is not watched yet"
    alarm = stream.alarm
    if alarm is None:
        since = _moment(stream.path.started[stream.path.monitored][0])
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
    first, last = _moment(times[0]), _moment(times[-1])
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
    sheet = _Sheet(
        f"<b>{stream.kind}</b> above expected, running total",
        "total",
        shown_period(stream, period),
        _placed(marks, shown_period(stream, period), stream),
    )
    inside = sheet.inside(times)
    kept = _thinned(total, inside)
    at = _written(times[kept])
    colour = theme.INK_OF_KIND[stream.kind]
    sheet.add(
        x=[*at, *at[::-1]],
        y=[*_round(reach[kept]), *_round(-reach[kept])[::-1]],
        mode="lines",
        fill="toself",
        fillcolor=theme.LIGHT.band,
        line={"width": 0, "color": theme.LIGHT.band},
        hoverinfo="skip",
        name="band",
    )
    observed, expected = (np.cumsum(v[some]) for v in (stream.path.observed, stream.path.expected))
    since = theme.day(_moment(times[0]))
    sheet.add(
        x=at,
        y=_round(total[kept]),
        mode="lines",
        line={"width": 2.5, "color": colour},
        hovertext=[
            f"{theme.day(_moment(times[i]))}: {_above(total[i], stream.kind)};<br>"
            f"{observed[i]:,} where {expected_faults(expected[i])} expected since {since}."
            for i in kept
        ],
        hoverinfo="text",
        name="total",
    )
    low = min(0.0, float(np.min(total[inside])), float(np.min(-reach[inside])))
    high = max(0.0, float(np.max(total[inside])), float(np.max(reach[inside])))
    sheet.scale(low, high)
    sheet.rule(0.0, "nought")
    _began(sheet, stream)
    # Above a rising curve to the left, or below it to the right.
    _noticed(sheet, stream, times, total, usual_left=True)
    sheet.note(
        text=f"{_signed(total[np.flatnonzero(inside)[-1]])} in all",
        xref="x",
        yref="y",
        x=at[-1],
        y=float(total[np.flatnonzero(inside)[-1]]),
        xanchor="left",
        xshift=8,
        font={"size": 14, "color": colour},
        name="at the end",
    )
    return sheet.drawn()


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
    sheet = _Sheet(
        "<b>evidence</b>, % of its limit",
        "evidence",
        shown_period(stream, period),
        _placed(marks, shown_period(stream, period), stream),
        worded=False,
    )
    inside = sheet.inside(times)
    xs: list[str] = []
    ys: list[float] = []
    told: list[str] = []
    for i in _thinned(share, inside):
        at, day = _written(times[i : i + 1])[0], theme.day(_moment(times[i]))
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
    sheet.add(
        x=xs,
        y=ys,
        mode="lines",
        line={"width": 2, "color": theme.INK_OF_KIND[stream.kind]},
        hovertext=told,
        hoverinfo="text",
        name="evidence",
    )
    # A word stands between the limit and the marks of what was done.
    free = _FREE_ABOVE_LIMIT if sheet.placed else _FREE
    sheet.scale(0.0, max(100.0, float(np.max(100 * share[inside]))), free)
    sheet.rule(100.0, "limit", dash="dot")
    sheet.note(
        text="limit",
        xref="paper",
        yref="y",
        x=1,
        y=100,
        xanchor="left",
        xshift=8,
        font={"size": 13, "color": theme.LIGHT.ink},
        name="limit",
    )
    # Right of where it falls to nought, below the line of the limit.
    _noticed(sheet, stream, times, 100 * share, usual_left=False)
    return sheet.drawn()


def known_chart(chart: Chart, times: Sequence[dt.datetime] | None, kind: str) -> go.Figure:
    """Draw a classical chart as the literature has it: points, centre and limits.

    Parameters
    ----------
    chart : Chart
        As `analysis.charts` makes it.
    times : sequence of datetime or None
        When each of its points was; None where that is not known, and they stand by number.
    kind : str
        Of fault, for the colour.

    Returns
    -------
    go.Figure
        Traces ``centre``, ``low`` and ``high``; ``points``, and ``beyond`` where any lies beyond
        its limits.
    """
    there = ~np.isnan(chart.points)
    if not there.any():
        return _no_points()
    # Rates are read per 10,000 feeds everywhere.
    scale = PER if "per feed" in chart.what else 1
    spots: list[str] | list[int] = list(range(1, chart.points.size + 1))
    names = [f"Point {number:,}" for number in spots]
    if times is not None:
        spots = [at.isoformat(timespec="minutes") for at in times]
        names = [theme.day(at) for at in times]
    first, last = (int(i) for i in np.flatnonzero(there)[[0, -1]])
    sheet = _Sheet(_unit(chart), "known", _days(times, first, last))
    kept = np.union1d(_thinned(chart.points, there), np.flatnonzero(chart.outside & there))
    for name, line, dash in (
        ("centre", chart.centre, "solid"),
        ("low", chart.low, "dot"),
        ("high", chart.high, "dot"),
    ):
        if not np.isnan(line[kept]).all():
            sheet.add(
                x=[spots[i] for i in kept],
                y=[None if np.isnan(v) else float(v) * scale for v in line[kept]],
                mode="lines",
                line={"width": 1.2, "color": theme.LIGHT.ink, "dash": dash, "shape": "hvh"},
                hoverinfo="skip",
                name=name,
            )
    colour = theme.INK_OF_KIND[kind]
    for name, which, mark in (
        ("points", ~chart.outside, {"size": 5, "color": colour}),
        ("beyond", chart.outside, {"size": 10, "color": theme.LIGHT.warning, "symbol": "diamond"}),
    ):
        chosen = kept[which[kept]]
        if chosen.size:
            end = ", beyond the limits" if name == "beyond" else ""
            sheet.add(
                x=[spots[i] for i in chosen],
                y=_round(chart.points[chosen] * scale, 6),
                mode="markers",
                marker=mark,
                cliponaxis=False,
                hovertext=[
                    f"{names[i]}: {two_digits(float(chart.points[i]) * scale)}{end}."
                    for i in chosen
                ],
                hoverinfo="text",
                name=name,
            )
    ends = np.concatenate([v[there & ~np.isnan(v)] for v in (chart.points, chart.low, chart.high)])
    sheet.scale(min(0.0, float(ends.min()) * scale), float(ends.max()) * scale)
    _name_lines(sheet, chart, int(kept[-1]), scale)
    figure = sheet.drawn()
    if times is None:
        by_number = {"type": "linear", "range": [first, last + 2], "tickformat": ",d"}
        figure.update_layout(xaxis=by_number)
    return figure


def _days(
    times: Sequence[dt.datetime] | None, first: int, last: int
) -> tuple[dt.datetime, dt.datetime]:
    if times is None:
        # Replaced by numbers.
        return dt.datetime.min, dt.datetime.max
    return times[first], max(times[last], times[first] + dt.timedelta(days=1))


def _unit(chart: Chart) -> str:
    return theme.label(chart.what.replace("faults per feed", "faults per 10,000 feeds"))


def _name_lines(sheet: _Sheet, chart: Chart, last: int, scale: float) -> None:
    """Name centre and limits at their right ends, unless one would stand on the other."""
    taken: list[float] = []
    for text, line in (("centre", chart.centre), ("limit", chart.high), ("limit", chart.low)):
        at = float(line[last]) * scale
        apart = 0.07 * (sheet.range[1] - sheet.range[0])
        if not np.isnan(at) and all(abs(at - other) > apart for other in taken):
            taken.append(at)
            sheet.note(
                text=text,
                xref="paper",
                yref="y",
                x=1,
                y=at,
                xanchor="left",
                xshift=8,
                font={"size": 13, "color": theme.LIGHT.ink},
                name=text,
            )


def _no_points() -> go.Figure:
    figure = go.Figure(layout={"template": theme.template()})
    figure.update_layout(
        height=80,
        xaxis={"visible": False},
        yaxis={"visible": False},
        annotations=[
            {
                "text": "no points yet",
                "showarrow": False,
                "font": {"size": 14, "color": theme.LIGHT.quiet},
            }
        ],
    )
    return figure


class _Sheet:
    """A panel over time, with lanes of words above it."""

    def __init__(
        self,
        title: str,
        panel: str,
        period: tuple[dt.datetime, dt.datetime],
        placed: Sequence[_Placed] = (),
        *,
        worded: bool = True,
    ) -> None:
        self.first, self.last = period
        self.placed = placed
        lanes = [spot.lane + 1 for spot in placed if spot.lane is not None] if worded else []
        self.worded, self.lanes = worded, max(lanes, default=0)
        self.panel = _PANEL[panel]
        self.head = _TITLE + _LANE * self.lanes + (10 if placed else 0)
        self.traces: list[dict[str, object]] = []
        self.shapes: list[dict[str, object]] = []
        self.notes: list[dict[str, object]] = []
        self.range, self.wide = (0.0, 1.0), 1.0
        self.note(
            text=title,
            xref="paper",
            yref="paper",
            x=0,
            y=1,
            xanchor="left",
            yanchor="bottom",
            xshift=-_LEFT + 4,
            yshift=self.head - _TITLE + 6,
            font={"size": 14, "color": theme.LIGHT.quiet},
            name="title",
        )

    def inside(self, times: Times) -> NDArray[np.bool_]:
        """Tell which runs are drawn."""
        first, last = (np.datetime64(at, "us") for at in (self.first, self.last))
        return np.asarray((times >= first) & (times <= last))

    def struck(self, at: dt.datetime, wide: float) -> bool:
        """Tell whether a dashed line crosses words so wide beside a moment; left if negative."""
        whole = self.last - self.first
        low, high = sorted(at + whole * (part * wide / _LEAST_WIDTH) for part in (0.03, 1.0))
        return any(low <= spot.done.at <= high for spot in self.placed if spot.words)

    def side(self, at: dt.datetime, ends: dt.datetime, wide: float, usual: bool) -> bool:
        """Tell whether words stand left of a moment, not right of where it ends.

        As usual, unless a dashed line or the end of the panel is there and not on the other side.
        """
        whole = self.last - self.first
        room = {
            True: at - whole * (wide / _LEAST_WIDTH) >= self.first,
            # Beyond the panel stand the names of its lines.
            False: ends + whole * (wide / _LEAST_WIDTH) <= self.last,
        }
        clear = {True: not self.struck(at, -wide), False: not self.struck(ends, wide)}
        return max((usual, not usual), key=lambda left: (room[left], clear[left]))

    def add(self, **trace: object) -> None:
        self.traces.append({"type": "scatter", **trace})

    def note(self, **note: object) -> None:
        quiet = {"size": 13, "color": theme.LIGHT.quiet}
        self.notes.append({"showarrow": False, "font": quiet, **note})

    def scale(self, low: float, high: float, free: float = _FREE) -> None:
        """Set the scale, with room for words above what is drawn."""
        wide = high - low or 1.0
        self.wide = wide
        # And a little below, so that what lies on nought is whole.
        self.range = (low - 0.03 * wide, high + free * wide)

    def rule(self, at: float, name: str, dash: str = "solid") -> None:
        self.shapes.append(
            {
                "type": "line",
                "xref": "paper",
                "yref": "y",
                "x0": 0,
                "x1": 1,
                "y0": at,
                "y1": at,
                "line": {"color": theme.LIGHT.ink, "width": 1.2, "dash": dash},
                "name": name,
            }
        )

    def drawn(self) -> go.Figure:
        self._done()
        # Room for the last mark; not after the last year there is.
        end = self.last + min((self.last - self.first) * 0.01, dt.datetime.max - self.last)
        layout = {
            "template": theme.template(),
            "xaxis": {
                "range": [self.first.isoformat(), end.isoformat(timespec="seconds")],
                "type": "date",
                "showgrid": False,
                "ticks": "outside",
                "ticklen": 4,
                "tickcolor": theme.LIGHT.quiet,
                "tickformat": "%-d %b\n%Y",
                "nticks": 8,
            },
            "yaxis": {
                "range": list(self.range),
                "nticks": 6,
                "showline": False,
                "tickformat": ",~g",
            },
            "shapes": self.shapes,
            "annotations": self.notes,
            "height": self.head + self.panel + _FOOT,
            "margin": {"l": _LEFT, "r": _RIGHT, "t": self.head, "b": _FOOT},
        }
        # Made at once: plotly looks over all of a figure whenever it is changed.
        return go.Figure(data=self.traces, layout=layout)

    def _done(self) -> None:
        """Draw what was done: a dashed line, its words above, and a mark that tells all of it."""
        for moved in (False, True):
            row = [spot for spot in self.placed if spot.moved == moved]
            if row:
                self.add(
                    x=[spot.done.at.isoformat(timespec="minutes") for spot in row],
                    # Moves a little lower, so that neither hides the other.
                    y=[self.range[1] - (0.05 * self.wide if moved else 0.0)] * len(row),
                    mode="markers",
                    marker={
                        "symbol": "diamond-open" if moved else "triangle-up",
                        "size": 9,
                        "color": theme.LIGHT.ink,
                        "line": {"color": theme.LIGHT.ink, "width": 1.5},
                    },
                    cliponaxis=False,
                    hovertext=[_done_sentence(spot.done) for spot in row],
                    hoverinfo="text",
                    name="settings moved" if moved else "services",
                )
        for spot in self.placed:
            if not spot.words:
                # A mark of a week or a month is at no one moment.
                continue
            at = spot.done.at.isoformat(timespec="minutes")
            lane = spot.lane if self.worded else None
            high = 0 if lane is None else 10 + _LANE * lane + _LANE // 2
            self.shapes.append(
                {
                    "type": "line",
                    "xref": "x",
                    "yref": "paper",
                    "x0": at,
                    "x1": at,
                    "y0": 0,
                    "y1": 1 + high / self.panel,
                    "line": {"color": theme.LIGHT.quiet, "width": 1.2, "dash": "dash"},
                    "name": "done",
                }
            )
            if lane is not None:
                self.note(
                    text=theme.label(spot.words),
                    xref="x",
                    yref="paper",
                    x=at,
                    y=1,
                    xanchor="right" if spot.to_the_left else "left",
                    xshift=-5 if spot.to_the_left else 5,
                    yanchor="middle",
                    yshift=10 + _LANE * lane + _LANE // 2,
                    name="done",
                )


def _placed(
    marks: Iterable[Mark], period: tuple[dt.datetime, dt.datetime], stream: Stream
) -> tuple[_Placed, ...]:
    """Find room above the panel for the words of what was done; some have none."""
    first, last = period
    rows = done_rows(mark for mark in marks if first <= mark.when <= last)
    some = [(done, row) for row in rows for done in row.marks]
    taken: list[list[tuple[float, float]]] = [[] for _ in range(_LANES)]

    def free(lane: int, low: float, high: float) -> bool:
        return all(high < a or low > b for a, b in taken[lane])

    def place(done: Done) -> float:
        return (done.at - first) / (last - first) * _LEAST_WIDTH

    placed = []
    everywhere = [place(done) for done, _ in some]
    moves = sum(row.moved for _, row in some)
    # The last one first: words run to the right, so that each finds the lanes over the lines of
    # those that follow it.
    for done, row in sorted(some, key=lambda spot: spot[0].at, reverse=True):
        if row.unit != "day" or (row.moved and moves > _MOST_MOVES):
            placed.append(_Placed(done, row.moved))
            continue
        words = _short(done, stream)
        x = place(done)
        wide = len(words) * _WIDTH_OF_LETTER + 10
        reach = {False: (x - 4, x + wide), True: (x - wide, x + 4)}
        fits = {
            False: x + wide < _LEAST_WIDTH + _RIGHT,
            # To the left it would bar the way of those before it.
            True: x - wide > -_LEFT and not any(x - wide < at < x - 4 for at in everywhere),
        }
        found = next(
            (
                (lane, left)
                for left in (False, True)
                for lane in range(_LANES)
                # Its line passes the lanes below its own.
                if fits[left]
                and free(lane, *reach[left])
                and all(free(below, x - 4, x + 4) for below in range(lane))
            ),
            None,
        )
        if found is None:
            placed.append(_Placed(done, row.moved, words))
            continue
        lane, left = found
        taken[lane].append(reach[left])
        for below in range(lane):
            taken[below].append((x - 4, x + 4))
        placed.append(_Placed(done, row.moved, words, lane, left))
    return tuple(sorted(placed, key=lambda spot: spot.done.at))


def _short(done: Done, stream: Stream) -> str:
    """Name what was done on a day; where it was done is told by its mark."""
    words = done.told[0].partition(f", tower {stream.tower}")[0]
    if len(words) > _MOST_LETTERS:
        words = f"{words[: _MOST_LETTERS - 1]}…"
    more = len(done.told) - 1
    return f"{words} and {more} more" if more else words


def _done_sentence(done: Done) -> str:
    lines = [theme.label(line) for line in done.told]
    if len(lines) > 8:
        lines = [*lines[:7], f"and {len(lines) - 7} more"]
    return f"{done.name}: " + ",<br>".join(lines)


def _began(sheet: _Sheet, stream: Stream) -> None:
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
            if crossed and (ends - begins) / (sheet.last - sheet.first) > 90 / _LEAST_WIDTH:
                at, anchor = begins + (ends - begins) / 2, "center"
            sheet.note(
                text="began here",
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
    sheet: _Sheet, stream: Stream, times: Times, values: Numbers, *, usual_left: bool
) -> None:
    """Mark where each alarm was raised; one that is over is hollow."""
    spots: list[tuple[str, float, Alarm]] = []
    for alarm in stream.alarms:
        if sheet.first <= alarm.alarmed_at <= sheet.last:
            found = int(np.searchsorted(times, np.datetime64(alarm.alarmed_at, "us")))
            i = min(found, times.size - 1)
            spots.append((_written(times[i : i + 1])[0], float(values[i]), alarm))
    if not spots:
        return
    ink = theme.LIGHT.ink
    sheet.add(
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
                text="noticed",
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
        f"expected<br>({two_digits(alarm.ratio_low)} to {two_digits(alarm.ratio_high)}) since "
        f"about {theme.day(alarm.began)}."
    )
    if alarm.closed_at is not None:
        told += f"<br>Over on {theme.day(alarm.closed_at)}: {theme.label(alarm.closed_by)}."
    return told


def _of_its_limit(share: float) -> str:
    return f"the evidence is at {theme.percent(float(share))} of its limit"


def _thinned(values: Numbers, inside: NDArray[np.bool_]) -> Indices:
    """Return the runs that are drawn: of each of many parts the ends, the lowest and the highest.

    A curve so thinned keeps every peak and every fall.
    """
    chosen = np.flatnonzero(inside)
    if chosen.size <= MOST_POINTS:
        return np.asarray(chosen, dtype=np.int64)
    kept: list[int] = [int(chosen[0]), int(chosen[-1])]
    for part in np.array_split(chosen, MOST_POINTS // 3):
        along = values[part]
        kept += [int(part[i]) for i in (-1, np.argmin(along), np.argmax(along))]
    return np.unique(np.array(kept, dtype=np.int64))


def _above(number: float, kind: str) -> str:
    """Say how many more or fewer there were: ``12 doubles more than expected``."""
    many = _amount(abs(number))
    if many in ("0", "0.0"):
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


def _moment(at: np.datetime64) -> dt.datetime:
    moment = at.astype("datetime64[us]").item()
    assert isinstance(moment, dt.datetime)
    return moment


def _written(times: Times) -> list[str]:
    return [str(text) for text in np.datetime_as_string(times, unit="m")]


def _round(values: Numbers, digits: int = 3) -> list[float]:
    return [float(v) for v in np.round(values, digits)]
