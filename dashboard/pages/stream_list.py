"""What is watched, worst first, and what is not judged? Parts of the Drift page.

Each row is one stream, a link that chooses it. Wiring only: `analysis.drift` says how it stands.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from dash import html
from dash.development.base_component import Component

from analysis.drift import Drift
from analysis.stream_words import how_often, papers, these
from analysis.streams import Stream, unnoticed
from analysis.words import capital, expected_number, two_digits
from dashboard import parts, theme
from dashboard.pages.streams import called, key_of, section, span, state

#: Rows of the list before the rest is asked for.
MOST_ROWS = 12


@dataclass(frozen=True)
class StreamList:
    """The list of what is watched.

    Attributes
    ----------
    drift : Drift
        What is watched.
    stream : Stream
        The one that the page speaks of.
    every : bool
        Whether all rows are asked for.
    to : callable
        Writes the address of the same view with other choices.
    numbers : str
        Address of the numbers.
    """

    drift: Drift
    stream: Stream
    every: bool
    to: Callable[..., str]
    numbers: str

    def section(self) -> Component:
        """Return the list."""
        streams = self.drift.monitored
        every = self.every or len(streams) <= MOST_ROWS
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
            [self.row(stream) for stream in shown],
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
                        html.A("CSV", href=self.numbers, id="drift-streams-csv"),
                    ],
                    className="save",
                ),
            ],
            **theme.attributes(aria_labelledby="drift-streams"),
        )

    def row(self, stream: Stream) -> Component:
        """Return the row of a stream, a link that chooses it."""
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
            f"{how_often(self.drift.budget)}. For those who know: {self.drift.method()}."
        )


def not_judged(drift: Drift) -> list[Component]:
    """Say what is not judged, or only slowly, and why."""
    items: list[tuple[str, str]] = []
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
                f"{capital(these(early))}: what to expect is learnt from a tower's first six "
                f"months{until}.",
            )
        )
    if slow:
        items.append(("Slow", f"{capital(these(slow))}: {unnoticed(slow)}."))
    if drift.new_paper:
        items.append(
            (
                "New paper",
                f"{papers(drift.new_paper)}: not known until the month after they first ran.",
            )
        )
    if not items:
        return []
    rows = [html.Li([html.Span(about, className="about"), html.Div(text)]) for about, text in items]
    return [
        section(
            "drift-not-judged",
            "What is not judged, or only slowly",
            html.Ol(rows, className="attention"),
            className="later",
        )
    ]


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
        reach = html.Small(f" ({span(alarm.ratio_low, alarm.ratio_high)})")
        return [now, html.B(two_digits(alarm.ratio)), reach]
    if not math.isfinite(stream.ratio):
        return ["–"]
    times = two_digits(stream.ratio)
    around = html.Small(f" ({span(stream.ratio_low, stream.ratio_high)})")
    return [html.Small(times) if stream.slow else times, around]


def _counted(stream: Stream) -> str:
    if stream.since is None:
        return "–"
    return f"{stream.observed:,} where {expected_number(stream.expected)}"


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
