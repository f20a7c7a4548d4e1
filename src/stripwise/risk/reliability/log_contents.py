"""Logarithms of contents at the bars, which keep a slope where the values underflow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.ingress.front import layered_share
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import Number

__all__ = ["layered_log_share", "log_erfc", "service_log_share"]

Array = NDArray[np.float64]

LEAST_SHARE = 1e-200
"""Below it the first term of the series is all of it, and its logarithm does not underflow."""


def log_erfc(x: Array) -> Array:
    """Return ln erfc(x) = ln(2 Phi(-x sqrt(2))), without underflow."""
    return np.asarray(np.log(2.0) + special.log_ndtr(-np.sqrt(2.0) * x))


def layered_log_share(depth: Array, log_tau: Array, *, penalty: Array, skin: Array) -> Array:
    """Return the logarithm of `stripwise.ingress.front.layered_share`, from ln tau.

    Parameters
    ----------
    depth, penalty, skin
        As there.
    log_tau
        ln of the transformed time of the good concrete [ln(mm2)].

    Returns
    -------
    ln f of the broadcast shape.
    """
    tau = np.exp(log_tau)
    share = layered_share(depth, tau, penalty=penalty, skin=skin)
    root = np.sqrt(penalty)
    path = np.minimum(depth, skin) + root * np.maximum(depth - skin, 0.0)
    first = log_erfc(path / (2.0 * root * np.sqrt(tau)))
    first = first + np.where(depth >= skin, np.log(2.0 * root / (1.0 + root)), 0.0)
    return np.where(share > LEAST_SHARE, np.log(np.maximum(share, LEAST_SHARE)), first)


def service_log_share(fronts: ServiceFronts, cover: Number, age: float) -> Array:
    """Return ln of the share of the full surface content at the bars, under options.

    Parameters
    ----------
    fronts
        Of a wall with chloride, whose surface content does not fall; the first strategy counts.
    cover
        Cover, (n,) or a number [mm].
    age
        Age since first exposure [yr].

    Returns
    -------
    (n,) ln f at the cover over the model's factor, less the convection zone: below it the front
    lies where the factor times its depth is the cover.
    """
    face, log_k = fronts.face, fronts.face.log_penalty[0]
    depth = np.maximum(np.asarray(cover) / fronts.extras.factor - face.zone, 0.0)
    log_tau = np.asarray(face.log_rate + fronts.log_shape(age))
    weights, stretch = np.ones((1, 1)), np.ones((1, 1))
    if fronts.rise is not None:
        weights, stretch = fronts.rise.nodes(age)
    steps = []
    for weight, r in zip(weights, stretch, strict=True):
        since = log_tau - 2.0 * np.log(r)
        if fronts.wall.layered:
            skin = np.maximum(face.skin - face.zone, 0.0)
            part = layered_log_share(depth, since, penalty=np.exp(log_k), skin=skin)
        else:
            part = log_erfc(0.5 * depth * np.exp(-0.5 * (since + log_k)))
        steps.append(np.log(np.maximum(weight, 1e-300)) + part)
    terms = np.array(np.broadcast_arrays(*steps))
    largest = terms.max(axis=0)
    return np.asarray(largest + np.log(np.sum(np.exp(terms - largest), axis=0)))
