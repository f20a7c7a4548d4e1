import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, special

from stripwise.evidence.profiles.layer_averages import ierfc, mean_layer_content, penetration_depth


@pytest.mark.parametrize(
    ("u", "published"),
    [(0.1, 0.469822), (0.5, 0.199641), (1.0, 0.050255), (1.5, 0.008623), (2.0, 0.000978)],
)
def test_ierfc_against_the_table(u, published):
    # Crank, The Mathematics of Diffusion (1975), table 2.1; Abramowitz and Stegun 7.2 (recalled,
    # recomputed); six decimals
    assert float(ierfc(u)) == pytest.approx(published, abs=6e-7)


@pytest.mark.parametrize("u", [0.0, 0.3, 1.7, 3.0])
def test_ierfc_against_quadrature(u):
    area, _ = integrate.quad(special.erfc, u, np.inf, epsabs=1e-14)
    assert float(ierfc(u)) == pytest.approx(area, rel=1e-8, abs=1e-14)


@pytest.mark.parametrize(
    ("upper", "lower", "length"),
    [(0, 1, 20), (1, 3, 8), (10, 13, 8), (5, 5.01, 30), (5, 5.04, 30), (16, 20, 3), (0, 60, 10)],
)
def test_the_average_of_a_layer_against_quadrature(upper, lower, length):
    area, _ = integrate.quad(lambda x: special.erfc(x / length), upper, lower, epsabs=1e-15)
    share, _ = mean_layer_content(upper, lower, length=length)
    # the difference of two integrals keeps some 11 digits of the surface content
    assert_allclose(share, area / (lower - upper), rtol=1e-8, atol=1e-11)


def test_a_layer_without_thickness_is_a_point():
    share, _ = mean_layer_content(7.0, 7.0, length=12.0)
    assert_allclose(share, special.erfc(7.0 / 12.0), rtol=1e-14)


def test_the_average_is_not_the_value_in_the_middle():
    share, _ = mean_layer_content(0.0, 10.0, length=8.0)
    assert abs(float(share) - special.erfc(5.0 / 8.0)) > 0.01


@pytest.mark.parametrize("layer", [(0.0, 1.0), (7.0, 10.0), (4.0, 4.0), (4.0, 4.001)])
def test_the_derivative_by_the_logarithm_of_the_length(layer):
    step = 1e-5
    up, _ = mean_layer_content(*layer, length=9.0 * np.exp(step))
    down, _ = mean_layer_content(*layer, length=9.0 * np.exp(-step))
    _, slope = mean_layer_content(*layer, length=9.0)
    assert_allclose(slope, (up - down) / (2 * step), rtol=1e-6, atol=1e-9)


def test_one_twentieth_of_the_rise_is_left_at_the_reach():
    depth = float(penetration_depth(0.7, 90.0))
    assert special.erfc(depth / (2 * np.sqrt(0.7 * 90.0))) == pytest.approx(0.05, rel=1e-12)
