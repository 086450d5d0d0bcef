"""Pounds per ream to g/m2, against the trade's printed factors."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.log_format import KINDS
from analysis.papers import BASIC_SIZES, GRADES, TOLERANCE, agree, grammage


# The factors that handbooks print (TAPPI), to three places, the third of tag cut off and not
# rounded; those of index and bristol, to two places, are from memory and agree with the definition.
@pytest.mark.parametrize(
    ("grade", "factor", "within"),
    [
        ("bond", 3.760, 0.0005),
        ("cover", 2.704, 0.0005),
        ("tag", 1.627, 0.001),
        ("text", 1.480, 0.0005),
        ("index", 1.81, 0.005),
        ("bristol", 2.19, 0.005),
    ],
)
def test_factors_are_the_printed_ones(grade: str, factor: float, within: float) -> None:
    assert grammage(1, grade) == pytest.approx(factor, abs=within)


def test_a_ream_of_the_basic_size_weighs_what_its_name_says() -> None:
    # By hand: 500 sheets of 431.8 by 558.8 mm at 75.19 g/m2 are 9.0718 kg, 20 pounds.
    assert 500 * 0.4318 * 0.5588 * grammage(20, "bond") / 453.59237 == pytest.approx(20, rel=1e-12)


def test_the_grades_are_those_of_the_stock_list() -> None:
    assert GRADES == KINDS["stocks"].column("basis_grade").choices


def test_arrays_are_taken_whole() -> None:
    found = grammage(np.array([20.0, 100.0, np.nan]), np.array(["bond", "cover", ""]))
    assert found.round(1).tolist()[:2] == [75.2, 270.4]
    assert np.isnan(found[2])
    assert grammage([50, 60], "text").round(1).tolist() == [74.0, 88.8]
    assert grammage([], []).tolist() == []


def test_one_paper_gives_a_plain_number() -> None:
    assert type(grammage(20, "bond")) is float
    assert type(agree(75, 20, "bond")) is bool


@pytest.mark.parametrize(
    ("weight", "grade", "told"),
    [
        (0, "bond", "basis_weight_lb must be above 0; the least given is 0"),
        ([20, -1], "bond", "the least given is -1"),
        (20, "newsprint", "grade must be one of bond, text, .*, not newsprint"),
        (20, "", "a basis weight needs a grade; give one of bond, text"),
    ],
)
def test_what_cannot_be_is_refused(weight: object, grade: str, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        grammage(weight, grade)  # type: ignore[call-overload]


# Nominal pairs as merchants list them side by side: common practice, no source.
@pytest.mark.parametrize(
    ("gsm", "weight", "grade"),
    [
        (75, 20, "bond"),
        (90, 24, "bond"),
        (75, 50, "text"),
        (90, 60, "text"),
        (120, 80, "text"),
        (150, 100, "text"),
        (216, 80, "cover"),
        (270, 100, "cover"),
        (163, 90, "index"),
        (199, 110, "index"),
        (147, 67, "bristol"),
        (163, 100, "tag"),
    ],
)
def test_rounded_weights_agree_in_their_own_grade_and_in_no_other(
    gsm: float, weight: float, grade: str
) -> None:
    assert [other for other in GRADES if agree(gsm, weight, other)] == [grade]


def test_a_mistaken_grade_is_beyond_the_tolerance_though_the_weight_is_rounded() -> None:
    areas = [width * height for width, height in BASIC_SIZES.values()]
    nearest = min(max(a, b) / min(a, b) for a, b in itertools.combinations(areas, 2))
    assert nearest == 950 / 864
    # Rounding to the next 5 g/m2 is 1.4 % of a 60-pound text; twice as much is allowed for here.
    assert 1 + TOLERANCE < nearest * (1 - 0.028)


def test_nothing_disagrees_with_what_is_not_given() -> None:
    nan = np.nan
    found = agree([80, nan, nan, 80], [nan, 20, nan, 20], ["", "bond", "", "bond"])
    assert found.tolist() == [True, True, True, False]


@given(st.floats(0.5, 1000), st.sampled_from(GRADES), st.floats(-0.2, 0.2))
def test_the_tolerance_is_the_same_share_at_every_weight(
    weight: float, grade: str, off: float
) -> None:
    if abs(abs(off) - TOLERANCE) > 1e-9:
        gsm = grammage(weight, grade) * (1 + off)
        assert agree(gsm, weight, grade) is (abs(off) < TOLERANCE)
