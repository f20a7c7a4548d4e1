"""Which surface content and apparent diffusivity fit the ground chloride profiles.

Axes: g specimens, k layers (padded).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import EvidenceError
from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, ProfileFits, Profiles
from stripwise.evidence.profiles.error_model import (
    ErrorChoice,
    WeightedFit,
    degrees_of_freedom,
    far_readings,
    fit_error_model,
    fit_with_error,
)
from stripwise.evidence.profiles.inner_maximum import (
    MaximumChoice,
    counted_from,
    layers_from,
    search_inner_maxima,
    smallest_rise_found,
)
from stripwise.evidence.profiles.layer_averages import penetration_depth
from stripwise.evidence.profiles.least_squares import Layers, Solution, parameter_covariance, solve
from stripwise.evidence.profiles.profile_intervals import profile_intervals, specimen_scales

__all__ = ["fit_profiles"]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MIN_LAYERS = 3

DEPTH_SLACK = 1e-6
"""Depth [mm] by which a layer may begin before the depth that profiles count from."""

OUTLIER_LIMIT = 4.0
"""Residuals beyond this many robust standard deviations are flagged."""

MAX_PROBLEMS = 20
"""Problems that are written out; the rest are counted."""


def fit_profiles(
    profiles: Profiles,
    *,
    keep_first: bool = False,
    fit_initial: bool = False,
    affected_depth: float | None = None,
    maximum: MaximumChoice = "auto",
    error: ErrorChoice = "auto",
    robust: bool = False,
) -> ProfileFits:
    """Fit Cs and D_a of every specimen by least squares on the layer averages.

    The shallowest layer is left out. Where the readings show a maximum inside, the layers before
    it are left out too and depths count from the maximum's layer. C0 is the measured one, or
    fitted where there is none. Readings are weighed by the error that all specimens of the file
    show.

    Parameters
    ----------
    keep_first
        Whether the shallowest layer takes part.
    fit_initial
        Whether C0 is fitted even where it was measured.
    affected_depth
        Depth that curing changed [mm], for the note whether the profile measured it alone.
    maximum
        "auto" judges maxima inside, "off" takes none; a depth [mm] is where all profiles count
        from.
    error
        How readings scatter: "constant", in proportion to the content, or chosen by the data.
    robust
        Whether the fit is that by Huber's loss instead of least squares.

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
    used = profiles.kept.copy()
    if not keep_first:
        used[:, 0] = False
    least = MIN_LAYERS + np.isnan(initial)
    layers = Layers(
        upper=np.where(profiles.present, profiles.upper, 0.0),
        lower=np.where(profiles.present, profiles.lower, 1.0),
        content=np.where(profiles.present, profiles.content, 0.0),
        weight=used.astype(float),
        time=profiles.exposure,
        initial=initial,
    )
    first = used.argmax(axis=1)
    peak, origin, rise = first, np.zeros(len(first)), np.nan
    if isinstance(maximum, float):
        origin[:] = maximum
        below = used & (profiles.upper >= maximum - DEPTH_SLACK)
        layers = counted_from(replace(layers, weight=below.astype(float)), origin)
    elif maximum == "auto":
        _check_profiles(profiles, used, initial)
        peak, judged_by = search_inner_maxima(layers, choice=error, least=least)
        behind, origin = layers_from(layers, peak, first=first)
        _check_profiles(profiles, behind.weight > 0, initial)
        rise = smallest_rise_found(layers, behind, judged_by)
        layers = behind
    _check_profiles(profiles, layers.weight > 0, initial)
    plain = solve(layers)
    _check_convergence(profiles, plain)
    fit = fit_error_model(layers, choice=error, robust=robust, start=plain.values)
    below_zero = np.isnan(initial) & (fit.solution.values[:, 2] < 0.0)
    if below_zero.any():
        layers = replace(layers, initial=np.where(below_zero, 0.0, initial))
        fit = fit_with_error(layers, fit.error, robust=robust)
    _check_convergence(profiles, fit.solution)
    other = (
        fit if robust else fit_with_error(layers, fit.error, robust=True, start=fit.solution.values)
    )
    flagged = far_readings(other, layers.content, limit=OUTLIER_LIMIT)
    fits = replace(
        _summary(profiles, fit, origin_depth=origin),
        robust=robust,
        flagged=flagged,
        robust_diffusivity=np.exp(other.solution.values[:, 0]) / MM2_D_PER_M2_S,
        smallest_rise=float(rise),
    )
    notes = _notes(
        fits,
        below_zero=below_zero,
        maximum_inside=peak > first,
        affected_depth=affected_depth,
    )
    return replace(fits, notes=notes)


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


def _summary(profiles: Profiles, fit: WeightedFit, *, origin_depth: Array) -> ProfileFits:
    layers, solution = fit.layers, fit.solution
    count = (layers.weight > 0).sum(axis=1)
    own_degrees = degrees_of_freedom(layers)
    squares = ((layers.weight > 0) * (layers.content - solution.fitted) ** 2).sum(axis=1)
    variance = np.divide(
        squares, own_degrees, out=np.full(len(count), np.nan), where=own_degrees > 0
    )
    scales = specimen_scales(fit)
    inverse = parameter_covariance(solution, layers.weight)
    covariance = scales.scale[:, None, None] ** 2 * inverse
    sd = np.sqrt(np.maximum(np.einsum("gpp->gp", covariance), 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = inverse[:, 0, 1] / np.sqrt(inverse[:, 0, 0] * inverse[:, 1, 1])
    diffusivity = np.exp(solution.values[:, 0]) / MM2_D_PER_M2_S
    return ProfileFits(
        profiles=profiles,
        layers=layers,
        solution=solution,
        error=fit.error,
        scales=scales,
        intervals=profile_intervals(fit, scales),
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
        robust=False,
        flagged=np.zeros_like(profiles.present),
        robust_diffusivity=diffusivity,
        smallest_rise=np.nan,
        fitted=solution.fitted,
        notes=(),
    )


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
        elif fits.origin_depth[row] > 0.0:
            texts.append(f"depths counted from {fits.origin_depth[row]:g} mm, as asked for")
        if points[row]:
            texts.append("readings at points, not averages of layers")
        if below_zero[row]:
            texts.append("fitted initial content was below 0 and is held at 0")
        elif fitted_c0[row]:
            texts.append(f"initial content fitted: {fits.initial[row]:.3g}")
        if fits.scales.own[row]:
            texts.append(
                "scatters more than the others (F test at 1 %): intervals by its own scatter"
            )
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
    if fits.robust:
        return [f"far off the fit, pulled in by the robust fit: {layers}"]
    return [
        f"far off the fit, kept in it: {layers}; a robust fit gives "
        f"{fits.robust_diffusivity[row]:.3g} m2/s"
    ]
