"""At which equivalent ages the pours of a strip log lost their forms."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.curing.maturity import MaturityFunction
from stripwise.distributions.distribution import Distribution
from stripwise.evidence.statistics.family_fit import (
    FittedFamily,
    fitted_distribution,
    with_goodness_of_fit,
)
from stripwise.evidence.strip_ages import AGE_COLUMNS, StripLog, analyse_strip_log
from stripwise.evidence.tables.data_file import DataFile
from stripwise.evidence.tables.timestamps import Zone
from stripwise.scenario.model import Scenario
from stripwise.studies.fit.assessed_pours import AssessedPours, assess_pours
from stripwise.studies.shown_results import Reported

__all__ = ["StripLogStudy", "study_strip_log"]

GOODNESS_OF_FIT_SEED = 1


@dataclass(frozen=True, slots=True, repr=False)
class StripLogStudy(Reported):
    """The strip ages of a log and their distribution.

    Attributes
    ----------
    data_file
        The file that was read.
    log
        The ages by pour.
    ages
        (n,) equivalent ages at stripping [h] by the function that judges the pours.
    fits
        Families fitted to `ages`, best first, with goodness of fit; empty where all ages are equal.
    families
        The fits as a table.
    chosen
        Name of the family for the scenario; "fixed" without a fit.
    strip_age
        Equivalent age for a scenario [h].
    clock_strip_age
        Age by the clock for a scenario [h].
    mean_temperature
        Mean concrete temperature, weighted by the time in the forms [degC].
    missed
        Names of the pours that miss the specified age.
    assessed
        The pours as walls of their own; None without a scenario.
    """

    data_file: DataFile
    log: StripLog
    ages: NDArray[np.float64]
    fits: tuple[FittedFamily, ...]
    families: pd.DataFrame
    chosen: str
    strip_age: Distribution
    clock_strip_age: Distribution
    mean_temperature: float
    missed: tuple[str, ...]
    assessed: AssessedPours | None = None

    @property
    def title(self) -> str:
        """Name of the data or of the scenario."""
        return self.data_file.name

    @property
    def shown(self) -> pd.DataFrame:
        """The table for a notebook."""
        return self.log.pours


def study_strip_log(
    data_file: DataFile,
    *,
    zone: Zone | None = None,
    loggers: Path | None = None,
    specified: float | None = None,
    maturity: MaturityFunction = "arrhenius",
    reference_temperature: float | None = None,
    activation_temperature: float | None = None,
    datum_temperature: float | None = None,
    scenario: Scenario | None = None,
    skip_bad: bool | None = None,
) -> StripLogStudy:
    """Work out the equivalent age of every pour at stripping, and fit its distribution.

    Parameters
    ----------
    data_file
        A file of kind strip-log.
    zone
        Zone of times without an offset.
    loggers
        Folder of temperature files.
    specified
        Specified equivalent age at stripping [h].
    maturity
        Function by which pours are judged.
    reference_temperature
        Temperature at which an hour counts as an hour [degC]; 20 unless given.
    activation_temperature, datum_temperature
        Q of the Arrhenius function [K] and T0 of the Nurse-Saul function [degC]; 5000 K and 0 degC
        unless given.
    scenario
        Scenario by which every pour is assessed; its maturity function and constants must be those of the log.
    skip_bad
        Whether readings of loggers that cannot be used are left out.

    Raises
    ------
    EvidenceError
        If a file cannot be used.
    InputError
        If `loggers` is no folder.
    """
    log = analyse_strip_log(
        data_file,
        zone=zone,
        loggers=loggers,
        function=maturity,
        reference_c=reference_temperature,
        activation_temperature=activation_temperature,
        datum_c=datum_temperature,
        specified=specified,
        skip_bad=skip_bad,
    )
    rng = np.random.default_rng(GOODNESS_OF_FIT_SEED)
    ages = log.pours[AGE_COLUMNS[log.function]].to_numpy(dtype=float)
    clock = log.pours["clock_h"].to_numpy(dtype=float)
    fits = with_goodness_of_fit(log.distributions[log.function], ages, rng=rng)
    clock_fits = log.distributions["clock"]
    return StripLogStudy(
        data_file=data_file,
        log=log,
        ages=ages,
        fits=fits,
        families=pd.DataFrame([dataclasses.asdict(fit) for fit in fits]),
        chosen=fits[0].family if fits else "fixed",
        strip_age=fitted_distribution(fits[0] if fits else None, ages),
        clock_strip_age=fitted_distribution(clock_fits[0] if clock_fits else None, clock),
        mean_temperature=float(np.average(log.pours["temperature_mean_degC"], weights=clock)),
        missed=tuple(log.pours.loc[log.pours["misses"] == "yes", "pour"]),
        assessed=None if scenario is None else assess_pours(log, scenario),
    )
