"""Which part of the log is shown: the page's address, a line of plain words, and a form.

The state is the address: every page reads its filter from there, and the form does nothing but
write a new one. So Back works, and a link sent to a colleague opens the same view.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import parse_qs, urlencode

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from analysis import answers
from analysis.counts import Account
from analysis.filters import Filters, parse_filters
from analysis.log_format import PURPOSES
from analysis.words import called, listed
from dashboard import theme
from dashboard.data import Data

Query = Mapping[str, Sequence[str]]
Period = tuple[dt.datetime | None, dt.datetime | None]

#: Parameters that are no column of the log. ``where`` holds a column that has one of these names.
PERIOD = ("since", "until")
CHOSEN_BY_PAGES = (
    *("ranges", "order", "over", "setting"),
    *("rates", "show", "before", "after", "stock_card"),
    *("stream", "chart"),
    *("part",),
)
RESERVED = (*PERIOD, "kind", "where", *CHOSEN_BY_PAGES)

#: ``since=start``: from the first logged day on.
START = "start"
#: ``purpose=any``: whatever it ran for. No purpose at all means production.
ANY = "any"

DAYS_SHOWN = answers.USUAL_DAYS
_END_OF_DAY = dt.time(23, 59, 59, 999999)

#: Columns that the line names even where they hold nothing.
_ALWAYS_NAMED = ("tower", "purpose", "stock")

#: Columns of any log that have a part of the form, and its name.
_PARTS = {
    "site": "Site",
    "bin": "Bin",
    "coating": "Coating",
    "printed_by": "How printed",
    "humidity_band": "Humidity, %",
}

_KIND_WORDS = {"faults": "both kinds of fault", "misses": "misses", "doubles": "doubles"}


def parse_query(search: str | None) -> dict[str, list[str]]:
    """Read the part of an address after the question mark."""
    return parse_qs((search or "").removeprefix("?"), keep_blank_values=True)


def written(query: Query) -> str:
    """Write a query as it stands in an address; the reverse of `parse_query`."""
    pairs = [(name, value) for name, values in query.items() for value in values]
    return "?" + urlencode(pairs) if pairs else ""


def last_days(days: int, until: dt.datetime) -> Period:
    """Return a period of so many whole days that ends with a day."""
    first = until.date() - dt.timedelta(days=days - 1)
    return dt.datetime.combine(first, dt.time()), dt.datetime.combine(until.date(), _END_OF_DAY)


def usual_period(whole: Account) -> Period:
    """Return the period shown when none is asked for; open without a log."""
    return last_days(DAYS_SHOWN, whole.last) if whole.last else (None, None)


def whole_period(whole: Account) -> Period:
    """Return the days from the first to the last one logged; open without a log."""
    if whole.first is None or whole.last is None:
        return None, None
    return (
        dt.datetime.combine(whole.first.date(), dt.time()),
        dt.datetime.combine(whole.last.date(), _END_OF_DAY),
    )


def from_query(query: Query, whole: Account) -> Filters:
    """Read a filter from an address.

    Parameters
    ----------
    query : mapping of str to sequence of str
        As `parse_query` returns it.
    whole : Account
        Of the whole log: an open end is its first or last day.

    Raises
    ------
    analysis.filters.FilterError
        When a value cannot be read; the message says what to write.
    """
    where = [
        f"{column}={value}"
        for column, values in query.items()
        if column not in RESERVED
        for value in values
    ]
    where += query.get("where", ())
    since, until = (query.get(name, [""])[-1] for name in PERIOD)
    read = parse_filters(
        since="" if since == START else since,
        until=until,
        where=where,
        kind=(query.get("kind") or ["faults"])[-1] or "faults",
    )
    read = read.during(*_closed(read, since == START, whole))
    if read.values("purpose") == (ANY,):
        # Named one by one, since none named means production.
        read = read.holding("purpose", *PURPOSES, "")
    elif not read.values("purpose"):
        read = read.holding("purpose", "production")
    # The same filter is the same value, in whatever order it was written: answers are kept by it.
    held = tuple(sorted((column, tuple(sorted(values))) for column, values in read.where))
    return Filters(read.since, read.until, held, read.kind)


def _closed(read: Filters, from_start: bool, whole: Account) -> Period:
    first, last = whole_period(whole)
    since, until = read.since, read.until
    if from_start:
        since = first
    elif since is None:
        # As commands have it: what is asked for without a beginning is so many days to its end.
        end = until or last
        since = last_days(DAYS_SHOWN, end)[0] if end else None
    until = until or last
    if since and until and until < since:
        # Asked for from after the last logged day on: nothing is there, which the page says.
        until = last_days(1, since)[1]
    return since, until


def to_query(filters: Filters, whole: Account, **chosen: str) -> str:
    """Write a filter, and a page's own choices, as an address holds them; usual ones are left out.

    Parameters
    ----------
    filters : Filters
        To be written.
    whole : Account
        As for `from_query`.
    **chosen : str
        A page's own choices; empty ones are left out.
    """
    pairs: list[tuple[str, str]] = []
    period = (filters.since, filters.until)
    if period == usual_period(whole):
        pass
    elif period == whole_period(whole):
        pairs.append(("since", START))
    else:
        if filters.since is not None:
            pairs.append(("since", _moment(filters.since, dt.time())))
        if filters.until is not None:
            pairs.append(("until", _moment(filters.until, _END_OF_DAY)))
    if filters.kind != "faults":
        pairs.append(("kind", filters.kind))
    for column, values in filters.where:
        if column == "purpose" and values == ("production",):
            continue
        if column == "purpose" and set(values) == {*PURPOSES, ""}:
            pairs.append((column, ANY))
            continue
        for value in values:
            if column in RESERVED:
                pairs.append(("where", f"{column}={value}"))
            else:
                pairs.append((column, value))
    pairs += [(name, value) for name, value in chosen.items() if value]
    return "?" + urlencode(pairs) if pairs else ""


def _moment(moment: dt.datetime, whole_day: dt.time) -> str:
    return moment.date().isoformat() if moment.time() == whole_day else moment.isoformat()


def any_purpose(filters: Filters) -> bool:
    """Tell whether a filter takes in all purposes."""
    return set(filters.values("purpose")) in (set(), {*PURPOSES, ""})


def phrases(filters: Filters, whole: Account) -> list[str]:
    """Say a filter in plain words, one phrase for each thing that it holds.

    Parameters
    ----------
    filters : Filters
        As asked.
    whole : Account
        Of the whole log.
    """
    purposes = () if any_purpose(filters) else filters.values("purpose")
    told = [
        _period(filters, whole),
        _held(filters.values("tower"), "all towers", "tower", "towers"),
        _held(purposes, "all purposes", "", ""),
        _held(filters.values("stock"), "all stocks", "stock", "stocks"),
    ]
    for column, values in filters.where:
        if column not in _ALWAYS_NAMED:
            name = called(column)
            told.append(_held(values, "", name, "bins" if column == "bin" else name))
    return [*told, _KIND_WORDS[filters.kind]]


def words(filters: Filters, whole: Account) -> str:
    """Say a filter as one line of plain words."""
    return " · ".join(phrases(filters, whole))


def _period(filters: Filters, whole: Account) -> str:
    if filters.since is None or filters.until is None:
        return "whole log"
    told = theme.period(filters.since, filters.until)
    period = (filters.since, filters.until)
    return f"whole log, {told}" if period == whole_period(whole) else told


def _held(values: Sequence[str], free: str, one: str, many: str) -> str:
    if not values:
        return free
    # What was not logged is named after what was.
    named = listed([v or "not logged" for v in sorted(values, key=lambda v: not v)])
    return f"{one if len(values) == 1 else many} {named}".strip()


def page_choices(query: Query) -> dict[str, str]:
    """Return a page's own choices that an address holds, to be carried along."""
    return {name: query[name][-1] for name in CHOSEN_BY_PAGES if query.get(name)}


