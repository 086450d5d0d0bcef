import datetime as dt

import pytest

from analysis.burn_ins import Batch, BatchError
from dashboard import filters
from dashboard.batches import read_batch, with_batch

NOW = dt.datetime(2031, 3, 14, 8, 5)


def form(**changed: str) -> dict[str, str]:
    usual = {"tower": "B", "name": "", "bins": "10", "cycles": "500", "misses": "", "doubles": ""}
    return usual | changed


def test_batches_go_into_the_address_one_after_another() -> None:
    first = with_batch({}, form(misses="3, 7 ?", doubles=" 7 7 "), NOW)
    query = filters.parse_query(first)
    assert query == {
        "typed": ["B"],
        "bins": ["10"],
        "begun": ["2031-03-14T08:05:00"],
        "batch": ["500 m3 m7 m? d7 d7"],
    }
    assert read_batch(query["batch"][0]) == Batch(500, (3, 7, None), (7, 7))
    later = with_batch(query, form(cycles="1,200"), NOW + dt.timedelta(hours=2))
    query = filters.parse_query(later)
    assert query["batch"] == ["500 m3 m7 m? d7 d7", "1200"]
    assert query["begun"] == ["2031-03-14T08:05:00"]


def test_what_else_is_in_the_address_stays() -> None:
    query = filters.parse_query("plan_good=0.2&tower=B")
    assert "plan_good=0.2&tower=B" in with_batch(query, form(), NOW)


@pytest.mark.parametrize(("bins", "listed"), [("10", 14), ("10", 8)])
def test_bins_that_the_tower_list_has_otherwise_are_not_counted(bins: str, listed: int) -> None:
    with pytest.raises(BatchError) as error:
        with_batch({}, form(bins=bins), NOW, listed)
    assert str(error.value) == (
        f"tower B has {listed} bins by the tower list, and not 10; type {listed} here, or correct "
        "the tower list if it is out of date"
    )
    assert f"bins={listed}" in with_batch({}, form(bins=str(listed)), NOW, listed)


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"cycles": "many"}, "cycles is many; type"),
        ({"cycles": ""}, "cycles is empty; type"),
        ({"cycles": "1,5"}, "cycles is 1,5; type"),
        ({"cycles": "0"}, "batch 1 has no cycles"),
        ({"misses": "11"}, "batch 1 has a fault in bin 11; the tower has 10 bins"),
        ({"misses": "three"}, "misses in bins has three"),
        ({"cycles": "1", "doubles": "3 3"}, "batch 1 has 2 faults of bin 3 in 1 cycle;"),
        ({"cycles": "1", "bins": "1", "doubles": "? ?"}, "2 faults in 1 feed;"),
        ({"bins": "0"}, "a tower of 0 bins cannot be"),
        ({"bins": "ten"}, "the number of bins is ten"),
        ({"tower": ""}, "the tower has no name"),
        ({"cycles": "99999999"}, "type at most 10,000,000"),
    ],
)
def test_wrong_input_is_a_sentence(changed: dict[str, str], told: str) -> None:
    with pytest.raises(BatchError) as error:
        with_batch({}, form(**changed), NOW)
    assert told in str(error.value)
