"""Filters in, result out: what commands, pages, reports and notebooks call.

The one composition of log, counts and statistics. No number is computed in two places, so a page
and a command that ask the same give the same.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis import rates as statistics
from analysis.benchmark import latest_proofs
from analysis.counts import Account, LogScan
from analysis.filters import Filters
from analysis.intake import ParsedLog, Problem, RejectsFile, read_log, tell_kind
from analysis.log_format import FAULT_KINDS, KINDS
from analysis.overview import Counted, Overview, TowerList
from analysis.overview import overview as make_overview
from analysis.rates import RatesResult
from analysis.records import NotALogError, decode, read_header
from analysis.spread import Spread
from analysis.store import Account as FileAccount
from analysis.store import Store, StoreError, compare, empty_snapshot, is_store


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
        text = f"{sum(a.lines for a in good):,} lines read: {', '.join(parts)}"
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


def add(folder: Path, paths: Sequence[Path]) -> Intake:
    """Take files into a store, which is made when it is not there.

    Parameters
    ----------
    folder : Path
        The store.
    paths : sequence of Path
        Log files of any kind; tower lists are taken first, since they say which bins there are.

    Returns
    -------
    Intake
        A file that is no log, or cannot be read, has its ``error``; the others are still taken.

    Raises
    ------
    StoreError
        When the store cannot be made, read or written.
    """
    taken = {path: _take(folder, path) for path in _lists_first(paths)}
    files = tuple(taken[path] for path in paths)
    return Intake(files, _whole(folder), machine_zone(), stored=True)


def check(folder: Path, paths: Sequence[Path]) -> Intake:
    """Say what `add` would do, and store nothing.

    Parameters
    ----------
    folder : Path
        The store; when there is none, files are checked as the first of a new one.
    paths : sequence of Path
        Log files.

    Raises
    ------
    StoreError
        When a store is there but cannot be read.
    """
    if len(paths) == 1:
        files: tuple[Taken, ...] = (_preview(folder, paths[0]),)
    else:
        # Several files may hold the same rows; a copy takes them one after the other as `add`
        # would.
        with tempfile.TemporaryDirectory(prefix="feedtally-") as scratch:
            copy = Path(scratch) / "store"
            if is_store(folder):
                shutil.copytree(Store(folder).folder, copy)
            taken = {path: _take(copy, path, keep_rejects=False) for path in _lists_first(paths)}
            files = tuple(taken[path] for path in paths)
    return Intake(files, _whole(folder), machine_zone(), stored=False)


def _whole(folder: Path) -> Account | None:
    return LogScan(Store(folder).snapshot()).account(Filters()) if is_store(folder) else None


def _lists_first(paths: Sequence[Path]) -> list[Path]:
    order = {"towers": 0, "stocks": 1, "services": 2, "runs": 3, "": 4}
    return sorted(dict.fromkeys(paths), key=lambda path: order[_peek(path)])


def _peek(path: Path) -> str:
    """Tell a file's kind from its first bytes; nothing where they do not say."""
    try:
        with path.open("rb") as file:
            text = decode(file.read(1 << 17))
        known = frozenset(name for kind in KINDS.values() for name in kind.names)
        return tell_kind([n for n in read_header(text, known).names if n]).name
    except (OSError, NotALogError):
        return ""


def _unreadable(error: OSError) -> str:
    reason = (error.strerror or str(error)).lower()
    return f"it cannot be read ({reason}); check the name and the rights"


def _taken(path: Path, parsed: ParsedLog, account: FileAccount, rejects: Path | None) -> Taken:
    return Taken(
        file=str(path),
        kind=parsed.kind.name,
        account=account,
        problems=tuple(problem for line in parsed.rejected for problem in line.problems),
        warnings=tuple(parsed.warnings),
        rejects_file=str(rejects) if rejects else None,
    )


def _take(folder: Path, path: Path, *, keep_rejects: bool = True) -> Taken:
    rejects = RejectsFile(path.name, (path.parent, folder / "rejects"))
    try:
        store = Store(folder) if is_store(folder) else None
        parsed = read_log(path, tower_bins=store.tower_bins() if store else None)
        # A store is made only once there is something to put in it.
        store = store or Store(folder, create=True)

        def keep() -> None:
            try:
                rejects.write(parsed)
            except OSError as error:
                raise StoreError(
                    f"the rejected lines of {path.name} cannot be written beside it or in the "
                    f"store ({error.strerror}), so nothing of it was stored"
                ) from None

        account = store.add(parsed, keep if keep_rejects else None)
    except NotALogError as error:
        return Taken(str(path), error=str(error))
    except OSError as error:
        return Taken(str(path), error=_unreadable(error))
    return _taken(path, parsed, account, rejects.path)


