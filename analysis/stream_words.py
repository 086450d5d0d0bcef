"""How are many streams, their papers and their false alarms told in a sentence?"""

from __future__ import annotations

from collections.abc import Sequence

from analysis.streams import Stream
from analysis.words import listed, many, two_digits

#: Of more streams than so many, bins and towers are counted; papers beyond so many are added up.
_FEW = 3


def these(streams: Sequence[Stream]) -> str:
    """Name a few streams, or count the bins and towers of many, for each kind of fault."""
    if len(streams) <= _FEW:
        return listed([f"the {stream.kind} of {stream.name}" for stream in streams])
    said = []
    for kind in ("misses", "doubles"):
        own = [stream for stream in streams if stream.kind == kind]
        towers = sum(stream.bin is None for stream in own)
        counts = ((len(own) - towers, "bin"), (towers, "tower"))
        places = [many(number, word) for number, word in counts if number]
        if places:
            said.append(f"the {kind} of {listed(places)}")
    return listed(said)


def papers(fed: Sequence[tuple[str, int]]) -> str:
    """Name papers with the feeds that each had, those of most feeds first.

    Parameters
    ----------
    fed : sequence of (str, int)
        Stock, empty where none was logged, and feeds; one at least.
    """
    ranked = sorted(fed, key=lambda paper: -paper[1])
    names = [f"{many(feeds, 'feed')} of {stock or 'paper not logged'}" for stock, feeds in ranked]
    if len(names) > _FEW + 1:
        rest = sum(feeds for _, feeds in ranked[_FEW:])
        names[_FEW:] = [f"{rest:,} of {len(ranked) - _FEW} other papers"]
    return listed(names)


def how_often(budget: float) -> str:
    """Say so many a year in words: ``about once a year``, ``about 12 times a year``."""
    number = two_digits(max(budget, 1 / budget)).removesuffix(".0")
    if number == "1":
        return "about once a year"
    return f"about {number} times a year" if budget > 1 else f"about once in {number} years"
