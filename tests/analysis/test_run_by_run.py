"""What had been reached where each run of a burn-in ended, by hand in small fixed examples.

By single plans: 129,945 feeds with 8 misses allowed, 259,892 feeds with 8 doubles allowed.
"""

from __future__ import annotations

import pytest
from scipy import stats

from analysis.acceptance import Judgement, judge
from analysis.burn_ins import PROVED, BurnIn, burn_in, typed_burn_in
from analysis.chosen_plans import choose
from analysis.run_by_run import bins_by_look
from tests.analysis.test_acceptance import BEGUN, GOOD, NO_ACCOUNT, batch
from tests.analysis.test_proofs import day, line, the_proof


def judged(burnt: BurnIn) -> Judgement:
    return judge(burnt, {kind: choose(kind, single=True) for kind in PROVED}, NO_ACCOUNT)


def typed(*batches: object, bins: int = 10, name: str = "") -> Judgement:
    return judged(typed_burn_in("A", bins, batches, BEGUN, name))  # type: ignore[arg-type]


def of_lines(rows: list[dict[str, object]], listed: int | None = None) -> Judgement:
    return judged(burn_in(the_proof(rows), rows, listed))


def screened_by(found: Judgement, kind: str, feeds: int, screens: int) -> None:
    """Check what fails each bin of a kind, after so many feeds, as one of so many screens."""
    each = 1 - (1 - 0.01) ** (1 / screens)
    for b in found.bins:
        if b.kind == kind:
            assert stats.binom.sf(b.fails_at - 1, feeds, GOOD[kind]) <= each
            assert stats.binom.sf(b.fails_at - 2, feeds, GOOD[kind]) > each
            # A feed more or less is seen in the fifth digit.
            chance = stats.binom.sf(b.fails_at - 1, feeds, b.seen_ratio * GOOD[kind])
            assert chance == pytest.approx(0.8, rel=1e-7)


class TestTheEndOfTheTest:
    """Where it is foreseen, a bin is held against the feeds that it will have had by then."""

    @pytest.mark.parametrize("cycles", [[2_500], [500, 1_000, 2_500], [2_500] * 10])
    @pytest.mark.parametrize("kind", PROVED)
    def test_it_is_that_of_the_longer_plan_and_two_of_the_longest_runs(self, kind, cycles):
        # Each of ten bins has a tenth of 259,892 + 2 x 25,000.
        found = typed(*map(batch, cycles))
        assert found.verdict == "go on" and not found.screened
        screened_by(found, kind, 30_990, 20)

    def test_it_is_foreseen_from_the_runs_by_then(self):
        fails_at = next(b.fails_at for b in typed(batch(2_500)).bins if b.kind == "misses")
        first = batch(2_500, misses=[4] * fails_at)
        for later in ([], [batch(40_000)], [batch(200), batch(40_000)]):
            found = typed(first, *later)
            assert (found.verdict, found.decided_run, found.screened) == ("fail", "batch 1", True)
            failing = next(b for b in found.bins if b.stands_out)
            assert (failing.bin, failing.fails_at) == (4, fails_at)
            assert failing.screened_count == fails_at

    def test_a_kind_that_nothing_watches_is_taken_to_be_from_now_on(self):
        rows = [line("1", day(1), n, 2_500, doubles=None) for n in range(1, 11)]
        found = of_lines(rows)
        # Doubles take 259,892 feeds from here, of which a run has none.
        screened_by(found, "misses", 25_990, 20)
        doubles = found.kinds["doubles"]
        assert (doubles.feeds, doubles.verdict) == (0, "go on")
        assert (doubles.upper_bound, doubles.proved_bound) == (1.0, 1.0)
        # No count was looked for: none would pass, and none that there can be would fail.
        assert (doubles.steps[0].accept, doubles.steps[0].reject) == (-1, 1)
        assert found.tests["doubles"].test.checks[0].feeds == 25_000

    def test_of_screens_there_are_as_many_as_bins(self):
        rows = [line("1", day(1), n, 2_500) for n in range(1, 11)]
        for listed, screens in ((None, 20), (4, 20), (50, 100)):
            screened_by(of_lines(rows, listed), "misses", 30_990, screens)
        # One bin: 259,892 + 2 x 2,500 feeds, and a screen for each kind.
        screened_by(typed(batch(2_500), bins=1), "misses", 264_892, 2)
        # A bin that had no feeds is none, where nothing says how many there are.
        rows.append(line("1", day(1), 11, 0))
        found = of_lines(rows)
        ten = [b for b in found.bins if b.bin <= 10 and b.kind == "misses"]
        each = 1 - (1 - 0.01) ** (1 / 20)
        assert all(stats.binom.sf(b.fails_at - 2, 30_990, 3e-5) > each for b in ten)
        assert found.bins_run == 10

    def test_a_bin_that_fed_once_and_was_watched_for_one_kind_is_one_of_them(self):
        rows = [line("1", day(1), n, 2_500) for n in (1, 2)]
        rows.append(line("1", day(1), 3, 1, doubles=None))
        (attempt,) = burn_in(the_proof(rows), rows, None).attempts
        assert bins_by_look(attempt, None) == [3]

    def test_a_bin_with_one_feed_is_screened_too(self):
        rows = [line("1", day(1), 1, 2_500), line("1", day(1), 2, 1)]
        bins = of_lines(rows).bins
        # 2,500 of 2,501 feeds: 264,789 in the end. As one of two screens 17 would do for misses.
        fails_at = next(b.fails_at for b in bins if (b.bin, b.kind) == (1, "misses"))
        each = 1 - (1 - 0.01) ** (1 / 4)
        assert stats.binom.sf(fails_at - 1, 264_789, 3e-5) <= each
        assert stats.binom.sf(fails_at - 2, 264_789, 3e-5) > each

    def test_once_both_kinds_have_passed_it_is_now(self):
        found = typed(batch(26_000), batch(3_000))
        assert (found.verdict, found.decided_run, found.screened) == ("pass", "batch 1", True)
        screened_by(found, "doubles", 26_000, 20)
        doubles = [b for b in found.bins if b.kind == "doubles"]
        each = 1 - (1 - 0.01) ** (1 / 20)
        for b in doubles:
            assert (b.feeds, b.screened_count) == (29_000, 0)
            assert stats.binom.sf(b.fails_now_at - 1, 29_000, 1.5e-5) <= each
            chance = stats.binom.sf(b.fails_now_at - 1, 29_000, b.seen_now * 1.5e-5)
            assert chance == pytest.approx(0.8, rel=1e-7)

    def test_a_tower_that_fails_by_a_kind_is_not_screened(self):
        found = typed(batch(13_000, misses=[*range(1, 10)]))
        assert (found.verdict, found.screened) == ("fail", False)
        assert not any(b.stands_out for b in found.bins)
        assert found.sentence().startswith("Tower A fails its burn-in: 9 misses in 130,000 feeds.")


