"""Say what paper, air and settings do to the rate, and what is behind a change of it."""

from __future__ import annotations

import argparse
import calendar
import datetime as dt
import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dashboard.commands import UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.conditions import Conditions
    from analysis.conditions_told import CurvePoint, Effect
    from analysis.counts import Account
    from analysis.filters import Filters
    from analysis.rate_change import Change

#: What is fitted: a Poisson regression whose effects are held by ridges.
METHOD = "poisson-ridge"

#: The terminal shows the curve over humidity at every so many percent, and at its ends.
_EVERY = 10

#: What a change is made of, as the crew says it.
_PARTS = {
    "mix": "mix: which stocks ran",
    "air": "air",
    "settings": "settings",
    "age": "age of parts",
    "bins": "bins and towers that ran",
    "rest": "rest: not logged, or chance",
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    for name, which in (("before", "earlier"), ("after", "later")):
        parser.add_argument(
            f"--{name}",
            default="",
            metavar="PERIOD",
            help=f"the {which} of two periods: says what is behind the change between them; a "
            "year, a month (2031-05), or first and last day (2031-05-01/2031-06-30)",
        )
    shared.add_kind(parser)
    shared.add_filters(parser)
    parser.add_argument(
        "--confidence",
        type=shared.confidence,
        default=0.95,
        metavar="SHARE",
        help="of the ranges, from 0.5 to below 1 (0.95 when absent)",
    )
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print what each condition does, and what is behind a change where two periods are given."""
    filters = shared.filters(options)
    periods = _periods(options, filters)
    from analysis import answers
    from analysis.conditions_model import ConditionsError

    with shared.scan(options) as (scan, _):
        if periods:
            _within(options, periods, scan.account(type(filters)()))
        try:
            found = answers.conditions(scan, filters, confidence=options.confidence)
        except ConditionsError as error:
            answers.check_values(scan, filters)
            raise UsageError(str(error)) from None
        change = answers.change(scan, *periods, found) if periods else None
    told = ([change.sentence()] if change else []) + [found.sentence()]
    told[0] = shared.as_of_sentence(options) + told[0]
    if options.json:
        shared.print_json(
            {**shared.as_of_json(options, scan), **_json(found), **_change_json(change)},
            sentence=" ".join(told),
            account=found.account,
        )
    else:
        _print(found, change, told)
    return 0


_DAY = re.compile(r"\d{4}-\d{2}-\d{2}([T ].+)?")
_MONTH = re.compile(r"(\d{4})-(\d{2})")
_YEAR = re.compile(r"\d{4}")


def period(text: str, name: str) -> tuple[dt.datetime, dt.datetime]:
    """Read a period of time: a year, a month, a day, or two of these with ``/`` between.

    Parameters
    ----------
    text : str
        As written; ``..`` is read like ``/``, and the ends are both included.
    name : str
        Of the option, for the complaint.

    Returns
    -------
    tuple of datetime
        First and last moment; wall time.

    Raises
    ------
    UsageError
        When it cannot be read, or ends before it begins.
    """
    first, sign, last = text.strip().replace("..", "/").partition("/")
    begins = _ends(first.strip(), text, name)[0]
    ends = _ends((last if sign else first).strip(), text, name)[1]
    if ends < begins:
        raise UsageError(f"{name} is {text}, which ends before it begins; exchange its two ends")
    return begins, ends


def _ends(text: str, whole: str, name: str) -> tuple[dt.datetime, dt.datetime]:
    from analysis.filters import FilterError, parse_moment

    month = _MONTH.fullmatch(text)
    try:
        if _YEAR.fullmatch(text):
            days = dt.date(int(text), 1, 1), dt.date(int(text), 12, 31)
        elif month:
            year, number = int(month[1]), int(month[2])
            first = dt.date(year, number, 1)
            days = first, first.replace(day=calendar.monthrange(year, number)[1])
        elif _DAY.fullmatch(text):
            return parse_moment(text, name), parse_moment(text, name, end=True)
        else:
            raise ValueError(text)
    except FilterError as error:
        if "offset" in str(error):
            raise
        raise _no_period(whole, name) from None
    except ValueError:
        raise _no_period(whole, name) from None
    return (
        dt.datetime.combine(days[0], dt.time.min),
        dt.datetime.combine(days[1], dt.time.max),
    )


def _no_period(text: str, name: str) -> UsageError:
    return UsageError(
        f"{name} is {text}; write a period as first and last day, like 2031-05-01/2031-06-30, or "
        "as a month, 2031-05, or a year, 2031"
    )


def _periods(options: argparse.Namespace, filters: Filters) -> tuple[Filters, Filters] | None:
    """Return the two parts of the log that are set beside each other, where they are asked for."""
    if not options.before and not options.after:
        return None
    for given, missing in (("before", "after"), ("after", "before")):
        if not getattr(options, missing):
            raise UsageError(
                f"--{given} alone makes no change to look at; give the other period with "
                f"--{missing}"
            )
    before = period(options.before, "--before")
    after = period(options.after, "--after")
    if after[1] < before[0]:
        raise UsageError(
            f"--before ({options.before}) is later than --after ({options.after}); exchange them"
        )
    if after[0] <= before[1]:
        raise UsageError(
            f"--before ({options.before}) and --after ({options.after}) share some time; choose "
            "periods of which one ends before the other begins"
        )
    early = filters.since is not None and before[0] < filters.since
    late = filters.until is not None and after[1] > filters.until
    if early or late:
        option = "--since" if early else "--until"
        raise UsageError(
            f"{option} leaves out a part of the two periods; leave it out, since what is to be "
            "expected is learnt from a part of the log that holds both"
        )
    return filters.during(*before), filters.during(*after)


def _within(options: argparse.Namespace, periods: tuple[Filters, Filters], whole: Account) -> None:
    """Refuse periods in which there is no day of the log.

    Raises
    ------
    UsageError
        Naming them, and the days that the log has.
    """
    first, last = whole.first, whole.last
    if first is None or last is None:
        return
    outside = [
        f"--{name} ({getattr(options, name)})"
        for name, one in zip(("before", "after"), periods, strict=True)
        if (one.until is not None and one.until < first)
        or (one.since is not None and one.since > last)
    ]
    if outside:
        are, them = ("is", "a period") if len(outside) == 1 else ("are", "periods")
        raise UsageError(
            f"{' and '.join(outside)} {are} outside the log, which runs from {first:%Y-%m-%d} to "
            f"{last:%Y-%m-%d}; choose {them} within that"
        )


def _json(found: Conditions) -> dict[str, Any]:
    finite = shared.finite
    return {
        "method": METHOD,
        "confidence": found.confidence,
        "kind": found.kind,
        "feeds": found.feeds,
        "count": found.count,
        "without_bin": found.without_bin,
        "effects": [
            {
                "term": e.term,
                "level": e.level,
                "base": e.base,
                "ratio": finite(e.ratio),
                "low": e.low,
                "high": finite(e.high),
                "feeds": e.feeds,
                "count": e.count,
            }
            for e in found.effects
        ],
        "humidity_curve": [
            {
                "printed_by": p.printed_by,
                "humidity_pct": p.humidity_pct,
                "ratio": finite(p.ratio),
                "low": p.low,
                "high": finite(p.high),
                "feeds": p.feeds,
            }
            for p in found.humidity_curve
        ],
        "ageing": [
            {
                "part": a.part,
                "ratio_per_100k_feeds": finite(a.ratio),
                "low": a.low,
                "high": finite(a.high),
                "known": a.known,
            }
            for a in found.ageing
        ],
        "not_logged": dict(found.not_logged),
        "follows_paper": list(found.follows_paper),
        "runs_variance": found.model.fit.variance_runs,
        "days_variance": found.model.fit.variance_days,
    }


def _change_json(change: Change | None) -> dict[str, Any]:
    """Return what made the change: no parts where a period has no fault to split."""
    if change is None:
        return dict.fromkeys(
            ("change", "change_ratio", "change_low", "change_high", "before", "after")
        )
    periods = {
        name: {
            "from": filters.since,
            "to": filters.until,
            "feeds": feeds,
            "count": count,
            "rate": count / feeds if feeds else None,
        }
        for name, filters, feeds, count in zip(
            ("before", "after"),
            (change.before, change.after),
            change.feeds,
            change.counts,
            strict=True,
        )
    }
    parts = [
        {
            "part": part.part,
            "ratio": part.ratio,
            "low": part.low,
            "high": shared.finite(part.high),
        }
        for part in change.parts
    ]
    return {
        "change": parts,
        "change_ratio": change.ratio,
        "change_low": change.low,
        "change_high": change.high,
        **periods,
    }


def spanned(ratio: float, low: float, high: float) -> tuple[str, str]:
    """Write a ratio and its range, with as many decimals as it takes to tell them from 1."""
    from analysis.words import times_range, two_digits

    decimals = 2
    while decimals < 4 and any(round(r, decimals) == 1 != r for r in (ratio, low, high)):
        decimals += 1

    def write(value: float) -> str:
        if not math.isfinite(value):
            return "any"
        return f"{value:.{decimals}f}" if 0.1 <= value < 10 else two_digits(value)

    return write(ratio), times_range(low, high, write)


def _print(found: Conditions, change: Change | None, told: Sequence[str]) -> None:
    for said in told:
        print(said)
    print(
        f"Ranges: {100 * found.confidence:g} %, allowing for faults in clusters. They are of what "
        "goes with a condition in this log; only a trial says what changing it does."
    )
    if change is not None and change.ratio is not None:
        _print_change(change)
    if found.effects:
        # Where no air was logged there is none that a stock is told at.
        at = f" (stocks at {found.stated_humidity_pct} % relative humidity)"
        at = at if found.humidity_curve else ""
        print(f"\nTimes the {found.kind}, all else the same{at}:")
        shared.print_table(
            ("condition", "is", "beside", "times", "range", "feeds", found.kind),
            [_effect(effect) for effect in found.effects],
            left=("condition", "is", "beside"),
        )
    if found.humidity_curve:
        print(f"\nRelative humidity, beside the same paper at {found.stated_humidity_pct} %:")
        shared.print_table(
            ("paper", "air, %", "times", "range", "feeds near it"),
            list(_curve(found.humidity_curve, found.stated_humidity_pct)),
            left=("paper",),
        )
    if found.ageing:
        print("\nAge of parts, for every 100,000 feeds:")
        shared.print_table(
            ("part", "times", "range", "age known, % of feeds"),
            [
                (a.part, *spanned(a.ratio, a.low, a.high), f"{100 * a.known:.0f}")
                for a in found.ageing
            ],
            left=("part",),
        )
    for said in _left_out(found):
        print(said)


def _print_change(change: Change) -> None:
    from analysis.words import many, one, per_10k

    whole = change.whole
    assert whole is not None
    print()
    for name, filters, feeds, count in zip(
        ("Before", "After"),
        (change.before, change.after),
        change.feeds,
        change.counts,
        strict=True,
    ):
        print(
            f"{name} ({filters.since:%Y-%m-%d} to {filters.until:%Y-%m-%d}): "
            f"{per_10k(count / feeds)} {change.kind} per 10,000 feeds, {count:,} "
            f"{one(change.kind, count)} in {many(feeds, 'feed')}."
        )
    rows = [
        (_PARTS.get(part.part, part.part), *spanned(part.ratio, part.low, part.high))
        for part in change.parts
    ]
    shared.print_table(
        ("what made it", "times", "range"),
        [*rows, ("the whole change", *spanned(whole.ratio, whole.low, whole.high))],
        left=("what made it",),
    )


def _effect(effect: Effect) -> tuple[str, ...]:
    numbers = (f"{effect.feeds:,}", f"{effect.count:,}")
    name = _called(effect.term)
    ratios = effect.ratio, effect.low, effect.high
    if not effect.step:
        return name, str(effect.level), str(effect.base), *spanned(*ratios), *numbers
    step = effect.step
    unit = " °C" if effect.term == "temperature_c" else ""
    over = spanned(*(ratio**step for ratio in ratios))
    return name, f"{step:,.10g}{unit} more", "", *over, *numbers


def _curve(points: Sequence[CurvePoint], stated: int) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for printed in dict.fromkeys(point.printed_by for point in points):
        own = [point for point in points if point.printed_by == printed]
        paper = "toner-printed" if printed == "toner" else "all other"
        always = {own[0].humidity_pct, stated, own[-1].humidity_pct}
        for point in own:
            if point.humidity_pct % _EVERY == 0 or point.humidity_pct in always:
                near = (p for p in own if -5 <= p.humidity_pct - point.humidity_pct < 5)
                cells = spanned(point.ratio, point.low, point.high)
                if point.low == point.high:
                    cells = ("1", "")
                feeds = f"{sum(p.feeds for p in near):,}"
                rows.append((paper, str(point.humidity_pct), *cells, feeds))
    return rows


def _left_out(found: Conditions) -> list[str]:
    """Say what was not logged, and what cannot be told apart."""
    from analysis.words import listed, one

    said = []
    missing: dict[str, list[str]] = {}
    for name, share in found.not_logged.items():
        if share >= 0.005:
            missing.setdefault(f"{100 * share:.0f} %", []).append(_called(name))
    if missing:
        told = [f"{listed(names)} for {share} of the feeds" for share, names in missing.items()]
        said.append(
            f"Not logged: {'; '.join(told)}. No run is left out for that, but ranges are wider."
        )
    if found.follows_paper:
        names = [_called(name) for name in found.follows_paper]
        it, them = ("it", "it does") if len(names) == 1 else ("they", "they do")
        follow = "follows" if len(names) == 1 else "follow"
        said.append(
            f"{_capital(listed(names))} {follow} the paper: what {them} stands with the stock, "
            f"since {it} hardly changed on any one stock."
        )
    if found.without_bin:
        count = found.without_bin
        said.append(
            f"{count:,} {one(found.kind, count)} had no bin noted and {_are(count)} not in this."
        )
    return said


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _called(column: str) -> str:
    from analysis.words import called

    names = {"humidity_pct": "humidity", "temperature_c": "temperature"}
    return names.get(column) or called(column)
