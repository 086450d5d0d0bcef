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


def test_packages_on_disk_are_those_of_the_wheel():
    listed = set(PROJECT["tool"]["setuptools"]["packages"])
    found = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for top in ("analysis", "dashboard", "data_samples")
        for path in (ROOT / top).rglob("__init__.py")
    }
    assert found == listed


def test_linked_files_exist():
    for target in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (ROOT / target).exists(), target


def test_version_is_one():
    assert PROJECT["project"]["version"] == __version__
    assert f"## {__version__}" in (ROOT / "CHANGELOG.md").read_text("utf-8")
