"""Is it the paper or the bin? Which piles to exchange, for how many cycles, and what came of it.

The technician's own test is the swap. Exchange the piles of the bin that has too many faults and
of an ordinary bin near it that runs the same paper. What goes with the paper to the other bin is
the paper's; what stays is the bin's, and then the feet (misses) or the brushes (doubles) of the two
are exchanged in the same way. (The swap and its order are common practice, no source.)

How that is told, and what it rests on, stands in `analysis.swap_rule`. As many cycles are run
exchanged as are needed to tell, and as many as things are, which the log mostly has already.

When not to use it: for a fault of a whole tower, which has no ordinary bin beside the suspect.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.swap_rule import MOST_POWER, RISK, least_cycles, planned
from analysis.words import capital, many, two_digits

#: What stands beside any advice to exchange something.
CAUTION = (
    "A swap puts hands into the tower. Before that, stop it, switch it off and isolate it as the "
    "machine's maker and the local rules require, wait until bins and pump stand still, and let "
    "vacuum and compressed air vent; keep clear of moving bins. Work on electrical parts and on "
    "pressure is for people licensed for it."
)

#: What can be exchanged, and what one of it is called.
EXCHANGED = {"piles": "paper", "suction feet": "suction foot", "brushes": "brush"}

#: What is exchanged after the piles, by kind of fault. Common practice, no source.
_THEN = {
    "misses": "suction feet",
    "doubles": "brushes",
    "faults": "suction feet, and last the brushes",
}

#: A bin is ordinary that has up to so many times what is expected of it, or as many times less.
ORDINARY = 1.5

#: As many runs for each unit of variance at the least, as in `analysis.trials`.
_FOR_VARIANCE = 30.0
_LEAST_RUNS = 6


@dataclass(frozen=True)
class OtherBin:
    """A bin that the suspect's pile might be exchanged with.

    Attributes
    ----------
    bin : int
        Its number.
    rate : float
        Faults per feed that are to be expected of it on its present paper, its own level included;
        above 0.
    ratio : float
        How many times that its own faults are what is expected of an ordinary bin.
    same_paper : bool
        Whether it runs the suspect's paper.
    cycles_per_day : float
        Of late; 0 for a bin that stands empty.
    """

    bin: int
    rate: float
    ratio: float = 1.0
    same_paper: bool = True
    cycles_per_day: float = math.inf


@dataclass(frozen=True)
class Swap:
    """Which bins to exchange what between, and for how many cycles.

    Attributes
    ----------
    tower, bin : str, int
        The suspect.
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    other_bin : int or None
        Its partner; None where no bin will do.
    why : str
        Why that partner, or why there is no test.
    what, then : str
        What to exchange, and what after it where the fault stays; empty where nothing is left.
    rate, ratio : float
        Faults per feed of the suspect at present, and how many times what is expected that is.
    other_rate : float
        Faults per feed to be expected of the partner; NaN without one.
    variance : float
        Between-run variance, relative.
    power, risk : float
        Chance asked for that the right one is told, and the most that the wrong one may have.
    cycles : int or None
        Each way: as things are, and exchanged. None where no number of cycles will do.
    cycles_before : int
        As things are that the log has already.
    more_before : int or None
        As things are that are lacking.
    days : float or None
        That the lacking cycles and the exchanged ones take at the recent pace.
    chance, wrong : float
        That the right one is told, and the wrong one, whichever is the truth; NaN without cycles.
    expected : tuple of float
        Faults of suspect and partner in those cycles, as things are.
    caution : str
        What comes before hands go in.
    """

    tower: str
    bin: int
    kind: str
    other_bin: int | None
    why: str
    what: str
    then: str
    rate: float
    ratio: float
    other_rate: float
    variance: float
    power: float
    risk: float
    cycles: int | None
    cycles_before: int
    more_before: int | None
    days: float | None
    chance: float
    wrong: float
    expected: tuple[float, float]
    caution: str = CAUTION

    def sentence(self) -> str:
        """Say what to exchange, how long to run, and what each outcome means."""
        if self.other_bin is None or self.cycles is None:
            return f"No swap test for bin {self.bin} of tower {self.tower}: {self.why}."
        first = (
            f"Log {self.more_before:,} more cycles as things are; then exchange"
            if self.more_before
            else "Exchange"
        )
        thing = EXCHANGED[self.what]
        after = f": then exchange the {self.then}" if self.then else ""
        stays = "the bin" if self.what == "piles" else "something else in the bin"
        days = f", about {_days(self.days)} at the recent pace" if self.days is not None else ""
        return (
            f"{first} the {self.what} of bins {self.bin} and {self.other_bin} of tower "
            f"{self.tower} and run {many(self.cycles, 'cycle')}; if the {self.kind} go with the "
            f"{thing} "
            f"to bin {self.other_bin}, it is the {thing}; if they stay in bin {self.bin}, it is "
            f"{stays}{after}. ({capital(self.why)}. So many cycles tell which with "
            f"{100 * self.power:.6g} % power{days}, and tell the wrong one in "
            f"{100 * self.risk:.6g} % at most. Stop the tower, switch it off and isolate it, let "
            "vacuum and air vent, exchange, close up, run.)"
        )

    def logged_as(self) -> str:
        """Say how to log it, so that it is read back as an exchange."""
        return (
            f"in the service log, with the part {EXCHANGED[self.what]} and the action swapped, a "
            "line for each of the two bins at the same time."
        )


def swap_test(
    tower: str,
    bin: int,
    bins: Sequence[OtherBin],
    rate: float,
    ratio: float,
    *,
    kind: str = "faults",
    what: str = "piles",
    variance: float = 0.0,
    cycles_per_run: float | None = None,
    cycles_before: int = 0,
    cycles_per_day: float | None = None,
    power: float = 0.8,
) -> Swap:
    """Which bin's pile should be exchanged with the suspect's, and for how many cycles?

    Parameters
    ----------
    tower, bin : str, int
        The suspect.
    bins : sequence of OtherBin
        The other bins of the tower.
    rate : float
        Faults per feed of the suspect at present; above 0, below 1.
    ratio : float
        How many times what is expected of it that is; above 1.
    kind : str
        ``misses``, ``doubles`` or ``faults``.
    what : str
        ``piles`` first; ``suction feet`` or ``brushes`` when the fault has stayed with the bin.
    variance : float
        Relative variance of the rate between runs, as of `analysis.spread`.
    cycles_per_run : float, optional
        Of late. Where absent, as few runs are reckoned with as the variance allows, six or more.
    cycles_before : int
        Of the suspect, as things are, that the log has already.
    cycles_per_day : float, optional
        Of the suspect, of late; the slower of the two bins sets the pace.
    power : float
        Chance to tell the right one; above the risk of 5 %, at most 0.9: the right one is itself
        ruled out by chance in up to 5 %, and taken for gone in as many.

    Returns
    -------
    Swap
        Without a partner or cycles where no bin, or no number of cycles, will do; it says why.

    Raises
    ------
    ValueError
        For a number that cannot be, or a word that is not known.

    Examples
    --------
    >>> near = [OtherBin(6, 0.0002, 0.9, cycles_per_day=8_000), OtherBin(8, 0.0002, 2.4)]
    >>> asked = swap_test("A", 7, near, 0.0006, 3.0, kind="doubles", cycles_before=60_000)
    >>> print(asked.sentence().split(" (")[0])
    Exchange the piles of bins 7 and 6 of tower A and run 11,000 cycles; if the doubles go with \
