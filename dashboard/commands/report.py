"""Write a report to print: the acceptance certificate, a week's report, or the parts list."""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

from dashboard.commands import Parser, UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.counts import Account

#: What a report's file can be, by the end of its name.
FORMATS = {".html": "html", ".htm": "html", ".pdf": "pdf"}

#: What is said of a PDF that could not be written in full.
LACKING = " Its type lacks letters of some names, which an .html file has."


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    reports = parser.add_subparsers(
        dest="report", metavar="REPORT", required=True, parser_class=Parser
    )
    about = "the certificate of a tower's burn-in, to print and sign; interim while it goes on"
    made = _report(reports, "acceptance", about)
    shared.add_judged(made)
    _add_file(made)
    made.set_defaults(run=run_acceptance)
    about = "a week on one page: what changed, what it cost, what helped, what to do next"
    made = _report(reports, "weekly", about)
    made.add_argument(
        "--week", type=_day, metavar="DAY", help="any day of it (the log's last week when absent)"
    )
    _add_file(made)
    made.set_defaults(run=run_weekly)
    about = "the parts to order and to look at, to tick and sign; which services helped"
    made = _report(reports, "parts", about)
    _add_file(made)
    made.set_defaults(run=run_parts)


def _report(reports: Any, name: str, about: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = reports.add_parser(
        name, help=about, description=f"{about[0].upper()}{about[1:]}."
    )
    return made


def _add_file(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", required=True, metavar="FILE", help="ends in .html or .pdf")
    parser.add_argument("--replace", action="store_true", help="write over a file that is there")
    shared.add_scan(parser)
    shared.add_json(parser)


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text} is no day; write it as year-month-day, such as 2031-04-03"
        ) from None


def run_acceptance(options: argparse.Namespace) -> int:
    """Write the certificate and say where it is; 1 when the tower fails."""
    path = Path(options.out).expanduser()
    form = _form(path, replace=options.replace)
    from dashboard.reports import certificate

    with shared.scan(options) as (scan, _):
        judgement = shared.judged(options, scan)
        stood = shared.as_of_json(options, scan)
    lacking = _made(options, path, form, certificate, judgement)
    what = f"The {certificate.paper(judgement)} of the {judgement.name}"
    told = f"{what} is in {path}: {judgement.sentence()}{lacking}"
    found = {
        "report": "acceptance",
        "tower": judgement.burn_in.tower,
        "proof": judgement.burn_in.name or None,
        "verdict": judgement.verdict,
        "fingerprint": judgement.burn_in.fingerprint,
    }
    _say(options, {**stood, **found}, told, path, form, judgement.account)
    return 1 if judgement.verdict == "fail" else 0


def run_weekly(options: argparse.Namespace) -> int:
    """Write the report of a week and say where it is."""
    path = Path(options.out).expanduser()
    form = _form(path, replace=options.replace)
    from analysis import answers
    from analysis.patterns import read_patterns
    from dashboard.reports import weekly

    folder = shared.store_folder(options)
    with shared.scan(options) as (scan, _):
        made = answers.weekly(
            scan,
            options.week,
            site=shared.site(options),
            kept=folder / "kept",
            patterns=read_patterns(folder),
        )
        stood = shared.as_of_json(options, scan)
    lacking = _made(options, path, form, weekly, made)
    told = f"The weekly report is in {path}: {made.sentence()}{lacking}"
    found = {
        "report": "weekly",
        "first": made.first.isoformat(),
        "last": made.last.isoformat(),
        "began": len(made.began),
        "still": len(made.still),
        "ended": len(made.ended),
        "services": len(made.services),
        "orders": len(made.orders),
    }
    _say(options, {**stood, **found}, told, path, form, made.account)
    return 0


def run_parts(options: argparse.Namespace) -> int:
    """Write the parts list and say where it is."""
    path = Path(options.out).expanduser()
    form = _form(path, replace=options.replace)
    from analysis import answers
    from analysis.filters import Filters
    from dashboard.reports import parts_list

    with shared.scan(options) as (scan, _):
        made = answers.parts(scan, Filters(), site=shared.site(options))
        stood = shared.as_of_json(options, scan)
    lacking = _made(options, path, form, parts_list, made)
    told = f"The parts list is in {path}: {made.sentence()}{lacking}"
    found = {
        "report": "parts",
        "orders": len(parts_list.to_order(made)),
        "unknown": len(parts_list.unknown(made)),
    }
    _say(options, {**stood, **found}, told, path, form, made.account)
    return 0


def _form(path: Path, *, replace: bool) -> str:
    """Return what kind of file it is to be; refuse one that is not to be written."""
    form = FORMATS.get(path.suffix.lower())
    if form is None:
        raise UsageError(f"{path} ends neither in .html nor in .pdf; name a file that does")
    try:
        if path.is_dir():
            raise UsageError(f"{path} is a folder; name a file in it")
        if path.exists() and not replace:
            raise UsageError(f"{path} is there already; name another file, or add --replace")
    except (OSError, ValueError) as error:
        raise _unwritten(path, error) from None
    if not path.absolute().parent.is_dir():
        raise UsageError(f"there is no folder {path.absolute().parent}; make it first")
    return form


def _made(
    options: argparse.Namespace, path: Path, form: str, report: ModuleType, found: object
) -> str:
    """Write a report; return what is said of letters that a PDF lacks."""
    as_of = options.as_of.strip()
    if form == "pdf":
        content = report.pdf(found, as_of=as_of)
    else:
        content = report.html(found, as_of=as_of).encode()
    _write(path, content)
    return LACKING if form == "pdf" and not report.can_write(found) else ""


def _write(path: Path, content: bytes) -> None:
    """Write beside a file and put it in its place when all of it is there."""
    from analysis.spool import beside

    part = beside(path)
    try:
        try:
            part.write_bytes(content)
            part.replace(path)
        except BaseException:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
            raise
    except (OSError, ValueError) as error:
        raise _unwritten(path, error) from None


def _say(
    options: argparse.Namespace,
    found: Mapping[str, object],
    told: str,
    path: Path,
    form: str,
    account: Account | None,
) -> None:
    """Say where a report is."""
    told = shared.as_of_sentence(options) + told
    if options.json:
        written = {**found, "file": str(path), "format": form}
        shared.print_json(written, sentence=told, account=account)
    else:
        print(told)


def _unwritten(path: Path, error: Exception) -> UsageError:
    reason = getattr(error, "strerror", None) or error
    return UsageError(
        f"{path} cannot be written ({str(reason).lower()}); name another file with --out"
    )
