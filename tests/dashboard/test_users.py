"""Who may sign in: the users file, the key, and who can read them."""

from __future__ import annotations

import json
import os
import stat
import threading
from pathlib import Path

import pytest

from dashboard import users
from dashboard.users import Users, UsersError

# The least work that is still scrypt: what is kept and refused does not depend on it.
CHEAP = "scrypt:1024:8:1"
PASSWORD = "ten letters"

posix = pytest.mark.skipif(os.name != "posix", reason="rights of this kind are POSIX's")


@pytest.fixture
def kept(tmp_path: Path) -> Users:
    return Users(tmp_path / "config", method=CHEAP)


def test_who_was_added_is_known_by_his_password_alone(kept: Users) -> None:
    added = kept.add("Ada", "log", PASSWORD)
    assert (added.name, added.role) == ("Ada", "log")
    assert kept.verified("Ada", PASSWORD) == added
    assert kept.verified("Ada", PASSWORD + " ") is None
    assert kept.verified("ada", PASSWORD) is None
    assert kept.verified("Eve", PASSWORD) is None


def test_the_password_stands_nowhere_and_each_hash_has_a_salt_of_its_own(tmp_path: Path) -> None:
    kept = Users(tmp_path / "config")
    kept.add("Ada", "read", PASSWORD)
    kept.add("Bob", "read", PASSWORD)
    raw = (tmp_path / "config" / users.USERS).read_text("utf-8")
    assert PASSWORD not in raw
    one, two = (user["hash"] for user in json.loads(raw)["users"])
    # The usual strength: werkzeug writes cost, block size and threads before salt and hash.
    assert one.startswith("scrypt:32768:8:1$") and two.startswith("scrypt:32768:8:1$")
    assert one.split("$")[1] != two.split("$")[1]
    assert one.split("$")[2] != two.split("$")[2]
    assert one not in repr(kept.all())


def test_an_unknown_name_takes_the_same_work(kept: Users, monkeypatch: pytest.MonkeyPatch) -> None:
    kept.add("Ada", "read", PASSWORD)
    checked: list[str] = []
    monkeypatch.setattr(users, "check_password_hash", lambda known, given: checked.append(known))
    kept.verified("Ada", "wrong wrong")
    kept.verified("Eve", "wrong wrong")
    assert [known.split("$")[0] for known in checked] == [CHEAP, CHEAP]


def test_letters_that_look_alike_to_a_keyboard_are_one(kept: Users) -> None:
    kept.add("Zo\u00eb", "read", "caf\u00e9 caf\u00e9 1")
    assert kept.verified("Zoe\u0308", "cafe\u0301 cafe\u0301 1") is not None


@pytest.mark.parametrize(
    "name", ["", " Ada", "Ada ", "A\nda", "A\tda", "A\x1b[2Jda", "A\u202eda", "A\u2028b", "x" * 41]
)
def test_names_that_are_not_one_short_line_are_refused(kept: Users, name: str) -> None:
    with pytest.raises(UsersError, match="one line of 1 to 40"):
        kept.add(name, "read", PASSWORD)


@pytest.mark.parametrize(("password", "told"), [("x" * 9, "this has 9"), ("x" * 1001, "1001")])
def test_short_and_endless_passwords_are_refused_and_not_repeated(
    kept: Users, password: str, told: str
) -> None:
    with pytest.raises(UsersError, match=told) as refused:
        kept.add("Ada", "read", password)
    assert password not in str(refused.value)
    assert kept.all() == ()


def test_a_role_that_is_none_is_refused(kept: Users) -> None:
    with pytest.raises(UsersError, match="write one of read, log, manage"):
        kept.add("Ada", "admin", PASSWORD)


def test_two_users_never_differ_by_capitals_alone(kept: Users) -> None:
    kept.add("Ada", "read", PASSWORD)
    with pytest.raises(UsersError, match="there is a user Ada already"):
        kept.add("ADA", "manage", PASSWORD)
    assert kept.find("Ada").role == "read"  # type: ignore[union-attr]


def test_each_change_draws_a_generation_that_never_comes_back(kept: Users) -> None:
    seen = [kept.add("Ada", "read", PASSWORD).generation]
    seen.append(kept.set_role("Ada", "manage").generation)
    seen.append(kept.set_password("Ada", "another password").generation)
    kept.remove("Ada")
    seen.append(kept.add("Ada", "read", PASSWORD).generation)
    assert len(set(seen)) == 4