def filter_bar(filters: Filters, data: Data, query: Query) -> list[Component]:
    """Draw the filter as a line of words, and what it opens into.

    Every choice but the dates is a link to the view it makes, so it can be tried, gone back from,
    or opened beside the first.

    Parameters
    ----------
    filters : Filters
        What is shown.
    data : Data
        What there is to choose from.
    query : mapping
        The address, whose page choices stay.
    """
    whole, choices = data.whole(), data.choices()
    bar = _Bar(filters, whole, page_choices(query), choices.others)
    line: list[Component | str] = []
    for phrase in phrases(filters, whole):
        line += [" · " if line else "", html.Span(phrase, className="held")]
    return [
        html.Summary([*line, html.Span("change", className="opens")], id="filter-words"),
        html.Div(
            [
                _part("Period", bar.dates()),
                *bar.offered("site"),
                _part("Tower", bar.values("tower", choices.towers)),
                *bar.offered("bin"),
                _part("Ran for", bar.values("purpose", choices.purposes)),
                _part("Stock", bar.values("stock", choices.stocks)),
                *bar.offered("coating", "printed_by", "humidity_band"),
                *bar.settings(),
                _part("Fault", bar.kinds()),
                *bar.others(),
            ],
            className="form",
        ),
    ]


def _part(name: str, choices: list[Component]) -> Component:
    return html.Div(
        [html.Span(name, className="part"), html.Div(choices, className="choices")],
        role="group",
        **theme.attributes(aria_label=name),
    )


