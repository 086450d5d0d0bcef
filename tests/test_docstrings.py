"""What can be called says what it takes, what it holds and what it raises."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted((ROOT / "analysis").rglob("*.py"))

Definition = ast.FunctionDef | ast.ClassDef


def public(body: list[ast.stmt], within: str = "") -> Iterator[tuple[str, Definition]]:
    """Yield what a module offers: its functions, its classes, and their methods."""
    for node in body:
        if isinstance(node, Definition) and not node.name.startswith("_"):
            yield within + node.name, node
            if isinstance(node, ast.ClassDef):
                yield from public(node.body, f"{node.name}.")


def offered(path: Path) -> list[tuple[str, Definition, str]]:
    tree = ast.parse(path.read_text("utf-8"))
    return [(name, node, ast.get_docstring(node) or "") for name, node in public(tree.body)]


def names(text: str, word: str) -> bool:
    return re.search(rf"\b{word}\b", text) is not None


def decorator(node: ast.expr) -> str:
    return node.id if isinstance(node, ast.Name) else ""


def raised(function: ast.FunctionDef) -> set[str]:
    """Return the classes of errors that a function raises by itself."""
    found = set()
    for node in ast.walk(function):
        if isinstance(node, ast.Raise) and node.exc is not None:
            error = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            name = error.attr if isinstance(error, ast.Attribute) else getattr(error, "id", "")
            # What is raised again by the name it was caught under says itself what it is.
            found |= {name} if name[:1].isupper() else set()
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_what_a_function_takes_and_raises_is_said(path: Path) -> None:
    for name, node, text in offered(path):
        if not isinstance(node, ast.FunctionDef) or "overload" in map(
            decorator, node.decorator_list
        ):
            continue
        assert text, name
        for error in raised(node):
            assert names(text, error), f"{name} raises {error} and does not say so"
        if "\nParameters\n" in text:
            taken = {argument.arg for argument in (*node.args.args, *node.args.kwonlyargs)}
            for argument in taken - {"self", "cls"}:
                assert names(text, argument), f"{name} takes {argument} and does not say what"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_what_a_result_holds_is_said(path: Path) -> None:
    for name, node, text in offered(path):
        if isinstance(node, ast.ClassDef):
            assert text, name
            for field in node.body:
                if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name):
                    own = field.target.id
                    assert own.startswith("_") or names(text, own), f"{name} holds {own}"
