"""Can this log be believed?

All that feedtally says rests on counts that people wrote down. Five things that honest counting
hardly ever does are looked for, by tower, period and shift, and never by who wrote:

- *zeros*: a time in which far more runs have no fault than were expected to have none;
- *round*: cycles that are whole fifties, hundreds or thousands far too often to come off a counter;
- *air*: runs without a humidity reading that have more faults than runs with one;
- *gap*: days without a run on a tower that hardly ever skips such a day;
- *copy*: two runs with the same cycles, misses and doubles in every bin.

A finding is no proof and blames nobody: it names what to ask. Each carries the chance that honest
counting would show as much anywhere in the log, made honest for all the places that were looked at
(Bonferroni), and is only reported where that is below 1 in 1,000.

What is taken for granted is that the expected faults are right, and that runs differ from one
another by the between-run variance of their tower (`analysis.spread`), with its allowance. A tower
that has become better than expected shows more runs without a fault, too, and is to be believed.
Therefore at least half of the runs that should have shown a fault must show none, and it must be
hard to believe still at the highest level for which the runs before and after, the other shifts of
the time, and those runs of the stretch that have faults leave room. A tower that became better at
the very end of the log, with hardly a fault since, cannot be told from one whose faults were left
out: the question is then worth asking.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.belief_air import missing_air
from analysis.belief_copies import copies
from analysis.belief_findings import KINDS, Finding
from analysis.belief_gaps import gaps
from analysis.belief_log import Log, RunBins, Runs, Stretches
from analysis.belief_round import LEAST_CYCLES, round_cycles
from analysis.belief_zeros import zeros
from analysis.counts import Account
from analysis.shifts import STARTS
from analysis.words import many


@dataclass(frozen=True)
class Belief:
    """Whether a log can be believed.

    Attributes
    ----------
    findings : tuple of Finding
        The least likely first.
    runs, days, stretches : int
        Runs looked at, different days on which they began, and stretches of 500 cycles or more.
    looks : mapping of str to int
        By kind, how many places the chances are corrected for: stretches of runs that could have
        been picked, groups of stretches times steps, towers, days, pairs of runs.
    not_looked : tuple of str
        What could not be looked at, and why; a sentence each.
    account : Account or None
        Evidence; None where the arrays came from no log.
    part : bool
        Whether only findings of a part of the time that was looked at are told.
    """

    findings: tuple[Finding, ...]
    runs: int
    days: int
    stretches: int
    looks: Mapping[str, int] = field(hash=False)
    not_looked: tuple[str, ...]
    account: Account | None = None
    part: bool = False

    def during(self, since: dt.datetime | None, until: dt.datetime | None) -> Belief:
        """Return what of this touches a period; all of the log was looked at all the same."""
        if since is None and until is None:
            return self
        kept = tuple(
            finding
            for finding in self.findings
            if (until is None or finding.first <= until)
            and (since is None or finding.last >= since)
        )
        return replace(self, findings=kept, part=True)

    def sentence(self) -> str:
        """Say whether anything is hard to believe, and the first of it."""
        if not self.runs and not self.stretches and not self.findings:
            return "There is no run to look at: log some, or widen the filter."
        if not self.findings:
            limits = ", as far as it can be looked at" if self.not_looked else ""
            if self.part:
                return (
                    f"Nothing in this time is hard to believe{limits}; the whole log was looked "
                    f"at: {self._looked_at()}."
                )
            return f"Nothing in the log is hard to believe{limits}: {self._looked_at()}."
        number = len(self.findings)
        first = self.findings[0].sentence()
        if number == 1:
            return f"1 thing is hard to believe: {first}"
        return f"{number:,} things are hard to believe; the first: {first}"

    def _looked_at(self) -> str:
        runs = many(self.runs, "run")
        text = f"{runs} on {many(self.days, 'day')}"
        if self.stretches:
            told = many(self.stretches, "stretch", "stretches")
            text += f" and the cycles of {told}"
        return text


def believe(
    runs: Runs,
    *,
    stretches: Stretches | None = None,
    bins: RunBins | None = None,
    every: Runs | None = None,
    services: Sequence[tuple[str, dt.date]] = (),
    sites: Mapping[str, str] | None = None,
    closed: Mapping[str, Sequence[dt.date]] | None = None,
    variance: Mapping[str, float] | float | None = None,
    starts: tuple[int, int, int] = STARTS,
    account: Account | None = None,
) -> Belief:
    """Can this log be believed?

    Parameters
    ----------
    runs : Runs
        For zeros, missing air and gaps.
    stretches : Stretches, optional
        For round cycles.
    bins : RunBins, optional
        For copies.
    every : Runs, optional
        For gaps: all runs of all towers in the time that is looked at, whatever their purpose and
        paper, since a tower that makes ready, is proved or runs another stock does not stand still.
        `runs` where absent.
    services : sequence of (tower, date or datetime)
        Work that may stop a tower for a day or more: fitted, overhauled, moved. Not every cleaning:
        a tower that is cleaned daily would have every gap explained.
    sites : mapping of str to str, optional
        Site of each tower; those not named, or all where absent, make one site.
    closed : mapping of str to dates, optional
        By site (``""`` for towers without one), days on which the works was closed. It is needed
        only for towers that stand alone: otherwise a day on which no other tower of the site ran
        is no gap in any case.
    variance : float or mapping of str to float, optional
        Between-run variance v, of all towers or by tower; estimated from the runs, with its
        allowance, where absent.
    starts : (int, int, int)
        Minutes after midnight at which the early, late and night shift begin; the day begins with
        the early one.
    account : Account, optional
        Of the rows looked at; handed on.

    Returns
    -------
    Belief

    Raises
    ------
    ValueError
        Where starts are not in order within a day, or a variance is negative or missing.

    Notes
    -----
    How each kind is looked for, and with which chance, stands in the module of that kind.

    Examples
    --------
    Two runs a day for 30 days, 3 faults expected of each, and none in the last ten days:

    >>> started = np.datetime64("2031-05-01T08:00") + np.arange(60) * np.timedelta64(12, "h")
    >>> found = believe(
    ...     Runs(
    ...         tower=["B"] * 60,
    ...         run=[str(number) for number in range(60)],
    ...         started=started,
    ...         expected=[3.0] * 60,
    ...         faults=[3, 2, 4, 3] * 10 + [0] * 20,
    ...     ),
    ...     variance=0.1,
    ... )
    >>> print(found.findings[0].sentence())
    Tower B, 21 to 30 May 2031: 20 of 20 runs had no fault, where 1.5 such runs were to be \
