"""What should somebody look at, and what does the log leave out?

A list in words: bins and towers that are worse than they were or than the others, those with most
faults beyond the others' first, or those that cost most where costs are known; then gaps of the
log.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from analysis.causes import BAD_LUCK, CANNOT_TELL, Causes
from analysis.costs import CostsResult
from analysis.drift import Drift
from analysis.filters import Filters
from analysis.log_format import kinds_of
from analysis.standing import BinLook, Look, TowerStanding, beyond_others
from analysis.streams import Stream, range_in_words
from analysis.verdicts import Comparison
from analysis.words import at_most, listed, many, per_10k, times_at_least, two_digits

#: Of money: best, low, high.
Range = tuple[float, float, float]


@dataclass(frozen=True)
class Attention:
    """Something that somebody should look at.

    Attributes
    ----------
    about : str
        ``B, bin 7``, ``Air``, ``Detectors`` and the like.
    sentence : str
        What is the matter, in words.
    evidence : str
        Numbers behind it, and what to do.
    urgent : bool
        Whether it is a fault rate rather than a gap in the log.
    tower, bin : str, int or None
        Where a bin is meant.
    kind : str
        Of fault; empty where none in particular is meant.
    drifts : bool
        Whether it is a stream that is getting worse: the Drift page shows it.
    excess : tuple of float, optional
        Of a tower as a whole: faults beyond those expected, or beyond its burn-in's, in every feed,
        with the range.
    cost : tuple of float, optional
        Money a year beyond an ordinary bin, or of `excess`, with its range; None where that is not
        known.
    costs : str
        The same in words.
    likely : str
        What is likely behind it, in a few words, where that was looked at.
    """

    about: str
    sentence: str
    evidence: str
    urgent: bool
    tower: str = ""
    bin: int | None = None
    kind: str = ""
    drifts: bool = False
    excess: Range | None = None
    cost: Range | None = None
    costs: str = ""
    likely: str = ""


@dataclass(frozen=True)
class Missing:
    """What was not logged, as shares of the feeds of the period.

    Attributes
    ----------
    humidity, stock : float
        Feeds without a humidity reading, without a stock.
    misses_off, doubles_off : float
        Feeds that nothing watched for that kind.
    unplaced_faults : int
        Faults whose bin was not noted.
    """

    humidity: float
    stock: float
    misses_off: float
    doubles_off: float
    unplaced_faults: int


def attention_list(
    filters: Filters,
    towers: Sequence[TowerStanding],
    looked: Mapping[str, Look],
    missing: Missing,
) -> tuple[Attention, ...]:
    """List what to look at, most faults beyond the other bins' first, then gaps of the log."""
    found: list[tuple[float, Attention]] = []
    pointed: set[str] = set()
    # Misses and doubles have other causes.
    for kind in kinds_of(filters.kind):
        look = looked[kind]
        for tower, compared in look.compared.items():
            if compared.verdict == "worse":
                pointed.add(tower)
                found.append((_more_than_burn_in(compared), _tower_attention(tower, compared)))
        for (tower, number), bin_ in look.bins.items():
            worse = bin_.compared is not None and bin_.compared.verdict == "worse"
            if bin_.stands_out or worse:
                pointed.add(tower)
                found.append((beyond_others(bin_), _bin_attention(tower, number, bin_)))
    found.sort(key=lambda pair: -pair[0])
    items = [attention for _, attention in found]
    items += [
        Attention(
            f"Tower {standing.tower}",
            "No bin stands out from the others.",
            standing.compared.sentence(),
            urgent=False,
            tower=standing.tower,
        )
        for standing in towers
        if standing.tower not in pointed and standing.compared and standing.now.rate is not None
    ]
    unproved = [standing.tower for standing in towers if standing.burn_in is None]
    if unproved:
        items.append(_unproved(unproved, filters))
    return (*items, *_gaps(missing))