def _preview(folder: Path, path: Path) -> Taken:
    try:
        store = Store(folder) if is_store(folder) else None
        parsed = read_log(path, tower_bins=store.tower_bins() if store else None)
        account = compare(parsed, store.snapshot() if store else empty_snapshot()).account
    except NotALogError as error:
        return Taken(str(path), error=str(error))
    except OSError as error:
        return Taken(str(path), error=_unreadable(error))
    return _taken(path, parsed, account, None)


def rates(
    scan: LogScan,
    by: Sequence[str],
    filters: Filters,
    *,
    method: str = "exact",
    confidence: float = 0.95,
) -> RatesResult:
    """Give the fault rate of each group.

    Parameters
    ----------
    scan : LogScan
        The log.
    by : sequence of str
        Columns to group by; none for the whole.
    filters : Filters
        Rows to count, all purposes unless it holds them, and the kind of fault.
    method, confidence
        Of the intervals; see `analysis.intervals`.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    ValueError
        For an unknown method or a confidence outside 0 to 1.
    """
    by = tuple(dict.fromkeys(by))
    counts = scan.by_run(by, filters)
    return statistics.rates(
        counts,
        by,
        filters.kind,
        scan.account(filters),
        spread(scan, by, filters, confidence=confidence),
        method=method,
        confidence=confidence,
    )


def spread(
    scan: LogScan, by: Sequence[str], filters: Filters, *, confidence: float = 0.95
) -> dict[str, Spread]:
    """Say how much runs differ beyond chance, tower by tower, over the whole log.

    Of the filter only kind and purpose are kept: how much runs differ is learnt from all of them,
    since a few weeks of one bin say next to nothing of it.
    """
    groups = statistics.explaining(by)
    counts = scan.by_run(groups, _whole_log(filters))
    return statistics.spreads(counts, groups, filters.kind, confidence=confidence)


def _whole_log(filters: Filters) -> Filters:
    return Filters(kind=filters.kind).holding("purpose", *filters.values("purpose"))


#: What the overview shows when no period is asked for: so many days to the last one logged.
USUAL_DAYS = 30


def overview(scan: LogScan, filters: Filters) -> Overview:
    """Say how the towers are running.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Without a period: the last 30 days up to the last one logged. Without a purpose:
        production.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be.
    """
    if not filters.values("purpose"):
        filters = filters.holding("purpose", "production")
    filters = _with_period(scan, filters)
    assert filters.since is not None and filters.until is not None
    length = filters.until - filters.since
    step = dt.timedelta(microseconds=1)
    before = filters.during(filters.since - length - step, filters.since - step)
    places = ("tower", "bin")
    all_along = scan.by_run(places, _whole_log(filters))
    # A bin is set beside its whole tower at burn-in, so the burn-in is not held to that bin.
    proving = filters.during(None, None).holding("purpose", "burn-in").holding("bin")
    burn_ins = scan.by_run(("tower", "bin", "proof"), proving)
    counted = Counted(
        now=scan.by_run(places, filters),
        past=scan.by_run(places, before),
        air=scan.by_run(("humidity_band", "stock"), filters),
        proofs=latest_proofs(burn_ins, _overhauls(scan)),
        spread={kind: statistics.spreads(all_along, places, kind) for kind in FAULT_KINDS},
        listed=_tower_list(scan),
    )
    return make_overview(filters, before, scan.account(filters), scan.account(before), counted)


def _with_period(scan: LogScan, filters: Filters) -> Filters:
    """Fill in what is missing of the period: the last 30 days, in whole days."""
    if filters.since and filters.until:
        return filters
    span = scan.account(filters)
    last = span.last or dt.datetime(2000, 1, 1)
    until = filters.until or dt.datetime.combine(last.date(), dt.time.max)
    since = filters.since
    if since is None:
        since = dt.datetime.combine(until.date(), dt.time.min)
        since -= dt.timedelta(days=USUAL_DAYS - 1)
    if since > until:
        until = dt.datetime.combine(since.date(), dt.time.max)
    return filters.during(since, until)


def _overhauls(scan: LogScan) -> dict[str, list[dt.datetime]]:
    found: dict[str, list[dt.datetime]] = {}
    for row in scan.list_rows("services"):
        when, tower = row["when"], row["tower"]
        if row["action"] == "overhauled" and isinstance(when, dt.datetime):
            found.setdefault(str(tower), []).append(when.replace(tzinfo=None))
    return found


def _tower_list(scan: LogScan) -> dict[str, TowerList]:
    return {
        str(row["tower"]): TowerList(
            bins=row["bins"] if isinstance(row["bins"], int) else None,
            from_top=row["numbered_from"] != "bottom",
            line=str(row["line"] or ""),
        )
        for row in scan.list_rows("towers")
    }
