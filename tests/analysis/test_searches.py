import math

import pytest

from analysis.searches import first_whole, least_place

UNTIL = (1e-13, 1e-12)


@pytest.mark.parametrize("least", [1, 2, 3, 17, 1_000, 999_999_999])
def test_the_first_whole_number_is_found_and_few_are_asked(least):
    asked = []

    def holds(number):
        asked.append(number)
        return number >= least

    assert first_whole(holds, 1) == least
    # Doubling and halving take two looks for each binary digit, and a few more.
    assert len(asked) <= 2 * math.log2(least) + 3


def test_what_holds_at_the_start_holds_there():
    assert first_whole(lambda number: True, 7) == 7


@pytest.mark.parametrize("guess", [0.1, 1.4, 1.5, 10.0])
def test_the_least_place_is_the_root_and_never_exceeds(guess):
    def excess(place):
        return math.log(2 / place**2)

    found = least_place(excess, guess, (0.1, 10.0), 2.0, UNTIL)
    assert found == pytest.approx(math.sqrt(2), rel=1e-12)
    assert excess(found) <= 0


def test_where_nothing_exceeds_it_is_the_first_place():
    assert least_place(lambda place: -place, 5.0, (1.0, 10.0), 1.0, UNTIL) == 1.0


def test_where_all_exceeds_there_is_none():
    assert least_place(lambda place: 1.0, 5.0, (1.0, 10.0), 1.0, UNTIL) is None
