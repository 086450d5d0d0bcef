"""Months that are kept cost nothing the next time, and change no answer."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from analysis import answers, kept_months, monitor
from analysis.counts import LogScan
from analysis.drift import Drift
from analysis.engine import Query
from analysis.filters import Filters, parse_filters
from analysis.kept_months import DayOfLog, KeptMonths
from analysis.learnt import Learnt
from analysis.monitor import months, watch
from analysis.service_log import Service
from analysis.snapshot import Snapshot
from analysis.store import Store
from analysis.stream_months import Month
from tests.analysis.test_monitor import at, bin_two, ends, fitted, made, same, scan_of
from tests.conftest import read, run_log
from tests.test_imports import siblings

#: Two whole months that are watched, and some days of a third.
DAYS = 245
STOCKS = [{"stock": "S1", "coating": "uncoated"}, {"stock": "S9", "coating": "coated"}]
SERVICES = [fitted(-1), fitted(190, 1), fitted(225, 1)]


@pytest.fixture(scope="module")
def table() -> pa.Table:
    return made(61, days=DAYS, bins=2, ratio=bin_two(195))


def days_of(table: pa.Table) -> dict[dt.date, DayOfLog]:
    """Say what each day's rows are, by their text."""
    rows: dict[dt.date, list[str]] = {}
    for row in table.to_pylist():
        rows.setdefault(row["first"].date(), []).append(repr(sorted(row.items(), key=str)))
    return {
        day: DayOfLog(hashlib.sha256("".join(sorted(some)).encode()).hexdigest(), ("S1",))
        for day, some in rows.items()
    }


class Asked:
    """Watches a log, and notes which parts of it were counted."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.parts: list[dt.datetime] = []
        self.keeper: KeptMonths | None = None

    def keeper_of(
        self,
        table: pa.Table,
        services: Sequence[Service] = SERVICES,
        stocks: Sequence[dict[str, object]] = STOCKS,
        asked: Sequence[str] = ("production", "1.0"),
    ) -> KeptMonths:
        assert self.folder is not None
        bounds = months(*ends(table))
        return KeptMonths(self.folder, bounds, days_of(table), stocks, services, asked)

    def watch(
        self, table: pa.Table, services: Sequence[Service] = SERVICES, **given: object
    ) -> tuple[list[Month], Learnt]:
        counted = scan_of(table)
        self.parts.clear()

        def noted(since: dt.datetime, until: dt.datetime) -> pa.Table:
            self.parts.append(since)
            return counted(since, until)

        if self.folder is not None:
            self.keeper = self.keeper_of(table, services, **given)  # type: ignore[arg-type]
        return watch(noted, *ends(table), STOCKS, (), services, kept=self.keeper)


def alike(one: tuple[list[Month], Learnt], other: tuple[list[Month], Learnt]) -> bool:
    """Tell whether two answers are the same to the last bit.

    What was kept of a reference does not say how sure it is, and need not: that is in what was
    learnt already.
    """
    learnt, known = (replace(two[1], references=()) for two in (one, other))
    return same(one[0], other[0]) and same(learnt, known)


@pytest.fixture(scope="module")
def cold(table: pa.Table) -> tuple[list[Month], Learnt]:
    return Asked(None).watch(table)


@pytest.fixture(scope="module")
def kept_once(table: pa.Table, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with all that was kept of that log; copy it before changing it."""
    folder: Path = tmp_path_factory.mktemp("kept") / "drift"
    Asked(folder).watch(table)
    return folder


@pytest.fixture
def folder(kept_once: Path, tmp_path: Path) -> Path:
    there = tmp_path / "drift"
    there.mkdir()
    for file in kept_once.iterdir():
        (there / file.name).write_bytes(file.read_bytes())
    return there


def test_the_first_answer_is_that_without_a_folder(table, cold, tmp_path):
    assert alike(Asked(tmp_path / "kept" / "drift").watch(table), cold)


def test_the_same_log_again_is_not_counted_at_all(table, cold, folder):
    asked = Asked(folder)
    assert alike(asked.watch(table), cold)
    assert asked.parts == []


