"""Write a report to print: so far the acceptance certificate."""

from __future__ import annotations

import argparse
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands import Parser, UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from analysis.acceptance import Judgement

#: What a report's file can be, by the end of its name.
FORMATS = {".html": "html", ".htm": "html", ".pdf": "pdf"}


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    reports = parser.add_subparsers(
        dest="report", metavar="REPORT", required=True, parser_class=Parser
    )
    about = "the certificate of a tower's burn-in, to print and sign; interim while it goes on"
    made = reports.add_parser("acceptance", help=about, description=f"{about.capitalize()}.")
    shared.add_judged(made)
    made.add_argument("--out", required=True, metavar="FILE", help="ends in .html or .pdf")
    made.add_argument("--replace", action="store_true", help="write over a file that is there")
    shared.add_scan(made)
    shared.add_json(made)
    made.set_defaults(run=run_acceptance)


def run_acceptance(options: argparse.Namespace) -> int:
    """Write the certificate and say where it is; 1 when the tower fails."""
    path = Path(options.out).expanduser()
    form = _form(path, replace=options.replace)
    from dashboard.reports import certificate

    with shared.scan(options) as (scan, _):
        judgement = shared.judged(options, scan)
        stood = shared.as_of_json(options, scan)
    as_of = options.as_of.strip()
    if form == "pdf":
        content = certificate.pdf(judgement, as_of=as_of)
    else:
        content = certificate.html(judgement, as_of=as_of).encode()
    _write(path, content)
    told = shared.as_of_sentence(options) + _told(judgement, path, form)
    if options.json:
        shared.print_json(
            {
                **stood,
                "tower": judgement.burn_in.tower,
                "proof": judgement.burn_in.name or None,
                "verdict": judgement.verdict,
                "fingerprint": judgement.burn_in.fingerprint,
                "file": str(path),
                "format": form,
            },
            sentence=told,
            account=judgement.account,
        )
    else:
        print(told)
    return 1 if judgement.verdict == "fail" else 0


def _told(judgement: Judgement, path: Path, form: str) -> str:
    from dashboard.reports import certificate

    what = certificate.called(judgement)
    told = f"The {what} of the {judgement.name} is in {path}: {judgement.sentence()}"
    if form == "pdf" and not certificate.can_write(judgement):
        told += " Its type lacks letters of some names, which an .html file has."
    return told


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


def _unwritten(path: Path, error: Exception) -> UsageError:
    reason = getattr(error, "strerror", None) or error
    return UsageError(
        f"{path} cannot be written ({str(reason).lower()}); name another file with --out"
    )
