"""Signing in and out: who gets in, for how long, and what is refused."""

from __future__ import annotations

import base64
import json
import logging
import os
import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from dash import Input, Output
from flask import Flask, Response
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from dashboard import access, sign_in
from dashboard.app import create_app
from dashboard.attempts import Attempts
from dashboard.data import Data
from dashboard.sign_in import IDLE, LONGEST, own_path
from dashboard.users import Users

PASSWORD = {"Ada": "ada's ten letters", "Bob": "bob's ten letters", "Cy": "cy has ten letters"}
ROLES = {"Ada": "manage", "Bob": "read", "Cy": "log"}
AT = "http://127.0.0.1:8765"


class Clock:
    def __init__(self) -> None:
        self.now = 2e9

    def __call__(self) -> float:
        return self.now


@dataclass
class Pages:
    """A server behind the sign-in, small or whole, and what its clocks say."""

    server: Flask
    users: Users
    clock: Clock = field(default_factory=Clock)
    waits: Clock = field(default_factory=Clock)
    secure: bool = False

    def __post_init__(self) -> None:
        self.attempts = Attempts(clock=self.waits)
        sign_in.register(
            self.server,
            self.users,
            cookie="feedtally-8765",
            secure=self.secure,
            clock=self.clock,
            attempts=self.attempts,
        )

    def visitor(self, name: str = "", at: str = AT) -> Visitor:
        visitor = Visitor(self.server.test_client(), at)
        if name:
            assert visitor.sign_in(name).status_code == 303
        return visitor


@dataclass
class Visitor:
    client: FlaskClient
    at: str

    def get(self, path: str, **headers: str) -> TestResponse:
        """Open a page, as a browser does."""
        told = {"Accept": "text/html,*/*", **{k.replace("_", "-"): v for k, v in headers.items()}}
        return self.client.get(path, base_url=self.at, headers=told, buffered=True)

    def ask(self, path: str, method: str = "GET", **more: Any) -> TestResponse:
        """Ask as a script does."""
        return self.client.open(path, method=method, base_url=self.at, buffered=True, **more)

    def token(self) -> str:
        found = re.search(r'name="form" value="([^"]+)"', self.get("/sign-in").text)
        assert found
        return found[1]

    def sign_in(
        self, name: str, password: str = "", next_: str = "/", address: str = "192.0.2.1"
    ) -> TestResponse:
        form = {
            "form": self.token(),
            "name": name,
            "password": password or PASSWORD[name],
            "next": next_,
        }
        return self.ask("/sign-in", "POST", data=form, environ_overrides={"REMOTE_ADDR": address})

    def cookie(self) -> str:
        held = self.client.get_cookie("feedtally-8765", "127.0.0.1")
        return held.value if held else ""


def add_all(folder: Path) -> Users:
    users = Users(folder, method="scrypt:1024:8:1")
    for name, role in ROLES.items():
        users.add(name, role, PASSWORD[name])
    return users


def small_server() -> Flask:
    server = Flask("small", static_folder=None)
    server.get("/")(lambda: f"the first page, {access.user_name()}")
    server.get("/numbers.csv", endpoint="numbers")(lambda: Response("1,2", mimetype="text/csv"))
    server.post("/change", endpoint="change")(lambda: "changed")

    @server.get("/managed")
    def managed() -> str:
        access.require("manage")
        return "managed"

    server.get("/token", endpoint="token")(lambda: sign_in.form_token())
    return server


@pytest.fixture
def pages(tmp_path: Path) -> Pages:
    return Pages(small_server(), add_all(tmp_path / "config"))


