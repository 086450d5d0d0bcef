"""The page of commands says what the parsers take, no more and no less, and its lines run."""

from __future__ import annotations

import argparse
import importlib
import re
import shlex
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.commands import COMMANDS, Parser

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "dashboard" / "commands" / "README.md").read_text("utf-8")
README = (ROOT / "README.md").read_text("utf-8")
SAMPLES = (ROOT / "data_samples" / "README.md").read_text("utf-8")

HEAD = ["option", "what it says", "form", "when absent"]
SHARED = "Options of many commands"

#: Commands whose examples cost seconds each; tests of their own run them on the samples.
DEAR = ("believe", "causes", "conditions", "costs", "drift", "overs", "parts", "settings")


def parser(command: str) -> argparse.ArgumentParser:
    made = Parser(prog=f"feedtally {command}")
    importlib.import_module(f"dashboard.commands.{command}").configure(made)
    return made


def walk(name: str, one: argparse.ArgumentParser) -> Iterator[tuple[str, list[argparse.Action]]]:
    """Yield every command and command of a command, each with what it takes."""
    taken = []
    for action in one._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below, inner in action.choices.items():
                yield from walk(f"{name} {below}", inner)
        elif not isinstance(action, argparse._HelpAction):
            taken.append(action)
    yield name, taken


TAKEN = {
    name: actions
    for command in COMMANDS
    for name, actions in walk(f"feedtally {command}", parser(command))
}


def sections(page: str) -> dict[str, str]:
    """Return the text below each heading, up to the next one of any depth."""
    parts = re.split(r"(?m)^#{2,3} (.+)$", page)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def entries(text: str) -> dict[str, dict[str, str]]:
    """Return the rows of the table in a section, by option."""
    rows = [
        [cell.strip() for cell in re.split(r"(?<!\\)\|", line.strip("|"))]
        for line in text.splitlines()
        if line.startswith("|")
    ]
    if not rows:
        return {}
    assert rows[0] == HEAD
    found = {}
    for row in rows[2:]:
        assert len(row) == len(HEAD), row
        label = re.fullmatch(r"`(.+)`", row[0])
        assert label, row
        assert label[1] not in found, row
        assert all(row), row
        found[label[1]] = dict(zip(HEAD, row, strict=True))
    return found


SECTIONS = sections(PAGE)
COMMON = entries(SECTIONS[SHARED])


def documented(name: str) -> dict[str, dict[str, str]]:
    """Return the entries of a command, those that it shares with others among them."""
    text = SECTIONS[name]
    found = entries(text)
    also = re.search(r"(?ms)^Also: (.+?)\.$", text)
    for option in re.findall(r"`(.+?)`", also[1]) if also else ():
        label = next(one for one in COMMON if one.split()[0] == option)
        assert label not in found, f"{name} says {option} twice"
        found[label] = COMMON[label]
    return found


def label(action: argparse.Action) -> str:
    """Return an argument as its entry must name it."""
    metavar = action.metavar
    words = list(action.option_strings[-1:])
    if isinstance(metavar, tuple):
        words += metavar
    elif metavar or not action.option_strings:
        words.append((metavar or action.dest.upper()) + ("…" if action.nargs == "+" else ""))
    return " ".join(words)


def needed(action: argparse.Action) -> bool:
    return action.required and action.nargs != "?"


def lines(page: str) -> list[str]:
    """Return the lines of a page that call the program, without what is set before them."""
    blocks = re.findall(r"(?ms)^ *```sh\n(.*?)^ *```", page)
    found = [line.strip() for block in blocks for line in block.splitlines()]
    found = [re.sub(r"^(?:[A-Z_]+=\S+ )+", "", line) for line in found]
    return [line for line in found if line.startswith("feedtally ")]


def test_every_command_has_its_section_and_every_section_its_command() -> None:
    groups = set(map("feedtally {}".format, COMMANDS))
    assert set(TAKEN) >= groups
    assert set(SECTIONS) == set(TAKEN) | {SHARED}


@pytest.mark.parametrize("name", TAKEN)
def test_every_option_has_its_entry_and_every_entry_its_option(name: str) -> None:
    assert sorted(documented(name)) == sorted(map(label, TAKEN[name]))


