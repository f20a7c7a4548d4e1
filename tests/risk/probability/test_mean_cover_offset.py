"""An uncertain mean cover: a normal about 0 that moves the surface, against a wider cover."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.risk.model.service_conditions import ServiceConditions
from stripwise.risk.model.wall import COVER, MEAN_COVER_OFFSET
from stripwise.risk.probability.curves import probability_curves
from stripwise.risk.reliability.limit_state import LimitState
from stripwise.risk.sensitivity.quantities_of_interest import MARGIN, QuantitiesOfInterest

SIGMA, TAU = 6.0, 4.5
AGES = np.array([10.0, 25.0, 50.0])


def with_uncertain_mean(wall, sd=TAU):
    law = distribution("normal", mean=0.0, sd=sd)
    return replace(wall, inputs=(*wall.inputs, Input(MEAN_COVER_OFFSET, "", law, "mm", "cover")))


def cover(sd):
    return {COVER: distribution("normal", mean=60.0, sd=sd)}


def of_curves(wall):
    """Probabilities of the curves with their standard errors."""
    sizes = {"points": 2048, "repeats": 16, "seed": 2}
    curves = probability_curves(wall, horizon=60.0, kinks=(50.0,), **sizes)
    each = special.ndtr(-curves.index_by_repeat(AGES))
    return special.ndtr(-curves.mean.at(AGES)), each.std(axis=0, ddof=1) / 4.0


FIELD = Input(
    "model.front_factor", "", distribution("lognormal", mean=1.0, cov=0.1), "", "concrete"
)


def with_factor(wall):
    conditions = ServiceConditions(model_factor=FIELD.name)
    return replace(wall, inputs=(*wall.inputs, FIELD), conditions=conditions)


@pytest.mark.parametrize("kind", ["uniform", "layered", "factor"])
def test_it_widens_a_normal_cover(walls, kind):
    # The sum of two normals is a normal: a cover of sd sqrt(sigma^2 + tau^2), its mean certain.
    layered = kind == "layered"
    change = with_factor if kind == "factor" else lambda wall: wall
    uncertain = with_uncertain_mean(walls.wall(changes=cover(SIGMA), layered=layered))
    ours, error = walls.curves_at(change(uncertain), AGES, points=4096)
    wide = walls.wall(changes=cover(float(np.hypot(SIGMA, TAU))), layered=layered)
    theirs, other = walls.curves_at(change(wide), AGES, points=4096)
    assert np.all(np.abs(ours - theirs) < 4.5 * np.hypot(error, other))
    assert np.all(np.hypot(error, other) < 2e-3)


def test_a_known_offset_is_another_mean_cover(walls):
    laws = {**cover(SIGMA), "reinforcement.critical_chloride": fixed(0.6)}
    wall = walls.wall(changes=laws, layered=True)
    offset = Input(MEAN_COVER_OFFSET, "", fixed(-5.0), "mm", "cover")
    moved = replace(wall, inputs=(*wall.inputs, offset))
    thin = walls.wall(
        changes={**laws, COVER: distribution("normal", mean=55.0, sd=SIGMA)}, layered=True
    )
    known, stated = (walls.curves_at(w, AGES, points=64)[0] for w in (moved, thin))
    assert_allclose(known, stated, rtol=0, atol=1e-9)
    # the same in the content form, and in the margin
    state, other = (LimitState.from_wall(w, w.plans[2], age=30.0) for w in (moved, thin))
    u = np.random.default_rng(4).normal(size=(state.dimensions, 50))
    assert_allclose(state(u), other(u), rtol=1e-10, atol=1e-10)
    q, p = (
        QuantitiesOfInterest.from_wall(
            w, w.plans[2], reference=w.plans[2], ages=AGES, quantities=(MARGIN,)
        )
        for w in (moved, thin)
    )
    assert_allclose(q(u), p(u), rtol=0, atol=1e-9)


@pytest.mark.usefixtures("few_rare_points")
def test_the_mean_of_a_fixed_cover_can_be_uncertain(walls):
    ours, error = of_curves(with_uncertain_mean(walls.wall(changes={COVER: fixed(60.0)})))
    theirs, other = of_curves(walls.wall(changes=cover(TAU)))
    assert np.all(np.abs(ours - theirs) < 4.5 * np.hypot(error, other))
    assert np.all(np.hypot(error, other) < 2e-3)


def test_the_scenario_states_it(wall):
    law = '{ family = "normal", mean = "55 mm", sd = "8 mm" }'
    case = wall.load((law, law.replace(" }", ', mean_sd = "0.2 in" }')))
    item = case.input(MEAN_COVER_OFFSET)
    assert (item.kind, item.group, item.unit) == ("knowledge", "cover", "mm")
    assert item.distribution.sd == pytest.approx(5.08)
    for text, message in (
        ('"0 mm"', "must be between 0.1 mm and 50 mm"),
        ('"-3 mm"', "must be between 0.1 mm and 50 mm"),
        ('"3 h"', "reinforcement.cover.mean_sd = "),
    ):
        (problem,) = wall.problems((law, law.replace(" }", f", mean_sd = {text} }}")))
        assert message in problem
    zone = 'convection_zone = "0 mm"'
    other = 'convection_zone = { value = "0 mm", mean_sd = "1 mm" }'
    (problem,) = wall.problems((zone, other))
    assert "exposure.convection_zone.mean_sd" in problem
    assert "unknown key" in problem
    (problem,) = wall.problems((law, law.replace(" }", ', kind = "knowledge" }')))
    assert 'mean_sd = "4 mm"' in problem
