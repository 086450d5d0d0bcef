"""Say what is wearing, what to order and by when, and whether the last services helped."""

from __future__ import annotations

import argparse
import datetime as dt
import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.lives import KaplanMeier, Weibull
    from analysis.parts import PartLives, PartRow, Parts, PastPart, PooledWear
    from analysis.services import ServiceRow


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument(
        "--kind",
        choices=shared.KINDS,
        help="of fault that every part is judged by (when absent: brushes by doubles; suction "
        "feet, pumps, filters and hoses by misses; others by both, or as the site file says)",
    )
    parser.add_argument(
        "--all", action="store_true", help="list every part and every service, not only the telling"
    )
    shared.add_filters(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print what to order, the soonest first, what to log, and which services helped."""
    from analysis import answers

    asked = argparse.Namespace(**{**vars(options), "kind": options.kind or "faults"})
    with shared.scan(options) as (scan, _):
        result = answers.parts(
            scan, shared.filters(asked), site=shared.site(options), kind=options.kind
        )
    stood = shared.as_of_sentence(options)
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "until": result.until,
                "parts": [_part_json(row) for row in result.parts],
                "services": [_service_json(row) for row in result.services],
                "past": [_past_json(row) for row in result.past],
                "lives": [_lives_json(row) for row in result.lives],
                "pooled": [_pooled_json(row) for row in result.pooled],
                "warnings": list(result.warnings),
                **_price_json(result),
            },
            sentence=stood + result.sentence(),
            account=result.account,
        )
    else:
        _print(result, stood, every=options.all)
    return 0


# JSON. --------------------------------------------------------------------------------------------


def _finite(value: float | None) -> float | None:
    return None if value is None else shared.finite(value)


def _day(value: dt.date | None) -> str | None:
    return None if value is None else value.isoformat()


def _limit_word(feeds: float | None) -> str:
    """Return the word beside feeds until a limit, for where they are no number."""
    if feeds is None:
        return "not known"
    if math.isinf(feeds):
        return "never"
    return "passed" if feeds == 0 else "to come"


def _part_json(row: PartRow) -> dict[str, Any]:
    return {
        "tower": row.tower,
        "bin": row.bin,
        "part": row.part,
        "kind": row.kind,
        "fitted_at": row.fitted_at,
        "age_feeds": _finite(row.age_feeds),
        "age_days": _finite(row.age_days),
        "age_months": _finite(row.age_months),
        "wears": row.wears,
        "wear_ratio_per_100k_feeds": _finite(row.wear_ratio_per_100k_feeds),
        "low": _finite(row.low),
        "high": _finite(row.high),
        "cannot_tell": row.cannot_tell or None,
        "shape": row.shape or None,
        "changed_on": _day(row.changed_on),
        "lives": row.lives,
        "same_as": list(row.same_as),
        "limit": _limit_word(row.feeds_to_limit),
        "limit_low": _limit_word(row.feeds_to_limit_low),
        "limit_high": _limit_word(row.feeds_to_limit_high),
        "limit_rate": row.limit_rate,
        "limit_times": row.limit_times,
        "rate_now": _finite(row.rate_now),
        "rate_now_low": _finite(row.rate_now_low),
        "rate_now_high": _finite(row.rate_now_high),
        "feeds_to_limit": _finite(row.feeds_to_limit),
        "feeds_to_limit_low": _finite(row.feeds_to_limit_low),
        "feeds_to_limit_high": _finite(row.feeds_to_limit_high),
        "limit_on": _day(row.limit_on),
        "limit_earliest": _day(row.limit_earliest),
        "limit_latest": _day(row.limit_latest),
        "feeds_per_day": _finite(row.feeds_per_day),
        "feeds_per_day_low": _finite(row.feeds_per_day_low),
        "feeds_per_day_high": _finite(row.feeds_per_day_high),
        "lead_days": row.lead_days,
        "lead_assumed": row.lead_assumed,
        "order_by": _day(row.order_by),
        "replace_every_feeds": _finite(row.replace_every_feeds),
        "replace_why": row.replace_why or None,
        "feeds": row.feeds,
        "count": row.count,
        "expected": _finite(row.expected),
        "price": row.price,
        "sentence": row.sentence(),
    }


def _price_json(result: Parts) -> dict[str, Any]:
    from analysis.order_prices import order_price

    found = order_price(result.order_list(), result.currency)
    return {
        "currency": result.currency or None,
        "order_price": found.total if found.count else None,
        "unpriced": list(found.unpriced),
    }


def _service_json(row: ServiceRow) -> dict[str, Any]:
    return {
        "when": row.when,
        "tower": row.tower,
        "bin": row.bin,
        "of_tower": row.of_tower,
        "part": row.part or None,
        "action": row.action,
        "reason": row.reason or None,
        "kind": row.kind,
        "before_count": row.before_count,
        "before_expected": _finite(row.before_expected),
        "before_feeds": row.before_feeds,
        "after_count": row.after_count,
        "after_expected": _finite(row.after_expected),
        "after_feeds": row.after_feeds,
        "ratio_after": _finite(row.ratio_after),
        "low": _finite(row.low),
        "high": _finite(row.high),
        "p_adjusted": _finite(row.p_adjusted),
        "verdict": row.verdict,
        "together": list(row.together),
        "warning": row.warning or None,
        "sentence": row.sentence(),
    }


def _past_json(row: PastPart) -> dict[str, Any]:
    return {
        "tower": row.tower,
        "bin": row.bin,
        "part": row.part,
        "kind": row.kind,
        "fitted_at": row.fitted_at,
        "removed_at": row.removed_at,
        "feeds": row.feeds,
        "days": row.days,
        "reason": row.reason or None,
        "limit_on": _day(row.limit_on),
        "limit_earliest": _day(row.limit_earliest),
        "limit_latest": _day(row.limit_latest),
        "sentence": row.sentence(),
    }


def _lives_json(row: PartLives) -> dict[str, Any]:
    return {
        "part": row.part,
        "of_tower": row.of_tower,
        "ended": row.ended,
        "censored": row.censored,
        "weibull": _weibull_json(row.weibull),
        "lasting": _kaplan_meier_json(row.kaplan_meier),
        "sentence": row.sentence(),
    }


def _weibull_json(found: Weibull | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "shape": found.shape,
        "shape_low": _finite(found.shape_low),
        "shape_high": _finite(found.shape_high),
        "scale": _finite(found.scale),
        "scale_low": _finite(found.scale_low),
        "scale_high": _finite(found.scale_high),
    }


def _kaplan_meier_json(found: KaplanMeier | None) -> list[dict[str, Any]]:
    if found is None:
        return []
    columns = (found.times, found.surviving, found.low, found.high)
    return [
        {"feeds": feeds, "share": share, "low": _finite(low), "high": _finite(high)}
        for feeds, share, low, high in zip(*(one.tolist() for one in columns), strict=True)
    ]


def _pooled_json(row: PooledWear) -> dict[str, Any]:
    return {
        "part": row.part,
        "of_tower": row.of_tower,
        "kind": row.kind,
        "ratio": _finite(row.ratio),
        "low": _finite(row.low),
        "high": _finite(row.high),
        "things": row.things,
        "own_variance": _finite(row.own_variance),
        "laplace": _finite(row.trend),
        "laplace_p": _finite(row.trend_p),
        "sentence": row.sentence(),
    }


# On a terminal. -----------------------------------------------------------------------------------


def _print(result: Parts, stood: str, *, every: bool) -> None:
    print(stood + result.sentence())
    listed = result.parts if every else result.order_list()
    if listed:
        print()
        _print_parts(result, listed)
    notes = [*_notes(result), *_rest(result, every=every), *result.warnings]
    if notes:
        print()
    for note in notes:
        print(note)
    told = [row for row in result.services if every or _tells(row)]
    if told:
        print("\nDid it help?")
        _print_services(told)
    if result.services:
        for line in _untold(result.services, told):
            print(line)


def _print_parts(result: Parts, rows: Sequence[PartRow]) -> None:
    from analysis.order_prices import order_price, price_text

    prices = order_price(rows, result.currency)
    cells = []
    for row in rows:
        wear = "not known"
        if not row.cannot_tell and math.isfinite(row.wear_ratio_per_100k_feeds):
            wear = (
                f"{_times(row.wear_ratio_per_100k_feeds)} ({_times(row.low)} to {_times(row.high)})"
            )
        cells.append(
            (
                "" if row.order_by is None else result.by(row).removeprefix("by "),
                row.tower,
                "all" if row.bin is None else str(row.bin),
                row.part,
                "not known" if row.age_feeds is None else f"{row.age_feeds:,.0f}",
                row.kind,
                wear,
                _passed(row),
                *([price_text(row.price)] if prices.count else []),
            )
        )
    heads = ("order by", "tower", "bin", "part", "age, feeds", "kind", "times per 100,000 feeds")
    priced = (prices.head,) if prices.count else ()
    shared.print_table(
        (*heads, "limit passed", *priced),
        cells,
        left=("order by", "tower", "part", "kind", "limit passed"),
    )


def _times(ratio: float) -> str:
    return f"{ratio:.2f}" if ratio < 10 else f"{ratio:.0f}"


def _passed(row: PartRow) -> str:
    """Say when the limit is passed, with the range."""
    from analysis.words import day

    if row.cannot_tell or row.feeds_to_limit is None:
        return "not known"
    if row.changed_on is not None:
        return f"no wear: at once, about {day(row.changed_on)}"
    if row.limit_on is None:
        return "never"
    first = day(row.limit_earliest) if row.limit_earliest else "never"
    last = day(row.limit_latest) if row.limit_latest else "never"
    return f"{day(row.limit_on)} ({first} to {last})"


def _notes(result: Parts) -> Iterator[str]:
    """Say what the order list rests on, and of which of its parts to think twice."""
    from analysis.order_prices import order_price
    from analysis.order_terms import due_at, think_twice

    rows = result.order_list()
    if not rows:
        return
    yield due_at(rows)
    yield order_price(rows, result.currency).sentence()
    yield from think_twice(rows)
    yield (
        "Before a part is changed: power off and isolated as the machine's maker and the local "
        "rules say."
    )


def _rest(result: Parts, *, every: bool) -> Iterator[str]:
    """Say of how many parts there is nothing to order, and why."""
    from analysis.order_terms import some
    from analysis.words import day

    known = [row for row in result.parts if not row.cannot_tell]
    at_once = [row for row in known if row.changed_on is not None]
    still = [row for row in known if not row.wears and row.changed_on is None]
    unknown = [row for row in result.parts if row.cannot_tell]
    without = [row for row in known if row.wears and row.order_by is None]
    more = "" if every else "; --all lists them"
    if at_once:
        for row in at_once:
            assert row.changed_on is not None
            yield (
                f"{row.name[:1].upper()}{row.name[1:]} has more {row.kind} since about "
                f"{day(row.changed_on)}, but at once, which is damage or another cause rather than "
                "wear: look before a new one is ordered."
            )
    if without:
        yield f"With wear, but no date to order by: {some([row.name for row in without])}."
    if still:
        yield f"No wear shows in {_parts(len(still))}{more}."
    if unknown:
        yield f"Whether it wears cannot be told of {_parts(len(unknown))}{more}."


def _parts(count: int) -> str:
    from analysis.words import many

    return many(count, "part")


def _tells(row: ServiceRow) -> bool:
    """Whether a service has something to say: it did something, or should have."""
    if row.warning or not row.changed:
        return False
    return row.verdict in ("helped", "worse") or (
        row.reason in ("worn", "broken") and row.verdict != "nothing before it"
    )


def _print_services(rows: Sequence[ServiceRow]) -> None:
    from analysis.words import day, times_range, two_digits

    cells = []
    for row in rows:
        known = math.isfinite(row.ratio_after)
        cells.append(
            (
                day(row.when),
                row.where,
                row.what,
                row.warning.partition(";")[0] or row.verdict,
                row.kind,
                f"{two_digits(row.ratio_after)} ({times_range(row.low, row.high)})"
                if known
                else "",
                _beside(row.before_count, row.before_expected, row.before_feeds),
                _beside(row.after_count, row.after_expected, row.after_feeds),
                row.together[0] if len(row.together) == 1 else _others(len(row.together)),
            )
        )
    heads = ("day", "where", "what", "verdict", "kind", "times after", "before (usual)")
    shared.print_table(
        (*heads, "after (usual)", "same visit"),
        cells,
        left=("day", "where", "what", "verdict", "kind", "same visit"),
    )


def _others(count: int) -> str:
    return f"{count:,} others" if count else ""


def _beside(count: int, expected: float, feeds: int) -> str:
    from analysis.words import expected_number

    return f"{count:,} ({expected_number(expected)})" if feeds else "none fed"


def _untold(services: Sequence[ServiceRow], told: Sequence[ServiceRow]) -> Iterator[str]:
    """Count the services that are not listed, by what can be said of them."""
    from analysis.services import by_verdict

    if any(row.together for row in told):
        yield "Which of several acts on the same visit made the difference cannot be told."
    said = by_verdict([row for row in services if row not in told])
    if said:
        others = "the other services" if told else "the services"
        yield f"Of {others}, {'; '.join(said)}. --all lists them."
