"""Where does a scan of the log run: in this process, or on the workers of a Dask cluster?

Counts are sums, and a run belongs to one tower. So the log can be dealt out by towers: every worker
asks the same of its share, with the same DuckDB query, and the parts are put together. A question
is therefore written in two steps, one over a share of the log and one over the parts. In this
process both steps are one query over the whole log.
"""

from __future__ import annotations

import heapq
import logging
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import pyarrow as pa

from analysis.snapshot import (
    DamagedStoreError,
    Snapshot,
    StoreError,
    empty_snapshot,
    reading_store,
)

if TYPE_CHECKING:
    from distributed import Client, LocalCluster

#: Engines by name; the first is meant when none is named.
ENGINES = ("duckdb", "dask")

#: Seconds to wait for a scheduler, and for its first worker.
_PATIENCE = 20


class EngineError(StoreError):
    """The engine that was asked for cannot be had; the message says what to do."""


@dataclass(frozen=True)
class Query:
    """One question to the log, in two steps.

    Attributes
    ----------
    share : str
        SQL over the views of `analysis.snapshot.Snapshot.connect`. What it gives for the towers of
        one share must not depend on other towers.
    whole : str
        SQL over ``parts``, the rows of all shares together. It alone says in which order rows come.
    values : tuple
        What stands for the question marks of ``share``.
    """

    share: str
    whole: str
    values: tuple[object, ...] = ()


class Engine(Protocol):
    """What answers a query over the whole log."""

    def ask(self, query: Query) -> pa.Table:
        """Return the rows of the second step.

        Raises
        ------
        analysis.snapshot.StoreError
            When the store or the cluster cannot be read.
        """


class Here:
    """DuckDB in this process; holds a connection and no rows.

    Parameters
    ----------
    snapshot : Snapshot
        What is stored.
    """

    def __init__(self, snapshot: Snapshot) -> None:
        self._connection = snapshot.connect()

    def ask(self, query: Query) -> pa.Table:
        """Run both steps as one query; see `Engine.ask`."""
        # Not kept in between: most second steps only sort or name what the first one gives.
        sql = f"with parts as not materialized ({query.share}) {query.whole}"
        # A cursor of its own for each query: pages ask from several threads.
        with reading_store(), self._connection.cursor() as cursor:
            return cursor.sql(sql, params=list(query.values)).to_arrow_table()

    def stream(
        self, sql: str, values: Sequence[object], *, rows_at_once: int
    ) -> Iterator[pa.RecordBatch]:
        """Yield the rows of a query a batch at a time, so that none need be held; as `ask`."""
        with reading_store(), self._connection.cursor() as cursor:
            yield from cursor.sql(sql, params=list(values)).to_arrow_reader(rows_at_once)


class OnDask:
    """The same queries on the workers of a Dask cluster.

    Parameters
    ----------
    snapshot : Snapshot
        What is stored, in a folder that every worker sees under the same name.
    client : distributed.Client
        The cluster.
    """

    def __init__(self, snapshot: Snapshot, client: Client) -> None:
        self._snapshot = snapshot
        self._client = client
        counted = Here(snapshot).ask(
            Query("select tower, count(*) as rows from runs group by tower", "from parts")
        )
        towers = zip(counted["tower"].to_pylist(), counted["rows"].to_pylist(), strict=True)
        with _cluster_errors():
            self._shares = shares(dict(towers), len(client.nthreads()))

    def ask(self, query: Query) -> pa.Table:
        """Run the first step on each share and the second here; see `Engine.ask`."""
        with _cluster_errors():
            asked = self._client.map(
                _part, self._shares, snapshot=self._snapshot, query=query, pure=False
            )
            parts = self._client.gather(asked)
        with empty_snapshot().connect() as connection:
            connection.register("parts", pa.concat_tables(parts))
            return connection.sql(query.whole).to_arrow_table()


