"""``feedtally judge``: verdicts on burn-ins of the samples and of small logs."""

import csv

import pytest
from scipy import stats

from analysis.intake import read_bytes
from analysis.kept_plans import kept_plans
from analysis.store import Store

HEADER = "run,started,tower,bin,cycles,misses,doubles,purpose,proof,planted_doubles,called_doubles"


def burn_in(
    store: Store, *runs: tuple[int, dict[int, int], dict[int, int]], bins: int = 10
) -> None:
    """Add runs of (cycles, misses by bin, doubles by bin), one a day."""
    lines = [HEADER]
    for number, (cycles, misses, doubles) in enumerate(runs, 1):
        for place in range(1, bins + 1):
            lines.append(
                f"{number},2031-03-{number:02}T08:00,T,{place},{cycles},{misses.get(place, 0)},"
                f"{doubles.get(place, 0)},burn-in,T-1,,"
            )
    store.add(read_bytes(("\n".join(lines) + "\n").encode(), "burn-in.csv"))


def test_the_samples_against_a_recount(run, sample_store, samples):
    said = run("judge", "--store", sample_store, "--tower", "A", "--json")
    answer = said.json
    assert (said.code, answer["verdict"], answer["proof"]) == (0, "pass", "A-1")
    feeds = misses = doubles = planted = 0
    with (samples / "runs.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            if row["tower"] == "A" and row["purpose"] == "burn-in":
                feeds += int(row["cycles"])
                misses += int(row["misses"])
                doubles += int(row["doubles"])
                planted += int(row["planted_doubles"] or 0)
    kinds = answer["kinds"]
    assert [kinds[k]["feeds"] for k in ("misses", "doubles")] == [feeds, feeds]
    assert [kinds[k]["count"] for k in ("misses", "doubles")] == [misses, doubles]
    assert answer["detectors"][1]["planted"] == planted
    for judged in kinds.values():
        # Clopper and Pearson 1934, one-sided 95 %.
        bound = stats.beta.ppf(0.95, judged["count"] + 1, feeds - judged["count"])
        assert judged["upper_bound"] == pytest.approx(bound, rel=1e-9)
    assert sum(b["count"] for b in answer["bins"] if b["kind"] == "misses") == misses
    assert answer["producer_risk"] <= 0.05
    assert max(answer["pass_at_bad"].values()) <= 0.10


def test_the_latest_of_a_tower_and_an_older_one_by_name(run, sample_store):
    assert run("judge", "--store", sample_store, "--tower", "C", "--json").json["proof"] == "C-2"
    older = run("judge", "--store", sample_store, "--tower", "C", "--proof", "C-1", "--json").json
    assert (older["proof"], older["verdict"]) == ("C-1", "go on")
    assert older["kinds"]["doubles"]["expected_more_feeds"] > 0


def test_the_customary_burn_in_is_told_what_it_proved(run, store):
    burn_in(store, (7_500, {2: 1, 9: 1}, {5: 1}))
    said = run("judge", "--store", store.folder, "--tower", "T")
    text = " ".join(said.out.split())
    assert said.code == 0
    assert "Misses: 2 misses in 75,000 feeds prove a rate below 0.84 per 10,000 feeds" in text
    assert "Doubles: 1 double in 75,000 feeds proves no more than a rate below 0.64" in text
    assert "that it is better than the bad rate of 0.50 is not proved" in text
    assert "Go on with tower T" in text
    assert "extra cycles on this bin alone" in text


def test_a_bin_without_feeds_sees_nothing(run, store):
    line = "1,2031-03-01T08:00,T,{},{},0,0,burn-in,T-1,,"
    log = "\n".join([HEADER, line.format(1, 5000), line.format(2, 0), ""])
    store.add(read_bytes(log.encode(), "burn-in.csv"))
    said = run("judge", "--store", store.folder, "--tower", "T")
    rows = [row.split() for row in said.out.splitlines() if row.startswith("  2  ")]
    assert said.code == 0
    assert [(row[2], row[-1]) for row in rows] == [("0", "nothing"), ("0", "nothing")]
    bins = run("judge", "--store", store.folder, "--tower", "T", "--json").json["bins"]
    assert [b["seen_ratio"] for b in bins if b["bin"] == 2] == [None, None]


def test_a_tower_that_fails(run, store):
    burn_in(store, (10_000, dict.fromkeys(range(1, 11), 2), {}))
    said = run("judge", "--store", store.folder, "--tower", "T", "--json")
    assert (said.code, said.json["verdict"]) == (1, "fail")
    assert said.json["kinds"]["misses"]["verdict"] == "fail"


def test_a_bin_at_its_printed_count_fails_the_tower_and_one_fewer_is_a_doubt(run, store, tmp_path):
    burn_in(store, (60_000, {}, {}))
    clear = run("judge", "--store", store.folder, "--tower", "T", "--json").json
    # Either kind, and many numbers of faults: tests/analysis/test_acceptance.py.
    fails_at = next(b["fails_at"] for b in clear["bins"] if b["kind"] == "doubles")
    for short in (0, 1):
        own = Store(tmp_path / f"{short}", create=True)
        count = fails_at - short
        burn_in(own, (60_000, {}, {3: count}))
        said = run("judge", "--store", own.folder, "--tower", "T", "--json")
        out = [b for b in said.json["bins"] if b["stands_out"]]
        assert (said.code, len(out)) == ((1, 1) if not short else (0, 0))
        chance = 10 * 0.1**count
        doubt = f"{count} of {count} doubles fell in bin 3"
        told = next(text for text in said.json["doubts"] if doubt in text)
        assert (f"{chance:.2g}" in told) or "less than 0.0001" in told


def test_rates_and_plans_that_are_asked_for(run, sample_store):
    words = ("judge", "--store", sample_store, "--tower", "A", "--json")
    given = run(*words, "--misses", "1e-5,1e-4", "--doubles", "1e-5,4e-5").json["kinds"]
    assert (given["misses"]["good"], given["misses"]["bad"]) == (1e-5, 1e-4)
    assert (given["doubles"]["good"], given["doubles"]["bad"]) == (1e-5, 4e-5)
    single = run(*words, "--single").json["kinds"]["misses"]["plan"]
    assert single == {"method": "single", "feeds": 129_945, "allowed": 8}


def test_a_plan_kept_before_is_followed_and_said(run, store):
    keep = ("plan", "--good", "3e-5", "--bad", "1e-4", "--save", "T-1", "--tower", "T")
    for kind in ("misses", "doubles"):
        assert run(*keep, "--kind", kind, "--store", store.folder).code == 0
    burn_in(store, (20_000, {}, {}))
    answer = run("judge", "--store", store.folder, "--tower", "T", "--json").json
    for judged in answer["kinds"].values():
        assert judged["kept"]["before"] is True
        assert judged["kept"]["followed"] is True
        assert judged["plan"]["method"] == "single"
    assert not any("plan" in doubt for doubt in answer["doubts"])
    text = run("judge", "--store", store.folder, "--tower", "T").out
    assert "kept before its first run" in " ".join(text.split())
    other = run(
        "judge", "--store", store.folder, "--tower", "T", "--misses", "1e-5,1e-4", "--json"
    ).json
    assert "Misses are judged by another plan than the one kept." in other["doubts"]


def test_a_plan_kept_after_is_doubted(run, store):
    burn_in(store, (20_000, {}, {}))
    keep = ("plan", "--good", "3e-5", "--bad", "1e-4", "--save", "T-1", "--tower", "T")
    run(*keep, "--kind", "misses", "--store", store.folder)
    assert kept_plans(store.folder)[0].rows_before == 10
    answer = run("judge", "--store", store.folder, "--tower", "T", "--json").json
    assert answer["kinds"]["misses"]["kept"]["before"] is False
    assert any("after this burn-in had begun" in doubt for doubt in answer["doubts"])


def test_a_plan_kept_later_beside_one_kept_before_is_doubted(run, store):
    keep = ("plan", "--good", "3e-5", "--save", "T-1", "--tower", "T", "--kind", "misses")
    run(*keep, "--bad", "1e-4", "--store", store.folder)
    burn_in(store, (20_000, {}, {}))
    said = run(*keep, "--bad", "2e-4", "--store", store.folder)
    assert "a plan that was kept before them stands" in said.out
    answer = run("judge", "--store", store.folder, "--tower", "T", "--json").json
    assert answer["kinds"]["misses"]["bad"] == 1e-4
    assert any("1 more plan was kept for misses after" in doubt for doubt in answer["doubts"])


def test_a_plan_that_waits_for_its_runs_is_told(run, store):
    burn_in(store, (20_000, {}, {}))
    keep = ("plan", "--good", "3e-5", "--bad", "1e-4", "--kind", "misses", "--store", store.folder)
    where = ("--store", store.folder)
    assert run(*keep, "--save", "U-1", "--tower", "U").code == 0
    run("judge", *where, "--tower", "U").refused(
        "purpose burn-in; plan 1 (misses of U-1) is kept and waits"
    )
    assert run(*keep, "--save", "T-2", "--tower", "T").code == 0
    assert run(*keep, "--save", "T-2", "--tower", "T").code == 0
    run("judge", *where, "--tower", "T", "--proof", "T-2").refused(
        "; plans 2 (misses of T-2) and 3 (misses of T-2) are kept and wait"
    )
    assert "wait" not in run("judge", *where, "--tower", "T", "--proof", "T-9").err


def test_as_the_log_stood(run, store):
    burn_in(store, (20_000, {}, {}))
    said = run("judge", "--store", store.folder, "--tower", "T", "--as-of", "2020-01-01")
    said.refused("tower T has no burn-in in the log")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--tower", "Z"), "tower Z has no burn-in in the log; A, B and C have"),
        (("--tower", "A", "--proof", "A-9"), "tower A has no burn-in A-9; it has A-1"),
        (("--tower", "A", "--misses", "1e-4,3e-5"), "is not above the good one"),
        (("--tower", "A", "--doubles", "1e-4"), "1e-4 is no pair of rates"),
        ((), "--tower"),
    ],
)
def test_refusals(run, sample_store, words, told):
    run("judge", "--store", sample_store, *words).refused(told)