@dataclass(frozen=True)
class _Bar:
    """What the filter can be changed to from where it stands."""

    filters: Filters
    whole: Account
    chosen: Mapping[str, str]
    logged: Mapping[str, Sequence[str]]

    def offered(self, *columns: str) -> list[Component]:
        """Return a part for each of the columns of which anything was logged."""
        return [
            _part(_PARTS[column], self.values(column, self.logged[column]))
            for column in columns
            if column in self.logged
        ]

    def settings(self) -> list[Component]:
        """Return the settings that were logged, several to a line: most have few levels."""
        groups = [
            html.Div(
                [
                    html.Span(called(column), className="part"),
                    html.Div(self.values(column, levels), className="choices"),
                ],
                role="group",
                className="setting",
                **theme.attributes(aria_label=f"Setting {called(column)}"),
            )
            for column, levels in self.logged.items()
            if column not in _PARTS
        ]
        if not groups:
            return []
        return [
            html.Div(
                [
                    html.Span("Settings", className="part"),
                    html.Div(groups, className="choices settings"),
                ]
            )
        ]

    def link(self, label: str, target: Filters, taken: bool, of_several: bool = False) -> Component:
        """Return a link to a view; one of several that can be held together has a box to tick."""
        return html.A(
            label,
            href=to_query(target, self.whole, **self.chosen) or "?",
            className="inside stay tick" if of_several else "inside stay",
            **(theme.attributes(aria_current="true") if taken else {}),
        )

    def dates(self) -> list[Component]:
        """Return two dates to type, and the usual periods."""
        told: list[Component] = []
        for name, label in (("since", "from"), ("until", "to")):
            moment = getattr(self.filters, name)
            told += [
                html.Label(label, htmlFor=f"filter-{name}"),
                dcc.Input(
                    id=f"filter-{name}",
                    # Not of the browser's own kind for dates: that shows the month first or the
                    # day first as the browser is set, and Dash cannot keep its cursor.
                    type="text",
                    placeholder="2031-04-30",
                    maxLength=16,
                    autoComplete="off",
                    value=moment.date().isoformat() if moment else "",
                    debounce=True,
                ),
            ]
        told.append(html.Button("show", id="filter-show", type="button"))
        shown = (self.filters.since, self.filters.until)
        for label, period in (
            ("last 30 days", usual_period(self.whole)),
            ("last 90 days", last_days(90, self.whole.last) if self.whole.last else (None, None)),
            ("whole log", whole_period(self.whole)),
        ):
            told.append(self.link(label, self.filters.during(*period), shown == period))
        return told

    def values(self, column: str, values: Sequence[str]) -> list[Component]:
        """Return a column's values, any number of which can be held together."""
        held = self.filters.values(column)
        every = self.filters.holding(column)
        if column == "purpose":
            every = every.holding(column, *PURPOSES, "")
            held = () if any_purpose(self.filters) else held
        links = [self.link("all", every, not held)]
        for value in dict.fromkeys((*values, *held)):
            kept = tuple(v for v in held if v != value) if value in held else (*held, value)
            target = self.filters.holding(column, *sorted(kept)) if kept else every
            links.append(self.link(value or "not logged", target, value in held, of_several=True))
        return links

    def kinds(self) -> list[Component]:
        """Return the kinds of fault, one of which is shown."""
        f = self.filters
        return [
            self.link(label, Filters(f.since, f.until, f.where, kind), kind == f.kind)
            for kind, label in _KIND_WORDS.items()
        ]

    def others(self) -> list[Component]:
        """Return what else is held, each with a link that lets it go."""
        return [
            _part(
                called(column).capitalize(),
                [
                    html.Span(listed([value or "not logged" for value in values])),
                    self.link("let go", self.filters.holding(column), False),
                ],
            )
            for column, values in self.filters.where
            if column not in _ALWAYS_NAMED and column not in self.logged
        ]


def with_dates(query: Query, whole: Account, since: str | None, until: str | None) -> str:
    """Return an address with another period, as typed; all else stays.

    A period that runs backwards is written as it stands: the page then says what is wrong.
    """
    rest = {name: values for name, values in query.items() if name not in PERIOD}
    since, until = (since or "").strip(), (until or "").strip()
    usual = tuple(m.date().isoformat() if m else "" for m in usual_period(whole))
    if (since, until) != usual:
        rest["since"] = [since or START]
        if until:
            rest["until"] = [until]
    return written(rest)


def register(app: Dash, data: Data) -> None:
    """Let the typed dates write the address."""

    @app.callback(
        Output("url", "search"),
        Input("filter-show", "n_clicks"),
        Input("filter-since", "n_submit"),
        Input("filter-until", "n_submit"),
        State("url", "search"),
        State("filter-since", "value"),
        State("filter-until", "value"),
        prevent_initial_call=True,
    )
    def _(
        clicks: int | None,
        since_entered: int | None,
        until_entered: int | None,
        search: str | None,
        since: str | None,
        until: str | None,
    ) -> object:
        # A form that has just been drawn also calls, with nothing pressed yet.
        if not (clicks or since_entered or until_entered):
            return no_update
        return with_dates(parse_query(search), data.whole(), since, until)
