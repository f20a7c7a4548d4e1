"""How far readings of chloride scatter about the fits of a file, by their content.

Axes: g specimens, k layers (padded).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.evidence.profiles.least_squares import Layers, Solution, solve

__all__ = [
    "CONTENT_FLOOR",
    "ERROR_CHOICES",
    "ErrorChoice",
    "ErrorModel",
    "WeightedFit",
    "degrees_of_freedom",
    "far_readings",
    "fit_error_model",
    "fit_with_error",
    "huber_scale",
]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

ErrorChoice = Literal["auto", "constant", "proportional"]
ERROR_CHOICES: tuple[ErrorChoice, ...] = get_args(ErrorChoice)

CONTENT_FLOOR = 0.01
"""Share of a specimen's largest content below which a proportional error falls no further."""

CONSTANT_PARTS = (0.02, 0.04, 0.08, 0.16, 0.32)
"""Constant parts of a mixed error that are tried: contents over the largest one of the file."""

MIN_GAIN = 2.0
"""How far the criterion of a mixed error must lie below those of the two simple ones."""

FAR = 4.0
"""Robust standard deviations beyond which a reading has no say in the kind of the error."""

MAX_REWEIGHTINGS = 20
COARSE, FINE = 1e-3, 1e-7
"""Relative change of the fit at which reweighting ends, while kinds are compared and at last."""

HUBER_CONSTANT = 1.345
"""Huber's constant: 95 % efficiency on normal errors (Huber 1981, recalled)."""

ROUNDING = 1e-9
"""Residuals below this share of the largest content are those of the arithmetic."""

MEAN_CLIPPED_SQUARE = 0.7101645
"""Mean of min(z^2, 1.345^2) over a standard normal z."""

MEAN_CLIPPED_SLOPE = 0.8213748
"""Share of a standard normal within 1.345."""


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """Standard deviation of a reading: scale times sqrt(constant^2 + (proportional content)^2).

    Attributes
    ----------
    kind
        "constant", "proportional", or "mixed": both parts, as of Rocke and Lorenzato.
    constant
        Constant part, 1 if it is the only one.
    proportional
        1 over the largest content of the file, or 0 for a constant error.
    scale
        Factor of both, from all specimens of the file, in the unit of the contents; NaN where no
        degree of freedom is left.
    degrees_of_freedom
        Behind the scale.
    criterion
        Criterion of each kind that was compared; empty where the kind was given.

    References
    ----------
    Rocke and Lorenzato, Technometrics 37, 1995 (recalled), for an error of two parts.
    """

    kind: str
    constant: float
    proportional: float
    scale: float
    degrees_of_freedom: int
    criterion: tuple[tuple[str, float], ...] = ()

    def relative_variance(self, content: ArrayLike, *, floor: ArrayLike = 0.0) -> Array:
        """Return the variance of a reading of some content, any shape, for a scale of 1.

        `floor` is the least content that counts for the proportional part.
        """
        mu = np.maximum(np.asarray(content, dtype=float), floor)
        return np.asarray(self.constant**2 + (self.proportional * mu) ** 2)

    def sd(self, content: ArrayLike) -> Array:
        """Return the standard deviation of a reading of some content, any shape."""
        return np.asarray(self.scale * np.sqrt(self.relative_variance(content)))


@dataclass(frozen=True, slots=True)
class WeightedFit:
    """A fit with the weights of an error model.

    Attributes
    ----------
    layers
        Layers with those weights; by a robust fit with pseudo-values instead of far readings.
    solution
        The fit.
    error
        The error model.
    """

    layers: Layers
    solution: Solution
    error: ErrorModel


