"""How towers and bins stand beside a benchmark."""

import datetime as dt

import pyarrow as pa
import pytest

from analysis.benchmark import STANDARD, Compared, compare
from analysis.counts import Account
from analysis.site import parse_site
from analysis.spread import between_run_variance


def by_run(rows, **columns):
    """Counts by run from (bin, run, feeds, misses); ``columns`` give groups beside the bin."""
    size = len(rows)
    feeds = pa.array([row[2] for row in rows], pa.int64())
    misses = pa.array([row[3] for row in rows], pa.int64())
    table = {
        "bin": pa.array([row[0] for row in rows], pa.int32()),
        "of_tower": pa.array(["A"] * size, pa.string()),
        "of_run": pa.array([str(row[1]) for row in rows], pa.string()),
        "rows": pa.array([1] * size, pa.int64()),
        "feeds": feeds,
        "first": pa.array([dt.datetime(2031, 1, 1)] * size, pa.timestamp("us")),
    }
    table |= {f"feeds_{kind}": feeds for kind in ("misses", "doubles", "faults")}
    table |= {"misses": misses, "doubles": pa.array([0] * size, pa.int64()), "faults": misses}
    table |= {name: pa.array(values, pa.string()) for name, values in columns.items()}
    return pa.table(table)


def paper(**feeds):
    """Feeds by stock; the name before the underscore is how it is printed."""
    return by_run(
        [(1, i, fed, 0) for i, fed in enumerate(feeds.values())],
        stock=list(feeds),
        printed_by=[name.partition("_")[0] for name in feeds],
    )


SAME = paper(offset_a=100)
STEADY = {"A": between_run_variance([50] * 40, [50.0] * 40)[0]}


def compared(now, then, **options):
    papers = {"paper": SAME, "benchmark_paper": SAME} | options
    return Compared("A", now=now, benchmark=then, only=(), **papers)


def result(cases, against="burn-in", **options):
    return compare("misses", against, cases, Account(0, 0, 0, None, None), STEADY, **options)


MANY = by_run([(b, r, 50_000, 8) for b in (1, 2) for r in range(40)])
FEW = by_run([(b, r, 50_000, 4) for b in (1, 2) for r in range(40)])


def test_a_doubled_rate_is_worse_and_half_of_it_better():
    worse = result([compared(MANY, FEW)]).comparisons
    assert [(p.bin, p.comparison.verdict) for p in worse] == [
        (None, "worse"),
        (1, "worse"),
        (2, "worse"),
    ]
    better = result([compared(FEW, MANY)]).comparisons
    assert {p.comparison.verdict for p in better} == {"better"}
    assert worse[0].comparison.ratio == 2.0


def test_the_same_rate_is_as_good():
    assert {p.comparison.verdict for p in result([compared(FEW, FEW)]).comparisons} == {"as good"}


def test_a_bin_borrows_from_its_tower():
    # Twelve faults in bin 1, none in bin 2 and three in the others, each in a tenth of the tower's
    # feeds: neither is held to four times the tower's usual rate or to none at all.
    faults = {1: 12, 2: 0} | dict.fromkeys(range(3, 11), 3)
    then = by_run([(number, 1, 10_000, count) for number, count in faults.items()])
    found = result([compared(MANY, then)]).comparisons
    rates = {p.bin: p.comparison.benchmark_rate for p in found}
    assert rates[None] == 3.6e-4
    assert 0 < rates[2] < 3e-4 and 3.6e-4 < rates[1] < 12e-4


def test_a_tower_without_a_burn_in_is_named_and_not_compared():
    found = result([compared(MANY, None)])
    assert found.comparisons == ()
    assert found.sentence() == (
        "Tower A has no burn-in in this filter; compare it with the stated standard."
    )


def test_nothing_logged_after_the_burn_in_is_said():
    found = result([compared(by_run([]), FEW)])
    assert (
        found.sentence()
        == "Nothing that this filter holds is logged of tower A after its burn-in to compare."
    )


def test_blank_paper_in_a_burn_in_is_said():
    (note,) = result(
        [
            compared(
                MANY,
                FEW,
                paper=paper(offset_a=90, unprinted_b=10),
                benchmark_paper=paper(unprinted_b=100),
            )
        ]
    ).notes
    assert note.startswith("The burn-in of tower A ran mostly blank paper")


def note_of(now, then):
    return result([compared(MANY, FEW, paper=now, benchmark_paper=then)]).notes


def test_other_paper_in_a_burn_in_is_said():
    (note,) = note_of(paper(offset_a=70, offset_b=30), paper(offset_b=1))
    assert note.startswith("Only 30 % of the feeds of tower A are on a paper that its burn-in ran")
    # However little of it the burn-in ran, it is that paper: 60 % of the feeds are on b and c.
    (note,) = note_of(paper(offset_a=40, offset_b=30, offset_c=30), paper(offset_b=95, offset_c=5))
    assert note.startswith("Only 60 %")


def test_a_burn_in_on_more_papers_than_are_run_needs_no_note():
    assert note_of(paper(offset_a=100), paper(offset_a=20, offset_b=80)) == ()


