"""Say what faults cost, and what a bin costs beyond an ordinary one."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.costs import Beyond, CostsResult
    from analysis.pricing import Cost

#: How ranges come about.
METHOD = "exact"

#: So many bins are listed that cost most beyond an ordinary one, unless all are asked for.
_FEW = 5


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument(
        "--all", action="store_true", help="list every bin, not only those that cost most"
    )
    shared.add_kind(parser)
    shared.add_filters(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print what faults cost, split in several ways, and which bins cost most."""
    from analysis import answers
    from analysis.patterns import read_patterns

    filters, patterns = shared.filters(options), read_patterns(shared.store_folder(options))
    with shared.scan(options) as (scan, _):
        found = answers.explained(scan, filters, patterns=patterns)
        result = answers.costs(scan, filters, site=shared.site(options), causes=found)
    stood = shared.as_of_sentence(options)
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "method": METHOD,
                "confidence": result.confidence,
                "kind": result.kind,
                "currency": result.figures.currency,
                "figures": {
                    name: getattr(result.figures, name)
                    for name in (
                        "hour",
                        "stop_minutes",
                        "mend_minutes",
                        "spoiled_set",
                        "spoiled_share",
                        "found_later",
                    )
                },
                "assumed": list(result.assumed),
                "days": result.days,
                "total": _cost_json(result.total),
                "make_ready": _cost_json(result.make_ready) if result.make_ready else None,
                "by_what": [_cost_json(one) for one in result.by_what],
                "by_kind": [_cost_json(one) for one in result.by_kind],
                "by_tower": [_cost_json(one) for one in result.by_tower],
                "by_bin": [_cost_json(one) for one in result.by_bin],
                "by_stock": [_cost_json(one) for one in result.by_stock],
                "by_cause": [_cost_json(one) for one in result.by_cause],
                "bins": [_beyond_json(one) for one in result.beyond],
                "adjusted": result.adjusted,
                "spoiled_shares": [
                    {
                        "tower": one.tower,
                        "spoiled": one.spoiled,
                        "mended": one.mended,
                        "logged": one.logged,
                        "share": one.share,
                        "low": one.low,
                        "high": one.high,
                    }
                    for one in result.shares
                ],
                "feeds_found_later_logged": result.feeds_found_later,
            },
            sentence=stood + result.sentence(),
            account=result.account,
        )
    else:
        _print(result, stood, every=options.all)
    return 0


def _cost_json(one: Cost) -> dict[str, Any]:
    each = one.per_sets() or (None, None, None)
    return {
        **one.of,
        "faults": one.faults,
        "found_later": one.found_later,
        "sets": one.sets,
        "cost": one.cost,
        "low": one.low,
        "high": one.high,
        "per_10k_sets": each[0],
        "per_10k_sets_low": each[1],
        "per_10k_sets_high": each[2],
    }


def _beyond_json(one: Beyond) -> dict[str, Any]:
    each, year = one.per_sets(), one.a_year()
    return {
        "tower": one.tower,
        "bin": one.bin,
        "faults": one.faults,
        "ordinary": one.ordinary,
        "feeds": int(one.feeds),
        "feeds_a_year": one.feeds_a_year,
        "beyond_per_10k_sets": each[0],
        "beyond_per_10k_sets_low": each[1],
        "beyond_per_10k_sets_high": each[2],
        "beyond_a_year": year[0],
        "beyond_a_year_low": year[1],
        "beyond_a_year_high": year[2],
    }


def _print(result: CostsResult, stood: str, *, every: bool) -> None:
    print(stood + result.sentence())
    if not result.total.sets or not result.by_kind:
        return
    for text in (_ready(result), result.logged()):
        if text:
            print(text)
    print("Ranges: 95 %, allowing for faults in clusters; the figures are taken as stated.")
    print()
    _table(result, "what is paid", result.by_what, ("events",))
    for head, lines in (
        ("kind", result.by_kind),
        ("tower", result.by_tower),
        ("stock", result.by_stock),
    ):
        _table(result, head, lines, ("faults", "found later"))
    _print_causes(result)
    _print_beyond(result, every=every)


def _ready(result: CostsResult) -> str:
    ready = result.make_ready
    if ready is None or not ready.sets:
        return ""
    return (
        f"Faults in make-ready cost {result.money(ready.cost)} more in the same time "
        f"({result.span(ready.low, ready.high)})."
    )


def _table(result: CostsResult, head: str, lines: Iterable[Cost], counts: Sequence[str]) -> None:
    from analysis.words import two_digits

    rows = []
    for one in lines:
        each = one.per_sets()
        counted = {"events": one.of.get("events"), "faults": one.faults}
        counted["found later"] = one.found_later
        rows.append(
            (
                str(one.of["what" if head == "what is paid" else head] or "not logged"),
                *(f"{counted[name]:,.0f}" for name in counts),
                two_digits(one.cost),
                result.span(one.low, one.high),
                two_digits(each[0]) if each else "",
                result.span(*each[1:]) if each else "",
            )
        )
    heads = (head, *counts, _head(result, "cost"), "range", "per 10,000 sets", "range")
    shared.print_table(heads, rows, left=(head,))
    print()


def _head(result: CostsResult, text: str) -> str:
    """Head a column of money; the currency stands in it where the site states one."""
    return f"{text} ({result.figures.currency})" if result.figures.currency else text


def _print_causes(result: CostsResult) -> None:
    """Say what the causes that are named cost, the dearest first, and what none explains."""
    from analysis.words import two_digits

    if not result.by_cause:
        return
    rows = []
    for one in result.by_cause:
        each = one.per_sets()
        place = f"{one.of['tower'] or ''} {'' if one.of['bin'] is None else one.of['bin']}".strip()
        rows.append(
            (
                str(one.of["cause"] or "no cause that is known"),
                place,
                f"{one.faults:,.0f}",
                two_digits(one.cost),
                result.span(one.low, one.high),
                two_digits(each[0]) if each else "",
                result.span(*each[1:]) if each else "",
            )
        )
    cost = _head(result, "cost")
    heads = ("likely cause", "where", "faults", cost, "range", "per 10,000 sets", "range")
    shared.print_table(heads, rows, left=("likely cause", "where"))
    print()


def _print_beyond(result: CostsResult, *, every: bool) -> None:
    from analysis.words import two_digits

    shown: Sequence[Beyond] = result.beyond
    if not every:
        shown = [one for one in shown if one.faults > one.ordinary][:_FEW]
    if not shown:
        return
    allowed = "on the same paper, in the same air" if result.adjusted else "whatever it fed"
    print(f"Beyond an ordinary bin of the same tower, {allowed}:")
    rows = []
    for one in shown:
        each, year = one.per_sets(), one.a_year()
        rows.append(
            (
                one.tower,
                str(one.bin),
                f"{one.faults:,.0f}",
                two_digits(one.ordinary),
                two_digits(each[0]),
                result.span(*each[1:]),
                two_digits(year[0]),
                result.span(*year[1:]),
            )
        )
    a_year = _head(result, "a year")
    heads = ("tower", "bin", "faults", "ordinary", "per 10,000 sets", "range", a_year, "range")
    shared.print_table(heads, rows, left=("tower",))
    print("A year: as much as the bin fed in the last three months, at the rate of this period.")
