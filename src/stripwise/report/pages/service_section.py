"""What the page of a run says about optional service conditions."""

from __future__ import annotations

from collections.abc import Mapping

import matplotlib.figure

from stripwise.report.components import (
    Column,
    Figure,
    Paragraph,
    Section,
    Table,
    numeric,
)
from stripwise.report.prose import sentence
from stripwise.studies.results import Assessment
from stripwise.units.formatting import length, number, percent, years

__all__ = ["service_sections"]

LIMIT_STATES = ("initiation", "cracking")


def service_sections(
    assessment: Assessment, figures: Mapping[str, matplotlib.figure.Figure]
) -> tuple[Section, ...]:
    """Lay out a section for each option that the scenario sets."""
    parts = (
        _mechanisms(assessment),
        _cracking(assessment, figures),
        _extent(assessment, figures),
        _layers(assessment),
    )
    return tuple(part for part in parts if part is not None)


def _figure(
    name: str, figures: Mapping[str, matplotlib.figure.Figure], caption: str
) -> tuple[Figure, ...]:
    return (Figure(name, figures[name], caption),) if name in figures else ()


def _percents(heads: Mapping[str, str]) -> tuple[Column, ...]:
    """Make a column of probabilities for each key with its head, after the strategy's name."""
    return (
        Column("Strategy", "strategy"),
        *(numeric(head, key, percent) for key, head in heads.items()),
    )


def _mechanisms(assessment: Assessment) -> Section | None:
    table = assessment.service.mechanisms
    if table is None:
        return None
    wide = table.pivot_table(
        index="strategy", columns="mechanism", values="probability_at_target", sort=False
    )
    heads = {"chloride": "Chloride alone", "carbonation": "Carbonation alone", "both": "Both"}
    rows = wide.reset_index().to_dict("records")
    return Section(
        "Two mechanisms, one cover",
        (
            Paragraph(
                "Each mechanism alone and both together; the deeper of the two fronts governs."
            ),
            Table(
                f"Probability of depassivation within {years(assessment.scenario.target.service_life)}",
                _percents(heads),
                rows,
            ),
            Paragraph(
                "All digits, with the age at which each exceeds the limit: mechanisms.csv.", "note"
            ),
        ),
        keep=True,
    )


def _cracking(
    assessment: Assessment, figures: Mapping[str, matplotlib.figure.Figure]
) -> Section | None:
    table, horizon = assessment.service.cracking_lives, assessment.scenario.sampling.horizon
    if table is None:
        return None
    target = assessment.scenario.target
    heads = {f"{what}_at_target": what.capitalize() for what in LIMIT_STATES}
    lives = (
        numeric(
            f"{what.capitalize()} reaches it in",
            f"{what}_life_yr",
            lambda t: years(t, horizon=horizon),
        )
        for what in LIMIT_STATES
    )
    return Section(
        "After depassivation: the first crack",
        (
            *_figure(
                "cracking",
                figures,
                "Initiation: the front at the steel. Cracking: the bar has since lost the radius "
                "that first cracks the cover. Data: cracking.csv.",
            ),
            Table(
                f"The two lives side by side: probability at {years(target.service_life)}, and the "
                f"age at which it exceeds the limit of {percent(target.probability)}",
                (*_percents(heads), *lives),
                table.to_dict("records"),
            ),
        ),
    )


def _extent(
    assessment: Assessment, figures: Mapping[str, matplotlib.figure.Figure]
) -> Section | None:
    table, options = assessment.service.extent, assessment.scenario.service.extent
    if table is None or options is None:
        return None
    life = assessment.scenario.target.service_life
    shares = {
        f"above_{100.0 * x:g}_pct": f"More than {number(100.0 * x)} %" for x in options.shares
    }
    return Section(
        "How much of the face",
        (
            Table(
                f"Share of the face that is depassivated at {years(life)}: mean, standard "
                "deviation, and the chance that it exceeds a share",
                _percents({"mean_share": "Mean", "sd_share": "sd", **shares}),
                table[table["age_yr"] == life].to_dict("records"),
            ),
            Paragraph("Every tenth year: extent.csv.", "note"),
            *_figure(
                "face",
                figures,
                "One face out of many that could be: for understanding, not a forecast.",
            ),
        ),
    )


def _layers(assessment: Assessment) -> Section | None:
    table, scenario = assessment.service.layers, assessment.scenario
    if table is None:
        return None
    coated = scenario.service.coating is not None
    text = sentence("run.layers")
    if coated:
        text += " " + sentence("run.coating")
    heads = {
        "probability_at_target": "As computed",
        **({"probability_uncoated": "Without the coating"} if coated else {}),
        "probability_grid": "Grid of the run",
        "probability_finer_grid": "Finer grid",
    }
    moves = numeric(
        "Fronts move by", "front_change_mean_mm", lambda mm: length(mm, units=scenario.units)
    )
    return Section(
        "Layers and coating",
        (
            Paragraph(text),
            Table(
                f"Probability within {years(scenario.target.service_life)}. Last columns: one sample by the grid of "
                "the run and by one with cells and steps half as large",
                (*_percents(heads), moves),
                table.to_dict("records"),
            ),
            Paragraph(
                "All digits: layers.csv. Cells, steps and the estimate of the error: under Method.",
                "note",
            ),
        ),
        keep=True,
    )
