"""How much of a face corrodes: the moments of the corroded share, and simulated faces.

Aleatory inputs vary over the face as Gaussian scores with the correlation exp(-(h/L)^2) at a
distance h; epistemic inputs and strip ages are one value for the whole face. An input of which a
share b of the variance lies between walls is sqrt(b) B + sqrt(1 - b) W in its score: B once for
the face, W a field, so that two points correlate with b + (1 - b) exp(-(h/L)^2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import BLOCK_SIZE, InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import COVER, Values, Wall
from stripwise.risk.probability.cubics import read_cubics, spline_slopes
from stripwise.risk.probability.integral import Integral, front_depths, log_initiation_ages
from stripwise.risk.probability.parallel import run_parallel

__all__ = [
    "FaceSize",
    "SimulatedFaces",
    "bivariate_normal_cdf",
    "corroded_share_moments",
    "face_correlation",
    "simulate_faces",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

POINTS = 8192
"""Sobol' points of a scrambling."""

QUADRATURE_NODES = 12
CORRELATION_NODES = 9
"""Correlations at which the joint probability is computed, even in their arc cosine."""
MAX_CELLS = 600
CELLS_PER_LENGTH = 4.0
"""Cells of a simulated face per correlation length, as far as `MAX_CELLS` allows."""


@dataclass(frozen=True, slots=True)
class FaceSize:
    """Width and height of a face and the correlation length on it [m], 0 and inf as limits."""

    width: float
    height: float
    correlation_length: float


@dataclass(frozen=True, slots=True)
class SimulatedFaces:
    """Simulated faces, cell by cell.

    Attributes
    ----------
    corroded
        (s, t, f, y, x) whether a cell is depassivated.
    """

    corroded: Flags

    @property
    def shares(self) -> Array:
        """Share of each face that is depassivated, (s, t, f)."""
        return np.asarray(np.mean(self.corroded, axis=(3, 4)))


def bivariate_normal_cdf(first: ArrayLike, second: ArrayLike, *, correlation: float) -> Array:
    """Joint probability that two correlated standard normals lie at or below two values.

    Parameters
    ----------
    first, second
        Values that broadcast together; infinite ones are allowed.
    correlation
        In [0, 1].

    Returns
    -------
    Phi_2 of the broadcast shape.

    References
    ----------
    Drezner and Wesolowsky, J. Statist. Comput. Simul. 35, 1990 (recalled): the integral of the
    density over the correlation, in its arc sine.

    Examples
    --------
    >>> round(float(bivariate_normal_cdf(0.0, 0.0, correlation=0.5)), 6)
    0.333333
    """
    h = np.clip(np.asarray(first, dtype=float), -40.0, 40.0)
    k = np.clip(np.asarray(second, dtype=float), -40.0, 40.0)
    if correlation >= 1.0:
        return np.asarray(special.ndtr(np.minimum(h, k)))
    x, w = np.polynomial.legendre.leggauss(QUADRATURE_NODES)
    top = np.arcsin(correlation)
    # nodes crowd at the upper end, where the density sharpens as the correlation nears one
    e = 0.5 * (x + 1.0)
    angle = top * (1.0 - (1.0 - e) ** 2)
    weight = top * (1.0 - e) * w
    total = special.ndtr(h) * special.ndtr(k)
    for theta, part in zip(angle, weight, strict=True):
        sine = np.sin(theta)
        square = (h * h + k * k - 2.0 * h * k * sine) / (2.0 * (1.0 - sine * sine))
        total = total + part / (2.0 * np.pi) * np.exp(-square)
    return np.asarray(total)


def face_correlation(distance: ArrayLike, length: float) -> Array:
    """Correlation of two points of a face.

    Parameters
    ----------
    distance
        Distance, any shape [m].
    length
        Correlation length [m]; 0 or inf as limits.

    Returns
    -------
    exp(-(distance / length)^2).
    """
    h = np.asarray(distance, dtype=float)
    if length == 0.0:
        return np.where(h > 0.0, 0.0, 1.0)
    return np.asarray(np.exp(-((h / length) ** 2)))


