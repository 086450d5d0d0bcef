"""Files in, an account of every line out: what ``add`` and ``check`` and the log page do.

A file is read, set against the store, and taken in whole or not at all; its rejected lines are
written before anything is stored, so that no line is lost whatever happens between.
"""

from __future__ import annotations

import errno
import hashlib
import io
import json
import re
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice
from pathlib import Path

from analysis.comparing import FileAccount, compare
from analysis.counts import Account, LogScan
from analysis.export import run_cells
from analysis.filters import Filters
from analysis.headers import known_names, own_names, tell_kind
from analysis.intake import ParsedLog, Progress, none_known, read_bytes, read_log
from analysis.line_checks import Problem
from analysis.log_format import KINDS
from analysis.records import read_header
from analysis.rejects import RejectsFile
from analysis.site import Site, read_site, zone_of
from analysis.snapshot import Snapshot, StoreError, empty_snapshot
from analysis.spool import Scratch
from analysis.store import Store
from analysis.store_format import is_store
from analysis.texts import NotALogError, examine
from analysis.undoing import Undone
from analysis.words import many

#: Problems of one file that are told one by one; all are in its rejects file.
MOST_TOLD = 100_000


@dataclass(frozen=True)
class Taken:
    """What became of one file.

    Attributes
    ----------
    file : str
        As it was named.
    kind : str
        Its kind, or nothing where it is no log.
    account : analysis.comparing.FileAccount or None
        Read = added + corrected + known + rejected; None where the file was refused.
    problems : tuple of Problem
        Every problem of every rejected line, as far as there are not more than `MOST_TOLD`.
    warnings : tuple of str
        What to know though nothing was refused.
    rejects_file : str or None
        Where the rejected lines were written.
    error : str
        Why the whole file was refused.
    """

    file: str
    kind: str = ""
    account: FileAccount | None = None
    problems: tuple[Problem, ...] = ()
    warnings: tuple[str, ...] = ()
    rejects_file: str | None = None
    error: str = ""

    def sentence(self) -> str:
        """Say the account of the file in one line."""
        if self.account is None:
            return f"{self.file}: {self.error}."
        a = self.account
        number = f" This is intake {a.intake}." if a.intake is not None else ""
        return (
            f"{self.file} ({KINDS[self.kind].title}): {many(a.lines, 'line')} read = "  # type: ignore[index]
            f"{a.added:,} added + {a.corrected:,} corrected + {a.known:,} already known + "
            f"{a.rejected:,} rejected.{number}"
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
    account: Account | None
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
        text = f"{many(sum(a.lines for a in good), 'line')} read: {', '.join(parts)}"
        if refused:
            text += f"; {many(refused, 'file was', 'files were')} refused whole"
        return text + "."


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


@dataclass(frozen=True)
class Watch:
    """Who is told how an intake goes, for somebody who waits at a terminal.

    Attributes
    ----------
    begins : callable
        Called with the name of each file as it is begun; returns what is told how far it is.
    waits : callable
        Called when another process is writing to the store and has to be waited for.
    """

    begins: Callable[[str], Progress | None] = lambda name: None
    waits: Callable[[], None] = lambda: None


UNWATCHED = Watch()


def add(folder: Path, offered: Sequence[Offered], *, watch: Watch = UNWATCHED) -> Intake:
    """Take files into a store, which is made when it is not there.

    Parameters
    ----------
    folder : Path
        The store.
    offered : sequence of Path or Upload
        Log files of any kind and size; tower lists are taken first, since they say which bins
        there are. Rejected lines are written beside a file, and in the store's folder ``rejects``
        for an upload or where the file's own folder cannot be written to.
    watch : Watch
        Who is told how it goes.

    Returns
    -------
    Intake
        A file that is no log, or cannot be read, has its ``error``; the others are still taken.

    Raises
    ------
    StoreError
        When the store cannot be made, read or written.
    analysis.site.SiteError
        When the site file is wrong; nothing is taken then.
    """
    # A folder that cannot be looked at says so before its site file does.
    is_store(folder)
    site = read_site(folder)
    taken: dict[Offered, Taken] = {}
    for offer in _lists_first(offered, site):
        try:
            taken[offer] = _take(folder, offer, site, watch)
        except StoreError as error:
            # What was taken before it stays taken, and has to be told.
            if not any(done.account for done in taken.values()):
                raise
            taken[offer] = Taken(_label(offer), error=str(error))
    files = tuple(taken[offer] for offer in offered)
    return Intake(files, _whole(folder, keep=True), zone_of(site), stored=True)


def enter(folder: Path, upload: Upload, *, tower: str, run: str, stood: str) -> Taken:
    """Take one run in that was counted or mended on the log page: all of it, or nothing.

    Parameters
    ----------
    folder : Path
        The store.
    upload : Upload
        The run as a file in the log format.
    tower, run : str
        Which run it is.
    stood : str
        The `mark_of_run` that stood when it was begun or opened; that of no rows for a new run.

    Returns
    -------
    Taken
        Without an account where a line will not do; ``problems`` says why, and nothing is stored.

    Raises
    ------
    ChangedMeanwhileError
        When somebody else stored or mended the run meanwhile.
    StoreError
        When the store cannot be written; it is then as it was.
    analysis.site.SiteError
        When the site file is wrong.
    """
    site = read_site(folder)
    store = Store(folder)
    scratch = Scratch([folder])

    def stands(snapshot: Snapshot) -> None:
        if mark_of_run(LogScan(snapshot), tower, run) != stood:
            raise ChangedMeanwhileError(tower, run)

    def whole() -> None:
        if len(parsed.rejected):
            raise _WillNotDoError

    try:
        parsed = _read(upload, store, site, scratch, UNWATCHED)
        account = store.add(parsed, whole, zone=zone_of(site), stands=stands)
        # Who typed it saw no lines, so none is named.
        notes = tuple(one.sentence(of_file=False) for one in parsed.alike)
        done = replace(_taken(upload, parsed, account, None), warnings=notes)
    except _WillNotDoError:
        return Taken(
            _label(upload),
            "runs",
            problems=_told(parsed),
            error="a line of it will not do, so none was stored",
        )
    except NotALogError as error:
        return Taken(_label(upload), error=str(error))
    finally:
        scratch.close()
    # Counted now, while nobody waits for it.
    _whole(folder, keep=True)
    return done


class ChangedMeanwhileError(Exception):
    """Somebody else stored the run, or mended it, since it was begun or opened here."""

    def __init__(self, tower: str, run: str) -> None:
        super().__init__(f"run {run} of tower {tower} was stored or mended meanwhile")


class _WillNotDoError(Exception):
    """A line of a run that is to be taken in whole is rejected."""


def mark_of_run(scan: LogScan, tower: str, run: str) -> str:
    """Return a mark that changes whenever a run's rows do; that of no rows is always the same."""
    return mark_of_cells(run_cells(scan, tower, run)[1])


def mark_of_cells(rows: Sequence[Sequence[str]]) -> str:
    """Return the `mark_of_run` of rows that were read already."""
    return hashlib.sha256(json.dumps(rows).encode()).hexdigest()


#: The mark of a run that the log does not hold.
NO_RUN = mark_of_cells([])


def check(folder: Path, offered: Sequence[Offered], *, watch: Watch = UNWATCHED) -> Intake:
    """Say what `add` would do, and store nothing.

    Parameters
    ----------
    folder : Path
        The store; when there is none, files are checked as the first of a new one.
    offered : sequence of Path or Upload
        Log files.
    watch : Watch
        Who is told how it goes.

    Raises
    ------
    StoreError
        When a store is there but cannot be read.
    analysis.site.SiteError
        When the site file is wrong.
    """
    # A folder that cannot be looked at says so before its site file does.
    is_store(folder)
    site = read_site(folder)
    if len(offered) == 1:
        files: tuple[Taken, ...] = (_preview(folder, offered[0], site, watch),)
    else:
        # Several files may hold the same rows; a copy takes them one after the other as `add`
        # would.
        with tempfile.TemporaryDirectory(prefix="feedtally-") as scratch:
            copy = Path(scratch) / "store"
            if is_store(folder):
                shutil.copytree(Store(folder).folder, copy)
            taken = {
                offer: _take(copy, offer, site, watch, keep_rejects=False)
                for offer in _lists_first(offered, site)
            }
            files = tuple(_unnumbered(taken[offer]) for offer in offered)
    return Intake(files, _whole(folder), zone_of(site), stored=False)


def _unnumbered(taken: Taken) -> Taken:
    """Leave out the number of an intake into a copy, which is none of the store's."""
    if taken.account is None:
        return taken
    return replace(taken, account=replace(taken.account, intake=None))


def undo(folder: Path, number: int) -> tuple[Undone, Account | None]:
    """Take one intake back; return what that did, and how much the log holds then.

    Raises
    ------
    StoreError
        When there is no such intake, nothing of it stands any more, or the store cannot be
        written; it is then as it was.
    analysis.site.SiteError
        When the site file is wrong.
    """
    done = Store(folder).undo(number, zone=zone_of(read_site(folder)))
    return done, _whole(folder, keep=True)


def _whole(folder: Path, *, keep: bool = False) -> Account | None:
    if not is_store(folder):
        return None
    store = Store(folder)
    known = store.totals()
    if known is not None:
        return known
    snapshot = store.snapshot()
    whole = LogScan(snapshot).account(Filters())
    if keep:
        store.keep_totals(snapshot, whole)
    return whole


def _lists_first(offered: Sequence[Offered], site: Site) -> list[Offered]:
    order = {"towers": 0, "stocks": 1, "services": 2, "runs": 3, "": 4}
    return sorted(dict.fromkeys(offered), key=lambda offer: order[_peek(offer, site)])


def _peek(offer: Offered, site: Site) -> str:
    """Tell a file's kind from its first bytes; nothing where they do not say."""
    size = 1 << 17
    try:
        if isinstance(offer, Upload):
            first = offer.raw[:size]
        else:
            with offer.open("rb") as file:
                first = file.read(size)
        text = examine(partial(io.BytesIO, first))
        headers = read_header(text, known_names(site)).names
        return tell_kind([name for name in own_names(headers, site) if name]).name
    except (OSError, NotALogError):
        return ""


def _read(
    offer: Offered, store: Store | None, site: Site, scratch: Scratch, watch: Watch
) -> ParsedLog:
    bins = store.tower_bins() if store else None
    stocks = store.known_stocks if store else none_known
    if isinstance(offer, Upload):
        name = _label(offer)
        return read_bytes(
            offer.raw, name, tower_bins=bins, stocks=stocks, site=site, scratch=scratch
        )
    seen = watch.begins(str(offer))
    return read_log(
        offer, tower_bins=bins, stocks=stocks, site=site, scratch=scratch, progress=seen
    )


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
    if error.errno == errno.ENOSPC:
        return f"there is no room to work in ({reason}); free some and add it again"
    return f"it cannot be read ({reason}); check the name and the rights"


def _told(parsed: ParsedLog) -> tuple[Problem, ...]:
    problems = (problem for line in parsed.rejected for problem in line.problems)
    return tuple(islice(problems, MOST_TOLD))


def _taken(offer: Offered, parsed: ParsedLog, account: FileAccount, rejects: Path | None) -> Taken:
    return Taken(
        file=_label(offer),
        kind=parsed.kind.name,
        account=account,
        problems=_told(parsed),
        warnings=tuple(parsed.warnings),
        rejects_file=str(rejects) if rejects else None,
    )


def _take(
    folder: Path, offer: Offered, site: Site, watch: Watch, *, keep_rejects: bool = True
) -> Taken:
    rejects = _rejects_file(folder, offer)
    # Rows that do not fit in memory wait where there has to be room for them anyway.
    near = next((place for place in (folder, *folder.absolute().parents) if place.is_dir()), folder)
    scratch = Scratch([near])

    def take() -> Taken:
        store = Store(folder, on_wait=watch.waits) if is_store(folder) else None
        parsed = _read(offer, store, site, scratch, watch)
        # A store is made only once there is something to put in it.
        store = store or Store(folder, create=True, on_wait=watch.waits)

        def keep() -> None:
            try:
                rejects.write(parsed)
            except OSError as error:
                raise StoreError(
                    f"the rejected lines of {parsed.name} cannot be written beside it or in the "
                    f"store ({error.strerror}), so nothing of it was stored"
                ) from None

        account = store.add(parsed, keep if keep_rejects else None, zone=zone_of(site))
        return _taken(offer, parsed, account, rejects.path)

    return _unless_refused(offer, scratch, take)


def _preview(folder: Path, offer: Offered, site: Site, watch: Watch) -> Taken:
    scratch = Scratch()

    def look() -> Taken:
        store = Store(folder) if is_store(folder) else None
        parsed = _read(offer, store, site, scratch, watch)
        account = compare(parsed, store.snapshot() if store else empty_snapshot()).account
        return _taken(offer, parsed, account, None)

    return _unless_refused(offer, scratch, look)


def _unless_refused(offer: Offered, scratch: Scratch, take: Callable[[], Taken]) -> Taken:
    """Return what became of a file, or why it was refused whole; what was on disk is let go of."""
    try:
        return take()
    except NotALogError as error:
        return Taken(_label(offer), error=str(error))
    except OSError as error:
        return Taken(_label(offer), error=_unreadable(error))
    finally:
        scratch.close()
