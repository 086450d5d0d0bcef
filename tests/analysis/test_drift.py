"""Who is getting worse in the sample log, where it is known, and in small logs."""

from __future__ import annotations

import csv
import datetime as dt
import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from analysis import answers
from analysis.counts import Account, LogScan
from analysis.drift import Drift, drift, sorted_streams
from analysis.filters import FilterError, Filters, parse_filters
from analysis.store import Store
from analysis.streams import Alarm, Stream
from analysis.words import day
from data_samples import works
from tests.analysis.test_kept_months import HEAD, stored_lines
from tests.analysis.test_monitor import FIRST, Rows, at, bin_two, fitted, made, same, watched
from tests.conftest import read, run_log

# The sample log, whose truths are known.


@pytest.fixture(scope="module")
def scan(sample_store: Path) -> LogScan:
    return LogScan(Store(sample_store).snapshot())


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, watched_months: Path) -> Path:
    return Path(shutil.copytree(watched_months, tmp_path_factory.mktemp("drift") / "kept"))


@pytest.fixture(scope="module")
def found(scan: LogScan, kept: Path) -> Drift:
    return answers.drift(scan, Filters(), kept=kept)


@dataclass(frozen=True)
class Line:
    """A production line of the log; `began` is when its run did, and a count is None where off."""

    tower: str
    bins: frozenset[int]
    began: dt.datetime
    day: str
    cycles: int
    counts: dict[str, int | None]


def bins_of(cell: str) -> frozenset[int]:
    """Return the bins that a line stands for: ``2-3 5 9``."""
    found: set[int] = set()
    for part in cell.split():
        first, _, last = part.partition("-")
        found.update(range(int(first), int(last or first) + 1))
    return frozenset(found)


