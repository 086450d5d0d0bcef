"""What was done to a bin or a tower, and when was it worse before? Parts of the Drift page."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from analysis.streams import Alarm, Stream, long_time
from analysis.trends import Mark
from analysis.words import two_digits
from dashboard import theme
from dashboard.figures.done import done_rows
from dashboard.pages.streams import section, span

#: What was done is listed up to so many, the last ones.
_MOST_DONE = 8
#: Moves of settings that are listed; of more the number is said.
_FEW = 4


def done(stream: Stream, marks: Sequence[Mark]) -> Component:
    """List what was done since it began, or since counting began anew where it is not worse."""
    if stream.alarm is not None:
        since, head = stream.alarm.began_earliest, "What was done since it began"
    else:
        since = stream.since or stream.path.started[0].item()
        head = f"What was done since {theme.day(since)}"
    done = [mark for mark in marks if mark.when >= since]
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
                    html.Div("; ".join(_did(stream, told) for told in one_day.told)),
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
    return section("drift-done", head, *body, *(html.P(t, className="key") for t in more))


def _did(stream: Stream, told: str) -> str:
    """Leave out the tower and bin that the page speaks of anyway."""
    if stream.bin is None:
        return told.replace(f", tower {stream.tower}, bin", ", bin", 1)
    return told.replace(f", tower {stream.tower}, bin {stream.bin}", "", 1)


def before(stream: Stream) -> list[Component]:
    """List earlier times that are over, and later ones of a stream that is worse."""
    over = [alarm for alarm in stream.alarms if alarm.closed_at is not None]
    again = [a for a in stream.alarms if a.open and a is not stream.alarm]
    if not over and not again:
        return []
    items = [_again(alarm) for alarm in again]
    items += [_over(stream, alarm) for alarm in reversed(over)]
    head = "When it was worse before" if over else "Worse again since"
    return [section("drift-before", head, html.Ol(items, className="attention dated"))]


def _again(alarm: Alarm) -> Component:
    told = (
        f"Worse again since about {theme.day(alarm.began)}: {two_digits(alarm.ratio)} times "
        f"({span(alarm.ratio_low, alarm.ratio_high)}); noticed on "
        f"{theme.day(alarm.alarmed_at)}."
    )
    return html.Li([html.Span("now", className="about"), html.Div(told)])


def _over(stream: Stream, alarm: Alarm) -> Component:
    assert alarm.closed_at is not None
    lasted = (alarm.closed_at - alarm.began) / dt.timedelta(days=1)
    up_to = "up to " if alarm.shape == "ramp" else ""
    luck = "" if alarm.confirmed else ", likely too high"
    told = (
        f"{up_to}{two_digits(alarm.ratio)} times the {stream.kind} expected "
        f"({span(alarm.ratio_low, alarm.ratio_high)}{luck}) for about {long_time(lasted)}, "
        f"until {theme.day(alarm.closed_at)}: {alarm.closed_by}."
    )
    told = f"{told[:1].upper()}{told[1:]}"
    return html.Li([html.Span(theme.day(alarm.began), className="about"), html.Div(told)])
