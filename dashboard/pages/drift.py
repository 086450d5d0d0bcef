"""Has a bin got worse, when, and by how much?

What is watched, with the evidence that anything has changed; of one bin, or one tower as a whole,
the running total of faults above expected, since when it grows, and what was done meanwhile. Wiring
only: all numbers come from `analysis.answers`, over the whole log. The first answer after the log
has grown takes a while, so the page is there at once and says that it works.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import logging
import math
import re
from collections.abc import Iterable, Sequence

import numpy as np
from dash import Dash, Input, Output, dcc, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.charts import Chart
from analysis.counts import Account
from analysis.drift import (
    Alarm,
    Drift,
    Stream,
    expected_faults,
    long_time,
    range_in_words,
)
from analysis.filters import FilterError, Filters
from analysis.monitor import ENOUGH_EXPECTED
from analysis.starting_points import CAUTION
from analysis.trends import Mark
from analysis.words import one, two_digits
from dashboard import filters as shown_filters
from dashboard import parts, theme
from dashboard.data import Data
from dashboard.figures import drift as figures
from dashboard.figures.trends import done_rows
from dashboard.filters import from_query, parse_query, to_query

PATH, NAME = "/drift", "Drift"

#: Rows of the list before the rest is asked for.
MOST_ROWS = 12

#: Columns of a filter that choose what is watched; all runs of it are looked at.
FOLLOWED = ("tower", "bin", "site", "line")

#: What the page has in the address beside the filter.
_CHOICES = ("stream", "show", "chart")

_CHARTS = {"p": "p", "p-prime": "p′", "g": "g", "ewma": "EWMA"}

_LOG = logging.getLogger(__name__)
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
    return html.Div(
        [
            dcc.Store(id="drift-asked", data=shown_filters.written(query)),
            html.Div(
                [
                    html.H1("Has a bin got worse?"),
                    html.P(_WORKING, className="sub looking"),
                ],
                id="drift-answer",
            ),
            # The first line alone is said to those who hear the page, when it comes.
            html.P(_WORKING, id="drift-said", className="unseen", role="status"),
        ],
        className="drift",
    )


def register(app: Dash, data: Data) -> None:
    """Answer after the page is there; serve the numbers behind the figures."""

    @app.callback(
        Output("drift-answer", "children"),
        Output("drift-said", "children"),
        Input("drift-asked", "data"),
    )
    def _(asked: str | None) -> tuple[list[Component], object]:
        try:
            found = answer(data, parse_query(asked))
        except FilterError as error:
            found = _trouble("This address asks for what cannot be shown.", parts.sentence(error))
        except Exception:
            # A page that stands must not fall for it; the trace goes to whoever runs the program.
            _LOG.exception("drift could not be worked out")
            found = _trouble(
                "This could not be worked out.",
                "The reason is printed where feedtally was started. Open the page again.",
            )
        return found, found[0].children

    def numbers(name: str) -> Response:
        query = parse_query(request.query_string.decode())
        try:
            chosen = from_query(query, data.whole())
            drift = data.drift(watched(chosen))
            if name == "streams":
                days = parts.file_name(chosen, drift.account)
                return parts.csv_answer(streams_csv(drift), f"feedtally-drift-{days}")
            stream = _stream(drift, query)
            if stream is None:
                return Response("nothing is watched here\n", 400, mimetype="text/plain")
            if name == "runs":
                text = runs_csv(stream)
            else:
                asked = _chart_asked(query)
                if not asked:
                    told = f"no chart is asked for; write chart={', '.join(_CHARTS)}"
                    return Response(f"{told}\n", 400, mimetype="text/plain")
                text = _chart_csv(*_known(data, stream, asked))
        except FilterError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        return parts.csv_answer(text, f"{file_name(stream)}-{name}")

    for name in ("streams", "runs", "chart"):
        app.server.add_url_rule(
            f"{PATH}/{name}.csv", f"drift_{name}", numbers, defaults={"name": name}
        )


def _trouble(head: str, told: str) -> list[Component]:
    usual = html.A("usual view", href="?", className="inside")
    return [html.H1(head), html.P([f"{told} Go to the ", usual, "."], className="sub")]


def watched(chosen: Filters) -> Filters:
    """Return the part of a filter that chooses what is watched: places and a kind of fault."""
    where = tuple((column, values) for column, values in chosen.where if column in FOLLOWED)
    return Filters(None, None, where, chosen.kind)


def key_of(stream: Stream) -> str:
    """Write a stream as an address names it."""
    return named(stream.tower, stream.bin, stream.kind)


def named(tower: str, bin: int | None, kind: str) -> str:
    """Write a place and a kind as an address names them: ``B.7.doubles``, ``B.all.doubles``."""
    return f"{tower}.{'all' if bin is None else bin}.{kind}"


def stream_named(text: str) -> tuple[str, int | None, str] | None:
    """Read the name of a stream as `key_of` writes it; None for an empty one.

    Raises
    ------
    analysis.filters.FilterError
        When it cannot be read.
    """
    if not text:
        return None
    # A tower may have a dot in its name.
    tower, _, rest = text.rpartition(".")
    tower, _, number = tower.rpartition(".")
    if tower and rest in ("misses", "doubles") and (number == "all" or number.isdecimal()):
        return tower, None if number == "all" else int(number), rest
    raise FilterError(f"stream is {text}; write tower, bin (or all) and kind, like B.7.doubles")


def _chart_asked(query: shown_filters.Query) -> str:
    asked = parts.last(query, "chart")
    if asked and asked not in _CHARTS:
        raise FilterError(f"chart is {asked}; write one of {', '.join(_CHARTS)}")
    return asked


def _stream(drift: Drift, query: shown_filters.Query) -> Stream | None:
    """Return the stream that an address asks for; the first where it names none that is there."""
    named = stream_named(parts.last(query, "stream"))
    found = drift.stream(*named) if named else None
    return found or next(iter(drift.monitored), None)


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
    stream = _stream(drift, query)
    assert stream is not None
    moved = data.setting_marks(stream.tower, stream.bin) if stream.bin is not None else []
    chart = _chart_asked(query)
    known = _known(data, stream, chart) if chart else None
    return _Shown(drift, stream, chosen, whole, query, moved, known).answer()


def _known(data: Data, stream: Stream, name: str) -> tuple[Chart, list[dt.datetime] | None]:
    """Return a classical chart of a stream, and when each of its points was, if that is known."""
    chart = data.known_chart(stream.tower, stream.bin, stream.kind, name)
    return chart, list(chart.when) if chart.when else None


def marks_of(stream: Stream, services: Sequence[Mark], moved: Sequence[Mark] = ()) -> list[Mark]:
    """Return what was done to a stream's bin and to its tower as a whole, in order of time.

    Of a tower as a whole, to any of its bins.
    """
    places = (None, stream.bin)
    done = [
        mark
        for mark in (*services, *moved)
        if mark.tower == stream.tower and (stream.bin is None or mark.bin in places)
    ]
    return sorted(dict.fromkeys(done), key=lambda mark: mark.when)


def state(stream: Stream) -> str:
    """Say how a stream stands in a word or two."""
    if stream.alarm is not None:
        return "worse"
    if stream.unlearnt:
        return "not known" if stream.path.feeds.any() else "nothing watched"
    if stream.monitored_from is None:
        return "not yet watched"
    return "too few feeds" if stream.slow else "being watched"


def called(stream: Stream) -> str:
    """Name a stream's bin or tower in a list: ``Bin 7 of tower B``, ``Tower B as a whole``."""
    name = f"{stream.name[:1].upper()}{stream.name[1:]}"
    return f"{name} as a whole" if stream.bin is None else name


