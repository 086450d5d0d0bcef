"""How many feeds, misses and doubles were there, group by group?

The one place that scans the log. Counts are sums, so this is the only step whose cost grows with
the log, and the only one that a bigger engine has to take over when a log outgrows one machine.
Everything after it works on the few numbers that come out of it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Sequence

import pyarrow as pa
import pyarrow.compute as pc

from analysis.filters import FilterError, Filters
from analysis.log_format import FAULT_KINDS
from analysis.logged import Logged
from analysis.query_columns import DERIVED_KEY, WALL, keyed, text_of
from analysis.snapshot import Account as Account
from analysis.snapshot import quoted
from analysis.sums import (
    EVENTS,
    GIVEN,
    OF_BIN,
    OF_STRETCH,
    SUMMED,
    SUMS,
    SUMS_OF_RUN,
    WATCHED_SUMS,
    sums_of_runs,
)

#: Words that an answer has beside its groups; a group of the same name could not be told from it.
_TAKEN = frozenset(
    (*SUMMED, "first", "of_tower", "of_run", "runs", "count", "rate", "low", "high")
    + ("dispersion", "wide_low", "wide_high")
)


class LogScan(Logged):
    """Counts over one snapshot of a store; see `analysis.scans.Scan` for what it is made with."""

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
        fed: pa.Table = self.kept.get(("fed",), lambda: self.by_run(("tower", "bin"), Filters()))
        return fed

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
        keys, given, condition, values, joins = self._split(by, filters, _TAKEN)
        grouped = keyed(keys)
        places, inner, outer, numbers = [*keys], WATCHED_SUMS, SUMS, [*SUMMED]
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
            keys, given, condition, values, joins = self._split(by, filters, _TAKEN)
            places = [*keys, "of_tower"]
            grouped = [*keyed(keys), "r.tower as of_tower"]
            of_place = ", ".join(str(place + 1) for place in range(len(places) + 1))
            return self._ask(
                f"""select {", ".join(places)}, {sums_of_runs("g")} from (
                    select {", ".join(grouped)}, r.run as of_run, {SUMS_OF_RUN}
                    from runs r {joins} where {condition} group by {of_place}
                ) g group by {", ".join(places)}""",
                f"""select {", ".join([*given, "g.of_tower", *GIVEN])} from parts g
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
                        r.bin as bin, {SUMS_OF_RUN},
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
                select before, of_tower, bin, false as whole, {sums_of_runs("g")},
                    {", ".join(beside)}, {", ".join(f"0::bigint as {name}" for name in extra)}
                from g join t using (before, of_tower, of_run) group by 1, 2, 3
                union all
                select before, of_tower, null as bin, true as whole, {sums_of_runs("t")},
                    {", ".join(f"0::double as with_{kind}" for kind in FAULT_KINDS)},
                    {", ".join(f"sum({name})::bigint as {name}" for name in extra)}
                from t group by 1, 2""",
                f"""select before, of_tower, bin, whole, {", ".join([*GIVEN, *numbers])}
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
                select {", ".join([*keyed(keys), "r.tower as of_tower", "r.run as of_run"])},
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
                select {", ".join([*keyed(keys), "r.tower as of_tower"])},
                    {DERIVED_KEY["day"]} as of_day, max(r.cycles) as cycles
                from runs r {joins} where {condition} group by {", ".join(places)}, r.run, r.stretch
            ) group by {", ".join(places)}""",
            f"""select {", ".join([*given, "g.of_tower", "g.of_day", "g.sets"])} from (
                select {", ".join(places)}, coalesce(sum(sets), 0)::bigint as sets
                from parts group by {", ".join(places)}
            ) g order by {", ".join(f"g.{name}" for name in places)}""",
            values,
        )

    def _split(
        self, by: Sequence[str], filters: Filters, taken: Collection[str]
    ) -> tuple[dict[str, str], list[str], str, list[object], str]:
        """Return what groups are called in a query and how they are shown, and the rows' terms."""
        by = tuple(dict.fromkeys(by))
        for name in by:
            if name in taken:
                raise FilterError(f"{name} is itself a part of the answer; group by other columns")
        condition, values, joins = self._condition(filters, by)
        keys = {f"key_{place}": name for place, name in enumerate(by)}
        given = [f"{text_of(name, f'g.{key}')} as {quoted(name)}" for key, name in keys.items()]
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
                    min({WALL}) as first, max({WALL}) as last
                from runs r {joins} where {condition} group by r.tower, r.run
            )""",
            """select coalesce(sum(rows), 0)::bigint as rows, sum(runs)::bigint as runs,
            coalesce(sum(feeds), 0)::bigint as feeds, min(first) as first, max(last) as last
            from parts""",
            values,
        )
        row = table.to_pylist()[0]
        return Account(row["rows"], row["runs"], row["feeds"], row["first"], row["last"])


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
