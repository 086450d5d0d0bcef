"""Where do misses and doubles come from: when, on which stock, in which air, at which setting?

Rates as they were logged, split by one thing at a time. They say where faults fell, not why: a
stock that is only run in winter carries the winter's dry air with it. What was not logged is a
group of its own, never left out.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from analysis.counts import Account
from analysis.filters import HUMIDITY_BANDS, Filters
from analysis.log_format import FAULT_KINDS
from analysis.rates import Rate, group_rates, pooled_sums, spread_known
from analysis.site import NO_SITE, Site
from analysis.spread import Spread
from analysis.words import capital, many, per_10k

#: How the log's own bands name what was not logged; a column that was left empty has no name.
NOT_LOGGED = "not logged"

#: Where fewer faults than this were to be expected, a rate rests on few feeds.
FEW_EXPECTED = 5

#: Units of time a period can be split by, the finest first, and the longest period each suits.
TIME_COLUMNS: Mapping[str, int] = {"day": 45, "week": 200, "month": 100_000}


@dataclass(frozen=True)
class Group:
    """One group of a split: its name and its rates by kind of fault.

    Attributes
    ----------
    name : str or None
        As logged; None where nothing was.
    rates : mapping of str to Rate
        By kind (``misses``, ``doubles``, ``faults``).
    """

    name: str | None
    rates: Mapping[str, Rate]


@dataclass(frozen=True)
class Split:
    """Rates split by one column.

    Attributes
    ----------
    column : str
        Of the log, or derived (``day``, ``week``, ``month``, ``humidity_band``).
    groups : tuple of Group
        Times and bands in their order; levels of a setting as the site file has them; else numbers
        by size, then other names by the alphabet. What was not logged comes last.
    feeds : int
        Of all groups.
    not_logged : float
        Share of the feeds for which the column is empty.
    unit : str
        Of a setting, as the site file has it; empty where it has none.
    """

    column: str
    groups: tuple[Group, ...]
    feeds: int
    not_logged: float
    unit: str = ""

    def sentence(self) -> str:
        """Say how much of it was logged."""
        if not self.feeds:
            return "Nothing was fed here."
        if not self.not_logged:
            return f"Logged for all {many(self.feeds, 'feed')}."
        share = 100 * self.not_logged
        shown = f"{share:.0f} %" if share >= 1 else "less than 1 %"
        return f"Not logged for {shown} of {many(self.feeds, 'feed')}."


@dataclass(frozen=True)
class Mark:
    """Something done at a moment that may show in the rates after it.

    Attributes
    ----------
    when : datetime
        Wall time.
    tower : str
        Where.
    bin : int or None
        None: every bin, or the tower as a whole.
    what : str
        In words: ``brush fitted``, ``vacuum 5 to 6``.
    moved : bool
        Whether a setting was moved; otherwise it is a service.
    """

    when: dt.datetime
    tower: str
    bin: int | None
    what: str
    moved: bool


@dataclass(frozen=True)
class Trends:
    """Everything that the trends page shows.

    Attributes
    ----------
    filters : Filters
        As asked, with its period.
    account : Account
        Evidence.
    total : mapping of str to Rate
        By kind, of all of it.
    over_time, by_stock, by_humidity : Split
        Rates split by each.
    by_setting : tuple of Split
        One for each setting that was logged anywhere in it. Where rates over time were asked for
        alone, there is none, and `by_stock` and `by_humidity` have no groups.
    marks : tuple of Mark
        Services and setting moves in the period, in order.
    """

    filters: Filters
    account: Account
    total: Mapping[str, Rate]
    over_time: Split
    by_stock: Split
    by_humidity: Split
    by_setting: tuple[Split, ...]
    marks: tuple[Mark, ...]

    def few_feeds(self, rate: Rate) -> bool:
        """Tell whether a rate rests on few feeds: under five faults were to be expected in them.

        Expected is what the rate on all would give, so that a group does not count as well known
        for having had many faults in a handful of feeds.
        """
        whole = self.total[rate.kind].rate
        return whole is None or whole * rate.feeds < FEW_EXPECTED

    def sentence(self) -> str:
        """Say where most faults come from, if anywhere."""
        kind = self.filters.kind
        whole = self.total[kind]
        if whole.rate is None:
            if not self.account.rows:
                return "Nothing was logged in this period; choose another."
            return f"Nothing was watching for {kind} in this period, so there is no rate."
        if not self.by_stock.groups:
            return f"{kind.capitalize()} run at {per_10k(whole.rate)} per 10,000 feeds."
        # A stock may have many misses and few doubles, so that both together hide it.
        said = self._most_frequent(kind)
        if not said and kind == "faults":
            said = "; ".join(filter(None, map(self._most_frequent, ("misses", "doubles"))))
        if said:
            return f"{capital(said)}."
        return (
            f"No stock and no air stands out: {kind} run at {per_10k(whole.rate)} per 10,000 feeds."
        )

    def _most_frequent(self, kind: str) -> str:
        """Say where a kind of fault is most frequent; nothing where no range is above all's."""
        whole = self.total[kind]
        if whole.rate is None:
            return ""
        best: tuple[float, str] | None = None
        # Settings follow the paper, so the rate at one of them says more of the paper than of it.
        for split in (self.by_stock, self.by_humidity):
            for group in split.groups:
                rate = group.rates[kind]
                if group.name is None or group.name == NOT_LOGGED or rate.rate is None:
                    continue
                if rate.wide_low > whole.wide_high and (best is None or rate.rate > best[0]):
                    best = rate.rate, _said(split.column, group.name, rate)
        if best is None:
            return ""
        return f"{kind} are most frequent {best[1]}, {per_10k(whole.rate)} on all"


