"""What costs most stands first in the attention list; counts and prices written by hand."""

import dataclasses

import pytest
from numpy.testing import assert_allclose

from analysis.attention import Attention, with_causes, with_costs, with_drift
from analysis.causes import BAD_LUCK, CANNOT_TELL
from analysis.filters import Filters
from tests.dashboard.causes_results import CANNOT, LUCK, cause_of, causes_of
from tests.dashboard.costs_results import beyond_of, costs_of
from tests.dashboard.drift_results import WORSE, drift_of, stream_of


def item(tower, bin, kind="", **changes):
    made = Attention(f"{tower}, bin {bin}", "Worse.", "so many", True, tower, bin, kind)
    return dataclasses.replace(made, **changes)


AIR = Attention("Air", "Humidity is often missing.", "read it", urgent=False)


def test_the_dearest_is_first_and_what_has_no_cost_last_of_the_urgent():
    # 3 a fault, and as many feeds in a year as were counted: 18, 84 and 6 a year.
    costs = {
        "faults": costs_of(beyond_of("A", 1, 20, 14), beyond_of("A", 2, 40, 12)),
        "doubles": costs_of(beyond_of("A", 3, 14, 12), kind="doubles"),
    }
    items = [item("Q", 9), AIR, item("A", 3, "doubles"), item("A", 1), item("A", 2)]
    found = with_costs(items, costs)
    assert [(one.tower, one.bin) for one in found] == [
        ("A", 2),
        ("A", 1),
        ("A", 3),
        ("Q", 9),
        ("", None),
    ]
    assert_allclose([one.cost[0] for one in found[:3]], [84, 18, 6], rtol=1e-12)
    assert_allclose(found[0].cost, (84, 48, 120), rtol=1e-12)
    assert found[3].cost is None and found[3].costs == ""


@pytest.mark.parametrize(
    ("faults", "sure", "told"),
    [
        (
            40,
            12,
            "Its doubles cost about GBP 84 a year beyond those of an ordinary bin (48 to 120)",
        ),
        (
            14,
            12,
            "Its doubles cost about GBP 6.0 a year beyond those of an ordinary bin (nothing to",
        ),
        (
            10,
            12,
            "Of late its doubles cost no more than those of an ordinary bin (at most 30 a year",
        ),
        (-5, 12, "Of late its doubles cost no more than those of an ordinary bin."),
    ],
)
def test_a_cost_is_said_with_its_range_and_never_below_nothing(faults, sure, told):
    costs = {"doubles": costs_of(beyond_of("A", 2, faults, 12, sure), kind="doubles")}
    (found,) = with_costs([item("A", 2, "doubles")], costs)
    assert found.costs.startswith(told)


def test_a_tower_as_a_whole_costs_what_is_beyond_expected_in_a_year():
    # 52 doubles where 40 were expected in 200,000 feeds, 1.1 to 1.6 times; two bins that feed a
    # million a year each, at 3 a fault.
    alarm = dataclasses.replace(WORSE, ratio_low=1.1, ratio_high=1.6, feeds=200_000)
    stream = dataclasses.replace(
        stream_of("B", None, "doubles", (alarm,)), observed=52, expected=40.0, feeds=200_000
    )
    (found,) = with_drift([], Filters(), drift_of(stream))
    costs = {"doubles": costs_of(beyond_of("B", 1, 20, 14), beyond_of("B", 2, 9, 12))}
    (priced,) = with_costs([found], costs)
    each = 3.0 * 2e6
    assert_allclose(priced.cost, (each * 6e-5, each * 2e-5, each * 1.2e-4), rtol=1e-9)
    assert priced.costs == (
        "Its doubles cost about GBP 360 a year beyond what was expected (120 to 720)."
    )
    # Of a tower that nothing prices, nothing is said.
    assert with_costs([found], {"doubles": costs_of(beyond_of("A", 1, 20, 14))})[0].cost is None


def test_what_is_likely_is_said_of_those_who_are_getting_worse_alone():
    worse = item("B", 7, "doubles", drifts=True)
    found = {("B", 7, "doubles"): causes_of()}
    assert with_causes([worse], found)[0].likely == "Likely cause: worn brush."
    assert with_causes([item("B", 7, "doubles")], found)[0].likely == ""
    assert with_causes([dataclasses.replace(worse, bin=8)], found)[0].likely == ""
    for first, told in (
        (LUCK, "By all that was logged, bad luck is the likeliest cause."),
        (CANNOT, "These counts cannot tell what is behind it; a swap would."),
    ):
        assert first.cause in (BAD_LUCK, CANNOT_TELL)
        one = {("B", 7, "doubles"): causes_of(first, cause_of(named=False))}
        assert with_causes([worse], one)[0].likely == told
