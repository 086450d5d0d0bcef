"""The page of methods: its modules are there, and so are the sources that the code cites."""

from __future__ import annotations

import ast
import re
import unicodedata
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ANALYSIS = ROOT / "analysis"
PAGE = (ANALYSIS / "README.md").read_text("utf-8")
QUESTIONS, LIST = PAGE.split("\n## Sources\n")
SOURCES = re.findall(r"(?m)^- (.+)$", LIST)

#: A name, the initials that may follow it, more names, and a year from when statistics began.
NAME = r"(?:Le |von )?[A-Z](?:[A-Za-z]*')?[a-zA-Z-]*[a-z]{2}"
CITED = re.compile(
    rf"(?<![\w.])({NAME})(?: [A-Z]{{1,3}}\b)?"
    rf"(?:(?:,| and|, and) {NAME}(?: [A-Z]{{1,3}}\b)?)*"
    r"(?:'s| et al\.?)?,? \(?(18[5-9]\d|19\d\d|20[01]\d)\b"
)
MONTHS = (
    "January February March April May June July August September October November December".split()
)


def plain(text: str) -> str:
    """Return a text on one line and without accents."""
    decomposed = unicodedata.normalize("NFKD", " ".join(text.split()))
    return "".join(letter for letter in decomposed if not unicodedata.combining(letter))


def cited(text: str) -> set[tuple[str, str]]:
    """Return first author and year of every work that a text cites."""
    found = {(name, year) for name, year in CITED.findall(plain(text))}
    return {(name, year) for name, year in found if name not in MONTHS}


def docstrings(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            yield ast.get_docstring(node) or ""


LISTED = {pair for source in SOURCES for pair in cited(source.split(").")[0])}


def modules() -> list[Path]:
    return sorted(ANALYSIS.rglob("*.py"))


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ANALYSIS)))
def test_what_a_module_cites_stands_on_the_page(path: Path) -> None:
    for text in docstrings(path):
        assert cited(text) <= LISTED, path.name


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ANALYSIS)))
def test_every_entry_of_references_is_read(path: Path) -> None:
    """Each year in brackets in a References section is one of the works found above."""
    for text in docstrings(path):
        for section in re.findall(r"(?ms)^References\n-+\n(.*?)(?:\n\w+\n---|\Z)", text):
            years = Counter(re.findall(r"\((\d{4})\)", plain(section)))
            read = Counter(year for _, year in CITED.findall(plain(section)))
            assert years <= read, path.name


def test_what_the_page_cites_is_listed_once_and_in_order() -> None:
    assert cited(QUESTIONS) <= LISTED
    first = [re.split(r"[ ,(]", source)[0].lower() for source in SOURCES]
    assert first == sorted(first)
    assert len(set(SOURCES)) == len(SOURCES)


def test_every_listed_source_is_cited_on_the_page() -> None:
    assert LISTED <= cited(QUESTIONS)
    for source in SOURCES:
        standard = re.match(r"ISO \d+|MIL-[A-Z]+-\w+|NIST", source)
        assert standard is None or standard[0] in QUESTIONS


def test_every_source_says_author_year_title_and_place() -> None:
    for source in SOURCES:
        assert source.endswith((".", "?")), source
        assert source.startswith(("ISO ", "NIST")) or re.search(r"\(\d{4}\)\. .+[.?] .+\.", source)


def questions() -> list[str]:
    return re.findall(r"(?m)^## (.+)$", QUESTIONS)


@pytest.mark.parametrize("question", questions())
def test_every_question_says_what_how_where_what_checks_it_and_its_limits(question: str) -> None:
    section = QUESTIONS.split(f"\n## {question}\n")[1].split("\n## ")[0]
    parts = re.findall(r"(?m)^\*\*(.+?)\*\*", section)
    assert parts == ["In words.", "Exactly.", "Where.", "Checked by", "Cannot"]


def test_every_module_it_names_is_there() -> None:
    named = re.findall(
        r"`([^`]+)`", "".join(re.findall(r"(?ms)^\*\*Where\.\*\*.*?\n\n", QUESTIONS))
    )
    assert len(named) > 50
    for name in named:
        paths = [ANALYSIS / name, ANALYSIS / f"{name}.py", ANALYSIS / name / "__init__.py"]
        assert any(path.is_file() for path in paths), name
    for name in re.findall(r"`tests\.slow\.(\w+)`", QUESTIONS):
        assert (ROOT / "tests" / "slow" / f"{name}.py").is_file(), name
