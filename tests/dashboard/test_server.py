import io
import os
import re
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dashboard import server
from dashboard.data import Data
from dashboard.serving import Serving, ServingError
from dashboard.users import Users

PORT = 8765


def hello(environ: dict[str, object], start_response: object) -> Iterable[bytes]:
    start_response("200 OK", [("Content-Type", "text/plain")])  # type: ignore[operator]
    return [b"hello"]


def ask(app: object, **environ: str) -> tuple[str, dict[str, str], str]:
    """Ask a WSGI application; return status, headers and body."""
    told: dict[str, object] = {}

    def start_response(status: str, headers: list[tuple[str, str]], failure: object = None) -> None:
        told.update(status=status, headers=dict(headers))

    given = {
        "REQUEST_METHOD": "GET",
        "PATH_INFO": "/",
        "SERVER_NAME": "127.0.0.1",
        "SERVER_PORT": str(PORT),
        "wsgi.url_scheme": "http",
        "wsgi.input": io.BytesIO(),
        "wsgi.errors": sys.stderr,
        "HTTP_HOST": f"127.0.0.1:{PORT}",
        **environ,
    }
    given = {name: value for name, value in given.items() if value != "absent"}
    body = b"".join(app(given, start_response)).decode(errors="replace")  # type: ignore[operator]
    return str(told["status"]), told["headers"], body  # type: ignore[return-value]


@pytest.fixture
def guarded() -> server.OwnOriginOnly:
    return server.OwnOriginOnly(hello, PORT)


@pytest.mark.parametrize(
    "host", [f"127.0.0.1:{PORT}", f"localhost:{PORT}", f"LocalHost:{PORT}", f"[::1]:{PORT}"]
)
def test_its_own_names_are_answered(guarded: server.OwnOriginOnly, host: str) -> None:
    assert ask(guarded, HTTP_HOST=host)[2] == "hello"
    assert ask(guarded, HTTP_HOST=host, HTTP_ORIGIN=f"http://{host}")[2] == "hello"


@pytest.mark.parametrize(
    "host",
    [
        "absent",
        "",
        "evil.example",
        f"evil.example:{PORT}",
        "127.0.0.1",
        "localhost",
        "127.0.0.1:80",
        f"127.0.0.1.evil.example:{PORT}",
        f"127.0.0.1:{PORT}.evil.example",
        f"0.0.0.0:{PORT}",
    ],
)
def test_other_names_are_refused(guarded: server.OwnOriginOnly, host: str) -> None:
    status, _, body = ask(guarded, HTTP_HOST=host)
    assert status.startswith("403")
    assert body.count("\n") == 1 and f"http://127.0.0.1:{PORT}/" in body


@pytest.mark.parametrize(
    "origin",
    [
        "http://evil.example",
        "null",
        "",
        f"https://127.0.0.1:{PORT}",
        "http://127.0.0.1",
        "http://127.0.0.1:1",
    ],
)
def test_pages_from_elsewhere_are_refused(guarded: server.OwnOriginOnly, origin: str) -> None:
    status, _, body = ask(guarded, HTTP_ORIGIN=origin, REQUEST_METHOD="POST")
    assert status.startswith("403")
    assert body.count("\n") == 1


@pytest.mark.parametrize("site", ["cross-site", "same-site", "Cross-Site"])
def test_other_pages_may_lead_here_and_change_nothing(
    guarded: server.OwnOriginOnly, site: str
) -> None:
    assert ask(guarded, HTTP_SEC_FETCH_SITE=site)[2] == "hello"
    for method in ("POST", "PUT", "DELETE"):
        status, _, body = ask(guarded, HTTP_SEC_FETCH_SITE=site, REQUEST_METHOD=method)
        assert status.startswith("403") and body.count("\n") == 1
    assert ask(guarded, HTTP_SEC_FETCH_SITE="same-origin", REQUEST_METHOD="POST")[2] == "hello"


