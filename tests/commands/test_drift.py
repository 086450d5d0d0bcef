"""``feedtally drift``: how an answer is said and printed, from answers made by hand."""

from __future__ import annotations

import copy
import datetime as dt
import math
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path as Folder
from typing import Any

import jsonschema
import numpy as np
import pytest

from analysis import answers
from analysis.charts import Chart
from analysis.counts import Account
from analysis.drift import Drift
from analysis.ewma import ewma_of_faults
from analysis.filters import Filters
from analysis.gap_charts import g_chart
from analysis.rate_charts import p_chart, p_prime_chart
from analysis.site import SITE_FILE
from analysis.store import Store
from analysis.streams import Alarm, Path, Stream
from dashboard.data import Data
from tests.commands.conftest import validator
from tests.conftest import read, run_log

Run = Callable[..., Any]
Ask = Callable[..., Any]

ACCOUNT = Account(9, 3, 45_000, dt.datetime(2031, 1, 6, 8), dt.datetime(2031, 6, 30, 14))


def at(month: int, day: int, hour: int = 8) -> dt.datetime:
    return dt.datetime(2031, month, day, hour)


ALARM = Alarm(
    alarmed_at=at(4, 19),
    began=at(4, 10),
    began_earliest=at(4, 7),
    began_latest=at(4, 14),
    shape="step",
    ratio=2.96,
    ratio_low=2.2,
    ratio_high=4.0,
    observed=44,
    expected=14.9,
    feeds=65_000,
    expected_after=11.2,
)
ENDED = replace(
    ALARM,
    alarmed_at=at(2, 3),
    began=at(1, 20),
    ratio=2.4,
    ratio_low=1.6,
    ratio_high=3.5,
    closed_at=at(3, 2),
    closed_by="brush fitted",
)
PATH = Path(
    started=np.array(["2031-04-10T08:00"], dtype="datetime64[us]"),
    observed=np.array([1]),
    feeds=np.array([4000]),
    expected=np.array([0.9]),
    evidence=np.array([0.1]),
    monitored=np.array([True]),
    variance=0.0,
    squared_cv=0.01,
)
#: A bin that has what is expected of it.
FINE = Stream(
    tower="B",
    bin=7,
    kind="doubles",
    since=at(1, 6),
    observed=11,
    expected=12.4,
    feeds=81_000,
    ratio=0.887,
    ratio_low=0.45,
    ratio_high=1.6,
    statistic=1.2,
    threshold=4.8,
    monitored_from=at(1, 6),
    alarms=(),
    doubling_days=41.0,
    path=PATH,
)
WORSE = replace(
    FINE,
    since=at(4, 10),
    observed=44,
    expected=14.9,
    feeds=65_000,
    ratio=2.96,
    ratio_low=2.2,
    ratio_high=4.0,
    alarms=(ALARM,),
)
#: The next ones look like streams that had no run yet, or far too few.
UNWATCHED = replace(
    FINE,
    bin=9,
    since=None,
    observed=0,
    expected=0.0,
    feeds=0,
    ratio=math.nan,
    ratio_low=math.nan,
    ratio_high=math.nan,
    statistic=0.0,
    monitored_from=None,
    doubling_days=math.inf,
    path=replace(FINE.path, monitored=np.array([False])),
)
UNLEARNT = replace(UNWATCHED, path=FINE.path)
OFF = replace(UNWATCHED, path=replace(FINE.path, feeds=np.zeros(1, dtype=np.int64)))
SLOW = replace(FINE, bin=3, kind="misses", doubling_days=430.0)


def drift(*streams: Stream, **values: Any) -> Drift:
    first = {"first_monitored": at(1, 6), "budget": 1.0, **values}
    return Drift(streams, ("misses", "doubles"), ACCOUNT, **first)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Folder:
    folder = tmp_path_factory.mktemp("drift") / "store"
    Store(folder, create=True).add(read(run_log()))
    return folder


