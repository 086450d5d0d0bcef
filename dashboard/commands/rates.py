"""Print fault rates of any groups of the log."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from dashboard.commands import UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.rates import RatesResult


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument(
        "--by",
        default="",
        metavar="COLUMNS",
        help="columns to group by, with commas between: of the run log, the stock or the tower "
        "list, or day, week, month, humidity_band",
    )
    parser.add_argument(
        "--singly",
        action="store_true",
        help="show ranges as if faults fell singly, not in clusters (the JSON has both)",
    )
    shared.add_kind(parser)
    shared.add_filters(parser)
    shared.add_interval(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print a rate with its range for each group."""
    by = [name.strip().lower() for name in options.by.split(",")]
    if options.by and not all(by):
        raise UsageError(f"--by {options.by} names an empty column; write it as tower,bin")
    from analysis import answers

    with shared.scan(options) as (scan, _):
        result = answers.rates(
            scan,
            by if options.by else [],
            shared.filters(options),
            method=options.method,
            confidence=options.confidence,
        )
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "method": result.method,
                "confidence": result.confidence,
                "kind": result.kind,
                "groups": result.groups.to_pylist(),
                "spread": [
                    {
                        "tower": tower,
                        "runs": spread.runs,
                        "variance": spread.variance,
                        "known": spread.known,
                    }
                    for tower, spread in result.spread.items()
                ],
                "clustering": [
                    {
                        "tower": tower,
                        "pearson_dispersion": shared.finite(found.pearson.value),
                        "tarone_z": shared.finite(found.tarone.z),
                        "tarone_p_value": shared.finite(found.tarone.p_value),
                    }
                    for tower, found in result.clustering.items()
                ],
            },
            sentence=shared.as_of_sentence(options) + result.sentence(),
            account=result.account,
        )
    else:
        _print(result, shared.as_of_sentence(options), singly=options.singly)
    return 0


def _print(result: RatesResult, stood: str, *, singly: bool) -> None:
    from analysis.words import per_10k

    allowed = "as if faults fell singly" if singly else "allowing for faults in clusters"
    print(stood + result.sentence(singly=singly))
    print(f"Ranges: {result.method}, {100 * result.confidence:g} %, {allowed}.")
    if not result.by or not result.groups.num_rows:
        return
    rows = []
    for group in result.groups.to_pylist():
        names = ["not logged" if group[name] is None else str(group[name]) for name in result.by]
        rate = "" if group["rate"] is None else per_10k(group["rate"])
        ends = ("low", "high") if singly else ("wide_low", "wide_high")
        low, high = (per_10k(group[end]) for end in ends)
        span = "" if group["rate"] is None else f"{low} to {high}"
        counts = (f"{group[name]:,}" for name in ("count", "feeds", "runs"))
        rows.append((*names, *counts, rate, span))
    heads = (*result.by, result.kind, "feeds", "runs", "per 10,000", "range")
    shared.print_table(heads, rows, left=result.by)
