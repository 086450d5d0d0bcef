"""What is behind misses and doubles together, and in which order do causes stand?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.causes import BAD_LUCK, CANNOT_TELL, Cause, Causes


def together(found: Sequence[Causes]) -> Causes:
    """Join what is said of misses and of doubles of one place.

    Named causes come first, those that are likely to explain most first; bad luck leads only where
    it does for both kinds.
    """
    if len(found) == 1:
        return found[0]
    named = [c for one_ in found for c in one_.causes if c.named]
    named.sort(key=lambda c: -c.chance * c.excess)
    rest = [c for one_ in found for c in one_.causes if not c.named]
    leads = [one_.first.cause for one_ in found]
    lead = CANNOT_TELL if CANNOT_TELL in leads else BAD_LUCK
    first = [c for c in rest if c.cause == lead][:1] if not named else []
    rest = [c for c in rest if c.cause not in (BAD_LUCK, CANNOT_TELL)]
    luck = [c for one_ in found for c in one_.causes if c.cause == BAD_LUCK and c not in first]
    luck = sorted(luck, key=lambda c: -c.score)[:1]
    rest.sort(key=lambda c: -c.score)
    ranked = (*named, *first, *sorted([*rest, *luck], key=lambda c: -c.score))
    return replace(
        found[0],
        kind="faults",
        causes=ranked,
        # The swap is for what comes first.
        swap=next((one_.swap for one_ in found if one_.kind == ranked[0].kind), None),
        observed=sum(one_.observed for one_ in found),
        feeds=max(one_.feeds for one_ in found),
        expected=sum(one_.expected for one_ in found),
        lacking=tuple(sorted({text for one_ in found for text in one_.lacking})),
        swaps_read=tuple(reading for one_ in found for reading in one_.swaps_read),
        troubled=tuple(sorted({number for one_ in found for number in one_.troubled})),
    )


def order(listed: Sequence[Cause]) -> str:
    """In which order do causes stand? Empty where it is that of their chances."""
    chances = [cause.chance for cause in listed]
    if chances == sorted(chances, reverse=True):
        return ""
    return (
        "They stand by what they are likely to explain: likely causes first, those of most faults "
        "too many before others; then the rest, by chance and by how much each would explain."
    )
