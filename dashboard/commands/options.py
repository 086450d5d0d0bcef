"""Options that several commands share, and how a command says its answer."""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import os
import re
import sys
import zoneinfo
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis import __version__
from dashboard.commands import UsageError, sentence

if TYPE_CHECKING:
    from analysis.acceptance import Judgement
    from analysis.counts import Account, LogScan
    from analysis.filters import Filters
    from analysis.site import Site
    from analysis.snapshot import Snapshot

METHODS = ("exact", "wilson", "jeffreys", "mid-p")
KINDS = ("misses", "doubles", "faults")
ENGINES = ("duckdb", "dask")


def add_store(parser: argparse.ArgumentParser) -> None:
    """Add ``--store``."""
    parser.add_argument(
        "--store",
        metavar="DIR",
        help="the store's folder (else FEEDTALLY_STORE, else one in your data folder)",
    )


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add ``--json``."""
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def add_interval(parser: argparse.ArgumentParser) -> None:
    """Add the options of an interval."""
    parser.add_argument(
        "--method", choices=METHODS, default="exact", help="of the interval (exact when absent)"
    )
    _add_confidence(parser)


def _add_confidence(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--confidence",
        type=confidence,
        default=0.95,
        metavar="SHARE",
        help="of the interval, from 0.5 to below 1 (0.95 when absent)",
    )


def add_ratio(parser: argparse.ArgumentParser) -> None:
    """Add the options of a ratio's interval."""
    parser.add_argument(
        "--method",
        choices=("exact", "mid-p"),
        default="exact",
        help="of the ratio's interval (exact when absent)",
    )
    _add_confidence(parser)


def add_as_of(parser: argparse.ArgumentParser) -> None:
    """Add ``--as-of``."""
    parser.add_argument(
        "--as-of",
        default="",
        metavar="WHEN",
        help="the log as it stood then: a day (its end) or a moment on the site's clock, or "
        "with an offset; later intakes do not count",
    )


