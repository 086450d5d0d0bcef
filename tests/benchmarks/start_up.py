"""How long until a command answers, beside its libraries alone and beside other code of this?

Run as ``python -m tests.benchmarks.start_up [OTHER]``, where OTHER is another source tree of this,
such as ``git worktree add`` makes of an older state. Each command is started anew, on a sample
store that it was asked of before; so is the server, until its first page is there. The floor is a
Python that does nothing but load the libraries that the commands work with. All of them take turns,
so that what else the machine does falls on each alike. Medians are printed, of the clock and of the
processor, and their ratios to the floor and to the other tree.
"""

from __future__ import annotations

import os
import resource
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import data_samples

TOP = Path(__file__).resolve().parents[2]
ROUNDS = 7
FLOOR = "libraries alone"
LIBRARIES = "import numpy, scipy.special, pyarrow, duckdb, deltalake, filelock"


@dataclass(frozen=True)
class Took:
    """Seconds of the clock and seconds of the processor."""

    clock: float
    processor: float


def started(command: list[str], tree: Path, port: int | None = None) -> Took:
    """Start a command in a tree, and wait for its end or for its first page.

    Parameters
    ----------
    command : list of str
        What Python is told.
    tree : Path
        Where it stands, so that ``-m dashboard`` is that tree's.
    port : int, optional
        Of the server that it is; without it the command ends by itself.

    Raises
    ------
    RuntimeError
        When the command fails, or its page is not there within a minute.
    """
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, *command], cwd=tree, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    ) as process:
        if port is None:
            _, said = process.communicate()
            took = time.perf_counter() - begin
            if process.returncode:
                raise RuntimeError(f"{command} in {tree}: {said.decode()}")
        else:
            try:
                _wait_for(port, process, begin + 60)
                took = time.perf_counter() - begin
            finally:
                process.terminate()
                process.communicate()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return Took(took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)


def _wait_for(port: int, process: subprocess.Popen[bytes], until: float) -> None:
    while time.perf_counter() < until and process.poll() is None:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=60) as page:
                page.read()
                return
        except OSError:
            time.sleep(0.01)
    raise RuntimeError("no page came")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def main(other: Path | None = None) -> None:
    """Print the medians and the ratios."""
    # What a tree compiles at its first start is no part of it.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    trees = {"": TOP} | ({" (other)": other} if other is not None else {})
    with tempfile.TemporaryDirectory() as scratch:
        # Each tree has a store of its own: what one keeps beside it the other throws away.
        stores = {
            suffix: str(Path(scratch) / f"store-{number}") for number, suffix in enumerate(trees)
        }
        for store in stores.values():
            data_samples.add_to(store)
        commands = {
            "interval": ["interval", "3", "41000"],
            "rates": ["rates", "--store", "{store}"],
            "drift": ["drift", "--store", "{store}"],
            "first page of serve": ["serve", "--store", "{store}", "--port"],
        }
        found = defaultdict(list)
        for turn in range(ROUNDS + 1):
            now = {FLOOR: started(["-c", LIBRARIES], TOP)}
            for name, command in commands.items():
                for suffix, tree in trees.items():
                    port = _free_port() if command[0] == "serve" else None
                    words = [word.format(store=stores[suffix]) for word in command]
                    asked = ["-m", "dashboard", *words, *([] if port is None else [str(port)])]
                    now[name + suffix] = started(asked, tree, port)
            if turn:  # The first is to have all in the file system's memory.
                for name, took in now.items():
                    found[name].append(took)
    medians = {
        name: Took(
            statistics.median(took.clock for took in those),
            statistics.median(took.processor for took in those),
        )
        for name, those in found.items()
    }
    floor = medians[FLOOR]
    for name, took in medians.items():
        said = f"{name:30}{took.clock:6.2f} s, {took.processor:5.2f} s of processor"
        if name != FLOOR:
            said += f"; {took.clock / floor.clock:5.2f} times the libraries"
        if (same := name.removesuffix(" (other)")) != name:
            said += f"; this is {medians[same].clock / took.clock:.2f} of it"
        print(said)


if __name__ == "__main__":
    main(*(Path(one).resolve() for one in sys.argv[1:2]))
