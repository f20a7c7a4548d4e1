"""What the report of a cover survey says, draws and writes."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from stripwise.evidence.cover_survey import CoverSurvey, Estimate
from stripwise.report import formatting
from stripwise.report.components import Report, Section, Table, input_toml
from stripwise.report.figures import sheet, style
from stripwise.report.figures.cover_comparison_figure import (
    comparison_findings,
    comparison_section,
    plot_cover_comparison,
)
from stripwise.report.figures.fitted_families_figure import family_table, plot_fit
from stripwise.studies.fit.cover_survey_study import CoverSurveyStudy

__all__ = ["plot_positions", "survey_report"]

MAX_POINTS = 800
"""Most readings drawn on the face."""

SHADES = ("#7F2704", "#D55E00", "#F2A65A", "#C6DBEF", "#6BAED6", "#08519C")
"""From thin to thick cover; thin is dark and warm, so that it stands out in grey print too."""


def survey_report(study: CoverSurveyStudy) -> Report:
    """Write up a cover survey."""
    data_file, survey, scenario, comparison = (
        study.data_file,
        study.survey,
        study.scenario,
        study.comparison,
    )
    with sheet.style_context():
        figures = {"cover": sheet.parent_figure(_plot_cover(survey))}
        if "x_mm" in survey.data:
            figures["positions"] = sheet.parent_figure(plot_positions(survey))
        if comparison is not None and scenario is not None:
            figures["probability"] = sheet.parent_figure(
                plot_cover_comparison(comparison, scenario)
            )
    tables = {
        "families.csv": study.families,
        "summary.csv": study.summary,
        "areas.csv": survey.areas,
        "probability.csv": comparison,
    }
    return Report(
        title=f"Cover survey: {data_file.path.stem}",
        about=f"{len(survey.data)} covermeter readings, and the distribution of the cover that "
        "they support.",
        findings=_findings(study),
        sections=_sections(study),
        source=data_file.path,
        digest=data_file.digest,
        warnings=survey.warnings,
        method=METHOD,
        assumptions=ASSUMPTIONS,
        figures=figures,
        tables={name: table for name, table in tables.items() if table is not None},
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
    )


ASSUMPTIONS = (
    "The readings stand for the whole face: places where the meter could not go (corners, "
    "kickers, congested bars) are not in them.",
    "A covermeter has an error of its own, a few millimetres or more where bars lie close "
    "together or their diameter is guessed; it is part of the sd here. Breaking out a few bars "
    "shows the meter's bias.",
    "The uncertainty of mean and sd is told by the intervals and is not part of the distribution "
    "that goes to the scenario.",
)
METHOD = (
    "Families by maximum likelihood (a beta only between bounds that --bounds states, which decide "
    "its tails and are not fitted), compared by the criterion of Akaike (1974). Goodness of fit: "
    "Anderson-Darling and Kolmogorov-Smirnov statistics, their p-values by parametric bootstrap "
    "with parameters fitted anew and readings rounded as these are (Davison and Hinkley 1997, "
    "4.2; recalled).",
    "Correlation of neighbours: b exp(-distance / length); the restricted likelihood (Patterson "
    "and Thompson 1971) is summed over a grid of b and length and the case of no correlation, so "
    "that what one survey leaves open about its own correlation widens the interval of the mean. "
    "The effective number is that of independent readings whose t interval is as wide. Resemblance "
    "is spoken of where Moran's test (1950; four nearest readings, random permutations) falls "
    "below 10 %. Areas without positions: by the scatter of their means.",
    "Interval of the mean by Student\N{RIGHT SINGLE QUOTATION MARK}s t, of the sd by the kurtosis "
    "of the readings, of the counted share by Wilson (1927), of the fitted share by parametric "
    "bootstrap, each with the effective number. A reading on the limit is not below it.",
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
        note += f" Ringed: below {formatting.number(survey.limit)} mm."
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
            (f"{low:.0f} to {high:.0f} mm", style.TEXT_COLOR, 18.0),
        )
        for text, ink, right in key:
            ax.annotate(
                text,
                xy=(1.0, 1.0),
                xycoords="axes fraction",
                xytext=(right, -row * line),
                textcoords="offset points",
                va="top",
                fontsize=style.NOTE_SIZE,
                color=ink,
                annotation_clip=False,
                parse_math=False,
            )


def _positions_title(survey: CoverSurvey) -> str:
    space = survey.spatial
    if space is not None and space.correlated:
        return (
            f"Thin cover lies together: readings resemble each other over about "
            f"{space.correlation_length / 1000.0:.2g} m"
        )
    return (
        "Thin cover is scattered over the face: neighbours resemble each other no more than others"
    )


def _plot_cover(survey: CoverSurvey) -> Axes:
    limit = survey.limit
    fitted = survey.fitted_share
    title = (
        f"The cover has a mean of {formatting.number(survey.mean.value)} mm and an sd of "
        f"{formatting.number(survey.sd.value)} mm"
    )
    if limit is not None and fitted is not None:
        title = f"{formatting.percent(fitted.value)} of the cover lies below {formatting.number(limit)} mm"
    return plot_fit(
        survey.data["cover_mm"],
        survey.fits,
        chosen=survey.chosen.family,
        label="Cover [mm]",
        title=title,
        note="Steps: readings; curves: fitted families, the one for the scenario in bold.",
        limit=limit,
        limit_text="" if limit is None else f"limit: {formatting.number(limit)} mm",
    )


def _findings(study: CoverSurveyStudy) -> tuple[str, ...]:
    survey, scenario, comparison = study.survey, study.scenario, study.comparison
    texts = [
        f"Mean cover {_length_text(survey.mean)} mm, sd {_length_text(survey.sd)} mm, from {len(survey.data)} "
        f"readings worth about {survey.effective_sample_size:.0f} independent ones (95 % intervals)."
    ]
    if (
        survey.limit is not None
        and survey.empirical_share is not None
        and survey.fitted_share is not None
    ):
        texts.append(
            f"Below {formatting.number(survey.limit)} mm: {_percent_text(survey.empirical_share)} of the readings; "
            f"{_percent_text(survey.fitted_share)} by the fitted {survey.chosen.family}."
        )
    texts.append(
        f'For a scenario: cover = {{ from = "cover.toml" }}, the {survey.chosen.family} with '
        f"mean {formatting.number(survey.chosen.mean)} mm and sd {formatting.number(survey.chosen.sd)} mm."
    )
    if comparison is not None and scenario is not None:
        texts += comparison_findings(comparison, scenario)
    return tuple(texts)


def _length_text(estimate: Estimate) -> str:
    ends = formatting.interval(estimate.low, estimate.high, formatting.number)
    return f"{formatting.number(estimate.value)} ({ends})"


def _percent_text(estimate: Estimate) -> str:
    ends = formatting.interval(estimate.low, estimate.high, formatting.percent)
    return f"{formatting.percent(estimate.value)} ({ends})"


def _sections(study: CoverSurveyStudy) -> tuple[Section, ...]:
    survey, scenario, comparison = study.survey, study.scenario, study.comparison
    families = family_table(survey.fits, unit="mm", chosen=survey.chosen.family)
    sections = [
        Section("Distribution of the cover", (), "cover", "Data: families.csv.", (families,))
    ]
    if "x_mm" in survey.data:
        sections.append(Section("Where the readings are", (), "positions", "Data: the survey."))
    if survey.areas is not None:
        rows = survey.areas.head(40).to_dict("records")
        areas = Table(
            "Readings by area" + ("; the first 40, all in areas.csv." if len(rows) == 40 else "."),
            ("Area", "Readings", "Mean [mm]", "sd [mm]"),
            tuple(
                (
                    row["area"],
                    str(row["readings"]),
                    formatting.number(row["mean_mm"]),
                    formatting.number(row["sd_mm"]),
                )
                for row in rows
            ),
            frozenset({1, 2, 3}),
        )
        sections.append(Section("Areas", (), "", "", (areas,)))
    if comparison is not None and scenario is not None:
        sections.append(comparison_section(comparison, scenario))
    return tuple(sections)


def _scenario_input(study: CoverSurveyStudy) -> str:
    data_file, survey = study.data_file, study.survey
    return input_toml(
        study.cover,
        unit="mm",
        source=f"cover survey, {len(survey.data)} readings of {data_file.name}, SHA-256 "
        f"{data_file.digest[:12]}",
        about=(
            "Cover as surveyed, for [reinforcement] of a scenario: "
            'cover = { from = "cover.toml" }.',
            f"95 % intervals: mean {_length_text(survey.mean)} mm, sd {_length_text(survey.sd)} mm.",
        ),
    )
