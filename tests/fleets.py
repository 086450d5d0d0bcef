"""Which effects of paper, air and settings are truly there? Invented fleets that say so.

Everything here is invented: no tower, paper, print works or person is real, and no effect was
measured anywhere. A fleet is a works with some towers, and the four files that its crews would
have logged, drawn from effects that are known because they stand below. They are there to prove a
regression on: what it finds is held against `Truth`, over many seeds.

Effects of paper, air, settings and preparation are the same in every fleet, so that the share of
ranges that hold the truth can be counted for each of them. What is drawn anew for each seed: the
levels of towers and bins, jobs, weather, what was logged of it, clusters of faults, settings
that somebody moved without a word, weeks in which few faults were written down, and the faults.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]
Table = Mapping[str, Array]

KINDS = ("misses", "doubles")
FIRST_DAY = np.datetime64("2031-01-06")  # a Monday
FITTED_BEFORE = np.datetime64("2031-01-05T10:00")

RATES = MappingProxyType({"misses": 3e-5, "doubles": 1.5e-5})
"""Faults per feed where every ratio is 1: stock UO90, 50 % relative humidity, 22 degrees, base
levels of the settings, vacuum at mark 5, 2800 cycles an hour, paper not prepared."""


@dataclass(frozen=True)
class Paper:
    """One invented stock as the stock list has it, and its true rate ratios to UO90."""

    code: str
    description: str
    grammage: int
    caliper: int
    coating: str
    printed_by: str
    sides: int
    width: int
    height: int
    grain: str
    misses: float
    doubles: float


_U, _C = "uncoated", "coated"
_A4, _WIDE = (210, 297, "long"), (320, 450, "short")
COMMON = (
    Paper("UO90", "body offset", 90, 115, _U, "offset", 2, *_A4, 1.0, 1.0),
    Paper("UO60", "light body offset", 60, 78, _U, "offset", 2, *_A4, 1.2, 2.0),
    Paper("UN80", "plain body blank", 80, 104, _U, "unprinted", 0, *_A4, 0.9, 0.9),
    Paper("UI80", "body inkjet", 80, 104, _U, "inkjet", 2, *_A4, 1.15, 1.25),
    Paper("UT80", "body toner", 80, 104, _U, "toner", 2, *_A4, 1.1, 1.5),
    Paper("CO115", "gloss offset", 115, 90, _C, "offset", 2, *_WIDE, 1.6, 1.3),
    Paper("CT135", "gloss toner", 135, 108, _C, "toner", 2, *_WIDE, 2.0, 1.8),
    Paper("UO250", "cover offset", 250, 300, _U, "offset", 1, *_A4, 1.7, 0.7),
    Paper("CT300", "cover toner", 300, 285, _C, "toner", 2, *_WIDE, 2.4, 1.4),
)
RARE = (
    # As UO90, which it resembles.
    Paper("UO100", "body offset heavier", 100, 127, _U, "offset", 2, *_A4, 1.0, 1.0),
    # Misses as UT80, doubles three times as many.
    Paper("UT100", "body toner heavier", 100, 125, _U, "toner", 2, *_A4, 1.1, 4.5),
    # Misses three times those of UI80, doubles as UI80.
    Paper("UI120", "wide inkjet", 120, 150, _U, "inkjet", 2, *_WIDE, 3.45, 1.25),
    # Misses half of what other coated covers have, doubles a third.
    Paper("CO300", "heavy cover offset", 300, 290, _C, "offset", 1, *_WIDE, 1.2, 0.45),
)
PAPERS = COMMON + RARE
RARE_SHARES = (0.004, 0.005, 0.003, 0.002)
"""Share of all feeds that each rare stock is to have."""

#: Body, cover and how often in summer and in winter, when toner and coated work is more.
_JOBS = (
    ("UN80", "", 14, 9),
    ("UO90", "", 21, 13),
    ("UO90", "UO250", 22, 14),
    ("UO60", "UO250", 12, 8),
    ("UI80", "", 8, 7),
    ("UI80", "UO250", 4, 3),
    ("CO115", "CT300", 8, 14),
    ("UT80", "", 6, 14),
    ("UT80", "CT300", 3, 8),
    ("CT135", "UO250", 2, 4),
    ("CT135", "CT300", 2, 10),
)

SETTINGS: Mapping[str, Mapping[str, Mapping[str, float] | float]] = {
    "misses": {
        "set_spring": {"off": 1.0, "on": 1.4},
        "set_vacuum": 0.90,
        "set_blast": {"soft": 1.0, "full": 0.85, "none": 0.6},
        "set_speed": 1.05 ** (1 / 400),
        "set_bleed_holes": {"0": 1.0, "1": 1.0, "2": 1.0},
        "set_foot_rest": {"out": 1.0, "in": 1.0, "half": 1.0},
    },
    "doubles": {
        "set_spring": {"off": 1.0, "on": 0.8},
        "set_vacuum": 1.10,
        "set_blast": {"soft": 1.0, "full": 1.15, "none": 0.5},
        "set_speed": 1.0,
        "set_bleed_holes": {"0": 1.0, "1": 1.0, "2": 1.0},
        "set_foot_rest": {"out": 1.0, "in": 1.0, "half": 1.0},
    },
}
"""True ratio of each level to the first; of one mark, or one cycle an hour, for a number."""

PREPARED = {
    "misses": {"none": 1.0, "fanned": 1.0, "blown": 1.0},
    "doubles": {"none": 1.0, "fanned": 0.80, "blown": 0.72},
}
TEMPERATURE = {"misses": 1.0, "doubles": 0.98}
"""True ratio for each degree Celsius."""

VACUUM_BASE, SPEED_BASE, TEMPERATURE_BASE = 5, 2800, 22
SET_UP_RATIO = 6.0
WEAR_PER_100K = 1.04
WRITTEN_DOWN = 0.3
"""Chance that a fault is written down in a tower's under-counted weeks."""

