"""Skin and core: the layer average against quadrature, the fit against truth and scipy."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S
from stripwise.evidence.profiles.layer_averages import mean_layer_content
from stripwise.evidence.profiles.layered_fit import (
    LAYERED,
    SKIN_ONLY,
    UNIFORM,
    depth_sensitivity,
    fit_layered,
    with_skin_diffusivities,
)
from stripwise.evidence.profiles.penalty_factors import profile_penalty_factors
from stripwise.evidence.profiles.profile_fit import fit_profiles
from stripwise.evidence.profiles.two_layer_averages import mean_two_layer_content
from stripwise.ingress.front import layered_relative_content

EDGES = np.array([0, 1, 3, 5, 7, 10, 13, 17, 22, 28, 34], dtype=float)
NODES, WEIGHTS = np.polynomial.legendre.leggauss(20)
SKIN, TIME, CORE = 8.0, 180.0, 6e-12


def by_quadrature(edges, *, tau, ratio, skin):
    """Average `layered_relative_content`, itself checked against finite volumes, split where it has a kink."""
    means = []
    for a, b in itertools.pairwise(edges):
        total = 0.0
        for low, high in ((min(a, skin), min(b, skin)), (max(a, skin), max(b, skin))):
            if high > low:
                x = 0.5 * (low + high) + 0.5 * (high - low) * NODES
                share = layered_relative_content(x, tau, penalty=ratio, skin=skin)
                total += 0.5 * (high - low) * float(share @ WEIGHTS)
        means.append(total / (b - a))
    return np.array(means)


def made_profiles(made, ratios, *, seed=0, error=0.003, specimens=4, between=0.08, skin=SKIN):
    """Return profiles of strategies 0, 1, ... with D_skin / D_core of `ratios`."""
    rng = np.random.default_rng(seed)
    contents, names = [], []
    for place, ratio in enumerate(ratios):
        for _ in range(specimens):
            d = CORE * np.exp(between * rng.standard_normal())
            share = by_quadrature(EDGES, tau=d * MM2_D_PER_M2_S * TIME, ratio=ratio, skin=skin)
            contents.append(0.02 + 0.5 * share + error * rng.standard_normal(len(share)))
            names.append(f"strategy {place}")
    return made.profiles(contents, strategies=names, time=TIME, initial=0.02, edges=EDGES)


@pytest.mark.parametrize("ratio", [0.1, 0.6, 1.0, 2.5, 8.0])
@pytest.mark.parametrize("skin", [2.0, 7.5, 20.0, 60.0])
@pytest.mark.parametrize("tau", [5.0, 60.0, 1500.0])
def test_the_layer_average_is_that_of_quadrature(ratio, skin, tau):
    own = mean_two_layer_content(EDGES[:-1], EDGES[1:], core=tau, ratio=ratio, skin=skin)
    assert_allclose(own, by_quadrature(EDGES, tau=tau, ratio=ratio, skin=skin), rtol=0, atol=1e-10)


def test_without_a_second_diffusivity_or_a_skin_it_is_the_error_function():
    uniform, _ = mean_layer_content(EDGES[:-1], EDGES[1:], length=2 * np.sqrt(60.0))
    for ratio, skin in ((1.0, 8.0), (3.0, 0.0)):
        own = mean_two_layer_content(EDGES[:-1], EDGES[1:], core=60.0, ratio=ratio, skin=skin)
        assert_allclose(own, uniform, rtol=0, atol=1e-12)


def test_an_exact_profile_gives_back_what_made_it(made):
    data = made_profiles(made, [0.5, 3.0], error=0.0, specimens=1, between=0.0)
    fits = fit_profiles(data, maximum="off")
    result = fit_layered(fits, depth=SKIN)
    assert_allclose(result.core, CORE, rtol=1e-5)
    assert_allclose(result.ratio, [0.5, 3.0], rtol=1e-5)
    assert_allclose(result.surface, 0.52, rtol=1e-6)
    # the depth is found too; between the depths that are tried it is read from a parabola
    assert fit_layered(fits).depth.value == pytest.approx(SKIN, rel=0.02)


def test_the_fit_of_scipy_on_the_same_model(made):
    """An independent path: scipy's curve_fit on averages by quadrature."""
    data = made_profiles(made, [0.6, 2.5], specimens=2)
    result = fit_layered(fit_profiles(data, error="constant", maximum="off"), depth=SKIN)

    def model(_, log_skin, log_core, surface):
        tau = np.exp(log_core) * TIME
        share = by_quadrature(EDGES[1:], tau=tau, ratio=np.exp(log_skin - log_core), skin=SKIN)
        return 0.02 + (surface - 0.02) * share

    for row in range(4):
        start = (np.log(0.6), np.log(0.5), 0.5)
        values, covariance = optimize.curve_fit(model, None, data.content[row, 1:], p0=start)
        own = [result.skin[row] * MM2_D_PER_M2_S, result.core[row] * MM2_D_PER_M2_S]
        # both stop at a relative step of about 1e-8, scipy's Jacobian is by differences
        assert_allclose(own, np.exp(values[:2]), rtol=1e-5)
        assert result.surface[row] == pytest.approx(values[2], rel=1e-6)
        sd = np.sqrt(np.diag(covariance))
        assert np.sqrt(result.log_variance[row]) == pytest.approx(sd[0], rel=1e-3)
        assert result.core_se[row] / result.core[row] == pytest.approx(sd[1], rel=1e-3)
        spread = covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]
        assert result.ratio_log_se[row] == pytest.approx(np.sqrt(spread), rel=1e-3)


