"""What speaks for a cause, and what against it?

Each contrast sets some rows of a tower beside others, all else that is known taken out: one bin
beside its neighbours, old brush beside new, toner-printed paper beside the rest. A pattern
(`analysis.patterns`) has some of them raised and others alike; what the faults show of each speaks
for it or against it, and what says next to nothing is left out.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis import patterns as words
from analysis import ratios
from analysis.explaining import Evidence
from analysis.tower_rows import Rows
from analysis.words import called, day, either, times_at_least, two_digits

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Contrast:
    """One comparison that speaks for a cause or against it.

    Attributes
    ----------
    contrast : str
        What is set beside what.
    ratio, low, high : float
        Rate ratio, all else that is known taken out, with its 95 % range.
    count, expected, feeds : int, float, int
        Of the first of the two.
    """

    contrast: str
    ratio: float
    low: float
    high: float
    count: int
    expected: float
    feeds: int

    def sentence(self) -> str:
        """Say it with its range and the faults behind it."""
        if not math.isfinite(self.high):
            # There was none on the other side.
            least = times_at_least(self.low)
            return f"{self.contrast}: at least {least} times ({self.count} beside none)"
        return (
            f"{self.contrast}: {two_digits(self.ratio)} times ({two_digits(self.low)} to "
            f"{two_digits(self.high)}; {self.count} where {two_digits(self.expected)} would be "
            "usual)"
        )


def for_and_against(
    rows: Rows, evidence: Evidence, tower: str, bin: int | None
) -> tuple[tuple[Contrast, ...], tuple[Contrast, ...]]:
    """Say what speaks for a pattern and what against it.

    Parameters
    ----------
    rows : Rows
        Of the tower.
    evidence : Evidence
        Of the pattern.
    tower, bin : str, int or None
        Whose faults they are.
    """
    supports: list[Contrast] = []
    against: list[Contrast] = []
    if evidence.told is not None:
        for contrast, raised in _contrasts(rows, evidence, tower, bin):
            _place(contrast, raised, supports, against)
    return tuple(supports), tuple(against)


def against_neighbours(rows: Rows, tower: str, bin: int) -> Contrast | None:
    """Set a bin beside the others of its tower, over all that was logged."""
    mine = rows.bin == bin
    some = np.ones(mine.size, dtype=bool)
    return _contrast(
        rows, f"bin {bin} against the other bins of tower {tower}", mine, ~mine, rows.expected, some
    )


def said(evidence: Evidence, kind: str) -> str:
    """Say since when a pattern is at work, how many times the faults it has, and why."""
    told, pattern = evidence.told, evidence.pattern
    if told is None:
        return f"it cannot be looked for, since {evidence.lacking}"
    times = (
        f"{two_digits(evidence.ratio)} times the {kind} ({two_digits(evidence.low)} to "
        f"{two_digits(evidence.high)})"
    )
    until = f" until {day(_moment(told.until))}" if told.until is not None else ""
    if told.when == words.ALWAYS:
        how = f"{times} where it is at work"
    elif told.when.startswith(words.WITH_AGE):
        how = f"{times} {told.when.replace('with the', 'at the greatest')}"
    else:
        assert told.since is not None
        about = {
            words.AT_ONCE: "since about",
            words.LITTLE_BY_LITTLE: "coming little by little since about",
            words.SINCE_SERVICE: f"since {told.words} on",
            words.SINCE_MOVE: f"since {told.words} on",
        }[told.when]
        stock = f" on {told.words}" if words.ONE_STOCK in pattern.paper else ""
        how = f"{times}{stock} {about} {day(_moment(told.since))}{until}"
    return f"{how}; {pattern.why}"


def _moment(when: np.datetime64 | None) -> dt.datetime:
    assert when is not None
    moment = when.astype("datetime64[us]").item()
    assert isinstance(moment, dt.datetime)
    return moment


def _place(
    contrast: Contrast | None,
    raised: bool,
    supports: list[Contrast],
    against: list[Contrast],
) -> None:
    """Put a contrast where it belongs; what says next to nothing is left out."""
    if contrast is None:
        return
    if raised:
        if contrast.low > 1:
            supports.append(contrast)
        elif contrast.high < 1.5 or contrast.ratio < 1:
            against.append(contrast)
    elif contrast.low > 1.0 and contrast.ratio > 1.25:
        against.append(contrast)
    elif contrast.high / max(contrast.low, 1e-9) < _TELLING:
        supports.append(contrast)


#: That two things are alike is told where the ends of the range are this near to one another.
_TELLING = 5.0


def _contrasts(
    rows: Rows, evidence: Evidence, tower: str, bin: int | None
) -> list[tuple[Contrast | None, bool]]:
    """Return contrasts with whether the pattern has them raised, or alike."""
    told, pattern, used = evidence.told, evidence.pattern, evidence.used
    assert told is not None
    out: list[tuple[Contrast | None, bool]] = []
    at_work = told.z >= 0.5
    if bin is not None and not pattern.every_bin:
        mine = rows.bin == bin
        when = _while(told.since, told.until)
        here = _within(rows, told.since, told.until)
        out.append(
            (
                _contrast(
                    rows,
                    f"bin {bin} against the other bins of tower {tower}{when}",
                    mine,
                    ~mine,
                    rows.expected,
                    here & (at_work | ~mine if told.when.startswith(words.WITH_AGE) else True),
                ),
                True,
            )
        )
    title = _title(evidence)
    if title:
        low = told.z <= (0.34 if told.when.startswith(words.WITH_AGE) else 0.0)
        out.append((_contrast(rows, title, at_work, low, evidence.base, used), True))
    if pattern.of_any_run:
        with_it = evidence.base * evidence.ratio**told.z
        for name, some, known in _conditions(rows):
            out.append((_contrast(rows, name, some, ~some, with_it, used & known), False))
    return out


def _conditions(rows: Rows) -> list[tuple[str, BoolArray, BoolArray]]:
    read = ~np.isnan(rows.humidity)
    dry = np.nan_to_num(rows.humidity, nan=100.0) < 40
    return [
        ("toner-printed paper against the rest", rows.paper["toner"], rows.described),
        ("light paper (below 75 g/m2) against the rest", rows.paper["light"], rows.described),
        (
            "heavy (from 200 g/m2) or large (above A4) paper against the rest",
            rows.paper["heavy or large"],
            rows.described,
        ),
        ("dry air (below 40 %) against other air", dry, read),
    ]


def _title(evidence: Evidence) -> str:
    """Return what the pattern itself sets beside what."""
    told, pattern = evidence.told, evidence.pattern
    assert told is not None
    paper = [word for word in pattern.paper if word != words.ONE_STOCK]
    what = f"{' and '.join(_PAPER_WORDS.get(word, word) for word in paper)} paper" if paper else ""
    where = []
    if pattern.air:
        where.append(f"in {pattern.air} air")
    for column, levels in pattern.settings.items():
        name = called(column)
        where.append(f"with {name} {either(levels[:2])}")
    if pattern.run:
        where.append(
            pattern.run if pattern.run == words.UNDER_COVER else f"in runs with {pattern.run}"
        )
    if told.when == words.ALWAYS:
        if where:
            rest = f"the same {what}".replace("the same paper", "all else") if what else "all else"
            return f"{what or 'paper'} {', '.join(where)} against {rest} otherwise".strip()
        return f"{what} against the rest" if what else ""
    if words.ONE_STOCK in pattern.paper:
        what = told.words
    on = f" on {what}" if what else ""
    if told.when.startswith(words.WITH_AGE):
        part = told.when.removeprefix(words.WITH_AGE)
        return f"with an old {part} against a newer one{on}"
    return f"{_while(told.since, told.until).strip()} against before{on}"


_PAPER_WORDS = {"toner": "toner-printed", "offset": "offset-printed"}


def _while(since: np.datetime64 | None, until: np.datetime64 | None) -> str:
    if since is None:
        return ""
    said = f" since {day(_moment(since))}"
    return f"{said} until {day(_moment(until))}" if until is not None else said


def _within(rows: Rows, since: np.datetime64 | None, until: np.datetime64 | None) -> BoolArray:
    here = np.ones(rows.started.size, dtype=bool)
    if since is not None:
        here &= rows.started >= since
    if until is not None:
        here &= rows.started < until
    return here


def _contrast(
    rows: Rows,
    name: str,
    first: BoolArray,
    second: BoolArray,
    expected: FloatArray,
    used: BoolArray,
) -> Contrast | None:
    """Set some rows beside others; None where one side has next to nothing to be expected."""
    sums = []
    for some in (first & used, second & used):
        total = float(expected[some].sum())
        if total < _LEAST_EXPECTED:
            return None
        _, at = np.unique(rows.run[some], return_inverse=True)
        by_run = np.bincount(at, expected[some])
        clusters = rows.variance * float((by_run**2).sum()) / total**2
        sums.append((float(rows.faults[some].sum()), total, clusters))
    (x1, e1, v1), (x2, e2, v2) = sums
    if x1 + x2 == 0:
        return None
    found = ratios.beside_expected(x1, e1, x2, e2, relative_variance=v1, other_relative_variance=v2)
    some = first & used
    usual = e1 * (x2 / e2) if x2 else e1
    return Contrast(
        name,
        (x1 / e1) / (x2 / e2) if x2 else float("inf"),
        float(found.low),
        float(found.high),
        round(x1),
        usual,
        round(float(rows.feeds[some].sum())),
    )


_LEAST_EXPECTED = 1.0
