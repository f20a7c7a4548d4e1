"""Cubics against those of scipy, on random places and values and where slopes turn or vanish."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import interpolate

from stripwise.errors import NumericalError
from stripwise.risk.probability.cubics import pchip_slopes, read_cubics, spline_slopes


def rows(count, *, kind):
    rng = np.random.default_rng(count)
    x = np.cumsum(rng.uniform(0.05, 3.0, count))
    y = rng.normal(size=(6, count))
    if kind == "falling":
        y = -np.cumsum(np.abs(y) ** 3, axis=1)
    if kind == "with plateaus":
        y = np.round(y)
    if kind == "tiny":
        y = y * 1e-200
    return x, y


KINDS = pytest.mark.parametrize("kind", ["any", "falling", "with plateaus", "tiny"])


def agree(slopes, wanted, x, y, *, beyond, digits):
    slope, oracle, scale = slopes(x, y), wanted(x, y, axis=1), np.abs(y).max()
    at = np.linspace(x[0] - beyond, x[-1] + beyond, 91)
    for found, exact in ((slope, oracle(x, 1)), (read_cubics(x, y, slope, at), oracle(at))):
        np.testing.assert_allclose(found, exact, rtol=1e-9, atol=digits * scale)


@KINDS
@pytest.mark.parametrize("count", [2, 3, 4, 7, 40, 300])
def test_pchip_is_that_of_scipy(count, kind):
    x, y = rows(count, kind=kind)
    agree(pchip_slopes, interpolate.PchipInterpolator, x, y, beyond=0.0, digits=1e-12)


@KINDS
@pytest.mark.parametrize("count", [4, 5, 7, 40, 300])
def test_the_spline_is_that_of_scipy(count, kind):
    x, y = rows(count, kind=kind)
    # a little beyond the ends, as rounded places are
    agree(spline_slopes, interpolate.CubicSpline, x, y, beyond=0.1, digits=1e-10)


def test_stacked_rows_have_the_slopes_of_each():
    x, y = rows(7, kind="any")
    stacked = pchip_slopes(x, y.reshape(2, 3, 7))
    np.testing.assert_array_equal(stacked.reshape(6, 7), pchip_slopes(x, y))


def test_each_row_is_read_at_places_of_its_own():
    x, y = rows(7, kind="any")
    at = np.random.default_rng(1).uniform(x[0], x[-1], (6, 5))
    each = [read_cubics(x, y[[i]], pchip_slopes(x, y[[i]]), at[i])[0] for i in range(len(y))]
    np.testing.assert_array_equal(read_cubics(x, y, pchip_slopes(x, y), at), each)


@pytest.mark.parametrize("slopes", [pchip_slopes, spline_slopes])
def test_what_is_no_number_or_does_not_rise_is_refused(slopes):
    x, y = rows(7, kind="any")
    for bad in (np.nan, np.inf):
        broken = y.copy()
        broken[2, 3] = bad
        with pytest.raises(NumericalError, match="not finite"):
            slopes(x, broken)
    with pytest.raises(NumericalError, match="do not rise"):
        slopes(np.sort(np.append(x[:-1], x[2])), y)
