"""What does the parts page say of what wears, and of one part of it?

The parts of the page, as `wear` puts them together.
"""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from analysis.counts import Account
from analysis.filters import Filters
from analysis.log_format import kinds_of
from analysis.order_prices import order_price
from analysis.order_terms import due_at, think_twice
from analysis.parts import PartRow, Parts, PastPart
from analysis.services import ServiceRow
from analysis.starting_points import CAUTION
from analysis.wear_by_age import WearByAge
from analysis.words import called, listed, many
from dashboard import filters as shown_filters
from dashboard import parts, theme
from dashboard.figures import services as services_figure
from dashboard.figures import wear as figures
from dashboard.filters import to_query
from dashboard.pages import reports_links, streams
from dashboard.pages import wear_lists as lists
from dashboard.pages.streams import FOLLOWED
from dashboard.pages.wear_names import file_name, key_of

PATH = "/parts"

#: What the page has in the address beside the filter.
_CHOICES = ("part", "show")

#: Services that the figure shows, and those of one place that are told beside its own.
_MOST_SERVICES, _MOST_HERE = 12, 4

#: Past parts of a place that are told, the last ones.
_MOST_PAST = 6

_RANGES = "Ranges of wear are 95\u00a0%, of what is to come 90\u00a0%."
_AGES = "Working out how its faults go with its age …"


