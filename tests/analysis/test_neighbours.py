"""What did the other bins do meanwhile, and which bin has a trouble of its own?"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from analysis.counts import Account
from analysis.judged import Judged
from analysis.neighbours import about_week, beside_others, own_trouble

Array = NDArray[np.float64]

WEEKS, BINS, EACH = 52, 6, 2.0


def log(ratio: Array, seed: int = 1, *, between_bins: float = 0.04) -> Judged:
    """Draw a tower of six bins, a run a week; `ratio` is bins by weeks, of what is expected."""
    rng = np.random.default_rng(seed)
    size = BINS * WEEKS
    place, week = np.divmod(np.arange(size), WEEKS)
    start = np.datetime64("2031-01-06T08:00", "us") + week * np.timedelta64(7, "D")
    return Judged(
        kind="misses",
        places=tuple(("A", number) for number in range(1, BINS + 1)),
        place=place,
        run=week,
        started=start,
        feeds=np.full(size, 1e5),
        faults=rng.poisson(EACH * ratio.ravel()).astype(float),
        expected=np.full(size, EACH),
        level=np.ones(BINS),
        between_bins=between_bins,
        between_weeks=0.03,
        variance={"A": 0.0},
        parts=(),
        of_tower=(),
        effects={},
        ages=np.zeros((0, size)),
        kept=np.arange(size),
        account=Account(size, WEEKS, size, None, None),
    )


def test_what_the_others_had_about_a_week_by_hand() -> None:
    one = log(np.ones((BINS, WEEKS)))
    faults = np.where((one.run >= 20) & (one.run < 30), 2 * EACH, EACH)
    others = one.place > 0
    found = about_week(
        one.started, one.run, faults, one.expected, others, variance=0.0, between=0.03
    )
    # Five bins with two faults expected in each of 52 weeks; twice as many in ten of them.
    usual, more = 5 * EACH * WEEKS, 5 * EACH * 10
    common = (usual + more + 1) / (usual + 1)
    blocks = np.array_split(np.arange(WEEKS), WEEKS // 4)
    seen = np.array([sum(20.0 if 20 <= w < 30 else 10.0 for w in b) for b in blocks])
    due = np.full(13, 40.0) * common
    shape = 1 / max((((seen - due) ** 2 - seen).sum() / (due**2).sum()), 0.03)
    at_25 = (60 + shape * common) / (30 + shape)
    at_5 = (30 + shape * common) / (30 + shape)
    assert found[25] == pytest.approx(at_25, rel=1e-12)
    assert found[5] == pytest.approx(at_5, rel=1e-12)
    # Every bin of that week is held against the same.
    assert found[25 + WEEKS] == found[25]


def test_a_bin_is_not_held_against_itself() -> None:
    ratio = np.ones((BINS, WEEKS))
    ratio[2, 26:] = 6.0
    one = log(ratio)
    found = beside_others(one)
    assert own_trouble(one).tolist() == [False, False, True, False, False, False]
    # Its own trouble raises neither what it is held against nor what the others are.
    assert found[one.place == 2][26:].max() < 1.3
    assert found[one.place == 0][26:].max() < 1.3


def test_what_all_bins_have_is_in_what_each_is_held_against() -> None:
    ratio = np.ones((BINS, WEEKS))
    ratio[:, 26:] = 2.5
    one = log(ratio)
    found = beside_others(one)
    assert not own_trouble(one).any()
    later = found[one.run >= 30]
    assert 2.0 < later.mean() < 2.7
    assert 0.8 < found[one.run < 22].mean() < 1.4


def test_trouble_is_what_is_too_unlikely_by_the_negative_binomial() -> None:
    one = log(np.ones((BINS, WEEKS)))
    quiet = np.full(BINS * WEEKS, EACH)
    # A quarter of thirteen weeks has 26 in each bin; bins differ by 20 %: a shape of 25. The others
    # had just what was expected.
    shape = 25.0
    tail = stats.nbinom(shape, shape / (shape + 26.0)).sf
    least = next(count for count in range(26, 200) if tail(count - 1) < 1e-5)
    for count, told in ((least - 1, False), (least, True)):
        faults = quiet.copy()
        faults[0] += count - 26
        found = own_trouble(Judged(**{**one.__dict__, "faults": faults}))
        assert bool(found[0]) is told
        assert not found[1:].any()


def test_good_towers_have_no_trouble() -> None:
    rng = np.random.default_rng(5)
    found = 0
    for seed in range(40):
        levels = rng.gamma(25, 1 / 25, (BINS, 1)) * np.ones((BINS, WEEKS))
        found += int(own_trouble(log(levels, seed)).sum())
    # 240 bins, four quarters each, at 1 in 100,000: one would be seen in a hundred such tests.
    assert found == 0


def test_nothing_to_go_by_says_nothing() -> None:
    one = log(np.ones((BINS, WEEKS)))
    nobody = np.zeros(one.place.size, dtype=bool)
    found = about_week(
        one.started, one.run, one.faults, one.expected, nobody, variance=0.0, between=0.03
    )
    assert (found == 1).all()
