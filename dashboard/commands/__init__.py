"""The ``feedtally`` command: one module for each subcommand.

Everything heavy is imported inside the subcommand that needs it, so that help is there at once.
"""

from __future__ import annotations

import argparse
import importlib
import io
import os
import re
import sys
from collections.abc import Sequence
from typing import NoReturn

from analysis import __version__

#: Subcommands in the order of the help, each with what it does.
COMMANDS = {
    "demo": "serve the pages on a sample log, made at the first start",
    "add": "take log files into the store",
    "check": "say what add would do, and store nothing",
    "history": "what became of a run, or every intake",
    "undo": "take one intake back, which loses nothing",
    "sheet": "a tally sheet to print, for one tower",
    "rates": "fault rates of any groups, with their ranges",
    "compare": "each tower and bin against its burn-in or another benchmark",
    "conditions": "what paper, air and settings do, and what is behind a change of the rate",
    "settings": "which settings ran a stock clean, what to try next, and its card to print",
    "believe": "whether the log can be believed, and what to ask",
    "drift": "which bin or tower is getting worse, since when, and by how much",
    "causes": "what is likely behind faults of a bin or a tower, what to check or swap first",
    "parts": "what is wearing, what to order and by when, and whether services helped",
    "costs": "what faults cost, by tower, bin, stock and kind, and which bin costs most",
    "overs": "how many spare sheets a job needs, so that 95 % of such jobs finish",
    "export": "write the log, or counts of any groups, as CSV or Parquet",
    "plan": "how long an acceptance test must run; needs no store unless it is kept",
    "judge": "whether a tower passes its burn-in, and what that proved",
    "report": "an acceptance certificate, a week on one page, or the parts list, to print",
    "interval": "what X faults in N feeds prove, or how two counts compare; needs no store",
    "site": "check the site file: time zone, form of dates, headers, settings, standard",
    "store": "say whether the store is whole, or copy it",
    "serve": "serve the pages of a store, on this machine or to users who sign in",
    "user": "who may sign in where the pages are served beyond this machine",
}


class UsageError(Exception):
    """Wrong usage or unreadable input; the message says what to do."""


class Parser(argparse.ArgumentParser):
    """A parser whose complaint is one sentence."""

    def error(self, message: str) -> NoReturn:
        """Print what is wrong on standard error and leave with 2."""
        chosen = re.match(
            r"argument (\S+): invalid choice: '?(.*?)'? \(choose from (.*)\)", message
        )
        if chosen:
            words = chosen[3].replace("'", "")
            message = f"{chosen[1]} is {chosen[2]}; write one of {words}"
        message = re.sub(r"^argument ", "", message)
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        As on the command line, without the program's name; by default the command line's own.

    Returns
    -------
    int
        0 done, 1 rejected lines or a damaged store, 2 wrong usage or unreadable input.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):
        # A file's name may hold what the terminal's encoding does not.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    parser = Parser(
        prog="feedtally",
        description="Honest fault rates from the run logs of sheet-collating towers.",
        epilog="Each command has a help of its own: feedtally COMMAND --help",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"feedtally {__version__}")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)
    chosen = next((word for word in words if word in COMMANDS), None)
    for name, about in COMMANDS.items():
        # Help is a format of its own to argparse, where a percent sign must be doubled.
        subparser = subparsers.add_parser(
            name, help=about.replace("%", "%%"), description=_capital(about)
        )
        if name == chosen:
            importlib.import_module(f"dashboard.commands.{name}").configure(subparser)
    options = parser.parse_args(words)
    if options.command is None:
        parser.print_help()
        return 0
    try:
        done = int(options.run(options))
        # A short answer is written here only; at exit nobody could catch that the reader is gone.
        sys.stdout.flush()
        return done
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        return _nobody_reads()
    except SystemExit as left:
        # Tables are written by rich, which leaves with 1 for a pipe that was closed.
        if isinstance(left.__context__, BrokenPipeError):
            return _nobody_reads()
        raise
    except Exception as error:
        code = _exit_code(error)
        if code is None:
            raise
        print(f"feedtally {options.command}: {sentence(str(error))}", file=sys.stderr)
        return code


def _nobody_reads() -> int:
    """Return the exit code where the reader (head, a pager) has seen enough."""
    # Keeps Python from complaining at exit.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def _capital(text: str) -> str:
    return text[0].upper() + text[1:] + "."


def sentence(text: str) -> str:
    """End a text as a sentence."""
    return text if text.endswith((".", "?")) else text + "."


def _exit_code(error: Exception) -> int | None:
    """Return the exit code of what the user can mend; None for a mistake of the program's own."""
    from analysis.filters import FilterError
    from analysis.patterns import PatternsError
    from analysis.plans import PlanError
    from analysis.site import SiteError
    from analysis.snapshot import DamagedStoreError, StoreError

    if isinstance(error, DamagedStoreError):
        return 1
    known = UsageError | FilterError | PatternsError | PlanError | StoreError | SiteError
    return 2 if isinstance(error, known) else None