def test_what_is_refused_is_logged_on_one_line(
    guarded: server.OwnOriginOnly, caplog: pytest.LogCaptureFixture
) -> None:
    ask(guarded, HTTP_HOST="evil\r\nx", PATH_INFO="/a\nb", REMOTE_ADDR="192.0.2.1")
    ask(guarded, HTTP_ORIGIN="http://evil.example", HTTP_COOKIE="secret")
    ask(guarded, HTTP_SEC_FETCH_SITE="cross-site", REQUEST_METHOD="POST")
    ask(guarded, CONTENT_LENGTH="9999999", PATH_INFO="/x" * 5000)
    lines = [record.getMessage() for record in caplog.records]
    assert lines[0] == "refused 'GET' '/a\\nb' from '192.0.2.1': Host is 'evil\\r\\nx'"
    assert len(lines) == 4
    assert all(line.startswith("refused ") and len(line) < 600 for line in lines)
    assert "secret" not in caplog.text


def users_in(folder: Path) -> Users:
    users = Users(folder / "config", method="scrypt:1024:8:1")
    users.add("Ada", "manage", "ada's ten letters")
    return users


@pytest.mark.parametrize(
    ("given", "url", "hosts"),
    [
        ({}, "http://127.0.0.1:8765/", {"127.0.0.1:8765", "localhost:8765", "[::1]:8765"}),
        ({"host": "192.0.2.7"}, "http://192.0.2.7:8765/", {"192.0.2.7:8765"}),
        (
            {"host": "192.0.2.7", "names": ("Office.example",)},
            "http://192.0.2.7:8765/",
            {"192.0.2.7:8765", "office.example:8765"},
        ),
        (
            {"host": "0.0.0.0", "names": ("office.example",)},
            "http://office.example:8765/",
            {"office.example:8765", "127.0.0.1:8765", "localhost:8765", "[::1]:8765"},
        ),
        ({"host": "2001:db8::7"}, "http://[2001:db8::7]:8765/", {"[2001:db8::7]:8765"}),
        (
            {"behind": "https://Office.example"},
            "https://Office.example/",
            {"office.example", "office.example:443"},
        ),
        (
            {"behind": "https://office.example:8443/"},
            "https://office.example:8443/",
            {"office.example:8443"},
        ),
    ],
)
def test_the_names_it_is_reached_under(
    given: dict[str, object], url: str, hosts: set[str], tmp_path: Path
) -> None:
    users = Users(tmp_path) if given else None
    serving = Serving(users=users, **given)  # type: ignore[arg-type]
    assert serving.url(PORT) == url
    assert serving.hosts(PORT) == hosts
    guarded = server.OwnOriginOnly(hello, PORT, serving)
    scheme = url.split(":")[0]
    for host in hosts:
        assert ask(guarded, HTTP_HOST=host, HTTP_ORIGIN=f"{scheme}://{host}")[2] == "hello"
    for other in ("evil.example", "office.example.:8765", "office.example:80", "192.0.2.8:8765"):
        assert ask(guarded, HTTP_HOST=other)[0].startswith("403")
    name = sorted(hosts)[0]
    other = "http" if scheme == "https" else "https"
    assert ask(guarded, HTTP_HOST=name, HTTP_ORIGIN=f"{other}://{name}")[0].startswith("403")


@pytest.mark.parametrize(
    "given", [{"host": "0.0.0.0", "names": ("a.example",)}, {"behind": "https://a.example"}]
)
def test_beyond_this_machine_nobody_is_served_without_users(given: dict[str, object]) -> None:
    with pytest.raises(ServingError, match="only to users who sign in"):
        Serving(**given)  # type: ignore[arg-type]


