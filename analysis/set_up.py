"""Which settings ran this stock clean, and which should be tried against each other?

The log holds what was tried: combinations of settings and preparation that this stock ran at, with
their feeds and faults, and levels of each setting on this stock and on paper like it (of the same
weight and coating, as `analysis.conditions` groups it). What a level does on such paper comes from
the model of conditions, partly pooled over kinds of paper, with all else the same; the chance that
each level is the best of those tried is counted over draws from what the model leaves open. A level
that nobody tried is never named. Where evidence is thin, a trial is the answer: two levels in
alternating stretches (`analysis.trials`).

Settings that follow the paper, so that all such stock ran at one level, say nothing of what another
level would do; they are named with that level.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from analysis.ages import Ages
from analysis.combinations_run import Combination, combinations
from analysis.conditions import Conditions
from analysis.conditions_levels import level_name, paper_traits
from analysis.counts import Account
from analysis.filters import FilterError
from analysis.levels_tried import StockRows, Tried
from analysis.rates import Rate, pooled
from analysis.spread import Spread
from analysis.starting_points import StartingPoint, starting_points
from analysis.trials import Trial, trial
from analysis.words import called, listed, many, per_10k, settings_words

BoolArray = NDArray[np.bool_]

#: The largest ratio that a trial is planned for without being asked, and with which chance it is
#: to show one.
TRIAL_RATIO, TRIAL_POWER = 2.0, 0.8

#: A level that can gain less than this, as the log has it, is not worth a trial, nor is one of more
#: feeds each than a stock has in months.
_WORTH_A_TRIAL, _MOST_TRIAL_FEEDS = 1.15, 5_000_000


@dataclass(frozen=True)
class SetUp:
    """What the log says of setting a tower up for one stock: the set-up card.

    Attributes
    ----------
    stock : str
        Its code.
    listed : mapping or None
        Its row of the stock list.
    kind : str
        Of fault that levels are judged by.
    account : Account
        Of the rows of this stock.
    total : Rate
        Of this stock.
    combinations : tuple of Combination
        Those that ran clean first, then by how sure their rate is.
    tried : tuple of Tried
        Settings that were tried at several levels on such paper, preparation among them.
    always : mapping of str to str
        Settings that such paper was only ever run at one level of, and those that follow the paper
        with hardly an exception, with the level of this stock.
    starting : tuple of StartingPoint
        What common practice starts with, labelled so; not of settings that the log has settled.
    trials : mapping of str to Trial
        By setting: the trial that would settle it, for those that are not settled.
    ran : mapping of str to tuple of str
        Every level that this stock has run at, by setting, those with most feeds first.
    variance : float
        Squared coefficient of variation of the rate between runs, averaged over the towers; trials
        allow for it.
    without : str
        Why nothing is said of levels, where no model could be fitted; otherwise empty.
    """

    stock: str
    listed: Mapping[str, object] | None
    kind: str
    account: Account
    total: Rate
    combinations: tuple[Combination, ...]
    tried: tuple[Tried, ...]
    always: Mapping[str, str]
    starting: tuple[StartingPoint, ...]
    trials: Mapping[str, Trial]
    ran: Mapping[str, tuple[str, ...]]
    variance: float = 0.0
    without: str = ""

    @property
    def mixed(self) -> bool:
        """Whether what is said of levels rests on papers that may be unlike this stock."""
        return any(tried.mixed for tried in self.tried)

    @property
    def next_trial(self) -> tuple[str, Trial] | None:
        """The setting to try next and how: the one that promises most, of those not settled.

        That is the one whose likeliest best level of this stock has the lowest rate beside the
        level that the stock mostly ran at; None where no trial is left.
        """
        promised = {}
        for tried in self.tried:
            own = [level for level in tried.levels if level.feeds and level.best is not None]
            if tried.setting in self.trials and own:
                promised[tried.setting] = own[0].ratio
        if not promised:
            return None
        setting = min(promised, key=lambda name: promised[name])
        return setting, self.trials[setting]

    def sentence(self) -> str:
        """Say what ran clean, or that nothing can be told yet and what to try."""
        if self.total.rate is None:
            return f"Stock {self.stock} has no feeds on record that were watched for {self.kind}."
        usual = per_10k(self.total.rate)
        clean = [c for c in self.combinations if c.verdict == "clean"]
        settled = [tried for tried in self.tried if tried.settled]
        if clean:
            how = settings_words(clean[0].settings)
            rate = clean[0].rate
            assert rate.rate is not None
            return (
                f"Stock {self.stock} ran clean with {how}: {per_10k(rate.rate)} {self.kind} per "
                f"10,000 feeds on {many(rate.feeds, 'feed')}, {usual} on all."
            )
        if settled:
            said = listed([f"{called(t.setting)} {t.levels[0].level}" for t in settled])
            return (
                f"Stock {self.stock} has fewest {self.kind} with {said}; {usual} per 10,000 feeds "
                "on all."
            )
        if self.without:
            return (
                f"Of stock {self.stock} nothing can be told yet, {usual} {self.kind} per 10,000 "
                f"feeds on all: {self.without}."
            )
        bad = [c for c in self.combinations if c.verdict == "not clean"]
        if bad:
            worst = max(bad, key=lambda c: c.rate.wide_low)
            return (
                f"Stock {self.stock} did not run clean with {settings_words(worst.settings)}: "
                f"{per_10k(worst.rate.rate or 0.0)} {self.kind} per 10,000 feeds on "
                f"{many(worst.rate.feeds, 'feed')}, {usual} on all; which settings are best is not "
                "known yet."
            )
        return (
            f"No settings stand out for stock {self.stock} yet: {usual} {self.kind} per 10,000 "
            f"feeds on all, whatever was tried."
        )


def set_up(
    stock: str,
    counts: pa.Table,
    kind: str,
    account: Account,
    stocks: Sequence[Mapping[str, object]],
    settings: Sequence[str],
    spread: Mapping[str, Spread],
    conditions: Conditions | str,
    *,
    ages: Ages | None = None,
    seed: int = 20310106,
) -> SetUp:
    """Which settings ran this stock clean, and which should be tried against each other?

    Parameters
    ----------
    stock : str
        Its code.
    counts : pyarrow.Table
        By run, of all stocks, by `analysis.conditions_levels.COLUMNS` and `settings`.
    kind : str
        Of fault that levels are judged by.
    account : Account
        Of the rows of this stock; handed on.
    stocks : sequence of mapping
        Rows of the stock list.
    settings : sequence of str
        Columns of settings that were logged.
    spread : mapping of str to Spread
        By tower.
    conditions : Conditions or str
        The model fitted on `counts`, or why there is none.
    ages : Ages, optional
        Of parts, in the rows of `counts`.
    seed : int
        Of the draws.

    Raises
    ------
    analysis.filters.FilterError
        Where the log has no such stock.
    """
    logged = ("prepared", *settings)
    for column in logged:
        # One name for a number however it was written, as the model has it.
        entries = counts[column].to_pylist()
        names_of = {entry: level_name(entry) for entry in set(entries)}
        place = counts.column_names.index(column)
        cells = pa.array([names_of[entry] for entry in entries], pa.string())
        counts = counts.set_column(place, column, cells)
    names = sorted({str(name) for name in counts["stock"].to_pylist() if name})
    if stock not in names:
        raise FilterError(
            f"stock {stock} is not in this part of the log, which has {listed(names)}"
            if names
            else f"stock {stock} is not in this part of the log, which names no stock"
        )
    here = np.array([name == stock for name in counts["stock"].to_pylist()])
    mine = counts.filter(pa.array(here))
    row = next((row for row in stocks if row["stock"] == stock), None)
    total = pooled(mine, kind, spread)
    empty = SetUp(
        stock=stock,
        listed=row,
        kind=kind,
        account=account,
        total=total,
        combinations=(),
        tried=(),
        always={},
        starting=_starting(row, _beside(counts, here, stocks)),
        trials={},
        ran={name: levels for name in logged if (levels := _levels_run(mine, name, kind))},
        variance=float(np.mean([s.variance for s in spread.values()])) if spread else 0.0,
    )
    if isinstance(conditions, str):
        return replace(empty, without=conditions)
    looked = StockRows(counts, here, conditions, ages, seed)
    found = [looked.tried(column) for column in logged]
    several = [one for one in found if one is not None and len(one.levels) > 1]
    # Stocks of which nothing is listed are one kind of paper to the model, like or unlike.
    unknown = paper_traits(row)[:2] == ("", "")
    tried = tuple(
        replace(
            one,
            kind=kind,
            among=len(several),
            mixed=unknown and any(level.feeds_like > level.feeds for level in one.levels),
        )
        for one in several
    )
    always = {one.setting: one.usual for one in found if one is not None and len(one.levels) == 1}
    for column in conditions.follows_paper:
        if ran := empty.ran.get(column):
            always[column] = ran[0]
    settled = {one.setting for one in tried if one.settled}
    return replace(
        empty,
        # Where the log has told the best level, practice would say less, or the contrary.
        starting=tuple(point for point in empty.starting if point.setting not in settled),
        combinations=combinations(mine, logged, kind, spread, looked.expected),
        tried=tried,
        always=always,
        trials=_trials(tried, total.rate, kind, empty.variance),
    )


def _trials(
    tried: Sequence[Tried], rate: float | None, kind: str, variance: float
) -> dict[str, Trial]:
    """Plan the trial that would settle each setting that is not settled and worth one."""
    trials = {}
    for one in tried:
        # A trial is of levels that this very stock has run at.
        own = [level for level in one.levels if level.feeds and level.best is not None]
        others = [level for level in own if level.level != one.usual]
        if rate and not one.settled and len(own) > len(others) > 0:
            # The likeliest to be best against what the stock is run at, and as much as the log
            # leaves open that it may gain.
            other = others[0]
            if other.low > 1 / _WORTH_A_TRIAL:
                continue
            ratio = max(other.low, 1 / TRIAL_RATIO)
            pair = (one.usual, other.level)
            planned = trial(
                rate,
                ratio,
                variance=variance,
                power=TRIAL_POWER,
                levels=(f"{called(one.setting)} {pair[0]}", f"{called(one.setting)} {pair[1]}"),
                kind=kind,
            )
            if planned.feeds <= _MOST_TRIAL_FEEDS:
                trials[one.setting] = planned
    return trials


def _beside(
    counts: pa.Table, here: BoolArray, stocks: Sequence[Mapping[str, object]]
) -> float | None:
    """Return the weight in g/m2 of the paper that mostly runs in the other bins of these runs."""
    tower, run = counts["of_tower"].to_pylist(), counts["of_run"].to_pylist()
    runs = {(tower[i], run[i]) for i in np.flatnonzero(here)}
    feeds, names = counts["feeds"].to_pylist(), counts["stock"].to_pylist()
    fed: dict[str, int] = {}
    for i in np.flatnonzero(~here):
        if names[i] and (tower[i], run[i]) in runs:
            fed[names[i]] = fed.get(names[i], 0) + feeds[i]
    if not fed:
        return None
    most = max(sorted(fed), key=lambda name: fed[name])
    row = next((row for row in stocks if row["stock"] == most), {})
    weight = row.get("grammage_gsm")
    return float(weight) if isinstance(weight, int | float) else None


def _starting(row: Mapping[str, object] | None, beside: float | None) -> tuple[StartingPoint, ...]:
    if row is None:
        return ()

    def number(name: str) -> float | None:
        value = row.get(name)
        return float(value) if isinstance(value, int | float) else None

    def word(name: str) -> str | None:
        value = row.get(name)
        return str(value) if value else None

    return starting_points(
        number("grammage_gsm"),
        word("coating"),
        word("printed_by"),
        number("width_mm"),
        number("height_mm"),
        beside,
    )


def _levels_run(counts: pa.Table, column: str, kind: str) -> tuple[str, ...]:
    fed: dict[str, int] = {}
    pairs = zip(counts[column].to_pylist(), counts[f"feeds_{kind}"].to_pylist(), strict=True)
    for level, feeds in pairs:
        if level is not None and feeds:
            fed[str(level)] = fed.get(str(level), 0) + feeds
    return tuple(sorted(fed, key=lambda level: (-fed[level], level)))
