"""Show what became of a run, or every intake."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from dashboard.commands import UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.history import Change, Entry, Intakes, RunHistory
    from analysis.site import Site


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    parser.add_argument("--tower", metavar="T", help="with --run: what became of that run")
    parser.add_argument("--run", dest="of_run", metavar="R", help="as in the log")
    shared.add_as_of(parser)
    shared.add_store(parser)
    shared.add_json(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print every version of a run's rows, or all intakes, the last one first."""
    if (options.tower is None) != (options.of_run is None):
        raise UsageError(
            "a run is named within its tower: give both --tower and --run, or neither to see all "
            "intakes"
        )
    from analysis import history
    from analysis.filters import Filters

    with shared.scan(options) as (scan, snapshot):
        if options.of_run is None:
            listed = history.intakes(snapshot)
            account = scan.account(Filters())
        else:
            found = history.run_history(snapshot, options.tower, options.of_run)
            of_run = Filters().holding("tower", options.tower).holding("run", options.of_run)
            account = scan.account(of_run)
    stood, told = shared.as_of_json(options, scan), shared.as_of_sentence(options)
    site = shared.site(options)
    if options.of_run is None:
        if options.json:
            answer = {**stood, "intakes": [_entry(entry, site) for entry in listed.entries]}
            shared.print_json(answer, sentence=told + listed.sentence(), account=account)
        else:
            print(told + listed.sentence())
            _print_intakes(listed, site)
    elif options.json:
        shared.print_json(
            {**stood, **_run(found, site)}, sentence=told + found.sentence(), account=account
        )
    else:
        print(told + found.sentence())
        _print_run(found, site)
    return 0


def _entry(entry: Entry, site: Site) -> dict[str, object]:
    return {
        "intake": entry.intake,
        "taken_at": site.wall(entry.taken_at),
        "kind": entry.kind,
        "file": entry.file,
        "account": dict(entry.account),
        "zone": entry.zone or None,
        "undoes": entry.undoes,
        "undone_by": entry.undone_by,
        "stored": entry.stored,
    }


def _print_intakes(listed: Intakes, site: Site) -> None:
    from analysis.words import many

    rows = []
    for entry in listed.entries:
        account = entry.account
        if entry.undoes is not None:
            what = f"intake {entry.undoes} taken back"
            told = f"{many(account['taken_out'], 'row')} out, {account['rows_added']:,} again"
        else:
            what = entry.file
            told = (
                f"{account['added']:,} added, {account['corrected']:,} corrected, "
                f"{account['rejected']:,} rejected"
            )
        if not entry.stored and account.get("rows_added", 0) + account.get("rows_corrected", 0):
            told = "broken off, nothing stored"
        if entry.undone_by is not None:
            told += f"; taken back by {entry.undone_by}"
        when = site.wall(entry.taken_at).isoformat(" ", "seconds")
        rows.append((str(entry.intake), when, what, told))
    if rows:
        shared.print_table(
            ("intake", "taken in", "file", "lines"), rows, left=("taken in", "file", "lines")
        )


def _run(found: RunHistory, site: Site) -> dict[str, object]:
    return {
        "tower": found.tower,
        "run": found.run,
        "rows": [
            {
                "stretch": row.stretch,
                "bin": row.bin,
                "changes": [_change(change, site) for change in row.changes],
            }
            for row in found.rows
        ],
    }


def _change(change: Change, site: Site) -> dict[str, object]:
    return {
        "intake": change.intake,
        "taken_at": site.wall(change.taken_at),
        "file": change.file,
        "line": change.line,
        "what": change.what,
        "cycles": change.cycles,
        "misses": change.misses,
        "doubles": change.doubles,
        "changed": {name: list(pair) for name, pair in change.changed.items()},
    }


def _print_run(found: RunHistory, site: Site) -> None:
    rows = []
    for row in found.rows:
        place = (str(row.stretch), "?" if row.bin is None else str(row.bin))
        for change in row.changes:
            counts = [
                "-" if change.what == "taken out" else none if n is None else f"{n:,}"
                for n, none in (
                    # Without a bin there are no cycles; only counts can be off.
                    (change.cycles, ""),
                    (change.misses, "off"),
                    (change.doubles, "off"),
                )
            ]
            told = "; ".join(
                f"{name} {before or 'empty'} to {after or 'empty'}"
                for name, (before, after) in change.changed.items()
            )
            when = site.wall(change.taken_at).isoformat(" ", "seconds")
            source = f"{change.file}, line {change.line}" if change.line else change.file
            rows.append((*place, when, str(change.intake), change.what, *counts, source, told))
            place = ("", "")
    if rows:
        heads = ("stretch", "bin", "when", "intake", "what", "cycles", "misses", "doubles")
        shared.print_table(
            (*heads, "file", "changed"), rows, left=("when", "what", "file", "changed")
        )
