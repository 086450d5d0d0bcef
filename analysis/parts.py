"""What is wearing, what is to be ordered and when, and did the last service help?

A part wears where a bin has the more faults the older the part is, on the same paper, in the same
air, at the same settings (`analysis.judged`). Its age is counted in feeds since it was fitted, of
parts of the tower as a whole in cycles. From how fast the rate rises (`analysis.wear`) follows when
it passes the action limit, and from that, less the time that a part takes to come, when to order.

What is assumed: that what is expected holds all else that changed. Which kind of fault a part's
wear shows in is common practice, no source, where the site file does not say.

Not for parts that were all fitted on one day and never since: their age is then the calendar's, and
whatever else changed with time would be taken for wear. It is said where that is so.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

from analysis.counts import Account
from analysis.lives import KaplanMeier, Weibull
from analysis.services import ServiceRow
from analysis.words import capital, day, listed, many, one, per_10k, two_digits

#: What is to be ordered within so many days is said first.
SOON_DAYS = 91

#: Share of the variance of age below which wear cannot be told from time.
LEAST_OWN_VARIANCE = 0.1


@dataclass(frozen=True)
class PartRow:
    """One part that is in place now.

    Attributes
    ----------
    tower : str
    bin : int or None
        None for a part of the tower as a whole.
    part : str
        In lower case.
    kind : str
        ``misses``, ``doubles`` or ``faults``: what its wear shows in.
    fitted_at : datetime or None
        Wall time; None where the service log does not say, so that its age is unknown.
    age_feeds, age_days : float or None
        At the end of the log; of a part of the tower in tower cycles.
    wear_ratio_per_100k_feeds, low, high : float
        How many times the faults after every 100,000 feeds more, with a 95 % range; NaN where
        nothing tells it.
    cannot_tell : str
        Why it cannot be said whether it wears, in words; empty where it can.
    shape : str
        How its faults rise, whichever is likeliest: ``steady`` (so many times for every 100,000
        feeds), ``power law``, or ``at once``, which is no wear; empty where they do not.
    changed_on : date or None
        When they rose at once, where that is far likelier than wear.
    lives : int
        How many parts of that name were watched there: with one alone, whatever else changed with
        time looks like its wear.
    same_as : tuple of str
        Other parts there, of the same kind of fault, that were fitted on the same days.
    limit_rate : float or None
        The action limit that the site states, in faults per feed.
    limit_times : float or None
        Or else so many times the faults that it had with a new part.
    rate_now, rate_now_low, rate_now_high : float
        Faults per feed to be expected now, on the paper and in the air of the last 91 days.
    feeds_to_limit, feeds_to_limit_low, feeds_to_limit_high : float or None
        Feeds until the limit is passed, with a 90 % range: 0 where it is passed, infinite for
        never, None where it is not known.
    limit_on, limit_earliest, limit_latest : date or None
        The days of that; None for never or not known.
    feeds_per_day, feeds_per_day_low, feeds_per_day_high : float
        Its pace, with a 90 % range.
    lead_days : int or None
        Days that such a part takes to come; None where it needs no forecast.
    order_by : date or None
        The day of the limit less those days.
    replace_every_feeds : float or None
        After how many feeds a replacement costs least over the years; infinite for never.
    replace_why : str
        What that rests on, or why there is none.
    feeds, count : int
        What its wear was told from: of that bin, at a known age.
    lead_assumed : bool
        Whether `lead_days` is only what is usual.
    expected : float
        Faults to be expected of those feeds at an ordinary bin.
    price : float or None
        Of one, as the site states it.
    """

    tower: str
    bin: int | None
    part: str
    kind: str
    fitted_at: dt.datetime | None = None
    age_feeds: float | None = None
    age_days: float | None = None
    wear_ratio_per_100k_feeds: float = math.nan
    low: float = math.nan
    high: float = math.nan
    cannot_tell: str = ""
    shape: str = ""
    changed_on: dt.date | None = None
    lives: int = 0
    same_as: tuple[str, ...] = ()
    limit_rate: float | None = None
    limit_times: float | None = None
    rate_now: float = math.nan
    rate_now_low: float = math.nan
    rate_now_high: float = math.nan
    feeds_to_limit: float | None = None
    feeds_to_limit_low: float | None = None
    feeds_to_limit_high: float | None = None
    limit_on: dt.date | None = None
    limit_earliest: dt.date | None = None
    limit_latest: dt.date | None = None
    feeds_per_day: float = math.nan
    feeds_per_day_low: float = math.nan
    feeds_per_day_high: float = math.nan
    lead_days: int | None = None
    lead_assumed: bool = False
    order_by: dt.date | None = None
    replace_every_feeds: float | None = None
    replace_why: str = ""
    feeds: int = 0
    count: int = 0
    expected: float = 0.0
    price: float | None = None

    @property
    def where(self) -> str:
        """``bin 7 of tower A``, or ``tower A``."""
        return (
            f"tower {self.tower}" if self.bin is None else f"bin {self.bin} of tower {self.tower}"
        )

    @property
    def name(self) -> str:
        """``the brush of bin 7 of tower A``."""
        return f"the {self.part} of {self.where}"

    @property
    def wears(self) -> bool:
        """Whether it can be said that it wears: even the low end of the range is a rise.

        A rise at once is no wear.
        """
        return not self.cannot_tell and self.low > 1.0 and self.changed_on is None

    @property
    def age_months(self) -> float | None:
        """Its age in months."""
        return None if self.age_days is None else self.age_days / 30.4375

    @property
    def unit(self) -> str:
        """What its age is counted in: feeds of a bin, cycles of a tower."""
        return "cycles" if self.bin is None else "feeds"

    @property
    def limit(self) -> str:
        """The action limit in words."""
        if self.limit_rate is not None:
            return f"{per_10k(self.limit_rate)} {self.kind} in 10,000 feeds"
        if self.limit_times is not None:
            return f"{self.limit_times:g} times its {self.kind} with a new part"
        return ""

    def sentence(self) -> str:
        """Say whether it wears, when its limit is passed, and when to order."""
        name = capital(self.name)
        if self.cannot_tell:
            return f"{name}: {self.cannot_tell}."
        rise = (
            f"{_percent(self.wear_ratio_per_100k_feeds)} {self.kind} with every 100,000 "
            f"{self.unit} ({_percents(self.low, self.high)})"
        )
        seen = f"{self.count:,} {one(self.kind, self.count)} in {many(self.feeds, 'feed')}"
        if self.changed_on is not None:
            return (
                f"{name} has more {self.kind} since about {day(self.changed_on)}, but they came at "
                f"once, which is damage or another cause rather than wear ({seen}): look before a "
                "new one is ordered."
            )
        if not self.wears:
            said = (
                f"{name} shows no wear: {_percents(self.low, self.high)} {self.kind} with every "
                f"100,000 {self.unit}, by {seen}"
            )
            if self.feeds_to_limit == 0 and self.limit_rate is not None:
                said += (
                    f"; it is over the limit of {self.limit} all the same, so look for what else "
                    "it may be"
                )
            return f"{said}."
        said = f"{name} wears: {rise}, by {seen}"
        if self.lives < 2:
            said += (
                "; no other was in its place before, so that whatever else changed with time looks "
                "the same"
            )
        if self.same_as:
            said += (
                f"; it was fitted on the same days as the {listed(self.same_as)}, so which of them "
                "wears cannot be told"
            )
        return f"{said}. {self.due()}"

    def due(self) -> str:
        """Say when its limit is passed, and when to order; it must be known to wear."""
        if self.feeds_to_limit is None:
            return f"When it passes its limit ({self.limit}) is not known."
        if self.feeds_to_limit == 0:
            when = f" since about {day(self.limit_on)}" if self.limit_on else ""
            return f"It is over its limit ({self.limit}){when}: order now."
        if math.isinf(self.feeds_to_limit):
            return f"It never passes its limit ({self.limit})."
        low, high = self.feeds_to_limit_low or 0.0, self.feeds_to_limit_high or math.inf
        until = "never" if math.isinf(high) else two_digits(high)
        soonest = two_digits(low) if low else "now already"
        said = (
            f"It passes its limit ({self.limit}) in about {two_digits(self.feeds_to_limit)} "
            f"{self.unit} ({soonest} to {until})"
        )
        if self.limit_on is None or self.order_by is None:
            return f"{said}."
        first = day(self.limit_earliest) if self.limit_earliest else "now"
        last = day(self.limit_latest) if self.limit_latest else "never"
        usual = ", which is only what is usual" if self.lead_assumed else ""
        return (
            f"{said}, about {day(self.limit_on)} ({first} to {last}); order by "
            f"{day(self.order_by)}, as it takes {many(self.lead_days or 0, 'day')} to come{usual}."
        )


@dataclass(frozen=True)
class PastPart:
    """A part that was taken out.

    Attributes
    ----------
    tower, bin, part, kind
        As of `PartRow`.
    fitted_at, removed_at : datetime
    feeds, days : float
        That it lasted.
    reason : str
        Why it was taken out: ``planned``, ``worn``, ``broken``, or empty where not logged.
    limit_on, limit_earliest, limit_latest : date or None
        When its limit was passed, with a 90 % range; None for later than it was in, or not known.
    """

    tower: str
    bin: int | None
    part: str
    kind: str
    fitted_at: dt.datetime
    removed_at: dt.datetime
    feeds: float
    days: float
    reason: str = ""
    limit_on: dt.date | None = None
    limit_earliest: dt.date | None = None
    limit_latest: dt.date | None = None

    @property
    def name(self) -> str:
        """``the brush of bin 7 of tower A``."""
        tower = f"tower {self.tower}"
        return f"the {self.part} of {tower if self.bin is None else f'bin {self.bin} of {tower}'}"

    def sentence(self) -> str:
        """Say how long it lasted, and when it was due."""
        unit = "cycles" if self.bin is None else "feeds"
        why = f", as {self.reason}" if self.reason else ""
        said = (
            f"{capital(self.name)} lasted {two_digits(self.feeds)} {unit}, from "
            f"{day(self.fitted_at)} until {day(self.removed_at)}{why}"
        )
        if self.limit_on is None:
            return f"{said}."
        first = day(self.limit_earliest) if self.limit_earliest else "its first day"
        last = day(self.limit_latest) if self.limit_latest else "after it was taken out"
        return f"{said}; it had passed its limit about {day(self.limit_on)} ({first} to {last})."


@dataclass(frozen=True)
class PartLives:
    """How long parts of one name lasted.

    Attributes
    ----------
    part : str
    of_tower : bool
        Whether it is one of towers as a whole.
    ended : int
        How many were taken out because they were worn or broken.
    censored : int
        How many are in still, or were taken out as planned: they would have lasted longer.
    weibull : Weibull or None
        Of their lives in feeds; None where too few ended to say.
    kaplan_meier : KaplanMeier or None
        The same without a form.
    """

    part: str
    ended: int
    censored: int
    weibull: Weibull | None = None
    kaplan_meier: KaplanMeier | None = None
    of_tower: bool = False

    def sentence(self) -> str:
        """Say how long half of them last, as far as is known."""
        unit = "cycles" if self.of_tower else "feeds"
        name = capital(self.part)
        if self.of_tower:
            name += " of the tower"
        if not self.ended:
            return (
                f"{name}: none of {self.censored:,} was taken out because it was worn or broken, "
                "so how long they last is not known; log the reason with each new one."
            )
        told = self.weibull or self.kaplan_meier
        if told is None:
            were = many(self.ended, "was", "were")
            return f"{name}: {were} worn or broken, too few to say how long they last."
        return f"{name}: {told.sentence(unit)}"


@dataclass(frozen=True)
class PooledWear:
    """How a part wears in all things that carry it, together.

    Attributes
    ----------
    part, kind : str
    of_tower : bool
        Whether it is one of towers as a whole.
    ratio, low, high : float
        How many times the faults for every 100,000 feeds, with a 95 % range.
    things : int
        Bins (or towers) whose part has a known age.
    own_variance : float
        Share of the variance of age that is left after month, bin and air: below 0.1 wear cannot
        be told from time.
    trend, trend_p : float
        Laplace's statistic over all of them, a plain check beside the slope: above 0 where faults
        become more with age, with its two-sided p-value; NaN without an age.
    """

    part: str
    kind: str
    ratio: float
    low: float
    high: float
    things: int
    own_variance: float
    of_tower: bool = False
    trend: float = math.nan
    trend_p: float = math.nan

    @property
    def apart(self) -> bool:
        """Whether wear can be told from time."""
        return not self.own_variance < LEAST_OWN_VARIANCE

    def sentence(self) -> str:
        """Say how such a part wears, or why it cannot be told."""
        unit = "cycles" if self.of_tower else "feeds"
        name = capital(self.part)
        carriers = ("tower" if self.of_tower else "bin") + ("" if self.things == 1 else "s")
        if not math.isfinite(self.ratio):
            return f"{name}: there are no {self.kind} at a known age to tell wear from."
        if not self.apart:
            share = two_digits(100 * self.own_variance)
            return (
                f"{name}: wear and time cannot be told apart, as such parts were fitted at the "
                f"same times ({share} % of the differences in age are their own); fit them at "
                "different times."
            )
        return (
            f"{name}: {_percent(self.ratio)} {self.kind} with every 100,000 {unit} "
            f"({_percents(self.low, self.high)}) in an ordinary one of {self.things:,} {carriers}."
        )


@dataclass(frozen=True)
class Parts:
    """What is wearing, what is to be ordered and when, and whether services helped.

    Attributes
    ----------
    parts : tuple of PartRow
        In place now; the soonest to be ordered first.
    services : tuple of ServiceRow
        In order of time.
    past : tuple of PastPart
        In order of when they were taken out.
    lives : tuple of PartLives
        By part.
    pooled : tuple of PooledWear
        By part.
    warnings : tuple of str
        What in the service log cannot be, or is lacking.
    unknown_ages : tuple of str
        Which of these tell of parts of unknown age.
    account : Account
        Of the runs looked at.
    until : datetime or None
        The end of the log; None where it is empty.
    currency : str
        Of prices; empty where the site states none.
    """

    parts: tuple[PartRow, ...]
    services: tuple[ServiceRow, ...]
    past: tuple[PastPart, ...]
    lives: tuple[PartLives, ...]
    pooled: tuple[PooledWear, ...]
    warnings: tuple[str, ...]
    account: Account
    until: dt.datetime | None
    currency: str = ""
    unknown_ages: tuple[str, ...] = ()

    def order_list(self, days: int | None = None) -> tuple[PartRow, ...]:
        """Return what is to be ordered, soonest first; up to so many days after the log's end."""
        rows = sorted(
            (row for row in self.parts if row.order_by is not None),
            key=lambda row: (row.order_by or dt.date.max, row.tower, row.bin or 0, row.part),
        )
        if days is None or self.until is None:
            return tuple(rows)
        last = self.until.date() + dt.timedelta(days=days)
        return tuple(row for row in rows if row.order_by and row.order_by <= last)

    def sentence(self) -> str:
        """Say what to order and by when, or that nothing shows wear."""
        if not self.parts:
            return (
                "No part is known: log each part with its bin when it is fitted, or name in the "
                "site file what bins carry."
            )
        soon = self.order_list(SOON_DAYS)
        wearing = [row for row in self.parts if row.wears]
        count = len(wearing)
        shown = "none shows" if not count else many(count, "shows", "show")
        rest = f"of {many(len(self.parts), 'part')} in place, "
        rest += f"{shown} wear"
        # None that shows wear is no good news of those of which nobody knows.
        dark = sum(bool(row.cannot_tell) for row in self.parts)
        if dark:
            rest += f", and of {dark:,} it cannot be told"
        if not soon:
            later = self.order_list()
            if later and later[0].order_by is not None:
                return (
                    f"Nothing is to be ordered within {SOON_DAYS} days; {later[0].name} is next, "
                    f"by {day(later[0].order_by)}; {rest}."
                )
            return f"Nothing is to be ordered: {rest}."
        said = [f"{row.name} {self.by(row)}" for row in soon[:3]]
        if len(soon) > 3:
            said = [*said[:2], f"{len(soon) - 2:,} others"]
        return f"Order {listed(said)}; {rest}."

    def by(self, row: PartRow) -> str:
        """Say by when to order a part: ``now``, or ``by 5 June 2032``."""
        assert row.order_by is not None
        if self.until is not None and row.order_by <= self.until.date():
            return "now"
        return f"by {day(row.order_by)}"


def _percents(low: float, high: float) -> str:
    """Say a range of the same: ``1.0 to 7.1 % more``, ``0.2 % fewer to 1.6 % more``."""
    first, last = _percent(low), _percent(high)
    if first.partition(" % ")[2] == last.partition(" % ")[2] != "":
        return f"{first.partition(' ')[0]} to {last}"
    return f"{first} to {last}"


def _percent(ratio: float) -> str:
    """Say by how much a ratio is more or fewer: ``4.4 % more``."""
    if math.isinf(ratio):
        return "any number"
    change = 100 * (ratio - 1)
    if abs(change) < 0.05:
        return "0 % more"
    # Below one percent a second digit would say more than is known.
    shown = f"{abs(change):.1f}" if abs(change) < 1 else two_digits(abs(change))
    return f"{shown} % {'more' if change > 0 else 'fewer'}"
