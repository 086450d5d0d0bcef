"""How long must I run, and does it pass?

A burn-in of the log, or one that is typed as it runs, between the boundaries of its plan; what it
proves; and a plan for the next one. All of it stands in the address, so a reload at the tower loses
nothing that was added. Wiring only: `analysis.answers` judges, and the plan's part of the page is
in `dashboard.pages.planner`.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import re
from collections.abc import Sequence

from dash import Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component
from flask import Response, request

from analysis.acceptance import Judgement
from analysis.filters import FilterError
from analysis.log_format import YEARS
from analysis.plans import PlanError
from analysis.proofs import PROVED, BatchError, Conditions, Proof, between
from analysis.run_by_run import KindJudged
from analysis.site import read_site
from analysis.words import listed
from dashboard import filters, parts, theme
from dashboard.batches import TYPED, USUAL_BINS, check_batches, read_batch, read_bins, with_batch
from dashboard.data import Data
from dashboard.figures import acceptance as figures
from dashboard.pages import planner

PATH, NAME = "/acceptance", "Acceptance"

#: A burn-in is shown, and no part of the log that a filter could choose.
FILTERED = False

#: What this page alone has in the address: which burn-in, one that is typed, and a plan. The tower
#: is the filter's too, and is carried along.
OWN_CHOICES = (
    *("burn_in", "rates", "typed", "bins", "begun", "batch"),
    *planner.CHOICES,
)

_FORMS = {"html": "text/html", "pdf": "application/pdf"}


def layout(data: Data, /, **query: Sequence[str]) -> Component:
    """Draw the page for an address.

    Parameters
    ----------
    data : Data
        The store, which may be empty.
    **query : sequence of str
        The address: ``tower`` and ``burn_in`` name a burn-in of the log; ``typed`` is the tower of
        one that is typed, with ``bins``, ``begun`` and a ``batch`` for each batch, such as
        ``500 m3 d7 d7``; ``plan_...`` is what is asked of a plan.
    """
    return html.Div(_Shown(data, query).answer(), className="acceptance")


def register(app: Dash, data: Data) -> None:
    """Let the forms write the address; serve the numbers and the certificate."""
    _serve(app, data)
    planner.register(app, data)

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Output("acceptance-wrong", "children"),
        Input("acceptance-add", "n_clicks"),
        *(Input(f"acceptance-{name}", "n_submit") for name in ("cycles", "misses", "doubles")),
        State("url", "search"),
        *(State(f"acceptance-{name}", "value") for name in TYPED),
        prevent_initial_call=True,
    )
    def _(*given: object) -> object:
        pressed, search, values = given[:4], given[4], given[5:]
        # A form that has just been drawn also calls, with nothing pressed yet.
        if not any(pressed):
            return no_update, no_update
        try:
            query = filters.parse_query(str(search or ""))
            typed = {n: str(v or "").strip() for n, v in zip(TYPED, values, strict=True)}
            return with_batch(query, typed, read_site(data.folder).now().replace(tzinfo=None)), ""
        except BatchError as error:
            return no_update, parts.sentence(error)


def _serve(app: Dash, data: Data) -> None:
    def judged(query: filters.Query) -> Judgement | Response:
        try:
            found = judgement(data, query)
        except (FilterError, PlanError, BatchError) as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        if found is None:
            return Response("there is no burn-in here\n", 404, mimetype="text/plain")
        return found

    def numbers() -> Response:
        found = judged(filters.parse_query(request.query_string.decode()))
        if isinstance(found, Response):
            return found
        return parts.csv_answer(path_csv(found), f"feedtally-path-{_file_name(found)}")

    def certificate(form: str) -> Response:
        from dashboard.reports import certificate

        found = judged(filters.parse_query(request.query_string.decode()))
        if isinstance(found, Response):
            return found
        content = certificate.html(found) if form == "html" else certificate.pdf(found)
        name = f"feedtally-certificate-{_file_name(found)}.{form}"
        return Response(
            content,
            mimetype=_FORMS[form],
            headers={"Content-Disposition": f'inline; filename="{name}"'},
        )

    server = app.server
    server.add_url_rule(f"{PATH}/path.csv", "acceptance_path", numbers)
    for form in _FORMS:
        server.add_url_rule(
            f"{PATH}/certificate.{form}",
            f"acceptance_certificate_{form}",
            certificate,
            defaults={"form": form},
        )


def _file_name(judged: Judgement) -> str:
    named = f"{judged.burn_in.tower}-{judged.burn_in.name}".strip("-")
    return re.sub(r"[^A-Za-z0-9._-]+", "-", named) or "burn-in"


# --- which burn-in ----------------------------------------------------------------------------


def judgement(data: Data, query: filters.Query) -> Judgement | None:
    """Judge the burn-in that an address asks for: typed, named, or the latest in the log.

    Parameters
    ----------
    data : Data
        The store.
    query : mapping
        The address. ``proof``, which a filter may hold, names a burn-in too.

    Returns
    -------
    Judgement or None
        None where the log has no burn-in, and where no batch has been typed.

    Raises
    ------
    analysis.filters.FilterError
        When such a burn-in is not in the log.
    analysis.plans.PlanError
        For rates that cannot be.
    analysis.proofs.BatchError
        For batches that cannot be.
    """
    rates, name = _rates(query), _name(query)
    if "typed" in query:
        batches = tuple(read_batch(text) for text in query.get("batch", ()))
        if not batches:
            return None
        bins = read_bins(parts.last(query, "bins"))
        check_batches(bins, batches)
        return data.judge_batches(
            parts.last(query, "typed"), bins, batches, _begun(query), rates, proof=name or ""
        )
    found = data.burn_ins()
    towers = [tower for tower in query.get("tower", ()) if tower]
    if towers:
        return data.judge(towers[-1], name, rates)
    if not found:
        return None
    newest = max(found, key=lambda proof: proof.last)
    return data.judge(newest.tower, newest.name if name is None else name, rates)


def _name(query: filters.Query) -> str | None:
    for key in ("burn_in", "proof"):
        if query.get(key):
            return query[key][-1]
    return None


def _rates(query: filters.Query) -> tuple[tuple[str, tuple[float, float]], ...]:
    """Read ``rates=misses,3e-05,0.0001``: other rates than those of the plan."""
    found: dict[str, tuple[float, float]] = {}
    for text in query.get("rates", ()):
        try:
            kind, good, bad = text.split(",")
            if kind not in PROVED:
                raise ValueError
            found[kind] = (float(good), float(bad))
        except ValueError:
            raise PlanError(
                f"rates is {text}; write a kind, its good and its bad rate, such as "
                "misses,3e-05,0.0001"
            ) from None
    return tuple(sorted(found.items()))


def _begun(query: filters.Query) -> dt.datetime:
    text = parts.last(query, "begun")
    try:
        begun = dt.datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        begun = None
    if begun is None or not YEARS[0] <= begun.year <= YEARS[1]:
        raise BatchError(f"begun is {text}; write a day and a time such as 2031-03-14T08:05")
    return begun


# --- the numbers behind the figures -----------------------------------------------------------


def path_csv(judged: Judgement) -> str:
    """Write the running counts as CSV: a line for each run and kind."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    heads = "kind run started feeds count passes_with_at_most fails_with after_the_verdict verdict"
    table.writerow(heads.split())
    for kind in judged.kinds.values():
        for step in figures.own_looks(kind):
            after = kind.decided is not None and step.feeds > kind.decided.feeds
            table.writerow(
                [
                    kind.kind,
                    parts.safe_cell(step.run),
                    step.started.isoformat(timespec="minutes"),
                    step.feeds,
                    step.count,
                    "" if step.accept < 0 else step.accept,
                    step.reject,
                    "yes" if after else "no",
                    kind.verdict if kind.decided and step.feeds >= kind.decided.feeds else "go on",
                ]
            )
    return out.getvalue()