_STATIC_RATIO, _STATIC_CENTRE, _STATIC_WIDTH = 2.5, 38.0, 2.0
_MOST_RUNS_A_DAY = 4

_SPRING = ("off", "on")
_BLAST = ("soft", "full", "none")
_HOLES = ("0", "1", "2")
_REST = ("out", "in", "half")
_PREPARED = ("none", "fanned", "blown")
_PURPOSES = ("set-up", "production", "burn-in")
_SET_UP, _PRODUCTION, _BURN_IN = range(3)
_ROLES = _BODY, _COVER, _SECTION = range(3)


@dataclass(frozen=True)
class Move:
    """Something that nobody logged, which multiplied one kind of fault on one tower for a while.

    Attributes
    ----------
    tower, kind : str
    first, last : datetime64[D]
        Both days included.
    ratio : float
    """

    tower: str
    kind: str
    first: np.datetime64
    last: np.datetime64
    ratio: float


@dataclass(frozen=True)
class Truth:
    """What is true of a fleet. Ratios are of rates, for misses and doubles by name.

    Attributes
    ----------
    rates : mapping
        Faults per feed where every ratio is 1.
    stock : mapping
        Ratio of each stock to UO90 at 50 % relative humidity, ``stock[kind][code]``.
    setting : mapping
        ``setting[kind][column]``: the ratio of each level to the base, or one number, the ratio for
        one more (mark, cycle an hour), where the setting is a number. The same on every paper.
    base : mapping
        The level with ratio 1 of each setting that has levels, and of ``prepared``.
    prepared : mapping
        Ratio to paper that was not prepared, ``prepared[kind][level]``.
    temperature : mapping
        Ratio for one degree Celsius more.
    bins : mapping
        ``bins[kind]``: ratio of each bin, towers by bins, with that of its tower in it.
    variance : float
        Of the gamma draw, with mean 1, that all bins of a run share for each kind.
    moves : tuple of Move
        What was not logged.
    under_counted : tuple
        Tower, first and last day of the weeks in which a fault was written down with a chance of
        0.3 only.
    worn : tuple
        Tower, bin, part, kind and ratio for each 100,000 feeds since that part was fitted.
    """

    rates: Mapping[str, float]
    stock: Mapping[str, Mapping[str, float]]
    setting: Mapping[str, Mapping[str, Mapping[str, float] | float]]
    base: Mapping[str, str]
    prepared: Mapping[str, Mapping[str, float]]
    temperature: Mapping[str, float]
    bins: Mapping[str, Array]
    variance: float
    moves: tuple[Move, ...]
    under_counted: tuple[tuple[str, np.datetime64, np.datetime64], ...]
    worn: tuple[str, int, str, str, float]

    def humidity(self, kind: str, printed_by: str, h: ArrayLike) -> Array:
        """Return the whole ratio of the air to that at 50 %, for paper so printed.

        For ``toner`` that is the curve that all paper has, times the toner's own.
        """
        own = float(printed_by == "toner")
        ratio: Array = np.exp(_log_air(kind, h) + own * _log_static(kind, h))
        return ratio


