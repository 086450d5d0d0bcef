"""Serve the pages of a store on this machine."""

from __future__ import annotations

import argparse
import sys

from dashboard.commands import UsageError
from dashboard.commands import options as shared


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
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Serve until stopped."""
    from pathlib import Path

    from analysis.store import Store

    folder = shared.store_folder(options)
    Store(folder)
    return serve_folder(Path(folder), options.port)


def serve_folder(folder: object, port: int | None) -> int:
    """Serve a store that is there; print the address once the pages are up."""
    from pathlib import Path

    from dashboard import server

    def announce(address: str) -> None:
        print(f"The pages are at {address} (stop with Ctrl-C).")
        sys.stdout.flush()

    try:
        server.serve(Path(str(folder)), port=port, announce=announce)
    except OSError as error:
        raise UsageError(
            f"port {port} cannot be served on ({error.strerror or error}); name another --port"
        ) from None
    return 0