def test_what_is_expected_is_the_same_by_a_reference_that_was_kept(table, cold, folder):
    _, learnt = Asked(folder).watch(table)
    for one, other in zip(learnt.references, cold[1].references, strict=True):
        assert (one is None) == (other is None)
        if one is not None and other is not None:
            assert same(one.explained(table), other.explained(table))
            assert (one.strengths, one.between_bins) == (other.strengths, other.between_bins)


def test_one_more_day_costs_the_last_month(table, folder):
    more = made(61, days=DAYS + 1, bins=2, ratio=bin_two(195))
    more = pa.concat_tables([table, more.slice(table.num_rows)])
    asked = Asked(folder)
    found = asked.watch(more)
    assert asked.parts == [dt.datetime(2031, 9, 6)]
    assert alike(found, Asked(None).watch(more))


def test_a_first_day_of_a_new_month_is_as_if_nothing_had_been_kept(table, tmp_path, monkeypatch):
    # Of a large log strengths are those of the month before, kept or not.
    monkeypatch.setattr(monitor, "_ROWS_TO_LEARN", 0)
    started = table["first"].to_numpy().astype("datetime64[us]")
    before = table.filter(pa.array(started < np.datetime64("2031-09-06")))
    asked = Asked(tmp_path / "drift")
    asked.watch(before)
    assert alike(asked.watch(table), Asked(None).watch(table))


def changed(table: pa.Table, day: int) -> pa.Table:
    """Return the log with five more misses in the first row of a day."""
    place = table.column_names.index("misses")
    misses = table["misses"].to_numpy().copy()
    first = np.flatnonzero(table["first"].to_numpy() >= np.datetime64(at(day)))[0]
    misses[first] += 5
    return table.set_column(place, "misses", pa.array(misses))


@pytest.mark.parametrize(("day", "still"), [(10, 0), (200, 1), (215, 2), (DAYS - 1, 3)])
def test_a_corrected_row_makes_its_month_and_later_ones_be_worked_out_again(
    table, folder, day, still
):
    other = changed(table, day)
    keeper = Asked(folder).keeper_of(other)
    assert [keeper.month(number) is not None for number in range(4)] == [
        n < still for n in range(4)
    ]
    if day == 200:
        asked = Asked(folder)
        assert alike(asked.watch(other), Asked(None).watch(other))
        assert dt.datetime(2031, 7, 6) in asked.parts


@pytest.mark.parametrize(
    ("services", "still"),
    [
        (SERVICES, 4),
        (SERVICES[::-1], 4),
        (SERVICES[1:], 0),
        ([*SERVICES, fitted(230, 2)], 2),
        ([*SERVICES, fitted(244.9, 2)], 3),
        ([SERVICES[0], fitted(190, 1, action="inspected"), SERVICES[2]], 1),
        ([SERVICES[0], fitted(190, 2), SERVICES[2]], 1),
        ([SERVICES[0], fitted(190.01, 1), SERVICES[2]], 1),
        ([*SERVICES, fitted(300, 2)], 4),
    ],
)
def test_so_does_a_service_that_comes_goes_or_changes(table, folder, services, still):
    keeper = Asked(folder).keeper_of(table, services)
    assert [keeper.month(number) is not None for number in range(4)] == [
        n < still for n in range(4)
    ]


def test_so_does_a_stock_that_was_run(table, folder):
    other = [{"stock": "S1", "coating": "coated"}, STOCKS[1]]
    keeper = Asked(folder).keeper_of(table, stocks=other)
    assert keeper.month(0) is None and keeper.month(3) is None
    # Not one that was never run, nor the order of the list.
    for same_ in (STOCKS[:1], STOCKS[::-1], [STOCKS[0], {"stock": "S9", "coating": "uncoated"}]):
        assert Asked(folder).keeper_of(table, stocks=same_).month(3) is not None


@pytest.mark.parametrize("asked", [("production", "2.0"), ("burn-in", "1.0"), ("production",)])
def test_another_budget_or_purpose_finds_nothing(table, folder, asked):
    keeper = Asked(folder).keeper_of(table, asked=asked)
    assert not any(keeper.month(number) or keeper.learnt(number) for number in range(4))


def test_another_version_finds_nothing(table, folder, monkeypatch):
    assert Asked(folder).keeper_of(table).month(0) is not None
    monkeypatch.setattr(kept_months, "_program", lambda: "other code")
    assert Asked(folder).keeper_of(table).month(0) is None


