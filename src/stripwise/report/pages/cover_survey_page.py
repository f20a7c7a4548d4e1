"""What the report of a cover survey says, draws and writes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from stripwise.evidence.cover_survey import CoverSurvey, Estimate
from stripwise.report.components import (
    Column,
    Figure,
    Report,
    Section,
    Table,
    data_report,
    numeric,
)
from stripwise.report.even_decimals import even_numbers
from stripwise.report.figures import sheet, style
from stripwise.report.figures.cover_comparison_figure import (
    comparison_findings,
    comparison_section,
)
from stripwise.report.figures.fitted_families_figure import family_table, plot_fit
from stripwise.report.files import input_toml
from stripwise.report.prose import paragraphs
from stripwise.studies.fit.cover_survey_study import CoverSurveyStudy
from stripwise.units import formatting

__all__ = ["plot_cover", "plot_positions", "survey_report", "survey_sentences"]

MAX_POINTS = 800
"""Most readings drawn on the face."""

MAX_AREAS = 40
"""Most areas in the table."""

SHADES = ("#7F2704", "#D55E00", "#F2A65A", "#C6DBEF", "#6BAED6", "#08519C")
"""From thin to thick cover; thin is dark and warm, so that it stands out in grey print too."""


def survey_report(study: CoverSurveyStudy) -> Report:
    """Write up a cover survey."""
    data_file, survey, comparison = study.data_file, study.survey, study.comparison
    return data_report(
        data_file,
        title=f"Cover survey: {data_file.path.stem}",
        about=f"{len(survey.data)} covermeter readings, and the distribution of the cover that "
        "they support.",
        findings=survey_sentences(study),
        sections=_sections(study),
        warnings=survey.warnings,
        method=paragraphs("cover.method"),
        assumptions=paragraphs("cover.assumptions"),
        tables={
            "families.csv": study.families,
            "summary.csv": study.summary,
            "areas.csv": survey.areas,
            "probability.csv": comparison,
        },
        texts={"cover.toml": _scenario_input(study)},
        record={
            "kind": "cover-survey",
            "readings": len(survey.data),
            "effective_readings": survey.effective_sample_size,
            "summary": study.summary.to_dict("records"),
            "families": study.families.to_dict("records"),
            "chosen": survey.chosen.family,
            **({} if comparison is None else {"probability": comparison.to_dict("records")}),
        },
        further=() if study.scenario is None else study.scenario.sources,
    )


def plot_positions(survey: CoverSurvey, *, ax: Axes | None = None) -> Axes:
    """Plot the readings where they were taken, thin cover dark and warm."""
    every = max(1, -(-len(survey.data) // MAX_POINTS))
    data = survey.data.iloc[::every]
    x = data["x_mm"].to_numpy(dtype=float) / 1000.0
    y = data["y_mm"].to_numpy(dtype=float) / 1000.0 if "y_mm" in data else np.zeros(len(data))
    cover = data["cover_mm"].to_numpy(dtype=float)
    edges = np.quantile(survey.data["cover_mm"], np.linspace(0.0, 1.0, len(SHADES) + 1)[1:-1])
    note = "Each square is a reading; a sixth of all readings has each colour, dark brown thinnest."
    if every > 1:
        note += f" One reading in {every} is drawn."
    if survey.limit is not None:
        note += f" Ringed: below {_mm(survey.limit)}."
    title = _positions_title(survey)
    wide, tall = max(float(np.ptp(x)), 1e-9), max(float(np.ptp(y)), 1e-9)
    height = float(np.clip(110.0 * tall / wide, 18.0, 90.0))
    if ax is None:
        ax = sheet.new_axes(
            height=height, left=15.0, right=30.0, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    place = np.digitize(cover, edges)
    size = float(np.clip(9000.0 / len(data), 4.0, 60.0))
    for shade, color in enumerate(SHADES):
        own = place == shade
        ax.scatter(x[own], y[own], s=size, marker="s", color=color, linewidths=0, gid=f"s-{shade}")
    if survey.limit is not None:
        thin = cover < survey.limit
        ax.scatter(
            x[thin],
            y[thin],
            s=2.4 * size,
            marker="o",
            facecolors="none",
            edgecolors=style.TEXT_COLOR,
            linewidths=0.9,
            gid="below",
        )
    ax.set_xlim(x.min() - 0.04 * wide, x.max() + 0.04 * wide)
    ax.set_ylim(y.min() - 0.08 * tall, y.max() + 0.08 * tall)
    _legend(ax, edges, cover)
    ax.set_xlabel("x [m]", fontsize=style.TEXT_SIZE)
    if "y_mm" in data:
        ax.set_ylabel("y [m]", fontsize=style.TEXT_SIZE)
    else:
        ax.set_yticks([])
    sheet.headline(ax, title, note=note)
    return ax


def _legend(ax: Axes, edges: NDArray[np.float64], cover: NDArray[np.float64]) -> None:
    _, height = sheet.axes_size(ax)
    ends = [float(cover.min()), *edges, float(cover.max())]
    line = min(1.6 * style.NOTE_SIZE, height / len(SHADES))
    for row, color in enumerate(SHADES[::-1]):
        low, high = ends[len(SHADES) - 1 - row], ends[len(SHADES) - row]
        key = (
            ("\N{BLACK SQUARE}", color, 8.0),
            (formatting.interval(low, high, _mm), style.TEXT_COLOR, 18.0),
        )
        for text, ink, right in key:
            sheet.annotate(
                ax,
                text,
                (1.0, 1.0),
                offset=(right, -row * line),
                xycoords="axes fraction",
                va="top",
                color=ink,
            )


def _positions_title(survey: CoverSurvey) -> str:
    space = survey.spatial
    if space is not None and space.correlated:
        return (
            f"Thin cover lies together: readings resemble each other over about "
            f"{formatting.number(space.correlation_length / 1000.0, 2)} m"
        )
    return (
        "Thin cover is scattered over the face: neighbours resemble each other no more than others"
    )


def plot_cover(survey: CoverSurvey, *, ax: Axes | None = None) -> Axes:
    """Plot the share of readings up to a cover, as measured and by the fitted families."""
    limit = survey.limit
    fitted = survey.fitted_share
    title = f"The cover has a mean of {_mm(survey.mean.value)} and an sd of {_mm(survey.sd.value)}"
    if limit is not None and fitted is not None:
        title = f"{formatting.percent(fitted.value)} of the cover lies below {_mm(limit)}"
    return plot_fit(
        survey.data["cover_mm"],
        survey.fits,
        chosen=survey.chosen.family,
        label="Cover [mm]",
        title=title,
        note="Steps: readings; curves: fitted families, the one for the scenario in bold.",
        limit=limit,
        limit_text="" if limit is None else f"limit: {_mm(limit)}",
        ax=ax,
    )


def survey_sentences(study: CoverSurveyStudy) -> tuple[str, ...]:
    """Say what the survey shows, first things first."""
    survey, scenario, comparison = study.survey, study.scenario, study.comparison
    limit, counted, fitted = survey.limit, survey.empirical_share, survey.fitted_share
    texts = [
        f"Mean cover {_with_interval(survey.mean, _mm)}, sd {_with_interval(survey.sd, _mm)}, from "
        f"{len(survey.data)} readings worth about "
        f"{formatting.count(survey.effective_sample_size)} independent ones (95 % intervals)."
    ]
    if limit is not None and counted is not None and fitted is not None:
        texts.append(
            f"Below {_mm(limit)}: {_with_interval(counted, formatting.percent)} of the readings; "
            f"{_with_interval(fitted, formatting.percent)} by the fitted {survey.chosen.family}."
        )
    texts.append(
        f'For a scenario: cover = {{ from = "cover.toml" }}, the {survey.chosen.family} with '
        f"mean {_mm(survey.chosen.mean)} and sd {_mm(survey.chosen.sd)}."
    )
    if comparison is not None and scenario is not None:
        texts += comparison_findings(comparison, scenario)
    return tuple(texts)


def _mm(length: float) -> str:
    return formatting.length(length, units="SI")


def _with_interval(estimate: Estimate, write: Callable[[float], str]) -> str:
    return formatting.value_with_interval(estimate.value, estimate.low, estimate.high, write)


def _sections(study: CoverSurveyStudy) -> tuple[Section, ...]:
    survey, scenario, comparison = study.survey, study.scenario, study.comparison
    sections = [
        Section(
            "Distribution of the cover",
            (
                Figure("cover", sheet.draw(plot_cover, survey), "Data: families.csv."),
                family_table(survey.fits, unit="mm", chosen=survey.chosen.family),
            ),
        )
    ]
    if "x_mm" in survey.data:
        positions = Figure("positions", sheet.draw(plot_positions, survey), "Data: the survey.")
        sections.append(Section("Where the readings are", (positions,)))
    if survey.areas is not None:
        rows = survey.areas.head(MAX_AREAS).to_dict("records")
        areas = Table(
            "Readings by area"
            + (f"; the first {MAX_AREAS}, all in areas.csv." if len(rows) == MAX_AREAS else "."),
            (
                Column("Area", "area"),
                numeric("Readings", "readings", str),
                even_numbers("Mean [mm]", "mean_mm", rows),
                even_numbers("sd [mm]", "sd_mm", rows),
            ),
            rows,
        )
        sections.append(Section("Areas", (areas,)))
    if comparison is not None and scenario is not None:
        sections.append(comparison_section(comparison, scenario))
    return tuple(sections)


def _scenario_input(study: CoverSurveyStudy) -> str:
    data_file, survey = study.data_file, study.survey
    return input_toml(
        study.cover,
        unit="mm",
        nominal=study.nominal,
        mean_sd=study.mean_sd,
        source=f"cover survey, {len(survey.data)} readings of {data_file.name}, SHA-256 "
        f"{data_file.digest[:12]}",
        about=(
            "Cover as surveyed, for [reinforcement] of a scenario: "
            'cover = { from = "cover.toml" }.',
            f"95 % intervals: mean {_with_interval(survey.mean, _mm)}, sd {_with_interval(survey.sd, _mm)}.",
            "mean_sd is the error of the mean: the interval as that of a normal.",
        ),
    )
