"""What a command writes on request: PNG, a workbook, a PDF printed by a browser."""

import io
import re
import stat

import pandas as pd
import pytest
from typer.testing import CliRunner

from stripwise import cli
from stripwise.errors import InputError, OutputError
from stripwise.report import print_pdf
from stripwise.report.workbook import workbook

openpyxl = pytest.importorskip("openpyxl")


def call(*arguments):
    return CliRunner().invoke(cli.app, [str(argument) for argument in arguments])


def installed_browser():
    try:
        return print_pdf.find_browser()
    except InputError:
        return None


def program(path, lines):
    path.write_text("#!/bin/sh\n" + lines)
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def test_a_workbook_holds_what_the_tables_hold():
    table = pd.DataFrame(
        {"name": ["=1+1", "http://a"], "x": [0.1 + 0.2, float("inf")], "n": [1, 2]}
    )
    table["gap"] = [float("nan"), 1.5]
    data = workbook({"first.csv": table, "second.csv": table})
    assert workbook({"first.csv": table, "second.csv": table}) == data  # bytes repeat
    book = openpyxl.load_workbook(io.BytesIO(data))  # another library reads it
    assert book.sheetnames == ["first", "second"]
    rows = list(book["first"].iter_rows())
    assert [cell.value for cell in rows[0]] == ["name", "x", "n", "gap"]
    assert [cell.value for cell in rows[1]] == ["=1+1", pytest.approx(0.3, rel=1e-15), 1, None]
    assert [cell.value for cell in rows[2]] == ["http://a", "inf", 2, 1.5]
    assert rows[1][0].data_type == "s"
    assert rows[2][0].hyperlink is None


@pytest.mark.usefixtures("no_figures")
def test_plan_tests_writes_what_is_asked_for_and_nothing_else(wall, tmp_path):
    path, out = wall.write(), tmp_path / "out"
    result = call("plan-tests", path, "--out", out, "--png", "--xlsx", "--quiet")
    assert result.exit_code == 0, result.stderr
    names = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert "tables.xlsx" in names
    figures = {name for name in names if name.startswith("figures/")}
    assert {name.removesuffix(".png") for name in figures if name.endswith(".png")} == {
        name.removesuffix(".svg") for name in figures if name.endswith(".svg")
    }
    assert call("plan-tests", path, "--out", out, "--quiet").exit_code == 0
    left = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert left == {name for name in names if not name.endswith((".png", ".xlsx"))}


def test_no_browser_is_told_before_anything_is_computed(wall, tmp_path, monkeypatch):
    monkeypatch.setattr(print_pdf, "BROWSERS", ("no-such-browser",))
    result = call("run", wall.write(), "--out", tmp_path / "out", "--pdf")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.startswith("--pdf: no browser to print with; install one of ")
    result = call("run", wall.write(), "--out", tmp_path / "out", "--browser", tmp_path / "none")
    assert result.exit_code == 1
    assert result.stderr == f"--browser: {tmp_path / 'none'}: is no program that can be run\n"
    assert not (tmp_path / "out").exists()


def test_a_browser_that_fails_or_hangs_is_one_line(tmp_path, monkeypatch):
    broken = program(tmp_path / "broken", "echo no display >&2\nexit 3\n")
    with pytest.raises(OutputError, match=r"broken: printed no PDF \(exit code 3: no display\)"):
        print_pdf.print_pdf("<html><head></head></html>", browser=broken, paper="A4")
    monkeypatch.setattr(print_pdf, "SECONDS", 0.2)
    slow = program(tmp_path / "slow", "exec sleep 5\n")
    with pytest.raises(OutputError, match=r"slow: printed no PDF within 0\.2 s"):
        print_pdf.print_pdf("<html><head></head></html>", browser=slow, paper="A4")


@pytest.mark.skipif(installed_browser() is None, reason="no browser is installed")
@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("letter", (612, 792))])
def test_a_page_is_printed_on_its_paper(paper, size):
    # ISO 216: A4 is 210 x 297 mm; letter is 8.5 x 11 in; a PDF counts 72 points to the inch.
    page = "<!doctype html><html><head><title>a</title></head><body><p>text</p></body></html>"
    data = print_pdf.print_pdf(page, browser=installed_browser(), paper=paper)
    assert data.startswith(b"%PDF-")
    box = re.search(rb"/MediaBox\s*\[\s*0\s+0\s+([\d.]+)\s+([\d.]+)", data)
    assert [float(x) for x in box.groups()] == pytest.approx(size, abs=1.0)
