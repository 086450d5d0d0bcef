"""The week on one page: what it puts side by side, and how it is told."""

from __future__ import annotations

import datetime as dt
import math
import statistics
from dataclasses import replace
from pathlib import Path

import pytest

from analysis import answers
from analysis.counts import Account, LogScan
from analysis.drift import Drift
from analysis.filters import FilterError, Filters
from analysis.parts import PartRow
from analysis.rates import Rate
from analysis.services import ServiceRow
from analysis.site import NO_SITE
from analysis.site_costs import Costs
from analysis.weekly import Weekly, monday, moved, services_in_words
from tests.dashboard.drift_results import ACCOUNT, MONITORED, OVER, RECENT, WORSE, stream_of
from tests.small_weeks import FIRST, LATEST, SERVICES, Row, rows, store_of

LINES = rows()
SITE = replace(NO_SITE, costs=Costs(currency="EUR", hour=60.0))


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory) -> LogScan:
    return store_of(tmp_path_factory.mktemp("weeks") / "store", LINES, SERVICES)


WORSE_BIN = stream_of("A", 2, "misses", (WORSE,))


@pytest.fixture(scope="module")
def week(scan: LogScan) -> Weekly:
    """Return the latest week, with an alarm and parts that are at hand already."""
    drift = Drift((WORSE_BIN,), ("misses",), ACCOUNT, 1.0, MONITORED)
    parts = answers.parts(scan, Filters(), site=SITE)
    found = answers.weekly(scan, site=SITE, drifted=lambda: drift, parted=lambda: parts)
    assert found.drift is drift and found.parts is parts
    return found


def within(first: dt.date, days: int, purpose: str = "production") -> list[Row]:
    """Return the lines of a period by their dates alone."""
    last = first + dt.timedelta(days=days - 1)
    return [r for r in LINES if first <= r.started.date() <= last and r.purpose == purpose]


def counted(lines: list[Row], kind: str) -> tuple[int, int]:
    return sum(getattr(r, kind) for r in lines), sum(r.cycles for r in lines)


