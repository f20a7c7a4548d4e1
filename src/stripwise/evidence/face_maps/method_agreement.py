"""How well a mapped and a ground profile of the same specimens agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.errors import EvidenceError
from stripwise.evidence.profiles.chloride_profiles import ProfileFits
from stripwise.evidence.profiles.pooling import pool
from stripwise.evidence.statistics.effective_sample_size import area_effective_sample_size

__all__ = ["Agreement", "MethodComparison", "RatioWithInterval", "compare_methods"]

Array = NDArray[np.float64]

MIN_PAIRS = 3


@dataclass(frozen=True, slots=True)
class Agreement:
    """Bias of the map against grinding, and limits of agreement.

    Attributes
    ----------
    bias, bias_low95, bias_high95
        Mean of the differences with its interval.
    sd
        Standard deviation of the differences.
    low, high
        Limits of agreement, bias -/+ 1.96 sd.
    limit_half_width
        Half of the 95 % interval of either limit.
    effective_pairs
        Independent pairs that would determine the bias as well.
    """

    bias: float
    bias_low95: float
    bias_high95: float
    sd: float
    low: float
    high: float
    limit_half_width: float
    effective_pairs: float


@dataclass(frozen=True, slots=True)
class RatioWithInterval:
    """A geometric mean ratio, map over ground, with its 95 % interval."""

    ratio: float
    low95: float
    high95: float


@dataclass(frozen=True, slots=True)
class MethodComparison:
    """Pairs of layers that both methods read, n in all, and what they say.

    Attributes
    ----------
    specimens
        (n,) names.
    upper, lower
        (n,) faces of the ground layers [mm].
    mapped, ground
        (n,) contents, each in its own unit.
    same_unit
        Whether the units are the same, so that differences mean something.
    difference
        Agreement of mapped - ground; None where the units differ.
    log_ratio
        Agreement of ln(mapped / ground).
    diffusivity, surface
        Ratios over the specimens; the surface's holds the conversion where the units differ.
    """

    specimens: tuple[str, ...]
    upper: Array
    lower: Array
    mapped: Array
    ground: Array
    same_unit: bool
    difference: Agreement | None
    log_ratio: Agreement
    diffusivity: RatioWithInterval
    surface: RatioWithInterval


def compare_methods(mapped: ProfileFits, ground: ProfileFits) -> MethodComparison:
    """Compare the layers and the fits of the specimens that both methods have.

    A ground layer is compared with the mean of the map over the same depths, where the map
    reaches through it. Readings of one specimen are alike: intervals count effective pairs.

    Raises
    ------
    EvidenceError
        If fewer than three layers can be paired.

    References
    ----------
    Bland and Altman, Lancet 327, 1986 (recalled): limits of agreement and their error.
    """
    places = {name: row for row, name in enumerate(ground.profiles.specimens)}
    common = [
        (row, places[name]) for row, name in enumerate(mapped.profiles.specimens) if name in places
    ]
    pairs = [
        (name, *values)
        for row, other in common
        for name, *values in _layers_of(mapped, row, ground, other)
    ]
    if len(pairs) < MIN_PAIRS:
        raise EvidenceError(
            [
                f"{ground.profiles.file}: {len(pairs)} of its layers have content in the map of the "
                f"same specimen; at least {MIN_PAIRS} are needed. Are the specimens named alike?"
            ]
        )
    names = tuple(str(pair[0]) for pair in pairs)
    upper, lower, by_map, by_grinding = (
        np.array([pair[place] for pair in pairs], dtype=float) for place in range(1, 5)
    )
    same_unit = mapped.profiles.basis == ground.profiles.basis
    rows, others = (np.array(side) for side in zip(*common, strict=True))
    return MethodComparison(
        specimens=names,
        upper=upper,
        lower=lower,
        mapped=by_map,
        ground=by_grinding,
        same_unit=same_unit,
        difference=_agreement(by_map - by_grinding, names) if same_unit else None,
        log_ratio=_agreement(np.log(by_map / by_grinding), names),
        diffusivity=_ratio(
            np.log(mapped.diffusivity[rows] / ground.diffusivity[others]),
            mapped.log_variance[rows] + np.nan_to_num(ground.log_variance[others]),
        ),
        surface=_ratio(
            np.log(mapped.surface[rows] / ground.surface[others]),
            (mapped.surface_se[rows] / mapped.surface[rows]) ** 2
            + np.nan_to_num((ground.surface_se[others] / ground.surface[others]) ** 2),
        ),
    )


def _layers_of(
    mapped: ProfileFits, row: int, ground: ProfileFits, other: int
) -> list[tuple[str, float, float, float, float]]:
    """List name, faces and both contents of the ground layers that the map covers."""
    fine, coarse = mapped.profiles, ground.profiles
    here = fine.present[row]
    faces = np.append(fine.upper[row, here], fine.lower[row, here][-1:])
    found = []
    for layer in np.flatnonzero(coarse.present[other]):
        top, bottom = float(coarse.upper[other, layer]), float(coarse.lower[other, layer])
        overlap = np.clip(
            np.minimum(fine.lower[row, here], bottom) - np.maximum(fine.upper[row, here], top),
            0.0,
            None,
        )
        thin = bottom <= top
        if thin or overlap.sum() < 0.8 * (bottom - top) or faces.size < 2:
            continue
        by_map = float(overlap @ fine.content[row, here] / overlap.sum())
        by_grinding = float(coarse.content[other, layer])
        if by_map > 0.0 and by_grinding > 0.0:
            found.append((coarse.specimens[other], top, bottom, by_map, by_grinding))
    return found


def _agreement(values: Array, names: tuple[str, ...]) -> Agreement:
    bias, sd = float(values.mean()), float(values.std(ddof=1))
    n = float(values.size)
    if len(set(names)) > 1 and sd > 0.0:
        n = area_effective_sample_size(values, np.array(names))
    t = float(special.stdtrit(max(n - 1.0, 1.0), 0.975))
    half = t * sd / np.sqrt(n)
    limit = t * sd * np.sqrt(1.0 / n + 1.96**2 / (2.0 * max(n - 1.0, 1.0)))
    return Agreement(
        bias=bias,
        bias_low95=bias - half,
        bias_high95=bias + half,
        sd=sd,
        low=bias - 1.96 * sd,
        high=bias + 1.96 * sd,
        limit_half_width=float(limit),
        effective_pairs=n,
    )


def _ratio(log_ratio: Array, variance: Array) -> RatioWithInterval:
    pooled = pool(log_ratio, variance, group=np.zeros(log_ratio.size, dtype=np.intp))
    centre = float(pooled.mean[0])
    half = pooled.t_quantile * float(np.sqrt(pooled.variance[0]))
    return RatioWithInterval(
        float(np.exp(centre)), float(np.exp(centre - half)), float(np.exp(centre + half))
    )
