"""The chloride profile of the paste in a map, with errors that know how alike neighbours are.

Axes: rows and columns of pixels, k layers, b strips across the map.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.errors import EvidenceError
from stripwise.evidence.face_maps.face_map import FaceMap
from stripwise.evidence.face_maps.paste_mask import PasteMask
from stripwise.evidence.profiles.chloride_profiles import ProfileFits, Profiles
from stripwise.evidence.profiles.least_squares import solve
from stripwise.evidence.profiles.profile_intervals import FitIntervals
from stripwise.evidence.statistics.effective_sample_size import estimate_spatial_correlation

__all__ = [
    "STRIPS",
    "PasteProfile",
    "StripErrors",
    "paste_profile",
    "profiles_of_paste",
    "with_strip_errors",
]

Array = NDArray[np.float64]

STRIPS = 12
"""Strips of equal width, from exposed face to the deepest row, that stand for repeats."""

NARROW_STRIP = 5.0
"""Width of a strip [mm] below which neighbours share grains, and intervals come out too narrow."""

MOST_LAYERS, MIN_LAYERS = 24, 5
"""Layers of a map unless their thickness is given, and fewest that a fit needs."""

SEED = 1
MIN_STRIPS = 7
"""Fewest strips that must hold paste in a layer that counts."""

WALL_DEPTH = 5.0
"""Depth [mm] whose share of aggregate is compared with that behind it."""


@dataclass(frozen=True, slots=True)
class PasteProfile:
    """Content of the paste by depth, k layers.

    Attributes
    ----------
    upper, lower
        (k,) faces of the layers [mm].
    content
        (k,) mean content of the paste, in the unit of the map.
    standard_error
        (k,) its standard error, from the strips.
    pixels
        (k,) pixels of paste behind it.
    effective_pixels
        (k,) independent pixels that would determine the mean as well.
    aggregate_share
        (k,) share of the layer that is aggregate.
    strip_content, strip_pixels
        (b, k) mean and number of the pixels of each strip.
    """

    upper: Array
    lower: Array
    content: Array
    standard_error: Array
    pixels: Array
    effective_pixels: Array
    aggregate_share: Array
    strip_content: Array
    strip_pixels: Array

    @property
    def half_width(self) -> Array:
        """(k,) half of the 95 % interval of the content."""
        return 1.96 * self.standard_error

    @property
    def wall_effect(self) -> tuple[float, float]:
        """Share of aggregate within the first 5 mm, and behind them."""
        first = self.upper < WALL_DEPTH
        return float(self.aggregate_share[first].mean()), float(self.aggregate_share[~first].mean())


def paste_profile(face: FaceMap, mask: PasteMask, *, layer: float | None = None) -> PasteProfile:
    """Average the paste of a map over layers, and find the errors from strips across the map.

    Parameters
    ----------
    layer
        Thickness of a layer [mm], rounded to whole pixels; the depth in 24 layers unless given.

    Raises
    ------
    EvidenceError
        If there are fewer than five layers with enough paste, or the content rises with depth.

    Notes
    -----
    Neighbouring pixels are alike, so that their number says nothing about the error. The map is
    cut into twelve strips from the exposed face inwards; the scatter of their means gives the error
    of a layer, with as many degrees of freedom as there are effective strips, less one.
    """
    rows = _rows_per_layer(face, layer)
    size = face.pixel[0]
    count = face.depth.size // rows
    code = np.repeat(np.arange(count), rows)
    depth_rows = code.size
    paste = mask.paste[:depth_rows]
    chloride = np.where(paste, face.chloride[:depth_rows], 0.0)
    strips = np.array_split(np.arange(face.position.size), STRIPS)
    starts = np.array([strip[0] for strip in strips])

    def by_strip(values: Array) -> Array:
        across = np.add.reduceat(values, starts, axis=1)
        return np.add.reduceat(across, np.arange(0, depth_rows, rows), axis=0).T

    pixels, total = by_strip(paste.astype(float)), by_strip(chloride)
    layer_pixels = pixels.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        strip_content = total / pixels
        content = total.sum(axis=0) / layer_pixels
    enough = (pixels > 0).sum(axis=0) >= MIN_STRIPS
    if enough.sum() < MIN_LAYERS:
        raise EvidenceError(
            [
                f"{face.where}: {int(enough.sum())} layers hold enough paste; at least "
                f"{MIN_LAYERS} are needed"
            ]
        )
    error = _error_of_mean(strip_content, pixels, content) * _likeness(strip_content, content)
    squares = np.where(paste, (face.chloride[:depth_rows] - content[code][:, None]) ** 2, 0.0)
    variance = by_strip(squares).sum(axis=0) / np.maximum(layer_pixels - 1.0, 1.0)
    aggregate = by_strip(mask.aggregate[:depth_rows].astype(float)).sum(axis=0)
    upper = face.depth[0] - 0.5 * size + size * rows * np.arange(count)
    with np.errstate(invalid="ignore", divide="ignore"):
        effective = np.clip(variance / error**2, 1.0, np.maximum(layer_pixels, 1.0))
    profile = PasteProfile(
        upper=np.maximum(upper, 0.0)[enough],
        lower=(upper + size * rows)[enough],
        content=content[enough],
        standard_error=error[enough],
        pixels=layer_pixels[enough],
        effective_pixels=effective[enough],
        aggregate_share=(aggregate / (rows * face.position.size))[enough],
        strip_content=strip_content[:, enough],
        strip_pixels=pixels[:, enough],
    )
    _check_direction(face, profile)
    return profile


def profiles_of_paste(faces: Sequence[FaceMap], layers: Sequence[PasteProfile]) -> Profiles:
    """Hand the layers of all maps to the fits of ground profiles."""
    shape = (len(faces), max(part.content.size for part in layers))
    upper, lower, content = np.zeros(shape), np.ones(shape), np.zeros(shape)
    present = np.zeros(shape, dtype=bool)
    for row, part in enumerate(layers):
        k = slice(part.content.size)
        upper[row, k], lower[row, k], content[row, k] = part.upper, part.lower, part.content
        present[row, k] = True
    return Profiles(
        specimens=tuple(face.specimen for face in faces),
        strategies=tuple(face.strategy for face in faces),
        upper=upper,
        lower=lower,
        content=content,
        present=present,
        exposure=np.array([face.exposure for face in faces]),
        initial=np.array([face.initial for face in faces]),
        basis=faces[0].basis,
        file=faces[0].file,
    )


@dataclass(frozen=True, slots=True)
class StripErrors:
    """What the strips of g specimens say about the errors of their fits.

    Attributes
    ----------
    effective_strips
        (g,) independent strips that would determine ln D as well as the strips do.
    diffusivity_low, diffusivity_high, surface_low, surface_high
        (g,) 95 % intervals [m2/s; unit of the map].
    """

    effective_strips: Array
    diffusivity_low: Array
    diffusivity_high: Array
    surface_low: Array
    surface_high: Array


def with_strip_errors(
    fits: ProfileFits, layers: Sequence[PasteProfile], *, rng: np.random.Generator
) -> tuple[ProfileFits, StripErrors]:
    """Take the errors of the fits from the strips: the jackknife that leaves out one at a time.

    Neighbouring strips may be alike too, which the number of effective strips counts.

    Returns
    -------
    The fits with the errors of ln D, Cs and C0 and their correlation, and the intervals.

    References
    ----------
    Pseudo-values: Tukey 1958; review Miller, Biometrika 61, 1974 (both recalled).
    """
    values = np.array([_pseudo_values(fits, row, part) for row, part in enumerate(layers)])
    sizes = np.array(
        [[_effective_strips(column, rng) for column in specimen.T[:2]] for specimen in values]
    )
    deviation = values - values.mean(axis=1, keepdims=True)
    covariance = np.einsum("gbp,gbq->gpq", deviation, deviation) / (STRIPS - 1.0)
    sd = np.sqrt(np.einsum("gpp->gp", covariance))
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = covariance[:, 0, 1] / (sd[:, 0] * sd[:, 1])
    errors = sd[:, :2] / np.sqrt(sizes)
    half = special.stdtrit(sizes - 1.0, 0.975) * errors
    log_d, cs = fits.solution.values[:, 0], fits.solution.values[:, 1]
    fits = replace(
        fits,
        intervals=FitIntervals(
            log_d - half[:, 0], log_d + half[:, 0], cs - half[:, 1], cs + half[:, 1]
        ),
        diffusivity_se=fits.diffusivity * errors[:, 0],
        log_variance=errors[:, 0] ** 2,
        surface_se=errors[:, 1],
        initial_se=sd[:, 2] / np.sqrt(sizes[:, 1]),
        correlation=correlation,
    )
    return fits, StripErrors(
        effective_strips=sizes[:, 0],
        diffusivity_low=fits.diffusivity * np.exp(-half[:, 0]),
        diffusivity_high=fits.diffusivity * np.exp(half[:, 0]),
        surface_low=fits.surface - half[:, 1],
        surface_high=fits.surface + half[:, 1],
    )


def _likeness(strip_content: Array, content: Array) -> float:
    """Factor on the error of a layer, since neighbouring strips may be alike."""
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = strip_content / content - 1.0
    known = np.isfinite(relative)
    usual = np.where(known, relative, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    return float(np.sqrt(STRIPS / _effective_strips(usual, np.random.default_rng(SEED))))


def _effective_strips(values: Array, rng: np.random.Generator) -> float:
    """Return how many independent strips would determine a mean as well.

    The estimate for readings of a survey is cautious with so few places, and to count every strip
    is too bold: their geometric mean covers 92 to 97 % (tests/benchmark/face_maps.py).
    """
    places = np.column_stack((np.arange(STRIPS, dtype=float), np.zeros(STRIPS)))
    found = estimate_spatial_correlation(places, values, rng=rng)
    return float(np.sqrt(STRIPS * found.effective_sample_size))


def _pseudo_values(fits: ProfileFits, row: int, part: PasteProfile) -> Array:
    """(b, 3) of ln D, Cs and C0 of one specimen; their mean has the error of the fit."""
    one = fits.layers.take(np.full(STRIPS, row))
    content = one.content.copy()
    sums = np.nan_to_num(part.strip_content) * part.strip_pixels
    left = part.strip_pixels.sum(axis=0) - part.strip_pixels
    content[:, : part.content.size] = (sums.sum(axis=0) - sums) / np.maximum(left, 1.0)
    whole = fits.solution.values[row]
    without = solve(replace(one, content=content), start=np.tile(whole, (STRIPS, 1))).values
    return np.asarray(STRIPS * whole - (STRIPS - 1.0) * without)


def _rows_per_layer(face: FaceMap, layer: float | None) -> int:
    size, count = face.pixel[0], face.depth.size
    if layer is None:
        return max(count // MOST_LAYERS, 1)
    rows = max(round(layer / size), 1)
    if count // rows < MIN_LAYERS:
        raise EvidenceError(
            [
                f"{face.where}: layers of {layer:g} mm divide its depth into {count // rows}; at "
                f"least {MIN_LAYERS} are needed"
            ]
        )
    return rows


def _error_of_mean(strip_content: Array, pixels: Array, content: Array) -> Array:
    """(k,) standard error of a mean over all pixels, from the means of the strips."""
    weight = pixels / np.maximum(pixels.sum(axis=0), 1.0)
    deviation = np.where(pixels > 0, strip_content - content, 0.0)
    return np.asarray(
        np.sqrt((weight**2 * deviation**2).sum(axis=0) / (1.0 - (weight**2).sum(axis=0)))
    )


def _check_direction(face: FaceMap, profile: PasteProfile) -> None:
    """Refuse a map whose content rises from the first third to the last."""
    third = max(profile.content.size // 3, 1)
    first, last = profile.content[:third], profile.content[-third:]
    error = np.hypot(profile.standard_error[:third].mean(), profile.standard_error[-third:].mean())
    if last.mean() > first.mean() + 3.0 * error:
        raise EvidenceError(
            [
                f"{face.where}: the content rises with depth, from {first.mean():.3g} to "
                f"{last.mean():.3g} %; depth must count from the exposed face"
            ]
        )
