"""Has a bin got worse, when, and by how much?

What is watched, with the evidence that anything has changed; of one bin, or one tower as a whole,
the running total of faults above expected, since when it grows, what was done meanwhile, and what
is likely behind it (`causes`). Wiring only: all numbers come from `analysis.answers`, over the
whole log. The first answer after the log has grown takes a while, so the page is there at once and
says that it works.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from functools import partial

from dash import Dash, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.causes import Causes
from analysis.charts import Chart
from analysis.counts import Account
from analysis.drift import Drift
from analysis.filters import FilterError, Filters
from analysis.stream_months import ENOUGH_EXPECTED
from analysis.streams import Alarm, Stream, expected_faults, range_in_words
from analysis.trends import Mark
from analysis.words import called, listed, one, two_digits
from dashboard import filters as shown_filters
from dashboard import parts, theme
from dashboard.data import Data
from dashboard.figures import drift as figures
from dashboard.figures.done import done_rows
from dashboard.figures.known_charts import known_chart
from dashboard.filters import from_query, parse_query, to_query
from dashboard.pages import causes, later
from dashboard.pages.stream_list import StreamList, not_judged
from dashboard.pages.stream_numbers import (
    chart_csv,
    months_table,
    points_table,
    runs_csv,
    streams_csv,
)
from dashboard.pages.stream_past import before, done
from dashboard.pages.streams import (
    FOLLOWED,
    PATH,
    file_name,
    marks_of,
    span,
    stream_asked,
    stream_named,
    watched,
)

NAME = "Drift"


#: What the page has in the address beside the filter.
_CHOICES = ("stream", "show", "chart")

_CHARTS = {"p": "p", "p-prime": "p′", "g": "g", "ewma": "EWMA"}

_WORKING = (
    "Working it out: each run is held against what its paper, air and settings explain. "
    "The first time after the log has grown this can take half a minute …"
)


def layout(data: Data, /, **query: Sequence[str]) -> Component:
    """Draw the page for an address; where the answer is not there yet, it comes by itself.

    Parameters
    ----------
    data : Data
        The store.
    **query : sequence of str
        The address, as `dashboard.filters.parse_query` reads it.

    Raises
    ------
    analysis.filters.FilterError
        When the address asks for what cannot be.
    """
    whole = data.whole()
    chosen = from_query(query, whole)
    stream_named(parts.last(query, "stream"))
    _chart_asked(query)
    if not whole.rows:
        return parts.nothing_logged()
    if data.knows_drift(watched(chosen)):
        return html.Div(answer(data, query), className="drift")
    asking = later.page("drift", query, "Has a bin got worse?", _WORKING)
    return html.Div(asking, className="drift")


def register(app: Dash, data: Data) -> None:
    """Answer after the page is there; serve the numbers behind the figures."""
    causes.register(app, data)

    later.page_when_asked(app, "drift", partial(answer, data), "drift could not be worked out")

    def numbers(name: str) -> Response:
        query = parse_query(request.query_string.decode())
        try:
            chosen = from_query(query, data.whole())
            drift = data.drift(watched(chosen))
            if name == "streams":
                days = parts.file_name(chosen, drift.account)
                return parts.csv_answer(streams_csv(drift), f"feedtally-drift-{days}")
            stream = stream_asked(drift, query)
            if stream is None:
                return Response("nothing is watched here\n", 400, mimetype="text/plain")
            if name == "runs":
                text = runs_csv(stream)
            else:
                asked = _chart_asked(query)
                if not asked:
                    told = f"no chart is asked for; write chart={', '.join(_CHARTS)}"
                    return Response(f"{told}\n", 400, mimetype="text/plain")
                text = chart_csv(*_known(data, stream, asked))
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        return parts.csv_answer(text, f"{file_name(stream)}-{name}")

    for name in ("streams", "runs", "chart"):
        app.server.add_url_rule(
            f"{PATH}/{name}.csv", f"drift_{name}", numbers, defaults={"name": name}
        )


def _chart_asked(query: shown_filters.Query) -> str:
    asked = parts.last(query, "chart")
    if asked and asked not in _CHARTS:
        raise FilterError(f"chart is {asked}; write one of {', '.join(_CHARTS)}")
    return asked


def answer(data: Data, query: shown_filters.Query) -> list[Component]:
    """Say what has got worse; this is the slow part.

    Parameters
    ----------
    data : Data
        The store.
    query : mapping
        The address.

    Raises
    ------
    analysis.filters.FilterError
        When the address asks for what cannot be.
    """
    whole = data.whole()
    chosen = from_query(query, whole)
    drift = data.drift(watched(chosen))
    if not drift.monitored:
        return [html.H1(drift.sentence())]
    stream = stream_asked(drift, query)
    assert stream is not None
    moved = data.setting_marks(stream.tower, stream.bin) if stream.bin is not None else []
    chart = _chart_asked(query)
    known = _known(data, stream, chart) if chart else None
    found = causes.known(data, stream)
    return _Shown(drift, stream, chosen, whole, query, moved, known, found).answer()


def _known(data: Data, stream: Stream, name: str) -> tuple[Chart, list[dt.datetime] | None]:
    """Return a classical chart of a stream, and when each of its points was, if that is known."""
    chart = data.known_chart(stream.tower, stream.bin, stream.kind, name)
    return chart, list(chart.when) if chart.when else None


class _Shown:
    """What the page says of a drift and of one stream of it."""

    def __init__(
        self,
        drift: Drift,
        stream: Stream,
        chosen: Filters,
        whole: Account,
        query: shown_filters.Query,
        moved: Sequence[Mark] = (),
        known: tuple[Chart, list[dt.datetime] | None] | None = None,
        found: Causes | None = None,
    ) -> None:
        self.drift, self.stream, self.known, self.causes = drift, stream, known, found
        self.filters, self.whole, self.query = chosen, whole, query
        self.marks = marks_of(stream, drift.marks, moved)
        self.kind, self.alarm = stream.kind, stream.alarm
        self.named = stream_named(parts.last(query, "stream"))
        self.asked = self.named is not None and drift.stream(*self.named) is stream
        self.chosen = {
            name: value
            for name, value in shown_filters.page_choices(query).items()
            if name in _CHOICES
        }
        since, until = chosen.since, chosen.until
        # The usual period is nobody's wish, and too short to see when something began.
        usual = (since, until) == shown_filters.usual_period(whole)
        self.period = (None, None) if usual else (since, until)

    def to(self, **chosen: str) -> str:
        """Return the address of the same view with other choices."""
        return to_query(self.filters, self.whole, **{**self.chosen, **chosen}) or "?"

    def answer(self) -> list[Component]:
        told = self.stream.sentence() if self.asked else self.drift.sentence()
        return [
            html.H1(told),
            *self._below(),
            *self._one_stream(),
            self._list().section(),
            *self._evidence(),
            *self._charts(),
            *not_judged(self.drift),
        ]

    def _below(self) -> list[Component]:
        found: list[Component] = [html.P(self._sub_line(), className="sub")]
        notes = []
        if self.named is not None and not self.asked:
            tower, number, kind = self.named
            place = f"tower {tower}" if number is None else f"bin {number} of tower {tower}"
            notes.append(
                f"The {kind} of {place} are not in this part of the log; shown is what comes first."
            )
        if self.alarm is not None and not self.alarm.confirmed:
            notes.append(self._too_high(self.alarm))
        notes += self._not_followed()
        return found + [html.P(text, className="key drift-note") for text in notes]

    def _sub_line(self) -> str:
        stream, alarm = self.stream, self.alarm
        if alarm is not None:
            since = "ratio by now" if alarm.shape == "ramp" else "ratio since then"
            return (
                f"{range_in_words(alarm)}; {since} {span(alarm.ratio_low, alarm.ratio_high)}; "
                f"{alarm.observed:,} {one(self.kind, alarm.observed)} where "
                f"{expected_faults(alarm.expected)} expected in {theme.many_feeds(alarm.feeds)}; "
                f"noticed on {theme.day(alarm.alarmed_at)}."
            )
        if stream.monitored_from is None:
            return "What is watched so far is in the list below."
        first = (
            "" if self.asked else f"Nearest to an alarm: the {self.kind} of {stream.name}, with "
        )
        told = "nothing expected yet"
        if math.isfinite(stream.ratio):
            told = (
                f"{two_digits(stream.ratio)} times what was expected "
                f"({span(stream.ratio_low, stream.ratio_high)})"
            )
        told = (
            f"{first}{told}; evidence now at {theme.percent(stream.evidence)} of what an alarm "
            "needs"
        )
        if not self.asked:
            return f"{told}; {stream.counted()}."
        # A slow one has said what it needs in the first line.
        return f"{told}; {stream.counted() if stream.slow else stream.needs()}."

    def _too_high(self, alarm: Alarm) -> str:
        so_far = expected_faults(alarm.expected_after)
        return (
            f"The ratio of {two_digits(alarm.ratio)} is likely too high: an alarm comes when luck "
            f"adds to the change. Trust it once {ENOUGH_EXPECTED:.0f} more {self.kind} were "
            f"expected after it was noticed; so far {so_far}."
        )

    def _not_followed(self) -> list[str]:
        held = [
            called(column)
            for column, values in self.filters.where
            if column not in FOLLOWED and not (column == "purpose" and values == ("production",))
        ]
        if not held:
            return []
        return [
            "This page looks at all production runs of a bin, whatever else the page is held to "
            f"({listed(held)})."
        ]

    def _one_stream(self) -> list[Component]:
        stream = self.stream
        if stream.monitored_from is None or not stream.path.monitored.any():
            return []
        said = figures.finding(stream)
        figure = parts.figured(
            "drift-total",
            [parts.mark(self.kind), said],
            said,
            figures.running_total(stream, self.marks, self.period),
            f"{file_name(stream)}-running-total",
            self._key_to_total(),
            self._numbers("runs"),
            months_table(stream),
        )
        return [
            html.Div(
                [
                    figure,
                    html.Div([done(stream, self.marks), *before(stream)]),
                ],
                className="drift-columns",
            ),
            causes.of_stream(stream, self.causes),
        ]

    def _key_to_total(self) -> str:
        told = (
            "Line: faults counted less those expected of the same feeds, added up run by run. "
            "Grey: where it stays 95\u00a0% of the time if nothing has changed."
        )
        if self.alarm is not None:
            told += " Shaded: when it began, with 95\u00a0% certainty."
        if any(not alarm.open for alarm in self.stream.alarms):
            told += " Hollow ring, grey shade: an earlier time that is over."
        if self.marks:
            told += " Dashed, triangle: a service; diamond: a setting moved on the same stock."
            first, last = figures.shown_period(self.stream, self.period)
            for row in done_rows(mark for mark in self.marks if first <= mark.when <= last):
                if row.unit != "day":
                    what = "moves" if row.moved else "services"
                    told += f" So many {what} that one mark stands for each {row.unit}."
        if self.period == (None, None):
            return f"{told} The whole time that it is watched; the period above can show a part."
        return f"{told} Only the period chosen above is shown; all runs are judged."

    def _list(self) -> StreamList:
        every = parts.last(self.query, "show") == "all"
        return StreamList(self.drift, self.stream, every, self.to, self._numbers("streams"))

    def _evidence(self) -> list[Component]:
        stream = self.stream
        if stream.monitored_from is None or not stream.path.monitored.any():
            return []
        said = figures.evidence_finding(stream)
        key = (
            "Each run adds to the evidence or takes from it. At the limit it is noticed, and the "
            "evidence starts anew at nought; so it does after a service. Its numbers stand in the "
            "table of the running total."
        )
        return [
            html.Div(
                parts.figured(
                    "drift-evidence",
                    [said],
                    said,
                    figures.evidence(stream, self.marks, self.period),
                    f"{file_name(stream)}-evidence",
                    key,
                    self._numbers("runs"),
                ),
                className="later",
            )
        ]

    def _charts(self) -> list[Component]:
        if not self.stream.path.started.size:
            return []
        asked = _chart_asked(self.query)
        turns = parts.either(
            "Chart",
            ("none", self.to(chart=""), not asked),
            *((label, self.to(chart=name), name == asked) for name, label in _CHARTS.items()),
        )
        body: list[Component] = [
            html.P(
                "Charts of the literature, by day, as logged: none of them knows paper, air and "
                "settings, so a change of job mix looks like a change of the tower; and faults are "
                "so rare that most points are noughts. For comparison only.",
                className="key",
            ),
            html.Div(turns, className="turns"),
        ]
        if self.known is not None:
            chart, times = self.known
            name = (
                f"{chart.name[:1].upper()}{chart.name[1:]}" if chart.name[0] != "p" else chart.name
            )
            said = f"{name} of the {self.kind} of {self.stream.name}"
            body.append(
                parts.figured(
                    "drift-known",
                    [said],
                    said,
                    known_chart(chart, times, self.kind),
                    f"{file_name(self.stream)}-{asked}",
                    f"{chart.sentence()} Solid: centre; dotted: limits ({chart.limits}).",
                    self._numbers("chart"),
                    points_table(chart, times),
                )
            )
        return [
            html.Details(
                [html.Summary("For those who know control charts: p, p′, g, EWMA"), *body],
                open=bool(asked),
                className="numbers later known-charts",
                id="drift-charts",
            )
        ]

    def _numbers(self, name: str) -> str:
        keep = {"show": "", **({} if name == "chart" else {"chart": ""})}
        if name == "streams":
            keep["stream"] = ""
        asked = self.to(**keep)
        return f"{PATH}/{name}.csv{'' if asked == '?' else asked}"
