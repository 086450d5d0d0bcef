"""An invented print works: its run logs, its towers, and files that are bad on purpose.

Everything here is made by ``python -m data_samples.make_samples``; see ``README.md``.
"""

import hashlib
from pathlib import Path

FILES = ("towers.csv", "stocks.csv", "services.csv", "runs.csv")
"""The sample files in the order in which to take them in: lists first, then the logs."""

TRUTHS = "truths.json"
"""Name of the file of planted truths, beside the sample files."""


def folder() -> Path:
    """Where are the sample files?

    Returns
    -------
    Path
        The folder of this package, in a source tree or as installed.
    """
    return Path(__file__).resolve().parent


def fingerprint() -> str:
    """Which samples are these?

    Returns
    -------
    str
        SHA-256, in hexadecimal, over name, length and bytes of the four sample files.
    """
    digest = hashlib.sha256()
    for name in FILES:
        content = (folder() / name).read_bytes()
        # The length keeps bytes from passing unnoticed from one file to the next.
        digest.update(f"{name}\n{len(content)}\n".encode())
        digest.update(content)
    return digest.hexdigest()
