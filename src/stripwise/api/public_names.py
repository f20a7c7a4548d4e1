"""Which public name of `stripwise` lives in which module."""

from __future__ import annotations

from importlib import import_module
from typing import Any

__all__ = ["PUBLIC_MODULES", "import_public_name"]

PUBLIC_MODULES = {
    "Assessment": "stripwise.studies.results",
    "DesignResult": "stripwise.studies.design.design_result",
    "Ranking": "stripwise.studies.rank.rank_study",
    "Scenario": "stripwise.scenario.model",
    "SiteAnswer": "stripwise.studies.stripped",
    "as_toml": "stripwise.api.cases",
    "TargetResult": "stripwise.studies.target_study",
    "assess": "stripwise.studies.run",
    "case": "stripwise.api.cases",
    "design": "stripwise.studies.design.design_study",
    "fit_cover": "stripwise.api.fits",
    "fit_drying": "stripwise.api.fits",
    "fit_migration": "stripwise.api.fits",
    "fit_profiles": "stripwise.api.fits",
    "fit_strip_log": "stripwise.api.fits",
    "inventory": "stripwise.studies.inventory.inventory_study",
    "InventoryResult": "stripwise.studies.inventory.inventory_study",
    "load": "stripwise.scenario.loading",
    "plan_tests": "stripwise.studies.fit.planned_tests",
    "rank": "stripwise.studies.rank.rank_study",
    "replace": "stripwise.api.cases",
    "samples": "stripwise.studies.wall_samples",
    "stripped_early": "stripwise.studies.stripped",
    "sweep": "stripwise.studies.sweep",
    "target": "stripwise.studies.target_study",
    "write": "stripwise.report.write",
    "write_design": "stripwise.report.write",
}


def import_public_name(name: str) -> Any:
    """Import what a public name stands for; AttributeError where there is none."""
    if name not in PUBLIC_MODULES:
        raise AttributeError(f"module 'stripwise' has no attribute {name!r}")
    return getattr(import_module(PUBLIC_MODULES[name]), name)
