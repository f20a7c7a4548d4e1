"""Which strategies lose mass fastest in a drying test, and whether diffusivities agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from stripwise.errors import InputError
from stripwise.evidence.drying_rates import DryingResult, analyse_drying
from stripwise.evidence.tables.data_file import DataFile
from stripwise.evidence.tables.slips import drying_slips
from stripwise.studies.fit.comparisons import Comparison, compare_strategies
from stripwise.studies.fit.conditions import read_conditions, with_conditions
from stripwise.studies.shown_results import Reported
from stripwise.units.names import nearest_spelling, printable

__all__ = ["DryingStudy", "study_drying"]

RANK_SEED = 1
"""Seed of the draws behind the intervals of the ranks."""


@dataclass(frozen=True, slots=True, repr=False)
class DryingStudy(Reported):
    """A drying test with its ranks.

    Attributes
    ----------
    data_file
        The file that was read.
    result
        Initial rates [% per d] and losses [%] by specimen and strategy, with ranks.
    correlations
        Rank correlation with fitted diffusivities, a row each; None where none were given.
    warnings
        What to know before using the numbers.
    diffusivities
        The file of the diffusivities; None where none was given.
    comparisons
        The strategies compared by initial rate and by loss, where the specimens allow it.
    """

    data_file: DataFile
    result: DryingResult
    correlations: pd.DataFrame | None
    warnings: tuple[str, ...]
    diffusivities: DataFile | None = None
    comparisons: tuple[Comparison, ...] = ()

    @property
    def title(self) -> str:
        """Name of the data or of the scenario."""
        return self.data_file.name

    @property
    def shown(self) -> pd.DataFrame:
        """The table for a notebook."""
        return self.result.strategies


def study_drying(
    data_file: DataFile,
    *,
    age: float | None = None,
    diffusivities: DataFile | None = None,
    reference: str | None = None,
    margin: float | None = None,
) -> DryingStudy:
    """Analyse a drying test.

    Parameters
    ----------
    data_file
        A file of kind drying.
    age
        Age at which losses are compared [d]; unless given one that all tests reach.
    diffusivities
        A file of kind diffusivities, to correlate the ranks with.
    reference
        Strategy that the others are compared with.
    margin
        Difference between strategies that matters, as a share.

    Raises
    ------
    EvidenceError
        If the file cannot be used.
    InputError
        If `age` is beyond the test, or no specimen has the reference strategy.
    """
    data_file = with_conditions(data_file)
    known = (
        None
        if diffusivities is None
        else diffusivities.data.rename(columns={"diffusivity_m2_s": "diffusivity"})
    )
    result = analyse_drying(
        data_file, rng=np.random.default_rng(RANK_SEED), age=age, diffusivities=known
    )
    warnings = [*data_file.notes, *(diffusivities.notes if diffusivities else ())]
    warnings += [*drying_slips(data_file.data), *result.warnings]
    if known is not None and not result.correlations:
        warnings.append(
            "Fewer than three strategies or specimens have both a drying test and a diffusivity, "
            "so that there is no rank correlation."
        )
    comparisons = _compare(result, data_file, reference=reference, margin=margin)
    return DryingStudy(
        data_file=data_file,
        result=result,
        correlations=None if known is None else pd.DataFrame(result.correlations),
        warnings=tuple(warnings),
        diffusivities=diffusivities,
        comparisons=comparisons,
    )


def _compare(
    result: DryingResult, data_file: DataFile, *, reference: str | None, margin: float | None
) -> tuple[Comparison, ...]:
    names = list(dict.fromkeys(result.specimens["strategy"]))
    if reference is not None and reference not in names:
        listed = ", ".join(printable(name) for name in names)
        raise InputError(
            "--reference",
            f"= {printable(reference)} is no strategy of the file, which has {listed}"
            f"{nearest_spelling(reference, names)}",
        )
    found = []
    for column, quantity in (("rate_pct_d", "initial rate"), ("loss_pct", "loss at age")):
        usable = result.specimens.dropna(subset=[column])
        found.append(
            compare_strategies(
                usable[column],
                usable["strategy"].tolist(),
                quantity=quantity,
                reference=reference,
                conditions=read_conditions(data_file),
                margin=margin,
            )
        )
    return tuple(item for item in found if item is not None)
