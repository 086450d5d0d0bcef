"""Say how many spare sheets a job needs."""

from __future__ import annotations

import argparse

from dashboard.commands import UsageError
from dashboard.commands import options as shared

#: How spare sheets are reckoned.
METHOD = "beta-binomial"

#: A job of more sets is a slip of the pen.
_MOST_SETS = 100_000_000


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument("--stock", required=True, metavar="S", help="paper of the job, its code")
    parser.add_argument(
        "--sets", required=True, type=_sets, metavar="N", help="how many sets the job has"
    )
    parser.add_argument("--tower", default="", metavar="T", help="where it runs (any when absent)")
    parser.add_argument(
        "--bins",
        type=_bins,
        metavar="N",
        help="how many bins carry the paper (as many as mostly do when absent)",
    )
    parser.add_argument(
        "--chance",
        type=_chance,
        default=0.95,
        metavar="SHARE",
        help="share of such jobs that is to finish, from 0.5 to 0.999 (0.95 when absent)",
    )
    shared.add_filters(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def _sets(text: str) -> int:
    return _whole(text, "sets", _MOST_SETS, "5000")


def _bins(text: str) -> int:
    from analysis.log_format import MOST_BINS

    return _whole(text, "bins", MOST_BINS, "8")


def _whole(text: str, what: str, most: int, such: str) -> int:
    try:
        value = int(text)
    except ValueError:
        value = 0
    if not 1 <= value <= most:
        raise argparse.ArgumentTypeError(
            f"{text} is no number of {what} from 1 to {most:,}; write it like {such}"
        )
    return value


def _chance(text: str) -> float:
    value = shared.number(text)
    if not 0.5 <= value <= 0.999:
        raise argparse.ArgumentTypeError(f"{text} is no share from 0.5 to 0.999, such as 0.95")
    return value


def run(options: argparse.Namespace) -> int:
    """Print the spare sheets of each bin, and what comes on top."""
    for column in ("stock", "tower"):
        if any(text.partition("=")[0].strip().lower() == column for text in options.where):
            raise UsageError(f"--where takes no {column} here; name it with --{column}")
    from analysis import answers

    with shared.scan(options) as (scan, _):
        result = answers.overs(
            scan,
            options.stock,
            options.sets,
            tower=options.tower,
            bins=options.bins,
            chance=options.chance,
            filters=shared.filters(options),
            site=shared.site(options),
        )
    stood = shared.as_of_sentence(options)
    if options.json:
        ready = result.make_ready
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "method": METHOD,
                "stock": result.stock,
                "sets": result.sets,
                "tower": result.tower or None,
                "bins": result.bins,
                "chance": result.chance,
                "spare_sheets_per_bin": result.each,
                "spare_sheets": result.each * result.bins,
                "finish": result.finish,
                "spare_sheets_one_bin": result.single,
                "spare_sheets_one_pile": result.together,
                "sets_spoiled": result.spoiled,
                "spoiled_share": result.spoiled_share,
                "rate": result.rate,
                "low": result.low,
                "high": result.high,
                "variance": result.variance,
                "between_bins": result.between_bins,
                "count": result.count,
                "feeds": result.feeds,
                "runs": result.runs,
                "rests_on": result.rests_on,
                "make_ready": {
                    "runs": ready.runs,
                    "median": ready.median,
                    "high": ready.high,
                }
                if ready
                else None,
            },
            sentence=stood + result.sentence(),
            account=result.account,
        )
        return 0
    print(stood + result.sentence())
    print(result.apart())
    print(f"This rests on {result.evidence()}")
    return 0
