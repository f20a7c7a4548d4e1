"""How small a rare probability is: importance sampling at the design points.

It works on any limit state h(u) of independent standard normals, failure at h <= 0. Axes: d
inputs, n points, r repeats.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.reliability.form import DesignPoint

__all__ = ["RareEstimate", "importance_sampling"]

Array = NDArray[np.float64]
Model = Callable[[Array], Array]


@dataclass(frozen=True, slots=True)
class RareEstimate:
    """A small probability with its sampling error.

    Attributes
    ----------
    probability
        Mean over repeats.
    low95, high95
        95 % interval of the mean by Student's t, clipped to [0, 1].
    cov
        Coefficient of variation of the mean: its standard error over its value.
    calls
        Evaluations of the model.
    """

    probability: float
    low95: float
    high95: float
    cov: float
    calls: int

    @property
    def index(self) -> float:
        """Reliability index of the probability."""
        return float(-special.ndtri(self.probability))


def importance_sampling(
    model: Model, design_point: DesignPoint, *, points: int = 1024, repeats: int = 16, seed: int
) -> RareEstimate:
    """Estimate a small probability from samples around the design points.

    The density is the mean of unit normals around each distinct design point found, so that a
    second region of failure is not missed if a search ended there.

    Parameters
    ----------
    model
        h of points (d, n), (n,).
    design_point
        What `first_order` returned for it.
    points
        Sobol' points per scrambling, a power of two.

    Returns
    -------
    The `RareEstimate`; where the origin fails, of the probability of failure all the same.

    References
    ----------
    Melchers, Importance sampling in structural systems, Struct. Safety 6, 1989 (recalled); Owen,
    Monte Carlo theory, methods and examples, 2013, section 9.11 on mixtures (recalled).

    Examples
    --------
    >>> from stripwise.risk.reliability.form import first_order
    >>> h = lambda u: 4.0 - u[0]
    >>> p = importance_sampling(h, first_order(h, 2), seed=0)
    >>> abs(p.probability / 3.167e-5 - 1.0) < 0.02
    True
    """
    centres = design_point.design_points
    d = centres.shape[1]
    safe_side = design_point.origin_fails
    estimates = []
    for r in range(repeats):
        rng = random_stream(seed, stage="rare", index=(r,))
        # one column more than inputs picks the centre
        z = np.concatenate(list(sobol_blocks(d + 1, points, rng)), axis=1)
        which = np.minimum((special.ndtr(z[d]) * len(centres)).astype(int), len(centres) - 1)
        u = z[:d] + centres[which].T
        log_ratio = special.logsumexp(
            centres @ u - 0.5 * np.sum(centres**2, axis=1)[:, None], axis=0
        ) - np.log(len(centres))
        inside = (model(u) > 0.0) if safe_side else (model(u) <= 0.0)
        estimates.append(float(np.mean(np.where(inside, np.exp(-log_ratio), 0.0))))
    values = np.array(estimates)
    return _estimate(1.0 - values if safe_side else values, points * repeats)


def _estimate(values: Array, calls: int) -> RareEstimate:
    mean, low, high = (float(x) for x in t_interval(values))
    error = float(np.std(values, ddof=1) / np.sqrt(len(values)))
    return RareEstimate(
        probability=mean,
        low95=min(max(low, 0.0), 1.0),
        high95=min(max(high, 0.0), 1.0),
        cov=error / mean if mean > 0.0 else np.inf,
        calls=calls,
    )
