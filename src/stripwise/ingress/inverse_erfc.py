"""The root z of the front depth, 2 z sqrt(tau): the inverse complementary error function."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.hermite import HermiteTable

__all__ = ["front_root"]

Array = NDArray[np.float64]

SHALLOW = 0.02
FLAT = 1.0 - 1e-4
"""Ratios beyond which scipy serves the few walls there are: below `SHALLOW` the table would need
finer steps, and above `FLAT`, where z falls to 0, rounding would show in its relative error."""
STEPS = 4096


def front_root(ratio: Array) -> Array:
    """Return z = erfcinv(ratio) from a table, whose relative error is below 1e-10.

    Parameters
    ----------
    ratio
        (n,) share of the surface content at the front, in [0, 1].

    Returns
    -------
    (n,) z; inf at 0 and 0 at 1.

    References
    ----------
    The slope -sqrt(pi)/2 exp(z^2): NIST Digital Library of Mathematical Functions, section 7.17
    (number recalled).

    Examples
    --------
    >>> round(float(front_root(np.array([0.2]))[0]), 6)
    0.906194
    """
    z = _table()(ratio)
    outside = (ratio < SHALLOW) | (ratio > FLAT)
    if outside.any():
        z[outside] = special.erfcinv(ratio[outside])
    return z


@functools.cache
def _table() -> HermiteTable:
    ratio = np.linspace(SHALLOW, 1.0, STEPS + 1)
    z = special.erfcinv(ratio)
    return HermiteTable.of(ratio, z, -0.5 * np.sqrt(np.pi) * np.exp(z * z))