def corroded_share_moments(
    wall: Wall,
    ages: Sequence[float],
    size: FaceSize,
    *,
    seed: int,
    points: int = POINTS,
    workers: int = 2,
) -> tuple[Array, Array]:
    """Mean and standard deviation of the share of a face that is depassivated.

    Parameters
    ----------
    ages
        t ages since first exposure [yr].
    size
        The face.
    points
        Sobol' points, a power of two of at most one block.

    Returns
    -------
    mean and standard deviation, (s, t) each.

    Notes
    -----
    The mean is the probability at a point; the variance is the mean over all pairs of points of
    the joint probability, less the square of the mean.

    References
    ----------
    Sudret, Probabilistic models for the extent of damage in degrading reinforced concrete
    structures, Reliab. Eng. Syst. Saf. 93, 2008 (read in part).
    """
    angles = np.linspace(0.0, 0.5 * np.pi, CORRELATION_NODES)
    pairs, at_ages = _PointPairs.from_wall(wall, points=points, seed=seed), [float(t) for t in ages]
    own = [pairs.scores(pairs.first, age) for age in at_ages]

    def joint_probability(i: int) -> Array:
        return pairs.joint_probability(own, at_ages, float(np.cos(angles[i])))

    joint_table = np.array(
        list(run_parallel(joint_probability, CORRELATION_NODES, workers=workers))
    )
    mean = np.array([[np.mean(special.ndtr(score)) for score in scores] for scores in own]).T
    rho, weight = _pair_correlations(size)
    rows, at = joint_table.reshape(CORRELATION_NODES, -1).T, np.arccos(np.clip(rho, 0.0, 1.0))
    second = read_cubics(angles, rows, spline_slopes(angles, rows), at) @ weight
    second = second.reshape(joint_table.shape[1:])
    return mean, np.sqrt(np.maximum(second - mean * mean, 0.0))


