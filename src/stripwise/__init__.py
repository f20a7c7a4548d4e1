"""Probabilistic service life of concrete walls whose forms are stripped early.

>>> import stripwise
>>> callable(stripwise.load) and callable(stripwise.assess)
True
"""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from stripwise.api.public_names import import_public_name
from stripwise.errors import InputError, NumericalError, OutputError, ScenarioError, StripwiseError

if TYPE_CHECKING:
    from stripwise.report.write import write, write_design
    from stripwise.scenario.loading import load
    from stripwise.scenario.model import Scenario
    from stripwise.studies.design.design_result import DesignResult
    from stripwise.studies.design.design_study import design
    from stripwise.studies.results import Assessment
    from stripwise.studies.run import assess
    from stripwise.studies.stripped import SiteAnswer, stripped_early

__all__ = [
    "Assessment",
    "DesignResult",
    "InputError",
    "NumericalError",
    "OutputError",
    "Scenario",
    "ScenarioError",
    "SiteAnswer",
    "StripwiseError",
    "assess",
    "design",
    "load",
    "stripped_early",
    "write",
    "write_design",
]

__version__ = version("stripwise")


def __getattr__(name: str) -> Any:
    """Import on first use, so that `stripwise --help` does not wait for pandas."""
    value = import_public_name(name)
    globals()[name] = value
    return value
