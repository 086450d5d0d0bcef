"""Feeds and faults group by group, against sums worked out by hand."""

from __future__ import annotations

import datetime as dt
import shutil
import time
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
import pytest

from analysis.counts import Account, LogScan
from analysis.engine import Query
from analysis.filters import FilterError, Filters, parse_filters
from analysis.snapshot import Snapshot, empty_snapshot
from analysis.store import Store
from tests.conftest import LINE, RUNS_HEADER, read, run_log

HEADER = "run,stretch,started,tower,bin,cycles,misses,doubles,purpose,stock,humidity_pct,set_mood"
LOG = run_log(
    "1,1,2031-03-14T08:00,A,1,100,1,2,,BO90,29.9,calm",
    "1,1,2031-03-14T08:00,A,2,100,3,off,,BO90,29.9,calm",
    "1,1,2031-03-14T08:00,A,?,,4,5,,BO90,29.9,calm",
    "1,2,2031-03-15T08:00,A,1-2,50,0,0,,BT80,30,",
    "2,1,2031-03-31T23:59:59.5,A,1,1000,off,7,burn-in,free text,69.9,wild",
    "2,1,2031-03-31T23:59:59.5,A,2,0,0,0,burn-in,free text,69.9,wild",
    "1,1,2031-04-01T00:00,B,1,200,0,1,trial,,70,",
    "1,1,2031-04-01T00:00,B,2,200,off,off,trial,,,",
    header=HEADER,
)
NAMES = ("rows", "feeds", "feeds_misses", "feeds_doubles", "feeds_faults")
FAULTS = ("misses", "doubles", "faults")


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> LogScan:
    """Return a scan of a log that no test adds to."""
    folder = tmp_path_factory.mktemp("counts") / "store"
    store = Store(Path(shutil.copytree(empty_store, folder)))
    store.add(read(LOG))
    store.add(read(b"tower,site,bins\nA,Mill,10\n"))
    store.add(read(b"stock,coating,note\nBO90,uncoated,x\nBT80,silk,y\n"))
    return LogScan(store.snapshot())


def groups(
    scan: LogScan,
    by: Sequence[str],
    *where: str,
    names: Sequence[str] = (*NAMES, *FAULTS),
    **more: str,
) -> dict[tuple[object, ...], tuple[int, ...]]:
    """Sum the counts by run of each group."""
    found: dict[tuple[object, ...], list[int]] = {}
    for row in scan.by_run(by, parse_filters(where=where, **more)).to_pylist():
        sums = found.setdefault(tuple(row[name] for name in by), [0] * len(names))
        for place, name in enumerate(names):
            sums[place] += row[name]
    return {key: tuple(sums) for key, sums in found.items()}


def feeds(scan: LogScan, by: Sequence[str], *where: str, **more: str) -> dict[object, int]:
    found = groups(scan, by, *where, names=["feeds"], **more)
    return {key[0] if len(key) == 1 else key: sums[0] for key, sums in found.items()}


def test_feeds_count_only_for_kinds_that_were_watched(scan: LogScan) -> None:
    assert groups(scan, ["tower", "bin"]) == {
        ("A", 1): (3, 1150, 150, 1150, 150, 1, 9, 3),
        ("A", 2): (3, 150, 150, 50, 50, 3, 0, 0),
        # Faults whose bin was not noted bring no feeds of their own.
        ("A", None): (1, 0, 0, 0, 0, 4, 5, 9),
        ("B", 1): (1, 200, 200, 200, 200, 0, 1, 1),
        ("B", 2): (1, 200, 0, 0, 0, 0, 0, 0),
    }


def test_there_is_one_row_for_each_group_in_each_run(scan: LogScan) -> None:
    table = scan.by_run(["purpose"], Filters())
    assert [(r["purpose"], r["of_tower"], r["of_run"]) for r in table.to_pylist()] == [
        ("burn-in", "A", "2"),
        ("production", "A", "1"),
        ("trial", "B", "1"),
    ]
    assert [r["first"] for r in table.to_pylist()] == [
        dt.datetime(2031, 3, 31, 23, 59, 59, 500_000),
        dt.datetime(2031, 3, 14, 8),
        dt.datetime(2031, 4, 1),
    ]


