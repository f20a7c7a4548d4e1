"""The notebooks: committed without outputs, and run from top to bottom."""

import ast
import io
from pathlib import Path

import nbformat
import pytest
from matplotlib.figure import Figure

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


def shown(source, names):
    """Run a cell where it stands, and show the value at its end as a notebook does."""
    statements = ast.parse(source).body
    last = statements.pop() if isinstance(statements[-1], ast.Expr) else None
    exec(compile(ast.Module(statements, []), "cell", "exec"), names)
    value = (
        None if last is None else eval(compile(ast.Expression(last.value), "cell", "eval"), names)
    )
    if isinstance(value, Figure):
        value.savefig(io.BytesIO(), format="png")
    elif hasattr(value, "_repr_html_"):
        assert value._repr_html_()
    return value


@pytest.mark.usefixtures("few_samples")  # the numbers checked depend on the samples asked for alone
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs(path, monkeypatch, capsys):
    monkeypatch.chdir(SCENARIOS)
    monkeypatch.setenv("MPLBACKEND", "agg")
    names = {"__name__": "__main__"}
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "code":
            capsys.readouterr()
            shown(cell.source, names)
    assert capsys.readouterr().out.strip()
