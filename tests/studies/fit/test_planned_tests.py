"""Test plans as numbers, against a statistics package."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.stats.power import TTestIndPower

from stripwise.errors import InputError
from stripwise.scenario.loading import load
from stripwise.studies.fit.planned_tests import (
    COVER_SHARE_TEST,
    MIGRATION_TEST,
    DetectionTargets,
    plan_tests,
)

FOLDER = Path(__file__).parents[3] / "scenarios" / "lab-wall"


@pytest.fixture(scope="module")
def plan():
    return plan_tests(load(FOLDER / "lab-wall.toml"), targets=DetectionTargets(limit=45.0))


def test_the_power_of_the_migration_tests_is_that_of_statsmodels(plan):
    row = plan.table.set_index("test").loc[MIGRATION_TEST]
    power = [
        TTestIndPower().power(
            np.log(plan.ratio) / row["scatter"], n, plan.targets.significance, alternative="larger"
        )
        for n in plan.numbers
    ]
    # both integrate the non-central t distribution numerically
    assert_allclose(plan.power[0], power, rtol=0, atol=1e-6)


def test_the_number_needed_is_the_first_that_has_the_power(plan):
    row = plan.table.set_index("test").loc[MIGRATION_TEST]
    enough = plan.numbers[plan.power[0] >= plan.targets.power]
    assert row["needed"] == enough[0]


def test_the_share_is_that_of_the_specified_cover(plan):
    cover = next(i for i in plan.scenario.inputs if i.name == "reinforcement.cover").distribution
    sample = cover.quantile((np.arange(100_000) + 0.5) / 100_000)
    assert plan.share_as_specified == pytest.approx(np.mean(sample < 45.0), abs=1e-4)
    row = plan.table.set_index("test").loc[COVER_SHARE_TEST]
    reached = plan.share_as_specified < plan.targets.allowed
    assert np.isfinite(row["needed"]) == reached


def test_without_a_limit_no_share_is_planned():
    plan = plan_tests(load(FOLDER / "lab-wall.toml"))
    assert COVER_SHARE_TEST not in plan.table["test"].tolist()
    assert np.isnan(plan.share_as_specified)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"power": 2.0}, "--power: 2 must be above the significance of 0.05 and at most 0.9999"),
        ({"significance": 0.0}, "--significance: 0 must be at least 1e-06 and below 0.5"),
        ({"allowed": 1.0}, "--allowed: 1 must be above 0 and below 1"),
    ],
)
def test_targets_that_no_plan_reaches(changes, message):
    with pytest.raises(InputError) as caught:
        DetectionTargets(**changes)
    assert str(caught.value) == message
