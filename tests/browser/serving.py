"""How are pages served to a browser? As `feedtally serve` does, in a process of its own."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

#: Serves the store whose folder it is given, and says where.
SERVE = """
import pathlib, sys
from dashboard import server
server.serve(pathlib.Path(sys.argv[1]), port=0, announce=lambda a: print(a, flush=True))
"""


@contextmanager
def served(folder: Path, script: str = SERVE, *more: str) -> Iterator[str]:
    """Serve a store; give its address without the last slash.

    Parameters
    ----------
    folder : Path
        The store.
    script : str
        What serves it; tests may answer by hand in it.
    *more : str
        What else the script is told.
    """
    with subprocess.Popen(
        [sys.executable, "-c", script, str(folder), *more],
        cwd=Path(__file__).parents[2],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip().rstrip("/")
        finally:
            process.terminate()
