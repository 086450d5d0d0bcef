"""Make a tally sheet to print."""

from __future__ import annotations

import argparse
from pathlib import Path

from dashboard.commands import UsageError
from dashboard.commands import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument("--tower", required=True, metavar="T", help="which tower it is for")
    parser.add_argument(
        "--to", metavar="FILE", help="the PDF to write (tally-<tower>.pdf here when absent)"
    )
    parser.add_argument(
        "--bins",
        type=_bins,
        metavar="NUMBER",
        help="of a tower whose number of bins no tower list gives (10 when absent); needed for "
        "one that neither a list nor the log names",
    )
    shared.add_store(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def _bins(text: str) -> int:
    from analysis.log_format import MOST_BINS

    if not text.isdecimal() or not 1 <= int(text) <= MOST_BINS:
        raise argparse.ArgumentTypeError(f"{text} is no number of bins from 1 to {MOST_BINS}")
    return int(text)


def run(options: argparse.Namespace) -> int:
    """Write the sheet and say where it is."""
    from analysis.counts import LogScan
    from analysis.snapshot import empty_snapshot
    from analysis.store import Store
    from analysis.store_format import is_store
    from analysis.words import many
    from dashboard.reports import pen, sheet

    folder = shared.store_folder(options)
    if not is_store(folder) and options.bins is None:
        raise UsageError(
            f"there is no store in {folder}, so no tower is known yet; write a tower list, a CSV "
            f"file with the columns tower and bins, and add it: feedtally add FILE --store {folder}"
            "; or say how many bins the tower has with --bins"
        )
    scan = LogScan(Store(folder).snapshot() if is_store(folder) else empty_snapshot())
    try:
        made = sheet.sheet_of(scan, options.tower, options.bins, shared.site(options))
    except (sheet.UnknownTowerError, sheet.BinsError) as error:
        raise UsageError(str(error)) from None
    path = Path(options.to).expanduser() if options.to else Path(sheet.file_name(made.tower))
    _write(path, sheet.pdf(made))
    told = f"The tally sheet of tower {made.tower} is in {path}; it has "
    told += f"{many(len(made.bins), 'bin')}."
    if not pen.can_write(made.tower):
        told += " Its type lacks letters of the tower's name: write that by hand."
    if options.json:
        shared.print_json(
            {"tower": made.tower, "file": str(path), "bins": list(made.bins)},
            sentence=told,
            account=None,
        )
    else:
        print(told)
    return 0


def _write(path: Path, content: bytes) -> None:
    try:
        # A slip of the pen must not cost a log.
        if path.exists() and path.read_bytes()[:5] not in (b"%PDF-", b""):
            raise UsageError(f"{path} is there already and no PDF; name another file with --to")
        path.write_bytes(content)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise UsageError(
            f"{path} cannot be written ({str(reason).lower()}); name another file with --to"
        ) from None
