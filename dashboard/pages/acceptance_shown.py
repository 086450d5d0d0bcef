"""What does the acceptance page say of a burn-in?

The verdict, the paths, what it proves, and the form of one that is typed as it runs, as
`acceptance` puts them together.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from analysis.acceptance import Judgement
from analysis.burn_ins import BatchError
from analysis.filters import FilterError
from analysis.plans import PlanError
from analysis.proofs import Proof
from analysis.ran_on import Conditions, between
from analysis.run_by_run import KindJudged
from analysis.words import at_most_per_10k, called, listed, many
from dashboard import filters, parts, theme
from dashboard.batches import read_batch
from dashboard.data import Data
from dashboard.figures import acceptance as figures
from dashboard.pages import planner
from dashboard.pages.judged import judgement

PATH = "/acceptance"

#: What this page alone has in the address: which burn-in, one that is typed, and a plan. The tower
#: is the filter's too, and is carried along.
OWN_CHOICES = (
    *("burn_in", "rates", "typed", "bins", "begun", "batch"),
    *planner.CHOICES,
)


def file_name(judged: Judgement) -> str:
    """Return how the names of a burn-in's files end, as every file system takes them."""
    named = f"{judged.burn_in.tower}-{judged.burn_in.name}".strip("-")
    return re.sub(r"[^A-Za-z0-9._-]+", "-", named) or "burn-in"