class TestWhatIsCounted:
    def test_the_last_week_of_the_log_from_monday_to_sunday(self, week: Weekly) -> None:
        assert (week.first, week.last) == (dt.date(2031, 7, 14), dt.date(2031, 7, 20))
        assert week.first == LATEST and week.first.strftime("%A") == "Monday"
        assert week.name == "14 to 20 July 2031"

    @pytest.mark.parametrize("kind", ["misses", "doubles"])
    def test_rates_are_those_of_the_rows_by_their_dates(self, week: Weekly, kind: str) -> None:
        assert [first for first, _ in week.weeks] == [
            LATEST - dt.timedelta(days=7 * n) for n in range(5)
        ]
        for first, found in week.weeks:
            count, feeds = counted(within(first, 7), kind)
            rate = found[kind]
            assert (rate.count, rate.feeds, rate.rate) == (count, feeds, count / feeds)
        count, feeds = counted(within(LATEST - dt.timedelta(days=28), 28), kind)
        assert (week.before[kind].count, week.before[kind].feeds) == (count, feeds)
        count, feeds = counted([r for r in LINES if r.purpose == "burn-in"], kind)
        assert (week.burn_in[kind].count, week.burn_in[kind].feeds) == (count, feeds)
        assert week.account.feeds == sum(r.cycles for r in within(LATEST, 7))

    def test_costs_are_those_of_the_cost_page(self, scan: LogScan, week: Weekly) -> None:
        begin = dt.datetime.combine(LATEST, dt.time.min)
        asked = Filters(since=begin, until=dt.datetime(2031, 7, 20, 23, 59, 59, 999999))
        assert week.costs == answers.costs(scan, asked, site=SITE)
        earlier = asked.during(dt.datetime(2031, 6, 16), begin - dt.timedelta(microseconds=1))
        assert week.costs_before == answers.costs(scan, earlier, site=SITE)
        faults = sum(r.misses + r.doubles for r in within(LATEST, 7))
        assert week.costs.total.faults == faults

    def test_overs_are_for_the_stocks_run_most_and_jobs_of_the_usual_size(
        self, scan: LogScan, week: Weekly
    ) -> None:
        fed: dict[str, int] = {}
        for row in within(LATEST, 7):
            fed[row.stock] = fed.get(row.stock, 0) + row.cycles
        most = sorted(fed, key=lambda stock: -fed[stock])
        assert [one.stock for one in week.overs] == most
        for one in week.overs:
            # All bins of a run fed the same here, so a job's sets are the cycles of any of them.
            sizes = [
                r.cycles
                for r in LINES
                if r.stock == one.stock and r.purpose == "production" and r.bin == 1
            ]
            middle = statistics.median(sizes)
            assert one.sets == pytest.approx(middle, rel=0.05)
            assert one.sets % 100 == 0
            assert one == answers.overs(scan, one.stock, one.sets, site=SITE)

    @pytest.mark.parametrize(
        ("day", "first", "latest"),
        [
            (None, LATEST, True),
            (dt.date(2031, 7, 14), LATEST, True),
            (dt.date(2031, 7, 20), LATEST, True),
            (dt.date(2031, 7, 21), dt.date(2031, 7, 21), True),
            (dt.date(2031, 7, 13), dt.date(2031, 7, 7), False),
            (dt.date(2031, 6, 2), FIRST, False),
        ],
    )
    def test_any_day_of_a_week_gives_it(
        self, scan: LogScan, day: dt.date | None, first: dt.date, latest: bool
    ) -> None:
        assert answers.week_of(scan, day) == (first, latest)

    def test_a_past_week_knows_nothing_of_later_ones(self, scan: LogScan) -> None:
        def never(*_: object) -> None:
            raise AssertionError("what is known of the whole log is no answer for a past week")

        made = answers.weekly(
            scan, dt.date(2031, 6, 18), site=SITE, drifted=never, parted=never, fitted=never
        )
        assert made.first == dt.date(2031, 6, 16)
        end = dt.datetime(2031, 6, 22, 23, 15)
        assert made.until == made.parts.until == made.drift.account.last == end
        assert {one.account.last for one in made.overs} == {end}
        assert [s.when.day for s in made.parts.services] == [1, 1]
        for one in made.overs:
            fed = [r for r in LINES if r.stock == one.stock and r.started <= end]
            fed = [r for r in fed if r.purpose == "production"]
            assert one.feeds == sum(r.cycles for r in fed)

    def test_every_open_alarm_has_its_causes(self, scan: LogScan, week: Weekly) -> None:
        assert week.causes == (answers.causes(scan, Filters(kind="misses"), "A", 2),)

    def test_years_that_cannot_be_and_empty_logs_are_refused(
        self, scan: LogScan, tmp_path: Path
    ) -> None:
        for day in (dt.date(1, 1, 1), dt.date(9999, 12, 31), dt.date(1979, 12, 31)):
            with pytest.raises(FilterError, match="in no year that a log can have"):
                answers.weekly(scan, day)
        with pytest.raises(FilterError, match="the log has no runs yet; add a run log first"):
            answers.weekly(store_of(tmp_path / "store", []))


class TestWhatIsLacking:
    def test_no_fault_no_burn_in_and_no_week_before(self, tmp_path: Path) -> None:
        few = rows(faults=False, proof=False, weeks=1)
        found = answers.weekly(store_of(tmp_path / "store", few))
        assert found.burn_in == {} and found.change is None and found.causes == ()
        assert found.now["misses"].rate == 0.0 and found.before["misses"].rate is None
        assert found.sentence() == (
            "In the week of 2 to 8 June 2031 misses ran at 0 and doubles at 0 per 10,000 feeds "
            "(nothing is logged in the four weeks before to compare with); faults cost 0 per "
            "10,000 sets; who is getting worse is not watched yet."
        )
        assert found.not_watched().startswith("Nothing ")
        assert found.dearest() == () and len(found.overs) == 3

    def test_a_week_in_which_nothing_ran(self, week: Weekly) -> None:
        nothing = Account(0, 0, 0, None, None)
        after = replace(week, first=dt.date(2031, 8, 4), account=nothing)
        assert after.sentence() == (
            "Nothing was produced in the week of 4 to 10 August 2031; the log up to then ends on "
            "20 July 2031."
        )
        before = replace(after, first=dt.date(2030, 8, 5), until=None)
        said = "Nothing was produced in the week of 5 to 11 August 2030: the log begins later."
        assert before.sentence() == said


def rate(kind: str, count: int, low: float, high: float, feeds: int = 100_000) -> Rate:
    shown = count / feeds if feeds else None
    return Rate(kind, count, feeds, 9, shown, low, high, 1.0, low, high)


