"""What the report of chloride maps draws and writes."""

from __future__ import annotations

import numpy as np

from stripwise.evidence.face_maps.method_agreement import MethodComparison, RatioWithInterval
from stripwise.evidence.face_maps.paste_profile import NARROW_STRIP, STRIPS
from stripwise.report.components import (
    Column,
    Figure,
    Paragraph,
    Report,
    Section,
    Table,
    data_report,
    numeric,
)
from stripwise.report.even_decimals import even
from stripwise.report.figures import sheet
from stripwise.report.figures.face_map_figures import (
    face_maps_figure,
    plot_aggregate,
    plot_agreement,
)
from stripwise.report.figures.profile_figures import CONTENT_UNITS
from stripwise.report.pages.comparison_sections import (
    comparison_warnings,
    further_findings,
    further_record,
    further_sections,
)
from stripwise.report.pages.profile_text import findings, sections, warnings
from stripwise.report.prose import paragraphs
from stripwise.studies.fit.face_maps_study import FaceMapsStudy
from stripwise.studies.fit.fitted_inputs import JOINT_DRAWS
from stripwise.units import formatting
from stripwise.units.formatting import number, percent

__all__ = ["face_maps_report", "face_maps_sentences"]

MIN_PAIRED_SPECIMENS = 3
"""Specimens below which a comparison of methods is called indicative."""


def face_maps_report(study: FaceMapsStudy) -> Report:
    """Write up chloride maps."""
    profiles = study.profiles
    data_file = profiles.data_file
    return data_report(
        data_file,
        title=f"Chloride maps: {data_file.name}",
        about=f"{_maps(len(study.faces))} of {_strategies(study)}: aggregate taken out, profile of "
        "the paste, surface content and apparent diffusivity, penalty factors.",
        findings=face_maps_sentences(study),
        sections=(
            _maps_section(study),
            _paste_section(study),
            *(part for part in sections(profiles) if part.heading != "Specimens"),
            *further_sections(profiles.comparison, profiles.life_lost),
            *([] if study.comparison is None else [_comparison_section(study.comparison)]),
        ),
        warnings=(
            *data_file.notes,
            *_warnings(study),
            *warnings(profiles, ground=False),
            *comparison_warnings(profiles.comparison, "diffusivity"),
        ),
        method=paragraphs("face_maps.method", strips=STRIPS),
        assumptions=(*paragraphs("face_maps.assumptions"), *paragraphs("profiles.assumptions")),
        tables={
            "specimens.csv": study.specimens,
            "layers.csv": study.table,
            "strategies.csv": profiles.strategies,
            "residuals.csv": profiles.residuals,
            "penalties.csv": profiles.penalty_table,
            "penalty_covariance.csv": profiles.covariance_table,
            "comparisons.csv": None if profiles.comparison is None else profiles.comparison.table,
            "life_lost.csv": None if profiles.life_lost is None else profiles.life_lost.table,
            JOINT_DRAWS: profiles.joint_draws,
            "methods.csv": study.comparison_table,
        },
        texts=profiles.scenario_files,
        record=_record(study) | further_record(profiles.comparison, profiles.life_lost),
        further=(
            *study.sources,
            *(() if profiles.life_lost is None else profiles.life_lost.scenario.sources),
        ),
    )


def face_maps_sentences(study: FaceMapsStudy) -> tuple[str, ...]:
    """Say what the fits, the penalty factors and the aggregate show."""
    return (
        *findings(study.profiles.fits, study.profiles.penalties, ground=False),
        *further_findings(study.profiles.comparison, study.profiles.life_lost),
        *_map_findings(study),
    )


def _maps(count: int) -> str:
    return "One chloride map" if count == 1 else f"{count} chloride maps"


def _strategies(study: FaceMapsStudy) -> str:
    count = len({face.strategy for face in study.faces})
    return "one strategy" if count == 1 else f"{count} strategies"


def _map_findings(study: FaceMapsStudy) -> list[str]:
    near, behind = _wall_effect(study)
    texts = [
        f"Aggregate takes up {percent(near)} of the first 5 mm and {percent(behind)} behind them"
        + (
            ": the form kept grains away, and the face has more paste to fill with chloride."
            if near < 0.9 * behind
            else "."
        )
    ]
    if study.comparison is not None:
        texts.append(_agreement_text(study.comparison))
    return texts


def _wall_effect(study: FaceMapsStudy) -> tuple[float, float]:
    near, behind = zip(*(part.wall_effect for part in study.layers), strict=True)
    return float(np.mean(near)), float(np.mean(behind))


