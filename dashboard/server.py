"""How are the pages served, to whom, and what is refused?

A server on 127.0.0.1 can still be reached by every web page that is open on the machine: such a
page may send requests here, under this or another name. So only requests that name this server,
and come from no other page, are answered. Beyond this machine every route asks for a sign-in too.
"""

from __future__ import annotations

import copy
import errno
import logging
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterable
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dash import Dash
from waitress import create_server
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser

from dashboard import sign_in
from dashboard.access import one_line
from dashboard.app import create_app
from dashboard.data import Data
from dashboard.pages import log_files
from dashboard.serving import HOST, THIS_MACHINE, Serving

if TYPE_CHECKING:
    from collections.abc import Iterator
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

#: Where a free port is looked for when none is named.
FIRST_PORT, PORTS_TRIED = 8765, 100

#: Largest body of a request, in bytes; pages send a few hundred. Log files may be larger.
LARGEST_BODY = 1_000_000
LARGEST_BODIES = {
    log_files.CHECK: log_files.LARGEST_REQUEST,
    sign_in.PATH: sign_in.LARGEST_FORM,
    sign_in.OUT: sign_in.LARGEST_FORM,
}

#: Requests that are answered at once. One that waits for a slow answer costs little, and must not
#: keep others from being answered.
THREADS = 64

#: Connections that are open at once: a browser keeps six. One on which nothing comes is closed.
CONNECTIONS, SILENT_SECONDS = 400, 60

_LOG = logging.getLogger(__name__)


