"""Serve the pages of a store: on this machine, or to users who sign in."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.commands import UsageError
from dashboard.commands import options as shared

if TYPE_CHECKING:
    from dashboard.serving import Serving

_HOST = "127.0.0.1"


def add_port(parser: argparse.ArgumentParser) -> None:
    """Add ``--port``."""
    parser.add_argument(
        "--port", type=_port, metavar="NUMBER", help="where to serve (a free one when absent)"
    )


def _port(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"{text} is no port from 1 to 65535")
    return int(text)


def configure(parser: argparse.ArgumentParser) -> None:
    """Say which arguments the command takes."""
    shared.add_store(parser)
    add_port(parser)
    parser.add_argument(
        "--host",
        default=_HOST,
        metavar="ADDRESS",
        help="address to serve at (127.0.0.1, this machine only, when absent); others only with "
        "users set up by feedtally user add",
    )
    parser.add_argument(
        "--name",
        action="append",
        default=[],
        metavar="NAME",
        help="a further name of this machine under which users open the pages (repeatable)",
    )
    parser.add_argument(
        "--behind",
        default="",
        metavar="URL",
        help="the https address of the proxy on this machine that stands in front",
    )
    parser.add_argument(
        "--sign-in", action="store_true", help="ask for a sign-in on this machine too"
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Serve until stopped."""
    from analysis.store import Store

    folder = shared.store_folder(options)
    Store(folder)
    return serve_folder(folder, options.port, _serving(options))


def _serving(options: argparse.Namespace) -> Serving:
    """Return how to serve; with users wherever others than this machine can ask."""
    from dashboard.serving import Serving, ServingError
    from dashboard.users import Users, UsersError, users_folder

    beyond = bool(options.host != _HOST or options.name or options.behind)
    users = None
    try:
        if beyond or options.sign_in:
            users = Users(users_folder())
        serving = Serving(options.host, tuple(options.name), options.behind, users)
        if options.behind and options.port is None:
            raise UsageError("--behind needs --port, the one at which the proxy asks")
        if users is not None and not users.all():
            raise UsageError(
                "nobody could sign in; add a user first: feedtally user add NAME --role manage"
            )
    except (ServingError, UsersError) as error:
        raise UsageError(str(error)) from None
    return serving


def serve_folder(folder: Path, port: int | None, serving: Serving | None = None) -> int:
    """Serve a store that is there; print the address once the pages are up.

    Parameters
    ----------
    folder : Path
        The store.
    port : int or None
        Where; a free one for None.
    serving : Serving, optional
        Under which names, and to whom; to this machine alone where absent.
    """
    import logging

    from dashboard import server
    from dashboard.serving import THIS_MACHINE
    from dashboard.users import UsersError

    # What was refused, and who signed in, on one line each.
    logging.basicConfig(format="%(asctime)s %(message)s")
    logging.getLogger("dashboard").setLevel(logging.INFO)
    serving = serving or THIS_MACHINE

    def announce(address: str) -> None:
        print(f"The pages are at {address} (stop with Ctrl-C).")
        sys.stdout.flush()
        if not serving.behind and not serving.address.is_loopback:
            print(
                "Whoever listens on this network can read along, passwords too: put a proxy with "
                "TLS in front (--behind), as README.md says.",
                file=sys.stderr,
            )

    try:
        server.serve(folder, port=port, announce=announce, serving=serving)
    except UsersError as error:
        raise UsageError(str(error)) from None
    except OSError as error:
        where = f"port {port}" if serving.host == _HOST else f"{serving.host}, port {port},"
        raise UsageError(
            f"{where} cannot be served on ({error.strerror or error}); name another --port"
            + ("" if serving.host == _HOST else " or --host")
        ) from None
    return 0
