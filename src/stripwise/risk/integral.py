"""Probability of depassivation over one cell, with one input integrated exactly.

A uniform face integrates the cover: P = E[F_cover(x_c(t))]. A fixed cover, or a layered face
(whose initiation is one solution per sample but whose front is one per sample and age),
integrates the diffusivity: P = E[1 - F_D(D_crit)]. Where neither is random the samples count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.ingress.front import (
    critical_tau,
    layered_critical_tau,
    layered_front_depth,
)
from stripwise.inputs.distributions import Distribution
from stripwise.inputs.sampling import Draw, copula
from stripwise.inputs.variables import Input
from stripwise.risk.wall import COVER, DIFFUSIVITY, Face, Number, Values, Wall

__all__ = ["Integral", "front_depths", "initiation_ages"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Integral:
    """Which input is integrated, and what the drawn ones say about it.

    Attributes
    ----------
    name
        Name of the integrated input; empty where samples are counted.
    distribution
        Its distribution; None where samples are counted.
    weights
        (d,) S^-1 r on the normal scores of the drawn inputs, or None where independent.
    scale
        sqrt(1 - r' S^-1 r).
    """

    name: str
    distribution: Distribution | None
    weights: Array | None
    scale: float

    @classmethod
    def of(
        cls, wall: Wall, among: Sequence[Input] | None = None, *, prefer_cover: bool = False
    ) -> tuple[Integral, Draw]:
        """Choose the integrated input and the draw of the others.

        Parameters
        ----------
        wall
            The wall.
        among
            The inputs to draw or integrate; all of the wall's unless given.
        prefer_cover
            Integrate the cover of a layered face too, for many covers at one age.

        Returns
        -------
        The `Integral` and the `Draw` of all other inputs.
        """
        inputs = tuple(wall.inputs if among is None else among)
        random = [i.name for i in inputs if not i.distribution.is_fixed]
        order = (DIFFUSIVITY, COVER) if wall.layered and not prefer_cover else (COVER, DIFFUSIVITY)
        name = next((n for n in order if n in random), "")
        rest = tuple(i for i in inputs if i.name != name)
        draw = Draw.of(rest, wall.correlations)
        if not name:
            return cls("", None, None, 1.0), draw
        names = (*draw.names, name)
        matrix = copula(names, wall.correlations)
        r = matrix[-1, :-1]
        distribution = next(i for i in inputs if i.name == name).distribution
        if not np.any(r):
            return cls(name, distribution, None, 1.0), draw
        weights = np.asarray(np.linalg.lstsq(matrix[:-1, :-1], r, rcond=1e-10)[0], dtype=float)
        return cls(
            name, distribution, weights, float(np.sqrt(max(1.0 - float(r @ weights), 1e-300)))
        ), draw

    def moved(self, distance: float) -> Integral:
        """Return the integral after a change of the nominal cover [mm], if cover is integrated."""
        if self.name != COVER or self.distribution is None:
            return self
        return replace(self, distribution=self.distribution.shifted(distance))

    def shift(self, scores: Array) -> Number:
        """Mean of the integrated normal score given the drawn ones (d, n)."""
        return 0.0 if self.weights is None else self.weights @ scores

    def below(self, x: Array, shift: Number, *, above: bool = False) -> Array:
        """Probability that the integrated input is at or below x, or above it."""
        assert self.distribution is not None
        if self.weights is None:
            return self.distribution.sf(x) if above else self.distribution.cdf(x)
        score = (self.distribution.score(x) - shift) / self.scale
        return np.asarray(special.ndtr(-score if above else score))

    def probabilities(  # noqa: PLR0917
        self, wall: Wall, face: Face, values: Values, shift: Number, ages: Array, upper: Flags
    ) -> Array:
        """Sum P, or 1 - P, over the samples of a cell.

        Parameters
        ----------
        wall
            The wall.
        face
            Its faces, n of them.
        values
            The inputs that the faces were made of.
        shift
            From `shift`.
        ages
            (t,) ages [yr].
        upper
            (s, t) whether to sum 1 - P instead of P, to keep digits where P is close to 1.

        Returns
        -------
        (s, t) sums over n divided by the number of samples that broadcast (a mean).
        """
        if self.name == COVER:
            return self._by_cover(wall, face, shift, ages, upper)
        return self._by_time(wall, face, values, shift, ages, upper)

    def _by_cover(self, wall: Wall, face: Face, shift: Number, ages: Array, upper: Flags) -> Array:
        means = np.empty((len(wall.plans), len(ages)))
        for j, age in enumerate(ages):
            for i, depth in enumerate(front_depths(wall, face, age)):
                means[i, j] = np.mean(self.below(depth, shift, above=bool(upper[i, j])))
        return means

    def _by_time(  # noqa: PLR0917
        self, wall: Wall, face: Face, values: Values, shift: Number, ages: Array, upper: Flags
    ) -> Array:
        needed = [critical_tau_of(wall, face, values[COVER], log_k) for log_k in face.log_penalty]
        means = np.empty((len(wall.plans), len(ages)))
        for j, age in enumerate(ages):
            tau = np.exp(face.log_rate + wall.clock.log_shape(age, face.exponent))
            for i, critical in enumerate(needed):
                flip = bool(upper[i, j])
                if self.name:
                    with np.errstate(divide="ignore", invalid="ignore"):
                        least = np.where(critical > 0.0, critical / tau, 0.0)
                    share = self.below(least, shift, above=not flip)
                else:
                    share = np.where((critical <= tau) != flip, 1.0, 0.0)
                means[i, j] = np.mean(share)
        return means


def front_depths(wall: Wall, face: Face, age: float) -> list[Array]:
    """Depth of the front from the surface at one age, per strategy.

    Parameters
    ----------
    wall
        The wall.
    face
        Its faces, n of them, with the diffusivity in their rate.
    age
        Age since first exposure [yr].

    Returns
    -------
    s arrays (n,) [mm]; 0 where there is no front, inf where depassivated from the start.
    """
    log_tau = face.log_rate + wall.clock.log_shape(age, face.exponent)
    if not wall.layered:
        spread = 2.0 * face.root * np.exp(0.5 * log_tau)
        return [face.edge + spread * np.exp(0.5 * log_k) for log_k in face.log_penalty]
    ratio = np.asarray(face.ratio)
    moving = np.where((ratio > 0.0) & (ratio < 1.0), ratio, 1.0)
    tau, skin = np.exp(log_tau), np.maximum(face.skin - face.zone, 0.0)
    return [
        face.edge + layered_front_depth(moving, tau, penalty=np.exp(log_k), skin=skin)
        for log_k in face.log_penalty
    ]


def critical_tau_of(wall: Wall, face: Face, cover: Number, log_penalty: Number) -> Array:
    """Return the transformed time of good concrete [mm2] at which the front reaches the bars."""
    depth = np.asarray(cover) - np.asarray(face.zone)
    if wall.layered:
        skin = np.maximum(face.skin - face.zone, 0.0)
        penalty = np.exp(log_penalty)
        return layered_critical_tau(depth, face.ratio, penalty=penalty, skin=skin)
    return critical_tau(depth, face.ratio) * np.exp(-log_penalty)


def initiation_ages(wall: Wall, face: Face, values: Values) -> list[Array]:
    """Age at depassivation of each sample, one array per strategy.

    Parameters
    ----------
    wall
        The wall.
    face
        Its faces, n of them, with the diffusivity in their rate.
    values
        The inputs that the faces were made of, the cover among them.

    Returns
    -------
    s arrays of ages since first exposure [yr]; 0 from the start, inf never.
    """
    ages = []
    common: Number | None = None
    for log_k in face.log_penalty:
        if wall.layered:
            critical = critical_tau_of(wall, face, values[COVER], log_k)
        else:
            if common is None:
                common = critical_tau_of(wall, face, values[COVER], 0.0)
            critical = common * np.exp(-np.asarray(log_k))
        with np.errstate(divide="ignore"):
            log_shape = np.log(critical) - face.log_rate
        ages.append(wall.clock.age(log_shape, face.exponent))
    return ages
