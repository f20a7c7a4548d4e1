"""Confidence against a closed form: one epistemic input, a cover that alone varies."""

import numpy as np
import pytest
from scipy import special

from stripwise.distributions.distribution import distribution, fixed
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.confidence import SCRAMBLINGS, epistemic_probability
from stripwise.risk.probability.curves import probability_curves

AGE, ALLOWED = 50.0, 0.10


@pytest.fixture
def wall(walls):
    """P(e) = F_cover(2 z sqrt(tau(e))), with the ageing exponent e uniform."""
    names = list(walls.DEFAULTS)
    changes = {name: fixed(walls.DEFAULTS[name][0].mean) for name in names}
    changes["exposure.convection_zone"] = fixed(0.0)
    changes["concrete.ageing_exponent"] = distribution("uniform", low=0.3, high=0.7)
    changes["reinforcement.cover"] = walls.DEFAULTS["reinforcement.cover"][0]
    plans = (Plan("24 h", 24.0, 1.0), Plan("72 h", 72.0, 1.0))
    return walls.wall(changes=changes, knowledge=("concrete.ageing_exponent",), plans=plans)


def test_confidence_is_the_share_of_a_closed_form(wall):
    curves = probability_curves(
        wall, horizon=100.0, kinks=(AGE,), points=1024, repeats=8, seed=1, band=False
    )
    mean = curves.mean.at(np.array([AGE]))[:, 0]
    found = epistemic_probability(wall, age=AGE, mean_index=mean, points=1024, seed=1)
    assert found is not None
    assert found.index.shape == (SCRAMBLINGS, 64, 2)

    # independent of the package: the front at the exponent where P is just allowed
    laws = {item.name: item.distribution for item in wall.inputs}
    cover = laws["reinforcement.cover"]
    depth = cover.parent_mean + cover.parent_sd * special.ndtri(ALLOWED)
    ratio = (laws["reinforcement.critical_chloride"].mean - 0.1) / (
        laws["exposure.surface_chloride"].mean - 0.1
    )
    tau = (depth / (2.0 * special.erfcinv(ratio))) ** 2
    k_e = np.exp(4800.0 * (1.0 / 293.0 - 1.0 / 283.15))
    rate = laws["concrete.diffusivity"].mean * k_e
    confidence = found.confidence(-special.ndtri(ALLOWED))
    # scores of the curing law are 0: k_c at 24 h is its median, log-log between the knots
    for s, penalty in enumerate(np.sqrt(curves.penalty_mean**2)):
        # tau = k_c rate t (t_ref / t)^a
        exponent = np.log(penalty * rate * AGE / tau) / np.log(AGE / (28.0 / 365.25))
        exact = np.clip((0.7 - exponent) / 0.4, 0.0, 1.0)
        assert confidence.value[s] == pytest.approx(exact, abs=0.02)
        assert confidence.low95[s] <= confidence.value[s] <= confidence.high95[s]
        # P falls with the exponent, so the ends of its range are P at 2.5 and 97.5 % of it
        for share, at in ((0.025, 0.31), (0.975, 0.69)):
            time = penalty * rate * AGE * (28.0 / 365.25 / AGE) ** at
            front = 2.0 * special.erfcinv(ratio) * np.sqrt(time)
            end = (cover.parent_mean - front) / cover.parent_sd
            one = found.range_end(share)
            half = one.high95[s] - one.value[s]
            assert 0.0 < half < 0.05
            assert abs(one.value[s] - end) < 3.0 * half


def test_the_quantile_at_a_confidence_is_met_by_that_share(wall):
    curves = probability_curves(
        wall, horizon=100.0, kinks=(AGE,), points=256, repeats=8, seed=1, band=False
    )
    mean = curves.mean.at(np.array([AGE]))[:, 0]
    found = epistemic_probability(wall, age=AGE, mean_index=mean, points=256, seed=2)
    level = found.index_at_confidence(0.9).mean(axis=0)
    share = [found.confidence(level[s]).value[s] for s in range(2)]
    np.testing.assert_allclose(share, 0.9, atol=0.02)


@pytest.mark.parametrize("demanded", [0.95, 0.99])
def test_few_points_are_more_where_a_demanded_confidence_needs_them(wall, demanded):
    # eight points a scrambling, as a numerical front has, end at a share of 1/16
    curves = probability_curves(
        wall, horizon=100.0, kinks=(AGE,), points=256, repeats=8, seed=1, band=False
    )
    mean = curves.mean.at(np.array([AGE]))[:, 0]
    many, few = (
        epistemic_probability(
            wall, age=AGE, mean_index=mean, points=256, seed=2, outer_points=n, demanded=demanded
        )
        for n in (256, 8)
    )
    assert few.index.shape[1] == {0.95: 16, 0.99: 64}[demanded]
    reached = few.index_at_confidence(demanded)
    # the index falls with nothing but the exponent, so 256 points stand for the closed form
    error = reached.std(axis=0, ddof=1) / np.sqrt(SCRAMBLINGS)
    exact = many.index_at_confidence(demanded).mean(axis=0)
    assert np.all(np.abs(reached.mean(axis=0) - exact) < 4.0 * error)


def test_nothing_epistemic_has_no_confidence(walls):
    assert (
        epistemic_probability(walls.wall(), age=AGE, mean_index=np.zeros(4), points=256, seed=1)
        is None
    )
