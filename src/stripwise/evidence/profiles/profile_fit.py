"""Which surface content and apparent diffusivity fit the ground chloride profiles.

Axes: g specimens, k layers (padded).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import EvidenceError
from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, ProfileFits, Profiles
from stripwise.evidence.profiles.layer_averages import penetration_depth
from stripwise.evidence.profiles.least_squares import Layers, Solution, parameter_covariance, solve
from stripwise.evidence.profiles.robust_fit import robust_fit
from stripwise.published import constant

__all__ = ["fit_profiles"]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

MIN_LAYERS = 3

MAX_PROBLEMS = 20
"""Problems that are written out; the rest are counted."""


def fit_profiles(
    profiles: Profiles,
    *,
    keep_first: bool = False,
    fit_initial: bool = False,
    affected_depth: float | None = None,
) -> ProfileFits:
    """Fit Cs and D_a of every specimen by least squares on the layer averages.

    The shallowest layer is left out. Where the content rises again behind it, the layers before
    the maximum are left out too and depths count from the maximum's layer. C0 is the measured
    one, or fitted where there is none.

    Parameters
    ----------
    keep_first
        Whether the shallowest layer takes part.
    fit_initial
        Whether C0 is fitted even where it was measured.
    affected_depth
        Depth that curing changed [mm], for the note whether the profile measured it alone.

    Raises
    ------
    EvidenceError
        With a line for each specimen that cannot be fitted.

    References
    ----------
    ASTM C1556 and NT Build 443 (recalled) for the practice; Andrade, Climent, de Vera, Mater.
    Struct. 48, 2015 (read) for a maximum inside.
    """
    initial = np.full_like(profiles.initial, np.nan) if fit_initial else profiles.initial
    used, first, peak = _select_layers(profiles, keep_first=keep_first)
    origin_depth = np.where(
        peak > first, np.take_along_axis(profiles.upper, peak[:, None], 1)[:, 0], 0.0
    )
    _check_profiles(profiles, used, initial)
    layers = Layers(
        upper=np.where(
            profiles.present, np.maximum(profiles.upper - origin_depth[:, None], 0.0), 0.0
        ),
        lower=np.where(
            profiles.present, np.maximum(profiles.lower - origin_depth[:, None], 0.0), 1.0
        ),
        content=np.where(profiles.present, profiles.content, 0.0),
        weight=used.astype(float),
        time=profiles.exposure,
        initial=initial,
    )
    solution = solve(layers)
    below_zero = np.isnan(initial) & (solution.values[:, 2] < 0.0)
    if below_zero.any():
        layers = replace(layers, initial=np.where(below_zero, 0.0, initial))
        solution = solve(layers)
    _check_convergence(profiles, solution)
    return _summary(
        profiles,
        layers,
        solution,
        origin_depth=origin_depth,
        below_zero=below_zero,
        first=first,
        peak=peak,
        affected_depth=affected_depth,
    )


def _select_layers(profiles: Profiles, *, keep_first: bool) -> tuple[BoolArray, IntArray, IntArray]:
    """Choose the layers of the fit; also the first of them by depth, and the maximum's layer."""
    used = profiles.present.copy()
    if not keep_first:
        used[:, 0] = False
    position = np.arange(used.shape[1])
    first = np.where(used.any(axis=1), used.argmax(axis=1), 0)
    content = np.where(used, profiles.content, -np.inf)
    peak = content.argmax(axis=1)
    rows = np.arange(len(used))
    rise = 1.0 + constant("evidence.profile_rise")
    maximum_inside = (peak > first) & (content[rows, peak] > rise * content[rows, first])
    peak = np.where(maximum_inside, peak, first)
    return used & (position >= peak[:, None]), first, peak


def _check_profiles(profiles: Profiles, used: BoolArray, initial: Array) -> None:
    """Refuse profiles that hold no diffusivity, before anything is fitted."""
    count = used.sum(axis=1)
    needed = MIN_LAYERS + np.isnan(initial)
    high = np.where(used, profiles.content, -np.inf).max(axis=1)
    low = np.where(used, profiles.content, np.inf).min(axis=1)
    known = np.nan_to_num(initial, nan=-np.inf)
    problems = []
    for row, name in enumerate(profiles.specimens):
        where = f"specimen {name}"
        if count[row] < needed[row]:
            note = " (the initial content takes one more)" if np.isnan(initial[row]) else ""
            problems.append(
                f"{where}: has {_count_text(count[row])} for the fit, the shallowest and any before a "
                f"maximum inside left out; at least {needed[row]} are needed{note}"
            )
        elif high[row] <= 0.0:
            problems.append(f"{where}: every reading is 0; chloride below detection has no profile")
        elif high[row] - low[row] <= 1e-9 * high[row]:
            problems.append(f"{where}: all readings are {high[row]:g}; a flat profile has no D_a")
        elif high[row] <= known[row]:
            problems.append(
                f"{where}: no reading is above the initial content {known[row]:g}; check its unit"
            )
    _raise_if_any(problems, profiles.file)