def _warnings(study: FaceMapsStudy) -> list[str]:
    texts = []
    if study.faces[0].basis == "pct_paste":
        texts.append(
            "Contents are by mass of paste. Penalty factors and diffusivities hold as they are, "
            "since the unit cancels; surface contents need --binder-share (binder per paste by "
            "mass) before a scenario can use them."
        )
    splits = [mask.split for mask in study.masks if mask.split is not None]
    if splits:
        worst = max(split.misclassified for split in splits)
        texts.append(
            f"The second channel mistakes {percent(worst)} of the pixels of the worst map; one pixel along every "
            "edge of a grain is left out for that."
        )
    narrow = [
        f.specimen for f in study.faces if f.pixel[1] * f.position.size < STRIPS * NARROW_STRIP
    ]
    if narrow:
        texts.append(
            f"Narrower than {number(STRIPS * NARROW_STRIP)} mm: {formatting.first_few(narrow, 'specimens.csv')}. "
            "Their strips share grains, so that the intervals are somewhat too narrow."
        )
    holes = max(float(np.mean(~np.isfinite(face.chloride))) for face in study.faces)
    if holes > 0.0:
        texts.append(f"Up to {percent(holes)} of a map has no reading and is left out.")
    return texts


def _maps_section(study: FaceMapsStudy) -> Section:
    with sheet.style_context():
        drawn = face_maps_figure(study.faces, study.masks, study.layers)
    return Section("Maps", (Figure("maps", drawn, "Data: layers.csv."),))


def _paste_section(study: FaceMapsStudy) -> Section:
    aggregate = Figure(
        "aggregate", sheet.draw(plot_aggregate, study.faces, study.layers), "Data: layers.csv."
    )
    errors, fits = study.errors, study.profiles.fits
    unit = CONTENT_UNITS[study.faces[0].basis]

    def between(low: float, high: float, write: object = number) -> str:
        return formatting.interval(float(low), float(high), write)  # type: ignore[arg-type]

    written, content = even(1e12 * fits.diffusivity), even(fits.surface)
    table = Table(
        f"Each map, with 95 % intervals from {STRIPS} strips. Contents in {unit}.",
        (
            Column("Specimen", write=lambda k: study.faces[k].specimen),
            Column("Strategy", write=lambda k: study.faces[k].strategy),
            numeric("Dₐ [10⁻¹² m²/s]", write=lambda k: written(1e12 * float(fits.diffusivity[k]))),
            numeric(
                "95 % interval",
                write=lambda k: between(
                    1e12 * errors.diffusivity_low[k], 1e12 * errors.diffusivity_high[k], written
                ),
            ),
            numeric("Surface content", write=lambda k: content(float(fits.surface[k]))),
            numeric(
                "95 % interval",
                write=lambda k: between(errors.surface_low[k], errors.surface_high[k], content),
            ),
            numeric(
                "Effective strips", write=lambda k: number(float(errors.effective_strips[k]), 2)
            ),
            numeric("Aggregate", write=lambda k: percent(float(study.masks[k].aggregate.mean()))),
            Column("Notes", write=lambda k: fits.notes[k]),
        ),
        range(len(study.faces)),
    )
    return Section("Paste and aggregate", (aggregate, table))


def _comparison_section(comparison: MethodComparison) -> Section:
    blocks: list[Paragraph | Figure] = [Paragraph(_agreement_text(comparison))]
    found = comparison.difference
    if found is not None:
        bias = formatting.value_with_interval(found.bias, found.bias_low95, found.bias_high95)
        limits = f"{number(found.low)} to {number(found.high)}"
        blocks.append(
            Paragraph(
                f"Mapped less ground content: {bias} on average; limits of agreement {limits}, each "
                f"known to \N{PLUS-MINUS SIGN}{number(found.limit_half_width, 2)}."
            )
        )
    blocks.append(
        Paragraph(
            f"Fitted to the map over fitted to the ground layers: Dₐ {_ratio(comparison.diffusivity)}"
            f", surface content {_ratio(comparison.surface)}."
        )
    )
    if len(set(comparison.specimens)) < MIN_PAIRED_SPECIMENS:
        blocks.append(
            Paragraph(
                "Fewer than three specimens were read by both methods: this is indicative only.",
                "note",
            )
        )
    blocks.append(Figure("methods", sheet.draw(plot_agreement, comparison), "Data: methods.csv."))
    return Section("Map against ground profile", tuple(blocks))


def _agreement_text(comparison: MethodComparison) -> str:
    found = comparison.log_ratio
    mean, low, high = (
        float(np.exp(value)) for value in (found.bias, found.bias_low95, found.bias_high95)
    )
    text = (
        f"The map reads {formatting.value_with_interval(mean, low, high)} times the ground content "
        f"on average over {len(comparison.ground)} layers; for a single layer expect between "
        f"{number(float(np.exp(found.low)))} and {number(float(np.exp(found.high)))} times."
    )
    if not comparison.same_unit:
        text += " The units differ, so that this ratio holds their conversion."
    return text


def _ratio(ratio: RatioWithInterval) -> str:
    return formatting.value_with_interval(ratio.ratio, ratio.low95, ratio.high95)


def _record(study: FaceMapsStudy) -> dict[str, object]:
    near, behind = _wall_effect(study)
    penalties = study.profiles.penalty_table
    return {
        "kind": "face-maps",
        "contents": study.faces[0].basis,
        "binder_share": study.binder_share,
        "aggregate_near_face": near,
        "aggregate_behind": behind,
        "penalties": None if penalties is None else penalties.to_dict("records"),
    }
