"""What is doubted, what is not, and with which probability."""

import datetime as dt
import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from analysis.acceptance import judge
from analysis.burn_ins import PROVED, Batch, burn_in, typed_burn_in
from analysis.chosen_plans import choose
from analysis.counts import Account
from analysis.doubts import in_time
from analysis.proofs import Change
from tests.analysis.test_proofs import day, kept, line, the_proof

BEGUN = dt.datetime(2031, 1, 11)
NO_ACCOUNT = Account(0, 0, 0, None, None)


def judged(burnt, **plans):
    chosen = {kind: plans.get(kind) or choose(kind) for kind in PROVED}
    return judge(burnt, chosen, NO_ACCOUNT)


def typed(*batches):
    return typed_burn_in("A", 10, batches, BEGUN)


def about(found, name):
    return [doubt for doubt in found.doubts if doubt.about == name]


def clean(**more):
    """Return rows of a burn-in of which nothing is to be doubted but that no plan was kept."""
    cells = {"planted_misses": 0, "called_misses": 0, "planted_doubles": 0, "called_doubles": 0}
    rows = [
        line(str(run), day(10 + run), number, cycles=6000, **{**cells, **more})
        for run in range(1, 4)
        for number in range(1, 11)
    ]
    rows[0] |= dict.fromkeys(cells, 59)
    return rows


def of_rows(rows, changes=(), listed=10):
    return burn_in(the_proof(rows, changes), rows, listed)


def planned(**more):
    first = kept(1, day(1), **more)
    return {
        kind: choose(kind, replace(first, kind=kind, number=number))
        for number, kind in enumerate(PROVED, 1)
    }


class TestNothingToDoubt:
    def test_a_clean_burn_in_by_a_kept_plan_on_checked_detectors(self):
        found = judged(of_rows(clean()), **planned())
        assert found.doubts == ()
        assert found.sentence().endswith("; no bin stands out.")


class TestThePlan:
    def test_none_was_kept(self):
        assert "No plan was kept before" in about(judged(of_rows(clean())), "plan")[0].text

    def test_for_one_kind_only(self):
        plans = planned()
        found = judged(of_rows(clean()), misses=plans["misses"])
        assert "No plan was kept for doubles" in about(found, "plan")[0].text
        assert found.sentence().endswith("; no bin stands out. 1 doubt to settle.")

    def test_it_was_kept_after_the_burn_in_had_begun(self):
        late = kept(1, day(12))
        found = judged(
            of_rows(clean()), misses=choose("misses", late), doubles=planned()["doubles"]
        )
        assert "kept on 2031-01-13 at 00:00, after this burn-in had begun" in (
            about(found, "plan")[0].text
        )

    def test_lines_of_the_burn_in_were_there_before_the_plan(self):
        plans = planned(rows_before=3)
        assert len(about(judged(of_rows(clean()), **plans), "plan")) == 2

    def test_more_plans_were_kept_later(self):
        plans = {kind: replace(one, passed_over=1) for kind, one in planned().items()}
        texts = [d.text for d in about(judged(of_rows(clean()), **plans), "plan")]
        assert texts[0] == (
            "1 more plan was kept for misses after this burn-in had begun, and does not count."
        )

    def test_another_plan_is_judged_by(self):
        plans = planned()
        other = choose("misses", plans["misses"].kept, rates=(1e-5, 1e-4))
        found = judged(of_rows(clean()), misses=other, doubles=plans["doubles"])
        assert [d.text for d in about(found, "plan")] == [
            "Misses are judged by another plan than the one kept."
        ]


