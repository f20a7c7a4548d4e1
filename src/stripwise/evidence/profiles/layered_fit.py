"""Profiles of a skin that curing changed, on a core that it did not: fitted, and judged.

Axes: g specimens, k layers (padded), s strategies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, Fits
from stripwise.evidence.profiles.skin_depth import LEAST_RESIDUAL, Depth, reached, skin_depth
from stripwise.evidence.profiles.two_layer_fit import TwoLayers, solve_two_layers

__all__ = ["LAYERED", "SKIN_ONLY", "UNIFORM", "Layered", "depth_effect", "fit_layered", "skin_fits"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

LAYERED, SKIN_ONLY, UNIFORM = "layered", "skin only", "uniform"

MARGIN = 2.0
"""How far the layered model's criterion must lie below the uniform one's (Burnham and Anderson,
Model Selection and Multimodel Inference, 2002, recalled)."""

IN_SKIN, IN_CORE = 1, 2
"""Fewest used layers with their middle in the skin, and behind it within the profile's reach."""

MOST_MOVED = 60
"""Most specimens of a strategy that are fitted again; the others move as these do on average."""


@dataclass(frozen=True, slots=True)
class Layered:
    """Two-layer fits of g profiles, and whether the data support them.

    Attributes
    ----------
    depth
        Thickness of the skin, one for all specimens.
    skin, skin_se, core, core_se
        (g,) diffusivities [m2/s] with standard errors; NaN where a specimen cannot tell.
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
    tells
        (g,) whether the specimen has layers enough in the skin and behind it.
    at_bound
        (g,) whether D_skin / D_core stands at the end of its range.
    strategies
        s names.
    criterion_uniform, criterion_layered
        (s,) corrected Akaike criteria over the specimens that tell; NaN where none does.
    choice
        s of "layered", "skin only" (the profiles end within the skin), "uniform".
    """

    depth: Depth
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
    tells: Flags
    at_bound: Flags
    strategies: tuple[str, ...]
    criterion_uniform: Array
    criterion_layered: Array
    choice: tuple[str, ...]

    def choice_of(self, strategy: str) -> str:
        """Return the choice for a strategy."""
        return self.choice[self.strategies.index(strategy)]


def fit_layered(fits: Fits, *, depth: float | None = None) -> Layered:
    """Fit a skin on a core to every profile, and say where the data support it.

    Parameters
    ----------
    fits
        The uniform fits.
    depth
        Thickness of the skin [mm]; fitted, one for all specimens, unless given.

    Returns
    -------
    The `Layered`.

    Notes
    -----
    A strategy is layered if Akaike's corrected criterion n ln(S/n) + 2 p + 2 p (p + 1)/(n - p - 1),
    S the squares and n the layers of all its specimens that tell, lies more than 2 below that of
    the uniform model.

    References
    ----------
    Hurvich and Tsai, Biometrika 76, 1989 (recalled).
    """
    found = Depth(depth, np.nan, np.nan, True) if depth is not None else skin_depth(fits)
    edge = np.maximum(found.value - fits.start, 0.0)
    two = solve_two_layers(fits.layers, skin=edge, uniform=fits.solution.values[:, 0])
    count = (fits.layers.weight > 0).sum(axis=1)
    freedom = count - 3 - np.isnan(fits.layers.initial)
    tells = _tells(fits, found.value) & (freedom > 0) & two.settled
    variance = np.where(freedom > 0, two.squares / np.maximum(freedom, 1), np.nan)
    covariance = variance[:, None, None] * two.inverse
    with np.errstate(invalid="ignore"):
        se = np.sqrt(np.maximum(np.einsum("gpp->gp", covariance), 0.0))
    se[:, 1] = np.where(two.at_bound, np.nan, se[:, 1])
    spread = covariance[:, 0, 0] + covariance[:, 1, 1] - 2.0 * covariance[:, 0, 1]
    skin, core = (
        np.where(tells, np.exp(two.values[:, c]) / MM2_D_PER_M2_S, np.nan) for c in (0, 1)
    )
    strategies = tuple(dict.fromkeys(fits.profiles.strategies))
    uniform, layered, choice = _judge(fits, two, tells, strategies, found, fitted=depth is None)
    return Layered(
        depth=found,
        skin=skin,
        skin_se=skin * se[:, 0],
        core=core,
        core_se=core * se[:, 1],
        log_variance=covariance[:, 0, 0],
        ratio=np.asarray(skin / core),
        ratio_log_se=np.where(tells & ~two.at_bound, np.sqrt(np.maximum(spread, 0.0)), np.nan),
        surface=np.where(tells, two.values[:, 2], np.nan),
        rmse=np.where(tells, np.sqrt(variance), np.nan),
        fitted=two.fitted,
        values=two.values,
        tells=tells,
        at_bound=two.at_bound,
        strategies=strategies,
        criterion_uniform=uniform,
        criterion_layered=layered,
        choice=choice,
    )