class Shown:
    """What the page says of parts, and of one of them."""

    def __init__(
        self, found: Parts, chosen: Filters, whole: Account, query: shown_filters.Query
    ) -> None:
        self.found, self.filters, self.whole, self.query = found, chosen, whole, query
        self.orders = found.order_list()
        self.named = parts.last(query, "part")
        there = {key_of(row): row for row in found.parts}
        self.asked = self.named in there
        told = (row for row in found.parts if not row.cannot_tell)
        first = next(iter((*self.orders, *told)), None)
        self.row: PartRow | None = there.get(self.named, first)
        self.every = parts.last(query, "show") == "all"
        self.chosen = {
            name: value
            for name, value in shown_filters.page_choices(query).items()
            if name in _CHOICES
        }

    def to(self, **chosen: str) -> str:
        """Return the address of the same view with other choices."""
        return to_query(self.filters, self.whole, **{**self.chosen, **chosen}) or "?"

    def answer(self, wear: Component | None) -> list[Component]:
        """Return the page; the one part's figure is fetched where it is not known yet."""
        one = self._one(wear)
        orders = self._orders()
        # What a link asks for stands first.
        middle = [*one, *orders] if self.asked else [*orders, *one]
        return [
            html.H1(self._headline()),
            html.P(self._sub_line(), className="sub"),
            *(html.P(text, className="key drift-note") for text in self._notes()),
            *middle,
            *self._helped(),
            *self._rest(),
        ]

    def _headline(self) -> str:
        row = self.row
        if row is None or not self.asked:
            return self.found.sentence()
        name = f"{row.name[:1].upper()}{row.name[1:]}"
        if row.order_by is not None:
            return f"{name} wears: order it {self.found.by(row)}."
        if row.cannot_tell:
            return f"{name}: whether it wears cannot be told."
        if row.changed_on is not None:
            return (
                f"{name}: more {row.kind} since about {theme.day(row.changed_on)}, at once, which "
                "is no wear."
            )
        return f"{name} {'wears, but is not to be ordered' if row.wears else 'shows no wear'}."

    def _sub_line(self) -> str:
        if self.row is not None and self.asked:
            return self.row.sentence()
        account, until = self.found.account, self.found.until
        if until is None:
            return "Nothing has run yet."
        told = (
            f"By {theme.many_feeds(account.feeds)} in {many(account.runs, 'run')} up to "
            f"{theme.day(until)}"
        )
        return (
            f"{told}, whatever the period above; each part by what its wear shows in, paper, air "
            "and settings allowed for."
        )

    def _notes(self) -> list[str]:
        notes = []
        if self.named and not self.asked:
            notes.append(
                f"{self.named} is no part that is in place in this part of the log; shown is what "
                "comes first."
            )
        if self.found.parts and all(row.cannot_tell for row in self.found.parts):
            notes.append("Whether any of them wears cannot be told yet; below is what to log.")
        kind = self.filters.kind
        if kind != "faults":
            notes.append(f"All parts are judged by {kind} here, since the filter asks for them.")
        held = [
            called(column)
            for column, values in self.filters.where
            if column not in FOLLOWED and not (column == "purpose" and values == ("production",))
        ]
        if held:
            notes.append(
                "This page looks at all production runs, whatever else the page is held to "
                f"({listed(held)})."
            )
        return notes

    # What to order. -------------------------------------------------------------------------------

    def _orders(self) -> list[Component]:
        report = reports_links.links("parts")
        if not self.orders:
            return [report]
        last = self.found.until
        head = "What to order, soonest first"
        table = lists.orders_table(self.found, self._linked_rows(self.orders), head)
        as_of = f"As of {theme.day(last)}, the end of the log. " if last is not None else ""
        return [
            html.Section(
                [
                    html.H2(head, id="parts-orders"),
                    html.Div(table, className="wide drift-list wear-list"),
                    html.P(f"{as_of}{due_at(self.orders)} {_RANGES}", className="key"),
                    html.P(
                        order_price(self.orders, self.found.currency).sentence(), className="key"
                    ),
                    *(html.P(text, className="key") for text in think_twice(self.orders)),
                    html.P(CAUTION, className="key on-paper"),
                    html.P(
                        [
                            "Save all parts as ",
                            html.A("CSV", href=self._numbers(".csv"), id="parts-csv"),
                            ", or ",
                            html.Button(
                                "print the list",
                                type="button",
                                className="word",
                                id="parts-print",
                                **theme.attributes(data_print="page"),
                            ),
                            ": it comes first, on a sheet of its own.",
                        ],
                        className="save",
                    ),
                ],
                className="order-list",
                **theme.attributes(aria_labelledby="parts-orders"),
            ),
            report,
        ]

    def _linked_rows(self, rows: Sequence[PartRow]) -> list[tuple[PartRow, str, bool]]:
        return [(row, self.to(part=key_of(row)), row is self.row) for row in rows]

    # One part. ------------------------------------------------------------------------------------

    def _one(self, wear: Component | None) -> list[Component]:
        row = self.row
        if row is None:
            return []
        if wear is None:
            # In two steps, so that the list need not wait for it.
            wear = html.Div(
                [
                    dcc.Store(id="parts-ages-asked", data=shown_filters.written(self.query)),
                    html.Div(html.P(_AGES, className="key looking"), id="parts-ages"),
                ]
            )
        below = [*self._past(row), *self._done_here(row)]
        beside = [*self._words(row), self._next(row)]
        return [
            html.Div(
                [html.Div([html.Div(wear), *below]), html.Div(beside)],
                className="drift-columns one-part",
            )
        ]

    def figure(self, wear: WearByAge | None) -> Component:
        """Return how the faults of the part go with its age, or why there is no figure."""
        row = self.row
        assert row is not None
        if wear is None or not wear.bands:
            name = f"{row.part[:1].upper()}{row.part[1:]} of {row.where}"
            return lists.section(
                "parts-age",
                f"{name}: its rate against its age cannot be drawn",
                html.P(
                    f"There are no {row.kind} at a known age: {row.cannot_tell or 'none logged'}."
                ),
            )
        said = figures.finding(wear, row)
        return parts.figured(
            "parts-age",
            [parts.mark(row.kind), said],
            said,
            figures.rate_by_age(wear, row),
            file_name(row),
            _key_to_ages(wear, row),
            self._numbers("/age.csv", part=key_of(row)),
            lists.ages_table(wear),
        )

    def _words(self, row: PartRow) -> list[Component]:
        """Say the row in words, unless the page has begun with it."""
        items = [] if self.asked else [("In words", row.sentence())]
        if row.replace_every_feeds is not None and row.replace_why:
            items.append(("How often", row.replace_why))
        if not items:
            return []
        return [lists.section("parts-words", "This part", lists.about(items))]

    def _past(self, row: PartRow) -> list[Component]:
        past = [
            old
            for old in self.found.past
            if (old.tower, old.bin, old.part) == (row.tower, row.bin, row.part)
        ]
        head = "In its place before"
        if not past:
            return [lists.section("parts-past", head, html.P("No other, as far as it was logged."))]
        items = [(theme.day(old.removed_at), _past(old)) for old in reversed(past[-_MOST_PAST:])]
        more = []
        if len(past) > _MOST_PAST:
            more = [html.P(f"The last {_MOST_PAST} of {len(past):,}.", className="key")]
        return [lists.section("parts-past", head, lists.about(items, dated=True), *more)]

    def _done_here(self, row: PartRow) -> list[Component]:
        here = [act for act in self.found.services if _concerns(act, row)]
        if not here:
            return []
        last = sorted(here, key=lambda act: act.when, reverse=True)
        items = [(theme.day(act.when), lists.service_in_words(act)) for act in last[:_MOST_HERE]]
        more = []
        if len(here) > _MOST_HERE:
            more = [html.P(f"The last {_MOST_HERE} of {len(here):,}.", className="key")]
        return [
            lists.section("parts-done", "Did it help here?", lists.about(items, dated=True), *more)
        ]

    def _next(self, row: PartRow) -> Component:
        links: list[Component | str] = []
        for kind in kinds_of(row.kind):
            name = streams.named(row.tower, row.bin, kind)
            href = f"{streams.PATH}{to_query(self.filters, self.whole, stream=name)}"
            links += [
                " and " if links else "",
                html.A(f"the {kind} of {row.where}", href=href, className="inside"),
            ]
        return lists.section(
            "parts-next",
            "Before it is changed",
            lists.about([("Caution", CAUTION)]),
            html.P(["What else may be behind ", *links, "?"], className="save"),
        )

    # Services. ------------------------------------------------------------------------------------

    def _helped(self) -> list[Component]:
        every = self.found.services
        if not every:
            return []
        telling = services_figure.telling(every)
        shown = telling[:_MOST_SERVICES]
        said = _helped_said(every)
        table = lists.services_table(every)
        numbers = self._numbers("/services.csv")
        if not shown:
            body: Component = lists.section(
                "parts-helped",
                said,
                html.P(lists.untold(every, []), className="key"),
                table,
                html.P(
                    ["Save the numbers as ", html.A("CSV", href=numbers, id="parts-helped-csv")],
                    className="save",
                ),
            )
        else:
            key = (
                "The same bins up to 91 days before and after, beside what was to be expected of "
                "the feeds on either side; line: 95\u00a0% range. Hollow: too few feeds to tell. "
            )
            if len(shown) < len(telling):
                key += f"The last {len(shown)} of {len(telling):,} that have something to say. "
            key += lists.untold(every, telling)
            body = parts.figured(
                "parts-helped",
                [said],
                said,
                services_figure.helped(shown),
                "feedtally-services",
                key,
                numbers,
                table,
            )
        return [html.Div(body, className="later")]

    # The others. ----------------------------------------------------------------------------------

    def _rest(self) -> list[Component]:
        found = []
        others = self._others()
        if others:
            head = "The other parts, and what to log"
            found.append(lists.section("parts-rest", head, lists.about(others), className="later"))
        if self.every and self.found.parts:
            rows = self._linked_rows(self.found.parts)
            table = lists.every_table(self.found, rows, "All parts in place")
            found.append(
                lists.section(
                    "parts-all",
                    "All parts in place",
                    html.Div(table, className="wide drift-list wear-list"),
                    className="later",
                )
            )
        lasting = lists.lasting(self.found)
        if lasting:
            found.append(
                lists.section(
                    "parts-lives", "How long they last", lists.about(lasting), className="later"
                )
            )
        return found

    def _others(self) -> list[tuple[str, Component | str]]:
        items: list[tuple[str, Component | str]] = []
        found = self.found
        known = [row for row in found.parts if not row.cannot_tell]
        still = [row for row in known if not row.wears and row.changed_on is None]
        undated = [row for row in known if row.wears and row.order_by is None]
        unknown = [row for row in found.parts if row.cannot_tell]
        for row in known:
            if row.changed_on is not None:
                items.append(("At once", html.Span([*self._linked(row), " ", _at_once(row)])))
        for row in undated:
            items.append(("No date", row.sentence()))
        count = many(len(still), "part")
        if still:
            over = [row for row in still if row.feeds_to_limit == 0 and row.limit_rate is not None]
            told = f"No wear shows in {count}."
            if over:
                told += (
                    f" Of {'it' if len(still) == 1 else 'them'}, {len(over):,} "
                    f"{'is' if len(over) == 1 else 'are'} over the limit all the same: look for "
                    "what else it may be. "
                )
            items.append(("No wear", html.Span([told, " ", self._turn()])))
        if unknown:
            told = f"Whether it wears cannot be told of {many(len(unknown), 'part')}."
            turns: list[Component | str] = [] if still else [" ", self._turn()]
            items.append(("Not known", html.Span([told, *turns])))
        return [*items, *(("To log", text) for text in found.warnings)]

    def _linked(self, row: PartRow) -> list[Component | str]:
        name = f"{row.name[:1].upper()}{row.name[1:]}"
        return [html.A(name, href=self.to(part=key_of(row)), className="inside")]

    def _turn(self) -> Component:
        many = f"all {len(self.found.parts):,}"
        return parts.either(
            "Listed",
            (many, self.to(show="all"), self.every),
            ("only what to order", self.to(show=""), not self.every),
        )

    def _numbers(self, name: str, **chosen: str) -> str:
        asked = self.to(**{"show": "", "part": "", **chosen})
        return f"{PATH}{name}{'' if asked == '?' else asked}"


