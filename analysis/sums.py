"""What does a scan add up, of rows and of runs?

Names of the sums, and how a query makes them.
"""

from __future__ import annotations

from analysis.log_format import FAULT_KINDS

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

#: Sums over the log, for each of the four ways of watching. Two keys more cost less than sums over
#: a part of the rows for each kind of fault.
WATCHED_SUMS = """
    r.misses is null as no_misses, r.doubles is null as no_doubles,
    count(*) as rows, sum(r.cycles)::bigint as cycles,
    sum(r.misses)::bigint as misses, sum(r.doubles)::bigint as doubles
"""

#: Sums of a scan, out of these. A kind that was off has no feeds of that kind, and feeds where
#: either was off say nothing of faults of both kinds together. Faults whose bin was not noted bring
#: no feeds.
SUMS = """
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
SUMS_OF_RUN = """
    count(*) as rows, coalesce(sum(r.cycles), 0)::bigint as feeds,
    coalesce(sum(r.cycles) filter (r.misses is not null), 0)::bigint as feeds_misses,
    coalesce(sum(r.cycles) filter (r.doubles is not null), 0)::bigint as feeds_doubles,
    coalesce(sum(r.cycles) filter (r.misses is not null and r.doubles is not null), 0)::bigint
        as feeds_faults,
    coalesce(sum(r.misses), 0)::bigint as misses, coalesce(sum(r.doubles), 0)::bigint as doubles,
    coalesce(sum(r.misses + r.doubles), 0)::bigint as faults,
    min(epoch_us(r.started)) as first, max(epoch_us(r.started)) as last
"""


def sums_of_runs(of: str) -> str:
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


#: Columns of the sums of runs as they are given.
GIVEN = [
    *(f"g.{name}" for name in (*SUMMED, "runs", *RUN_SUMS)),
    "make_timestamp(g.first) as first",
    "make_timestamp(g.last) as last",
]
