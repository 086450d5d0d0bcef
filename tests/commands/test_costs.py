"""``feedtally costs`` against sums of the sample log by nothing but the csv module."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from analysis.store import Store
from tests.commands.test_rates import read_rows
from tests.conftest import read, run_log

Write = Callable[..., Path]
HEADER = "run,started,tower,bin,cycles,misses,doubles,purpose,stock,found_later,sets_spoiled"


def test_the_samples_cost_what_their_lines_say(
    samples: Path, sample_store: Path, run: Callable[..., Any]
) -> None:
    answer = run("costs", "--store", sample_store, "--json", "--where", "tower=A").json
    lines = [
        row
        for row in read_rows(samples / "runs.csv")
        if row.line["tower"] == "A" and row.line["purpose"] in ("", "production")
    ]
    faults = sum((row.misses or 0) + (row.doubles or 0) for row in lines)
    # A line for several bins is read once for each; what belongs to a stretch stands on one line.
    once = {id(row.line): row.line for row in lines}.values()
    spoiled, mended, later = (
        sum(int(line[name] or 0) for line in once)
        for name in ("sets_spoiled", "sets_mended", "found_later")
    )
    share = spoiled / (spoiled + mended)
    assert (answer["total"]["faults"], answer["total"]["found_later"]) == (faults, later)
    # At the usual figures: 2 for a stop, 1 for a set mended, 2 for one spoiled, 25 found later.
    expected = faults * (2 + (1 - share) + 2 * share) + 25 * later
    assert answer["total"]["cost"] == pytest.approx(expected, rel=1e-9)
    for split in ("by_what", "by_kind", "by_tower", "by_bin", "by_stock"):
        total = sum(one["cost"] for one in answer[split])
        assert total == pytest.approx(expected, rel=1e-9), split
    days = {line["started"][:10] for line in once if int(line["cycles"] or 0)}
    assert answer["days"] == len(days)
    assert answer["total"]["low"] < expected < answer["total"]["high"]
    # The leaking foot of bin 2 and the worn brush of bin 7 were planted; nothing else was.
    assert answer["adjusted"]
    assert [one["bin"] for one in answer["bins"][:2]] == [2, 7]
    assert answer["bins"][0]["beyond_a_year_low"] > 0


def test_what_the_crew_reads(sample_store: Path, run: Callable[..., Any]) -> None:
    options = ("--where", "tower=A", "--kind", "doubles", "--since", "2031-07-01")
    text = run("costs", "--store", sample_store, *options).out
    assert text.startswith("Doubles cost ")
    assert "bin 7 of tower A costs most" in text
    assert "since the site file states none; money is such that an hour of a tower" in text
    assert "Faults in make-ready cost " in text
    for word in ("posterior", "p-value", "interval", "operator"):
        assert word not in text


def test_the_sites_figures_and_currency(
    run: Callable[..., Any], write: Write, tmp_path: Path
) -> None:
    store = tmp_path / "made"
    log = write(
        run_log(
            "1,2031-03-14T08:00,A,1,10000,2,1,,X,1,1",
            "1,2031-03-14T08:00,A,2,10000,1,0,,X,0,",
            header=HEADER,
        )
    )
    assert run("add", log, "--store", store).code == 0
    (store / "site.toml").write_text(
        '[costs]\ncurrency = "EUR"\nhour = 90\nstop_minutes = 4\nmend_minutes = 2\n'
        "spoiled_set = 5\nspoiled_share = 0.5\nfound_later = 30\n",
        "utf-8",
    )
    answer = run("costs", "--store", store, "--json").json
    assert (answer["currency"], answer["assumed"]) == ("EUR", [])
    # Every set that the log tells of was spoiled: 4 x (6 + 5), and one found later.
    assert answer["total"]["cost"] == pytest.approx(74)
    said = run("costs", "--store", store)
    assert said.out.startswith("Misses and doubles cost EUR 74 a working day (")
    assert "usual figures" not in said.out
    # Every table of money names the currency: what is paid, kind, tower, stock, bins.
    assert said.out.count("cost (EUR)") == 4
    assert "a year (EUR)" in said.out


def test_doubles_that_nothing_watched_for_are_not_said_to_cost_nothing(
    run: Callable[..., Any], write: Write, tmp_path: Path
) -> None:
    store = tmp_path / "made"
    log = write(run_log("1,2031-03-14T08:00,A,1,10000,2,off,,X,,", header=HEADER))
    run("add", log, "--store", store)
    said = run("costs", "--store", store).out
    assert said.startswith("Misses cost ")
    assert "Nothing was watching for doubles, so they are not in it." in said
    assert "\ndoubles" not in said
    alone = run("costs", "--store", store, "--kind", "doubles")
    assert (alone.code, alone.out.count("\n")) == (0, 1)
    assert alone.out.startswith("Nothing was watching for doubles in this part of the log")


def test_a_filter_without_rows_is_said(run: Callable[..., Any], store: Store) -> None:
    store.add(read(run_log()))
    said = run("costs", "--store", store.folder, "--where", "tower=Z")
    assert (said.code, said.out) == (0, "No rows of the log are in this filter; widen it.\n")
    answer = run("costs", "--store", store.folder, "--where", "tower=Z", "--json").json
    assert answer["total"]["cost"] == 0
    assert answer["bins"] == []


def test_the_log_as_it_stood(run: Callable[..., Any], write: Write, tmp_path: Path) -> None:
    store = tmp_path / "made"
    run("add", write(run_log()), "--store", store)
    said = run("costs", "--store", store, "--as-of", "2001-01-01", "--json")
    assert said.json["account"]["rows"] == 0


def test_wrong_usage_is_one_sentence(run: Callable[..., Any], store: Store) -> None:
    store.add(read(run_log()))
    run("costs", "--store", store.folder / "none").refused("no store")
    run("costs", "--store", store.folder, "--kind", "jams").refused("--kind is jams; write one of")
    run("costs", "--store", store.folder, "--where", "colour=1").refused("no column colour")
    (store.folder / "site.toml").write_text("[costs]\nhour = -1\n", "utf-8")
    run("costs", "--store", store.folder).refused("costs.hour")
