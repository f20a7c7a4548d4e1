"""The range of a change of life over the knowledge inputs."""

import numpy as np
from numpy.testing import assert_allclose

from stripwise.distributions.distribution import fixed
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.curves import probability_curves
from stripwise.risk.probability.life_ratio import life_ratio_interval

AGES = np.array([0.0, *np.geomspace(0.1, 100.0, 40)])


def straight(shift):
    """Curves that are straight in the logarithm of age, moved by a factor on age."""
    with np.errstate(divide="ignore"):
        return 2.0 - np.log(AGES / np.asarray(shift)[..., None] / 10.0)


def test_a_factor_on_age_is_the_ratio_of_lives():
    shift = np.array([[1.0, 0.7, 1.6]] * 8)
    low, high = life_ratio_interval(AGES, straight(shift), reference=0, target=1.3)
    assert_allclose(low, [1.0, 0.7, 1.6], rtol=1e-12)
    assert_allclose(high, low, rtol=1e-12)


def test_what_shifts_both_curves_alike_drops_out():
    both = np.linspace(0.5, 2.0, 16)
    shift = np.stack([both, 0.6 * both], axis=1)
    low, high = life_ratio_interval(AGES, straight(shift), reference=0, target=1.3)
    assert_allclose([low[1], high[1]], 0.6, rtol=1e-12)


def test_a_target_beyond_the_horizon_is_read_at_the_highest_common_probability():
    low, high = life_ratio_interval(
        AGES, straight(np.array([[1.0, 0.7]] * 4)), reference=0, target=-5.0
    )
    assert_allclose([low[1], high[1]], 0.7, rtol=1e-12)


def test_a_step_has_no_ratio():
    index = np.full((4, 2, len(AGES)), np.inf)
    low, high = life_ratio_interval(AGES, index, reference=0, target=1.3)
    assert np.isnan([low, high]).all()


def test_the_closed_form_of_a_uniform_face(walls):
    # tau ~ k t^(1-a), so at known k and a the ratio of lives is (k_ref / k)^(1 / (1 - a)); its
    # quantiles over the law and the exponent follow from plain draws.
    plans = (Plan("12 h", 12.0, 1.0), Plan("24 h", 24.0, 1.0))
    names = ("curing.law", "concrete.ageing_exponent")
    # the slope below 1 d scatters along the wall and would not be shared by all samples of a life
    wall = walls.wall(plans=plans, knowledge=names, changes={"curing.early_slope": fixed(0.0)})
    curves = probability_curves(
        wall, horizon=100.0, kinks=(), points=1024, repeats=2, seed=3, workers=1
    )
    low, high = life_ratio_interval(curves.mean.ages, curves.epistemic, reference=1, target=1.3)
    rng = np.random.default_rng(5)
    z = {name: rng.standard_normal(40_000) for name in names}
    values = {i.name: i.distribution.mean for i in wall.inputs}
    values |= {name: wall.input(name).distribution.from_normal(score) for name, score in z.items()}
    early, day = wall.log_penalties(values)
    exact = np.exp((day - early) / (1.0 - values["concrete.ageing_exponent"]))
    # 256 points: the rank of a 2.5 % quantile has a standard error of sqrt(.025 x .975 / 256) =
    # 0.0098; 2.3 of them are allowed.
    assert np.quantile(exact, 0.0025) <= low[0] <= np.quantile(exact, 0.0475)
    assert np.quantile(exact, 0.9525) <= high[0] <= np.quantile(exact, 0.9975)
