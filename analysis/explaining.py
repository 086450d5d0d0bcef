"""How much more likely are the faults of a bin, or of a tower, if a cause is at work?

A cause is a pattern (`analysis.patterns`): which bins, which paper, which air, and how it comes.
Each pattern is laid over the rows of a tower as a number z from 0 to 1, how fully it is at work in
that row: 0 before it began, on other paper, in other air; rising with the age of a part or little
by little; 1 where it is all there. If it is at work with the ratio rho, a row has rho^z times the
faults that are expected of it (`analysis.judged`). What is asked is how many times likelier the
faults are with the pattern than without: the marginal likelihood, averaged over rho, over when it
began, and over the level that the bin has of its own. So a pattern that could fit anything gains
little by fitting.

- *One bin* is held against the other bins of its tower in the same week: what went on in all of
  them is no cause in one. Its own level is drawn to theirs as far as bins differ (gamma-Poisson).
- *Every bin* must show in all of them: the evidence counts without the bin that speaks for it most.
- Paper, air and settings that a pattern is about are taken out of what is expected of its rows,
  where that holds them: a cause that has become usual is still one.

Faults of a run come in clusters: log-likelihoods are divided by the dispersion (effective sample
size, Rao and Scott 1992). Rows that a pattern says nothing of, such as those without a reading of
the air, are left out for it.

References
----------
von Neumann J (1941). Distribution of the ratio of the mean square successive difference to the
variance. Annals of Mathematical Statistics 12:367-395.
Kass RE, Raftery AE (1995). Bayes factors. Journal of the American Statistical Association
90:773-795.
Rao JNK, Scott AJ (1992). A simple method for the analysis of clustered binary data. Biometrics
48:577-585.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from analysis import patterns as words
from analysis.neighbours import about_week
from analysis.patterns import Pattern
from analysis.tower_rows import Rows
from analysis.ways import Told, ways
from analysis.wear_shape import SURE

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Ratios that a cause may have, and how likely each is beforehand: two thirds of causes have 1.4 to
#: 4.5 times the faults. Smaller ones nobody would look for, and larger ones are found by eye.
_RATIOS = np.exp(np.linspace(np.log(1.2), np.log(30.0), 42))
_USUAL_RATIO, _RATIO_SD = 2.5, 0.6
#: In a tower, its level and that of a kind of paper in it are known to 25 %.
_TOWER_CV = 0.25
#: Air below is dry, all of it so many percent lower, and above damp.
_DRY, _DRY_SPAN, _DAMP = 42.0, 6.0, 60.0


@dataclass(frozen=True)
class Evidence:
    """What the faults say of one pattern.

    Attributes
    ----------
    pattern : Pattern
    log_factor : float
        Logarithm of how many times likelier the faults are with it; 0 where nothing speaks for or
        against it, as where the log does not show it.
    told : Told or None
        The likeliest way; None where the log cannot show the pattern, as `lacking` says.
    ratio, low, high : float
        What it does where it is all there, with a 95 % range, if it is at work that way.
    used : bool array
        Rows that were looked at.
    base : float array
        Faults to be expected of each row without it, the bin's level among them.
    lacking : str
        What the log would have to hold.
    """

    pattern: Pattern
    log_factor: float
    told: Told | None
    ratio: float
    low: float
    high: float
    used: BoolArray
    base: FloatArray
    lacking: str = ""

    @property
    def excess(self) -> FloatArray:
        """Faults of each row that it would explain."""
        if self.told is None:
            return np.zeros(self.base.size)
        return np.where(self.used, self.base * (self.ratio**self.told.z - 1), 0.0)


def one_bin(rows: Rows, number: int, patterns: Sequence[Pattern]) -> list[Evidence]:
    """Weigh patterns of one bin against those of its neighbours.

    Parameters
    ----------
    rows : Rows
        Of its tower; what all bins share already in `expected`.
    number : int
        Of the bin.
    patterns : sequence of Pattern
        Those of one bin.
    """
    mine = rows.bin == number
    expected = rows.expected * _by_neighbours(rows, ~mine) * _without_own_levels(rows, mine)
    some = mine & (expected > 0)
    out = []
    shape = 1 / rows.between_bins
    for pattern in patterns:
        used, z_of, base, lacking = _looked_at(rows, pattern, some, expected)
        found = ways(rows, pattern, used, z_of, number) if not lacking else []
        if not lacking and not found:
            lacking = _nothing(pattern)
        out.append(_weighed(pattern, rows, found, used, base, shape, lacking, whole=False))
    return out


def every_bin(rows: Rows, patterns: Sequence[Pattern]) -> list[Evidence]:
    """Weigh patterns that all bins of a tower have alike.

    Parameters
    ----------
    rows : Rows
        Of the tower.
    patterns : sequence of Pattern
        Those of every bin.
    """
    expected = rows.expected * rows.level
    out = []
    for pattern in patterns:
        used, z_of, base, lacking = _looked_at(rows, pattern, expected > 0, expected)
        if not pattern.of_any_run and not lacking:
            # What goes on in some weeks in all that the pattern is not about is not of it.
            others = z_of == 0 if words.ONE_STOCK not in pattern.paper else expected > 0
            base = base * _by_neighbours(rows, others)
        found = ways(rows, pattern, used, z_of, None) if not lacking else []
        if not lacking and not found:
            lacking = _nothing(pattern)
        out.append(
            _weighed(pattern, rows, found, used, base, 1 / _TOWER_CV**2, lacking, whole=True)
        )
    return out


def _without_own_levels(rows: Rows, mine: BoolArray) -> FloatArray:
    """Return a factor that takes out what levels of settings do that hardly another bin has run.

    What the log says of such a level, it says by this bin: its own trouble would be expected.
    """
    factor = np.ones(rows.bin.size)
    for column, (names, code) in rows.settings.items():
        if column not in rows.effects or not names:
            continue
        known = code >= 0
        fed = np.bincount(code[known], rows.feeds[known], len(names))
        own = np.bincount(code[known & mine], rows.feeds[known & mine], len(names))
        only_here = np.append(own > _OWN * np.maximum(fed, 1.0), False)[code]
        if not only_here.any() or only_here.all():
            continue
        # In its place comes what the other levels do on the same stock, or else on all.
        effect, others = rows.effects[column], ~only_here
        usual = float(np.average(effect[others], weights=rows.feeds[others]))
        stocks = int(rows.stock.max()) + 2
        at, feeds = rows.stock[others] + 1, rows.feeds[others]
        fed = np.bincount(at, feeds, stocks)
        of_stock = np.bincount(at, feeds * effect[others], stocks) / np.maximum(fed, 1.0)
        instead = np.where(fed > 0, of_stock, usual)[rows.stock + 1]
        factor = np.where(only_here, factor * np.exp(instead - effect), factor)
    return factor


#: A level of a setting is a bin's own from this share of its feeds on.
_OWN = 0.6


def _by_neighbours(rows: Rows, others: BoolArray) -> FloatArray:
    """Return how many times the expected faults other rows had about each row's week."""
    return about_week(
        rows.started,
        rows.run,
        rows.faults,
        rows.expected * rows.level,
        others,
        variance=rows.variance,
        between=rows.between_weeks,
    )


