"""Each notebook runs from top to bottom, and stands in the tree without outputs."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_runs_and_prints_something_in_each_code_cell(path):
    notebook = nbformat.read(path, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert not any(cell.outputs or cell.execution_count for cell in code), "clear its outputs"
    assert not any(line.startswith("def ") for cell in code for line in cell.source.splitlines())
    client = NotebookClient(notebook, timeout=120, resources={"metadata": {"path": str(ROOT)}})
    client.execute()
    assert all(cell.outputs for cell in code)