def file_name(stream: Stream) -> str:
    """Return a name for a stream's files that every file system takes."""
    place = "whole" if stream.bin is None else f"bin-{stream.bin}"
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", stream.tower).strip(".-_")[:48]
    return f"feedtally-drift-tower-{safe or 'x'}-{place}-{stream.kind}"


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
    ) -> None:
        self.drift, self.stream, self.known = drift, stream, known
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
            self._list(),
            *self._evidence(),
            *self._charts(),
            *self._not_judged(),
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
                f"{range_in_words(alarm)}; {since} {_span(alarm.ratio_low, alarm.ratio_high)}; "
                f"{alarm.observed:,} {one(self.kind, alarm.observed)} where "
                f"{expected_faults(alarm.expected)} expected in {theme.feeds(alarm.feeds)} feeds; "
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
                f"({_span(stream.ratio_low, stream.ratio_high)})"
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
            theme.called(column)
            for column, values in self.filters.where
            if column not in FOLLOWED and not (column == "purpose" and values == ("production",))
        ]
        if not held:
            return []
        return [
            "This page looks at all production runs of a bin, whatever else the page is held to "
            f"({theme.listed(held)})."
        ]

    def _one_stream(self) -> list[Component]:
        stream = self.stream
        if stream.monitored_from is None or not stream.path.monitored.any():
            return []
        said = figures.finding(stream)
        figure = parts.figured(
            "drift-total",
            [parts.mark(self.kind), f"{said}"],
            said,
            figures.running_total(stream, self.marks, self.period),
            f"{file_name(stream)}-running-total",
            self._key_to_total(),
            self._numbers("runs"),
        )
        return [
            html.Div(
                [
                    figure,
                    html.Div([self._done(), *self._before(), self._caution()]),
                ],
                className="drift-columns",
            )
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

    def _done(self) -> Component:
        stream = self.stream
        if self.alarm is not None:
            since, head = self.alarm.began_earliest, "What was done since it began"
        else:
            since = stream.since or self.stream.path.started[0].item()
            head = f"What was done since {theme.day(since)}"
        done = [mark for mark in self.marks if mark.when >= since]
        moves = [mark for mark in done if mark.moved]
        # Of a bin that runs many stocks there are hundreds.
        listed = done if len(moves) <= _FEW else [mark for mark in done if not mark.moved]
        days = sorted(
            (one_day for row in done_rows(listed) for one_day in row.marks),
            key=lambda one_day: one_day.at,
        )
        shown = days[-_MOST_DONE:]
        body: list[Component] = []
        if shown:
            items = [
                html.Li(
                    [
                        html.Span(one_day.name, className="about"),
                        html.Div("; ".join(self._did(told) for told in one_day.told)),
                    ]
                )
                for one_day in shown
            ]
            body.append(html.Ol(items, className="attention dated"))
        else:
            told = "No service" if stream.bin is None or moves else "No service, no setting moved"
            body.append(html.P(f"{told}, as far as it was logged."))
        more = []
        if len(days) > len(shown):
            more.append(f"The last {len(shown)} of {len(days):,}; all stand on the figure.")
        if len(moves) > _FEW:
            more.append(
                f"Settings were moved {len(moves):,} times on the same stock; the marks on the "
                "figure tell which."
            )
        return _section("drift-done", head, *body, *(html.P(t, className="key") for t in more))

    def _did(self, told: str) -> str:
        """Leave out the tower and bin that the page speaks of anyway."""
        stream = self.stream
        if stream.bin is None:
            return told.replace(f", tower {stream.tower}, bin", ", bin", 1)
        return told.replace(f", tower {stream.tower}, bin {stream.bin}", "", 1)

    def _before(self) -> list[Component]:
        over = [alarm for alarm in self.stream.alarms if alarm.closed_at is not None]
        again = [a for a in self.stream.alarms if a.open and a is not self.alarm]
        if not over and not again:
            return []
        items = [self._again(alarm) for alarm in again]
        items += [self._over(alarm) for alarm in reversed(over)]
        head = "When it was worse before" if over else "Worse again since"
        return [_section("drift-before", head, html.Ol(items, className="attention dated"))]

    def _again(self, alarm: Alarm) -> Component:
        told = (
            f"Worse again since about {theme.day(alarm.began)}: {two_digits(alarm.ratio)} times "
            f"({_span(alarm.ratio_low, alarm.ratio_high)}); noticed on "
            f"{theme.day(alarm.alarmed_at)}."
        )
        return html.Li([html.Span("now", className="about"), html.Div(told)])

    def _over(self, alarm: Alarm) -> Component:
        assert alarm.closed_at is not None
        lasted = (alarm.closed_at - alarm.began) / dt.timedelta(days=1)
        up_to = "up to " if alarm.shape == "ramp" else ""
        luck = "" if alarm.confirmed else ", likely too high"
        told = (
            f"{up_to}{two_digits(alarm.ratio)} times the {self.kind} expected "
            f"({_span(alarm.ratio_low, alarm.ratio_high)}{luck}) for about {long_time(lasted)}, "
            f"until {theme.day(alarm.closed_at)}: {alarm.closed_by}."
        )
        told = f"{told[:1].upper()}{told[1:]}"
        return html.Li([html.Span(theme.day(alarm.began), className="about"), html.Div(told)])

    def _caution(self) -> Component:
        first = (
            "Look at what its bins share first: vacuum, filters, air."
            if self.stream.bin is None
            else "Look at this bin and its paper first."
        )
        hands = html.Li(
            [html.Span("Caution", className="about warn"), html.Div(CAUTION)], id="drift-caution"
        )
        items = [hands]
        if self.alarm is not None:
            items.insert(0, html.Li([html.Span("First", className="about"), html.Div(first)]))
        return _section(
            "drift-next", "Before you look into it", html.Ol(items, className="attention")
        )

    def _list(self) -> Component:
        streams = self.drift.monitored
        every = parts.last(self.query, "show") == "all" or len(streams) <= MOST_ROWS
        shown = list(streams if every else streams[:MOST_ROWS])
        if self.stream not in shown:
            # What the page speaks of is always in its list.
            shown.append(self.stream)
        turns: list[Component] = []
        if len(streams) > MOST_ROWS:
            few, many = self.to(show=""), self.to(show="all")
            ways = ((f"first {MOST_ROWS}", few, not every), (f"all {len(streams):,}", many, every))
            turns = [html.Div(parts.either("Shown", *ways), className="turns")]
        heads = [
            "kind",
            "since about (range)",
            "times expected (range)",
            "counted where expected",
            "evidence, share of limit",
            "so it is",
        ]
        table = parts.table(
            "What is watched, worst first",
            ["bin or tower", *heads],
            [self._row(stream) for stream in shown],
        )
        return html.Section(
            [
                html.H2("What is watched, worst first", id="drift-streams"),
                *turns,
                html.Div(table, className="wide drift-list"),
                html.P(self._key_to_list(), className="key"),
                html.P(
                    [
                        "Save the numbers as ",
                        html.A("CSV", href=self._numbers("streams"), id="drift-streams-csv"),
                    ],
                    className="save",
                ),
            ],
            **theme.attributes(aria_labelledby="drift-streams"),
        )

    def _row(self, stream: Stream) -> Component:
        here = stream is self.stream
        first = stream is self.drift.monitored[0]
        current = theme.attributes(aria_current="true") if here else {}
        link = html.A(
            [called(stream), html.Span(f", {stream.kind}", className="unseen")],
            href=self.to(stream="" if first else key_of(stream)),
            className="inside",
            **current,
        )
        word = state(stream)
        return html.Tr(
            [
                html.Th(link, scope="row", className="name"),
                html.Td([parts.mark(stream.kind), stream.kind], className=f"kind {stream.kind}"),
                html.Td(_since(stream)),
                html.Td(_ratio(stream)),
                html.Td(_counted(stream)),
                html.Td(_evidence(stream), className="evidence"),
                html.Td(word, className="word warn" if word == "worse" else "word"),
            ],
            className="shown" if here else "",
        )

    def _key_to_list(self) -> str:
        told = (
            "Expected: of the same feeds on that paper, in that air, at those settings. Evidence: "
            "how much of what an alarm needs has come together; at its limit the bin is called "
            "worse. Without a range, since is when counting last began anew. "
        )
        return (
            f"{told}A tower on which nothing changes is called worse by mistake "
            f"{_often(self.drift.budget)}. For those who know: {self.drift.method()}."
        )

    def _evidence(self) -> list[Component]:
        stream = self.stream
        if stream.monitored_from is None or not stream.path.monitored.any():
            return []
        said = figures.evidence_finding(stream)
        key = (
            "Each run adds to the evidence or takes from it. At the limit it is noticed, and the "
            "evidence starts anew at nought; so it does after a service."
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
                    figures.known_chart(chart, times, self.kind),
                    f"{file_name(self.stream)}-{asked}",
                    f"{chart.sentence()} Solid: centre; dotted: limits ({chart.limits}).",
                    self._numbers("chart"),
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

    def _not_judged(self) -> list[Component]:
        items: list[tuple[str, str]] = []
        drift = self.drift
        early = [s for s in drift.monitored if s.monitored_from is None]
        slow = [s for s in drift.monitored if state(s) == "too few feeds"]
        if early:
            until = (
                f", here until {theme.day(drift.first_monitored)}"
                if (drift.first_monitored is not None and not drift.watched)
                else ""
            )
            items.append(
                (
                    "Too early",
                    f"{_these(early)}: what to expect is learnt from a tower's first six "
                    f"months{until}.",
                )
            )
        if slow:
            items.append(("Slow", f"{_these(slow)}: {_needed(slow)}."))
        if drift.new_paper:
            items.append(
                (
                    "New paper",
                    f"{_papers(drift.new_paper)}: not known until the month after they first ran.",
                )
            )
        if not items:
            return []
        rows = [
            html.Li([html.Span(about, className="about"), html.Div(text)]) for about, text in items
        ]
        return [
            _section(
                "drift-not-judged",
                "What is not judged, or only slowly",
                html.Ol(rows, className="attention"),
                className="later",
            )
        ]

    def _numbers(self, name: str) -> str:
        keep = {"show": "", **({} if name == "chart" else {"chart": ""})}
        if name == "streams":
            keep["stream"] = ""
        asked = self.to(**keep)
        return f"{PATH}/{name}.csv{'' if asked == '?' else asked}"


#: What was done is listed up to so many, the last ones.
_MOST_DONE = 8
#: Streams or stocks that are named; of more the number is said.
_FEW = 4


def _section(name: str, head: str, *body: Component, className: str = "") -> Component:
    return html.Section(
        [html.H2(head, id=name), *body],
        className=className,
        **theme.attributes(aria_labelledby=name),
    )


def _span(low: float, high: float) -> str:
    if not math.isfinite(low):
        return "range not known"
    return f"{two_digits(low)} to {two_digits(high) if math.isfinite(high) else 'any number'}"


def _since(stream: Stream) -> list[Component | str]:
    alarm = stream.alarm
    if alarm is not None:
        first, last = alarm.began_earliest.date(), alarm.began_latest.date()
        return [theme.day(alarm.began), html.Small(f" ({theme.period(first, last)})")]
    return ["–" if stream.since is None else html.Small(theme.day(stream.since))]


def _ratio(stream: Stream) -> list[Component | str]:
    alarm = stream.alarm
    if alarm is not None:
        now = "now " if alarm.shape == "ramp" else ""
        span = html.Small(f" ({_span(alarm.ratio_low, alarm.ratio_high)})")
        return [now, html.B(two_digits(alarm.ratio)), span]
    if not math.isfinite(stream.ratio):
        return ["–"]
    times = f"{two_digits(stream.ratio)} ({_span(stream.ratio_low, stream.ratio_high)})"
    return [html.Small(times) if stream.slow else times]


def _counted(stream: Stream) -> str:
    if stream.since is None:
        return "–"
    return f"{stream.observed:,} where {expected_faults(stream.expected).partition(' ')[0]}"


def _evidence(stream: Stream) -> list[Component | str]:
    """Draw the evidence as a small bar and write it beside."""
    if stream.monitored_from is None:
        return ["–"]
    alarm = stream.alarm
    share = 1.0 if alarm is not None else min(max(stream.evidence, 0.0), 1.0)
    told = "limit passed" if alarm is not None else theme.percent(stream.evidence)
    bar = html.Span(
        html.Span(style={"width": f"{100 * share:.0f}%"}),
        className="share",
        **theme.attributes(aria_hidden="true"),
    )
    return [bar, told]


def _these(streams: Sequence[Stream]) -> str:
    """Name a few streams, or count the bins and towers of many, for each kind of fault."""
    if len(streams) <= _FEW:
        told = theme.listed([f"the {stream.kind} of {stream.name}" for stream in streams])
        return f"{told[:1].upper()}{told[1:]}"
    said = []
    for kind in ("misses", "doubles"):
        own = [stream for stream in streams if stream.kind == kind]
        towers = sum(stream.bin is None for stream in own)
        counts = ((len(own) - towers, "bin"), (towers, "tower"))
        places = [theme.counted(number, word) for number, word in counts if number]
        if places:
            said.append(f"the {kind} of {theme.listed(places)}")
    told = theme.listed(said)
    return f"{told[:1].upper()}{told[1:]}"


def _needed(slow: Sequence[Stream]) -> str:
    """Say how long twice the faults would go unnoticed, from the soonest to the latest."""
    days = sorted(stream.doubling_days for stream in slow)
    some = [long_time(value) for value in days if math.isfinite(value)]
    if not some:
        return "so little has run that twice as many would not be noticed"
    said = "as much as runs, twice as many would be noticed after about "
    said += some[0] if some[0] == some[-1] else f"{some[0]} to {some[-1]}"
    return said if len(some) == len(days) else f"{said}, or never"


def _papers(papers: Sequence[tuple[str, int]]) -> str:
    ranked = sorted(papers, key=lambda paper: -paper[1])
    names = [f"{theme.feeds(fed)} feeds of {stock or 'paper not logged'}" for stock, fed in ranked]
    if len(names) > _FEW + 1:
        rest = sum(fed for _, fed in ranked[_FEW:])
        names[_FEW:] = [f"{theme.feeds(rest)} of {len(ranked) - _FEW} other papers"]
    return theme.listed(names)


def _often(budget: float) -> str:
    if budget == 1:
        return "about once a year"
    if budget > 1:
        return f"about {two_digits(budget).removesuffix('.0')} times a year"
    return f"about once in {two_digits(1 / budget).removesuffix('.0')} years"


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
            *map(_number, (*ratios, stream.evidence, stream.statistic, stream.threshold)),
            _when(stream.monitored_from),
            _number(stream.doubling_days),
        ]

    heads = (
        "tower bin kind state since began began_earliest began_latest noticed shape counted "
        "expected feeds times_expected times_low times_high evidence_share statistic threshold "
        "watched_from days_until_twice_is_noticed"
    )
    return _csv(heads.split(), map(row, drift.monitored))


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
    return _csv(heads.split(), map(row, range(path.started.size)))


def _chart_csv(chart: Chart, times: Sequence[dt.datetime] | None) -> str:
    rows = (
        [
            "" if times is None else times[i].date().isoformat(),
            *(_number(float(v[i])) for v in (chart.points, chart.centre, chart.low, chart.high)),
            "yes" if chart.outside[i] else "no",
        ]
        for i in range(chart.points.size)
    )
    return _csv(["day", "point", "centre", "low", "high", "beyond_limits"], rows)


def _csv(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(heads)
    table.writerows(rows)
    return out.getvalue()


def _when(moment: dt.datetime | None) -> str:
    return "" if moment is None else moment.isoformat(timespec="minutes")


def _number(value: float) -> float | str:
    return value if math.isfinite(value) else ""
