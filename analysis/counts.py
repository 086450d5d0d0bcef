"""How many feeds, misses and doubles were there, group by group?

The one place that scans the log. Counts are sums, so this is the only step whose cost grows with
the log, and the only one that a bigger engine has to take over when a log outgrows one machine.
Everything after it works on the few numbers that come out of it.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from analysis.engine import Engine, Here, Query
from analysis.filters import HUMIDITY_BANDS, FilterError, Filters, known_columns
from analysis.kept import Kept
from analysis.log_format import (
    DERIVED,
    EXTRA,
    FAULT_KINDS,
    KINDS,
    LARGEST_WHOLE,
    SETTINGS,
    Column,
    Kind,
)
from analysis.snapshot import Account as Account
from analysis.snapshot import Snapshot, literal, quoted
from analysis.values import nearest

# Wall time without a zone, so that no session setting can shift it.
_WALL = "make_timestamp(epoch_us(r.started))"

#: Derived columns as rows are grouped by them: numbers, dates and moments, in the order of what
#: they stand for. Writing them out costs more than all else, so that is left to the few groups.
_DERIVED_KEY = {
    "day": f"{_WALL}::date",
    "week": f"date_trunc('week', {_WALL})",
    "month": f"date_trunc('month', {_WALL})",
    # Which of HUMIDITY_BANDS, counted from nought.
    "humidity_band": (
        f"case when r.humidity_pct is null then {len(HUMIDITY_BANDS) - 1}::tinyint else "
        "greatest(2, least(7, floor(r.humidity_pct / 10)::tinyint)) - 2 end"
    ),
}
_BANDS = ", ".join(f"'{band}'" for band in HUMIDITY_BANDS)
_DERIVED_TEXT = {
    "day": "strftime({}, '%Y-%m-%d')",
    "week": "strftime({}, '%G-W%V')",
    "month": "strftime({}, '%Y-%m')",
    "humidity_band": f"[{_BANDS}][{{}} + 1]",
}

#: Columns of a scan that are sums, and so may be summed again.
SUMMED = (
    "rows",
    "feeds",
    "feeds_misses",
    "feeds_doubles",
    "feeds_faults",
    "misses",
    "doubles",
    "faults",
)

#: Columns of the sums of runs (`LogScan.sums`, `LogScan.bins`) beside these: by kind of fault, the
#: runs with feeds or faults, and the squares of the feeds of each run, added up.
RUN_SUMS = tuple(f"{what}_{kind}" for what in ("runs", "squares") for kind in FAULT_KINDS)

#: Counts beside misses and doubles, not logged where their cell is empty: of a whole stretch, on
#: any one of its lines; of one bin; and all of them.
OF_STRETCH = ("stops", "jams", "refills", "sets_spoiled", "sets_mended")
OF_BIN = ("found_later", "false_calls")
EVENTS = (*OF_STRETCH, *OF_BIN)

#: Words that an answer has beside its groups; a group of the same name could not be told from it.
_TAKEN = frozenset(
    (*SUMMED, "first", "of_tower", "of_run", "runs", "count", "rate", "low", "high")
    + ("dispersion", "wide_low", "wide_high")
)

#: Sums over the log, for each of the four ways of watching. Two keys more cost less than sums over
#: a part of the rows for each kind of fault.
_WATCHED_SUMS = """
    r.misses is null as no_misses, r.doubles is null as no_doubles,
    count(*) as rows, sum(r.cycles)::bigint as cycles,
    sum(r.misses)::bigint as misses, sum(r.doubles)::bigint as doubles
"""

#: Sums of a scan, out of these. A kind that was off has no feeds of that kind, and feeds where
#: either was off say nothing of faults of both kinds together. Faults whose bin was not noted bring
#: no feeds.
_SUMS = """
    sum(rows)::bigint as rows,
    coalesce(sum(cycles), 0)::bigint as feeds,
    coalesce(sum(cycles) filter (not no_misses), 0)::bigint as feeds_misses,
    coalesce(sum(cycles) filter (not no_doubles), 0)::bigint as feeds_doubles,
    coalesce(sum(cycles) filter (not no_misses and not no_doubles), 0)::bigint as feeds_faults,
    coalesce(sum(misses), 0)::bigint as misses,
    coalesce(sum(doubles), 0)::bigint as doubles,
    coalesce(sum(misses + doubles), 0)::bigint as faults
