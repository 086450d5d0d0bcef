"""How long must the next burn-in run? A part of the acceptance page, under the burn-in it shows.

Rates and risks are typed, or those of the site; the plan, what it would prove and the command that
keeps it are shown. Wiring only: `analysis.plans` plans.
"""

from __future__ import annotations

import math
import shlex
from functools import lru_cache

from dash import Dash, html
from dash.development.base_component import Component
from flask import Response, request

from analysis.burn_ins import PROVED
from analysis.chosen_plans import CONSUMER_RISK, KIND_RISK, usual_asked
from analysis.log_format import MOST_BINS
from analysis.plans import Asked, PlanError, SinglePlan, proves, single_plan
from analysis.sequential import SequentialPlan, sequential_plan
from analysis.site import read_site
from analysis.words import (
    PER,
    at_most_per_10k,
    exact_chance,
    many,
    one,
    told_apart,
    two_digits,
    without_thousands,
)
from dashboard import filters, parts, theme
from dashboard.data import Data
from dashboard.figures import acceptance as figures
from dashboard.forms import writes_address

#: Where the numbers behind its figures are.
NUMBERS = "/acceptance/plan.csv"

_TYPED = ("good", "bad", "producer", "consumer", "bins", "cycles", "pace")
#: What it has in the address.
CHOICES = tuple(f"plan_{name}" for name in ("kind", "how", *_TYPED))

#: Of so many points of a curve one stands in the table.
_EVERY = 8

_SHARED = "Both kinds and the screens of the bins share the 5 % of a tower: 2 % for each kind."


def register(app: Dash, data: Data) -> None:
    """Let the form write the address; serve the numbers behind the figures."""

    def numbers() -> Response:
        try:
            plan = Design(data, filters.parse_query(request.query_string.decode())).plan()
        except PlanError as error:
            return Response(f"{error}\n", 400, mimetype="text/plain")
        return parts.csv_answer(plan_csv(plan), "feedtally-plan")

    app.server.add_url_rule(NUMBERS, "acceptance_plan", numbers)

    def write(query: filters.Query, typed: list[str]) -> str:
        asked = zip(_TYPED, typed, strict=True)
        return parts.changed(query, **{f"plan_{name}": value for name, value in asked})

    writes_address(app, "acceptance-plan", "acceptance-plan", _TYPED, write)


def plan_csv(plan: SinglePlan | SequentialPlan) -> str:
    """Write a plan's curves as CSV: a line for each true rate, in faults per feed."""
    shown = figures.curves(plan)
    rows = zip(shown.rates, shown.accept, shown.feeds, strict=True)
    return parts.csv_text(["rate", "chance_to_pass", "expected_feeds"], rows)


@lru_cache(maxsize=64)
def _planned(asked: Asked, most: int | None, sequential: bool) -> SinglePlan | SequentialPlan:
    return sequential_plan(asked, most) if sequential else single_plan(asked)


