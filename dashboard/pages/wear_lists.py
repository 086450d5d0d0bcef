"""Lists of the parts page: parts, services, ages; on the page and as CSV."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from analysis.order_prices import order_price, price_text
from analysis.parts import PartRow, Parts
from analysis.services import ServiceRow, by_verdict
from analysis.wear_by_age import WearByAge
from analysis.words import expected_number, listed, many, times_range, two_digits
from dashboard import parts, theme
from dashboard.figures.wear import FEW_EXPECTED

#: A day so many years after the log's end is nobody's plan.
_YEARS = 10

#: Fewer faults than this say little of wear.
_FEW_FAULTS = 10


def section(name: str, head: str, *body: Component, className: str = "") -> Component:
    """Return a section with its heading."""
    return html.Section(
        [html.H2(head, id=name), *body],
        className=className,
        **theme.attributes(aria_labelledby=name),
    )


def about(items: Sequence[tuple[str, Component | str]], *, dated: bool = False) -> Component:
    """Return a list of what there is to say, each with a word or a day before it."""
    return html.Ol(
        [
            html.Li(
                [
                    html.Span(word, className="about warn" if word == "Caution" else "about"),
                    html.Div(told),
                ]
            )
            for word, told in items
        ],
        className="attention dated" if dated else "attention",
    )


# Parts. -------------------------------------------------------------------------------------------


def orders_table(
    found: Parts, rows: Sequence[tuple[PartRow, str, bool]], caption: str
) -> Component:
    """Return the table of what to order.

    Parameters
    ----------
    found : Parts
        That the rows are of.
    rows : sequence of (PartRow, str, bool)
        Each part, the address of the page with it chosen, and whether it is.
    caption : str
        Said to those who hear the page read.
    """
    prices = order_price([row for row, _, _ in rows], found.currency)
    heads = [
        "part",
        "order by",
        "kind",
        "age, feeds (months)",
        "wear per 100,000 feeds (range)",
        "feeds until its limit (range)",
        "limit passed about (range)",
        *([prices.head] if prices.count else []),
    ]
    body = [
        html.Tr(
            [
                *_first_cells(found, row, link, here=here),
                html.Td(_feeds_left(row)),
                html.Td(_limit_on(found, row)),
                *([html.Td(price_text(row.price))] if prices.count else []),
                html.Td(_interval(row), className="on-screen"),
                # On paper there is a box to tick.
                html.Td(
                    html.Span(className="box", **theme.attributes(aria_hidden="true")),
                    className="on-paper",
                ),
            ],
            className="shown" if here else "",
        )
        for row, link, here in rows
    ]
    made = parts.table(caption, heads, body)
    made.children[1].children.children += [
        html.Th("best interval, feeds", scope="col", className="on-screen"),
        html.Th("ordered", scope="col", className="on-paper"),
    ]
    return made


def every_table(found: Parts, rows: Sequence[tuple[PartRow, str, bool]], caption: str) -> Component:
    """Return the table of all parts in place, as `orders_table` does."""
    heads = [
        "part",
        "order by",
        "kind",
        "age, feeds (months)",
        "wear per 100,000 feeds (range)",
        "limit passed about (range)",
        "counted in feeds",
    ]
    body = [
        html.Tr(
            [
                *_first_cells(found, row, link, here=here),
                html.Td(_limit_on(found, row)),
                html.Td(f"{row.count:,} in {theme.feeds(row.feeds)}" if row.feeds else "–"),
            ],
            className="shown" if here else "",
        )
        for row, link, here in rows
    ]
    return parts.table(caption, heads, body)


def _first_cells(found: Parts, row: PartRow, link: str, *, here: bool) -> list[Component]:
    current = theme.attributes(aria_current="true") if here else {}
    name = f"{row.part[:1].upper()}{row.part[1:]}, {row.where}"
    return [
        html.Th(
            html.A(name, href=link, className="inside", **current), scope="row", className="name"
        ),
        html.Td(_order_by(found, row), className="by"),
        html.Td([parts.mark(row.kind), row.kind], className=f"kind {row.kind}"),
        html.Td(_age(row)),
        html.Td(_wear(row), className="weak" if row.count < _FEW_FAULTS else ""),
    ]


def _order_by(found: Parts, row: PartRow) -> list[Component | str]:
    if row.order_by is None:
        return ["–"]
    if found.by(row) == "now":
        return [html.B("now", className="warn")]
    return [html.B(short(row.order_by))]


def _age(row: PartRow) -> list[Component | str]:
    if row.age_feeds is None:
        return ["not known"]
    unit = " cycles" if row.bin is None else ""
    found: list[Component | str] = [f"{theme.feeds(round(row.age_feeds))}{unit}"]
    if row.age_months is not None:
        found.append(html.Small(f" ({two_digits(row.age_months)})"))
    return found


def _wear(row: PartRow) -> list[Component | str]:
    if row.cannot_tell:
        return ["cannot be told"]
    if not math.isfinite(row.wear_ratio_per_100k_feeds):
        return ["–"]
    if row.changed_on is not None:
        return ["rose at once"]
    low, high = percent(row.low).removesuffix("\u00a0%"), percent(row.high)
    span = html.Small(f" ({low} to {high})")
    if not row.wears:
        return ["none shows", span]
    return [f"{percent(row.wear_ratio_per_100k_feeds)} more", span]


def percent(ratio: float) -> str:
    """Write by how much a ratio is above 1: ``4.7 %``, below it ``−0.8 %``."""
    if math.isinf(ratio):
        return "any"
    change = 100 * (ratio - 1)
    # Below one percent a second digit would say more than is known.
    shown = f"{abs(change):.1f}" if abs(change) < 1 else two_digits(abs(change))
    sign = "−" if change < 0 and float(shown.replace(",", "")) else ""
    return f"{sign}{shown}\u00a0%"


def _feeds_left(row: PartRow) -> list[Component | str]:
    left = row.feeds_to_limit
    if row.cannot_tell or left is None or not row.wears:
        return ["–"]
    if left == 0:
        return ["passed"]
    if math.isinf(left):
        return ["never"]
    low, high = row.feeds_to_limit_low or 0.0, row.feeds_to_limit_high
    until = "any" if high is None or math.isinf(high) else _rough(high)
    soonest = _rough(low) if low else "now"
    if until.endswith(" million"):
        soonest = soonest.removesuffix(" million")
    return [_rough(left), html.Small(f" ({soonest} to {until})")]


def _rough(feeds: float) -> str:
    """Write a forecast of feeds with two significant digits: ``35,000``, ``1.1 million``."""
    if feeds < 995_000:
        return two_digits(feeds).removesuffix(".0")
    return f"{two_digits(feeds / 1e6)} million"


def _limit_on(found: Parts, row: PartRow) -> list[Component | str]:
    if row.limit_on is None or not row.wears:
        return ["–"]
    first = short(row.limit_earliest) if row.limit_earliest else "now"
    last = row.limit_latest
    beyond = last is None or (found.until is not None and last.year > found.until.year + _YEARS)
    until = f"over {_YEARS} years" if beyond or last is None else short(last)
    return [short(row.limit_on), html.Small(f" ({first} to {until})")]


def short(day: dt.date) -> str:
    """Write a day where there is little room: ``6 Aug 2031``."""
    number, month, year = theme.day(day).split(" ")
    return f"{number} {month[:3]} {year}"


def _interval(row: PartRow) -> str:
    every = row.replace_every_feeds
    if every is None:
        return "–"
    return "never" if math.isinf(every) else _rough(every)


# Services. ----------------------------------------------------------------------------------------


def service_in_words(row: ServiceRow) -> str:
    """Say whether a service helped, without the place and the day that stand beside it."""
    head, _, rest = row.sentence().partition(f", {row.what}: ")
    what = f"{row.what[:1].upper()}{row.what[1:]}"
    if row.bin is None and not row.of_tower:
        # Its numbers are those of all bins together.
        what += " in every bin"
    return f"{what}: {rest}" if rest else head


def untold(services: Sequence[ServiceRow], told: Sequence[ServiceRow]) -> str:
    """Count the services that are not shown, by what can be said of them."""
    said = by_verdict([row for row in services if row not in told])
    others = "other services" if told else "services"
    return f"Of the {others}, {'; '.join(said)}." if said else ""


def services_table(services: Sequence[ServiceRow]) -> Component:
    """Return all services in a table that opens, the last one first."""
    rows = []
    for row in sorted(services, key=lambda one: one.when, reverse=True):
        word = row.warning.partition(";")[0] or row.verdict
        weak = row.verdict in ("too few feeds yet", "nothing before it")
        rows.append(
            html.Tr(
                [
                    html.Th(short(row.when), scope="row", className="name"),
                    html.Td(f"{row.what}, {row.where}"),
                    html.Td(word, className="warn" if word == "worse" else "word"),
                    html.Td(row.kind),
                    html.Td(_ratio(row)),
                    html.Td(_beside(row.before_count, row.before_expected, row.before_feeds)),
                    html.Td(_beside(row.after_count, row.after_expected, row.after_feeds)),
                    html.Td(listed(list(row.together)) if row.together else ""),
                ],
                className="weak" if weak else "",
            )
        )
    count = many(len(services), "service")
    return parts.numbers_table(
        "Services, the last one first",
        "day",
        [
            "what and where",
            "so it",
            "kind",
            "times after (range)",
            "before (expected, feeds)",
            "after (expected, feeds)",
            "same visit",
        ],
        rows,
        f"All {count} in a table" if len(services) > 1 else "It in a table",
        words=True,
    )


def _ratio(row: ServiceRow) -> str:
    if not math.isfinite(row.ratio_after):
        return "–"
    return f"{two_digits(row.ratio_after)} ({times_range(row.low, row.high)})"


def _beside(count: int, expected: float, feeds: int) -> str:
    if not feeds:
        return "none fed"
    return f"{count:,} ({expected_number(expected)}, {theme.feeds(feeds)})"


# Ages, and how long parts last. -------------------------------------------------------------------


def ages_table(wear: WearByAge) -> Component:
    """Return the points of the figure in a table that opens."""
    rows = [
        html.Tr(
            [
                html.Th(
                    f"{theme.feeds(round(band.first))} to {theme.feeds(round(band.last))}",
                    scope="row",
                    className="name",
                ),
                html.Td(f"{band.count:,}"),
                html.Td(expected_number(band.expected)),
                html.Td(
                    f"{two_digits(band.ratio)} ({two_digits(band.low)} to {two_digits(band.high)})"
                ),
                html.Td(theme.feeds(band.feeds)),
            ],
            className="weak" if band.expected < FEW_EXPECTED else "",
        )
        for band in wear.bands
    ]
    return parts.numbers_table(
        f"{wear.kind} by age",
        f"age, {wear.unit}",
        [wear.kind, "expected", "times expected (range)", "feeds"],
        rows,
    )


def lasting(found: Parts) -> list[tuple[str, Component | str]]:
    """Say of each sort of part how an ordinary one wears and how long it lasts."""
    items: list[tuple[str, Component | str]] = []
    pooled = {(one.of_tower, one.part): one for one in found.pooled}
    for one in found.lives:
        if not one.ended and not one.censored:
            continue
        name = f"{one.part[:1].upper()}{one.part[1:]}"
        head = f"{name} of the tower" if one.of_tower else name
        told = [one.sentence().removeprefix(f"{head}: ")]
        wear = pooled.get((one.of_tower, one.part))
        if wear is not None:
            told.insert(0, wear.sentence().removeprefix(f"{name}: "))
        items.append((name, " ".join(parts.sentence(text) for text in told)))
    return items


# As CSV. ------------------------------------------------------------------------------------------


def parts_csv(found: Parts) -> str:
    """Write the parts in place as CSV, the soonest to be ordered first."""

    def row(one: PartRow) -> list[object]:
        return [
            parts.safe_cell(one.tower),
            "tower" if one.bin is None else one.bin,
            parts.safe_cell(one.part),
            one.kind,
            _when(one.order_by),
            "yes" if one.wears else "no",
            _when(one.fitted_at),
            *map(_number, (one.age_feeds, one.age_months)),
            *map(_number, (one.wear_ratio_per_100k_feeds, one.low, one.high)),
            *map(_number, (one.rate_now, one.rate_now_low, one.rate_now_high)),
            *map(_number, (one.limit_rate, one.limit_times)),
            *map(_number, (one.feeds_to_limit, one.feeds_to_limit_low, one.feeds_to_limit_high)),
            *map(_when, (one.limit_on, one.limit_earliest, one.limit_latest)),
            "" if one.lead_days is None else one.lead_days,
            _number(one.replace_every_feeds),
            one.feeds,
            one.count,
            _number(one.price),
            parts.safe_cell(found.currency),
            parts.safe_cell(one.sentence()),
        ]

    heads = (
        "tower bin part kind order_by wears fitted_at age_feeds age_months "
        "wear_ratio_per_100k_feeds wear_low wear_high rate_now rate_now_low rate_now_high "
        "limit_rate limit_times feeds_to_limit feeds_to_limit_low feeds_to_limit_high limit_on "
        "limit_earliest limit_latest lead_days replace_every_feeds feeds count "
        "price currency in_words"
    )
    return parts.csv_text(heads.split(), map(row, found.parts))


def services_csv(services: Sequence[ServiceRow]) -> str:
    """Write services as CSV, in order of time."""

    def row(one: ServiceRow) -> list[object]:
        ratios = map(_number, (one.ratio_after, one.low, one.high))
        place: object = one.bin if one.bin is not None else "tower" if one.of_tower else "all"
        return [
            _when(one.when),
            parts.safe_cell(one.tower),
            place,
            parts.safe_cell(one.part),
            one.action,
            one.reason,
            one.kind,
            one.verdict,
            *("" if number == "never" else number for number in ratios),
            *(one.before_count, one.before_expected, one.before_feeds),
            *(one.after_count, one.after_expected, one.after_feeds),
            parts.safe_cell("; ".join(one.together)),
            parts.safe_cell(one.warning),
        ]

    heads = (
        "when tower bin part action reason kind verdict times_after times_low times_high "
        "before_count before_expected before_feeds after_count after_expected after_feeds "
        "same_visit warning"
    )
    return parts.csv_text(heads.split(), map(row, services))


def ages_csv(row: PartRow, wear: WearByAge | None) -> str:
    """Write the faults of one place by the age of its part as CSV."""
    place = [
        parts.safe_cell(row.tower),
        "tower" if row.bin is None else row.bin,
        parts.safe_cell(row.part),
        row.kind,
    ]
    bands = () if wear is None else wear.bands
    heads = (
        "tower bin part kind age_from age_to count expected feeds times_expected times_low "
        "times_high"
    )
    rows = (
        [
            *place,
            *(band.first, band.last, band.count, band.expected, band.feeds),
            *(band.ratio, band.low, band.high),
        ]
        for band in bands
    )
    return parts.csv_text(heads.split(), rows)


def _when(moment: dt.date | None) -> str:
    if isinstance(moment, dt.datetime):
        return moment.isoformat(timespec="minutes")
    return "" if moment is None else moment.isoformat()


def _number(value: float | None) -> float | str:
    if value is None or math.isnan(value):
        return ""
    return value if math.isfinite(value) else "never"