# --- the page ---------------------------------------------------------------------------------


class _Shown:
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
        return "typed" in self.query or not self.proofs

    def answer(self) -> list[Component]:
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
                f"most {most:,} cycles of {theme.counted(bins, 'bin')}."
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
            f"feedtally-path-{kind.kind}-{_file_name(judged)}",
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
            f"{theme.counted(attempt.run_count, 'run')} from {theme.day(attempt.started[0])}, "
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
                        html.Td(theme.rate(b.upper_bound) if b.feeds else "nothing"),
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
        bins = parts.last(query, "bins") or str(USUAL_BINS)
        name = parts.last(query, "burn_in") if "typed" in query else ""
        fields = [
            parts.field(
                "acceptance-tower",
                "Tower",
                parts.last(query, "typed") or parts.last(query, "tower"),
            ),
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
        return f"{name} {word} with {kind.decided.count:,} in {kind.decided.feeds:,} feeds"
    if not kind.feeds:
        return f"{name} were not watched for"
    return f"{name}: {kind.count:,} in {kind.feeds:,} feeds, between the boundaries: go on"


def told_conditions(ran: Conditions) -> list[str]:
    """Say on what, in what air and with what a burn-in ran, a sentence for each.

    In the words of `analysis.proofs.Conditions.sentence`, with the feeds of each stock and what was
    done to the paper; of the lots only those that were run again.
    """
    stocks = [f"{name or 'stock not logged'} ({feeds:,} feeds)" for name, feeds in ran.stocks]
    told = [f"Ran {listed(stocks)}." if stocks else "Stock not logged."]
    again = [f"lot {lot} in {theme.counted(runs, 'run')}" for lot, runs in ran.lots if runs > 1]
    if again:
        told.append(f"The same paper was run again: {listed(again)}.")
    if ran.prepared:
        told.append(f"Paper: {listed(list(ran.prepared))}.")
    some = f", not logged on {theme.percent(ran.no_humidity)} of the feeds"
    known = ran.humidity is not None and ran.no_humidity
    told.append(f"Humidity {between(ran.humidity, '%')}{some if known else ''}.")
    told.append(f"Temperature {between(ran.temperature, '°C')}.")
    if ran.settings:
        settings = [f"{theme.called(name)} {listed(list(some))}" for name, some in ran.settings]
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
