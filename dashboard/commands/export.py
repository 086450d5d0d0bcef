"""Write the log, or counts of it, to a file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands import UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.log_format import Kind

LOGS: tuple[Kind, ...] = ("runs", "stocks", "services", "towers")


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument("file", metavar="FILE", help="ends in .csv or .parquet")
    parser.add_argument(
        "--by",
        metavar="COLUMNS",
        help="write feeds, misses and doubles by these columns, with commas between; without it "
        "the whole log is written, row by row",
    )
    parser.add_argument("--log", choices=LOGS, help="which log (the run log when absent)")
    parser.add_argument("--replace", action="store_true", help="write over a file that is there")
    shared.add_filters(parser)
    shared.add_scan(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write the file and say what is in it."""
    by = [name.strip().lower() for name in (options.by or "").split(",")]
    if options.by is not None and not all(by):
        raise UsageError(f"--by {options.by} names an empty column; write it as tower,bin")
    if options.by is not None and options.log:
        raise UsageError("--by counts the run log, and --log writes a log whole; give one of them")
    log: Kind = options.log or "runs"
    if log != "runs" and (options.since or options.until or options.where):
        raise UsageError(
            f"--since, --until and --where are for the run log; leave them out with --log {log}"
        )
    from analysis import export

    path = Path(options.file).expanduser()
    try:
        export.check_path(path, replace=options.replace)
        with shared.scan(options) as (scan, _):
            filters = shared.filters(options)
            if options.by is not None:
                done = export.export_counts(scan, path, by, filters, replace=options.replace)
            else:
                done = export.export_log(scan, path, log, filters, replace=options.replace)
    except export.ExportError as error:
        raise UsageError(str(error)) from None
    sentence = shared.as_of_sentence(options) + done.sentence()
    if options.json:
        shared.print_json(
            {
                **shared.as_of_json(options, scan),
                "file": str(done.file),
                "log": done.log or None,
                "by": list(done.by),
                "rows": done.rows,
                "columns": list(done.columns),
            },
            sentence=sentence,
            account=done.account,
        )
    else:
        print(sentence)
    return 0