class TestLooks:
    def feeds(self, found: Judgement, kind: str) -> list[int]:
        return [check.feeds for check in found.tests[kind].test.checks]

    def test_further_runs_are_as_long_as_those_so_far(self):
        found = typed(batch(1_000), batch(2_001))
        # On the mean 1,501 cycles of ten bins. At 135,080 feeds, the first look beyond the plan,
        # neither risk lets 9 misses be told: one more look.
        assert stats.binom.sf(8, 135_080, 3e-5) > 0.02
        assert stats.binom.cdf(9, 135_080, 1e-4) > 0.10
        further = [10_000, 30_010, *(30_010 + 15_010 * n for n in range(1, 9))]
        assert self.feeds(found, "misses") == further
        longer = self.feeds(found, "doubles")
        assert longer[-1] >= 259_892
        # Bins run on for as long as the longer of the two.
        for kind in PROVED:
            screened = found.tests[kind]
            assert screened.feeds.tolist() == longer
            assert screened.shares == pytest.approx(0.1)
            assert screened.fails_at.shape == (len(longer), 10)

    def test_no_more_than_three_hundred_are_foreseen(self):
        # 216 feeds: 259,892 takes 5 runs at once with 300 looks, and would take 4 with 301.
        found = typed(batch(27), bins=8)
        assert self.feeds(found, "misses")[:3] == [216, 216 + 5 * 216, 216 + 10 * 216]
        assert len(self.feeds(found, "doubles")) <= 301

    def test_a_run_without_feeds_decides_nothing(self):
        rows = [line("1", day(1), n, 26_000) for n in range(1, 11)]
        rows = [row | {"misses": int(row["bin"] == 1), "doubles": 1} for row in rows]
        rows.append(line("2", day(2), None, None, 30))
        found = of_lines(rows)
        assert found.kinds["doubles"].verdict == "fail"
        rows = [line("1", day(1), n, 2_500) for n in range(1, 11)]
        rows.append(line("2", day(2), None, None, 30))
        found = of_lines(rows)
        assert (found.verdict, found.kinds["misses"].count) == ("go on", 30)

    def test_a_kind_that_was_not_settled_when_the_tower_failed_may_yet_be(self):
        found = typed(batch(13_000, misses=range(1, 10)), batch(13_000))
        assert (found.verdict, found.decided_run) == ("fail", "batch 1")
        assert [kind.verdict for kind in found.kinds.values()] == ["fail", "pass"]
        assert found.kinds["doubles"].decided.run == "batch 2"

    def test_faults_before_the_first_feed_decide_nothing(self):
        rows = [line("1", day(1), None, None, 30)]
        rows += [line("2", day(2), n, 2_500) for n in range(1, 11)]
        found = of_lines(rows)
        assert (found.verdict, found.kinds["misses"].steps[0].feeds) == ("go on", 0)
        assert found.kinds["misses"].steps[1].count == 30

    def test_what_each_run_ended_with(self):
        found = typed(batch(1_000, misses=[1, 2]), batch(12_000, misses=[3], doubles=[3]))
        steps = found.kinds["misses"].steps
        assert [(s.run, s.started, s.feeds, s.count) for s in steps] == [
            ("batch 1", BEGUN, 10_000, 2),
            ("batch 2", found.attempt.started[1], 130_000, 3),
        ]
        # A single plan takes nothing before its feeds are in. Then at most 8 pass.
        assert (steps[0].accept, steps[1].accept, steps[1].reject) == (-1, 8, 9)

    def test_the_risks_of_one_look_are_binomial(self):
        misses = typed(batch(25_989), bins=5).kinds["misses"]
        feeds = 129_945
        assert misses.producer_risk == pytest.approx(stats.binom.sf(8, feeds, 3e-5), rel=1e-9)
        assert misses.consumer_risk == pytest.approx(stats.binom.cdf(8, feeds, 1e-4), rel=1e-9)

    @pytest.mark.parametrize(("number", "verdict"), [(8, "pass"), (9, "fail")])
    def test_as_many_as_are_allowed_pass(self, number, verdict):
        faults = [1 + n % 5 for n in range(number)]
        found = typed(batch(25_989, misses=faults), bins=5)
        assert found.kinds["misses"].verdict == verdict

    def test_more_faults_than_feeds_prove_nothing(self):
        rows = [line("1", day(1), n, 1) for n in range(1, 3)]
        rows.append(line("1", day(1), None, None, 30))
        assert of_lines(rows).kinds["misses"].upper_bound == 1.0