def _said(column: str, name: str, rate: Rate) -> str:
    assert rate.rate is not None
    numbers = (
        f"{per_10k(rate.rate)} per 10,000 feeds ({per_10k(rate.wide_low)} to "
        f"{per_10k(rate.wide_high)})"
    )
    if column == "stock":
        return f"on stock {name}: {numbers}"
    return f"in air of {band_words(name)}: {numbers}"


def band_words(band: str) -> str:
    """Say a humidity band in words, ``below 30 % relative humidity``."""
    if band == NOT_LOGGED:
        return "humidity not logged"
    numbers, _, more = band.replace("-", " to ").partition(" and ")
    return f"{numbers} % relative humidity{' and ' + more if more else ''}"


def time_column(filters: Filters) -> str:
    """Return the unit of time that suits a period: days, weeks or months."""
    if filters.since is None or filters.until is None:
        return "month"
    days = (filters.until - filters.since) / dt.timedelta(days=1)
    return next(name for name, longest in TIME_COLUMNS.items() if days <= longest)


def split(
    counts: pa.Table,
    column: str,
    spread: Mapping[str, Mapping[str, Spread]],
    site: Site = NO_SITE,
) -> Split:
    """Split the rates by one column.

    Parameters
    ----------
    counts : pyarrow.Table
        By that column and tower; see `analysis.counts.LogScan.sums`.
    column : str
        Of ``counts``.
    spread : mapping of str to mapping of str to Spread
        By kind and tower.
    site : Site
        Gives a setting its unit and the order of its levels.
    """
    setting = site.setting(column)
    by_kind = {kind: group_rates(counts, (column,), kind, spread[kind]) for kind in FAULT_KINDS}
    towers = set(counts["of_tower"].to_pylist())
    rows = {
        kind: [_rate(row, kind, spread_known(towers, spread[kind])) for row in found.to_pylist()]
        for kind, found in by_kind.items()
    }
    names = by_kind["faults"][column].to_pylist()
    groups = [
        Group(
            None if name is None else str(name), {kind: found[row] for kind, found in rows.items()}
        )
        for row, name in enumerate(names)
    ]
    groups.sort(key=lambda group: order(column, group.name, setting.levels))
    feeds = sum(counts["feeds"].to_pylist())
    empty = sum(
        fed
        for name, fed in zip(counts[column].to_pylist(), counts["feeds"].to_pylist(), strict=True)
        if name is None or name == NOT_LOGGED
    )
    return Split(column, tuple(groups), feeds, empty / feeds if feeds else 0.0, setting.unit)


def _rate(group: Mapping[str, Any], kind: str, spread_known: bool) -> Rate:
    return Rate(
        kind=kind,
        count=group["count"],
        feeds=group["feeds"],
        runs=group["runs"],
        rate=group["rate"],
        low=group["low"],
        high=group["high"],
        dispersion=group["dispersion"],
        wide_low=group["wide_low"],
        wide_high=group["wide_high"],
        spread_known=spread_known,
    )


def order(column: str, name: str | None, levels: Sequence[str] = ()) -> tuple[int, float, str]:
    """Return what the groups of a column are sorted by; what was not logged comes last.

    Levels that the site file names come first, in its order.
    """
    if not name or name == NOT_LOGGED:
        return (2, 0.0, "")
    if name in levels:
        return (-1, float(levels.index(name)), name)
    if column == "humidity_band":
        return (0, float(HUMIDITY_BANDS.index(name)), name)
    if re.fullmatch(r"-?\d+(\.\d+)?", name):
        return (0, float(name), name)
    return (1, 0.0, name)


def trends(
    filters: Filters,
    account: Account,
    counts: Mapping[str, pa.Table],
    settings: Sequence[str],
    spread: Mapping[str, Mapping[str, Spread]],
    marks: Sequence[Mark],
    site: Site = NO_SITE,
) -> Trends:
    """Put the splits of a period together.

    Parameters
    ----------
    filters : Filters
        As asked.
    account : Account
        Of the rows counted.
    counts : mapping of str to pyarrow.Table
        Sums of runs (`analysis.counts.LogScan.sums`) for each of: a unit of time, ``stock``,
        ``humidity_band`` and every setting; and of towers, under no name. Stock and humidity may be
        left out.
    settings : sequence of str
        The settings that were logged.
    spread : mapping of str to mapping of str to Spread
        By kind and tower.
    marks : sequence of Mark
        In order.
    site : Site
        Gives settings their units and the order of their levels.
    """
    unit = next(name for name in counts if name in TIME_COLUMNS)

    def by(column: str) -> Split:
        if column not in counts:
            return Split(column, (), 0, 0.0)
        return split(counts[column], column, spread, site)

    return Trends(
        filters=filters,
        account=account,
        total={kind: pooled_sums(counts[""], kind, spread[kind]) for kind in FAULT_KINDS},
        over_time=by(unit),
        by_stock=by("stock"),
        by_humidity=by("humidity_band"),
        by_setting=tuple(by(name) for name in settings),
        marks=tuple(marks),
    )
