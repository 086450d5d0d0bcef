"""What does the planner order, and what does whoever goes to the towers take along?

The parts list: what to order and by when, with what each is for; whether the last services helped;
parts of unknown age to look at; what is odd in the service log; boxes to tick and lines to sign.
All of its numbers are those of `analysis.parts`.
"""

from __future__ import annotations

import datetime as dt

from analysis import __version__
from analysis.cautions import HANDS
from analysis.order_prices import order_price, price_text
from analysis.parts import SOON_DAYS, PartRow, Parts
from analysis.services import ServiceRow
from analysis.weekly import services_in_words
from analysis.words import day, listed, many, one, per_10k
from dashboard import theme
from dashboard.reports import letter
from dashboard.reports.blocks import TICK, Facts, Grid, Items, Letter, Section, Signatures, Text

#: What is to be ordered after so many days is no more than counted.
AHEAD_DAYS = 365

#: Services of so many days before the log's end are told.
LATELY_DAYS = 56

NOTHING_TO_ORDER = "Nothing is to be ordered in the year ahead, by what the log says."
ALL_KNOWN = "There are none: when each part was fitted is logged."
LOG_THEM = (
    "Log the next new one of each as fitted, with its bin, or with bin tower where it is one of "
    "the tower as a whole: its age is known from then on."
)
NOTHING_ODD = "Nothing: no part is over its limit, or has more faults, otherwise than by wear."
NO_WARNINGS = "Nothing."

#: What is to be minded with this paper in hand.
CAUTIONS = (
    HANDS,
    "A forecast by counts says when a part is likely due. It says nothing of whether a part is "
    "sound, nor that a machine is safe to open.",
)


def html(made: Parts, *, as_of: str = "") -> str:
    """Write a parts list as one HTML file that fetches nothing.

    Parameters
    ----------
    made : Parts
        What is wearing.
    as_of : str
        What ``--as-of`` was given, where the log is taken as it stood before.
    """
    return letter.html(_letter(made, as_of))


def pdf(made: Parts, *, as_of: str = "") -> bytes:
    """Write a parts list as a PDF of size A4; the same bytes each time.

    Parameters
    ----------
    made, as_of
        As of `html`.
    """
    return letter.pdf(_letter(made, as_of))


def can_write(made: Parts) -> bool:
    """Tell whether the type of the PDF has every letter of a list."""
    return letter.can_write(_letter(made, ""))


def to_order(made: Parts) -> tuple[PartRow, ...]:
    """Return what is to be ordered in the year after the log's end, soonest first."""
    return made.order_list(AHEAD_DAYS)


def unknown(made: Parts) -> tuple[tuple[str, str], ...]:
    """Return parts whose age is unknown, each with where it is, bins of a tower together."""
    found: dict[tuple[str, str], list[int]] = {}
    of_towers: dict[str, list[str]] = {}
    for row in made.parts:
        if row.fitted_at is not None:
            continue
        if row.bin is None:
            of_towers.setdefault(row.part, []).append(row.tower)
        else:
            found.setdefault((row.part, row.tower), []).append(row.bin)
    places = [
        (part, f"{'bin' if len(bins) == 1 else 'bins'} {_numbers(bins)} of tower {tower}")
        for (part, tower), bins in sorted(found.items())
    ]
    return (
        *places,
        *(
            (part, f"{'tower' if len(towers) == 1 else 'towers'} {listed(sorted(towers))}")
            for part, towers in sorted(of_towers.items())
        ),
    )


def _numbers(bins: list[int]) -> str:
    return listed([str(number) for number in sorted(bins)])


def _letter(made: Parts, as_of: str) -> Letter:
    title = "Parts list"
    until = f", {day(made.until)}" if made.until is not None else ""
    # Parts of unknown age have a section of their own.
    odd = tuple(text for text in made.warnings if text not in made.unknown_ages)
    return Letter(
        title=f"{title}{until}",
        name=f"{title}{until}",
        foot=f"{title}{until}, feedtally {__version__}",
        sections=(
            _opening(made, as_of),
            *_orders(made),
            _look_first(made),
            _helped(made),
            _of_unknown_age(made),
            Section(
                "What is odd or lacking in the service log",
                (Items(odd) if odd else Text(NO_WARNINGS),),
            ),
            Section("Cautions", (Items(CAUTIONS),)),
            Section(
                "Signatures",
                (
                    Text("Boxes are ticked by whoever ordered, fitted or looked."),
                    Signatures(("Ordered by", "Fitted by", "Looked at by")),
                ),
            ),
            _source(made, as_of),
        ),
    )


def _opening(made: Parts, as_of: str) -> Section:
    blocks = [Text(made.sentence(), "headline")]
    if made.until is not None:
        stood = f", which is taken as it stood on {as_of}" if as_of else ""
        blocks.append(
            Text(
                f"By the log up to {day(made.until)}{stood}. Limits, prices and days to come are "
                "those of the site file; what it leaves out is taken as usual, and said.",
                "quiet",
            )
        )
    return Section("", tuple(blocks))


# To order. ----------------------------------------------------------------------------------------


