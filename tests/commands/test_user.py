"""Who may sign in, from the command line; and what serving beyond this machine needs."""

from __future__ import annotations

import getpass
import io
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from dashboard import users
from dashboard.commands import serve
from dashboard.serving import Serving
from dashboard.users import Users

PASSWORD = "ten letters"


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep users in a folder of the test's own; hash with the least work that is scrypt."""
    monkeypatch.setenv(users.VARIABLE, str(tmp_path / "config"))
    monkeypatch.setattr(Users.__init__, "__kwdefaults__", {"method": "scrypt:1024:8:1"})
    return tmp_path / "config"


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Type passwords at a terminal."""

    def type_(*passwords: str) -> None:
        left = list(passwords)
        monkeypatch.setattr(sys, "stdin", Terminal())
        monkeypatch.setattr(getpass, "getpass", lambda prompt: left.pop(0))

    return type_


@pytest.fixture
def piped(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    def pipe(text: str) -> None:
        monkeypatch.setattr(sys, "stdin", io.StringIO(text))

    return pipe


def test_a_user_is_added_and_changed_and_removed(run, folder: Path, typed) -> None:
    assert "feedtally user add NAME" in run("user", "list").out
    typed(PASSWORD, PASSWORD)
    said = run("user", "add", "Ada", "--role", "read")
    assert (said.code, said.err) == (0, "")
    assert said.out == f"Ada may sign in, role read; users are kept in {folder}.\n"
    assert Users(folder).verified("Ada", PASSWORD).role == "read"
    assert run("user", "role", "Ada", "manage").code == 0
    assert run("user", "list").out == "Ada  manage\n"
    typed("another one", "another one")
    assert run("user", "password", "Ada").code == 0
    assert Users(folder).verified("Ada", PASSWORD) is None
    assert Users(folder).verified("Ada", "another one") is not None
    assert run("user", "remove", "Ada").code == 0
    assert Users(folder).all() == ()


@pytest.mark.parametrize("end", ["\n", "\r\n", "", "\nmore\n"])
def test_a_password_may_come_on_standard_input(run, folder: Path, piped, end: str) -> None:
    piped(PASSWORD + end)
    said = run("user", "add", "Ada", "--role", "log", "--password-from-stdin")
    assert said.code == 0 and PASSWORD not in said.out
    assert Users(folder).verified("Ada", PASSWORD) is not None


def test_without_a_terminal_it_is_told_how(run, folder: Path, piped) -> None:
    piped(PASSWORD + "\n")
    run("user", "add", "Ada", "--role", "log").refused("add --password-from-stdin")
    assert not (folder / users.USERS).exists()


def test_two_that_differ_are_refused(run, folder: Path, typed) -> None:
    typed(PASSWORD, PASSWORD + "x")
    run("user", "add", "Ada", "--role", "log").refused("the two passwords differ")
    assert Users(folder).all() == ()


def test_what_will_not_do_is_said_before_a_password_is_asked(run, folder: Path, typed) -> None:
    typed()
    run("user", "add", "Ada", "--role", "boss").refused("write one of read, log, manage")
    run("user", "add", "A\nda", "--role", "log").refused("a user's name is one line")
    run("user", "add", "Ada").refused("--role")
    run("user").refused("ACTION")
    run("user", "role", "E\nve", "log").refused("there is no user 'E\\nve'")
    run("user", "remove", "Eve").refused("feedtally user list")


def test_a_short_password_is_refused_and_not_repeated(run, folder: Path, typed) -> None:
    typed("short one")
    said = run("user", "add", "Ada", "--role", "log")
    said.refused("a password has 10 to 1000 characters; this has 9")
    assert "short one" not in said.err


class TestServe:
    @pytest.fixture
    def served(self, monkeypatch: pytest.MonkeyPatch) -> list[Serving]:
        found: list[Serving] = []
        monkeypatch.setattr(
            serve, "serve_folder", lambda folder, port, serving: found.append(serving) or 0
        )
        return found

    @pytest.mark.parametrize(
        "words",
        [
            ["--host", "0.0.0.0", "--name", "office.example"],
            ["--host", "192.0.2.7"],
            ["--host", "::1"],
            ["--name", "office.example"],
            ["--behind", "https://office.example", "--port", "8765"],
            ["--sign-in"],
        ],
    )
    def test_a_sign_in_needs_users(
        self, run, empty_store: Path, folder: Path, served: list[Serving], words: list[str]
    ) -> None:
        run("serve", "--store", empty_store, *words).refused("feedtally user add")
        assert served == []
        Users(folder).add("Ada", "read", PASSWORD)
        assert run("serve", "--store", empty_store, *words).code == 0
        assert served[0].users is not None

    def test_this_machine_needs_none(
        self, run, empty_store: Path, folder: Path, served: list[Serving]
    ) -> None:
        assert run("serve", "--store", empty_store).code == 0
        assert served == [Serving()]
        assert not folder.exists()

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            (["--host", "office.example"], "is no address of this machine"),
            (["--host", "0.0.0.0"], "--name NAME"),
            (["--host", "::"], "--name NAME"),
            (["--name", "http://office.example"], "without http:// and port"),
            (["--name", "office.example:80"], "without http:// and port"),
            (["--name", "a b"], "without http:// and port"),
            (["--behind", "http://office.example"], "is no address of a proxy"),
            (["--behind", "https://office.example/pages"], "is no address of a proxy"),
            (["--behind", "https://me@office.example"], "is no address of a proxy"),
            (["--behind", "https://office.example:x"], "is no address of a proxy"),
            (["--behind", "https://o.example"], "needs --port"),
            (["--behind", "https://o.example", "--host", "192.0.2.7"], "leave --host out"),
            (["--behind", "https://o.example", "--name", "p.example"], "leave --name out"),
        ],
    )
    def test_what_cannot_be_is_said(
        self,
        run,
        empty_store: Path,
        folder: Path,
        served: list[Serving],
        words: list[str],
        told: str,
    ) -> None:
        Users(folder).add("Ada", "read", PASSWORD)
        run("serve", "--store", empty_store, *words).refused(told)
        assert served == []
