"""In which ways may a pattern be at work?

Each word of how a cause comes (`analysis.patterns`) is one way or several: at once on any of some
days, little by little over weeks or months, with the age of a part, since a service, since a
setting was moved. Each way says how fully the pattern is at work in each row of a tower.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis import patterns as words
from analysis.patterns import Pattern
from analysis.tower_rows import Rows

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Moments at which something may have begun, at equal numbers of expected faults.
_MOMENTS = 40
#: Days in which what comes little by little is all there.
_RAMPS = (45, 120, 300)
_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True)
class Told:
    """One way in which a pattern may be at work.

    Attributes
    ----------
    when : str
        Of the pattern's words.
    since : datetime64 or None
        When it began, where it began at some moment.
    until : datetime64 or None
        When a service ended it.
    words : str
        What more there is to say: which stock, which setting, which service.
    z : float array
        How fully it is at work in each row.
    """

    when: str
    since: np.datetime64 | None
    until: np.datetime64 | None
    words: str
    z: FloatArray


def ways(
    rows: Rows, pattern: Pattern, used: BoolArray, z: FloatArray, number: int | None
) -> list[list[Told]]:
    """Return the ways in which a pattern may be at work, those of each of its words together."""
    out = []
    for word in pattern.when:
        if word == words.ALWAYS:
            found = [Told(word, None, None, "", z)]
        elif word in (words.AT_ONCE, words.LITTLE_BY_LITTLE):
            found = _begun(rows, pattern, used, z, word, number)
        elif word == words.SINCE_SERVICE:
            found = _since_service(rows, used, z, number)
        elif word == words.SINCE_MOVE:
            found = _since_move(rows, used, z)
        else:
            found = _with_age(rows, used, z, word)
        # What is at work in all rows alike, or in none, is the level and no pattern.
        found = [one for one in found if np.ptp(one.z[used]) > 0 or word == words.ALWAYS]
        if found:
            out.append(found)
    return out


def _moments(rows: Rows, used: BoolArray) -> NDArray[np.datetime64]:
    order = np.argsort(rows.started[used], kind="stable")
    started = rows.started[used][order]
    through = np.cumsum(rows.expected[used][order])
    if not through.size or through[-1] <= 0:
        return started[:0]
    at = np.searchsorted(through, np.linspace(0.02, 0.96, _MOMENTS) * through[-1])
    return np.unique(started[np.minimum(at, started.size - 1)])


def _begun(
    rows: Rows, pattern: Pattern, used: BoolArray, z: FloatArray, word: str, number: int | None
) -> list[Told]:
    # What all bins share wears slowly; what comes within weeks was moved or broke.
    slow = _RAMPS[1:] if pattern.every_bin else _RAMPS
    lengths = (0,) if word == words.AT_ONCE else slow
    out = []
    groups: list[tuple[str, FloatArray]] = [("", z)]
    if words.ONE_STOCK in pattern.paper:
        groups = [(name, z * (rows.stock == place)) for place, name in enumerate(rows.stocks)]
    ends = _mended(rows, number)
    for name, here in groups:
        for moment in _moments(rows, used & (here > 0)):
            passed = (rows.started - moment) / _DAY
            for days in lengths:
                share = (passed >= 0) * (np.clip(passed / days, 0, 1) if days else 1.0)
                out.append(Told(word, moment, None, name, here * share))
                later = [end for end in ends if end > moment]
                if later and rows.started[used].max() >= later[0]:
                    over = here * share * (rows.started < later[0])
                    out.append(Told(word, moment, later[0], name, over))
    return out


def _mended(rows: Rows, number: int | None) -> list[np.datetime64]:
    """Return when somebody worked on this bin, or on the tower as a whole."""
    return [
        np.datetime64(one.when)
        for one in rows.services
        if one.action in ("fitted", "overhauled", "swapped", "adjusted")
        and not one.of_paper
        and (one.bin == number or (one.bin is None and one.action == "overhauled"))
    ]


def _since_service(rows: Rows, used: BoolArray, z: FloatArray, number: int | None) -> list[Told]:
    out = []
    first = rows.started[used].min() if used.any() else None
    done = [
        one
        for one in rows.services
        if one.action not in ("inspected", "cleaned") and one.bin == number and not one.of_paper
    ]
    for place, one in enumerate(done):
        when = np.datetime64(one.when)
        if first is None or when <= first:
            continue
        later = [np.datetime64(after.when) for after in done[place + 1 :] if after.when > one.when]
        since = z * (rows.started >= when)
        out.append(Told(words.SINCE_SERVICE, when, None, one.words, since))
        if later and rows.started[used].max() >= later[0]:
            # Or until somebody worked on it again.
            over = since * (rows.started < later[0])
            out.append(Told(words.SINCE_SERVICE, when, later[0], one.words, over))
    return out


def _since_move(rows: Rows, used: BoolArray, z: FloatArray) -> list[Told]:
    """Return each level of a setting that came late, on paper that had run at another before."""
    out = []
    for column, (names, code) in rows.settings.items():
        for level, name in enumerate(names):
            at_level = used & (code == level)
            if not at_level.any():
                continue
            first = rows.started[at_level].min()
            before = used & (code >= 0) & (code != level) & (rows.started < first)
            same = np.isin(rows.stock, np.unique(rows.stock[before]))
            now = at_level & same
            least = min(rows.expected[some].sum() for some in (before, now))
            since = used & same & (code >= 0) & (rows.started >= first)
            stayed = rows.feeds[now].sum() / max(float(rows.feeds[since].sum()), 1.0)
            # A level that comes and goes with the job was not moved to.
            if least < _LEAST_BEFORE or stayed < _STAYED:
                continue
            what = f"{column.removeprefix('set_').replace('_', ' ')} to {name}"
            out.append(Told(words.SINCE_MOVE, first, None, what, z * ((code == level) & same)))
    return out


#: Expected faults at the old level, and at the new, before a move can be told.
_LEAST_BEFORE = 3.0
#: Share of the feeds since that a level was moved to has at least.
_STAYED = 0.6


def _with_age(rows: Rows, used: BoolArray, z: FloatArray, word: str) -> list[Told]:
    age = rows.ages.get(word.removeprefix(words.WITH_AGE).strip().lower())
    if age is None or not (used & ~np.isnan(age)).any():
        return []
    most = float(np.nanmax(age[used]))
    share = np.nan_to_num(age / most) if most > 0 else np.zeros(age.size)
    # The rate rises with age by the same factor every so many feeds.
    return [Told(word, None, None, "", z * share)]
