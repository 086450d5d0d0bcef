"""Where are runs that are being counted kept until they are stored?

A draft is a small file in the store's folder, ``drafts/``: what is typed on one device can be gone
on with on another, and a server that is started again still has it. Each save names the revision
that it was made from; one that somebody else has overtaken is refused and handed the newer one, so
that nobody overwrites anybody. A draft that was stored or put away stays for a month, so that a
device which lost its connection meanwhile is told what became of it, and with what counts.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from analysis.snapshot import StoreError
from analysis.spool import beside

#: Folder of the drafts in the store's.
FOLDER = "drafts"

#: A draft is no longer than this, in bytes, and no more of them are kept.
LARGEST, MOST = 400_000, 200

#: How long a draft that was stored or put away is kept, in days.
_NOTED = 30

_SECONDS = 10.0


class DraftError(ValueError):
    """A draft that cannot be kept; the message says what to do."""


class OvertakenError(Exception):
    """Somebody else saved the draft meanwhile, or stored it.

    Attributes
    ----------
    kept : Draft
        As it stands now.
    """

    def __init__(self, kept: Draft) -> None:
        self.kept = kept
        super().__init__("the run was gone on with on another device")


@dataclass(frozen=True)
class Draft:
    """A run that is being counted, or was.

    Attributes
    ----------
    name : str
        What the device that began it called it.
    revision : int
        How often it was saved.
    saved_at : datetime
        When that was last, in UTC.
    content : mapping
        As `analysis.entry.read_draft` takes it; of one that was stored, what was.
    stored : str
        What was said when it was stored; empty while it is not.
    away : bool
        Whether it was put away.
    """

    name: str
    revision: int
    saved_at: dt.datetime
    content: Mapping[str, object]
    stored: str = ""
    away: bool = False


def drafts(folder: Path, *, away: bool = False) -> tuple[Draft, ...]:
    """Return the drafts of a store that are not stored yet, the last saved first.

    Parameters
    ----------
    folder : Path
        Of the store. A file that cannot be read is passed over: it stays where it is.
    away : bool
        Whether those that were put away are wanted, instead of the others.
    """
    found = []
    for path in (folder / FOLDER).glob("*.json"):
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            found.append(_read(path))
    wanted = [draft for draft in found if not draft.stored and draft.away is away]
    return tuple(sorted(wanted, key=lambda draft: draft.saved_at, reverse=True))


def draft(folder: Path, name: str) -> Draft | None:
    """Return one draft, stored or not; None where there is none of that name.

    Raises
    ------
    DraftError
        Where the name is none, or the file cannot be read.
    """
    path = _path(folder, name)
    try:
        return _read(path)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError):
        raise DraftError(
            f"the draft {FOLDER}/{name}.json cannot be read; move it away, and count on from what "
            "this device still shows"
        ) from None


def save(folder: Path, name: str, revision: int, content: Mapping[str, object]) -> Draft:
    """Keep a draft.

    Parameters
    ----------
    folder : Path
        Of the store.
    name : str
        Of the draft: 16 to 40 small letters and digits.
    revision : int
        Of the one that this was made from; 0 for the first.
    content : mapping
        The draft.

    Returns
    -------
    Draft
        With its new revision.

    Raises
    ------
    OvertakenError
        When another revision stands.
    DraftError
        When it has no proper name, is too long, or there are too many.
    StoreError
        When it cannot be written.
    """
    with _alone(folder, name) as path:
        kept = draft(folder, name)
        if kept is not None and (kept.revision != revision or kept.stored):
            raise OvertakenError(kept)
        if kept is None:
            _forget(path.parent)
            if len(drafts(folder)) >= MOST:
                raise DraftError(
                    f"{MOST} runs are being counted already; store some of them, or put them away"
                )
        # One that was put away, or that is no longer here, comes again from who still counts.
        return _write(path, Draft(name, (kept.revision if kept else revision) + 1, _now(), content))


def store_once(
    folder: Path, name: str, revision: int, content: Mapping[str, object], store: Callable[[], str]
) -> Draft:
    """Store a draft, once, however often it is asked; nobody saves it meanwhile.

    Parameters
    ----------
    folder, name, revision
        As of `save`.
    content : mapping
        What is stored.
    store : callable
        Stores it, and returns what to say of that. What it raises is raised, and the draft stays.

    Returns
    -------
    Draft
        With what was stored, by whomever, and what was said then.

    Raises
    ------
    OvertakenError, DraftError, StoreError
        As `save`.
    """
    with _alone(folder, name) as path:
        kept = draft(folder, name)
        if kept is not None and kept.stored:
            return kept
        if kept is not None and kept.revision != revision:
            raise OvertakenError(kept)
        told = store()
        return _write(path, Draft(name, revision + 1, _now(), content, told))


def put_away(folder: Path, name: str) -> None:
    """Put away a draft that nobody wants to store; nothing where there is none, or it is stored."""
    with _alone(folder, name) as path:
        kept = draft(folder, name)
        if kept is not None and not kept.stored:
            _write(path, Draft(name, kept.revision + 1, _now(), kept.content, away=True))


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


def _path(folder: Path, name: str) -> Path:
    # It comes from outside and becomes the name of a file.
    if not re.fullmatch(r"[a-z0-9]{16,40}", name):
        raise DraftError("that is no name of a draft; open the log page again")
    return folder / FOLDER / f"{name}.json"


@contextlib.contextmanager
def _alone(folder: Path, name: str) -> Iterator[Path]:
    path = _path(folder, name)
    try:
        path.parent.mkdir(exist_ok=True)
        # Few locks, so that a run that is being stored holds up few others.
        with FileLock(path.parent / f"lock-{name[0]}", timeout=_SECONDS):
            yield path
    except (OSError, Timeout) as error:
        reason = getattr(error, "strerror", None) or "another process holds it"
        raise StoreError(
            f"the draft cannot be kept in {path.parent} ({reason}); it stays on this device"
        ) from None


def _read(path: Path) -> Draft:
    held = json.loads(path.read_text("utf-8"))
    if not isinstance(held["content"], dict):
        raise ValueError("no draft")
    return Draft(
        path.stem,
        int(held["revision"]),
        dt.datetime.fromisoformat(held["saved_at"]),
        held["content"],
        str(held["stored"]),
        bool(held["away"]),
    )


def _write(path: Path, kept: Draft) -> Draft:
    text = json.dumps(
        {
            "revision": kept.revision,
            "saved_at": kept.saved_at.isoformat(),
            "stored": kept.stored,
            "away": kept.away,
            "content": kept.content,
        }
    )
    if len(text) > LARGEST:
        raise DraftError("that is more than one run holds; store it, and begin another")
    part = beside(path)
    try:
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return kept


def _forget(place: Path) -> None:
    """Remove drafts that were stored or put away long ago."""
    oldest = _now() - dt.timedelta(days=_NOTED)
    for path in place.glob("*.json"):
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            kept = _read(path)
            if (kept.stored or kept.away) and kept.saved_at < oldest:
                path.unlink()
