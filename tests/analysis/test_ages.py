"""Ages against a recount in plain Python, by hand, and from the sample logs read with csv."""

from __future__ import annotations

import csv
import datetime as dt
import math
import random
from collections import defaultdict
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from analysis.ages import Ages, ages
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.store import Store

Row = dict[str, object]
NAN = math.nan
DAY = dt.datetime(2031, 3, 1)


def at(day: float) -> dt.datetime:
    return DAY + dt.timedelta(days=day)


def entry(
    day: float, action: str, number: int | str | None = 1, part: str | None = "brush", tower="A"
) -> Row:
    """Return a row of the service log as the store gives it: wall time typed UTC."""
    return {
        "when": at(day).replace(tzinfo=dt.UTC),
        "tower": tower,
        "bin": None if number == "tower" else number,
        "of_tower": number == "tower",
        "part": part,
        "action": action,
    }


def table(rows: list[Row]) -> pa.Table:
    types = {"tower": pa.string(), "bin": pa.int64(), "of_run": pa.string()}
    types |= {"first": pa.timestamp("us"), "feeds": pa.int64()}
    return pa.table(
        {name: pa.array([row[name] for row in rows], type_) for name, type_ in types.items()}
    )


def fed_days(*feeds: int, number: int | None = 1, tower: str = "A") -> list[Row]:
    """Return one run a day with these feeds, at noon."""
    return [
        {"tower": tower, "bin": number, "of_run": str(day), "first": at(day + 0.5), "feeds": count}
        for day, count in enumerate(feeds)
    ]


def of(found: Ages, part: str, *, of_tower: bool = False) -> list[float]:
    place = list(zip(found.parts, found.of_tower, strict=True)).index((part, of_tower))
    return [float(age) for age in found.ages[place]]


def recount(rows: list[Row], services: list[Row], part: str, of_tower: bool) -> list[float]:
    """Work out each age by going through everything that came before it."""
    mine = [
        s
        for s in services
        if (s["part"] or "").strip().lower() == part and s["of_tower"] == of_tower
    ]
    runs: dict[tuple, list[Row]] = defaultdict(list)
    for row in rows:
        runs[row["tower"], row["of_run"]].append(row)
    found = []
    for row in rows:
        if of_tower:
            line = [
                (min(r["first"] for r in some), name, max(r["feeds"] for r in some))
                for (tower, name), some in runs.items()
                if tower == row["tower"]
            ]
            begun = next(began for began, name, _ in line if name == row["of_run"])
        else:
            line = [
                (r["first"], r["of_run"], r["feeds"])
                for r in rows
                if (r["tower"], r["bin"]) == (row["tower"], row["bin"])
            ]
            begun = row["first"]
        told: tuple | None = None
        for s in mine:
            when = s["when"].replace(tzinfo=None)
            if s["tower"] != row["tower"] or when > begun:
                continue
            if not of_tower and s["bin"] not in (None, row["bin"]):
                continue
            if s["action"] in ("fitted", "overhauled", "swapped"):
                told = max(told or (when, False), (when, s["action"] != "swapped"))
        if told is None or not told[1] or (row["bin"] is None and not of_tower):
            found.append(NAN)
            continue
        age = 0.0
        for began, name, feeds in line:
            if began >= told[0] and (began, name) < (begun, row["of_run"]):
                age += feeds
            elif name == row["of_run"]:
                age += feeds / 2
        found.append(age)
    return found


def test_age_is_feeds_since_the_fitting_to_the_middle_of_the_run() -> None:
    found = ages(table(fed_days(10, 20, 40, 80, 160)), [entry(1, "fitted"), entry(3.5, "fitted")])
    # The second fitting is at the very moment the fourth run began.
    np.testing.assert_array_equal(of(found, "brush"), [NAN, 10, 40, 40, 160])


def test_a_part_is_known_by_its_name_without_case_and_blanks() -> None:
    found = ages(table(fed_days(10, 20)), [entry(0, "fitted", part=" Suction FOOT ")])
    assert found.parts == ("suction foot",)


def test_fitted_without_a_bin_renews_every_bin_of_that_tower() -> None:
    rows = fed_days(10, 20, number=1) + fed_days(30, 40, number=2) + fed_days(5, 7, tower="B")
    found = ages(table(rows), [entry(1, "fitted", None)])
    np.testing.assert_array_equal(of(found, "brush"), [NAN, 10, NAN, 20, NAN, NAN])


