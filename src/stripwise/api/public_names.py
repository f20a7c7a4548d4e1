"""Which public name of `stripwise` lives in which module."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any

from stripwise.studies.result_writer import set_writer

__all__ = ["PUBLIC_MODULES", "import_public_name"]

PUBLIC_MODULES = {
    "Assessment": "stripwise.studies.results",
    "DesignResult": "stripwise.studies.design.design_result",
    "FrontModel": "stripwise.risk.model.own_front",
    "Ranking": "stripwise.studies.rank.rank_study",
    "Scenario": "stripwise.scenario.model",
    "SiteAnswer": "stripwise.studies.stripped",
    "as_toml": "stripwise.api.cases",
    "UpdateResult": "stripwise.studies.update.update_result",
    "TargetResult": "stripwise.studies.target_study",
    "assess": "stripwise.studies.run",
    "case": "stripwise.api.cases",
    "design": "stripwise.studies.design.design_study",
    "empirical": "stripwise.api.own_inputs",
    "epistemic_draws": "stripwise.studies.epistemic_draws",
    "fit_cover": "stripwise.api.fits",
    "fit_drying": "stripwise.api.fits",
    "fit_face_maps": "stripwise.api.fits",
    "fit_migration": "stripwise.api.fits",
    "fit_profiles": "stripwise.api.fits",
    "fit_strip_log": "stripwise.api.fits",
    "inventory": "stripwise.studies.inventory.inventory_study",
    "InventoryResult": "stripwise.studies.inventory.inventory_study",
    "load": "stripwise.scenario.loading",
    "own_indices": "stripwise.studies.rank.research_tables",
    "rank_sample": "stripwise.studies.rank.research_tables",
    "rank_table": "stripwise.studies.rank.research_tables",
    "plan_tests": "stripwise.studies.fit.planned_tests",
    "rank": "stripwise.studies.rank.rank_study",
    "replace": "stripwise.api.cases",
    "samples": "stripwise.studies.wall_samples",
    "stripped_early": "stripwise.studies.stripped",
    "sweep": "stripwise.studies.sweep",
    "target": "stripwise.studies.target_study",
    "update": "stripwise.studies.update.update_study",
    "write": "stripwise.report.write",
    "write_design": "stripwise.report.write",
}


def _write(result: Any, folder: Any, *, overwrite: bool = False) -> list[Path]:
    """Write a result by the one writer, which is imported on first use."""
    if type(result).__name__ == "InventoryResult":
        from stripwise.report.write_inventory import write_inventory  # noqa: PLC0415 - only then

        return write_inventory(result, Path(folder), overwrite=overwrite)
    written: list[Path] = import_public_name("write")(result, folder, overwrite=overwrite)
    return written


def _sentences(result: Any) -> tuple[str, ...]:
    from stripwise.report.result_reports import sentences_of  # noqa: PLC0415 - only when shown

    return sentences_of(result)


set_writer(_write, _sentences)


def import_public_name(name: str) -> Any:
    """Import what a public name stands for; AttributeError where there is none."""
    if name == "plot":
        return import_module("stripwise.api.plot")
    if name not in PUBLIC_MODULES:
        raise AttributeError(f"module 'stripwise' has no attribute {name!r}")
    return getattr(import_module(PUBLIC_MODULES[name]), name)
