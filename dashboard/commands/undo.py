"""Take one intake back."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from dashboard.commands import UsageError
from dashboard.commands import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument(
        "intake", metavar="INTAKE", help="its number, as add and feedtally history give it"
    )
    shared.add_store(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Take the intake back and say what that did."""
    if not options.intake.isdecimal() or len(options.intake) > 15:
        raise UsageError(f"{options.intake} is no number of an intake; see feedtally history")
    from analysis import taking_in

    done, account = taking_in.undo(shared.store_folder(options), int(options.intake))
    if options.json:
        shared.print_json(asdict(done), sentence=done.sentence(), account=account)
    else:
        print(done.sentence())
    return 0