def add_scan(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which log is asked, as it stood when, and what scans it."""
    add_store(parser)
    add_as_of(parser)
    parser.add_argument(
        "--engine",
        choices=ENGINES,
        default=ENGINES[0],
        help="what scans the log: duckdb in this process (when absent), or the workers of a dask "
        "cluster, that of DASK_SCHEDULER_ADDRESS or else processes on this machine",
    )


def add_kind(parser: argparse.ArgumentParser) -> None:
    """Add ``--kind``."""
    parser.add_argument(
        "--kind", choices=KINDS, default="faults", help="of fault (both kinds when absent)"
    )


def add_filters(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which part of the log is meant."""
    parser.add_argument("--since", default="", metavar="WHEN", help="first day or moment")
    parser.add_argument("--until", default="", metavar="WHEN", help="last day or moment, included")
    parser.add_argument(
        "--where",
        action="append",
        default=[],
        metavar="COLUMN=VALUE",
        help="only these rows; the same column twice means either, no value means not logged",
    )


def add_judged(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which burn-in is judged, and by what."""
    parser.add_argument("--tower", required=True, metavar="T", help="which tower was proved")
    parser.add_argument("--proof", metavar="NAME", help="which burn-in (the latest when absent)")
    for kind in KINDS[:2]:
        parser.add_argument(
            f"--{kind}",
            type=two_rates,
            metavar="GOOD,BAD",
            help=f"rates of {kind} per feed to judge by (else those kept for it, else the usual)",
        )
    parser.add_argument(
        "--single", action="store_true", help="judge by single plans, once their feeds are in"
    )


def judged(options: argparse.Namespace, scan: LogScan) -> Judgement:
    """Judge the burn-in that the options of `add_judged` mean, by the plans kept by then."""
    from analysis import answers
    from analysis.kept_plans import kept_plans

    kept = kept_plans(store_folder(options))
    if options.as_of:
        moment = as_of(options)
        kept = tuple(plan for plan in kept if plan.kept_at <= moment)
    rates = {kind: getattr(options, kind) for kind in KINDS[:2]}
    return answers.judge(
        scan,
        options.tower,
        proof=options.proof,
        kept=kept,
        rates={kind: pair for kind, pair in rates.items() if pair},
        single=options.single,
        site=site(options),
    )


def two_rates(text: str) -> tuple[float, float]:
    """Read a good and a bad rate."""
    try:
        good, bad = map(float, text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text} is no pair of rates; write the good and the bad one, such as 3e-5,1e-4"
        ) from None
    return good, bad


def number(text: str) -> float:
    """Read a number; it is NaN where the text is none."""
    try:
        return float(text)
    except ValueError:
        return math.nan


def confidence(text: str) -> float:
    """Read a confidence; below a half, a range would promise to be wrong."""
    value = number(text)
    if not 0.5 <= value < 1:
        raise argparse.ArgumentTypeError(f"{text} is no share from 0.5 to below 1, such as 0.95")
    return value


def store_folder(options: argparse.Namespace) -> Path:
    """Return the folder of the store that is meant."""
    named = options.store or os.environ.get("FEEDTALLY_STORE")
    if named:
        return Path(named).expanduser()
    import platformdirs

    return Path(platformdirs.user_data_dir("feedtally", appauthor=False)) / "store"


def site(options: argparse.Namespace) -> Site:
    """Return what the site file of the store says."""
    from analysis.site import read_site

    return read_site(store_folder(options))


@contextmanager
def scan(options: argparse.Namespace) -> Iterator[tuple[LogScan, Snapshot]]:
    """Open the log that the options of `add_scan` mean, and close what runs its scans.

    A command without ``--engine`` scans in this process. Where ``--where`` asked for what the log
    never had, that is said on standard error beside the answer.
    """
    from analysis import answers, engine
    from analysis.counts import LogScan
    from analysis.filters import FilterError
    from analysis.store import Store

    moment = as_of(options) if options.as_of else None
    snapshot = Store(store_folder(options)).snapshot(moment)
    with engine.opened(getattr(options, "engine", ENGINES[0]), snapshot) as opened:
        log = LogScan(snapshot, opened)
        yield log, snapshot
        if getattr(options, "where", ()):
            try:
                answers.check_values(log, filters(options))
            except FilterError as error:
                print(f"feedtally {options.command}: {sentence(str(error))}", file=sys.stderr)


def as_of(options: argparse.Namespace) -> dt.datetime:
    """Read the moment of ``--as-of``; a day is meant to its end."""
    text = options.as_of.strip()
    zone = site(options).zone
    try:
        try:
            moment = dt.datetime.combine(dt.date.fromisoformat(text), dt.time.max)
        except ValueError:
            moment = dt.datetime.fromisoformat(text)
        if moment.tzinfo is None and zone:
            moment = moment.replace(tzinfo=zoneinfo.ZoneInfo(zone))
        # An hour and a minute last to their ends, and so does a second, as history shows them.
        clock = text.partition("T")[2] or text.partition(" ")[2]
        short = re.fullmatch(r"\d{2}(:?\d{2})?([+-].*|Z)?", clock)
        if short:
            minute = moment.minute if short[1] else 59
            moment = moment.replace(minute=minute, second=59, microsecond=999_999)
        elif clock and "." not in clock:
            moment = moment.replace(microsecond=999_999)
        # Without a site file a time without an offset is that of this machine's zone.
        return moment.astimezone(moment.tzinfo)
    except (ValueError, OverflowError, OSError):
        raise UsageError(
            f"--as-of is {text}; write a day or a moment, like 2031-04-03 or 2031-04-03T08:05"
        ) from None


def as_of_sentence(options: argparse.Namespace) -> str:
    """Return what stands before an answer from the log as it stood; nothing without a moment."""
    return f"As the log stood on {options.as_of.strip()}: " if options.as_of else ""


def as_of_json(options: argparse.Namespace, scan: LogScan) -> dict[str, object]:
    """Return what the JSON says of the moment: ``as_of``, and the last intake that counts."""
    if not options.as_of:
        return {}
    return {"as_of": as_of(options).isoformat(), "intake": scan.intake or None}


def filters(options: argparse.Namespace) -> Filters:
    """Return the filters that the options give."""
    from analysis.filters import parse_filters

    return parse_filters(
        since=options.since,
        until=options.until,
        where=options.where,
        kind=getattr(options, "kind", KINDS[-1]),
    )


def files(options: argparse.Namespace) -> list[Path]:
    """Return the files named, each once."""
    return list(dict.fromkeys(Path(name).expanduser() for name in options.files))


def print_json(answer: Mapping[str, Any], *, sentence: str, account: Account | None) -> None:
    """Print one JSON object with what every answer has."""
    whole = {
        "version": __version__,
        **answer,
        "sentence": sentence,
        "account": account_json(account),
    }
    # Plain ASCII is JSON in whatever encoding standard output has.
    json.dump(whole, sys.stdout, default=_plain, ensure_ascii=True, allow_nan=False)
    print()


def account_json(account: Account | None) -> dict[str, Any] | None:
    """Return an account under the words of the design."""
    if account is None:
        return None
    return {
        "rows": account.rows,
        "runs": account.runs,
        "feeds": account.feeds,
        "from": account.first,
        "to": account.last,
    }


def finite(value: float) -> float | None:
    """Return a number as JSON has it: none where it is infinite or no number."""
    return value if math.isfinite(value) else None


def print_table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], *, left: Sequence[str]
) -> None:
    """Print rows under their heads, numbers to the right and the named columns to the left."""
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in heads:
        table.add_column(head, justify="left" if head in left else "right")
    for row in rows:
        table.add_row(*row)
    console = Console(highlight=False, markup=False)
    if not console.is_terminal:
        console = Console(highlight=False, markup=False, width=200)
    console.print(table)


def _plain(value: object) -> object:
    if isinstance(value, dt.datetime):
        return value.replace(tzinfo=None).isoformat()
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"{type(value).__name__} has no form in JSON")
