"""What an update returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from stripwise.evidence.inspections.inspection_sets import InspectionSet
from stripwise.scenario.model import Scenario
from stripwise.studies.shown_results import Reported, as_dataset

__all__ = ["ProfileBands", "UpdateResult"]


@dataclass(frozen=True, slots=True)
class ProfileBands:
    """Contents of the cores of one face at one age beside what the model expects of a core.

    Attributes
    ----------
    strategy, age
        Face and exposure [yr].
    readings
        specimen, depth_from_mm, depth_to_mm, chloride, below.
    bands
        depth_mm, and the 2.5 %, 50 % and 97.5 % quantiles before and after: before_low, before_mid,
        before_high, after_low, after_mid, after_high [% by mass of binder].
    """

    strategy: str
    age: float
    readings: pd.DataFrame
    bands: pd.DataFrame


@dataclass(frozen=True, slots=True, repr=False)
class UpdateResult(Reported):
    """What inspections change.

    Attributes
    ----------
    case
        The scenario before the inspections.
    after
        The same with the posterior as its joint draws.
    sets
        The data, a set a file.
    posterior
        Equal-weight joint draws of the epistemic inputs, as `knowledge` takes them.
    curves
        Before and after by strategy and age, the columns of `updated`.
    strategies
        Before and after by strategy at the target life, the columns of `answers`.
    inputs
        What was learned of each epistemic input, the columns of `learned`.
    data
        Each set: what the answer would be without it, the columns of `inspections`.
    checks
        How surprising each kind of data is under the scenario, the columns of `surprise`.
    covers
        Spread of each file of cover readings beside the scenario's, the columns of `cover_spread`;
        None without one.
    profiles
        Contents of cores beside those expected.
    next_inspections
        What each design of a next inspection may be expected to tell; None unless asked for.
    age
        Age at the last inspection [yr]; 0 where none has an age.
    notes
        What the reader must know.
    run
        Effective draws, steps and checks of the method, for run.json.
    """

    case: Scenario
    after: Scenario
    sets: tuple[InspectionSet, ...]
    posterior: pd.DataFrame
    curves: pd.DataFrame
    strategies: pd.DataFrame
    inputs: pd.DataFrame
    data: pd.DataFrame
    checks: pd.DataFrame
    covers: pd.DataFrame | None
    profiles: tuple[ProfileBands, ...]
    next_inspections: pd.DataFrame | None
    age: float
    notes: tuple[str, ...]
    run: Mapping[str, Any]

    @property
    def title(self) -> str:
        """Title of the scenario."""
        return self.case.title

    @property
    def shown(self) -> pd.DataFrame:
        """The table for a notebook."""
        return self.strategies

    def to_xarray(self) -> Any:
        """Return the curves as an xarray Dataset over strategy and age_yr (extra `xarray`)."""
        return as_dataset(self.curves, ("strategy", "age_yr"))
