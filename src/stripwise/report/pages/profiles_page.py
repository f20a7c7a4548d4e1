"""What the report of fitted chloride profiles draws and writes."""

from __future__ import annotations

import numpy as np

from stripwise.evidence.profiles.layered_fit import LAYERED
from stripwise.report.components import Report, Section
from stripwise.report.figures import sheet
from stripwise.report.figures.profile_figures import plot_penalties, plot_residuals, profiles_figure
from stripwise.report.pages.profile_text import findings, method, sections, warnings
from stripwise.report.pages.skin_section import (
    plot_skins,
    skin_depth_toml,
    skin_findings,
    skin_method,
    skin_record,
    skin_section,
)
from stripwise.studies.fit.profiles_study import ProfilesStudy

__all__ = ["profiles_report"]

ASSUMPTIONS = (
    "Exposure: specimens in a test solution, wetted all the time, take up chloride by diffusion "
    "alone; a wall in splash or spray is wetted and dried, and its outer millimetres follow "
    "other laws. The surface content of the solution is not that of the wall.",
    "Age: Dₐ belongs to the age and the length of the exposure. Concrete goes on hydrating, a "
    "poorly cured face less than a well cured one; a ratio found at weeks or months need not "
    "hold at decades.",
    "Temperature: Dₐ is that of the test's temperature; a scenario's diffusivity is that at 20 "
    "degC. Convert it where the two differ; the penalty factors are hardly concerned.",
    "Saturation: a face that dried early may be measured wetter, or drier, in the laboratory "
    "than on site; unsaturated concrete lets in chloride more slowly by diffusion and faster by "
    "suction.",
    "Depth: a Dₐ fitted over the whole profile is an average over skin and bulk. A penalty "
    "from it belongs to the whole cover; put on a thin skin it understates the harm unless the "
    "profile ended within the skin.",
    "A scenario can say how uncertain this step is: curing.model_factor multiplies penalties that "
    "come out of a fit, and is off unless the scenario sets it.",
    "Not covered: cracks, joints, honeycombing, cold, and differences between the concretes of "
    "specimen and wall.",
)


def profiles_report(study: ProfilesStudy) -> Report:
    """Write up fitted chloride profiles."""
    data_file, fits, layered, penalties = (
        study.data_file,
        study.fits,
        study.layered,
        study.penalties,
    )
    with sheet.style_context():
        figures = {"profiles": profiles_figure(fits, layered)}
        if layered is not None and LAYERED in layered.choice:
            figures["skin"] = sheet.parent_figure(plot_skins(fits, layered))
        if penalties is not None and len(penalties.strategies) > 1:
            figures["penalties"] = sheet.parent_figure(
                plot_penalties(penalties, study.penalty_fits)
            )
        figures["residuals"] = sheet.parent_figure(plot_residuals(fits))
    tables = {
        "specimens.csv": study.specimens,
        "strategies.csv": study.strategies,
        "residuals.csv": study.residuals,
        "bootstrap.csv": study.bootstrap_table,
        "penalties.csv": study.penalty_table,
        "penalty_covariance.csv": study.covariance_table,
        "layered.csv": study.layered_table,
    }
    texts = dict(study.scenario_files)
    if study.skin_depth is not None:
        texts["affected_depth.toml"] = skin_depth_toml(study.skin_depth, source=data_file.path.name)
    return Report(
        title=f"Chloride profiles: {data_file.name}",
        about=f"{len(fits.profiles.specimens)} specimens of "
        f"{len(set(fits.profiles.strategies))} strategies: surface content and apparent "
        "diffusivity by least squares, penalty factors by strategy.",
        findings=(*findings(fits, penalties), *_skin_findings(study)),
        sections=_sections(study),
        source=data_file.path,
        digest=data_file.digest,
        warnings=(*data_file.notes, *warnings(study)),
        method=method(keep_first=study.keep_first, repeats=study.bootstrap_repeats)
        + (() if layered is None else (skin_method(),)),
        assumptions=ASSUMPTIONS,
        figures=figures,
        tables={name: table for name, table in tables.items() if table is not None},
        texts=texts,
        record=_record(study) | ({} if layered is None else skin_record(layered)),
    )


def _skin_findings(study: ProfilesStudy) -> tuple[str, ...]:
    if study.layered is None:
        return ()
    return skin_findings(study.layered, reference=study.reference)


def _sections(study: ProfilesStudy) -> tuple[Section, ...]:
    parts = sections(study)
    if study.layered is None:
        return parts
    place = next(i for i, part in enumerate(parts) if part.heading == "Profiles")
    return (*parts[:place], skin_section(study.fits, study.layered), *parts[place:])


def _record(study: ProfilesStudy) -> dict[str, object]:
    record: dict[str, object] = {"kind": "profiles", "contents": study.fits.profiles.basis}
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