def _count_text(count: int) -> str:
    return "1 layer" if count == 1 else f"{count} layers"


def _check_convergence(profiles: Profiles, solution: Solution) -> None:
    _raise_if_any(
        [
            f"specimen {name}: no diffusivity fits; the content must fall with depth over more "
            "than one layer and not stay level. Check the rows, or leave the specimen out"
            for name, good in zip(profiles.specimens, solution.converged, strict=True)
            if not good
        ],
        profiles.file,
    )


def _raise_if_any(problems: list[str], file: str) -> None:
    if problems:
        more = (
            [f"... and {len(problems) - MAX_PROBLEMS} more specimens"]
            if len(problems) > MAX_PROBLEMS
            else []
        )
        start = f"{file}: " if file else ""
        raise EvidenceError([start + text for text in problems[:MAX_PROBLEMS] + more])


def _summary(
    profiles: Profiles,
    layers: Layers,
    solution: Solution,
    *,
    origin_depth: Array,
    below_zero: BoolArray,
    first: IntArray,
    peak: IntArray,
    affected_depth: float | None,
) -> ProfileFits:
    weight = layers.weight
    count = (weight > 0).sum(axis=1)
    degrees_of_freedom = count - 2 - np.isnan(layers.initial)
    sum_of_squares = (weight * (layers.content - solution.fitted) ** 2).sum(axis=1)
    variance = np.divide(
        sum_of_squares,
        degrees_of_freedom,
        out=np.full(len(count), np.nan),
        where=degrees_of_freedom > 0,
    )
    covariance = variance[:, None, None] * parameter_covariance(solution, weight)
    sd = np.sqrt(np.maximum(np.einsum("gpp->gp", covariance), 0.0))
    inverse = parameter_covariance(solution, weight)
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = inverse[:, 0, 1] / np.sqrt(inverse[:, 0, 0] * inverse[:, 1, 1])
    diffusivity = np.exp(solution.values[:, 0]) / MM2_D_PER_M2_S
    robust, flagged = robust_fit(layers, solution, degrees_of_freedom=degrees_of_freedom)
    fits = ProfileFits(
        profiles=profiles,
        layers=layers,
        solution=solution,
        origin_depth=origin_depth,
        diffusivity=diffusivity,
        diffusivity_se=diffusivity * sd[:, 0],
        log_variance=covariance[:, 0, 0],
        surface=solution.values[:, 1],
        surface_se=sd[:, 1],
        initial=solution.values[:, 2],
        initial_se=sd[:, 2],
        correlation=correlation,
        rmse=np.sqrt(variance),
        layers_used=count,
        flagged=flagged,
        robust_diffusivity=robust / MM2_D_PER_M2_S,
        fitted=solution.fitted,
        notes=(),
    )
    notes = _notes(
        fits, below_zero=below_zero, maximum_inside=peak > first, affected_depth=affected_depth
    )
    return replace(fits, notes=notes)


def _notes(
    fits: ProfileFits,
    *,
    below_zero: BoolArray,
    maximum_inside: BoolArray,
    affected_depth: float | None,
) -> tuple[str, ...]:
    profiles = fits.profiles
    depth = fits.origin_depth + penetration_depth(
        fits.diffusivity * MM2_D_PER_M2_S, profiles.exposure
    )
    points = (profiles.present & (profiles.upper == profiles.lower)).any(axis=1)
    fitted_c0 = np.isnan(fits.layers.initial)
    notes = []
    for row in range(len(profiles.specimens)):
        texts = []
        if maximum_inside[row]:
            texts.append(
                f"maximum inside: layers before {fits.origin_depth[row]:g} mm left out, depths counted "
                "from there"
            )
        if points[row]:
            texts.append("readings at points, not averages of layers")
        if below_zero[row]:
            texts.append("fitted initial content was below 0 and is held at 0")
        elif fitted_c0[row]:
            texts.append(f"initial content fitted: {fits.initial[row]:.3g}")
        texts += _flag_notes(fits, row)
        if affected_depth is not None and depth[row] < affected_depth:
            texts.append(
                f"chloride reached {depth[row]:.3g} mm, within the affected depth: the skin's "
                "diffusivity"
            )
        notes.append("; ".join(texts))
    return tuple(notes)


def _flag_notes(fits: ProfileFits, row: int) -> list[str]:
    if not fits.flagged[row].any():
        return []
    faces = zip(fits.profiles.upper[row], fits.profiles.lower[row], fits.flagged[row], strict=True)
    layers = ", ".join(f"{a:g} to {b:g} mm" for a, b, flag in faces if flag)
    return [
        f"far off the fit, kept in it: {layers}; a robust fit gives "
        f"{fits.robust_diffusivity[row]:.3g} m2/s"
    ]
