"""Files in, an account of every line out: what ``add`` and ``check`` and the log page do.

A file is read, set against the store, and taken in whole or not at all; its rejected lines are
written before anything is stored, so that no line is lost whatever happens between.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.counts import Account as LogAccount
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.intake import ParsedLog, Problem, RejectsFile, read_bytes, read_log, tell_kind
from analysis.log_format import KINDS
from analysis.records import NotALogError, decode, read_header
from analysis.store import Account, Store, StoreError, compare, empty_snapshot, is_store


@dataclass(frozen=True)
class Taken:
    """What became of one file.

    Attributes
    ----------
    file : str
        As it was named.
    kind : str
        Its kind, or nothing where it is no log.
    account : analysis.store.Account or None
        Read = added + corrected + known + rejected; None where the file was refused.
    problems : tuple of Problem
        Every problem of every rejected line.
    warnings : tuple of str
        What to know though nothing was refused.
    rejects_file : str or None
        Where the rejected lines were written.
    error : str
        Why the whole file was refused.
    """

    file: str
    kind: str = ""
    account: Account | None = None
    problems: tuple[Problem, ...] = ()
    warnings: tuple[str, ...] = ()
    rejects_file: str | None = None
    error: str = ""

    def sentence(self) -> str:
        """Say the account of the file in one line."""
        if self.account is None:
            return f"{self.file}: {self.error}."
        a = self.account
        line = "line" if a.lines == 1 else "lines"
        return (
            f"{self.file} ({KINDS[self.kind].title}): {a.lines:,} {line} read = "  # type: ignore[index]
            f"{a.added:,} added + {a.corrected:,} corrected + {a.known:,} already known + "
            f"{a.rejected:,} rejected."
        )


@dataclass(frozen=True)
class Intake:
    """What became of several files, in the order they were named.

    Attributes
    ----------
    files : tuple of Taken
        One each.
    account : analysis.counts.Account or None
        Of the whole store afterwards; None where there is no store yet.
    zone : str
        Zone in which times without an offset are taken to be.
    stored : bool
        Whether this was an `add`; a `check` stores nothing.
    """

    files: tuple[Taken, ...]
    account: LogAccount | None
    zone: str
    stored: bool

    def sentence(self) -> str:
        """Say what became of all files in one line."""
        good = [f.account for f in self.files if f.account is not None]
        refused = len(self.files) - len(good)
        would = "" if self.stored else "would be "
        parts = [
            f"{sum(a.added for a in good):,} {would}added",
            f"{sum(a.corrected for a in good):,} corrected",
            f"{sum(a.known for a in good):,} already known",
            f"{sum(a.rejected for a in good):,} rejected",
        ]
        lines = sum(a.lines for a in good)
        text = f"{lines:,} {'line' if lines == 1 else 'lines'} read: {', '.join(parts)}"
        if refused:
            text += f"; {refused} {'file was' if refused == 1 else 'files were'} refused whole"
        return text + "."


def machine_zone() -> str:
    """Return the name of the machine's time zone, as far as it says."""
    named = os.environ.get("TZ", "").lstrip(":")
    if named:
        return named
    link = Path("/etc/localtime")
    try:
        target = str(link.resolve())
        if "zoneinfo/" in target:
            return target.split("zoneinfo/", 1)[1]
    except OSError:
        pass
    return time.tzname[0]


@dataclass(frozen=True)
class Upload:
    """A file that came as bytes, not from a folder.

    Attributes
    ----------
    name : str
        What it was called where it came from: a label, never a path here.
    raw : bytes
        The whole file.
    """

    name: str
    raw: bytes


Offered = Path | Upload


def add(folder: Path, offered: Sequence[Offered]) -> Intake:
    """Take files into a store, which is made when it is not there.

    Parameters
    ----------
    folder : Path
        The store.
    offered : sequence of Path or Upload
        Log files of any kind; tower lists are taken first, since they say which bins there are.
        Rejected lines are written beside a file, and in the store's folder ``rejects`` for an
        upload or where the file's own folder cannot be written to.

    Returns
    -------
    Intake
        A file that is no log, or cannot be read, has its ``error``; the others are still taken.

    Raises
    ------
    StoreError
        When the store cannot be made, read or written.
    """
    taken: dict[Offered, Taken] = {}
    for offer in _lists_first(offered):
        try:
            taken[offer] = _take(folder, offer)
        except StoreError as error:
            # What was taken before it stays taken, and has to be told.
            if not any(done.account for done in taken.values()):
                raise
            taken[offer] = Taken(_label(offer), error=str(error))
    files = tuple(taken[offer] for offer in offered)
    return Intake(files, _whole(folder), machine_zone(), stored=True)


