"""Samples read by general-purpose libraries say what the curves say."""

import numpy as np
import openturns as ot
import pytest
from numpy.testing import assert_allclose
from scipy import stats

import stripwise

STRATEGY = "Forms 24 h"
N = 2**13


@pytest.fixture(scope="module")
def case():
    return stripwise.load("scenarios/garage-wall.toml").replace({"sampling.repeats": 8})


@pytest.fixture(scope="module")
def drawn(case):
    return stripwise.samples(case, STRATEGY, n=N, ages=[25.0, 50.0], seed=4)


@pytest.fixture(scope="module")
def curve(case):
    table = stripwise.sweep(case, [{}], ages=[10.0, 25.0, 50.0, 75.0, 100.0], points=2048, seed=9)
    return table[table["strategy"] == STRATEGY].set_index("age_yr")["probability"]


def test_kaplan_meier_of_initiation_ages_is_the_curve(drawn, curve):
    """The product-limit estimator of scipy.stats.ecdf, faces watched for 120 yr."""
    end = 120.0
    ages = drawn["initiation_yr"].to_numpy()
    later = np.full(int(np.sum(ages > end)), end)
    assert later.size > 0
    survival = stats.ecdf(stats.CensoredData(ages[ages <= end], right=later)).sf
    at_risk = 1.0 - survival.evaluate(curve.index.to_numpy())
    error = np.sqrt(curve * (1.0 - curve) / N)
    assert np.max(np.abs(at_risk - curve) / error) < 4.0


def test_openturns_counts_the_same_probability(drawn, curve):
    """The limit state cover - front by OpenTURNS' empirical distribution of the margin."""
    for age in (25.0, 50.0):
        margin = drawn["reinforcement.cover"] - drawn[f"front_mm_at_{age:g}"].clip(upper=1e4)
        law = ot.UserDefined(ot.Sample(margin.to_numpy()[:, None].tolist()))
        p = law.computeCDF(ot.Point([0.0]))
        assert_allclose(p, curve[age], rtol=0, atol=4 * np.sqrt(p * (1 - p) / N))


def test_openturns_knows_the_marginals(case, drawn):
    """Kolmogorov distances of the columns to the distributions of the file, built by OpenTURNS.

    Sobol' points lie closer to their law than independent ones, whose distance of 1.36 / sqrt(n) a
    test at 5 % would take.
    """
    laws = {
        "reinforcement.cover": ot.TruncatedDistribution(
            ot.Normal(60.0, 8.0), 0.0, ot.TruncatedDistribution.LOWER
        ),
        "reinforcement.critical_chloride": ot.ParametrizedDistribution(
            ot.BetaMuSigma(0.6, 0.15, 0.2, 2.0)
        ),
    }
    for name, law in laws.items():
        values = np.sort(drawn[name].to_numpy())
        cdf = np.array(law.computeCDF(ot.Sample(values[:, None].tolist()))).ravel()
        distance = np.max(np.abs(cdf - (np.arange(N) + 0.5) / N))
        assert distance < 1.36 / np.sqrt(N) / 4
    assert set(laws) <= {item.name for item in case.inputs}