@pytest.fixture
def ask(run: Run, store: Folder, monkeypatch: pytest.MonkeyPatch) -> Ask:
    """Run the command on an answer made by hand."""

    def call(result: Drift, *words: object) -> Any:
        def answer(
            scan: object, filters: object, *, budget: float = 1.0, kept: object = None
        ) -> Drift:
            return replace(result, budget=budget)

        monkeypatch.setattr(answers, "drift", answer)
        said = run("drift", "--store", store, *words)
        assert (said.code, said.err) == (0, "")
        return said

    return call


def last_line(text: str) -> str:
    return text.splitlines()[-1]


class TestOneThatIsWorse:
    def test_alone_it_is_said_once_and_then_what_is_known(self, ask: Ask) -> None:
        assert ask(drift(WORSE)).out.splitlines() == [
            "Bin 7 of tower B has been worse since about 10 April 2031: 3.0 times the doubles that "
            "its paper, air and settings explain.",
            "  Began between 7 and 14 April 2031; ratio since then 2.2 to 4.0; 44 doubles where 15 "
            "were expected in 65,000 feeds; noticed on 19 April 2031.",
            "  What to do next: look at this bin and its paper first; power off and isolated as "
            "the machine's maker and the local rules say.",
            "",
            "A tower on which nothing changes is called worse by mistake about once a year; "
            "--budget sets how often.",
        ]

    def test_beside_others_each_has_its_sentence(self, ask: Ask) -> None:
        tower = replace(WORSE, bin=None, kind="misses")
        lines = ask(drift(WORSE, tower)).out.splitlines()
        assert lines[0].endswith("explain; tower B is worse too.")
        assert lines[1:3] == ["", WORSE.sentence()]
        assert tower.sentence() in lines
        advice = [line for line in lines if "What to do next" in line]
        assert "this bin and its paper" in advice[0]
        assert advice[1] == (
            "  What to do next: look first at what its bins share: vacuum, filters, air; power off "
            "and isolated as the machine's maker and the local rules say."
        )

    def test_until_luck_has_worn_off_the_ratio_is_told_as_too_high(self, ask: Ask) -> None:
        fresh = replace(WORSE, alarms=(replace(ALARM, expected_after=3.42),))
        told = (
            "  The ratio is likely too high: it was noticed when luck added to it, and so it is "
            "until 10 more doubles were expected (3.4 so far)."
        )
        assert told in ask(drift(fresh)).out.splitlines()
        assert "too high" not in ask(drift(WORSE)).out

    def test_a_ramp_is_told_by_what_it_has_reached(self, ask: Ask) -> None:
        wear = replace(WORSE, alarms=(replace(ALARM, shape="ramp"),))
        said = ask(drift(wear)).out
        assert "has been getting worse since about 10 April 2031: now 3.0 times" in said
        assert "; ratio by now 2.2 to 4.0; " in said

    def test_a_second_change_stands_under_the_first(self, ask: Ask) -> None:
        again = replace(
            ALARM,
            alarmed_at=at(6, 9),
            began=at(6, 2),
            began_earliest=at(6, 2),
            began_latest=at(6, 2),
            observed=1,
            expected=0.31,
            feeds=1_400,
            ratio_low=1.1,
            ratio_high=math.inf,
            expected_after=0.0,
        )
        lines = ask(drift(replace(WORSE, alarms=(ALARM, again)))).out.splitlines()
        place = lines.index("  Worse again since about 2 June 2031:")
        assert lines[place + 1] == (
            "    Began on 2 June 2031; ratio since then 1.1 or more; 1 double where 0.31 were "
            "expected in 1,400 feeds; noticed on 9 June 2031."
        )
        assert lines[place + 2].startswith("    The ratio is likely too high")
        assert lines[place + 2].endswith("(0 so far).")
        assert sum("What to do next" in line for line in lines) == 1

    def test_a_ratio_that_is_not_known_is_said_so(self, ask: Ask) -> None:
        alarm = replace(ALARM, ratio_low=math.nan, ratio_high=math.nan)
        assert "ratio since then not known;" in ask(drift(replace(WORSE, alarms=(alarm,)))).out


