"""Fits by maximum likelihood against scipy's own fitting, and the tests of goodness of fit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize, stats

from stripwise.errors import InputError
from stripwise.evidence.statistics.family_fit import (
    anderson_darling,
    bootstrap_shares,
    fit_families,
    fitted_distribution,
    kolmogorov_smirnov,
    with_goodness_of_fit,
)
from stripwise.evidence.statistics.likelihood import fitted_families

RNG = np.random.default_rng

SCIPY = {
    "normal": (stats.norm, {}),
    "lognormal": (stats.lognorm, {"floc": 0}),
    "gamma": (stats.gamma, {"floc": 0}),
    "weibull": (stats.weibull_min, {"floc": 0}),
}
SAMPLES = {
    "cover": np.random.default_rng(1).normal(52.0, 8.0, 120),
    "skew": np.random.default_rng(2).lognormal(3.0, 0.6, 60),
    "few": np.array([18.0, 21.5, 22.0, 30.0]),
    "close": 1000.0 + np.random.default_rng(3).normal(0.0, 0.5, 40),
    "wild": np.random.default_rng(4).gamma(0.4, 20.0, 80) + 1e-6,
}


@pytest.mark.parametrize("family", fitted_families())
@pytest.mark.parametrize("name", SAMPLES)
def test_fits_against_scipy(family, name):
    x = SAMPLES[name]
    law, fixed = SCIPY[family]
    # scipy's simplex stops early; started at its own answer again it comes closer
    result = law.fit(x, **fixed)
    if family == "weibull":
        with np.errstate(over="ignore"):
            free = optimize.minimize(
                lambda p: -np.sum(law.logpdf(x, np.exp(p[0]), 0, np.exp(p[1]))),
                np.log([result[0], result[2]]),
                method="Nelder-Mead",
                options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000},
            ).x
        result = (np.exp(free[0]), 0, np.exp(free[1]))
    (own,) = fit_families(x, families=[family])
    assert_allclose(own.log_likelihood, np.sum(law.logpdf(x, *result)), rtol=0, atol=2e-6)
    assert_allclose([own.mean, own.sd], [law.mean(*result), law.std(*result)], rtol=2e-5, atol=0)
    assert own.aic == 4.0 - 2.0 * own.log_likelihood


@pytest.mark.parametrize("family", fitted_families())
def test_the_distribution_for_the_scenario_is_the_fitted_one(family):
    x = SAMPLES["cover"]
    (own,) = fit_families(x, families=[family])
    law = fitted_distribution(own, x)
    assert_allclose(np.sum(np.log(law.pdf(x))), own.log_likelihood, rtol=0, atol=1e-6)


@given(scale=st.floats(1e-3, 1e3))
@settings(max_examples=20, deadline=None)
def test_a_change_of_unit_changes_the_moments_alone(scale):
    x = SAMPLES["skew"]
    for one, two in zip(fit_families(x), fit_families(scale * x), strict=True):
        assert one.family == two.family
        assert_allclose([two.mean, two.sd], [scale * one.mean, scale * one.sd], rtol=1e-8, atol=0)


def test_values_without_scatter_or_not_above_zero():
    assert fit_families([5.0, 5.0, 5.0]) == ()
    assert fitted_distribution(None, [5.0, 5.0]).is_fixed
    assert [fit.family for fit in fit_families([0.0, 1.0, 2.0])] == ["normal"]
    with pytest.raises(InputError, match="must be finite"):
        fit_families([1.0, np.nan])
    with pytest.raises(InputError, match="must be one of normal, lognormal"):
        fit_families([1.0, 2.0], families=["beta"])


def test_statistics_against_scipy():
    x = np.sort(SAMPLES["cover"])
    law = stats.norm(52.0, 8.0)
    assert_allclose(kolmogorov_smirnov(law.cdf(x)), stats.kstest(x, law.cdf).statistic, rtol=1e-12)
    known = stats.goodness_of_fit(
        stats.norm,
        x,
        known_params={"loc": 52.0, "scale": 8.0},
        statistic="ad",
        n_mc_samples=2,
        rng=1,
    )
    assert_allclose(anderson_darling(law.cdf(x), law.sf(x)), known.statistic, rtol=1e-10)


def test_p_values_against_scipy_monte_carlo():
    x = SAMPLES["skew"]
    rng = np.random.default_rng(5)
    own = {f.family: f for f in with_goodness_of_fit(fit_families(x), x, rng=rng, repeats=2000)}
    # scipy refits too; both count 2,000 samples, so that p scatters by about 0.016
    other = stats.goodness_of_fit(
        stats.lognorm, x, known_params={"loc": 0}, statistic="ad", n_mc_samples=400, rng=6
    )
    spread = np.sqrt(0.25 / 2000 + 0.25 / 400)
    assert abs(own["lognormal"].anderson_p - other.pvalue) < 4.0 * spread
    assert own["normal"].anderson_p < 0.01


def test_p_values_are_right_for_readings_in_whole_millimetres():
    """Under the null p is below 10 % in 10 % of the samples, with rounding as well."""
    rng = np.random.default_rng(8)
    below = 0
    for _ in range(150):
        x = np.round(rng.normal(50.0, 3.0, 60))
        fits = fit_families(x, families=["normal"])
        below += with_goodness_of_fit(fits, x, rng=rng, step=1.0, repeats=99)[0].anderson_p <= 0.10
    # binomial with n = 150, p = 0.1: sd 3.7
    assert abs(below - 15) <= 3.5 * 3.7


@pytest.mark.parametrize("family", fitted_families())
def test_share_below_a_limit_when_fitted_anew(family):
    x = SAMPLES["cover"]
    (fit,) = fit_families(x, families=[family])
    shares = bootstrap_shares(fit, 42.0, size=2000, rng=np.random.default_rng(9))
    exact = float(fitted_distribution(fit, x).cdf(42.0))
    assert abs(shares.mean() - exact) < 4.0 * shares.std() / np.sqrt(len(shares)) + 1e-3
    assert bootstrap_shares(fit, -500.0, size=50, rng=np.random.default_rng(9)).max() < 1e-6


def test_a_beta_between_stated_bounds_against_scipy():
    x = np.round(RNG(4).normal(50.0, 7.0, 120), 2)
    fit = next(f for f in fit_families(x, bounds=(20.0, 90.0)) if f.family == "beta")
    p, q, loc, scale = stats.beta.fit(x, floc=20.0, fscale=70.0)
    # scipy maximises by a simplex, to about 1e-5
    assert_allclose(fit.parameters, (p, q), rtol=1e-4)
    law = stats.beta(*fit.parameters, loc, scale)
    assert fit.mean == pytest.approx(law.mean(), rel=1e-12)
    assert fit.sd == pytest.approx(law.std(), rel=1e-12)
    assert fit.log_likelihood == pytest.approx(law.logpdf(x).sum(), rel=1e-12)
    assert fit.log_likelihood >= stats.beta(p, q, loc, scale).logpdf(x).sum() - 1e-9
    own = fitted_distribution(fit, x)
    at = np.array([25.0, 40.0, 55.0, 85.0])
    assert_allclose(own.cdf(at), law.cdf(at), rtol=1e-9)
    rated = with_goodness_of_fit((fit,), x, rng=RNG(1), repeats=200)[0]
    ad = stats.goodness_of_fit(
        stats.beta,
        x,
        known_params={"loc": 20.0, "scale": 70.0},
        statistic="ad",
        fit_params={"a": fit.parameters[0], "b": fit.parameters[1]},
        n_mc_samples=1,
        rng=1,
    )
    assert rated.anderson == pytest.approx(ad.statistic, rel=1e-4)
    assert 0.05 < rated.anderson_p <= 1.0


def test_a_beta_needs_bounds_around_the_values():
    x = RNG(4).normal(50.0, 7.0, 40)
    assert all(fit.family != "beta" for fit in fit_families(x))
    with pytest.raises(InputError, match="must hold every value"):
        fit_families(x, bounds=(45.0, 90.0))


def test_the_p_value_of_a_true_beta_is_right_for_whole_millimetres():
    low = 0
    for seed in range(60):
        x = np.round(RNG(seed).beta(3.0, 4.0, 80) * 60.0 + 20.0)
        x = np.clip(x, 20.5, 79.5)
        fit = next(f for f in fit_families(x, bounds=(20.0, 80.0)) if f.family == "beta")
        (tested,) = with_goodness_of_fit((fit,), x, rng=RNG(seed), step=1.0, repeats=49)
        low += tested.anderson_p <= 0.1  # 5 of 50
    # binomial of 60 with 0.1: mean 6, sd 2.3
    assert low <= 6 + 3 * 2.3