def test_a_burn_in_without_a_paper_logged_is_said():
    then = (
        paper(offset_a=100)
        .drop_columns(["stock"])
        .append_column("stock", pa.array([None], pa.string()))
    )
    (note,) = note_of(paper(offset_a=100), then)
    assert note.startswith("No paper is logged for the burn-in of tower A")


def test_another_mix_of_stocks_than_in_the_settled_period_is_said_with_sizes():
    then = paper(offset_a=30, offset_b=60, offset_c=10)
    now = paper(offset_a=52, offset_b=34, offset_c=14)
    mixed = compared(MANY, FEW, paper=now, benchmark_paper=then)
    found = result([mixed], "settled")
    assert found.notes == (
        "Tower A runs another mix of stocks than in its settled period, by feeds: offset_b 60 % "
        "then and 34 % now and offset_a 30 % then and 52 % now.",
    )
    assert found.sentence().endswith(
        "then and 52 % now. Paper and air are taken as they came in both times, so a difference "
        "may be theirs in part or as a whole."
    )
    nearly = paper(offset_a=38, offset_b=52, offset_c=10)
    assert result([compared(MANY, FEW, paper=nearly, benchmark_paper=then)], "settled").notes == ()


def test_paper_and_air_as_they_came_are_a_caution_where_a_difference_is_told():
    caution = "Paper and air are taken as they came in both times"
    assert caution in result([compared(MANY, FEW)]).sentence()
    assert caution in result([compared(FEW, MANY)], "settled").sentence()
    assert caution not in result([compared(FEW, FEW)], "settled").sentence()
    assert caution not in result([compared(MANY, None)], "standard", standard=1e-5).sentence()


def test_the_same_paper_needs_no_note():
    assert result([compared(MANY, FEW)]).notes == ()


def test_a_standard_needs_no_burn_in():
    found = result([compared(FEW, None)], against="standard", standard=8e-5)
    assert {p.comparison.verdict for p in found.comparisons} == {"as good"}
    assert found.comparisons[0].comparison.benchmark_rate == 8e-5


def test_a_sites_own_standard_is_taken_unless_another_is_given():
    # Misses run at 0.8 per 10,000 feeds in FEW.
    tower = compared(FEW, None, benchmark_paper=None)
    site = parse_site("[standard]\nmisses_per_10k = 2", "site.toml")
    held = {
        "usual": result([tower], "standard"),
        "site": result([tower], "standard", site=site),
        "given": result([tower], "standard", site=site, standard=8e-5),
    }
    assert {
        name: found.comparisons[0].comparison.benchmark_rate for name, found in held.items()
    } == {
        "usual": 3e-5,
        "site": 2e-4,
        "given": 8e-5,
    }
    verdicts = {name: found.comparisons[0].comparison.verdict for name, found in held.items()}
    assert verdicts == {"usual": "worse", "site": "better", "given": "as good"}
    assert "2.0 per 10,000 feeds" in held["site"].comparisons[0].comparison.sentence()


def test_a_kind_that_the_site_states_nothing_of_keeps_the_usual_standard():
    site = parse_site("[standard]\ndoubles_per_10k = 2", "site.toml")
    tower = compared(FEW, None, benchmark_paper=None)
    found = result([tower], "standard", site=site).comparisons[0].comparison
    assert found.benchmark_rate == STANDARD["misses"] == 3e-5


def test_the_highest_standard_that_a_site_can_state_can_be_compared_with():
    site = parse_site("[standard]\nmisses_per_10k = 9999.9", "site.toml")
    tower = compared(FEW, None, benchmark_paper=None)
    assert result([tower], "standard", site=site).comparisons[0].comparison.verdict == "better"


def test_sentence_names_the_worse_and_how_towers_stand():
    sentence = result([compared(MANY, FEW)]).sentence()
    assert sentence == (
        "Worse than its burn-in: tower A, tower A bin 1 and tower A bin 2. Paper and air are taken "
        "as they came in both times, so a difference may be theirs in part or as a whole."
    )
    assert result([compared(FEW, FEW)]).sentence() == (
        "No tower and no bin is shown to be worse than its burn-in. Tower A: as good."
    )


def test_an_unknown_benchmark_is_refused():
    with pytest.raises(ValueError, match="burn-in, settled, standard"):
        result([compared(FEW, FEW)], against="yesterday")


def test_a_bins_own_share_of_the_burn_in_is_told_beside_what_it_borrows():
    then = by_run([(1, 1, 10_000, 2), (2, 1, 10_000, 0)])
    found = {p.bin: p for p in result([compared(MANY, then)]).comparisons}
    assert (found[1].own_count, found[1].own_feeds) == (2, 10_000)
    assert (found[None].own_count, found[None].own_feeds) == (2, 20_000)
    assert "its share of the burn-in of tower A" in found[2].comparison.sentence()


def test_many_worse_bins_are_counted_and_not_all_named():
    now = by_run([(b, r, 50_000, 12) for b in range(1, 15) for r in range(40)])
    then = by_run([(b, r, 50_000, 4) for b in range(1, 15) for r in range(40)])
    assert (
        "Worse than its burn-in: tower A, tower A bin 1, tower A bin 2, tower A bin 3, tower A bin "
        "4, tower A bin 5, tower A bin 6 and 8 more. "
    ) in result([compared(now, then)]).sentence()
