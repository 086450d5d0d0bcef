"""What is likely behind it, what to check first, and which swap would tell? A part of Drift.

Of the chosen stream: likely causes with what speaks for each and against it, the exchange that
tells the paper from the bin, and what exchanges that were logged have told. It takes seconds the
first time, so the section says that it works and is told later. Wiring only: `analysis.causes` and
`analysis.swaps` say it.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence

from dash import Dash, Input, Output, dcc, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.causes import BAD_LUCK, CANNOT_TELL, Cause, Causes
from analysis.causes_together import order
from analysis.cautions import HANDS, HELP
from analysis.chances import NAMED
from analysis.contrasts import Contrast
from analysis.filters import FilterError
from analysis.patterns import PatternsError
from analysis.streams import Stream
from analysis.swap_readings import SwapReading
from analysis.swaps import EXCHANGED, Swap
from analysis.words import day, many, one, times_range, two_digits
from dashboard import parts, theme
from dashboard.data import Data
from dashboard.filters import parse_query, written
from dashboard.pages import stream_numbers
from dashboard.pages.streams import PATH, file_name_of, key_of, section, stream_named

NUMBERS = f"{PATH}/causes.csv"

#: Causes with a smaller chance are left out.
LEAST = 0.02
#: From so many times on one of two is said to have more.
_MORE = 1.25

_LOG = logging.getLogger(__name__)
_WORKING = (
    "Looking what is likely behind it: each cause that is known is held against the log. The first "
    "time after the log has grown this can take some seconds …"
)


def known(data: Data, stream: Stream) -> Causes | None:
    """Return what is likely behind a stream where that is at hand."""
    place = (stream.tower, stream.bin, stream.kind)
    return data.causes(*place) if data.knows_causes(*place) else None


def of_stream(stream: Stream, found: Causes | None) -> Component:
    """Return the section; without an answer it asks for one by itself.

    Parameters
    ----------
    stream : Stream
        The one that the page speaks of.
    found : Causes, optional
        Where it is at hand.
    """
    shown = answer(found) if found is not None else _before()
    asks = [] if found is not None else [dcc.Store(id="drift-causes-of", data=key_of(stream))]
    return section(
        "drift-causes",
        f"What is likely behind the {stream.kind} of {stream.name}?",
        *asks,
        *_over(stream),
        html.Div(shown, id="drift-cause"),
        # The first line alone is said to those who hear the page, when it comes.
        html.P(_WORKING if asks else "", id="drift-cause-said", className="unseen", role="status"),
        className="causes",
    )


def _over(stream: Stream) -> list[Component]:
    """Say that the time that the causes may be of is over."""
    over = [alarm for alarm in stream.alarms if alarm.closed_at is not None]
    if stream.alarm is not None or not over:
        return []
    closed = over[-1].closed_at
    assert closed is not None
    told = (
        f"It is over since {theme.day(closed)} ({over[-1].closed_by}). The causes are of all that "
        "was logged, that time too."
    )
    return [html.P(told, className="key")]


def _before() -> list[Component]:
    """Return what stands there while it is worked out: hands may be in the tower before that."""
    return [html.P(_WORKING, className="looking"), _cautions([HANDS])]


def register(app: Dash, data: Data) -> None:
    """Work it out when the section has come into the page; serve the numbers."""

    def looked(named: str | None) -> list[Component]:
        try:
            place = stream_named(named or "")
            found = data.causes(*place) if place is not None else None
            return _nothing() if found is None else answer(found)
        except (FilterError, PatternsError) as error:
            return [html.P(parts.sentence(error)), _cautions([HANDS])]
        except Exception:
            # A page that stands must not fall for it; the trace goes to whoever runs the program.
            _LOG.exception("causes could not be worked out")
            told = (
                "This could not be worked out; the reason is printed where feedtally was started. "
                "Open the page again."
            )
            return [html.P(told), _cautions([HANDS])]

    @app.callback(
        Output("drift-cause", "children"),
        Output("drift-cause-said", "children"),
        Input("drift-causes-of", "data"),
    )
    def _(named: str | None) -> tuple[list[Component], object]:
        shown = looked(named)
        return shown, shown[0].children

    def numbers() -> Response:
        asked = parts.last(parse_query(request.query_string.decode()), "stream")
        try:
            place = stream_named(asked)
            if place is None:
                raise FilterError("no stream is named; write stream=B.7.doubles")
            found = data.causes(*place)
        except (FilterError, PatternsError) as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        return parts.csv_answer(causes_csv(found), f"{file_name_of(*place)}-causes")

    app.server.add_url_rule(NUMBERS, "drift_causes", numbers)


def _nothing() -> list[Component]:
    told = "No such fault was logged in production, so there is nothing to explain."
    return [html.P(told), _cautions([HANDS])]


def answer(found: Causes) -> list[Component]:
    """Say what is likely behind it.

    Parameters
    ----------
    found : Causes
        Of the chosen stream.
    """
    shown = [c for c in found.causes if c.score >= LEAST and c.cause != CANNOT_TELL]
    beside = [_caution(found), *_swap(found), *_readings(found.swaps_read)]
    return [
        html.P(html.B(_finding(found)), className="told"),
        html.P(f"In all that was logged, {found.counted()}.", className="key"),
        html.Div(
            [
                html.Div(
                    [
                        html.Ol([_cause(c, first=i == 0) for i, c in enumerate(shown)]),
                        html.P(_key(shown), className="key"),
                        *_lacking(found.lacking),
                        html.P(
                            [
                                "Save the numbers as ",
                                html.A("CSV", href=_numbers(found), id="drift-causes-csv"),
                            ],
                            className="save",
                        ),
                    ],
                    className="ranked",
                ),
                html.Div(beside),
            ],
            className="drift-columns",
        ),
    ]


def _numbers(found: Causes) -> str:
    place = "all" if found.bin is None else found.bin
    return NUMBERS + written({"stream": [f"{found.tower}.{place}.{found.kind}"]})


def _finding(found: Causes) -> str:
    """Say the first of it in a few words."""
    first = found.first
    if first.cause == BAD_LUCK:
        return "Nothing needs to be done yet: bad luck is the likeliest."
    if first.cause == CANNOT_TELL:
        return "These counts cannot tell; a swap would."
    until = "" if first.over is None else f" until {day(first.over)}"
    also = f"; {found.also()}" if found.also() else ""
    return f"Likely{until}: {first.cause}{also}."


def _cause(cause: Cause, *, first: bool) -> Component:
    lines = [] if cause.cause == BAD_LUCK else [("Seen", _sentence(cause.said))]
    lines.append(("First" if cause.cause != BAD_LUCK else "So", _sentence(cause.check_first)))
    if cause.same_as:
        others = _sentence("; ".join(cause.same_as))
        lines.append(("Or", f"{others} Counts alone cannot tell them apart."))
    return html.Li(
        [
            html.Div(
                [
                    html.H3(_capital(cause.cause)),
                    html.Span(_word(cause, first=first), className="word"),
                    html.Span(_chance(cause), className="chance"),
                ],
                className="head",
            ),
            html.Dl([part for name, text in lines for part in (html.Dt(name), html.Dd(text))]),
            *_contrasts(cause, opened=first),
        ]
    )


def _word(cause: Cause, *, first: bool) -> str:
    """Say in a word how a cause stands."""
    if cause.named and cause.over is not None:
        return "was likely" if first else "added to it"
    if cause.named:
        return "likely" if first else "adds to it"
    if cause.cause == BAD_LUCK:
        return "likeliest" if first else "possible"
    # What all bins of the tower have, and explains next to nothing in this one.
    return "at work, but explains little" if cause.chance >= NAMED else "possible"


def _chance(cause: Cause) -> list[Component | str]:
    """Draw a chance as a small bar and write it beside."""
    share = min(max(cause.chance, 0.0), 1.0)
    bar = html.Span(
        html.Span(style={"width": f"{100 * share:.0f}%"}),
        className="share",
        **theme.attributes(aria_hidden="true"),
    )
    return [bar, "over 99 in 100" if share > 0.99 else f"{100 * share:.0f} in 100"]


def _contrasts(cause: Cause, *, opened: bool) -> list[Component]:
    """Set what speaks for a cause and what against it in a table."""
    rows = [
        *(_contrast(True, contrast, cause.kind) for contrast in cause.supports),
        *(_contrast(False, contrast, cause.kind) for contrast in cause.against),
    ]
    if not rows:
        return []
    caption = f"What speaks for {cause.cause} and what against it"
    heads = ["what is set beside what", "speaks", "times (range)", "counted where usual"]
    table = html.Div(parts.table(caption, heads, rows), className="wide contrasts")
    if opened:
        return [table]
    return [
        html.Details([html.Summary("What speaks for it, and against"), table], className="numbers")
    ]


def _contrast(supports: bool, contrast: Contrast, kind: str) -> Component:
    ratio, reach = _times(contrast.ratio, contrast.low, contrast.high)
    usual = two_digits(contrast.expected)
    # A cause has some things raised and others alike; either way round speaks for it or against it.
    more = contrast.low > 1 and contrast.ratio > _MORE
    seen = "more" if more else "alike" if supports else "no more"
    return html.Tr(
        [
            html.Th(_capital(contrast.contrast), scope="row", className="name"),
            html.Td(
                f"{'for' if supports else 'against'}: {seen}",
                className="word" if supports else "word warn",
            ),
            html.Td([ratio, html.Small(f" ({reach})")]),
            html.Td(
                [
                    f"{contrast.count:,} where {usual}",
                    html.Span(
                        f" {one(kind, contrast.count)} in {many(contrast.feeds, 'feed')}",
                        className="unseen",
                    ),
                ]
            ),
        ]
    )


def _times(ratio: float, low: float, high: float) -> tuple[str, str]:
    """Write a ratio and its range; either may be without an end where one side has no fault."""
    best = two_digits(ratio) if math.isfinite(ratio) else "–"
    if not math.isfinite(low):
        return best, "range not known"
    return best, times_range(low, high)


def _key(shown: Sequence[Cause]) -> str:
    stand = f"{order(shown)} " if order(shown) else ""
    return (
        "Bar: chance that it is at work, by these counts and by how common it is; below "
        f"{100 * LEAST:.0f} in 100 it is left out. {stand}Times: the faults of the one beside "
        f"those of the other, all else that is known taken out. {HELP}"
    )


def _lacking(lacking: Sequence[str]) -> list[Component]:
    if not lacking:
        return []
    items = [html.Li(_sentence(text)) for text in lacking]
    summary = html.Summary(f"What could not be looked at ({len(lacking)})")
    return [html.Details([summary, html.Ul(items)], className="numbers lacking")]


def _swap(found: Causes) -> list[Component]:
    """Say which exchange would tell, for how long, and what each outcome means."""
    swap, first = found.swap, found.first
    if swap is None:
        return _no_swap(found)
    if swap.other_bin is None or swap.cycles is None:
        told = html.P(f"{_capital(swap.why)}.")
        return [section("drift-swap", "No swap would tell", told)]
    thing, other = EXCHANGED[swap.what], swap.other_bin
    stays = "the bin" if swap.what == "piles" else "something else in the bin"
    after = f"; then exchange the {swap.then}" if swap.then else ""
    days = "" if swap.days is None else f", about {_days(swap.days)} at the recent pace"
    lines: list[tuple[str, str]] = []
    if first.cause not in (BAD_LUCK, CANNOT_TELL):
        lines.append(("When", "A look does not tell."))
    if swap.more_before:
        lines.append(("Before", f"Log {swap.more_before:,} more cycles as things are."))
    lines += [
        ("Run", f"{many(swap.cycles, 'cycle')} exchanged{days}."),
        ("They go", f"The {swap.kind} go with the {thing} to bin {other}: it is the {thing}."),
        ("They stay", f"The {swap.kind} stay in bin {swap.bin}: it is {stays}{after}."),
        (f"Bin {other}", f"{_capital(_reason(swap))}."),
        (
            "How sure",
            f"So many cycles tell which in {100 * swap.power:.6g} of 100 swaps, and tell the wrong "
            f"one in {100 * swap.risk:.6g} at most.",
        ),
        ("Log it", _capital(swap.logged_as())),
    ]
    head = f"The swap that would tell: {swap.what} of bins {swap.bin} and {other}"
    return [section("drift-swap", head, _lines(lines))]


def _reason(swap: Swap) -> str:
    """Leave out the number of the bin that the line begins with."""
    return swap.why.removeprefix(f"bin {swap.other_bin} is ")


def _no_swap(found: Causes) -> list[Component]:
    first = found.first
    if found.bin is None:
        told = "A fault of a whole tower has no ordinary bin beside it to exchange anything with."
    elif first.cause == BAD_LUCK:
        told = "None is worth while: nothing is likely to be the matter with this bin."
    elif first.shared:
        told = "None is worth while: all bins of the tower have what is likely behind it."
    else:
        told = "None is worth while now: of late this bin has hardly more than its neighbours."
        if first.swap:
            told += f" Should it come back and a look not tell, exchange the {first.swap}."
    return [section("drift-swap", "Would a swap tell?", html.P(told))]


def _readings(read: Sequence[SwapReading]) -> list[Component]:
    """Say what exchanges that were logged have told, the last one first."""
    if not read:
        return []
    items = []
    for reading in sorted(read, key=lambda r: r.when, reverse=True):
        suspect, other = reading.bins
        of_suspect, of_other = (side.faults for side in reading.after)
        cycles = max(side.feeds for side in reading.after)
        items.append(
            html.Li(
                [
                    html.Span(theme.day(reading.when), className="about"),
                    html.Div(
                        [
                            html.Span(
                                [
                                    f"{_capital(reading.what)} of bins {suspect} and {other}: ",
                                    html.B(_verdict(reading)),
                                    ".",
                                ]
                            ),
                            html.Small(
                                f"Bin {suspect} had {reading.ratio_before.words()} the "
                                f"{reading.kind} of bin {other} before, "
                                f"{reading.ratio_after.words()} after; {of_suspect:,.0f} and "
                                f"{of_other:,.0f} in {many(round(cycles), 'cycle')}."
                            ),
                        ]
                    ),
                ]
            )
        )
    return [
        section(
            "drift-swaps-read",
            "Swaps that were logged",
            html.Ol(items, className="attention dated"),
        )
    ]


def _verdict(reading: SwapReading) -> str:
    if reading.verdict != "not yet":
        return reading.verdict
    if not reading.more_cycles:
        return "nothing can be told"
    return f"not told yet; log about {reading.more_cycles:,} more cycles"


def _caution(found: Causes) -> Component:
    """Say once what comes before hands go in: the widest of what is at hand."""
    swap = found.swap
    told = [swap.caution if swap is not None and swap.cycles is not None else HANDS]
    shown = [c.caution for c in found.causes if c.score >= LEAST]
    if HANDS not in shown:
        # Of what needs no hands in the tower, what to mind is said as well.
        told += list(dict.fromkeys(shown))
    return _cautions(told)


def _cautions(told: Sequence[str]) -> Component:
    item = html.Li([html.Span("Caution", className="about warn"), html.Div(" ".join(told))])
    return section(
        "drift-next",
        "Before you look into it",
        html.Ol([item], className="attention", id="drift-caution"),
    )


def _lines(lines: Sequence[tuple[str, str]]) -> Component:
    return html.Ol(
        [html.Li([html.Span(name, className="about"), html.Div(text)]) for name, text in lines],
        className="attention",
    )


def _days(days: float) -> str:
    whole = max(1, math.ceil(days))
    return many(whole, "day")


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _sentence(text: str) -> str:
    return f"{_capital(text)}{'' if text.endswith('.') else '.'}"


def causes_csv(found: Causes | None) -> str:
    """Write causes as CSV: a line for each contrast, and one for a cause without any."""
    rows: list[list[object]] = []
    for rank, cause in enumerate(found.causes if found is not None else (), 1):
        assert found is not None
        own = [
            parts.safe_cell(found.tower),
            "all" if found.bin is None else found.bin,
            cause.kind,
            rank,
            parts.safe_cell(cause.cause),
            cause.score,
            "yes" if cause.named else "no",
            cause.excess,
        ]
        told = [
            *(("for", contrast) for contrast in cause.supports),
            *(("against", contrast) for contrast in cause.against),
        ]
        for speaks, c in told:
            ends = [stream_numbers.number(value) for value in (c.ratio, c.low, c.high)]
            name = parts.safe_cell(c.contrast)
            rows.append([*own, speaks, name, *ends, c.count, c.expected, c.feeds])
        if not told:
            rows.append([*own, *[""] * 8])
    heads = (
        "tower bin kind rank cause score named explains speaks contrast times times_low "
        "times_high counted expected feeds"
    )
    return parts.csv_text(heads.split(), rows)
