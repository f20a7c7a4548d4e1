"""What common practice holds of curing, as a check on figures that have no better source.

Common practice, no source. The order of the strategies is the real check. The retention of a sheet
was worked back from the range of its loss, so the ranges only hold the figures still.
"""

from dataclasses import replace
from itertools import pairwise

import pytest

from stripwise.curing.follow_up import retention_name
from stripwise.distributions.distribution import distribution
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.curves import probability_curves
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.retention import retention_inputs

DONE = ("sheet", "membrane", "wet covering", "kept wet")


def after(method):
    """Return 12 h in the forms, then 3 d of something on the vertical face."""
    name = retention_name(method, "vertical")
    return Plan(f"12 h, {method} 3 d", 12.0, 1.0, 72.0, 1.0, name)


PLANS = (
    Plan("12 h", 12.0, 1.0),
    Plan("24 h", 24.0, 1.0),
    Plan("72 h", 72.0, 1.0),
    *(after(method) for method in DONE),
)


@pytest.fixture(scope="module")
def medians(walls):
    """Median initiation age [yr] by strategy, of a Portland cement concrete.

    What a follow-up retains is what a scenario gets that says nothing about it.
    """
    portland = {
        "concrete.ageing_exponent": distribution("beta", mean=0.30, sd=0.12, low=0.0, high=1.0)
    }
    wall = walls.wall(changes=portland, plans=PLANS)
    used = [(method, "vertical") for method in DONE]
    defaults = retention_inputs({}, used, Problems("wall.toml", {}))
    assert len(defaults) == len(DONE)
    names = {item.name for item in defaults}
    others = tuple(item for item in wall.inputs if item.name not in names)
    wall = replace(wall, inputs=(*others, *defaults))
    curves = probability_curves(wall, horizon=500.0, kinks=(), points=2048, repeats=8, seed=0)
    # the index is 0 where half of the faces are depassivated
    return dict(zip([plan.name for plan in PLANS], curves.mean.age_at_index(0.0), strict=True))


def test_longer_in_the_forms_lasts_longer(medians):
    # Common practice, no source.
    for film in ("12 h, sheet 3 d", "12 h, membrane 3 d"):
        ages = [medians[name] for name in ("12 h", film, "24 h", "72 h")]
        assert all(early < late for early, late in pairwise(ages))
    assert medians["12 h"] > 0.0
    assert medians["72 h"] < 500.0


def test_water_kept_on_the_face_without_a_break_does_most(medians):
    # Common practice, no source.
    assert medians["12 h, kept wet 3 d"] > 1.2 * medians["12 h, membrane 3 d"]


def test_a_wet_covering_on_a_vertical_face_is_none(medians):
    # Common practice, no source.
    assert medians["12 h, wet covering 3 d"] == pytest.approx(medians["12 h"], rel=1e-9)


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [
        ("12 h", 0.28, 0.38),
        ("12 h, wet covering 3 d", 0.28, 0.38),
        ("12 h, sheet 3 d", 0.15, 0.25),
        ("12 h, membrane 3 d", 0.15, 0.25),
    ],
)
def test_loss_of_median_life_against_a_day_in_the_forms(medians, name, least, most):
    # Common practice, no source.
    loss = 1.0 - medians[name] / medians["24 h"]
    assert least <= loss <= most
