"""What the page of a study of targets shows, and that its figures draw the table."""

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

import stripwise
from stripwise.report.components import Table
from stripwise.report.figures.sheet import style_context, svg
from stripwise.report.figures.target_figures import (
    plot_passing,
    plot_target_cost,
    plot_target_cover,
)
from stripwise.report.pages.target_page import target_report
from stripwise.report.render import render
from stripwise.studies.target_sentences import over_stated_life


@pytest.fixture(scope="module")
def study(quick_case, small_sizes):
    with small_sizes():
        return stripwise.target(quick_case)


@pytest.fixture(scope="module")
def page(study):
    report = target_report(study)
    svgs = {name: svg(figure) for name, figure in report.figures.items()}
    return report, re.sub(r"<[^>]+>", " ", render(report, svgs))


def test_the_page_holds_answer_gates_and_what_is_not_comparable(page):
    report, text = page
    assert list(report.figures) == ["passing", "target-cover", "target-cost"]
    assert set(report.tables) == {"targets.csv", "annual.csv", "target-costs.csv"}
    for words in (
        "The stated target",
        "In-place strength of the face",
        "Nominal cover to draw",
        "Earliest strip age to build",
        "not comparable",
        "DuraCrete-based design of road tunnels",
        "100 yr",
    ):
        assert words in text.replace("\N{NO-BREAK SPACE}", " "), words


def test_the_answers_table_has_a_column_per_target_over_the_stated_life(page, study):
    table = next(
        block
        for section in page[0].sections
        for block in section.blocks
        if isinstance(block, Table) and block.caption.startswith("Whether a strategy meets")
    )
    heads = [column.header for column in table.columns]
    assert heads == ["Strategy", "2 %", "5 %", "10 % (stated)", "15 %", "20 %", "30 %"]
    rows = over_stated_life(study.scenario, study.targets)
    for row in table.rows:
        own = rows[rows["strategy"] == row[0]]
        assert [cell.text for cell in row[1]] == own["meets_target"].tolist()


def drawn(ax):
    return {line.get_gid(): line for line in ax.lines}


def test_figures_draw_the_table(study):
    rows = over_stated_life(study.scenario, study.targets)
    with style_context():
        passing, cover, cost = (
            plot(study) for plot in (plot_passing, plot_target_cover, plot_target_cost)
        )
    stated = rows[rows["allowed_probability"] == study.scenario.target.probability]
    dots = drawn(passing)
    for y, p in zip(reversed(range(len(stated))), stated["probability"], strict=True):
        assert_allclose(dots[f"dot-{y}"].get_xdata(), [max(p, 1e-5)])
    first = study.scenario.strategies[0].name
    needed = rows.loc[rows["strategy"] == first, "required_cover_mm"].to_numpy()
    assert_allclose(drawn(cover)["cover-0"].get_ydata(), needed[np.isfinite(needed)])
    priced = study.costs.dropna(subset=["allowed_probability", "cost"])
    priced = priced.sort_values("allowed_probability").drop_duplicates("allowed_probability")
    assert_allclose(drawn(cost)["cost"].get_ydata(), priced["cost"])


def test_a_study_without_choices_has_a_page(quick_case):
    report = target_report(stripwise.target(replace(quick_case, choices=None, cost=None)))
    assert list(report.figures) == ["passing"]
    assert "target-costs.csv" not in report.tables
