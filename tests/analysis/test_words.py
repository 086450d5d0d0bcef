"""How numbers and nouns are said together, everywhere alike."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from analysis.words import called, either, listed, many, without_thousands

ROOT = Path(__file__).parents[2]

#: A count in digits with a plural noun after it, one of which would read "1 runs". Names in
#: capitals are constants of more than one.
BARE = re.compile(
    r"\{(?![^{}]*\b[A-Z][A-Z_]+\b)[^{}:]+:,\} "
    r"(cycles|feeds|runs|rows|lines|bins|towers|stretches|faults|misses|doubles|days|sets|parts"
    r"|services|intakes|files|values|columns|attempts)\b"
)


@pytest.mark.parametrize(
    ("number", "words", "told"),
    [
        (1, ("run",), "1 run"),
        (0, ("run",), "0 runs"),
        (1200, ("run",), "1,200 runs"),
        (1, ("miss", "misses"), "1 miss"),
        (2, ("miss", "misses"), "2 misses"),
        (1, ("file was", "files were"), "1 file was"),
    ],
)
def test_many(number: int, words: tuple[str, ...], told: str) -> None:
    assert many(number, *words) == told


def test_what_a_setting_is_called_is_spelt_out_in_one_place() -> None:
    found = [
        path.relative_to(ROOT).as_posix()
        for folder in ("analysis", "dashboard")
        for path in sorted((ROOT / folder).rglob("*.py"))
        if '.removeprefix("set_").replace(' in path.read_text("utf-8")
    ]
    assert found == ["analysis/words.py"]


def test_no_count_that_can_be_one_stands_before_a_plural() -> None:
    found = [
        f"{path.relative_to(ROOT)}: {match[0]}"
        for folder in ("analysis", "dashboard")
        for path in sorted((ROOT / folder).rglob("*.py"))
        for match in BARE.finditer(path.read_text("utf-8"))
    ]
    # More names than a header can have.
    assert found == ["analysis/headers.py: {len(names):,} columns"]


def test_words_are_joined() -> None:
    lists = ([], ["a"], ["a", "b"], ["a", "b", "c"])
    assert [listed(words) for words in lists] == ["", "a", "a and b", "a, b and c"]
    assert [either(words) for words in lists] == ["", "a", "a or b", "a, b or c"]


def test_columns_have_the_crews_names() -> None:
    names = ("set_foot_rest", "humidity_band", "stock")
    assert [called(name) for name in names] == ["foot rest", "humidity", "stock"]


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        ("1,200", "1200"),
        (" 12,345,678 ", "12345678"),
        ("1,200.5", "1200.5"),
        # A decimal point to many: left, so that it is refused.
        ("0,3", "0,3"),
        ("1,5", "1,5"),
        ("1,50", "1,50"),
        ("12,3456", "12,3456"),
        ("0,300", "0,300"),
        ("1200", "1200"),
    ],
)
def test_commas_of_thousands_alone_are_read_over(typed: str, read: str) -> None:
    assert without_thousands(typed) == read
