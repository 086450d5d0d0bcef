"""Check the site file, and say what it sets."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands import Parser, UsageError, sentence
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.site import Site


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    actions = parser.add_subparsers(
        dest="action", metavar="ACTION", required=True, parser_class=Parser
    )
    about = "say what a site file sets, or everything that is wrong with it"
    check = actions.add_parser("check", help=about, description=f"{about.capitalize()}.")
    check.add_argument(
        "file", nargs="?", metavar="FILE", help="a site file (that of the store when absent)"
    )
    shared.add_store(check)
    shared.add_json(check)
    check.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print what the file sets, or its problems."""
    from analysis.site import NO_SITE, SITE_FILE, SiteError, read_site_file

    path = shared.store_folder(options) / SITE_FILE
    if options.file is not None:
        path = Path(options.file).expanduser()
    try:
        site = read_site_file(path)
    except SiteError as error:
        if options.json:
            _print_json(path, NO_SITE, str(error), error.problems, present=True)
        else:
            for problem in error.problems:
                told = sentence(f"feedtally site: site file {path}: {problem}")
                print(told, file=sys.stderr)
        return 2
    if site is None and options.file is not None:
        raise UsageError(f"there is no file {path}; name a site file, or leave it out")
    told = f"The site file {path} has no problems."
    if site is None:
        told = f"Nothing is set: there is no site file {path}; {_example()} is an example of one."
    if options.json:
        _print_json(path, site or NO_SITE, told, (), present=site is not None)
    else:
        print(told)
        if site is not None:
            _print(site)
    return 0


def _example() -> Path:
    import data_samples
    from analysis.site import SITE_FILE

    return data_samples.folder() / SITE_FILE


def _print_json(
    path: Path, site: Site, told: str, problems: tuple[str, ...], *, present: bool
) -> None:
    shared.print_json(
        {
            "file": str(path),
            "present": present,
            "problems": list(problems),
            "zone": site.zone or None,
            "date_form": site.date_form or None,
            "headers": dict(site.headers),
            "settings": {
                name: {"unit": setting.unit or None, "levels": list(setting.levels)}
                for name, setting in site.settings.items()
            },
            "standard": {kind: site.standard.get(kind) for kind in ("misses", "doubles", "faults")},
        },
        sentence=sentence(told),
        account=None,
    )


def _print(site: Site) -> None:
    """Print what is set, a line for each key."""
    from analysis.log_format import SETTINGS
    from analysis.values import nearest
    from analysis.words import listed, per_10k

    print(f"zone: {site.zone or 'not set'}")
    form = "not set; year-month-day alone is read"
    if site.date_form:
        day = site.date_form.replace("D", "3").replace("M", "4").replace("Y", "2031")
        form = f"{site.date_form}, so that {day} is 3 April 2031"
    print(f"date_form: {form}")
    for own, name in site.headers.items():
        print(f"header {own}: read as {name}")
    if not site.headers:
        print("headers: none of your own")
    for column, setting in site.settings.items():
        told = [f"unit {setting.unit}"] if setting.unit else []
        told += [f"levels in this order: {', '.join(setting.levels)}"] if setting.levels else []
        line = f"setting {column}: {'; '.join(told) or 'neither unit nor levels'}"
        if column not in SETTINGS:
            # As intake says of such a column; here it may be a slip that would go unseen.
            meant = nearest(column, frozenset(SETTINGS))
            line += f"; a setting of your own{f', did you mean {meant}?' if meant else ''}"
        print(line)
    if not site.settings:
        print("settings: none")
    rates = [
        f"{per_10k(site.standard[kind])} {kind}"
        for kind in ("misses", "doubles", "faults")
        if kind in site.standard
    ]
    print(f"standard: {f'{listed(rates)} per 10,000 feeds' if rates else 'the usual one'}")
