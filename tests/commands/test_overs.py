"""``feedtally overs``: spare sheets of a job, and what stands beside them."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

Run = Callable[..., Any]


@pytest.fixture
def asked(run: Run, sample_store: Path) -> Run:
    def ask(*words: object) -> Any:
        return run("overs", "--store", sample_store, *words)

    return ask


def lines(samples: Path, stock: str, purpose: str) -> list[dict[str, str]]:
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        return [
            line
            for line in csv.DictReader(file)
            if line["stock"] == stock and (line["purpose"] or "production") == purpose
        ]


def test_the_samples_answer_is_that_of_their_lines(asked: Run, samples: Path) -> None:
    answer = asked("--stock", "BO90", "--sets", "20000", "--bins", "8", "--json").json
    # The rate of the paper, and how its runs vary, as planted and recounted from the lines.
    found = lines(samples, "BO90", "production")
    faults = sum(
        int(line["misses"]) + int(line["doubles"])
        for line in found
        if line["doubles"] != "off" and "-" not in line["bin"]
    )
    assert answer["count"] == pytest.approx(faults, abs=0.01 * faults)
    assert answer["rate"] == pytest.approx(answer["count"] / answer["feeds"], rel=0.05)
    # Runs and bins of the samples vary so little that a bin of 20,000 sets needs no more than a
    # negative binomial of the two variances together, as scipy.stats has it, and at least a plain
    # count; eight bins need more than one.
    mean = 20_000 * answer["rate"]
    size = 1 / (answer["variance"] + answer["between_bins"])
    one_bin = stats.nbinom.ppf(0.95, size, size / (size + mean))
    assert stats.poisson.ppf(0.95, mean) <= answer["spare_sheets_one_bin"] <= one_bin
    assert answer["spare_sheets_per_bin"] > answer["spare_sheets_one_bin"]
    assert answer["spare_sheets"] == 8 * answer["spare_sheets_per_bin"]
    assert mean * 8 < answer["spare_sheets_one_pile"] < answer["spare_sheets"]
    assert 0.95 <= answer["finish"] < 1


def test_make_ready_is_what_set_up_took(asked: Run, samples: Path) -> None:
    cycles: dict[tuple[str, str], dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for line in lines(samples, "CT250", "set-up"):
        if line["bin"] != "?":
            cycles[line["tower"], line["run"]][line["bin"]] += int(line["cycles"])
    longest = [max(bins.values()) for bins in cycles.values()]
    ready = asked("--stock", "CT250", "--sets", "3000", "--json").json["make_ready"]
    assert ready["runs"] == len(longest)
    assert ready["median"] == np.median(longest)
    assert ready["high"] == pytest.approx(np.quantile(longest, 0.95))


def test_a_harder_promise_needs_more(asked: Run) -> None:
    def spares(chance: str) -> int:
        said = asked("--stock", "LU60", "--sets", "30000", "--chance", chance, "--json")
        return int(said.json["spare_sheets_per_bin"])

    assert spares("0.8") < spares("0.95") < spares("0.99")


def test_what_the_crew_reads(asked: Run) -> None:
    said = asked("--stock", "LU60", "--sets", "4000", "--tower", "A", "--bins", "6")
    assert said.out.startswith("For 4,000 sets of LU60 on tower A in 6 bins: ")
    assert "so that 95 % of such jobs finish" in said.out
    assert "Make-ready comes on top: " in said.out
    assert "This rests on " in said.out
    for word in ("posterior", "beta", "variance", "interval"):
        assert word not in said.out


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--stock", "BO9", "--sets", "100"], "no stock BO9 in the log; the nearest is BO90"),
        (["--stock", "BO90", "--sets", "0"], "--sets: 0 is no number of sets from 1"),
        (["--stock", "BO90", "--sets", "many"], "--sets: many is no number of sets"),
        (["--stock", "BO90", "--sets", "9", "--bins", "0"], "--bins: 0 is no number of bins"),
        (["--stock", "BO90", "--sets", "9", "--chance", "1"], "1 is no share from 0.5 to 0.999"),
        (["--stock", "BO90", "--sets", "9", "--tower", "Z"], "no tower Z in the log; it has A, B"),
        (["--stock", "BO90", "--sets", "9", "--where", "stock=X"], "name it with --stock"),
        (["--stock", "BO90", "--sets", "9", "--since", "2040-01-01"], "has no feeds of production"),
        (
            ["--stock", "BO90", "--sets", "9", "--where", "purpose=trial"],
            "there is no purpose trial in the log; it has set-up, burn-in and production.",
        ),
        (["--sets", "9"], "--stock"),
    ],
    ids=lambda value: "_".join(value[-2:]) if isinstance(value, list) else "",
)
def test_wrong_usage_is_one_sentence(asked: Run, words: list[str], why: str) -> None:
    asked(*words).refused(why)