class TestHowItIsTold:
    @pytest.mark.parametrize(
        ("now", "before", "word"),
        [
            ((3e-5, 5e-5), (1e-5, 2e-5), "up"),
            ((1e-5, 2e-5), (3e-5, 5e-5), "down"),
            ((1e-5, 4e-5), (3e-5, 5e-5), "no clear change"),
        ],
    )
    def test_up_and_down_only_where_ranges_lie_apart(
        self, now: tuple[float, float], before: tuple[float, float], word: str
    ) -> None:
        assert moved(rate("misses", 3, *now), rate("misses", 3, *before)) == word
        assert moved(rate("misses", 3, *now), rate("misses", 0, 0, 1, feeds=0)) == "unknown"

    def told(self, week: Weekly, *monitored: object, **changes: object) -> Weekly:
        drift = Drift(monitored, ("misses", "doubles"), ACCOUNT, 1.0, MONITORED)  # type: ignore[arg-type]
        return replace(week, drift=drift, **changes)  # type: ignore[arg-type]

    def test_who_began_is_still_and_ended_to_be_worse(self, week: Weekly) -> None:
        # RECENT was raised on Tuesday 20 May 2031, WORSE on 19 April; OVER ended on 21 February.
        new, old = stream_of("B", 7, alarms=(RECENT,)), stream_of("A", None, alarms=(WORSE,))
        past = stream_of("A", 3, "misses", (OVER,))
        quiet = stream_of("A", 4)
        may = self.told(week, new, old, past, quiet, first=dt.date(2031, 5, 19))
        assert [(s.name, a) for s, a in may.began] == [("bin 7 of tower B", RECENT)]
        assert [(s.name, a) for s, a in may.still] == [("tower A", WORSE)]
        assert may.ended == ()
        assert may.sentence().endswith(
            "; bin 7 of tower B began to be worse, tower A is still worse."
        )
        assert may.changes() == (
            "New: bin 7 of tower B, worse in doubles since about 9 May 2031: 2.4 times what its "
            "paper, air and settings explain (1.4 to 3.9), 15 where 6.2 were expected in 41,000 "
            "feeds; likely too high until more feeds confirm it.",
            "Still: tower A, getting worse in doubles since about 11 April 2031: by now 3.0 times "
            "what its paper, air and settings explain (2.2 to 4.0), 44 where 15 were expected in "
            "65,000 feeds.",
        )
        february = self.told(week, past, quiet, first=dt.date(2031, 2, 17))
        assert february.sentence().endswith("; bin 3 of tower A is no longer.")
        assert february.changes() == (
            "Over: bin 3 of tower A, worse in misses since about 24 January 2031, until 21 "
            "February 2031: feet cleaned.",
        )
        assert self.told(week, quiet).sentence().endswith("no bin and no tower is getting worse.")

    def test_a_ratio_without_an_upper_end_is_said(self, week: Weekly) -> None:
        endless = replace(RECENT, ratio_low=1.1, ratio_high=math.inf)
        told = self.told(week, stream_of("B", 7, alarms=(endless,)), first=dt.date(2031, 5, 19))
        assert "explain (1.1 or more), " in told.changes()[0]

    def test_an_alarm_at_either_end_of_the_week_is_in_it(self, week: Weekly) -> None:
        for moment, first in (
            (dt.datetime(2031, 5, 19, 0, 0), dt.date(2031, 5, 19)),
            (dt.datetime(2031, 5, 25, 23, 59), dt.date(2031, 5, 19)),
        ):
            stream = stream_of(alarms=(replace(RECENT, alarmed_at=moment),))
            assert self.told(week, stream, first=first).began
            for other in (first - dt.timedelta(days=7), first + dt.timedelta(days=7)):
                assert not self.told(week, stream, first=other).began

    def test_many_that_are_worse_are_counted(self, week: Weekly) -> None:
        many = [stream_of("A", number, alarms=(WORSE,)) for number in (1, 2, 3, 4)]
        assert self.told(week, *many).sentence().endswith("4 bins or towers are still worse.")

    def test_one_kind_up_and_the_other_not(self, week: Weekly) -> None:
        now = {"misses": rate("misses", 9, 6e-5, 2e-4), "doubles": rate("doubles", 1, 0, 1e-4)}
        before = {"misses": rate("misses", 3, 1e-5, 5e-5), "doubles": rate("doubles", 2, 0, 1e-4)}
        found = replace(week, weeks=((LATEST, now), *week.weeks[1:]), before=before)
        assert (
            "misses ran at 0.90 (up from 0.30) and doubles at 0.10 (no clear change) per 10,000 "
            "feeds, beside the four weeks before"
        ) in found.sentence()

    def test_nothing_was_watching(self, week: Weekly) -> None:
        off = {kind: rate(kind, 0, 0, 1, feeds=0) for kind in ("misses", "doubles")}
        found = replace(week, weeks=((LATEST, off), *week.weeks[1:]))
        assert "nothing was watching for misses and doubles" in found.sentence()

    def test_what_is_to_be_ordered_by_the_end_of_next_week(self, week: Weekly) -> None:
        base = PartRow(
            "A", 7, "brush", "doubles", low=1.02, high=1.09, wear_ratio_per_100k_feeds=1.05,
            limit_rate=4e-5, feeds_to_limit=30_000.0, feeds_to_limit_low=0.0,
            feeds_to_limit_high=90_000.0, limit_on=dt.date(2031, 8, 9), lead_days=12,
            order_by=dt.date(2031, 7, 28), rate_now=3e-5,
        )  # fmt: skip
        dates = (dt.date(2031, 7, 20), dt.date(2031, 7, 27), dt.date(2031, 7, 28))
        made = [replace(base, bin=n, order_by=when) for n, when in enumerate(dates, 1)]
        made.append(replace(base, bin=4, order_by=None))
        parts = replace(week.parts, parts=tuple(made), until=dt.datetime(2031, 7, 20, 23, 15))
        found = replace(week, parts=parts)
        assert [row.bin for row in found.orders] == [1, 2]
        now, later = found.orders_in_words()
        assert now.startswith("Order now: the brush of bin 1 of tower A. It passes its limit ")
        assert later.startswith("The brush of bin 2 of tower A. It passes its limit (0.40 doubles ")
        assert later.endswith("order by 27 July 2031, as it takes 12 days to come.")

    def test_services_of_this_week_and_the_one_before(self, week: Weekly) -> None:
        assert [(s.when.day, s.tower, s.bin) for s in week.services] == [
            (9, "A", 1), (9, "A", 2), (15, "B", 3),
        ]  # fmt: skip
        earlier = replace(week, first=dt.date(2031, 7, 7))
        assert [s.when.day for s in earlier.services] == [9, 9]
        assert [s.when.day for s in replace(week, first=FIRST).last_services] == [1, 1]