@dataclass(frozen=True)
class Fleet:
    """Logs of an invented fleet, by column, and what is true of it.

    Attributes
    ----------
    runs, stocks, towers, services : mapping
        Columns of the four files by name: whole numbers, floats with NaN where nothing was logged,
        times, or text with nothing where nothing was logged.
    expected : mapping
        Faults to expect of each row of the run log by kind, with all that is true of it, moves and
        wear and weeks in which little was written down among it; the clusters alone are left out.
    truth : Truth
    """

    runs: Table
    stocks: Table
    towers: Table
    services: Table
    expected: Mapping[str, Array]
    truth: Truth

    def write(self, folder: str | Path) -> None:
        """Write runs.csv, stocks.csv, towers.csv and services.csv into a folder that is there."""
        for name in ("runs", "stocks", "towers", "services"):
            table: Table = getattr(self, name)
            lines = map(",".join, zip(*map(_cells, table.values()), strict=True))
            text = "\n".join([",".join(table), *lines, ""])
            (Path(folder) / f"{name}.csv").write_bytes(text.encode())


def fleet(
    seed: int,
    *,
    towers: int = 3,
    bins: int = 10,
    days: int = 300,
    runs_per_day: float = 2.2,
    humidity_missing: float = 0.4,
    variance: float = 0.3,
    unlogged_moves: bool = True,
    under_counted: bool = True,
    wear: float = WEAR_PER_100K,
    rates: Mapping[str, float] = RATES,
) -> Fleet:
    """Draw the logs of a fleet.

    Parameters
    ----------
    seed : int
        The same seed and numbers give the same fleet.
    towers, bins : int
        Towers, and bins of each; 5 bins or more.
    days : int
        Days from the first to the last; 28 or more.
    runs_per_day : float
        Mean runs of a tower from Monday to Friday, at most 4; a third of it on Saturdays.
    humidity_missing : float
        Share of runs whose humidity was not logged, somewhat more of them in winter.
    variance : float
        Of the gamma draw, with mean 1, that all bins of a run share for each kind.
    unlogged_moves, under_counted : bool
        Whether something moves three times on each tower without being logged; whether each tower
        has two weeks in which few faults were written down.
    wear : float
        What one brush does to doubles with each 100,000 feeds; 1 for none.
    rates : mapping
        Misses and doubles per feed where every ratio is 1.

    Raises
    ------
    ValueError
        Where a number is outside what is said above.
    """
    if towers < 1 or bins < 5 or days < 28:
        raise ValueError("a fleet needs 1 tower, 5 bins and 28 days or more")
    if not 0 < runs_per_day <= _MOST_RUNS_A_DAY:
        raise ValueError("runs_per_day must be above 0 and no more than 4")
    if not 0 <= humidity_missing <= 1 or variance < 0:
        raise ValueError("humidity_missing must be 0 to 1, and variance not below 0")
    rng = np.random.default_rng(seed)
    names = tuple(f"T{number}" for number in range(1, towers + 1))
    levels = {
        kind: rng.normal(0, 0.15, (towers, 1)) + rng.normal(0, 0.2, (towers, bins))
        for kind in KINDS
    }
    moves = _moves(rng, names, days) if unlogged_moves else ()
    weeks = _under_counted_weeks(rng, names, days) if under_counted else ()
    worn = (int(rng.integers(towers)), int(rng.integers(bins)))
    truth = Truth(
        rates=dict(rates),
        stock={kind: {paper.code: getattr(paper, kind) for paper in PAPERS} for kind in KINDS},
        setting=SETTINGS,
        base={
            "set_spring": "off",
            "set_blast": "soft",
            "set_bleed_holes": "0",
            "set_foot_rest": "out",
            "prepared": "none",
        },
        prepared=PREPARED,
        temperature=TEMPERATURE,
        bins={kind: np.exp(levels[kind]) for kind in KINDS},
        variance=variance,
        moves=moves,
        under_counted=weeks,
        worn=(names[worn[0]], worn[1] + 1, "brush", "doubles", wear),
    )
    runs = _runs(rng, towers, bins, days, runs_per_day, humidity_missing)
    stretches = _stretches(rng, runs)
    expected = {kind: _expected(kind, truth, levels[kind], runs, stretches, worn) for kind in KINDS}
    counts = {}
    written = _share_written(weeks, names, runs)[stretches["run"]][:, None]
    for kind in KINDS:
        spread = np.ones(runs["tower"].size)
        if variance:
            spread = rng.gamma(1 / variance, variance, spread.size)
        faults = rng.poisson(expected[kind] * spread[stretches["run"]][:, None])
        faults = rng.binomial(faults, written)
        counts[kind] = np.minimum(faults, stretches["feeds"] // 2)
        counts[kind][stretches["short"]] = 0
        expected[kind] = (expected[kind] * written).ravel()
    return Fleet(
        runs=_run_log(names, runs, stretches, counts),
        stocks=_stock_list(),
        towers=_tower_list(names, bins),
        services=_service_log(rng, names, bins, days, worn),
        expected=expected,
        truth=truth,
    )


def _season(day: ArrayLike) -> Array:
    """Return -1 in the middle of January to 1 in the middle of July; `day` 0 is 6 January."""
    season: Array = -np.cos(2 * np.pi * (np.asarray(day) - 9) / 365.25)
    return season


def _log_air(kind: str, h: ArrayLike) -> Array:
    off = np.asarray(h, dtype=float) - 50
    dry, damp = np.minimum(off, 0), np.maximum(off, 0)
    log_ratio: Array = 0.0004 * dry**2 if kind == "doubles" else 0.010 * damp
    return log_ratio


def _log_static(kind: str, h: ArrayLike) -> Array:
    """Return what dry air adds on toner-printed paper, as a logarithm: 0 at 50 %."""
    if kind != "doubles":
        return np.zeros(np.shape(h))
    rise, at_50 = (
        1 / (1 + np.exp((np.asarray(humidity, dtype=float) - _STATIC_CENTRE) / _STATIC_WIDTH))
        for humidity in (h, 50)
    )
    log_ratio: Array = np.log(_STATIC_RATIO) * (rise - at_50)
    return log_ratio


def _pick(rng: np.random.Generator, weights: Array) -> Array:
    """Draw one index for each row of weights."""
    edges = np.cumsum(weights, axis=-1)
    drawn = rng.random(edges.shape[:-1])[..., None] * edges[..., -1:]
    index: Array = (drawn >= edges).sum(axis=-1)
    return index


def _moves(rng: np.random.Generator, names: Sequence[str], days: int) -> tuple[Move, ...]:
    """Draw three periods of 2 to 5 weeks on each tower, one in each third of the log."""
    third = days // 3
    found = []
    for name in names:
        for part in range(3):
            length = min(int(rng.integers(14, 36)), third)
            start = FIRST_DAY + part * third + int(rng.integers(third - length + 1))
            ratio = float(np.exp(rng.uniform(np.log(0.6), np.log(1.7))))
            kind = KINDS[int(rng.integers(2))]
            found.append(Move(name, kind, start, start + length - 1, ratio))
    return tuple(found)


def _under_counted_weeks(
    rng: np.random.Generator, names: Sequence[str], days: int
) -> tuple[tuple[str, np.datetime64, np.datetime64], ...]:
    """Draw two weeks, Monday to Saturday of the next, on each tower; not the first week."""
    starts = FIRST_DAY + 7 * rng.integers(1, days // 7 - 1, len(names))
    return tuple((name, start, start + 12) for name, start in zip(names, starts, strict=True))


def _runs(
    rng: np.random.Generator,
    towers: int,
    bins: int,
    days: int,
    runs_per_day: float,
    humidity_missing: float,
) -> dict[str, Array]:
    """Draw what holds for a whole run; runs in the order of tower, day and time.

    Arrays are one value per run, except paper (runs by bins, -1 where empty), role (which of the
    run's papers a bin has, runs by bins) and what was set for each of the papers (runs by roles).
    """
    weekday = np.arange(days) % 7
    often = np.where(weekday == 5, 1 / 3, np.where(weekday == 6, 0.0, 1.0))
    chance = often * runs_per_day / _MOST_RUNS_A_DAY
    count = rng.binomial(_MOST_RUNS_A_DAY, chance, (towers, days))
    count[:, 0] = 1  # the burn-in
    tower = np.repeat(np.arange(towers), count.sum(axis=1))
    day = np.repeat(np.tile(np.arange(days), towers), count.ravel())
    burn_in = day == 0
    size = tower.size

    body, cover = _jobs(rng, day)
    body[burn_in], cover[burn_in] = 0, -1
    used = np.round(bins * np.array([0.6, 0.8, 1.0])).astype(int)[
        _pick(rng, np.tile([0.2, 0.4, 0.4], (size, 1)))
    ]
    used[burn_in] = bins
    first = rng.integers(0, bins - used + 1)
    at = np.arange(bins) - first[:, None]
    role = np.full((size, bins), _BODY)
    section = _rare_papers(rng, body, cover, used, burn_in)
    long = np.minimum(3, used - 2)
    begin = 1 + rng.integers(0, used - 1 - long)
    inside = (at >= begin[:, None]) & (at < (begin + long)[:, None])
    role[inside & (section >= 0)[:, None]] = _SECTION
    cover_at = np.where(rng.random(size) < 0.5, 0, used - 1)
    role[(at == cover_at[:, None]) & (cover >= 0)[:, None]] = _COVER
    papers = np.stack([body, cover, section], axis=1)
    paper = np.take_along_axis(papers, role, axis=1)
    paper[(at < 0) | (at >= used[:, None])] = -1

    season = _season(day)
    weather = rng.normal(0, 6, days)[day] + rng.normal(0, 2, size)
    humidity = np.clip(np.round(46 + 16 * season + weather), 8, 92)
    temperature = np.clip(np.round(22.5 + 3.2 * season + rng.normal(0, 0.9, size)), 18, 27)
    no_humidity = rng.random(size) < humidity_missing * (1 - 0.2 * season)
    no_temperature = rng.random(size) < np.where(no_humidity, 0.85, 0.05 * (humidity_missing > 0))
    split = (rng.random(size) < 0.25) & ~burn_in
    blast_none = np.zeros(size, dtype=bool)
    production = np.flatnonzero(~burn_in)
    few = max(1, round(0.003 * production.size))
    blast_none[rng.choice(production, min(few, production.size), replace=False)] = True
    short = np.zeros(size, dtype=bool)
    short[rng.choice(production)] = True
    return {
        "tower": tower,
        "day": day,
        "burn_in": burn_in,
        "paper": paper,
        "role": role,
        "humidity": humidity,
        "temperature": temperature,
        "humidity_logged": np.where(no_humidity, np.nan, humidity),
        "temperature_logged": np.where(no_temperature, np.nan, temperature),
        "set_up": (rng.random(size) < 0.86) | burn_in,
        "split": split | short,
        "short": short,
        "blast_none": blast_none,
        "cycles": np.where(burn_in, 7200, rng.integers(1500, 9001, size)),
        **_set_for_papers(rng, papers),
    }


def _jobs(rng: np.random.Generator, day: Array) -> tuple[Array, Array]:
    """Draw body and cover of each run, by the season; -1 for no cover."""
    winter = (1 - _season(day))[:, None] / 2
    summer_mix, winter_mix = np.array([job[2:] for job in _JOBS], dtype=float).T
    job = _pick(rng, (1 - winter) * summer_mix + winter * winter_mix)
    place = {paper.code: index for index, paper in enumerate(PAPERS)} | {"": -1}
    body, cover = np.array([[place[job[0]], place[job[1]]] for job in _JOBS]).T
    return body[job], cover[job]


def _rare_papers(
    rng: np.random.Generator, body: Array, cover: Array, used: Array, burn_in: Array
) -> Array:
    """Put the rare papers into some runs: as body, as a section of 3 bins, as cover.

    Changes `body` and `cover`, and returns the paper of the section, -1 for none. The number of
    runs is fixed, since with a drawn one some fleets would have no feeds on a paper at all.
    """
    bins_used = used.mean()
    section = np.full(body.size, -1)
    first_rare = len(COMMON)
    free = np.flatnonzero(~burn_in)
    for number, (bins_each, put) in enumerate(((3, section), (3, section), (0, body), (1, cover))):
        share = RARE_SHARES[number] * (bins_used / bins_each if bins_each else 1)
        runs = min(max(1, round(share * body.size)), free.size)
        chosen = rng.choice(free, runs, replace=False)
        free = np.setdiff1d(free, chosen)
        put[chosen] = first_rare + number
    return section


def _set_for_papers(rng: np.random.Generator, papers: Array) -> dict[str, Array]:
    """Draw preparation and what is set at a bin, once for each paper of a run (runs by roles)."""
    grammage = np.array([paper.grammage for paper in PAPERS])[papers]
    coated = np.array([paper.coating == _C for paper in PAPERS])[papers]
    toner = np.array([paper.printed_by == "toner" for paper in PAPERS])[papers]
    usual_holes = np.where(grammage < 80, 2, np.where(grammage < 120, 1, 0))
    other_holes = rng.integers(0, 3, papers.shape)
    return {
        "spring": (rng.random(papers.shape) < np.where(coated, 0.3, 0.7)).astype(int),
        "rest": (grammage >= 200) ^ (rng.random(papers.shape) < 0.1),
        "holes": np.where(rng.random(papers.shape) < 0.25, other_holes, usual_holes),
        "prepared": _pick(rng, np.where(toner[..., None], [0.25, 0.45, 0.3], [0.55, 0.33, 0.12])),
        "heaviest": np.where(papers >= 0, grammage, 0).max(axis=1),
    }


def _stretches(rng: np.random.Generator, runs: dict[str, Array]) -> dict[str, Array]:
    """Draw the stretches of each run: make-ready mostly, then one or two of production."""
    set_up, split = runs["set_up"].astype(int), runs["split"].astype(int)
    each = set_up + 1 + split
    run = np.repeat(np.arange(each.size), each)
    number = np.arange(run.size) - np.repeat(np.cumsum(each) - each, each)
    after = number - set_up[run]  # -1 in make-ready, 0 and 1 in production
    short = runs["short"][run] & (after == 0)
    whole = runs["cycles"][run]
    before = whole * rng.integers(25, 71, each.size)[run] // 100
    cycles = np.where(split[run] == 0, whole, np.where(after == 0, before, whole - before))
    cycles[after < 0] = rng.integers(30, 101, (after < 0).sum())
    # Too few feeds for a fault, so that one level never has any.
    cycles[short] = 60
    purpose = np.where(runs["burn_in"][run], _BURN_IN, _PRODUCTION)
    purpose[after < 0] = _SET_UP

    moved = _pick(rng, np.tile([0.5, 0.3, 0.2], (each.size, 1)))[run]
    moved[after < 1] = -1
    heavy = runs["heaviest"]
    step = _pick(rng, np.tile([0.05, 0.2, 0.5, 0.2, 0.05], (each.size, 1))) - 2
    vacuum = np.clip(5 + (heavy >= 250) + step, 3, 8)[run]
    up = np.where(rng.random(each.size) < 0.5, 1, -1)[run]
    vacuum = np.where(moved == 0, np.clip(vacuum + up, 3, 8), vacuum)
    speeds = np.where((heavy >= 250)[:, None], [0.35, 0.4, 0.2, 0.05], [0.15, 0.35, 0.3, 0.2])
    speed = 2400 + 400 * _pick(rng, speeds)[run]
    speed = np.where(moved == 1, np.where(speed > 2400, speed - 400, 2800), speed)
    full = rng.random(each.size) < np.where(heavy >= 115, 0.8, 0.2)
    blast = np.where(moved == 2, ~full[run], full[run]).astype(int)
    blast[runs["blast_none"][run]] = 2

    minutes = np.where(after < 0, rng.integers(8, 21, run.size), 4) + cycles * 135 // (2 * speed)
    took = np.bincount(run, minutes).astype(int) + rng.integers(15, 51, each.size)
    # Runs of one day follow each other from six in the morning on.
    new_day = np.diff(runs["day"] + 10**6 * runs["tower"], prepend=-1) != 0
    passed = np.cumsum(took) - took
    passed -= passed[new_day][np.cumsum(new_day) - 1]
    begun = runs["day"] * 1440 + 360 + passed
    begun += (rng.integers(5, 41, new_day.sum()))[np.cumsum(new_day) - 1]
    within = np.cumsum(minutes) - minutes
    within -= within[np.flatnonzero(number == 0)][run]
    started = begun[run] + within
    empty = np.where(rng.random(run.size) < 0.05, rng.integers(0, 6, run.size), -1)
    empty[short] = -1
    return {
        "run": run,
        "number": number + 1,
        "cycles": cycles,
        "feeds": np.where(runs["paper"][run] >= 0, cycles[:, None], 0),
        "purpose": purpose,
        "short": short,
        "vacuum": vacuum,
        "speed": speed,
        "blast": blast,
        "started": started,
        "ended": started + minutes,
        "empty": empty,
    }


def _of_role(runs: dict[str, Array], name: str) -> Array:
    """Return what was set for the paper of each bin (runs by bins)."""
    return np.take_along_axis(runs[name], runs["role"], axis=1)


def _logs(ratios: Mapping[str, float] | float, levels: Sequence[str]) -> Array:
    assert isinstance(ratios, Mapping)
    return np.log([ratios[level] for level in levels])


def _expected(
    kind: str,
    truth: Truth,
    levels: Array,
    runs: dict[str, Array],
    stretches: dict[str, Array],
    worn: tuple[int, int],
) -> Array:
    """Return faults to expect before clusters (stretches by bins)."""
    of, setting = stretches["run"], truth.setting[kind]
    vacuum, speed = setting["set_vacuum"], setting["set_speed"]
    assert isinstance(vacuum, float) and isinstance(speed, float)
    stock = np.log(list(truth.stock[kind].values()))
    toner = np.array([paper.printed_by == "toner" for paper in PAPERS])[runs["paper"]]
    per_bin = levels[runs["tower"]] + stock[runs["paper"]]
    per_bin += toner * _log_static(kind, runs["humidity"])[:, None]
    per_bin += _logs(setting["set_spring"], _SPRING)[_of_role(runs, "spring")]
    per_bin += _logs(setting["set_bleed_holes"], _HOLES)[_of_role(runs, "holes")]
    per_bin += _logs(setting["set_foot_rest"], _REST)[_of_role(runs, "rest").astype(int)]
    per_bin += _logs(truth.prepared[kind], _PREPARED)[_of_role(runs, "prepared")]
    warmth = runs["temperature"] - TEMPERATURE_BASE
    per_run = _log_air(kind, runs["humidity"]) + np.log(truth.temperature[kind]) * warmth
    for move in truth.moves:
        day = FIRST_DAY + runs["day"]
        here = (runs["tower"] == int(move.tower[1:]) - 1) & (day >= move.first) & (day <= move.last)
        per_run += (move.kind == kind) * np.log(move.ratio) * here
    per_stretch = np.log(vacuum) * (stretches["vacuum"] - VACUUM_BASE)
    per_stretch += np.log(speed) * (stretches["speed"] - SPEED_BASE)
    per_stretch += _logs(setting["set_blast"], _BLAST)[stretches["blast"]]
    per_stretch += np.log(SET_UP_RATIO) * (stretches["purpose"] == _SET_UP)
    log_ratio = per_bin[of] + (per_run[of] + per_stretch)[:, None]
    if kind == truth.worn[3]:
        mine = runs["tower"][of] == worn[0]
        feeds = stretches["feeds"][mine, worn[1]]
        # Age in the middle of the stretch; the part was new when the log began.
        log_ratio[mine, worn[1]] += np.log(truth.worn[4]) / 1e5 * (np.cumsum(feeds) - feeds / 2)
    expected: Array = stretches["feeds"] * truth.rates[kind] * np.exp(log_ratio)
    return expected


def _share_written(
    weeks: Sequence[tuple[str, np.datetime64, np.datetime64]],
    names: Sequence[str],
    runs: dict[str, Array],
) -> Array:
    share = np.ones(runs["tower"].size)
    day = FIRST_DAY + runs["day"]
    for name, first, last in weeks:
        share[(runs["tower"] == names.index(name)) & (day >= first) & (day <= last)] = WRITTEN_DOWN
    return share


def _run_log(
    names: Sequence[str],
    runs: dict[str, Array],
    stretches: dict[str, Array],
    counts: Mapping[str, Array],
) -> Table:
    """Return the columns of the run log, one row per bin per stretch."""
    of = stretches["run"]
    lines, bins = stretches["feeds"].shape
    filled = stretches["feeds"] > 0
    begin = FIRST_DAY.astype("datetime64[m]")
    # Runs of each tower are numbered from 1 on.
    number = np.arange(runs["tower"].size) - np.searchsorted(runs["tower"], runs["tower"]) + 1
    run_names = np.array([f"{n:04}" for n in number.tolist()], dtype=object)
    proofs = np.array([f"{name}-1" for name in names], dtype=object)[runs["tower"][of]]

    def text(words: Sequence[str], codes: Array) -> Array:
        return np.array([*words, ""], dtype=object)[codes]

    def each(values: Array) -> Array:
        return np.repeat(values, bins)

    def at_bin(words: Sequence[str], name: str) -> Array:
        return text(words, np.where(filled, _of_role(runs, name).astype(int)[of], -1))

    rest = at_bin(_REST, "rest")
    rest[stretches["short"][:, None] & filled] = "half"
    settings = {
        "set_spring": at_bin(_SPRING, "spring").ravel(),
        "set_foot_rest": rest.ravel(),
        "set_bleed_holes": at_bin(_HOLES, "holes").ravel(),
        "set_vacuum": each(text([str(mark) for mark in range(9)], stretches["vacuum"])),
        "set_blast": each(text(_BLAST, stretches["blast"])),
        "set_speed": each(
            text([str(s) for s in range(2400, 3601, 400)], stretches["speed"] // 400 - 6)
        ),
    }
    for place, column in enumerate(settings.values()):
        column[each(stretches["empty"]) == place] = ""
    codes = [paper.code for paper in PAPERS]
    return {
        "run": each(run_names[of]),
        "stretch": each(stretches["number"]),
        "started": each(begin + stretches["started"]),
        "ended": each(begin + stretches["ended"]),
        "tower": each(text(names, runs["tower"][of])),
        "bin": np.tile(np.arange(1, bins + 1), lines),
        "cycles": stretches["feeds"].ravel(),
        "misses": counts["misses"].ravel(),
        "doubles": counts["doubles"].ravel(),
        "purpose": each(text(_PURPOSES, stretches["purpose"])),
        "proof": each(np.where(stretches["purpose"] == _BURN_IN, proofs, "")),
        "stock": text(codes, np.where(filled, runs["paper"][of], -1)).ravel(),
        "humidity_pct": each(runs["humidity_logged"][of]),
        "temperature_c": each(runs["temperature_logged"][of]),
        "prepared": at_bin(_PREPARED, "prepared").ravel(),
        **settings,
    }


def _words(values: Sequence[str]) -> Array:
    return np.array(values, dtype=object)


def _stock_list() -> Table:
    return {
        "stock": _words([paper.code for paper in PAPERS]),
        "description": _words([f"invented {paper.description}" for paper in PAPERS]),
        "grammage_gsm": np.array([paper.grammage for paper in PAPERS]),
        "caliper_um": np.array([paper.caliper for paper in PAPERS]),
        "coating": _words([paper.coating for paper in PAPERS]),
        "printed_by": _words([paper.printed_by for paper in PAPERS]),
        "sides": np.array([paper.sides for paper in PAPERS]),
        "width_mm": np.array([paper.width for paper in PAPERS]),
        "height_mm": np.array([paper.height for paper in PAPERS]),
        "grain": _words([paper.grain for paper in PAPERS]),
    }


def _tower_list(names: Sequence[str], bins: int) -> Table:
    return {
        "tower": _words(names),
        "site": _words(["invented works"] * len(names)),
        "bins": np.full(len(names), bins),
        "commissioned": np.full(len(names), FIRST_DAY),
    }


def _service_log(
    rng: np.random.Generator, names: Sequence[str], bins: int, days: int, worn: tuple[int, int]
) -> Table:
    """Fit brush and suction foot of every bin before the log; replace a third, one by one.

    The worn brush stays in. New parts change nothing, since no other part is worn.
    """
    fitted = [
        (FITTED_BEFORE, name, number, part)
        for name in names
        for number in range(1, bins + 1)
        for part in ("brush", "suction foot")
    ]
    kept = (names[worn[0]], worn[1] + 1, "brush")
    spare = [row[1:] for row in fitted if row[1:] != kept]
    chosen = rng.choice(len(spare), round(len(fitted) / 3), replace=False)
    when = np.linspace(0.1 * days, 0.9 * days, chosen.size) + rng.uniform(-3, 3, chosen.size)
    when = np.clip(when.astype(int), 1, days - 1)
    early = FIRST_DAY.astype("datetime64[m]") + np.timedelta64(330, "m")
    replaced = [
        (early + np.timedelta64(1440 * day, "m"), *spare[index])
        for day, index in zip(when.tolist(), chosen.tolist(), strict=True)
    ]
    rows = [*fitted, *sorted(replaced)]
    return {
        "when": np.array([row[0] for row in rows], dtype="datetime64[m]"),
        "tower": _words([row[1] for row in rows]),
        "bin": np.array([row[2] for row in rows]),
        "part": _words([row[3] for row in rows]),
        "action": _words(["fitted"] * len(rows)),
        "reason": _words(["planned"] * len(rows)),
        "quantity": np.array([1 if row[3] == "brush" else 2 for row in rows]),
    }


def _cells(column: Array) -> list[str]:
    """Return a column as it is written."""
    if column.dtype.kind == "f":
        return ["" if value != value else f"{value:.0f}" for value in column.tolist()]
    if column.dtype.kind == "M":
        # Each time once: a stretch has a row for every bin.
        found, place = np.unique(column, return_inverse=True)
        column = np.datetime_as_string(found).astype(object)[place]
    return list(map(str, column.tolist()))