def fit_error_model(
    layers: Layers,
    *,
    choice: ErrorChoice = "auto",
    robust: bool = False,
    start: Array | None = None,
) -> WeightedFit:
    """Fit all specimens by weighted least squares, and choose the error model behind the weights.

    Weights follow the fitted contents, not the readings, so that a low reading does not weigh more.

    Parameters
    ----------
    layers
        Layers of weight 0 stay out; all other weights are replaced.
    choice
        The kind, or "auto" for that of the lowest criterion.
    robust
        Whether far readings are pulled in by Huber's loss.
    start
        (g, 3) values to begin from.

    Notes
    -----
    The criterion is -2 ln L + 2 q of the restricted likelihood,
    -2 ln L = sum ln v + f ln(S/f) + sum ln det(J'WJ), q the parameters of the variance, v the
    relative variances, S the weighted squares and f the degrees of freedom. A mixed error must
    gain more than 2. Kinds are compared without readings that lie 4 robust sds off by both simple ones.

    References
    ----------
    Carroll and Ruppert, Transformation and Weighting in Regression, 1988 (recalled).
    """
    share = 1.0 / float((layers.content * (layers.weight > 0)).max())
    simple = {
        "constant": ErrorModel("constant", 1.0, 0.0, np.nan, 0),
        "proportional": ErrorModel("proportional", 0.0, share, np.nan, 0),
    }
    if choice != "auto":
        return fit_with_error(layers, simple[choice], robust=robust, start=start)
    far = np.ones_like(layers.weight, dtype=bool)
    for model in simple.values():
        fit = _reweighted(layers, model, robust=True, start=start, tolerance=COARSE)
        far &= far_readings(fit, layers.content, limit=FAR)
        start = fit.solution.values
    far &= degrees_of_freedom(layers)[:, None] > far.sum(axis=1, keepdims=True)
    sound = replace(layers, weight=np.where(far, 0.0, layers.weight))
    fits = [
        _reweighted(sound, model, robust=False, start=start, tolerance=COARSE)
        for model in simple.values()
    ]
    criteria = {fit.error.kind: _criterion(fit, parameters=1) for fit in fits}
    best = min(fits, key=lambda fit: criteria[fit.error.kind])
    mixed, mixed_criterion = _best_mixed(sound, share, start=start)
    criteria[mixed.kind] = mixed_criterion
    model = mixed if mixed_criterion < criteria[best.error.kind] - MIN_GAIN else best.error
    chosen = fit_with_error(layers, model, robust=robust, start=best.solution.values)
    return replace(chosen, error=replace(chosen.error, criterion=tuple(criteria.items())))


def fit_with_error(
    layers: Layers, error: ErrorModel, *, robust: bool = False, start: Array | None = None
) -> WeightedFit:
    """Fit all specimens with an error of a known kind, whose scale is estimated anew."""
    return _reweighted(layers, error, robust=robust, start=start, tolerance=FINE)


def _best_mixed(layers: Layers, share: float, *, start: Array | None) -> tuple[ErrorModel, float]:
    """Try the constant parts from the smallest on, until the criterion rises."""
    best, least = ErrorModel("mixed", CONSTANT_PARTS[0], share, np.nan, 0), np.inf
    for constant in CONSTANT_PARTS:
        model = ErrorModel("mixed", constant, share, np.nan, 0)
        fit = _reweighted(layers, model, robust=False, start=start, tolerance=COARSE)
        criterion = _criterion(fit, parameters=2)
        if criterion >= least:
            break
        best, least, start = fit.error, criterion, fit.solution.values
    return best, least


def degrees_of_freedom(layers: Layers) -> NDArray[np.intp]:
    """Return the degrees of freedom that each specimen leaves, (g,)."""
    return np.asarray((layers.weight > 0).sum(axis=1) - 2 - np.isnan(layers.initial))


def huber_scale(squares: Array, degrees: int, *, number: int) -> float:
    """Return the scale of residuals by Huber's second proposal.

    Parameters
    ----------
    squares
        Squares of standardised residuals, any shape; 0 where there is none.
    degrees
        Degrees of freedom behind them.
    number
        Number of residuals.

    References
    ----------
    Huber, Robust Statistics, 1981, 6.7 and 7.7 (recalled).
    """
    variance = float(squares.sum()) / degrees
    for _ in range(60):
        limit = HUBER_CONSTANT**2 * variance * degrees / number  # variance of a residual
        new = float(np.minimum(squares, limit).sum()) / (degrees * MEAN_CLIPPED_SQUARE)
        if abs(new - variance) <= 1e-9 * variance:
            break
        variance = new
    return float(np.sqrt(variance))