def with_drift(items: Sequence[Attention], filters: Filters, drift: Drift) -> tuple[Attention, ...]:
    """Put who is getting worse at the head of an attention list.

    Parameters
    ----------
    items : sequence of Attention
        As `attention_list` gives them.
    filters : Filters
        Of the list; alarms that were raised after its period, or over before it, are left out.
    drift : Drift
        Of the bins and towers of the list.

    Returns
    -------
    tuple of Attention
        A bin that is getting worse has one item, with what else is said of it as evidence.
    """
    worse = [stream for stream in drift.monitored if _open_in(stream, filters)]
    said = {(item.tower, item.bin): item for item in items if item.urgent}
    first = []
    for stream in worse:
        alarm = stream.alarm
        assert alarm is not None
        counted = stream.counted().partition(" since ")[0]
        evidence = (
            f"{range_in_words(alarm)}; {counted}. Look at this bin and its paper first, "
            "power off and isolated."
            if stream.bin is not None
            else f"{range_in_words(alarm)}; {counted}. What its bins share is likely: "
            "paper, air, vacuum, filters."
        )
        also = said.get((stream.tower, stream.bin))
        if also is not None:
            evidence += f" {also.sentence}"
        about = stream.tower if stream.bin is None else f"{stream.tower}, bin {stream.bin}"
        first.append(
            Attention(
                about if stream.bin is not None else f"Tower {about}",
                stream.sentence(),
                evidence,
                urgent=True,
                tower=stream.tower,
                bin=stream.bin,
                kind=stream.kind,
                drifts=True,
                excess=_excess(stream) if stream.bin is None else None,
            )
        )
    named = {(item.tower, item.bin) for item in first}
    # That no bin of a tower stands out is not said beside one that does.
    towers = {item.tower for item in first}
    rest = [
        item
        for item in items
        if (item.tower, item.bin) not in named and (item.urgent or item.tower not in towers)
    ]
    return (*first, *rest)


def _excess(stream: Stream) -> Range:
    """Return the faults beyond those expected since it began, for every feed."""
    alarm = stream.alarm
    assert alarm is not None
    each = stream.expected / stream.feeds
    best = (stream.observed - stream.expected) / stream.feeds
    return best, each * (alarm.ratio_low - 1), each * (alarm.ratio_high - 1)


def with_costs(
    items: Sequence[Attention], costs: Mapping[str, CostsResult]
) -> tuple[Attention, ...]:
    """Rank what is urgent in an attention list by what it costs.

    Parameters
    ----------
    items : sequence of Attention
        As `attention_list` and `with_drift` give them.
    costs : mapping of str to CostsResult
        By kind of fault, of the period of the list; ``faults`` for items of no kind in particular.

    Returns
    -------
    tuple of Attention
        What is urgent first, the dearest in a year at its head and what has no cost after it; then
        the rest as it stood.
    """
    priced = [_priced(item, costs.get(item.kind or "faults")) for item in items if item.urgent]
    priced.sort(key=lambda item: -item.cost[0] if item.cost is not None else float("inf"))
    return (*priced, *(item for item in items if not item.urgent))


def _priced(item: Attention, costs: CostsResult | None) -> Attention:
    if costs is None:
        return item
    here = [one for one in costs.beyond if one.tower == item.tower]
    cost: Range | None = None
    if item.bin is not None:
        cost = next((one.a_year() for one in here if one.bin == item.bin), None)
        beyond = "those of an ordinary bin"
    elif item.excess is not None and here:
        each = here[0].fault * sum(one.feeds_a_year for one in here)
        best, low, high = (each * one for one in item.excess)
        cost = best, low, high
        beyond = "what was expected" if item.drifts else "those at its burn-in"
    if cost is None:
        return item
    return replace(item, cost=cost, costs=_cost_words(costs, cost, item.kind or "faults", beyond))


def _cost_words(costs: CostsResult, cost: Range, kind: str, beyond: str) -> str:
    best, low, high = cost
    if best <= 0:
        most = f" (at most {at_most(high)} a year more)" if high > 0 else ""
        return f"Of late its {kind} cost no more than {beyond}{most}."
    span = costs.span(low, high) if low > 0 else f"nothing to {two_digits(high)}"
    return f"Its {kind} cost about {costs.money(best)} a year beyond {beyond} ({span})."


def with_causes(
    items: Sequence[Attention], found: Mapping[tuple[str, int | None, str], Causes]
) -> tuple[Attention, ...]:
    """Say in a few words what is likely behind each stream that is getting worse.

    Parameters
    ----------
    items : sequence of Attention
        Of a list.
    found : mapping of (str, int or None, str) to Causes
        By tower, bin and kind; of some of the streams.
    """

    def told(item: Attention) -> Attention:
        one = found.get((item.tower, item.bin, item.kind)) if item.drifts else None
        return item if one is None else replace(item, likely=_likely(one))

    return tuple(told(item) for item in items)


def _likely(found: Causes) -> str:
    first = found.first
    if first.cause == BAD_LUCK:
        return "By all that was logged, bad luck is the likeliest cause."
    if first.cause == CANNOT_TELL:
        return "These counts cannot tell what is behind it; a swap would."
    return f"Likely cause: {first.cause}."