def test_behind_the_sign_in_the_guards_stand_too(sample_data: Data, tmp_path: Path) -> None:
    serving = Serving(behind="https://office.example", users=users_in(tmp_path))
    app = server.build_wsgi(sample_data, PORT, serving)
    status, headers, _ = ask(app, HTTP_HOST="office.example", HTTP_ACCEPT="text/html")
    assert (status[:3], headers["Location"]) == ("303", "/sign-in")
    status, headers, body = ask(app, HTTP_HOST="office.example", PATH_INFO="/sign-in")
    assert status.startswith("200") and "Sign in" in body
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["Set-Cookie"].startswith("__Host-feedtally=")
    assert {"Secure", "HttpOnly", "Path=/", "SameSite=Lax"} <= set(
        headers["Set-Cookie"].split("; ")
    )
    assert ask(app, HTTP_HOST=f"127.0.0.1:{PORT}")[0].startswith("403")
    status = ask(
        app,
        HTTP_HOST="office.example",
        PATH_INFO="/sign-in",
        REQUEST_METHOD="POST",
        CONTENT_LENGTH="10001",
    )[0]
    assert status.startswith("413")


def test_on_port_80_the_port_may_be_left_out() -> None:
    guarded = server.OwnOriginOnly(hello, 80)
    assert ask(guarded, HTTP_HOST="localhost", HTTP_ORIGIN="http://localhost")[2] == "hello"
    assert ask(guarded, HTTP_HOST="localhost:80")[2] == "hello"


@pytest.mark.parametrize("length", ["1000001", "99999999999999", "-1", "many"])
def test_big_bodies_are_refused(guarded: server.OwnOriginOnly, length: str) -> None:
    assert ask(guarded, CONTENT_LENGTH=length)[0].startswith("413")


def test_bodies_of_a_page_are_taken(guarded: server.OwnOriginOnly) -> None:
    assert ask(guarded, CONTENT_LENGTH="1000000")[2] == "hello"


def test_a_page_may_reach_nothing_else(sample_data: Data) -> None:
    status, headers, body = ask(server.build_wsgi(sample_data, PORT))
    assert status.startswith("200")
    policy = headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy and "frame-ancestors 'none'" in policy
    # Nothing that stands in a page, or is made of text in it, is run.
    assert "script-src 'self';" in policy
    inline = re.findall(r"<script(?![^>]*\ssrc=)([^>]*)>", body)
    assert inline == [' id="_dash-config" type="application/json"']
    assert not re.search(r"\son\w+=|javascript:", body)
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["X-Frame-Options"] == "DENY"
    assert '<html lang="en">' in body
    # The drawing of a small picture names its own format by an address that nothing fetches.
    assert not re.search(r"(https?:)?//", body.replace("http://www.w3.org/2000/svg", ""))


def test_refusals_carry_the_headers_too(sample_data: Data) -> None:
    headers = ask(server.build_wsgi(sample_data, PORT), HTTP_HOST="evil.example")[1]
    assert headers["X-Content-Type-Options"] == "nosniff"


def test_answers_are_compressed(sample_data: Data) -> None:
    headers = ask(server.build_wsgi(sample_data, PORT), HTTP_ACCEPT_ENCODING="gzip")[1]
    assert headers["Content-Encoding"] == "gzip"


def test_a_taken_port_is_said_and_a_free_one_found() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(OSError, match="in use|permitted"):
            server._bind(other.getsockname()[1])
    with server._bound(None) as found:
        name, port = found.getsockname()
        assert name == "127.0.0.1"
        assert server.FIRST_PORT <= port < server.FIRST_PORT + server.PORTS_TRIED


SERVE = """
import pathlib, sys
from dashboard import server
from dashboard.serving import Serving
from dashboard.users import Users
store, users, behind, port = sys.argv[1:]
serving = Serving(behind=behind, users=Users(pathlib.Path(users)) if behind else None)
server.serve(
    pathlib.Path(store),
    port=int(port),
    announce=lambda told: print(told, flush=True),
    serving=serving,
)
"""


