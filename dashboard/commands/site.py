"""Check the site file, and say what it sets."""

from __future__ import annotations

import argparse
import dataclasses
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands import Parser, UsageError, sentence
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.site import Site
    from analysis.site_costs import Costs

#: Kinds of fault that a rate can be of.
KINDS = ("misses", "doubles", "faults")


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    actions = parser.add_subparsers(
        dest="action", metavar="ACTION", required=True, parser_class=Parser
    )
    about = (
        "say what a site file sets, and how many causes patterns.toml beside it adds, or all that "
        "is wrong with them"
    )
    check = actions.add_parser("check", help=about, description=f"{about.capitalize()}.")
    check.add_argument(
        "file", nargs="?", metavar="FILE", help="a site file (that of the store when absent)"
    )
    shared.add_store(check)
    shared.add_json(check)
    check.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print what the file sets, or its problems."""
    from analysis.patterns import PatternsError
    from analysis.site import NO_SITE, SITE_FILE, SiteError, read_site_file

    path = shared.store_folder(options) / SITE_FILE
    if options.file is not None:
        path = Path(options.file).expanduser()
    problems: list[str] = []
    errors: list[SiteError | PatternsError] = []
    site, causes = None, None
    try:
        site = read_site_file(path)
    except SiteError as error:
        errors.append(error)
        problems += [f"site file {path}: {problem}" for problem in error.problems]
    try:
        causes = _own_causes(path.parent)
    except PatternsError as error:
        errors.append(error)
        problems += [f"patterns {_patterns_file(path)}: {problem}" for problem in error.problems]
    if errors:
        if options.json:
            told = [problem for error in errors for problem in error.problems]
            present = site is not None or isinstance(errors[0], SiteError)
            _print_json(
                path, site or NO_SITE, str(errors[0]), tuple(told), present=present, causes=causes
            )
        else:
            for problem in problems:
                print(sentence(f"feedtally site: {problem}"), file=sys.stderr)
        return 2
    if site is None and options.file is not None:
        raise UsageError(f"there is no file {path}; name a site file, or leave it out")
    fine = f"The site file {path} has no problems."
    if site is None:
        fine = f"Nothing is set: there is no site file {path}; {_example()} is an example of one."
    if options.json:
        _print_json(path, site or NO_SITE, fine, (), present=site is not None, causes=causes)
    else:
        print(fine)
        if site is not None:
            _print(site)
        if causes is not None:
            added, instead = causes
            line = f"causes of your own: {added + instead} in {_patterns_file(path)}"
            print(line + (f"; {instead} in the place of known ones" if instead else ""))
    return 0


def _patterns_file(path: Path) -> Path:
    from analysis.patterns import PATTERNS_FILE

    return path.with_name(PATTERNS_FILE)


def _own_causes(folder: Path) -> tuple[int, int] | None:
    """Return how many causes a site adds, and how many stand for known ones; None without a file.

    Raises
    ------
    analysis.patterns.PatternsError
        When the file of them is wrong.
    """
    from analysis.patterns import PATTERNS_FILE, known_patterns, read_patterns

    found, known = read_patterns(folder), known_patterns()
    if not (folder / PATTERNS_FILE).exists():
        return None
    names = {(one.name, one.kind) for one in known}
    own = [one for one in found if one not in known]
    instead = sum((one.name, one.kind) in names for one in own)
    return len(own) - instead, instead


def _example() -> Path:
    import data_samples
    from analysis.site import SITE_FILE

    return data_samples.folder() / SITE_FILE


def _print_json(
    path: Path,
    site: Site,
    told: str,
    problems: tuple[str, ...],
    *,
    present: bool,
    causes: tuple[int, int] | None,
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
            "standard": {kind: site.standard.get(kind) for kind in KINDS},
            "false_alarms_per_tower_year": site.budget,
            "limits": {
                **{kind: site.limits.get(kind) for kind in KINDS},
                "times_new": site.limit_times,
            },
            "costs": {**dataclasses.asdict(site.costs), "currency": site.costs.currency or None},
            "parts": {
                name: {**dataclasses.asdict(note), "kind": note.kind or None}
                for name, note in site.parts.items()
            },
            "towers": {name: dataclasses.asdict(note) for name, note in site.towers.items()},
            "asked": list(site.asked),
            "assumed": _assumed(site),
            "causes": None if causes is None else {"added": causes[0], "in_place": causes[1]},
        },
        sentence=sentence(told),
        account=None,
    )


def _assumed(site: Site) -> dict[str, float]:
    """Return what is taken where the site says nothing, by the key that would say it."""
    from analysis.site import USUAL_BUDGET, USUAL_LIMIT_TIMES
    from analysis.site_costs import USUAL_COSTS

    found = {}
    if site.budget is None:
        found["false_alarms_per_tower_year"] = USUAL_BUDGET
    # Where both rates are set there is nothing that it would hold for.
    if site.limit_times is None and "faults" not in site.limits:
        found["limits.times_new"] = USUAL_LIMIT_TIMES
    return found | {f"costs.{name}": getattr(USUAL_COSTS, name) for name in site.costs.assumed}


def _print(site: Site) -> None:
    """Print what is set, a line for each key, and what is assumed where it is not."""
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
    rates = [f"{per_10k(site.standard[kind])} {kind}" for kind in KINDS if kind in site.standard]
    print(f"standard: {f'{listed(rates)} per 10,000 feeds' if rates else 'the usual one'}")
    for line in (*_limits(site), *_costs(site.costs), *_parts(site), *_towers(site), _asked(site)):
        print(line)
    if _assumed(site):
        print("What is assumed is common practice, without a source; set your own.")


def _number(value: float) -> str:
    """Write a number as it was set, not rounded."""
    return f"{value:,.12g}"


def _some(value: float, word: str) -> str:
    return f"{_number(value)} {word}{'' if value == 1 else 's'}"


def _limits(site: Site) -> Iterator[str]:
    from analysis.site import USUAL_BUDGET, USUAL_LIMIT_TIMES
    from analysis.words import per_10k

    budget = USUAL_BUDGET if site.budget is None else site.budget
    said = f"{_number(budget)} allowed for each tower and year"
    yield f"false alarms: {said}{', assumed' if site.budget is None else ''}"
    times = USUAL_LIMIT_TIMES if site.limit_times is None else site.limit_times
    new = f"{_number(times)} times as many as with a new part"
    new += ", assumed" if site.limit_times is None else ""
    for kind in KINDS:
        rate = site.limits.get(kind)
        yield f"limit of {kind}: {new if rate is None else f'{per_10k(rate)} per 10,000 feeds'}"
    if site.limit_times is not None and "faults" in site.limits:
        yield f"limit times_new: {_number(times)}; holds for nothing, since both rates are set"


def _costs(costs: Costs) -> Iterator[str]:
    money = f" {costs.currency}" if costs.currency else ""
    told = {
        "hour": "{money} for an hour of a tower with its crew",
        "stop_minutes": "{minutes} from a stop until it runs again",
        "mend_minutes": "{minutes} to mend a set by hand",
        "spoiled_set": "{money} for the paper and the print of a set",
        "spoiled_share": "{number} of the sets it stopped at, where the log does not say",
        "found_later": "{money} for a double that is found later",
    }
    yield f"currency: {costs.currency or 'not set'}"
    usual = costs.or_usual()
    for name, words in told.items():
        value = getattr(usual, name)
        line = words.format(
            money=_number(value) + money, minutes=_some(value, "minute"), number=_number(value)
        )
        yield f"cost {name}: {line}{', assumed' if name in costs.assumed else ''}"


def _parts(site: Site) -> Iterator[str]:
    for name, note in site.parts.items():
        told = [f"its wear shows in {note.kind}"] if note.kind else []
        if note.price is not None:
            told.append(f"price {_number(note.price)} {site.costs.currency}".rstrip())
        if note.lead_days is not None:
            told.append(f"{_some(note.lead_days, 'day')} from order to delivery")
        if note.fit_minutes is not None:
            told.append(f"{_some(note.fit_minutes, 'minute')} to fit")
        yield f"part {name}: {'; '.join(told) or 'nothing of it'}"
    if not site.parts:
        yield "parts: none"


def _towers(site: Site) -> Iterator[str]:
    from analysis.site_costs import EVERY_TOWER
    from analysis.values import nearest

    for name, note in sorted(site.towers.items(), key=lambda tower: tower[0] == EVERY_TOWER):
        told = [f"each bin has {', '.join(note.parts)}"] if note.parts else []
        told += [f"as a whole it has {', '.join(note.tower_parts)}"] if note.tower_parts else []
        if note.hours_per_week is not None:
            told.append(f"{_some(note.hours_per_week, 'hour')} a week")
        if note.cycles_per_hour is not None:
            told.append(f"{_some(note.cycles_per_hour, 'cycle')} an hour")
        for part in (*note.parts, *note.tower_parts):
            # It may be a slip that would go unseen.
            meant = "" if part in site.parts else nearest(part, frozenset(site.parts))
            told += [f"{part} has no table of its own, did you mean {meant}?"] if meant else []
        tower = f"tower {name}"
        if name == EVERY_TOWER:
            tower = "every other tower" if len(site.towers) > 1 else "every tower"
        yield f"{tower}: {'; '.join(told) or 'nothing of it'}"
    if not site.towers:
        yield "towers: none"


def _asked(site: Site) -> str:
    from analysis.site_entry import USUAL_ASKED

    assumed = ", assumed" if site.asked == USUAL_ASKED else ""
    return f"asked at the tower: {', '.join(site.asked) or 'nothing more'}{assumed}"
