"""How likely is each cause, and is one of them to be named?

Of causes that exclude one another the chances follow from how much likelier the faults are with
each (`analysis.explaining`) and from how common each is beforehand. Bad luck, that nothing is the
matter, has 70 in 100 beforehand; causes share the rest by their weights. One is *named* where bad
luck is left with less than 10 in 100 and it has 60 or more, together with its family: causes that
differ only in how they come, and that the same look finds.

Causes of one bin exclude one another, and so do those of all bins; what is named of these is taken
out before it is looked for the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.explaining import Evidence, every_bin, one_bin
from analysis.patterns import Pattern
from analysis.tower_rows import Rows

#: Chance beforehand that nothing is the matter.
LUCK = 0.7
#: Chance from which on a cause is named, and of bad luck up to which one is.
NAMED, LEFT_TO_LUCK = 0.6, 0.1
#: From this chance on it is told what looks the same as a pattern.
_LIKELY = 0.05
#: After a cause of all bins is named, it is looked for others, so many times.
_MOST_SHARED = 3


@dataclass(frozen=True)
class Weighed:
    """A cause with its chance: patterns of one name are one cause, told by the likeliest.

    Attributes
    ----------
    evidence : Evidence
        Of the likeliest pattern.
    chance : float
        Of them all.
    named : bool
        Whether it is named.
    alike : tuple of str
        What shows as its likeliest pattern does, or as another of its patterns that is likely.
    """

    evidence: Evidence
    chance: float
    named: bool = False
    alike: tuple[str, ...] = ()

    @property
    def family(self) -> str:
        """What is added up before it is named: the pattern's family, or its own name."""
        return self.evidence.pattern.family or self.evidence.pattern.name


def _with_chances(found: Sequence[Evidence]) -> list[Weighed]:
    # What the log cannot show is no rival of what it can.
    weights = np.array([0.0 if one.lacking else one.pattern.weight for one in found])
    if not weights.any():
        return [Weighed(one, 0.0, alike=one.pattern.same_as) for one in found]
    weights = weights * ((1 - LUCK) / weights.sum())
    factors = np.array([one.log_factor for one in found])
    top = max(0.0, float(factors.max()))
    parts = weights * np.exp(factors - top)
    chance = parts / (parts.sum() + LUCK * np.exp(-top))
    by_name: dict[str, list[int]] = {}
    for place, one in enumerate(found):
        by_name.setdefault(one.pattern.name, []).append(place)
    out = []
    for places in by_name.values():
        best = max(places, key=lambda place: (found[place].told is not None, chance[place]))
        likely = [best, *(place for place in places if chance[place] >= _LIKELY)]
        alike = dict.fromkeys(name for at in likely for name in found[at].pattern.same_as)
        out.append(Weighed(found[best], float(chance[places].sum()), alike=tuple(alike)))
    luck = 1 - sum(cause.chance for cause in out)
    if not out or luck > LEFT_TO_LUCK:
        return out
    families: dict[str, float] = {}
    for cause in out:
        families[cause.family] = families.get(cause.family, 0.0) + cause.chance
    likeliest = max(families, key=lambda family: families[family])
    if families[likeliest] < NAMED:
        return out
    first = max((o for o in out if o.family == likeliest), key=lambda o: o.chance)
    return [replace(cause, named=cause is first) for cause in out]


def bin_beside(rows: Rows, bin: int, patterns: Sequence[Pattern]) -> int | None:
    """Return a bin with too many as well whose faults may be taken for this one's, if there is.

    The bin next to it, or the one as far from the other end. Two such bins with a trouble of their
    own are rarer than a slip of the pen.
    """
    bins = rows.bins
    for other in (bin - 1, bin + 1, bins[0] + bins[-1] - bin):
        if other in bins and other != bin:
            own = weighed_own(rows, other, patterns)
            if sum(one.chance for one in own) >= 0.5:
                return other
    return None


def weighed_own(rows: Rows, bin: int, patterns: Sequence[Pattern]) -> list[Weighed]:
    """Weigh causes of one bin.

    Parameters
    ----------
    rows : Rows
        As `weighed_shared` hands them back.
    bin : int
    patterns : sequence of Pattern
        Of this kind of fault; those of every bin are passed over.
    """
    return _with_chances(one_bin(rows, bin, [p for p in patterns if not p.every_bin]))


def weighed_shared(rows: Rows, patterns: Sequence[Pattern]) -> tuple[list[Weighed], Rows]:
    """Weigh causes of all bins, one after another: what one explains, no other need explain.

    Parameters
    ----------
    rows : Rows
        Of a tower.
    patterns : sequence of Pattern
        Of this kind of fault; those of one bin are passed over.

    Returns
    -------
    list of Weighed, Rows
        Those named first; and the rows with what these explain in what is expected.
    """
    left = [pattern for pattern in patterns if pattern.every_bin]
    named: list[Weighed] = []
    effects = rows.effects
    for _ in range(_MOST_SHARED):
        found = _with_chances(every_bin(rows, left))
        best = next((w for w in found if w.named), None)
        if best is None:
            break
        named.append(best)
        rows = _with_it(rows, best.evidence)
        left = [p for p in left if p.name != best.evidence.pattern.name]
    else:
        found = _with_chances(every_bin(rows, left))
    rest = [w for w in found if w not in named]
    return [*named, *rest], replace(rows, effects=effects)


def _with_it(rows: Rows, evidence: Evidence) -> Rows:
    """Return rows in which what is expected holds what a cause of all bins explains."""
    told, pattern = evidence.told, evidence.pattern
    assert told is not None
    columns = (*pattern.settings, *(("air", "static") if pattern.air else ()))
    if not columns:
        factor = np.where(evidence.used, evidence.ratio**told.z, 1.0)
        return replace(rows, expected=rows.expected * factor)
    # Where air and settings do it, what is expected holds it already: the next cause that is about
    # them must not have it taken out again, or it would be named for the same faults.
    held = {
        name: np.where(told.z > 0, 0.0, effect) if name in columns else effect
        for name, effect in rows.effects.items()
    }
    return replace(rows, effects=held)