def test_without_groups_it_is_every_run(scan: LogScan) -> None:
    assert groups(scan, []) == {(): (9, 1700, 500, 1400, 400, 8, 15, 13)}


def test_an_empty_log_has_no_rows(store: Store) -> None:
    scan = LogScan(store.snapshot())
    assert scan.by_run(["tower"], Filters()).num_rows == 0
    assert scan.account(Filters()) == Account(0, 0, 0, None, None)
    assert scan.own_columns() == ()


class TestGroups:
    def test_days_weeks_and_months_are_those_of_the_wall_clock(self, scan: LogScan) -> None:
        assert feeds(scan, ["day"]) == {
            "2031-03-14": 200,
            "2031-03-15": 100,
            "2031-03-31": 1000,
            "2031-04-01": 400,
        }
        assert feeds(scan, ["week"]) == {"2031-W11": 300, "2031-W14": 1400}
        assert feeds(scan, ["month"]) == {"2031-03": 1300, "2031-04": 400}

    def test_an_iso_week_belongs_to_the_year_of_its_thursday(self, store: Store) -> None:
        store.add(read(run_log("1,2030-12-30T08:00,A,1,5,0,0", "2,2033-01-02T08:00,A,1,7,0,0")))
        assert feeds(LogScan(store.snapshot()), ["week"]) == {"2031-W01": 5, "2032-W53": 7}

    def test_the_air_is_in_bands_with_their_lower_end_in(self, scan: LogScan) -> None:
        assert feeds(scan, ["humidity_band"]) == {
            "below 30": 200,
            "30-39": 100,
            "60-69": 1000,
            "70 and over": 200,
            "not logged": 200,
        }

    @pytest.mark.parametrize(
        ("reading", "band"),
        [
            ("0", "below 30"),
            ("39.99", "30-39"),
            ("40", "40-49"),
            ("59.5", "50-59"),
            ("100", "70 and over"),
        ],
    )
    def test_every_reading_has_its_band(self, store: Store, reading: str, band: str) -> None:
        store.add(
            read(run_log(LINE.format(1) + "," + reading, header=RUNS_HEADER + ",humidity_pct"))
        )
        assert feeds(LogScan(store.snapshot()), ["humidity_band"]) == {band: 4517}

    def test_columns_of_the_lists_come_by_tower_and_stock(self, scan: LogScan) -> None:
        assert feeds(scan, ["coating"]) == {"uncoated": 200, "silk": 100, None: 1400}
        assert feeds(scan, ["site"]) == {"Mill": 1300, None: 400}
        assert feeds(scan, ["site", "coating"])[("Mill", "silk")] == 100

    def test_a_shared_name_is_the_run_logs(self, scan: LogScan) -> None:
        assert feeds(scan, ["note"]) == {None: 1700}

    def test_the_sites_own_columns_can_be_named_too(self, scan: LogScan) -> None:
        assert scan.own_columns() == ("set_mood",)
        assert feeds(scan, ["set_mood"]) == {"calm": 200, "wild": 1000, None: 500}

    @pytest.mark.parametrize("name", ["o'clock", 'the "moon"', "a]b", "ünder", "a.b", "select"])
    def test_own_columns_have_any_name(self, store: Store, name: str) -> None:
        header = RUNS_HEADER + ',"' + name.replace('"', '""') + '"'
        store.add(read(run_log(LINE.format(1) + ",x", LINE.format(2) + ",", header=header)))
        scan = LogScan(store.snapshot())
        assert feeds(scan, [name]) == {"x": 4517, None: 4517}
        assert feeds(scan, ["bin"], f"{name}=x") == {1: 4517}

    def test_a_column_that_nobody_knows_is_refused_with_the_likeliest(self, scan: LogScan) -> None:
        with pytest.raises(FilterError, match="no column towr .*; did you mean tower"):
            scan.by_run(["towr"], Filters())
        with pytest.raises(FilterError, match="no column xyzzy .*; write one such as tower"):
            scan.by_run([], parse_filters(where=["xyzzy=1"]))

    def test_nothing_is_given_by_operator(self, scan: LogScan) -> None:
        for ask in (
            lambda: scan.by_run(["operator"], Filters()),
            lambda: scan.by_run([], parse_filters(where=["operator=K"])),
            lambda: scan.account(parse_filters(where=["operator=K"])),
        ):
            with pytest.raises(FilterError, match="rates are not given by operator"):
                ask()

    def test_humidity_runs_from_dry_to_damp(self, store: Store) -> None:
        header = RUNS_HEADER + ",humidity_pct"
        readings = ("75", "", "12", "55", "30")
        lines = [LINE.format(i + 1) + f",{text}" for i, text in enumerate(readings)]
        store.add(read(run_log(*lines, header=header)))
        bands = LogScan(store.snapshot()).by_run(["humidity_band"], Filters())
        assert bands["humidity_band"].to_pylist() == [
            "below 30",
            "30-39",
            "50-59",
            "70 and over",
            "not logged",
        ]

    @pytest.mark.parametrize("name", ["misses", "feeds", "rows", "of_run", "rate"])
    def test_what_is_part_of_the_answer_is_no_group(self, store: Store, name: str) -> None:
        header = RUNS_HEADER if name == "misses" else f"{RUNS_HEADER},{name}"
        store.add(read(run_log(LINE.format(1) + (",x" if name != "misses" else ""), header=header)))
        with pytest.raises(FilterError, match=f"{name} is itself a part of the answer"):
            LogScan(store.snapshot()).by_run([name], Filters())