class TestDetectors:
    def test_not_checked(self):
        found = judged(typed(Batch(6000)))
        assert "not checked for misses and doubles" in about(found, "detector")[0].text

    def test_some_were_not_called(self):
        rows = clean()
        rows[0] |= {"planted_doubles": 20, "called_doubles": 17}
        text = about(judged(of_rows(rows), **planned()), "detector")[0].text
        bound = stats.beta.ppf(0.05, 17, 4)
        assert f"call {100 * bound:.0f} % of doubles" in text
        assert f"{1 / bound:.1f} times" in text

    def test_none_was_called(self):
        rows = clean()
        rows[0] |= {"planted_doubles": 20, "called_doubles": 0}
        assert "called none of the doubles" in (
            about(judged(of_rows(rows), **planned()), "detector")[0].text
        )

    def test_off_for_a_part(self):
        rows = clean()
        rows[5]["doubles"] = None
        found = about(judged(of_rows(rows), **planned()), "off")
        assert [d.text for d in found] == [
            "Nothing watched for doubles in 6,000 of 180,000 feeds, which therefore do not count."
        ]


class TestGathering:
    def test_in_one_bin(self):
        found = about(judged(typed(Batch(6000, (3, 3, 3)))), "bin")
        # All three in one of ten bins: 10 x 0.1^3.
        assert [d.chance for d in found] == [pytest.approx(0.01, rel=1e-9)]
        assert "3 of 3 misses fell in bin 3" in found[0].text

    def test_one_fault_short_of_failing_is_said_of_each_such_bin(self):
        # In 300 feeds one miss is no sign, and two fail a bin: a good one has 0.009 of them.
        for missed, where in (((1,), "bin 1"), ((1, 2), "any of the bins 1 and 2")):
            found = about(judged(typed(Batch(300, missed))), "bin")
            assert [(d.text, d.chance) for d in found] == [
                (f"One more miss in {where} would fail that bin.", None)
            ]

    def test_not_where_chance_does_it(self):
        assert not about(judged(typed(Batch(6000, (3, 5, 7)))), "bin")

    def test_in_one_run(self):
        batches = [Batch(1000)] * 4 + [Batch(1000, (1, 3, 5, 7))] + [Batch(1000)] * 5
        found = about(judged(typed(*batches)), "run")
        assert [d.chance for d in found] == [pytest.approx(10 * 0.1**4, rel=1e-9)]
        assert "run batch 5" in found[0].text

    def test_more_and_more(self):
        batches = [Batch(2000)] * 5 + [Batch(2000, (n, n + 1)) for n in range(1, 6)]
        texts = [d.text for d in about(judged(typed(*batches)), "time")]
        assert any("grow more frequent" in text for text in texts)

    def test_in_lumps_from_run_to_run(self):
        batches = [Batch(2000, (1, 4, 7)) if n % 5 == 2 else Batch(2000) for n in range(25)]
        texts = [d.text for d in about(judged(typed(*batches)), "time")]
        assert any("in lumps" in text for text in texts)

    def test_even_faults_are_not_doubted(self):
        batches = [Batch(2000, (1 + n,)) for n in range(10)]
        assert not about(judged(typed(*batches)), "time")

    @pytest.mark.parametrize("counts", [(0, 0, 3), (2, 0, 1), (3, 1, 0), (0, 1, 3)])
    def test_chances_in_time_by_enumeration(self, counts):
        feeds = np.array([1000, 3000, 2000])
        share = feeds / feeds.sum()
        middle = np.cumsum(share) - share / 2
        total = sum(counts)

        def lump(x):
            return sum((x - total * share) ** 2 / (total * share))

        lumpy = late = 0.0
        for split in itertools.product(range(total + 1), repeat=3):
            if sum(split) == total:
                chance = stats.multinomial.pmf(split, total, share)
                x = np.array(split)
                lumpy += chance * (lump(x) >= lump(np.array(counts)) - 1e-9)
                late += chance * (x @ middle >= np.array(counts) @ middle - 1e-9)
        found = in_time(np.array(counts), feeds)
        for exact, drawn in zip((lumpy, late), found, strict=True):
            assert abs(drawn - exact) <= 4 * math.sqrt(exact * (1 - exact) / 20_000) + 1e-4

    def test_false_doubts_come_as_often_as_they_may(self):
        """Each of the four tests is one at 0.05, so a clean burn-in is doubted in about that."""
        draw = np.random.default_rng(7)
        doubted = {"bin": 0, "run": 0, "time": 0}
        tests = 60
        for _ in range(tests):
            batches = []
            for _ in range(6):
                bins = [
                    n + 1 for n, c in enumerate(draw.binomial(3000, 1e-4, 10)) for _ in range(c)
                ]
                batches.append(Batch(3000, tuple(bins)))
            found = judged(typed(*batches))
            for name in doubted:
                doubted[name] += bool(about(found, name))
        assert doubted["run"] / tests <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / tests)
        # Lumps and lateness are two tests.
        assert doubted["time"] / tests <= 0.10 + 3 * math.sqrt(0.10 * 0.90 / tests)


