"""How probable the inspections of one face are for each draw of what faces share.

What is the face's own (B of `between_walls`, the error of its mean cover) is integrated given what
is shared, about its mode. Contents and depths depend on it through the total scores s of a place,
which have the density N(sqrt(b) B, 1 - b) given B: each specimen is computed once for every shared
draw, at nodes of s, and these are weighed anew for every B.

Axes: n shared draws, p own scores, j nodes of them, d scores of a specimen, k nodes of those.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, special

from stripwise.distributions.sampling import InputSampler
from stripwise.evidence.inspections.inspection_sets import CoverSet, InspectionSet, PointSet
from stripwise.risk.model.wall import COVER, MEAN_COVER_OFFSET, Wall
from stripwise.risk.probability.shared_draws import is_own, with_own_as_scatter
from stripwise.scenario.model import Scenario
from stripwise.studies.inventory.face_classes import FaceClass
from stripwise.studies.inventory.learned_scores import SharedInputs
from stripwise.studies.update.cover_likelihood import CoverLikelihood
from stripwise.studies.update.epistemic_scores import EpistemicDraws, EpistemicScores
from stripwise.studies.update.evidence_of_sets import set_factor, unknown_errors
from stripwise.studies.update.expected_readings import model_inputs
from stripwise.studies.update.point_likelihood import PointLikelihood
from stripwise.studies.update.scatter_integral import nodes_about
from stripwise.studies.update.specimen_likelihood import Specimen, SpecimenLikelihood

__all__ = ["ElementLikelihood"]

Array = NDArray[np.float64]

INNER_POINTS = 128
"""Points of what varies along a face behind the chance that something is found at a point of it."""

NEWTON_STEPS, LONGEST_STEP, SETTLED = 6, 1.5, 0.1
"""Steps to the mode, the longest of them, and the step that ends them [standard deviations]."""

LEAST_CURVATURE = 0.3
"""Least curvature about the mode in that of the prior, so that no node lies far out."""

DIFFERENCE = 0.1
"""Score step of a numerical derivative."""

REACH, NODES = 12.0, 193
"""Scores up to which cover readings are tabulated, and at how many of them."""

HELD = 2**20
"""Numbers of a specimen's nodes by own nodes that are held at once."""


@dataclass(frozen=True, slots=True, eq=False)
class _OwnSpecimen:
    """A specimen with what of its scores depends on the own scores of its face.

    Attributes
    ----------
    specimen
        The specimen on a wall whose own inputs count as scatter.
    rows
        Its scores that depend on own ones.
    mean
        (rows, p) mean of these by the own scores.
    left
        (rows,) variance that is left, 1 - b.
    """

    specimen: Specimen
    rows: NDArray[np.intp]
    mean: Array
    left: Array

    @classmethod
    def of(cls, specimen: Specimen, own: InputSampler) -> _OwnSpecimen:
        items, factor = specimen.scatter.items, specimen.scatter.sampler.factor
        place = {name: k for k, name in enumerate(own.names)}
        share = [i.epistemic_share for i in own.inputs]
        spread = np.eye(len(place)) if own.factor is None else own.factor
        left = np.ones(len(items))
        mean: Array = np.zeros((len(items), len(place)))
        for row, item in enumerate(items):
            if (k := place.get(item.name)) is not None:
                mean[row] = np.sqrt(share[k]) * spread[k]
                left[row] = 1.0 - share[k]
        rows = np.flatnonzero(left < 1.0)
        if factor is not None:
            mean = np.asarray(np.linalg.solve(factor, mean), dtype=float)
        return cls(specimen, rows, mean[rows], left[rows])

    def log_weights(self, w: Array, log_weight: Array, z: Array) -> Array:
        """Return ln of the weights of nodes (d, n, k) at own scores (p, n, j), (n, j, k)."""
        own, middle = w[self.rows], np.einsum("dp,pnj->njd", self.mean, z)
        scaled = middle / self.left
        spread = 0.5 * np.sum(np.log(self.left))
        # one product of matrices: what multiplies a node, and what does not depend on it
        constant = -0.5 * np.einsum("njd,njd->nj", scaled, middle) - spread
        first = np.concatenate([scaled, constant[..., None], np.ones_like(constant)[..., None]], 2)
        alone = log_weight + 0.5 * np.einsum("dnk,d->nk", own**2, 1.0 - 1.0 / self.left)
        second = np.concatenate([own, np.ones_like(alone)[None], alone[None]])
        return np.asarray(first @ np.moveaxis(second, 1, 0))

    def slopes(self, w: Array, log_weight: Array, z: Array) -> tuple[Array, Array]:
        """Return the gradient (p, n) and the negative second derivative (n, p, p) at z (p, n)."""
        logs = self.log_weights(w, log_weight, z[:, :, None])[:, 0]
        share = special.softmax(logs, axis=1)
        gap = (w[self.rows] - (self.mean @ z)[:, :, None]) / self.left[:, None, None]
        mean = np.einsum("nk,dnk->dn", share, gap)
        around = gap - mean[:, :, None]
        spread = np.einsum("nk,dnk,enk->nde", share, around, around)
        own = np.diag(1.0 / self.left) - spread
        return self.mean.T @ mean, np.einsum("dp,nde,eq->npq", self.mean, own, self.mean)


