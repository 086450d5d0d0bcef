"""Causes and swaps written by hand, for the page to show; every number is invented."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math

from analysis.causes import BAD_LUCK, CANNOT_TELL, Cause, Causes
from analysis.cautions import HANDS
from analysis.contrasts import Contrast
from analysis.swap_readings import Seen, SwapReading, Times
from analysis.swaps import Swap
from tests.dashboard.drift_results import ACCOUNT

BESIDE = Contrast(
    "bin 7 against the other bins of tower B since 11 April 2031", 3.1, 2.2, 4.3, 44, 14.2, 65_000
)
TONER = Contrast("toner-printed paper against the rest", 0.94, 0.51, 1.6, 16, 17.0, 24_000)
AGE = Contrast("with an old brush against a newer one", 1.1, 0.7, 1.4, 21, 19.5, 40_000)
DRY = Contrast("dry air (below 40 %) against other air", 2.4, 1.3, 4.2, 19, 8.0, 12_000)
#: The other side has no fault at all.
NONE_BESIDE = Contrast("=light paper against the rest", math.inf, 1.4, math.inf, 6, 1.2, 9_000)


def cause_of(name: str = "worn brush", score: float = 0.89, **changes: object) -> Cause:
    made = Cause(
        cause=name,
        kind="doubles",
        score=score,
        chance=score,
        supports=(BESIDE, TONER),
        against=(AGE,),
        excess=29.0,
        said="3.0 times the doubles (2.2 to 4.0) since about 11 April 2031; it is worn",
        same_as=("foot set too low", "separating air blocked"),
        check_first="look at the brush of that bin beside a new one",
        caution=HANDS,
        named=True,
        swap="brushes",
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


LUCK = cause_of(
    BAD_LUCK,
    0.06,
    supports=(),
    against=(BESIDE,),
    excess=0.0,
    said="as many come about by chance",
    same_as=(),
    check_first="nothing needs to be done yet: go on logging",
    caution="Change one thing at a time and log it.",
    named=False,
    swap="",
)
STATIC = cause_of(
    "static",
    0.12,
    supports=(DRY, NONE_BESIDE),
    against=(),
    same_as=(),
    check_first="raise the humidity",
    caution="Change one thing at a time and log it.",
    shared=True,
    swap="",
)
UNLIKELY = cause_of("too little separating air", 0.019, named=False)
CANNOT = dataclasses.replace(
    LUCK,
    cause=CANNOT_TELL,
    score=0.6,
    chance=0.6,
    against=(),
    check_first="exchange the piles",
    swap="piles",
)

SWAP = Swap(
    tower="B",
    bin=7,
    kind="doubles",
    other_bin=8,
    why="bin 8 is the nearest bin with the same paper that is ordinary itself, with 0.98 times "
    "what is to be expected",
    what="piles",
    then="brushes",
    rate=0.0007,
    ratio=3.0,
    other_rate=0.0002,
    variance=0.2,
    power=0.8,
    risk=0.05,
    cycles=9_000,
    cycles_before=65_000,
    more_before=0,
    days=3.2,
    chance=0.81,
    wrong=0.04,
    expected=(6.3, 1.8),
)
READ = SwapReading(
    tower="B",
    bins=(7, 8),
    what="piles",
    thing="paper",
    when=dt.datetime(2031, 5, 12, 9),
    kind="doubles",
    verdict="stays with the bin",
    before=(Seen(65_000, 44, 15), Seen(65_000, 14, 15)),
    after=(Seen(9_400, 7, 2.1), Seen(9_400, 2, 2.2)),
    ratio_before=Times(3.1, 1.7, 6.2),
    ratio_after=Times(3.7, 0.9, 21.0),
    more_cycles=0,
)


def causes_of(*causes: Cause, **changes: object) -> Causes:
    """Return causes of bin 7 of tower B; a worn brush and static where none are given."""
    made = Causes(
        tower="B",
        bin=7,
        kind="doubles",
        causes=causes or (cause_of(), STATIC, LUCK, UNLIKELY),
        observed=61,
        feeds=213_000,
        expected=32.4,
        account=ACCOUNT,
        lacking=("too much vacuum for light stock: set_bleed_holes was not logged",),
        swap=SWAP,
        swaps_read=(READ,),
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]
