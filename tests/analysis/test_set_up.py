"""Which settings ran a stock clean: by planted truths, and recounted from the log."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from analysis import answers
from analysis.counts import Account, LogScan
from analysis.filters import FilterError, Filters
from analysis.levels_tried import SETTLED
from analysis.set_up import SetUp, set_up
from analysis.spread import Spread
from analysis.store import Store
from tests.analysis.test_conditions import fitted, table


@pytest.fixture(scope="module")
def scan(sample_store: Path) -> LogScan:
    return LogScan(Store(sample_store).snapshot())


@pytest.fixture(scope="module")
def card(scan: LogScan) -> SetUp:
    return answers.set_up(scan, Filters(), "GO115")


class TestSampleLog:
    def test_the_spring_is_better_off_on_coated_stock(self, scan: LogScan) -> None:
        # Planted: 1.5 times the misses with the spring on.
        card = answers.set_up(scan, Filters(kind="misses"), "GO115")
        (spring,) = (tried for tried in card.tried if tried.setting == "set_spring")
        assert spring.settled
        assert spring.levels[0].level == "off"
        assert (spring.levels[0].best or 0) >= 1 - (1 - SETTLED) / len(card.tried)
        assert "spring off" in card.sentence()
        assert "set_spring" not in card.trials
        # Practice says less than what the log has settled; of the rest it has its say.
        assert card.starting
        assert "set_spring" not in {point.setting for point in card.starting}

    def test_chances_add_up_to_one(self, card: SetUp) -> None:
        told = [
            [level.best for level in tried.levels if level.best is not None] for tried in card.tried
        ]
        assert any(told)
        for chances in filter(None, told):
            assert len(chances) > 1 and sum(chances) == pytest.approx(1.0)

    def test_only_levels_that_were_tried_are_named(self, card: SetUp, samples: Path) -> None:
        with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
            logged = list(csv.DictReader(file))
        for tried in card.tried:
            ran = {line[tried.setting] for line in logged if int(line["cycles"] or 0)}
            assert {level.level for level in tried.levels} <= ran
            own = {
                line[tried.setting]
                for line in logged
                if line["stock"] == "GO115" and int(line["cycles"] or 0)
            }
            for level in tried.levels:
                assert (level.feeds > 0) == (level.level in own)

    def test_feeds_and_faults_are_those_of_the_log(self, card: SetUp, samples: Path) -> None:
        with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
            mine = [
                line
                for line in csv.DictReader(file)
                if line["stock"] == "GO115"
                and line["purpose"] in ("production", "trial", "set-up")
                and "off" not in (line["misses"], line["doubles"])
            ]

        def sums(lines: list[dict[str, str]]) -> tuple[int, int]:
            feeds = faults = 0
            for line in lines:
                bins = sum(
                    int(t.partition("-")[2] or t) - int(t.partition("-")[0]) + 1
                    for t in line["bin"].split()
                )
                feeds += bins * int(line["cycles"])
                faults += int(line["misses"]) + int(line["doubles"])
            return feeds, faults

        assert (card.total.feeds, card.total.count) == sums(mine)
        for tried in card.tried:
            for level in tried.levels:
                rows = [line for line in mine if line[tried.setting] == level.level]
                assert (level.feeds, level.count) == sums(rows)
        for one in card.combinations:
            rows = [
                line
                for line in mine
                if all(line[name] == (level or "") for name, level in one.settings.items())
            ]
            assert (one.rate.feeds, one.rate.count) == sums(rows)
            assert one.rate.count == sum(one.counts.values())

    def test_settings_that_follow_the_paper_are_told_with_their_level(self, card: SetUp) -> None:
        # As the invented crew sets them: in works of the samples.
        assert card.always["set_foot_rest"] == "out"
        assert card.always["set_foot_height"] == "2"

    def test_a_trial_sets_two_levels_of_this_stock_against_each_other(self, card: SetUp) -> None:
        assert set(card.trials) <= {t.setting for t in card.tried if not t.settled}
        for setting, planned in card.trials.items():
            (tried,) = (one for one in card.tried if one.setting == setting)
            own = [level.level for level in tried.levels if level.feeds]
            name = setting.removeprefix("set_").replace("_", " ")
            assert set(planned.levels) <= {f"{name} {level}" for level in own}

    def test_common_practice_is_labelled(self, card: SetUp) -> None:
        assert card.starting
        assert all("ommon practice, no source" in p.sentence() for p in card.starting)

    def test_the_same_question_has_the_same_answer(self, scan: LogScan, card: SetUp) -> None:
        again = answers.set_up(scan, Filters(), "GO115")
        assert again.tried == card.tried

    def test_an_unknown_stock_is_refused_with_those_there_are(self, scan: LogScan) -> None:
        with pytest.raises(
            FilterError, match="stock XY is not in this part of the log, which has BO90, BT100"
        ):
            answers.set_up(scan, Filters(), "XY")


NO_ACCOUNT = Account(0, 0, 0, None, None)
NO_SPREAD: dict[str, Spread] = {}


class TestByHand:
    def made(self, *rows: dict[str, object]) -> SetUp:
        many = [dict(row) for row in rows] * 20
        return set_up(
            "P",
            table(many, "set_blast"),
            "misses",
            NO_ACCOUNT,
            [],
            ("set_blast",),
            NO_SPREAD,
            fitted(many, "set_blast"),
        )

    def test_the_better_of_two_is_known_where_feeds_are_many(self) -> None:
        card = self.made(
            {"stock": "P", "set_blast": "soft", "feeds": 10**6, "misses": 30},
            {"stock": "P", "set_blast": "full", "feeds": 10**6, "misses": 60},
        )
        (blast,) = card.tried
        assert [level.level for level in blast.levels] == ["soft", "full"]
        assert blast.levels[0].best == pytest.approx(1.0, abs=1e-3)
        assert card.trials == {}
        assert [one.verdict for one in card.combinations] == ["clean", "not clean"]
        assert card.sentence().startswith("Stock P ran clean with blast soft")

    def test_papers_of_which_nothing_is_listed_settle_nothing_for_each_other(self) -> None:
        card = self.made(
            {"stock": "P", "set_blast": "soft", "feeds": 10**6, "misses": 30},
            {"stock": "P", "set_blast": "full", "feeds": 10**6, "misses": 30},
            {"stock": "Q", "set_blast": "soft", "feeds": 10**6, "misses": 20},
            {"stock": "Q", "set_blast": "full", "feeds": 10**6, "misses": 90},
        )
        (blast,) = card.tried
        assert blast.levels[0].level == "soft" and (blast.levels[0].best or 0) > SETTLED
        assert not blast.settled
        assert card.sentence().startswith("No settings stand out for stock P yet")
        assert blast.sentence() == (
            "Blast soft may be best of those tried, with fewest misses (over 99 % sure, against "
            "full), on 20,000,000 feeds of this stock and 40,000,000 of all paper of unknown "
            "weight and coating, which may not be like it."
        )

    def test_even_levels_are_an_even_chance_and_a_trial(self) -> None:
        card = self.made(
            {"stock": "P", "set_blast": "soft", "feeds": 10**4, "misses": 3},
            {"stock": "P", "set_blast": "full", "feeds": 10**4, "misses": 3},
        )
        (blast,) = card.tried
        assert blast.levels[0].best == pytest.approx(0.5, abs=0.03)
        planned = card.trials["set_blast"]
        other = blast.levels[0] if blast.levels[0].level != blast.usual else blast.levels[1]
        assert planned.ratio == max(other.low, 0.5)
        assert planned.rate == 3e-4
        assert card.sentence().startswith("No settings stand out for stock P yet")

    def test_what_did_not_run_clean_is_said_where_nothing_is_known_to_be_best(self) -> None:
        card = self.made(
            {"stock": "P", "set_blast": "soft", "feeds": 50_000, "misses": 1},
            {"stock": "P", "set_blast": "off", "feeds": 50_000, "misses": 1},
            {"stock": "P", "set_blast": "full", "feeds": 10_000, "misses": 1},
        )
        assert card.sentence() == (
            "Stock P did not run clean with blast full: 1.0 misses per 10,000 feeds on 200,000 "
            "feeds, 0.27 on all; which settings are best is not known yet."
        )

    def test_levels_that_are_as_good_as_equal_are_worth_no_trial(self) -> None:
        card = self.made(
            {"stock": "P", "set_blast": "soft", "feeds": 10**6, "misses": 300},
            {"stock": "P", "set_blast": "full", "feeds": 10**6, "misses": 300},
        )
        assert not card.tried[0].settled
        assert card.trials == {}
        assert card.next_trial is None

    def test_a_number_is_not_best_for_lying_on_a_line(self) -> None:
        # Fewer misses with each step down, and next to nothing at the lowest.
        card = self.made(
            {"stock": "P", "set_blast": "4", "feeds": 5 * 10**4, "misses": 1},
            {"stock": "P", "set_blast": "5", "feeds": 10**6, "misses": 20},
            {"stock": "P", "set_blast": "6", "feeds": 10**6, "misses": 24},
        )
        (blast,) = card.tried
        chances = {level.level: level.best or 0.0 for level in blast.levels}
        assert 0.5 < chances["4"] < 0.95
        low = next(level for level in blast.levels if level.level == "4")
        near = next(level for level in blast.levels if level.level == "6")
        assert math.log(low.high / low.low) > 1.5 * math.log(near.high / near.low)

    def test_a_level_with_next_to_no_feeds_is_not_called_best(self) -> None:
        card = self.made(
            {"stock": "P", "set_blast": "soft", "feeds": 10**6, "misses": 30},
            {"stock": "P", "set_blast": "full", "feeds": 100, "misses": 0},
        )
        (blast,) = card.tried
        chances = {level.level: level.best for level in blast.levels}
        assert chances == {"soft": None, "full": None}
        assert not blast.settled
        assert blast.sentence() == ("Blast: too few feeds at other levels to tell which is best.")
        assert card.trials == {}

    def test_one_level_is_told_as_always(self) -> None:
        card = self.made({"stock": "P", "set_blast": "soft", "feeds": 10**6, "misses": 30})
        assert card.tried == ()
        assert card.always == {}
        assert len(card.combinations) == 1

    def test_without_a_model_the_combinations_are_not_judged(self) -> None:
        rows: list[dict[str, object]] = [{"stock": "P", "set_blast": "soft"}] * 3
        card = set_up(
            "P",
            table(rows, "set_blast"),
            "misses",
            NO_ACCOUNT,
            [],
            ("set_blast",),
            NO_SPREAD,
            "no misses were logged",
        )
        assert card.without == "no misses were logged"
        assert card.tried == ()
        assert card.total.feeds == 3000