class TestFilters:
    def test_the_same_column_twice_is_either_and_others_are_both(self, scan: LogScan) -> None:
        assert feeds(scan, ["tower", "bin"], "bin=1", "bin=?", "tower=A") == {
            ("A", 1): 1150,
            ("A", None): 0,
        }

    def test_an_empty_value_is_what_was_not_logged(self, scan: LogScan) -> None:
        assert feeds(scan, ["tower"], "stock=") == {"B": 400}
        assert feeds(scan, ["tower"], "humidity_band=") == {"B": 200}
        assert feeds(scan, ["bin"], "set_mood=", "tower=B") == {1: 200, 2: 200}
        assert feeds(scan, ["tower"], "stock=", "stock=BO90") == {"A": 200, "B": 400}

    def test_off_is_a_value_of_a_count(self, scan: LogScan) -> None:
        assert feeds(scan, ["tower", "bin"], "misses=off") == {("A", 1): 1000, ("B", 2): 200}

    @pytest.mark.parametrize(
        ("where", "total"),
        [
            ("bin=07", 0),
            ("bin=1", 1350),
            ("run=1", 700),
            ("run=01", 0),
            ("purpose=Burn-In", 1000),
            ("humidity_pct=69.90", 1000),
            ("humidity_band=30-39", 100),
            ("started=2031-03-14T08:00", 200),
            ("month=2031-04", 400),
            ("stock=free text", 1000),
            ("coating=silk", 100),
            ("site=Mill", 1300),
            ("stock=bo90", 0),
            ("bin=" + "9" * 40, 0),
        ],
    )
    def test_values_are_read_as_their_column_is(
        self, scan: LogScan, where: str, total: int
    ) -> None:
        assert sum(feeds(scan, ["tower"], where).values()) == total
        assert scan.account(parse_filters(where=[where])).feeds == total

    @pytest.mark.parametrize(
        ("where", "words"),
        [
            ("bin=seven", "bin is seven; write a number, or nothing for not logged"),
            ("humidity_pct=damp", "humidity_pct is damp; write a number"),
            ("purpose=play", "purpose is play; write one of production, burn-in, set-up, trial"),
            ("humidity_band=35", "humidity_band is 35; write one of below 30, 30-39"),
            ("started=monday", "started is monday; write it like 2031-04-03T08:05"),
        ],
    )
    def test_values_that_cannot_be_are_refused(self, scan: LogScan, where: str, words: str) -> None:
        with pytest.raises(FilterError) as found:
            scan.account(parse_filters(where=[where]))
        assert str(found.value).startswith(words)

    def test_a_value_is_never_a_piece_of_the_query(self, scan: LogScan) -> None:
        assert feeds(scan, ["tower"], "stock=' or 1=1 --") == {}

    def test_both_ends_of_a_period_are_in_it(self, scan: LogScan) -> None:
        assert feeds(scan, ["day"], since="2031-03-15", until="2031-03-31") == {
            "2031-03-15": 100,
            "2031-03-31": 1000,
        }
        assert feeds(scan, ["day"], since="2031-03-31T23:59:59.6", until="2031-04-01T00:00") == {
            "2031-04-01": 400
        }
        assert feeds(scan, ["day"], until="2031-03-31T23:58") == {
            "2031-03-14": 200,
            "2031-03-15": 100,
        }

    def test_the_account_says_rows_runs_feeds_and_the_period(self, scan: LogScan) -> None:
        assert scan.account(Filters()) == Account(
            9, 3, 1700, dt.datetime(2031, 3, 14, 8), dt.datetime(2031, 4, 1)
        )
        assert scan.account(parse_filters(where=["tower=Z"])) == Account(0, 0, 0, None, None)


