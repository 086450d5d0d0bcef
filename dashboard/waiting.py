"""Which files were dropped, and wait to be taken in?

They wait on the server under a name that nobody can guess: a bounded number of them, for a bounded
time. `analysis.taking_in` does the checking, and does for a dropped file what it does for one that
the command is given.
"""

from __future__ import annotations

import io
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from analysis import taking_in
from analysis.headers import known_names, own_names
from analysis.line_checks import Problem
from analysis.records import blocks, read_header
from analysis.site import Site, read_site
from analysis.taking_in import Intake, Taken, Upload
from analysis.texts import examine

#: What one file may hold, and all that come at once, in bytes; more is for the command.
MOST_OF_A_FILE, MOST_AT_ONCE, MOST_FILES = 12_000_000, 24_000_000, 40

#: Problems of one file that are shown; of all others only how many there are.
SHOWN = 50

_LONGEST_CELL = 60


@dataclass(frozen=True)
class Stood:
    """A line as it stood in the file: its cells, what parts them, and which will not do."""

    cells: tuple[str, ...]
    delimiter: str
    wrong: frozenset[int]


@dataclass(frozen=True)
class Shown:
    """What the page says of one file.

    Attributes
    ----------
    taken : Taken
        What became, or would become, of it; with no more problems than are shown.
    problems : int
        How many there are in all.
    lines : mapping of int to Stood
        The lines of those that are shown, by their number.
    """

    taken: Taken
    problems: int
    lines: Mapping[int, Stood]


@dataclass(frozen=True)
class Batch:
    """Files that came together.

    Attributes
    ----------
    uploads : tuple of Upload
        The files, until they are taken in.
    shown : tuple of Shown
        One for each of them.
    zone : str
        In which times without an offset are taken to be.
    stored : bool
        Whether they have been taken in.
    since : float
        When they came, by the clock of `Waiting`.
    """

    uploads: tuple[Upload, ...]
    shown: tuple[Shown, ...]
    zone: str
    stored: bool
    since: float

    @property
    def size(self) -> int:
        """Bytes held."""
        return sum(len(upload.raw) for upload in self.uploads)

    def lines(self, name: str) -> int:
        """Return a number of the account, over all files."""
        accounts = (shown.taken.account for shown in self.shown)
        return sum(getattr(account, name) for account in accounts if account)

    @property
    def to_take(self) -> int:
        """Lines that say something new."""
        return self.lines("added") + self.lines("corrected")


class Waiting:
    """Files that were checked and are not yet taken in, or just were.

    Parameters
    ----------
    folder : Path
        The store.
    most, most_bytes : int
        Batches held, and bytes of all of them; the oldest make room.
    seconds : float
        How long one is held.
    clock : callable
        Tells the time in seconds.
    """

    def __init__(
        self,
        folder: Path,
        *,
        most: int = 20,
        most_bytes: int = 3 * MOST_AT_ONCE,
        seconds: float = 2 * 3600,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.folder = folder
        self._most, self._most_bytes, self._seconds = most, most_bytes, seconds
        self._clock = clock
        self._held: OrderedDict[str, Batch] = OrderedDict()
        self._lock = threading.Lock()
        # One set of files is worked on at a time: reading takes several times their size.
        self._work = threading.Lock()

    def check(self, read: Callable[[], Sequence[Upload]]) -> str:
        """Check files, hold them and return their token.

        Parameters
        ----------
        read : callable
            Gives the files; called when it is their turn.

        Raises
        ------
        StoreError
            When the store cannot be read.
        """
        with self._work:
            # The same file chosen twice is one.
            uploads = tuple(dict.fromkeys(read()))
            found = taking_in.check(self.folder, uploads)
            batch = Batch(
                uploads,
                _shown(found, uploads, read_site(self.folder)),
                found.zone,
                False,
                self._clock(),
            )
        token = secrets.token_urlsafe(16)
        with self._lock:
            self._held[token] = batch
            self._forget()
        return token

    def get(self, token: str) -> Batch | None:
        """Return the files of a token; None when they are no longer held."""
        with self._lock:
            self._forget()
            return self._held.get(token)

    def take(self, token: str) -> Batch | None:
        """Take files in, once, however often it is asked; None when they are no longer held.

        Raises
        ------
        StoreError
            When the store cannot be written; the files go on waiting.
        """
        with self._work:
            batch = self.get(token)
            if batch is None or batch.stored:
                return batch
            done = taking_in.add(self.folder, batch.uploads)
            shown = _shown(done, batch.uploads, read_site(self.folder))
            batch = Batch((), shown, done.zone, True, self._clock())
            with self._lock:
                self._held[token] = batch
            return batch

    def put_away(self, token: str) -> None:
        """Forget files that were not taken in; what was stays, for its lines to mend."""
        with self._lock:
            batch = self._held.get(token)
            if batch is not None and not batch.stored:
                del self._held[token]

    def _forget(self) -> None:
        oldest = self._clock() - self._seconds
        for token in [t for t, batch in self._held.items() if batch.since < oldest]:
            del self._held[token]
        while len(self._held) > self._most or (
            sum(batch.size for batch in self._held.values()) > self._most_bytes
        ):
            self._held.popitem(last=False)


def _shown(intake: Intake, uploads: Sequence[Upload], site: Site) -> tuple[Shown, ...]:
    found = []
    for taken, upload in zip(intake.files, uploads, strict=True):
        few = taken.problems[:SHOWN]
        lines = _as_they_stood(upload.raw, few, site) if few else {}
        found.append(Shown(replace(taken, problems=few), len(taken.problems), lines))
    return tuple(found)


def _as_they_stood(raw: bytes, problems: Sequence[Problem], site: Site) -> dict[int, Stood]:
    """Return the lines of some problems, by their number."""
    text = examine(partial(io.BytesIO, raw))
    header = read_header(text, known_names(site))
    names = own_names(header.names, site)
    wanted: dict[int, set[str]] = {}
    for problem in problems:
        wanted.setdefault(problem.line, set()).add(problem.column)
    found: dict[int, Stood] = {}
    for block in blocks(text, header):
        read = [(broken.line, broken.cells) for broken in block.broken if broken.line in wanted]
        for index, line in enumerate(block.lines.tolist()):
            if line in wanted:
                read.append((line, [column[index].as_py() for column in block.columns]))
        for line, cells in read:
            wrong = (i for i, name in enumerate(names) if name in wanted[line])
            found[line] = Stood(tuple(map(_cut, cells)), header.delimiter, frozenset(wrong))
        if len(found) == len(wanted):
            break
    return found


def _cut(cell: str) -> str:
    return cell if len(cell) <= _LONGEST_CELL else f"{cell[:_LONGEST_CELL]} …"