"""


#: The same of one run. There are nearly as many runs as rows, and to gather them twice would cost
#: more than sums over a part of the rows.
_SUMS_OF_RUN = """
    count(*) as rows, coalesce(sum(r.cycles), 0)::bigint as feeds,
    coalesce(sum(r.cycles) filter (r.misses is not null), 0)::bigint as feeds_misses,
    coalesce(sum(r.cycles) filter (r.doubles is not null), 0)::bigint as feeds_doubles,
    coalesce(sum(r.cycles) filter (r.misses is not null and r.doubles is not null), 0)::bigint
        as feeds_faults,
    coalesce(sum(r.misses), 0)::bigint as misses, coalesce(sum(r.doubles), 0)::bigint as doubles,
    coalesce(sum(r.misses + r.doubles), 0)::bigint as faults,
    min(epoch_us(r.started)) as first, max(epoch_us(r.started)) as last
"""


def _sums_of_runs(of: str) -> str:
    """Return the sums of a query over runs; squares as whole numbers, which come out the same."""
    sums = [f"sum({of}.{name})::bigint as {name}" for name in SUMMED]
    sums.append("count(*) as runs")
    for kind in FAULT_KINDS:
        feeds = f"{of}.feeds_{kind}"
        sums.append(
            f"count(*) filter ({feeds} > 0 or {of}.{kind} > 0) as runs_{kind}, "
            f"sum({feeds}::hugeint * {feeds})::double as squares_{kind}"
        )
    sums.append(f"min({of}.first) as first, max({of}.last) as last")
    return ", ".join(sums)


class LogScan:
    """Counts over one snapshot of a store; holds a connection, and no rows but those it keeps.

    Parameters
    ----------
    snapshot : Snapshot
        What is stored.
    engine : Engine, optional
        What runs the scans, opened on that snapshot; DuckDB in this process when absent. Whatever
        runs them, they give the same.

    Attributes
    ----------
    version : str
        Changes with every change of what is scanned; results may be kept under it.
    intake : int or None
        The last intake that counts, where the log is asked as it stood at a moment.
    """

    def __init__(self, snapshot: Snapshot, engine: Engine | None = None) -> None:
        self.version = snapshot.version
        self.intake = snapshot.intake
        self._totals = snapshot.totals
        self._here = Here(snapshot)
        self._engine = engine or self._here
        self._own: tuple[str, ...] | None = None
        self._fed: pa.Table | None = None
        #: What is worked out of the whole log, and asked again and again: by any name.
        self.kept: Kept[tuple[object, ...], Any] = Kept()

    def _ask(self, share: str, whole: str, values: Sequence[object] = ()) -> pa.Table:
        return self._engine.ask(Query(share, whole, tuple(values)))

    def own_columns(self) -> tuple[str, ...]:
        """Return the run log's columns that the format does not name."""
        if self._own is None:
            self._own = self._own_columns("runs")
        return self._own

    def _own_columns(self, kind: Kind) -> tuple[str, ...]:
        found = self._ask(
            f"select distinct unnest(map_keys({EXTRA})) as name from {kind}",
            "select distinct name from parts",
        )
        return tuple(sorted(found["name"].to_pylist()))

    def check_columns(self, names: Sequence[str]) -> None:
        """Raise FilterError for a column that neither the format nor the log knows, or operator.

        Nothing compares operators: whoever is judged by his log writes zeros.
        """
        for name in names:
            if names_people(name):
                raise FilterError(
                    "rates are not given by operator, since whoever is judged by his log writes "
                    "zeros; group by tower, day or stock"
                )
            if name in known_columns() or name in self.own_columns():
                continue
            words = frozenset(known_columns()) | frozenset(self.own_columns())
            meant = nearest(name, words, 0.6)
            hint = f"did you mean {meant}?" if meant else "write one such as tower, stock or month"
            raise FilterError(f"there is no column {name} to group or filter by; {hint}")

    def by_run(self, by: Sequence[str], filters: Filters) -> pa.Table:
        """Count feeds and faults of each group in each run.

        Parameters
        ----------
        by : sequence of str
            Columns to group by, of the run, stock or tower lists, a site's own, or derived.
        filters : Filters
            Rows to count; its kind does not matter here.

        Returns
        -------
        pyarrow.Table
            One row per group and run: the columns of ``by``, ``of_tower`` and ``of_run``,
            ``rows``, ``feeds`` (all), ``feeds_misses``, ``feeds_doubles``, ``feeds_faults`` (those
            watched for that kind), ``misses``, ``doubles`` and ``faults``, and ``first``, when the
            first of its stretches started (wall time). Sorted by group.

        Raises
        ------
        FilterError
            For a column or a value that cannot be.
        """
        return self._grouped(by, filters, by_run=True)

    def fed(self) -> pa.Table:
        """Return all feeds by tower, bin and run, as `by_run`: ages count every one. Kept."""
        if self._fed is None:
            self._fed = self.by_run(("tower", "bin"), Filters())
        return self._fed

    def counts(self, by: Sequence[str], filters: Filters) -> pa.Table:
        """Count feeds and faults of each group, whatever the run.

        Parameters
        ----------
        by, filters
            As of `by_run`.

        Returns
        -------
        pyarrow.Table
            One row per group: the columns of ``by`` and the sums that `SUMMED` names, as `by_run`
            has them. Sorted by group.

        Raises
        ------
        FilterError
            For a column or a value that cannot be.
        """
        return self._grouped(by, filters, by_run=False)

    def _grouped(self, by: Sequence[str], filters: Filters, *, by_run: bool) -> pa.Table:
        by = tuple(dict.fromkeys(by))
        for name in by:
            if name in _TAKEN:
                raise FilterError(f"{name} is itself a part of the answer; group by other columns")
        condition, values, joins = self._condition(filters, by)
        keys = {f"key_{place}": name for place, name in enumerate(by)}
        grouped = [f"{_key(name)} as {key}" for key, name in keys.items()]
        given = [f"{_text(name, f'g.{key}')} as {quoted(name)}" for key, name in keys.items()]
        places, inner, outer, numbers = [*keys], _WATCHED_SUMS, _SUMS, [*SUMMED]
        if by_run:
            grouped += ["r.tower as of_tower", "r.run as of_run"]
            given += ["g.of_tower", "g.of_run"]
            places += ["of_tower", "of_run"]
            numbers += ["first"]
            inner += ", min(epoch_us(r.started)) as first"
            outer += ", make_timestamp(min(first)) as first"
        of_place = ", ".join(str(number + 1) for number in range(len(places) + 2))
        # Without a column to group by, there is no group where there is no row.
        all_parts = f"group by {', '.join(places)}" if places else "having count(*) > 0"
        order = ", ".join(f"g.{place}" for place in places)
        return self._ask(
            f"""select {", ".join([*grouped, inner])}
            from runs r {joins} where {condition} group by {of_place}""",
            f"""select {", ".join([*given, *(f"g.{name}" for name in numbers)])}
            from (select {", ".join([*places, outer])} from parts {all_parts}) g
            {f"order by {order}" if order else ""}""",
            values,
        )

    def sums(self, by: Sequence[str], filters: Filters) -> pa.Table:
        """Count feeds and faults of each group and tower, and how uneven their runs are.

        Who needs no more of the runs than the squares of their feeds is spared a row for each.

        Parameters
        ----------
        by, filters
            As of `by_run`.

        Returns
        -------
        pyarrow.Table
            One row per group and tower: the columns of ``by``, ``of_tower``, the sums that `SUMMED`
            names, ``runs``, those that `RUN_SUMS` names, and ``first`` and ``last``, when the first
            and the last of its stretches started. Sorted by group. Kept for the next who asks,
            whatever the kind of fault.

        Raises
        ------
        FilterError
            As `by_run`.
        """
        by = tuple(dict.fromkeys(by))

        def made(filters: Filters) -> pa.Table:
            keys, given, condition, values, joins = self._split(by, filters, sorted(_TAKEN))
            places = [*keys, "of_tower"]
            grouped = [*_keyed(keys), "r.tower as of_tower"]
            of_place = ", ".join(str(place + 1) for place in range(len(places) + 1))
            return self._ask(
                f"""select {", ".join(places)}, {_sums_of_runs("g")} from (
                    select {", ".join(grouped)}, r.run as of_run, {_SUMS_OF_RUN}
                    from runs r {joins} where {condition} group by {of_place}
                ) g group by {", ".join(places)}""",
                f"""select {", ".join([*given, "g.of_tower", *_GIVEN])} from parts g
                order by {", ".join(f"g.{place}" for place in places)}""",
                values,
            )

        return self._of_towers(("sums", by), filters, made)

    def bins(self, filters: Filters, since: dt.datetime) -> pa.Table:
        """Count each bin beside the other bins of its tower, and each tower, in two periods.

        Parameters
        ----------
        filters : Filters
            Of both periods together.
        since : datetime
            When the second begins.

        Returns
        -------
        pyarrow.Table
            One row per period, tower and bin, and one for the tower: ``before`` (true for the first
            period), ``of_tower``, ``bin`` (null where none was noted), ``whole`` (true for a
            tower); the columns of `sums`; for a bin ``with_<kind>``, its feeds times those of its
            tower in the same run, added up over its runs; for a tower ``sets`` (feeds of the bin
            with most in each run, where both kinds were watched for), ``no_humidity`` and
            ``no_stock`` (feeds of which it was not logged). Kept as of `sums`.

        Raises
        ------
        FilterError
            As `by_run`.
        """

        def made(filters: Filters) -> pa.Table:
            condition, values, joins = self._condition(filters, ())
            beside = [
                f"sum(g.feeds_{kind}::hugeint * t.feeds_{kind})::double as with_{kind}"
                for kind in FAULT_KINDS
            ]
            extra = ("sets", "no_humidity", "no_stock")
            numbers = [f"with_{kind}" for kind in FAULT_KINDS] + [*extra]
            return self._ask(
                f"""with g as materialized (
                    select r.started < ? as before, r.tower as of_tower, r.run as of_run,
                        r.bin as bin, {_SUMS_OF_RUN},
                        coalesce(sum(r.cycles) filter (r.humidity_pct is null), 0)::bigint
                            as no_humidity,
                        coalesce(sum(r.cycles) filter (r.stock is null), 0)::bigint as no_stock
                    from runs r {joins} where {condition} group by 1, 2, 3, 4
                ), t as materialized (
                    select before, of_tower, of_run,
                        {", ".join(f"sum({name})::bigint as {name}" for name in SUMMED)},
                        max(feeds_faults) as sets, sum(no_humidity) as no_humidity,
                        sum(no_stock) as no_stock, min(first) as first, max(last) as last
                    from g group by 1, 2, 3
                )
                select before, of_tower, bin, false as whole, {_sums_of_runs("g")},
                    {", ".join(beside)}, {", ".join(f"0::bigint as {name}" for name in extra)}
                from g join t using (before, of_tower, of_run) group by 1, 2, 3
                union all
                select before, of_tower, null as bin, true as whole, {_sums_of_runs("t")},
                    {", ".join(f"0::double as with_{kind}" for kind in FAULT_KINDS)},
                    {", ".join(f"sum({name})::bigint as {name}" for name in extra)}
                from t group by 1, 2""",
                f"""select before, of_tower, bin, whole, {", ".join([*_GIVEN, *numbers])}
                from parts g order by 1, 2, 4 desc, 3""",
                [since.replace(tzinfo=dt.UTC), *values],
            )

        return self._of_towers(("bins", since), filters, made)

    def _of_towers(
        self,
        asked: tuple[object, ...],
        filters: Filters,
        made: Callable[[Filters], pa.Table],
    ) -> pa.Table:
        """Return a table by tower, out of one of all towers where that is at hand.

        It costs more to make than that of some, but a run belongs to one tower: once it is there,
        it has those of each.
        """
        towers = filters.values("tower")
        every = filters.holding("tower")

        def key(filters: Filters) -> tuple[object, ...]:
            where = ((column, tuple(sorted(values))) for column, values in filters.where)
            return (*asked, filters.since, filters.until, tuple(sorted(where)))

        if towers and key(every) in self.kept:
            table = self.kept.get(key(every), lambda: made(every))
            return table.filter(pc.is_in(table["of_tower"], value_set=pa.array(towers)))
        return self.kept.get(key(filters), lambda: made(filters))

    def events(self, by: Sequence[str], filters: Filters) -> pa.Table:
        """Sum what was logged beside misses and doubles: stops, mended sets, doubles found later.

        Parameters
        ----------
        by, filters
            As of `by_run`.

        Returns
        -------
        pyarrow.Table
            One row per group, sorted: the columns of ``by`` and, for each of `EVENTS`, its sum
            under its own name, and under ``_runs`` and ``_feeds`` after it in how many runs and
            feeds of the group it was logged. An empty cell is not logged, and no zero: where
            nothing was logged, all three are 0. Without a column to group by, there is one row.

        Raises
        ------
        FilterError
            As `by_run`.

        Notes
        -----
        A count of a stretch stands on any one of its lines, whatever the bin or the stock of that
        line, and holds for every group that has a line of the stretch: split by tower, purpose or
        month such counts add up, split by bin or stock they do not. Where several lines give it,
        it is the largest.
        """
        keys, given, condition, values, joins = self._split(by, filters, EVENTS)
        of_bins = ", ".join(
            f"sum(r.{name}) as {name}, sum(r.cycles) filter (r.{name} is not null) as {name}_feeds"
            for name in OF_BIN
        )
        of_runs = [
            f"sum({name}) as {name}, (sum({name}) is not null)::int as {name}_runs, {feeds}"
            for name in EVENTS
            for feeds in (
                f"sum(g.{name}_feeds) as {name}_feeds"
                if name in OF_BIN
                else f"sum(g.feeds) filter (s.{name} is not null) as {name}_feeds",
            )
        ]
        numbers = [f"{name}{end}" for name in EVENTS for end in ("", "_runs", "_feeds")]
        sums = [f"coalesce(sum({name}), 0)::bigint as {name}" for name in numbers]
        places = [*keys, "of_tower", "of_run"]
        return self._ask(
            f"""with s as (
                select tower, run, stretch, {", ".join(f"max({n}) as {n}" for n in OF_STRETCH)}
                from runs where coalesce({", ".join(OF_STRETCH)}) is not null group by all
            ), g as (
                select {", ".join([*_keyed(keys), "r.tower as of_tower", "r.run as of_run"])},
                    r.stretch as of_stretch, sum(r.cycles) as feeds, {of_bins}
                from runs r {joins} where {condition} group by all
            ), of_runs as (
                select {", ".join([*places, *of_runs])} from g left join s
                on of_tower = s.tower and of_run = s.run
                    and of_stretch is not distinct from s.stretch
                group by {", ".join(places)}
            )
            select {", ".join([*keys, *sums])} from of_runs
            {f"group by {', '.join(keys)}" if keys else ""}""",
            f"""select {", ".join([*given, *(f"g.{name}" for name in numbers)])}
            from (select {", ".join([*keys, *sums])} from parts
                {f"group by {', '.join(keys)}" if keys else ""}) g
            {f"order by {', '.join(f'g.{key}' for key in keys)}" if keys else ""}""",
            values,
        )

    def sets(self, by: Sequence[str], filters: Filters) -> pa.Table:
        """Count the cycles in which towers made sets, or a part of one.

        Parameters
        ----------
        by, filters
            As of `by_run`.

        Returns
        -------
        pyarrow.Table
            One row per group, tower and day, sorted: the columns of ``by``, ``of_tower``,
            ``of_day`` and ``sets``: cycles of the bins of that group, where bins that run together
            count once. Towers of a line make one set together; who adds them up has to know.

        Raises
        ------
        FilterError
            As `by_run`.
        """
        keys, given, condition, values, joins = self._split(by, filters, ("of_day", "sets"))
        places = [*keys, "of_tower", "of_day"]
        return self._ask(
            f"""select {", ".join(places)}, sum(cycles)::bigint as sets from (
                select {", ".join([*_keyed(keys), "r.tower as of_tower"])},
                    {_DERIVED_KEY["day"]} as of_day, max(r.cycles) as cycles
                from runs r {joins} where {condition} group by {", ".join(places)}, r.run, r.stretch
            ) group by {", ".join(places)}""",
            f"""select {", ".join([*given, "g.of_tower", "g.of_day", "g.sets"])} from (
                select {", ".join(places)}, coalesce(sum(sets), 0)::bigint as sets
                from parts group by {", ".join(places)}
            ) g order by {", ".join(f"g.{name}" for name in places)}""",
            values,
        )

    def _split(
        self, by: Sequence[str], filters: Filters, taken: Sequence[str]
    ) -> tuple[dict[str, str], list[str], str, list[object], str]:
        """Return what groups are called in a query and how they are shown, and the rows' terms."""
        by = tuple(dict.fromkeys(by))
        for name in by:
            if name in taken:
                raise FilterError(f"{name} is itself a part of the answer; group by other columns")
        condition, values, joins = self._condition(filters, by)
        keys = {f"key_{place}": name for place, name in enumerate(by)}
        given = [f"{_text(name, f'g.{key}')} as {quoted(name)}" for key, name in keys.items()]
        return keys, given, condition, values, joins

    def account(self, filters: Filters) -> Account:
        """Say how much evidence a filter leaves; raises as `by_run`."""
        if self._totals is not None and filters == Filters(kind=filters.kind):
            return self._totals
        condition, values, joins = self._condition(filters, ())
        # Runs are counted as groups: telling them apart by `distinct` takes longer.
        table = self._ask(
            f"""select sum(rows)::bigint as rows, count(*) as runs, sum(feeds)::bigint as feeds,
            min(first) as first, max(last) as last from (
                select count(*) as rows, sum(r.cycles) as feeds,
                    min({_WALL}) as first, max({_WALL}) as last
                from runs r {joins} where {condition} group by r.tower, r.run
            )""",
            """select coalesce(sum(rows), 0)::bigint as rows, sum(runs)::bigint as runs,
            coalesce(sum(feeds), 0)::bigint as feeds, min(first) as first, max(last) as last
            from parts""",
            values,
        )
        row = table.to_pylist()[0]
        return Account(row["rows"], row["runs"], row["feeds"], row["first"], row["last"])

    def days(self, filters: Filters) -> dict[dt.date, tuple[str, tuple[str, ...]]]:
        """Say in short what the rows of each day are, so that a change of any of them shows.

        Returns
        -------
        dict of date to (str, tuple of str)
            A fingerprint of the day's rows as they stand, and the stocks that were run.

        Raises
        ------
        FilterError
            As `by_run`.
        """
        condition, values, joins = self._condition(filters, ())
        cells = ", ".join(f"r.{quoted(name)}" for name in (*KINDS["runs"].names, EXTRA))
        table = self._ask(
            f"""select {_WALL}::date as day, count(*) as number,
            bit_xor(hash({cells})) as mixed, list(distinct r.stock) as stocks
            from runs r {joins} where {condition} group by 1""",
            """select day, sum(number)::bigint as number, bit_xor(mixed) as mixed,
            list_sort(list_distinct(flatten(list(stocks)))) as stocks
            from parts group by 1 order by 1""",
            values,
        )
        return {
            row["day"]: (f"{row['number']} {row['mixed']}", tuple(map(str, row["stocks"])))
            for row in table.to_pylist()
        }

    def values(self, columns: Sequence[str]) -> dict[str, list[str | None]]:
        """Say what was logged in each of some columns, anywhere in the log.

        Parameters
        ----------
        columns : sequence of str
            As ``by`` of `by_run`.

        Returns
        -------
        dict of str to list
            The different values of each column as text, in no order; None where rows have none.

        Raises
        ------
        FilterError
            For a column that cannot be.
        """
        columns = tuple(dict.fromkeys(columns))
        self.check_columns(columns)
        looked = []
        for place, name in enumerate(columns):
            # What a list says of a stock or a tower is looked up once for each of them.
            link = {"s": "stock", "t": "tower"}.get(_home(name))
            log = f"(select distinct {link} from runs) r {_join(name)}" if link else "runs r"
            looked.append(
                f"select {place} as place, ({_text(name, 'key')})::varchar as value "
                f"from (select distinct {_key(name)} as key from {log})"
            )
        found: dict[str, list[str | None]] = {name: [] for name in columns}
        if looked:
            table = self._ask(" union all ".join(looked), "select distinct * from parts")
            pairs = zip(table["place"].to_pylist(), table["value"].to_pylist(), strict=True)
            for place, value in pairs:
                found[columns[place]].append(value)
        return found

    def list_rows(self, kind: str) -> list[dict[str, object]]:
        """Return all rows of a list: ``stocks``, ``towers`` or ``services``."""
        if kind not in ("stocks", "towers", "services"):
            raise ValueError(f"{kind} is no list of the store")
        # Lists are short: no engine is needed for them.
        asked = Query(f"select * from {kind}", "select * from parts order by all")
        rows: list[dict[str, object]] = self._here.ask(asked).to_pylist()
        return rows

    def filled_columns(self, kind: Kind, filters: Filters) -> tuple[list[str], list[str]]:
        """Return the columns of a log that hold anything: the format's, and those it does not name.

        Raises
        ------
        FilterError
            As `by_run`; only the run log has filters.
        """
        condition, values, joins = self._condition(filters, ())
        own = self._own_columns(kind)
        names = [(name, f"r.{quoted(name)}") for name in KINDS[kind].names]
        names += [(name, _of_extra(name)) for name in own]
        counted = ", ".join(f"count({cell})" for _, cell in names)
        found = self._ask(
            f"select [{counted}] as filled from {kind} r {joins} where {condition}",
            "select filled from parts",
            values,
        )["filled"].to_pylist()
        filled = {
            name for place, (name, _) in enumerate(names) if any(part[place] for part in found)
        }
        format_names = [name for name in KINDS[kind].names if name in filled]
        return format_names, [name for name in own if name in filled]

    def stream(
        self,
        kind: Kind,
        columns: Sequence[str],
        own: Sequence[str],
        filters: Filters,
        *,
        rows_at_once: int = 50_000,
    ) -> Iterator[pa.RecordBatch]:
        """Yield the rows of a log as they are stored, a batch at a time, in no order.

        They pass through this process, whatever the engine: they are no sums.

        Parameters
        ----------
        kind : str
            Which log.
        columns, own : sequence of str
            Stored columns, and columns that the format does not name; the batches have them in
            that order, under no names.
        filters : Filters
            Rows of the run log; no other log has filters.
        rows_at_once : int
            Most rows of a batch.

        Raises
        ------
        FilterError
            As `by_run`.
        """
        condition, values, joins = self._condition(filters, ())
        cells = [*(f"r.{quoted(name)}" for name in columns), *map(_of_extra, own)]
        named = ", ".join(f"{cell} as cell_{place}" for place, cell in enumerate(cells))
        yield from self._here.stream(
            f"select {named} from {kind} r {joins} where {condition}",
            values,
            rows_at_once=rows_at_once,
        )

    def logged_settings(self, filters: Filters) -> tuple[str, ...]:
        """Return the settings that were logged on any row of a filter; raises as `by_run`."""
        condition, values, joins = self._condition(filters, ())
        own = tuple(
            name
            for name in self.own_columns()
            if name.startswith("set_") and not names_people(name)
        )
        names = (*SETTINGS, *own)
        counted = ", ".join(f"count({_key(name)})" for name in names)
        parts = self._ask(
            f"select [{counted}] as logged from runs r {joins} where {condition}",
            "select logged from parts",
            values,
        )["logged"].to_pylist()
        return tuple(name for place, name in enumerate(names) if any(part[place] for part in parts))

    def last_rows(self) -> list[dict[str, object]]:
        """Return the rows with which the last run of each tower ended, columns as they are stored.

        Rows of a bin that was left empty are there too; faults without a bin are not. ``air_since``
        is when the first of the runs in a row began that have the same humidity and temperature.
        """
        air = ("humidity_pct", "temperature_c")
        other = " or ".join(f"r.{name} is distinct from l.{name}" for name in air)
        found = self._ask(
            f"""with begun as (
                select tower, max(started) as started from runs where cycles > 0 group by tower
            ), l as (
                select r.* from runs r join begun using (tower, started) where r.bin is not null
            ), air as (
                select tower, {", ".join(f"any_value({name}) as {name}" for name in air)}
                from l where cycles > 0 group by tower
            ), before as (
                select r.tower, max(r.started) as started from runs r join air l using (tower)
                where r.cycles > 0 and ({other}) group by r.tower
            ), since as (
                select r.tower, min(r.started) as air_since
                from runs r left join before b using (tower)
                where r.cycles > 0 and (b.started is null or r.started > b.started)
                group by r.tower
            )
            select l.*, air_since from l left join since using (tower)""",
            "select * from parts order by tower, run, stretch, bin",
        )
        rows: list[dict[str, object]] = found.to_pylist()
        return rows

    def known_runs(self, asked: Sequence[tuple[str, str]]) -> set[tuple[str, str]]:
        """Return those of some runs, each a tower and a name, that the log holds."""
        if not asked:
            return set()
        pairs = ", ".join("(?, ?)" for _ in asked)
        found = self._ask(
            f"select distinct tower, run from runs where (tower, run) in ({pairs})",
            "select distinct tower, run from parts",
            [text for pair in asked for text in pair],
        )
        return {(row["tower"], row["run"]) for row in found.to_pylist()}

    def setting_moves(self, filters: Filters) -> list[dict[str, object]]:
        """Return when settings of bins were moved, within the rows of a filter.

        Returns
        -------
        list of dict
            ``when`` (start of the first stretch with the new value), ``since`` (start of the last
            one with the old), ``tower``, ``bin``, ``setting``, ``before`` and ``after``, in order
            of time. A move is one away from what the bin last had on the same stock: settings
            follow the paper, and those moves say nothing. A stretch without an entry is passed
            over: not written down is not moved.
        """
        condition, values, joins = self._condition(filters, ())
        settings = self.logged_settings(filters)
        moves = " union all ".join(
            f"""select moved_at as "when", since, tower, bin, {literal(name)} as setting,
                before, after
            from (
                select {_WALL} as moved_at, r.tower as tower, r.bin as bin,
                    lag({_key(name)}) over same_paper as before,
                    lag({_WALL}) over same_paper as since,
                    {_key(name)} as after
                from runs r {joins}
                where {condition} and r.bin is not null and {_key(name)} is not null
                window same_paper as (partition by r.tower, r.bin, r.stock
                    order by r.started, r.stretch)
            ) where before <> after"""
            for name in settings
        )
        if not moves:
            return []
        rows: list[dict[str, object]] = self._ask(
            moves,
            """select * from parts order by "when", tower, bin, setting, before, after""",
            values * len(settings),
        ).to_pylist()
        return rows

    def _condition(self, filters: Filters, by: Sequence[str]) -> tuple[str, list[object], str]:
        named = [*by, *(column for column, _ in filters.where)]
        self.check_columns(named)
        joins = " ".join(dict.fromkeys(filter(None, map(_join, named))))
        clauses = ["true"]
        values: list[object] = []
        # The column as it is stored, so that files of other times are passed over.
        if filters.since is not None:
            clauses.append("r.started >= ?")
            values.append(filters.since.replace(tzinfo=dt.UTC))
        if filters.until is not None:
            clauses.append("r.started <= ?")
            values.append(filters.until.replace(tzinfo=dt.UTC))
        for column, wanted in filters.where:
            either = []
            for value in wanted:
                typed = _typed(column, value)
                if typed is None:
                    either.append(f"{_shown(column)} is null")
                else:
                    either.append(f"{_shown(column)} = ?")
                    values.append(typed)
            clauses.append(f"({' or '.join(either)})")
        return " and ".join(clauses), values, joins


