"""What is a stream called in addresses, lists and files, and how does it stand?

A stream is one kind of fault of a bin, or of a tower as a whole: what the Drift page watches, and
what others lead to. What the modules of that page share.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from analysis.drift import Drift
from analysis.filters import FilterError, Filters
from analysis.streams import Stream
from analysis.trends import Mark
from analysis.words import times_range
from dashboard import filters as shown_filters
from dashboard import parts, theme

PATH = "/drift"

#: Columns of a filter that choose what is watched; all runs of it are looked at.
FOLLOWED = ("tower", "bin", "site", "line")


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


def stream_asked(drift: Drift, query: shown_filters.Query) -> Stream | None:
    """Return the stream that an address asks for; the first where it names none that is there."""
    named = stream_named(parts.last(query, "stream"))
    found = drift.stream(*named) if named else None
    return found or next(iter(drift.monitored), None)


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
    return file_name_of(stream.tower, stream.bin, stream.kind)


def file_name_of(tower: str, bin: int | None, kind: str) -> str:
    """Return a name for the files of a place and a kind that every file system takes."""
    place = "whole" if bin is None else f"bin-{bin}"
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", tower).strip(".-_")[:48]
    return f"feedtally-drift-tower-{safe or 'x'}-{place}-{kind}"


def section(name: str, head: str, *body: Component, className: str = "") -> Component:
    """Return a section of the page with its heading."""
    return html.Section(
        [html.H2(head, id=name), *body],
        className=className,
        **theme.attributes(aria_labelledby=name),
    )


def span(low: float, high: float) -> str:
    """Write a range of ratios."""
    if not math.isfinite(low):
        return "range not known"
    return times_range(low, high)
