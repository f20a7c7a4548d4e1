"""How the chloride at the surface changes in time, and what de-icing splash leaves there.

A history is the content g(t) at the surface relative to its full level. The content behind it
follows by superposition of steps in transformed time, which takes d tau / dt for the diffusivity
of the instant. In a uniform face the front is then 2 u(t) sqrt(k_c tau(t)) with a root u that no penalty
and no diffusivity enters, so that one solution serves every strategy: see `DuhamelFront`.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.published import constant

__all__ = [
    "CONSTANT",
    "SHAPES",
    "SurfaceHistory",
    "linear_response",
    "splash_content",
    "square_root_response",
]

Array = NDArray[np.float64]

SHAPES = ("constant", "linear", "square root", "table")
CONSTANT = "constant"
NODE_COUNT = 12
"""Gauss-Legendre nodes per piece: the content is exact to about 1e-5 where fronts matter."""

CM_PER_MM = 0.1


@dataclass(frozen=True, slots=True)
class SurfaceHistory:
    """Content at the surface in time, g relative to the full level above the initial content.

    Attributes
    ----------
    shape
        "constant"; "linear" or "square root", which rise from 0 to 1 over a duration and stay; or
        "table", straight between its rows and constant after the last one.
    ages
        Ages of a table, the first 0, rising [yr].
    relative_contents
        g at these ages, at least 0.
    """

    shape: str
    ages: tuple[float, ...] = ()
    relative_contents: tuple[float, ...] = ()

    @property
    def falls(self) -> bool:
        """Whether the surface content ever falls, so that the front may recede."""
        return any(
            b < a for a, b in zip(self.relative_contents, self.relative_contents[1:], strict=False)
        )

    @property
    def breakpoints(self) -> tuple[float, ...]:
        """Ages where the slope of a table changes [yr]."""
        return tuple(age for age in self.ages if age > 0.0)

    def relative_content(self, age: ArrayLike, duration: ArrayLike) -> Array:
        """Return the relative content g at an age.

        Parameters
        ----------
        age
            Time since first exposure, broadcasts with `duration` [yr].
        duration
            Duration of the rise [yr]; not used by a table.

        Returns
        -------
        g of the broadcast shape.

        Examples
        --------
        >>> float(SurfaceHistory("square root").relative_content(5.0, 20.0))
        0.5
        """
        t, rise_time = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (age, duration)))
        if self.shape == CONSTANT:
            return np.ones(rise_time.shape)
        if self.shape == "table":
            return np.asarray(np.interp(t, self.ages, self.relative_contents))
        fraction = np.minimum(t / rise_time, 1.0)
        return np.asarray(fraction if self.shape == "linear" else np.sqrt(fraction))


@functools.cache
def quadrature_nodes() -> tuple[Array, Array]:
    """Return y and the weights of dy on [0, 1], (j,) each, dense at both ends, of sum 1."""
    x, w = np.polynomial.legendre.leggauss(NODE_COUNT)
    e = 0.5 * (x + 1.0)
    return e * e * (3.0 - 2.0 * e), 3.0 * e * (1.0 - e) * w


def linear_response(u: ArrayLike) -> Array:
    """Content over that of the surface under a surface content that grows with time.

    Parameters
    ----------
    u
        x / (2 sqrt(D t)), any shape; constant diffusivity.

    Returns
    -------
    4 i2erfc(u).

    References
    ----------
    Crank, The Mathematics of Diffusion, 2nd ed., 1975, section 3.3.1 (recalled).

    Examples
    --------
    >>> round(float(linear_response(0.5)), 6)
    0.279859
    """
    v = np.asarray(u, dtype=float)
    return np.asarray(
        (1.0 + 2.0 * v * v) * special.erfc(v) - 2.0 / np.sqrt(np.pi) * v * np.exp(-v * v)
    )


def square_root_response(u: ArrayLike) -> Array:
    """Content over that of the surface under a surface content that grows with the root of time.

    Parameters
    ----------
    u
        x / (2 sqrt(D t)), any shape; constant diffusivity.

    Returns
    -------
    exp(-u^2) - u sqrt(pi) erfc(u).

    References
    ----------
    Crank, The Mathematics of Diffusion, 2nd ed., 1975, section 3.3.1 (recalled).

    Examples
    --------
    >>> round(float(square_root_response(1.0)), 6)
    0.089074
    """
    v = np.asarray(u, dtype=float)
    return np.asarray(np.exp(-v * v) - v * np.sqrt(np.pi) * special.erfc(v))


def splash_content(distance: ArrayLike, *, height: ArrayLike) -> Array:
    """Chloride content near the surface from de-icing splash beside a road.

    Parameters
    ----------
    distance
        Distance from the edge of the carriageway [mm].
    height
        Height above it [mm].

    Returns
    -------
    Mean of the largest content in % by mass of *concrete*, at least 0.

    Notes
    -----
    C = 0.465 - 0.051 ln(xa + 1) - 0.00065 (xa + 1)^-0.187 xh, xa and xh in cm. A fit to roads of
    one country: use it for a first idea and measure.

    References
    ----------
    Gehlen, Probabilistische Lebensdauerbemessung von Stahlbetonbauwerken, 2000; fib Bulletin 34,
    2006, Annex B2 (recalled, less sure).

    Examples
    --------
    >>> round(float(splash_content(1000.0, height=0.0)), 4)
    0.2296
    """
    distance_cm = CM_PER_MM * np.asarray(distance, dtype=float) + 1.0
    height_cm = CM_PER_MM * np.asarray(height, dtype=float)
    key = "gehlen2000.splash"
    content = constant(f"{key}.level") - constant(f"{key}.distance") * np.log(distance_cm)
    content = (
        content - constant(f"{key}.height") * distance_cm ** constant(f"{key}.power") * height_cm
    )
    return np.asarray(np.maximum(content, 0.0))
