"""The cubic table of an inverse distribution function: accuracy, choice of size, refusal."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from stripwise.distributions.distribution import distribution
from stripwise.distributions.inverse_table import (
    TABLE_MAX_Z,
    TABLE_SIZES,
    DeferredInverse,
    InverseTable,
    exact_inverse,
)

LAWS = {
    "beta": stats.beta(5.3086, 18.5802, loc=0.2, scale=1.8),
    "gamma": stats.gamma(2.0, scale=3.0),
    "gumbel": stats.gumbel_r(loc=2.0, scale=0.5),
}


@pytest.mark.parametrize("name", LAWS)
def test_the_table_agrees_with_scipy_between_its_points(name):
    law = LAWS[name]
    table = InverseTable.build(law)
    assert table is not None
    # Points that miss the nodes and the middles of the steps, where the table checks itself.
    size = len(table.cubic.coefficients)
    z = -TABLE_MAX_Z + table.cubic.step * (np.arange(0, size, 3) + 0.31)
    assert_allclose(table(z), exact_inverse(law, z), rtol=1e-8)


def test_a_normal_is_reproduced_to_rounding():
    # x(z) = 3 + 2 z is a polynomial of degree 1, which a cubic holds exactly.
    table = InverseTable.build(stats.norm(3.0, 2.0))
    z = np.linspace(-6.4, 6.4, 999)
    assert_allclose(table(z), 3.0 + 2.0 * z, rtol=0, atol=1e-12)


def test_the_error_falls_with_the_fourth_power_of_the_step():
    # Cubic Hermite interpolation (de Boor, A Practical Guide to Splines, 1978): order 4.
    law = LAWS["gamma"]
    z = np.linspace(-2.0, 2.0, 5003)
    exact = exact_inverse(law, z)
    errors = [
        np.max(np.abs(InverseTable._with_size(law, size)(z) - exact)) for size in (64, 128, 256)
    ]
    ratios = np.array(errors[:-1]) / errors[1:]
    assert np.all((ratios > 13) & (ratios < 19))


def test_a_hard_law_gets_a_larger_table():
    easy = InverseTable.build(stats.gamma(9.0))
    hard = InverseTable.build(stats.gamma(0.25))
    assert len(easy.cubic.coefficients) == TABLE_SIZES[0]
    assert len(hard.cubic.coefficients) > len(easy.cubic.coefficients)


def test_a_law_without_a_usable_density_gets_no_table():
    # Shape 0.01: the quantile of 1e-9 underflows to 0, where the density is infinite.
    assert InverseTable.build(stats.gamma(0.01)) is None


def test_the_exact_inverse_serves_beyond_the_table():
    law = LAWS["beta"]
    table = InverseTable.build(law)
    z = np.array([-8.0, -6.6, 0.3, 6.6, 8.0])
    p = special.ndtr(-np.abs(z))
    expected = np.where(z < 0, law.ppf(p), law.isf(p))
    assert_allclose(table(z), expected, rtol=1e-9)
    assert_allclose(table(z)[[0, 1, 3, 4]], expected[[0, 1, 3, 4]], rtol=0, atol=0)


def test_the_exact_inverse_works_in_the_nearer_tail():
    # 1 - 1e-20 is 1 in double precision: only the upper tail function finds z = 9.26.
    z = -special.ndtri(1e-20)
    x = exact_inverse(stats.norm(), np.array([z, -z]))
    assert_allclose(x, [z, -z], rtol=1e-12)


def test_the_table_does_not_change_its_argument():
    z = np.linspace(-1.0, 1.0, 7)
    before = z.copy()
    InverseTable.build(LAWS["beta"])(z)
    assert_allclose(z, before, rtol=0, atol=0)


def test_the_ends_of_the_table_belong_to_it():
    law = LAWS["gamma"]
    table = InverseTable.build(law)
    z = np.array([-TABLE_MAX_Z, np.nextafter(TABLE_MAX_Z, 0.0), TABLE_MAX_Z])
    assert_allclose(table(z), exact_inverse(law, z), rtol=1e-8)


def test_far_out_a_beta_stays_a_number():
    law = distribution("beta", mean=0.06, sd=0.04, low=0.0, high=1.0)
    far = law.from_normal(np.array([-30.0, -20.0, 20.0, 30.0]))
    assert np.all(np.isfinite(far))
    assert far[0] == far[1] < far[2] == far[3]
    # x = (p a B(a, b))^(1/a) to first order in x, exact to rounding here
    share = (0.06 * 0.94) / 0.04**2 - 1.0
    a, b = 0.06 * share, 0.94 * share
    log_x = (special.log_ndtr(-20.0) + np.log(a) + special.betaln(a, b)) / a
    assert_allclose(far[1], np.exp(log_x), rtol=1e-9, atol=0)


def test_a_late_table_is_that_of_its_law_and_built_once(monkeypatch):
    law = stats.beta(2.0, 5.0)
    z = np.linspace(-7.0, 7.0, 29)
    expected = InverseTable.build(law)(z)
    calls = []
    build = InverseTable.build
    monkeypatch.setattr(InverseTable, "build", lambda law: calls.append(law) or build(law))
    late = DeferredInverse(law)
    assert calls == []
    np.testing.assert_array_equal(late(z), expected)
    np.testing.assert_array_equal(late(z), expected)
    assert calls == [law]


def test_a_late_table_falls_back_on_the_exact_inverse(monkeypatch):
    monkeypatch.setattr(InverseTable, "build", lambda law: None)
    law, z = stats.beta(2.0, 5.0), np.array([-3.0, 0.0, 3.0])
    np.testing.assert_array_equal(DeferredInverse(law)(z), exact_inverse(law, z))