@pytest.fixture(scope="module")
def three(made):
    """Profiles without a skin and with two, and their fit with a depth that is not known."""
    fits = fit_profiles(made_profiles(made, [1.0, 1.8, 2.5], seed=3), maximum="off")
    return fits, fit_layered(fits)


def test_a_skin_is_taken_up_where_there_is_one_and_its_depth_is_told(three):
    fits, result = three
    assert result.choice == (UNIFORM, LAYERED, LAYERED)
    assert result.depth.low < SKIN < result.depth.high
    # the penalty is that of the skin: over the whole profile it is diluted
    diluted = profile_penalty_factors(fits, "strategy 0")
    sharp = profile_penalty_factors(
        with_skin_diffusivities(fits, result, reference="strategy 0"), "strategy 0"
    )
    for place, truth in ((1, 1.8), (2, 2.5)):
        assert sharp.low95[place] < truth < sharp.high95[place]
        assert diluted.high95[place] < truth


def test_a_fitted_depth_widens_the_penalties(three):
    fits, result = three
    skins = with_skin_diffusivities(fits, result, reference="strategy 0")
    move = depth_sensitivity(fits, result, reference="strategy 0")
    assert_allclose(move[:4], 0.0, rtol=0, atol=0)
    # a deeper skin has a smaller excess: D falls as the depth rises
    assert (move[4:] < 0).all()
    known, fitted = (
        profile_penalty_factors(skins, "strategy 0"),
        profile_penalty_factors(skins, "strategy 0", shared_error=move),
    )
    for place in (1, 2):
        extra = move[4 * place : 4 * place + 4].mean() ** 2
        assert fitted.log_ratios.covariance[place, place] == pytest.approx(
            known.log_ratios.covariance[place, place] + extra
        )
    assert not depth_sensitivity(fits, fit_layered(fits, depth=SKIN)).any()


def test_a_short_exposure_measures_the_skin(made):
    fits = fit_profiles(made_profiles(made, [1.0, 2.5]), maximum="off")
    result = fit_layered(fits, depth=60.0)
    assert result.choice == (SKIN_ONLY, SKIN_ONLY)
    assert np.isnan(result.skin).all()
    assert_allclose(
        with_skin_diffusivities(fits, result).diffusivity, fits.diffusivity, rtol=0, atol=0
    )
