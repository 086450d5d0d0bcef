"""Say which bin or tower is getting worse, since when, and by how much."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from dashboard.commands import UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.charts import Chart
    from analysis.drift import Drift
    from analysis.streams import Alarm, Stream

#: What is monitored with: cumulative sums of log-likelihood ratios.
METHOD = "cusum"

#: False alarms a year allowed for each tower, at most.
_MOST = 52


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument(
        "--budget",
        type=_budget,
        metavar="N",
        help="false alarms a year allowed for each tower, above 0 and at most 52 (that of the site "
        "file when absent, and 1 where it has none); fewer of them come with later alarms",
    )
    parser.add_argument(
        "--all", action="store_true", help="list every bin and tower, not only the worse ones"
    )
    parser.add_argument(
        "--chart",
        choices=("p", "p-prime", "g", "ewma"),
        help="print a classical chart of one tower or bin instead, which knows no paper, air and "
        "settings",
    )
    parser.add_argument(
        "--over",
        choices=("day", "week", "month", "run"),
        help="what a point of --chart stands for (day when absent)",
    )
    shared.add_kind(parser)
    shared.add_filters(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def _budget(text: str) -> float:
    value = shared.number(text)
    if not 0 < value <= _MOST:
        raise argparse.ArgumentTypeError(
            f"{text} is no number of false alarms a year above 0 and at most {_MOST}, such as 1"
        )
    return value


def run(options: argparse.Namespace) -> int:
    """Print who is getting worse, the worst first, or one of the charts that people know."""
    if options.chart:
        for given, name in ((options.budget, "--budget"), (options.all, "--all")):
            if given:
                raise UsageError(f"--chart takes no {name}; leave one of the two out")
        return _chart(options)
    if options.over:
        raise UsageError("--over goes with --chart; add that or leave it out")
    from analysis import answers
    from analysis.site import USUAL_BUDGET

    stated = options.budget
    if stated is None:
        stated = shared.site(options).budget
    budget = USUAL_BUDGET if stated is None else stated
    with shared.scan(options) as (scan, _):
        kept = shared.store_folder(options) / "kept"
        result = answers.drift(scan, shared.filters(options), budget=budget, kept=kept)
    stood = shared.as_of_sentence(options)
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "method": METHOD,
                "budget": result.budget,
                "first_monitored": result.first_monitored,
                "monitored": [_json(stream) for stream in result.monitored],
                "new_paper": [
                    {"stock": stock or None, "feeds": feeds} for stock, feeds in result.new_paper
                ],
            },
            sentence=stood + result.sentence(),
            account=result.account,
        )
    else:
        _print(result, stood, every=options.all)
    return 0


def _json(stream: Stream) -> dict[str, Any]:
    alarm = stream.alarm
    return {
        "tower": stream.tower,
        "bin": stream.bin,
        "kind": stream.kind,
        "since": stream.since,
        "observed": stream.observed,
        "expected": shared.finite(stream.expected),
        "feeds": stream.feeds,
        "ratio": shared.finite(stream.ratio),
        "ratio_low": shared.finite(stream.ratio_low),
        "ratio_high": shared.finite(stream.ratio_high),
        "alarm": alarm is not None,
        "alarmed_at": alarm and alarm.alarmed_at,
        "began": alarm and alarm.began,
        "began_earliest": alarm and alarm.began_earliest,
        "began_latest": alarm and alarm.began_latest,
        "shape": alarm and alarm.shape,
        "confirmed": alarm and alarm.confirmed,
        "statistic": shared.finite(stream.statistic),
        "threshold": shared.finite(stream.threshold),
        "monitored_from": stream.monitored_from,
        "doubling_days": shared.finite(stream.doubling_days),
        "alarms": [_alarm_json(alarm) for alarm in stream.alarms],
        "sentence": stream.sentence(),
    }


def _alarm_json(alarm: Alarm) -> dict[str, Any]:
    return {
        "alarmed_at": alarm.alarmed_at,
        "began": alarm.began,
        "began_earliest": alarm.began_earliest,
        "began_latest": alarm.began_latest,
        "shape": alarm.shape,
        "ratio": shared.finite(alarm.ratio),
        "ratio_low": shared.finite(alarm.ratio_low),
        "ratio_high": shared.finite(alarm.ratio_high),
        "observed": alarm.observed,
        "expected": shared.finite(alarm.expected),
        "feeds": alarm.feeds,
        "expected_after": shared.finite(alarm.expected_after),
        "confirmed": alarm.confirmed,
        "closed_at": alarm.closed_at,
        "closed_by": None if alarm.open else alarm.closed_by,
    }


def _print(result: Drift, stood: str, *, every: bool) -> None:
    from analysis.stream_words import how_often

    said = result.sentence()
    print(stood + said)
    if not result.monitored:
        return
    for stream in result.worse:
        # The first sentence has said all of it where nothing else is worse.
        if stream.sentence() != said:
            print(f"\n{stream.sentence()}")
        for line in _worse(stream):
            print(f"  {line}")
    before = sorted(
        (alarm.alarmed_at, _was_worse(stream, alarm))
        for stream in result.monitored
        for alarm in stream.alarms
        if not alarm.open
    )
    if before:
        print("\nWorse for a time:")
        for _, line in before:
            print(f"  {line}")
    if every:
        _print_all(result.monitored)
    lines = [*(() if every else _rest(result)), *_new_paper(result)]
    print()
    for line in lines:
        print(line)
    print(
        f"A tower on which nothing changes is called worse by mistake {how_often(result.budget)}; "
        "--budget sets how often."
    )


def _worse(stream: Stream) -> Iterator[str]:
    """Say when each change began, how much of it was seen, and what to do next."""
    from analysis.stream_months import ENOUGH_EXPECTED
    from analysis.words import day, expected_number

    again = ""
    for alarm in stream.alarms:
        if not alarm.open:
            continue
        if again:
            yield f"Worse again since about {day(alarm.began)}:"
        yield again + _evidence(stream.kind, alarm)
        if not alarm.confirmed:
            yield (
                f"{again}The ratio is likely too high: it was noticed when luck added to it, and "
                f"so it is until {ENOUGH_EXPECTED:.0f} more {stream.kind} were expected "
                f"({expected_number(alarm.expected_after)} so far)."
            )
        again = "  "
    first = (
        "What to do next: look first at what its bins share: vacuum, filters, air"
        if stream.bin is None
        else "What to do next: look at this bin and its paper first"
    )
    yield f"{first}; power off and isolated as the machine's maker and the local rules say."


def _evidence(kind: str, alarm: Alarm) -> str:
    from analysis.streams import expected_faults, range_in_words
    from analysis.words import day, many, one

    when = "by now" if alarm.shape == "ramp" else "since then"
    return (
        f"{range_in_words(alarm)}; ratio {when} {_range(alarm.ratio_low, alarm.ratio_high)}; "
        f"{alarm.observed:,} {one(kind, alarm.observed)} where "
        f"{expected_faults(alarm.expected)} expected in {many(alarm.feeds, 'feed')}; noticed on "
        f"{day(alarm.alarmed_at)}."
    )


def _was_worse(stream: Stream, alarm: Alarm) -> str:
    """Say of an alarm that has ended how much worse it was, from when to when, and what ended it.

    What was told while luck still added to it is told so.
    """
    from analysis.words import day, two_digits

    assert alarm.closed_at is not None
    up_to = "up to " if alarm.shape == "ramp" else ""
    luck = "" if alarm.confirmed else ", likely too high"
    return (
        f"{_capital(stream.name)} had {up_to}{two_digits(alarm.ratio)} times the {stream.kind} "
        f"expected ({_range(alarm.ratio_low, alarm.ratio_high)}{luck}) from about "
        f"{day(alarm.began)} until {day(alarm.closed_at)}: {alarm.closed_by}."
    )


def _rest(result: Drift) -> Iterator[str]:
    """Say how many others there are, and which of them are too slow to tell anything soon."""
    from analysis.stream_words import these
    from analysis.streams import unnoticed

    if not result.watched:
        return
    others = [stream for stream in result.monitored if stream.alarm is None]
    watched = [stream for stream in others if stream.monitored_from is not None]
    told = [stream for stream in watched if not stream.slow]
    slow = [stream for stream in watched if stream.slow]
    unknown = [stream for stream in others if stream.unlearnt]
    early = [s for s in others if s.monitored_from is None and not s.unlearnt]
    if told:
        yield (
            f"No more than paper, air and settings explain, as far as can be told: {these(told)}."
        )
    if slow:
        yield f"Too few feeds to tell soon: {these(slow)}; {unnoticed(slow)}."
    unwatched = [stream for stream in unknown if not stream.path.feeds.any()]
    few = [stream for stream in unknown if stream.path.feeds.any()]
    if few:
        yield f"Too few were logged so far to know what to expect: {these(few)}."
    if unwatched:
        yield f"Nothing was watching for {these(unwatched).removeprefix('the ')}."
    if early:
        yield (
            "Not watched yet, since what to expect is learnt from a tower's first six months: "
            f"{these(early)}."
        )


def _new_paper(result: Drift) -> Iterator[str]:
    from analysis.stream_words import papers

    if result.new_paper:
        yield (
            "Not judged, since that paper had not run before and was not known until the next "
            f"month: {papers(result.new_paper)}."
        )


def _print_all(streams: Sequence[Stream]) -> None:
    from analysis.streams import long_time
    from analysis.words import expected_number, two_digits

    print()
    rows = []
    for stream in streams:
        place = (stream.tower, "all" if stream.bin is None else str(stream.bin), stream.kind)
        if stream.monitored_from is None or stream.since is None:
            rows.append((*place, "not watched yet", *("" for _ in range(7))))
            continue
        known = math.isfinite(stream.ratio)
        slow = stream.doubling_days
        rows.append(
            (
                *place,
                f"{stream.since:%Y-%m-%d}",
                f"{stream.feeds:,}",
                f"{stream.observed:,}",
                expected_number(stream.expected),
                two_digits(stream.ratio) if known else "",
                _range(stream.ratio_low, stream.ratio_high) if known else "",
                "passed" if stream.alarm is not None else f"{100 * stream.evidence:.0f}",
                long_time(slow) if math.isfinite(slow) else "never",
            )
        )
    heads = ("tower", "bin", "kind", "since", "feeds", "count", "expected", "times", "range")
    shared.print_table(
        (*heads, "evidence, %", "twice is noticed after"), rows, left=("tower", "kind", "since")
    )
    said = "Evidence: at 100 % it is called worse, and the evidence starts anew."
    if any(stream.alarm is not None for stream in streams):
        said += " Passed: it has been called worse, and is so still."
    print(said)


def _range(low: float, high: float) -> str:
    from analysis.words import times_range

    return times_range(low, high) if math.isfinite(low) else "not known"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _chart(options: argparse.Namespace) -> int:
    from analysis import answers

    filters = shared.filters(options)
    with shared.scan(options) as (scan, _):
        chart = answers.known_charts(scan, filters, options.chart, over=options.over)
        # The chart is of production where no other purpose was asked for.
        if not filters.values("purpose"):
            filters = filters.holding("purpose", "production")
        account = scan.account(filters)
    stood = shared.as_of_sentence(options)
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "method": options.chart,
                "chart": _chart_json(chart),
            },
            sentence=stood + chart.sentence(),
            account=account,
        )
    else:
        print(stood + chart.sentence())
        if chart.points.size:
            _print_chart(chart, options.chart)
    return 0


def _rows(chart: Chart) -> Iterator[tuple[float, float, float, float, bool]]:
    """Yield point, centre, limits, and whether the point is outside, in the order of time."""
    lines = (chart.points, chart.centre, chart.low, chart.high, chart.outside)
    yield from zip(*(line.tolist() for line in lines), strict=True)


def _chart_json(chart: Chart) -> dict[str, Any]:
    return {
        "name": chart.name,
        "what": chart.what,
        "limits": chart.limits,
        "points": [
            {
                "when": chart.when[place] if chart.when else None,
                "point": shared.finite(point),
                "centre": shared.finite(centre),
                "low": shared.finite(low),
                "high": shared.finite(high),
                "outside": outside,
            }
            for place, (point, centre, low, high, outside) in enumerate(_rows(chart))
        ],
    }


def _print_chart(chart: Chart, name: str) -> None:
    from analysis.words import per_10k

    # On a screen rates are per 10,000 feeds, as everywhere.
    write: Callable[[float], str] = {"g": "{:,.0f}".format, "ewma": "{:.2f}".format}.get(
        name, per_10k
    )
    what = chart.what.replace("faults per feed", "faults per 10,000 feeds")
    print(f"Points: {what}; limits: {chart.limits}.\n")
    rows = []
    for position, (*numbers, outside) in enumerate(_rows(chart), 1):
        point, centre = numbers[:2]
        beyond = ("above" if point > centre else "below") if outside else ""
        cells = ("" if math.isnan(number) else write(number) for number in numbers)
        place = f"{chart.when[position - 1]:%Y-%m-%d}" if chart.when else f"{position:,}"
        rows.append((place, *cells, beyond))
    first = "from" if chart.when else "position"
    shared.print_table(
        (first, "point", "centre", "low", "high", "outside"), rows, left=("outside",)
    )