class TestThoseThatWereWorse:
    def test_each_has_a_line_in_order_of_time(self, ask: Ask) -> None:
        later = replace(
            ENDED,
            alarmed_at=at(2, 20),
            shape="ramp",
            closed_by="as expected again",
            expected_after=2.0,
        )
        air = replace(FINE, bin=None, kind="misses", alarms=(later,))
        lines = ask(drift(replace(WORSE, alarms=(ENDED, ALARM)), air)).out.splitlines()
        place = lines.index("Worse for a time:")
        assert lines[place + 1 : place + 3] == [
            "  Bin 7 of tower B had 2.4 times the doubles expected (1.6 to 3.5) from about "
            "20 January 2031 until 2 March 2031: brush fitted.",
            "  Tower B had up to 2.4 times the misses expected (1.6 to 3.5, likely too high) from "
            "about 20 January 2031 until 2 March 2031: as expected again.",
        ]
        assert lines.index(next(x for x in lines if "noticed on" in x)) < place

    def test_without_any_there_is_no_heading(self, ask: Ask) -> None:
        assert "Worse for a time" not in ask(drift(WORSE, FINE)).out


class TestTheOthers:
    def test_few_are_named(self, ask: Ask) -> None:
        said = ask(drift(FINE, replace(FINE, bin=None))).out
        assert said.splitlines() == [
            "No bin and no tower has more faults than its paper, air and settings explain.",
            "",
            "No more than paper, air and settings explain, as far as can be told: the doubles of "
            "bin 7 of tower B and the doubles of tower B.",
            last_line(said),
        ]

    def test_many_are_counted(self, ask: Ask) -> None:
        bins = [replace(FINE, bin=n, kind="misses") for n in range(1, 9)]
        said = ask(drift(WORSE, *bins, replace(FINE, bin=None), replace(FINE, bin=1))).out
        assert (
            "as far as can be told: the misses of 8 bins and the doubles of 1 bin and 1 tower.\n"
        ) in said

    @pytest.mark.parametrize(
        ("days", "told"),
        [
            ((430.0,), "would be noticed after about 14 months."),
            ((1100.0, 430.0), "would be noticed after about 14 months to 3 years."),
            ((430.0, math.inf), "would be noticed after about 14 months, or never."),
            ((math.inf,), "; so little has run that twice as many would not be noticed."),
        ],
    )
    def test_the_slow_say_how_long_they_need(
        self, ask: Ask, days: tuple[float, ...], told: str
    ) -> None:
        slow = [replace(SLOW, doubling_days=d, bin=n) for n, d in enumerate(days, 3)]
        line = ask(drift(FINE, *slow)).out.splitlines()[-2]
        assert line.startswith("Too few feeds to tell soon: the misses of bin 3 of tower B")
        assert line.endswith(told)

    def test_those_not_watched_yet_are_named(self, ask: Ask) -> None:
        assert ask(drift(FINE, UNWATCHED)).out.splitlines()[-2] == (
            "Not watched yet, since what to expect is learnt from a tower's first six months: the "
            "doubles of bin 9 of tower B."
        )

    def test_those_of_which_too_little_is_known_are_told_from_those_nothing_watched(
        self, ask: Ask
    ) -> None:
        lines = ask(drift(FINE, UNLEARNT, replace(OFF, bin=8))).out.splitlines()
        assert lines[-3] == (
            "Too few were logged so far to know what to expect: the doubles of bin 9 of tower B."
        )
        assert lines[-2] == "Nothing was watching for doubles of bin 8 of tower B."

    def test_where_nothing_is_watched_that_is_said_once(self, ask: Ask) -> None:
        lines = ask(drift(UNWATCHED, first_monitored=at(7, 6))).out.splitlines()
        assert lines[0].endswith("a tower's first six months, until 6 July 2031.")
        assert len(lines) == 3

    def test_where_nothing_was_logged_nothing_else_is_said(self, ask: Ask) -> None:
        said = ask(drift(first_monitored=None))
        assert said.out == "Nothing was logged here; choose another part of the log.\n"

    def test_new_paper_is_named(self, ask: Ask) -> None:
        told = "Not judged, since that paper had not run before and was not known until the next"
        two = ask(drift(FINE, new_paper=(("CO300", 1_200), ("", 9_000)))).out.splitlines()[-2]
        assert two == f"{told} month: 9,000 feeds of paper not logged and 1,200 feeds of CO300."
        many = tuple((f"P{n}", n * 1000) for n in range(1, 7))
        line = ask(drift(FINE, new_paper=many)).out.splitlines()[-2]
        assert line.endswith(
            "6,000 feeds of P6, 5,000 feeds of P5, 4,000 feeds of P4 and 6,000 of 3 other papers."
        )

    def test_all_of_them_are_listed_when_asked_for(self, ask: Ask) -> None:
        unsure = replace(FINE, bin=None, ratio_high=math.inf)
        said = ask(drift(WORSE, unsure, SLOW, UNWATCHED), "--all").out
        rows = [line.split() for line in said.splitlines()]
        assert "B 7 doubles 2031-04-10 65,000 44 15 3.0 2.2 to 4.0 passed 41 days".split() in rows
        assert "B all doubles 2031-01-06 81,000 11 12 0.89 0.45 or more 25 41 days".split() in rows
        assert any(row[:3] == ["B", "3", "misses"] and row[-2:] == ["14", "months"] for row in rows)
        assert "B 9 doubles not watched yet".split() in rows
        assert "as far as can be told" not in said
        told = "Evidence: at 100 % it is called worse, and the evidence starts anew."
        assert f"{told} Passed: it has been called worse, and is so still." in said.splitlines()
        # What was worse for a time has passed its limit too, and gathers evidence anew.
        before = ask(drift(replace(FINE, alarms=(ENDED,))), "--all").out.splitlines()
        row = "B 7 doubles 2031-01-06 81,000 11 12 0.89 0.45 to 1.6 25 41 days"
        assert row.split() in [line.split() for line in before]
        assert told in before
        never = ask(drift(replace(SLOW, doubling_days=math.inf, ratio=math.nan)), "--all").out
        assert "B 3 misses 2031-01-06 81,000 11 12 25 never".split() in [
            line.split() for line in never.splitlines()
        ]


