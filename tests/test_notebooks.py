"""The notebooks: committed without outputs, and run from top to bottom."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

SCENARIOS = Path(__file__).parents[1] / "scenarios"
NOTEBOOKS = sorted(SCENARIOS.glob("*.ipynb"))


def test_there_are_two():
    names = [path.stem for path in NOTEBOOKS]
    assert names == ["parameter-study", "profiles-to-risk"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_has_no_outputs_and_says_the_caution(path):
    book = nbformat.read(path, as_version=4)
    code = [cell for cell in book.cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    assert "never a permission to strip" in book.cells[0].source
    assert "assert abs(" in code[-1].source  # its number is checked by itself


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs(path):
    book = nbformat.read(path, as_version=4)
    NotebookClient(book, timeout=120, resources={"metadata": {"path": str(SCENARIOS)}}).execute()
    last = book.cells[-1].outputs[0]["text"]
    assert last.strip()