def _nothing(pattern: Pattern) -> str:
    if all(word.startswith(words.WITH_AGE) for word in pattern.when):
        return f"the age of the {pattern.when[0].removeprefix(words.WITH_AGE)} is not known"
    if words.SINCE_SERVICE in pattern.when:
        return "no service of it is in the log"
    if words.SINCE_MOVE in pattern.when:
        return "no setting of it was moved on the same stock"
    return "nothing was run that could show it"


def _looked_at(
    rows: Rows, pattern: Pattern, some: BoolArray, expected: FloatArray
) -> tuple[BoolArray, FloatArray, FloatArray, str]:
    """Return rows that a pattern speaks of, where it could be at work, and what is expected."""
    used, z = some.copy(), np.ones(some.size)
    base, lacking = expected.copy(), ""
    about = np.ones(some.size, dtype=bool)
    for word in pattern.paper:
        if word != words.ONE_STOCK:
            about &= rows.paper[word]
    named = [word for word in pattern.paper if word != words.ONE_STOCK]
    if named:
        used &= rows.described
        if not (used & about).any():
            lacking = f"no paper that is {' and '.join(named)} was run"
    narrow = bool(pattern.air or pattern.settings or pattern.run)
    if named and narrow:
        # Within that paper: what it has of its own, with or without the cause, does not matter.
        used &= about
    elif named:
        z = z * about
    if pattern.air:
        used &= ~np.isnan(rows.humidity)
        dry = np.clip((_DRY - rows.humidity) / _DRY_SPAN, 0, 1)
        damp = np.clip((rows.humidity - _DAMP) / _DRY_SPAN, 0, 1)
        z = z * np.nan_to_num(dry if pattern.air == words.AIR[0] else damp)
        effect = "static" if "toner" in pattern.paper else "air"
        if effect in rows.effects:
            base = base * np.exp(-rows.effects[effect])
        if not used.any():
            lacking = lacking or "humidity was not logged"
    for column, levels in pattern.settings.items():
        if column not in rows.settings:
            lacking = lacking or f"{column} was not logged"
            continue
        names, code = rows.settings[column]
        wanted = np.array([name in levels for name in names] + [False], dtype=bool)
        used &= code >= 0
        z = z * wanted[code]
        if column in rows.effects:
            base = base * np.exp(-rows.effects[column])
    if pattern.run:
        z = z * rows.run_is[pattern.run]
    if not lacking and not (used & (z > 0)).any():
        lacking = "nothing was run that could show it"
    return used, z, base, lacking


