"""Each notebook is an article that runs from top to bottom, and what it says its cells say too."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nbformat
import pytest
from jupyter_client.manager import KernelManager
from nbclient import NotebookClient
from playwright.sync_api import Browser

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
FIGURE = "application/vnd.plotly.v1+json"

#: A number in words for people: 7, 2.3, 129,945.
NUMBER = re.compile(r"(?<![\w.,])\d+(?:,\d{3})*(?:\.\d+)?(?![\w]|,\d|\.\d)")


def read(path: Path) -> Any:
    return nbformat.read(path, as_version=4)


def sources(notebook: Any, kind: str) -> list[str]:
    return [cell.source for cell in notebook.cells if cell.cell_type == kind]


def numbers(text: str) -> set[str]:
    return set(NUMBER.findall(text))


@pytest.fixture(scope="module")
def kernel() -> Iterator[KernelManager]:
    """Give one process that runs all notebooks, one after another and none with another's names.

    To start it and to load what they import takes as long as most of them do.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PLOTLY_RENDERER", "plotly_mimetype")
        manager = KernelManager(kernel_name="python3")
        manager.start_kernel(cwd=str(ROOT))
    yield manager
    manager.shutdown_kernel(now=True)


def executed(path: Path, kernel: KernelManager) -> Any:
    notebook = read(path)
    forget = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("%reset -f")])
    for one in (notebook, forget):
        client = NotebookClient(one, km=kernel, timeout=300)
        try:
            client.execute()
        finally:
            client.kc.stop_channels()
    return notebook


def test_there_are_eight() -> None:
    assert len(NOTEBOOKS) == 8


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_reads_as_an_article(path: Path) -> None:
    notebook = read(path)
    text = sources(notebook, "markdown")
    assert re.match(r"# [^\n]+\?\n", text[0]), "its title is a question"
    assert "invented" in text[0]
    decision = text[-1].split("## Decision\n")[1]
    assert "before hands go in" in decision.lower()
    readme = (ROOT / "README.md").read_text("utf-8")
    title = text[0].splitlines()[0].removeprefix("# ")
    assert f"[{title}](notebooks/{path.name})" in readme


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_its_cells_are_short_and_hide_nothing(path: Path) -> None:
    notebook = read(path)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert not any(cell.outputs or cell.execution_count for cell in code), "clear its outputs"
    for cell in code:
        for node in ast.walk(ast.parse(cell.source)):
            assert not isinstance(
                node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.Lambda
            )
        lines = cell.source.splitlines()
        assert len(lines) <= 25
        assert max(map(len, lines)) <= 100
    whole = "\n".join(cell.source for cell in notebook.cells)
    assert not re.search(r"(?<![\w.*])/\w+/|[A-Z]:\\|~/", whole), "it names no path"
    assert "\nfrom dashboard.figures." in whole


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_runs_and_says_what_its_cells_say(path: Path, kernel: KernelManager) -> None:
    notebook = executed(path, kernel)
    outputs = [one for cell in notebook.cells for one in cell.get("outputs", ())]
    assert all(cell.outputs for cell in notebook.cells if cell.cell_type == "code")
    assert {one.name for one in outputs if one.output_type == "stream"} == {"stdout"}, "it warns"
    assert any(FIGURE in one.get("data", ()) for one in outputs)
    printed = "\n".join(one.text for one in outputs if one.output_type == "stream")
    # What a cell was told counts as said: its filters, its plans.
    given = "\n".join(sources(notebook, "code")).replace("_", ",")
    prose = re.sub(r"`[^`]*`", "", "\n".join(sources(notebook, "markdown")))
    lacking = numbers(prose) - numbers(printed) - numbers(given)
    assert lacking == set(), "numbers that no cell says"


def test_long_results_are_those_that_the_methods_tell() -> None:
    code = "\n".join(sources(read(ROOT / "notebooks" / "how_good_are_the_answers.ipynb"), "code"))
    told = {
        node.targets[0].id: ast.literal_eval(node.value)
        for node in ast.parse(code).body
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and node.targets[0].id in ("long_runs", "delays")
    }
    methods = (ROOT / "analysis" / "README.md").read_text("utf-8")
    for times, (misses, ideal, doubles, other) in told["delays"].items():
        row = f"| step to {times} times | {misses} ({ideal}) | {doubles} ({other}) |"
        assert row in methods
    found = " ".join(result for _, _, result in told["long_runs"])
    assert numbers(found) <= numbers(methods)


SMALL = """\
from analysis.plans import Asked, single_plan
from dashboard.figures.acceptance import chance_to_pass, curves

plan = single_plan(Asked(good=3e-5, bad=1e-4))
chance_to_pass(plan, curves(plan))
"""


@pytest.mark.browser
def test_pages_are_made_of_them_that_need_no_network(tmp_path: Path, browser: Browser) -> None:
    v4 = nbformat.v4
    cells = [v4.new_markdown_cell("# Is it?"), v4.new_code_cell(SMALL), v4.new_code_cell(SMALL)]
    nbformat.write(v4.new_notebook(cells=cells), tmp_path / "small.ipynb")
    config = ROOT / "notebooks" / "as_pages.py"
    command = [sys.executable, "-m", "nbconvert", "--config", str(config), "small.ipynb"]
    command += ["--output-dir", str(tmp_path)]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, timeout=120)
    context = browser.new_context(offline=True)
    page = context.new_page()
    asked: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto((tmp_path / "small.html").as_uri())
    page.wait_for_function("document.querySelectorAll('.js-plotly-plot .scatterlayer').length == 2")
    assert page.inner_text("h1").startswith("Is it?")
    assert all(url.startswith(("file:", "data:", "blob:")) for url in asked)
    assert complaints == []
    context.close()