def test_an_overhaul_renews_only_the_part_named_with_it() -> None:
    rows = table(fed_days(10, 20, 40))
    fitted = entry(0, "fitted")
    for part in (None, "", "  ", "foot"):
        found = ages(rows, [fitted, entry(1, "overhauled", part=part)])
        assert of(found, "brush") == [5, 20, 50], part
    found = ages(rows, [fitted, entry(1, "overhauled")])
    assert of(found, "brush") == [5, 10, 40]


def test_a_part_that_was_never_fitted_has_no_age() -> None:
    found = ages(table(fed_days(10)), [entry(0, "overhauled"), entry(0, "cleaned", part="filter")])
    assert found.parts == ()
    assert found.ages.shape == (0, 1)
    assert "No age is known" in found.sentence()


def test_swapped_leaves_the_age_unknown_until_the_next_fitting() -> None:
    done = [entry(0, "fitted", None), entry(1, "swapped", 1), entry(3, "fitted", 1)]
    rows = fed_days(10, 20, 40, 80, number=1) + fed_days(10, 20, number=2)
    found = ages(table(rows), done)
    np.testing.assert_array_equal(of(found, "brush"), [5, NAN, NAN, 40, 5, 20])


def test_of_a_swap_and_a_fitting_at_one_moment_the_fitting_stands() -> None:
    both = [entry(1, "fitted"), entry(1, "swapped")]
    for done in (both, both[::-1]):
        assert of(ages(table(fed_days(10, 20)), done), "brush")[1] == 10


@pytest.mark.parametrize("action", ["cleaned", "adjusted", "inspected", "moved"])
def test_other_services_change_no_age(action: str) -> None:
    found = ages(table(fed_days(10, 20)), [entry(0, "fitted"), entry(1, action)])
    assert of(found, "brush") == [5, 20]


def test_a_part_of_the_tower_ages_by_the_largest_feeds_of_any_bin() -> None:
    rows = fed_days(10, 20, 40, number=1) + fed_days(30, 0, 50, number=2)
    rows += fed_days(0, number=None)
    done = [entry(0, "fitted", "tower", "pump"), entry(0, "fitted", 1, "pump")]
    found = ages(table(rows), done)
    assert found.parts == ("pump", "pump")
    assert found.of_tower == (False, True)
    assert of(found, "pump", of_tower=True) == [15, 40, 75, 15, 40, 75, 15]
    # Where the bin was not noted, nobody knows whose age it would be.
    np.testing.assert_array_equal(of(found, "pump"), [5, 20, 50, NAN, NAN, NAN, NAN])


def test_a_run_of_a_tower_began_when_the_first_of_its_bins_did() -> None:
    rows = fed_days(10, 20, number=1) + fed_days(10, 20, number=2)
    rows[3]["first"] = at(1.9)
    found = ages(table(rows), [entry(1.7, "fitted", "tower", "pump"), entry(0, "fitted", 1)])
    assert all(math.isnan(age) for age in of(found, "pump", of_tower=True))


def test_runs_that_began_at_one_moment_are_taken_by_name() -> None:
    rows = fed_days(10, 20, 40)
    for row in rows:
        row["first"] = at(1)
    done = [entry(0, "fitted")]
    assert of(ages(table(rows), done), "brush") == [5, 20, 50]
    assert of(ages(table(rows[::-1]), done), "brush") == [50, 20, 5]


def test_counts_that_will_not_do_are_refused() -> None:
    rows = table(fed_days(10))
    with pytest.raises(ValueError, match="lack of_run; count them by run"):
        ages(rows.drop_columns(["of_run"]), [])