def service(bin: int | None, low: float, high: float, **changes: object) -> ServiceRow:
    made = ServiceRow(
        when=dt.datetime(2031, 7, 9, 6), tower="A", bin=bin, part="brush", action="fitted",
        reason="worn", kind="doubles", before_count=9, before_expected=3.0, before_feeds=90_000,
        after_count=2, after_expected=3.0, after_feeds=80_000, ratio_after=0.3, low=low,
        high=high, p_adjusted=0.001,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


class TestServicesInWords:
    def test_one_says_all_of_it(self) -> None:
        row = service(1, 0.1, 0.7)
        assert services_in_words([row]) == (row.sentence(),)

    def test_alike_ones_of_a_day_are_told_together(self) -> None:
        made = [service(n, 0.1, 0.7) for n in (1, 2, 3)] + [service(7, 0.9, 1.3)]
        assert services_in_words(made) == (
            "Bins 1 to 3 and 7 of tower A, 9 July 2031, brush fitted, by doubles: it helped in "
            "bins 1 to 3; it made no difference that shows in bin 7.",
        )
        assert services_in_words(made[:2]) == (
            "Bins 1 and 2 of tower A, 9 July 2031, brush fitted, by doubles: it helped.",
        )

    def test_others_are_not(self) -> None:
        made = [
            service(1, 0.1, 0.7),
            service(2, 0.1, 0.7, when=dt.datetime(2031, 7, 10)),
            service(3, 0.1, 0.7, tower="B"),
            service(4, 0.1, 0.7, action="cleaned"),
        ]
        assert services_in_words(made) == tuple(row.sentence() for row in made)


@pytest.mark.parametrize(("day", "first"), [(14, 14), (15, 14), (20, 14), (21, 21), (13, 7)])
def test_weeks_begin_on_monday(day: int, first: int) -> None:
    assert monday(dt.date(2031, 7, day)) == dt.date(2031, 7, first)
