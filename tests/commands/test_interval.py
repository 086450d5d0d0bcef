"""``feedtally interval``: what X faults in N feeds prove."""

from __future__ import annotations

import math

import pytest
from mpmath import betainc, mp


def test_no_fault_in_five_thousand_feeds(run) -> None:
    answer = run("interval", 0, 5000, "--json").json
    assert answer["high"] == pytest.approx(1 - 0.025 ** (1 / 5000), rel=1e-12)
    assert answer["high"] == pytest.approx(0.0007375038, abs=5e-11)
    assert answer["upper_bound"] == pytest.approx(1 - 0.05 ** (1 / 5000), rel=1e-12)
    assert (answer["low"], answer["lower_bound"], answer["rate"]) == (0, 0, 0)
    assert (answer["count"], answer["feeds"], answer["method"]) == (0, 5000, "exact")
    assert answer["account"] is None


def test_every_feed_a_fault(run) -> None:
    answer = run("interval", 20, 20, "--json", "--confidence", 0.9).json
    assert answer["low"] == pytest.approx(0.05 ** (1 / 20), rel=1e-12)
    assert answer["lower_bound"] == pytest.approx(0.1 ** (1 / 20), rel=1e-12)
    assert (answer["high"], answer["upper_bound"], answer["rate"]) == (1, 1, 1)


def test_no_feeds_prove_nothing(run) -> None:
    answer = run("interval", 0, 0, "--json").json
    assert (answer["low"], answer["high"], answer["rate"]) == (0, 1, None)
    assert run("interval", 0, 0).out == "No feeds prove nothing: the rate may be anything.\n"


@pytest.mark.parametrize(("count", "feeds"), [(1, 10), (3, 15), (7, 120_000)])
def test_the_exact_interval_is_clopper_and_pearsons(run, count: int, feeds: int) -> None:
    answer = run("interval", count, feeds, "--json").json
    with mp.workdps(30):
        # At either end, so many faults or more (or fewer) have a chance of 2.5 %.
        more = betainc(count, feeds - count + 1, 0, answer["low"], regularized=True)
        fewer = betainc(count + 1, feeds - count, answer["high"], 1, regularized=True)
    assert float(more) == pytest.approx(0.025, rel=1e-8)
    assert float(fewer) == pytest.approx(0.025, rel=1e-8)


def test_wilsons_interval_is_wilsons(run) -> None:
    answer = run("interval", 3, 15, "--json", "--method", "wilson").json
    z, n, p = 1.959963984540054, 15, 0.2
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    assert answer["low"] == pytest.approx(middle - half, rel=1e-9)
    assert answer["high"] == pytest.approx(middle + half, rel=1e-9)


@pytest.mark.parametrize("method", ["exact", "wilson", "jeffreys", "mid-p"])
@pytest.mark.parametrize("counts", [(0, 1), (1, 1), (1, 2), (5, 10**12), (10**12, 10**12)])
def test_every_method_answers_everywhere(run, method: str, counts: tuple[int, int]) -> None:
    answer = run("interval", *counts, "--json", "--method", method).json
    assert answer["method"] == method
    assert answer["low"] <= answer["rate"] <= answer["high"]
    assert answer["low"] <= answer["lower_bound"] <= answer["upper_bound"] <= answer["high"]


def test_marks_between_thousands_may_be_typed(run) -> None:
    assert run("interval", "1,000", "5_000_000", "--json").json["feeds"] == 5_000_000


def test_the_sentence_is_what_is_printed(run) -> None:
    said = run("interval", 7, 120_000)
    assert (said.code, said.err) == (0, "")
    assert said.out.strip() == run("interval", 7, 120_000, "--json").json["sentence"]
    assert said.out.startswith("7 faults in 120,000 feeds: 0.58 per 10,000 feeds (0.23 to 1.2, ")