def _weighed(
    pattern: Pattern,
    rows: Rows,
    groups: list[list[Told]],
    used: BoolArray,
    base: FloatArray,
    shape: float,
    lacking: str,
    *,
    whole: bool,
) -> Evidence:
    nothing = np.zeros(used.size, dtype=bool)
    if lacking or not groups:
        return Evidence(pattern, 0.0, None, 1.0, 1.0, 1.0, nothing, base, lacking)
    told = [one for group in groups for one in group]
    # A word that the log cannot show keeps its share: the others are no likelier for it.
    prior = np.log([1 / len(pattern.when) / len(group) for group in groups for _ in group])
    x, e = rows.faults[used], base[used]
    phi = _dispersion(rows, used, base, weeks=whole and pattern.of_any_run)
    bins, at = np.unique(rows.bin[used], return_inverse=True)
    # How fully it is at work, in steps of 1/32: sums over rows are then made once for all ratios.
    step = np.arange(_STEPS + 1) / _STEPS
    z = np.array([one.z[used] for one in told])
    code = np.rint(z * _STEPS).astype(np.int64) + (_STEPS + 1) * at
    size = bins.size * (_STEPS + 1)
    hits = np.array([np.bincount(row, x, size) for row in code]).reshape(len(told), bins.size, -1)
    usual = np.array([np.bincount(row, e, size) for row in code]).reshape(hits.shape)
    log_ratio = np.log(_RATIOS)
    tables = [np.bincount(at, x, bins.size), np.bincount(at, e, bins.size)]
    # Of each way and bin, faults times z; for each ratio, what is expected with it.
    times_z = hits @ step
    with_it = (usual @ np.exp(np.outer(step, log_ratio))).transpose(0, 2, 1)
    weight = -0.5 * ((log_ratio - np.log(_USUAL_RATIO)) / _RATIO_SD) ** 2
    weight = weight - special.logsumexp(weight)

    def factors(keep: BoolArray) -> FloatArray:
        total, usual = (float(table[keep].sum()) for table in tables)
        more = np.log((shape + with_it[:, :, keep].sum(axis=2) / phi) / (shape + usual / phi))
        gain = times_z[:, keep].sum(axis=1)[:, None] * log_ratio / phi
        return np.asarray(gain - (shape + total / phi) * more)

    every = np.ones(bins.size, dtype=bool)
    likely = factors(every) + weight
    if whole and bins.size > 2:
        # Without the bin that speaks for it most.
        each = [factors(np.arange(bins.size) != b) + weight for b in range(bins.size)]
        sums = [special.logsumexp(one + prior[:, None]) for one in each]
        least = int(np.argmin(sums))
        log_factor, likely = float(sums[least]), each[least]
    else:
        log_factor = float(special.logsumexp(likely + prior[:, None]))
    by_way = special.logsumexp(likely, axis=1) + prior
    best = _likeliest(told, by_way)
    share = np.exp(likely[best] - special.logsumexp(likely[best]))
    low, high = (float(_RATIOS[np.searchsorted(np.cumsum(share), p)]) for p in (0.025, 0.975))
    ratio = float(np.exp(share @ log_ratio))
    expected = float((e * ratio ** z[best]).sum())
    level = (shape + float(x.sum()) / phi) / (shape + expected / phi)
    return Evidence(pattern, log_factor, told[best], ratio, low, high, used, base * level)


