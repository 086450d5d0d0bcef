"""How are the pages served to this machine, and to nobody else?

A server on 127.0.0.1 can still be reached by every web page that is open on the machine: such a
page may send requests here, under this or another name. So only requests that name this server,
and come from no other page, are answered.
"""

from __future__ import annotations

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

from dashboard.app import create_app
from dashboard.data import Data
from dashboard.pages import log

if TYPE_CHECKING:
    from collections.abc import Iterator
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

HOST = "127.0.0.1"

#: Where a free port is looked for when none is named.
FIRST_PORT, PORTS_TRIED = 8765, 100

#: Largest body of a request, in bytes; pages send a few hundred. Log files may be larger.
LARGEST_BODY = 1_000_000
LARGEST_BODIES = {log.CHECK: log.LARGEST_REQUEST}


class OwnOriginOnly:
    """Answer only requests that name this server and come from none but its own pages.

    Parameters
    ----------
    app : WSGI application
        What answers them.
    port : int
        Where it is served.
    """

    def __init__(self, app: WSGIApplication, port: int) -> None:
        self._app = app
        names = ("127.0.0.1", "localhost", "[::1]")
        hosts = {f"{name}:{port}" for name in names}
        # Browsers leave out the port that is usual for http.
        self._hosts = hosts | set(names) if port == 80 else hosts
        self._origins = {f"http://{host}" for host in self._hosts}
        self._address = f"http://{HOST}:{port}/"

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Answer, or refuse with 403 or 413 and one sentence."""
        if environ.get("HTTP_HOST", "").lower() not in self._hosts:
            return _refuse(
                start_response,
                "403 Forbidden",
                f"These pages are served to this machine only; open {self._address}",
            )
        origin = environ.get("HTTP_ORIGIN")
        if origin is not None and origin.lower() not in self._origins:
            return _refuse(
                start_response, "403 Forbidden", "Pages from elsewhere may not ask here."
            )
        most = LARGEST_BODIES.get(environ.get("PATH_INFO", ""), LARGEST_BODY)
        try:
            length = int(environ.get("CONTENT_LENGTH") or 0)
        except ValueError:
            length = most + 1
        if not 0 <= length <= most:
            return _refuse(
                start_response,
                "413 Content Too Large",
                "That is more than these pages take at once; use feedtally add FILE for logs.",
            )
        return self._app(environ, start_response)


def _refuse(start_response: StartResponse, status: str, sentence: str) -> list[bytes]:
    body = f"{sentence}\n".encode()
    start_response(
        status,
        [("Content-Type", "text/plain; charset=utf-8"), ("Content-Length", str(len(body)))],
    )
    return [body]


def security_headers(script_hashes: Iterable[str] = ()) -> list[tuple[str, str]]:
    """Return the headers that keep a page from reaching, or being shown, elsewhere."""
    policy = {
        "default-src": "'self'",
        "script-src": " ".join(["'self'", *script_hashes]),
        # Figures and Dash's parts write styles into the page.
        "style-src": "'self' 'unsafe-inline'",
        # A saved figure is made in the browser, as data.
        "img-src": "'self' data: blob:",
        "font-src": "'self'",
        "connect-src": "'self'",
        "object-src": "'none'",
        "base-uri": "'none'",
        "form-action": "'self'",
        "frame-ancestors": "'none'",
    }
    return [
        ("Content-Security-Policy", "; ".join(f"{k} {v}" for k, v in policy.items())),
        ("X-Content-Type-Options", "nosniff"),
        ("Referrer-Policy", "no-referrer"),
        ("X-Frame-Options", "DENY"),
        ("Cross-Origin-Resource-Policy", "same-origin"),
    ]


def _with_headers(app: WSGIApplication, headers: list[tuple[str, str]]) -> WSGIApplication:
    def answer(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        def start(status: str, given: list[tuple[str, str]], *failure: Any) -> Any:
            return start_response(status, [*given, *headers], *failure)

        return app(environ, start)

    return answer


def build_wsgi(data: Data, port: int) -> WSGIApplication:
    """Return the pages of a store with all that guards them.

    Parameters
    ----------
    data : Data
        The store.
    port : int
        Where they will be served.
    """
    app: Dash = create_app(data)
    # What is read is counted too, whatever a request says of itself; the log page allows more.
    app.server.config["MAX_CONTENT_LENGTH"] = LARGEST_BODY
    # Dash sets itself up at its first request, too late to know its scripts; have it done now.
    app.server.test_client().get("/")
    guarded = OwnOriginOnly(app.server.wsgi_app, port)
    return _with_headers(guarded, security_headers(app.csp_hashes()))


def serve(folder: Path, *, port: int | None, announce: Callable[[str], None]) -> None:
    """Serve the pages of a store on this machine until stopped by Ctrl-C or a request to end.

    Parameters
    ----------
    folder : Path
        The store.
    port : int or None
        Where; None for the first free one from 8765 up, 0 for any.
    announce : callable
        Is given the address once requests are taken.

    Raises
    ------
    analysis.snapshot.StoreError
        When there is no store, or one that cannot be read.
    OSError
        When the port is taken.
    """
    from waitress import create_server

    data = Data(folder)
    with _listening(port) as sock:
        taken = sock.getsockname()[1]
        server = create_server(
            build_wsgi(data, taken),
            sockets=[sock],
            threads=8,
            # Which request may be how large is told by its address, see above. Large ones wait on
            # disk, not in memory, until they have come whole.
            max_request_body_size=max(LARGEST_BODIES.values()) + 1,
            ident=None,
        )
        with _ended_by_signal():
            announce(f"http://{HOST}:{taken}/")
            # Ends on KeyboardInterrupt, when answers under way are finished.
            server.run()
        server.close()


@contextmanager
def _listening(port: int | None) -> Iterator[socket.socket]:
    sock = _bound(port)
    try:
        yield sock
    finally:
        sock.close()


def _bound(port: int | None) -> socket.socket:
    if port is not None:
        return _bind(port)
    for candidate in range(FIRST_PORT, FIRST_PORT + PORTS_TRIED):
        try:
            return _bind(candidate)
        except OSError:
            continue
    raise OSError(f"no port from {FIRST_PORT} to {FIRST_PORT + PORTS_TRIED - 1} is free")


def _bind(port: int) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix" and sys.platform != "cygwin":
            # A port left a moment ago may be taken again. On Windows this option would let two
            # programs share one port.
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((HOST, port))
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
