"""How does somebody sign in, stay signed in, and sign out?

A name and a password are given once; a signed cookie then says who it is, until it is too old, was
not used for long, is signed out, or the user was changed. Every route asks for it, whatever it is.
What is refused is logged on one line, and never with a password or a cookie.
"""

from __future__ import annotations

import hmac
import json
import logging
import math
import re
import secrets
import threading
import time
from collections.abc import Callable
from urllib.parse import quote, urlencode

from flask import Flask, Response, redirect, render_template_string, request, session
from werkzeug.exceptions import Forbidden
from werkzeug.wrappers import Response as Answer

from analysis.words import many
from dashboard import access, theme
from dashboard.access import one_line
from dashboard.attempts import Attempts
from dashboard.users import LONGEST_NAME, User, Users, UsersError, read_private, write_private

PATH, OUT = "/sign-in", "/sign-out"

#: Seconds without a request, and seconds in all, after which somebody signs in anew: a shift.
IDLE, LONGEST = 2 * 3600, 12 * 3600

#: Largest body of a request to sign in or out, in bytes.
LARGEST_FORM = 10_000

ENDED = "ended-sessions.json"

#: Files that the page to sign in needs itself.
_OPEN_FILES = ("feedtally.css", "scheme.js")
_OPEN_FOLDER = re.compile(r"fonts/[\w-]+\.woff2")

# Only once a minute does a cookie say anew when it was last used.
_FRESH = 60
# Passwords that are checked at once: each check takes 32 MB and a processor.
_CHECKS = 2
_LONGEST_NEXT = 2000

_SAFE = ("GET", "HEAD", "OPTIONS")

_LOG = logging.getLogger(__name__)

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Sign in · feedtally</title>
<link rel="icon" href="data:,">
<style>{{ styles|safe }}</style>
<link rel="stylesheet" href="/assets/feedtally.css">
<script src="/assets/scheme.js"></script>
</head>
<body>
<header><div class="top"><span class="brand">feedtally</span></div></header>
<main class="sign-in">
<h1>{{ head }}</h1>
{% if told %}<p class="warn" role="alert">{{ told }}</p>{% endif %}
<form method="post" action="/sign-in">
<input type="hidden" name="form" value="{{ form }}">
<input type="hidden" name="next" value="{{ next }}">
<label for="name">Name</label>
<input id="name" name="name" value="{{ name }}" maxlength="{{ longest }}" autocomplete="username"
 autocapitalize="none" spellcheck="false" required {{ "" if name else "autofocus" }}>
<label for="password">Password</label>
<input id="password" name="password" type="password" autocomplete="current-password" required
 {{ "autofocus" if name else "" }}>
<button type="submit" class="main">Sign in</button>
</form>
<p class="sub">Whoever looks after feedtally here adds users and gives new passwords.</p>
</main>
</body>
</html>"""


class Ended:
    """Sessions that were signed out and would still be good; kept in the users' folder.

    Parameters
    ----------
    users : Users
        Whose folder it is.
    """

    def __init__(self, users: Users) -> None:
        self._users = users
        self._path = users.folder / ENDED
        self._read: tuple[object, dict[str, float]] = (None, {})

    def __contains__(self, nonce: object) -> bool:
        """Tell whether a session was signed out.

        Raises
        ------
        UsersError
            When the file cannot be read, so that nobody knows.
        """
        return nonce in self._held()

    def end(self, nonce: str, until: float, now: float) -> None:
        """Remember a session until it would have ended by itself.

        Raises
        ------
        UsersError
            When that cannot be written.
        """
        with self._users.locked():
            held = {known: end for known, end in self._held().items() if end > now}
            held[nonce] = until
            write_private(self._path, json.dumps(held).encode())

    def _held(self) -> dict[str, float]:
        try:
            found = self._path.stat()
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise UsersError(f"{self._path} cannot be read ({error.strerror})") from None
        state = (found.st_mtime_ns, found.st_size, found.st_ino)
        before, held = self._read
        if before != state:
            try:
                told = json.loads(read_private(self._path) or b"{}")
                held = {str(nonce): float(until) for nonce, until in told.items()}
            except (ValueError, AttributeError, TypeError):
                raise UsersError(
                    f"{self._path} is damaged; remove it together with session.key, "
                    "which ends all sessions"
                ) from None
            self._read = (state, held)
        return held


class Sessions:
    """Who has signed in, as far as his cookie and the users file tell.

    Parameters
    ----------
    users : Users
        Who may.
    clock : callable
        Tells the time in seconds, as clocks on the wall do: cookies outlive the program.
    """

    def __init__(self, users: Users, *, clock: Callable[[], float] = time.time) -> None:
        self._users = users
        self._ended = Ended(users)
        self._clock = clock

    def begin(self, user: User) -> None:
        """Make the visitor's cookie that of a user; nothing of what it held before stays."""
        now = self._clock()
        session.clear()
        session.update(
            user=user.name,
            generation=user.generation,
            nonce=secrets.token_urlsafe(16),
            since=now,
            seen=now,
            form=secrets.token_urlsafe(16),
        )

    def current(self) -> User | None:
        """Return the user whose session this request belongs to; None when it is nobody's.

        Raises
        ------
        UsersError
            When users or ended sessions cannot be read.
        """
        if "user" not in session:
            return None
        user = self._users.find(session["user"])
        if user is None or not hmac.compare_digest(user.generation, session["generation"]):
            return None
        now = self._clock()
        # One that begins later than now is of a clock that was wrong.
        if not -_FRESH <= now - session["since"] <= LONGEST or now - session["seen"] > IDLE:
            return None
        if session["nonce"] in self._ended:
            return None
        # Files of the program may be kept by a browser, and a cookie must not be with them.
        if now - session["seen"] > _FRESH and not (_is_of_the_program() or _is_of_a_page()):
            session["seen"] = now
        return user

    def end(self) -> None:
        """End the session of this request, wherever a copy of its cookie may be.

        Raises
        ------
        UsersError
            When that cannot be written.
        """
        self._ended.end(session["nonce"], session["since"] + LONGEST, self._clock())
        session.clear()