class TestTheZoneOfTheMachine:
    def test_it_shifts_nothing(self, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        import time

        monkeypatch.setenv("TZ", "Pacific/Auckland")
        time.tzset()
        try:
            store.add(read(run_log("1,2031-03-14T00:30,A,1,5,0,0", "2,2031-03-14T23:30,A,1,7,0,0")))
            scan = LogScan(store.snapshot())
            assert feeds(scan, ["day"]) == {"2031-03-14": 12}
            assert scan.account(Filters()).first == dt.datetime(2031, 3, 14, 0, 30)
        finally:
            monkeypatch.undo()
            time.tzset()


def test_corrected_rows_count_once_and_past_ones_never(store: Store) -> None:
    store.add(read(run_log()))
    store.add(read(run_log("0814,2031-03-14T08:05,A,2,9000,5,0")))
    assert groups(LogScan(store.snapshot()), ["bin"], names=["feeds", "misses"]) == {
        (1,): (4517, 1),
        (2,): (9000, 5),
        (3,): (4517, 1),
    }


def test_the_lists_can_be_read_whole(scan: LogScan) -> None:
    assert [row["tower"] for row in scan.list_rows("towers")] == ["A"]
    assert [row["stock"] for row in scan.list_rows("stocks")] == ["BO90", "BT80"]
    assert scan.list_rows("services") == []
    with pytest.raises(ValueError, match="no list"):
        scan.list_rows("runs")


class TestEmptyLists:
    """A log without a stock list or a tower list counts the same as with one."""

    @pytest.mark.parametrize(
        "column", ["printed_by", "coating", "grammage_gsm", "site", "line", "suction_feet_per_bin"]
    )
    def test_their_columns_are_not_logged_and_every_feed_is_counted(
        self, store: Store, column: str
    ) -> None:
        lines = [f"{i},2031-03-14T08:05,A,1,{1000 * i},0,0" for i in range(1, 21)]
        store.add(read(run_log(*lines)))
        scan = LogScan(store.snapshot())
        counts = scan.by_run([column], Filters())
        assert counts[column].unique().to_pylist() == [None]
        assert sum(counts["feeds"].to_pylist()) == sum(1000 * i for i in range(1, 21))
        assert sum(counts["feeds_misses"].to_pylist()) == 210_000
        assert scan.account(parse_filters(where=[f"{column}="])).feeds == 210_000

    def test_nor_do_lists_that_name_other_stocks_lose_any(self, store: Store) -> None:
        store.add(
            read(run_log("1,2031-03-14T08:05,A,1,300000,0,0,BO90", header=RUNS_HEADER + ",stock"))
        )
        store.add(read(b"stock,printed_by\nXX,toner\n"))
        counts = LogScan(store.snapshot()).by_run(["stock", "printed_by"], Filters())
        assert counts.select(["stock", "printed_by", "feeds"]).to_pylist() == [
            {"stock": "BO90", "printed_by": None, "feeds": 300_000}
        ]


class TestCounts:
    def test_they_are_the_sums_of_all_runs(self, scan: LogScan) -> None:
        found = scan.counts(["tower", "bin"], Filters())
        assert found.column_names == ["tower", "bin", *NAMES, *FAULTS]
        assert [tuple(row.values()) for row in found.to_pylist()] == [
            ("A", 1, 3, 1150, 150, 1150, 150, 1, 9, 3),
            ("A", 2, 3, 150, 150, 50, 50, 3, 0, 0),
            ("A", None, 1, 0, 0, 0, 0, 4, 5, 9),
            ("B", 1, 1, 200, 200, 200, 200, 0, 1, 1),
            ("B", 2, 1, 200, 0, 0, 0, 0, 0, 0),
        ]

    def test_without_groups_they_are_one_row(self, scan: LogScan) -> None:
        (row,) = scan.counts([], Filters()).to_pylist()
        assert tuple(row.values()) == (9, 1700, 500, 1400, 400, 8, 15, 13)
        assert scan.counts([], parse_filters(where=["tower=Z"])).num_rows == 0

    def test_what_stands_for_a_moment_is_text_in_its_order(self, scan: LogScan) -> None:
        assert scan.counts(["month", "started"], Filters()).select(
            ["month", "started", "feeds"]
        ).to_pylist() == [
            {"month": "2031-03", "started": "2031-03-14T08:00:00", "feeds": 200},
            {"month": "2031-03", "started": "2031-03-15T08:00:00", "feeds": 100},
            {"month": "2031-03", "started": "2031-03-31T23:59:59", "feeds": 1000},
            {"month": "2031-04", "started": "2031-04-01T00:00:00", "feeds": 400},
        ]

    def test_a_column_named_as_the_query_names_its_own_is_no_harm(self, store: Store) -> None:
        header = RUNS_HEADER + ",key_0,cycles_,no_misses"
        store.add(
            read(run_log(LINE.format(1) + ",z,y,x", LINE.format(2) + ",a,b,c", header=header))
        )
        found = LogScan(store.snapshot()).counts(["no_misses", "key_0", "cycles_"], Filters())
        assert [tuple(row.values())[:3] for row in found.to_pylist()] == [
            ("c", "a", "b"),
            ("x", "z", "y"),
        ]

    def test_they_are_held_to_what_by_run_is(self, scan: LogScan) -> None:
        with pytest.raises(FilterError, match="rates are not given by operator"):
            scan.counts(["operator"], Filters())
        with pytest.raises(FilterError, match="feeds is itself a part of the answer"):
            scan.counts(["feeds"], Filters())


class TestValues:
    def test_each_column_has_what_was_logged_in_it(self, scan: LogScan) -> None:
        asked = ["tower", "bin", "stock", "coating", "site", "humidity_band", "set_mood", "day"]
        found = {name: set(values) for name, values in scan.values(asked).items()}
        assert found == {
            "tower": {"A", "B"},
            "bin": {"1", "2", None},
            "stock": {"BO90", "BT80", "free text", None},
            "coating": {"uncoated", "silk", None},
            "site": {"Mill", None},
            "humidity_band": {"below 30", "30-39", "60-69", "70 and over", "not logged"},
            "set_mood": {"calm", "wild", None},
            "day": {"2031-03-14", "2031-03-15", "2031-03-31", "2031-04-01"},
        }

    def test_no_value_comes_twice(self, scan: LogScan) -> None:
        assert sorted(scan.values(["purpose"])["purpose"], key=str) == [
            "burn-in",
            "production",
            "trial",
        ]

    def test_a_column_that_nobody_knows_is_refused(self, scan: LogScan) -> None:
        with pytest.raises(FilterError, match="no column towr"):
            scan.values(["towr"])


def test_the_log_as_it_stood_is_counted_without_what_came_later(store: Store) -> None:
    store.add(read(run_log()))
    store.add(read(b"tower,site\nA,Mill\n"))
    time.sleep(0.01)
    moment = dt.datetime.now(dt.UTC)
    time.sleep(0.01)
    store.add(read(run_log("0814,2031-03-14T08:05,A,2,9000,5,0", "9,2031-03-14T08:05,B,1,7,0,0")))
    store.add(read(b"tower,site\nA,Works\nB,Works\n"))
    then, now = LogScan(store.snapshot(moment)), LogScan(store.snapshot())
    assert groups(then, ["tower"], names=["feeds", "misses"]) == {("A",): (3 * 4517, 3)}
    assert groups(now, ["tower"], names=["feeds", "misses"]) == {
        ("A",): (2 * 4517 + 9000, 7),
        ("B",): (7, 0),
    }
    assert [row["site"] for row in then.list_rows("towers")] == ["Mill"]
    assert [row["site"] for row in now.list_rows("towers")] == ["Works", "Works"]
    assert (then.account(Filters()).rows, now.account(Filters()).rows) == (3, 4)
    assert then.values(["site", "tower"]) == {"site": ["Mill"], "tower": ["A"]}
    assert then.version != now.version and (then.intake, now.intake) == (2, None)


def test_before_the_first_intake_the_log_is_empty(store: Store) -> None:
    store.add(read(run_log()))
    scan = LogScan(store.snapshot(dt.datetime(2001, 1, 1, tzinfo=dt.UTC)))
    assert scan.account(Filters()) == Account(0, 0, 0, None, None)
    assert scan.counts(["tower"], Filters()).num_rows == 0


EVENT_LOG = run_log(
    # Stops of a stretch stand on any line of it: of another bin, another stock.
    "1,1,2031-03-14T08:00,A,1,100,0,0,production,BO90,5,,2,3,1,0",
    "1,1,2031-03-14T08:00,A,2,100,0,0,production,LU60,,1,,,0,",
    "1,2,2031-03-14T09:00,A,1,40,0,0,production,BO90,,,,,,2",
    # Given on both lines, it is once for the stretch; the larger is taken.
    "2,1,2031-04-01T08:00,A,1,70,0,0,set-up,BO90,3,,,,,",
    "2,1,2031-04-01T08:00,A,2,60,0,0,set-up,BO90,4,,,,,",
    "1,1,2031-03-14T08:00,B,1,500,0,0,production,LU60,0,0,0,0,0,0",
    header="run,stretch,started,tower,bin,cycles,misses,doubles,purpose,stock,stops,jams,"
    "sets_spoiled,sets_mended,found_later,false_calls",
)


class InShares:
    """An engine that asks tower by tower, as the workers of a cluster do, in this process."""

    def __init__(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot

    def ask(self, query: Query) -> pa.Table:
        parts = []
        for tower in ("A", "B"):
            with self.snapshot.connect((tower,)) as share:
                found = share.sql(query.share, params=list(query.values))
                parts.append(found.to_arrow_table())
        with empty_snapshot().connect() as connection:
            connection.register("parts", pa.concat_tables(parts))
            return connection.sql(query.whole).to_arrow_table()


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> Snapshot:
    folder = tmp_path_factory.mktemp("events") / "store"
    store = Store(Path(shutil.copytree(empty_store, folder)))
    store.add(read(EVENT_LOG))
    return store.snapshot()


@pytest.fixture(scope="module")
def events(snapshot: Snapshot) -> LogScan:
    return LogScan(snapshot)


class TestEvents:
    def found(self, scan: LogScan, name: str, *by: str, **more: str) -> dict[object, object]:
        table = scan.events(by, parse_filters(**more)).to_pylist()  # type: ignore[arg-type]
        return {
            tuple(row[key] for key in by) if len(by) > 1 else row[by[0]]: tuple(
                row[f"{name}{end}"] for end in ("", "_runs", "_feeds")
            )
            for row in table
        }

    def test_an_empty_cell_is_not_logged_and_a_nought_is(self, events: LogScan) -> None:
        assert self.found(events, "stops", "tower") == {"A": (9, 2, 330), "B": (0, 1, 500)}
        # Only the first stretch of tower A says what became of its sets: 200 of 370 feeds.
        assert self.found(events, "sets_mended", "tower") == {"A": (3, 1, 200), "B": (0, 1, 500)}
        assert self.found(events, "refills", "tower") == {"A": (0, 0, 0), "B": (0, 0, 0)}

    def test_what_is_of_one_bin_is_of_its_line_alone(self, events: LogScan) -> None:
        assert self.found(events, "found_later", "tower", "bin") == {
            ("A", 1): (1, 1, 100),
            ("A", 2): (0, 1, 100),
            ("B", 1): (0, 1, 500),
        }
        assert self.found(events, "false_calls", "stock") == {
            "BO90": (2, 1, 140),
            "LU60": (0, 1, 500),
        }

    def test_what_is_of_a_stretch_holds_for_every_group_in_it(self, events: LogScan) -> None:
        assert self.found(events, "stops", "tower", "stock") == {
            ("A", "BO90"): (9, 2, 230),
            ("A", "LU60"): (5, 1, 100),
            ("B", "LU60"): (0, 1, 500),
        }
        assert self.found(events, "jams", "bin") == {1: (1, 2, 600), 2: (1, 1, 100)}

    def test_by_purpose_and_month_they_add_up(self, events: LogScan) -> None:
        assert self.found(events, "stops", "purpose") == {
            "production": (5, 2, 700),
            "set-up": (4, 1, 130),
        }
        assert self.found(events, "stops", "month", until="2031-03-31") == {"2031-03": (5, 2, 700)}

    def test_sets_are_cycles_of_the_tower_by_day(self, events: LogScan) -> None:
        def sets(*by: str) -> list[tuple[object, ...]]:
            table = events.sets(by, Filters()).to_pylist()
            return [(*(row[name] for name in by), row["of_day"].day, row["sets"]) for row in table]

        # Two bins that ran 100 cycles together made 100 sets, and 40 more followed.
        assert sets("tower") == [("A", 14, 140), ("A", 1, 70), ("B", 14, 500)]
        assert sets("stock") == [
            ("BO90", 14, 140),
            ("BO90", 1, 70),
            ("LU60", 14, 100),
            ("LU60", 14, 500),
        ]
        assert sum(one[-1] for one in sets()) == 710

    @pytest.mark.parametrize("by", [(), ("tower",), ("stock", "bin"), ("month",)], ids=str)
    def test_in_shares_they_are_the_same(
        self, snapshot: Snapshot, events: LogScan, by: tuple[str, ...]
    ) -> None:
        there = LogScan(snapshot, InShares(snapshot))
        for filters in (Filters(), parse_filters(where=["purpose=production", "bin=1"])):
            assert there.events(by, filters).equals(events.events(by, filters))
            assert there.sets(by, filters).equals(events.sets(by, filters))
        assert there.events(by, Filters()).num_rows > 0

    def test_what_is_part_of_the_answer_is_no_group(self, events: LogScan) -> None:
        with pytest.raises(FilterError, match="stops is itself a part of the answer"):
            events.events(("stops",), Filters())
        with pytest.raises(FilterError, match="no column colour"):
            events.sets(("colour",), Filters())