#: Columns of the sums of runs as they are given.
_GIVEN = [
    *(f"g.{name}" for name in (*SUMMED, "runs", *RUN_SUMS)),
    "make_timestamp(g.first) as first",
    "make_timestamp(g.last) as last",
]


def account_of(sums: pa.Table) -> Account:
    """Say how much evidence some towers have.

    Parameters
    ----------
    sums : pyarrow.Table
        A row per tower, as `LogScan.sums` gives them.
    """
    if not sums.num_rows:
        return Account(0, 0, 0, None, None)
    rows, runs, feeds = (int(pc.sum(sums[name]).as_py()) for name in ("rows", "runs", "feeds"))
    return Account(rows, runs, feeds, pc.min(sums["first"]).as_py(), pc.max(sums["last"]).as_py())


def names_people(column: str) -> bool:
    """Tell whether a column says who ran the tower: nothing is ever compared by that."""
    return column == "operator" or bool(_PEOPLE.search(column))


# In a site's own columns: set_operator, crew_leader. A word alone, so that set_namely is none.
_PEOPLE = re.compile(r"(^|_)(operator|operators|crew|person|people|who|initials|staff)(_|$)")


def _home(name: str) -> str:
    """Tell whose column it is: run log (r), stock list (s), tower list (t), derived or own (x)."""
    if name in DERIVED:
        return "x"
    letters: dict[Kind, str] = {"runs": "r", "stocks": "s", "towers": "t"}
    return next((letter for kind, letter in letters.items() if name in KINDS[kind].names), "x")


