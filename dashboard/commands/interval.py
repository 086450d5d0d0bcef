"""Say what some faults in some feeds prove."""

from __future__ import annotations

import argparse
import re

from dashboard.commands import UsageError
from dashboard.commands import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument("count", metavar="X", type=_whole, help="faults counted")
    parser.add_argument("feeds", metavar="N", type=_whole, help="feeds they were counted in")
    parser.add_argument(
        "--versus",
        nargs=2,
        type=_whole,
        metavar=("X2", "N2"),
        help="other faults in other feeds; the first are compared with them",
    )
    parser.add_argument(
        "--difference",
        choices=("newcombe", "miettinen-nurminen"),
        help="method of the difference's interval, with --versus (newcombe when absent)",
    )
    shared.add_interval(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def _whole(text: str) -> int:
    """Read a whole number; thousands may stand apart by a comma, a blank or an apostrophe."""
    if not re.fullmatch(r"\d+|\d{1,3}(?:[,_ '\u00a0\u202f]\d{3})+", text):
        raise argparse.ArgumentTypeError(
            f"{text} is no whole number of 0 or more, such as 50000; write all of its digits"
        )
    value = int(re.sub(r"\D", "", text))
    if value > 10**12:
        raise argparse.ArgumentTypeError(f"{text} is beyond what is counted (10^12)")
    return value


def run(options: argparse.Namespace) -> int:
    """Print the rate, its range and its one-sided bounds."""
    from analysis.proven import compare_counts, prove
    from analysis.words import many

    for count, feeds in ((options.count, options.feeds), options.versus or (0, 0)):
        if count > feeds:
            raise UsageError(
                f"{many(count, 'fault')} cannot be in {many(feeds, 'feed')}; give the faults "
                "first, then the feeds"
            )
    if options.difference and not options.versus:
        raise UsageError("--difference goes with --versus X2 N2; add that or leave it out")
    proven = prove(
        options.count, options.feeds, method=options.method, confidence=options.confidence
    )
    answer: dict[str, object] = {
        "method": proven.method,
        "confidence": proven.confidence,
        "count": proven.count,
        "feeds": proven.feeds,
        "rate": proven.rate,
        "low": proven.low,
        "high": proven.high,
        "lower_bound": proven.lower_bound,
        "upper_bound": proven.upper_bound,
    }
    sentence = proven.sentence()
    if options.versus:
        # The ratio has an exact interval and a mid-P one; the other methods are of one rate only.
        ratio_method = "mid-p" if options.method == "mid-p" else "exact"
        compared = compare_counts(
            options.count,
            options.feeds,
            *options.versus,
            method=options.method,
            ratio_method=ratio_method,
            difference_method=options.difference or "newcombe",
            confidence=options.confidence,
        )
        sentence = compared.sentence()
        answer |= {
            "versus_count": compared.second.count,
            "versus_feeds": compared.second.feeds,
            "versus_rate": compared.second.rate,
            "ratio": compared.ratio,
            "ratio_low": compared.ratio_low,
            "ratio_high": shared.finite(compared.ratio_high),
            "ratio_method": f"conditional {compared.ratio_method}",
            "difference": compared.difference,
            "difference_low": compared.difference_low,
            "difference_high": compared.difference_high,
            "difference_method": compared.difference_method,
            "p_value": compared.p_value,
        }
    if options.json:
        shared.print_json(answer, sentence=sentence, account=None)
    else:
        print(sentence)
    return 0
