"""Probabilistic service life of concrete walls whose forms are stripped early.

    case = stripwise.load("wall.toml")                  or stripwise.case({...}), the same as a dict
    other = case.replace({"reinforcement.cover.nominal": "50 mm"})
    result = stripwise.assess(case)                     curves, strategies, sensitivity, verdict
    stripwise.sweep(case, {"reinforcement.cover.nominal": ["40 mm", "50 mm"]})
    stripwise.samples(case, "Forms 24 h", n=4096)       every input, penalty, front, age
    stripwise.epistemic_draws(case)                     for case.replace({"knowledge": draws})
    stripwise.design(case)    target(case)    rank(case)    plan_tests(case)
    stripwise.stripped_early(case, after="14 h", at="6 degC")
    stripwise.rank_table({"a": case, "b": other})       indices over scenarios, strategies, ages
    stripwise.own_indices(stripwise.rank_sample(case), function_of_the_table)
    stripwise.fit_profiles(table)   fit_face_maps   fit_migration   fit_cover   fit_strip_log   fit_drying
    stripwise.update(case, [table, ...])                inspections: the answer before and after
    stripwise.inventory(case, table)                    a table with a row per face
    result.write(folder)    result.to_xarray()          the command's report; curves as arrays
    stripwise.plot.curves(result, ax=None)              every figure of the reports, on your axes

Tables are DataFrames. A strip age is never a permission to strip: strength, stability and frost
decide first.

>>> import stripwise
>>> callable(stripwise.load) and "assess" in dir(stripwise)
True
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stripwise.api.public_names import import_public_name
from stripwise.errors import (
    EvidenceError,
    InputError,
    NumericalError,
    OutputError,
    ScenarioError,
    StripwiseError,
)

if TYPE_CHECKING:
    from stripwise.api import plot
    from stripwise.api.cases import as_toml, case, replace
    from stripwise.api.fits import (
        fit_cover,
        fit_drying,
        fit_face_maps,
        fit_migration,
        fit_profiles,
        fit_strip_log,
    )
    from stripwise.api.own_inputs import empirical
    from stripwise.report.write import write, write_design
    from stripwise.risk.model.own_front import FrontModel
    from stripwise.scenario.loading import load
    from stripwise.scenario.model import Scenario
    from stripwise.studies.design.design_result import DesignResult
    from stripwise.studies.design.design_study import design
    from stripwise.studies.epistemic_draws import epistemic_draws
    from stripwise.studies.fit.planned_tests import plan_tests
    from stripwise.studies.inventory.inventory_study import InventoryResult, inventory
    from stripwise.studies.rank.rank_study import Ranking, rank
    from stripwise.studies.rank.research_tables import own_indices, rank_sample, rank_table
    from stripwise.studies.results import Assessment
    from stripwise.studies.run import assess
    from stripwise.studies.stripped import SiteAnswer, stripped_early
    from stripwise.studies.sweep import sweep
    from stripwise.studies.target_study import TargetResult, target
    from stripwise.studies.update.update_result import UpdateResult
    from stripwise.studies.update.update_study import update
    from stripwise.studies.wall_samples import samples

__all__ = [
    "Assessment",
    "DesignResult",
    "EvidenceError",
    "FrontModel",
    "InputError",
    "InventoryResult",
    "NumericalError",
    "OutputError",
    "Ranking",
    "Scenario",
    "ScenarioError",
    "SiteAnswer",
    "StripwiseError",
    "TargetResult",
    "UpdateResult",
    "as_toml",
    "assess",
    "case",
    "design",
    "empirical",
    "epistemic_draws",
    "fit_cover",
    "fit_drying",
    "fit_face_maps",
    "fit_migration",
    "fit_profiles",
    "fit_strip_log",
    "inventory",
    "load",
    "own_indices",
    "plan_tests",
    "plot",
    "rank",
    "rank_sample",
    "rank_table",
    "replace",
    "samples",
    "stripped_early",
    "sweep",
    "target",
    "update",
    "write",
    "write_design",
]

__version__ = "0.1.0"


def __dir__() -> list[str]:
    """List the public names, imported already or not."""
    return sorted(__all__)


def __getattr__(name: str) -> Any:
    """Import on first use, so that `stripwise --help` does not wait for pandas."""
    value = import_public_name(name)
    globals()[name] = value
    return value