def shares(rows: Mapping[str, int], workers: int) -> list[tuple[str, ...]]:
    """Deal towers out so that the workers have about as many rows each.

    The largest tower goes first, each to whoever has least so far: Graham's longest processing time
    rule, at most a third above the best there is (SIAM J. Appl. Math. 17, 1969, 416-429).

    Parameters
    ----------
    rows : mapping of str to int
        Rows of each tower.
    workers : int
        How many there are, at least 1.

    Returns
    -------
    list of tuple of str
        Towers of each share, none of them empty unless there is no tower; then one.

    Examples
    --------
    >>> shares({"A": 50, "B": 40, "C": 30, "D": 30}, 2)
    [('A', 'D'), ('B', 'C')]
    """
    heap = [(0, number) for number in range(workers)]
    dealt: list[list[str]] = [[] for _ in range(workers)]
    for tower in sorted(rows, key=lambda name: (-rows[name], name)):
        held, number = heapq.heappop(heap)
        dealt[number].append(tower)
        heapq.heappush(heap, (held + rows[tower], number))
    return [tuple(towers) for towers in dealt if towers] or [()]


def _part(towers: Sequence[str], snapshot: Snapshot, query: Query) -> pa.Table:
    """Run on a worker: the first step of a query over its share."""
    from distributed import get_worker

    with reading_store(), snapshot.connect(towers) as connection:
        # Workers of one machine share its processors; DuckDB alone would take them all.
        connection.execute(f"set threads = {get_worker().state.nthreads}")
        return connection.sql(query.share, params=list(query.values)).to_arrow_table()


@contextmanager
def opened(name: str, snapshot: Snapshot) -> Iterator[Engine]:
    """Open an engine for one snapshot, and close what was started for it.

    Parameters
    ----------
    name : str
        One of `ENGINES`.
    snapshot : Snapshot
        What is stored.

    Raises
    ------
    EngineError
        When Dask is not installed, or its cluster is not there.
    ValueError
        For an engine that is none.
    """
    if name not in ENGINES:
        raise ValueError(f"there is no engine {name}")
    if name == "duckdb":
        yield Here(snapshot)
        return
    with _cluster() as client:
        yield OnDask(snapshot, client)


@contextmanager
def _cluster() -> Iterator[Client]:
    """Reach the scheduler that Dask's own configuration names, or start workers here."""
    try:
        import dask
        from distributed import Client
    except ImportError:
        raise EngineError(
            "the engine dask needs Dask, which is not installed; install it with: "
            "pip install 'feedtally[dask]'"
        ) from None
    address = dask.config.get("scheduler-address", None)
    with ExitStack() as started:
        with _cluster_errors():
            if not address:
                address = started.enter_context(local_cluster(os.cpu_count() or 1))
            try:
                client = started.enter_context(Client(address, timeout=_PATIENCE))
            except ValueError as error:
                raise OSError(f"{address} is no address of a scheduler: {error}") from None
            client.wait_for_workers(1, timeout=_PATIENCE)
        yield client


@contextmanager
def local_cluster(workers: int) -> Iterator[LocalCluster]:
    """Start so many worker processes on this machine, that only this machine can reach."""
    import dask
    from distributed import LocalCluster

    # There is no way to start a cluster without a server for its web pages, but one without a page.
    no_pages: dict[str, list[str]] = {
        f"distributed.{part}.http.routes": [] for part in ("scheduler", "worker")
    }
    with (
        dask.config.set(no_pages),
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            scheduler_kwargs={"dashboard": False},
            # What goes wrong on a worker is raised here too, as one sentence.
            silence_logs=logging.CRITICAL,
        ) as cluster,
    ):
        yield cluster


@contextmanager
def _cluster_errors() -> Iterator[None]:
    """Turn what a cluster raises into one sentence."""
    from distributed import KilledWorker
    from distributed.client import FutureCancelledError

    lost: tuple[type[Exception], ...] = (KilledWorker, FutureCancelledError, OSError)
    try:
        yield
    except DamagedStoreError as error:
        raise DamagedStoreError(
            f"{error}, or let every worker of the cluster see its folder under the same name"
        ) from None
    except lost as error:
        first = str(error).strip().split("\n", 1)[0].rstrip(".") or type(error).__name__
        raise EngineError(
            f"the Dask cluster cannot be reached ({first}); see that its scheduler and workers "
            "run, or leave --engine out"
        ) from None
