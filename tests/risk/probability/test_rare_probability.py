"""Small probabilities: a closed form, coverage of their intervals, and what is left without one."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from stripwise.distributions.distribution import distribution, fixed
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability import rare_sampling
from stripwise.risk.probability.curves import probability_curves
from stripwise.risk.probability.integral import Integral
from stripwise.risk.probability.intervals import OK, TOO_RARE, highest_mean, t_interval
from stripwise.risk.probability.rare_probability import MAX_COV, RARE_STATUS
from stripwise.risk.probability.rare_sampling import rare_tail_means

LOGNORMAL = {"family": "lognormal"}
WARM, COLD = 293.0, 283.15


def lognormal_wall(walls):
    """A wall whose front and cover are lognormal, with two inputs sampled."""
    return walls.wall(
        changes={
            "exposure.surface_chloride": fixed(3.0),
            "exposure.initial_chloride": fixed(0.0),
            "exposure.convection_zone": fixed(0.0),
            "concrete.diffusivity": distribution(mean=200.0, cov=0.4, **LOGNORMAL),
            "concrete.ageing_exponent": fixed(0.3),
            "concrete.temperature_coefficient": distribution("normal", mean=4800.0, sd=700.0),
            "reinforcement.cover": distribution(mean=60.0, cov=0.2, **LOGNORMAL),
            "reinforcement.critical_chloride": fixed(0.6),
            "curing.law": fixed(0.0),
            "curing.early_slope": fixed(0.0),
            "curing.retention.sheet.vertical": fixed(0.1),
        },
        plans=(Plan("7 d", 168.0, 1.0),),
    )


def exact(ages):
    """Return the closed form of that wall: ln x_c - ln c is normal."""
    gap = 1.0 / WARM - 1.0 / COLD
    s_d, s_c = np.sqrt(np.log1p(0.16)), np.sqrt(np.log1p(0.04))
    z = stats.norm.isf(0.2 / 2) / np.sqrt(2.0)
    shape = (28 / 365.25) ** 0.3 * ages**0.7
    log_x = np.log(2 * z) + 0.5 * (4800.0 * gap + np.log(shape * 200.0) - 0.5 * s_d**2)
    log_c = np.log(60.0) - 0.5 * s_c**2
    return stats.norm.cdf((log_x - log_c) / np.sqrt(0.25 * (s_d**2 + (700.0 * gap) ** 2) + s_c**2))


def curves_of(wall, **changes):
    options = {"horizon": 60.0, "kinks": (50.0,), "points": 1024, "repeats": 8, "seed": 1}
    return probability_curves(wall, **{**options, **changes, "band": False})


def test_intervals_of_small_probabilities_cover_the_closed_form(walls):
    # 8 repeats by Student's t, about 1e-7 to 1e-3; 150 seeds: 95 % are 143 with an sd of 2.7
    wall, ages = lognormal_wall(walls), np.array([1.3, 1.8, 2.6, 4.2, 6.0])
    p = exact(ages)
    assert 1e-7 < p[0] < 1e-6
    assert 3e-4 < p[-1] < 1e-3
    integral, sampler = Integral.from_wall(wall)
    hits = np.zeros(ages.size)
    for seed in range(150):
        by_repeat, sampled = rare_tail_means(
            wall,
            integral,
            sampler,
            ages=ages,
            tail_means=p[None],
            upper=np.zeros((1, ages.size), dtype=bool),
            repeats=8,
            seed=seed,
            workers=1,
        )
        assert sampled.all()
        mean, low, high = t_interval(by_repeat[:, 0])
        assert_allclose(mean, p, rtol=0.03)
        hits += (low <= p) & (p <= high)
    assert np.all(hits >= 143 - 3.3 * 2.7)


def test_a_curve_is_exact_far_below_its_sample(walls):
    curves = curves_of(lognormal_wall(walls))
    ages = np.array([1.0, 2.0, 4.0, 6.0])
    p = special.ndtr(-curves.mean.at(ages))[0]
    assert_allclose(p, exact(ages), rtol=0.01)
    low, high = (special.ndtr(-one.at(ages))[0] for one in (curves.low95, curves.high95))
    assert np.all((low <= p) & (p <= high))
    assert np.all(high / low < 1.1)
    status = curves.tails.status(ages, p[None])[0]
    assert status.tolist() == [RARE_STATUS] * 4
    assert curves.tails.status(np.array([8.0]), np.array([[2e-3]])).tolist() == [[OK]]


def test_few_points_sample_more_of_the_curve_anew(walls):
    # 256 points and 8 repeats at 2e-3: Student's t covered 90 % of 1,000 seeds
    curves = curves_of(lognormal_wall(walls), points=256)
    ages = np.array([8.0])
    p = special.ndtr(-curves.mean.at(ages))
    assert 1.5e-3 < exact(ages)[0] < 3e-3
    assert curves.tails.status(ages, p).tolist() == [[RARE_STATUS]]
    assert_allclose(p[0], exact(ages), rtol=0.01)


def test_a_sample_that_carries_no_interval_says_so(walls, monkeypatch):
    # with two points a repeat the weighted mean scatters by more than it may
    monkeypatch.setattr(rare_sampling, "POINTS", 2)
    monkeypatch.setattr(rare_sampling, "PILOT_POINTS", 2)
    curves = curves_of(lognormal_wall(walls), points=512)
    ages = np.array([1.0])
    p = special.ndtr(-curves.mean.at(ages))
    assert curves.tails.status(ages, p).tolist() == [[TOO_RARE]]
    assert curves.low95.at(ages)[0, 0] > 30.0  # a lower end of 0
    high = special.ndtr(-curves.high95.at(ages))[0, 0]
    assert exact(ages)[0] < high < highest_mean(0.0, samples=4096, chance=0.02)
    # by every law at all, P is far below a tenth all the same
    assert curves.tails.highest(1.0, chance=3.2e-5)[0] < 0.01


def test_a_missed_region_of_failure_is_not_trusted(walls, monkeypatch):
    # a weighted sample that finds half of the probability, with next to no scatter
    def half(*_args, tail_means, repeats, **_options):
        noise = 1.0 + 1e-3 * np.random.default_rng(1).standard_normal((repeats, *tail_means.shape))
        return 0.5 * tail_means * noise, tail_means < 1e-3

    monkeypatch.setattr("stripwise.risk.probability.rare_probability.rare_tail_means", half)
    curves = curves_of(lognormal_wall(walls))
    p = special.ndtr(-curves.mean.at([4.0]))
    assert curves.tails.status(np.array([4.0]), p).tolist() == [[TOO_RARE]]
    assert_allclose(p[0], exact(np.array([4.0])), rtol=0.2)


def test_nothing_random_but_the_cover_is_exact(walls):
    changes = {name: fixed(law.mean) for name, (law, _) in walls.DEFAULTS.items()}
    changes["reinforcement.cover"] = distribution(mean=60.0, cov=0.2, **LOGNORMAL)
    curves = curves_of(walls.wall(changes=changes, plans=(Plan("24 h", 24.0, 1.0),)), points=16)
    ages = np.array([2.0])
    p = special.ndtr(-curves.mean.at(ages))
    assert p[0, 0] < 1e-3
    assert curves.tails.status(ages, p).tolist() == [[OK]]
    assert_allclose(curves.low95.index, curves.high95.index, rtol=1e-12)


@pytest.mark.parametrize("layered", [False, True])
def test_both_integrals_agree_with_a_large_plain_sample(walls, layered):
    # the same small probability from 2^17 plain points
    wall = dataclasses.replace(walls.wall(layered=layered), plans=walls.PLANS[2:3])
    integral, sampler = Integral.from_wall(wall)
    ages = np.array([0.5])
    plain, error = walls.curves_at(wall, ages, points=2**14)
    assert 1e-5 < plain[0, 0] < 1e-3
    by_repeat, _ = rare_tail_means(
        wall,
        integral,
        sampler,
        ages=ages,
        tail_means=plain,
        upper=np.zeros((1, 1), dtype=bool),
        repeats=8,
        seed=1,
        workers=1,
    )
    weighted = by_repeat[:, 0, 0]
    spread = np.hypot(error[0, 0], weighted.std(ddof=1) / np.sqrt(8.0))
    assert abs(weighted.mean() - plain[0, 0]) < 4.0 * spread
    assert weighted.std(ddof=1) / np.sqrt(8.0) < MAX_COV * weighted.mean()


def test_the_highest_mean_of_a_binomial():
    # an event that never came in n trials: the bound is 1 - chance^(1/n), which is exact there
    n, chance = 500, 0.025
    assert_allclose(highest_mean(0.0, samples=n, chance=chance), 1.0 - chance ** (1 / n), rtol=1e-9)
    # elsewhere it lies above the exact limit of Clopper and Pearson (Biometrika 26, 1934, recalled)
    count = np.array([1, 5, 50])
    limit = stats.beta.ppf(1.0 - chance, count + 1, n - count)
    bound = highest_mean(count / n, samples=n, chance=chance)
    assert np.all((limit < bound) & (bound < 1.6 * limit))
