"""Which public name of `stripwise` lives in which module."""

from __future__ import annotations

from importlib import import_module
from typing import Any

__all__ = ["PUBLIC_MODULES", "import_public_name"]

PUBLIC_MODULES = {
    "Assessment": "stripwise.studies.results",
    "DesignResult": "stripwise.studies.design.design_result",
    "Scenario": "stripwise.scenario.model",
    "SiteAnswer": "stripwise.studies.stripped",
    "TargetResult": "stripwise.studies.target_study",
    "assess": "stripwise.studies.run",
    "design": "stripwise.studies.design.design_study",
    "load": "stripwise.scenario.loading",
    "stripped_early": "stripwise.studies.stripped",
    "target": "stripwise.studies.target_study",
    "write": "stripwise.report.write",
    "write_design": "stripwise.report.write",
}


def import_public_name(name: str) -> Any:
    """Import what a public name stands for; AttributeError where there is none."""
    if name not in PUBLIC_MODULES:
        raise AttributeError(f"module 'stripwise' has no attribute {name!r}")
    return getattr(import_module(PUBLIC_MODULES[name]), name)
