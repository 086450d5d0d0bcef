"""What the page of the log format says of every column is what the format has, no more, no less."""

from __future__ import annotations

import re

import pyarrow as pa
import pytest

import data_samples
from analysis.log_format import KINDS, LARGEST_WHOLE, Column, Kind
from analysis.values import read_column
from tests.conftest import read

FOLDER = data_samples.folder()
PAGE = (FOLDER / "README.md").read_text("utf-8")
HEAD = "| column | needed | what stands in it | example |"

CASES = [(kind, column) for kind in KINDS for column in KINDS[kind].columns]


def entries(kind: Kind) -> dict[str, list[str]]:
    """Return the rows of the table of a kind of file, by column."""
    section = PAGE.split(f"\n## The {KINDS[kind].title}\n")[1].split("\n## ")[0]
    table = [line for line in section.splitlines() if line.startswith("|")]
    assert table[0] == HEAD
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in table[2:]]
    return {row[0].strip("`"): row[1:] for row in rows}


@pytest.mark.parametrize("kind", KINDS)
def test_every_column_has_its_row_in_the_order_of_the_format(kind: Kind) -> None:
    assert tuple(entries(kind)) == KINDS[kind].names


@pytest.mark.parametrize(
    ("kind", "column"), CASES, ids=[f"{kind}-{column.name}" for kind, column in CASES]
)
def test_rows_say_what_is_needed_and_what_may_stand_there(kind: Kind, column: Column) -> None:
    needed, told, example = entries(kind)[column.name]
    assert needed == ("yes" if column.needed else "no")
    assert set(column.choices) <= set(re.findall(r"`([^`]+)`", told))
    for limit in (column.low, column.high):
        # The largest numbers are no limits that a crew ever meets.
        if limit not in (0, LARGEST_WHOLE, 2**31 - 1):
            assert re.search(rf"(?<![\w.]){limit:g}(?![\w.])", told), limit
    assert re.fullmatch(r"`[^`]+`(, `[^`]+`)*", example)


@pytest.mark.parametrize(
    ("kind", "column"), CASES, ids=[f"{kind}-{column.name}" for kind, column in CASES]
)
def test_examples_are_taken(kind: Kind, column: Column) -> None:
    examples = re.findall(r"`([^`]+)`", entries(kind)[column.name][2])
    texts = pa.array(examples, pa.string())
    read = read_column(column, texts, decimal_comma=False)
    assert not read.bad.any()


@pytest.mark.parametrize("kind", KINDS)
def test_the_page_shows_a_file_of_each_kind_and_all_lines_of_it_are_taken(kind: Kind) -> None:
    files = [read(text.encode()) for text in re.findall(r"(?ms)^```csv\n(.*?)^```", PAGE)]
    shown = [file for file in files if file.kind.name == kind]
    assert shown
    for file in shown:
        assert file.lines and not len(file.rejected) and not file.warnings


def test_every_odd_file_is_named() -> None:
    odd = PAGE.split("\n## Odd files and bad files\n")[1]
    named = set(re.findall(r"`([a-z0-9_]+)`", odd))
    assert {path.stem for path in (FOLDER / "odd").glob("*.csv")} <= named


def test_every_file_and_folder_of_the_samples_is_named() -> None:
    listed = PAGE.split("\n## What is in this folder\n")[1].split("\n## ")[0]
    for path in FOLDER.iterdir():
        if path.name[0] not in "._" and path.suffix != ".py" and path.name != "README.md":
            assert f"`{path.name}{'/' if path.is_dir() else ''}`" in listed, path.name
