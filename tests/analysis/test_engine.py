"""The same scan in this process and on the workers of a cluster: not a count differs."""

from __future__ import annotations

import builtins
import datetime as dt
import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import dask
import pytest
from distributed import Client

from analysis import engine
from analysis.counts import LogScan
from analysis.engine import EngineError, OnDask, Query, shares
from analysis.filters import Filters, parse_filters
from analysis.snapshot import DamagedStoreError, Snapshot
from analysis.store import Store
from dashboard.commands import main
from tests.conftest import read, run_log

FILTERS = {
    "all": Filters(),
    "a period": parse_filters(since="2031-03-01", until="2031-06-30"),
    "one tower": parse_filters(where=["tower=B"]),
    "stocks and a setting": parse_filters(where=["stock=BO90", "stock=LU60", "set_vacuum=5"]),
    "dry air": parse_filters(where=["humidity_band=30-39"]),
    "a list's column": parse_filters(where=["printed_by=toner", "purpose=production"]),
    "nothing": parse_filters(where=["tower=Z"]),
}
GROUPS = (
    (),
    ("tower", "bin"),
    ("month", "stock"),
    ("week",),
    ("started", "humidity_band"),
    ("printed_by", "site"),
    ("set_vacuum", "lot"),
)
#: All groups of the whole log, and one with each other filter.
ASKED = {name: GROUPS if name == "all" else [GROUPS[place]] for place, name in enumerate(FILTERS)}


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    """Start workers as a command does that is told of no cluster; two, on whatever machine."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "cpu_count", lambda: 2)
        with engine._cluster() as client:
            yield client


def both(folder: Path, client: Client, **options: dt.datetime) -> tuple[LogScan, LogScan]:
    snapshot = Store(folder).snapshot(**options)
    return LogScan(snapshot), LogScan(snapshot, OnDask(snapshot, client))


@pytest.mark.parametrize("name", FILTERS)
def test_every_question_has_the_same_answer(sample_store: Path, client: Client, name: str) -> None:
    here, there = both(sample_store, client)
    filters = FILTERS[name]
    for by in ASKED[name]:
        assert there.by_run(by, filters).equals(here.by_run(by, filters)), by
        assert there.counts(by, filters).equals(here.counts(by, filters)), by
    others = (
        lambda scan: scan.account(filters),
        lambda scan: scan.logged_settings(filters),
        lambda scan: scan.setting_moves(filters),
        lambda scan: scan.filled_columns("runs", filters),
    )
    # Each comes with the whole log, and one or two times with a part of it: filters are put into a
    # question by the same lines, whichever it is.
    place = list(FILTERS).index(name)
    for other in others if name == "all" else [others[place % len(others)]]:
        assert other(there) == other(here)


def test_so_has_what_is_asked_of_the_whole_log(sample_store: Path, client: Client) -> None:
    here, there = both(sample_store, client)
    assert here.account(Filters()).runs > 0 and here.setting_moves(Filters())
    assert there.own_columns() == here.own_columns()
    for kind in ("stocks", "towers", "services"):
        assert there.list_rows(kind) == here.list_rows(kind) != []
        assert there.filled_columns(kind, Filters()) == here.filled_columns(kind, Filters())
    columns = ["tower", "bin", "coating", "site", "humidity_band", "month", "set_vacuum"]
    values, others = here.values(columns), there.values(columns)
    assert list(values) == list(others) == columns
    for column in columns:
        assert sorted(map(str, values[column])) == sorted(map(str, others[column]))
        assert len(values[column]) > 1 or column == "site"
    assert there.version == here.version


def test_days_have_the_same_fingerprints(sample_store: Path, client: Client) -> None:
    here, there = both(sample_store, client)
    days = here.days(Filters())
    assert days == there.days(Filters())
    assert len(days) > 250 and all(stocks for _, stocks in days.values())


def test_a_log_that_grew_is_as_it_stood(store: Store, client: Client) -> None:
    head = "run,started,tower,bin,cycles,misses,doubles,mood"
    store.add(read(run_log("1,2031-03-14T08:05,A,1-2,100,0,0,fine", header=head)))
    time.sleep(0.01)
    moment = dt.datetime.now(dt.UTC)
    time.sleep(0.01)
    store.add(
        read(
            run_log(
                "1,2031-03-14T08:05,A,2,90,7,0,fine", "2,2031-03-14T09:05,B,?,,1,off,", header=head
            )
        )
    )
    for options, feeds in (({"as_of": moment}, {"A": 200}), ({}, {"A": 190, "B": 0})):
        here, there = both(store.folder, client, **options)
        for scan in (here, there):
            counts = scan.counts(("tower",), Filters())
            pairs = counts.select(["tower", "feeds"]).to_pylist()
            assert {pair["tower"]: pair["feeds"] for pair in pairs} == feeds
        assert there.by_run(("bin", "mood"), Filters()).equals(
            here.by_run(("bin", "mood"), Filters())
        )


def test_a_log_of_one_tower_is_one_share(store: Store, client: Client) -> None:
    store.add(read(run_log()))
    here, there = both(store.folder, client)
    assert there._engine._shares == [("A",)]  # type: ignore[attr-defined]
    assert there.by_run(("bin",), Filters()).equals(here.by_run(("bin",), Filters()))


def test_an_empty_log_is_empty_everywhere(store: Store, client: Client) -> None:
    here, there = both(store.folder, client)
    for scan in (here, there):
        assert scan.counts((), Filters()).num_rows == 0
        assert scan.by_run(("tower",), Filters()).num_rows == 0
        assert (scan.account(Filters()).rows, scan.account(Filters()).first) == (0, None)
        assert scan.own_columns() == () and scan.values(["tower"]) == {"tower": []}


class TestShares:
    def test_no_tower_is_left_out_or_dealt_twice(self) -> None:
        rows = {f"T{n}": n * n for n in range(1, 20)}
        dealt = shares(rows, 4)
        assert sorted(t for towers in dealt for t in towers) == sorted(rows)
        sizes = [sum(rows[t] for t in towers) for towers in dealt]
        assert max(sizes) <= 4 / 3 * sum(sizes) / 4

    def test_there_are_no_more_of_them_than_towers(self) -> None:
        assert shares({"A": 5}, 8) == [("A",)]
        assert shares({}, 8) == [()]


def test_a_file_that_a_worker_cannot_read_is_said(
    store: Store, client: Client, tmp_path: Path
) -> None:
    store.add(read(run_log()))
    scan = OnDask(store.snapshot(), client)
    (tmp_path / "store").rename(tmp_path / "elsewhere")
    with pytest.raises(DamagedStoreError, match="let every worker .* see its folder"):
        scan.ask(Query("select * from runs", "from parts"))


def test_the_workers_listen_on_this_machine_only(client: Client) -> None:
    addresses = [client.scheduler.address, *client.nthreads()]
    assert len(addresses) == 3
    assert all(address.startswith("tcp://127.0.0.1:") for address in addresses)


def test_the_scheduler_that_dask_is_told_of_is_used(
    sample_store: Path, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "local_cluster", None)
    snapshot = Store(sample_store).snapshot()
    with (
        dask.config.set({"scheduler-address": client.scheduler.address}),
        engine.opened("dask", snapshot) as opened,
    ):
        scan = LogScan(snapshot, opened)
        assert scan.account(Filters()) == LogScan(snapshot).account(Filters())


def test_a_command_says_the_same_to_the_last_byte(
    sample_store: Path, client: Client, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["rates", "--by", "tower,bin,month", "--store", str(sample_store), "--json"]
    assert main(words) == 0
    here = capsys.readouterr()
    with dask.config.set({"scheduler-address": client.scheduler.address}):
        assert main([*words, "--engine", "dask"]) == 0
    assert capsys.readouterr() == here
    assert here.err == "" and len(here.out) > 1000


def test_a_scheduler_that_is_gone_is_a_sentence(
    empty_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "_PATIENCE", 1)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
        with (
            dask.config.set({"scheduler-address": address}),
            pytest.raises(EngineError, match="the Dask cluster cannot be reached .*leave --engine"),
            engine.opened("dask", Store(empty_store).snapshot()),
        ):
            pass


def test_without_dask_the_line_that_installs_it_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    known = builtins.__import__

    def missing(name: str, *rest: object, **more: object) -> object:
        if name.split(".")[0] in ("dask", "distributed"):
            raise ImportError(name)
        return known(name, *rest, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", missing)
    with (
        pytest.raises(EngineError, match=r"pip install 'feedtally\[dask\]'$"),
        engine.opened("dask", Snapshot("none", {})),
    ):
        pass


def test_an_engine_nobody_knows_is_a_mistake() -> None:
    with (
        pytest.raises(ValueError, match="no engine abacus"),
        engine.opened("abacus", Snapshot("none", {})),
    ):
        pass
