"""A run with every option: tables, sentences, hand check and page."""

import dataclasses
import io
import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

import stripwise
import stripwise.studies.run
from stripwise.report.components import Table
from stripwise.report.figures import service_figures
from stripwise.report.pages.run_page import run_tables
from stripwise.report.pages.service_section import service_sections
from stripwise.risk.probability.intervals import TOO_RARE
from stripwise.units.result_columns import fits

FILE = Path(__file__).parents[2] / "scenarios" / "retaining-wall.toml"


@pytest.fixture(scope="module")
def result(small_sizes):
    case = stripwise.load(FILE)
    small = dataclasses.replace(case.sampling, points=64, repeats=8, horizon=60.0)
    with small_sizes(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(stripwise.studies.run, "MONTE_CARLO_SAMPLES", 20_000)
        patch.setattr("stripwise.risk.probability.cracking.POINTS", 64)
        patch.setattr("stripwise.risk.probability.extent.POINTS", 128)
        return stripwise.assess(
            dataclasses.replace(case, sampling=small, strategies=case.strategies[:2])
        )


def test_plain_monte_carlo_agrees(result):
    assert result.plain_check.agrees


def test_both_mechanisms_lie_above_each(result):
    table = result.service.mechanisms.pivot_table(
        index="strategy", columns="mechanism", values="probability_at_target"
    )
    assert np.all(table["both"] >= table[["chloride", "carbonation"]].max(axis=1) - 1e-3)


def test_cracking_follows_initiation(result):
    rows = result.service.cracking.merge(
        result.curves, on=["strategy", "age_yr"], suffixes=("", "_initiation")
    )
    assert len(rows) == len(result.service.cracking)
    assert np.all(rows["probability_cracking"] <= rows["probability_initiation"])
    for end in ("low95", "high95", "know_low", "know_high"):
        assert np.all(rows[end] <= rows[f"{end}_initiation"] * (1.0 + 1e-12))
    assert np.all(rows["low95"] <= rows["probability_cracking"])
    assert np.all(rows["probability_cracking"] <= rows["high95"])
    # 64 points and 8 repeats say nothing of a small probability but a bound
    few = rows["probability_cracking"] < 1e-3
    assert few.any()
    assert (rows["status"][few & (rows["probability_cracking"] > 0.0)] == TOO_RARE).all()
    assert (rows["low95"][few] == 0.0).all()
    early = rows[(rows["age_yr"] > 1.0) & few]
    assert (early["high95"] > 0.0).all()
    lives = result.service.cracking_lives
    assert np.all(lives["cracking_life_yr"] >= lives["initiation_life_yr"])
    assert np.all(lives["cracking_at_target"] <= lives["initiation_at_target"])
    late = rows[rows["age_yr"] >= 20.0]
    assert np.mean(late["probability_initiation"] - late["probability_cracking"]) > 0.0


def test_extent_tables_agree_with_their_simulation(result):
    table = result.service.extent
    error = table["sd_share"] / np.sqrt(1000.0) + 1e-4
    assert np.max(np.abs(table["mean_share"] - table["simulated_mean"]) / error) < 4.5
    assert np.all(np.diff(table[["above_5_pct", "above_10_pct", "above_25_pct"]]) <= 0.0)


def test_every_option_is_told(result):
    text = " ".join(result.service.notes)
    for part in (
        "Ageing convention",
        "rises linearly",
        "Seasons are integrated from October",
        "own curing term",
        "Two mechanisms share one cover",
        "Model uncertainty is switched on",
        "Two lives are told apart",
        "Extent: a face of 12 m by 3 m",
    ):
        assert part in text


def test_the_hand_check_ends_at_the_front_of_the_options(result):
    steps = {step.symbol: step.value for step in result.hand_check}
    deepest = max(steps["x_Cl"], steps["x_CO2"]) * steps["f"]
    assert_allclose(steps["x_c"], deepest, rtol=1e-9)


def test_the_carbonation_front_can_be_redone_from_the_printed_formulas(result):
    # Read as a person would with a pocket calculator: x is times, ^ a power, sqrt a root.
    def redone(step):
        text = step.formula.replace(" x ", " * ").replace("^", "**")
        return eval(text, {"sqrt": math.sqrt})

    steps = {step.symbol: step for step in result.hand_check}
    for symbol in ("k_e,CO2", "k_c,CO2", "k_t/R + eps", "W", "x_CO2"):
        assert redone(steps[symbol]) == pytest.approx(steps[symbol].value, rel=2e-3)
    assert 0.3 < steps["W"].value < 1.0


def test_files_and_page_hold_the_tables(result):
    for name in ("mechanisms", "cracking", "extent"):
        assert fits(name, list(run_tables(result)[f"{name}.csv"]))
    sections = service_sections(result, {})
    tables = [block for part in sections for block in part.blocks if isinstance(block, Table)]
    assert [len(table.rows) for table in tables] == [2, 2, 2]
    assert tables[2].texts()[0][1:] == (
        "Mean",
        "sd",
        "More than 5 %",
        "More than 10 %",
        "More than 25 %",
    )


def test_the_simulated_face_is_drawn_as_paths_that_a_page_may_hold(result):
    figure = service_figures.plot_face(result).figure
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg")
    assert "<image" not in buffer.getvalue()
    mesh = next(c for c in figure.axes[0].collections if c.get_gid() == "face")
    assert np.array_equal(np.ravel(mesh.get_array()), np.ravel(result.service.face.corroded))