class TestConditions:
    def test_another_stock_than_planned(self):
        plans = planned(stock="BO90")
        assert not about(judged(of_rows(clean(stock="BO90")), **plans), "stock")
        rows = clean(stock="BO90")
        rows[3]["stock"] = "LU60"
        rows[4]["stock"] = None
        text = about(judged(of_rows(rows), **plans), "stock")[0].text
        assert text == "The plan says stock BO90; it ran LU60 and stock not logged too."

    def test_other_air_than_planned(self):
        plans = planned(humidity=(45.0, 55.0))
        assert not about(judged(of_rows(clean(humidity_pct=50.0)), **plans), "air")
        rows = clean(humidity_pct=50.0)
        rows[3]["humidity_pct"] = 38.0
        assert "it was 38 to 50 %" in about(judged(of_rows(rows), **plans), "air")[0].text
        for row in rows[3:6]:
            row["humidity_pct"] = None
        assert "not logged for 10 % of the feeds" in (
            about(judged(of_rows(rows), **plans), "air")[0].text
        )
        assert "none was logged" in about(judged(of_rows(clean()), **plans), "air")[0].text

    def test_bins_with_no_feeds_or_few(self):
        rows = [row for row in clean() if row["bin"] != 4]
        for row in rows:
            if row["bin"] == 7:
                row["cycles"] = 500
        texts = [d.text for d in about(judged(of_rows(rows), **planned()), "bins")]
        assert texts == [
            "Bin 4 had no feeds: nothing is proved of it.",
            "Bin 7 had less than half of the feeds of others: little is proved of it.",
        ]

    def test_faults_without_a_bin(self):
        found = judged(typed(Batch(6000, (None, None))))
        assert "The bin of 2 misses was not noted" in about(found, "place")[0].text

    def test_attempts_before(self):
        changes = [Change(day(12), "bin 2 brush cleaned")]
        text = about(judged(of_rows(clean(), changes)), "attempts")[0].text
        assert "took 2 attempts" in text
        assert "bin 2 brush cleaned" in text
        assert "0 misses and 0 doubles" in text


class TestServices:
    def of(self, change, **more):
        rows = [{**row, "started": row["started"] + dt.timedelta(hours=8)} for row in clean(**more)]
        for row in rows:
            row["ended"] = row["started"] + dt.timedelta(hours=6)
        return about(judged(of_rows(rows, [change]), **planned()), "services")

    def test_within_the_last_stretch(self):
        found = self.of(Change(day(13, 10), "bin 2 brush fitted"))
        assert "A service was logged while it ran: bin 2 brush fitted, 2031-01-14 10:00" in (
            found[0].text
        )

    def test_by_its_day_alone(self):
        found = self.of(Change(day(11), "bin 2 brush fitted"))
        assert "on a day on which it ran, with no time of day" in found[0].text

    def test_not_before_it_began_nor_after_it_ended(self):
        assert not self.of(Change(day(11, 7), "bin 2 brush fitted"))
        assert not self.of(Change(day(13, 16), "bin 2 brush fitted"))


class TestAfterTheVerdict:
    def test_more_than_a_good_tower_would_show(self):
        found = judged(typed(Batch(20_000), Batch(2_000, (1, 2, 3, 4, 5, 6))))
        doubt = about(found, "later")[0]
        # Poisson and binomial agree to the last printed digit here.
        assert doubt.chance == pytest.approx(stats.binom.sf(5, 20_000, 3e-5), rel=1e-9)

    def test_not_what_a_good_tower_shows(self):
        assert not about(judged(typed(Batch(20_000), Batch(20_000, (1, 2)))), "later")
