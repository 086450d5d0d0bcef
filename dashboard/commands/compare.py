"""Compare each tower and each bin with its benchmark."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING

from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.benchmark import BenchmarkResult, Placed


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument(
        "--against",
        choices=("burn-in", "settled", "standard"),
        default="burn-in",
        help="each tower's latest burn-in (when absent), the first 60 days of production after it, "
        "or a stated standard",
    )
    parser.add_argument(
        "--standard",
        type=_rate,
        metavar="RATE",
        help="the stated standard in faults per feed, with --against standard (that of the site "
        "file, else 3e-5 misses and 1.5e-5 doubles, when absent)",
    )
    parser.add_argument(
        "--margin",
        type=_margin,
        default=1.5,
        metavar="TIMES",
        help="how many times the benchmark still is as good (1.5 when absent)",
    )
    shared.add_kind(parser)
    shared.add_filters(parser)
    shared.add_ratio(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def _rate(text: str) -> float:
    value = shared.number(text)
    if not 0 < value < 1:
        raise argparse.ArgumentTypeError(f"{text} is no rate per feed, such as 3e-5")
    return value


def _margin(text: str) -> float:
    value = shared.number(text)
    if not 1 < value < math.inf:
        raise argparse.ArgumentTypeError(f"{text} is no number above 1, such as 1.5")
    return value


def run(options: argparse.Namespace) -> int:
    """Print a verdict with its ratio for each tower and bin."""
    from analysis import answers
    from dashboard.commands import UsageError

    if options.standard is not None and options.against != "standard":
        raise UsageError("--standard goes with --against standard; add that or leave it out")
    with shared.scan(options) as (scan, _):
        result = answers.compare(
            scan,
            shared.filters(options),
            against=options.against,
            standard=options.standard,
            margin=options.margin,
            confidence=options.confidence,
            method=options.method,
            site=shared.site(options),
        )
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "method": result.method,
                "confidence": result.confidence,
                "kind": result.kind,
                "margin": result.margin,
                "comparisons": [_json(placed) for placed in result.comparisons],
                "notes": list(result.notes),
            },
            sentence=shared.as_of_sentence(options) + result.sentence(),
            account=result.account,
        )
    else:
        _print(result, shared.as_of_sentence(options))
    return 0


def _json(placed: Placed) -> dict[str, object]:
    c = placed.comparison
    return {
        "tower": placed.tower,
        "bin": placed.bin,
        "kind": c.kind,
        "benchmark": c.benchmark,
        "count": c.count,
        "feeds": c.feeds,
        "benchmark_count": placed.own_count,
        "benchmark_feeds": placed.own_feeds,
        # A bin borrows strength from its tower: the rate it is held to is not its own count's.
        "borrowed_count": c.benchmark_count if placed.bin is not None else None,
        "borrowed_feeds": c.benchmark_feeds if placed.bin is not None else None,
        "benchmark_rate": c.benchmark_rate,
        "rate": c.rate,
        "ratio": c.ratio,
        "ratio_low": c.ratio_low,
        "ratio_high": shared.finite(c.ratio_high),
        "p_value": c.p_value,
        "p_adjusted": c.p_adjusted,
        "verdict": c.verdict,
        "feeds_to_settle": c.feeds_to_settle,
        "settling_feeds": c.settling_feeds,
        "sentence": c.sentence(),
    }


def _print(result: BenchmarkResult, stood: str) -> None:
    from analysis.words import per_10k, times_range, two_digits

    print(stood + result.sentence())
    if not result.comparisons:
        return
    rows = []
    for placed in result.comparisons:
        c = placed.comparison
        more = "" if c.feeds_to_settle in (0, None) else two_digits(float(c.feeds_to_settle or 0))
        if c.feeds_to_settle is None:
            more = "no number"
        rows.append(
            (
                placed.tower,
                "all" if placed.bin is None else str(placed.bin),
                "" if c.rate is None else per_10k(c.rate),
                "" if c.benchmark_rate is None else per_10k(c.benchmark_rate),
                "" if c.ratio is None else two_digits(c.ratio),
                times_range(c.ratio_low, c.ratio_high),
                c.verdict,
                more,
            )
        )
    shared.print_table(
        ("tower", "bin", "per 10,000", "benchmark", "times", "range", "verdict", "feeds needed"),
        rows,
        left=("tower", "verdict"),
    )