def form_token() -> str:
    """Return what a form must bring along: it is in the visitor's cookie too, and nowhere else."""
    if "form" not in session:
        session["form"] = secrets.token_urlsafe(16)
    return str(session["form"])


def own_path(text: str) -> str:
    """Return an address to go on to: a path of this server as it stands, else the first page.

    Browsers take two slashes, or a slash and a backslash, for another server's name, and leave
    out tabs and line breaks on the way there.
    """
    plain = re.fullmatch(r"/(?![/\\])[!-\[\]-~]*", text)
    if not plain or len(text) > _LONGEST_NEXT or re.match(r"/(sign-|_)", text):
        return "/"
    return text


def register(
    server: Flask,
    users: Users,
    *,
    cookie: str,
    secure: bool,
    clock: Callable[[], float] = time.time,
    attempts: Attempts | None = None,
) -> None:
    """Put every route of a server behind the sign-in.

    Parameters
    ----------
    server : Flask
        Of the pages; no request was answered yet.
    users : Users
        Who may sign in.
    cookie : str
        The name of the cookie.
    secure : bool
        Whether browsers send it over https alone.
    clock : callable
        Tells the time in seconds, as clocks on the wall do.
    attempts : Attempts, optional
        What failed before.

    Raises
    ------
    UsersError
        When the key cannot be read or made.
    """
    sessions = Sessions(users, clock=clock)
    attempts = Attempts() if attempts is None else attempts
    checks = threading.BoundedSemaphore(_CHECKS)
    server.secret_key = users.key()
    server.config.update(
        {
            access.ASKED: True,
            "SESSION_COOKIE_NAME": cookie,
            "SESSION_COOKIE_HTTPONLY": True,
            "SESSION_COOKIE_SECURE": secure,
            # "Strict" would ask whoever follows a link in a mail to sign in again. Nothing is ever
            # changed by following one.
            "SESSION_COOKIE_SAMESITE": "Lax",
            "PERMANENT_SESSION_LIFETIME": LONGEST,
        }
    )

    @server.before_request
    def _() -> Answer | None:
        try:
            user = sessions.current()
        except UsersError as error:
            return _out_of_order(error)
        if user is not None:
            access.admit(access.Visitor(user.name, user.role))
        if _is_open():
            return None
        if user is None:
            return _not_signed_in()
        if request.method not in _SAFE and request.endpoint != "/_dash-update-component":
            access.require("log")
        return None

    @server.after_request
    def _(response: Response) -> Response:
        if _is_of_the_program():
            response.cache_control.public = False
            response.cache_control.private = True
        else:
            # What one has seen is not shown to who comes after him, by Back or by a proxy.
            response.headers["Cache-Control"] = "private, no-store"
        return response

    @server.errorhandler(Forbidden)
    def _(error: Forbidden) -> Response:
        _refused(f"{access.user_name() or 'nobody'} may not")
        return _plain(str(error.description), 403)

    @server.get(PATH, endpoint="sign_in")
    def _() -> Answer:
        next_ = own_path(request.args.get("next", ""))
        if access.visitor() is not None:
            return redirect(next_, 303)
        had = "user" in session
        for name in [name for name in session if name != "form"]:
            del session[name]
        return _page(next_, head="Your sign-in has ended; sign in again." if had else "Sign in")

    @server.post(PATH, endpoint="sign_in_sent")
    def _() -> Answer:
        name, next_ = request.form.get("name", ""), own_path(request.form.get("next", ""))
        if not _has_token():
            _refused("sign-in form without the token of its cookie")
            return _page(next_, 400, told="This page was open too long; please sign in once more.")
        if len(name) > LONGEST_NAME:
            name = name[: LONGEST_NAME + 1]
        address = request.remote_addr or ""
        wait = attempts.begin(name, address)
        if wait > 0:
            _refused(f"sign-in of {_whose(name)} before its wait was over")
            return _wait(next_, name, math.ceil(wait))
        if not checks.acquire(timeout=5):
            _refused("sign-in while others are signing in")
            return _wait(next_, name, 5)
        try:
            user = users.verified(name, request.form.get("password", ""))
        except UsersError as error:
            return _out_of_order(error)
        finally:
            checks.release()
        if user is None:
            _refused(f"sign-in of {_whose(name)} with a wrong password")
            return _page(next_, 401, told="This name and password do not go together.", name=name)
        attempts.succeeded(name, address)
        sessions.begin(user)
        _LOG.info("%s signed in from %s", one_line(user.name), one_line(address))
        return redirect(next_, 303)

    @server.post(OUT, endpoint="sign_out")
    def _() -> Answer:
        who = access.visitor()
        if who is None:
            return redirect(PATH, 303)
        if not _has_token():
            _refused("sign-out form without the token of its cookie")
            return _plain("Open the page again, and sign out there.", 403)
        try:
            sessions.end()
        except UsersError as error:
            return _out_of_order(error)
        _LOG.info("%s signed out from %s", one_line(who.name), one_line(request.remote_addr))
        return redirect(PATH, 303)

    def _whose(name: str) -> str:
        # A name that nobody has may be a password in the wrong place.
        try:
            user = users.find(name)
        except UsersError:
            user = None
        return one_line(user.name) if user else "an unknown name"