def test_another_process_sees_a_change_at_once(kept: Users) -> None:
    other = Users(kept.folder, method=CHEAP)
    assert other.all() == ()
    kept.add("Ada", "read", PASSWORD)
    assert [user.name for user in other.all()] == ["Ada"]
    kept.set_role("Ada", "log")
    assert other.find("Ada").role == "log"  # type: ignore[union-attr]
    kept.remove("Ada")
    assert other.all() == ()


def test_many_at_once_lose_nobody(kept: Users) -> None:
    def add(number: int) -> None:
        Users(kept.folder, method=CHEAP).add(f"user {number}", "read", PASSWORD)

    threads = [threading.Thread(target=add, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(kept.all()) == 8


@posix
def test_folder_and_files_are_for_their_owner_alone(
    kept: Users, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = os.umask(0)
    try:
        kept.add("Ada", "read", PASSWORD)
        kept.key()
    finally:
        os.umask(before)
    assert stat.S_IMODE(kept.folder.stat().st_mode) == 0o700
    found = {path.name: stat.S_IMODE(path.stat().st_mode) for path in kept.folder.iterdir()}
    assert {users.USERS, users.KEY} <= set(found)
    assert set(found.values()) == {0o600}


@posix
@pytest.mark.parametrize("name", [users.USERS, users.KEY, "."])
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620])
def test_what_others_can_read_is_not_used(kept: Users, name: str, mode: int) -> None:
    kept.add("Ada", "read", PASSWORD)
    kept.key()
    path = kept.folder / name
    path.chmod(mode | (0o100 if name == "." else 0))
    right = "700" if name == "." else "600"
    with pytest.raises(UsersError, match=f"read by others.*; run: chmod {right} {path}$"):
        kept.key()
        kept.all()
    path.chmod(0o700 if name == "." else 0o600)
    assert kept.verified("Ada", PASSWORD)


def test_the_key_is_drawn_once(kept: Users, tmp_path: Path) -> None:
    key = kept.key()
    assert len(key) == 64
    assert Users(kept.folder, method=CHEAP).key() == key
    assert Users(tmp_path / "other", method=CHEAP).key() != key
    (kept.folder / users.KEY).write_bytes(b"short")
    with pytest.raises(UsersError, match="is damaged"):
        kept.key()


def test_what_cannot_be_written_leaves_all_as_it_was(
    kept: Users, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept.add("Ada", "read", PASSWORD)
    before = (kept.folder / users.USERS).read_bytes()

    def full(*given: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(UsersError, match="No space left"):
        kept.add("Bob", "read", PASSWORD)
    monkeypatch.undo()
    assert (kept.folder / users.USERS).read_bytes() == before
    assert sorted(p.name for p in kept.folder.iterdir()) == [users.USERS, users.LOCK]


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"{",
        b"[]",
        b'{"format": 1}',
        b'{"format": 1, "users": [{"name": "Ada"}]}',
        b'{"format": 1, "users": [{"name": "A", "role": "x", "hash": "", "generation": ""}]}',
        b'{"format": 1, "users": [{"name": 1, "role": "read", "hash": "", "generation": ""}]}',
        b"\xff\xfe",
    ],
)
def test_a_damaged_file_lets_nobody_in(kept: Users, raw: bytes) -> None:
    kept.add("Ada", "read", PASSWORD)
    (kept.folder / users.USERS).write_bytes(raw)
    with pytest.raises(UsersError, match="is damaged"):
        kept.verified("Ada", PASSWORD)


def test_a_file_of_a_newer_program_is_refused(kept: Users) -> None:
    kept.add("Ada", "read", PASSWORD)
    (kept.folder / users.USERS).write_text('{"format": 2, "users": []}')
    with pytest.raises(UsersError, match="update feedtally"):
        kept.all()


class TestWhereTheyAreKept:
    def test_in_the_users_configuration_folder(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        monkeypatch.delenv(users.VARIABLE, raising=False)
        monkeypatch.setattr(
            users.platformdirs, "user_config_dir", lambda name, appauthor: str(tmp_path / name)
        )
        assert users.users_folder() == tmp_path / "feedtally"

    def test_where_the_environment_says(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        monkeypatch.setenv(users.VARIABLE, str(tmp_path / "named"))
        assert users.users_folder() == tmp_path / "named"

    @pytest.mark.parametrize("within", [".", "users", "a/b"])
    def test_never_in_a_store(
        self, monkeypatch: pytest.MonkeyPatch, empty_store: Path, within: str
    ) -> None:
        monkeypatch.setenv(users.VARIABLE, str(empty_store / within))
        with pytest.raises(UsersError, match="never kept in a store"):
            users.users_folder()
