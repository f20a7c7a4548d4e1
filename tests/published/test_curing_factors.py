"""Curing factors against the tables of DuraCrete and the fib model code."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.curing.curing_law import CHARACTERISTIC_PENALTY, log_penalty, sample_curing_law
from stripwise.published import constant

# Trapezoid over the normal variate: the integrand and its derivatives vanish at both ends, so the
# rule converges faster than any power of the step.
Z = np.linspace(-8.0, 8.0, 3201)
WEIGHT = np.exp(-0.5 * Z**2) / np.sqrt(2.0 * np.pi) * (Z[1] - Z[0])


# DuraCrete R9, Statistical Quantification of the Variables in the Limit State Functions,
# BE95-1347, 2000, k_c for chloride. Recalled, less sure.
@pytest.mark.parametrize(
    ("duration", "mean", "sd"),
    [(1.0, 2.4, 0.7), (3.0, 1.5, 0.3), (7.0, 1.0, 0.0), (28.0, 0.8, 0.1)],
)
def test_the_law_has_the_published_mean_and_sd(duration, mean, sd):
    k = np.exp(log_penalty(duration, sample_curing_law(Z, 0.0)))
    average = np.sum(WEIGHT * k)
    spread = np.sqrt(np.sum(WEIGHT * (k - average) ** 2))
    # 1e-6 covers the table of the inverse; the gap closed below u = 1.6e-5 moves the mean by 1e-9.
    assert_allclose(average, mean, rtol=1e-6)
    assert_allclose(spread, sd, rtol=1e-5, atol=1e-12)


def test_one_variable_sets_the_place_in_every_distribution():
    # Early penalties are perfectly rank correlated, and against the one at 28 d.
    draws = sample_curing_law(Z, 0.0)
    assert np.all(np.diff(draws.log_3d[Z > -6]) > 0)
    assert np.all(np.diff(draws.log_1d[Z > -4]) > 0)
    assert np.all(np.diff(draws.log_28d[Z < 6]) < 0)


def test_the_characteristic_set_is_not_the_mean_of_the_law():
    # DuraCrete R17, General Guidelines, 2000: 2.08, 1.50, 1.00, 0.79. Recalled. The place of
    # 2.08 and 0.79 in the distributions of R9 is not that of a mean: two sets, never mixed.
    for duration, characteristic in ((1.0, 2.08), (28.0, 0.79)):
        k = np.exp(log_penalty(duration, sample_curing_law(Z, 0.0)))
        assert abs(np.sum(WEIGHT * k) - characteristic) > 0.005
        assert CHARACTERISTIC_PENALTY[duration] == characteristic


# DuraCrete R17 2000, deterministic: Portland D0 1e-11 m2/s, tidal, Cs 7.76 * 0.45 = 3.492,
# 50 yr, depth of 0.65 %. Recalled tables, depths recomputed from the equation.
@pytest.mark.parametrize(
    ("duration", "depth"), [(1.0, 97.97), (3.0, 83.20), (7.0, 67.93), (28.0, 60.38)]
)
def test_deterministic_depths_of_duracrete(duration, depth):
    surface = constant("duracrete.surface_chloride.portland.tidal") * 0.45
    assert surface == pytest.approx(3.492, abs=5e-4)
    exponent = constant("duracrete.ageing_exponent.portland.tidal")
    rate = 10e-12 * constant("duracrete.environment_factor.portland.tidal") * 31_557_600.0 * 1e6

    def front(reference_age):
        aged = (reference_age / 50.0) ** exponent
        root = np.sqrt(CHARACTERISTIC_PENALTY[duration] * rate * aged * 50.0)
        return 2.0 * special.erfcinv(0.65 / surface) * root

    # The depths belong to the printed rounding 0.0767 yr of 28 d, which is 1e-4 deeper.
    assert_allclose(front(0.0767), depth, rtol=0, atol=0.005)
    assert_allclose(front(28.0 / 365.25) / depth, 1.0, rtol=0, atol=2e-4)


def test_carbonation_curing_factor_of_fib_bulletin_34():
    # fib Bulletin 34, Annex B1, 2006: k_c = (t_c/7)^b_c, b_c mean -0.567. Recalled, recomputed.
    durations = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 14.0, 28.0])
    k = (durations / 7.0) ** constant("fib34.carbonation.curing_exponent.mean")
    printed = [3.014, 2.035, 1.617, 1.210, 1.000, 0.675, 0.456]
    assert_allclose(k, printed, rtol=0, atol=0.5e-3)


def test_the_law_for_chloride_and_the_law_for_carbonation_point_the_same_way():
    # Two laws of two documents for two processes: fib Annex B1 lies inside the 99 % range of the
    # chloride law at 1 and 3 d. At 28 d its 0.456 is below that range, which ends at 0.53:
    # carbonation gains more from long curing. A check on the order of size only.
    exponent = constant("fib34.carbonation.curing_exponent.mean")
    low, high = sample_curing_law(-2.576, 0.0), sample_curing_law(2.576, 0.0)
    for duration in (1.0, 3.0):
        carbonation = exponent * np.log(duration / 7.0)
        assert log_penalty(duration, low) < carbonation < log_penalty(duration, high)
    assert exponent * np.log(4.0) < log_penalty(28.0, high) < 0
    assert_allclose(np.exp(log_penalty(28.0, high)), 0.53, rtol=0, atol=0.005)