def _column(name: str) -> Column | None:
    kinds: tuple[Kind, ...] = ("runs", "stocks", "towers")
    return next((KINDS[kind].column(name) for kind in kinds if name in KINDS[kind].names), None)


def _join(name: str) -> str:
    """Return how a list is joined that a column belongs to; nothing for the run log's own."""
    joins = {
        "s": "left join stocks s on r.stock = s.stock",
        "t": "left join towers t on r.tower = t.tower",
    }
    return joins.get(_home(name), "")


def _of_extra(name: str) -> str:
    return f"r.{EXTRA}[{literal(name)}]"


def _key(name: str) -> str:
    """Return what rows are grouped by for a column: quick to work out, in the column's order."""
    if name in DERIVED:
        return _DERIVED_KEY[name]
    home = _home(name)
    if home == "x":
        return _of_extra(name)
    place = f"{home}.{quoted(name)}"
    if _is_moment(name):
        return f"date_trunc('second', make_timestamp(epoch_us({place})))"
    return place


def _keyed(keys: dict[str, str]) -> list[str]:
    return [f"{_key(name)} as {key}" for key, name in keys.items()]


def _text(name: str, key: str) -> str:
    """Return how a key of a column is shown: as text where it stands for something else."""
    if name in DERIVED:
        return _DERIVED_TEXT[name].format(key)
    return f"strftime({key}, '%Y-%m-%dT%H:%M:%S')" if _is_moment(name) else key