#: Modules below the monitor of which no month depends: they name what is asked and logged, whose
#: rows are in the names of files by their fingerprints, or say numbers in words.
NOT_OF_MONTHS = {"ages", "filters", "log_format", "words"}


def test_files_are_named_by_all_the_code_that_makes_months():
    folder = Path(kept_months.__file__).parent
    below, todo = set(), {"monitor"}
    while todo:
        below |= todo
        todo = {found for name in todo for found in siblings(folder / f"{name}.py")} - below
    named = {module.__name__.removeprefix("analysis.") for module in kept_months._WORKED_WITH}
    assert named - {"kept_months"} == below - NOT_OF_MONTHS
    assert below >= NOT_OF_MONTHS


# Whatever became of the folder, the answer is the same.


def truncated(raw: bytes) -> bytes:
    return raw[: len(raw) // 2]


def of_another_shape(shape: object) -> Callable[[bytes], bytes]:
    def write(raw: bytes) -> bytes:
        import io

        file = io.BytesIO()
        np.savez_compressed(file, np.frombuffer(json.dumps(shape).encode(), dtype=np.uint8))
        return file.getvalue()

    return write


SHAPES = (
    *([], 5, None, "Month", {}, {"m": 5}, {"t": 5}, {"t": "soon"}, {"f": "many"}),
    *({"a": 99, "of": "int64"}, {"a": 0, "of": 7}, {"a": "x", "of": "int64"}, {"l": 3}),
    *(
        {"c": "Month", "v": {}},
        {"c": "Month", "v": []},
        {"c": "Nobody", "v": {}},
        {"c": [], "v": {}},
    ),
    {"c": "Service", "v": {}},
)


@pytest.mark.parametrize(
    "damage",
    [truncated, lambda raw: b"", lambda raw: b"no such file\n", lambda raw: raw + b"more"],
    ids=["truncated", "empty", "text", "longer"],
)
def test_a_damaged_file_costs_time_and_nothing_else(table, cold, folder, damage):
    for file in folder.iterdir():
        file.write_bytes(damage(file.read_bytes()))
    if damage is truncated:
        assert alike(Asked(folder).watch(table), cold)
        return
    # What is not read is worked out, as above.
    keeper = Asked(folder).keeper_of(table)
    for number, month in enumerate(cold[0]):
        assert (found := keeper.month(number)) is None or same(found, month)
    learnt = keeper.learnt(3)
    assert learnt is None or same(replace(learnt, references=()), replace(cold[1], references=()))


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_a_file_that_holds_something_else_is_none(table, folder, shape):
    for file in folder.iterdir():
        file.write_bytes(of_another_shape(shape)(b""))
    keeper = Asked(folder).keeper_of(table)
    assert keeper.month(0) is None and keeper.learnt(3) is None


def test_a_month_is_not_taken_for_what_was_learnt(table, folder):
    asked = Asked(folder).keeper_of(table)
    sizes = {file.name: file.read_bytes() for file in folder.iterdir()}
    for name in sizes:
        for other in sizes:
            (folder / name).write_bytes(sizes[other])
            for found, kind in ((asked.month(0), Month), (asked.learnt(3), Learnt)):
                assert found is None or isinstance(found, kind)
        (folder / name).write_bytes(sizes[name])


def test_a_file_with_a_wrong_byte_is_as_it_was_or_none(table, cold, folder):
    # Bytes of no meaning, such as a date of the archive, may change.
    keeper = Asked(folder).keeper_of(table)
    name = f"{keeper._month_keys[2]}.npz"
    raw = (folder / name).read_bytes()
    rng = np.random.default_rng(7)
    held = 0
    for place in rng.integers(len(raw), size=400):
        wrong = bytearray(raw)
        wrong[place] ^= int(rng.integers(1, 256))
        (folder / name).write_bytes(bytes(wrong))
        found = keeper.month(2)
        assert found is None or same(found, cold[0][2])
        held += found is None
    assert held > 200


def test_a_damaged_file_is_put_right(table, folder):
    whole = {file.name: file.read_bytes() for file in folder.iterdir()}
    for name in whole:
        (folder / name).write_bytes(b"")
    asked = Asked(folder)
    asked.watch(table)
    asked.watch(table)
    assert asked.parts == []


def test_a_deleted_folder_is_made_again(table, cold, folder):
    for file in folder.iterdir():
        file.unlink()
    folder.rmdir()
    asked = Asked(folder)
    assert alike(asked.watch(table), cold) and asked.parts
    assert alike(asked.watch(table), cold) and not asked.parts


def test_some_deleted_files_are_worked_out_again(table, cold, folder):
    keeper = Asked(folder).keeper_of(table)
    for key in (keeper._month_keys[1], keeper._learnt_keys[3]):
        (folder / f"{key}.npz").unlink()
    assert alike(Asked(folder).watch(table), cold)


def test_where_nothing_can_be_written_the_answer_is_the_same(table, cold, tmp_path):
    (tmp_path / "drift").write_text("in the way")
    asked = Asked(tmp_path / "drift")
    assert alike(asked.watch(table), cold)
    assert asked.keeper is not None
    asked.keeper.tidy()


def test_in_a_folder_that_may_only_be_read_too(table, cold, folder, monkeypatch):
    more = changed(table, 200)
    real = Path.open

    def refused(path: Path, mode: str = "r", *given: object, **other: object) -> object:
        if folder in path.parents and "r" not in mode:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, mode, *given, **other)  # type: ignore[call-overload]

    # Whoever may write everywhere is refused by no folder, so the refusal is made.
    monkeypatch.setattr(Path, "open", refused)
    before = sorted(folder.iterdir())
    assert alike(Asked(folder).watch(more), Asked(None).watch(more))
    assert alike(Asked(folder).watch(table), cold)
    assert sorted(folder.iterdir()) == before


