"""The tabulated root of the front against scipy's inverse complementary error function."""

import numpy as np
from numpy.testing import assert_allclose
from scipy import special

from stripwise.ingress.inverse_erfc import MAX_TABLE_RATIO, MIN_TABLE_RATIO, STEPS, fast_erfcinv


def test_the_root_agrees_with_scipy_over_the_whole_range():
    ratio = np.concatenate(
        [
            np.geomspace(1e-300, MIN_TABLE_RATIO, 2000),
            np.linspace(MIN_TABLE_RATIO, MAX_TABLE_RATIO, 7 * STEPS + 3),
            1.0 - np.geomspace(1e-15, 1e-3, 2000),
        ]
    )
    assert_allclose(fast_erfcinv(ratio), special.erfcinv(ratio), rtol=1e-10, atol=0)


def test_the_special_cases_keep_their_limits():
    assert fast_erfcinv(np.array([0.0, 1.0])).tolist() == [np.inf, 0.0]


def test_a_single_ratio_is_a_number_without_axes():
    one = fast_erfcinv(np.asarray(0.3))
    assert one.shape == ()
    assert_allclose(one, special.erfcinv(0.3), rtol=1e-10)


def test_erfc_of_the_root_returns_the_ratio():
    ratio = np.linspace(0.001, 0.999, 997)
    assert_allclose(special.erfc(fast_erfcinv(ratio)), ratio, rtol=1e-9)