class Shown:
    """What the page says at an address."""

    def __init__(self, data: Data, query: filters.Query) -> None:
        self.data, self.query = data, query
        self.proofs = data.burn_ins()
        self.wrong, self.judged = "", None
        try:
            self.judged = judgement(data, query)
        except (FilterError, PlanError, BatchError) as error:
            self.wrong = parts.sentence(error)

    @property
    def typing(self) -> bool:
        """Whether a burn-in is typed here, or has to be, since the log has none."""
        return "typed" in self.query or not self.proofs

    def answer(self) -> list[Component]:
        """Return the page."""
        judged = self.judged
        shown: list[Component] = [html.H1(self._head()), html.P(self._sub_line(), className="sub")]
        shown.append(self._which())
        if self.typing:
            shown.append(self._form())
        if judged is not None:
            shown += [
                html.Div([self._proves(judged), self._paths(judged)], className="columns"),
                self._bins(judged),
            ]
        shown.append(planner.Design(self.data, self.query, there=judged is not None).section())
        return shown

    def _head(self) -> str:
        if self.judged is not None:
            return self.judged.sentence()
        if self.wrong:
            return self.wrong if not self.typing else "One of the batches cannot be."
        if "typed" in self.query:
            return "Type the first batch when it has run; the verdict so far then stands here."
        return "No burn-in is in the log: type one as it runs, or plan one."

    def _sub_line(self) -> str:
        judged = self.judged
        if judged is None:
            if self.wrong:
                return "Choose a burn-in of the log, or mend the address."
            return (
                "A burn-in is judged by a plan: how many faults in how many feeds pass, fail, or "
                "tell too little yet. The plan below says how long that takes."
            )
        told = []
        bins = max(judged.bins_run, 1)
        for kind in judged.kinds.values():
            most = math.ceil(kind.chosen.plan.feeds / bins)
            told.append(
                f"{kind.kind.capitalize()}: {kind.asked.risks()}; true risks "
                f"{theme.percent(kind.producer_risk)} and {theme.percent(kind.consumer_risk)}; at "
                f"most {many(most, 'cycle')} of {many(bins, 'bin')}."
            )
        whole = theme.percent(judged.producer_risk)
        return f"{' '.join(told)} In all, a good tower does not pass with {whole}."

    def _which(self) -> Component:
        links: list[Component | str] = []
        shown = self.judged.burn_in if self.judged and "typed" not in self.query else None
        seen: dict[tuple[str, str], Proof] = {}
        for proof in sorted(self.proofs, key=lambda proof: proof.last, reverse=True):
            seen.setdefault((proof.tower, proof.name), proof)
        rest = {
            name: value
            for name, value in self.query.items()
            if name.startswith("plan_") or name not in (*OWN_CHOICES, "tower", "proof")
        }
        for (tower, name), proof in seen.items():
            chosen = shown is not None and (shown.tower, shown.name) == (tower, name)
            links.append(
                _link(
                    f"tower {tower}, {name or 'without a name'}, {theme.day(proof.last)}",
                    filters.written({**rest, "tower": [tower], "burn_in": [name]}),
                    chosen,
                )
            )
        href = (
            parts.changed(self.query)
            if "typed" in self.query
            else filters.written({**rest, "typed": [""]})
        )
        links.append(_link("type a burn-in as it runs", href, "typed" in self.query))
        return html.Div(
            links,
            className="turns which",
            role="group",
            **theme.attributes(aria_label="Burn-in"),
        )

    # --- the path -----------------------------------------------------------------------------

    def _paths(self, judged: Judgement) -> Component:
        return html.Div([self._path(kind, judged) for kind in judged.kinds.values()])

    def _path(self, kind: KindJudged, judged: Judgement) -> Component:
        name = f"acceptance-path-{kind.kind}"
        head = path_title(kind)
        if not kind.feeds:
            return html.Section(
                [
                    html.H2([parts.mark(kind.kind), head], id=name),
                    html.P(f"Nothing watched for {kind.kind} here, so there is no path."),
                ],
                **theme.attributes(aria_labelledby=name),
            )
        mark = "Ring" if kind.kind == "misses" else "Square"
        key = (
            f"{mark}: count at the end of a run. Lines: the boundaries of the plan, as if it were "
            "watched feed by feed. Short bars: what passes and what fails at the ends of these "
            "runs, where it is judged."
        )
        rows = [
            html.Tr(
                [
                    html.Th(step.run, scope="row", className="name"),
                    html.Td(f"{step.feeds / max(judged.bins_run, 1):,.0f}"),
                    html.Td(f"{step.feeds:,}"),
                    html.Td(f"{step.count:,}"),
                    html.Td("–" if step.accept < 0 else f"{step.accept:,}"),
                    html.Td(f"{step.reject:,}"),
                ]
            )
            for step in figures.own_looks(kind)
        ]
        heads = ["cycles so far", "feeds so far", kind.kind, "passes with at most", "fails with"]
        return parts.figured(
            name,
            [parts.mark(kind.kind), head],
            head,
            figures.path(kind, judged.bins_run),
            f"feedtally-path-{kind.kind}-{file_name(judged)}",
            key,
            f"{PATH}/path.csv{self._asked(judged)}",
            parts.numbers_table(f"{kind.kind.capitalize()} run by run", "run", heads, rows),
        )

    def _asked(self, judged: Judgement) -> str:
        """Return the part of an address that asks for this burn-in, and for nothing else."""
        names = ("rates", "typed", "burn_in", "bins", "begun", "batch")
        if "typed" in self.query:
            return filters.written({n: self.query[n] for n in names if n in self.query})
        asked = {"tower": [judged.burn_in.tower], "proof": [judged.burn_in.name]}
        rates = {"rates": self.query["rates"]} if "rates" in self.query else {}
        return filters.written({**asked, **rates})

    # --- what it proves -----------------------------------------------------------------------

    def _proves(self, judged: Judgement) -> Component:
        rows: list[tuple[str, list[str]]] = []
        for name, kind in judged.kinds.items():
            about = [
                told.removeprefix(f"{name.capitalize()}: ")
                for told in (*judged.proved(), *judged.not_proved())
                if told.startswith(f"{name.capitalize()}: ")
            ]
            stands = kind.sentence().removeprefix(f"{name.capitalize()}: ")
            rows.append((name, [parts.sentence(stands), *map(parts.sentence, about)]))
        rows.append(("bins", [judged.screens_see()]))
        rows.append(("detector", [found.sentence() for found in judged.detectors]))
        rows.append(("doubts", [doubt.text for doubt in judged.doubts] or ["None was found."]))
        before = judged.burn_in.attempts[:-1]
        attempts = [
            f"{many(attempt.run_count, 'run')} from {theme.day(attempt.started[0])}, "
            f"abandoned: {attempt.ended_by.what if attempt.ended_by else 'begun anew'}."
            for attempt in before
        ]
        rows.append(("attempts", attempts or ["None was abandoned."]))
        if "typed" not in self.query:
            rows.append(("conditions", told_conditions(judged.conditions)))
        items = [
            html.Li(
                [html.Span(about, className="about"), html.Div([html.Div(told) for told in some])]
            )
            for about, some in rows
        ]
        asked = self._asked(judged)
        head = "What it proves" if judged.verdict != "go on" else "What it proves so far"
        again: list[Component | str] = []
        if "rates" in self.query:
            link = parts.changed(self.query, rates="")
            again = [" · ", html.A("back to the rates of its plan", href=link, className="inside")]
        return html.Section(
            [
                html.H2(head, id="acceptance-proves"),
                html.Ol(items, className="attention"),
                html.P(
                    [
                        "Certificate to print and sign: ",
                        html.A(
                            "open", href=f"{PATH}/certificate.html{asked}", id="acceptance-html"
                        ),
                        " or ",
                        html.A("PDF", href=f"{PATH}/certificate.pdf{asked}", id="acceptance-pdf"),
                        *again,
                    ],
                    className="certificate",
                ),
            ],
            **theme.attributes(aria_labelledby="acceptance-proves"),
        )

    def _bins(self, judged: Judgement) -> Component:
        tables = []
        for kind in judged.kinds:
            own = [b for b in judged.bins if b.kind == kind]
            rows = [
                html.Tr(
                    [
                        html.Th(f"{b.bin}", scope="row", className="name"),
                        html.Td(f"{b.count:,}"),
                        html.Td(f"{b.feeds:,}"),
                        html.Td(at_most_per_10k(b.upper_bound) if b.feeds else "nothing"),
                        html.Td(f"{b.fails_at:,}" if b.feeds else "–"),
                        html.Td(
                            "stands out" if b.stands_out else "no",
                            className="warn" if b.stands_out else None,
                        ),
                    ]
                )
                for b in own
            ]
            heads = (
                "bin",
                "count",
                "feeds",
                "at most, per 10,000 feeds",
                "fails at",
                "stands out",
            )
            name = f"acceptance-bins-{kind}"
            tables.append(
                html.Section(
                    [
                        html.H2([parts.mark(kind), f"Bin by bin: {kind}"], id=name),
                        html.Div(
                            parts.table(f"{kind.capitalize()} bin by bin", heads, rows),
                            className="wide",
                        ),
                    ],
                    **theme.attributes(aria_labelledby=name),
                )
            )
        return html.Div([html.Div(table) for table in tables], className="pairs")

    # --- a burn-in as it is typed -------------------------------------------------------------

    def _form(self) -> Component:
        query = self.query
        batches = list(query.get("batch", ())) if "typed" in query else []
        tower = parts.last(query, "typed") or parts.last(query, "tower")
        bins = parts.last(query, "bins") or str(self.data.usual_bins(tower))
        name = parts.last(query, "burn_in") if "typed" in query else ""
        fields = [
            parts.field("acceptance-tower", "Tower", tower),
            parts.field("acceptance-name", "Burn-in, if it has a name", name),
            parts.field("acceptance-bins", "Number of bins", bins, numeric=True),
            parts.field("acceptance-cycles", "Cycles of this batch", "", numeric=True),
            parts.field("acceptance-misses", "Misses in bins", "", hint="such as 3 7 ?"),
            parts.field("acceptance-doubles", "Doubles in bins", "", hint="such as 7 7"),
        ]
        back: list[Component] = []
        if batches:
            rest = {k: list(v) for k, v in query.items() if k not in ("batch", "begun")}
            if batches[:-1]:
                rest |= {"batch": batches[:-1], "begun": list(query.get("begun", ()))}
            back = [
                html.A(
                    "take the last one back",
                    href=filters.written(rest),
                    className="inside stay",
                    id="acceptance-back",
                )
            ]
        return html.Section(
            [
                html.H2("The batch that has just run", id="acceptance-typed"),
                html.Div(fields, className="fields"),
                html.P(
                    "A bin for each fault, with blanks between; ? where it was not noted; nothing "
                    "where there was none.",
                    className="key",
                ),
                html.P(
                    self.wrong if self.typing else "",
                    id="acceptance-wrong",
                    role="alert",
                    className="warn wrong",
                ),
                html.Div(
                    [
                        html.Button(
                            "Add this batch", id="acceptance-add", className="main", type="button"
                        ),
                        *back,
                    ],
                    className="press",
                ),
                *([_batches(batches)] if batches else []),
            ],
            className="typing",
            **theme.attributes(aria_labelledby="acceptance-typed"),
        )


