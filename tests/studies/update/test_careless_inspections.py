"""What inspections must not say twice, and data that a slip would turn into good news."""

import numpy as np
import pandas as pd
import pytest
from inspected import problem, sets_of, wall
from numpy.testing import assert_allclose

import stripwise
from stripwise.distributions.posterior_points import posterior_points

FACE = {"width": "6 m", "height": "3 m", "correlation_length": "1.5 m"}
X, Y = np.meshgrid(np.arange(0.25, 6.0, 0.5), np.arange(0.25, 3.0, 0.5))
POINTS = pd.DataFrame(
    {
        "x_m": X.ravel(),
        "y_m": Y.ravel(),
        "strategy": "Forms 24 h",
        "active": "no",
        "exposure_yr": 10.0,
        "detection": 0.85,
        "false_alarm": 0.05,
    }
)


def independent_points(table):
    (found,) = sets_of(wall(extent=FACE), table)
    return sum(count.points * count.weight for count in found.counts)


def test_points_stay_alike_whatever_else_differs_between_their_rows():
    once = independent_points(POINTS)
    assert once < 15.0  # of 72
    by_point = POINTS.assign(detection=0.85 + 1e-4 * np.arange(len(POINTS)))
    assert_allclose(independent_points(by_point), once)
    two_days = POINTS.assign(exposure_yr=np.where(POINTS["x_m"] < 3.0, 10.0, 10.01))
    assert_allclose(independent_points(two_days), once)


def test_points_surveyed_twice_are_worth_hardly_more_than_once():
    twice = pd.concat([POINTS, POINTS.assign(exposure_yr=15.0)])
    # twice as much if each survey counted; a smaller share found is a little less alike
    assert independent_points(twice) < 1.2 * independent_points(POINTS)


def test_points_of_a_face_of_which_nothing_is_epistemic_teach_nothing(small_sizes):
    known = {"family": "lognormal", "mean": 1.2, "cov": 0.2, "kind": "knowledge"}
    case = wall(
        **{
            "concrete.ageing_exponent": 0.4,
            "exposure.surface_chloride.between_walls": None,
            "concrete.diffusivity.between_walls": None,
            "reinforcement.cover.mean_sd": None,
            "strategy": [
                {"name": "Forms 24 h", "strip_age": "24 h", "penalty": 1.5},
                {"name": "Forms 72 h", "strip_age": "72 h", "penalty": known},
            ],
        }
    )
    area = pd.DataFrame(
        {
            "area": ["A"],
            "strategy": "Forms 24 h",
            "points": 100,
            "active_points": 3,
            "exposure_yr": 30.0,
            "detection": 0.9,
            "false_alarm": 0.05,
            "effective_points": 9,
        }
    )
    with small_sizes():
        result = stripwise.update(case, area)
    assert_allclose(result.inputs["sd_ratio"], 1.0, atol=0.02)
    first = result.strategies.iloc[0]
    error = sum(first[f"high95_{w}"] - first[f"low95_{w}"] for w in ("before", "after")) / 2.0
    assert_allclose(first["probability_after"], first["probability_before"], atol=error)
    assert error < 0.02