def skin_fits(fits: Fits, layered: Layered, *, keep: str | None = None) -> Fits:
    """Return the fits with D_a of the skin where the data support one.

    Parameters
    ----------
    fits, layered
        The uniform and the two-layer fits.
    keep
        A strategy that stays uniform: the reference.

    Returns
    -------
    The fits; specimens of a layered strategy that cannot tell keep their D_a over the profile.
    """
    names = np.array(fits.profiles.strategies, dtype=object)
    chosen = [
        n
        for n, c in zip(layered.strategies, layered.choice, strict=True)
        if c == LAYERED and n != keep
    ]
    swap = np.isin(names, chosen) & layered.tells
    return replace(
        fits,
        diffusivity=np.where(swap, layered.skin, fits.diffusivity),
        diffusivity_se=np.where(swap, layered.skin_se, fits.diffusivity_se),
        log_variance=np.where(swap, layered.log_variance, fits.log_variance),
        surface=np.where(swap, layered.surface, fits.surface),
    )


def depth_effect(fits: Fits, layered: Layered, *, keep: str | None = None) -> Array:
    """Return how ln D_a of the skins moves with the depth of the skin.

    Parameters
    ----------
    fits, layered, keep
        As `skin_fits` takes them.

    Returns
    -------
    (g,) change of ln D_a by one standard deviation of ln depth; 0 where the depth was given.
    """
    spread = layered.depth.log_sd
    if spread == 0.0:
        return np.zeros(len(fits.used))
    names = np.array(fits.profiles.strategies, dtype=object)
    move = np.zeros(len(names))
    for name, choice in zip(layered.strategies, layered.choice, strict=True):
        own = np.flatnonzero((names == name) & layered.tells)
        if choice != LAYERED or name == keep:
            continue
        some = own[np.linspace(0, len(own) - 1, min(len(own), MOST_MOVED)).round().astype(int)]
        layers, start = fits.layers.take(some), fits.start[some]
        ends = []
        for half in (-0.5, 0.5):
            edge = np.maximum(layered.depth.value * np.exp(half * spread) - start, 0.0)
            two = solve_two_layers(layers, skin=edge, uniform=fits.solution.values[some, 0])
            ends.append(two.values[:, 0])
        move[own] = (ends[1] - ends[0]).mean()
        move[some] = ends[1] - ends[0]
    return move


def _tells(fits: Fits, depth: float) -> Flags:
    """Whether there are layers enough on both sides of the end of the skin."""
    used = fits.layers.weight > 0
    middle = 0.5 * (fits.profiles.upper + fits.profiles.lower)
    within = (used & (middle < depth)).sum(axis=1)
    behind = (used & (middle > depth) & (middle < reached(fits)[:, None])).sum(axis=1)
    return np.asarray((within >= IN_SKIN) & (behind >= IN_CORE))


def _judge(
    fits: Fits, two: TwoLayers, tells: Flags, names: tuple[str, ...], depth: Depth, *, fitted: bool
) -> tuple[Array, Array, tuple[str, ...]]:
    code = np.array([names.index(name) for name in fits.profiles.strategies])
    floor = (LEAST_RESIDUAL * fits.layers.content.max()) ** 2
    plain = (fits.layers.weight * (fits.layers.content - fits.fitted) ** 2).sum(axis=1)
    free = np.isnan(fits.layers.initial)
    short = reached(fits) < depth.value
    uniform, layered, choice = [], [], []
    for place in range(len(names)):
        own = (code == place) & tells
        number = int((fits.layers.weight[own] > 0).sum())
        parameters = int((2 + free[own]).sum()) + 1
        one = _criterion(plain[own].sum() + number * floor, number, parameters)
        more = int(own.sum()) + fitted
        both = _criterion(two.squares[own].sum() + number * floor, number, parameters + more)
        uniform.append(one)
        layered.append(both)
        if both < one - MARGIN and depth.told:
            choice.append(LAYERED)
        else:
            choice.append(SKIN_ONLY if short[code == place].all() else UNIFORM)
    return np.array(uniform), np.array(layered), tuple(choice)


def _criterion(squares: float, number: int, parameters: int) -> float:
    if number == 0:
        return np.nan
    if number - parameters < 2:
        return np.inf  # too few layers for so many parameters
    return float(
        number * np.log(squares / number)
        + 2.0 * parameters * (1.0 + (parameters + 1.0) / (number - parameters - 1.0))
    )
