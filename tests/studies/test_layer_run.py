"""A run of a face with layers and a coating: tables, sentences, hand check and page."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

import stripwise
from stripwise.distributions.distribution import distribution
from stripwise.errors import InputError
from stripwise.ingress.finite_volume import numerical_front
from stripwise.report.components import Table
from stripwise.report.pages.run_page import run_tables
from stripwise.report.pages.service_section import service_sections
from stripwise.risk.model import service_conditions
from stripwise.risk.probability import grid_check as grid_checks
from stripwise.risk.probability.grid_check import grid_check
from stripwise.studies import run, service_results
from stripwise.studies.from_scenario import build_wall, compute_curves
from stripwise.studies.rank.rank_study import rank
from stripwise.units.result_columns import fits

FILE = Path(__file__).parents[2] / "scenarios" / "coated-wall.toml"


SAMPLED = (
    "diffusivity",
    "surface_chloride",
    "cover",
    "critical_chloride",
    "ageing_exponent",
    "life",
)


def known(item):
    """Fix an input at its mean, or sample it; what is not known has the band of every other wall."""
    if item.name.endswith(SAMPLED):
        return dataclasses.replace(item, kind="scatter")
    law = distribution("fixed", mean=item.distribution.mean)
    return dataclasses.replace(item, distribution=law, kind="scatter")


@pytest.fixture(scope="module")
def case():
    whole = stripwise.load(FILE)
    small = dataclasses.replace(whole.sampling, points=32, repeats=8, horizon=100.0)
    inputs = tuple(known(item) for item in whole.inputs)
    return dataclasses.replace(
        whole, sampling=small, strategies=whole.strategies[:2], inputs=inputs, choices=None
    )


@pytest.fixture(scope="module")
def result(case, small_sizes):
    # sizes on which nothing here depends; the grid of the curves is that of the case
    with small_sizes(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(service_conditions, "DEFAULT_GRID", numerical_front.DEFAULT_GRID)
        for module in (grid_checks, service_results):  # which computes, which tells
            patch.setattr(module, "GRID_SAMPLES", 128)
        patch.setattr(run, "NUMERICAL_MONTE_CARLO_SAMPLES", 2_000)  # it counts standard errors
        # what the reference "28 d" would say has a test of its own below
        return stripwise.assess(dataclasses.replace(case, specimens_in_water=False))


def test_a_reference_of_28_d_makes_every_penalty_larger(case, small_sizes):
    few = dataclasses.replace(case.sampling, horizon=case.target.service_life)
    case = dataclasses.replace(case, sampling=few)
    wall = build_wall(case)
    with small_sizes():
        own = compute_curves(wall, case, workers=1, progress=None, band=False)
        literal = run._literal_reference(wall, case, workers=1)
    reference = [plan.name for plan in wall.plans].index(case.reference_strategy)
    at_life = special.ndtr(-own.mean.at([case.target.service_life]))[reference, 0]
    assert 0.0 < at_life < literal < 1.0


def test_plain_monte_carlo_agrees(result):
    assert result.plain_check.agrees
    assert result.plain_check.samples == 2_000


def test_the_coating_delays_and_the_grid_is_fine_enough(result):
    table = result.service.layers
    assert np.all(table["probability_at_target"] < table["probability_uncoated"])
    assert_allclose(table["probability_grid"], table["probability_finer_grid"], rtol=0, atol=2e-3)
    assert np.all(table["front_change_mean_mm"] < 0.1)
    assert np.all(table["front_change_most_mm"] >= table["front_change_mean_mm"])


def test_the_estimate_of_the_error_is_that_of_the_method(case, monkeypatch):
    # error of the coarse grid against a very fine one, beside what two grids estimate
    monkeypatch.setattr(grid_checks, "GRID_SAMPLES", 64)
    wall = build_wall(case)
    coarse = wall.with_coarse_grid()
    own = coarse.conditions
    check = grid_check(coarse, 75.0, seed=1)
    finest = dataclasses.replace(own, grid=own.grid.finer().finer())
    fine = grid_check(dataclasses.replace(coarse, conditions=finest), 75.0, seed=1)
    error = np.max(np.abs(fine.probability_finer - check.probability))
    assert_allclose(check.probability_error, error, rtol=0.25, atol=0)


def test_everything_is_told(result):
    text = " ".join((*result.service.notes, *result.warnings))
    for part in (
        "Layers from the surface inwards, at mean values: 12 mm of 1.3 times the diffusivity",
        "Coating: credit is taken, as the scenario asks",
        "The evidence for the life of coatings is thin",
        "60 cells graded over the depth, 200 implicit steps of second order to 100 yr",
        "Cells and steps half as large on 128 samples",
        "Drivers, choices and the uncertainty range about the curves take 40 cells and 100 steps",
        "at most 128 epistemic points with 512 of the scatter",
        "initiation beyond 100 yr either way",
        "Credit is taken for the coating, as coating.credit asks",
        "Without the coating the probability of Forms 48 h",
    ):
        assert part in text


def test_the_hand_check_says_what_cannot_be_done_by_hand(result):
    steps = {step.symbol: step for step in result.hand_check}
    assert "solved numerically, not by hand" in steps["x_Cl"].words
    assert_allclose(steps["x_c"].value, steps["x_Cl"].value, rtol=1e-9)
    # at mean values the front does not reach the bars within the horizon, where it ends
    assert steps["t_i"].value == np.inf
    assert steps["t_i"].formula == "x_c is short of c at the horizon of 100 yr"


def test_files_and_page_hold_the_table(result):
    assert fits("layers", list(run_tables(result)["layers.csv"]))
    (section,) = service_sections(result, {})
    (table,) = (block for block in section.blocks if isinstance(block, Table))
    head, *lines = table.texts()
    assert head[:3] == ("Strategy", "As computed", "Without the coating")
    assert len(lines) == 2
    assert all(all(cells) for cells in lines)


@pytest.mark.usefixtures("few_samples")
def test_without_credit_the_wall_is_the_uncoated_one(case):
    bare = dataclasses.replace(case.service, layers=(), coating=None, uncredited_coating=True)
    plain = stripwise.assess(dataclasses.replace(case, service=bare))
    text = " ".join(plain.service.notes)
    assert "no credit is taken for it" in text
    assert "cautious reading" in text
    assert plain.service.layers is None
    assert plain.plain_check.samples == run.MONTE_CARLO_SAMPLES > run.NUMERICAL_MONTE_CARLO_SAMPLES


def test_curves_see_a_life_that_is_longer(case):
    def at_target(years):
        inputs = tuple(
            dataclasses.replace(i, distribution=distribution("fixed", mean=years))
            if i.name == "coating.life"
            else i
            for i in case.inputs
        )
        wall = build_wall(dataclasses.replace(case, inputs=inputs))
        return grid_check(wall.with_coarse_grid(), 75.0, seed=2).probability

    short, medium, long = (at_target(years) for years in (2.0, 20.0, 60.0))
    assert np.all(long < medium)
    assert np.all(medium < short)


def test_ranking_is_refused(case):
    with pytest.raises(InputError, match="front in closed form"):
        rank(case)