@dataclass(frozen=True, slots=True, eq=False)
class _OwnCover:
    """ln of the likelihood of cover readings by the one score of the face that they tell of.

    Attributes
    ----------
    spread
        (p,) what that score is made of.
    by_score
        The logarithm by the score.
    """

    spread: Array
    by_score: interpolate.CubicSpline

    @classmethod
    def of(cls, readings: CoverLikelihood, own: InputSampler) -> _OwnCover | None:
        """Tabulate readings; None where nothing of the cover is the face's own."""
        name = next((name for name in own.names if name in (COVER, MEAN_COVER_OFFSET)), "")
        if not name:
            return None
        nodes = np.linspace(-REACH, REACH, NODES)
        item, place = own.inputs[own.names.index(name)], own.names.index(name)
        draws = EpistemicDraws({}, {name: nodes}, {}, NODES)
        if item.epistemic_share == 1.0:
            draws = EpistemicDraws({name: item.distribution.from_normal(nodes)}, {}, {}, NODES)
        spread = np.eye(own.dimensions) if own.factor is None else own.factor
        return cls(spread[place], interpolate.CubicSpline(nodes, readings.log_likelihood(draws, 0)))

    def at(self, z: Array) -> Array:
        """Return the logarithm at own scores (p, ...)."""
        return np.asarray(self.by_score(np.tensordot(self.spread, z, axes=1)))

    def slopes(self, z: Array) -> tuple[Array, Array]:
        """Return the gradient (p, n) and the negative second derivative (n, p, p) at z (p, n)."""
        score = self.spread @ z
        gradient = self.spread[:, None] * self.by_score(score, 1)
        bend = np.maximum(-self.by_score(score, 2), 0.0)
        return gradient, bend[:, None, None] * np.outer(self.spread, self.spread)


