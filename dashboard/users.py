"""Who may sign in, and with which key are sessions signed?

A file of users and a key, in a folder of their own in the user's configuration folder: never in a
store, so never in its backup, and for its owner's eyes alone. Passwords are kept as salted scrypt
hashes. A user's generation is drawn anew with every change, so that sessions from before it end.
"""

from __future__ import annotations

import json
import os
import secrets
import stat
import tempfile
import unicodedata
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import platformdirs
from filelock import FileLock, Timeout
from werkzeug.security import check_password_hash, generate_password_hash

from dashboard.access import ROLES

#: Names another folder than the usual one.
VARIABLE = "FEEDTALLY_CONFIG"

USERS, KEY, LOCK = "users.json", "session.key", "users.lock"

SHORTEST_PASSWORD, LONGEST_PASSWORD, LONGEST_NAME = 10, 1000, 40

_FORMAT = 1
# What werkzeug takes as usual: 32 MB and about a tenth of a second for each check.
_METHOD = "scrypt:32768:8:1"
_KEY_BYTES = 32
_PATIENCE = 20.0


class UsersError(Exception):
    """Users or key cannot be read, or a change will not do; the message says what to do."""


@dataclass(frozen=True)
class User:
    """Somebody who may sign in.

    Attributes
    ----------
    name : str
        What he signs in with.
    role : str
        One of `dashboard.access.ROLES`.
    hash : str
        Of his password, salted.
    generation : str
        Drawn anew with every change of role or password.
    """

    name: str
    role: str
    hash: str = field(repr=False)
    generation: str = field(repr=False)


def users_folder() -> Path:
    """Return where users and key are kept.

    Raises
    ------
    UsersError
        When that is in a store.
    """
    named = os.environ.get(VARIABLE)
    if named:
        folder = Path(named).expanduser().absolute()
    else:
        folder = Path(platformdirs.user_config_dir("feedtally", appauthor=False))
    real = folder.resolve()
    for above in (real, *real.parents):
        if (above / "store.json").exists():
            raise UsersError(
                f"users are never kept in a store, and {folder} is in one; "
                f"name another folder by {VARIABLE}"
            )
    return folder


def same_text(text: str) -> str:
    """Return a name or password as it is compared: keyboards write one letter in several ways."""
    return unicodedata.normalize("NFC", text)


def check_name(text: str) -> str:
    """Return a user's name as it is kept.

    Raises
    ------
    UsersError
        When it will not do.
    """
    name = same_text(text)
    if not name or len(name) > LONGEST_NAME or not name.isprintable() or name != name.strip():
        raise UsersError(
            f"a user's name is one line of 1 to {LONGEST_NAME} letters, without spaces at its ends"
        )
    return name


def check_password(text: str) -> str:
    """Return a new password as it is hashed.

    Raises
    ------
    UsersError
        When it will not do; the message does not hold it.
    """
    password = same_text(text)
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise UsersError(
            f"a password has {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters; "
            f"this has {len(password)}"
        )
    return password


class Users:
    """The users in a folder, read anew whenever their file has changed.

    Parameters
    ----------
    folder : Path
        Where they are kept; made at the first change.
    method : str
        How passwords are hashed, as werkzeug names it.
    """

    def __init__(self, folder: Path, *, method: str = _METHOD) -> None:
        self.folder = folder
        self._method = method
        self._read: tuple[object, dict[str, User]] = (None, {})
        # What an unknown name is held against, so that it takes as long as a wrong password.
        # No password gives this digest.
        self._nobody = f"{method}${'0' * 16}${'0' * 128}"

    def all(self) -> tuple[User, ...]:
        """Return all users, in the order of their names.

        Raises
        ------
        UsersError
            When the file cannot be read, or others can read it.
        """
        return tuple(sorted(self._held().values(), key=lambda user: user.name))

    def find(self, name: str) -> User | None:
        """Return a user by name; None when there is none of it.

        Raises
        ------
        UsersError
            As `all`.
        """
        return self._held().get(same_text(name))

    def verified(self, name: str, password: str) -> User | None:
        """Return the user whose name and password these are; None when they are nobody's.

        It takes the same work whether it is the name or the password that is wrong.

        Raises
        ------
        UsersError
            As `all`.
        """
        user = self.find(name)
        given = same_text(password[:LONGEST_PASSWORD])
        right = check_password_hash(user.hash if user else self._nobody, given)
        return user if right else None

    def add(self, name: str, role: str, password: str) -> User:
        """Add a user.

        Raises
        ------
        UsersError
            When name, role or password will not do, the name is taken, or files cannot be
            written.
        """
        name = check_name(name)
        made = User(name, _role(role), self._hash(password), _generation())

        def change(held: dict[str, User]) -> User:
            alike = next((n for n in held if n.casefold() == name.casefold()), None)
            if alike is not None:
                raise UsersError(
                    f"there is a user {alike} already; "
                    f"a new password is set by: feedtally user password {alike}"
                )
            held[name] = made
            return made

        return self._change(change)

    def set_password(self, name: str, password: str) -> User:
        """Give a user a new password; his sessions end.

        Raises
        ------
        UsersError
            When there is no such user, the password will not do, or files cannot be written.
        """
        hashed = self._hash(password)
        return self._replace(name, lambda user: replace(user, hash=hashed))

    def set_role(self, name: str, role: str) -> User:
        """Give a user another role; his sessions end.

        Raises
        ------
        UsersError
            When there is no such user or role, or files cannot be written.
        """
        role = _role(role)
        return self._replace(name, lambda user: replace(user, role=role))

    def remove(self, name: str) -> User:
        """Remove a user; his sessions end.

        Raises
        ------
        UsersError
            When there is no such user, or files cannot be written.
        """

        def change(held: dict[str, User]) -> User:
            return held.pop(_known(held, name).name)

        return self._change(change)

    def key(self) -> bytes:
        """Return the key that sessions are signed with; made at the first call.

        Raises
        ------
        UsersError
            When it cannot be read or written, or others can read it.
        """
        with self.locked():
            raw = read_private(self.folder / KEY)
            if raw is None:
                raw = secrets.token_hex(_KEY_BYTES).encode()
                write_private(self.folder / KEY, raw)
        key = raw.strip()
        if len(key) < 2 * _KEY_BYTES:
            raise UsersError(f"{self.folder / KEY} is damaged; remove it and start again")
        return key

    def locked(self) -> FileLock:
        """Return the lock under which files of the folder are changed; the folder is made.

        Raises
        ------
        UsersError
            When the folder cannot be used.
        """
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            private(self.folder, self.folder.stat())
            return _Lock(str(self.folder / LOCK), timeout=_PATIENCE, mode=0o600)
        except OSError as error:
            raise UsersError(_unusable(self.folder, error)) from None

    def _hash(self, password: str) -> str:
        return generate_password_hash(check_password(password), self._method)

    def _replace(self, name: str, make: Callable[[User], User]) -> User:
        def change(held: dict[str, User]) -> User:
            user = replace(make(_known(held, name)), generation=_generation())
            held[user.name] = user
            return user

        return self._change(change)

    def _change(self, change: Callable[[dict[str, User]], User]) -> User:
        with self.locked():
            held = dict(self._held())
            changed = change(held)
            told = {"format": _FORMAT, "users": [asdict(user) for user in held.values()]}
            write_private(
                self.folder / USERS,
                (json.dumps(told, indent=1, ensure_ascii=False) + "\n").encode(),
            )
        return changed

    def _held(self) -> dict[str, User]:
        path = self.folder / USERS
        try:
            found = path.stat()
            private(self.folder, self.folder.stat())
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise UsersError(_unusable(path, error)) from None
        private(path, found)
        state = (found.st_mtime_ns, found.st_size, found.st_ino)
        before, held = self._read
        if before != state:
            held = _parsed(read_private(path) or b"", path)
            self._read = (state, held)
        return held