class TestWhatIsSaid:
    def test_of_a_kind_that_goes_on(self):
        found = typed(batch(25_989, misses=[2]))
        # The plan is 2 feeds short of its end, and is looked at again after a run as long.
        assert found.kinds["doubles"].expected_more_feeds == pytest.approx(259_890)
        assert found.kinds["doubles"].sentence() == (
            "Doubles: 0 in 259,890 feeds; go on, about 260,000 more feeds if the tower is good "
            "(at most 0.12 per 10,000 feeds with 95 % confidence)."
        )
        assert found.sentence().startswith(
            "Go on with tower A: clean enough for misses; about 260,000 more feeds (26,000 cycles "
            "of 10 bins) will settle doubles, if the tower is good."
        )

    def test_of_a_tower_with_one_bin(self):
        found = typed(batch(259_890), bins=1)
        assert "about 260,000 more feeds (260,000 cycles of 1 bin) will" in found.sentence()

    def test_of_both_kinds_that_go_on(self):
        said = typed(batch(1_000)).sentence()
        assert said.startswith("Go on with tower A: about ")
        assert " will settle misses and about " in said

    def test_of_a_kind_that_is_settled(self):
        found = typed(batch(26_000, misses=[2]), batch(1_000, doubles=[1, 2]), name="A-7")
        misses, doubles = found.kinds.values()
        # Clopper and Pearson 1934, by scipy.stats: 0.1825 and, at no fault, 0.1152; up.
        assert misses.sentence() == (
            "Misses: passed with 1 in 260,000 feeds (at most 0.19 per 10,000 feeds with 95 % "
            "confidence); 0 in 10,000 feeds after that."
        )
        assert doubles.sentence() == (
            "Doubles: passed with 0 in 260,000 feeds (at most 0.12 per 10,000 feeds with 95 % "
            "confidence); 2 in 10,000 feeds after that."
        )
        assert (misses.expected_more_feeds, doubles.expected_more_feeds) == (0.0, 0.0)
        assert (misses.later, doubles.later) == ((10_000, 0), (10_000, 2))
        assert misses.shown() == "1 miss in 260,000 feeds proves"
        assert doubles.shown() == "0 doubles in 260,000 feeds prove"
        assert found.name == "burn-in A-7 of tower A"
        assert found.sentence().startswith(
            "Tower A passes its burn-in with 1 miss in 260,000 feeds and 0 doubles in 260,000 "
            "feeds; no bin stands out."
        )

    def test_of_a_kind_that_has_failed(self):
        found = typed(batch(13_000, misses=range(1, 10)))
        assert found.kinds["misses"].later == (0, 0)
        assert found.kinds["misses"].sentence().startswith("Misses: failed with 9 in 130,000 ")
        assert found.kinds["misses"].sentence().endswith(" confidence).")
        assert found.name == "burn-in of tower A"

    def test_of_what_a_kind_shows_while_it_goes_on(self):
        found = typed(batch(1_000), batch(2_500, misses=[3]))
        assert found.kinds["misses"].later == (0, 0)
        assert found.kinds["misses"].shown() == "1 miss in 35,000 feeds proves"