@pytest.fixture(scope="module")
def lines(samples: Path) -> list[Line]:
    """Return the production lines whose bin was noted."""
    with (samples / "runs.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    some = [row for row in rows if row["purpose"] == "production"]
    begun: dict[tuple[str, str], str] = {}
    # A run begins with its make-ready.
    for row in rows:
        key = row["tower"], row["run"]
        begun[key] = min(begun.get(key, row["started"]), row["started"])
    return [
        Line(
            row["tower"],
            bins_of(row["bin"]),
            dt.datetime.fromisoformat(begun[row["tower"], row["run"]]),
            row["started"][:10],
            int(row["cycles"]),
            {
                kind: None if row[kind] in ("off", "") else int(row[kind])
                for kind in ("misses", "doubles")
            },
        )
        for row in some
        if row["bin"] != "?"
    ]


def counted(
    lines: list[Line],
    stream: Stream,
    since: dt.datetime | None,
    until: dt.datetime | None = None,
) -> tuple[int, int]:
    """Count faults and watched feeds of a bin, or of all bins of a tower, line by line."""
    faults = feeds = 0
    for line in lines:
        count = line.counts[stream.kind]
        if line.tower != stream.tower or count is None:
            continue
        if (since and line.began < since) or (until and line.began > until):
            continue
        here = len(line.bins) if stream.bin is None else int(stream.bin in line.bins)
        faults += here * count
        feeds += here * line.cycles
    return faults, feeds


TRUE = {
    works.WORN_BRUSH: dt.datetime(2031, 1, 5, 10),
    works.TRIPLED: works.TRIPLED_FROM,
    works.LEAKING_FOOT: works.LEAK_FROM,
}


def alarms_of(found: Drift) -> list[tuple[Stream, Alarm]]:
    return [(stream, alarm) for stream in found.monitored for alarm in stream.alarms]


def one(found: Drift, place: tuple[str, int, str]) -> tuple[Stream, Alarm]:
    stream = found.stream(*place)
    assert stream is not None
    (alarm,) = stream.alarms
    return stream, alarm


def test_what_was_planted_is_found_and_no_more_else_than_was_allowed(found):
    places = [(stream.tower, stream.bin, stream.kind) for stream, _ in alarms_of(found)]
    assert set(TRUE) <= set(places)
    # One false alarm a year of each of three towers, over eight months.
    assert len(places) - len(TRUE) <= stats.poisson.ppf(0.95, 3 * 8 / 12)
    assert len(found.monitored) == 2 * (30 + 3)


@pytest.mark.parametrize("place", TRUE, ids=str)
def test_the_range_of_its_beginning_holds_it(found, place):
    _, alarm = one(found, place)
    assert alarm.began_earliest <= TRUE[place] <= alarm.began_latest
    assert alarm.began_earliest <= alarm.began <= alarm.began_latest < alarm.alarmed_at
    assert alarm.began_latest - alarm.began_earliest < dt.timedelta(days=200)


def test_a_change_as_old_as_its_part_began_when_that_was_fitted(found):
    _, alarm = one(found, works.WORN_BRUSH)
    assert alarm.began_earliest == TRUE[works.WORN_BRUSH]


def test_what_was_mended_is_over_and_the_rest_is_not(found):
    _, alarm = one(found, works.WORN_BRUSH)
    assert (alarm.closed_at, alarm.closed_by) == (works.BRUSH_REPLACED, "brush fitted")
    for place in (works.TRIPLED, works.LEAKING_FOOT):
        assert one(found, place)[1].open
    assert {(s.tower, s.bin, s.kind) for s in found.worse} == {works.TRIPLED, works.LEAKING_FOOT}


def test_ratios_are_those_that_were_planted(found):
    for place, ratio in ((works.TRIPLED, works.TRIPLED_RATIO), (works.LEAKING_FOOT, 3.5)):
        stream, alarm = one(found, place)
        assert alarm.ratio_low < ratio < alarm.ratio_high and alarm.confirmed
        assert (stream.ratio, stream.ratio_low) == (alarm.ratio, alarm.ratio_low)


def test_another_mix_of_work_is_no_worsening(found):
    of_mix = [stream for stream in found.monitored if stream.tower == works.MIX_TOWER]
    assert len(of_mix) == 22
    for stream in of_mix:
        for alarm in stream.alarms:
            assert max(alarm.began, alarm.alarmed_at) < dt.datetime(2031, 10, 1)


def test_faults_and_feeds_are_those_of_the_log(found, lines):
    for stream, alarm in alarms_of(found):
        faults, feeds = counted(lines, stream, alarm.began, alarm.closed_at)
        assert (alarm.observed, alarm.feeds) == (faults, feeds)
    for stream in found.monitored:
        # What a tower's bins share is told without those under alarm.
        if stream.bin is not None or stream.tower == works.MIX_TOWER:
            assert (stream.observed, stream.feeds) == counted(lines, stream, stream.since)
            path = stream.path
            everything = counted(lines, stream, None)
            assert (path.observed.sum(), path.feeds.sum()) == everything


def test_expected_faults_are_the_sum_of_those_of_its_runs(found):
    for stream, alarm in alarms_of(found):
        path = stream.path
        some = path.started >= np.datetime64(alarm.began)
        if alarm.closed_at:
            some &= path.started <= np.datetime64(alarm.closed_at)
        np.testing.assert_allclose(alarm.expected, path.expected[some].sum())
        after = some & (path.started > np.datetime64(alarm.alarmed_at))
        np.testing.assert_allclose(alarm.expected_after, path.expected[after].sum())
    for stream in found.monitored:
        some = stream.path.started >= np.datetime64(stream.since)
        np.testing.assert_allclose(stream.expected, stream.path.expected[some].sum())


@pytest.mark.parametrize(
    ("truth", "period"),
    [("tripled", "after"), ("leaking foot", "leaking"), ("worn brush", "worn")],
)
def test_what_is_expected_is_near_what_there_would_have_been(found, samples, truth, period):
    truths = json.loads((samples / "truths.json").read_text())["truths"]
    told = next(one for one in truths if one["name"] == truth)
    span = next(one for one in told["periods"] if one["name"] == period)
    stream = found.stream(told["tower"], told["bin"], told["kinds"][0])
    started = stream.path.started
    some = started >= np.datetime64(span["from"])
    some &= started < np.datetime64(span["to"]) + np.timedelta64(1, "D")
    (kind,) = span["kinds"].values()
    expected = stream.path.expected[some].sum()
    # As well as a level is known that some 25 to 50 faults tell.
    assert expected == pytest.approx(kind["expected_without"], rel=0.35)
    assert expected < 0.65 * kind["expected"]


def test_what_is_expected_of_all_is_near_what_there_was(found):
    # But for the tower that was overhauled: it has fewer faults than the level it began anew at.
    quiet = [s for s in found.monitored if s.bin is not None and not s.alarms]
    quiet = [s for s in quiet if s.tower != works.OVERHAULED]
    for kind in ("misses", "doubles"):
        some = [s.path for s in quiet if s.kind == kind]
        observed = sum(path.observed[path.monitored].sum() for path in some)
        expected = sum(path.expected[path.monitored].sum() for path in some)
        assert observed > 400 and observed / expected == pytest.approx(1, abs=0.12)


def test_it_is_watched_after_six_months_of_its_own(found):
    assert found.first_monitored == dt.datetime(2031, 7, 8)
    for stream in found.monitored:
        assert found.first_monitored <= stream.monitored_from < dt.datetime(2031, 8, 20)
        path = stream.path
        assert (path.monitored == (path.started >= np.datetime64(stream.monitored_from))).all() or (
            path.expected[path.monitored][0] == 0
        )


def test_the_worst_come_first(found):
    first, second, *others = found.monitored
    assert first.alarm and second.alarm
    beyond = [stream.observed - stream.expected for stream in (first, second)]
    assert beyond == sorted(beyond, reverse=True)
    evidence = [stream.evidence for stream in others]
    assert evidence == sorted(evidence, reverse=True) and 0 <= evidence[-1] < evidence[0] < 1
    assert found.monitored == sorted_streams(found.monitored[::-1])


def test_the_readme_shows_what_is_said_of_the_sample_log(found):
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    shown = readme.split("the first of these says among others:")[1].split("```")[1].splitlines()[1]
    assert found.sentence().startswith(shown.rstrip("."))


def test_what_is_said_of_the_sample_log(found):
    first, second = found.worse
    stream, alarm = one(found, works.LEAKING_FOOT)
    assert first is stream
    verb, now = ("getting worse", "now ") if alarm.shape == "ramp" else ("worse", "")
    been = f"has been {verb}" if alarm.shape == "ramp" else "has been worse"
    assert found.sentence() == (
        f"Bin 2 of tower A {been} since about {alarm.began.day} {alarm.began:%B %Y}: "
        f"{now}{alarm.ratio:.1f} times the misses that its paper, air and settings explain; "
        "bin 4 of tower B is worse too."
    )
    assert second.sentence().startswith("Bin 4 of tower B has been ")
    brush = found.stream(*works.WORN_BRUSH)
    assert brush.sentence().startswith(
        "Bin 7 of tower A has the doubles that its paper, air and settings explain: "
    )
    assert brush.sentence().endswith(" until 10 November 2031.")
    assert found.method().startswith(
        "CUSUM of log-likelihood ratios for 1.5, 2 and 4 times the expected faults, refitted every "
        "month; 1"
    )
    assert found.method().endswith(" a year allowed for each tower")


def test_asking_again_gives_the_same(scan, kept, found):
    assert same(answers.drift(scan, Filters(), kept=kept), found)


# Parts of it; what was kept makes these cheap.


@pytest.mark.parametrize(
    ("where", "number"),
    [
        (["tower=A"], 22),
        (["tower=A", "tower=C"], 44),
        (["tower=B", "bin=4"], 2),
        (["bin=4"], 6),
        (["site=" + works.SITE], 66),
    ],
)
def test_a_part_of_the_towers_has_the_same_streams(scan, kept, found, where, number):
    part = answers.drift(scan, parse_filters(where=where), kept=kept)
    assert len(part.monitored) == number
    for stream in part.monitored:
        assert same(stream, found.stream(stream.tower, stream.bin, stream.kind))


@pytest.mark.parametrize(
    ("where", "told"),
    [
        ("tower=Z", "there is no tower Z in the log; it has A, B and C"),
        ("site=elsewhere", f"there is no site elsewhere in the log; it has {works.SITE}"),
        ("bin=99", "there is no bin 99 in the log; it has 1, 2, 3,"),
    ],
)
def test_a_place_that_is_not_there_is_refused_and_those_that_are_are_named(scan, where, told):
    with pytest.raises(FilterError, match=f"^{told}"):
        answers.drift(scan, parse_filters(where=[where]))


@pytest.mark.parametrize("budget", [0.0, -1.0, float("nan")])
def test_a_budget_that_cannot_be_is_refused(scan, budget):
    with pytest.raises(FilterError, match="^budget is .*; allow a tower some false alarms a year"):
        answers.drift(scan, Filters(), budget=budget)


def test_one_kind_of_fault_alone(scan, kept, found):
    part = answers.drift(scan, parse_filters(kind="doubles"), kept=kept)
    assert part.kinds == ("doubles",) and len(part.monitored) == 33
    assert same(part.monitored[0], found.stream(*works.TRIPLED))


def test_alarms_that_were_over_before_a_day_are_not_told(scan, kept):
    for since, told in (("2031-11-10", 1), ("2031-11-11", 0)):
        part = answers.drift(scan, parse_filters(since=since), kept=kept)
        assert len(part.stream(*works.WORN_BRUSH).alarms) == told
        assert len(part.stream(*works.TRIPLED).alarms) == 1


def test_what_came_after_a_day_is_not_told_of_it(store):
    # In the month that this day is in, a brush was fitted after it.
    store.add(read(run_log(*stored_lines(), header=HEAD)))
    service = "when,tower,bin,part,action\n2031-07-20T05:40,A,1,brush,fitted\n"
    store.add(read(service.encode()))
    scan = LogScan(store.snapshot())
    for until, since in (("2031-07-15", "2031-07-06T08:00"), ("2031-07-25", "2031-07-20T05:40")):
        part = answers.drift(scan, parse_filters(until=until))
        assert part.account.last.date().isoformat() == until
        found = part.stream("A", 1, "misses")
        assert found.since == dt.datetime.fromisoformat(since)
        assert found.path.started[-1] <= np.datetime64(until) + np.timedelta64(1, "D")
        assert len(part.marks) == (until > "2031-07-20")


@pytest.mark.parametrize("column", ["stock", "set_vacuum", "month"])
def test_what_comes_and_goes_within_a_stream_cannot_be_asked_for(scan, column):
    with pytest.raises(FilterError, match=rf"^{column} cannot be asked of who is getting worse"):
        answers.drift(scan, parse_filters(where=[f"{column}=5"]))


def test_a_store_with_nothing_in_it_says_so(store):
    found = answers.drift(LogScan(store.snapshot()), Filters())
    assert found.monitored == () and found.first_monitored is None
    assert found.sentence() == "Nothing was logged here; choose another part of the log."


def test_in_its_first_months_a_log_is_not_watched_yet(store):
    store.add(read(run_log()))
    found = answers.drift(LogScan(store.snapshot()), Filters())
    assert not found.watched
    assert found.sentence() == (
        "Nothing is watched yet: what to expect is learnt from a tower's first six months, "
        "until 14 September 2031."
    )


# Charts that people know.


def test_a_p_chart_has_a_point_for_each_day(scan, lines):
    chart = answers.known_charts(scan, parse_filters(where=["tower=B"], kind="misses"), "p")
    days: dict[str, list[int]] = {}
    for line in lines:
        count = line.counts["misses"]
        if line.tower == "B" and count is not None:
            sums = days.setdefault(line.day, [0, 0])
            sums[0] += len(line.bins) * count
            sums[1] += len(line.bins) * line.cycles
    counts = np.array([days[name] for name in sorted(days)], dtype=float)
    assert chart.points.size == len(days)
    # A fault whose bin was not noted is of its day too.
    rates = counts[:, 0] / counts[:, 1]
    assert np.isclose(chart.points, rates).mean() > 0.95
    assert (chart.points >= rates - 1e-15).all()


def test_each_chart_can_be_drawn_over_each_time(scan):
    some = parse_filters(where=["tower=B", "bin=4"], kind="doubles", until="2031-09-30")
    sizes = {
        (name, over): answers.known_charts(scan, some, name, over=over).points.size
        for name in ("p", "p-prime", "ewma")
        for over in ("day", "month", "run")
    }
    assert sizes["p", "month"] == sizes["ewma", "month"] == 9
    assert sizes["p", "run"] > sizes["p", "day"] > 100
    gaps = answers.known_charts(scan, some, "g")
    assert len(gaps.when) == gaps.points.size > 40
    assert list(gaps.when) == sorted(gaps.when)
    with pytest.raises(FilterError, match="^a g-chart has a point for each fault and none for"):
        answers.known_charts(scan, some, "g", over="month")
    months = answers.known_charts(scan, some, "p", over="month")
    assert [when.month for when in months.when] == list(range(1, 10))
    for chart, over in (("q", "day"), ("p", "hour")):
        with pytest.raises(FilterError, match=f"there is no chart {chart} by {over}; write one of"):
            answers.known_charts(scan, some, chart, over=over)


def test_settings_that_were_moved_are_told_of_one_bin(scan):
    marks = answers.setting_marks(scan, "A", 7)
    assert marks and all(mark.moved and (mark.tower, mark.bin) == ("A", 7) for mark in marks)
    assert [mark.when for mark in marks] == sorted(mark.when for mark in marks)


# Streams of small logs.


def small(table: object, **other: object) -> Drift:
    found, learnt = watched(table, **other)  # type: ignore[arg-type]
    return drift(found, learnt, Account(1, 1, 1, FIRST, FIRST), budget=1.0)


def test_a_bin_that_hardly_runs_would_take_long_to_show():
    def feeds(rows: Rows) -> np.ndarray:
        return np.where(rows.bin == 3, 25, 5000)

    found = small(made(71, days=200, feeds=feeds))
    slow, quick = (found.stream("A", number, "misses") for number in (3, 1))
    assert slow.slow and slow.doubling_days > 20 * quick.doubling_days
    assert not quick.slow and 5 < quick.doubling_days < 100
    assert slow.sentence().startswith("Bin 3 of tower A has too few feeds to tell: ")


def test_of_a_kind_that_never_came_it_is_not_said_that_it_will_be_watched():
    """A year without a double is not the first six months."""
    found = small(made(72, days=250))
    said = found.stream("A", 1, "doubles").sentence()
    assert "not watched yet" not in said and "first six months" not in said
    never = small(made(73, days=250, rate=0.0))
    assert "Nothing is watched yet" not in never.sentence()


@pytest.fixture(scope="module")
def twice_worse() -> Stream:
    """Return a bin with 2.5 times the faults from 20 July on and 22 times from 29 August on."""

    def ratio(rows: Rows) -> np.ndarray:
        return bin_two(195, 235, 2.5)(rows) * bin_two(235, times=9.0)(rows)

    found = small(made(22, days=275, ratio=ratio)).stream("A", 2, "misses")
    assert found is not None and [one.open for one in found.alarms] == [True, True]
    return found


def test_an_alarm_is_told_up_to_the_next(twice_worse):
    path = twice_worse.path
    first, second = twice_worse.alarms
    since = path.started >= np.datetime64(first.began)
    before = since & (path.started <= np.datetime64(second.alarmed_at))
    assert first.observed == path.observed[before].sum()
    np.testing.assert_allclose(first.expected, path.expected[before].sum())
    later = path.started >= np.datetime64(second.began)
    assert second.observed == path.observed[later].sum()
    assert first.ratio < 6 < second.ratio
    assert (twice_worse.since, twice_worse.observed) == (first.began, path.observed[since].sum())


def test_of_two_open_alarms_the_ratio_is_that_of_what_is_counted(twice_worse):
    # All numbers of a stream are since the first of them.
    beyond = twice_worse.observed / twice_worse.expected
    assert twice_worse.ratio_low <= beyond <= twice_worse.ratio_high


def test_new_paper_is_told_with_its_feeds():
    table = made(78, days=215, second=lambda day: np.where(day >= 200, 0.3, 0.0))
    stock = np.array(table["stock"].to_pylist())
    fed = int(table["feeds"].to_numpy()[stock == "S2"].sum())
    started = table["first"].to_numpy().astype("datetime64[us]")
    late = started >= np.datetime64("2031-08-06")
    fed -= int(table["feeds"].to_numpy()[late & (stock == "S2")].sum())
    found = small(table)
    assert found.new_paper == (("S2", fed),) and fed > 0


def test_a_stream_begins_where_it_last_began_anew():
    found = small(made(75, days=200), services=[fitted(190, 1)])
    assert found.stream("A", 1, "misses").since == at(190)
    assert found.stream("A", 2, "misses").since == at(181) + dt.timedelta(hours=8)
    assert {day(one.monitored_from) for one in found.monitored if one.kind == "misses"} == {
        "6 July 2031"
    }
