"""Imports run one way: log, store, counts, statistics, answers, figures, pages and commands."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis import answers

TOP = Path(__file__).resolve().parent.parent
ANALYSIS = sorted((TOP / "analysis").rglob("*.py"))
COMMANDS = sorted((TOP / "dashboard" / "commands").glob("*.py"))
FIGURES = sorted((TOP / "dashboard" / "figures").glob("*.py"))

#: How far down the line a module or a package of analysis stands; one that is not named is a
#: question's.
PLACE = {
    "log_format": 0,
    "texts": 0,
    "words": 0,
    "filters": 1,
    "kept": 1,
    "papers": 1,
    "records": 1,
    "snapshot": 1,
    "spool": 1,
    "sums": 1,
    "values": 1,
    "kept_totals": 2,
    "query_columns": 2,
    "site_values": 2,
    "upkeep": 2,
    "patterns": 3,
    "site_costs": 3,
    "site_entry": 3,
    "line_checks": 4,
    "site": 4,
    "engine": 5,
    "entry": 5,
    "headers": 5,
    "intake": 6,
    "scans": 6,
    "comparing": 7,
    "logged": 7,
    "rejects": 7,
    "commits": 8,
    "counts": 8,
    "health": 10,
    "store_format": 10,
    "undoing": 10,
    "answers": 11,
    "drafts": 11,
    "export": 11,
    "history": 11,
    "kept_plans": 11,
    "store": 11,
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


def module(path: Path) -> str:
    """Return what a module of analysis is called: ``rates``, or ``answers.week`` in a package."""
    parts = path.relative_to(TOP / "analysis").with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts)


MODULES = {module(path): path for path in ANALYSIS}


def siblings(path: Path) -> set[str]:
    """Return the modules of analysis that a module imports."""
    found = set()
    for name in imports(path):
        top, *parts = name.split(".")
        if top == "analysis":
            longest = (".".join(parts[:size]) for size in range(len(parts), 0, -1))
            found.update([one for one in longest if one in MODULES][:1])
    return found


def package(name: str) -> str:
    """Return the package of a module, or the module where it stands by itself."""
    return name.split(".")[0]


def place(name: str) -> int:
    return PLACE.get(package(name), QUESTION)


def ids(paths: list[Path]) -> list[str]:
    return [path.stem for path in paths]


def test_the_modules_that_the_line_names_are_there() -> None:
    assert set(PLACE) < set(MODULES)


def test_imports_of_a_package_s_modules_are_seen() -> None:
    assert {"answers.asked", "weekly"} < siblings(MODULES["answers.week"])
    assert place("answers.week") == place("answers") > place("weekly")


@pytest.mark.parametrize("path", ANALYSIS, ids=[*MODULES])
def test_analysis_knows_no_face(path: Path) -> None:
    assert not packages(path) & {"dashboard", "dash", "plotly", "flask", "rich", "pandas"}


@pytest.mark.parametrize("path", ANALYSIS, ids=[*MODULES])
def test_analysis_imports_only_what_stands_before_it(path: Path) -> None:
    own = module(path)
    for name in siblings(path):
        both_questions = place(name) == place(own) == QUESTION
        beside = package(name) == package(own)
        assert place(name) < place(own) or both_questions or beside, f"{own} imports {name}"


def test_no_module_of_analysis_imports_itself_by_a_detour() -> None:
    graph = {name: siblings(path) for name, path in MODULES.items()}
    while graph:
        free = [name for name, needs in graph.items() if not needs & set(graph)]
        assert free, f"{sorted(graph)} import each other in a ring"
        for name in free:
            del graph[name]


@pytest.mark.parametrize("path", ANALYSIS, ids=[*MODULES])
def test_questions_take_counts_and_never_a_store_or_a_file(path: Path) -> None:
    if place(module(path)) == QUESTION:
        readers = {"store", "snapshot", "intake", "records", "values", "spool", "comparing"}
        readers |= {"texts", "headers", "line_checks", "rejects"}
        storing = {"commits", "health", "kept_totals", "store_format", "undoing"}
        scanning = {"query_columns", "scans", "logged"}
        assert not siblings(path) & (
            readers | storing | scanning | {"answers", "history", "export"}
        )


ANSWERS = MODULES["answers"]


def test_answers_are_taken_from_their_package_and_not_from_its_modules() -> None:
    inside = tuple(f"analysis.{name}" for name in MODULES if name.startswith("answers."))
    callers = [path for path in ANALYSIS if path.parent != ANSWERS.parent]
    callers += [*(TOP / "dashboard").rglob("*.py"), *(TOP / "data_samples").glob("*.py")]
    for path in callers:
        assert not [name for name in imports(path) if name.startswith(inside)], path


def test_each_answer_is_told_to_type_checkers_as_it_is_found() -> None:
    told = {
        alias.name: str(node.module).rpartition(".")[2]
        for node in ast.walk(ast.parse(ANSWERS.read_text("utf-8")))
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("analysis.answers.")
        for alias in node.names
    }
    assert told == answers._ANSWERED_IN


def test_no_module_of_answers_is_called_like_an_answer() -> None:
    # Importing it would put the module in the place of the answer.
    modules = {path.stem for path in ANSWERS.parent.glob("*.py")}
    assert not modules & set(answers._ANSWERED_IN)


@pytest.mark.parametrize(
    "name", ["quantiles", "intervals", "spread", "dispersion", "ratios", "differences", "shrinkage"]
)
def test_plain_statistics_take_plain_arrays(name: str) -> None:
    assert siblings(TOP / "analysis" / f"{name}.py") <= {
        "quantiles",
        "intervals",
        "spread",
        "ratios",
        "words",
    }


@pytest.mark.parametrize("end", ["", "_terms", "_climb", "_clusters"])
def test_the_regression_takes_plain_arrays(end: str) -> None:
    own = {"regression_terms", "regression_climb", "regression_clusters"}
    assert siblings(TOP / "analysis" / f"regression{end}.py") <= own


@pytest.mark.parametrize("name", ["walks", "plans", "sequential", "looks", "screens"])
def test_plans_take_plain_numbers(name: str) -> None:
    plain = {"intervals", "kept", "words", "searches", "walks", "plans", "sequential", "looks"}
    assert siblings(TOP / "analysis" / f"{name}.py") <= plain


@pytest.mark.parametrize("path", ANALYSIS, ids=[*MODULES])
def test_only_what_stores_and_scans_speaks_to_the_database(path: Path) -> None:
    storing = {"commits", "health", "store", "store_format", "undoing", "upkeep"}
    if path.stem not in storing | {"snapshot", "comparing", "engine"}:
        assert not packages(path) & {"duckdb", "deltalake"}


@pytest.mark.parametrize("path", FIGURES, ids=ids(FIGURES))
def test_a_figure_takes_a_result(path: Path) -> None:
    not_for_figures = {"store", "intake", "records", "counts", "answers"}
    assert not {package(name) for name in siblings(path)} & not_for_figures
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


def loaded_by(code: str) -> set[str]:
    """Return the modules that a process has loaded after some code."""
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; {code}; print(*sorted(sys.modules))"],
        capture_output=True,
        text=True,
        check=True,
        cwd=TOP,
    )
    return set(done.stdout.split())


def test_the_numbers_load_no_face() -> None:
    modules = loaded_by(
        "from analysis import answers; [getattr(answers, name) for name in dir(answers)]"
    )
    loaded = {name.split(".")[0] for name in modules}
    assert not loaded & {"dashboard", "dash", "plotly", "flask", "pandas"}
    assert {f"analysis.{name}" for name in MODULES if name.startswith("answers.")} < modules
    # It costs nearly a second at every start, and little of it is asked for.
    assert {"analysis.intervals", "analysis.spread", "analysis.ratios"} < modules
    assert "scipy.stats" not in modules


def test_one_answer_loads_no_other() -> None:
    modules = loaded_by("from analysis import answers; answers.rates")
    answered = {name for name in modules if name.startswith("analysis.answers.")}
    assert answered == {
        f"analysis.answers.{name}" for name in ("asked", "between_runs", "fault_rates")
    }
    assert not modules & {"analysis.conditions", "analysis.monitor", "analysis.regression"}


BY_HAND = sorted(
    path for folder in ("slow", "benchmarks") for path in (TOP / "tests" / folder).glob("[!_]*.py")
)


@pytest.mark.parametrize("path", BY_HAND, ids=ids(BY_HAND))
def test_what_is_run_by_hand_finds_what_it_imports(path: Path) -> None:
    assert importlib.import_module(f"tests.{path.parent.name}.{path.stem}").__doc__
