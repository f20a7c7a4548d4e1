"""Which migration coefficients and penalty factors migration tests show."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stripwise.evidence.profiles.penalty_factors import (
    PenaltyFactors,
    covariance_table,
    diffusivity_table,
    penalty_factors,
    penalty_table,
)
from stripwise.evidence.tables.data_file import DataFile
from stripwise.evidence.tables.migration_rows import MigrationTests, build_migration_tests
from stripwise.scenario.model import Scenario
from stripwise.studies.fit.comparisons import Comparison, compare_strategies
from stripwise.studies.fit.conditions import read_conditions, with_conditions
from stripwise.studies.fit.fitted_inputs import diffusivity_toml, penalty_files
from stripwise.studies.fit.joint_table import written_draws
from stripwise.studies.fit.life_lost import LifeLost, lives_with
from stripwise.studies.shown_results import Reported
from stripwise.units.formatting import interval
from stripwise.units.names import ZERO_WIDTH_JOINER

__all__ = ["MigrationStudy", "study_migration"]


@dataclass(frozen=True, slots=True, repr=False)
class MigrationStudy(Reported):
    """Migration tests, their coefficients and the penalty factors that they give.

    Attributes
    ----------
    data_file
        The file that was read.
    reference
        Strategy whose penalty is 1; None without one.
    tests
        The coefficients by specimen.
    penalties
        Coefficients pooled by strategy, and penalty factors; without a reference the factors are
        those against the first strategy and mean nothing.
    specimens, strategies
        Tables by specimen and strategy.
    penalty_table, covariance_table
        Penalty factors with intervals, and their covariance; None without a reference.
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
    tests: MigrationTests
    penalties: PenaltyFactors
    specimens: pd.DataFrame
    strategies: pd.DataFrame
    penalty_table: pd.DataFrame | None
    covariance_table: pd.DataFrame | None
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


def study_migration(
    data_file: DataFile,
    *,
    reference: str | None = None,
    accept: bool = False,
    margin: float | None = None,
    scenario: Scenario | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> MigrationStudy:
    """Turn migration tests into coefficients, and compare strategies with a reference.

    Parameters
    ----------
    data_file
        A file of kind migration.
    reference
        Strategy whose penalty is 1; the only one where there is one, else none.
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
        If the file holds rows that cannot be used.
    """
    data_file = with_conditions(data_file)
    tests = build_migration_tests(data_file)
    names = tuple(dict.fromkeys(tests.strategies))
    known = reference if reference is not None or len(names) > 1 else names[0]
    penalties = penalty_factors(
        np.log(tests.coefficient),
        tests.log_variance,
        strategies=tests.strategies,
        reference=names[0] if known is None else known,
        file=data_file.name,
    )
    files: dict[str, str] = {}
    if known is not None:
        source = data_file.path.name
        description = f"migration tests of {source}{_age_text(tests)}, reference "
        description += penalties.reference.replace(ZERO_WIDTH_JOINER, "")
        files = penalty_files(penalties, source=source, description=description, accept=accept)
        files["diffusivity.toml"] = diffusivity_toml(
            penalties, "Migration coefficient of the reference strategy", source=description
        )
    return MigrationStudy(
        data_file=data_file,
        reference=known,
        tests=tests,
        penalties=penalties,
        specimens=_specimen_table(tests),
        strategies=diffusivity_table(penalties),
        penalty_table=None if known is None else penalty_table(penalties),
        covariance_table=None if known is None else covariance_table(penalties),
        scenario_files=files,
        joint_draws=written_draws(penalties, files),
        comparison=compare_strategies(
            tests.coefficient,
            tests.strategies,
            quantity="migration coefficient",
            reference=reference,
            conditions=read_conditions(data_file),
            margin=margin,
        ),
        life_lost=lives_with(
            None if known is None else penalties,
            scenario,
            source=data_file.name,
            progress=progress,
        ),
    )


def _age_text(tests: MigrationTests) -> str:
    ages = np.unique(tests.age[np.isfinite(tests.age)])
    if ages.size == 0:
        return ""
    span = interval(float(ages[0]), float(ages[-1]))
    return f" at an age of {span} d"


def _specimen_table(tests: MigrationTests) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "specimen": tests.specimens,
            "strategy": tests.strategies,
            "diffusivity_m2_s": tests.coefficient,
            "diffusivity_se": tests.coefficient * np.sqrt(tests.log_variance),
            "penetration_mm": tests.penetration,
            "readings": tests.readings,
        }
    )
    return pd.concat([table, tests.settings], axis=1)
