"""What common practice holds of curing, as a check on figures that have no better source.

Common practice, no source. The order of the strategies is the real check. The retention of a sheet
was worked back from the range of its loss, so the ranges only hold the figures still.
"""

from dataclasses import replace
from itertools import pairwise

import pytest

from stripwise.inputs.distributions import distribution, fixed
from stripwise.inputs.variables import Input
from stripwise.risk.curves import probability_curves
from stripwise.risk.wall import Plan

WET = "curing.retention.wet covering.vertical"

PLANS = (
    Plan("12 h", 12.0, 1.0),
    Plan("12 h, wet covering 3 d", 12.0, 1.0, 72.0, 1.0, WET),
    Plan("12 h, sheet 3 d", 12.0, 1.0, 72.0, 1.0, "curing.retention.sheet.vertical"),
    Plan("24 h", 24.0, 1.0),
    Plan("72 h", 72.0, 1.0),
)


@pytest.fixture(scope="module")
def medians(walls):
    """Median initiation age [yr] by strategy, of a Portland cement concrete."""
    portland = {
        "concrete.ageing_exponent": distribution("beta", mean=0.30, sd=0.12, low=0.0, high=1.0)
    }
    wall = walls.wall(changes=portland, plans=PLANS)
    # a wet covering hung on a vertical face dries out: it holds no moisture at all here
    wall = replace(wall, inputs=(*wall.inputs, Input(WET, WET, fixed(0.0), "", "curing")))
    curves = probability_curves(wall, horizon=500.0, kinks=(), points=2048, repeats=8, seed=0)
    # the index is 0 where half of the faces are depassivated
    return dict(zip([plan.name for plan in PLANS], curves.mean.reach(0.0), strict=True))


def test_longer_in_the_forms_lasts_longer(medians):
    # Common practice, no source.
    order = ("12 h", "12 h, sheet 3 d", "24 h", "72 h")
    ages = [medians[name] for name in order]
    assert all(early < late for early, late in pairwise(ages))
    assert ages[0] > 0.0
    assert ages[-1] < 500.0


def test_a_covering_that_holds_no_moisture_is_none(medians):
    # Common practice, no source.
    assert medians["12 h, wet covering 3 d"] == pytest.approx(medians["12 h"], rel=1e-9)


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [
        ("12 h", 0.28, 0.38),
        ("12 h, wet covering 3 d", 0.28, 0.38),
        ("12 h, sheet 3 d", 0.15, 0.25),
    ],
)
def test_loss_of_median_life_against_a_day_in_the_forms(medians, name, least, most):
    # Common practice, no source.
    loss = 1.0 - medians[name] / medians["24 h"]
    assert least <= loss <= most
