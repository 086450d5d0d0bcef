"""``feedtally believe``: what is hard to believe is found, and nothing else."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import json
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dashboard.commands import main
from tests.commands.conftest import Said
from tests.conftest import run_log

Run = Callable[..., Any]


@pytest.fixture(scope="module")
def truth(samples: Path) -> dict[str, Any]:
    told: dict[str, Any] = json.loads((samples / "truths.json").read_text("utf-8"))
    return told


@pytest.fixture(scope="module")
def found(sample_store: Path) -> dict[str, Any]:
    """Run the command once for tests that look at the same answer."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        code = main(["believe", "--store", str(sample_store), "--json"])
    answer: dict[str, Any] = Said(code, out.getvalue(), "", "believe").json
    assert code == 0
    return answer


def zero_runs(samples: Path, tower: str, since: str, until: str) -> int:
    """Count late production runs without any fault, by the csv module alone."""
    faults: dict[str, int] = {}
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        for line in csv.DictReader(file):
            at = line["started"]
            late = "14:00" <= at[11:16] < "22:00"
            if line["tower"] == tower and line["purpose"] == "production" and late:
                if since <= at[:10] <= until:
                    seen = sum(int(line[k]) for k in ("misses", "doubles") if line[k] != "off")
                    faults[line["run"]] = faults.get(line["run"], 0) + seen
    return sum(not count for count in faults.values())


def test_the_fortnight_of_zeros_is_found_and_nothing_else(
    found: dict[str, Any], samples: Path
) -> None:
    (finding,) = found["findings"]
    assert (finding["kind"], finding["tower"], finding["shift"]) == ("zeros", "B", "late")
    # The planted fortnight is 5 to 16 May; an honest run without a fault may stand next to it.
    first, last = finding["from"][:10], finding["to"][:10]
    assert "2031-04-28" <= first <= "2031-05-06"
    assert "2031-05-15" <= last <= "2031-05-20"
    assert finding["observed"] == zero_runs(samples, "B", first, last)
    assert finding["expected"] < finding["observed"] / 3
    assert finding["chance"] < 0.001
    assert "Ask how these were counted." in finding["sentence"]


def test_the_account_is_that_of_production(found: dict[str, Any], samples: Path) -> None:
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        lines = [line for line in csv.DictReader(file) if line["purpose"] == "production"]
    runs = {(line["tower"], line["run"]) for line in lines}
    assert found["account"]["runs"] == len(runs) == found["runs"]
    stretches = {
        (line["tower"], line["run"], line["stretch"]) for line in lines if line["cycles"] > "0"
    }
    assert found["stretches"] <= len(stretches)


def test_a_part_of_the_time_is_judged_with_the_whole_log_in_view(
    run: Run, sample_store: Path, found: dict[str, Any]
) -> None:
    later = run("believe", "--store", sample_store, "--since", "2031-06-01")
    assert later.out.startswith("Nothing in this time is hard to believe; the whole log was")
    may = ("--since", "2031-05-01", "--until", "2031-05-31")
    said = run("believe", "--store", sample_store, *may, "--json").json
    assert said["findings"] == found["findings"]
    assert said["account"]["runs"] < found["account"]["runs"]


def test_a_log_of_a_few_runs_says_what_could_not_be_looked_at(
    run: Run, write: Callable[..., Path], tmp_path: Path
) -> None:
    lines = (f"r{day},2031-03-{day:02}T08:00,A,1,{4137 + 59 * day},1,0" for day in range(3, 8))
    store = tmp_path / "few"
    assert run("add", write(run_log(*lines)), "--store", store).code == 0
    said = run("believe", "--store", store, "--json").json
    assert not said["findings"]
    assert any("fewer than 20 runs" in text for text in said["not_looked"])


def test_nobody_is_named(run: Run, sample_store: Path) -> None:
    said = run("believe", "--store", sample_store)
    assert "operator" not in said.out
    assert "blame" not in said.out
    asked = run("believe", "--store", sample_store, "--where", "operator=K")
    asked.refused("rates are not given by operator")


def test_a_run_that_was_written_twice_is_found(
    run: Run, sample_store: Path, samples: Path, tmp_path: Path
) -> None:
    # A run of the samples with many faults, once more under another name the day after.
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    made = [line for line in lines if line["purpose"] == "production" and line["bin"].isdecimal()]

    faults: Counter[tuple[str, str]] = Counter()
    for line in made:
        counts = (int(line[kind]) for kind in ("misses", "doubles") if line[kind] != "off")
        faults[line["tower"], line["run"]] += sum(counts)
    # The first of those that have as many; a Counter keeps the order in which they came.
    early = list(faults)[:150]
    key = max(early, key=faults.__getitem__)
    again = []
    for line in lines:
        if (line["tower"], line["run"]) == key and line["purpose"] == "production":
            later = dt.datetime.fromisoformat(line["started"]) + dt.timedelta(days=1)
            ended = dt.datetime.fromisoformat(line["ended"]) + dt.timedelta(days=1)
            again.append(
                {
                    **line,
                    "run": "twin",
                    "started": later.isoformat(timespec="minutes"),
                    "ended": ended.isoformat(timespec="minutes"),
                }
            )
    path = tmp_path / "twin.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(lines[0]))
        writer.writeheader()
        writer.writerows(again)
    store = shutil.copytree(sample_store, tmp_path / "store")
    assert run("add", path, "--store", store).code == 0
    said = run("believe", "--store", store, "--json").json
    twins = [finding for finding in said["findings"] if finding["kind"] == "copy"]
    assert [set(finding["runs"]) for finding in twins] == [{key[1], "twin"}]