def test_a_full_disk_costs_time_and_leaves_nothing(table, cold, tmp_path, monkeypatch):
    def full(file: object, *arrays: object) -> None:
        file.write(b"PK")  # type: ignore[attr-defined]
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(np, "savez_compressed", full)
    asked = Asked(tmp_path / "drift")
    assert alike(asked.watch(table), cold)
    assert asked.keeper is not None
    asked.keeper.tidy()
    assert list((tmp_path / "drift").iterdir()) == []


# What files hold.


def test_nothing_in_a_file_is_run_when_it_is_read(folder):
    for file in folder.iterdir():
        with np.load(file, allow_pickle=False) as held:
            assert all(held[name].dtype.kind in "bifuM" for name in held.files)
            assert json.loads(held["arr_0"].tobytes())


def test_a_file_with_code_in_it_is_none(table, folder, tmp_path):
    class Harmful:
        def __reduce__(self):
            return (Path.touch, (tmp_path / "touched",))

    keeper = Asked(folder).keeper_of(table)
    text = np.frombuffer(b'{"a": 0, "of": "object"}', dtype=np.uint8)
    for file in folder.iterdir():
        with file.open("wb") as out:
            np.savez(out, text, np.array([Harmful()], dtype=object))
    assert keeper.month(0) is None
    for file in folder.iterdir():
        with file.open("wb") as out:
            np.save(out, np.array([Harmful()], dtype=object), allow_pickle=True)
    assert keeper.month(0) is None and not (tmp_path / "touched").exists()


@pytest.mark.parametrize(
    "value", [1.5, float("inf"), 1e-300, 0.1 + 0.2, np.float64(0.1), np.float64(3)], ids=repr
)
def test_a_number_comes_back_to_the_last_bit(table, cold, tmp_path, value):
    keeper = Asked(tmp_path / "drift").keeper_of(table)
    month = cold[0][1]
    place = ("A", 1), "misses"
    states = dict(month.states) | {place: replace(month.states[place], lift=value)}
    keeper.keep(1, replace(month, states=states), cold[1])
    found = keeper.month(1)
    assert found is not None and found.states[place].lift == float(value)


def test_tidying_leaves_what_the_last_answer_rests_on(table, folder):
    before = {file.name for file in folder.iterdir()}
    # Four months, and what was learnt before the last of them.
    assert len(before) == 5
    (folder / "notes.txt").write_text("somebody's own")
    other = changed(table, 215)
    asked = Asked(folder)
    asked.watch(other)
    assert len(list(folder.glob("*.npz"))) > 5
    assert asked.keeper is not None
    asked.keeper.tidy()
    left = {file.name for file in folder.glob("*.npz")}
    assert len(left) == 5 and len(left & before) == 2
    assert (folder / "notes.txt").exists()
    asked.watch(other)
    assert asked.parts == []


