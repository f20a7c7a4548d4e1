"""What the pages of a chosen pair hold."""

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import stripwise
from stripwise.report.pages.choice_page import choice_page, chosen_record
from stripwise.report.pages.design_page import design_report
from stripwise.report.print_pdf import print_pdf
from stripwise.report.render import render
from stripwise.report.strict_json import json_text
from stripwise.units.caution import CAUTION, GATES


@pytest.fixture(scope="module")
def result(quick_case, small_sizes):
    with small_sizes():
        return stripwise.design(quick_case, choose=("80 mm, 3 d, none", "45 mm, 10 h, none"))


def words(report):
    text = re.sub(r"<[^>]+>", " ", render(report, {})).replace("\N{NO-BREAK SPACE}", " ")
    return re.sub(r"\s+", " ", text)


def test_a_page_holds_what_a_checker_needs(result):
    page = words(choice_page(replace(result, chosen=result.chosen[:1])))
    for part in (
        "Nominal cover of the outermost bars: 80 mm.",
        "Leave the forms on for at least 3 d",
        "Curing after stripping: none is counted.",
        "Calculation by hand",
        "Characteristic penalty factor",
        "Run back by plain Monte Carlo",
        "Plain Monte Carlo, ",
        "Pairs beside it",
        "Inputs with their sources",
        "Checked by",
        "SHA-256",
    ):
        assert part in page, part
    assert page.count(CAUTION) == 1
    assert all(page.count(gate) == 2 for gate in GATES)  # at the head, and beside the clause
    assert "Do not specify" not in page


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_a_pair_prints_on_two_pages(result, paper):
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("chromium is not installed")
    page = render(choice_page(replace(result, chosen=result.chosen[:1])), {})
    pdf = print_pdf(page, browser=Path(chromium), paper=paper)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 2


def test_a_pair_that_fails_is_not_offered(result):
    page = words(choice_page(result))
    assert "Pair A: " in page
    assert "Pair B: clause for the specification" in page
    assert "Do not specify 45 mm, 10 h, none: the stated target is not met." in page


def test_the_design_lists_the_page_and_the_record_is_strict_json(result):
    assert "choice.html" in design_report(result).pages
    assert '"plain_monte_carlo"' in json_text({"chosen": [chosen_record(p) for p in result.chosen]})
