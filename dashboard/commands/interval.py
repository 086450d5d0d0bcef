"""Say what some faults in some feeds prove."""

from __future__ import annotations

import argparse

from dashboard.commands import UsageError
from dashboard.commands import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument("count", metavar="X", type=_whole, help="faults counted")
    parser.add_argument("feeds", metavar="N", type=_whole, help="feeds they were counted in")
    shared.add_interval(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def _whole(text: str) -> int:
    digits = text.replace("_", "").replace(",", "")
    if not digits.isdecimal():
        raise argparse.ArgumentTypeError(f"{text} is no whole number of 0 or more")
    value = int(digits)
    if value > 10**12:
        raise argparse.ArgumentTypeError(f"{text} is beyond what is counted (10^12)")
    return value


def run(options: argparse.Namespace) -> int:
    """Print the rate, its range and its one-sided bounds."""
    from analysis.rates import prove

    count, feeds = options.count, options.feeds
    if count > feeds:
        raise UsageError(
            f"{count:,} faults cannot be in {feeds:,} feeds; give the faults first, then the feeds"
        )
    proof = prove(count, feeds, method=options.method, confidence=options.confidence)
    if options.json:
        shared.print_json(
            {
                "method": proof.method,
                "confidence": proof.confidence,
                "count": proof.count,
                "feeds": proof.feeds,
                "rate": proof.rate,
                "low": proof.low,
                "high": proof.high,
                "lower_bound": proof.lower_bound,
                "upper_bound": proof.upper_bound,
            },
            sentence=proof.sentence(),
            account=None,
        )
    else:
        print(proof.sentence())
    return 0
