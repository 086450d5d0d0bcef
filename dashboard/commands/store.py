"""Say whether the store is whole, and copy it."""

from __future__ import annotations

import argparse
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands import Parser, sentence
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.health import Health


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    actions = parser.add_subparsers(
        dest="action", metavar="ACTION", required=True, parser_class=Parser
    )
    about = "say whether every row and every file of the store is as it was written"
    check = actions.add_parser("check", help=about, description=f"{about.capitalize()}.")
    check.add_argument(
        "--set-aside",
        action="store_true",
        help="move damaged files into the store's folder damaged, so that all else can be read",
    )
    about = "copy the store while nothing is written to it, and check the copy"
    backup = actions.add_parser("backup", help=about, description=f"{about.capitalize()}.")
    backup.add_argument("to", metavar="TO", help="a folder that is not there yet")
    for action, work in ((check, run_check), (backup, run_backup)):
        shared.add_store(action)
        shared.add_json(action)
        action.set_defaults(run=work)


def run_check(options: argparse.Namespace) -> int:
    """Check the store; 1 when it is damaged."""
    from analysis.kept_plans import kept_plans
    from analysis.snapshot import DamagedStoreError
    from analysis.store import Store

    health = Store(shared.store_folder(options)).check(set_aside=options.set_aside)
    try:
        kept_plans(shared.store_folder(options))
    except DamagedStoreError as error:
        health = replace(health, problems=(*health.problems, str(error)))
    return _say(health, options, health.sentence())


def run_backup(options: argparse.Namespace) -> int:
    """Copy the store; 1 when it is damaged, and the copy with it."""
    from analysis.store import Store

    to = Path(options.to).expanduser()
    health = Store(shared.store_folder(options)).backup(to)
    told = f"The copy is in {to}; it is used with --store {to}. {health.sentence()}"
    return _say(health, options, told)


def _say(health: Health, options: argparse.Namespace, told: str) -> int:
    from analysis.words import many

    if options.json:
        answer = {**asdict(health), "sound": health.sound}
        shared.print_json(answer, sentence=told, account=None)
        return 0 if health.sound else 1
    print(told)
    for found in health.damaged:
        print(f"  {found.file}: {sentence(found.reason)}")
    for problem in health.problems:
        print(f"  {sentence(problem)}")
    if health.damaged and not health.set_aside:
        print("  Copy the folder first; then feedtally store check --set-aside makes all else")
        print("  readable.")
    for lost in health.missing:
        rows = many(lost.rows, "row")
        print(
            f"  {rows} of intake {lost.intake} ({lost.file}): add the file again to restore them."
        )
    return 0 if health.sound else 1