expected: less than 1 in a billion. Ask how these were counted.
    """
    log = Log(runs, sites or {}, variance, starts)
    missing: list[str] = []
    looks = dict.fromkeys(KINDS, 0)
    findings: list[Finding] = []
    looked = 0
    if len(log.towers):
        for kind, look in (("zeros", zeros), ("air", missing_air)):
            found, looks[kind], left = look(log)
            findings += found
            missing += left
        whole = log if every is None else Log(every, sites or {}, 0.0, starts)
        found, looks["gap"], left = gaps(whole, services, closed or {}, log.towers)
        findings += found
        missing += left
    if stretches is None:
        missing.append("Round cycles: the cycles of stretches are not at hand.")
    else:
        found, looks["round"], looked = round_cycles(stretches, starts)
        findings += found
        if not looked:
            missing.append(f"Round cycles: no stretch has {LEAST_CYCLES} cycles or more.")
    if bins is None:
        missing.append("Copies of a run: the counts bin by bin are not at hand.")
    else:
        found, looks["copy"] = copies(bins, log)
        findings += found
    findings.sort(
        key=lambda f: (math.inf if f.chance is None else f.chance, f.tower, f.first, f.kind)
    )
    return Belief(
        findings=tuple(findings),
        runs=log.size,
        days=len(np.unique(log.day)),
        stretches=looked,
        looks=looks,
        not_looked=tuple(missing),
        account=account,
    )
