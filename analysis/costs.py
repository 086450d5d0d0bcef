"""What do the faults cost?

A miss or a double stops the tower once; the set it stopped at is mended by hand, or spoiled; and a
double that the tower let pass costs more when it is found later. Counts of these, priced with the
site's figures, give the cost of a period and of every 10,000 sets, split by tower, bin, stock and
kind of fault, and what a bin costs beyond an ordinary one of its tower. Stops for other reasons
(refills, jams, false calls) are no cost of faults, and neither is anything that was not logged.

Ranges rest on three things: faults fall by chance, and in clusters (`analysis.spread`), and how
many sets are spoiled is known from so many stopped sets only. The site's figures are taken as they
are stated.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pyarrow.compute as pc

from analysis.counts import Account
from analysis.explained import Explained
from analysis.log_format import kinds_of
from analysis.pricing import KINDS, PER_SETS, Cost, Counted, Pricing, Share, Sums, dearest_first
from analysis.pricing import pricing as make_pricing
from analysis.site_costs import Costs
from analysis.spread import Spread
from analysis.words import listed, two_digits

#: Variance of a median over that of a mean, where there are many.
_MEDIAN = math.sqrt(math.pi / 2)

#: What the figures of a site are called.
_FIGURES = {
    "hour": "an hour of a tower with its crew",
    "stop_minutes": "the minutes of a stop",
    "mend_minutes": "the minutes to mend a set",
    "spoiled_set": "a spoiled set",
    "spoiled_share": "the share of sets that are spoiled",
    "found_later": "a double found later",
}


@dataclass(frozen=True)
class Beside:
    """Faults of a bin beside those to be expected of an ordinary bin that fed the same.

    Attributes
    ----------
    tower, bin : str, int
        Which.
    faults, expected : float
        Both over the same feeds. Only how the bins of a tower stand to one another matters.
    feeds : float
        These feeds.
    feeds_a_year : float
        What the bin feeds in a year at its recent pace.
    """

    tower: str
    bin: int
    faults: float
    expected: float
    feeds: float
    feeds_a_year: float


@dataclass(frozen=True)
class Beyond:
    """What a bin costs beyond an ordinary bin of its tower that feeds the same paper.

    Attributes
    ----------
    tower, bin : str, int
        Which.
    faults, ordinary : float
        Its faults, and those of the middle bin of its tower on the same paper.
    low, high : float
        Range of the difference of the two.
    feeds, feeds_a_year : float
        That these were counted in; and in a year at the recent pace.
    fault : float
        What a fault costs there.
    faults_low, faults_high : float
        Range of the faults alone.
    """

    tower: str
    bin: int
    faults: float
    ordinary: float
    low: float
    high: float
    feeds: float
    feeds_a_year: float
    fault: float
    faults_low: float
    faults_high: float

    def per_sets(self) -> tuple[float, float, float]:
        """Return what it costs beyond an ordinary bin in 10,000 sets, with the range."""
        return self._for(PER_SETS, self.faults - self.ordinary, self.low, self.high)

    def a_year(self) -> tuple[float, float, float]:
        """Return the same for a year at the recent pace."""
        return self._for(self.feeds_a_year, self.faults - self.ordinary, self.low, self.high)

    def saving(
        self, *, times: float | None = None, rate: float | None = None
    ) -> tuple[float, float, float]:
        """Return what would be saved in a year at the recent pace, if the bin were better.

        Parameters
        ----------
        times : float, optional
            It then has so many times its faults: 0.5 for half of them.
        rate : float, optional
            It then has so many faults per feed: those of its burn-in, or of another benchmark.
            Without either it is then an ordinary bin of its tower.

        Returns
        -------
        best, low, high : float
            Money a year; below 0 where it would be worse.

        Raises
        ------
        ValueError
            Where both are given, or one of them is negative.
        """
        if times is not None and rate is not None:
            raise ValueError("give times or rate, not both")
        if (times or 0) < 0 or (rate or 0) < 0:
            raise ValueError("times and rate must be 0 or more")
        faults = (self.faults, self.faults_low, self.faults_high)
        if times is not None:
            return self._for(self.feeds_a_year, *((1 - times) * one for one in faults))
        if rate is not None:
            return self._for(self.feeds_a_year, *(one - rate * self.feeds for one in faults))
        return self.a_year()

    def _for(self, feeds: float, *faults: float) -> tuple[float, float, float]:
        each = self.fault * feeds / self.feeds if self.feeds else 0.0
        low, high = sorted(each * one for one in faults[1:])
        return each * faults[0], low, high


@dataclass(frozen=True)
class CostsResult:
    """What the faults of a period cost.

    Attributes
    ----------
    figures : analysis.site_costs.Costs
        What it was priced with.
    assumed : tuple of str
        Which of these the site does not state, so that the usual ones stand.
    total : Cost
        Of all that was priced.
    by_tower, by_bin, by_stock, by_kind : tuple of Cost
        Parts of the total, the dearest first; each adds up to it. A kind of fault for which
        nothing was watching is not among them.
    by_what : tuple of Cost
        What is paid: stops, mended sets, spoiled sets, doubles found later; adds up to it as well.
    by_cause : tuple of Cost
        What causes explain, and last what none does; empty where no cause was told.
    make_ready : Cost or None
        Set-up apart from production; None where the filter holds a purpose.
    beyond : tuple of Beyond
        Bins beside an ordinary one of their tower, the dearest in a year first.
    adjusted : bool
        Whether what is ordinary allows for paper, air and settings.
    shares : tuple of Share
        How many of the stopped sets were spoiled, by tower.
    days : int
        On which there were feeds.
    feeds, feeds_found_later : int
        All of them, and those of lines that say how many doubles were found later.
    kind : str
        Of fault.
    confidence : float
        Of the ranges.
    account : analysis.counts.Account
        The rows that were priced.
    """

    figures: Costs
    assumed: tuple[str, ...]
    total: Cost
    by_tower: tuple[Cost, ...]
    by_bin: tuple[Cost, ...]
    by_stock: tuple[Cost, ...]
    by_kind: tuple[Cost, ...]
    by_what: tuple[Cost, ...]
    by_cause: tuple[Cost, ...]
    make_ready: Cost | None
    beyond: tuple[Beyond, ...]
    adjusted: bool
    shares: tuple[Share, ...]
    days: int
    feeds: int
    feeds_found_later: int
    kind: str
    confidence: float
    account: Account

    @property
    def unwatched(self) -> tuple[str, ...]:
        """Return the kinds of fault for which nothing was watching, so that they have no cost."""
        asked = kinds_of(self.kind)
        return tuple(kind for kind in asked if kind not in {one.of["kind"] for one in self.by_kind})

    def money(self, amount: float) -> str:
        """Write an amount with two significant digits, after the currency where one is stated."""
        text = two_digits(amount)
        return f"{self.figures.currency} {text}" if self.figures.currency else text

    def logged(self) -> str:
        """Say what of the log does not tell all that is priced; nothing where it does."""
        if "doubles" not in kinds_of(self.kind) or not self.feeds:
            return ""
        if self.unwatched == ("doubles",):
            return "Nothing was watching for doubles, so they are not in it."
        share = self.feeds_found_later / self.feeds
        if share >= 0.995:
            return ""
        if not self.feeds_found_later:
            return "Doubles found later are not logged, so they are not in it."
        return (
            f"Doubles found later are logged for {100 * share:.0f} % of feeds; for the others they "
            "are not in it."
        )

    def span(self, low: float, high: float) -> str:
        """Write a range of money."""
        return f"{two_digits(low)} to {two_digits(high)}"

    def sentence(self) -> str:
        """Say in words what faults cost, and which bin costs most beyond an ordinary one."""
        if not self.account.rows:
            return "No rows of the log are in this filter; widen it."
        each = self.total.per_sets()
        if each is None or not self.days:
            return "Nothing was fed in this part of the log, so there is no cost to give."
        watched = [kind for kind in KINDS if kind in {one.of["kind"] for one in self.by_kind}]
        if not watched:
            return (
                f"Nothing was watching for {listed(self.unwatched)} in this part of the log, so "
                "there is no cost to give."
            )
        kinds = listed(watched).capitalize()
        day = [money / self.days for money in (self.total.cost, self.total.low, self.total.high)]
        text = (
            f"{kinds} cost {self.money(day[0])} a working day ({self.span(*day[1:])}), "
            f"{self.money(each[0])} per {PER_SETS:,} sets"
        )
        return f"{text}{self._dearest()}.{self._assumed()}"

    def _dearest(self) -> str:
        sure = [one for one in self.beyond if one.low > 0]
        if not sure:
            return "; no bin surely costs more than an ordinary one of its tower"
        worst = max(sure, key=lambda one: one.per_sets()[0])
        best, low, high = worst.per_sets()
        return (
            f"; bin {worst.bin} of tower {worst.tower} costs most: {self.money(best)} per "
            f"{PER_SETS:,} sets beyond an ordinary bin ({self.span(low, high)})"
        )

    def usual_figures(self) -> str:
        """Say which figures are assumed; nothing where the site states all of them."""
        return self._assumed().strip()

    def _assumed(self) -> str:
        if not self.assumed:
            return ""
        usual = "(common practice, no source)"
        if len(self.assumed) == len(_FIGURES):
            text = f" At usual figures {usual}, since the site file states none"
        else:
            names = listed([_FIGURES[name] for name in self.assumed])
            text = f" At usual figures {usual} for what the site file does not state: {names}"
        if not self.figures.currency and "hour" in self.assumed:
            text += f"; money is such that {_FIGURES['hour']} costs {self.figures.hour:g}"
        return text + "."


def costs(
    counted: Counted,
    figures: Costs,
    spread: Mapping[str, Spread],
    account: Account,
    *,
    kind: str = "faults",
    make_ready: Counted | None = None,
    beside: Sequence[Beside] = (),
    adjusted: bool = True,
    causes: Sequence[Explained] = (),
    confidence: float = 0.95,
) -> CostsResult:
    """Say what the faults of a part of the log cost.

    Parameters
    ----------
    counted : Counted
        What happened in it.
    figures : analysis.site_costs.Costs
        What the site states; what it leaves out is taken as usual, and named.
    spread : mapping of str to Spread
        By tower, how much runs differ in that kind of fault.
    account : analysis.counts.Account
        Of the rows; handed on.
    kind : str
        ``misses``, ``doubles`` (with those found later) or ``faults`` for both.
    make_ready : Counted, optional
        What happened in set-up in the same period.
    beside : sequence of Beside
        Bins beside what was to be expected of them.
    adjusted : bool
        Whether that allows for paper, air and settings.
    causes : sequence of Explained
        What explains how many faults.
    confidence : float
        Of the ranges.

    Raises
    ------
    ValueError
        For a confidence outside 0 to 1.

    Notes
    -----
    A cost is a weighted sum C = sum w x of counts x, each worth w, with chance variance V = sum
    w^2 x. It is taken as V/C times one count of C^2/V (Fay and Feuer 1997, without their allowance
    for the largest weight: weights are known to be few), and that count's range is widened for
    clusters as those of rates are. The share of spoiled sets is known from s spoiled and m mended
    ones; its range is that of a beta distribution with half a set added to each (Jeffreys). The two
    are put together on the scale of money (Zou and Donner 2008). By simulation the range held 95 %
    of true costs or more (`tests/analysis/test_costs.py`).
    """
    stated = figures.or_usual()
    pricing = make_pricing(counted, stated, spread, kind, confidence)
    total = pricing.lines(counted, ())[0]
    parts = {by: pricing.lines(counted, columns) for by, columns in _SPLITS.items()}
    ready = None
    if make_ready is not None:
        ready = make_pricing(make_ready, stated, spread, kind, confidence).lines(make_ready, ())[0]
    events = counted.events
    return CostsResult(
        figures=stated,
        assumed=figures.assumed,
        total=total,
        by_tower=parts["tower"],
        by_bin=parts["bin"],
        by_stock=parts["stock"],
        by_kind=pricing.by_kind(counted),
        by_what=pricing.by_what(counted),
        by_cause=_by_cause(causes, pricing, parts, total) if causes else (),
        make_ready=ready,
        beyond=_beyond(beside, pricing, pricing.sums(counted, ("tower", "bin"))),
        adjusted=adjusted,
        shares=tuple(pricing.shares.values()),
        days=len({row["of_day"] for row in counted.sets["tower"].to_pylist() if row["sets"]}),
        feeds=pc.sum(counted.counts["feeds"]).as_py() or 0,
        feeds_found_later=pc.sum(events["found_later_feeds"]).as_py() or 0,
        kind=kind,
        confidence=confidence,
        account=account,
    )


#: How the total is split, each with its columns.
_SPLITS: Mapping[str, tuple[str, ...]] = {
    "tower": ("tower",),
    "bin": ("tower", "bin"),
    "stock": ("stock",),
}


def _by_cause(
    causes: Sequence[Explained],
    pricing: Pricing,
    parts: Mapping[str, tuple[Cost, ...]],
    total: Cost,
) -> tuple[Cost, ...]:
    """Price what each cause explains, and what none does."""
    sets = {
        (line.of["tower"], line.of.get("bin")): line.sets
        # A tower has sets where the bin of some faults was not noted.
        for line in (*parts["bin"], *parts["tower"])
    }
    found = []
    for one in causes:
        if pricing.kind not in ("faults", one.kind):
            continue
        each = pricing.fault(one.tower)
        of = {"cause": one.cause, "tower": one.tower, "bin": one.bin, "kind": one.kind}
        money = (each * one.excess, each * one.low, each * one.high)
        found.append(Cost(of, one.excess, 0, sets.get((one.tower, one.bin), 0), *money))
    found.sort(key=dearest_first)
    blamed = math.fsum(one.cost for one in found)
    rest = Cost(
        {"cause": "", "tower": None, "bin": None, "kind": pricing.kind},
        total.faults - math.fsum(one.faults for one in found),
        total.found_later,
        total.sets,
        total.cost - blamed,
        total.cost
        - blamed
        - math.hypot(total.cost - total.low, *(one.high - one.cost for one in found)),
        total.cost
        - blamed
        + math.hypot(total.high - total.cost, *(one.cost - one.low for one in found)),
    )
    return (*found, rest)


def _beyond(
    beside: Sequence[Beside], pricing: Pricing, sums: Mapping[tuple[object, ...], Sums]
) -> tuple[Beyond, ...]:
    """Set each bin beside the middle one of its tower, on what it fed itself."""
    by_tower: dict[str, list[Beside]] = defaultdict(list)
    for one in beside:
        if one.expected > 0:
            by_tower[one.tower].append(one)
    found = []
    for tower, bins in by_tower.items():
        if len(bins) < 2:
            continue
        middle = _middle(bins)
        # How sure the middle is: as a mean of all the tower's faults would be, but for a median.
        faults = math.fsum(one.faults for one in bins)
        ends = pricing.limits(faults, 0.0)
        off = [_MEDIAN * abs(end - faults) / faults if faults else 0.0 for end in ends]
        for one in bins:
            of_bin = sums.get((tower, one.bin))
            low, high = pricing.limits(one.faults, of_bin.relative if of_bin else 0.0)
            ordinary = middle * one.expected
            best = one.faults - ordinary
            found.append(
                Beyond(
                    tower,
                    one.bin,
                    one.faults,
                    ordinary,
                    best - math.hypot(one.faults - low, off[1] * ordinary),
                    best + math.hypot(high - one.faults, off[0] * ordinary),
                    one.feeds,
                    one.feeds_a_year,
                    pricing.fault(tower),
                    low,
                    high,
                )
            )
    return tuple(sorted(found, key=lambda one: (-one.a_year()[0], one.tower, one.bin)))


def _middle(bins: Sequence[Beside]) -> float:
    """Return how many times what is expected the middle bin has; a bin counts by what it fed."""
    ratios = sorted((one.faults / one.expected, one.expected) for one in bins)
    half, passed = 0.5 * math.fsum(weight for _, weight in ratios), 0.0
    for place, (ratio, weight) in enumerate(ratios):
        passed += weight
        if math.isclose(passed, half, rel_tol=1e-12):
            return 0.5 * (ratio + ratios[place + 1][0])
        if passed > half:
            break
    return ratio
