"""Probabilities against OpenTURNS, a general-purpose library for uncertainty, 1.24 or later.

OpenTURNS turns means and standard deviations into distributions, correlates them and samples them.
The formula stands here once more in numpy, as a content at the bars rather than a depth of the
front: C(cover) = C0 + (Cs - C0) erfc((cover - dx) / (2 sqrt(k_c tau))), and the steel depassivates
where C >= Ccrit; fib Bulletin 34, Model Code for Service Life Design, 2006, Annex B2 (recalled).
Each value computed there is compared within three standard errors of both computations.
"""

from dataclasses import replace

import numpy as np
import openturns as ot
import pytest
from scipy.special import erfc, ndtr

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Correlation, Input
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.curves import probability_curves

AGES = np.array([10.0, 50.0, 100.0])
POINTS = 400_000
REPEATS = 16
# 1e-12 m2/s in mm2/yr: 1e-12 * 1e6 mm2/m2 * 365.25 * 86400 s/yr
UNIT = 1e-6 * 365.25 * 86400.0


def moments(parameters):
    return ot.ParametrizedDistribution(parameters)


def above_zero(law):
    return ot.TruncatedDistribution(law, 0.0, ot.TruncatedDistribution.LOWER)


def default_laws():
    """Give the wall of tests/risk/walls.py, in OpenTURNS."""
    return {
        "surface": moments(ot.LogNormalMuSigma(3.0, 1.05, 0.0)),
        "zone": moments(ot.BetaMuSigma(8.9, 5.6, 0.0, 50.0)),
        "diffusivity": above_zero(ot.Normal(5.0 * UNIT, 1.0 * UNIT)),
        "exponent": moments(ot.BetaMuSigma(0.45, 0.12, 0.0, 1.0)),
        "coefficient": ot.Normal(4800.0, 700.0),
        "cover": above_zero(ot.Normal(60.0, 8.0)),
        "critical": moments(ot.BetaMuSigma(0.6, 0.15, 0.2, 2.0)),
        # k_c after 1 d of curing, DuraCrete R9, BE95-1347, 2000 (recalled)
        "penalty": moments(ot.BetaMuSigma(2.4, 0.7, 1.0, 4.0)),
    }


def sampled(laws, *, seed):
    ot.RandomGenerator.SetSeed(seed)
    return {name: np.array(law.getSample(POINTS))[:, 0] for name, law in laws.items()}


def tied(laws, *, rank):
    """Sample cover and diffusivity with a Spearman rank correlation, on the current stream."""
    names = ["cover", "diffusivity"]
    spearman = ot.CorrelationMatrix(2)
    spearman[0, 1] = rank
    copula = ot.NormalCopula(ot.NormalCopula.GetCorrelationFromSpearmanCorrelation(spearman))
    joint = ot.JointDistribution([laws[name] for name in names], copula)
    return dict(zip(names, np.array(joint.getSample(POINTS)).T, strict=True))


def depassivated(draws, *, celsius, initial):
    """Share of the sample depassivated at each of `AGES`."""
    warmth = np.exp(draws["coefficient"] * (1.0 / 293.0 - 1.0 / (celsius + 273.15)))
    depth = draws["cover"] - draws["zone"]
    shares = []
    for age in AGES:
        ageing = (28.0 / 365.25 / age) ** draws["exponent"]
        tau = draws["penalty"] * warmth * draws["diffusivity"] * ageing * age
        # within the convection zone the content is that of the surface
        share = np.where(depth > 0.0, erfc(depth / (2.0 * np.sqrt(tau))), 1.0)
        content = initial + (draws["surface"] - initial) * share
        shares.append(np.mean(content >= draws["critical"]))
    return np.array(shares)


def distance(wall, reference):
    """Largest difference of P over `AGES`, in standard errors of both computations."""
    curves = probability_curves(
        wall, horizon=100.0, kinks=(50.0,), points=2048, repeats=REPEATS, seed=0
    )
    p = ndtr(-curves.mean.at(AGES)[0])
    repeats = ndtr(-curves.index_by_repeat(AGES)[:, 0])
    ours = repeats.var(axis=0, ddof=1) / REPEATS
    theirs = reference * (1.0 - reference) / POINTS
    assert np.all(theirs > 0.0)
    # the sample is large enough to show a 5 % error of P at 100 yr
    assert 3.0 * np.sqrt(ours + theirs)[-1] < 0.05 * p[-1]
    return np.max(np.abs(p - reference) / np.sqrt(ours + theirs))


def test_default_wall_stripped_at_one_day(walls):
    wall = walls.wall(plans=(Plan("24 h", 24.0, 1.0),))
    reference = depassivated(sampled(default_laws(), seed=1), celsius=10.0, initial=0.1)
    assert distance(wall, reference) < 3.0


def test_other_families_in_the_heat(walls):
    laws = {
        "surface": moments(ot.WeibullMinMuSigma(2.5, 0.9, 0.0)),
        "zone": ot.Uniform(0.0, 12.0),
        "diffusivity": moments(ot.GammaMuSigma(150.0, 45.0, 0.0)),
        "exponent": ot.Triangular(0.1, 0.5, 0.9),
        "coefficient": ot.Normal(4800.0, 700.0),
        # mean 65 mm between 40 and 90 mm: the peak is at 3 * 65 - 40 - 90
        "cover": ot.Triangular(40.0, 65.0, 90.0),
        "critical": moments(ot.LogNormalMuSigma(0.8, 0.2, 0.0)),
        "penalty": moments(ot.GammaMuSigma(1.8, 0.5, 0.0)),
    }
    wall = walls.wall(
        changes={
            "exposure.temperature": fixed(303.15),
            "exposure.initial_chloride": fixed(0.05),
            "exposure.surface_chloride": distribution("weibull", mean=2.5, sd=0.9),
            "exposure.convection_zone": distribution("uniform", low=0.0, high=12.0),
            "concrete.diffusivity": distribution("gamma", mean=150.0, sd=45.0),
            "concrete.ageing_exponent": distribution("triangular", mean=0.5, low=0.1, high=0.9),
            "reinforcement.cover": distribution("triangular", mean=65.0, low=40.0, high=90.0),
            "reinforcement.critical_chloride": distribution("lognormal", mean=0.8, sd=0.2),
        },
        plans=(Plan("given", 24.0, 1.0, penalty="strategy.penalty"),),
    )
    given = Input(
        "strategy.penalty", "penalty", distribution("gamma", mean=1.8, sd=0.5), "", "curing"
    )
    wall = replace(wall, inputs=(*wall.inputs, given))
    reference = depassivated(sampled(laws, seed=2), celsius=30.0, initial=0.05)
    assert distance(wall, reference) < 3.0


@pytest.mark.parametrize("rank", [-0.7, 0.5])
def test_cover_correlated_with_the_diffusivity(walls, rank):
    laws = default_laws()
    tie = Correlation("reinforcement.cover", "concrete.diffusivity", rank)
    wall = walls.wall(correlations=(tie,), plans=(Plan("24 h", 24.0, 1.0),))
    loose = sampled(laws, seed=3)
    draws = loose | tied(laws, rank=rank)
    assert distance(wall, depassivated(draws, celsius=10.0, initial=0.1)) < 3.0
    # the correlation matters: without it the answer is off by three times what is allowed
    assert distance(wall, depassivated(loose, celsius=10.0, initial=0.1)) > 9.0