def test_tidying_takes_away_what_a_killed_process_left(table, folder):
    kept = next(folder.glob("*.npz"))
    kept.with_suffix(".99999.part").write_bytes(b"PK")
    Asked(folder).keeper_of(table).tidy()
    assert not list(folder.glob("*.part")) and kept.exists()


# As it is asked of a store.

HEAD = "run,started,tower,bin,cycles,misses,doubles,purpose,stock"
STORED_DAYS = 215


def stored_lines(days: int = STORED_DAYS) -> list[str]:
    drawn = np.random.default_rng(3).poisson(0.5, (STORED_DAYS + 5, 2))
    return [
        f"{day:03},{(at(day) + dt.timedelta(hours=8)).isoformat(timespec='minutes')},"
        f"A,{number + 1},4000,{drawn[day, number]},0,production,S1"
        for day in range(days)
        for number in (0, 1)
    ]


@pytest.fixture
def log(store: Store) -> Store:
    store.add(read(run_log(*stored_lines(), header=HEAD)))
    return store


def asked_of(
    store: Store, kept: Path | None, monkeypatch: pytest.MonkeyPatch, **other: object
) -> tuple[Drift, list[dt.datetime]]:
    """Ask a store who is getting worse; say also from when on rows were counted for it."""
    scan = LogScan(store.snapshot())
    real, parts = scan.by_run, []

    def by_run(by: Sequence[str], filters: Filters) -> pa.Table:
        # Beside the rows themselves it is asked when their runs began.
        if by:
            parts.append(filters.since)
        return real(by, filters)

    monkeypatch.setattr(scan, "by_run", by_run)
    filters = other.pop("filters", Filters())
    found = answers.drift(scan, filters, kept=kept, **other)  # type: ignore[arg-type]
    return found, [part for part in parts if part is not None]


def test_a_store_is_asked_twice_and_counted_once(log, tmp_path, monkeypatch):
    first, parts = asked_of(log, tmp_path, monkeypatch)
    assert parts == [at(0), at(181), dt.datetime(2031, 8, 6)]
    again, parts = asked_of(log, tmp_path, monkeypatch)
    assert same(again, first) and parts == []
    assert len(list((tmp_path / "drift").glob("*.npz"))) == 4
    # One more day.
    log.add(read(run_log(*stored_lines(STORED_DAYS + 1)[-2:], header=HEAD)))
    later, parts = asked_of(log, tmp_path, monkeypatch)
    assert parts == [dt.datetime(2031, 8, 6)]
    assert same(later, asked_of(log, None, monkeypatch)[0])
    assert len(list((tmp_path / "drift").glob("*.npz"))) == 4


def test_a_correction_a_service_and_a_stock_are_seen_in_a_store(log, tmp_path, monkeypatch):
    asked_of(log, tmp_path, monkeypatch)
    stock = "stock,coating\nS1,coated\n"
    service = "when,tower,bin,part,action\n2031-07-20T05:40,A,1,brush,fitted\n"
    corrected = run_log("190,2031-07-15T08:00,A,1,4000,9,0,production,S1", header=HEAD)
    for more, since in ((corrected, at(181)), (service.encode(), at(181)), (stock.encode(), at(0))):
        log.add(read(more))
        found, parts = asked_of(log, tmp_path, monkeypatch)
        assert since in parts
        assert same(found, asked_of(log, None, monkeypatch)[0])
    stream = found.stream("A", 1, "misses")
    assert stream is not None and stream.since == dt.datetime(2031, 7, 20, 5, 40)


def test_a_part_of_a_log_and_a_log_as_it_stood_are_not_kept(log, tmp_path, monkeypatch):
    until = parse_filters(until="2031-08-01")
    asked_of(log, tmp_path, monkeypatch, filters=until)
    assert not (tmp_path / "drift").exists()


