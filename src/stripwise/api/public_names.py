"""Which public name of `stripwise` lives in which module."""

from __future__ import annotations

from importlib import import_module
from typing import Any

__all__ = ["HOMES", "public"]

HOMES = {
    "Assessment": "stripwise.studies.results",
    "DesignResult": "stripwise.studies.design.design_result",
    "Scenario": "stripwise.scenario.model",
    "SiteAnswer": "stripwise.studies.stripped",
    "assess": "stripwise.studies.run",
    "design": "stripwise.studies.design.design_study",
    "load": "stripwise.scenario.loading",
    "stripped_early": "stripwise.studies.stripped",
    "write": "stripwise.report.write",
    "write_design": "stripwise.report.design_write",
}


def public(name: str) -> Any:
    """Import what a public name stands for; AttributeError where there is none."""
    if name not in HOMES:
        raise AttributeError(f"module 'stripwise' has no attribute {name!r}")
    return getattr(import_module(HOMES[name]), name)
