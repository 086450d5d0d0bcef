"""Say what taking log files in would do, and store nothing."""

from __future__ import annotations

import argparse

from dashboard.commands import add
from dashboard.commands import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes: those of ``add``."""
    add.configure(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Check the files and print the account that each would have."""
    from analysis import taking_in

    with add.watching(options.command) as watch:
        intake = taking_in.check(shared.store_folder(options), shared.files(options), watch=watch)
    return add.say(intake, options)