class TestSigningIn:
    def test_the_right_password_opens_the_page_that_was_asked_for(self, pages: Pages) -> None:
        visitor = pages.visitor()
        first = visitor.get("/numbers.csv?tower=B&x=a%20b")
        assert first.status_code == 303
        to = first.location
        assert to == "/sign-in?next=%2Fnumbers.csv%3Ftower%3DB%26x%3Da%2520b"
        shown = visitor.get(to)
        assert shown.status_code == 200
        assert 'name="next" value="/numbers.csv?tower=B&amp;x=a%20b"' in shown.text
        done = visitor.sign_in("Ada", next_="/numbers.csv?tower=B&x=a%20b")
        assert (done.status_code, done.location) == (303, "/numbers.csv?tower=B&x=a%20b")
        assert visitor.get("/numbers.csv").text == "1,2"
        assert visitor.get("/").text == "the first page, Ada"
        # The page to sign in has nothing more to ask.
        assert visitor.get("/sign-in?next=/numbers.csv").location == "/numbers.csv"

    @pytest.mark.parametrize("name", ["Ada", "Eve", "", "x" * 3000, "A\nda", "<b>Ada"])
    def test_a_wrong_one_does_not_and_does_not_say_which_is_wrong(
        self, pages: Pages, name: str
    ) -> None:
        visitor = pages.visitor()
        answer = visitor.sign_in(name, "not the password")
        assert answer.status_code == 401
        assert "This name and password do not go together." in answer.text
        assert "not the password" not in answer.text
        assert "<b>Ada" not in answer.text
        assert visitor.get("/").status_code == 303

    def test_an_empty_password_is_wrong(self, pages: Pages) -> None:
        visitor = pages.visitor()
        form = {"form": visitor.token(), "name": "Ada"}
        assert visitor.ask("/sign-in", "POST", data=form).status_code == 401

    @pytest.mark.parametrize("token", [None, "", "x", "é"])
    def test_a_form_from_elsewhere_is_refused(
        self, pages: Pages, token: str | None, caplog: pytest.LogCaptureFixture
    ) -> None:
        visitor = pages.visitor()
        visitor.token()
        form = {"name": "Ada", "password": PASSWORD["Ada"], "form": token}
        answer = visitor.ask(
            "/sign-in", "POST", data={k: v for k, v in form.items() if v is not None}
        )
        assert answer.status_code == 400
        assert visitor.get("/").status_code == 303
        assert "without the token" in caplog.text
        # Nor with the token of another visitor's cookie.
        form["form"] = pages.visitor().token()
        assert visitor.ask("/sign-in", "POST", data=form).status_code == 400

    def test_nothing_of_the_cookie_from_before_stays(self, pages: Pages) -> None:
        visitor = pages.visitor()
        before = visitor.token()
        cookie = visitor.cookie()
        assert visitor.sign_in("Ada").status_code == 303
        assert before not in visitor.get("/token").text
        # Who knows the cookie from before has nothing of the session.
        other = pages.visitor()
        other.client.set_cookie("feedtally-8765", cookie, domain="127.0.0.1")
        assert other.get("/").status_code == 303

    def test_the_cookie_is_for_the_server_alone(self, pages: Pages, tmp_path: Path) -> None:
        set_ = pages.visitor().sign_in("Ada").headers["Set-Cookie"]
        assert set_.startswith("feedtally-8765=")
        assert {"HttpOnly", "SameSite=Lax", "Path=/"} <= set(set_.split("; "))
        assert "Secure" not in set_ and "Domain" not in set_ and "Expires" not in set_
        behind = Pages(small_server(), add_all(tmp_path / "other"), secure=True)
        set_ = behind.visitor(at="https://office.example").sign_in("Ada").headers["Set-Cookie"]
        assert "Secure" in set_.split("; ")

    def test_what_is_in_the_cookie_is_no_secret(self, pages: Pages) -> None:
        # It is signed, and not hidden from whoever holds it.
        cookie = pages.visitor("Ada").cookie()
        part = cookie.lstrip(".").split(".")[0]
        raw = base64.urlsafe_b64decode(part + "=" * (-len(part) % 4))
        # One that begins with a full stop is compressed.
        told = json.loads(zlib.decompress(raw) if cookie.startswith(".") else raw)
        assert set(told) == {"user", "generation", "nonce", "since", "seen", "form"}

    def test_a_cookie_that_was_changed_or_signed_elsewhere_is_nobodys(
        self, pages: Pages, tmp_path: Path
    ) -> None:
        cookie = pages.visitor("Bob").cookie()
        other = Pages(small_server(), add_all(tmp_path / "other"))
        for bad in (cookie[:-2] + "xx", "x" + cookie, other.visitor("Ada").cookie(), "", "." * 9):
            visitor = pages.visitor()
            visitor.client.set_cookie("feedtally-8765", bad, domain="127.0.0.1")
            assert visitor.get("/").status_code == 303


