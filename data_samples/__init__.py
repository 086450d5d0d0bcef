"""An invented print works: its run logs, its towers, and files that are bad on purpose.

Everything here is made by ``python -m data_samples.make_samples``; see ``README.md``.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.counts import LogScan

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


def add_to(store: Path | str) -> LogScan:
    """Add the four sample files to a store, and hand back what `analysis.answers` asks.

    Parameters
    ----------
    store : Path or str
        Its folder, which is made where there is none. One that holds the samples already stays as
        it is.

    Returns
    -------
    analysis.counts.LogScan
        Of the store as it stands then.

    Raises
    ------
    analysis.store.StoreError
        When the store cannot be made, read or written.
    analysis.site.SiteError
        When the folder's site file is wrong.
    """
    # Whoever asks only where the files are need not load what takes them in.
    from analysis.counts import LogScan
    from analysis.store import Store
    from analysis.taking_in import add

    add(Path(store), [folder() / name for name in FILES])
    return LogScan(Store(Path(store)).snapshot())