def _orders(made: Parts) -> tuple[Section, ...]:
    rows = to_order(made)
    later = len(made.order_list()) - len(rows)
    more = ""
    if later:
        parts = many(later, "more part")
        more = f"{parts} {'is' if later == 1 else 'are'} due after that: see feedtally parts."
    if not rows:
        return (Section("To order", (Text(f"{NOTHING_TO_ORDER} {more}".strip()),)),)
    prices = order_price(rows, made.currency)
    priced = prices.count > 0
    heads = ["order by", "part", "where", "due about", "days to come", "ordered", "fitted"]
    shares = [0.24, 0.14, 0.16, 0.16, 0.13, 0.09, 0.08]
    if priced:
        heads.insert(5, prices.head)
        shares = [0.22, 0.12, 0.15, 0.15, 0.09, 0.1, 0.095, 0.075]
    grid = Grid(
        tuple(heads),
        tuple(_order(row, made, priced=priced) for row in rows),
        numbers=False,
        shares=tuple(shares),
    )
    assumed = any(row.lead_assumed for row in rows)
    told = (
        f"What is to be ordered in the year ahead; the headline names what is to be within "
        f"{SOON_DAYS} days."
    )
    if assumed:
        told += " Days to come with a mark (*) are only what is usual."
    texts = (Text(prices.sentence()), Text(f"{told} {more}".strip(), "quiet"))
    return (
        Section("To order", (grid, *texts)),
        Section("What each is for", (Items(tuple(row.sentence() for row in rows), numbered=True),)),
    )


def _order(row: PartRow, made: Parts, *, priced: bool) -> tuple[str, ...]:
    assert row.order_by is not None
    now = made.until is not None and row.order_by <= made.until.date()
    due = "over its limit" if row.feeds_to_limit == 0 else ""
    if not due:
        due = day(row.limit_on) if row.limit_on is not None else "–"
    lead = "–" if row.lead_days is None else f"{row.lead_days}{'*' if row.lead_assumed else ''}"
    return (
        f"now ({day(row.order_by)})" if now else day(row.order_by),
        row.part,
        row.where,
        due,
        lead,
        *([price_text(row.price)] if priced else []),
        TICK,
        TICK,
    )


# To look at. --------------------------------------------------------------------------------------


def _look_first(made: Parts) -> Section:
    """List parts whose faults rose otherwise than by wear: a new one may not mend them."""
    head = "To look at before anything is ordered"
    odd = [row for row in made.parts if row.order_by is None and _odd(row)]
    if not odd:
        return Section(head, (Text(NOTHING_ODD),))
    odd.sort(key=lambda row: (row.tower, row.bin is None, row.bin or 0, row.part))
    grid = Grid(
        ("part", "where", "why", "looked at"),
        tuple((row.part, row.where, _odd(row), TICK) for row in odd),
        numbers=False,
        shares=(0.14, 0.16, 0.6, 0.1),
    )
    return Section(head, (grid,))


def _odd(row: PartRow) -> str:
    """Say why a part is to be looked at, though no wear shows; empty where it need not be."""
    if row.cannot_tell or row.wears:
        return ""
    seen = f"{row.count:,} {one(row.kind, row.count)} in {many(row.feeds, 'feed')}"
    if row.changed_on is not None:
        return (
            f"more {row.kind} since about {day(row.changed_on)}, all at once, which is damage or "
            f"another cause rather than wear ({seen})"
        )
    if row.feeds_to_limit == 0 and row.limit_rate is not None:
        return (
            f"over its limit of {row.limit}, but no wear shows: {per_10k(row.rate_now)} now "
            f"({theme.span(row.rate_now_low, row.rate_now_high)}), by {seen}"
        )
    return ""


def _of_unknown_age(made: Parts) -> Section:
    head = "Parts of unknown age, to look at"
    rows = unknown(made)
    if not made.parts:
        return Section(head, (Text("No part is known."),))
    if not rows:
        return Section(head, (Text(ALL_KNOWN),))
    grid = Grid(
        ("part", "where", "looked at", "looks new", "looks worn"),
        tuple((part, where, TICK, TICK, TICK) for part, where in rows),
        numbers=False,
        shares=(0.18, 0.46, 0.12, 0.12, 0.12),
    )
    return Section(head, (grid, Text(LOG_THEM, "quiet")))


# Did it help? -------------------------------------------------------------------------------------


def _helped(made: Parts) -> Section:
    head = f"Did it help? Services of the last {LATELY_DAYS // 7} weeks"
    rows = _lately(made)
    if rows:
        return Section(head, (Items(services_in_words(rows)),))
    none = f"None is logged in the last {LATELY_DAYS // 7} weeks"
    if not made.services:
        return Section(head, (Text(f"{none}, nor any before that."),))
    last = made.services[-1].when.date()
    latest = tuple(row for row in made.services if row.when.date() == last)
    return Section(
        head,
        (Text(f"{none}; the last were on {day(last)}."), Items(services_in_words(latest))),
    )


def _lately(made: Parts) -> tuple[ServiceRow, ...]:
    if made.until is None:
        return made.services
    since = made.until - dt.timedelta(days=LATELY_DAYS)
    return tuple(row for row in made.services if row.when >= since)


def _source(made: Parts, as_of: str) -> Section:
    account = made.account
    rows = [
        ("To get it again", "feedtally report parts --out FILE"),
        ("Program", f"feedtally {__version__}"),
        ("Runs of production", f"{account.runs:,}"),
        ("Feeds", f"{account.feeds:,}"),
        ("From", day(account.first) if account.first else "–"),
        ("To", day(account.last) if account.last else "–"),
    ]
    if as_of:
        rows[0] = (rows[0][0], f"{rows[0][1]} --as-of {as_of}")
        rows.append(("The log as it stood", as_of))
    return Section("Where the numbers come from", (Facts(tuple(rows)),))