def simulate_faces(
    wall: Wall, ages: Sequence[float], size: FaceSize, *, faces: int, seed: int, workers: int = 2
) -> SimulatedFaces:
    """Simulate f faces cell by cell, a random field per aleatory input, at t ages [yr].

    References
    ----------
    Stewart and Mullard, Spatial time-dependent reliability analysis of corrosion damage and the
    timing of first repair for RC structures, Eng. Struct. 29, 2007 (recalled): midpoint
    discretisation and Monte Carlo.
    """
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations, wall.draws)
    face_shares = _face_shares(sampler)[:, None, None]
    rows, columns, factor = _lattice(size)
    cells = rows * columns
    batch = max(BLOCK_SIZE // cells, 1)

    def simulate_batch(b: int) -> Flags:
        count = min(batch, faces - b * batch)
        rng = random_stream(seed, stage="extent", index=(1, b))
        z = rng.standard_normal((sampler.dimensions, count, cells))
        if factor is not None:
            z = (z.reshape(-1, cells) @ factor.T).reshape(z.shape)
        if np.isinf(size.correlation_length):
            z[:] = z[:, :, :1]
        between = rng.standard_normal((sampler.dimensions, count, 1))
        z = np.sqrt(face_shares) * between + np.sqrt(1.0 - face_shares) * z
        values = sampler.values(z.reshape(sampler.dimensions, -1))
        flags = _depassivated(wall, values, ages, count * cells)
        return flags.reshape(len(wall.plans), len(ages), count, rows, columns)

    parts = list(run_parallel(simulate_batch, -(-faces // batch), workers=workers))
    return SimulatedFaces(np.concatenate(parts, axis=2))


def _depassivated(wall: Wall, values: Values, ages: Sequence[float], size: int) -> Flags:
    """Tell whether each of n cells is depassivated, (s, t, n)."""
    block = wall.sample_block(values)
    if wall.conditions is None:
        with np.errstate(divide="ignore"):
            starts = log_initiation_ages(wall, block, values)[:, None] <= np.log(ages)[:, None]
        return np.array(np.broadcast_to(starts, (len(wall.plans), len(ages), size)))
    fronts = ServiceFronts.from_block(wall, block)
    by_age = [list(fronts.is_depassivated(float(age), values[COVER])) for age in ages]
    return np.array(
        [[np.broadcast_to(x, (size,)) for x in one] for one in zip(*by_age, strict=True)]
    )


def _face_share(item: Input) -> float:
    """Return how much of the variance of an input's score is one value for the whole face."""
    return 1.0 if item.name.endswith(".strip_age") else item.epistemic_share


def _face_shares(sampler: InputSampler) -> Array:
    """Return that share of every column, (d,); joint draws leave their column no other."""
    if sampler.draws is None:
        return np.array([_face_share(item) for item in sampler.inputs], dtype=float)
    drawn, by_name = sampler.draws.names, {item.name: item for item in sampler.inputs}
    own = [0.0 if n in drawn else _face_share(by_name[n]) for n in sampler.column_names]
    return np.array([*own, 1.0])


def _lattice(size: FaceSize) -> tuple[int, int, Array | None]:
    """Return rows and columns of cells, and the factor of the correlation of their middles."""
    step = size.correlation_length / CELLS_PER_LENGTH
    area = size.width * size.height
    if not np.isfinite(step) or step <= 0.0:
        step = np.sqrt(area / MAX_CELLS)
    step = max(step, np.sqrt(area / MAX_CELLS))
    columns, rows = (max(int(np.ceil(side / step)), 4) for side in (size.width, size.height))
    if size.correlation_length == 0.0 or np.isinf(size.correlation_length):
        return rows, columns, None
    x = (np.arange(columns) + 0.5) * size.width / columns
    y = (np.arange(rows) + 0.5) * size.height / rows
    yy, xx = (a.ravel() for a in np.meshgrid(y, x, indexing="ij"))
    distance = np.hypot(xx[:, None] - xx, yy[:, None] - yy)
    matrix = face_correlation(distance, size.correlation_length)
    values, vectors = np.linalg.eigh(matrix)
    return rows, columns, vectors * np.sqrt(np.maximum(values, 0.0))


def _pair_correlations(size: FaceSize) -> tuple[Array, Array]:
    """Return correlations and weights of pairs of points of a rectangle."""
    length = size.correlation_length
    if length == 0.0 or np.isinf(length):
        return np.array([0.0 if length == 0.0 else 1.0]), np.array([1.0])
    sides = []
    x, w = np.polynomial.legendre.leggauss(16)
    for side in (size.width, size.height):
        # pieces of a correlation length each, so that a long wall is resolved as well
        edges = np.unique(np.append(np.arange(0.0, min(side, 6.0 * length), length), side))
        low, high = edges[:-1, None], edges[1:, None]
        at = (low + 0.5 * (high - low) * (x + 1.0)).ravel()
        weight = (0.5 * (high - low) * w).ravel() * 2.0 / side * (1.0 - at / side)
        sides.append((at, weight))
    (u, wu), (v, wv) = sides
    rho = face_correlation(np.hypot(u[:, None], v), length)
    return rho.ravel(), (wu[:, None] * wv).ravel()


@dataclass(frozen=True, slots=True)
class _PointPairs:
    """Two points of one face, sampled together."""

    wall: Wall
    integral: Integral
    sampler: InputSampler
    first: Array
    second: Array
    face_shares: Array
    cover_share: float

    @classmethod
    def from_wall(cls, wall: Wall, *, points: int, seed: int) -> _PointPairs:
        integral, sampler = Integral.from_wall(wall, prefer_cover=True)
        if integral.name != COVER or integral.weights is not None:
            # cover fixed, correlated or with a score among joint draws: count instead
            integral = Integral("", None, None, 1.0)
            sampler = InputSampler.from_inputs(wall.inputs, wall.correlations, wall.draws)
        d = sampler.dimensions
        rng = random_stream(seed, stage="extent", index=(0,))
        z = np.concatenate(list(sobol_blocks(2 * d, points, rng)), axis=1)
        return cls(
            wall,
            integral,
            sampler,
            z[:d],
            z[d:],
            _face_shares(sampler),
            _face_share(wall.input(COVER)),
        )

    def scores(self, z: Array, age: float) -> list[Array]:
        """Return the normal score of the cover that the front has reached, per strategy."""
        values = self.sampler.values(z)
        depths = front_depths(self.wall, self.wall.sample_block(values), age)
        if not self.integral.name:
            return [np.where(values[COVER] <= x, np.inf, -np.inf) for x in depths]
        assert self.integral.distribution is not None
        law = self.integral.distribution
        return [np.clip(law.to_normal(np.maximum(x, 0.0)), -40.0, 40.0) for x in depths]

    def joint_probability(
        self, own: Sequence[Sequence[Array]], ages: Sequence[float], rho: float
    ) -> Array:
        """Return the joint probability of two points whose fields correlate, (s, t).

        `own` are the scores of the first point by age.
        """
        each = (self.face_shares + (1.0 - self.face_shares) * rho)[:, None]
        other = each * self.first + np.sqrt(np.maximum(1.0 - each * each, 0.0)) * self.second
        cover_rho = min(self.cover_share + (1.0 - self.cover_share) * rho, 1.0)
        by_age = []
        for first, age in zip(own, ages, strict=True):
            pairs = zip(first, self.scores(other, age), strict=True)
            by_age.append(
                [
                    float(np.mean(bivariate_normal_cdf(a, b, correlation=cover_rho)))
                    for a, b in pairs
                ]
            )
        return np.array(by_age).T