def path_title(kind: KindJudged) -> str:
    """Say in words where a path has come to."""
    name = kind.kind.capitalize()
    if kind.decided:
        word = "passed" if kind.verdict == "pass" else "failed"
        return f"{name} {word} with {kind.decided.count:,} in {many(kind.decided.feeds, 'feed')}"
    if not kind.feeds:
        return f"{name} were not watched for"
    return f"{name}: {kind.count:,} in {many(kind.feeds, 'feed')}, between the boundaries: go on"


def told_conditions(ran: Conditions) -> list[str]:
    """Say on what, in what air and with what a burn-in ran, a sentence for each.

    In the words of `analysis.ran_on.Conditions.sentence`, with the feeds of each stock and what was
    done to the paper; of the lots only those that were run again.
    """
    stocks = [f"{name or 'stock not logged'} ({many(feeds, 'feed')})" for name, feeds in ran.stocks]
    told = [f"Ran {listed(stocks)}." if stocks else "Stock not logged."]
    again = [f"lot {lot} in {many(runs, 'run')}" for lot, runs in ran.lots if runs > 1]
    if again:
        told.append(f"The same paper was run again: {listed(again)}.")
    if ran.prepared:
        told.append(f"Paper: {listed(list(ran.prepared))}.")
    some = f", not logged on {theme.percent(ran.no_humidity)} of the feeds"
    known = ran.humidity is not None and ran.no_humidity
    told.append(f"Humidity {between(ran.humidity, '%')}{some if known else ''}.")
    told.append(f"Temperature {between(ran.temperature, '°C')}.")
    if ran.settings:
        settings = [f"{called(name)} {listed(list(some))}" for name, some in ran.settings]
        told.append(f"Settings: {'; '.join(settings)}.")
    ends = listed(list(ran.at_end)) if ran.at_end else "not logged"
    told.append(f"At the end of the line: {ends}.")
    return told


def _link(label: str, href: str, chosen: bool) -> Component:
    state = theme.attributes(aria_current="true") if chosen else {}
    return html.A(label, href=href or "?", className="inside stay", **state)


def _batches(texts: Sequence[str]) -> Component:
    rows = []
    for number, text in enumerate(texts, 1):
        try:
            batch = read_batch(text)
            cells = [f"{batch.cycles:,}", _in_bins(batch.misses), _in_bins(batch.doubles)]
        except BatchError:
            cells = [text, "–", "–"]
        head = html.Th(f"batch {number}", scope="row", className="name")
        rows.append(html.Tr([head, *map(html.Td, cells)]))
    heads = ("batch", "cycles", "misses in bins", "doubles in bins")
    return html.Div(parts.table("Batches typed so far", heads, rows), className="wide")


def _in_bins(bins: Sequence[int | None]) -> str:
    return " ".join("?" if number is None else str(number) for number in bins) or "none"
