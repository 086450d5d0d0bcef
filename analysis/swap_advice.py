"""Is a swap worth while for this bin, and with which of its neighbours?

What `analysis.swaps` needs to know, gathered from the rows of the tower: how many faults the bin
has of late beside what is expected of it, and the same of the others, with their paper. No
swap is advised for a bin that is as good as its neighbours of late, whatever it was before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.swap_readings import SwapReading
from analysis.swap_rule import STAYS
from analysis.swaps import OtherBin, Swap, next_after, swap_test
from analysis.tower_rows import Rows
from analysis.words import listed

#: Days to the end of the log that say how a bin is now.
LATELY_DAYS = 91
#: A bin is worth a swap from so many times its neighbours' faults on.
_LEAST_RATIO = 1.4
#: Two bins run the same paper where they share this much of their runs and stock.
_SAME_PAPER = 0.3
#: What is exchanged first.
_PILES = "piles"


def swap_for(
    rows: Rows,
    tower: str,
    bin: int,
    kind: str,
    since: np.datetime64 | None,
    read: Sequence[SwapReading] = (),
) -> Swap | None:
    """Plan the exchange that tells the paper from the bin; None where it is not worth it.

    Where one of piles has told that it is the bin, it is the next exchange; where each of them has
    told so, none is left, and it says that.

    Parameters
    ----------
    rows : Rows
        Of the tower.
    tower, bin, kind
        Whose faults they are.
    since : datetime64, optional
        When the trouble began, where that is known: how it is now is told by what came since, and
        by the last 91 days otherwise.
    read : sequence of SwapReading
        What logged exchanges have told of this bin and kind.
    """
    last = rows.started.max()
    lately = rows.started > last - np.timedelta64(LATELY_DAYS, "D")
    now = lately if since is None else rows.started >= since
    mine = rows.bin == bin
    ordinary = rows.expected * rows.level
    beside = float(ordinary[now & ~mine].sum())
    common = float(rows.faults[now & ~mine].sum()) / beside if beside > 0 else 1.0
    expected = float(rows.expected[now & mine].sum()) * common
    feeds = float(rows.feeds[now & mine].sum())
    if expected <= 0 or feeds <= 0 or not (lately & mine).any():
        return None
    # One fault of the neighbours' kind steadies what a few of its own would say.
    ratio = (float(rows.faults[now & mine].sum()) + 1) / (expected + 1)
    if ratio < _LEAST_RATIO:
        return None
    others = [_other(rows, lately, mine, number, common) for number in rows.bins if number != bin]
    runs = np.unique(rows.run[lately & mine]).size
    fed = float(rows.feeds[lately & mine].sum())
    began = last - np.timedelta64(LATELY_DAYS, "D") if since is None else since
    what, stayed = _what(read, bin, kind, began)
    # With nothing left to exchange no bin is a partner.
    partners = [one for one in others if one is not None] if what else []
    found = swap_test(
        tower,
        bin,
        partners,
        min(ratio * expected / feeds, 0.5),
        ratio,
        kind=kind,
        what=what or stayed[-1],
        variance=rows.variance,
        cycles_per_run=fed / runs,
        cycles_before=int(feeds),
        cycles_per_day=fed / LATELY_DAYS,
    )
    if what:
        return found
    return replace(
        found,
        why=(
            f"the {kind} stayed in it when the {listed(stayed)} were exchanged, so that it is "
            "something else in this bin"
        ),
    )


def _what(
    read: Sequence[SwapReading], bin: int, kind: str, since: np.datetime64
) -> tuple[str, list[str]]:
    """Return what is to be exchanged next, and what has told that it is something else in the bin.

    Piles first, then what follows them; empty where nothing is left.
    """
    told = {
        one.what
        for one in read
        if one.kind == kind
        and one.bins[0] == bin
        and one.verdict.startswith(STAYS)
        and np.datetime64(one.when) >= since
    }
    what, stayed = _PILES, list[str]()
    while what in told:
        stayed.append(what)
        what = next_after(what, kind)
    return what, stayed


def _other(
    rows: Rows, lately: NDArray[np.bool_], mine: NDArray[np.bool_], number: int, common: float
) -> OtherBin | None:
    here = lately & (rows.bin == number)
    feeds = float(rows.feeds[here].sum())
    expected = float(rows.expected[here].sum())
    if feeds <= 0 or expected <= 0:
        return None
    ours = set(
        zip(rows.run[lately & mine].tolist(), rows.stock[lately & mine].tolist(), strict=True)
    )
    theirs = set(zip(rows.run[here].tolist(), rows.stock[here].tolist(), strict=True))
    level = (float(rows.faults[here].sum()) + 1) / (expected * common + 1)
    return OtherBin(
        bin=number,
        rate=expected * common / feeds,
        ratio=level,
        same_paper=len(ours & theirs) >= _SAME_PAPER * len(ours),
        cycles_per_day=feeds / LATELY_DAYS,
    )