def _likeliest(told: Sequence[Told], by_way: FloatArray) -> int:
    """Return which way is told: the likeliest, but no slow rise that may as well have been none.

    Whether it came with the age of a part is another question (`analysis.wear_shape`), which calls
    at once what began on some day. The same fault is not to be called slow where the days of its
    rise are hardly known.
    """
    best = int(np.argmax(by_way))
    if told[best].when != words.LITTLE_BY_LITTLE:
        return best
    slow = np.array([one.when == words.LITTLE_BY_LITTLE for one in told])
    quick = np.flatnonzero([one.when == words.AT_ONCE for one in told])
    if not quick.size:
        return best
    ahead = special.logsumexp(by_way[slow]) - special.logsumexp(by_way[quick])
    return best if ahead >= SURE else int(quick[np.argmax(by_way[quick])])


def _dispersion(rows: Rows, used: BoolArray, base: FloatArray, *, weeks: bool) -> float:
    """Return how many times its chance variance the count of faults has, for clusters."""
    total = float(base[used].sum())
    if total <= 0:
        return 1.0
    out = 1.0
    spans = [(rows.run, rows.variance)]
    if weeks:
        # What nobody logged goes on for weeks.
        month = rows.started.astype("datetime64[W]").astype(np.int64) // _WEEKS
        spans.append((month, _between_months(rows, used, base, month)))
    for group, variance in spans:
        _, at = np.unique(group[used], return_inverse=True)
        out += variance * float((np.bincount(at, base[used]) ** 2).sum()) / total
    return out


def _between_months(rows: Rows, used: BoolArray, base: FloatArray, month: IntArray) -> float:
    """Return how much four weeks differ from the four before them, as a squared coefficient.

    Differences of neighbours (von Neumann 1941): what rises slowly, or once, hardly counts. A few
    of them say little, so that they are drawn to what is usual.
    """
    _, at = np.unique(month[used], return_inverse=True)
    seen, due = np.bincount(at, rows.faults[used]), np.bincount(at, base[used])
    due = due * (seen.sum() / max(float(due.sum()), 1e-9))
    some = due >= 1
    ratio, due = seen[some] / due[some], due[some]
    if ratio.size < 2:
        return _USUAL_MONTHS
    _, of_run = np.unique(rows.run[used], return_inverse=True)
    by_run = np.bincount(of_run, base[used])
    clusters = 1 + rows.variance * float((by_run**2).sum()) / max(float(base[used].sum()), 1e-9)
    chance = clusters * (1 / due[1:] + 1 / due[:-1]) / 2
    between = np.diff(ratio) ** 2 / 2 - chance
    weight = ratio.size - 1
    found = (float(between.sum()) + _USUAL_MONTHS * _FEW_MONTHS) / (weight + _FEW_MONTHS)
    return max(float(found), _LEAST_MONTHS)


#: How much four weeks of a tower usually differ, how many differences that counts for, and what
#: they differ by at least.
_USUAL_MONTHS, _FEW_MONTHS, _LEAST_MONTHS = 0.03, 5, 0.01
_WEEKS = 4
#: Steps between not at work and fully at work.
_STEPS = 32