@dataclass(frozen=True, slots=True, eq=False)
class ElementLikelihood:
    """The likelihood of all that was found on one face.

    Attributes
    ----------
    shared
        What the face shares.
    own
        Copula of the own inputs that its data may tell of.
    specimens, covers, points
        Its data.
    other_covers
        Cover readings that tell of nothing of the face's own.
    name
        Name of the face.
    """

    name: str
    shared: SharedInputs
    own: InputSampler
    specimens: tuple[_OwnSpecimen, ...]
    covers: tuple[_OwnCover, ...]
    other_covers: tuple[CoverLikelihood, ...]
    points: tuple[PointLikelihood, ...]

    @classmethod
    def from_sets(
        cls, name: str, sets: Sequence[InspectionSet], case: Scenario, one: FaceClass, wall: Wall
    ) -> ElementLikelihood:
        """Prepare the sets of a face; `wall` is that of its class with its own cover and plan."""
        inner = with_own_as_scatter(wall)
        middle = EpistemicScores.from_wall(inner, unknown_errors(sets)).middle()
        specimens = list[Specimen]()
        covers, points = list[CoverLikelihood](), list[PointLikelihood]()
        for found in sets:
            if isinstance(found, CoverSet):
                covers.append(CoverLikelihood.from_set(found, wall))
            elif isinstance(found, PointSet):
                points.append(
                    PointLikelihood.from_set(
                        found, wall, seed=case.sampling.seed, most_inner=INNER_POINTS
                    )
                )
            else:
                factor = set_factor(found, case)
                specimens += SpecimenLikelihood.from_set(
                    found, inner, factor=factor, middle=middle
                ).specimens
        own = [item for item in wall.inputs if item.epistemic_share > 0.0 and is_own(item)]
        told = {item.name for one_ in specimens for item in one_.scatter.items}
        told |= {COVER, MEAN_COVER_OFFSET} if covers else set()
        linked = {name for pair in wall.correlations for name in (pair.first, pair.second)}
        if not points and told.isdisjoint(linked):
            own = [item for item in own if item.name in told]
        sampler = InputSampler.from_inputs(own, wall.correlations)
        tables = [_OwnCover.of(readings, sampler) for readings in covers]
        return cls(
            name,
            SharedInputs.from_class(one),
            sampler,
            tuple(_OwnSpecimen.of(specimen, sampler) for specimen in specimens),
            tuple(table for table in tables if table is not None),
            tuple(c for c, table in zip(covers, tables, strict=True) if table is None),
            tuple(points),
        )

    def told(self, wall: Wall) -> set[str]:
        """Name the inputs of the wall of the face that the data may tell of."""
        found = {item.name for one in self.specimens for item in model_inputs(one.specimen.model)}
        found |= {COVER, MEAN_COVER_OFFSET} if self.other_covers else set()
        if self.points:
            found |= {item.name for item in wall.inputs if wall.uses(item)}
        return found

    def log_likelihood(self, draws: EpistemicDraws, points: int) -> Array:
        """Return ln p(all that was found | shared scores), (n,).

        By `points` along the face, more where little is left to vary there, and half as many nodes
        of its own scores.
        """
        nodes = points // 2
        return np.concatenate([_log_sum(logs) for _, logs in self._own_nodes(draws, points, nodes)])

    def own_scores(
        self,
        draws: EpistemicDraws,
        *,
        points: int,
        nodes: int,
        count: int,
        rng: np.random.Generator,
    ) -> dict[str, Array]:
        """Draw the own scores (n, count) given each shared draw, by input: each from among some nodes."""
        found = []
        for z, logs in self._own_nodes(draws, points, nodes, rng):
            edges = np.cumsum(special.softmax(logs, axis=1), axis=1)
            u = (np.arange(count) + rng.random((len(edges), count))) / count * edges[:, -1:]
            place = (edges[:, None, :] < u[:, :, None]).sum(axis=2)
            found.append(np.take_along_axis(z, np.minimum(place, nodes - 1)[None], axis=2))
        z = np.concatenate(found, axis=1)
        scores = self._correlated(z)
        return dict(zip(self.own.names, scores, strict=True))

    def _own_nodes(
        self,
        draws: EpistemicDraws,
        points: int,
        nodes: int,
        rng: np.random.Generator | None = None,
    ) -> Iterator[tuple[Array, Array]]:
        """Yield nodes (p, n, j) and ln of likelihood times weight (n, j), some draws at a time."""
        along = points * self._finer
        most = max(HELD // (along * nodes), 1)
        for first in range(0, draws.count, most):
            part = draws.rows(slice(first, first + most))
            shared = self.shared.draws(part.scores, part.count, part.errors)
            known = [(one, *one.specimen.nodes(shared, along)) for one in self.specimens]
            if not self.own.dimensions:
                z, log_weight = np.empty((0, part.count, 1)), np.zeros((part.count, 1))
            else:
                mode, curvature = self._mode(shared, known)
                z, log_weight = nodes_about(mode, curvature, points=nodes, rng=rng)
            for one, w, logs in known:
                log_weight = log_weight + _log_sum(one.log_weights(w, logs, z))
            for table in self.covers:
                log_weight = log_weight + table.at(z)
            for other in self.other_covers:
                log_weight = log_weight + other.log_likelihood(shared, 0)[:, None]
            if self.points:
                flat = self._flat(shared, z)
                for counts in self.points:
                    logs = counts.log_likelihood(flat, 0)
                    log_weight = log_weight + logs.reshape(log_weight.shape)
            yield z, log_weight

    @property
    def _finer(self) -> int:
        """How many times as many nodes a specimen needs, since its scores are narrower given B."""
        left = min([1.0, *(float(x) for one in self.specimens for x in one.left)])
        return int(2 ** np.ceil(np.log2(1.0 / max(left, 0.05))))

    def _mode(
        self, shared: EpistemicDraws, known: list[tuple[_OwnSpecimen, Array, Array]]
    ) -> tuple[Array, Array]:
        """Return about the most probable own scores (p, n) and the curvature there (n, p, p)."""
        size = self.own.dimensions
        z = np.zeros((size, shared.count))
        for _ in range(NEWTON_STEPS):
            rise, curvature = -z, np.broadcast_to(np.eye(size), (shared.count, size, size))
            parts = [one.slopes(w, logs, z) for one, w, logs in known]
            parts += [table.slopes(z) for table in self.covers]
            parts += [self._point_slopes(shared, z)] if self.points else []
            for gradient, own in parts:
                rise, curvature = rise + gradient, curvature + own
            curvature = _raised(curvature)
            move = np.linalg.solve(curvature, rise.T[..., None])[..., 0].T
            far = np.sqrt(np.sum(move**2, axis=0))
            z = z + move * np.minimum(1.0, LONGEST_STEP / np.maximum(far, 1e-300))
            if np.quantile(far, 0.95) < SETTLED:
                break
        return z, curvature

    def _point_slopes(self, shared: EpistemicDraws, z: Array) -> tuple[Array, Array]:
        """Return slopes of the counts by those of their chances."""

        def at(scores: Array) -> list[Array]:
            flat = self._flat(shared, scores[:, :, None])
            return [chance for one in self.points for chance in one.chances(flat)]

        counts = [count for one in self.points for count in one.found.counts]
        middle = at(z)
        moved = [at(z + DIFFERENCE * np.eye(len(z))[:, k : k + 1]) for k in range(len(z))]
        gradient, own = np.zeros_like(z), np.zeros((z.shape[1], len(z), len(z)))
        for place, (count, chance) in enumerate(zip(counts, middle, strict=True)):
            slope = np.array([(there[place] - chance) / DIFFERENCE for there in moved])
            inside = np.clip(chance, 1e-6, 1.0 - 1e-6)
            weight = count.weight * count.points / (inside * (1.0 - inside))
            gradient += weight * (count.found / count.points - inside) * slope
            own += np.einsum("n,pn,qn->npq", weight, slope, slope)
        return gradient, own

    def _correlated(self, z: Array) -> Array:
        return self.own.correlate(z.reshape(len(z), int(np.prod(z.shape[1:])))).reshape(z.shape)

    def _flat(self, shared: EpistemicDraws, z: Array) -> EpistemicDraws:
        """Return draws of all that is epistemic of the face, (n j,), at own scores (p, n, j)."""
        nodes = z.shape[2]
        values, scores, errors = (
            {name: np.repeat(column, nodes) for name, column in columns.items()}
            for columns in (shared.inputs, shared.scores, shared.errors)
        )
        for item, score in zip(self.own.inputs, self._correlated(z), strict=True):
            if item.epistemic_share == 1.0:
                values[item.name] = item.distribution.from_normal(score.ravel())
            else:
                scores[item.name] = score.ravel()
        return EpistemicDraws(values, scores, errors, shared.count * nodes)


def _log_sum(logs: Array) -> Array:
    """Return ln of the sum of exp over the last axis; scipy's takes three times as long."""
    highest = logs.max(axis=-1, keepdims=True)
    highest = np.where(np.isfinite(highest), highest, 0.0)
    gap = np.subtract(logs, highest)
    np.exp(gap, out=gap)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(gap.sum(axis=-1)) + highest[..., 0])


def _raised(curvature: Array) -> Array:
    """Return symmetric matrices (n, p, p) whose eigenvalues are raised to `LEAST_CURVATURE`."""
    values, vectors = np.linalg.eigh(curvature)
    raised = np.maximum(values, LEAST_CURVATURE)
    return np.asarray(np.einsum("nab,nb,ncb->nac", vectors, raised, vectors))