def _open_in(stream: Stream, filters: Filters) -> bool:
    alarm = stream.alarm
    if alarm is None:
        return False
    return filters.until is None or alarm.alarmed_at <= filters.until


def _more_than_burn_in(compared: Comparison) -> float:
    return compared.count - (compared.benchmark_rate or 0.0) * compared.feeds


def _tower_attention(tower: str, compared: Comparison) -> Attention:
    return Attention(
        about=f"Tower {tower}",
        sentence=compared.sentence(),
        evidence=(
            f"about {two_digits(_more_than_burn_in(compared))} more {compared.kind} than at "
            "burn-in; what its bins share is likely: paper, air, vacuum, filters"
        ),
        urgent=True,
        tower=tower,
        kind=compared.kind,
        excess=_beyond_burn_in(compared),
    )


def _beyond_burn_in(compared: Comparison) -> Range | None:
    rate = compared.benchmark_rate
    if not rate or not compared.feeds or not math.isfinite(compared.ratio_high):
        return None
    best = compared.count / compared.feeds - rate
    return best, rate * (compared.ratio_low - 1), rate * (compared.ratio_high - 1)


def _unproved(towers: Sequence[str], filters: Filters) -> Attention:
    named = f"{'tower' if len(towers) == 1 else 'towers'} {listed(towers)}"
    if any(name not in ("tower", "bin", "purpose") for name, _ in filters.where):
        # What else is held, a stock say, holds the burn-in too: like is set beside like.
        return Attention(
            "Burn-in",
            f"No burn-in of {named} is within this filter, so there is nothing to set these bins "
            "beside.",
            "let the filter go to see them beside the whole burn-in",
            urgent=False,
        )
    return Attention(
        "Burn-in",
        f"No burn-in is logged for {named}, so there is nothing to set these bins beside.",
        "log one with purpose burn-in",
        urgent=False,
    )


def _bin_attention(tower: str, number: int, bin_: BinLook) -> Attention:
    rate, others = bin_.rate, bin_.others_rate
    text = f"{rate.kind.capitalize()} at {per_10k(rate.rate or 0.0)} per 10,000 feeds "
    text += f"({per_10k(rate.wide_low)} to {per_10k(rate.wide_high)})"
    if others is not None:
        text += f" against {per_10k(others)} in the other bins"
    if bin_.stands_out and bin_.times_others is not None:
        text += f", at least {times_at_least(bin_.others_low)} times theirs"
    if bin_.compared is not None and bin_.compared.verdict == "worse":
        text += f"; worse than its burn-in ({per_10k(bin_.compared.benchmark_rate or 0.0)})"
    return Attention(
        about=f"{tower}, bin {number}",
        sentence=f"{text}.",
        evidence=(
            f"about {two_digits(max(beyond_others(bin_), 0.0))} more {rate.kind} than the other "
            f"bins had, in {many(rate.feeds, 'feed')}; look at this bin and its paper first, power "
            "off and isolated"
        ),
        urgent=True,
        tower=tower,
        bin=number,
        kind=rate.kind,
    )


#: Gaps smaller than this share of the feeds are not worth a line.
_SMALL_GAP = 0.05


def _gaps(missing: Missing) -> list[Attention]:
    gaps = []
    if missing.humidity > _SMALL_GAP:
        gaps.append(
            Attention(
                "Air",
                f"{100 * missing.humidity:.0f} % of feeds have no humidity logged.",
                "what dry air does is less certain for it; read the hygrometer at the tower",
                urgent=False,
            )
        )
    for kind, share in (("misses", missing.misses_off), ("doubles", missing.doubles_off)):
        if share > _SMALL_GAP / 5:
            gaps.append(
                Attention(
                    "Detectors",
                    f"Nothing watched for {kind} on {_percent(share)} of feeds.",
                    f"those feeds are left out of the rate of {kind}",
                    urgent=False,
                )
            )
    if missing.stock > _SMALL_GAP:
        gaps.append(
            Attention(
                "Paper",
                f"{100 * missing.stock:.0f} % of feeds have no stock logged.",
                "write the code of the stock list",
                urgent=False,
            )
        )
    if missing.unplaced_faults:
        count = missing.unplaced_faults
        gaps.append(
            Attention(
                "Bins",
                f"{many(count, 'fault has', 'faults have')} no bin noted.",
                "they count for the tower, and for no bin",
                urgent=False,
            )
        )
    return gaps


def _percent(share: float) -> str:
    return f"{two_digits(100 * share)} %"
