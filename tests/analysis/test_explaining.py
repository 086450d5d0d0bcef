"""How much likelier are faults if a cause is at work? Against integrals worked out here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special, stats

from analysis.explaining import Evidence, every_bin, one_bin
from analysis.tower_rows import Rows
from tests.analysis.one_tower import day, pattern, service, tower

Array = NDArray[np.float64]

#: Ratios that a cause may have: 42 at equal steps of the logarithm from 1.2 to 30, each as likely
#: as a lognormal of median 2.5 and sigma 0.6 has it.
RATIOS = np.linspace(np.log(1.2), np.log(30.0), 42)


def by_hand(
    faults: Array,
    expected: Array,
    ways: Sequence[tuple[float, Array]],
    shape: float,
    phi: float,
    ratios: Array = RATIOS,
) -> float:
    """Return the logarithm of how many times likelier the faults are with a pattern than without.

    Poisson counts to the power of 1 / phi, summed over ratios and integrated over the bin's own
    level, a gamma of mean 1 and of this shape. Ways are pairs of how likely each is beforehand, and
    how fully it is at work in each row.
    """
    # In the logarithm of the level the integrand is smooth and gone at both ends, where the
    # trapezium rule is as good as exact.
    log_level = np.linspace(-3, 3, 3001)
    level = stats.gamma(shape, scale=1 / shape).logpdf(np.exp(log_level)) + log_level
    chance = stats.norm(np.log(2.5), 0.6).pdf(ratios)
    chance = chance / chance.sum()
    total = float(faults.sum())

    def log_likelihood(log_ratio: Array, z: Array) -> Array:
        due = np.exp(np.outer(log_ratio, z)) @ expected
        gain = log_ratio * float((faults * z).sum())
        inside = (total * log_level - np.outer(due, np.exp(log_level))) / phi + level
        return special.logsumexp(inside, axis=1) + gain / phi

    without = log_likelihood(np.zeros(1), np.zeros(faults.size))[0]
    with_it = [
        share * float(chance @ np.exp(log_likelihood(ratios, z) - without)) for share, z in ways
    ]
    return float(np.log(sum(with_it)))


def of_bin(rows: Rows, number: int = 1, **values: Any) -> Evidence:
    (found,) = one_bin(rows, number, [pattern(**values)])
    return found


def of_every(rows: Rows, **values: Any) -> Evidence:
    (found,) = every_bin(rows, [pattern(every_bin=True, **values)])
    return found


def with_faults(rows: Rows, more: Array, where: NDArray[np.bool_]) -> Rows:
    """Return rows with other faults in some of them."""
    faults = rows.faults.copy()
    faults[where] = more[where] if more.ndim else more
    return replace(rows, faults=faults)


def raised(rows: Rows, where: NDArray[np.bool_], ratio: float, seed: int = 3) -> Rows:
    """Draw the faults of bin 1 anew: as many as expected, and `ratio` times as many somewhere."""
    rng = np.random.default_rng(seed)
    drawn = rng.poisson(rows.expected * np.where(where, ratio, 1.0)).astype(float)
    return with_faults(rows, drawn, rows.bin == 1)


class TestAgainstIntegrals:
    """Neighbours that had exactly as many as expected leave what is expected as it is."""

    @pytest.mark.parametrize("ratio", [1.0, 2.5])
    @pytest.mark.parametrize("variance", [0.0, 0.2])
    def test_a_step_at_a_known_moment(self, ratio: float, variance: float) -> None:
        rows = tower(services=(service(30),), variance=variance)
        later = rows.run >= 30
        rows = raised(rows, later, ratio)
        mine = rows.bin == 1
        found = of_bin(rows, when=("since a service",))
        # Each run of the bin is one row, and the bin is expected to have 1 fault in each.
        phi = 1 + variance * 60 / 60
        exact = by_hand(rows.faults[mine], np.ones(60), [(1.0, later[mine] * 1.0)], 25.0, phi)
        assert found.log_factor == pytest.approx(exact, abs=1e-6)
        assert found.told is not None and found.told.words == "brush adjusted"

    @pytest.mark.parametrize("ratio", [1.7, 2.5, 5.0])
    def test_more_ratios_would_say_the_same_where_something_speaks_for_it(
        self, ratio: float
    ) -> None:
        # A tenth more or less of the odds is nothing beside what names a cause.
        later = np.arange(60) >= 30
        faults = np.where(later, ratio, 1.0)
        few, many = (
            by_hand(faults, np.ones(60), [(1.0, later * 1.0)], 25.0, 1.0, ratios)
            for ratios in (RATIOS, np.linspace(RATIOS[0], RATIOS[-1], 600))
        )
        assert few == pytest.approx(many, abs=0.1)

    def test_a_step_at_an_unknown_moment_is_averaged_over_moments(self) -> None:
        rows = tower(runs=50)
        rows = raised(rows, rows.run >= 30, 3.0)
        mine = rows.bin == 1
        found = of_bin(rows, when=("at once",))
        # Moments lie at equal numbers of expected faults, from 2 % to 96 % of them: of 50 runs with
        # one each, the first by whose end so many had come.
        runs = {int(np.ceil(share * 50 - 1e-9)) - 1 for share in np.linspace(0.02, 0.96, 40)}
        # One that begins with the log is at work in all of it, and is no change.
        begun = [number for number in sorted(runs) if number > 0]
        ways = [(1 / len(begun), (np.arange(50) >= number) * 1.0) for number in begun]
        exact = by_hand(rows.faults[mine], np.ones(50), ways, 25.0, 1.0)
        assert found.log_factor == pytest.approx(exact, abs=1e-6)
        assert found.told is not None and found.told.since is not None
        assert abs(found.told.since - np.datetime64(day(30))) <= np.timedelta64(4, "D")

    def test_the_age_of_a_part(self) -> None:
        # 33 runs, so that each age is a whole number of thirty-seconds of the greatest.
        rows = tower(runs=33)
        rows = replace(rows, ages={"brush": rows.run * 10_000.0})
        share = rows.run / 32
        rng = np.random.default_rng(5)
        drawn = rng.poisson(rows.expected * 4.0**share).astype(float)
        rows = with_faults(rows, drawn, rows.bin == 1)
        mine = rows.bin == 1
        found = of_bin(rows, when=("with the age of the brush",))
        exact = by_hand(rows.faults[mine], np.ones(33), [(1.0, share[mine])], 25.0, 1.0)
        assert found.log_factor == pytest.approx(exact, abs=1e-6)

    def test_a_paper_in_one_bin(self) -> None:
        rows = tower()
        rows = raised(rows, rows.paper["toner"], 3.0)
        mine = rows.bin == 1
        found = of_bin(rows, paper=("toner",))
        z = rows.paper["toner"][mine] * 1.0
        exact = by_hand(rows.faults[mine], np.ones(60), [(1.0, z)], 25.0, 1.0)
        assert found.log_factor == pytest.approx(exact, abs=1e-6)

    @pytest.mark.parametrize("bins", [2, 4])
    def test_a_paper_in_every_bin_without_the_bin_that_speaks_for_it_most(self, bins: int) -> None:
        rows = tower(bins=bins, runs=45)
        toner = rows.paper["toner"]
        rng = np.random.default_rng(8)
        drawn = rng.poisson(rows.expected * np.where(toner, 2.5, 1.0)).astype(float)
        rows = with_faults(rows, drawn, toner)
        found = of_every(rows, paper=("toner",))
        # A tower's level is known to 25 %: a shape of 16. Two bins leave none to go without.
        kept = [rows.bin > 0] if bins == 2 else [rows.bin != one for one in range(1, bins + 1)]
        exact = min(
            by_hand(rows.faults[some], np.ones(some.sum()), [(1.0, toner[some] * 1.0)], 16.0, 1.0)
            for some in kept
        )
        assert found.log_factor == pytest.approx(exact, abs=1e-6)


class TestWithoutAnEffect:
    @pytest.mark.parametrize(
        "values",
        [
            {"when": ("at once",)},
            {"when": ("little by little",)},
            {"when": ("with the age of the brush",)},
            {"paper": ("toner",)},
            {"when": ("since a service",)},
        ],
    )
    def test_a_pattern_loses_on_average(self, values: dict[str, Any]) -> None:
        # The mean logarithm of a likelihood ratio is below 0 where the first is not so (Gibbs).
        rng = np.random.default_rng(11)
        plain = tower(runs=90, services=(service(45),))
        plain = replace(plain, ages={"brush": plain.run * 10_000.0})
        factors = []
        for _ in range(40):
            rows = replace(plain, faults=rng.poisson(plain.expected).astype(float))
            factors.append(of_bin(rows, **values).log_factor)
        mean, error = np.mean(factors), np.std(factors) / np.sqrt(len(factors))
        assert mean + 2 * error < 0

    def test_faults_in_clusters_say_less(self) -> None:
        rows = raised(tower(services=(service(30),)), tower().run >= 30, 2.5)
        calm = of_bin(rows, when=("since a service",)).log_factor
        wild = of_bin(replace(rows, variance=1.0), when=("since a service",)).log_factor
        assert 0 < wild < calm / 1.5


class TestNeighbours:
    def test_what_all_bins_have_is_no_cause_in_one(self) -> None:
        rows = tower(services=(service(30),))
        later = rows.run >= 30
        alone = with_faults(rows, np.full(later.size, 3.0), later & (rows.bin == 1))
        together = with_faults(rows, np.full(later.size, 3.0), later)
        values: dict[str, Any] = {"when": ("since a service",)}
        own = of_bin(alone, **values).log_factor
        shared = of_bin(together, **values).log_factor
        assert own > np.log(100)
        assert shared < own / 3
        # Of the tower as a whole it is one.
        assert of_every(together, when=("at once",)).log_factor > np.log(100)

    def test_neighbours_without_a_fault_still_expect_some(self) -> None:
        rows = tower(services=(service(30),))
        rows = with_faults(rows, np.zeros(rows.bin.size), rows.bin != 1)
        found = of_bin(rows)
        assert not found.lacking
        assert found.log_factor > np.log(100)
        assert found.used[rows.bin == 1].all()

    def test_one_bin_alone_makes_no_cause_of_every_bin(self) -> None:
        rows = tower()
        later = rows.run >= 30
        one = with_faults(rows, np.full(later.size, 12.0), later & (rows.bin == 1))
        found = of_every(one, when=("at once",))
        assert found.log_factor < 0
        # All bins taken as one, it would look like a certainty.
        ways = [(1.0, later * 1.0)]
        assert by_hand(one.faults, one.expected, ways, 112.0, 1.0) > np.log(100)
        # The same number of faults more, in all bins, is one.
        every = with_faults(rows, np.full(later.size, 3.75), later)
        assert every.faults.sum() == one.faults.sum()
        assert of_every(every, when=("at once",)).log_factor > np.log(100)

    def test_weeks_in_which_others_had_more_as_well_are_taken_out(self) -> None:
        # A burst of three weeks in all bins, and a service of bin 1 just before it.
        rows = tower(services=(service(21),))
        burst = (rows.run >= 21) & (rows.run < 42)
        found = of_bin(
            with_faults(rows, np.full(burst.size, 3.0), burst), when=("since a service",)
        )
        alone = with_faults(rows, np.full(burst.size, 3.0), burst & (rows.bin == 1))
        assert found.log_factor < of_bin(alone, when=("since a service",)).log_factor - 1


class TestWhatIsLookedAt:
    def told(self, rows: Rows, **values: Any) -> str:
        found = of_bin(rows, **values)
        assert (found.told, found.log_factor, found.ratio) == (None, 0.0, 1.0)
        assert not found.excess.any()
        return found.lacking

    @pytest.mark.parametrize(
        ("values", "why"),
        [
            ({"when": ("with the age of the brush",)}, "the age of the brush is not known"),
            ({"when": ("since a service",)}, "no service of it is in the log"),
            (
                {"when": ("since a setting was moved",)},
                "no setting of it was moved on the same stock",
            ),
            ({"paper": ("light", "coated")}, "no paper that is light and coated was run"),
            ({"settings": {"set_blast": ("off",)}}, "set_blast was not logged"),
            ({"run": "a bin left empty"}, "nothing was run that could show it"),
            ({"air": "dry"}, "nothing was run that could show it"),
        ],
    )
    def test_what_the_log_cannot_show_says_nothing(self, values: dict[str, Any], why: str) -> None:
        assert self.told(tower(), **values) == why

    def test_air_that_was_never_read_is_told(self) -> None:
        rows = tower()
        rows = replace(rows, humidity=np.full(rows.bin.size, np.nan))
        assert self.told(rows, air="dry") == "humidity was not logged"

    def test_unknown_ages_are_told(self) -> None:
        rows = tower()
        rows = replace(rows, ages={"brush": np.full(rows.bin.size, np.nan)})
        told = self.told(rows, when=("with the age of the brush",))
        assert told == "the age of the brush is not known"

    def test_rows_without_a_reading_are_left_out(self) -> None:
        rows = tower()
        dry, unread = rows.run % 3 == 0, rows.run % 3 == 1
        humidity = np.where(dry, 30.0, np.where(unread, np.nan, 50.0))
        rows = with_faults(replace(rows, humidity=humidity), np.full(dry.size, 3.0), dry)
        found = of_every(rows, air="dry")
        assert np.array_equal(found.used, ~unread)
        assert found.log_factor > np.log(20)
        assert 2 < found.ratio < 4 and found.low < found.ratio < found.high
        # What it explains is what came beyond expected in those rows, and none elsewhere.
        assert not found.excess[~dry].any()
        assert found.excess.sum() == pytest.approx(2 * dry.sum(), rel=0.3)

    def test_what_is_usual_in_dry_air_is_taken_out_for_static(self) -> None:
        # The model has learnt that dry air has three times as many; it is a cause still.
        rows = tower()
        dry = rows.run % 2 == 0
        effect = np.where(dry, np.log(3.0), 0.0)
        rows = replace(
            rows,
            humidity=np.where(dry, 30.0, 50.0),
            expected=np.where(dry, 3.0, 1.0),
            faults=np.where(dry, 3.0, 1.0),
            effects={"air": effect},
        )
        assert of_every(rows, air="dry").log_factor > np.log(20)
        assert of_every(replace(rows, effects={}), air="dry").log_factor < 0


class TestHowItComes:
    def best(self, rows: Rows, *when: str, number: int = 1, **values: Any) -> Evidence:
        found = of_bin(rows, number, when=when, **values)
        assert found.told is not None
        return found

    def shaped(self, rate: Callable[[Array], Array]) -> Rows:
        rows = tower(runs=200)
        faults = np.where(rows.bin == 1, rate(rows.run * 1.0), 1.0)
        return replace(rows, faults=faults)

    def test_a_slow_rise_is_told_from_a_step(self) -> None:
        slow = self.shaped(lambda n: 4.0 ** np.clip((n - 60) / 120, 0, 1))
        found = self.best(slow, "at once", "little by little")
        assert found.told is not None and found.told.when == "little by little"
        fast = self.shaped(lambda n: np.where(n >= 100, 4.0, 1.0))
        found = self.best(fast, "at once", "little by little")
        assert found.told is not None and found.told.when == "at once"
        assert found.ratio == pytest.approx(4, rel=0.15)
        assert found.low < 4 < found.high

    @pytest.mark.parametrize("seed", [1, 143])
    def test_a_step_is_not_called_slow_by_chance(self, seed: int) -> None:
        # Of these draws the single likeliest way is a rise over 45 days, and hardly likelier.
        rows = tower(runs=200)
        rows = raised(rows, rows.run >= 100, 4.0, seed)
        found = self.best(rows, "at once", "little by little")
        assert found.told is not None and found.told.since is not None
        assert found.told.when == "at once"
        assert abs(found.told.since - np.datetime64(day(100))) <= np.timedelta64(21, "D")
        # With nothing else to tell, it is what there is.
        slow = self.best(rows, "little by little").told
        assert slow is not None and slow.when == "little by little"

    def test_a_service_may_have_ended_it(self) -> None:
        rows = self.shaped(lambda n: np.where((n >= 60) & (n < 130), 4.0, 1.0))
        found = self.best(replace(rows, services=(service(130, action="fitted"),)), "at once")
        assert found.told is not None and found.told.until is not None
        assert found.told.until == np.datetime64(service(130).when)
        # That of another bin ends nothing.
        found = self.best(replace(rows, services=(service(130, 2, "fitted"),)), "at once")
        assert found.told is not None and found.told.until is None

    def test_looking_and_cleaning_are_no_services_that_spoil(self) -> None:
        rows = tower(services=(service(30, action="cleaned"), service(20, action="inspected")))
        assert of_bin(rows, when=("since a service",)).told is None

    def test_an_exchange_of_piles_neither_ends_nor_begins_a_fault_of_the_bin(self) -> None:
        rows = self.shaped(lambda n: np.where((n >= 60) & (n < 130), 4.0, 1.0))
        piles = replace(service(130, action="swapped"), part="Pile ")
        found = self.best(replace(rows, services=(piles,)), "at once")
        assert found.told is not None and found.told.until is None
        # The brushes of two bins are parts of them.
        brushes = replace(rows, services=(replace(piles, part="brush"),))
        assert self.best(brushes, "at once").told != found.told
        piles = replace(piles, when=service(30).when)
        assert of_bin(tower(services=(piles,)), when=("since a service",)).told is None

    def test_a_setting_that_was_moved_is_named(self) -> None:
        rows = tower()
        moved = (rows.run >= 30) & (rows.bin == 1)
        levels = (("in", "out"), np.where(moved, 1, 0))
        rows = replace(rows, settings={"set_foot_rest": levels})
        rows = with_faults(rows, np.full(moved.size, 3.0), moved)
        found = self.best(rows, "since a setting was moved")
        assert found.told is not None
        assert (found.told.words, found.told.since) == ("foot rest to out", np.datetime64(day(30)))
        assert found.log_factor > np.log(100)

    def test_one_stock_is_told_by_its_name(self) -> None:
        rows = tower(runs=90)
        bad = (rows.stock == 2) & (rows.run >= 45)
        rows = with_faults(rows, np.full(bad.size, 4.0), bad)
        found = of_every(rows, when=("at once",), paper=("one stock",))
        assert found.told is not None and found.told.words == "CO250"
        assert found.log_factor > np.log(100)
        assert not found.excess[rows.stock != 2].any()
