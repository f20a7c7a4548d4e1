"""How much of a face corrodes: moments of the corroded share, and the chance that it is large.

Inputs that scatter vary over the face as Gaussian scores with the correlation exp(-(h/L)^2) at a
distance h; inputs of kind knowledge and strip ages are one value for the whole face.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import interpolate, special

from stripwise.distributions.sampling import CELL, Draw, sobol_cells, stream
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import COVER, Values, Wall
from stripwise.risk.probability.integral import Integral, front_depths, log_initiation_ages
from stripwise.risk.probability.parallel import run_parallel

__all__ = [
    "FaceSize",
    "SimulatedFaces",
    "binormal",
    "face_correlation",
    "share_moments",
    "simulated_faces",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

POINTS = 8192
"""Sobol' points of a scrambling."""

NODES = 12
ANGLES = 9
"""Correlations at which the joint probability is computed, even in their arc cosine."""
MOST_CELLS = 600
CELLS_PER_LENGTH = 4.0
"""Cells of a simulated face per correlation length, as far as `MOST_CELLS` allows."""


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


def binormal(first: ArrayLike, second: ArrayLike, *, correlation: float) -> Array:
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
    >>> round(float(binormal(0.0, 0.0, correlation=0.5)), 6)
    0.333333
    """
    h = np.clip(np.asarray(first, dtype=float), -40.0, 40.0)
    k = np.clip(np.asarray(second, dtype=float), -40.0, 40.0)
    if correlation >= 1.0:
        return np.asarray(special.ndtr(np.minimum(h, k)))
    x, w = np.polynomial.legendre.leggauss(NODES)
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


def share_moments(
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
    wall
        The wall.
    ages
        t ages since first exposure [yr].
    size
        The face.
    seed
        Seed of the run.
    points
        Sobol' points, a power of two of at most one cell.
    workers
        Threads; the results do not depend on it.

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
    angles = np.linspace(0.0, 0.5 * np.pi, ANGLES)
    pairs = _Pairs.of(wall, points=points, seed=seed)

    def joint(i: int) -> Array:
        return pairs.joint(np.asarray(ages, dtype=float), float(np.cos(angles[i])))

    known = np.array(list(run_parallel(joint, ANGLES, workers=workers)))
    mean = pairs.point(np.asarray(ages, dtype=float))
    spline = interpolate.CubicSpline(angles, known, axis=0)
    rho, weight = _distances(size)
    second = np.tensordot(weight, spline(np.arccos(np.clip(rho, 0.0, 1.0))), axes=(0, 0))
    return mean, np.sqrt(np.maximum(second - mean * mean, 0.0))


def simulated_faces(
    wall: Wall, ages: Sequence[float], size: FaceSize, *, faces: int, seed: int, workers: int = 2
) -> SimulatedFaces:
    """Simulate faces cell by cell: a random field per input that scatters.

    Parameters
    ----------
    wall
        The wall.
    ages
        t ages since first exposure [yr].
    size
        The face.
    faces
        Number of faces f.
    seed
        Seed of the run.
    workers
        Threads; the results do not depend on it.

    Returns
    -------
    The `SimulatedFaces`, cells taken at their middles.

    References
    ----------
    Stewart and Mullard, Spatial time-dependent reliability analysis of corrosion damage and the
    timing of first repair for RC structures, Eng. Struct. 29, 2007 (recalled): midpoint
    discretisation and Monte Carlo.
    """
    draw = Draw.of(wall.inputs, wall.correlations)
    common = _common(draw)
    rows, columns, factor = _lattice(size)
    cells = rows * columns
    batch = max(CELL // cells, 1)

    def some(b: int) -> Flags:
        count = min(batch, faces - b * batch)
        rng = stream(seed, stage="extent", index=(1, b))
        z = rng.standard_normal((draw.dimensions, count, cells))
        if factor is not None:
            z = (z.reshape(-1, cells) @ factor.T).reshape(z.shape)
        z[common] = rng.standard_normal((int(common.sum()), count, 1))
        if np.isinf(size.correlation_length):
            z[~common] = z[~common][:, :, :1]
        values = draw.values(z.reshape(draw.dimensions, -1))
        flags = _reached(wall, values, ages, count * cells)
        return flags.reshape(len(wall.plans), len(ages), count, rows, columns)

    parts = list(run_parallel(some, -(-faces // batch), workers=workers))
    return SimulatedFaces(np.concatenate(parts, axis=2))


def _reached(wall: Wall, values: Values, ages: Sequence[float], size: int) -> Flags:
    """Whether each of n cells is depassivated, (s, t, n)."""
    face = wall.face(values)
    if wall.conditions is None:
        with np.errstate(divide="ignore"):
            starts = log_initiation_ages(wall, face, values)[:, None] <= np.log(ages)[:, None]
        return np.array(np.broadcast_to(starts, (len(wall.plans), len(ages), size)))
    fronts = ServiceFronts.of(wall, face)
    found = [list(fronts.reached(float(age), values[COVER])) for age in ages]
    return np.array(
        [[np.broadcast_to(x, (size,)) for x in one] for one in zip(*found, strict=True)]
    )


def _common(draw: Draw) -> Flags:
    """Flag columns that are one value for the whole face."""
    return np.array(
        [i.kind == "knowledge" or i.name.endswith(".strip_age") for i in draw.inputs], dtype=bool
    )


def _lattice(size: FaceSize) -> tuple[int, int, Array | None]:
    """Rows and columns of cells, and the factor of the correlation matrix of their middles."""
    step = size.correlation_length / CELLS_PER_LENGTH
    area = size.width * size.height
    if not np.isfinite(step) or step <= 0.0:
        step = np.sqrt(area / MOST_CELLS)
    step = max(step, np.sqrt(area / MOST_CELLS))
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


def _distances(size: FaceSize) -> tuple[Array, Array]:
    """Correlations and weights of pairs of points of a rectangle."""
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
class _Pairs:
    """Two points of one face, drawn together."""

    wall: Wall
    integral: Integral
    draw: Draw
    first: Array
    second: Array
    common: Flags

    @classmethod
    def of(cls, wall: Wall, *, points: int, seed: int) -> _Pairs:
        integral, draw = Integral.of(wall, prefer_cover=True)
        if integral.name != COVER or integral.weights is not None:
            # cover fixed or correlated: count instead
            integral = Integral("", None, None, 1.0)
            draw = Draw.of(wall.inputs, wall.correlations)
        d = draw.dimensions
        rng = stream(seed, stage="extent", index=(0,))
        z = np.concatenate(list(sobol_cells(2 * d, points, rng)), axis=1)
        return cls(wall, integral, draw, z[:d], z[d:], _common(draw))

    def _scores(self, z: Array, age: float) -> list[Array]:
        """Return the normal score of the cover that the front has reached, per strategy."""
        values = self.draw.values(z)
        depths = front_depths(self.wall, self.wall.face(values), age)
        if not self.integral.name:
            return [np.where(values[COVER] <= x, np.inf, -np.inf) for x in depths]
        assert self.integral.distribution is not None
        law = self.integral.distribution
        return [np.clip(law.score(np.maximum(x, 0.0)), -40.0, 40.0) for x in depths]

    def point(self, ages: Array) -> Array:
        """Probability at a point, (s, t)."""
        found = [
            [np.mean(special.ndtr(score)) for score in self._scores(self.first, age)]
            for age in ages
        ]
        return np.array(found).T

    def joint(self, ages: Array, rho: float) -> Array:
        """Joint probability of two points whose scores have a correlation, (s, t)."""
        other = rho * self.first + np.sqrt(max(1.0 - rho * rho, 0.0)) * self.second
        other[self.common] = self.first[self.common]
        found = []
        for age in ages:
            pairs = zip(self._scores(self.first, age), self._scores(other, age), strict=True)
            found.append([float(np.mean(binormal(a, b, correlation=rho))) for a, b in pairs])
        return np.array(found).T