@contextmanager
def served(
    store: Path, users: Path, behind: str = "", port: int = 0
) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", SERVE, str(store), str(users), behind, str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def say(port: int, *parts: bytes) -> tuple[str, bytes]:
    """Send bytes to the server, no more than it takes; return status line and all that came."""
    with socket.create_connection(("127.0.0.1", port), timeout=30) as to:
        answer = b""
        try:
            for part in parts:
                to.sendall(part)
            while more := to.recv(65536):
                answer += more
        except ConnectionError:
            # It answered and left while there was still more to send.
            pass
    return answer.split(b"\r\n")[0].decode(), answer


def head(port: int, path: str, *lines: str, method: str = "POST") -> bytes:
    told = (f"{method} {path} HTTP/1.1", f"Host: 127.0.0.1:{port}", *lines, "", "")
    return "\r\n".join(told).encode()


posix = pytest.mark.skipif(os.name != "posix", reason="signals of this kind are POSIX's")


@posix
def test_served_on_this_machine_until_told_to_end(sample_store: Path, tmp_path: Path) -> None:
    with served(sample_store, tmp_path) as process:
        assert process.stdout is not None and process.stderr is not None
        address = process.stdout.readline().strip()
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", address)
        port = int(address[:-1].rsplit(":", 1)[1])
        # More than there are threads begin to send, and never end: each waits by itself.
        slow = [socket.create_connection(("127.0.0.1", port)) for _ in range(server.THREADS + 4)]
        for one in slow:
            one.sendall(head(port, "/log/check", "Content-Length: 1000") + b"a little")
        with urllib.request.urlopen(address, timeout=30) as page:
            assert b"feedtally" in page.read()
        for one in slow:
            one.close()
        # Nobody can say of himself that he comes from elsewhere.
        lines = ("Host: evil.example", "X-Forwarded-For: 192.0.2.9", "Connection: close")
        refused = "\r\n".join(("GET / HTTP/1.1", *lines, "", "")).encode()
        assert say(port, refused)[0] == "HTTP/1.1 403 Forbidden"
        # Too large as announced: refused before any of it has come.
        announced = head(port, "/_dash-update-component", "Content-Length: 1000001")
        assert say(port, announced)[0].startswith("HTTP/1.1 413")
        # Too large without being announced, for as long as the server listens.
        endless = (b"10000\r\n" + b"x" * 65536 + b"\r\n" for _ in range(1000))
        chunked = head(port, "/_dash-update-component", "Transfer-Encoding: chunked")
        assert not say(port, chunked, *endless)[1].startswith(b"HTTP/1.1 2")
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0
        told = process.stderr.read().splitlines()
        assert told == [
            "refused 'GET' '/' from '127.0.0.1': Host is 'evil.example'",
            "refused 'POST' '/_dash-update-component' from '127.0.0.1': "
            "'exceeds max_body of 1000001'",
            "refused 'POST' '/_dash-update-component' from '127.0.0.1': "
            "'exceeds max_body of 1000001'",
        ]


@posix
def test_behind_a_proxy_it_is_known_who_asks(sample_store: Path, tmp_path: Path) -> None:
    users = users_in(tmp_path)
    with server._bound(None) as free:
        port = free.getsockname()[1]
    with served(sample_store, users.folder, "https://office.example", port) as process:
        assert process.stdout is not None and process.stderr is not None
        assert process.stdout.readline() == "https://office.example/\n"
        # Who asks says he is another; the proxy adds who he is.
        lines = (
            "GET /overview.csv HTTP/1.1",
            "Host: office.example",
            "X-Forwarded-For: 203.0.113.9, 198.51.100.7",
            "Connection: close",
        )
        assert say(port, "\r\n".join((*lines, "", "")).encode())[0].endswith(" 401 UNAUTHORIZED")
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
        said = process.stderr.read().splitlines()
        # A busy machine is told of too, by waitress.
        assert [line for line in said if not line.startswith("Task queue depth is")] == [
            "refused 'GET' '/overview.csv' from '198.51.100.7': no session"
        ]
