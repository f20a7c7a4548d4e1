"""Profiles made for the tests, by quadrature and not by the formula of the fit."""

import itertools

import numpy as np
from scipy import integrate, special

from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, Profiles

EDGES = np.array([0, 1, 3, 5, 7, 10, 13, 16, 20], dtype=float)


def layer_content(diffusivity, *, surface=0.6, initial=0.02, time=90.0, edges=EDGES):
    """Content of each layer; diffusivity in m2/s."""
    length = 2 * np.sqrt(diffusivity * MM2_D_PER_M2_S * time)
    shares = [
        integrate.quad(lambda x: special.erfc(x / length), a, b, epsabs=1e-14)[0] / (b - a)
        for a, b in itertools.pairwise(edges)
    ]
    return initial + (surface - initial) * np.array(shares)


def profiles(contents, *, strategies=None, time=90.0, initial=0.02, edges=EDGES):
    contents = np.atleast_2d(np.asarray(contents, dtype=float))
    count = len(contents)
    return Profiles(
        specimens=tuple(f"S{n}" for n in range(1, count + 1)),
        strategies=tuple(strategies or ["A"] * count),
        upper=np.tile(edges[:-1], (count, 1)),
        lower=np.tile(edges[1:], (count, 1)),
        content=contents,
        present=np.ones(contents.shape, dtype=bool),
        exposure=np.full(count, time),
        initial=np.full(count, initial),
        file="made.csv",
    )
