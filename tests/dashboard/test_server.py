import io
import json
import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterable
from pathlib import Path

import pytest

from dashboard import server
from dashboard.data import Data

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
    scripts = re.search(r"script-src ([^;]*)", policy)
    assert scripts and "unsafe" not in scripts[1] and "'sha256-" in scripts[1]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"
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


@pytest.mark.skipif(os.name != "posix", reason="signals of this kind are sent on POSIX only")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_served_on_this_machine_until_told_to_end(sample_store: Path, how: signal.Signals) -> None:
    program = (
        "import sys, pathlib; from dashboard import server; "
        "server.serve(pathlib.Path(sys.argv[1]), port=0, announce=lambda a: print(a, flush=True))"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(sample_store)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None and process.stderr is not None
        address = process.stdout.readline().strip()
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", address)
        with urllib.request.urlopen(address, timeout=30) as page:
            assert b"feedtally" in page.read()
        other = urllib.request.Request(address, headers={"Host": "evil.example"})
        with pytest.raises(urllib.error.HTTPError, match="403") as refused:
            urllib.request.urlopen(other, timeout=30)
        refused.value.close()
        callback = json.dumps({"output": "page.children", "inputs": [], "x": "." * 1_100_000})
        big = urllib.request.Request(f"{address}_dash-update-component", callback.encode())
        with pytest.raises(
            (urllib.error.HTTPError, ConnectionError, urllib.error.URLError)
        ) as much:
            urllib.request.urlopen(big, timeout=30)
        if isinstance(much.value, urllib.error.HTTPError):
            assert much.value.code == 413
            much.value.close()
        process.send_signal(how)
        assert process.wait(30) == 0
        assert process.stderr.read() == ""