def _reweighted(
    layers: Layers, model: ErrorModel, *, robust: bool, start: Array | None, tolerance: float
) -> WeightedFit:
    """Fit, and take the weights anew from the fit, until it stays."""
    used = layers.weight > 0
    largest = (layers.content * used).max(axis=1, keepdims=True)
    base = used.astype(float)
    solution = solve(replace(layers, weight=base), start=start)
    for _ in range(MAX_REWEIGHTINGS if robust or model.proportional else 0):
        base = used / model.relative_variance(solution.fitted, floor=CONTENT_FLOOR * largest)
        squares = base * (layers.content - solution.fitted) ** 2
        weight = base * _huber_weights(layers, squares, solution) if robust else base
        before = solution.fitted
        solution = solve(
            replace(layers, weight=weight), start=solution.values, tolerance=0.1 * tolerance
        )
        if (np.abs(solution.fitted - before) * used <= tolerance * largest).all():
            break
    if not robust and not model.proportional:
        base = used / model.relative_variance(solution.fitted)
    layers = replace(layers, weight=base)
    if robust:
        layers = _with_pseudo_values(layers, solution)
    counted = solution.converged
    degrees = int(np.maximum(degrees_of_freedom(layers), 0)[counted].sum())
    squares = (base * (layers.content - solution.fitted) ** 2)[counted]
    scale = float(np.sqrt(squares.sum() / degrees)) if degrees else np.nan
    return WeightedFit(layers, solution, replace(model, scale=scale, degrees_of_freedom=degrees))


def _huber_weights(layers: Layers, squares: Array, solution: Solution) -> Array:
    limit = HUBER_CONSTANT * _pooled_huber_scale(layers, squares, solution)
    return np.minimum(1.0, limit / np.sqrt(np.maximum(squares, 1e-300)))


def _pooled_huber_scale(layers: Layers, squares: Array, solution: Solution) -> float:
    counted = solution.converged
    degrees = int(np.maximum(degrees_of_freedom(layers), 0)[counted].sum())
    number = int((layers.weight[counted] > 0).sum())
    return huber_scale(squares[counted], degrees, number=number) if degrees else np.inf


def far_readings(fit: WeightedFit, content: Array, *, limit: float) -> BoolArray:
    """Whether readings (g, k) lie further off a robust fit than `limit` robust sds."""
    weight = fit.layers.weight
    squares = weight * (content - fit.solution.fitted) ** 2
    scale = _pooled_huber_scale(fit.layers, squares, fit.solution)
    floor = ROUNDING * np.where(weight > 0, content, 0.0).max()
    return np.asarray((weight > 0) & (squares > np.maximum(limit * scale, floor) ** 2))


def _with_pseudo_values(layers: Layers, solution: Solution) -> Layers:
    """Put values in the place of readings whose least-squares fit is that by Huber's loss.

    They are the fit plus psi(residual) / mean psi', so that the usual errors hold for large
    samples (Huber, Robust Statistics, 1981, 7.10, recalled).
    """
    used = layers.weight > 0
    residual = layers.content - solution.fitted
    squares = layers.weight * residual**2
    limit = HUBER_CONSTANT * _pooled_huber_scale(layers, squares, solution)
    with np.errstate(divide="ignore"):
        bound = np.where(used, limit / np.sqrt(layers.weight), 0.0)
    within = used & (np.abs(residual) <= bound)
    slope = within.sum() / used.sum()
    clipped = np.clip(residual, -bound, bound) / slope
    return replace(layers, content=np.where(used, solution.fitted + clipped, layers.content))


def _criterion(fit: WeightedFit, *, parameters: int) -> float:
    counted = fit.solution.converged
    weight = fit.layers.weight[counted]
    used = weight > 0
    degrees = fit.error.degrees_of_freedom
    if degrees == 0:
        return np.inf
    squares = float((weight * (fit.layers.content - fit.solution.fitted)[counted] ** 2).sum())
    floor = 1e-18 * float((weight * fit.layers.content[counted] ** 2).sum())
    jacobian = fit.solution.jacobian[counted]
    normal = np.einsum("gkp,gk,gkq->gpq", jacobian, weight, jacobian)
    fixed = ~jacobian[..., 2].any(axis=1)
    normal[fixed, 2, 2] = 1.0
    return float(
        -np.log(weight[used]).sum()
        + degrees * np.log((squares + floor) / degrees)
        + np.linalg.slogdet(normal)[1].sum()
        + 2.0 * parameters
    )