the paper to bin 6, it is the paper; if they stay in bin 7, it is the bin: then exchange the \
brushes.
    """
    _check(bins, rate, ratio, kind, what, variance, cycles_per_run, cycles_before, power)
    partner, why = _partner(tower, bin, bins)
    plan: _Plan | None = None
    if partner is not None:
        plan = _plan(rate, ratio, partner.rate, variance, cycles_per_run, cycles_before, power)
        if plan is None:
            why = f"{two_digits(ratio)} times is too little to tell by a swap in any useful time"
    more = None if plan is None else max(0, plan.cycles - int(cycles_before))
    paces = [] if partner is None else [partner.cycles_per_day, cycles_per_day or math.inf]
    pace = min(paces, default=math.inf)
    cycles = None if plan is None else plan.cycles
    days = (
        None
        if cycles is None or more is None or not math.isfinite(pace)
        else (cycles + more) / pace
    )
    other_rate = math.nan if partner is None else partner.rate
    return Swap(
        tower=tower,
        bin=int(bin),
        kind=kind,
        other_bin=None if partner is None else int(partner.bin),
        why=why,
        what=what,
        then=next_after(what, kind),
        rate=float(rate),
        ratio=float(ratio),
        other_rate=other_rate,
        variance=float(variance),
        power=float(power),
        risk=RISK,
        cycles=cycles,
        cycles_before=int(cycles_before),
        more_before=more,
        days=days,
        chance=math.nan if plan is None else plan.chance,
        wrong=math.nan if plan is None else plan.wrong,
        expected=(0.0, 0.0) if cycles is None else (cycles * rate, cycles * other_rate),
    )


@dataclass(frozen=True)
class _Plan:
    cycles: int
    chance: float
    wrong: float


def _plan(
    rate: float,
    ratio: float,
    other_rate: float,
    variance: float,
    cycles_per_run: float | None,
    cycles_before: float,
    power: float,
) -> _Plan | None:
    rates = (rate / ratio, other_rate)
    # Harmonic mean of both bins' rates, as in trials; the same either way for like bins.
    common = 2.0 * rate * other_rate / (rate + other_rate)
    fewest = max(_LEAST_RUNS, math.ceil(_FOR_VARIANCE * variance))

    def phi(cycles: float) -> float:
        length = cycles / fewest if cycles_per_run is None else cycles_per_run
        return 1.0 + variance * common * length

    def before(cycles: float) -> tuple[float, float, bool]:
        expected = max(cycles, cycles_before) * rates[0] / phi(cycles)
        return ratio * expected, expected, cycles > cycles_before

    least = _FOR_VARIANCE * variance * cycles_per_run if cycles_per_run is not None else 1.0
    cycles = least_cycles(rates, ratio, before, phi, power, least)
    if cycles is None:
        return None
    return _Plan(cycles, *planned(rates, ratio, cycles, before, phi))


def _partner(tower: str, bin: int, bins: Sequence[OtherBin]) -> tuple[OtherBin | None, str]:
    """Return the bin to exchange with, and why that one or none."""
    running = [one for one in bins if one.bin != bin and one.cycles_per_day > 0]
    same = [one for one in running if one.same_paper]
    if not same:
        return None, f"no other bin of tower {tower} runs the same paper; load it in one nearby"
    fit = [one for one in same if 1 / ORDINARY <= one.ratio <= ORDINARY]
    if not fit:
        return None, f"no other bin of tower {tower} with the same paper is ordinary itself"
    best = min(fit, key=lambda one: (abs(one.bin - bin), abs(math.log(one.ratio)), one.bin))
    nearest = "nearest" if len(fit) > 1 else "only"
    return best, (
        f"bin {best.bin} is the {nearest} bin with the same paper that is ordinary itself, with "
        f"{two_digits(best.ratio)} times what is to be expected"
    )


def next_after(what: str, kind: str) -> str:
    """Say what is exchanged next where a kind of fault stayed with the bin; empty where nothing.

    Examples
    --------
    >>> next_after("piles", "misses")
    'suction feet'
    """
    return _THEN.get(kind, "") if what == "piles" else ""


def _check(
    bins: Sequence[OtherBin],
    rate: float,
    ratio: float,
    kind: str,
    what: str,
    variance: float,
    cycles_per_run: float | None,
    cycles_before: float,
    power: float,
) -> None:
    if not 0 < rate < 1:
        raise ValueError(f"rate must be faults per feed, above 0 and below 1, not {rate:g}")
    if not 1 < ratio < math.inf:
        raise ValueError(f"ratio must be above 1, or there is nothing to follow; it is {ratio:g}")
    if kind not in _THEN:
        raise ValueError(f"kind must be one of {', '.join(_THEN)}, not {kind!r}")
    if what not in EXCHANGED:
        raise ValueError(f"what must be one of {', '.join(EXCHANGED)}, not {what!r}")
    if not 0 <= variance < math.inf:
        raise ValueError(f"variance between runs must be 0 or more, not {variance:g}")
    if cycles_per_run is not None and not 0 < cycles_per_run < math.inf:
        raise ValueError(f"cycles_per_run must be above 0, not {cycles_per_run:g}")
    if not 0 <= cycles_before < math.inf:
        raise ValueError(f"cycles_before must be 0 or more, not {cycles_before:g}")
    if not RISK < power <= MOST_POWER:
        raise ValueError(f"power must be above {RISK:g} and at most {MOST_POWER:g}, not {power:g}")
    for one in bins:
        if not (0 < one.rate < 1 and 0 <= one.ratio < math.inf):
            raise ValueError(
                f"bin {one.bin} needs a rate above 0 and below 1 and a ratio of 0 or more, not "
                f"{one.rate:g} and {one.ratio:g}"
            )


def _days(days: float) -> str:
    whole = max(1, math.ceil(days))
    return many(whole, "day")