class Design:
    """A plan as an address asks for it.

    Parameters
    ----------
    data : Data
        The store, whose site file may state a standard.
    query : mapping
        The address.
    there : bool
        Whether a burn-in stands above, which could be judged by it.
    """

    def __init__(self, data: Data, query: filters.Query, *, there: bool = False) -> None:
        self.query, self.there = query, there
        kind = parts.last(query, "plan_kind")
        self.kind = kind if kind in PROVED else "misses"
        self.sequential = parts.last(query, "plan_how") != "single"
        usual = usual_asked(self.kind, read_site(data.folder))
        self.texts = {
            "good": f"{usual.good * PER:.12g}",
            "bad": f"{usual.bad * PER:.12g}",
            "producer": f"{KIND_RISK * 100:g}",
            "consumer": f"{CONSUMER_RISK * 100:g}",
            "bins": parts.last(query, "bins") or str(data.usual_bins(parts.last(query, "tower"))),
            "cycles": "",
            "pace": "",
        }
        self.texts |= {
            name: query[f"plan_{name}"][-1]
            for name in _TYPED
            if query.get(f"plan_{name}", [""])[-1]
        }

    def _number(self, name: str, what: str, hint: str) -> float:
        text = self.texts[name]
        try:
            value = float(without_thousands(text))
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
            share("producer", "the producer's risk", "2", 100),
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
        return parts.changed(self.query, **changed)

    def section(self) -> Component:
        """Return the form and what the plan does; a sentence where there cannot be one."""
        shown: list[Component] = []
        wrong = ""
        try:
            plan, bins = self.plan(), self.bins()
            pace = self._number("pace", "the pace", "2,800") if self.texts["pace"] else None
            shown = self._answer(plan, bins, pace)
        except PlanError as error:
            wrong = f"{parts.sentence(error)} Rates in that sentence are per feed."
            if "rate" not in str(error):
                wrong = parts.sentence(error)
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
                    [
                        parts.field(f"acceptance-plan-{name}", label, self.texts[name])
                        for name, label in fields
                    ],
                    className="fields",
                ),
                html.P(_SHARED, className="key"),
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
            return f"{two_digits(cycles)} cycles of {many(bins, 'bin')}{hours}"

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
            f"{p.count} {one(self.kind, p.count)}: below {at_most_per_10k(p.upper_bound)}"
            for p in proves(plan.feeds)
        ]
        numbers = NUMBERS + filters.written(
            {name: value for name, value in self.query.items() if name.startswith("plan_")}
        )
        rates = f"{self.kind},{plan.asked.good:g},{plan.asked.bad:g}"
        link = parts.changed(self.query, rates=rates)
        judged = html.A("judge the burn-in above by these rates", href=link, className="inside")
        again: list[Component | str] = [". Or ", judged] if self.there else []
        key = "Curve: exact, for faults that fall singly. Points: the good and the bad rate."
        least = " Bars: no test with these risks takes less in the mean (Wald and Wolfowitz 1948)."
        held = " The table of the chance to pass holds these numbers too."
        table = self._table(curves, bins)
        return [
            html.P(html.B(told), className="told", id="acceptance-length"),
            html.P(plan.sentence()),
            html.P(
                f"Run to the end of {many(plan.feeds, 'feed')} it would prove, with 95 % "
                f"confidence and per 10,000 feeds: {'; '.join(proved)}.",
            ),
            html.P(
                [
                    "Keep it before the first run, with the tower and the burn-in's name: ",
                    html.Code(parts.command_words(self.command(plan))),
                    *again,
                    ".",
                ]
            ),
            html.Div(
                [
                    html.Div(
                        parts.figured(
                            "acceptance-oc",
                            ["With which rate does a tower pass?"],
                            "With which rate does a tower pass?",
                            figures.chance_to_pass(plan, curves),
                            f"feedtally-chance-to-pass-{self.kind}",
                            key,
                            numbers,
                            table,
                        )
                    ),
                    html.Div(
                        parts.figured(
                            "acceptance-asn",
                            ["How long does it take, by the true rate?"],
                            "How long does it take, by the true rate?",
                            figures.expected_cycles(plan, curves, bins),
                            f"feedtally-expected-cycles-{self.kind}",
                            key + (least if self.sequential else "") + held,
                            numbers,
                        )
                    ),
                ],
                className="pairs",
            ),
        ]

    def _table(self, curves: figures.Curves, bins: int) -> Component:
        """Return a table of both curves at the two rates and a few between, which opens."""
        assert curves.rates
        few = set(range(0, len(curves.rates), _EVERY))
        few |= {curves.rates.index(rate) for rate in (self.asked().good, self.asked().bad)}
        shown = sorted(few)
        rows = [
            html.Tr(
                [
                    html.Th(rate, scope="row", className="name"),
                    html.Td(exact_chance(curves.accept[i]).replace(" %", "\u00a0%")),
                    html.Td(f"{curves.feeds[i] / bins:,.0f}"),
                    html.Td(theme.feeds(round(curves.feeds[i]))),
                ]
            )
            for i, rate in zip(shown, told_apart([curves.rates[i] for i in shown]), strict=True)
        ]
        return parts.numbers_table(
            f"What the plan for {self.kind} does, by the true rate",
            f"true rate, {self.kind} per 10,000 feeds",
            ("passes with", "expected cycles", "expected feeds"),
            rows,
        )

    def command(self, plan: SinglePlan | SequentialPlan) -> str:
        """Return the command that keeps the plan; the burn-in's name is left to be put in."""
        asked = plan.asked
        assert asked is not None
        words = ["feedtally", "plan", "--kind", self.kind]
        words += ["--good", f"{asked.good:.12g}", "--bad", f"{asked.bad:.12g}"]
        words += ["--producer-risk", f"{asked.producer_risk:.12g}"]
        words += ["--consumer-risk", f"{asked.consumer_risk:.12g}"]
        if self.sequential:
            words.append("--sequential")
            most = self.most()
            words += [] if most is None else ["--max-feeds", str(most)]
        named = parts.last(self.query, "typed") or parts.last(self.query, "tower")
        tower = named.strip() or "TOWER"
        # A name that begins with a hyphen would be read as an option.
        words += ["--save", "NAME"]
        words += [f"--tower={tower}"] if tower.startswith("-") else ["--tower", tower]
        return shlex.join(words)
