"""Probabilistic service life of concrete walls whose forms are stripped early.

>>> import stripwise
>>> callable(stripwise.load) and callable(stripwise.assess)
True
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from stripwise.errors import InputError, NumericalError, OutputError, ScenarioError, StripwiseError

if TYPE_CHECKING:
    from stripwise.assessment import Assessment
    from stripwise.corridor import assess
    from stripwise.designing.driver import design
    from stripwise.designing.result import DesignResult
    from stripwise.report.design_write import write_design
    from stripwise.report.write import write
    from stripwise.scenario.loading import load
    from stripwise.scenario.model import Scenario
    from stripwise.siteanswer import SiteAnswer, stripped_early

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

_HOMES = {
    "Assessment": "stripwise.assessment",
    "DesignResult": "stripwise.designing.result",
    "Scenario": "stripwise.scenario.model",
    "SiteAnswer": "stripwise.siteanswer",
    "assess": "stripwise.corridor",
    "design": "stripwise.designing.driver",
    "load": "stripwise.scenario.loading",
    "stripped_early": "stripwise.siteanswer",
    "write": "stripwise.report.write",
    "write_design": "stripwise.report.design_write",
}


def __getattr__(name: str) -> Any:
    """Import on first use, so that `stripwise --help` does not wait for pandas."""
    if name not in _HOMES:
        raise AttributeError(f"module 'stripwise' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value
