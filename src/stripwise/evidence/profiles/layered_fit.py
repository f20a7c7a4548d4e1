"""Whether profiles show a skin that curing changed, and which diffusivity it has.

Axes: g specimens, k layers (padded), s strategies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, ProfileFits
from stripwise.evidence.profiles.skin_depth import (
    RESIDUAL_FLOOR,
    SkinDepth,
    fit_skin_depth,
    penetration_depths,
)
from stripwise.evidence.profiles.two_layer_fit import TwoLayerSolution, solve_two_layers

__all__ = [
    "LAYERED",
    "SKIN_ONLY",
    "UNIFORM",
    "LayeredFits",
    "depth_sensitivity",
    "fit_layered",
    "with_skin_diffusivities",
]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LAYERED, SKIN_ONLY, UNIFORM = "layered", "skin only", "uniform"

MIN_AICC_GAIN = 2.0
"""How far the layered model's criterion must lie below the uniform one's (Burnham and Anderson,
Model Selection and Multimodel Inference, 2002, recalled)."""

MIN_LAYERS_IN_SKIN, MIN_LAYERS_IN_CORE = 1, 2
"""Fewest used layers with their middle in the skin, and behind it within the penetration depth."""

MAX_REFITTED = 60
"""Most specimens of a strategy that are fitted again; the others change as these do on average."""


@dataclass(frozen=True, slots=True)
class LayeredFits:
    """Two-layer fits of g profiles, and whether the data support them.

    Attributes
    ----------
    depth
        Thickness of the skin, one for all specimens.
    skin, skin_se, core, core_se
        (g,) diffusivities [m2/s] with standard errors; NaN where they are not identifiable.
    log_variance
        (g,) variance of ln D_skin.
    ratio, ratio_log_se
        (g,) D_skin / D_core, and the standard error of its logarithm.
    surface, rmse
        (g,) Cs, and the root of the residual variance.
    fitted
        (g, k) content by the two-layer fit.
    values
        (g, 4) ln D_skin, ln D_core [ln(mm2/d)], Cs, C0.
    identifiable
        (g,) whether the specimen has layers enough in the skin and behind it.
    at_bound
        (g,) whether D_skin / D_core stands at the end of its range.
    strategies
        s names.
    aicc_uniform, aicc_layered
        (s,) corrected Akaike criteria over the identifiable specimens; NaN where there is none.
    choice
        s of "layered", "skin only" (the profiles end within the skin), "uniform".
    """

    depth: SkinDepth
    skin: Array
    skin_se: Array
    core: Array
    core_se: Array
    log_variance: Array
    ratio: Array
    ratio_log_se: Array
    surface: Array
    rmse: Array
    fitted: Array
    values: Array
    identifiable: BoolArray
    at_bound: BoolArray
    strategies: tuple[str, ...]
    aicc_uniform: Array
    aicc_layered: Array
    choice: tuple[str, ...]

    def choice_for(self, strategy: str) -> str:
        """Return the choice for a strategy."""
        return self.choice[self.strategies.index(strategy)]


def fit_layered(fits: ProfileFits, *, depth: float | None = None) -> LayeredFits:
    """Fit a skin on a core to every profile, and say where the data support it.

    Parameters
    ----------
    fits
        The uniform fits.
    depth
        Thickness of the skin [mm]; fitted, one for all specimens, unless given.

    Returns
    -------
    The `LayeredFits`.

    Notes
    -----
    A strategy is layered if Akaike's corrected criterion n ln(S/n) + 2 p + 2 p (p + 1)/(n - p - 1),
    S the squares and n the layers of all its identifiable specimens, lies more than 2 below that
    of the uniform model.

    References
    ----------
    Hurvich and Tsai, Biometrika 76, 1989 (recalled).
    """
    skin_depth = (
        SkinDepth(depth, np.nan, np.nan, True) if depth is not None else fit_skin_depth(fits)
    )
    skin = np.maximum(skin_depth.value - fits.origin_depth, 0.0)
    solution = solve_two_layers(fits.layers, skin=skin, uniform=fits.solution.values[:, 0])
    count = (fits.layers.weight > 0).sum(axis=1)
    degrees_of_freedom = count - 3 - np.isnan(fits.layers.initial)
    identifiable = (
        _identifiable(fits, skin_depth.value) & (degrees_of_freedom > 0) & solution.converged
    )
    variance = np.where(
        degrees_of_freedom > 0, solution.sum_of_squares / np.maximum(degrees_of_freedom, 1), np.nan
    )
    covariance = variance[:, None, None] * solution.inverse
    with np.errstate(invalid="ignore"):
        se = np.sqrt(np.maximum(np.einsum("gpp->gp", covariance), 0.0))
    se[:, 1] = np.where(solution.at_bound, np.nan, se[:, 1])
    log_ratio_variance = covariance[:, 0, 0] + covariance[:, 1, 1] - 2.0 * covariance[:, 0, 1]
    skin_diffusivity, core_diffusivity = (
        np.where(identifiable, np.exp(solution.values[:, c]) / MM2_D_PER_M2_S, np.nan)
        for c in (0, 1)
    )
    strategies = tuple(dict.fromkeys(fits.profiles.strategies))
    uniform, layered, choice = _choose_models(
        fits, solution, identifiable, strategies, skin_depth, fitted=depth is None
    )
    return LayeredFits(
        depth=skin_depth,
        skin=skin_diffusivity,
        skin_se=skin_diffusivity * se[:, 0],
        core=core_diffusivity,
        core_se=core_diffusivity * se[:, 1],
        log_variance=covariance[:, 0, 0],
        ratio=np.asarray(skin_diffusivity / core_diffusivity),
        ratio_log_se=np.where(
            identifiable & ~solution.at_bound, np.sqrt(np.maximum(log_ratio_variance, 0.0)), np.nan
        ),
        surface=np.where(identifiable, solution.values[:, 2], np.nan),
        rmse=np.where(identifiable, np.sqrt(variance), np.nan),
        fitted=solution.fitted,
        values=solution.values,
        identifiable=identifiable,
        at_bound=solution.at_bound,
        strategies=strategies,
        aicc_uniform=uniform,
        aicc_layered=layered,
        choice=choice,
    )


def with_skin_diffusivities(
    fits: ProfileFits, layered: LayeredFits, *, reference: str | None = None
) -> ProfileFits:
    """Return the fits with D_a of the skin where the data support one.

    `reference` is a strategy that stays uniform. Specimens of a layered strategy that are not
    identifiable keep their D_a over the profile.
    """
    names = np.array(fits.profiles.strategies, dtype=object)
    chosen = [
        n
        for n, c in zip(layered.strategies, layered.choice, strict=True)
        if c == LAYERED and n != reference
    ]
    replaced = np.isin(names, chosen) & layered.identifiable
    return replace(
        fits,
        diffusivity=np.where(replaced, layered.skin, fits.diffusivity),
        diffusivity_se=np.where(replaced, layered.skin_se, fits.diffusivity_se),
        log_variance=np.where(replaced, layered.log_variance, fits.log_variance),
        surface=np.where(replaced, layered.surface, fits.surface),
    )


def depth_sensitivity(
    fits: ProfileFits, layered: LayeredFits, *, reference: str | None = None
) -> Array:
    """Return (g,) change of ln D_a of the skins by one standard deviation of ln depth.

    0 where the depth was given, and for the `reference` strategy.
    """
    log_sd = layered.depth.log_sd
    if log_sd == 0.0:
        return np.zeros(len(fits.layers_used))
    names = np.array(fits.profiles.strategies, dtype=object)
    change = np.zeros(len(names))
    for name, choice in zip(layered.strategies, layered.choice, strict=True):
        selected = np.flatnonzero((names == name) & layered.identifiable)
        if choice != LAYERED or name == reference:
            continue
        refitted = selected[
            np.linspace(0, len(selected) - 1, min(len(selected), MAX_REFITTED)).round().astype(int)
        ]
        layers, start = fits.layers.take(refitted), fits.origin_depth[refitted]
        log_diffusivities = []
        for half in (-0.5, 0.5):
            skin = np.maximum(layered.depth.value * np.exp(half * log_sd) - start, 0.0)
            solution = solve_two_layers(
                layers, skin=skin, uniform=fits.solution.values[refitted, 0]
            )
            log_diffusivities.append(solution.values[:, 0])
        change[selected] = (log_diffusivities[1] - log_diffusivities[0]).mean()
        change[refitted] = log_diffusivities[1] - log_diffusivities[0]
    return change


def _identifiable(fits: ProfileFits, depth: float) -> BoolArray:
    """Whether there are layers enough on both sides of the end of the skin."""
    used = fits.layers.weight > 0
    middle = 0.5 * (fits.profiles.upper + fits.profiles.lower)
    within = (used & (middle < depth)).sum(axis=1)
    behind = (used & (middle > depth) & (middle < penetration_depths(fits)[:, None])).sum(axis=1)
    return np.asarray((within >= MIN_LAYERS_IN_SKIN) & (behind >= MIN_LAYERS_IN_CORE))


def _choose_models(
    fits: ProfileFits,
    solution: TwoLayerSolution,
    identifiable: BoolArray,
    names: tuple[str, ...],
    depth: SkinDepth,
    *,
    fitted: bool,
) -> tuple[Array, Array, tuple[str, ...]]:
    strategy_index = np.array([names.index(name) for name in fits.profiles.strategies])
    floor = (RESIDUAL_FLOOR * fits.layers.content.max()) ** 2
    uniform_squares = (fits.layers.weight * (fits.layers.content - fits.fitted) ** 2).sum(axis=1)
    free = np.isnan(fits.layers.initial)
    ends_in_skin = penetration_depths(fits) < depth.value
    uniform, layered, choice = [], [], []
    for index in range(len(names)):
        selected = (strategy_index == index) & identifiable
        layer_count = int((fits.layers.weight[selected] > 0).sum())
        parameters = int((2 + free[selected]).sum()) + 1
        aicc_one = _aicc(
            uniform_squares[selected].sum() + layer_count * floor, layer_count, parameters
        )
        extra_parameters = int(selected.sum()) + fitted
        aicc_two = _aicc(
            solution.sum_of_squares[selected].sum() + layer_count * floor,
            layer_count,
            parameters + extra_parameters,
        )
        uniform.append(aicc_one)
        layered.append(aicc_two)
        if aicc_two < aicc_one - MIN_AICC_GAIN and depth.bounded:
            choice.append(LAYERED)
        else:
            choice.append(SKIN_ONLY if ends_in_skin[strategy_index == index].all() else UNIFORM)
    return np.array(uniform), np.array(layered), tuple(choice)


def _aicc(squares: float, number: int, parameters: int) -> float:
    if number == 0:
        return np.nan
    if number - parameters < 2:
        return np.inf  # too few layers for so many parameters
    return float(
        number * np.log(squares / number)
        + 2.0 * parameters * (1.0 + (parameters + 1.0) / (number - parameters - 1.0))
    )