class TestTheBudget:
    @pytest.mark.parametrize(
        ("budget", "told"),
        [
            ("1", "about once a year;"),
            # Rounded to once, from either side.
            ("1.02", "about once a year;"),
            ("0.98", "about once a year;"),
            ("12", "about 12 times a year;"),
            ("1.5", "about 1.5 times a year;"),
            ("0.5", "about once in 2 years;"),
            ("0.3", "about once in 3.3 years;"),
            ("52", "about 52 times a year;"),
        ],
    )
    def test_it_is_said_at_the_end_as_given(self, ask: Ask, budget: str, told: str) -> None:
        said = ask(drift(FINE), "--budget", budget).out
        assert last_line(said) == (
            f"A tower on which nothing changes is called worse by mistake {told} --budget sets how "
            "often."
        )

    @pytest.mark.parametrize("budget", ["0", "-1", "52.1", "nan", "inf", "few"])
    def test_one_that_cannot_be_is_refused(self, run: Run, store: Folder, budget: str) -> None:
        said = run("drift", "--store", store, f"--budget={budget}")
        said.refused(
            f"{budget} is no number of false alarms a year above 0 and at most 52, such as 1"
        )

    @pytest.fixture
    def two_a_year(self, store: Folder, tmp_path: Folder) -> Folder:
        """Return a store whose site file allows two, beside the one of the other tests."""
        folder = tmp_path / "store"
        shutil.copytree(store, folder)
        (folder / SITE_FILE).write_text("false_alarms_per_tower_year = 2\n")
        return folder

    @pytest.mark.parametrize(("words", "told"), [((), 2.0), (("--budget", "0.5"), 0.5)])
    def test_it_is_that_of_the_site_file_where_none_is_given(
        self, ask: Ask, two_a_year: Folder, words: tuple[str, ...], told: float
    ) -> None:
        said = ask(drift(FINE), "--json", *words, "--store", two_a_year)
        assert said.json["budget"] == told

    def test_without_a_site_file_it_is_one(self, ask: Ask) -> None:
        assert ask(drift(FINE, budget=7.0), "--json").json["budget"] == 1.0

    def test_a_wrong_site_file_is_told(self, run: Run, two_a_year: Folder) -> None:
        (two_a_year / SITE_FILE).write_text("false_alarms_per_tower_year = 53\n")
        said = run("drift", "--store", two_a_year)
        said.refused("false_alarms_per_tower_year is 53; write a number above 0 and at most 52")

    def test_the_pages_go_by_the_site_file_too(
        self, store: Folder, two_a_year: Folder, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def answer(scan: object, filters: object, *, budget: float, kept: object) -> Drift:
            return drift(FINE, budget=budget)

        monkeypatch.setattr(answers, "drift", answer)
        assert Data(two_a_year).drift(Filters()).budget == 2.0
        assert Data(store).drift(Filters()).budget == 1.0


class TestJson:
    def test_one_with_alarms(self, ask: Ask) -> None:
        stream = replace(WORSE, alarms=(ENDED, ALARM))
        new = (("", 700), ("CO300", 1_200))
        answer = ask(drift(stream, new_paper=new), "--json", "--budget", "0.5").json
        assert answer["budget"] == 0.5
        (one,) = answer["monitored"]
        assert (one["tower"], one["bin"], one["kind"]) == ("B", 7, "doubles")
        assert (one["observed"], one["expected"], one["feeds"]) == (44, 14.9, 65_000)
        assert one["alarm"] is True and one["confirmed"] is True and one["shape"] == "step"
        assert one["alarmed_at"] == "2031-04-19T08:00:00"
        assert one["began"] == one["since"] == "2031-04-10T08:00:00"
        assert one["began_earliest"] == "2031-04-07T08:00:00"
        assert one["began_latest"] == "2031-04-14T08:00:00"
        assert one["monitored_from"] == answer["first_monitored"] == "2031-01-06T08:00:00"
        assert (one["statistic"], one["threshold"], one["doubling_days"]) == (1.2, 4.8, 41.0)
        closed, opened = one["alarms"]
        assert (closed["closed_at"], closed["closed_by"]) == ("2031-03-02T08:00:00", "brush fitted")
        assert (opened["closed_at"], opened["closed_by"]) == (None, None)
        assert (opened["alarmed_at"], closed["ratio"]) == (one["alarmed_at"], 2.4)
        assert answer["new_paper"] == [
            {"stock": None, "feeds": 700},
            {"stock": "CO300", "feeds": 1_200},
        ]
        assert answer["account"]["runs"] == ACCOUNT.runs
        assert answer["method"] == "cusum"
        assert answer["sentence"] == drift(stream).sentence()
        assert one["sentence"] == stream.sentence()

    def test_one_that_is_not_watched_is_null_where_nothing_is_known(self, ask: Ask) -> None:
        numbers = [replace(UNWATCHED, bin=None, observed=np.int64(0), ratio=np.float64("nan"))]
        answer = ask(drift(*numbers, first_monitored=None), "--json").json
        (one,) = answer["monitored"]
        unknown = [name for name, value in one.items() if value is None]
        assert unknown == [
            *("bin", "since", "ratio", "ratio_low", "ratio_high", "alarmed_at", "began"),
            *("began_earliest", "began_latest", "shape", "confirmed", "monitored_from"),
            "doubling_days",
        ]
        assert one["alarm"] is False and one["alarms"] == []
        assert answer["first_monitored"] is None

    def test_the_order_stays_and_nothing_is_left_out(self, ask: Ask) -> None:
        streams = [WORSE, SLOW, replace(FINE, bin=None), UNWATCHED]
        found = ask(drift(*streams), "--json").json["monitored"]
        assert [(s["bin"], s["kind"]) for s in found] == [(s.bin, s.kind) for s in streams]

    def test_as_of_stands_before_the_sentence(self, ask: Ask) -> None:
        day = "2099-01-01"
        answer = ask(drift(FINE), "--as-of", day, "--json").json
        assert answer["sentence"].startswith(f"As the log stood on {day}: No bin")
        assert answer["as_of"].startswith(day) and answer["intake"] == 1
        assert ask(drift(WORSE), "--as-of", day).out.count("has been worse since") == 1

    def test_the_schema_holds_alarms_to_what_they_say(self, ask: Ask) -> None:
        good = ask(drift(replace(WORSE, alarms=(ENDED, ALARM)), FINE), "--json").json
        wrongs: tuple[Callable[[Any], object], ...] = (
            lambda a: a["monitored"][0].update(began=None),
            lambda a: a["monitored"][1].update(shape="step"),
            lambda a: a["monitored"][0]["alarms"][0].update(closed_by=None),
            lambda a: a["monitored"][0]["alarms"][1].update(closed_by=""),
            lambda a: a["monitored"][0].update(began="10 April 2031"),
            lambda a: a.update(chart={}),
            lambda a: a.pop("budget"),
        )
        for wrong in wrongs:
            bad = copy.deepcopy(good)
            wrong(bad)
            with pytest.raises(jsonschema.ValidationError):
                validator("drift").validate(bad)


class TestWhatIsAsked:
    def test_the_filters_and_the_budget_are_handed_on(
        self, run: Run, store: Folder, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        asked: list[Any] = []

        def answer(scan: object, filters: Any, *, budget: float = 1.0, kept: Folder) -> Drift:
            assert kept == Folder(store) / "kept"
            asked.append((filters, budget))
            return drift(FINE)

        monkeypatch.setattr(answers, "drift", answer)
        words = ("--where", "tower=B", "--kind", "doubles", "--until", "2031-05-31")
        assert run("drift", "--store", store, *words, "--budget", "4").code == 0
        ((filters, budget),) = asked
        assert (filters.kind, filters.values("tower"), budget) == ("doubles", ("B",), 4.0)
        assert filters.until.date() == dt.date(2031, 5, 31)

    @pytest.mark.parametrize("words", [(), ("--json",), ("--chart", "p")])
    def test_without_a_store_it_is_told_how_to_make_one(
        self, run: Run, tmp_path: Folder, words: tuple[str, ...]
    ) -> None:
        said = run("drift", "--store", tmp_path / "none", *words)
        said.refused("make one with: feedtally add FILE")

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            (("--over", "week"), "--over goes with --chart; add that or leave it out"),
            (("--chart", "p", "--budget", "2"), "--chart takes no --budget"),
            (("--chart", "g", "--all"), "--chart takes no --all; leave one of the two out"),
            (("--chart", "np"), "--chart is np; write one of p, p-prime, g, ewma"),
            (("--over", "year"), "--over is year; write one of day, week, month, run"),
        ],
    )
    def test_what_does_not_go_together_is_refused(
        self, run: Run, store: Folder, words: tuple[str, ...], told: str
    ) -> None:
        run("drift", "--store", store, *words).refused(told)


