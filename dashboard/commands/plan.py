"""Say how long an acceptance test must run, and what it then proves."""

from __future__ import annotations

import argparse
import math
import shlex
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from dashboard.commands import UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.counts import Account
    from analysis.plans import SinglePlan
    from analysis.plans_before import KeptPlan
    from analysis.sequential import SequentialPlan

    Plan = SinglePlan | SequentialPlan

#: Rates of the operating characteristic that JSON holds, and that a terminal shows.
_RATES, _SHOWN = 31, 9
#: No rate of them lies nearer than this share to one that was given.
_NEAR = 0.01


def _number(example: str) -> Callable[[str], float]:
    """Return what reads a number, and shows such a one where there is none."""

    def read(text: str) -> float:
        value = shared.number(text)
        if not math.isfinite(value):
            raise argparse.ArgumentTypeError(f"{text} is no number, such as {example}")
        return value

    return read


_rate, _risk, _pace = _number("3e-5"), _number("0.05"), _number("4000")


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument(
        "--good", type=_rate, metavar="P0", help="faults per feed of a tower that is to pass"
    )
    parser.add_argument(
        "--bad",
        type=_rate,
        required=True,
        metavar="P1",
        help="faults per feed of a tower that is to fail",
    )
    parser.add_argument(
        "--producer-risk",
        type=_risk,
        metavar="RISK",
        help="most chance that a good tower fails (0.05 when absent; 0.02 with --save, since both "
        "kinds and the screens of the bins share the 0.05 of a tower)",
    )
    parser.add_argument(
        "--consumer-risk",
        type=_risk,
        default=0.10,
        metavar="RISK",
        help="most chance that a bad tower passes (0.10 when absent)",
    )
    parser.add_argument(
        "--sequential",
        action="store_true",
        help="end as soon as the count says enough, which takes far fewer feeds in the mean",
    )
    parser.add_argument(
        "--max-feeds",
        type=_whole,
        metavar="N",
        help="the feeds that can be afforded: where a sequential plan is cut off (two single "
        "plans when absent); without --sequential, says what so many can prove",
    )
    parser.add_argument(
        "--allowed",
        type=_whole,
        metavar="C",
        help="pass with so many faults (0: a zero-failure test); the feeds follow from the bad "
        "rate and the consumer's risk, and --good may be left out",
    )
    parser.add_argument(
        "--bins", type=_whole, metavar="N", help="bins of the tower: feeds are told as cycles too"
    )
    parser.add_argument(
        "--pace", type=_pace, metavar="CYCLES", help="cycles an hour: told as hours too"
    )
    parser.add_argument(
        "--save", metavar="NAME", help="keep it in the store for the coming burn-in of this name"
    )
    parser.add_argument("--tower", metavar="T", help="whose burn-in it is kept for")
    parser.add_argument(
        "--kind", choices=shared.KINDS[:2], help="which kind of fault it is kept for"
    )
    parser.add_argument("--stock", metavar="S", help="stock that the burn-in is to run")
    parser.add_argument(
        "--humidity", type=_air, metavar="LOW,HIGH", help="air that it is to run in, percent"
    )
    shared.add_store(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def _whole(text: str) -> int:
    from analysis.words import without_thousands

    try:
        value = int(without_thousands(text))
    except ValueError:
        value = -1
    if not 0 <= value <= 10**15:
        raise argparse.ArgumentTypeError(f"{text} is no whole number, such as 300000")
    return value


def _air(text: str) -> tuple[float, float]:
    try:
        low, high = map(float, text.split(","))
    except ValueError:
        low, high = math.nan, math.nan
    if not 0 <= low < high <= 100:
        raise argparse.ArgumentTypeError(
            f"{text} is no range of humidity; write the lower and the upper end, such as 45,55"
        )
    return low, high


def run(options: argparse.Namespace) -> int:
    """Print the plan; keep it where that is asked."""
    from analysis import plans
    from analysis.chosen_plans import KIND_RISK
    from analysis.sequential import sequential_plan
    from analysis.words import many

    _check(options)
    risk = options.producer_risk
    if risk is None:
        risk = KIND_RISK if options.save else plans.PRODUCER_RISK
    choices: tuple[SinglePlan, ...] = ()
    plan: Plan
    if options.allowed is not None:
        plan = _success_run(options)
    else:
        asked = plans.Asked(options.good, options.bad, risk, options.consumer_risk)
        if options.sequential:
            plan = sequential_plan(asked, options.max_feeds)
        else:
            plan = plans.single_plan(asked)
            if options.max_feeds is not None and options.max_feeds < plan.feeds:
                choices = plans.affordable(asked, options.max_feeds)
                needed, plan = plan, plans.closest(choices)
    told = plan.sentence()
    if choices:
        told = (
            f"{many(options.max_feeds, 'feed is', 'feeds are')} too few for these risks, which "
            f"take {needed.feeds:,}. The nearest they come: {told[:1].lower()}{told[1:]}"
        )
    told += _in_cycles(plan, options)
    kept = account = None
    if options.save is not None:
        if choices:
            raise UsageError(
                f"{many(options.max_feeds, 'feed does', 'feeds do')} not keep the risks that were "
                "asked, so the plan is not kept; take more feeds, or ask for larger risks"
            )
        kept, account, more = _keep(options, plan)
        told += more
    if options.json:
        answer = _json(plan, choices, options)
        if kept is not None:
            answer["kept"] = {
                "number": kept.number,
                "tower": kept.tower,
                "proof": kept.proof,
                "kind": kept.kind,
                "stock": kept.stock or None,
                "humidity_pct": None if kept.humidity is None else list(kept.humidity),
                "kept_at": kept.kept_at.isoformat(),
                "rows_before": kept.rows_before,
            }
        shared.print_json(answer, sentence=told, account=account)
    else:
        print(told)
        _print(plan, choices, options)
    return 0


def _check(options: argparse.Namespace) -> None:
    """Refuse what does not go together."""
    if options.allowed is None and options.good is None:
        raise UsageError("--good is missing; give the good rate, or --allowed 0 for none of it")
    if options.allowed is not None and (options.sequential or options.max_feeds is not None):
        raise UsageError("--allowed gives a single plan; leave out --sequential and --max-feeds")
    if options.allowed is not None and options.producer_risk is not None:
        raise UsageError(
            "--allowed settles the producer's risk; leave --producer-risk out, and give --good to "
            "be told what it is"
        )
    if options.bins == 0:
        raise UsageError("--bins is 0; write how many bins the tower has")
    if options.pace is not None and (not options.bins or options.pace <= 0):
        raise UsageError("--pace is cycles an hour, above 0, and goes with --bins; give both")
    if options.save is None:
        for name in ("tower", "kind", "stock", "humidity"):
            if getattr(options, name) is not None:
                raise UsageError(f"--{name} goes with --save NAME; add that or leave it out")
        return
    if not options.save.strip():
        raise UsageError("--save is empty; write the name that the burn-in will have in the log")
    if not (options.tower or "").strip() or options.kind is None:
        raise UsageError("--save goes with --tower T and --kind misses or doubles; give both")
    if options.allowed is not None:
        raise UsageError("--allowed gives no plan for both risks, so it is not kept; leave it out")


def _success_run(options: argparse.Namespace) -> SinglePlan:
    from analysis import plans

    return plans.success_run(
        options.bad, options.consumer_risk, allowed=options.allowed, good=options.good
    )


def _in_cycles(plan: Plan, options: argparse.Namespace) -> str:
    """Say feeds as cycles and hours, where the tower's bins and pace are given."""
    from analysis.words import many, two_digits

    if not options.bins:
        return ""
    cycles = math.ceil(plan.feeds / options.bins)
    text = f" With {many(options.bins, 'bin')} that is {'at most ' if options.sequential else ''}"
    text += many(cycles, "cycle")
    if options.pace:
        text += f", {two_digits(cycles / options.pace)} hours"
    if options.sequential:
        good, bad = (
            two_digits(float(feeds) / options.bins)
            for feeds in plan.expected_feeds([options.good, options.bad])
        )
        text += f"; about {good} cycles are expected of the first tower and {bad} of the second"
    return f"{text}."


def _rates(plan: Plan, options: argparse.Namespace, number: int) -> list[float]:
    """Return rates from well below the good one to well above the bad one, both as given."""
    import numpy as np

    from analysis.plans import LEAST_RATE, MOST_RATE

    low = (options.good or options.bad / 5) / 5
    grid = np.geomspace(max(low, LEAST_RATE), min(3 * options.bad, MOST_RATE), number)
    given = [rate for rate in (options.good, options.bad) if rate is not None]
    # One so near a given rate says the same again, in nearly the same digits.
    apart = [
        rate
        for rate in grid.tolist()
        if not any(math.isclose(rate, one, rel_tol=_NEAR) for one in given)
    ]
    return sorted({*apart, *given})


def _json(plan: Plan, choices: Sequence[SinglePlan], options: argparse.Namespace) -> dict[str, Any]:
    from analysis.plans import proves
    from analysis.sequential import SequentialPlan

    rates = _rates(plan, options, _RATES)
    answer: dict[str, Any] = {
        "method": "sequential" if isinstance(plan, SequentialPlan) else "single",
        "good": options.good,
        "bad": options.bad,
        "feeds": plan.feeds,
        "allowed": plan.allowed,
        "producer_risk": plan.producer_risk,
        "consumer_risk": plan.consumer_risk,
        "oc": [
            {"rate": rate, "accept": float(accept)}
            for rate, accept in zip(rates, plan.accept(rates), strict=True)
        ],
        "expected_feeds": [
            {"rate": rate, "feeds": float(feeds)}
            for rate, feeds in zip(rates, plan.expected_feeds(rates), strict=True)
        ],
        "proves": [{"count": p.count, "upper_bound": p.upper_bound} for p in proves(plan.feeds)],
    }
    if options.bins:
        answer["cycles"] = math.ceil(plan.feeds / options.bins)
        if options.pace:
            answer["hours"] = answer["cycles"] / options.pace
        for expected in answer["expected_feeds"]:
            expected["cycles"] = expected["feeds"] / options.bins
            if options.pace:
                expected["hours"] = expected["cycles"] / options.pace
    if choices:
        answer["choices"] = [
            {
                "allowed": one.allowed,
                "producer_risk": one.producer_risk,
                "consumer_risk": one.consumer_risk,
            }
            for one in choices
        ]
    if isinstance(plan, SequentialPlan):
        answer["boundaries"] = [
            {
                "faults": number,
                "accept_at_feeds": accept,
                "reject_before_feeds": reject or None,
            }
            for number, (accept, reject) in enumerate(
                zip(plan.accept_at, plan.reject_before, strict=True)
            )
        ]
        answer["least_expected_feeds"] = [
            {"rate": rate, "feeds": feeds}
            for rate, feeds in zip(
                (options.good, options.bad), plan.least_expected_feeds(), strict=True
            )
        ]
    return answer


def _print(plan: Plan, choices: Sequence[SinglePlan], options: argparse.Namespace) -> None:
    from analysis.plans import SinglePlan, proves
    from analysis.sequential import SequentialPlan
    from analysis.words import at_most_per_10k, exact_chance, many, told_apart, two_digits

    rates = _rates(plan, options, _SHOWN)
    print()
    shared.print_table(
        ("per 10,000 feeds", "passes with", "expected feeds", ""),
        [
            (
                told,
                exact_chance(float(accept)),
                f"{feeds:,.0f}" if isinstance(plan, SinglePlan) else two_digits(float(feeds)),
                "good" if rate == options.good else "bad" if rate == options.bad else "",
            )
            for told, rate, accept, feeds in zip(
                told_apart(rates),
                rates,
                plan.accept(rates),
                plan.expected_feeds(rates),
                strict=True,
            )
        ],
        left=("",),
    )
    if isinstance(plan, SequentialPlan):
        good, bad = map(two_digits, plan.least_expected_feeds())
        print(
            f"No test with these risks expects fewer than {good} feeds at the good rate and {bad} "
            "at the bad one (Wald and Wolfowitz)."
        )
        print()
        shared.print_table(
            ("faults", "passes at feeds", "fails before feeds"),
            [
                (
                    str(number),
                    "never" if accept is None else f"{accept:,}",
                    f"{reject:,}" if reject else "never",
                )
                for number, (accept, reject) in enumerate(
                    zip(plan.accept_at, plan.reject_before, strict=True)
                )
            ],
            left=(),
        )
    if choices:
        print()
        shared.print_table(
            ("faults allowed", "a good tower fails with", "a bad one passes with"),
            [
                (
                    str(one.allowed),
                    exact_chance(float(one.producer_risk or 0)),
                    exact_chance(one.consumer_risk),
                )
                for one in choices
            ],
            left=(),
        )
    print()
    print(f"What {many(plan.feeds, 'feed')} would prove, one-sided, with 95 % confidence:")
    shared.print_table(
        ("faults", "below, per 10,000 feeds"),
        [(str(p.count), at_most_per_10k(p.upper_bound)) for p in proves(plan.feeds)],
        left=(),
    )


def _keep(options: argparse.Namespace, plan: Plan) -> tuple[KeptPlan, Account, str]:
    """Keep the plan in the store; give the burn-in's rows so far, and words for it."""
    from analysis.filters import Filters
    from analysis.kept_plans import keep
    from analysis.plans_before import KeptPlan
    from analysis.sequential import SequentialPlan
    from analysis.values import nearest
    from analysis.words import many

    assert plan.asked is not None
    tower, proof = options.tower.strip(), options.save.strip()
    options.as_of = ""
    with shared.scan(options) as (scan, _):
        lines = Filters().holding("tower", tower).holding("purpose", "burn-in")
        account = scan.account(lines.holding("proof", proof))
        known = {str(row["tower"]) for row in scan.list_rows("towers")}
        known |= {str(name) for name in scan.values(["tower"])["tower"] if name}
    now = shared.site(options).now().replace(microsecond=0)
    kept = keep(
        shared.store_folder(options),
        KeptPlan(
            tower=tower,
            proof=proof,
            kind=options.kind,
            asked=plan.asked,
            sequential=isinstance(plan, SequentialPlan),
            max_feeds=options.max_feeds if options.sequential else None,
            stock=(options.stock or "").strip(),
            humidity=options.humidity,
            kept_at=now,
            kept_wall=now.replace(tzinfo=None),
            rows_before=account.rows,
        ),
    )
    if tower not in known:
        # Capitals are what is most easily mistaken.
        by_lower = {name.lower(): name for name in known}
        meant = by_lower.get(nearest(tower, frozenset(by_lower), 0.6), "")
        hint = f"; did you mean {meant}? If so, keep the plan again for it" if meant else ""
        print(f"feedtally plan: the log has no tower {tower} yet{hint}.", file=sys.stderr)
    where = f" on stock {kept.stock}" if kept.stock else ""
    if kept.humidity:
        where += f" at {kept.humidity[0]:g} to {kept.humidity[1]:g} % humidity"
    words = ["feedtally", "judge", "--tower", tower, "--proof", proof]
    if options.store:
        words += ["--store", options.store]
    told = f" Kept as plan {kept.number} for {kept.kind} of the burn-in {proof} of tower {tower}"
    if account.rows:
        told_rows = many(account.rows, "row of that burn-in was", "rows of that burn-in were")
        told += (
            f"{where}. But {told_rows} in the log before: a plan that was kept before "
            "them stands, and the certificate says that this one came late."
        )
    else:
        told += f"{where}."
    return kept, account, f"{told} Later, {shlex.join(words)} judges the burn-in."