def test_another_budget_is_not_answered_by_what_was_kept(log, tmp_path, monkeypatch):
    one, _ = asked_of(log, tmp_path, monkeypatch)
    other, parts = asked_of(log, tmp_path, monkeypatch, budget=3.0)
    assert parts and other.budget == 3.0
    thresholds = [
        (there.threshold, stream.threshold)
        for stream in one.monitored
        if (there := other.stream(stream.tower, stream.bin, stream.kind)) is not None
        and np.isfinite([there.threshold, stream.threshold]).all()
    ]
    assert thresholds and all(lower < higher for lower, higher in thresholds)


# What a day's rows are, in short.


def days(store: Store, **where: object) -> dict[dt.date, tuple[str, tuple[str, ...]]]:
    return LogScan(store.snapshot()).days(parse_filters(**where))  # type: ignore[arg-type]


def test_days_say_what_was_run(store):
    lines = (
        "1,2031-03-14T08:05,A,1,100,0,0,production,S2",
        "1,2031-03-14T08:05,A,2,100,0,0,production,S1",
        "2,2031-03-14T18:05,A,1,100,0,0,production,S1",
        "3,2031-03-16T23:59,B,1,100,0,0,set-up,",
    )
    store.add(read(run_log(*lines, header=HEAD)))
    found = days(store)
    assert {day.day: stocks for day, (_, stocks) in found.items()} == {14: ("S1", "S2"), 16: ()}
    assert set(days(store, where=["purpose=production"])) == {dt.date(2031, 3, 14)}


def test_a_day_changes_with_a_row_and_no_other_day_does(store):
    lines = [
        f"{run},2031-03-{day}T08:05,A,{number},100,0,0,production,S1"
        for run, day in ((1, 14), (2, 15))
        for number in (1, 2)
    ]
    store.add(read(run_log(*lines, header=HEAD)))
    first, second = dt.date(2031, 3, 14), dt.date(2031, 3, 15)
    begun = days(store)
    assert days(store) == begun
    seen = [begun[first]]
    corrections = (
        *("1,2031-03-14T08:05,A,2,100,1,0,production,S1",),
        *("1,2031-03-14T08:05,A,2,101,0,0,production,S1",),
        *("1,2031-03-14T08:05,A,2,100,0,off,production,S1",),
        *("1,2031-03-14T08:05,A,2,100,0,0,production,S2",),
    )
    for line in corrections:
        account = store.add(read(run_log(line, header=HEAD)))
        found = days(store)
        assert found[first] not in seen and found[second] == begun[second]
        seen.append(found[first])
    # Taken back, it is as it was before; a line that is known already changes nothing.
    store.undo(account.intake)
    assert days(store)[first] == seen[-2]
    store.add(read(run_log(lines[2], header=HEAD)))
    assert days(store)[first] == seen[-2] and days(store)[second] == begun[second]


def test_rows_that_change_places_change_the_day(store):
    one, other = (
        [
            f"1,2031-03-14T08:05,A,{n},100,{m},0,production,S1"
            for n, m in zip((1, 2), misses, strict=True)
        ]
        for misses in ((0, 3), (3, 0))
    )
    store.add(read(run_log(*one, header=HEAD)))
    before = days(store)
    store.add(read(run_log(*other, header=HEAD)))
    assert days(store) != before


class InShares:
    """Runs the first step of a query on each tower by itself, as the workers of a cluster do."""

    def __init__(self, snapshot: Snapshot, towers: Sequence[str]) -> None:
        self._snapshot, self._towers = snapshot, towers

    def ask(self, query: Query) -> pa.Table:
        parts = []
        for tower in self._towers:
            with self._snapshot.connect([tower]) as connection:
                values = list(query.values)
                parts.append(connection.sql(query.share, params=values).to_arrow_table())
        with self._snapshot.connect() as connection:
            connection.register("parts", pa.concat_tables(parts))
            return connection.sql(query.whole).to_arrow_table()


def test_days_are_the_same_however_a_log_is_shared_out(sample_store):
    snapshot = Store(sample_store).snapshot()
    for filters in (Filters(), parse_filters(where=["purpose=production"], since="2031-05-05")):
        found = LogScan(snapshot).days(filters)
        assert len(found) > 150
        assert LogScan(snapshot, InShares(snapshot, "ABC")).days(filters) == found
