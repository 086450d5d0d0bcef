"""Rates split by one thing at a time, against recounts, and what is said of them."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path

import pyarrow as pa
import pytest

from analysis import answers
from analysis.counts import Account, LogScan
from analysis.filters import HUMIDITY_BANDS, FilterError, Filters, parse_filters
from analysis.intake import read_bytes
from analysis.log_format import FAULT_KINDS
from analysis.run_sums import summed_runs
from analysis.site import parse_site
from analysis.store import Store
from analysis.trends import Split, Trends, band_words, order, split, time_column, trends

FIRST, LAST = dt.datetime(2031, 4, 1), dt.datetime(2031, 4, 30, 23, 59, 59, 999999)
FILTERS = Filters(FIRST, LAST)
ACCOUNT = Account(3, 3, 100, FIRST, LAST)

#: A group, the run, its feeds, misses and doubles; None: not watched.
Row = tuple[str | None, str, int, int | None, int | None]


def counts(column: str, rows: Sequence[Row]) -> pa.Table:
    """Return counts by run as a scan of the log gives them."""
    whole = {
        "feeds": [row[2] for row in rows],
        "misses": [row[3] or 0 for row in rows],
        "doubles": [row[4] or 0 for row in rows],
        "faults": [0 if None in row[3:] else row[3] + row[4] for row in rows],  # type: ignore[operator]
        "feeds_misses": [0 if row[3] is None else row[2] for row in rows],
        "feeds_doubles": [0 if row[4] is None else row[2] for row in rows],
        "feeds_faults": [0 if None in row[3:] else row[2] for row in rows],
        "rows": [1] * len(rows),
    }
    return pa.table(
        {
            column: pa.array([row[0] for row in rows], pa.string()),
            "of_tower": pa.array(["A"] * len(rows), pa.string()),
            "of_run": pa.array([row[1] for row in rows], pa.string()),
            **{name: pa.array(numbers, pa.int64()) for name, numbers in whole.items()},
            "first": pa.array([FIRST] * len(rows), pa.timestamp("us")),
        }
    )


def split_by(column: str, *rows: Row) -> Split:
    return split(counts(column, rows), column, {kind: {} for kind in FAULT_KINDS})


def made(
    by_stock: Sequence[Row],
    by_humidity: Sequence[Row] = (),
    kind: str = "faults",
    account: Account = ACCOUNT,
) -> Trends:
    # What is not told of the air is not logged of it.
    air = by_humidity or [("not logged", *row[1:]) for row in by_stock]
    days = counts("day", [("2031-04-01", *row[1:]) for row in by_stock])
    return trends(
        dataclasses.replace(FILTERS, kind=kind),
        account,
        {
            "": summed_runs(days, ()),
            "day": days,
            "stock": counts("stock", by_stock),
            "humidity_band": counts("humidity_band", air),
        },
        (),
        {kind: {} for kind in FAULT_KINDS},
        (),
    )


class TestSplit:
    def test_groups_sum_to_the_whole(self, sample_store: Path) -> None:
        scan = LogScan(Store(sample_store).snapshot())
        for filters in (Filters(), parse_filters(where=["tower=B", "purpose=set-up"])):
            found = answers.trends(scan, filters)
            splits = (found.over_time, found.by_stock, found.by_humidity, *found.by_setting)
            for one in splits:
                assert one.feeds == found.account.feeds
                for kind in FAULT_KINDS:
                    rates = [group.rates[kind] for group in one.groups]
                    assert sum(rate.count for rate in rates) == found.total[kind].count
                    assert sum(rate.feeds for rate in rates) == found.total[kind].feeds

    def test_each_group_is_that_of_its_own_rates(self, sample_store: Path) -> None:
        scan = LogScan(Store(sample_store).snapshot())
        filters = parse_filters(
            since="2031-04-01", until="2031-06-30", where=["purpose=production"], kind="doubles"
        )
        found = answers.trends(scan, filters, over="week")
        for one in (found.over_time, found.by_stock, found.by_humidity, found.by_setting[4]):
            alone = answers.rates(scan, [one.column], filters).groups.to_pylist()
            told = {
                group[one.column]: [
                    group[name] for name in ("count", "feeds", "rate", "wide_low", "wide_high")
                ]
                for group in alone
            }
            assert {group.name for group in one.groups} == set(told)
            for group in one.groups:
                r = group.rates["doubles"]
                assert [r.count, r.feeds, r.rate, r.wide_low, r.wide_high] == told[group.name]
        whole = answers.rates(scan, [], filters).total
        assert found.total["doubles"] == whole

    def test_bands_stand_from_dry_to_damp_and_not_logged_last(self) -> None:
        names = ["not logged", "70 and over", "40-49", "below 30"]
        found = split_by("humidity_band", *((name, name, 10, 0, 0) for name in names))
        assert [group.name for group in found.groups] == [
            band for band in HUMIDITY_BANDS if band in names
        ]

    def test_levels_stand_by_size_before_words_and_not_logged_last(self) -> None:
        names = ["10", None, "out", "9", "-1", "9.5"]
        found = split_by("set_spring", *((name, str(name), 10, 0, 0) for name in names))
        assert [group.name for group in found.groups] == ["-1", "9", "9.5", "10", "out", None]

    def test_levels_stand_as_the_site_file_has_them_then_those_it_does_not_name(self) -> None:
        names = ["full", None, "3", "off", "soft", "2"]
        table = counts("set_blast", [(name, str(name), 10, 0, 0) for name in names])
        site = parse_site(
            "[settings.set_blast]\nunit = 'mark'\nlevels = ['off', 'gone', 'soft', 'full']", "s"
        )
        found = split(table, "set_blast", {kind: {} for kind in FAULT_KINDS}, site)
        assert [g.name for g in found.groups] == ["off", "soft", "full", "2", "3", None]
        assert found.unit == "mark"
        assert split_by("set_blast", *((name, str(name), 10, 0, 0) for name in names)).unit == ""

    def test_numbers_stand_against_their_size_where_the_site_says_so(self) -> None:
        assert sorted(["1", "2", "10"], key=lambda n: order("set_x", n, ["10", "2", "1"])) == [
            "10",
            "2",
            "1",
        ]

    def test_a_site_orders_and_measures_its_settings_alone(self) -> None:
        rows: list[Row] = [("b", "1", 10, 0, 0), ("a", "2", 10, 0, 0)]
        site = parse_site("[settings.set_tilt]\nunit = '°'\nlevels = ['b', 'a']", "s")
        days = counts("day", [("2031-04-01", *row[1:]) for row in rows])
        tables = {
            "": summed_runs(days, ()),
            "day": days,
            "humidity_band": counts("humidity_band", [("not logged", *row[1:]) for row in rows]),
            **{name: counts(name, rows) for name in ("stock", "set_tilt", "set_lift")},
        }
        spread = {kind: {} for kind in FAULT_KINDS}  # type: ignore[var-annotated]
        found = trends(FILTERS, ACCOUNT, tables, ("set_tilt", "set_lift"), spread, (), site)
        told = [(s.unit, [g.name for g in s.groups]) for s in (found.by_stock, *found.by_setting)]
        assert told == [("", ["a", "b"]), ("°", ["b", "a"]), ("", ["a", "b"])]

    def test_what_was_not_logged_is_a_share_of_the_feeds(self) -> None:
        found = split_by("stock", ("BO90", "1", 75, 1, 0), (None, "2", 25, 0, 0))
        assert found.feeds == 100 and found.not_logged == 0.25
        assert found.sentence() == "Not logged for 25 % of 100 feeds."
        little = split_by("stock", ("BO90", "1", 999, 1, 0), (None, "2", 1, 0, 0))
        assert little.sentence() == "Not logged for less than 1 % of 1,000 feeds."
        assert split_by("stock", ("BO90", "1", 75, 1, 0)).sentence() == "Logged for all 75 feeds."
        assert split_by("stock").sentence() == "Nothing was fed here."

    def test_faults_without_a_bin_bring_no_feeds_and_no_rate(self) -> None:
        found = split_by("stock", ("BO90", "1", 75, 1, 0), (None, "1", 0, 2, 0))
        assert found.not_logged == 0
        none = found.groups[-1].rates["misses"]
        assert (none.count, none.feeds, none.rate) == (2, 0, None)

    def test_a_kind_that_was_off_has_no_feeds_of_its_own(self) -> None:
        found = split_by("stock", ("BO90", "1", 60, 3, None), ("BO90", "2", 40, 1, 1))
        (group,) = found.groups
        assert {kind: (r.count, r.feeds) for kind, r in group.rates.items()} == {
            "misses": (4, 100),
            "doubles": (1, 40),
            "faults": (2, 40),
        }


class TestSentence:
    CLEAN: Row = ("BO90", "1", 1_000_000, 20, 20)
    BAD: Row = ("GT135", "2", 100_000, 30, 30)

    def test_the_stock_with_most_faults_beyond_its_share(self) -> None:
        assert made([self.CLEAN, self.BAD]).sentence() == (
            "Faults are most frequent on stock GT135: 6.0 per 10,000 feeds (4.6 to 7.7), "
            "0.91 on all."
        )

    @pytest.mark.parametrize(
        ("band", "words"),
        [
            ("below 30", "below 30 % relative humidity"),
            ("30-39", "30 to 39 % relative humidity"),
            ("70 and over", "70 % relative humidity and over"),
        ],
    )
    def test_the_air_where_it_is_that(self, band: str, words: str) -> None:
        same = [("BO90", *row[1:]) for row in (self.CLEAN, self.BAD)]
        air: list[Row] = [("40-49", *self.CLEAN[1:]), (band, *self.BAD[1:])]
        assert band_words(band) == words
        assert made(same, air, "misses").sentence() == (  # type: ignore[arg-type]
            f"Misses are most frequent in air of {words}: 3.0 per 10,000 feeds (2.0 to 4.3), "
            "0.45 on all."
        )

    def test_nothing_stands_out_of_what_was_not_logged(self) -> None:
        assert made([self.CLEAN, (None, *self.BAD[1:])]).sentence() == (
            "No stock and no air stands out: faults run at 0.91 per 10,000 feeds."
        )

    def test_one_kind_that_the_other_hides_is_said(self) -> None:
        # Of 90 the exact Poisson range is 72.4 to 110.6. Together: 1.0 and 1.1 per 10,000 feeds.
        rows: list[Row] = [("BO90", "1", 1_000_000, 10, 90), ("GT135", "2", 1_000_000, 90, 20)]
        assert made(rows).sentence() == (
            "Misses are most frequent on stock GT135: 0.90 per 10,000 feeds (0.72 to 1.1), 0.50 "
            "on all; doubles are most frequent on stock BO90: 0.90 per 10,000 feeds (0.72 to 1.1), "
            "0.55 on all."
        )
        one: list[Row] = [("BO90", "1", 1_000_000, 10, 50), ("GT135", "2", 1_000_000, 60, 20)]
        assert made(one, kind="doubles").sentence().startswith("No stock and no air stands out")

    def test_a_few_feeds_do_not_stand_out(self) -> None:
        found = made([self.CLEAN, ("GT135", "2", 1000, 1, 0)])
        assert found.sentence().startswith("No stock and no air stands out")

    def test_nothing_logged_and_nothing_watched_are_told_apart(self) -> None:
        none = Account(0, 0, 0, None, None)
        assert made([], account=none).sentence() == (
            "Nothing was logged in this period; choose another."
        )
        assert made([("BO90", "1", 50, 1, None)], kind="doubles").sentence() == (
            "Nothing was watching for doubles in this period, so there is no rate."
        )


class TestFewFeeds:
    def test_under_five_expected_at_the_rate_on_all(self) -> None:
        found = made([("BO90", "1", 99_000, 100, 0), ("GT135", "2", 1000, 0, 0)])
        few = {g.name: found.few_feeds(g.rates["misses"]) for g in found.by_stock.groups}
        assert few == {"BO90": False, "GT135": True}

    def test_however_many_there_were(self) -> None:
        found = made([("BO90", "1", 999_900, 10, 0), ("GT135", "2", 100, 90, 0)])
        assert found.few_feeds(found.by_stock.groups[1].rates["misses"])

    def test_without_faults_or_feeds_all_are_few(self) -> None:
        found = made([("BO90", "1", 1_000_000, 0, None)])
        (group,) = found.by_stock.groups
        assert found.few_feeds(group.rates["misses"]) and found.few_feeds(group.rates["doubles"])


@pytest.mark.parametrize(
    ("days", "unit"), [(1, "day"), (30, "day"), (46, "week"), (200, "week"), (400, "month")]
)
def test_the_unit_of_time_suits_the_period(days: int, unit: str) -> None:
    assert time_column(Filters(FIRST, FIRST + dt.timedelta(days=days))) == unit
    assert time_column(Filters()) == "month"


def test_an_unknown_unit_of_time_is_refused(sample_store: Path) -> None:
    scan = LogScan(Store(sample_store).snapshot())
    with pytest.raises(FilterError, match="over is year; write one of day, week, month"):
        answers.trends(scan, Filters(), over="year")


RUNS = """run,started,tower,bin,cycles,misses,doubles,purpose,stock,set_vacuum,set_tilt
1,2031-04-02T08:00,A,1,500,0,0,production,BO90,5,
1,2031-04-02T08:00,A,2,500,0,0,production,BO90,5,
2,2031-04-03T08:00,A,1,500,0,0,production,CO300,7,
3,2031-04-04T08:00,A,1,500,0,0,production,BO90,6,up
4,2031-04-05T08:00,A,1,500,0,0,production,BO90,,up
5,2031-04-06T08:00,A,1,500,0,0,production,BO90,6,down
6,2031-04-06T08:00,B,1,500,0,0,production,BO90,6,down
"""
SERVICES = """when,tower,bin,part,action
2031-04-01T09:00,A,1,brush,fitted
2031-04-03T09:00,A,1,brush,fitted
2031-04-03T10:00,A,2,brush,cleaned
2031-04-04T10:00,A,tower,filter,cleaned
2031-04-04T11:00,A,1,brush,inspected
2031-04-05,A,tower,,overhauled
2031-04-05T10:00,B,1,suction foot,fitted
"""
TOWERS = "tower,site,bins\nA,Here,2\nB,There,1\n"


class TestMarks:
    @pytest.fixture
    def marks(self, store: Store) -> Callable[..., list[str]]:
        for name, text in (("towers", TOWERS), ("runs", RUNS), ("services", SERVICES)):
            parsed = read_bytes(text.encode(), f"{name}.csv")
            assert not parsed.rejected
            store.add(parsed)
        scan = LogScan(store.snapshot())

        def told(*where: str, **period: str) -> list[str]:
            found = answers.trends(scan, parse_filters(where=where, **period))
            return [f"{m.when.day} {m.tower}{m.bin or ''} {m.what}" for m in found.marks]

        return told

    def test_services_of_the_period_in_order(self, marks: Callable[..., list[str]]) -> None:
        # Inspections change nothing, and settings are moved in every bin every day.
        assert marks(since="2031-04-02", until="2031-04-30") == [
            "3 A1 brush fitted",
            "3 A2 brush cleaned",
            "4 A filter cleaned",
            "5 A overhauled",
            "5 B1 suction foot fitted",
        ]

    def test_of_the_tower_or_the_site_held(self, marks: Callable[..., list[str]]) -> None:
        for held in ("tower=B", "site=There"):
            assert marks(held) == ["5 B1 suction foot fitted"]

    def test_moves_on_the_same_stock_of_one_bin(self, marks: Callable[..., list[str]]) -> None:
        assert [told for told in marks("tower=A", "bin=1") if " to " in told] == [
            "4 A1 vacuum 5 to 6",
            "6 A1 tilt up to down",
        ]
        assert not [told for told in marks("tower=A") if " to " in told]

    def test_a_bin_has_its_own_services_and_those_of_its_tower(
        self, marks: Callable[..., list[str]]
    ) -> None:
        assert marks("tower=A", "bin=2", since="2031-04-02", until="2031-04-30") == [
            "3 A2 brush cleaned",
            "4 A filter cleaned",
            "5 A overhauled",
        ]