def _shown(name: str) -> str:
    """Return a column as a filter's value is compared with it."""
    return _text(name, _key(name))


def _is_moment(name: str) -> bool:
    column = _column(name)
    return column is not None and column.type == "moment"


def _typed(name: str, value: str) -> str | int | float | None:
    """Turn a filter's value into the column's type; None means not logged."""
    column = _column(name)
    if name == "humidity_band":
        value = value or "not logged"
        if value not in HUMIDITY_BANDS:
            raise FilterError(f"humidity_band is {value}; write one of {', '.join(HUMIDITY_BANDS)}")
        return value
    if value == "":
        return None
    if column is None or column.type in ("key", "text"):
        return value
    if column.type == "choice":
        if value.lower() not in column.choices:
            raise FilterError(f"{name} is {value}; write one of {', '.join(column.choices)}")
        return value.lower()
    if (column.type == "count" and value.lower() == "off") or (name == "bin" and value == "?"):
        return None
    if column.type == "moment":
        try:
            return dt.datetime.fromisoformat(value).strftime("%Y-%m-%dT%H:%M:%S")
        except ValueError:
            raise FilterError(f"{name} is {value}; write it like 2031-04-03T08:05") from None
    try:
        if column.type == "number":
            return float(value)
        # Nothing beyond it is ever stored, and larger ones do not fit the query.
        return max(-LARGEST_WHOLE - 1, min(int(value), LARGEST_WHOLE + 1))
    except ValueError:
        raise FilterError(f"{name} is {value}; write a number, or nothing for not logged") from None
