"""Options that several commands share, and how a command says its answer."""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis import __version__

if TYPE_CHECKING:
    from analysis.counts import Account
    from analysis.filters import Filters

METHODS = ("exact", "wilson", "jeffreys", "mid-p")
KINDS = ("misses", "doubles", "faults")


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


def add_filters(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which part of the log is meant."""
    parser.add_argument(
        "--kind", choices=KINDS, default="faults", help="of fault (both kinds when absent)"
    )
    parser.add_argument("--since", default="", metavar="WHEN", help="first day or moment")
    parser.add_argument("--until", default="", metavar="WHEN", help="last day or moment, included")
    parser.add_argument(
        "--where",
        action="append",
        default=[],
        metavar="COLUMN=VALUE",
        help="only these rows; the same column twice means either, no value means not logged",
    )


def confidence(text: str) -> float:
    """Read a confidence; below a half, a range would promise to be wrong."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
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


def filters(options: argparse.Namespace) -> Filters:
    """Return the filters that the options give."""
    from analysis.filters import parse_filters

    return parse_filters(
        since=options.since, until=options.until, where=options.where, kind=options.kind
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
