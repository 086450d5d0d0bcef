"""From where on does something hold that stays once it holds?"""

from __future__ import annotations

import math
from collections.abc import Callable


def first_whole(holds: Callable[[int], bool], start: int) -> int:
    """Return the first whole number from ``start`` on for which something holds.

    Parameters
    ----------
    holds : callable
        Whether it holds for a number; once it does, it does for all larger ones. Where it never
        does, the search does not end.
    start : int
        Where to begin.

    Examples
    --------
    >>> first_whole(lambda number: number**2 > 50, 1)
    8
    """
    if holds(start):
        return start
    step = 1
    while not holds(start + step):
        start += step
        step *= 2
    low, high = start, start + step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def least_place(
    excess: Callable[[float], float],
    guess: float,
    inside: tuple[float, float],
    steep: float,
    until: tuple[float, float],
) -> float | None:
    """Return the least place where an excess that falls is nought or less; None where none is.

    Regula falsi in the Illinois form, begun with a step of the slope that is to be expected. What
    is returned has always been tried, and never exceeds.

    Parameters
    ----------
    excess : callable
        Falls, or stays, from place to place.
    guess : float
        Near which it is looked for first.
    inside : tuple of (float, float)
        The first and the last place.
    steep : float
        By how much the excess is expected to fall for each unit of the way; above 0.
    until : tuple of (float, float)
        How little it may stay below nought, and how close to the least place is close enough.
    """
    low, high = inside
    fine, near = until
    if excess(high) > 0:
        return None
    guess = min(max(guess, low), high)
    at_guess = excess(guess)
    at_low = at_high = math.nan
    for _ in range(60):
        if at_guess > 0:
            low, at_low = guess, at_guess
            if not math.isnan(at_high):
                break
            nxt = guess + 1.1 * min(at_guess, 50.0) / steep + 1e-6
            if nxt >= high:
                at_high = excess(high)
                break
        else:
            high, at_high = guess, at_guess
            if not math.isnan(at_low) or guess <= inside[0] or at_guess > -fine:
                break
            nxt = max(guess + 1.1 * max(at_guess, -50.0) / steep - 1e-6, inside[0])
        guess, at_guess = nxt, excess(nxt)
    if math.isnan(at_low):
        return high
    side = 0
    for _ in range(60):
        if high - low < near or -fine < at_high <= 0:
            break
        if math.isfinite(at_low) and math.isfinite(at_high):
            middle = (low * at_high - high * at_low) / (at_high - at_low)
        else:
            middle = (low + high) / 2
        if not low < middle < high:
            middle = (low + high) / 2
        found = excess(middle)
        if found > 0:
            low, at_low = middle, found
            at_high = at_high / 2 if side > 0 else at_high
            side = 1
        else:
            high, at_high = middle, found
            at_low = at_low / 2 if side < 0 else at_low
            side = -1
    return high