@pytest.mark.parametrize("name", TAKEN)
def test_entries_say_choices_defaults_and_what_is_needed(name: str) -> None:
    for action in TAKEN[name]:
        entry = documented(name)[label(action)]
        told = set(re.findall(r"`(.+?)`", entry["form"]))
        assert set(map(str, action.choices or ())) <= told, (name, label(action))
        absent = entry["when absent"]
        assert absent.startswith("needed") >= needed(action), (name, label(action))
        if action.default not in (None, False, "", []):
            assert absent == f"`{action.default}`", (name, label(action))
        if isinstance(action, argparse._StoreTrueAction):
            assert entry["form"].startswith("a switch"), (name, label(action))


@pytest.mark.parametrize("name", TAKEN)
def test_helps_say_what_the_page_says_of_numbers_when_absent(name: str) -> None:
    for action in TAKEN[name]:
        assert action.help, (name, label(action))
        told = re.search(r"\(([^()]*) when absent", action.help.replace("%%", "%"))
        if told:
            page = documented(name)[label(action)]["when absent"]
            assert set(numbers(told[1])) <= set(numbers(page)), (name, label(action))


def numbers(text: str) -> list[object]:
    """Return what a text has of numbers; an address as it stands."""
    found = re.findall(r"(?<![\w.])\d[\d.]*(?:e-\d+)?", text)
    return [float(one) if one.count(".") < 2 else one for one in found]


def test_what_no_command_shares_is_not_said_to_be_shared() -> None:
    for one in COMMON:
        takers = [name for name in TAKEN if f"`{one.split()[0]}`" in SECTIONS[name]]
        assert len(takers) > 1, one


@pytest.mark.parametrize("name", [name for name in TAKEN if TAKEN[name]])
def test_every_section_has_an_example_of_its_command(name: str) -> None:
    assert any(line.startswith(name) for line in lines(SECTIONS[name]))


@pytest.mark.parametrize("line", sorted({*lines(PAGE), *lines(README), *lines(SAMPLES)}))
def test_every_line_that_is_shown_is_understood(line: str) -> None:
    command, *words = shlex.split(line, comments=True)[1:]
    options = parser(command).parse_args(words)
    assert callable(options.run)


@pytest.mark.parametrize(
    "line",
    [line for line in lines(PAGE) if line.endswith("# only reads") and line.split()[1] not in DEAR],
)
def test_lines_that_only_read_answer_on_the_samples(
    line: str,
    run: Callable[..., Any],
    sample_store: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("FEEDTALLY_STORE", str(sample_store))
    monkeypatch.chdir(ROOT)
    said = run(*shlex.split(line, comments=True)[1:])
    assert (said.code, said.err) == (0, "")
    assert said.out


def test_names_from_outside_are_told() -> None:
    """What the program asks the environment for, by where it does."""
    found = set()
    for folder in ("analysis", "dashboard"):
        for path in (ROOT / folder).rglob("*.py"):
            text = path.read_text("utf-8")
            found |= set(re.findall(r'os\.environ(?:\.get\(|\[)"([A-Z_]+)"', text))
            found |= set(re.findall(r'(?m)^VARIABLE = "([A-Z_]+)"', text))
    assert {"FEEDTALLY_STORE", "FEEDTALLY_CONFIG"} <= found
    outside = PAGE.split("**Names from outside.**")[1].split("##")[0]
    for name in found:
        assert f"`{name}`" in outside, name


def test_the_first_run_of_the_readme_is_told_as_it_says(
    run: Callable[..., Any], tmp_path: Path
) -> None:
    log = re.findall(r"(?ms)^```csv\n(.*?)^```", README)[0]
    (tmp_path / "march.csv").write_text(log, "utf-8")
    run("add", tmp_path / "march.csv", "--store", tmp_path / "store")
    said = run("rates", "--by", "tower,bin", "--store", tmp_path / "store")
    shown = README.split("added to a new store, give for bin 7:")[1].split("```")[1]
    told = [" ".join(line.split()) for line in said.out.splitlines()]
    for line in shown.splitlines()[1:]:
        assert " ".join(line.split()) in told
