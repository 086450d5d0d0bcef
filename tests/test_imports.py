"""Imports run one way: log, store, counts, statistics, answers, figures, pages and commands."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parent.parent
ANALYSIS = sorted((TOP / "analysis").glob("*.py"))
COMMANDS = sorted((TOP / "dashboard" / "commands").glob("*.py"))
FIGURES = sorted((TOP / "dashboard" / "figures").glob("*.py"))

#: How far down the line a module of analysis stands; one that is not named is a question's.
PLACE = {
    "log_format": 0,
    "filters": 1,
    "kept": 1,
    "papers": 1,
    "records": 1,
    "snapshot": 1,
    "spool": 1,
    "values": 1,
    "patterns": 2,
    "site_values": 2,
    "upkeep": 2,
    "site_costs": 3,
    "site_entry": 3,
    "site": 4,
    "intake": 5,
    "comparing": 6,
    "engine": 6,
    "store": 7,
    "counts": 8,
    "answers": 11,
    "export": 11,
    "history": 11,
    "kept_plans": 11,
    "drafts": 11,
    "entry": 5,
    "taking_in": 12,
}
QUESTION = 9


def imports(path: Path, *, inside: bool = True) -> Iterator[str]:
    """Yield the full names that a module imports; ``inside`` its functions too.

    What is imported for type checking alone is no import.
    """

    def walk(body: list[ast.stmt]) -> Iterator[str]:
        for node in body:
            if isinstance(node, ast.Import):
                yield from (alias.name for alias in node.names)
            elif isinstance(node, ast.ImportFrom):
                assert not node.level, f"{path.name} imports by dots"
                yield from (f"{node.module}.{alias.name}" for alias in node.names)
            elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
                yield from walk(node.orelse)
            elif inside or not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                for field in ("body", "orelse", "finalbody"):
                    yield from walk(getattr(node, field, []))
                for handler in getattr(node, "handlers", []):
                    yield from walk(handler.body)

    yield from walk(ast.parse(path.read_text("utf-8")).body)


def packages(path: Path, **options: bool) -> set[str]:
    return {name.split(".")[0] for name in imports(path, **options)}


def siblings(path: Path) -> set[str]:
    """Return the modules of analysis that a module imports."""
    return {
        name.split(".")[1]
        for name in imports(path)
        if name.startswith("analysis.") and (TOP / "analysis" / f"{name.split('.')[1]}.py").exists()
    }


def place(name: str) -> int:
    return PLACE.get(name, QUESTION)


def ids(paths: list[Path]) -> list[str]:
    return [path.stem for path in paths]


def test_the_modules_that_the_line_names_are_there() -> None:
    assert set(PLACE) < {path.stem for path in ANALYSIS}


@pytest.mark.parametrize("path", ANALYSIS, ids=ids(ANALYSIS))
def test_analysis_knows_no_face(path: Path) -> None:
    assert not packages(path) & {"dashboard", "dash", "plotly", "flask", "rich", "pandas"}


@pytest.mark.parametrize("path", ANALYSIS, ids=ids(ANALYSIS))
def test_analysis_imports_only_what_stands_before_it(path: Path) -> None:
    for name in siblings(path):
        both_questions = place(name) == place(path.stem) == QUESTION
        assert place(name) < place(path.stem) or both_questions, f"{path.stem} imports {name}"


def test_no_module_of_analysis_imports_itself_by_a_detour() -> None:
    graph = {path.stem: siblings(path) for path in ANALYSIS}
    while graph:
        free = [name for name, needs in graph.items() if not needs & set(graph)]
        assert free, f"{sorted(graph)} import each other in a ring"
        for name in free:
            del graph[name]


@pytest.mark.parametrize("path", ANALYSIS, ids=ids(ANALYSIS))
def test_questions_take_counts_and_never_a_store_or_a_file(path: Path) -> None:
    if place(path.stem) == QUESTION:
        readers = {"store", "snapshot", "intake", "records", "values", "spool", "comparing"}
        assert not siblings(path) & (readers | {"answers", "history", "export"})


@pytest.mark.parametrize(
    "name", ["quantiles", "intervals", "spread", "ratios", "shrinkage", "regression"]
)
def test_plain_statistics_take_plain_arrays(name: str) -> None:
    assert siblings(TOP / "analysis" / f"{name}.py") <= {"quantiles", "intervals", "spread"}


@pytest.mark.parametrize("name", ["walks", "plans", "looks", "screens"])
def test_plans_take_plain_numbers(name: str) -> None:
    plain = {"intervals", "kept", "words", "walks", "plans", "looks"}
    assert siblings(TOP / "analysis" / f"{name}.py") <= plain


@pytest.mark.parametrize("path", ANALYSIS, ids=ids(ANALYSIS))
def test_only_what_stores_and_scans_speaks_to_the_database(path: Path) -> None:
    if path.stem not in ("snapshot", "comparing", "upkeep", "store", "engine"):
        assert not packages(path) & {"duckdb", "deltalake"}


@pytest.mark.parametrize("path", FIGURES, ids=ids(FIGURES))
def test_a_figure_takes_a_result(path: Path) -> None:
    assert not siblings(path) & {"store", "intake", "records", "counts", "answers"}
    assert not packages(path) & {"dash", "duckdb", "deltalake", "pandas"}
    assert not any(name.startswith("dashboard.pages") for name in imports(path))


@pytest.mark.parametrize("path", COMMANDS, ids=ids(COMMANDS))
def test_commands_import_what_is_heavy_inside_their_functions(path: Path) -> None:
    for name in imports(path, inside=False):
        light = name.startswith("dashboard.commands") or name == "analysis.__version__"
        assert light or name.split(".")[0] in sys.stdlib_module_names, f"{path.stem}: {name}"


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; from dashboard.commands import main\n"
        "try: main(['rates', '--help'])\n"
        "except SystemExit: pass\n"
        "print(*sorted({name.split('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=TOP
    )
    loaded = set(done.stdout.splitlines()[-1].split())
    assert "dashboard" in loaded
    assert not loaded & {
        "numpy",
        "pyarrow",
        "duckdb",
        "deltalake",
        "scipy",
        "dash",
        "plotly",
        "rich",
    }


def test_the_numbers_load_no_face() -> None:
    code = "import sys, analysis.answers; print(*sorted(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=TOP
    )
    modules = set(done.stdout.split())
    loaded = {name.split(".")[0] for name in modules}
    assert not loaded & {"dashboard", "dash", "plotly", "flask", "pandas"}
    # It costs nearly a second at every start, and little of it is asked for.
    assert {"analysis.intervals", "analysis.spread", "analysis.ratios"} < modules
    assert "scipy.stats" not in modules
    assert "scipy.stats" not in done.stdout.split()
