"""What common practice says of a paper, and that nothing is said beyond it."""

from __future__ import annotations

import itertools
import math
import re

import pytest

from analysis.log_format import KINDS
from analysis.starting_points import CAUTION, StartingPoint, starting_points

A4 = (210.0, 297.0)
LARGE = (320.0, 450.0)

#: The numbers that practice states, and those of A4's name.
STATED = {"80", "118", "4", "2"}

ATTRIBUTES = (
    (None, 45.0, 117.9, 118.0, 119.0, 300.0),
    (None, "coated", "uncoated", "silk"),
    (None, "unprinted", "offset", "toner", "inkjet", "liquid-toner"),
    (None, 210.0, 320.0),
    (None, 297.0, 450.0),
    (None, 60.0, 250.0),
)


def said(
    grammage: float | None = None,
    coating: str | None = None,
    printed_by: str | None = None,
    size: tuple[float, float] | tuple[None, None] = (None, None),
    beside: float | None = None,
) -> dict[str, StartingPoint]:
    points = starting_points(grammage, coating, printed_by, *size, beside)
    found = {point.setting: point for point in points}
    assert len(found) == len(points)
    return found


def test_nothing_is_said_of_a_paper_of_which_nothing_is_known() -> None:
    assert starting_points(None, None, None, None, None) == ()
    assert starting_points(math.nan, "", "", math.nan, math.nan, math.nan) == ()


def test_every_sentence_is_labelled_and_states_no_number_of_its_own() -> None:
    seen = set()
    for paper in itertools.product(*ATTRIBUTES):
        given = {f"{value:.4g}" for value in (paper[0], paper[5]) if value}
        for point in starting_points(*paper):
            seen.add(point.setting)
            text = point.sentence()
            assert text.startswith("Common practice, no source: ")
            assert text.endswith(".")
            assert set(re.findall(r"\d+(?:\.\d+)?", text)) <= STATED | given, text
            # No mark, level or number to set: practice has none.
            assert not re.search(r"\d", point.what)
    assert seen == {
        "set_spring",
        "set_foot_rest",
        "set_bleed_holes",
        "set_foot_height",
        "prepared",
    }
    assert seen <= set(KINDS["runs"].names)


@pytest.mark.parametrize(
    ("grammage", "coating", "released"),
    [
        (118, "coated", True),
        (150, " Coated ", True),
        (117.9, "coated", False),
        (150, "uncoated", False),
        (150, None, False),
        # Nobody said whether the site's own word means coated.
        (150, "silk", False),
        (None, "coated", False),
    ],
)
def test_the_spring_is_released_for_heavy_coated_stock(
    grammage: float | None, coating: str | None, released: bool
) -> None:
    found = said(grammage, coating, size=A4)
    assert ("set_spring" in found) == released
    if released:
        assert found["set_spring"].what == "release the auxiliary spring"


@pytest.mark.parametrize(
    ("grammage", "size", "back"),
    [
        (150, LARGE, "a large heavy lift such as this may need some of it back"),
        (150, LARGE[::-1], "a large heavy lift such as this may need some of it back"),
        (150, (211, 297), "a large heavy lift such as this may need some of it back"),
        (150, A4, None),
        # Long and narrow: smaller than A4 by area.
        (150, (100, 450), None),
        (118, LARGE, None),
        (150, (320, None), "a large heavy lift may need some of it back"),
        (118, (None, None), None),
    ],
)
def test_a_large_heavy_lift_may_need_some_spring_back(
    grammage: float, size: tuple[float, float], back: str | None
) -> None:
    found = said(grammage, "coated", size=size)["set_spring"]
    assert found.what.partition("; ")[2] == (back or "")
    assert ("our choice" in found.why) == (back is not None and "such" in back)


def test_the_foot_rest_stands_well_out_for_light_stock() -> None:
    for coating in (None, "coated", "uncoated"):
        found = said(80, coating)["set_foot_rest"]
        assert found.what == "set the foot rest well out"
        assert "light" in found.why and "our choice" in found.why


def test_the_foot_rest_of_heavier_stock_turns_on_what_is_a_cover() -> None:
    cover = said(250, "coated")["set_foot_rest"]
    assert cover.what == "set the foot rest fully in if this is a cover stock"
    for grammage in (None, 250):
        found = said(grammage, "uncoated")["set_foot_rest"]
        assert found.what == "set the foot rest well out, but fully in if this is a cover stock"
        assert found.why == "this paper is uncoated"
    assert said(None, "coated") == {}


def test_the_foot_just_touches_the_pile_for_light_stock_alone() -> None:
    assert said(80)["set_foot_height"].what == "let the suction foot just touch the pile"
    for grammage in (None, 118, 250):
        assert "set_foot_height" not in said(grammage, "uncoated")


@pytest.mark.parametrize(
    ("grammage", "beside", "bled"),
    [
        (80, 250, True),
        # The cover's own bin: practice means every bin.
        (250, 80, True),
        (80, 118, True),
        (80, 100, False),
        (150, 250, False),
        (80, None, False),
        (None, 250, False),
    ],
)
def test_light_sheets_with_a_heavy_cover_get_a_little_bleed(
    grammage: float | None, beside: float | None, bled: bool
) -> None:
    found = said(grammage, beside=beside)
    assert ("set_bleed_holes" in found) == bled
    if bled:
        assert found["set_bleed_holes"].what.startswith("give every bin a little bleed")
        assert "under a heavy cover" in found["set_bleed_holes"].what


def test_fanning_is_for_toner_in_dry_air() -> None:
    assert said(printed_by="Toner")["prepared"].sentence() == (
        "Common practice, no source: fan or blow the pile before loading when static is likely, "
        "since this paper is toner-printed, and static is likeliest on toner-printed sheets in dry "
        "air."
    )
    for other in (None, "unprinted", "offset", "inkjet", "liquid-toner"):
        assert said(printed_by=other) == {}


@pytest.mark.parametrize("place", range(4))
@pytest.mark.parametrize("wrong", [0, -80, math.inf])
def test_sizes_and_weights_that_cannot_be_are_refused(place: int, wrong: float) -> None:
    numbers: list[float | None] = [80, 210, 297, 250]
    numbers[place] = wrong
    name = ("grammage_gsm", "width_mm", "height_mm", "beside_grammage_gsm")[place]
    with pytest.raises(ValueError, match=f"^{name} must be a number above 0"):
        starting_points(numbers[0], None, None, *numbers[1:])


def test_the_caution_defers_to_the_maker_and_the_local_rules() -> None:
    for words in ("switch the tower off", "isolate", "vent", "maker", "local rules"):
        assert words in CAUTION
