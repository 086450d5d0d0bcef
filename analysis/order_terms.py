"""What does a list of what is to be ordered rest on, and of which parts is one to think twice?"""

from __future__ import annotations

from collections.abc import Sequence

from analysis.parts import PartRow
from analysis.site import USUAL_LIMIT_TIMES
from analysis.words import either, listed, many, per_10k

#: Of more parts than so many the first are named and the others counted.
_FEW = 4


def due_at(rows: Sequence[PartRow]) -> str:
    """Say at which limits parts are due, and how long they are taken to come.

    Parameters
    ----------
    rows : sequence of PartRow
        What is to be ordered; one at least.
    """
    times = sorted({row.limit_times for row in rows if row.limit_times is not None})
    rates = sorted({(row.kind, row.limit_rate) for row in rows if row.limit_rate is not None})
    limits = [f"{one:g} times the faults with a new part" for one in times]
    limits += [f"{per_10k(rate)} {kind} in 10,000 feeds" for kind, rate in rates]
    usual = ", as is usual" if times == [USUAL_LIMIT_TIMES] and not rates else ""
    told = f"A part is due at {either(limits)}{usual}."
    assumed = [row.lead_days or 0 for row in rows if row.lead_assumed]
    if not assumed:
        return told
    return (
        f"{told} Where the site file does not say how long a part takes to come, "
        f"{many(assumed[0], 'day is', 'days are')} taken."
    )


def think_twice(rows: Sequence[PartRow]) -> list[str]:
    """Say of which parts the wear may be something else's; a sentence each, none for no doubt.

    Parameters
    ----------
    rows : sequence of PartRow
        What is to be ordered.
    """
    said = []
    alone = [row.name for row in rows if row.lives < 2]
    if alone:
        said.append(
            f"Look before you order {some(alone)}: no other was in "
            f"{'its' if len(alone) == 1 else 'their'} place before, so that whatever else changed "
            "there looks like wear."
        )
    alike = {(row.where, tuple(sorted((row.part, *row.same_as)))) for row in rows if row.same_as}
    said += [
        f"The {listed(list(together))} of {where} were fitted on the same days, so which of them "
        "wears cannot be told."
        for where, together in sorted(alike)
    ]
    return said


def some(names: Sequence[str]) -> str:
    """Name the first of some parts and count the others."""
    if len(names) <= _FEW:
        return listed(names)
    return listed([*names[: _FEW - 1], f"{len(names) - _FEW + 1:,} others"])
