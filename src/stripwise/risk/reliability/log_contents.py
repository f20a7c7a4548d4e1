"""How high the chloride content at the bars is, as a logarithm that does not underflow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.ingress.front import layered_relative_content
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import Number

__all__ = ["layered_log_relative_content", "log_erfc", "service_log_relative_content"]

Array = NDArray[np.float64]

MIN_RELATIVE_CONTENT = 1e-200
"""Below it the first term of the series is all of it, and its logarithm does not underflow."""


def log_erfc(x: Array) -> Array:
    """Return ln erfc(x) = ln(2 Phi(-x sqrt(2))), without underflow."""
    return np.asarray(np.log(2.0) + special.log_ndtr(-np.sqrt(2.0) * x))


def layered_log_relative_content(
    depth: Array, log_tau: Array, *, penalty: Array, skin: Array
) -> Array:
    """Return ln of `stripwise.ingress.front.layered_relative_content`, from ln tau [ln(mm2)].

    tau is that of the good concrete; the result has the broadcast shape.
    """
    tau = np.exp(log_tau)
    relative_content = layered_relative_content(depth, tau, penalty=penalty, skin=skin)
    root = np.sqrt(penalty)
    path = np.minimum(depth, skin) + root * np.maximum(depth - skin, 0.0)
    first_term = log_erfc(path / (2.0 * root * np.sqrt(tau)))
    first_term = first_term + np.where(depth >= skin, np.log(2.0 * root / (1.0 + root)), 0.0)
    return np.where(
        relative_content > MIN_RELATIVE_CONTENT,
        np.log(np.maximum(relative_content, MIN_RELATIVE_CONTENT)),
        first_term,
    )


def service_log_relative_content(fronts: ServiceFronts, cover: Number, age: float) -> Array:
    """Return ln of the relative content at the bars under service conditions, (n,).

    For a cover, (n,) or a number [mm], at an age [yr]; the surface content must not fall, and the
    first strategy counts. The depth is the cover over the model's factor, less the convection zone:
    the factor times the depth of the front is the cover.
    """
    block, log_k = fronts.block, fronts.block.log_penalty[0]
    depth = np.maximum(np.asarray(cover) / fronts.service.factor - block.zone, 0.0)
    log_tau = np.asarray(block.log_rate + fronts.log_effective_time(age))
    weights, stretch = np.ones((1, 1)), np.ones((1, 1))
    if fronts.rise is not None:
        weights, stretch = fronts.rise.nodes(age)
    steps = []
    for weight, r in zip(weights, stretch, strict=True):
        since = log_tau - 2.0 * np.log(r)
        if fronts.wall.layered:
            skin = np.maximum(block.skin - block.zone, 0.0)
            part = layered_log_relative_content(depth, since, penalty=np.exp(log_k), skin=skin)
        else:
            part = log_erfc(0.5 * depth * np.exp(-0.5 * (since + log_k)))
        steps.append(np.log(np.maximum(weight, 1e-300)) + part)
    terms = np.array(np.broadcast_arrays(*steps))
    largest = terms.max(axis=0)
    return np.asarray(largest + np.log(np.sum(np.exp(terms - largest), axis=0)))
