"""Which diffusivities, penalty factors and skin ground chloride profiles show."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution, distribution, fixed
from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, ProfileFits
from stripwise.evidence.profiles.dropped_readings import DroppedReading, drop_readings
from stripwise.evidence.profiles.error_model import ErrorChoice
from stripwise.evidence.profiles.inner_maximum import MaximumChoice
from stripwise.evidence.profiles.layer_averages import penetration_depth
from stripwise.evidence.profiles.layered_fit import (
    LAYERED,
    SKIN_ONLY,
    LayeredFits,
    depth_sensitivity,
    fit_layered,
    with_skin_diffusivities,
)
from stripwise.evidence.profiles.penalty_factors import (
    ProfilePenaltyFactors,
    covariance_table,
    penalty_table,
    profile_penalty_factors,
    specimen_table,
)
from stripwise.evidence.profiles.profile_fit import fit_profiles
from stripwise.evidence.tables.data_file import DataFile
from stripwise.evidence.tables.profile_rows import build_profiles
from stripwise.scenario.model import Scenario
from stripwise.studies.fit.comparisons import Comparison, compare_strategies
from stripwise.studies.fit.conditions import read_conditions, with_conditions
from stripwise.studies.fit.fitted_inputs import profile_files
from stripwise.studies.fit.joint_table import written_draws
from stripwise.studies.fit.life_lost import LifeLost, lives_with
from stripwise.studies.fit.profile_tables import (
    layered_table,
    residual_table,
    strategy_table,
)
from stripwise.studies.shown_results import Reported

__all__ = ["ProfilesStudy", "study_profiles"]


@dataclass(frozen=True, slots=True, repr=False)
class ProfilesStudy(Reported):
    """Fitted chloride profiles and the penalty factors that they give.

    Attributes
    ----------
    data_file
        The file that was fitted.
    reference
        Strategy whose penalty is 1; None without one.
    affected_depth
        Depth that curing changed [mm]; None where it is not given.
    keep_first
        Whether the shallowest layer took part.
    readings_below_detection
        Number of readings that are limits of detection.
    fits
        Fits of all specimens with one diffusivity each.
    layered
        Fits of a skin on a core; None unless asked for.
    penalties
        Penalty factors; None without a reference.
    penalty_fits
        The fits behind the penalty factors: with the diffusivity of the skin where one shows.
    penetration_depth
        (g,) depth [mm] within which 95 % of the chloride's rise lies, at the fits.
    dropped
        Readings that were left out by hand.
    skin_depth
        Depth of the skin [mm] as an input of a scenario; None where no profile shows a skin.
    specimens, strategies, residuals
        Tables by specimen, strategy and layer.
    penalty_table, covariance_table, layered_table
        Tables of the parts above; None where there is no such part.
    scenario_files
        Files that a scenario reads, TOML by name; empty without a reference.
    comparison
        The strategies compared; None where too few specimens allow it.
    life_lost
        Lives of a scenario with the penalties; None without one.
    joint_draws
        Joint draws of the diffusivity and the penalties that the files of a scenario hold; None
        where there is no file of penalties.
    """

    data_file: DataFile
    reference: str | None
    affected_depth: float | None
    keep_first: bool
    readings_below_detection: int
    fits: ProfileFits
    layered: LayeredFits | None
    penalties: ProfilePenaltyFactors | None
    penalty_fits: ProfileFits
    penetration_depth: NDArray[np.float64]
    dropped: tuple[DroppedReading, ...]
    skin_depth: Distribution | None
    specimens: pd.DataFrame
    strategies: pd.DataFrame
    residuals: pd.DataFrame
    penalty_table: pd.DataFrame | None
    covariance_table: pd.DataFrame | None
    layered_table: pd.DataFrame | None
    scenario_files: Mapping[str, str]
    comparison: Comparison | None = None
    life_lost: LifeLost | None = None
    joint_draws: pd.DataFrame | None = None

    @property
    def title(self) -> str:
        """Name of the data or of the scenario."""
        return self.data_file.name

    @property
    def shown(self) -> pd.DataFrame:
        """The table for a notebook."""
        return self.strategies if self.penalty_table is None else self.penalty_table


def study_profiles(
    data_file: DataFile,
    *,
    reference: str | None = None,
    affected_depth: float | None = None,
    layered: bool = False,
    keep_first: bool = False,
    fit_initial: bool = False,
    fits: ProfileFits | None = None,
    maximum: MaximumChoice = "auto",
    error: ErrorChoice = "auto",
    robust: bool = False,
    drop: Sequence[DroppedReading] = (),
    accept: bool = False,
    margin: float | None = None,
    scenario: Scenario | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> ProfilesStudy:
    """Fit chloride profiles, and compare strategies with a reference.

    Parameters
    ----------
    data_file
        A file of kind profiles.
    reference
        Strategy whose penalty is 1; no penalties without it.
    affected_depth
        Depth that curing changed [mm].
    layered
        Whether a skin on a core is fitted too; of that depth, or of a fitted one.
    keep_first
        Whether the shallowest layer takes part.
    fit_initial
        Whether C0 is fitted even where it was measured.
    fits
        Fits of profiles from elsewhere than the rows of the file, with errors of their own.
    maximum
        Whether maxima inside are judged ("auto") or not ("off"), or the depth [mm] that all
        profiles count from.
    error
        How readings scatter, chosen by the data unless given.
    robust
        Whether profiles are fitted by Huber's loss.
    drop
        Readings to leave out.
    accept
        Whether penalties are written for a scenario even if an interval spans more than a factor of
        ten.
    margin
        Difference between strategies that matters, as a share.
    scenario
        Wall whose lives are computed with the penalties.

    Raises
    ------
    EvidenceError
        If the file holds rows or profiles that cannot be used.
    """
    if fits is None:
        data_file = with_conditions(data_file)
        fits = fit_profiles(
            drop_readings(build_profiles(data_file), drop),
            keep_first=keep_first,
            fit_initial=fit_initial,
            affected_depth=affected_depth,
            maximum=maximum,
            error=error,
            robust=robust,
        )
    skin = fit_layered(fits, depth=affected_depth) if layered else None
    penalties = None if reference is None else _penalty_factors(fits, skin, reference)
    files = (
        {}
        if penalties is None
        else profile_files(fits, penalties, source=data_file.path.name, accept=accept)
    )
    below = int(data_file.data["chloride_below"].sum()) if data_file.has("chloride_below") else 0
    return ProfilesStudy(
        data_file=data_file,
        reference=reference,
        affected_depth=affected_depth,
        keep_first=keep_first,
        readings_below_detection=below,
        fits=fits,
        layered=skin,
        penalties=penalties,
        penalty_fits=fits
        if skin is None or penalties is None
        else with_skin_diffusivities(fits, skin, reference=penalties.reference),
        penetration_depth=fits.origin_depth
        + penetration_depth(fits.diffusivity * MM2_D_PER_M2_S, fits.profiles.exposure),
        dropped=tuple(drop),
        skin_depth=None if skin is None else _skin_depth(skin),
        specimens=specimen_table(fits),
        strategies=strategy_table(fits, penalties),
        residuals=residual_table(fits),
        penalty_table=None if penalties is None else penalty_table(penalties),
        covariance_table=None if penalties is None else covariance_table(penalties),
        layered_table=None if skin is None else layered_table(fits, skin),
        scenario_files=files,
        joint_draws=written_draws(penalties, files),
        comparison=compare_strategies(
            fits.diffusivity,
            fits.profiles.strategies,
            quantity="diffusivity",
            reference=reference,
            conditions=read_conditions(data_file),
            margin=margin,
        ),
        life_lost=lives_with(penalties, scenario, source=data_file.name, progress=progress),
    )


def _penalty_factors(
    fits: ProfileFits, skin: LayeredFits | None, reference: str
) -> ProfilePenaltyFactors:
    """Compare the diffusivities of the skin where one shows, else those of the whole profile."""
    if skin is None or LAYERED not in skin.choice:
        return profile_penalty_factors(fits, reference)
    return profile_penalty_factors(
        with_skin_diffusivities(fits, skin, reference=reference),
        reference,
        shared_error=depth_sensitivity(fits, skin, reference=reference),
    )


def _skin_depth(skin: LayeredFits) -> Distribution | None:
    """Return the lognormal of the median and the log sd of the depth [mm]; None without a skin."""
    if not {LAYERED, SKIN_ONLY} & set(skin.choice):
        return None
    depth, sd = skin.depth.value, skin.depth.log_sd
    if sd == 0.0:
        return fixed(depth)
    return distribution(
        "lognormal",
        mean=depth * float(np.exp(0.5 * sd**2)),
        sd=depth * float(np.exp(0.5 * sd**2) * np.sqrt(np.expm1(sd**2))),
    )