class TestTheEndOfASession:
    def test_unused_for_long(self, pages: Pages) -> None:
        visitor = pages.visitor("Ada")
        pages.clock.now += IDLE
        assert visitor.get("/").status_code == 200
        pages.clock.now += IDLE
        assert visitor.get("/").status_code == 200
        pages.clock.now += IDLE + 1
        assert visitor.get("/").status_code == 303
        assert "Your sign-in has ended" in visitor.get("/sign-in").text

    def test_older_than_a_shift_however_much_it_was_used(self, pages: Pages) -> None:
        visitor = pages.visitor("Ada")
        for _ in range(LONGEST // 3600):
            pages.clock.now += 3600
            assert visitor.get("/").status_code == 200
        pages.clock.now += 1
        assert visitor.get("/").status_code == 303

    def test_begun_later_than_now(self, pages: Pages) -> None:
        visitor = pages.visitor("Ada")
        pages.clock.now -= 3600
        assert visitor.get("/").status_code == 303

    @pytest.mark.parametrize(
        "change",
        [
            lambda users: users.remove("Ada"),
            lambda users: users.set_role("Ada", "read"),
            lambda users: users.set_password("Ada", "some other words"),
            lambda users: (users.remove("Ada"), users.add("Ada", "manage", PASSWORD["Ada"])),
        ],
    )
    def test_a_user_who_was_changed(self, pages: Pages, change: Callable[[Users], object]) -> None:
        visitor, other = pages.visitor("Ada"), pages.visitor("Bob")
        change(Users(pages.users.folder, method="scrypt:1024:8:1"))
        assert visitor.get("/").status_code == 303
        assert other.get("/").status_code == 200

    def test_sign_out_ends_copies_of_the_cookie_too_and_after_a_restart(
        self, pages: Pages, tmp_path: Path
    ) -> None:
        visitor, thief = pages.visitor("Ada"), pages.visitor()
        again = pages.visitor("Ada")
        thief.client.set_cookie("feedtally-8765", visitor.cookie(), domain="127.0.0.1")
        assert thief.get("/").status_code == 200
        token = visitor.get("/token").text
        done = visitor.ask("/sign-out", "POST", data={"form": token})
        assert (done.status_code, done.location) == (303, "/sign-in")
        assert visitor.get("/").status_code == 303
        assert thief.get("/").status_code == 303
        # Elsewhere he is still signed in.
        assert again.get("/").status_code == 200
        restarted = Pages(small_server(), Users(pages.users.folder), pages.clock)
        later = restarted.visitor()
        later.client.set_cookie("feedtally-8765", thief.cookie(), domain="127.0.0.1")
        assert later.get("/").status_code == 303
        later.client.set_cookie("feedtally-8765", again.cookie(), domain="127.0.0.1")
        assert later.get("/").status_code == 200

    def test_what_has_ended_by_itself_is_forgotten(self, pages: Pages) -> None:
        kept = pages.users.folder / sign_in.ENDED
        for _ in range(3):
            visitor = pages.visitor("Ada")
            visitor.ask("/sign-out", "POST", data={"form": visitor.get("/token").text})
            pages.clock.now += LONGEST + 1
        assert len(json.loads(kept.read_text())) == 1
        assert os.name != "posix" or kept.stat().st_mode & 0o077 == 0

    @pytest.mark.parametrize("token", ["", "x"])
    def test_signing_somebody_out_from_elsewhere_is_refused(self, pages: Pages, token: str) -> None:
        visitor = pages.visitor("Ada")
        assert visitor.ask("/sign-out", "POST", data={"form": token}).status_code == 403
        assert visitor.ask("/sign-out").status_code in (404, 405)
        assert visitor.get("/").status_code == 200

    def test_who_is_not_signed_in_is_led_to_the_sign_in(self, pages: Pages) -> None:
        assert pages.visitor().ask("/sign-out", "POST").location == "/sign-in"


@pytest.mark.parametrize(
    "next_",
    [
        "//evil.example",
        "/\\evil.example",
        "\\\\evil.example",
        "/\t/evil.example",
        "/\n/evil.example",
        "\t//evil.example",
        " //evil.example",
        "http://evil.example",
        "https:evil.example",
        "javascript:alert(1)",
        "evil.example",
        "@evil.example",
        "/x\r\nSet-Cookie: a=b",
        "/\x00",
        "/é",
        "/sign-in?next=/",
        "/sign-out",
        "/_dash-layout",
        "/" + "x" * 3000,
        "",
    ],
)
def test_an_address_to_go_on_to_is_a_path_of_this_server(pages: Pages, next_: str) -> None:
    assert own_path(next_) == "/"
    visitor = pages.visitor()
    assert visitor.sign_in("Ada", next_=next_).location == "/"
    assert visitor.client.get("/sign-in", query_string={"next": next_}, base_url=AT).location == "/"


@pytest.mark.parametrize("path", ["/", "/drift?tower=B", "/a//b", "/log#x", "/x?y=http://z/%0d%0a"])
def test_others_stay_as_they_are(path: str) -> None:
    assert own_path(path) == path


@pytest.mark.parametrize(
    ("path", "to"),
    [
        ("//evil.example/x", "/sign-in?next=%2Fevil.example%2Fx"),
        ("///evil.example/x", "/sign-in?next=%2Fevil.example%2Fx"),
        # The browser is given the sign again, not what it stands for.
        ("/\\evil.example", "/sign-in?next=%2F%255Cevil.example"),
        ("/\t/evil.example", "/sign-in?next=%2F%2509%2Fevil.example"),
        ("/x\r\nSet-Cookie: a=b", "/sign-in?next=%2Fx%250D%250ASet-Cookie%3A%2520a%3Db"),
    ],
)
def test_who_is_led_to_the_sign_in_never_comes_out_elsewhere(
    pages: Pages, path: str, to: str
) -> None:
    answer = pages.server.test_client().get(
        base_url=AT, headers={"Accept": "text/html"}, environ_overrides={"PATH_INFO": path}
    )
    assert (answer.status_code, answer.location) == (303, to)


class TestRoles:
    @pytest.mark.parametrize(("name", "status"), [("Ada", 200), ("Cy", 200), ("Bob", 403)])
    def test_who_may_only_read_changes_nothing(
        self, pages: Pages, name: str, status: int, caplog: pytest.LogCaptureFixture
    ) -> None:
        answer = pages.visitor(name).ask("/change", "POST")
        assert answer.status_code == status
        if status == 403:
            assert answer.mimetype == "text/plain"
            assert answer.text == (
                "You may read here, but not log; ask whoever looks after feedtally for the role "
                "log.\n"
            )
            assert "refused 'POST' '/change' from '127.0.0.1': Bob may not" in caplog.text

    @pytest.mark.parametrize(("name", "status"), [("Ada", 200), ("Cy", 403), ("Bob", 403)])
    def test_a_page_may_require_more(self, pages: Pages, name: str, status: int) -> None:
        assert pages.visitor(name).get("/managed").status_code == status

    def test_a_new_role_holds_at_once(self, pages: Pages) -> None:
        pages.users.set_role("Ada", "read")
        assert pages.visitor("Ada").get("/managed").status_code == 403

    def test_where_nobody_signs_in_everybody_may_do_everything(self) -> None:
        with Flask("open").test_request_context():
            assert access.allowed("manage") and access.user_name() == ""
            access.require("manage")
        assert access.allowed("manage")

    def test_where_somebody_must_nobody_may_do_anything(self, pages: Pages) -> None:
        with pages.server.test_request_context():
            assert not access.allowed("read")

    def test_a_role_that_is_none_is_a_mistake(self) -> None:
        with pytest.raises(ValueError, match="boss"):
            access.allowed("boss")


class TestGuessing:
    def test_a_name_waits_longer_with_each_failure(self) -> None:
        clock = Clock()
        attempts = Attempts(clock=clock)
        # From a new address each time: what counts here is the name.
        for number in range(5):
            assert attempts.begin("Ada", f"192.0.2.{number}") == 0
        waits = []
        for number in range(9):
            waits.append(attempts.begin("Ada", f"198.51.100.{number}"))
            clock.now += waits[-1]
            assert attempts.begin("Ada", f"203.0.113.{number}") == 0
        assert waits == [1, 2, 4, 8, 16, 32, 60, 60, 60]

    def test_an_address_waits_whatever_names_it_tries(self) -> None:
        clock = Clock()
        attempts = Attempts(clock=clock)
        for number in range(5):
            assert attempts.begin(f"user {number}", "192.0.2.1") == 0
        assert attempts.begin("another", "192.0.2.1") == 1
        assert attempts.begin("another", "192.0.2.2") == 0
        clock.now += 1
        assert attempts.begin("another", "192.0.2.1") == 0
        assert attempts.begin("another", "192.0.2.1") == 2

    def test_addresses_of_one_network_of_version_6_are_one(self) -> None:
        attempts = Attempts(clock=Clock())
        for number in range(5):
            assert attempts.begin(f"user {number}", f"2001:db8::{number}") == 0
        assert attempts.begin("another", "2001:db8::ffff:9") == 1
        assert attempts.begin("another", "2001:db8:0:1::1") == 0
        # One of version 4 that is written as of version 6 is that of version 4.
        for number in range(5):
            attempts.begin(f"user {number}", "::ffff:192.0.2.1")
        assert attempts.begin("more", "192.0.2.1") > 0

    def test_what_is_refused_does_not_lengthen_the_wait(self) -> None:
        clock = Clock()
        attempts = Attempts(clock=clock)
        for number in range(5):
            attempts.begin("Ada", f"192.0.2.{number}")
        for _ in range(100):
            assert attempts.begin("Ada", "192.0.2.9") == 1
        clock.now += 1
        assert attempts.begin("Ada", "192.0.2.9") == 0

    def test_guessing_elsewhere_does_not_keep_the_owner_out(self) -> None:
        clock = Clock()
        attempts = Attempts(clock=clock)
        assert attempts.begin("Ada", "192.0.2.1") == 0
        attempts.succeeded("Ada", "192.0.2.1")
        for number in range(200):
            attempts.begin("Ada", f"198.51.{number}.1")
            clock.now += 1
        assert attempts.begin("Ada", "203.0.113.1") > 0
        assert attempts.begin("Ada", "192.0.2.1") == 0

    @pytest.mark.parametrize("name", ["Ada", "user {}"])
    def test_a_guesser_with_a_name_of_his_own_gains_nothing_by_signing_in(self, name: str) -> None:
        clock = Clock()
        attempts = Attempts(clock=clock)
        tried = 0
        for number in range(300):
            if attempts.begin("Bob", "192.0.2.1") == 0:
                attempts.succeeded("Bob", "192.0.2.1")
            if attempts.begin(name.format(number), "192.0.2.1") == 0:
                tried += 1
            clock.now += 1
        # Waits of 1 to 32 seconds, then one a minute: 300 seconds are 5 + 6 + 4 guesses at most.
        assert tried <= 15

    def test_failures_are_forgotten(self) -> None:
        clock = Clock()
        attempts = Attempts(clock=clock)
        for number in range(5):
            attempts.begin("Ada", f"192.0.2.{number}")
        clock.now += 1000
        for number in range(5):
            assert attempts.begin("Ada", f"192.0.2.{number}") == 0

    def test_memory_is_bounded(self) -> None:
        attempts = Attempts(most=50, clock=Clock())
        for number in range(500):
            attempts.begin(f"user {number}", f"192.0.{number % 250}.{number // 250}")
        assert len(attempts) <= 50

    def test_the_page_says_how_long_and_takes_the_right_password_afterwards(
        self, pages: Pages, caplog: pytest.LogCaptureFixture
    ) -> None:
        visitor = pages.visitor()
        for _ in range(5):
            assert visitor.sign_in("Ada", "wrong wrong").status_code == 401
        answer = visitor.sign_in("Ada")
        assert (answer.status_code, answer.headers["Retry-After"]) == (429, "1")
        assert "That was tried too often; wait 1 second." in answer.text
        assert "before its wait was over" in caplog.text
        pages.waits.now += 1
        assert visitor.sign_in("Ada").status_code == 303

    def test_it_is_the_same_for_a_name_that_nobody_has(self, pages: Pages) -> None:
        visitor = pages.visitor()
        told = [visitor.sign_in("Eve", "wrong wrong").status_code for _ in range(6)]
        assert told == [401] * 5 + [429]


class TestWhatIsLogged:
    def test_one_line_without_password_cookie_or_a_name_that_nobody_has(
        self, pages: Pages, caplog: pytest.LogCaptureFixture
    ) -> None:
        caplog.set_level(logging.INFO, "dashboard")
        visitor = pages.visitor()
        visitor.sign_in("Ada", "wrong wrong", address="192.0.2.5")
        visitor.sign_in("typed a password here", "wrong wrong")
        visitor.sign_in("Ada", address="192.0.2.5")
        pages.visitor().get("/no%0Asuch%1B[2Jpage")
        lines = [record.getMessage() for record in caplog.records]
        assert lines == [
            "refused 'POST' '/sign-in' from '192.0.2.5': sign-in of 'Ada' with a wrong password",
            "refused 'POST' '/sign-in' from '192.0.2.1': sign-in of an unknown name with a wrong "
            "password",
            "'Ada' signed in from '192.0.2.5'",
            "refused 'GET' '/no\\nsuch\\x1b[2Jpage' from '127.0.0.1': no session",
        ]
        for secret in (visitor.cookie(), PASSWORD["Ada"], "wrong wrong", "typed a password"):
            assert secret not in caplog.text


def test_users_that_cannot_be_read_let_nobody_in(
    pages: Pages, caplog: pytest.LogCaptureFixture
) -> None:
    visitor = pages.visitor("Ada")
    (pages.users.folder / "users.json").write_text("{")
    assert visitor.get("/").status_code == 503
    assert "is damaged" in caplog.text
    assert pages.visitor().sign_in("Ada").status_code == 503


def test_ended_sessions_that_cannot_be_read_let_nobody_in(pages: Pages) -> None:
    visitor = pages.visitor("Ada")
    (pages.users.folder / sign_in.ENDED).write_text("{")
    (pages.users.folder / sign_in.ENDED).chmod(0o600)
    assert visitor.get("/").status_code == 503


@pytest.fixture(scope="module")
def whole(sample_data: Data, tmp_path_factory: pytest.TempPathFactory) -> Pages:
    app = create_app(sample_data)

    @app.callback(Output("sample-store", "data"), Input("sample-store", "id"))
    def _(given: str) -> str:
        access.require("manage")
        return "managed"

    return Pages(app.server, add_all(tmp_path_factory.mktemp("whole") / "config"))


class TestTheWholePages:
    def test_no_route_answers_without_a_session(self, whole: Pages) -> None:
        visitor = whole.visitor()
        rules = [*whole.server.url_map.iter_rules()]
        assert len(rules) > 30
        answered = set()
        for rule in rules:
            path = re.sub("<int:[^>]*>", "1", rule.rule)
            path = re.sub("<[^>]*>", "x", path)
            for method in sorted(rule.methods or ()):
                status = visitor.ask(path, method).status_code
                if status != 401:
                    answered.add((path, method, status))
            if "GET" in (rule.methods or ()) and path != "/sign-in":
                assert visitor.get(path).status_code == 303
        assert answered == {
            ("/sign-in", "GET", 200),
            ("/sign-in", "HEAD", 200),
            ("/sign-in", "OPTIONS", 200),
            ("/sign-in", "POST", 400),
            ("/sign-out", "OPTIONS", 200),
            ("/sign-out", "POST", 303),
        }

    @pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE", "PATCH", "TRACE", "X"])
    def test_nor_does_what_is_no_route(self, whole: Pages, method: str) -> None:
        for path in ("/none", "/log/check/", "/static/x", "/assets/../users.py", "//", "/sign-in/"):
            assert whole.visitor().ask(path, method).status_code == 401

    def test_of_the_files_only_those_of_the_sign_in_page(self, whole: Pages) -> None:
        visitor = whole.visitor()
        page = visitor.get("/sign-in").text
        for path in ("/assets/feedtally.css", "/assets/scheme.js"):
            assert path in page
            assert visitor.ask(path).status_code == 200
        assert visitor.ask("/assets/fonts/public-sans.woff2").status_code == 200
        for path in (
            "feedtally.js",
            "fonts/../feedtally.js",
            "fonts/",
            "feedtally.css/",
            "./scheme.js",
        ):
            assert visitor.ask(f"/assets/{path}").status_code in (401, 404)
        assert not re.search(r"<script(?! src=\"/assets/)|\son\w+=|javascript:", page)

    def test_a_callback_is_answered_as_a_script_can_read(self, whole: Pages) -> None:
        answer = whole.visitor().ask("/_dash-update-component", "POST", json={})
        assert (answer.status_code, answer.mimetype) == (401, "text/plain")
        # Whatever it says it takes.
        answer = whole.visitor().get("/_dash-layout", Sec_Fetch_Mode="cors")
        assert answer.status_code == 401

    def test_the_shell_says_who_it_is_and_how_to_leave(self, whole: Pages) -> None:
        visitor = whole.visitor("Bob")
        layout = visitor.ask("/_dash-layout").text
        assert '"Bob"' in layout and "sign out" in layout
        token = re.search(r'"name":"form"[^}]*"value":"([^"]+)"|"value":"([\w-]{22})"', layout)
        assert token
        form = {"form": token[1] or token[2]}
        assert visitor.ask("/sign-out", "POST", data=form).status_code == 303
        assert visitor.ask("/_dash-layout").status_code == 401

    def test_what_holds_data_is_kept_by_nobody_on_the_way(self, whole: Pages) -> None:
        visitor = whole.visitor("Bob")
        paths = (
            "/",
            "/_dash-layout",
            "/acceptance/plan.csv",
            "/reports/weekly.html?week=x",
            "/sign-in",
        )
        for path in paths:
            assert visitor.get(path).headers["Cache-Control"] == "private, no-store", path
        whole.clock.now += 120
        file = visitor.get("/assets/feedtally.js").headers
        assert "private" in file["Cache-Control"] and "no-store" not in file["Cache-Control"]
        # No cookie is kept with a file; any other answer says that the visitor was here.
        assert "Set-Cookie" not in file
        assert "Set-Cookie" in visitor.get("/").headers

    def test_a_role_that_does_not_suffice_is_said_in_a_callback_too(self, whole: Pages) -> None:
        asked = {
            "output": "sample-store.data",
            "outputs": {"id": "sample-store", "property": "data"},
            "inputs": [{"id": "sample-store", "property": "id", "value": "sample-store"}],
            "changedPropIds": ["sample-store.id"],
        }
        answer = whole.visitor("Bob").ask("/_dash-update-component", "POST", json=asked)
        assert (answer.status_code, answer.mimetype) == (403, "text/plain")
        answer = whole.visitor("Ada").ask("/_dash-update-component", "POST", json=asked)
        assert (answer.status_code, "managed" in answer.text) == (200, True)
        assert whole.visitor("Bob").ask("/log/check", "POST").status_code == 403