FAULTS, FEEDS = [4, 6, 3, 19, 0, 5], [98_000, 104_000, 95_000, 101_000, 0, 99_000]
CHARTS = {
    "p": p_chart(FAULTS, FEEDS, each="week"),
    "p-prime": p_prime_chart(FAULTS, FEEDS, each="week"),
    "g": g_chart([8_499, 60_000, 1, 41_000]),
    "ewma": ewma_of_faults(FAULTS, FEEDS),
}


@pytest.fixture
def draw(run: Run, store: Folder, monkeypatch: pytest.MonkeyPatch) -> Ask:
    """Run the command on a chart made by hand; it must be asked for as it was meant."""

    def call(
        chart: Chart, name: str, *words: object, meant: str | None = None, told: str = ""
    ) -> Any:
        def answer(scan: object, filters: object, chosen: str, over: str | None = "") -> Chart:
            assert (chosen, over) == (name, meant)
            return chart

        monkeypatch.setattr(answers, "known_charts", answer)
        said = run("drift", "--store", store, "--chart", name, *words)
        assert (said.code, said.err) == (0, told)
        return said

    return call


class TestKnownCharts:
    @pytest.mark.parametrize("name", CHARTS)
    def test_the_json_has_every_point(self, draw: Ask, name: str) -> None:
        chart = CHARTS[name]
        answer = draw(chart, name, "--json").json
        assert answer["method"] == name
        assert (answer["chart"]["name"], answer["chart"]["what"]) == (chart.name, chart.what)
        points = answer["chart"]["points"]
        for key, values in (("point", chart.points), ("low", chart.low), ("high", chart.high)):
            written = [math.nan if p[key] is None else p[key] for p in points]
            np.testing.assert_array_equal(written, values)
        assert [p["outside"] for p in points] == chart.outside.tolist()
        assert answer["sentence"] == chart.sentence()
        # The log's three lines are all of production.
        assert answer["account"]["feeds"] == 3 * 4517

    def test_rates_are_printed_per_10_000_feeds_by_position(self, draw: Ask) -> None:
        lines = draw(CHARTS["p"], "p", "--over", "week", meant="week").out.splitlines()
        assert lines[0] == CHARTS["p"].sentence()
        assert lines[1] == (
            "Points: rate of one week, in faults per 10,000 feeds; limits: exact binomial, 0.0027 "
            "of points beyond them at most where nothing changed."
        )
        rows = [line.split() for line in lines[3:]]
        assert rows[0] == ["position", "point", "centre", "low", "high", "outside"]
        # 19 in 101,000 feeds; 37 in 497,000 in all.
        assert rows[4][:3] == ["4", "1.9", "0.74"] and rows[4][-1] == "above"
        assert rows[5] == ["5", "0.74"]
        assert len(rows) == 7 and sum("above" in row for row in rows) == 1

    def test_feeds_between_faults_and_weighted_means_are_numbers_of_their_own(
        self, draw: Ask
    ) -> None:
        rows = [line.split() for line in draw(CHARTS["g"], "g").out.splitlines()[3:]]
        assert rows[1][:3] == ["1", "8,499", "27,375"]
        assert rows[3][1] == "1" and rows[3][-1] == "below"
        # Of the first week, by hand: 0.3 (4 - 98,000 r) / sqrt(98,000 r) with r = 37 / 497,000.
        expected = 98_000 * 37 / 497_000
        first = f"{0.3 * (4 - expected) / math.sqrt(expected):.2f}"
        rows = [line.split() for line in draw(CHARTS["ewma"], "ewma").out.splitlines()[3:]]
        assert rows[1][:3] == ["1", first, "0.00"]

    def test_one_without_points_is_a_sentence(self, draw: Ask) -> None:
        chart = p_chart([], [])
        assert draw(chart, "p").out == chart.sentence() + "\n"
        assert draw(chart, "p", "--json").json["chart"]["points"] == []

    def test_a_purpose_that_was_asked_for_is_that_of_the_account(self, draw: Ask) -> None:
        words = ("--where", "purpose=burn-in", "--json")
        told = "feedtally drift: there is no purpose burn-in in the log; it has production.\n"
        assert draw(CHARTS["p"], "p", *words, told=told).json["account"]["runs"] == 0
