"""What does the production manager read on Monday? The weekly report, on one page.

All of its numbers are those of the week's result. Where there is more to say than a page holds, it
says less of what matters least, and how much it leaves out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analysis import __version__
from analysis.cautions import HANDS
from analysis.pricing import Cost
from analysis.rates import Rate
from analysis.weekly import Weekly, services_in_words
from analysis.words import MONTHS, day, many, per_10k, two_digits
from dashboard import theme
from dashboard.reports import letter
from dashboard.reports.blocks import Grid, Items, Letter, Section, Text

KINDS = ("misses", "doubles")

NO_BURN_IN = "No burn-in of these towers is logged, so there is none to set the week beside."
NO_TOWER = "No tower ran in this week or the one before, so there is no burn-in to set it beside."
NO_OVERS = "No stock is named in this week's runs, so no job can be told its spare sheets."
NO_COSTS = "Nothing was fed in this week, so there is no cost to give."
NOBODY = "No bin and no tower began to be worse this week, is still worse, or ended to be so."
NOTHING_NEXT = "Nothing is to be looked at, and no part is to be ordered."


@dataclass(frozen=True)
class _Holds:
    """How much stands in each part of the page."""

    changes: int = 5
    weeks: int = 4
    bins: int = 3
    stocks: int = 3
    services: int = 4
    causes: int = 4
    orders: int = 4
    why: bool = True


#: From the fullest page to the shortest.
_HOLDS = (
    _Holds(),
    _Holds(services=3, why=False),
    _Holds(changes=4, weeks=3, services=2, orders=3, why=False),
    _Holds(changes=3, weeks=2, services=2, causes=3, orders=3, why=False),
    _Holds(changes=3, weeks=1, bins=2, stocks=2, services=2, causes=2, orders=2, why=False),
    _Holds(changes=2, weeks=0, bins=1, stocks=1, services=1, causes=1, orders=1, why=False),
    _Holds(changes=0, weeks=0, bins=0, stocks=0, services=0, causes=0, orders=0, why=False),
)


def html(made: Weekly, *, as_of: str = "") -> str:
    """Write a week's report as one HTML file that fetches nothing.

    Parameters
    ----------
    made : Weekly
        The week.
    as_of : str
        What ``--as-of`` was given, where the log is taken as it stood before.
    """
    return letter.html(_letter(made, as_of))


def pdf(made: Weekly, *, as_of: str = "") -> bytes:
    """Write a week's report as a PDF of one page; the same bytes each time.

    Parameters
    ----------
    made, as_of
        As of `html`.
    """
    return letter.pdf(_letter(made, as_of))


def can_write(made: Weekly) -> bool:
    """Tell whether the type of the PDF has every letter of a report."""
    return letter.can_write(_letter(made, ""))


def _letter(made: Weekly, as_of: str) -> Letter:
    """Return the fullest report that stands on one page."""
    for holds in _HOLDS:
        found = _held(made, as_of, holds)
        if letter.pages(found) == 1:
            break
    return found


def _held(made: Weekly, as_of: str, holds: _Holds) -> Letter:
    title = f"Weekly report, {made.name}"
    stood = f", the log as it stood on {as_of}" if as_of else ""
    return Letter(
        title=title,
        name=title,
        foot=f"{title}{stood}, feedtally {__version__}",
        sections=(
            _opening(made),
            _changed(made, holds),
            _cost(made, holds),
            _overs(made, holds),
            _checked(made, holds),
            _next(made, holds),
        ),
        close=True,
    )


def _opening(made: Weekly) -> Section:
    blocks = [Text(made.sentence(), "headline")]
    account = made.account
    if account.rows and account.first is not None and account.last is not None:
        days = theme.period(account.first, account.last)
        since = "on" if account.first.date() == account.last.date() else "from"
        blocks.append(
            Text(
                f"{many(account.runs, 'run')} of production, {many(account.feeds, 'feed')}, "
                f"logged {since} {days}. Ranges hold the true value in 95 of 100 cases and allow "
                "for faults that come in clusters.",
                "quiet",
            )
        )
    return Section("", tuple(blocks))


# What changed. ------------------------------------------------------------------------------------


def _changed(made: Weekly, holds: _Holds) -> Section:
    rows = [_rates("this week", made.now)]
    rows += [
        _rates(f"week of {first.day} {MONTHS[first.month - 1]}", rates)
        for first, rates in made.weeks[1 : 1 + holds.weeks]
    ]
    rows.append(_rates("the four weeks before", made.before))
    if made.burn_in:
        rows.append(_rates("at burn-in", made.burn_in))
    heads = ("per 10,000 feeds", *("rate", "range", "counted") * len(KINDS))
    grid = Grid(
        heads,
        tuple(rows),
        groups=(("", 1), *((kind, 3) for kind in KINDS)),
        shares=(0.2, *(0.08, 0.15, 0.17) * len(KINDS)),
    )
    blocks: list[Text | Grid | Items] = [grid]
    if not made.burn_in:
        ran = any(rate.runs for _, rates in made.weeks[:2] for rate in rates.values())
        blocks.append(Text(NO_BURN_IN if ran else NO_TOWER, "quiet"))
    if made.change is not None and holds.why:
        blocks.append(Text(f"Beside the four weeks before: {_lower(made.change.sentence())}"))
    if not made.drift.watched:
        blocks.append(Text(made.not_watched()))
        return Section("What changed", tuple(blocks))
    changes = made.changes()
    if changes:
        blocks.append(Items(_few(changes, holds.changes, "feedtally drift")))
    else:
        blocks.append(Text(NOBODY))
    return Section("What changed", tuple(blocks))


def _rates(name: str, rates: Mapping[str, Rate]) -> tuple[str, ...]:
    cells = [name]
    # Runs are those that were watched: what only one kind was watched in ran all the same.
    ran = any(rate.runs for rate in rates.values())
    for kind in KINDS:
        rate = rates[kind]
        if rate.rate is None:
            cells += ["–", "–", "nothing watched" if ran else "nothing ran"]
        else:
            cells += [
                per_10k(rate.rate),
                theme.span(rate.wide_low, rate.wide_high),
                f"{rate.count:,} in {theme.feeds(rate.feeds)}",
            ]
    return tuple(cells)


# What it cost. ------------------------------------------------------------------------------------


def _cost(made: Weekly, holds: _Holds) -> Section:
    head = "What it cost"
    if not made.account.rows:
        return Section(head, (Text(NO_COSTS),))
    rows = [("all bins", *_priced(made.costs.total), *_priced(made.costs_before.total))]
    rows += [
        (f"bin {now.of['bin']} of tower {now.of['tower']}", *_priced(now), *_priced(before))
        for now, before in made.dearest(holds.bins)
    ]
    money = made.costs.figures.currency or "money"
    said = f"{made.costs.sentence()} {made.costs.logged()}".strip()
    return Section(
        head,
        (
            Grid(
                ("per 10,000 sets", money, "range", "faults", money, "range", "faults"),
                tuple(rows),
                groups=(("", 1), ("this week", 3), ("the four weeks before", 3)),
            ),
            Text(said),
        ),
    )


def _priced(cost: Cost | None) -> tuple[str, str, str]:
    each = cost.per_sets() if cost is not None else None
    if cost is None or each is None:
        return "–", "–", "nothing ran"
    span = f"{two_digits(each[1])} to {two_digits(each[2])}"
    return two_digits(each[0]), span, f"{cost.faults:,.0f}"


# Overs. -------------------------------------------------------------------------------------------


def _overs(made: Weekly, holds: _Holds) -> Section:
    head = "Spare sheets for a job of the usual size, on the stocks run most"
    told = made.overs[: holds.stocks]
    if not made.account.rows:
        return Section("Spare sheets", (Text("Nothing ran in this week."),))
    if not made.overs:
        return Section("Spare sheets", (Text(NO_OVERS),))
    rows = tuple(
        (
            one.stock,
            f"{one.sets:,}",
            f"{one.bins:,}",
            f"{one.each:,}",
            f"{one.each * one.bins:,}",
            f"{one.together:,}",
        )
        for one in told
    )
    return Section(
        head,
        (
            Grid(("stock", "sets", "bins", "in each bin", "in all", "or as one pile"), rows),
            Text(
                f"So that {theme.percent(made.overs[0].chance)} of such jobs finish; make-ready "
                "comes on top. The usual size is the middle one of the last 91 days.",
                "quiet",
            ),
        ),
    )


# Did it help, and what next? ----------------------------------------------------------------------


def _checked(made: Weekly, holds: _Holds) -> Section:
    head = "Did last week's action help?"
    if made.services:
        said = services_in_words(made.services)
        return Section(head, (Items(_few(said, holds.services, "feedtally parts")),))
    none = "No service is logged in this week or the one before"
    if not made.last_services:
        return Section(head, (Text(f"{none}, nor any before that."),))
    last = services_in_words(made.last_services)
    return Section(
        head,
        (
            Text(f"{none}; the last ones were on {day(made.last_services[-1].when)}."),
            Items(_few(last, max(1, holds.services - 1), "feedtally parts")),
        ),
    )


def _next(made: Weekly, holds: _Holds) -> Section:
    head = "What to do next week"
    causes = tuple(one.sentence() for one in made.causes)
    orders = made.orders_in_words()
    told = (
        *_few(causes, holds.causes, "feedtally causes"),
        *_few(orders, holds.orders, "feedtally parts"),
    )
    blocks: list[Text | Items] = [Items(told, numbered=True)] if told else []
    if not told:
        blocks.append(Text(f"{NOTHING_NEXT} {_no_parts(made)}".strip()))
    elif not orders:
        none = f"No part is to be ordered by {day(made.order_until)}."
        blocks.append(Text(f"{none} {_no_parts(made)}".strip()))
    if causes:
        blocks.append(Text(HANDS, "quiet"))
    return Section(head, tuple(blocks))


def _no_parts(made: Weekly) -> str:
    return "" if made.parts.parts else made.parts.sentence()


def _few(said: tuple[str, ...], most: int, where: str) -> tuple[str, ...]:
    """Return the first of some sentences, and how many more there are and where."""
    if len(said) <= most:
        return said
    left = len(said) - most
    more = "more" if most else "in all"
    return (*said[:most], f"{left:,} {more}: see {where}.")


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