def check(folder: Path, offered: Sequence[Offered]) -> Intake:
    """Say what `add` would do, and store nothing.

    Parameters
    ----------
    folder : Path
        The store; when there is none, files are checked as the first of a new one.
    offered : sequence of Path or Upload
        Log files.

    Raises
    ------
    StoreError
        When a store is there but cannot be read.
    """
    if len(offered) == 1:
        files: tuple[Taken, ...] = (_preview(folder, offered[0]),)
    else:
        # Several files may hold the same rows; a copy takes them one after the other as `add`
        # would.
        with tempfile.TemporaryDirectory(prefix="feedtally-") as scratch:
            copy = Path(scratch) / "store"
            if is_store(folder):
                shutil.copytree(Store(folder).folder, copy)
            taken = {o: _take(copy, o, keep_rejects=False) for o in _lists_first(offered)}
            files = tuple(taken[offer] for offer in offered)
    return Intake(files, _whole(folder), machine_zone(), stored=False)


def _whole(folder: Path) -> LogAccount | None:
    return LogScan(Store(folder).snapshot()).account(Filters()) if is_store(folder) else None


def _lists_first(offered: Sequence[Offered]) -> list[Offered]:
    order = {"towers": 0, "stocks": 1, "services": 2, "runs": 3, "": 4}
    return sorted(dict.fromkeys(offered), key=lambda offer: order[_peek(offer)])


def _peek(offer: Offered) -> str:
    """Tell a file's kind from its first bytes; nothing where they do not say."""
    size = 1 << 17
    try:
        if isinstance(offer, Upload):
            first = offer.raw[:size]
        else:
            with offer.open("rb") as file:
                first = file.read(size)
        text = decode(first)
        known = frozenset(name for kind in KINDS.values() for name in kind.names)
        return tell_kind([n for n in read_header(text, known).names if n]).name
    except (OSError, NotALogError):
        return ""


def _read(offer: Offered, tower_bins: Mapping[str, int] | None) -> ParsedLog:
    if isinstance(offer, Upload):
        return read_bytes(offer.raw, _label(offer), tower_bins=tower_bins)
    return read_log(offer, tower_bins=tower_bins)


def _label(offer: Offered) -> str:
    if isinstance(offer, Upload):
        # What a browser sends as the name may hold anything, a path too.
        last = re.split(r"[/\\]", offer.name)[-1]
        return "".join(c for c in last if c.isprintable())[:100] or "a file without a name"
    return str(offer)


def _rejects_file(folder: Path, offer: Offered) -> RejectsFile:
    kept = folder / "rejects"
    if isinstance(offer, Upload):
        return RejectsFile("upload.csv", (kept,))
    return RejectsFile(offer.name, (offer.parent, kept))


def _unreadable(error: OSError) -> str:
    reason = (error.strerror or str(error)).lower()
    return f"it cannot be read ({reason}); check the name and the rights"


def _taken(offer: Offered, parsed: ParsedLog, account: Account, rejects: Path | None) -> Taken:
    return Taken(
        file=_label(offer),
        kind=parsed.kind.name,
        account=account,
        problems=tuple(problem for line in parsed.rejected for problem in line.problems),
        warnings=tuple(parsed.warnings),
        rejects_file=str(rejects) if rejects else None,
    )


def _take(folder: Path, offer: Offered, *, keep_rejects: bool = True) -> Taken:
    rejects = _rejects_file(folder, offer)
    try:
        store = Store(folder) if is_store(folder) else None
        parsed = _read(offer, store.tower_bins() if store else None)
        # A store is made only once there is something to put in it.
        store = store or Store(folder, create=True)

        def keep() -> None:
            try:
                rejects.write(parsed)
            except OSError as error:
                raise StoreError(
                    f"the rejected lines of {parsed.name} cannot be written beside it or in the "
                    f"store ({error.strerror}), so nothing of it was stored"
                ) from None

        account = store.add(parsed, keep if keep_rejects else None)
    except NotALogError as error:
        return Taken(_label(offer), error=str(error))
    except OSError as error:
        return Taken(_label(offer), error=_unreadable(error))
    return _taken(offer, parsed, account, rejects.path)


def _preview(folder: Path, offer: Offered) -> Taken:
    try:
        store = Store(folder) if is_store(folder) else None
        parsed = _read(offer, store.tower_bins() if store else None)
        account = compare(parsed, store.snapshot() if store else empty_snapshot()).account
    except NotALogError as error:
        return Taken(_label(offer), error=str(error))
    except OSError as error:
        return Taken(_label(offer), error=_unreadable(error))
    return _taken(offer, parsed, account, None)
