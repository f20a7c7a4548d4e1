"""What the report of fitted chloride profiles draws and writes."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np

from stripwise.report.components import Report, Section, data_report
from stripwise.report.pages.comparison_sections import (
    comparison_warnings,
    further_findings,
    further_record,
    further_sections,
)
from stripwise.report.pages.profile_text import findings, method, sections, warnings
from stripwise.report.pages.skin_section import (
    skin_depth_toml,
    skin_findings,
    skin_record,
)
from stripwise.report.prose import paragraphs
from stripwise.studies.fit.fitted_inputs import JOINT_DRAWS
from stripwise.studies.fit.profiles_study import ProfilesStudy

__all__ = ["profiles_report", "profiles_sentences"]


def profiles_report(study: ProfilesStudy) -> Report:
    """Write up fitted chloride profiles."""
    data_file, fits, layered = study.data_file, study.fits, study.layered
    texts = dict(study.scenario_files)
    if study.skin_depth is not None:
        texts["affected_depth.toml"] = skin_depth_toml(study.skin_depth, source=data_file.path.name)
    how = method(study)
    if layered is not None:
        how += (*paragraphs("skin.method"),)
    return data_report(
        data_file,
        title=f"Chloride profiles: {data_file.name}",
        about=f"{len(fits.profiles.specimens)} specimens of "
        f"{len(set(fits.profiles.strategies))} strategies: surface content and apparent "
        "diffusivity by least squares, penalty factors by strategy.",
        findings=profiles_sentences(study),
        sections=_all_sections(study),
        warnings=(
            *data_file.notes,
            *warnings(study),
            *comparison_warnings(study.comparison, "diffusivity"),
        ),
        method=how,
        assumptions=paragraphs("profiles.assumptions"),
        tables={
            "specimens.csv": study.specimens,
            "strategies.csv": study.strategies,
            "residuals.csv": study.residuals,
            "penalties.csv": study.penalty_table,
            "penalty_covariance.csv": study.covariance_table,
            "layered.csv": study.layered_table,
            JOINT_DRAWS: study.joint_draws,
            "comparisons.csv": None if study.comparison is None else study.comparison.table,
            "life_lost.csv": None if study.life_lost is None else study.life_lost.table,
        },
        further=() if study.life_lost is None else study.life_lost.scenario.sources,
        texts=texts,
        record=_record(study)
        | further_record(study.comparison, study.life_lost)
        | ({} if layered is None else skin_record(layered)),
    )


def profiles_sentences(study: ProfilesStudy) -> tuple[str, ...]:
    """Say what the fits and the penalty factors show."""
    found = findings(study.fits, study.penalties)
    if study.layered is not None:
        found += skin_findings(study.layered, reference=study.reference)
    return (*found[:1], *further_findings(study.comparison, study.life_lost), *found[1:])


def _all_sections(study: ProfilesStudy) -> tuple[Section, ...]:
    """Put comparisons and lives behind the penalty factors."""
    own = sections(study)
    at = 1 if study.penalty_table is not None and len(study.penalty_table) > 1 else 0
    return (*own[:at], *further_sections(study.comparison, study.life_lost), *own[at:])


def _record(study: ProfilesStudy) -> dict[str, object]:
    error, rise = study.fits.error, study.fits.smallest_rise
    record: dict[str, object] = {
        "kind": "profiles",
        "contents": study.fits.profiles.basis,
        "error": error.kind,
        "error_constant": error.scale * error.constant,
        "error_share": error.scale * error.proportional,
        "robust": study.fits.robust,
        "smallest_rise_found": rise if np.isfinite(rise) else None,
        "dropped": [asdict(item) for item in study.dropped],
    }
    penalties = study.penalties
    if penalties is None or study.penalty_table is None:
        return record
    pooled = penalties.log_diffusivity
    return record | {
        "reference": penalties.reference,
        "between_specimens_sd_ln": float(np.sqrt(pooled.between_variance)),
        "degrees_of_freedom": pooled.degrees_of_freedom,
        "common_surface_p": penalties.equal_surface_p,
        "penalties": study.penalty_table.to_dict("records"),
    }
