"""Take log files into the store."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands import options as shared
from dashboard.commands import sentence

if TYPE_CHECKING:
    from analysis.taking_in import Intake, Taken, Watch

#: Problems shown on a terminal for one file; all are in the rejects file and in the JSON.
_SHOWN = 20
#: Files up to these bytes are read before anybody looks at a bar.
_SLOW_BYTES = 20_000_000


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="CSV files of any of the kinds")
    shared.add_store(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Take the files in and print the account of each."""
    from analysis import taking_in

    with watching(options.command) as watch:
        intake = taking_in.add(shared.store_folder(options), shared.files(options), watch=watch)
    return say(intake, options)


@contextmanager
def watching(command: str) -> Iterator[Watch]:
    """Show on a terminal how far a file has been read, and say when another writer is waited for.

    All of it goes to standard error; a bar only where that is a terminal.
    """
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

    from analysis.taking_in import Watch

    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        DownloadColumn(),
        TimeRemainingColumn(),
    )
    bar = Progress(*columns, console=console, transient=True, disable=not console.is_terminal)

    def begins(name: str) -> Callable[[int, int], None]:
        task = bar.add_task(Path(name).name, total=None)

        def told(done: int, size: int) -> None:
            # A file that is read at once needs no bar.
            bar.update(task, completed=done, total=size, visible=size > _SLOW_BYTES)

        return told

    def waits() -> None:
        print(
            f"feedtally {command}: another process is writing to the store; waiting for it.",
            file=sys.stderr,
        )

    with bar:
        yield Watch(begins, waits)


def say(intake: Intake, options: argparse.Namespace) -> int:
    """Print what became of the files; return the exit code."""
    refused = [taken for taken in intake.files if taken.error]
    if len(intake.files) == 1 and refused:
        print(f"feedtally {options.command}: {refused[0].sentence()}", file=sys.stderr)
        return 2
    if options.json:
        shared.print_json(
            {"files": [_json(taken) for taken in intake.files], "zone": intake.zone},
            sentence=intake.sentence(),
            account=intake.account,
        )
    else:
        for taken in intake.files:
            _print(taken, intake.stored)
        print(f"Times without an offset are taken to be in the zone {intake.zone}.")
    if refused:
        return 2
    return 1 if any(taken.account and taken.account.rejected for taken in intake.files) else 0


def _json(taken: Taken) -> dict[str, object]:
    entry: dict[str, object] = {
        "file": taken.file,
        "kind": taken.kind or None,
        "warnings": list(taken.warnings),
        "intake": taken.account.intake if taken.account else None,
        "rejects_file": taken.rejects_file,
        "problems": [
            {"line": p.line, "column": p.column, "reason": p.reason} for p in taken.problems
        ],
    }
    account = taken.account
    for key, name in (("read", "lines"), ("added", "added"), ("corrected", "corrected")):
        entry[key] = getattr(account, name) if account else 0
    for name in ("known", "rejected", "rows_added", "rows_corrected"):
        entry[name] = getattr(account, name) if account else 0
    if taken.error:
        entry["error"] = taken.error
    return entry


def _print(taken: Taken, stored: bool) -> None:
    print(taken.sentence())
    for warning in taken.warnings:
        print(f"  note: {sentence(warning)}")
    for problem in taken.problems[:_SHOWN]:
        print(f"  line {problem.line}: {sentence(problem.reason)}")
    if len(taken.problems) > _SHOWN:
        print(f"  and {len(taken.problems) - _SHOWN:,} more.")
    if taken.rejects_file:
        print(f"  The rejected lines are in {taken.rejects_file}; mend them there and add it.")
    elif taken.problems and not stored:
        print("  Nothing was stored; mend these lines, or add the file to take the others.")