class _Lock(FileLock):
    """A file lock whose trouble is told as what is the matter with users."""

    def acquire(self, *words: Any, **named: Any) -> Any:
        try:
            return super().acquire(*words, **named)
        except Timeout:
            raise UsersError(
                f"{self.lock_file} is held by another feedtally; try again in a moment"
            ) from None
        except OSError as error:
            raise UsersError(_unusable(Path(self.lock_file), error)) from None


def private(path: Path, found: os.stat_result) -> None:
    """Refuse what others on this machine can read; on Windows the folder's own rights hold.

    Raises
    ------
    UsersError
        When they can.
    """
    if os.name != "posix":
        return
    if found.st_uid != os.geteuid():
        raise UsersError(f"{path} belongs to another user of this machine; make it your own")
    if found.st_mode & 0o077:
        mode = "700" if stat.S_ISDIR(found.st_mode) else "600"
        raise UsersError(f"{path} can be read by others on this machine; run: chmod {mode} {path}")


def read_private(path: Path) -> bytes | None:
    """Return what a file of the folder holds; None when it is not there.

    Raises
    ------
    UsersError
        When it cannot be read, or others can read it.
    """
    try:
        with path.open("rb") as file:
            private(path, os.fstat(file.fileno()))
            return file.read()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise UsersError(_unusable(path, error)) from None


def write_private(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, readable by its owner alone.

    Raises
    ------
    UsersError
        When it cannot be written; what stood there stays.
    """
    try:
        # Made with rights for the owner alone, under another name first.
        number, partial = tempfile.mkstemp(dir=path.parent, prefix=f"{path.name}.")
        try:
            with os.fdopen(number, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.replace(partial, path)
        except BaseException:
            os.unlink(partial)
            raise
    except OSError as error:
        raise UsersError(_unusable(path, error)) from None


def _parsed(raw: bytes, path: Path) -> dict[str, User]:
    try:
        told = json.loads(raw)
        if told["format"] > _FORMAT:
            raise UsersError(f"{path} was written by a newer feedtally; update feedtally")
        users = [User(**one) for one in told["users"]]
        if any(
            user.role not in ROLES or not all(isinstance(v, str) for v in asdict(user).values())
            for user in users
        ):
            raise ValueError
    except (ValueError, TypeError, KeyError):
        raise UsersError(f"{path} is damaged; move it away and add the users again") from None
    return {user.name: user for user in users}


def _known(held: dict[str, User], name: str) -> User:
    user = held.get(same_text(name))
    if user is None:
        # A name that was typed wrongly may hold anything; it is told on one line.
        raise UsersError(f"there is no user {name!a}; feedtally user list shows who there is")
    return user


def _role(text: str) -> str:
    if text not in ROLES:
        raise UsersError(f"the role is {text!a}; write one of {', '.join(ROLES)}")
    return text


def _generation() -> str:
    return secrets.token_hex(8)


def _unusable(path: Path, error: OSError) -> str:
    return (
        f"{path} cannot be used ({error.strerror or error}); mend its rights, "
        f"or name another folder by {VARIABLE}"
    )