class OwnOriginOnly:
    """Answer only requests that name this server and come from none but its own pages.

    Parameters
    ----------
    app : WSGI application
        What answers them.
    port : int
        Where it is served.
    serving : Serving
        Under which names.
    """

    def __init__(self, app: WSGIApplication, port: int, serving: Serving = THIS_MACHINE) -> None:
        self._app = app
        self._hosts = serving.hosts(port)
        self._origins = {f"{serving.scheme()}://{host}" for host in self._hosts}
        self._told = (
            f"These pages are at {serving.url(port)}; a proxy in front must pass on the Host it "
            "was asked for."
            if serving.behind
            else f"These pages are not served under this name; open {serving.url(port)}"
            if serving.users
            else f"These pages are served to this machine only; open {serving.url(port)}"
        )

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Answer, or refuse with 403 or 413 and one sentence."""
        host = environ.get("HTTP_HOST", "")
        if host.lower() not in self._hosts:
            _refused(environ, f"Host is {one_line(host)}")
            return _refuse(start_response, "403 Forbidden", self._told)
        origin = environ.get("HTTP_ORIGIN")
        if origin is not None and origin.lower() not in self._origins:
            _refused(environ, f"Origin is {one_line(origin)}")
            return _refuse(
                start_response, "403 Forbidden", "Pages from elsewhere may not ask here."
            )
        # What browsers say of where a request comes from; no page can make them say otherwise.
        site = environ.get("HTTP_SEC_FETCH_SITE", "").lower()
        if site in ("cross-site", "same-site") and (
            environ.get("REQUEST_METHOD") not in ("GET", "HEAD", "OPTIONS")
        ):
            _refused(environ, f"Sec-Fetch-Site is {site}")
            return _refuse(
                start_response, "403 Forbidden", "Pages from elsewhere may change nothing here."
            )
        most = LARGEST_BODIES.get(environ.get("PATH_INFO", ""), LARGEST_BODY)
        try:
            length = int(environ.get("CONTENT_LENGTH") or 0)
        except ValueError:
            length = most + 1
        if not 0 <= length <= most:
            _refused(environ, f"more than {most} bytes")
            return _refuse(
                start_response,
                "413 Content Too Large",
                "That is more than these pages take at once; use feedtally add FILE for logs.",
            )
        return self._app(environ, start_response)


def _refused(environ: WSGIEnvironment, why: str) -> None:
    _LOG.warning(
        "refused %s %s from %s: %s",
        one_line(environ.get("REQUEST_METHOD", "")),
        one_line(environ.get("PATH_INFO", "")),
        one_line(environ.get("REMOTE_ADDR", "")),
        why,
    )


def _refuse(start_response: StartResponse, status: str, sentence: str) -> list[bytes]:
    body = f"{sentence}\n".encode()
    start_response(
        status,
        [("Content-Type", "text/plain; charset=utf-8"), ("Content-Length", str(len(body)))],
    )
    return [body]


def security_headers() -> list[tuple[str, str]]:
    """Return the headers that keep a page from reaching, or being shown, elsewhere."""
    policy = {
        "default-src": "'self'",
        # No script in a page, by hash or otherwise: all of them are files of the program.
        "script-src": "'self'",
        # Figures and Dash's parts write styles into the page.
        "style-src": "'self' 'unsafe-inline'",
        # A saved figure is made in the browser, as data.
        "img-src": "'self' data: blob:",
        # A report is one file, with its type in it.
        "font-src": "'self' data:",
        "connect-src": "'self'",
        "object-src": "'none'",
        "base-uri": "'none'",
        "form-action": "'self'",
        "frame-ancestors": "'none'",
    }
    return [
        ("Content-Security-Policy", "; ".join(f"{k} {v}" for k, v in policy.items())),
        ("X-Content-Type-Options", "nosniff"),
        # Told to nobody else. Without any, browsers give the origin of a form as null.
        ("Referrer-Policy", "same-origin"),
        ("X-Frame-Options", "DENY"),
        ("Cross-Origin-Resource-Policy", "same-origin"),
        ("Cross-Origin-Opener-Policy", "same-origin"),
        ("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
    ]


def _with_headers(app: WSGIApplication, headers: list[tuple[str, str]]) -> WSGIApplication:
    def answer(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        def start(status: str, given: list[tuple[str, str]], *failure: Any) -> Any:
            return start_response(status, [*given, *headers], *failure)

        return app(environ, start)

    return answer


def build_wsgi(data: Data, port: int, serving: Serving = THIS_MACHINE) -> WSGIApplication:
    """Return the pages of a store with all that guards them.

    Parameters
    ----------
    data : Data
        The store.
    port : int
        Where they will be served.
    serving : Serving
        Under which names, and to whom.

    Raises
    ------
    dashboard.users.UsersError
        When a sign-in is asked and the users' folder cannot be used.
    """
    app: Dash = create_app(data)
    # What is read is counted too, whatever a request says of itself; the log page allows more.
    app.server.config["MAX_CONTENT_LENGTH"] = LARGEST_BODY
    if serving.users is not None:
        sign_in.register(
            app.server, serving.users, cookie=serving.cookie(port), secure=bool(serving.behind)
        )
    # Dash sets itself up at its first request; have it done before several come at once.
    app.server.test_client().get("/" if serving.users is None else sign_in.PATH)
    guarded = OwnOriginOnly(app.server.wsgi_app, port, serving)
    return _with_headers(guarded, security_headers())


class _Parser(HTTPRequestParser):  # type: ignore[misc]
    """Refuse a request that is too large for its address before its body is read, and log it."""

    adj: Any
    asked_from = ""

    def parse_header(self, header_plus: bytes) -> None:
        super().parse_header(header_plus)
        self.adj = copy.copy(self.adj)
        self.adj.max_request_body_size = LARGEST_BODIES.get(self.path, LARGEST_BODY) + 1

    def received(self, data: bytes) -> int:
        before = self.error
        consumed = int(super().received(data))
        if self.error is not None and before is None:
            _LOG.warning(
                "refused %s %s from %s: %s",
                one_line(getattr(self, "command", "")),
                one_line(getattr(self, "path", "")),
                one_line(self.asked_from),
                one_line(self.error.body),
            )
        return consumed


class _Channel(HTTPChannel):  # type: ignore[misc]
    """A connection that knows, while a request comes in, from where."""

    addr: Any

    def parser_class(self, adjustments: Any) -> _Parser:
        made = _Parser(adjustments)
        made.asked_from = self.addr[0]
        return made


def serve(
    folder: Path,
    *,
    port: int | None,
    announce: Callable[[str], None],
    serving: Serving = THIS_MACHINE,
) -> None:
    """Serve the pages of a store until stopped by Ctrl-C or a request to end.

    Parameters
    ----------
    folder : Path
        The store.
    port : int or None
        Where; None for the first free one from 8765 up, 0 for any.
    announce : callable
        Is given the address once requests are taken.
    serving : Serving
        Under which names, and to whom.

    Raises
    ------
    analysis.snapshot.StoreError
        When there is no store, or one that cannot be read.
    dashboard.users.UsersError
        When a sign-in is asked and the users' folder cannot be used.
    OSError
        When the port is taken, or the address is none of this machine's.
    """
    data = Data(folder)
    with _listening(port, serving.host) as sock:
        taken = sock.getsockname()[1]
        # Who asks is told by the proxy in front, and by nobody else.
        proxy = {
            "trusted_proxy": HOST,
            "trusted_proxy_count": 1,
            "trusted_proxy_headers": {"x-forwarded-for"},
            "url_scheme": "https",
        }
        server = create_server(
            build_wsgi(data, taken, serving),
            sockets=[sock],
            threads=THREADS,
            connection_limit=CONNECTIONS,
            channel_timeout=SILENT_SECONDS,
            # The other way of waiting for many connections ends at a number of open files.
            asyncore_use_poll=True,
            # A request takes a thread only once it has come whole; large ones wait on disk until
            # then, not in memory. `_Parser` says how large one may be by its address.
            max_request_body_size=max(LARGEST_BODIES.values()) + 1,
            ident=None,
            clear_untrusted_proxy_headers=True,
            **(proxy if serving.behind else {}),
        )
        server.channel_class = _Channel
        with _ended_by_signal():
            announce(serving.url(taken))
            # Ends on KeyboardInterrupt, when answers under way are finished.
            server.run()
        server.close()


@contextmanager
def _listening(port: int | None, host: str) -> Iterator[socket.socket]:
    sock = _bound(port, host)
    try:
        yield sock
    finally:
        sock.close()


def _bound(port: int | None, host: str = HOST) -> socket.socket:
    if port is not None:
        return _bind(port, host)
    for candidate in range(FIRST_PORT, FIRST_PORT + PORTS_TRIED):
        try:
            return _bind(candidate, host)
        except OSError as error:
            if error.errno == errno.EADDRNOTAVAIL:
                raise
    raise OSError(f"no port from {FIRST_PORT} to {FIRST_PORT + PORTS_TRIED - 1} is free")


def _bind(port: int, host: str = HOST) -> socket.socket:
    sock = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix" and sys.platform != "cygwin":
            # A port left a moment ago may be taken again. On Windows this option would let two
            # programs share one port.
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((host, port))
    except OSError:
        sock.close()
        raise
    return sock


@contextmanager
def _ended_by_signal() -> Iterator[None]:
    """Take a request to end (SIGTERM) as Ctrl-C; only the main thread may say so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
