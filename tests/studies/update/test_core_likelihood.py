"""The likelihood of cores and covers against quadrature, and the posterior against an own MCMC."""

import emcee
import numpy as np
import pandas as pd
import pytest
from inspected import layer_contents, problem, wall
from numpy.testing import assert_allclose
from scipy import special, stats

from stripwise.studies.update.epistemic_scores import EpistemicDraws
from stripwise.studies.update.posterior_of_sets import find_posterior

EDGES = np.array([0.0, 8.0, 16.0, 24.0, 34.0])
AGE, PENALTY, INITIAL = 12.0, 1.5, 0.1
CONTENT = np.array([1.9, 1.1, 0.62, 0.25])
FIXED_D = {"concrete.diffusivity": "3e-12 m^2/s"}


def core(content=CONTENT, **more):
    table = pd.DataFrame(
        {
            "specimen": "C1",
            "strategy": "Forms 24 h",
            "depth_from_mm": EDGES[:-1],
            "depth_to_mm": EDGES[1:],
            "chloride_pct_binder": content,
            "exposure_yr": AGE,
        }
    )
    return table.assign(**(more or {"error_pct_binder": 0.1}))


def surfaces(score):
    """Surface content of the small wall: lognormal of mean 2 and coefficient of variation 0.4."""
    s = np.sqrt(np.log1p(0.4**2))
    return 2.0 * np.exp(s * score - 0.5 * s * s)


def diffusivities(score):
    s = np.sqrt(np.log1p(0.3**2))
    return 3e-12 * np.exp(s * score - 0.5 * s * s)


def contents(surface, diffusivity, exponent):
    return layer_contents(
        surface, diffusivity, exponent, initial=INITIAL, penalty=PENALTY, age=AGE, edges=EDGES
    )


@pytest.mark.parametrize(
    ("more", "content"),
    [
        ({"error_pct_binder": 0.1}, CONTENT),
        ({"error_share": 0.08}, CONTENT),
        ({"error_pct_binder": 0.1}, ["1.9", "1.1", "0.62", "<0.3"]),
    ],
    ids=["constant", "in proportion", "below detection"],
)
def test_a_core_against_quadrature_over_its_surface_content(more, content):
    case = wall(**FIXED_D)
    _, _, likelihoods = problem(case, core(content, **more), points=64)
    between, exponent = np.array([-0.5, 0.4, 1.5]), np.array([0.5, 0.4, 0.33])
    draws = EpistemicDraws(
        {"concrete.ageing_exponent": exponent, "reinforcement.cover.mean_sd": np.zeros(3)},
        {"exposure.surface_chloride": between},
        {},
        3,
    )
    w = np.linspace(-8.0, 8.0, 4001)
    surface = surfaces(np.sqrt(0.5) * between[:, None] + np.sqrt(0.5) * w)
    expected = contents(surface, 3e-12, exponent[:, None])
    read = np.array([float(str(c).removeprefix("<")) for c in content])
    sd = more.get("error_pct_binder", 0.0)
    if "error_share" in more:
        sd = more["error_share"] * np.maximum(expected, 0.05 * read.max())
    logs = stats.norm.logpdf(read, expected, sd)
    below = np.array([str(c).startswith("<") for c in content])
    logs[..., below] = stats.norm.logcdf(read, expected, sd)[..., below]
    log_prior = stats.norm.logpdf(w) + np.log(w[1] - w[0])
    exact = special.logsumexp(logs.sum(axis=-1) + log_prior, axis=1)
    assert_allclose(likelihoods(draws)[0], exact, atol=0.02)


def test_the_posterior_of_one_unknown_against_quadrature():
    # the surface content scatters alone, so that the exponent is the one unknown
    changes = {**FIXED_D, "exposure.surface_chloride.between_walls": None}
    case = wall(**changes, **{"reinforcement.cover.mean_sd": None})
    computed, scores, likelihoods = problem(case, core(), points=64)
    found = find_posterior(computed, scores, likelihoods, seed=1)
    a = np.linspace(0.02, 0.98, 481)
    w = np.linspace(-6.0, 6.0, 601)
    expected = contents(surfaces(w), 3e-12, a[:, None])
    logs = stats.norm.logpdf(CONTENT, expected, 0.1).sum(axis=-1) + stats.norm.logpdf(w)
    prior = stats.beta(*beta_parameters(0.4, 0.1)).pdf(a)
    mass = prior * np.exp(special.logsumexp(logs, axis=1))
    mass /= mass.sum()
    mean = mass @ a
    sd = np.sqrt(mass @ (a - mean) ** 2)
    weights = found.points.weights()
    own = found.all_draws.inputs["concrete.ageing_exponent"]
    assert_allclose(weights @ own, mean, atol=1e-3 * 0.1 + 0.002 * sd)
    drawn = found.draws.inputs["concrete.ageing_exponent"]
    assert abs(drawn.mean() - mean) < 4.0 * sd / np.sqrt(found.points.effective)
    assert_allclose(drawn.std(), sd, rtol=0.03)