def _key_to_ages(wear: WearByAge, row: PartRow) -> str:
    told = (
        f"Points: {row.kind} counted at that age beside those expected of the same feeds, over all "
        f"parts that were in its place, with 95\u00a0% ranges; hollow: few feeds."
    )
    if figures.rises(row):
        told += (
            " Line: the rise that fits best, drawn to how other such parts wear; grey: its "
            "90\u00a0% range."
        )
        age = wear.limit_age
        if age is not None and row.wears and age.best <= max(wear.ages.tolist()):
            told += " Diamond, thick line: when the limit is passed, 90\u00a0% range."
    elif row.changed_on is not None:
        told += " No line: they came at once, so that they do not go with its age."
    return f"{told} In all {wear.count:,} {row.kind} in {theme.many_feeds(wear.feeds)}."


def _past(old: PastPart) -> str:
    """Say how long a past part lasted, and when it was due."""
    name = f"{old.name[:1].upper()}{old.name[1:]} "
    told = old.sentence().removeprefix(name)
    return f"{told[:1].upper()}{told[1:]}"


def _concerns(act: ServiceRow, row: PartRow) -> bool:
    """Tell whether a service was done to a part: in its bin, in every bin, or on its tower."""
    if act.tower != row.tower or act.part != row.part:
        return False
    if row.bin is None:
        return act.of_tower
    return not act.of_tower and act.bin in (None, row.bin)


def _at_once(row: PartRow) -> str:
    assert row.changed_on is not None
    return (
        f"has more {row.kind} since about {theme.day(row.changed_on)}, but at once, which is "
        "damage or another cause rather than wear: look before a new one is ordered."
    )


def _helped_said(services: Sequence[ServiceRow]) -> str:
    """Say how many services helped."""
    told = [row for row in services if row.changed and not row.warning]
    helped = sum(row.verdict == "helped" for row in told)
    worse = sum(row.verdict == "worse" for row in told)
    compared = sum(row.verdict in ("helped", "worse", "did not help") for row in told)
    if not compared:
        return "Did it help? Of no service can it be told yet"
    said = (
        f"Did it help? Of {many(compared, 'service')} that can be told, "
        f"{f'{helped:,}' if helped else 'none'} did"
    )
    if worse:
        said += f"; after {worse:,} it was worse"
    return said