@pytest.mark.parametrize("seed", range(8))
def test_ages_agree_with_a_recount_in_plain_python(seed: int) -> None:
    draw = random.Random(seed)
    rows: list[Row] = []
    for tower in "AB":
        for run in range(25):
            # Hours are few, so that runs and services often fall on one moment.
            began = draw.randrange(40) / 4
            for number in draw.sample([1, 2, 3, None], draw.randint(1, 4)):
                feeds = 0 if number is None else draw.randrange(500)
                first = at(began + draw.choice((0, 0, 0.25)))
                rows.append(
                    {"tower": tower, "bin": number, "of_run": f"{run}", "first": first}
                    | {"feeds": feeds}
                )
    draw.shuffle(rows)
    actions = ("fitted", "fitted", "swapped", "overhauled", "cleaned", "moved")
    services = [
        entry(
            draw.randrange(40) / 4,
            draw.choice(actions),
            draw.choice([1, 2, 3, None, "tower"]),
            draw.choice(["brush", "Brush ", "foot", "pump", "", None]),
            draw.choice("AB"),
        )
        for _ in range(60)
    ]
    found = ages(table(rows), services)
    assert len(found.parts) >= 4
    for name, of_tower in zip(found.parts, found.of_tower, strict=True):
        expected = recount(rows, services, name, of_tower)
        np.testing.assert_array_equal(of(found, name, of_tower=of_tower), expected)


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def bins_of(cell: str) -> list[int | None]:
    """Return the bins that a cell of the run log stands for: ``1-3 8``, ``7`` or ``?``."""
    if cell == "?":
        return [None]
    spans = [part.split("-") for part in cell.split()]
    return [number for span in spans for number in range(int(span[0]), int(span[-1]) + 1)]


def test_sample_logs_agree_with_a_recount_by_csv(sample_store: Path, samples: Path) -> None:
    scan = LogScan(Store(sample_store).snapshot())
    counts = scan.by_run(("tower", "bin"), Filters())
    found = ages(counts, scan.list_rows("services"))
    assert dict(zip(found.parts, found.of_tower, strict=True)) == {
        "brush": False,
        "suction foot": False,
        "filter": True,
        "pump": True,
    }

    fed: dict[tuple, list] = {}
    for line in read_csv(samples / "runs.csv"):
        for number in bins_of(line["bin"]):
            key = (line["tower"], number, line["run"])
            held = fed.setdefault(key, ["9999", 0])
            held[0] = min(held[0], line["started"])
            held[1] += int(line["cycles"] or 0)
    fitted = [
        (line["when"], line["tower"], line["bin"], line["part"])
        for line in read_csv(samples / "services.csv")
        if line["action"] == "fitted"
    ]
    expected: dict[str, dict[tuple, float]] = {part: {} for part in found.parts}
    ran: dict[tuple, list] = defaultdict(list)
    cycled: dict[tuple, list] = {}
    for (tower, number, run), (began, feeds) in fed.items():
        ran[tower, number].append((began, run, feeds))
        held = cycled.setdefault((tower, run), ["9999", 0])
        held[0], held[1] = min(held[0], began), max(held[1], feeds)
    for (tower, number), line in ran.items():
        for part in ("brush", "suction foot"):
            # Without a bin it is fitted in every bin, as after the overhaul of tower C.
            whens = sorted(
                when
                for when, of, place, what in fitted
                if number and (of, what) == (tower, part) and place in ("", str(number))
            )
            for run, age in walk(sorted(line), whens):
                expected[part][tower, number, run] = age
    for tower in "ABC":
        line = sorted((began, run, n) for (t, run), (began, n) in cycled.items() if t == tower)
        for part in ("filter", "pump"):
            whens = sorted(
                when for when, *place, what in fitted if (*place, what) == (tower, "tower", part)
            )
            by_run = dict(walk(line, whens))
            for key in fed:
                if key[0] == tower:
                    expected[part][key] = by_run[key[2]]

    keys = [(row["tower"], row["bin"], row["of_run"]) for row in counts.to_pylist()]
    assert set(keys) == set(fed)
    for name, row in zip(found.parts, found.ages, strict=True):
        np.testing.assert_array_equal(row, [expected[name][key] for key in keys])
        assert np.nanmax(row) > 1000
    assert found.sentence() == (
        "Age is known at every feed for brush, suction foot, filter of the tower and pump of the "
        "tower."
    )


def walk(line: list[tuple], whens: list[str]) -> list[tuple[str, float]]:
    """Go through the runs in order of time; texts in ISO 8601 sort as moments do."""
    found, age, left = [], NAN, list(whens)
    for began, run, feeds in line:
        while left and left[0] <= began:
            age = 0.0
            left.pop(0)
        found.append((run, age + feeds / 2))
        age += feeds
    return found