def _is_open() -> bool:
    if request.endpoint in ("sign_in", "sign_in_sent", "sign_out"):
        return True
    file = str((request.view_args or {}).get("filename", ""))
    return request.endpoint == "_dash_assets.static" and (
        file in _OPEN_FILES or _OPEN_FOLDER.fullmatch(file) is not None
    )


def _is_of_the_program() -> bool:
    """Tell whether an answer is a file of the program, the same for everybody."""
    return request.endpoint == "_dash_assets.static" or str(request.endpoint).startswith(
        "/_dash-component-suites/"
    )


def _is_of_a_page() -> bool:
    """Tell whether a page asked by itself: who has left it open uses nothing."""
    return request.method == "GET" and request.headers.get("X-Feedtally") == "look"


def _has_token() -> bool:
    held, given = str(session.get("form", "")), request.form.get("form", "")
    return bool(held) and hmac.compare_digest(held.encode(), given.encode())


def _not_signed_in() -> Answer:
    _refused("no session" if "user" not in session else "the session has ended")
    by_a_person = (
        request.method in ("GET", "HEAD")
        and request.headers.get("Sec-Fetch-Mode", "navigate") == "navigate"
        and "text/html" in request.headers.get("Accept", "")
    )
    if not by_a_person:
        return _plain(f"Sign in first, at {PATH}.", 401)
    asked = quote(request.path, safe="/:@!$&'()*+,;=~")
    if request.query_string:
        asked += f"?{quote(request.query_string, safe='/:@!$&()*+,;=~?%')}"
    next_ = own_path(asked)
    return redirect(f"{PATH}?{urlencode({'next': next_})}" if next_ != "/" else PATH, 303)


def _page(
    next_: str, status: int = 200, *, head: str = "Sign in", told: str = "", name: str = ""
) -> Response:
    page = render_template_string(
        _PAGE,
        styles=theme.stylesheet(),
        head=head,
        told=told,
        form=form_token(),
        next=next_,
        name=name,
        longest=LONGEST_NAME,
    )
    return Response(page, status, mimetype="text/html")


def _wait(next_: str, name: str, seconds: int) -> Response:
    told = f"That was tried too often; wait {many(seconds, 'second')}."
    answer = _page(next_, 429, told=told, name=name)
    answer.headers["Retry-After"] = str(seconds)
    return answer


def _out_of_order(error: UsersError) -> Response:
    _LOG.error("nobody can sign in: %s", error)
    return _plain(
        "Nobody can sign in just now; the reason is printed where feedtally was started.", 503
    )


def _plain(sentence: str, status: int) -> Response:
    return Response(f"{sentence}\n", status, mimetype="text/plain")


def _refused(why: str) -> None:
    _LOG.warning(
        "refused %s %s from %s: %s",
        one_line(request.method),
        one_line(request.path),
        one_line(request.remote_addr),
        why,
    )
