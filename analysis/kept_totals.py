"""What the whole run log holds, kept beside it so that it need not be counted again.

One small file in the store's folder ``kept``, under the state of the table that was counted; what
is not found there, or was kept of another state, is counted again.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
from dataclasses import asdict
from pathlib import Path

from analysis.snapshot import NO_ROWS, Account, merged

#: Folder of what can be worked out again, and may be deleted at any time.
_KEPT = "kept"


def kept_totals(folder: Path, state: str) -> Account | None:
    """Return what the run log of a store holds; None where it is not known of that state.

    Parameters
    ----------
    folder : Path
        The store.
    state : str
        Of the table of runs, as `analysis.commits.state_of` names it.
    """
    try:
        held = json.loads((folder / _KEPT / "totals.json").read_text("utf-8"))
        if held.pop("runs_version") != state:
            return None
        for name in ("first", "last"):
            held[name] = dt.datetime.fromisoformat(held[name]) if held[name] else None
        return Account(**held)
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None


def keep_totals(folder: Path, state: str, totals: Account) -> None:
    """Keep what the run log holds in a state; where it cannot be kept it is counted again."""
    content = {
        "runs_version": state,
        **asdict(totals),
        "first": totals.first.isoformat() if totals.first else None,
        "last": totals.last.isoformat() if totals.last else None,
    }
    kept = folder / _KEPT / "totals.json"
    with contextlib.suppress(OSError):
        kept.parent.mkdir(exist_ok=True)
        part = kept.with_name(kept.name + ".part")
        part.write_text(json.dumps(content) + "\n", "utf-8")
        part.replace(kept)


def count_on(folder: Path, before: str, after: str, gained: Account) -> None:
    """Keep the totals up to date after an append, where they were known before it.

    Parameters
    ----------
    folder : Path
        The store.
    before, after : str
        States of the table of runs.
    gained : Account
        Of the rows that came, of runs that were not there before.
    """
    held = kept_totals(folder, before)
    if before.startswith("0-"):
        # A table that nothing was committed to yet.
        held = NO_ROWS
    if held is not None:
        keep_totals(folder, after, merged([held, gained]))