def beta_parameters(mean, sd):
    size = mean * (1.0 - mean) / sd**2 - 1.0
    return mean * size, (1.0 - mean) * size


def test_cover_readings_are_the_conjugate_normal():
    # mean cover ~ N(50, 5), cover along the wall sd 8, meter sd 3: all normal
    rng = np.random.default_rng(5)
    readings = np.round(rng.normal(44.0, 8.5, 30), 1)
    table = pd.DataFrame({"cover_mm": readings, "error_mm": 3.0, "effective_points": 12.0})
    computed, scores, likelihoods = problem(wall(), table)
    found = find_posterior(computed, scores, likelihoods, seed=1)
    variance = (8.0**2 + 3.0**2) / 12.0  # thirty readings count as twelve
    share = 5.0**2 / (5.0**2 + variance)
    weights = found.points.weights()
    own = found.all_draws.inputs["reinforcement.cover.mean_sd"]
    mean = weights @ own
    assert_allclose(mean, share * (readings.mean() - 50.0), atol=1e-3 * 5.0)
    assert_allclose(np.sqrt(weights @ (own - mean) ** 2), np.sqrt(share * variance), rtol=3e-3)


def test_cover_readings_move_a_score_between_walls():
    change = {"reinforcement.cover": {"family": "normal", "mean": "50 mm", "sd": "8 mm"}}
    case = wall(**change, **{"reinforcement.cover.between_walls": 0.4})
    readings = np.array([41.0, 44.0, 39.0, 46.0, 43.0])
    table = pd.DataFrame({"cover_mm": readings, "error_mm": 2.0, "effective_points": 5.0})
    computed, scores, likelihoods = problem(case, table)
    found = find_posterior(computed, scores, likelihoods, seed=1)
    # 50 + 8 (sqrt(.4) B + sqrt(.6) W) + error: normal in B
    variance = (8.0**2 * 0.6 + 2.0**2) / 5.0
    slope = 8.0 * np.sqrt(0.4)
    mean = slope * (readings.mean() - 50.0) / (slope**2 + variance)
    own = found.all_draws.scores["reinforcement.cover"]
    assert_allclose(found.points.weights() @ own, mean, atol=1e-3)


def test_an_own_mcmc_finds_the_same_posterior():
    """Foreman-Mackey et al., PASP 125, 2013: emcee, over what is epistemic and each core's own.

    The contents are computed by quadrature in the test, so that no formula is shared.
    """
    tables = [core(), core(CONTENT * [1.15, 0.9, 1.1, 1.3]).assign(specimen="C2")]
    case = wall()
    computed, scores, likelihoods = problem(case, pd.concat(tables))
    found = find_posterior(computed, scores, likelihoods, seed=1)
    read = np.array([table["chloride_pct_binder"] for table in tables])
    law = stats.beta(*beta_parameters(0.4, 0.1))
    grid = np.linspace(-8.0, 8.0, 40_001)
    exponents = law.ppf(special.ndtr(grid))
    half = np.sqrt(0.5)

    def log_density(p):
        # columns: B of surface and diffusivity, score of the exponent, two W of each core
        total = -0.5 * np.sum(p**2, axis=1)
        exponent = np.interp(p[:, 2], grid, exponents)
        for k in range(2):
            surface = surfaces(half * p[:, 0] + half * p[:, 3 + 2 * k])
            diffusivity = diffusivities(half * p[:, 1] + half * p[:, 4 + 2 * k])
            gap = read[k] - contents(surface, diffusivity, exponent)
            total -= 0.5 * np.sum((gap / 0.1) ** 2, axis=1)
        return np.where(np.isfinite(total), total, -np.inf)

    rng = np.random.default_rng(1)
    sampler = emcee.EnsembleSampler(32, 7, log_density, vectorize=True)
    sampler.random_state = np.random.RandomState(1).get_state()
    sampler.run_mcmc(0.3 * rng.standard_normal((32, 7)), 700)
    chain = sampler.get_chain(discard=150)
    time = sampler.get_autocorr_time(discard=150, quiet=True)[:3]
    effective = chain.shape[0] * chain.shape[1] / time
    own = np.array(
        [
            found.draws.scores["exposure.surface_chloride"],
            found.draws.scores["concrete.diffusivity"],
            special.ndtri(law.cdf(found.draws.inputs["concrete.ageing_exponent"])),
        ]
    )
    for k in range(3):
        theirs = chain[:, :, k].ravel()
        error = theirs.std() * np.sqrt(1.0 / effective[k] + 1.0 / found.points.effective)
        assert abs(own[k].mean() - theirs.mean()) < 4.0 * error
        assert_allclose(own[k].std(), theirs.std(), rtol=4.0 / np.sqrt(2.0 * effective[k]) + 0.03)
