"""Joint draws of what a fit leaves open: the diffusivity of the reference and the penalties.

Both hold the error of the reference's mean, which distributions of their own would draw twice.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import linalg

from stripwise.distributions.distribution import distribution
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S
from stripwise.evidence.profiles.penalty_factors import NORMAL_975, PenaltyFactors
from stripwise.scenario.sections.knowledge import column_head
from stripwise.studies.fit.fitted_inputs import diffusivity_spread, has_joint_draws

__all__ = ["joint_draws", "written_draws"]

Array = NDArray[np.float64]

COUNT, SEED, DIGITS = 16_384, 1, 6
LOG_MM2_YR_PER_M2_S = float(np.log(MM2_D_PER_M2_S * 365.25))


def joint_draws(penalties: PenaltyFactors) -> pd.DataFrame | None:
    """Draw them together, a column each under the head that a scenario's `knowledge` reads.

    None where there is no penalty, or the mean of the reference has no error.

    Notes
    -----
    With e the errors of the means of ln D, ln D_ref has e_r and ln k_c of strategy i has e_i - e_r:
    their covariance is -var(e_r). All are normal, each sd widened by t over the normal quantile, so
    that every marginal is that of diffusivity.toml and penalties.toml.
    """
    if not has_joint_draws(penalties):
        return None
    pooled, ratios = penalties.log_diffusivity, penalties.log_ratios
    reference = penalties.strategies.index(penalties.reference)
    others = [k for k, name in enumerate(penalties.strategies) if name != penalties.reference]
    covariance = np.full((len(others) + 1,) * 2, -pooled.variance[reference])
    covariance[0, 0] = pooled.variance[reference]
    covariance[1:, 1:] = ratios.covariance[np.ix_(others, others)]
    values, vectors = linalg.eigh(covariance * (pooled.t_quantile / NORMAL_975) ** 2)
    z = sobol_blocks(len(values), COUNT, random_stream(SEED, stage="samples"))
    errors = vectors @ (np.sqrt(np.maximum(values, 0.0))[:, None] * np.concatenate([*z], axis=1))
    head, drawn = _diffusivity(penalties, reference, errors[0])
    columns = {head: drawn}
    for k, error in zip(others, errors[1:], strict=True):
        columns[f"strategy.{penalties.strategies[k]}.penalty"] = np.exp(ratios.log_mean[k] + error)
    return pd.DataFrame({name: _rounded(column) for name, column in columns.items()})


def written_draws(
    penalties: PenaltyFactors | None, files: Mapping[str, str]
) -> pd.DataFrame | None:
    """Return the joint draws that belong to the files of a scenario; None without penalties there."""
    return joint_draws(penalties) if penalties is not None and "penalties.toml" in files else None


def _diffusivity(penalties: PenaltyFactors, reference: int, error: Array) -> tuple[str, Array]:
    """Return head and draws of the diffusivity that diffusivity.toml holds: a score, or its value."""
    between, own = diffusivity_spread(penalties)
    item = Input(
        "concrete.diffusivity",
        "",
        distribution("lognormal", mean=1.0, sd=float(np.sqrt(np.expm1(between + own)))),
        "mm2/yr",
        "concrete",
        between_walls=own / (between + own),
    )
    if item.epistemic_share < 1.0:
        return column_head(item), error / np.sqrt(own)
    log_mean = penalties.log_diffusivity.mean[reference] + LOG_MM2_YR_PER_M2_S
    return column_head(item), np.exp(log_mean + error)


def _rounded(values: Array) -> Array:
    """Round to the digits of an input file, so that the file stays small."""
    scale = 10.0 ** (DIGITS - 1 - np.floor(np.log10(np.maximum(np.abs(values), 1e-300))))
    return np.asarray(np.round(values * scale) / scale)
