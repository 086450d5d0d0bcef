"""How long must I run, and does it pass?

A burn-in of the log, or one that is typed as it runs, between the boundaries of its plan; what it
proves; and a plan for the next one. All of it stands in the address, so a reload at the tower loses
nothing that was added. Wiring only: `analysis.answers` judges, `analysis.plans` plans.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import re
import shlex
from collections.abc import Mapping, Sequence
from functools import lru_cache

import plotly.graph_objects as go
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from flask import Response, request

from analysis.acceptance import Judgement, KindJudged, usual_asked
from analysis.filters import FilterError
from analysis.log_format import MOST_BINS
from analysis.plans import (
    CONSUMER_RISK,
    PRODUCER_RISK,
    Asked,
    PlanError,
    SequentialPlan,
    SinglePlan,
    proves,
    sequential_plan,
    single_plan,
)
from analysis.proofs import PROVED, Batch, BatchError, Conditions, Proof, typed_burn_in
from analysis.site import read_site
from analysis.words import PER, listed, one, per_10k, two_digits
from dashboard import filters, parts, theme
from dashboard.data import Data
from dashboard.figures import acceptance as figures

PATH, NAME = "/acceptance", "Acceptance"

#: A burn-in is shown, and no part of the log that a filter could choose.
FILTERED = False

_PLAN = ("kind", "good", "bad", "producer", "consumer", "how", "cycles", "bins", "pace")
#: What this page alone has in the address: which burn-in, one that is typed, and a plan. The tower
#: is the filter's too, and is carried along.
OWN_CHOICES = (
    *("burn_in", "rates", "typed", "bins", "begun", "batch"),
    *(f"plan_{name}" for name in _PLAN),
)

#: Bins of a tower, where nothing says otherwise.
_BINS = 10
_MOST_CYCLES = 10_000_000
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

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Output("acceptance-wrong", "children"),
        Input("acceptance-add", "n_clicks"),
        *(Input(f"acceptance-{name}", "n_submit") for name in ("cycles", "misses", "doubles")),
        State("url", "search"),
        *(State(f"acceptance-{name}", "value") for name in _TYPED),
        prevent_initial_call=True,
    )
    def _(*given: object) -> object:
        pressed, search, values = given[:4], given[4], given[5:]
        # A form that has just been drawn also calls, with nothing pressed yet.
        if not any(pressed):
            return no_update, no_update
        try:
            query = filters.parse_query(str(search or ""))
            typed = {n: str(v or "").strip() for n, v in zip(_TYPED, values, strict=True)}
            return with_batch(query, typed, dt.datetime.now()), ""
        except BatchError as error:
            return no_update, _sentence(error)

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Input("acceptance-plan", "n_clicks"),
        *(Input(f"acceptance-plan-{name}", "n_submit") for name in _PLAN_TYPED),
        State("url", "search"),
        *(State(f"acceptance-plan-{name}", "value") for name in _PLAN_TYPED),
        prevent_initial_call=True,
    )
    def _(*given: object) -> object:
        number = 1 + len(_PLAN_TYPED)
        if not any(given[:number]):
            return no_update
        query = filters.parse_query(str(given[number] or ""))
        typed = zip(_PLAN_TYPED, given[number + 1 :], strict=True)
        return _with(query, **{f"plan_{name}": str(value or "").strip() for name, value in typed})


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

    def plan_numbers() -> Response:
        try:
            plan = _Design(data, filters.parse_query(request.query_string.decode())).plan()
        except PlanError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        return parts.csv_answer(plan_csv(plan), "feedtally-plan")

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
    server.add_url_rule(f"{PATH}/plan.csv", "acceptance_plan", plan_numbers)
    for form in _FORMS:
        server.add_url_rule(
            f"{PATH}/certificate.{form}",
            f"acceptance_certificate_{form}",
            certificate,
            defaults={"form": form},
        )


def _last(query: filters.Query, name: str) -> str:
    return (query.get(name) or [""])[-1]


def _with(query: filters.Query, **changed: str | Sequence[str]) -> str:
    """Return an address with some of it changed; what becomes empty is left out."""
    rest = {name: list(values) for name, values in query.items() if name not in changed}
    for name, value in changed.items():
        if value:
            rest[name] = [value] if isinstance(value, str) else list(value)
    return filters.written(rest) or "?"


def _sentence(error: Exception | str) -> str:
    told = str(error)
    return f"{told[:1].upper()}{told[1:]}{'' if told.endswith(('.', '?', '!')) else '.'}"


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
        bins = read_bins(_last(query, "bins"))
        check_batches(bins, batches)
        return data.judge_batches(
            _last(query, "typed"), bins, batches, _begun(query), rates, proof=name or ""
        )
    found = data.burn_ins()
    towers = query.get("tower")
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
    try:
        return dt.datetime.fromisoformat(_last(query, "begun")).replace(tzinfo=None)
    except ValueError:
        raise BatchError(
            f"begun is {_last(query, 'begun')}; write a day and a time such as 2031-03-14T08:05"
        ) from None


# --- batches ----------------------------------------------------------------------------------

_TYPED = ("tower", "name", "bins", "cycles", "misses", "doubles")


def read_batch(text: str) -> Batch:
    """Read a batch as the address has it: ``500 m3 d7 d7 m?``."""
    words = text.split()
    cycles = _whole(words[0] if words else "", "cycles", "what the counter says")
    faults: dict[str, list[int | None]] = {"m": [], "d": []}
    for word in words[1:]:
        found = re.fullmatch(r"([md])(\d{1,4}|\?)", word, re.ASCII)
        if not found:
            raise BatchError(f"a batch has {word}; write m3 for a miss in bin 3, d? for a double")
        faults[found[1]].append(None if found[2] == "?" else int(found[2]))
    return Batch(cycles, tuple(faults["m"]), tuple(faults["d"]))


def write_batch(batch: Batch) -> str:
    """Write a batch as the address has it; the reverse of `read_batch`."""
    told = [str(batch.cycles)]
    for letter, bins in (("m", batch.misses), ("d", batch.doubles)):
        told += [f"{letter}{'?' if number is None else number}" for number in bins]
    return " ".join(told)


def _whole(text: str, what: str, hint: str) -> int:
    plain = text.replace(",", "").strip()
    if not re.fullmatch(r"\d{1,9}", plain, re.ASCII):
        told = f"{what} is {text}" if text else f"{what} is empty"
        raise BatchError(f"{told}; type {hint}, a whole number such as 500")
    return int(plain)


def read_bins(text: str) -> int:
    """Read how many bins a tower has."""
    bins = _whole(text, "the number of bins", "how many the tower has")
    if not 1 <= bins <= MOST_BINS:
        raise BatchError(f"a tower of {bins:,} bins cannot be; type 1 to {MOST_BINS}")
    return bins


def _faults(text: str, kind: str) -> tuple[int | None, ...]:
    found: list[int | None] = []
    for word in re.split(r"[\s,;]+", text.strip()):
        if word == "?":
            found.append(None)
        elif re.fullmatch(r"\d{1,4}", word, re.ASCII):
            found.append(int(word))
        elif word:
            raise BatchError(
                f"{kind} in bins has {word}; type the bin of each, with blanks between, and ? "
                "where it was not noted"
            )
    return tuple(found)


def check_batches(bins: int, batches: Sequence[Batch]) -> None:
    """Refuse what cannot be; further than `analysis.proofs.typed_burn_in`, which is asked too."""
    typed_burn_in("", bins, batches, dt.datetime(2000, 1, 1))
    for number, batch in enumerate(batches, 1):
        if batch.cycles > _MOST_CYCLES:
            raise BatchError(
                f"batch {number} has {batch.cycles:,} cycles; type at most {_MOST_CYCLES:,}"
            )
        faults = len(batch.misses) + len(batch.doubles)
        if faults > batch.cycles * bins:
            raise BatchError(
                f"batch {number} has {faults:,} faults in {batch.cycles * bins:,} feeds; correct "
                "whichever is wrong"
            )


def with_batch(query: filters.Query, typed: Mapping[str, str], now: dt.datetime) -> str:
    """Return an address with one more batch, as typed.

    Parameters
    ----------
    query : mapping
        The address.
    typed : mapping of str to str
        What stands in the form: tower, name, bins, cycles, misses, doubles.
    now : datetime
        When the burn-in begins, if this is its first batch; wall time.

    Raises
    ------
    analysis.proofs.BatchError
        When it cannot be; the message says what to mend.
    """
    if not typed["tower"]:
        raise BatchError("the tower has no name; type which tower this is")
    bins = read_bins(typed["bins"])
    cycles = _whole(typed["cycles"], "cycles", "what the counter says of this batch")
    batch = Batch(cycles, _faults(typed["misses"], "misses"), _faults(typed["doubles"], "doubles"))
    before = list(query.get("batch", ())) if "typed" in query else []
    check_batches(bins, [*map(read_batch, before), batch])
    begun = _last(query, "begun") if before else ""
    return _with(
        query,
        typed=typed["tower"],
        burn_in=typed["name"],
        bins=str(bins),
        begun=begun or now.isoformat(timespec="seconds"),
        batch=[*before, write_batch(batch)],
    )


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


def plan_csv(plan: SinglePlan | SequentialPlan) -> str:
    """Write a plan's curves as CSV: a line for each true rate, in faults per feed."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(["rate", "chance_to_pass", "expected_feeds"])
    shown = figures.curves(plan)
    table.writerows(zip(shown.rates, shown.accept, shown.feeds, strict=True))
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
            self.wrong = _sentence(error)

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
        shown.append(_Design(self.data, self.query, there=judged is not None).section())
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
            _with(self.query) if "typed" in self.query else filters.written({**rest, "typed": [""]})
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
        return _figured(
            name,
            [parts.mark(kind.kind), head],
            head,
            figures.path(kind, judged.bins_run),
            f"feedtally-path-{kind.kind}-{_file_name(judged)}",
            key,
            parts.numbers_table(f"{kind.kind.capitalize()} run by run", "run", heads, rows),
            f"{PATH}/path.csv{self._asked(judged)}",
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
            rows.append((name, [_sentence(stands), *map(_sentence, about)]))
        rows.append(("bins", [judged.screens_see()]))
        rows.append(("detector", [found.sentence() for found in judged.detectors]))
        rows.append(("doubts", [doubt.text for doubt in judged.doubts] or ["None was found."]))
        before = judged.burn_in.attempts[:-1]
        attempts = [
            f"{theme.counted(len(attempt.runs), 'run')} from {theme.day(attempt.started[0])}, "
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
            link = _with(self.query, rates="")
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
                            _table(f"{kind.capitalize()} bin by bin", heads, rows), className="wide"
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
        bins = _last(query, "bins") or str(_BINS)
        name = _last(query, "burn_in") if "typed" in query else ""
        fields = [
            _field("tower", "Tower", _last(query, "typed") or _last(query, "tower")),
            _field("name", "Burn-in, if it has a name", name),
            _field("bins", "Number of bins", bins, numeric=True),
            _field("cycles", "Cycles of this batch", "", numeric=True),
            _field("misses", "Misses in bins", "", hint="such as 3 7 ?"),
            _field("doubles", "Doubles in bins", "", hint="such as 7 7"),
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
    """Say on what, in what air and with what a burn-in ran."""
    stocks = [f"{name or 'not logged'} ({feeds:,} feeds)" for name, feeds in ran.stocks]
    told = [f"Stock {listed(stocks)}." if stocks else "No stock was logged."]
    again = [f"{lot} in {theme.counted(runs, 'run')}" for lot, runs in ran.lots if runs > 1]
    if again:
        told.append(f"The same paper was run again: lot {listed(again)}.")
    if ran.humidity is None:
        told.append("The air was not logged.")
    else:
        span = _span(ran.humidity, " % relative humidity")
        some = f", not logged on {theme.percent(ran.no_humidity)} of the feeds"
        told.append(f"Air of {span}{some if ran.no_humidity else ''}.")
    if ran.temperature is not None:
        told.append(f"{_span(ran.temperature, ' °C')}.")
    if ran.prepared:
        told.append(f"Paper: {listed(list(ran.prepared))}.")
    if ran.at_end:
        told.append(f"At the end of the line: {listed(list(ran.at_end))}.")
    if ran.settings:
        settings = [f"{theme.called(name)} {listed(list(some))}" for name, some in ran.settings]
        told.append(f"Settings: {'; '.join(settings)}.")
    return told


def _span(ends: tuple[float, float], unit: str) -> str:
    low, high = ends
    return f"{low:g}{unit}" if low == high else f"{low:g} to {high:g}{unit}"


def _link(label: str, href: str, chosen: bool) -> Component:
    state = theme.attributes(aria_current="true") if chosen else {}
    return html.A(label, href=href or "?", className="inside stay", **state)


def _field(
    name: str, label: str, value: str, *, numeric: bool = False, hint: str = ""
) -> Component:
    """Return an input with its label."""
    return html.Div(
        [
            html.Label(label, htmlFor=f"acceptance-{name}"),
            dcc.Input(
                id=f"acceptance-{name}",
                type="text",
                inputMode="numeric" if numeric else "verbatim",
                placeholder=hint,
                autoComplete="off",
                maxLength=400,
                value=value,
            ),
        ],
        className="field",
    )


def _table(caption: str, heads: Sequence[str], rows: Sequence[Component]) -> Component:
    first, *others = heads
    return html.Table(
        [
            html.Caption(caption, className="unseen"),
            html.Thead(
                html.Tr(
                    [
                        html.Th(first, scope="col", className="name"),
                        *(html.Th(head, scope="col") for head in others),
                    ]
                )
            ),
            html.Tbody(list(rows)),
        ],
        className="say small",
    )


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
    return html.Div(_table("Batches typed so far", heads, rows), className="wide")


def _in_bins(bins: Sequence[int | None]) -> str:
    return " ".join("?" if number is None else str(number) for number in bins) or "none"


def _figured(
    name: str,
    head: Sequence[Component | str],
    said: str,
    figure: go.Figure,
    file_name: str,
    key: str,
    table: Component | None,
    numbers: str,
) -> Component:
    return html.Section(
        [
            html.H2(list(head), id=name),
            html.Div(
                dcc.Graph(
                    id=f"{name}-chart",
                    figure=figure,
                    # A figure that follows the width of the window forgets its own height.
                    style={"height": f"{figure.layout.height}px"},
                    config=theme.graph_config(file_name),
                ),
                className="figure",
                role="img",
                **theme.attributes(aria_label=f"{said}. The numbers are below."),
            ),
            html.P(key, className="key"),
            *([table] if table is not None else []),
            parts.save_line(f"{name}-chart", numbers),
        ],
        **theme.attributes(aria_labelledby=name),
    )


# --- a plan for the next one ------------------------------------------------------------------

_PLAN_TYPED = ("good", "bad", "producer", "consumer", "bins", "cycles", "pace")


@lru_cache(maxsize=64)
def _planned(asked: Asked, most: int | None, sequential: bool) -> SinglePlan | SequentialPlan:
    return sequential_plan(asked, most) if sequential else single_plan(asked)


class _Design:
    """A plan as an address asks for it."""

    def __init__(self, data: Data, query: filters.Query, *, there: bool = False) -> None:
        # Whether a burn-in stands above, which could be judged by it.
        self.query, self.there = query, there
        kind = _last(query, "plan_kind")
        self.kind = kind if kind in PROVED else "misses"
        self.sequential = _last(query, "plan_how") != "single"
        usual = usual_asked(self.kind, read_site(data.folder))
        self.texts = {
            "good": f"{usual.good * PER:.12g}",
            "bad": f"{usual.bad * PER:.12g}",
            "producer": f"{PRODUCER_RISK * 100:g}",
            "consumer": f"{CONSUMER_RISK * 100:g}",
            "bins": str(_BINS),
            "cycles": "",
            "pace": "",
        }
        self.texts |= {
            name: query[f"plan_{name}"][-1]
            for name in _PLAN_TYPED
            if query.get(f"plan_{name}", [""])[-1]
        }

    def _number(self, name: str, what: str, hint: str) -> float:
        text = self.texts[name]
        try:
            value = float(text.replace(",", ""))
        except ValueError:
            raise PlanError(f"{what} is {text}; type a number such as {hint}") from None
        if not math.isfinite(value) or value <= 0:
            raise PlanError(f"{what} is {text}; type a number above 0 such as {hint}")
        return value

    def bins(self) -> int:
        """Return the bins of the tower."""
        bins = self._number("bins", "the number of bins", "10")
        if bins != int(bins) or bins > MOST_BINS:
            raise PlanError(
                f"the number of bins is {self.texts['bins']}; type a whole number, 1 to {MOST_BINS}"
            )
        return int(bins)

    def asked(self) -> Asked:
        """Return rates and risks, which are typed per 10,000 feeds and in percent."""

        def share(name: str, what: str, hint: str, whole: float) -> float:
            # The quotient of two short decimals is meant, not its last binary digit.
            return float(f"{self._number(name, what, hint) / whole:.12g}")

        return Asked(
            share("good", "the good rate", "0.3", PER),
            share("bad", "the bad rate", "1", PER),
            share("producer", "the producer's risk", "5", 100),
            share("consumer", "the consumer's risk", "10", 100),
        )

    def most(self) -> int | None:
        """Return the most feeds; None for the usual."""
        if not self.texts["cycles"] or not self.sequential:
            return None
        return int(min(self._number("cycles", "the most cycles", "30,000"), 1e12) * self.bins())

    def plan(self) -> SinglePlan | SequentialPlan:
        """Return the plan.

        Raises
        ------
        analysis.plans.PlanError
            For what cannot be.
        """
        return _planned(self.asked(), self.most(), self.sequential)

    def _to(self, **changed: str) -> str:
        return _with(self.query, **changed)

    def section(self) -> Component:
        """Return the form and what the plan does; a sentence where there cannot be one."""
        shown: list[Component] = []
        wrong = ""
        try:
            plan, bins = self.plan(), self.bins()
            pace = self._number("pace", "the pace", "2,800") if self.texts["pace"] else None
            shown = self._answer(plan, bins, pace)
        except PlanError as error:
            wrong = f"{_sentence(error)} Rates in that sentence are per feed."
            if "rate" not in str(error):
                wrong = _sentence(error)
        fields = [
            ("good", "Good rate, per 10,000 feeds"),
            ("bad", "Bad rate, per 10,000 feeds"),
            ("producer", "Risk that a good tower fails, %"),
            ("consumer", "Risk that a bad tower passes, %"),
            ("bins", "Number of bins"),
            ("cycles", "Most cycles, if there is a limit"),
            ("pace", "Pace, cycles per hour"),
        ]
        return html.Section(
            [
                html.H2("Plan a burn-in: how long must it run?", id="acceptance-design"),
                html.Div(
                    [
                        parts.either(
                            "Fault",
                            *((k, self._to(plan_kind=k), k == self.kind) for k in PROVED),
                        ),
                        parts.either(
                            "How",
                            (
                                "ends as soon as it is settled",
                                self._to(plan_how=""),
                                self.sequential,
                            ),
                            ("runs its length", self._to(plan_how="single"), not self.sequential),
                        ),
                    ],
                    className="turns",
                ),
                html.Div(
                    [_field(f"plan-{name}", label, self.texts[name]) for name, label in fields],
                    className="fields",
                ),
                html.P(wrong, id="acceptance-plan-wrong", role="alert", className="warn wrong"),
                html.Div(
                    html.Button(
                        "Show this plan", id="acceptance-plan", className="main", type="button"
                    ),
                    className="press",
                ),
                *shown,
            ],
            className="typing",
            **theme.attributes(aria_labelledby="acceptance-design"),
        )

    def _answer(
        self, plan: SinglePlan | SequentialPlan, bins: int, pace: float | None
    ) -> list[Component]:
        assert plan.asked is not None
        curves = figures.curves(plan)
        good, bad = (
            curves.feeds[curves.rates.index(rate)] for rate in (plan.asked.good, plan.asked.bad)
        )

        def length(feeds: float) -> str:
            cycles = feeds / bins
            hours = f", {two_digits(cycles / pace)} hours" if pace else ""
            return f"{two_digits(cycles)} cycles of {theme.counted(bins, 'bin')}{hours}"

        if isinstance(plan, SequentialPlan):
            told = (
                f"It is expected to take {length(good)} with a good tower and {length(bad)} with a "
                f"bad one, and at the longest {length(plan.feeds)}."
            )
        else:
            told = f"It takes {length(plan.feeds)}."
        if pace is None:
            told += " Type a pace to see it in hours."
        proved = [
            f"{p.count} {one(self.kind, p.count)}: below {per_10k(p.upper_bound)}"
            for p in proves(plan.feeds)
        ]
        numbers = (
            PATH
            + "/plan.csv"
            + filters.written(
                {name: value for name, value in self.query.items() if name.startswith("plan_")}
            )
        )
        rates = f"{self.kind},{plan.asked.good:g},{plan.asked.bad:g}"
        link = _with(self.query, rates=rates)
        judged = html.A("judge the burn-in above by these rates", href=link, className="inside")
        again: list[Component | str] = [". Or ", judged] if self.there else []
        key = "Curve: exact, for faults that fall singly. Points: the good and the bad rate."
        least = " Bars: no test with these risks takes less in the mean (Wald and Wolfowitz 1948)."
        return [
            html.P(html.B(told), className="told", id="acceptance-length"),
            html.P(plan.sentence()),
            html.P(
                f"Run to the end of {plan.feeds:,} feeds it would prove, with 95 % confidence and "
                f"per 10,000 feeds: {'; '.join(proved)}.",
            ),
            html.P(
                [
                    "Keep it before the first run, with the tower and the burn-in's name: ",
                    html.Code(self.command(plan)),
                    *again,
                    ".",
                ]
            ),
            html.Div(
                [
                    html.Div(
                        _figured(
                            "acceptance-oc",
                            ["With which rate does a tower pass?"],
                            "With which rate does a tower pass?",
                            figures.chance_to_pass(plan, curves),
                            f"feedtally-chance-to-pass-{self.kind}",
                            key,
                            None,
                            numbers,
                        )
                    ),
                    html.Div(
                        _figured(
                            "acceptance-asn",
                            ["How long does it take, by the true rate?"],
                            "How long does it take, by the true rate?",
                            figures.expected_cycles(plan, curves, bins),
                            f"feedtally-expected-cycles-{self.kind}",
                            key + (least if self.sequential else ""),
                            None,
                            numbers,
                        )
                    ),
                ],
                className="pairs",
            ),
        ]

    def command(self, plan: SinglePlan | SequentialPlan) -> str:
        """Return the command that keeps the plan."""
        asked = plan.asked
        assert asked is not None
        words = ["feedtally", "plan", "--kind", self.kind]
        words += ["--good", f"{asked.good:.12g}", "--bad", f"{asked.bad:.12g}"]
        words += ["--producer-risk", f"{asked.producer_risk:g}"]
        words += ["--consumer-risk", f"{asked.consumer_risk:g}"]
        if self.sequential:
            words.append("--sequential")
            most = self.most()
            words += [] if most is None else ["--max-feeds", str(most)]
        named = "" if "typed" not in self.query else _last(self.query, "typed")
        tower = named or _last(self.query, "tower") or "TOWER"
        return shlex.join([*words, "--save", "NAME", "--tower", tower])
