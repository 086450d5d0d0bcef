"""What README and DEVELOPERS say is there, and what is there they say."""

import re
import tomllib
from pathlib import Path

import pytest

from analysis import __version__
from dashboard.commands import COMMANDS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))


def names(requirements):
    return [re.match(r"[A-Za-z0-9-]+", text)[0] for text in requirements]


@pytest.mark.parametrize("command", COMMANDS)
def test_readme_shows_every_command(command):
    assert f"feedtally {command}" in README


@pytest.mark.parametrize(
    "package",
    names(PROJECT["project"]["dependencies"])
    + names(PROJECT["project"]["optional-dependencies"]["test"]),
)
def test_developers_names_every_dependency(package):
    dependencies = DEVELOPERS.split("## Dependencies")[1].split("## Numbers")[0]
    assert re.search(rf"\b{package}\b", dependencies)


@pytest.mark.parametrize("package", names(PROJECT["project"]["dependencies"]))
def test_constraints_pin_every_dependency_and_name_no_host(package):
    constraints = (ROOT / "constraints.txt").read_text("utf-8")
    assert re.search(rf"(?m)^{package}==", constraints)
    assert "://" not in constraints


def test_layout_lists_every_module_of_analysis():
    layout = DEVELOPERS.split("## Layout")[1].split("## Arrows")[0]
    for path in (ROOT / "analysis").rglob("*.py"):
        if path.name != "__init__.py":
            assert f"  {path.name} " in layout, path.name


#: Lines beyond which a module is split by its subjects.
MOST_LINES = 500


def test_no_module_is_longer_than_a_sitting():
    for top in ("analysis", "dashboard", "data_samples"):
        for path in (ROOT / top).rglob("*"):
            if path.suffix in (".py", ".js"):
                lines = len(path.read_text("utf-8").splitlines())
                assert lines <= MOST_LINES, f"{path.relative_to(ROOT)} has {lines} lines"


def test_packages_on_disk_are_those_of_the_wheel():
    listed = set(PROJECT["tool"]["setuptools"]["packages"])
    found = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for top in ("analysis", "dashboard", "data_samples")
        for path in (ROOT / top).rglob("__init__.py")
    }
    assert found == listed


PAGES = [ROOT / name / "README.md" for name in ("analysis", "dashboard/commands", "data_samples")]


@pytest.mark.parametrize("page", [ROOT / "README.md", *PAGES], ids=lambda page: page.parent.name)
def test_linked_files_exist(page):
    targets = re.findall(r"\]\(([^)#:]+)\)", page.read_text("utf-8"))
    assert targets
    for target in targets:
        assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.parent.name)
def test_readme_links_the_other_pages(page):
    assert f"({page.relative_to(ROOT).as_posix()})" in README


def test_readme_says_what_the_numbers_cannot_tell_and_ends_with_what_else_there_is():
    headings = re.findall(r"(?m)^## (.+)$", README)
    assert headings[-1] == "More"
    assert {"What the numbers cannot tell", "Keep your hands"} <= set(headings)
    assert len(README.splitlines()) <= 350


def test_version_is_one():
    assert PROJECT["project"]["version"] == __version__
    assert f"## {__version__}" in (ROOT / "CHANGELOG.md").read_text("utf-8")
